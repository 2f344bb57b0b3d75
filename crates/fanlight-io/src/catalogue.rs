//! Star catalogues: CSV, VOTable and FITS tables, told apart by their contents.

use std::io::SeekFrom;
use std::path::{Path, PathBuf};

use fanlight_sky::SkyPosition;

use crate::error::{IoError, nearest_name};
use crate::fits_read::with_source;
use crate::{catalogue_csv, fits_table, votable};

/// Most notes about single rows; the rest are counted.
const MOST_ROW_NOTES: usize = 10;

/// Magnitudes outside this range are stand-ins for "none" (99.99, -99), not measurements.
const MAGNITUDES: std::ops::RangeInclusive<f64> = -30.0..=40.0;

/// A star catalogue.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Catalogue {
    /// The bands, in the order of the file.
    pub bands: Vec<String>,
    /// The stars, in the order of the file.
    pub stars: Vec<CatalogueStar>,
    /// Rows that were skipped and cells that could not be used, each with its line.
    pub notes: Vec<String>,
    /// The file.
    pub path: PathBuf,
}

/// One star.
#[derive(Debug, Clone, PartialEq)]
pub struct CatalogueStar {
    /// Right ascension at the epoch, ICRS, 0 to 360.
    pub ra_deg: f64,
    /// Declination at the epoch, ICRS.
    pub dec_deg: f64,
    /// Proper motion in right ascension on the sky, that is with the factor cos δ.
    pub pmra_mas_yr: Option<f64>,
    /// Proper motion in declination.
    pub pmdec_mas_yr: Option<f64>,
    /// Julian year of the position.
    pub epoch_yr: Option<f64>,
    /// For each of the catalogue's bands the magnitude and its error, where they are known.
    pub mags: Vec<Option<(f64, Option<f64>)>>,
}

impl CatalogueStar {
    /// The star's place at a Julian year. Without proper motion or epoch it is the catalogue's place.
    ///
    /// # Accuracy
    /// Straight motion on the tangent plane: better than 0.1 mas over a century for motions under 10″ a year, radial
    /// velocity and parallax left out.
    pub fn position_at(&self, julian_year: f64) -> SkyPosition {
        let place = SkyPosition::new(self.ra_deg, self.dec_deg);
        match (self.pmra_mas_yr, self.pmdec_mas_yr, self.epoch_yr) {
            (Some(east), Some(north), Some(epoch)) => {
                let years = julian_year - epoch;
                place.offset_by_arcsec(east / 1000.0 * years, north / 1000.0 * years)
            }
            _ => place,
        }
    }
}

impl Catalogue {
    /// The index of a band by its exact name: `R` and `r` are different systems.
    pub fn band(&self, name: &str) -> Option<usize> {
        self.bands.iter().position(|b| b == name)
    }

    /// The index of a band, or an error that lists the bands there are and names the nearest.
    ///
    /// # Errors
    /// The band is not in the catalogue.
    pub fn require_band(&self, name: &str) -> Result<usize, IoError> {
        self.band(name).ok_or_else(|| IoError::NoBand {
            path: self.path.clone(),
            band: name.to_owned(),
            available: self.bands.clone(),
            nearest: nearest_name(name, self.bands.iter().map(String::as_str)).map(str::to_owned),
        })
    }
}

