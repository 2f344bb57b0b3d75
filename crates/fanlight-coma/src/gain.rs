//! Gain and read noise measured from the frames themselves.
//!
//! Of two exposures of one even light the difference holds noise alone: what the pixels' unequal response and the vignetting
//! print onto both cancels. The variance of that noise grows with the light as 1/gain, and begins at the read noise that
//! two biases show.
//!
//! # Source
//! Janesick 2001, *Scientific Charge-Coupled Devices*, SPIE Press, section 2.2 (photon transfer; mean and variance of
//! differences of flats).

use fanlight_image::robust::{self, ClipConfig};
use fanlight_image::{Image, Measured};

/// What a camera's noise says of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhotonTransfer {
    /// Electrons per count.
    pub gain_e_per_adu: Measured,
    /// Read noise, electrons.
    pub read_noise_e: Measured,
}

/// Measures gain and read noise from pairs of flats and pairs of biases (or the shortest darks), parts of one place of the
/// detector and one size. The two flats of a pair may differ in brightness, as twilight does.
///
/// Blocks of 16 × 16 pixels (32 × 32 of larger images) are measured one by one and the outliers among them dropped. With S₁
/// and S₂ the mean light of a block over the biases, r = S₁/S₂ and ρ² the variance of the read noise,
/// var(F₁ − r F₂) = S₁ (1 + r) / gain + (1 + r²) ρ². `None` when the frames do not hold 4 blocks, when the light does not
/// stand out from the read noise, or when the result is not 5 times its own error.
///
/// # Accuracy
/// 0.7 % for one pair of 192 × 192 px; the errors are right (`measured_numbers_are_within_their_errors` below). Light over
/// some tenth of the full well makes it a few per cent too high in sensors whose pixels repel each other's charge.
pub fn photon_transfer(flats: &[(Image, Image)], biases: &[(Image, Image)]) -> Option<PhotonTransfer> {
    let (first, _) = biases.first()?;
    let alike = |i: &Image| (i.width, i.height) == (first.width, first.height);
    if !flats.iter().chain(biases).all(|(a, b)| alike(a) && alike(b)) {
        return None;
    }
    let side = if first.width.min(first.height) >= LARGE_PX { 32 } else { 16 };
    let places: Vec<(usize, usize)> =
        (0..first.height / side).flat_map(|y| (0..first.width / side).map(move |x| (x * side, y * side))).collect();
    let read: Vec<f32> = biases
        .iter()
        .flat_map(|(a, b)| {
            places.iter().filter_map(move |at| Some((0.5 * Pair::of(a, b, *at, side)?.variance(1.0)) as f32))
        })
        .collect();
    let (read_variance, read_sigma) = mean_and_error(&read)?;
    let offset_of = |at: (usize, usize)| {
        let pairs: Vec<Pair> = biases.iter().filter_map(|(a, b)| Pair::of(a, b, at, side)).collect();
        let n = pairs.len() as f64;
        (n > 0.0).then(|| pairs.iter().map(|p| 0.5 * (p.mean.0 + p.mean.1)).sum::<f64>() / n)
    };
    let mut inverse = Vec::new();
    for at in &places {
        let Some(offset) = offset_of(*at) else { continue };
        for (a, b) in flats {
            let Some(pair) = Pair::of(a, b, *at, side) else { continue };
            let (first, second) = (pair.mean.0 - offset, pair.mean.1 - offset);
            if first <= 0.0 || second <= 0.0 {
                continue;
            }
            let ratio = first / second;
            let light = pair.variance(ratio) - (1.0 + ratio * ratio) * read_variance;
            inverse.push((light / (first * (1.0 + ratio))) as f32);
        }
    }
    let (per_count, sigma) = mean_and_error(&inverse)?;
    if per_count <= 0.0 || sigma * LEAST_SIGNIFICANCE > per_count {
        return None;
    }
    let gain = Measured::new(1.0 / per_count, sigma / (per_count * per_count));
    let noise_adu = read_variance.max(0.0).sqrt();
    let noise_sigma_adu = if noise_adu > 0.0 { 0.5 * read_sigma / noise_adu } else { read_sigma.sqrt() };
    let read_noise = noise_adu * gain.value;
    let read_noise_e = Measured::new(read_noise, (noise_adu * gain.sigma).hypot(noise_sigma_adu * gain.value));
    Some(PhotonTransfer { gain_e_per_adu: gain, read_noise_e })
}

/// Images at least this wide and high are measured in larger blocks.
const LARGE_PX: usize = 512;
const LEAST_BLOCKS: usize = 4;
const LEAST_SIGNIFICANCE: f64 = 5.0;

fn mean_and_error(values: &[f32]) -> Option<(f64, f64)> {
    let kept = robust::clipped(values, ClipConfig { kappa: 4.0, rounds: 5 }).filter(|s| s.n >= LEAST_BLOCKS)?;
    Some((kept.mean, kept.sigma / (kept.n as f64).sqrt()))
}

/// One block of two exposures.
struct Pair {
    values: Vec<(f64, f64)>,
    mean: (f64, f64),
}

impl Pair {
    fn of(a: &Image, b: &Image, at: (usize, usize), side: usize) -> Option<Self> {
        let row = |image: &'_ Image, y: usize| image.row(y)[at.0..at.0 + side].to_vec();
        let values: Vec<(f64, f64)> = (at.1..at.1 + side)
            .flat_map(|y| row(a, y).into_iter().zip(row(b, y)))
            .map(|(a, b)| (f64::from(a), f64::from(b)))
            .filter(|(a, b)| a.is_finite() && b.is_finite())
            .collect();
        let n = values.len() as f64;
        if values.len() * 2 < side * side {
            return None;
        }
        let mean = (values.iter().map(|v| v.0).sum::<f64>() / n, values.iter().map(|v| v.1).sum::<f64>() / n);
        Some(Self { values, mean })
    }

