//! A WCS moved by a polynomial of the pixel.

use super::sip::Sip;
use super::{Wcs, apply, invert};
use crate::solve::Terms;
use crate::{PixelXy, SkyError};
use std::collections::BTreeMap;

impl Wcs {
    /// The WCS that puts every pixel a polynomial of its place further on the tangent plane than this one does:
    /// coefficients `[east, north]`, degrees, of `(x − about.x)^p (y − about.y)^q` by `(p, q)`, about the same CRVAL.
    ///
    /// Exact for any polynomial: powers up to 1 leave TAN as it is, higher ones make it TAN-SIP or add to its SIP.
    ///
    /// # Errors
    /// [`SkyError::SingularMatrix`] where no pixel is left at CRVAL, or the matrix there has no inverse.
    pub fn bent(&self, about: PixelXy, terms_deg: &[((i32, i32), [f64; 2])]) -> Result<Self, SkyError> {
        let own = self.plane_terms();
        let added: Terms = terms_deg.to_vec();
        let lost = SkyError::SingularMatrix { cd: self.cd };
        // CRPIX goes to where the new plane is zero, so that SIP needs no constant
        let root = self.root(&[(self.crpix, &own), ([about.x_px, about.y_px], &added)]).ok_or(lost)?;
        let mut sum: BTreeMap<(i32, i32), [f64; 2]> = BTreeMap::new();
        for (origin, terms) in [(self.crpix, &own), ([about.x_px, about.y_px], &added)] {
            for (powers, c) in about_another(terms, [root[0] - origin[0], root[1] - origin[1]]) {
                let all = sum.entry(powers).or_default();
                *all = [all[0] + c[0], all[1] + c[1]];
            }
        }
        let linear = |powers| sum.get(&powers).copied().unwrap_or_default();
        let (by_x, by_y) = (linear((1, 0)), linear((0, 1)));
        let cd = [[by_x[0], by_y[0]], [by_x[1], by_y[1]]];
        let inverse = invert(cd).ok_or(SkyError::SingularMatrix { cd })?;
        let in_pixels =
            |(powers, c): (&(i32, i32), &[f64; 2])| (*powers, <[f64; 2]>::from(apply(inverse, (c[0], c[1]))));
        let higher: Terms = sum.iter().filter(|((p, q), c)| p + q > 1 && **c != [0.0; 2]).map(in_pixels).collect();
        Self::assemble(self.reference, root, cd, (!higher.is_empty()).then(|| Sip::new(&higher)))
    }

    /// Order of the distortion; `None` without one.
    pub fn sip_order(&self) -> Option<u8> {
        self.sip.as_ref().map(Sip::order)
    }

    /// Degrees (east, north) on the tangent plane about CRVAL.
    pub(crate) fn plane_deg(&self, at: PixelXy) -> [f64; 2] {
        let (u, v) = (at.x_px - self.crpix[0], at.y_px - self.crpix[1]);
        apply(self.cd, self.sip.as_ref().map_or((u, v), |s| s.forward(u, v))).into()
    }

    /// The place of the tangent plane's point.
    pub(crate) fn reference(&self) -> crate::SkyPosition {
        self.reference
    }

    /// The tangent plane as a polynomial of the pixel counted from CRPIX, degrees.
    fn plane_terms(&self) -> Terms {
        let mut terms: Terms = vec![((1, 0), [1.0, 0.0]), ((0, 1), [0.0, 1.0])];
        terms.extend(self.sip.iter().flat_map(Sip::terms));
        terms.into_iter().map(|(powers, c)| (powers, apply(self.cd, (c[0], c[1])).into())).collect()
    }

