//! A star catalogue in a VOTable: the first table that holds data, as TABLEDATA, BINARY or BINARY2.
//!
//! # Source
//! IVOA Recommendation VOTable 1.4 (2019), sections 5.1 (TABLEDATA), 5.3 (BINARY) and 5.4 (BINARY2).

use std::io::{self, BufRead, Read, SeekFrom};
use std::path::Path;

use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, XmlVersion};

use crate::error::IoError;
use crate::fits_read::Source;
use crate::header::parse_number;
use crate::star_table::{PART_ROWS, RawColumn, RawTable, TakePart};

/// The longest row of a binary table: a longer one is damage.
const LONGEST_ROW_BYTES: usize = 16 << 20;

/// Reads the columns of the first table with data, part by part. Cells that are not single numbers are empty.
pub(crate) fn read(source: &mut dyn Source, path: &Path, take: TakePart<'_>) -> Result<(), IoError> {
    let mut reader = Reader::from_reader(Utf8Text::new(&mut *source));
    // Documents in the wild leave out end tags of empty elements; only order matters here.
    reader.config_mut().check_end_names = false;
    let mut state = State::default();
    let mut buffer = Vec::new();
    loop {
        buffer.clear();
        let event = match reader.read_event_into(&mut buffer) {
            Ok(event) => event,
            Err(e) => {
                let at = reader.error_position();
                drop(reader);
                return Err(not_xml(source, at, &e, path));
            }
        };
        let done = match event {
            Event::Start(tag) => {
                state.start(&tag);
                if state.has_data && tag.local_name().into_inner() == "STREAM" {
                    binary_rows(&mut reader.stream(), &mut state, path, take)?;
                }
                false
            }
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
        if state.rows_waiting() >= PART_ROWS {
            take(state.part())?;
        }
    }
    if state.fields.is_empty() {
        return Err(IoError::catalogue(path, "is XML without a VOTable's FIELD"));
    }
    take(state.part())
}

/// The parser's complaint with the line that it is about.
fn not_xml(source: &mut dyn Source, at: u64, complaint: &quick_xml::Error, path: &Path) -> IoError {
    let mut before = Vec::new();
    let read = source.seek(SeekFrom::Start(0)).and_then(|_| source.take(at).read_to_end(&mut before));
    match read {
        Ok(_) => {
            let line = 1 + before.iter().filter(|b| **b == b'\n').count();
            IoError::catalogue(path, format!("is not XML at line {line}: {complaint}"))
        }
        Err(e) => IoError::read(path, e),
    }
}

#[derive(Default)]
struct State {
    fields: Vec<Field>,
    /// The cells that wait to be handed over, row by row.
    cells: Vec<Option<f64>>,
    rows_before: usize,
    row: Vec<Option<f64>>,
    content: String,
    in_row: bool,
    has_data: bool,
    null_flags: bool,
}

impl State {
    fn start(&mut self, tag: &BytesStart<'_>) {
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
            "TABLE" => return self.has_data,
            _ => {}
        }
        self.content.clear();
        false
    }

    fn rows_waiting(&self) -> usize {
        self.cells.len() / self.fields.len().max(1)
    }

    /// Takes the rows that wait.
    fn part(&mut self) -> RawTable {
        let n = self.fields.len();
        let rows = self.rows_waiting();
        let cells = std::mem::take(&mut self.cells);
        let column = |(i, field): (usize, &Field)| RawColumn {
            name: field.name.clone(),
            ucd: field.ucd.clone(),
            unit: field.unit.clone(),
            cells: cells.iter().skip(i).step_by(n).copied().collect(),
            bad_cells: 0,
        };
        let columns = self.fields.iter().enumerate().map(column).collect();
        let first = self.rows_before + 1;
        self.rows_before += rows;
        RawTable { columns, rows: (first..first + rows).collect(), row_word: "row", decorated: true }
    }
}

