//! Frames against the numbers that went into them.

use super::{number, quiet};
use fanlight_image::Image;
use fanlight_sim::scenario::{
    CompanionKeys, FeatureKeys, FeatureKind, GalaxyKeys, NearStarKeys, SatelliteKeys, SpikeKeys, WcsStyle,
};
use fanlight_sim::{CardValue, Scenario, SimulatedFrame, Simulation};
use fanlight_sky::{HeaderCards, PixelXy, SkyPosition, Wcs};
use rayon::prelude::*;

fn simulation(s: &Scenario) -> Simulation {
    Simulation::new(s).unwrap()
}

#[test]
fn same_seed_same_bits_on_any_thread() {
    let s = Scenario { n_frames: 2, ..demo_like() };
    let one = simulation(&s);
    let backwards: Vec<SimulatedFrame> = (0..one.n_frames()).rev().map(|i| one.frame(i)).collect();
    let two = simulation(&s);
    let parallel: Vec<SimulatedFrame> = (0..two.n_frames()).into_par_iter().map(|i| two.frame(i)).collect();
    assert!(parallel.iter().eq(backwards.iter().rev()));
    assert_eq!(one.truth(), two.truth());
    let other = simulation(&Scenario { seed: 2, ..s });
    assert_ne!(other.frame(0).pixels, parallel[0].pixels);
}

fn demo_like() -> Scenario {
    let mut s = fanlight_sim::demo_scenarios().remove(1).1;
    (s.camera.width_px, s.camera.height_px) = (300, 280);
    (s.calibration.n_bias, s.calibration.n_dark, s.calibration.n_flat) = (1, 1, 1);
    s.tracking.meridian_flip_at = None;
    s
}

#[test]
fn names_and_kinds_run_in_order() {
    let sim = simulation(&Scenario { n_frames: 2, ..demo_like() });
    let seen: Vec<(String, String)> = (0..sim.n_frames())
        .map(|i| {
            let f = sim.frame(i);
            let kind = f.text("IMAGETYP").unwrap();
            (f.name, kind)
        })
        .collect();
    let want = [
        ("light-001.fits", "Light Frame"),
        ("light-002.fits", "Light Frame"),
        ("bias-001.fits", "Bias Frame"),
        ("dark-001.fits", "Dark Frame"),
        ("flat-001.fits", "Flat Field"),
    ];
    assert!(seen.iter().map(|(a, b)| (a.as_str(), b.as_str())).eq(want));
}

/// Mean and variance of the difference of two frames over a box, which free them of any fixed pattern.
fn pair_statistics(a: &SimulatedFrame, b: &SimulatedFrame) -> (f64, f64) {
    let n = a.pixels.len() as f64;
    let mean = a.pixels.iter().map(|v| *v as f64).sum::<f64>() / n;
    let difference: Vec<f64> = a.pixels.iter().zip(&b.pixels).map(|(x, y)| *x as f64 - *y as f64).collect();
    let offset = difference.iter().sum::<f64>() / n;
    let variance = difference.iter().map(|d| (d - offset).powi(2)).sum::<f64>() / n / 2.0;
    (mean, variance)
}

#[test]
fn photon_transfer_gives_gain_and_read_noise() {
    let mut s = quiet();
    s.calibration.n_bias = 2;
    s.calibration.n_flat = 2;
    s.camera.pixel_response_fraction = 0.01;
    let sim = simulation(&s);
    let frame = |kind: &str, k: usize| {
        let first = (0..sim.n_frames()).find(|i| sim.frame(*i).name.starts_with(kind)).unwrap();
        sim.frame(first + k)
    };
    let (bias, bias_variance) = pair_statistics(&frame("bias", 0), &frame("bias", 1));
    let (flat, flat_variance) = pair_statistics(&frame("flat", 0), &frame("flat", 1));
    let gain = (flat - bias) / (flat_variance - bias_variance);
    // 61 440 pixels give a variance to 0.6 %; three times that.
    assert!((gain / s.camera.gain_e_per_adu - 1.0).abs() < 0.018, "gain {gain}");
    // Digitisation adds 1/12 count squared to the read noise.
    let read_noise = (bias_variance - 1.0 / 12.0).sqrt() * s.camera.gain_e_per_adu;
    assert!((read_noise / s.camera.read_noise_e - 1.0).abs() < 0.01, "read noise {read_noise}");
    assert!((bias - s.camera.bias_adu).abs() < 0.1, "bias {bias}");
    let want = s.calibration.flat_level_fraction * (s.camera.saturation_adu() - s.camera.bias_adu);
    assert!(((flat - bias) / want - 1.0).abs() < 0.005, "flat {flat}");
}

