//! A profile drawn out along a straight segment, in closed form.
//!
//! Where distances are measured in the profile's own scale lengths, a point at `s` along the segment of length ℓ and `p`
//! across it, from its middle, has the mean intensity
//! `central/ℓ · h^(1/2 − β) · [F(t₊) − F(t₋)]`, `h = 1 + p²`, `t± = (s ± ℓ/2)/√h`, `F(t) = ∫₀ᵗ (1 + τ²)^−β dτ`.
//! With `x = t/√(1 + t²)`, `F = ∫₀ˣ (1 − ξ²)^(β − 3/2) dξ`: one table for every segment.

use super::profile::InversePower;

/// A trail shorter than this share of the star's narrower width is none: it would widen the star by under 1e-4.
const SHORTEST: f64 = 0.02;

/// Whether a trail draws a star image of a given narrower width out at all.
pub(crate) fn is_one(trail_px: (f64, f64), narrow_px: f64) -> bool {
    trail_px.0.hypot(trail_px.1) > SHORTEST * narrow_px
}

/// Intervals of the table over x from 0 to 1. With cubic pieces of exact values and slopes the integral is within 1e-7
/// of its whole for β from 2 up, 1e-5 at 1.5.
const INTERVALS: usize = 128;

/// The integrand's integral and its derivative with β, by x.
struct Table {
    /// Values and slopes times the interval at its ends.
    whole: Vec<[f64; 2]>,
    by_beta: Vec<[f64; 2]>,
}

impl Table {
    fn new(beta: f64) -> Self {
        let power = beta - 1.5;
        let step = 1.0 / INTERVALS as f64;
        let integrand = |x: f64| {
            let u = 1.0 - x * x;
            if u <= 0.0 {
                return [if power > 0.0 { 0.0 } else { 1.0 }, 0.0];
            }
            let log = u.ln();
            let value = (power * log).exp();
            [value, value * log]
        };
        // three-point Gauss rule on each interval
        let (outer, inner) = (0.387_298_334_620_741_7 * step, 8.0 / 18.0 * step);
        let mut sum = [0.0; 2];
        let mut table = Self { whole: Vec::with_capacity(INTERVALS + 2), by_beta: Vec::with_capacity(INTERVALS + 2) };
        for i in 0..=INTERVALS {
            let at = integrand(i as f64 * step);
            table.whole.push([sum[0], at[0] * step]);
            table.by_beta.push([sum[1], at[1] * step]);
            let middle = (i as f64 + 0.5) * step;
            for (x, weight) in [(middle - outer, 0.625), (middle, 1.0), (middle + outer, 0.625)] {
                let v = integrand(x);
                (0..2).for_each(|k| sum[k] += weight * inner * v[k]);
            }
        }
        // the end itself, so that the last interval needs no special case
        table.whole.push(table.whole[INTERVALS]);
        table.by_beta.push(table.by_beta[INTERVALS]);
        table
    }

    #[inline]
    fn of(table: &[[f64; 2]], x: f64) -> f64 {
        let at = x.abs().min(1.0) * INTERVALS as f64;
        let i = (at as usize).min(INTERVALS - 1);
        let t = at - i as f64;
        let ([a, da], [b, db]) = (table[i], table[i + 1]);
        let rise = b - a;
        let value = a + t * (da + t * (3.0 * rise - 2.0 * da - db + t * (da + db - 2.0 * rise)));
        if x < 0.0 { -value } else { value }
    }
}

/// A profile's quadratic form (xx, xy, yy) and exponent, with a trail.
pub(crate) struct TrailProfile {
    form: [f64; 3],
    beta: f64,
    trail_px: [f64; 2],
    /// The form times the trail, and the trail's length in scale lengths.
    formed: [f64; 2],
    length: f64,
    /// x^−(β − 1/2)
    across: InversePower,
    table: Table,
}

/// A point as the trail sees it: place along it, `h`, and the squared distance from it in scale lengths.
#[derive(Clone, Copy)]
pub(crate) struct OnTrail {
    s: f64,
    h: f64,
    pub distance2: f64,
}

/// Derivatives of one point's value, for unit central intensity: with the products of the form with itself and the trail.
pub(crate) struct TrailSlope {
    pub value: f64,
    pub by_beta: f64,
    pub place: f64,
    pub mixed: f64,
    pub trail: f64,
}

