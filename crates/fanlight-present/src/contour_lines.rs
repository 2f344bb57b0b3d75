//! Isophotes: which levels, and their lines on the resampled picture.

use crate::sky::{SkyPicture, north_up};
use fanlight_image::Image;
use fanlight_record::NightRecord;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_value};
use std::collections::BTreeMap;

/// Samples along a side of the grid on which lines are traced.
const GRID: usize = 400;
/// Most levels drawn: more would touch near the centre.
const MOST_LEVELS: usize = 14;
/// Least distance between two labels, as a share of the side.
const LABEL_SPACING: f64 = 0.062;

/// Lines of one brightness, in shares of the picture's side from its top left corner.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Isophote {
    pub label: String,
    pub lines: Vec<Vec<(f64, f64)>>,
    /// Where the label has room; `None` when it has none.
    pub label_at: Option<(f64, f64)>,
}

/// All lines of a picture and the sentence that explains them.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Isophotes {
    pub lines: Vec<Isophote>,
    pub description: String,
}

/// Lines every half (or whole) magnitude per square arcsecond where calibrated, else at 1, 2, 5 × 10ⁿ e⁻/s per square
/// arcsecond, from three times the noise of the smoothed picture upward. The picture is smoothed by a Gaussian as wide
/// as the seeing; closed lines narrower than the seeing are left out.
pub(crate) fn isophotes(night: &NightRecord, picture: &SkyPicture, half_width_arcsec: f64) -> Isophotes {
    let pixel_arcsec = picture.pixel_area_arcsec2().sqrt();
    let seeing = night.morphology.psf.as_ref().map(|p| p.fwhm_arcsec).filter(|f| f.is_finite() && *f > 0.0);
    let fwhm_arcsec = seeing.unwrap_or(2.5 * pixel_arcsec);
    let sigma_arcsec = fwhm_arcsec / 2.354_82;
    let grid_arcsec = 2.0 * half_width_arcsec / GRID as f64;
    let smooth = gaussian(&north_up(picture, half_width_arcsec, GRID), sigma_arcsec / grid_arcsec);
    let noise = smoothed_noise(night, picture, sigma_arcsec / pixel_arcsec);
    let brightest = smooth.data.iter().copied().filter(|v| v.is_finite()).fold(f32::NEG_INFINITY, f32::max);
    let (levels, unit) = levels(picture, 3.0 * noise, f64::from(brightest));
    let mut lines = Vec::new();
    let mut labels: Vec<(f64, f64)> = Vec::new();
    for (level, label) in levels {
        let traced = trace(&smooth, level as f32);
        let kept: Vec<Vec<(f64, f64)>> = traced
            .into_iter()
            .filter(|line| extent(line) * grid_arcsec >= fwhm_arcsec)
            .map(|line| line.into_iter().map(|(x, y)| ((x + 0.5) / GRID as f64, (y + 0.5) / GRID as f64)).collect())
            .collect();
        if kept.is_empty() {
            continue;
        }
        let label_at = label_place(&kept, &labels);
        labels.extend(label_at);
        lines.push(Isophote { label, lines: kept, label_at });
    }
    let description = if lines.is_empty() {
        "No isophote: nothing rises three times over the noise.".to_string()
    } else {
        format!(
            "Isophotes in {unit}, smoothed to {}″, from three times the noise upward; closed lines narrower than \
             {}″ are left out.",
            fixed(fwhm_arcsec, 1),
            fixed(fwhm_arcsec, 1)
        )
    };
    Isophotes { lines, description }
}

/// Noise of the smoothed picture per stack pixel: that of the pixels over the root of the Gaussian's 4πs² pixels, and
/// the error of the sky, which no smoothing lowers.
fn smoothed_noise(night: &NightRecord, picture: &SkyPicture, sigma_px: f64) -> f64 {
    let positive = |v: f64| if v.is_finite() && v > 0.0 { v } else { 0.0 };
    let pixels = (2.0 * std::f64::consts::PI.sqrt() * sigma_px).max(1.0);
    let random = positive(night.stack.sky_noise_e_per_s_px) / pixels;
    random.hypot(positive(night.stack.residual_sky_err_e_per_s_arcsec2) * picture.pixel_area_arcsec2())
}