#[test]
fn dark_charge_is_what_was_asked_for() {
    let mut s = quiet();
    s.camera.dark_e_per_s = 0.5;
    (s.calibration.n_bias, s.calibration.n_dark, s.calibration.n_flat) = (1, 1, 0);
    s.camera.hot_pixel_fraction = 0.002;
    let sim = simulation(&s);
    let (bias, dark) = (sim.frame(3), sim.frame(4));
    let hot = sim.truth()["artefacts"]["hot_pixels"].as_array().unwrap().clone();
    let is_hot = |i: usize| hot.iter().any(|h| h[0] == (i % 256) as u64 && h[1] == (i / 256) as u64);
    let quiet_pixels: Vec<usize> = (0..bias.pixels.len()).filter(|i| !is_hot(*i)).collect();
    let rise = quiet_pixels.iter().map(|i| dark.pixels[*i] as f64 - bias.pixels[*i] as f64).sum::<f64>()
        / quiet_pixels.len() as f64;
    let want = 0.5 * s.exposure_s / s.camera.gain_e_per_adu;
    // Scatter of the mean over 61 000 pixels is 0.03 counts.
    assert!((rise - want).abs() < 0.12, "{rise} {want}");
    // Every pixel said to be hot is.
    assert_eq!(hot.len(), (0.002 * 256.0 * 240.0f64).round() as usize);
    for h in hot.iter().filter(|h| h[2].as_f64().unwrap() > 2.0) {
        let i = h[1].as_u64().unwrap() as usize * 256 + h[0].as_u64().unwrap() as usize;
        let extra = (dark.pixels[i] as f64 - bias.pixels[i] as f64 - want) * s.camera.gain_e_per_adu;
        let expected = h[2].as_f64().unwrap() * s.exposure_s;
        assert!((extra - expected).abs() < 6.0 * (expected + 60.0).sqrt(), "{extra} {expected}");
    }
}

#[test]
fn saturated_pixels_stop_at_the_full_well() {
    let mut s = quiet();
    s.comet.afrho_cm = 5e6;
    let sim = simulation(&s);
    let frame = sim.frame(0);
    let most = *frame.pixels.iter().max().unwrap() as f64;
    assert!((most - s.camera.saturation_adu()).abs() <= 1.0, "{most} {}", s.camera.saturation_adu());
    s.camera.full_well_e = 2e5;
    assert_eq!(*simulation(&s).frame(0).pixels.iter().max().unwrap(), 65535);
}

#[test]
fn every_style_of_coordinates_reads_back() {
    for style in [WcsStyle::Cd, WcsStyle::Pc, WcsStyle::Crota] {
        for mirrored in [false, true] {
            let mut s = quiet();
            s.wcs.style = style;
            s.camera.mirrored = mirrored;
            s.camera.rotation_deg = 37.0;
            let sim = simulation(&s);
            let truth = sim.truth();
            let frame = sim.frame(1);
            let (wcs, warnings) = Wcs::from_header(&frame).unwrap().unwrap();
            assert!(warnings.is_empty(), "{warnings:?}");
            let comet = SkyPosition {
                ra_deg: number(&truth, "/frames/1/ra_deg"),
                dec_deg: number(&truth, "/frames/1/dec_deg"),
            };
            let at = wcs.pixel_from_sky(comet).unwrap();
            let (x, y) = (number(&truth, "/frames/1/x_px"), number(&truth, "/frames/1/y_px"));
            assert!((at.x_px - x).abs() < 1e-6 && (at.y_px - y).abs() < 1e-6, "{style:?} {mirrored}: {at:?} {x} {y}");
            // Orientation away from the reference point too: north is at PA 0, toward +y turned by the rotation.
            let j = wcs.arcsec_per_px(PixelXy { x_px: x, y_px: y });
            let pa = j[0][1].atan2(j[1][1]).to_degrees();
            assert!((pa - 37.0).abs() < 0.01, "{style:?} {mirrored}: +y at PA {pa}");
            assert_eq!((j[0][0] * j[1][1] - j[0][1] * j[1][0]) > 0.0, mirrored);
        }
    }
    let mut s = quiet();
    s.wcs.style = WcsStyle::None;
    assert!(Wcs::from_header(&simulation(&s).frame(0)).unwrap().is_none());
}

