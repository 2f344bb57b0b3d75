//! What chance shows: featureless twins by the thousand, searched as the night is, and the probability that follows.

use super::bank::Bank;
use super::mode_space::ModeSpace;
use super::nuisance::Nuisances;
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
    /// Columns of what nuisances take out.
    n_out: usize,
    /// What nuisances take out, row by row, and the matrix by which cleaned noise is drawn.
    taken_out: Vec<f32>,
    root: Vec<f32>,
    /// Per ring: first component, number of components, lower factor.
    rings: Vec<(usize, usize, Vec<f32>)>,
}

impl TwinMaker {
    /// For a space and its nuisances.
    pub fn new(space: &ModeSpace, nuisances: &Nuisances) -> Self {
        let n_out = nuisances.taken_out.ncols();
        let row_major = |m: &DMatrix<f64>| -> Vec<f32> { m.transpose().iter().map(|v| *v as f32).collect() };
        Self {
            dim: space.dim,
            n_out,
            taken_out: row_major(&nuisances.taken_out),
            root: row_major(&nuisances.root()),
            rings: space.rings.iter().enumerate().map(|(i, r)| (r.start, 2 * r.modes, space.lower_f32(i))).collect(),
        }
    }

    /// A twin as the search wants it: noise, and nuisances as large as their priors allow, cleaned.
    pub fn twin(&self, seed: u64, index: u64) -> Vec<f32> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(index);
        let noise: Vec<f32> = (0..self.dim).map(|_| StandardNormal.sample(&mut rng)).collect();
        // drawn with covariance C and cleaned by its inverse, noise has the covariance C⁻¹
        self.sums(&self.less(noise, |products| {
            self.root.chunks_exact(self.n_out).map(|row| row.iter().zip(products).map(|(b, p)| b * p).sum()).collect()
        }))
    }

    /// Whitened data, cleaned and summed for [`Bank::best`].
    pub fn data(&self, data: &DVector<f64>) -> Vec<f32> {
        self.sums(&self.less(data.iter().map(|v| *v as f32).collect(), <[f32]>::to_vec))
    }

    /// A vector less Q times something of its products with Q.
    fn less(&self, mut vector: Vec<f32>, of_products: impl Fn(&[f32]) -> Vec<f32>) -> Vec<f32> {
        let n = self.n_out;
        if n == 0 {
            return vector;
        }
        let mut products = vec![0f32; n];
        for (value, row) in vector.iter().zip(self.taken_out.chunks_exact(n)) {
            products.iter_mut().zip(row).for_each(|(p, d)| *p += value * d);
        }
        let factors = of_products(&products);
        for (value, row) in vector.iter_mut().zip(self.taken_out.chunks_exact(n)) {
            *value -= row.iter().zip(&factors).map(|(d, f)| d * f).sum::<f32>();
        }
        vector
    }

    fn sums(&self, clean: &[f32]) -> Vec<f32> {
        let mut out = Vec::with_capacity(self.dim);
        for (start, len, lower) in &self.rings {
            let own = &clean[*start..start + len];
            for (i, row) in lower.chunks_exact(*len).enumerate() {
                out.push(row[..=i].iter().zip(own).map(|(l, v)| l * v).sum());
            }
        }
        out
    }
}

impl Chance {
    /// Searches `n_twins` twins.
    pub fn of_twins(bank: &Bank, maker: &TwinMaker, n_twins: usize, seed: u64) -> Self {
        let mut maxima: Vec<f64> = (0..n_twins)
            .into_par_iter()
            .with_min_len(64)
            .map(|twin| bank.best(&maker.twin(seed, twin as u64), |_| true).map_or(0.0, |b| b.significance))
            .collect();
        maxima.sort_by(f64::total_cmp);
        Self::from_sorted(maxima)
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
        let above = n - self.maxima.partition_point(|m| *m < significance);
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

    /// Twins searched.
    pub fn n_twins(&self) -> usize {
        self.maxima.len()
    }

    /// Smallest probability that is counted rather than extrapolated.
    pub fn counted_to(&self) -> f64 {
        (1 + COUNTED_TWINS) as f64 / (1 + self.n_twins()) as f64
    }
}
