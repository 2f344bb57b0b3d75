//! UTC and TDB instants.

use crate::SkyError;
use sofars::{cal, ts};

const SECONDS_PER_DAY: f64 = 86_400.0;

/// A UTC instant as a quasi-Julian date in two parts: the day's start (…​.5) and the share of that day, which has 86 401
/// seconds where a leap second ends it.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct UtcInstant {
    day: f64,
    share: f64,
}

/// A TDB instant as a Julian date in two parts.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct TdbInstant {
    day: f64,
    share: f64,
}

impl TdbInstant {
    /// From a Julian date; good to about 20 µs.
    pub fn from_jd(jd: f64) -> Self {
        let day = (jd - 0.5).floor() + 0.5;
        Self { day, share: jd - day }
    }

    /// The Julian date as one number.
    pub fn jd(&self) -> f64 {
        self.day + self.share
    }

    /// Days after a Julian date, without losing digits.
    pub fn days_after(&self, jd: f64) -> f64 {
        (self.day - jd) + self.share
    }

    /// Earlier by a number of days.
    pub fn minus_days(&self, days: f64) -> Self {
        Self { day: self.day, share: self.share - days }
    }

    pub(crate) fn parts(&self) -> (f64, f64) {
        (self.day, self.share)
    }
}

impl UtcInstant {
    /// Reads an ISO 8601 date and time, UTC: `2031-03-04T21:10:00`, with or without fraction and trailing `Z`; second 60
    /// only where a leap second was. A date alone is refused, and so is any zone but `Z` or `+00:00`.
    ///
    /// # Errors
    /// Says what is wrong with the text.
    pub fn parse(text: &str) -> Result<Self, SkyError> {
        let bad = |reason: &str| SkyError::BadInstant { text: text.to_string(), reason: reason.to_string() };
        let clean = text.trim();
        let (date, time) = clean
            .split_once(['T', 't', ' '])
            .ok_or_else(|| bad("expected a date, a T and a time, such as 2031-03-04T21:10:00"))?;
        let time = time.trim();
        let time = time.strip_suffix(['Z', 'z']).or_else(|| time.strip_suffix("+00:00")).unwrap_or(time);
        if time.contains('+') || time.contains('-') {
            return Err(bad("it has a time zone; only UTC is accepted"));
        }
        let whole = |s: &str| -> Option<i32> {
            (!s.is_empty() && s.bytes().all(|b| b.is_ascii_digit())).then(|| s.parse().ok()).flatten()
        };
        let days: Vec<Option<i32>> = date.split('-').map(whole).collect();
        let [Some(year), Some(month), Some(day)] = days[..] else {
            return Err(bad("the date is not year-month-day"));
        };
        let parts: Vec<&str> = time.split(':').collect();
        let (hour, minute, second) = match parts[..] {
            [h, m] => (whole(h), whole(m), Some(0.0)),
            [h, m, s] => {
                let digits =
                    s.bytes().all(|b| b.is_ascii_digit() || b == b'.') && s.starts_with(|c: char| c.is_ascii_digit());
                (whole(h), whole(m), if digits { s.parse::<f64>().ok() } else { None })
            }
            _ => (None, None, None),
        };
        let (Some(hour), Some(minute), Some(second)) = (hour, minute, second) else {
            return Err(bad("the time is not hours:minutes:seconds"));
        };
        if !(1900..=2100).contains(&year) {
            return Err(bad("the year is outside 1900 to 2100"));
        }
        if hour > 23 || minute > 59 || second >= 61.0 {
            return Err(bad("hours go to 23, minutes to 59, seconds to 59.999"));
        }
        let (zero, mjd) = cal::cal2jd(year, month, day).map_err(|_| bad("there is no such day"))?;
        let start = zero + mjd;
        let length = day_seconds(start);
        let seconds = f64::from(hour * 3600 + minute * 60) + second;
        let leap = second >= 60.0;
        if leap && !(hour == 23 && minute == 59 && length > SECONDS_PER_DAY) {
            return Err(bad("there is no leap second in that minute"));
        }
        Ok(Self { day: start, share: seconds / length })
    }

    /// From a (quasi-)Julian date; good to about 20 µs.
    pub fn from_jd(jd: f64) -> Self {
        let day = (jd - 0.5).floor() + 0.5;
        Self { day, share: jd - day }
    }

    /// The (quasi-)Julian date as one number.
    pub fn jd(&self) -> f64 {
        self.day + self.share
    }

