//! SIP distortion (Shupe et al. 2005, ASP Conf. 347, 491).

use super::{HeaderCards, WcsValue};
use crate::SkyError;

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

    pub fn forward(&self, u: f64, v: f64) -> (f64, f64) {
        (u + polynomial(&self.a, u, v), v + polynomial(&self.b, u, v))
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
