//! The field's stars: found in the star-registered stack, taken out of every frame before the comet is stacked.

use crate::measure::{Looks, RingProfile};
use crate::star_or_coma::{DrawnOut, OF_COMA, StarOrComa, is_of};
use crate::stars_by_place::{Near, StarsByPlace};
use crate::wings::{self, NoWings, WingSearch, Wings};
use fanlight_image::background::{self, MeshConfig};
use fanlight_image::detect::{self, DetectConfig, Detection};
use fanlight_image::moffat::{self, FieldShape, FluxFitConfig, NoiseModel, Painter, StarImage};
use fanlight_image::trails::{self, TrailConfig};
use fanlight_image::{Image, Mask, flag, robust};
use rayon::prelude::*;
use std::collections::HashSet;

/// A star with its place and its light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldStar {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Total light, in the image's unit.
    pub flux: f64,
}

impl FieldStar {
    /// Distance to another.
    pub(crate) fn away_px(&self, other: &Self) -> f64 {
        (self.x_px - other.x_px).hypot(self.y_px - other.y_px)
    }
}

/// The star-registered stack as the search sees it.
#[derive(Debug, Clone, Copy)]
pub struct StarStack<'a> {
    /// Sky near zero; the comet drawn out along its path still in it.
    pub image: &'a Image,
    /// Variance of each pixel.
    pub variance: &'a Image,
    /// Flags.
    pub mask: &'a Mask,
    /// Star image of the stack.
    pub shape: &'a StarImage,
    /// Where the comet stood in each frame, in the stack's pixels.
    pub comet_path_px: &'a [(f64, f64)],
    /// The coma's mean azimuthal median.
    pub coma: &'a RingProfile,
    /// Catalogue stars with the flux that their magnitude gives: the only witnesses where the condensation passed, and of stars that do not
    /// stand out.
    pub catalogue: &'a [FieldStar],
}

/// The field's stars and what they show beyond their fitted image.
#[derive(Debug, Clone)]
pub struct FieldStars {
    /// The stars.
    pub stars: Vec<FieldStar>,
    /// Their wings, or why none are known; absent under trails, where they are not sought.
    pub wings: Option<Result<Wings, NoWings>>,
}

/// Stars are sought above this many sigmas of the stack's local noise.
pub const FIELD_SIGMA: f64 = 5.0;
/// A field is crowded where areas of so many squared star widths about its stars cover this share of it: only there stars hide others.
const STAR_AREA_FWHM2: f64 = 30.0;
const CROWDED: f64 = 0.3;
/// Passes in which stars of a crowded field are sought, each among what those of the passes before leave.
const PASSES: usize = 3;
/// Stars under so many times the coma's light about them may have its structure in what is fitted to them.
const IN_COMA: f64 = 3.0;
/// Stars of the catalogue under so many sigmas of the stack's noise do not matter.
const MISSED_SIGMA: f64 = 0.5;
/// What was found so near (in star widths) to a star of the catalogue may hold its light.
const BLENDED_FWHM: f64 = 1.5;
/// Most stars found; a frame of a dense field holds ten thousand.
const MAX_FIELD_STARS: usize = 20_000;

