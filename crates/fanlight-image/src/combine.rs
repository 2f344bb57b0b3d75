//! Robust weighted combination of many registered frames into one, with sub-stacks from the same samples.
//!
//! For every pixel: the median and the median absolute deviation of the samples, found again after outliers are cut,
//! for a few rounds; then each sample is kept or dropped by its own error; then the weighted mean of those kept, its
//! propagated variance, and the same for each group of frames.

use crate::robust;
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
/// Sums in double precision, compared with `astropy.stats` in `tests/it/combine.rs`.
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
        let heads = self.mean.chunks_mut(pixels).zip(self.variance.chunks_mut(pixels)).zip(self.n_used.chunks_mut(pixels));
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
    weight: f64,
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

/// Working store of one block: sorted values and the limits of each lane.
struct Block {
    sorted: Vec<[f32; LANES]>,
    median: [f32; LANES],
    scatter: [f32; LANES],
    clip: [bool; LANES],
}

/// Sums of one group, lane by lane.
#[derive(Clone)]
struct Sums {
    weight: [f64; LANES],
    value: [f64; LANES],
    variance: [f64; LANES],
    n: [f64; LANES],
}

impl Sums {
    const ZERO: Self = Self { weight: [0.0; LANES], value: [0.0; LANES], variance: [0.0; LANES], n: [0.0; LANES] };

    fn add(&mut self, other: &Self) {
        for i in 0..LANES {
            self.weight[i] += other.weight[i];
            self.value[i] += other.value[i];
            self.variance[i] += other.variance[i];
            self.n[i] += other.n[i];
        }
    }

    fn store(&self, mean: &mut [f32], variance: &mut [f32]) {
        for (i, (mean, variance)) in mean.iter_mut().zip(variance).enumerate() {
            // 0/0 where no sample is left: NaN, as documented.
            *mean = (self.value[i] / self.weight[i]) as f32;
            *variance = (self.variance[i] / (self.weight[i] * self.weight[i])) as f32;
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
                weight: f64::from(*weight),
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
        let mut block = Block {
            sorted: vec![[0.0; LANES]; self.sources.len()],
            median: [0.0; LANES],
            scatter: [0.0; LANES],
            clip: [false; LANES],
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
            total.store(&mut out.mean[part.clone()], &mut out.variance[part.clone()]);
            for (n_used, n) in out.n_used[part.clone()].iter_mut().zip(total.n) {
                *n_used = n as u16;
            }
            for ((mean, variance), sums) in out.groups.iter_mut().zip(&groups) {
                sums.store(&mut mean[part.clone()], &mut variance[part.clone()]);
            }
        }
    }

    /// Median and scatter of each lane's samples, outliers cut.
    fn limits(&self, at: usize, lanes: usize, block: &mut Block) {
        if self.config.rounds == 0 {
            block.clip = [false; LANES];
            return;
        }
        let mut count = [0u32; LANES];
        let mut variance_sum = [0.0_f32; LANES];
        for (source, row) in self.sources.iter().zip(block.sorted.iter_mut()) {
            let (values, variances) = source.lanes(at, lanes);
            for i in 0..LANES {
                let good = is_good(values[i], variances[i]);
                // Missing samples sort behind all others.
                row[i] = if good { values[i] } else { f32::INFINITY };
                count[i] += u32::from(good);
                variance_sum[i] += if good { variances[i] } else { 0.0 };
            }
        }
        network::sort_lanes(&mut block.sorted, &self.network);
        let (kappa, tolerance) = (f64::from(self.config.kappa), f64::from(self.config.relative_tolerance));
        for i in 0..lanes {
            let n = count[i] as usize;
            block.clip[i] = n >= 3;
            if n < 3 {
                continue;
            }
            let known = (f64::from(variance_sum[i]) / n as f64).sqrt();
            // The sample shrinks as outliers go, but its factor hardly changes: that of the whole sample serves.
            let factor = self.scatter_factor[n];
            let reach = |median: f64, mad: f64| {
                let scatter = factor * mad;
                kappa * if scatter > known { scatter } else { known } + tolerance * median.abs()
            };
            let sorted = &block.sorted;
            if let Some(cut) = robust::clip_sorted(n, |k| sorted[k][i], self.config.rounds - 1, reach) {
                block.median[i] = cut.median as f32;
                block.scatter[i] = (factor * cut.mad) as f32;
            }
        }
    }

    /// Adds one frame's samples that lie within their limits.
    fn accumulate(&self, source: &Source, at: usize, lanes: usize, block: &Block, sums: &mut Sums) {
        let (values, variances) = source.lanes(at, lanes);
        let (kappa, tolerance) = (self.config.kappa, self.config.relative_tolerance);
        let mut keep = [0.0_f32; LANES];
        for i in 0..LANES {
            let beyond = (values[i] - block.median[i]).abs() - tolerance * block.median[i].abs();
            let scatter = block.scatter[i] * block.scatter[i];
            let variance = if variances[i] > scatter { variances[i] } else { scatter };
            let inside = (beyond <= 0.0) | (beyond * beyond <= kappa * kappa * variance) | !block.clip[i];
            keep[i] = if inside & is_good(values[i], variances[i]) { 1.0 } else { 0.0 };
        }
        let weight = source.weight;
        for i in 0..LANES {
            let w = if keep[i] > 0.0 { weight } else { 0.0 };
            let value = if keep[i] > 0.0 { values[i] } else { 0.0 };
            let variance = if keep[i] > 0.0 { variances[i] } else { 0.0 };
            sums.weight[i] += w;
            sums.value[i] += w * f64::from(value);
            sums.variance[i] += w * w * f64::from(variance);
            sums.n[i] += f64::from(keep[i]);
        }
    }
}

impl Source<'_> {
    /// The samples of one block, missing lanes NaN.
    #[inline]
    fn lanes(&self, at: usize, lanes: usize) -> ([f32; LANES], [f32; LANES]) {
        let (mut values, mut variances) = ([f32::NAN; LANES], [f32::NAN; LANES]);
        if lanes == LANES {
            values.copy_from_slice(&self.values[at..at + LANES]);
            variances.copy_from_slice(&self.variances[at..at + LANES]);
        } else {
            values[..lanes].copy_from_slice(&self.values[at..at + lanes]);
            variances[..lanes].copy_from_slice(&self.variances[at..at + lanes]);
        }
        (values, variances)
    }
}

#[inline(always)]
fn is_good(value: f32, variance: f32) -> bool {
    (value.abs() < f32::INFINITY) & (variance.abs() < f32::INFINITY)
}

/// What makes 1.4826 MAD of `n` normal values right on average.
fn small_sample_factor(n: usize) -> f64 {
    const SMALL: [f64; 10] = [1.0, 1.0, 1.196, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107];
    SMALL.get(n).copied().unwrap_or(n as f64 / (n as f64 - 0.8))
}
