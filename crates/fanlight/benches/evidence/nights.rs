//! Nights with and without structure, every kind of artefact among them, each drawn from a seed.

use crate::draws::Draws;
use fanlight_sim::scenario::{
    FeatureKeys, FeatureKind, HaloKeys, NearStarKeys, SatelliteKeys, SpikeKeys, TrackingTarget, WcsStyle,
};
use fanlight_sim::{Light, Scenario, Simulation};

/// What is in a night.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kind {
    /// Its name, as `--kinds` and the tables have it.
    pub name: &'static str,
    /// Whether narrow structure is in it.
    pub has_features: bool,
    /// Whether something is wrong with the frames that could draw structure.
    pub has_artefact: bool,
}

const fn featureless(name: &'static str, has_artefact: bool) -> Kind {
    Kind { name, has_features: false, has_artefact }
}

const fn features(name: &'static str, has_artefact: bool) -> Kind {
    Kind { name, has_features: true, has_artefact }
}

/// Nights without a jet or an arc.
pub const FEATURELESS: [Kind; 11] = [
    featureless("round", false),
    featureless("tail", false),
    featureless("fan", false),
    featureless("centre", true),
    featureless("trailing", true),
    featureless("elongated", true),
    featureless("stars", true),
    featureless("gradient", true),
    featureless("spikes", true),
    featureless("detector", true),
    featureless("satellite", true),
];

/// Nights with jets or arcs. Single jets are half of them: there `n_features` asks most often.
pub const FEATURES: [Kind; 10] = [
    features("jet", false),
    features("pair", false),
    features("jet", false),
    features("nested", false),
    features("jet_trailing", true),
    features("jet", false),
    features("on_tail", false),
    features("jet", false),
    features("arc", false),
    features("jet_stars", true),
];

/// Peak signal over noise of the condensation in the stack: from a comet that one barely measures to a bright one.
const PEAK_SN: (f64, f64) = (50.0, 1000.0);
/// Share of the full well that the brightest pixel reaches at most, as an observer would expose.
const FULLEST: f64 = 0.6;

/// Stars brighter than magnitude 16 in a square degree: from the galactic poles to 15° of latitude, and from there into the Milky Way.
/// Counts of the magnitude from memory of star-count tables in V (Cox 2000, Allen's Astrophysical Quantities, ch. 19).
const STARS: (f64, f64) = (300.0, 3000.0);
const CROWDED: (f64, f64) = (3000.0, 20_000.0);

/// A night of a kind and a seed.
pub fn scenario(kind: &Kind, seed: u64) -> Scenario {
    let mut d = Draws::new(seed.wrapping_mul(0xD605_1F5A_3C3B_8E6D) ^ 0x5DEE_CE66);
    let mut s = base(seed, &mut d);
    let mut nucleus_share = d.chance(0.25).then(|| d.ratio(0.003, 0.1));
    if kind.has_features {
        s.comet.features = structure(kind.name, &mut d);
    } else if kind.name == "tail" || (kind.has_artefact && d.chance(0.3)) {
        s.comet.features = vec![tail(&mut d)];
    } else if kind.name == "fan" {
        s.comet.features = vec![fan(&mut d)];
    }
    if kind.name == "centre" {
        // the nucleus tells a wrong centre from a right one
        nucleus_share = None;
    }
    let peak_sn = d.ratio(PEAK_SN.0, PEAK_SN.1);
    artefact(kind.name, &mut s, &mut d);
    set_brightness(&mut s, peak_sn, nucleus_share);
    s
}

