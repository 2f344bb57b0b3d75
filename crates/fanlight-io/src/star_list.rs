//! Our own star list: the stars of the whole sky in one file, ordered by cells of the sky, so that a night reads only
//! those of its field.
//!
//! # Format, version 1
//! All numbers are little-endian.
//!
//! | bytes | content |
//! |---|---|
//! | 8 | `FANLSTAR` |
//! | 4 | version of the format, `u32` |
//! | 4 | length of the description in bytes, `u32` |
//! | 8 | number of stars, `u64` |
//! | 32 | SHA-256 of the 24 bytes before, the description and the index |
//! | as said | the description, JSON: `order` of the cells, `bands` by name, `tables` the stars came from |
//! | 8 × (12·4^order + 1) | the index, `u64`: for each cell the number of stars in the cells before it, at last of all |
//! | (28 + 8 × bands) × stars | the stars |
//!
//! Cells are those of HEALPix in nested order ([`crate::healpix`]) and stars are sorted by them. A star is its right
//! ascension and declination (`f64`, degrees, ICRS, as the table gave them), proper motion in right ascension (with the
//! factor cos δ) and declination (`f32`, mas/yr), the epoch of the place (`f32`, Julian year), then magnitude and
//! error (`f32`) in each band. NaN stands for a number that is missing; in memory it is `None`.
//!
//! # Accuracy
//! Places exactly as in the table. The epoch is rounded by up to 6e-5 years: 0.6 mas for the fastest star of the sky,
//! and nothing for the epochs of the surveys (2016.0, 2015.5, 2000.0, 1991.25). Magnitudes to 1e-6.

use std::io::{SeekFrom, Write};
use std::ops::Range;
use std::path::Path;

use fanlight_sky::SkyPosition;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::catalogue::{Catalogue, CatalogueStar, Cone};
use crate::error::IoError;
use crate::fits_read::{Source, with_source};
use crate::healpix;

/// How a star list begins.
const MAGIC: &[u8; 8] = b"FANLSTAR";

/// The version that is written and read.
const VERSION: u32 = 1;

/// Bytes in front of the description.
const FIXED_BYTES: u64 = 56;

/// Longest description that is believed.
const LONGEST_DESCRIPTION: u64 = 1 << 20;

/// Finest order that is believed: 9.4 arcmin² a cell, an index of 100 MB.
pub(crate) const FINEST_ORDER: u8 = 10;

/// Bytes of a star without its bands.
const PLACE_BYTES: usize = 28;

/// Bytes of a band of a star.
const BAND_BYTES: usize = 8;

/// Stars that are read at a time.
const READ_STARS: u64 = 16_384;

/// What a star list says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Description {
    /// Order of the cells.
    pub order: u8,
    /// Names of the bands.
    pub bands: Vec<String>,
    /// File names of the tables that it was made of.
    pub tables: Vec<String>,
}

/// Bytes of a star.
pub(crate) fn star_bytes(n_bands: usize) -> usize {
    PLACE_BYTES + BAND_BYTES * n_bands
}

/// Whether a file begins as a star list does; afterwards it stands behind that beginning.
pub(crate) fn begins_as_one(source: &mut dyn Source, len: u64, path: &Path) -> Result<bool, IoError> {
    let mut start = [0; MAGIC.len()];
    let n = start.len().min(len as usize);
    source.read_exact(&mut start[..n]).map_err(|e| IoError::read(path, e))?;
    Ok(start == *MAGIC)
}

/// The bands of a star list, from its header alone; `None` where the file is something else.
///
/// # Errors
/// The file cannot be read, or is a star list that is truncated, damaged or of another version of the format.
pub fn star_list_bands(path: &Path) -> Result<Option<Vec<String>>, IoError> {
    with_source(path, |source, len| match begins_as_one(source, len, path)? {
        true => Ok(Some(Head::read(source, len, path)?.description.bands)),
        false => Ok(None),
    })
}

