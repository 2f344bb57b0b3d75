//! Making a star list out of tables of stars.
//!
//! Tables are read once, part by part; each star goes to a temporary file beside the output, sorted into 768 parts of
//! the sky ([`Spill`]). Then one part after the other is sorted by cells and written. Memory holds a part of a table
//! and a part of the sky.

use std::fs;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::catalogue::CatalogueStar;
use crate::error::{IoError, nearest_name};
use crate::fits_read::with_source;
use crate::healpix;
use crate::products::{folder_of, write_whole_file};
use crate::star_list::{self, Description};
use crate::star_spill::Spill;
use crate::star_table::{self, MagnitudeCount, RowNotes, StarColumns};

/// Order of the cells of which each is put aside as one part.
const SPILL_ORDER: u8 = 3;

/// How a star list is made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImportConfig {
    /// The bands to keep; empty for all.
    pub bands: Vec<String>,
    /// HEALPix order of the cells, 0 to 10. Order 6 has 49,152 cells of 0.84 square degrees.
    pub order: u8,
}

impl Default for ImportConfig {
    fn default() -> Self {
        Self { bands: Vec::new(), order: 6 }
    }
}

/// A star list that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Imported {
    /// Stars in it.
    pub n_stars: u64,
    /// Stars that stood at exactly the same place in two tables and were made one.
    pub n_merged: u64,
    /// Rows of the tables without a place in the sky.
    pub n_skipped: u64,
    /// The bands, in the order in which the tables have them.
    pub bands: Vec<String>,
    /// What was wrong with rows and columns, with the table's file name in front.
    pub notes: Vec<String>,
}

/// Makes a star list at `out` from tables of stars: CSV, VOTable or FITS, as [`load_catalogue`](crate::load_catalogue)
/// reads them. `progress` is told the number of rows read so far.
///
/// A star of a later table at exactly the place of one of an earlier table is the same star: it fills in what that one
/// lacks. `out` appears whole or not at all, and replaces an older star list but no other file.
///
/// # Errors
/// A table that cannot be read, has no places or no magnitudes; a band that no table has; `out` is one of the tables
/// or a file that is no star list, or cannot be written.
pub fn import_star_list(
    tables: &[PathBuf],
    out: &Path,
    config: &ImportConfig,
    progress: &mut dyn FnMut(u64),
) -> Result<Imported, IoError> {
    check_output(tables, out)?;
    if config.order > star_list::FINEST_ORDER {
        let problem = format!("order {} of the cells is over the limit of {}", config.order, star_list::FINEST_ORDER);
        return Err(IoError::BadData { path: out.to_owned(), problem });
    }
    let mut n_rows = 0;
    let mut sorted = Vec::new();
    for table in tables {
        sorted.push(put_aside(table, folder_of(out), config, &mut |rows| {
            n_rows += rows;
            progress(n_rows);
        })?);
    }
    let mut bands: Vec<String> = Vec::new();
    for band in sorted.iter().flat_map(|table| &table.bands).flatten() {
        if !bands.contains(band) {
            bands.push(band.clone());
        }
    }
    if let Some(missing) = config.bands.iter().find(|band| !bands.contains(band)) {
        return Err(no_band(&tables[0], missing, &bands));
    }
    let file_name = |table: &PathBuf| table.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let names: Vec<String> = tables.iter().map(file_name).collect();
    let description = Description { order: config.order, bands, tables: names.clone() };
    let mut counts = Counts::default();
    write_whole_file(out, |file| write_list(file, &description, &mut sorted, out, &mut counts))?;
    let n_skipped = sorted.iter().map(|table| table.n_skipped).sum();
    let named = |(name, table): (String, Sorted)| table.notes.into_iter().map(move |note| format!("{name}: {note}"));
    let notes = names.into_iter().zip(sorted).flat_map(named).collect();
    let Counts { n_stars, n_merged } = counts;
    Ok(Imported { n_stars, n_merged, n_skipped, bands: description.bands, notes })
}

fn check_output(tables: &[PathBuf], out: &Path) -> Result<(), IoError> {
    let refuse = |problem: &str| Err(IoError::BadData { path: out.to_owned(), problem: problem.to_owned() });
    if tables.is_empty() {
        return refuse("no table of stars is given");
    }
    let Ok(metadata) = fs::metadata(out) else { return Ok(()) };
    if metadata.is_dir() {
        return refuse("it is a folder");
    }
    let same = |table: &PathBuf| fs::canonicalize(table).ok().is_some_and(|t| fs::canonicalize(out).ok() == Some(t));
    if tables.iter().any(same) {
        return refuse("it is one of the tables to import");
    }
    if !with_source(out, |source, len| star_list::begins_as_one(source, len, out))? {
        return refuse("there is a file of this name that is not a star list");
    }
    Ok(())
}

