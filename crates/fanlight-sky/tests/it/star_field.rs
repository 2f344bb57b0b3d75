//! Simulated frames for the solver: star lists as a camera's detection gives them, and catalogues as people have them.

use fanlight_sky::{ImageStar, PixelXy, SkyPosition, SkyStar, Solution, SolveConfig, Wcs};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal, Poisson};
use std::f64::consts::{PI, TAU};

/// Stars that a catalogue's disc may hold at most.
const MOST_LISTED: f64 = 3e5;

/// Stars of the sky about a place: offset on its tangent plane (east, north, degrees) and magnitude.
pub type SkyPatch = Vec<([f64; 2], f64)>;

/// What a frame and its catalogue are like.
#[derive(Debug, Clone)]
pub struct Recipe {
    /// Width of the frame, degrees.
    pub width_deg: f64,
    /// Stars that the frame's depth gives, before losses.
    pub stars: f64,
    /// Width, px, and height over width.
    pub width_px: usize,
    pub aspect: f64,
    /// How many magnitudes the catalogue goes deeper than the frame; negative: shallower.
    pub deeper_mag: f64,
    /// dlogN/dm.
    pub slope: f64,
    /// Share of the catalogue's stars that it lacks, and of the frame's that were not found.
    pub missing_catalogue: f64,
    pub missing_frame: f64,
    /// Shift of the corner by distortion, px.
    pub distortion_px: f64,
    pub centre: SkyPosition,
    /// From the frame's middle to the pointing, east and north.
    pub pointing_offset_deg: [f64; 2],
    pub scale_error: f64,
    pub mirrored: bool,
    pub comet: bool,
    /// The brightest share of stars is saturated, and not in the list.
    pub saturated: f64,
}

impl Recipe {
    /// A frame at random with a width and a number of stars found in it.
    pub fn draw(width_deg: f64, found: f64, rng: &mut ChaCha8Rng) -> Self {
        let width_px = [1024, 1600, 2048, 3000, 4096][rng.random_range(0..5)];
        // what is in both lists falls with the catalogue's shortfall; half of 15 stars must remain
        let slope = rng.random_range(0.35..0.40);
        let shallowest = -((found / 15.0).log10() / slope).clamp(0.0, 2.0);
        let aspect: f64 = [1.0, 2.0 / 3.0, 0.75][rng.random_range(0..3)];
        let missing_frame = rng.random_range(0.0..0.5);
        let stars = found / (1.0 - missing_frame);
        // nobody passes on a catalogue of more than some hundred thousand stars
        let patch_radius = 2.0 + 1.25 * width_deg * aspect.hypot(1.0) / 2.0;
        let patch = stars / (width_deg * width_deg * aspect) * PI * patch_radius * patch_radius;
        let deepest = ((MOST_LISTED / patch).log10() / slope).min(2.0);
        let deeper_mag = rng.random_range(shallowest..2.0_f64).min(deepest);
        let (offset, towards) = (2.0 * rng.random_range(0.0_f64..0.99).sqrt(), rng.random_range(0.0..TAU));
        Self {
            width_deg,
            stars,
            width_px,
            aspect,
            deeper_mag,
            slope,
            missing_catalogue: 0.5,
            missing_frame,
            distortion_px: if rng.random_bool(0.5) { 0.0 } else { rng.random_range(0.0..0.002) * width_px as f64 },
            centre: SkyPosition::new(rng.random_range(0.0..360.0), rng.random_range(-1.0_f64..1.0).asin().to_degrees()),
            pointing_offset_deg: [offset * towards.cos(), offset * towards.sin()],
            scale_error: rng.random_range(-0.2..0.2),
            mirrored: rng.random_bool(0.5),
            comet: true,
            saturated: if rng.random_bool(0.3) { 0.02 } else { 0.0 },
        }
    }
}

/// A frame's lists and the truth.
pub struct Field {
    pub stars: Vec<ImageStar>,
    pub catalogue: Vec<SkyStar>,
    pub config: SolveConfig,
    pub true_wcs: Wcs,
    /// True place of a pixel: the WCS after the distortion.
    distortion: [f64; 3],
    half_diagonal_px: f64,
    middle: PixelXy,
    /// Stars in both lists.
    pub common: usize,
    pub mirrored: bool,
}

fn pixel_unit(r: &Recipe) -> (usize, usize, f64) {
    let height = (r.width_px as f64 * r.aspect).round() as usize;
    (r.width_px, height, r.width_deg * 3600.0 / r.width_px as f64)
}

