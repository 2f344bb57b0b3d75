//! What the comet-registered stack says.

use super::second_pass::{CometGrid, CometStack};
use crate::Failure;
use fanlight_coma::enhance::{self, GradientConfig};
use fanlight_coma::evidence::gradient::ROTATION_DEG;
use fanlight_coma::kernel::{self, KernelShape};
use fanlight_coma::measure::RingProfile;
use fanlight_coma::optocentre::{self, Optocentre, OptocentreConfig};
use fanlight_coma::passing::{self, Field, FieldScatter, Passing, StarsLeft, UnseenStars};
use fanlight_coma::photometry::{self, ApertureLight, Stack};
use fanlight_coma::profile::{self, SkyFitConfig, SkySurface};
use fanlight_coma::stack::{apply, inverse};
use fanlight_coma::stars;
use fanlight_image::aperture::Circle;
use fanlight_image::polar::Ring;
use fanlight_image::sector::Sector;
use fanlight_image::{Image, flag, pixels_within};
use fanlight_sky::PixelXy;

/// The measured stack. Its image has the fitted sky taken off.
pub struct MeasuredStack {
    /// Image, variance, mask, sub-stacks.
    pub comet: CometStack,
    /// The grid.
    pub grid: CometGrid,
    /// The optocentre, where a condensation stands out.
    pub optocentre: Option<Optocentre>,
    /// Where the profile and the apertures are centred.
    pub centre_px: (f64, f64),
    /// The kernel; `None` where no star image told it.
    pub kernel: Option<KernelShape>,
    /// The sky that was fitted and taken off.
    pub sky: Option<SkySurface>,
    /// Azimuthal rings.
    pub rings: Vec<Ring>,
    /// Ring medians, to fill masked pixels.
    pub fill: RingProfile,
    /// Noise per pixel far from the comet.
    pub sky_noise: f64,
    /// Typical sky of the frames, in the stack's unit.
    pub sky_per_px: f64,
    /// The stars that pass the comet.
    pub passing: Passing,
    /// Error of the light taken out of a star, as a share of it; measured in the stack where that has room.
    pub star_model_share: f64,
}

/// Flat-field error of a cell of the sky fit, as a share of the sky. A tenth of a per cent is common for twilight flats;
/// the sky fit's errors grow with it.
const FLAT_ERROR: f64 = 3e-4;

/// A coma that stands this many errors of the sky over it at the stack's edge fills the stack.
const FILLS_SIGMA: f64 = 3.0;

/// Measures a stack; `has_star_image` whether its kernel is by star images, else assumed, `sky_per_px` the typical sky of its frames
/// in the stack's unit, `passing` the stars taken out of them.
pub fn measure(
    mut comet: CometStack,
    grid: CometGrid,
    has_star_image: bool,
    sky_per_px: f64,
    passing: Passing,
) -> MeasuredStack {
    let kernel = kernel::kernel_shape(&comet.kernel);
    let fwhm_px = kernel.map_or(3.0, |k| k.fwhm_px());
    mask_shown_by_few(&mut comet, (grid.local.x_px, grid.local.y_px), UNLIKE_WITHIN_FWHM * fwhm_px);
    let start = OptocentreConfig { x_px: grid.local.x_px, y_px: grid.local.y_px, fwhm_px };
    let stacked = &mut comet.stacked;
    let found =
        optocentre::find_optocentre(&stacked.image, &stacked.variance, &stacked.mask, &comet.kernel, &start).ok();
    let centre_px = found.map_or((grid.local.x_px, grid.local.y_px), |o| (o.x_px, o.y_px));
    let config =
        SkyFitConfig { x_px: centre_px.0, y_px: centre_px.1, fwhm_px, cell_floor: FLAT_ERROR * sky_per_px.abs() };
    let sky = profile::fit_sky(&stacked.image, &stacked.mask, &config).ok();
    if let Some(sky) = &sky {
        profile::subtract_sky(&mut stacked.image, sky, centre_px.0, centre_px.1);
        let halves = comet.halves.iter_mut().flatten().map(|(half, _)| half);
        for part in stacked.substacks.iter_mut().chain(halves) {
            profile::subtract_sky(part, sky, centre_px.0, centre_px.1);
        }
    }
    let rings = profile::rings(&stacked.image, &stacked.variance, &stacked.mask, centre_px.0, centre_px.1);
    let reach = rings.last().map_or(0.0, |r| r.outer_px);
    let fill = RingProfile::measure(&stacked.image, &stacked.mask, centre_px, reach);
    let sky_noise = fanlight_coma::measure::typical_variance(&stacked.variance).sqrt();
    let optocentre = found;
    let star_model_share = stars::MODEL_ERROR;
    let mut measured = MeasuredStack {
        comet,
        grid,
        optocentre,
        centre_px,
        kernel: kernel.filter(|_| has_star_image),
        sky,
        rings,
        fill,
        sky_noise,
        sky_per_px,
        passing,
        star_model_share,
    };
    let whole_star_px = WHOLE_STAR_FWHM * measured.passing.fwhm_px;
    if let Some(scatter) = measured.scatter_of_circles(whole_star_px, None) {
        measured.star_model_share = scatter.model_share;
    }
    measured
}

