//! Circles and pixels against photutils.

use crate::common::numbers;
use fanlight_image::Image;
use fanlight_image::aperture::{Circle, circle_sum};

#[test]
fn sums_equal_photutils_exact() {
    // photutils 3.0.0, reference/aperture_photutils.py; the same image as there.
    let (width, height) = (31, 23);
    let pixel = |i: usize| {
        let (x, y) = ((i % width) as f32, (i / width) as f32);
        1.0 + 0.5 * x + 2.0 * y + x * y / 8.0
    };
    let image = Image { width, height, data: (0..width * height).map(pixel).collect() };
    let rows = numbers(include_str!("../data/aperture_photutils.csv"));
    assert!(rows.len() > 60);
    for row in rows {
        let [x_px, y_px, radius_px, area, sum] = row[..] else { panic!("five numbers a row") };
        let found = circle_sum(&image, None, None, Circle { x_px, y_px, radius_px });
        // Both are exact up to rounding.
        assert!((found.area_px - area).abs() < 1e-9, "area {} for {area} at {x_px} {y_px} {radius_px}", found.area_px);
        assert!((found.sum - sum).abs() < 1e-9 * (1.0 + sum.abs()), "sum {} for {sum}", found.sum);
    }
}
