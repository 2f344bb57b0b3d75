//! How the coma falls outward: its slope by range of radius, how far that is from 1/ρ, and where it steepens.
//!
//! A dust coma in free outflow falls as 1/ρ; where radiation pressure has taken over it falls as ρ^−1.5 (Jewitt & Meech 1987,
//! ApJ 317, 992). Afρ is the same in every aperture only in the first case.

use fanlight_image::Measured;
use nalgebra::{DMatrix, DVector};

/// Mean brightness of a ring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RadialPoint {
    /// Radius of the ring, > 0; in any unit, in which all radii of the result are.
    pub rho: f64,
    /// Its sky-subtracted brightness.
    pub brightness: f64,
    /// The ring's own error, without that of the sky.
    pub sigma: f64,
    /// What the sky's error does to it: all rings are off together, in proportion to this.
    pub sky_sigma: f64,
}

/// A slope over a range of radius: brightness falls as ρ^−slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlopeFit {
    /// First radius used.
    pub inner: f64,
    /// Last radius used.
    pub outer: f64,
    /// The slope; its error holds the rings' noise or, where larger, their scatter about the line, and the sky's error.
    pub slope: Measured,
}

/// The radius at which the coma becomes steeper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steepening {
    /// The radius.
    pub rho: f64,
    /// Range in which it lies: from the ring before to the ring after those at which it fits as well within one error.
    pub rho_range: (f64, f64),
    /// Slope inside it.
    pub inner_slope: Measured,
    /// Slope outside it.
    pub outer_slope: Measured,
}

/// Fewest rings for a slope.
const FEWEST_RINGS: usize = 4;
/// Ratio of the radii at the ends of one range.
const RANGE: f64 = 2.0;
/// A ring takes part where its brightness is this many of its errors and of the sky's.
const LEAST_SIGMAS: f64 = 5.0;
/// By how much two slopes must lower the misfit of one, in units of the misfit per ring that they leave, to be called two: by
/// chance, two parameters more and some ten places to break do so in about 1 of 1000 cases (common practice for F tests).
const CLEARLY_BETTER: f64 = 18.0;
/// The change of slope must be this many of its errors.
const CHANGE_SIGMAS: f64 = 4.0;

/// The rings that tell a slope: bright enough over noise and sky.
pub fn telling(points: &[RadialPoint]) -> Vec<RadialPoint> {
    let tells = |p: &&RadialPoint| {
        p.rho > 0.0
            && p.sigma > 0.0
            && p.brightness > LEAST_SIGMAS * p.sigma.hypot(p.sky_sigma)
            && p.brightness.is_finite()
    };
    points.iter().filter(tells).copied().collect()
}

/// The slope over all of some rings; `None` with fewer than four.
///
/// # Accuracy
/// For a power law exact to rounding; its error is right (pulls of 1) for noise of the stated size, and a sky off by its error.
///
/// # Source
/// Weighted least squares in ln–ln; the sky's error is carried through.
pub fn slope(points: &[RadialPoint]) -> Option<SlopeFit> {
    let fit = Fit::of(points, None, false)?;
    Some(SlopeFit { inner: points.first()?.rho, outer: points.last()?.rho, slope: fit.minus(&[1]) })
}

/// Slopes over ranges a factor of two wide, from the outermost ring inward, innermost range first.
pub fn slopes_by_range(points: &[RadialPoint]) -> Vec<SlopeFit> {
    let mut ranges = Vec::new();
    let mut outer = points.last().map_or(0.0, |p| p.rho);
    while points.first().is_some_and(|p| p.rho * RANGE.sqrt() < outer) {
        let inside: Vec<RadialPoint> =
            points.iter().filter(|p| p.rho >= outer / RANGE && p.rho <= outer).copied().collect();
        ranges.extend(slope(&inside));
        outer /= RANGE;
    }
    ranges.reverse();
    ranges
}

