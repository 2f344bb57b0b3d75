//! What one calibrated frame says of itself: sky, stars and seeing.

use crate::calibrate::Calibrated;
use crate::register::{self, CondensationSearch};
use fanlight_image::background::{self, MeshConfig};
use fanlight_image::detect::{self, DetectConfig, Detection};
use fanlight_image::moffat::{self, NoiseModel, ShapeFit, ShapeFitConfig, StarWidth};
use fanlight_image::robust::{self, ClipConfig};
use fanlight_image::trails::{self, Outlines, TrailConfig};
use fanlight_image::{Image, Mask, PixelBox, wide};
use rayon::prelude::*;

/// What to expect of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasureConfig {
    /// Where the WCS and the ephemeris put the comet.
    pub comet_px: (f64, f64),
    /// How far from there it may be; 0 where its place is known already.
    pub search_px: f64,
    /// Width of a star to look for at first.
    pub fwhm_px: f64,
    /// The trail that the stars should have by what the mount followed; taken where the stars are too few to show theirs.
    pub trail_px: Option<(f64, f64)>,
}

/// The frame's own numbers.
#[derive(Debug, Clone)]
pub struct FrameMeasure {
    /// Sky level far from the comet, electrons per pixel and exposure.
    pub sky_e: f64,
    /// Noise per pixel on that sky.
    pub noise_e: f64,
    /// Condensations near the predicted place, the comet or stars, brightest first.
    pub condensations_px: Vec<(f64, f64)>,
    /// What was taken for the comet's place: the brightest condensation, or the predicted place where none was sought.
    pub centre_px: (f64, f64),
    /// Median brightness of rings about the condensation over the sky level.
    pub coma: RingProfile,
    /// The frame without sky and without the coma's azimuthal median: stars on nothing.
    pub flattened: Image,
    /// Stars and whatever looks like one, brightest first.
    pub detections: Vec<Detection>,
    /// The star image; absent where no star could be fitted.
    pub shape: Option<ShapeFit>,
    /// Widths of the stars that were tried for it, each alone.
    pub widths: Vec<StarWidth>,
}

/// Stars are sought above this many sigmas of the local noise. At 5σ a 2048² frame gives under three false ones.
const DETECTION_SIGMA: f64 = 5.0;
/// Most stars kept of a frame.
const MAX_DETECTIONS: usize = 1000;
/// About so many pixels of a frame are looked at for its sky: they give the level to 0.9 % of their noise.
const SKY_PIXELS: f64 = 20_000.0;
/// The sky is read outside this share of the frame's smaller side from the comet.
const SKY_OUTSIDE_SHARE: f64 = 0.35;
/// Radius to which the coma's azimuthal median is taken off before stars are sought, as a share of the smaller side.
const COMA_SHARE: f64 = 0.45;
/// The same in pixels at most: beyond it the coma is smooth enough for the background mesh.
const COMA_MAX_PX: f64 = 300.0;

/// Measures a calibrated frame.
pub fn measure(frame: &Calibrated, config: &MeasureConfig) -> FrameMeasure {
    let sky = sky_far_from(&frame.image_e, &frame.mask, config.comet_px);
    let peaks = match config.search_px > 0.0 {
        true => condensations(&frame.image_e, &frame.mask, config),
        false => Vec::new(),
    };
    let (mut measured, trail_px) = measure_about(frame, config, sky, &peaks);
    if trail_px != (0.0, 0.0) {
        // a trail is a row of peaks, of which the comet is none
        let on_trail = |p: &(f64, f64)| is_on_trail(&frame.image_e, (sky.0, config.fwhm_px), &measured, trail_px, *p);
        let left: Vec<(f64, f64)> = peaks.iter().filter(|p| !on_trail(p)).copied().collect();
        if left.first() != peaks.first() {
            measured = measure_about(frame, config, sky, &left).0;
        }
        measured.condensations_px = left;
    }
    measured.condensations_px.truncate(MAX_CONDENSATIONS);
    measured
}

