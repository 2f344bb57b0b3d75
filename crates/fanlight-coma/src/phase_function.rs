//! Dust phase functions, normalised to 1 at zero phase.

use crate::ComaError;

/// A phase function of cometary dust.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PhaseFunction {
    /// log φ(α) = −0.01807 α + 0.000177 α², α in degrees, from photometry of 1P/Halley at 1.5° to 66°.
    HalleyQuadratic,
    /// Two Henyey–Greenstein lobes of dust, with light beside it that goes all ways alike.
    CompoundHenyeyGreenstein(DustToGas),
    /// [`Self::HalleyQuadratic`] up to its minimum at 51.05°, beyond it the compound function of pure dust scaled to
    /// join it.
    Composite,
    /// A magnitude that grows evenly with phase angle.
    Linear {
        /// Magnitudes per degree, 0 to 0.1.
        mag_per_deg: f64,
    },
}

/// Light of dust over light of gas at 90°, in the compound Henyey–Greenstein function.
///
/// Afρ is about dust, so [`Self::PureDust`] is the one that goes with it where gas is filtered out; the others describe
/// total light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DustToGas {
    /// 1.
    Usual,
    /// 3.3.
    Mid,
    /// 10.
    Dusty,
    /// No gas at all.
    PureDust,
}

/// Names that [`PhaseFunction::from_name`] takes.
pub const NAMES: [&str; 7] = [
    "halley-quadratic",
    "compound-henyey-greenstein",
    "compound-henyey-greenstein-usual",
    "compound-henyey-greenstein-mid",
    "compound-henyey-greenstein-dusty",
    "composite",
    "linear",
];

/// The linear coefficient where none is given: 67P's coma in early 2016 (Boehnhardt et al. 2016, MNRAS 462, S376).
pub const DEFAULT_LINEAR_MAG_PER_DEG: f64 = 0.04;

/// Up to here a linear law is used. Assumed: coefficients in the literature come from phase angles below 30° to 40°, and
/// at 30° the law is already a fifth under the curve of 1P/Halley.
const LINEAR_TO_DEG: f64 = 30.0;
const HALLEY_TO_DEG: f64 = 70.0;
const HALLEY_LINEAR: f64 = -0.01807;
const HALLEY_SQUARE: f64 = 0.000177;
/// Where the quadratic has its minimum. Pure dust has its own at 53°: both are level there, so that the join has no kink
/// to speak of. Joins at 40° to 60° move the function beyond by ±3 %.
const JOIN_DEG: f64 = -HALLEY_LINEAR / (2.0 * HALLEY_SQUARE);
/// Forward lobe, backward lobe and share of the forward one.
const G_FORWARD: f64 = 0.9;
const G_BACK: f64 = -0.6;
const FORWARD_SHARE: f64 = 0.95;

impl PhaseFunction {
    /// Reads the name in a campaign file, one of [`NAMES`]. The linear coefficient is [`DEFAULT_LINEAR_MAG_PER_DEG`]
    /// where none is given; "compound-henyey-greenstein" alone is pure dust.
    ///
    /// # Errors
    /// For an unknown name, a coefficient outside 0 to 0.1 mag per degree, or one given with a function that has none.
    pub fn from_name(name: &str, linear_mag_per_deg: Option<f64>) -> Result<Self, ComaError> {
        let function = match name {
            "halley-quadratic" => Self::HalleyQuadratic,
            "compound-henyey-greenstein" => Self::CompoundHenyeyGreenstein(DustToGas::PureDust),
            "compound-henyey-greenstein-usual" => Self::CompoundHenyeyGreenstein(DustToGas::Usual),
            "compound-henyey-greenstein-mid" => Self::CompoundHenyeyGreenstein(DustToGas::Mid),
            "compound-henyey-greenstein-dusty" => Self::CompoundHenyeyGreenstein(DustToGas::Dusty),
            "composite" => Self::Composite,
            "linear" => {
                let mag_per_deg = linear_mag_per_deg.unwrap_or(DEFAULT_LINEAR_MAG_PER_DEG);
                return if (0.0..=0.1).contains(&mag_per_deg) {
                    Ok(Self::Linear { mag_per_deg })
                } else {
                    Err(ComaError::OutOfRange {
                        name: "linear_mag_per_deg",
                        value: mag_per_deg,
                        range: "0 to 0.1 magnitudes per degree",
                    })
                };
            }
            _ => {
                let (what, known) = ("phase function", NAMES.join(", "));
                return Err(ComaError::UnknownName { what, name: name.to_string(), known });
            }
        };
        match linear_mag_per_deg {
            Some(_) => Err(ComaError::SettingElsewhere {
                setting: "linear_mag_per_deg",
                with: "linear",
                given: name.to_string(),
            }),
            None => Ok(function),
        }
    }

