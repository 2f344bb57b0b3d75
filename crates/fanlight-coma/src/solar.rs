//! The Sun's magnitudes and colours by band.

/// Apparent magnitude of the Sun at 1 au in a band, with its source; `None` for a band that the table lacks.
///
/// Bands are spelled as catalogues do: `u g r i z` (SDSS, AB), `gp1 rp1 ip1 zp1 yp1` (Pan-STARRS, AB), `U B V R I`
/// (Johnson–Cousins, Vega). Uncertainty 0.03 to 0.04 mag (the paper's estimate for absolute values).
///
/// # Source
/// Willmer 2018, ApJS 236, 47, table 3, absolute magnitudes turned into apparent ones with the Sun's distance modulus
/// of −31.57.
pub fn solar_magnitude(band: &str) -> Option<f64> {
    let value = match band {
        "U" => -25.97,
        "B" => -26.13,
        "V" => -26.76,
        "R" | "Rc" => -27.15,
        "I" | "Ic" => -27.47,
        "u" => -25.18,
        "g" => -26.47,
        "r" => -26.93,
        "i" => -27.05,
        "z" => -27.07,
        "gp1" => -26.54,
        "rp1" => -26.93,
        "ip1" => -27.05,
        "zp1" => -27.07,
        "yp1" => -27.07,
        _ => return None,
    };
    Some(value)
}

/// The source that records and pages name beside a solar magnitude from [`solar_magnitude`].
pub const SOLAR_MAGNITUDE_SOURCE: &str = "Willmer 2018, ApJS 236, 47";

/// The pair of bands whose difference is the colour used with a band's zero point, bluer first.
pub fn colour_bands(band: &str) -> Option<(&'static str, &'static str)> {
    Some(match band {
        "u" | "g" | "r" => ("g", "r"),
        "i" | "z" => ("r", "i"),
        "gp1" | "rp1" => ("gp1", "rp1"),
        "ip1" | "zp1" | "yp1" => ("rp1", "ip1"),
        "U" | "B" | "V" => ("B", "V"),
        "R" => ("V", "R"),
        "I" => ("V", "I"),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Willmer 2018: V −26.76 (Vega), R_C −27.15 (Vega), r −26.93 (AB); g − r of the Sun 0.46.
    #[test]
    fn holds_the_published_values() {
        assert_eq!(solar_magnitude("V"), Some(-26.76));
        assert_eq!(solar_magnitude("R"), Some(-27.15));
        assert_eq!(solar_magnitude("r"), Some(-26.93));
        assert!((solar_magnitude("g").unwrap() - solar_magnitude("r").unwrap() - 0.46).abs() < 1e-9);
        assert_eq!(solar_magnitude("L"), None);
    }
}
