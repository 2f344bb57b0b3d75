//! Star catalogues: CSV, VOTable, FITS tables and our own star lists, told apart by their contents.

use std::path::{Path, PathBuf};

use fanlight_sky::SkyPosition;

use crate::error::{IoError, nearest_name};
use crate::fits_read::with_source;
use crate::star_list;
use crate::star_table::{self, RawTable, RowNotes};

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
    /// Error of the position per axis at the epoch, in milliarcseconds, where the table states one.
    pub place_err_mas: Option<f64>,
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

/// A circle on the sky.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cone {
    /// Its middle.
    pub centre: SkyPosition,
    /// Its radius, 0 to 180.
    pub radius_deg: f64,
}

impl Cone {
    /// Whether a place is inside or on the edge.
    pub fn holds(&self, place: &SkyPosition) -> bool {
        self.centre.separation_arcsec(place) <= 3600.0 * self.radius_deg
    }
}

/// Reads a star catalogue: a CSV with `ra_deg`, `dec_deg` and a column per band (errors in `<band>_err`), a VOTable
/// or a FITS binary table, whose columns are found by UCD or by usual names, or a star list that
/// [`import_star_list`](crate::import_star_list) made. Any of them may be gzip-compressed.
///
/// Of a star list only the stars whose catalogue places are inside `cone` are read; the other formats, which have no
/// index, are read whole whatever the cone.
///
/// # Errors
/// The file cannot be read, has no columns of right ascension and declination in degrees, or no usable row; a star
/// list that is truncated, damaged, of another version of the format, or has no star inside the cone.
pub fn load_catalogue(path: &Path, cone: Option<&Cone>) -> Result<Catalogue, IoError> {
    with_source(path, |source, len| {
        if star_list::begins_as_one(source, len, path)? {
            return star_list::load(source, len, path, cone);
        }
        let mut whole: Option<RawTable> = None;
        star_table::read(source, len, path, &mut |part| {
            match &mut whole {
                Some(whole) => whole.append(part),
                None => whole = Some(part),
            }
            Ok(())
        })?;
        catalogue_of(whole.unwrap_or_default(), path)
    })
}

fn catalogue_of(table: RawTable, path: &Path) -> Result<Catalogue, IoError> {
    let mut columns = table.star_columns(path)?;
    columns.bands.retain(|band| !band.by_numbers || table.columns[band.magnitude].count_magnitudes().mostly());
    let mut notes = RowNotes::default();
    let stars: Vec<CatalogueStar> = (0..table.rows.len()).filter_map(|i| columns.star(&table, i, &mut notes)).collect();
    if stars.is_empty() {
        let why = notes.first().map(|n| format!(" ({n})")).unwrap_or_default();
        return Err(IoError::catalogue(path, format!("has no usable row{why}")));
    }
    let mut notes = notes.finish(table.row_word);
    let bad = columns.bands.iter().map(|b| (table.columns[b.magnitude].bad_cells, &table.columns[b.magnitude].name));
    notes.extend(bad.filter(|(n, _)| *n > 0).map(|(n, name)| star_table::bad_cells_note(n, name)));
    notes.extend(columns.motion_note());
    let bands = columns.bands.into_iter().map(|b| b.name).collect();
    Ok(Catalogue { bands, stars, notes, path: path.to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Barnard's star, Hipparcos: 10.3″ a year nearly due north; ten years are 0.103 arcminutes and a cos δ matters.
    #[test]
    fn proper_motion_moves_a_star() {
        let star = CatalogueStar {
            ra_deg: 269.45402305,
            dec_deg: 4.66828815,
            pmra_mas_yr: Some(-797.84),
            pmdec_mas_yr: Some(10326.93),
            epoch_yr: Some(1991.25),
            place_err_mas: None,
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
