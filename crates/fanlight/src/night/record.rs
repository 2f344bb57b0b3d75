//! Turning results into the night's record: the only place where it is done.

use super::checks;
use super::conditions;
use super::expected::Expected;
use super::first_pass::FirstLook;
use super::notes::Notes;
use super::{Missing, Night, Options};
use crate::{Failure, geometry};
use fanlight_coma::afrho::{self, AfrhoInput};
use fanlight_coma::passing::StarsLeft;
use fanlight_coma::phase_function::PhaseFunction;
use fanlight_coma::photometry::{self, ApertureLight, Brightness};
use fanlight_coma::seeing_loss::SeeingLoss;
use fanlight_coma::solar;
use fanlight_coma::zero_point;
use fanlight_image::{Measured, robust};
use fanlight_record::*;
use fanlight_sky::{Motion, PixelXy, Site, UtcInstant};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// Position angle, in `[0, 180)`, of a direction in a frame's pixel axes at the comet.
pub fn sky_angle_deg(look: &FirstLook, angle_rad: f64) -> f64 {
    let at = look.wcs.pixel_from_sky(look.expected).unwrap_or(PixelXy { x_px: 0.0, y_px: 0.0 });
    angle_on_sky_deg(look.wcs.arcsec_per_px(at), angle_rad)
}

fn angle_on_sky_deg(arcsec_per_px: [[f64; 2]; 2], angle_rad: f64) -> f64 {
    let (sin, cos) = angle_rad.sin_cos();
    let (east, north) = fanlight_coma::stack::apply(arcsec_per_px, (cos, sin));
    east.atan2(north).to_degrees().rem_euclid(180.0)
}

/// Error of the colour assumed for the comet: dusty comae are redder than the Sun by 0 to 0.3 mag in g − r.
const COLOUR_SIGMA_MAG: f64 = 0.15;
/// Error of a magnitude whose colour term is not known, for a comet of nearly solar colour.
const NO_COLOUR_TERM_MAG: f64 = 0.01;

/// The record of a measured night.
///
/// # Errors
/// When the geometry cannot be computed or an input cannot be read for its checksum.
pub fn night_record(
    night: &Night,
    motion: &Motion,
    site: &Site,
    options: &Options,
    catalogue: Option<PathBuf>,
) -> Result<NightRecord, Failure> {
    let (view, geometry) = geometry::at(motion, site, night.mid)?;
    let mut notes = night.notes.clone();
    for warning in fanlight_sky::orbit_warnings(motion, &view, night.mid) {
        notes.warn(sentence(&warning));
    }
    let mut frames = frame_records(night);
    let weights: Vec<(String, f64)> =
        night.looks.iter().zip(&night.weights.of).map(|(l, w)| (l.light.file.name.clone(), *w)).collect();
    let conditions = conditions::sum_up(&mut frames, &weights);
    notes.extend(stars_near_nucleus(&frames));
    if let Some(warning) = checks::frames_left_out(&frames) {
        notes.warn(warning);
    }
    let astrometry = astrometry(night, motion, site);
    let expected = Expected::by_orbit(motion, site);
    if let Some(warning) = astrometry.as_ref().and_then(|a| checks::far_from_orbit(a, &expected, night.mid)) {
        notes.warn(warning);
    }
    let (photometry, phase_function) = photometry_records(night, &geometry, &mut notes);
    let (notes, n_warnings) = notes.into_list();
    let mut record = NightRecord {
        schema: NIGHT_SCHEMA.to_string(),
        object: night.campaign.designation().map_err(geometry::campaign_failure)?.to_string(),
        mid_utc: night.mid.to_iso(),
        astrometry,
        photometry,
        phase_function,
        morphology: morphology(night),
        profile: profile(night),
        zero_point: zero_point(night),
        stack: stack(night, &frames),
        conditions,
        setup: setup(night, site),
        frames,
        notes,
        n_warnings,
        provenance: provenance(night, motion, options, catalogue)?,
        summary: String::new(),
        geometry,
    };
    record.summary = sentences::night_summary(&record);
    Ok(record)
}

/// A warning as a sentence of the notes.
pub fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let start: String = letters.next().map(|c| c.to_uppercase().collect()).unwrap_or_default();
    let end = if text.ends_with('.') { "" } else { "." };
    format!("{start}{}{end}", letters.as_str())
}

