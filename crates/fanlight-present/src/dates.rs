//! Dates on axes and beside pictures: round days, months and years.

use fanlight_record::sentences::{format_utc_long, utc_days};

const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
/// Distance between ticks: days within a month, then months, then years.
const STEPS: [Step; 12] = [
    Step::Days(1),
    Step::Days(2),
    Step::Days(5),
    Step::Days(10),
    Step::Days(15),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
    Step::Months(12),
    Step::Months(24),
    Step::Months(60),
];
/// An axis longer than this many years is not divided: no season is.
const MOST_YEARS: f64 = 200.0;

#[derive(Clone, Copy)]
enum Step {
    Days(u32),
    Months(u32),
}

/// About `wanted` round dates from `low` to `high`, both in days since 1970 UTC, with their words: days as `6 Mar`, months
/// as `Mar`, Januaries by their year.
pub(crate) fn ticks(low: f64, high: f64, wanted: usize) -> Vec<(f64, String)> {
    if !(low.is_finite() && high > low && high - low < MOST_YEARS * 366.0) {
        return Vec::new();
    }
    let length_days = |step: &Step| match step {
        Step::Days(n) => f64::from(*n),
        Step::Months(n) => 30.4 * f64::from(*n),
    };
    let enough = |step: &&Step| (high - low) / length_days(step) <= 1.2 * wanted.max(2) as f64;
    let step = STEPS.iter().find(enough).unwrap_or(&STEPS[STEPS.len() - 1]);
    let mut out = Vec::new();
    // the mean year finds the first one within two
    let mut year = 1970 + (low / 365.2425).floor() as i64 - 1;
    while day(year, 1, 1).is_some_and(|first| first <= high) {
        for month in 1..=12 {
            match step {
                Step::Days(n) => out.extend(days_of(year, month, *n)),
                Step::Months(n) if (year * 12 + i64::from(month) - 1).rem_euclid(i64::from(*n)) == 0 => {
                    let word = if month == 1 { year.to_string() } else { MONTHS[month as usize - 1].to_string() };
                    out.extend(day(year, month, 1).map(|at| (at, word)));
                }
                Step::Months(_) => {}
            }
        }
        year += 1;
    }
    out.retain(|(at, _)| (low..=high).contains(at));
    out
}

/// Every `step`-th day of a month; none so near the month's end that the next month's first would touch it.
fn days_of(year: i64, month: u32, step: u32) -> impl Iterator<Item = (f64, String)> {
    let (next_year, next_month) = if month == 12 { (year + 1, 1) } else { (year, month + 1) };
    let end = day(next_year, next_month, 1).unwrap_or(f64::NAN);
    let least = (0.55 * f64::from(step)).ceil();
    (1..=31).step_by(step as usize).filter_map(move |d| {
        let at = day(year, month, d).filter(|at| *at + least <= end + 1e-9)?;
        Some((at, format!("{d} {}", MONTHS[month as usize - 1])))
    })
}

/// Days since 1970 at the start of a date; a day after the month's end counts on into the next.
fn day(year: i64, month: u32, day: u32) -> Option<f64> {
    utc_days(&format!("{year:04}-{month:02}-{day:02}T00:00:00Z"))
}

/// `4 Mar`, of an instant as the records write it, to the nearest minute; text that is no instant comes back as it is.
pub(crate) fn short(iso: &str) -> String {
    match parts(iso) {
        Some((day, month, _)) => format!("{day} {month}"),
        None => iso.to_string(),
    }
}

/// `2031`, or `2031–2032`, of the first and the last of instants in order; empty where none is one.
pub(crate) fn years<'a>(isos: impl Iterator<Item = &'a str>) -> String {
    let years: Vec<String> = isos.filter_map(|iso| parts(iso).map(|p| p.2)).collect();
    match (years.first(), years.last()) {
        (Some(first), Some(last)) if first != last => format!("{first}–{last}"),
        (Some(first), _) => first.clone(),
        _ => String::new(),
    }
}

/// Day, first three letters of the month, year.
fn parts(iso: &str) -> Option<(String, String, String)> {
    utc_days(iso)?;
    let long = format_utc_long(iso);
    let mut words = long.trim_end_matches(" UTC").split([' ', ',']).map(str::to_string);
    let (day, month, year) = (words.next()?, words.next()?, words.next()?);
    Some((day, month.chars().take(3).collect(), year))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(from: &str, to: &str, wanted: usize) -> Vec<String> {
        let at = |date: &str| utc_days(&format!("{date}T00:00:00Z")).expect("a date");
        let all = ticks(at(from), at(to), wanted);
        assert!(all.windows(2).all(|w| w[1].0 > w[0].0), "{all:?}");
        all.into_iter().map(|t| t.1).collect()
    }

    #[test]
    fn ticks_are_round_dates_at_every_length() {
        assert_eq!(labels("2031-02-27", "2031-03-03", 6), ["27 Feb", "28 Feb", "1 Mar", "2 Mar", "3 Mar"]);
        assert_eq!(labels("2031-02-20", "2031-03-14", 6), ["21 Feb", "26 Feb", "1 Mar", "6 Mar", "11 Mar"]);
        assert_eq!(labels("2031-10-15", "2032-03-02", 6), ["Nov", "Dec", "2032", "Feb", "Mar"]);
        assert_eq!(labels("2029-03-15", "2035-03-02", 6), ["2030", "2031", "2032", "2033", "2034", "2035"]);
        for (to, wanted) in [("2031-02-21", 6), ("2031-04-30", 3), ("2031-12-30", 8), ("2052-01-01", 6)] {
            let n = labels("2031-02-20", to, wanted).len();
            assert!((1..=2 * wanted).contains(&n), "{to}: {n}");
        }
        assert!(ticks(f64::NAN, 3.0, 5).is_empty() && ticks(3.0, 3.0, 5).is_empty() && ticks(0.0, 1e9, 5).is_empty());
    }

    #[test]
    fn short_dates_and_years_follow_the_long_ones() {
        assert_eq!(short("2031-12-31T23:59:45Z"), "1 Jan");
        assert_eq!(short("soon"), "soon");
        assert_eq!(years(["2031-12-30T00:00:00Z", "x", "2032-01-02T00:00:00Z"].into_iter()), "2031–2032");
        assert_eq!(years(["x"].into_iter()), "");
    }
}
