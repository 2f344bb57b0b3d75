//! Noise that whole rows or columns share, found and taken off.
//!
//! The readout of many sensors gives every row of a frame a level of its own. The median over a row of its pixels less those
//! of a near row shows the difference of their levels: sky and coma change slowly from row to row, and stars, which are
//! brighter here as often as there, move a median of differences in neither direction.

use crate::calibrate::Calibrated;
use fanlight_image::robust;

/// Rows or columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Pixels of one row share a level.
    Rows,
    /// Pixels of one column share a level.
    Columns,
}

/// What the lines of a frame have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineNoise {
    /// Robust scatter of the lines' levels, electrons.
    pub scatter_e: f64,
    /// What the noise of single pixels gives alone.
    pub expected_e: f64,
}

impl LineNoise {
    /// Whether the lines differ by more than the noise of their pixels: by half as much again.
    pub fn is_significant(&self) -> bool {
        self.scatter_e > 1.5 * self.expected_e
    }

    /// Scatter of the levels with the pixels' share taken out, electrons.
    pub fn intrinsic_e(&self) -> f64 {
        (self.scatter_e.powi(2) - self.expected_e.powi(2)).max(0.0).sqrt()
    }
}

/// Distances of the lines on either side that a line is compared with.
const LAGS: [usize; 4] = [1, 2, 3, 4];
/// A line further from its neighbours than this many sigmas of all lines is light, not noise: a trail or a tail along it.
const LIGHT_SIGMA: f64 = 5.0;
/// Fewer lines, or pixels in a line, say nothing.
const LEAST: usize = 32;

/// Measures what the lines of a frame share, from the bend of every line between its two neighbours, which the slope of a coma
/// or a sky does not touch; `None` of a frame with fewer than 32 lines or pixels in a line.
pub fn measure(frame: &Calibrated, direction: Direction) -> Option<LineNoise> {
    let lines = Lines::of(frame, direction)?;
    // of lines on levels of their own the bend has 3/2 of their variance, and so it has of the pixels' noise
    let unbent = 1.5f64.sqrt();
    let mut values = Vec::with_capacity(lines.pixels);
    let mut single = Vec::new();
    let mut bends: Vec<f64> = (1..lines.count - 1)
        .filter_map(|line| {
            values.clear();
            values.extend(
                (0..lines.pixels)
                    .filter_map(|i| Some(0.5 * (lines.difference(line - 1, 1, i)? - lines.difference(line, 1, i)?))),
            );
            single.extend(values.iter().step_by(7));
            if values.len() * 2 < lines.pixels { None } else { robust::median(&mut values).map(f64::from) }
        })
        .collect();
    let scatter_e = robust::mad_sigma_f64(&mut bends)? / unbent;
    let pixel_e = f64::from(robust::mad_sigma(&mut single)?) / unbent;
    // the error of a median is sqrt(pi/2) times that of a mean
    Some(LineNoise { scatter_e, expected_e: (std::f64::consts::FRAC_PI_2 / lines.pixels as f64).sqrt() * pixel_e })
}

/// Takes from every line its level over that of the lines near it; lines that stand out from all others, and the first and
/// the last, stay as they are.
pub fn level(frame: &mut Calibrated, direction: Direction) {
    let Some(lines) = Lines::of(frame, direction) else { return };
    let mut apart = vec![Vec::with_capacity(LAGS.len()); lines.count];
    for lag in LAGS {
        let steps = lines.steps(lag);
        // both sides or none, so that a slope cancels
        for (line, apart) in apart.iter_mut().enumerate().skip(lag) {
            if let (Some(Some(after)), Some(before)) = (steps.get(line), steps[line - lag]) {
                apart.push(0.5 * (before - after));
            }
        }
    }
    // a median, so that a bright line does not darken those about it
    let levels: Vec<f64> = apart.iter_mut().map(|a| robust::median_f64(a).unwrap_or(0.0)).collect();
    let limit = LIGHT_SIGMA * robust::mad_sigma_f64(&mut levels.clone()).unwrap_or(0.0);
    let offsets: Vec<f32> = levels.iter().map(|l| if l.abs() <= limit { *l as f32 } else { 0.0 }).collect();
    let width = frame.image_e.width;
    for (row, line) in frame.image_e.data.chunks_mut(width.max(1)).enumerate() {
        match direction {
            Direction::Rows => line.iter_mut().for_each(|v| *v -= offsets[row]),
            Direction::Columns => line.iter_mut().zip(&offsets).for_each(|(v, d)| *v -= d),
        }
    }
}