/// Finds and measures the stars of the star-registered stack.
///
/// The drawn-out coma is modelled from the frames' own ring medians and taken off first. Stars are measured from the
/// brightest down, each with the others taken off, twice over; what they leave is searched again for stars that they hid.
pub fn find_field_stars(stack: &StarStack) -> FieldStars {
    let mut work = stack.image.clone();
    let coma = DrawnOut::new(stack.comet_path_px, stack.coma);
    coma.take_off(&mut work);
    let cell_px = (work.width.min(work.height) / 10).clamp(24, 48);
    let mesh = MeshConfig { cell_px, kappa: 3.0, rounds: 5, filter_cells: 3, sample_step: 1 };
    let fwhm_px = stack.shape.seeing().fwhm_px();
    let looks = Looks { fwhm_px, trail_px: stack.shape.trail_px() };
    let with_level = (!looks.are_trails()).then(|| work.clone());
    // without a level the stack's own sky has to do
    let _ = background::take_off_level(&mut work, stack.mask, &mesh);
    let sky_variance = crate::measure::typical_variance(stack.variance);
    if !(sky_variance > 0.0) {
        return FieldStars { stars: Vec::new(), wings: None };
    }
    let level: Option<Vec<f32>> =
        with_level.map(|w| w.data.par_iter().zip(&work.data).map(|(with, without)| with - without).collect());
    let config = DetectConfig {
        noise: sky_variance.sqrt() as f32,
        fwhm_px,
        threshold_sigma: FIELD_SIGMA,
        max_sources: MAX_FIELD_STARS,
    };
    let detected = |work: &Image| match looks.are_trails() {
        true => trails::sources(
            work,
            stack.mask,
            &TrailConfig {
                noise: config.noise,
                fwhm_px,
                trail_px: looks.trail_px,
                threshold_sigma: FIELD_SIGMA,
                max_sources: MAX_FIELD_STARS,
            },
        ),
        false => detect::sources(work, stack.mask, &config),
    };
    let is_star = |d: &Detection| {
        let near = distance_to_path((d.x_px, d.y_px), stack.comet_path_px);
        let (x, y) = (d.x_px.round() as isize, d.y_px.round() as isize);
        let local = stack.variance.get(x, y).map_or(f64::INFINITY, f64::from);
        let significance = d.significance * (sky_variance / local.max(sky_variance)).sqrt();
        // under the drawn-out condensation itself what is left of the coma looks like stars
        near > NUCLEUS_KEEP_OUT_FWHM * fwhm_px && significance > FIELD_SIGMA
    };
    let judged = StarOrComa::new(stack, coma, sky_variance);
    let mut stars: Vec<FieldStar> = Vec::new();
    for pass in 0..PASSES {
        let taken = stars.len();
        let found = detected(&work);
        let new = found.iter().filter(|d| is_star(d)).map(|d| FieldStar { x_px: d.x_px, y_px: d.y_px, flux: d.flux });
        let beside = judged.taken(&stars);
        let new: Vec<FieldStar> = new.filter(|s| judged.is_star(&work, s, pass, &beside)).collect();
        stars.extend(new);
        if stars.len() == taken {
            break;
        }
        measure_in_turn(&mut work, stack.mask, stack.shape, &mut stars, taken, sky_variance);
        let covered_px2 = stars.len() as f64 * STAR_AREA_FWHM2 * fwhm_px * fwhm_px;
        if covered_px2 < CROWDED * (work.width * work.height) as f64 {
            break;
        }
    }
    stars.retain(|s| s.flux > 0.0);
    take_saturated_from_catalogue(&mut work, stack, &mut stars, &judged.known, sky_variance.sqrt());
    take_in_coma_from_catalogue(&mut work, stack, &mut stars, &judged, sky_variance.sqrt());
    take_missed_from_catalogue(&mut work, stack, &mut stars, &judged, sky_variance.sqrt());
    let wings = level.map(|level| {
        // a level read in cells of tens of pixels holds part of a halo
        work.data.par_iter_mut().zip(&level).for_each(|(w, l)| *w += l);
        let (shape, comet_path_px) = (stack.shape, stack.comet_path_px);
        let noise = sky_variance.sqrt();
        wings::measure(&WingSearch { residual: &work, mask: stack.mask, noise, shape, stars: &stars, comet_path_px })
    });
    FieldStars { stars, wings }
}

