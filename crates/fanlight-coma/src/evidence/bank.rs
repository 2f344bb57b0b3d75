//! The templates of the search, and the search itself: for any data, the template that stands out most.
//!
//! A wedge is a sum of radial blocks, each turned as the curvature asks; an arc is one block. So a search is a few sums over
//! rings, one Fourier sum over position angle per block and width, and running sums over blocks: a fraction of a millisecond.

use super::mode_space::{MAX_MODES, ModeSpace};
use super::nuisance::Nuisances;
use super::shapes::{ARC_RADII, HATS, Shapes, Wedge, arc_azimuth, gaussian_azimuth};
use fanlight_image::wide;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Position angles searched.
pub const N_PA: usize = 120;
const _: () = assert!(N_PA.is_multiple_of(8), "maxima are taken eight at a time");
/// Knots per block.
const HATS_PER_BLOCK: usize = 2;
const BLOCKS: usize = HATS / HATS_PER_BLOCK;
/// Full widths at half maximum of the wedges, and the curvatures that each is searched with.
const WIDTHS_DEG: [f64; 7] = [10.0, 16.0, 26.0, 42.0, 65.0, 100.0, 140.0];
const CURVATURES_DEG_PER_ARCSEC: [f64; 7] = [0.0, 0.4, -0.4, 0.9, -0.9, 1.6, -1.6];
/// Wedges wider than this are searched straight and slightly curved only.
const MANY_CURVATURES_TO_DEG: f64 = 50.0;
const FEW_CURVATURES: usize = 3;
/// Lengths of the arcs.
const ARC_LENGTHS_DEG: [f64; 3] = [50.0, 90.0, 150.0];
/// Modes whose factor is under this share of the first are left out.
const LEAST_FACTOR: f64 = 2e-3;

/// A template of the search.
#[derive(Debug, Clone, PartialEq)]
pub enum Template {
    /// A wedge over blocks of knots.
    Wedge {
        /// Position angle of the ridge at the nucleus.
        pa_rad: f64,
        /// Full width at half maximum.
        width_rad: f64,
        /// Curvature.
        curvature_deg_per_arcsec: f64,
        /// First knot in it.
        first_knot: usize,
        /// First knot beyond it.
        end_knot: usize,
    },
    /// An arc.
    Arc {
        /// Its middle.
        pa_rad: f64,
        /// Its length.
        length_rad: f64,
        /// Index among the arcs searched for.
        arc: usize,
    },
}

/// The most significant template of a search.
#[derive(Debug, Clone, PartialEq)]
pub struct Best {
    /// Amplitude over its error.
    pub significance: f64,
    /// The template.
    pub template: Template,
}

/// Templates of a night, without nuisances: what banks under any of them are made of.
pub struct Templates {
    wedge_blocks: Vec<Block>,
    arc_blocks: Vec<Block>,
    families: Vec<Family>,
    /// Angular factors per length of arc, from m = 1.
    arc_lengths: Vec<Vec<f32>>,
    /// Per arc block and length.
    arcs: Vec<Turned>,
    /// First number of each ring in the mode sums.
    starts: Vec<usize>,
    /// cos and sin of m times each position angle, mode by mode.
    turns: Vec<([f32; N_PA], [f32; N_PA])>,
}

/// A block's rings with the factors of its modes, from m = 1; rings without any left out.
type Block = Vec<(usize, Vec<f32>)>;

/// A block's whitened templates at all position angles, one a column: nothing but in a run of components.
struct Turned {
    from: usize,
    values: DMatrix<f64>,
}

