//! The star-registered stack and the stars found in it.

use super::combine::{self, Share};
use super::first_pass::{self, Context, FirstLook, Known, StarGrid};
use super::inputs::Inputs;
use super::kept::typical_fit;
use super::second_pass::{Kept, SkyStar};
use crate::Failure;
use fanlight_coma::measure::{self, Looks};
use fanlight_coma::stars::{self, StarStack};
use fanlight_coma::wings::{NoWings, Wings};
use fanlight_image::combine::CombineConfig;
use fanlight_image::detect::{self, DetectConfig};
use fanlight_image::moffat::{self, NoiseModel, StarImage};
use fanlight_image::trails::{self, TrailConfig};
use fanlight_sky::{PixelXy, Wcs};

/// The WCS of the frame nearest the middle of the night that can be measured: for a night whose preview found none.
///
/// # Errors
/// When no frame can be measured.
pub fn middle_wcs(inputs: &Inputs, context: &Context) -> Result<Wcs, Failure> {
    let middle = inputs.lights.len() / 2;
    let mut order: Vec<usize> = (0..inputs.lights.len()).collect();
    order.sort_by_key(|i| i.abs_diff(middle));
    let mut reasons = Vec::new();
    for i in order {
        match first_pass::look(&inputs.lights[i], context, Known::default()) {
            Ok((look, _)) => return Ok(look.wcs),
            Err(reason) => reasons.push(format!("{}: {reason}", inputs.lights[i].file.name)),
        }
    }
    reasons.sort();
    Err(nothing_measured(&reasons))
}

/// Why no frame could be measured: the first of the frames' reasons, in the order of their names.
pub fn nothing_measured(reasons: &[String]) -> Failure {
    let shown = reasons.iter().take(5).map(|r| format!("\n  {r}")).collect::<String>();
    Failure::data(format!("none of {} light frames could be measured{shown}", reasons.len())).hint(
        "where the comet is predicted outside the frames, check the orbit (its time of perihelion above all), the site, and \
         that DATE-OBS is in UTC; where the comet is not where its orbit says, --at RA,DEC tells where it is",
    )
}

/// The star-registered stack of the kept frames, with its star image.
pub struct StarStacked {
    /// The stack.
    pub stacked: combine::Stacked,
    /// Its star image.
    pub shape: Option<StarImage>,
}

/// Combines the kept frames of the spool and fits the stack's star image.
///
/// # Errors
/// When the scratch file cannot be read back.
pub fn star_stack(
    kept: &[Kept],
    looks: &[FirstLook],
    spool_index: &[usize],
    spool: &fanlight_io::Spool,
    grid: &StarGrid,
) -> Result<StarStacked, Failure> {
    let shares: Vec<Share> = kept
        .iter()
        .filter_map(|k| {
            let i = looks.iter().position(|l| std::ptr::eq(l, k.look))?;
            let noise = k.look.sky_e.max(1.0) / k.look.light.exposure_s.powi(2);
            let weight = (1.0 / (k.scale * k.scale * noise)) as f32;
            Some(Share { index: spool_index[i], scale: k.scale as f32, weight, group: 0 })
        })
        .collect();
    let config = CombineConfig { relative_tolerance: 0.1, ..CombineConfig::default() };
    let size = (grid.width, grid.height);
    let stacked = combine::Job { spool, shares: &shares, size, n_groups: 0, config }.run()?;
    let sky_variance = measure::typical_variance(&stacked.variance);
    let guess = typical_fit(kept.iter().map(|k| k.look)).map(|f| f.shape);
    let shape = guess.and_then(|guess| {
        // frames of slightly different seeing and place
        let looks = first_pass::looks_of(&guess);
        let (noise, fwhm_px) = (sky_variance.sqrt() as f32, looks.fwhm_px);
        let (threshold_sigma, max_sources) = (20.0, 2000);
        let found = match looks.are_trails() {
            true => trails::sources(
                &stacked.image,
                &stacked.mask,
                &TrailConfig { noise, fwhm_px, trail_px: looks.trail_px, threshold_sigma, max_sources },
            ),
            false => detect::sources(
                &stacked.image,
                &stacked.mask,
                &DetectConfig { noise, fwhm_px: guess.fwhm_px(), threshold_sigma, max_sources },
            ),
        };
        let comet = grid.wcs.pixel_from_sky(kept[kept.len() / 2].comet).ok()?;
        let lone_from = match looks.are_trails() {
            true => looks,
            false => Looks { fwhm_px: 2.0 * guess.fwhm_px(), trail_px: (0.0, 0.0) },
        };
        let lone =
            measure::lone_stars(&found, (comet.x_px, comet.y_px), lone_from, if looks.are_trails() { 20 } else { 60 });
        let noise = NoiseModel { sky_variance, variance_per_unit: 0.0 };
        let of = match looks.are_trails() {
            true => looks,
            false => Looks { fwhm_px: guess.fwhm_px(), trail_px: (0.0, 0.0) },
        };
        let config = of.shape_fit(noise);
        moffat::fit_shape(&stacked.image, &stacked.mask, &lone, &config).ok().map(|s| s.shape).or(Some(guess))
    });
    Ok(StarStacked { stacked, shape })
}

/// The field's stars on the sky, and what they show beyond their fitted image; nothing said of that under trails.
pub fn sky_stars(
    stars: &StarStacked,
    kept: &[Kept],
    grid: &StarGrid,
    catalogue: &[SkyStar],
) -> (Vec<SkyStar>, Option<Result<Wings, NoWings>>) {
    let Some(shape) = &stars.shape else { return (Vec::new(), None) };
    let path: Vec<(f64, f64)> =
        kept.iter().filter_map(|k| grid.wcs.pixel_from_sky(k.comet).ok().map(|p| (p.x_px, p.y_px))).collect();
    let coma = mean_coma(kept);
    let catalogue: Vec<stars::FieldStar> = catalogue
        .iter()
        .filter_map(|s| {
            let p = grid.wcs.pixel_from_sky(s.place).ok()?;
            Some(stars::FieldStar { x_px: p.x_px, y_px: p.y_px, flux: s.flux_e_per_s })
        })
        .collect();
    let view = StarStack {
        image: &stars.stacked.image,
        variance: &stars.stacked.variance,
        mask: &stars.stacked.mask,
        shape,
        comet_path_px: &path,
        coma: &coma,
        catalogue: &catalogue,
    };
    let found = stars::find_field_stars(&view);
    let on_sky = found
        .stars
        .into_iter()
        .map(|s| SkyStar {
            place: grid.wcs.sky_from_pixel(PixelXy { x_px: s.x_px, y_px: s.y_px }),
            flux_e_per_s: s.flux,
        })
        .collect();
    (on_sky, found.wings)
}

/// The frames' ring medians averaged, in electrons per second at the stack's zero point.
fn mean_coma(kept: &[Kept]) -> measure::RingProfile {
    let Some(radius_px) =
        kept.iter().map(|k| &k.look.coma.radius_px).min_by_key(|r| r.len()).filter(|r| !r.is_empty()).cloned()
    else {
        return measure::RingProfile::default();
    };
    let median = radius_px
        .iter()
        .map(|r| {
            let values = kept.iter().map(|k| k.look.coma.at(*r) * k.scale / k.look.light.exposure_s);
            values.sum::<f64>() / kept.len() as f64
        })
        .collect();
    measure::RingProfile { radius_px, median }
}
