//! The coma unrolled into rings and azimuthal modes, in which noise is even: what the search works in.
//!
//! A ring's light is compared with the mean coma times 1, cos ψ, sin ψ, cos 2ψ … by weighted sums over its pixels, masks and
//! noise included; no pixel is interpolated. The coefficients are turned into numbers that noise makes independent and of
//! unit variance (by the Cholesky factor of the normal matrix), and the one of the azimuthal mean is dropped: structure is what a ring has
//! beside its mean.

use fanlight_image::{Image, Mask, PixelBox};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::f64::consts::{PI, TAU};

/// A place on the stack and the sky's orientation there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyFrame {
    /// Column and row of the optocentre, 0-based.
    pub centre_px: (f64, f64),
    /// `[[∂east/∂x, ∂east/∂y], [∂north/∂x, ∂north/∂y]]`, arcsec per pixel.
    pub arcsec_per_px: [[f64; 2]; 2],
}

impl SkyFrame {
    /// Mean pixel scale.
    pub fn scale_arcsec(&self) -> f64 {
        let m = self.arcsec_per_px;
        (m[0][0] * m[1][1] - m[0][1] * m[1][0]).abs().sqrt()
    }

    /// East and north of a step from the optocentre, arcsec.
    fn on_sky(&self, dx_px: f64, dy_px: f64) -> (f64, f64) {
        crate::stack::apply(self.arcsec_per_px, (dx_px, dy_px))
    }

    /// Distance in px (of the mean scale) of a step from the optocentre.
    pub fn rho_px(&self, dx_px: f64, dy_px: f64) -> f64 {
        let (east, north) = self.on_sky(dx_px, dy_px);
        (east * east + north * north).sqrt() / self.scale_arcsec()
    }

    /// Distance in px (of the mean scale) and position angle of a step from the optocentre.
    pub fn polar(&self, dx_px: f64, dy_px: f64) -> (f64, f64) {
        let (east, north) = self.on_sky(dx_px, dy_px);
        (self.rho_px(dx_px, dy_px), east.atan2(north))
    }

    /// The step from the optocentre to the middle of a pixel.
    fn step_to(&self, (x, y): (usize, usize)) -> (f64, f64) {
        (x as f64 - self.centre_px.0, y as f64 - self.centre_px.1)
    }

    /// [`Self::rho_px`] of the middle of a pixel.
    pub fn rho_of_pixel(&self, pixel: (usize, usize)) -> f64 {
        let (dx, dy) = self.step_to(pixel);
        self.rho_px(dx, dy)
    }

    /// [`Self::polar`] of the middle of a pixel.
    pub fn polar_of_pixel(&self, pixel: (usize, usize)) -> (f64, f64) {
        let (dx, dy) = self.step_to(pixel);
        self.polar(dx, dy)
    }

    /// The same place on the part of the image that begins at a pixel.
    pub fn from_corner(&self, (x0, y0): (usize, usize)) -> Self {
        Self { centre_px: (self.centre_px.0 - x0 as f64, self.centre_px.1 - y0 as f64), ..*self }
    }

    /// Distance in px from the optocentre to the nearest edge of an image of a size, along rows and columns.
    pub fn to_edge_px(&self, (width, height): (usize, usize)) -> f64 {
        let (x, y) = self.centre_px;
        [x, y, width as f64 - 1.0 - x, height as f64 - 1.0 - y].into_iter().fold(f64::INFINITY, f64::min)
    }

    /// The pixels of an image of a size up to a distance from the optocentre along rows and columns; `None` where there is none.
    pub fn square_about(&self, half_px: f64, (width, height): (usize, usize)) -> Option<PixelBox> {
        PixelBox::around(self.centre_px.0, self.centre_px.1, half_px, width, height)
    }

    /// The step from the optocentre, in px, of a distance in px and a position angle.
    pub fn step_px(&self, rho_px: f64, pa_rad: f64) -> (f64, f64) {
        let (sin, cos) = pa_rad.sin_cos();
        let rho = rho_px * self.scale_arcsec();
        crate::stack::apply(crate::stack::inverse(self.arcsec_per_px), (rho * sin, rho * cos))
    }
}

