//! Lines of one level through an image: marching squares.

use crate::Image;
use std::collections::HashMap;

/// Lines along which the image, linear between pixels, has the value `level`, in pixel coordinates.
///
/// A closed line ends on its first point; others end at the image's edge or at missing pixels, whose four cells are
/// skipped. Higher values lie to the left of a line's direction as drawn with y upward, so a peak is circled from +x
/// toward +y. Pixels equal to the level count as above it. In saddles, where the four pixels do not say which ones
/// belong together, their mean decides. Open lines come first, each kind in the order of the image's rows.
///
/// # Source
/// Lorensen & Cline 1987, Computer Graphics 21, 163, in two dimensions.
pub fn lines(image: &Image, level: f32) -> Vec<Vec<(f64, f64)>> {
    let segments = segments(image, level);
    // Each crossing starts at most one segment and ends at most one.
    let starts: HashMap<usize, usize> = segments.iter().enumerate().map(|(i, s)| (s.0, i)).collect();
    let ends: HashMap<usize, usize> = segments.iter().enumerate().map(|(i, s)| (s.1, i)).collect();
    let mut used = vec![false; segments.len()];
    let mut lines = Vec::new();
    let open_first = (0..segments.len()).filter(|i| !ends.contains_key(&segments[*i].0)).chain(0..segments.len());
    for first in open_first {
        if used[first] {
            continue;
        }
        let mut line = vec![crossing(image, level, segments[first].0)];
        let mut next = Some(first);
        while let Some(segment) = next.filter(|i| !used[*i]) {
            used[segment] = true;
            let end = segments[segment].1;
            let point = crossing(image, level, end);
            // Where the level is met exactly at a pixel, neighbouring crossings coincide.
            if line.last() != Some(&point) {
                line.push(point);
            }
            next = starts.get(&end).copied();
        }
        if line.len() > 1 {
            lines.push(line);
        }
    }
    lines
}

/// Edges between neighbouring pixels: 2·index for the one to the right of a pixel, 2·index + 1 for the one above.
fn segments(image: &Image, level: f32) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    for y in 0..image.height.saturating_sub(1) {
        let (low, high) = (image.row(y), image.row(y + 1));
        for x in 0..image.width.saturating_sub(1) {
            // Corners anticlockwise from the lowest left.
            let corners = [low[x], low[x + 1], high[x + 1], high[x]];
            let above = |i: usize| corners[i] >= level;
            let case = (0..4).fold(0u8, |c, i| c | u8::from(above(i)) << i);
            if case == 0 || case == 15 || corners.iter().any(|v| !v.is_finite()) {
                continue;
            }
            let index = y * image.width + x;
            let (bottom, right, top, left) = (2 * index, 2 * (index + 1) + 1, 2 * (index + image.width), 2 * index + 1);
            let high_centre = || corners.iter().map(|v| f64::from(*v)).sum::<f64>() >= 4.0 * f64::from(level);
            // Each segment leaves the corners above the level on its left.
            let (one, two) = match case {
                1 => ((bottom, left), None),
                2 => ((right, bottom), None),
                3 => ((right, left), None),
                4 => ((top, right), None),
                6 => ((top, bottom), None),
                7 => ((top, left), None),
                8 => ((left, top), None),
                9 => ((bottom, top), None),
                11 => ((right, top), None),
                12 => ((left, right), None),
                13 => ((bottom, right), None),
                14 => ((left, bottom), None),
                5 if high_centre() => ((bottom, right), Some((top, left))),
                5 => ((bottom, left), Some((top, right))),
                _ if high_centre() => ((left, bottom), Some((right, top))),
                _ => ((right, bottom), Some((left, top))),
            };
            found.push(one);
            found.extend(two);
        }
    }
    found
}

