//! The same feature on other nights: links from night to night by one rule, and the drift along them.

use super::SeasonError;
use super::assignment::cheapest_pairs;
use super::error::{check, check_finite, check_positive};
use super::scatter_fit::fit_with_scatter;
use fanlight_image::Measured;
use fanlight_sky::angle::PositionAngle;
use nalgebra::{DMatrix, DVector};

/// What a feature looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FeatureKind {
    /// A narrow ray.
    Jet,
    /// A wide one.
    Fan,
    /// A tail.
    Tail,
    /// A piece of a ring.
    Arc,
}

impl FeatureKind {
    /// Whether two may be one feature: jets and fans differ in width only, which changes with the view.
    pub fn may_be(self, other: Self) -> bool {
        let is_ray = |k| matches!(k, Self::Jet | Self::Fan);
        self == other || (is_ray(self) && is_ray(other))
    }
}

/// A feature at one epoch, with the directions of that date.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackPoint {
    /// Mid-time, UTC, days from any epoch.
    pub utc_days: f64,
    /// Position angle, degrees, with its error (> 0).
    pub pa_deg: Measured,
    /// Full width at half maximum in position angle, degrees, > 0.
    pub width_deg: f64,
    /// Its contrast.
    pub contrast: Measured,
    /// What it looks like.
    pub kind: FeatureKind,
    /// Position angle of the Sun from the comet; the antisolar one, opposite, makes the same links.
    pub sunward_pa_deg: f64,
    /// Position angle of minus the heliocentric velocity.
    pub negative_velocity_pa_deg: f64,
}

/// The rule of links.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkRule {
    /// Longest time between two points of a track.
    pub longest_gap_days: f64,
    /// Points nearer in time than this are of one epoch, and one track takes one of them.
    pub same_epoch_days: f64,
}

impl Default for LinkRule {
    fn default() -> Self {
        Self { longest_gap_days: 10.0, same_epoch_days: 0.01 }
    }
}

/// What told where a track goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PredictedBy {
    /// The position angle of its last point.
    SamePa,
    /// The last point's offset from the sunward direction.
    SunOffset,
    /// The last point's offset from minus the velocity.
    VelocityOffset,
    /// A straight line through its position angles, three points at least.
    Drift,
}

/// How a point joined its track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Joined {
    /// It is the first: nothing was near.
    New,
    /// It is the first: which of several tracks it goes on could not be told.
    Ambiguous,
    /// It was the nearest.
    Linked {
        /// By which prediction.
        by: PredictedBy,
        /// How far from it, degrees.
        distance_deg: f64,
        /// How far was allowed.
        allowed_deg: f64,
    },
}

/// A feature through the nights.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    /// Rows of the points, in order of time, each with how it joined.
    pub points: Vec<(usize, Joined)>,
    /// Degrees of position angle per day; `None` under three points.
    pub drift_deg_per_day: Option<Measured>,
}

/// Combined errors within which a point may lie from its prediction.
const ERRORS: f64 = 3.0;
/// However large errors and widths are, links do not reach farther: a quarter of the circle would take any feature.
const FARTHEST_DEG: f64 = 45.0;
/// Two pairings whose squared distances (in units of a third of what is allowed) sum to within this are not told apart: odds
/// under e² in a normal distribution.
const AMBIGUOUS: f64 = 4.0;