/// Most azimuthal modes of a ring: a wedge of 10° at half maximum has a tenth of its height left there.
pub const MAX_MODES: usize = 30;
/// Modes per distance in kernel standard deviations: a structure that the kernel has blurred to 9 % is not looked for.
const MODES_PER_SIGMA: f64 = 2.2;
/// A ring needs this many pixels per coefficient.
const PIXELS_PER_COEFFICIENT: f64 = 2.5;
/// Least share of a ring's pixels that must be good for it to be used.
const LEAST_GOOD: f64 = 0.4;

/// One ring.
pub struct ModeRing {
    /// Inner edge.
    pub inner_px: f64,
    /// Outer edge.
    pub outer_px: f64,
    /// Mean distance of its pixels.
    pub rho_px: f64,
    /// Azimuthal modes beside the mean.
    pub modes: usize,
    /// Where its coefficients begin in a vector: `2 * modes` of them.
    pub start: usize,
    /// Lower Cholesky factor of the normal matrix of 1, cos ψ, sin ψ, cos 2ψ, …
    lower: DMatrix<f64>,
    /// One over the noise of each component beyond what the pixels' variance says.
    gains: DVector<f64>,
    /// What of `gains` is known beforehand.
    known_gains: DVector<f64>,
    /// Share of the variance that is the least that there can be.
    least_share: f64,
    pixels: std::ops::Range<usize>,
}

#[derive(Clone, Copy)]
struct RingPixel {
    index: u32,
    cos: f32,
    sin: f32,
    /// Mean coma times weight.
    scaled: f32,
    /// Mean coma.
    coma: f32,
}

impl ModeRing {
    /// Sum of squares of a whitened vector's part in this ring, in units of the noise that the pixels' variance alone gives.
    pub fn scatter_of_substacks(&self, vector: &DVector<f64>) -> f64 {
        vector.rows(self.start, 2 * self.modes).component_div(&self.gains).norm_squared()
    }
}

/// Rings, modes and noise of a stack.
pub struct ModeSpace {
    /// The rings, outward.
    pub rings: Vec<ModeRing>,
    /// Length of a vector.
    pub dim: usize,
    pixels: Vec<RingPixel>,
}

/// What a mode space is made for.
pub struct ModeSpaceConfig<'a> {
    /// Centre and orientation.
    pub frame: SkyFrame,
    /// Ring edges, ascending.
    pub edges_px: &'a [f64],
    /// Kernel width.
    pub fwhm_px: f64,
}

