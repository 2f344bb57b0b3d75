//! Plots of what is measured of each frame, over the night: some quantities under one another, or one by itself.

use crate::Figure;
use crate::picture::subtitle;
use crate::plot::{Axis, Panel, Sides};
use crate::room::Room;
use crate::svg::{Canvas, Stroke};
use crate::theme::in_both;
use fanlight_record::sentences::{fixed, utc_days};
use fanlight_record::{FrameRecord, NightRecord};

const LEFT: f64 = 76.0;
/// Right of the panels, for half a number of the time axis.
const RIGHT: f64 = 20.0;
/// Below the panels, for the time axis.
const BELOW: f64 = 52.0;
const HEIGHT: f64 = 104.0;
const GAP: f64 = 18.0;

/// A quantity of each frame.
struct FrameQuantity {
    /// Name of its plot.
    name: &'static str,
    /// What it is, with its unit.
    title: &'static str,
    of: fn(&FrameRecord) -> Option<f64>,
    error: fn(&FrameRecord) -> Option<f64>,
    /// What an axis spans at least, in its unit.
    least_span: f64,
    /// Magnitudes of the sky: bright ones on top.
    is_downward: bool,
    /// Whether the report shows it.
    is_in_report: bool,
}

impl FrameQuantity {
    const fn new(
        name: &'static str,
        title: &'static str,
        of: fn(&FrameRecord) -> Option<f64>,
        least_span: f64,
    ) -> Self {
        Self { name, title, of, error: |_| None, least_span, is_downward: false, is_in_report: false }
    }

    const fn in_report(self) -> Self {
        Self { is_in_report: true, ..self }
    }

    const fn downward(self) -> Self {
        Self { is_downward: true, ..self }
    }

    const fn with_error(self, error: fn(&FrameRecord) -> Option<f64>) -> Self {
        Self { error, ..self }
    }

    /// An axis that shows the frames in the stack well, and those left out where they are not far beyond them.
    fn axis<'a>(&self, frames: impl Iterator<Item = &'a FrameRecord> + Clone) -> Option<Axis> {
        let around = |wanted: &dyn Fn(&FrameRecord, f64) -> bool| {
            let shown = frames.clone().filter_map(|f| Some((f, (self.of)(f)?))).filter(|(f, v)| wanted(f, *v));
            let ends = shown.flat_map(|(f, v)| {
                let error = (self.error)(f).unwrap_or(0.0);
                [v - error, v + error]
            });
            Axis::around(ends, self.least_span)
        };
        let axis = match around(&|f, _| f.used) {
            None => around(&|_, _| true)?,
            Some(core) => {
                let room = 0.75 * (core.high - core.low);
                around(&|f, v| f.used || (core.low - room..=core.high + room).contains(&v))?
            }
        };
        Some(if self.is_downward { axis.reversed() } else { axis })
    }
}

static QUANTITIES: [FrameQuantity; 10] = [
    FrameQuantity::new("fwhm-arcsec", "seeing, arcsec", |f| f.fwhm_arcsec, 0.5).in_report(),
    FrameQuantity::new("elongation", "elongation", |f| f.elongation, 0.1).in_report(),
    FrameQuantity::new("sky-e-per-s-arcsec2", "sky, e/s/arcsec²", |f| f.sky_e_per_s_arcsec2, 0.5).in_report(),
    FrameQuantity::new("sky-mag-arcsec2", "sky, mag/arcsec²", |f| f.sky_mag_arcsec2, 0.2).downward(),
    FrameQuantity::new("zero-point-mag", "zero point, mag", |f| f.zero_point_mag, 0.1)
        .with_error(|f| f.zero_point_err_mag)
        .in_report(),
    FrameQuantity::new("transparency-loss-mag", "loss, mag", |f| f.transparency_loss_mag, 0.1),
    FrameQuantity::new("relative-weight", "weight", |f| f.relative_weight, 0.2).in_report(),
    FrameQuantity::new("airmass", "airmass", |f| f.airmass, 0.05),
    FrameQuantity::new("o-minus-c-ra-arcsec", "O − C east, arcsec", |f| Some(f.comet_o_minus_c_arcsec?[0]), 0.2)
        .with_error(|f| f.comet_err_arcsec),
    FrameQuantity::new("o-minus-c-dec-arcsec", "O − C north, arcsec", |f| Some(f.comet_o_minus_c_arcsec?[1]), 0.2)
        .with_error(|f| f.comet_err_arcsec),
];

