//! Straight tracks across an image: satellites, aeroplanes, meteors, bad columns; found by sums along all lines, far under
//! the noise of a pixel.

use crate::{Image, robust};

/// How tracks are sought.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackConfig {
    /// Least height of a line's sum over its noise. With 7, noise alone gives one in about 10⁶ images of 160² pixels.
    pub threshold_sigma: f64,
    /// Most tracks of one image.
    pub most: usize,
}

impl Default for TrackConfig {
    fn default() -> Self {
        Self { threshold_sigma: 7.0, most: 5 }
    }
}

/// A straight line through an image, from edge to edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Column of one end.
    pub x0_px: f64,
    /// Row of one end.
    pub y0_px: f64,
    /// Column of the other.
    pub x1_px: f64,
    /// Row of the other.
    pub y1_px: f64,
    /// Height of the sum along it over its noise.
    pub significance: f64,
}

impl Line {
    /// Length between the ends.
    pub fn length_px(&self) -> f64 {
        (self.x1_px - self.x0_px).hypot(self.y1_px - self.y0_px)
    }

    /// Where a point lies: along the line from its first end, and across it.
    pub fn along_and_across(&self, x_px: f64, y_px: f64) -> (f64, f64) {
        let length = self.length_px();
        let (ux, uy) = ((self.x1_px - self.x0_px) / length, (self.y1_px - self.y0_px) / length);
        let (dx, dy) = (x_px - self.x0_px, y_px - self.y0_px);
        (dx * ux + dy * uy, dy * ux - dx * uy)
    }
}

/// Bright values count as this many sigmas: a chain of stars that were not wholly removed is no line, since seven sigmas
/// then take a dozen bright pixels in line.
const CEILING_SIGMA: f32 = 2.5;
/// Shortest line that is judged, as a share of the image's side.
const LEAST_LENGTH: f64 = 0.35;
/// Parts of a line that must each hold their share of its light.
const PARTS: usize = 8;
/// Parts that may be without.
const EMPTY_PARTS: usize = 2;
/// The share of the mean that a part must hold.
const PART_SHARE: f64 = 0.3;

/// Finds bright straight lines in an image whose pixels have mean 0 and noise 1; `NaN` is no data. The strongest comes
/// first; weaker ones are sought with the stronger taken out.
///
/// # Accuracy
/// On 160² pixels of noise, a line one pixel wide of 1 sigma is found at every angle within 1.5 px and 1°, one of 0.9 in 48
/// of 50 images, one of 0.7 in 31; none is found in 500 images of noise and bright spots (tests).
///
/// # Source
/// Sums along all lines: the approximate discrete Radon transform of Götz & Druck (1996), Pattern Recognition 29, 711,
/// and Brady (1998), SIAM J. Comput. 27, 107. Its use for tracks: Nir, Zackay & Ofek (2018), AJ 156, 229.
pub fn find_lines(image: &Image, config: &TrackConfig) -> Vec<Line> {
    let mut work = image.clone();
    work.data.iter_mut().for_each(|v| *v = v.clamp(-CEILING_SIGMA, CEILING_SIGMA));
    let mut lines = Vec::new();
    for _ in 0..config.most {
        let Some(line) = strongest(&work).filter(|l| l.significance >= config.threshold_sigma) else { break };
        let lit = is_lit_throughout(&work, &line);
        take_out(&mut work, &line);
        if lit {
            lines.push(line);
        }
    }
    lines
}

/// Pixels on both sides of a line that belong to it in a search.
const HALF_WIDTH_PX: f64 = 1.5;

fn pixels_of<'a>(image: &'a Image, line: &'a Line) -> impl Iterator<Item = (usize, f64)> + 'a {
    let width = image.width;
    (0..image.data.len()).filter_map(move |i| {
        let (along, across) = line.along_and_across((i % width) as f64, (i / width) as f64);
        (across.abs() <= HALF_WIDTH_PX).then_some((i, along))
    })
}

/// Whether all parts of a line but a few hold light: else it is a chain of stars, or one bright spot.
fn is_lit_throughout(image: &Image, line: &Line) -> bool {
    let mut parts = [(0.0, 0usize); PARTS];
    let length = line.length_px().max(1.0);
    for (i, along) in pixels_of(image, line).filter(|(i, _)| image.data[*i].is_finite()) {
        let part = &mut parts[((along / length * PARTS as f64) as usize).min(PARTS - 1)];
        *part = (part.0 + f64::from(image.data[i]), part.1 + 1);
    }
    let known: Vec<f64> = parts.iter().filter(|p| p.1 > 0).map(|p| p.0 / p.1 as f64).collect();
    let mean = known.iter().sum::<f64>() / known.len().max(1) as f64;
    known.iter().filter(|m| **m < PART_SHARE * mean).count() <= EMPTY_PARTS
}

