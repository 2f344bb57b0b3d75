//! `fanlight night`: from a folder of raw frames to a measured stack, a record and a page.

pub mod combine;
pub mod first_pass;
pub mod inputs;
pub mod judge;
pub mod masters;
pub mod measure_stack;
pub mod plan;
pub mod products;
pub mod record;
pub mod second_pass;

use crate::{Failure, geometry, messages};
use combine::Share;
use fanlight_coma::register::{self, Offset, Vote};
use fanlight_coma::stars::{self, StarStack};
use fanlight_coma::zero_point::{self, FrameZeroPoint, NightZeroPoint, Standard};
use fanlight_coma::{measure, solar};
use fanlight_image::combine::CombineConfig;
use fanlight_image::moffat::{self, Moffat, NoiseModel, ShapeFitConfig};
use fanlight_image::robust;
use fanlight_io::campaign::Tracking;
use fanlight_io::{Campaign, OutputFolder};
use fanlight_record::NightRecord;
use fanlight_sky::{OrbitElements, PixelXy, SkyPosition, UtcInstant};
use first_pass::{Context, FieldEntry, FirstLook, Known, StarGrid};
use inputs::{Inputs, LeftOut};
use second_pass::{CometGrid, Kept, SkyStar};
use std::path::PathBuf;

/// What to reduce, by which campaign, and where to.
#[derive(Debug, Clone)]
pub struct Options {
    /// Folder with the frames.
    pub frames_dir: PathBuf,
    /// The campaign file.
    pub campaign: PathBuf,
    /// Folder for the products.
    pub out: PathBuf,
}

/// Runs the command and says where the page is.
///
/// # Errors
/// When the data or the campaign do not allow the job.
pub fn command(options: &Options) -> Result<(), Failure> {
    let record = run(options)?;
    for note in &record.notes {
        tracing::info!("{note}");
    }
    let page = options.out.join(products::PAGE);
    messages::tell(&format!("{}\nPage: {}", record.summary, page.display()))
}

/// Everything between the frames and the products.
pub struct Night {
    /// The campaign.
    pub campaign: Campaign,
    /// The frames as sorted.
    pub inputs: Inputs,
    /// What each usable light showed, in order of time.
    pub looks: Vec<FirstLook>,
    /// Per look: why it is not in the stack.
    pub rejected: Vec<Option<String>>,
    /// Per look: zero point.
    pub zero_points: Vec<Option<FrameZeroPoint>>,
    /// The night's photometric solution, where there is one.
    pub solution: Option<NightZeroPoint>,
    /// The catalogue stars of the solution.
    pub standards: Vec<Standard>,
    /// The colour that the zero points are for.
    pub colour: Option<Colour>,
    /// Magnitude of 1 e⁻/s in the stack.
    pub stack_zero_point_mag: Option<f64>,
    /// The night's offset from the ephemeris, where the comet was found.
    pub offset: Option<Offset>,
    /// Exposure-weighted mean of the mid-times of the frames in the stack.
    pub mid: UtcInstant,
    /// The measured stack.
    pub stack: measure_stack::MeasuredStack,
    /// Sentences for the record.
    pub notes: Vec<String>,
}

/// A colour index and the value assumed for the comet.
#[derive(Debug, Clone, PartialEq)]
pub struct Colour {
    /// Its name, such as `g-r`.
    pub name: String,
    /// The Sun's.
    pub solar_mag: f64,
}

