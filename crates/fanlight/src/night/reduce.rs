//! Measuring a night: the order in which everything is done.

use super::bright_stars;
use super::checks;
use super::circumstances;
use super::expected::{self, Expected};
use super::field::{self, Field};
use super::first_pass::{self, Context, FirstLook, StarGrid};
use super::foreign_light;
use super::frame_pixels::FramePixels;
use super::history;
use super::inputs::{self, Inputs, LeftOut};
use super::kept::{Known, kept_frames, mean_mid};
use super::light;
use super::notes::Notes;
use super::offset::{centre_on_optocentre, leave_out_lost_frames, night_offset};
use super::photometry::Calibration;
use super::second_pass::{self, CometGrid, FieldLight};
use super::solve::{self, Solver};
use super::star_stack::{self, StarStacked, sky_stars, star_stack};
use super::structure::{self, Structure};
use super::window::{self, Refit, Windows};
use super::{
    Colour, Missing, Night, Options, Sources, camera, judge, line_noise, masters, measure_stack, motion, passing_stars,
    ready_made, record,
};
use super::{weights, widths, wings};
use crate::{Failure, geometry, messages};
use fanlight_coma::stack::{inverse, product};
use fanlight_coma::zero_point::{self, FrameZeroPoint, NightZeroPoint, Standard};
use fanlight_coma::zero_point_regions::{self, PlacedResidual};
use fanlight_image::robust;
use fanlight_io::OutputFolder;
use fanlight_io::campaign::Tracking;
use fanlight_record::NightRecord;
use fanlight_sky::PixelXy;
use std::path::Path;

/// A measured night with everything that its products are made of.
pub struct Reduced {
    /// The measurements.
    pub night: Night,
    /// The record of them.
    pub record: NightRecord,
    /// The coma's structure, where it could be looked for.
    pub structure: Option<Structure>,
    /// The star-registered stack.
    pub stars: StarStacked,
    /// Its grid.
    pub grid: StarGrid,
}

