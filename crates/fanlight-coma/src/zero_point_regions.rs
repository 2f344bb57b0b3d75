//! How far a zero point's stars agree from one part of the field to another.

/// A standard's mean residual over the night and where it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacedResidual {
    /// Place along one axis, in any unit.
    pub x: f64,
    /// Place along the other.
    pub y: f64,
    /// Measured minus catalogue magnitude.
    pub residual_mag: f64,
    /// Error of that.
    pub sigma_mag: f64,
}

/// Regions along either axis.
const SIDE: usize = 3;
/// Fewest stars of a region.
const MIN_STARS: usize = 4;

/// Error of the mean of all residuals, from the means of nine regions of as many stars each; `None` with fewer than 36.
///
/// Stars next to each other are off together: by the star image, the flat field and the light of clumps of faint stars that
/// differ from place to place. The scatter of single stars does not show that, the scatter of regions does.
///
/// # Accuracy
/// Of nine regions a scatter is known to a quarter; the error is widened by that, so that deviations over it have a root mean
/// square of 1.
pub fn regional_sigma_mag(stars: &[PlacedResidual]) -> Option<f64> {
    if stars.len() < SIDE * SIDE * MIN_STARS {
        return None;
    }
    let mut columns = stars.to_vec();
    columns.sort_by(|a, b| a.x.total_cmp(&b.x));
    let mut regions: Vec<(f64, f64)> = Vec::with_capacity(SIDE * SIDE);
    for i in 0..SIDE {
        let part = |k: usize, n: usize| k * n / SIDE;
        let column = &mut columns[part(i, stars.len())..part(i + 1, stars.len())];
        column.sort_by(|a, b| a.y.total_cmp(&b.y));
        for j in 0..SIDE {
            let region = &column[part(j, column.len())..part(j + 1, column.len())];
            let weight: f64 = region.iter().map(|s| s.sigma_mag.powi(-2)).sum();
            let sum: f64 = region.iter().map(|s| s.residual_mag * s.sigma_mag.powi(-2)).sum();
            regions.push((weight, sum / weight));
        }
    }
    let total: f64 = regions.iter().map(|r| r.0).sum();
    let mean = regions.iter().map(|(weight, mean)| weight * mean).sum::<f64>() / total;
    let squares: f64 = regions.iter().map(|(weight, of)| (weight * (of - mean)).powi(2)).sum();
    let n = regions.len() as f64;
    // a scatter of nine is itself uncertain: deviations over it follow Student's t, whose variance is (n − 1)/(n − 3)
    let student = (n - 1.0) / (n - 3.0);
    Some((student * squares * n / (n - 1.0)).sqrt() / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A grid of stars with residuals by their place and their number.
    fn stars(residual: impl Fn(f64, f64, usize) -> f64) -> Vec<PlacedResidual> {
        let place = |i: usize| ((i % 12) as f64, (i / 12) as f64);
        let star = |i: usize| {
            let (x, y) = place(i);
            PlacedResidual { x, y, residual_mag: residual(x, y, i), sigma_mag: 0.01 }
        };
        (0..144).map(star).collect()
    }

    #[test]
    fn stars_that_are_off_together_count_as_one() {
        // ± 0.02 in turn: regions of 16 agree to nothing
        let alone = regional_sigma_mag(&stars(|_, _, i| if i % 2 == 0 { 0.02 } else { -0.02 })).unwrap();
        assert!(alone < 1e-3, "{alone}");
        // the same ± 0.02 by halves of the field: nine regions, not 144 stars, average it
        let together = regional_sigma_mag(&stars(|x, _, _| if x < 6.0 { 0.02 } else { -0.02 })).unwrap();
        assert!((together - 0.02 * (8.0f64 / 9.0).sqrt() / 8f64.sqrt()).abs() < 5e-4, "{together}");
        assert_eq!(regional_sigma_mag(&stars(|_, _, _| 0.0)[..35]), None);
    }
}
