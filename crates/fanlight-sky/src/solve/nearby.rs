//! A WCS that is nearly right: the offset that most pairs of stars share, judged like any other map.

use super::SolveConfig;
use super::fit::Affine;
use super::grid::Grid;
use super::lists::{Found, Listed};
use super::odds::{Chart, Match, Room, judge};
use super::search::{JUDGES, JUDGES_DEPTH};
use crate::{SkyPosition, Wcs};

/// Stars of the frame that vote for an offset.
const VOTERS: usize = 60;
/// Offsets this near to each other are one, px.
const ONE_OFFSET_PX: f64 = 3.0;
/// Offsets that are judged.
const CANDIDATES: usize = 4;
/// How far beyond the offset a WCS may be off in turn (radians) and in scale, either way, for its match to be weighed.
const TURN_RAD: f64 = 0.017;
const SCALE: f64 = 0.02;

/// The best map from the frame's stars to where the WCS puts the catalogue, both counted from the frame's middle.
pub(super) fn nearby(wcs: &Wcs, found: &Found, listed: &Listed, config: &SolveConfig) -> Option<Match> {
    let frame_px = [config.width as f64, config.height as f64];
    let middle = config.middle();
    let judges = found.brightest(JUDGES, config);
    let margin = config.search_px;
    let deep = (judges.at.len() as f64 * JUDGES_DEPTH) as usize;
    let (mut places, mut magnitude) = (Vec::new(), Vec::new());
    for (direction, m) in listed.direction.iter().zip(&listed.magnitude) {
        let Ok(at) = wcs.pixel_from_sky(SkyPosition::from_vector(*direction)) else { continue };
        let at = [at.x_px - middle.x_px, at.y_px - middle.y_px];
        if at[0].abs() <= frame_px[0] / 2.0 + margin && at[1].abs() <= frame_px[1] / 2.0 + margin {
            places.push(at);
            magnitude.push(*m);
        }
        if places.len() >= deep {
            break;
        }
    }
    let half_diagonal = frame_px[0].hypot(frame_px[1]) / 2.0;
    let places = Grid::new(places, half_diagonal / 10.0);
    let chart = Chart { places: &places, magnitude: &magnitude };
    let mut offsets = Vec::new();
    for at in judges.at.iter().take(VOTERS) {
        places.within(*at, config.search_px, |j, _| {
            let to = places.points()[j];
            offsets.push([to[0] - at[0], to[1] - at[1]]);
        });
    }
    let offsets = Grid::new(offsets, ONE_OFFSET_PX);
    let mut votes: Vec<(usize, [f64; 2])> = offsets
        .points()
        .iter()
        .map(|o| {
            let (mut n, mut sum) = (0, [0.0; 2]);
            offsets.within(*o, ONE_OFFSET_PX, |k, _| {
                n += 1;
                let other = offsets.points()[k];
                sum = [sum[0] + other[0], sum[1] + other[1]];
            });
            (n, sum.map(|s| s / f64::from(n as u32)))
        })
        .collect();
    votes.sort_by_key(|v| std::cmp::Reverse(v.0));
    let mut tried: Vec<[f64; 2]> = Vec::new();
    let room = Room { shift_px: config.search_px, turn_rad: 2.0 * TURN_RAD, ln_scale: 2.0 * SCALE, hands: 1.0 };
    let mut best: Option<Match> = None;
    for (_, offset) in votes {
        let known = tried.iter().any(|t| (t[0] - offset[0]).hypot(t[1] - offset[1]) < 2.0 * ONE_OFFSET_PX);
        if known {
            continue;
        }
        tried.push(offset);
        let start = Affine { offset, matrix: [[1.0, 0.0], [0.0, 1.0]] };
        let reach_px = 2.0 * ONE_OFFSET_PX + 0.002 * half_diagonal;
        let matched = judge(&judges, &chart, frame_px, (start, reach_px), &room);
        let within = |m: &Match| (m.map.area().sqrt() - 1.0).abs() <= SCALE;
        if let Some(matched) = matched.filter(within)
            && best.as_ref().is_none_or(|b| matched.log10_odds > b.log10_odds)
        {
            best = Some(matched);
        }
        if tried.len() == CANDIDATES {
            break;
        }
    }
    best
}