fn frame_records(night: &Night) -> Vec<FrameRecord> {
    let residual_sky = night.stack.sky.map_or(0.0, |s| s.level.value);
    // a frame's zero point is used by itself: the error that it shares with the others is its own too
    let common_sigma_mag = night.solution.as_ref().map_or(0.0, |s| s.common_sigma_mag);
    let mut frames: Vec<(f64, FrameRecord)> = night
        .looks
        .iter()
        .enumerate()
        .map(|(i, look)| {
            let area = look.scale_arcsec.powi(2);
            let zero_point = night.zero_points[i];
            let scale = zero_point::scale_to_stack(night.stack_zero_point_mag, zero_point);
            let sky = (look.sky_e / look.light.exposure_s + residual_sky / scale) / area;
            let shape = look.shape.as_ref().map(|s| s.shape);
            let heights = night.circumstances[i];
            let place = look.place.filter(|_| !night.inputs.is_placed_by_hand);
            let record = FrameRecord {
                file: look.light.file.name.clone(),
                mid_utc: Some(look.light.mid.to_iso()),
                exposure_s: Some(look.light.exposure_s),
                filter: look.light.file.filter.clone(),
                used: night.rejected[i].is_none(),
                rejected_because: night.rejected[i].clone(),
                fwhm_arcsec: look.fwhm_arcsec(),
                elongation: shape.map(|s| s.elongation()),
                elongation_pa_deg: shape.map(|s| sky_angle_deg(look, s.angle_rad())),
                sky_e_per_s_arcsec2: Some(sky),
                zero_point_mag: zero_point.map(|z| z.zero_point_mag.value),
                zero_point_err_mag: zero_point.map(|z| z.zero_point_mag.sigma.hypot(common_sigma_mag)),
                zero_point_stars: zero_point.map(|z| z.n_stars),
                comet_ra_deg: place.map(|(p, _)| p.ra_deg),
                comet_dec_deg: place.map(|(p, _)| p.dec_deg),
                comet_err_arcsec: place.map(|(_, v)| v.sigma_arcsec),
                comet_o_minus_c_arcsec: place.map(|(_, v)| [v.east_arcsec, v.north_arcsec]),
                solution: solution(look),
                altitude_deg: heights.map(|h| h.altitude_deg),
                airmass: heights.and_then(|h| h.airmass),
                sun_altitude_deg: heights.map(|h| h.sun_altitude_deg),
                moon_altitude_deg: heights.map(|h| h.moon_altitude_deg),
                stars_found: Some(look.n_stars),
                substack: night.substacks[i],
                star_near_nucleus: night.near_stars[i],
                ..FrameRecord::default()
            };
            (look.light.mid.jd(), record)
        })
        .collect();
    frames.extend(night.inputs.unreadable.iter().map(|s| {
        let record = FrameRecord::left_out(&s.file, &s.reason);
        (f64::INFINITY, record)
    }));
    frames.extend(night.inputs.left_out.iter().map(|l| {
        let record = FrameRecord {
            mid_utc: l.mid.map(|m| m.to_iso()),
            exposure_s: l.file.exposure_s,
            filter: l.file.filter.clone(),
            ..FrameRecord::left_out(&l.file.name, &l.reason)
        };
        (l.mid.map_or(f64::INFINITY, |m| m.jd()), record)
    }));
    frames.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.file.cmp(&b.1.file)));
    frames.into_iter().map(|f| f.1).collect()
}

fn solution(look: &FirstLook) -> Option<SolutionRecord> {
    let tied = look.solution.as_ref()?;
    let comet = look.place.map_or(look.expected, |(place, _)| place);
    Some(SolutionRecord {
        stars: tied.n_matched,
        rms_arcsec: tied.rms_arcsec,
        log10_odds: tied.log10_odds,
        comet_err_arcsec: tied.sigma_at(look.window_wcs().pixel_from_sky(comet).ok()?),
        distortion_order: tied.sip_order,
    })
}

