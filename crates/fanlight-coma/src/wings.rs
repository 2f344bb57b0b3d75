//! What stars show beyond their fitted image: the halo round them and the rays through them.
//!
//! A fitted star image describes the core. Dust, scratches and the air spread some per cent of the light far beyond it
//! (King 1971, PASP 83, 199: r⁻² out to degrees), and vanes make rays. Both are measured once a night, on the bright stars
//! of the star-registered stack, as shares of their flux.

mod halo;
mod rays;

use crate::stars::FieldStar;
use fanlight_image::moffat::{Moffat, StarImage};
use fanlight_image::{Image, Mask, Measured};
use std::f64::consts::PI;

/// Halo and rays of unit light; its own light lies beyond [`INNER_FWHM`] widths of the core.
#[derive(Debug, Clone, PartialEq)]
pub struct Wings {
    /// Stars that show them.
    pub n_stars: usize,
    /// Share of a star's fitted light in the halo, from [`Wings::inner_px`] to [`Wings::outer_px`]; absent where none stands out.
    pub halo_share: Option<Measured>,
    /// Where the halo begins to be measured.
    pub inner_px: f64,
    /// How far it is followed.
    pub outer_px: f64,
    /// Light per square pixel at radii, ascending; level inside the first, nothing beyond the last.
    halo: Vec<(f64, f64)>,
    /// The same in steps of [`STEP_PX`].
    table: Vec<f32>,
    /// By how much stars' halos differ, as a share of the halo.
    scatter: f64,
    /// The rays.
    pub rays: Vec<Ray>,
    /// Width of the core: across, the rays have it.
    core_fwhm_px: f64,
}

/// A straight ray from a star's place.
#[derive(Debug, Clone, PartialEq)]
pub struct Ray {
    /// Its direction, from +x toward +y of the image that it was measured in, radians.
    pub angle_rad: f64,
    /// Light per pixel of its length at distances, ascending; as at the first inside it, nothing beyond the last.
    along: Vec<(f64, f64)>,
}

/// Why no wings are known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoWings {
    /// Too few bright stars to tell.
    TooFewStars(usize),
    /// So many stars show none.
    NoneSeen(usize),
}

/// What the search for wings looks at.
pub struct WingSearch<'a> {
    /// The star-registered stack without the coma and without every star's fitted image.
    pub residual: &'a Image,
    /// Flags.
    pub mask: &'a Mask,
    /// Noise of a pixel.
    pub noise: f64,
    /// The fitted star image.
    pub shape: &'a StarImage,
    /// Stars with their fitted fluxes.
    pub stars: &'a [FieldStar],
    /// Where the comet stood.
    pub comet_path_px: &'a [(f64, f64)],
}

/// Stars' cores end here, in major-axis widths: what lies inside belongs to the fitted image.
pub const INNER_FWHM: f64 = 2.5;
/// The halo is followed to this share of the smaller side, and no further than [`MAX_OUTER_PX`].
const OUTER_SHARE: f64 = 0.2;
const MAX_OUTER_PX: f64 = 110.0;
/// Fewest stars that can tell a halo from a neighbour.
pub const MIN_STARS: usize = 6;
/// Most stars looked at.
const MAX_STARS: usize = 40;
/// A star must stand this many times over the noise of a pixel-wide disk of the core's width.
const MIN_SIGNAL: f64 = 250.0;
/// Step of the table of the halo.
const STEP_PX: f64 = 0.5;
/// Light under this share of a pixel's noise is not drawn.
const FAINT: f64 = 1.0 / 20.0;
/// What a ray may be off by, as a share of its brightness.
const RAY_ERROR: f64 = 0.25;

