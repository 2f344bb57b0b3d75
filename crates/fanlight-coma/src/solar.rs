//! The Sun's magnitudes and colours by band.

use crate::bands::{self, System};
use fanlight_image::Measured;

/// The Sun's brightness in a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SolarMagnitude {
    /// Apparent magnitude at 1 au.
    pub mag: f64,
    /// Its error.
    pub sigma_mag: f64,
    /// Where it is from.
    pub source: &'static str,
    /// The system that it is in.
    pub system: System,
}

impl SolarMagnitude {
    /// Magnitude and error.
    pub fn measured(&self) -> Measured {
        Measured::new(self.mag, self.sigma_mag)
    }
}

/// The source that records and pages name beside a solar magnitude of any band but Gaia's.
pub const SOLAR_MAGNITUDE_SOURCE: &str = "Willmer 2018, ApJS 236, 47";
const GAIA_SOURCE: &str = "after Casagrande & VandenBerg 2018, MNRAS 479, L102, from memory";

/// The paper's estimate for absolute values is 0.03 to 0.04.
const SIGMA_MAG: f64 = 0.04;
/// Of values written down from memory. Assumed; the Sun's spectrum in Gaia's passbands gives them within 0.015.
const GAIA_SIGMA_MAG: f64 = 0.05;
/// Of a colour of the Sun, which holds better than either magnitude (Willmer 2018).
pub const SOLAR_COLOUR_SIGMA_MAG: f64 = 0.02;

/// The Sun in a band, in the system in which catalogues give that band; `None` for a band that the table lacks. Bands are
/// spelled as in [`bands::canonical`].
///
/// # Source
/// Willmer 2018, ApJS 236, 47, table 3, absolute magnitudes turned into apparent ones with the Sun's distance modulus
/// of −31.57. Gaia's bands, which that table lacks, are from memory after Casagrande & VandenBerg 2018, MNRAS 479, L102.
pub fn solar(band: &str) -> Option<SolarMagnitude> {
    let band = bands::canonical(band)?;
    let gaia = matches!(band, "G" | "BP" | "RP");
    let mag = match band {
        "U" => -25.97,
        "B" => -26.13,
        "V" => -26.76,
        "R" => -27.15,
        "I" => -27.47,
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
        "G" => -26.90,
        "BP" => -26.57,
        "RP" => -27.39,
        "J" => -27.90,
        "H" => -28.25,
        "Ks" => -28.30,
        "BT" => -25.99,
        "VT" => -26.69,
        "Hp" => -26.70,
        _ => return None,
    };
    let (sigma_mag, source) = if gaia { (GAIA_SIGMA_MAG, GAIA_SOURCE) } else { (SIGMA_MAG, SOLAR_MAGNITUDE_SOURCE) };
    Some(SolarMagnitude { mag, sigma_mag, source, system: bands::system(band)? })
}

/// Apparent magnitude of the Sun at 1 au in a band, as in [`solar`].
pub fn solar_magnitude(band: &str) -> Option<f64> {
    solar(band).map(|s| s.mag)
}

/// The Sun's colour, magnitude in the first band minus that in the second; `None` where the table lacks one.
pub fn solar_colour(blue: &str, red: &str) -> Option<Measured> {
    Some(Measured::new(solar_magnitude(blue)? - solar_magnitude(red)?, SOLAR_COLOUR_SIGMA_MAG))
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
        "Rc" => ("V", "Rc"),
        "Ic" => ("V", "Ic"),
        "G" | "BP" | "RP" => ("BP", "RP"),
        "BT" | "VT" => ("BT", "VT"),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Willmer 2018 (published), as transcribed from its table: bands in the system of their catalogues. The paper's abstract
    /// gives absolute M_B 5.44 and M_V 4.81 in the Vega system.
    #[test]
    fn holds_the_published_values() {
        for (bands, expected) in [
            ("U B V R I", [-25.97, -26.13, -26.76, -27.15, -27.47]),
            ("u g r i z", [-25.18, -26.47, -26.93, -27.05, -27.07]),
            ("gp1 rp1 ip1 zp1 yp1", [-26.54, -26.93, -27.05, -27.07, -27.07]),
        ] {
            for (band, expected) in bands.split(' ').zip(expected) {
                assert_eq!(solar_magnitude(band), Some(expected), "{band}");
            }
        }
        for (band, absolute) in [("B", 5.44), ("V", 4.81)] {
            assert!((solar_magnitude(band).unwrap() - (absolute - 31.57)).abs() < 0.015, "{band}");
        }
        assert_eq!((solar_magnitude("Rc"), solar_magnitude("gP1")), (Some(-27.15), Some(-26.54)));
        assert_eq!(solar_magnitude("L"), None);
        let sun = solar("Ks").unwrap();
        assert_eq!((sun.mag, sun.system, sun.source), (-28.30, System::Vega, SOLAR_MAGNITUDE_SOURCE));
    }

    /// The CALSPEC spectrum of the Sun through passbands of the pyphot 2.1.1 library; B differs by most, 0.074, since that
    /// library's B is bluer.
    #[test]
    fn agrees_with_the_suns_spectrum() {
        let mut n = 0;
        for row in crate::reference_passbands::rows() {
            let tolerance = if row.band == "B" { 0.08 } else { 0.04 };
            let ours = solar_magnitude(&row.band).unwrap();
            assert!((ours - row.mag[0]).abs() < tolerance, "{}: {ours} against {}", row.band, row.mag[0]);
            n += 1;
        }
        assert_eq!(n, 20);
    }

    #[test]
    fn gaia_is_marked_as_from_memory_with_a_wider_error() {
        let (gaia, willmer) = (solar("G").unwrap(), solar("V").unwrap());
        assert!(gaia.source.contains("from memory") && !willmer.source.contains("from memory"));
        assert!(gaia.sigma_mag > willmer.sigma_mag);
        // BP − RP of the Sun, 0.82 in the same paper, from memory
        assert!((solar_colour("BP", "RP").unwrap().value - 0.82).abs() < 1e-9);
    }

    #[test]
    fn both_bands_of_a_colour_have_a_sun() {
        for band in ["u", "g", "i", "gp1", "yp1", "B", "R", "Rc", "Ic", "G", "RP", "VT"] {
            let (blue, red) = colour_bands(band).unwrap();
            assert!(solar_colour(blue, red).unwrap().value > 0.0, "{band}");
        }
        assert_eq!(colour_bands("L"), None);
    }
}
