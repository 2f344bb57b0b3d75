//! From pixels as a camera stores them to pixels of the sky: the overscan level taken off, the overscan trimmed away, one
//! colour of a colour camera picked out.
//!
//! A colour is never interpolated: every cell of 2 × 2 pixels gives one pixel, of the red, the blue or the mean of the two
//! green ones, so that no light is counted twice and none is invented. The image is half the size.

use crate::ComaError;
use fanlight_image::{Image, PixelBox, robust};

/// A colour of a colour camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channel {
    /// Red.
    Red,
    /// Green.
    Green,
    /// Blue.
    Blue,
}

/// The colours of a 2 × 2 cell, `[row][column]` in the order of storage, the file's first pixel at `[0][0]`.
pub type Pattern = [[Channel; 2]; 2];

/// The pattern that a `BAYERPAT` names, as the file stores it.
///
/// `name` reads the cell at the upper left of the upright picture, row by row. `offset_px` (`XBAYROFF`, `YBAYROFF`) are the
/// columns and rows of the pattern that lie before the first pixel. Capture programs store the upper row first whether or
/// not they say so (`ROWORDER` `TOP-DOWN`); where the frame says that its first stored row is the lowest (`BOTTOM-UP`),
/// `bottom_up_rows` is the number of rows, and the pattern is counted from the last.
///
/// # Errors
/// When the name is not RGGB, BGGR, GRBG or GBRG.
pub fn pattern(name: &str, offset_px: (i64, i64), bottom_up_rows: Option<usize>) -> Result<Pattern, ComaError> {
    let letters: Vec<char> = name.trim().to_uppercase().chars().collect();
    let channel = |letter: &char| match letter {
        'R' => Channel::Red,
        'G' => Channel::Green,
        _ => Channel::Blue,
    };
    let known = ["RGGB", "BGGR", "GRBG", "GBRG"].iter().any(|k| k.chars().eq(letters.iter().copied()));
    if !known {
        return Err(ComaError::BadHeader {
            keyword: "BAYERPAT",
            value: name.trim().to_owned(),
            problem: "is not RGGB, BGGR, GRBG or GBRG".to_owned(),
        });
    }
    let at = |x: i64, y: i64| {
        let from_top = bottom_up_rows.map_or(y, |rows| rows as i64 - 1 - y);
        let (column, row) = ((x + offset_px.0).rem_euclid(2), (from_top + offset_px.1).rem_euclid(2));
        channel(&letters[(2 * row + column) as usize])
    };
    Ok([[at(0, 0), at(1, 0)], [at(0, 1), at(1, 1)]])
}

/// A section of an image in FITS notation, `[x0:x1,y0:y1]`: pixels counted from 1, both ends included, either first; `*`
/// for a whole axis. `None` for `[0:0,0:0]`, which some programs write for "there is none".
///
/// # Errors
/// When it is no section, or reaches beyond the image.
pub fn section(keyword: &'static str, text: &str, size: (usize, usize)) -> Result<Option<PixelBox>, ComaError> {
    let bad = |problem: String| ComaError::BadHeader { keyword, value: text.trim().to_owned(), problem };
    let no_section = || bad("is no section [x0:x1,y0:y1]".to_owned());
    let inside = text.trim().strip_prefix('[').and_then(|t| t.strip_suffix(']')).ok_or_else(no_section)?;
    let axes: Vec<&str> = inside.split(',').map(str::trim).collect();
    let [x, y] = axes[..] else { return Err(no_section()) };
    let ends = |axis: &str, n: usize| -> Option<(usize, usize)> {
        if axis == "*" {
            return Some((1, n));
        }
        let (a, b) = axis.split_once(':')?;
        let (a, b) = (a.trim().parse::<usize>().ok()?, b.trim().parse::<usize>().ok()?);
        Some((a.min(b), a.max(b)))
    };
    let (x, y) = ends(x, size.0).zip(ends(y, size.1)).ok_or_else(no_section)?;
    if x == (0, 0) && y == (0, 0) {
        return Ok(None);
    }
    if x.0 == 0 || y.0 == 0 || x.1 > size.0 || y.1 > size.1 {
        return Err(bad(format!("reaches beyond the {} x {} px image", size.0, size.1)));
    }
    Ok(Some(PixelBox { x0: x.0 - 1, y0: y.0 - 1, x1: x.1, y1: y.1 }))
}

/// How the frames of a night are stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Readout {
    stored_px: (usize, usize),
    trim: PixelBox,
    overscan: Option<PixelBox>,
    /// Places of the wanted colour in every cell, columns and rows from the trimmed image's first pixel.
    places: Option<Vec<(usize, usize)>>,
}

