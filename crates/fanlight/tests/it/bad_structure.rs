//! Nights on which the coma's structure cannot be told, or is not what it seems: the record says so, supports nothing that is not
//! there, and keeps what else was measured.

use crate::structure::{jet, supported};
use crate::truth;
use fanlight::night::products;
use fanlight::night::reduce::Reduced;
use fanlight_io::OutputFolder;
use fanlight_record::{NightRecord, PhotometryRecord};
use fanlight_sim::Scenario;
use fanlight_sim::scenario::{CompanionKeys, GalaxyKeys, NearStarKeys};
use serde_json::Value;
use std::path::Path;

/// Frames of 224 px, ten of them.
fn small(seed: u64) -> Scenario {
    let mut s = Scenario { seed, n_frames: 10, exposure_s: 40.0, cadence_s: 50.0, ..Scenario::default() };
    (s.camera.width_px, s.camera.height_px) = (224, 224);
    (s.camera.scale_arcsec, s.psf.fwhm_arcsec) = (1.3, 3.1);
    (s.calibration.n_bias, s.calibration.n_dark, s.calibration.n_flat) = (3, 3, 3);
    s.stars.per_square_degree = 3000.0;
    s.tracking.dither_arcsec = 6.0;
    s.comet.afrho_cm = 1500.0;
    s.comet.ephemeris_offset_arcsec = [0.8, -0.5];
    s
}

/// A night as a person would have it reduced: its record, its page, and the truth.
struct Seen {
    record: NightRecord,
    page: String,
    truth: Value,
}

fn seen(scenario: &Scenario) -> Seen {
    let folder = tempfile::tempdir().expect("a folder");
    let (reduced, truth) = truth::reduced(scenario, folder.path()).expect("measured");
    seen_of(&reduced, folder.path(), truth)
}

fn seen_of(reduced: &Reduced, folder: &Path, truth: Value) -> Seen {
    let out = OutputFolder::create_or_open(&folder.join("out")).expect("a folder");
    products::write(reduced, &out).expect("products");
    let page = std::fs::read_to_string(folder.join("out/report.html")).expect("a page");
    Seen { record: reduced.record.clone(), page, truth }
}

impl Seen {
    /// Every magnitude is the comet's within its errors; there are as many as that.
    #[track_caller]
    fn expect_magnitudes(&self, n: usize) {
        let measured: Vec<(&PhotometryRecord, f64)> =
            self.record.photometry.iter().filter_map(|p| Some((p, p.mag?))).collect();
        assert_eq!(measured.len(), n, "{:#?}", self.record.photometry);
        for (p, mag) in measured {
            let (err, expected) = (p.mag_err.expect("an error"), self.mag(p.aperture_km));
            assert!((mag - expected).abs() < 3.0 * err, "{} km: {mag} ± {err}, {expected}", p.aperture_km);
        }
    }

    /// The true magnitude as seen.
    fn mag(&self, aperture_km: f64) -> f64 {
        let all = self.truth["photometry"].as_array().expect("photometry");
        let one = all.iter().find(|p| p["aperture_km"] == aperture_km).expect("the aperture");
        one["mag_seen"].as_f64().expect("a magnitude")
    }

    /// The comet is where it was put, within four errors.
    #[track_caller]
    fn expect_place(&self, scenario: &Scenario) {
        let found = self.record.astrometry.as_ref().expect("a place");
        let expected = scenario.comet.ephemeris_offset_arcsec;
        for (a, b) in found.o_minus_c_arcsec.iter().zip(expected) {
            assert!((a - b).abs() < 4.0 * found.err_arcsec, "{found:?}, {expected:?}");
        }
    }

    #[track_caller]
    fn expect_nothing_supported(&self) {
        assert!(supported(&self.record).is_empty(), "{:#?}", supported(&self.record));
        assert!(!self.record.summary.contains("Supported:"), "{}", self.record.summary);
    }

    /// A note, and the page, say each of these.
    #[track_caller]
    fn expect_note(&self, words: &[&str]) {
        let of_all = |n: &&String| words.iter().all(|w| n.contains(w));
        assert!(self.record.notes.iter().any(|n| of_all(&n)), "{words:?}: {:#?}", self.record.notes);
        assert!(words.iter().all(|w| self.page.contains(w)), "{words:?} are not on the page");
    }
}

/// Stars too faint to be fitted, and a mount that drifts: what a round coma looks like through it would pass for jet and
/// counter-jet, and nothing tells.
#[test]
fn without_a_star_image_structure_is_not_analysed() {
    let mut s = small(21);
    (s.stars.bright_mag, s.stars.faint_mag, s.stars.catalogue_limit_mag) = (20.5, 21.6, 22.0);
    s.stars.per_square_degree = 20_000.0;
    s.psf.elongation = 1.5;
    let seen = seen(&s);
    let m = &seen.record.morphology;
    assert!(!m.analysed && m.features.is_empty() && m.detection_limit.is_empty() && m.psf.is_none(), "{m:#?}");
    let because = m.not_analysed_because.as_deref().expect("a reason");
    assert!(because.contains("No star image"), "{because}");
    assert!(seen.record.summary.contains(because) && seen.page.contains(because), "{}", seen.record.summary);
    seen.expect_place(&s);
    assert!(seen.record.frames.iter().all(|f| f.used && f.fwhm_arcsec.is_none()));
    assert!(!seen.record.profile.is_empty());
}

