//! A star catalogue in a FITS binary table.

use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use crate::catalogue::{RawColumn, RawTable};
use crate::error::IoError;
use crate::fits_crate;
use crate::hdu::{check_inside, walk};

/// Reads the numeric columns of the first binary table of a FITS file.
pub(crate) fn read<R: Read + Seek + ?Sized>(reader: &mut R, len: u64, path: &Path) -> Result<RawTable, IoError> {
    let table = walk(reader, len, path, |hdu| {
        let is_table = hdu.header.text("XTENSION").as_deref() == Some("BINTABLE");
        Ok((is_table && hdu.header.logical("ZIMAGE") != Some(true)).then_some(hdu))
    })?;
    let hdu = table.ok_or_else(|| IoError::catalogue(path, "is a FITS file without a binary table"))?;
    check_inside(hdu.data_start, hdu.data_len, len, path)?;
    let mut data = vec![0; hdu.data_len as usize];
    reader.seek(SeekFrom::Start(hdu.data_start)).map_err(|e| IoError::read(path, e))?;
    reader.read_exact(&mut data).map_err(|e| IoError::read(path, e))?;
    let columns: Vec<RawColumn> = fits_crate::read_table(&data, &hdu.header, path)?
        .into_iter()
        .map(|c| RawColumn { name: c.name, ucd: c.ucd, unit: c.unit, cells: c.cells, bad_cells: 0 })
        .collect();
    let rows = columns.iter().map(|c| c.cells.len()).max().unwrap_or(0);
    Ok(RawTable { columns, rows: (1..=rows).collect(), row_word: "row", decorated: true })
}
