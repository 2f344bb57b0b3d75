//! The templates of the search, and the search itself: for any data, the template that stands out most.
//!
//! A wedge is a sum of radial blocks, each turned as the curvature asks; an arc is one block. So a search is a few sums over
//! rings, one Fourier sum over position angle per block and width, and running sums over blocks: a fraction of a millisecond.

use super::mode_space::{MAX_MODES, ModeSpace};
use super::nuisance::Nuisances;
use super::shapes::{ARC_RADII, HATS, Shapes, Wedge, arc_azimuth, gaussian_azimuth};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Position angles searched.
pub const N_PA: usize = 120;
/// Position angles at which a template's error is worked out; in between it is that of the nearest.
const N_ERROR_PA: usize = 120;
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

/// Templates with their errors under given nuisances.
pub struct Bank {
    /// Per block: (ring, mode sums' factors), rings without any left out.
    wedge_blocks: Vec<Vec<(usize, Vec<f32>)>>,
    arc_blocks: Vec<Vec<(usize, Vec<f32>)>>,
    /// cos and sin of m times each position angle, mode by mode.
    turns: Vec<([f32; N_PA], [f32; N_PA])>,
    families: Vec<Family>,
    arc_lengths: Vec<Vec<f32>>,
    /// One over the error, per arc block, length and position angle.
    arc_errors: Vec<f32>,
    /// First number of each ring in the mode sums.
    starts: Vec<usize>,
}

/// Wedges of one width.
struct Family {
    width_rad: f64,
    /// Angular factors, from m = 1.
    azimuth: Vec<f32>,
    curvatures: Vec<Curved>,
}

struct Curved {
    curvature_deg_per_arcsec: f64,
    /// By how many steps of position angle each block is turned.
    shifts: [usize; BLOCKS],
    /// One over the error, per window and position angle.
    errors: Vec<f32>,
}

fn windows() -> impl Iterator<Item = (usize, usize)> + Clone {
    (0..BLOCKS).flat_map(|first| (first + 1..=BLOCKS).map(move |end| (first, end)))
}

fn block_run(block: usize) -> [f64; HATS] {
    std::array::from_fn(|j| if j / HATS_PER_BLOCK == block { 1.0 } else { 0.0 })
}

impl Bank {
    /// All templates of a night.
    pub fn new(space: &ModeSpace, shapes: &Shapes, nuisances: &Nuisances, scale_arcsec: f64) -> Self {
        let mut starts = Vec::with_capacity(space.rings.len());
        let mut n = 0;
        for ring in &space.rings {
            starts.push(n);
            n += 2 * ring.modes;
        }
        let block = |factor: &dyn Fn(usize, usize) -> f64| -> Vec<(usize, Vec<f32>)> {
            let rings = space
                .rings
                .iter()
                .enumerate()
                .map(|(i, ring)| (i, (1..=ring.modes).map(|m| factor(i, m) as f32).collect::<Vec<f32>>()));
            let all: Vec<(usize, Vec<f32>)> = rings.collect();
            let largest = all.iter().flat_map(|b| &b.1).fold(0f32, |a, b| a.max(b.abs()));
            all.into_iter().filter(|b| b.1.iter().any(|v| v.abs() > 3e-3 * largest)).collect()
        };
        let runs: Vec<[f64; HATS]> = (0..BLOCKS).map(block_run).collect();
        let wedge_blocks: Vec<_> = runs.iter().map(|run| block(&|i, m| shapes.run_at(i, m, run))).collect();
        let arc_blocks: Vec<_> = (0..2 * ARC_RADII).map(|a| block(&|i, m| shapes.arc_at(i, m, a))).collect();
        let turns = (1..=MAX_MODES)
            .map(|m| {
                let at = |k: usize| (m * k) as f64 * TAU / N_PA as f64;
                (std::array::from_fn(|k| at(k).cos() as f32), std::array::from_fn(|k| at(k).sin() as f32))
            })
            .collect();
        let middle = |b: usize| {
            let knots = &shapes.knots_px[b * HATS_PER_BLOCK..(b + 1) * HATS_PER_BLOCK];
            knots.iter().sum::<f64>() / knots.len() as f64
        };
        let families = WIDTHS_DEG
            .par_iter()
            .map(|width_deg| {
                let width_rad = width_deg.to_radians();
                let errors = WedgeErrors::new(space, &wedge_blocks, nuisances, width_rad);
                let n =
                    if *width_deg > MANY_CURVATURES_TO_DEG { FEW_CURVATURES } else { CURVATURES_DEG_PER_ARCSEC.len() };
                let curvatures = CURVATURES_DEG_PER_ARCSEC[..n].iter().map(|c| {
                    let shift = |b: usize| {
                        let turn = c * middle(b) * scale_arcsec / 360.0 * N_PA as f64;
                        (turn.round() as i64).rem_euclid(N_PA as i64) as usize
                    };
                    let shifts = std::array::from_fn(shift);
                    Curved { curvature_deg_per_arcsec: *c, shifts, errors: errors.of(&shifts) }
                });
                let azimuth = kept_factors(&gaussian_azimuth(width_rad)[1..]);
                Family { width_rad, azimuth, curvatures: curvatures.collect() }
            })
            .collect();
        let lengths: Vec<_> = ARC_LENGTHS_DEG.iter().map(|l| arc_azimuth(l.to_radians())).collect();
        let arc_errors = arc_blocks
            .par_iter()
            .flat_map_iter(|block| {
                lengths.iter().flat_map(|azimuth| {
                    let one = std::slice::from_ref(block);
                    let coarse: Vec<f32> = (0..N_ERROR_PA)
                        .map(|k| {
                            let pa = k as f64 * TAU / N_ERROR_PA as f64;
                            let t = template(space, &one[0], &azimuth[1..], pa);
                            inverse_root(t.norm_squared() - nuisances.taken_out.tr_mul(&t).norm_squared())
                        })
                        .collect();
                    (0..N_PA).map(move |k| coarse[nearest(k)])
                })
            })
            .collect();
        let arc_lengths = lengths.iter().map(|l| kept_factors(&l[1..])).collect();
        Self { wedge_blocks, arc_blocks, turns, families, arc_lengths, arc_errors, starts }
    }

