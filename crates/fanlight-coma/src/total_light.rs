//! The light of the whole coma, as far as it has an end.
//!
//! A coma that falls as 1/ρ, or as ρ^−1.5, has no total: its light grows without bound with the radius. What can be compared is
//! the light inside an isophote, as is done for galaxies (the diameter at 25 mag/arcsec², de Vaucouleurs et al. 1991, Third
//! Reference Catalogue of Bright Galaxies). Where the isophote lies beyond the image, the profile is extrapolated.

use fanlight_image::Measured;

/// The brightness of the isophote in the night's band.
pub const ISOPHOTE_MAG_ARCSEC2: f64 = 25.0;
/// How much the slope beyond the last ring may differ from that of the outer rings, root mean square: comae run from 1 to 1.5
/// and steepen outward (Jewitt & Meech 1987, ApJ 317, 992). A judgement; it is what makes the error of a long extrapolation.
pub const SLOPE_BEYOND: f64 = 0.25;

/// What an extrapolation starts from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OuterComa {
    /// Radius to which the light was measured, > 0.
    pub radius: f64,
    /// Light inside it.
    pub light: Measured,
    /// Brightness there per unit area.
    pub brightness: Measured,
    /// Slope there, as in ρ^−slope.
    pub slope: Measured,
}

/// Light inside the isophote.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TotalLight {
    /// The light; its error holds that of the measured part, of the outer brightness and of the slope beyond.
    pub light: Measured,
    /// Radius of the isophote.
    pub radius: f64,
    /// Share of the light that was extrapolated, 0 to 1.
    pub extrapolated: f64,
}

/// The light out to the radius at which the extrapolated profile falls to a brightness; `None` where the measured profile is
/// fainter than that at its end already (the isophote is inside), or does not fall.
///
/// # Source
/// ∫ 2πρ I ρ^−γ dρ from the last radius to the isophote's.
pub fn extrapolate(coma: &OuterComa, isophote: f64) -> Option<TotalLight> {
    let sigma_slope = coma.slope.sigma.hypot(SLOPE_BEYOND);
    let numbers = [coma.radius, coma.light.value, coma.brightness.value, coma.slope.value, isophote];
    if numbers.iter().any(|n| !(n.is_finite() && *n > 0.0)) || coma.brightness.value < isophote {
        return None;
    }
    let beyond = |brightness: f64, slope: f64| beyond(coma.radius, brightness, slope.max(LEAST_SLOPE), isophote);
    let (own_brightness, own_slope) = (coma.brightness.value, coma.slope.value);
    let (added, radius) = beyond(own_brightness, own_slope);
    let half = |a: (f64, f64), b: (f64, f64)| 0.5 * (a.0 - b.0).abs();
    let by_slope =
        half(beyond(own_brightness, own_slope - sigma_slope), beyond(own_brightness, own_slope + sigma_slope));
    let lower = (own_brightness - coma.brightness.sigma).max(isophote);
    let by_brightness = half(beyond(own_brightness + coma.brightness.sigma, own_slope), beyond(lower, own_slope));
    let light = coma.light.value + added;
    let sigma = coma.light.sigma.hypot(by_slope).hypot(by_brightness);
    Some(TotalLight { light: Measured::new(light, sigma), radius, extrapolated: added / light })
}

/// A coma that falls less steeply than this has no isophote worth naming.
const LEAST_SLOPE: f64 = 0.5;

/// Light beyond a radius, and the isophote's radius.
fn beyond(radius: f64, brightness: f64, slope: f64, isophote: f64) -> (f64, f64) {
    let ratio = (brightness / isophote).powf(1.0 / slope);
    let power = 2.0 - slope;
    let integral = if power.abs() < 1e-9 { ratio.ln() } else { (ratio.powf(power) - 1.0) / power };
    (std::f64::consts::TAU * brightness * radius * radius * integral, radius * ratio)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// A coma k ρ^−γ measured to a radius without error.
    fn coma(k: f64, slope: f64, radius: f64) -> OuterComa {
        OuterComa {
            radius,
            light: Measured::new(TAU * k * radius.powf(2.0 - slope) / (2.0 - slope), 0.0),
            brightness: Measured::new(k * radius.powf(-slope), 0.0),
            slope: Measured::new(slope, 0.0),
        }
    }

    #[test]
    fn the_light_inside_an_isophote_does_not_depend_on_where_the_image_ends() {
        for slope in [0.8, 1.0, 1.5, 1.9] {
            let totals: Vec<TotalLight> =
                [10.0, 20.0, 40.0].iter().map(|r| extrapolate(&coma(100.0, slope, *r), 0.05).unwrap()).collect();
            let radius = (100.0f64 / 0.05).powf(1.0 / slope);
            let light = TAU * 100.0 * radius.powf(2.0 - slope) / (2.0 - slope);
            for t in &totals {
                assert!(
                    (t.light.value / light - 1.0).abs() < 1e-12 && (t.radius / radius - 1.0).abs() < 1e-12,
                    "{t:?}"
                );
            }
            // the less is extrapolated the smaller the error
            assert!(totals[0].light.sigma > totals[1].light.sigma && totals[1].light.sigma > totals[2].light.sigma);
        }
        let at_two = OuterComa { slope: Measured::new(2.0, 0.0), ..coma(100.0, 1.5, 10.0) };
        let near_two = OuterComa { slope: Measured::new(2.0 + 1e-7, 0.0), ..at_two };
        let light = |c: &OuterComa| extrapolate(c, 0.05).unwrap().light.value;
        assert!((light(&at_two) / light(&near_two) - 1.0).abs() < 1e-6);
    }

    #[test]
    fn an_isophote_inside_the_image_or_a_coma_without_light_is_not_extrapolated() {
        assert_eq!(extrapolate(&coma(100.0, 1.0, 10.0), 11.0), None);
        let dark = OuterComa { brightness: Measured::new(-1.0, 0.5), ..coma(100.0, 1.0, 10.0) };
        assert_eq!(extrapolate(&dark, 0.2), None);
    }
}
