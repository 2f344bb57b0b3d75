//! From a WCS that is nearly right to the frame's own with its errors.

use super::distortion::{Hidden, excess_scatter, order_by_cross_validation, weighted};
use super::fit::{Pair, Polynomials, powers};
use super::grid::Grid;
use super::lists::{Found, Listed, Plane};
use super::{LinearFit, MIN_MATCHED, Solution, SolveConfig};
use crate::angle::dot;
use crate::{PixelXy, PositionAngle, SkyError, SkyPosition, Wcs};

/// Pairs whose magnitudes differ by more than this from the rest are chance pairs.
const MAGNITUDE_GATE: f64 = 2.5;
/// Squared miss over variance beyond which a pair is left out; of good ones one in 3000 is.
const CLIP_RATIO: f64 = 16.0;
/// No closer than this are pairs asked to be, in px.
const LEAST_RADIUS_PX: f64 = 0.8;
/// Stars that choose the order: more cost time and decide nothing.
const MOST_TO_CHOOSE: usize = 800;
const ROUNDS: usize = 10;

/// Fewest pairs by which a given WCS is turned and scaled; fewer only move it.
const MIN_TURNED: usize = 15;

/// A start: a WCS, by how much the plane about its CRVAL is to be moved (nominal px, by the place in the frame), and how
/// far the sum of both may be off.
pub(super) struct Start {
    pub wcs: Wcs,
    pub map: Polynomials,
    pub radius_px: f64,
    pub log10_odds: f64,
    /// Order that is fitted to fewer than [`MIN_TURNED`] pairs: 0 where the WCS is a good one but for an offset.
    pub least_order: u8,
}

/// Joins all the stars and fits.
pub(super) fn finish(start: Start, found: &Found, listed: &Listed, config: &SolveConfig) -> Result<Solution, SkyError> {
    let half_diagonal = (config.width as f64).hypot(config.height as f64) / 2.0;
    let middle = config.middle();
    let scale = start.wcs.pixel_scale_arcsec(middle);
    let near = Near::new(listed, start.wcs.sky_from_pixel(middle), half_diagonal * scale, config);
    let grid = Grid::new(near.on(&Plane::new(start.wcs.reference(), scale)), half_diagonal / 25.0);
    let based: Vec<[f64; 2]> = found.at.iter().map(|at| start.based(*at, scale, config)).collect();
    let sigma_of = |(i, j): &(usize, usize)| found.sigma_px[*i].hypot(near.sigma_arcsec[*j] / scale);
    let order_for = |pairs: &[Pair], sigma: &[f64]| {
        if pairs.len() < MIN_TURNED {
            return start.least_order;
        }
        let some = pairs.len().min(MOST_TO_CHOOSE);
        order_by_cross_validation(&pairs[..some], &sigma[..some], half_diagonal, config.max_sip_order)
    };

    let (mut map, mut radius, mut order) = (start.map.clone(), start.radius_px, 1_u8);
    let mut joined: Vec<(usize, usize)> = Vec::new();
    let mut zero_point = None;
    let pairs_of = |joined: &[(usize, usize)]| -> (Vec<Pair>, Vec<f64>) {
        let beyond = |i: usize, j: usize| {
            let (to, from) = (grid.points()[j], based[i]);
            Pair { at: found.at[i], to: [to[0] - from[0], to[1] - from[1]], weight: 1.0 }
        };
        joined.iter().map(|of| (beyond(of.0, of.1), sigma_of(of))).unzip()
    };
    for round in 0..ROUNDS {
        let beyond = found.at.iter().map(|at| map.of(*at));
        let expected: Vec<[f64; 2]> = based.iter().zip(beyond).map(|(b, m)| [b[0] + m[0], b[1] + m[1]]).collect();
        let next = join(found, &expected, &near, &grid, radius, zero_point);
        if next.len() < MIN_MATCHED {
            return Err(too_few(next.len(), found.at.len(), start.log10_odds, config));
        }
        let settled = next == joined;
        joined = next;
        zero_point = Some(median(joined.iter().map(|(i, j)| near.magnitude[*j] - found.magnitude[*i])));
        let (pairs, sigma) = pairs_of(&joined);
        if round == 1 || round == 4 || settled {
            let chosen = order_for(&pairs, &sigma);
            if settled && chosen == order {
                break;
            }
            order = chosen;
        }
        let Some(Clipped { fit, .. }) = clipped_fit(&pairs, &sigma, order, half_diagonal) else {
            return Err(too_few(joined.len(), found.at.len(), start.log10_odds, config));
        };
        let scatter = (median(pairs.iter().map(|p| fit.miss2(p))) / (2.0 * 2.0_f64.ln())).sqrt();
        radius = (4.5 * scatter).clamp(LEAST_RADIUS_PX, start.radius_px.max(LEAST_RADIUS_PX));
        map = fit;
    }
    let (pairs, sigma) = pairs_of(&joined);
    let clipped = clipped_fit(&pairs, &sigma, order, half_diagonal).filter(|c| c.kept.len() >= MIN_MATCHED);
    let Some(clipped) = clipped else {
        return Err(too_few(joined.len(), found.at.len(), start.log10_odds, config));
    };
    let matches = clipped.kept.iter().map(|k| (found.index[joined[k.0].0], near.index[joined[k.0].1])).collect();
    solution(&start, clipped, matches, found.at.len(), config)
}