/// Whether a peak lies on the trail of a star found: light as high as in its middle on either side of it.
fn is_on_trail(
    image: &Image,
    (sky_e, fwhm_px): (f64, f64),
    measured: &FrameMeasure,
    trail_px: (f64, f64),
    peak: (f64, f64),
) -> bool {
    let looks = Looks { fwhm_px, trail_px };
    let level = |x: f64, y: f64| {
        let area = PixelBox::around(x, y, 1.0, image.width, image.height)?;
        let values: Vec<f64> =
            area.pixels().map(|(i, j)| f64::from(image.at(i, j))).filter(|v| v.is_finite()).collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64 - sky_e)
    };
    measured.detections.iter().any(|d| {
        let offset = (peak.0 - d.x_px, peak.1 - d.y_px);
        let along = |share: f64| level(d.x_px + share * trail_px.0, d.y_px + share * trail_px.1);
        looks.distance_px(offset, 1.0) < 0.6 * fwhm_px
            && matches!((along(-0.3), along(0.0), along(0.3)), (Some(a), Some(m), Some(b)) if a.min(b) > 0.5 * m)
    })
}

/// Measures a frame, the coma taken off about the brightest of some peaks; with the trail that its stars were sought with.
fn measure_about(
    frame: &Calibrated,
    config: &MeasureConfig,
    (sky_e, noise_e): (f64, f64),
    peaks: &[(f64, f64)],
) -> (FrameMeasure, (f64, f64)) {
    let image = &frame.image_e;
    let condensations_px = peaks.to_vec();
    let centre = condensations_px.first().copied().unwrap_or(config.comet_px);

    let mut flattened = image.clone();
    flattened.data.iter_mut().for_each(|v| *v -= sky_e as f32);
    let reach_px = (COMA_SHARE * image.width.min(image.height) as f64).min(COMA_MAX_PX);
    let coma = RingProfile::measure(&flattened, &frame.mask, centre, reach_px);
    coma.subtract(&mut flattened, centre);

    let cell_px = (image.width.min(image.height) / 8).clamp(32, 64);
    let mesh = MeshConfig { cell_px, kappa: 3.0, rounds: 5, filter_cells: 3, sample_step: 3 };
    // without a level the sky that was taken off has to do
    let _ = background::take_off_level(&mut flattened, &frame.mask, &mesh);

    let mut detections = find_stars(frame, &flattened, config.fwhm_px, noise_e);
    let round = Looks { fwhm_px: config.fwhm_px, trail_px: (0.0, 0.0) };
    let shown = match trails::outlines(&flattened, &frame.mask, &detections, noise_e) {
        Outlines::Trails { trail_px, fwhm_px } => Some(Looks { fwhm_px, trail_px }),
        Outlines::Round => None,
        Outlines::TooFew => config.trail_px.map(|trail_px| Looks { trail_px, ..round }),
    };
    let looks = shown.filter(Looks::are_trails).unwrap_or(round);
    if looks.are_trails() {
        detections = find_trails(frame, &flattened, looks, noise_e);
    }
    let (shape, widths) = star_shape(&flattened, frame, &detections, centre, looks).unzip();
    let widths = widths.unwrap_or_default();
    let measured = FrameMeasure {
        sky_e,
        noise_e,
        condensations_px,
        centre_px: centre,
        coma,
        flattened,
        detections,
        shape,
        widths,
    };
    (measured, looks.trail_px)
}

/// Level and noise of the pixels far from the comet, stars clipped.
fn sky_far_from(image: &Image, mask: &Mask, comet_px: (f64, f64)) -> (f64, f64) {
    let outside = SKY_OUTSIDE_SHARE * image.width.min(image.height) as f64;
    let step = (((image.width * image.height) as f64 / SKY_PIXELS).sqrt() as usize).max(1);
    let collect = |radius: f64| -> Vec<f32> {
        let mut values = Vec::new();
        for y in (0..image.height).step_by(step) {
            for x in (0..image.width).step_by(step) {
                let far = (x as f64 - comet_px.0).powi(2) + (y as f64 - comet_px.1).powi(2) > radius * radius;
                let value = image.at(x, y);
                if far && mask.is_good(x, y) && value.is_finite() {
                    values.push(value);
                }
            }
        }
        values
    };
    let mut values = collect(outside);
    if values.len() < 500 {
        values = collect(0.0);
    }
    match robust::clipped(&values, ClipConfig { kappa: 2.5, rounds: 8 }) {
        Some(stats) => (stats.median, stats.sigma),
        None => (0.0, 0.0),
    }
}

