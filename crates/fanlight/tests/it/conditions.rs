//! Nights with cloud, twilight, a jump of the mount, a star at the nucleus, a coma that fills the frame: what is left out,
//! what each frame counts, what is said.

use crate::support::{record_in, run_in};
use fanlight_coma::weight::{self, ComaLight, FrameNoise};
use fanlight_image::aperture::{self, Circle};
use fanlight_image::{Image, Mask};
use fanlight_record::NightRecord;
use fanlight_sim::scenario::{NearStarKeys, TrackingTarget};
use fanlight_sim::{Scenario, Simulation};
use fanlight_sky::SkyPosition;
use rayon::prelude::*;
use serde_json::Value;
use std::path::Path;

fn small(n_frames: usize) -> Scenario {
    let mut s = Scenario { seed: 20_310_406, n_frames, ..Scenario::default() };
    (s.camera.width_px, s.camera.height_px, s.camera.scale_arcsec) = (256, 256, 1.5);
    (s.calibration.n_bias, s.calibration.n_dark, s.calibration.n_flat) = (3, 3, 3);
    s.stars.per_square_degree = 9000.0;
    s.artefacts.cosmic_rays_per_mpx_min = 0.0;
    s
}

/// Simulates a night in a folder, changes its frames, measures it.
fn measured(scenario: &Scenario, folder: &Path, change: impl FnOnce(&Path)) -> (NightRecord, Value) {
    std::fs::write(folder.join("scenario.toml"), scenario.to_toml().expect("scenario")).expect("scenario");
    run_in(folder, &["simulate", "scenario.toml", "--out", "."]).expect_status(0);
    change(&folder.join("frames"));
    run_in(folder, &["night", "frames", "--campaign", "campaign.toml", "--out", "out"]).expect_status(0);
    let truth = std::fs::read(folder.join("truth.json")).expect("truth.json");
    (record_in(&folder.join("out")), serde_json::from_slice(&truth).expect("truth.json is JSON"))
}

/// Nearly Gaussian noise of sigma 1: a sum of twelve uniform numbers (Steele, Lea & Flood 2014, SplitMix64).
fn noise(mut state: u64) -> impl FnMut() -> f64 {
    move || {
        let mut unit = || {
            state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..12).map(|_| unit()).sum::<f64>() - 6.0
    }
}

fn change_pixels(path: &Path, change: impl FnOnce(Vec<f32>, usize) -> Vec<f32>) {
    let mut fits = crate::raw_fits::RawFits::read(path);
    let width = fits.width();
    let pixels = change(fits.pixels(), width);
    fits.set_float_pixels(&pixels, width);
    fits.write(path);
}

/// One frame each in which the mount jumped by 11″ half way, cloud let no star through, and dawn made the sky thirty times as
/// bright: each is left out by its own rule, with the number and the limit, and the others are not.
#[test]
fn frames_are_left_out_by_rules_that_are_stated() {
    let mut scenario = small(10);
    // a comet that the sky outshines: for a bright one dawn costs less
    scenario.comet.afrho_cm = 20.0;
    let folder = tempfile::tempdir().expect("temporary folder");
    let (record, _) = measured(&scenario, folder.path(), |frames| {
        change_pixels(&frames.join("light-003.fits"), |pixels, width| {
            let (dx, dy) = (6, 4);
            let jumped = |i: usize| pixels[i.saturating_sub(dy * width + dx)];
            (0..pixels.len()).map(|i| 0.5 * (pixels[i] + jumped(i))).collect()
        });
        change_pixels(&frames.join("light-005.fits"), |mut pixels, _| {
            let mut normal = noise(5);
            let level = fanlight_image::robust::median(&mut pixels).expect("a level");
            pixels.iter().map(|_| level + (18.0 * normal()) as f32).collect()
        });
        change_pixels(&frames.join("light-008.fits"), |pixels, _| {
            let mut normal = noise(8);
            // 10 000 counts of sky, and the noise of the electrons behind them (1.2 e⁻ per count)
            pixels.iter().map(|p| p + 10_000.0 + ((10_000.0f64 / 1.2).sqrt() * normal()) as f32).collect()
        });
    });
    let reasons: Vec<(usize, &str)> =
        record.frames.iter().enumerate().filter_map(|(i, f)| Some((i + 1, f.rejected_because.as_deref()?))).collect();
    let of = |number: usize| reasons.iter().find(|r| r.0 == number).map_or("", |r| r.1);
    assert_eq!(reasons.len(), 3, "{reasons:?}");
    assert!(of(3).contains("stand twice, 10.") && of(3).contains("(limit 50 %)"), "{}", of(3));
    assert!(of(5).contains("stars were found") && of(5).contains("limit 25 %"), "{}", of(5));
    assert!(of(8).contains("of the night's median (limit 10 %)") && of(8).contains("with the Sun at"), "{}", of(8));
    let rules = record.notes.iter().find(|n| n.starts_with("Frames were left out where")).expect("the rules");
    for part in ["50 % of the brightest", "25 % of the median number", "10 % of the median weight", "1.5 times"] {
        assert!(rules.contains(part), "{part}: {rules}");
    }
    // the weight that it would have had
    assert!(record.frames[7].relative_weight.is_some_and(|w| w < 0.1) && record.frames[7].stack_share.is_none());
}

