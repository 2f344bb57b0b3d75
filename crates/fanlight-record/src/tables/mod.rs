//! Tables of measured nights: one description of every column, from which CSV, VOTable and FITS are all written, so
//! that they cannot disagree.
//!
//! Columns are named as in the record (`night.json`). Units are written as IVOA VOUnits 1.0 and the FITS standard 4.0
//! (section 4.3) both read them (the electron, which neither lists, by its name), UCDs are of the IVOA's UCD1+ vocabulary 1.5.

mod coma;
mod frames;
mod light;
mod nights;

use crate::NightRecord;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A number in double precision.
    Number,
    /// A whole number.
    Integer,
    /// Text.
    Text,
    /// True or false.
    Truth,
}

/// One cell; what was not measured is [`Cell::Empty`].
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Not measured.
    Empty,
    /// A finite number.
    Number(f64),
    /// A whole number.
    Integer(i64),
    /// Text.
    Text(String),
    /// True or false.
    Truth(bool),
}

/// What stands above a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heading {
    /// Name, as in the record.
    pub name: &'static str,
    /// Unit; empty for none.
    pub unit: &'static str,
    /// UCD1+.
    pub ucd: &'static str,
    /// One sentence without its full stop.
    pub description: &'static str,
    /// What its cells hold.
    pub kind: Kind,
}

/// A table of one or more nights.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Name, usable as that of a file.
    pub name: &'static str,
    /// What a row is.
    pub description: &'static str,
    /// Headings, in order.
    pub headings: Vec<Heading>,
    /// Rows, each with one cell per heading.
    pub rows: Vec<Vec<Cell>>,
}

/// All tables of these nights, in their order; a table may have no rows.
pub fn night_tables(nights: &[NightRecord]) -> Vec<Table> {
    vec![
        nights::nights(nights),
        nights::astrometry(nights),
        frames::frames(nights),
        coma::photometry(nights),
        coma::photometry_errors(nights),
        light::dust(nights),
        light::growth(nights),
        coma::profile(nights),
        light::slopes(nights),
        light::sectors(nights),
        light::colours(nights),
        coma::features(nights),
        coma::detection_limits(nights),
        frames::zero_point_stars(nights),
    ]
}

/// How to get a cell from a night and a row of it.
enum Get<T> {
    Number(fn(&NightRecord, &T) -> Option<f64>),
    Integer(fn(&NightRecord, &T) -> Option<i64>),
    Text(fn(&NightRecord, &T) -> Option<String>),
    Truth(fn(&NightRecord, &T) -> Option<bool>),
}

/// A column of a table whose rows are `T`.
struct Column<T> {
    heading: Heading,
    get: Get<T>,
}

type Words = (&'static str, &'static str, &'static str, &'static str);

fn column<T>((name, unit, ucd, description): Words, kind: Kind, get: Get<T>) -> Column<T> {
    Column { heading: Heading { name, unit, ucd, description, kind }, get }
}

/// A column of numbers: name, unit, UCD, description, and where it is in the record.
fn number<T>(words: Words, get: fn(&NightRecord, &T) -> Option<f64>) -> Column<T> {
    column(words, Kind::Number, Get::Number(get))
}

/// A column of whole numbers.
fn integer<T>(words: Words, get: fn(&NightRecord, &T) -> Option<i64>) -> Column<T> {
    column(words, Kind::Integer, Get::Integer(get))
}

/// A column of text.
fn text<T>(words: Words, get: fn(&NightRecord, &T) -> Option<String>) -> Column<T> {
    column(words, Kind::Text, Get::Text(get))
}

/// A column of truth values.
fn truth<T>(words: Words, get: fn(&NightRecord, &T) -> Option<bool>) -> Column<T> {
    column(words, Kind::Truth, Get::Truth(get))
}

/// A count as a whole number.
fn count(n: usize) -> Option<i64> {
    i64::try_from(n).ok()
}