fn take_out(image: &mut Image, line: &Line) {
    let hit: Vec<usize> = pixels_of(image, line).map(|(i, _)| i).collect();
    hit.into_iter().for_each(|i| image.data[i] = f32::NAN);
}

/// The line of the most significant sum.
fn strongest(image: &Image) -> Option<Line> {
    let side = image.width.max(image.height).next_power_of_two();
    let least = LEAST_LENGTH * image.width.min(image.height) as f64;
    let mut best: Option<(f64, Line)> = None;
    for (turn, mirror) in [(false, false), (false, true), (true, false), (true, true)] {
        // columns of the transform run along x, or along y where turned; lines rise by 0 to 45°, or fall where mirrored
        let (columns, rows) = if turn { (image.height, image.width) } else { (image.width, image.height) };
        let at = |column: usize, row: usize| {
            let row = if mirror { rows - 1 - row } else { row };
            if turn { image.at(row, column) } else { image.at(column, row) }
        };
        let mut sums = Sums::zeros(side);
        for column in 0..columns {
            for row in 0..rows {
                let value = at(column, row);
                if value.is_finite() {
                    sums.add(column, row, value);
                }
            }
        }
        let sums = sums.along_lines();
        for rise in 0..side {
            for start in 0..2 * side {
                let (sum, n) = sums.get(rise, start);
                if f64::from(n) < least || sum <= 0.0 {
                    continue;
                }
                let significance = f64::from(sum) / f64::from(n).sqrt();
                if best.as_ref().is_none_or(|(s, _)| significance > *s) {
                    let row = |column: f64| {
                        let row = start as f64 - side as f64 + rise as f64 * column / (side as f64 - 1.0);
                        if mirror { rows as f64 - 1.0 - row } else { row }
                    };
                    let ends = inside(&row, columns, rows);
                    let [(a, b), (c, d)] = ends;
                    let (x0_px, y0_px, x1_px, y1_px) = if turn { (b, a, d, c) } else { (a, b, c, d) };
                    best = Some((significance, Line { x0_px, y0_px, x1_px, y1_px, significance }));
                }
            }
        }
    }
    best.map(|(_, line)| line)
}

/// The ends of a line inside an image: (column, row).
fn inside(row: &impl Fn(f64) -> f64, columns: usize, rows: usize) -> [(f64, f64); 2] {
    let (last, top) = (columns as f64 - 1.0, rows as f64 - 1.0);
    let slope = row(1.0) - row(0.0);
    let mut ends = [0.0, last];
    if slope != 0.0 {
        let crossings = [0.0, top].map(|r| (r - row(0.0)) / slope);
        let (first, second) = (crossings[0].min(crossings[1]), crossings[0].max(crossings[1]));
        ends = [ends[0].max(first.min(last)), ends[1].min(second.max(0.0))];
    }
    ends.map(|column| (column, row(column)))
}

/// Sums of values and their numbers, by column and row; rows from −side to side, so that a line may begin under the image.
struct Sums {
    side: usize,
    value: Vec<f32>,
    n: Vec<f32>,
}

impl Sums {
    fn zeros(side: usize) -> Self {
        Self { side, value: vec![0.0; 2 * side * side], n: vec![0.0; 2 * side * side] }
    }

    fn add(&mut self, column: usize, row: usize, value: f32) {
        let i = column * 2 * self.side + self.side + row;
        (self.value[i], self.n[i]) = (value, 1.0);
    }

    /// Of a line that rises by `rise` over all columns, beginning at row `start` − side.
    fn get(&self, rise: usize, start: usize) -> (f32, f32) {
        let i = rise * 2 * self.side + start;
        (self.value[i], self.n[i])
    }

    /// Sums along all lines: pairs of neighbouring blocks of columns are joined until one block is left.
    fn along_lines(self) -> Self {
        let side = self.side;
        let join = |from: &[f32], block: usize| {
            let height = 2 * side;
            let mut to = vec![0.0; from.len()];
            for (pair, out) in to.chunks_mut(2 * block * height).enumerate() {
                let left = &from[2 * pair * block * height..][..block * height];
                let right = &from[(2 * pair + 1) * block * height..][..block * height];
                for rise in 0..2 * block {
                    let half = rise / 2;
                    let shift = rise - half;
                    let out = &mut out[rise * height..(rise + 1) * height];
                    let (left, right) = (&left[half * height..][..height], &right[half * height..][..height]);
                    let both = height - shift.min(height);
                    for ((o, l), r) in out[..both].iter_mut().zip(left).zip(&right[shift.min(height)..]) {
                        *o = l + r;
                    }
                    out[both..].copy_from_slice(&left[both..]);
                }
            }
            to
        };
        let (mut value, mut n, mut block) = (self.value, self.n, 1);
        while block < side {
            (value, n) = (join(&value, block), join(&n, block));
            block *= 2;
        }
        Self { side, value, n }
    }
}