/// Frames through thin cloud count as much as the formula says for what the simulator put in; shares, sub-stacks and the
/// night's numbers are in the record.
#[test]
fn every_frame_has_its_weight_and_the_substacks_are_balanced() {
    let mut scenario = small(13);
    scenario.comet.afrho_cm = 20.0;
    scenario.transmission.cloud_frames = vec![2, 8];
    scenario.transmission.cloud_mag = 0.4;
    scenario.transmission.scatter_mag = 0.0;
    scenario.sky.change_mag_per_hour = -2.0;
    let folder = tempfile::tempdir().expect("temporary folder");
    let (record, truth) = measured(&scenario, folder.path(), |_| {});
    let coma = ComaLight {
        radius_arcsec: record.stack.weights_radius_arcsec.expect("radius"),
        light_e_per_s: record.stack.weights_light_e_per_s.expect("light"),
    };
    let seen =
        record.photometry.iter().find(|p| (p.aperture_arcsec - coma.radius_arcsec).abs() < 0.1).expect("aperture");
    let zero_point = record.zero_point.as_ref().expect("zero point").stack_zero_point_mag;
    let light = 10f64.powf(-0.4 * (seen.mag.expect("mag") - zero_point));
    assert!((coma.light_e_per_s / light - 1.0).abs() < 0.3, "{coma:?}: the stack has {light}");
    let number = |f: &Value, key: &str| f[key].as_f64().expect("number");
    let expected: Vec<f64> = truth["frames"]
        .as_array()
        .expect("frames")
        .iter()
        .map(|f| {
            let c = &scenario.camera;
            let sky_e = number(f, "sky_e_per_s_arcsec2") * c.scale_arcsec.powi(2) * scenario.exposure_s;
            weight::weight(
                &FrameNoise {
                    scale: 10f64.powf(0.4 * (zero_point - number(f, "zero_point_mag"))),
                    exposure_s: scenario.exposure_s,
                    sky_variance_e2: sky_e + c.dark_e_per_s * scenario.exposure_s + c.read_noise_e.powi(2),
                    scale_arcsec: c.scale_arcsec,
                    // next to nothing for so faint a comet
                    zero_point_sigma_mag: 0.0,
                    kept: weight::light_kept(number(f, "fwhm_arcsec"), scenario.psf.beta, coma.radius_arcsec),
                },
                &coma,
            )
        })
        .collect();
    let mean = expected.iter().sum::<f64>() / expected.len() as f64;
    for (f, e) in record.frames.iter().zip(&expected) {
        let own = f.relative_weight.expect("weight");
        assert!((own * mean / e - 1.0).abs() < 0.15, "{}: {own:.3}, expected {:.3}", f.file, e / mean);
    }
    let shares: f64 = record.frames.iter().filter_map(|f| f.stack_share).sum();
    assert!((shares - 1.0).abs() < 1e-9);
    assert_eq!(record.stack.substacks.len(), 6);
    for s in &record.stack.substacks {
        // thirteen frames in six sub-stacks: one has a third frame
        assert!((0.08..0.27).contains(&s.share) && s.n_frames >= 2, "{:?}", record.stack.substacks);
    }
    let c = record.conditions.expect("conditions");
    let sky = c.sky_trend_mag_per_hour.expect("trend");
    assert!((sky.per_hour + 2.0).abs() < 3.0 * sky.err_per_hour && sky.per_hour < 0.0, "{sky:?}");
    let loss = c.transparency_loss_mag.expect("range");
    assert!((loss[1] - 0.4).abs() < 0.08, "{loss:?}");
    assert!(c.effective_frames.is_some_and(|n| (11.0..13.0).contains(&n)), "{:?}", c.effective_frames);
    assert!(record.frames.iter().all(|f| f.sun_altitude_deg.is_some_and(|a| a < 0.0) && f.moon_altitude_deg.is_some()));
}

