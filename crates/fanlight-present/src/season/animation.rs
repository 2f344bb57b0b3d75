//! The montage as a time-lapse: one frame a night, with date, scale and directions on every one.

use super::montage::draw_bar;
use super::same_scale::{Montage, MontageNight, SameScale, Shows, SkyOrientation};
use crate::PresentError;
use crate::plot::{Axis, Label};
use crate::png_out::{Rgb, drawn};
use crate::rim::{Rim, draw_legend, draw_legend_column};
use crate::scale_bars::LengthBars;
use crate::stretch::strip;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, data_uri, text_width, wrap};
use crate::theme::DARK;
use fanlight_record::SeasonNight;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_round, format_utc_long, utc_days};

/// Frames a second: more would flash over three times a second where the field's brightness jumps from night to night; the
/// slowest still fits every format.
pub(super) const RATES: (f64, f64) = (0.05, 3.0);
/// Least width of a margin with the rim's letters.
const RIM: f64 = 44.0;
/// Height of the lines of the heading.
const LINES: [f64; 3] = [30.0, 27.0, 19.0];

/// How large frames are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FrameSize {
    /// 1920 × 1080 pixels.
    Wide,
    /// 1080 × 1080 pixels.
    Square,
}

impl FrameSize {
    /// Columns and rows.
    pub fn pixels(self) -> (u32, u32) {
        match self {
            Self::Wide => (1920, 1080),
            Self::Square => (1080, 1080),
        }
    }

    /// Pixels to a unit of the drawing: the smallest letters, of 12 units, are 24 or 19 pixels high.
    fn px_per_unit(self) -> f64 {
        match self {
            Self::Wide => 2.0,
            Self::Square => 1.6,
        }
    }
}

/// A time-lapse of a montage, drawn frame by frame when asked for.
pub struct Animation<'m, 'a> {
    scene: SameScale<'m, 'a>,
    size: FrameSize,
    /// Indices of the nights that have a picture.
    shown: Vec<usize>,
    pub(super) frames_per_second: f64,
    bar: String,
    with_twins: bool,
}

/// Where things stand in a frame, in units.
struct Places {
    side: f64,
    /// Corners of the night's picture and its twin's.
    corners: Vec<(f64, f64)>,
    /// Place and width of the heading.
    heading: (f64, f64, f64),
    /// Left edge and height of the bar for km; left edge, height and width of the colour bar.
    km: (f64, f64),
    bar: (f64, f64, f64),
    /// The legend in one line, or as a column.
    legend: (f64, f64, bool),
    /// Left edge, line and width of the dates.
    dates: (f64, f64, f64),
}

impl<'m, 'a> Animation<'m, 'a> {
    /// Checks pictures and rate.
    ///
    /// # Errors
    /// When the rate is not within 0.05 to 3 frames a second, no night has a picture, images do not share a grid, or centre or
    /// scale cannot be used.
    pub fn new(montage: &'m Montage<'a>, size: FrameSize, frames_per_second: f64) -> Result<Self, PresentError> {
        let (least, most) = RATES;
        if !(frames_per_second >= least && frames_per_second <= most) {
            return Err(PresentError::BadRate { frames_per_second, least, most });
        }
        let shown: Vec<usize> =
            montage.nights.iter().enumerate().filter(|(_, n)| n.picture.is_some()).map(|(i, _)| i).collect();
        if shown.is_empty() {
            return Err(PresentError::NothingToAnimate);
        }
        let scene = SameScale::new(montage)?;
        let bar = data_uri("image/png", &strip(&scene.map)?);
        let with_twins = montage.nights.iter().any(|n| n.twin.is_some());
        Ok(Self { scene, size, shown, frames_per_second, bar, with_twins })
    }

    /// How many frames there are: one for each night with a picture.
    pub fn n_frames(&self) -> usize {
        self.shown.len()
    }

    /// Columns and rows of every frame.
    pub fn pixels(&self) -> (u32, u32) {
        self.size.pixels()
    }

    /// The colours of the picture itself.
    pub(super) fn map(&self) -> &crate::colour::ColourMap {
        &self.scene.map
    }

    /// One frame's pixels; `index` counts from 0.
    pub(super) fn frame(&self, index: usize) -> Result<Rgb, PresentError> {
        drawn(&self.svg(index)?, 1.0)
    }

