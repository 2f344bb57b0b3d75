//! Extinction: how the frames' zero points fall with the airmass, and whether the sky was clear.

use fanlight_image::Measured;
use fanlight_image::robust;

/// One frame's zero point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ZeroPointAt {
    /// Airmass, 1 and up.
    pub airmass: f64,
    /// Zero point with its own error.
    pub zero_point_mag: Measured,
}

/// The line through a night's zero points: z = z0 − k X.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExtinctionFit {
    /// Least and greatest airmass.
    pub airmass: (f64, f64),
    /// k, mag per airmass, and z0; `None` where the airmass spans too little: then the scatter is about the mean.
    pub line: Option<(Measured, Measured)>,
    /// Root mean square about the line.
    pub scatter_mag: f64,
    /// Whether that is no more than the errors and [`CLEAR_MAG`] allow.
    pub is_photometric: bool,
}

/// Fewest frames.
const FEWEST: usize = 5;
/// The airmass must span this much for a coefficient (common practice).
const LEAST_SPAN: f64 = 0.3;
/// Frames of a clear night scatter by no more than this (common practice: 1 to 2 %).
pub const CLEAR_MAG: f64 = 0.02;
/// Frames this many errors off the line count less (Huber 1964, Ann. Math. Stat. 35, 73).
const HUBER: f64 = 1.5;

/// Fits extinction to zero points; `None` with fewer than five.
///
/// # Accuracy
/// Without outliers the weighted least-squares line to rounding (numpy's `polyfit`).
pub fn fit(frames: &[ZeroPointAt]) -> Option<ExtinctionFit> {
    let good: Vec<&ZeroPointAt> =
        frames.iter().filter(|f| f.airmass.is_finite() && f.zero_point_mag.value.is_finite()).collect();
    if good.len() < FEWEST {
        return None;
    }
    let range = good.iter().fold((f64::INFINITY, 0f64), |(l, h), f| (l.min(f.airmass), h.max(f.airmass)));
    let slope_free = range.1 - range.0 >= LEAST_SPAN;
    let mut weights: Vec<f64> = good.iter().map(|f| base_weight(f)).collect();
    let mut fitted = line(&good, &weights, slope_free)?;
    for _ in 0..20 {
        let mut off: Vec<f64> = good.iter().map(|f| fitted.residual(f)).collect();
        let size = robust::mad_sigma_f64(&mut off.clone())?.max(1e-4);
        off.iter_mut().for_each(|o| *o = o.abs() / size);
        weights = good.iter().zip(&off).map(|(f, o)| base_weight(f) * (HUBER / o.max(HUBER))).collect();
        fitted = line(&good, &weights, slope_free)?;
    }
    let free = good.len() as f64 - if slope_free { 2.0 } else { 1.0 };
    let squares: f64 = good.iter().map(|f| fitted.residual(f).powi(2)).sum();
    let scatter_mag = (squares / free).sqrt();
    let mut errors: Vec<f64> = good.iter().map(|f| f.zero_point_mag.sigma).collect();
    let typical_error = robust::median_f64(&mut errors).unwrap_or(0.0);
    // errors of the line by what the frames do, not by what they say
    let excess = scatter_mag / typical_error.hypot(FLOOR_MAG).max(1e-9);
    let scale = excess.max(1.0);
    Some(ExtinctionFit {
        airmass: range,
        line: slope_free.then(|| {
            (
                Measured::new(-fitted.slope, fitted.slope_sigma * scale),
                Measured::new(fitted.level, fitted.level_sigma * scale),
            )
        }),
        scatter_mag,
        is_photometric: scatter_mag <= CLEAR_MAG.hypot(typical_error),
    })
}

/// Error of a frame's zero point beside its own, so that none with a tiny one decides alone.
const FLOOR_MAG: f64 = 0.003;

fn base_weight(frame: &ZeroPointAt) -> f64 {
    1.0 / (frame.zero_point_mag.sigma.powi(2) + FLOOR_MAG.powi(2))
}

struct Line {
    level: f64,
    level_sigma: f64,
    slope: f64,
    slope_sigma: f64,
}

impl Line {
    fn residual(&self, frame: &ZeroPointAt) -> f64 {
        frame.zero_point_mag.value - self.level - self.slope * frame.airmass
    }
}

