//! The field's stars as they pass the comet in its stack: which were taken out, with what error, and where some may hide.

use super::first_pass::StarGrid;
use super::second_pass::{CometGrid, Kept, SkyStar};
use super::star_stack::StarStacked;
use fanlight_coma::passing::{Counted, Hidden, Passing, PassingStar, Step, Unseen};
use fanlight_coma::{measure, stack, stars};
use fanlight_image::moffat::StarImage;
use fanlight_sky::{PixelXy, SkyPosition};

/// Error of the light of a star that only the catalogue knows, as a share of it: colour term, variability and the
/// catalogue's own error. Common practice for survey photometry, as in the zero point.
const CATALOGUE_SHARE: f64 = 0.03;
/// Steps of the grid on which hidden stars are looked for, in star widths.
const CELL_FWHM: f64 = 0.7;
/// Stars further than this from the comet's path, in star widths, are found as anywhere in the field.
const FAR_FWHM: f64 = 12.0;
/// Fewest stars far from the path that tell how many there are of each brightness.
const MIN_FAR_STARS: usize = 10;

/// The stars taken out and the places of hidden ones up to `reach_px` from the comet; nothing without a star image.
///
/// A star is found where it rises over the stack's local noise, and nowhere near the condensation's path but by the
/// catalogue. How many a place hides follows from the stars of the rest of the field that would not have been found there.
pub fn passing_stars(
    kept: &[Kept],
    field_stars: &[SkyStar],
    (stacked, grid): (&StarStacked, &StarGrid),
    catalogue: &[SkyStar],
    comet_grid: &CometGrid,
    reach_px: f64,
) -> Passing {
    let Some(shape) = &stacked.shape else { return Passing::default() };
    let (reference, local) = (kept[kept.len() / 2].comet, &comet_grid.local);
    let from_sky = stack::inverse(local.arcsec_per_px);
    let total: f64 = kept.iter().map(|k| k.weight).sum();
    let steps: Vec<Step> = kept
        .iter()
        .map(|k| {
            // the comet moves one way, the stars seen from it the other
            let (east, north) = reference.tangent_offset_arcsec(&k.comet);
            let (dx_px, dy_px) = stack::apply(from_sky, (-east, -north));
            Step { dx_px, dy_px, share: k.weight / total }
        })
        .collect();
    let in_stack = |place: &SkyPosition| {
        let (dx, dy) = stack::apply(from_sky, reference.tangent_offset_arcsec(place));
        (local.x_px + dx, local.y_px + dy)
    };
    let on_sky = |x_px: f64, y_px: f64| {
        let (east, north) = stack::apply(local.arcsec_per_px, (x_px - local.x_px, y_px - local.y_px));
        reference.offset_by_arcsec(east, north)
    };

    let detection = Detection::new(kept, stacked, grid, shape);
    let fwhm_px = shape.seeing().fwhm_px();
    let mut taken_out = Vec::with_capacity(field_stars.len());
    let mut counted: Vec<Counted> = Vec::new();
    let catalogue_px: Vec<(f64, f64, f64)> = catalogue
        .iter()
        .filter_map(|s| grid.wcs.pixel_from_sky(s.place).ok().map(|p| (p.x_px, p.y_px, s.flux_e_per_s)))
        .collect();
    let is_catalogued = |p: &PixelXy, flux: f64| {
        let near = |x: f64, y: f64| (x - p.x_px).abs() < fwhm_px && (x - p.x_px).hypot(y - p.y_px) < fwhm_px;
        catalogue_px.iter().any(|(x, y, f)| near(*x, *y) && *f > 0.5 * flux)
    };
    for star in field_stars {
        let Ok(p) = grid.wcs.pixel_from_sky(star.place) else { continue };
        let away = detection.distance_to_path(&p);
        let flux = star.flux_e_per_s;
        let noise = detection.flux_sigma(&p);
        let by_catalogue = away <= stars::NUCLEUS_KEEP_OUT_FWHM * fwhm_px;
        let sigma = if by_catalogue { CATALOGUE_SHARE * flux } else { noise };
        let (x_px, y_px) = in_stack(&star.place);
        taken_out.push(PassingStar { x_px, y_px, flux, sigma, by_catalogue });
        let inside = p.x_px > 0.0 && p.y_px > 0.0 && p.x_px < grid.width as f64 && p.y_px < grid.height as f64;
        if away > FAR_FWHM * fwhm_px && inside {
            counted.push(Counted { flux, in_catalogue: is_catalogued(&p, flux) });
        }
    }
    let counted_area_px2 = detection.far_area_px2.max(1.0);
    let mut passing = Passing { fwhm_px, steps, stars: taken_out, hidden: Vec::new(), counted, counted_area_px2 };
    if passing.counted.len() >= MIN_FAR_STARS {
        // every star that comes within reach in some frame
        let square = ((local.x_px, local.y_px), reach_px + passing.longest_step_px());
        passing.hidden = hidden(&detection, square, |x, y| grid.wcs.pixel_from_sky(on_sky(x, y)).ok());
    }
    passing
}

