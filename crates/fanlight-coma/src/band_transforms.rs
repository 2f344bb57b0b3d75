//! Magnitudes of stars brought from the bands of one catalogue to those of another system.
//!
//! A catalogue without the campaign's band can still calibrate it. All coefficients here are from memory. Each set was kept
//! only where it brings the Sun's magnitudes (Willmer 2018) to the Sun's within its scatter plus 0.03 mag, and does the same
//! for stars of the Sun's spectrum at 4600 to 7600 K in passbands of a general-purpose library.

use crate::bands;
use fanlight_image::Measured;
use thiserror::Error;

/// `target = base + Σ cₖ (blue − red)ᵏ`, for stars without strong reddening or emission.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transformation {
    /// The band that comes out.
    pub target: &'static str,
    /// The band that the polynomial is added to.
    pub base: &'static str,
    /// The bands of the colour, bluer first.
    pub colour: (&'static str, &'static str),
    /// c₀, c₁, ...
    pub coefficients: &'static [f64],
    /// Colours at which it may be used: the paper's range or a narrower one in which papers agree.
    pub colour_range_mag: (f64, f64),
    /// Scatter of single stars about it, as the source gives it.
    pub scatter_mag: f64,
    /// Paper and table.
    pub source: &'static str,
    /// The coefficients were written down from memory and checked as this page says.
    pub from_memory: bool,
}

/// A magnitude that came out of a transformation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transformed {
    /// Magnitude in the target band; its error holds the catalogue's and the scatter of single stars.
    pub mag: Measured,
    /// The colour that went in.
    pub colour_mag: f64,
    /// By which transformation.
    pub by: &'static Transformation,
}

/// Error that all stars share which one transformation brought to a band: it does not average out in a zero point.
///
/// The Sun's magnitudes come out with a root mean square of 0.019 mag from Willmer's over the sets here (test
/// `the_sun_comes_out_as_the_sun`), most of it in R, where all sets and the Sun's spectrum make it 0.035 fainter.
pub const COMMON_SIGMA_MAG: f64 = 0.02;

/// Why a magnitude was not transformed.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum NotTransformed {
    /// No set is known.
    #[error("no transformation to band {target} is known")]
    NoTransformation {
        /// The band asked for.
        target: String,
    },
    /// None of the sets has its bands.
    #[error("band {target} can be made from {alternatives}, and none of these is complete")]
    MissingBands {
        /// The band asked for.
        target: String,
        /// Sets of bands that would do.
        alternatives: String,
    },
    /// The star is too blue or too red.
    #[error("{blue} − {red} is {colour_mag:.2}, outside {low} to {high}, where {target} is known from it")]
    ColourOutside {
        /// Bluer band of the colour.
        blue: &'static str,
        /// Redder band.
        red: &'static str,
        /// The colour.
        colour_mag: f64,
        /// Bluest colour.
        low: f64,
        /// Reddest colour.
        high: f64,
        /// The band asked for.
        target: &'static str,
    },
}

const LUPTON: &str = "Lupton 2005, transformations on the SDSS web site (DR4), coefficients from memory";
const JESTER: &str = "Jester et al. 2005, AJ 130, 873, table 1 (stars with R − I < 1.15), coefficients from memory";
const TONRY: &str = "Tonry et al. 2012, ApJ 750, 99, table 6, coefficients from memory";
const RIELLO: &str = "Riello et al. 2021, A&A 649, A3, appendix C, coefficients from memory";

const SDSS_GR: ((&str, &str), (f64, f64)) = (("g", "r"), (-0.2, 1.2));
const SDSS_RI: ((&str, &str), (f64, f64)) = (("r", "i"), (-0.2, 0.8));
const JOHNSON: ((&str, &str), (f64, f64)) = (("B", "V"), (-0.1, 1.4));
const PS1: ((&str, &str), (f64, f64)) = (("gp1", "rp1"), (-0.2, 1.2));
const GAIA: ((&str, &str), (f64, f64)) = (("BP", "RP"), (0.3, 2.0));