/// A star passes the nucleus: the frames in which it stands within a star width are named, with its magnitude and distance, say
/// nothing of where the comet is, and the place of the night is right.
#[test]
fn a_star_within_the_seeing_disc_is_flagged_and_does_not_vote() {
    let mut scenario = small(9);
    let star = NearStarKeys { mag: 14.0, distance_arcsec: 0.8, pa_deg: 200.0 };
    scenario.stars.star_near_nucleus = Some(star.clone());
    scenario.stars.catalogue_completeness = 1.0;
    let folder = tempfile::tempdir().expect("temporary folder");
    let (record, truth) = measured(&scenario, folder.path(), |_| {});
    let places: Vec<SkyPosition> = truth["frames"]
        .as_array()
        .expect("frames")
        .iter()
        .map(|f| SkyPosition {
            ra_deg: f["ra_deg"].as_f64().expect("ra"),
            dec_deg: f["dec_deg"].as_f64().expect("dec"),
        })
        .collect();
    let (sin, cos) = star.pa_deg.to_radians().sin_cos();
    let at = places[4].offset_by_arcsec(star.distance_arcsec * sin, star.distance_arcsec * cos);
    let mut flagged = 0;
    for (f, place) in record.frames.iter().zip(&places) {
        let (distance, width) = (place.separation_arcsec(&at), f.fwhm_arcsec.expect("width"));
        if f.star_near_nucleus.is_some() {
            assert_eq!(f.comet_ra_deg, None, "{}", f.file);
        }
        // a fainter one of the field may stand there in another frame
        match f.star_near_nucleus.filter(|s| s.mag < star.mag + 1.0) {
            Some(s) => {
                flagged += 1;
                assert!((s.distance_arcsec - distance).abs() < 0.3, "{}: {s:?}, true {distance:.2}", f.file);
                assert!((s.mag - star.mag).abs() < 0.1 && s.light_share > 0.01, "{}: {s:?}", f.file);
            }
            None => assert!(distance > width - 0.3, "{}: a star at {distance:.2}″, width {width:.2}″", f.file),
        }
    }
    assert!((1..=4).contains(&flagged), "{flagged} frames");
    assert!(record.notes.iter().any(|n| n.contains("within one star width of the nucleus")), "{:?}", record.notes);
    let o_minus_c = record.astrometry.expect("place").o_minus_c_arcsec;
    let offset = scenario.comet.ephemeris_offset_arcsec;
    let off = (o_minus_c[0] - offset[0]).hypot(o_minus_c[1] - offset[1]);
    assert!(off < 0.4, "{off:.2}″ from the true place");
}

const FILLED: &str = "The coma fills the part of the frames";

