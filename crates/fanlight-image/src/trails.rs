//! Stars drawn out into long trails: how long the trails are, and where they lie.
//!
//! A search for round sources finds a long trail as several, one beside the other. A filter drawn out as the stars are
//! finds it once, at its middle, and gathers all its light.

use crate::detect::Detection;
use crate::smooth::FWHM_PER_SIGMA;
use crate::{Image, Mask, flag, robust, smooth};
use rayon::prelude::*;
use std::f64::consts::PI;

/// How trails are sought.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrailConfig {
    /// Standard deviation of a pixel of bare sky, image units.
    pub noise: f32,
    /// Width across the trail, px.
    pub fwhm_px: f64,
    /// The trail from end to end, px; its sign means nothing.
    pub trail_px: (f64, f64),
    /// Least significance in the filtered image, sigmas.
    pub threshold_sigma: f64,
    /// Most sources returned, the brightest first.
    pub max_sources: usize,
}

/// Brightest sources whose outlines are followed.
const MAX_OUTLINES: usize = 60;
/// Fewest outlines that tell whether stars are drawn out.
const MIN_OUTLINES: usize = 3;
/// Largest outline followed, px: a trail of 100 px, 20 wide.
const MAX_OUTLINE_PX: usize = 2000;
/// Stars are drawn out where the median outline's axes are further apart than this.
const MIN_RATIO: f64 = 2.0;
/// Outlines this near to the direction of most are of single trails.
const SAME_DIRECTION_RAD: f64 = 0.2;
/// No star is narrower, px.
const NARROWEST_PX: f64 = 1.5;
/// Share of the outlines that must run in one direction.
const MIN_SHARE: f64 = 0.5;

/// What the outlines of the brightest sources say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outlines {
    /// Too few to tell.
    TooFew,
    /// The stars are not drawn out by more than about a width and a half.
    Round,
    /// They are.
    Trails {
        /// From end to end, px.
        trail_px: (f64, f64),
        /// Width across, px.
        fwhm_px: f64,
    },
}

/// Whether the brightest sources are trails, from their outlines at half their height.
///
/// The detections are those of [`crate::detect::sources`]: several of them may lie on one trail.
///
/// # Accuracy
/// Lengths of 12 to 60 px within a tenth, directions within 3°, widths within a quarter (tests); a fit makes them better.
pub fn outlines(image: &Image, mask: &Mask, detections: &[Detection], noise: f64) -> Outlines {
    let mut seen = vec![false; image.data.len()];
    let mut found: Vec<Outline> = Vec::new();
    for d in detections.iter().filter(|d| !d.saturated).take(4 * MAX_OUTLINES) {
        if found.len() == MAX_OUTLINES {
            break;
        }
        found.extend(outline(image, mask, (d.x_px, d.y_px), noise, &mut seen));
    }
    if found.len() < MIN_OUTLINES {
        return Outlines::TooFew;
    }
    let median = |mut values: Vec<f64>| robust::median_f64(&mut values).unwrap_or(0.0);
    if median(found.iter().map(|o| o.length_px / o.width_px).collect()) < MIN_RATIO {
        return Outlines::Round;
    }
    // direction: the one that most outlines lie near to, in doubled angles
    let near = |o: &Outline, angle: f64| turn(o.angle_rad, angle).abs() < SAME_DIRECTION_RAD;
    let votes = |angle: f64| found.iter().filter(|o| near(o, angle)).count();
    let Some(most) = found.iter().max_by_key(|o| votes(o.angle_rad)).map(|o| o.angle_rad) else {
        return Outlines::TooFew;
    };
    let alike: Vec<&Outline> = found.iter().filter(|o| near(o, most)).collect();
    if (alike.len() as f64) < MIN_SHARE * found.len() as f64 {
        return Outlines::Round;
    }
    let angle = most + median(alike.iter().map(|o| turn(o.angle_rad, most)).collect());
    let length_px = median(alike.iter().map(|o| o.length_px).collect());
    // the outline was followed on means of 3 × 3 pixels, of which the variance across is 2/3
    let across = median(alike.iter().map(|o| o.width_px).collect()).powi(2) - FWHM_PER_SIGMA.powi(2) * 2.0 / 3.0;
    let fwhm_px = across.max(NARROWEST_PX * NARROWEST_PX).sqrt();
    Outlines::Trails { trail_px: (length_px * angle.cos(), length_px * angle.sin()), fwhm_px }
}

