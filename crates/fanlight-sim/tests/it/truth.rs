//! The truth against the pixels.

use super::{number, quiet};
use fanlight_image::Image;
use fanlight_sim::scenario::{FeatureKeys, FeatureKind, TrackingTarget};
use fanlight_sim::{Scenario, Simulation};

/// Place of the comet in a noiseless frame: the centre about which the light in a small circle balances.
fn balance_point(image: &Image, start: (f64, f64), radius_px: f64) -> (f64, f64) {
    let (mut x, mut y) = start;
    for _ in 0..60 {
        let (mut sum, mut sx, mut sy) = (0.0, 0.0, 0.0);
        // Far enough out that the window's weight, 10⁻⁸ there, cuts nothing.
        let reach = (3.0 * radius_px).ceil() as i64;
        for j in -reach..=reach {
            for i in -reach..=reach {
                let (px, py) = (x.round() as i64 + i, y.round() as i64 + j);
                let (dx, dy) = (px as f64 - x, py as f64 - y);
                // A window that fades smoothly, so that no pixel jumps in or out.
                let weight = (-(dx * dx + dy * dy) / (0.5 * radius_px * radius_px)).exp();
                let light = weight * image.at(px as usize, py as usize) as f64;
                (sum, sx, sy) = (sum + light, sx + light * dx, sy + light * dy);
            }
        }
        x += 2.0 * sx / sum;
        y += 2.0 * sy / sum;
    }
    (x, y)
}

#[test]
fn the_comet_is_where_the_truth_says() {
    for (tracking, drift) in [(TrackingTarget::Stars, 0.0), (TrackingTarget::Comet, 0.0), (TrackingTarget::Stars, 4.0)]
    {
        let mut s = quiet();
        s.tracking.on = tracking;
        s.tracking.drift_arcsec_per_min = drift;
        s.camera.rotation_deg = 71.0;
        let sim = Simulation::new(&s).unwrap();
        let truth = sim.truth();
        for i in 0..3 {
            let (x, y) = (number(&truth, &format!("/frames/{i}/x_px")), number(&truth, &format!("/frames/{i}/y_px")));
            let (mx, my) = balance_point(&sim.expected_comet(i), (x.round(), y.round()), 8.0);
            assert!((mx - x).abs() < 0.02 && (my - y).abs() < 0.02, "{tracking:?} {i}: {mx} {my}, truth {x} {y}");
        }
    }
}

/// Sum over a circle with pixels cut by its edge in 16 × 16 parts.
fn aperture_sum(image: &Image, x: f64, y: f64, radius_px: f64) -> f64 {
    let mut sum = 0.0;
    for py in 0..image.height {
        for px in 0..image.width {
            let rho = (px as f64 - x).hypot(py as f64 - y);
            let share = if rho < radius_px - 0.8 {
                1.0
            } else if rho > radius_px + 0.8 {
                0.0
            } else {
                let part = |k: usize| (k as f64 + 0.5) / 16.0 - 0.5;
                let inside = |k: &usize| (px as f64 + part(k % 16) - x).hypot(py as f64 + part(k / 16) - y) < radius_px;
                (0..256).filter(inside).count() as f64 / 256.0
            };
            sum += share * image.at(px, py) as f64;
        }
    }
    sum
}

#[test]
fn aperture_magnitudes_are_those_of_the_pixels() {
    let jet = FeatureKeys {
        kind: FeatureKind::Jet,
        pa_deg: 200.0,
        width_deg: 25.0,
        contrast: 0.1,
        curvature_deg_per_arcsec: 0.3,
        inner_arcsec: 3.0,
        outer_arcsec: 30.0,
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    };
    for (features, nucleus_mag, fwhm_arcsec) in [(Vec::new(), None, 3.0), (vec![jet], Some(15.5), 2.2)] {
        let mut s = quiet();
        s.comet.features = features;
        s.comet.nucleus_mag = nucleus_mag;
        s.psf.fwhm_arcsec = fwhm_arcsec;
        s.apertures_km = vec![10_000.0, 20_000.0, 40_000.0];
        let sim = Simulation::new(&s).unwrap();
        let truth = sim.truth();
        let images: Vec<Image> = (0..3).map(|i| sim.expected_comet(i)).collect();
        for k in 0..3 {
            let radius_px = number(&truth, &format!("/photometry/{k}/aperture_arcsec")) / s.camera.scale_arcsec;
            let mean: f64 = images
                .iter()
                .enumerate()
                .map(|(i, image)| {
                    let of = |key: &str| number(&truth, &format!("/frames/{i}/{key}"));
                    let light = aperture_sum(image, of("x_px"), of("y_px"), radius_px) / s.exposure_s;
                    light * 10f64.powf(-0.4 * of("zero_point_mag"))
                })
                .sum::<f64>()
                / 3.0;
            let measured = -2.5 * mean.log10();
            let seen = number(&truth, &format!("/photometry/{k}/mag_seen"));
            // 0.2 % in light.
            assert!((measured - seen).abs() < 0.00217, "aperture {k}: {measured} {seen}");
            assert!(number(&truth, &format!("/photometry/{k}/mag")) < seen);
        }
    }
}

