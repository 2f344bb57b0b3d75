//! Structure of the coma, from raw frames to verdicts: a jet is supported where it was put, a featureless coma shows none, and the
//! same night gives the same numbers on one thread or two.

use crate::truth;
use fanlight::night::reduce::Reduced;
use fanlight_record::{FeatureRecord, NightRecord};
use fanlight_sim::Scenario;
use fanlight_sim::scenario::{FeatureKeys, FeatureKind, TrackingTarget};
use serde_json::Value;
use std::path::Path;

/// A night of twelve frames of a bright comet, with structure in it.
pub fn night(seed: u64, features: Vec<FeatureKeys>) -> Scenario {
    let mut s = truth::scenario(seed);
    (s.camera.width_px, s.camera.height_px) = (320, 320);
    s.n_frames = 12;
    s.comet.afrho_cm = 1500.0;
    s.exposure_s = 40.0;
    s.comet.features = features;
    s.tracking.on = TrackingTarget::Stars;
    (s.tracking.drift_arcsec_per_min, s.tracking.meridian_flip_at) = (0.0, None);
    s.tracking.dither_arcsec = 6.0;
    s.psf.fwhm_arcsec = 2.4 * s.camera.scale_arcsec;
    s.stars.per_square_degree = 3000.0;
    s
}

/// A jet from the nucleus to 35″.
pub fn jet(pa_deg: f64, contrast: f64) -> FeatureKeys {
    FeatureKeys {
        kind: FeatureKind::Jet,
        pa_deg,
        width_deg: 28.0,
        contrast,
        curvature_deg_per_arcsec: 0.3,
        inner_arcsec: 0.0,
        outer_arcsec: 35.0,
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    }
}

fn reduced(scenario: &Scenario, folder: &Path) -> (Reduced, Value) {
    truth::reduced(scenario, folder).expect("measured")
}

/// The features with that verdict.
pub fn supported(record: &NightRecord) -> Vec<&FeatureRecord> {
    record.morphology.features.iter().filter(|f| f.verdict == "supported").collect()
}

#[test]
fn a_jet_is_supported_where_it_was_put() {
    let folder = tempfile::tempdir().expect("a folder");
    let (reduced, truth) = reduced(&night(7, vec![jet(140.0, 0.15)]), folder.path());
    let m = &reduced.record.morphology;
    assert!(m.analysed && m.twin.is_some() && m.search.is_some());
    let found = supported(&reduced.record);
    let [jet] = found.as_slice() else { panic!("{:#?}", m.features) };
    assert_eq!(jet.kind, "jet");
    // the ridge that was put in, at the record's inner edge
    let expected = 140.0 + 0.3 * jet.inner_arcsec;
    assert!(
        (jet.pa_deg - expected).abs() < 3.0 * jet.pa_err_deg + 0.5,
        "{} ± {}, {expected}",
        jet.pa_deg,
        jet.pa_err_deg
    );
    // contrast as seen, over the record's own range, by the truth's profile along the ridge
    let profile = &truth["features"][0]["profile"];
    let of = |key: &str| -> Vec<f64> {
        profile[key].as_array().expect(key).iter().map(|v| v.as_f64().expect("a number")).collect()
    };
    let inside: Vec<f64> = of("rho_arcsec")
        .into_iter()
        .zip(of("contrast_own_seen"))
        .filter(|(rho, _)| (jet.inner_arcsec..=jet.outer_arcsec).contains(rho))
        .map(|(_, c)| c)
        .collect();
    let contrast = inside.iter().sum::<f64>() / inside.len() as f64;
    assert!(
        (jet.contrast - contrast).abs() < 3.0 * jet.contrast_err + 0.1 * contrast,
        "{} ± {}, {contrast}",
        jet.contrast,
        jet.contrast_err
    );
    assert!(jet.false_alarm_probability > 0.0 && jet.false_alarm_probability < 1e-6);
    let names: Vec<&str> = jet.challenges.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["noise", "centre", "elongation", "halves", "stars", "detector", "method", "history"]);
    assert!(jet.challenges.iter().all(|c| !c.explanation.is_empty()));
    assert!(reduced.record.summary.contains("Supported"), "{}", reduced.record.summary);
}

#[test]
fn a_featureless_coma_shows_no_structure_but_its_limits() {
    for seed in [11, 12] {
        let folder = tempfile::tempdir().expect("a folder");
        let (reduced, _) = reduced(&night(seed, Vec::new()), folder.path());
        let m = &reduced.record.morphology;
        assert!(m.analysed && supported(&reduced.record).is_empty(), "seed {seed}: {:#?}", m.features);
        assert!(!m.detection_limit.is_empty());
        for l in &m.detection_limit {
            assert!(l.contrast > 0.0 && l.contrast < 1.0 && l.inner_arcsec < l.outer_arcsec, "{l:?}");
        }
        // what half of the injections need is less than what nine tenths need
        for pair in m.detection_limit.chunks(2) {
            assert!(pair.len() < 2 || pair[0].contrast < pair[1].contrast, "{pair:?}");
        }
        let search = m.search.as_ref().expect("a search");
        assert!(search.n_twins >= 10_000 && search.level_0_1_percent > search.level_1_percent);
        let scatter = m.twin.as_ref().expect("a twin").scatter_over_noise;
        // under 1 where stars may have left more than they did
        assert!((0.7..1.3).contains(&scatter), "seed {seed}: scatter {scatter}");
    }
}

#[test]
fn one_thread_or_two_give_the_same_structure() {
    let folder = tempfile::tempdir().expect("a folder");
    let scenario = Scenario { n_frames: 6, ..night(9, vec![jet(60.0, 0.2)]) };
    let on = |threads: usize, name: &str| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        let place = folder.path().join(name);
        std::fs::create_dir_all(&place).expect("a folder");
        pool.install(|| reduced(&scenario, &place).0.record.morphology)
    };
    assert_eq!(serde_json::to_string(&on(1, "one")).unwrap(), serde_json::to_string(&on(2, "two")).unwrap());
}
