//! Robust weighted combination of many registered frames into one, with sub-stacks from the same samples.
//!
//! For every pixel: the median and the median absolute deviation of the samples, found again after outliers are cut,
//! for a few rounds; then each sample is kept or dropped by its own error; then the weighted mean of those kept, its
//! propagated variance, and the same for each group of frames.

// Loops over lanes are written with their index: zips of five arrays neither read better nor vectorise.
#![allow(clippy::needless_range_loop)]

use crate::{robust, wide};
use rayon::prelude::*;

mod network;

/// Pixels worked on side by side: enough for whole vector registers, few enough that 60 samples stay in the first
/// level of cache.
const LANES: usize = 32;
/// Pixels of one parallel task in [`combine_rows`].
const TASK_PIXELS: usize = 64 * LANES;

/// The samples of a run of pixels: one value per frame and pixel.
#[derive(Debug, Clone, Copy)]
pub struct RowSamples<'a> {
    /// Per frame, the values of the run; NaN (or infinite) where missing.
    pub values: &'a [&'a [f32]],
    /// Per frame, the variances of the values; a sample whose variance is not finite is missing. 0 is unknown.
    pub variances: &'a [&'a [f32]],
    /// Per frame, its weight in the mean: finite and above 0, or the frame is left out.
    pub weights: &'a [f32],
    /// Per frame, the sub-stack that it belongs to, below `n_groups`; a larger number belongs to none.
    pub group: &'a [usize],
    /// How many sub-stacks there are; may be 0.
    pub n_groups: usize,
}

/// How outliers are recognised.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CombineConfig {
    /// A sample is dropped when it lies further than `kappa` sigmas (and the tolerance) from the median.
    pub kappa: f32,
    /// Rounds of finding the median and the scatter, at most; 0 keeps every sample.
    pub rounds: usize,
    /// Allowed beyond that, as a share of |median|: changes of seeing on steep light are not outliers.
    pub relative_tolerance: f32,
}

impl Default for CombineConfig {
    fn default() -> Self {
        Self { kappa: 4.0, rounds: 3, relative_tolerance: 0.05 }
    }
}

/// Combined values of a run of pixels.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RowOut {
    /// Weighted mean of the samples kept; NaN where there is none.
    pub mean: Vec<f32>,
    /// Variance of the mean, Σw²v/(Σw)²; NaN where there is none.
    pub variance: Vec<f32>,
    /// How many samples were kept.
    pub n_used: Vec<u16>,
    /// Per sub-stack, the weighted mean of its samples kept; NaN where it has none.
    pub group_mean: Vec<Vec<f32>>,
    /// Per sub-stack, the variance of that mean; NaN where it has none.
    pub group_variance: Vec<Vec<f32>>,
}

impl RowOut {
    /// Room for a run of `n_pixels`, to be reused from run to run.
    pub fn new(n_pixels: usize, n_groups: usize) -> Self {
        let empty = || vec![f32::NAN; n_pixels];
        Self {
            mean: empty(),
            variance: empty(),
            n_used: vec![0; n_pixels],
            group_mean: (0..n_groups).map(|_| empty()).collect(),
            group_variance: (0..n_groups).map(|_| empty()).collect(),
        }
    }
}

/// Combines a run of pixels on this thread; `out` is resized to fit.
///
/// The run is as long as the shortest row of samples; frames beyond the shortest of the lists are not used.
///
/// A sample is dropped when |value − median| > `kappa`·max(σ, s) + `relative_tolerance`·|median|, where σ is the
/// sample's own error and s the scatter of the pixel's samples: 1.4826 MAD, made right for small samples. With fewer than
/// 3 samples nothing is dropped. In the rounds before, the root mean variance of the samples stands for σ.
///
/// # Source
/// Small-sample factors of the MAD: Croux & Rousseeuw 1992, Computational Statistics 1, 411.
///
/// # Accuracy
/// Means equal those of `astropy.stats.sigma_clip` to single-precision rounding (`tests/it/combine.rs`); variances are
/// good to 4e-6.
pub fn combine_row(samples: &RowSamples, config: &CombineConfig, out: &mut RowOut) {
    let run = Run::new(samples, config);
    fit(out, run.n_pixels, samples.n_groups);
    run.combine(0, &mut RunOut::of(out));
}

