//! Pairs of nights with known change, for the comparison of nights: simulated comae as stacks, with noise, errors of the centre and of
//! the kernel, at two seeings, scales and orientations.
//!
//! The tests compare a few; `benches/change.rs` compares many and prints the rates.

use crate::draws::Draws;
use crate::known_change;
use fanlight_coma::change::{self, Comparison, KnownChange, NightForChange, NotCompared};
use fanlight_coma::evidence::mode_space::SkyFrame;
use fanlight_image::{Image, Mask};
use fanlight_sim::scenario::{FeatureKeys, FeatureKind};
use fanlight_sim::{Scenario, Simulation};

/// What happens between two nights.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Happens {
    /// Nothing: smooth comae, jets and tails stay as they are.
    Nothing,
    /// A jet comes that was not there.
    New,
    /// A jet goes.
    Gone,
    /// A jet turns by 10 to 40 degrees.
    Turned,
    /// A jet brightens by a factor of 1.5 to 3.
    Brighter,
}

/// Two stacks and what is known of them.
pub struct Made {
    nights: [Stacked; 2],
    /// Position angles of what changed; empty where nothing did.
    pub places_deg: Vec<f64>,
    /// The change itself on the later stack; `None` where there is none.
    change: Option<Image>,
}

/// A stack.
struct Stacked {
    image: Image,
    variance: Image,
    mask: Mask,
    substacks: Vec<(Image, f64)>,
    frame: SkyFrame,
    km_per_arcsec: f64,
    fwhm_arcsec: f64,
    beta: f64,
    elongation: f64,
    elongation_pa_deg: f64,
    sky_per_px: f64,
    sky_sigma: f64,
    expected: Image,
}

const N_SUBSTACKS: usize = 6;
const N_FRAMES: f64 = 20.0;
const READ_NOISE_E: f64 = 5.0;
/// Errors that the measurement has of centre (px) and kernel (share of the elongation).
const CENTRE_SIGMA_PX: f64 = 0.04;
const ELONGATION_SIGMA: f64 = 0.015;
const FWHM_SIGMA: f64 = 0.01;
const BETA_SIGMA: f64 = 0.2;

fn scenario(seed: u64, night: u64, brightness: f64, features: &[FeatureKeys]) -> Scenario {
    let mut d = Draws::new(seed.wrapping_mul(0xD134_2543_DE82_EF95) ^ night.wrapping_mul(0x2545_F491_4F6C_DD1D));
    let mut s = Scenario { seed: seed * 2 + night, n_frames: 1, ..Scenario::default() };
    (s.camera.width_px, s.camera.height_px) = (256, 256);
    s.camera.scale_arcsec = d.between(0.9, 1.5);
    s.camera.rotation_deg = d.between(0.0, 360.0);
    s.camera.mirrored = d.chance(0.3);
    s.exposure_s = 40.0;
    s.comet.afrho_cm = brightness * d.between(0.85, 1.15);
    s.comet.features = features.to_vec();
    s.psf.fwhm_arcsec = d.between(2.2, 3.8);
    s.psf.elongation = d.between(1.0, 1.12);
    s.psf.elongation_angle_deg = d.between(0.0, 180.0);
    s.psf.beta = d.between(2.8, 4.5);
    s.sky.brightness_mag_arcsec2 = d.between(19.3, 21.2);
    s
}

fn feature(kind: FeatureKind, pa_deg: f64, contrast: f64, d: &mut Draws) -> FeatureKeys {
    let tail = kind == FeatureKind::Tail;
    let inner_arcsec = if tail { d.between(5.0, 12.0) } else { 3.0 };
    FeatureKeys {
        kind,
        pa_deg,
        width_deg: if tail { d.between(35.0, 70.0) } else { d.between(18.0, 40.0) },
        contrast,
        curvature_deg_per_arcsec: 0.0,
        inner_arcsec,
        outer_arcsec: if tail { 240.0 } else { d.between(25.0, 45.0) },
        inner_fade_arcsec: tail.then_some(1.5 * inner_arcsec),
        outer_fade_arcsec: None,
    }
}

