//! What moves a comet, and the integration of it.

use crate::angle::{Vector, cross, dot, minus, norm, scale, sum};
use crate::earth::LIGHT_AU_D;
use crate::orbit::{GAUSS_K, OrbitElements, OrbitState};
use crate::planets::{Planet, PlanetTable};
use crate::{SkyError, TdbInstant};
use nalgebra::SVector;
use ode_solvers::dop_shared::OutputType;
use ode_solvers::dop853::Dop853;

/// GM of the Sun, au³/day².
const SUN_GM: f64 = GAUSS_K * GAUSS_K;

/// Everything that pulls and pushes, heliocentric, ICRS axes.
pub(crate) struct Forces {
    /// Where time is counted from.
    epoch_jd_tdb: f64,
    /// A1, A2, A3.
    push_au_d2: Option<Vector>,
    /// GM and path of each planet that pulls.
    planets: Vec<(f64, PlanetTable)>,
    /// Whether the Sun's pull has its first term after Newton.
    is_relativistic: bool,
}

impl Forces {
    /// The Sun, and A1–A3.
    pub fn of_sun(elements: &OrbitElements) -> Self {
        let push = [elements.a1_au_d2, elements.a2_au_d2, elements.a3_au_d2];
        Self {
            epoch_jd_tdb: elements.epoch_jd_tdb,
            push_au_d2: elements.has_non_gravitational().then_some(push),
            planets: Vec::new(),
            is_relativistic: false,
        }
    }

    /// The Sun with its first term after Newton, eight planets, the Moon, and A1–A3.
    ///
    /// # Errors
    /// Where the interval leaves the years 1900 to 2100.
    pub fn of_all(elements: &OrbitElements, from: TdbInstant, to: TdbInstant) -> Result<Self, SkyError> {
        let pull = |planet: Planet| {
            let table = PlanetTable::new(planet, from.jd(), to.jd())?;
            Ok((SUN_GM / planet.sun_mass_ratio(), table))
        };
        let planets = Planet::ALL.into_iter().map(pull).collect::<Result<_, SkyError>>()?;
        Ok(Self { planets, is_relativistic: true, ..Self::of_sun(elements) })
    }

    /// Acceleration, au/day².
    ///
    /// # Source
    /// Marsden, Sekanina & Yeomans 1973, AJ 78, 211 (A1–A3, g(r)); the Sun's term after Newton for a body of no mass:
    /// IERS Conventions 2010, equation 10.12, first line, with the Sun for the Earth.
    pub fn acceleration(&self, days: f64, state: &OrbitState) -> Vector {
        let (r, v) = (state.position_au, state.velocity_au_d);
        let distance = norm(r);
        let mut total = scale(r, -SUN_GM / distance.powi(3));
        for (gm, table) in &self.planets {
            let planet = table.at(self.epoch_jd_tdb, days);
            let line = minus(planet, r);
            let direct = scale(line, gm / norm(line).powi(3));
            // the planet pulls at the Sun too, from which places are counted
            let indirect = scale(planet, -gm / norm(planet).powi(3));
            total = sum(total, sum(direct, indirect));
        }
        if self.is_relativistic {
            let strength = SUN_GM / (LIGHT_AU_D * LIGHT_AU_D * distance.powi(3));
            let along = scale(r, 4.0 * SUN_GM / distance - dot(v, v));
            total = sum(total, scale(sum(along, scale(v, 4.0 * dot(r, v))), strength));
        }
        if let Some(push) = self.push_au_d2 {
            let normal = cross(r, v);
            let radial = scale(r, 1.0 / distance);
            let across = scale(normal, 1.0 / norm(normal));
            let ahead = cross(across, radial);
            let parts = sum(scale(radial, push[0]), sum(scale(ahead, push[1]), scale(across, push[2])));
            total = sum(total, scale(parts, marsden_g(distance)));
        }
        total
    }

    /// The steps of the integration from the epoch over a number of days: days after the epoch and states, the start first
    /// and the end last.
    ///
    /// # Errors
    /// When no step is small enough, as in a collision.
    ///
    /// # Source
    /// Dormand–Prince 8(5,3), Hairer, Nørsett & Wanner, Solving Ordinary Differential Equations I.
    pub fn follow(&self, start: OrbitState, days: f64) -> Result<Vec<(f64, OrbitState)>, SkyError> {
        if days == 0.0 {
            return Ok(vec![(0.0, start)]);
        }
        let (r, v) = (start.position_au, start.velocity_au_d);
        let y0 = Unknowns::from([r[0], r[1], r[2], v[0], v[1], v[2], 0.0]);
        // the solver's defaults but for the output: only the steps themselves, the last of which is the end
        let (safety, beta, slowest, fastest) = (0.9, 0.0, 0.333, 6.0);
        let mut solver = Dop853::from_param(
            self,
            0.0,
            days,
            days,
            y0,
            1e-14,
            1e-16,
            safety,
            beta,
            slowest,
            fastest,
            days.abs(),
            0.0,
            100_000,
            1000,
            OutputType::Sparse,
        );
        let lost = || SkyError::NoOrbitSolution { days };
        solver.integrate().map_err(|_| lost())?;
        let steps: Vec<_> = solver.x_out().iter().zip(solver.y_out()).map(|(t, y)| (*t, state_of(y))).collect();
        let is_finite =
            |(_, s): &(f64, OrbitState)| s.position_au.iter().chain(&s.velocity_au_d).all(|v| v.is_finite());
        if steps.iter().all(is_finite) { Ok(steps) } else { Err(lost()) }
    }
}

/// Place, velocity, and the time itself: ode_solvers 0.6.2 has 0 where the method has 1 for the share of the step at which
/// its twelfth stage is taken, so that the time which it tells the system cannot be used.
type Unknowns = SVector<f64, 7>;

fn state_of(y: &Unknowns) -> OrbitState {
    OrbitState { position_au: [y[0], y[1], y[2]], velocity_au_d: [y[3], y[4], y[5]] }
}

impl ode_solvers::System<f64, Unknowns> for &Forces {
    fn system(&self, _: f64, y: &Unknowns, dy: &mut Unknowns) {
        let acceleration = self.acceleration(y[6], &state_of(y));
        for i in 0..3 {
            dy[i] = y[i + 3];
            dy[i + 3] = acceleration[i];
        }
        dy[6] = 1.0;
    }
}

/// Marsden's g(r), the strength of water sublimation, 1 at 1 au.
///
/// # Source
/// Marsden, Sekanina & Yeomans 1973, AJ 78, 211.
pub fn marsden_g(r_au: f64) -> f64 {
    let x: f64 = r_au / 2.808;
    0.111_262_042_6 * x.powf(-2.15) * (1.0 + x.powf(5.093)).powf(-4.6142)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// g(r) as Marsden et al. 1973 normalise it: 1 at 1 au.
    #[test]
    fn sublimation_law() {
        assert!((marsden_g(1.0) - 1.0).abs() < 1e-8);
        assert!((marsden_g(2.0) - 0.1085368).abs() < 1e-7);
    }
}