    fn places(&self) -> Places {
        let (width_px, height_px) = self.pixels();
        let scale = self.size.px_per_unit();
        let (width, height) = (f64::from(width_px) / scale, f64::from(height_px) / scale);
        match (self.size, self.with_twins) {
            (FrameSize::Wide, false) => {
                let side = height - 2.0 * RIM;
                let left = RIM + side + RIM + 10.0;
                let room = width - left - 30.0;
                Places {
                    side,
                    corners: vec![(RIM, RIM)],
                    heading: (left, 62.0, room),
                    km: (left, 262.0),
                    bar: (left, 290.0, room),
                    legend: (left, 372.0, true),
                    dates: (left + 8.0, 486.0, room - 16.0),
                }
            }
            (FrameSize::Wide, true) => {
                let side = 298.0;
                let left = (width - 2.0 * side - 2.0 * RIM) / 2.0;
                Places {
                    side,
                    corners: vec![(left, 122.0), (left + side + 2.0 * RIM, 122.0)],
                    heading: (30.0, 34.0, width - 60.0),
                    km: (30.0, 494.0),
                    bar: (width - 330.0, 478.0, 300.0),
                    legend: (30.0, 524.0, false),
                    dates: (260.0, 490.0, 330.0),
                }
            }
            (FrameSize::Square, twins) => {
                let side = if twins { (width - 4.0 * RIM) / 2.0 } else { 362.0 };
                let top = if twins { 186.0 } else { 160.0 };
                let first = if twins { RIM } else { (width - side) / 2.0 };
                let corners = [(first, top), (first + side + 2.0 * RIM, top)];
                Places {
                    side,
                    corners: corners.into_iter().take(if twins { 2 } else { 1 }).collect(),
                    heading: (24.0, 34.0, width - 48.0),
                    km: (24.0, height - 104.0),
                    bar: (width / 2.0, height - 112.0, width / 2.0 - 24.0),
                    legend: (24.0, height - 50.0, false),
                    dates: (32.0, height - 26.0, width - 64.0),
                }
            }
        }
    }

    fn svg(&self, index: usize) -> Result<String, PresentError> {
        let Some(which) = self.shown.get(index).copied() else { return Err(PresentError::NothingToAnimate) };
        let montage = self.scene.montage;
        let Some(night) = montage.nights.get(which) else { return Err(PresentError::NothingToAnimate) };
        let places = self.places();
        let theme = &DARK;
        let mut canvas = Canvas::screen(theme, self.pixels(), self.size.px_per_unit());
        let side_px = (places.side * self.size.px_per_unit()).round() as usize;
        let rasters = self.scene.rasters(which, side_px)?;
        let [of_night, of_twin] = match &rasters {
            Some(r) => [Some(data_uri("image/png", &r.night)), r.twin.as_ref().map(|t| data_uri("image/png", t))],
            None => [None, None],
        };
        let side = places.side;
        for (corner, (uri, word)) in
            places.corners.iter().zip([(of_night, "the night"), (of_twin, "its featureless twin")])
        {
            match uri {
                Some(uri) => canvas.png(*corner, (side, side), &uri),
                None => {
                    let style = TextStyle::new(13.0, theme.muted).anchor(Anchor::Middle);
                    canvas.text((corner.0 + side / 2.0, corner.1 + side / 2.0), style, "no twin");
                }
            }
            canvas.frame(*corner, (side, side), Stroke::new(theme.rule, 1.0));
            let rim = Rim {
                corner: *corner,
                side,
                room: 25.0,
                spacing: 34.0,
                arrows: 0.9,
                turned_deg: night.turn_deg(montage.orientation),
            };
            rim.draw(&mut canvas, &night.directions());
            if places.corners.len() > 1 {
                let style = TextStyle::new(14.0, theme.ink).bold().anchor(Anchor::Middle);
                canvas.text((corner.0 + side / 2.0, corner.1 + side + 39.0), style, word);
            }
        }
        self.draw_heading(&mut canvas, night, index, places.heading);
        let lengths = LengthBars {
            unit: "",
            km_per_unit: Some(1.0),
            drawn_per_unit: side / (2.0 * self.scene.half_km),
            longest: (0.35 * 2.0 * self.scene.half_km).min(150.0 * 2.0 * self.scene.half_km / side),
        };
        lengths.draw_km(&mut canvas, places.km);
        draw_bar(&mut canvas, &self.scene, &self.bar, (places.bar.0, places.bar.1), places.bar.2);
        let (left, y, is_column) = places.legend;
        if is_column {
            draw_legend_column(&mut canvas, (left, y), places.bar.2);
        } else {
            draw_legend(&mut canvas, left, y, &night.directions());
        }
        self.draw_dates(&mut canvas, which, places.dates);
        Ok(canvas.finish(&format!("{}, {}", montage.object, format_utc_long(&night.night.mid_utc))))
    }