impl ModeSpace {
    /// The rings that have enough good pixels. `variance(index, ρ_px)` is the variance of the pixel's noise as sums over many
    /// pixels see it; `coma(ρ_px)` is the mean coma.
    pub fn new(
        image: &Image,
        mask: &Mask,
        config: &ModeSpaceConfig,
        variance: impl Fn(usize, f64) -> f64,
        coma: impl Fn(f64) -> f64,
    ) -> Self {
        let ModeSpaceConfig { frame, edges_px, fwhm_px } = config;
        let n_rings = edges_px.len().saturating_sub(1);
        let mut of_ring: Vec<Vec<(RingPixel, f64)>> = vec![Vec::new(); n_rings];
        let mut totals = vec![0usize; n_rings];
        let reach = edges_px.last().copied().unwrap_or(0.0) + 2.0;
        let area = frame.square_about(reach, (image.width, image.height));
        for (x, y) in area.into_iter().flat_map(PixelBox::pixels) {
            let (rho, pa) = frame.polar_of_pixel((x, y));
            let ring = edges_px.partition_point(|e| *e <= rho);
            if ring == 0 || ring > n_rings {
                continue;
            }
            totals[ring - 1] += 1;
            let index = y * image.width + x;
            let v = variance(index, rho);
            if mask.bits[index] != 0 || !image.data[index].is_finite() || !(v.is_finite() && v > 0.0) {
                continue;
            }
            let (sin, cos) = pa.sin_cos();
            let m = coma(rho);
            let pixel = RingPixel {
                index: index as u32,
                cos: cos as f32,
                sin: sin as f32,
                scaled: (m / v) as f32,
                coma: m as f32,
            };
            of_ring[ring - 1].push((pixel, rho));
        }
        let sigma_px = fwhm_px / 2.355;
        let made: Vec<Option<(ModeRing, Vec<RingPixel>)>> = of_ring
            .into_par_iter()
            .zip(totals)
            .enumerate()
            .map(|(i, (pixels, total))| {
                let n = pixels.len() as f64;
                let rho_px = pixels.iter().map(|p| p.1).sum::<f64>() / n;
                let good_share = n / total as f64;
                let by_blur = (MODES_PER_SIGMA * rho_px / sigma_px).ceil();
                let by_pixels = ((n / PIXELS_PER_COEFFICIENT - 1.0) / 2.0).floor();
                let modes = by_blur.min(by_pixels).min(MAX_MODES as f64);
                if !(good_share >= LEAST_GOOD && modes >= 2.0) {
                    return None;
                }
                let modes = modes as usize;
                let pixels: Vec<RingPixel> = pixels.into_iter().map(|p| p.0).collect();
                let lower = normal_matrix(&pixels, modes).cholesky()?.l();
                let (inner_px, outer_px) = (edges_px[i], edges_px[i + 1]);
                let ring = ModeRing {
                    inner_px,
                    outer_px,
                    rho_px,
                    modes,
                    start: 0,
                    lower,
                    gains: DVector::repeat(2 * modes, 1.0),
                    known_gains: DVector::repeat(2 * modes, 1.0),
                    least_share: 1.0,
                    pixels: 0..0,
                };
                Some((ring, pixels))
            })
            .collect();
        let mut space = Self { rings: Vec::new(), dim: 0, pixels: Vec::new() };
        for (mut ring, pixels) in made.into_iter().flatten() {
            ring.start = space.dim;
            ring.pixels = space.pixels.len()..space.pixels.len() + pixels.len();
            space.dim += 2 * ring.modes;
            space.pixels.extend(pixels);
            space.rings.push(ring);
        }
        space
    }

    /// An image's coefficients: `value(index)` of the pixel at that index. Noise of the space's variance gives independent
    /// numbers of unit variance.
    pub fn project(&self, value: impl Fn(usize) -> f32 + Sync) -> DVector<f64> {
        let parts: Vec<DVector<f64>> = self
            .rings
            .par_iter()
            .map(|ring| {
                let mut sums = vec![0.0f64; 2 * ring.modes + 1];
                for p in &self.pixels[ring.pixels.clone()] {
                    let v = f64::from(p.scaled) * f64::from(value(p.index as usize));
                    add_modes(&mut sums, v, f64::from(p.cos), f64::from(p.sin));
                }
                let sums = DVector::from_vec(sums);
                let solved = ring.lower.solve_lower_triangular(&sums).unwrap_or(sums);
                solved.rows(1, 2 * ring.modes).component_mul(&ring.gains)
            })
            .collect();
        let mut out = DVector::zeros(self.dim);
        for (ring, part) in self.rings.iter().zip(parts) {
            out.rows_mut(ring.start, 2 * ring.modes).copy_from(&part);
        }
        out
    }

    /// Coefficients of a model given by its share of the mean coma: per ring the factors of cos mψ and sin mψ, m from 1.
    /// Rings for which `share` gives nothing have none of it.
    pub fn model(&self, share: impl Fn(usize, &ModeRing) -> Option<Vec<(f64, f64)>>) -> DVector<f64> {
        let mut out = DVector::zeros(self.dim);
        for (i, ring) in self.rings.iter().enumerate() {
            let Some(factors) = share(i, ring) else { continue };
            let mut t = DVector::zeros(2 * ring.modes + 1);
            for (m, (c, s)) in factors.iter().take(ring.modes).enumerate() {
                t[2 * m + 1] = *c;
                t[2 * m + 2] = *s;
            }
            let whitened = ring.lower.tr_mul(&t);
            out.rows_mut(ring.start, 2 * ring.modes)
                .copy_from(&whitened.rows(1, 2 * ring.modes).component_mul(&ring.gains));
        }
        out
    }

