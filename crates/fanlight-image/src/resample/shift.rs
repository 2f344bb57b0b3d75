//! A pure shift: one set of weights a axis, rows first, then columns, in blocks of rows.

use super::repair::{self, BadPixel};
use super::{Frame, LEFT, MAX_BAD_SHARE, Resampled, TAPS, split, weights};
use crate::{Image, flag, wide};
use rayon::prelude::*;

/// Output rows a task makes: the 5 extra input rows it filters cost 8 %.
const BLOCK_ROWS: usize = 64;

/// One axis of a shift: the first tap's offset and the weights in single precision.
struct Axis {
    first: i64,
    value: [f32; TAPS],
    squared: [f32; TAPS],
    share: [f32; TAPS],
    whole: bool,
}

impl Axis {
    fn new(shift_px: f64) -> Self {
        let (whole_px, fraction) = split(shift_px);
        let k = weights(fraction);
        let size: f64 = k.iter().map(|w| w.abs()).sum();
        Self {
            first: whole_px - LEFT as i64,
            value: k.map(|w| w as f32),
            squared: k.map(|w| (w * w) as f32),
            share: k.map(|w| (w.abs() / size) as f32),
            whole: fraction == 0.0,
        }
    }

    /// Input index of tap `j` for output `i`, which may lie outside the input.
    fn input(&self, i: usize, j: usize) -> i64 {
        i as i64 + self.first + j as i64
    }
}

/// One layer of the input (values or variances) with what replaces its bad pixels.
struct Layer<'a> {
    image: &'a Image,
    bad: &'a [Vec<BadPixel>],
    replacement: fn(&BadPixel) -> f32,
}

/// Weighted sum of six taps whose weights sum to 1, taken about one of them so that a constant stays exact.
#[inline(always)]
fn average(k: &[f32; TAPS], v: [f32; TAPS]) -> f32 {
    let c = v[LEFT];
    let sum = k[0] * (v[0] - c) + k[1] * (v[1] - c) + k[3] * (v[3] - c);
    c + (sum + (k[4] * (v[4] - c) + k[5] * (v[5] - c)))
}

/// Weighted sum of six taps.
#[inline(always)]
fn sum(k: &[f32; TAPS], v: [f32; TAPS]) -> f32 {
    (k[0] * v[0] + k[1] * v[1] + k[2] * v[2]) + (k[3] * v[3] + k[4] * v[4] + k[5] * v[5])
}

pub(super) fn resample(frame: &Frame, (dx_px, dy_px): (f64, f64), out: &mut Resampled) {
    // Beyond the input everything is missing alike; the limit keeps the integers small.
    let limited = |shift: f64, n: usize, m: usize| shift.clamp(-((n + m + 16) as f64), (n + m + 16) as f64);
    let columns = Axis::new(limited(dx_px, frame.image.width, out.image.width));
    let rows = Axis::new(limited(dy_px, frame.image.height, out.image.height));
    let bad = repair::bad_pixels(frame);
    let values = Layer { image: frame.image, bad: &bad, replacement: |b| b.value };
    let variances = Layer { image: frame.variance, bad: &bad, replacement: |b| b.variance };
    let width = out.image.width;
    let outside = outside_shares(&columns, width, frame.image.width);

    let block = BLOCK_ROWS * width;
    let layers = out.image.data.par_chunks_mut(block).zip(out.variance.data.par_chunks_mut(block));
    layers.zip(out.mask.bits.par_chunks_mut(block)).enumerate().for_each(|(i, ((image, variance), mask))| {
        let y0 = i * BLOCK_ROWS;
        wide(
            #[inline(always)]
            || filter_block(&values, (&columns, &columns.value), (&rows, &rows.value), y0, (image, width), average),
        );
        wide(
            #[inline(always)]
            || {
                filter_block(
                    &variances,
                    (&columns, &columns.squared),
                    (&rows, &rows.squared),
                    y0,
                    (variance, width),
                    sum,
                )
            },
        );
        let mut share = vec![0.0; width];
        for (row, bits) in mask.chunks_mut(width).enumerate() {
            flag_row(&bad, &columns, &rows, y0 + row, &outside, &mut share, bits);
            for (x, _) in bits.iter().enumerate().filter(|(_, b)| **b != 0) {
                image[row * width + x] = f32::NAN;
                variance[row * width + x] = f32::NAN;
            }
        }
    });
}

