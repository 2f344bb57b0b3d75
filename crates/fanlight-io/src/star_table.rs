//! Tables of stars as other programs write them: read part by part, their columns recognised, their rows made stars.

use std::io::SeekFrom;
use std::path::Path;

use crate::catalogue::CatalogueStar;
use crate::error::IoError;
use crate::fits_read::Source;
use crate::{catalogue_csv, fits_table, votable};

/// Most rows that a reader of rows hands over at a time; the CSV reader counts bytes instead.
pub(crate) const PART_ROWS: usize = 16_384;

/// Most notes about single rows; the rest are counted.
const MOST_ROW_NOTES: usize = 10;

/// Magnitudes outside this range are stand-ins for "none" (99.99, -99), not measurements.
const MAGNITUDES: std::ops::RangeInclusive<f64> = -30.0..=40.0;

/// Takes the parts of a table, one after the other. All have the same columns, and there is at least one.
pub(crate) type TakePart<'a> = &'a mut dyn FnMut(RawTable) -> Result<(), IoError>;

/// Reads a CSV, a VOTable or the first binary table of a FITS file, part by part.
pub(crate) fn read(source: &mut dyn Source, len: u64, path: &Path, take: TakePart<'_>) -> Result<(), IoError> {
    let read = |e| IoError::read(path, e);
    let mut start = [0; 512];
    let n = start.len().min(len as usize);
    source.seek(SeekFrom::Start(0)).map_err(read)?;
    source.read_exact(&mut start[..n]).map_err(read)?;
    source.seek(SeekFrom::Start(0)).map_err(read)?;
    let start = &start[..n];
    if start.starts_with(b"SIMPLE") {
        return fits_table::read(source, len, path, take);
    }
    match start.strip_prefix(BYTE_ORDER_MARK).unwrap_or(start).trim_ascii_start().starts_with(b"<") {
        true => votable::read(source, path, take),
        false => catalogue_csv::read(source, path, take),
    }
}

/// What some editors put in front of UTF-8 text.
pub(crate) const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// A table of numbers as any of the readers delivers it.
#[derive(Debug, Default)]
pub(crate) struct RawTable {
    pub columns: Vec<RawColumn>,
    /// What each row is called in notes: its line in the file, or its number in the table.
    pub rows: Vec<usize>,
    /// "line" or "row".
    pub row_word: &'static str,
    /// Whether band columns carry decorated names (`rmag`, `e_rmag`), as they do outside our own CSV.
    pub decorated: bool,
}

/// A column of it.
#[derive(Debug, Default)]
pub(crate) struct RawColumn {
    pub name: String,
    pub ucd: String,
    pub unit: String,
    pub cells: Vec<Option<f64>>,
    /// Cells that hold something that is not a number.
    pub bad_cells: usize,
}

impl RawTable {
    /// Adds the rows of a table with the same columns.
    pub fn append(&mut self, mut more: RawTable) {
        self.rows.append(&mut more.rows);
        for (own, mut column) in self.columns.iter_mut().zip(more.columns) {
            own.cells.append(&mut column.cells);
            own.bad_cells += column.bad_cells;
        }
    }

    /// Which columns hold what, by their names, units and UCDs alone: the same for every part of a table.
    ///
    /// # Errors
    /// There is no column of right ascension or declination in degrees.
    pub fn star_columns(&self, path: &Path) -> Result<StarColumns, IoError> {
        let needed = |found: Option<usize>, name: &str| {
            found.ok_or_else(|| {
                let names: Vec<&str> = self.columns.iter().map(|c| c.name.as_str()).collect();
                IoError::catalogue(
                    path,
                    format!("has no column {name} in degrees; its columns are {}", names.join(", ")),
                )
            })
        };
        let ra =
            needed(self.position_column("ra_deg", &["ra", "raj2000", "ra_icrs", "_raj2000"], "pos.eq.ra"), "ra_deg")?;
        let dec = needed(
            self.position_column("dec_deg", &["dec", "de", "dej2000", "de_icrs", "_dej2000"], "pos.eq.dec"),
            "dec_deg",
        )?;
        let pmra = self.find(&["pmra_mas_yr", "pmra"], "pos.pm;pos.eq.ra");
        let pmdec = self.find(&["pmdec_mas_yr", "pmdec", "pmde"], "pos.pm;pos.eq.dec");
        let epoch = self.find(&["epoch_yr", "ref_epoch"], "meta.ref;time.epoch");
        let ra_err = self.find(&["ra_err_mas", "ra_error", "e_ra_icrs", "e_raj2000"], "stat.error;pos.eq.ra");
        let dec_err = self.find(&["dec_err_mas", "dec_error", "e_de_icrs", "e_dej2000"], "stat.error;pos.eq.dec");
        let taken: Vec<usize> =
            [Some(ra), Some(dec), pmra, pmdec, epoch, ra_err, dec_err].into_iter().flatten().collect();
        Ok(StarColumns { ra, dec, pmra, pmdec, epoch, place_err: [ra_err, dec_err], bands: self.bands(&taken) })
    }

