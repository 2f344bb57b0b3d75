//! SIP distortion (Shupe et al. 2005, ASP Conf. 347, 491).

use super::{HeaderCards, WcsValue};
use crate::SkyError;
use crate::solve::polynomial_through;

/// One axis: coefficient of u^p v^q at `(p, q)`.
type Terms = Vec<((i32, i32), f64)>;

/// Polynomials that act on pixel offsets from CRPIX.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sip {
    order: [i64; 2],
    a: Terms,
    b: Terms,
}

impl Sip {
    /// Reads A_ORDER, A_p_q, B_ORDER, B_p_q; `None` where there are none. The inverse polynomials AP, BP are not needed.
    pub fn from_header(header: &dyn HeaderCards) -> Result<Option<Self>, SkyError> {
        if !header.contains("A_ORDER") && !header.contains("B_ORDER") {
            return Ok(None);
        }
        let axis = |name: &str| -> Result<(i64, Terms), SkyError> {
            let keyword = format!("{name}_ORDER");
            let order = header.number(&keyword).ok_or(SkyError::MissingKeyword { keyword: keyword.clone() })?;
            if !(0.0..=9.0).contains(&order) || order.fract() != 0.0 {
                return Err(SkyError::BadKeyword { keyword, reason: format!("{order} is no order from 0 to 9") });
            }
            let order = order as i32;
            let mut terms = Terms::new();
            for p in 0..=order {
                for q in 0..=order - p {
                    let keyword = format!("{name}_{p}_{q}");
                    match header.number(&keyword) {
                        Some(c) if !c.is_finite() => {
                            return Err(SkyError::BadKeyword { keyword, reason: format!("{c} is no number") });
                        }
                        Some(c) if c != 0.0 => terms.push(((p, q), c)),
                        _ => {}
                    }
                }
            }
            Ok((i64::from(order), terms))
        };
        let ((a_order, a), (b_order, b)) = (axis("A")?, axis("B")?);
        Ok(Some(Self { order: [a_order, b_order], a, b }))
    }

    /// By coefficients `[a, b]` at `(p, q)`.
    pub fn new(terms: &[((i32, i32), [f64; 2])]) -> Self {
        let order = terms.iter().map(|((p, q), _)| i64::from(p + q)).max().unwrap_or(0);
        let axis = |i: usize| terms.iter().filter(|(_, c)| c[i] != 0.0).map(|(at, c)| (*at, c[i])).collect();
        Self { order: [order, order], a: axis(0), b: axis(1) }
    }

    /// AP and BP, fitted to the inverse on a grid over a frame whose 0-based reference pixel this is.
    pub fn inverse_cards(&self, crpix: [f64; 2], size: [usize; 2]) -> Vec<(String, WcsValue)> {
        const STEPS: usize = 24;
        let offset = |i: usize, axis: usize| size[axis] as f64 * i as f64 / STEPS as f64 - 0.5 - crpix[axis];
        let pairs: Vec<([f64; 2], [f64; 2])> = (0..=STEPS)
            .flat_map(|j| (0..=STEPS).map(move |i| (i, j)))
            .map(|(i, j)| {
                let (u, v) = (offset(i, 0), offset(j, 1));
                let (to_u, to_v) = self.forward(u, v);
                ([to_u, to_v], [u - to_u, v - to_v])
            })
            .collect();
        // one order more than the forward one takes up most of what an inverse of that order leaves
        let order = (self.order[0].max(self.order[1]) + 1).min(5) as u8;
        let Some(terms) = polynomial_through(&pairs, order) else { return Vec::new() };
        let mut cards = Vec::new();
        for (axis, name) in ["AP", "BP"].into_iter().enumerate() {
            cards.push((format!("{name}_ORDER"), WcsValue::Integer(i64::from(order))));
            cards.extend(terms.iter().map(|((p, q), c)| (format!("{name}_{p}_{q}"), WcsValue::Number(c[axis]))));
        }
        cards
    }

    /// The higher of the axes' orders.
    pub fn order(&self) -> u8 {
        self.order[0].max(self.order[1]) as u8
    }

    /// Coefficients `[a, b]` at `(p, q)`; a power that both axes have comes twice.
    pub fn terms(&self) -> impl Iterator<Item = ((i32, i32), [f64; 2])> + '_ {
        let a = self.a.iter().map(|(at, c)| (*at, [*c, 0.0]));
        a.chain(self.b.iter().map(|(at, c)| (*at, [0.0, *c])))
    }

    pub fn forward(&self, u: f64, v: f64) -> (f64, f64) {
        (u + polynomial(&self.a, u, v), v + polynomial(&self.b, u, v))
    }

    /// The same distortion for pixels `step` times as large.
    pub fn of_every(&self, step: f64) -> Self {
        let scaled = |terms: &Terms| terms.iter().map(|((p, q), c)| ((*p, *q), c * step.powi(p + q - 1))).collect();
        Self { order: self.order, a: scaled(&self.a), b: scaled(&self.b) }
    }

    /// Newton's method from the undistorted place; `None` where it does not settle.
    pub fn inverse(&self, to_u: f64, to_v: f64) -> Option<(f64, f64)> {
        let (mut u, mut v) = (to_u, to_v);
        for _ in 0..50 {
            let (fu, fv) = self.forward(u, v);
            let (miss_u, miss_v) = (to_u - fu, to_v - fv);
            let (au, av) = slopes(&self.a, u, v);
            let (bu, bv) = slopes(&self.b, u, v);
            let (j11, j12, j21, j22) = (1.0 + au, av, bu, 1.0 + bv);
            let d = j11 * j22 - j12 * j21;
            // a folded polynomial: beyond the image
            if d.is_nan() || d <= 1e-6 {
                return None;
            }
            let (step_u, step_v) = ((j22 * miss_u - j12 * miss_v) / d, (j11 * miss_v - j21 * miss_u) / d);
            u += step_u;
            v += step_v;
            if step_u.abs() + step_v.abs() < 1e-10 * (1.0 + u.abs() + v.abs()) {
                return Some((u, v));
            }
        }
        None
    }

    pub fn cards(&self) -> Vec<(String, WcsValue)> {
        let mut cards = Vec::new();
        for (name, order, terms) in [("A", self.order[0], &self.a), ("B", self.order[1], &self.b)] {
            cards.push((format!("{name}_ORDER"), WcsValue::Integer(order)));
            cards.extend(terms.iter().map(|((p, q), c)| (format!("{name}_{p}_{q}"), WcsValue::Number(*c))));
        }
        cards
    }
}

fn polynomial(terms: &Terms, u: f64, v: f64) -> f64 {
    terms.iter().map(|((p, q), c)| c * u.powi(*p) * v.powi(*q)).sum()
}

/// Derivatives with u and v.
fn slopes(terms: &Terms, u: f64, v: f64) -> (f64, f64) {
    terms.iter().fold((0.0, 0.0), |(du, dv), ((p, q), c)| {
        let by_u = if *p > 0 { c * f64::from(*p) * u.powi(p - 1) * v.powi(*q) } else { 0.0 };
        let by_v = if *q > 0 { c * f64::from(*q) * u.powi(*p) * v.powi(q - 1) } else { 0.0 };
        (du + by_u, dv + by_v)
    })
}