/// Measures the wings of a night's stars.
///
/// # Errors
/// Why none are known; the cores alone have to do.
pub fn measure(search: &WingSearch) -> Result<Wings, NoWings> {
    let seeing = search.shape.seeing();
    let inner_px = (INNER_FWHM * seeing.fwhm_major_px).max(5.0);
    let side = search.residual.width.min(search.residual.height) as f64;
    let outer_px = (OUTER_SHARE * side).min(MAX_OUTER_PX);
    let stars = bright_stars(search, outer_px);
    if stars.len() < MIN_STARS || outer_px < 2.0 * inner_px {
        return Err(NoWings::TooFewStars(stars.len()));
    }
    let mut residual = search.residual.clone();
    let mut found = halo::measure(&mut residual, search, &stars, (inner_px, outer_px));
    let rays = rays::measure(&residual, search.mask, &stars, &found, seeing.fwhm_px());
    if !rays.is_empty() {
        // near the star rays fill much of a ring: once more without them
        residual = search.residual.clone();
        let rays_only =
            Wings::of(&found, (inner_px, outer_px), (stars.len(), seeing.fwhm_px()), rays.clone()).without_halo();
        for s in search.stars.iter().filter(|s| rays_only.matter(s.flux, search.noise)) {
            rays_only.add(&mut residual, &FieldStar { flux: -s.flux, ..*s }, search.noise);
        }
        found = halo::measure(&mut residual, search, &stars, (inner_px, outer_px));
    }
    if found.share.is_none() && rays.is_empty() {
        return Err(NoWings::NoneSeen(stars.len()));
    }
    Ok(Wings::of(&found, (inner_px, outer_px), (stars.len(), seeing.fwhm_px()), rays))
}

/// The brightest stars off the comet's path whose surroundings are on the image, brightest first.
fn bright_stars(search: &WingSearch, outer_px: f64) -> Vec<FieldStar> {
    let least = MIN_SIGNAL * search.noise * search.shape.seeing().fwhm_px();
    let (w, h) = (search.residual.width as f64, search.residual.height as f64);
    let margin = 0.3 * outer_px;
    let usable = |s: &&FieldStar| {
        let near =
            search.comet_path_px.iter().map(|p| (p.0 - s.x_px).hypot(p.1 - s.y_px)).fold(f64::INFINITY, f64::min);
        let on = s.x_px > margin && s.y_px > margin && s.x_px < w - margin && s.y_px < h - margin;
        s.flux > least && on && near > 0.7 * outer_px
    };
    let mut stars: Vec<FieldStar> = search.stars.iter().filter(usable).copied().collect();
    stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    // a star in the halo of a much brighter one shows that one's
    let mut kept: Vec<FieldStar> = Vec::new();
    for s in stars {
        let lone = kept.iter().all(|k| (k.x_px - s.x_px).hypot(k.y_px - s.y_px) > outer_px || k.flux < 3.0 * s.flux);
        if lone {
            kept.push(s);
        }
        if kept.len() == MAX_STARS {
            break;
        }
    }
    kept
}

impl Wings {
    fn of(halo: &halo::Halo, span_px: (f64, f64), (n_stars, core_fwhm_px): (usize, f64), rays: Vec<Ray>) -> Self {
        Self {
            n_stars,
            halo_share: halo.share,
            inner_px: span_px.0,
            outer_px: halo.profile.last().map_or(span_px.1, |p| p.0),
            table: halo::table(&halo.profile),
            halo: halo.profile.clone(),
            scatter: halo.scatter,
            rays,
            core_fwhm_px,
        }
    }

    fn without_halo(self) -> Self {
        Self { halo: Vec::new(), table: Vec::new(), halo_share: None, ..self }
    }

    /// Light of the halo per square pixel at a distance, for unit flux.
    pub fn halo_density(&self, distance_px: f64) -> f64 {
        halo::at(&self.halo, distance_px)
    }

    /// Share of a star's fitted light in its rays.
    pub fn rays_share(&self) -> f64 {
        self.rays.iter().map(|r| r.light_beyond(self.inner_px)).sum()
    }

    /// Directions of the rays, from +x toward +y of the image that they were measured in, radians.
    pub fn rays(&self) -> impl Iterator<Item = f64> {
        self.rays.iter().map(|r| r.angle_rad)
    }

    /// The same in the pixels of another image: directions go by the matrix, sizes stay.
    pub fn turned(&self, to: [[f64; 2]; 2]) -> Self {
        let turn = |r: &Ray| {
            let (sin, cos) = r.angle_rad.sin_cos();
            let (x, y) = crate::stack::apply(to, (cos, sin));
            Ray { angle_rad: y.atan2(x), along: r.along.clone() }
        };
        Self { rays: self.rays.iter().map(turn).collect(), ..self.clone() }
    }

