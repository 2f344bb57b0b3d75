//! A smooth curve through the values of rings.

/// A cubic through knots that overshoots none of them and has no kink.
///
/// # Source
/// Slopes: Fritsch & Butland 1984, SIAM Journal on Scientific and Statistical Computing 5, 300 (weighted harmonic mean of the two
/// secants, 0 at an extreme); at the ends the secant.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Spline {
    places: Vec<f64>,
    /// Coefficients of 1, t, t² and t³ from each knot on, the last one's too.
    pieces: Vec<[f64; 4]>,
    /// Where the curve is known; beyond the knots it is straight.
    range: (f64, f64),
}

impl Spline {
    /// Through (place, value) with ascending places, known over `range`. Of places that rounding made alike the first counts.
    pub(super) fn new(knots: &[(f64, f64)], range: (f64, f64)) -> Self {
        let mut knots = knots.to_vec();
        knots.dedup_by(|later, earlier| later.0 <= earlier.0);
        let n = knots.len();
        let step = |i: usize| knots[i + 1].0 - knots[i].0;
        let secant = |i: usize| (knots[i + 1].1 - knots[i].1) / step(i);
        let slope = |i: usize| match (i, n) {
            (_, 1) => 0.0,
            (0, _) => secant(0),
            (i, n) if i + 1 == n => secant(n - 2),
            _ => {
                let (before, after) = (secant(i - 1), secant(i));
                if before * after <= 0.0 {
                    return 0.0;
                }
                let (w1, w2) = (2.0 * step(i) + step(i - 1), step(i) + 2.0 * step(i - 1));
                (w1 + w2) / (w1 / before + w2 / after)
            }
        };
        let piece = |i: usize| {
            let (value, from) = (knots[i].1, slope(i));
            if i + 1 == n {
                return [value, from, 0.0, 0.0];
            }
            let (h, s, to) = (step(i), secant(i), slope(i + 1));
            [value, from, (3.0 * s - 2.0 * from - to) / h, (from + to - 2.0 * s) / (h * h)]
        };
        Self { places: knots.iter().map(|k| k.0).collect(), pieces: (0..n).map(piece).collect(), range }
    }

    /// The value at a place; `None` outside the range. `cursor` is where the last place was, in this curve or one of
    /// about the same knots, which makes neighbours fast.
    #[inline]
    pub(super) fn at(&self, place: f64, cursor: &mut usize) -> Option<f64> {
        if self.places.is_empty() || !(place >= self.range.0 && place <= self.range.1) {
            return None;
        }
        let mut i = (*cursor).min(self.places.len() - 1);
        while i > 0 && self.places[i] > place {
            i -= 1;
        }
        while i + 1 < self.places.len() && self.places[i + 1] <= place {
            i += 1;
        }
        *cursor = i;
        let t = place - self.places[i];
        let [c0, c1, c2, c3] = self.pieces[i];
        // Before the first knot straight on, as after the last.
        Some(if t < 0.0 { c0 + t * c1 } else { c0 + t * (c1 + t * (c2 + t * c3)) })
    }
}

/// Curves through knots at the same places, made ready for many places near each other, as the pixels of an image; single
/// precision.
pub(super) struct Lookup<const N: usize> {
    /// The piece that each cell of places begins in.
    cells: Vec<u32>,
    pieces: Vec<Piece<N>>,
}

/// One cubic of each curve, from a place up to the next piece's.
struct Piece<const N: usize> {
    until: f32,
    /// What `coefficients` of 1, t, t² and t³ are counted from.
    origin: f32,
    coefficients: [[f32; 4]; N],
}

/// Cells of a [`Lookup`] per unit of place: rings half a pixel wide or wider mostly leave no more than one knot to a cell.
const CELLS_PER_PX: f32 = 8.0;

