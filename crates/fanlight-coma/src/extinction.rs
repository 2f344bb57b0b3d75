//! Extinction of a night: zero points of frames against airmass.

use crate::{ComaError, bands};
use fanlight_image::{Measured, robust};

/// A frame's zero point at its airmass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ZeroPointAt {
    /// Airmass of the frame, 1 or more.
    pub airmass: f64,
    /// Magnitude of 1 e⁻/s; its error is what scatters from frame to frame, without what all frames share.
    pub zero_point_mag: Measured,
}

/// A night's extinction: `zero point = at_zero_mag − coefficient · X`.
#[derive(Debug, Clone, PartialEq)]
pub struct Extinction {
    /// Extinction coefficient, mag per airmass.
    pub coefficient_mag: Measured,
    /// Zero point above the atmosphere.
    pub at_zero_mag: Measured,
    /// Robust scatter of all frames about the line, the ones left out included.
    pub scatter_mag: f64,
    /// Whether that scatter is at most [`PHOTOMETRIC_SCATTER_MAG`] and at most a quarter of the frames are off the line.
    pub photometric: bool,
    /// Smallest and largest airmass.
    pub airmass_range: (f64, f64),
    /// Frames given.
    pub n_frames: usize,
    /// Frames that the line leaves out, in the order given: more than [`KAPPA`] scatters from it.
    pub left_out: Vec<usize>,
}

/// Fewest frames for a line with a scatter about it.
pub const MIN_FRAMES: usize = 5;
/// Smallest difference between airmasses. Zero points good to 0.01 mag at its ends give the coefficient to 0.05, as much as it
/// differs from site to site.
pub const MIN_AIRMASS_SPAN: f64 = 0.3;
/// Scatter up to which a night is called photometric: what frames' zero points of ten or more stars reach in a clear sky.
pub const PHOTOMETRIC_SCATTER_MAG: f64 = 0.03;
/// Frames further than this many scatters from the line, cloud as a rule, do not take part.
pub const KAPPA: f64 = 3.0;
/// Share of frames off the line from which a night is not photometric whatever the rest.
const MOST_LEFT_OUT: f64 = 0.25;
/// Errors below this, and scatters, are not believed: flat fields and star images make as much.
const FLOOR_MAG: f64 = 0.003;

/// Fits a line to zero points against airmass.
///
/// It begins with the median of the slopes between frames (Theil–Sen), leaves out what is more than [`KAPPA`] scatters from
/// the line, and weights the rest by their errors; the errors of the line hold the scatter about it where that is larger.
///
/// # Errors
/// With fewer than [`MIN_FRAMES`] frames, airmasses that span less than [`MIN_AIRMASS_SPAN`], or values that are no numbers.
///
/// # Source
/// Weighted straight-line fit: Bevington & Robinson, Data Reduction and Error Analysis, chapter 6. First line: Sen 1968, JASA
/// 63, 1379.
///
/// # Accuracy
/// A transparency that changes evenly while the comet sinks looks like extinction and is in the coefficient.
pub fn fit_extinction(frames: &[ZeroPointAt]) -> Result<Extinction, ComaError> {
    if frames.len() < MIN_FRAMES {
        return Err(ComaError::TooFew { what: "frames with a zero point", found: frames.len(), needed: MIN_FRAMES });
    }
    for f in frames {
        let sigma = f.zero_point_mag.sigma;
        for (name, value) in [("airmass", f.airmass), ("zero point", f.zero_point_mag.value), ("its error", sigma)] {
            if !(value.is_finite() && (name != "its error" || value >= 0.0)) {
                return Err(ComaError::OutOfRange { name, value, range: "the finite numbers, errors 0 or more" });
            }
        }
    }
    let low = frames.iter().map(|f| f.airmass).fold(f64::INFINITY, f64::min);
    let high = frames.iter().map(|f| f.airmass).fold(f64::NEG_INFINITY, f64::max);
    if high - low < MIN_AIRMASS_SPAN {
        let range = "0.3 or more, which an extinction coefficient takes";
        return Err(ComaError::OutOfRange { name: "span of airmass", value: high - low, range });
    }
    let mut line = first_line(frames).ok_or(ComaError::NoConvergence { what: "zero points against airmass" })?;
    let mut left_out: Vec<usize> = Vec::new();
    let mut scatter_mag = 0.0;
    let mut errors = (0.0, 0.0);
    for _ in 0..ROUNDS {
        let residual = |f: &ZeroPointAt| f.zero_point_mag.value - (line.0 - line.1 * f.airmass);
        let mut sizes: Vec<f64> = frames.iter().map(|f| residual(f).abs()).collect();
        scatter_mag = robust::median_f64(&mut sizes).unwrap_or(0.0) / 0.6745;
        let limit = |f: &ZeroPointAt| KAPPA * scatter_mag.max(f.zero_point_mag.sigma).max(FLOOR_MAG);
        left_out = (0..frames.len()).filter(|i| residual(&frames[*i]).abs() > limit(&frames[*i])).collect();
        let kept: Vec<&ZeroPointAt> =
            frames.iter().enumerate().filter(|(i, _)| !left_out.contains(i)).map(|(_, f)| f).collect();
        let Some((next, sigmas)) = weighted_line(&kept) else { break };
        (line, errors) = (next, sigmas);
    }
    let photometric =
        scatter_mag <= PHOTOMETRIC_SCATTER_MAG && left_out.len() as f64 <= MOST_LEFT_OUT * frames.len() as f64;
    Ok(Extinction {
        coefficient_mag: Measured::new(line.1, errors.1),
        at_zero_mag: Measured::new(line.0, errors.0),
        scatter_mag,
        photometric,
        airmass_range: (low, high),
        n_frames: frames.len(),
        left_out,
    })
}

