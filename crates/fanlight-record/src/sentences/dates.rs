//! Instants as people read them.

/// Days from 1970-01-01T00:00 UTC (leap seconds not counted) to an ISO 8601 instant as the records write it; `None`
/// when it is not one.
pub fn utc_days(iso: &str) -> Option<f64> {
    let (date, time) = iso.trim().trim_end_matches('Z').split_once(['T', ' '])?;
    let mut ymd = date.splitn(3, '-').map(|p| p.parse::<i64>().ok());
    let (year, month, day) = (ymd.next()??, ymd.next()??, ymd.next()??);
    let mut hms = time.splitn(3, ':').map(|p| p.parse::<f64>().ok());
    let (hour, minute, second) = (hms.next()??, hms.next()??, hms.next().unwrap_or(Some(0.0))?);
    let ok = (1..=12).contains(&month)
        && (1..=31).contains(&day)
        && (0.0..24.0).contains(&hour)
        && (0.0..60.0).contains(&minute)
        && (0.0..61.0).contains(&second)
        && year.abs() < 100_000;
    ok.then(|| days_from_civil(year, month, day) as f64 + (hour * 3600.0 + minute * 60.0 + second) / 86_400.0)
}

/// `2031-03-04 21:10 UTC`, to the nearest minute; text that is no instant comes back as it is.
pub fn format_utc(iso: &str) -> String {
    match to_minute(iso) {
        Some((y, m, d, hh, mm)) => format!("{y:04}-{m:02}-{d:02} {hh:02}:{mm:02} UTC"),
        None => iso.to_string(),
    }
}

/// `2031-03-04 21:10:29.9 UTC`, to the nearest tenth of a second, for what a place or a geometry belongs to; text that is
/// no instant comes back as it is.
pub fn format_utc_exact(iso: &str) -> String {
    let Some(days) = utc_days(iso) else { return iso.to_string() };
    let tenths = (days * 864_000.0).round() as i64;
    let (year, month, day) = civil_from_days(tenths.div_euclid(864_000));
    let of_day = tenths.rem_euclid(864_000);
    let (hour, minute, second) = (of_day / 36_000, of_day / 600 % 60, of_day % 600);
    format!("{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}:{:02}.{} UTC", second / 10, second % 10)
}

/// `4 March 2031, 21:10 UTC`, to the nearest minute; text that is no instant comes back as it is.
pub fn format_utc_long(iso: &str) -> String {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    match to_minute(iso) {
        Some((y, m, d, hh, mm)) => format!("{d} {} {y}, {hh:02}:{mm:02} UTC", MONTHS[m as usize - 1]),
        None => iso.to_string(),
    }
}

fn to_minute(iso: &str) -> Option<(i64, i64, i64, i64, i64)> {
    let minutes = (utc_days(iso)? * 1440.0).round() as i64;
    let (year, month, day) = civil_from_days(minutes.div_euclid(1440));
    let of_day = minutes.rem_euclid(1440);
    Some((year, month, day, of_day / 60, of_day % 60))
}

/// Days from 1970-01-01 in the proleptic Gregorian calendar; years counted from March so that the leap day ends one.
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let y = if month <= 2 { year - 1 } else { year };
    let month_from_march = (month + 9) % 12;
    let day_of_year = (153 * month_from_march + 2) / 5 + day - 1;
    365 * y + y.div_euclid(4) - y.div_euclid(100) + y.div_euclid(400) + day_of_year - 719_468
}

/// The inverse of [`days_from_civil`]: year, month, day.
fn civil_from_days(days: i64) -> (i64, i64, i64) {
    // the mean year finds the year within one; two corrections settle it without a table of leap years
    let mut year = 1970 + (days as f64 / 365.2425).floor() as i64;
    while days_from_civil(year, 1, 1) > days {
        year -= 1;
    }
    while days_from_civil(year + 1, 1, 1) <= days {
        year += 1;
    }
    let month = (2..=12).rev().find(|m| days_from_civil(year, *m, 1) <= days).unwrap_or(1);
    (year, month, days - days_from_civil(year, month, 1) + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_rounded_to_the_minute_across_midnight_and_years() {
        assert_eq!(format_utc("2031-03-04T21:10:29.999Z"), "2031-03-04 21:10 UTC");
        assert_eq!(format_utc("2031-12-31T23:59:45Z"), "2032-01-01 00:00 UTC");
        assert_eq!(format_utc("2032-02-28T23:59:59.9Z"), "2032-02-29 00:00 UTC");
        assert_eq!(format_utc_long("2100-02-28T23:59:59.9Z"), "1 March 2100, 00:00 UTC");
        assert_eq!(format_utc_long("not a date"), "not a date");
        assert_eq!(format_utc_exact("2031-03-04T21:10:29.951Z"), "2031-03-04 21:10:30.0 UTC");
        assert_eq!(format_utc_exact("2031-12-31T23:59:59.96Z"), "2032-01-01 00:00:00.0 UTC");
        assert_eq!(format_utc_exact("2031-03-04T21:10:09.14Z"), "2031-03-04 21:10:09.1 UTC");
        assert_eq!(format_utc_exact("not a date"), "not a date");
        assert_eq!(utc_days("1970-01-02T12:00:00Z"), Some(1.5));
        // Julian date 2451545.0 is 2000-01-01T12:00, and that of the civil epoch 2440587.5
        assert_eq!(utc_days("2000-01-01T12:00:00Z"), Some(2_451_545.0 - 2_440_587.5));
        assert_eq!(utc_days("2000-13-01T12:00:00Z"), None);
        assert_eq!(utc_days("2000-01-01"), None);
    }

    #[test]
    fn every_day_of_eight_centuries_survives_the_round_trip() {
        for days in -146_097..146_097 {
            let (y, m, d) = civil_from_days(days);
            assert_eq!(days_from_civil(y, m, d), days);
        }
    }
}