/// Filters one block of output rows, from `y0` on: six rows filtered along x are kept and combined along y.
#[inline(always)]
fn filter_block(
    layer: &Layer,
    (columns, kx): (&Axis, &[f32; TAPS]),
    (rows, ky): (&Axis, &[f32; TAPS]),
    y0: usize,
    (out, width): (&mut [f32], usize),
    combine: impl Fn(&[f32; TAPS], [f32; TAPS]) -> f32 + Copy,
) {
    let mut padded = vec![0.0; width + TAPS - 1];
    let mut kept: [Vec<f32>; TAPS] = std::array::from_fn(|_| vec![0.0; width]);
    let slot = |input: i64| input.rem_euclid(TAPS as i64) as usize;
    let last_row = layer.image.height as i64 - 1;
    let mut filter_row = |input: i64, row: &mut [f32]| {
        load(layer, columns, input.clamp(0, last_row) as usize, &mut padded);
        if columns.whole {
            row.copy_from_slice(&padded[LEFT..LEFT + width]);
            return;
        }
        let tap = |j: usize| &padded[j..j + width];
        let (t0, t1, t2, t3, t4, t5) = (tap(0), tap(1), tap(2), tap(3), tap(4), tap(5));
        for (x, value) in row.iter_mut().enumerate() {
            *value = combine(kx, [t0[x], t1[x], t2[x], t3[x], t4[x], t5[x]]);
        }
    };
    if rows.whole {
        for (i, row) in out.chunks_mut(width).enumerate() {
            filter_row(rows.input(y0 + i, LEFT), row);
        }
        return;
    }
    for j in 0..TAPS - 1 {
        let input = rows.input(y0, j);
        filter_row(input, &mut kept[slot(input)]);
    }
    for (i, row) in out.chunks_mut(width).enumerate() {
        let newest = rows.input(y0 + i, TAPS - 1);
        filter_row(newest, &mut kept[slot(newest)]);
        let tap = |j: usize| &kept[slot(rows.input(y0 + i, j))][..width];
        let (t0, t1, t2, t3, t4, t5) = (tap(0), tap(1), tap(2), tap(3), tap(4), tap(5));
        for (x, value) in row.iter_mut().enumerate() {
            *value = combine(ky, [t0[x], t1[x], t2[x], t3[x], t4[x], t5[x]]);
        }
    }
}

/// Copies the part of an input row under the output into `padded`, bad pixels replaced, edges repeated outward.
fn load(layer: &Layer, columns: &Axis, y: usize, padded: &mut [f32]) {
    let source = layer.image.row(y);
    let width = source.len() as i64;
    let n = padded.len() as i64;
    let first = columns.first;
    // padded[start..end] lies inside the row.
    let start = (-first).clamp(0, n);
    let end = (width - first).clamp(start, n);
    if start < end {
        padded[start as usize..end as usize].copy_from_slice(&source[(start + first) as usize..(end + first) as usize]);
    }
    let mut low_edge = source[0];
    let mut high_edge = source[source.len() - 1];
    for b in &layer.bad[y] {
        let at = b.x as i64 - first;
        let value = (layer.replacement)(b);
        if (0..n).contains(&at) {
            padded[at as usize] = value;
        }
        low_edge = if b.x == 0 { value } else { low_edge };
        high_edge = if b.x + 1 == source.len() { value } else { high_edge };
    }
    padded[..start as usize].fill(low_edge);
    padded[end as usize..].fill(high_edge);
}

/// The share of the row kernel that falls outside the input, for every output column.
fn outside_shares(columns: &Axis, out_width: usize, width: usize) -> Vec<f32> {
    let inside = |i: i64| i >= 0 && i < width as i64;
    let share = |x: usize| (0..TAPS).filter(|j| !inside(columns.input(x, *j))).map(|j| columns.share[j]).sum();
    (0..out_width).map(share).collect()
}

/// Flags one output row from the bad pixels and edges under its kernel.
fn flag_row(
    bad: &[Vec<BadPixel>],
    columns: &Axis,
    rows: &Axis,
    y: usize,
    outside: &[f32],
    share: &mut [f32],
    bits: &mut [u8],
) {
    let input_row = |j: usize| usize::try_from(rows.input(y, j)).ok().and_then(|row| bad.get(row));
    let missing: f32 = (0..TAPS).filter(|j| input_row(*j).is_none()).map(|j| rows.share[j]).sum();
    for ((share, bits), outside) in share.iter_mut().zip(bits.iter_mut()).zip(outside) {
        *share = missing + (1.0 - missing) * outside;
        *bits = if *share > 0.0 { flag::NO_DATA } else { 0 };
    }
    for (weight, row) in (0..TAPS).filter_map(|j| input_row(j).map(|row| (rows.share[j], row))) {
        if weight == 0.0 {
            continue;
        }
        for b in row {
            for (j, column_weight) in columns.share.iter().enumerate().filter(|(_, w)| **w > 0.0) {
                let x = b.x as i64 - columns.first - j as i64;
                if x >= 0 && x < share.len() as i64 {
                    share[x as usize] += weight * column_weight;
                    bits[x as usize] |= b.flags;
                }
            }
        }
    }
    for (share, bits) in share.iter().zip(bits) {
        *bits = if *share > MAX_BAD_SHARE { *bits } else { 0 };
    }
}
