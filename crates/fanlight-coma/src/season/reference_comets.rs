//! Published activity of other comets, each value with its source.
//!
//! All are A(θ)fρ as published: none is corrected for phase, so none may stand beside A(0°)fρ. Errors are as published, `None`
//! where the source gave none; apertures and bands as far as they were stated.

use super::Side;

/// Which side of perihelion a published value is from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PublishedSide {
    /// One side.
    On(Side),
    /// Close to perihelion.
    Perihelion,
    /// Both sides together.
    Both,
    /// Not stated where it was seen.
    NotStated,
}

/// The light that a value was made from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PublishedBand<'a> {
    /// A narrow band of the continuum, free of gas.
    NarrowContinuum,
    /// A broad band by its name, with what gas it lets through.
    Broad(&'a str),
    /// A broad band that is not named.
    BroadUnnamed,
    /// A stretch of a spectrum, in ångströms.
    Spectrum {
        /// Short end.
        from_angstrom: u32,
        /// Long end.
        to_angstrom: u32,
    },
    /// Not stated where it was seen.
    NotStated,
}

/// One published value of Afρ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PublishedPoint<'a> {
    /// When, as published; `None` where not stated.
    pub epoch: Option<&'a str>,
    /// Distance from the Sun; `None` where not stated.
    pub r_au: Option<f64>,
    /// True where the distance was computed from the date and the orbit, not published.
    pub is_r_computed: bool,
    /// Side of perihelion.
    pub side: PublishedSide,
    /// Afρ, cm; the middle where a range was published.
    pub afrho_cm: f64,
    /// Its published error, cm.
    pub afrho_err_cm: Option<f64>,
    /// Its published range, cm, of nights or of uncertainty.
    pub afrho_range_cm: Option<(f64, f64)>,
    /// Whether it is A(0°)fρ.
    pub is_phase_corrected: bool,
    /// Band.
    pub band: PublishedBand<'a>,
    /// Radius of the aperture at the comet; `None` where not stated.
    pub aperture_km: Option<f64>,
    /// True in an outburst, as the source says.
    pub is_outburst: bool,
    /// True where the value is the authors' extrapolation, not a measurement.
    pub is_extrapolated: bool,
    /// Where it is published, with what else must be known of it.
    pub source: &'a str,
}

/// A published power of the distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PublishedSlope<'a> {
    /// Afρ ∝ r to this power.
    pub slope: f64,
    /// Its published error.
    pub slope_err: Option<f64>,
    /// Its published range; the slope is then its middle.
    pub slope_range: Option<(f64, f64)>,
    /// Side of perihelion.
    pub side: PublishedSide,
    /// Distances it holds for, smallest first; `None` where not stated.
    pub r_range_au: Option<(f64, f64)>,
    /// Where it is published, with what else must be known of it.
    pub source: &'a str,
}

/// A comet with what is published of its activity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferenceComet<'a> {
    /// Designation and name.
    pub comet: &'a str,
    /// Values.
    pub points: &'a [PublishedPoint<'a>],
    /// Slopes.
    pub slopes: &'a [PublishedSlope<'a>],
}

const PRE: PublishedSide = PublishedSide::On(Side::Pre);
const POST: PublishedSide = PublishedSide::On(Side::Post);

const BARE: PublishedPoint<'static> = PublishedPoint {
    epoch: None,
    r_au: None,
    is_r_computed: false,
    side: PublishedSide::NotStated,
    afrho_cm: 0.0,
    afrho_err_cm: None,
    afrho_range_cm: None,
    is_phase_corrected: false,
    band: PublishedBand::NotStated,
    aperture_km: None,
    is_outburst: false,
    is_extrapolated: false,
    source: "",
};

/// A value of C/1996 B2: logarithms of cm, as the circulars print.
const fn hyakutake(epoch: &'static str, r_au: f64, afrho_cm: f64, source: &'static str) -> PublishedPoint<'static> {
    PublishedPoint {
        epoch: Some(epoch),
        r_au: Some(r_au),
        side: PRE,
        afrho_cm,
        band: PublishedBand::NarrowContinuum,
        source,
        ..BARE
    }
}

