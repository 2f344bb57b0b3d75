//! What a file of ADES records breaks of the standard's rules.

use std::fmt;

use super::fields::{FIELDS, NOT_IN_SUBMISSIONS, REQUIRED, is_mode, is_station, remedy};
use super::{AdesFile, Block, Record, VERSION};
use crate::reporting::{PLACEHOLDER_CODE, PLACEHOLDER_NAMES};

/// A rule that a file breaks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Violation {
    /// Field or keyword; empty where the night as a whole is meant.
    pub field: String,
    /// What is wrong, as the end of a sentence that begins with the field.
    pub problem: String,
    /// What to do; empty where nothing can be done.
    pub remedy: String,
    /// Where it was first met.
    pub from: String,
    /// How many records have it.
    pub n_records: usize,
}

impl Violation {
    /// A rule that a field of one record, or of a header, breaks.
    pub(super) fn new(field: &str, problem: impl Into<String>, from: &str) -> Self {
        let (problem, remedy) = (problem.into(), remedy(field).to_owned());
        Self { field: field.to_owned(), problem, remedy, from: from.to_owned(), n_records: 1 }
    }
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.field.as_str() {
            "" => write!(f, "{}: {}", self.from, self.problem),
            field => write!(f, "{}: {field} {}", self.from, self.problem),
        }?;
        match self.n_records {
            0 | 1 => Ok(()),
            n => write!(f, " (and {} more of {n} records)", n - 1),
        }
    }
}

/// Groups of the header in the standard's order: name, whether it must be there, keywords that it must have.
const GROUPS: [(&str, bool, &[&str]); 6] = [
    ("observatory", true, &["mpcCode"]),
    ("submitter", true, &["name"]),
    ("observers", false, &["name"]),
    ("measurers", true, &["name"]),
    ("telescope", true, &["design", "aperture", "detector"]),
    ("comment", false, &["line"]),
];

/// Every rule that the file breaks, each once.
pub(super) fn violations(file: &AdesFile) -> Vec<Violation> {
    let mut all = Vec::new();
    if file.version != VERSION {
        all.push(Violation::new("version", format!("is {}; the schema accepts {VERSION} only", file.version), "file"));
    }
    for block in &file.blocks {
        all.extend(block.refused.iter().cloned());
        all.extend(header(block));
        for record in &block.records {
            all.extend(of_record(record));
        }
    }
    if file.blocks.iter().all(|b| b.records.is_empty()) {
        all.push(Violation::new("", "there is no record to report", "file"));
    }
    let mut once: Vec<Violation> = Vec::new();
    for violation in all {
        match once.iter_mut().find(|v| v.field == violation.field && v.problem == violation.problem) {
            Some(seen) => seen.n_records += violation.n_records,
            None => once.push(violation),
        }
    }
    once
}

fn header(block: &Block) -> Vec<Violation> {
    let mut found = Vec::new();
    let bad = |field: &str, problem: String| Violation::new(field, problem, "header");
    let place = |name: &str| GROUPS.iter().position(|g| g.0 == name);
    if !block.header.is_sorted_by_key(|g| place(g.name)) {
        found.push(bad("header", "has its groups in another order than the standard's".to_owned()));
    }
    for (name, is_required, keywords) in GROUPS {
        let Some(group) = block.header.iter().find(|g| g.name == name) else {
            if is_required {
                let field = if keywords == ["name"] { name } else { keywords[0] };
                found.push(bad(field, format!("is missing; the group {name} must be given")));
            }
            continue;
        };
        for keyword in keywords {
            if !group.lines.iter().any(|(k, _)| k == keyword) {
                let field = if *keyword == "name" { name } else { keyword };
                found.push(bad(field, format!("is missing in the group {name}")));
            }
        }
        for (keyword, value) in &group.lines {
            let field = if *keyword == "name" { name } else { keyword };
            found.extend(unwritable(value).map(|problem| bad(field, problem)));
            let number_is_bad = || value.parse::<f64>().map_or(true, |v| !v.is_finite() || v <= 0.0);
            match *keyword {
                "mpcCode" if is_placeholder(value) => found.push(bad(field, never_given(value, "code"))),
                "name" if PLACEHOLDER_NAMES.contains(&value.as_str()) => {
                    found.push(bad(field, never_given(value, "name")));
                }
                "mpcCode" if !is_station(value) => {
                    found.push(bad(field, format!("is \"{value}\"; it must be three or four letters or digits")));
                }
                "detector" if !is_mode(value) => {
                    found.push(bad(field, format!("is \"{value}\"; it must be a mode code such as CMO or CCD")));
                }
                "aperture" | "fRatio" if number_is_bad() => {
                    found.push(bad(field, format!("is \"{value}\"; it must be a positive number")));
                }
                _ => {}
            }
        }
    }
    found
}

