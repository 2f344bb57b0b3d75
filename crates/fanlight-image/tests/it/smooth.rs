//! Smoothing against scipy.

use crate::common::numbers;
use fanlight_image::{Image, smooth};

#[test]
fn gaussian_and_median_equal_scipy() {
    // scipy 1.17.1, reference/smooth_scipy.py; the same image as there.
    let (width, height) = (24, 17);
    let pixel = |i: usize| ((37 * (i % width) + 101 * (i / width)) % 64) as f32 - 20.0;
    let image = Image { width, height, data: (0..width * height).map(pixel).collect() };
    let (soft, median) = (smooth::gaussian(&image, 1.75), smooth::median3(&image));
    let rows = numbers(include_str!("../data/smooth_scipy.csv"));
    assert!(rows.len() > 60);
    for row in rows {
        let (x, y) = (row[0] as usize, row[1] as usize);
        // Single precision on values to 43.
        assert!((f64::from(soft.at(x, y)) - row[2]).abs() < 2e-5, "{} for {}", soft.at(x, y), row[2]);
        assert!(row[3].is_nan() || f64::from(median.at(x, y)) == row[3]);
    }
}