/// That stars stood beside the nucleus, and what was done about it.
fn stars_near_nucleus(frames: &[FrameRecord]) -> Option<String> {
    let beside: Vec<&FrameRecord> = frames.iter().filter(|f| f.used && f.star_near_nucleus.is_some()).collect();
    let brightest = beside.iter().filter_map(|f| f.star_near_nucleus).map(|s| s.mag).reduce(f64::min)?;
    let names: Vec<&str> = beside.iter().take(5).map(|f| f.file.as_str()).collect();
    let more = if beside.len() > names.len() { " and others" } else { "" };
    Some(format!(
        "In {} of the frames used ({}{more}) a star, the brightest of magnitude {brightest:.1}, stands within one star width \
         of the nucleus and gives over 1 % of the light there. It was subtracted, pixels where the subtraction cannot be \
         trusted were left out of these frames, and where others can these frames do not say where the comet is.",
        beside.len(),
        names.join(", ")
    ))
}

fn astrometry(night: &Night, motion: &Motion, site: &Site) -> Option<AstrometryRecord> {
    let offset = night.offset.as_ref().filter(|_| !night.inputs.is_placed_by_hand)?;
    let computed = fanlight_sky::comet_position(motion, site, night.mid).ok()?;
    let place = computed.offset_by_arcsec(offset.east_arcsec, offset.north_arcsec);
    Some(AstrometryRecord {
        mid_utc: night.mid.to_iso(),
        ra_deg: place.ra_deg,
        dec_deg: place.dec_deg,
        err_arcsec: offset.sigma_arcsec,
        o_minus_c_arcsec: [offset.east_arcsec, offset.north_arcsec],
    })
}

/// Zero point of the stack with the error that all its frames share.
pub(super) fn stack_zero_point(night: &Night) -> Option<Measured> {
    let solution = night.solution.as_ref()?;
    let used: Vec<(f64, f64)> = night
        .zero_points
        .iter()
        .zip(&night.weights.of)
        .zip(&night.rejected)
        .filter(|(_, r)| r.is_none())
        .filter_map(|((z, weight), _)| Some((*weight, z.as_ref()?.zero_point_mag.sigma)))
        .collect();
    let total: f64 = used.iter().map(|u| u.0).sum();
    let frames = used.iter().map(|(w, s)| (w * s).powi(2)).sum::<f64>().sqrt() / total.max(f64::MIN_POSITIVE);
    Some(Measured::new(night.stack_zero_point_mag?, solution.common_sigma_mag.hypot(frames)))
}

/// Error of a magnitude without flat frames: the stars all over the frame and the comet in its middle meet different
/// vignetting. 0.05 to 0.12 mag on simulated nights that lose 12 to 30 % of the light in the corners.
const UNEVEN_RESPONSE_MAG: f64 = 0.1;
/// Share of the background by which vignetting that no flat took off bends the sky under the coma, where a bend and a
/// coma look alike. Measured as 0.3 to 0.55 on simulated nights.
const UNFLATTENED_BEND: f64 = 0.4;
/// The same for the camera's offset where it was divided by the flat with the sky: 0.06 to 0.22 on simulated nights.
const OFFSET_BEND: f64 = 0.15;

/// What missing calibration frames may cost.
struct Uncalibrated {
    missing: Missing,
    /// Sky with whatever offset is left in it, e⁻/s per square arcsecond.
    background: f64,
}

impl Uncalibrated {
    fn of(night: &Night) -> Self {
        let used = night.looks.iter().zip(&night.rejected).filter(|(_, r)| r.is_none());
        let mut skies: Vec<f64> = used.map(|(l, _)| l.sky_e / l.light.exposure_s / l.scale_arcsec.powi(2)).collect();
        Self { missing: night.missing, background: robust::median_f64(&mut skies).unwrap_or(0.0).abs() }
    }

    /// Errors of the light in an aperture, e⁻/s, for want of bias and dark frames and for want of flats.
    fn flux_errors(&self, aperture_arcsec: f64) -> [f64; 2] {
        let background = self.background * std::f64::consts::PI * aperture_arcsec.powi(2);
        // an offset that is still in the background is not vignetted: without flats it is not bent, and the share of the
        // background that is sky is the smaller
        let unflattened = if self.missing.offset { OFFSET_BEND } else { UNFLATTENED_BEND };
        [(self.missing.offset, OFFSET_BEND), (self.missing.flat, unflattened)]
            .map(|(is_missing, share)| if is_missing { share * background } else { 0.0 })
    }
}

