//! The ideal: what a matched filter finds that is told the structure's shape and place, in a stack without any fault.
//!
//! The stack is the mean of all frames, registered without error; its noise is that of photons (coma, sky, dark charge), read-out and
//! digitisation, the same in every pixel of a brightness and without correlation. Pixels from one kernel width outward
//! count. The structure's light goes in through the true mean kernel; the azimuthal profile is always projected out, free at
//! nodes 8 % apart in radius. The night's other structures are known.

use fanlight_image::Image;
use fanlight_sim::scenario::FeatureKind;
use fanlight_sim::{Light, Scenario, Simulation};
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

/// What the ideal filter makes of one structure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ideal {
    /// Amplitude over its error, the profile projected out.
    pub sn: f64,
    /// The same with centre (2), kernel ellipticity (2) and sky plane (3) projected out as well.
    pub sn_projected: f64,
    /// Error of the direction, all that and the amplitude projected out, degrees.
    pub pa_sigma_deg: f64,
    /// Radius where the direction is measured best, arcsec.
    pub pivot_arcsec: f64,
}

/// Spacing of the profile's nodes as a share of the radius, and at least one pixel.
const NODE_STEP: f64 = 0.08;
/// Change of the kernel's ellipticity ln(major/minor) for its derivative.
const ELLIPTICITY_STEP: f64 = 0.02;

/// The ideal of every structure of a night, in the scenario's order; `fwhm_arcsec` is the mean kernel's.
pub fn ideals(simulation: &Simulation, fwhm_arcsec: f64) -> Vec<Ideal> {
    let s = simulation.scenario();
    let n = s.comet.features.len();
    if n == 0 {
        return Vec::new();
    }
    let light = Lights::of(simulation);
    let turned: Vec<Lights> = [(ELLIPTICITY_STEP, 0.0), (0.0, ELLIPTICITY_STEP)]
        .into_iter()
        .map(|(a, b)| Lights::of(&Simulation::new(&stretched(s, a, b)).expect("a scenario that was simulated")))
        .collect();
    let side = light.smooth.width;
    let middle = 0.5 * (side as f64 - 1.0);
    let inner_px = fwhm_arcsec / s.camera.scale_arcsec;
    let nodes = profile_nodes(inner_px, middle);
    let (first_node, after) = (2 * n, 2 * n + nodes.len());
    let mut gram = DMatrix::<f64>::zeros(after + 7, after + 7);
    let mut pivots = vec![(0.0, 0.0); n];
    let background = simulation.background_variance_e2();
    let mut row: Vec<(usize, f64)> = Vec::new();
    for y in 2..side - 2 {
        for x in 2..side - 2 {
            let (dx, dy) = (x as f64 - middle, y as f64 - middle);
            let rho = dx.hypot(dy);
            if rho < inner_px || rho > middle - 2.0 {
                continue;
            }
            let variance = (f64::from(light.whole.at(x, y)) + background) / s.n_frames as f64;
            let smooth = f64::from(light.smooth.at(x, y));
            row.clear();
            for (i, own) in light.features.iter().enumerate() {
                let [gx, gy] = gradient(own, x, y);
                // East is −x: toward larger PA light moves by (∂x, ∂y) = (−dy, dx) per radian.
                let turn = dy * gx - dx * gy;
                row.extend([(i, f64::from(own.at(x, y))), (n + i, turn)]);
                pivots[i].0 += turn * turn / variance * rho;
                pivots[i].1 += turn * turn / variance;
            }
            let k = nodes.partition_point(|r| *r <= rho).clamp(1, nodes.len() - 1);
            let share = (rho - nodes[k - 1]) / (nodes[k] - nodes[k - 1]);
            row.extend([(first_node + k - 1, smooth * (1.0 - share)), (first_node + k, smooth * share)]);
            let [gx, gy] = gradient(&light.smooth, x, y);
            row.extend([(after, gx), (after + 1, gy)]);
            row.extend(turned.iter().enumerate().map(|(j, t)| (after + 2 + j, f64::from(t.smooth.at(x, y)) - smooth)));
            row.extend([(after + 4, 1.0), (after + 5, dx), (after + 6, dy)]);
            for (i, a) in &row {
                for (j, b) in &row {
                    gram[(*i, *j)] += a * b / variance;
                }
            }
        }
    }
    let profile: Vec<usize> = (first_node..after).collect();
    let everything: Vec<usize> = (first_node..after + 7).collect();
    (0..n)
        .map(|i| {
            let with_own: Vec<usize> = everything.iter().copied().chain([i]).collect();
            Ideal {
                sn: information(&gram, i, &profile).sqrt(),
                sn_projected: information(&gram, i, &everything).sqrt(),
                pa_sigma_deg: (1.0 / information(&gram, n + i, &with_own).sqrt()).to_degrees(),
                pivot_arcsec: pivots[i].0 / pivots[i].1 * s.camera.scale_arcsec,
            }
        })
        .collect()
}

/// The light of a night as a perfect stack holds it.
struct Lights {
    whole: Image,
    /// Without jets and arcs.
    smooth: Image,
    features: Vec<Image>,
}

impl Lights {
    fn of(simulation: &Simulation) -> Self {
        let s = simulation.scenario();
        let side = (s.camera.width_px.min(s.camera.height_px) - 1) | 1;
        let kinds: Vec<FeatureKind> = s.comet.features.iter().map(|f| f.kind).collect();
        let mut wanted = vec![Light::Whole];
        wanted.extend((0..kinds.len()).map(Light::Feature));
        let mut features = simulation.mean_light(&wanted, side);
        let whole = features.remove(0);
        let mut smooth = whole.clone();
        let narrow = |k: &FeatureKind| matches!(k, FeatureKind::Jet | FeatureKind::Arc);
        for (own, _) in features.iter().zip(&kinds).filter(|(_, k)| narrow(k)) {
            smooth.data.iter_mut().zip(&own.data).for_each(|(a, b)| *a -= b);
        }
        Self { whole, smooth, features }
    }
}

