//! The Minor Planet Center's one-line comet orbit (export format).

use crate::{OrbitElements, SkyError};
use sofars::cal;

/// A comet's line.
#[derive(Debug, Clone, PartialEq)]
pub struct OneLineOrbit {
    /// Designation and name.
    pub name: String,
    /// Packed designation, with the number and type where given.
    pub packed: String,
    /// The elements.
    pub elements: OrbitElements,
    /// The line names no epoch (unperturbed): the time of perihelion stands for it.
    pub epoch_is_perihelion: bool,
    /// Absolute total magnitude.
    pub absolute_magnitude: Option<f64>,
    /// n of m = H + 5 log Δ + 2.5 n log r.
    pub slope_n: Option<f64>,
    /// Where the orbit was published.
    pub reference: Option<String>,
}

/// Reads one line.
///
/// # Errors
/// Names the column at which the line does not fit the format.
///
/// # Source
/// Minor Planet Center, export format for comet orbits: columns 15–29 perihelion (TT), 31–39 q, 42–49 e, 52–59 ω, 62–69 Ω,
/// 72–79 i, 82–89 epoch, 92–95 H, 97–100 n, 103–158 name, 160–168 reference.
pub fn parse_one_line_orbit(line: &str) -> Result<OneLineOrbit, SkyError> {
    let characters: Vec<char> = line.trim_end().chars().collect();
    let field = |first: usize, last: usize| -> String {
        let end = last.min(characters.len());
        characters.get(first - 1..end.max(first - 1)).unwrap_or(&[]).iter().collect::<String>().trim().to_string()
    };
    let bad = |column: usize, reason: String| SkyError::BadOrbitLine { column, reason };
    let number = |first: usize, last: usize, what: &str| -> Result<f64, SkyError> {
        let text = field(first, last);
        match text.parse::<f64>() {
            Ok(v) if v.is_finite() => Ok(v),
            _ if text.is_empty() => Err(bad(first, format!("{what} is missing"))),
            _ => Err(bad(first, format!("{what} \"{text}\" is no number"))),
        }
    };
    let optional = |first: usize, last: usize| field(first, last).parse::<f64>().ok().filter(|v| v.is_finite());

    let perihelion =
        date(number(15, 18, "the year of perihelion")?, number(20, 21, "its month")?, number(23, 29, "its day")?)
            .ok_or_else(|| bad(15, format!("\"{}\" is no date of perihelion", field(15, 29))))?;
    let epoch_text = field(82, 89);
    let epoch = if epoch_text.is_empty() {
        None
    } else {
        let day = number(82, 85, "the epoch's year")
            .and_then(|y| Ok(date(y, number(86, 87, "the epoch's month")?, number(88, 89, "the epoch's day")?)))?;
        Some(day.ok_or_else(|| bad(82, format!("\"{epoch_text}\" is no date of epoch")))?)
    };
    let elements = OrbitElements {
        epoch_jd_tdb: epoch.unwrap_or(perihelion),
        perihelion_jd_tdb: perihelion,
        q_au: number(31, 39, "the perihelion distance q")?,
        e: number(42, 49, "the eccentricity e")?,
        argument_of_perihelion_deg: number(52, 59, "the argument of perihelion")?,
        node_deg: number(62, 69, "the longitude of the node")?,
        inclination_deg: number(72, 79, "the inclination")?,
        a1_au_d2: 0.0,
        a2_au_d2: 0.0,
        a3_au_d2: 0.0,
    };
    elements.validate().map_err(|e| bad(31, e.to_string()))?;
    let name = field(103, 158);
    if name.is_empty() {
        return Err(bad(103, "the comet's name is missing".into()));
    }
    Ok(OneLineOrbit {
        name,
        packed: field(1, 12),
        elements,
        epoch_is_perihelion: epoch.is_none(),
        absolute_magnitude: optional(92, 95),
        slope_n: optional(97, 100),
        reference: Some(field(160, 168)).filter(|r| !r.is_empty()),
    })
}

/// Julian date of a calendar date with a fraction of the day, TT; `None` where there is no such day.
fn date(year: f64, month: f64, day: f64) -> Option<f64> {
    let whole =
        |v: f64, range: std::ops::RangeInclusive<f64>| (v.fract() == 0.0 && range.contains(&v)).then_some(v as i32);
    let (zero, mjd) =
        cal::cal2jd(whole(year, -4799.0..=9999.0)?, whole(month, 1.0..=12.0)?, day.floor() as i32).ok()?;
    Some(zero + mjd + day.fract())
}

#[cfg(test)]
mod tests {
    use super::*;

    const HALE_BOPP: &str = "    CJ95O010  1997 03 29.6333  0.916241  0.994928  130.6448  283.3593   88.9908  20200224  -2.0  4.0  C/1995 O1 (Hale-Bopp)                                    MPC106342";

    /// The Minor Planet Center's line of C/1995 O1.
    #[test]
    fn reads_a_real_line() {
        let got = parse_one_line_orbit(HALE_BOPP).unwrap();
        assert_eq!(got.name, "C/1995 O1 (Hale-Bopp)");
        assert_eq!(got.packed, "CJ95O010");
        assert_eq!(got.reference.as_deref(), Some("MPC106342"));
        let e = &got.elements;
        assert!((e.perihelion_jd_tdb - 2_450_537.133_3).abs() < 1e-6, "{}", e.perihelion_jd_tdb);
        assert_eq!(e.epoch_jd_tdb, 2_458_903.5);
        assert_eq!((e.q_au, e.e, e.inclination_deg), (0.916241, 0.994928, 88.9908));
        assert_eq!((e.node_deg, e.argument_of_perihelion_deg), (283.3593, 130.6448));
        assert_eq!((got.absolute_magnitude, got.slope_n, got.epoch_is_perihelion), (Some(-2.0), Some(4.0), false));
    }

    #[test]
    fn a_blank_epoch_is_the_perihelion() {
        let line = HALE_BOPP.replace("20200224", "        ");
        let got = parse_one_line_orbit(&line).unwrap();
        assert!(got.epoch_is_perihelion);
        assert_eq!(got.elements.epoch_jd_tdb, got.elements.perihelion_jd_tdb);
    }

    #[test]
    fn names_the_column_that_is_wrong() {
        for (line, column) in [
            (HALE_BOPP.replace("0.916241", "0.9x6241"), 31),
            (HALE_BOPP.replace("1997 03", "1997 13"), 15),
            (HALE_BOPP.replace("20200224", "20209924"), 82),
            (HALE_BOPP.replace(" 0.916241", "-0.916241"), 31),
            (String::new(), 15),
            ("Ünïcode line that is no orbit".into(), 15),
        ] {
            match parse_one_line_orbit(&line) {
                Err(SkyError::BadOrbitLine { column: c, .. }) => assert_eq!(c, column, "{line}"),
                other => panic!("{other:?}"),
            }
        }
    }
}
