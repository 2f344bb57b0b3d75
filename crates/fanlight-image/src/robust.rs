//! Order statistics that a few bad values cannot pull: median, MAD, percentiles, a clipped mean.
//!
//! NaN always means "missing" and is ignored. Every function returns `None` when nothing is left.

/// 1/Φ⁻¹(3/4): turns the median absolute deviation of a normal sample into its standard deviation.
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// How outliers are cut from a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClipConfig {
    /// Values further than `kappa` robust sigmas from the median are dropped.
    pub kappa: f32,
    /// Rounds of cutting at most; 0 keeps every value.
    pub rounds: usize,
}

impl Default for ClipConfig {
    fn default() -> Self {
        Self { kappa: 3.0, rounds: 5 }
    }
}

/// What [`clipped`] found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClippedStats {
    /// Mean of the values kept.
    pub mean: f64,
    /// Their median.
    pub median: f64,
    /// Their sample standard deviation (n − 1); 0 for a single value.
    pub sigma: f64,
    /// How many were kept.
    pub n: usize,
}

/// Median; the mean of the two middle values when their number is even. Reorders `values`.
pub fn median(values: &mut [f32]) -> Option<f32> {
    let n = drop_nan(values, |v| v.is_nan());
    median_of(&mut values[..n])
}

/// [`median`] of values without NaN, faster where a good guess is at hand: first only those from `low` to under `high` are looked
/// through. The guess has no part in the result. `room` is overwritten.
pub fn median_guessed(values: &[f32], low: f32, high: f32, room: &mut Vec<f32>) -> Option<f32> {
    let n = values.len();
    room.clear();
    room.resize(n, 0.0);
    let (mut below, mut kept) = (0, 0);
    for value in values {
        // no branch: kept is under n here, since it grows by at most 1 a value
        room[kept] = *value;
        below += usize::from(*value < low);
        kept += usize::from(*value >= low && *value < high);
    }
    // the middle value, or the two of them
    if n > 0 && below <= (n - 1) / 2 && n / 2 < below + kept {
        let middle = n / 2 - below;
        let (lesser, &mut upper, _) = room[..kept].select_nth_unstable_by(middle, f32::total_cmp);
        if n % 2 == 1 {
            return Some(upper);
        }
        let lower = lesser.iter().copied().max_by(f32::total_cmp)?;
        return Some((0.5 * (f64::from(lower) + f64::from(upper))) as f32);
    }
    room.copy_from_slice(values);
    median(room)
}

/// Of (value, weight) pairs the value with half of the weight on either side; `None` without any.
pub fn weighted_median(mut values: Vec<(f64, f64)>) -> Option<f64> {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * values.iter().map(|v| v.1).sum::<f64>();
    let mut sum = 0.0;
    values
        .iter()
        .find(|v| {
            sum += v.1;
            sum >= half
        })
        .map(|v| v.0)
}