/// Makes the pair of a seed.
pub fn make(seed: u64, happens: Happens) -> Made {
    let mut d = Draws::new(seed.wrapping_mul(0x9E6C_63D0_876A_9A35) ^ happens as u64);
    let brightness = d.ratio(200.0, 2000.0);
    let mut still = Vec::new();
    if d.chance(0.5) {
        still.push(feature(FeatureKind::Tail, d.between(0.0, 360.0), d.between(0.1, 0.5), &mut d));
    }
    let pa_deg = d.between(0.0, 360.0);
    let contrast = d.ratio(0.03, 0.2);
    let jet = feature(FeatureKind::Jet, pa_deg, contrast, &mut d);
    let turned = FeatureKeys { pa_deg: pa_deg + d.between(10.0, 40.0), ..jet.clone() };
    let brighter = FeatureKeys { contrast: contrast * d.between(1.5, 3.0), ..jet.clone() };
    let (before, after): (Option<&FeatureKeys>, Option<&FeatureKeys>) = match happens {
        Happens::Nothing if d.chance(0.5) => (Some(&jet), Some(&jet)),
        Happens::Nothing => (None, None),
        Happens::New => (None, Some(&jet)),
        Happens::Gone => (Some(&jet), None),
        Happens::Turned => (Some(&jet), Some(&turned)),
        Happens::Brighter => (Some(&jet), Some(&brighter)),
    };
    let with = |own: Option<&FeatureKeys>| -> Vec<FeatureKeys> { still.iter().chain(own).cloned().collect() };
    let scenarios = [scenario(seed, 1, brightness, &with(before)), scenario(seed, 2, brightness, &with(after))];
    let nights = [0, 1].map(|i| stacked(&scenarios[i], &mut d));
    let without = Scenario {
        comet: fanlight_sim::scenario::CometKeys { features: with(before), ..scenarios[1].comet.clone() },
        ..scenarios[1].clone()
    };
    let places_deg = match happens {
        Happens::Nothing => Vec::new(),
        Happens::Turned => vec![pa_deg, turned.pa_deg],
        _ => vec![pa_deg],
    };
    let change = (happens != Happens::Nothing).then(|| change(&nights[1], &without));
    Made { nights, places_deg, change }
}

/// The later stack's light beyond what it would show without the change.
fn change(later: &Stacked, without: &Scenario) -> Image {
    let simulation = Simulation::new(without).expect("a scenario");
    let mut before = simulation.expected_comet(0);
    before.data.iter_mut().for_each(|v| *v /= without.exposure_s as f32);
    let frame = &simulation.truth()["frames"][0];
    let [x, y] = ["x_px", "y_px"].map(|key| frame[key].as_f64().expect("a number of the truth"));
    known_change::in_shares(&later.expected, &before, (x, y))
}

fn stacked(scenario: &Scenario, d: &mut Draws) -> Stacked {
    // what is known of the wings is drawn apart, so that all else stays what it was
    let mut e = Draws::new(scenario.seed ^ 0x5EED_BE7A);
    let simulation = Simulation::new(scenario).expect("a scenario");
    let truth = simulation.truth();
    let frame = &truth["frames"][0];
    let number = |key: &str| frame[key].as_f64().expect("a number of the truth");
    let seconds = scenario.exposure_s;
    let mut expected = simulation.expected_comet(0);
    expected.data.iter_mut().for_each(|v| *v /= seconds as f32);
    let matrix = [0, 1].map(|i| [0, 1].map(|j| frame["arcsec_per_px"][i][j].as_f64().expect("a number of the truth")));
    let local = SkyFrame { centre_px: (number("x_px"), number("y_px")), arcsec_per_px: matrix };
    let sky_e_s_px = number("sky_e_per_s_arcsec2") * local.scale_arcsec().powi(2);
    let variance_of = |v: f32| {
        let e = (f64::from(v) + sky_e_s_px) * seconds + READ_NOISE_E * READ_NOISE_E;
        e / (seconds * seconds * N_FRAMES)
    };
    let variance = Image { data: expected.data.iter().map(|v| variance_of(*v) as f32).collect(), ..expected };
    let substacks: Vec<(Image, f64)> = (0..N_SUBSTACKS)
        .map(|_| {
            let noisy = expected
                .data
                .iter()
                .zip(&variance.data)
                .map(|(v, variance)| v + (d.normal() * (f64::from(*variance) * N_SUBSTACKS as f64).sqrt()) as f32);
            (Image { data: noisy.collect(), ..expected }, 1.0 / N_SUBSTACKS as f64)
        })
        .collect();
    let mut image = Image::filled(expected.width, expected.height, 0.0);
    for (part, share) in &substacks {
        image.data.iter_mut().zip(&part.data).for_each(|(sum, v)| *sum += v * *share as f32);
    }
    let (x, y) = local.centre_px;
    Stacked {
        mask: Mask::clear(image.width, image.height),
        image,
        variance,
        substacks,
        frame: SkyFrame { centre_px: (x + CENTRE_SIGMA_PX * d.normal(), y + CENTRE_SIGMA_PX * d.normal()), ..local },
        km_per_arcsec: truth["geometry"]["km_per_arcsec"].as_f64().expect("a number of the truth"),
        fwhm_arcsec: number("comet_fwhm_arcsec") * (1.0 + FWHM_SIGMA * d.normal()),
        elongation: (number("comet_elongation") * (1.0 + ELONGATION_SIGMA * d.normal())).max(1.0),
        elongation_pa_deg: number("comet_elongation_pa_deg"),
        beta: number("beta") + BETA_SIGMA * e.normal(),
        sky_per_px: sky_e_s_px,
        sky_sigma: 2e-4 * sky_e_s_px,
        expected,
    }
}