/// What stars leave in an aperture.
struct StarsInAperture<'a> {
    aperture_km: f64,
    left: &'a StarsLeft,
    mag: f64,
}

/// Error of a magnitude by stars from which on it is told, where no other error is larger.
const STARS_TOLD_MAG: f64 = 0.03;

impl StarsInAperture<'_> {
    /// That stars make most of a magnitude's error, and which one.
    fn warning(&self, night: &Night, terms: &[ErrorTerm]) -> Option<String> {
        let largest = terms.iter().all(|t| t.mag <= self.mag);
        if self.mag < STARS_TOLD_MAG || !largest {
            return None;
        }
        let stack = &night.stack;
        let worst = self.left.worst.filter(|(_, error)| error * error > 0.5 * self.left.sigma().powi(2));
        let star = worst.and_then(|(i, _)| stack.passing.stars.get(i)).filter(|s| s.flux > 0.0);
        let by = match star.zip(night.stack_zero_point_mag) {
            Some((star, zero_point_mag)) => {
                let away = stack.passing.nearest_px(star, stack.centre_px) * stack.scale_arcsec();
                let source = if star.by_catalogue { "by its catalogue magnitude" } else { "by its own image" };
                format!(
                    "most of it by a star of magnitude {:.1} that passes {away:.1}″ from the nucleus and was taken out {source}",
                    zero_point_mag - 2.5 * star.flux.log10()
                )
            }
            None => "by the errors of many that were taken out, and by those that nobody can see under the coma".into(),
        };
        Some(format!(
            "Stars in the aperture of {} km make an error of {:.2} mag, more than anything else, {by}.",
            self.aperture_km, self.mag
        ))
    }
}