    /// The name that records and pages carry.
    pub fn name(self) -> &'static str {
        match self {
            Self::HalleyQuadratic => "quadratic approximation to 1P/Halley",
            Self::CompoundHenyeyGreenstein(DustToGas::PureDust) => "compound Henyey–Greenstein, pure dust",
            Self::CompoundHenyeyGreenstein(DustToGas::Dusty) => "compound Henyey–Greenstein, dusty (dust to gas 10)",
            Self::CompoundHenyeyGreenstein(DustToGas::Mid) => "compound Henyey–Greenstein, mid (dust to gas 3.3)",
            Self::CompoundHenyeyGreenstein(DustToGas::Usual) => "compound Henyey–Greenstein, usual (dust to gas 1)",
            Self::Composite => "1P/Halley's quadratic joined to the compound Henyey–Greenstein of pure dust",
            Self::Linear { .. } => "linear in magnitudes",
        }
    }

    /// The coefficient of a linear law; the others have nothing to set.
    pub fn linear_mag_per_deg(self) -> Option<f64> {
        match self {
            Self::Linear { mag_per_deg } => Some(mag_per_deg),
            _ => None,
        }
    }

    /// The paper.
    pub fn source(self) -> &'static str {
        match self {
            Self::HalleyQuadratic => {
                "after Schleicher, Millis & Birch 1998, Icarus 132, 397; approximation, see docs/methods/photometry.md"
            }
            Self::CompoundHenyeyGreenstein(_) => {
                "Marcus 2007, ICQ 29, 39; its standard parameters from memory, see docs/methods/photometry.md"
            }
            Self::Composite => {
                "joined here from Schleicher, Millis & Birch 1998, Icarus 132, 397, and Marcus 2007, ICQ 29, 39; not a \
                 published table, see docs/methods/photometry.md"
            }
            Self::Linear { .. } => {
                "law of the literature for small phase angles; 0.04 mag per degree after Boehnhardt et al. 2016, MNRAS \
                 462, S376"
            }
        }
    }

    /// The phase angles at which the function may be used.
    pub fn range_deg(self) -> (f64, f64) {
        match self {
            Self::HalleyQuadratic => (0.0, HALLEY_TO_DEG),
            Self::CompoundHenyeyGreenstein(_) | Self::Composite => (0.0, 180.0),
            Self::Linear { .. } => (0.0, LINEAR_TO_DEG),
        }
    }

    /// φ(α), 1 at zero phase.
    ///
    /// # Errors
    /// Outside [`Self::range_deg`].
    ///
    /// # Accuracy
    /// Of a function for one comet, see [`Self::choice_sigma`]. Where the join of the composite is put moves it by ±3 %
    /// beyond 40°.
    ///
    /// # Source
    /// Schleicher, Millis & Birch 1998, Icarus 132, 397. Marcus 2007, ICQ 29, 39: (δ₉₀ D(θ) + 1) / (δ₉₀ + 1) with
    /// D = k h(θ; g_f) + (1 − k) h(θ; g_b), h = ((1 + g²) / (1 + g² − 2 g cos θ))^(3/2), scattering angle θ = 180° − α,
    /// g_f = 0.9, g_b = −0.6, k = 0.95; divided here by its value at zero phase.
    pub fn value(self, phase_deg: f64) -> Result<f64, ComaError> {
        let (low, high) = self.range_deg();
        if !(low..=high).contains(&phase_deg) {
            let range = match self {
                Self::HalleyQuadratic => "0 to 70 degrees",
                Self::CompoundHenyeyGreenstein(_) | Self::Composite => "0 to 180 degrees",
                Self::Linear { .. } => "0 to 30 degrees",
            };
            return Err(ComaError::OutOfRange { name: "phase_deg", value: phase_deg, range });
        }
        Ok(match self {
            Self::HalleyQuadratic => halley(phase_deg),
            Self::CompoundHenyeyGreenstein(ratio) => compound(phase_deg, ratio) / compound(0.0, ratio),
            Self::Composite => joined(phase_deg, JOIN_DEG),
            Self::Linear { mag_per_deg } => 10f64.powf(-0.4 * mag_per_deg * phase_deg),
        })
    }

    /// What choosing this function and no other may cost, as a share of its value: half the range of itself and of the functions
    /// in use for dust that hold there, the largest at any whole degree up to that phase angle.
    ///
    /// Those are 1P/Halley's quadratic, the compound function of pure dust and of a dusty coma, the composite, and the
    /// linear laws of 0.04 mag per degree (67P, Boehnhardt et al. 2016) and 0.0275 (9P, Milani et al. 2007, Icarus 187, 276).
    /// The largest so far, since functions end and those left are of one origin: further from 0° no less is unknown.
    ///
    /// # Errors
    /// Outside [`Self::range_deg`].
    ///
    /// # Accuracy
    /// An order of magnitude: 0.15 at 10°, 0.26 from 30° on for the quadratic. Comets differ among themselves by no less, and in
    /// forward scattering by more.
    pub fn choice_sigma(self, phase_deg: f64) -> Result<f64, ComaError> {
        self.value(phase_deg)?;
        let degrees = (0..=phase_deg as u32).map(f64::from).chain([phase_deg]);
        Ok(degrees.filter_map(|at_deg| self.half_range(at_deg)).fold(0.0, f64::max))
    }

    /// Half the range of the functions in use at a phase angle, over this one's value.
    fn half_range(self, phase_deg: f64) -> Option<f64> {
        let in_use = [
            Self::HalleyQuadratic,
            Self::CompoundHenyeyGreenstein(DustToGas::PureDust),
            Self::CompoundHenyeyGreenstein(DustToGas::Dusty),
            Self::Composite,
            Self::Linear { mag_per_deg: DEFAULT_LINEAR_MAG_PER_DEG },
            Self::Linear { mag_per_deg: 0.0275 },
        ];
        let value = self.value(phase_deg).ok()?;
        let others = in_use.into_iter().filter_map(|f| f.value(phase_deg).ok());
        let (low, high) = others.fold((value, value), |(low, high), v| (low.min(v), high.max(v)));
        Some(0.5 * (high - low) / value)
    }
}