/// Combines a run of pixels, usually several rows one after another, on all threads. The same bits as
/// [`combine_row`].
pub fn combine_rows(samples: &RowSamples, config: &CombineConfig, out: &mut RowOut) {
    let run = Run::new(samples, config);
    fit(out, run.n_pixels, samples.n_groups);
    RunOut::of(out).split(TASK_PIXELS).into_par_iter().enumerate().for_each(|(i, mut part)| {
        run.combine(i * TASK_PIXELS, &mut part);
    });
}

fn fit(out: &mut RowOut, n_pixels: usize, n_groups: usize) {
    if out.mean.len() != n_pixels || out.group_mean.len() != n_groups {
        *out = RowOut::new(n_pixels, n_groups);
    }
}

/// Borrowed parts of a [`RowOut`].
struct RunOut<'a> {
    mean: &'a mut [f32],
    variance: &'a mut [f32],
    n_used: &'a mut [u16],
    groups: Vec<(&'a mut [f32], &'a mut [f32])>,
}

impl<'a> RunOut<'a> {
    fn of(out: &'a mut RowOut) -> Self {
        let groups = out.group_mean.iter_mut().zip(out.group_variance.iter_mut());
        Self {
            mean: &mut out.mean,
            variance: &mut out.variance,
            n_used: &mut out.n_used,
            groups: groups.map(|(m, v)| (m.as_mut_slice(), v.as_mut_slice())).collect(),
        }
    }

    fn split(self, pixels: usize) -> Vec<RunOut<'a>> {
        let heads =
            self.mean.chunks_mut(pixels).zip(self.variance.chunks_mut(pixels)).zip(self.n_used.chunks_mut(pixels));
        let mut parts: Vec<RunOut> =
            heads.map(|((mean, variance), n_used)| RunOut { mean, variance, n_used, groups: Vec::new() }).collect();
        for (mean, variance) in self.groups {
            let chunks = mean.chunks_mut(pixels).zip(variance.chunks_mut(pixels));
            parts.iter_mut().zip(chunks).for_each(|(part, chunk)| part.groups.push(chunk));
        }
        parts
    }
}

/// One frame's samples.
struct Source<'a> {
    values: &'a [f32],
    variances: &'a [f32],
    weight: f32,
    group: usize,
}

/// What is the same for every block of a run.
struct Run<'a> {
    sources: Vec<Source<'a>>,
    n_pixels: usize,
    n_groups: usize,
    config: CombineConfig,
    network: Vec<(u16, u16)>,
    /// By number of samples: what 1.4826 MAD is multiplied by.
    scatter_factor: Vec<f64>,
}

/// Working store of one block, lane by lane.
struct Block {
    sorted: Vec<[f32; LANES]>,
    /// Median of the samples left by clipping: sums are taken about it.
    median: [f32; LANES],
    /// Square of the scatter; infinite where nothing is to be dropped.
    scatter2: [f32; LANES],
    /// What a sample may lie off before errors are looked at.
    tolerance: [f32; LANES],
}

/// Sums of one group, lane by lane. Values are summed as deviations from the median, so that single precision
/// costs a millionth of the scatter and not of the value.
#[derive(Clone)]
struct Sums {
    weight: [f32; LANES],
    deviation: [f32; LANES],
    variance: [f32; LANES],
    n: [u32; LANES],
}

impl Sums {
    const ZERO: Self = Self { weight: [0.0; LANES], deviation: [0.0; LANES], variance: [0.0; LANES], n: [0; LANES] };

    #[inline(always)]
    fn add(&mut self, other: &Self) {
        for i in 0..LANES {
            self.weight[i] += other.weight[i];
            self.deviation[i] += other.deviation[i];
            self.variance[i] += other.variance[i];
            self.n[i] += other.n[i];
        }
    }

    fn store(&self, median: &[f32; LANES], mean: &mut [f32], variance: &mut [f32]) {
        for (i, (mean, variance)) in mean.iter_mut().zip(variance).enumerate() {
            // 0/0 where no sample is left: NaN, as documented.
            let weight = f64::from(self.weight[i]);
            *mean = (f64::from(median[i]) + f64::from(self.deviation[i]) / weight) as f32;
            *variance = (f64::from(self.variance[i]) / (weight * weight)) as f32;
        }
    }
}

