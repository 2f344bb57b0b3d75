//! Scales of pictures: bars for arcsec and km, and colour bars.

use crate::stretch::Stretch;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, text_width};
use fanlight_record::sentences::{THIN_SPACE, fixed, format_round, format_value};

/// Bars of round lengths, one in the picture's unit and one in km at the comet where that is known.
pub(crate) struct LengthBars {
    /// Unit of lengths in the picture, as it follows a number.
    pub unit: &'static str,
    /// km at the comet per such unit.
    pub km_per_unit: Option<f64>,
    /// What is drawn for one such unit.
    pub drawn_per_unit: f64,
    /// No bar is longer, in that unit.
    pub longest: f64,
}

impl LengthBars {
    /// Draws them one under the other, from `corner` on.
    pub fn draw(&self, canvas: &mut Canvas, corner: (f64, f64)) {
        let length = round_below(self.longest);
        self.draw_bars(canvas, corner, vec![(length, format!("{}{}", format_round(length, 3), self.unit))]);
    }

    /// The one in km alone, where pictures share no other scale.
    pub fn draw_km(&self, canvas: &mut Canvas, corner: (f64, f64)) {
        self.draw_bars(canvas, corner, Vec::new());
    }

    fn draw_bars(&self, canvas: &mut Canvas, corner: (f64, f64), mut bars: Vec<(f64, String)>) {
        let theme = canvas.theme;
        if let Some(km_per_unit) = self.km_per_unit.filter(|k| k.is_finite() && *k > 0.0) {
            let km = round_below(self.longest * km_per_unit);
            bars.push((km / km_per_unit, format!("{}{THIN_SPACE}km", fixed(km, 0))));
        }
        for (i, (length, label)) in bars.iter().enumerate() {
            let (length, y) = (length * self.drawn_per_unit, corner.1 + 26.0 * i as f64);
            let ink = Stroke::new(theme.ink, 2.0);
            canvas.line((corner.0, y), (corner.0 + length, y), ink);
            for x in [corner.0, corner.0 + length] {
                canvas.line((x, y - 5.0), (x, y + 5.0), ink);
            }
            canvas.text((corner.0 + length + 10.0, y + 4.5), TextStyle::new(13.5, theme.ink), label);
        }
    }
}

/// A colour bar: its picture, the stretch that it shows, what a value is divided by, and the unit.
pub(crate) struct ColourBar<'a> {
    /// The map's strip as a `data:` address.
    pub strip: &'a str,
    /// From value to place on the map.
    pub stretch: Stretch,
    /// What a value is divided by for the labels.
    pub scale: f64,
    /// Under the labels.
    pub unit: &'a str,
}

impl ColourBar<'_> {
    /// Draws the bar with its labels and unit: 50 units high in all.
    pub fn draw(&self, canvas: &mut Canvas, (x, top): (f64, f64), width: f64) {
        let theme = canvas.theme;
        canvas.png((x, top), (width, 12.0), self.strip);
        canvas.frame((x, top), (width, 12.0), Stroke::new(theme.rule, 1.0));
        for (value, label) in bar_ticks(&self.stretch, self.scale, width) {
            let at = x + width * self.stretch.place(value).unwrap_or(0.0);
            canvas.line((at, top + 12.0), (at, top + 17.0), Stroke::new(theme.ink, 1.0));
            canvas.text((at, top + 30.0), TextStyle::new(12.0, theme.ink).anchor(Anchor::Middle), &label);
        }
        let style = TextStyle::new(12.0, theme.muted).anchor(Anchor::Middle);
        canvas.text((x + width / 2.0, top + 46.0), style, self.unit);
    }
}

/// The largest of 1, 2, 5 × 10ⁿ that is not above a value.
fn round_below(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let decade = 10f64.powf(value.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|m| m * decade).find(|v| *v <= value * (1.0 + 1e-9)).unwrap_or(decade)
}

