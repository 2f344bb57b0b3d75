//! The smooth background of an image and its noise, from a mesh of cells.

use crate::robust::{self, ClipConfig};
use crate::{Image, ImageError, Mask, wide};
use rayon::prelude::*;

/// How a background is measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeshConfig {
    /// Side of a cell, px. Must be several times the size of whatever is not background.
    pub cell_px: usize,
    /// Pixels further from the cell's median than this many sigmas are clipped.
    pub kappa: f32,
    /// Most rounds of clipping.
    pub rounds: usize,
    /// Side of the median filter over cells; 1 is no filter.
    pub filter_cells: usize,
    /// Every how many-th pixel of a cell is read, along both axes; 1 reads all. A cell of 64 px read by every second
    /// pixel still gives its level to a thirtieth of the noise.
    pub sample_step: usize,
}

impl Default for MeshConfig {
    /// Cells of 64 px, three sigmas, ten rounds, a 3 × 3 filter.
    fn default() -> Self {
        Self { cell_px: 64, kappa: 3.0, rounds: 10, filter_cells: 3, sample_step: 1 }
    }
}

/// A background.
#[derive(Debug, Clone, PartialEq)]
pub struct Background {
    /// Level, image units per pixel.
    pub level: Image,
    /// Standard deviation of a pixel about it.
    pub noise: Image,
}

/// A cell's median is taken for its mode where the mean is off by more than this share of the scatter: then the tail
/// of the distribution is too long for the relation below.
const MAX_SKEW: f64 = 0.3;

/// The background of an image, and its noise.
///
/// Cells of about `cell_px` (fitted to the image so that all are alike) are clipped about their median; the level is
/// `2.5 median − 1.5 mean`, or the median where the two differ much. Cells with under half of their pixels good take
/// the mean of their neighbours. A median filter over cells follows, and a cubic interpolation.
///
/// # Errors
/// A cell under 4 px or no cell with enough good pixels; sizes that do not match.
///
/// # Accuracy
/// On a field with stars and a gradient, against sep 1.4: level within 0.07 of the pixel noise everywhere and 0.001 on
/// average, noise within 1.2 % (tests).
///
/// # Source
/// Bertin & Arnouts (1996), A&AS 117, 393, section 4.2, for the mode; Keys (1981), IEEE Trans. ASSP 29, 1153, for the
/// cubic.
pub fn mesh(image: &Image, mask: &Mask, config: &MeshConfig) -> Result<Background, ImageError> {
    let cells = Cells::measure(image, mask, config)?;
    let level = cells.map(image, config, |c| c.level)?;
    let mut noise = cells.map(image, config, |c| c.noise)?;
    // a cubic may undershoot beside a cell of high noise
    noise.data.iter_mut().for_each(|v| *v = if *v > 0.0 { *v } else { 0.0 });
    Ok(Background { level, noise })
}

/// Takes the level of [`mesh`] off an image, at half its cost.
///
/// # Errors
/// As [`mesh`]; the image is then as before.
pub fn take_off_level(image: &mut Image, mask: &Mask, config: &MeshConfig) -> Result<(), ImageError> {
    let cells = Cells::measure(image, mask, config)?;
    let values = cells.filtered(image, config, |c| c.level)?;
    cells.grid.interpolate(&values, &mut image.data, |pixel, level| *pixel -= level);
    Ok(())
}

/// The cells of an image, measured.
struct Cells {
    grid: Grid,
    cells: Vec<Option<Cell>>,
}

impl Cells {
    fn measure(image: &Image, mask: &Mask, config: &MeshConfig) -> Result<Self, ImageError> {
        ImageError::check_size("mask", (image.width, image.height), (mask.width, mask.height))?;
        if config.cell_px < 4 {
            let value = config.cell_px as f64;
            return Err(ImageError::BadSetting { setting: "cell_px", value, limit: "at least 4" });
        }
        if config.sample_step == 0 {
            return Err(ImageError::BadSetting { setting: "sample_step", value: 0.0, limit: "at least 1" });
        }
        ImageError::check_positive("kappa", f64::from(config.kappa))?;
        if image.data.is_empty() {
            return Err(ImageError::NoBackground { width: image.width, height: image.height });
        }
        let grid = Grid::over(image, config.cell_px);
        let cells = (0..grid.nx * grid.ny)
            .into_par_iter()
            .map_init(Vec::new, |buffer, i| measure_cell(image, mask, &grid, i, config, buffer))
            .collect();
        Ok(Self { grid, cells })
    }

