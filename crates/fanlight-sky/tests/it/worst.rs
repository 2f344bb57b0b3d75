//! Keeps the worst difference of every quantity, and judges them all at the end.

use std::collections::BTreeMap;

/// Worst differences by quantity.
#[derive(Default)]
pub struct Worst(BTreeMap<&'static str, (f64, String)>);

impl Worst {
    /// Takes one difference, of either sign; what is no number counts as infinitely bad.
    pub fn take(&mut self, name: &'static str, difference: f64, place: &str) {
        let size = if difference.is_nan() { f64::INFINITY } else { difference.abs() };
        let kept = self.0.entry(name).or_insert((-1.0, String::new()));
        if size > kept.0 {
            *kept = (size, place.to_string());
        }
    }

    /// Fails with all that is over its tolerance, or was never taken.
    pub fn judge(&self, tolerances: &[(&'static str, f64)]) {
        let mut faults = Vec::new();
        for (name, tolerance) in tolerances {
            match self.0.get(name) {
                Some((size, _)) if size <= tolerance => {}
                Some((size, place)) => faults.push(format!("{name}: {size:.3e}, allowed {tolerance:.1e}, at {place}")),
                None => faults.push(format!("{name}: never compared")),
            }
        }
        for name in self.0.keys().filter(|n| !tolerances.iter().any(|(t, _)| t == *n)) {
            faults.push(format!("{name}: no tolerance"));
        }
        assert!(faults.is_empty(), "\n{}", faults.join("\n"));
    }
}