/// The whole job; the products stand in the output folder when it returns.
///
/// # Errors
/// When the data or the campaign do not allow the job.
pub fn run(options: &Options) -> Result<NightRecord, Failure> {
    let campaign = geometry::load_campaign(&options.campaign)?;
    let orbit = campaign.orbit().map_err(geometry::campaign_failure)?;
    let site = campaign.site().map_err(geometry::campaign_failure)?;
    if !options.frames_dir.is_dir() {
        return Err(Failure::call(format!("{} is not a folder of frames", options.frames_dir.display())));
    }
    let catalogue = load_field(&campaign)?;
    let found = fanlight_io::find_frames(&options.frames_dir).map_err(Failure::data)?;
    let mut inputs = inputs::sort_out(found, &campaign)
        .map_err(|f| f.about(options.frames_dir.display()))?;
    let mut notes = std::mem::take(&mut inputs.notes);
    let detector = inputs::detector(&campaign, &inputs.lights[0].file.header, &mut notes)?;
    let folder = OutputFolder::create_or_open(&options.out).map_err(Failure::data)?;
    warn_near_sun(&orbit, &site, inputs.lights[0].mid)?;
    tracing::info!("{} light frames, {} left out by their headers", inputs.lights.len(), inputs.left_out.len());

    let masters = masters::make(&inputs, &options.out, &mut notes)?;
    let colour = catalogue.as_ref().and_then(|field| {
        let (blue, red) = solar::colour_bands(&field.band)?;
        let both = field.catalogue.band(blue).is_some() && field.catalogue.band(red).is_some();
        let solar_mag = solar::solar_magnitude(blue)? - solar::solar_magnitude(red)?;
        both.then(|| Colour { name: format!("{blue}-{red}"), solar_mag })
    });
    let field = catalogue.as_ref().map_or_else(Vec::new, |f| f.at(inputs.lights[0].mid));
    let context = Context { masters: &masters, detector, orbit: &orbit, site: &site, field: &field };

    let preview = first_pass::preview(&inputs.lights, &context);
    let shared = preview.offset_arcsec;
    tracing::info!("offset from the ephemeris that frames share: {shared:?} arcsec");
    let grid = match preview.middle_wcs {
        Some(wcs) => StarGrid { wcs, width: inputs.size.0, height: inputs.size.1 },
        None => star_grid(&inputs, &context)?,
    };
    let (results, star_spool) = first_pass::look_at_all(&inputs.lights, &context, shared, &grid, &options.out)?;
    let mut looks = Vec::new();
    let mut spool_index = Vec::new();
    for (i, (light, result)) in inputs.lights.iter().zip(results).enumerate() {
        match result {
            Ok(look) => {
                looks.push(look);
                spool_index.push(i);
            }
            Err(reason) => {
                inputs.left_out.push(LeftOut { file: light.file.clone(), mid: Some(light.mid), reason });
            }
        }
    }
    if looks.is_empty() {
        let first = inputs.left_out.last().map(|l| format!("{}: {}", l.file.name, l.reason)).unwrap_or_default();
        return Err(Failure::data(format!("no light frame could be measured; {first}")));
    }

    let standards: Vec<Standard> = field.iter().map(|f| f.standard).collect();
    let fitted: Vec<_> = looks.iter().map(|l| l.fluxes.clone()).collect();
    let fluxes = zero_point::to_total_light(&fitted);
    let solution = solve_zero_points(&fluxes, &standards, colour.as_ref(), catalogue.is_some(), &mut notes);
    let zero_points = solution.as_ref().map_or_else(|| vec![None; looks.len()], |s| s.frames.clone());
    let references: Vec<&FirstLook> = looks.iter().collect();
    let mut rejected = judge::judge(&references, &zero_points);
    notes.push(judge::rules());
    let offset = night_offset(&looks, &rejected, &mut notes);
    leave_out_lost_frames(&looks, &zero_points, solution.is_some(), offset.as_ref(), &mut rejected);
    if rejected.iter().all(Option::is_some) {
        return Err(Failure::data("every light frame was left out")
            .hint("run with --verbose to see the reason for each"));
    }

    let stack_zero_point_mag = solution.as_ref().and_then(|_| {
        let used = zero_points.iter().zip(&rejected).filter(|(_, r)| r.is_none());
        let mut values: Vec<f64> = used.filter_map(|(z, _)| z.map(|z| z.zero_point_mag.value)).collect();
        robust::median_f64(&mut values)
    });
    let kept = kept_frames(&looks, &rejected, &zero_points, stack_zero_point_mag, offset.as_ref(), &campaign, &mut notes)?;
    let stars = star_stack(&kept, &looks, &spool_index, &star_spool, &grid)?;
    drop(star_spool);
    let catalogue_stars = catalogue_stars(&field, colour.as_ref(), solution.as_ref(), stack_zero_point_mag);
    let field_stars = sky_stars(&stars, &kept, &grid, &catalogue_stars);
    tracing::info!("{} field stars are taken out of every frame", field_stars.len());

    let reference = &kept[kept.len() / 2];
    let comet_grid = CometGrid::about(reference, inputs.size.0, inputs.size.1)?;
    let comet = second_pass::stack_on_comet(&kept, &field_stars, &comet_grid, &context, &options.out)?;
    for (i, reason) in &comet.lost {
        notes.push(format!("{} could not be read a second time: {reason}.", kept[*i].look.light.file.name));
    }
    let mut skies: Vec<f64> =
        kept.iter().map(|k| k.look.sky_e / k.look.light.exposure_s * k.scale).collect();
    let sky_per_px = robust::median_f64(&mut skies).unwrap_or(0.0);
    let mid = mean_mid(&kept);
    let places: Vec<_> = comet
        .places
        .iter()
        .filter_map(|(i, place)| Some((kept[*i].look.light.file.path.clone(), (*place)?)))
        .collect();
    drop(kept);
    let stack = measure_stack::measure(comet, comet_grid, sky_per_px);
    for (path, place) in places {
        if let Some(look) = looks.iter_mut().find(|l| l.light.file.path == path) {
            look.place = Some(place);
        }
    }
    let offset = centre_on_optocentre(offset, &stack, &mut looks, &rejected);

    let night = Night {
        campaign,
        inputs,
        looks,
        rejected,
        zero_points,
        solution,
        standards,
        colour,
        stack_zero_point_mag,
        offset,
        mid,
        stack,
        notes,
    };
    let record = record::night_record(&night, &orbit, &site, options, catalogue.as_ref().map(|c| c.path.clone()))?;
    products::write(&night, &record, &stars, &grid, &folder)?;
    Ok(record)
}

