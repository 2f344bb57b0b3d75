//! Afρ, the dust quantity of A'Hearn et al. 1984.

use crate::ComaError;
use fanlight_image::Measured;

/// Centimetres in an astronomical unit (IAU 2012 Resolution B2: 149 597 870 700 m exactly).
pub const AU_CM: f64 = 1.495978707e13;

/// What Afρ is computed from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AfrhoInput {
    /// Magnitude of the light inside the aperture.
    pub magnitude: Measured,
    /// Magnitude of the Sun at 1 au in the same band and system.
    pub solar_magnitude: f64,
    /// Distance of the comet from the Sun, > 0.
    pub r_au: f64,
    /// Distance of the comet from the observer, > 0.
    pub delta_au: f64,
    /// Aperture radius at the comet, > 0.
    pub radius_km: f64,
}

/// A(θ)fρ in centimetres, with the error that the magnitude's error gives.
///
/// # Errors
/// When a distance or the radius is not a positive number.
///
/// # Source
/// A'Hearn, Schleicher, Feldman, Millis & Thompson 1984, AJ 89, 579: Afρ = (2 r Δ)² / ρ · F_comet / F_sun with r in
/// au, Δ and ρ in centimetres and the fluxes in one band.
pub fn afrho_cm(input: &AfrhoInput) -> Result<Measured, ComaError> {
    for (name, value) in [("r_au", input.r_au), ("delta_au", input.delta_au), ("radius_km", input.radius_km)] {
        if !(value.is_finite() && value > 0.0) {
            return Err(ComaError::OutOfRange { name, value, range: "the positive numbers" });
        }
    }
    let delta_cm = input.delta_au * AU_CM;
    let rho_cm = input.radius_km * 1e5;
    let flux_ratio = 10f64.powf(0.4 * (input.solar_magnitude - input.magnitude.value));
    let value = (2.0 * input.r_au * delta_cm).powi(2) / rho_cm * flux_ratio;
    Ok(Measured::new(value, value * input.magnitude.sigma * 0.4 * std::f64::consts::LN_10))
}

/// The A(θ)fρ that a magnitude limit allows, cm: the light in the aperture is fainter than `limit_mag`, so Afρ is less.
/// `at_limit.magnitude` is the limit; its error is not used.
///
/// # Errors
/// As [`afrho_cm`].
pub fn afrho_upper_limit_cm(at_limit: &AfrhoInput) -> Result<f64, ComaError> {
    Ok(afrho_cm(at_limit)?.value)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values computed from the definition of A'Hearn et al. 1984 by other code (not published numbers).
    #[test]
    fn agrees_with_worked_examples() {
        let check = |r_au, delta_au, radius_km, mag, solar_magnitude, expected: f64, tolerance: f64| {
            let magnitude = Measured::new(mag, 0.01);
            let got = afrho_cm(&AfrhoInput { magnitude, solar_magnitude, r_au, delta_au, radius_km }).unwrap();
            assert!((got.value - expected).abs() < tolerance, "{} against {expected}", got.value);
            assert!((got.sigma / got.value - 0.00921034).abs() < 1e-7);
        };
        check(1.5, 1.0, 10_000.0, 12.00, -27.15, 440.65, 0.01);
        check(2.5, 3.5, 12_692.24, 18.00, -26.76, 67.358, 0.001);
        check(1.2, 0.5, 5_000.0, 9.00, -26.93, 2736.80, 0.01);
    }

    const HERE: AfrhoInput = AfrhoInput {
        magnitude: Measured { value: 12.0, sigma: 0.01 },
        solar_magnitude: -26.93,
        r_au: 1.5,
        delta_au: 1.0,
        radius_km: 10_000.0,
    };

    /// A coma of 1/ρ has flux ∝ ρ: 0.7526 mag more light in twice the radius, and the same Afρ.
    #[test]
    fn is_the_same_in_every_aperture_of_a_1_over_rho_coma() {
        let small = afrho_cm(&HERE).unwrap().value;
        for times in [0.5, 2.0, 8.0] {
            let magnitude = Measured::new(12.0 - 2.5 * f64::log10(times), 0.01);
            let large = afrho_cm(&AfrhoInput { magnitude, radius_km: times * 1e4, ..HERE }).unwrap().value;
            assert!((large / small - 1.0).abs() < 1e-12, "{times}");
        }
        assert!((2.5 * 2f64.log10() - 0.7526).abs() < 5e-5);
    }

    /// With Δ in au and ρ in km the factor is 8.9518e21, by other code.
    #[test]
    fn has_the_constant_of_its_units() {
        let magnitude = Measured::new(-26.93, 0.0);
        let unit = AfrhoInput { magnitude, r_au: 1.0, delta_au: 1.0, radius_km: 1.0, ..HERE };
        assert!((afrho_cm(&unit).unwrap().value / 8.9518e21 - 1.0).abs() < 1e-5);
    }

    #[test]
    fn refuses_zero_distances() {
        for (name, bad) in [
            ("r_au", AfrhoInput { r_au: 0.0, ..HERE }),
            ("delta_au", AfrhoInput { delta_au: 0.0, ..HERE }),
            ("delta_au", AfrhoInput { delta_au: f64::NAN, ..HERE }),
            ("radius_km", AfrhoInput { radius_km: -1.0, ..HERE }),
        ] {
            let (is_named, of) = (|e| matches!(e, ComaError::OutOfRange { name: n, .. } if n == name), afrho_cm(&bad));
            assert!(of.is_err_and(is_named), "{name}");
            assert!(afrho_upper_limit_cm(&bad).is_err(), "{name}");
        }
    }

    #[test]
    fn a_limit_a_magnitude_fainter_allows_less() {
        let limit = |mag| afrho_upper_limit_cm(&AfrhoInput { magnitude: Measured::new(mag, 0.0), ..HERE }).unwrap();
        assert!((limit(17.0) / limit(18.0) - 10f64.powf(0.4)).abs() < 1e-12);
        assert_eq!(limit(12.0), afrho_cm(&HERE).unwrap().value);
    }
}
