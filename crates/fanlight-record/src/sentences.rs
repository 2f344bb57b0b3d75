//! Numbers, dates and sentences in words that the evidence supports.
//!
//! Everything that is read by people is worded here once, so that the page, the figures and `night.json` agree.

mod dates;
mod numbers;
mod season;
mod structure;

pub use dates::{format_utc, format_utc_exact, format_utc_long, utc_days};
pub use numbers::{THIN_SPACE, fixed, format_magnitude, format_measured, format_round, format_value};
pub use season::{change_statement, night_caption, season_cannot_say, season_caption, season_summary};
pub use structure::{
    condensation_words, feature_name, format_chance, format_pa, format_percent, limit_sentence, quoted_limit,
    search_words, twin_words, what_it_may_be,
};

use crate::{NightRecord, PhotometryRecord};
use structure::{cannot_say_of_structure, structure_words};

/// Whether the comet shows in the stack, be its place on the sky known or not.
fn was_found(night: &NightRecord) -> bool {
    night.astrometry.is_some() || night.morphology.optocentre_err_arcsec.is_some()
}

/// One or two plain sentences: which comet, when, how bright and how dusty at the middle aperture with 1σ errors,
/// from how many frames in what seeing, and what was (or was not) done about structure.
///
/// Says so where the comet was not found, no frame could be used, or nothing was calibrated.
pub fn night_summary(night: &NightRecord) -> String {
    let when = format_utc_long(&night.mid_utc);
    let total = night.frames.len();
    let used = night.frames.iter().filter(|f| f.used).count();
    let object = &night.object;
    if used == 0 {
        return format!("{object}, {when}: none of {} could be used, so nothing was measured.", frames(total));
    }
    let from = match median_seeing_arcsec(night) {
        Some(seeing) => format!("{used} of {} in seeing of {}″", frames(total), fixed(seeing, 1)),
        None => format!("{used} of {}", frames(total)),
    };
    if !was_found(night) {
        return format!("{object} was not found on {when}, in a stack of {from}.");
    }
    let brightness = match headline_aperture(night) {
        None if night.photometry.is_empty() => {
            format!("{object} was recorded on {when}; its brightness was not calibrated ({from}).")
        }
        None => format!(
            "{object} was recorded on {when} ({from}); none of the apertures reaches twice the star image's width, so no \
             brightness is quoted here."
        ),
        Some(light) => {
            let loss = seeing_beyond_error(light).map(|l| format!(" {l}")).unwrap_or_default();
            format!("{object} on {when}: {}, from {from}.{loss}", brightness_words(light))
        }
    };
    let parts = [Some(brightness), calibration_words(night), Some(structure_words(night)), simulated_words(night)];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

/// What a reader might take from the page and may not: one sentence each, most important first. The record's own
/// `notes` are not repeated here.
pub fn cannot_say(night: &NightRecord) -> Vec<String> {
    let mut out = Vec::new();
    if !night.morphology.analysed {
        let because = night.morphology.not_analysed_because.as_ref().map(|b| format!(" {b}")).unwrap_or_default();
        out.push(format!(
            "Whether the coma holds jets, fans or any other structure: it was not analysed, so an empty list of \
             features says nothing either way.{because}"
        ));
        out.push(
            "Whether a ray in the rotational gradient is real: no featureless twin was made for this night, and a \
             misplaced centre or an elongated star image draws rays of its own."
                .to_string(),
        );
    }
    out.extend(cannot_say_of_structure(night));
    if night.astrometry.is_none() {
        out.push(match was_found(night) {
            true => "Where the comet was: the image could not be tied to the sky.".to_string(),
            false => {
                "Where the comet was: no light was found that could be measured near the predicted place.".to_string()
            }
        });
    }
    if night.photometry.is_empty() {
        out.push("How bright the comet was: the night was not calibrated to a catalogue.".to_string());
    } else {
        if let Some(loss) = headline_aperture(night).and_then(seeing_beyond_error) {
            out.push(format!("How bright the coma would be without the blur of the air. {loss}"));
        }
        if night.photometry.iter().any(|p| p.brighter_than_mag.is_some()) {
            out.push("How bright the comet was in all: no pixel shows the light of its very centre.".to_string());
        }
        if night.photometry.iter().any(|p| p.limit_3sigma_mag.is_some()) {
            out.push(
                "The magnitude where only a limit is given: the light there is less than three times its error."
                    .to_string(),
            );
        }
        if night.photometry.iter().any(|p| p.afrho_cm.is_some()) {
            out.push(
                "How much of the light is gas: one band cannot tell it from dust, and Afρ counts all of it as dust."
                    .to_string(),
            );
        }
        if night.photometry.iter().any(|p| p.a0frho_cm.is_some()) {
            out.push(
                "How this comet's dust scatters at other phase angles: A(0°)fρ takes a general phase function, which is \
                 itself uncertain by tens of per cent at large phase angles; that is not in the error."
                    .to_string(),
            );
        }
    }
    out
}

/// The night for somebody who knows no astronomy: how far the comet was, how bright, how large the cloud that was measured.
pub fn plain_words(night: &NightRecord) -> String {
    /// Kilometres in an astronomical unit (IAU 2012 resolution B2), in millions.
    const AU_MILLION_KM: f64 = 149.597_870_7;
    /// Minutes that light takes for it.
    const AU_LIGHT_MIN: f64 = 8.316_746;
    /// The faintest star that the naked eye sees under a dark sky, in the usual round number.
    const NAKED_EYE_MAG: f64 = 6.0;
    let g = &night.geometry;
    let million_km = |au: f64| format!("{} million{THIN_SPACE}km", format_value(au * AU_MILLION_KM, 3));
    let mut text = format!(
        "The comet was {} from the Sun and {} from the observer, a way that its light made in {}{THIN_SPACE}minutes.",
        million_km(g.r_au),
        million_km(g.delta_au),
        format_value(g.delta_au * AU_LIGHT_MIN, 2)
    );
    if let Some((light, mag)) = headline_aperture(night).and_then(|p| Some((p, p.mag?))) {
        let ratio = 10f64.powf(0.4 * (mag - NAKED_EYE_MAG));
        let compared = if ratio > 1.5 {
            format!("about {} times fainter than the faintest star that the naked eye sees", format_value(ratio, 1))
        } else {
            "bright enough for the naked eye under a dark sky, were all of it in one point".to_string()
        };
        text.push_str(&format!(
            " The part of its cloud of dust that was measured is {}{THIN_SPACE}km across and shines like a star of magnitude \
             {}, {compared}.",
            fixed(2.0 * light.aperture_km, 0),
            fixed(mag, 1)
        ));
    }
    text
}

/// Apertures of a radius under so many star widths say more about the seeing than about the coma.
pub const RESOLVED_FWHM: f64 = 2.0;

/// Whether an aperture's radius is at least twice the width of a star image in the stack; where that width is not known,
/// of the single frames' median.
pub fn is_resolved(night: &NightRecord, light: &PhotometryRecord) -> bool {
    let width = night.morphology.psf.as_ref().map(|p| p.fwhm_arcsec).or_else(|| median_seeing_arcsec(night));
    width.is_none_or(|w| light.aperture_arcsec >= RESOLVED_FWHM * w)
}

/// The aperture that summaries quote: of those that are resolved the one in the middle of the list sorted by radius (the
/// inner of the two middle ones). `None` when nothing was calibrated or none is resolved.
pub fn headline_aperture(night: &NightRecord) -> Option<&PhotometryRecord> {
    let mut sorted: Vec<_> = night.photometry.iter().filter(|p| is_resolved(night, p)).collect();
    sorted.sort_by(|a, b| a.aperture_km.total_cmp(&b.aperture_km));
    sorted.get(sorted.len().saturating_sub(1) / 2).copied()
}

/// The light that seeing takes out of an aperture, in a sentence, where it is more than the magnitude's error.
pub fn seeing_beyond_error(light: &PhotometryRecord) -> Option<String> {
    let (loss, error) = (light.seeing_loss?, light.mag_err?);
    (light.seeing_mag()? > error).then(|| {
        format!(
            "As seen: seeing takes about {}{THIN_SPACE}% out of this aperture, which the error does not hold.",
            format_value(100.0 * loss, if loss < 0.095 { 1 } else { 2 })
        )
    })
}

/// Share of the light in the largest aperture that a sky read at the stack's edge would take from which on a coma that fills
/// the frame is told: the fit leaves about a quarter of it.
pub const EDGE_LOSS_TOLD: f64 = 0.03;

/// Name of a magnitude's error term for the light's own noise.
pub const NOISE_TERM: &str = "photon and read noise";

/// Name of a magnitude's error term for what the field's stars leave in the aperture.
pub const STARS_TERM: &str = "stars left in the aperture";

/// Names of the error terms of a night without these calibration frames; summaries tell them by their names.
pub const NO_OFFSET_TERM: &str = "no bias or dark frames";
/// See [`NO_OFFSET_TERM`].
pub const NO_FLAT_TERM: &str = "no flat frames";

fn calibration_words(night: &NightRecord) -> Option<String> {
    let has = |name: &str| night.photometry.iter().any(|p| p.error_terms_mag.iter().any(|t| t.name == name));
    let what = match (has(NO_OFFSET_TERM), has(NO_FLAT_TERM)) {
        (true, true) => "bias, dark or flat frames",
        (true, false) => "bias or dark frames",
        (false, true) => "flat frames",
        (false, false) => return None,
    };
    Some(format!("There are no {what}: most of the error is what that may cost."))
}

fn simulated_words(night: &NightRecord) -> Option<String> {
    night.setup.simulated.then(|| "The frames are simulated.".to_string())
}

/// Star images longer than this many times their width are trails: the width across one is the seeing.
const TRAIL_ELONGATION: f64 = 2.0;

/// Median of the used frames' star widths; of long trails, across them.
pub fn median_seeing_arcsec(night: &NightRecord) -> Option<f64> {
    let width = |f: &crate::FrameRecord| {
        let across = f.elongation.filter(|e| *e > TRAIL_ELONGATION).map_or(1.0, |e| e.sqrt().recip());
        Some(f.fwhm_arcsec? * across)
    };
    median(night.frames.iter().filter(|f| f.used).filter_map(width).filter(|w| w.is_finite()).collect())
}

/// Median; `None` of nothing.
pub(crate) fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let upper = *values.get(values.len() / 2)?;
    Some(if values.len().is_multiple_of(2) { (values[values.len() / 2 - 1] + upper) / 2.0 } else { upper })
}