impl Start {
    /// Where the WCS puts a place counted from the frame's middle, on the plane about its CRVAL in px of this scale.
    pub fn based(&self, at: [f64; 2], scale_arcsec: f64, config: &SolveConfig) -> [f64; 2] {
        let middle = config.middle();
        let plane = self.wcs.plane_deg(PixelXy { x_px: at[0] + middle.x_px, y_px: at[1] + middle.y_px });
        plane.map(|v| v * 3600.0 / scale_arcsec)
    }
}

fn solution(
    start: &Start,
    clipped: Clipped,
    matches: Vec<(usize, usize)>,
    n_stars: usize,
    config: &SolveConfig,
) -> Result<Solution, SkyError> {
    let Clipped { mut fit, kept, excess } = clipped;
    let pairs: Vec<Pair> = kept.iter().map(|k| k.1).collect();
    let hidden = Hidden::of(&fit, &pairs, excess, config.max_sip_order);
    let at = config.middle();
    let (unit, scale) = (fit.unit_px, start.wcs.pixel_scale_arcsec(at));
    let in_degrees = |((p, q), c): ((i32, i32), &[f64; 2])| ((p, q), c.map(|v| v / unit.powi(p + q) * scale / 3600.0));
    let terms: Vec<((i32, i32), [f64; 2])> = powers(fit.order).into_iter().zip(&fit.terms).map(in_degrees).collect();
    let wcs = start.wcs.bent(at, &terms)?;
    let cd = wcs.arcsec_per_px(at).map(|row| row.map(|v| v / 3600.0));
    let d = cd[0][0] * cd[1][1] - cd[0][1] * cd[1][0];
    let sum2: f64 = pairs.iter().map(|p| fit.miss2(p)).sum();
    let free = 2.0 * (pairs.len() as f64 - fit.terms.len() as f64);
    let chi2 = pairs.iter().map(|p| fit.miss2(p) * p.weight).sum::<f64>() / free.max(1.0);
    // few stars cannot say that the stated errors are too large
    fit.covariance *= if free >= 20.0 { chi2 } else { chi2.max(1.0) };
    let rms_arcsec = (sum2 / (2.0 * pairs.len() as f64)).sqrt() * scale;
    let scale_arcsec = d.abs().sqrt() * 3600.0;
    let unit_of = |term: usize| if term == 0 { 1.0 } else { unit };
    let fitted = |i: usize, j: usize| {
        let within = i.max(j) < fit.terms.len();
        if within { fit.covariance[(i, j)] / unit_of(i) / unit_of(j) * scale * scale } else { 0.0 }
    };
    let covariance = [0, 1, 2].map(|i| [0, 1, 2].map(|j| fitted(i, j)));
    Ok(Solution {
        sip_order: wcs.sip_order(),
        wcs,
        n_matched: pairs.len(),
        n_stars,
        rms_arcsec,
        rms_px: rms_arcsec / scale_arcsec,
        log10_odds: start.log10_odds,
        mirrored: d > 0.0,
        rotation_deg: PositionAngle::of(cd[0][1], cd[1][1]).deg(),
        scale_arcsec,
        linear: LinearFit { at, cd_deg_per_px: cd, covariance },
        matches,
        size_px: [config.width, config.height],
        plane_scale_arcsec: scale,
        hidden,
        fit,
    })
}

/// Catalogue stars that can be in the frame.
struct Near {
    index: Vec<usize>,
    direction: Vec<[f64; 3]>,
    magnitude: Vec<f64>,
    sigma_arcsec: Vec<f64>,
}

