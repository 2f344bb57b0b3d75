//! Reading images: plain, tile-compressed (`.fits.fz`) and gzip-compressed (`.fits.gz`).
//!
//! Pixels come out as physical values, `BZERO + BSCALE * stored`, with `BLANK` and NaN as NaN.
//!
//! # Accuracy
//! Exact for integers up to 24 bits and for `f32`; `f64` and longer integers are rounded once to `f32`.
//!
//! # Source
//! FITS standard 4.0, section 4.4.2.5 (scaling) and table 11 (unsigned integers).

use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom};
use std::path::Path;

use fanlight_image::{Image, PixelBox, wide};

use crate::error::IoError;
use crate::fits_crate;
use crate::hdu::{ImageHdu, find_image, find_named, images_of_size};
use crate::header::Header;

/// Bytes decoded at a time: small enough to stay in the processor's cache between reading and byte swapping.
const CHUNK_BYTES: usize = 128 * 1024;

/// An image with its header.
#[derive(Debug, Clone, PartialEq)]
pub struct FitsImage {
    /// The header of the image's HDU, as an uncompressed file would hold it, with those cards of the primary header
    /// that it lacks.
    pub header: Header,
    /// The pixels in physical values.
    pub image: Image,
}

/// Reads the first HDU that holds a two-dimensional image (or one of more axes, all but two of length 1).
///
/// # Errors
/// The file cannot be opened, is not FITS, is truncated or damaged, or holds no image or a cube; each names the file.
pub fn read_image(path: &Path) -> Result<FitsImage, IoError> {
    let mut image = Image::default();
    let header = read_image_into(path, &mut image)?;
    Ok(FitsImage { header, image })
}

/// As [`read_image`], into an image whose memory is used again when it is large enough. After an error its pixels
/// are meaningless.
pub fn read_image_into(path: &Path, image: &mut Image) -> Result<Header, IoError> {
    with_source(path, |source, len| {
        let hdu = find_image(source, len, path)?;
        resize(image, hdu.width, hdu.height);
        decode_all(source, &hdu, path, &mut image.data)?;
        Ok(hdu.header)
    })
}

/// The pixels of [`read_image`] inside `area`. Of an uncompressed file no other pixel is read.
///
/// # Errors
/// As [`read_image`], and an area that reaches beyond the image.
pub fn read_image_part(path: &Path, area: PixelBox) -> Result<Image, IoError> {
    with_source(path, |source, len| {
        let hdu = find_image(source, len, path)?;
        if area.x1 > hdu.width || area.y1 > hdu.height {
            let (width, height, columns, rows) = (hdu.width, hdu.height, area.x1, area.y1);
            return Err(IoError::OutsideImage { path: path.to_owned(), width, height, columns, rows });
        }
        let mut image = Image::default();
        if hdu.tiled {
            resize(&mut image, hdu.width, hdu.height);
            decode_tiles(source, &hdu, path, &mut image.data)?;
            return Ok(image.crop(area));
        }
        resize(&mut image, area.width(), area.height());
        decode_plain(source, &hdu, area, &mut image.data).map_err(|e| IoError::read(path, e))?;
        Ok(image)
    })
}

/// Reads the first image extension whose `EXTNAME` is one of these (in any case) and whose size is this; `None` where there
/// is none. What such an extension means is the caller's to know.
///
/// # Errors
/// As [`read_image`], for that extension.
pub fn read_named_image(path: &Path, names: &[&str], size: (usize, usize)) -> Result<Option<FitsImage>, IoError> {
    with_source(path, |source, len| {
        let Some(hdu) = find_named(source, len, path, names, size)? else { return Ok(None) };
        let mut image = Image::default();
        resize(&mut image, hdu.width, hdu.height);
        decode_all(source, &hdu, path, &mut image.data)?;
        Ok(Some(FitsImage { header: hdu.header, image }))
    })
}

fn decode_all(source: &mut dyn Source, hdu: &ImageHdu, path: &Path, out: &mut [f32]) -> Result<(), IoError> {
    if hdu.tiled {
        return decode_tiles(source, hdu, path, out);
    }
    let all = PixelBox { x0: 0, y0: 0, x1: hdu.width, y1: hdu.height };
    decode_plain(source, hdu, all, out).map_err(|e| IoError::read(path, e))
}

fn resize(image: &mut Image, width: usize, height: usize) {
    let n = width * height;
    // A new zeroed vector costs nothing until it is written; growing an old one would write it twice.
    if image.data.capacity() < n {
        image.data = vec![0.0; n];
    } else {
        image.data.resize(n, 0.0);
    }
    (image.width, image.height) = (width, height);
}

fn decode_tiles(source: &mut dyn Source, hdu: &ImageHdu, path: &Path, out: &mut [f32]) -> Result<(), IoError> {
    let mut data = vec![0; hdu.data_len as usize];
    source.seek(SeekFrom::Start(hdu.data_start)).map_err(|e| IoError::read(path, e))?;
    source.read_exact(&mut data).map_err(|e| IoError::read(path, e))?;
    fits_crate::decode_tiled(&data, &hdu.stored_header, path, out)
}

