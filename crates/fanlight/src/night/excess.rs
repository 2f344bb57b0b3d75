//! What single frames have over the combination of all: tracks of satellites, found far under the noise of a pixel.

use fanlight_image::tracks::{self, Line, Track, TrackConfig};
use fanlight_image::{Image, robust};
use fanlight_io::IoError;

/// Side of the squares in which a frame's excess is summed.
const SQUARE_PX: usize = 8;
/// A square is judged when this share of its pixels is known.
const KNOWN_SHARE: f32 = 0.5;

/// A frame less the combination, summed in squares.
pub struct Excess {
    width: usize,
    height: usize,
    sum: Vec<f32>,
    n: Vec<f32>,
}

impl Excess {
    /// Nothing yet, for frames of a size.
    pub fn new((width, height): (usize, usize)) -> Self {
        let (width, height) = (width / SQUARE_PX, height / SQUARE_PX);
        Self { width, height, sum: vec![0.0; width * height], n: vec![0.0; width * height] }
    }

    /// Adds whole rows of a frame and of the combination, of `row_px` pixels each, from row `first` on.
    pub fn add(&mut self, first: usize, row_px: usize, values: &[f32], mean: &[f32]) {
        let rows = values.chunks_exact(row_px).zip(mean.chunks_exact(row_px)).zip(first..);
        for ((values, mean), y) in rows.filter(|(_, y)| y / SQUARE_PX < self.height) {
            let start = y / SQUARE_PX * self.width;
            let squares = values.chunks_exact(SQUARE_PX).zip(mean.chunks_exact(SQUARE_PX));
            let sums = self.sum[start..start + self.width].iter_mut().zip(&mut self.n[start..]);
            for ((sum, n), (values, mean)) in sums.zip(squares) {
                for d in values.iter().zip(mean).map(|(v, m)| v - m).filter(|d| d.is_finite()) {
                    *sum += d;
                    *n += 1.0;
                }
            }
        }
    }

    /// The squares over their noise, ring by ring about the comet: where a frame's seeing or transparency is a little off,
    /// it has an excess of the coma's own shape, which is no track, and the coma's light adds to the noise.
    fn significance(&self, comet_px: (f64, f64)) -> Image {
        let full = (SQUARE_PX * SQUARE_PX) as f32;
        let mean = |(sum, n): (&f32, &f32)| if *n >= KNOWN_SHARE * full { sum / n } else { f32::NAN };
        let mut data: Vec<f32> = self.sum.iter().zip(&self.n).map(mean).collect();
        let centre = [comet_px.0, comet_px.1].map(|c| (c + 0.5) / SQUARE_PX as f64 - 0.5);
        let ring_of = |i: usize| {
            let (x, y) = ((i % self.width) as f64, (i / self.width) as f64);
            ((x - centre[0]).hypot(y - centre[1]) / RING_SQUARES) as usize
        };
        let mut rings: Vec<Vec<usize>> = Vec::new();
        for i in (0..data.len()).filter(|i| data[*i].is_finite()) {
            let ring = ring_of(i);
            rings.resize_with(rings.len().max(ring + 1), Vec::new);
            rings[ring].push(i);
        }
        for ring in rings {
            let mut known: Vec<f32> = ring.iter().map(|i| data[*i]).collect();
            let median = robust::median(&mut known).unwrap_or(0.0);
            let sigma = robust::mad_sigma(&mut known).filter(|s| *s > 0.0 && ring.len() >= RING_LEAST);
            ring.iter().for_each(|i| data[*i] = sigma.map_or(f32::NAN, |s| (data[*i] - median) / s));
        }
        Image { width: self.width, height: self.height, data }
    }
}

/// Width of a ring.
const RING_SQUARES: f64 = 2.0;
/// Squares without which a ring says nothing of its own noise: the nucleus and what is nearest to it.
const RING_LEAST: usize = 16;

/// The tracks of a frame. `residual` gives the frame less the combination in full; it is asked for only where there is a
/// line to measure.
///
/// # Errors
/// When the residual cannot be had.
pub fn tracks_in(
    excess: &Excess,
    comet_px: (f64, f64),
    residual: impl FnOnce() -> Result<Image, IoError>,
) -> Result<Vec<Track>, IoError> {
    let lines = tracks::find_lines(&excess.significance(comet_px), &TrackConfig::default());
    if lines.is_empty() {
        return Ok(Vec::new());
    }
    let residual = residual()?;
    let mut sample: Vec<f32> = residual.data.iter().step_by(7).copied().filter(|v| v.is_finite()).collect();
    let noise = robust::mad_sigma(&mut sample).map_or(0.0, f64::from);
    let measured = lines.iter().filter_map(|l| tracks::measure_track(&residual, noise, &in_pixels(l)));
    Ok(if noise > 0.0 { measured.collect() } else { Vec::new() })
}

/// A line among squares as one among pixels.
fn in_pixels(line: &Line) -> Line {
    let centre = |square: f64| (square + 0.5) * SQUARE_PX as f64 - 0.5;
    Line {
        x0_px: centre(line.x0_px),
        y0_px: centre(line.y0_px),
        x1_px: centre(line.x1_px),
        y1_px: centre(line.y1_px),
        ..*line
    }
}

/// Takes the samples under a track out of whole rows of a frame, from row `first` on. The track is hidden from edge to edge.
pub fn hide(track: &Track, first: usize, row_px: usize, values: &mut [f32]) {
    for (row, y) in values.chunks_exact_mut(row_px).zip(first..) {
        for (x, value) in row.iter_mut().enumerate() {
            if track.line.along_and_across(x as f64, y as f64).1.abs() <= track.half_width_px {
                *value = f32::NAN;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn excess_is_summed_in_squares_and_a_track_is_hidden() {
        let (width, height) = (20, 17);
        let mut excess = Excess::new((width, height));
        let mut values = vec![1.0f32; width * height];
        values[9] = f32::NAN;
        let mean = vec![0.75f32; width * height];
        excess.add(0, width, &values[..16 * width], &mean[..16 * width]);
        excess.add(16, width, &values[16 * width..], &mean[16 * width..]);
        assert_eq!((excess.width, excess.height), (2, 2));
        assert_eq!(excess.sum, vec![16.0, 15.75, 16.0, 16.0]);
        assert_eq!(excess.n, vec![64.0, 63.0, 64.0, 64.0]);

        let line = Line { x0_px: 0.0, y0_px: 5.0, x1_px: 19.0, y1_px: 5.0, significance: 9.0 };
        hide(&Track { line, half_width_px: 1.0 }, 4, width, &mut values[4 * width..9 * width]);
        let hidden: Vec<usize> = (0..height).filter(|y| values[y * width + 3].is_nan()).collect();
        assert_eq!(hidden, vec![4, 5, 6]);
    }
}