/// A coma that fills a small frame is told with what it does to every aperture, and the light is right within the error; a
/// faint one in the same frame is not told.
#[test]
fn a_coma_that_fills_the_frame_is_told() {
    let mut scenario = small(8);
    scenario.comet.afrho_cm = 4000.0;
    (scenario.comet.gamma1, scenario.comet.gamma2, scenario.comet.gamma3) = (1.0, 1.1, 1.2);
    scenario.exposure_s = 30.0;
    let folder = tempfile::tempdir().expect("temporary folder");
    let (record, truth) = measured(&scenario, folder.path(), |_| {});
    assert!(record.notes.iter().any(|n| n.starts_with(FILLED)), "{:?}", record.notes);
    let page = std::fs::read_to_string(folder.path().join("out/report.html")).expect("page");
    assert!(page.contains("The coma reaches the edge of the part of the frames"));
    let losses: Vec<f64> = record.photometry.iter().filter_map(|p| p.edge_sky_loss).collect();
    assert!(losses.windows(2).all(|l| l[1] > l[0]) && losses[2] > 0.03, "{losses:?}");
    for (i, p) in record.photometry.iter().enumerate() {
        let off = p.mag.expect("mag") - truth["photometry"][i]["mag_seen"].as_f64().expect("mag");
        let err = p.mag_err.expect("err");
        assert!(off.abs() < 3.0 * err && off.abs() < 1.0857 * losses[i].max(0.02), "{off:+.4} ± {err:.4}, {losses:?}");
    }

    scenario.comet.afrho_cm = 30.0;
    (scenario.comet.gamma2, scenario.comet.gamma3) = (1.6, 2.2);
    let folder = tempfile::tempdir().expect("temporary folder");
    let (faint, _) = measured(&scenario, folder.path(), |_| {});
    assert!(!faint.notes.iter().any(|n| n.starts_with(FILLED)), "{:?}", faint.notes);
}

/// Moonlight that is bent over the frame, a tenth of the sky at the corner, under a faint comet: the sky is fitted as a bent
/// surface and the light is right within its error. Without the bend it is a plane.
#[test]
fn a_bent_sky_is_fitted_as_one() {
    for (bowl, order) in [(0.10, 2), (0.0, 1)] {
        let mut scenario = small(8);
        scenario.comet.afrho_cm = 100.0;
        scenario.sky.bowl_fraction = bowl;
        scenario.camera.flat_error_fraction = 0.0;
        let folder = tempfile::tempdir().expect("temporary folder");
        let (record, truth) = measured(&scenario, folder.path(), |_| {});
        assert_eq!(record.stack.sky_order, Some(order), "bend {bowl}");
        for (i, p) in record.photometry.iter().enumerate() {
            let off = p.mag.expect("mag") - truth["photometry"][i]["mag_seen"].as_f64().expect("mag");
            let err = p.mag_err.expect("err");
            assert!(off.abs() < 3.5 * err, "bend {bowl}, {} km: {off:+.4} ± {err:.4}", p.aperture_km);
        }
    }
}

