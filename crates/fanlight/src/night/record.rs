//! Turning results into the night's record: the only place where it is done.

use super::checks;
use super::conditions;
use super::expected::Expected;
use super::first_pass::FirstLook;
use super::notes::Notes;
use super::photometry::Calibration;
use super::{Night, Options, dust, extinction, light};
use crate::export::reporting;
use crate::{Failure, geometry};
use fanlight_coma::zero_point;
use fanlight_image::Measured;
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

/// What a night is recorded with beside what was measured.
pub struct Basis<'a> {
    /// How the comet moves.
    pub motion: &'a Motion,
    /// The place of observation.
    pub site: &'a Site,
    /// Geometry at the night's middle.
    pub geometry: &'a GeometryRecord,
    /// How light becomes magnitudes, where the night is calibrated, …
    pub calibration: Option<&'a Calibration<'a>>,
    /// … and what is to be said of it.
    pub said: Notes,
    /// The catalogue's file.
    pub catalogue: Option<&'a Path>,
}

/// The record of a measured night.
///
/// # Errors
/// When an input cannot be read for its checksum.
pub fn night_record(night: &Night, basis: Basis, options: &Options) -> Result<NightRecord, Failure> {
    let Basis { motion, site, geometry, calibration, said, catalogue } = basis;
    let mut notes = night.notes.clone();
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
    notes.append(said);
    let photometry = calibration.map_or_else(Vec::new, |c| c.records(&mut notes));
    let light = light::Records::of(night, geometry, calibration);
    let dust = calibration.map(|c| dust::record(c, &light, &mut notes));
    let extinction = extinction::record(night, &mut notes);
    let phase_function = calibration.and_then(|c| c.dust.phase_record());
    let (notes, n_warnings) = notes.into_list();
    let mut record = NightRecord {
        schema: NIGHT_SCHEMA.to_string(),
        object: night.campaign.designation().map_err(geometry::campaign_failure)?.to_string(),
        mid_utc: night.mid.to_iso(),
        astrometry,
        photometry,
        phase_function,
        curve_of_growth: light.growth,
        sectors: light.sectors,
        profile_shape: light.shape,
        total_magnitude: light.total,
        dust,
        extinction,
        colour: calibration.and_then(|c| c.colour.clone()),
        morphology: morphology(night),
        profile: profile(night, calibration.map(|c| c.zero_point.value)),
        zero_point: zero_point(night),
        stack: stack(night, &frames),
        conditions,
        setup: setup(night, site),
        frames,
        notes,
        n_warnings,
        provenance: provenance(night, motion, options, catalogue)?,
        summary: String::new(),
        geometry: geometry.clone(),
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
    let axes = night.stack.optocentre.map(|optocentre| {
        place_errors(optocentre.covariance_px2, night.stack.grid.local.arcsec_per_px, offset.sigma_arcsec)
    });
    let place = computed.offset_by_arcsec(offset.east_arcsec, offset.north_arcsec);
    Some(AstrometryRecord {
        mid_utc: night.mid.to_iso(),
        ra_deg: place.ra_deg,
        dec_deg: place.dec_deg,
        err_arcsec: offset.sigma_arcsec,
        err_ra_dec_arcsec: axes.map(|(errors, _)| errors),
        err_correlation: axes.map(|(_, correlation)| correlation),
        o_minus_c_arcsec: [offset.east_arcsec, offset.north_arcsec],
    })
}

/// Errors of the night's place along east and north, and their correlation: the optocentre's covariance turned to the sky, and
/// all else that is in the error per axis, which is the same in every direction.
fn place_errors([xx, yy, xy]: [f64; 3], arcsec_per_px: [[f64; 2]; 2], err_arcsec: f64) -> ([f64; 2], f64) {
    let [[a, b], [c, d]] = arcsec_per_px;
    let (east, north) = (a * a * xx + 2.0 * a * b * xy + b * b * yy, c * c * xx + 2.0 * c * d * xy + d * d * yy);
    let both = a * c * xx + (a * d + b * c) * xy + b * d * yy;
    let rest = (err_arcsec * err_arcsec - 0.5 * (east + north)).max(0.0);
    let errors = [(east + rest).sqrt(), (north + rest).sqrt()];
    (errors, both / (errors[0] * errors[1]))
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
    Some(Measured::new(
        night.stack_zero_point_mag?,
        solution.common_sigma_mag.hypot(frames).hypot(night.band_sigma_mag),
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
        azimuthal_profiles: Vec::new(),
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

fn profile(night: &Night, zero_point: Option<f64>) -> Vec<ProfileRecord> {
    let scale = night.stack.scale_arcsec();
    let area = scale * scale;
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
        reporting: reporting::of_campaign(campaign),
    }
}

fn provenance(
    night: &Night,
    motion: &Motion,
    options: &Options,
    catalogue: Option<&Path>,
) -> Result<Provenance, Failure> {
    let role = |files: &[fanlight_io::FrameFile], role: &'static str| -> Vec<(PathBuf, String, &'static str)> {
        files.iter().map(|f| (f.path.clone(), f.name.clone(), role)).collect()
    };
    let file_name = |p: &Path| p.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
    let mut inputs = vec![(options.campaign.clone(), file_name(&options.campaign), "campaign")];
    inputs.extend(catalogue.map(|p| (p.to_path_buf(), file_name(p), "catalogue")));
    inputs.extend(options.other_band.iter().map(|p| {
        let path = super::colour::record_in(p);
        (path.clone(), file_name(&path), "night in another band")
    }));
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
         light time; Earth and Moon from the SOFA routines epv00, corrected toward JPL DE423, and moon98, time scales and \
         Earth rotation from SOFA-derived routines (not endorsed by SOFA)."
    } else {
        "Geometry: two-body motion with iterated light time; the Earth from the SOFA routine epv00, corrected toward JPL DE423, \
         time scales and Earth rotation from SOFA-derived routines (not endorsed by SOFA)."
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

#[cfg(test)]
mod tests {
    use super::*;

    /// 1″ pixels, east to the left; then a camera turned by 45°, which makes of a long column's error one of both axes.
    #[test]
    fn the_places_covariance_is_turned_to_the_sky() {
        let covariance = [0.01, 0.04, 0.0];
        let ([east, north], correlation) = place_errors(covariance, [[-1.0, 0.0], [0.0, 1.0]], 0.025f64.sqrt());
        assert!((east - 0.1).abs() < 1e-12 && (north - 0.2).abs() < 1e-12 && correlation.abs() < 1e-12);
        let h = 0.5f64.sqrt();
        let ([east, north], correlation) = place_errors(covariance, [[-h, h], [h, h]], 0.025f64.sqrt());
        assert!((east * east - 0.025).abs() < 1e-12 && (north * north - 0.025).abs() < 1e-12);
        // the longer axis of the error, along rows, points north-east: (0.04 - 0.01) / 2 over 0.025
        assert!((correlation - 0.6).abs() < 1e-12, "{correlation}");
        // an error that is the same in every direction rounds it off, and the mean of the variances stays what is recorded
        let ([east, north], correlation) = place_errors([0.01, 0.04, 0.012], [[-2.0, 0.1], [0.1, 2.0]], 0.5);
        assert!((0.5 * (east * east + north * north) - 0.25).abs() < 1e-12);
        assert!(east < north && correlation < 0.0 && correlation > -0.25, "{east} {north} {correlation}");
    }
}
