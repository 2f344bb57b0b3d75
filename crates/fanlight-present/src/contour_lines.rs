//! Isophotes: which levels, and their lines on the resampled picture.

use crate::sky::{SkyPicture, north_up};
use fanlight_image::{Image, contour, smooth};
use fanlight_record::NightRecord;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_round, format_value};

/// Samples along a side of the grid on which lines are traced.
const GRID: usize = 400;
/// Most levels drawn: more would touch near the centre.
const MOST_LEVELS: usize = 14;
/// Lines smaller than this share of the side carry no label: it would cover the centre.
const LEAST_LABELLED: f64 = 0.1;
/// Smoothing far out against that near the centre, and where, in seeing widths, the one passes into the other.
const WIDER: f64 = 3.0;
const PASSAGE_SEEING: (f64, f64) = (8.0, 16.0);
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

/// Samples along a side, and most levels, for the small pictures of a night and its twin.
const SMALL: (usize, usize) = (220, 10);

/// Lines of the same levels on several pictures, without labels: the night's first, then the others' at its levels.
/// Returns the lines picture by picture and the sentence that explains them.
pub(crate) fn shared(
    night: &NightRecord,
    pictures: &[SkyPicture],
    half_width_arcsec: f64,
) -> (Vec<Vec<Isophote>>, String) {
    let Some(first) = pictures.first() else { return (Vec::new(), String::new()) };
    let tracer = Tracer::new(night, first, half_width_arcsec, SMALL);
    let (levels, unit) = tracer.levels(night, first);
    let range = match (levels.first(), levels.last()) {
        (Some((_, brightest)), Some((_, faintest))) => {
            format!("Isophotes at {brightest} to {faintest} {unit}, the same in both rows.")
        }
        _ => "No isophote: nothing rises three times over the noise.".to_string(),
    };
    let lines = pictures.iter().map(|p| Tracer::new(night, p, half_width_arcsec, SMALL).trace(&levels)).collect();
    (lines, range)
}

/// All lines of a picture and the sentence that explains them.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Isophotes {
    pub lines: Vec<Isophote>,
    pub description: String,
}

/// Lines every half (or whole) magnitude per square arcsecond where calibrated, else at 1, 2, 5 × 10ⁿ e⁻/s per square
/// arcsecond, from three times the noise of the smoothed picture upward. The picture is smoothed by a Gaussian as wide
/// as the seeing near the centre and three times that far out, where a coma changes slowly; lines narrower than twice
/// the seeing are left out.
pub(crate) fn isophotes(night: &NightRecord, picture: &SkyPicture, half_width_arcsec: f64) -> Isophotes {
    let tracer = Tracer::new(night, picture, half_width_arcsec, (GRID, MOST_LEVELS));
    let (levels, unit) = tracer.levels(night, picture);
    let lines = tracer.trace(&levels);
    let fwhm_arcsec = tracer.fwhm_arcsec;
    let description = if lines.is_empty() {
        "No isophote: nothing rises three times over the noise.".to_string()
    } else {
        let seeing = fixed(fwhm_arcsec, 1);
        // the corners of the picture reach furthest
        let smoothing = if half_width_arcsec * std::f64::consts::SQRT_2 > PASSAGE_SEEING.0 * fwhm_arcsec {
            let (wide, beyond) = (fixed(WIDER * fwhm_arcsec, 1), fixed(PASSAGE_SEEING.1 * fwhm_arcsec, 0));
            format!("{seeing}″ near the centre and {wide}″ beyond {beyond}″")
        } else {
            format!("{seeing}″")
        };
        format!("Isophotes in {unit}, smoothed to {smoothing}; only where the light is over three times its noise.")
    };
    Isophotes { lines, description }
}

/// A smoothed picture in which lines are traced.
struct Tracer {
    smooth: Image,
    grid_arcsec: f64,
    fwhm_arcsec: f64,
    most_levels: usize,
}

impl Tracer {
    fn new(
        night: &NightRecord,
        picture: &SkyPicture,
        half_width_arcsec: f64,
        (grid, most_levels): (usize, usize),
    ) -> Self {
        let pixel_arcsec = picture.pixel_area_arcsec2().sqrt();
        let seeing = night.morphology.psf.as_ref().map(|p| p.fwhm_arcsec).filter(|f| f.is_finite() && *f > 0.0);
        let fwhm_arcsec = seeing.unwrap_or(2.5 * pixel_arcsec);
        let grid_arcsec = 2.0 * half_width_arcsec / grid as f64;
        let smooth = smoothed(&north_up(picture, half_width_arcsec, grid), fwhm_arcsec / grid_arcsec);
        Self { smooth, grid_arcsec, fwhm_arcsec, most_levels }
    }