/// The scenario with another kernel: the components of ln(major/minor) along and at 45° to the detector's axes changed.
fn stretched(s: &Scenario, along: f64, across: f64) -> Scenario {
    let mut s = s.clone();
    let twice = 2.0 * s.psf.elongation_angle_deg.to_radians();
    let size = s.psf.elongation.ln();
    let (a, b) = (size * twice.cos() + along, size * twice.sin() + across);
    s.psf.elongation = a.hypot(b).exp();
    s.psf.elongation_angle_deg = 0.5 * b.atan2(a).to_degrees();
    s
}

fn profile_nodes(inner_px: f64, outer_px: f64) -> Vec<f64> {
    let mut nodes = vec![inner_px];
    while let Some(last) = nodes.last().copied().filter(|r| *r < outer_px) {
        nodes.push(last + (NODE_STEP * last).max(1.0));
    }
    nodes
}

/// Derivatives along x and y, of fourth order.
fn gradient(image: &Image, x: usize, y: usize) -> [f64; 2] {
    let at = |dx: isize, dy: isize| f64::from(image.at(x.wrapping_add_signed(dx), y.wrapping_add_signed(dy)));
    [
        (8.0 * (at(1, 0) - at(-1, 0)) - (at(2, 0) - at(-2, 0))) / 12.0,
        (8.0 * (at(0, 1) - at(0, -1)) - (at(0, 2) - at(0, -2))) / 12.0,
    ]
}

/// Information about one amplitude (the inverse of its variance) when others are free, from the matrix of products.
fn information(gram: &DMatrix<f64>, target: usize, free: &[usize]) -> f64 {
    let free: Vec<usize> = free.iter().copied().filter(|i| gram[(*i, *i)] > 0.0).collect();
    let scale = |i: usize| gram[(i, i)].sqrt();
    let n = free.len();
    // the floor only keeps directions that others span from breaking the factorisation
    let among = DMatrix::from_fn(n, n, |a, b| {
        gram[(free[a], free[b])] / (scale(free[a]) * scale(free[b])) + if a == b { 1e-9 } else { 0.0 }
    });
    let with = DVector::from_fn(n, |a, _| gram[(free[a], target)] / scale(free[a]));
    let explained = among.cholesky().map_or(0.0, |c| with.dot(&c.solve(&with)));
    (gram[(target, target)] - explained).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_sim::scenario::FeatureKeys;

    fn night(contrast: f64, width_deg: f64) -> Scenario {
        let mut s = Scenario { n_frames: 4, ..Scenario::default() };
        (s.camera.width_px, s.camera.height_px) = (200, 200);
        s.psf.scatter_fraction = 0.0;
        s.comet.features = vec![FeatureKeys {
            kind: FeatureKind::Jet,
            pa_deg: 50.0,
            width_deg,
            contrast,
            curvature_deg_per_arcsec: 0.0,
            inner_arcsec: 3.0,
            outer_arcsec: 60.0,
            inner_fade_arcsec: None,
            outer_fade_arcsec: None,
        }];
        s
    }

    fn ideal(s: &Scenario) -> Ideal {
        ideals(&Simulation::new(s).expect("scenario"), s.psf.fwhm_arcsec)[0]
    }

    #[test]
    fn more_frames_and_more_contrast_count_as_they_should() {
        let one = ideal(&night(0.02, 20.0));
        let stronger = ideal(&night(0.04, 20.0));
        assert!((stronger.sn_projected / one.sn_projected / 2.0 - 1.0).abs() < 0.03, "{one:?} {stronger:?}");
        let longer = ideal(&Scenario { n_frames: 16, cadence_s: 60.0, ..night(0.02, 20.0) });
        // frames differ a little in air and haze
        assert!((longer.sn / one.sn / 2.0 - 1.0).abs() < 0.05, "{one:?} {longer:?}");
    }

    /// On a 1/ρ coma from 3″ to 60″, in its own photon noise, a wedge of FWHM 12 / 20 / 30 / 45° keeps 0.93 / 0.88 / 0.82 / 0.73 of
    /// its signal over noise when centre, ellipticity and plane are projected out.
    #[test]
    fn projection_costs_what_a_plain_calculation_gives() {
        for (width_deg, kept) in [(12.0, 0.93), (20.0, 0.88), (30.0, 0.82), (45.0, 0.73)] {
            let mut s = night(0.03, width_deg);
            (s.comet.gamma1, s.comet.break1_km, s.comet.break2_km) = (1.0, None, None);
            s.comet.magnitude = Some(8.0);
            // the grid's rim at 60″
            (s.camera.width_px, s.camera.height_px) = (98, 98);
            s.comet.features[0].outer_arcsec = 300.0;
            let i = ideals(&Simulation::new(&s).expect("scenario"), 3.0)[0];
            assert!((i.sn_projected / i.sn - kept).abs() < 0.03, "{width_deg}°: {} {i:?}", i.sn_projected / i.sn);
        }
    }

    /// A Gaussian of width σ and signal over noise z has its middle known to σ/z along the direction it varies in.
    #[test]
    fn the_direction_is_known_to_the_width_over_the_signal() {
        let i = ideal(&night(0.05, 20.0));
        let sigma_deg = 20.0 / 2.354_820;
        // the blurred wedge is wider than before seeing, and projection costs signal
        let ratio = i.pa_sigma_deg * i.sn / sigma_deg;
        assert!((1.0..2.0).contains(&ratio), "{ratio}: {i:?}");
    }
}
