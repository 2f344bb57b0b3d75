//! When a frame was exposed and for how long, as capture programs write it.
//!
//! # Source
//! FITS standard 4.0, section 9 and table 35: `DATE-OBS` and `MJD-OBS` are the start unless said otherwise; `-BEG`, `-AVG`
//! and `-END` are the start, the middle and the end.

use fanlight_sky::UtcInstant;

use crate::header::{Header, parse_number};

/// Keywords that hold the time of day where `DATE-OBS` is a date alone.
const TIME_KEYS: [&str; 7] = ["TIME-OBS", "UT", "UTSTART", "UT-START", "UTC-OBS", "UT-OBS", "UTC"];

/// Keywords of the exposure time.
const EXPOSURE_KEYS: [&str; 4] = ["EXPTIME", "EXPOSURE", "XPOSURE", "EXP-TIME"];

/// Longest exposure that is believed: a day.
const LONGEST_EXPOSURE_S: f64 = 86_400.0;

const MJD_ZERO_JD: f64 = 2_400_000.5;

/// Two ways to write one instant agree within this: the fifth decimal of a day, as many programs round to, and a second.
const SAME_INSTANT_S: f64 = 2.0;

/// The exposure time in seconds: of the unit that the comment or the value's own text names, seconds where none does.
pub(crate) fn exposure_s(header: &Header, notes: &mut Vec<String>) -> Option<f64> {
    let mut found: Option<(&str, f64)> = None;
    for key in EXPOSURE_KEYS {
        let Some(seconds) = seconds(header, key) else { continue };
        if !(0.0..=LONGEST_EXPOSURE_S).contains(&seconds) {
            notes.push(format!(
                "{key} is {seconds:?} s and was not used; an exposure lasts 0 to {LONGEST_EXPOSURE_S} s"
            ));
            return found.map(|(_, s)| s);
        }
        match found {
            None => found = Some((key, seconds)),
            Some((first, s)) if (s - seconds).abs() > 0.01 * s.max(seconds) => {
                notes.push(format!("{first} is {s} s and {key} is {seconds} s; {first} was used"));
            }
            Some(_) => {}
        }
    }
    found.map(|(_, s)| s)
}

fn seconds(header: &Header, key: &str) -> Option<f64> {
    let comment = header.comment(key).unwrap_or_default();
    if let Some(value) = header.number(key) {
        return Some(value * unit_s(comment));
    }
    // "60 s", "500ms"
    let text = header.text(key)?;
    let digits = text.find(|c: char| c.is_alphabetic() || c.is_whitespace()).unwrap_or(text.len());
    Some(parse_number(&text[..digits])? * unit_s(&text[digits..]))
}

/// Seconds in the unit that a text names.
fn unit_s(text: &str) -> f64 {
    let lower = text.to_lowercase();
    let words: Vec<&str> = lower.split(|c: char| !c.is_alphabetic()).collect();
    let has = |names: &[&str]| words.iter().any(|w| names.contains(w));
    if has(&["s", "sec", "secs", "second", "seconds"]) {
        1.0
    } else if has(&["ms", "msec", "msecs", "millisec", "millisecs", "millisecond", "milliseconds"]) {
        1e-3
    } else if has(&["us", "usec", "µs", "μs", "microsecond", "microseconds"]) {
        1e-6
    } else if has(&["min", "mins", "minute", "minutes"]) {
        60.0
    } else {
        1.0
    }
}

/// Which moment of the exposure an instant is.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Moment {
    Start,
    Middle,
    End,
}

/// Keywords of instants, those that say which moment they mean first. All keywords of a day's number end in `JD` or begin
/// with it.
const INSTANTS: [(&str, Moment); 11] = [
    ("DATE-AVG", Moment::Middle),
    ("MJD-AVG", Moment::Middle),
    ("DATE-BEG", Moment::Start),
    ("MJD-BEG", Moment::Start),
    ("DATE-OBS", Moment::Start),
    ("DATE-END", Moment::End),
    ("MJD-OBS", Moment::Start),
    ("MJD-END", Moment::End),
    ("MJD", Moment::Start),
    ("JD-OBS", Moment::Start),
    ("JD", Moment::Start),
];

