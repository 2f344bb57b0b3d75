//! Scenario files: defaults, faults, round trips.

use fanlight_sim::{Scenario, SimError, Simulation, demo_scenarios};

#[test]
fn an_empty_file_is_a_night() {
    let s = Scenario::from_toml("").unwrap();
    assert_eq!(s, Scenario::default());
    assert!(Simulation::new(&s).is_ok());
}

#[test]
fn a_scenario_survives_its_own_toml() {
    for (_, s) in demo_scenarios() {
        assert_eq!(Scenario::from_toml(&s.to_toml().unwrap()).unwrap(), s);
    }
}

/// Text of a faulty scenario and what the error must name.
fn refused(text: &str, names: &str) {
    let error = Scenario::from_toml(text).and_then(|s| Simulation::new(&s).map(|_| ())).expect_err(text).to_string();
    assert!(error.contains(names), "{text}: the error does not name {names}: {error}");
}

#[test]
fn faults_are_refused_by_name() {
    refused("sead = 3", "sead");
    refused("[camera]\nwidth = 3", "width");
    refused("[comet]\nfeature = 3", "feature");
    refused("n_frames = 0", "n_frames");
    refused("exposure_s = -1", "exposure_s");
    refused("exposure_s = 60\ncadence_s = 30", "cadence_s");
    refused("band = \"Q\"", "band");
    refused("start_utc = \"yesterday\"", "start_utc");
    refused("apertures_km = []", "apertures_km");
    refused("[camera]\ngain_e_per_adu = nan", "camera.gain_e_per_adu");
    refused("[camera]\nwidth_px = 5", "camera.width_px");
    refused("[psf]\nfwhm_arcsec = 0.5", "psf.fwhm_arcsec");
    refused("[psf]\npoor_frames = [99]", "psf.poor_frames");
    refused("[psf]\nbeta = 1.0", "psf.beta");
    refused("[wcs]\nstyle = \"sip\"", "style");
    refused("[tracking]\nmeridian_flip_at = 0", "tracking.meridian_flip_at");
    refused("[comet]\ngamma1 = 2.0", "comet.gamma1");
    refused("[comet]\nbreak1_arcsec = 100\nbreak2_arcsec = 10", "comet.break2_arcsec");
    refused("[comet]\nnucleus_mag = 2.0", "comet.nucleus_mag");
    refused(
        "[[artefacts.satellite]]\nframe = 13\npa_deg = 0\nmiss_arcsec = 0\npeak_e = 50\nwidth_arcsec = 4",
        "artefacts.satellite[1].frame",
    );
    let jet = |keys: &str| format!("[[comet.feature]]\nkind = \"jet\"\npa_deg = 10\nouter_arcsec = 30\n{keys}");
    refused(&jet("width_deg = 500\ncontrast = 0.1"), "comet.feature[1].width_deg");
    refused(&jet("width_deg = 20\ncontrast = -0.1"), "comet.feature[1].contrast");
    refused(&jet("width_deg = 180\ncontrast = 5"), "comet.feature[1].contrast");
    refused(&jet("width_deg = 20\ncontrast = 0.1\ninner_arcsec = 40"), "comet.feature[1].outer_arcsec");
    refused("[object.orbit]\nq_au = 1.0", "epoch_jd_tdb");
}

#[test]
fn a_comet_below_the_horizon_is_refused() {
    let s = Scenario { start_utc: "2031-03-22T09:00:00Z".into(), ..Scenario::default() };
    let mut south = s.clone();
    south.site.latitude_deg = -75.0;
    assert!(matches!(Simulation::new(&south), Err(SimError::Inconsistent { key, .. }) if key == "start_utc"));
}

#[test]
fn the_demonstration_is_observable() {
    for (folder, s) in demo_scenarios() {
        assert!(s.start_utc.starts_with(&folder));
        let truth = Simulation::new(&s).unwrap().truth();
        let g = |key: &str| super::number(&truth, &format!("/geometry/{key}"));
        assert!(g("altitude_deg") > 30.0 && g("sun_altitude_deg") < -18.0 && g("elongation_deg") > 60.0, "{folder}");
        assert!((1.3..1.5).contains(&g("r_au")) && (0.8..1.0).contains(&g("delta_au")), "{folder}");
        assert!((1.0..6.0).contains(&g("motion_arcsec_per_min")), "{folder}");
        assert!(g("moon_illuminated_fraction") < 0.1, "{folder}");
    }
}

#[test]
fn the_demonstration_has_one_trailed_and_two_jet_nights() {
    let nights = demo_scenarios();
    let truths: Vec<_> = nights.iter().map(|(_, s)| Simulation::new(s).unwrap().truth()).collect();
    assert!(truths[0]["features"].as_array().unwrap().is_empty());
    assert!(super::number(&truths[0], "/frames/0/elongation") > 1.25);
    for truth in &truths[1..] {
        assert_eq!(truth["features"].as_array().unwrap().len(), 1);
        assert!((0.05..0.1).contains(&super::number(truth, "/features/0/contrast_own_seen")));
        assert!(super::number(truth, "/frames/0/elongation") < 1.1);
    }
}