#[test]
fn a_wrong_plate_solution_is_as_wrong_as_asked() {
    let mut s = quiet();
    s.n_frames = 40;
    s.wcs.offset_arcsec = 5.0;
    let truth = simulation(&s).truth();
    let frames = truth["frames"].as_array().unwrap();
    let rms = (frames.iter().map(|f| number(f, "/wcs_offset_arcsec/0").powi(2)).sum::<f64>() / 40.0).sqrt();
    // 40 draws give an rms to 11 %; three times that.
    assert!((rms / 5.0 - 1.0).abs() < 0.34, "{rms}");
}

#[test]
fn header_times_and_exposure_are_the_truths() {
    let sim = simulation(&quiet());
    let truth = sim.truth();
    let frame = sim.frame(2);
    let cards = &frame;
    assert_eq!(format!("{}Z", cards.text("DATE-OBS").unwrap()), truth["frames"][2]["start_utc"].as_str().unwrap());
    assert_eq!(cards.number("EXPTIME"), Some(60.0));
    assert_eq!(cards.text("FILTER").as_deref(), Some("Sloan r"));
    assert!(
        frame
            .cards
            .iter()
            .all(|(k, v, c)| k.len() <= 8 && c.is_ascii() && !matches!(v, CardValue::Number(x) if !x.is_finite()))
    );
}

/// Expected light with and without one change of the scenario.
fn effect(change: impl Fn(&mut Scenario), index: usize) -> (Image, Image, Simulation) {
    let plain = quiet();
    let mut changed = quiet();
    change(&mut changed);
    let sim = simulation(&changed);
    (simulation(&plain).expected_light(index), sim.expected_light(index), sim)
}

#[test]
fn stars_have_the_light_of_their_magnitudes() {
    let near = NearStarKeys { mag: 12.0, distance_arcsec: 60.0, pa_deg: 200.0 };
    let (before, after, sim) = effect(|s| s.stars.star_near_nucleus = Some(near.clone()), 1);
    let added: f64 = after.data.iter().zip(&before.data).map(|(a, b)| (a - b) as f64).sum();
    let truth = sim.truth();
    let s = sim.scenario();
    // The star's colour is not the comet's, for which the zero point is.
    let colour = s.transmission.colour_term * (s.comet.g_minus_r_mag - s.stars.colour_mean_mag);
    let want = s.exposure_s * 10f64.powf(-0.4 * (12.0 - number(&truth, "/frames/1/zero_point_mag") - colour));
    // Drawn to 0.05 % of the light, summed from single-precision pixels.
    assert!((added / want - 1.0).abs() < 2e-3, "{added} {want}");
}

/// A companion stands where it was put beside the nucleus, in every frame, with its light.
#[test]
fn a_companion_goes_with_the_nucleus() {
    let companion = CompanionKeys { mag: 14.0, distance_arcsec: 30.0, pa_deg: 210.0 };
    for index in [0, 2] {
        let (before, after, sim) = effect(|s| s.comet.companion = Some(companion.clone()), index);
        let truth = sim.truth();
        let of = |key: &str| number(&truth, &format!("/frames/{index}/{key}"));
        let (mut light, mut x, mut y) = (0.0, 0.0, 0.0);
        for (i, (a, b)) in after.data.iter().zip(&before.data).enumerate() {
            let own = f64::from(a - b);
            light += own;
            x += own * (i % after.width) as f64;
            y += own * (i / after.width) as f64;
        }
        let want = sim.scenario().exposure_s * 10f64.powf(-0.4 * (14.0 - of("zero_point_mag")));
        assert!((light / want - 1.0).abs() < 5e-3, "{light} {want}");
        let m = |k: &str| of(&format!("arcsec_per_px/{k}"));
        let (dx, dy) = (x / light - of("x_px"), y / light - of("y_px"));
        let (east, north) = (m("0/0") * dx + m("0/1") * dy, m("1/0") * dx + m("1/1") * dy);
        let (sin, cos) = 210f64.to_radians().sin_cos();
        assert!((east - 30.0 * sin).hypot(north - 30.0 * cos) < 0.1, "{east} {north}");
    }
}

