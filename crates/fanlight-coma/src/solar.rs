//! The Sun's magnitudes and colours by band, and where bands lie.

use fanlight_image::Measured;

/// What is known of a photometric band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Its name, as catalogues spell it.
    pub name: &'static str,
    /// Whether its magnitudes are on the AB system; otherwise Vega's.
    pub is_ab: bool,
    /// Apparent magnitude of the Sun at 1 au in that system.
    pub solar_mag: f64,
    /// Its error: 0.04, the paper's for absolute values; twice that where the value was written down from memory.
    pub solar_sigma_mag: f64,
    /// Where the solar magnitude comes from.
    pub solar_source: &'static str,
    /// Mean wavelength of the band, nm. SDSS: Fukugita et al. 1996, AJ 111, 1748; Johnson–Cousins: Bessell 2005, ARA&A 43, 293;
    /// Pan-STARRS: Tonry et al. 2012, ApJ 750, 99; Gaia: Riello et al. 2021, A&A 649, A3. From memory, good to 3 nm.
    pub wavelength_nm: f64,
}

/// The source that records and pages name beside a solar magnitude from the table.
pub const SOLAR_MAGNITUDE_SOURCE: &str = "Willmer 2018, ApJS 236, 47";
const GAIA_SOURCE: &str = "after Casagrande & VandenBerg 2018, MNRAS 479, L102, from memory";

const fn band(name: &'static str, is_ab: bool, solar_mag: f64, wavelength_nm: f64) -> Band {
    Band { name, is_ab, solar_mag, solar_sigma_mag: 0.04, solar_source: SOLAR_MAGNITUDE_SOURCE, wavelength_nm }
}

const fn gaia(name: &'static str, solar_mag: f64, wavelength_nm: f64) -> Band {
    Band { name, is_ab: false, solar_mag, solar_sigma_mag: 0.08, solar_source: GAIA_SOURCE, wavelength_nm }
}

/// Every band with a solar magnitude.
///
/// # Source
/// Willmer 2018, ApJS 236, 47, table 3, absolute magnitudes turned into apparent ones with the Sun's distance modulus
/// of −31.57; Gaia after Casagrande & VandenBerg 2018, MNRAS 479, L102, from memory.
pub const BANDS: [Band; 18] = [
    band("U", false, -25.97, 366.0),
    band("B", false, -26.13, 436.0),
    band("V", false, -26.76, 545.0),
    band("R", false, -27.15, 641.0),
    band("I", false, -27.47, 798.0),
    band("u", true, -25.18, 355.0),
    band("g", true, -26.47, 469.0),
    band("r", true, -26.93, 617.0),
    band("i", true, -27.05, 748.0),
    band("z", true, -27.07, 893.0),
    band("gp1", true, -26.54, 481.0),
    band("rp1", true, -26.93, 617.0),
    band("ip1", true, -27.05, 752.0),
    band("zp1", true, -27.07, 866.0),
    band("yp1", true, -27.07, 962.0),
    gaia("G", -26.90, 639.0),
    gaia("BP", -26.57, 518.0),
    gaia("RP", -27.39, 783.0),
];

/// A band by its name, `Rc` and `Ic` for Cousins' and the Gaia archive's columns included; `None` for one that the table lacks.
pub fn band_named(name: &str) -> Option<&'static Band> {
    let name = match name {
        "Rc" => "R",
        "Ic" => "I",
        "phot_g_mean_mag" => "G",
        "phot_bp_mean_mag" => "BP",
        "phot_rp_mean_mag" => "RP",
        other => other,
    };
    BANDS.iter().find(|b| b.name == name)
}

/// The Sun's apparent magnitude at 1 au in a band, with its error.
pub fn solar_magnitude(name: &str) -> Option<Measured> {
    band_named(name).map(|b| Measured::new(b.solar_mag, b.solar_sigma_mag))
}

/// The Sun's colour, the first band less the second.
pub fn solar_colour(blue: &str, red: &str) -> Option<f64> {
    Some(band_named(blue)?.solar_mag - band_named(red)?.solar_mag)
}

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
        "G" | "BP" | "RP" => ("BP", "RP"),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Willmer 2018: V −26.76 (Vega), R_C −27.15 (Vega), r −26.93 (AB); its abstract: M_B 5.44, M_V 4.81 (Vega), with a distance
    /// modulus of 31.57. Printed table and that difference may be 0.01 apart.
    #[test]
    fn holds_the_published_values() {
        let sun = |b| solar_magnitude(b).unwrap().value;
        assert_eq!((sun("V"), sun("R"), sun("Rc"), sun("r")), (-26.76, -27.15, -27.15, -26.93));
        assert!((sun("B") - (5.44 - 31.57)).abs() < 0.015 && (sun("V") - (4.81 - 31.57)).abs() < 0.015);
        assert_eq!(solar_magnitude("L"), None);
    }

    /// (B−V) of the Sun 0.64 (Holmberg et al. 2006, as quoted); BP − RP 0.82 (Casagrande & VandenBerg 2018, from memory).
    #[test]
    fn the_suns_colours_are_those_of_other_papers() {
        assert!((solar_colour("B", "V").unwrap() - 0.64).abs() < 0.02);
        assert!((solar_colour("g", "r").unwrap() - 0.46).abs() < 1e-9);
        assert!((solar_colour("BP", "RP").unwrap() - 0.82).abs() < 0.01);
    }

    #[test]
    fn bands_are_told_apart_by_case_and_lie_in_order() {
        assert!(band_named("G").unwrap() != band_named("g").unwrap());
        for series in [["U", "B", "V", "R", "I"], ["u", "g", "r", "i", "z"], ["gp1", "rp1", "ip1", "zp1", "yp1"]] {
            let at: Vec<f64> = series.iter().map(|b| band_named(b).unwrap().wavelength_nm).collect();
            assert!(at.windows(2).all(|w| w[0] < w[1]));
        }
        let pairs = BANDS.iter().filter_map(|b| colour_bands(b.name));
        assert!(pairs.clone().count() == BANDS.len() && pairs.clone().all(|(b, r)| solar_colour(b, r).unwrap() > 0.0));
    }
}
