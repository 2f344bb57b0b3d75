//! What can be wrong with a time, an orbit, a site or a WCS.

use thiserror::Error;

/// Why a place, a time or a WCS could not be had.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum SkyError {
    /// A text is no instant.
    #[error("\"{text}\" is no UTC instant: {reason}")]
    BadInstant {
        /// The text.
        text: String,
        /// What is wrong with it.
        reason: String,
    },
    /// An instant is outside the years that the Earth's theory covers.
    #[error("julian date {jd} is outside the years 1900 to 2100 that the Earth's ephemeris covers")]
    OutsideEphemeris {
        /// The instant.
        jd: f64,
    },
    /// An orbital element cannot be what it claims to be.
    #[error("{name} is {value}, outside {range}")]
    BadElement {
        /// The element.
        name: &'static str,
        /// Its value.
        value: f64,
        /// The allowed range in words.
        range: &'static str,
    },
    /// Kepler's equation or the integration found no solution.
    #[error("the orbit could not be followed {days:.1} days from its epoch")]
    NoOrbitSolution {
        /// Distance from the epoch.
        days: f64,
    },
    /// A motion was asked for a place outside the interval that it was computed for.
    #[error("julian date {jd} is outside the interval {from_jd:.2} to {to_jd:.2} over which the motion was computed")]
    OutsideMotion {
        /// The instant.
        jd: f64,
        /// The interval's start.
        from_jd: f64,
        /// Its end.
        to_jd: f64,
    },
    /// A keyword of a WCS is missing.
    #[error("{keyword} is missing")]
    MissingKeyword {
        /// The keyword.
        keyword: String,
    },
    /// A keyword of a WCS holds something that cannot be used.
    #[error("{keyword}: {reason}")]
    BadKeyword {
        /// The keyword.
        keyword: String,
        /// What is wrong.
        reason: String,
    },
    /// The matrix of a WCS has no inverse.
    #[error("the matrix of the WCS is singular (CD1_1 = {}, CD1_2 = {}, CD2_1 = {}, CD2_2 = {})", cd[0][0], cd[0][1], cd[1][0], cd[1][1])]
    SingularMatrix {
        /// The matrix, degrees per pixel.
        cd: [[f64; 2]; 2],
    },
    /// A place is not on the tangent plane's side of the sky, or the distortion could not be inverted there.
    #[error("RA {ra_deg:.4}°, Dec {dec_deg:.4}° cannot be placed on this frame's tangent plane")]
    NotOnPlane {
        /// Right ascension.
        ra_deg: f64,
        /// Declination.
        dec_deg: f64,
    },
    /// There are too few stars to match.
    #[error("{n} usable stars {which}, at least {needed} are needed to match the two lists: {supply}")]
    TooFewStars {
        /// Which list is short, in words.
        which: &'static str,
        /// Its usable stars.
        n: usize,
        /// The limit.
        needed: usize,
        /// What to do.
        supply: String,
    },
    /// No match of the two lists is good enough to be believed.
    #[error(
        "no sure match with the catalogue: the best joins {n_matched} of {n_stars} stars at odds of 10^{log10_odds:.1} \
         against chance, 10^{limit:.1} are asked; {supply}"
    )]
    DoubtfulMatch {
        /// log10 of the odds of the best match.
        log10_odds: f64,
        /// What is asked.
        limit: f64,
        /// Stars that it joins.
        n_matched: usize,
        /// Stars of the frame that took part.
        n_stars: usize,
        /// What to do.
        supply: String,
    },
    /// A line is no one-line orbit.
    #[error("column {column}: {reason}")]
    BadOrbitLine {
        /// 1-based column.
        column: usize,
        /// What is wrong.
        reason: String,
    },
}
