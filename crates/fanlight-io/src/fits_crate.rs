//! The one door to the `fitsio-pure` crate: tile-compressed pixels, gzip and binary tables. Sizes are checked before
//! it is called, and a panic inside it becomes an error.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use fitsio_pure::bintable::{BinaryColumnData, parse_binary_table_columns, read_binary_column};
use fitsio_pure::hdu::{Hdu, HduInfo};
use fitsio_pure::header::Card;
use fitsio_pure::value::Value;

use crate::error::IoError;
use crate::header::{CardValue, Header, HeaderCard, parse_number};

/// Largest file that is unpacked from gzip, in bytes.
const LARGEST_UNPACKED: u64 = 8 << 30;

/// Most pixels a byte of compressed data may stand for. HCOMPRESS of a constant image reaches some thousands.
const MOST_PIXELS_PER_BYTE: usize = 50_000;

/// Decodes a tile-compressed image from its data unit into `out`, scaled and with `BLANK` as NaN.
pub(crate) fn decode_tiled(data: &[u8], header: &Header, path: &Path, out: &mut [f32]) -> Result<(), IoError> {
    if out.len() / MOST_PIXELS_PER_BYTE > data.len() {
        let problem = format!("{} pixels cannot come from {} bytes", out.len(), data.len());
        return Err(IoError::damaged(path, problem));
    }
    check_formats(header, path)?;
    guarded(path, || {
        let hdu = Hdu::from_cards(cards(header), 0, 0)?;
        fitsio_pure::image::read_image_physical_into_f32(data, &hdu, out)
    })
}

/// Unpacks a whole gzip file. The length that its last four bytes announce is checked first.
pub(crate) fn unpack_gzip(packed: &[u8], path: &Path) -> Result<Vec<u8>, IoError> {
    let truncated = || IoError::damaged(path, "it is gzip-compressed and ends too early");
    let trailer = packed.last_chunk::<4>().filter(|_| packed.len() >= 18).ok_or_else(truncated)?;
    let announced = u64::from(u32::from_le_bytes(*trailer));
    // DEFLATE cannot exceed 1032:1, so a larger claim is damage (RFC 1951; the figure is zlib's own).
    if announced > LARGEST_UNPACKED || announced / 1032 > packed.len() as u64 {
        return Err(truncated());
    }
    guarded(path, || fitsio_pure::gzip::decompress(packed))
}

/// A column of a binary table.
pub(crate) struct TableColumn {
    pub name: String,
    pub unit: String,
    pub ucd: String,
    /// One number per row; `None` where the cell is empty or not finite, or the column holds no numbers.
    pub cells: Vec<Option<f64>>,
}

/// Reads the numeric scalar columns of a binary table from its data unit, or from the bytes of `n_rows` whole rows of
/// a table that has nothing behind its rows.
pub(crate) fn read_table(
    data: &[u8],
    header: &Header,
    n_rows: usize,
    path: &Path,
) -> Result<Vec<TableColumn>, IoError> {
    check_formats(header, path)?;
    guarded(path, || {
        let mut cards = cards(header);
        for card in cards.iter_mut().filter(|card| card.keyword_str() == "NAXIS2") {
            card.value = Some(Value::Integer(n_rows as i64));
        }
        let hdu = Hdu::from_cards(cards, 0, 0)?;
        let HduInfo::BinaryTable { naxis2, tfields, .. } = hdu.info else { return Ok(Vec::new()) };
        let columns = parse_binary_table_columns(&hdu.cards, tfields)?;
        let mut out = Vec::new();
        for (i, column) in columns.iter().enumerate() {
            let Some(name) = column.name.clone().filter(|_| column.repeat == 1) else { continue };
            let n = i + 1;
            let Some(raw) = numbers(read_binary_column(data, &hdu, i)?) else { continue };
            let null = header.integer(&format!("TNULL{n}"));
            let scale = header.number(&format!("TSCAL{n}")).unwrap_or(1.0);
            let zero = header.number(&format!("TZERO{n}")).unwrap_or(0.0);
            let physical = |cell: Cell| match cell {
                Cell::Whole(v) => (Some(v) != null).then_some(zero + scale * v as f64),
                Cell::Real(v) => Some(zero + scale * v).filter(|v| v.is_finite()),
            };
            out.push(TableColumn {
                name,
                unit: header.text(&format!("TUNIT{n}")).unwrap_or_default(),
                ucd: header.text(&format!("TUCD{n}")).unwrap_or_default(),
                cells: raw.into_iter().take(naxis2).map(physical).collect(),
            });
        }
        Ok(out)
    })
}

enum Cell {
    Whole(i64),
    Real(f64),
}

fn numbers(column: BinaryColumnData) -> Option<Vec<Cell>> {
    fn whole<T: Into<i64>>(values: Vec<T>) -> Vec<Cell> {
        values.into_iter().map(|v| Cell::Whole(v.into())).collect()
    }
    match column {
        BinaryColumnData::Byte(v) => Some(whole(v)),
        BinaryColumnData::Short(v) => Some(whole(v)),
        BinaryColumnData::Int(v) => Some(whole(v)),
        BinaryColumnData::Long(v) => Some(whole(v)),
        BinaryColumnData::Float(v) => Some(v.into_iter().map(|v| Cell::Real(f64::from(v))).collect()),
        BinaryColumnData::Double(v) => Some(v.into_iter().map(Cell::Real).collect()),
        BinaryColumnData::Ascii(v) => Some(v.iter().map(|t| Cell::Real(parse_number(t).unwrap_or(f64::NAN))).collect()),
        _ => None,
    }
}

/// The crate slices column formats by bytes and panics inside a character; only ASCII is FITS anyway.
fn check_formats(header: &Header, path: &Path) -> Result<(), IoError> {
    let is_format = |card: &&HeaderCard| match &card.value {
        Some(CardValue::Text(text)) => text.is_ascii() && !text.is_empty(),
        _ => false,
    };
    match header.cards().iter().filter(|c| c.key.starts_with("TFORM")).find(|c| !is_format(c)) {
        Some(card) => Err(IoError::keyword(path, card.key.clone(), "is not a column format")),
        None => Ok(()),
    }
}

/// The cards that the crate needs to know a data unit's layout; those it could not hold are left out.
fn cards(header: &Header) -> Vec<Card> {
    header
        .cards()
        .iter()
        .filter_map(|card| {
            let value = match card.value.as_ref()? {
                CardValue::Number(v) => Value::Float(*v),
                CardValue::Integer(v) => Value::Integer(*v),
                CardValue::Text(v) => Value::String(v.clone()),
                CardValue::Logical(v) => Value::Logical(*v),
            };
            Card::new(&card.key, value).ok()
        })
        .collect()
}

fn guarded<T>(path: &Path, call: impl FnOnce() -> fitsio_pure::Result<T>) -> Result<T, IoError> {
    match catch_unwind(AssertUnwindSafe(call)) {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(IoError::damaged(path, error.to_string())),
        Err(_) => Err(IoError::damaged(path, "its contents contradict each other")),
    }
}
