//! Tying a frame's WCS to catalogue stars.
//!
//! A header's WCS is often right to a few pixels. Stars found in the frame are paired with the catalogue's places and
//! the WCS is corrected by what the pairs ask for: an offset, and with enough stars a linear map.

use nalgebra::{Matrix3, Vector3};

/// A catalogue star where the header's WCS puts it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predicted {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Magnitude, to begin with the bright ones.
    pub magnitude: f64,
}

/// A star found in the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Flux, any unit.
    pub flux: f64,
}

/// How far apart a predicted and a found star may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TieConfig {
    /// Largest error of the header's WCS that is searched.
    pub search_px: f64,
    /// Pairs further apart than this after the fit are not the same star.
    pub match_px: f64,
}

/// The correction that the pairs ask for: `found = about + offset + matrix · (predicted − about)`.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// Point about which the matrix acts: the mean of the predicted places of the pairs.
    pub about_px: [f64; 2],
    /// Offset at that point.
    pub offset_px: [f64; 2],
    /// Linear part; the identity where there were too few stars for one.
    pub matrix: [[f64; 2]; 2],
    /// Root mean square of the residuals per axis.
    pub rms_px: f64,
    /// Pairs: (index of the predicted star, index of the found one).
    pub pairs: Vec<(usize, usize)>,
}

impl Tie {
    /// Error per axis of the corrected place at the field's middle: rms / √(pairs).
    pub fn sigma_px(&self) -> f64 {
        self.rms_px / (self.pairs.len() as f64).sqrt()
    }

    fn apply(&self, x_px: f64, y_px: f64) -> (f64, f64) {
        let (u, v) = (x_px - self.about_px[0], y_px - self.about_px[1]);
        (
            self.about_px[0] + self.offset_px[0] + self.matrix[0][0] * u + self.matrix[0][1] * v,
            self.about_px[1] + self.offset_px[1] + self.matrix[1][0] * u + self.matrix[1][1] * v,
        )
    }
}

/// Stars of each list that vote on the first offset; more adds chance pairs faster than true ones.
const VOTERS: usize = 80;
/// Side of a cell in which votes are counted.
const VOTE_CELL_PX: f64 = 2.0;
/// Fewest pairs for an offset.
pub const MIN_PAIRS: usize = 4;
/// Fewest pairs for a linear map, whose six numbers they must fix with some to spare.
const MIN_PAIRS_LINEAR: usize = 15;

/// Pairs the two lists and fits the correction; `None` when fewer than [`MIN_PAIRS`] agree, or when the agreement is no
/// better than chance would give.
pub fn tie(predicted: &[Predicted], found: &[Found], config: TieConfig) -> Option<Tie> {
    let offset = vote(predicted, found, config.search_px)?;
    let grid = Grid::new(found, config.match_px.max(1.0));
    let mut tie = Tie {
        about_px: [0.0; 2],
        offset_px: offset,
        matrix: [[1.0, 0.0], [0.0, 1.0]],
        rms_px: config.match_px,
        pairs: Vec::new(),
    };
    let mut radius_px = 2.0 * VOTE_CELL_PX.max(config.match_px);
    for _ in 0..8 {
        let pairs = pair(predicted, found, &grid, &tie, radius_px);
        if pairs.len() < MIN_PAIRS {
            return None;
        }
        tie = fit(predicted, found, pairs)?;
        radius_px = (4.0 * tie.rms_px).clamp(0.3, config.match_px);
    }
    Some(tie)
}

/// The offset that most pairs of bright stars share.
fn vote(predicted: &[Predicted], found: &[Found], search_px: f64) -> Option<[f64; 2]> {
    let mut bright: Vec<&Predicted> = predicted.iter().collect();
    bright.sort_by(|a, b| a.magnitude.total_cmp(&b.magnitude));
    bright.truncate(VOTERS);
    let mut seen: Vec<&Found> = found.iter().collect();
    seen.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    seen.truncate(VOTERS);

    let mut offsets: Vec<[f64; 2]> = Vec::new();
    for p in &bright {
        for f in &seen {
            let d = [f.x_px - p.x_px, f.y_px - p.y_px];
            if d[0].abs() <= search_px && d[1].abs() <= search_px {
                offsets.push(d);
            }
        }
    }
    let near = |o: &[f64; 2], c: &[f64; 2]| (o[0] - c[0]).hypot(o[1] - c[1]) < VOTE_CELL_PX;
    let count = |c: &[f64; 2]| offsets.iter().filter(|o| near(o, c)).count();
    // of places with equally many votes the one nearest the header's own
    let best = offsets
        .iter()
        .max_by(|a, b| count(a).cmp(&count(b)).then_with(|| b[0].hypot(b[1]).total_cmp(&a[0].hypot(a[1]))))?;
    let votes = count(best);
    let chance = offsets.len() as f64 * std::f64::consts::PI * VOTE_CELL_PX.powi(2) / (2.0 * search_px).powi(2);
    if votes < MIN_PAIRS || (votes as f64) < chance + 4.0 * chance.sqrt() {
        return None;
    }
    let members: Vec<&[f64; 2]> = offsets.iter().filter(|o| near(o, best)).collect();
    let mean = |axis: usize| members.iter().map(|o| o[axis]).sum::<f64>() / members.len() as f64;
    Some([mean(0), mean(1)])
}

