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

    /// The first knot from a place on.
    pub(super) fn first_knot(&self, place: f64) -> Option<f64> {
        self.places.get(self.places.partition_point(|p| *p < place)).copied()
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

/// Some curves made ready for many places, as the distances of an image's pixels; single precision.
pub(super) struct Lookup<const N: usize> {
    /// The piece that holds the first place of each cell; cell `k` reaches half a cell to either side of `k / CELLS_PER_PX`.
    cells: Vec<u32>,
    pieces: Vec<Piece<N>>,
}

/// One cubic of each curve, from where the piece before ends.
#[derive(Clone, Copy)]
struct Piece<const N: usize> {
    until: f32,
    cubics: [Cubic; N],
}

/// Coefficients of 1, t, t² and t³, t being counted from `origin`.
#[derive(Clone, Copy)]
struct Cubic {
    origin: f32,
    coefficients: [f32; 4],
}

impl Cubic {
    const ABSENT: Self = Self { origin: 0.0, coefficients: [f32::NAN; 4] };

    #[inline(always)]
    fn at(&self, place: f32) -> f32 {
        let t = place - self.origin;
        let [c0, c1, c2, c3] = self.coefficients;
        c0 + t * (c1 + t * (c2 + t * c3))
    }
}

/// Cells of a [`Lookup`] per unit of place: of rings half a pixel wide or wider, mostly no more than one knot falls in one.
const CELLS_PER_PX: f32 = 8.0;
/// Added to a number from 0 to 2²², it leaves the nearest whole number in the last bits.
const WHOLE: f32 = 8_388_608.0;

impl<const N: usize> Lookup<N> {
    /// For places from 0 to `farthest`, which is below 2¹⁹.
    pub(super) fn new(curves: [&Spline; N], farthest: f64) -> Self {
        let cubics = curves.map(Spline::cubics);
        let mut next = [0; N];
        let mut pieces: Vec<Piece<N>> = Vec::new();
        loop {
            let ends = |n: usize| cubics[n][next[n]].0;
            let until = (0..N).map(ends).fold(f32::INFINITY, |a, b| if b < a { b } else { a });
            pieces.push(Piece { until, cubics: std::array::from_fn(|n| cubics[n][next[n]].1) });
            if until == f32::INFINITY {
                break;
            }
            (0..N).for_each(|n| next[n] += cubics[n][next[n]..].iter().take_while(|c| c.0 <= until).count());
        }
        let mut piece = 0;
        let cells = (0..(farthest as f32 * CELLS_PER_PX) as usize + 2).map(|cell| {
            while (cell as f32 - 0.5) / CELLS_PER_PX >= pieces[piece].until {
                piece += 1;
            }
            piece as u32
        });
        Self { cells: cells.collect(), pieces }
    }

    /// The curves at places that are numbers from 0 on; NaN outside their range.
    #[inline(always)]
    pub(super) fn fill(&self, places: &[f32], mut values: [&mut [f32]; N]) {
        let last = self.cells.len() - 1;
        for (i, place) in places.iter().enumerate() {
            let cell = ((place * CELLS_PER_PX + WHOLE).to_bits() - WHOLE.to_bits()) as usize;
            let mut piece = self.cells[if cell < last { cell } else { last }] as usize;
            piece += usize::from(*place >= self.pieces[piece].until);
            let mut found = &self.pieces[piece];
            while *place >= found.until {
                piece += 1;
                found = &self.pieces[piece];
            }
            for (values, cubic) in values.iter_mut().zip(&found.cubics) {
                values[i] = cubic.at(*place);
            }
        }
    }
}

impl Lookup<1> {
    /// The curve at places that all are near each other, as those of a ring: fast for few pieces.
    #[inline(always)]
    pub(super) fn fill_near(&self, places: &[f32], values: &mut [f32]) {
        let (mut low, mut high) = (f32::INFINITY, 0.0);
        for place in places {
            low = if *place < low { *place } else { low };
            high = if *place > high { *place } else { high };
        }
        let first = self.pieces.partition_point(|p| p.until <= low);
        let mut from = low;
        for piece in &self.pieces[first..] {
            for (value, place) in values.iter_mut().zip(places) {
                *value = if *place >= from { piece.cubics[0].at(*place) } else { *value };
            }
            from = piece.until;
            if from > high {
                break;
            }
        }
    }
}

impl Spline {
    /// Its pieces to single precision, each with its end, from 0 on.
    fn cubics(&self) -> Vec<(f32, Cubic)> {
        let Some(first) = self.places.first() else { return vec![(f32::INFINITY, Cubic::ABSENT)] };
        let cubic = |origin: f64, c: [f64; 4]| Cubic { origin: origin as f32, coefficients: c.map(|c| c as f32) };
        let [value, slope, ..] = self.pieces[0];
        let end = (self.range.1 as f32).next_up();
        // straight on before the first knot
        let mut all =
            vec![(self.range.0 as f32, Cubic::ABSENT), (*first as f32, cubic(*first, [value, slope, 0.0, 0.0]))];
        for (i, (origin, piece)) in self.places.iter().zip(&self.pieces).enumerate() {
            let until = self.places.get(i + 1).map_or(end, |p| *p as f32);
            all.push((if until < end { until } else { end }, cubic(*origin, *piece)));
        }
        all.push((f32::INFINITY, Cubic::ABSENT));
        all
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

    /// The table gives what the curves do, whatever their knots and ranges, to single precision.
    #[test]
    fn a_lookup_gives_the_curves() {
        let wavy =
            |n: usize, step: f64| (0..n).map(|i| (0.4 + step * i as f64, (i as f64 * 0.7).sin())).collect::<Vec<_>>();
        let crowded = [(3.0, 1.0), (3.01, 2.0), (3.02, 1.5), (3.03, 4.0), (9.0, 0.0)];
        let curves = [
            Spline::new(&wavy(20, 1.03), (0.0, 18.5)),
            Spline::new(&wavy(9, 2.2), (1.0, 19.0)),
            Spline::new(&crowded, (2.0, 9.0)),
            Spline::new(&[], (0.0, 30.0)),
        ];
        let lookup = Lookup::new(curves.each_ref(), 21.0);
        let places: Vec<f32> = (0..21_000).map(|i| i as f32 * 1e-3).collect();
        let mut values = [0; 4].map(|_| vec![0.0; places.len()]);
        lookup.fill(&places, values.each_mut().map(|v| &mut v[..]));
        let same = |a: f32, b: Option<f64>| match b {
            Some(b) => (f64::from(a) - b).abs() < 3e-5,
            None => a.is_nan(),
        };
        for (values, curve) in values.iter().zip(&curves) {
            for (value, place) in values.iter().zip(&places) {
                // where the range ends only to rounding
                let at_end = [curve.range.0, curve.range.1].iter().any(|e| (f64::from(*place) - e).abs() < 1e-6);
                assert!(at_end || same(*value, curve.at(f64::from(*place), &mut 0)), "{value} at {place}");
            }
        }
        for near in places.chunks(700) {
            let mut values = vec![0.0; near.len()];
            Lookup::new([&curves[2]], 21.0).fill_near(near, &mut values);
            let mut expected = vec![0.0; near.len()];
            Lookup::new([&curves[2]], 21.0).fill(near, [&mut expected]);
            assert!(values.iter().zip(&expected).all(|(a, b)| a == b || (a.is_nan() && b.is_nan())));
        }
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
