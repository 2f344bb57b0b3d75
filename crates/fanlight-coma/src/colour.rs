//! The comet's colour and the slope of its reflected spectrum.

use crate::{ComaError, bands, solar};
use fanlight_image::Measured;
use std::f64::consts::LN_10;

/// Two effective wavelengths, the bluer first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wavelengths {
    /// Of the bluer band.
    pub blue_nm: f64,
    /// Of the redder band, greater than `blue_nm`.
    pub red_nm: f64,
}

/// A magnitude that was taken with the Sun's colour assumed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtSolarColour {
    /// The magnitude.
    pub mag: Measured,
    /// Colour term of its zero point: the magnitude changes by it times the colour.
    pub colour_term: f64,
}

/// The comet's colour: magnitude in the bluer band minus that in the redder, each corrected by its colour term times the colour's
/// excess over the Sun's, which is solved for; errors in quadrature.
///
/// Errors that both magnitudes share (sky, centring, stars of the same field) are counted twice.
pub fn comet_colour(blue: AtSolarColour, red: AtSolarColour, solar_colour_mag: f64) -> Measured {
    let excess = blue.mag.value - red.mag.value - solar_colour_mag;
    let scale = 1.0 - (blue.colour_term - red.colour_term);
    Measured::new(solar_colour_mag + excess / scale, blue.mag.sigma.hypot(red.mag.sigma) / scale.abs())
}

/// Normalised reflectivity gradient S′ between two wavelengths, in per cent per 100 nm (the same as per 1000 Å), with the
/// error that the colours' errors give: 0 for the Sun's colour, positive for redder.
///
/// # Errors
/// When the wavelengths are not positive, equal, or in the wrong order.
///
/// # Accuracy
/// Exact for narrow bands. In broad ones gas counts as dust, and a wavelength that is off by 2 % of the distance between the
/// bands is as much of S′.
///
/// # Source
/// A'Hearn, Schleicher, Feldman, Millis & Thompson 1984, AJ 89, 579, and Jewitt & Meech 1986, ApJ 310, 937: S′ = (dS/dλ)/S̄
/// with S̄ the mean reflectivity of the two, which is (2/Δλ) (10^(0.4 Δm) − 1) / (10^(0.4 Δm) + 1) for a colour Δm redder than
/// the Sun's (formula from memory).
pub fn reflectivity_gradient(comet: Measured, sun: Measured, wavelengths: Wavelengths) -> Result<Measured, ComaError> {
    let Wavelengths { blue_nm, red_nm } = wavelengths;
    if !(blue_nm.is_finite() && blue_nm > 0.0) {
        return Err(ComaError::OutOfRange { name: "blue_nm", value: blue_nm, range: "the positive numbers" });
    }
    if !(red_nm.is_finite() && red_nm > blue_nm) {
        return Err(ComaError::OutOfRange {
            name: "red_nm",
            value: red_nm,
            range: "the wavelengths redder than blue_nm",
        });
    }
    // (10^x − 1)/(10^x + 1) = tanh(x ln 10 / 2)
    let half = 0.2 * LN_10;
    let share = (half * (comet.value - sun.value)).tanh();
    let per_share = 2.0 / (red_nm - blue_nm) * PER_CENT_PER_100_NM;
    let per_mag = per_share * half * (1.0 - share * share);
    Ok(Measured::new(per_share * share, per_mag * comet.sigma.hypot(sun.sigma)))
}

const PER_CENT_PER_100_NM: f64 = 100.0 * 100.0;

/// The slope between two bands with what it was made from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandSlope {
    /// The Sun's colour used.
    pub solar_colour: Measured,
    /// The wavelengths used.
    pub wavelengths: Wavelengths,
    /// S′, per cent per 100 nm.
    pub gradient_percent_per_100nm: Measured,
}

/// S′ from the comet's colour in two bands, with the Sun's colour and the bands' wavelengths from this crate's tables; `None`
/// where a table lacks a band or the first is not the bluer.
pub fn band_slope(blue: &str, red: &str, comet: Measured) -> Option<BandSlope> {
    let solar_colour = solar::solar_colour(blue, red)?;
    let wavelengths =
        Wavelengths { blue_nm: bands::wavelength(blue)?.pivot_nm, red_nm: bands::wavelength(red)?.pivot_nm };
    let gradient_percent_per_100nm = reflectivity_gradient(comet, solar_colour, wavelengths).ok()?;
    Some(BandSlope { solar_colour, wavelengths, gradient_percent_per_100nm })
}

