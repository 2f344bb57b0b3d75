//! Challenges: each asks one way in which a feature could be something else, and gives a number, a threshold and a sentence.

mod centre;
mod detector;
mod elongation;
mod halves;
pub mod history;
mod method;
mod noise;
mod stars;

pub use detector::Instrument;
pub use method::Pictures;

use super::feature_fit::{Fitted, Shape};
use super::night_model::NightModel;
use super::nuisance::{Amplitude, Nuisance};
use super::search::Findings;

/// How a challenge ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The feature stood it.
    Passed,
    /// It did not.
    Failed,
    /// It could not be tried; the explanation says why.
    NotTested,
}

/// One challenge.
#[derive(Debug, Clone, PartialEq)]
pub struct Challenge {
    /// Its name, as in records.
    pub name: &'static str,
    /// How it ended.
    pub outcome: Outcome,
    /// The number.
    pub statistic: Option<f64>,
    /// What it is held against.
    pub threshold: Option<f64>,
    /// One plain sentence.
    pub explanation: String,
}

impl Challenge {
    fn not_tested(name: &'static str, explanation: impl Into<String>) -> Self {
        Self { name, outcome: Outcome::NotTested, statistic: None, threshold: None, explanation: explanation.into() }
    }

    fn judged(name: &'static str, passed: bool, (statistic, threshold): (f64, f64), explanation: String) -> Self {
        let outcome = if passed { Outcome::Passed } else { Outcome::Failed };
        Self { name, outcome, statistic: Some(statistic), threshold: Some(threshold), explanation }
    }
}

/// A feature under challenge.
pub struct Challenged<'a> {
    /// The night.
    pub model: &'a NightModel,
    /// All that was found in it.
    pub findings: &'a Findings,
    /// Which of it.
    pub index: usize,
}

impl<'a> Challenged<'a> {
    /// Feature `index` of a night.
    pub fn new(model: &'a NightModel, findings: &'a Findings, index: usize) -> Self {
        Self { model, findings, index }
    }

    /// The challenges that the night itself can make, in the order of records; what earlier nights say comes after them: see [`history`].
    pub fn all(&self, instrument: &Instrument, pictures: &Pictures) -> Vec<Challenge> {
        vec![
            noise::challenge(self),
            centre::challenge(self),
            elongation::challenge(self),
            halves::challenge(self),
            stars::challenge(self),
            detector::challenge(self, instrument),
            method::challenge(self, pictures),
        ]
    }

    /// Everything that is not this feature.
    fn beside(&self) -> &[Nuisance] {
        &self.findings.features[self.index].beside
    }

    fn fitted(&self) -> &Fitted {
        &self.findings.features[self.index].fitted
    }

    /// Inner and outer end, as reported: see [`NightModel::extent_px`].
    fn extent_px(&self) -> (f64, f64) {
        self.model.extent_px(self.fitted())
    }

    /// Rings between its ends, or all that it touches.
    fn rings(&self) -> Vec<usize> {
        let (from, to) = self.extent_px();
        let rings = &self.model.space.rings;
        let inside: Vec<usize> =
            (0..rings.len()).filter(|i| rings[*i].outer_px > from && rings[*i].inner_px < to).collect();
        if inside.is_empty() { (0..rings.len()).collect() } else { inside }
    }
}

impl NightModel {
    /// Inner and outer end of a feature in px: of a wedge where it is half its full height, but nowhere nearer than one and a half
    /// kernel widths, inside which nothing is resolved, nor beyond the search; of an arc its crest's half maxima.
    pub fn extent_px(&self, fitted: &Fitted) -> (f64, f64) {
        let resolved = RESOLVED_FWHM * self.fwhm_px;
        match &fitted.shape {
            Shape::Wedge(w) => {
                let outer = w.fade_px.unwrap_or(self.reach_px.1).min(self.reach_px.1);
                let onset = w.onset_px.unwrap_or(0.0);
                let inner = onset.max(resolved).min(0.8 * outer);
                (inner, outer.max(inner + 0.5))
            }
            Shape::Arc(a) => ((a.radius_px - 0.5 * a.width_px).max(0.5 * resolved), a.radius_px + 0.5 * a.width_px),
        }
    }
}

/// Nearer than this, in kernel widths, nothing is resolved.
pub(super) const RESOLVED_FWHM: f64 = 1.5;

/// A number with few digits, for sentences.
fn short(value: f64) -> String {
    match value.abs() {
        v if v >= 100.0 => format!("{value:.0}"),
        v if v >= 10.0 => format!("{value:.1}"),
        _ => format!("{value:.2}"),
    }
    .replace('-', "−")
}

/// A share in per cent, for sentences.
fn per_cent(share: f64) -> String {
    let value = 100.0 * share;
    if value >= 10.0 { format!("{value:.0} %") } else { format!("{value:.1} %") }
}