/// The start of the exposure.
///
/// # Errors
/// Why it is not known: in words for the user.
pub(crate) fn start(header: &Header, exposure_s: Option<f64>, notes: &mut Vec<String>) -> Result<UtcInstant, String> {
    let system = header.text("TIMESYS").unwrap_or_else(|| "UTC".to_owned()).to_uppercase();
    if !matches!(system.as_str(), "UTC" | "UT" | "UT1" | "GMT") {
        return Err(format!("TIMESYS is {system}; times must be UTC"));
    }
    let dateless = header.text("DATE-OBS").filter(|t| !t.contains(':')).is_some() && time_key(header).is_none();
    let usable = |key: &str| header.text(key).is_some() && !(key == "DATE-OBS" && dateless);
    let Some((key, moment)) = INSTANTS.into_iter().find(|(key, _)| usable(key)) else {
        return Err(match (header.text("DATE-OBS"), header.text("DATE-LOC")) {
            (Some(date), _) => {
                format!("DATE-OBS '{date}' is a date without a time of day, and there is no TIME-OBS or UT")
            }
            (None, Some(local)) => format!(
                "only DATE-LOC '{local}', a local time, says when the exposure began; set DATE-OBS to the time in UTC"
            ),
            (None, None) => "no DATE-OBS says when the exposure began; set it in UTC".to_owned(),
        });
    };
    let at = instant(header, key)?;
    let moment = match said_by_comment(header, key) {
        Some((said, word)) if said != moment && key == "DATE-OBS" => {
            let name = if said == Moment::Middle { "middle" } else { "end" };
            notes.push(format!(
                "the comment of DATE-OBS says \"{word}\", and it was taken for the {name} of the exposure"
            ));
            said
        }
        Some((said, _)) => said,
        None => moment,
    };
    let length = || exposure_s.ok_or_else(|| format!("{key} is not the start, and there is no exposure time"));
    let start = match moment {
        Moment::Start => at,
        Moment::Middle => at.plus_seconds(-0.5 * exposure_s.unwrap_or(0.0)),
        Moment::End => at.plus_seconds(-length()?),
    };
    if key == "DATE-OBS" {
        cross_check(header, &at, &start, exposure_s, notes)?;
    }
    Ok(start)
}

/// What other keywords say of the same exposure.
fn cross_check(
    header: &Header,
    stated: &UtcInstant,
    start: &UtcInstant,
    exposure_s: Option<f64>,
    notes: &mut Vec<String>,
) -> Result<(), String> {
    let exposure_s = exposure_s.unwrap_or(0.0);
    if let Some(mjd) = header.number("MJD-OBS") {
        let later_s = UtcInstant::from_jd(mjd + MJD_ZERO_JD).seconds_since(start);
        let is_inside = later_s > -SAME_INSTANT_S && later_s < exposure_s + SAME_INSTANT_S;
        // zones lie at whole quarters of an hour
        let quarters = (later_s / 900.0).round();
        let is_zone = quarters.abs() >= 2.0
            && quarters.abs() <= 56.0
            && (later_s - 900.0 * quarters > -SAME_INSTANT_S)
            && (later_s - 900.0 * quarters < exposure_s.min(800.0) + SAME_INSTANT_S);
        if !is_inside && is_zone {
            return Err(format!(
                "MJD-OBS is {:+} h from DATE-OBS: one of them is local time; set both to UTC",
                quarters / 4.0
            ));
        }
        if !is_inside {
            notes.push(format!("MJD-OBS is {later_s:+.0} s from DATE-OBS, which was used"));
        }
    }
    if header
        .text("DATE-LOC")
        .is_some_and(|local| UtcInstant::parse(&local).is_ok_and(|l| l.seconds_since(stated).abs() < SAME_INSTANT_S))
    {
        notes.push("DATE-OBS equals DATE-LOC: right only where the clock was set to UTC".to_owned());
    }
    if let Some(end) = header.text("DATE-END").and_then(|text| UtcInstant::parse(&text).ok()) {
        let lasted_s = end.seconds_since(start);
        if lasted_s + SAME_INSTANT_S < exposure_s {
            notes.push(format!(
                "DATE-END is {lasted_s:.0} s after DATE-OBS, though the exposure is {exposure_s} s; DATE-OBS was used"
            ));
        }
    }
    Ok(())
}

