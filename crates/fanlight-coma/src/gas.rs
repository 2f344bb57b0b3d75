//! Which emissions of gas fall into a band, and how much they may add to the light of dust.

use crate::bands;

/// How much of a band's light gas may make in a gas-rich comet near 1 au.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Strength {
    /// Under a tenth.
    Weak,
    /// A tenth to a third.
    Moderate,
    /// More than a third; it may exceed the dust.
    Strong,
}

/// An emission of cometary gas.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Emission {
    /// The molecule, atom or radical.
    pub species: &'static str,
    /// Which of its bands or lines.
    pub feature: &'static str,
    /// Where most of its light begins.
    pub from_nm: f64,
    /// Where it ends.
    pub to_nm: f64,
    /// It is seen only nearer to the Sun than this.
    pub within_au: Option<f64>,
}

/// The gas in a band.
#[derive(Debug, Clone, PartialEq)]
pub struct GasContamination {
    /// How much it may make.
    pub strength: Strength,
    /// What falls into the band, by wavelength.
    pub emissions: Vec<Emission>,
    /// Whether the strength is that of a comet so far from the Sun that gas is faint in any band.
    pub far_from_sun: bool,
    /// Where this is from.
    pub source: &'static str,
}

/// What a page names beside the classes.
pub const SOURCE: &str =
    "emissions after Feldman, Cochran & Combi 2004, in Comets II, 425, from memory; classes by common practice";

/// Beyond this distance gas is counted as weak in any band: water ice, which carries most gas off, sublimes little there
/// (common practice; CN has been seen further out).
const FAR_AU: f64 = 3.0;

const EMISSIONS: [Emission; 10] = [
    line("NH", "A–X 336 nm", 333.0, 338.0),
    line("CN", "violet system 388 nm", 383.0, 389.0),
    line("C3", "405 nm", 395.0, 410.0),
    line("C2", "Swan system 474 nm", 460.0, 475.0),
    line("C2", "Swan system 516 nm", 500.0, 517.0),
    line("C2", "Swan system 560 nm", 545.0, 564.0),
    line("NH2", "570 to 740 nm", 570.0, 740.0),
    // sodium takes the heat near the Sun to leave the dust
    Emission { within_au: Some(1.0), ..line("Na", "589 nm", 588.9, 589.7) },
    line("[O I]", "630 and 636 nm", 629.9, 636.5),
    line("CN", "red system 790 to 920 nm", 790.0, 920.0),
];

const fn line(species: &'static str, feature: &'static str, from_nm: f64, to_nm: f64) -> Emission {
    Emission { species, feature, from_nm, to_nm, within_au: None }
}

/// Where a band passes at least a quarter of what it passes at most, and its class.
struct Passed {
    from_nm: f64,
    to_nm: f64,
    strength: Strength,
}

/// Part of an emission's width that must lie in the band: edges that cut into one count, edges that touch it do not.
const SHARE_IN_BAND: f64 = 0.3;

/// The gas in a band or behind a filter, by its name as in [`bands::canonical`] or one of the names of unfiltered light
/// (`L`, `Lum`, `clear`, `unfiltered`, ...). `None` for a filter whose light is not known here.
///
/// With `r_au`, the comet's distance from the Sun, gas beyond 3 au is weak in all bands, and lines seen only near the Sun
/// are left out where it is further away.
///
/// # Accuracy
/// Rules of thumb: gas-rich and dust-rich comets differ tenfold, and a larger aperture holds more gas for its dust.
pub fn gas_contamination(band: &str, r_au: Option<f64>) -> Option<GasContamination> {
    let passed = passed(band)?;
    let far_from_sun = r_au.is_some_and(|r| r > FAR_AU);
    let in_band = |e: &Emission| {
        let inside_nm = e.to_nm.min(passed.to_nm) - e.from_nm.max(passed.from_nm);
        let near_enough = e.within_au.zip(r_au).is_none_or(|(within, r)| r <= within);
        near_enough && inside_nm > SHARE_IN_BAND * (e.to_nm - e.from_nm)
    };
    Some(GasContamination {
        strength: if far_from_sun { Strength::Weak } else { passed.strength },
        emissions: EMISSIONS.into_iter().filter(in_band).collect(),
        far_from_sun,
        source: SOURCE,
    })
}

