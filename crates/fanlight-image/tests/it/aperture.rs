//! Circles and pixels against photutils, sectors of rings against shapely.

use crate::common::numbers;
use fanlight_image::Image;
use fanlight_image::aperture::{Circle, circle_sum};
use fanlight_image::sector::Sector;

/// The image of both scripts.
fn image() -> Image {
    let (width, height) = (31, 23);
    let pixel = |i: usize| {
        let (x, y) = ((i % width) as f32, (i / width) as f32);
        1.0 + 0.5 * x + 2.0 * y + x * y / 8.0
    };
    Image { width, height, data: (0..width * height).map(pixel).collect() }
}

#[test]
fn sums_over_sectors_equal_polygons_of_shapely() {
    // reference/sector_shapely.py
    let image = image();
    let rows = numbers(include_str!("../data/sector_shapely.csv"));
    assert!(rows.len() > 40);
    for row in rows {
        let [x_px, y_px, inner_px, outer_px, from_rad, width_rad, area, sum] = row[..] else { panic!("eight a row") };
        let sector = Sector { x_px, y_px, inner_px, outer_px, from_rad, width_rad };
        let found = sector
            .overlap(image.width, image.height)
            .fold((0.0, 0.0), |(area, sum), (i, share)| (area + share, sum + share * f64::from(image.data[i])));
        // the polygons' arcs lack 4e-9 of their circle
        let tolerance = 1e-8 * outer_px * outer_px;
        assert!((found.0 - area).abs() < tolerance, "area {} for {area}: {sector:?}", found.0);
        assert!((found.1 - sum).abs() < 200.0 * tolerance, "sum {} for {sum}: {sector:?}", found.1);
    }
}

#[test]
fn sums_equal_photutils_exact() {
    // photutils 3.0.0, reference/aperture_photutils.py
    let image = image();
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
