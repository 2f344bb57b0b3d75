//! Star magnitudes of one photometric system from those of another.
//!
//! A catalogue that lacks the band can still tie a night to it, a little less well. Coefficients were written down from memory and
//! checked as the tests say: against the Sun's magnitudes of Willmer 2018 in all systems, and paper against paper.

use crate::solar;

/// target = base + Σ c_k (blue − red)^k, for ordinary stars.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandTransform {
    /// The band that it gives.
    pub target: &'static str,
    /// The band that it starts from.
    pub base: &'static str,
    /// The bands of its colour, bluer first.
    pub colour: (&'static str, &'static str),
    /// c_0, c_1, …
    coefficients: [f64; 5],
    /// Range of the colour, mag.
    pub colour_range: (f64, f64),
    /// Scatter of stars about it, mag.
    pub scatter_mag: f64,
    /// Paper and table.
    pub source: &'static str,
}

/// Error of a transformed band's zero point beside the scatter, mag: papers differ by this for stars of the Sun's colour, and so do
/// they from the Sun's own magnitudes (root mean square of the tests' differences 0.02).
pub const SHARED_SIGMA_MAG: f64 = 0.02;

const LUPTON: &str = "Lupton 2005, SDSS web page, from memory";
const TONRY: &str = "Tonry et al. 2012, ApJ 750, 99, table 6, from memory";
const RIELLO: &str = "Riello et al. 2021, A&A 649, A3, table C.2, from memory";

const fn sdss(
    target: &'static str,
    base: &'static str,
    colour: (&'static str, &'static str),
    c: [f64; 2],
    s: f64,
) -> BandTransform {
    let coefficients = [c[0], c[1], 0.0, 0.0, 0.0];
    BandTransform { target, base, colour, coefficients, colour_range: (-0.3, 1.5), scatter_mag: s, source: LUPTON }
}

const fn ps1(target: &'static str, base: &'static str, c: [f64; 3], s: f64) -> BandTransform {
    let coefficients = [c[0], c[1], c[2], 0.0, 0.0];
    let colour = ("gp1", "rp1");
    BandTransform { target, base, colour, coefficients, colour_range: (-0.5, 1.5), scatter_mag: s, source: TONRY }
}

const fn gaia(target: &'static str, coefficients: [f64; 5], colour_range: (f64, f64), s: f64) -> BandTransform {
    BandTransform {
        target,
        base: "G",
        colour: ("BP", "RP"),
        coefficients,
        colour_range,
        scatter_mag: s,
        source: RIELLO,
    }
}

/// Every transformation, the closer ones of a target first. Those of Gaia are printed as G − target; signs are turned here.
pub const TRANSFORMS: [BandTransform; 18] = [
    sdss("B", "g", ("g", "r"), [0.2271, 0.3130], 0.0107),
    sdss("V", "g", ("g", "r"), [-0.0038, -0.5784], 0.0054),
    sdss("R", "r", ("g", "r"), [-0.0971, -0.1837], 0.0106),
    sdss("I", "r", ("r", "i"), [-0.3820, -1.2444], 0.0078),
    ps1("B", "gp1", [0.212, 0.556, 0.034], 0.032),
    ps1("V", "rp1", [0.005, 0.462, 0.013], 0.012),
    ps1("R", "rp1", [-0.137, -0.108, -0.029], 0.015),
    ps1("I", "ip1", [-0.366, -0.136, -0.018], 0.017),
    ps1("g", "gp1", [0.013, 0.145, 0.019], 0.008),
    ps1("r", "rp1", [-0.001, 0.004, 0.007], 0.004),
    ps1("i", "ip1", [-0.005, 0.011, 0.010], 0.004),
    ps1("z", "zp1", [0.013, -0.039, -0.012], 0.010),
    gaia("V", [0.02704, -0.01424, 0.2156, -0.01426, 0.0], (-0.5, 5.0), 0.030),
    gaia("R", [0.02275, -0.3961, 0.1243, 0.01396, -0.003775], (0.0, 4.0), 0.032),
    gaia("I", [-0.01753, -0.76, 0.0991, 0.0, 0.0], (0.0, 4.0), 0.038),
    gaia("g", [-0.2199, 0.6365, 0.1548, -0.0064, 0.0], (0.3, 3.0), 0.075),
    gaia("r", [0.09837, -0.08592, -0.1907, 0.1701, -0.02263], (0.0, 3.0), 0.038),
    gaia("i", [0.293, -0.6404, 0.09609, 0.002104, 0.0], (0.5, 2.0), 0.041),
];

