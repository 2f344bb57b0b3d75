//! The image, its mask, and a measured value with its error.

/// A rectangular image of single-precision pixels.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Image {
    /// Pixels along a row (FITS NAXIS1).
    pub width: usize,
    /// Rows (FITS NAXIS2).
    pub height: usize,
    /// Row-major pixels: `(x, y)` is at `y * width + x`.
    pub data: Vec<f32>,
}

impl Image {
    /// An image of one constant value.
    pub fn filled(width: usize, height: usize, value: f32) -> Self {
        Self { width, height, data: vec![value; width * height] }
    }

    /// An image from its pixels; `None` when their number is not `width * height`.
    pub fn from_pixels(width: usize, height: usize, data: Vec<f32>) -> Option<Self> {
        (data.len() == width * height).then_some(Self { width, height, data })
    }

    /// The pixel at column `x`, row `y`. Panics outside the image, as slice indexing does.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }

    /// The pixel at column `x`, row `y`, or `None` outside the image.
    #[inline]
    pub fn get(&self, x: isize, y: isize) -> Option<f32> {
        self.index(x, y).map(|i| self.data[i])
    }

    /// The storage index of a pixel, or `None` outside the image.
    #[inline]
    pub fn index(&self, x: isize, y: isize) -> Option<usize> {
        (x >= 0 && y >= 0 && (x as usize) < self.width && (y as usize) < self.height)
            .then(|| y as usize * self.width + x as usize)
    }

    /// One row of pixels.
    pub fn row(&self, y: usize) -> &[f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// The part of the image inside `area`.
    pub fn crop(&self, area: PixelBox) -> Self {
        Self { width: area.width(), height: area.height(), data: crop(&self.data, self.width, area) }
    }
}

fn crop<T: Copy>(pixels: &[T], width: usize, area: PixelBox) -> Vec<T> {
    let mut out = Vec::with_capacity(area.width() * area.height());
    (area.y0..area.y1).for_each(|y| out.extend_from_slice(&pixels[y * width + area.x0..y * width + area.x1]));
    out
}

/// A half-open rectangle of whole pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PixelBox {
    /// First column.
    pub x0: usize,
    /// First row.
    pub y0: usize,
    /// One past the last column.
    pub x1: usize,
    /// One past the last row.
    pub y1: usize,
}

impl PixelBox {
    /// The box of pixels whose centres lie within `half_px` of a point along each axis, cut at the image's edge;
    /// `None` when nothing of it is inside the image.
    pub fn around(x_px: f64, y_px: f64, half_px: f64, width: usize, height: usize) -> Option<Self> {
        let low = |c: f64| (c - half_px).ceil().max(0.0);
        let high = |c: f64, n: usize| (c + half_px).floor().min(n as f64 - 1.0);
        let (x0, x1, y0, y1) = (low(x_px), high(x_px, width), low(y_px), high(y_px, height));
        (x0 <= x1 && y0 <= y1).then(|| Self {
            x0: x0 as usize,
            y0: y0 as usize,
            x1: x1 as usize + 1,
            y1: y1 as usize + 1,
        })
    }

    /// The smallest box that holds all of some; `None` of none.
    pub fn around_all(boxes: impl IntoIterator<Item = Self>) -> Option<Self> {
        let both =
            |a: Self, b: Self| Self { x0: a.x0.min(b.x0), y0: a.y0.min(b.y0), x1: a.x1.max(b.x1), y1: a.y1.max(b.y1) };
        boxes.into_iter().reduce(both)
    }

    /// Columns inside.
    pub fn width(&self) -> usize {
        self.x1 - self.x0
    }

    /// Rows inside.
    pub fn height(&self) -> usize {
        self.y1 - self.y0
    }

    /// Column and row of every pixel inside, row by row.
    pub fn pixels(self) -> impl Iterator<Item = (usize, usize)> {
        (self.y0..self.y1).flat_map(move |y| (self.x0..self.x1).map(move |x| (x, y)))
    }
}

/// Column and row of every pixel of an image whose centre lies within a distance of a point.
pub fn pixels_within(
    (x_px, y_px): (f64, f64),
    radius_px: f64,
    (width, height): (usize, usize),
) -> impl Iterator<Item = (usize, usize)> {
    let area = PixelBox::around(x_px, y_px, radius_px, width, height);
    let is_near =
        move |(x, y): &(usize, usize)| (*x as f64 - x_px).powi(2) + (*y as f64 - y_px).powi(2) <= radius_px * radius_px;
    area.into_iter().flat_map(PixelBox::pixels).filter(is_near)
}

/// Why a pixel is not to be trusted: bits of a [`Mask`].
pub mod flag {
    /// At or above the saturation level in the raw frame, or bled into.
    pub const SATURATED: u8 = 1;
    /// A hot, cold or unstable pixel of the detector.
    pub const DETECTOR: u8 = 2;
    /// Struck by a cosmic ray.
    pub const COSMIC_RAY: u8 = 4;
    /// Not a finite number, or no data here.
    pub const NO_DATA: u8 = 8;
    /// Under a star whose light could not be removed.
    pub const STAR: u8 = 16;
    /// Crossed by a satellite or an aeroplane.
    pub const SATELLITE: u8 = 32;
}

/// One byte of [`flag`] bits per pixel; 0 is a good pixel.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Mask {
    /// Pixels along a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Row-major flag bytes.
    pub bits: Vec<u8>,
}

impl Mask {
    /// A mask with every pixel good.
    pub fn clear(width: usize, height: usize) -> Self {
        Self { width, height, bits: vec![0; width * height] }
    }

    /// The mask of an image whose missing pixels are NaN.
    pub fn of_missing(image: &Image) -> Self {
        let bits = image.data.iter().map(|v| if v.is_nan() { flag::NO_DATA } else { 0 }).collect();
        Self { width: image.width, height: image.height, bits }
    }

    /// Whether the pixel at column `x`, row `y` is good.
    #[inline]
    pub fn is_good(&self, x: usize, y: usize) -> bool {
        self.bits[y * self.width + x] == 0
    }

    /// Pixels that carry any of the flags in `which`.
    pub fn count(&self, which: u8) -> usize {
        self.bits.iter().filter(|b| **b & which != 0).count()
    }

    /// The part of the mask inside `area`.
    pub fn crop(&self, area: PixelBox) -> Self {
        Self { width: area.width(), height: area.height(), bits: crop(&self.bits, self.width, area) }
    }
}

/// A measured value and its standard error (1σ). What the error holds and leaves out is said where one is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Its 1σ error, in the value's unit.
    pub sigma: f64,
}

impl Measured {
    /// A value with its error.
    pub fn new(value: f64, sigma: f64) -> Self {
        Self { value, sigma }
    }
}
