//! From a map that is nearly right to the frame's WCS with its errors.

use super::distortion::{excess_scatter, hidden_bend, order_by_cross_validation, weighted};
use super::fit::{Pair, Polynomials, powers};
use super::grid::Grid;
use super::lists::{Found, Listed, Plane};
use super::{LinearFit, MIN_MATCHED, Solution, SolveConfig};
use crate::angle::dot;
use crate::{PositionAngle, SkyError, SkyPosition, Wcs};

/// Pairs whose magnitudes differ by more than this from the rest are chance pairs.
const MAGNITUDE_GATE: f64 = 2.5;
/// Squared miss over variance beyond which a pair is left out; of good ones one in 3000 is.
const CLIP_RATIO: f64 = 16.0;
/// No closer than this are pairs asked to be, in px.
const LEAST_RADIUS_PX: f64 = 0.8;
/// Stars that choose the order: more cost time and decide nothing.
const MOST_TO_CHOOSE: usize = 800;
const ROUNDS: usize = 10;

/// A start: where the frame's middle is, and a map from the frame to the gnomonic plane about it in nominal px, right
/// within a radius.
pub(super) struct Start {
    pub centre: SkyPosition,
    pub map: Polynomials,
    pub radius_px: f64,
    pub log10_odds: f64,
}