/// So near the nucleus, in kernel widths, frames of different seeing differ in light.
const UNLIKE_WITHIN_FWHM: f64 = 2.0;

/// Masks the pixels about the nucleus that less than half of the frames show: those whose image is blurred most, where the others are
/// saturated.
fn mask_shown_by_few(comet: &mut CometStack, place_px: (f64, f64), within_px: f64) {
    let n_frames = comet.kernel.len();
    let stacked = &mut comet.stacked;
    let width = stacked.mask.width;
    for (x, y) in pixels_within(place_px, within_px, (width, stacked.mask.height)) {
        let i = y * width + x;
        if 2 * usize::from(stacked.n_used[i]) < n_frames {
            stacked.mask.bits[i] |= flag::NO_DATA;
        }
    }
}

/// Radius of the circles that tell what stars leave, as a share of the stack's smaller side, at most: there must be room for
/// many. For a larger aperture it is what follows from stars strewn at random.
const CIRCLE_SHARE: f64 = 0.05;
/// Radius in star widths of circles that hold a star whole: they tell what share of its light is taken out wrongly.
const WHOLE_STAR_FWHM: f64 = 2.5;
/// The circles stay further than this from the nucleus, in kernel widths, so that the coma's own structure is not taken for
/// stars.
const CIRCLES_OUTSIDE_FWHM: f64 = 8.0;

impl MeasuredStack {
    /// Pixel scale at the comet.
    pub fn scale_arcsec(&self) -> f64 {
        let m = self.grid.local.arcsec_per_px;
        (m[0][0] * m[1][1] - m[0][1] * m[1][0]).abs().sqrt()
    }

    /// Error of the centre per axis.
    pub fn centre_sigma_px(&self) -> f64 {
        self.optocentre.map_or(0.5, |o| o.sigma_px())
    }

    /// Whether a pixel within half a kernel width of the centre shows its light.
    pub fn shows_centre(&self) -> bool {
        self.view(0.0).shows_centre(0.5 * self.kernel.map_or(3.0, |k| k.fwhm_px()))
    }