/// Links features of all nights.
///
/// A track goes on at the point of compatible kind that is nearest, among four predictions (same position angle; same offset
/// from the sunward direction or from minus the velocity; its straight drift where it has three points), and within the larger
/// of three combined errors and half the mean width, 45° at most. All tracks and points of an epoch are paired at once, so that
/// the sum of squared distances is least. Where another pairing is nearly as good the points that it changes open
/// tracks of their own. A jet that moves by more than that between nights (one that rotates in hours) makes no track.
///
/// # Errors
/// A value that is not a number; an error or width that is not positive.
///
/// # Source
/// Own rule.
pub fn link_tracks(points: &[TrackPoint], rule: &LinkRule) -> Result<Vec<Track>, SeasonError> {
    for (row, p) in points.iter().enumerate() {
        check_finite("utc_days", row, p.utc_days)?;
        check_finite("pa_deg", row, p.pa_deg.value)?;
        check_positive("pa_err_deg", row, p.pa_deg.sigma)?;
        check("width_deg", row, p.width_deg, "0 to 360", |w| w > 0.0 && w <= 360.0)?;
        check_finite("sunward_pa_deg", row, p.sunward_pa_deg)?;
        check_finite("negative_velocity_pa_deg", row, p.negative_velocity_pa_deg)?;
    }
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_by(|a, b| {
        let key = |i: &usize| points[*i];
        key(a).utc_days.total_cmp(&key(b).utc_days).then(key(a).pa_deg.value.total_cmp(&key(b).pa_deg.value))
    });
    let mut tracks: Vec<Vec<(usize, Joined)>> = Vec::new();
    let mut rest = order.as_slice();
    while let Some(first) = rest.first() {
        let end = rest.partition_point(|i| points[*i].utc_days - points[*first].utc_days <= rule.same_epoch_days);
        let (epoch, later) = rest.split_at(end);
        link_epoch(points, epoch, &mut tracks, rule);
        rest = later;
    }
    Ok(tracks
        .into_iter()
        .map(|track| {
            let rows: Vec<TrackPoint> = track.iter().map(|(row, _)| points[*row]).collect();
            Track { drift_deg_per_day: drift(&rows), points: track }
        })
        .collect())
}

fn link_epoch(points: &[TrackPoint], epoch: &[usize], tracks: &mut Vec<Vec<(usize, Joined)>>, rule: &LinkRule) {
    let links: Vec<Vec<Option<Joined>>> = tracks
        .iter()
        .map(|track| {
            let own: Vec<TrackPoint> = track.iter().map(|(row, _)| points[*row]).collect();
            epoch.iter().map(|row| link(&own, &points[*row], rule)).collect()
        })
        .collect();
    let mut costs: Vec<Vec<f64>> = links.iter().map(|row| row.iter().map(cost).collect()).collect();
    let unpaired = ERRORS * ERRORS;
    let (pairs, total) = cheapest_pairs(&costs, unpaired);
    let mut joined = vec![Joined::New; epoch.len()];
    let mut continued = vec![None; epoch.len()];
    for (track, point) in pairs.iter().enumerate().filter_map(|(t, p)| p.map(|p| (t, p))) {
        let own = std::mem::replace(&mut costs[track][point], f64::INFINITY);
        let (others, without) = cheapest_pairs(&costs, unpaired);
        costs[track][point] = own;
        // without this link, the track or the point is taken by another that fits nearly as well
        let is_taken = others[track].is_some() || others.contains(&Some(point));
        if is_taken && without - total < AMBIGUOUS {
            joined[point] = Joined::Ambiguous;
        } else if let Some(link) = links[track][point] {
            joined[point] = link;
            continued[point] = Some(track);
        }
    }
    for (i, row) in epoch.iter().enumerate() {
        match continued[i] {
            Some(track) => tracks[track].push((*row, joined[i])),
            None => tracks.push(vec![(*row, joined[i])]),
        }
    }
}

/// Squared distance in units of a third of what is allowed; infinite where there is no link.
fn cost(link: &Option<Joined>) -> f64 {
    match link {
        Some(Joined::Linked { distance_deg, allowed_deg, .. }) => (ERRORS * distance_deg / allowed_deg).powi(2),
        _ => f64::INFINITY,
    }
}

/// The nearest prediction of a track for a point, where it is near enough.
fn link(track: &[TrackPoint], point: &TrackPoint, rule: &LinkRule) -> Option<Joined> {
    let last = track.last()?;
    if !last.kind.may_be(point.kind) || point.utc_days - last.utc_days > rule.longest_gap_days {
        return None;
    }
    let turned = |from: f64, to: f64| last.pa_deg.value + to - from;
    let mut predictions = vec![
        (PredictedBy::SamePa, last.pa_deg),
        (PredictedBy::SunOffset, Measured::new(turned(last.sunward_pa_deg, point.sunward_pa_deg), last.pa_deg.sigma)),
        (
            PredictedBy::VelocityOffset,
            Measured::new(turned(last.negative_velocity_pa_deg, point.negative_velocity_pa_deg), last.pa_deg.sigma),
        ),
    ];
    if let Some(line) = Line::through(track) {
        predictions.push((PredictedBy::Drift, line.at(point.utc_days)));
    }
    let half_width = 0.25 * (last.width_deg + point.width_deg);
    predictions
        .into_iter()
        .map(|(by, predicted)| {
            let combined = predicted.sigma.hypot(point.pa_deg.sigma);
            let allowed_deg = (ERRORS * combined).max(half_width).min(FARTHEST_DEG);
            let distance_deg = difference(point.pa_deg.value, predicted.value).abs();
            (by, distance_deg, allowed_deg)
        })
        .filter(|(_, distance, allowed)| distance <= allowed)
        .min_by(|a, b| (a.1 / a.2).total_cmp(&(b.1 / b.2)))
        .map(|(by, distance_deg, allowed_deg)| Joined::Linked { by, distance_deg, allowed_deg })
}