/// Names of the quantities of frames of which a night may have a plot over time.
pub fn frame_plot_names() -> impl Iterator<Item = &'static str> {
    QUANTITIES.iter().map(|q| q.name)
}

/// What a frame is to the stack; each has its own mark.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Standing {
    Used,
    LeftOutByHand,
    LeftOut,
}

impl Standing {
    fn of(frame: &FrameRecord) -> Self {
        match frame.rejected_because.as_deref() {
            _ if frame.used => Self::Used,
            Some(FrameRecord::LEFT_OUT_BY_HAND) => Self::LeftOutByHand,
            _ => Self::LeftOut,
        }
    }
}

/// Frames with a time, hours of the day on which the first was taken.
fn timed(night: &NightRecord) -> Vec<(f64, &FrameRecord)> {
    let days: Vec<(f64, &FrameRecord)> =
        night.frames.iter().filter_map(|f| Some((utc_days(f.mid_utc.as_deref()?)?, f))).collect();
    let midnight = days.iter().map(|(t, _)| t.floor()).fold(f64::INFINITY, f64::min);
    days.into_iter().map(|(t, f)| ((t - midnight) * 24.0, f)).collect()
}

/// Those of some quantities that a frame with a time has.
fn measured<'a>(
    wanted: impl Iterator<Item = &'a FrameQuantity>,
    timed: &[(f64, &FrameRecord)],
) -> Vec<&'a FrameQuantity> {
    wanted.filter(|q| timed.iter().any(|(_, f)| (q.of)(f).is_some())).collect()
}

/// Seeing, elongation, sky, zero point and weight over the night; `None` when no frame has a time and a value.
pub(crate) fn frames(night: &NightRecord, room: Room) -> Option<Figure> {
    let timed = timed(night);
    let shown = measured(QUANTITIES.iter().filter(|q| q.is_in_report), &timed);
    let weights =
        if shown.iter().any(|q| q.title == "weight") { ", and its weight, of which the mean is 1," } else { "" };
    let mut what =
        format!("Star width, star elongation, sky brightness and zero point of each frame{weights} over the night.");
    if let Some([first, last]) = sun_altitudes(&timed) {
        what += &format!(
            " The Sun stood at {}° in the first frame and at {}° in the last.",
            fixed(first, 1),
            fixed(last, 1)
        );
    }
    let seeing = fanlight_record::sentences::median_seeing_arcsec(night);
    let alt = format!(
        "Plots of seeing, elongation, sky and zero point over the night; {}{}.",
        used_words(night),
        seeing.map(|s| format!(", median seeing {} arcseconds", fixed(s, 1))).unwrap_or_default()
    );
    let (title, kind) = ("The frames of the night", "the frames of the night");
    drawn(night, room, &timed, &shown, ("frames", title, kind), (&what, &alt))
}

/// One quantity by its name; `None` also where there is none of this name.
pub(crate) fn single(night: &NightRecord, name: &str, room: Room) -> Option<Figure> {
    let timed = timed(night);
    let shown = measured(QUANTITIES.iter().filter(|q| q.name == name), &timed);
    let quantity = shown.first()?;
    let values: Vec<f64> = timed.iter().filter_map(|(_, f)| (quantity.of)(f)).collect();
    let (low, high) = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
    let alt = format!(
        "Plot over the night of {}: from {} to {} in {} frames; {}.",
        quantity.title,
        fixed(low, 3),
        fixed(high, 3),
        values.len(),
        used_words(night)
    );
    let what = format!("Of each frame over the night: {}.", quantity.title);
    drawn(night, room, &timed, &shown, (quantity.name, quantity.title, quantity.title), (&what, &alt))
}

fn used_words(night: &NightRecord) -> String {
    let used = night.frames.iter().filter(|f| f.used).count();
    format!("{used} of {} frames were used", night.frames.len())
}