    /// Light outside a circle, for unit flux.
    fn light_beyond(&self, radius_px: f64) -> f64 {
        let end = self.halo.last().map_or(0.0, |p| p.0);
        let steps = (4.0 * (end - radius_px)).ceil().max(0.0) as usize;
        let width = (end - radius_px) / steps.max(1) as f64;
        let ring = |i: usize| {
            let r = radius_px + (i as f64 + 0.5) * width;
            2.0 * PI * r * width * self.halo_density(r)
        };
        let halo: f64 = (0..steps).map(ring).sum();
        halo + self.rays.iter().map(|r| r.light_beyond(radius_px)).sum::<f64>()
    }

    /// All light of a star over what its core's light in a circle says, `growth` times the fitted flux by
    /// [`crate::zero_point`]'s measure: the circle's own level held halo, and the halo goes on beyond it.
    ///
    /// `fitted` is the image that the frame's fluxes were fitted with, `core` the stack's. The error holds what is not known
    /// of the halo's level and half of the light that it would have between its last radius and half as much again.
    pub fn total_light(&self, growth: f64, fitted: &Moffat, core: &Moffat) -> Measured {
        let radius = crate::zero_point::growth_radius_px(&StarImage::from(*fitted));
        let ring_px = crate::zero_point::growth_ring_px(radius);
        let (middle, area) = (0.5 * (ring_px.0 + ring_px.1), PI * radius * radius);
        let level = |m: &Moffat| 0.5 * (m.density(middle, 0.0) + m.density(0.0, middle));
        let own = Moffat { beta: core.beta, ..*fitted };
        let inside = growth * (fitted.encircled(radius) - level(fitted) * area)
            + (level(&own) + self.halo_density(middle)) * area;
        let total = inside + 1.0 - own.encircled(radius) + self.light_beyond(radius);
        let last = self.halo.last().map_or(0.0, |p| p.1 * PI * 1.25 * p.0 * p.0);
        let sigma = self.halo_share.map_or(0.0, |s| s.sigma).hypot(0.5 * last).hypot(RAY_ERROR * self.rays_share());
        Measured::new(total / growth, sigma / growth)
    }

    /// Visits every pixel in which a star's wings matter, with their light and its error; `noise` is that of a pixel.
    pub fn each_pixel(
        &self,
        (width, height): (usize, usize),
        star: &FieldStar,
        noise: f64,
        mut visit: impl FnMut(usize, f32, f32),
    ) {
        let least = FAINT * noise / star.flux.abs();
        let error = self.scatter as f32;
        if let Some(last) = self.table.iter().rposition(|v| f64::from(*v) > least) {
            let reach = last as f64 * STEP_PX;
            let flux = star.flux as f32;
            let area = fanlight_image::PixelBox::around(star.x_px, star.y_px, reach, width, height);
            for y in area.map_or(0..0, |a| a.y0..a.y1) {
                let dy = (y as f64 - star.y_px) as f32;
                for x in area.map_or(0..0, |a| a.x0..a.x1) {
                    let dx = (x as f64 - star.x_px) as f32;
                    let at = (dx * dx + dy * dy).sqrt() * (1.0 / STEP_PX) as f32;
                    let i = at as usize;
                    if i < last {
                        let value = flux * (self.table[i] + (at - i as f32) * (self.table[i + 1] - self.table[i]));
                        visit(y * width + x, value, error * value);
                    }
                }
            }
        }
        for ray in &self.rays {
            ray.each_pixel((width, height), star, self.core_fwhm_px, least, &mut visit);
        }
    }

    /// Whether a star's wings stand out of a pixel's noise anywhere.
    pub fn matter(&self, flux: f64, noise: f64) -> bool {
        let brightest = self.table.first().map_or(0.0, |v| f64::from(*v));
        let sigma = self.core_fwhm_px / 2.355;
        let ray = self.rays.iter().filter_map(|r| r.along.first()).map(|a| a.1 / (sigma * (2.0 * PI).sqrt()));
        flux * ray.fold(brightest, f64::max) > FAINT * noise
    }