/// Stars whose cores are lost in every frame get the flux of their catalogue magnitude: what was found about the hole in
/// them is taken back.
fn take_saturated_from_catalogue(
    work: &mut Image,
    stack: &StarStack,
    stars: &mut Vec<FieldStar>,
    known: &StarsByPlace,
    noise: f64,
) {
    let fwhm_px = stack.shape.seeing().fwhm_px();
    let is_masked = |x: isize, y: isize| stack.image.index(x, y).map(|i| stack.mask.bits[i] != 0);
    let is_lost = |s: &FieldStar| {
        let (x, y) = (s.x_px.round() as isize, s.y_px.round() as isize);
        let lost = |(dx, dy): (isize, isize)| is_masked(x + dx, y + dy) == Some(true);
        [(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)].into_iter().filter(|d| lost(*d)).count() >= 3
    };
    let lost: Vec<FieldStar> = stack.catalogue.iter().filter(|s| is_lost(s)).copied().collect();
    if lost.is_empty() {
        return;
    }
    let Some(ratio) = over_catalogue(stars, known, fwhm_px) else { return };
    let painter = Painter::new(stack.shape);
    for star in &lost {
        let star = FieldStar { flux: ratio * star.flux, ..*star };
        let (x, y) = (star.x_px.round() as isize, star.y_px.round() as isize);
        let hole_px = (0..64).find(|r| is_masked(x + r, y) != Some(true)).unwrap_or(0);
        let reach_px = hole_px as f64 + 1.5 * fwhm_px;
        stars.retain(|s| {
            let of_hole = s.away_px(&star) < reach_px && s.flux < 3.0 * star.flux;
            if of_hole {
                painter.add(work, s.x_px, s.y_px, s.flux, render_radius_px(s.flux, stack.shape, noise));
            }
            !of_hole
        });
        painter.add(work, star.x_px, star.y_px, -star.flux, render_radius_px(star.flux, stack.shape, noise));
        stars.push(star);
    }
}

/// Fitted fluxes over the catalogue's, whose are total light, those of the fitted image not quite; `None` without a common star.
fn over_catalogue(stars: &[FieldStar], known: &StarsByPlace, fwhm_px: f64) -> Option<f64> {
    let ratio = |s: &FieldStar| Some(s.flux / known.nearest(s, 0.5 * fwhm_px)?.star.flux);
    let mut ratios: Vec<f64> = stars.iter().filter_map(ratio).take(100).collect();
    robust::median_f64(&mut ratios)
}

/// Stars in a coma that is as bright as they are, and whose own structure would count as theirs, get place and flux of the catalogue.
fn take_in_coma_from_catalogue(
    work: &mut Image,
    stack: &StarStack,
    stars: &mut [FieldStar],
    judged: &StarOrComa,
    noise: f64,
) {
    let fwhm_px = stack.shape.seeing().fwhm_px();
    let Some(ratio) = over_catalogue(stars, &judged.known, fwhm_px) else { return };
    let painter = Painter::new(stack.shape);
    let mut taken: HashSet<usize> = HashSet::new();
    for star in stars {
        let coma_light = judged.coma_light(star);
        if star.flux > IN_COMA * coma_light {
            continue;
        }
        let Some(own) = judged.known.nearest(star, fwhm_px) else { continue };
        let known = FieldStar { flux: ratio * own.star.flux, ..*own.star };
        // what a star's image left beside it is not that star again; more than the coma's own structure is another star with it
        let is_alone = is_of(star, &known) && (star.flux - known.flux).abs() < OF_COMA * coma_light;
        if !is_alone || !taken.insert(own.index) {
            continue;
        }
        let reach = |s: &FieldStar| render_radius_px(s.flux, stack.shape, noise);
        painter.add(work, star.x_px, star.y_px, star.flux, reach(star));
        painter.add(work, known.x_px, known.y_px, -known.flux, reach(&known));
        *star = known;
    }
}