impl Turned {
    /// With angular factors from m = 1; `whitening` is per ring, `turns` has cos and sin of m times each position angle in its rows.
    fn new(
        space: &ModeSpace,
        whitening: &[DMatrix<f64>],
        turns: &DMatrix<f64>,
        block: &Block,
        azimuth: &[f64],
    ) -> Self {
        let (Some(first), Some(last)) = (block.first(), block.last()) else {
            return Self { from: 0, values: DMatrix::zeros(0, N_PA) };
        };
        let (from, last) = (space.rings[first.0].start, &space.rings[last.0]);
        let mut values = DMatrix::zeros(last.start + 2 * last.modes - from, N_PA);
        for (i, factors) in block {
            let (ring, mut sized) = (&space.rings[*i], whitening[*i].clone());
            for (k, mut column) in sized.column_iter_mut().enumerate() {
                column *= f64::from(factors[k / 2]) * azimuth[k / 2];
            }
            let n = 2 * ring.modes;
            values.rows_mut(ring.start - from, n).gemm(1.0, &sized, &turns.rows(0, n), 0.0);
        }
        Self { from, values }
    }

    /// Product of the template at one position angle with another block's at another.
    fn dot(&self, k: usize, other: &Self, k_other: usize) -> f64 {
        let from = self.from.max(other.from);
        let to = (self.from + self.values.nrows()).min(other.from + other.values.nrows());
        if from >= to {
            return 0.0;
        }
        let part = |t: &'_ Self, k: usize| from - t.from + k * t.values.nrows()..to - t.from + k * t.values.nrows();
        let (a, b) = (&self.values.as_slice()[part(self, k)], &other.values.as_slice()[part(other, k_other)]);
        a.iter().zip(b).map(|(x, y)| x * y).sum()
    }

    /// Products with what nuisances take out, a column per position angle.
    fn products(&self, nuisances: &Nuisances) -> DMatrix<f64> {
        nuisances.taken_out.rows(self.from, self.values.nrows()).transpose() * &self.values
    }

    /// Takes the noise of every component to be another, by the root of its factor in variance.
    fn change_noise(&mut self, roots: &DVector<f64>) {
        let own = roots.rows(self.from, self.values.nrows());
        self.values.column_iter_mut().for_each(|mut column| column.component_div_assign(&own));
    }
}

/// Wedges of one width, in blocks.
struct Family {
    width_rad: f64,
    /// Angular factors, from m = 1.
    azimuth: Vec<f32>,
    blocks: Vec<Turned>,
    curvatures: Vec<Curved>,
}

struct Curved {
    curvature_deg_per_arcsec: f64,
    /// By how many steps of position angle each block is turned.
    shifts: [usize; BLOCKS],
    /// Square of the template, per window and position angle.
    squares: Vec<f64>,
}

/// Templates with their errors under given nuisances.
pub struct Bank<'a> {
    templates: &'a Templates,
    /// One over the error of the wedges: per family and curvature, then per window and position angle.
    wedge_errors: Vec<Vec<Vec<f32>>>,
    /// One over the error, per arc block, length and position angle.
    arc_errors: Vec<f32>,
}

/// Blocks at which a wedge may begin: light along a ray that shows only far out is a star more often than a jet.
const FIRST_BLOCKS: usize = 4;

fn windows() -> impl Iterator<Item = (usize, usize)> + Clone {
    (0..FIRST_BLOCKS).flat_map(|first| (first + 1..=BLOCKS).map(move |end| (first, end)))
}

fn block_run(block: usize) -> [f64; HATS] {
    std::array::from_fn(|j| if j / HATS_PER_BLOCK == block { 1.0 } else { 0.0 })
}