    /// Comet, date, which night of how many, and what was used; where the frame is wide and full, the date beside the comet.
    fn draw_heading(&self, canvas: &mut Canvas, night: &MontageNight, index: usize, (x, y, room): (f64, f64, f64)) {
        let theme = canvas.theme;
        let montage = self.scene.montage;
        let title = match montage.shows {
            Shows::Light => montage.object.to_string(),
            Shows::Enhanced { method, .. } => format!("{}: {method}", montage.object),
        };
        let date = format_utc_long(&night.night.mid_utc);
        let beside = self.size == FrameSize::Wide && self.with_twins;
        let count = format!("{} of {}", index + 1, self.n_frames());
        let taken = if beside { text_width(&date, 20.5) + 20.0 } else { text_width(&count, 13.5) + 20.0 };
        let large = TextStyle::new(19.0, theme.ink).bold();
        let mut at = y;
        for line in wrap(&title, 25.0, room - taken) {
            canvas.text((x, at), TextStyle::new(23.0, theme.ink).bold(), &line);
            at += LINES[0];
        }
        let mut parts = facts(night.night);
        if beside {
            canvas.text((x + room, y), large.anchor(Anchor::End), &date);
            parts.push(format!("night {count}"));
            at -= LINES[0] - LINES[1] + 3.0;
        } else {
            canvas.text((x + room, y), TextStyle::new(13.5, theme.muted).anchor(Anchor::End), &count);
            canvas.text((x, at), large, &date);
            at += LINES[1] - 3.0;
        }
        if montage.orientation == SkyOrientation::SunRight {
            parts.push("turned until the Sun is to the right".into());
        }
        let mut warnings = Vec::new();
        if !self.scene.is_calibrated(night) {
            warnings.push("not calibrated: brightness on a scale of its own".to_string());
        }
        if night.night.simulated {
            warnings.push("simulated frames".to_string());
        }
        for (parts, ink) in [(parts, theme.muted), (warnings, theme.warn)] {
            for line in joined(&parts, 13.5, room) {
                canvas.text((x, at), TextStyle::new(13.5, ink), &line);
                at += LINES[2];
            }
        }
    }

    /// The season's dates to scale, all nights on it, this one marked.
    fn draw_dates(&self, canvas: &mut Canvas, which: usize, (left, y, width): (f64, f64, f64)) {
        let theme = canvas.theme;
        let nights = &self.scene.montage.nights;
        let day = |n: &MontageNight| utc_days(&n.night.mid_utc);
        let Some(axis) = Axis::around(nights.iter().filter_map(day), 1.0).map(Axis::dates) else { return };
        let x = |days: f64| left + axis.place(days) * width;
        canvas.line((left, y), (left + width, y), Stroke::new(theme.rule, 1.2));
        for tick in axis.ticks((width / 90.0) as usize).0 {
            canvas.line((x(tick.value), y), (x(tick.value), y + 4.0), Stroke::new(theme.ink, 1.0));
            if let Label::Plain(word) = tick.label {
                canvas.text((x(tick.value), y + 17.0), TextStyle::new(12.0, theme.muted).anchor(Anchor::Middle), &word);
            }
        }
        for night in nights {
            if let Some(days) = day(night) {
                canvas.dot((x(days), y), 2.0, theme.ink);
            }
        }
        if let Some(days) = nights.get(which).and_then(day) {
            let at = x(days);
            canvas.polygon(&[(at, y - 3.0), (at - 5.0, y - 12.0), (at + 5.0, y - 12.0)], theme.sun);
            canvas.dot((at, y), 3.6, theme.sun);
        }
    }
}

/// Distances, place, telescope, band and exposure.
fn facts(night: &SeasonNight) -> Vec<String> {
    let side = match night.side.as_deref() {
        Some("pre") => ", before perihelion",
        Some("post") => ", after perihelion",
        _ => "",
    };
    let mut parts = vec![
        format!("{}{THIN_SPACE}au from the Sun{side}", fixed(night.r_au, 3)),
        format!("{}{THIN_SPACE}au from the observer", fixed(night.delta_au, 3)),
        night.site.clone(),
    ];
    parts.extend(night.telescope.clone());
    parts.extend(night.band.as_ref().map(|b| format!("band {b}")));
    parts.push(format!(
        "{} frame{}, {}{THIN_SPACE}min",
        night.n_frames,
        if night.n_frames == 1 { "" } else { "s" },
        format_round(night.exposure_s / 60.0, 3)
    ));
    parts.retain(|p| !p.is_empty());
    parts
}

/// Parts side by side, broken into lines between them and, where one is longer than a line, inside it.
fn joined(parts: &[String], size: f64, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for part in parts {
        match lines.last_mut() {
            Some(line) if text_width(&format!("{line} · {part}"), size) <= room => {
                line.push_str(" · ");
                line.push_str(part);
            }
            _ => lines.extend(wrap(part, size, room)),
        }
    }
    lines
}