    /// A column of positions: our own name, a UCD, or a usual name whose unit says degrees.
    fn position_column(&self, own: &str, usual: &[&str], ucd: &str) -> Option<usize> {
        let named = |name: &str| self.columns.iter().position(|c| c.name.eq_ignore_ascii_case(name));
        let degrees = |i: &usize| matches!(self.columns[*i].unit.to_lowercase().as_str(), "deg" | "degree" | "degrees");
        let by_ucd = |main: bool| {
            let is = |c: &RawColumn| c.ucd.starts_with(ucd) && (!main || c.ucd.contains("meta.main"));
            self.columns.iter().position(is).filter(|i| self.columns[*i].unit.is_empty() || degrees(i))
        };
        named(own)
            .or_else(|| by_ucd(true))
            .or_else(|| by_ucd(false))
            .or_else(|| usual.iter().find_map(|n| named(n).filter(degrees)))
    }

    fn find(&self, names: &[&str], ucd: &str) -> Option<usize> {
        let by_name = || names.iter().find_map(|n| self.columns.iter().position(|c| c.name.eq_ignore_ascii_case(n)));
        self.columns.iter().position(|c| !c.ucd.is_empty() && c.ucd.starts_with(ucd)).or_else(by_name)
    }

    /// The columns that hold magnitudes: by UCD where any column has one for that; else, in decorated tables, by a
    /// name that ends in `mag` where any does; else all other columns, of which those whose numbers are not mostly
    /// possible magnitudes are to be left out when all rows are known.
    fn bands(&self, taken: &[usize]) -> Vec<BandColumns> {
        let is_error = |c: &RawColumn| self.columns.iter().any(|b| error_names(&b.name).contains(&c.name));
        let by_ucd = |c: &RawColumn| c.ucd.starts_with("phot.mag");
        let by_name = |c: &RawColumn| self.decorated && c.name.to_lowercase().ends_with("mag") && !is_error(c);
        let by_numbers = |c: &RawColumn| !is_error(c);
        let rules: [&dyn Fn(&RawColumn) -> bool; 2] = [&by_ucd, &by_name];
        let by_label = rules.into_iter().find(|rule| self.columns.iter().any(rule));
        let rule = by_label.unwrap_or(&by_numbers);
        let mut bands: Vec<BandColumns> = Vec::new();
        for (i, column) in self.columns.iter().enumerate() {
            if taken.contains(&i) || column.name.is_empty() || !rule(column) {
                continue;
            }
            let plain = if self.decorated { plain_band(&column.name) } else { &column.name };
            let name = if bands.iter().any(|b| b.name == plain) { &column.name } else { plain };
            let names = error_names(&column.name);
            let error = names.iter().find_map(|n| self.columns.iter().position(|c| c.name == *n));
            bands.push(BandColumns { name: name.to_owned(), magnitude: i, error, by_numbers: by_label.is_none() });
        }
        bands
    }
}

/// Which columns of a table hold what of a star.
#[derive(Debug)]
pub(crate) struct StarColumns {
    ra: usize,
    dec: usize,
    pmra: Option<usize>,
    pmdec: Option<usize>,
    epoch: Option<usize>,
    /// Errors of right ascension (on the sky) and declination.
    place_err: [Option<usize>; 2],
    pub bands: Vec<BandColumns>,
}