/// Levels per stack pixel, brightest first, with their labels; and the unit in words.
fn levels(picture: &SkyPicture, faintest: f64, brightest: f64) -> (Vec<(f64, String)>, String) {
    let area = picture.pixel_area_arcsec2();
    let faintest = faintest.max(brightest * 1e-6);
    if !(brightest.is_finite() && faintest > 0.0 && faintest < brightest) {
        return (Vec::new(), String::new());
    }
    if let Some(zero_point) = picture.zero_point_mag.filter(|z| z.is_finite()) {
        let mag = |per_px: f64| zero_point - 2.5 * (per_px / area).log10();
        let step = if mag(faintest) - mag(brightest) > 0.5 * MOST_LEVELS as f64 { 1.0 } else { 0.5 };
        let (first, last) = ((mag(brightest) / step).ceil() as i64, (mag(faintest) / step).floor() as i64);
        let at = |k: i64| {
            let mu = k as f64 * step;
            (area * 10f64.powf(-0.4 * (mu - zero_point)), fixed(mu, 1))
        };
        let unit = format!("mag/arcsec², every {}{THIN_SPACE}mag", fixed(step, 1));
        return ((first..=last).map(at).collect(), unit);
    }
    let decade = (brightest / area).log10().floor() as i32;
    let all = (decade - 7..=decade).rev().flat_map(|p| [5.0, 2.0, 1.0].map(|m| m * 10f64.powi(p)));
    let inside = all.filter(|v| v * area <= brightest && v * area >= faintest).take(MOST_LEVELS);
    (inside.map(|v| (v * area, format_value(v, 1))).collect(), "e/s/arcsec²".to_string())
}

/// A place for a label on the longest line, to the lower right or lower left of the middle, where no other label and
/// no edge is near.
fn label_place(lines: &[Vec<(f64, f64)>], taken: &[(f64, f64)]) -> Option<(f64, f64)> {
    let longest = lines.iter().max_by(|a, b| extent(a).total_cmp(&extent(b)))?;
    let clear = |p: &(f64, f64)| {
        (0.05..=0.95).contains(&p.0)
            && (0.04..=0.96).contains(&p.1)
            && taken.iter().all(|t| (t.0 - p.0).hypot(t.1 - p.1) >= LABEL_SPACING)
    };
    let toward = |direction: (f64, f64)| {
        let reach = |p: &(f64, f64)| (p.0 - 0.5) * direction.0 + (p.1 - 0.5) * direction.1;
        longest.iter().copied().max_by(|a, b| reach(a).total_cmp(&reach(b)))
    };
    let directions = [(0.6, 0.8), (-0.6, 0.8), (0.8, -0.6), (-0.8, -0.6)];
    let start = taken.len() % 2;
    (0..4).filter_map(|k| toward(directions[(start + k) % 4])).find(clear)
}

/// The longer side of a line's bounding box.
fn extent(line: &[(f64, f64)]) -> f64 {
    let span = |pick: fn(&(f64, f64)) -> f64| {
        let (low, high) = line
            .iter()
            .map(pick)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (if v < l { v } else { l }, if v > h { v } else { h }));
        high - low
    };
    span(|p| p.0).max(span(|p| p.1))
}