impl Templates {
    /// All templates of a night.
    pub fn new(space: &ModeSpace, shapes: &Shapes, scale_arcsec: f64) -> Self {
        let mut starts = Vec::with_capacity(space.rings.len());
        let mut n = 0;
        for ring in &space.rings {
            starts.push(n);
            n += 2 * ring.modes;
        }
        let block = |factor: &dyn Fn(usize, usize) -> f64| -> Block {
            let rings = space
                .rings
                .iter()
                .enumerate()
                .map(|(i, ring)| (i, (1..=ring.modes).map(|m| factor(i, m) as f32).collect::<Vec<f32>>()));
            let all: Block = rings.collect();
            let largest = all.iter().flat_map(|b| &b.1).fold(0f32, |a, b| a.max(b.abs()));
            all.into_iter().filter(|b| b.1.iter().any(|v| v.abs() > 3e-3 * largest)).collect()
        };
        let runs: Vec<[f64; HATS]> = (0..BLOCKS).map(block_run).collect();
        let wedge_blocks: Vec<Block> = runs.iter().map(|run| block(&|i, m| shapes.run_at(i, m, run))).collect();
        let arc_blocks: Vec<Block> = (0..2 * ARC_RADII).map(|a| block(&|i, m| shapes.arc_at(i, m, a))).collect();
        let middle = |b: usize| {
            let knots = &shapes.knots_px[b * HATS_PER_BLOCK..(b + 1) * HATS_PER_BLOCK];
            knots.iter().sum::<f64>() / knots.len() as f64
        };
        let whitening: Vec<DMatrix<f64>> = (0..space.rings.len()).into_par_iter().map(|i| space.whitening(i)).collect();
        let all_turns = DMatrix::from_fn(2 * MAX_MODES, N_PA, |row, k| {
            let turn = ((row / 2 + 1) * k) as f64 * TAU / N_PA as f64;
            if row % 2 == 0 { turn.cos() } else { turn.sin() }
        });
        let families = WIDTHS_DEG
            .par_iter()
            .map(|width_deg| {
                let width_rad = width_deg.to_radians();
                let azimuth = gaussian_azimuth(width_rad);
                let turned = |block: &Block| Turned::new(space, &whitening, &all_turns, block, &azimuth[1..]);
                let blocks: Vec<Turned> = wedge_blocks.iter().map(turned).collect();
                let n =
                    if *width_deg > MANY_CURVATURES_TO_DEG { FEW_CURVATURES } else { CURVATURES_DEG_PER_ARCSEC.len() };
                let curvatures = CURVATURES_DEG_PER_ARCSEC[..n].iter().map(|c| {
                    let shift = |b: usize| {
                        let turn = c * middle(b) * scale_arcsec / 360.0 * N_PA as f64;
                        (turn.round() as i64).rem_euclid(N_PA as i64) as usize
                    };
                    let shifts: [usize; BLOCKS] = std::array::from_fn(shift);
                    Curved { curvature_deg_per_arcsec: *c, shifts, squares: squares(&blocks, &shifts) }
                });
                let curvatures = curvatures.collect();
                Family { width_rad, azimuth: kept_factors(&azimuth[1..]), blocks, curvatures }
            })
            .collect();
        let lengths: Vec<_> = ARC_LENGTHS_DEG.iter().map(|l| arc_azimuth(l.to_radians())).collect();
        let arcs = arc_blocks
            .par_iter()
            .flat_map_iter(|block| {
                lengths.iter().map(|azimuth| Turned::new(space, &whitening, &all_turns, block, &azimuth[1..]))
            })
            .collect();
        let arc_lengths = lengths.iter().map(|l| kept_factors(&l[1..])).collect();
        let row = |i: usize| std::array::from_fn(|k| all_turns[(i, k)] as f32);
        let turns = (0..MAX_MODES).map(|m| (row(2 * m), row(2 * m + 1))).collect();
        Self { wedge_blocks, arc_blocks, families, arc_lengths, arcs, starts, turns }
    }

    /// Takes the noise of every component to be another, by the root of its factor in variance.
    pub fn change_noise(&mut self, roots: &DVector<f64>) {
        self.families.par_iter_mut().for_each(|family| {
            family.blocks.iter_mut().for_each(|b| b.change_noise(roots));
            for curved in &mut family.curvatures {
                curved.squares = squares(&family.blocks, &curved.shifts);
            }
        });
        self.arcs.par_iter_mut().for_each(|a| a.change_noise(roots));
    }
}