impl BandTransform {
    /// The first transformation to a band whose own bands are all there.
    pub fn to(target: &str, has: impl Fn(&str) -> bool) -> Option<&'static Self> {
        let target = solar::band_named(target)?.name;
        TRANSFORMS.iter().find(|t| t.target == target && [t.base, t.colour.0, t.colour.1].iter().all(|b| has(b)))
    }

    /// The magnitude in the target band; `None` outside the range of colours, or where a magnitude is missing.
    pub fn magnitude(&self, of: impl Fn(&str) -> Option<f64>) -> Option<f64> {
        let colour = of(self.colour.0)? - of(self.colour.1)?;
        let (bluest, reddest) = self.colour_range;
        let step = self.coefficients.iter().rev().fold(0.0, |sum, c| sum * colour + c);
        let base = of(self.base)?;
        (bluest..=reddest).contains(&colour).then_some(base + step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Willmer 2018, ApJS 236, 47 (Gaia: Casagrande & VandenBerg 2018, from memory): the Sun's magnitudes in all systems. Every
    /// transformation takes them into each other within its scatter and the 0.04 mag of the absolute values.
    #[test]
    fn the_sun_is_the_sun_in_every_system() {
        let sun = |b: &str| solar::solar_magnitude(b).map(|m| m.value);
        let mut squares = 0.0;
        for t in &TRANSFORMS {
            let got = t.magnitude(sun).unwrap();
            let off = got - sun(t.target).unwrap();
            assert!(off.abs() < 0.04 + t.scatter_mag, "{} from {}: {off:+.3}", t.target, t.base);
            squares += off * off;
        }
        assert!((squares / TRANSFORMS.len() as f64).sqrt() < 1.3 * SHARED_SIGMA_MAG);
    }

    /// Papers against each other: from Gaia to SDSS (Riello et al.) and on to V, R and I (Lupton), against Gaia to V, R and I.
    #[test]
    fn papers_agree_with_each_other_over_the_colours_of_common_stars() {
        let from = |target: &str, base: &str| TRANSFORMS.iter().find(|t| t.target == target && t.base == base).unwrap();
        for step in 0..=12 {
            let x = 0.6 + 0.05 * f64::from(step);
            let gaia = |b: &str| Some(if b == "BP" { 15.0 + x } else { 15.0 });
            let sdss = |b: &str| from(b, "G").magnitude(gaia);
            for (target, base) in [("V", "g"), ("R", "r"), ("I", "r")] {
                let direct = from(target, "G").magnitude(gaia).unwrap();
                let by_sdss = from(target, base).magnitude(sdss).unwrap();
                assert!((direct - by_sdss).abs() < 0.08, "{target} at BP − RP {x}: {direct:.3} against {by_sdss:.3}");
            }
        }
        // Pan-STARRS to SDSS to V, against Pan-STARRS to V
        for x in [0.2, 0.5, 0.8, 1.1] {
            let ps1 =
                |b: &str| Some(if b == "gp1" { 15.0 + x } else { 15.0 - 0.2 * x * f64::from(u8::from(b == "ip1")) });
            let sdss =
                |b: &str| TRANSFORMS.iter().find(|t| t.target == b && t.base.ends_with("p1")).unwrap().magnitude(ps1);
            for (target, base, sdss_base) in [("V", "rp1", "g"), ("R", "rp1", "r"), ("B", "gp1", "g")] {
                let direct = from(target, base).magnitude(ps1).unwrap();
                let by_sdss = from(target, sdss_base).magnitude(sdss).unwrap();
                assert!((direct - by_sdss).abs() < 0.05, "{target} at g − r {x}: {direct:.3} against {by_sdss:.3}");
            }
        }
    }

    #[test]
    fn what_is_missing_or_out_of_range_gives_nothing() {
        let has_sdss = |b: &str| ["g", "r"].contains(&b);
        assert_eq!(BandTransform::to("Rc", has_sdss).unwrap().source, LUPTON);
        assert_eq!(BandTransform::to("I", has_sdss), None);
        assert_eq!(BandTransform::to("L", |_| true), None);
        let red = |b: &str| Some(if b == "g" { 17.0 } else { 15.0 });
        assert_eq!(BandTransform::to("V", has_sdss).unwrap().magnitude(red), None);
    }
}
