//! What a record claims against what is true: which feature is which, false ones, counting errors.

use super::truth::{TrueFeature, is_narrow};
use fanlight_record::FeatureRecord;

/// Share of the shorter of two extents in radius that must be common to both.
const OVERLAP: f64 = 0.3;

/// Angle from one direction to another, −180 to 180 degrees.
pub fn turned_deg(from_deg: f64, to_deg: f64) -> f64 {
    (to_deg - from_deg + 180.0).rem_euclid(360.0) - 180.0
}

/// Direction of a recorded feature at a radius.
pub fn pa_at_deg(f: &FeatureRecord, rho_arcsec: f64) -> f64 {
    f.pa_deg + f.curvature_deg_per_arcsec.unwrap_or(0.0) * (rho_arcsec - f.inner_arcsec)
}

/// How far a recorded feature is from a true one as a share of what is allowed (half the true width or three errors of its
/// direction, at the middle of the common radii); nothing where it is another.
pub fn miss(found: &FeatureRecord, truth: &TrueFeature) -> Option<f64> {
    let (low, high) = (found.inner_arcsec.max(truth.inner_arcsec), found.outer_arcsec.min(truth.outer_arcsec));
    let shorter = (found.outer_arcsec - found.inner_arcsec).min(truth.outer_arcsec - truth.inner_arcsec);
    if !(high - low >= OVERLAP * shorter) {
        return None;
    }
    let rho = 0.5 * (low + high);
    let off = turned_deg(truth.pa_at_deg(rho), pa_at_deg(found, rho)).abs();
    let allowed = (0.5 * truth.width_deg).max(3.0 * found.pa_err_deg);
    (off <= allowed).then_some(off / allowed)
}

/// Widths that differ by less than this factor are alike.
const ALIKE: f64 = 1.25;

/// Whether a ray is as wide as a true one: a wide jet and a narrow fan differ by their names only.
fn is_as_wide(found: &FeatureRecord, truth: &TrueFeature) -> bool {
    let rays = found.kind != "arc" && truth.kind != "arc";
    rays && (1.0 / ALIKE..=ALIKE).contains(&(found.width_deg / truth.width_deg))
}

/// A night's features against its truth.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Matched {
    /// Per true structure: the recorded feature that is it, by index; a supported one before another, then the nearest.
    pub of_truth: Vec<Option<usize>>,
    /// Supported jets and arcs that are nothing true, by index.
    pub false_claims: Vec<usize>,
    /// Supported jets and arcs that claim a true one a second time, by index.
    pub claimed_twice: Vec<usize>,
}

/// Whether a recorded feature is claimed to be real.
pub fn is_supported(f: &FeatureRecord) -> bool {
    f.verdict == "supported"
}

/// Matches recorded features and true structures: narrow ones with narrow ones, broad ones with broad ones, and rays as wide as each other.
pub fn matched(found: &[FeatureRecord], truths: &[TrueFeature]) -> Matched {
    let nearest: Vec<Option<(usize, f64)>> = found
        .iter()
        .map(|f| {
            let alike = truths
                .iter()
                .enumerate()
                .filter(|(_, t)| t.is_narrow() == is_narrow(&f.kind) || t.goes_by_either_name() || is_as_wide(f, t));
            alike.filter_map(|(i, t)| Some((i, miss(f, t)?))).min_by(|a, b| a.1.total_cmp(&b.1))
        })
        .collect();
    let best = |truth: usize| {
        let own = nearest.iter().enumerate().filter_map(|(i, n)| n.filter(|n| n.0 == truth).map(|n| (i, n.1)));
        own.min_by(|a, b| {
            let rank = |i: usize| !is_supported(&found[i]);
            rank(a.0).cmp(&rank(b.0)).then(a.1.total_cmp(&b.1))
        })
        .map(|(i, _)| i)
    };
    let of_truth: Vec<Option<usize>> = (0..truths.len()).map(best).collect();
    let claims = || (0..found.len()).filter(|i| is_supported(&found[*i]) && is_narrow(&found[*i].kind));
    Matched {
        false_claims: claims().filter(|i| nearest[*i].is_none()).collect(),
        claimed_twice: claims().filter(|i| nearest[*i].is_some_and(|n| of_truth[n.0] != Some(*i))).collect(),
        of_truth,
    }
}

/// Wilson's 95 % interval of a share, `k` of `n`.
///
/// # Source
/// Wilson (1927), J. Am. Stat. Assoc. 22, 209.
pub fn wilson(k: usize, n: usize) -> (f64, f64) {
    if n == 0 {
        return (0.0, 1.0);
    }
    const Z: f64 = 1.959_964;
    let (k, n) = (k as f64, n as f64);
    let p = k / n;
    let middle = p + Z * Z / (2.0 * n);
    let half = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
    let below = 1.0 + Z * Z / n;
    // the closed ends are exact, whatever rounding says
    let low = if k == 0.0 { 0.0 } else { (middle - half) / below };
    let high = if k == n { 1.0 } else { (middle + half) / below };
    (low, high)
}