/// Stars of the catalogue that were not found are there all the same: those that the condensation passed over, which were not looked for,
/// and those too deep in the coma or too faint to stand out. What was found close to one holds its light already.
fn take_missed_from_catalogue(
    work: &mut Image,
    stack: &StarStack,
    stars: &mut Vec<FieldStar>,
    judged: &StarOrComa,
    noise: f64,
) {
    let fwhm_px = stack.shape.seeing().fwhm_px();
    let ratio = over_catalogue(stars, &judged.known, fwhm_px).unwrap_or(1.0);
    let least_flux = MISSED_SIGMA * noise * judged.image_px2().sqrt();
    let blended_px = BLENDED_FWHM * fwhm_px + stack.shape.trail_length_px();
    let found = StarsByPlace::new(stars, blended_px);
    let is_on = |s: &FieldStar| stack.image.index(s.x_px.round() as isize, s.y_px.round() as isize).is_some();
    let is_missed = |s: &FieldStar| {
        let passed = distance_to_path((s.x_px, s.y_px), stack.comet_path_px) <= NUCLEUS_KEEP_OUT_FWHM * fwhm_px;
        // beside the strip that was not searched a found star is another one, unless it is as bright: its place is drawn aside by the coma
        let is_its = |n: Near| !passed || is_of(n.star, s);
        !found.near(s).any(is_its)
    };
    let scaled = stack.catalogue.iter().map(|s| FieldStar { flux: ratio * s.flux, ..*s });
    let missed: Vec<FieldStar> = scaled.filter(|s| is_on(s) && s.flux > least_flux).filter(is_missed).collect();
    let painter = Painter::for_many(stack.shape);
    for star in &missed {
        painter.add(work, star.x_px, star.y_px, -star.flux, render_radius_px(star.flux, stack.shape, noise));
    }
    stars.extend(missed);
}

/// No star is looked for this near (in star widths) to where the condensation passed.
pub const NUCLEUS_KEEP_OUT_FWHM: f64 = 2.0;

/// How near a place is to the nearest point of a path; infinite without one.
pub fn distance_to_path(point: (f64, f64), path: &[(f64, f64)]) -> f64 {
    path.iter().map(|p| (p.0 - point.0).hypot(p.1 - point.1)).fold(f64::INFINITY, f64::min)
}

/// Fits every star's flux with the others taken off, in two rounds; the first `taken` are already. What is left of the image stays in
/// `work`.
fn measure_in_turn(
    work: &mut Image,
    mask: &Mask,
    shape: &StarImage,
    stars: &mut [FieldStar],
    taken: usize,
    sky_variance: f64,
) {
    let fwhm_px = shape.seeing().fwhm_px();
    let radius_px = (1.5 * fwhm_px).max(2.5);
    let slack_px = 0.5 * fwhm_px + 0.1 * shape.trail_length_px();
    let painter = Painter::for_many(shape);
    let noise = NoiseModel { sky_variance, variance_per_unit: 0.0 };
    for round in 0..2 {
        for (i, star) in stars.iter_mut().enumerate() {
            let reach = render_radius_px(star.flux, shape, sky_variance.sqrt());
            if round > 0 || i < taken {
                painter.add(work, star.x_px, star.y_px, star.flux, reach);
            }
            // bright stars say where they are better than a first centroid does; faint ones would wander off
            let free_centre =
                star.flux > 30.0 * (sky_variance * fwhm_px * (fwhm_px + shape.trail_length_px())).sqrt() * 2.0;
            let config = FluxFitConfig { radius_px, noise, free_centre };
            match moffat::fit_flux(work, mask, shape, star.x_px, star.y_px, &config) {
                Ok(fit) if (fit.x_px - star.x_px).hypot(fit.y_px - star.y_px) < slack_px => {
                    *star = FieldStar { x_px: fit.x_px, y_px: fit.y_px, flux: fit.flux.value };
                }
                Ok(fit) => star.flux = fit.flux.value,
                Err(_) => {}
            }
            let reach = render_radius_px(star.flux, shape, sky_variance.sqrt());
            painter.add(work, star.x_px, star.y_px, -star.flux, reach);
        }
    }
}

/// Distance from a star's place, or from its trail, beyond which its wing is under a thirtieth of the noise; at least three
/// quarters of a width.
pub fn render_radius_px(flux: f64, shape: &StarImage, noise: f64) -> f64 {
    let limit = noise / 30.0;
    let seeing = shape.seeing();
    let least_px = 0.75 * seeing.fwhm_px();
    // a trail spreads the light over more places, of which one is the brightest
    let share = 1.0 / (1.0 + shape.trail_length_px() / (2.0 * seeing.fwhm_px()));
    let over = share * flux.abs() * seeing.density(0.0, 0.0) / limit;
    // where (1 + r²/α²)^−β has fallen by that factor; without noise, or without light, this is no number
    let square = over.powf(1.0 / seeing.beta) - 1.0;
    let radius_px = seeing.alpha_major_px() * square.sqrt();
    if radius_px > least_px { if radius_px < MOST_RENDER_PX { radius_px } else { MOST_RENDER_PX } } else { least_px }
}