fn line(frames: &[&ZeroPointAt], weights: &[f64], slope_free: bool) -> Option<Line> {
    let sum = |of: &dyn Fn(&ZeroPointAt) -> f64| frames.iter().zip(weights).map(|(f, w)| w * of(f)).sum::<f64>();
    let (w, wx, wy) = (sum(&|_| 1.0), sum(&|f| f.airmass), sum(&|f| f.zero_point_mag.value));
    if !slope_free {
        return (w > 0.0).then(|| Line { level: wy / w, level_sigma: w.sqrt().recip(), slope: 0.0, slope_sigma: 0.0 });
    }
    let (wxx, wxy) = (sum(&|f| f.airmass.powi(2)), sum(&|f| f.airmass * f.zero_point_mag.value));
    let determinant = w * wxx - wx * wx;
    (determinant > 0.0).then(|| Line {
        level: (wxx * wy - wx * wxy) / determinant,
        level_sigma: (wxx / determinant).sqrt(),
        slope: (w * wxy - wx * wy) / determinant,
        slope_sigma: (w / determinant).sqrt(),
    })
}

/// Extinction at dark sites in a band, from the least to the greatest of the sources, mag per airmass; `None` of a band that they
/// do not give.
///
/// # Source
/// La Silla (ESO Users Manual 1993), Paranal (Patat 2003, A&A 400, 1183), Palomar (J. Gunn 1998) and Palomar's scaled to sea level by
/// exp(1700 m / 7000 m); bands of like wavelength share a row.
pub fn at_dark_sites(band: &str) -> Option<(f64, f64)> {
    Some(match band {
        "U" | "u" => (0.41, 0.75),
        "B" => (0.20, 0.34),
        "V" | "g" | "gp1" => (0.09, 0.20),
        "R" | "Rc" | "r" | "rp1" => (0.06, 0.11),
        "I" | "Ic" | "i" | "ip1" => (0.02, 0.07),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn frames(n: usize, span: f64, scatter: f64, seed: u64) -> Vec<ZeroPointAt> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n)
            .map(|i| {
                let airmass = 1.1 + span * i as f64 / (n - 1) as f64;
                let noise: f64 = StandardNormal.sample(&mut random);
                ZeroPointAt { airmass, zero_point_mag: Measured::new(22.5 - 0.15 * airmass + scatter * noise, 0.004) }
            })
            .collect()
    }

    /// numpy 2.4 `polyfit(x, y, 1, w=1/σ)` on five points of equal error: slope −0.14, level 22.492.
    #[test]
    fn five_points_have_the_least_squares_line() {
        let points = [(1.0, 22.35), (1.2, 22.33), (1.4, 22.29), (1.6, 22.27), (1.8, 22.24)];
        let frames = points.map(|(airmass, z)| ZeroPointAt { airmass, zero_point_mag: Measured::new(z, 0.05) });
        let (k, z0) = fit(&frames).unwrap().line.unwrap();
        assert!((k.value - 0.14).abs() < 2e-3 && (z0.value - 22.492).abs() < 3e-3, "{k:?} {z0:?}");
    }

    #[test]
    fn extinction_and_its_error_are_right() {
        let mut squares = 0.0;
        for seed in 0..200 {
            let found = fit(&frames(40, 1.0, 0.006, seed)).unwrap();
            let (k, _) = found.line.unwrap();
            assert!(found.is_photometric && (found.scatter_mag / 0.006 - 1.0).abs() < 0.5);
            squares += ((k.value - 0.15) / k.sigma).powi(2);
        }
        // 200 pulls, robust weights and floors: 1 within a quarter
        assert!((0.8..1.25).contains(&(squares / 200.0f64).sqrt()), "{}", (squares / 200.0f64).sqrt());
    }

    #[test]
    fn a_cloud_moves_the_line_little_and_many_make_it_not_photometric() {
        let mut one = frames(40, 1.0, 0.005, 3);
        one[30].zero_point_mag.value -= 0.5;
        let (k, _) = fit(&one).unwrap().line.unwrap();
        assert!((k.value - 0.15).abs() < 0.01, "{k:?}");
        assert!(!fit(&one).unwrap().is_photometric);
        assert!(!fit(&frames(40, 1.0, 0.1, 4)).unwrap().is_photometric);
    }

    #[test]
    fn little_airmass_and_few_frames_give_none() {
        assert!(fit(&frames(40, 0.2, 0.005, 3)).unwrap().line.is_none());
        assert_eq!(fit(&frames(4, 1.0, 0.005, 3)), None);
    }
}