    /// How many templates there are.
    pub fn len(&self) -> usize {
        let wedges: usize = self.families.iter().flat_map(|f| &f.curvatures).map(|c| c.errors.len()).sum();
        wedges + self.arc_errors.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The most significant template for sums per ring and mode (see [`ModeSpace::unwhitened`], one after the other) of data
    /// that were cleaned of nuisances. `within` says at which position angles (index, block's turn left out) to look.
    pub fn best(&self, sums: &[f32], within: impl Fn(usize) -> bool) -> Option<Best> {
        let mut best = (0f32, None);
        let mut along = [[0f32; N_PA]; BLOCKS];
        let wedges: Vec<ModeSums> = self.wedge_blocks.iter().map(|b| self.mode_sums(b, sums)).collect();
        for (f, family) in self.families.iter().enumerate() {
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
                    let errors = &curved.errors[w * N_PA..(w + 1) * N_PA];
                    let (low, high) = (&running[first], &running[end]);
                    let mut largest = 0f32;
                    for ((h, l), e) in high.iter().zip(low).zip(errors) {
                        let z = (h - l) * e;
                        largest = if z > largest { z } else { largest };
                    }
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
            pa_rad: k as f64 * TAU / N_PA as f64,
            width_rad: self.families[f].width_rad,
            curvature_deg_per_arcsec: self.families[f].curvatures[c].curvature_deg_per_arcsec,
            first_knot: first * HATS_PER_BLOCK,
            end_knot: end * HATS_PER_BLOCK,
        });
        let mut row = [0f32; N_PA];
        for (a, block) in self.arc_blocks.iter().enumerate() {
            let own = self.mode_sums(block, sums);
            for (l, azimuth) in self.arc_lengths.iter().enumerate() {
                self.response(&own, azimuth, &mut row);
                let errors = &self.arc_errors[(a * self.arc_lengths.len() + l) * N_PA..][..N_PA];
                for (k, (v, e)) in row.iter().zip(errors).enumerate() {
                    if v * e > best.0 && within(k) {
                        best.0 = v * e;
                        let (pa_rad, length_rad) = (k as f64 * TAU / N_PA as f64, ARC_LENGTHS_DEG[l].to_radians());
                        template = Some(Template::Arc { pa_rad, length_rad, arc: a });
                    }
                }
            }
        }
        template.map(|template| Best { significance: f64::from(best.0), template })
    }

