//! What was put into a night, from `truth.json`.

use super::ideal::Ideal;
use serde_json::Value;

/// One structure that was put in.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueFeature {
    /// `jet`, `fan`, `tail` or `arc`.
    pub kind: String,
    /// Direction at the inner radius; of an arc, its middle.
    pub pa_inner_deg: f64,
    /// Change of direction with radius.
    pub curvature_deg_per_arcsec: f64,
    /// Inner radius.
    pub inner_arcsec: f64,
    /// Outer radius.
    pub outer_arcsec: f64,
    /// Full width at half maximum as seen, where that is known; else before seeing. Of an arc: its length.
    pub width_deg: f64,
    /// Contrast as seen, averaged over its own range.
    pub contrast_own_seen: f64,
    /// Radius and contrast as seen on the ridge.
    pub profile: Vec<(f64, f64)>,
    /// The ideal matched filter.
    pub ideal: Option<Ideal>,
    /// Signal over noise of the ideal as the truth itself states it, without projection.
    pub stated_sn: Option<f64>,
}

impl TrueFeature {
    /// Jets and arcs: what is never to be claimed where it is not.
    pub fn is_narrow(&self) -> bool {
        is_narrow(&self.kind)
    }

    /// Whether it is as wide as a wide jet and a narrow fan are.
    pub fn goes_by_either_name(&self) -> bool {
        self.kind != "arc" && (EITHER_DEG.0..=EITHER_DEG.1).contains(&self.width_deg)
    }

    /// Direction at a radius.
    pub fn pa_at_deg(&self, rho_arcsec: f64) -> f64 {
        self.pa_inner_deg + self.curvature_deg_per_arcsec * (rho_arcsec - self.inner_arcsec)
    }

    /// Contrast as seen, averaged over a range of radius; nothing where the truth does not reach.
    pub fn contrast_over(&self, inner_arcsec: f64, outer_arcsec: f64) -> Option<f64> {
        if self.kind == "arc" {
            return Some(self.contrast_own_seen);
        }
        let n = 60;
        let step = (outer_arcsec - inner_arcsec) / n as f64;
        let values: Option<Vec<f64>> =
            (0..n).map(|i| self.contrast_at(inner_arcsec + (i as f64 + 0.5) * step)).collect();
        values.map(|v| v.iter().sum::<f64>() / n as f64)
    }

    fn contrast_at(&self, rho_arcsec: f64) -> Option<f64> {
        let k = self.profile.partition_point(|p| p.0 <= rho_arcsec);
        let (a, b) = (self.profile.get(k.checked_sub(1)?)?, self.profile.get(k)?);
        Some(a.1 + (b.1 - a.1) * (rho_arcsec - a.0) / (b.0 - a.0))
    }

    /// Signal over noise that the tables sort by: projected where that is known.
    pub fn ideal_sn(&self) -> Option<f64> {
        self.ideal.map(|i| i.sn_projected).or(self.stated_sn)
    }
}

/// Wedges as wide as this, as seen, are jets to one and fans to another.
const EITHER_DEG: (f64, f64) = (55.0, 72.0);

/// Whether a kind is a jet's or an arc's.
pub fn is_narrow(kind: &str) -> bool {
    kind == "jet" || kind == "arc"
}

/// The structures of a truth; `ideals` in the same order, where they are known.
pub fn features(truth: &Value, ideals: &[Ideal]) -> Vec<TrueFeature> {
    let list = truth["features"].as_array();
    list.into_iter().flatten().enumerate().map(|(i, f)| feature(f, ideals.get(i).copied())).collect()
}

fn feature(f: &Value, ideal: Option<Ideal>) -> TrueFeature {
    let number = |key: &str| f[key].as_f64();
    let list =
        |value: &Value| -> Vec<f64> { value.as_array().into_iter().flatten().filter_map(Value::as_f64).collect() };
    let seen = |key: &str| list(&f["profile"][key]);
    let own = [seen("contrast_own_seen"), seen("own_seen")].into_iter().find(|v| !v.is_empty()).unwrap_or_default();
    TrueFeature {
        kind: f["kind"].as_str().unwrap_or_default().to_string(),
        pa_inner_deg: number("pa_inner_deg").or(number("pa_deg")).unwrap_or(f64::NAN),
        curvature_deg_per_arcsec: number("curvature_deg_per_arcsec").unwrap_or(0.0),
        inner_arcsec: number("inner_arcsec").unwrap_or(0.0),
        outer_arcsec: number("outer_arcsec").unwrap_or(f64::NAN),
        width_deg: number("width_seen_deg").or(number("width_deg")).unwrap_or(f64::NAN),
        contrast_own_seen: number("contrast_own_seen").unwrap_or(f64::NAN),
        profile: seen("rho_arcsec").into_iter().zip(own).collect(),
        ideal,
        stated_sn: number("ideal_sn"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn both_forms_of_truth_are_read() {
        let ours = json!({ "features": [{ "kind": "jet", "pa_deg": 10.0, "curvature_deg_per_arcsec": 0.5,
            "inner_arcsec": 3.0, "outer_arcsec": 30.0, "width_deg": 20.0, "width_seen_deg": 26.0, "contrast_own_seen": 0.05,
            "profile": { "rho_arcsec": [2.0, 12.0, 40.0], "contrast_own_seen": [0.02, 0.06, 0.0] } }] });
        let theirs = json!({ "features": [{ "kind": "jet", "pa_deg": 8.5, "pa_inner_deg": 10.0,
            "curvature_deg_per_arcsec": 0.5, "inner_arcsec": 3.0, "outer_arcsec": 30.0, "width_deg": 26.0,
            "contrast_own_seen": 0.05, "profile": { "rho_arcsec": [2.0, 12.0, 40.0], "own_seen": [0.02, 0.06, 0.0] } }] });
        assert_eq!(features(&ours, &[]), features(&theirs, &[]));
        let f = &features(&ours, &[])[0];
        assert_eq!(f.pa_at_deg(13.0), 15.0);
        assert!((f.contrast_over(2.0, 12.0).expect("covered") - 0.04).abs() < 1e-12);
        assert_eq!(f.contrast_over(1.0, 12.0), None);
    }
}
