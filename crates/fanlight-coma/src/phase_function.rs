//! Dust phase functions, normalised to 1 at zero phase.

use crate::ComaError;

/// A phase function of cometary dust.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PhaseFunction {
    /// log φ(α) = −0.01807 α + 0.000177 α², α in degrees, from photometry of 1P/Halley at 1.5° to 66°.
    HalleyQuadratic,
    /// Two Henyey–Greenstein functions, one forward, one backward, of dust beside gas that shines alike in all directions.
    CompoundHenyeyGreenstein {
        /// Light of dust over that of gas at a phase angle of 90°: 1 of a usual comet, 10 of a dusty one, infinite of dust alone.
        dust_to_gas: f64,
    },
    /// The quadratic of 1P/Halley to 50°, near its minimum, the compound function of dust alone beyond, scaled to meet it.
    Composite,
    /// So many magnitudes per degree.
    Linear {
        /// The coefficient, 0.02 to 0.06 for comets.
        mag_per_deg: f64,
    },
}

/// Forward and backward asymmetry and the share of the forward lobe (Marcus 2007), from memory; they agree with what the
/// paper's abstract states for scattering angles of 30° and 13.5°.
const FORWARD: f64 = 0.9;
/// See [`FORWARD`].
const BACKWARD: f64 = -0.6;
/// See [`FORWARD`].
const FORWARD_SHARE: f64 = 0.95;
/// Where the composite goes over: near the minimum of the quadratic, where both functions are level. Joins from 40° to 60° move
/// the value at 90° by 2 %.
const JOIN_DEG: f64 = 50.0;
/// Coefficient of [`PhaseFunction::Linear`] where none is given (67P in 2016: Boehnhardt et al. 2016, MNRAS 462, S376).
pub const USUAL_MAG_PER_DEG: f64 = 0.04;

/// Names for [`PhaseFunction::from_name`].
pub const NAMES: [&str; 4] = ["halley-quadratic", "compound-henyey-greenstein", "composite", "linear"];

impl PhaseFunction {
    /// The function of a name, `coefficient` that of the linear one.
    pub fn from_name(name: &str, coefficient_mag_per_deg: Option<f64>) -> Option<Self> {
        Some(match name {
            "halley-quadratic" => Self::HalleyQuadratic,
            "compound-henyey-greenstein" => Self::CompoundHenyeyGreenstein { dust_to_gas: f64::INFINITY },
            "composite" => Self::Composite,
            "linear" => Self::Linear { mag_per_deg: coefficient_mag_per_deg.unwrap_or(USUAL_MAG_PER_DEG) },
            _ => return None,
        })
    }

    /// The one to take where none is asked for: the quadratic where it was measured, the composite beyond.
    pub fn usual(phase_deg: f64) -> Self {
        let quadratic = Self::HalleyQuadratic;
        if phase_deg <= quadratic.range_deg().1 { quadratic } else { Self::Composite }
    }

    /// The name that records and pages carry.
    pub fn name(self) -> String {
        match self {
            Self::HalleyQuadratic => "quadratic approximation to 1P/Halley".into(),
            Self::CompoundHenyeyGreenstein { dust_to_gas } if dust_to_gas.is_infinite() => {
                "compound Henyey–Greenstein function of dust".into()
            }
            Self::CompoundHenyeyGreenstein { dust_to_gas } => {
                format!("compound Henyey–Greenstein function, dust to gas {dust_to_gas} at 90°")
            }
            Self::Composite => {
                format!("composite: quadratic of 1P/Halley to {JOIN_DEG}°, compound Henyey–Greenstein function beyond")
            }
            Self::Linear { mag_per_deg } => format!("linear, {mag_per_deg} mag per degree"),
        }
    }