fn of_record(record: &Record) -> Vec<Violation> {
    let bad = |field: &str, problem: String| Violation::new(field, problem, &record.from);
    let has = |field: &str| record.fields.iter().any(|(f, _)| *f == field);
    let mut found = Vec::new();
    if !["permID", "provID", "trkSub"].into_iter().any(has) {
        found.push(bad("permID", "is missing, and so are provID and trkSub; one of them must be given".to_owned()));
    }
    for field in REQUIRED.into_iter().filter(|f| !has(f)) {
        found.push(bad(field, "is missing".to_owned()));
    }
    for (one, other) in [("mag", "band"), ("band", "mag"), ("rmsMag", "mag"), ("photCat", "mag"), ("photAp", "mag")] {
        if has(one) && !has(other) {
            found.push(bad(other, format!("is missing beside {one}")));
        }
    }
    let place = |field: &str| FIELDS.iter().position(|(name, _)| *name == field);
    for pair in record.fields.windows(2) {
        let [(before, _), (after, _)] = pair else { continue };
        if let (Some(a), Some(b)) = (place(before), place(after))
            && a >= b
        {
            found.push(bad(before, format!("stands before {after}; the schema has the other order")));
        }
    }
    for (field, value) in &record.fields {
        match place(field) {
            Some(_) if *field == "stn" && is_placeholder(value) => found.push(bad(field, never_given(value, "code"))),
            Some(i) => found.extend(FIELDS[i].1.broken_by(value).map(|problem| bad(field, problem))),
            None if NOT_IN_SUBMISSIONS.contains(field) => {
                found.push(bad(field, "is not allowed in submissions".to_owned()));
            }
            None => found.push(bad(field, "is not a field of optical records".to_owned())),
        }
        found.extend(unwritable(value).map(|problem| bad(field, problem)));
    }
    found
}

/// Whether an observatory code is the one of example files.
fn is_placeholder(code: &str) -> bool {
    code.eq_ignore_ascii_case(PLACEHOLDER_CODE)
}

fn never_given(value: &str, what: &str) -> String {
    format!("is \"{value}\", which stands for a {what} that was never given")
}

/// What neither form can hold.
fn unwritable(value: &str) -> Option<String> {
    if value.contains('|') {
        return Some(format!("is \"{value}\"; a pipe may not stand in a value"));
    }
    if value.chars().any(char::is_control) {
        return Some("holds a line break or another control character".to_owned());
    }
    value.trim().is_empty().then(|| "is empty".to_owned())
}

#[cfg(test)]
mod tests {
    use super::super::Group;
    use super::*;

