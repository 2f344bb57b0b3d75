//! A star catalogue in a VOTable: the first table that holds data, as TABLEDATA, BINARY or BINARY2.
//!
//! # Source
//! IVOA Recommendation VOTable 1.4 (2019), sections 5.1 (TABLEDATA), 5.3 (BINARY) and 5.4 (BINARY2).

use std::path::Path;

use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, XmlVersion};

use crate::catalogue::{RawColumn, RawTable};
use crate::error::IoError;
use crate::header::parse_number;

/// Reads the columns of the first table with data. Cells that are not single numbers are empty.
pub(crate) fn read(text: &str, path: &Path) -> Result<RawTable, IoError> {
    let mut reader = Reader::from_str(text);
    // Documents in the wild leave out end tags of empty elements; only order matters here.
    reader.config_mut().check_end_names = false;
    let mut state = State::default();
    loop {
        let event = reader.read_event().map_err(|e| {
            let line = 1 + text.bytes().take(reader.error_position() as usize).filter(|b| *b == b'\n').count();
            IoError::catalogue(path, format!("is not XML at line {line}: {e}"))
        })?;
        let done = match event {
            Event::Start(tag) => state.start(&tag),
            Event::Empty(tag) => {
                state.start(&tag);
                state.end(tag.local_name().into_inner())
            }
            Event::Text(text) => {
                state.content.push_str(&text.xml10_content());
                false
            }
            Event::CData(text) => {
                state.content.push_str(&text.xml10_content());
                false
            }
            Event::End(tag) => state.end(tag.local_name().into_inner()),
            Event::Eof => break,
            _ => false,
        };
        if done {
            break;
        }
    }
    if state.fields.is_empty() {
        return Err(IoError::catalogue(path, "is XML without a VOTable's FIELD"));
    }
    if let Some(stream) = state.stream.take() {
        state.cells = binary_rows(&stream, &state.fields, state.null_flags)
            .ok_or_else(|| IoError::catalogue(path, "has a binary table that does not decode"))?;
    }
    Ok(state.into_table())
}

#[derive(Default)]
struct State {
    fields: Vec<Field>,
    /// The table's cells row by row.
    cells: Vec<Option<f64>>,
    row: Vec<Option<f64>>,
    content: String,
    in_row: bool,
    has_data: bool,
    null_flags: bool,
    stream: Option<String>,
}

#[derive(Default)]
struct Field {
    name: String,
    ucd: String,
    unit: String,
    datatype: String,
    arraysize: String,
}

impl State {
    fn start(&mut self, tag: &BytesStart<'_>) -> bool {
        match tag.local_name().into_inner() {
            "TABLE" => self.fields.clear(),
            "FIELD" => self.fields.push(field(tag)),
            "TABLEDATA" | "BINARY" => self.has_data = true,
            "BINARY2" => (self.has_data, self.null_flags) = (true, true),
            "TR" => {
                self.row.clear();
                self.in_row = true;
            }
            _ => {}
        }
        self.content.clear();
        false
    }

    /// Whether the first table with data is complete.
    fn end(&mut self, name: &str) -> bool {
        match name {
            "TD" if self.in_row => self.row.push(parse_number(&self.content)),
            "TR" => {
                self.row.resize(self.fields.len(), None);
                self.cells.append(&mut self.row);
                self.in_row = false;
            }
            "STREAM" if self.has_data => self.stream = Some(std::mem::take(&mut self.content)),
            "TABLE" => return self.has_data,
            _ => {}
        }
        self.content.clear();
        false
    }

    fn into_table(self) -> RawTable {
        let n = self.fields.len();
        let rows = self.cells.len() / n;
        let column = |(i, field): (usize, Field)| RawColumn {
            name: field.name,
            ucd: field.ucd,
            unit: field.unit,
            cells: self.cells.iter().skip(i).step_by(n).copied().collect(),
            bad_cells: 0,
        };
        let columns = self.fields.into_iter().enumerate().map(column).collect();
        RawTable { columns, rows: (1..=rows).collect(), row_word: "row", decorated: true }
    }
}

fn field(tag: &BytesStart<'_>) -> Field {
    let mut field = Field::default();
    let mut id = String::new();
    for attribute in tag.attributes().with_checks(false).flatten() {
        let value = attribute.normalized_value(XmlVersion::Implicit1_0).map(|v| v.into_owned()).unwrap_or_default();
        match attribute.key.local_name().into_inner() {
            "name" => field.name = value,
            "ID" => id = value,
            "ucd" => field.ucd = value.to_lowercase(),
            "unit" => field.unit = value,
            "datatype" => field.datatype = value,
            "arraysize" => field.arraysize = value,
            _ => {}
        }
    }
    if field.name.is_empty() {
        field.name = id;
    }
    field
}