    /// ISO 8601 to the millisecond, with a trailing `Z`.
    pub fn to_iso(&self) -> String {
        let (mut day, mut ms) = (self.day, (self.share * day_seconds(self.day) * 1000.0).round() as i64);
        let length_ms = (day_seconds(day) * 1000.0).round() as i64;
        if ms >= length_ms {
            ms -= length_ms;
            day += 1.0;
        }
        let (year, month, date, _) = cal::jd2cal(day, 0.0).unwrap_or((0, 0, 0, 0.0));
        let leap = ms >= 86_400_000;
        let (hour, minute) = if leap { (23, 59) } else { (ms / 3_600_000, ms / 60_000 % 60) };
        let second_ms = ms - hour * 3_600_000 - minute * 60_000;
        format!("{year:04}-{month:02}-{date:02}T{hour:02}:{minute:02}:{:02}.{:03}Z", second_ms / 1000, second_ms % 1000)
    }

    /// Later by a number of seconds of atomic time (before 1972: of UTC, whose drift is not followed). A number that is not finite gives an instant outside every ephemeris.
    pub fn plus_seconds(&self, seconds: f64) -> Self {
        let at = self.share * day_seconds(self.day) + seconds;
        // the day comes from a count of days of 86 400 s, then of the leap seconds between; what is left of either lies
        // within a few days of it
        let days = (at / SECONDS_PER_DAY).floor();
        let mut day = self.day + days;
        let mut at = at - days * SECONDS_PER_DAY - (whole_leap_seconds(day) - whole_leap_seconds(self.day));
        for _ in 0..3 {
            if at >= day_seconds(day) {
                at -= day_seconds(day);
                day += 1.0;
            } else if at < 0.0 {
                day -= 1.0;
                at += day_seconds(day);
            }
        }
        Self { day, share: at / day_seconds(day) }
    }

    /// Seconds of atomic time since another instant.
    pub fn seconds_since(&self, other: &Self) -> f64 {
        let ((a1, a2), (b1, b2)) = (self.tt(), other.tt());
        ((a1 - b1) + (a2 - b2)) * SECONDS_PER_DAY
    }

    /// The same instant in TDB.
    ///
    /// # Accuracy
    /// As SOFA's `dtdb` at the geocentre: 3 µs around the present.
    pub fn tdb(&self) -> TdbInstant {
        let (day, share) = self.tt();
        let difference_s = ts::dtdb(day, share, 0.0, 0.0, 0.0, 0.0);
        TdbInstant { day, share: share + difference_s / SECONDS_PER_DAY }
    }

    /// Julian epoch, years.
    pub fn julian_year(&self) -> f64 {
        2000.0 + ((self.day - 2_451_545.0) + self.share) / 365.25
    }

    /// TT in two parts.
    pub(crate) fn tt(&self) -> (f64, f64) {
        let tai_minus_utc_s = leap_seconds(self.day);
        // UTC runs evenly within a day: seconds of the day are seconds of TAI
        let seconds = self.share * day_seconds(self.day) + tai_minus_utc_s + 32.184;
        (self.day, seconds / SECONDS_PER_DAY)
    }

    /// UT1, taken equal to UTC (within 0.9 s).
    pub(crate) fn ut1(&self) -> (f64, f64) {
        (self.day, self.share)
    }
}

/// TAI − UTC on a day, seconds; 0 before 1960, the last known value after the table's end.
fn leap_seconds(day: f64) -> f64 {
    let Ok((year, month, date, _)) = cal::jd2cal(day.clamp(FIRST_DAY, LAST_DAY), 0.0) else { return 0.0 };
    ts::dat(year, month, date, 0.0).unwrap_or(0.0)
}

/// The table of leap seconds is asked for days of these years only: 1900 and 2200.
const FIRST_DAY: f64 = 2_415_020.5;
const LAST_DAY: f64 = 2_524_593.5;
/// 1972 January 1: from here on UTC keeps whole seconds to TAI, before it drifted.
const WHOLE_SECONDS_DAY: f64 = 2_441_317.5;

/// TAI − UTC on a day, of which only the steps since 1972 are counted.
fn whole_leap_seconds(day: f64) -> f64 {
    leap_seconds(day.max(WHOLE_SECONDS_DAY))
}