/// Most condensations named.
const MAX_CONDENSATIONS: usize = 8;

/// Peaks of the smoothed image near the predicted place, brightest first.
fn condensations(image: &Image, mask: &Mask, config: &MeasureConfig) -> Vec<(f64, f64)> {
    let search = CondensationSearch {
        x_px: config.comet_px.0,
        y_px: config.comet_px.1,
        radius_px: config.search_px,
        margin_px: 6.0 * config.fwhm_px,
        // 1.5 times a star's width: a coma keeps its height under such smoothing, a star of the same peak loses much of it
        smoothing_px: 1.5 * config.fwhm_px / 2.355,
    };
    register::condensations(image, mask, &search)
}

fn find_stars(frame: &Calibrated, flattened: &Image, fwhm_px: f64, noise_e: f64) -> Vec<Detection> {
    let config =
        DetectConfig { noise: noise_e as f32, fwhm_px, threshold_sigma: DETECTION_SIGMA, max_sources: MAX_DETECTIONS };
    let found = detect::sources(flattened, &frame.mask, &config);
    found
        .into_iter()
        .filter(|d| {
            // in the bright coma the noise is higher than on the sky
            let (x, y) = (d.x_px.round() as isize, d.y_px.round() as isize);
            let local = frame.variance_e2.get(x, y).map_or(f64::INFINITY, |v| f64::from(v).sqrt());
            d.significance * noise_e / local.max(noise_e) >= DETECTION_SIGMA
        })
        .collect()
}

/// Trails longer than this many widths are sought as trails: of shorter ones each is one source of the round search too.
const LONG_TRAIL: f64 = 2.0;

fn find_trails(frame: &Calibrated, flattened: &Image, looks: Looks, noise_e: f64) -> Vec<Detection> {
    let config = TrailConfig {
        noise: noise_e as f32,
        fwhm_px: looks.fwhm_px,
        trail_px: looks.trail_px,
        threshold_sigma: DETECTION_SIGMA,
        max_sources: MAX_DETECTIONS,
    };
    trails::sources(flattened, &frame.mask, &config)
}

/// The shape shared by the frame's bright, lone, unsaturated stars.
fn star_shape(
    flattened: &Image,
    frame: &Calibrated,
    detections: &[Detection],
    centre_px: (f64, f64),
    looks: Looks,
) -> Option<(ShapeFit, Vec<StarWidth>)> {
    let most = if looks.are_trails() { MAX_SHAPE_TRAILS } else { MAX_WIDTH_STARS };
    let stars = lone_stars(detections, centre_px, looks, most);
    let sky_variance = typical_variance(&frame.variance_e2);
    let noise = NoiseModel { sky_variance, variance_per_unit: 1.0 };
    moffat::fit_shape_and_widths(flattened, &frame.mask, &stars, &looks.shape_fit(noise)).ok()
}

/// What stars look like, roughly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Looks {
    /// Their width, across a trail where they have one.
    pub fwhm_px: f64,
    /// The trail, px; (0, 0) without one.
    pub trail_px: (f64, f64),
}

impl Looks {
    /// Whether they are too long to be found as round sources.
    pub fn are_trails(&self) -> bool {
        self.trail_px.0.hypot(self.trail_px.1) > LONG_TRAIL * self.fwhm_px
    }

    /// How such stars' shape is fitted. A long trail has many pixels: fewer of them about it, and fewer stars, say enough.
    pub fn shape_fit(&self, noise: NoiseModel) -> ShapeFitConfig {
        let config = ShapeFitConfig {
            noise,
            initial_fwhm_px: self.fwhm_px,
            max_stars: MAX_SHAPE_STARS,
            ..ShapeFitConfig::default()
        };
        match self.are_trails() {
            true => ShapeFitConfig { initial_trail_px: self.trail_px, radius_fwhm: 3.0, ..config },
            false => config,
        }
    }

