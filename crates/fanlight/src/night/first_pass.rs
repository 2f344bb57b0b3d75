//! The first look at every frame: calibrated, its stars measured, tied to the catalogue, the comet found, and laid
//! onto the grid of the star-registered stack.

use super::combine::Layers;
use super::expected::Expected;
use super::frame_pixels::FramePixels;
use super::inputs::Light;
use super::stack_noise::StackNoise;
use super::{ready_made, tie, window};

use crate::messages;
use fanlight_coma::calibrate::{self, Calibrated, Detector, Masters, Raw};
use fanlight_coma::double_images::{DoubleImages, double_images};
use fanlight_coma::lines::{self, Direction};
use fanlight_coma::measure::{self, FrameMeasure, Looks, MeasureConfig, PowerLaw, RingProfile};
use fanlight_coma::register::{self, CentroidConfig, Vote};
use fanlight_coma::zero_point::{self, FrameFluxes, Standard, Target};
use fanlight_coma::{ComaError, stack};
use fanlight_image::cosmic::{self, CosmicConfig};
use fanlight_image::moffat::{self, FluxFitConfig, NoiseModel, ShapeFit, StarImage, StarWidth};
use fanlight_image::resample;
use fanlight_image::robust;
use fanlight_image::{Image, Mask, PixelBox, flag, pixels_within};
use fanlight_io::{CatalogueStar, FrameFile};
use fanlight_sky::{ImageStar, PixelXy, SkyPosition, Solution, Wcs};
use rayon::prelude::*;
use std::path::Path;

/// What every frame of the night needs.
pub struct Context<'a> {
    /// Masters of the night.
    pub masters: &'a Masters,
    /// How the frames are read.
    pub pixels: &'a FramePixels,
    /// The camera, as the images that are read show it.
    pub detector: Detector,
    /// The lines of every frame, rows or columns or both, that are levelled.
    pub levelled: &'a [Direction],
    /// Side of the part of every frame that is used.
    pub window_side_px: usize,
    /// The noise of the only frame, where that is a ready-made stack.
    pub stack: Option<&'a StackNoise>,
    /// Where the comet is expected.
    pub expected: Expected<'a>,
    /// Whether the mount is said to have followed the comet.
    pub follows_comet: bool,
    /// Catalogue stars of the night's band, at the night's epoch; empty without a catalogue.
    pub field: &'a [FieldEntry],
}

/// A catalogue star at the night's epoch.
#[derive(Debug, Clone, Copy)]
pub struct FieldEntry {
    /// Its place.
    pub place: SkyPosition,
    /// Error of the place per axis, where the catalogue states one.
    pub place_sigma_arcsec: Option<f64>,
    /// Its brightness.
    pub standard: Standard,
}

impl FieldEntry {
    /// A catalogue star's entry, `magnitude` that in the night's band with its error, `colour` the columns of the two bands.
    pub fn new(
        star: &CatalogueStar,
        epoch_yr: f64,
        magnitude: (f64, Option<f64>),
        colour: Option<(usize, usize)>,
    ) -> Self {
        let (magnitude, magnitude_err) = magnitude;
        let magnitude_in = |i: usize| star.mags.get(i).copied().flatten().map(|m| m.0);
        let colour = colour.and_then(|(blue, red)| Some(magnitude_in(blue)? - magnitude_in(red)?));
        let standard = Standard { magnitude, magnitude_err, colour };
        let place_sigma_arcsec = star.place_err_mas.map(|mas| mas / 1000.0);
        Self { place: star.position_at(epoch_yr), place_sigma_arcsec, standard }
    }
}

