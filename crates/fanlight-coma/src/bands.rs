//! Photometric bands: their names as catalogues spell them, their systems and wavelengths.

use std::fmt;

/// What a magnitude of zero means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum System {
    /// Vega has magnitude zero, or nearly so.
    Vega,
    /// A source of 3631 Jy at all frequencies has magnitude zero (Oke & Gunn 1983, ApJ 266, 713).
    Ab,
}

impl fmt::Display for System {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(match self {
            Self::Vega => "Vega",
            Self::Ab => "AB",
        })
    }
}

/// The name by which this crate's tables know a band; `None` for one that they lack.
///
/// `U B V R I` are Johnson–Cousins, `u g r i z` SDSS, `gp1 rp1 ip1 zp1 yp1` Pan-STARRS1, `G BP RP` Gaia, `J H Ks` 2MASS,
/// `BT VT` Tycho and `Hp` Hipparcos. Capitals count: `R` and `r` are different systems.
pub fn canonical(name: &str) -> Option<&'static str> {
    Some(match name {
        "U" | "Uj" | "UJ" => "U",
        "B" | "Bj" | "BJ" => "B",
        "V" | "Vj" | "VJ" => "V",
        "R" | "Rc" | "RC" | "R_C" => "R",
        "I" | "Ic" | "IC" | "I_C" => "I",
        "u" | "u'" | "u_sdss" => "u",
        "g" | "g'" | "g_sdss" => "g",
        "r" | "r'" | "r_sdss" => "r",
        "i" | "i'" | "i_sdss" => "i",
        "z" | "z'" | "z_sdss" => "z",
        "gp1" | "gP1" | "gPS" | "gPS1" | "g_ps1" => "gp1",
        "rp1" | "rP1" | "rPS" | "rPS1" | "r_ps1" => "rp1",
        "ip1" | "iP1" | "iPS" | "iPS1" | "i_ps1" => "ip1",
        "zp1" | "zP1" | "zPS" | "zPS1" | "z_ps1" => "zp1",
        "yp1" | "yP1" | "yPS" | "yPS1" | "y_ps1" | "y" => "yp1",
        "G" | "gaia_G" | "phot_g_mean_mag" => "G",
        "BP" | "GBP" | "G_BP" | "phot_bp_mean_mag" => "BP",
        "RP" | "GRP" | "G_RP" | "phot_rp_mean_mag" => "RP",
        "J" => "J",
        "H" => "H",
        "Ks" | "K_s" => "Ks",
        "BT" | "B_T" => "BT",
        "VT" | "V_T" => "VT",
        "Hp" => "Hp",
        _ => return None,
    })
}

/// The system in which catalogues give a band; `None` for a band that the table lacks.
pub fn system(band: &str) -> Option<System> {
    Some(match canonical(band)? {
        "u" | "g" | "r" | "i" | "z" | "gp1" | "rp1" | "ip1" | "zp1" | "yp1" => System::Ab,
        _ => System::Vega,
    })
}

/// Where a band's light lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wavelength {
    /// Pivot wavelength, the same for every source.
    pub pivot_nm: f64,
    /// Where it is from.
    pub source: &'static str,
}

/// The passbands integrated here; the script is `reference/passbands.py`.
const SDSS: &str = "pivot of the SDSS passbands of the pyphot 2.1.1 library, computed";
const PS1: &str = "pivot of the passbands of Tonry et al. 2012, ApJ 750, 99, in the pyphot 2.1.1 library, computed";
const TYCHO: &str = "pivot of the Tycho passbands of the pyphot 2.1.1 library, computed";
const BESSELL: &str = "Bessell & Murphy 2012, PASP 124, 140, from memory";
const GAIA: &str = "Riello et al. 2021, A&A 649, A3 (Gaia EDR3 passbands), from memory";
const TWO_MASS: &str = "Cohen, Wheaton & Megeath 2003, AJ 126, 1090 (isophotal wavelengths), from memory";

/// The wavelength of a band; `None` for a band that the table lacks.
///
/// # Accuracy
/// Cameras' filters are not the standard ones: wavelengths hold to 1 to 2 %. Those from memory agree with passbands
/// of a general-purpose library within 2 %.
pub fn wavelength(band: &str) -> Option<Wavelength> {
    let (pivot_nm, source) = match canonical(band)? {
        "U" => (359.7, BESSELL),
        "B" => (437.7, BESSELL),
        "V" => (548.8, BESSELL),
        "R" => (651.5, BESSELL),
        "I" => (798.1, BESSELL),
        "u" => (355.7, SDSS),
        "g" => (470.3, SDSS),
        "r" => (617.6, SDSS),
        "i" => (749.0, SDSS),
        "z" => (894.7, SDSS),
        "gp1" => (484.9, PS1),
        "rp1" => (620.1, PS1),
        "ip1" => (753.5, PS1),
        "zp1" => (867.4, PS1),
        "yp1" => (962.8, PS1),
        "G" => (621.8, GAIA),
        "BP" => (511.0, GAIA),
        "RP" => (776.9, GAIA),
        "J" => (1235.0, TWO_MASS),
        "H" => (1662.0, TWO_MASS),
        "Ks" => (2159.0, TWO_MASS),
        "BT" => (419.5, TYCHO),
        "VT" => (530.0, TYCHO),
        _ => return None,
    };
    Some(Wavelength { pivot_nm, source })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_catalogues_are_known_and_capitals_count() {
        for (name, expected) in [
            ("Rc", Some("R")),
            ("r", Some("r")),
            ("r'", Some("r")),
            ("gP1", Some("gp1")),
            ("yPS", Some("yp1")),
            ("G", Some("G")),
            ("g", Some("g")),
            ("GBP", Some("BP")),
            ("G_RP", Some("RP")),
            ("L", None),
            ("", None),
        ] {
            assert_eq!(canonical(name), expected, "{name}");
        }
    }

    #[test]
    fn systems_are_those_of_the_catalogues() {
        for (band, expected) in [
            ("r", Some(System::Ab)),
            ("R", Some(System::Vega)),
            ("zp1", Some(System::Ab)),
            ("BP", Some(System::Vega)),
            ("Ks", Some(System::Vega)),
            ("clear", None),
        ] {
            assert_eq!(system(band), expected, "{band}");
        }
        assert_eq!(format!("{} {}", System::Ab, System::Vega), "AB Vega");
    }

    /// Pivot wavelengths of passbands in the pyphot 2.1.1 library, integrated with numpy. Ours for Johnson–Cousins and Gaia
    /// are of later passbands (and from memory): they differ by up to 2 %.
    #[test]
    fn wavelengths_agree_with_passbands_of_a_library() {
        let mut n = 0;
        for row in crate::reference_passbands::rows() {
            let Some(ours) = wavelength(&row.band) else { continue };
            let exact = ours.source == SDSS || ours.source == PS1 || ours.source == TYCHO;
            let tolerance_nm = if exact { 0.051 } else { 0.02 * row.pivot_nm };
            assert!(
                (ours.pivot_nm - row.pivot_nm).abs() < tolerance_nm,
                "{}: {} {}",
                row.band,
                ours.pivot_nm,
                row.pivot_nm
            );
            n += 1;
        }
        assert!(n >= 20, "{n} bands");
    }
}