/// Which moment the comment of a keyword names, with its word; `None` where it names none or the start too.
fn said_by_comment(header: &Header, key: &str) -> Option<(Moment, String)> {
    let comment = header.comment(key)?.to_lowercase();
    let words: Vec<&str> = comment.split(|c: char| !c.is_alphabetic()).collect();
    if words.iter().any(|w| matches!(*w, "start" | "begin" | "beginning" | "started" | "began" | "starting")) {
        return None;
    }
    words.iter().find_map(|word| match *word {
        "mid" | "middle" | "midpoint" | "midexposure" | "centre" | "center" | "midtime" => {
            Some((Moment::Middle, (*word).to_owned()))
        }
        "end" | "ending" | "ended" => Some((Moment::End, (*word).to_owned())),
        _ => None,
    })
}

fn time_key(header: &Header) -> Option<&'static str> {
    TIME_KEYS.into_iter().find(|key| header.text(key).is_some_and(|t| t.contains(':')))
}

fn instant(header: &Header, key: &str) -> Result<UtcInstant, String> {
    refuse_local(header, key)?;
    if key.contains("JD") {
        let day = header.number(key).ok_or_else(|| format!("{key} is no number"))?;
        let jd = if key.starts_with("MJD") { day + MJD_ZERO_JD } else { day };
        // The years 1900 to 2100
        if !(2_415_020.0..=2_488_070.0).contains(&jd) {
            return Err(format!("{key} is {day}, which is no day of 1900 to 2100"));
        }
        return Ok(UtcInstant::from_jd(jd));
    }
    let mut text = header.text(key).unwrap_or_default();
    if !text.contains(':') {
        let Some(time_key) = time_key(header) else {
            return Err(format!("{key} '{text}' is a date without a time of day, and there is no TIME-OBS or UT"));
        };
        refuse_local(header, time_key)?;
        text = format!("{text}T{}", header.text(time_key).unwrap_or_default());
    }
    UtcInstant::parse(&text).map_err(|e| format!("{key}: {e}"))
}