    /// The smallest record that the schema was run on, and its header.
    fn file() -> AdesFile {
        let group = |name, lines: &[(&'static str, &str)]| Group {
            name,
            lines: lines.iter().map(|(k, v)| (*k, (*v).to_owned())).collect(),
        };
        let header = vec![
            group("observatory", &[("mpcCode", "568")]),
            group("submitter", &[("name", "I. M. Submit")]),
            group("measurers", &[("name", "I. M. Measurit")]),
            group("telescope", &[("design", "reflector"), ("aperture", "2.2"), ("detector", "CMO")]),
        ];
        let fields = [
            ("permID", "67P"),
            ("mode", "CMO"),
            ("stn", "568"),
            ("obsTime", "2016-08-29T12:32:34.12Z"),
            ("ra", "215.6560501"),
            ("dec", "-13.5478723"),
            ("rmsRA", "0.015"),
            ("rmsDec", "0.013"),
            ("astCat", "Gaia2"),
            ("mag", "13.52"),
            ("rmsMag", "0.04"),
            ("band", "Rc"),
            ("photCat", "Gaia2"),
            ("photAp", "9.5"),
        ];
        let fields = fields.into_iter().map(|(k, v)| (k, v.to_owned())).collect();
        let record = Record { from: "a.fits".into(), fields };
        AdesFile::new(vec![Block { header, records: vec![record], refused: Vec::new() }])
    }

    fn set(file: &mut AdesFile, field: &'static str, value: &str) {
        let fields = &mut file.blocks[0].records[0].fields;
        match fields.iter_mut().find(|(f, _)| *f == field) {
            Some(held) => held.1 = value.to_owned(),
            None => fields.push((field, value.to_owned())),
        }
    }

    fn take(file: &mut AdesFile, field: &str) {
        file.blocks[0].records[0].fields.retain(|(f, _)| *f != field);
    }

    fn accepted(change: impl FnOnce(&mut AdesFile)) {
        let mut file = file();
        change(&mut file);
        assert_eq!(file.violations(), []);
    }

    fn refused(field: &str, change: impl FnOnce(&mut AdesFile)) {
        let mut file = file();
        change(&mut file);
        let found = file.violations();
        assert!(found.iter().any(|v| v.field == field), "{field}: {found:?}");
    }

    /// Vectors that were run against the standard's own `submit.xsd` (schema of November 2025).
    #[test]
    fn the_schemas_accept_vectors() {
        accepted(|_| {});
        accepted(|f| {
            take(f, "permID");
            f.blocks[0].records[0].fields.insert(0, ("provID", "C/2013 A1".into()));
        });
        accepted(|f| set(f, "permID", "73P-C"));
        accepted(|f| ["mag", "rmsMag", "band", "photCat", "photAp"].iter().for_each(|field| take(f, field)));
    }

    #[test]
    fn the_schemas_reject_vectors() {
        refused("version", |f| f.version = "2017".into());
        refused("band", |f| take(f, "band"));
        refused("band", |f| f.blocks[0].records[0].fields.swap(9, 11));
        refused("nucMag", |f| set(f, "nucMag", "1"));
        refused("trkSub", |f| f.blocks[0].records[0].fields.insert(1, ("trkSub", "abcdefghi".into())));
        refused("mag", |f| set(f, "mag", "36.0"));
        refused("band", |f| set(f, "band", "Rcxx"));
        refused("rmsMag", |f| set(f, "rmsMag", ".04"));
        refused("permID", |f| set(f, "permID", "6|P"));
    }

    #[test]
    fn what_the_description_asks_for_beside_the_schema() {
        refused("permID", |f| take(f, "permID"));
        REQUIRED.iter().for_each(|field| refused(field, |f| take(f, field)));
        refused("mag", |f| take(f, "mag"));
        refused("prog", |f| set(f, "prog", "31"));
        refused("ra", |f| set(f, "ra", "360.0"));
        refused("ra", |f| set(f, "ra", "215.6560501234"));
        refused("dec", |f| set(f, "dec", "-90.1"));
        refused("mode", |f| set(f, "mode", "CMOS"));
        refused("astCat", |f| set(f, "astCat", "mine"));
        refused("band", |f| set(f, "band", "r"));
        refused("fltr", |f| f.blocks[0].records[0].fields.insert(12, ("fltr", "Sloan r".into())));
        accepted(|f| f.blocks[0].records[0].fields.insert(12, ("fltr", "VR".into())));
        refused("obsTime", |f| set(f, "obsTime", "2016-08-29T12:32:34.12"));
        refused("rmsRA", |f| set(f, "rmsRA", "0"));
        refused("notes", |f| set(f, "notes", "abcdefg"));
        refused("remarks", |f| set(f, "remarks", &"x".repeat(301)));
        refused("colour", |f| set(f, "colour", "red"));
        refused("mpcCode", |f| f.blocks[0].header[0].lines[0].1 = "56".into());
        refused("submitter", |f| drop(f.blocks[0].header.remove(1)));
        refused("measurers", |f| f.blocks[0].header[2].lines.clear());
        refused("design", |f| drop(f.blocks[0].header[3].lines.remove(0)));
        refused("aperture", |f| f.blocks[0].header[3].lines[1].1 = "big".into());
        refused("submitter", |f| f.blocks[0].header[1].lines[0].1 = "I | M".into());
        refused("header", |f| f.blocks[0].header.swap(0, 1));
        refused("", |f| f.blocks[0].records.clear());
        accepted(|f| set(f, "remarks", &"x".repeat(300)));
    }

    #[test]
    fn the_same_fault_of_many_records_is_told_once_with_what_to_do() {
        let mut file = file();
        take(&mut file, "astCat");
        let record = file.blocks[0].records[0].clone();
        file.blocks[0].records.extend([record.clone(), record]);
        let found = file.violations();
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].to_string(), "a.fits: astCat is missing (and 2 more of 3 records)");
        assert!(found[0].remedy.contains("photometry.catalogue_code"));
    }
}