/// The point on an edge where the level is met, linear between its two pixels.
fn crossing(image: &Image, level: f32, edge: usize) -> (f64, f64) {
    let index = edge / 2;
    let (x, y) = ((index % image.width) as f64, (index / image.width) as f64);
    let upward = edge % 2 == 1;
    let from = f64::from(image.data[index]);
    let to = f64::from(image.data[index + if upward { image.width } else { 1 }]);
    let share = (f64::from(level) - from) / (to - from);
    if upward { (x, y + share) } else { (x + share, y) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn image_of(width: usize, height: usize, f: impl Fn(f64, f64) -> f64) -> Image {
        let data = (0..width * height).map(|i| f((i % width) as f64, (i / width) as f64) as f32).collect();
        Image { width, height, data }
    }

    fn signed_area(line: &[(f64, f64)]) -> f64 {
        line.windows(2).map(|w| 0.5 * (w[0].0 * w[1].1 - w[0].1 * w[1].0)).sum()
    }

    #[test]
    fn a_cone_gives_one_closed_circle() {
        let image = image_of(64, 64, |x, y| 100.0 - (x - 31.3).hypot(y - 30.7));
        let found = lines(&image, 80.0);
        assert_eq!(found.len(), 1);
        let line = &found[0];
        assert_eq!(line.first(), line.last());
        // Linear interpolation on a cone errs by at most 1/(8 r).
        assert!(line.iter().all(|(x, y)| ((x - 31.3).hypot(y - 30.7) - 20.0).abs() < 1.0 / 160.0));
        let area = signed_area(line);
        assert!((area.abs() - std::f64::consts::PI * 400.0).abs() < 3.0, "{area}");
        assert!(area > 0.0, "a peak is circled from +x toward +y");
    }

    #[test]
    fn lines_end_at_edges_and_at_missing_pixels() {
        let mut image = image_of(10, 8, |x, _| x);
        let whole = lines(&image, 4.5);
        assert_eq!(whole.len(), 1);
        assert!(whole[0].len() == 8 && whole[0].iter().all(|p| p.0 == 4.5));
        image.data[4 * 10 + 4] = f32::NAN;
        let cut = lines(&image, 4.5);
        assert_eq!(cut.iter().map(Vec::len).collect::<Vec<_>>(), [4, 3]);
    }

    #[test]
    fn saddles_follow_their_mean() {
        let saddle = |high: f32| Image { width: 2, height: 2, data: vec![high, 0.0, 0.0, high] };
        let joined = lines(&saddle(3.0), 1.0);
        let apart = lines(&saddle(1.5), 1.0);
        assert_eq!((joined.len(), apart.len()), (2, 2));
        // Joined: the line cuts off the low corner (1, 0); apart: the high corner (0, 0).
        let cuts = |found: &[Vec<(f64, f64)>], a: (f64, f64), b: (f64, f64)| {
            let near = |p: (f64, f64), q: (f64, f64)| (p.0 - q.0).hypot(p.1 - q.1) < 1e-6;
            found.iter().any(|l| (near(l[0], a) && near(l[1], b)) || (near(l[0], b) && near(l[1], a)))
        };
        assert!(cuts(&joined, (2.0 / 3.0, 0.0), (1.0, 1.0 / 3.0)));
        assert!(cuts(&apart, (1.0 / 3.0, 0.0), (0.0, 1.0 / 3.0)));
    }

    #[test]
    fn flat_empty_and_single_pixels_give_no_lines() {
        assert!(lines(&Image::filled(9, 9, 2.0), 2.0).is_empty());
        assert!(lines(&Image::filled(9, 9, f32::NAN), 2.0).is_empty());
        assert!(lines(&Image::filled(1, 1, 2.0), 1.0).is_empty());
        assert!(lines(&Image::default(), 1.0).is_empty());
        assert!(lines(&Image::filled(9, 9, 2.0), f32::NAN).is_empty());
    }

    proptest! {
        #[test]
        fn every_crossing_is_on_a_line(v in prop::collection::vec(-4i8..5, 36)) {
            let image = Image { width: 6, height: 6, data: v.iter().map(|v| f32::from(*v)).collect() };
            let level = 0.5;
            let found = lines(&image, level);
            let above = |x: usize, y: usize| image.at(x, y) >= level;
            let mut crossings = 0;
            for y in 0..6 {
                for x in 0..6 {
                    crossings += usize::from(x < 5 && above(x, y) != above(x + 1, y));
                    crossings += usize::from(y < 5 && above(x, y) != above(x, y + 1));
                }
            }
            // Levels between whole numbers: no two crossings coincide, a closed line counts its first point twice.
            let closed = found.iter().filter(|l| l.first() == l.last()).count();
            prop_assert_eq!(found.iter().map(Vec::len).sum::<usize>() - closed, crossings);
        }

        #[test]
        fn flipping_the_image_flips_the_lines(v in prop::collection::vec(-4i8..5, 30)) {
            let image = Image { width: 6, height: 5, data: v.iter().map(|v| f32::from(*v)).collect() };
            let mut flipped = image.clone();
            flipped.data.reverse();
            let key = |p: (f64, f64)| ((p.0 * 1e6).round() as i64, (p.1 * 1e6).round() as i64);
            let sorted = |found: Vec<Vec<(f64, f64)>>, turn: bool| {
                let place = |(x, y): (f64, f64)| if turn { key((5.0 - x, 4.0 - y)) } else { key((x, y)) };
                let mut ends: Vec<_> = found.iter().flat_map(|l| l.windows(2).map(|w| (place(w[0]), place(w[1]))).collect::<Vec<_>>()).collect();
                ends.sort();
                ends
            };
            prop_assert_eq!(sorted(lines(&image, 0.5), false), sorted(lines(&flipped, 0.5), true));
        }
    }
}