#[derive(Default)]
struct Field {
    name: String,
    ucd: String,
    unit: String,
    datatype: String,
    arraysize: String,
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

/// Reads the base64 text of a STREAM up to its end tag and hands its rows over.
fn binary_rows<R: BufRead>(
    text: &mut R,
    state: &mut State,
    path: &Path,
    take_part: TakePart<'_>,
) -> Result<(), IoError> {
    let wrong = || IoError::catalogue(path, "has a binary table that does not decode");
    let mut decoder = Base64::default();
    let mut bytes = Vec::new();
    let mut ended = false;
    while !ended {
        let available = text.fill_buf().map_err(|e| IoError::read(path, e))?;
        let end = available.iter().position(|b| *b == b'<');
        let n = end.unwrap_or(available.len());
        decoder.decode(&available[..n], &mut bytes).ok_or_else(wrong)?;
        ended = end.is_some() || available.is_empty();
        text.consume(n);
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            let mut after = rest;
            let Some(mut row) = row(&mut after, &state.fields, state.null_flags) else { break };
            // Fields of no size would never reach the end.
            if after.len() == rest.len() {
                return Err(wrong());
            }
            rest = after;
            state.cells.append(&mut row);
            if state.rows_waiting() >= PART_ROWS {
                take_part(state.part())?;
            }
        }
        let done = bytes.len() - rest.len();
        bytes.drain(..done);
        if bytes.len() > LONGEST_ROW_BYTES {
            return Err(wrong());
        }
    }
    if bytes.is_empty() { Ok(()) } else { Err(wrong()) }
}

/// The cells of a row; `None` where the bytes end inside it or a type is not known.
fn row(rest: &mut &[u8], fields: &[Field], null_flags: bool) -> Option<Vec<Option<f64>>> {
    let flags = if null_flags { take(rest, fields.len().div_ceil(8))? } else { &[] };
    let cells = fields.iter().enumerate().map(|(i, field)| {
        let null = flags.get(i / 8).is_some_and(|b| b & (0x80 >> (i % 8)) != 0);
        Some(cell(rest, field)?.filter(|v| !null && v.is_finite()))
    });
    cells.collect()
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

/// Base64 of RFC 4648, white space ignored, piece by piece.
#[derive(Default)]
struct Base64 {
    bits: u32,
    n_bits: u32,
}

impl Base64 {
    /// Decodes the next piece of the text; `None` at a character that base64 does not have.
    fn decode(&mut self, text: &[u8], out: &mut Vec<u8>) -> Option<()> {
        for b in text.iter().filter(|b| !b.is_ascii_whitespace() && **b != b'=') {
            let value = match b {
                b'A'..=b'Z' => b - b'A',
                b'a'..=b'z' => b - b'a' + 26,
                b'0'..=b'9' => b - b'0' + 52,
                b'+' => 62,
                b'/' => 63,
                _ => return None,
            };
            self.bits = self.bits << 6 | u32::from(value);
            self.n_bits += 6;
            if self.n_bits >= 8 {
                self.n_bits -= 8;
                out.push((self.bits >> self.n_bits) as u8);
                self.bits &= (1 << self.n_bits) - 1;
            }
        }
        Some(())
    }
}

/// Text as UTF-8 whatever its bytes: what is not UTF-8 becomes the replacement character.
struct Utf8Text<R> {
    source: R,
    raw: Vec<u8>,
    text: Vec<u8>,
    used: usize,
}

impl<R: Read> Utf8Text<R> {
    fn new(source: R) -> Self {
        Self { source, raw: Vec::new(), text: Vec::new(), used: 0 }
    }
}

impl<R: Read> BufRead for Utf8Text<R> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.used == self.text.len() {
            (self.used, self.text) = (0, std::mem::take(&mut self.text));
            self.text.clear();
            let n = (&mut self.source).take(64 * 1024).read_to_end(&mut self.raw)?;
            // A character that the piece cuts waits for the next piece.
            let whole = match std::str::from_utf8(&self.raw) {
                Err(e) if n > 0 && e.error_len().is_none() => e.valid_up_to(),
                _ => self.raw.len(),
            };
            self.text.extend_from_slice(String::from_utf8_lossy(&self.raw[..whole]).as_bytes());
            self.raw.drain(..whole);
        }
        Ok(&self.text[self.used..])
    }

    fn consume(&mut self, n: usize) {
        self.used += n;
    }
}