/// What every night draws: detector, sky, seeing, field, motion, the round coma.
fn base(seed: u64, d: &mut Draws) -> Scenario {
    let mut s = Scenario { seed, ..Scenario::default() };
    s.n_frames = 8 + (d.unit() * 13.0) as usize;
    let side = if d.chance(0.3) { 384 } else { 320 };
    (s.camera.width_px, s.camera.height_px) = (side, side);
    s.camera.scale_arcsec = d.between(1.1, 2.0);
    s.camera.rotation_deg = d.between(0.0, 360.0);
    s.camera.mirrored = d.chance(0.3);
    s.camera.bias_row_adu = d.between(0.0, 3.0);
    s.camera.hot_pixel_fraction = d.between(0.0, 0.001);
    s.camera.flat_error_fraction = d.between(0.0, 0.0005);
    (s.calibration.n_bias, s.calibration.n_dark, s.calibration.n_flat) = (5, 5, 5);
    s.exposure_s = d.between(30.0, 60.0).round();
    s.cadence_s = s.exposure_s + d.between(6.0, 40.0).round();

    s.comet.gamma1 = d.between(0.9, 1.2);
    s.comet.gamma2 = d.between(1.1, 1.5);
    s.comet.gamma3 = d.between(1.4, 1.9);
    s.comet.break1_km = Some(d.between(15_000.0, 40_000.0));
    s.comet.g_minus_r_mag = d.between(0.40, 0.60);
    let (reach, towards) = (3.0 * d.unit(), std::f64::consts::TAU * d.unit());
    s.comet.ephemeris_offset_arcsec = [reach * towards.sin(), reach * towards.cos()];

    s.psf.fwhm_arcsec = d.between(1.8, 3.4) * s.camera.scale_arcsec;
    s.psf.drift_arcsec_per_hour = d.between(-0.5, 0.5);
    s.psf.elongation = d.between(1.0, 1.10);
    s.psf.elongation_angle_deg = d.between(0.0, 180.0);
    s.psf.beta = d.between(2.6, 4.5);
    s.psf.field_variation_fraction = d.between(0.0, 0.03);
    s.sky.brightness_mag_arcsec2 = d.between(18.9, 21.2);
    s.sky.gradient_fraction = d.between(0.0, 0.06);
    s.sky.gradient_pa_deg = d.between(0.0, 360.0);
    s.stars.per_square_degree = d.ratio(STARS.0, STARS.1);
    s.transmission.colour_term = d.between(-0.03, 0.03);
    s.transmission.scatter_mag = d.between(0.0, 0.05);

    let [day, hour, minute] = [(18.0, 9.0), (20.0, 3.0), (0.0, 60.0)].map(|(from, n)| (from + n * d.unit()) as u32);
    s.start_utc = format!("2031-03-{day:02}T{hour:02}:{minute:02}:00Z");
    s.tracking.on = if d.chance(0.2) { TrackingTarget::Comet } else { TrackingTarget::Stars };
    s.tracking.dither_arcsec = if d.chance(0.7) { d.between(2.0, 10.0) } else { 0.0 };
    s.tracking.meridian_flip_at = d.chance(0.2).then_some(s.n_frames / 2);
    s.wcs.style = if d.chance(0.5) { WcsStyle::Cd } else { WcsStyle::Pc };
    s.wcs.offset_arcsec = 0.5 * d.unit() * s.camera.scale_arcsec;
    s.artefacts.cosmic_rays_per_mpx_min = d.between(0.0, 40.0);
    s.artefacts.satellite_rate = d.between(0.0, 0.05);
    s
}

fn structure(name: &str, d: &mut Draws) -> Vec<FeatureKeys> {
    let first = jet(d);
    let beside = |d: &mut Draws, off_deg: f64, share: f64| {
        let other = jet(d);
        let contrast = (first.contrast * share).clamp(0.005, 0.15);
        FeatureKeys { pa_deg: (first.pa_deg + off_deg).rem_euclid(360.0), contrast, ..other }
    };
    match name {
        "pair" => {
            let (off, share) = (180.0 + d.between(-10.0, 10.0), d.between(0.3, 0.8));
            let counter = beside(d, off, share);
            vec![first, counter]
        }
        "nested" => {
            let (off, share) = (d.between(25.0, 70.0) * sign(d), d.between(0.4, 1.0));
            let second = beside(d, off, share);
            vec![first, second]
        }
        "on_tail" => {
            let mut tail = tail(d);
            if d.chance(0.5) {
                tail.pa_deg = (first.pa_deg + d.between(-60.0, 60.0)).rem_euclid(360.0);
            }
            vec![first, tail]
        }
        "arc" => vec![arc(d)],
        _ => vec![first],
    }
}