/// The catalogue with the file it came from and the band that the night is tied to.
struct Field {
    catalogue: fanlight_io::Catalogue,
    path: PathBuf,
    band: String,
}

impl Field {
    /// The stars at an epoch that have a magnitude in the band.
    fn at(&self, epoch: UtcInstant) -> Vec<FieldEntry> {
        let Some(band) = self.catalogue.band(&self.band) else { return Vec::new() };
        let colour = solar::colour_bands(&self.band)
            .and_then(|(blue, red)| Some((self.catalogue.band(blue)?, self.catalogue.band(red)?)));
        let epoch_yr = epoch.julian_year();
        self.catalogue.stars.iter().filter_map(|s| FieldEntry::new(s, epoch_yr, band, colour)).collect()
    }
}

/// Loads the campaign's catalogue; a catalogue without the band is the campaign file's fault.
fn load_field(campaign: &Campaign) -> Result<Option<Field>, Failure> {
    let Some(path) = &campaign.photometry.catalogue else { return Ok(None) };
    let band = campaign.photometry.band.clone().ok_or_else(|| {
        Failure::call(format!("{}: photometry.catalogue is given, photometry.band is not", campaign.path().display()))
            .hint("set band to the catalogue's column to calibrate to")
    })?;
    let catalogue = fanlight_io::load_catalogue(path).map_err(|e| {
        Failure::call(e).hint("photometry.catalogue in the campaign file names this catalogue, relative to the file")
    })?;
    if catalogue.band(&band).is_none() {
        return Err(Failure::call(format!(
            "{}: no column \"{band}\" for photometry.band; the catalogue has {}",
            path.display(),
            catalogue.bands.join(", ")
        ))
        .hint("set photometry.band to one of the catalogue's bands"));
    }
    Ok(Some(Field { catalogue, path: path.clone(), band }))
}

