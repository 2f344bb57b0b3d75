//! The halo: medians of rings about the bright stars, over their flux.

use super::{STEP_PX, WingSearch};
use crate::stars::FieldStar;
use fanlight_image::{Image, Mask, Measured, robust};
use std::f64::consts::PI;

/// What the rings show.
pub struct Halo {
    /// (radius, light per square pixel for unit flux), ascending; empty where no halo stands out.
    pub profile: Vec<(f64, f64)>,
    /// Share of the light in it, with its error.
    pub share: Option<Measured>,
    /// By how much stars differ, as a share of it.
    pub scatter: f64,
}

/// Ratio of a ring's radii.
const RING_RATIO: f64 = 1.25;
/// Pixels of a ring that are looked at, at most.
const RING_PIXELS: usize = 1500;
/// A ring counts where this share of its pixels is good.
const RING_COVER: f64 = 0.5;
/// Rounds: the halos of neighbours are taken off with what the round before says.
const ROUNDS: usize = 3;
/// A ring shows the halo where it stands this many errors over nothing.
const RING_SIGMA: f64 = 3.0;
/// A halo is one where its light is so many errors over nothing and over this share of the star's.
const HALO_SIGMA: f64 = 5.0;
/// Or so many rings show it one by one and together by so many errors: the light of the outer ones, of which the sky leaves
/// little sure, then does not decide.
const CLEAR_RINGS: usize = 3;
/// See [`CLEAR_RINGS`].
const CLEAR_SIGMA: f64 = 8.0;
/// See [`HALO_SIGMA`]: less is within what core and halo may exchange.
const MIN_SHARE: f64 = 0.003;
/// Powers of the radius by which a halo may fall at its end (King 1971: 2; a Moffat function of β = 2: 4).
const TAIL_POWERS: [f64; 5] = [2.0, 2.5, 3.0, 3.5, 4.0];
/// A halo may end at any ring beyond this share of the outermost radius (one that ends earlier shows it itself); the last
/// one's edge stands for none. With 0.4 simulated halos come out too faint by half of their error, with 0.6 by a quarter.
const EARLIEST_END: f64 = 0.6;
/// Bounds of the scatter between stars: of fewer than some tens it is not known better.
const SCATTER: (f64, f64) = (0.08, 0.5);

/// Rings beyond this share of the outermost radius give the level under the others.
const LEVEL_FROM: f64 = 0.55;
/// Stars' halos differ by so much of themselves: by the flux that the fit gave, and by place.
const STAR_SCATTER: f64 = 0.15;
/// No star has more of the weight of all.
const MOST_WEIGHT: f64 = 0.12;

struct RingPixels {
    inner_px: f64,
    outer_px: f64,
    offsets: Vec<(isize, isize)>,
    total: usize,
}

impl RingPixels {
    fn radius_px(&self) -> f64 {
        (0.5 * (self.inner_px.powi(2) + self.outer_px.powi(2))).sqrt()
    }

    fn area_px2(&self) -> f64 {
        PI * (self.outer_px.powi(2) - self.inner_px.powi(2))
    }

    /// Median about a star.
    fn median(&self, image: &Image, mask: &Mask, star: &FieldStar) -> Option<f64> {
        let (x, y) = (star.x_px.round() as isize, star.y_px.round() as isize);
        let mut values: Vec<f32> = self
            .offsets
            .iter()
            .filter_map(|(dx, dy)| {
                let i = image.index(x + dx, y + dy)?;
                (mask.bits[i] == 0 && image.data[i].is_finite()).then(|| image.data[i])
            })
            .collect();
        let enough = values.len() as f64 >= RING_COVER * self.total as f64;
        enough.then(|| robust::median(&mut values).map(f64::from))?
    }
}

