//! Was it there before? Earlier nights never count against a feature: they say where it was, or that it is new.

use super::{Challenge, per_cent, short};
use crate::season::SeasonError;
use crate::season::tracks::{Joined, LinkRule, Track, TrackPoint, link_tracks};

/// The challenge's name, as in records.
pub const NAME: &str = "history";

/// An earlier night in which structure was looked for.
#[derive(Debug, Clone, PartialEq)]
pub struct EarlierNight {
    /// Its middle, UTC, as sentences name it.
    pub utc: String,
    /// The same in days from the epoch of its features.
    pub utc_days: f64,
    /// Its supported and provisional features.
    pub features: Vec<TrackPoint>,
    /// The wedges that it would have shown.
    pub limits: Vec<Shown>,
}

/// A wedge that a night shows nine times of ten.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Its full width, degrees.
    pub width_deg: f64,
    /// Where it begins and ends, km at the comet.
    pub range_km: (f64, f64),
    /// Its contrast.
    pub contrast: f64,
}

/// A feature of the night that is judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tonight {
    /// Where it is.
    pub point: TrackPoint,
    /// Where it begins and ends, km at the comet.
    pub range_km: (f64, f64),
    /// Whether the limits of an earlier night, which are for wedges, say anything of it.
    pub is_wedge: bool,
}

/// The challenge of every feature of a night, in their order, by the rule that a season's tracks are linked by.
///
/// `passed`: an earlier night has it where the rule expects it (statistic: its distance from there in units of what is allowed,
/// threshold 1), or it is new though the latest night that tells would have shown it. `not_tested`: no earlier night tells.
///
/// # Errors
/// A value that is not a number; an error or width that is not positive.
pub fn challenges(
    earlier: &[EarlierNight],
    tonight: &[Tonight],
    rule: &LinkRule,
) -> Result<Vec<Challenge>, SeasonError> {
    // which night each of the earlier points is of; tonight's follow
    let nights: Vec<usize> = (0..earlier.len()).flat_map(|n| vec![n; earlier[n].features.len()]).collect();
    let points: Vec<TrackPoint> =
        earlier.iter().flat_map(|n| &n.features).copied().chain(tonight.iter().map(|t| t.point)).collect();
    let tracks = link_tracks(&points, rule)?;
    let judged = tonight.iter().enumerate().map(|(i, feature)| {
        let row = nights.len() + i;
        let place = |t: &Track| t.points.iter().position(|p| p.0 == row);
        let found = tracks.iter().find_map(|t| Some((t, place(t)?)));
        match found {
            Some((track, at)) => match track.points[at].1 {
                Joined::Linked { distance_deg, allowed_deg, .. } => {
                    let before = track.points[..at].iter().map(|p| &earlier[nights[p.0]].utc).collect();
                    present(before, track, (distance_deg, allowed_deg))
                }
                Joined::Ambiguous => Challenge::not_tested(
                    NAME,
                    "An earlier night shows something near it, but which of several features it was cannot be told.",
                ),
                Joined::New => new(earlier, feature, rule),
            },
            None => new(earlier, feature, rule),
        }
    });
    Ok(judged.collect())
}

/// Why no earlier night says anything, for each of `n` features.
pub fn not_at_hand(n: usize, because: &str) -> Vec<Challenge> {
    vec![Challenge::not_tested(NAME, because); n]
}

fn present(before: Vec<&String>, track: &Track, (distance_deg, allowed_deg): (f64, f64)) -> Challenge {
    let when = match before.as_slice() {
        [] => String::from("An earlier night shows it"),
        [one] => format!("The night of {one} shows it"),
        [first, .., last] => format!("{} earlier nights show it, from {first} to {last}", before.len()),
    };
    let drift =
        track.drift_deg_per_day.map(|d| format!("; it drifts by {} ± {}° a day", short(d.value), short(d.sigma)));
    let explanation = format!(
        "{when}: it is {}° from where that puts it, {}° are allowed{}.",
        short(distance_deg),
        short(allowed_deg),
        drift.unwrap_or_default()
    );
    Challenge::judged(NAME, true, (distance_deg / allowed_deg, 1.0), explanation)
}

/// What the latest night that tells says of a feature that no night shows.
fn new(earlier: &[EarlierNight], feature: &Tonight, rule: &LinkRule) -> Challenge {
    let recent = |n: &&EarlierNight| feature.point.utc_days - n.utc_days <= rule.longest_gap_days;
    let mut by_time: Vec<&EarlierNight> = earlier.iter().filter(recent).collect();
    by_time.sort_by(|a, b| b.utc_days.total_cmp(&a.utc_days));
    let Some(latest) = by_time.first() else {
        return Challenge::not_tested(
            NAME,
            format!(
                "No night of the {} days before is at hand in which structure was looked for: whether it is new is not known.",
                rule.longest_gap_days
            ),
        );
    };
    if !feature.is_wedge {
        return Challenge::not_tested(
            NAME,
            format!(
                "New: the night of {} does not show it. Whether it would have, that night's limits, which are for rays, do not say.",
                latest.utc
            ),
        );
    }
    let contrast = feature.point.contrast.value;
    let deep = by_time.iter().find_map(|n| n.limit_for(feature).filter(|l| l.contrast < contrast).map(|l| (n, l)));
    match deep {
        Some((night, limit)) => Challenge::judged(
            NAME,
            true,
            (contrast / limit.contrast, 1.0),
            format!(
                "New: the night of {} does not show it, and would have shown a ray {}° wide of {} there nine times of ten; this one \
                 has {}.",
                night.utc,
                short(limit.width_deg),
                per_cent(limit.contrast),
                per_cent(contrast)
            ),
        ),
        None => Challenge::not_tested(
            NAME,
            format!("No earlier night shows it, but the night of {} may well have missed one as faint.", latest.utc),
        ),
    }
}