#[test]
fn afrho_is_the_one_asked_for() {
    let mut s = quiet();
    s.comet.afrho_cm = 321.0;
    let truth = Simulation::new(&s).unwrap().truth();
    assert!((number(&truth, "/photometry/1/afrho_cm") / 321.0 - 1.0).abs() < 1e-9);
    s.comet.magnitude = Some(12.34);
    s.comet.magnitude_aperture_km = 20_000.0;
    let truth = Simulation::new(&s).unwrap().truth();
    assert!((number(&truth, "/photometry/2/mag") - 12.34).abs() < 1e-9);
}

#[test]
fn contrast_in_the_pixels_is_the_contrast_seen() {
    let mut s = quiet();
    (s.camera.width_px, s.camera.height_px) = (200, 200);
    s.comet.ephemeris_offset_arcsec = [0.0, 0.0];
    s.comet.features = vec![FeatureKeys {
        kind: FeatureKind::Jet,
        pa_deg: 130.0,
        width_deg: 28.0,
        contrast: 0.12,
        curvature_deg_per_arcsec: 0.3,
        inner_arcsec: 5.0,
        outer_arcsec: 40.0,
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    }];
    let sim = Simulation::new(&s).unwrap();
    let truth = sim.truth();
    assert!((number(&truth, "/features/0/contrast_own") - 0.12).abs() < 1e-6);
    let image = sim.expected_comet(1);
    let of = |key: &str| number(&truth, &format!("/frames/1/{key}"));
    let j = [[of("arcsec_per_px/0/0"), of("arcsec_per_px/0/1")], [of("arcsec_per_px/1/0"), of("arcsec_per_px/1/1")]];
    let det = j[0][0] * j[1][1] - j[0][1] * j[1][0];
    let value = |rho: f64, pa: f64| {
        let (east, north) = (rho * pa.to_radians().sin(), rho * pa.to_radians().cos());
        let x = of("x_px") + (j[1][1] * east - j[0][1] * north) / det;
        let y = of("y_px") + (j[0][0] * north - j[1][0] * east) / det;
        let (ix, iy, tx, ty) = (x.floor() as usize, y.floor() as usize, x.fract(), y.fract());
        let v = |a: usize, b: usize| image.at(ix + a, iy + b) as f64;
        (1.0 - ty) * ((1.0 - tx) * v(0, 0) + tx * v(1, 0)) + ty * ((1.0 - tx) * v(0, 1) + tx * v(1, 1))
    };
    let mut sum = 0.0;
    for k in 0..70 {
        let rho = 5.0 + (k as f64 + 0.5) * 0.5;
        let ring = (0..360).map(|d| value(rho, d as f64)).sum::<f64>() / 360.0;
        sum += (value(rho, 130.0 + 0.3 * (rho - 5.0)) - ring) / ring / 70.0;
    }
    // Frame 1's own kernel is not the night's mean, and its trail is not round: a few per cent of the contrast.
    let seen = number(&truth, "/features/0/contrast_seen");
    assert!((sum / seen - 1.0).abs() < 0.04, "{sum} {seen}");
    assert!(seen < 0.12 && number(&truth, "/features/0/width_seen_deg") > 28.0);
}