    /// One number of the cells, filled, filtered and interpolated.
    fn map(&self, image: &Image, config: &MeshConfig, of: fn(&Cell) -> f64) -> Result<Image, ImageError> {
        let mut out = Image::filled(image.width, image.height, 0.0);
        self.grid.interpolate(&self.filtered(image, config, of)?, &mut out.data, |pixel, value| *pixel = value);
        Ok(out)
    }

    /// One number of the cells, filled and filtered.
    fn filtered(&self, image: &Image, config: &MeshConfig, of: fn(&Cell) -> f64) -> Result<Vec<f64>, ImageError> {
        let known: Vec<Option<f64>> = self.cells.iter().map(|c| c.as_ref().map(of)).collect();
        let filled =
            fill(known, &self.grid).ok_or(ImageError::NoBackground { width: image.width, height: image.height })?;
        Ok(median_filter(&filled, &self.grid, config.filter_cells))
    }
}

struct Cell {
    level: f64,
    noise: f64,
}

struct Grid {
    nx: usize,
    ny: usize,
    width: usize,
    height: usize,
}

impl Grid {
    fn over(image: &Image, cell_px: usize) -> Self {
        let cells = |n: usize| ((n + cell_px / 2) / cell_px).max(1);
        Self { nx: cells(image.width), ny: cells(image.height), width: image.width, height: image.height }
    }

    /// First pixel of a cell along an axis of `n` pixels and `cells` cells.
    fn edge(cell: usize, cells: usize, n: usize) -> usize {
        cell * n / cells
    }

    /// Hands every pixel of an image's data the cells' cubic interpolation there.
    fn interpolate(&self, values: &[f64], data: &mut [f32], put: impl Fn(&mut f32, f32) + Sync) {
        let columns = Axis::new(self.nx, self.width);
        let rows = Axis::new(self.ny, self.height);
        data.par_chunks_mut(self.width).enumerate().for_each(|(y, row)| {
            let (first, t) = rows.at(y);
            let across: Vec<f64> = (0..self.nx)
                .map(|i| {
                    let cubic = Cubic::through(first, |j| extended(|c| values[c * self.nx + i], self.ny, j));
                    cubic.at(t)
                })
                .collect();
            for span in &columns.spans {
                let cubic = Cubic::through(span.first, |i| extended(|c| across[c], self.nx, i));
                // relative to the span's own level, so that single precision costs a millionth of the change in it
                let [a, b, c, d] = cubic.0.map(|v| v as f32);
                wide(
                    #[inline(always)]
                    || {
                        for (pixel, t) in row[span.pixels.clone()].iter_mut().zip(&columns.t[span.pixels.clone()]) {
                            put(pixel, a + ((d * t + c) * t + b) * t);
                        }
                    },
                );
            }
        });
    }
}

/// A row of values continued in a straight line at both ends.
fn extended(value: impl Fn(usize) -> f64, n: usize, i: isize) -> f64 {
    let last = n as isize - 1;
    if n == 1 {
        value(0)
    } else if i < 0 {
        value(0) + i as f64 * (value(1) - value(0))
    } else if i > last {
        value(n - 1) + (i - last) as f64 * (value(n - 1) - value(n - 2))
    } else {
        value(i as usize)
    }
}

/// A cubic between the second and the third of four neighbouring cells: coefficients of 1, t, t², t³ for t from 0 to 1.
struct Cubic([f64; 4]);

impl Cubic {
    fn through(first: isize, value: impl Fn(isize) -> f64) -> Self {
        let [v0, v1, v2, v3] = std::array::from_fn(|k| value(first + k as isize));
        Self([v1, 0.5 * (v2 - v0), v0 - 2.5 * v1 + 2.0 * v2 - 0.5 * v3, 1.5 * (v1 - v2) + 0.5 * (v3 - v0)])
    }

    fn at(&self, t: f64) -> f64 {
        let [a, b, c, d] = self.0;
        a + ((d * t + c) * t + b) * t
    }
}

/// Pixels of an axis between the same four cells, the first of which may lie beyond the edge.
struct Span {
    pixels: std::ops::Range<usize>,
    first: isize,
}

/// Where the pixels of an axis lie between its cells.
struct Axis {
    spans: Vec<Span>,
    /// Way from the second of a pixel's four cells to the third.
    t: Vec<f32>,
}

