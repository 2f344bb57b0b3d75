//! Bad inputs and what stands in for them while the kernel passes over.

use super::Frame;
use crate::{flag, robust};
use rayon::prelude::*;

/// The farthest good neighbour looked for, px. Two taps of one kernel are at most 5 px apart along an axis, so a bad
/// pixel without good neighbours in this reach only ever serves output pixels that are flagged anyway.
const REACH: usize = 5;

/// A bad input pixel and its replacement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BadPixel {
    pub x: usize,
    pub flags: u8,
    pub value: f32,
    pub variance: f32,
}

/// The flags of an input pixel, a missing value or variance counted as [`flag::NO_DATA`].
fn flags_at(frame: &Frame, index: usize) -> u8 {
    let finite = frame.image.data[index].is_finite() && frame.variance.data[index].is_finite();
    frame.mask.bits[index] | if finite { 0 } else { flag::NO_DATA }
}

/// The bad pixels of each row, in order along it.
pub(super) fn bad_pixels(frame: &Frame) -> Vec<Vec<BadPixel>> {
    (0..frame.image.height).into_par_iter().map(|y| bad_in_row(frame, y)).collect()
}

fn bad_in_row(frame: &Frame, y: usize) -> Vec<BadPixel> {
    let width = frame.image.width;
    let row = y * width;
    let (values, variances) = (frame.image.row(y), frame.variance.row(y));
    let bits = &frame.mask.bits[row..row + width];
    let mut bad = Vec::new();
    let mut lonely_before = false;
    for start in (0..width).step_by(64) {
        let end = (start + 64).min(width);
        // One quick pass without branches says whether these 64 hold anything bad.
        let finite = |v: &[f32]| v[start..end].iter().fold(true, |a, v| a & v.is_finite());
        let flagged = bits[start..end].iter().fold(0, |a, b| a | b);
        if flagged == 0 && finite(values) && finite(variances) {
            lonely_before = false;
            continue;
        }
        for x in start..end {
            let flags = flags_at(frame, row + x);
            if flags == 0 {
                lonely_before = false;
                continue;
            }
            // After a neighbour with nothing good in reach only the newly reached column needs a look.
            let lonely = lonely_before && !column_has_good(frame, x + REACH, y);
            let found = if lonely { None } else { replacement(frame, x, y) };
            lonely_before = found.is_none();
            let (value, variance) = found.unwrap_or((0.0, 0.0));
            bad.push(BadPixel { x, flags, value, variance });
        }
    }
    bad
}

fn column_has_good(frame: &Frame, x: usize, y: usize) -> bool {
    let rows = y.saturating_sub(REACH)..(y + REACH + 1).min(frame.image.height);
    x < frame.image.width && rows.into_iter().any(|row| flags_at(frame, row * frame.image.width + x) == 0)
}

/// Medians of value and variance of the good pixels in the smallest square with at least 3 of them, or in the largest
/// with any.
fn replacement(frame: &Frame, x: usize, y: usize) -> Option<(f32, f32)> {
    let (width, height) = (frame.image.width, frame.image.height);
    for half in 1..=REACH {
        let mut values = Vec::with_capacity((2 * half + 1).pow(2));
        let mut variances = Vec::with_capacity(values.capacity());
        for row in y.saturating_sub(half)..(y + half + 1).min(height) {
            for column in x.saturating_sub(half)..(x + half + 1).min(width) {
                let index = row * width + column;
                if flags_at(frame, index) == 0 {
                    values.push(frame.image.data[index]);
                    variances.push(frame.variance.data[index]);
                }
            }
        }
        if values.len() >= 3 || (half == REACH && !values.is_empty()) {
            return robust::median(&mut values).zip(robust::median(&mut variances));
        }
    }
    None
}
