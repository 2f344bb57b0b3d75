//! The coma's colour: how much redder than the Sun its dust is.

use crate::ComaError;
use crate::solar::Band;
use fanlight_image::Measured;

/// The normalised reflectivity gradient S′ between two bands, per cent per 1000 Å (per cent per 100 nm): the slope of the
/// reflectivity over its mean. 0 for a coma of the Sun's colour, positive for a redder one.
///
/// `colour_mag` is the coma's magnitude in the bluer band less that in the redder; the Sun's is taken from the bands.
///
/// # Errors
/// When the bands lie at the same wavelength or the redder is given first.
///
/// # Source
/// S′ = (dS/dλ)/⟨S⟩ (A'Hearn et al. 1984, AJ 89, 579; Jewitt & Meech 1986, ApJ 310, 937), of two bands
/// (2/Δλ) (10^{0.4 Δm} − 1)/(10^{0.4 Δm} + 1), Δm the colour over the Sun's.
pub fn reflectivity_gradient(blue: &Band, red: &Band, colour_mag: Measured) -> Result<Measured, ComaError> {
    let step_nm = red.wavelength_nm - blue.wavelength_nm;
    if !(step_nm > 0.0) {
        return Err(ComaError::OutOfRange {
            name: "step from the bluer band to the redder, nm",
            value: step_nm,
            range: "the positive numbers",
        });
    }
    let excess_mag = colour_mag.value - (blue.solar_mag - red.solar_mag);
    let ratio = 10f64.powf(0.4 * excess_mag);
    let per_nm = 2.0 / step_nm * (ratio - 1.0) / (ratio + 1.0);
    let derivative = 2.0 / step_nm * 2.0 * ratio / (ratio + 1.0).powi(2) * 0.4 * std::f64::consts::LN_10;
    // per nm to per cent per 100 nm
    Ok(Measured::new(per_nm * 1e4, derivative * colour_mag.sigma * 1e4))
}

/// Two magnitudes that were taken with the Sun's colour assumed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtSolarColour {
    /// The magnitude.
    pub mag: Measured,
    /// Colour term of its zero point: the magnitude changes by it times the colour.
    pub colour_term: f64,
}

/// The colour that makes both magnitudes right: each is corrected by its colour term times the colour's excess over the Sun's,
/// which is solved for.
pub fn true_colour(blue: AtSolarColour, red: AtSolarColour, solar_colour_mag: f64) -> Measured {
    let excess = blue.mag.value - red.mag.value - solar_colour_mag;
    let scale = 1.0 - (blue.colour_term - red.colour_term);
    Measured::new(solar_colour_mag + excess / scale, blue.mag.sigma.hypot(red.mag.sigma) / scale.abs())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::solar::band_named;

    fn gradient(blue: &str, red: &str, colour: f64) -> Measured {
        reflectivity_gradient(band_named(blue).unwrap(), band_named(red).unwrap(), Measured::new(colour, 0.02)).unwrap()
    }

    #[test]
    fn the_suns_colour_is_neutral_and_reddening_positive() {
        assert!(gradient("g", "r", 0.46).value.abs() < 1e-9);
        assert!(gradient("g", "r", 0.60).value > 0.0 && gradient("g", "r", 0.40).value < 0.0);
        // small excess: 0.4 ln 10 Δm / Δλ; g to r is 148 nm, so 0.01 mag is 0.622 % per 100 nm
        assert!((gradient("g", "r", 0.47).value - 0.6223).abs() < 1e-3, "{:?}", gradient("g", "r", 0.47));
        let steep = gradient("V", "R", 0.39 + 0.1).value;
        // reflectivity that grows linearly by S′ about its mean: ratio of its ends
        let half = 0.5 * steep * 1e-4 * 96.0;
        assert!((2.5 * ((1.0 + half) / (1.0 - half)).log10() - 0.1).abs() < 1e-9);
        let sigma = gradient("g", "r", 0.6).sigma;
        let difference = (gradient("g", "r", 0.61).value - gradient("g", "r", 0.59).value) / 2.0 * 2.0;
        assert!((sigma / difference - 1.0).abs() < 1e-3);
    }

    #[test]
    fn bands_in_the_wrong_order_are_refused() {
        let (r, g) = (band_named("r").unwrap(), band_named("g").unwrap());
        assert!(reflectivity_gradient(r, g, Measured::new(0.5, 0.1)).is_err());
        assert!(reflectivity_gradient(r, r, Measured::new(0.5, 0.1)).is_err());
    }

    #[test]
    fn both_colour_terms_are_solved_for() {
        // a comet of 0.66: magnitudes at the Sun's 0.46 are off by −term × 0.20
        let (g, r, excess) = (15.66, 15.0, 0.20);
        let at = |mag: f64, colour_term: f64| AtSolarColour {
            mag: Measured::new(mag - colour_term * excess, 0.01),
            colour_term,
        };
        let found = true_colour(at(g, 0.08), at(r, -0.05), 0.46);
        assert!((found.value - 0.66).abs() < 1e-12 && found.sigma > 0.0141);
    }
}