    /// Variance of a − ratio · b; values beyond four sigmas, such as cosmic rays, are dropped until none is left to drop. Of a
    /// Gaussian the four sigmas cut off 0.1 % of the variance, which is given back.
    fn variance(&self, ratio: f64) -> f64 {
        const CUT: f64 = 4.0;
        const KEPT_OF_GAUSSIAN: f64 = 0.998_9;
        let mut differences: Vec<f64> = self.values.iter().map(|(a, b)| a - ratio * b).collect();
        loop {
            let n = differences.len() as f64;
            let mean = differences.iter().sum::<f64>() / n;
            let variance = differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
            let before = differences.len();
            differences.retain(|d| (d - mean).abs() <= CUT * variance.sqrt());
            if differences.len() == before || differences.len() < 3 {
                return variance / KEPT_OF_GAUSSIAN;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gaussian numbers, by the sum of twelve uniform ones (xorshift64).
    struct Noise(u64);

    impl Noise {
        fn next(&mut self) -> f64 {
            let mut uniform = || {
                self.0 ^= self.0 << 13;
                self.0 ^= self.0 >> 7;
                self.0 ^= self.0 << 17;
                self.0 as f64 / u64::MAX as f64
            };
            (0..12).map(|_| uniform()).sum::<f64>() - 6.0
        }
    }

    /// Flats of a vignetted sensor with unequal pixels, whole counts.
    fn pairs(gain: f64, read_e: f64, levels_e: (f64, f64), noise: &mut Noise) -> ((Image, Image), (Image, Image)) {
        let side = 192;
        let response: Vec<f64> = (0..side * side)
            .map(|i| {
                let (x, y) = ((i % side) as f64 / 96.0 - 1.0, (i / side) as f64 / 96.0 - 1.0);
                (1.0 - 0.15 * (x * x + y * y)) * (1.0 + 0.02 * noise.next())
            })
            .collect();
        let mut frame = |level: f64| {
            let counts = |r: &f64| {
                let light = level * r;
                let electrons = light + light.sqrt() * noise.next() + read_e * noise.next();
                (electrons / gain + 300.0).round() as f32
            };
            Image::from_pixels(side, side, response.iter().map(counts).collect()).unwrap()
        };
        let flats = (frame(levels_e.0), frame(levels_e.1));
        let biases = (frame(0.0), frame(0.0));
        (flats, biases)
    }

    /// Twelve cameras: the pulls of the gains and read noises have an rms within what twelve numbers allow (0.5 to 1.6 at
    /// three sigmas), and single errors are a per cent.
    #[test]
    fn measured_numbers_are_within_their_errors() {
        let mut noise = Noise(88_172_645_463_325_252);
        let (mut gain_pulls, mut read_pulls) = (Vec::new(), Vec::new());
        for i in 0..12 {
            let gain = [0.3, 1.2, 4.0][i % 3];
            let read_e = 3.0 + i as f64;
            let (flats, biases) = pairs(gain, read_e, (20_000.0, 20_000.0 * (1.0 + 0.02 * i as f64)), &mut noise);
            let found = photon_transfer(&[flats], &[biases]).unwrap();
            let g = found.gain_e_per_adu;
            assert!(g.sigma < 0.012 * g.value && (g.value / gain - 1.0).abs() < 0.03, "{g:?}, not {gain}");
            gain_pulls.push((g.value - gain) / g.sigma);
            // whole counts add their own noise, a twelfth of a count squared
            let read_e = (read_e * read_e + gain * gain / 12.0).sqrt();
            read_pulls.push((found.read_noise_e.value - read_e) / found.read_noise_e.sigma);
        }
        for pulls in [gain_pulls, read_pulls] {
            let rms = (pulls.iter().map(|p| p * p).sum::<f64>() / pulls.len() as f64).sqrt();
            assert!((0.5..1.6).contains(&rms), "{rms}: {pulls:?}");
        }
    }

    #[test]
    fn cosmic_rays_and_dead_columns_do_not_count() {
        let mut noise = Noise(1_234_567);
        let ((mut a, b), biases) = pairs(1.5, 5.0, (15_000.0, 15_000.0), &mut noise);
        (0..a.data.len()).step_by(1013).for_each(|i| a.data[i] += 4000.0);
        (0..192).for_each(|y| a.data[y * 192 + 70] = f32::NAN);
        let found = photon_transfer(&[(a, b)], &[biases]).unwrap().gain_e_per_adu;
        assert!((found.value / 1.5 - 1.0).abs() < 0.03, "{found:?}");
    }

    #[test]
    fn frames_that_cannot_say_it_give_nothing() {
        let mut noise = Noise(99);
        let (flats, biases) = pairs(1.5, 5.0, (15_000.0, 15_000.0), &mut noise);
        assert_eq!(photon_transfer(&[], std::slice::from_ref(&biases)), None);
        assert_eq!(photon_transfer(std::slice::from_ref(&flats), &[]), None);
        assert_eq!(photon_transfer(std::slice::from_ref(&biases), std::slice::from_ref(&biases)), None);
        let small = |i: &Image| i.crop(fanlight_image::PixelBox { x0: 0, y0: 0, x1: 30, y1: 30 });
        let cut = |p: &(Image, Image)| (small(&p.0), small(&p.1));
        assert_eq!(photon_transfer(&[cut(&flats)], &[cut(&biases)]), None);
        assert_eq!(photon_transfer(&[flats], &[cut(&biases)]), None);
    }
}
