//! A comet's motion over an interval: about the Sun alone, or with the planets' pull.

use crate::angle::{Vector, norm};
use crate::earth::LIGHT_AU_D;
use crate::forces::Forces;
use crate::orbit::{OrbitElements, OrbitState};
use crate::{SkyError, TdbInstant};

/// How a comet moves. Planets are followed once for an interval, after which any instant of it costs a microsecond.
#[derive(Debug, Clone)]
pub struct Motion {
    elements: OrbitElements,
    /// The steps of the integration, in order of time; empty where the Sun is alone.
    steps: Vec<Step>,
}

/// A step of the integration.
#[derive(Debug, Clone, Copy)]
struct Step {
    /// After the epoch.
    days: f64,
    position_au: Vector,
    velocity_au_d: Vector,
    acceleration_au_d2: Vector,
}

impl Motion {
    /// Under the Sun alone; A1–A3 are applied where they are given.
    pub fn two_body(elements: OrbitElements) -> Self {
        Self { elements, steps: Vec::new() }
    }

    /// Under the Sun (with its first term after Newton), eight planets, the Moon and A1–A3, for instants of observation
    /// between two: light time and a day to spare are added.
    ///
    /// # Errors
    /// When an element is impossible, when the epoch or an instant is outside the years 1900 to 2100, or when the
    /// integration finds no end, as in a collision.
    ///
    /// # Accuracy
    /// Worst of 97 places of eight comets up to 60 days from the epoch, two within 0.03 au of the Earth and one within 0.07 au
    /// of Jupiter, against rebound and scipy with JPL DE421: 0.002″ geocentric beyond 0.3 au from the Earth, 0.017″ for the one
    /// at Jupiter, 0.030″ at 0.03 au, where the Earth's own 0.6 km count. After two years 0.0001″, after ten 0.006″. Between the
    /// steps 1e-12 au.
    ///
    /// # Source
    /// Dormand–Prince 8(5,3) at a relative tolerance of 1e-14; see [`Planet::heliocentric_au`](crate::Planet::heliocentric_au)
    /// for planets.
    pub fn perturbed(elements: OrbitElements, from: TdbInstant, to: TdbInstant) -> Result<Self, SkyError> {
        elements.validate()?;
        let (from, to) = if from <= to { (from, to) } else { (to, from) };
        let light_time_d = norm(elements.state_at(from)?.position_au) / LIGHT_AU_D;
        // each way at least a day from the epoch: three steps at least
        let first_days = (from.days_after(elements.epoch_jd_tdb) - 1.2 * light_time_d).min(0.0) - SPARE_DAYS;
        let last_days = to.days_after(elements.epoch_jd_tdb).max(0.0) + SPARE_DAYS;
        let epoch = TdbInstant::from_jd(elements.epoch_jd_tdb);
        let forces = Forces::of_all(&elements, epoch.minus_days(-first_days), epoch.minus_days(-last_days))?;
        Self::under(&forces, elements, [first_days, last_days])
    }

    /// Follows forces from the epoch both ways.
    fn under(forces: &Forces, elements: OrbitElements, [first_days, last_days]: [f64; 2]) -> Result<Self, SkyError> {
        let start = elements.state_at_epoch()?;
        let mut path = whole_steps(forces.follow(start, first_days)?);
        path.reverse();
        path.pop();
        path.extend(whole_steps(forces.follow(start, last_days)?));
        let step = |(days, state): (f64, OrbitState)| Step {
            days,
            position_au: state.position_au,
            velocity_au_d: state.velocity_au_d,
            acceleration_au_d2: forces.acceleration(days, &state),
        };
        Ok(Self { steps: path.into_iter().map(step).collect(), elements })
    }

    /// The osculating elements it starts from.
    pub fn elements(&self) -> &OrbitElements {
        &self.elements
    }

    /// Whether the planets are followed.
    pub fn is_perturbed(&self) -> bool {
        !self.steps.is_empty()
    }

