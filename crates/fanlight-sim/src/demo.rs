//! The campaign that the demonstration simulates: an invented comet from an invented observatory.

use crate::scenario::{FeatureKeys, FeatureKind, OrbitKeys, Scenario, SpikeKeys, TrackingTarget};

/// Elements of the invented comet: 1.4 au from the Sun and 0.9 au from the Earth in March 2031, high in the evening sky
/// of northern observatories, at new Moon.
pub(crate) fn invented_orbit() -> OrbitKeys {
    OrbitKeys {
        epoch_jd_tdb: 2_462_948.5,
        perihelion_jd_tdb: 2_462_991.337_63,
        q_au: 1.26101,
        e: 0.99964,
        inclination_deg: 55.65615,
        node_deg: 139.65695,
        argument_of_perihelion_deg: 47.46040,
        a1_au_d2: 0.0,
        a2_au_d2: 0.0,
        a3_au_d2: 0.0,
    }
}

/// Three nights, each with the name of its folder: the first without structure but with an image that creeps during
/// every exposure, which draws a pair of rays in a rotational gradient; the second and third with one real jet and a
/// mount that follows well.
pub fn demo_scenarios() -> Vec<(String, Scenario)> {
    let night = |date: &str, seed: u64| {
        let mut s = Scenario { seed, start_utc: format!("{date}T20:55:00Z"), n_frames: 24, ..Scenario::default() };
        (s.camera.width_px, s.camera.height_px) = (768, 768);
        s.stars.spikes = Some(SpikeKeys { brighter_than_mag: 11.5, ..SpikeKeys::default() });
        s.artefacts.satellite_rate = 0.08;
        s.comet.afrho_cm = 650.0;
        s.psf.fwhm_arcsec = 2.9;
        s
    };
    let jet = |pa_deg: f64, contrast: f64| FeatureKeys {
        kind: FeatureKind::Jet,
        pa_deg,
        width_deg: 24.0,
        contrast,
        curvature_deg_per_arcsec: 0.25,
        inner_arcsec: 3.0,
        outer_arcsec: 32.0,
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    };

    let mut first = night("2031-03-22", 20_310_322);
    first.tracking.on = TrackingTarget::Stars;
    first.tracking.drift_arcsec_per_min = 4.2;
    first.tracking.drift_pa_deg = 64.0;
    first.tracking.drift_scatter_fraction = 0.08;

    let mut second = night("2031-03-23", 20_310_323);
    second.tracking.on = TrackingTarget::Stars;
    second.exposure_s = 45.0;
    second.n_frames = 30;
    second.cadence_s = 53.0;
    second.comet.features = vec![jet(301.0, 0.12)];

    let mut third = night("2031-03-24", 20_310_324);
    third.comet.features = vec![jet(298.0, 0.11)];
    third.exposure_s = 45.0;
    third.n_frames = 30;
    third.cadence_s = 53.0;
    third.psf.fwhm_arcsec = 3.3;
    third.tracking.meridian_flip_at = Some(16);
    vec![("2031-03-22".into(), first), ("2031-03-23".into(), second), ("2031-03-24".into(), third)]
}