impl Made {
    /// Compares the two.
    pub fn compare(&self) -> Result<Comparison, NotCompared> {
        self.compare_knowing().map(|c| c.0)
    }

    /// Compares the two, and tells what filters find that know what changed.
    pub fn compare_knowing(&self) -> Result<(Comparison, Option<KnownChange>), NotCompared> {
        let parts: Vec<Vec<(&Image, f64)>> =
            self.nights.iter().map(|n| n.substacks.iter().map(|(i, s)| (i, *s)).collect()).collect();
        let of = |i: usize| {
            let n = &self.nights[i];
            NightForChange {
                image: &n.image,
                variance: &n.variance,
                mask: &n.mask,
                correlation: 1.0,
                star_variance: None,
                substacks: &parts[i],
                frame: n.frame,
                km_per_arcsec: n.km_per_arcsec,
                centre_sigma_px: CENTRE_SIGMA_PX,
                fwhm_arcsec: n.fwhm_arcsec,
                fwhm_sigma: FWHM_SIGMA,
                beta: n.beta,
                beta_sigma: BETA_SIGMA,
                elongation: n.elongation,
                elongation_pa_deg: n.elongation_pa_deg,
                elongation_sigma: ELONGATION_SIGMA,
                sky_sigma: n.sky_sigma,
                sky_per_px: n.sky_per_px,
            }
        };
        change::compare_knowing(&of(0), &of(1), 7, self.change.as_ref())
    }

    /// Whether a comparison claims a change at a place where there was one.
    pub fn is_found(&self, comparison: &Comparison) -> bool {
        comparison.changes.iter().filter(|c| c.probability <= change::CLAIMED_TO).any(|c| {
            let near = |pa: &f64| (c.pa_rad.to_degrees() - pa + 180.0).rem_euclid(360.0) - 180.0;
            self.places_deg.iter().any(|pa| near(pa).abs() < 20.0)
        })
    }
}

mod tests {
    use super::*;

    fn claims(made: &Made) -> usize {
        let compared = made.compare().unwrap_or_else(|e| panic!("{e}"));
        compared.changes.iter().filter(|c| c.probability <= change::CLAIMED_TO).count()
    }

    #[test]
    fn what_stays_is_no_change() {
        for seed in 1..=3 {
            assert_eq!(claims(&make(seed, Happens::Nothing)), 0, "seed {seed}");
        }
    }

    #[test]
    fn clear_changes_are_found_where_they_are() {
        // seeds whose change is clear: 80 to 200 times the noise for a filter that knows it
        for (seed, happens) in [(12, Happens::New), (17, Happens::Gone), (14, Happens::Turned), (3, Happens::Brighter)]
        {
            let made = make(seed, happens);
            let (compared, known) = made.compare_knowing().unwrap_or_else(|e| panic!("{e}"));
            assert!(known.is_some_and(|k| k.ideal > 60.0), "{known:?}");
            assert!(made.is_found(&compared), "{happens:?}: {:?}, true at {:?}", compared.changes, made.places_deg);
        }
    }
}