/// What the first look found in one frame.
pub struct FirstLook {
    /// The frame.
    pub light: Light,
    /// The part of the frame that is used.
    pub window: PixelBox,
    /// The WCS of the whole frame, tied to the catalogue where that was possible.
    pub wcs: Wcs,
    /// How the window's WCS was tied to the catalogue; absent where it could not be.
    pub solution: Option<Solution>,
    /// Ephemeris place.
    pub predicted: SkyPosition,
    /// Where the comet was sought.
    pub expected: SkyPosition,
    /// The place measured, with its vote.
    pub place: Option<(SkyPosition, Vote)>,
    /// Condensations near the expected place, (east, north) arcsec from the ephemeris place, brightest first.
    pub candidates_arcsec: Vec<(f64, f64)>,
    /// The brightest sources of the part that is used, stars and whatever looks like one, and the condensations.
    pub sources: Vec<SkyPosition>,
    /// Sky level, electrons per pixel and exposure.
    pub sky_e: f64,
    /// Variance of a pixel on the sky, electrons squared.
    pub sky_variance_e2: f64,
    /// How its brightest stars repeat, where they do.
    pub double: Option<DoubleImages>,
    /// Pixel scale at the comet.
    pub scale_arcsec: f64,
    /// Star image.
    pub shape: Option<ShapeFit>,
    /// Widths of stars, each alone, by their places in the window.
    pub widths: Vec<StarWidth>,
    /// Coma over the sky level in rings, electrons per pixel and exposure.
    pub coma: RingProfile,
    /// Stars found.
    pub n_stars: usize,
    /// Standards measured.
    pub fluxes: FrameFluxes,
    /// Pixels struck by cosmic rays, by their place in the window's storage.
    pub cosmic_rays: Vec<u32>,
    /// Whether a pixel within half a star's width of the comet is saturated; not where frames do not tell where it is.
    pub saturated_centre: bool,
}

impl FirstLook {
    /// The WCS of the window's own pixels.
    pub fn window_wcs(&self) -> Wcs {
        self.wcs.shifted(-(self.window.x0 as f64), -(self.window.y0 as f64))
    }

    /// Width of its stars; absent where none could be fitted.
    pub fn fwhm_arcsec(&self) -> Option<f64> {
        Some(self.shape.as_ref()?.shape.fwhm_px() * self.scale_arcsec)
    }

    /// Error per axis of the WCS at a pixel of the window, by the fit to the catalogue or as assumed of an untied one.
    pub fn wcs_sigma_px(&self, at: PixelXy) -> f64 {
        self.solution.as_ref().map_or(UNTIED_WCS_SIGMA_PX, |s| s.sigma_at(at) / self.scale_arcsec)
    }
}

/// A star width to look for before anything is known, arcsec. Common seeing of small observatories.
pub const FIRST_FWHM_ARCSEC: f64 = 3.5;

/// That width in pixels, within what can be told from a hot pixel and what is still a star.
pub fn first_fwhm_px(scale_arcsec: f64) -> f64 {
    (FIRST_FWHM_ARCSEC / scale_arcsec).clamp(1.8, 8.0)
}

/// How far from its expected place the comet is sought.
pub const SEARCH_ARCSEC: f64 = 30.0;
/// Brightest catalogue stars measured per frame.
const MAX_STANDARDS: usize = 150;
/// Cosmic rays are flagged above this many sigmas of their Laplacian.
const COSMIC_SIGMA: f64 = 6.0;

/// Star width told to the cosmic-ray search as a share of the expected one: told too wide, it takes the cores of narrower
/// stars for cosmic rays; told too narrow, it only misses the faintest.
const COSMIC_WIDTH_SHARE: f64 = 0.75;
const COSMIC_MIN_FWHM_PX: f64 = 1.6;

/// Reads and calibrates the part of a frame that is used.
///
/// # Errors
/// Why the frame cannot be used.
pub fn read_calibrated(light: &Light, area: PixelBox, context: &Context) -> Result<Calibrated, String> {
    let image = context.pixels.light(&light.file, area)?;
    let raw = Raw { image: &image, corner_px: (area.x0, area.y0), exposure_s: light.exposure_s };
    let mut frame = calibrate::calibrate(&raw, context.masters, &context.detector).map_err(|e| e.to_string())?;
    if let Some(noise) = context.stack {
        noise.put_on(&mut frame, area, context.detector.gain_e_per_adu);
    }
    context.levelled.iter().for_each(|direction| lines::level(&mut frame, *direction));
    Ok(frame)
}