fn refuse_local(header: &Header, key: &str) -> Result<(), String> {
    let comment = header.comment(key).unwrap_or_default();
    let local = comment.to_lowercase().split(|c: char| !c.is_alphabetic()).any(|word| word == "local");
    match local {
        true => Err(format!("the comment of {key} says local time (\"{comment}\"); times must be UTC")),
        false => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(cards: &[&str]) -> Header {
        let bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80}").into_bytes()).collect();
        Header::parse(&bytes)
    }

    /// The date and time that every right row below must come to, with an exposure of 60 s.
    const START: &str = "2031-03-04T21:10:00.000Z";
    const LOCAL: &str = "DATE-LOC= '2031-03-04T22:10:00'";

    /// One row per way to write it: cards, and the start or words of the refusal.
    const STARTS: [(&[&str], Result<&str, &str>); 33] = [
        (&["DATE-OBS= '2031-03-04T21:10:00' / UTC, start of exposure"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00.000Z'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00.25'"], Ok("2031-03-04T21:10:00.250Z")),
        (&["DATE-OBS= '2031-03-04 21:10:00'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00+00:00'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04'", "TIME-OBS= '21:10:00.0'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04'", "UT      = '21:10:00'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04'", "UTSTART = '21:10:00'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04'", "UTC-OBS = '21:10:00'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04'", "MJD-OBS =       62929.8819444444"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T20:00:00'", "DATE-AVG= '2031-03-04T21:10:30'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T20:00:00'", "DATE-BEG= '2031-03-04T21:10:00'"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:30' / mid-exposure, UTC"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:11:00' / End of exposure"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00' / start, not the end"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00' / localised format"], Ok(START)),
        (&["DATE-END= '2031-03-04T21:11:00'"], Ok(START)),
        (&["MJD-OBS =       62929.8819444444"], Ok(START)),
        (&["MJD-AVG =     62929.882291666666"], Ok(START)),
        (&["JD      =    2462930.38194444444"], Ok(START)),
        (&["JD      =   2462930.382291666666 / Julian date, mid exposure"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00'", "MJD-OBS =           62929.882292"], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00'", LOCAL], Ok(START)),
        (&["DATE-OBS= '2031-03-04T21:10:00'", "MJD-OBS =           62929.840278"], Err("-1 h from DATE-OBS")),
        (&["DATE-OBS= '2031-03-04T21:10:00' / Local time of exposure"], Err("local time")),
        (&["DATE-OBS= '2031-03-04'", "TIME-OBS= '21:10:00' / local"], Err("TIME-OBS says local")),
        (&["DATE-OBS= '2031-03-04T21:10:00+02:00'"], Err("time zone")),
        (&[LOCAL], Err("only DATE-LOC '2031-03-04T22:10:00', a local time")),
        (&["DATE-OBS= '2031-03-04'"], Err("without a time of day")),
        (&["DATE-OBS= 'yesterday'", "UT      = '21:10:00'"], Err("DATE-OBS: \"yesterdayT21:10:00\"")),
        (&["DATE-OBS= '2031-03-04T21:10:00'", "TIMESYS = 'TAI     '"], Err("TIMESYS is TAI")),
        (&["MJD-OBS =                  123.5"], Err("no day of 1900 to 2100")),
        (&["OBJECT  = 'x'"], Err("no DATE-OBS")),
    ];

    #[test]
    fn start_of_the_exposure_as_programs_write_it() {
        for (cards, expected) in STARTS {
            let mut notes = Vec::new();
            match (start(&header(cards), Some(60.0), &mut notes), expected) {
                // a day's number of ten decimals is good to some 10 microseconds
                (Ok(found), Ok(iso)) => assert_eq!(found.to_iso(), iso, "{cards:?}"),
                (Err(problem), Err(part)) => assert!(problem.contains(part), "{problem}"),
                (found, expected) => panic!("{cards:?}: {found:?}, not {expected:?}"),
            }
        }
    }

    #[test]
    fn what_deserves_a_look_is_noted() {
        let noted = |cards: &[&str]| {
            let mut notes = Vec::new();
            assert!(start(&header(cards), Some(60.0), &mut notes).is_ok(), "{cards:?}");
            notes.join("; ")
        };
        assert!(noted(&["DATE-OBS= '2031-03-04T21:10:00' / mid-exposure"]).contains("\"mid\""));
        assert!(noted(&["DATE-OBS= '2031-03-04T21:10:00'", "DATE-LOC= '2031-03-04T21:10:00'"]).contains("DATE-LOC"));
        assert!(noted(&["DATE-OBS= '2031-03-04T21:10:00'", "DATE-END= '2031-03-04T21:10:10'"]).contains("10 s after"));
        assert!(noted(&["DATE-OBS= '2031-03-04T21:10:00'", "MJD-OBS =  62929.88"]).contains("-168 s from"));
        assert_eq!(noted(&["DATE-OBS= '2031-03-04T21:10:00'", "DATE-END= '2031-03-04T21:11:04'"]), "");
    }

    /// One row per way to write an exposure of some seconds.
    #[test]
    fn exposure_as_programs_write_it() {
        let rows: [(&[&str], Option<f64>); 14] = [
            (&["EXPTIME =                 60.0"], Some(60.0)),
            (&["EXPOSURE=                   60 / Exposure time in seconds"], Some(60.0)),
            (&["XPOSURE =                 60.0 / [s]"], Some(60.0)),
            (&["EXPTIME =                60000 / exposure (ms)"], Some(60.0)),
            (&["EXPTIME =              60000.0 / [ms] total"], Some(60.0)),
            (&["EXPOSURE=           60000000.0 / exposure in microseconds"], Some(60.0)),
            (&["EXPTIME =                  1.0 / minutes"], Some(60.0)),
            (&["EXPTIME =                 60.0 / seconds (camera counts ms)"], Some(60.0)),
            (&["EXPTIME = '60.0    '"], Some(60.0)),
            (&["EXPTIME = '60 s    '"], Some(60.0)),
            (&["EXPTIME = '500ms   '"], Some(0.5)),
            (&["EXPTIME =                 60.0", "EXPOSURE=                60000 / ms"], Some(60.0)),
            (&["EXPTIME =                 -1.0"], None),
            (&["EXPTIME = 'long    '"], None),
        ];
        for (cards, expected) in rows {
            let mut notes = Vec::new();
            assert_eq!(exposure_s(&header(cards), &mut notes), expected, "{cards:?} {notes:?}");
        }
        let mut notes = Vec::new();
        let both = header(&["EXPTIME =                 60.0", "EXPOSURE=                 30.0"]);
        assert_eq!(exposure_s(&both, &mut notes), Some(60.0));
        assert!(notes[0].contains("EXPOSURE is 30 s"), "{notes:?}");
    }
}
