//! Airmass.

/// Airmass at a true altitude of 0° to 90°; `None` below the horizon.
///
/// # Source
/// Kasten & Young 1989, Applied Optics 28, 4735, equation 3. At the zenith it gives 0.9997; it is not clamped.
///
/// # Accuracy
/// Within 0.13 % of Pickering 2002 (DIO 12, 20) from 10° up, 0.3 % at 5° and 2.2 % at the horizon.
pub fn airmass(altitude_deg: f64) -> Option<f64> {
    let zenith_deg = 90.0 - altitude_deg;
    (0.0..=90.0)
        .contains(&altitude_deg)
        .then(|| 1.0 / (altitude_deg.to_radians().sin() + 0.50572 * (96.07995 - zenith_deg).powf(-1.6364)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALTITUDES_DEG: [f64; 12] = [90.0, 60.0, 45.0, 30.0, 20.0, 15.0, 10.0, 5.0, 3.0, 2.0, 1.0, 0.0];

    /// Values computed from the published formula by other code.
    #[test]
    fn agrees_with_tabulated_values() {
        let expected = [
            0.99971, 1.15399, 1.41260, 1.99429, 2.90315, 3.81291, 5.58604, 10.3058, 15.1477, 19.4332, 26.3106, 37.9196,
        ];
        for (altitude, expected) in ALTITUDES_DEG.into_iter().zip(expected) {
            let got = airmass(altitude).unwrap();
            assert!((got / expected - 1.0).abs() < 1e-5, "{altitude}°: {got}");
        }
        assert_eq!(airmass(-1.0), None);
        assert_eq!(airmass(90.1), None);
        assert_eq!(airmass(f64::NAN), None);
    }

    /// Pickering 2002 (DIO 12, 20), tabulated by other code from 1/sin(h + 244/(165 + 47 h^1.1)); its 38.7494 at the horizon is
    /// published.
    #[test]
    fn agrees_with_pickerings_formula() {
        let pickering = [
            1.00000, 1.15406, 1.41237, 1.99315, 2.90014, 3.80817, 5.58074, 10.3337, 15.2618, 19.6427, 26.6438, 38.7494,
        ];
        for (altitude, expected) in ALTITUDES_DEG.into_iter().zip(pickering) {
            let tolerance = if altitude >= 10.0 { 0.0013 } else { 0.022 };
            let got = airmass(altitude).unwrap();
            assert!((got / expected - 1.0).abs() < tolerance, "{altitude}°: {got} against {expected}");
        }
    }
}