fn sign(d: &mut Draws) -> f64 {
    if d.chance(0.5) { 1.0 } else { -1.0 }
}

fn jet(d: &mut Draws) -> FeatureKeys {
    let outer_arcsec = d.ratio(10.0, 60.0);
    // no more than half a turn along its length
    let bend = 1.5_f64.min(60.0 / outer_arcsec);
    FeatureKeys {
        kind: FeatureKind::Jet,
        pa_deg: d.between(0.0, 360.0),
        width_deg: d.between(10.0, 60.0),
        contrast: d.ratio(0.01, 0.15),
        curvature_deg_per_arcsec: if d.chance(0.6) { d.between(-bend, bend) } else { 0.0 },
        inner_arcsec: 3.0,
        outer_arcsec,
        inner_fade_arcsec: None,
        outer_fade_arcsec: None,
    }
}

fn arc(d: &mut Draws) -> FeatureKeys {
    let crest = d.between(10.0, 35.0);
    let half = 0.5 * d.between(3.0, 8.0);
    FeatureKeys {
        kind: FeatureKind::Arc,
        width_deg: d.between(50.0, 140.0),
        curvature_deg_per_arcsec: 0.0,
        inner_arcsec: crest - half,
        outer_arcsec: crest + half,
        ..jet(d)
    }
}

/// A tail whose onset is as gradual as the scenario allows.
fn tail(d: &mut Draws) -> FeatureKeys {
    let inner_arcsec = d.between(2.0, 15.0);
    FeatureKeys {
        kind: FeatureKind::Tail,
        width_deg: d.between(60.0, 120.0),
        contrast: d.ratio(0.1, 0.7),
        curvature_deg_per_arcsec: if d.chance(0.3) { d.between(-0.3, 0.3) } else { 0.0 },
        inner_arcsec,
        outer_arcsec: 240.0,
        inner_fade_arcsec: Some(inner_arcsec * d.between(1.0, 2.0)),
        outer_fade_arcsec: None,
        ..jet(d)
    }
}

/// The radiation-pressure fan: broad, from the nucleus out.
fn fan(d: &mut Draws) -> FeatureKeys {
    FeatureKeys {
        kind: FeatureKind::Fan,
        width_deg: d.between(60.0, 120.0),
        contrast: d.ratio(0.1, 0.7),
        curvature_deg_per_arcsec: if d.chance(0.3) { d.between(-0.3, 0.3) } else { 0.0 },
        inner_arcsec: d.between(0.5, 3.0),
        outer_arcsec: d.between(40.0, 120.0),
        ..jet(d)
    }
}