/// Reads a star catalogue: a CSV with `ra_deg`, `dec_deg` and a column per band (errors in `<band>_err`), a VOTable
/// or a FITS binary table, whose columns are found by UCD or by usual names. Any of them may be gzip-compressed.
///
/// # Errors
/// The file cannot be read, has no columns of right ascension and declination in degrees, or no usable row.
pub fn load_catalogue(path: &Path) -> Result<Catalogue, IoError> {
    with_source(path, |source, len| {
        let read = |e| IoError::read(path, e);
        let mut start = [0; 64];
        let n = start.len().min(len as usize);
        source.read_exact(&mut start[..n]).map_err(read)?;
        source.seek(SeekFrom::Start(0)).map_err(read)?;
        if start.starts_with(b"SIMPLE") {
            return fits_table::read(source, len, path)?.into_catalogue(path);
        }
        let mut bytes = Vec::with_capacity(len as usize);
        source.read_to_end(&mut bytes).map_err(read)?;
        let text = String::from_utf8_lossy(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes));
        let table = match text.trim_start().starts_with('<') {
            true => votable::read(&text, path)?,
            false => catalogue_csv::read(&text, path)?,
        };
        table.into_catalogue(path)
    })
}

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
    fn into_catalogue(self, path: &Path) -> Result<Catalogue, IoError> {
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
        let taken: Vec<usize> = [Some(ra), Some(dec), pmra, pmdec, epoch].into_iter().flatten().collect();
        let bands = self.bands(&taken);

        let mut notes = RowNotes::default();
        let mut stars = Vec::new();
        for (i, row) in self.rows.iter().enumerate() {
            let cell = |column: usize| self.columns[column].cells.get(i).copied().flatten();
            let motion =
                |column: Option<usize>| column.and_then(|c| Some(cell(c)? * mas_per_unit(&self.columns[c].unit)?));
            let place = match (cell(ra), cell(dec)) {
                (Some(ra), Some(dec)) if (0.0..=360.0).contains(&ra) && (-90.0..=90.0).contains(&dec) => (ra, dec),
                (Some(ra), Some(dec)) => {
                    notes.add(format!(
                        "{} {row} skipped: no place in the sky at RA {ra}, Dec {dec} degrees",
                        self.row_word
                    ));
                    continue;
                }
                _ => {
                    notes.add(format!("{} {row} skipped: ra_deg or dec_deg is not a number", self.row_word));
                    continue;
                }
            };
            let mags = bands.iter().map(|band| {
                let magnitude = cell(band.magnitude).filter(|m| MAGNITUDES.contains(m))?;
                Some((magnitude, band.error.and_then(cell).filter(|e| *e > 0.0)))
            });
            stars.push(CatalogueStar {
                ra_deg: place.0 % 360.0,
                dec_deg: place.1,
                pmra_mas_yr: motion(pmra),
                pmdec_mas_yr: motion(pmdec),
                epoch_yr: epoch.and_then(cell),
                mags: mags.collect(),
            });
        }
        if stars.is_empty() {
            let why = notes.first().map(|n| format!(" ({n})")).unwrap_or_default();
            return Err(IoError::catalogue(path, format!("has no usable row{why}")));
        }
        let mut notes = notes.finish(self.row_word);
        for band in &bands {
            let bad = self.columns[band.magnitude].bad_cells;
            if bad > 0 {
                notes.push(format!("{bad} cells of column {} are not numbers", self.columns[band.magnitude].name));
            }
        }
        if pmra.is_some() && epoch.is_none() {
            notes.push("proper motions are not applied: there is no column epoch_yr".to_owned());
        }
        let bands = bands.into_iter().map(|b| b.name).collect();
        Ok(Catalogue { bands, stars, notes, path: path.to_owned() })
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
    /// name that ends in `mag` where any does; else every other column whose numbers are mostly possible magnitudes.
    fn bands(&self, taken: &[usize]) -> Vec<Band> {
        let is_error = |c: &RawColumn| self.columns.iter().any(|b| error_names(&b.name).contains(&c.name));
        let by_ucd = |c: &RawColumn| c.ucd.starts_with("phot.mag");
        let by_name = |c: &RawColumn| self.decorated && c.name.to_lowercase().ends_with("mag") && !is_error(c);
        let by_numbers = |c: &RawColumn| !is_error(c) && mostly_magnitudes(&c.cells);
        let rules: [&dyn Fn(&RawColumn) -> bool; 2] = [&by_ucd, &by_name];
        let rule = rules.into_iter().find(|rule| self.columns.iter().any(rule)).unwrap_or(&by_numbers);
        let mut bands: Vec<Band> = Vec::new();
        for (i, column) in self.columns.iter().enumerate() {
            if taken.contains(&i) || column.name.is_empty() || !rule(column) {
                continue;
            }
            let plain = if self.decorated { plain_band(&column.name) } else { &column.name };
            let name = if bands.iter().any(|b| b.name == plain) { &column.name } else { plain };
            let names = error_names(&column.name);
            let error = names.iter().find_map(|n| self.columns.iter().position(|c| c.name == *n));
            bands.push(Band { name: name.to_owned(), magnitude: i, error });
        }
        bands
    }
}

struct Band {
    name: String,
    magnitude: usize,
    error: Option<usize>,
}

fn error_names(band: &str) -> [String; 4] {
    [format!("{band}_err"), format!("e_{band}"), format!("{band}_error"), format!("err_{band}")]
}

fn mostly_magnitudes(cells: &[Option<f64>]) -> bool {
    let numbers: Vec<f64> = cells.iter().flatten().copied().collect();
    let possible = numbers.iter().filter(|v| MAGNITUDES.contains(*v)).count();
    !numbers.is_empty() && 2 * possible >= numbers.len()
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
    match angle {
        "" | "mas" => Some(1.0),
        "arcsec" => Some(1e3),
        "deg" => Some(3.6e6),
        _ => None,
    }
}

#[derive(Default)]
struct RowNotes {
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

    fn first(&self) -> Option<&String> {
        self.notes.first()
    }

    fn finish(mut self, row_word: &str) -> Vec<String> {
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

    /// Barnard's star, Hipparcos: 10.3″ a year nearly due north; ten years are 0.103 arcminutes and a cos δ matters.
    #[test]
    fn proper_motion_moves_a_star() {
        let star = CatalogueStar {
            ra_deg: 269.45402305,
            dec_deg: 4.66828815,
            pmra_mas_yr: Some(-797.84),
            pmdec_mas_yr: Some(10326.93),
            epoch_yr: Some(1991.25),
            mags: vec![],
        };
        let moved = star.position_at(2001.25);
        assert!((moved.dec_deg - (4.66828815 + 103.2693 / 3600.0)).abs() < 1e-7, "{moved:?}");
        let east = (moved.ra_deg - 269.45402305) * 4.66828815f64.to_radians().cos() * 3600.0;
        // 103″ of northward motion change cos δ by 4e-5 of the 8″: 0.3 mas.
        assert!((east + 7.9784).abs() < 1e-3, "{east}");
        let still = CatalogueStar { epoch_yr: None, ..star };
        assert_eq!(still.position_at(2001.25).dec_deg, 4.66828815);
    }
}