    /// What records call it.
    pub fn model(&self) -> &'static str {
        if self.is_perturbed() { "perturbed" } else { "two_body" }
    }

    /// Heliocentric state at an instant, ICRS axes.
    ///
    /// # Errors
    /// When an element is impossible, or the instant is outside the interval that was followed.
    pub fn state_at(&self, at: TdbInstant) -> Result<OrbitState, SkyError> {
        let [first, .., last] = self.steps.as_slice() else { return self.elements.state_at(at) };
        let days = at.days_after(self.elements.epoch_jd_tdb);
        if !(first.days..=last.days).contains(&days) {
            let [from_jd, to_jd] = [first, last].map(|s| self.elements.epoch_jd_tdb + s.days);
            return Err(SkyError::OutsideMotion { jd: at.jd(), from_jd, to_jd });
        }
        // three steps, the instant in the first or the second gap between them
        let after = self.steps.partition_point(|s| s.days < days).clamp(1, self.steps.len() - 1);
        let is_second = after >= 2
            && (after + 1 == self.steps.len() || days < 0.5 * (self.steps[after - 1].days + self.steps[after].days));
        let begin = if is_second { after - 2 } else { after - 1 };
        Ok(between(&self.steps[begin..begin + 3], days))
    }
}

/// What is followed beyond the instants asked for.
const SPARE_DAYS: f64 = 1.0;

/// Without the last but one where the way from it to the end is a small remainder of a step: two steps close together spoil
/// the polynomial through them.
fn whole_steps(mut steps: Vec<(f64, OrbitState)>) -> Vec<(f64, OrbitState)> {
    if let [.., before, last_but_one, last] = steps.as_slice()
        && (last.0 - last_but_one.0).abs() < 0.3 * (last_but_one.0 - before.0).abs()
    {
        steps.remove(steps.len() - 2);
    }
    steps
}

/// The polynomial of the eighth degree that has place, velocity and acceleration of three steps, by divided differences.
fn between(steps: &[Step], days: f64) -> OrbitState {
    const N: usize = 9;
    let time = |i: usize| steps[i / 3].days;
    let mut state = OrbitState { position_au: [0.0; 3], velocity_au_d: [0.0; 3] };
    for c in 0..3 {
        let mut differences: [f64; N] = std::array::from_fn(|i| steps[i / 3].position_au[c]);
        for order in 1..N {
            for i in (order..N).rev() {
                let (left, right) = (&steps[(i - order) / 3], &steps[i / 3]);
                differences[i] = match order {
                    _ if left.days != right.days => (differences[i] - differences[i - 1]) / (time(i) - time(i - order)),
                    1 => right.velocity_au_d[c],
                    _ => 0.5 * right.acceleration_au_d2[c],
                };
            }
        }
        let (mut value, mut slope) = (differences[N - 1], 0.0);
        for i in (0..N - 1).rev() {
            let step = days - time(i);
            slope = slope * step + value;
            value = value * step + differences[i];
        }
        state.position_au[c] = value;
        state.velocity_au_d[c] = slope;
    }
    state
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::angle::minus;

    fn elements(q_au: f64, e: f64) -> OrbitElements {
        OrbitElements {
            epoch_jd_tdb: 2_459_000.5,
            perihelion_jd_tdb: 2_459_021.25,
            q_au,
            e,
            inclination_deg: 31.0,
            node_deg: 120.2,
            argument_of_perihelion_deg: 230.3,
            a1_au_d2: 0.0,
            a2_au_d2: 0.0,
            a3_au_d2: 0.0,
        }
    }

    /// Without planets it is the two-body motion, at the steps and between them; the first and the last gap included.
    #[test]
    fn the_sun_alone_gives_two_body_motion() {
        for (q_au, e, tolerance_au) in [
            (1.2, 0.0, 1e-12),
            (2.4, 0.3, 1e-12),
            (0.6, 0.97, 1e-11),
            (1.0, 1.0, 1e-11),
            (0.05, 0.999, 1e-9),
            (4.0, 1.3, 1e-11),
        ] {
            let elements = elements(q_au, e);
            let motion = Motion::under(&Forces::of_sun(&elements), elements.clone(), [-401.0, 61.0]).unwrap();
            let (mut worst_au, mut worst_au_d): (f64, f64) = (0.0, 0.0);
            for i in 0..=5000 {
                let at = TdbInstant::from_jd(elements.epoch_jd_tdb).minus_days(401.0 - 462.0 * f64::from(i) / 5000.0);
                let (got, expected) = (motion.state_at(at).unwrap(), elements.state_at(at).unwrap());
                worst_au = worst_au.max(norm(minus(got.position_au, expected.position_au)));
                worst_au_d = worst_au_d.max(norm(minus(got.velocity_au_d, expected.velocity_au_d)));
            }
            assert!(worst_au < tolerance_au, "q {q_au} e {e}: {worst_au:e} au");
            assert!(worst_au_d < 20.0 * tolerance_au, "q {q_au} e {e}: {worst_au_d:e} au/d");
        }
    }
}