impl Axis {
    fn new(cells: usize, n: usize) -> Self {
        let place = |x: usize| (x as f64 + 0.5) * cells as f64 / n as f64 - 0.5;
        let mut spans: Vec<Span> = Vec::with_capacity(cells + 1);
        for x in 0..n {
            let first = place(x).floor() as isize - 1;
            match spans.last_mut().filter(|s| s.first == first) {
                Some(span) => span.pixels.end = x + 1,
                None => spans.push(Span { pixels: x..x + 1, first }),
            }
        }
        Self { spans, t: (0..n).map(|x| (place(x) - place(x).floor()) as f32).collect() }
    }

    fn at(&self, x: usize) -> (isize, f64) {
        let i = self.spans.partition_point(|s| s.pixels.end <= x);
        (self.spans[i].first, f64::from(self.t[x]))
    }
}

fn measure_cell(
    image: &Image,
    mask: &Mask,
    grid: &Grid,
    cell: usize,
    config: &MeshConfig,
    buffer: &mut Vec<f32>,
) -> Option<Cell> {
    let (i, j) = (cell % grid.nx, cell / grid.nx);
    let (x0, x1) = (Grid::edge(i, grid.nx, grid.width), Grid::edge(i + 1, grid.nx, grid.width));
    let (y0, y1) = (Grid::edge(j, grid.ny, grid.height), Grid::edge(j + 1, grid.ny, grid.height));
    buffer.clear();
    let step = config.sample_step;
    for y in (y0..y1).step_by(step) {
        let row = y * image.width;
        let pairs = image.data[row + x0..row + x1].iter().zip(&mask.bits[row + x0..row + x1]).step_by(step);
        buffer.extend(pairs.filter(|(v, b)| **b == 0 && v.is_finite()).map(|(v, _)| *v));
    }
    if buffer.is_empty() || 2 * buffer.len() < (x1 - x0).div_ceil(step) * (y1 - y0).div_ceil(step) {
        return None;
    }
    mode(buffer, config)
}

/// Clipped mode and scatter.
fn mode(values: &[f32], config: &MeshConfig) -> Option<Cell> {
    let stats = robust::clipped(values, ClipConfig { kappa: config.kappa, rounds: config.rounds })?;
    let skewed = (stats.mean - stats.median).abs() > MAX_SKEW * stats.sigma;
    let level = if skewed { stats.median } else { 2.5 * stats.median - 1.5 * stats.mean };
    Some(Cell { level, noise: stats.sigma })
}

/// Gives cells without a value the mean of their known neighbours, ring by ring; `None` when no cell is known.
fn fill(mut cells: Vec<Option<f64>>, grid: &Grid) -> Option<Vec<f64>> {
    if cells.iter().all(Option::is_none) {
        return None;
    }
    while cells.iter().any(Option::is_none) {
        let before = cells.clone();
        for (i, cell) in cells.iter_mut().enumerate().filter(|(_, c)| c.is_none()) {
            let known: Vec<f64> = neighbours(i, (1, 1), grid).filter_map(|k| before[k]).collect();
            *cell = (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64);
        }
    }
    cells.into_iter().collect()
}

/// Median over a window that shrinks at the image's edge so as to stay symmetric: a slope passes unchanged.
fn median_filter(cells: &[f64], grid: &Grid, side: usize) -> Vec<f64> {
    let filtered = |i: usize| {
        let half = |at: usize, n: usize| (side / 2).min(at).min(n - 1 - at);
        let halves = (half(i % grid.nx, grid.nx), half(i / grid.nx, grid.ny));
        let mut around: Vec<f64> = neighbours(i, halves, grid).map(|k| cells[k]).collect();
        robust::median_f64(&mut around).unwrap_or(cells[i])
    };
    (0..cells.len()).map(filtered).collect()
}

/// Cells within so many columns and rows of a cell, itself included.
fn neighbours(cell: usize, (across, along): (usize, usize), grid: &Grid) -> impl Iterator<Item = usize> + use<> {
    let (i, j, nx) = (cell % grid.nx, cell / grid.nx, grid.nx);
    let (i1, j1) = ((i + across).min(nx - 1), (j + along).min(grid.ny - 1));
    (j.saturating_sub(along)..=j1).flat_map(move |b| (i.saturating_sub(across)..=i1).map(move |a| b * nx + a))
}