    /// No noise is less than that of the pixels' least variance, by their index.
    pub fn take_least_noise(&mut self, least: impl Fn(usize) -> f64) {
        for ring in &mut self.rings {
            // Σ coma² / variance of either
            let (mut own, mut of_least) = (0.0, 0.0);
            for p in &self.pixels[ring.pixels.clone()] {
                let coma = f64::from(p.coma);
                own += f64::from(p.scaled) * coma;
                of_least += coma * coma / least(p.index as usize);
            }
            ring.least_share = (own / of_least).min(1.0);
        }
    }

    /// By which factor in variance the noise of a ring's components may be less, so that it is no less than it can be.
    pub fn least_factor(&self, ring: usize, from: usize, n: usize) -> f64 {
        let ring = &self.rings[ring];
        let found = ring.gains.rows(from, n).component_div(&ring.known_gains.rows(from, n));
        let raised = found.iter().fold(0.0, |a: f64, g| a.max(*g)).powi(-2);
        ring.least_share / raised
    }

    /// The noise is what smoothing has left, as a share of the variance by distance in px and azimuthal order, and no less.
    pub fn smooth_noise(&mut self, left: &(dyn Fn(f64, usize) -> f64 + Sync)) {
        for ring in &mut self.rings {
            for m in 1..=ring.modes {
                let gain = left(ring.rho_px, m).powf(-0.5);
                for i in [2 * m - 2, 2 * m - 1] {
                    ring.gains[i] *= gain;
                    ring.known_gains[i] *= gain;
                }
            }
        }
    }

    /// Takes every component's noise to be another, by a factor in variance.
    pub fn change_noise(&mut self, factors: &DVector<f64>) {
        for ring in &mut self.rings {
            let own = factors.rows(ring.start, 2 * ring.modes);
            ring.gains.zip_apply(&own, |g, f| *g /= f.sqrt());
        }
    }

    /// Takes the noise of another space's components, ring by ring; modes that it lacks keep theirs.
    pub fn take_gains(&mut self, other: &Self) {
        for (own, theirs) in self.rings.iter_mut().zip(&other.rings) {
            let n = 2 * own.modes.min(theirs.modes);
            own.gains.rows_mut(0, n).copy_from(&theirs.gains.rows(0, n));
        }
    }

    /// Coefficients of cos mψ and sin mψ, ring by ring, m from 1, that a whitened vector stands for.
    pub fn coefficients(&self, vector: &DVector<f64>) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.dim);
        for ring in &self.rings {
            let mut u = DVector::zeros(2 * ring.modes + 1);
            let own = vector.rows(ring.start, 2 * ring.modes);
            u.rows_mut(1, 2 * ring.modes).copy_from(&own.component_div(&ring.gains));
            let solved = ring.lower.tr_solve_lower_triangular(&u).unwrap_or(u);
            out.extend(solved.iter().skip(1));
        }
        out
    }

    /// Numbers whose product with a ring's whitened part is a weighted sum of its coefficients of cos mψ and sin mψ, m from 1.
    pub fn functional(&self, ring: usize, weights: &[(f64, f64)]) -> DVector<f64> {
        let ring = &self.rings[ring];
        let mut w = DVector::zeros(2 * ring.modes + 1);
        for (m, (c, s)) in weights.iter().take(ring.modes).enumerate() {
            w[2 * m + 1] = *c;
            w[2 * m + 2] = *s;
        }
        // coefficients are t = L⁻ᵀ u, so that w·t = (L⁻¹ w)·u; whitened numbers are u times their gains
        let solved = ring.lower.solve_lower_triangular(&w).unwrap_or(w);
        solved.rows(1, 2 * ring.modes).component_div(&ring.gains)
    }

    /// What turns a ring's coefficients of cos mψ and sin mψ, m from 1, into its part of a whitened vector.
    pub fn whitening(&self, ring: usize) -> DMatrix<f64> {
        let ModeRing { lower, gains, modes, .. } = &self.rings[ring];
        let mut out = lower.view((1, 1), (2 * modes, 2 * modes)).transpose();
        out.column_iter_mut().for_each(|mut column| column.component_mul_assign(gains));
        out
    }

    /// The ring's lower factor without the row and column of the mean, noise included: column by column, each from its diagonal
    /// on, single precision.
    pub fn lower_f32(&self, ring: usize) -> Vec<f32> {
        let ModeRing { lower, gains, .. } = &self.rings[ring];
        let n = lower.nrows();
        (1..n).flat_map(|j| (j..n).map(move |i| (i, j))).map(|(i, j)| (lower[(i, j)] * gains[j - 1]) as f32).collect()
    }

    /// The rings' mean coma, by their pixels.
    pub fn mean_coma(&self, ring: usize) -> f64 {
        let pixels = &self.pixels[self.rings[ring].pixels.clone()];
        pixels.iter().map(|p| f64::from(p.coma)).sum::<f64>() / pixels.len() as f64
    }
}