/// One angle minus another, degrees in (−180, 180].
pub(crate) fn difference(a_deg: f64, b_deg: f64) -> f64 {
    PositionAngle::from_deg(a_deg).minus(PositionAngle::from_deg(b_deg))
}

/// Angles without jumps: each within half a turn of the one before, the first as it is.
pub fn unwrapped_deg(angles_deg: &[f64]) -> Vec<f64> {
    let mut out: Vec<f64> = Vec::with_capacity(angles_deg.len());
    for angle in angles_deg {
        out.push(out.last().map_or(*angle, |last| last + difference(*angle, *last)));
    }
    out
}

/// A straight line through unwrapped position angles.
struct Line {
    middle_days: f64,
    level_deg: f64,
    slope: Measured,
    /// Variance of the level and its covariance with the slope.
    level_variance: f64,
    covariance: f64,
}

impl Line {
    /// Through three points or more, in order of time; weighted by errors and a scatter that is fitted.
    fn through(points: &[TrackPoint]) -> Option<Self> {
        let n = points.len();
        if n < 3 {
            return None;
        }
        let angles = unwrapped_deg(&points.iter().map(|p| p.pa_deg.value).collect::<Vec<_>>());
        let middle_days = points.iter().map(|p| p.utc_days).sum::<f64>() / n as f64;
        let design = DMatrix::from_fn(n, 2, |i, j| if j == 0 { 1.0 } else { points[i].utc_days - middle_days });
        let sigma = DVector::from_iterator(n, points.iter().map(|p| p.pa_deg.sigma));
        let fit = fit_with_scatter(&design, &DVector::from_vec(angles), &sigma)?;
        Some(Self {
            middle_days,
            level_deg: fit.coefficients[0],
            slope: Measured::new(fit.coefficients[1], fit.covariance[(1, 1)].sqrt()),
            level_variance: fit.covariance[(0, 0)],
            covariance: fit.covariance[(0, 1)],
        })
    }

    fn at(&self, utc_days: f64) -> Measured {
        let t = utc_days - self.middle_days;
        let variance = self.level_variance + 2.0 * t * self.covariance + (t * self.slope.sigma).powi(2);
        Measured::new(self.level_deg + self.slope.value * t, variance.max(0.0).sqrt())
    }
}