    /// Levels from three times the noise to the brightest place, and their unit.
    fn levels(&self, night: &NightRecord, picture: &SkyPicture) -> (Vec<(f64, String)>, String) {
        let sigma_px = self.fwhm_arcsec / 2.354_82 / picture.pixel_area_arcsec2().sqrt();
        let noise = smoothed_noise(night, picture, sigma_px);
        let known = || self.smooth.data.iter().copied().filter(|v| v.is_finite());
        let brightest = known().fold(f32::NEG_INFINITY, f32::max);
        let darkest = known().fold(f32::INFINITY, f32::min);
        levels(picture, f64::from(darkest).max(3.0 * noise), f64::from(brightest), self.most_levels)
    }

    fn trace(&self, levels: &[(f64, String)]) -> Vec<Isophote> {
        let mut lines = Vec::new();
        let mut labels: Vec<(f64, f64)> = Vec::new();
        let side = self.smooth.width as f64;
        for (level, label) in levels {
            let traced = contour::lines(&self.smooth, *level as f32);
            let kept: Vec<Vec<(f64, f64)>> = traced
                .into_iter()
                .filter(|line| extent(line) * self.grid_arcsec >= 2.0 * self.fwhm_arcsec)
                .map(|line| line.into_iter().map(|(x, y)| ((x + 0.5) / side, (y + 0.5) / side)).collect())
                .collect();
            if kept.is_empty() {
                continue;
            }
            let label_at = label_place(&kept, &labels);
            labels.extend(label_at);
            lines.push(Isophote { label: label.clone(), lines: kept, label_at });
        }
        lines
    }
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
fn levels(picture: &SkyPicture, faintest: f64, brightest: f64, most: usize) -> (Vec<(f64, String)>, String) {
    let area = picture.pixel_area_arcsec2();
    let faintest = faintest.max(brightest * 1e-6);
    if !(brightest.is_finite() && faintest > 0.0 && faintest < brightest) {
        return (Vec::new(), String::new());
    }
    if let Some(zero_point) = picture.zero_point_mag.filter(|z| z.is_finite()) {
        let mag = |per_px: f64| zero_point - 2.5 * (per_px / area).log10();
        let range = mag(faintest) - mag(brightest);
        let step = [0.5, 1.0].into_iter().find(|s| range <= s * most as f64).unwrap_or(2.0);
        let (first, last) = ((mag(brightest) / step).ceil() as i64, (mag(faintest) / step).floor() as i64);
        let at = |k: i64| {
            let mu = k as f64 * step;
            (area * 10f64.powf(-0.4 * (mu - zero_point)), fixed(mu, 1))
        };
        let unit = format!("mag/arcsec², every {}{THIN_SPACE}mag", format_round(step, 2));
        return ((first..=last).map(at).collect(), unit);
    }
    let decade = (brightest / area).log10().floor() as i32;
    let all = (decade - 7..=decade).rev().flat_map(|p| [5.0, 2.0, 1.0].map(|m| m * 10f64.powi(p)));
    let inside = all.filter(|v| v * area <= brightest && v * area >= faintest).take(most);
    (inside.map(|v| (v * area, format_value(v, 1))).collect(), "e/s/arcsec²".to_string())
}

/// A place for a label on the longest line, to the lower right or lower left of the middle, where no other label and
/// no edge is near.
fn label_place(lines: &[Vec<(f64, f64)>], taken: &[(f64, f64)]) -> Option<(f64, f64)> {
    let longest =
        lines.iter().max_by(|a, b| extent(a).total_cmp(&extent(b))).filter(|l| extent(l) >= LEAST_LABELLED)?;
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
        let (low, high) = line.iter().map(pick).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (if v < l { v } else { l }, if v > h { v } else { h })
        });
        high - low
    };
    span(|p| p.0).max(span(|p| p.1))
}

/// Smoothed to the seeing near the middle and more widely far out, with no value where none was known: a line across a
/// gap would be a guess.
fn smoothed(image: &Image, fwhm_px: f64) -> Image {
    let sigma_px = fwhm_px / 2.354_82;
    let mut out = smooth::gaussian(image, sigma_px);
    let wide = smooth::gaussian(image, WIDER * sigma_px);
    let (inner, outer) = (PASSAGE_SEEING.0 * fwhm_px, PASSAGE_SEEING.1 * fwhm_px);
    let middle = (image.width as f64 - 1.0) / 2.0;
    for (i, value) in out.data.iter_mut().enumerate() {
        let radius = ((i % image.width) as f64 - middle).hypot((i / image.width) as f64 - middle);
        let share = ((radius - inner) / (outer - inner)).clamp(0.0, 1.0) as f32;
        *value = if image.data[i].is_finite() { *value + share * (wide.data[i] - *value) } else { f32::NAN };
    }
    out
}