    /// How far an offset is from a trail of a length in units of the stars' own about the place, px.
    fn distance_px(&self, (dx, dy): (f64, f64), lengths: f64) -> f64 {
        let (tx, ty) = self.trail_px;
        let length = tx.hypot(ty);
        if length == 0.0 {
            return dx.hypot(dy);
        }
        let (u, v) = ((dx * tx + dy * ty) / length, (dy * tx - dx * ty) / length);
        (u.abs() - 0.5 * lengths * length).max(0.0).hypot(v)
    }
}

/// Most stars that share a shape fit.
const MAX_SHAPE_STARS: usize = 16;
/// Most stars fitted alone: what widths do over the field takes more of them than one shape.
const MAX_WIDTH_STARS: usize = 25;
/// The same of long trails.
const MAX_SHAPE_TRAILS: usize = 12;
/// A star is lone when nothing over this share of its flux stands within [`LONE_FWHM`] widths.
const LONE_FLUX_SHARE: f64 = 0.03;
/// See [`LONE_FLUX_SHARE`].
const LONE_FWHM: f64 = 4.5;
/// Stars nearer to the comet than this many widths are left out of shape and flux fits.
pub const COMET_KEEP_OUT_FWHM: f64 = 8.0;

/// The brightest stars with no neighbour worth naming, far from comet, edge and saturation.
pub fn lone_stars(detections: &[Detection], centre_px: (f64, f64), looks: Looks, most: usize) -> Vec<(f64, f64)> {
    let fwhm_px = looks.fwhm_px;
    let usable = |d: &&Detection| {
        let offset = (d.x_px - centre_px.0, d.y_px - centre_px.1);
        !d.saturated && !d.near_edge && looks.distance_px(offset, 1.0) > COMET_KEEP_OUT_FWHM * fwhm_px
    };
    let lone = |d: &&Detection| {
        detections.iter().all(|o| {
            let offset = (o.x_px - d.x_px, o.y_px - d.y_px);
            // two trails of one length touch where their middles are a length apart
            offset == (0.0, 0.0)
                || looks.distance_px(offset, 2.0) > LONE_FWHM * fwhm_px
                || o.flux < LONE_FLUX_SHARE * d.flux
        })
    };
    detections.iter().filter(usable).filter(lone).take(most).map(|d| (d.x_px, d.y_px)).collect()
}

/// Pixels that a typical variance is the median of: right to 1.3 % of what they scatter by.
const VARIANCE_SAMPLE: usize = 10_000;

/// Median of the variance image, over a sample of its pixels.
pub fn typical_variance(variance: &Image) -> f64 {
    let step = (variance.data.len() / VARIANCE_SAMPLE).max(31) | 1;
    let mut values: Vec<f32> = variance.data.iter().step_by(step).copied().filter(|v| v.is_finite()).collect();
    robust::median(&mut values).map_or(0.0, f64::from)
}

/// Places per pixel of radius at which a profile is tabulated to be taken off.
const TABLE_PER_PX: f64 = 16.0;

/// Where the outer profile begins for [`RingProfile::power_law`], as a share of the outermost ring's radius.
const POWER_LAW_FROM: f64 = 0.15;
/// Slopes of comae; what is measured outside them is noise.
const POWER_LAW_SLOPES: (f64, f64) = (0.8, 3.0);

/// A brightness of `at_1_px` · ρ^−`slope`, ρ in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerLaw {
    /// Brightness that it would have at 1 px.
    pub at_1_px: f64,
    /// Its slope.
    pub slope: f64,
}

impl PowerLaw {
    /// Radius at which it has fallen to a brightness.
    pub fn radius_px(&self, brightness: f64) -> f64 {
        (self.at_1_px / brightness).powf(1.0 / self.slope)
    }

    /// Radius at which it has fallen so far that a sky read there would take no more than a share of the light inside
    /// `aperture_px`: the light is 2π k R^(2−γ) / (2−γ), what is taken is π R² k ρ^−γ.
    pub fn radius_of_share_px(&self, share: f64, aperture_px: f64) -> f64 {
        let converges = (2.0 - self.slope).max(0.05);
        aperture_px * (converges / (2.0 * share)).powf(1.0 / self.slope)
    }
}

/// Median brightness in rings about a point, zero beyond the last ring.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RingProfile {
    /// Mean radius of each ring.
    pub radius_px: Vec<f64>,
    /// Median of each ring's good pixels.
    pub median: Vec<f64>,
}

