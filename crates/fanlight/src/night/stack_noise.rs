//! The noise of a ready-made stack: what its file says of it, and what neighbouring pixels share of it.

use super::notes::Notes;
use fanlight_coma::calibrate::Calibrated;
use fanlight_image::{Image, PixelBox, flag, robust};
use std::path::Path;

/// What is known of a stack's noise beside its pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct StackNoise {
    /// Variance of each pixel in the file's unit, squared; not finite where the pixel is not to be used.
    variance: Option<Image>,
    /// Pixels, other than 0, that are not to be used.
    mask: Option<Image>,
    /// How much more variance a sum over many pixels has than the sum of the pixels' variances.
    pub correlation: f64,
}

/// What an extension's values say of the noise.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Meaning {
    Variance,
    Sigma,
    InverseVariance,
    /// An inverse variance but for a factor.
    Weight,
}

/// Extensions by name, those that say most first. `UNCERT` is what astropy's and ccdproc's images call theirs, the kind in
/// `UTYPE`.
const EXTENSIONS: [(&[&str], Meaning); 5] = [
    (&["VARIANCE", "VAR"], Meaning::Variance),
    (&["UNCERT"], Meaning::Sigma),
    (&["ERR", "ERROR", "SIGMA", "STDDEV"], Meaning::Sigma),
    (&["IVAR"], Meaning::InverseVariance),
    (&["WEIGHT", "WHT"], Meaning::Weight),
];

/// A variance as an extension states it may differ from the pixels' own scatter by this factor before a reader is told.
const DOUBTFUL_FACTOR: f64 = 2.0;

impl StackNoise {
    /// Reads the extensions beside a stack's image and measures what its neighbouring pixels share; `noise` is the noise of
    /// its sky pixels.
    pub fn of(path: &Path, mut image: Image, noise: f64, notes: &mut Notes) -> Self {
        let size = (image.width, image.height);
        let mask = match fanlight_io::read_named_image(path, &["MASK"], size) {
            Ok(found) => found.map(|f| f.image),
            Err(e) => {
                notes.warn(format!("The stack's MASK was not used: {e}."));
                None
            }
        };
        if let Some(mask) = &mask {
            let n = mask.data.iter().filter(|v| is_masked(**v)).count();
            notes.push(format!("{n} pixels that the stack's MASK marks were left out."));
            image.data.iter_mut().zip(&mask.data).filter(|(_, m)| is_masked(**m)).for_each(|(v, _)| *v = f32::NAN);
        }
        let variance = variance_of(path, size, noise, notes);
        let per_pixel = variance.as_ref().and_then(typical).unwrap_or(noise * noise);
        let factor = (noise * noise / per_pixel).sqrt();
        if !(1.0 / DOUBTFUL_FACTOR..DOUBTFUL_FACTOR).contains(&factor) {
            notes.warn(format!(
                "The stack's file states errors of {:.3e} for its sky pixels, but these scatter by {noise:.3e}: the errors \
                 rest on the larger.",
                per_pixel.sqrt()
            ));
        }
        let correlation = match shared_variance(&image) {
            Some(in_blocks) => {
                let correlation = (in_blocks / per_pixel).max(1.0);
                notes.push(format!(
                    "Neighbouring pixels of the stack share noise, by its scatter in blocks of {BLOCK_PX} × {BLOCK_PX} px: the \
                     light in an aperture has {correlation:.2} times the variance that its pixels' own would sum to, and its \
                     errors hold that factor."
                ));
                correlation
            }
            None => {
                notes.warn(
                    "The stack is too small to see what noise its neighbouring pixels share; the errors do not hold it.",
                );
                1.0
            }
        };
        Self { variance, mask, correlation }
    }

    /// Whether the file itself says how large its errors are.
    pub fn has_variance(&self) -> bool {
        self.variance.is_some()
    }

    /// Gives a part of the calibrated stack the file's own errors and flags.
    pub fn put_on(&self, frame: &mut Calibrated, area: PixelBox, gain_e_per_adu: f64) {
        if let Some(variance) = &self.variance {
            let square = (gain_e_per_adu * gain_e_per_adu) as f32;
            let stated = variance.crop(area).data;
            for ((out, bits), stated) in frame.variance_e2.data.iter_mut().zip(&mut frame.mask.bits).zip(stated) {
                *out = stated * square;
                if !stated.is_finite() {
                    *bits |= flag::NO_DATA;
                }
            }
        }
        if let Some(mask) = &self.mask {
            let masked = mask.crop(area).data;
            frame
                .mask
                .bits
                .iter_mut()
                .zip(masked)
                .filter(|(_, m)| is_masked(*m))
                .for_each(|(b, _)| *b |= flag::NO_DATA);
        }
    }
}

fn is_masked(value: f32) -> bool {
    value != 0.0
}

