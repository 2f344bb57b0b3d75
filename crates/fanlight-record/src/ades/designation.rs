//! A comet's designation as ADES identifies it.

/// How a record names its object.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Identification {
    /// Permanent designation, such as `67P` or `73P-C`.
    Permanent(String),
    /// Provisional designation, such as `C/1995 O1`.
    Provisional(String),
    /// The observer's own name, at most eight letters, digits and underscores.
    Tracklet(String),
}

/// The identification in a designation as people write it: `67P`, `67P/Name`, `73P-C`, `C/1995 O1 (Name)`. `None` where
/// there is none.
///
/// # Source
/// Patterns of the submission schema for `permID` and `provID`.
pub fn identify(designation: &str) -> Option<Identification> {
    let text = designation.trim();
    let before_name = text.split_once(" (").map_or(text, |(before, _)| before).trim_end();
    if is_provisional(before_name) {
        return Some(Identification::Provisional(before_name.to_owned()));
    }
    let before_name = before_name.split_once('/').map_or(before_name, |(before, _)| before);
    let is_comet = before_name.contains(|c: char| c.is_ascii_uppercase());
    (is_comet && is_permanent(before_name)).then(|| Identification::Permanent(before_name.to_owned()))
}

/// The identification that an observer states: permanent, provisional, or a name of their own.
pub(super) fn stated(id: &str) -> Identification {
    if is_permanent(id) {
        Identification::Permanent(id.to_owned())
    } else if is_provisional(id) {
        Identification::Provisional(id.to_owned())
    } else {
        Identification::Tracklet(id.to_owned())
    }
}

/// `\d+([IPD](-[A-Z]{1,2})?)?`
pub(super) fn is_permanent(text: &str) -> bool {
    let rest = text.trim_start_matches(|c: char| c.is_ascii_digit());
    if rest.len() == text.len() {
        return false;
    }
    let Some(after_kind) = rest.strip_prefix(['I', 'P', 'D']) else { return rest.is_empty() };
    let Some(fragment) = after_kind.strip_prefix('-') else { return after_kind.is_empty() };
    matches!(fragment.len(), 1 | 2) && all_capitals(fragment)
}

/// `[ADCPX]/\d{4} [A-Z]{1,2}\d*(-[A-Z])?`
pub(super) fn is_provisional(text: &str) -> bool {
    let Some(rest) = text.strip_prefix(['A', 'D', 'C', 'P', 'X']).and_then(|t| t.strip_prefix('/')) else {
        return false;
    };
    let Some((year, rest)) = rest.split_once(' ') else { return false };
    let (half_month, fragment) = match rest.split_once('-') {
        Some((before, fragment)) => (before, Some(fragment)),
        None => (rest, None),
    };
    let letters = half_month.trim_end_matches(|c: char| c.is_ascii_digit());
    year.len() == 4
        && year.bytes().all(|b| b.is_ascii_digit())
        && matches!(letters.len(), 1 | 2)
        && all_capitals(letters)
        && fragment.is_none_or(|f| f.len() == 1 && all_capitals(f))
}

fn all_capitals(text: &str) -> bool {
    text.bytes().all(|b| b.is_ascii_uppercase())
}

#[cfg(test)]
mod tests {
    use super::*;
    use Identification::{Permanent, Provisional, Tracklet};

    fn check(designation: &str, expected: Option<Identification>) {
        assert_eq!(identify(designation), expected, "{designation}");
    }

    /// Designations of the standard's description, and as orbit files spell them.
    #[test]
    fn designations_as_people_write_them() {
        check("67P", Some(Permanent("67P".into())));
        check("67P/Churyumov-Gerasimenko", Some(Permanent("67P".into())));
        check("3D/Biela", Some(Permanent("3D".into())));
        check("73P-C", Some(Permanent("73P-C".into())));
        check("73P-AB/Schwassmann-Wachmann", Some(Permanent("73P-AB".into())));
        check("C/1999 K7", Some(Provisional("C/1999 K7".into())));
        check(" C/1995 O1 (Hale-Bopp)", Some(Provisional("C/1995 O1".into())));
        check("P/1994 P1-B (Machholz)", Some(Provisional("P/1994 P1-B".into())));
        check("P/1998 QP54 (LONEOS-Tucker)", Some(Provisional("P/1998 QP54".into())));
        check("my comet", None);
        check("Comet 7", None);
        check("2031", None);
        check("C/31 Z2", None);
        check("c/2031 Z2", None);
        check("6|P", None);
        check("", None);
    }

    #[test]
    fn a_stated_identification_may_be_ones_own_name() {
        assert_eq!(stated("67P"), Permanent("67P".into()));
        assert_eq!(stated("C/1999 K7"), Provisional("C/1999 K7".into()));
        assert_eq!(stated("new_1"), Tracklet("new_1".into()));
    }

    #[test]
    fn patterns_are_those_of_the_schema() {
        for (text, permanent, provisional) in [
            ("1234567", true, false),
            ("73P-ABC", false, false),
            ("73P-", false, false),
            ("P", false, false),
            ("C/2013 A1", false, true),
            ("C/2013 A1-BC", false, false),
            ("C/2013 A", false, true),
            ("C/2013 1A", false, false),
            ("C/2013  A1", false, false),
            ("S/2013 A1", false, false),
        ] {
            assert_eq!((is_permanent(text), is_provisional(text)), (permanent, provisional), "{text}");
        }
    }
}
