//! What several tests share.

use fanlight_sky::{HeaderCards, OrbitElements, Site, WcsValue};
use std::collections::BTreeMap;

/// A row of a CSV file by column name.
pub struct Row(BTreeMap<String, String>);

impl Row {
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }

    pub fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|_| panic!("{column}: {}", self.text(column)))
    }

    pub fn orbit(&self) -> OrbitElements {
        OrbitElements {
            epoch_jd_tdb: self.number("epoch_jd_tdb"),
            perihelion_jd_tdb: self.number("perihelion_jd_tdb"),
            q_au: self.number("q_au"),
            e: self.number("e"),
            inclination_deg: self.number("inclination_deg"),
            node_deg: self.number("node_deg"),
            argument_of_perihelion_deg: self.number("argument_of_perihelion_deg"),
            a1_au_d2: self.number("a1_au_d2"),
            a2_au_d2: self.number("a2_au_d2"),
            a3_au_d2: self.number("a3_au_d2"),
        }
    }

    pub fn site(&self) -> Site {
        Site {
            longitude_deg: self.number("longitude_deg"),
            latitude_deg: self.number("latitude_deg"),
            height_m: self.number("height_m"),
        }
    }
}

pub fn rows(csv_text: &str) -> Vec<Row> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(csv_text.as_bytes());
    reader.deserialize().map(|row| Row(row.expect("a well-formed row"))).collect()
}

/// Header cards held in memory.
pub struct Cards(pub BTreeMap<String, WcsValue>);

impl HeaderCards for Cards {
    fn number(&self, key: &str) -> Option<f64> {
        match self.0.get(key)? {
            WcsValue::Number(v) => Some(*v),
            WcsValue::Integer(v) => Some(*v as f64),
            WcsValue::Text(v) => v.trim().parse().ok(),
        }
    }

    fn text(&self, key: &str) -> Option<String> {
        match self.0.get(key)? {
            WcsValue::Text(v) => Some(v.clone()),
            _ => None,
        }
    }

    fn contains(&self, key: &str) -> bool {
        self.0.contains_key(key)
    }
}

/// The largest of each of several errors, and where it was met.
#[derive(Default)]
pub struct Worst(BTreeMap<&'static str, (f64, String)>);

impl Worst {
    /// Notes an error; one that is no number is the worst of all.
    pub fn note(&mut self, what: &'static str, error: f64, place: &str) {
        let error = if error.is_nan() { f64::INFINITY } else { error.abs() };
        let entry = self.0.entry(what).or_insert((-1.0, String::new()));
        if error > entry.0 {
            *entry = (error, place.to_string());
        }
    }

    /// Holds every error against its limit; each must have one, and each limit must have met an error.
    /// `cargo test -- --nocapture` shows the measured ones.
    #[allow(clippy::disallowed_macros)]
    pub fn hold_against(&self, title: &str, limits: &[(&str, f64)]) {
        let mut lines = String::new();
        let mut failed = false;
        for (what, (error, place)) in &self.0 {
            let limit = limits.iter().find(|(name, _)| name == what).map_or(f64::INFINITY, |l| l.1);
            let mark = if *error <= limit { " " } else { "!" };
            failed |= *error > limit;
            lines += &format!("{mark} {what:32} {error:10.3e} (limit {limit:.1e}) at {place}\n");
        }
        eprintln!("{title}\n{lines}");
        assert!(!failed, "{title}\n{lines}");
        assert_eq!(self.0.len(), limits.len(), "{title}: a limit has met no error");
    }
}
