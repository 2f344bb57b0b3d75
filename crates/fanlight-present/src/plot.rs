//! Axes and data marks shared by the plots.

use crate::dates;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, num};
use fanlight_record::sentences::fixed;

/// How an axis is divided.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scale {
    Linear,
    Logarithmic,
    /// Linear in hours, written as times of day.
    Clock,
    /// Linear in degrees of a circle.
    Degrees,
    /// The same where the axis may run on through north: written from 0 to under 360.
    PositionAngle,
    /// Linear in days since 1970, written as dates.
    Date,
}

/// One axis: a range and its scale; `low > high` turns it round (magnitudes).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Axis {
    pub low: f64,
    pub high: f64,
    pub scale: Scale,
}

impl Axis {
    /// A linear axis around all finite values with a margin of 6 %; a single value gets room of `least` in all.
    pub fn around(values: impl IntoIterator<Item = f64>, least: f64) -> Option<Self> {
        let (low, high) = range(values)?;
        let margin = (0.06 * (high - low)).max((least - (high - low)) / 2.0).max(0.0);
        Some(Self { low: low - margin, high: high + margin, scale: Scale::Linear })
    }

    /// A logarithmic axis around all finite positive values, with a margin.
    pub fn decades(values: impl IntoIterator<Item = f64>) -> Option<Self> {
        let (low, high) = range(values.into_iter().filter(|v| *v > 0.0))?;
        let margin = (high / low).powf(0.05).max(1.1);
        Some(Self { low: low / margin, high: high * margin, scale: Scale::Logarithmic })
    }

    /// The same axis the other way round.
    pub fn reversed(self) -> Self {
        Self { low: self.high, high: self.low, ..self }
    }

    /// The same axis, its hours written as times of day.
    pub fn clock(self) -> Self {
        Self { scale: Scale::Clock, ..self }
    }

    /// The same axis, its days written as dates.
    pub fn dates(self) -> Self {
        Self { scale: Scale::Date, ..self }
    }

    /// The same axis in another unit.
    pub fn scaled(self, factor: f64) -> Self {
        Self { low: self.low * factor, high: self.high * factor, ..self }
    }

    /// The axis as a figure's file says it for programs: `log 1.5 300`, the values at its left or lower end and at the other.
    /// Hours are those of the day on which the figure begins, days are since 1970.
    fn told(&self) -> String {
        let scale = match self.scale {
            Scale::Linear => "linear",
            Scale::Logarithmic => "log",
            Scale::Clock => "hours",
            Scale::Degrees | Scale::PositionAngle => "degrees",
            Scale::Date => "days",
        };
        format!("{scale} {} {}", self.low, self.high)
    }