impl Readout {
    /// Frames of this size that are used as they are stored.
    pub fn plain(width: usize, height: usize) -> Self {
        let trim = PixelBox { x0: 0, y0: 0, x1: width, y1: height };
        Self { stored_px: (width, height), trim, overscan: None, places: None }
    }

    /// With the part that saw the sky and the part that saw none.
    ///
    /// # Errors
    /// When the two overlap.
    pub fn trimmed(self, trim: PixelBox, overscan: Option<PixelBox>) -> Result<Self, ComaError> {
        let overlap = |o: &PixelBox| o.x0 < trim.x1 && trim.x0 < o.x1 && o.y0 < trim.y1 && trim.y0 < o.y1;
        if let Some(o) = overscan.filter(overlap) {
            return Err(ComaError::BadHeader {
                keyword: "BIASSEC",
                value: format!("[{}:{},{}:{}]", o.x0 + 1, o.x1, o.y0 + 1, o.y1),
                problem: "overlaps the part of the image that saw the sky".to_owned(),
            });
        }
        Ok(Self { trim, overscan, ..self })
    }

    /// With one colour of a colour camera; the pattern counts from the file's first pixel.
    pub fn of_channel(self, pattern: &Pattern, channel: Channel) -> Self {
        let colour = |x: usize, y: usize| pattern[(self.trim.y0 + y) % 2][(self.trim.x0 + x) % 2];
        let cell = [(0, 0), (1, 0), (0, 1), (1, 1)];
        let places = cell.into_iter().filter(|(x, y)| colour(*x, *y) == channel).collect();
        Self { places: Some(places), ..self }
    }

    /// The same for frames that were trimmed before they were stored.
    pub fn without_overscan(&self) -> Self {
        let (width, height) = (self.trim.width(), self.trim.height());
        Self { places: self.places.clone(), ..Self::plain(width, height) }
    }

    /// Size as stored.
    pub fn stored_px(&self) -> (usize, usize) {
        self.stored_px
    }

    /// Size of the images that come out.
    pub fn size_px(&self) -> (usize, usize) {
        let step = self.step();
        (self.trim.width() / step, self.trim.height() / step)
    }

    /// Whether frames are used as they are stored.
    pub fn is_plain(&self) -> bool {
        *self == Self::plain(self.stored_px.0, self.stored_px.1)
    }

    /// The part of a frame that saw no light.
    pub fn overscan(&self) -> Option<PixelBox> {
        self.overscan
    }

    /// Stored pixels along a side of one that comes out.
    pub fn step(&self) -> usize {
        if self.places.is_some() { 2 } else { 1 }
    }

    /// Where the light of the pixel (0, 0) that comes out fell, in stored pixels: its middle.
    pub fn origin_px(&self) -> (f64, f64) {
        let mean = |of: fn(&(usize, usize)) -> usize| match &self.places {
            Some(places) => places.iter().map(of).sum::<usize>() as f64 / places.len() as f64,
            None => 0.0,
        };
        (self.trim.x0 as f64 + mean(|p| p.0), self.trim.y0 as f64 + mean(|p| p.1))
    }

    /// Stored pixels whose mean is one that comes out: two of the green ones, else one. The electrons of all of them are
    /// counted: electrons per count grow by this factor, the read noise by its root.
    pub fn pixels_averaged(&self) -> usize {
        self.places.as_ref().map_or(1, Vec::len)
    }

    /// The stored pixels that a part of the image takes.
    pub fn stored_area(&self, area: PixelBox) -> PixelBox {
        let step = self.step();
        PixelBox {
            x0: self.trim.x0 + step * area.x0,
            y0: self.trim.y0 + step * area.y0,
            x1: self.trim.x0 + step * area.x1,
            y1: self.trim.y0 + step * area.y1,
        }
    }