#[cfg(test)]
mod tests {
    use super::*;

    const G_R: Wavelengths = Wavelengths { blue_nm: 470.0, red_nm: 620.0 };

    fn slope(comet: f64) -> f64 {
        reflectivity_gradient(Measured::new(comet, 0.0), Measured::new(0.46, 0.0), G_R).unwrap().value
    }

    #[test]
    fn the_suns_colour_is_no_slope_and_signs_are_opposite() {
        assert_eq!(slope(0.46), 0.0);
        assert!(slope(0.56) > 0.0);
        assert!((slope(0.56) + slope(0.36)).abs() < 1e-12);
        // never steeper than one band dark: 2/Δλ, 133 % per 100 nm here
        assert!((slope(30.0) - 2e4 / 150.0).abs() < 1e-6);
    }

    /// From reflectivities: (S₂ − S₁)/Δλ over their mean. A surface that reflects 10 % at 470 nm and 12 % at 620 nm.
    #[test]
    fn agrees_with_the_definition() {
        let colour = 0.46 + 2.5 * (12f64 / 10.0).log10();
        let expected = 100.0 * (0.12 - 0.10) / 1.5 / 0.11;
        assert!((slope(colour) - expected).abs() < 1e-9, "{} against {expected}", slope(colour));
    }

    /// Small reddening: S′ = 0.4 ln 10 Δm/Δλ, here 0.01 mag over 150 nm: 0.614 % per 100 nm.
    #[test]
    fn a_small_reddening_and_its_error_are_linear() {
        assert!((slope(0.47) - 0.61402).abs() < 1e-4);
        let with_errors = reflectivity_gradient(Measured::new(0.47, 0.03), Measured::new(0.46, 0.04), G_R).unwrap();
        assert!((with_errors.sigma - 5.0 * 0.61402).abs() < 1e-3, "{with_errors:?}");
        // far from the Sun's colour, against a finite difference
        let far = reflectivity_gradient(Measured::new(1.2, 0.01), Measured::new(0.46, 0.0), G_R).unwrap();
        assert!((far.sigma - 0.5 * (slope(1.21) - slope(1.19))).abs() < 1e-4);
    }

    #[test]
    fn refuses_equal_and_reversed_wavelengths() {
        let m = Measured::new(0.5, 0.01);
        for (blue_nm, red_nm) in [(500.0, 500.0), (620.0, 470.0), (0.0, 500.0), (f64::NAN, 500.0), (500.0, f64::NAN)] {
            assert!(reflectivity_gradient(m, m, Wavelengths { blue_nm, red_nm }).is_err(), "{blue_nm} {red_nm}");
        }
    }

    /// Mean colour of active short-period comets B − R = 1.22 (Jewitt 2015, AJ 150, 201, from memory), 0.20 redder than the
    /// Sun; slopes of comets' dust in the visible are 5 to 20 % per 1000 Å (Jewitt & Meech 1986, from memory: 13 ± 5).
    #[test]
    fn a_comet_of_the_mean_colour_has_the_usual_slope() {
        let plain = |mag, sigma| AtSolarColour { mag: Measured::new(mag, sigma), colour_term: 0.0 };
        let colour = comet_colour(plain(16.22, 0.03), plain(15.0, 0.04), 0.46);
        assert!((colour.value - 1.22).abs() < 1e-9 && (colour.sigma - 0.05).abs() < 1e-12);
        let slope = band_slope("B", "R", colour).unwrap().gradient_percent_per_100nm;
        assert!((5.0..20.0).contains(&slope.value), "{slope:?}");
        assert_eq!(band_slope("R", "B", colour), None);
        assert_eq!(band_slope("L", "R", colour), None);
    }

    #[test]
    fn both_colour_terms_are_solved_for() {
        // a comet of 0.66: magnitudes at the Sun's 0.46 are off by −term × 0.20
        let (g, r, excess) = (15.66, 15.0, 0.20);
        let at = |mag: f64, colour_term: f64| AtSolarColour {
            mag: Measured::new(mag - colour_term * excess, 0.01),
            colour_term,
        };
        let found = comet_colour(at(g, 0.08), at(r, -0.05), 0.46);
        assert!((found.value - 0.66).abs() < 1e-12 && found.sigma > 0.0141);
    }
}
