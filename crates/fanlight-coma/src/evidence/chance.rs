//! What chance shows: featureless twins by the thousand, searched as the night is, and the probability that follows.

use super::bank::Bank;
use super::mode_space::ModeSpace;
use super::nuisance::Nuisances;
use fanlight_image::wide;
use nalgebra::{DMatrix, DVector};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

/// Largest significance anywhere searched, of many twins.
#[derive(Debug, Clone, PartialEq)]
pub struct Chance {
    /// Ascending.
    maxima: Vec<f64>,
    /// Where the extrapolated tail begins, and its scale with an 84 % upper bound.
    tail_from: f64,
    tail_scale: f64,
}

/// Share of the twins whose maxima the tail is fitted to.
const TAIL_SHARE: f64 = 0.05;
/// Where fewer twins than this exceed a value, its probability is the tail's.
const COUNTED_TWINS: usize = 10;

/// Data as the search wants them: whitened, cleaned of nuisances, as sums per ring and mode.
pub struct TwinMaker {
    dim: usize,
    /// What nuisances take out, column by column, and the matrix by which cleaned noise is drawn, row by row.
    taken_out: Vec<Vec<f32>>,
    root: Vec<Vec<f32>>,
    /// Per ring: first component, number of components, lower factor column by column from its diagonal on.
    rings: Vec<(usize, usize, Vec<f32>)>,
}

impl TwinMaker {
    /// For a space and its nuisances.
    pub fn new(space: &ModeSpace, nuisances: &Nuisances) -> Self {
        let columns = |m: &DMatrix<f64>| -> Vec<Vec<f32>> {
            m.column_iter().map(|c| c.iter().map(|v| *v as f32).collect()).collect()
        };
        Self {
            dim: space.dim,
            taken_out: columns(&nuisances.taken_out),
            // the root is symmetric
            root: columns(&nuisances.root()),
            rings: space.rings.iter().enumerate().map(|(i, r)| (r.start, 2 * r.modes, space.lower_f32(i))).collect(),
        }
    }

    /// A twin as the search wants it: noise, and nuisances as large as their priors allow, cleaned.
    pub fn twin(&self, seed: u64, index: u64) -> Vec<f32> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(index);
        let mut noise: Vec<f32> = (0..self.dim).map(|_| StandardNormal.sample(&mut rng)).collect();
        wide(|| {
            // drawn with covariance C and cleaned by its inverse, noise has the covariance C⁻¹
            let products = self.products(&noise);
            let factors: Vec<f32> = self.root.iter().map(|row| dot(row, &products)).collect();
            self.take_off(&mut noise, &factors);
            self.sums(&noise)
        })
    }

    /// Whitened data, cleaned and summed for [`Bank::best`].
    pub fn data(&self, data: &DVector<f64>) -> Vec<f32> {
        let mut clean: Vec<f32> = data.iter().map(|v| *v as f32).collect();
        wide(|| {
            let products = self.products(&clean);
            self.take_off(&mut clean, &products);
            self.sums(&clean)
        })
    }

    #[inline(always)]
    fn products(&self, vector: &[f32]) -> Vec<f32> {
        self.taken_out.iter().map(|column| dot(column, vector)).collect()
    }

    #[inline(always)]
    fn take_off(&self, vector: &mut [f32], factors: &[f32]) {
        for (column, f) in self.taken_out.iter().zip(factors) {
            vector.iter_mut().zip(column).for_each(|(v, c)| *v -= f * c);
        }
    }

    #[inline(always)]
    fn sums(&self, clean: &[f32]) -> Vec<f32> {
        let mut out = vec![0f32; self.dim];
        for (start, len, lower) in &self.rings {
            let own = &clean[*start..start + len];
            let sums = &mut out[*start..start + len];
            let mut from = 0;
            for (j, v) in own.iter().enumerate() {
                let column = &lower[from..from + len - j];
                sums[j..].iter_mut().zip(column).for_each(|(s, l)| *s += l * v);
                from += len - j;
            }
        }
        out
    }
}