impl TrailProfile {
    pub(crate) fn new(form: [f64; 3], beta: f64, trail_px: (f64, f64)) -> Self {
        let (tx, ty) = trail_px;
        let formed = [form[0] * tx + form[1] * ty, form[1] * tx + form[2] * ty];
        let length = (formed[0] * tx + formed[1] * ty).sqrt();
        let across = InversePower::new(beta - 0.5);
        Self { form, beta, trail_px: [tx, ty], formed, length, across, table: Table::new(beta) }
    }

    pub(crate) fn trail_px(&self) -> [f64; 2] {
        self.trail_px
    }

    /// The form applied to the trail.
    pub(crate) fn formed(&self) -> [f64; 2] {
        self.formed
    }

    #[inline]
    pub(crate) fn place(&self, x: f64, y: f64) -> OnTrail {
        let square = (self.form[0] * x + 2.0 * self.form[1] * y) * x + self.form[2] * y * y;
        let s = (self.formed[0] * x + self.formed[1] * y) / self.length;
        let across2 = (square - s * s).max(0.0);
        let beyond = (s.abs() - 0.5 * self.length).max(0.0);
        OnTrail { s, h: 1.0 + across2, distance2: across2 + beyond * beyond }
    }

    /// Mean of `(1 + q)^−β` over the trail.
    #[inline]
    pub(crate) fn value(&self, at: OnTrail) -> f64 {
        let half = 0.5 * self.length;
        let of = |sigma: f64| Table::of(&self.table.whole, sigma / (at.h + sigma * sigma).sqrt());
        (of(at.s + half) - of(at.s - half)) * self.across.of(at.h) / self.length
    }

    /// The same with its derivatives with the squared distance from the middle, the product of place and trail, the
    /// trail's square, all in the profile's form, and β.
    #[inline]
    pub(crate) fn slope(&self, at: OnTrail, power: &InversePower) -> TrailSlope {
        let OnTrail { s, h, .. } = at;
        let length = self.length;
        let end = |sigma: f64| {
            let t = h + sigma * sigma;
            let x = sigma / t.sqrt();
            (Table::of(&self.table.whole, x), Table::of(&self.table.by_beta, x), t * power.of(t))
        };
        let (plus, minus) = (s + 0.5 * length, s - 0.5 * length);
        let (to, from) = (end(plus), end(minus));
        let across = self.across.of(h);
        let value = across * (to.0 - from.0) / length;
        let by_s = (to.2 - from.2) / length;
        let by_h = ((0.5 - self.beta) * value - (plus * to.2 - minus * from.2) / (2.0 * length)) / h;
        let by_length = (0.5 * (to.2 + from.2) - value) / length;
        let by_beta = across * (to.1 - from.1) / length - h.ln() * value;
        // s is also in h = 1 + distance² − s²
        let along = by_s - 2.0 * s * by_h;
        TrailSlope {
            value,
            by_beta,
            place: by_h,
            mixed: along / length,
            trail: (by_length - along * s / length) / (2.0 * length),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the midpoint rule over the segment.
    #[test]
    fn the_closed_form_is_the_mean_over_the_segment() {
        for (beta, trail_px) in [(1.6, (3.0, 1.0)), (2.5, (0.1, 0.05)), (3.0, (20.0, -7.0)), (8.0, (-2.0, 60.0))] {
            let form = [0.4, 0.05, 0.6];
            let trail = TrailProfile::new(form, beta, trail_px);
            for (x, y) in [(0.0, 0.0), (1.0, 0.4), (-9.0, 3.0), (2.0, 31.0), (40.0, -60.0)] {
                let n = 40_000;
                let at = |i: usize| {
                    let share = (i as f64 + 0.5) / f64::from(n) - 0.5;
                    let (u, v) = (x - share * trail_px.0, y - share * trail_px.1);
                    (1.0 + form[0] * u * u + 2.0 * form[1] * u * v + form[2] * v * v).powf(-beta)
                };
                let exact = (0..n as usize).map(at).sum::<f64>() / f64::from(n);
                let got = trail.value(trail.place(x, y));
                assert!((got - exact).abs() < 2e-5 * exact + 1e-7, "β {beta} {trail_px:?} at {x} {y}: {got} {exact}");
            }
        }
        assert!(!is_one((0.0, 0.0), 2.0) && !is_one((0.03, 0.0), 2.0) && !is_one((f64::NAN, 0.0), 2.0));
        assert!(is_one((0.1, 0.1), 2.0));
    }
}
