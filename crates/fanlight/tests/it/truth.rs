//! How true the main job is: nights of many kinds, simulated from a seed, measured, and held against what was put in.
//!
//! The tests measure a few fixed seeds; `benches/truth.rs` measures many and prints the table.

use crate::draws::Draws;
use fanlight::night::reduce::{self, Reduced};
use fanlight::night::{Options, Sources, first_pass};
use fanlight::simulate;
use fanlight_sim::scenario::{FeatureKeys, FeatureKind, TrackingTarget, WcsStyle};
use fanlight_sim::{Scenario, Simulation};
use serde_json::Value;
use std::path::Path;

/// One comparison: measured minus true, in the quantity's unit, and the error that the record states for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// What was measured.
    pub quantity: &'static str,
    /// Measured minus true.
    pub off: f64,
    /// Stated 1σ error in the same unit, where the record has one.
    pub sigma: Option<f64>,
    /// What makes that error, term by term in the same unit, where the record says so.
    pub terms: Vec<(String, f64)>,
}

impl Sample {
    /// The largest term of the stated error.
    pub fn largest_term(&self) -> Option<&str> {
        self.terms.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map(|t| t.0.as_str())
    }
}

/// What one night gave.
pub struct Outcome {
    /// The scenario's numbers, for a search for trends.
    pub traits: Vec<(&'static str, f64)>,
    /// Every comparison, or why the night could not be measured.
    pub samples: Result<Vec<Sample>, String>,
    /// Frames left out of the stack, with the reason.
    pub left_out: Vec<String>,
    /// The record's notes.
    pub notes: Vec<String>,
}

/// A night of a seed: small frames, everything that a night may bring drawn independently.
pub fn scenario(seed: u64) -> Scenario {
    let mut d = Draws::new(seed.wrapping_mul(0x2545_F491_4F6C_DD1D));
    let mut s = Scenario { seed, ..Scenario::default() };
    s.n_frames = 8 + (d.unit() * 3.0) as usize;
    let side = if d.chance(0.25) { 320 } else { 256 };
    (s.camera.width_px, s.camera.height_px) = (side, side);
    s.camera.scale_arcsec = d.between(1.1, 1.6);
    s.camera.rotation_deg = d.between(0.0, 360.0);
    s.camera.mirrored = d.chance(0.3);
    s.camera.bias_row_adu = d.between(0.0, 4.0);
    s.camera.hot_pixel_fraction = d.between(0.0, 0.002);
    s.camera.flat_error_fraction = d.between(0.0, 0.001);
    (s.calibration.n_bias, s.calibration.n_dark, s.calibration.n_flat) = (3, 3, 3);

    s.comet.afrho_cm = d.ratio(100.0, 3000.0);
    // as an observer would: shorter where the condensation would saturate
    s.exposure_s = if s.comet.afrho_cm > 1000.0 { 30.0 } else { d.between(30.0, 60.0).round() };
    s.cadence_s = s.exposure_s + d.between(6.0, 40.0).round();
    s.comet.gamma1 = d.between(0.9, 1.2);
    s.comet.gamma2 = d.between(1.1, 1.5);
    s.comet.gamma3 = d.between(1.4, 1.9);
    s.comet.break1_km = Some(d.between(15_000.0, 40_000.0));
    // dust comae of g − r from the Sun's to redder and bluer, so that the colour assumed is not always right
    s.comet.g_minus_r_mag = d.between(0.30, 0.60);
    let (reach, towards) = (3.0 * d.unit(), std::f64::consts::TAU * d.unit());
    s.comet.ephemeris_offset_arcsec = [reach * towards.sin(), reach * towards.cos()];
    let structure = d.unit();
    if structure < 0.3 {
        s.comet.features = vec![jet(&mut d)];
    } else if structure < 0.6 {
        s.comet.features = vec![tail(&mut d)];
    }

    s.psf.fwhm_arcsec = d.between(1.7, 4.0) * s.camera.scale_arcsec;
    s.psf.drift_arcsec_per_hour = d.between(-0.5, 0.5);
    s.psf.elongation = d.between(1.0, 1.12);
    s.psf.elongation_angle_deg = d.between(0.0, 180.0);
    s.psf.beta = d.between(2.6, 4.5);
    s.psf.field_variation_fraction = d.between(0.0, 0.03);
    s.sky.brightness_mag_arcsec2 = d.between(18.7, 21.2);
    s.sky.gradient_fraction = d.between(0.0, 0.08);
    s.sky.gradient_pa_deg = d.between(0.0, 360.0);
    s.stars.per_square_degree = d.ratio(2500.0, 12_000.0);
    s.transmission.colour_term = d.between(-0.05, 0.05);
    s.transmission.scatter_mag = d.between(0.0, 0.08);

    // another hour of the night: other altitude, other direction of the motion on the detector
    let [day, hour, minute] = [(18.0, 9.0), (20.0, 3.0), (0.0, 60.0)].map(|(from, n)| (from + n * d.unit()) as u32);
    s.start_utc = format!("2031-03-{day:02}T{hour:02}:{minute:02}:00Z");
    s.tracking.on = if d.chance(0.15) { TrackingTarget::Comet } else { TrackingTarget::Stars };
    s.tracking.dither_arcsec = d.between(0.0, 10.0);
    if d.chance(0.2) {
        s.tracking.drift_arcsec_per_min = d.between(0.8, 2.0) * s.psf.fwhm_arcsec * 60.0 / s.exposure_s * 0.6;
        s.tracking.drift_pa_deg = d.between(0.0, 360.0);
        s.tracking.drift_scatter_fraction = 0.05;
    }
    s.tracking.meridian_flip_at = d.chance(0.25).then_some(s.n_frames / 2);
    s.wcs.style = match (d.unit() * 3.0) as usize {
        0 => WcsStyle::Cd,
        1 => WcsStyle::Pc,
        _ => WcsStyle::Crota,
    };
    s.wcs.offset_arcsec = d.unit() * s.camera.scale_arcsec;
    s.wcs.rotation_deg = d.between(0.0, 0.05);
    s.wcs.scale_fraction = d.between(0.0, 4e-4);
    s.artefacts.cosmic_rays_per_mpx_min = d.between(0.0, 60.0);
    s.artefacts.satellite_rate = d.between(0.0, 0.1);
    s
}

/// A night with a coma as varied as the errors are stated for: dust of the Sun's g − r (0.44) or up to 0.3 mag redder, slopes outside the innermost
/// range evenly from 0.9 to 2, which may change by as much between two ranges as the sky fit's errors expect, and steeper gradients of the sky.
pub fn varied(mut s: Scenario) -> Scenario {
    let mut d = Draws::new(s.seed.wrapping_mul(0xD6E8_FEB8_6659_FD93));
    let comet = &mut s.comet;
    comet.g_minus_r_mag += 0.14;
    let (flattest, steepest) = (0.9, 2.0);
    comet.gamma2 = d.between(flattest, steepest);
    // reflected at the ends: the outermost slopes are spread evenly too. From the middle of one range to that of the next, a factor of 2.5 in radius,
    // slopes correlated as the fit expects differ by 0.27 (1σ)
    let next = comet.gamma2 + d.between(-0.47, 0.47);
    comet.gamma3 = if next < flattest { 2.0 * flattest - next } else { next.min(2.0 * steepest - next) };
    comet.break2_km = Some(d.between(50_000.0, 120_000.0));
    s.sky.gradient_fraction *= 1.5;
    s
}

/// A night of a seed through optics whose distortion no header tells: larger frames, whose corner is off by 2 to 5 px
/// either way.
pub fn distorted(seed: u64) -> Scenario {
    let mut s = scenario(seed);
    let mut d = Draws::new(seed.wrapping_mul(0x9E6C_63D0_876A_9A35));
    (s.camera.width_px, s.camera.height_px) = (512, 512);
    s.wcs.distortion_corner_px = d.between(2.0, 5.0) * if d.chance(0.5) { 1.0 } else { -1.0 };
    s
}

/// A night of a seed in a field as dense as 10 000 stars in 2048² px at 1.3″, of which the frames show a thousand.
pub fn dense(seed: u64) -> Scenario {
    let mut s = scenario(seed);
    (s.camera.width_px, s.camera.height_px) = (640, 640);
    s.stars.per_square_degree = 18_300.0;
    s
}

fn jet(d: &mut Draws) -> FeatureKeys {
    FeatureKeys {
        kind: FeatureKind::Jet,
        pa_deg: d.between(0.0, 360.0),
        width_deg: d.between(18.0, 40.0),
        contrast: d.between(0.05, 0.25),
        curvature_deg_per_arcsec: d.between(-0.5, 0.5),
        inner_arcsec: 3.0,
        outer_arcsec: d.between(20.0, 45.0),
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    }
}

/// A tail that comes out of the coma as gradually as the scenario allows, or in half of that.
fn tail(d: &mut Draws) -> FeatureKeys {
    let inner_arcsec = d.between(5.0, 12.0);
    FeatureKeys {
        kind: FeatureKind::Tail,
        pa_deg: d.between(0.0, 360.0),
        width_deg: d.between(35.0, 70.0),
        contrast: d.between(0.1, 0.5),
        curvature_deg_per_arcsec: 0.0,
        inner_arcsec,
        outer_arcsec: 240.0,
        inner_fade_arcsec: Some(inner_arcsec * d.between(1.0, 2.0)),
        outer_fade_arcsec: None,
    }
}

/// Simulates a night into a folder and reduces it there; with the truth.
pub fn reduced(scenario: &Scenario, folder: &Path) -> Result<(Reduced, Value), String> {
    let options = Options {
        frames_dir: folder.join("frames"),
        campaign: folder.join("campaign.toml"),
        out: folder.join("out"),
        other_band: None,
        choice: Default::default(),
        verify: false,
        ledger: Default::default(),
    };
    let simulation = Simulation::new(scenario).map_err(|e| e.to_string())?;
    simulate::write(&simulation, folder).map_err(|e| format!("{e:?}"))?;
    let truth = simulation.truth();
    let sources = Sources::open(&options).map_err(|e| format!("{e:?}"))?;
    Ok((reduce::reduce(&options, sources, folder).map_err(|e| format!("{e:?}"))?, truth))
}

/// Simulates a scenario in a folder, measures it, and compares.
pub fn measure(scenario: &Scenario, folder: &Path) -> Outcome {
    let traits = traits_of(scenario);
    let reduced = reduced(scenario, folder);
    match reduced {
        Err(reason) => Outcome { traits, samples: Err(reason), left_out: Vec::new(), notes: Vec::new() },
        Ok((reduced, truth)) => Outcome {
            traits,
            left_out: reduced.record.frames.iter().filter_map(|f| f.rejected_because.clone()).collect(),
            samples: Ok(samples(scenario, &reduced, &truth)),
            notes: reduced.record.notes.clone(),
        },
    }
}

fn traits_of(s: &Scenario) -> Vec<(&'static str, f64)> {
    let has = |kind: FeatureKind| f64::from(u8::from(s.comet.features.iter().any(|f| f.kind == kind)));
    vec![
        ("log Afρ", s.comet.afrho_cm.log10()),
        ("FWHM in px", s.psf.fwhm_arcsec / s.camera.scale_arcsec),
        ("β", s.psf.beta),
        ("γ1", s.comet.gamma1),
        ("γ2", s.comet.gamma2),
        ("γ3", s.comet.gamma3),
        ("sky", s.sky.brightness_mag_arcsec2),
        ("gradient", s.sky.gradient_fraction),
        ("log star density", s.stars.per_square_degree.log10()),
        ("drift", s.tracking.drift_arcsec_per_min * s.exposure_s / 60.0 / s.camera.scale_arcsec),
        ("on comet", f64::from(u8::from(s.tracking.on == TrackingTarget::Comet))),
        ("flip", f64::from(u8::from(s.tracking.meridian_flip_at.is_some()))),
        ("jet", has(FeatureKind::Jet)),
        ("tail", has(FeatureKind::Tail)),
        ("colour error", s.transmission.colour_term * (s.comet.g_minus_r_mag - 0.46)),
        ("field variation", s.psf.field_variation_fraction),
        ("cosmic rays", s.artefacts.cosmic_rays_per_mpx_min),
        ("hot pixels", s.camera.hot_pixel_fraction),
        ("side", s.camera.width_px as f64),
    ]
}

/// Elongation over which a direction means something.
const ELONGATED: f64 = 1.15;

fn samples(scenario: &Scenario, reduced: &Reduced, truth: &Value) -> Vec<Sample> {
    let mut all = Vec::new();
    photometry(&mut all, scenario, reduced, truth);
    place(&mut all, scenario, reduced, truth);
    frames(&mut all, scenario, reduced, truth);
    kernel(&mut all, reduced, truth);
    all
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or(f64::NAN)
}

fn add(all: &mut Vec<Sample>, quantity: &'static str, off: f64, sigma: Option<f64>) {
    all.push(Sample { quantity, off, sigma, terms: Vec::new() });
}

/// Per cent of light of a difference in magnitudes.
fn percent(mag: f64) -> f64 {
    -100.0 * mag * 0.4 * std::f64::consts::LN_10
}

/// Names of the light in each aperture.
pub const MAGNITUDES: [&str; 3] = ["light in 5 000 km, %", "light in 10 000 km, %", "light in 20 000 km, %"];
const AFRHOS: [&str; 3] = ["Afρ in 5 000 km, %", "Afρ in 10 000 km, %", "Afρ in 20 000 km, %"];

/// Sky from side to side of the frame from which on a gradient is strong, as a share of the sky.
const STRONG_GRADIENT: f64 = 0.06;

fn photometry(all: &mut Vec<Sample>, scenario: &Scenario, reduced: &Reduced, truth: &Value) {
    for (i, p) in reduced.record.photometry.iter().enumerate() {
        let true_one = &truth["photometry"][i];
        if let (Some(mag), Some(err)) = (p.mag, p.mag_err) {
            all.push(Sample {
                quantity: MAGNITUDES[i],
                off: percent(mag - number(true_one, "mag_seen")),
                sigma: Some(-percent(err)),
                terms: p.error_terms_mag.iter().map(|t| (t.name.clone(), -percent(t.mag))).collect(),
            });
        }
        if let (Some(afrho), Some(err)) = (p.afrho_cm, p.afrho_err_cm) {
            let seen = number(true_one, "afrho_seen_cm");
            let (off, sigma) = (100.0 * (afrho / seen - 1.0), Some(100.0 * err / seen));
            add(all, AFRHOS[i], off, sigma);
            if scenario.sky.gradient_fraction > STRONG_GRADIENT {
                add(all, "Afρ, strong gradient, %", off, sigma);
            }
            if p.filled_fraction > 0.0 {
                add(all, "Afρ, masked pixels inside, %", off, sigma);
            }
        }
    }
}

/// The true nucleus in the stack's pixels: every frame's, carried with the frame, by the weights of the stack.
fn true_centre(reduced: &Reduced, truth: &Value) -> Option<(f64, f64)> {
    let night = &reduced.night;
    let local = &night.stack.grid.local;
    let stack_from_sky = fanlight_coma::stack::inverse(local.arcsec_per_px);
    let offset = night.offset.as_ref()?;
    let optocentre = night.stack.optocentre.as_ref()?;
    // frames were laid by the offset that the votes gave, before the optocentre moved it
    let moved =
        fanlight_coma::stack::apply(local.arcsec_per_px, (optocentre.x_px - local.x_px, optocentre.y_px - local.y_px));
    let registered = (offset.east_arcsec - moved.0, offset.north_arcsec - moved.1);
    let kept: Vec<&first_pass::FirstLook> =
        night.looks.iter().zip(&night.rejected).filter(|(_, r)| r.is_none()).map(|(l, _)| l).collect();
    if !night.stack.comet.lost.is_empty() {
        return None;
    }
    let (mut x, mut y, mut total) = (0.0, 0.0, 0.0);
    for (look, part) in kept.iter().zip(&night.stack.comet.kernel) {
        let frame = truth_of(truth, &look.light.file.name)?;
        let laid = look.wcs.pixel_from_sky(look.predicted.offset_by_arcsec(registered.0, registered.1)).ok()?;
        let miss = (number(frame, "x_px") - laid.x_px, number(frame, "y_px") - laid.y_px);
        let on_sky = fanlight_coma::stack::apply(look.wcs.arcsec_per_px(laid), miss);
        let in_stack = fanlight_coma::stack::apply(stack_from_sky, on_sky);
        x += part.weight * (local.x_px + in_stack.0);
        y += part.weight * (local.y_px + in_stack.1);
        total += part.weight;
    }
    Some((x / total, y / total))
}

fn truth_of<'a>(truth: &'a Value, file: &str) -> Option<&'a Value> {
    truth["frames"].as_array()?.iter().find(|f| f["file"] == *file)
}