impl<'a> Run<'a> {
    fn new(samples: &RowSamples<'a>, config: &CombineConfig) -> Self {
        let frames = samples.values.iter().zip(samples.variances).zip(samples.weights).zip(samples.group);
        let sources: Vec<Source> = frames
            .filter(|((_, weight), _)| weight.is_finite() && **weight > 0.0)
            .map(|(((values, variances), weight), group)| Source {
                values,
                variances,
                weight: *weight,
                group: if *group < samples.n_groups { *group } else { samples.n_groups },
            })
            .collect();
        let shortest = |rows: &[&[f32]]| rows.iter().map(|r| r.len()).min().unwrap_or(0);
        let n_pixels = shortest(samples.values).min(shortest(samples.variances));
        let n = sources.len();
        Self {
            sources,
            n_pixels,
            n_groups: samples.n_groups,
            config: *config,
            network: network::odd_even_merge_sort(n),
            scatter_factor: (0..=n).map(|n| robust::MAD_TO_SIGMA * small_sample_factor(n)).collect(),
        }
    }

    /// Combines the pixels from `start` on, as many as `out` holds.
    fn combine(&self, start: usize, out: &mut RunOut) {
        wide(
            #[inline(always)]
            || self.combine_lanes(start, out),
        );
    }

    #[inline(always)]
    fn combine_lanes(&self, start: usize, out: &mut RunOut) {
        let mut block = Block {
            sorted: vec![[0.0; LANES]; self.sources.len()],
            median: [0.0; LANES],
            scatter2: [f32::INFINITY; LANES],
            tolerance: [0.0; LANES],
        };
        let mut groups = vec![Sums::ZERO; self.n_groups + 1];
        for first in (0..out.mean.len()).step_by(LANES) {
            let lanes = LANES.min(out.mean.len() - first);
            let at = start + first;
            self.limits(at, lanes, &mut block);
            groups.fill(Sums::ZERO);
            for source in &self.sources {
                self.accumulate(source, at, lanes, &block, &mut groups[source.group]);
            }
            let mut total = Sums::ZERO;
            groups.iter().for_each(|g| total.add(g));
            let part = first..first + lanes;
            total.store(&block.median, &mut out.mean[part.clone()], &mut out.variance[part.clone()]);
            for (n_used, n) in out.n_used[part.clone()].iter_mut().zip(total.n) {
                *n_used = n as u16;
            }
            for ((mean, variance), sums) in out.groups.iter_mut().zip(&groups) {
                sums.store(&block.median, &mut mean[part.clone()], &mut variance[part.clone()]);
            }
        }
    }

    /// Median and scatter of each lane's samples, outliers cut.
    #[inline(always)]
    fn limits(&self, at: usize, lanes: usize, block: &mut Block) {
        let mut count = [0u32; LANES];
        let mut variance_sum = [0.0_f32; LANES];
        for (source, row) in self.sources.iter().zip(block.sorted.iter_mut()) {
            let (values, variances) = source.lanes(at, lanes);
            let mut good = [0u32; LANES];
            for i in 0..LANES {
                good[i] = select(values[i].abs() < f32::INFINITY) & select(variances[i].abs() < f32::INFINITY);
            }
            for i in 0..LANES {
                // Missing samples sort behind all others.
                row[i] = f32::from_bits((values[i].to_bits() & good[i]) | (f32::INFINITY.to_bits() & !good[i]));
            }
            for i in 0..LANES {
                count[i] += good[i] & 1;
                variance_sum[i] += f32::from_bits(variances[i].to_bits() & good[i]);
            }
        }
        network::sort_lanes(&mut block.sorted, &self.network);
        let (kappa, tolerance) = (f64::from(self.config.kappa), f64::from(self.config.relative_tolerance));
        for i in 0..lanes {
            let n = count[i] as usize;
            let known = (f64::from(variance_sum[i]) / n as f64).sqrt();
            // The sample shrinks as outliers go, but its factor hardly changes: that of the whole sample serves.
            let factor = self.scatter_factor[n];
            let reach = |median: f64, mad: f64| {
                let scatter = factor * mad;
                kappa * if scatter > known { scatter } else { known } + tolerance * median.abs()
            };
            // The last round is the judgement of each sample by its own error.
            let clip = n >= 3 && self.config.rounds > 0;
            let rounds = if clip { self.config.rounds - 1 } else { 0 };
            let sorted = &block.sorted;
            if let Some(cut) = robust::clip_sorted(n, |k| sorted[k][i], rounds, reach) {
                block.median[i] = cut.median as f32;
                block.scatter2[i] = if clip { (factor * cut.mad).powi(2) as f32 } else { f32::INFINITY };
                block.tolerance[i] = (tolerance * cut.median.abs()) as f32;
            }
        }
    }