fn photometry_records(
    night: &Night,
    geometry: &GeometryRecord,
    notes: &mut Notes,
) -> (Vec<PhotometryRecord>, Option<PhaseFunctionRecord>) {
    let section = &night.campaign.photometry;
    let (Some(zero_point), Some(band)) = (stack_zero_point(night), &section.band) else { return (Vec::new(), None) };
    if section.apertures_km.is_empty() {
        notes.warn("No apertures are set: give photometry.apertures_km to measure magnitudes and Afρ.");
    }
    let term = night.solution.as_ref().and_then(|s| s.colour_term);
    let colour_sigma = term.map_or(NO_COLOUR_TERM_MAG, |t| t.value.abs().max(t.sigma) * COLOUR_SIGMA_MAG);
    match (&night.colour, term) {
        (Some(c), Some(t)) => notes.push(format!(
            "Magnitudes are for a comet of the Sun's colour, {} = {:.2}; the colour term is {} ± {:.3}.",
            c.name.replace('-', " − "),
            c.solar_mag,
            signed(t.value, 3),
            t.sigma
        )),
        _ => notes.push(
            "No colour term could be fitted; magnitudes are for a source of the comparison stars' mean colour.".into(),
        ),
    }
    let solar_magnitude = section.solar_magnitude.or_else(|| solar::solar_magnitude(band));
    match (section.solar_magnitude, solar_magnitude) {
        (Some(m), _) => {
            notes.push(format!("Afρ uses the campaign file's solar magnitude, {} in {band}.", signed(m, 2)))
        }
        (None, Some(m)) => notes.push(format!(
            "Afρ uses a solar magnitude of {} in {band} ({}).",
            signed(m, 2),
            solar::SOLAR_MAGNITUDE_SOURCE
        )),
        (None, None) => notes.warn(format!(
            "No solar magnitude is known for band {band}: there is no Afρ; set photometry.solar_magnitude."
        )),
    }
    let function = PhaseFunction::HalleyQuadratic;
    let phase = function.value(geometry.phase_deg).ok();
    if phase.is_none() {
        notes.warn(format!(
            "The phase angle, {:.1}°, is outside the phase function's range: there is no A(0°)fρ.",
            geometry.phase_deg
        ));
    }
    let scale_arcsec = night.stack.scale_arcsec();
    let uncalibrated = Uncalibrated::of(night);
    let shows_centre = night.stack.shows_centre();
    if !shows_centre {
        notes.warn(
            "No pixel shows the comet's centre: it is saturated or masked in most frames. There are no magnitudes and no Afρ, only \
             what the comet is brighter than.",
        );
    }
    let losses = night
        .stack
        .kernel
        .filter(|_| shows_centre)
        .and_then(|k| SeeingLoss::new(&night.stack.rings, &night.stack.comet.kernel, k.fwhm_px()));
    let fwhm_arcsec = night.stack.kernel.map(|k| k.fwhm_px() * scale_arcsec);
    let at_edge = night.stack.coma_at_edge();
    let mut records = Vec::new();
    for aperture_km in &section.apertures_km {
        let aperture_arcsec = aperture_km / geometry.km_per_arcsec;
        let Some((light, left)) = night.stack.aperture(aperture_arcsec / scale_arcsec) else {
            notes.warn(format!(
                "The aperture of {aperture_km} km ({aperture_arcsec:.1}″) is not wholly on the stack and was left out."
            ));
            continue;
        };
        if let Some(width) = fwhm_arcsec.filter(|f| aperture_arcsec < sentences::RESOLVED_FWHM * f) {
            notes.warn(format!(
                "The aperture of {aperture_km} km ({aperture_arcsec:.1}″) is smaller than twice the star image's width \
                 ({width:.1}″): seeing scatters light out of it, and its magnitude is too faint and its Afρ too low."
            ));
        }
        let as_mag = |flux_error: f64| 1.0857 * flux_error / light.flux.abs().max(1e-30);
        let [offset, flat] = uncalibrated.flux_errors(aperture_arcsec);
        let mut error_terms_mag = [
            ("photon and read noise", as_mag(light.noise)),
            ("sky", as_mag(light.sky)),
            ("zero point", zero_point.sigma),
            ("colour", colour_sigma),
            ("centring", as_mag(light.centring)),
            ("pixel sampling", as_mag(light.sampling)),
            ("filled pixels", as_mag(light.filled)),
            (sentences::STARS_TERM, as_mag(light.stars)),
        ]
        .map(|(name, mag)| ErrorTerm { name: name.to_string(), mag })
        .to_vec();
        let of_stars = StarsInAperture { aperture_km: *aperture_km, left: &left, mag: as_mag(light.stars) };
        if let Some(warning) = of_stars.warning(night, &error_terms_mag) {
            notes.warn(warning);
        }
        let response = if night.missing.flat { UNEVEN_RESPONSE_MAG } else { 0.0 };
        for (is_missing, name, mag) in [
            (night.missing.offset, sentences::NO_OFFSET_TERM, as_mag(offset)),
            (night.missing.flat, sentences::NO_FLAT_TERM, as_mag(flat).hypot(response)),
        ] {
            if is_missing {
                error_terms_mag.push(ErrorTerm { name: name.to_string(), mag });
            }
        }
        let with_missing = ApertureLight { sky: light.sky.hypot(offset).hypot(flat), ..light };
        let found = photometry::brightness(&with_missing, zero_point, colour_sigma.hypot(response));
        let (mag, fainter_than, brighter_than) = match found {
            Brightness::Magnitude(m) if shows_centre => (Some(m), None, None),
            Brightness::Magnitude(m) => (None, None, Some(m.value + 3.0 * m.sigma)),
            Brightness::FainterThan(limit) => (None, Some(limit).filter(|_| shows_centre), None),
        };
        let afrho = mag.zip(solar_magnitude).and_then(|(magnitude, solar_magnitude)| {
            let (r_au, delta_au, radius_km) = (geometry.r_au, geometry.delta_au, *aperture_km);
            afrho::afrho_cm(&AfrhoInput { magnitude, solar_magnitude, r_au, delta_au, radius_km }).ok()
        });
        records.push(PhotometryRecord {
            aperture_km: *aperture_km,
            aperture_arcsec,
            band: band.to_string(),
            mag: mag.map(|m| m.value),
            mag_err: mag.map(|m| m.sigma),
            limit_3sigma_mag: fainter_than,
            brighter_than_mag: brighter_than,
            afrho_cm: afrho.map(|a| a.value),
            afrho_err_cm: afrho.map(|a| a.sigma),
            a0frho_cm: afrho.zip(phase).map(|(a, p)| a.value / p),
            a0frho_err_cm: afrho.zip(phase).map(|(a, p)| a.sigma / p),
            error_terms_mag,
            edge_sky_loss: at_edge.map(|edge| {
                let loss = edge * std::f64::consts::PI * (aperture_arcsec / scale_arcsec).powi(2) / light.flux;
                if light.flux > 0.0 { loss.min(1.0) } else { 1.0 }
            }),
            seeing_loss: losses.as_ref().map(|l| l.in_aperture(aperture_arcsec / scale_arcsec)),
            filled_fraction: light.filled_fraction,
        });
    }
    notes.extend(filled_frame(&records));
    let record = phase.map(|value| PhaseFunctionRecord {
        name: function.name().to_string(),
        source: function.source().to_string(),
        value,
    });
    (records, record)
}