/// A table of rows, each with its night; the night's object and time stand before the table's own columns.
fn fill<'a, T>(
    name: &'static str,
    description: &'static str,
    columns: Vec<Column<T>>,
    rows: impl Iterator<Item = (&'a NightRecord, T)>,
) -> Table {
    let mut all = vec![
        text(("object", "", "meta.id;src", "Designation of the comet"), |n, _| Some(n.object.clone())),
        text(("night_mid_utc", "", "time.epoch", "Exposure-weighted middle of the night, UTC, ISO 8601"), |n, _| {
            Some(n.mid_utc.clone())
        }),
    ];
    all.extend(columns);
    let rows = rows.map(|(night, row)| all.iter().map(|c| cell(c, night, &row)).collect()).collect();
    Table { name, description, headings: all.iter().map(|c| c.heading).collect(), rows }
}

fn cell<T>(column: &Column<T>, night: &NightRecord, row: &T) -> Cell {
    match column.get {
        Get::Number(get) => get(night, row).filter(|v| v.is_finite()).map_or(Cell::Empty, Cell::Number),
        Get::Integer(get) => get(night, row).map_or(Cell::Empty, Cell::Integer),
        Get::Text(get) => get(night, row).filter(|t| !t.is_empty()).map_or(Cell::Empty, Cell::Text),
        Get::Truth(get) => get(night, row).map_or(Cell::Empty, Cell::Truth),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sentences::tests::night;
    use std::collections::BTreeSet;

    #[test]
    fn every_table_is_rectangular_with_unique_names_and_kinds_that_fit() {
        for table in night_tables(&[night(), night()]) {
            let names: BTreeSet<&str> = table.headings.iter().map(|h| h.name).collect();
            assert_eq!(names.len(), table.headings.len(), "{}: a name stands twice", table.name);
            assert!(table.headings.iter().all(|h| !h.ucd.is_empty() && !h.description.is_empty()), "{}", table.name);
            for row in &table.rows {
                assert_eq!(row.len(), table.headings.len(), "{}", table.name);
                for (heading, cell) in table.headings.iter().zip(row) {
                    let kind = match cell {
                        Cell::Empty => continue,
                        Cell::Number(_) => Kind::Number,
                        Cell::Integer(_) => Kind::Integer,
                        Cell::Text(_) => Kind::Text,
                        Cell::Truth(_) => Kind::Truth,
                    };
                    assert_eq!(kind, heading.kind, "{} {}", table.name, heading.name);
                }
            }
        }
    }

    #[test]
    fn two_nights_stand_one_after_the_other_and_what_is_missing_is_empty() {
        let mut second = night();
        second.object = "C/2031 Z2 again".into();
        second.photometry[0].mag = None;
        let nights = [night(), second];
        let tables = night_tables(&nights);
        let photometry = tables.iter().find(|t| t.name == "photometry").unwrap();
        let n = nights[0].photometry.len();
        assert_eq!(photometry.rows.len(), 2 * n);
        let at = |row: usize, name: &str| {
            let column = photometry.headings.iter().position(|h| h.name == name).unwrap();
            photometry.rows[row][column].clone()
        };
        assert_eq!(at(n, "object"), Cell::Text("C/2031 Z2 again".into()));
        assert_eq!(at(0, "mag"), Cell::Number(nights[0].photometry[0].mag.unwrap()));
        assert_eq!(at(n, "mag"), Cell::Empty);
        assert_eq!(at(n, "aperture_km"), Cell::Number(nights[0].photometry[0].aperture_km));
    }

    /// A unit in a column's name is the unit that is stated for it.
    #[test]
    fn names_and_units_agree() {
        for heading in night_tables(&[]).iter().flat_map(|t| &t.headings) {
            let ends = [
                ("_arcsec2", "arcsec**-2"),
                ("_per_hour", "h**-1"),
                ("_per_s", "s**-1"),
                ("_km", "km"),
                ("_cm", "cm"),
                ("_au", "AU"),
                ("_deg", "deg"),
                ("_mag", "mag"),
                ("_m", "m"),
                ("_s", "s"),
                ("_per_arcsec", "arcsec**-1"),
                ("_per_min", "min**-1"),
                ("_arcsec", "arcsec"),
            ];
            if let Some((end, unit)) = ends.iter().find(|(end, _)| heading.name.ends_with(end)) {
                assert!(heading.unit.ends_with(unit), "{} ends in {end} and is in {:?}", heading.name, heading.unit);
            }
        }
    }
}