/// Squares of curved wedges, per window and position angle.
fn squares(blocks: &[Turned], shifts: &[usize; BLOCKS]) -> Vec<f64> {
    let mut out = vec![0.0; windows().count() * N_PA];
    for k in 0..N_PA {
        let at = |b: usize| (k + shifts[b]) % N_PA;
        // where a search is short for its kernel all blocks overlap
        let products =
            DMatrix::from_fn(BLOCKS, BLOCKS, |a, b| if b >= a { blocks[a].dot(at(a), &blocks[b], at(b)) } else { 0.0 });
        for (w, (first, end)) in windows().enumerate() {
            let pairs = (first..end).flat_map(|a| (a..end).map(move |b| (a, b)));
            out[w * N_PA + k] =
                pairs.map(|(a, b)| if a == b { products[(a, b)] } else { 2.0 * products[(a, b)] }).sum();
        }
    }
    out
}

impl<'a> Bank<'a> {
    /// The templates under nuisances.
    pub fn new(templates: &'a Templates, nuisances: &Nuisances) -> Self {
        let wedge_errors = templates.families.par_iter().map(|f| f.errors(nuisances)).collect();
        let of_arc = |t: &Turned| -> Vec<f32> {
            let products = t.products(nuisances);
            let pairs = t.values.column_iter().zip(products.column_iter());
            pairs.map(|(v, p)| inverse_root(v.norm_squared(), p.norm_squared())).collect()
        };
        let arc_errors = templates.arcs.par_iter().flat_map_iter(of_arc).collect();
        Self { templates, wedge_errors, arc_errors }
    }