/// People's safety first: said before any work, even when quiet.
fn warn_near_sun(orbit: &OrbitElements, site: &fanlight_sky::Site, utc: UtcInstant) -> Result<(), Failure> {
    let (geometry, _) = geometry::at(orbit, site, utc)?;
    for warning in fanlight_sky::orbit_warnings(orbit, &geometry, utc) {
        messages::warn_always(&warning);
    }
    Ok(())
}

/// The grid of the star-registered stack where the preview found none: the frame nearest the middle of the night that
/// can be measured.
fn star_grid(inputs: &Inputs, context: &Context) -> Result<StarGrid, Failure> {
    let middle = inputs.lights.len() / 2;
    let mut order: Vec<usize> = (0..inputs.lights.len()).collect();
    order.sort_by_key(|i| i.abs_diff(middle));
    let mut reasons = Vec::new();
    for i in order {
        match first_pass::look(&inputs.lights[i], context, Known::default()) {
            Ok((look, _)) => return Ok(StarGrid { wcs: look.wcs, width: inputs.size.0, height: inputs.size.1 }),
            Err(reason) => reasons.push(format!("  {}: {reason}", inputs.lights[i].file.name)),
        }
    }
    reasons.truncate(5);
    Err(Failure::data(format!("no light frame could be measured\n{}", reasons.join("\n"))))
}

fn solve_zero_points(
    fluxes: &[Vec<zero_point::StarFlux>],
    standards: &[Standard],
    colour: Option<&Colour>,
    has_catalogue: bool,
    notes: &mut Vec<String>,
) -> Option<NightZeroPoint> {
    if !has_catalogue {
        notes.push("No catalogue is named in the campaign file: there are no magnitudes and no Afρ.".into());
        return None;
    }
    match zero_point::night_zero_point(fluxes, standards, colour.map(|c| c.solar_mag)) {
        Ok(solution) => Some(solution),
        Err(e) => {
            notes.push(format!("The brightness could not be tied to the catalogue: {e}."));
            None
        }
    }
}

/// The night's offset from the ephemeris by the frames that are good.
fn night_offset(looks: &[FirstLook], rejected: &[Option<String>], notes: &mut Vec<String>) -> Option<Offset> {
    let votes: Vec<Vote> = looks
        .iter()
        .zip(rejected)
        .filter(|(_, r)| r.is_none())
        .filter_map(|(l, _)| l.place.map(|(_, vote)| vote))
        .collect();
    match register::night_offset(&votes) {
        Ok(offset) => {
            let dropped = offset.kept.iter().filter(|k| !**k).count();
            if dropped > 0 {
                notes.push(format!(
                    "In {dropped} frames the comet's measured place was off the night's motion (a star or a defect near \
                     it); they were registered by the motion."
                ));
            }
            Some(offset)
        }
        Err(_) => {
            notes.push(
                "The comet was not found near its ephemeris place in any frame: frames were registered by the ephemeris \
                 alone, and brightness inside the apertures may be a limit."
                    .into(),
            );
            None
        }
    }
}