/// The columns of a band.
#[derive(Debug)]
pub(crate) struct BandColumns {
    pub name: String,
    pub magnitude: usize,
    error: Option<usize>,
    /// Whether the column is a band only if its numbers are mostly possible magnitudes.
    pub by_numbers: bool,
}

impl StarColumns {
    /// The star of row `i`; `None`, with a note, where the row has no place in the sky.
    pub fn star(&self, table: &RawTable, i: usize, notes: &mut RowNotes) -> Option<CatalogueStar> {
        let cell = |column: usize| table.columns[column].cells.get(i).copied().flatten();
        let motion =
            |column: Option<usize>| column.and_then(|c| Some(cell(c)? * mas_per_unit(&table.columns[c].unit)?));
        let (word, row) = (table.row_word, table.rows[i]);
        let (ra_deg, dec_deg) = match (cell(self.ra), cell(self.dec)) {
            (Some(ra), Some(dec)) if (0.0..=360.0).contains(&ra) && (-90.0..=90.0).contains(&dec) => (ra % 360.0, dec),
            (Some(ra), Some(dec)) => {
                notes.add(format!("{word} {row} skipped: no place in the sky at RA {ra}, Dec {dec} degrees"));
                return None;
            }
            _ => {
                notes.add(format!("{word} {row} skipped: ra_deg or dec_deg is not a number"));
                return None;
            }
        };
        let mags = self.bands.iter().map(|band| {
            let magnitude = cell(band.magnitude).filter(|m| MAGNITUDES.contains(m))?;
            Some((magnitude, band.error.and_then(cell).filter(|e| *e > 0.0)))
        });
        Some(CatalogueStar {
            ra_deg,
            dec_deg,
            pmra_mas_yr: motion(self.pmra),
            pmdec_mas_yr: motion(self.pmdec),
            epoch_yr: self.epoch.and_then(cell),
            place_err_mas: self.place_err_mas(table, i),
            mags: mags.collect(),
        })
    }

    /// Root mean square of the errors along both axes, of those that are stated.
    fn place_err_mas(&self, table: &RawTable, i: usize) -> Option<f64> {
        let error = |column: usize| {
            let value = table.columns[column].cells.get(i).copied().flatten()?;
            Some(value * mas_per_angle(table.columns[column].unit.trim())?).filter(|e| *e > 0.0)
        };
        let stated: Vec<f64> = self.place_err.iter().flatten().filter_map(|c| error(*c)).collect();
        let mean2 = stated.iter().map(|e| e * e).sum::<f64>() / stated.len().max(1) as f64;
        (!stated.is_empty()).then(|| mean2.sqrt())
    }

    /// What to say of proper motions that cannot be applied.
    pub fn motion_note(&self) -> Option<String> {
        (self.pmra.is_some() && self.epoch.is_none())
            .then(|| "proper motions are not applied: there is no column epoch_yr".to_owned())
    }
}

/// What to say of cells that hold something else than numbers.
pub(crate) fn bad_cells_note(n: usize, column: &str) -> String {
    format!("{n} cells of column {column} are not numbers")
}

fn error_names(band: &str) -> [String; 4] {
    [format!("{band}_err"), format!("e_{band}"), format!("{band}_error"), format!("err_{band}")]
}

/// How many numbers a column holds, and how many of them could be magnitudes.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct MagnitudeCount {
    pub numbers: usize,
    pub possible: usize,
}

impl MagnitudeCount {
    /// Whether at least half of the numbers, of which there are some, could be magnitudes.
    pub fn mostly(self) -> bool {
        self.numbers > 0 && 2 * self.possible >= self.numbers
    }
}

impl RawColumn {
    /// Counts the numbers that could be magnitudes.
    pub fn count_magnitudes(&self) -> MagnitudeCount {
        let numbers = self.cells.iter().flatten();
        let possible = numbers.clone().filter(|v| MAGNITUDES.contains(*v)).count();
        MagnitudeCount { numbers: numbers.count(), possible }
    }
}

/// `rmag` and `r_mag` are the band `r`, `g'mag` is `g`; longer names (`phot_g_mean_mag`) stay as they are.
fn plain_band(name: &str) -> &str {
    let plain = name.strip_suffix("mag").unwrap_or(name).trim_end_matches(['_', '\'']);
    if (1..=3).contains(&plain.len()) { plain } else { name }
}