/// Where the coma steepens, if two slopes fit clearly better than one and the outer one is the steeper; the break is sought
/// at every ring with four others on either side, the sky free within its error.
pub fn steepening(points: &[RadialPoint]) -> Option<Steepening> {
    let one = Fit::of(points, None, true)?;
    let places = FEWEST_RINGS..points.len().saturating_sub(FEWEST_RINGS);
    let fits: Vec<(f64, Fit)> =
        places.filter_map(|i| Some((points[i].rho, Fit::of(points, Some(points[i].rho), true)?))).collect();
    let (rho, best) = fits.iter().min_by(|a, b| a.1.misfit.total_cmp(&b.1.misfit))?;
    let per_ring = best.excess();
    let change = best.minus(&[2]);
    // that there is a break may not rest on the sky; what the slopes are must not mend it
    let held = Fit::of(points, Some(*rho), false)?;
    let (inner_slope, outer_slope) = (held.minus(&[1]), held.minus(&[1, 2]));
    let is_clear =
        (one.misfit - best.misfit) / per_ring > CLEARLY_BETTER && change.value > CHANGE_SIGMAS * change.sigma;
    // the break lies between the rings next to those at which it fits as well
    let as_good = || (0..fits.len()).filter(|i| fits[*i].1.misfit < best.misfit + per_ring);
    let (first, last) = (as_good().min()?, as_good().max()?);
    let range = (fits[first.saturating_sub(1)].0, fits[(last + 1).min(fits.len() - 1)].0);
    is_clear.then_some(Steepening { rho: *rho, rho_range: range, inner_slope, outer_slope })
}

/// A straight or once broken line in ln–ln.
struct Fit {
    /// ln brightness at the break or at the first ring, −slope, −change of slope if broken, then the sky over its error if free.
    parameters: DVector<f64>,
    covariance: DMatrix<f64>,
    /// What the sky's error does to the parameters where it is not free.
    by_sky: DVector<f64>,
    misfit: f64,
    free: f64,
}

impl Fit {
    /// With a free sky what bends the line at faint rings may be the sky's error: needed to tell a break. A slope is not to be
    /// mended by it, since a coma's own bends would then move the sky.
    fn of(points: &[RadialPoint], break_at: Option<f64>, free_sky: bool) -> Option<Self> {
        if points.len() < FEWEST_RINGS {
            return None;
        }
        let pivot = break_at.unwrap_or(points[0].rho);
        let shape_terms = if break_at.is_some() { 3 } else { 2 };
        let terms = shape_terms + usize::from(free_sky);
        let rows = points.len() + usize::from(free_sky);
        let mut design = DMatrix::zeros(rows, terms);
        let (mut target, mut sky) = (DVector::zeros(rows), DVector::zeros(rows));
        for (row, p) in points.iter().enumerate() {
            let weight = p.brightness / p.sigma;
            let x = (p.rho / pivot).ln();
            design[(row, 0)] = weight;
            design[(row, 1)] = weight * x;
            if break_at.is_some() {
                design[(row, 2)] = weight * x.max(0.0);
            }
            target[row] = weight * p.brightness.ln();
            sky[row] = weight * p.sky_sigma / p.brightness;
        }
        if free_sky {
            design.set_column(terms - 1, &sky);
            design[(points.len(), terms - 1)] = 1.0;
            sky.fill(0.0);
        }
        let normal = design.transpose() * &design;
        let covariance = normal.try_inverse()?;
        let parameters = &covariance * design.transpose() * &target;
        let by_sky = &covariance * design.transpose() * &sky;
        let misfit = (target - &design * &parameters).norm_squared();
        let free = (rows as f64 - terms as f64).max(1.0);
        let good = parameters.iter().all(|v| v.is_finite()) && misfit.is_finite();
        good.then_some(Self { parameters, covariance, by_sky, misfit, free })
    }

    /// Misfit per ring, not under that of the noise alone.
    fn excess(&self) -> f64 {
        (self.misfit / self.free).max(1.0)
    }