/// Adds `v` times 1, cos ψ, sin ψ, cos 2ψ, …
#[inline]
fn add_modes(sums: &mut [f64], v: f64, cos: f64, sin: f64) {
    sums[0] += v;
    let (mut c, mut s) = (cos, sin);
    for pair in sums[1..].chunks_exact_mut(2) {
        pair[0] += v * c;
        pair[1] += v * s;
        (c, s) = (c * cos - s * sin, s * cos + c * sin);
    }
}

/// Sums of products of the modes, from sums of the modes up to twice as many.
fn normal_matrix(pixels: &[RingPixel], modes: usize) -> DMatrix<f64> {
    let mut sums = vec![0.0f64; 4 * modes + 1];
    for p in pixels {
        add_modes(&mut sums, f64::from(p.scaled) * f64::from(p.coma), f64::from(p.cos), f64::from(p.sin));
    }
    // Σ w cos kψ and Σ w sin kψ
    let cos = |k: i32| if k == 0 { sums[0] } else { sums[2 * k.unsigned_abs() as usize - 1] };
    let sin = |k: i32| if k == 0 { 0.0 } else { f64::from(k.signum()) * sums[2 * k.unsigned_abs() as usize] };
    let order = |i: usize| (i.div_ceil(2) as i32, i % 2 == 1 || i == 0);
    DMatrix::from_fn(2 * modes + 1, 2 * modes + 1, |i, j| {
        let ((a, a_is_cos), (b, b_is_cos)) = (order(i), order(j));
        match (a_is_cos, b_is_cos) {
            (true, true) => 0.5 * (cos(a - b) + cos(a + b)),
            (false, false) => 0.5 * (cos(a - b) - cos(a + b)),
            (true, false) => 0.5 * (sin(a + b) - sin(a - b)),
            (false, true) => 0.5 * (sin(a + b) + sin(a - b)),
        }
    })
}

/// Ring edges from `from_px` to `to_px`: one kernel width at most half, growing by a tenth of the distance where that is more.
pub fn ring_edges(from_px: f64, to_px: f64, fwhm_px: f64) -> Vec<f64> {
    let mut edges = vec![from_px];
    let mut last = from_px;
    while last < to_px {
        last += (0.5 * fwhm_px).max(1.0).max(0.1 * last);
        edges.push(last);
    }
    edges
}

/// By how much an angle is further than another, in [−π, π).
pub fn off_rad(angle_rad: f64, from_rad: f64) -> f64 {
    (angle_rad - from_rad + PI).rem_euclid(TAU) - PI
}

#[cfg(test)]
mod tests {
    use super::*;

    fn space(mask: &Mask) -> (ModeSpace, Image) {
        let n = mask.width;
        let image = Image::filled(n, n, 0.0);
        let frame = SkyFrame { centre_px: (40.3, 39.6), arcsec_per_px: [[-1.5, 0.0], [0.0, 1.5]] };
        let edges = ring_edges(3.0, 30.0, 3.0);
        let config = ModeSpaceConfig { frame, edges_px: &edges, fwhm_px: 3.0 };
        let space = ModeSpace::new(&image, mask, &config, |_, _| 4.0, |rho| 100.0 / rho);
        (space, image)
    }