/// Difference of two axes' directions, −π/2 to π/2.
fn turn(a: f64, b: f64) -> f64 {
    (a - b + 0.5 * PI).rem_euclid(PI) - 0.5 * PI
}

/// Region of a source over half of its height.
struct Outline {
    length_px: f64,
    width_px: f64,
    angle_rad: f64,
}

/// The connected pixels about a place over half of its height, on means of 3 × 3 pixels. `None` for what touches the edge or
/// a flagged pixel, is lost in noise, or was seen already.
fn outline(image: &Image, mask: &Mask, at: (f64, f64), noise: f64, seen: &mut [bool]) -> Option<Outline> {
    let (width, height) = (image.width, image.height);
    let mean = |i: usize| -> Option<f64> {
        let (x, y) = (i % width, i / width);
        if x == 0 || y == 0 || x + 1 == width || y + 1 == height {
            return None;
        }
        let rows = (y - 1..y + 2).flat_map(|j| (x - 1..x + 2).map(move |k| j * width + k));
        let mut sum = 0.0;
        for k in rows {
            let value = image.data[k];
            if mask.bits[k] & flag::SATURATED != 0 || !value.is_finite() {
                return None;
            }
            sum += f64::from(value);
        }
        Some(sum / 9.0)
    };
    let start = image.index(at.0.round() as isize, at.1.round() as isize)?;
    if seen[start] {
        return None;
    }
    let level = 0.5 * mean(start)?;
    // a third of a pixel's noise is that of the mean of nine; under three of those the outline would be torn
    if level < noise {
        return None;
    }
    let (mut pixels, mut next, mut whole) = (vec![start], 0, true);
    seen[start] = true;
    while next < pixels.len() && pixels.len() < MAX_OUTLINE_PX {
        let i = pixels[next];
        next += 1;
        for k in [i.wrapping_sub(1), i + 1, i.wrapping_sub(width), i + width] {
            if k >= seen.len() || seen[k] {
                continue;
            }
            match mean(k) {
                Some(value) if value > level => {
                    seen[k] = true;
                    pixels.push(k);
                }
                Some(_) => {}
                None => whole = false,
            }
        }
    }
    if !whole || pixels.len() < 5 || pixels.len() >= MAX_OUTLINE_PX {
        return None;
    }
    let n = pixels.len() as f64;
    let place = |i: &usize| ((i % width) as f64, (i / width) as f64);
    let (mx, my) = pixels.iter().map(place).fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in pixels.iter().map(place) {
        xx += (x - mx).powi(2) / n;
        xy += (x - mx) * (y - my) / n;
        yy += (y - my).powi(2) / n;
    }
    // a bar of length L has the variance L²/12 along itself, and so across
    let (half_sum, half_difference) = (0.5 * (xx + yy), 0.5 * (xx - yy).hypot(2.0 * xy));
    let side = |variance: f64| (12.0 * variance.max(1.0 / 12.0)).sqrt();
    Some(Outline {
        length_px: side(half_sum + half_difference),
        width_px: side(half_sum - half_difference),
        angle_rad: (0.5 * (2.0 * xy).atan2(xx - yy)).rem_euclid(PI),
    })
}

/// Two trails are one source where their middles are nearer than this share of the length, along, and of 1.2 widths across.
const SAME_LENGTH: f64 = 0.6;
const SAME_WIDTH: f64 = 1.2;
/// A source must stand over what brighter ones leave in the filtered image by this share of the threshold, and of that.
const OVER_THRESHOLD: f64 = 0.7;
const OVER_OTHERS: f64 = 0.25;