/// Sets to one target stand in the order of their scatter: the first whose bands are there is used.
const TABLE: [Transformation; 25] = [
    set("B", "g", SDSS_GR, &[0.2271, 0.3130], 0.0107, LUPTON),
    set("B", "gp1", PS1, &[0.212, 0.556, 0.034], 0.032, TONRY),
    set("V", "g", SDSS_GR, &[-0.01, -0.59], 0.01, JESTER),
    set("V", "rp1", PS1, &[0.005, 0.462, 0.013], 0.012, TONRY),
    set("V", "G", GAIA, &[0.02704, -0.01424, 0.2156, -0.01426], 0.03017, RIELLO),
    set("R", "r", SDSS_GR, &[-0.0971, -0.1837], 0.0106, LUPTON),
    set("R", "rp1", PS1, &[-0.137, -0.108, -0.029], 0.015, TONRY),
    set("R", "G", GAIA, &[0.02275, -0.3961, 0.1243, 0.01396, -0.003775], 0.03167, RIELLO),
    set("I", "r", SDSS_RI, &[-0.3820, -1.2444], 0.0078, LUPTON),
    set("I", "ip1", PS1, &[-0.366, -0.136, -0.018], 0.017, TONRY),
    set("I", "G", GAIA, &[-0.01753, -0.76, 0.0991], 0.03765, RIELLO),
    set("g", "gp1", PS1, &[0.013, 0.145, 0.019], 0.008, TONRY),
    set("g", "V", JOHNSON, &[-0.12, 0.60], 0.02, JESTER),
    set("g", "G", GAIA, &[-0.2199, 0.6365, 0.1548, -0.0064], 0.0745, RIELLO),
    set("r", "rp1", PS1, &[-0.001, 0.004, 0.007], 0.004, TONRY),
    set("r", "V", JOHNSON, &[0.11, -0.42], 0.03, JESTER),
    set("r", "G", GAIA, &[0.09837, -0.08592, -0.1907, 0.1701, -0.02263], 0.03776, RIELLO),
    set("i", "ip1", PS1, &[-0.005, 0.011, 0.010], 0.004, TONRY),
    set("i", "G", (("BP", "RP"), (0.5, 2.0)), &[0.293, -0.6404, 0.09609, 0.002104], 0.04092, RIELLO),
    set("z", "zp1", PS1, &[0.013, -0.039, -0.012], 0.010, TONRY),
    set("gp1", "g", SDSS_GR, &[-0.011, -0.125, -0.015], 0.006, TONRY),
    set("rp1", "r", SDSS_GR, &[0.001, -0.006, -0.002], 0.002, TONRY),
    set("ip1", "i", SDSS_GR, &[0.004, -0.014, 0.001], 0.003, TONRY),
    set("G", "V", (("V", "I"), (0.0, 2.0)), &[-0.01597, -0.02809, -0.2483, 0.03656, -0.002939], 0.0272, RIELLO),
    set("G", "g", (("g", "i"), (0.0, 2.0)), &[-0.1064, -0.4964, -0.09339, 0.004444], 0.0872, RIELLO),
];

const fn set(
    target: &'static str,
    base: &'static str,
    (colour, colour_range_mag): ((&'static str, &'static str), (f64, f64)),
    coefficients: &'static [f64],
    scatter_mag: f64,
    source: &'static str,
) -> Transformation {
    Transformation { target, base, colour, coefficients, colour_range_mag, scatter_mag, source, from_memory: true }
}

impl Transformation {
    /// The bands that it needs, each once.
    pub fn bands(&self) -> Vec<&'static str> {
        let mut bands = vec![self.base];
        bands.extend([self.colour.0, self.colour.1].into_iter().filter(|b| *b != self.base));
        bands
    }

    /// Whether a catalogue with these bands will do.
    pub fn works_with(&self, has: &dyn Fn(&str) -> bool) -> bool {
        self.bands().into_iter().all(has)
    }

    /// A star's magnitude in the target band.
    ///
    /// # Errors
    /// When a band is missing or the colour is outside [`Self::colour_range_mag`].
    ///
    /// # Accuracy
    /// The error holds the scatter of single stars; all stars share [`COMMON_SIGMA_MAG`] besides. For stars of usual composition
    /// without strong reddening: not for comets with gas.
    pub fn apply(&'static self, known: &dyn Fn(&str) -> Option<Measured>) -> Result<Transformed, NotTransformed> {
        let (blue, red) = self.colour;
        let (Some(base), Some(of_blue), Some(of_red)) = (known(self.base), known(blue), known(red)) else {
            let (target, alternatives) = (self.target.to_string(), self.bands().join(", "));
            return Err(NotTransformed::MissingBands { target, alternatives });
        };
        let colour_mag = of_blue.value - of_red.value;
        let (low, high) = self.colour_range_mag;
        if !(low..=high).contains(&colour_mag) {
            return Err(NotTransformed::ColourOutside { blue, red, colour_mag, low, high, target: self.target });
        }
        let (mut step, mut slope) = (0.0, 0.0);
        for c in self.coefficients.iter().rev() {
            slope = slope * colour_mag + step;
            step = step * colour_mag + c;
        }
        // the base is often one of the colour's bands: what a band's error does is added up before it is squared
        let effect = |band: &str, of_colour: f64| of_colour + if band == self.base { 1.0 } else { 0.0 };
        let alone = if self.base == blue || self.base == red { 0.0 } else { base.sigma };
        let (by_blue, by_red) = (effect(blue, slope) * of_blue.sigma, effect(red, -slope) * of_red.sigma);
        let sigma = alone.hypot(by_blue).hypot(by_red).hypot(self.scatter_mag);
        Ok(Transformed { mag: Measured::new(base.value + step, sigma), colour_mag, by: self })
    }
}