fn brightness_words(light: &PhotometryRecord) -> String {
    let mut parts = Vec::new();
    match (light.mag, light.limit_3sigma_mag, light.brighter_than_mag) {
        (Some(mag), ..) => parts.push(format!(
            "magnitude {} in band {}",
            format_magnitude(mag, light.mag_err.unwrap_or(f64::NAN)),
            light.band
        )),
        (None, Some(limit), _) => {
            parts.push(format!("fainter than magnitude {} in band {} (3σ)", fixed(limit, 2), light.band));
        }
        (None, None, Some(limit)) => {
            parts.push(format!("brighter than magnitude {} in band {}", fixed(limit, 2), light.band));
        }
        (None, None, None) => parts.push(format!("no magnitude in band {}", light.band)),
    }
    if let Some(afrho) = light.afrho_cm {
        parts.push(format!("Afρ = {}{THIN_SPACE}cm", format_measured(afrho, light.afrho_err_cm.unwrap_or(f64::NAN))));
    }
    format!(
        "{} within {}{THIN_SPACE}km of the centre ({}″)",
        parts.join(" and "),
        fixed(light.aperture_km, 0),
        fixed(light.aperture_arcsec, 1)
    )
}

fn frames(n: usize) -> String {
    if n == 1 { "1 frame".to_string() } else { format!("{n} frames") }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::{ErrorTerm, FrameRecord, GeometryRecord, MorphologyRecord, Provenance, SetupRecord, StackRecord};

    pub(crate) fn night() -> NightRecord {
        let frame = |i: usize| FrameRecord {
            file: format!("light-{i:03}.fits"),
            mid_utc: Some("2031-03-04T21:10:00.000Z".into()),
            exposure_s: Some(60.0),
            filter: Some("r".into()),
            used: i != 2,
            rejected_because: (i == 2).then(|| "clouds".into()),
            fwhm_arcsec: Some(2.5 + 0.2 * i as f64),
            elongation: Some(1.05),
            elongation_pa_deg: Some(80.0),
            sky_e_per_s_arcsec2: Some(12.0),
            zero_point_mag: None,
            zero_point_err_mag: None,
            zero_point_stars: None,
            comet_ra_deg: None,
            comet_dec_deg: None,
            comet_err_arcsec: None,
            comet_o_minus_c_arcsec: None,
            solution: None,
            altitude_deg: Some(40.0),
            ..FrameRecord::default()
        };
        NightRecord {
            schema: crate::NIGHT_SCHEMA.into(),
            object: "C/2031 Z2".into(),
            mid_utc: "2031-03-04T21:10:00.000Z".into(),
            geometry: GeometryRecord {
                utc: "2031-03-04T21:10:00.000Z".into(),
                ra_deg: 10.0,
                dec_deg: 20.0,
                r_au: 1.4,
                delta_au: 0.9,
                phase_deg: 31.0,
                elongation_deg: 90.0,
                motion_arcsec_per_min: 1.0,
                motion_pa_deg: 100.0,
                sunward_pa_deg: 260.0,
                antisolar_pa_deg: 80.0,
                negative_velocity_pa_deg: 120.0,
                orbit_plane_angle_deg: 5.0,
                km_per_arcsec: 652.7,
                altitude_deg: 40.0,
                azimuth_deg: 200.0,
                sun_altitude_deg: -30.0,
                moon_separation_deg: 60.0,
                moon_illuminated_fraction: 0.3,
                orbit_model: "two_body".into(),
            },
            frames: (0..4).map(frame).collect(),
            astrometry: Some(crate::AstrometryRecord {
                mid_utc: "2031-03-04T21:10:00.000Z".into(),
                ra_deg: 10.0,
                dec_deg: 20.0,
                err_arcsec: 0.1,
                err_ra_dec_arcsec: None,
                err_correlation: None,
                o_minus_c_arcsec: [0.1, -0.2],
            }),
            photometry: [5000.0, 10_000.0, 20_000.0]
                .into_iter()
                .map(|km: f64| PhotometryRecord {
                    aperture_km: km,
                    aperture_arcsec: km / 652.7,
                    band: "r".into(),
                    mag: Some(16.2 - (km / 5000.0).log2()),
                    mag_err: Some(0.041),
                    limit_3sigma_mag: None,
                    brighter_than_mag: None,
                    afrho_cm: Some(812.4),
                    afrho_err_cm: Some(24.3),
                    afrho_limit_3sigma_cm: None,
                    a0frho_cm: Some(1610.0),
                    a0frho_err_cm: Some(45.0),
                    error_terms_mag: Vec::new(),
                    seeing_loss: None,
                    edge_sky_loss: None,
                    filled_fraction: 0.0,
                })
                .collect(),
            phase_function: None,
            curve_of_growth: Vec::new(),
            sectors: Vec::new(),
            profile_shape: None,
            total_magnitude: None,
            dust: None,
            extinction: None,
            colour: None,
            morphology: MorphologyRecord {
                azimuthal_profiles: Vec::new(),
                optocentre_err_arcsec: None,
                psf: None,
                detection_limit: Vec::new(),
                features: Vec::new(),
                analysed: false,
                ..MorphologyRecord::default()
            },
            profile: Vec::new(),
            zero_point: None,
            conditions: None,
            stack: StackRecord {
                n_frames: 3,
                exposure_s: 180.0,
                first_utc: "2031-03-04T21:10:00.000Z".into(),
                last_utc: "2031-03-04T21:10:00.000Z".into(),
                n_substacks: 3,
                substacks: Vec::new(),
                weights_radius_arcsec: None,
                weights_light_e_per_s: None,
                sky_order: None,
                coma_at_edge_e_per_s_arcsec2: None,
                width_px: 10,
                height_px: 10,
                centre_x_px: 5.0,
                centre_y_px: 5.0,
                arcsec_per_px: [[-1.5, 0.0], [0.0, 1.5]],
                residual_sky_e_per_s_arcsec2: 0.0,
                residual_sky_err_e_per_s_arcsec2: 0.0,
                sky_noise_e_per_s_px: 0.1,
            },
            setup: SetupRecord {
                site: None,
                longitude_deg: 0.0,
                latitude_deg: 0.0,
                height_m: 0.0,
                telescope: None,
                filter: None,
                observers: Vec::new(),
                simulated: false,
                reporting: None,
            },
            notes: Vec::new(),
            n_warnings: 0,
            provenance: Provenance {
                program: "fanlight 0.1.0".into(),
                command: String::new(),
                inputs: Vec::new(),
                methods: Vec::new(),
            },
            summary: String::new(),
        }
    }

    #[test]
    fn the_summary_gives_the_middle_aperture_with_errors() {
        let expected = "C/2031 Z2 on 4 March 2031, 21:10 UTC: magnitude 15.20 ± 0.04 in band r and \
            Afρ = 812 ± 24\u{202f}cm within 10\u{202f}000\u{202f}km of the centre (15.3″), from 3 of 4 frames in \
            seeing of 2.7″. The structure of the coma was not analysed.";
        assert_eq!(night_summary(&night()), expected);
    }

    #[test]
    fn the_summary_quotes_only_apertures_that_are_resolved() {
        let mut night = night();
        let psf = |fwhm_arcsec| Some(crate::KernelRecord { fwhm_arcsec, elongation: 1.0, pa_deg: 0.0 });
        // radii of 7.7″, 15.3″ and 30.6″
        night.morphology.psf = psf(5.0);
        assert!(!is_resolved(&night, &night.photometry[0]));
        assert_eq!(headline_aperture(&night).unwrap().aperture_km, 10_000.0);
        night.morphology.psf = psf(8.0);
        assert_eq!(headline_aperture(&night).unwrap().aperture_km, 20_000.0);
        night.morphology.psf = psf(16.0);
        let text = night_summary(&night);
        assert!(headline_aperture(&night).is_none() && text.contains("none of the apertures reaches twice"), "{text}");
        assert!(!text.contains("Afρ"), "{text}");
    }

    #[test]
    fn plain_words_hold_the_numbers() {
        let text = plain_words(&night());
        // 1.4 and 0.9 au; 10^(0.4 · 9.2) = 4786
        for part in [
            "209 million",
            "135 million",
            "7.5\u{202f}minutes",
            "20\u{202f}000\u{202f}km",
            "magnitude 15.2",
            "5000 times",
        ] {
            assert!(text.contains(part), "{part}: {text}");
        }
        let mut uncalibrated = night();
        uncalibrated.photometry.clear();
        assert!(!plain_words(&uncalibrated).contains("magnitude"));
    }

    #[test]
    fn light_lost_to_seeing_is_told_where_the_error_does_not_hold_it() {
        let mut night = night();
        night.photometry.iter_mut().for_each(|p| p.seeing_loss = Some(0.03));
        assert!(!night_summary(&night).contains("seeing takes"), "3 % is less than 0.041 mag");
        night.photometry.iter_mut().for_each(|p| p.seeing_loss = Some(0.06));
        let sentence = "seeing takes about 6\u{202f}% out of this aperture, which the error does not hold.";
        assert!(night_summary(&night).contains(sentence), "{}", night_summary(&night));
        assert!(cannot_say(&night).iter().any(|s| s.contains(sentence)));
    }

    #[test]
    fn simulated_frames_and_missing_calibration_frames_are_told() {
        let mut night = night();
        night.setup.simulated = true;
        assert!(night_summary(&night).ends_with("The frames are simulated."));
        let term = |name: &str| ErrorTerm { name: name.to_string(), mag: 0.1 };
        night.photometry.iter_mut().for_each(|p| p.error_terms_mag.push(term(NO_FLAT_TERM)));
        assert!(night_summary(&night).contains("There are no flat frames"), "{}", night_summary(&night));
        night.photometry.iter_mut().for_each(|p| p.error_terms_mag.push(term(NO_OFFSET_TERM)));
        assert!(night_summary(&night).contains("There are no bias, dark or flat frames"));
    }

    #[test]
    fn an_uncalibrated_night_says_so_and_gives_no_number_for_the_light() {
        let mut night = night();
        night.photometry.clear();
        let text = night_summary(&night);
        assert!(text.contains("was not calibrated") && !text.contains("mag"), "{text}");
        assert!(cannot_say(&night).iter().any(|s| s.starts_with("How bright")));
    }

    #[test]
    fn a_comet_not_found_and_a_night_without_frames_say_so() {
        let mut night = night();
        night.astrometry = None;
        let text = night_summary(&night);
        assert!(text.contains("was not found") && !text.contains("Afρ"), "{text}");
        assert!(cannot_say(&night).iter().any(|s| s.starts_with("Where the comet was")));
        // on an image without a solution
        night.morphology.optocentre_err_arcsec = Some(0.3);
        assert!(night_summary(&night).contains("Afρ"), "{}", night_summary(&night));
        assert!(cannot_say(&night).iter().any(|s| s.contains("tied to the sky")));
        night.frames.iter_mut().for_each(|f| f.used = false);
        assert!(night_summary(&night).contains("none of 4 frames could be used"));
        night.frames.clear();
        assert!(night_summary(&night).contains("none of 0 frames could be used"));
    }

    #[test]
    fn a_limit_is_called_fainter_than() {
        let mut night = night();
        for p in &mut night.photometry {
            (p.mag, p.mag_err, p.afrho_cm, p.a0frho_cm, p.limit_3sigma_mag) = (None, None, None, None, Some(19.456));
        }
        let text = night_summary(&night);
        assert!(text.contains("fainter than magnitude 19.46 in band r (3σ)"), "{text}");
        let not = cannot_say(&night);
        assert!(not.iter().any(|s| s.contains("only a limit")) && !not.iter().any(|s| s.contains("gas")));
        night.photometry.iter_mut().for_each(|p| (p.limit_3sigma_mag, p.brighter_than_mag) = (None, Some(9.456)));
        assert!(night_summary(&night).contains("brighter than magnitude 9.46 in band r"), "{}", night_summary(&night));
        let not = cannot_say(&night);
        assert!(not.iter().any(|s| s.contains("very centre")) && !not.iter().any(|s| s.contains("only a limit")));
    }

    #[test]
    fn structure_that_was_not_analysed_is_the_first_thing_that_cannot_be_said() {
        assert!(cannot_say(&night())[0].contains("not analysed"));
        assert!(cannot_say(&night())[1].contains("no featureless twin"));
        let mut analysed = night();
        analysed.morphology.analysed = true;
        assert!(!cannot_say(&analysed).iter().any(|s| s.contains("twin")));
        assert!(night_summary(&analysed).ends_with("No structure in the coma was supported."));
    }
}