fn no_band(path: &Path, band: &str, available: &[String]) -> IoError {
    IoError::NoBand {
        path: path.to_owned(),
        band: band.to_owned(),
        available: available.to_vec(),
        nearest: nearest_name(band, available.iter().map(String::as_str)).map(str::to_owned),
    }
}

/// A table whose stars are put aside.
struct Sorted {
    spill: Spill,
    /// For each band of its stored stars the name, or `None` for a column that turned out to hold no magnitudes.
    bands: Vec<Option<String>>,
    n_skipped: u64,
    notes: Vec<String>,
}

/// Reads a table and puts its stars aside by parts of the sky.
fn put_aside(
    path: &Path,
    folder: &Path,
    config: &ImportConfig,
    progress: &mut dyn FnMut(u64),
) -> Result<Sorted, IoError> {
    let mut spill = Spill::new(folder, healpix::n_cells(SPILL_ORDER) as usize)?;
    let mut columns: Option<StarColumns> = None;
    let mut counts: Vec<MagnitudeCount> = Vec::new();
    let mut bad_cells: Vec<(String, usize)> = Vec::new();
    let mut row_notes = RowNotes::default();
    let mut row_word = "row";
    let mut n_stars = 0;
    let mut take = |part: star_table::RawTable| {
        let columns = match &mut columns {
            Some(columns) => columns,
            None => columns.insert(wanted_columns(&part, path, config)?),
        };
        counts.resize(columns.bands.len(), MagnitudeCount::default());
        bad_cells.resize(columns.bands.len(), Default::default());
        for ((band, count), bad) in columns.bands.iter().zip(&mut counts).zip(&mut bad_cells) {
            let column = &part.columns[band.magnitude];
            let more = column.count_magnitudes();
            (count.numbers, count.possible) = (count.numbers + more.numbers, count.possible + more.possible);
            *bad = (column.name.clone(), bad.1 + column.bad_cells);
        }
        row_word = part.row_word;
        for i in 0..part.rows.len() {
            let Some(star) = columns.star(&part, i, &mut row_notes) else { continue };
            let cell = healpix::cell_of(star_list::place_of(&star), SPILL_ORDER);
            spill.add(cell as usize, |bytes| star_list::encode(&star, bytes))?;
            n_stars += 1;
        }
        progress(part.rows.len() as u64);
        Ok(())
    };
    with_source(path, |source, len| {
        if star_list::begins_as_one(source, len, path)? {
            return Err(IoError::catalogue(path, "is a star list already: import the tables that it was made of"));
        }
        star_table::read(source, len, path, &mut take)
    })?;
    let Some(columns) = columns.filter(|_| n_stars > 0) else {
        let why = row_notes.first().map(|n| format!(" ({n})")).unwrap_or_default();
        return Err(IoError::catalogue(path, format!("has no usable row{why}")));
    };
    let name = |(band, count): (&star_table::BandColumns, &MagnitudeCount)| {
        (!band.by_numbers || count.mostly()).then(|| band.name.clone())
    };
    let bands: Vec<Option<String>> = columns.bands.iter().zip(&counts).map(name).collect();
    if bands.iter().all(Option::is_none) {
        return Err(IoError::catalogue(path, "has no column of magnitudes"));
    }
    let n_skipped = row_notes.n_skipped() as u64;
    let mut notes = row_notes.finish(row_word);
    let bad = bad_cells.iter().zip(&bands).filter(|((_, n), band)| band.is_some() && *n > 0);
    notes.extend(bad.map(|((name, n), _)| star_table::bad_cells_note(*n, name)));
    notes.extend(columns.motion_note());
    Ok(Sorted { spill, bands, n_skipped, notes })
}

/// The columns of a table without those of bands that are not to be kept.
fn wanted_columns(part: &star_table::RawTable, path: &Path, config: &ImportConfig) -> Result<StarColumns, IoError> {
    let mut columns = part.star_columns(path)?;
    if !config.bands.is_empty() {
        let available: Vec<String> = columns.bands.iter().map(|b| b.name.clone()).collect();
        columns.bands.retain(|band| config.bands.contains(&band.name));
        if columns.bands.is_empty() {
            return Err(no_band(path, &config.bands[0], &available));
        }
    }
    Ok(columns)
}