/// The night's final offset and the frames' final places.
///
/// The stack's fitted optocentre gives the offset. The frames' centroids, taken again after the stars were removed, are
/// pulled by a lopsided coma, all alike: their mean is brought to the same offset, and their scatter is in their errors.
fn centre_on_optocentre(
    offset: Option<Offset>,
    stack: &measure_stack::MeasuredStack,
    looks: &mut [FirstLook],
    rejected: &[Option<String>],
) -> Option<Offset> {
    let votes: Vec<Vote> = looks
        .iter()
        .zip(rejected)
        .filter(|(_, r)| r.is_none())
        .filter_map(|(l, _)| l.place.map(|(_, vote)| vote))
        .collect();
    let Some(optocentre) = &stack.optocentre else { return offset };
    let local = &stack.grid.local;
    let (east, north) =
        fanlight_coma::stack::apply(local.arcsec_per_px, (optocentre.x_px - local.x_px, optocentre.y_px - local.y_px));
    let registered = offset.as_ref().map_or((0.0, 0.0), |o| (o.east_arcsec, o.north_arcsec));
    let (east_arcsec, north_arcsec) = (registered.0 + east, registered.1 + north);
    let own_sigma = optocentre.sigma_px() * stack.scale_arcsec();
    let Ok(centroids) = register::night_offset(&votes) else {
        return Some(Offset { east_arcsec, north_arcsec, sigma_arcsec: own_sigma, kept: Vec::new() });
    };
    let pull = (east_arcsec - centroids.east_arcsec, north_arcsec - centroids.north_arcsec);
    // a lopsided coma is corrected for, by a model that need not be its own
    let model_sigma = LOPSIDED_ERROR * pull.0.hypot(pull.1);
    let shared_sigma = own_sigma.hypot(model_sigma);
    let excess_sigma = excess_scatter(&votes, &centroids);
    for look in looks.iter_mut() {
        if let Some((place, vote)) = &mut look.place {
            *place = place.offset_by_arcsec(pull.0, pull.1);
            vote.east_arcsec += pull.0;
            vote.north_arcsec += pull.1;
            let away = (vote.east_arcsec - east_arcsec).hypot(vote.north_arcsec - north_arcsec);
            vote.sigma_arcsec = [vote.sigma_arcsec, excess_sigma, shared_sigma].iter().map(|s| s * s).sum::<f64>().sqrt();
            // a frame off the night's motion (a star or a defect near the nucleus) is as wrong as it is far off
            if away > OFF_MOTION_SIGMA * vote.sigma_arcsec {
                vote.sigma_arcsec = away;
            }
        }
    }
    let sigma_arcsec = centroids.sigma_arcsec.hypot(shared_sigma);
    Some(Offset { east_arcsec, north_arcsec, sigma_arcsec, kept: centroids.kept })
}

/// A frame's place further than this from the night's motion is not noise.
const OFF_MOTION_SIGMA: f64 = 3.0;

/// Error of the correction for a lopsided coma, as a share of it.
const LOPSIDED_ERROR: f64 = 0.15;

/// Scatter of the votes, per axis, beyond what their own errors give.
fn excess_scatter(votes: &[Vote], about: &Offset) -> f64 {
    let kept = || votes.iter().zip(&about.kept).filter(|(_, k)| **k).map(|(v, _)| v);
    let away = |v: &Vote| (v.east_arcsec - about.east_arcsec).powi(2) + (v.north_arcsec - about.north_arcsec).powi(2);
    let n = kept().count() as f64;
    if n < 3.0 {
        return 0.0;
    }
    let seen = kept().map(away).sum::<f64>() / (2.0 * (n - 1.0));
    let told = kept().map(|v| v.sigma_arcsec.powi(2)).sum::<f64>() / n;
    (seen - told).max(0.0).sqrt()
}

/// A frame without a zero point cannot be scaled; one whose WCS is untied and whose comet is elsewhere is misplaced.
fn leave_out_lost_frames(
    looks: &[FirstLook],
    zero_points: &[Option<FrameZeroPoint>],
    calibrated: bool,
    offset: Option<&Offset>,
    rejected: &mut [Option<String>],
) {
    for ((look, zero_point), reason) in looks.iter().zip(zero_points).zip(rejected).filter(|(_, r)| r.is_none()) {
        if calibrated && zero_point.is_none() {
            *reason = Some("fewer than three catalogue stars could be measured in it".into());
        } else if let (Some(offset), Some((_, vote)), None) = (offset, look.place, look.wcs_sigma_px) {
            let away = (vote.east_arcsec - offset.east_arcsec).hypot(vote.north_arcsec - offset.north_arcsec);
            if away > (5.0 * look.scale_arcsec).max(10.0 * offset.sigma_arcsec) {
                *reason = Some(format!(
                    "its WCS could not be tied to stars and puts the comet {away:.0}″ from the night's motion"
                ));
            }
        }
    }
}

