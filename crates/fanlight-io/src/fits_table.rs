//! A star catalogue in a FITS binary table.

use std::io::SeekFrom;
use std::path::Path;

use crate::error::IoError;
use crate::fits_crate;
use crate::fits_read::Source;
use crate::hdu::{check_inside, walk};
use crate::star_table::{PART_ROWS, RawColumn, RawTable, TakePart};

/// Reads the numeric columns of the first binary table of a FITS file, part by part.
pub(crate) fn read(source: &mut dyn Source, len: u64, path: &Path, take: TakePart<'_>) -> Result<(), IoError> {
    let table = walk(source, len, path, |hdu| {
        let is_table = hdu.header.text("XTENSION").as_deref() == Some("BINTABLE");
        Ok((is_table && hdu.header.logical("ZIMAGE") != Some(true)).then_some(hdu))
    })?;
    let hdu = table.ok_or_else(|| IoError::catalogue(path, "is a FITS file without a binary table"))?;
    check_inside(hdu.data_start, hdu.data_len, len, path)?;
    let size = |key: &str| {
        let value = hdu.header.integer(key).and_then(|n| usize::try_from(n).ok());
        value.ok_or_else(|| IoError::keyword(path, key, "is not a whole number of 0 or more"))
    };
    let (row_bytes, n_rows) = (size("NAXIS1")?, size("NAXIS2")?);
    // Columns of varying length lie behind the rows: such a table is read whole.
    let has_heap = (1..).map_while(|i| hdu.header.text(&format!("TFORM{i}"))).any(|form| form.contains(['P', 'Q']));
    let part_rows = if has_heap { n_rows.max(1) } else { PART_ROWS };
    source.seek(SeekFrom::Start(hdu.data_start)).map_err(|e| IoError::read(path, e))?;
    let mut first = 0;
    loop {
        let rows = part_rows.min(n_rows - first);
        let mut data = vec![0; if has_heap { hdu.data_len as usize } else { rows * row_bytes }];
        source.read_exact(&mut data).map_err(|e| IoError::read(path, e))?;
        let columns = fits_crate::read_table(&data, &hdu.header, rows, path)?;
        let column = |c: fits_crate::TableColumn| RawColumn {
            name: c.name,
            ucd: c.ucd,
            unit: c.unit,
            cells: c.cells,
            bad_cells: 0,
        };
        let columns = columns.into_iter().map(column).collect();
        take(RawTable { columns, rows: (first + 1..=first + rows).collect(), row_word: "row", decorated: true })?;
        first += rows;
        if first == n_rows {
            return Ok(());
        }
    }
}