/// What a coma that fills the stack does to the light in each aperture.
fn filled_frame(photometry: &[PhotometryRecord]) -> Option<String> {
    let worst = photometry.iter().filter_map(|p| p.edge_sky_loss).reduce(f64::max)?;
    if worst < sentences::EDGE_LOSS_TOLD {
        return None;
    }
    let each: Vec<String> = photometry
        .iter()
        .filter_map(|p| {
            let sky = p.error_terms_mag.iter().find(|t| t.name == "sky")?.mag;
            Some(format!("{:.1} % within {} km (error {:.1} %)", 100.0 * p.edge_sky_loss?, p.aperture_km, 92.1 * sky))
        })
        .collect();
    Some(format!(
        "The coma fills the part of the frames that was used: it is still over the sky at the edge. A sky read there would \
         lower the light and Afρ by {}. The sky was fitted together with the coma's fall-off instead; what that may get wrong \
         is the error in brackets, and is in the error of each magnitude as its sky term.",
        each.join(", ")
    ))
}

/// A number with a true minus sign.
pub fn signed(value: f64, decimals: usize) -> String {
    format!("{value:.decimals$}").replace('-', "−")
}

fn morphology(night: &Night) -> MorphologyRecord {
    let scale = night.stack.scale_arcsec();
    // without a place on the sky it is the only word on where the comet is
    let by_hand = night.offset.as_ref().filter(|_| night.inputs.is_placed_by_hand);
    let centroid_err_arcsec = by_hand.map(|o| o.sigma_arcsec);
    MorphologyRecord {
        optocentre_err_arcsec: night.stack.optocentre.map(|o| o.sigma_px() * scale).or(centroid_err_arcsec),
        psf: night.stack.kernel.map(|k| KernelRecord {
            fwhm_arcsec: k.fwhm_px() * scale,
            elongation: k.elongation(),
            pa_deg: angle_on_sky_deg(night.stack.grid.local.arcsec_per_px, k.angle_rad),
        }),
        detection_limit: Vec::new(),
        features: Vec::new(),
        analysed: false,
        ..MorphologyRecord::default()
    }
}

fn profile(night: &Night) -> Vec<ProfileRecord> {
    let scale = night.stack.scale_arcsec();
    let area = scale * scale;
    let zero_point = night.stack_zero_point_mag;
    let sky_sigma = night.stack.sky.map_or(0.0, |s| s.level.sigma);
    let (mut enclosed, mut from_px) = (0.0, 0.0);
    let rings = night.stack.rings.iter().filter(|r| r.n_good > 0 && r.mean.is_finite());
    rings
        .map(|r| {
            // a ring without good pixels counts like the next that has some
            enclosed += r.mean * std::f64::consts::PI * (r.outer_px.powi(2) - f64::powi(from_px, 2));
            from_px = r.outer_px;
            let mean = r.mean / area;
            let err = r.sigma_of_mean.unwrap_or(0.0).hypot(sky_sigma) / area;
            ProfileRecord {
                rho_arcsec: r.mean_radius_px * scale,
                inner_arcsec: r.inner_px * scale,
                outer_arcsec: r.outer_px * scale,
                mean_e_per_s_arcsec2: mean,
                err_e_per_s_arcsec2: err,
                mag_per_arcsec2: zero_point.filter(|_| mean > 3.0 * err).map(|z| z - 2.5 * mean.log10()),
                enclosed_e_per_s: enclosed,
            }
        })
        .collect()
}