/// Round values along a colour bar with room for their labels: value in the picture's unit, label in the bar's.
fn bar_ticks(stretch: &Stretch, scale: f64, width: f64) -> Vec<(f64, String)> {
    let (low, high) = stretch.range();
    let (low, high) = (low / scale, high / scale);
    let slack = 1e-9 * (high - low);
    let about_zero = matches!(stretch, Stretch::Linear { .. }) && low == -high;
    let (candidates, label): (Vec<f64>, fn(f64) -> String) = match stretch {
        // the outer pair first
        Stretch::Linear { .. } if about_zero => {
            let step = round_below(high / 2.0);
            (vec![0.0, -2.0 * step, 2.0 * step, -step, step], |v| format_value(v, 1))
        }
        Stretch::Linear { .. } => {
            let step = round_below((high - low) / 3.0);
            let first = (low / step).ceil();
            // at most seven and a half steps; figures enough for a narrow range about 1
            ((0..=8).map(|i| (first + f64::from(i)) * step).collect(), |v| format_round(v, 4))
        }
        // brightest first: near zero an asinh scale has no room for small decades
        Stretch::Asinh { .. } => {
            let decade = low.abs().max(high.abs()).log10().floor() as i32;
            let of_decade = |power: i32| [5.0, 2.0, 1.0].map(|m| m * 10f64.powi(power));
            let sizes = (decade - 8..=decade).rev().flat_map(of_decade);
            (std::iter::once(0.0).chain(sizes.flat_map(|v| [v, -v])).collect(), |v| format_value(v, 1))
        }
    };
    // place on the bar, room to each side, value, label
    let mut placed: Vec<(f64, f64, f64, String)> = Vec::new();
    for value in candidates.into_iter().filter(|v| *v >= low - slack && *v <= high + slack) {
        let label = label(value);
        let (Some(at), room) = (stretch.place(value * scale).map(|p| p * width), text_width(&label, 12.0) / 2.0 + 7.0)
        else {
            continue;
        };
        if placed.iter().all(|(other, others_room, ..)| (at - other).abs() >= room + others_room) {
            placed.push((at, room, value, label));
        }
    }
    // one side of a pair never stands alone
    let paired = |value: f64| placed.iter().any(|p| (p.2 + value).abs() < slack);
    let shown = placed.iter().filter(|p| !about_zero || paired(p.2));
    shown.map(|(_, _, value, label)| (value * scale, label.clone())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scale_bars_are_round() {
        for (value, expected) in [(24.0, 20.0), (0.7, 0.5), (1.0, 1.0), (19_999.0, 10_000.0), (0.0, 1.0)] {
            assert_eq!(round_below(value), expected);
        }
    }

    #[test]
    fn colour_bar_labels_have_room_and_stay_in_range() {
        let stretch = Stretch::Asinh { low: -0.02, high: 300.0, soft: 0.03 };
        let ticks = bar_ticks(&stretch, 2.0, 300.0);
        assert!(ticks.len() >= 4, "{ticks:?}");
        let mut at: Vec<f64> = ticks.iter().filter_map(|(v, _)| stretch.place(*v)).map(|p| p * 300.0).collect();
        at.sort_by(f64::total_cmp);
        assert!(at.windows(2).all(|w| w[1] - w[0] > 15.0), "{at:?}");
        let linear = bar_ticks(&Stretch::Linear { low: -0.3, high: 0.3 }, 1.0, 300.0);
        assert_eq!(linear.iter().map(|(_, l)| l.as_str()).collect::<Vec<_>>(), ["0", "−0.2", "0.2", "−0.1", "0.1"]);
    }

    #[test]
    fn ticks_of_other_ranges_are_round_inside_and_apart() {
        for (low, high) in [(0.0, 1.0), (0.93, 1.07), (120.0, 9_000.0), (-3.0, 17.0), (0.998, 1.00549), (-2.0, -1.0)] {
            let stretch = Stretch::Linear { low, high };
            let ticks = bar_ticks(&stretch, 1.0, 300.0);
            assert!((3..=8).contains(&ticks.len()), "{ticks:?}");
            assert!(ticks.iter().all(|(v, _)| *v >= low - 1e-9 && *v <= high + 1e-9), "{ticks:?}");
            let places: Vec<f64> = ticks.iter().filter_map(|(v, _)| stretch.place(*v)).map(|p| p * 300.0).collect();
            assert!(places.windows(2).all(|w| w[1] - w[0] > 20.0), "{ticks:?}");
        }
        let labels = |low, high| bar_ticks(&Stretch::Linear { low, high }, 1.0, 300.0).into_iter().map(|t| t.1);
        assert_eq!(labels(0.0, 1.0).collect::<Vec<_>>(), ["0", "0.2", "0.4", "0.6", "0.8", "1"]);
        assert_eq!(labels(0.93, 1.07).collect::<Vec<_>>(), ["0.94", "0.96", "0.98", "1", "1.02", "1.04", "1.06"]);
    }
}
