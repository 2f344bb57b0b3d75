//! Independent random streams, and the noise of counted light.

use rand::Rng;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Poisson, StandardNormal};

/// What a stream of random numbers is for. Each purpose and index has its own stream, so that no frame depends on
/// which frames were made before it, and one key of a scenario does not stir the draws of another.
#[derive(Clone, Copy)]
pub(crate) enum Stream {
    Stars = 1,
    Catalogue = 2,
    Detector = 3,
    Conditions = 4,
    Noise = 5,
    CosmicRays = 6,
    Satellites = 7,
    Place = 8,
}

/// The stream of one purpose and index.
pub(crate) fn stream(seed: u64, purpose: Stream, index: usize) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(((purpose as u64) << 32) | index as u64);
    rng
}

/// A draw from the standard normal distribution.
#[inline]
pub(crate) fn normal(rng: &mut impl Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Counted light of expectation `mean_e` with Gaussian read noise: a draw of Poisson(mean) + N(0, `read_noise_e`).
///
/// Under 30 e⁻ the Poisson draw is exact. Above, the sum is drawn at once as a normal deviate with the exact mean,
/// variance and third cumulant (the first Cornish–Fisher term); what is left out is of order 1/(mean) in the fourth
/// cumulant, and the discreteness of electrons, which read noise and digitisation hide.
#[inline]
pub(crate) fn counted(rng: &mut ChaCha8Rng, mean_e: f64, read_noise_e: f64) -> f64 {
    let z = normal(rng);
    if mean_e >= 30.0 {
        let sigma = (mean_e + read_noise_e * read_noise_e).sqrt();
        let skewness = mean_e / (sigma * sigma * sigma);
        return mean_e + sigma * (z + skewness * (z * z - 1.0) / 6.0);
    }
    let counts = match Poisson::new(mean_e) {
        Ok(law) if mean_e > 0.0 => law.sample(rng),
        _ => 0.0,
    };
    counts + read_noise_e * z
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean, variance and third central moment of draws, against those of Poisson + normal.
    fn check(mean_e: f64, read_noise_e: f64) {
        let n = 400_000;
        let mut rng = stream(7, Stream::Noise, 0);
        let draws: Vec<f64> = (0..n).map(|_| counted(&mut rng, mean_e, read_noise_e)).collect();
        let mean = draws.iter().sum::<f64>() / n as f64;
        let moment = |k: i32| draws.iter().map(|d| (d - mean).powi(k)).sum::<f64>() / n as f64;
        let variance = mean_e + read_noise_e * read_noise_e;
        // Five standard errors of each moment of a near-normal sample.
        let root_n = (n as f64).sqrt();
        assert!((mean - mean_e).abs() < 5.0 * variance.sqrt() / root_n, "mean {mean}");
        assert!((moment(2) - variance).abs() < 6.0 * variance * 2f64.sqrt() / root_n, "variance {}", moment(2));
        assert!((moment(3) - mean_e).abs() < 7.0 * 6f64.sqrt() * variance.powf(1.5) / root_n, "third {}", moment(3));
    }

    #[test]
    fn moments_are_those_of_poisson_plus_normal() {
        for (mean, noise) in [(0.4, 2.0), (12.0, 0.0), (31.0, 0.0), (31.0, 5.0), (400.0, 3.0), (40000.0, 3.0)] {
            check(mean, noise);
        }
    }

    #[test]
    fn nothing_counted_without_light_or_noise() {
        assert_eq!(counted(&mut stream(1, Stream::Noise, 0), 0.0, 0.0), 0.0);
    }

    #[test]
    fn streams_differ_by_purpose_and_index() {
        let first = |p, i| stream(3, p, i).random::<u64>();
        assert_ne!(first(Stream::Noise, 0), first(Stream::Noise, 1));
        assert_ne!(first(Stream::Noise, 0), first(Stream::Stars, 0));
        assert_eq!(first(Stream::Noise, 4), first(Stream::Noise, 4));
    }
}