/// The centre is a flat top in every frame: no magnitude but what the comet is brighter than, and no structure made of it.
#[test]
fn a_saturated_nucleus_costs_the_magnitudes_and_nothing_else() {
    let mut s = small(22);
    (s.comet.afrho_cm, s.comet.nucleus_mag) = (8000.0, Some(9.3));
    s.camera.bleeding = true;
    let seen = seen(&s);
    seen.expect_nothing_supported();
    seen.expect_note(&["the comet's centre is saturated", "Shorter exposures"]);
    assert!(!seen.record.notes.iter().any(|n| n.contains("not found")), "{:#?}", seen.record.notes);
    seen.expect_magnitudes(0);
    for p in &seen.record.photometry {
        let limit = p.brighter_than_mag.expect("a limit");
        assert!(p.afrho_cm.is_none() && p.limit_3sigma_mag.is_none() && limit > seen.mag(p.aperture_km), "{p:#?}");
    }
    assert!(seen.record.summary.contains("brighter than magnitude"), "{}", seen.record.summary);
    seen.expect_place(&s);
    assert!(seen.record.astrometry.as_ref().is_some_and(|a| a.err_arcsec < 0.7 * s.camera.scale_arcsec));
    let m = &seen.record.morphology;
    assert!(m.condensations.is_empty() && m.twin.as_ref().is_none_or(|t| t.nucleus_share.is_none()), "{m:#?}");
    assert!(m.analysed || m.not_analysed_because.is_some());
}

/// In four of ten frames, the clearest: they are left out, and the others measure it.
#[test]
fn frames_in_which_the_nucleus_is_saturated_are_left_out_where_others_show_it() {
    let mut s = small(23);
    (s.comet.nucleus_mag, s.comet.ephemeris_offset_arcsec) = (Some(12.2), [6.0, -4.0]);
    s.transmission.scatter_mag = 0.0;
    (s.transmission.cloud_frames, s.transmission.cloud_mag) = (vec![1, 3, 4, 6, 8, 9], 0.45);
    // the seeing's own scatter would mix them
    (s.psf.scatter_fraction, s.psf.drift_arcsec_per_hour, s.psf.field_variation_fraction) = (0.0, 0.0, 0.0);
    s.camera.full_well_e = SATURATES_CLEAR_FRAMES_E;
    let seen = seen(&s);
    let left_out: Vec<usize> = (0..s.n_frames).filter(|i| !seen.record.frames[*i].used).map(|i| i + 1).collect();
    assert_eq!(left_out, [2, 5, 7, 10]);
    for f in seen.record.frames.iter().filter(|f| !f.used) {
        assert!(f.rejected_because.as_deref().is_some_and(|r| r.contains("saturated")), "{f:?}");
    }
    seen.expect_magnitudes(3);
    seen.expect_place(&s);
    seen.expect_nothing_supported();
}

/// Between the condensation's peak in clear frames and in those under the thin cloud.
const SATURATES_CLEAR_FRAMES_E: f64 = 34_000.0;

/// The coma runs off the frame on one side: what is left is searched no further than the edge, and magnitudes are those of the
/// apertures that are whole.
#[test]
fn a_comet_at_the_edge_is_measured_as_far_as_it_is_seen() {
    let mut s = small(24);
    (s.tracking.comet_x_px, s.tracking.comet_y_px) = (Some(206.0), Some(100.0));
    let seen = seen(&s);
    seen.expect_place(&s);
    seen.expect_nothing_supported();
    seen.expect_note(&["not wholly on the stack"]);
    let whole = seen.record.photometry.len();
    assert!(whole == 1 || whole == 2, "{:#?}", seen.record.photometry);
    seen.expect_magnitudes(whole);
    let m = &seen.record.morphology;
    if let Some(search) = &m.search {
        assert!(search.outer_arcsec < 1.3 * (224.0 - 206.0 + 12.0), "{search:?}");
        assert!(m.detection_limit.iter().all(|l| l.outer_arcsec <= search.outer_arcsec), "{:?}", m.detection_limit);
    } else {
        let because = m.not_analysed_because.as_deref().expect("a reason");
        assert!(because.contains("edge") && seen.page.contains(because), "{because}");
    }
}