const fn outburst(point: PublishedPoint<'static>) -> PublishedPoint<'static> {
    PublishedPoint { is_outburst: true, ..point }
}

const IAUC_6372: &str = "Schleicher, IAUC 6372 (1996); aperture not stated";
const IAUC_6333: &str = "Schleicher, IAUC 6333 (1996); aperture not stated";
const IAUC_7455: &str = "Schleicher & Eberhardy, IAUC 7455 (2000); aperture not stated, distance computed";
const BLAAUW: &str = "Blaauw, Suggs & Cooke 2014, Meteoritics & Planetary Science";
const KIDGER: &str = "Kidger 2004, A&A 420, 389; distance that of perihelion, from memory";
const MAZZOTTA_EPIFANI: &str = "Mazzotta Epifani et al. 2009, A&A 502, 355; inner 5 arcsec";

/// The set that is built in.
pub const REFERENCE_COMETS: &[ReferenceComet<'static>] = &[
    ReferenceComet {
        comet: "C/1996 B2 (Hyakutake)",
        points: &[
            hyakutake("1996-02-09.5", 1.90, 1549.0, "Schleicher, IAUC 6311 (1996); aperture not stated"),
            hyakutake("1996-02-25.5", 1.60, 2399.0, IAUC_6333),
            hyakutake("1996-03-01.5", 1.51, 2818.0, IAUC_6333),
            hyakutake("1996-03-19.4", 1.16, 5248.0, "Schleicher, IAUC 6344 (1996); aperture not stated"),
            outburst(hyakutake("1996-03-23.2/.5", 1.08, 8128.0, IAUC_6372)),
            outburst(hyakutake("1996-03-24.2/.5", 1.06, 6607.0, IAUC_6372)),
            hyakutake("1996-03-25.1/.2", 1.05, 5623.0, IAUC_6372),
            hyakutake("1996-03-29.1/.3", 0.96, 6310.0, IAUC_6372),
            hyakutake(
                "1996-03-30.1/.2",
                0.94,
                7079.0,
                "Schleicher, IAUC 6372 (1996); varies by 0.1 dex with rotation; aperture not stated",
            ),
        ],
        slopes: &[PublishedSlope {
            slope: -2.5,
            slope_err: None,
            slope_range: None,
            side: PRE,
            r_range_au: Some((1.16, 1.90)),
            source: "Schleicher, IAUC 6344 (1996)",
        }],
    },
    ReferenceComet {
        comet: "C/1999 S4 (LINEAR)",
        points: &[
            PublishedPoint {
                epoch: Some("2000-06-10/12"),
                r_au: Some(1.14),
                is_r_computed: true,
                side: PRE,
                afrho_cm: 676.0,
                band: PublishedBand::NarrowContinuum,
                source: IAUC_7455,
                ..BARE
            },
            PublishedPoint {
                epoch: Some("2000-07-13"),
                r_au: Some(0.80),
                is_r_computed: true,
                side: PRE,
                afrho_cm: 355.0,
                band: PublishedBand::NarrowContinuum,
                source: "IAUC 7455 and 7467 (2000); the nucleus broke up later in July; aperture not stated, distance computed",
                ..BARE
            },
        ],
        slopes: &[],
    },
    ReferenceComet {
        comet: "21P/Giacobini-Zinner",
        points: &[
            PublishedPoint {
                epoch: Some("2011-05-24"),
                r_au: Some(3.05),
                side: PRE,
                afrho_cm: 16.48,
                band: PublishedBand::BroadUnnamed,
                source: BLAAUW,
                ..BARE
            },
            PublishedPoint {
                epoch: Some("2011-10-24"),
                r_au: Some(1.77),
                side: PRE,
                afrho_cm: 284.17,
                band: PublishedBand::BroadUnnamed,
                source: BLAAUW,
                ..BARE
            },
            PublishedPoint {
                epoch: Some("2012, perihelion"),
                side: PublishedSide::Perihelion,
                afrho_cm: 3824.0,
                band: PublishedBand::BroadUnnamed,
                is_extrapolated: true,
                source: "Blaauw, Suggs & Cooke 2014: extrapolated by the authors; 131 cm were measured at the 2005 apparition",
                ..BARE
            },
            PublishedPoint {
                epoch: Some("2005 apparition, peak"),
                side: POST,
                afrho_cm: 131.0,
                band: PublishedBand::BroadUnnamed,
                source: "Pittichova et al. 2008, arXiv 0806.3582",
                ..BARE
            },
        ],
        slopes: &[PublishedSlope {
            slope: -2.04,
            slope_err: None,
            slope_range: None,
            side: POST,
            r_range_au: None,
            source: "Pittichova et al. 2008, arXiv 0806.3582: out to 3.3 au",
        }],
    },
    ReferenceComet {
        comet: "19P/Borrelly",
        points: &[PublishedPoint {
            epoch: Some("2001 Sep"),
            r_au: Some(1.36),
            side: PublishedSide::Perihelion,
            afrho_cm: 450.0,
            afrho_range_cm: Some((400.0, 500.0)),
            band: PublishedBand::NarrowContinuum,
            source: "Schleicher, Woodney & Millis 2003, Icarus 162: steeper than 1/rho beyond 20 000 km; distance from memory",
            ..BARE
        }],
        slopes: &[],
    },
    ReferenceComet {
        comet: "46P/Wirtanen",
        points: &[
            PublishedPoint {
                epoch: Some("1997, near perihelion"),
                r_au: Some(1.06),
                side: PublishedSide::Perihelion,
                afrho_cm: 129.0,
                afrho_err_cm: Some(25.8),
                band: PublishedBand::Spectrum { from_angstrom: 5200, to_angstrom: 10_000 },
                source: "Fink et al. 1998, A&A 335, L37: 20 per cent; distance that of perihelion, from memory",
                ..BARE
            },
            PublishedPoint {
                epoch: Some("2002/03, perihelion"),
                r_au: Some(1.06),
                side: PublishedSide::Perihelion,
                afrho_cm: 200.0,
                band: PublishedBand::Broad("R"),
                source: KIDGER,
                ..BARE
            },
        ],
        slopes: &[],
    },
    ReferenceComet {
        comet: "67P/Churyumov-Gerasimenko",
        points: &[PublishedPoint {
            epoch: Some("2002/03, perihelion"),
            r_au: Some(1.29),
            side: PublishedSide::Perihelion,
            afrho_cm: 200.0,
            band: PublishedBand::Broad("R"),
            source: KIDGER,
            ..BARE
        }],
        slopes: &[PublishedSlope {
            slope: -4.15,
            slope_err: None,
            slope_range: Some((-4.2, -4.1)),
            side: POST,
            r_range_au: None,
            source: "Boehnhardt et al. 2016, MNRAS 462, S376: 2015 Sep to 2016 May, Sloan r and i",
        }],
    },
    ReferenceComet {
        comet: "103P/Hartley 2",
        points: &[PublishedPoint {
            epoch: Some("2010, T-10 to T+50 d"),
            r_au: Some(1.16),
            is_r_computed: true,
            side: PublishedSide::Both,
            afrho_cm: 100.0,
            afrho_range_cm: Some((70.0, 140.0)),
            band: PublishedBand::Broad("R"),
            aperture_km: Some(10_000.0),
            source: "Milani et al. 2013, Icarus: about 100 cm, the range that of days, at 1.06 to 1.26 au (the middle computed)",
            ..BARE
        }],
        slopes: &[],
    },
    ReferenceComet {
        comet: "9P/Tempel 1",
        points: &[PublishedPoint {
            epoch: Some("2005, T-83 d"),
            r_au: Some(1.71),
            is_r_computed: true,
            side: PRE,
            afrho_cm: 310.0,
            band: PublishedBand::Broad("R"),
            source: "Milani et al. 2007, Icarus 187, 276: the peak; distance computed",
            ..BARE
        }],
        slopes: &[],
    },
    ReferenceComet {
        comet: "C/2003 O1 (LINEAR)",
        points: &[PublishedPoint {
            r_au: Some(7.39),
            afrho_cm: 552.0,
            afrho_err_cm: Some(36.0),
            band: PublishedBand::Broad("R"),
            source: MAZZOTTA_EPIFANI,
            ..BARE
        }],
        slopes: &[],
    },
    ReferenceComet {
        comet: "C/2004 K1 (Catalina)",
        points: &[PublishedPoint {
            r_au: Some(3.43),
            afrho_cm: 539.0,
            afrho_err_cm: Some(35.0),
            band: PublishedBand::Broad("R"),
            source: MAZZOTTA_EPIFANI,
            ..BARE
        }],
        slopes: &[],
    },
    ReferenceComet {
        comet: "C/1995 O1 (Hale-Bopp)",
        points: &[],
        slopes: &[
            PublishedSlope {
                slope: -1.5,
                slope_err: None,
                slope_range: None,
                side: PublishedSide::Both,
                r_range_au: None,
                source: "Womack et al. 2021, PSJ 2, 17: from the visual light curve, 1995 to 1999; agrees with narrow bands to a factor of 2 to 4",
            },
            PublishedSlope {
                slope: -1.95,
                slope_err: None,
                slope_range: Some((-2.7, -1.2)),
                side: PublishedSide::Both,
                r_range_au: None,
                source: "Schleicher et al. 2024, arXiv 2409.13005: the range that of gas and dust species, 99 nights 1995 to 2000",
            },
        ],
    },
    ReferenceComet {
        comet: "mean of 85 comets",
        points: &[],
        slopes: &[PublishedSlope {
            slope: -2.3,
            slope_err: None,
            slope_range: None,
            side: PublishedSide::Both,
            r_range_au: None,
            source: "A'Hearn et al. 1995, Icarus 118, 223; from memory",
        }],
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::power_law::{ActivityPoint, Scatter, fit_power_law};
    use fanlight_image::Measured;

    #[test]
    fn every_row_has_a_source_and_possible_numbers() {
        for comet in REFERENCE_COMETS {
            assert!(!comet.points.is_empty() || !comet.slopes.is_empty(), "{}", comet.comet);
            for p in comet.points {
                assert!(p.afrho_cm > 1.0 && p.source.len() > 10, "{p:?}");
                assert!(p.r_au.is_none_or(|r| (0.3..10.0).contains(&r)), "{p:?}");
                assert!(p.afrho_err_cm.is_none_or(|e| e > 0.0 && e < p.afrho_cm), "{p:?}");
                assert!(p.afrho_range_cm.is_none_or(|(a, b)| a < p.afrho_cm && p.afrho_cm < b), "{p:?}");
            }
            for s in comet.slopes {
                assert!((-6.0..0.0).contains(&s.slope) && s.source.len() > 10, "{s:?}");
                assert!(s.slope_range.is_none_or(|(a, b)| a < s.slope && s.slope < b), "{s:?}");
                assert!(s.r_range_au.is_none_or(|(a, b)| a < b), "{s:?}");
            }
        }
        let mut names: Vec<_> = REFERENCE_COMETS.iter().map(|c| c.comet).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), REFERENCE_COMETS.len());
    }

    /// The published slope of C/1996 B2 follows from its published values (all nine: -2.22, 6920 cm; the first four: -2.47, 7650).
    #[test]
    fn published_values_give_the_published_slope() {
        let fit = |n: usize| {
            let points: Vec<ActivityPoint> = REFERENCE_COMETS[0].points[..n]
                .iter()
                .map(|p| ActivityPoint {
                    r_au: p.r_au.unwrap(),
                    afrho_cm: Measured::new(p.afrho_cm, 0.02 * p.afrho_cm),
                })
                .collect();
            fit_power_law(&points, Scatter::Free).unwrap()
        };
        for (n, slope, level) in [(4, -2.47, 7650.0), (9, -2.22, 6920.0)] {
            let law = fit(n);
            assert!((law.slope.value - slope).abs() < 0.01, "{law:?}");
            assert!((law.afrho_1au_cm.value / level - 1.0).abs() < 0.01, "{law:?}");
        }
        assert!((fit(4).slope.value - REFERENCE_COMETS[0].slopes[0].slope).abs() < 0.1);
    }
}