/// Panels under one another over one time axis.
fn drawn(
    night: &NightRecord,
    room: Room,
    timed: &[(f64, &FrameRecord)],
    shown: &[&FrameQuantity],
    (name, title, kind): (&str, &str, &str),
    (what, alt): (&str, &str),
) -> Option<Figure> {
    let x = Axis::around(timed.iter().map(|(t, _)| *t), 0.2)?.clock();
    if shown.is_empty() {
        return None;
    }
    let (svg_light, svg_dark) = in_both(|theme| {
        let height = room.top() + (HEIGHT + GAP) * shown.len() as f64 - GAP + BELOW;
        let mut canvas = room.canvas(theme, height, (&night.object, kind, &subtitle(night)));
        for (i, q) in shown.iter().enumerate() {
            let Some(y) = q.axis(timed.iter().map(|(_, f)| *f)) else { continue };
            let (top, width) = (room.top() + (HEIGHT + GAP) * i as f64, room.width - LEFT - RIGHT);
            let panel = Panel { left: LEFT, top, width, height: HEIGHT, x, y };
            let below = if i + 1 == shown.len() { "UTC" } else { "" };
            panel.draw(&mut canvas, Sides { below, left: q.title, ..Sides::default() });
            for (time, frame) in timed {
                mark(&mut canvas, &panel, q, *time, frame);
            }
        }
        canvas.finish(alt)
    });
    let caption = format!("{what}{}", marks_words(night, timed.len()));
    Some(Figure { name: name.into(), title: title.into(), caption, alt: alt.into(), svg_light, svg_dark })
}

fn mark(canvas: &mut Canvas, panel: &Panel, q: &FrameQuantity, time: f64, frame: &FrameRecord) {
    let (theme, y) = (canvas.theme, panel.y);
    let standing = Standing::of(frame);
    let colour = match standing {
        Standing::Used => theme.first,
        Standing::LeftOutByHand => theme.second,
        Standing::LeftOut => theme.warn,
    };
    let at = match (q.of)(frame) {
        None if standing == Standing::Used => return,
        None => (panel.at(time, y.low).0, panel.bottom() - 6.0),
        Some(value) => {
            if let Some(error) = (q.error)(frame) {
                panel.error_bar(canvas, time, (value - error, value + error), Stroke::new(colour, 1.2));
            }
            // one far beyond the frames in the stack stands at the edge, or it would flatten them all
            panel.at(time, value.clamp(y.low.min(y.high), y.low.max(y.high)))
        }
    };
    match standing {
        Standing::Used => canvas.dot(at, 3.0, colour),
        Standing::LeftOutByHand => canvas.frame((at.0 - 3.4, at.1 - 3.4), (6.8, 6.8), Stroke::new(colour, 1.6)),
        Standing::LeftOut => canvas.cross(at, 4.0, Stroke::new(colour, 1.6)),
    }
}

/// What the marks stand for, and what is not shown.
fn marks_words(night: &NightRecord, n_timed: usize) -> String {
    let count = |wanted: Standing| night.frames.iter().filter(|f| Standing::of(f) == wanted).count();
    let (by_hand, left_out) = (count(Standing::LeftOutByHand), count(Standing::LeftOut));
    let mut words = " Discs: frames in the stack.".to_string();
    if by_hand > 0 {
        words += &format!(" Squares: {by_hand} left out by hand.");
    }
    if left_out > 0 {
        words += &format!(" Crosses: {left_out} left out, with the reason in the table of frames.");
    }
    if by_hand + left_out > 0 {
        words += " Those left out stand at the edge of a panel where the value lies far beyond it or was not measured.";
    }
    if night.frames.len() > n_timed {
        words += &format!(" {} without a time cannot be shown.", night.frames.len() - n_timed);
    }
    words
}

/// The Sun's altitude in the first and the last frame.
fn sun_altitudes(timed: &[(f64, &FrameRecord)]) -> Option<[f64; 2]> {
    let known = || timed.iter().filter_map(|(t, f)| Some((*t, f.sun_altitude_deg?)));
    let first = known().reduce(|a, b| if b.0 < a.0 { b } else { a })?;
    let last = known().reduce(|a, b| if b.0 > a.0 { b } else { a })?;
    Some([first.1, last.1])
}