/// Frames come and go near the limit; more rounds change nothing.
const ROUNDS: usize = 6;

/// Intercept and coefficient by the median of the slopes.
fn first_line(frames: &[ZeroPointAt]) -> Option<(f64, f64)> {
    let mut slopes: Vec<f64> = Vec::new();
    for (i, a) in frames.iter().enumerate() {
        let others = frames[i + 1..].iter().filter(|b| (b.airmass - a.airmass).abs() > 0.1 * MIN_AIRMASS_SPAN);
        slopes.extend(others.map(|b| (b.zero_point_mag.value - a.zero_point_mag.value) / (b.airmass - a.airmass)));
    }
    let slope = robust::median_f64(&mut slopes)?;
    let mut at_zero: Vec<f64> = frames.iter().map(|f| f.zero_point_mag.value - slope * f.airmass).collect();
    Some((robust::median_f64(&mut at_zero)?, -slope))
}

/// Intercept and coefficient with their errors; `None` where the frames kept do not span a line.
fn weighted_line(frames: &[&ZeroPointAt]) -> Option<((f64, f64), (f64, f64))> {
    let weight = |f: &ZeroPointAt| f.zero_point_mag.sigma.max(FLOOR_MAG).powi(-2);
    let total: f64 = frames.iter().map(|f| weight(f)).sum();
    let mean = |of: &dyn Fn(&ZeroPointAt) -> f64| frames.iter().map(|f| weight(f) * of(f)).sum::<f64>() / total;
    let (x, y) = (mean(&|f| f.airmass), mean(&|f| f.zero_point_mag.value));
    let spread = mean(&|f| (f.airmass - x).powi(2));
    if frames.len() < 3 || !(spread > 0.0) {
        return None;
    }
    let slope = mean(&|f| (f.airmass - x) * (f.zero_point_mag.value - y)) / spread;
    let chi2 = total * mean(&|f| (f.zero_point_mag.value - y - slope * (f.airmass - x)).powi(2));
    let excess = (chi2 / (frames.len() as f64 - 2.0)).max(1.0).sqrt();
    let slope_sigma = excess / (total * spread).sqrt();
    let at_zero_sigma = excess * ((1.0 + x * x / spread) / total).sqrt();
    Some(((y - slope * x, -slope), (at_zero_sigma, slope_sigma)))
}