/// A galaxy stands still on the sky while the comet moves on.
#[test]
fn a_galaxy_stays_where_it_is() {
    let galaxy = GalaxyKeys {
        mag: 11.0,
        half_light_arcsec: 20.0,
        axis_ratio: 0.5,
        axis_pa_deg: 40.0,
        distance_arcsec: 20.0,
        pa_deg: 70.0,
    };
    let places: Vec<SkyPosition> = [0, 2]
        .iter()
        .map(|index| {
            let (before, after, sim) = effect(|s| s.stars.galaxy = Some(galaxy.clone()), *index);
            let added: Vec<f32> = after.data.iter().zip(&before.data).map(|(a, b)| a - b).collect();
            let peak = added.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap().0;
            let (wcs, _) = Wcs::from_header(&sim.frame(*index)).unwrap().unwrap();
            wcs.sky_from_pixel(PixelXy { x_px: (peak % after.width) as f64, y_px: (peak / after.width) as f64 })
        })
        .collect();
    let scale = quiet().camera.scale_arcsec;
    assert!(places[0].separation_arcsec(&places[1]) < 2.0 * scale, "{places:?}");
}

#[test]
fn a_star_near_the_nucleus_is_where_it_was_asked() {
    let near = NearStarKeys { mag: 10.0, distance_arcsec: 40.0, pa_deg: 90.0 };
    let mut s = quiet();
    s.n_frames = 1;
    s.tracking.jitter_arcsec = 0.0;
    s.stars.star_near_nucleus = Some(near);
    let sim = simulation(&s);
    let truth = sim.truth();
    let comet =
        SkyPosition { ra_deg: number(&truth, "/frames/0/ra_deg"), dec_deg: number(&truth, "/frames/0/dec_deg") };
    let frame = sim.frame(0);
    let (wcs, _) = Wcs::from_header(&frame).unwrap().unwrap();
    let at = wcs.pixel_from_sky(comet.offset_by_arcsec(40.0, 0.0)).unwrap();
    let brightest = |x: f64, y: f64| {
        let value = |dx: i64, dy: i64| {
            frame.pixels[(y.round() as i64 + dy) as usize * frame.width + (x.round() as i64 + dx) as usize]
        };
        (value(0, 0), (-8..=8).flat_map(|j| (-8..=8).map(move |i| (i, j))).map(|(i, j)| value(i, j)).max().unwrap())
    };
    let (here, most) = brightest(at.x_px, at.y_px);
    assert!(here as f64 > 0.6 * most as f64 && most > 10000, "{here} {most}");
}

#[test]
fn spikes_satellites_gradients_appear() {
    let star = NearStarKeys { mag: 8.0, distance_arcsec: 0.0, pa_deg: 0.0 };
    let (_, with, sim) = effect(
        |s| {
            s.stars.star_near_nucleus = Some(star.clone());
            s.stars.spikes = Some(SpikeKeys::default());
        },
        1,
    );
    let (_, without, _) = effect(|s| s.stars.star_near_nucleus = Some(star.clone()), 1);
    let truth = sim.truth();
    // The star is at the comet's mid-night place, and frame 1 of 3 is at mid-night.
    let (x, y) = (number(&truth, "/frames/1/x_px"), number(&truth, "/frames/1/y_px"));
    let at = |image: &Image, d: f64, angle: f64| {
        image.at(
            (x + d * angle.to_radians().cos()).round() as usize,
            (y + d * angle.to_radians().sin()).round() as usize,
        )
    };
    assert!(at(&with, 30.0, 45.0) > 1.3 * at(&without, 30.0, 45.0));
    assert!(at(&with, 30.0, 0.0) < 1.02 * at(&without, 30.0, 0.0));
    assert_eq!(truth["artefacts"]["spiked_stars"].as_array().unwrap().len(), 1);

    let trail = SatelliteKeys { frame: 2, pa_deg: 30.0, miss_arcsec: 50.0, peak_e: 400.0, width_arcsec: 4.0 };
    let (before, after, sim) = effect(|s| s.artefacts.satellites = vec![trail.clone()], 1);
    let crossed = after.data.iter().zip(&before.data).filter(|(a, b)| *a - *b > 350.0).count();
    assert!(crossed > 150, "{crossed}");
    assert_eq!(sim.truth()["artefacts"]["frames"][1]["satellites"].as_array().unwrap().len(), 1);
    let (before, after, _) = effect(|s| s.artefacts.satellites = vec![trail.clone()], 0);
    assert_eq!(before, after);

    let (before, after, sim) = effect(
        |s| {
            s.sky.gradient_fraction = 0.2;
            s.sky.gradient_pa_deg = 90.0;
            s.camera.rotation_deg = 0.0;
        },
        1,
    );
    // East is at −x: the sky brightens toward small x.
    let level = number(&sim.truth(), "/frames/1/sky_e_per_s_arcsec2") * 60.0 * 1.69;
    let rise = (after.at(2, 5) - before.at(2, 5) - after.at(253, 5) + before.at(253, 5)) as f64 / level;
    assert!((rise - 0.2 * 251.0 / 256.0).abs() < 0.01, "{rise}");
}