/// Trails of one length and direction in a background-subtracted image, each found once, brightest first.
///
/// Flagged pixels count as sky, saturated ones with their values. Nothing comes of an empty image, a width, a noise or a
/// trail that is not above zero, or of a mask of another size.
///
/// # Accuracy
/// Middles within a tenth of a width across and a twentieth of the length along at S/N 30 (tests); meant as places to start
/// a fit from.
pub fn sources(image: &Image, mask: &Mask, config: &TrailConfig) -> Vec<Detection> {
    let length = config.trail_px.0.hypot(config.trail_px.1);
    let sane = config.noise > 0.0 && config.noise.is_finite() && config.fwhm_px > 0.0 && length > 0.0;
    let sane = sane && length.is_finite() && config.fwhm_px.is_finite();
    if !sane || image.data.is_empty() || (mask.width, mask.height) != (image.width, image.height) {
        return Vec::new();
    }
    let filter = Filter::new(config);
    let filtered = filter.apply(image, mask);
    let noise = f64::from(config.noise) * filter.noise_factor();
    let threshold = config.threshold_sigma * noise;
    let mut kept: Vec<(usize, usize, f64)> = Vec::new();
    for (x, y, value) in maxima(&filtered, threshold as f32) {
        let mut from_others = 0.0;
        let apart = kept.iter().all(|(qx, qy, other)| {
            let (u, v) = filter.turned(x as f64 - *qx as f64, y as f64 - *qy as f64);
            from_others += other * filter.response(u, v);
            u.abs() > SAME_LENGTH * length || v.abs() > SAME_WIDTH * config.fwhm_px
        });
        if apart && value - from_others > (OVER_THRESHOLD * threshold).max(OVER_OTHERS * from_others) {
            kept.push((x, y, value));
            // the faintest that may be wanted: they come in order of height, which is that of flux
            if kept.len() == config.max_sources {
                break;
            }
        }
    }
    kept.into_par_iter().map(|(x, y, value)| filter.measure(image, mask, &filtered, (x, y), value, noise)).collect()
}

/// Pixels over a limit that are not under any of their eight neighbours, the highest first.
fn maxima(image: &Image, limit: f32) -> Vec<(usize, usize, f64)> {
    let (width, height) = (image.width, image.height);
    let of_row = |y: usize| {
        let row = image.row(y);
        let mut found = Vec::new();
        for (x, &value) in row.iter().enumerate() {
            if value < limit {
                continue;
            }
            let around = (y.saturating_sub(1)..(y + 2).min(height))
                .flat_map(|j| (x.saturating_sub(1)..(x + 2).min(width)).map(move |i| (i, j)));
            if around.into_iter().all(|(i, j)| image.at(i, j) <= value) {
                found.push((x, y, f64::from(value)));
            }
        }
        found
    };
    let mut all: Vec<_> = (0..height).into_par_iter().flat_map_iter(of_row).collect();
    all.sort_by(|a, b| b.2.total_cmp(&a.2).then((a.1, a.0).cmp(&(b.1, b.0))));
    all
}

/// A Gaussian of the stars' width drawn out along a line of pixels.
struct Filter<'a> {
    config: &'a TrailConfig,
    sigma_px: f64,
    /// Direction of the trail.
    along: (f64, f64),
    length_px: f64,
    /// Pixels of the line on either side of its middle, counted along the axis that it runs nearer to.
    half: usize,
    /// Pixels that it goes across for one along.
    slope: f64,
    /// Whether it runs nearer to the rows' direction.
    flat: bool,
}

impl<'a> Filter<'a> {
    fn new(config: &'a TrailConfig) -> Self {
        let (tx, ty) = config.trail_px;
        let length_px = tx.hypot(ty);
        let flat = tx.abs() >= ty.abs();
        let (long, short) = if flat { (tx, ty) } else { (ty, tx) };
        Self {
            config,
            sigma_px: config.fwhm_px / FWHM_PER_SIGMA,
            along: (tx / length_px, ty / length_px),
            length_px,
            half: (0.5 * (long.abs() - 1.0)).round().max(0.0) as usize,
            slope: short / long,
            flat,
        }
    }

    fn turned(&self, dx: f64, dy: f64) -> (f64, f64) {
        let (cos, sin) = self.along;
        (dx * cos + dy * sin, dy * cos - dx * sin)
    }

