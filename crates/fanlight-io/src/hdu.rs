//! Finding the image in a FITS file: headers are walked without touching pixels, and every size is checked against
//! the file's length before anything is allocated.
//!
//! # Source
//! FITS standard 4.0, sections 3.1 (blocks), 4.4.1 (mandatory keywords), 10.1 (tile-compressed images).

use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use crate::error::IoError;
use crate::header::{CardValue, Header, HeaderCard};

/// FITS files come in blocks of this many bytes.
pub(crate) const BLOCK: usize = 2880;

/// Longest header that is read, in bytes: 36 000 cards, far beyond any camera's, so that a file of rubbish is not
/// read to its end.
const LONGEST_HEADER: usize = 1000 * BLOCK;

/// Most pixels in one image: 30 000 squared, above the largest cameras. Keeps a damaged size from exhausting memory.
const MOST_PIXELS: u64 = 900_000_000;

/// The image found in a file.
pub(crate) struct ImageHdu {
    /// The image's header as an uncompressed file would hold it, with the primary header's cards that it lacks.
    pub header: Header,
    /// The header of its HDU exactly as stored.
    pub stored_header: Header,
    pub width: usize,
    pub height: usize,
    pub bitpix: i64,
    pub tiled: bool,
    /// First byte of the data unit in the file.
    pub data_start: u64,
    /// Bytes of the data unit, without padding. Known to be in the file.
    pub data_len: u64,
}

/// One header with the size of its data unit.
pub(crate) struct Hdu {
    pub header: Header,
    pub data_start: u64,
    pub data_len: u64,
    pub is_primary: bool,
}

/// Walks the HDUs of a file of `len` bytes until `accept` takes one. Returns `None` at the end of the file.
pub(crate) fn walk<R: Read + Seek + ?Sized, T>(
    reader: &mut R,
    len: u64,
    path: &Path,
    mut accept: impl FnMut(Hdu) -> Result<Option<T>, IoError>,
) -> Result<Option<T>, IoError> {
    let mut start = 0;
    while start < len || start == 0 {
        // What follows the last HDU (padding, a trailer of some other program) is not ours to judge.
        let (header, header_len) = match read_header_at(reader, len, start, path)? {
            Some(header) => header,
            None if start > 0 => return Ok(None),
            None => return Err(not_fits(reader, path)),
        };
        let data_start = start + header_len;
        let data_len = data_len(&header, start == 0, path)?;
        let next = data_len.div_ceil(BLOCK as u64).checked_mul(BLOCK as u64).and_then(|n| n.checked_add(data_start));
        if let Some(found) = accept(Hdu { header, data_start, data_len, is_primary: start == 0 })? {
            return Ok(Some(found));
        }
        match next {
            Some(next) => start = next,
            None => return Ok(None),
        }
    }
    Ok(None)
}

/// The first HDU that holds an image.
pub(crate) fn find_image<R: Read + Seek + ?Sized>(reader: &mut R, len: u64, path: &Path) -> Result<ImageHdu, IoError> {
    let mut primary: Option<Header> = None;
    let mut found: Vec<String> = Vec::new();
    let image = walk(reader, len, path, |hdu| {
        let kind = hdu.header.text("XTENSION").unwrap_or_else(|| "primary".to_owned());
        let tiled = kind == "BINTABLE" && hdu.header.logical("ZIMAGE") == Some(true);
        let prefix = if tiled { "Z" } else { "" };
        let is_image = hdu.is_primary || kind == "IMAGE" || tiled;
        let axes = if is_image { axes(&hdu.header, prefix, path)? } else { Vec::new() };
        if axes.len() < 2 || axes.contains(&0) {
            found.push(if is_image { format!("{kind} with {} axes", axes.len()) } else { kind.to_lowercase() });
            if hdu.is_primary {
                primary = Some(hdu.header);
            }
            return Ok(None);
        }
        image_of(hdu, &axes, tiled, primary.take(), len, path).map(Some)
    })?;
    image.ok_or_else(|| IoError::NoImage { path: path.to_owned(), found: found.join(", ") })
}