    /// Adds one frame's samples that lie within their limits.
    #[inline(always)]
    fn accumulate(&self, source: &Source, at: usize, lanes: usize, block: &Block, sums: &mut Sums) {
        let (values, variances) = source.lanes(at, lanes);
        let kappa2 = self.config.kappa * self.config.kappa;
        let (weight, weight2) = (source.weight, source.weight * source.weight);
        let (median, scatter2, tolerance) = (block.median, block.scatter2, block.tolerance);
        let mut keep = [0u32; LANES];
        let mut deviation = [0.0_f32; LANES];
        for i in 0..LANES {
            deviation[i] = values[i] - median[i];
            let beyond = deviation[i].abs() - tolerance[i];
            let beyond = if beyond > 0.0 { beyond } else { 0.0 };
            let variance = if variances[i] > scatter2[i] { variances[i] } else { scatter2[i] };
            let inside = beyond * beyond <= kappa2 * variance;
            keep[i] =
                select(inside) & select(values[i].abs() < f32::INFINITY) & select(variances[i].abs() < f32::INFINITY);
        }
        let kept = |value: f32, i: usize| f32::from_bits(value.to_bits() & keep[i]);
        for i in 0..LANES {
            sums.weight[i] += kept(weight, i);
        }
        for i in 0..LANES {
            sums.deviation[i] += weight * kept(deviation[i], i);
        }
        for i in 0..LANES {
            sums.variance[i] += weight2 * kept(variances[i], i);
        }
        for i in 0..LANES {
            sums.n[i] += keep[i] & 1;
        }
    }
}

impl Source<'_> {
    /// The samples of one block, lanes beyond it NaN. Copies, so that the loops over them vectorise.
    #[inline(always)]
    fn lanes(&self, at: usize, lanes: usize) -> ([f32; LANES], [f32; LANES]) {
        let copy = |row: &[f32]| match row[at..].first_chunk::<LANES>() {
            Some(whole) if lanes == LANES => *whole,
            _ => {
                let mut part = [f32::NAN; LANES];
                part[..lanes].copy_from_slice(&row[at..at + lanes]);
                part
            }
        };
        (copy(self.values), copy(self.variances))
    }
}

/// All bits set for a condition that holds: masks vectorise where branches do not.
#[inline(always)]
fn select(condition: bool) -> u32 {
    if condition { u32::MAX } else { 0 }
}