/// The variance that the first extension of a known name states.
fn variance_of(path: &Path, size: (usize, usize), noise: f64, notes: &mut Notes) -> Option<Image> {
    for (names, meaning) in EXTENSIONS {
        let (mut image, header) = match fanlight_io::read_named_image(path, names, size) {
            Ok(Some(found)) => (found.image, found.header),
            Ok(None) => continue,
            Err(e) => {
                notes.warn(format!("An extension of the stack, {}, was not used: {e}.", names.join(" or ")));
                continue;
            }
        };
        let meaning = match header.text("UTYPE").map(|t| t.to_lowercase()) {
            Some(kind) if kind.starts_with("var") => Meaning::Variance,
            Some(kind) if kind.starts_with("inv") => Meaning::InverseVariance,
            Some(kind) if kind.starts_with("std") => Meaning::Sigma,
            _ => meaning,
        };
        let name = header.text("EXTNAME").unwrap_or_default();
        let scale = match (meaning, typical(&image)) {
            (Meaning::Weight, Some(weight)) => noise * noise * weight,
            (_, Some(_)) => 1.0,
            (_, None) => {
                notes.warn(format!("The stack's extension {name} holds no positive value and was not used."));
                continue;
            }
        };
        image.data.iter_mut().for_each(|v| *v = variance(meaning, *v, scale as f32));
        notes.push(match meaning {
            Meaning::Weight => format!(
                "The stack's extension {name} says how its pixels' errors differ; how large they are was taken from the pixels."
            ),
            _ => format!("The errors of the stack's pixels are those of its own extension {name}."),
        });
        return Some(image);
    }
    None
}

/// A pixel's variance; not a number where it cannot be one.
fn variance(meaning: Meaning, value: f32, scale: f32) -> f32 {
    let variance = match meaning {
        Meaning::Variance => value,
        Meaning::Sigma => value * value.abs(),
        Meaning::InverseVariance | Meaning::Weight => scale / value,
    };
    if variance.is_finite() && variance > 0.0 { variance } else { f32::NAN }
}

/// Median of the positive values, on every 7th pixel.
fn typical(image: &Image) -> Option<f64> {
    let mut values: Vec<f32> = image.data.iter().step_by(7).copied().filter(|v| v.is_finite() && *v > 0.0).collect();
    robust::median(&mut values).map(f64::from)
}

/// Side of the blocks in which shared noise is seen: several times as wide as resampling or drizzling ties pixels together,
/// small beside an aperture.
const BLOCK_PX: usize = 8;
/// From block to block, with a gap that keeps them apart.
const BLOCK_STRIDE_PX: usize = 10;
/// Pixels this far apart share no noise after resampling.
const PIXEL_STRIDE_PX: usize = 4;
/// Blocks that say how they scatter to a tenth or so.
const MIN_BLOCKS: usize = 40;

/// Variance of the image's pixels about their neighbourhood; `None` where there are too few to tell.
pub fn pixel_variance(image: &Image) -> Option<f64> {
    variance_in_blocks(image, 1, PIXEL_STRIDE_PX)
}

/// Variance of the sum over a large area, per pixel: that of one pixel where pixels share nothing.
///
/// Seen in blocks, and carried on to areas of any size as noise goes that each pixel shares with its next neighbours: along
/// either axis the excess over a single pixel's is then 1 − 1/n of what it is in the end for blocks of n pixels.
fn shared_variance(image: &Image) -> Option<f64> {
    let (single, block) =
        (pixel_variance(image)?, variance_in_blocks(image, BLOCK_PX, BLOCK_STRIDE_PX).filter(|v| *v > 0.0)?);
    let (n, along_axis) = (BLOCK_PX as f64, (block / single).sqrt());
    Some(single * (1.0 + (along_axis - 1.0) * n / (n - 1.0)).powi(2))
}