fn place(all: &mut Vec<Sample>, scenario: &Scenario, reduced: &Reduced, truth: &Value) {
    let record = &reduced.record;
    if let Some(astrometry) = &record.astrometry {
        let offset = scenario.comet.ephemeris_offset_arcsec;
        let scale = scenario.camera.scale_arcsec;
        for (found, true_one) in astrometry.o_minus_c_arcsec.iter().zip(offset) {
            add(all, "O−C, px", (found - true_one) / scale, Some(astrometry.err_arcsec / scale));
        }
    }
    if let (Some((x, y)), Some(optocentre)) = (true_centre(reduced, truth), &reduced.night.stack.optocentre) {
        let [xx, yy, _] = optocentre.covariance_px2;
        add(all, "stack centre, px", record.stack.centre_x_px - x, Some(xx.sqrt()));
        add(all, "stack centre, px", record.stack.centre_y_px - y, Some(yy.sqrt()));
    }
}

/// Difference of two axes' directions, −90 to 90 degrees.
fn turned_deg(found: f64, true_one: f64) -> f64 {
    (found - true_one + 90.0).rem_euclid(180.0) - 90.0
}

fn frames(all: &mut Vec<Sample>, scenario: &Scenario, reduced: &Reduced, truth: &Value) {
    let record = &reduced.record;
    // the record's zero points are for the Sun's colour, the truth's for the comet's
    let solar = reduced.night.colour.as_ref().map_or(f64::NAN, |c| c.solar_mag);
    let recolour = scenario.transmission.colour_term * (scenario.comet.g_minus_r_mag - solar);
    let mut true_zero_points = Vec::new();
    for f in record.frames.iter().filter(|f| f.used) {
        let Some(t) = truth_of(truth, &f.file) else { continue };
        if let (Some(fwhm), Some(elongation), Some(pa)) = (f.fwhm_arcsec, f.elongation, f.elongation_pa_deg) {
            add(all, "frame FWHM, %", 100.0 * (fwhm / number(t, "fwhm_arcsec") - 1.0), None);
            let true_elongation = number(t, "elongation");
            add(all, "frame elongation, %", 100.0 * (elongation / true_elongation - 1.0), None);
            if true_elongation > ELONGATED {
                add(all, "frame PA, deg", turned_deg(pa, number(t, "elongation_pa_deg")), None);
            }
        }
        if let (Some(zero_point), Some(err)) = (f.zero_point_mag, f.zero_point_err_mag) {
            let true_one = number(t, "zero_point_mag") + recolour;
            add(all, "frame zero point, mag", zero_point - true_one, Some(err));
            true_zero_points.push(true_one);
        }
        if let Some(sky) = f.sky_e_per_s_arcsec2 {
            add(all, "frame sky, %", 100.0 * (sky / number(t, "sky_e_per_s_arcsec2") - 1.0), None);
        }
        if let (Some(ra), Some(dec), Some(err)) = (f.comet_ra_deg, f.comet_dec_deg, f.comet_err_arcsec) {
            let east = (ra - number(t, "ra_deg")) * dec.to_radians().cos() * 3600.0;
            let north = (dec - number(t, "dec_deg")) * 3600.0;
            let scale = scenario.camera.scale_arcsec;
            add(all, "frame place, px", east / scale, Some(err / scale));
            add(all, "frame place, px", north / scale, Some(err / scale));
        }
    }
    true_zero_points.sort_by(f64::total_cmp);
    let n = true_zero_points.len();
    if let (Some(z), true) = (&record.zero_point, n > 0) {
        let median = 0.5 * (true_zero_points[n / 2] + true_zero_points[(n - 1) / 2]);
        let off = z.stack_zero_point_mag - median;
        add(all, "stack zero point, mag", off, Some(z.stack_zero_point_err_mag));
        if let Some(term) = reduced.night.solution.as_ref().and_then(|s| s.colour_term) {
            // the record adds the term to the calibrated magnitude, the simulator its own to the instrumental one
            add(all, "colour term", term.value + scenario.transmission.colour_term, Some(term.sigma));
        }
    }
}