    /// Place on the axis, 0 at `low` and 1 at `high`.
    pub fn place(&self, value: f64) -> f64 {
        if self.scale == Scale::Logarithmic {
            (value / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        }
    }

    /// Whether a value lies on the axis, give or take a rounding.
    pub fn holds(&self, value: f64) -> bool {
        value.is_finite() && (-1e-9..=1.0 + 1e-9).contains(&self.place(value))
    }

    /// Values with labels, about `wanted` of them, and small ticks without.
    pub fn ticks(&self, wanted: usize) -> (Vec<Tick>, Vec<f64>) {
        match self.scale {
            // one number alone tells no scale: a low panel takes closer ones
            Scale::Linear => {
                let enough = (wanted..wanted + 4).map(|n| self.linear_ticks(n)).find(|ticks| ticks.len() > 1);
                (enough.unwrap_or_else(|| self.linear_ticks(wanted)), Vec::new())
            }
            Scale::Logarithmic => self.log_ticks(wanted),
            Scale::Clock => (self.clock_ticks(wanted), Vec::new()),
            Scale::Degrees | Scale::PositionAngle => (self.degree_ticks(wanted), Vec::new()),
            Scale::Date => (self.date_ticks(wanted), Vec::new()),
        }
    }

    fn clock_ticks(&self, wanted: usize) -> Vec<Tick> {
        const STEPS_MIN: [f64; 11] = [1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 180.0, 360.0];
        let (low, high) = (self.low * 60.0, self.high * 60.0);
        let step = STEPS_MIN.into_iter().find(|s| (high - low) / s <= wanted.max(2) as f64).unwrap_or(1440.0);
        let (first, last) = ((low / step).ceil() as i64, (high / step).floor() as i64);
        (first..=last.min(first + 40))
            .map(|k| {
                let minutes = (k as f64 * step) as i64;
                let label = format!("{:02}:{:02}", minutes.div_euclid(60).rem_euclid(24), minutes.rem_euclid(60));
                Tick { value: minutes as f64 / 60.0, label: Label::Plain(label) }
            })
            .collect()
    }

    fn degree_ticks(&self, wanted: usize) -> Vec<Tick> {
        let span = (self.high - self.low).abs();
        let enough = |step: &f64| span / step <= 1.5 * wanted.max(2) as f64;
        let step = [5.0, 10.0, 15.0, 30.0, 45.0, 90.0].into_iter().find(enough).unwrap_or(180.0);
        let (low, high) = (self.low.min(self.high), self.low.max(self.high));
        let whole = (low / step - 1e-9).ceil() as i64..=(high / step + 1e-9).floor() as i64;
        let written = |degrees: f64| if self.scale == Scale::Degrees { degrees } else { degrees.rem_euclid(360.0) };
        whole.map(|k| k as f64 * step).map(|v| Tick { value: v, label: Label::Plain(fixed(written(v), 0)) }).collect()
    }

    fn date_ticks(&self, wanted: usize) -> Vec<Tick> {
        let (low, high) = (self.low.min(self.high), self.low.max(self.high));
        let dates = dates::ticks(low, high, wanted).into_iter();
        dates.map(|(value, label)| Tick { value, label: Label::Plain(label) }).collect()
    }

    fn linear_ticks(&self, wanted: usize) -> Vec<Tick> {
        let span = (self.high - self.low).abs();
        let (step, places) = round_step(span / wanted.max(1) as f64);
        let (low, high) = (self.low.min(self.high), self.low.max(self.high));
        let first = (low / step - 1e-9).ceil() as i64;
        let last = (high / step + 1e-9).floor() as i64;
        (first..=last.min(first + 40))
            .map(|k| Tick { value: k as f64 * step, label: Label::Plain(fixed(k as f64 * step, places)) })
            .collect()
    }

    fn log_ticks(&self, wanted: usize) -> (Vec<Tick>, Vec<f64>) {
        let (low, high) = (self.low.min(self.high), self.low.max(self.high));
        let powers = low.log10().floor() as i32..=high.log10().ceil() as i32;
        let at = |multiples: &[f64]| -> Vec<f64> {
            powers
                .clone()
                .flat_map(|p| multiples.iter().map(move |m| m * 10f64.powi(p)))
                .filter(|v| self.holds(*v))
                .collect()
        };
        let (decades, some, all) =
            (at(&[1.0]), at(&[1.0, 2.0, 5.0]), at(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0]));
        let labelled = if decades.len() >= 3 || some.len() > wanted.max(3) + 2 { decades } else { some };
        if labelled.len() < 2 {
            // a short axis: even steps say more than the whole numbers in it
            return (self.linear_ticks(wanted + 4), all);
        }
        let tick = |value: f64| {
            let power = value.log10();
            let whole = (power - power.round()).abs() < 1e-9;
            let label = if whole && !(-2.5..5.5).contains(&power) {
                Label::PowerOfTen(power.round() as i32)
            } else {
                Label::Plain(fixed(value, (-power.floor()).max(0.0) as i32))
            };
            Tick { value, label }
        };
        // over many decades every second or third is enough
        let every = labelled.len().div_ceil(wanted.max(2) + 2).max(1);
        (labelled.into_iter().step_by(every).map(tick).collect(), all)
    }
}

/// A labelled place on an axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    pub value: f64,
    pub label: Label,
}

/// How a tick is written.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Label {
    Plain(String),
    PowerOfTen(i32),
}

/// A rectangle of the figure with an x axis below and a y axis on the left.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Panel {
    pub left: f64,
    pub top: f64,
    pub width: f64,
    pub height: f64,
    pub x: Axis,
    pub y: Axis,
}