#[test]
fn cosmic_rays_appear_where_the_truth_says() {
    let mut s = quiet();
    s.artefacts.cosmic_rays_per_mpx_min = 500.0;
    let sim = simulation(&s);
    let rays = sim.truth()["artefacts"]["frames"][0]["cosmic_rays"].as_array().unwrap().clone();
    // 30.7 expected; five sigma.
    assert!((4..60).contains(&rays.len()), "{}", rays.len());
    let (with, without) = (sim.frame(0), simulation(&quiet()).frame(0));
    for ray in rays.iter().filter(|r| number(r, "/track_px/0").hypot(number(r, "/track_px/1")) < 0.3) {
        let (x, y) = (number(ray, "/x_px").round(), number(ray, "/y_px").round());
        if !(1.0..255.0).contains(&x) || !(1.0..239.0).contains(&y) {
            continue;
        }
        let i = y as usize * 256 + x as usize;
        let extra = (with.pixels[i] as f64 - without.pixels[i] as f64) * s.camera.gain_e_per_adu;
        assert!(extra > 0.4 * number(ray, "/charge_e"), "{extra} {ray}");
    }
}

#[test]
fn clouds_flips_poor_seeing_and_tracking_show_in_the_truth() {
    let mut s = quiet();
    s.transmission.cloud_frames = vec![2];
    s.psf.poor_frames = vec![3];
    s.tracking.meridian_flip_at = Some(3);
    let truth = simulation(&s).truth();
    let of = |i: usize, key: &str| number(&truth, &format!("/frames/{i}/{key}"));
    assert!(of(0, "zero_point_mag") - of(1, "zero_point_mag") > 1.3);
    assert!(of(1, "transparency") < 0.3);
    assert!(of(2, "fwhm_arcsec") > 1.5 * of(0, "fwhm_arcsec"));
    assert!(of(0, "arcsec_per_px/1/1") > 0.0 && of(2, "arcsec_per_px/1/1") < 0.0);

    let mut s = quiet();
    s.tracking.drift_arcsec_per_min = 4.0;
    s.tracking.drift_pa_deg = 20.0;
    let truth = simulation(&s).truth();
    assert!(number(&truth, "/frames/0/elongation") > 1.3);
    assert!((number(&truth, "/frames/0/elongation_pa_deg") - 20.0).abs() < 4.0);

    s.tracking.drift_arcsec_per_min = 0.0;
    s.tracking.on = fanlight_sim::scenario::TrackingTarget::Comet;
    let truth = simulation(&s).truth();
    let motion = number(&truth, "/geometry/motion_pa_deg").rem_euclid(180.0);
    assert!((number(&truth, "/frames/0/elongation_pa_deg") - motion).abs() < 6.0);
    assert!(number(&truth, "/frames/0/comet_elongation") < 1.05);
}

#[test]
fn arcs_and_tails_appear_at_their_position_angles() {
    let feature = |kind, pa_deg, width_deg, inner, outer| FeatureKeys {
        kind,
        pa_deg,
        width_deg,
        contrast: 0.3,
        curvature_deg_per_arcsec: 0.0,
        inner_arcsec: inner,
        outer_arcsec: outer,
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    };
    for (f, rho) in [
        (feature(FeatureKind::Tail, 110.0, 90.0, 8.0, 120.0), 40.0),
        (feature(FeatureKind::Arc, 250.0, 80.0, 18.0, 26.0), 22.0),
    ] {
        let mut s = quiet();
        s.comet.features = vec![f.clone()];
        let sim = simulation(&s);
        let truth = sim.truth();
        let image = sim.expected_comet(1);
        let j = |a: usize, b: usize| number(&truth, &format!("/frames/1/arcsec_per_px/{a}/{b}"));
        let det = j(0, 0) * j(1, 1) - j(0, 1) * j(1, 0);
        let at = |pa: f64| {
            let (east, north) = (rho * pa.to_radians().sin(), rho * pa.to_radians().cos());
            let x = number(&truth, "/frames/1/x_px") + (j(1, 1) * east - j(0, 1) * north) / det;
            let y = number(&truth, "/frames/1/y_px") + (j(0, 0) * north - j(1, 0) * east) / det;
            image.at(x.round() as usize, y.round() as usize)
        };
        assert!(at(f.pa_deg) > 1.2 * at(f.pa_deg + 180.0), "{:?}", f.kind);
    }
}