/// Found stars by cell, to look up the nearest quickly.
struct Grid {
    cell_px: f64,
    cells: std::collections::BTreeMap<(i64, i64), Vec<usize>>,
}

impl Grid {
    fn new(found: &[Found], cell_px: f64) -> Self {
        let mut cells: std::collections::BTreeMap<(i64, i64), Vec<usize>> = std::collections::BTreeMap::new();
        for (i, f) in found.iter().enumerate() {
            cells.entry(((f.x_px / cell_px).floor() as i64, (f.y_px / cell_px).floor() as i64)).or_default().push(i);
        }
        Self { cell_px, cells }
    }

    fn nearest(&self, found: &[Found], x_px: f64, y_px: f64, radius_px: f64) -> Option<(usize, f64)> {
        let reach = (radius_px / self.cell_px).ceil() as i64;
        let (cx, cy) = ((x_px / self.cell_px).floor() as i64, (y_px / self.cell_px).floor() as i64);
        (cx - reach..=cx + reach)
            .flat_map(|i| (cy - reach..=cy + reach).map(move |j| (i, j)))
            .filter_map(|key| self.cells.get(&key))
            .flatten()
            .map(|i| (*i, (found[*i].x_px - x_px).hypot(found[*i].y_px - y_px)))
            .filter(|(_, d)| *d <= radius_px)
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }
}

/// Each predicted star with its nearest found one, each found star taken once, by the closest.
fn pair(predicted: &[Predicted], found: &[Found], grid: &Grid, tie: &Tie, radius_px: f64) -> Vec<(usize, usize)> {
    let mut taken: Vec<Option<(usize, f64)>> = vec![None; found.len()];
    for (i, p) in predicted.iter().enumerate() {
        let (x, y) = tie.apply(p.x_px, p.y_px);
        if let Some((j, d)) = grid.nearest(found, x, y, radius_px)
            && taken[j].is_none_or(|(_, other)| d < other)
        {
            taken[j] = Some((i, d));
        }
    }
    let mut pairs: Vec<(usize, usize)> = taken.iter().enumerate().filter_map(|(j, t)| t.map(|(i, _)| (i, j))).collect();
    pairs.sort_unstable();
    pairs
}

fn fit(predicted: &[Predicted], found: &[Found], mut pairs: Vec<(usize, usize)>) -> Option<Tie> {
    let mut tie = None;
    for _ in 0..4 {
        let n = pairs.len() as f64;
        if pairs.len() < MIN_PAIRS {
            return None;
        }
        let about_px = [
            pairs.iter().map(|(i, _)| predicted[*i].x_px).sum::<f64>() / n,
            pairs.iter().map(|(i, _)| predicted[*i].y_px).sum::<f64>() / n,
        ];
        let parameters = if pairs.len() >= MIN_PAIRS_LINEAR { 3.0 } else { 1.0 };
        let (offset_px, matrix) = if pairs.len() >= MIN_PAIRS_LINEAR {
            linear(predicted, found, &pairs, about_px)?
        } else {
            let mean = |axis: fn(&Found, &Predicted) -> f64| {
                pairs.iter().map(|(i, j)| axis(&found[*j], &predicted[*i])).sum::<f64>() / n
            };
            ([mean(|f, p| f.x_px - p.x_px), mean(|f, p| f.y_px - p.y_px)], [[1.0, 0.0], [0.0, 1.0]])
        };
        let mut next = Tie { about_px, offset_px, matrix, rms_px: 0.0, pairs: Vec::new() };
        let residual = |i: usize, j: usize| {
            let (x, y) = next.apply(predicted[i].x_px, predicted[i].y_px);
            (found[j].x_px - x).hypot(found[j].y_px - y)
        };
        let mut squares: Vec<f64> = pairs.iter().map(|(i, j)| residual(*i, *j).powi(2)).collect();
        squares.sort_by(f64::total_cmp);
        // the median of a two-dimensional Gaussian's squared distance is 2 ln 2 σ²
        let robust_sigma = (squares[squares.len() / 2] / (2.0 * std::f64::consts::LN_2)).sqrt().max(0.01);
        let kept: Vec<(usize, usize)> =
            pairs.iter().copied().filter(|(i, j)| residual(*i, *j) < 3.5 * robust_sigma).collect();
        let sum: f64 = kept.iter().map(|(i, j)| residual(*i, *j).powi(2)).sum();
        let freedom = (kept.len() as f64 - parameters).max(1.0);
        next.rms_px = (sum / (2.0 * freedom)).sqrt();
        let done = kept.len() == pairs.len();
        next.pairs.clone_from(&kept);
        tie = Some(next);
        if done {
            break;
        }
        pairs = kept;
    }
    tie
}