/// The truth's kernel: the comet's image of a point, mean of the frames.
fn kernel(all: &mut Vec<Sample>, reduced: &Reduced, truth: &Value) {
    let Some(psf) = &reduced.record.morphology.psf else { return };
    let mean = &truth["mean_kernel"];
    add(all, "kernel FWHM, %", 100.0 * (psf.fwhm_arcsec / number(mean, "mean_fwhm_arcsec") - 1.0), None);
    let elongation = number(mean, "mean_elongation");
    add(all, "kernel elongation, %", 100.0 * (psf.elongation / elongation - 1.0), None);
    if elongation > ELONGATED {
        // mean direction of the frames' axes, in doubled angles
        let (mut sin, mut cos) = (0.0, 0.0);
        for f in truth["frames"].as_array().into_iter().flatten() {
            let doubled = 2.0 * number(f, "comet_elongation_pa_deg").to_radians();
            sin += doubled.sin();
            cos += doubled.cos();
        }
        add(all, "kernel PA, deg", turned_deg(psf.pa_deg, 0.5 * sin.atan2(cos).to_degrees()), None);
    }
}

/// What many samples of one quantity say.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Samples.
    pub n: usize,
    /// Mean of measured minus true.
    pub mean: f64,
    /// Error of that mean, from the scatter.
    pub mean_sigma: f64,
    /// Root mean square of measured minus true.
    pub rms: f64,
    /// Largest size.
    pub worst: f64,
    /// Root mean square of off / stated error.
    pub pull_rms: Option<f64>,
    /// Mean of off / stated error.
    pub pull_mean: Option<f64>,
}