/// No star's wing is followed further.
pub const MOST_RENDER_PX: f64 = 100.0;

/// What a frame's star model may get wrong, as a share of its brightness: where that would rise over the pixel's own
/// noise the pixel is flagged. Star images of one frame differ by a few per cent over the field.
pub const MODEL_ERROR: f64 = 0.04;

/// Step of the width of star images that are drawn, as a logarithm: by so much less than [`MODEL_ERROR`] it does not show.
const WIDTH_STEP: f64 = 0.01;

/// A star image of one width, ready to be drawn.
struct Brush {
    step: i32,
    density: Box<dyn Fn(f64, f64) -> f64>,
    painter: Painter,
}

impl Brush {
    /// The image so many steps wider than a typical one.
    fn new(typical: &StarImage, step: i32) -> Self {
        let own = if step == 0 { *typical } else { typical.widened((WIDTH_STEP * f64::from(step)).exp()) };
        // a table takes as long as some hundred stars, of which one width among many has fewer
        let painter = if step == 0 { Painter::for_many(&own) } else { Painter::new(&own) };
        Self { step, density: Box::new(own.density()), painter }
    }
}

/// Takes stars off a frame and flags pixels where what is left cannot be trusted.
///
/// Fluxes are in the frame's unit (electrons); each star has the width of its place, and wings where they are known.
/// Returns how many stars touched the frame.
pub fn remove_stars(
    image_e: &mut Image,
    variance_e2: &Image,
    mask: &mut Mask,
    (shape, wings): (&FieldShape, Option<&Wings>),
    stars: &[FieldStar],
) -> usize {
    let noise = crate::measure::typical_variance(variance_e2).sqrt();
    let mut brushes: Vec<Brush> = Vec::new();
    let half_trail_px = 0.5 * shape.typical().trail_length_px();
    let size = (image_e.width, image_e.height);
    let mut touched = 0;
    for star in stars {
        if let Some(wings) = wings.filter(|w| w.matter(star.flux, noise)) {
            wings.each_pixel(size, star, noise, |i, light, error| {
                image_e.data[i] -= light;
                if error * error > variance_e2.data[i] {
                    mask.bits[i] |= flag::STAR;
                }
            });
        }
        let reach = render_radius_px(star.flux, shape.typical(), noise);
        let margin = reach + half_trail_px;
        let inside = star.x_px > -margin
            && star.y_px > -margin
            && star.x_px < image_e.width as f64 + margin
            && star.y_px < image_e.height as f64 + margin;
        if !inside {
            continue;
        }
        touched += 1;
        let step = (shape.ln_factor(star.x_px, star.y_px) / WIDTH_STEP).round() as i32;
        let known = brushes.iter().position(|b| b.step == step).unwrap_or_else(|| {
            brushes.push(Brush::new(shape.typical(), step));
            brushes.len() - 1
        });
        let brush = &brushes[known];
        brush.painter.add(image_e, star.x_px, star.y_px, -star.flux, reach);
        flag_untrusted(variance_e2, mask, &brush.density, star, margin);
    }
    touched
}