/// Rings from one radius to another.
fn rings((inner_px, outer_px): (f64, f64)) -> Vec<RingPixels> {
    let n = ((outer_px / inner_px).ln() / RING_RATIO.ln()).round().max(2.0) as usize;
    let edge = |i: usize| inner_px * (outer_px / inner_px).powf(i as f64 / n as f64);
    let ring = |i: usize| {
        let (from, to) = (edge(i), edge(i + 1));
        let reach = to.ceil() as isize;
        let within = |x: isize, y: isize| (from..to).contains(&((x * x + y * y) as f64).sqrt());
        let all: Vec<(isize, isize)> = (-reach..=reach)
            .flat_map(|y| (-reach..=reach).map(move |x| (x, y)))
            .filter(|(x, y)| within(*x, *y))
            .collect();
        // a stride that is prime to the rows' lengths spreads what is looked at over the ring
        let step = all.len().div_ceil(RING_PIXELS).max(1);
        let offsets: Vec<(isize, isize)> = all.into_iter().step_by(step).collect();
        RingPixels { inner_px: from, outer_px: to, total: offsets.len(), offsets }
    };
    (0..n).map(ring).collect()
}

/// Measures the halo and takes it off the residual.
pub fn measure(residual: &mut Image, search: &WingSearch, stars: &[FieldStar], span_px: (f64, f64)) -> Halo {
    let rings = rings(span_px);
    let none = Halo { profile: Vec::new(), share: None, scatter: SCATTER.1 };
    let mut profile: Vec<(f64, f64)> = Vec::new();
    let mut answer = None;
    for _ in 0..ROUNDS {
        let Some(round) = one_round(residual, search, stars, &rings, &profile) else { break };
        if round.share.is_none() {
            // back to what it was
            paint(residual, search, &profile, 1.0);
            return none;
        }
        paint(residual, search, &profile, 1.0);
        paint(residual, search, &round.profile, -1.0);
        profile = round.profile.clone();
        answer = Some(round);
    }
    answer.unwrap_or(none)
}

/// One look at the rings, the halo of the round before taken off the residual.
fn one_round(
    residual: &Image,
    search: &WingSearch,
    stars: &[FieldStar],
    rings: &[RingPixels],
    before: &[(f64, f64)],
) -> Option<Halo> {
    let end = rings[rings.len() - 1].outer_px;
    let is_outer = |r: &RingPixels| r.radius_px() > LEVEL_FROM * end;
    // per star: flux, and the rings over the mean of the outer ones, for unit flux
    let seen: Vec<(f64, Vec<Option<f64>>)> = stars
        .iter()
        .filter_map(|s| {
            let value =
                |r: &RingPixels| r.median(residual, search.mask, s).map(|v| v / s.flux + at(before, r.radius_px()));
            let outer: Vec<f64> = rings.iter().filter(|r| is_outer(r)).map(value).collect::<Option<_>>()?;
            let level = outer.iter().sum::<f64>() / outer.len() as f64;
            Some((s.flux, rings.iter().map(|r| value(r).map(|v| v - level)).collect()))
        })
        .collect();
    if seen.len() < super::MIN_STARS {
        return None;
    }
    let of_ring: Vec<Measured> = (0..rings.len())
        .map(|k| {
            let values: Vec<(f64, f64)> = seen.iter().filter_map(|(f, v)| Some((v[k]?, *f))).collect();
            weighted(&values).unwrap_or(Measured::new(0.0, f64::INFINITY))
        })
        .collect();
    let level = level_outside(rings, &of_ring, is_outer);
    let shown =
        |k: usize| of_ring[k].value + level.value > RING_SIGMA * of_ring[k].sigma && of_ring[k].sigma.is_finite();
    let mut n = 0;
    while n < rings.len() && shown(n) {
        n += 1;
    }
    let stands_out = n >= CLEAR_RINGS && {
        let over = of_ring[..n].iter().map(|m| (m.value + level.value) / m.sigma).sum::<f64>();
        over / (n as f64).sqrt() > CLEAR_SIGMA
    };
    // what goes on from there is the same halo, though a ring alone would not show it
    let goes_on = |k: usize| of_ring.get(k).is_some_and(|m| m.value + level.value > m.sigma);
    while n >= 2 && (goes_on(n) || goes_on(n + 1)) {
        n += 1;
    }
    let mut profile: Vec<(f64, f64)> =
        (0..n).map(|k| (rings[k].radius_px(), (of_ring[k].value + level.value).max(0.0))).collect();
    if let Some((radius, value)) = profile.last().copied() {
        // to the last ring's edge
        profile.push((rings[n - 1].outer_px, value * (radius / rings[n - 1].outer_px).powi(2)));
    }
    let no_halo = Some(Halo { profile: Vec::new(), share: None, scatter: SCATTER.1 });
    if n < 2 {
        return no_halo;
    }
    let area: f64 = rings[..n].iter().map(RingPixels::area_px2).sum();
    let shares: Vec<(f64, f64)> = seen
        .iter()
        .filter_map(|(f, v)| {
            let light: Option<f64> = (0..n).map(|k| Some(rings[k].area_px2() * v[k]?)).sum();
            Some((light? + level.value * area, *f))
        })
        .collect();
    let Some(share) = weighted(&shares) else { return no_halo };
    if share.value < MIN_SHARE || !(stands_out || share.value > HALO_SIGMA * share.sigma) {
        return no_halo;
    }
    let mut off: Vec<f64> = shares.iter().map(|s| s.0 - share.value).collect();
    let scatter = robust::mad_sigma_f64(&mut off).unwrap_or(share.value) / share.value;
    let sigma = share.sigma.hypot(area * level.sigma);
    Some(Halo { profile, share: Some(Measured::new(share.value, sigma)), scatter: scatter.clamp(SCATTER.0, SCATTER.1) })
}