impl<R: Read> Read for Utf8Text<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let available = self.fill_buf()?;
        let n = available.len().min(out.len());
        out[..n].copy_from_slice(&available[..n]);
        self.consume(n);
        Ok(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    /// The vectors of RFC 4648, section 10.
    #[test]
    fn base64_vectors() {
        for (text, expected) in [("", ""), ("Zg==", "f"), ("Zm8=", "fo"), ("Zm9v", "foo"), ("Zm9v\n YmFy", "foobar")] {
            let mut out = Vec::new();
            Base64::default().decode(text.as_bytes(), &mut out).unwrap();
            assert_eq!(out, expected.as_bytes());
            // Cut anywhere it is the same.
            for at in 0..text.len() {
                let (mut pieces, mut out) = (Base64::default(), Vec::new());
                pieces.decode(&text.as_bytes()[..at], &mut out).unwrap();
                pieces.decode(&text.as_bytes()[at..], &mut out).unwrap();
                assert_eq!(out, expected.as_bytes());
            }
        }
        assert_eq!(Base64::default().decode(b"Zm9?", &mut Vec::new()), None);
    }

    fn read_text(text: impl AsRef<[u8]>) -> Result<RawTable, IoError> {
        let mut whole: Option<RawTable> = None;
        read(&mut Cursor::new(text.as_ref()), Path::new("stars.xml"), &mut |part| {
            match &mut whole {
                Some(whole) => whole.append(part),
                None => whole = Some(part),
            }
            Ok(())
        })?;
        Ok(whole.expect("one part at least"))
    }

    /// 40 000 rows are three parts; a column's name in Latin-1 and characters across the pieces of 64 kB are no matter.
    #[test]
    fn long_tables_come_in_parts_and_lose_nothing() {
        let n = 40_000;
        let mut text = b"<VOTABLE><TABLE><FIELD name='a'/><FIELD name='J\xfcrgen'/><DATA><TABLEDATA>".to_vec();
        for i in 0..n {
            text.extend(format!("<TR><TD>{i}</TD><TD>\u{3b1}\u{3b2}</TD></TR>\n").bytes());
        }
        text.extend(b"</TABLEDATA></DATA></TABLE></VOTABLE>");
        let table = read_text(&text).unwrap();
        assert_eq!(table.rows, (1..=n).collect::<Vec<_>>());
        assert!(table.columns[0].cells.iter().enumerate().all(|(i, cell)| *cell == Some(i as f64)));
        assert_eq!(table.columns[1].name, "J\u{fffd}rgen");

        let mut bytes = Vec::new();
        (0..n as i32).for_each(|i| bytes.extend(i.to_be_bytes()));
        let head = "<TABLE><FIELD name='a' datatype='int'/><DATA><BINARY><STREAM encoding='base64'>";
        let table = read_text(format!("{head}{}</STREAM></BINARY></DATA></TABLE>", in_base64(&bytes))).unwrap();
        assert_eq!(table.rows.len(), n);
        assert!(table.columns[0].cells.iter().enumerate().all(|(i, cell)| *cell == Some(i as f64)));
    }

    fn in_base64(bytes: &[u8]) -> String {
        let letters = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
        let mut text = String::new();
        for (i, three) in bytes.chunks(3).enumerate() {
            let bits = three.iter().fold(0u32, |bits, b| bits << 8 | u32::from(*b)) << (8 * (3 - three.len()));
            let letter = |k: usize| if k <= three.len() { letters[(bits >> (18 - 6 * k) & 63) as usize] } else { b'=' };
            text.extend((0..4).map(|k| char::from(letter(k))));
            if i % 16 == 15 {
                text.push('\n');
            }
        }
        text
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