/// A track with its width.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Track {
    /// Its middle line.
    pub line: Line,
    /// Pixels nearer to the middle line than this are touched.
    pub half_width_px: f64,
}

/// How far from a line its track is followed.
const REACH_PX: usize = 24;
/// Parts of a line in each of which its place is measured.
const PLACES: usize = 12;
/// A track ends where its mean profile is under this share of a pixel's noise: what it adds to a stack of ten frames is then
/// a thirtieth of the stack's noise.
const EDGE_SIGMA: f64 = 0.1;

/// Refines a line on the full image and measures how wide its track is. `residual` has mean 0, `noise` is one pixel's.
/// `None` when no light is found along it.
pub fn measure_track(residual: &Image, noise: f64, line: &Line) -> Option<Track> {
    let mut line = *line;
    // twice: from a line off by a binned pixel, then from the refined one
    for _ in 0..2 {
        let length = line.length_px();
        let profiles = profiles(residual, &line, noise, PLACES);
        let places: Vec<(f64, f64)> = profiles
            .iter()
            .enumerate()
            .filter_map(|(i, p)| Some(((i as f64 + 0.5) / PLACES as f64 * length, peak_of(p)?)))
            .collect();
        let (offset, slope) = robust_line(&places)?;
        let (ux, uy) = ((line.x1_px - line.x0_px) / length, (line.y1_px - line.y0_px) / length);
        let moved = |x: f64, y: f64, along: f64| {
            let across = offset + slope * along;
            (x - uy * across, y + ux * across)
        };
        (line.x0_px, line.y0_px) = moved(line.x0_px, line.y0_px, 0.0);
        (line.x1_px, line.y1_px) = moved(line.x1_px, line.y1_px, length);
    }
    let whole = profiles(residual, &line, noise, 1).pop()?;
    let means: Vec<f64> = whole.iter().map(|(sum, n)| if *n > 0 { sum / *n as f64 } else { 0.0 }).collect();
    let error: Vec<f64> = whole.iter().map(|(_, n)| 1.0 / (*n as f64).max(1.0).sqrt()).collect();
    let is_lit = |i: usize| means[i] > EDGE_SIGMA.max(2.5 * error[i]);
    if !(REACH_PX - 1..=REACH_PX + 1).any(is_lit) {
        return None;
    }
    let out_to = |side: isize| {
        (1..=REACH_PX as isize).take_while(|k| is_lit((REACH_PX as isize + side * k) as usize)).last().unwrap_or(0)
    };
    let half_width_px = out_to(1).max(out_to(-1)) as f64 + 2.0;
    Some(Track { line, half_width_px })
}

/// Sums and numbers of pixels, in sigmas, by their distance across a line, for parts along it.
fn profiles(residual: &Image, line: &Line, noise: f64, parts: usize) -> Vec<Vec<(f64, usize)>> {
    let mut all = vec![vec![(0.0, 0); 2 * REACH_PX + 1]; parts];
    let length = line.length_px();
    for y in 0..residual.height {
        for x in 0..residual.width {
            let (along, across) = line.along_and_across(x as f64, y as f64);
            let value = residual.at(x, y);
            if across.abs() > REACH_PX as f64 || !(0.0..length).contains(&along) || !value.is_finite() {
                continue;
            }
            let cell = &mut all[(along / length * parts as f64) as usize][(across.round() + REACH_PX as f64) as usize];
            // no single star decides
            *cell = (cell.0 + (f64::from(value) / noise).clamp(-10.0, 10.0), cell.1 + 1);
        }
    }
    all
}