/// The halo's mean level in the outer rings, over which all are measured: by the power of the radius that the rings follow,
/// and by where it ends, if it does (a reflection's does, scattered light goes on).
fn level_outside(rings: &[RingPixels], of_ring: &[Measured], is_outer: impl Fn(&RingPixels) -> bool) -> Measured {
    let end = rings[rings.len() - 1].radius_px();
    let seen: Vec<(f64, Measured)> = rings
        .iter()
        .zip(of_ring)
        .map(|(r, m)| (r.radius_px(), *m))
        .filter(|(r, m)| *r > 0.2 * end && m.sigma.is_finite() && m.sigma > 0.0)
        .collect();
    let fit = |power: f64, last_px: f64| {
        let of = |r: f64| if r < last_px { (r / end).powf(-power) } else { 0.0 };
        let far: Vec<f64> = rings.iter().filter(|r| is_outer(r)).map(|r| of(r.radius_px())).collect();
        let mean = far.iter().sum::<f64>() / far.len() as f64;
        let normal: f64 = seen.iter().map(|(r, m)| ((of(*r) - mean) / m.sigma).powi(2)).sum();
        let height = seen.iter().map(|(r, m)| (of(*r) - mean) * m.value / m.sigma.powi(2)).sum::<f64>() / normal;
        let chi2: f64 = seen.iter().map(|(r, m)| ((m.value - height * (of(*r) - mean)) / m.sigma).powi(2)).sum();
        (chi2, (height * mean).max(0.0), mean / normal.sqrt())
    };
    let ends = rings.iter().map(|r| r.outer_px).filter(|r| *r > EARLIEST_END * end);
    let shapes = ends.flat_map(|last| TAIL_POWERS.map(|power| (power, last)));
    let fits: Vec<(f64, f64, f64)> = shapes.map(|(power, last)| fit(power, last)).filter(|f| f.1.is_finite()).collect();
    let Some(best) = fits.iter().map(|f| f.0).reduce(f64::min) else { return Measured::new(0.0, 0.0) };
    // rings differ by more than their noise: chi squared in its own units; what powers say counts by how well they fit
    let unit = (best / (seen.len() as f64 - 2.0).max(1.0)).max(1.0);
    let odds: Vec<f64> = fits.iter().map(|f| (-0.5 * (f.0 - best) / unit).exp()).collect();
    let total: f64 = odds.iter().sum();
    let level = fits.iter().zip(&odds).map(|(f, o)| o * f.1).sum::<f64>() / total;
    let variance = fits.iter().zip(&odds).map(|(f, o)| o * ((f.1 - level).powi(2) + unit * f.2.powi(2))).sum::<f64>();
    Measured::new(level, (variance / total).sqrt())
}