#[derive(Default)]
struct Counts {
    n_stars: u64,
    n_merged: u64,
}

/// Writes the stars put aside, then what stands in front of them.
fn write_list(
    file: &mut fs::File,
    description: &Description,
    tables: &mut [Sorted],
    path: &Path,
    counts: &mut Counts,
) -> Result<(), IoError> {
    let write = |e| IoError::write(path, e);
    let n_cells = healpix::n_cells(description.order);
    let mut index = vec![0u64; n_cells as usize + 1];
    let mut out = BufWriter::with_capacity(1 << 20, file);
    // The index is known at the end, its length now.
    star_list::write_head(&mut out, description, &index).map_err(write)?;
    let mut bytes = Vec::new();
    for part in 0..healpix::n_cells(SPILL_ORDER) as usize {
        for (cell, star) in sorted_part(part, description, tables, &mut counts.n_merged)? {
            index[cell as usize + 1] += 1;
            bytes.clear();
            star_list::encode(&star, &mut bytes);
            out.write_all(&bytes).map_err(write)?;
        }
    }
    for i in 1..index.len() {
        index[i] += index[i - 1];
    }
    counts.n_stars = index[n_cells as usize];
    out.seek(SeekFrom::Start(0)).map_err(write)?;
    star_list::write_head(&mut out, description, &index).map_err(write)?;
    out.flush().map_err(write)
}

/// The stars of a part of the sky with their cells, sorted by cell and place, those that several tables have merged.
fn sorted_part(
    part: usize,
    description: &Description,
    tables: &mut [Sorted],
    n_merged: &mut u64,
) -> Result<Vec<(u64, CatalogueStar)>, IoError> {
    let mut found: Vec<(u64, usize, CatalogueStar)> = Vec::new();
    for (t, table) in tables.iter_mut().enumerate() {
        let place = |band: &Option<String>| description.bands.iter().position(|b| Some(b) == band.as_ref());
        let places: Vec<Option<usize>> = table.bands.iter().map(place).collect();
        let bytes = table.spill.read(part)?;
        for stored in bytes.chunks_exact(star_list::star_bytes(table.bands.len())) {
            let mut star = star_list::decode(stored);
            let mut mags = vec![None; description.bands.len()];
            for (place, mag) in places.iter().zip(&star.mags) {
                if let Some(place) = place {
                    mags[*place] = *mag;
                }
            }
            star.mags = mags;
            found.push((healpix::cell_of(star_list::place_of(&star), description.order), t, star));
        }
    }
    // A stable sort: stars of one place stay in the order of the tables.
    found.sort_by(|(cell, _, star), (other_cell, _, other)| {
        let by_place = || star.dec_deg.total_cmp(&other.dec_deg).then(star.ra_deg.total_cmp(&other.ra_deg));
        cell.cmp(other_cell).then_with(by_place)
    });
    let mut stars: Vec<(u64, CatalogueStar)> = Vec::with_capacity(found.len());
    let mut last_table = 0;
    for (cell, table, star) in found {
        match stars.last_mut() {
            Some((_, known)) if table != last_table && is_same_star(known, &star) => {
                fill_in(known, star);
                *n_merged += 1;
            }
            _ => {
                stars.push((cell, star));
                last_table = table;
            }
        }
    }
    Ok(stars)
}

fn is_same_star(a: &CatalogueStar, b: &CatalogueStar) -> bool {
    let epochs_agree = a.epoch_yr.zip(b.epoch_yr).is_none_or(|(a, b)| a == b);
    a.ra_deg == b.ra_deg && a.dec_deg == b.dec_deg && epochs_agree
}

fn fill_in(known: &mut CatalogueStar, more: CatalogueStar) {
    // A motion goes with its epoch.
    if known.pmra_mas_yr.is_none() || known.pmdec_mas_yr.is_none() || known.epoch_yr.is_none() {
        known.pmra_mas_yr = more.pmra_mas_yr.or(known.pmra_mas_yr);
        known.pmdec_mas_yr = more.pmdec_mas_yr.or(known.pmdec_mas_yr);
        known.epoch_yr = known.epoch_yr.or(more.epoch_yr);
    }
    for (mag, other) in known.mags.iter_mut().zip(more.mags) {
        *mag = mag.or(other);
    }
}