    /// The paper.
    pub fn source(self) -> &'static str {
        match self {
            Self::HalleyQuadratic => {
                "after Schleicher, Millis & Birch 1998, Icarus 132, 397; approximation, see docs/methods/photometry.md"
            }
            Self::CompoundHenyeyGreenstein { .. } => "after Marcus 2007, ICQ 29, 39; parameters from memory",
            Self::Composite => {
                "after Schleicher, Millis & Birch 1998, Icarus 132, 397 and Marcus 2007, ICQ 29, 39; joined by us, no published table"
            }
            Self::Linear { .. } => "common practice; 0.04 mag per degree: Boehnhardt et al. 2016, MNRAS 462, S376",
        }
    }

    /// Phase angles at which it holds.
    pub fn range_deg(self) -> (f64, f64) {
        match self {
            Self::HalleyQuadratic => (0.0, 70.0),
            Self::CompoundHenyeyGreenstein { .. } | Self::Composite => (0.0, 180.0),
            Self::Linear { .. } => (0.0, 40.0),
        }
    }

    /// φ(α).
    ///
    /// # Errors
    /// Outside the range in which the function holds.
    ///
    /// # Source
    /// Quadratic: Schleicher, Millis & Birch 1998, Icarus 132, 397. Compound: Marcus 2007, ICQ 29, 39, equations for Φ(θ) with
    /// θ = 180° − α, divided by its value at α = 0.
    pub fn value(self, phase_deg: f64) -> Result<f64, ComaError> {
        let (first, last) = self.range_deg();
        if !(first..=last).contains(&phase_deg) {
            let range = match self {
                Self::HalleyQuadratic => "0 to 70 degrees",
                Self::Linear { .. } => "0 to 40 degrees",
                _ => "0 to 180 degrees",
            };
            return Err(ComaError::OutOfRange { name: "phase_deg", value: phase_deg, range });
        }
        Ok(match self {
            Self::HalleyQuadratic => halley(phase_deg),
            Self::CompoundHenyeyGreenstein { dust_to_gas } => {
                compound(phase_deg, dust_to_gas) / compound(0.0, dust_to_gas)
            }
            Self::Composite if phase_deg <= JOIN_DEG => halley(phase_deg),
            Self::Composite => halley(JOIN_DEG) * dust_alone(phase_deg) / dust_alone(JOIN_DEG),
            Self::Linear { mag_per_deg } => 10f64.powf(-0.4 * mag_per_deg * phase_deg),
        })
    }

    /// By how much A(0°)fρ depends on the choice among the phase functions in use, as a share of it: the root mean square of the
    /// logarithms of those that hold at this angle about this one, the linear one taken with 0.03 and 0.045 mag per degree, the
    /// compound one only from 30° on: below it is too flat (D. Schleicher's remark beside his composite table, Lowell Observatory 2010).
    ///
    /// # Errors
    /// As [`Self::value`].
    pub fn choice_error(self, phase_deg: f64) -> Result<f64, ComaError> {
        let own = self.value(phase_deg)?;
        let others = [
            Self::HalleyQuadratic,
            Self::CompoundHenyeyGreenstein { dust_to_gas: f64::INFINITY },
            Self::CompoundHenyeyGreenstein { dust_to_gas: 1.0 },
            Self::Composite,
            Self::Linear { mag_per_deg: 0.03 },
            Self::Linear { mag_per_deg: 0.045 },
        ];
        let logs: Vec<f64> =
            others.iter().filter_map(|f| Some((f.value(phase_deg).ok()? / own).ln().powi(2))).collect();
        Ok((logs.iter().sum::<f64>() / logs.len() as f64).sqrt())
    }
}

fn halley(phase_deg: f64) -> f64 {
    10f64.powf(-0.01807 * phase_deg + 0.000177 * phase_deg * phase_deg)
}

/// D(θ): light of dust, 1 at a phase angle of 90°.
fn dust_alone(phase_deg: f64) -> f64 {
    let cos_scattering = -phase_deg.to_radians().cos();
    let lobe = |g: f64| ((1.0 + g * g) / (1.0 + g * g - 2.0 * g * cos_scattering)).powf(1.5);
    FORWARD_SHARE * lobe(FORWARD) + (1.0 - FORWARD_SHARE) * lobe(BACKWARD)
}