/// The first image extension of one of these names, in any case, that has this size.
pub(crate) fn find_named<R: Read + Seek + ?Sized>(
    reader: &mut R,
    len: u64,
    path: &Path,
    names: &[&str],
    size: (usize, usize),
) -> Result<Option<ImageHdu>, IoError> {
    walk(reader, len, path, |hdu| {
        let name = hdu.header.text("EXTNAME").unwrap_or_default();
        let kind = hdu.header.text("XTENSION").unwrap_or_default();
        let tiled = kind == "BINTABLE" && hdu.header.logical("ZIMAGE") == Some(true);
        if !(kind == "IMAGE" || tiled) || !names.iter().any(|n| n.eq_ignore_ascii_case(name.trim())) {
            return Ok(None);
        }
        let axes = axes(&hdu.header, if tiled { "Z" } else { "" }, path)?;
        if axes.len() < 2 || (axes[0], axes[1]) != (size.0 as u64, size.1 as u64) {
            return Ok(None);
        }
        image_of(hdu, &axes, tiled, None, len, path).map(Some)
    })
}

/// Names of extensions that hold the errors, weights or flags of another image's pixels.
const NOISE_EXTENSIONS: [&str; 12] =
    ["VARIANCE", "VAR", "UNCERT", "ERR", "ERROR", "SIGMA", "STDDEV", "IVAR", "WEIGHT", "WHT", "MASK", "DQ"];

/// Images of a size in a file, those apart that tell of another image's noise, as far as its headers can be read.
pub(crate) fn images_of_size<R: Read + Seek + ?Sized>(
    reader: &mut R,
    len: u64,
    path: &Path,
    size: (usize, usize),
) -> usize {
    let mut n = 0;
    let end: Result<Option<()>, IoError> = walk(reader, len, path, |hdu| {
        let kind = hdu.header.text("XTENSION");
        let tiled = kind.as_deref() == Some("BINTABLE") && hdu.header.logical("ZIMAGE") == Some(true);
        if hdu.is_primary || kind.as_deref() == Some("IMAGE") || tiled {
            let axes = axes(&hdu.header, if tiled { "Z" } else { "" }, path)?;
            let name = hdu.header.text("EXTNAME").unwrap_or_default().to_uppercase();
            let is_of_noise = !hdu.is_primary && NOISE_EXTENSIONS.contains(&name.trim());
            n += usize::from(!is_of_noise && axes.len() >= 2 && (axes[0], axes[1]) == (size.0 as u64, size.1 as u64));
        }
        Ok(None)
    });
    // damage behind the image that is used is no concern of the frame's
    drop(end);
    n
}

/// Checks that a data unit lies inside the file.
pub(crate) fn check_inside(hdu_start: u64, data_len: u64, len: u64, path: &Path) -> Result<(), IoError> {
    let expected_bytes = hdu_start.saturating_add(data_len);
    if expected_bytes > len {
        return Err(IoError::Truncated { path: path.to_owned(), missing_bytes: expected_bytes - len, expected_bytes });
    }
    Ok(())
}

fn image_of(
    hdu: Hdu,
    axes: &[u64],
    tiled: bool,
    primary: Option<Header>,
    len: u64,
    path: &Path,
) -> Result<ImageHdu, IoError> {
    if axes[2..].iter().any(|n| *n != 1) {
        let shape = axes.iter().map(u64::to_string).collect::<Vec<_>>().join(" x ");
        return Err(IoError::Cube { path: path.to_owned(), shape });
    }
    let prefix = if tiled { "Z" } else { "" };
    let bitpix_key = format!("{prefix}BITPIX");
    let bitpix = required(&hdu.header, &bitpix_key, path)?;
    if !matches!(bitpix, 8 | 16 | 32 | 64 | -32 | -64) {
        return Err(IoError::keyword(path, bitpix_key, format!("is {bitpix}; FITS knows 8, 16, 32, 64, -32 and -64")));
    }
    check_inside(hdu.data_start, hdu.data_len, len, path)?;
    let pixels = axes[0].checked_mul(axes[1]).filter(|n| *n <= MOST_PIXELS).ok_or_else(|| {
        let problem =
            format!("and {prefix}NAXIS2 ask for {} x {} pixels; the limit is {MOST_PIXELS}", axes[0], axes[1]);
        IoError::keyword(path, format!("{prefix}NAXIS1"), problem)
    })?;
    if tiled {
        check_tiles(&hdu, axes, path)?;
    } else if pixels * bitpix.unsigned_abs() / 8 > hdu.data_len {
        return Err(IoError::keyword(path, "GCOUNT", "leaves no room for the image"));
    }
    let mut header = if tiled { uncompressed(&hdu.header) } else { hdu.header.clone() };
    if let Some(primary) = &primary {
        // The scaling of the primary header's own pixels says nothing about these.
        header.inherit(primary, |card| {
            !is_structural(&card.key) && !matches!(card.key.as_str(), "BSCALE" | "BZERO" | "BLANK" | "EXTNAME")
        });
    }
    Ok(ImageHdu {
        header,
        stored_header: hdu.header,
        width: axes[0] as usize,
        height: axes[1] as usize,
        bitpix,
        tiled,
        data_start: hdu.data_start,
        data_len: hdu.data_len,
    })
}