/// The lines of a frame.
#[derive(Clone, Copy)]
struct Lines<'a> {
    frame: &'a Calibrated,
    direction: Direction,
    count: usize,
    pixels: usize,
}

impl<'a> Lines<'a> {
    fn of(frame: &'a Calibrated, direction: Direction) -> Option<Self> {
        let (width, height) = (frame.image_e.width, frame.image_e.height);
        let (count, pixels) = match direction {
            Direction::Rows => (height, width),
            Direction::Columns => (width, height),
        };
        (count >= LEAST && pixels >= LEAST).then_some(Self { frame, direction, count, pixels })
    }

    /// A pixel of the line `lag` further on less the same pixel of a line; `None` where either is bad.
    fn difference(&self, line: usize, lag: usize, i: usize) -> Option<f32> {
        let width = self.frame.image_e.width;
        let index = |line: usize| match self.direction {
            Direction::Rows => line * width + i,
            Direction::Columns => i * width + line,
        };
        let (a, b) = (index(line), index(line + lag));
        let good = self.frame.mask.bits[a] == 0 && self.frame.mask.bits[b] == 0;
        let difference = self.frame.image_e.data[b] - self.frame.image_e.data[a];
        (good && difference.is_finite()).then_some(difference)
    }

    /// The level of the line `lag` further on less that of each line; `None` where under half of the pixels are good.
    fn steps(&self, lag: usize) -> Vec<Option<f64>> {
        let mut values = Vec::with_capacity(self.pixels);
        (0..self.count - lag)
            .map(|line| {
                values.clear();
                values.extend((0..self.pixels).filter_map(|i| self.difference(line, lag, i)));
                if values.len() * 2 < self.pixels { None } else { robust::median(&mut values).map(f64::from) }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::{Image, Mask};

    fn frame(width: usize, height: usize, value: impl Fn(usize, usize) -> f64) -> Calibrated {
        let mut state = 88_172_645_463_325_252u64;
        let mut noise = || {
            let mut uniform = || {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                state as f64 / u64::MAX as f64
            };
            (0..12).map(|_| uniform()).sum::<f64>() - 6.0
        };
        let data = (0..width * height).map(|i| (value(i % width, i / width) + 20.0 * noise()) as f32).collect();
        Calibrated {
            image_e: Image::from_pixels(width, height, data).unwrap(),
            variance_e2: Image::filled(width, height, 400.0),
            mask: Mask::clear(width, height),
        }
    }

    /// Even between -1.73 and 1.73, rms 1, without structure from row to row.
    fn row_level(y: usize) -> f64 {
        let hash = (y as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let hash = (hash ^ (hash >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9) >> 40;
        (hash as f64 / f64::from(1u32 << 24) - 0.5) * 12f64.sqrt()
    }

    fn coma(x: usize, y: usize) -> f64 {
        4000.0 / ((x as f64 - 148.0).hypot(y as f64 - 151.0)).max(1.0)
    }

    #[test]
    fn rows_that_differ_are_found_and_levelled() {
        let mut noisy = frame(300, 300, |x, y| 500.0 + coma(x, y) + 10.0 * row_level(y));
        let found = measure(&noisy, Direction::Rows).unwrap();
        assert!(found.is_significant(), "{found:?}");
        // even numbers are not Gaussian, and 300 of them give their scatter to some 5 %
        assert!((found.intrinsic_e() / 10.0 - 1.0).abs() < 0.3, "{found:?}");
        assert!(!measure(&noisy, Direction::Columns).unwrap().is_significant());
        level(&mut noisy, Direction::Rows);
        let after = measure(&noisy, Direction::Rows).unwrap();
        assert!(after.scatter_e < 0.5 * found.scatter_e, "{after:?}");
        let turned = frame(300, 300, |x, y| 500.0 + coma(x, y) + 10.0 * row_level(x));
        assert!(measure(&turned, Direction::Columns).unwrap().is_significant());
        assert!(!measure(&turned, Direction::Rows).unwrap().is_significant());
    }

    #[test]
    fn even_rows_are_not() {
        let even = frame(300, 300, |x, y| 500.0 + coma(x, y) + 0.3 * y as f64);
        let found = measure(&even, Direction::Rows).unwrap();
        // 300 lines give the scatter to 6 %
        assert!((found.scatter_e / found.expected_e - 1.0).abs() < 0.2, "{found:?}");
        assert!(measure(&frame(20, 300, |_, _| 1.0), Direction::Rows).is_none());
    }

    /// Stars over a third of the frame, wider than a row: no noise of the rows.
    #[test]
    fn stars_are_not_taken_for_it() {
        let star = |x: usize, y: usize| -> f64 {
            (0..400)
                .map(|i| {
                    let (sx, sy) = ((i * 7919 % 300) as f64, (i * 104_729 % 299) as f64);
                    let d2 = (x as f64 - sx).powi(2) + (y as f64 - sy).powi(2);
                    if d2 > 40.0 { 0.0 } else { 60.0 * (1.0 + (i % 17) as f64) * (-d2 / 4.0).exp() }
                })
                .sum()
        };
        let crowded = frame(300, 300, |x, y| 500.0 + star(x, y));
        for direction in [Direction::Rows, Direction::Columns] {
            let found = measure(&crowded, direction).unwrap();
            assert!(!found.is_significant() && found.scatter_e < 1.3 * found.expected_e, "{found:?}");
        }
    }

    /// The light of a coma within 60 px of its nucleus, with the rows levelled and never disturbed: the same to 0.1 %.
    #[test]
    fn levelling_does_not_eat_the_coma() {
        let light = |f: &Calibrated| {
            let inside = |i: usize| ((i % 300) as f64 - 148.0).hypot((i / 300) as f64 - 151.0) <= 60.0;
            let sky = |i: usize| ((i % 300) as f64 - 148.0).hypot((i / 300) as f64 - 151.0) > 120.0;
            let mut far: Vec<f32> = (0..90_000).filter(|i| sky(*i)).map(|i| f.image_e.data[i]).collect();
            let level = f64::from(robust::median(&mut far).unwrap());
            (0..90_000).filter(|i| inside(*i)).map(|i| f64::from(f.image_e.data[i]) - level).sum::<f64>()
        };
        // ten times the light, so that the levels' own noise, which adds some 0.01 %, hides nothing
        let before = frame(300, 300, |x, y| 500.0 + 10.0 * coma(x, y));
        let mut after = before.clone();
        level(&mut after, Direction::Rows);
        level(&mut after, Direction::Columns);
        let ratio = light(&after) / light(&before);
        assert!((ratio - 1.0).abs() < 1e-3, "{ratio}");
    }

    #[test]
    fn a_bright_line_is_light() {
        let mut tail =
            frame(300, 300, |x, y| 500.0 + if y == 140 && x > 90 { 300.0 } else { 0.0 } + 10.0 * row_level(y));
        level(&mut tail, Direction::Rows);
        let row = |y: usize| tail.image_e.row(y)[100..].iter().map(|v| f64::from(*v)).sum::<f64>() / 200.0;
        assert!((row(140) - row(138) - 300.0).abs() < 25.0, "{} {}", row(140), row(138));
    }
}