/// Reads the stars of a star list whose beginning is read already, or those of them inside a circle.
pub(crate) fn load(source: &mut dyn Source, len: u64, path: &Path, cone: Option<&Cone>) -> Result<Catalogue, IoError> {
    let list = Head::read(source, len, path)?;
    let cells = match cone {
        Some(cone) => healpix::cells_within(cone.centre, cone.radius_deg, list.description.order),
        None => std::iter::once(0..healpix::n_cells(list.description.order)).collect(),
    };
    let mut stars = Vec::new();
    for range in cells {
        list.read_cells(range, source, path, &mut |star| {
            if cone.is_none_or(|cone| cone.holds(&place_of(&star))) {
                stars.push(star);
            }
        })?;
    }
    match cone {
        Some(Cone { centre, radius_deg }) if stars.is_empty() => {
            let (ra, dec) = (centre.ra_deg, centre.dec_deg);
            let problem = format!("has no star within {radius_deg:.2}° of RA {ra:.3}°, Dec {dec:+.3}°");
            Err(IoError::catalogue(path, problem))
        }
        _ => Ok(Catalogue { bands: list.description.bands, stars, notes: Vec::new(), path: path.to_owned() }),
    }
}

/// The catalogue's place of a star.
pub(crate) fn place_of(star: &CatalogueStar) -> SkyPosition {
    SkyPosition { ra_deg: star.ra_deg, dec_deg: star.dec_deg }
}

/// Everything in front of the stars.
struct Head {
    description: Description,
    index: Vec<u64>,
    stars_at: u64,
}

impl Head {
    /// Reads it, the file's beginning being read already, and checks it and the file's length.
    fn read(source: &mut dyn Source, len: u64, path: &Path) -> Result<Self, IoError> {
        let read = |e| IoError::read(path, e);
        let damaged = |problem: &str| IoError::damaged(path, problem);
        let truncated = |expected_bytes: u64| IoError::Truncated {
            path: path.to_owned(),
            missing_bytes: expected_bytes.saturating_sub(len),
            expected_bytes,
        };
        if len < FIXED_BYTES {
            return Err(truncated(FIXED_BYTES));
        }
        let mut fixed = [0; FIXED_BYTES as usize];
        fixed[..MAGIC.len()].copy_from_slice(MAGIC);
        source.read_exact(&mut fixed[MAGIC.len()..]).map_err(read)?;
        let mut numbers = &fixed[MAGIC.len()..];
        let version = u32::from_le_bytes(take(&mut numbers));
        if version != VERSION {
            let problem = format!(
                "is a star list of version {version}, and this program reads version {VERSION}: import the tables again"
            );
            return Err(IoError::catalogue(path, problem));
        }
        let description_bytes = u64::from(u32::from_le_bytes(take(&mut numbers)));
        let n_stars = u64::from_le_bytes(take(&mut numbers));
        if description_bytes > LONGEST_DESCRIPTION {
            return Err(damaged("its description is of an impossible length"));
        }
        if len < FIXED_BYTES + description_bytes {
            return Err(truncated(FIXED_BYTES + description_bytes));
        }
        let mut text = vec![0; description_bytes as usize];
        source.read_exact(&mut text).map_err(read)?;
        let description: Description =
            serde_json::from_slice(&text).map_err(|e| damaged(&format!("its description is none: {e}")))?;
        if description.order > FINEST_ORDER {
            return Err(damaged("its description names an impossible order of cells"));
        }
        let index_bytes = 8 * (healpix::n_cells(description.order) + 1);
        let stars_at = FIXED_BYTES + description_bytes + index_bytes;
        let expected = n_stars.checked_mul(star_bytes(description.bands.len()) as u64);
        let expected = expected.and_then(|n| n.checked_add(stars_at));
        let expected = expected.ok_or_else(|| damaged("it announces an impossible number of stars"))?;
        if len < expected {
            return Err(truncated(expected));
        }
        if len > expected {
            return Err(damaged(&format!("it is {} bytes longer than its header announces", len - expected)));
        }
        let mut index = vec![0; index_bytes as usize];
        source.read_exact(&mut index).map_err(read)?;
        if digest(&fixed[..24], &text, &index) != fixed[24..] {
            return Err(damaged("its header does not match its checksum"));
        }
        let index: Vec<u64> = index.as_chunks::<8>().0.iter().map(|b| u64::from_le_bytes(*b)).collect();
        if index[0] != 0 || !index.is_sorted() || index.last() != Some(&n_stars) {
            return Err(damaged("its index contradicts itself"));
        }
        Ok(Self { description, index, stars_at })
    }

