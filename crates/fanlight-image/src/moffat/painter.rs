//! Drawing stars of one shape into an image.

use super::StarImage;
use super::cutout::Reach;
use super::profile::StarProfile;
use crate::{Image, PixelBox};

/// A star image prepared to be drawn many times.
pub struct Painter {
    profile: StarProfile,
    trail_px: (f64, f64),
    table: Option<Table>,
}

impl Painter {
    /// Prepares a shape for a few stars: every pixel is integrated.
    pub fn new(shape: &StarImage) -> Self {
        let profile = StarProfile::new(&shape.seeing(), shape.trail_px());
        Self { profile, trail_px: shape.trail_px(), table: None }
    }

    /// Prepares a shape for hundreds of stars: within three widths pixels come from a table, right to 0.2 % of the
    /// brightest (tests), as long as the stars are no long trails.
    pub fn for_many(shape: &StarImage) -> Self {
        let few = Self::new(shape);
        let table = Table::new(shape, &few.profile);
        Self { table, ..few }
    }

    /// Adds a star to an image, out to a radius about its centre, or about its trail; what lies outside the image is left
    /// out.
    pub fn add(&self, image: &mut Image, x_px: f64, y_px: f64, flux: f64, radius_px: f64) {
        let reach = Reach { radius_px, trail_px: self.trail_px };
        let side_px = reach.half_side_px();
        let Some(area) = PixelBox::around(x_px, y_px, side_px, image.width, image.height) else { return };
        let tabulated = self.table.as_ref().map(|t| t.at(x_px, y_px, flux));
        for y in area.y0..area.y1 {
            let dy = y as f64 - y_px;
            let Some((first, end)) = reach.columns(dy, x_px, (area.x0, area.x1)) else { continue };
            let row = &mut image.data[y * image.width + first..y * image.width + end];
            let known = tabulated.as_ref().and_then(|t| t.row(y as isize, first, end));
            let (from, to) = known.as_ref().map_or((end, end), |k| (k.first, k.end));
            for (x, pixel) in (first..end).zip(row.iter_mut()).filter(|(x, _)| *x < from || *x >= to) {
                *pixel += (flux * self.profile.value(x as f64 - x_px, dy)) as f32;
            }
            if let Some(known) = known {
                known.add_to(&mut row[from - first..to - first]);
            }
        }
    }
}

/// Adds a star to an image, out to a radius about its centre, or about its trail; what lies outside the image is left out.
pub fn render_star(image: &mut Image, shape: &StarImage, x_px: f64, y_px: f64, flux: f64, radius_px: f64) {
    Painter::new(shape).add(image, x_px, y_px, flux, radius_px);
}

/// Takes a star off an image, out to a radius about its centre, or about its trail.
pub fn subtract_star(image: &mut Image, shape: &StarImage, x_px: f64, y_px: f64, flux: f64, radius_px: f64) {
    render_star(image, shape, x_px, y_px, -flux, radius_px);
}

/// Widths that a table reaches from the star, or from its trail's ends.
const TABLE_WIDTHS: f64 = 3.0;
/// Places of the star within a width that are tabulated: a straight line between them is off by 0.12 % of the centre at most.
const PLACES_PER_WIDTH: f64 = 24.0;
/// A table that reaches further would take longer than what it saves.
const TABLE_MAX_PX: f64 = 40.0;

/// Pixels about a star whose centre lies at one of a grid of places within a pixel.
struct Table {
    /// Places within a pixel along each axis, the next pixel's first one not counted.
    places: usize,
    /// Pixels from the star's own to the table's edge.
    half: isize,
    /// Side of a square of pixels.
    side: usize,
    /// One square for each place: by row and column of the place, then of the pixel.
    values: Vec<f32>,
}

impl Table {
    fn new(shape: &StarImage, profile: &StarProfile) -> Option<Self> {
        let seeing = shape.seeing();
        let reach_px = TABLE_WIDTHS * seeing.fwhm_major_px + 0.5 * shape.trail_length_px();
        if !(reach_px < TABLE_MAX_PX) || !(seeing.fwhm_minor_px > 0.5) {
            return None;
        }
        let places = (PLACES_PER_WIDTH / seeing.fwhm_minor_px).ceil().clamp(4.0, 32.0) as usize;
        let half = reach_px.ceil() as isize;
        // a star between its own pixel and the next is as far as a pixel nearer to the right edge
        let side = (2 * half + 2) as usize;
        let square = side * side;
        let mut values = vec![0.0; (places + 1) * (places + 1) * square];
        let last = values.len() - 1;
        let offset = |pixel: usize, place: usize| pixel as f64 - half as f64 - place as f64 / places as f64;
        // a star image is the same turned by half a turn, and so is the table read backwards
        for i in 0..values.len().div_ceil(2) {
            let (place, pixel) = (i / square, i % square);
            let dy = offset(pixel / side, place / (places + 1));
            let dx = offset(pixel % side, place % (places + 1));
            let value = profile.value(dx, dy) as f32;
            values[i] = value;
            values[last - i] = value;
        }
        Some(Self { places, half, side, values })
    }