fn flag_untrusted(
    variance_e2: &Image,
    mask: &mut Mask,
    density: impl Fn(f64, f64) -> f64,
    star: &FieldStar,
    reach: f64,
) {
    if MODEL_ERROR * star.flux * density(0.0, 0.0) < 1.0 {
        return;
    }
    let Some(area) = fanlight_image::PixelBox::around(star.x_px, star.y_px, reach, mask.width, mask.height) else {
        return;
    };
    for (x, y) in area.pixels() {
        let model = star.flux * density(x as f64 - star.x_px, y as f64 - star.y_px);
        let i = y * mask.width + x;
        if MODEL_ERROR * model > f64::from(variance_e2.data[i]).sqrt() {
            mask.bits[i] |= flag::STAR;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::moffat::{Moffat, render_star};

    const SIDE: usize = 160;
    const FWHM_PX: f64 = 3.0;
    const NUCLEUS_PX: (f64, f64) = (60.0, 80.0);

    /// Stars far from the comet, which tell by how much fitted light differs from the catalogue's.
    fn far() -> impl Iterator<Item = FieldStar> {
        (0..10).map(|i| FieldStar { x_px: 20.0 + 12.0 * f64::from(i), y_px: 130.0, flux: 600.0 })
    }

    /// The stars found in an image of some, with a noise of 1 and a comet of no light at 60, 80.
    fn found_of(drawn: &[FieldStar], catalogue: &[FieldStar]) -> Vec<FieldStar> {
        let shape = StarImage::from(Moffat::round(FWHM_PX, 3.0));
        let mut image = Image::filled(SIDE, SIDE, 0.0);
        for star in drawn.iter().copied().chain(far()) {
            render_star(&mut image, &shape, star.x_px, star.y_px, star.flux, 60.0);
        }
        let catalogue: Vec<FieldStar> = far().chain(catalogue.iter().copied()).collect();
        let radius_px: Vec<f64> = (1..60).map(f64::from).collect();
        find_field_stars(&StarStack {
            image: &image,
            variance: &Image::filled(SIDE, SIDE, 1.0),
            mask: &Mask::clear(SIDE, SIDE),
            shape: &shape,
            comet_path_px: &[NUCLEUS_PX],
            coma: &RingProfile { median: vec![0.0; radius_px.len()], radius_px },
            catalogue: &catalogue,
        })
        .stars
    }

    fn light_near(stars: &[FieldStar], place: &FieldStar, within_px: f64) -> f64 {
        stars.iter().filter(|s| s.away_px(place) < within_px).map(|s| s.flux).sum()
    }

    /// A star at the edge of the strip that the condensation swept, found outside it and known inside it, is one star, also where what the
    /// coma leaves has drawn it aside.
    #[test]
    fn a_star_at_the_edge_of_the_condensations_strip_is_taken_once() {
        let edge = NUCLEUS_PX.0 + NUCLEUS_KEEP_OUT_FWHM * FWHM_PX;
        let beside = FieldStar { x_px: edge + 0.1, y_px: NUCLEUS_PX.1, flux: 900.0 };
        let passed = FieldStar { x_px: NUCLEUS_PX.0 - 2.0, y_px: NUCLEUS_PX.1, flux: 500.0 };
        for aside_px in [0.2, 1.2 * FWHM_PX] {
            let stars = found_of(&[beside, passed], &[passed, FieldStar { x_px: beside.x_px - aside_px, ..beside }]);
            for (star, within_px, within) in [(beside, 1.4 * FWHM_PX, 0.05), (passed, 0.6 * FWHM_PX, 0.03)] {
                let light = light_near(&stars, &star, within_px);
                assert!((light / star.flux - 1.0).abs() < within, "{aside_px}: {light} of {}", star.flux);
            }
        }
    }

    /// Stars too faint to be found are taken by their magnitudes, but for those whose light is in that of a found one.
    #[test]
    fn stars_that_were_not_found_come_from_the_catalogue() {
        let faint = FieldStar { x_px: 100.0, y_px: 40.0, flux: 15.0 };
        let bright = FieldStar { x_px: 40.0, y_px: 30.0, flux: 900.0 };
        let blended = FieldStar { x_px: bright.x_px + 0.8 * FWHM_PX, ..FieldStar { flux: 15.0, ..bright } };
        let lost = FieldStar { x_px: 120.0, y_px: 60.0, flux: 1.0 };
        let stars = found_of(&[faint, bright, blended, lost], &[faint, bright, blended, lost]);
        assert!((light_near(&stars, &faint, 1.0) / faint.flux - 1.0).abs() < 0.1, "{stars:?}");
        assert_eq!(stars.iter().filter(|s| s.away_px(&bright) < 2.0 * FWHM_PX).count(), 1, "{stars:?}");
        assert_eq!(light_near(&stars, &lost, 2.0), 0.0, "{stars:?}");
    }
}