/// Drift of position angle, degrees per day, by a straight line through points in order of time, each taken within half a turn
/// of the one before; `None` under three points or where all are of one time.
///
/// # Accuracy
/// 67 and 68 % of simulated tracks of 5 and 12 points have the true drift within the error (test).
pub fn drift(points: &[TrackPoint]) -> Option<Measured> {
    Line::through(points).map(|line| line.slope)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn point(utc_days: f64, pa_deg: f64) -> TrackPoint {
        TrackPoint {
            utc_days,
            pa_deg: Measured::new(pa_deg.rem_euclid(360.0), 1.0),
            width_deg: 10.0,
            contrast: Measured::new(0.08, 0.01),
            kind: FeatureKind::Jet,
            sunward_pa_deg: 100.0,
            negative_velocity_pa_deg: 50.0,
        }
    }

    fn rows(tracks: &[Track]) -> Vec<Vec<usize>> {
        let mut rows: Vec<Vec<usize>> = tracks.iter().map(|t| t.points.iter().map(|p| p.0).collect()).collect();
        rows.sort();
        rows
    }

    fn linked(points: &[TrackPoint]) -> Vec<Vec<usize>> {
        rows(&link_tracks(points, &LinkRule::default()).unwrap())
    }

    #[test]
    fn a_track_crosses_north() {
        let points: Vec<_> = (0..8).map(|i| point(f64::from(i), 354.0 + 1.7 * f64::from(i))).collect();
        let tracks = link_tracks(&points, &LinkRule::default()).unwrap();
        assert_eq!(tracks.len(), 1);
        let drift = tracks[0].drift_deg_per_day.unwrap();
        assert!((drift.value - 1.7).abs() < 1e-6, "{drift:?}");
    }

    #[test]
    fn a_jet_that_follows_the_sun_and_one_that_drifts_are_followed() {
        let mut points = Vec::new();
        for i in 0..6 {
            let t = f64::from(i);
            let sunward_pa_deg = 340.0 + 9.0 * t;
            points.push(TrackPoint { sunward_pa_deg, ..point(t, sunward_pa_deg + 30.0) });
            let drifting = if i < 3 { 2.0 * t } else { 4.0 * (t - 2.0) + 4.0 };
            points.push(TrackPoint { sunward_pa_deg, ..point(t, 200.0 + drifting) });
        }
        assert_eq!(linked(&points), vec![vec![0, 2, 4, 6, 8, 10], vec![1, 3, 5, 7, 9, 11]]);
        let tracks = link_tracks(&points, &LinkRule::default()).unwrap();
        assert!(matches!(tracks[0].points[1].1, Joined::Linked { by: PredictedBy::SunOffset, .. }));
    }

    #[test]
    fn long_gaps_other_kinds_and_far_directions_open_tracks() {
        assert_eq!(linked(&[point(0.0, 10.0), point(11.0, 10.0)]).len(), 2);
        assert_eq!(linked(&[point(0.0, 10.0), point(9.0, 10.0)]).len(), 1);
        let tail = TrackPoint { kind: FeatureKind::Tail, ..point(1.0, 10.0) };
        assert_eq!(linked(&[point(0.0, 10.0), tail]).len(), 2);
        let fan = TrackPoint { kind: FeatureKind::Fan, ..point(1.0, 10.0) };
        assert_eq!(linked(&[point(0.0, 10.0), fan]).len(), 1);
        // three combined errors are 4.2°, half the width 5°
        assert_eq!(linked(&[point(0.0, 10.0), point(1.0, 15.2)]).len(), 2);
        assert_eq!(linked(&[point(0.0, 10.0), point(1.0, 14.8)]).len(), 1);
    }

    /// Nearest first would give the first track the second's point and leave the second track none.
    #[test]
    fn all_points_of_a_night_are_paired_at_once() {
        let wide = |t, pa, width_deg| TrackPoint { width_deg, ..point(t, pa) };
        let points = [wide(0.0, 10.0, 30.0), wide(0.0, 24.0, 30.0), wide(1.0, 17.5, 30.0), wide(1.0, 31.0, 30.0)];
        let tracks = link_tracks(&points, &LinkRule::default()).unwrap();
        // either both links are as they should be, or none is made: never a wrong one
        for pair in rows(&tracks).iter().filter(|r| r.len() == 2) {
            assert!(pair == &[0, 2] || pair == &[1, 3], "{pair:?}");
        }
        let apart = [wide(0.0, 10.0, 30.0), wide(0.0, 40.0, 30.0), wide(1.0, 20.0, 30.0), wide(1.0, 52.0, 30.0)];
        assert_eq!(linked(&apart), vec![vec![0, 2], vec![1, 3]]);
    }

    #[test]
    fn what_cannot_be_told_opens_a_track() {
        // two tracks, one point half-way between
        let points = [point(0.0, 10.0), point(0.0, 16.0), point(1.0, 13.0)];
        let tracks = link_tracks(&points, &LinkRule::default()).unwrap();
        assert_eq!(rows(&tracks), vec![vec![0], vec![1], vec![2]]);
        assert!(tracks.iter().any(|t| t.points == vec![(2, Joined::Ambiguous)]));
        // one track, two points on either side
        let points = [point(0.0, 10.0), point(1.0, 8.0), point(1.0, 12.0)];
        assert_eq!(linked(&points).len(), 3);
        // clearly nearer to one
        let points = [point(0.0, 10.0), point(0.0, 16.0), point(1.0, 10.5)];
        assert_eq!(linked(&points), vec![vec![0, 2], vec![1]]);
    }

    /// Three jets of known drifts with realistic errors, some nights missing, rows shuffled, seen from another north: the same
    /// tracks, and no link between different jets.
    #[test]
    fn simulated_seasons_link_rightly() {
        let (mut links, mut wrong, mut possible) = (0, 0, 0);
        for season in 0..200u64 {
            let mut rng = ChaCha8Rng::seed_from_u64(900 + season);
            let jets: Vec<(f64, f64)> = (0..3)
                .map(|k| (f64::from(k) * 120.0 + rng.random_range(-30.0..30.0), rng.random_range(-2.0..2.0)))
                .collect();
            let mut points = Vec::new();
            let mut truth = Vec::new();
            for night in 0..20 {
                if rng.random_range(0.0..1.0) < 0.4 {
                    continue;
                }
                for (k, (pa, drift)) in jets.iter().enumerate() {
                    let noise: f64 = StandardNormal.sample(&mut rng);
                    points.push(point(f64::from(night), pa + drift * f64::from(night) + noise));
                    truth.push(k);
                }
            }
            possible += points.len() - 3;
            let tracks = link_tracks(&points, &LinkRule::default()).unwrap();
            for track in &tracks {
                for pair in track.points.windows(2) {
                    links += 1;
                    wrong += usize::from(truth[pair[0].0] != truth[pair[1].0]);
                }
            }
            let turned: Vec<TrackPoint> = points
                .iter()
                .map(|p| TrackPoint {
                    pa_deg: Measured::new((p.pa_deg.value + 77.0).rem_euclid(360.0), p.pa_deg.sigma),
                    sunward_pa_deg: p.sunward_pa_deg + 77.0,
                    negative_velocity_pa_deg: p.negative_velocity_pa_deg + 77.0,
                    ..*p
                })
                .collect();
            assert_eq!(linked(&points), linked(&turned), "{season}");
            let reversed: Vec<TrackPoint> = points.iter().rev().copied().collect();
            let mut back: Vec<Vec<usize>> =
                linked(&reversed).into_iter().map(|t| t.into_iter().map(|i| points.len() - 1 - i).collect()).collect();
            back.sort();
            assert_eq!(linked(&points), back, "{season}");
        }
        assert!(wrong * 200 <= links, "{wrong} of {links} links are wrong");
        assert!(links as f64 > 0.85 * possible as f64, "{links} of {possible} possible links");
    }

    #[test]
    fn drifts_are_within_their_errors_at_their_rate() {
        for n in [5, 12] {
            let mut rng = ChaCha8Rng::seed_from_u64(n as u64);
            let trials = 1500;
            let held = (0..trials)
                .filter(|_| {
                    let points: Vec<TrackPoint> = (0..n)
                        .map(|i| {
                            let noise: f64 = StandardNormal.sample(&mut rng);
                            let t = f64::from(i) + rng.random_range(-0.2..0.2);
                            point(t, 3.0 - 1.2 * t + 2.0 * noise)
                        })
                        .collect();
                    let found = drift(&points).unwrap();
                    (found.value + 1.2).abs() < found.sigma
                })
                .count();
            let share = held as f64 / f64::from(trials);
            assert!((0.64..0.73).contains(&share), "{n}: {share}");
        }
    }

    #[test]
    fn two_points_have_no_drift_and_bad_rows_are_refused() {
        assert_eq!(drift(&[point(0.0, 1.0), point(1.0, 2.0)]), None);
        assert_eq!(drift(&[point(0.0, 1.0), point(0.0, 2.0), point(0.0, 1.5)]), None);
        assert_eq!(link_tracks(&[], &LinkRule::default()), Ok(vec![]));
        for bad in [
            TrackPoint { utc_days: f64::NAN, ..point(0.0, 1.0) },
            TrackPoint { pa_deg: Measured::new(1.0, 0.0), ..point(0.0, 1.0) },
            TrackPoint { width_deg: -1.0, ..point(0.0, 1.0) },
            TrackPoint { sunward_pa_deg: f64::INFINITY, ..point(0.0, 1.0) },
        ] {
            let found = link_tracks(&[point(0.0, 1.0), bad], &LinkRule::default());
            assert!(matches!(found, Err(SeasonError::OutOfRange { row: 1, .. })), "{bad:?}");
        }
        assert_eq!(unwrapped_deg(&[350.0, 10.0, 200.0, 5.0]), vec![350.0, 370.0, 200.0, 365.0]);
    }
}