/// The frames of the stack with what places and scales them.
fn kept_frames<'a>(
    looks: &'a [FirstLook],
    rejected: &[Option<String>],
    zero_points: &[Option<FrameZeroPoint>],
    stack_zero_point_mag: Option<f64>,
    offset: Option<&Offset>,
    campaign: &Campaign,
    notes: &mut Vec<String>,
) -> Result<Vec<Kept<'a>>, Failure> {
    let good: Vec<usize> = (0..looks.len()).filter(|i| rejected[*i].is_none()).collect();
    let typical = typical_shape(good.iter().map(|i| &looks[*i]));
    if typical.is_none() {
        notes.push("No star image could be fitted: a star width of 3.5″ was assumed, and stars were not removed.".into());
    }
    let orbit = campaign.orbit().map_err(geometry::campaign_failure)?;
    let site = campaign.site().map_err(geometry::campaign_failure)?;
    let tracked_on_comet = tracked_on_comet(campaign, good.iter().map(|i| &looks[*i]), &orbit, &site)?;
    if tracked_on_comet {
        notes.push(
            "The frames follow the comet: the trail is in the stars, and the width across it was taken for the seeing."
                .into(),
        );
    }
    good.iter()
        .map(|i| {
            let look = &looks[*i];
            let scale = match (stack_zero_point_mag, zero_points[*i]) {
                (Some(stack), Some(frame)) => 10f64.powf(0.4 * (stack - frame.zero_point_mag.value)),
                _ => 1.0,
            };
            let comet = offset.map_or(look.predicted, |o| look.predicted.offset_by_arcsec(o.east_arcsec, o.north_arcsec));
            let fallback = 3.5 / look.scale_arcsec;
            let shape = look.shape.as_ref().map(|s| s.shape).or(typical).unwrap_or(Moffat {
                fwhm_major_px: fallback,
                fwhm_minor_px: fallback,
                angle_rad: 0.0,
                beta: 3.0,
            });
            let motion_arcsec =
                if tracked_on_comet { (0.0, 0.0) } else { motion_during(&orbit, &site, look)? };
            Ok(Kept { look, comet, scale, shape, motion_arcsec })
        })
        .collect()
}

/// Path of the comet on the sky during an exposure, (east, north) arcsec.
fn motion_during(
    orbit: &OrbitElements,
    site: &fanlight_sky::Site,
    look: &FirstLook,
) -> Result<(f64, f64), Failure> {
    let half = 0.5 * look.light.exposure_s;
    let at = |seconds: f64| -> Result<SkyPosition, Failure> {
        fanlight_sky::comet_position(orbit, site, look.light.mid.plus_seconds(seconds)).map_err(Failure::data)
    };
    Ok(at(-half)?.tangent_offset_arcsec(&at(half)?))
}

/// Whether the mount followed the comet: as the campaign says, else as the stars' trails show.
fn tracked_on_comet<'a>(
    campaign: &Campaign,
    looks: impl Iterator<Item = &'a FirstLook>,
    orbit: &OrbitElements,
    site: &fanlight_sky::Site,
) -> Result<bool, Failure> {
    if let Some(tracking) = campaign.telescope.tracking {
        return Ok(tracking == Tracking::Comet);
    }
    let mut votes = (0usize, 0usize);
    for look in looks {
        let Some(shape) = look.shape.as_ref().map(|s| s.shape) else { continue };
        let (east, north) = motion_during(orbit, site, look)?;
        let path_px = east.hypot(north) / look.scale_arcsec;
        let pa = record::sky_angle_deg(look, shape.angle_rad);
        let off = (pa - east.atan2(north).to_degrees()).rem_euclid(180.0);
        let along = off.min(180.0 - off) < 12.0;
        votes.1 += 1;
        votes.0 += usize::from(path_px > shape.fwhm_minor_px && shape.elongation() > 1.25 && along);
    }
    Ok(votes.0 * 2 > votes.1)
}