/// Seconds in a UTC day: 86 401 where a leap second ends it.
fn day_seconds(day: f64) -> f64 {
    SECONDS_PER_DAY + whole_leap_seconds(day + 1.0) - whole_leap_seconds(day)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_what_headers_hold() {
        for (text, expected) in [
            ("2031-03-04T21:10:00", "2031-03-04T21:10:00.000Z"),
            ("2031-03-04T21:10:00.5Z", "2031-03-04T21:10:00.500Z"),
            (" 2031-03-04 21:10:00.123456 ", "2031-03-04T21:10:00.123Z"),
            ("2031-03-04T21:10", "2031-03-04T21:10:00.000Z"),
            ("2031-03-04T21:10:00+00:00", "2031-03-04T21:10:00.000Z"),
            ("2031-12-31T23:59:59.9999", "2032-01-01T00:00:00.000Z"),
            ("2016-12-31T23:59:60.500", "2016-12-31T23:59:60.500Z"),
        ] {
            assert_eq!(UtcInstant::parse(text).unwrap().to_iso(), expected, "{text}");
        }
    }

    #[test]
    fn refuses_what_is_no_utc_instant() {
        for text in [
            "",
            "yesterday",
            "2031-03-04",
            "2031-02-30T00:00:00",
            "2031-03-04T24:00:00",
            "2031-03-04T21:10:00+01:00",
            "2031-03-04T21:10:60",
            "04/03/31T21:10:00",
            "2031-03-04T21:-1:00",
            "2031-03-04T1e1:00:00",
            "1492-01-01T00:00:00",
            "2031-03-04T21:10:NaN",
        ] {
            assert!(UtcInstant::parse(text).is_err(), "{text}");
        }
    }

    /// TT − UTC is 32.184 s and the leap seconds: 37 since 2017, 36 before; across the leap second itself 1.5 s pass.
    #[test]
    fn counts_leap_seconds() {
        let before = UtcInstant::parse("2016-12-31T23:59:59").unwrap();
        let after = UtcInstant::parse("2017-01-01T00:00:00.5").unwrap();
        assert!((after.seconds_since(&before) - 2.5).abs() < 1e-6);
        assert_eq!(before.plus_seconds(1.5).to_iso(), "2016-12-31T23:59:60.500Z");
        let (day, share) = after.tt();
        assert!(((day + share) - 2_457_754.5 - (0.5 + 37.0 + 32.184) / 86_400.0).abs() < 1e-9);
    }

    #[test]
    fn there_and_back() {
        let t = UtcInstant::parse("2031-03-04T23:59:30").unwrap();
        assert_eq!(t.plus_seconds(60.0).to_iso(), "2031-03-05T00:00:30.000Z");
        assert_eq!(t.plus_seconds(60.0).plus_seconds(-60.0).to_iso(), t.to_iso());
        assert!((UtcInstant::from_jd(t.jd()).seconds_since(&t)).abs() < 1e-4);
    }

    /// Over years the count of days agrees with TT, in which 27 leap seconds fell between 1972 and 2017.
    #[test]
    fn long_steps_count_every_leap_second() {
        let start = UtcInstant::parse("1972-01-01T12:00:00").unwrap();
        let end = UtcInstant::parse("2017-01-01T12:00:00").unwrap();
        let step = 16_437.0 * 86_400.0 + 27.0;
        assert_eq!(start.plus_seconds(step).to_iso(), end.to_iso());
        assert_eq!(end.plus_seconds(-step).to_iso(), start.to_iso());
        let after = UtcInstant::parse("2016-12-31T23:59:60.5").unwrap();
        for seconds in [-1.3e9, -86_400.0, -0.25, 0.0, 86_399.0, 86_400.0, 86_401.0, 1.3e9] {
            for from in [end, after, after.plus_seconds(-1.0)] {
                let there = from.plus_seconds(seconds);
                if there.day < WHOLE_SECONDS_DAY {
                    continue;
                }
                assert!((there.seconds_since(&from) - seconds).abs() < 1e-6, "{seconds} s from {}", from.to_iso());
                assert!((0.0..1.0).contains(&there.share), "{there:?}");
            }
        }
    }

    /// A step beyond reason neither hangs nor panics; no ephemeris covers where it ends.
    #[test]
    fn absurd_steps_end_outside_the_ephemeris() {
        let t = UtcInstant::parse("2031-03-04T23:59:30").unwrap();
        for seconds in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN, 1e10, -1e10, 1e18] {
            let there = t.plus_seconds(seconds);
            assert!(crate::earth_heliocentric_au(there.tdb()).is_err(), "{seconds}: {there:?}");
            assert!(!there.to_iso().is_empty());
        }
    }
}
