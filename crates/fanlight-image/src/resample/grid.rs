//! A general smooth mapping: 36 taps with weights from a table.

use super::repair;
use super::{CoordinateGrid, Frame, LEFT, MAX_BAD_SHARE, Resampled, TAPS, split, weights};
use crate::{Image, flag};
use rayon::prelude::*;

/// Table entries a pixel. Linear between them, a weight is within 1.1e-5 of its own.
const PHASES: usize = 512;
/// Room around the input so that no tap needs a bounds check: places up to 3 px outside are still sampled.
const MARGIN: usize = 8;
/// Taps padded to whole vector registers; the last two have weight 0.
const LANES: usize = 8;

/// The input with bad pixels replaced, its edges repeated outward.
struct Padded {
    stride: usize,
    image: Vec<f32>,
    variance: Vec<f32>,
    flags: Vec<u8>,
}

pub(super) fn resample(frame: &Frame, grid: &CoordinateGrid, out: &mut Resampled) {
    let input = pad(frame);
    let table: Vec<[f32; TAPS]> = (0..=PHASES).map(|i| weights(i as f64 / PHASES as f64).map(|w| w as f32)).collect();
    let (width, height) = (frame.image.width as i64, frame.image.height as i64);
    let columns = out.image.width;
    let layers = out.image.data.par_chunks_mut(columns).zip(out.variance.data.par_chunks_mut(columns));
    layers.zip(out.mask.bits.par_chunks_mut(columns)).enumerate().for_each(|(y, ((image, variance), mask))| {
        for x in 0..columns {
            let (x_px, y_px) = grid.at(x, y);
            let reached = |p: f64, n: i64| p >= -3.0 && p <= (n + 2) as f64;
            if !(reached(x_px, width) && reached(y_px, height)) {
                continue;
            }
            let ((column, fx), (row, fy)) = (split(x_px), split(y_px));
            let (kx, ky) = (lookup(&table, fx), lookup(&table, fy));
            let tap = |i: i64| (i + MARGIN as i64) as usize - LEFT;
            let first = tap(row) * input.stride + tap(column);
            let bits = bad_bits(&input, first, &kx, &ky);
            mask[x] = bits;
            if bits == 0 {
                (image[x], variance[x]) = sample(&input, first, &kx, &ky);
            }
        }
    });
}

/// Weights for a fraction in `[0, 1)`.
#[inline]
fn lookup(table: &[[f32; TAPS]], fraction: f64) -> [f32; LANES] {
    let place = fraction * PHASES as f64;
    let index = (place as usize).min(PHASES - 1);
    let t = (place - index as f64) as f32;
    let (a, b) = (&table[index], &table[index + 1]);
    let mut k = [0.0; LANES];
    for j in 0..TAPS {
        k[j] = a[j] + (b[j] - a[j]) * t;
    }
    k
}

/// The weighted value about the tap next to the place, so that a constant stays exact, and Σk²v.
#[inline]
fn sample(input: &Padded, first: usize, kx: &[f32; LANES], ky: &[f32; LANES]) -> (f32, f32) {
    let centre = input.image[first + LEFT * input.stride + LEFT];
    let (mut values, mut variances) = ([0.0_f32; LANES], [0.0_f32; LANES]);
    for (j, k) in ky.iter().take(TAPS).enumerate() {
        let start = first + j * input.stride;
        let (v, s) = (&input.image[start..start + LANES], &input.variance[start..start + LANES]);
        let k2 = k * k;
        for lane in 0..LANES {
            values[lane] += k * (v[lane] - centre);
            variances[lane] += k2 * s[lane];
        }
    }
    let value: f32 = (0..LANES).map(|i| kx[i] * values[i]).sum();
    let variance: f32 = (0..LANES).map(|i| kx[i] * kx[i] * variances[i]).sum();
    (centre + value, variance)
}

/// All flags under the kernel when they carry more than the allowed share of it.
#[inline]
fn bad_bits(input: &Padded, first: usize, kx: &[f32; LANES], ky: &[f32; LANES]) -> u8 {
    let rows = |j: usize| &input.flags[first + j * input.stride..][..TAPS];
    let any = (0..TAPS).fold(0, |a, j| rows(j).iter().fold(a, |a, b| a | b));
    if any == 0 {
        return 0;
    }
    let (mut bad, mut bits) = (0.0_f32, 0);
    for (j, k) in ky.iter().take(TAPS).enumerate() {
        for (i, b) in rows(j).iter().enumerate().filter(|(_, b)| **b != 0) {
            let share = (kx[i] * k).abs();
            bad += share;
            bits |= if share > 0.0 { *b } else { 0 };
        }
    }
    let size = |k: &[f32; LANES]| k.iter().map(|w| w.abs()).sum::<f32>();
    if bad > MAX_BAD_SHARE * size(kx) * size(ky) { bits } else { 0 }
}

fn pad(frame: &Frame) -> Padded {
    let bad = repair::bad_pixels(frame);
    let (width, height) = (frame.image.width, frame.image.height);
    let stride = width + 2 * MARGIN;
    let rows = height + 2 * MARGIN;
    let mut out = Padded {
        stride,
        image: vec![0.0; stride * rows],
        variance: vec![0.0; stride * rows],
        flags: vec![flag::NO_DATA; stride * rows],
    };
    let layers = out.image.par_chunks_mut(stride).zip(out.variance.par_chunks_mut(stride));
    layers.zip(out.flags.par_chunks_mut(stride)).enumerate().for_each(|(row, ((image, variance), flags))| {
        let y = row.saturating_sub(MARGIN).min(height - 1);
        let copy = |from: &Image, to: &mut [f32], value: fn(&repair::BadPixel) -> f32| {
            to[MARGIN..MARGIN + width].copy_from_slice(from.row(y));
            bad[y].iter().for_each(|b| to[MARGIN + b.x] = value(b));
            let (low, high) = (to[MARGIN], to[MARGIN + width - 1]);
            to[..MARGIN].fill(low);
            to[MARGIN + width..].fill(high);
        };
        copy(frame.image, image, |b| b.value);
        copy(frame.variance, variance, |b| b.variance);
        if (MARGIN..MARGIN + height).contains(&row) {
            flags[MARGIN..MARGIN + width].fill(0);
            bad[y].iter().for_each(|b| flags[MARGIN + b.x] = b.flags);
        }
    });
    out
}