/// Edges from the passbands of the pyphot 2.1.1 library, rounded; unfiltered light is that of a silicon detector.
fn passed(band: &str) -> Option<Passed> {
    use Strength::{Moderate, Strong, Weak};
    let (from_nm, to_nm, strength) = match bands::canonical(band).or_else(|| unfiltered(band))? {
        "U" => (326.0, 399.0, Strong),
        "u" => (319.0, 390.0, Strong),
        "B" => (367.0, 494.0, Strong),
        "BT" => (371.0, 465.0, Strong),
        "g" => (396.0, 538.0, Strong),
        "gp1" => (403.0, 553.0, Strong),
        "BP" => (338.0, 668.0, Strong),
        "V" => (493.0, 605.0, Moderate),
        "VT" => (464.0, 605.0, Moderate),
        "G" => (390.0, 917.0, Moderate),
        "unfiltered" => (400.0, 900.0, Moderate),
        "r" => (553.0, 680.0, Moderate),
        "rp1" => (547.0, 694.0, Moderate),
        "R" => (563.0, 742.0, Moderate),
        "RP" => (629.0, 961.0, Weak),
        "i" | "ip1" => (685.0, 822.0, Weak),
        "I" => (717.0, 860.0, Weak),
        "z" => (819.0, 988.0, Weak),
        "zp1" => (815.0, 925.0, Weak),
        "yp1" => (917.0, 1010.0, Weak),
        _ => return None,
    };
    Some(Passed { from_nm, to_nm, strength })
}

fn unfiltered(name: &str) -> Option<&'static str> {
    ["l", "lum", "luminance", "clear", "c", "cl", "unfiltered", "none", "open", "w"]
        .contains(&name.trim().to_lowercase().as_str())
        .then_some("unfiltered")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(band: &str, r_au: Option<f64>, strength: Strength, features: &[&str]) {
        let gas = gas_contamination(band, r_au).unwrap();
        assert_eq!(gas.strength, strength, "{band}");
        let found: Vec<String> = gas.emissions.iter().map(|e| format!("{} {}", e.species, e.feature)).collect();
        let short: Vec<String> = found.iter().map(|f| f.replace(" system", "").replace(" nm", "")).collect();
        assert_eq!(short, features, "{band}");
    }

    #[test]
    fn emissions_fall_where_spectra_of_comets_show_them() {
        use Strength::{Moderate, Strong, Weak};
        check("U", None, Strong, &["NH A–X 336", "CN violet 388"]);
        check("B", Some(1.2), Strong, &["CN violet 388", "C3 405", "C2 Swan 474"]);
        check("g", Some(1.2), Strong, &["C3 405", "C2 Swan 474", "C2 Swan 516"]);
        check("V", Some(1.2), Moderate, &["C2 Swan 516", "C2 Swan 560"]);
        check("V", Some(0.5), Moderate, &["C2 Swan 516", "C2 Swan 560", "Na 589"]);
        check("r", Some(1.2), Moderate, &["C2 Swan 560", "NH2 570 to 740", "[O I] 630 and 636"]);
        check("Rc", Some(1.2), Moderate, &["NH2 570 to 740", "[O I] 630 and 636"]);
        check("i", None, Weak, &["NH2 570 to 740"]);
        check("I", None, Weak, &["CN red 790 to 920"]);
        check("z", None, Weak, &["CN red 790 to 920"]);
    }

    #[test]
    fn sodium_is_told_near_the_sun_only_and_gas_is_weak_far_away() {
        let sodium = |r_au| gas_contamination("R", r_au).unwrap().emissions.iter().any(|e| e.species == "Na");
        assert!(sodium(Some(0.6)) && !sodium(Some(1.5)) && sodium(None));
        let far = gas_contamination("g", Some(3.5)).unwrap();
        assert!(far.far_from_sun && far.strength == Strength::Weak && !far.emissions.is_empty());
        assert!(!gas_contamination("g", Some(2.9)).unwrap().far_from_sun);
    }

    #[test]
    fn unfiltered_light_holds_it_all_but_the_ultraviolet_and_unknown_filters_are_told() {
        for name in ["L", "Clear", "unfiltered", "LUM"] {
            let gas = gas_contamination(name, None).unwrap();
            assert_eq!(gas.strength, Strength::Moderate);
            assert!(gas.emissions.iter().filter(|e| e.species == "C2").count() == 3, "{name}");
        }
        assert_eq!(gas_contamination("Ha", None), None);
        assert!(Strength::Strong > Strength::Moderate && Strength::Moderate > Strength::Weak);
    }
}
