//! FITS frames taken apart and put together byte by byte, sharing nothing with the crate under test, so that a frame
//! can be broken in exactly one way.

use std::path::Path;

const CARD: usize = 80;
const BLOCK: usize = 2880;

/// One HDU: header cards without `END`, and data bytes without padding.
#[derive(Debug, Clone)]
pub struct RawFits {
    cards: Vec<String>,
    data: Vec<u8>,
}

impl RawFits {
    /// The primary HDU of a file.
    pub fn read(path: &Path) -> Self {
        let bytes = std::fs::read(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let cards: Vec<String> = bytes
            .chunks_exact(CARD)
            .map(|c| String::from_utf8(c.to_vec()).expect("ASCII header"))
            .take_while(|c| c.trim_end() != "END")
            .collect();
        let start = ((cards.len() + 1) * CARD).next_multiple_of(BLOCK);
        let mut fits = Self { cards, data: Vec::new() };
        let size = fits.width() * fits.height() * fits.number("BITPIX").abs() as usize / 8;
        fits.data = bytes[start..start + size].to_vec();
        fits
    }

    /// The value of a numeric card.
    pub fn number(&self, key: &str) -> f64 {
        let text = self.value(key).unwrap_or_else(|| panic!("no {key}"));
        text.parse().unwrap_or_else(|_| panic!("{key} is {text}"))
    }

    /// The value of a card as it is written, without its comment.
    pub fn value(&self, key: &str) -> Option<&str> {
        let card = self.cards.iter().find(|c| c[..8].trim_end() == key)?;
        Some(card[10..].split(" /").next().unwrap_or_default().trim())
    }

    /// Pixels along a row.
    pub fn width(&self) -> usize {
        self.number("NAXIS1") as usize
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.number("NAXIS2") as usize
    }

    /// Sets a card; `value` as it stands in the file, text in single quotes.
    pub fn set(&mut self, key: &str, value: &str) {
        let card = format!("{:<80}", format!("{key:<8}= {value:>20}"));
        match self.cards.iter().position(|c| c[..8].trim_end() == key) {
            Some(i) => self.cards[i] = card,
            None => self.cards.push(card),
        }
    }

    /// Takes a card out; there must be one.
    pub fn remove(&mut self, key: &str) {
        let before = self.cards.len();
        self.cards.retain(|c| c[..8].trim_end() != key);
        assert!(self.cards.len() < before, "no {key} to remove");
    }

    /// Takes out every card of the world coordinate system.
    pub fn remove_wcs(&mut self) {
        let before = self.cards.len();
        let of_wcs = |card: &str| ["CTYPE", "CRVAL", "CRPIX", "CD1_", "CD2_"].iter().any(|k| card.starts_with(k));
        self.cards.retain(|c| !of_wcs(c));
        assert!(self.cards.len() + 10 <= before, "a WCS has ten cards");
    }

    /// Physical values of an unsigned 16-bit or a float frame.
    pub fn pixels(&self) -> Vec<f32> {
        match self.number("BITPIX") as i64 {
            16 => self.data.chunks_exact(2).map(|b| f32::from(i16::from_be_bytes([b[0], b[1]])) + 32768.0).collect(),
            -32 => self.data.chunks_exact(4).map(|b| f32::from_be_bytes([b[0], b[1], b[2], b[3]])).collect(),
            other => panic!("BITPIX {other}"),
        }
    }

    /// Puts other pixels in, as 32-bit floats.
    pub fn set_float_pixels(&mut self, pixels: &[f32], width: usize) {
        self.cards.retain(|c| !c.starts_with("BZERO") && !c.starts_with("BSCALE"));
        self.set("BITPIX", "-32");
        self.set("NAXIS1", &width.to_string());
        self.set("NAXIS2", &(pixels.len() / width).to_string());
        self.data = pixels.iter().flat_map(|v| v.to_be_bytes()).collect();
    }

    /// Changes pixels in place of an unsigned 16-bit frame.
    pub fn map_counts(&mut self, change: impl Fn(u16) -> u16) {
        for b in self.data.chunks_exact_mut(2) {
            let counts = (i32::from(i16::from_be_bytes([b[0], b[1]])) + 32768) as u16;
            b.copy_from_slice(&((i32::from(change(counts)) - 32768) as i16).to_be_bytes());
        }
    }

    /// The whole file.
    pub fn bytes(&self) -> Vec<u8> {
        let mut out: Vec<u8> = self.cards.iter().flat_map(|c| c.bytes()).collect();
        out.extend_from_slice(format!("{:<80}", "END").as_bytes());
        out.resize(out.len().next_multiple_of(BLOCK), b' ');
        out.extend_from_slice(&self.data);
        out.resize(out.len().next_multiple_of(BLOCK), 0);
        out
    }

    /// Writes the file.
    pub fn write(&self, path: &Path) {
        std::fs::write(path, self.bytes()).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    }
}
