//! An image at full size and as means of blocks of pixels.

use fanlight_image::Image;
use rayon::prelude::*;

/// An image and its means of 2 × 2, 4 × 4, … pixels, down to one tile.
pub struct Pyramid {
    levels: Vec<Image>,
}

/// The coarsest level fits into this.
const COARSEST_PX: usize = 256;

impl Pyramid {
    /// Of an image.
    pub fn new(image: Image) -> Self {
        let n = Self::sizes(image.width, image.height).len();
        let mut levels = vec![image];
        for level in 1..n {
            levels.push(halved(&levels[level - 1]));
        }
        Self { levels }
    }

    /// Level 0 is the image, level k the means of 2ᵏ × 2ᵏ pixels.
    pub fn level(&self, level: usize) -> Option<&Image> {
        self.levels.get(level)
    }

    /// Widths and heights of all levels of an image of this size.
    pub fn sizes(width: usize, height: usize) -> Vec<(usize, usize)> {
        let mut sizes = vec![(width, height)];
        while let Some(&(w, h)) = sizes.last().filter(|(w, h)| *w.max(h) > COARSEST_PX) {
            sizes.push((w.div_ceil(2), h.div_ceil(2)));
        }
        sizes
    }

    /// How many bytes its pixels take.
    pub fn bytes(&self) -> usize {
        self.levels.iter().map(|l| 4 * l.data.len()).sum()
    }
}

/// Means of 2 × 2 pixels, of those that have a value.
fn halved(image: &Image) -> Image {
    let (width, height) = (image.width.div_ceil(2), image.height.div_ceil(2));
    let mut data = vec![f32::NAN; width * height];
    data.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let upper = image.row(2 * y);
        let lower = if 2 * y + 1 < image.height { image.row(2 * y + 1) } else { &[] };
        for (x, mean) in row.iter_mut().enumerate() {
            let (mut sum, mut n) = (0.0, 0.0);
            for source in [upper, lower] {
                for value in source.iter().skip(2 * x).take(2).filter(|v| v.is_finite()) {
                    sum += value;
                    n += 1.0;
                }
            }
            if n > 0.0 {
                *mean = sum / n;
            }
        }
    });
    Image { width, height, data }
}