fn linear(
    predicted: &[Predicted],
    found: &[Found],
    pairs: &[(usize, usize)],
    about_px: [f64; 2],
) -> Option<([f64; 2], [[f64; 2]; 2])> {
    let mut normal = Matrix3::zeros();
    let mut right = [Vector3::zeros(), Vector3::zeros()];
    for (i, j) in pairs {
        let basis = Vector3::new(1.0, predicted[*i].x_px - about_px[0], predicted[*i].y_px - about_px[1]);
        normal += basis * basis.transpose();
        right[0] += basis * (found[*j].x_px - about_px[0]);
        right[1] += basis * (found[*j].y_px - about_px[1]);
    }
    let solver = normal.cholesky()?;
    let (a, b) = (solver.solve(&right[0]), solver.solve(&right[1]));
    Some(([a[0], b[0]], [[a[1], a[2]], [b[1], b[2]]]))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Scattered points by a small linear congruential generator.
    fn scattered(n: usize, seed: u64) -> Vec<(f64, f64)> {
        let mut state = seed;
        let mut next = move || {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 33) as f64 / (1u64 << 31) as f64
        };
        (0..n).map(|_| (next() * 1000.0, next() * 1000.0)).collect()
    }

    #[test]
    fn recovers_an_offset_and_a_rotation_with_strangers_in_both_lists() {
        let places = scattered(60, 1);
        let predicted: Vec<Predicted> = places
            .iter()
            .enumerate()
            .map(|(i, (x, y))| Predicted { x_px: *x, y_px: *y, magnitude: 10.0 + i as f64 * 0.05 })
            .collect();
        let angle = 0.002f64;
        let mut found: Vec<Found> = places
            .iter()
            .take(50)
            .enumerate()
            .map(|(i, (x, y))| Found {
                x_px: x * angle.cos() - y * angle.sin() + 5.3,
                y_px: x * angle.sin() + y * angle.cos() - 3.1,
                flux: 1e5 / (1.0 + i as f64),
            })
            .collect();
        found.extend(scattered(25, 9).iter().map(|(x, y)| Found { x_px: *x, y_px: *y, flux: 3e3 }));
        let got = tie(&predicted, &found, TieConfig { search_px: 20.0, match_px: 2.0 }).unwrap();
        assert!(got.pairs.len() >= 50, "{} pairs", got.pairs.len());
        assert!(got.rms_px < 0.01, "rms {}", got.rms_px);
        assert!((got.matrix[1][0] - angle.sin()).abs() < 1e-6);
        let (x, y) = got.apply(places[3].0, places[3].1);
        assert!((x - found[3].x_px).hypot(y - found[3].y_px) < 0.01);
    }

    #[test]
    fn refuses_two_lists_that_have_nothing_in_common() {
        let predicted: Vec<Predicted> =
            scattered(80, 3).iter().map(|(x, y)| Predicted { x_px: *x, y_px: *y, magnitude: 12.0 }).collect();
        let found: Vec<Found> = scattered(80, 4).iter().map(|(x, y)| Found { x_px: *x, y_px: *y, flux: 1.0 }).collect();
        assert_eq!(tie(&predicted, &found, TieConfig { search_px: 20.0, match_px: 2.0 }), None);
        assert_eq!(tie(&[], &found, TieConfig { search_px: 20.0, match_px: 2.0 }), None);
    }
}