/// Extinction coefficients that are usual in a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TypicalExtinction {
    /// At a high, clear observatory, mag per airmass.
    pub high_site_mag: f64,
    /// Near sea level.
    pub sea_level_mag: f64,
    /// Where it is from.
    pub source: &'static str,
}

impl TypicalExtinction {
    /// Whether a coefficient is between half that of a high site and that of sea level with 0.15 mag of haze, within three of
    /// its errors.
    pub fn is_usual(&self, coefficient_mag: Measured) -> bool {
        let slack = 3.0 * coefficient_mag.sigma;
        (0.5 * self.high_site_mag - slack..=self.sea_level_mag + HAZE_MAG + slack).contains(&coefficient_mag.value)
    }
}

/// Haze adds a tenth of a magnitude and more.
const HAZE_MAG: f64 = 0.15;
const EXTINCTION_SOURCE: &str = "La Silla, ESO Users Manual 1993, and Palomar (J. Gunn 1998) brought to sea level";

/// Coefficients that are usual; `None` for a band without any. Bands between those of the table take their nearest
/// neighbour's or the mean of two.
///
/// # Source
/// High site: La Silla (2400 m), ESO Users Manual 1993. Sea level: Palomar (1700 m; table after J. Gunn 1998) times
/// exp(1700/7000) = 1.275, and 0.08 in I from memory.
pub fn typical_extinction(band: &str) -> Option<TypicalExtinction> {
    let (high_site_mag, sea_level_mag) = match bands::canonical(band)? {
        "U" | "u" => (0.46, 0.75),
        "B" | "BT" => (0.20, 0.34),
        "g" | "gp1" | "BP" => (0.16, 0.27),
        "V" | "VT" => (0.11, 0.20),
        "G" | "r" | "rp1" | "R" => (0.06, 0.13),
        "i" | "ip1" | "I" | "RP" | "z" | "zp1" => (0.02, 0.08),
        _ => return None,
    };
    Some(TypicalExtinction { high_site_mag, sea_level_mag, source: EXTINCTION_SOURCE })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;

    fn frames(values: &[(f64, f64, f64)]) -> Vec<ZeroPointAt> {
        values
            .iter()
            .map(|(airmass, mag, sigma)| ZeroPointAt { airmass: *airmass, zero_point_mag: Measured::new(*mag, *sigma) })
            .collect()
    }

    /// Ten frames and what numpy 2.4.6 makes of them: polyfit(X, m, 1, w=1/sigma, cov="unscaled"), the chi-square being
    /// below the degrees of freedom; `reference/extinction_numpy.py`.
    #[test]
    fn agrees_with_numpy_polyfit() {
        let text = include_str!("../tests/data/extinction_numpy.csv");
        let rows: Vec<Vec<f64>> = text
            .lines()
            .filter(|l| !l.starts_with('#'))
            .map(|l| l.split(',').map(|c| c.parse().unwrap()).collect())
            .collect();
        let (expected, data) = rows.split_last().unwrap();
        let data: Vec<(f64, f64, f64)> = data.iter().map(|r| (r[0], r[1], r[2])).collect();
        let fit = fit_extinction(&frames(&data)).unwrap();
        let got = [fit.coefficient_mag.value, fit.coefficient_mag.sigma, fit.at_zero_mag.value, fit.at_zero_mag.sigma];
        for (got, expected) in got.iter().zip(expected) {
            assert!((got - expected).abs() < 1e-6, "{got} against {expected}");
        }
        assert!(fit.photometric && fit.left_out.is_empty() && fit.n_frames == 10);
    }

    /// A night of 40 frames from airmass 1.1 to 2.1, 0.18 mag per airmass, errors of 0.01.
    fn night(seed: u64, cloud_mag: impl Fn(usize) -> f64) -> Vec<ZeroPointAt> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || -> f64 { rng.sample(StandardNormal) };
        let frame = |i: usize| {
            let airmass = 1.1 + i as f64 / 39.0;
            (airmass, 22.5 - 0.18 * airmass + 0.01 * normal() - cloud_mag(i), 0.01)
        };
        frames(&(0..40).map(frame).collect::<Vec<_>>())
    }

    #[test]
    fn finds_the_truth_with_its_error_and_leaves_cloud_out() {
        let (mut square, n) = (0.0, 200);
        for seed in 0..n {
            // five frames of cloud at the end would turn the line by a tenth of a magnitude per airmass
            let fit = fit_extinction(&night(seed, |i| if i >= 35 { 0.3 } else { 0.0 })).unwrap();
            square += ((fit.coefficient_mag.value - 0.18) / fit.coefficient_mag.sigma).powi(2) / n as f64;
            assert!((35..40).all(|i| fit.left_out.contains(&i)) && fit.photometric, "{fit:?}");
            assert!((fit.at_zero_mag.value - 22.5).abs() < 6.0 * fit.at_zero_mag.sigma);
        }
        // root mean square pull of 200 nights: 1 ± 0.05, and clipping narrows the errors a little
        assert!((0.85..1.25).contains(&square.sqrt()), "{}", square.sqrt());
    }

    #[test]
    fn says_when_a_night_is_not_photometric() {
        assert!(fit_extinction(&night(1, |_| 0.0)).unwrap().photometric);
        // cloud that comes and goes over 0.25 mag in every frame
        let fit = fit_extinction(&night(1, |i| 0.05 * ((i * 7) % 6) as f64)).unwrap();
        assert!(!fit.photometric && fit.scatter_mag > PHOTOMETRIC_SCATTER_MAG, "{fit:?}");
        // three frames in ten under cloud, the rest clear
        let fit = fit_extinction(&night(1, |i| if i % 10 < 3 { 0.4 } else { 0.0 })).unwrap();
        assert!(!fit.photometric && fit.left_out.len() == 12, "{fit:?}");
    }

    #[test]
    fn refuses_what_does_not_make_a_line() {
        let line = |n: usize, span: f64| {
            let values: Vec<_> = (0..n).map(|i| (1.2 + span * i as f64 / (n - 1) as f64, 22.0, 0.01)).collect();
            fit_extinction(&frames(&values))
        };
        assert!(matches!(line(4, 1.0), Err(ComaError::TooFew { found: 4, needed: 5, .. })));
        assert!(matches!(line(10, 0.25), Err(ComaError::OutOfRange { name: "span of airmass", .. })));
        // a night of one zero point: no scatter, no extinction
        let flat = line(10, 1.0).unwrap();
        assert!(flat.coefficient_mag.value.abs() < 1e-9 && flat.scatter_mag < 1e-9 && flat.photometric);
        for bad in [(f64::NAN, 22.0, 0.01), (1.0, f64::NAN, 0.01), (1.0, 22.0, -0.01)] {
            let values = [bad, (1.2, 22.0, 0.01), (1.5, 22.0, 0.01), (1.8, 22.0, 0.01), (2.0, 22.0, 0.01)];
            assert!(fit_extinction(&frames(&values)).is_err(), "{bad:?}");
        }
    }

    /// Published: La Silla B 0.20, V 0.11; Palomar V 0.153 (0.195 brought to sea level); Paranal V 0.09 to 0.11, R 0.07 (Patat
    /// 2003, A&A 400, 1183) is usual.
    #[test]
    fn knows_what_is_usual() {
        let v = typical_extinction("V").unwrap();
        assert_eq!(v.high_site_mag, 0.11);
        assert!((v.sea_level_mag - 0.153 * (1700f64 / 7000.0).exp()).abs() < 0.01);
        for (band, value, usual) in [
            ("V", 0.10, true),
            ("R", 0.07, true),
            ("V", 0.25, true),
            ("V", 0.6, false),
            ("V", -0.1, false),
            ("B", 0.24, true),
        ] {
            assert_eq!(typical_extinction(band).unwrap().is_usual(Measured::new(value, 0.01)), usual, "{band} {value}");
        }
        assert_eq!(typical_extinction("L"), None);
    }
}