#[test]
fn campaign_and_catalogue_have_the_agreed_keys() {
    let s = Scenario { n_frames: 2, ..Scenario::default() };
    let sim = Simulation::new(&s).unwrap();
    let campaign: toml::Table = sim.campaign_toml().parse().unwrap();
    let get = |path: &[&str]| {
        let mut value = campaign[path[0]].clone();
        for key in &path[1..] {
            value = value[*key].clone();
        }
        value
    };
    assert_eq!(get(&["object", "orbit", "q_au"]).as_float(), Some(s.object.orbit.q_au));
    assert_eq!(get(&["photometry", "catalogue"]).as_str(), Some("field.csv"));
    assert_eq!(get(&["photometry", "filters", "Sloan r"]).as_str(), Some("r"));
    assert_eq!(get(&["camera", "gain_e_per_adu"]).as_float(), Some(1.2));
    assert_eq!(get(&["telescope", "tracking"]).as_str(), Some("stars"));

    let csv = sim.catalogue_csv();
    let mut lines = csv.lines();
    assert_eq!(lines.next(), Some("ra_deg,dec_deg,r,r_err,g,g_err,i,i_err,pmra_mas_yr,pmdec_mas_yr,epoch_yr"));
    let rows: Vec<Vec<f64>> = lines.map(|l| l.split(',').map(|v| v.parse().unwrap()).collect()).collect();
    assert!(rows.len() > 50 && rows.iter().all(|r| r.len() == 11 && r[2] < 20.5 && r[3] > 0.0));
    assert_eq!(rows.len() as u64, sim.truth()["stars"]["n_catalogue"].as_u64().unwrap());
}

/// One frame whose nucleus is at the centre of a pixel, north up: its pixels are those of the mean light.
#[test]
fn mean_light_is_what_a_frame_expects() {
    let mut s = quiet();
    (s.n_frames, s.camera.rotation_deg, s.tracking.dither_arcsec, s.tracking.jitter_arcsec) = (1, 0.0, 0.0, 0.0);
    (s.tracking.comet_x_px, s.tracking.comet_y_px) = (Some(120.0), Some(110.0));
    s.comet.features = vec![FeatureKeys {
        kind: FeatureKind::Jet,
        pa_deg: 75.0,
        width_deg: 28.0,
        contrast: 0.3,
        curvature_deg_per_arcsec: 0.0,
        inner_arcsec: 5.0,
        outer_arcsec: 40.0,
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    }];
    let sim = Simulation::new(&s).unwrap();
    let truth = sim.truth();
    let (x, y) = (number(&truth, "/frames/0/x_px"), number(&truth, "/frames/0/y_px"));
    assert!((x - 120.0).abs() < 0.02 && (y - 110.0).abs() < 0.02, "{x} {y}");
    let frame = sim.expected_comet(0);
    let mean = sim.mean_light(&[fanlight_sim::Light::Whole, fanlight_sim::Light::Feature(0)], 81);
    for (dx, dy) in [(3i64, 2i64), (-5, 1), (-12, 3), (20, -20), (-36, 10)] {
        let want = frame.at((120 + dx) as usize, (110 + dy) as usize);
        let got = mean[0].at((40 + dx) as usize, (40 + dy) as usize);
        assert!((got / want - 1.0).abs() < 0.015, "{dx} {dy}: {got} {want}");
    }
    // PA 75° is east, which is −x
    assert!(mean[1].at(28, 43) > 20.0 * mean[1].at(52, 37).abs());
}

#[test]
fn a_comet_leaves_its_ephemeris_as_asked() {
    let place = |s: &Scenario| {
        let truth = Simulation::new(s).unwrap().truth();
        [0, 1, 2].map(|i| ["ra_deg", "dec_deg"].map(|key| number(&truth, &format!("/frames/{i}/{key}"))))
    };
    let plain = quiet();
    let mut drifting = plain.clone();
    drifting.comet.ephemeris_drift_arcsec_per_hour = [0.0, 60.0];
    let (before, after) = (place(&plain), place(&drifting));
    for i in 0..3 {
        let want = (i as f64 - 1.0) * plain.cadence_s / 60.0;
        assert!(((after[i][1] - before[i][1]) * 3600.0 - want).abs() < 1e-3, "{i}: {after:?} {before:?}");
    }
    let mut jumping = plain.clone();
    (jumping.n_frames, jumping.comet.ephemeris_scatter_arcsec) = (60, 2.0);
    let still = Scenario { n_frames: 60, ..plain };
    let north = |s: &Scenario| -> Vec<f64> {
        let truth = Simulation::new(s).unwrap().truth();
        (0..60).map(|i| 3600.0 * number(&truth, &format!("/frames/{i}/dec_deg"))).collect()
    };
    let square: f64 = north(&jumping).iter().zip(north(&still)).map(|(a, b)| (a - b) * (a - b)).sum();
    // χ² of 60: outside 30 to 100 once in 1000
    assert!((30.0..100.0).contains(&(square / 4.0)), "{}", square / 4.0);
}