/// Flags cosmic rays, the surroundings of the nucleus excepted, and returns which pixels they are.
fn flag_cosmic_rays(frame: &mut Calibrated, nucleus_px: (f64, f64), fwhm_px: f64) -> Result<Vec<u32>, String> {
    let sky_variance = measure::typical_variance(&frame.variance_e2);
    let config = CosmicConfig {
        noise: NoiseModel { sky_variance, variance_per_unit: 1.0 },
        threshold_sigma: COSMIC_SIGMA,
        fwhm_px: (COSMIC_WIDTH_SHARE * fwhm_px).max(COSMIC_MIN_FWHM_PX),
        protect: Some((nucleus_px.0, nucleus_px.1, 4.0 * fwhm_px)),
    };
    cosmic::flag_cosmic_rays(&frame.image_e, &mut frame.mask, &config).map_err(|e| e.to_string())?;
    let flagged = frame.mask.bits.iter().enumerate().filter(|(_, b)| **b & flag::COSMIC_RAY != 0);
    Ok(flagged.map(|(i, _)| i as u32).collect())
}

/// What is known before a frame is looked at.
#[derive(Clone, Copy, Default)]
pub struct Known<'a> {
    /// Offset of the comet from the ephemeris, (east, north) arcsec, as several frames together show it.
    pub offset_arcsec: Option<(f64, f64)>,
    /// Grid of the star-registered stack, to lay the frame on.
    pub grid: Option<&'a StarGrid>,
}

const OTHER_SIDE: &str = "the ephemeris puts the comet on the other side of the sky from this frame";

/// How far a place is from the middle of a frame, by the header's WCS.
fn from_middle_deg(light: &Light, place: SkyPosition) -> f64 {
    let middle = PixelXy { x_px: 0.5 * light.file.width as f64, y_px: 0.5 * light.file.height as f64 };
    light.wcs.sky_from_pixel(middle).separation_arcsec(&place) / 3600.0
}