/// Median of double-precision values; see [`median`]. Reorders `values`.
pub fn median_f64(values: &mut [f64]) -> Option<f64> {
    let n = drop_nan(values, |v| v.is_nan());
    let values = &mut values[..n];
    if n == 0 {
        return None;
    }
    let (below, middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let upper = *middle;
    if n % 2 == 1 {
        return Some(upper);
    }
    below.iter().copied().max_by(f64::total_cmp).map(|lower| 0.5 * (lower + upper))
}

/// Standard deviation from the median absolute deviation about the median (1.4826 MAD). Overwrites `values`.
pub fn mad_sigma(values: &mut [f32]) -> Option<f32> {
    let n = drop_nan(values, |v| v.is_nan());
    let values = &mut values[..n];
    let centre = median_of(values)?;
    for v in values.iter_mut() {
        *v = (*v - centre).abs();
    }
    median_of(values).map(|mad| (MAD_TO_SIGMA * f64::from(mad)) as f32)
}

/// Double-precision version of [`mad_sigma`]. Overwrites `values`.
pub fn mad_sigma_f64(values: &mut [f64]) -> Option<f64> {
    let centre = median_f64(values)?;
    for v in values.iter_mut() {
        *v = (*v - centre).abs();
    }
    median_f64(values).map(|mad| MAD_TO_SIGMA * mad)
}

/// The value below which `percent` (0–100, cut to that range) of the values lie, linear between neighbours: for
/// sorted values `v[0..n]` the one at place `(n − 1)·percent/100`. Reorders `values`.
///
/// # Source
/// Hyndman & Fan 1996, The American Statistician 50, 361, definition 7 (numpy's default).
pub fn percentile(values: &mut [f32], percent: f64) -> Option<f32> {
    let n = drop_nan(values, |v| v.is_nan());
    let values = &mut values[..n];
    // the ends need no sorting
    if n > 0 && percent <= 0.0 {
        return Some(extreme(values, |a, b| a < b));
    }
    if n > 0 && percent >= 100.0 {
        return Some(extreme(values, |a, b| a > b));
    }
    let place = rank(n, percent)?;
    let index = place.floor() as usize;
    let (_, &mut low, above) = values.select_nth_unstable_by(index, f32::total_cmp);
    let high = above.iter().copied().min_by(f32::total_cmp).unwrap_or(low);
    Some((f64::from(low) + (f64::from(high) - f64::from(low)) * place.fract()) as f32)
}

/// Double-precision version of [`percentile`]. Reorders `values`.
pub fn percentile_f64(values: &mut [f64], percent: f64) -> Option<f64> {
    let n = drop_nan(values, |v| v.is_nan());
    let values = &mut values[..n];
    let place = rank(n, percent)?;
    let index = place.floor() as usize;
    let (_, &mut low, above) = values.select_nth_unstable_by(index, f64::total_cmp);
    let high = above.iter().copied().min_by(f64::total_cmp).unwrap_or(low);
    Some(low + (high - low) * place.fract())
}

/// Mean, median and scatter of the values within `kappa` robust sigmas (1.4826 MAD) of the median, found again in
/// every round until nothing more is cut.
///
/// # Accuracy
/// The scatter of a normal sample cut at ±3σ is 0.987 of σ (at ±2.5σ 0.95): it is not corrected for the cut.
pub fn clipped(values: &[f32], clip: ClipConfig) -> Option<ClippedStats> {
    let mut sorted: Vec<f32> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    sorted.sort_unstable_by(f32::total_cmp);
    let at = |i: usize| sorted[i];
    let cut = clip_sorted(sorted.len(), at, clip.rounds, |_, mad| f64::from(clip.kappa) * MAD_TO_SIGMA * mad)?;
    let kept = &sorted[cut.start..cut.end];
    let n = kept.len() as f64;
    let mean = kept.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let squares: f64 = kept.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum();
    let sigma = if kept.len() > 1 { (squares / (n - 1.0)).sqrt() } else { 0.0 };
    Some(ClippedStats { mean, median: cut.median, sigma, n: kept.len() })
}

/// The part of a sorted sample that clipping leaves, with its median and median absolute deviation.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SortedCut {
    pub start: usize,
    pub end: usize,
    pub median: f64,
    pub mad: f64,
}

/// Clips a sorted sample of `n` values, read through `at`, to within `reach(median, mad)` of its median, for at
/// most `rounds` rounds. The values kept are a contiguous part of the sorted ones, so nothing is moved.
#[inline]
pub(crate) fn clip_sorted(
    n: usize,
    at: impl Fn(usize) -> f32,
    rounds: usize,
    reach: impl Fn(f64, f64) -> f64,
) -> Option<SortedCut> {
    let (mut start, mut end) = (0, n);
    if n == 0 {
        return None;
    }
    let value = |i: usize| f64::from(at(i));
    let mut centre = sorted_centre(&value, start, end);
    for _ in 0..rounds {
        let limit = reach(centre.0, centre.1);
        let (mut new_start, mut new_end) = (start, end);
        while new_start + 1 < new_end && centre.0 - value(new_start) > limit {
            new_start += 1;
        }
        while new_end > new_start + 1 && value(new_end - 1) - centre.0 > limit {
            new_end -= 1;
        }
        if (new_start, new_end) == (start, end) {
            break;
        }
        (start, end) = (new_start, new_end);
        centre = sorted_centre(&value, start, end);
    }
    Some(SortedCut { start, end, median: centre.0, mad: centre.1 })
}