fn zero_point(night: &Night) -> Option<ZeroPointRecord> {
    let solution = night.solution.as_ref()?;
    let zero_point = stack_zero_point(night)?;
    Some(ZeroPointRecord {
        band: night.campaign.photometry.band.clone()?,
        stack_zero_point_mag: zero_point.value,
        stack_zero_point_err_mag: zero_point.sigma,
        colour_term: solution.colour_term.map(|t| t.value),
        colour: night.colour.as_ref().map(|c| c.name.clone()),
        comet_colour_mag: night.colour.as_ref().map(|c| c.solar_mag),
        stars: solution
            .stars
            .iter()
            .map(|s| ZeroPointStar {
                catalogue_mag: night.standards[s.standard].magnitude,
                colour_mag: night.standards[s.standard].colour,
                residual_mag: s.residual_mag,
                err_mag: s.sigma_mag,
                used: s.used,
            })
            .collect(),
    })
}

fn stack(night: &Night, frames: &[FrameRecord]) -> StackRecord {
    let kept: Vec<&FirstLook> =
        night.looks.iter().zip(&night.rejected).filter(|(_, r)| r.is_none()).map(|(l, _)| l).collect();
    let scale = night.stack.scale_arcsec();
    let area = scale * scale;
    let stacked = &night.stack.comet.stacked;
    StackRecord {
        n_frames: kept.len() - night.stack.comet.lost.len(),
        exposure_s: kept.iter().map(|l| l.light.exposure_s).sum(),
        first_utc: kept.first().map_or_else(String::new, |l| l.light.mid.to_iso()),
        last_utc: kept.last().map_or_else(String::new, |l| l.light.mid.to_iso()),
        n_substacks: stacked.substacks.len(),
        substacks: (1..=stacked.substacks.len()).filter_map(|i| substack(frames, i)).collect(),
        weights_radius_arcsec: Some(night.weights.coma.radius_arcsec),
        weights_light_e_per_s: Some(night.weights.coma.light_e_per_s),
        width_px: stacked.image.width,
        height_px: stacked.image.height,
        centre_x_px: night.stack.centre_px.0,
        centre_y_px: night.stack.centre_px.1,
        arcsec_per_px: night.stack.grid.local.arcsec_per_px,
        residual_sky_e_per_s_arcsec2: night.stack.sky.map_or(0.0, |s| s.level.value / area),
        residual_sky_err_e_per_s_arcsec2: night.stack.sky.map_or(0.0, |s| s.level.sigma / area),
        sky_order: night.stack.sky.map(|s| if s.second_order.is_some() { 2 } else { 1 }),
        coma_at_edge_e_per_s_arcsec2: night.stack.sky.map(|s| s.coma_at_edge / area),
        sky_noise_e_per_s_px: night.stack.sky_noise,
    }
}

/// A sub-stack by the frames in it; `None` of none.
fn substack(frames: &[FrameRecord], number: usize) -> Option<SubstackRecord> {
    let own: Vec<(f64, &FrameRecord)> =
        frames.iter().filter(|f| f.substack == Some(number)).filter_map(|f| Some((f.stack_share?, f))).collect();
    let share: f64 = own.iter().map(|(s, _)| s).sum();
    let utc = |f: &FrameRecord| f.mid_utc.as_deref().and_then(|t| UtcInstant::parse(t).ok());
    let first = utc(own.first()?.1)?;
    let seconds = own.iter().map(|(s, f)| Some(s * utc(f)?.seconds_since(&first))).sum::<Option<f64>>()? / share;
    let airmass = own.iter().map(|(s, f)| Some(s * f.airmass?)).sum::<Option<f64>>().map(|a| a / share);
    Some(SubstackRecord { n_frames: own.len(), share, mid_utc: first.plus_seconds(seconds).to_iso(), airmass })
}

fn setup(night: &Night, site: &Site) -> SetupRecord {
    let campaign = &night.campaign;
    SetupRecord {
        site: campaign.site.as_ref().and_then(|s| s.name.clone()),
        longitude_deg: site.longitude_deg,
        latitude_deg: site.latitude_deg,
        height_m: site.height_m,
        telescope: campaign.telescope.name.clone(),
        filter: night.inputs.filter.clone(),
        observers: campaign.observer.names.clone(),
        simulated: night.simulated,
    }
}