    /// What a source of height 1 leaves at an offset: a triangle along, a Gaussian of √2 times the width across.
    fn response(&self, u: f64, v: f64) -> f64 {
        let across = 0.25 * (v / self.sigma_px).powi(2);
        if across > 20.0 { 0.0 } else { (1.0 - u.abs() / self.length_px).max(0.0) * (-across).exp() }
    }

    /// Noise of a filtered pixel over that of a pixel: the root of the sum of the squared weights.
    fn noise_factor(&self) -> f64 {
        let n = 2 * self.half + 1;
        let s2 = self.sigma_px * self.sigma_px;
        // two points of the line share what two Gaussians do
        let shared = |k: usize| {
            let (a, b) = (k as f64, (self.slope * k as f64).round());
            (-(a * a + b * b) / (4.0 * s2)).exp() / (4.0 * PI * s2)
        };
        let sum: f64 = (0..n).map(|k| shared(k) * if k == 0 { n as f64 } else { 2.0 * (n - k) as f64 }).sum();
        sum.sqrt() / n as f64
    }

    /// The filtered image. Running sums along lines of pixels make the cost that of the pixels, whatever the length.
    fn apply(&self, image: &Image, mask: &Mask) -> Image {
        let mut clean = image.clone();
        clean.data.iter_mut().zip(&mask.bits).for_each(|(v, bits)| {
            if bits & !flag::SATURATED != 0 || !v.is_finite() {
                *v = 0.0;
            }
        });
        let reach = (3.5 * self.sigma_px).ceil() as usize;
        let kernel: Vec<f32> = smooth::gaussian_kernel(self.sigma_px, reach).iter().map(|w| *w as f32).collect();
        let smoothed = smooth::convolve(&clean, &kernel, &kernel);
        // the long axis: steps along it, and across it
        let (width, height) = (image.width, image.height);
        let (n_long, n_short) = if self.flat { (width, height) } else { (height, width) };
        let (step_long, step_short) = if self.flat { (1, width) } else { (width, 1) };
        let offset: Vec<isize> = (0..n_long).map(|a| (self.slope * a as f64).round() as isize).collect();
        let last = offset[n_long - 1];
        let first_line = -last.max(0);
        let n_lines = n_short + last.unsigned_abs();
        let share = 1.0 / (2 * self.half + 1) as f64;
        let line = |l: usize| {
            let c = first_line + l as isize;
            let at = |a: usize| -> Option<usize> {
                let b = c + offset[a];
                (b >= 0 && b < n_short as isize).then(|| a * step_long + b as usize * step_short)
            };
            let mut sums = Vec::with_capacity(n_long + 1);
            sums.push(0.0f64);
            for a in 0..n_long {
                sums.push(sums[a] + at(a).map_or(0.0, |i| f64::from(smoothed[i])));
            }
            let of = |a: usize| {
                let (from, to) = (a.saturating_sub(self.half), (a + self.half + 1).min(n_long));
                Some((at(a)?, (share * (sums[to] - sums[from])) as f32))
            };
            (0..n_long).filter_map(of).collect::<Vec<_>>()
        };
        let mut out = Image::filled(width, height, 0.0);
        // lines share no pixel; some hundred at a time keep the memory small
        for start in (0..n_lines).step_by(256) {
            let lines: Vec<_> = (start..(start + 256).min(n_lines)).into_par_iter().map(line).collect();
            lines.into_iter().flatten().for_each(|(i, v)| out.data[i] = v);
        }
        out
    }