/// Measures a night; the folder `scratch`, made if need be, holds frames while they are combined, and nothing afterwards.
///
/// # Errors
/// When the data or the campaign do not allow the job.
pub fn reduce(options: &Options, sources: Sources, scratch: &Path) -> Result<Reduced, Failure> {
    let at = options.choice.at.as_deref().map(expected::parse_place).transpose()?;
    let Sources { mut campaign, frames, other_band } = sources;
    let orbit = campaign.orbit().map_err(geometry::campaign_failure)?;
    let site = campaign.site().map_err(geometry::campaign_failure)?;
    let field_file = field::open_field(&campaign)?;
    let found = match frames {
        None => ready_made::frame_set(&options.frames_dir)?,
        Some(list) => list.sort_out(),
    };
    let mut inputs =
        inputs::sort_out(found, &campaign, &options.choice).map_err(|f| f.about(options.frames_dir.display()))?;
    let mut notes = std::mem::take(&mut inputs.notes);
    if options.is_stack() {
        inputs.take_as_stack(&mut notes);
    }
    let motion = motion::over_the_night(orbit, inputs.mids(), &mut notes);
    let by_orbit = Expected::by_orbit(&motion, &site);
    let expected = match at {
        Some(place) => by_orbit.through(place, &inputs)?,
        None => by_orbit,
    };
    let catalogue = match field_file {
        Some(file) => Some(file.read(&field::part_of_sky(&inputs, &campaign, &expected)?)?),
        None => None,
    };
    if let Some(field) = &catalogue {
        let name = field.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        notes.extend(field.catalogue.notes.iter().map(|note| format!("Catalogue {name}: {note}.")));
        if let Some(note) = field.note() {
            notes.warn(note);
        }
    }
    let entries = catalogue.as_ref().map_or_else(Vec::new, |f| f.at(inputs.first_mid()));
    let solver = Solver {
        pixels: &FramePixels { readout: inputs.readout.clone(), saturation_adu: f64::INFINITY },
        expected,
        field: &entries,
        stated_scales_arcsec: camera::stated_scales_arcsec(&campaign, &inputs),
    };
    solve::complete(&mut inputs, &solver, &mut notes);
    if inputs.is_stack && inputs.lights.is_empty() {
        inputs.place_by_hand(options.choice.north_pa_deg, &solver, &mut notes)?;
    }
    if inputs.lights.is_empty() {
        return Err(inputs::nothing_left(&inputs.left_out).about(options.frames_dir.display()));
    }
    if at.is_some() {
        expected.must_be_on_a_frame(&inputs)?;
        notes.push(expected.as_note());
    }
    // stars of an image whose place nobody knows have no names
    let entries = if inputs.is_placed_by_hand { Vec::new() } else { entries };
    inputs.look_for_foreign_calibration(&mut notes);
    let (detector, stack_noise) = match inputs.is_stack {
        true => ready_made::detector(&inputs, &mut notes).map(|(detector, noise)| (detector, Some(noise)))?,
        false => (camera::detector(&campaign, &inputs, &mut notes)?, None),
    };
    let text = std::fs::read_to_string(&options.campaign).map_err(Failure::data)?;
    checks::placeholders(&campaign, &text, &mut notes);
    if let Some(warning) = checks::site_against_header(&site, &inputs.lights[0].file.header) {
        notes.warn(warning);
    }
    let simulated = inputs.lights.iter().any(|l| l.file.header.logical("SIMULATE") == Some(true));
    if simulated {
        notes.warn("These frames are simulated: their headers say SIMULATE = T. Nothing here is about a real comet.");
    }
    let (first, _) = geometry::at(&motion, &site, inputs.lights[0].mid)?;
    warn_near_sun(first.elongation_deg);
    tracing::info!("{} light frames, {} left out by their headers", inputs.lights.len(), inputs.left_out.len());

    OutputFolder::create_or_open(scratch).map_err(Failure::data)?;
    let mut windows = Windows::plan(&inputs, &campaign, &expected, &entries)?;
    if inputs.is_stack {
        windows = windows.widest();
    }
    let pixels = FramePixels { readout: inputs.readout.clone(), saturation_adu: detector.saturation_adu };
    let detector = pixels.detector_of_images(detector);
    let masters = masters::make(&mut inputs, (&pixels, windows.detector_area), scratch, &mut notes)?;
    let missing = Missing {
        offset: masters.offset.is_none() && !inputs.is_foreign && inputs.readout.overscan().is_none(),
        flat: masters.flat.is_none() && !inputs.applied.flat,
    };
    tracing::info!("master frames made");
    let colour = catalogue.as_ref().and_then(Field::colour);
    let context = Context {
        masters: &masters,
        pixels: &pixels,
        detector,
        levelled: &[],
        window_side_px: windows.side_px,
        stack: stack_noise.as_ref(),
        expected,
        follows_comet: campaign.telescope.tracking == Some(Tracking::Comet),
        field: &entries,
    };
    let levelled = match inputs.is_stack {
        true => Vec::new(),
        false => line_noise::find(&inputs.lights, &context, &mut notes),
    };
    let context = Context { levelled: &levelled, ..context };

    let mut preview = first_pass::preview(&inputs.lights, &context);
    let refit = if inputs.is_stack { Refit::default() } else { windows.fit_to(&preview, &inputs) };
    let wide_masters = match refit.reaches_beyond {
        // what there is to say of them was said
        true => Some(masters::make(&mut inputs, (&pixels, windows.detector_area), scratch, &mut Notes::default())?),
        false => None,
    };
    let masters = wide_masters.as_ref().unwrap_or(&masters);
    let context = Context { masters, window_side_px: windows.side_px, ..context };
    if refit.shows_more {
        preview = first_pass::preview(&inputs.lights, &context);
    }
    tracing::info!("offset from the ephemeris that frames share: {:?} arcsec", preview.offset_arcsec);
    let middle_wcs = match &preview.middle_wcs {
        Some(wcs) => wcs.clone(),
        None => star_stack::middle_wcs(&inputs, &context)?,
    };
    let grid = windows.star_grid(&middle_wcs, inputs.size);
    let (results, star_spool) = first_pass::look_at_all(&inputs.lights, &context, &preview, &grid, scratch)?;
    tracing::info!("frames measured");
    let (mut looks, spool_index) = keep_measured(results, &mut inputs)?;
    if inputs.is_stack {
        let registered = ready_made::registered_on(&mut looks[0], catalogue.is_some(), &mut notes);
        campaign.telescope.tracking = campaign.telescope.tracking.or(Some(registered));
    }

    let standards: Vec<Standard> = entries.iter().map(|f| f.standard).collect();
    let width_pattern = widths::pattern(&looks);
    notes.extend(width_pattern.as_ref().map(widths::note));
    let fitted = widths::fluxes(&looks, width_pattern.as_ref(), &entries);
    let fluxes = zero_point::to_total_light(&fitted);
    let mut solution = solve_zero_points(&fluxes, &standards, colour.as_ref(), catalogue.is_some(), &mut notes);
    if let Some(s) = &mut solution {
        let regions = zero_point_regions::regional_sigma_mag(&placed_residuals(s, &entries)).unwrap_or(0.0);
        s.common_sigma_mag = s.common_sigma_mag.max(regions).hypot(zero_point::total_light_sigma_mag(&fitted));
    }
    if inputs.is_stack && solution.is_none() {
        solution = ready_made::stated_zero_point(&inputs, &detector, &campaign, looks.len(), &mut notes);
    }
    if let (Some(field), None, false) = (&catalogue, &solution, inputs.is_stack) {
        checks::catalogue_against_field(field, &entries, &looks)?;
    }
    let mut zero_points = solution.as_ref().map_or_else(|| vec![None; looks.len()], |s| s.frames.clone());
    let (middle, _) = geometry::at(&motion, &site, looks[looks.len() / 2].light.mid)?;
    let apertures_arcsec: Vec<f64> =
        campaign.photometry.apertures_km.iter().map(|km| km / middle.km_per_arcsec).collect();
    let weights = weights::weigh(&looks, &zero_points, &apertures_arcsec);
    let heights = circumstances::of_all(&looks, &motion, &site);
    let evidence =
        judge::Evidence { looks: &looks, zero_points: &zero_points, weights: &weights.of, circumstances: &heights };
    let mut rejected = judge::judge(&evidence);
    if let Some(warning) = judge::leave_out_saturated(&looks, &mut rejected) {
        notes.warn(warning);
    }
    notes.push(judge::rules());
    let catalogue_zero_point_mag = median_zero_point(&zero_points, &rejected);
    let catalogue_stars =
        field::catalogue_stars(&entries, colour.as_ref(), solution.as_ref(), catalogue_zero_point_mag);
    // before the offset is known the comet is where the frames together show it
    let sought = |l: &FirstLook| {
        preview.offset_arcsec.map_or(l.expected, |(east, north)| l.predicted.offset_by_arcsec(east, north))
    };
    let beside =
        circumstances::stars_near_nucleus(&looks, &zero_points, catalogue_zero_point_mag, &catalogue_stars, sought);
    let offset = night_offset(&looks, (&rejected, &beside), (&expected, preview.offset_arcsec), &mut notes);
    leave_out_lost_frames(&looks, &zero_points, solution.is_some(), offset.as_ref(), &mut rejected);
    if rejected.iter().all(Option::is_some) {
        return Err(
            Failure::data("every light frame was left out").hint("run with --verbose to see the reason for each")
        );
    }

    let mut stack_zero_point_mag = median_zero_point(&zero_points, &rejected);
    let known = Known {
        zero_points: &zero_points,
        weights: &weights.of,
        circumstances: &heights,
        widths: width_pattern.as_ref(),
    };
    let kept = kept_frames(
        &looks,
        &rejected,
        known,
        stack_zero_point_mag,
        (&expected, offset.as_ref()),
        &campaign,
        &mut notes,
    )?;
    let stars = star_stack(&kept, &looks, &spool_index, &star_spool, &grid)?;
    drop(star_spool);
    tracing::info!("star-registered stack made");
    let catalogue_stars = field::catalogue_stars(&entries, colour.as_ref(), solution.as_ref(), stack_zero_point_mag);
    let (field_stars, found) = sky_stars(&stars, &kept, &grid, &catalogue_stars);
    tracing::info!("{} field stars are taken out of every frame", field_stars.len());
    let middle = PixelXy { x_px: 0.5 * grid.width as f64, y_px: 0.5 * grid.height as f64 };
    let wings = found.as_ref().and_then(|f| f.as_ref().ok());
    let rays_pa_deg = wings.map_or_else(Vec::new, |w| {
        let [[a, b], [c, d]] = grid.wcs.arcsec_per_px(middle);
        let of = |angle: f64| (a * angle.cos() + b * angle.sin()).atan2(c * angle.cos() + d * angle.sin());
        w.rays().map(|angle| of(angle).to_degrees().rem_euclid(180.0)).collect()
    });
    let step = match (wings, &stars.shape, solution.is_some() && !fitted.is_empty()) {
        (Some(wings), Some(core), true) => wings::zero_point_step(wings, &looks, core),
        _ => None,
    };
    notes.extend(wings::note(found.as_ref(), step, grid.wcs.pixel_scale_arcsec(middle)));
    let field_light =
        FieldLight { stars: field_stars, wings: wings.map(|w| (w.clone(), grid.wcs.arcsec_per_px(middle))) };

    let has_star_image = kept.iter().any(|k| k.look.shape.is_some());
    let reference = &kept[kept.len() / 2];
    let comet_grid = CometGrid::about(reference, window::stack_side_px(windows.side_px))?;
    let comet = second_pass::stack_on_comet(&kept, &field_light, &comet_grid, &context, scratch)?;
    tracing::info!("comet-registered stack made");
    for (i, reason) in &comet.lost {
        notes.warn(format!("{} could not be read a second time: {reason}.", kept[*i].look.light.file.name));
    }
    for (i, n) in &comet.crossed {
        let times = if *n == 1 { String::new() } else { format!(" {n} times") };
        let name = &kept[*i].look.light.file.name;
        notes.push(format!("A satellite or an aeroplane crossed {name}{times}; its track was left out of the stack."));
    }
    let mut skies: Vec<f64> = kept.iter().map(|k| k.look.sky_e / k.look.light.exposure_s * k.scale).collect();
    let sky_per_px = robust::median_f64(&mut skies).unwrap_or(0.0);
    let mid = mean_mid(&kept);
    let places: Vec<_> =
        comet.places.iter().filter_map(|(i, place)| Some((kept[*i].look.light.file.path.clone(), (*place)?))).collect();
    let nucleus = |l: &FirstLook| kept.iter().find(|k| std::ptr::eq(k.look, l)).map_or_else(|| sought(l), |k| k.comet);
    let near_stars =
        circumstances::stars_near_nucleus(&looks, &zero_points, stack_zero_point_mag, &field_light.stars, nucleus);
    let in_stack: Vec<usize> = (0..looks.len()).filter(|i| rejected[*i].is_none()).collect();
    let mut substacks = vec![None; looks.len()];
    comet.groups.iter().for_each(|(i, group)| substacks[in_stack[*i]] = Some(group + 1));
    let (seen, largest) =
        (&kept[kept.len() / 2].look.scale_arcsec, apertures_arcsec.iter().copied().fold(0.0, f64::max));
    let passing = passing_stars::passing_stars(
        &kept,
        &field_light.stars,
        (&stars, &grid),
        &catalogue_stars,
        &comet_grid,
        largest / seen,
    );
    drop(kept);
    if let (Some(step), Some(s)) = (step, &mut solution) {
        wings::raise(step, s, &mut zero_points);
        stack_zero_point_mag = stack_zero_point_mag.map(|z| z + step.value);
    }
    let stack = measure_stack::measure(comet, comet_grid, has_star_image, sky_per_px, passing);
    let in_stack_px = field_light
        .wings
        .as_ref()
        .map(|(wings, arcsec_per_px)| wings.turned(product(inverse(comet_grid.local.arcsec_per_px), *arcsec_per_px)));
    let star_leftovers = bright_stars::leftovers(&stack, stars.shape.as_ref(), in_stack_px.as_ref());
    for (path, place) in places {
        if let Some(look) = looks.iter_mut().find(|l| l.light.file.path == path) {
            look.place = Some(place);
        }
    }
    // beside a star no frame tells where the nucleus is, even with the star taken out
    let placed: Vec<bool> =
        looks.iter().zip(&near_stars).filter(|(l, _)| l.place.is_some()).map(|(_, s)| s.is_none()).collect();
    if circumstances::can_speak_alone(placed.iter().filter(|undisturbed| **undisturbed).count(), placed.len()) {
        looks.iter_mut().zip(&near_stars).filter(|(_, s)| s.is_some()).for_each(|(l, _)| l.place = None);
    }
    let offset = centre_on_optocentre(offset, &stack, &mut looks, &rejected);

    tracing::info!("stack measured");
    let (view, geometry) = geometry::at(&motion, &site, mid)?;
    for warning in fanlight_sky::orbit_warnings(&motion, &view, mid) {
        notes.warn(record::sentence(&warning));
    }
    let night = Night {
        campaign,
        inputs,
        looks,
        rejected,
        zero_points,
        solution,
        standards,
        colour,
        weights,
        circumstances: heights,
        near_stars,
        substacks,
        stack_zero_point_mag,
        offset,
        mid,
        stack,
        missing,
        rays_pa_deg,
        star_leftovers,
        simulated,
        other_band,
        band_sigma_mag: catalogue.as_ref().map_or(0.0, Field::band_sigma_mag),
        notes,
    };
    let mut said = Notes::default();
    let calibration = Calibration::of(&night, &geometry, &mut said);
    let basis = record::Basis {
        motion: &motion,
        site: &site,
        geometry: &geometry,
        calibration: calibration.as_ref(),
        said,
        catalogue: catalogue.as_ref().map(|c| c.path.as_path()),
    };
    let mut record = record::night_record(&night, basis, options)?;
    let structure = match structure::look(&night, &record.geometry) {
        Ok(found) => {
            found.fill(&mut record.morphology, &record.geometry);
            history::fill(&mut record, &night.campaign, &options.ledger);
            let along_features = light::feature_sectors(&night, &record, calibration.as_ref());
            record.sectors.extend(along_features);
            foreign_light::widen(&mut record);
            if record.morphology.features.iter().any(|f| f.verdict == "supported" || f.verdict == "provisional") {
                record.notes.push(STARS_IN_PROBABILITIES.into());
            }
            Some(found)
        }
        Err(reason) => {
            record.morphology.not_analysed_because = Some(record::sentence(&reason.to_string()));
            None
        }
    };
    record.summary = fanlight_record::sentences::night_summary(&record);
    Ok(Reduced { night, record, structure, stars, grid })
}