/// Median and median absolute deviation of `value(start..end)`, sorted ascending and not empty.
#[inline]
fn sorted_centre(value: &impl Fn(usize) -> f64, start: usize, end: usize) -> (f64, f64) {
    let n = end - start;
    let middle = start + n / 2;
    let median = if n % 2 == 1 { value(middle) } else { 0.5 * (value(middle - 1) + value(middle)) };
    // The k values nearest the median are neighbours in the sorted sample: bisect for where their run begins.
    let k = n.div_ceil(2);
    let (mut low, mut high) = (start, end - k);
    while low < high {
        let try_at = (low + high) / 2;
        if median - value(try_at) > value(try_at + k) - median {
            low = try_at + 1;
        } else {
            high = try_at;
        }
    }
    let kth = larger(median - value(low), value(low + k - 1) - median);
    if n % 2 == 1 {
        return (median, kth);
    }
    // An even number of deviations: the mean of the k-th and of the next, which is just outside the run.
    let before = if low > start { median - value(low - 1) } else { f64::INFINITY };
    let after = if low + k < end { value(low + k) - median } else { f64::INFINITY };
    (median, 0.5 * (kth + if before < after { before } else { after }))
}

#[inline]
fn larger(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// Median of values without NaN.
fn median_of(values: &mut [f32]) -> Option<f32> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f32::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f32::total_cmp)?;
    Some((0.5 * (f64::from(lower) + f64::from(upper))) as f32)
}

/// The value that comes before all others; eight are compared side by side. There is at least one, and no NaN.
fn extreme(values: &[f32], before: impl Fn(f32, f32) -> bool) -> f32 {
    let better = |a: f32, b: f32| if before(b, a) { b } else { a };
    let mut side = [values[0]; 8];
    let (blocks, rest) = values.as_chunks::<8>();
    for block in blocks {
        for (best, value) in side.iter_mut().zip(block) {
            *best = better(*best, *value);
        }
    }
    side.into_iter().chain(rest.iter().copied()).fold(values[0], better)
}

/// Moves the values that are not NaN to the front and returns how many they are.
fn drop_nan<T: Copy>(values: &mut [T], is_nan: impl Fn(T) -> bool) -> usize {
    let mut kept = 0;
    for i in 0..values.len() {
        if !is_nan(values[i]) {
            values.swap(kept, i);
            kept += 1;
        }
    }
    kept
}

