//! How much better a match explains the two lists than chance does.

use super::fit::Affine;
use super::grid::Grid;
use super::lists::Found;
use std::f64::consts::{LN_10, PI, TAU};

/// The room in which a map was looked for: the more, the easier a chance match.
#[derive(Clone, Copy, Debug)]
pub(super) struct Room {
    /// Radius within which the frame's middle may lie, px.
    pub shift_px: f64,
    /// Angles that were open, radians.
    pub turn_rad: f64,
    /// Width of the open range of ln(scale).
    pub ln_scale: f64,
    /// 2 where mirror images were open.
    pub hands: f64,
}

/// The catalogue about the frame: places on a plane, in px or nearly so, with magnitudes in the same order.
pub(super) struct Chart<'a> {
    pub places: &'a Grid,
    pub magnitude: &'a [f64],
}

/// Stars joined under a map, and what speaks for it.
#[derive(Clone, Debug)]
pub(super) struct Match {
    /// From the frame, counted from its middle, to the plane.
    pub map: Affine,
    /// (star of the frame, star of the chart).
    pub pairs: Vec<(usize, usize)>,
    /// Scatter per axis about the map, px.
    pub scatter_px: f64,
    /// log10 of the odds against chance.
    pub log10_odds: f64,
}

/// No scatter is believed under this: blends, the air's wander, the catalogue's own errors.
const LEAST_SCATTER_PX: f64 = 0.15;
/// Fewest pairs that fix a linear map with something to spare.
pub(super) const MIN_PAIRS: usize = 4;
/// Fewest pairs for a map with shear; fewer fix a turn and a stretch.
const MIN_SHEARED: usize = 6;
/// Most shear (half the difference of two stretches over their mean): square pixels, refraction, what distortion leaves.
const MOST_SHEAR: f64 = 0.005;

/// Starts from a map that is right within `reach_px` over the frame, joins the stars, fits, draws in, and weighs.
///
/// # Source
/// The ratio of likelihoods follows Lang et al. 2010, AJ 139, 1782, section 2.4 (stars that have no counterpart,
/// Gaussian place errors, a uniform chance field); the magnitudes' part and the charge for the room searched (Laplace's
/// approximation to the evidence) are ours.
pub(super) fn judge(
    found: &Found,
    chart: &Chart,
    frame_px: [f64; 2],
    start: (Affine, f64),
    room: &Room,
) -> Option<Match> {
    let (mut map, reach_px) = start;
    let mut radius = reach_px;
    let mut pairs = Vec::new();
    let mut scatter = reach_px;
    for _ in 0..8 {
        let next = join(found, chart, &map, radius);
        let n = next.len();
        if n < MIN_PAIRS {
            return None;
        }
        let same = next == pairs;
        pairs = next;
        if same {
            break;
        }
        let points = |of: &(usize, usize)| (found.at[of.0], chart.places.points()[of.1]);
        let parameters;
        (map, parameters) = if n < MIN_SHEARED {
            (Affine::similar(pairs.iter().map(points))?, 4.0)
        } else {
            (Affine::linear(pairs.iter().map(points))?, 6.0)
        };
        let mut miss2: Vec<f64> = pairs.iter().map(points).map(|(p, q)| map.miss2(p, q)).collect();
        miss2.sort_by(f64::total_cmp);
        // half of two-dimensional Gaussian errors are within √(2 ln 2) σ
        let spare = 2.0 * n as f64 / (2.0 * n as f64 - parameters);
        scatter = (miss2[n / 2] / (2.0 * 2.0_f64.ln()) * spare).sqrt().max(LEAST_SCATTER_PX);
        radius = (3.5 * scatter).min(radius.max(reach_px / 2.0));
    }
    if map.shear() > MOST_SHEAR {
        return None;
    }
    let log10_odds = weigh(found, chart, frame_px, &map, &pairs, scatter, room)?;
    Some(Match { map, pairs, scatter_px: scatter, log10_odds })
}

/// Each star of the frame with the nearest place, each place with the nearest star.
fn join(found: &Found, chart: &Chart, map: &Affine, radius: f64) -> Vec<(usize, usize)> {
    let mut near: Vec<(usize, usize, f64)> = found
        .at
        .iter()
        .enumerate()
        .filter_map(|(i, at)| chart.places.nearest(map.of(*at), radius).map(|(j, d2)| (i, j, d2)))
        .collect();
    near.sort_by(|a, b| a.1.cmp(&b.1).then(a.2.total_cmp(&b.2)).then(a.0.cmp(&b.0)));
    near.dedup_by_key(|n| n.1);
    near.sort_by_key(|n| n.0);
    near.iter().map(|n| (n.0, n.1)).collect()
}