impl RingProfile {
    /// Measures rings from the centre to `reach_px`, one pixel wide inside 30 px and widening outward. Far out, where a
    /// ring has thousands of pixels, some columns and rows are enough: every ring has over 300 pixels there.
    pub fn measure(image: &Image, mask: &Mask, centre_px: (f64, f64), reach_px: f64) -> Self {
        let mut edges = vec![0.0, 0.7];
        while let Some(last) = edges.last().copied().filter(|e| *e < reach_px) {
            edges.push(last + (last / 30.0).max(1.0));
        }
        let outer = edges.last().copied().unwrap_or(0.0);
        let mut members: Vec<(f64, Vec<f32>)> = vec![(0.0, Vec::new()); edges.len() - 1];
        for (step, from, to) in [(1, 0.0, 50.0), (2, 50.0, 90.0), (3, 90.0, 160.0), (4, 160.0, f64::INFINITY)] {
            let to = outer.min(to);
            let Some(area) = PixelBox::around(centre_px.0, centre_px.1, to, image.width, image.height) else {
                continue;
            };
            for y in (area.y0.next_multiple_of(step)..area.y1).step_by(step) {
                let dy2 = (y as f64 - centre_px.1).powi(2);
                for x in (area.x0.next_multiple_of(step)..area.x1).step_by(step) {
                    let radius = ((x as f64 - centre_px.0).powi(2) + dy2).sqrt();
                    let value = image.at(x, y);
                    if radius < from || radius >= to || !mask.is_good(x, y) || !value.is_finite() {
                        continue;
                    }
                    let ring = edges.partition_point(|e| *e <= radius) - 1;
                    members[ring].0 += radius;
                    members[ring].1.push(value);
                }
            }
        }
        let clip = ClipConfig { kappa: 3.0, rounds: 3 };
        let used = members.iter().filter_map(|(sum, values)| {
            let stats = robust::clipped(values, clip)?;
            Some((sum / values.len() as f64, stats.median))
        });
        let (radius_px, median) = used.unzip();
        Self { radius_px, median }
    }

    /// The power of ρ that the outer profile falls with, whatever level it stands on: a level of sky that holds some of the
    /// coma's light shifts all rings alike. `None` where the profile does not fall, or too few rings tell.
    pub fn power_law(&self) -> Option<PowerLaw> {
        let (inner, outer) = (POWER_LAW_FROM * self.radius_px.last()?, *self.radius_px.last()?);
        if self.radius_px.len() < 20 {
            return None;
        }
        // three radii of one ratio: the ratio of the two falls is that ratio to the power sought
        let middle = (inner * outer).sqrt();
        let mean = |r: f64| [0.9, 0.95, 1.0].iter().map(|f| self.at(f * r)).sum::<f64>() / 3.0;
        let (first, second) = (mean(inner) - mean(middle), mean(middle) - mean(outer));
        let slope = (first / second).ln() / (outer / inner).sqrt().ln();
        let falls = first > 0.0 && second > 0.0 && slope.is_finite();
        let slope = slope.clamp(POWER_LAW_SLOPES.0, POWER_LAW_SLOPES.1);
        let unit = first / ((0.95 * inner).powf(-slope) - (0.95 * middle).powf(-slope));
        falls.then_some(PowerLaw { at_1_px: unit, slope })
    }

    /// Light inside a radius, the profile taken to be flat inside its first ring and nothing beyond its last.
    pub fn light_within(&self, radius_px: f64) -> f64 {
        let steps = (2.0 * radius_px).ceil().max(8.0);
        let step = radius_px / steps;
        (0..steps as usize)
            .map(|i| (i as f64 + 0.5) * step)
            .map(|r| self.at(r) * std::f64::consts::TAU * r * step)
            .sum()
    }

    /// The profile at a radius: linear between rings.
    pub fn at(&self, radius_px: f64) -> f64 {
        match self.radius_px.partition_point(|r| *r < radius_px) {
            0 => self.median.first().copied().unwrap_or(0.0),
            i if i == self.radius_px.len() => 0.0,
            i => {
                let (r0, r1) = (self.radius_px[i - 1], self.radius_px[i]);
                let share = (radius_px - r0) / (r1 - r0);
                self.median[i - 1] * (1.0 - share) + self.median[i] * share
            }
        }
    }