/// Looks at one frame. With a grid, the frame is also laid onto it for the star-registered stack.
///
/// # Errors
/// Why the frame cannot be used.
pub fn look(light: &Light, context: &Context, known: Known) -> Result<(FirstLook, Option<Layers>), String> {
    let predicted = context.expected.orbit_place(light.mid).map_err(|e| e.to_string())?;
    let sought = context.expected.place(light.mid).map_err(|e| e.to_string())?;
    let expected = known.offset_arcsec.map_or(sought, |(east, north)| predicted.offset_by_arcsec(east, north));
    let header_px = light
        .wcs
        .pixel_from_sky(expected)
        .map_err(|_| format!("{OTHER_SIDE}, {:.0}° from its middle", from_middle_deg(light, expected)))?;
    let (width, height) = (light.file.width, light.file.height);
    let scale_arcsec = light.wcs.pixel_scale_arcsec(header_px);
    let inside =
        |p: PixelXy| p.x_px >= 0.0 && p.y_px >= 0.0 && p.x_px <= width as f64 - 1.0 && p.y_px <= height as f64 - 1.0;
    if !inside(header_px) {
        let outside = ComaError::CometOutside { x_px: header_px.x_px, y_px: header_px.y_px, width, height };
        return Err(format!("{outside}, {:.2}° from its middle", from_middle_deg(light, expected)));
    }
    let fwhm_px = first_fwhm_px(scale_arcsec);
    let window = window::of(light, sought, context.window_side_px).ok_or(OTHER_SIDE)?;
    let mut frame = read_calibrated(light, window, context)?;
    // the window's own pixels from here on; `near` is the light as the window sees it
    let (x0, y0) = (window.x0 as f64, window.y0 as f64);
    let file = FrameFile { width: window.width(), height: window.height(), ..light.file.clone() };
    let near = Light { file, wcs: light.wcs.shifted(-x0, -y0), ..light.clone() };
    let comet_px = (header_px.x_px - x0, header_px.y_px - y0);
    // in a stack of many frames few are left, and noise that pixels share looks like them
    let cosmic_rays =
        if context.stack.is_some() { Vec::new() } else { flag_cosmic_rays(&mut frame, comet_px, fwhm_px)? };
    let search_arcsec = if known.offset_arcsec.is_some() { NARROW_SEARCH_ARCSEC } else { SEARCH_ARCSEC };
    let trail_px = context.follows_comet.then(|| motion_px(&near, context)).flatten();
    let config = MeasureConfig { comet_px, search_px: search_arcsec / scale_arcsec, fwhm_px, trail_px };
    let mut measured = measure::measure(&frame, &config);
    let found = star_places(&frame, &measured, fwhm_px);
    // trails, or what a stack's maker left of them, match catalogue stars by chance
    let can_be_tied = context.stack.is_none() || ready_made::are_round(measured.shape.as_ref());
    let tie = || tie::tied(&near.wcs, (near.file.width, near.file.height), &found, context.field);
    let solution = match can_be_tied.then(tie) {
        Some(Err(reason)) => {
            tracing::debug!("{}: not tied to the catalogue: {reason}", light.file.name);
            None
        }
        tied => tied.and_then(Result::ok),
    };
    let wcs = solution.as_ref().map_or(&near.wcs, |s| &s.wcs);
    let comet_px = wcs.pixel_from_sky(expected).map_err(|e| e.to_string())?;
    let mut start = measured.centre_px;
    if known.offset_arcsec.is_some() {
        let away = (start.0 - comet_px.x_px).hypot(start.1 - comet_px.y_px);
        start = (comet_px.x_px, comet_px.y_px);
        // the coma was taken off about a star or a place that the header's WCS had wrong
        if away > REMEASURE_PX {
            tracing::debug!("{}: measured again, the first time {away:.1} px off the comet", light.file.name);
            measured = measure::measure(&frame, &MeasureConfig { comet_px: start, search_px: 0.0, ..config });
        }
    }
    let candidates_arcsec: Vec<(f64, f64)> = measured
        .condensations_px
        .iter()
        .map(|(x, y)| predicted.tangent_offset_arcsec(&wcs.sky_from_pixel(PixelXy { x_px: *x, y_px: *y })))
        .collect();
    let shape = measured.shape;
    let fwhm_px = shape.as_ref().map_or(fwhm_px, |s| comet_width_px(&s.shape));
    let fluxes = shape.as_ref().filter(|_| can_be_tied).map_or_else(FrameFluxes::default, |s| {
        standards_in(&frame, &measured.flattened, s, wcs, context, &near, start)
    });
    let saturated_centre = known.offset_arcsec.is_some() && is_saturated(&frame.mask, start, 0.5 * fwhm_px);
    let layers = known.grid.map(|g| lay_on_stars(&frame, measured.sky_e, light.exposure_s, wcs, g));
    let mut look = FirstLook {
        light: light.clone(),
        window,
        // and back to the frame's pixels
        wcs: wcs.shifted(x0, y0),
        predicted,
        expected: sought,
        place: None,
        sources: sources(wcs, &measured),
        candidates_arcsec,
        sky_e: measured.sky_e,
        sky_variance_e2: measure::typical_variance(&frame.variance_e2),
        double: double_images(
            &found.iter().map(|f| (f.x_px, f.y_px, f.flux)).collect::<Vec<_>>(),
            double_reach_px(scale_arcsec),
        ),
        scale_arcsec,
        shape,
        widths: measured.widths,
        coma: measured.coma,
        n_stars: found.len(),
        fluxes,
        cosmic_rays,
        saturated_centre,
        solution,
    };
    look.place = place_of_comet(&frame, &look, start, fwhm_px);
    Ok((look, layers))
}

