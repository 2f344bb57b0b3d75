//! The part of every frame that is used: a square about the comet. What lies further out says nothing of the coma and only
//! costs time.

use super::expected::Expected;
use super::first_pass::{FieldEntry, Preview, StarGrid};
use super::inputs::{Inputs, Light};
use crate::{Failure, geometry};
use fanlight_coma::measure::PowerLaw;
use fanlight_image::{PixelBox, robust};
use fanlight_io::Campaign;
use fanlight_sky::{PixelXy, SkyPosition, Wcs};

/// Least side of the part of a frame that is used.
const MIN_SIDE_PX: f64 = 768.0;
/// The same at most for the stars' sake: it holds enough of them to tie a frame in all but the emptiest fields.
const STARS_SIDE_PX: f64 = 1360.0;
/// Stars found in a frame that tie it and measure its transparency as well as more would.
const ENOUGH_STARS: f64 = 300.0;
/// Radii of the largest aperture that fit into the side: the sky is measured outside the aperture.
const APERTURES: f64 = 6.0;
/// By how much less the comet-registered stack reaches out than the frames' windows, in all: windows stand about the
/// ephemeris place by the header, stacks about the measured place by the stars.
const STACK_MARGIN_PX: usize = 80;

/// The windows of a night.
pub struct Windows {
    /// Side of the part of every frame that is used.
    pub side_px: usize,
    /// The part of the detector that holds the windows of all frames, widened as they may be.
    pub detector_area: PixelBox,
    /// Least side that the largest aperture asks for.
    aperture_side_px: f64,
    /// Where the comet is expected in each frame.
    places: Vec<SkyPosition>,
}

/// What became of windows that were fitted to what a few frames show.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Refit {
    /// They hold more of the frames than before.
    pub shows_more: bool,
    /// They reach beyond the part of the detector that was planned.
    pub reaches_beyond: bool,
}

impl Windows {
    /// Plans the windows from the expected path, the frames' WCS, and how many of the catalogue's stars are about the comet.
    ///
    /// # Errors
    /// When the ephemeris cannot be computed.
    pub fn plan(
        inputs: &Inputs,
        campaign: &Campaign,
        expected: &Expected,
        catalogue: &[FieldEntry],
    ) -> Result<Self, Failure> {
        let middle = &inputs.lights[inputs.lights.len() / 2];
        let (geometry, _) = geometry::at(expected.motion, expected.site, middle.mid)?;
        let largest_km = campaign.photometry.apertures_km.iter().copied().fold(0.0, f64::max);
        let places: Vec<SkyPosition> =
            inputs.lights.iter().map(|l| expected.place(l.mid).map_err(Failure::data)).collect::<Result<_, _>>()?;
        let size = inputs.size;
        let place = places[inputs.lights.len() / 2];
        let in_middle = middle.wcs.pixel_from_sky(place);
        let scale_arcsec = in_middle.map_or(f64::INFINITY, |at| middle.wcs.pixel_scale_arcsec(at));
        let aperture_side_px = APERTURES * largest_km / geometry.km_per_arcsec / scale_arcsec;
        let listed_per_px = catalogued_per_px(catalogue, place, scale_arcsec);
        let widest_px = side_px(aperture_side_px, Some(listed_per_px));
        let all = inputs.lights.iter().zip(&places).filter_map(|(l, place)| of(l, *place, widest_px));
        let detector_area = PixelBox::around_all(all).unwrap_or(PixelBox { x0: 0, y0: 0, x1: size.0, y1: size.1 });
        let side_px = side_px(aperture_side_px, Some(f64::INFINITY));
        Ok(Self { side_px, detector_area, aperture_side_px, places })
    }

    /// As wide as the stars may ask for, when nobody knows how many there are.
    pub fn widest(mut self) -> Self {
        self.side_px = side_px(self.aperture_side_px, None);
        self
    }

    /// Fits the windows to what a few frames show: as wide as the field's stars ask for, and wide enough for the coma, as far
    /// as the frames reach. The part of the detector then holds them.
    pub fn fit_to(&mut self, preview: &Preview, inputs: &Inputs) -> Refit {
        let for_coma = coma_side_px(&preview.comae, self.aperture_side_px / APERTURES);
        let most = inputs.size.0.max(inputs.size.1);
        let side_px = side_px(self.aperture_side_px, preview.stars_per_px).max(for_coma.min(most as f64) as usize);
        let before = std::mem::replace(&mut self.side_px, side_px);
        let all = inputs.lights.iter().zip(&self.places).filter_map(|(l, place)| of(l, *place, self.side_px));
        let area = PixelBox::around_all(all.chain([self.detector_area])).unwrap_or(self.detector_area);
        let reaches_beyond = area != self.detector_area;
        self.detector_area = area;
        Refit { shows_more: side_px.min(most) > before.min(most), reaches_beyond }
    }

    /// The grid of the star-registered stack: the pixels of the frame of this WCS over which the windows pass.
    pub fn star_grid(&self, wcs: &Wcs, size: (usize, usize)) -> StarGrid {
        let windows = self.places.iter().filter_map(|p| Some(about(wcs.pixel_from_sky(*p).ok()?, size, self.side_px)));
        let area = PixelBox::around_all(windows).unwrap_or(PixelBox { x0: 0, y0: 0, x1: size.0, y1: size.1 });
        let wcs = wcs.shifted(-(area.x0 as f64), -(area.y0 as f64));
        StarGrid { wcs, width: area.width(), height: area.height() }
    }
}