    /// The stack as photometry sees it within a radius, with the error of the mean sky per pixel there. Without a fit the sky is
    /// known to what is left of the pixel noise over a large area.
    fn view_within(&self, radius_px: f64) -> Stack<'_> {
        self.view(self.sky.map_or(0.05 * self.sky_noise, |s| s.mean_sigma_within(radius_px)))
    }

    /// The stack as photometry sees it, with the error of the sky per pixel.
    fn view(&self, sky_sigma: f64) -> Stack<'_> {
        let stacked = &self.comet.stacked;
        Stack {
            image: &stacked.image,
            variance: &stacked.variance,
            mask: &stacked.mask,
            x_px: self.centre_px.0,
            y_px: self.centre_px.1,
            centre_sigma_px: self.centre_sigma_px(),
            sky_sigma,
            correlation: self.comet.correlation,
        }
    }

    /// Light in a circle about the optocentre, with what stars leave in it; `None` when it is not wholly on the stack.
    pub fn aperture(&self, radius_px: f64) -> Option<(ApertureLight, StarsLeft)> {
        let light = photometry::aperture_light(&self.view_within(radius_px), &self.fill, radius_px)?;
        let left = self.stars_left(radius_px);
        Some((ApertureLight { stars: left.sigma(), ..light }, left))
    }

    /// Radius of the largest circle about the optocentre that is wholly on the stack.
    pub fn largest_circle_px(&self) -> f64 {
        let image = &self.comet.stacked.image;
        let (x, y) = self.centre_px;
        [x, y, image.width as f64 - 1.0 - x, image.height as f64 - 1.0 - y].into_iter().fold(f64::INFINITY, f64::min)
            + 0.5
    }

    /// Light in a sector about the optocentre, its middle toward a position angle; all round with a width of 360. Stars are
    /// not in its errors ([`Self::stars_left_along`]). `None` where its outer circle is not wholly on the stack.
    pub fn sector(
        &self,
        pa_deg: f64,
        width_deg: f64,
        (inner_arcsec, outer_arcsec): (f64, f64),
    ) -> Option<ApertureLight> {
        let scale = self.scale_arcsec();
        let outer_px = outer_arcsec / scale;
        let ring =
            Sector { inner_px: inner_arcsec / scale, ..Sector::circle(self.centre_px.0, self.centre_px.1, outer_px) };
        let sector = if width_deg >= 360.0 { ring } else { self.toward(ring, pa_deg, width_deg) };
        photometry::sector_light(&self.view_within(outer_px), &self.fill, &sector)
    }

    /// The part of a ring that is so wide toward a position angle.
    fn toward(&self, ring: Sector, pa_deg: f64, width_deg: f64) -> Sector {
        let px_from_sky = inverse(self.grid.local.arcsec_per_px);
        let angle = |pa_deg: f64| {
            let (east, north) = pa_deg.to_radians().sin_cos();
            let (x, y) = apply(px_from_sky, (east, north));
            y.atan2(x)
        };
        let (first, last) = (angle(pa_deg - 0.5 * width_deg), angle(pa_deg + 0.5 * width_deg));
        // on a mirrored image position angles run the other way round
        let [[a, b], [c, d]] = px_from_sky;
        let (from_rad, to_rad) = if a * d - b * c < 0.0 { (first, last) } else { (last, first) };
        Sector { from_rad, width_rad: (to_rad - from_rad).rem_euclid(std::f64::consts::TAU), ..ring }
    }

    /// What the field's stars leave in a sector: its share of what they leave in the circles of its two radii.
    pub fn stars_left_along(&self, inner_arcsec: f64, outer_arcsec: f64, width_deg: f64) -> f64 {
        let within =
            |arcsec: f64| if arcsec > 0.0 { self.stars_left(arcsec / self.scale_arcsec()).sigma() } else { 0.0 };
        let squared = within(outer_arcsec).powi(2) - within(inner_arcsec).powi(2);
        (squared.max(0.0) * (width_deg / 360.0).min(1.0)).sqrt()
    }

    /// What the field's stars leave in a circle about the optocentre.
    pub fn stars_left(&self, radius_px: f64) -> StarsLeft {
        if self.passing.steps.is_empty() {
            return StarsLeft::default();
        }
        let model_share = self.star_model_share;
        let scatter = self
            .scatter_of_circles(radius_px, Some(model_share))
            .unwrap_or(FieldScatter { model_share, ..FieldScatter::default() });
        let left = self.passing.left_in(self.circle(radius_px), &scatter);
        tracing::debug!("stars left within {radius_px:.1} px: {left:?} by {scatter:?}");
        left
    }

    /// Variance per pixel, as sums over many pixels see it, that the stars taken out leave.
    pub fn star_variance(&self) -> Option<Image> {
        if self.passing.steps.is_empty() {
            return None;
        }
        let image = &self.comet.stacked.image;
        Some(self.passing.leftover_variance(image.width, image.height, stars::MODEL_ERROR))
    }

    /// The same of stars too faint to be found, alike everywhere.
    pub fn unseen_stars(&self) -> Option<UnseenStars> {
        let radius_px = WHOLE_STAR_FWHM * self.passing.fwhm_px;
        self.in_circles(radius_px, |field, r| passing::unseen_stars(field, &self.passing, r))
    }

    /// What stars leave in circles of a radius away from the comet.
    fn scatter_of_circles(&self, radius_px: f64, model_share: Option<f64>) -> Option<FieldScatter> {
        self.in_circles(radius_px, |field, r| passing::field_scatter(field, &self.passing, r, model_share))
    }

    /// Measures in circles away from the comet, of a radius for which there is room.
    fn in_circles<T>(&self, radius_px: f64, measure: impl Fn(&Field, f64) -> Option<T>) -> Option<T> {
        if self.passing.steps.is_empty() {
            return None;
        }
        let stacked = &self.comet.stacked;
        let side = stacked.image.width.min(stacked.image.height) as f64;
        let field = Field {
            image: &stacked.image,
            variance: &stacked.variance,
            mask: &stacked.mask,
            correlation: self.comet.correlation,
            centre_px: self.centre_px,
            coma: &self.fill,
            keep_out_px: CIRCLES_OUTSIDE_FWHM * self.kernel.map_or(3.0, |k| k.fwhm_px()),
        };
        measure(&field, radius_px.min(CIRCLE_SHARE * side))
    }

    fn circle(&self, radius_px: f64) -> Circle {
        Circle { x_px: self.centre_px.0, y_px: self.centre_px.1, radius_px }
    }

    /// The coma's light per pixel at the stack's edge, where it stands clear of what noise and flat field alone leave in the
    /// sky: the coma fills the stack.
    pub fn coma_at_edge(&self) -> Option<f64> {
        let sky = self.sky?;
        (sky.coma_at_edge > FILLS_SIGMA * sky.level_sigma_without_coma).then_some(sky.coma_at_edge)
    }

    /// The rotational gradient that the page shows.
    ///
    /// # Errors
    /// None that the measured centre can cause.
    pub fn rotational_gradient(&self) -> Result<Image, Failure> {
        page_gradient(&self.comet.stacked.image, self.centre_px)
    }
}

/// The gradient of the page, of the night and of its twin: that by which artefacts are told.
pub const PAGE_GRADIENT: GradientConfig = GradientConfig { rotation_deg: ROTATION_DEG, radial_shift_px: 0.0 };

/// That gradient of an image on the stack's grid.
///
/// # Errors
/// None that the measured centre can cause.
pub fn page_gradient(image: &Image, (x_px, y_px): (f64, f64)) -> Result<Image, Failure> {
    enhance::rotational_gradient(image, PixelXy { x_px, y_px }, &PAGE_GRADIENT).map_err(Failure::data)
}