fn weigh(
    found: &Found,
    chart: &Chart,
    frame_px: [f64; 2],
    map: &Affine,
    pairs: &[(usize, usize)],
    scatter: f64,
    room: &Room,
) -> Option<f64> {
    let back = map.inverse()?;
    let inside: Vec<usize> = (0..chart.places.points().len())
        .filter(|j| {
            let p = back.of(chart.places.points()[*j]);
            p[0].abs() <= frame_px[0] / 2.0 && p[1].abs() <= frame_px[1] / 2.0
        })
        .collect();
    let (stars, n) = (found.at.len() as f64, pairs.len() as f64);
    let per_place = frame_px[0] * frame_px[1] * map.area() / inside.len().max(1) as f64;
    let joined = (n / stars).clamp(0.5 / stars, 1.0 - 0.5 / stars);
    let magnitudes = MagnitudeOdds::new(found, chart, pairs, &inside);
    let mut ln_odds = (stars - n) * (1.0 - joined).ln();
    let (mut turn2, s2) = (0.0, scatter * scatter);
    for (i, j) in pairs {
        let (p, q) = (found.at[*i], chart.places.points()[*j]);
        let place = per_place * (-map.miss2(p, q) / (2.0 * s2)).exp() / (TAU * s2);
        ln_odds += (joined * place * magnitudes.of(found.magnitude[*i], chart.magnitude[*j]) + 1.0 - joined).ln();
        turn2 += (p[0] * p[0] + p[1] * p[1]) * map.area();
    }
    // each fitted number is charged the share of its open range that the data leave
    let shift = room.shift_px.powi(2) / (2.0 * s2 / n);
    let slope = (TAU * s2 / turn2.max(s2)).sqrt();
    let charges = [
        shift,
        room.turn_rad / slope,
        room.ln_scale / slope,
        room.hands,
        if pairs.len() < MIN_SHEARED { 1.0 } else { (2.0 * MOST_SHEAR / slope).max(1.0).powi(2) },
        // the share of stars joined, the scatter and the zero point
        stars.sqrt(),
        3.0,
        10.0 * n.sqrt() / (MAGNITUDE_SCATTER * (2.0 * PI).sqrt()),
    ];
    ln_odds -= charges.iter().map(|c| c.max(1.0).ln()).sum::<f64>();
    Some(ln_odds / LN_10)
}

/// Scatter of the difference between a catalogue's band and the frame's.
const MAGNITUDE_SCATTER: f64 = 0.4;
/// One in this many is far off: saturated, blended, variable.
const ODD_SHARE: f64 = 0.2;
const ODD_SCATTER: f64 = 1.5;
const BIN_MAG: f64 = 0.5;

/// How much likelier a catalogue star's magnitude is as the frame's star than as any star of the chart.
struct MagnitudeOdds {
    zero_point: f64,
    /// Share of the chart's stars per magnitude, in bins from `first`.
    density: Vec<f64>,
    first: f64,
}

impl MagnitudeOdds {
    fn new(found: &Found, chart: &Chart, pairs: &[(usize, usize)], inside: &[usize]) -> Self {
        let mut difference: Vec<f64> = pairs.iter().map(|(i, j)| chart.magnitude[*j] - found.magnitude[*i]).collect();
        difference.sort_by(f64::total_cmp);
        let zero_point = difference[difference.len() / 2];
        let all = || inside.iter().map(|j| chart.magnitude[*j]);
        let first = all().fold(f64::INFINITY, f64::min);
        let last = all().fold(f64::NEG_INFINITY, f64::max);
        // magnitudes that are no magnitudes make no endless histogram
        let bins = (((last - first) / BIN_MAG).max(0.0) as usize).min(100) + 1;
        let mut density = vec![0.5; bins];
        for m in all() {
            density[(((m - first) / BIN_MAG) as usize).min(bins - 1)] += 1.0;
        }
        let total: f64 = density.iter().sum::<f64>() * BIN_MAG;
        density.iter_mut().for_each(|d| *d /= total);
        Self { zero_point, density, first }
    }

    fn of(&self, found: f64, listed: f64) -> f64 {
        let miss = listed - found - self.zero_point;
        let gauss = |sigma: f64| (-miss * miss / (2.0 * sigma * sigma)).exp() / (sigma * TAU.sqrt());
        let same = (1.0 - ODD_SHARE) * gauss(MAGNITUDE_SCATTER) + ODD_SHARE * gauss(ODD_SCATTER);
        let bin = ((listed - self.first) / BIN_MAG) as usize;
        (same / self.density[bin.min(self.density.len() - 1)]).clamp(0.05, 30.0)
    }
}