/// Stars at random: to the catalogue's depth over the disc where the frame may lie, to the frame's depth within the frame.
pub fn random_patch(r: &Recipe, rng: &mut ChaCha8Rng) -> SkyPatch {
    let (width, height, scale) = pixel_unit(r);
    let area = (width * height) as f64 * (scale / 3600.0).powi(2);
    let half_diagonal = (width as f64).hypot(height as f64) * scale / 7200.0;
    let mut patch = SkyPatch::new();
    let wide = (r.pointing_offset_deg, 2.0 + half_diagonal * 1.25, f64::NEG_INFINITY, r.deeper_mag);
    let narrow = ([0.0; 2], half_diagonal * 1.05, r.deeper_mag, 0.0);
    for (middle, radius, from, depth) in [wide, narrow] {
        // counts are for the limit of the frame, magnitude 0
        let mean = r.stars / area * PI * radius * radius * 10.0_f64.powf(r.slope * depth);
        for _ in 0..Poisson::new(mean).unwrap().sample(rng) as usize {
            let magnitude = depth + rng.random_range(1e-9_f64..1.0).log10() / r.slope;
            let (rho, phi) = (radius * rng.random_range(0.0_f64..1.0).sqrt(), rng.random_range(0.0..TAU));
            if magnitude <= from {
                continue;
            }
            let at = [middle[0] + rho * phi.cos(), middle[1] + rho * phi.sin()];
            patch.push((at, magnitude));
            // one in twelve has a companion within a few arcseconds, fainter by up to two magnitudes
            if rng.random_bool(1.0 / 12.0) {
                let (d, a) = (rng.random_range(1.0..8.0) / 3600.0, rng.random_range(0.0..TAU));
                patch.push(([at[0] + d * a.cos(), at[1] + d * a.sin()], magnitude + rng.random_range(0.0..2.0)));
            }
        }
    }
    patch
}

/// The lists of a frame over a patch of sky, its limit at magnitude 0 of the patch.
pub fn field(r: &Recipe, patch: &SkyPatch, rng: &mut ChaCha8Rng) -> Field {
    let (width, height, scale) = pixel_unit(r);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let turn = rng.random_range(0.0..TAU);
    let hand = if r.mirrored { 1.0 } else { -1.0 };
    let (s, c) = turn.sin_cos();
    let s_deg = scale / 3600.0;
    let middle = PixelXy { x_px: (width as f64 - 1.0) / 2.0, y_px: (height as f64 - 1.0) / 2.0 };
    let true_wcs =
        Wcs::tangent(r.centre, middle, [[hand * s_deg * c, -s_deg * s], [hand * s_deg * s, s_deg * c]]).unwrap();
    let half_diagonal_px = (width as f64).hypot(height as f64) / 2.0;
    let distortion = [
        r.distortion_px * if rng.random_bool(0.5) { 1.0 } else { -1.0 },
        r.distortion_px * 0.15 * normal.sample(rng),
        r.distortion_px * 0.15 * normal.sample(rng),
    ];
    let [east, north] = r.pointing_offset_deg.map(|d| d * 3600.0);
    let pointing = r.centre.offset_by_arcsec(east, north);
    let mut config = SolveConfig::new(width, height, pointing, scale / (1.0 + r.scale_error));
    config.pointing_error_deg = 2.0;
    let mut made = Field {
        stars: vec![],
        catalogue: vec![],
        config,
        true_wcs,
        distortion,
        half_diagonal_px,
        middle,
        common: 0,
        mirrored: r.mirrored,
    };
    let radius_arcsec = made.config.catalogue_radius_deg() * 3600.0;
    let saturated = r.saturated.max(1e-12).log10() / r.slope;
    // the list of the frame: place, flux in units of the limit's, the star's index
    let mut list: Vec<(PixelXy, f64, Option<usize>)> = Vec::new();
    let mut in_catalogue = vec![false; patch.len()];
    for (i, (at, magnitude)) in patch.iter().enumerate() {
        let place = r.centre.offset_by_arcsec(at[0] * 3600.0, at[1] * 3600.0);
        if *magnitude < r.deeper_mag
            && rng.random_bool(1.0 - r.missing_catalogue)
            && place.separation_arcsec(&pointing) < radius_arcsec
        {
            // the catalogue's band is not the frame's
            let magnitude = magnitude + 0.3 * normal.sample(rng) + 12.0;
            let miss = 0.07;
            let place = place.offset_by_arcsec(miss * normal.sample(rng), miss * normal.sample(rng));
            in_catalogue[i] = true;
            made.catalogue.push(SkyStar { place, magnitude, sigma_arcsec: None });
        }
        let half = half_diagonal_px * s_deg * 1.05;
        if at[0].hypot(at[1]) > half {
            continue;
        }
        let Some(pixel) = made.pixel_of(place) else { continue };
        let inside =
            pixel.x_px > 0.0 && pixel.y_px > 0.0 && pixel.x_px < width as f64 - 1.0 && pixel.y_px < height as f64 - 1.0;
        // the limit is soft: noise of a fifth of its flux
        let flux = 10.0_f64.powf(-0.4 * magnitude) * (1.0 + 0.02 * normal.sample(rng)) + 0.2 * normal.sample(rng);
        if inside && flux > 1.0 && *magnitude > saturated && rng.random_bool(1.0 - r.missing_frame) {
            list.push((pixel, flux, Some(i)));
        }
    }
    if r.comet {
        let n = rng.random_range(10..=30);
        let spread = rng.random_range(0.02..0.06) * height as f64;
        let at = |rng: &mut ChaCha8Rng, side: usize| side as f64 * (0.5 + 0.05 * normal.sample(rng));
        let nucleus = (at(rng, width), at(rng, height));
        for _ in 0..n {
            let x_px = nucleus.0 + spread * normal.sample(rng);
            let y_px = nucleus.1 + spread * normal.sample(rng);
            list.push((PixelXy { x_px, y_px }, 10.0_f64.powf(rng.random_range(0.0..2.0)), None));
        }
    }
    for _ in 0..list.len() / 30 {
        let at = PixelXy { x_px: rng.random_range(0.0..width as f64), y_px: rng.random_range(0.0..height as f64) };
        list.push((at, 10.0_f64.powf(rng.random_range(0.0..0.6)), None));
    }
    list.sort_by(|a, b| b.1.total_cmp(&a.1));
    // blends: what is nearer than three pixels to a brighter star is found with it, at the middle of their light
    let mut merged: Vec<(PixelXy, f64, Option<usize>, f64)> = Vec::new();
    'stars: for (at, flux, index) in list {
        for m in &mut merged {
            if (m.0.x_px - at.x_px).abs() < 3.0 && (m.0.x_px - at.x_px).hypot(m.0.y_px - at.y_px) < 3.0 {
                let share = flux / (m.3 + flux);
                m.0.x_px += share * (at.x_px - m.0.x_px);
                m.0.y_px += share * (at.y_px - m.0.y_px);
                m.3 += flux;
                continue 'stars;
            }
        }
        merged.push((at, flux, index, flux));
    }
    for (at, _, index, flux) in merged {
        // a star of five sigma at the limit, of a seeing of three pixels; the air adds its wander
        let sigma_px = 0.04_f64.hypot(0.25 / flux.max(0.2));
        made.common += usize::from(index.is_some_and(|i| in_catalogue[i]));
        made.stars.push(ImageStar {
            x_px: at.x_px + sigma_px * normal.sample(rng),
            y_px: at.y_px + sigma_px * normal.sample(rng),
            flux: flux * 1000.0,
            sigma_px,
        });
    }
    made
}

