//! How bright the coma is in each direction, ring by ring: numbers of a night that other nights can be held against without its pixels.

use super::mode_space::SkyFrame;
use fanlight_image::{Image, Mask, Measured, PixelBox};
use std::f64::consts::TAU;

/// A stack with what its brightness is held against.
pub struct Rings<'a> {
    /// The stack, its sky taken off.
    pub image: &'a Image,
    /// Variance of its pixels.
    pub variance: &'a Image,
    /// Pixels that are not used.
    pub mask: &'a Mask,
    /// By how much neighbours' likeness raises the variance of a sum.
    pub correlation: f64,
    /// The comet's place and the sky's directions.
    pub frame: SkyFrame,
}

impl Rings<'_> {
    /// Brightness in `n` sectors of equal width between two distances, px, as a share of the ring's mean, less 1; from north through
    /// east, the first from 0 to 360/n degrees. `brightness` is the coma's mean at a distance in px, in any unit: what is left
    /// of its fall within the ring would else show where pixels are masked. `None` for a sector without a pixel, and for all
    /// where the mean is not positive.
    ///
    /// # Accuracy
    /// Errors are those of the pixels' noise; what the centre and star images do to a coma is not in them. Near three kernel widths
    /// and farther out that is under their usual size.
    pub fn profile(
        &self,
        (from_px, to_px): (f64, f64),
        n: usize,
        brightness: impl Fn(f64) -> f64,
    ) -> Vec<Option<Measured>> {
        let (cx, cy) = self.frame.centre_px;
        let mut sums = vec![(0.0, 0.0); n];
        let Some(area) = PixelBox::around(cx, cy, to_px + 1.0, self.image.width, self.image.height) else {
            return vec![None; n];
        };
        for y in area.y0..area.y1 {
            for x in area.x0..area.x1 {
                let i = y * self.image.width + x;
                let (rho_px, pa_rad) = self.frame.polar(x as f64 - cx, y as f64 - cy);
                let (value, variance) = (f64::from(self.image.data[i]), f64::from(self.variance.data[i]));
                let inside = rho_px >= from_px && rho_px < to_px;
                if !inside || self.mask.bits[i] != 0 || !value.is_finite() || !(variance > 0.0) {
                    continue;
                }
                let mean = brightness(rho_px);
                // brightest where the coma is: each pixel tells of the share by mean² over variance
                let weight = mean * mean / variance;
                let sector = ((pa_rad.rem_euclid(TAU) / TAU * n as f64) as usize).min(n - 1);
                sums[sector].0 += weight * value / mean;
                sums[sector].1 += weight;
            }
        }
        let shares: Vec<Option<Measured>> = sums
            .iter()
            .map(|(sum, weight)| {
                let sigma = (self.correlation / weight).sqrt();
                (*weight > 0.0 && weight.is_finite()).then(|| Measured::new(sum / weight, sigma))
            })
            .collect();
        let seen: Vec<f64> = shares.iter().flatten().map(|s| s.value).collect();
        let mean = seen.iter().sum::<f64>() / seen.len() as f64;
        if !(mean > 0.0) {
            return vec![None; n];
        }
        shares.into_iter().map(|s| s.map(|s| Measured::new(s.value / mean - 1.0, s.sigma / mean))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    const SIZE: usize = 121;
    const SIGMA: f64 = 0.02;

    /// A 1/ρ coma, a tenth brighter from 90° to 120°, with noise; north up, east left.
    fn coma(seed: u64, extra: f64) -> Image {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut at = |i: usize| {
            let (dx, dy) = ((i % SIZE) as f64 - 60.0, (i / SIZE) as f64 - 60.0);
            let pa_deg = (-dx).atan2(dy).to_degrees().rem_euclid(360.0);
            let raised = if (90.0..120.0).contains(&pa_deg) { 1.0 + extra } else { 1.0 };
            let noise: f64 = StandardNormal.sample(&mut rng);
            (10.0 * raised / dx.hypot(dy).max(0.5) + SIGMA * noise) as f32
        };
        Image { width: SIZE, height: SIZE, data: (0..SIZE * SIZE).map(&mut at).collect() }
    }

    fn profile(image: &Image, mask: &Mask) -> Vec<Option<Measured>> {
        let variance = Image::filled(SIZE, SIZE, (SIGMA * SIGMA) as f32);
        let frame = SkyFrame { centre_px: (60.0, 60.0), arcsec_per_px: [[-1.0, 0.0], [0.0, 1.0]] };
        Rings { image, variance: &variance, mask, correlation: 1.0, frame }.profile((15.0, 30.0), 24, |rho| 1.0 / rho)
    }

    #[test]
    fn a_brighter_sector_shows_where_it_is_and_as_bright_as_it_is() {
        let clear = Mask::clear(SIZE, SIZE);
        let found = profile(&coma(1, 0.1), &clear);
        // the mean of the ring is 1 + 0.1·2/24
        let mean = 1.0 + 0.1 / 12.0;
        for (i, share) in found.iter().enumerate() {
            let share = share.unwrap();
            let expected = if i == 6 || i == 7 { 1.1 / mean - 1.0 } else { 1.0 / mean - 1.0 };
            assert!((share.value - expected).abs() < 4.5 * share.sigma + 1e-4, "{i}: {share:?} {expected}");
        }
    }

    #[test]
    fn errors_are_those_that_noise_makes() {
        let clear = Mask::clear(SIZE, SIZE);
        let pulls: Vec<f64> = (0..60)
            .flat_map(|seed| profile(&coma(seed, 0.0), &clear))
            .map(|s| s.map(|s| s.value / s.sigma).unwrap())
            .collect();
        let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
        // the mean of 24 sectors is taken off: √(23/24) = 0.979; 1440 pulls
        assert!((rms - 0.979).abs() < 0.06, "{rms}");
    }

    #[test]
    fn what_is_masked_is_absent() {
        let mut mask = Mask::clear(SIZE, SIZE);
        for i in 0..SIZE * SIZE {
            let (dx, dy) = ((i % SIZE) as f64 - 60.0, (i / SIZE) as f64 - 60.0);
            let pa_deg = (-dx).atan2(dy).to_degrees().rem_euclid(360.0);
            if (89.0..106.0).contains(&pa_deg) {
                mask.bits[i] = 1;
            }
        }
        let found = profile(&coma(2, 0.0), &mask);
        assert_eq!(found.iter().filter(|s| s.is_none()).count(), 1);
        assert!(found[6].is_none());
        assert!(profile(&Image::filled(SIZE, SIZE, -1.0), &Mask::clear(SIZE, SIZE)).iter().all(Option::is_none));
    }
}
