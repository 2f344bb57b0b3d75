//! Dust phase functions, normalised to 1 at zero phase.

use crate::ComaError;

/// A phase function of cometary dust.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PhaseFunction {
    /// log φ(α) = −0.01807 α + 0.000177 α², α in degrees, from photometry of 1P/Halley at 1.5° to 66°.
    HalleyQuadratic,
}

impl PhaseFunction {
    /// The name that records and pages carry.
    pub fn name(self) -> &'static str {
        match self {
            Self::HalleyQuadratic => "quadratic approximation to 1P/Halley",
        }
    }

    /// The paper.
    pub fn source(self) -> &'static str {
        match self {
            Self::HalleyQuadratic => {
                "after Schleicher, Millis & Birch 1998, Icarus 132, 397; approximation, see docs/methods/photometry.md"
            }
        }
    }

    /// φ(α) for a phase angle of 0° to 70°.
    ///
    /// # Errors
    /// Outside the range in which the function was measured.
    ///
    /// # Source
    /// Schleicher, Millis & Birch 1998, Icarus 132, 397.
    pub fn value(self, phase_deg: f64) -> Result<f64, ComaError> {
        match self {
            Self::HalleyQuadratic if (0.0..=70.0).contains(&phase_deg) => {
                Ok(10f64.powf(-0.01807 * phase_deg + 0.000177 * phase_deg * phase_deg))
            }
            Self::HalleyQuadratic => {
                Err(ComaError::OutOfRange { name: "phase_deg", value: phase_deg, range: "0 to 70 degrees" })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the abstract of Schleicher et al. 1998 states: 0.045 mag/° near zero, a minimum near 50°, and a peak 2.9
    /// times the minimum.
    #[test]
    fn behaves_as_the_abstract_says() {
        let phi = |a| PhaseFunction::HalleyQuadratic.value(a).unwrap();
        assert!((-2.5 * phi(1.0).log10() - 0.045).abs() < 0.001);
        let minimum = (0..700).min_by(|a, b| phi(*a as f64 / 10.0).total_cmp(&phi(*b as f64 / 10.0))).unwrap();
        assert!((minimum as f64 / 10.0 - 51.0).abs() < 0.2);
        assert!((1.0 / phi(minimum as f64 / 10.0) - 2.9).abs() < 0.02);
        assert!((phi(30.0) - 0.4142).abs() < 1e-4);
    }

    #[test]
    fn refuses_what_was_not_measured() {
        assert!(PhaseFunction::HalleyQuadratic.value(70.1).is_err());
        assert!(PhaseFunction::HalleyQuadratic.value(f64::NAN).is_err());
    }
}