/// Whether a pixel within a distance of a place is saturated.
fn is_saturated(mask: &Mask, place_px: (f64, f64), within_px: f64) -> bool {
    pixels_within(place_px, within_px.max(1.0), (mask.width, mask.height))
        .any(|(x, y)| mask.bits[y * mask.width + x] & flag::SATURATED != 0)
}

/// Width of the condensation's image: that of the stars, or of the seeing under trails so long that only a mount that
/// followed the comet makes them.
pub fn comet_width_px(shape: &StarImage) -> f64 {
    let looks = looks_of(shape);
    if looks.are_trails() { looks.fwhm_px } else { shape.fwhm_px() }
}

/// What stars of a shape look like.
pub fn looks_of(shape: &StarImage) -> Looks {
    Looks { fwhm_px: shape.seeing().fwhm_px(), trail_px: shape.trail_px() }
}

/// Path of the comet during an exposure over pixels that stand still on the sky.
fn motion_px(light: &Light, context: &Context) -> Option<(f64, f64)> {
    let at = |seconds: f64| {
        let place = context.expected.orbit_place(light.mid.plus_seconds(seconds)).ok()?;
        light.wcs.pixel_from_sky(place).ok()
    };
    let (from, to) = (at(-0.5 * light.exposure_s)?, at(0.5 * light.exposure_s)?);
    Some((to.x_px - from.x_px, to.y_px - from.y_px))
}

/// The comet's centroid in a frame's window, its place on the sky, and its vote on the night's offset.
pub fn place_of_comet(
    frame: &Calibrated,
    look: &FirstLook,
    start_px: (f64, f64),
    fwhm_px: f64,
) -> Option<(SkyPosition, Vote)> {
    let config = CentroidConfig { x_px: start_px.0, y_px: start_px.1, fwhm_px };
    let p = register::centroid(&frame.image_e, &frame.variance_e2, &frame.mask, config).ok()?;
    let at = PixelXy { x_px: p.x_px, y_px: p.y_px };
    let sky = look.window_wcs().sky_from_pixel(at);
    let (east_arcsec, north_arcsec) = look.predicted.tangent_offset_arcsec(&sky);
    let photon_px = (0.5 * (p.x_sigma_px.powi(2) + p.y_sigma_px.powi(2))).sqrt();
    let sigma_px = (photon_px.powi(2) + look.wcs_sigma_px(at).powi(2) + SUBPIXEL_SIGMA_PX.powi(2)).sqrt();
    Some((sky, Vote { east_arcsec, north_arcsec, sigma_arcsec: look.scale_arcsec * sigma_px }))
}

/// How far apart second images are looked for: a mount that jumps further has lost the field.
fn double_reach_px(scale_arcsec: f64) -> f64 {
    (60.0 / scale_arcsec).min(60.0)
}

/// How far from the offset that the frames share the comet is sought: the error of a header's WCS.
const NARROW_SEARCH_ARCSEC: f64 = 8.0;
/// A coma taken off about a place further off than this is taken off again.
const REMEASURE_PX: f64 = 1.5;
/// Error per axis of any centroid on a pixel grid, from sub-pixel response and a coma that is not symmetric in one frame.
const SUBPIXEL_SIGMA_PX: f64 = 0.015;

/// Places of the frame's stars: by the star image for the brightest, by their centroids for the rest.
fn star_places(frame: &Calibrated, measured: &FrameMeasure, fwhm_px: f64) -> Vec<ImageStar> {
    let noise = NoiseModel { sky_variance: measure::typical_variance(&frame.variance_e2), variance_per_unit: 1.0 };
    measured
        .detections
        .par_iter()
        .enumerate()
        .filter(|(_, d)| !d.saturated)
        .map(|(i, d)| {
            let sigma_px = tie::centroid_sigma_px(fwhm_px, d.significance);
            let mut found = ImageStar { x_px: d.x_px, y_px: d.y_px, flux: d.flux, sigma_px };
            if let (Some(s), true) = (&measured.shape, i < FITTED_PLACES) {
                let fwhm_px = s.shape.seeing().fwhm_px();
                let slack_px = 0.5 * fwhm_px + 0.1 * s.shape.trail_length_px();
                let config = FluxFitConfig { radius_px: (1.5 * fwhm_px).max(2.5), noise, free_centre: true };
                let fit = moffat::fit_flux(&measured.flattened, &frame.mask, &s.shape, d.x_px, d.y_px, &config);
                if let Ok(fit) = fit
                    && (fit.x_px - d.x_px).hypot(fit.y_px - d.y_px) < slack_px
                {
                    (found.x_px, found.y_px) = (fit.x_px, fit.y_px);
                    if let (Some(x), Some(y)) = (fit.x_sigma_px, fit.y_sigma_px) {
                        found.sigma_px = (0.5 * (x * x + y * y)).sqrt().hypot(SUBPIXEL_SIGMA_PX);
                    }
                }
            }
            found
        })
        .collect()
}