    /// The squares about a star's place and how much each counts.
    fn at(&self, x_px: f64, y_px: f64, flux: f64) -> Tabulated<'_> {
        let (column, row) = (x_px.floor(), y_px.floor());
        let split = |fraction: f64| {
            let at = fraction * self.places as f64;
            let place = (at as usize).min(self.places - 1);
            (place, at - place as f64)
        };
        let ((px, u), (py, v)) = (split(x_px - column), split(y_px - row));
        let square = self.side * self.side;
        let of = |place_y: usize, place_x: usize| {
            let first = (place_y * (self.places + 1) + place_x) * square;
            &self.values[first..first + square]
        };
        Tabulated {
            first_column: column as isize - self.half,
            first_row: row as isize - self.half,
            side: self.side,
            squares: [of(py, px), of(py, px + 1), of(py + 1, px), of(py + 1, px + 1)],
            shares: [(1.0 - u) * (1.0 - v), u * (1.0 - v), (1.0 - u) * v, u * v].map(|s| (flux * s) as f32),
        }
    }
}

/// A table's squares about one star.
struct Tabulated<'a> {
    first_column: isize,
    first_row: isize,
    side: usize,
    squares: [&'a [f32]; 4],
    shares: [f32; 4],
}

impl<'a> Tabulated<'a> {
    /// The part of an image's row that the table holds.
    fn row(&self, y: isize, first: usize, end: usize) -> Option<TabulatedRow<'a>> {
        let row = usize::try_from(y - self.first_row).ok().filter(|row| *row < self.side)?;
        let inside = |x: usize| (x as isize).clamp(self.first_column, self.first_column + self.side as isize);
        let (first, end) = (inside(first), inside(end));
        let (from, to) = ((first - self.first_column) as usize, (end - self.first_column) as usize);
        if first < 0 || from >= to {
            return None;
        }
        let parts = self.squares.map(|square| &square[row * self.side + from..row * self.side + to]);
        Some(TabulatedRow { first: first as usize, end: end as usize, parts, shares: self.shares })
    }
}

/// Pixels of one row, by the four places about the star's.
struct TabulatedRow<'a> {
    first: usize,
    end: usize,
    parts: [&'a [f32]; 4],
    shares: [f32; 4],
}

impl TabulatedRow<'_> {
    fn add_to(&self, pixels: &mut [f32]) {
        let [a, b, c, d] = self.parts;
        let [wa, wb, wc, wd] = self.shares;
        let places = a.iter().zip(b).zip(c.iter().zip(d));
        for (pixel, ((a, b), (c, d))) in pixels.iter_mut().zip(places) {
            *pixel += (wa * a + wb * b) + (wc * c + wd * d);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moffat::Moffat;

    #[test]
    fn tabulated_stars_are_those_integrated() {
        let round = StarImage::from(Moffat::round(2.4, 3.2));
        let wide = Moffat { fwhm_major_px: 7.3, fwhm_minor_px: 5.9, angle_rad: 0.7, beta: 2.6 };
        let sharp = Moffat { fwhm_major_px: 1.7, fwhm_minor_px: 1.6, angle_rad: -0.4, beta: 4.0 };
        let trailed = StarImage::new(Moffat::round(3.0, 3.0), (4.0, -2.5));
        for shape in [round, wide.into(), sharp.into(), trailed] {
            let (exact, quick) = (Painter::new(&shape), Painter::for_many(&shape));
            assert!(quick.table.is_some());
            for (x, y) in [(40.0, 40.0), (40.49, 41.03), (39.999, 40.77), (3.2, 60.1), (79.6, -1.3)] {
                let (mut a, mut b) = (Image::filled(80, 80, 0.0), Image::filled(80, 80, 0.0));
                exact.add(&mut a, x, y, 1e4, 35.0);
                quick.add(&mut b, x, y, 1e4, 35.0);
                let brightest = 1e4 * shape.density()(0.0, 0.0);
                let worst = a.data.iter().zip(&b.data).map(|(a, b)| f64::from((a - b).abs())).fold(0.0, f64::max);
                assert!(worst < 2e-3 * brightest, "{worst} of {brightest} at {x} {y}");
                let sum = |image: &Image| image.data.iter().map(|v| f64::from(*v)).sum::<f64>();
                // of a star at the edge only a wing is seen, on which a straight line lies too high everywhere
                assert!((sum(&b) - sum(&a)).abs() < 2e-3 * sum(&a) + 1e-3, "{} {}", sum(&a), sum(&b));
            }
        }
        // a long trail has no table, and is drawn all the same
        let long = StarImage::new(Moffat::round(3.0, 3.0), (90.0, 0.0));
        assert!(Painter::for_many(&long).table.is_none());
    }
}