/// The comet moves out of the frame: frames without it are left out by name, those that show it are measured.
#[test]
fn a_comet_that_leaves_the_frame_is_measured_while_it_is_there() {
    let mut s = small(25);
    // 2.6″ a minute toward the edge, wherever that is: 224 px are 291″
    (s.tracking.comet_x_px, s.tracking.comet_y_px) = (Some(112.0), Some(112.0));
    (s.cadence_s, s.n_frames) = (1300.0, 9);
    let seen = seen(&s);
    let gone: Vec<&str> =
        seen.record.frames.iter().filter(|f| !f.used).filter_map(|f| f.rejected_because.as_deref()).collect();
    assert!(!gone.is_empty() && gone.iter().any(|r| r.contains("outside")), "{gone:?}");
    assert!(seen.record.frames.iter().filter(|f| f.used).count() >= 3);
    seen.expect_place(&s);
    seen.expect_nothing_supported();
    seen.expect_magnitudes(seen.record.photometry.len());
}

/// A star whose charge bleeds along the columns stands in the coma: a third of it is lost, and what is left shows nothing but its limits.
#[test]
fn a_bleeding_star_over_the_coma_makes_no_structure() {
    let mut s = small(26);
    s.stars.star_near_nucleus = Some(NearStarKeys { mag: 7.5, distance_arcsec: 16.0, pa_deg: 60.0 });
    s.camera.bleeding = true;
    let seen = seen(&s);
    seen.expect_nothing_supported();
    seen.expect_place(&s);
    assert!(seen.record.photometry.iter().all(|p| p.limit_3sigma_mag.is_none_or(|l| l < seen.mag(p.aperture_km))));
}

/// A second point 20 to 60 % as bright as the first: it is told as what it is, and neither jet nor artefact is made of it.
#[test]
fn a_second_nucleus_is_told_as_one() {
    for (distance_arcsec, mag) in [(5.0, 13.5), (8.0, 14.2)] {
        let mut s = small(7);
        s.comet.nucleus_mag = Some(13.0);
        s.comet.companion = Some(CompanionKeys { mag, distance_arcsec, pa_deg: 70.0 });
        let seen = seen(&s);
        let m = &seen.record.morphology;
        seen.expect_nothing_supported();
        let toward_it = m.features.iter().find(|f| (f.pa_deg - 70.0).abs() < 45.0);
        assert!(toward_it.is_none(), "{distance_arcsec}″: {toward_it:#?}");
        let [found] = m.condensations.as_slice() else { panic!("{distance_arcsec}″: {:#?}", m.condensations) };
        let away = found.distance_arcsec - distance_arcsec;
        let turned = (found.pa_deg - 70.0).to_radians() * distance_arcsec;
        assert!(away.hypot(turned) < 4.0 * found.err_arcsec, "{found:?}");
        let (seen_mag, err) = (found.mag.expect("calibrated"), found.mag_err.expect("an error"));
        assert!((seen_mag - mag).abs() < 3.0 * err && err < 0.3, "{found:?}");
        assert!(found.moves_with_comet, "{found:?}");
        assert!(seen.record.summary.contains("A second condensation, of magnitude"), "{}", seen.record.summary);
        assert!(seen.page.contains("A second condensation, of magnitude"));
    }
}

/// A point within the blur of the first cannot be told from it: no jet is supported.
#[test]
fn a_second_nucleus_within_the_blur_supports_nothing() {
    let mut s = small(28);
    s.comet.nucleus_mag = Some(13.0);
    s.comet.companion = Some(CompanionKeys { mag: 13.7, distance_arcsec: 3.0, pa_deg: 200.0 });
    let seen = seen(&s);
    seen.expect_nothing_supported();
    assert!(seen.record.morphology.features.iter().all(|f| f.verdict != "provisional"));
}

/// A galaxy stands still while the comet moves over it: no structure of the comet, and magnitudes whose errors hold its light.
#[test]
fn a_galaxy_behind_the_coma_is_not_the_comets() {
    for (seed, mag, half_light_arcsec, distance_arcsec) in [(29, 12.0, 30.0, 12.0), (7, 13.0, 20.0, 20.0)] {
        let mut s = small(seed);
        let (axis_ratio, axis_pa_deg, pa_deg) = (0.4, 40.0, 100.0);
        s.stars.galaxy = Some(GalaxyKeys { mag, half_light_arcsec, axis_ratio, axis_pa_deg, distance_arcsec, pa_deg });
        let seen = seen(&s);
        seen.expect_nothing_supported();
        seen.expect_note(&["is not alike in all parts of the night", "galaxy"]);
        seen.expect_magnitudes(3);
    }
}

/// A jet on a night of three frames: the only halves are those by time, and the record says which they are.
#[test]
fn three_frames_are_told_from_a_night() {
    let mut s = small(7);
    (s.n_frames, s.comet.features) = (3, vec![jet(140.0, 0.3)]);
    let seen = seen(&s);
    seen.expect_magnitudes(3);
    seen.expect_place(&s);
    assert_eq!(seen.record.stack.n_substacks, 3);
    for f in &seen.record.morphology.features {
        let halves = f.challenges.iter().find(|c| c.name == "halves").expect("the challenge");
        assert!(f.verdict != "supported" || halves.outcome == "passed", "{f:#?}");
        let told = &halves.explanation;
        assert!(halves.outcome == "not_tested" || told.contains("(first and second half of the night)"), "{told}");
    }
}