/// The brightest sources and the condensations of a frame's window.
fn sources(wcs: &Wcs, measured: &FrameMeasure) -> Vec<SkyPosition> {
    let on_sky = |x_px, y_px| wcs.sky_from_pixel(PixelXy { x_px, y_px });
    let detections = measured.detections.iter().take(MAX_SOURCES).map(|d| on_sky(d.x_px, d.y_px));
    detections.chain(measured.condensations_px.iter().map(|(x, y)| on_sky(*x, *y))).collect()
}

/// Sources remembered of a frame: a comet worth measuring is among the brightest.
const MAX_SOURCES: usize = 250;

/// Stars whose places are fitted: as many as a tie can use.
const FITTED_PLACES: usize = 150;

/// What a few frames over the night show together.
pub struct Preview {
    /// The offset from the ephemeris that they share; `None` where they share none.
    pub offset_arcsec: Option<(f64, f64)>,
    /// The tied WCS of the frame nearest the middle of the night; `None` where none of the few could be measured.
    pub middle_wcs: Option<Wcs>,
    /// Stars found per pixel, the median of the few; `None` where none could be measured.
    pub stars_per_px: Option<f64>,
    /// Per frame that shows it: how the coma falls outward, and the sky under it, electrons per pixel and exposure.
    pub comae: Vec<(PowerLaw, f64)>,
}

/// Looks at a few frames over the night.
pub fn preview(lights: &[Light], context: &Context) -> Preview {
    let step = lights.len().div_ceil(OFFSET_FRAMES).max(1);
    let chosen: Vec<&Light> = lights.iter().skip(step / 2).step_by(step).collect();
    let looks: Vec<FirstLook> = chosen
        .chunks(lights.first().map_or(1, |l| frames_at_once((l.file.width, l.file.height))))
        .flat_map(|pair| pair.par_iter().map(|l| look(l, context, Known::default())).collect::<Vec<_>>())
        .filter_map(|r| r.ok().map(|(look, _)| look))
        .collect();
    let tolerance_arcsec = shared_tolerance_arcsec(looks.iter().map(|l| l.scale_arcsec).fold(0.0, f64::max));
    let middle_wcs = looks.get(looks.len() / 2).map(|l| l.wcs.clone());
    let density = |l: &FirstLook| l.n_stars as f64 / (l.window.width() * l.window.height()) as f64;
    let stars_per_px = robust::median_f64(&mut looks.iter().map(density).collect::<Vec<f64>>());
    let comae = looks.iter().filter_map(|l| Some((l.coma.power_law()?, l.sky_e))).collect();
    let candidates: Vec<Vec<(f64, f64)>> = looks.into_iter().map(|l| l.candidates_arcsec).collect();
    let offset_arcsec = register::shared_offset(&candidates, tolerance_arcsec);
    Preview { offset_arcsec, middle_wcs, stars_per_px, comae }
}

/// How far apart condensations that frames share may be: peaks are known to the pixel.
pub fn shared_tolerance_arcsec(scale_arcsec: f64) -> f64 {
    (2.0 * scale_arcsec).max(2.0)
}