/// The counts that `n` draws of probability `p` give 95 times in 100 or more, at most 2.5 % on either side left out.
pub fn binomial_range(n: usize, p: f64) -> (usize, usize) {
    if n == 0 || p <= 0.0 {
        return (0, 0);
    }
    if p >= 1.0 {
        return (n, n);
    }
    let odds = p / (1.0 - p);
    // in logarithms: (1 − p)^n vanishes for many nights
    let mut log_term = n as f64 * (1.0 - p).ln();
    let (mut sum, mut low, mut high) = (0.0, None, n);
    for k in 0..=n {
        sum += log_term.exp();
        if low.is_none() && sum > 0.025 {
            low = Some(k);
        }
        if sum >= 0.975 {
            high = k;
            break;
        }
        log_term += ((n - k) as f64 / (k + 1) as f64 * odds).ln();
    }
    (low.unwrap_or(0), high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn found(kind: &str, verdict: &str, pa_deg: f64, curvature: Option<f64>, range: (f64, f64)) -> FeatureRecord {
        serde_json::from_value(json!({
            "kind": kind, "pa_deg": pa_deg, "pa_err_deg": 1.0, "width_deg": 20.0, "curvature_deg_per_arcsec": curvature,
            "inner_arcsec": range.0, "outer_arcsec": range.1, "inner_km": 0.0, "outer_km": 0.0, "contrast": 0.05,
            "contrast_err": 0.005, "false_alarm_probability": 1e-5, "verdict": verdict, "offset_from_sunward_deg": 0.0,
            "challenges": [],
        }))
        .expect("a record")
    }

    fn jet(pa_deg: f64, curvature: f64) -> TrueFeature {
        let all = json!({ "features": [{ "kind": "jet", "pa_deg": pa_deg, "curvature_deg_per_arcsec": curvature,
            "inner_arcsec": 4.0, "outer_arcsec": 24.0, "width_deg": 20.0 }] });
        super::super::truth::features(&all, &[]).remove(0)
    }

    #[test]
    fn the_same_ridge_from_another_inner_edge_is_the_same() {
        // 350° at 4″ bending by 1°/″ is 4° at 18″
        let off = miss(&found("jet", "supported", 4.0, Some(1.0), (18.0, 30.0)), &jet(350.0, 1.0));
        assert!(off.is_some_and(|o| o < 1e-9), "{off:?}");
        // what is right at the inner edge and straight is 7° off at 14″ − 7″
        let off = miss(&found("jet", "supported", 350.0, None, (4.0, 18.0)), &jet(350.0, 1.0));
        assert!(off.is_some_and(|o| (o - 0.7).abs() < 1e-9), "{off:?}");
    }

    #[test]
    fn what_is_elsewhere_is_another() {
        assert_eq!(miss(&found("jet", "supported", 11.0, None, (4.0, 24.0)), &jet(0.0, 0.0)), None);
        assert_eq!(miss(&found("jet", "supported", 0.0, None, (23.0, 40.0)), &jet(0.0, 0.0)), None);
        let unsure = FeatureRecord { pa_err_deg: 4.0, ..found("jet", "supported", 11.0, None, (4.0, 24.0)) };
        assert!(miss(&unsure, &jet(0.0, 0.0)).is_some());
    }

    #[test]
    fn claims_are_true_false_or_made_twice() {
        let truths = [jet(0.0, 0.0), jet(100.0, 0.0)];
        let record = [
            found("jet", "supported", 3.0, None, (4.0, 24.0)),
            found("jet", "supported", 1.0, None, (4.0, 24.0)),
            found("jet", "provisional", 100.0, None, (4.0, 24.0)),
            found("jet", "supported", 200.0, None, (4.0, 24.0)),
            found("jet", "artefact", 250.0, None, (4.0, 24.0)),
            FeatureRecord { width_deg: 90.0, ..found("tail", "supported", 0.0, None, (4.0, 24.0)) },
        ];
        let m = matched(&record, &truths);
        assert_eq!(m.of_truth, [Some(1), Some(2)]);
        assert_eq!(m.false_claims, [3]);
        assert_eq!(m.claimed_twice, [0]);
    }

    /// A wide jet that is found as wide as it is, is found, though it is called a fan; what is much wider is another.
    #[test]
    fn rays_as_wide_as_each_other_are_one_whatever_their_names() {
        let truth = TrueFeature { width_deg: 53.0, ..jet(0.0, 0.0) };
        let fan = |width_deg| FeatureRecord { width_deg, ..found("fan", "supported", 0.0, None, (4.0, 24.0)) };
        assert_eq!(matched(&[fan(62.0)], std::slice::from_ref(&truth)).of_truth, [Some(0)]);
        assert_eq!(matched(&[fan(80.0)], &[truth]).of_truth, [None]);
    }

    #[test]
    fn a_jet_on_a_tail_that_has_none_is_false() {
        let tail = TrueFeature { kind: "tail".into(), width_deg: 90.0, ..jet(0.0, 0.0) };
        let m = matched(&[found("jet", "supported", 0.0, None, (4.0, 24.0))], &[tail]);
        assert_eq!((m.of_truth, m.false_claims), (vec![None], vec![0]));
    }

    #[test]
    fn wilson_interval() {
        // by the same equation in another language, twice as many digits
        for (k, n, low, high) in [(0, 400, 0.0, 0.009512), (4, 400, 0.003895, 0.025427), (5, 10, 0.236593, 0.763407)] {
            let (a, b) = wilson(k, n);
            assert!((a - low).abs() < 1e-6 && (b - high).abs() < 1e-6, "{k} of {n}: {a} {b}");
        }
        assert_eq!(wilson(0, 0), (0.0, 1.0));
        assert_eq!(wilson(3, 3).1, 1.0);
    }

    #[test]
    fn binomial_ranges() {
        // by scipy.stats.binom.ppf at 0.025 and 0.975
        for (n, p, low, high) in [(400, 0.01, 1, 8), (400, 0.5, 180, 220), (400, 0.001, 0, 2), (36, 0.1, 1, 7)] {
            assert_eq!(binomial_range(n, p), (low, high), "{n} {p}");
        }
    }
}