/// Catalogue stars per pixel where the widest window would be. Where a frame shows fewer, windows and masters are widened
/// afterwards.
fn catalogued_per_px(catalogue: &[FieldEntry], place: SkyPosition, scale_arcsec: f64) -> f64 {
    let radius_px = 0.5 * STARS_SIDE_PX;
    let near = |e: &&FieldEntry| e.place.separation_arcsec(&place) < radius_px * scale_arcsec;
    catalogue.iter().filter(near).count() as f64 / (std::f64::consts::PI * radius_px * radius_px)
}

/// Side of the part of a frame that is used: what the largest aperture asks for, and what holds enough stars.
fn side_px(aperture_side_px: f64, stars_per_px: Option<f64>) -> usize {
    let for_stars = stars_per_px.map_or(STARS_SIDE_PX, |n| (ENOUGH_STARS / n).sqrt().clamp(MIN_SIDE_PX, STARS_SIDE_PX));
    aperture_side_px.max(for_stars).ceil() as usize
}

/// Share of the light in the largest aperture that a sky read at the window's edge may take away: the sky is fitted together
/// with the coma, which leaves about a quarter of it.
const EDGE_SHARE: f64 = 0.02;
/// A coma that has fallen to this share of the sky is lost in what flat fields leave.
const LOST_SHARE: f64 = 3e-4;

/// Side that holds the coma, so that the sky can be told from it; nothing where no coma shows.
fn coma_side_px(comae: &[(PowerLaw, f64)], largest_aperture_px: f64) -> f64 {
    let reach = |(law, sky_e): &(PowerLaw, f64)| {
        let lost = if *sky_e > 0.0 { law.radius_px(LOST_SHARE * sky_e) } else { f64::INFINITY };
        law.radius_of_share_px(EDGE_SHARE, largest_aperture_px).min(lost)
    };
    let median = robust::median_f64(&mut comae.iter().map(reach).collect::<Vec<f64>>());
    median.map_or(0.0, |reach| 2.0 * reach + STACK_MARGIN_PX as f64)
}

/// Side of the comet-registered stack.
pub fn stack_side_px(window_side_px: usize) -> usize {
    window_side_px.saturating_sub(STACK_MARGIN_PX)
}

/// The part of a frame that is used: a square about a place, moved inward at the frame's edge, the whole frame where it
/// is smaller. `None` when the place is on the other side of the sky.
pub fn of(light: &Light, place: SkyPosition, side_px: usize) -> Option<PixelBox> {
    let at = light.wcs.pixel_from_sky(place).ok()?;
    Some(about(at, (light.file.width, light.file.height), side_px))
}

fn about(at: PixelXy, size: (usize, usize), side_px: usize) -> PixelBox {
    let cut = |centre: f64, n: usize| {
        let side = n.min(side_px);
        let first = ((centre - 0.5 * side as f64).max(0.0) as usize).min(n - side);
        (first, first + side)
    };
    let ((x0, x1), (y0, y1)) = (cut(at.x_px, size.0), cut(at.y_px, size.1));
    PixelBox { x0, y0, x1, y1 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_stays_inside_its_frame() {
        let at = |x_px, y_px| about(PixelXy { x_px, y_px }, (2000, 900), 1000);
        assert_eq!(at(1000.0, 450.0), PixelBox { x0: 500, y0: 0, x1: 1500, y1: 900 });
        assert_eq!(at(10.0, 10.0), PixelBox { x0: 0, y0: 0, x1: 1000, y1: 900 });
        assert_eq!(at(1990.0, -50.0), PixelBox { x0: 1000, y0: 0, x1: 2000, y1: 900 });
        let both = PixelBox::around_all([at(10.0, 0.0), at(1000.0, 0.0)]);
        assert_eq!(both, Some(PixelBox { x0: 0, y0: 0, x1: 1500, y1: 900 }));
        assert_eq!(PixelBox::around_all(std::iter::empty()), None);
    }

    #[test]
    fn a_wide_aperture_asks_for_a_wide_window() {
        assert_eq!(side_px(300.0, None), 1360);
        assert_eq!(side_px(2400.0, Some(1.0)), 2400);
        assert_eq!(stack_side_px(1360), 1280);
    }

    /// A sky read at ρ takes R/2ρ of the light of a 1/ρ coma: 2 % at 25 radii of the aperture. A steep or a faint coma asks for
    /// less.
    #[test]
    fn a_window_holds_the_coma() {
        let side = |at_1_px, slope, sky_e| coma_side_px(&[(PowerLaw { at_1_px, slope }, sky_e)], 40.0);
        assert_eq!(side(1e6, 1.0, 100.0), 2.0 * 1000.0 + 80.0);
        assert!(side(1e6, 1.5, 100.0) < 520.0);
        // 300 / ρ has fallen to 3e-4 of a sky of 2000 at 500 px
        assert!((side(300.0, 1.0, 2000.0) - 1080.0).abs() < 1e-6);
        assert_eq!(coma_side_px(&[], 40.0), 0.0);
    }

    #[test]
    fn a_window_is_as_wide_as_its_stars_ask_for() {
        // 300 stars in 1200² px, in far more, in far less, and in nothing
        for (stars_per_px, side) in [(300.0 / 1.44e6, 1200), (1.0, 768), (1e-6, 1360), (0.0, 1360)] {
            assert_eq!(side_px(300.0, Some(stars_per_px)), side);
        }
    }
}
