//! How long enhancements take on this machine, so that a slider is answered in time: learned from those that were made.

use crate::enhance::method::Method;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::time::Duration;

/// So long may an enhancement take while a slider moves: what is left of 50 ms goes to the answer's way, the painting and the screen.
const LIVE_MS: f64 = 15.0;
/// Weight of the latest measurement: a moment in which the machine did something else soon is forgotten.
const LATEST: f64 = 0.25;
/// Fewer pixels than this take what every answer takes, and tell nothing of the time per pixel.
const TELLING_PX: usize = 30_000;

/// Time per pixel of each enhancement, night and twin at once on all cores.
#[derive(Default)]
pub struct Pace(Mutex<BTreeMap<Method, f64>>);

impl Pace {
    /// Whether so many pixels of an enhancement keep up with a slider.
    pub fn keeps_up(&self, method: Method, n_px: usize) -> bool {
        let known = self.0.lock().ok().and_then(|known| known.get(&method).copied());
        n_px as f64 * known.unwrap_or_else(|| usual_ns_per_px(method)) <= LIVE_MS * 1e6
    }

    /// Takes note of one.
    pub fn took(&self, method: Method, n_px: usize, time: Duration) {
        let Ok(mut known) = self.0.lock() else { return };
        if n_px >= TELLING_PX {
            let ns_per_px = time.as_secs_f64() * 1e9 / n_px as f64;
            known.entry(method).and_modify(|known| *known += LATEST * (ns_per_px - *known)).or_insert(ns_per_px);
        }
    }
}

/// Before anything was measured: two cores of 2.8 GHz (benches/records/desk.md).
fn usual_ns_per_px(method: Method) -> f64 {
    match method {
        Method::RingStretch | Method::VariableHighPass => 45.0,
        Method::AzimuthalDivision | Method::AzimuthalSubtraction | Method::RingStandardisation | Method::Laplacian => {
            27.0
        }
        Method::RotationalGradient | Method::PowerLawDivision | Method::UnsharpRatio | Method::MultiScale => 20.0,
        Method::InverseRadius | Method::TemporalRatio => 8.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slower_machine_is_asked_for_less() {
        let pace = Pace::default();
        let (method, n_px) = (Method::RotationalGradient, 500_000);
        assert!(pace.keeps_up(method, n_px));
        for _ in 0..3 {
            pace.took(method, n_px, Duration::from_millis(60));
        }
        assert!(!pace.keeps_up(method, n_px));
        assert!(pace.keeps_up(method, n_px / 8));
        assert!(pace.keeps_up(Method::UnsharpRatio, n_px), "one enhancement says nothing of another");
        for _ in 0..20 {
            pace.took(method, n_px, Duration::from_millis(10));
        }
        assert!(pace.keeps_up(method, n_px));
    }

    #[test]
    fn a_few_pixels_tell_nothing() {
        let pace = Pace::default();
        pace.took(Method::InverseRadius, 10, Duration::from_millis(5));
        assert!(pace.keeps_up(Method::InverseRadius, 1_000_000));
    }
}