fn rank(n: usize, percent: f64) -> Option<f64> {
    (n > 0 && !percent.is_nan()).then(|| (n - 1) as f64 * (percent / 100.0).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_of_the_weight_lies_on_either_side() {
        assert_eq!(weighted_median(vec![(3.0, 1.0), (1.0, 1.0), (2.0, 1.0)]), Some(2.0));
        assert_eq!(weighted_median(vec![(3.0, 5.0), (1.0, 1.0), (2.0, 1.0)]), Some(3.0));
        assert_eq!(weighted_median(Vec::new()), None);
    }
    use proptest::prelude::*;

    fn slow_median(values: &[f32]) -> Option<f32> {
        let mut v: Vec<f32> = values.iter().copied().filter(|v| !v.is_nan()).collect();
        v.sort_by(f32::total_cmp);
        let n = v.len();
        (n > 0).then(|| ((f64::from(v[(n - 1) / 2]) + f64::from(v[n / 2])) / 2.0) as f32)
    }

    /// Plain clipping: re-collect, re-sort, from the definition.
    fn slow_clipped(values: &[f32], clip: ClipConfig) -> Option<ClippedStats> {
        let mut v: Vec<f64> = values.iter().filter(|v| !v.is_nan()).map(|v| f64::from(*v)).collect();
        for _ in 0..clip.rounds {
            let m = median_f64(&mut v.clone())?;
            let s = mad_sigma_f64(&mut v.clone())?;
            let before = v.len();
            v.retain(|x| (x - m).abs() <= f64::from(clip.kappa) * s);
            if v.len() == before {
                break;
            }
        }
        let n = v.len() as f64;
        let mean = v.iter().sum::<f64>() / n;
        let sigma =
            if v.len() > 1 { (v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt() } else { 0.0 };
        Some(ClippedStats { mean, median: median_f64(&mut v.clone())?, sigma, n: v.len() })
    }

    #[test]
    fn nothing_left_is_none() {
        for empty in [&mut [][..], &mut [f32::NAN, f32::NAN][..]] {
            assert_eq!(median(empty), None);
            assert_eq!(mad_sigma(empty), None);
            assert_eq!(percentile(empty, 50.0), None);
            assert_eq!(clipped(empty, ClipConfig::default()), None);
        }
        assert_eq!(median_f64(&mut []), None);
        assert_eq!(percentile_f64(&mut [1.0], f64::NAN), None);
    }

    #[test]
    fn one_value_is_its_own_median() {
        assert_eq!(median(&mut [f32::NAN, 3.0]), Some(3.0));
        assert_eq!(mad_sigma(&mut [3.0]), Some(0.0));
        let one = clipped(&[3.0], ClipConfig::default()).unwrap();
        assert_eq!(one, ClippedStats { mean: 3.0, median: 3.0, sigma: 0.0, n: 1 });
    }

    #[test]
    fn known_values() {
        // astropy 8.0.2: mad_std([1, 2, 3, 4, 100]) = 1.482602218505602; numpy 2.4.6: percentile(.., 30) = 2.2.
        let v = [100.0_f32, 1.0, 4.0, f32::NAN, 2.0, 3.0];
        assert_eq!(median(&mut v.clone()), Some(3.0));
        assert_eq!(mad_sigma(&mut v.clone()), Some(1.482_602_2));
        assert_eq!(percentile(&mut v.clone(), 30.0), Some(2.2));
        assert_eq!(percentile(&mut v.clone(), 100.0), Some(100.0));
        assert_eq!(median_f64(&mut [4.0, 1.0, f64::NAN, 2.0, 3.0]), Some(2.5));
        let kept = clipped(&v, ClipConfig { kappa: 3.0, rounds: 5 }).unwrap();
        assert_eq!((kept.n, kept.mean), (4, 2.5));
    }

    proptest! {
        /// Whatever is guessed, the median is the same.
        #[test]
        fn a_guess_does_not_change_a_median(values in prop::collection::vec(-5f32..5.0, 0..40), low in -6f32..6.0, width in 0f32..6.0) {
            let guessed = median_guessed(&values, low, low + width, &mut vec![7.0; 3]);
            prop_assert_eq!(guessed, slow_median(&values));
        }

        /// The ends, found without sorting.
        #[test]
        fn ends_are_least_and_greatest(mut values in prop::collection::vec(-5f32..5.0, 1..40)) {
            let mut sorted = values.clone();
            sorted.sort_by(f32::total_cmp);
            prop_assert_eq!(percentile(&mut values, 0.0), sorted.first().copied());
            prop_assert_eq!(percentile(&mut values, 100.0), sorted.last().copied());
        }
    }

    proptest! {
        #[test]
        fn median_equals_sorting(mut v in prop::collection::vec(prop_oneof![9 => -1e6f32..1e6, 1 => Just(f32::NAN)], 0..60)) {
            let expected = slow_median(&v);
            prop_assert_eq!(median(&mut v), expected);
        }

        #[test]
        fn clipping_equals_the_definition(v in prop::collection::vec(prop_oneof![8 => -10f32..10.0, 1 => -1e4f32..1e4, 1 => Just(f32::NAN)], 1..50), kappa in 1.5f32..5.0, rounds in 0usize..6) {
            let clip = ClipConfig { kappa, rounds };
            match (clipped(&v, clip), slow_clipped(&v, clip)) {
                (Some(a), Some(b)) => {
                    prop_assert_eq!(a.n, b.n);
                    // Only the order of the f64 sums differs.
                    prop_assert!((a.mean - b.mean).abs() <= 1e-9 * (1.0 + b.mean.abs()) && a.median == b.median);
                    prop_assert!((a.sigma - b.sigma).abs() <= 1e-9 * (1.0 + b.sigma));
                }
                (a, b) => prop_assert_eq!(a, b),
            }
        }

        #[test]
        fn shift_and_scale(v in prop::collection::vec(-100i32..100, 1..40), offset in -50i32..50) {
            // Small integers: exact in f32, so equality is exact.
            let mut a: Vec<f32> = v.iter().map(|x| *x as f32).collect();
            let mut b: Vec<f32> = v.iter().map(|x| (2 * x + offset) as f32).collect();
            prop_assert_eq!(2.0 * median(&mut a).unwrap() + offset as f32, median(&mut b).unwrap());
            let (sa, sb) = (mad_sigma(&mut a).unwrap(), mad_sigma(&mut b).unwrap());
            prop_assert!((2.0 * sa - sb).abs() <= 1e-5 * sb.abs());
        }
    }
}
