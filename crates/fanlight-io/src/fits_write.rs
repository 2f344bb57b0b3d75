//! Writing FITS files whole: images, masks and 16-bit frames, one HDU each.
//!
//! # Source
//! FITS standard 4.0, sections 3.3 (primary data), 7.1 (image extensions), table 11 (unsigned integers).

use std::io::{self, Write};
use std::path::Path;

use fanlight_image::{Image, Mask};

use crate::card_text::{commentary_cards, fixed_card, value_cards};
use crate::error::IoError;
use crate::hdu::BLOCK;
use crate::header::Card;
use crate::products::write_whole;

/// Pixels encoded at a time.
const CHUNK_PIXELS: usize = 32 * 1024;

/// One HDU to write: the first becomes the primary HDU, the others image extensions.
#[derive(Debug, Clone)]
pub struct HduOut<'a> {
    /// Its EXTNAME; empty for none.
    pub name: &'a str,
    /// Its pixels.
    pub data: HduData<'a>,
    /// Header cards after the structural ones, in this order. Text is written in ASCII with stand-ins for other
    /// characters (`ρ` as `rho`); strings of any length are continued.
    pub cards: Vec<Card>,
    /// HISTORY entries, wrapped at words.
    pub history: Vec<String>,
    /// COMMENT entries, wrapped at words.
    pub comments: Vec<String>,
}

impl<'a> HduOut<'a> {
    /// An HDU with its name and pixels and nothing else yet.
    pub fn new(name: &'a str, data: HduData<'a>) -> Self {
        Self { name, data, cards: Vec::new(), history: Vec::new(), comments: Vec::new() }
    }
}

/// Pixels to write, row by row from the first.
#[derive(Debug, Clone, Copy)]
pub enum HduData<'a> {
    /// `BITPIX = -32`; NaN is kept.
    F32(&'a Image),
    /// `BITPIX = 8`.
    U8(&'a Mask),
    /// `BITPIX = 16` with `BZERO = 32768`.
    U16 {
        /// Pixels along a row.
        width: usize,
        /// Rows.
        height: usize,
        /// Row-major pixels.
        pixels: &'a [u16],
    },
}

impl HduData<'_> {
    fn size(&self) -> (usize, usize) {
        match *self {
            Self::F32(image) => (image.width, image.height),
            Self::U8(mask) => (mask.width, mask.height),
            Self::U16 { width, height, .. } => (width, height),
        }
    }

    fn len(&self) -> usize {
        match self {
            Self::F32(image) => image.data.len(),
            Self::U8(mask) => mask.bits.len(),
            Self::U16 { pixels, .. } => pixels.len(),
        }
    }

    fn bitpix(&self) -> i64 {
        match self {
            Self::F32(_) => -32,
            Self::U8(_) => 8,
            Self::U16 { .. } => 16,
        }
    }
}

/// Writes a FITS file beside its final place and renames it, so that it appears whole or not at all. The same input
/// gives the same bytes: no date is added.
///
/// # Errors
/// No HDU, an empty image or one whose pixels do not match its size; a card with a number that is not finite or a
/// keyword that FITS does not allow or the program writes itself; a disk that is full or cannot be written to.
pub fn write_fits(path: &Path, hdus: &[HduOut<'_>]) -> Result<(), IoError> {
    let bad = |problem: String| IoError::BadData { path: path.to_owned(), problem };
    if hdus.is_empty() {
        return Err(bad("there is no image to write".to_owned()));
    }
    let mut headers = Vec::new();
    for (i, hdu) in hdus.iter().enumerate() {
        let (width, height) = hdu.data.size();
        if width == 0 || height == 0 || hdu.data.len() != width * height {
            let n = hdu.data.len();
            return Err(bad(format!("image `{}` of {width} x {height} pixels has {n} values", hdu.name)));
        }
        headers.push(header_bytes(hdu, i == 0, hdus.len() > 1, path)?);
    }
    write_whole(path, |out| {
        for (hdu, header) in hdus.iter().zip(&headers) {
            out.write_all(header)?;
            let written = write_pixels(out, &hdu.data)?;
            out.write_all(&vec![0; written.next_multiple_of(BLOCK) - written])?;
        }
        Ok(())
    })
}

fn header_bytes(hdu: &HduOut<'_>, primary: bool, extended: bool, path: &Path) -> Result<Vec<u8>, IoError> {
    let (width, height) = hdu.data.size();
    let mut text = String::new();
    let mut fixed = |key: &str, value: &str, comment: &str| {
        text.push_str(&fixed_card(key, value, comment));
    };
    match primary {
        true => fixed("SIMPLE", "T", "file conforms to the FITS standard"),
        false => fixed("XTENSION", &format!("{:<20}", "'IMAGE   '"), "image extension"),
    }
    fixed("BITPIX", &hdu.data.bitpix().to_string(), "bits per pixel");
    fixed("NAXIS", "2", "number of axes");
    fixed("NAXIS1", &width.to_string(), "pixels along a row");
    fixed("NAXIS2", &height.to_string(), "rows");
    match primary {
        true if extended => fixed("EXTEND", "T", "extensions follow"),
        true => {}
        false => {
            fixed("PCOUNT", "0", "no parameters");
            fixed("GCOUNT", "1", "one group");
        }
    }
    if let HduData::U16 { .. } = hdu.data {
        fixed("BSCALE", "1", "unsigned 16-bit integers");
        fixed("BZERO", "32768", "offset of unsigned integers");
    }
    let bad = |keyword: &str, problem| IoError::BadCard { path: path.to_owned(), keyword: keyword.to_owned(), problem };
    if !hdu.name.is_empty() {
        // EXTNAME is refused as a card of the caller's, so that a name is given in one place only.
        let named = value_cards(&Card::new("NAME", hdu.name, "name of this HDU")).map_err(|e| bad("EXTNAME", e))?;
        text.extend(named.iter().map(|c| c.replacen("NAME    ", "EXTNAME ", 1)));
    }
    for card in &hdu.cards {
        text.extend(value_cards(card).map_err(|e| bad(&card.key, e))?);
    }
    text.extend(hdu.comments.iter().flat_map(|c| commentary_cards("COMMENT", c)));
    text.extend(hdu.history.iter().flat_map(|h| commentary_cards("HISTORY", h)));
    text.push_str(&format!("{:<80}", "END"));
    let mut bytes = text.into_bytes();
    bytes.resize(bytes.len().next_multiple_of(BLOCK), b' ');
    Ok(bytes)
}

fn write_pixels(out: &mut dyn Write, data: &HduData<'_>) -> io::Result<usize> {
    match data {
        HduData::F32(image) => encode(out, &image.data, |v| v.to_be_bytes()),
        HduData::U8(mask) => out.write_all(&mask.bits).map(|()| mask.bits.len()),
        HduData::U16 { pixels, .. } => encode(out, pixels, |v| (v ^ 0x8000).to_be_bytes()),
    }
}

fn encode<T: Copy, const N: usize>(
    out: &mut dyn Write,
    values: &[T],
    convert: impl Fn(T) -> [u8; N],
) -> io::Result<usize> {
    let mut bytes = vec![0; CHUNK_PIXELS.min(values.len()) * N];
    for chunk in values.chunks(CHUNK_PIXELS) {
        let bytes = &mut bytes[..chunk.len() * N];
        for (stored, value) in bytes.as_chunks_mut::<N>().0.iter_mut().zip(chunk) {
            *stored = convert(*value);
        }
        out.write_all(bytes)?;
    }
    Ok(values.len() * N)
}
