//! Tables of nights as files: CSV, VOTable and FITS, each from the same description of the columns.
//!
//! Numbers are written so that they read back to the last bit: the shortest decimals that do in CSV and VOTable, the
//! bits themselves in FITS.

use std::path::Path;

use fanlight_record::tables::{Cell, Table};

use crate::error::IoError;
use crate::products::OutputFolder;
use crate::{table_fits, table_votable};

/// How a table is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableFormat {
    /// Comma-separated values: one header line of names, each with its unit in brackets; UTF-8, RFC 4180 with plain
    /// line feeds. What was not measured is an empty cell.
    Csv,
    /// VOTable 1.4 as TABLEDATA. What was not measured is an empty cell.
    Votable,
    /// A binary table in the first extension. What was not measured is NaN, the column's `TNULL`, an undefined logical
    /// or blank text. Text is in ASCII with stand-ins for other characters, the only characters of FITS.
    Fits,
}

impl TableFormat {
    /// The ending of its files.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Votable => "vot",
            Self::Fits => "fits",
        }
    }
}

/// Writes a table whole, under its name with the format's ending; returns the file's name.
///
/// # Errors
/// A disk that is full or cannot be written to.
///
/// # Source
/// RFC 4180 (2005); IVOA Recommendation VOTable 1.4 (2019), sections 4 and 5.1; FITS standard 4.0, section 7.3.
pub fn write_table(folder: &OutputFolder, table: &Table, format: TableFormat) -> Result<String, IoError> {
    let name = format!("{}.{}", table.name, format.ending());
    let bytes = match format {
        TableFormat::Csv => csv_text(table, &folder.path(&name))?,
        TableFormat::Votable => table_votable::document(table).map_err(|e| IoError::write(&folder.path(&name), e))?,
        TableFormat::Fits => table_fits::file(table, &folder.path(&name))?,
    };
    folder.write(&name, &bytes)?;
    Ok(name)
}

fn csv_text(table: &Table, path: &Path) -> Result<Vec<u8>, IoError> {
    let bad = |problem: String| IoError::BadData { path: path.to_owned(), problem };
    let mut out = csv::Writer::from_writer(Vec::new());
    let header = table.headings.iter().map(|h| match h.unit {
        "" => h.name.to_owned(),
        unit => format!("{} [{unit}]", h.name),
    });
    out.write_record(header).map_err(|e| bad(e.to_string()))?;
    for row in &table.rows {
        out.write_record(row.iter().map(plain)).map_err(|e| bad(e.to_string()))?;
    }
    out.into_inner().map_err(|e| bad(e.to_string()))
}

/// A cell as plain text; a number as its shortest decimals that read back the same.
pub(crate) fn plain(cell: &Cell) -> String {
    match cell {
        Cell::Empty => String::new(),
        Cell::Number(v) => format!("{v:?}"),
        Cell::Integer(v) => v.to_string(),
        Cell::Text(v) => v.clone(),
        Cell::Truth(v) => v.to_string(),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use fanlight_record::tables::{Heading, Kind};

    /// Every kind of cell, empty ones among them, and what is hard to write.
    pub(crate) fn table() -> Table {
        let heading = |name, unit, ucd, kind| Heading { name, unit, ucd, description: "What it is, < 1 & > 0", kind };
        Table {
            name: "trial",
            description: "One row for each \"trial\".",
            headings: vec![
                heading("name", "", "meta.id", Kind::Text),
                heading("ra_deg", "deg", "pos.eq.ra", Kind::Number),
                heading("sky", "mag.arcsec**-2", "phot.mag.sb", Kind::Number),
                heading("n", "", "meta.number", Kind::Integer),
                heading("used", "", "meta.code", Kind::Truth),
            ],
            rows: vec![
                vec![
                    Cell::Text("67P, \"a\" & <ρ>".into()),
                    Cell::Number(0.1 + 0.2),
                    Cell::Number(-0.0),
                    Cell::Integer(-7),
                    Cell::Truth(true),
                ],
                vec![
                    Cell::Text("x\ny\u{1}".into()),
                    Cell::Number(5e-324),
                    Cell::Number(1.797_693_134_862_315_7e308),
                    Cell::Integer(i64::MAX),
                    Cell::Truth(false),
                ],
                vec![Cell::Empty, Cell::Empty, Cell::Empty, Cell::Empty, Cell::Empty],
            ],
        }
    }

    #[test]
    fn csv_has_units_in_its_header_and_empty_cells() {
        let text = String::from_utf8(csv_text(&table(), Path::new("t.csv")).unwrap()).unwrap();
        let expected = "name,ra_deg [deg],sky [mag.arcsec**-2],n,used\n\
            \"67P, \"\"a\"\" & <ρ>\",0.30000000000000004,-0.0,-7,true\n\
            \"x\ny\u{1}\",5e-324,1.7976931348623157e308,9223372036854775807,false\n\
            ,,,,\n";
        assert_eq!(text, expected);
        for (text, value) in [("0.30000000000000004", 0.1 + 0.2), ("5e-324", 5e-324)] {
            assert_eq!(text.parse::<f64>().unwrap().to_bits(), f64::to_bits(value));
        }
    }
}