fn halley(phase_deg: f64) -> f64 {
    10f64.powf(HALLEY_LINEAR * phase_deg + HALLEY_SQUARE * phase_deg * phase_deg)
}

/// Marcus's function, 1 at 90°.
fn compound(phase_deg: f64, ratio: DustToGas) -> f64 {
    let dust = dust(phase_deg);
    let with_gas = |d: f64| (d * dust + 1.0) / (d + 1.0);
    match ratio {
        DustToGas::Usual => with_gas(1.0),
        DustToGas::Mid => with_gas(3.3),
        DustToGas::Dusty => with_gas(10.0),
        DustToGas::PureDust => dust,
    }
}

fn dust(phase_deg: f64) -> f64 {
    let cos_scattering = -phase_deg.to_radians().cos();
    let lobe = |g: f64| ((1.0 + g * g) / (1.0 + g * g - 2.0 * g * cos_scattering)).powf(1.5);
    FORWARD_SHARE * lobe(G_FORWARD) + (1.0 - FORWARD_SHARE) * lobe(G_BACK)
}

fn joined(phase_deg: f64, join_deg: f64) -> f64 {
    if phase_deg <= join_deg { halley(phase_deg) } else { halley(join_deg) * dust(phase_deg) / dust(join_deg) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PURE: PhaseFunction = PhaseFunction::CompoundHenyeyGreenstein(DustToGas::PureDust);

    /// What the abstract of Schleicher et al. 1998 states: 0.045 mag/° near zero, a minimum near 50°, and a peak 2.9
    /// times the minimum.
    #[test]
    fn behaves_as_the_abstract_says() {
        let phi = |a| PhaseFunction::HalleyQuadratic.value(a).unwrap();
        assert!((-2.5 * phi(1.0).log10() - 0.045).abs() < 0.001);
        let minimum = (0..700).min_by(|a, b| phi(*a as f64 / 10.0).total_cmp(&phi(*b as f64 / 10.0))).unwrap();
        assert!((minimum as f64 / 10.0 - 51.0).abs() < 0.2);
        assert!((1.0 / phi(minimum as f64 / 10.0) - 2.9).abs() < 0.02);
    }

    /// Computed by other code from the coefficients, not published.
    #[test]
    fn quadratic_agrees_with_other_code() {
        for (phase_deg, expected) in [
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
            let got = PhaseFunction::HalleyQuadratic.value(phase_deg).unwrap();
            assert!((got - expected).abs() < 6e-5, "{phase_deg}°: {got}");
            // the composite is the quadratic up to its join, so the same rows hold
            let composite = PhaseFunction::Composite.value(phase_deg).unwrap();
            assert!(phase_deg > 51.05 || (composite - expected).abs() < 6e-5, "{phase_deg}°: {composite}");
        }
    }

    /// Pure dust, 1 at 90°: computed by other code from the formula, not published.
    #[test]
    fn dust_lobes_agree_with_other_code() {
        for (phase_deg, expected) in [
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
            let got = PURE.value(phase_deg).unwrap() * 1.5763;
            assert!((got / expected - 1.0).abs() < 1e-4, "{phase_deg}°: {got} against {expected}");
        }
    }

    /// Marcus 2007, abstract (published): about 10 times at a scattering angle of 30° and 100 times at 13.5°, against 90°.
    /// The finer numbers were computed by other code.
    #[test]
    fn forward_scattering_is_as_published() {
        let against_90 = |ratio, phase_deg| compound(phase_deg, ratio);
        for (ratio, at_30, at_13_5) in
            [(DustToGas::Usual, 9.7, 80.0), (DustToGas::Mid, 14.4, 122.0), (DustToGas::Dusty, 16.8, 144.0)]
        {
            assert!((against_90(ratio, 150.0) - at_30).abs() < 0.06, "{ratio:?} {}", against_90(ratio, 150.0));
            assert!((against_90(ratio, 166.5) - at_13_5).abs() < 0.6, "{ratio:?} {}", against_90(ratio, 166.5));
            assert!((0.9..1.8).contains(&(against_90(ratio, 150.0) / 10.0)));
            assert!((0.7..1.6).contains(&(against_90(ratio, 166.5) / 100.0)));
        }
    }

    /// Values by the angle of the join were computed by other code; that the function varies by up to a factor of three from
    /// 0° to 110° is published (Schleicher 2010, Lowell Observatory).
    #[test]
    fn composite_is_continuous_and_within_its_error() {
        for (join_deg, at_90, at_110) in
            [(40.0, 0.537, 0.97), (45.0, 0.545, 0.98), (50.0, 0.551, 0.99), (55.0, 0.555, 1.00), (60.0, 0.560, 1.01)]
        {
            assert!((joined(90.0, join_deg) - at_90).abs() < 1e-3, "{join_deg}: {}", joined(90.0, join_deg));
            assert!((joined(110.0, join_deg) - at_110).abs() < 0.01, "{join_deg}: {}", joined(110.0, join_deg));
            assert!((joined(90.0, join_deg) / joined(90.0, JOIN_DEG) - 1.0).abs() < 0.03);
        }
        let phi = |a: f64| PhaseFunction::Composite.value(a).unwrap();
        assert!((phi(JOIN_DEG + 1e-9) / phi(JOIN_DEG) - 1.0).abs() < 1e-9);
        assert!((1.45..1.51).contains(&phi(120.0)) && (9.9..10.3).contains(&phi(150.0)));
        let (low, high) =
            (0..=110).fold((1f64, 1f64), |(l, h), a| (l.min(phi(f64::from(a))), h.max(phi(f64::from(a)))));
        assert!((high / low - 3.0).abs() < 0.15, "{}", high / low);
    }

    #[test]
    fn every_function_is_one_at_zero_and_ends_where_it_says() {
        for name in NAMES {
            let function = PhaseFunction::from_name(name, None).unwrap();
            let (low, high) = function.range_deg();
            assert!((function.value(low).unwrap() - 1.0).abs() < 1e-12, "{name}");
            assert!(function.value(high).is_ok() && function.value(high + 0.1).is_err(), "{name}");
            assert!(function.value(-0.1).is_err() && function.value(f64::NAN).is_err(), "{name}");
            assert_eq!(function.linear_mag_per_deg().is_some(), name == "linear");
            assert!(!function.source().is_empty() && !function.name().is_empty());
        }
    }

    #[test]
    fn names_are_read_or_refused_with_the_list() {
        let linear = PhaseFunction::from_name("linear", Some(0.03)).unwrap();
        assert_eq!(linear, PhaseFunction::Linear { mag_per_deg: 0.03 });
        // 0.03 mag/° over 20° is 0.6 mag
        assert!((-2.5 * linear.value(20.0).unwrap().log10() - 0.6).abs() < 1e-12);
        assert!(PhaseFunction::from_name("linear", Some(-0.01)).is_err());
        assert!(PhaseFunction::from_name("linear", Some(f64::NAN)).is_err());
        let message = PhaseFunction::from_name("halley", None).unwrap_err().to_string();
        assert!(message.contains("'halley'") && NAMES.iter().all(|n| message.contains(n)), "{message}");
        let message = PhaseFunction::from_name("composite", Some(0.03)).unwrap_err().to_string();
        assert_eq!(message, "linear_mag_per_deg goes with linear only, not with composite");
    }

    /// At 20° the linear law of 0.04 is lowest, 10^(−0.32); either compound function or the law of 0.0275 is highest.
    #[test]
    fn the_choice_costs_half_the_range() {
        let function = PhaseFunction::HalleyQuadratic;
        assert_eq!(function.choice_sigma(0.0).unwrap(), 0.0);
        let (low, high) = (10f64.powf(-0.32), PURE.value(20.0).unwrap().max(10f64.powf(-0.22)));
        let dusty = PhaseFunction::CompoundHenyeyGreenstein(DustToGas::Dusty).value(20.0).unwrap();
        let expected = 0.5 * (high.max(dusty) - low) / 0.5122;
        assert!((function.choice_sigma(20.0).unwrap() - expected).abs() < 1e-4);
        // it does not shrink where the linear laws end, nor where the quadratic does
        assert!((0.25..0.27).contains(&function.choice_sigma(30.0).unwrap()));
        assert_eq!(function.choice_sigma(30.0).unwrap(), function.choice_sigma(60.0).unwrap());
        assert!(PhaseFunction::Composite.choice_sigma(150.0).unwrap() >= function.choice_sigma(60.0).unwrap());
        assert!(function.choice_sigma(80.0).is_err());
        // a coefficient outside what is in use widens its own range
        let steep = PhaseFunction::Linear { mag_per_deg: 0.08 };
        assert!(steep.choice_sigma(20.0).unwrap() > 2.0 * function.choice_sigma(20.0).unwrap());
    }
}