    /// Minus the sum of some parameters, with its error.
    fn minus(&self, which: &[usize]) -> Measured {
        let sum = |v: &DVector<f64>| which.iter().map(|i| v[*i]).sum::<f64>();
        let variance: f64 = which.iter().flat_map(|i| which.iter().map(|j| self.covariance[(*i, *j)])).sum();
        Measured::new(-sum(&self.parameters), (self.excess() * variance).sqrt().hypot(sum(&self.by_sky)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn profile(brightness: impl Fn(f64) -> f64, error: impl Fn(f64) -> f64, seed: Option<u64>) -> Vec<RadialPoint> {
        let mut random = seed.map(rand_chacha::ChaCha8Rng::seed_from_u64);
        let mut normal = || random.as_mut().map_or(0.0, |r| StandardNormal.sample(r));
        (0..30)
            .map(|i| {
                let rho = 4.0 * 1.12f64.powi(i);
                let sigma = error(rho);
                RadialPoint { rho, brightness: brightness(rho) + sigma * normal(), sigma, sky_sigma: 0.0 }
            })
            .collect()
    }

    fn broken(rho: f64) -> f64 {
        500.0 / rho * if rho > 25.0 { (rho / 25.0).powf(-0.5) } else { 1.0 }
    }

    #[test]
    fn power_laws_have_their_slope_in_every_range() {
        for true_slope in [0.7, 1.0, 1.5, 2.4] {
            let points = profile(|r| 1000.0 * r.powf(-true_slope), |r| 0.01 * r.powf(-true_slope), None);
            let whole = slope(&points).unwrap();
            assert!((whole.slope.value - true_slope).abs() < 1e-9 && (whole.inner - 4.0).abs() < 1e-12);
            let ranges = slopes_by_range(&points);
            assert_eq!(ranges.len(), 5);
            assert!(ranges.iter().all(|r| (r.slope.value - true_slope).abs() < 1e-8 && r.outer / r.inner < 2.0 + 1e-9));
            assert_eq!(steepening(&points), None);
        }
    }

    #[test]
    fn errors_of_slopes_are_right() {
        // noise of 2 % and a sky that is off by its error of 0.3 in the same direction in all rings
        let mut squares = 0.0;
        for seed in 0..300 {
            let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(1000 + seed);
            let off: f64 = StandardNormal.sample(&mut random);
            let points = profile(|r| 1000.0 / r + 0.3 * off, |r| 20.0 / r, Some(seed));
            let points: Vec<RadialPoint> = points.iter().map(|p| RadialPoint { sky_sigma: 0.3, ..*p }).collect();
            let fit = slope(&telling(&points)).unwrap().slope;
            squares += ((fit.value - 1.0) / fit.sigma).powi(2);
        }
        // 300 pulls: their mean square is 1 ± 0.08; misfits under 1 are not taken off, which makes it smaller
        let rms = (squares / 300.0).sqrt();
        assert!((0.8..1.12).contains(&rms), "{rms}");
    }

    #[test]
    fn a_steepening_is_found_where_it_is_and_not_where_there_is_none() {
        let found = steepening(&profile(broken, |r| 0.01 * broken(r), Some(4))).unwrap();
        assert!((found.rho / 25.0 - 1.0).abs() < 0.15, "{found:?}");
        assert!(found.rho_range.0 <= 25.0 * 1.12 && found.rho_range.1 >= 25.0 / 1.12, "{found:?}");
        assert!((found.inner_slope.value - 1.0).abs() < 4.0 * found.inner_slope.sigma, "{found:?}");
        assert!((found.outer_slope.value - 1.5).abs() < 4.0 * found.outer_slope.sigma, "{found:?}");
        let straight = |r: f64| 500.0 / r;
        let false_ones = (0..1000).filter(|s| steepening(&profile(straight, |r| 10.0 / r, Some(*s))).is_some()).count();
        assert!(false_ones <= 5, "{false_ones} of 1000");
        // a coma that flattens outward does not steepen
        let flatter = |r: f64| 500.0 / r * if r > 25.0 { (r / 25.0).powf(0.4) } else { 1.0 };
        assert_eq!(steepening(&profile(flatter, |r| 0.01 * flatter(r), Some(5))), None);
    }

    #[test]
    fn faint_and_few_rings_tell_nothing() {
        let points = profile(|r| 1000.0 / r, |r| 600.0 / r, Some(1));
        assert!(telling(&points).is_empty());
        let few = profile(|r| 1000.0 / r, |r| 1.0 / r, Some(1));
        assert_eq!(slope(&few[..3]), None);
        assert_eq!(steepening(&few[..8]), None);
        assert!(slopes_by_range(&[]).is_empty());
    }
}
