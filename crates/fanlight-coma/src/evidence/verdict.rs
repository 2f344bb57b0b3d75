//! The verdict on a feature, from its false-alarm probability and its challenges.

use super::challenge::{Challenge, Outcome};

/// What may be said of a feature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Real, as far as every challenge goes.
    Supported,
    /// Likely, with something missing.
    Provisional,
    /// Made by the instrument.
    Artefact,
    /// Noise would show as much.
    NotSignificant,
}

/// Largest false-alarm probability of a supported feature, and of any that is spoken of.
const SUPPORTED_TO: f64 = 1e-3;
const SPOKEN_OF_TO: f64 = 1e-2;
/// Challenges whose failure makes an artefact.
const OF_INSTRUMENT: [&str; 5] = ["centre", "elongation", "halves", "stars", "detector"];
/// Challenges that a supported feature must have passed.
const REQUIRED: [&str; 5] = ["noise", "centre", "elongation", "halves", "stars"];

impl Verdict {
    /// The first verdict that fits, and why, where it is not the best.
    pub fn of(probability: f64, challenges: &[Challenge]) -> (Self, Option<String>) {
        let with = |outcome: Outcome| challenges.iter().filter(move |c| c.outcome == outcome);
        let failed_instrument = with(Outcome::Failed).find(|c| OF_INSTRUMENT.contains(&c.name));
        if probability > SPOKEN_OF_TO {
            return (Self::NotSignificant, Some("A featureless coma would show as much somewhere too often.".into()));
        }
        if let Some(c) = failed_instrument {
            return (Self::Artefact, Some(format!("It failed the challenge '{}'. {}", c.name, c.explanation)));
        }
        let passed = |name: &&str| with(Outcome::Passed).any(|c| c.name == *name);
        let none_failed = with(Outcome::Failed).next().is_none();
        let aligned = with(Outcome::NotTested).find(|c| c.name == "detector");
        if probability <= SUPPORTED_TO && none_failed && REQUIRED.iter().all(passed) && aligned.is_none() {
            return (Self::Supported, None);
        }
        let missing: Vec<&str> = challenges
            .iter()
            .filter(|c| {
                c.outcome == Outcome::Failed
                    || (c.outcome == Outcome::NotTested && (REQUIRED.contains(&c.name) || c.name == "detector"))
            })
            .map(|c| c.name)
            .collect();
        let what = match missing.as_slice() {
            [] => "Its false-alarm probability is above one in a thousand.".to_string(),
            [one] => format!("It has not passed the challenge '{one}'."),
            several => format!("It has not passed the challenges '{}'.", several.join("', '")),
        };
        (Self::Provisional, Some(what))
    }

    /// The word in records.
    pub fn name(self) -> &'static str {
        match self {
            Self::Supported => "supported",
            Self::Provisional => "provisional",
            Self::Artefact => "artefact",
            Self::NotSignificant => "not_significant",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn challenges(changed: &[(&'static str, Outcome)]) -> Vec<Challenge> {
        ["noise", "centre", "elongation", "halves", "stars", "detector", "method", "history"]
            .into_iter()
            .map(|name| {
                let usual = if name == "history" { Outcome::NotTested } else { Outcome::Passed };
                let outcome = changed.iter().find(|c| c.0 == name).map_or(usual, |c| c.1);
                Challenge { name, outcome, statistic: None, threshold: None, explanation: String::new() }
            })
            .collect()
    }

    #[test]
    fn verdicts_are_as_defined() {
        use Outcome::{Failed, NotTested};
        let of = |p: f64, changed: &[(&'static str, Outcome)]| Verdict::of(p, &challenges(changed)).0;
        assert_eq!(of(1e-6, &[]), Verdict::Supported);
        assert_eq!(of(5e-3, &[("noise", Failed)]), Verdict::Provisional);
        assert_eq!(of(5e-2, &[("noise", Failed), ("centre", Failed)]), Verdict::NotSignificant);
        for name in OF_INSTRUMENT {
            assert_eq!(of(1e-6, &[(name, Failed)]), Verdict::Artefact, "{name}");
        }
        assert_eq!(of(1e-6, &[("method", Failed)]), Verdict::Provisional);
        assert_eq!(of(1e-6, &[("halves", NotTested)]), Verdict::Provisional);
        assert_eq!(of(1e-6, &[("detector", NotTested)]), Verdict::Provisional);
        assert_eq!(of(1e-6, &[("method", NotTested)]), Verdict::Supported);
    }
}