/// What makes 1.4826 MAD of `n` normal values right on average.
fn small_sample_factor(n: usize) -> f64 {
    const SMALL: [f64; 10] = [1.0, 1.0, 1.196, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107];
    SMALL.get(n).copied().unwrap_or(n as f64 / (n as f64 - 0.8))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// One pixel from the definition, in double precision.
    struct Slow {
        mean: f64,
        variance: f64,
        n: usize,
        groups: Vec<(f64, f64)>,
        /// Smallest distance of a sample from the limit it was judged by, relative to it.
        margin: f64,
        /// Largest absolute value among the samples kept: what single-precision sums are good to.
        largest: f64,
    }

    fn slow(samples: &RowSamples, config: &CombineConfig, pixel: usize) -> Slow {
        let (kappa, tolerance) = (f64::from(config.kappa), f64::from(config.relative_tolerance));
        let sample = |i: usize| (f64::from(samples.values[i][pixel]), f64::from(samples.variances[i][pixel]));
        let good: Vec<usize> = (0..samples.values.len())
            .filter(|i| sample(*i).0.is_finite() && sample(*i).1.is_finite() && samples.weights[*i] > 0.0)
            .collect();
        let n = good.len();
        let known = (good.iter().map(|i| sample(*i).1).sum::<f64>() / n as f64).sqrt();
        let mut kept = good.clone();
        let mut margin = f64::INFINITY;
        for round in 0..if n < 3 { 0 } else { config.rounds } {
            let mut v: Vec<f64> = kept.iter().map(|i| sample(*i).0).collect();
            let median = robust::median_f64(&mut v.clone()).unwrap();
            let scatter = robust::mad_sigma_f64(&mut v).unwrap() * small_sample_factor(n);
            let last = round + 1 == config.rounds;
            let mut inside = |i: usize| {
                let sigma = if last { sample(i).1.sqrt() } else { known };
                let limit = kappa * sigma.max(scatter) + tolerance * median.abs();
                let distance = (sample(i).0 - median).abs();
                margin = margin.min((distance - limit).abs() / (limit + distance + 1e-30));
                distance <= limit
            };
            // The last round judges every sample by its own error; those before only find the median and scatter.
            kept = if last { good.clone() } else { kept }.into_iter().filter(|i| inside(*i)).collect();
        }
        let sums = |group: Option<usize>| {
            let used = kept.iter().filter(|i| group.is_none_or(|g| samples.group[**i] == g));
            let (mut w, mut wv, mut wwv) = (0.0, 0.0, 0.0);
            for &i in used {
                let weight = f64::from(samples.weights[i]);
                w += weight;
                wv += weight * sample(i).0;
                wwv += weight * weight * sample(i).1;
            }
            (wv / w, wwv / (w * w))
        };
        let (mean, variance) = sums(None);
        let largest = kept.iter().map(|i| sample(*i).0.abs()).fold(0.0, f64::max);
        Slow {
            mean,
            variance,
            n: kept.len(),
            largest,
            groups: (0..samples.n_groups).map(|g| sums(Some(g))).collect(),
            margin,
        }
    }

    fn same(a: f32, b: f64, scale: f64) -> bool {
        (a.is_nan() && b.is_nan()) || (f64::from(a) - b).abs() <= 1e-6 * scale
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]
        #[test]
        fn equals_the_definition(
            n in 0usize..40,
            pixels in 1usize..70,
            seed: u64,
            (kappa, rounds, relative_tolerance) in (1.5f32..5.0, 0usize..5, prop_oneof![Just(0.0f32), 0.0f32..0.1]),
            n_groups in 0usize..4,
        ) {
            use rand::{Rng, SeedableRng};
            let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
            let mut value = |_| match rng.random_range(0..20) {
                0 => f32::NAN,
                1 => rng.random_range(-1000.0..1000.0),
                _ => 100.0 + rng.random_range(-5.0f32..5.0),
            };
            let values: Vec<Vec<f32>> = (0..n).map(|_| (0..pixels).map(&mut value).collect()).collect();
            let variances: Vec<Vec<f32>> =
                (0..n).map(|_| (0..pixels).map(|_| rng.random_range(0.0..20.0)).collect()).collect();
            let weights: Vec<f32> = (0..n).map(|_| rng.random_range(0.0..3.0)).collect();
            let group: Vec<usize> = (0..n).map(|i| i % 3).collect();
            let v: Vec<&[f32]> = values.iter().map(Vec::as_slice).collect();
            let s: Vec<&[f32]> = variances.iter().map(Vec::as_slice).collect();
            let samples = RowSamples { values: &v, variances: &s, weights: &weights, group: &group, n_groups };
            let config = CombineConfig { kappa, rounds, relative_tolerance };
            let mut out = RowOut::default();
            combine_row(&samples, &config, &mut out);
            prop_assert_eq!(out.mean.len(), if n == 0 { 0 } else { pixels });
            for i in 0..out.mean.len() {
                let expected = slow(&samples, &config, i);
                // A sample on its limit may fall either way in single precision.
                if expected.margin < 1e-5 {
                    continue;
                }
                prop_assert_eq!(usize::from(out.n_used[i]), expected.n);
                prop_assert!(same(out.mean[i], expected.mean, expected.largest) && same(out.variance[i], expected.variance, 20.0));
                for (g, (mean, variance)) in expected.groups.iter().enumerate() {
                    prop_assert!(same(out.group_mean[g][i], *mean, expected.largest) && same(out.group_variance[g][i], *variance, 20.0));
                }
            }
        }
    }
}