    /// Noise of the stated variance gives numbers of unit variance, a third of the pixels masked or not.
    #[test]
    fn noise_becomes_even() {
        let mut mask = Mask::clear(81, 81);
        for masked in [false, true] {
            if masked {
                (0..81 * 81).filter(|i| i % 81 > 55 && i / 81 > 20).for_each(|i| mask.bits[i] = 1);
            }
            let (space, _) = space(&mask);
            let mut state = 7u64;
            let (mut square, mut n) = (0.0, 0);
            for _ in 0..20 {
                let noise: Vec<f32> = (0..81 * 81)
                    .map(|_| {
                        // twelve uniform numbers make a Gaussian one
                        (0..12)
                            .map(|_| {
                                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                                (state >> 40) as f32 / (1u64 << 24) as f32
                            })
                            .sum::<f32>()
                            * 2.0
                            - 12.0
                    })
                    .collect();
                let u = space.project(|i| noise[i]);
                square += u.norm_squared();
                n += u.len();
            }
            let mean = square / n as f64;
            assert!((mean - 1.0).abs() < 0.02, "{mean}, masked {masked}");
        }
    }

    /// Sums that templates are multiplied with: per ring, mode by mode (cosine, sine), of a whitened vector.
    fn unwhitened(space: &ModeSpace, vector: &DVector<f64>) -> Vec<Vec<f64>> {
        space
            .rings
            .iter()
            .map(|ring| {
                let mut u = DVector::zeros(2 * ring.modes + 1);
                u.rows_mut(1, 2 * ring.modes)
                    .copy_from(&vector.rows(ring.start, 2 * ring.modes).component_mul(&ring.gains));
                (&ring.lower * u).as_slice()[1..].to_vec()
            })
            .collect()
    }

    /// A model's vector is the projection of the image that it describes, whatever the rings' means.
    #[test]
    fn a_model_is_what_its_image_projects_to() {
        let mut mask = Mask::clear(81, 81);
        (0..81 * 81).filter(|i| i % 81 > 60).for_each(|i| mask.bits[i] = 1);
        let (space, mut image) = space(&mask);
        let frame = SkyFrame { centre_px: (40.3, 39.6), arcsec_per_px: [[-1.5, 0.0], [0.0, 1.5]] };
        for i in 0..81 * 81 {
            let (rho, pa) = frame.polar((i % 81) as f64 - 40.3, (i / 81) as f64 - 39.6);
            image.data[i] = (100.0 / rho * (0.3 * (2.0 * pa).cos() - 0.1 * (3.0 * pa).sin() + 0.05)) as f32;
        }
        let got = space.project(|i| image.data[i]);
        let expected = space.model(|_, _| Some(vec![(0.0, 0.0), (0.3, 0.0), (0.0, -0.1)]));
        assert!((&got - &expected).norm() < 2e-3 * expected.norm(), "{}", (&got - &expected).norm() / expected.norm());
        // coefficients by their functional
        let only = |ring: usize, w: &[(f64, f64)]| {
            space.functional(ring, w).dot(&got.rows(space.rings[ring].start, 2 * space.rings[ring].modes))
        };
        assert!((only(4, &[(0.0, 0.0), (1.0, 0.0)]) - 0.3).abs() < 2e-3, "{}", only(4, &[(0.0, 0.0), (1.0, 0.0)]));
        assert!((only(4, &[(0.0, 0.0), (0.0, 0.0), (0.0, 1.0)]) + 0.1).abs() < 2e-3);
        // and the way back: products with a model are the same in both
        let other = space.model(|_, _| Some(vec![(0.1, 0.2), (0.3, 0.0)]));
        let sums = unwhitened(&space, &got);
        let by_sums: f64 = sums.iter().map(|s| 0.1 * s[0] + 0.2 * s[1] + 0.3 * s[2]).sum();
        assert!((by_sums - other.dot(&got)).abs() < 1e-6 * by_sums.abs());
    }

    #[test]
    fn position_angles_run_from_north_through_east() {
        let frame = SkyFrame { centre_px: (0.0, 0.0), arcsec_per_px: [[-2.0, 0.0], [0.0, 2.0]] };
        let (rho, pa) = frame.polar(-3.0, 0.0);
        assert!((rho - 3.0).abs() < 1e-12 && (pa.to_degrees() - 90.0).abs() < 1e-9);
        let (dx, dy) = frame.step_px(5.0, 30f64.to_radians());
        let (rho, pa) = frame.polar(dx, dy);
        assert!((rho - 5.0).abs() < 1e-9 && (pa.to_degrees() - 30.0).abs() < 1e-9);
    }
}