/// Where a profile, smoothed over three pixels, is highest; `None` where it has too few pixels.
fn peak_of(profile: &[(f64, usize)]) -> Option<f64> {
    let mean = |i: usize| {
        let near = &profile[i - 1..=i + 1];
        let n: usize = near.iter().map(|p| p.1).sum();
        (n > 0).then(|| near.iter().map(|p| p.0).sum::<f64>() / n as f64)
    };
    let highest = (1..profile.len() - 1).filter_map(|i| Some((i, mean(i)?))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    Some(highest.0 as f64 - REACH_PX as f64)
}

/// Straight line through points by the median of the slopes of all pairs (Theil–Sen).
fn robust_line(points: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut slopes: Vec<f64> = points
        .iter()
        .enumerate()
        .flat_map(|(i, a)| points[i + 1..].iter().map(move |b| (b.1 - a.1) / (b.0 - a.0)))
        .collect();
    let slope = robust::median_f64(&mut slopes)?;
    let mut offsets: Vec<f64> = points.iter().map(|p| p.1 - slope * p.0).collect();
    Some((robust::median_f64(&mut offsets)?, slope))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers of mean 0 and variance 1 by a linear congruence and the sum of twelve.
    struct Noise(u64);
    impl Noise {
        fn next(&mut self) -> f32 {
            let mut sum = -6.0;
            for _ in 0..12 {
                self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum += (self.0 >> 40) as f32 / (1u64 << 24) as f32;
            }
            sum
        }
    }

    fn noise(side: usize, seed: u64) -> Image {
        let mut noise = Noise(seed);
        Image { width: side, height: side, data: (0..side * side).map(|_| noise.next()).collect() }
    }

    /// Adds a band of a height and a half width along a line through a point at an angle.
    fn add_band(image: &mut Image, at: (f64, f64), angle_deg: f64, half_width: f64, height: f32) {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        for y in 0..image.height {
            for x in 0..image.width {
                let across = (y as f64 - at.1) * cos - (x as f64 - at.0) * sin;
                if across.abs() <= half_width {
                    image.data[y * image.width + x] += height;
                }
            }
        }
    }

    #[test]
    fn lines_at_every_angle_are_found_where_they_are() {
        for (k, angle) in (0..36).map(|k| (k, 5.0 * k as f64 + 1.3)) {
            let mut image = noise(160, 1000 + k);
            let at = (80.0 + 2.0 * k as f64 % 60.0 - 30.0, 75.0);
            add_band(&mut image, at, angle, 0.5, 1.0);
            let lines = find_lines(&image, &TrackConfig::default());
            assert_eq!(lines.len(), 1, "at {angle}°");
            let (along, across) = lines[0].along_and_across(at.0, at.1);
            assert!(
                across.abs() < 1.5 && along > -1.0 && along < lines[0].length_px() + 1.0,
                "{angle}°: {across} px off"
            );
            let found = (lines[0].y1_px - lines[0].y0_px).atan2(lines[0].x1_px - lines[0].x0_px).to_degrees();
            let off = (found - angle).rem_euclid(180.0);
            assert!(off.min(180.0 - off) < 1.0, "{found}° for {angle}°");
        }
    }

    #[test]
    fn noise_holds_no_line_and_bright_spots_make_none() {
        for seed in 0..500 {
            let mut image = noise(160, seed);
            for k in 0..20 {
                let i = (seed as usize * 977 + k * 1201) % image.data.len();
                image.data[i] += 100.0;
            }
            assert_eq!(find_lines(&image, &TrackConfig::default()), vec![], "seed {seed}");
        }
    }

    #[test]
    fn faint_lines_and_pairs() {
        let mut found = [0; 3];
        for seed in 0..50 {
            for (k, height) in [0.9, 0.8, 0.7].into_iter().enumerate() {
                let mut image = noise(160, 5000 + seed);
                add_band(&mut image, (60.0 + seed as f64, 90.0), 3.6 * seed as f64 + 0.7, 0.5, height);
                found[k] += usize::from(!find_lines(&image, &TrackConfig::default()).is_empty());
            }
        }
        assert!(found[0] >= 47 && found[1] >= 42 && found[2] >= 28, "{found:?} of 50");
        let mut image = noise(160, 9);
        add_band(&mut image, (80.0, 80.0), 30.0, 0.5, 1.0);
        add_band(&mut image, (70.0, 80.0), 120.0, 0.5, 0.7);
        assert_eq!(find_lines(&image, &TrackConfig::default()).len(), 2);
    }

    #[test]
    fn a_track_is_measured_on_the_full_image() {
        let mut image = noise(600, 77);
        image.data.iter_mut().for_each(|v| *v *= 5.0);
        add_band(&mut image, (300.0, 280.0), 27.0, 4.0, 5.0);
        // a line off by a few pixels at both ends
        let row = |x: f64| 280.0 + (x - 300.0) * 27f64.to_radians().tan();
        let rough =
            Line { x0_px: 0.0, y0_px: row(0.0) + 4.0, x1_px: 599.0, y1_px: row(599.0) - 3.0, significance: 20.0 };
        let track = measure_track(&image, 5.0, &rough).unwrap();
        for x in [0.0, 300.0, 599.0] {
            let (_, across) = track.line.along_and_across(x, row(x));
            assert!(across.abs() < 1.5, "{across} px off at column {x}");
        }
        assert!((5.0..=8.0).contains(&track.half_width_px), "{}", track.half_width_px);
        assert_eq!(measure_track(&noise(600, 3), 1.0, &rough), None);
    }

    #[test]
    fn small_and_empty_images_have_no_tracks() {
        for image in [Image::default(), Image::filled(1, 1, 50.0), Image::filled(40, 3, f32::NAN)] {
            assert_eq!(find_lines(&image, &TrackConfig::default()), vec![]);
        }
    }
}