    /// The level of a frame's overscan, for the rows of a part of the image as it is stored.
    ///
    /// An overscan beside the picture gives one level per row, the clipped mean of its pixels, smoothed by a running median
    /// over 51 rows: what drifts during readout is followed, and the noise of a single row, which would be printed onto the
    /// picture, is not. An overscan above or below gives one level.
    pub fn overscan_level(&self, overscan: &Image, stored_area: PixelBox) -> Vec<f32> {
        let rows = stored_area.y0..stored_area.y1;
        let Some(at) = self.overscan else { return vec![0.0; rows.len()] };
        let clip = robust::ClipConfig { kappa: 4.0, rounds: 3 };
        let mean = |values: &[f32]| robust::clipped(values, clip).map(|s| s.mean as f32);
        let is_beside = at.y0 <= self.trim.y0 && at.y1 >= self.trim.y1;
        if !is_beside {
            return vec![mean(&overscan.data).unwrap_or(0.0); rows.len()];
        }
        let of_rows: Vec<f32> = (0..overscan.height).filter_map(|y| mean(overscan.row(y))).collect();
        rows.map(|y| {
            let middle = (y - at.y0).min(of_rows.len().saturating_sub(1));
            let near = middle.saturating_sub(SMOOTHED_ROWS)..(middle + SMOOTHED_ROWS + 1).min(of_rows.len());
            robust::median(&mut of_rows[near].to_vec()).unwrap_or(0.0)
        })
        .collect()
    }

    /// The image of a stored part. `level`, one per row, is taken off. A pixel at or above `saturation_adu` keeps its stored
    /// counts, and where one of two is, the higher counts: so that saturation still shows.
    pub fn image(&self, stored: Image, level: Option<&[f32]>, saturation_adu: f64) -> Image {
        let limit = saturation_adu as f32;
        let mut stored = stored;
        if let Some(level) = level {
            for (row, level) in stored.data.chunks_mut(stored.width.max(1)).zip(level) {
                row.iter_mut().filter(|v| **v < limit).for_each(|v| *v -= level);
            }
        }
        let Some(places) = &self.places else { return stored };
        let (width, height) = (stored.width / 2, stored.height / 2);
        let scale = 1.0 / places.len() as f32;
        let mut data = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let (mut sum, mut highest) = (0.0, f32::NEG_INFINITY);
                for (dx, dy) in places {
                    let value = stored.data[(2 * y + dy) * stored.width + 2 * x + dx];
                    sum += value;
                    highest = highest.max(value);
                }
                data.push(if highest >= limit { highest } else { sum * scale });
            }
        }
        Image { width, height, data }
    }
}

/// Rows on either side that the overscan level of a row is smoothed over.
const SMOOTHED_ROWS: usize = 25;

#[cfg(test)]
mod tests {
    use super::*;
    use Channel::{Blue, Green, Red};

    #[test]
    fn patterns_by_name_offset_and_row_order() {
        let of = |name, offset, rows| pattern(name, offset, rows).unwrap();
        assert_eq!(of("RGGB", (0, 0), None), [[Red, Green], [Green, Blue]]);
        assert_eq!(of(" bggr ", (0, 0), None), [[Blue, Green], [Green, Red]]);
        assert_eq!(of("GRBG", (0, 0), None), [[Green, Red], [Blue, Green]]);
        assert_eq!(of("GBRG", (0, 0), None), [[Green, Blue], [Red, Green]]);
        // one column on, then one row
        assert_eq!(of("RGGB", (1, 0), None), of("GRBG", (0, 0), None));
        assert_eq!(of("RGGB", (0, 1), None), of("GBRG", (0, 0), None));
        assert_eq!(of("RGGB", (-1, 3), None), of("BGGR", (0, 0), None));
        // stored from below: of an even number of rows the first stored is the cell's lower
        assert_eq!(of("RGGB", (0, 0), Some(100)), of("GBRG", (0, 0), None));
        assert_eq!(of("RGGB", (0, 0), Some(101)), of("RGGB", (0, 0), None));
        for name in ["", "RGB", "RGBG", "CYGM", "RGGBX"] {
            assert!(pattern(name, (0, 0), None).is_err(), "{name}");
        }
    }

    #[test]
    fn sections_in_fits_notation() {
        let of = |text| section("TRIMSEC", text, (100, 50));
        let area = |x0, x1, y0, y1| Some(PixelBox { x0, y0, x1, y1 });
        assert_eq!(of("[1:90,1:50]"), Ok(area(0, 90, 0, 50)));
        assert_eq!(of(" [ 91:100 , 2:50 ] "), Ok(area(90, 100, 1, 50)));
        assert_eq!(of("[90:1,*]"), Ok(area(0, 90, 0, 50)));
        assert_eq!(of("[0:0,0:0]"), Ok(None));
        for text in ["[1:101,1:50]", "[0:10,1:50]", "[1:10]", "1:10,1:10", "[a:b,1:2]", "", "[1:-3,1:4]"] {
            let error = of(text).unwrap_err().to_string();
            assert!(error.contains("TRIMSEC") && error.contains(text.trim()), "{error}");
        }
        let overlap = Readout::plain(100, 50).trimmed(area(0, 91, 0, 50).unwrap(), area(90, 100, 0, 50));
        assert!(overlap.unwrap_err().to_string().contains("[91:100,1:50]"));
    }

