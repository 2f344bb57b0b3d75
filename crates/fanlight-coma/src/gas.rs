//! Where gas shines in a broad band: Afρ takes all light for sunlight on dust.

/// How much of a broad band's light gas may give in a gas-rich comet near 1 au.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Contamination {
    /// A few per cent.
    Weak,
    /// Of the order of a tenth, more in comets of little dust.
    Moderate,
    /// May be most of it.
    Strong,
}

/// The emissions that fall in a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct GasInBand {
    /// How much they may give.
    pub contamination: Contamination,
    /// Which they are.
    pub emissions: &'static str,
}

/// Source that records and pages name.
pub const SOURCE: &str = "band positions: Feldman, Cochran & Combi 2004, in Comets II, 425; classes: common practice";

/// Beyond this distance from the Sun the gas of most comets is too little for broad bands (common practice).
pub const LITTLE_GAS_BEYOND_AU: f64 = 3.0;

/// Gas in a band; `None` of a band that the table lacks. The classes are a judgement by the emissions' places, not measured.
///
/// # Source
/// NH 336, CN 388, C3 405, CH 431, C2 474, 517 and 563 nm, NH2 520 to 740 nm, Na 589 nm, O I 630 nm, CN red system 790 to 920 nm:
/// Feldman, Cochran & Combi 2004, in Comets II, 425. From memory.
pub fn in_band(band: &str) -> Option<GasInBand> {
    use Contamination::{Moderate, Strong, Weak};
    let (contamination, emissions) = match band {
        "U" | "u" => (Strong, "NH at 336 nm and CN at 388 nm"),
        "B" => (Strong, "CN at 388 nm, C3 at 405 nm and C2 at 474 nm"),
        "g" | "gp1" | "BP" => (Strong, "C3 at 405 nm and C2 at 474, 517 and 563 nm"),
        "V" => (Strong, "C2 at 517 and 563 nm"),
        "G" => (Moderate, "C2 at 474 to 563 nm and NH2 from 520 to 740 nm"),
        "r" | "rp1" | "R" | "Rc" => (Moderate, "NH2 from 570 to 740 nm, C2 at 563 nm and O I at 630 nm"),
        "RP" | "i" | "ip1" => (Weak, "NH2 to 740 nm and the red system of CN at 790 nm"),
        "I" | "Ic" | "z" | "zp1" | "yp1" => (Weak, "the red system of CN from 790 nm on"),
        _ => return None,
    };
    Some(GasInBand { contamination, emissions })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::solar::BANDS;

    #[test]
    fn every_band_has_its_gas_and_it_wanes_redward() {
        assert!(BANDS.iter().all(|b| in_band(b.name).is_some()));
        for series in [["U", "B", "V", "R", "I"], ["u", "g", "r", "i", "z"]] {
            let classes: Vec<Contamination> = series.iter().map(|b| in_band(b).unwrap().contamination).collect();
            assert!(classes.windows(2).all(|w| w[0] >= w[1]), "{classes:?}");
        }
        assert_eq!(in_band("L"), None);
    }
}