/// The header that [`read_image`] would return, without reading pixels. The file's length is checked all the same.
///
/// # Errors
/// As [`read_image`], but for damage inside compressed pixels.
pub fn read_header(path: &Path) -> Result<Header, IoError> {
    with_source(path, |source, len| Ok(find_image(source, len, path)?.header))
}

/// As [`read_header`], with the number of further images of the same size in the file.
pub(crate) fn read_frame_header(path: &Path) -> Result<(Header, usize), IoError> {
    with_source(path, |source, len| {
        let hdu = find_image(source, len, path)?;
        let alike = images_of_size(source, len, path, (hdu.width, hdu.height));
        Ok((hdu.header, alike.saturating_sub(1)))
    })
}

/// A file, or the unpacked contents of one.
pub(crate) trait Source: Read + Seek {}

impl<T: Read + Seek> Source for T {}

/// Opens a file, unpacks it if it is gzip, and hands it over with its length.
pub(crate) fn with_source<T>(
    path: &Path,
    work: impl FnOnce(&mut dyn Source, u64) -> Result<T, IoError>,
) -> Result<T, IoError> {
    let read = |e| IoError::read(path, e);
    let mut file = File::open(path).map_err(read)?;
    let metadata = file.metadata().map_err(read)?;
    if metadata.is_dir() {
        return Err(IoError::Folder { path: path.to_owned(), problem: "is a folder, not a file".to_owned() });
    }
    let len = metadata.len();
    let mut magic = [0; 2];
    if len >= 2 {
        file.read_exact(&mut magic).map_err(read)?;
        file.rewind().map_err(read)?;
    }
    if magic != [0x1f, 0x8b] {
        return work(&mut file, len);
    }
    let mut packed = Vec::with_capacity(len as usize);
    file.read_to_end(&mut packed).map_err(read)?;
    let bytes = fits_crate::unpack_gzip(&packed, path)?;
    let len = bytes.len() as u64;
    work(&mut Cursor::new(bytes), len)
}

/// Decodes the pixels inside `area`.
fn decode_plain(source: &mut dyn Source, hdu: &ImageHdu, area: PixelBox, out: &mut [f32]) -> std::io::Result<()> {
    let scale = hdu.header.number("BSCALE").unwrap_or(1.0);
    let zero = hdu.header.number("BZERO").unwrap_or(0.0);
    let blank = if hdu.bitpix > 0 { hdu.header.integer("BLANK") } else { None };
    let plain = scale == 1.0 && zero == 0.0;
    let whole = |stored: i64| {
        if Some(stored) == blank { f32::NAN } else { (zero + scale * stored as f64) as f32 }
    };
    let mut pixels = StoredPixels { source, data_start: hdu.data_start, width: hdu.width, area };
    match hdu.bitpix {
        16 if scale == 1.0 && zero == 32768.0 && blank.is_none() => {
            pixels.decode(out, |b| (i32::from(i16::from_be_bytes(b)) + 32768) as f32)
        }
        -32 if plain => pixels.decode(out, f32::from_be_bytes),
        8 => pixels.decode(out, |b: [u8; 1]| whole(i64::from(b[0]))),
        16 => pixels.decode(out, |b| whole(i64::from(i16::from_be_bytes(b)))),
        32 => pixels.decode(out, |b| whole(i64::from(i32::from_be_bytes(b)))),
        64 => pixels.decode(out, |b| whole(i64::from_be_bytes(b))),
        -32 => pixels.decode(out, |b| (zero + scale * f64::from(f32::from_be_bytes(b))) as f32),
        _ => pixels.decode(out, |b| (zero + scale * f64::from_be_bytes(b)) as f32),
    }
}

/// Where the wanted pixels lie in a file.
struct StoredPixels<'a> {
    source: &'a mut dyn Source,
    data_start: u64,
    width: usize,
    area: PixelBox,
}

impl StoredPixels<'_> {
    fn decode<const N: usize>(&mut self, out: &mut [f32], convert: impl Fn([u8; N]) -> f32) -> std::io::Result<()> {
        let area = self.area;
        // whole rows lie one behind the other in the file: one run
        let (run, runs) = if area.width() == self.width { (out.len(), 1) } else { (area.width(), area.height()) };
        let mut bytes = vec![0; CHUNK_BYTES.min(run * N)];
        for (i, out) in out.chunks_mut(run.max(1)).enumerate().take(runs) {
            let first = ((area.y0 + i) * self.width + area.x0) * N;
            self.source.seek(SeekFrom::Start(self.data_start + first as u64))?;
            for pixels in out.chunks_mut(CHUNK_BYTES / N) {
                let stored = &mut bytes[..pixels.len() * N];
                self.source.read_exact(stored)?;
                wide(
                    #[inline(always)]
                    || {
                        for (pixel, stored) in pixels.iter_mut().zip(stored.as_chunks::<N>().0) {
                            *pixel = convert(*stored);
                        }
                    },
                );
            }
        }
        Ok(())
    }
}