/// What is written at a panel's sides; empty words leave a side bare.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Sides<'a> {
    /// Title of the x axis; without one its ticks have no numbers.
    pub below: &'a str,
    pub left: &'a str,
    /// A second x axis.
    pub above: Option<(Axis, &'a str)>,
    /// A second y axis.
    pub right: Option<(Axis, &'a str)>,
}

impl Panel {
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (self.left + self.x.place(x) * self.width, self.top + (1.0 - self.y.place(y)) * self.height)
    }

    pub fn holds(&self, x: f64, y: f64) -> bool {
        self.x.holds(x) && self.y.holds(y)
    }

    pub fn right(&self) -> f64 {
        self.left + self.width
    }

    pub fn bottom(&self) -> f64 {
        self.top + self.height
    }

    /// Grid, axes, ticks and their words, in a group that says for programs where the panel lies (left, top, width, height in units
    /// of the drawing) and what its axes are.
    pub fn draw(&self, canvas: &mut Canvas, sides: Sides) {
        let place = [self.left, self.top, self.width, self.height].map(num).join(" ");
        canvas.begin(&format!(r#"data-panel="{place}" data-x="{}" data-y="{}""#, self.x.told(), self.y.told()));
        self.draw_axes(canvas, sides);
        canvas.end();
    }

    fn draw_axes(&self, canvas: &mut Canvas, sides: Sides) {
        let theme = canvas.theme;
        let (grid, rule) = (Stroke::new(theme.wash, 1.0), Stroke::new(theme.rule, 1.0));
        let number = TextStyle::new(12.5, theme.ink);
        let title = TextStyle::new(13.0, theme.muted);
        let ((x_ticks, x_small), (y_ticks, y_small)) =
            (self.x.ticks((self.width / 90.0) as usize), self.y.ticks((self.height / 34.0) as usize));
        for tick in &y_ticks {
            let y = self.at(self.x.low, tick.value).1;
            canvas.line((self.left, y), (self.right(), y), grid);
            canvas.line((self.left - 5.0, y), (self.left, y), rule);
            write_tick(canvas, (self.left - 9.0, y + 4.5), number.anchor(Anchor::End), &tick.label);
        }
        for value in y_small {
            let y = self.at(self.x.low, value).1;
            canvas.line((self.left - 3.0, y), (self.left, y), rule);
        }
        for tick in &x_ticks {
            let x = self.at(tick.value, self.y.low).0;
            canvas.line((x, self.top), (x, self.bottom()), grid);
            canvas.line((x, self.bottom()), (x, self.bottom() + 5.0), rule);
            if !sides.below.is_empty() {
                write_tick(canvas, (x, self.bottom() + 19.0), number.anchor(Anchor::Middle), &tick.label);
            }
        }
        for value in x_small {
            let x = self.at(value, self.y.low).0;
            canvas.line((x, self.bottom()), (x, self.bottom() + 3.0), rule);
        }
        canvas.line((self.left, self.top), (self.left, self.bottom()), rule);
        canvas.line((self.left, self.bottom()), (self.right(), self.bottom()), rule);
        let middle = (self.left + self.width / 2.0, self.top + self.height / 2.0);
        canvas.text((middle.0, self.bottom() + 38.0), title.anchor(Anchor::Middle), sides.below);
        canvas.text((self.left - 56.0, middle.1), title.anchor(Anchor::Middle).upward(), sides.left);
        if let Some((axis, words)) = sides.above {
            canvas.line((self.left, self.top), (self.right(), self.top), rule);
            for tick in axis.ticks((self.width / 90.0) as usize).0 {
                let x = self.left + axis.place(tick.value) * self.width;
                canvas.line((x, self.top - 5.0), (x, self.top), rule);
                write_tick(canvas, (x, self.top - 9.0), number.anchor(Anchor::Middle), &tick.label);
            }
            canvas.text((middle.0, self.top - 26.0), title.anchor(Anchor::Middle), words);
        }
        if let Some((axis, words)) = sides.right {
            canvas.line((self.right(), self.top), (self.right(), self.bottom()), rule);
            for tick in axis.ticks((self.height / 34.0) as usize).0 {
                let y = self.top + (1.0 - axis.place(tick.value)) * self.height;
                canvas.line((self.right(), y), (self.right() + 5.0, y), rule);
                write_tick(canvas, (self.right() + 9.0, y + 4.5), number, &tick.label);
            }
            canvas.text((self.right() + 50.0, middle.1), title.anchor(Anchor::Middle).upward(), words);
        }
    }

    /// A vertical bar from `low` to `high`, cut at the panel's edges.
    pub fn error_bar(&self, canvas: &mut Canvas, x: f64, (low, high): (f64, f64), stroke: Stroke) {
        let inside = |v: f64| {
            let place = self.y.place(v);
            // a logarithmic axis has no place for what is not positive: the bar runs to the lower edge
            let place = if place.is_finite() { place.clamp(0.0, 1.0) } else { 0.0 };
            self.top + (1.0 - place) * self.height
        };
        let at = self.left + self.x.place(x) * self.width;
        if low.is_finite() && high.is_finite() {
            canvas.line((at, inside(low)), (at, inside(high)), stroke);
        }
    }

    /// A band between two values across the panel.
    pub fn band(&self, canvas: &mut Canvas, low: f64, high: f64) {
        let y = |v: f64| self.top + (1.0 - self.y.place(v).clamp(0.0, 1.0)) * self.height;
        let (top, bottom) = (y(low).min(y(high)), y(low).max(y(high)));
        canvas.rect((self.left, top), (self.width, bottom - top), canvas.theme.wash);
    }
}

fn write_tick(canvas: &mut Canvas, at: (f64, f64), style: TextStyle, label: &Label) {
    match label {
        Label::Plain(text) => canvas.text(at, style, text),
        Label::PowerOfTen(power) => canvas.power_of_ten(at, style, *power),
    }
}

/// Least and greatest finite value.
fn range(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    values.into_iter().filter(|v| v.is_finite()).fold(None, |so_far, v| match so_far {
        None => Some((v, v)),
        Some((low, high)) => Some((if v < low { v } else { low }, if v > high { v } else { high })),
    })
}

/// The smallest of 1, 2, 5 × 10ⁿ not under a step, and the decimal places it needs.
fn round_step(least: f64) -> (f64, i32) {
    if !(least.is_finite() && least > 0.0) {
        return (1.0, 0);
    }
    let power = least.log10().floor();
    let decade = 10f64.powf(power);
    for m in [1.0, 2.0, 5.0] {
        if m * decade >= least * (1.0 - 1e-9) {
            return (m * decade, (-power as i32).max(0));
        }
    }
    (10.0 * decade, (-(power as i32) - 1).max(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(axis: Axis, wanted: usize) -> Vec<String> {
        let text = |t: Tick| match t.label {
            Label::Plain(text) => text,
            Label::PowerOfTen(p) => format!("1e{p}"),
        };
        axis.ticks(wanted).0.into_iter().map(text).collect()
    }

    #[test]
    fn linear_ticks_are_round_and_inside() {
        let axis = Axis { low: 2.31, high: 3.42, scale: Scale::Linear };
        assert_eq!(labels(axis, 5), ["2.5", "3.0"]);
        assert_eq!(labels(axis, 6), ["2.4", "2.6", "2.8", "3.0", "3.2", "3.4"]);
        assert_eq!(labels(axis.reversed(), 5), ["2.5", "3.0"]);
        assert_eq!(labels(Axis { low: -0.12, high: 0.12, scale: Scale::Linear }, 3), ["−0.1", "0.0", "0.1"]);
        assert_eq!(labels(Axis { low: 0.0, high: 0.0, scale: Scale::Linear }, 3), ["0"]);
        assert_eq!(labels(Axis { low: -2.6, high: -0.3, scale: Scale::Linear }, 2), ["−2", "−1"]);
    }

    #[test]
    fn degrees_are_divided_as_circles_are() {
        let axis = Axis { low: 0.0, high: 360.0, scale: Scale::Degrees };
        assert_eq!(labels(axis, 6), ["0", "45", "90", "135", "180", "225", "270", "315", "360"]);
        assert_eq!(labels(axis, 3), ["0", "90", "180", "270", "360"]);
    }

    #[test]
    fn logarithmic_ticks_are_decades_or_one_two_five() {
        let axis = |low, high| Axis { low, high, scale: Scale::Logarithmic };
        assert_eq!(labels(axis(0.8, 2000.0), 6), ["1", "10", "100", "1000"]);
        assert_eq!(labels(axis(1.5, 60.0), 6), ["2", "5", "10", "20", "50"]);
        assert_eq!(labels(axis(2.2, 3.8), 3), ["2.5", "3.0", "3.5"]);
        assert_eq!(labels(axis(1.41, 1.93), 2), ["1.5", "1.6", "1.7", "1.8", "1.9"]);
        assert_eq!(labels(axis(1e-5, 2e-2), 6), ["1e-5", "1e-4", "1e-3", "0.01"]);
    }

    #[test]
    fn clock_ticks_are_times_of_day_across_midnight() {
        let axis = Axis { low: 20.6, high: 25.4, scale: Scale::Clock };
        assert_eq!(labels(axis, 6), ["21:00", "22:00", "23:00", "00:00", "01:00"]);
        assert_eq!(labels(Axis { high: 21.1, ..axis }, 6), ["20:40", "20:45", "20:50", "20:55", "21:00", "21:05"]);
    }

    #[test]
    fn axes_hold_their_values_and_refuse_emptiness() {
        let axis = Axis::around([1.0, f64::NAN, 3.0], 0.5).expect("values");
        assert!(axis.holds(1.0) && axis.holds(3.0) && !axis.holds(f64::NAN));
        let single = Axis::around([2.0], 0.5).expect("value");
        assert!((single.low, single.high) == (1.75, 2.25));
        assert_eq!(Axis::around([f64::NAN], 1.0), None);
        assert_eq!(Axis::decades([-1.0, 0.0]), None);
        assert!(Axis::decades([5.0]).expect("value").holds(5.0));
    }
}
