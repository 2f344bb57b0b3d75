//! The fields of an optical record: what each may hold, and what to do where it does not.

use super::codes::{self, CATALOGUES, MODES};
use super::designation;

/// Every field that an optical record may have in a submission, in the schema's order, with its rule.
pub(super) const FIELDS: [(&str, Rule); 28] = [
    ("permID", Rule::Matches(designation::is_permanent, "a number, or a comet's such as 67P or 73P-C")),
    ("provID", Rule::Matches(designation::is_provisional, "a comet's provisional designation such as C/1999 K7")),
    ("trkSub", Rule::Matches(is_tracklet, "at most 8 letters, digits and underscores")),
    ("mode", Rule::Listed(is_mode, "one of CCD, CMO, VID, PHO, ENC, PMT, MIC, MER, TDI, OCC, UNK")),
    ("stn", Rule::Matches(is_station, "an observatory code of three or four letters or digits")),
    ("obsTime", Rule::Matches(is_time, "UTC as yyyy-mm-ddThh:mm:ss, at most six decimals, and Z")),
    ("rmsTime", POSITIVE),
    ("ra", Rule::Decimal { from: 0.0, to: 360.0, with_ends: [true, false], decimals: 9 }),
    ("dec", Rule::Decimal { from: -90.0, to: 90.0, with_ends: [true, true], decimals: 9 }),
    ("rmsRA", POSITIVE),
    ("rmsDec", POSITIVE),
    ("rmsCorr", Rule::Decimal { from: -1.0, to: 1.0, with_ends: [true, true], decimals: usize::MAX }),
    ("astCat", Rule::Listed(is_catalogue, "a listed catalogue code such as Gaia3E")),
    ("mag", Rule::Decimal { from: -5.0, to: 35.0, with_ends: [true, true], decimals: usize::MAX }),
    ("rmsMag", POSITIVE),
    ("band", Rule::Listed(is_band, "a listed band code of at most three characters such as Vj or G")),
    ("fltr", Rule::Listed(is_band, "a listed band code of at most three characters such as Rc")),
    ("photCat", Rule::Listed(is_catalogue, "a listed catalogue code such as Gaia3E")),
    ("photAp", POSITIVE),
    ("logSNR", Rule::Decimal { from: -10.0, to: 10.0, with_ends: [true, true], decimals: usize::MAX }),
    ("seeing", POSITIVE),
    ("exp", POSITIVE),
    ("rmsFit", POSITIVE),
    ("nStars", Rule::Matches(is_count, "a whole number")),
    ("disc", Rule::Text(1)),
    ("uncTime", POSITIVE),
    ("notes", Rule::Text(6)),
    ("remarks", Rule::Text(300)),
];

/// Fields of the standard that a submission may not have.
pub(super) const NOT_IN_SUBMISSIONS: [&str; 2] = ["prog", "nucMag"];

/// Fields that every optical record must have.
pub(super) const REQUIRED: [&str; 6] = ["mode", "stn", "obsTime", "ra", "dec", "astCat"];

const POSITIVE: Rule = Rule::Decimal { from: 0.0, to: f64::INFINITY, with_ends: [false, false], decimals: usize::MAX };