/// Φ(θ): dust and gas together, 1 at a phase angle of 90°.
fn compound(phase_deg: f64, dust_to_gas: f64) -> f64 {
    match dust_to_gas.is_infinite() {
        true => dust_alone(phase_deg),
        false => (dust_to_gas * dust_alone(phase_deg) + 1.0) / (dust_to_gas + 1.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DUST: PhaseFunction = PhaseFunction::CompoundHenyeyGreenstein { dust_to_gas: f64::INFINITY };

    /// What the abstract of Schleicher et al. 1998 states: 0.045 mag/° near zero, a minimum near 50°, and a peak 2.9
    /// times the minimum.
    #[test]
    fn the_quadratic_behaves_as_the_abstract_says() {
        let phi = |a| PhaseFunction::HalleyQuadratic.value(a).unwrap();
        assert!((-2.5 * phi(1.0).log10() - 0.045).abs() < 0.001);
        let minimum = (0..700).min_by(|a, b| phi(*a as f64 / 10.0).total_cmp(&phi(*b as f64 / 10.0))).unwrap();
        assert!((minimum as f64 / 10.0 - 51.0).abs() < 0.2);
        assert!((1.0 / phi(minimum as f64 / 10.0) - 2.9).abs() < 0.02);
    }

    /// Values computed from the coefficients by other code (not published numbers).
    #[test]
    fn the_quadratic_has_its_tabulated_values() {
        for (alpha, expected) in [
            (0.0, 1.0),
            (1.0, 0.9596),
            (5.0, 0.8205),
            (10.0, 0.6871),
            (15.0, 0.5872),
            (20.0, 0.5122),
            (25.0, 0.4559),
            (30.0, 0.4142),
            (35.0, 0.3840),
            (40.0, 0.3634),
            (45.0, 0.3510),
            (50.0, 0.3459),
            (51.05, 0.3458),
            (55.0, 0.3480),
            (60.0, 0.3573),
            (66.0, 0.3788),
        ] {
            let got = PhaseFunction::HalleyQuadratic.value(alpha).unwrap();
            assert!((got - expected).abs() < 6e-5, "{alpha}: {got} against {expected}");
        }
    }

    /// The abstract of Marcus 2007: about ten times as bright at a scattering angle of 30° as at 90°, a hundred times at 13.5°.
    #[test]
    fn the_compound_function_brightens_forward_as_its_abstract_says() {
        let at = |scattering: f64| compound(180.0 - scattering, 1.0);
        assert!(
            (at(30.0) / 10.0 - 1.0).abs() < 0.1 && (at(13.5) / 100.0 - 1.0).abs() < 0.25,
            "{} {}",
            at(30.0),
            at(13.5)
        );
    }

    /// Computed from the formula by other code, dust alone, 1 at 90°; and the brightening with dust to gas 1, 3.3 and 10.
    #[test]
    fn the_compound_function_has_its_tabulated_values() {
        for (alpha, expected) in [
            (0.0, 1.5763),
            (30.0, 0.8106),
            (50.0, 0.6282),
            (53.0, 0.6257),
            (60.0, 0.6382),
            (90.0, 1.0),
            (110.0, 1.8060),
            (120.0, 2.6938),
            (150.0, 18.401),
            (166.5, 158.48),
        ] {
            let got = DUST.value(alpha).unwrap() * dust_alone(0.0);
            assert!((got / expected - 1.0).abs() < 1e-4, "{alpha}: {got} against {expected}");
        }
        for (dust_to_gas, at_30, at_13_5) in [(1.0, 9.7, 80.0), (3.3, 14.4, 122.0), (10.0, 16.8, 144.0)] {
            assert!((compound(150.0, dust_to_gas) - at_30).abs() < 0.06);
            assert!((compound(166.5, dust_to_gas) - at_13_5).abs() < 0.6);
        }
    }

    /// Joins of the two at 40° to 60° give 0.537 to 0.560 at 90°, 0.97 to 1.01 at 110° and 9.9 to 10.3 at 150° (computed by other
    /// code); the page that gives a published composite speaks of a factor of up to 3 over 0 to 110°.
    #[test]
    fn the_composite_joins_both() {
        let phi = |a| PhaseFunction::Composite.value(a).unwrap();
        for alpha in [0.0, 12.0, 33.0, 49.9] {
            assert_eq!(phi(alpha), PhaseFunction::HalleyQuadratic.value(alpha).unwrap());
        }
        assert!((phi(50.0 + 1e-9) / phi(50.0) - 1.0).abs() < 1e-8);
        assert!(
            (phi(90.0) - 0.551).abs() < 0.001 && (0.97..=1.01).contains(&phi(110.0)),
            "{} {}",
            phi(90.0),
            phi(110.0)
        );
        assert!((9.9..=10.3).contains(&phi(150.0)));
        let values: Vec<f64> = (0..=110).map(|a| phi(f64::from(a))).collect();
        let (low, high) = values.iter().fold((f64::INFINITY, 0f64), |(l, h), v| (l.min(*v), h.max(*v)));
        assert!((2.8..3.1).contains(&(high / low)), "{}", high / low);
    }

    #[test]
    fn linear_is_linear_in_magnitudes() {
        let linear = PhaseFunction::from_name("linear", None).unwrap();
        assert!((-2.5 * linear.value(20.0).unwrap().log10() - 0.8).abs() < 1e-12);
    }

    #[test]
    fn what_does_not_hold_is_refused() {
        assert!(PhaseFunction::HalleyQuadratic.value(70.1).is_err());
        assert!(PhaseFunction::HalleyQuadratic.value(f64::NAN).is_err());
        assert!(PhaseFunction::Linear { mag_per_deg: 0.04 }.value(60.0).is_err());
        assert!(DUST.value(181.0).is_err() && PhaseFunction::Composite.value(-1.0).is_err());
        assert_eq!(PhaseFunction::from_name("lambert", None), None);
        assert!(NAMES.iter().all(|n| PhaseFunction::from_name(n, None).is_some()));
    }

    #[test]
    fn the_choice_matters_more_the_larger_the_angle() {
        let error = |a| PhaseFunction::usual(a).choice_error(a).unwrap();
        assert!(error(0.0) < 1e-12 && error(10.0) < error(20.0) && error(20.0) < error(40.0));
        assert!((0.05..0.5).contains(&error(30.0)), "{}", error(30.0));
        assert_eq!(PhaseFunction::usual(80.0), PhaseFunction::Composite);
        assert!(error(80.0) > 0.1, "{}", error(80.0));
    }
}