/// Median star image of the night.
fn typical_shape<'a>(looks: impl Iterator<Item = &'a FirstLook>) -> Option<Moffat> {
    let mut shapes: Vec<Moffat> = looks.filter_map(|l| l.shape.as_ref().map(|s| s.shape)).collect();
    shapes.sort_by(|a, b| a.fwhm_px().total_cmp(&b.fwhm_px()));
    shapes.get(shapes.len() / 2).copied()
}

/// The star-registered stack of the kept frames, with its star image.
pub struct StarStacked {
    /// The stack.
    pub stacked: combine::Stacked,
    /// Its star image.
    pub shape: Option<Moffat>,
}

fn star_stack(
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
    let stacked = combine::combine(spool, &shares, (grid.width, grid.height), 0, &config)?;
    let sky_variance = measure::typical_variance(&stacked.variance);
    let guess = typical_shape(kept.iter().map(|k| k.look));
    let shape = guess.and_then(|guess| {
        let found = fanlight_image::detect::sources(
            &stacked.image,
            &stacked.mask,
            &fanlight_image::detect::DetectConfig {
                noise: sky_variance.sqrt() as f32,
                fwhm_px: guess.fwhm_px(),
                threshold_sigma: 20.0,
                max_sources: 2000,
            },
        );
        let comet = grid.wcs.pixel_from_sky(kept[kept.len() / 2].comet).ok()?;
        let lone = measure::lone_stars(&found, (comet.x_px, comet.y_px), 2.0 * guess.fwhm_px(), 60);
        let noise = NoiseModel { sky_variance, variance_per_unit: 0.0 };
        let config = ShapeFitConfig { noise, initial_fwhm_px: guess.fwhm_px(), ..ShapeFitConfig::default() };
        moffat::fit_shape(&stacked.image, &stacked.mask, &lone, &config).ok().map(|s| s.shape).or(Some(guess))
    });
    Ok(StarStacked { stacked, shape })
}

/// Catalogue stars with the flux that their magnitude and colour give in the stack; none without a zero point.
fn catalogue_stars(
    field: &[FieldEntry],
    colour: Option<&Colour>,
    solution: Option<&NightZeroPoint>,
    stack_zero_point_mag: Option<f64>,
) -> Vec<SkyStar> {
    let Some(zero_point) = stack_zero_point_mag else { return Vec::new() };
    let term = solution.and_then(|s| s.colour_term).map_or(0.0, |t| t.value);
    let flux = |e: &FieldEntry| {
        let shift = colour.zip(e.standard.colour).map_or(0.0, |(c, own)| term * (own - c.solar_mag));
        10f64.powf(-0.4 * (e.standard.magnitude - shift - zero_point))
    };
    field.iter().map(|e| SkyStar { place: e.place, flux_e_per_s: flux(e) }).collect()
}

/// The field's stars on the sky.
fn sky_stars(stars: &StarStacked, kept: &[Kept], grid: &StarGrid, catalogue: &[SkyStar]) -> Vec<SkyStar> {
    let Some(shape) = &stars.shape else { return Vec::new() };
    let path: Vec<(f64, f64)> = kept
        .iter()
        .filter_map(|k| grid.wcs.pixel_from_sky(k.comet).ok().map(|p| (p.x_px, p.y_px)))
        .collect();
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
    stars::find_field_stars(&view)
        .into_iter()
        .map(|s| SkyStar {
            place: grid.wcs.sky_from_pixel(PixelXy { x_px: s.x_px, y_px: s.y_px }),
            flux_e_per_s: s.flux,
        })
        .collect()
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

/// Exposure-weighted mean of the mid-times.
fn mean_mid(kept: &[Kept]) -> UtcInstant {
    let first = kept[0].look.light.mid;
    let total: f64 = kept.iter().map(|k| k.look.light.exposure_s).sum();
    let seconds: f64 =
        kept.iter().map(|k| k.look.light.exposure_s * k.look.light.mid.seconds_since(&first)).sum::<f64>() / total;
    first.plus_seconds(seconds)
}