/// Joins all the stars and fits.
pub(super) fn finish(start: Start, found: &Found, listed: &Listed, config: &SolveConfig) -> Result<Solution, SkyError> {
    let half_diagonal = (config.width as f64).hypot(config.height as f64) / 2.0;
    let near = Near::new(listed, start.centre, half_diagonal, config);
    let places = near.on(&Plane::new(start.centre, config.pixel_scale_arcsec));
    let grid = Grid::new(places, half_diagonal / 25.0);
    let catalogue_px = config.catalogue_sigma_arcsec / config.pixel_scale_arcsec;
    let sigma_of = |i: usize| found.sigma_px[i].hypot(catalogue_px);

    let (mut map, mut radius, mut order) = (start.map, start.radius_px, 1_u8);
    let mut joined: Vec<(usize, usize)> = Vec::new();
    let mut zero_point = None;
    for round in 0..ROUNDS {
        let next = join(found, &near, &grid, &map, radius, zero_point);
        if next.len() < MIN_MATCHED {
            return Err(too_few(next.len(), found.at.len(), start.log10_odds, config));
        }
        let settled = next == joined;
        joined = next;
        zero_point = Some(median(joined.iter().map(|(i, j)| near.magnitude[*j] - found.magnitude[*i])));
        let pairs = pairs_of(&joined, found, &grid);
        let sigma: Vec<f64> = joined.iter().map(|(i, _)| sigma_of(*i)).collect();
        if round == 1 || round == 4 || settled {
            let some = pairs.len().min(MOST_TO_CHOOSE);
            let chosen = order_by_cross_validation(&pairs[..some], &sigma[..some], half_diagonal, config.max_sip_order);
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
    // the reference point is moved to where the middle falls, and the fit made again about it
    let mut centre = start.centre;
    let sigma: Vec<f64> = joined.iter().map(|(i, _)| sigma_of(*i)).collect();
    let mut result = None;
    for _ in 0..4 {
        let plane = Plane::new(centre, config.pixel_scale_arcsec);
        let places = near.on(&plane);
        let pairs: Vec<Pair> =
            joined.iter().map(|(i, j)| Pair { at: found.at[*i], to: places[*j], weight: 1.0 }).collect();
        let Some(clipped) = clipped_fit(&pairs, &sigma, order, half_diagonal) else {
            return Err(too_few(joined.len(), found.at.len(), start.log10_odds, config));
        };
        let to = clipped.fit.of([0.0; 2]);
        result = Some((clipped, centre));
        if to[0].hypot(to[1]) < 1e-8 {
            break;
        }
        let cd = config.pixel_scale_arcsec / 3600.0;
        centre = Wcs::tangent(centre, crate::PixelXy { x_px: 0.0, y_px: 0.0 }, [[cd, 0.0], [0.0, cd]])?
            .sky_from_pixel(crate::PixelXy { x_px: to[0], y_px: to[1] });
    }
    let Some((Clipped { fit, kept, excess }, centre)) = result else {
        return Err(too_few(joined.len(), found.at.len(), start.log10_odds, config));
    };
    if kept.len() < MIN_MATCHED {
        return Err(too_few(kept.len(), found.at.len(), start.log10_odds, config));
    }
    let matches = kept.iter().map(|k| (found.index[joined[k.0].0], near.index[joined[k.0].1])).collect();
    let pairs: Vec<Pair> = kept.iter().map(|k| k.1).collect();
    let bent_px = hidden_bend(&fit, &pairs, excess, config.max_sip_order);
    solution(fit, &pairs, matches, centre, (bent_px, start.log10_odds), found.at.len(), config)
}

fn solution(
    mut fit: Polynomials,
    pairs: &[Pair],
    matches: Vec<(usize, usize)>,
    centre: SkyPosition,
    (bent_px, log10_odds): (f64, f64),
    n_stars: usize,
    config: &SolveConfig,
) -> Result<Solution, SkyError> {
    let (unit, scale) = (fit.unit_px, config.pixel_scale_arcsec);
    let cd = [0, 1].map(|axis| [1, 2].map(|term| fit.terms[term][axis] / unit * scale / 3600.0));
    let at = config.middle();
    let d = cd[0][0] * cd[1][1] - cd[0][1] * cd[1][0];
    let wcs = if fit.order < 2 {
        Wcs::tangent(centre, at, cd)?
    } else {
        // a term of the plane is one of the pixels through the inverse of the matrix
        let terms: Vec<((i32, i32), [f64; 2])> = powers(fit.order)
            .into_iter()
            .zip(&fit.terms)
            .skip(3)
            .map(|((p, q), c)| {
                let [east, north] = c.map(|v| v / unit.powi(p + q) * scale / 3600.0);
                ((p, q), [(cd[1][1] * east - cd[0][1] * north) / d, (cd[0][0] * north - cd[1][0] * east) / d])
            })
            .collect();
        Wcs::distorted(centre, at, cd, &terms)?
    };
    let sum2: f64 = pairs.iter().map(|p| fit.miss2(p)).sum();
    let free = 2.0 * (pairs.len() as f64 - fit.terms.len() as f64);
    let chi2 = pairs.iter().map(|p| fit.miss2(p) * p.weight).sum::<f64>() / free.max(1.0);
    // few stars cannot say that the stated errors are too large
    fit.covariance *= if free >= 20.0 { chi2 } else { chi2.max(1.0) };
    let rms_arcsec = (sum2 / (2.0 * pairs.len() as f64)).sqrt() * scale;
    let scale_arcsec = d.abs().sqrt() * 3600.0;
    let unit_of = |term: usize| if term == 0 { 1.0 } else { unit };
    let covariance =
        [0, 1, 2].map(|i| [0, 1, 2].map(|j| fit.covariance[(i, j)] / unit_of(i) / unit_of(j) * scale * scale));
    Ok(Solution {
        wcs,
        n_matched: pairs.len(),
        n_stars,
        rms_arcsec,
        rms_px: rms_arcsec / scale_arcsec,
        log10_odds,
        sip_order: (fit.order >= 2).then_some(fit.order),
        mirrored: d > 0.0,
        rotation_deg: PositionAngle::of(cd[0][1], cd[1][1]).deg(),
        scale_arcsec,
        linear: LinearFit { at, cd_deg_per_px: cd, covariance },
        matches,
        size_px: [config.width, config.height],
        plane_scale_arcsec: scale,
        bent_px,
        fit,
    })
}

/// Catalogue stars that can be in the frame.
struct Near {
    index: Vec<usize>,
    direction: Vec<[f64; 3]>,
    magnitude: Vec<f64>,
}

impl Near {
    fn new(listed: &Listed, centre: SkyPosition, half_diagonal_px: f64, config: &SolveConfig) -> Self {
        let radius = half_diagonal_px * (1.0 + config.scale_error) * 1.05 * config.pixel_scale_arcsec;
        let (middle, least) = (centre.unit_vector(), (radius / crate::ARCSEC_PER_RAD).min(1.4).cos());
        let inside: Vec<usize> =
            (0..listed.direction.len()).filter(|i| dot(listed.direction[*i], middle) >= least).collect();
        Self {
            index: inside.iter().map(|i| listed.index[*i]).collect(),
            direction: inside.iter().map(|i| listed.direction[*i]).collect(),
            magnitude: inside.iter().map(|i| listed.magnitude[*i]).collect(),
        }
    }

    fn on(&self, plane: &Plane) -> Vec<[f64; 2]> {
        self.direction.iter().map(|d| plane.gnomonic(*d)).collect()
    }
}

/// Each star with the nearest catalogue star of a fitting magnitude, each of those with one star.
fn join(
    found: &Found,
    near: &Near,
    grid: &Grid,
    map: &Polynomials,
    radius: f64,
    zero_point: Option<f64>,
) -> Vec<(usize, usize)> {
    let fits = |i: usize, j: usize| {
        zero_point.is_none_or(|z| (near.magnitude[j] - found.magnitude[i] - z).abs() <= MAGNITUDE_GATE)
    };
    let mut candidates: Vec<(f64, usize, usize)> = Vec::new();
    for (i, at) in found.at.iter().enumerate() {
        let mut best: Option<(f64, usize, usize)> = None;
        grid.within(map.of(*at), radius, |j, d2| {
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

fn pairs_of(joined: &[(usize, usize)], found: &Found, grid: &Grid) -> Vec<Pair> {
    joined.iter().map(|(i, j)| Pair { at: found.at[*i], to: grid.points()[*j], weight: 1.0 }).collect()
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