    /// Takes the profile off an image about a centre, levelled to nothing at its outer edge so that no step is left.
    pub fn subtract(&self, image: &mut Image, centre_px: (f64, f64)) {
        let Some((&outer, &edge)) = self.radius_px.last().zip(self.median.last()) else { return };
        let Some(area) = PixelBox::around(centre_px.0, centre_px.1, outer, image.width, image.height) else {
            return;
        };
        let table: Vec<f32> = (0..=(outer * TABLE_PER_PX) as usize + 1)
            .map(|i| (self.at((i as f64 / TABLE_PER_PX).min(outer)) - edge) as f32)
            .collect();
        let width = image.width;
        let rows = &mut image.data[area.y0 * width..area.y1 * width];
        rows.par_chunks_mut(width).zip(area.y0..area.y1).for_each(|(row, y)| {
            let dy = (y as f64 - centre_px.1) as f32;
            // columns within the outer ring
            let half = (outer * outer - f64::from(dy * dy)).max(0.0).sqrt();
            let first = ((centre_px.0 - half).ceil().max(0.0) as usize).min(width);
            let end = ((centre_px.0 + half).floor() + 1.0).clamp(first as f64, width as f64) as usize;
            wide(
                #[inline(always)]
                || {
                    let from = (first as f64 - centre_px.0) as f32;
                    for (i, pixel) in row[first..end].iter_mut().enumerate() {
                        let dx = from + i as f32;
                        let place = (dx * dx + dy * dy).sqrt() * TABLE_PER_PX as f32;
                        *pixel -= table[(place + 0.5) as usize];
                    }
                },
            );
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Analytic; the sky level 0.4 too high, as where it holds some of the coma's light.
    #[test]
    fn the_fall_off_is_found_whatever_the_level() {
        let (n, centre) = (201, (100.0, 100.0));
        for slope in [1.0, 1.3, 1.8] {
            let mut image = Image::filled(n, n, 0.0);
            for y in 0..n {
                for x in 0..n {
                    let r = (x as f64 - centre.0).hypot(y as f64 - centre.1).max(0.5);
                    image.data[y * n + x] = (1000.0 * r.powf(-slope) - 0.4) as f32;
                }
            }
            let profile = RingProfile::measure(&image, &Mask::clear(n, n), centre, 90.0);
            let got = profile.power_law().expect("a power law");
            assert!((got.slope - slope).abs() < 0.08, "{slope}: {got:?}");
            assert!((got.radius_px(1.0) / 1000f64.powf(1.0 / slope) - 1.0).abs() < 0.15, "{slope}: {got:?}");
        }
        let law = PowerLaw { at_1_px: 5.0, slope: 1.0 };
        // a sky read at ρ takes R / 2ρ of the light of a 1/ρ coma
        assert!((law.radius_of_share_px(0.02, 10.0) - 250.0).abs() < 1e-9);
        assert_eq!(RingProfile::default().power_law(), None);
    }

    #[test]
    fn a_round_coma_is_taken_off_to_its_edge_level() {
        let (n, centre) = (101, (50.0, 50.0));
        let mut image = Image::filled(n, n, 0.0);
        for y in 0..n {
            for x in 0..n {
                let r = (x as f64 - centre.0).hypot(y as f64 - centre.1).max(0.5);
                image.data[y * n + x] = (1000.0 / r) as f32;
            }
        }
        let profile = RingProfile::measure(&image, &Mask::clear(n, n), centre, 40.0);
        let mut flat = image.clone();
        // 1000/ρ holds 2000 π R inside R
        let within = profile.light_within(30.0);
        assert!((within / (std::f64::consts::TAU * 1000.0 * 30.0) - 1.0).abs() < 0.03, "{within}");
        profile.subtract(&mut flat, centre);
        let edge = profile.median.last().copied().unwrap();
        for (x, y) in [(60, 50), (50, 30), (62, 61), (75, 50)] {
            let left = f64::from(flat.at(x, y)) - edge;
            assert!(left.abs() < 0.03 * f64::from(image.at(x, y)), "{left} left at {x},{y}");
        }
        assert_eq!(flat.at(0, 0), image.at(0, 0));
    }
}
