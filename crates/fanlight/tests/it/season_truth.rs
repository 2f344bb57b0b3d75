//! How much two nights of a simulated season truly differ: what a filter would find that knows the change.

use crate::seasons::{NightPlan, Plan, Structure, keys};
use fanlight_sim::Simulation;
use serde_json::Value;

/// What two nights truly differ by.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueChange {
    /// Significance that a filter has which knows its form, at both nights' noise and the later one's star image: of the shares of the
    /// coma's azimuthal mean, in the distances that were compared.
    pub ideal: f64,
    /// Position angles of what changed, before and after.
    pub places_deg: Vec<f64>,
}

impl Plan {
    /// What changed between two nights in a range of distances: the later one simulated with its own structures and with those of the
    /// earlier one.
    pub fn true_change(&self, earlier: usize, later: usize, truths: &[Value], range_km: [f64; 2]) -> TrueChange {
        let (was, is) = (&self.nights[earlier], &self.nights[later]);
        let places = |own: &[Structure], other: &[Structure]| -> Vec<f64> {
            own.iter().filter(|s| !other.contains(s)).map(|s| s.pa_deg).collect()
        };
        let mut places_deg = places(&was.structures, &is.structures);
        places_deg.extend(places(&is.structures, &was.structures));
        if places_deg.is_empty() {
            return TrueChange { ideal: 0.0, places_deg };
        }
        let own = Rings::new(is, &truths[later], &is.structures, range_km);
        let as_before = Rings::new(is, &truths[later], &was.structures, range_km);
        let before = Rings::new(was, &truths[earlier], &was.structures, range_km);
        // the earlier night's noise on the later night's pixels and brightness, by what the sky gives
        let in_frames = |n: &NightPlan| n.scenario.n_frames as f64;
        let area = (is.scenario.camera.scale_arcsec / was.scenario.camera.scale_arcsec).powi(2);
        let brightness = own.light / before.light;
        let raised = 1.0 + before.sky * area * brightness * brightness / in_frames(was) / (own.sky / in_frames(is));
        let squares = own.pixels.iter().zip(&as_before.pixels).map(|((ring, light), (_, other))| {
            let change = light - other * own.means[*ring] / as_before.means[*ring];
            change * change * in_frames(is) / ((light + own.sky) * raised)
        });
        TrueChange { ideal: squares.sum::<f64>().sqrt(), places_deg }
    }
}

/// The comet without noise in the middle frame of a night, in a range of distances.
struct Rings {
    /// Number of the ring, one pixel wide, and light of every pixel in the range, in electrons.
    pixels: Vec<(usize, f64)>,
    /// Azimuthal means.
    means: Vec<f64>,
    /// All light.
    light: f64,
    /// Variance of a pixel without the comet.
    sky: f64,
}

impl Rings {
    fn new(night: &NightPlan, truth: &Value, structures: &[Structure], range_km: [f64; 2]) -> Self {
        let number = |value: &Value| value.as_f64().expect("a number of the truth");
        let km_per_arcsec = number(&truth["geometry"]["km_per_arcsec"]);
        let mut s = night.scenario.clone();
        s.comet.features = keys(structures, km_per_arcsec);
        let middle = s.n_frames / 2;
        let image = Simulation::new(&s).expect("a scenario").expected_comet(middle);
        let frame = &truth["frames"][middle];
        let (x, y) = (number(&frame["x_px"]), number(&frame["y_px"]));
        let scale = s.camera.scale_arcsec;
        let pixels: Vec<(usize, f64)> = (image.data.iter().enumerate())
            .filter_map(|(i, light)| {
                let r_px = ((i % image.width) as f64 - x).hypot((i / image.width) as f64 - y);
                let r_km = r_px * scale * km_per_arcsec;
                (range_km[0]..range_km[1]).contains(&r_km).then_some((r_px as usize, f64::from(*light)))
            })
            .collect();
        let n_rings = pixels.iter().map(|p| p.0 + 1).max().unwrap_or(0);
        let (mut sums, mut counts) = (vec![0.0; n_rings], vec![0.0; n_rings]);
        for (ring, light) in &pixels {
            sums[*ring] += light;
            counts[*ring] += 1.0;
        }
        let means = sums.iter().zip(&counts).map(|(sum, n): (&f64, &f64)| sum / n.max(1.0)).collect();
        let sky = number(&frame["sky_e_per_s_arcsec2"]) * s.exposure_s * scale * scale + s.camera.read_noise_e.powi(2);
        Self { light: sums.iter().sum(), pixels, means, sky }
    }
}