/// Frames that show the offset: enough that a star cannot pass for the comet in half of them.
const OFFSET_FRAMES: usize = 5;

/// Error assumed for a header's WCS that could not be tied to the catalogue, per axis.
const UNTIED_WCS_SIGMA_PX: f64 = 0.3;

/// Fluxes of the frame's lone catalogue stars.
fn standards_in(
    frame: &Calibrated,
    flattened: &Image,
    shape: &ShapeFit,
    wcs: &Wcs,
    context: &Context,
    light: &Light,
    comet_px: (f64, f64),
) -> FrameFluxes {
    let fwhm_px = shape.shape.seeing().fwhm_px();
    let edge = 3.0 * fwhm_px + 0.5 * shape.shape.trail_length_px();
    let (width, height) = (light.file.width as f64, light.file.height as f64);
    let mut inside: Vec<(usize, PixelXy, f64)> = context
        .field
        .iter()
        .enumerate()
        .filter_map(|(i, e)| {
            let p = wcs.pixel_from_sky(e.place).ok()?;
            let on = p.x_px > edge && p.y_px > edge && p.x_px < width - edge && p.y_px < height - edge;
            on.then_some((i, p, e.standard.magnitude))
        })
        .collect();
    inside.sort_by(|a, b| a.2.total_cmp(&b.2).then(a.0.cmp(&b.0)));
    let target = |(standard, p, magnitude): &(usize, PixelXy, f64)| Target {
        standard: *standard,
        x_px: p.x_px,
        y_px: p.y_px,
        magnitude: *magnitude,
    };
    let everyone: Vec<Target> = inside.iter().map(target).collect();
    let targets: Vec<Target> = inside
        .iter()
        .filter(|(_, p, _)| {
            let away = shape.shape.distance_px(p.x_px - comet_px.0, p.y_px - comet_px.1);
            away > measure::COMET_KEEP_OUT_FWHM * fwhm_px
        })
        .filter(|(_, p, _)| core_is_good(&frame.mask, p, fwhm_px))
        .filter(|(i, p, magnitude)| neighbour_share(&inside, *i, p, *magnitude, &shape.shape) < MAX_NEIGHBOUR_SHARE)
        .take(MAX_STANDARDS)
        .map(target)
        .collect();
    let sky_variance = measure::typical_variance(&frame.variance_e2);
    let noise = NoiseModel { sky_variance, variance_per_unit: 1.0 };
    zero_point::star_fluxes(flattened, &frame.mask, &shape.shape, &targets, &everyone, noise, light.exposure_s)
}

/// A standard whose catalogued neighbours within 2.5 widths give more of its light than this is not used.
const MAX_NEIGHBOUR_SHARE: f64 = 0.02;

fn neighbour_share(stars: &[(usize, PixelXy, f64)], of: usize, at: &PixelXy, magnitude: f64, shape: &StarImage) -> f64 {
    let reach_px = 2.5 * shape.seeing().fwhm_px();
    let furthest_px = reach_px + 0.5 * shape.trail_length_px();
    let near = |p: &PixelXy| {
        let (dx, dy) = (p.x_px - at.x_px, p.y_px - at.y_px);
        dx.abs() < furthest_px && dy.abs() < furthest_px && shape.distance_px(dx, dy) < reach_px
    };
    let others = stars.iter().filter(|(i, p, _)| *i != of && near(p));
    others.map(|(_, _, m)| 10f64.powf(-0.4 * (m - magnitude))).sum()
}

fn core_is_good(mask: &Mask, at: &PixelXy, fwhm_px: f64) -> bool {
    PixelBox::around(at.x_px, at.y_px, fwhm_px, mask.width, mask.height)
        .is_some_and(|b| (b.y0..b.y1).all(|y| (b.x0..b.x1).all(|x| mask.is_good(x, y))))
}