    /// The pixel near CRPIX where a sum of polynomials about different origins is zero, by Newton's method with this
    /// WCS's own matrix.
    fn root(&self, parts: &[([f64; 2], &Terms)]) -> Option<[f64; 2]> {
        let mut at = self.crpix;
        for _ in 0..60 {
            let value = parts.iter().fold((0.0, 0.0), |sum, (origin, terms)| {
                let (u, v) = (at[0] - origin[0], at[1] - origin[1]);
                terms.iter().fold(sum, |(e, n), ((p, q), c)| {
                    let power = u.powi(*p) * v.powi(*q);
                    (e + c[0] * power, n + c[1] * power)
                })
            });
            let step = apply(self.inverse, value);
            at = [at[0] - step.0, at[1] - step.1];
            if !(at[0].is_finite() && at[1].is_finite()) {
                return None;
            }
            if step.0.hypot(step.1) < 1e-10 * (1.0 + at[0].abs() + at[1].abs()) {
                return Some(at);
            }
        }
        None
    }
}

/// A polynomial in places counted from an origin that lies `by` further: (u + by)^p (v + by)^q multiplied out.
fn about_another(terms: &Terms, by: [f64; 2]) -> Terms {
    let binomial = |n: i32, k: i32| (0..k).fold(1.0, |b, i| b * f64::from(n - i) / f64::from(i + 1));
    let mut moved = Terms::new();
    for ((p, q), c) in terms {
        for i in 0..=*p {
            for j in 0..=*q {
                let factor = binomial(*p, i) * by[0].powi(p - i) * binomial(*q, j) * by[1].powi(q - j);
                moved.push(((i, j), c.map(|v| v * factor)));
            }
        }
    }
    moved
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SkyPosition;

    const CUBIC: [((i32, i32), [f64; 2]); 4] =
        [((0, 0), [3e-3, -1e-3]), ((1, 0), [1e-7, 2e-7]), ((2, 1), [2e-12, -1e-12]), ((0, 3), [-1e-12, 3e-12])];

    fn plain() -> Wcs {
        let cd = [[-3e-4, 1e-4], [1e-4, 3e-4]];
        Wcs::tangent(SkyPosition::new(150.0, 20.0), PixelXy { x_px: 400.0, y_px: 900.0 }, cd).unwrap()
    }

    /// Where the definition puts a pixel, without any rearranged polynomial.
    fn defined(wcs: &Wcs, about: PixelXy, terms: &[((i32, i32), [f64; 2])], at: PixelXy) -> [f64; 2] {
        let (u, v) = (at.x_px - about.x_px, at.y_px - about.y_px);
        terms.iter().fold(wcs.plane_deg(at), |sum, ((p, q), c)| {
            let power = u.powi(*p) * v.powi(*q);
            [sum[0] + c[0] * power, sum[1] + c[1] * power]
        })
    }

    #[test]
    fn every_pixel_goes_where_the_polynomial_says() {
        let about = PixelXy { x_px: 700.0, y_px: 650.0 };
        let once = plain().bent(about, &CUBIC).unwrap();
        let twice = once.bent(PixelXy { x_px: 100.0, y_px: 50.0 }, &CUBIC).unwrap();
        assert_eq!((plain().sip_order(), once.sip_order(), twice.sip_order()), (None, Some(3), Some(3)));
        for (x_px, y_px) in [(0.0, 0.0), (1400.0, 0.0), (690.0, 1310.0), (-300.0, 2000.0)] {
            let at = PixelXy { x_px, y_px };
            for (got, expected) in [
                (once.plane_deg(at), defined(&plain(), about, &CUBIC, at)),
                (twice.plane_deg(at), defined(&once, PixelXy { x_px: 100.0, y_px: 50.0 }, &CUBIC, at)),
            ] {
                assert!((got[0] - expected[0]).hypot(got[1] - expected[1]) < 1e-12, "{at:?}: {got:?} {expected:?}");
            }
        }
    }

    #[test]
    fn a_linear_change_keeps_the_plane_plain() {
        let about = PixelXy { x_px: 700.0, y_px: 650.0 };
        assert_eq!(plain().bent(about, &CUBIC[..2]).unwrap().sip_order(), None);
        assert_eq!(plain().bent(about, &[]).unwrap(), plain());
        let gone = [((1, 0), [3e-4, -1e-4]), ((0, 1), [-1e-4, -3e-4])];
        assert!(matches!(plain().bent(about, &gone), Err(SkyError::SingularMatrix { .. })));
    }
}