/// Variance of the sum over blocks of pixels, divided by the number of pixels in one. Blocks are compared with those around
/// them by the second difference along both axes, which no plane and no slope along an axis moves; stars are outliers, and
/// the half of the image about its brightest place, where the comet's light is steep, is left aside.
fn variance_in_blocks(image: &Image, side: usize, stride: usize) -> Option<f64> {
    let along = |n: usize| n.checked_sub(side).map_or(0, |rest| rest / stride + 1);
    let (columns, rows) = (along(image.width), along(image.height));
    if columns < 3 || rows < 3 {
        return None;
    }
    let sum = |bx: usize, by: usize| -> f64 {
        let row = |y: usize| image.row(y)[bx * stride..bx * stride + side].iter().map(|v| f64::from(*v)).sum::<f64>();
        (by * stride..by * stride + side).map(row).sum()
    };
    let sums: Vec<f64> = (0..rows * columns).map(|i| sum(i % columns, i / columns)).collect();
    let (x0, y0) = brightest_place(image);
    let mut differences: Vec<(f64, f32)> = Vec::new();
    for y in 1..rows - 1 {
        for x in 1..columns - 1 {
            let weight = |d: usize| if d == 1 { -2.0 } else { 1.0 };
            let around = (0..9).map(|i| (i % 3, i / 3));
            let difference: f64 =
                around.map(|(i, j)| weight(i) * weight(j) * sums[(y + j - 1) * columns + x + i - 1]).sum();
            if difference.is_finite() {
                let at = |b: usize| (b * stride) as f64 + 0.5 * side as f64;
                differences.push(((at(x) - x0).hypot(at(y) - y0), difference as f32));
            }
        }
    }
    differences.sort_by(|a, b| b.0.total_cmp(&a.0));
    differences.truncate(differences.len().div_ceil(2));
    if differences.len() < MIN_BLOCKS {
        return None;
    }
    let sigma = f64::from(robust::mad_sigma(&mut differences.into_iter().map(|d| d.1).collect::<Vec<_>>())?);
    // the squares of the nine weights sum to 36
    Some(sigma * sigma / 36.0 / (side * side) as f64)
}

/// Middle of the brightest square of 12 px.
fn brightest_place(image: &Image) -> (f64, f64) {
    const SIDE_PX: usize = 12;
    let corners = |n: usize| (0..n.saturating_sub(SIDE_PX - 1)).step_by(SIDE_PX / 2);
    let light = |x: usize, y: usize| -> f64 {
        (y..y + SIDE_PX).flat_map(|y| image.row(y)[x..x + SIDE_PX].iter()).map(|v| f64::from(*v)).sum()
    };
    let squares = corners(image.height).flat_map(|y| corners(image.width).map(move |x| (x, y)));
    let known = squares.map(|(x, y)| (light(x, y), x, y)).filter(|(l, ..)| l.is_finite());
    let brightest = known.max_by(|a, b| a.0.total_cmp(&b.0));
    brightest.map_or((0.0, 0.0), |(_, x, y)| ((x + SIDE_PX / 2) as f64, (y + SIDE_PX / 2) as f64))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Sums of twelve uniform values of a seed (Steele, Lea & Flood 2014, SplitMix64): nearly Gaussian, variance 1.
    pub fn noise(width: usize, height: usize, seed: u64) -> Image {
        let mut state = seed;
        let mut unit = || {
            state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        };
        let data = (0..width * height).map(|_| ((0..12).map(|_| unit()).sum::<f64>() - 6.0) as f32).collect();
        Image { width, height, data }
    }

    #[test]
    fn shared_noise_is_seen_in_blocks() {
        let own = noise(512, 512, 3);
        let near = |image: &Image, pixel: f64, shared: f64| {
            let found = (pixel_variance(image).unwrap(), shared_variance(image).unwrap());
            // neighbouring differences share blocks: fewer are independent than there are
            assert!((found.0 / pixel - 1.0).abs() < 0.08, "{found:?}, expected {pixel}");
            assert!((found.1 / shared - 1.0).abs() < 0.15, "{found:?}, expected {shared}");
        };
        near(&own, 1.0, 1.0);
        // the mean of a pixel and its right neighbour: 1/2 in a pixel, all of it in a sum
        let mut paired = own.clone();
        for row in paired.data.chunks_mut(512) {
            (0..511).for_each(|x| row[x] = 0.5 * (row[x] + row[x + 1]));
        }
        near(&paired, 0.5, 1.0);
        // a gradient and a bright spot are no noise
        let mut bent = own;
        for (i, v) in bent.data.iter_mut().enumerate() {
            let (x, y) = ((i % 512) as f32, (i / 512) as f32);
            *v += 0.2 * x - 0.1 * y + 5000.0 / (1.0 + (x - 250.0).hypot(y - 250.0));
        }
        near(&bent, 1.0, 1.0);
        assert_eq!(shared_variance(&Image::filled(40, 40, 1.0)), None);
        assert_eq!(pixel_variance(&Image::filled(0, 0, 1.0)), None);
    }

    #[test]
    fn every_kind_of_extension_gives_a_variance() {
        assert_eq!(variance(Meaning::Variance, 4.0, 1.0), 4.0);
        assert_eq!(variance(Meaning::Sigma, 2.0, 1.0), 4.0);
        assert_eq!(variance(Meaning::InverseVariance, 0.25, 1.0), 4.0);
        assert_eq!(variance(Meaning::Weight, 2.0, 8.0), 4.0);
        for (meaning, value) in [(Meaning::Variance, 0.0), (Meaning::Sigma, -1.0), (Meaning::Weight, 0.0)] {
            assert!(variance(meaning, value, 1.0).is_nan(), "{meaning:?}");
        }
    }
}