/// The grid of the star-registered stack: pixels of one frame.
pub struct StarGrid {
    /// Its WCS.
    pub wcs: Wcs,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

fn lay_on_stars(frame: &Calibrated, sky_e: f64, exposure_s: f64, wcs: &Wcs, grid: &StarGrid) -> Layers {
    let at = |x: f64, y: f64| stack::pixel_or_nowhere(wcs, grid.wcs.sky_from_pixel(PixelXy { x_px: x, y_px: y }));
    let middle = PixelXy { x_px: 0.5 * grid.width as f64, y_px: 0.5 * grid.height as f64 };
    let ratio = (grid.wcs.pixel_scale_arcsec(middle) / wcs.pixel_scale_arcsec(middle)).powi(2);
    let placement = stack::place(at, ratio, grid.width, grid.height);
    lay(frame, sky_e, exposure_s, &placement, grid.width, grid.height)
}

/// Samples a frame onto a grid, in electrons per second and grid pixel, the sky level taken off.
pub fn lay(
    frame: &Calibrated,
    sky_e: f64,
    exposure_s: f64,
    placement: &stack::Placement,
    width: usize,
    height: usize,
) -> Layers {
    let input = resample::Frame { image: &frame.image_e, variance: &frame.variance_e2, mask: &frame.mask };
    let sampled = resample::lanczos3(&input, &placement.mapping, width, height);
    let scale = (placement.area_ratio / exposure_s) as f32;
    let sky = sky_e as f32;
    let mut values = sampled.image.data;
    let mut variances = sampled.variance.data;
    values.par_iter_mut().zip(&mut variances).zip(&sampled.mask.bits).for_each(|((v, s), bits)| {
        if *bits == 0 {
            *v = (*v - sky) * scale;
            *s *= scale * scale;
        } else {
            *v = f32::NAN;
            *s = f32::NAN;
        }
    });
    Layers { values, variances }
}

/// Looks at all frames, two at a time, in order of time; what cannot be used comes back with its reason.
///
/// # Errors
/// When the scratch file cannot be written.
pub fn look_at_all(
    lights: &[Light],
    context: &Context,
    preview: &Preview,
    grid: &StarGrid,
    scratch: &Path,
) -> Result<(Vec<Result<FirstLook, String>>, fanlight_io::Spool), crate::Failure> {
    let spool = fanlight_io::Spool::new(scratch, lights.len(), grid.width, grid.height)
        .map_err(super::combine::scratch_failure)?;
    let known = Known { offset_arcsec: preview.offset_arcsec, grid: Some(grid) };
    let bar = messages::bar(lights.len(), "measuring frames");
    let mut looks = Vec::with_capacity(lights.len());
    let at_once = frames_at_once((grid.width, grid.height));
    let indexed: Vec<(usize, &Light)> = lights.iter().enumerate().collect();
    for several in indexed.chunks(at_once) {
        let look_and_spool = |(index, light): &(usize, &Light)| match look(light, context, known) {
            Ok((look, layers)) => {
                if let Some(l) = layers {
                    spool.append_frame(*index, l.values, &l.variances).map_err(super::combine::scratch_failure)?;
                }
                tracing::debug!(
                    "{}: {} standards, tied {}, cosmic-ray pixels {}",
                    look.light.file.name,
                    look.fluxes.stars.len(),
                    look.solution.is_some(),
                    look.cosmic_rays.len()
                );
                bar.inc(1);
                Ok(Ok(look))
            }
            Err(reason) => {
                tracing::debug!("{}: left out: {reason}", light.file.name);
                bar.inc(1);
                Ok(Err(reason))
            }
        };
        looks.extend(several.par_iter().map(look_and_spool).collect::<Result<Vec<_>, crate::Failure>>()?);
    }
    bar.finish_and_clear();
    Ok((looks, spool))
}

/// Frames handed out at one time. Of many small parts of frames (one of 1024² takes about 30 MB while it is worked on) some are
/// in work and the others wait, which keeps all cores busy; larger ones come two at a time.
pub fn frames_at_once(size: (usize, usize)) -> usize {
    const SMALL_PX: usize = 6_000_000;
    if size.0 * size.1 <= SMALL_PX { 32 } else { 2 }
}