/// The transformations to a band, best first.
pub fn transformations(target: &str) -> impl Iterator<Item = &'static Transformation> {
    let target = bands::canonical(target);
    TABLE.iter().filter(move |t| Some(t.target) == target)
}

/// The sets of bands any of which makes the target band, best first.
pub fn needed_bands(target: &str) -> Vec<Vec<&'static str>> {
    transformations(target).map(Transformation::bands).collect()
}

/// The best transformation to a band for a catalogue with the bands that `has` says: one for all its stars.
///
/// # Errors
/// When no transformation is known, or none has its bands.
pub fn best(target: &str, has: &dyn Fn(&str) -> bool) -> Result<&'static Transformation, NotTransformed> {
    if let Some(found) = transformations(target).find(|t| t.works_with(has)) {
        return Ok(found);
    }
    let alternatives: Vec<String> = needed_bands(target).iter().map(|b| b.join(", ")).collect();
    Err(match alternatives.is_empty() {
        true => NotTransformed::NoTransformation { target: target.to_string() },
        false => NotTransformed::MissingBands { target: target.to_string(), alternatives: alternatives.join("; or ") },
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{reference_passbands, solar};

    /// A star by the best transformation for its bands.
    fn transform(target: &str, known: &dyn Fn(&str) -> Option<Measured>) -> Result<Transformed, NotTransformed> {
        best(target, &|band| known(band).is_some())?.apply(known)
    }

    fn exact(mag: impl Fn(&str) -> Option<f64>) -> impl Fn(&str) -> Option<Measured> {
        move |band| mag(band).map(|m| Measured::new(m, 0.0))
    }

    /// Willmer 2018 (Gaia's from memory): what the Sun is in some bands makes what it is in another.
    #[test]
    fn the_sun_comes_out_as_the_sun() {
        let mut squares = 0.0;
        for t in &TABLE {
            let got = t.apply(&exact(solar::solar_magnitude)).unwrap().mag.value;
            let off = got - solar::solar_magnitude(t.target).unwrap();
            assert!(off.abs() < t.scatter_mag + 0.03, "{} from {}: {off:.3}", t.target, t.base);
            squares += off * off / TABLE.len() as f64;
        }
        assert!(squares.sqrt() < COMMON_SIGMA_MAG, "{}", squares.sqrt());
    }

    /// Stars like the Sun of other temperatures, through passbands of the pyphot 2.1.1 library: colour terms hold over the
    /// range, not at the Sun alone.
    #[test]
    fn stars_of_other_temperatures_come_out_as_they_are() {
        let mut n = 0;
        for column in 0..=reference_passbands::TEMPERATURES_K.len() {
            let mag = reference_passbands::magnitudes(column);
            for t in &TABLE {
                let Ok(got) = t.apply(&exact(&mag)) else { continue };
                let off = got.mag.value - mag(t.target).unwrap();
                assert!(off.abs() < t.scatter_mag + 0.03, "{} from {} of star {column}: {off:.3}", t.target, t.base);
                n += 1;
            }
        }
        assert!(n > 160, "{n}");
    }

    /// Independent papers, all from memory. Jordi, Grebel & Ammon 2006 (A&A 460, 339) for V and B from g − r and for g from
    /// B − V; Evans et al. 2018 (A&A 616, A4), Gaia DR2, for V, R, I and r from BP − RP.
    #[test]
    fn papers_agree_over_the_range() {
        let by = |target: &str, base: &str| TABLE.iter().find(|t| t.target == target && t.base == base).unwrap();
        let check = |t: &'static Transformation, other: &dyn Fn(f64) -> f64, tolerance: f64| {
            let (low, high) = t.colour_range_mag;
            for step in 0..=20 {
                let colour = low + (high - low) * f64::from(step) / 20.0 * 0.999_999;
                // base 0: the redder band of the colour is zero too, unless the base is the bluer
                let known = |band: &str| {
                    let shift = if t.base == t.colour.0 { -colour } else { 0.0 };
                    Some(Measured::new(
                        if band == t.colour.0 {
                            colour + shift
                        } else if band == t.colour.1 {
                            shift
                        } else {
                            0.0
                        },
                        0.0,
                    ))
                };
                let off = t.apply(&known).unwrap().mag.value - other(colour);
                assert!(off.abs() < tolerance, "{} from {} at {colour:.2}: {off:.3}", t.target, t.base);
            }
        };
        check(by("V", "g"), &|x| -0.565 * x - 0.016, 0.03);
        check(by("B", "g"), &|x| 0.313 * x + 0.219, 0.03);
        check(by("g", "V"), &|x| 0.630 * x - 0.124, 0.04);
        check(by("V", "G"), &|x| 0.01760 + 0.006860 * x + 0.1732 * x * x, 0.06);
        check(by("R", "G"), &|x| 0.003226 - 0.3833 * x + 0.1345 * x * x, 0.06);
        check(by("I", "G"), &|x| -0.02085 - 0.7419 * x + 0.09631 * x * x, 0.06);
        check(by("r", "G"), &|x| 0.12879 - 0.24662 * x + 0.027464 * x * x + 0.049465 * x.powi(3), 0.08);
    }

    /// There and back: SDSS to Pan-STARRS1 and again, SDSS to V and g from V.
    #[test]
    fn round_trips_come_back() {
        for step in 0..=20 {
            let colour = 1.1 * f64::from(step) / 20.0;
            let sdss = |band: &str| match band {
                "g" => Some(Measured::new(colour, 0.0)),
                "r" => Some(Measured::new(0.0, 0.0)),
                "i" => Some(Measured::new(-0.35 * colour, 0.0)),
                _ => None,
            };
            let ps1 = |band: &str| transform(band, &sdss).ok().map(|t| t.mag);
            for band in ["g", "r", "i"] {
                let there = |b: &str| if b.ends_with("p1") { ps1(b) } else { None };
                let back = transform(band, &there).unwrap().mag.value;
                assert!((back - sdss(band).unwrap().value).abs() < 0.008, "{band} {colour}: {back}");
            }
            let johnson = |band: &str| if band == "B" || band == "V" { ps1(band) } else { None };
            let back = transform("g", &johnson).unwrap().mag.value;
            assert!((back - colour).abs() < 0.045, "{colour}: {back}");
        }
    }

    /// By hand: V = g − 0.01 − 0.59 (g − r), so that a step of g is 0.41 of one in V and a step of r 0.59.
    #[test]
    fn errors_of_a_band_used_twice_are_added_before_they_are_squared() {
        let known = |band: &str| match band {
            "g" => Some(Measured::new(15.5, 0.05)),
            "r" => Some(Measured::new(15.0, 0.10)),
            _ => None,
        };
        let got = transform("V", &known).unwrap();
        assert!((got.mag.value - (15.5 - 0.01 - 0.295)).abs() < 1e-12 && (got.colour_mag - 0.5).abs() < 1e-12);
        let expected = (0.41 * 0.05f64).hypot(0.59 * 0.10).hypot(0.01);
        assert!((got.mag.sigma - expected).abs() < 1e-12, "{} against {expected}", got.mag.sigma);
        assert!(got.by.from_memory && got.by.source.contains("from memory"));
    }

    #[test]
    fn says_why_a_magnitude_cannot_be_made() {
        let red = |band: &str| match band {
            "g" => Some(Measured::new(17.0, 0.0)),
            "r" => Some(Measured::new(15.5, 0.0)),
            _ => None,
        };
        let told = transform("V", &red).unwrap_err().to_string();
        assert_eq!(told, "g − r is 1.50, outside -0.2 to 1.2, where V is known from it");
        let told = transform("I", &red).unwrap_err().to_string();
        assert_eq!(told, "band I can be made from r, i; or ip1, gp1, rp1; or G, BP, RP, and none of these is complete");
        let told = transform("L", &red).unwrap_err().to_string();
        assert_eq!(told, "no transformation to band L is known");
        assert!(TABLE[0].apply(&|_| Some(Measured::new(f64::NAN, 0.0))).is_err());
    }

    #[test]
    fn the_best_set_for_a_catalogue_is_taken() {
        let catalogue = |bands: &'static str| move |band: &str| bands.split(' ').any(|b| b == band);
        assert_eq!(best("Rc", &catalogue("G BP RP gp1 rp1")).unwrap().base, "rp1");
        assert_eq!(best("R", &catalogue("G BP RP")).unwrap().source, RIELLO);
        assert_eq!(needed_bands("z"), [["zp1", "gp1", "rp1"]]);
        assert!(needed_bands("Ks").is_empty());
        for pair in TABLE.windows(2).filter(|p| p[0].target == p[1].target) {
            assert!(pair[0].scatter_mag <= pair[1].scatter_mag, "{pair:?}");
        }
    }
}