/// Milliarcseconds per year in a unit of proper motion; `None` for a unit that is not understood.
fn mas_per_unit(unit: &str) -> Option<f64> {
    let unit = unit.trim().to_lowercase().replace(" / ", "/").replace(' ', ".");
    let (angle, time) = unit.split_once(['/', '.', '*']).unwrap_or((&unit, "yr"));
    if !matches!(time, "yr" | "yr-1" | "yr**-1" | "yr**(-1)" | "yr^-1" | "a" | "year") {
        return None;
    }
    mas_per_angle(angle)
}

/// Milliarcseconds in a unit of angle, which they are where none is given.
fn mas_per_angle(unit: &str) -> Option<f64> {
    match unit.to_lowercase().as_str() {
        "" | "mas" => Some(1.0),
        "arcsec" => Some(1e3),
        "deg" => Some(3.6e6),
        _ => None,
    }
}

/// Notes about single rows: the first few in words, the rest counted.
#[derive(Debug, Default)]
pub(crate) struct RowNotes {
    notes: Vec<String>,
    more: usize,
}

impl RowNotes {
    fn add(&mut self, note: String) {
        if self.notes.len() < MOST_ROW_NOTES {
            self.notes.push(note);
        } else {
            self.more += 1;
        }
    }

    /// Rows that were skipped.
    pub fn n_skipped(&self) -> usize {
        self.notes.len() + self.more
    }

    pub fn first(&self) -> Option<&String> {
        self.notes.first()
    }

    pub fn finish(mut self, row_word: &str) -> Vec<String> {
        if self.more > 0 {
            self.notes.push(format!("{} more {row_word}s skipped likewise", self.more));
        }
        self.notes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_of_places() {
        let column = |name: &str, unit: &str, cell: f64| RawColumn {
            name: name.into(),
            unit: unit.into(),
            cells: vec![Some(cell)],
            ..RawColumn::default()
        };
        let place_err_mas = |ra: RawColumn, dec: RawColumn| {
            let columns = vec![column("ra_deg", "", 10.0), column("dec_deg", "", 20.0), column("r", "", 15.0), ra, dec];
            let table = RawTable { columns, rows: vec![1], row_word: "line", decorated: false };
            let columns = table.star_columns(Path::new("a.csv")).unwrap();
            assert_eq!(columns.bands.iter().map(|b| b.name.as_str()).collect::<Vec<_>>(), ["r"], "an error is no band");
            columns.star(&table, 0, &mut RowNotes::default()).unwrap().place_err_mas
        };
        let near = |found: Option<f64>, expected: f64| (found.unwrap() - expected).abs() < 1e-9;
        assert!(near(place_err_mas(column("ra_error", "mas", 30.0), column("dec_error", "", 40.0)), 1250f64.sqrt()));
        assert!(near(place_err_mas(column("e_RA_ICRS", "arcsec", 0.02), column("e_DE_ICRS", "arcsec", 0.02)), 20.0));
        assert!(near(place_err_mas(column("ra_err_mas", "", 0.0), column("dec_err_mas", "", 7.0)), 7.0));
        assert_eq!(place_err_mas(column("ra_err_mas", "", 0.0), column("dec_error", "px", 7.0)), None);
    }

    #[test]
    fn units_of_proper_motion() {
        for (unit, expected) in [
            ("", Some(1.0)),
            ("mas/yr", Some(1.0)),
            ("mas.yr-1", Some(1.0)),
            ("mas.yr**-1", Some(1.0)),
            ("mas yr-1", Some(1.0)),
            ("arcsec / yr", Some(1e3)),
            ("deg/yr", Some(3.6e6)),
            ("s/yr", None),
            ("mas/d", None),
        ] {
            assert_eq!(mas_per_unit(unit), expected, "{unit}");
        }
    }

    #[test]
    fn band_names_without_decoration() {
        for (name, expected) in [
            ("rmag", "r"),
            ("r_mag", "r"),
            ("g'mag", "g"),
            ("Vmag", "V"),
            ("mag", "mag"),
            ("i", "i"),
            ("phot_g_mean_mag", "phot_g_mean_mag"),
        ] {
            assert_eq!(plain_band(name), expected);
        }
    }
}