/// What is wrong with the frames.
fn artefact(name: &str, s: &mut Scenario, d: &mut Draws) {
    let scale = s.camera.scale_arcsec;
    match name {
        // a comet that is not where frame after frame expects it: a clock that jumps, an orbit that drifts away
        "centre" => {
            if d.chance(0.6) {
                s.comet.ephemeris_scatter_arcsec = d.between(0.3, 1.2) * scale;
            }
            if s.comet.ephemeris_scatter_arcsec == 0.0 || d.chance(0.4) {
                let hours = s.n_frames as f64 * s.cadence_s / 3600.0;
                let (along, turn) = (d.between(0.7, 3.0) * scale / hours, std::f64::consts::TAU * d.unit());
                s.comet.ephemeris_drift_arcsec_per_hour = [along * turn.sin(), along * turn.cos()];
            }
        }
        "trailing" | "jet_trailing" => {
            s.tracking.drift_arcsec_per_min = d.ratio(1.0, 5.0) * scale * 60.0 / s.exposure_s;
            s.tracking.drift_pa_deg = d.between(0.0, 360.0);
            s.tracking.drift_scatter_fraction = d.between(0.0, 0.1);
        }
        "elongated" => s.psf.elongation = d.between(1.15, 1.6),
        "stars" | "jet_stars" => {
            s.stars.per_square_degree = d.ratio(CROWDED.0, CROWDED.1);
            if d.chance(0.6) {
                s.stars.star_near_nucleus = Some(near_star(d, (11.0, 17.0), (4.0, 30.0)));
            }
        }
        "gradient" => {
            s.sky.brightness_mag_arcsec2 = d.between(17.8, 19.5);
            s.sky.gradient_fraction = d.between(0.1, 0.6);
            s.sky.bowl_fraction = d.between(-0.3, 0.3);
        }
        "spikes" => {
            s.stars.spikes = Some(SpikeKeys {
                count: if d.chance(0.8) { 4 } else { 6 },
                angle_deg: d.between(0.0, 90.0),
                fraction: d.between(0.01, 0.05),
                length_arcsec: d.between(15.0, 50.0),
                brighter_than_mag: 13.5,
            });
            s.stars.halo = Some(HaloKeys { fraction: d.between(0.02, 0.08), ..HaloKeys::default() });
            s.stars.star_near_nucleus = Some(near_star(d, (8.5, 12.5), (15.0, 80.0)));
        }
        "detector" => {
            s.camera.flat_error_fraction = d.between(0.0005, 0.002);
            s.camera.bad_columns = 2 + (d.unit() * 6.0) as usize;
            s.camera.hot_pixel_fraction = d.between(0.001, 0.008);
            s.camera.dust_rings = 5 + (d.unit() * 11.0) as usize;
            s.camera.dust_depth_fraction = d.between(0.01, 0.05);
            s.tracking.dither_arcsec = 0.0;
            s.tracking.meridian_flip_at = None;
            s.calibration.n_flat = 2;
        }
        "satellite" => {
            let crossed = 2 + (d.unit() * 4.0) as usize;
            s.artefacts.satellites = (0..crossed)
                .map(|_| SatelliteKeys {
                    frame: 1 + (d.unit() * s.n_frames as f64) as usize,
                    pa_deg: d.between(0.0, 180.0),
                    miss_arcsec: d.between(-15.0, 15.0),
                    peak_e: d.ratio(200.0, 20_000.0),
                    width_arcsec: d.between(1.0, 1.5) * s.psf.fwhm_arcsec,
                })
                .collect();
        }
        _ => {}
    }
}

fn near_star(d: &mut Draws, mag: (f64, f64), distance_arcsec: (f64, f64)) -> NearStarKeys {
    NearStarKeys {
        mag: d.between(mag.0, mag.1),
        distance_arcsec: d.between(distance_arcsec.0, distance_arcsec.1),
        pa_deg: d.between(0.0, 360.0),
    }
}

/// Makes the comet as bright as gives its brightest pixel the signal over noise asked for in the stack, or as the full well
/// allows. `nucleus_share` is the nucleus' light as a share of that within 10 000 km.
fn set_brightness(s: &mut Scenario, peak_sn: f64, nucleus_share: Option<f64>) {
    let magnitude = 12.0;
    let dim = |s: &mut Scenario, magnitude: f64| {
        s.comet.magnitude = Some(magnitude);
        s.comet.nucleus_mag = nucleus_share.map(|share| magnitude - 2.5 * share.log10());
    };
    dim(s, magnitude);
    let simulation = Simulation::new(s).expect("a scenario within its ranges");
    let peak_e = f64::from(simulation.mean_light(&[Light::Whole], 3)[0].at(1, 1));
    let (n, background) = (s.n_frames as f64, simulation.background_variance_e2());
    // (n p)² = sn² n (p + background)
    let half = 0.5 * peak_sn * peak_sn / n;
    let wanted_e = half + (half * half + 2.0 * half * background).sqrt();
    let wanted_e = wanted_e.min(FULLEST * s.camera.full_well_e);
    dim(s, magnitude - 2.5 * (wanted_e / peak_e).log10());
}