/// The cells of a base64 stream, row by row; `None` where it ends inside a row or has a type that is not known.
fn binary_rows(stream: &str, fields: &[Field], null_flags: bool) -> Option<Vec<Option<f64>>> {
    let bytes = base64(stream)?;
    let mut rest = bytes.as_slice();
    let mut cells = Vec::new();
    while !rest.is_empty() {
        let before = rest.len();
        let flags = if null_flags { take(&mut rest, fields.len().div_ceil(8))? } else { &[] };
        for (i, field) in fields.iter().enumerate() {
            let null = flags.get(i / 8).is_some_and(|b| b & (0x80 >> (i % 8)) != 0);
            cells.push(cell(&mut rest, field)?.filter(|v| !null && v.is_finite()));
        }
        // Fields of no size would never reach the end.
        if rest.len() == before {
            return None;
        }
    }
    Some(cells)
}

fn cell(rest: &mut &[u8], field: &Field) -> Option<Option<f64>> {
    let size = match field.datatype.as_str() {
        "boolean" | "unsignedByte" | "char" => 1,
        "short" | "unicodeChar" => 2,
        "int" | "float" => 4,
        "long" | "double" | "floatComplex" => 8,
        "doubleComplex" => 16,
        _ => return None,
    };
    let count = match field.arraysize.as_str() {
        "" => 1,
        size if size.ends_with('*') => u32::from_be_bytes(*take(rest, 4)?.first_chunk()?) as usize,
        sizes => sizes.split('x').map(|n| n.trim().parse::<usize>().ok()).try_fold(1usize, |a, n| a.checked_mul(n?))?,
    };
    let bytes = take(rest, count.checked_mul(size)?)?;
    if field.datatype == "char" && count > 1 {
        return Some(std::str::from_utf8(bytes).ok().and_then(parse_number));
    }
    if count != 1 {
        return Some(None);
    }
    Some(match field.datatype.as_str() {
        "unsignedByte" => Some(f64::from(bytes[0])),
        "short" => Some(f64::from(i16::from_be_bytes(*bytes.first_chunk()?))),
        "int" => Some(f64::from(i32::from_be_bytes(*bytes.first_chunk()?))),
        "long" => Some(i64::from_be_bytes(*bytes.first_chunk()?) as f64),
        "float" => Some(f64::from(f32::from_be_bytes(*bytes.first_chunk()?))),
        "double" => Some(f64::from_be_bytes(*bytes.first_chunk()?)),
        _ => None,
    })
}

fn take<'a>(rest: &mut &'a [u8], n: usize) -> Option<&'a [u8]> {
    let (taken, left) = rest.split_at_checked(n)?;
    *rest = left;
    Some(taken)
}

/// Base64 of RFC 4648, white space ignored.
fn base64(text: &str) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(text.len() / 4 * 3);
    let (mut bits, mut n) = (0u32, 0);
    for b in text.bytes().filter(|b| !b.is_ascii_whitespace() && *b != b'=') {
        let value = match b {
            b'A'..=b'Z' => b - b'A',
            b'a'..=b'z' => b - b'a' + 26,
            b'0'..=b'9' => b - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => return None,
        };
        bits = bits << 6 | u32::from(value);
        n += 6;
        if n >= 8 {
            n -= 8;
            out.push((bits >> n) as u8);
            bits &= (1 << n) - 1;
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The vectors of RFC 4648, section 10.
    #[test]
    fn base64_vectors() {
        for (text, expected) in [("", ""), ("Zg==", "f"), ("Zm8=", "fo"), ("Zm9v", "foo"), ("Zm9v\n YmFy", "foobar")] {
            assert_eq!(base64(text).unwrap(), expected.as_bytes());
        }
        assert_eq!(base64("Zm9?"), None);
    }

    fn read_text(text: &str) -> Result<RawTable, IoError> {
        read(text, Path::new("stars.xml"))
    }

    #[test]
    fn a_table_without_rows_fields_or_sense() {
        assert!(read_text("<VOTABLE/>").unwrap_err().to_string().contains("FIELD"));
        assert!(read_text("<VOTABLE><TABLE><FIELD").unwrap_err().to_string().contains("stars.xml"));
        let table = read_text("<VOTABLE><TABLE><FIELD name='ra'/><DATA><TABLEDATA/></DATA></TABLE></VOTABLE>").unwrap();
        assert_eq!((table.columns.len(), table.rows.len()), (1, 0));
        let short =
            "<TABLE><FIELD name='a'/><FIELD name='b'/><DATA><TABLEDATA><TR><TD>1</TD></TR></TABLEDATA></DATA></TABLE>";
        assert_eq!(read_text(short).unwrap().columns[1].cells, [None]);
        let long = "<TABLE><FIELD name='a'/><DATA><TABLEDATA><TR><TD>1</TD><TD>2</TD></TR></TABLEDATA></DATA></TABLE>";
        assert_eq!(read_text(long).unwrap().columns[0].cells, [Some(1.0)]);
        let binary =
            "<TABLE><FIELD name='a' datatype='int'/><DATA><BINARY><STREAM>AAAA</STREAM></BINARY></DATA></TABLE>";
        assert!(read_text(binary).unwrap_err().to_string().contains("does not decode"));
    }
}