/// Sum of products, eight at a time: a single running sum would wait for itself.
#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0f32; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f32 = a8.remainder().iter().zip(b8.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a8.zip(b8) {
        for (lane, (x, y)) in lanes.iter_mut().zip(x.iter().zip(y)) {
            *lane += x * y;
        }
    }
    lanes.iter().sum::<f32>() + rest
}

/// The largest significance of each of `n_twins` twins.
pub fn largest_of_twins(bank: &Bank, maker: &TwinMaker, n_twins: usize, seed: u64) -> Vec<f64> {
    let one = |twin: usize| bank.largest(&maker.twin(seed, twin as u64), |_| true);
    (0..n_twins).into_par_iter().with_min_len(64).map(one).collect()
}

impl Chance {
    /// Searches `n_twins` twins.
    pub fn of_twins(bank: &Bank, maker: &TwinMaker, n_twins: usize, seed: u64) -> Self {
        let mut maxima = largest_of_twins(bank, maker, n_twins, seed);
        maxima.sort_by(f64::total_cmp);
        Self::from_sorted(maxima)
    }

    /// The same where the night's signals are larger than noise makes them by a factor.
    pub fn raised(mut self, factor: f64) -> Self {
        self.maxima.iter_mut().for_each(|m| *m *= factor);
        Self { tail_from: factor * self.tail_from, tail_scale: factor * self.tail_scale, ..self }
    }

    /// Of no twins: nothing is rare.
    pub fn none() -> Self {
        Self { maxima: Vec::new(), tail_from: f64::INFINITY, tail_scale: 0.0 }
    }

    fn from_sorted(maxima: Vec<f64>) -> Self {
        let n = maxima.len();
        let in_tail = ((TAIL_SHARE * n as f64) as usize).clamp(1.min(n), n);
        let tail_from = maxima.get(n - in_tail).copied().unwrap_or(f64::INFINITY);
        let mean = maxima[n - in_tail..].iter().map(|m| m - tail_from).sum::<f64>() / in_tail.max(1) as f64;
        // the scale of an exponential tail from k exceedances has a relative error of 1/√k
        let tail_scale = mean * (1.0 + 1.0 / (in_tail.max(1) as f64).sqrt());
        Self { maxima, tail_from, tail_scale }
    }

    /// Chance that a twin shows as much anywhere: counted, or beyond the counted an upper bound by an exponential tail (the tail of
    /// Gumbel's distribution, which that of Gaussian maxima stays under). Never 0.
    pub fn probability(&self, significance: f64) -> f64 {
        let n = self.maxima.len();
        let above = self.n_above(significance);
        let counted = (1 + above) as f64 / (1 + n) as f64;
        if above >= COUNTED_TWINS || !(self.tail_scale > 0.0) {
            return counted;
        }
        let tail = TAIL_SHARE * (-(significance - self.tail_from) / self.tail_scale).exp();
        tail.max(f64::MIN_POSITIVE)
    }

    /// The significance that a share of the twins exceeds.
    pub fn level(&self, share: f64) -> f64 {
        let n = self.maxima.len();
        let index = ((1.0 - share) * n as f64).floor().clamp(0.0, n.saturating_sub(1) as f64) as usize;
        self.maxima.get(index).copied().unwrap_or(f64::INFINITY)
    }

    /// Twins that show as much anywhere.
    pub fn n_above(&self, significance: f64) -> usize {
        self.maxima.len() - self.maxima.partition_point(|m| *m < significance)
    }

    /// Twins searched.
    pub fn n_twins(&self) -> usize {
        self.maxima.len()
    }

    /// Smallest probability that is counted rather than extrapolated.
    pub fn counted_to(&self) -> f64 {
        (1 + COUNTED_TWINS) as f64 / (1 + self.n_twins()) as f64
    }
}