/// What readers of a feature must know while the probability is as it is (benches/records/evidence.md).
const STARS_IN_PROBABILITIES: &str = "On simulated nights the false-alarm probability proved too small where stars or satellites \
    cross the coma: a feature that is found at little more than the limit needs a second night.";

/// People's safety first: said before any work, and of a night that need not be measured again; even when quiet.
pub fn warn_near_sun(elongation_deg: f64) {
    if let Some(warning) = fanlight_sky::sun_warning(elongation_deg) {
        messages::warn_always(&warning);
    }
}

fn solve_zero_points(
    fluxes: &[Vec<zero_point::StarFlux>],
    standards: &[Standard],
    colour: Option<&Colour>,
    has_catalogue: bool,
    notes: &mut Notes,
) -> Option<NightZeroPoint> {
    if !has_catalogue {
        notes.warn("No catalogue is named in the campaign file: there are no magnitudes and no Afρ.");
        return None;
    }
    match zero_point::night_zero_point(fluxes, standards, colour.map(|c| c.solar_mag)) {
        Ok(solution) => Some(solution),
        Err(e) => {
            notes.warn(format!("The brightness could not be tied to the catalogue: {e}."));
            None
        }
    }
}

/// The residuals of the standards used and their places, arcsec about the first.
fn placed_residuals(solution: &NightZeroPoint, entries: &[first_pass::FieldEntry]) -> Vec<PlacedResidual> {
    let used: Vec<_> = solution.stars.iter().filter(|s| s.used).collect();
    let Some(first) = used.first() else { return Vec::new() };
    let about = entries[first.standard].place;
    used.iter()
        .map(|s| {
            let (x, y) = about.tangent_offset_arcsec(&entries[s.standard].place);
            PlacedResidual { x, y, residual_mag: s.residual_mag, sigma_mag: s.sigma_mag }
        })
        .collect()
}

/// The frames that could be measured, with their places in the spool; the others join those left out.
fn keep_measured(
    results: Vec<Result<FirstLook, String>>,
    inputs: &mut Inputs,
) -> Result<(Vec<FirstLook>, Vec<usize>), Failure> {
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
        let mut reasons: Vec<String> =
            inputs.left_out.iter().map(|l| format!("{}: {}", l.file.name, l.reason)).collect();
        reasons.sort();
        return Err(star_stack::nothing_measured(&reasons));
    }
    Ok((looks, spool_index))
}

/// Zero point of the stack: the median of its frames'.
fn median_zero_point(zero_points: &[Option<FrameZeroPoint>], rejected: &[Option<String>]) -> Option<f64> {
    let used = zero_points.iter().zip(rejected).filter(|(_, r)| r.is_none());
    let mut values: Vec<f64> = used.filter_map(|(z, _)| z.map(|z| z.zero_point_mag.value)).collect();
    robust::median_f64(&mut values)
}