    fn measure(
        &self,
        image: &Image,
        mask: &Mask,
        filtered: &Image,
        (x, y): (usize, usize),
        value: f64,
        noise: f64,
    ) -> Detection {
        let (cos, sin) = self.along;
        let at = |u: f64, v: f64| {
            let (px, py) = (x as f64 + u * cos - v * sin, y as f64 + u * sin + v * cos);
            crate::polar::sample_bilinear(filtered, px, py).map(f64::from)
        };
        // the triangle's two sides are as high where its middle is; across, a parabola through the logarithms
        let arm = 0.5 * self.length_px;
        let pair = |a: Option<f64>, b: Option<f64>| a.zip(b).filter(|(a, b)| *a > 0.0 && *b > 0.0);
        let u = pair(at(arm, 0.0), at(-arm, 0.0)).map_or(0.0, |(a, b)| 0.5 * self.length_px * (a - b) / value);
        let u = u.clamp(-0.25 * self.length_px, 0.25 * self.length_px);
        let step = 0.5 * self.config.fwhm_px;
        let v = pair(at(0.0, step), at(0.0, -step)).map_or(0.0, |(a, b)| {
            let bend = a.ln() + b.ln() - 2.0 * value.ln();
            if bend < 0.0 { (-0.5 * step * (a.ln() - b.ln()) / bend).clamp(-1.0, 1.0) } else { 0.0 }
        });
        let (x_px, y_px) = (x as f64 + u * cos - v * sin, y as f64 + u * sin + v * cos);
        let (mut peak, mut saturated) = (f32::NEG_INFINITY, false);
        let steps = self.length_px.ceil() as i64;
        for k in -steps..=steps {
            let share = 0.5 * self.length_px * k as f64 / steps as f64;
            for across in [-1.0, 0.0, 1.0] {
                let (px, py) = (x_px + share * cos - across * sin, y_px + share * sin + across * cos);
                if let Some(i) = image.index(px.round() as isize, py.round() as isize) {
                    saturated |= mask.bits[i] & flag::SATURATED != 0;
                    if image.data[i].is_finite() {
                        peak = peak.max(image.data[i]);
                    }
                }
            }
        }
        let margin = |part: f64| 2.0 * self.config.fwhm_px + 0.5 * self.length_px * part.abs();
        let inside = |c: f64, n: usize, part: f64| c >= margin(part) && c <= n as f64 - 1.0 - margin(part);
        Detection {
            x_px,
            y_px,
            peak,
            // the mean along the trail of what is √2 widths wide across it
            flux: value * self.length_px * (4.0 * PI).sqrt() * self.sigma_px,
            fwhm_px: self.config.fwhm_px,
            significance: value / noise,
            saturated,
            near_edge: !(inside(x_px, image.width, cos) && inside(y_px, image.height, sin)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{self, DetectConfig};
    use crate::moffat::{Moffat, StarImage, render_star};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    const NOISE: f32 = 10.0;
    const FWHM_PX: f64 = 2.8;

    /// Stars of S/N 30 and more on a jittered grid wide enough for the trail, with their places.
    fn field(trail_px: (f64, f64), seed: u64) -> (Image, Vec<(f64, f64)>) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let n = 480;
        let mut image = Image::filled(n, n, 0.0);
        for v in &mut image.data {
            // the sum of twelve uniform numbers has the variance 1
            *v = NOISE * ((0..12).map(|_| rng.random::<f32>()).sum::<f32>() - 6.0);
        }
        let shape = StarImage::new(Moffat::round(FWHM_PX, 3.0), trail_px);
        let area = 2.5 * FWHM_PX * (trail_px.0.hypot(trail_px.1) + FWHM_PX);
        let mut stars = Vec::new();
        for j in 0..5 {
            for i in 0..5 {
                let place = |k: i32, r: f64| 48.0 + 96.0 * f64::from(k) + 14.0 * (r - 0.5);
                let at = (place(i, rng.random()), place(j, rng.random()));
                let snr = 30.0 * 4f64.powf(rng.random::<f64>());
                render_star(&mut image, &shape, at.0, at.1, snr * f64::from(NOISE) * area.sqrt(), 25.0);
                stars.push(at);
            }
        }
        (image, stars)
    }

    fn round_detections(image: &Image, mask: &Mask) -> Vec<Detection> {
        let config = DetectConfig { noise: NOISE, fwhm_px: FWHM_PX, threshold_sigma: 5.0, max_sources: 1000 };
        detect::sources(image, mask, &config)
    }

    #[test]
    fn long_trails_are_seen_and_each_found_once() {
        for (k, (length, deg)) in
            [(12.0, 0.0), (20.0, 31.0), (30.0, 90.0), (44.0, 135.0), (60.0, 77.0)].into_iter().enumerate()
        {
            let angle = f64::to_radians(deg);
            let trail_px = (length * angle.cos(), length * angle.sin());
            let (image, stars) = field(trail_px, 40 + k as u64);
            let mask = Mask::clear(image.width, image.height);
            let round = round_detections(&image, &mask);
            assert!(length < 15.0 || round.len() > stars.len() + 10, "{length}: {} round ones", round.len());
            let Outlines::Trails { trail_px: (tx, ty), fwhm_px } = outlines(&image, &mask, &round, f64::from(NOISE))
            else {
                panic!("{length} px at {deg}° not seen");
            };
            assert!((tx.hypot(ty) / length - 1.0).abs() < 0.1, "{length}: {}", tx.hypot(ty));
            assert!((fwhm_px / FWHM_PX - 1.0).abs() < 0.25, "{length}: {fwhm_px}");
            assert!(turn(ty.atan2(tx), angle).to_degrees().abs() < 3.0, "{deg}: {}", ty.atan2(tx).to_degrees());

            let config =
                TrailConfig { noise: NOISE, fwhm_px, trail_px: (tx, ty), threshold_sigma: 5.0, max_sources: 1000 };
            let found = sources(&image, &mask, &config);
            assert_eq!(found.len(), stars.len(), "{length} px at {deg}°");
            for (x, y) in &stars {
                let off = |d: &Detection| (d.x_px - x).hypot(d.y_px - y);
                let d = found.iter().min_by(|a, b| off(a).total_cmp(&off(b))).expect("a source");
                let (dx, dy) = (d.x_px - x, d.y_px - y);
                let (u, v) = (dx * angle.cos() + dy * angle.sin(), dy * angle.cos() - dx * angle.sin());
                assert!(v.abs() < 0.2 * FWHM_PX && u.abs() < 0.05 * length + 0.3, "{length} at {deg}°: {u:.2} {v:.2}");
            }
        }
    }

    #[test]
    fn noise_alone_gives_no_trail_and_round_stars_stay_round() {
        let (image, _) = field((0.0, 0.0), 7);
        let mask = Mask::clear(image.width, image.height);
        assert_eq!(outlines(&image, &mask, &round_detections(&image, &mask), f64::from(NOISE)), Outlines::Round);
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        let mut empty = Image::filled(600, 600, 0.0);
        empty.data.iter_mut().for_each(|v| *v = NOISE * ((0..12).map(|_| rng.random::<f32>()).sum::<f32>() - 6.0));
        let mask = Mask::clear(600, 600);
        assert_eq!(outlines(&empty, &mask, &round_detections(&empty, &mask), f64::from(NOISE)), Outlines::TooFew);
        let config = TrailConfig {
            noise: NOISE,
            fwhm_px: FWHM_PX,
            trail_px: (30.0, 12.0),
            threshold_sigma: 5.0,
            max_sources: 1000,
        };
        // 360 000 pixels, some 5000 independent filters: less than one over 5σ in a hundred such images
        assert_eq!(sources(&empty, &mask, &config), Vec::new());
        let bad = TrailConfig { trail_px: (0.0, 0.0), ..config };
        assert!(sources(&image, &mask, &bad).is_empty() && sources(&empty, &Mask::clear(3, 3), &config).is_empty());
    }

    #[test]
    fn the_filters_noise_is_what_noise_gives() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut image = Image::filled(500, 500, 0.0);
        image.data.iter_mut().for_each(|v| *v = (0..12).map(|_| rng.random::<f32>()).sum::<f32>() - 6.0);
        for trail_px in [(30.0, 12.0), (-4.0, 41.0)] {
            let config = TrailConfig { noise: 1.0, fwhm_px: 2.5, trail_px, threshold_sigma: 5.0, max_sources: 10 };
            let filter = Filter::new(&config);
            let filtered = filter.apply(&image, &Mask::clear(500, 500));
            let inner = (60..440).flat_map(|y| (60..440).map(move |x| (x, y)));
            let values: Vec<f64> = inner.map(|(x, y)| f64::from(filtered.at(x, y))).collect();
            let rms = (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt();
            assert!((rms / filter.noise_factor() - 1.0).abs() < 0.05, "{rms} {}", filter.noise_factor());
        }
    }
}
