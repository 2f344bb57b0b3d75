//! Airmass.

/// Airmass at a true altitude of 0° to 90°; `None` below the horizon.
///
/// # Source
/// Kasten & Young 1989, Applied Optics 28, 4735, equation 3. At the zenith it gives 0.9997; it is not clamped.
pub fn airmass(altitude_deg: f64) -> Option<f64> {
    let zenith_deg = 90.0 - altitude_deg;
    (0.0..=90.0)
        .contains(&altitude_deg)
        .then(|| 1.0 / (altitude_deg.to_radians().sin() + 0.50572 * (96.07995 - zenith_deg).powf(-1.6364)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values computed from the published formula by other code.
    #[test]
    fn agrees_with_tabulated_values() {
        for (altitude, expected) in [(90.0, 0.99971), (60.0, 1.15399), (30.0, 1.99429), (10.0, 5.58604), (0.0, 37.9196)]
        {
            let got = airmass(altitude).unwrap();
            assert!((got / expected - 1.0).abs() < 1e-5, "{altitude}°: {got}");
        }
        assert_eq!(airmass(-1.0), None);
        assert_eq!(airmass(f64::NAN), None);
    }
}