impl<const N: usize> Lookup<N> {
    /// For places from 0 to `farthest`. All curves have the knots and the range of the first.
    pub(super) fn new(curves: [&Spline; N], farthest: f64) -> Self {
        let Spline { places, range, .. } = curves[0];
        let single = |c: [f64; 4]| c.map(|c| c as f32);
        let absent = |until| Piece { until, origin: 0.0, coefficients: [[f32::NAN; 4]; N] };
        let Some(first) = places.first() else { return Self { cells: vec![0], pieces: vec![absent(f32::INFINITY)] } };
        // straight on before the first knot
        let straight = curves.map(|c| single([c.pieces[0][0], c.pieces[0][1], 0.0, 0.0]));
        let last = (range.1 as f32).next_up();
        let mut pieces = vec![absent(range.0 as f32)];
        pieces.push(Piece { until: *first as f32, origin: *first as f32, coefficients: straight });
        for (i, origin) in places.iter().enumerate() {
            let until = places.get(i + 1).map_or(last, |p| *p as f32);
            let coefficients = curves.map(|c| single(c.pieces[i]));
            pieces.push(Piece { until: if until < last { until } else { last }, origin: *origin as f32, coefficients });
        }
        pieces.push(absent(f32::INFINITY));
        let mut piece = 0;
        let cells = (0..(farthest as f32 * CELLS_PER_PX) as usize + 2).map(|cell| {
            while cell as f32 / CELLS_PER_PX >= pieces[piece].until {
                piece += 1;
            }
            piece as u32
        });
        Self { cells: cells.collect(), pieces }
    }

    /// The curves at places that are numbers from 0 on; NaN outside the range.
    #[inline(always)]
    pub(super) fn fill(&self, places: &[f32], values: [&mut [f32]; N]) {
        let last = self.cells.len() - 1;
        for (i, place) in places.iter().enumerate() {
            let mut piece = self.cells[((place * CELLS_PER_PX) as i32 as usize).min(last)] as usize;
            piece += usize::from(*place >= self.pieces[piece].until);
            let mut found = &self.pieces[piece];
            while *place >= found.until {
                piece += 1;
                found = &self.pieces[piece];
            }
            let t = place - found.origin;
            for n in 0..N {
                let [c0, c1, c2, c3] = found.coefficients[n];
                values[n][i] = c0 + t * (c1 + t * (c2 + t * c3));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn value(spline: &Spline, place: f64) -> f64 {
        spline.at(place, &mut 0).unwrap()
    }

    #[test]
    fn straight_lines_and_knots_are_kept_and_the_range_is_the_end() {
        let knots: Vec<(f64, f64)> = [0.5, 1.25, 2.0, 4.5].iter().map(|x| (*x, 3.0 - 2.0 * x)).collect();
        let spline = Spline::new(&knots, (0.0, 5.0));
        for x in [0.0, 0.5, 0.9, 1.25, 3.0, 4.5, 5.0] {
            assert!((value(&spline, x) - (3.0 - 2.0 * x)).abs() < 1e-12);
        }
        assert_eq!((spline.at(-0.1, &mut 0), spline.at(5.1, &mut 0), spline.at(f64::NAN, &mut 0)), (None, None, None));
        assert_eq!(Spline::new(&[], (0.0, 1.0)).at(0.5, &mut 0), None);
        assert_eq!(value(&Spline::new(&[(1.0, 7.0)], (0.0, 2.0)), 1.7), 7.0);
    }

    proptest! {
        /// No value beyond those of the two knots it lies between; no step and no kink at a knot; any cursor gives the same.
        #[test]
        fn stays_between_its_knots(values in prop::collection::vec(-10f64..10.0, 3..12), place in 0f64..1.0, start in 0usize..20) {
            let last = (values.len() - 1) as f64;
            let knots: Vec<(f64, f64)> = values.iter().enumerate().map(|(i, v)| (i as f64, *v)).collect();
            let spline = Spline::new(&knots, (0.0, last));
            let x = place * last;
            let (a, b) = (values[x.floor() as usize], values[x.ceil() as usize]);
            let y = value(&spline, x);
            prop_assert!(y >= a.min(b) - 1e-9 && y <= a.max(b) + 1e-9);
            prop_assert_eq!(spline.at(x, &mut start.clone()), Some(y));
            for i in 1..values.len() - 1 {
                let (i, e) = (i as f64, 1e-6);
                let (low, mid, high) = (value(&spline, i - e), value(&spline, i), value(&spline, i + e));
                prop_assert!(((high - mid) - (mid - low)).abs() < 1e-9, "a kink at {}", i);
            }
        }
    }
}