/// Aperture sums of simulated frames under cloud, in brightening twilight and in poor seeing: combined with the weights, their
/// signal to noise is that of equal weights and of weights by the sky alone or better, for a faint, a middling and a bright
/// comet, and clearly better where these fail.
#[test]
fn the_weights_measure_best() {
    const SEEDS: u64 = 24;
    let mut gains = Vec::new();
    for afrho_cm in [30.0, 500.0, 20_000.0] {
        let mut s = Scenario { n_frames: 8, ..Scenario::default() };
        (s.camera.width_px, s.camera.height_px, s.camera.scale_arcsec) = (96, 96, 1.5);
        let c = &mut s.camera;
        (c.vignetting_fraction, c.dust_rings, c.pixel_response_fraction) = (0.0, 0, 0.0);
        (c.hot_pixel_fraction, c.bad_columns, c.bias_row_adu, c.row_noise_e) = (0.0, 0, 0.0, 0.0);
        c.full_well_e = 1e6;
        c.gain_e_per_adu = 4.0;
        s.cadence_s = 500.0;
        s.tracking.on = TrackingTarget::Comet;
        (s.tracking.dither_arcsec, s.tracking.jitter_arcsec) = (0.0, 0.0);
        s.artefacts.cosmic_rays_per_mpx_min = 0.0;
        s.stars.per_square_degree = 0.0;
        s.sky.change_mag_per_hour = -3.0;
        (s.sky.scatter_fraction, s.sky.gradient_fraction) = (0.0, 0.0);
        (s.transmission.scatter_mag, s.psf.scatter_fraction) = (0.0, 0.0);
        (s.transmission.cloud_frames, s.transmission.cloud_mag) = (vec![2, 3], 1.2);
        (s.psf.poor_frames, s.psf.poor_factor) = (vec![5, 6], 1.5);
        s.comet.afrho_cm = afrho_cm;
        let radius_arcsec = 15.0;
        let of_seed = |seed: u64| -> Vec<(f64, FrameNoise)> {
            let s = Scenario { seed, ..s.clone() };
            let simulation = Simulation::new(&s).expect("simulation");
            let truth = simulation.truth();
            let number = |i: usize, key: &str| truth["frames"][i][key].as_f64().expect("number");
            let (c, t) = (&s.camera, s.exposure_s);
            let one = |i: usize| {
                let f = simulation.frame(i);
                let sky_e = (number(i, "sky_e_per_s_arcsec2") * c.scale_arcsec.powi(2) + c.dark_e_per_s) * t;
                let electrons = |p: &u16| ((f64::from(*p) - c.bias_adu) * c.gain_e_per_adu - sky_e) as f32;
                let image = Image { width: f.width, height: f.height, data: f.pixels.iter().map(electrons).collect() };
                let (x_px, y_px) = (number(i, "x_px"), number(i, "y_px"));
                let circle = Circle { x_px, y_px, radius_px: radius_arcsec / c.scale_arcsec };
                let sum = aperture::circle_sum(&image, None, None::<&Mask>, circle).sum;
                let scale = 10f64.powf(0.4 * (21.5 - number(i, "zero_point_mag")));
                let noise = FrameNoise {
                    scale,
                    exposure_s: t,
                    // rounding to counts of 4 e⁻ included
                    sky_variance_e2: sky_e + c.read_noise_e.powi(2) + c.gain_e_per_adu.powi(2) / 12.0,
                    scale_arcsec: c.scale_arcsec,
                    zero_point_sigma_mag: 0.0,
                    kept: weight::light_kept(number(i, "fwhm_arcsec"), s.psf.beta, radius_arcsec),
                };
                (scale * sum / t, noise)
            };
            (0..s.n_frames).map(one).collect()
        };
        let nights: Vec<Vec<(f64, FrameNoise)>> = (1..=SEEDS).into_par_iter().map(of_seed).collect();
        let frames: Vec<FrameNoise> = nights[0].iter().map(|f| f.1).collect();
        let sums: Vec<Vec<f64>> = (0..s.n_frames).map(|i| nights.iter().map(|night| night[i].0).collect()).collect();
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let means: Vec<f64> = sums.iter().map(|v| mean(v)).collect();
        let variance = |v: &[f64]| v.iter().map(|x| (x - mean(v)).powi(2)).sum::<f64>() / (v.len() as f64 - 1.0);
        let variances: Vec<f64> = sums.iter().map(|v| variance(v)).collect();
        let coma = ComaLight { radius_arcsec, light_e_per_s: mean(&means) };
        let ratio = |weights: &[f64]| {
            let signal: f64 = weights.iter().zip(&means).map(|(w, m)| w * m).sum();
            signal / weights.iter().zip(&variances).map(|(w, v)| w * w * v).sum::<f64>().sqrt()
        };
        let best: Vec<f64> = frames.iter().map(|f| weight::weight(f, &coma)).collect();
        let sky: Vec<f64> =
            frames.iter().map(|f| f.exposure_s.powi(2) / (f.scale.powi(2) * f.sky_variance_e2)).collect();
        gains.push((ratio(&best) / ratio(&[1.0; 8]), ratio(&best) / ratio(&sky)));
        // the mean of the light is the same by any weights, but for what seeing moves over the edge
        let weighted = |w: &[f64]| w.iter().zip(&means).map(|(w, m)| w * m).sum::<f64>() / w.iter().sum::<f64>();
        let error = (variances.iter().sum::<f64>() / (64.0 * SEEDS as f64)).sqrt();
        let off = weighted(&best) - weighted(&[1.0; 8]);
        assert!(off.abs() < 4.0 * error + 0.015 * coma.light_e_per_s, "{afrho_cm}: {off} of {coma:?}");
    }
    // two dozen draws know the frames' variances to 0.3 of themselves each: the ratios to a few per cent
    println!("signal to noise against equal weights and against weights by the sky: {gains:.3?}");
    for (equal, sky) in &gains {
        assert!(*equal > 0.95 && *sky > 0.95, "{gains:?}");
    }
    assert!(gains[0].0 > 1.15, "a faint comet against equal weights: {gains:?}");
    assert!(gains[2].1 > 1.05, "a bright comet against weights by the sky: {gains:?}");
}