impl Field {
    /// The frame's middle.
    pub fn middle(&self) -> PixelXy {
        self.middle
    }

    /// Where the light of a place falls; `None` far outside.
    pub fn pixel_of(&self, place: SkyPosition) -> Option<PixelXy> {
        let at = self.true_wcs.pixel_from_sky(place).ok()?;
        let (u, v) = (
            (at.x_px - self.middle.x_px) / self.half_diagonal_px,
            (at.y_px - self.middle.y_px) / self.half_diagonal_px,
        );
        let r2 = u * u + v * v;
        let [third, by_x, by_y] = self.distortion;
        Some(PixelXy { x_px: at.x_px + third * r2 * u + by_x * r2, y_px: at.y_px + third * r2 * v + by_y * r2 })
    }

    /// How far a solution's places miss the truth, (arcsec, in units of the solution's own error), over a grid within
    /// the frame.
    pub fn misses(&self, solution: &Solution) -> Vec<(f64, f64)> {
        let mut all = Vec::new();
        for i in 1..10 {
            for j in 1..10 {
                let true_at = PixelXy {
                    x_px: self.config.width as f64 * f64::from(i) / 10.0,
                    y_px: self.config.height as f64 * f64::from(j) / 10.0,
                };
                let place = self.true_wcs.sky_from_pixel(true_at);
                let Some(pixel) = self.pixel_of(place) else { continue };
                let miss = solution.wcs.sky_from_pixel(pixel).tangent_offset_arcsec(&place);
                let sigma = solution.sigma_at(pixel);
                all.push((miss.0, miss.0 / sigma));
                all.push((miss.1, miss.1 / sigma));
            }
        }
        all
    }

    /// Whether a solution is the right one: nowhere off by more than two pixels (or 0.2 % of the frame with few stars).
    pub fn is_right(&self, solution: &Solution) -> bool {
        let scale = self.config.pixel_scale_arcsec;
        let worst = self.misses(solution).iter().map(|m| m.0.abs()).fold(0.0, f64::max);
        solution.mirrored == self.mirrored && worst < (2.0 + 0.004 * self.half_diagonal_px) * scale
    }
}