    /// Adds a star's wings to an image; a negative flux takes them off.
    pub fn add(&self, image: &mut Image, star: &FieldStar, noise: f64) {
        let size = (image.width, image.height);
        self.each_pixel(size, star, noise, |i, value, _| image.data[i] += value);
    }
}

impl Ray {
    fn light_beyond(&self, radius_px: f64) -> f64 {
        let end = self.along.last().map_or(0.0, |p| p.0);
        let steps = (end - radius_px).ceil().max(0.0) as usize;
        let width = (end - radius_px) / steps.max(1) as f64;
        (0..steps).map(|i| width * halo::at(&self.along, radius_px + (i as f64 + 0.5) * width)).sum()
    }

    /// Pixels of a ray: outside the core's middle, where the fitted image has taken it up.
    fn each_pixel(
        &self,
        (width, height): (usize, usize),
        star: &FieldStar,
        core_fwhm_px: f64,
        least: f64,
        visit: &mut impl FnMut(usize, f32, f32),
    ) {
        let (sin, cos) = self.angle_rad.sin_cos();
        let sigma = core_fwhm_px / 2.355;
        let peak = 1.0 / (sigma * (2.0 * PI).sqrt());
        let Some(end) = self.along.iter().rfind(|p| p.1 * peak > least).map(|p| p.0) else { return };
        // along the axis that the ray is nearer to, a pixel at a time, and some pixels across
        let steep = sin.abs() > cos.abs();
        let (lead, side) = if steep { (sin, cos) } else { (cos, sin) };
        let across = (3.0 * sigma / lead.abs()).ceil() as i64;
        let steps = (end * lead.abs()).ceil() as i64;
        for step in 0..=steps {
            let far = lead.signum() * step as f64;
            let (a, b) = if steep { (star.y_px + far, star.x_px) } else { (star.x_px + far, star.y_px) };
            let centre = b + far * side / lead;
            for other in centre.round() as i64 - across..=centre.round() as i64 + across {
                let (x, y) = if steep { (other, a.round() as i64) } else { (a.round() as i64, other) };
                if x < 0 || y < 0 || x >= width as i64 || y >= height as i64 {
                    continue;
                }
                let (dx, dy) = (x as f64 - star.x_px, y as f64 - star.y_px);
                let (t, u) = (dx * cos + dy * sin, dy * cos - dx * sin);
                if t > core_fwhm_px && t <= end {
                    let light = star.flux * peak * (-0.5 * (u / sigma).powi(2)).exp() * halo::at(&self.along, t);
                    visit(y as usize * width + x as usize, light as f32, (RAY_ERROR * light) as f32);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers by a small linear generator.
    struct Draws(u64);

    impl Draws {
        fn unit(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }

        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
        }
    }

    const SIDE: usize = 560;
    const HALO: f64 = 0.06;

    /// King's halo of [`HALO`] of the light from 5 px to 80 px.
    fn king(r: f64) -> f64 {
        if r > 80.0 { 0.0 } else { HALO / (PI * (1.0 + 256f64).ln()) / (r * r + 25.0) }
    }

    /// Sky noise of 1 on a slope, the halos of stars on it, their cores already off.
    fn residual(seed: u64, halo: bool) -> (Image, Vec<FieldStar>) {
        let mut d = Draws(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        let stars: Vec<FieldStar> = (0..60)
            .map(|i| FieldStar {
                x_px: SIDE as f64 * d.unit(),
                y_px: SIDE as f64 * d.unit(),
                flux: 2e5 * (f64::from(i) + 1.0).powf(-1.2),
            })
            .collect();
        let mut image = Image::filled(SIDE, SIDE, 0.0);
        for y in 0..SIDE {
            for x in 0..SIDE {
                let mut v = d.normal() + 0.004 * x as f64;
                for s in &stars {
                    let (dx, dy) = (x as f64 - s.x_px, y as f64 - s.y_px);
                    if halo {
                        v += s.flux * king(dx.hypot(dy));
                    }
                }
                image.data[y * SIDE + x] = v as f32;
            }
        }
        (image, stars)
    }

    fn found(image: &Image, stars: &[FieldStar]) -> Result<Wings, NoWings> {
        let shape = StarImage::from(Moffat::round(3.0, 3.0));
        let mask = Mask::clear(SIDE, SIDE);
        measure(&WingSearch { residual: image, mask: &mask, noise: 1.0, shape: &shape, stars, comet_path_px: &[] })
    }

    #[test]
    fn a_halo_is_what_was_put_in() {
        for seed in 1..4 {
            let (mut image, stars) = residual(seed, true);
            let wings = found(&image, &stars).expect("wings");
            for r in [8.0, 12.0, 20.0, 35.0] {
                let (got, want) = (wings.halo_density(r), king(r));
                assert!((got / want - 1.0).abs() < 0.25, "seed {seed}, {r} px: {got:e}, {want:e}");
            }
            let share = wings.halo_share.expect("halo");
            // of what lies as far as it was followed
            let within = |r: f64| (1.0 + (r.min(80.0) / 5.0).powi(2)).ln() / 257f64.ln();
            let want = HALO * (within(wings.outer_px) - within(wings.inner_px));
            assert!((share.value - want).abs() < (3.0 * share.sigma).min(0.012), "seed {seed}: {share:?}, {want}");
            // nothing of the brightest stars is left but the slope
            stars.iter().for_each(|s| wings.add(&mut image, &FieldStar { flux: -s.flux, ..*s }, 1.0));
            let s = stars
                .iter()
                .find(|s| (60.0..500.0).contains(&s.x_px) && (60.0..500.0).contains(&s.y_px))
                .expect("star");
            let near = |r0: f64, r1: f64| {
                let (mut sum, mut n) = (0.0, 0.0);
                for y in 0..SIDE {
                    for x in 0..SIDE {
                        let r = (x as f64 - s.x_px).hypot(y as f64 - s.y_px);
                        if (r0..r1).contains(&r) {
                            sum += f64::from(image.at(x, y)) - 0.004 * x as f64;
                            n += 1.0;
                        }
                    }
                }
                sum / n
            };
            assert!((near(15.0, 30.0) - near(45.0, 55.0)).abs() < 2.0, "seed {seed}: {}", near(15.0, 30.0));
        }
    }

    #[test]
    fn nothing_is_found_in_noise() {
        for seed in 1..21 {
            let (image, stars) = residual(seed, false);
            assert!(matches!(found(&image, &stars), Err(NoWings::NoneSeen(_))), "seed {seed}");
        }
        let (image, stars) = residual(1, true);
        assert!(matches!(found(&image, &stars[..5]), Err(NoWings::TooFewStars(_))));
    }

    #[test]
    fn light_beyond_the_core_counts_once() {
        let profile: Vec<(f64, f64)> = (0..60).map(|i| 7.5 + 1.25 * f64::from(i)).map(|r| (r, king(r))).collect();
        let wings = Wings {
            n_stars: 9,
            halo_share: Some(Measured::new(0.05, 0.001)),
            inner_px: 7.5,
            outer_px: 80.0,
            table: halo::table(&profile),
            halo: profile,
            scatter: 0.1,
            rays: Vec::new(),
            core_fwhm_px: 3.0,
        };
        let core = Moffat::round(3.0, 3.0);
        // a star of unit core and the halo: what growth measures in the circle over its ring
        let radius: f64 = 7.5;
        let ring = 0.5 * (radius + 1.0 + 1.6 * radius + 2.0);
        let inside = HALO * (1.0 + (radius / 5.0).powi(2)).ln() / 257f64.ln();
        let area = PI * radius * radius;
        let share = core.encircled(radius) - core.density(ring, 0.0) * area;
        let growth = (share + inside - king(ring) * area) / share;
        let total = wings.total_light(growth, &core, &core);
        assert!((growth * total.value - 1.0 - HALO).abs() < 1e-3, "{growth} {total:?}");
        assert!(total.sigma > 0.0009);
    }
}