/// A compressed image must have as many table rows as its tiling has tiles.
fn check_tiles(hdu: &Hdu, axes: &[u64], path: &Path) -> Result<(), IoError> {
    let mut tiles: u64 = 1;
    for (i, n) in axes.iter().enumerate() {
        let key = format!("ZTILE{}", i + 1);
        let tile = hdu.header.integer(&key).unwrap_or(if i == 0 { *n as i64 } else { 1 });
        if tile <= 0 {
            return Err(IoError::keyword(path, key, format!("is {tile}; it must be positive")));
        }
        tiles = tiles.saturating_mul(n.div_ceil(tile as u64));
    }
    let rows = required(&hdu.header, "NAXIS2", path)?;
    if rows < 0 || rows as u64 != tiles {
        return Err(IoError::damaged(path, format!("its compressed image needs {tiles} tiles and has {rows}")));
    }
    Ok(())
}

fn read_header_at<R: Read + Seek + ?Sized>(
    reader: &mut R,
    len: u64,
    start: u64,
    path: &Path,
) -> Result<Option<(Header, u64)>, IoError> {
    let read = |e| IoError::read(path, e);
    reader.seek(SeekFrom::Start(start)).map_err(read)?;
    let mut bytes = Vec::new();
    loop {
        let left = len - start - bytes.len() as u64;
        let take = left.min(BLOCK as u64) as usize;
        let old = bytes.len();
        bytes.resize(old + take, 0);
        reader.read_exact(&mut bytes[old..]).map_err(read)?;
        let expected: &[u8] = if start == 0 { b"SIMPLE" } else { b"XTENSION" };
        if old == 0 && !bytes.starts_with(expected) {
            return Ok(None);
        }
        let ends = bytes[old..].chunks_exact(80).any(|c| c.starts_with(b"END") && c[3..].iter().all(|b| *b == b' '));
        if ends {
            let header_len = bytes.len().next_multiple_of(BLOCK) as u64;
            return Ok(Some((Header::parse(&bytes), header_len)));
        }
        if take < BLOCK || bytes.len() >= LONGEST_HEADER {
            return Err(IoError::EndlessHeader { path: path.to_owned(), start });
        }
    }
}

fn not_fits<R: Read + Seek + ?Sized>(reader: &mut R, path: &Path) -> IoError {
    let mut first = [0; 512];
    let n = reader.seek(SeekFrom::Start(0)).and_then(|_| reader.read(&mut first)).unwrap_or(0);
    let first = &first[..n];
    let is_text = !first.is_empty() && first.iter().all(|b| matches!(b, b'\t' | b'\n' | b'\r' | 0x20..=0x7e | 0x80..));
    let found = if first.is_empty() {
        "it is empty".to_owned()
    } else if is_text {
        let line: String = String::from_utf8_lossy(first).chars().take_while(|c| !c.is_control()).take(40).collect();
        format!("it is text that begins with \"{line}\"")
    } else {
        let bytes: Vec<String> = first.iter().take(4).map(|b| format!("{b:02x}")).collect();
        format!("it begins with the bytes {} where FITS has SIMPLE", bytes.join(" "))
    };
    IoError::NotFits { path: path.to_owned(), found }
}