/// Gaussian smoothing that spreads no missing value: weights are renormalised over the known pixels, and unknown
/// pixels stay unknown.
fn gaussian(image: &Image, sigma_px: f64) -> Image {
    let reach = (3.0 * sigma_px).ceil().clamp(1.0, 200.0) as isize;
    let kernel: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / sigma_px).powi(2)).exp()).collect();
    let (width, height) = (image.width as isize, image.height as isize);
    let pass = |field: &[f64], along_x: bool| -> Vec<f64> {
        (0..width * height)
            .map(|i| {
                let (x, y) = (i % width, i / width);
                (-reach..=reach)
                    .zip(&kernel)
                    .map(|(k, w)| {
                        let (u, v) = if along_x { (x + k, y) } else { (x, y + k) };
                        let inside = u >= 0 && v >= 0 && u < width && v < height;
                        if inside { w * field[(v * width + u) as usize] } else { 0.0 }
                    })
                    .sum()
            })
            .collect()
    };
    let known: Vec<f64> = image.data.iter().map(|v| f64::from(u8::from(v.is_finite()))).collect();
    let light: Vec<f64> = image.data.iter().map(|v| if v.is_finite() { f64::from(*v) } else { 0.0 }).collect();
    let (sums, weights) = (pass(&pass(&light, true), false), pass(&pass(&known, true), false));
    let data = (0..image.data.len())
        .map(|i| if known[i] > 0.0 { (sums[i] / weights[i]) as f32 } else { f32::NAN })
        .collect();
    Image { width: image.width, height: image.height, data }
}

/// Marching squares: lines of one level in pixel coordinates, closed ones with the first point repeated.
fn trace(image: &Image, level: f32) -> Vec<Vec<(f64, f64)>> {
    let (width, height) = (image.width, image.height);
    // an edge is named by its lower pixel and whether it runs along x (even) or y (odd); each joins two segments at most
    let mut ends: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let mut segments: Vec<[usize; 2]> = Vec::new();
    for y in 0..height.saturating_sub(1) {
        for x in 0..width.saturating_sub(1) {
            let corner = [image.at(x, y), image.at(x + 1, y), image.at(x + 1, y + 1), image.at(x, y + 1)];
            if corner.iter().any(|v| !v.is_finite()) {
                continue;
            }
            let i = y * width + x;
            let edges = [2 * i, 2 * (i + 1) + 1, 2 * (i + width), 2 * i + 1];
            let above = corner.map(|v| v >= level);
            let crossed: Vec<usize> = (0..4).filter(|k| above[*k] != above[(*k + 1) % 4]).collect();
            let pairs: Vec<[usize; 2]> = match crossed.as_slice() {
                [a, b] => vec![[*a, *b]],
                [..] if crossed.len() == 4 => {
                    let middle = corner.iter().sum::<f32>() / 4.0 >= level;
                    if middle == above[0] { vec![[0, 1], [2, 3]] } else { vec![[3, 0], [1, 2]] }
                }
                _ => Vec::new(),
            };
            for [a, b] in pairs {
                for edge in [edges[a], edges[b]] {
                    ends.entry(edge).or_default().push(segments.len());
                }
                segments.push([edges[a], edges[b]]);
            }
        }
    }
    let point = |edge: usize| {
        let (i, along_y) = (edge / 2, edge % 2 == 1);
        let (x, y) = (i % width, i / width);
        let next = if along_y { image.at(x, y + 1) } else { image.at(x + 1, y) };
        let t = f64::from((level - image.at(x, y)) / (next - image.at(x, y)));
        if along_y { (x as f64, y as f64 + t) } else { (x as f64 + t, y as f64) }
    };
    let mut used = vec![false; segments.len()];
    let mut lines = Vec::new();
    for start in 0..segments.len() {
        if used[start] {
            continue;
        }
        used[start] = true;
        let [mut head, mut tail] = segments[start];
        let mut line = std::collections::VecDeque::from([head, tail]);
        let mut follow = |edge: usize| {
            let next = ends.get(&edge)?.iter().copied().find(|s| !used[*s])?;
            used[next] = true;
            let [a, b] = segments[next];
            Some(if a == edge { b } else { a })
        };
        while let Some(edge) = follow(tail) {
            line.push_back(edge);
            tail = edge;
        }
        while let Some(edge) = follow(head) {
            line.push_front(edge);
            head = edge;
        }
        lines.push(line.into_iter().map(point).collect());
    }
    lines
}
