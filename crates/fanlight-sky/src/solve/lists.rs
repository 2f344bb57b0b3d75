//! The two lists as the search uses them: brightest first, without what is no star or cannot be in the frame.

use super::grid::Grid;
use super::{ImageStar, SkyStar, SolveConfig};
use crate::SkyPosition;
use crate::angle::{Vector, dot, scale, sum};

/// Stars of the frame, brightest first. Places are counted from the frame's middle.
pub(super) struct Found {
    /// Its place in the caller's list.
    pub index: Vec<usize>,
    /// Place, px.
    pub at: Vec<[f64; 2]>,
    /// Its error per axis, px.
    pub sigma_px: Vec<f64>,
    /// −2.5 log10 of the flux.
    pub magnitude: Vec<f64>,
}

/// A centroid claimed to be better than this does not know its own blends and the air's wander.
const BEST_CENTROID_PX: f64 = 0.01;

impl Found {
    /// The usable stars: finite, of positive flux and error, within the frame.
    pub fn new(stars: &[ImageStar], config: &SolveConfig) -> Self {
        let middle = config.middle();
        let mut kept: Vec<([f64; 2], f64, f64, usize)> = stars
            .iter()
            .enumerate()
            .filter(|(_, s)| s.flux > 0.0 && s.flux.is_finite() && s.sigma_px > 0.0 && s.sigma_px.is_finite())
            .map(|(i, s)| {
                let at = [s.x_px - middle.x_px, s.y_px - middle.y_px];
                (at, s.sigma_px.max(BEST_CENTROID_PX), -2.5 * s.flux.log10(), i)
            })
            .filter(|(at, ..)| at[0].abs() <= config.width as f64 / 2.0 && at[1].abs() <= config.height as f64 / 2.0)
            .collect();
        kept.sort_by(|a, b| a.2.total_cmp(&b.2).then(a.0[0].total_cmp(&b.0[0])).then(a.0[1].total_cmp(&b.0[1])));
        Self {
            index: kept.iter().map(|k| k.3).collect(),
            at: kept.iter().map(|k| k.0).collect(),
            sigma_px: kept.iter().map(|k| k.1).collect(),
            magnitude: kept.iter().map(|k| k.2).collect(),
        }
    }

    /// The brightest that do not crowd: the coma and its jets are found as many stars in one place.
    pub fn brightest(&self, n: usize, config: &SolveConfig) -> Self {
        let some = self.at.len().min(n + n / 2 + 40);
        let crowded = crowded(&self.at[..some], config);
        let chosen: Vec<usize> = (0..some).filter(|i| !crowded[*i]).take(n).collect();
        Self {
            index: chosen.iter().map(|i| self.index[*i]).collect(),
            at: chosen.iter().map(|i| self.at[*i]).collect(),
            sigma_px: chosen.iter().map(|i| self.sigma_px[*i]).collect(),
            magnitude: chosen.iter().map(|i| self.magnitude[*i]).collect(),
        }
    }
}

/// Which stars have far more neighbours than stars strewn at random would: five or more where one is expected, which
/// chance does to one star in 270.
fn crowded(at: &[[f64; 2]], config: &SolveConfig) -> Vec<bool> {
    const TOO_MANY: usize = 5;
    let mut crowded = vec![false; at.len()];
    // the expectation is that of the stars that are left, so that a clump does not hide in its own mean
    for _ in 0..3 {
        let left = crowded.iter().filter(|c| !**c).count().max(1);
        let area = config.width as f64 * config.height as f64;
        let radius = (area / (std::f64::consts::PI * left as f64)).sqrt().min(0.12 * area.sqrt());
        let grid = Grid::new(at.to_vec(), radius);
        let next: Vec<bool> = at
            .iter()
            .map(|p| {
                let mut neighbours = 0;
                grid.within(*p, radius, |_, _| neighbours += 1);
                neighbours > TOO_MANY
            })
            .collect();
        if next == crowded {
            break;
        }
        crowded = next;
    }
    crowded
}

/// Catalogue stars that can be in the frame, brightest first.
pub(super) struct Listed {
    /// Its place in the caller's list.
    pub index: Vec<usize>,
    /// Direction.
    pub direction: Vec<Vector>,
    /// Magnitude.
    pub magnitude: Vec<f64>,
    /// Error of the place per axis, arcsec.
    pub sigma_arcsec: Vec<f64>,
}

