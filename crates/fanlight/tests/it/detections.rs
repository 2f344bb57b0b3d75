//! Stars found and measured against sep and photutils on the same simulated frames: a sparse field, a dense one, and one with
//! a bright coma. `reference/detections_sep_photutils.py` made the reference and says how it counts.

use fanlight_coma::calibrate::Calibrated;
use fanlight_coma::measure::{self, FrameMeasure, MeasureConfig};
use fanlight_image::detect::{self, DetectConfig};
use fanlight_image::{Image, Mask};
use fanlight_sim::{Scenario, Simulation};
use fanlight_sky::{PixelXy, SkyPosition, Wcs};

const MATCH_PX: f64 = 2.0;
/// Sources and stars nearer the edge than this are not counted.
const EDGE_PX: f64 = 3.0;

/// A frame measured as the main job does it, and the stars that are on it with their significance in a matched filter.
struct Frame {
    measured: FrameMeasure,
    mask: Mask,
    stars: Vec<(f64, f64, f64)>,
    fwhm_px: f64,
}

fn frame(scenario: &str) -> Frame {
    let scenario = Scenario::from_toml(scenario).expect("scenario");
    let simulation = Simulation::new(&scenario).expect("scenario");
    let truth = simulation.truth();
    let of_frame = &truth["frames"][0];
    let number = |key: &str| of_frame[key].as_f64().expect("a number");
    let simulated = simulation.frame(0);
    let (width, height) = (simulated.width, simulated.height);
    let camera = &scenario.camera;
    let electrons = |c: &u16| (f32::from(*c) - camera.bias_adu as f32) * camera.gain_e_per_adu as f32;
    let image_e = Image { width, height, data: simulated.pixels.iter().map(electrons).collect() };
    let read_variance = camera.read_noise_e.powi(2) as f32;
    let variance_e2 =
        Image { data: image_e.data.iter().map(|e| e.max(0.0) + read_variance).collect(), ..image_e.clone() };
    let mask = Mask::clear(width, height);
    let fwhm_px = number("fwhm_arcsec") / camera.scale_arcsec;
    let config = MeasureConfig { comet_px: (number("x_px"), number("y_px")), search_px: 5.0, fwhm_px, trail_px: None };
    let measured = measure::measure(&Calibrated { image_e, variance_e2, mask: mask.clone() }, &config);

    let (wcs, _) = Wcs::from_header(&simulated).expect("WCS").expect("WCS");
    // a Gaussian's matched filter: noise times the square root of 4π σ²
    let noise = measured.noise_e * (4.0 * std::f64::consts::PI).sqrt() * fwhm_px / 2.3548;
    let stars = csv::Reader::from_reader(simulation.catalogue_csv().as_bytes())
        .deserialize::<std::collections::HashMap<String, f64>>()
        .filter_map(|row| {
            let row = row.expect("a row of numbers");
            let at = wcs.pixel_from_sky(SkyPosition::new(row["ra_deg"], row["dec_deg"])).ok()?;
            let light = 10f64.powf(-0.4 * (row["r"] - number("zero_point_mag"))) * scenario.exposure_s;
            is_inside(at, width, height).then_some((at.x_px, at.y_px, light / noise))
        })
        .collect();
    Frame { measured, mask, stars, fwhm_px }
}

fn is_inside(at: PixelXy, width: usize, height: usize) -> bool {
    let inside = |v: f64, n: usize| v > EDGE_PX && v < n as f64 - 1.0 - EDGE_PX;
    inside(at.x_px, width) && inside(at.y_px, height)
}

/// Points sorted by column, to ask whether one is near.
struct Near(Vec<(f64, f64)>);

impl Near {
    fn new(points: impl Iterator<Item = (f64, f64)>) -> Self {
        let mut points: Vec<(f64, f64)> = points.collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self(points)
    }

    fn has(&self, x: f64, y: f64) -> bool {
        let from = self.0.partition_point(|p| p.0 < x - MATCH_PX);
        self.0[from..].iter().take_while(|p| p.0 <= x + MATCH_PX).any(|p| (p.0 - x).hypot(p.1 - y) <= MATCH_PX)
    }
}

/// False alarms and completeness at thresholds from 2 to 8 sigmas.
fn curve(f: &Frame) -> Vec<(usize, f64)> {
    let flat = &f.measured.flattened;
    let real = Near::new(f.stars.iter().filter(|s| s.2 > 2.0).map(|s| (s.0, s.1)));
    let wanted: Vec<&(f64, f64, f64)> = f.stars.iter().filter(|s| s.2 > 5.0).collect();
    (8..=32)
        .map(|quarter| {
            let config = DetectConfig {
                noise: f.measured.noise_e as f32,
                fwhm_px: f.fwhm_px,
                threshold_sigma: 0.25 * f64::from(quarter),
                max_sources: 20_000,
            };
            let found: Vec<(f64, f64)> = detect::sources(flat, &f.mask, &config)
                .iter()
                .filter(|d| is_inside(PixelXy { x_px: d.x_px, y_px: d.y_px }, flat.width, flat.height))
                .map(|d| (d.x_px, d.y_px))
                .collect();
            let false_alarms = found.iter().filter(|(x, y)| !real.has(*x, *y)).count();
            let found = Near::new(found.into_iter());
            (false_alarms, wanted.iter().filter(|s| found.has(s.0, s.1)).count() as f64 / wanted.len() as f64)
        })
        .collect()
}

#[test]
fn stars_are_found_and_measured_as_well_as_by_sep_and_photutils() {
    let mut faults = Vec::new();
    for (name, scenario) in [
        ("sparse", include_str!("../data/detect-sparse.toml")),
        ("dense", include_str!("../data/detect-dense.toml")),
        ("coma", include_str!("../data/detect-coma.toml")),
    ] {
        let frame = frame(scenario);
        let curve = curve(&frame);
        let mut reader = csv::Reader::from_reader(include_bytes!("../data/detections_sep.csv").as_slice());
        for row in reader.records().map(|r| r.expect("row")).filter(|r| &r[0] == name) {
            let number = |i: usize| row[i].parse::<f64>().expect("a number");
            let (allowed, theirs) = (number(1) as usize, number(2));
            let ours = curve.iter().filter(|(n, _)| *n <= allowed).map(|(_, share)| *share).fold(0.0, f64::max);
            println!("{name}, {allowed} false: {ours:.3}, sep {theirs:.3}");
            if ours < theirs - 0.02 {
                faults.push(format!("{name}: {ours:.3} complete at {allowed} false alarms, sep {theirs:.3}"));
            }
        }
        let fwhm = frame.measured.shape.as_ref().expect("a star image").shape.fwhm_px();
        let theirs: f64 = csv::Reader::from_reader(include_bytes!("../data/detections_sep.csv").as_slice())
            .records()
            .find_map(|r| r.ok().filter(|r| &r[0] == name)?[3].parse().ok())
            .expect("a width");
        println!("{name}: FWHM {fwhm:.3} px, true {:.3}, photutils {theirs:.3}", frame.fwhm_px);
        // photutils samples at pixel centres, so the pixel's own width is in its: √(fwhm² + (2.3548²/12))
        let without_pixel = (theirs * theirs - 2.3548f64.powi(2) / 12.0).sqrt();
        for (what, other) in
            [("the true", frame.fwhm_px), ("photutils'", theirs), ("photutils' less the pixel's", without_pixel)]
        {
            if (fwhm / other - 1.0).abs() > 0.03 {
                faults.push(format!("{name}: FWHM {fwhm:.3} px, {what} {other:.3}"));
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