/// What a field may hold.
#[derive(Debug, Clone, Copy)]
pub(super) enum Rule {
    /// Text of a pattern, which the words describe.
    Matches(fn(&str) -> bool, &'static str),
    /// One of a list; any other value has the whole batch refused.
    Listed(fn(&str) -> bool, &'static str),
    /// A decimal number with a digit before its point.
    Decimal {
        /// Least value.
        from: f64,
        /// Greatest value.
        to: f64,
        /// Whether least and greatest value themselves are allowed.
        with_ends: [bool; 2],
        /// Most decimals.
        decimals: usize,
    },
    /// Text of at most so many characters.
    Text(usize),
}

impl Rule {
    /// What is wrong with a value, as the end of a sentence that begins with the field's name.
    pub(super) fn broken_by(&self, value: &str) -> Option<String> {
        let is = |must: String| Some(format!("is \"{value}\"; it must be {must}"));
        if value.trim().is_empty() {
            return Some("is empty; leave the field out".to_owned());
        }
        match *self {
            Self::Matches(fits, words) if !fits(value) => is(words.to_owned()),
            Self::Listed(fits, words) if !fits(value) => {
                is(format!("{words}; an unlisted value has the whole batch refused"))
            }
            Self::Decimal { from, to, with_ends, decimals } => {
                let Some(n_decimals) = decimals_of(value) else {
                    return is("a decimal number with a digit before its point".to_owned());
                };
                if n_decimals > decimals {
                    return is(format!("given to at most {decimals} decimals"));
                }
                let number: f64 = value.parse().unwrap_or(f64::NAN);
                let inside =
                    (number > from || with_ends[0] && number == from) && (number < to || with_ends[1] && number == to);
                match (inside, to.is_finite()) {
                    (true, _) => None,
                    (false, true) if with_ends[1] => is(format!("between {from} and {to}")),
                    (false, true) => is(format!("at least {from} and less than {to}")),
                    (false, false) => is(format!("more than {from}")),
                }
            }
            Self::Text(longest) if value.chars().count() > longest => {
                let n = value.chars().count();
                Some(format!("has {n} characters; it may have {longest}"))
            }
            _ => None,
        }
    }
}

/// The key of the campaign file that gives a field, as a hint.
pub(super) fn remedy(field: &str) -> &'static str {
    match field {
        "permID" | "provID" | "trkSub" => "set object.ades_id in the campaign file, such as 67P or C/1999 K7",
        "mode" | "detector" => "set telescope.detector in the campaign file to a mode code such as CMO or CCD",
        "stn" | "mpcCode" => {
            "set observer.mpc_code in the campaign file to the code that the Minor Planet Center gave your observatory"
        }
        "astCat" | "photCat" => "set photometry.catalogue_code in the campaign file to the ADES code of the catalogue",
        "band" => "name the catalogue's column, and photometry.band, by a band that has an ADES code (docs/export.md)",
        "fltr" => "set photometry.filter_code in the campaign file to the ADES code of the filter, or leave it out",
        "observatory" => "set site.name in the campaign file, or leave it out",
        "telescope" => "set telescope.name in the campaign file, or leave it out",
        "submitter" => "set observer.submitter in the campaign file",
        "observers" => "set observer.names in the campaign file",
        "measurers" => "set observer.names, or observer.measurers, in the campaign file",
        "design" => "set telescope.design in the campaign file, such as \"reflector\"",
        "aperture" => "set telescope.aperture_m in the campaign file",
        "fRatio" => "set telescope.f_ratio in the campaign file",
        _ => "",
    }
}

/// Decimals of a number in decimal notation; `None` where it is none or has no digit before its point.
fn decimals_of(text: &str) -> Option<usize> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (whole, fraction) = unsigned.split_once('.').unwrap_or((unsigned, ""));
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    (!whole.is_empty() && digits(whole) && digits(fraction)).then_some(fraction.len())
}

fn is_tracklet(text: &str) -> bool {
    text.len() <= 8 && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_')
}

pub(super) fn is_station(text: &str) -> bool {
    matches!(text.len(), 3 | 4) && text.bytes().all(|b| b.is_ascii_alphanumeric())
}

pub(super) fn is_mode(text: &str) -> bool {
    MODES.contains(&text)
}

fn is_catalogue(text: &str) -> bool {
    CATALOGUES.contains(&text)
}

fn is_band(text: &str) -> bool {
    codes::known_bands().any(|code| code == text)
}

fn is_count(text: &str) -> bool {
    text.bytes().all(|b| b.is_ascii_digit())
}

/// `yyyy-mm-ddThh:mm:ss[.ssssss]Z`, a day that the calendar has; second 60 is let through for leap seconds.
fn is_time(text: &str) -> bool {
    let Some(text) = text.strip_suffix('Z').filter(|t| t.is_ascii() && t.len() >= 19) else { return false };
    let shape = |(i, b): (usize, u8)| match i {
        4 | 7 => b == b'-',
        10 => b == b'T',
        13 | 16 => b == b':',
        19 => b == b'.',
        _ => b.is_ascii_digit(),
    };
    let whole_fraction = text.len() == 19 || (21..=26).contains(&text.len());
    if !whole_fraction || !text.bytes().enumerate().all(shape) {
        return false;
    }
    let part = |range: std::ops::Range<usize>| text[range].parse::<u32>().unwrap_or(u32::MAX);
    let (year, month) = (part(0..4), part(5..7));
    let is_leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        2 if is_leap => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => 0,
    };
    (1..=days).contains(&part(8..10)) && part(11..13) < 24 && part(14..16) < 60 && part(17..19) <= 60
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_a_digit_before_their_point() {
        for (text, decimals) in [
            ("0.04", Some(2)),
            ("-13.5478723", Some(7)),
            ("1200", Some(0)),
            ("5.", Some(0)),
            ("+3.0", Some(1)),
            (".04", None),
            ("1e3", None),
            ("NaN", None),
            ("", None),
            ("-", None),
            ("1.2.3", None),
        ] {
            assert_eq!(decimals_of(text), decimals, "{text}");
        }
    }

    #[test]
    fn times_are_utc_with_z() {
        for (text, expected) in [
            ("2016-08-29T12:32:34.12Z", true),
            ("2031-03-04T21:10:00Z", true),
            ("2016-12-31T23:59:60.5Z", true),
            ("2032-02-29T00:00:00.123456Z", true),
            ("2031-02-29T00:00:00Z", false),
            ("2016-08-29T12:32:34.12", false),
            ("2016-08-29T12:32:34.Z", false),
            ("2016-08-29T12:32:34.1234567Z", false),
            ("2016-08-29 12:32:34Z", false),
            ("2016-08-29T24:00:00Z", false),
            ("16-08-29T12:00:00Z", false),
            ("2016-08-29T12:32:3éZ", false),
        ] {
            assert_eq!(is_time(text), expected, "{text}");
        }
    }
}