impl EarlierNight {
    /// The limit for wedges nearest in width that lie over the middle of a feature.
    fn limit_for(&self, feature: &Tonight) -> Option<&Shown> {
        let (from, to) = feature.range_km;
        let middle = (from * to).sqrt();
        let off = |l: &&Shown| (l.width_deg / feature.point.width_deg).ln().abs();
        let over = |l: &&Shown| l.range_km.0 <= middle && middle <= l.range_km.1;
        self.limits.iter().filter(over).min_by(|a, b| off(a).total_cmp(&off(b)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::challenge::Outcome;
    use crate::season::tracks::FeatureKind;
    use fanlight_image::Measured;

    fn point(utc_days: f64, pa_deg: f64) -> TrackPoint {
        TrackPoint {
            utc_days,
            pa_deg: Measured::new(pa_deg, 1.0),
            width_deg: 12.0,
            contrast: Measured::new(0.06, 0.01),
            kind: FeatureKind::Jet,
            sunward_pa_deg: 100.0 + utc_days,
            negative_velocity_pa_deg: 50.0,
        }
    }

    fn night(utc_days: f64, pa_deg: &[f64], limit: f64) -> EarlierNight {
        EarlierNight {
            utc: format!("day {utc_days}"),
            utc_days,
            features: pa_deg.iter().map(|pa| point(utc_days, *pa)).collect(),
            limits: vec![
                Shown { width_deg: 10.0, range_km: (3e3, 5e4), contrast: limit },
                Shown { width_deg: 40.0, range_km: (3e3, 5e4), contrast: 0.1 * limit },
            ],
        }
    }

    fn tonight(utc_days: f64, pa_deg: f64) -> Tonight {
        Tonight { point: point(utc_days, pa_deg), range_km: (4e3, 3e4), is_wedge: true }
    }

    fn one(earlier: &[EarlierNight], feature: Tonight) -> Challenge {
        challenges(earlier, &[feature], &LinkRule::default()).unwrap().remove(0)
    }

    #[test]
    fn a_feature_that_turns_with_the_sun_is_found_again() {
        let earlier = [night(0.0, &[200.0], 0.02), night(4.0, &[204.0, 20.0], 0.02)];
        let c = one(&earlier, tonight(8.0, 208.5));
        assert_eq!((c.outcome, c.threshold), (Outcome::Passed, Some(1.0)));
        assert!(c.statistic.unwrap() < 0.2, "{c:?}");
        assert!(c.explanation.starts_with("2 earlier nights show it, from day 0 to day 4: it is 0.50° from"), "{c:?}");
        assert!(c.explanation.contains("drifts by 1.0"), "{c:?}");
    }

    #[test]
    fn a_new_feature_is_new_only_where_an_earlier_night_would_have_shown_it() {
        let c = one(&[night(0.0, &[200.0], 0.02)], tonight(1.0, 300.0));
        assert_eq!((c.outcome, c.statistic.map(f64::round)), (Outcome::Passed, Some(3.0)));
        assert!(c.explanation.starts_with("New: the night of day 0"), "{c:?}");
        // the night before was too shallow; the one before that was not
        let two = [night(0.0, &[], 0.02), night(1.0, &[], 0.09)];
        assert!(one(&two, tonight(2.0, 300.0)).explanation.starts_with("New: the night of day 0"));
        let shallow = one(&two[1..], tonight(2.0, 300.0));
        assert_eq!((shallow.outcome, shallow.statistic), (Outcome::NotTested, None));
        // its limits are for nearer the nucleus
        let far = Tonight { range_km: (6e4, 9e4), ..tonight(2.0, 300.0) };
        assert_eq!(one(&two, far).outcome, Outcome::NotTested);
        let arc = Tonight { is_wedge: false, ..tonight(2.0, 300.0) };
        assert!(one(&two, arc).explanation.starts_with("New: the night of day 1 does not show it."));
    }

    #[test]
    fn nights_long_ago_and_features_not_told_apart_say_nothing() {
        let old = one(&[night(0.0, &[300.0], 0.02)], tonight(11.0, 300.0));
        assert_eq!(old.outcome, Outcome::NotTested);
        assert!(old.explanation.starts_with("No night of the 10 days before"), "{old:?}");
        let between = one(&[night(0.0, &[297.0, 303.0], 0.02)], tonight(0.5, 300.0));
        assert!(between.explanation.contains("cannot be told"), "{between:?}");
        assert_eq!(one(&[], tonight(1.0, 300.0)).outcome, Outcome::NotTested);
    }

    #[test]
    fn wrong_numbers_are_told() {
        let mut feature = tonight(1.0, 300.0);
        feature.point.width_deg = 0.0;
        assert!(challenges(&[], &[feature], &LinkRule::default()).is_err());
    }
}
