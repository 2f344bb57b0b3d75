//! A table as a FITS file: an empty primary HDU and one binary table.
//!
//! # Source
//! FITS standard 4.0: section 7.3 (binary tables), table 18 (TFORM), 7.3.2 (TNULL), 4.3 (units).

use std::path::Path;

use fanlight_record::tables::{Cell, Heading, Kind, Table};

use crate::card_text::{ascii, commentary_cards, fixed_card, value_cards};
use crate::error::IoError;
use crate::hdu::BLOCK;
use crate::header::Card;

/// The whole number that stands for none.
const NO_INTEGER: i64 = i64::MIN;

/// The file's bytes.
pub(crate) fn file(table: &Table, path: &Path) -> Result<Vec<u8>, IoError> {
    let columns: Vec<Column> = table.headings.iter().enumerate().map(|(i, h)| Column::of(table, i, h)).collect();
    let mut bytes = primary_header();
    bytes.extend(table_header(table, &columns, path)?);
    for row in &table.rows {
        row.iter().zip(&columns).for_each(|(cell, column)| column.encode(cell, &mut bytes));
    }
    bytes.resize(bytes.len().next_multiple_of(BLOCK), 0);
    Ok(bytes)
}

/// A column with the room that it takes.
struct Column {
    heading: Heading,
    width: usize,
}

impl Column {
    fn of(table: &Table, index: usize, heading: &Heading) -> Self {
        let widest = || table.rows.iter().map(|row| text(&row[index]).len()).max().unwrap_or(0);
        let width = match heading.kind {
            Kind::Number | Kind::Integer => 8,
            Kind::Text => widest().max(1),
            Kind::Truth => 1,
        };
        Self { heading: *heading, width }
    }

    fn form(&self) -> String {
        match self.heading.kind {
            Kind::Number => "1D".to_owned(),
            Kind::Integer => "1K".to_owned(),
            Kind::Text => format!("{}A", self.width),
            Kind::Truth => "1L".to_owned(),
        }
    }

    fn encode(&self, cell: &Cell, out: &mut Vec<u8>) {
        let end = out.len() + self.width;
        match (self.heading.kind, cell) {
            (Kind::Number, Cell::Number(v)) => out.extend(v.to_be_bytes()),
            (Kind::Number, _) => out.extend(f64::NAN.to_be_bytes()),
            (Kind::Integer, Cell::Integer(v)) => out.extend(v.to_be_bytes()),
            (Kind::Integer, _) => out.extend(NO_INTEGER.to_be_bytes()),
            (Kind::Truth, Cell::Truth(v)) => out.push(if *v { b'T' } else { b'F' }),
            (Kind::Truth, _) => out.push(0),
            (Kind::Text, cell) => out.extend(text(cell).bytes()),
        }
        // text alone can be shorter than its column
        out.resize(end, b' ');
    }
}

fn text(cell: &Cell) -> String {
    match cell {
        Cell::Text(text) => ascii(text),
        _ => String::new(),
    }
}

fn primary_header() -> Vec<u8> {
    let mut cards = fixed_card("SIMPLE", "T", "file conforms to the FITS standard");
    cards.push_str(&fixed_card("BITPIX", "8", "no image here"));
    cards.push_str(&fixed_card("NAXIS", "0", "no image here"));
    cards.push_str(&fixed_card("EXTEND", "T", "a table follows"));
    ended(cards)
}

fn table_header(table: &Table, columns: &[Column], path: &Path) -> Result<Vec<u8>, IoError> {
    let row_bytes: usize = columns.iter().map(|c| c.width).sum();
    let mut text = String::new();
    for (key, value, comment) in [
        ("XTENSION", format!("{:<20}", "'BINTABLE'"), "binary table"),
        ("BITPIX", "8".into(), "bytes"),
        ("NAXIS", "2".into(), "number of axes"),
        ("NAXIS1", row_bytes.to_string(), "bytes of a row"),
        ("NAXIS2", table.rows.len().to_string(), "rows"),
        ("PCOUNT", "0".into(), "nothing behind the rows"),
        ("GCOUNT", "1".into(), "one group"),
        ("TFIELDS", columns.len().to_string(), "columns"),
    ] {
        text.push_str(&fixed_card(key, &value, comment));
    }
    text.push_str(&fixed_card("EXTNAME", &format!("{:<20}", format!("'{}'", table.name.to_uppercase())), "this table"));
    let mut add = |card: &Card| -> Result<(), IoError> {
        let bad = |problem| IoError::BadCard { path: path.to_owned(), keyword: card.key.clone(), problem };
        text.extend(value_cards(card).map_err(bad)?);
        Ok(())
    };
    for (n, column) in (1..).zip(columns) {
        let Heading { name, unit, ucd, description, kind } = column.heading;
        add(&Card::new(&format!("TTYPE{n}"), name, ""))?;
        add(&Card::new(&format!("TFORM{n}"), column.form().as_str(), ""))?;
        if !unit.is_empty() {
            add(&Card::new(&format!("TUNIT{n}"), unit, ""))?;
        }
        if kind == Kind::Integer {
            add(&Card::new(&format!("TNULL{n}"), NO_INTEGER, "not measured"))?;
        }
        add(&Card::new(&format!("TUCD{n}"), ucd, ""))?;
        add(&Card::new(&format!("TCOMM{n}"), description, ""))?;
    }
    text.extend(commentary_cards("COMMENT", table.description));
    Ok(ended(text))
}

fn ended(mut cards: String) -> Vec<u8> {
    cards.push_str(&format!("{:<80}", "END"));
    let mut bytes = cards.into_bytes();
    bytes.resize(bytes.len().next_multiple_of(BLOCK), b' ');
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table_out::tests::table;

    #[test]
    fn rows_are_big_endian_with_the_standards_nulls() {
        let bytes = file(&table(), Path::new("t.fits")).unwrap();
        assert_eq!(bytes.len() % BLOCK, 0);
        let header_blocks = bytes.chunks(80).position(|card| card.starts_with(b"XTENSION")).unwrap() * 80;
        assert_eq!(header_blocks, BLOCK);
        let end = bytes[BLOCK..].chunks(80).position(|card| card.starts_with(b"END ")).unwrap();
        let data = BLOCK + ((end + 1) * 80).next_multiple_of(BLOCK);
        let text = "67P, \"a\" & <rho>";
        let row = text.len() + 8 + 8 + 8 + 1;
        let rows: Vec<&[u8]> = bytes[data..].chunks(row).take(3).collect();
        assert_eq!(&rows[0][..text.len()], text.as_bytes());
        assert_eq!(rows[0][text.len()..][..8], (0.1 + 0.2f64).to_be_bytes());
        assert_eq!(&rows[1][..text.len()], format!("{:<16}", "x y").as_bytes());
        let none = &rows[2][text.len()..];
        assert!(f64::from_be_bytes(none[..8].try_into().unwrap()).is_nan());
        assert_eq!((&none[16..24], none[24]), (&NO_INTEGER.to_be_bytes()[..], 0));
        assert!(rows[2][..text.len()].iter().all(|b| *b == b' '));
    }
}