/// Summary of a quantity; `None` without a sample.
pub fn summary<'a>(samples: impl Iterator<Item = &'a Sample>) -> Option<Summary> {
    let all: Vec<&Sample> = samples.collect();
    let n = all.len();
    if n == 0 {
        return None;
    }
    let mean_of = |f: &dyn Fn(&Sample) -> f64| all.iter().map(|s| f(s)).sum::<f64>() / n as f64;
    let mean = mean_of(&|s| s.off);
    let scatter = mean_of(&|s| (s.off - mean).powi(2)).sqrt();
    let pulls: Option<Vec<f64>> = all.iter().map(|s| Some(s.off / s.sigma?)).collect();
    Some(Summary {
        n,
        mean,
        mean_sigma: scatter / (n as f64 - 1.0).max(1.0).sqrt(),
        rms: mean_of(&|s| s.off * s.off).sqrt(),
        worst: all.iter().map(|s| s.off.abs()).fold(0.0, f64::max),
        pull_rms: pulls.as_ref().map(|p| (p.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt()),
        pull_mean: pulls.as_ref().map(|p| p.iter().sum::<f64>() / n as f64),
    })
}

/// Fixed nights against the targets. A night counts once in each limit, whatever its frames.
#[cfg(test)]
mod targets {
    use super::{Outcome, Sample, Summary, measure, scenario, summary};
    use rayon::prelude::*;
    use std::sync::OnceLock;

    /// The first dozen seeds, not a choice among them.
    const SEEDS: std::ops::RangeInclusive<u64> = 1..=12;

    /// 0.1 % and 99.9 % points of χ² per degree of freedom, by degrees of freedom. A test that holds two limits on a
    /// pull that is right fails by chance for one set of seeds in 500, and the seeds are fixed.
    const CHI2_PER_FREEDOM: [(usize, f64, f64); 2] =
        [(12, 2.214 / 12.0, 32.909 / 12.0), (24, 8.085 / 24.0, 51.179 / 24.0)];
    /// The pull's root mean square over many seeds.
    const PULL: (f64, f64) = (0.8, 1.2);
    /// Bias of light over many seeds.
    const BIAS_PERCENT: f64 = 1.0;
    /// Star image against truth.
    const SHAPE_PERCENT: f64 = 3.0;
    /// The stack's centre.
    const CENTRE_PX: f64 = 0.1;

    /// Nights of too few stars lose frames; one that loses most of them says nothing of the rest.
    #[test]
    fn few_frames_are_left_out() {
        let left_out: Vec<(u64, &String)> =
            nights().iter().flat_map(|(s, o)| o.left_out.iter().map(|r| (*s, r))).collect();
        let lights: usize = SEEDS.map(|seed| scenario(seed).n_frames).sum();
        assert!(left_out.len() * 20 < lights, "{} of {lights} frames: {left_out:?}", left_out.len());
    }

    fn nights() -> &'static [(u64, Outcome)] {
        static NIGHTS: OnceLock<Vec<(u64, Outcome)>> = OnceLock::new();
        NIGHTS.get_or_init(|| {
            SEEDS
                .into_par_iter()
                .map(|seed| {
                    let folder = tempfile::tempdir().expect("temporary folder");
                    (seed, measure(&scenario(seed), folder.path()))
                })
                .collect()
        })
    }

    fn samples(quantity: &str, only: impl Fn(u64) -> bool) -> Vec<(u64, &'static Sample)> {
        let measured = |(seed, outcome): &'static (u64, Outcome)| {
            let all = outcome.samples.as_ref().unwrap_or_else(|e| panic!("seed {seed}, {:?}: {e}", outcome.traits));
            all.iter().map(move |s| (*seed, s))
        };
        nights().iter().flat_map(measured).filter(|(seed, s)| s.quantity == quantity && only(*seed)).collect()
    }

    fn of(samples: &[(u64, &Sample)]) -> Summary {
        summary(samples.iter().map(|(_, s)| *s)).expect("a sample")
    }

    fn trailed(seed: u64) -> bool {
        scenario(seed).tracking.drift_arcsec_per_min > 0.0
    }

    #[track_caller]
    fn expect_pull(what: &str, summary: &Summary) {
        let (_, low, high) = CHI2_PER_FREEDOM.iter().find(|(n, ..)| *n == summary.n).expect("degrees of freedom");
        let (low, high) = (PULL.0 * low.sqrt(), PULL.1 * high.sqrt());
        let rms = summary.pull_rms.expect("errors");
        assert!((low..high).contains(&rms), "{what}: pull rms {rms:.2}, not from {low:.2} to {high:.2}: {summary:?}");
    }

    /// Stars (by their widths and the zero point) and the comet in a field of 18 300 stars per square degree. Of the light the
    /// median night is held: a bright star at the nucleus may spoil one.
    #[test]
    fn a_dense_field_is_measured_as_well() {
        let nights: Vec<Outcome> = (1..=6)
            .into_par_iter()
            .map(|seed| measure(&super::dense(seed), tempfile::tempdir().expect("temporary folder").path()))
            .collect();
        let samples = |quantity: &str| -> Vec<&Sample> {
            let all = nights.iter().flat_map(|n| n.samples.as_ref().expect("measured"));
            all.filter(|s| s.quantity == quantity).collect()
        };
        let mean = |quantity: &str| summary(samples(quantity).into_iter()).expect("samples").mean;
        assert!(mean("frame FWHM, %").abs() < SHAPE_PERCENT, "{:?}", samples("frame FWHM, %"));
        assert!(mean("stack zero point, mag").abs() < 0.01, "{:?}", samples("stack zero point, mag"));
        for quantity in super::MAGNITUDES {
            let mut off: Vec<f64> = samples(quantity).iter().map(|s| s.off).collect();
            off.sort_by(f64::total_cmp);
            assert!(off[2].abs() < BIAS_PERCENT && off[3].abs() < BIAS_PERCENT, "{quantity}: {off:?}");
        }
    }

    #[test]
    fn light_is_within_a_per_cent_and_within_its_errors() {
        for quantity in super::MAGNITUDES.iter().chain(&super::AFRHOS) {
            let samples = samples(quantity, |_| true);
            let found = of(&samples);
            // the mean of a dozen nights has an error of its own: 3σ of it
            let stated: f64 = samples.iter().filter_map(|(_, s)| s.sigma).map(|s| s * s).sum::<f64>().sqrt();
            let limit = BIAS_PERCENT + 3.0 * stated / found.n as f64;
            assert!(found.mean.abs() < limit, "{quantity}: {:+.2} % (limit {limit:.2}): {samples:?}", found.mean);
            expect_pull(quantity, &found);
        }
    }

    #[test]
    fn the_zero_point_is_within_its_error() {
        expect_pull("stack zero point", &of(&samples("stack zero point, mag", |_| true)));
    }

    #[test]
    fn the_centre_of_the_stack_is_true() {
        let centre = samples("stack centre, px", |_| true);
        let found = of(&centre);
        let nights = SEEDS.count();
        assert_eq!(found.n, 2 * nights, "optocentres that were not found: {centre:?}");
        assert!(found.rms < CENTRE_PX, "{found:?}: {centre:?}");
        expect_pull("stack centre", &found);
        // twelve nights of two axes: 4σ by chance in 1 of 650 sets
        for (seed, s) in centre {
            let sigma = s.sigma.expect("error");
            assert!(s.off.abs() < (4.0 * sigma).max(CENTRE_PX), "seed {seed}: {:+.3} px, error {sigma:.3}", s.off);
        }
    }

    #[test]
    fn the_place_of_the_comet_is_within_its_error() {
        expect_pull("O−C", &of(&samples("O−C, px", |_| true)));
    }

    #[test]
    fn star_images_are_within_three_per_cent() {
        for seed in SEEDS {
            // in trailed frames the kernel does not know which way the mount drifted
            let quantities: &[&str] = if trailed(seed) {
                &["frame FWHM, %", "frame elongation, %"]
            } else {
                &["frame FWHM, %", "frame elongation, %", "kernel FWHM, %", "kernel elongation, %"]
            };
            for quantity in quantities {
                let found = of(&samples(quantity, |s| s == seed));
                assert!(found.mean.abs() < SHAPE_PERCENT, "seed {seed}, {quantity}: {found:?}");
            }
        }
    }
}