/// Bytes of a data unit (FITS 4.0, equations 1 and 2; random groups, section 6).
fn data_len(header: &Header, is_primary: bool, path: &Path) -> Result<u64, IoError> {
    let axes = axes(header, "", path)?;
    if axes.is_empty() {
        return Ok(0);
    }
    let bytes = required(header, "BITPIX", path)?.unsigned_abs() / 8;
    let groups = is_primary && axes[0] == 0 && header.logical("GROUPS") == Some(true);
    let count = |key, default| match header.integer(key) {
        Some(n) if n < 0 => Err(IoError::keyword(path, key, format!("is {n}; it must not be negative"))),
        Some(n) if !is_primary || groups => Ok(n as u64),
        _ => Ok(default),
    };
    let (pcount, gcount) = (count("PCOUNT", 0)?, count("GCOUNT", 1)?);
    let product = axes[usize::from(groups)..].iter().try_fold(1u64, |a, n| a.checked_mul(*n));
    product
        .and_then(|n| n.checked_add(pcount))
        .and_then(|n| n.checked_mul(gcount))
        .and_then(|n| n.checked_mul(bytes))
        .ok_or_else(|| IoError::keyword(path, "NAXISn", "ask for more bytes than a file can have"))
}

fn axes(header: &Header, prefix: &str, path: &Path) -> Result<Vec<u64>, IoError> {
    let naxis_key = format!("{prefix}NAXIS");
    let naxis = required(header, &naxis_key, path)?;
    if !(0..=999).contains(&naxis) {
        return Err(IoError::keyword(path, naxis_key, format!("is {naxis}; FITS allows 0 to 999")));
    }
    (1..=naxis)
        .map(|i| {
            let key = format!("{naxis_key}{i}");
            let n = required(header, &key, path)?;
            u64::try_from(n).map_err(|_| IoError::keyword(path, key, format!("is {n}; it must not be negative")))
        })
        .collect()
}

fn required(header: &Header, key: &str, path: &Path) -> Result<i64, IoError> {
    header.integer(key).ok_or_else(|| {
        let problem = if header.contains(key) { "is not a whole number" } else { "is missing" };
        IoError::keyword(path, key, problem)
    })
}

/// The header of a compressed image as it was before compression: the table's own cards out, `ZNAXIS1` and its like
/// under their plain names.
fn uncompressed(stored: &Header) -> Header {
    let mut cards: Vec<HeaderCard> = Vec::new();
    for card in stored.cards() {
        let plain = card.key.strip_prefix('Z').filter(|k| *k == "BITPIX" || k.starts_with("NAXIS"));
        if let Some(plain) = plain {
            cards.push(HeaderCard { key: plain.to_owned(), ..card.clone() });
        } else if !is_structural(&card.key) && !is_compression(card) {
            cards.push(card.clone());
        }
    }
    Header::from_cards(cards)
}

/// Keywords that describe how an HDU is stored, not what it shows.
fn is_structural(key: &str) -> bool {
    const EXACT: [&str; 12] = [
        "SIMPLE", "XTENSION", "BITPIX", "NAXIS", "PCOUNT", "GCOUNT", "GROUPS", "EXTEND", "TFIELDS", "THEAP",
        "CHECKSUM", "DATASUM",
    ];
    const NUMBERED: [&str; 8] = ["NAXIS", "TTYPE", "TFORM", "TUNIT", "TDIM", "TNULL", "TSCAL", "TZERO"];
    EXACT.contains(&key) || numbered(key, &NUMBERED)
}

fn is_compression(card: &HeaderCard) -> bool {
    const EXACT: [&str; 13] = [
        "ZIMAGE", "ZCMPTYPE", "ZMASKCMP", "ZQUANTIZ", "ZDITHER0", "ZSIMPLE", "ZTENSION", "ZEXTEND", "ZBLOCKED",
        "ZPCOUNT", "ZGCOUNT", "ZHECKSUM", "ZDATASUM",
    ];
    let extname = card.key == "EXTNAME" && card.value == Some(CardValue::Text("COMPRESSED_IMAGE".to_owned()));
    extname
        || EXACT.contains(&card.key.as_str())
        || matches!(card.key.as_str(), "ZBLANK" | "ZSCALE" | "ZZERO")
        || numbered(&card.key, &["ZTILE", "ZNAME", "ZVAL"])
}

fn numbered(key: &str, stems: &[&str]) -> bool {
    stems.iter().any(|s| key.strip_prefix(s).is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit())))
}
