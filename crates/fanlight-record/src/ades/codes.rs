//! Codes of fields that take listed values only.

/// What a picture was taken with. An unlisted value in such a field has the whole batch refused.
///
/// # Source
/// Minor Planet Center, ADES field values, `mode`.
pub const MODES: [&str; 11] = ["CCD", "CMO", "VID", "PHO", "ENC", "PMT", "MIC", "MER", "TDI", "OCC", "UNK"];

/// Star catalogues.
///
/// # Source
/// The reference table of the standard's own repository; PPMXL as in the standard's example.
pub const CATALOGUES: [&str; 13] = [
    "Gaia3E", "Gaia3", "Gaia2", "Gaia1", "PS1_DR1", "PS1_DR2", "UCAC5", "UCAC4", "URAT1", "2MASS", "Tyc2", "PPMXL",
    "UNK",
];

/// Bands that the standard's own repository names.
const CONFIRMED_BANDS: [&str; 11] = ["Uj", "Bj", "Vj", "Rc", "Ic", "Sg", "VR", "G", "Gb", "Gr", "w"];

/// The ADES code of one of the project's catalogue bands; a band named by an ADES code keeps it. `None` where there is
/// no code for it.
///
/// # Source
/// `Uj Bj Vj Rc Ic Sg G Gb Gr VR w` stand in the standard's repository. `Su Sr Si Sz` (Sloan) and `Pg Pr Pi Pz Py Pw`
/// (Pan-STARRS) follow the same pattern and are from memory of the Minor Planet Center's list.
pub fn band_code(band: &str) -> Option<&'static str> {
    const OF_BAND: [(&str, &str); 17] = [
        ("U", "Uj"),
        ("B", "Bj"),
        ("V", "Vj"),
        ("R", "Rc"),
        ("I", "Ic"),
        ("u", "Su"),
        ("g", "Sg"),
        ("r", "Sr"),
        ("i", "Si"),
        ("z", "Sz"),
        ("gp1", "Pg"),
        ("rp1", "Pr"),
        ("ip1", "Pi"),
        ("zp1", "Pz"),
        ("yp1", "Py"),
        ("BP", "Gb"),
        ("RP", "Gr"),
    ];
    let named = OF_BAND.iter().find(|(name, _)| *name == band).map(|(_, code)| *code);
    named.or_else(|| known_bands().find(|code| *code == band))
}

/// Every band code that is known here.
pub fn known_bands() -> impl Iterator<Item = &'static str> {
    CONFIRMED_BANDS.into_iter().chain(["Su", "Sr", "Si", "Sz", "Pg", "Pr", "Pi", "Pz", "Py", "Pw"])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The letters are those of the one-line format's mapping in the standard's repository: `Vj` stands for V, `Rc` for R.
    #[test]
    fn bands_have_their_codes() {
        for (band, code) in [
            ("V", Some("Vj")),
            ("R", Some("Rc")),
            ("Rc", Some("Rc")),
            ("I", Some("Ic")),
            ("g", Some("Sg")),
            ("G", Some("G")),
            ("BP", Some("Gb")),
            ("gp1", Some("Pg")),
            ("r", Some("Sr")),
            ("w", Some("w")),
            ("clear", None),
            ("none", None),
            ("green", None),
        ] {
            assert_eq!(band_code(band), code, "{band}");
        }
        assert!(known_bands().all(|code| code.len() <= 3));
    }
}