    /// Every value is 100 × row + column.
    fn numbered(width: usize, height: usize) -> Image {
        Image::from_pixels(width, height, (0..width * height).map(|i| (100 * (i / width) + i % width) as f32).collect())
            .unwrap()
    }

    #[test]
    fn colours_are_picked_and_never_mixed() {
        let stored = numbered(6, 4);
        let rggb = pattern("RGGB", (0, 0), None).unwrap();
        let of = |channel| Readout::plain(6, 4).of_channel(&rggb, channel);
        let whole = |channel| of(channel).image(stored.clone(), None, f64::INFINITY).data;
        assert_eq!(whole(Red), [0.0, 2.0, 4.0, 200.0, 202.0, 204.0]);
        assert_eq!(whole(Blue), [101.0, 103.0, 105.0, 301.0, 303.0, 305.0]);
        assert_eq!(whole(Green), [50.5, 52.5, 54.5, 250.5, 252.5, 254.5]);
        assert_eq!((of(Green).size_px(), of(Green).pixels_averaged(), of(Red).pixels_averaged()), ((3, 2), 2, 1));
        assert_eq!(
            (of(Green).origin_px(), of(Red).origin_px(), of(Blue).origin_px()),
            ((0.5, 0.5), (0.0, 0.0), (1.0, 1.0))
        );
        // a part takes the pixels that the whole takes
        let part = PixelBox { x0: 1, y0: 1, x1: 3, y1: 2 };
        let cut = stored.crop(of(Green).stored_area(part));
        assert_eq!(of(Green).image(cut, None, f64::INFINITY).data, [252.5, 254.5]);
    }

    #[test]
    fn a_saturated_pixel_of_two_shows() {
        let stored = Image::from_pixels(4, 2, vec![0.0, 10.0, 0.0, 90.0, 12.0, 0.0, 20.0, 0.0]).unwrap();
        let readout = Readout::plain(4, 2).of_channel(&pattern("RGGB", (0, 0), None).unwrap(), Green);
        assert_eq!(readout.image(stored, None, 80.0).data, [11.0, 90.0]);
    }

    #[test]
    fn overscan_follows_a_drift_and_no_single_row() {
        let (trim, overscan) =
            (PixelBox { x0: 4, y0: 0, x1: 54, y1: 200 }, PixelBox { x0: 54, y0: 0, x1: 70, y1: 200 });
        let readout = Readout::plain(70, 200).trimmed(trim, Some(overscan)).unwrap();
        assert_eq!(readout.size_px(), (50, 200));
        // level 500 + 0.05 per row, a row of 40 more, two pixels struck by cosmic rays
        let level = |y: usize| 500.0 + 0.05 * y as f32;
        let mut strip = Image::filled(16, 200, 0.0);
        for y in 0..200 {
            let jump = if y == 120 { 40.0 } else { 0.0 };
            strip.data[y * 16..(y + 1) * 16].fill(level(y) + jump);
        }
        strip.data[30 * 16 + 3] = 9000.0;
        strip.data[31 * 16 + 9] = 9000.0;
        let part = PixelBox { x0: 10, y0: 100, x1: 20, y1: 140 };
        let stored = readout.stored_area(part);
        assert_eq!(stored, PixelBox { x0: 14, y0: 100, x1: 24, y1: 140 });
        let found = readout.overscan_level(&strip, stored);
        for (i, l) in found.iter().enumerate() {
            // the jump moves the median by at most half a step between rows
            assert!((l - level(100 + i)).abs() < 0.06, "{i} {l}");
        }
        let mut sky = Image::filled(10, 40, 0.0);
        (0..40).for_each(|y| sky.data[y * 10..(y + 1) * 10].fill(level(100 + y) + 7.0));
        sky.data[5] = 60_000.0;
        let image = readout.image(sky, Some(&found), 50_000.0);
        assert!(image.data[6..].iter().all(|v| (v - 7.0).abs() < 0.07));
        assert_eq!(image.data[5], 60_000.0);
        // above the picture there is one level
        let above = PixelBox { x0: 0, y0: 200, x1: 50, y1: 210 };
        let readout = Readout::plain(50, 210).trimmed(PixelBox { x0: 0, y0: 0, x1: 50, y1: 200 }, Some(above)).unwrap();
        let flat = Image::filled(50, 10, 300.0);
        assert_eq!(readout.overscan_level(&flat, PixelBox { x0: 0, y0: 5, x1: 9, y1: 8 }), [300.0; 3]);
    }
}