impl Listed {
    /// The stars with finite numbers within a radius of a place; those that state no error have `sigma_arcsec`.
    pub fn new(catalogue: &[SkyStar], about: SkyPosition, radius_rad: f64, sigma_arcsec: f64) -> Self {
        let (centre, least) = (about.unit_vector(), radius_rad.min(3.0).cos());
        let mut kept: Vec<(f64, Vector, usize)> = catalogue
            .iter()
            .enumerate()
            .filter(|(_, s)| s.magnitude.is_finite())
            .map(|(i, s)| (s.magnitude, s.place.unit_vector(), i))
            // a direction that is not a number fails the comparison
            .filter(|(_, d, _)| dot(*d, centre) >= least)
            .collect();
        kept.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1[0].total_cmp(&b.1[0])).then(a.1[1].total_cmp(&b.1[1])));
        let sigma = |k: &(f64, Vector, usize)| catalogue[k.2].sigma_arcsec.filter(|s| s.is_finite() && *s >= 0.0);
        Self {
            index: kept.iter().map(|k| k.2).collect(),
            direction: kept.iter().map(|k| k.1).collect(),
            magnitude: kept.iter().map(|k| k.0).collect(),
            sigma_arcsec: kept.iter().map(|k| sigma(k).unwrap_or(sigma_arcsec)).collect(),
        }
    }
}

/// A plane about a place, (east, north) in nominal pixels.
pub(super) struct Plane {
    centre: Vector,
    east: Vector,
    north: Vector,
    px_per_rad: f64,
}

impl Plane {
    pub fn new(about: SkyPosition, pixel_scale_arcsec: f64) -> Self {
        let (east, north) = about.east_north();
        let px_per_rad = crate::ARCSEC_PER_RAD / pixel_scale_arcsec;
        Self { centre: about.unit_vector(), east, north, px_per_rad }
    }

    /// Stereographic: shapes of small figures are the same all over the patch.
    pub fn stereographic(&self, d: Vector) -> [f64; 2] {
        let f = 2.0 * self.px_per_rad / (1.0 + dot(self.centre, d));
        [dot(self.east, d) * f, dot(self.north, d) * f]
    }

    /// The direction at a stereographic place.
    pub fn direction(&self, at: [f64; 2]) -> Vector {
        let (x, y) = (at[0] / self.px_per_rad / 2.0, at[1] / self.px_per_rad / 2.0);
        let r2 = x * x + y * y;
        let across = sum(scale(self.east, 2.0 * x), scale(self.north, 2.0 * y));
        scale(sum(scale(self.centre, 1.0 - r2), across), 1.0 / (1.0 + r2))
    }

    /// Gnomonic, as a camera sees it; for directions within 90°.
    pub fn gnomonic(&self, d: Vector) -> [f64; 2] {
        let f = self.px_per_rad / dot(self.centre, d);
        [dot(self.east, d) * f, dot(self.north, d) * f]
    }

    /// A gnomonic place as a stereographic one about the same point.
    pub fn gnomonic_to_stereographic(&self, at: [f64; 2]) -> [f64; 2] {
        let r = at[0].hypot(at[1]) / self.px_per_rad;
        let f = 2.0 / (1.0 + (1.0 + r * r).sqrt());
        [at[0] * f, at[1] * f]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn planes_there_and_back() {
        let plane = Plane::new(SkyPosition::new(359.0, 88.5), 1.7);
        for at in [[0.0, 0.0], [3000.0, -4200.0], [-7.5, 9000.0]] {
            let back = plane.stereographic(plane.direction(at));
            assert!((back[0] - at[0]).abs() < 1e-6 && (back[1] - at[1]).abs() < 1e-6, "{back:?}");
            let other = plane.gnomonic_to_stereographic(plane.gnomonic(plane.direction(at)));
            assert!((other[0] - at[0]).abs() < 1e-6 && (other[1] - at[1]).abs() < 1e-6, "{other:?}");
        }
    }

    #[test]
    fn a_clump_does_not_crowd_out_the_stars() {
        let config = SolveConfig::new(1000, 1000, SkyPosition::new(10.0, 20.0), 1.0);
        let star = |x_px: f64, y_px: f64, flux: f64| ImageStar { x_px, y_px, flux, sigma_px: 0.1 };
        let mut stars: Vec<ImageStar> = (0..30).map(|i| star(480.0 + f64::from(i), 470.0, 1e5)).collect();
        stars.extend((0..20).map(|i| star(50.0 * f64::from(i) + 20.0, 900.0 - 40.0 * f64::from(i), 100.0)));
        stars.push(star(f64::NAN, 3.0, 5.0));
        stars.push(star(3.0, 3.0, -5.0));
        stars.push(star(-30.0, 3.0, 5.0));
        let found = Found::new(&stars, &config);
        assert_eq!(found.at.len(), 50);
        let chosen = found.brightest(20, &config);
        let of_the_clump = chosen.magnitude.iter().filter(|m| **m < -10.0).count();
        assert!(chosen.at.len() >= 14 && of_the_clump == 0, "{} {of_the_clump}", chosen.at.len());
    }
}
