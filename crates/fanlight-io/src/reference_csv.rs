//! The user's own list of other comets' Afρ.

use crate::error::IoError;
use std::path::Path;

/// A value of Afρ of another comet.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceRow {
    /// The comet.
    pub comet: String,
    /// Where it is published.
    pub source: String,
    /// Distance from the Sun.
    pub r_au: f64,
    /// `pre` or `post` perihelion; `None` where not stated.
    pub side: Option<String>,
    /// Afρ.
    pub afrho_cm: f64,
    /// Its error.
    pub afrho_err_cm: Option<f64>,
    /// Radius of the aperture at the comet.
    pub aperture_km: Option<f64>,
    /// Band.
    pub band: Option<String>,
    /// Whether it is A(0°)fρ.
    pub is_phase_corrected: bool,
    /// Whether the comet was in outburst.
    pub is_outburst: bool,
}

/// Columns, the first four of which must be there.
const COLUMNS: [&str; 10] = [
    "comet",
    "source",
    "r_au",
    "afrho_cm",
    "afrho_err_cm",
    "side",
    "aperture_km",
    "band",
    "phase_corrected",
    "outburst",
];
const NEEDED: usize = 4;

/// Reads a CSV with a header line of these columns, in any order: `comet`, `source`, `r_au`, `afrho_cm` and, where known,
/// `afrho_err_cm`, `side` (`pre` or `post`), `aperture_km`, `band`, `phase_corrected` and `outburst` (`yes` or `no`). An empty field is
/// a value that is not known; lines that begin with `#` do not count.
///
/// # Errors
/// When the file cannot be read, a column is missing or unknown, or a value is not what its column holds: with line and column.
pub fn read_reference_csv(path: &Path) -> Result<Vec<ReferenceRow>, IoError> {
    let wrong = |why: String| IoError::reference(path, why);
    let text = std::fs::read_to_string(path).map_err(|e| IoError::read(path, e))?;
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let header: Vec<String> = reader.headers().map_err(|e| wrong(e.to_string()))?.iter().map(str::to_string).collect();
    if let Some(missing) = COLUMNS[..NEEDED].iter().find(|c| header.iter().all(|h| h != *c)) {
        return Err(wrong(format!("there is no column {missing}; its columns are {}", COLUMNS.join(", "))));
    }
    if let Some(unknown) = header.iter().find(|h| !COLUMNS.contains(&h.as_str())) {
        return Err(wrong(format!("the column {unknown} is not known; its columns are {}", COLUMNS.join(", "))));
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| wrong(e.to_string()))?;
        let line = record.position().map_or(0, csv::Position::line);
        let text = |column: &str| {
            let at = header.iter().position(|h| h == column)?;
            record.get(at).filter(|v| !v.is_empty()).map(str::to_string)
        };
        let number = |column: &str| -> Result<Option<f64>, IoError> {
            let Some(value) = text(column) else { return Ok(None) };
            let parsed = value.parse().ok().filter(|v: &f64| v.is_finite() && *v > 0.0);
            parsed.map(Some).ok_or_else(|| wrong(format!("line {line}, column {column}: {value} is no number over 0")))
        };
        let yes = |column: &str| match text(column).as_deref() {
            Some("yes") => Ok(true),
            Some("no") | None => Ok(false),
            Some(other) => Err(wrong(format!("line {line}, column {column}: {other} is neither yes nor no"))),
        };
        let needed = |column: &str| wrong(format!("line {line}: {column} is empty"));
        let side = text("side");
        if let Some(other) = side.as_deref().filter(|s| !matches!(*s, "pre" | "post")) {
            return Err(wrong(format!("line {line}, column side: {other} is neither pre nor post")));
        }
        rows.push(ReferenceRow {
            comet: text("comet").ok_or_else(|| needed("comet"))?,
            source: text("source").ok_or_else(|| needed("source"))?,
            r_au: number("r_au")?.ok_or_else(|| needed("r_au"))?,
            side,
            afrho_cm: number("afrho_cm")?.ok_or_else(|| needed("afrho_cm"))?,
            afrho_err_cm: number("afrho_err_cm")?,
            aperture_km: number("aperture_km")?,
            band: text("band"),
            is_phase_corrected: yes("phase_corrected")?,
            is_outburst: yes("outburst")?,
        });
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Vec<ReferenceRow>, String> {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), text).unwrap();
        read_reference_csv(file.path()).map_err(|e| e.to_string())
    }

    #[test]
    fn reads_what_is_known_and_leaves_out_what_is_not() {
        let rows = read(
            "\u{feff}comet, r_au, side, afrho_cm, afrho_err_cm, source, phase_corrected\n# a comment\n\
             1P/Halley, 1.20, pre, 5000, , somebody 1990, yes\n1P/Halley,1.0,,6000,300,\"somebody, 1991\",\n",
        )
        .unwrap();
        assert_eq!(rows.len(), 2);
        assert_eq!(
            (rows[0].afrho_err_cm, rows[0].side.as_deref(), rows[0].is_phase_corrected),
            (None, Some("pre"), true)
        );
        assert_eq!(
            (rows[1].afrho_err_cm, rows[1].source.as_str(), rows[1].side.as_deref()),
            (Some(300.0), "somebody, 1991", None)
        );
    }

    #[test]
    fn says_where_a_value_is_wrong() {
        for (text, expected) in [
            ("comet,source,r_au,afrho_cm\nA,b,1.2,about 500\n", "line 2, column afrho_cm: about 500 is no number"),
            ("comet,source,r_au,afrho_cm\nA,b,-1,500\n", "line 2, column r_au: -1 is no number over 0"),
            ("comet,source,r_au\nA,b,1\n", "there is no column afrho_cm"),
            ("comet,source,r_au,afrho_cm,albedo\n", "the column albedo is not known"),
            ("comet,source,r_au,afrho_cm,side\nA,b,1,2,before\n", "before is neither pre nor post"),
            ("comet,source,r_au,afrho_cm\nA,,1,2\n", "line 2: source is empty"),
        ] {
            let error = read(text).unwrap_err();
            assert!(error.contains(expected), "{error}");
        }
    }
}