impl Near {
    fn new(listed: &Listed, centre: SkyPosition, half_diagonal_arcsec: f64, config: &SolveConfig) -> Self {
        let radius =
            half_diagonal_arcsec * (1.0 + config.scale_error) * 1.05 + config.search_px * config.pixel_scale_arcsec;
        let (middle, least) = (centre.unit_vector(), (radius / crate::ARCSEC_PER_RAD).min(1.4).cos());
        let inside: Vec<usize> =
            (0..listed.direction.len()).filter(|i| dot(listed.direction[*i], middle) >= least).collect();
        Self {
            index: inside.iter().map(|i| listed.index[*i]).collect(),
            direction: inside.iter().map(|i| listed.direction[*i]).collect(),
            magnitude: inside.iter().map(|i| listed.magnitude[*i]).collect(),
            sigma_arcsec: inside.iter().map(|i| listed.sigma_arcsec[*i]).collect(),
        }
    }

    fn on(&self, plane: &Plane) -> Vec<[f64; 2]> {
        self.direction.iter().map(|d| plane.gnomonic(*d)).collect()
    }
}

/// Each star, expected somewhere on the plane, with the nearest catalogue star of a fitting magnitude, each of those with
/// one star.
fn join(
    found: &Found,
    expected: &[[f64; 2]],
    near: &Near,
    grid: &Grid,
    radius: f64,
    zero_point: Option<f64>,
) -> Vec<(usize, usize)> {
    let fits = |i: usize, j: usize| {
        zero_point.is_none_or(|z| (near.magnitude[j] - found.magnitude[i] - z).abs() <= MAGNITUDE_GATE)
    };
    let mut candidates: Vec<(f64, usize, usize)> = Vec::new();
    for (i, at) in expected.iter().enumerate() {
        let mut best: Option<(f64, usize, usize)> = None;
        grid.within(*at, radius, |j, d2| {
            if best.is_none_or(|b| d2 < b.0) && fits(i, j) {
                best = Some((d2, i, j));
            }
        });
        candidates.extend(best);
    }
    candidates.sort_by(|a, b| a.2.cmp(&b.2).then(a.0.total_cmp(&b.0)).then(a.1.cmp(&b.1)));
    candidates.dedup_by_key(|c| c.2);
    candidates.sort_by_key(|c| c.1);
    candidates.iter().map(|c| (c.1, c.2)).collect()
}

struct Clipped {
    fit: Polynomials,
    /// The pairs kept, with their weights, by index.
    kept: Vec<(usize, Pair)>,
    /// Scatter per axis beyond their errors.
    excess: f64,
}

/// A weighted fit without the pairs that miss by far more than their errors and the rest's scatter.
fn clipped_fit(pairs: &[Pair], sigma: &[f64], order: u8, unit_px: f64) -> Option<Clipped> {
    let mut kept: Vec<usize> = (0..pairs.len()).collect();
    let mut fit = Polynomials::fit(&weighted(pairs, sigma, 0.3), order, unit_px)?;
    for _ in 0..8 {
        let (some, errors): (Vec<Pair>, Vec<f64>) = kept.iter().map(|i| (pairs[*i], sigma[*i])).unzip();
        let excess = excess_scatter(&fit, &some, &errors);
        let all = weighted(pairs, sigma, excess);
        fit = Polynomials::fit(&weighted(&some, &errors, excess), order, unit_px)?;
        let next: Vec<usize> =
            (0..pairs.len()).filter(|i| fit.miss2(&all[*i]) * all[*i].weight <= CLIP_RATIO).collect();
        if next == kept {
            break;
        }
        if next.len() < MIN_MATCHED {
            return None;
        }
        kept = next;
    }
    let (some, errors): (Vec<Pair>, Vec<f64>) = kept.iter().map(|i| (pairs[*i], sigma[*i])).unzip();
    let excess = excess_scatter(&fit, &some, &errors);
    let some = weighted(&some, &errors, excess);
    fit = Polynomials::fit(&some, order, unit_px)?;
    Some(Clipped { fit, kept: kept.into_iter().zip(some).collect(), excess })
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = values.collect();
    let middle = all.len() / 2;
    *all.select_nth_unstable_by(middle, f64::total_cmp).1
}

fn too_few(n_matched: usize, n_stars: usize, log10_odds: f64, config: &SolveConfig) -> SkyError {
    SkyError::DoubtfulMatch {
        log10_odds,
        limit: config.min_log10_odds,
        n_matched,
        n_stars,
        supply: format!("the final fit kept fewer than {MIN_MATCHED} stars: supply a deeper catalogue or star list"),
    }
}
