//! Scales of pictures: bars for arcsec and km, and colour bars.

use crate::stretch::Stretch;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, text_width};
use fanlight_record::sentences::{THIN_SPACE, fixed, format_round, format_value};

/// Bars of round lengths in arcsec and in km at the comet, one under the other, from `corner` on; `km_per_arcsec` not
/// above 0 leaves the second out.
pub(crate) fn draw_lengths(
    canvas: &mut Canvas,
    corner: (f64, f64),
    units_per_arcsec: f64,
    longest_arcsec: f64,
    km_per_arcsec: f64,
) {
    let theme = canvas.theme;
    let arcsec = round_below(longest_arcsec);
    let mut bars = vec![(arcsec * units_per_arcsec, format!("{}″", format_round(arcsec, 3)))];
    if km_per_arcsec.is_finite() && km_per_arcsec > 0.0 {
        let km = round_below(longest_arcsec * km_per_arcsec);
        bars.push((km / km_per_arcsec * units_per_arcsec, format!("{}{THIN_SPACE}km", fixed(km, 0))));
    }
    for (i, (length, label)) in bars.iter().enumerate() {
        let y = corner.1 + 26.0 * i as f64;
        let ink = Stroke::new(theme.ink, 2.0);
        canvas.line((corner.0, y), (corner.0 + length, y), ink);
        for x in [corner.0, corner.0 + length] {
            canvas.line((x, y - 5.0), (x, y + 5.0), ink);
        }
        canvas.text((corner.0 + length + 10.0, y + 4.5), TextStyle::new(13.5, theme.ink), label);
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
pub(crate) fn round_below(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let decade = 10f64.powf(value.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|m| m * decade).find(|v| *v <= value * (1.0 + 1e-9)).unwrap_or(decade)
}

/// Round values along a colour bar with room for their labels: value in the picture's unit, label in the bar's.
pub(crate) fn bar_ticks(stretch: &Stretch, scale: f64, width: f64) -> Vec<(f64, String)> {
    let (low, high) = stretch.range();
    let (low, high) = (low / scale, high / scale);
    let top = low.abs().max(high.abs());
    let mut candidates = vec![0.0];
    if matches!(stretch, Stretch::Linear { .. }) {
        let step = round_below(top / 2.0);
        // the outer pair first; one side of a pair never stands alone
        candidates.extend([-2.0 * step, 2.0 * step, -step, step]);
    } else {
        let decade = top.log10().floor() as i32;
        // brightest first: near zero an asinh scale has no room for small decades
        for power in (decade - 8..=decade).rev() {
            for m in [5.0, 2.0, 1.0] {
                candidates.extend([m * 10f64.powi(power), -m * 10f64.powi(power)]);
            }
        }
    }
    let mut placed: Vec<(f64, f64, f64)> = Vec::new();
    let mut out = Vec::new();
    for value in candidates.into_iter().filter(|v| *v >= low && *v <= high) {
        let label = format_value(value, 1);
        let (Some(at), half) = (stretch.place(value * scale).map(|p| p * width), text_width(&label, 12.0) / 2.0 + 7.0)
        else {
            continue;
        };
        if placed.iter().all(|(other, room, _)| (at - other).abs() >= half + room) {
            placed.push((at, half, value));
            out.push((value * scale, label));
        }
    }
    if matches!(stretch, Stretch::Linear { .. }) {
        let placed: Vec<f64> = placed.into_iter().map(|p| p.2).collect();
        out.retain(|(value, _)| placed.iter().any(|p| (p + value / scale).abs() < 1e-9 * top));
    }
    out
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
}