/// Which stars the search in the star-registered stack finds, and where.
struct Detection<'a> {
    stacked: &'a StarStacked,
    /// Area over which noise enters a star's flux: one over the sum of its image's squared values.
    noise_area_px2: f64,
    sky_variance: f64,
    fwhm_px: f64,
    path_px: Vec<(f64, f64)>,
    /// The star grid's area far from the path.
    far_area_px2: f64,
}

impl<'a> Detection<'a> {
    fn new(kept: &[Kept], stacked: &'a StarStacked, grid: &StarGrid, shape: &StarImage) -> Self {
        let density = shape.density();
        let fwhm_px = shape.seeing().fwhm_px();
        let half = (2.0 * fwhm_px + 0.5 * shape.trail_length_px()).ceil() as i32;
        let cells = (-half..=half).flat_map(|y| (-half..=half).map(move |x| (x, y)));
        let squares: f64 = cells.map(|(x, y)| density(f64::from(x), f64::from(y)).powi(2)).sum();
        let path = kept.iter().filter_map(|k| grid.wcs.pixel_from_sky(k.comet).ok());
        let mut detection = Self {
            stacked,
            noise_area_px2: 1.0 / squares,
            sky_variance: measure::typical_variance(&stacked.stacked.variance),
            fwhm_px,
            path_px: path.map(|p| (p.x_px, p.y_px)).collect(),
            far_area_px2: 0.0,
        };
        const STEP: usize = 8;
        let sampled = (0..grid.height).step_by(STEP).flat_map(|y| (0..grid.width).step_by(STEP).map(move |x| (x, y)));
        let at = |(x, y): (usize, usize)| PixelXy { x_px: x as f64, y_px: y as f64 };
        let far = sampled.filter(|c| detection.distance_to_path(&at(*c)) > FAR_FWHM * fwhm_px).count();
        detection.far_area_px2 = (far * STEP * STEP) as f64;
        detection
    }

    fn distance_to_path(&self, p: &PixelXy) -> f64 {
        stars::distance_to_path((p.x_px, p.y_px), &self.path_px)
    }

    /// Error by noise of a star's flux at a place.
    fn flux_sigma(&self, p: &PixelXy) -> f64 {
        let local = self.stacked.stacked.variance.get(p.x_px.round() as isize, p.y_px.round() as isize);
        let variance = local.map_or(self.sky_variance, f64::from);
        let usable = if variance.is_finite() { variance.max(self.sky_variance) } else { self.sky_variance };
        (usable * self.noise_area_px2).sqrt()
    }

    /// The faintest star found at a place; `None` where none is looked for.
    fn faintest(&self, p: &PixelXy) -> Option<f64> {
        let near = self.distance_to_path(p) <= stars::NUCLEUS_KEEP_OUT_FWHM * self.fwhm_px;
        (!near).then(|| stars::FIELD_SIGMA * self.flux_sigma(p))
    }
}

/// The cells of a square about the comet that hide stars.
fn hidden(
    detection: &Detection,
    (middle, half_px): ((f64, f64), f64),
    place: impl Fn(f64, f64) -> Option<PixelXy>,
) -> Vec<Hidden> {
    let step = (CELL_FWHM * detection.fwhm_px).max(1.0);
    let n = (half_px / step).ceil() as i32;
    let cells = (-n..=n).flat_map(|j| (-n..=n).map(move |i| (f64::from(i), f64::from(j))));
    cells
        .filter_map(|(i, j)| {
            let (x_px, y_px) = (middle.0 + step * i, middle.1 + step * j);
            let p = place(x_px, y_px)?;
            let unseen = detection.faintest(&p).map_or(Unseen::NotInCatalogue, Unseen::FainterThan);
            Some(Hidden { x_px, y_px, area_px2: step * step, unseen })
        })
        .collect()
}