    fn mode_sums(&self, block: &[(usize, Vec<f32>)], sums: &[f32]) -> ModeSums {
        let mut out = ModeSums { cos: [0.0; MAX_MODES], sin: [0.0; MAX_MODES] };
        for (ring, factors) in block {
            let own = &sums[self.starts[*ring]..][..2 * factors.len()];
            for (m, (f, pair)) in factors.iter().zip(own.chunks_exact(2)).enumerate() {
                out.cos[m] += f * pair[0];
                out.sin[m] += f * pair[1];
            }
        }
        out
    }

    fn response(&self, sums: &ModeSums, azimuth: &[f32], row: &mut [f32; N_PA]) {
        row.fill(0.0);
        for (m, a) in azimuth.iter().enumerate() {
            let (c, s) = (a * sums.cos[m], a * sums.sin[m]);
            let (cos, sin) = &self.turns[m];
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

fn nearest(k: usize) -> usize {
    ((k * N_ERROR_PA + N_PA / 2) / N_PA) % N_ERROR_PA
}

fn inverse_root(square: f64) -> f32 {
    if square > 1e-12 { (1.0 / square.sqrt()) as f32 } else { 0.0 }
}

fn template(space: &ModeSpace, block: &[(usize, Vec<f32>)], azimuth: &[f64], pa_rad: f64) -> DVector<f64> {
    space.model(|i, ring| {
        let factors = &block.iter().find(|b| b.0 == i)?.1;
        Some(
            (0..ring.modes)
                .map(|m| {
                    let (sin, cos) = ((m + 1) as f64 * pa_rad).sin_cos();
                    let f = f64::from(factors[m]) * azimuth[m];
                    (f * cos, f * sin)
                })
                .collect(),
        )
    })
}

/// Errors of all wedges of one width.
struct WedgeErrors {
    /// Per block and position angle: the whitened block and its products with what nuisances take out.
    blocks: Vec<Vec<(DVector<f64>, DVector<f64>)>>,
    n_nuisances: usize,
}

/// Blocks further apart than this do not overlap.
const OVERLAP: usize = 2;

impl WedgeErrors {
    fn new(space: &ModeSpace, blocks: &[Vec<(usize, Vec<f32>)>], nuisances: &Nuisances, width_rad: f64) -> Self {
        let azimuth = gaussian_azimuth(width_rad);
        let of_block = |block: &Vec<(usize, Vec<f32>)>| {
            (0..N_ERROR_PA)
                .map(|k| {
                    let t = template(space, block, &azimuth[1..], k as f64 * TAU / N_ERROR_PA as f64);
                    let products = nuisances.taken_out.tr_mul(&t);
                    (t, products)
                })
                .collect()
        };
        Self { blocks: blocks.iter().map(of_block).collect(), n_nuisances: nuisances.taken_out.ncols() }
    }

    /// One over the error, per window and position angle, with each block turned by its shift.
    fn of(&self, shifts: &[usize; BLOCKS]) -> Vec<f32> {
        let n_k = self.n_nuisances;
        let mut coarse = vec![0f32; BLOCKS * (BLOCKS + 1) / 2 * N_ERROR_PA];
        for k in 0..N_ERROR_PA {
            let at = |b: usize| (k + nearest(shifts[b])) % N_ERROR_PA;
            let parts: Vec<&(DVector<f64>, DVector<f64>)> = (0..BLOCKS).map(|b| &self.blocks[b][at(b)]).collect();
            let squares = DMatrix::from_fn(BLOCKS, BLOCKS, |a, b| match b.abs_diff(a) <= OVERLAP && b >= a {
                true => parts[a].0.dot(&parts[b].0),
                false => 0.0,
            });
            for (w, (first, end)) in windows().enumerate() {
                let mut square = 0.0;
                let mut products = DVector::zeros(n_k);
                for a in first..end {
                    products += &parts[a].1;
                    for b in a..end.min(a + OVERLAP + 1) {
                        square += if a == b { squares[(a, b)] } else { 2.0 * squares[(a, b)] };
                    }
                }
                coarse[w * N_ERROR_PA + k] = inverse_root(square - products.norm_squared());
            }
        }
        coarse.chunks_exact(N_ERROR_PA).flat_map(|row| (0..N_PA).map(move |k| row[nearest(k)])).collect()
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
