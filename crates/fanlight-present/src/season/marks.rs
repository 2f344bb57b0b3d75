//! Shapes of data points: series are told apart by shape and by words, never by colour alone.

use crate::svg::{Anchor, Canvas, Stroke, TextStyle, text_width};

/// In the order in which series take them.
const SHAPES: [Shape; 5] = [Shape::Disc, Shape::Square, Shape::Triangle, Shape::Diamond, Shape::Down];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    Disc,
    Square,
    Triangle,
    Diamond,
    Down,
}

impl Shape {
    /// That of a series, by its place in the list.
    pub fn of(series: usize) -> Self {
        SHAPES[series % SHAPES.len()]
    }

    /// A point; one that is not filled has paper inside.
    pub fn draw(self, canvas: &mut Canvas, (x, y): (f64, f64), radius: f64, colour: &'static str, filled: bool) {
        let paper = canvas.theme.paper;
        let fill = if filled { colour } else { paper };
        let stroke = Stroke::new(colour, 1.5);
        if self == Self::Disc {
            canvas.dot((x, y), radius, fill);
            return canvas.ring((x, y), radius, stroke);
        }
        // corners so far out that all shapes cover about the same area
        let corners: &[(f64, f64)] = match self {
            Self::Square => &[(-0.88, -0.88), (0.88, -0.88), (0.88, 0.88), (-0.88, 0.88)],
            Self::Triangle => &[(0.0, -1.35), (1.17, 0.68), (-1.17, 0.68)],
            Self::Down => &[(0.0, 1.35), (1.17, -0.68), (-1.17, -0.68)],
            Self::Disc | Self::Diamond => &[(0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)],
        };
        let mut points: Vec<_> = corners.iter().map(|(dx, dy)| (x + radius * dx, y + radius * dy)).collect();
        canvas.polygon(&points, fill);
        points.extend(points.first().copied());
        canvas.polyline(&points, stroke);
    }
}

/// Draws a sample about its middle.
type Draw<'a> = Box<dyn Fn(&mut Canvas, (f64, f64)) + 'a>;

/// One entry of a legend: how it is drawn in a space 24 units wide about the given middle, and its words.
pub(super) struct Entry<'a> {
    pub draw: Draw<'a>,
    pub words: String,
}

/// Entries side by side from `left` on, broken into lines before `right`; returns the lines used when nothing is drawn.
pub(super) fn legend(canvas: Option<&mut Canvas>, entries: &[Entry], (left, top): (f64, f64), right: f64) -> usize {
    let (mut x, mut line) = (left, 0);
    let mut places = Vec::new();
    for entry in entries {
        let width = 30.0 + text_width(&entry.words, 12.5) + 22.0;
        if x > left && x + width - 22.0 > right {
            (x, line) = (left, line + 1);
        }
        places.push((x, top + LEGEND_LINE * line as f64));
        x += width;
    }
    if let Some(canvas) = canvas {
        for (entry, (x, y)) in entries.iter().zip(places) {
            (entry.draw)(canvas, (x + 12.0, y));
            let style = TextStyle::new(12.5, canvas.theme.ink).anchor(Anchor::Start);
            canvas.text((x + 30.0, y + 4.5), style, &entry.words);
        }
    }
    if entries.is_empty() { 0 } else { line + 1 }
}

/// Height of a line of a legend.
pub(super) const LEGEND_LINE: f64 = 19.0;

/// Labels in a column, moved apart until none is nearer than `least` to the next, and kept between `low` and `high` where
/// there is room.
pub(super) fn apart(places: &mut [f64], least: f64, (low, high): (f64, f64)) {
    let mut order: Vec<usize> = (0..places.len()).collect();
    order.sort_by(|a, b| places[*a].total_cmp(&places[*b]));
    for _ in 0..100 {
        for pair in order.windows(2) {
            let lacking = least - (places[pair[1]] - places[pair[0]]);
            if lacking > 1e-9 {
                places[pair[0]] -= lacking / 2.0;
                places[pair[1]] += lacking / 2.0;
            }
        }
        places.iter_mut().for_each(|p| *p = p.clamp(low, high));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_part_and_stay_in_their_range() {
        let mut places = [10.0, 11.0, 12.0, 90.0];
        apart(&mut places, 14.0, (0.0, 100.0));
        let mut sorted = places;
        sorted.sort_by(f64::total_cmp);
        assert!(sorted.windows(2).all(|w| w[1] - w[0] > 13.0), "{places:?}");
        assert!(places.iter().all(|p| (0.0..=100.0).contains(p)) && places[3] == 90.0, "{places:?}");
    }

    #[test]
    fn a_legend_breaks_into_lines() {
        let entry = |n: usize| Entry { draw: Box::new(|_, _| {}), words: "w".repeat(n) };
        assert_eq!(legend(None, &[], (0.0, 0.0), 600.0), 0);
        assert_eq!(legend(None, &[entry(5), entry(5)], (0.0, 0.0), 600.0), 1);
        assert_eq!(legend(None, &[entry(50), entry(50)], (0.0, 0.0), 600.0), 2);
    }
}