    /// How many templates there are.
    pub fn len(&self) -> usize {
        self.wedge_errors.iter().flatten().map(Vec::len).sum::<usize>() + self.arc_errors.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The most significant template for sums per ring and mode (see [`TwinMaker`](super::chance::TwinMaker)) of data
    /// that were cleaned of nuisances. `within` says at which position angles (index, block's turn left out) to look.
    pub fn best(&self, sums: &[f32], within: impl Fn(usize) -> bool) -> Option<Best> {
        wide(|| self.searched(sums, &within))
    }

    /// Significance of the best; 0 where there is none.
    pub fn largest(&self, sums: &[f32], within: impl Fn(usize) -> bool) -> f64 {
        self.best(sums, within).map_or(0.0, |b| b.significance)
    }

    /// Median size of the straight wedges' significances, of either sign: near two thirds where noise is what it is thought to be.
    pub fn typical(&self, sums: &[f32]) -> f64 {
        let wedges: Vec<ModeSums> = self.templates.wedge_blocks.iter().map(|b| self.mode_sums(b, sums)).collect();
        let mut sizes = Vec::new();
        let mut along = [[0f32; N_PA]; BLOCKS];
        for (family, errors) in self.templates.families.iter().zip(&self.wedge_errors) {
            for (row, sums) in along.iter_mut().zip(&wedges) {
                self.response(sums, &family.azimuth, row);
            }
            let Some(straight) = errors.first() else { continue };
            for (w, (first, end)) in windows().enumerate() {
                for k in 0..N_PA {
                    let sum: f32 = along[first..end].iter().map(|row| row[k]).sum();
                    let error = straight[w * N_PA + k];
                    if error > 0.0 {
                        sizes.push(f64::from((sum * error).abs()));
                    }
                }
            }
        }
        fanlight_image::robust::median_f64(&mut sizes).unwrap_or(0.0)
    }

    #[inline(always)]
    fn searched(&self, sums: &[f32], within: &impl Fn(usize) -> bool) -> Option<Best> {
        let mut best = (0f32, None);
        let mut along = [[0f32; N_PA]; BLOCKS];
        let wedges: Vec<ModeSums> = self.templates.wedge_blocks.iter().map(|b| self.mode_sums(b, sums)).collect();
        for (f, family) in self.templates.families.iter().enumerate() {
            for (row, sums) in along.iter_mut().zip(&wedges) {
                self.response(sums, &family.azimuth, row);
            }
            for (c, curved) in family.curvatures.iter().enumerate() {
                let mut running = [[0f32; N_PA]; BLOCKS + 1];
                for b in 0..BLOCKS {
                    let shift = curved.shifts[b];
                    let (before, after) = running.split_at_mut(b + 1);
                    let (from, to) = (&before[b], &mut after[0]);
                    let (tail, head) = along[b].split_at(shift);
                    let (first, second) = to.split_at_mut(N_PA - shift);
                    let (from_first, from_second) = from.split_at(N_PA - shift);
                    first.iter_mut().zip(head).zip(from_first).for_each(|((t, h), f)| *t = f + h);
                    second.iter_mut().zip(tail).zip(from_second).for_each(|((t, h), f)| *t = f + h);
                }
                for (w, (first, end)) in windows().enumerate() {
                    let errors = &self.wedge_errors[f][c][w * N_PA..(w + 1) * N_PA];
                    let (low, high) = (&running[first], &running[end]);
                    // eight at a time: a single running maximum would wait for itself
                    let mut lanes = [0f32; 8];
                    for ((h, l), e) in high.chunks_exact(8).zip(low.chunks_exact(8)).zip(errors.chunks_exact(8)) {
                        for (lane, ((h, l), e)) in lanes.iter_mut().zip(h.iter().zip(l).zip(e)) {
                            let z = (h - l) * e;
                            *lane = if z > *lane { z } else { *lane };
                        }
                    }
                    let largest = lanes.into_iter().fold(0f32, |a, b| if b > a { b } else { a });
                    if largest > best.0 {
                        let at = (0..N_PA).filter(|k| within(*k)).map(|k| (k, (high[k] - low[k]) * errors[k]));
                        if let Some((k, z)) = at.fold(
                            None,
                            |a: Option<(usize, f32)>, b| if a.is_none_or(|a| b.1 > a.1) { Some(b) } else { a },
                        ) && z > best.0
                        {
                            best = (z, Some((f, c, first, end, k)));
                        }
                    }
                }
            }
        }
        let mut template = best.1.map(|(f, c, first, end, k)| Template::Wedge {
            pa_rad: pa_rad(k),
            width_rad: self.templates.families[f].width_rad,
            curvature_deg_per_arcsec: self.templates.families[f].curvatures[c].curvature_deg_per_arcsec,
            first_knot: first * HATS_PER_BLOCK,
            end_knot: end * HATS_PER_BLOCK,
        });
        let mut row = [0f32; N_PA];
        for (a, block) in self.templates.arc_blocks.iter().enumerate() {
            let own = self.mode_sums(block, sums);
            for (l, azimuth) in self.templates.arc_lengths.iter().enumerate() {
                self.response(&own, azimuth, &mut row);
                let errors = &self.arc_errors[(a * self.templates.arc_lengths.len() + l) * N_PA..][..N_PA];
                for (k, (v, e)) in row.iter().zip(errors).enumerate() {
                    if v * e > best.0 && within(k) {
                        best.0 = v * e;
                        let (pa_rad, length_rad) = (pa_rad(k), ARC_LENGTHS_DEG[l].to_radians());
                        template = Some(Template::Arc { pa_rad, length_rad, arc: a });
                    }
                }
            }
        }
        template.map(|template| Best { significance: f64::from(best.0), template })
    }

    #[inline(always)]
    fn mode_sums(&self, block: &[(usize, Vec<f32>)], sums: &[f32]) -> ModeSums {
        let mut out = ModeSums { cos: [0.0; MAX_MODES], sin: [0.0; MAX_MODES] };
        for (ring, factors) in block {
            let own = &sums[self.templates.starts[*ring]..][..2 * factors.len()];
            for (m, (f, pair)) in factors.iter().zip(own.chunks_exact(2)).enumerate() {
                out.cos[m] += f * pair[0];
                out.sin[m] += f * pair[1];
            }
        }
        out
    }

    #[inline(always)]
    fn response(&self, sums: &ModeSums, azimuth: &[f32], row: &mut [f32; N_PA]) {
        row.fill(0.0);
        for (m, a) in azimuth.iter().enumerate() {
            let (c, s) = (a * sums.cos[m], a * sums.sin[m]);
            let (cos, sin) = &self.templates.turns[m];
            for ((r, x), y) in row.iter_mut().zip(cos).zip(sin) {
                *r += c * x + s * y;
            }
        }
    }
}

struct ModeSums {
    cos: [f32; MAX_MODES],
    sin: [f32; MAX_MODES],
}

/// Angular factors up to the last that counts.
fn kept_factors(azimuth: &[f64]) -> Vec<f32> {
    let largest = azimuth.iter().fold(0.0, |a: f64, b| a.max(b.abs()));
    let n = azimuth.iter().rposition(|a| a.abs() > LEAST_FACTOR * largest).map_or(0, |i| i + 1);
    azimuth[..n].iter().map(|a| *a as f32).collect()
}

/// One over the error of a template of this square, of which nuisances take a part; 0, so that it is never found, where they take
/// nearly all: what is left of it could not be told from them in single precision.
fn inverse_root(square: f64, taken: f64) -> f32 {
    let left = square - taken;
    if left > LEAST_LEFT * square && left > 1e-12 { (1.0 / left.sqrt()) as f32 } else { 0.0 }
}

/// A position angle of the search.
pub fn pa_rad(k: usize) -> f64 {
    k as f64 * TAU / N_PA as f64
}

/// Share of a template's information that nuisances must leave.
const LEAST_LEFT: f64 = 3e-3;

impl Family {
    /// One over the error under nuisances: per curvature, then per window and position angle.
    fn errors(&self, nuisances: &Nuisances) -> Vec<Vec<f32>> {
        let products: Vec<DMatrix<f64>> = self.blocks.iter().map(|b| b.products(nuisances)).collect();
        let of_curvature = |curved: &Curved| {
            let mut errors = vec![0f32; curved.squares.len()];
            for k in 0..N_PA {
                let mut sum = DVector::zeros(nuisances.taken_out.ncols());
                for (w, (first, end)) in windows().enumerate() {
                    // windows of one first block follow each other, each a block longer
                    if end == first + 1 {
                        sum.fill(0.0);
                    }
                    sum += products[end - 1].column((k + curved.shifts[end - 1]) % N_PA);
                    let i = w * N_PA + k;
                    errors[i] = inverse_root(curved.squares[i], sum.norm_squared());
                }
            }
            errors
        };
        self.curvatures.iter().map(of_curvature).collect()
    }
}

impl Template {
    /// As a wedge with its pivot at the nucleus; `None` for an arc.
    pub fn wedge(&self, scale_arcsec: f64) -> Option<Wedge> {
        let Self::Wedge { pa_rad, width_rad, curvature_deg_per_arcsec, first_knot, end_knot } = self else {
            return None;
        };
        Some(Wedge {
            pa_rad: *pa_rad,
            pivot_px: 0.0,
            width_rad: *width_rad,
            curvature_rad_per_px: curvature_deg_per_arcsec.to_radians() * scale_arcsec,
            run: std::array::from_fn(|j| if (*first_knot..*end_knot).contains(&j) { 1.0 } else { 0.0 }),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks of which every one overlaps every other, as where a search is short for its kernel.
    #[test]
    fn squares_of_wedges_hold_all_blocks() {
        const ROWS: usize = 5;
        let value = |b: usize, i: usize, k: usize| ((7 * b + 3 * i + k) as f64).sin() + 0.4;
        let blocks: Vec<Turned> = (0..BLOCKS)
            .map(|b| Turned { from: 0, values: DMatrix::from_fn(ROWS, N_PA, |i, k| value(b, i, k)) })
            .collect();
        let shifts: [usize; BLOCKS] = std::array::from_fn(|b| 2 * b);
        let got = squares(&blocks, &shifts);
        for (w, (first, end)) in windows().enumerate() {
            for k in 0..N_PA {
                let sum = |i: usize| (first..end).map(|b| value(b, i, (k + shifts[b]) % N_PA)).sum::<f64>();
                let expected: f64 = (0..ROWS).map(|i| sum(i).powi(2)).sum();
                assert!((got[w * N_PA + k] - expected).abs() < 1e-9 * (1.0 + expected), "{first} to {end} at {k}");
            }
        }
    }
}