fn provenance(
    night: &Night,
    motion: &Motion,
    options: &Options,
    catalogue: Option<PathBuf>,
) -> Result<Provenance, Failure> {
    let role = |files: &[fanlight_io::FrameFile], role: &'static str| -> Vec<(PathBuf, String, &'static str)> {
        files.iter().map(|f| (f.path.clone(), f.name.clone(), role)).collect()
    };
    let file_name = |p: &Path| p.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let mut inputs = vec![(options.campaign.clone(), file_name(&options.campaign), "campaign")];
    inputs.extend(catalogue.map(|p| (p.clone(), file_name(&p), "catalogue")));
    let lights: Vec<_> = night.looks.iter().map(|l| l.light.file.clone()).collect();
    inputs.extend(role(&lights, "light"));
    inputs.extend(role(&night.inputs.biases, "bias"));
    inputs.extend(role(&night.inputs.darks, "dark"));
    inputs.extend(role(&night.inputs.flat_darks, "flat dark"));
    inputs.extend(role(&night.inputs.flats, "flat"));
    let inputs = inputs
        .into_par_iter()
        .map(|(path, file, role)| {
            let sha256 = fanlight_io::sha256_file(&path).map_err(Failure::data)?;
            Ok(InputFile { file, role: role.to_string(), sha256 })
        })
        .collect::<Result<Vec<_>, Failure>>()?;
    Ok(Provenance {
        program: format!("fanlight {}", env!("CARGO_PKG_VERSION")),
        command: options.as_typed(),
        inputs,
        methods: [geometry_method(motion)].iter().chain(METHODS).map(|m| m.to_string()).collect(),
    })
}

/// The same for the geometry, whose method depends on what could be followed.
fn geometry_method(motion: &Motion) -> &'static str {
    if motion.is_perturbed() {
        "Geometry: the comet's motion integrated from the epoch (Dormand-Prince 8(5,3)) under the Sun with its first \
         post-Newtonian term, eight planets and the Moon (VSOP87A, Bretagnon & Francou 1988, A&A 202, 309, Jupiter corrected \
         toward JPL DE421; IAU 2009 masses), and A1-A3 where given (Marsden, Sekanina & Yeomans 1973, AJ 78, 211); iterated \
         light time; Earth and Moon from the SOFA routines epv00 and moon98, time scales and Earth rotation from SOFA-derived \
         routines (not endorsed by SOFA)."
    } else {
        "Geometry: two-body motion with iterated light time; the Earth from the SOFA routine epv00, time scales and Earth \
         rotation from SOFA-derived routines (not endorsed by SOFA)."
    }
}

/// The methods, each with its source.
const METHODS: &[&str] = &[
    "Coordinates: each frame's fitted to the catalogue, an offset and with 15 stars or more a linear map, a SIP distortion \
     (Shupe et al. 2005, ASP Conf. 347, 491) where stars left out of the fit ask for one; a match at odds under a thousand \
     to one against chance (after Lang et al. 2010, AJ 139, 1782) is refused.",
    "Cosmic rays: Laplacian edge detection (van Dokkum 2001, PASP 113, 1420).",
    "Star images: one elliptical Moffat function per frame (Moffat 1969, A&A 3, 455), or one drawn out along a straight \
     trail where that fits clearly better, integrated over pixels; widths are those at half maximum.",
    "Zero points: total star light by star-image fits against catalogue magnitudes, weighted and robust, with a colour \
     term where the catalogue has two bands.",
    "Registration: ephemeris motion plus one constant offset for the night; Lanczos-3 resampling with weights of sum one.",
    "Stars: found in the star-registered stack, subtracted from every frame with the frame's star image, pixels masked \
     where the star model may be wrong by more than the noise.",
    "Combination: samples beyond 4 sigma of the median dropped, the rest averaged with the weights that measure the coma's \
     light in one aperture best (sky, transparency, the coma's own photons, seeing, zero point).",
    "Sky under the coma: a plane, or a surface of the second order where sectors left out of the fit ask for one, fitted \
     together with a broken power law for the coma (outer slope after Jewitt & Meech \
     1987, ApJ 317, 992).",
    "Afρ: A'Hearn et al. 1984, AJ 89, 579.",
    "Rotational gradient: Larson & Sekanina 1984, AJ 89, 571, symmetric form.",
];