/// Weighted median of (value for unit flux, flux), with the error of it that the values' own scatter gives.
///
/// What neighbours and noise do to a value falls with the star's flux; what stars differ by does not.
fn weighted(values: &[(f64, f64)]) -> Option<Measured> {
    if values.len() < super::MIN_STARS {
        return None;
    }
    let middle = robust::median_f64(&mut values.iter().map(|v| v.0).collect::<Vec<f64>>())?;
    let noise = robust::mad_sigma_f64(&mut values.iter().map(|v| (v.0 - middle) * v.1).collect::<Vec<f64>>())?;
    let of = |flux: f64| ((noise / flux).powi(2) + (STAR_SCATTER * middle).powi(2)).max(1e-30).recip();
    let mut all: Vec<(f64, f64)> = values.iter().map(|v| (v.0, of(v.1))).collect();
    // no star alone decides
    for _ in 0..3 {
        let most = MOST_WEIGHT * all.iter().map(|v| v.1).sum::<f64>();
        all.iter_mut().for_each(|v| v.1 = v.1.min(most));
    }
    let value = robust::weighted_median(all.clone())?;
    let limit = all.iter().map(|v| v.1).fold(0.0, f64::max);
    let near: Vec<f64> = all.iter().filter(|v| v.1 > 0.1 * limit).map(|v| v.0 - value).collect();
    let limit = 4.0 * robust::mad_sigma_f64(&mut near.clone())?.max(1e-12);
    let (mut square, mut total) = (0.0, 0.0);
    for (v, w) in &all {
        square += (w * (v - value).abs().min(limit.max(w.recip().sqrt()))).powi(2);
        total += w;
    }
    // a median has 1.25 times the error of a mean
    Some(Measured::new(value, 1.25 * square.sqrt() / total))
}

/// Draws every star's halo, times a factor.
fn paint(image: &mut Image, search: &WingSearch, profile: &[(f64, f64)], factor: f64) {
    if profile.is_empty() {
        return;
    }
    let halo = super::Wings {
        n_stars: 0,
        halo_share: None,
        inner_px: 0.0,
        outer_px: 0.0,
        halo: profile.to_vec(),
        table: table(profile),
        scatter: 0.0,
        rays: Vec::new(),
        core_fwhm_px: 1.0,
    };
    for s in search.stars.iter().filter(|s| halo.matter(s.flux, search.noise)) {
        halo.add(image, &FieldStar { flux: factor * s.flux, ..*s }, search.noise);
    }
}

/// A profile in even steps.
pub fn table(profile: &[(f64, f64)]) -> Vec<f32> {
    let Some(last) = profile.last() else { return Vec::new() };
    (0..(last.0 / STEP_PX) as usize + 2).map(|i| at(profile, i as f64 * STEP_PX) as f32).collect()
}

/// A profile at a distance: level inside its first point, by powers of the distance between points, nothing beyond the last.
pub fn at(profile: &[(f64, f64)], distance_px: f64) -> f64 {
    let (Some(first), Some(last)) = (profile.first(), profile.last()) else { return 0.0 };
    if distance_px <= first.0 {
        return first.1;
    }
    if distance_px > last.0 {
        return 0.0;
    }
    let i = profile.partition_point(|p| p.0 < distance_px).clamp(1, profile.len() - 1);
    let (a, b) = (profile[i - 1], profile[i]);
    let share = (distance_px / a.0).ln() / (b.0 / a.0).ln();
    if a.1 > 0.0 && b.1 > 0.0 { a.1 * (b.1 / a.1).powf(share) } else { a.1 + share * (b.1 - a.1) }
}