    /// Reads the stars of some cells in a row.
    fn read_cells(
        &self,
        cells: Range<u64>,
        source: &mut dyn Source,
        path: &Path,
        take: &mut dyn FnMut(CatalogueStar),
    ) -> Result<(), IoError> {
        let n_bands = self.description.bands.len();
        let size = star_bytes(n_bands);
        let (mut next, end) = (self.index[cells.start as usize], self.index[cells.end as usize]);
        let mut cell = cells.start;
        let read = |e| IoError::read(path, e);
        source.seek(SeekFrom::Start(self.stars_at + next * size as u64)).map_err(read)?;
        let mut bytes = Vec::new();
        while next < end {
            let n = READ_STARS.min(end - next);
            bytes.resize(n as usize * size, 0);
            source.read_exact(&mut bytes).map_err(read)?;
            for stored in bytes.chunks_exact(size) {
                while self.index[cell as usize + 1] <= next {
                    cell += 1;
                }
                let star = decode(stored);
                let place = place_of(&star);
                // A star in a cell that is not its own is damage that nothing else would show.
                if !place.dec_deg.is_finite() || healpix::cell_of(place, self.description.order) != cell {
                    return Err(IoError::damaged(path, format!("star {next} does not lie in its cell of the sky")));
                }
                take(star);
                next += 1;
            }
        }
        Ok(())
    }
}

/// Writes everything in front of the stars.
pub(crate) fn write_head(out: &mut dyn Write, description: &Description, index: &[u64]) -> std::io::Result<()> {
    let text = serde_json::to_vec(description)?;
    let index_bytes: Vec<u8> = index.iter().flat_map(|n| n.to_le_bytes()).collect();
    let mut fixed = MAGIC.to_vec();
    fixed.extend(VERSION.to_le_bytes());
    fixed.extend((text.len() as u32).to_le_bytes());
    fixed.extend(index.last().copied().unwrap_or(0).to_le_bytes());
    let sum = digest(&fixed, &text, &index_bytes);
    for bytes in [&fixed[..], &sum, &text, &index_bytes] {
        out.write_all(bytes)?;
    }
    Ok(())
}

fn digest(fixed: &[u8], description: &[u8], index: &[u8]) -> [u8; 32] {
    Sha256::new().chain_update(fixed).chain_update(description).chain_update(index).finalize().into()
}

/// Appends a star as it is stored.
pub(crate) fn encode(star: &CatalogueStar, out: &mut Vec<u8>) {
    let single = |value: Option<f64>| value.map_or(f32::NAN, |v| v as f32).to_le_bytes();
    out.extend(star.ra_deg.to_le_bytes());
    out.extend(star.dec_deg.to_le_bytes());
    for value in [star.pmra_mas_yr, star.pmdec_mas_yr, star.epoch_yr] {
        out.extend(single(value));
    }
    for mag in &star.mags {
        out.extend(single(mag.map(|m| m.0)));
        out.extend(single(mag.and_then(|m| m.1)));
    }
}

/// The star that these bytes store.
pub(crate) fn decode(mut stored: &[u8]) -> CatalogueStar {
    let ra_deg = f64::from_le_bytes(take(&mut stored));
    let dec_deg = f64::from_le_bytes(take(&mut stored));
    let [pmra_mas_yr, pmdec_mas_yr, epoch_yr] = [(); 3].map(|()| single(&mut stored));
    let mut mags = Vec::with_capacity(stored.len() / BAND_BYTES);
    while !stored.is_empty() {
        let (magnitude, error) = (single(&mut stored), single(&mut stored));
        mags.push(magnitude.map(|m| (m, error)));
    }
    CatalogueStar { ra_deg, dec_deg, pmra_mas_yr, pmdec_mas_yr, epoch_yr, place_err_mas: None, mags }
}

/// A number in single precision as the shortest decimal that it stands for: 14.218 comes back as 14.218.
fn single(stored: &mut &[u8]) -> Option<f64> {
    let value = f32::from_le_bytes(take(stored));
    value.is_finite().then(|| value.to_string().parse().unwrap_or(f64::from(value)))
}

/// Takes the next bytes; the caller has checked that there are as many.
fn take<const N: usize>(bytes: &mut &[u8]) -> [u8; N] {
    let (taken, rest) = bytes.split_at(N);
    *bytes = rest;
    let mut out = [0; N];
    out.copy_from_slice(taken);
    out
}
