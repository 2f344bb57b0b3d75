//! The figure `montage`: all nights at one scale, and when they were.

use super::rows::{Rows, Slot, rows};
use super::same_scale::{Montage, MontageNight, SameScale, Shows, SkyOrientation};
use crate::picture::{OVER_DARK, OVER_PALE, sentence};
use crate::plot::{Axis, Label, Scale};
use crate::rim::{Rim, draw_small_legend};
use crate::scale_bars::{ColourBar, LengthBars};
use crate::stretch::strip;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, WIDTH, data_uri, fit, text_width, wrap};
use crate::theme::{Theme, in_both};
use crate::{Figure, PresentError, dates};
use fanlight_record::SeasonNight;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_round, format_utc, format_value, utc_days};
use rayon::prelude::*;

/// Pixels of an embedded raster per unit of the sheet: 300 to the inch.
const PX_PER_UNIT: f64 = 2.95;
/// From the sheet's top to the first row, the height of the dates under a row with what follows, and of a line of words.
const TOP: f64 = 62.0;
const DATES: f64 = 57.0;
const LINE: f64 = 15.0;
/// Most height of all rows: with the key a sheet of A4 holds it.
const MOST_HEIGHT: f64 = 790.0;
/// Under this side a picture has room for its date alone.
const ROOM_FOR_TWO_LINES: f64 = 84.0;
/// Room at the left for the words that name a row of twins.
const TWIN_WORDS: f64 = 20.0;
/// Between a night and its twin.
const TWIN_GAP: f64 = 6.0;
/// What stands at a night whose brightness does not compare.
const NOT_CALIBRATED: &str = "not calibrated";

/// All nights at one km scale, one orientation and one stretch, each above its dates; with twins under an enhancement. `None`
/// without a night.
///
/// # Errors
/// When images do not share a grid, or centre or scale cannot be used.
pub fn montage(montage: &Montage) -> Result<Option<Figure>, PresentError> {
    if montage.nights.is_empty() {
        return Ok(None);
    }
    let scene = SameScale::new(montage)?;
    let with_twins = montage.nights.iter().any(|n| n.twin.is_some());
    let days: Vec<Option<f64>> = montage.nights.iter().map(|n| utc_days(&n.night.mid_utc)).collect();
    let (high, label_room, between) = if with_twins { (2.0, TWIN_WORDS, TWIN_GAP) } else { (1.0, 0.0, 0.0) };
    let places = rows(&days, high, 2.0 * LINE + DATES + between, label_room, MOST_HEIGHT);
    let side_px = (places.side * PX_PER_UNIT).round().clamp(120.0, 640.0) as usize;
    let rasters =
        (0..montage.nights.len()).into_par_iter().map(|i| scene.rasters(i, side_px)).collect::<Result<Vec<_>, _>>()?;
    let missing = rasters.iter().flatten().any(|r| r.missing);
    let uris: Vec<Option<[Option<String>; 2]>> = rasters
        .iter()
        .map(|r| {
            r.as_ref()
                .map(|r| [Some(data_uri("image/png", &r.night)), r.twin.as_ref().map(|t| data_uri("image/png", t))])
        })
        .collect();
    let sheet =
        Sheet { scene: &scene, places, uris, days, with_twins, bar: data_uri("image/png", &strip(&scene.map)?) };
    let caption = format!("{} {}", orientation_words(montage.orientation), sheet.words(missing));
    let alt = sheet.alt();
    let title = match montage.shows {
        Shows::Light => "All nights at one scale".to_string(),
        Shows::Enhanced { method, .. } => format!("All nights at one scale: {method}"),
    };
    let (svg_light, svg_dark) = in_both(|theme| sheet.draw(theme, &caption, &alt));
    Ok(Some(Figure { name: montage.name.into(), title, caption, alt, svg_light, svg_dark }))
}

/// How the pictures lie, in a sentence.
pub(super) fn orientation_words(orientation: SkyOrientation) -> &'static str {
    match orientation {
        SkyOrientation::NorthUp => "North up, east left, the comet in the middle.",
        SkyOrientation::SunRight => "Each turned until the Sun is to the right, not mirrored, the comet in the middle.",
    }
}

/// Bands, telescopes, frames and exposures of nights, in a sentence; ranges where they differ.
pub(super) fn setup_words(nights: &[MontageNight]) -> String {
    let each = |of: fn(&SeasonNight) -> Option<&str>| {
        let mut all: Vec<&str> = nights.iter().filter_map(|n| of(n.night)).collect();
        all.sort_unstable();
        all.dedup();
        all.join(", ")
    };
    let range = |of: fn(&SeasonNight) -> f64| {
        let (low, high) = nights
            .iter()
            .map(|n| of(n.night))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        let (low, high) = (format_round(low, 3), format_round(high, 3));
        if low == high { low } else { format!("{low} to {high}") }
    };
    let mut parts = Vec::new();
    let (bands, telescopes) = (each(|n| n.band.as_deref()), each(|n| n.telescope.as_deref()));
    if !bands.is_empty() {
        parts.push(format!("band {bands}"));
    }
    if !telescopes.is_empty() {
        parts.push(telescopes);
    }
    parts.push(format!("{} frames", range(|n| n.n_frames as f64)));
    parts.push(format!("{}{THIN_SPACE}min", range(|n| n.exposure_s / 60.0)));
    let a_night = if nights.len() > 1 { " a night" } else { "" };
    format!("Taken in: {}{a_night}.", parts.join(", "))
}

/// What the stretch means, in a sentence; for captions.
pub(super) fn stretch_words(scene: &SameScale) -> String {
    let uncalibrated = scene.montage.nights.iter().filter(|n| n.picture.is_some() && !scene.is_calibrated(n)).count();
    let (low, high) = scene.stretch.map_or((0.0, 0.0), |s| s.range());
    match scene.montage.shows {
        Shows::Light => {
            let own = "drawn each on a scale of its own, so that its brightness does not compare";
            let mut text = String::new();
            if scene.stretch.is_some() {
                text = format!(
                    "Unprocessed light, one stretch: asinh from {} to {} millionths of A·f = 4π r² S/F, with r the distance from the Sun \
                     in au, S the brightness per steradian and F the Sun's light at 1{THIN_SPACE}au, both in the night's band. It \
                     corrects for the sunlight at the comet; the distance from the observer cancels; the phase angle is not \
                     corrected for. Its mean over a circle times the radius is Afρ. ",
                    format_value(low * 1e6, 2),
                    format_value(high * 1e6, 2),
                );
                if uncalibrated > 0 {
                    text += &format!("Not calibrated, and marked so: {uncalibrated}, {own}. ");
                }
            } else {
                text += &format!("Unprocessed light; no night is calibrated: {own}. ");
            }
            text + &format!("Colour map: {}.", scene.map.name)
        }
        Shows::Enhanced { how, unit, .. } => {
            format!(
                "{} One stretch for all nights and twins: linear from {} to {}, {unit}; colour map: {}.",
                sentence(how),
                format_value(low, 3),
                format_value(high, 3),
                scene.map.name
            )
        }
    }
}

/// The colour bar of a scene; where no brightness compares, its two ends in words.
pub(super) fn draw_bar(canvas: &mut Canvas, scene: &SameScale, strip: &str, corner: (f64, f64), width: f64) {
    let (unit, scale) = match scene.montage.shows {
        Shows::Light => ("A·f, millionths", 1e-6),
        Shows::Enhanced { unit, .. } => (unit, 1.0),
    };
    if let Some(stretch) = scene.stretch {
        return ColourBar { strip, stretch, scale, unit }.draw(canvas, corner, width);
    }
    // an unlabelled strip: the numbers would differ from night to night
    let theme = canvas.theme;
    canvas.png(corner, (width, 12.0), strip);
    canvas.frame(corner, (width, 12.0), Stroke::new(theme.rule, 1.0));
    let style = TextStyle::new(12.0, theme.muted);
    canvas.text((corner.0, corner.1 + 30.0), style, "faint");
    canvas.text((corner.0 + width, corner.1 + 30.0), style.anchor(Anchor::End), "bright, each night to its own scale");
}

struct Sheet<'m, 'a> {
    scene: &'m SameScale<'m, 'a>,
    places: Rows,
    /// Addresses of night and twin.
    uris: Vec<Option<[Option<String>; 2]>>,
    days: Vec<Option<f64>>,
    with_twins: bool,
    bar: String,
}

impl Sheet<'_, '_> {
    fn nights(&self) -> &[MontageNight<'_>] {
        &self.scene.montage.nights
    }

    fn draw(&self, theme: &'static Theme, caption: &str, alt: &str) -> String {
        let side = self.places.side;
        let pictures = if self.with_twins { 2.0 * side + TWIN_GAP } else { side };
        let row_height = self.label_height() + pictures + DATES;
        let key_top = TOP + row_height * self.places.rows.len() as f64 + 14.0;
        let notes = wrap(caption, 12.0, WIDTH - 40.0);
        let notes_top = key_top + 102.0;
        let mut canvas = Canvas::new(theme, notes_top + 16.0 * notes.len() as f64 + 4.0);
        let kind = match self.scene.montage.shows {
            Shows::Light => "all nights at one scale".to_string(),
            Shows::Enhanced { method, .. } => format!("{method}, all nights at one scale"),
        };
        canvas.heading(self.scene.montage.object, &kind, &self.subtitle());
        for (i, row) in self.places.rows.iter().enumerate() {
            self.draw_row(&mut canvas, row, TOP + row_height * i as f64);
        }
        let lengths = LengthBars {
            unit: "",
            km_per_unit: Some(1.0),
            drawn_per_unit: side / (2.0 * self.scene.half_km),
            longest: 0.9 * 2.0 * self.scene.half_km * (200.0 / side).min(1.0),
        };
        lengths.draw_km(&mut canvas, (20.0, key_top + 12.0));
        self.draw_star_words(&mut canvas, (20.0, key_top + 42.0));
        draw_bar(&mut canvas, self.scene, &self.bar, (WIDTH / 2.0, key_top + 4.0), WIDTH / 2.0 - 20.0);
        let compass = match self.scene.montage.orientation {
            SkyOrientation::NorthUp => "ticks: north up, east left",
            SkyOrientation::SunRight => "tick: north",
        };
        draw_small_legend(&mut canvas, 20.0, key_top + 72.0, compass);
        for (i, line) in notes.iter().enumerate() {
            canvas.text((20.0, notes_top + 16.0 * i as f64), TextStyle::new(12.0, theme.muted), line);
        }
        canvas.finish(alt)
    }

    /// What the ring in the corners is.
    fn draw_star_words(&self, canvas: &mut Canvas, (x, y): (f64, f64)) {
        let theme = canvas.theme;
        canvas.ring((x + 6.0, y), 5.0, Stroke::new(theme.ink, 1.2));
        canvas.text((x + 20.0, y + 4.5), TextStyle::new(12.0, theme.ink), "in a corner: width of a star image");
    }

    fn label_height(&self) -> f64 {
        if self.places.side >= ROOM_FOR_TWO_LINES { 2.0 * LINE + 9.0 } else { LINE + 9.0 }
    }

    fn draw_row(&self, canvas: &mut Canvas, row: &[Slot], top: f64) {
        let theme = canvas.theme;
        let side = self.places.side;
        let pictures_top = top + self.label_height();
        for slot in row {
            let Some(night) = self.nights().get(slot.night) else { continue };
            self.draw_labels(canvas, slot, night, top + LINE - 3.0);
            let uris = self.uris.get(slot.night).and_then(Option::as_ref);
            for which in 0..if self.with_twins { 2 } else { 1 } {
                let corner = (slot.left, pictures_top + which as f64 * (side + TWIN_GAP));
                match uris.and_then(|u| u[which].as_ref()) {
                    Some(uri) => {
                        canvas.png(corner, (side, side), uri);
                        canvas.frame(corner, (side, side), Stroke::new(theme.rule, 1.0));
                        let rim = Rim {
                            corner,
                            side,
                            room: 0.0,
                            spacing: 0.0,
                            arrows: 0.0,
                            turned_deg: night.turn_deg(self.scene.montage.orientation),
                        };
                        let letter = (side >= ROOM_FOR_TWO_LINES).then_some([OVER_PALE, OVER_DARK]);
                        rim.draw_small(canvas, &night.directions(), letter);
                        self.draw_star(canvas, night, corner);
                    }
                    None => {
                        canvas.frame(corner, (side, side), Stroke::new(theme.rule, 1.0).dashed("3 3"));
                        let word = if which == 0 { "no picture" } else { "no twin" };
                        let style = TextStyle::new(12.0, theme.muted).anchor(Anchor::Middle);
                        canvas.text(
                            (corner.0 + side / 2.0, corner.1 + side / 2.0 + 4.0),
                            style,
                            &fit(word, 12.0, side - 4.0),
                        );
                    }
                }
            }
            if let Some(gap) = slot.long_gap_days {
                let x = slot.left - 20.0;
                let middle = pictures_top + side / 2.0;
                let word = format!("{}{THIN_SPACE}days", fixed(gap, 0));
                let half = text_width(&word, 12.0) / 2.0 + 6.0;
                let stroke = Stroke::new(theme.rule, 1.2).dashed("2 3");
                canvas.line((x, pictures_top), (x, middle - half), stroke);
                canvas.line((x, middle + half), (x, pictures_top + side), stroke);
                let style = TextStyle::new(12.0, theme.muted).anchor(Anchor::Middle).upward();
                canvas.text((x + 4.0, middle), style, &word);
            }
        }
        if self.with_twins {
            for (which, word) in ["night", "twin"].into_iter().enumerate() {
                let y = pictures_top + which as f64 * (side + TWIN_GAP) + side / 2.0;
                let style = TextStyle::new(12.5, theme.ink).bold().anchor(Anchor::Middle).upward();
                canvas.text((self.places.left - 13.0, y), style, word);
            }
        }
        let bottom = pictures_top + if self.with_twins { 2.0 * side + TWIN_GAP } else { side };
        self.draw_dates(canvas, row, bottom);
    }

    /// Date, and where there is room band, distance and whether the brightness compares.
    fn draw_labels(&self, canvas: &mut Canvas, slot: &Slot, night: &MontageNight, y: f64) {
        let theme = canvas.theme;
        let side = self.places.side;
        let room = side + 6.0;
        let own_scale = night.picture.is_some() && !self.scene.is_calibrated(night);
        let several_bands = self.nights().iter().any(|n| n.night.band != night.night.band);
        let two_lines = side >= ROOM_FOR_TWO_LINES;
        let star = if own_scale && !two_lines { "*" } else { "" };
        let date = format!("{}{star}", self.date(slot.night));
        canvas.text((slot.left, y), TextStyle::new(12.5, theme.ink).bold(), &fit(&date, 13.5, room));
        if !two_lines {
            return;
        }
        if own_scale {
            let style = TextStyle::new(12.0, theme.warn);
            return canvas.text((slot.left, y + LINE), style, &fit(NOT_CALIBRATED, 12.0, room));
        }
        let band = night.night.band.as_ref().filter(|_| several_bands).map(|b| format!(" · {b}")).unwrap_or_default();
        let distance = format!("{}{THIN_SPACE}au{band}", fixed(night.night.r_au, 3));
        let style = TextStyle::new(12.0, theme.muted);
        canvas.text((slot.left, y + LINE), style, &fit(&distance, 12.0, room));
    }

    /// The night's date, with the time where its neighbour has the same and there is room.
    fn date(&self, index: usize) -> String {
        let of = |i: usize| self.nights().get(i).map(|n| dates::short(&n.night.mid_utc));
        let date = of(index).unwrap_or_default();
        let shared = of(index + 1).as_ref() == Some(&date) || index.checked_sub(1).and_then(of).as_ref() == Some(&date);
        let time = self.nights().get(index).map(|n| format_utc(&n.night.mid_utc)).unwrap_or_default();
        match time.split(' ').nth(1) {
            Some(time) if shared && self.places.side >= ROOM_FOR_TWO_LINES => format!("{date} {time}"),
            _ => date,
        }
    }

    /// A ring as wide as a star image, in the lower left corner.
    fn draw_star(&self, canvas: &mut Canvas, night: &MontageNight, corner: (f64, f64)) {
        let Some(fwhm) = night.night.fwhm_arcsec.filter(|f| f.is_finite() && *f > 0.0) else { return };
        let side = self.places.side;
        let radius = fwhm * night.night.km_per_arcsec / 2.0 * side / (2.0 * self.scene.half_km);
        if radius > side / 6.0 || radius < 0.4 {
            return;
        }
        let at = (corner.0 + radius + 4.0, corner.1 + side - radius - 4.0);
        canvas.ring(at, radius, Stroke::new(OVER_DARK, 2.2));
        canvas.ring(at, radius, Stroke::new(OVER_PALE, 1.0));
    }

    /// The row's dates to scale, and a line from each picture to its date.
    fn draw_dates(&self, canvas: &mut Canvas, row: &[Slot], top: f64) {
        let theme = canvas.theme;
        let side = self.places.side;
        let day = |slot: &Slot| self.days.get(slot.night).copied().flatten();
        let dated: Vec<(&Slot, f64)> = row.iter().filter_map(|s| Some((s, day(s)?))).collect();
        let (Some(first), Some(last)) = (dated.first(), dated.last()) else { return };
        let (left, right) = (first.0.left + side / 2.0, last.0.left + side / 2.0);
        if !(last.1 > first.1) {
            return;
        }
        let axis = Axis { low: first.1, high: last.1, scale: Scale::Date };
        let line = top + 22.0;
        let x = |days: f64| left + axis.place(days) * (right - left);
        canvas.line((left, line), (right, line), Stroke::new(theme.rule, 1.2));
        for (slot, days) in &dated {
            let from = slot.left + side / 2.0;
            canvas.polyline(
                &[(from, top + 3.0), (from, top + 7.0), (x(*days), line - 4.0), (x(*days), line)],
                Stroke::new(theme.rule, 1.0),
            );
            canvas.dot((x(*days), line), 2.4, theme.ink);
        }
        for tick in axis.ticks(((right - left) / 80.0) as usize).0 {
            canvas.line((x(tick.value), line), (x(tick.value), line + 5.0), Stroke::new(theme.ink, 1.0));
            if let Label::Plain(word) = tick.label {
                canvas.text(
                    (x(tick.value), line + 18.0),
                    TextStyle::new(12.0, theme.muted).anchor(Anchor::Middle),
                    &word,
                );
            }
        }
    }

    fn subtitle(&self) -> String {
        let n = self.nights().len();
        let years = dates::years(self.nights().iter().map(|n| n.night.mid_utc.as_str()));
        let ends = match (self.nights().first(), self.nights().last()) {
            (Some(a), Some(b)) if n > 1 => {
                format!("{} to {} {years}", dates::short(&a.night.mid_utc), dates::short(&b.night.mid_utc))
            }
            (Some(a), _) => format_utc(&a.night.mid_utc),
            _ => String::new(),
        };
        let mut parts = vec![ends, format!("{n} night{}", if n == 1 { "" } else { "s" })];
        match self.nights().iter().filter(|n| n.night.simulated).count() {
            0 => {}
            simulated if simulated == n => parts.push("simulated frames".into()),
            _ => parts.push("some frames simulated".into()),
        }
        parts.join(" · ")
    }

    fn words(&self, missing: bool) -> String {
        let across = 2.0 * self.scene.half_km;
        let mut text = format!(
            "Each picture is {}{THIN_SPACE}km across at the comet.{}",
            format_round(across, 3),
            if self.nights().len() > 1 { " Under each row its dates to scale." } else { "" }
        );
        if self.with_twins {
            text += " Under each night its featureless twin through the same filter: what both show is the instrument.";
        }
        text += &format!(" {}", stretch_words(self.scene));
        if self.places.side < ROOM_FOR_TWO_LINES
            && self.nights().iter().any(|n| n.picture.is_some() && !self.scene.is_calibrated(n))
        {
            text += &format!(" *: {NOT_CALIBRATED}.");
        }
        text += &format!(" {}", setup_words(self.nights()));
        if missing {
            text += " Hatched grey: no good data.";
        }
        if self.nights().iter().any(|n| n.picture.is_none()) {
            text += " Dashed frames: nights whose picture was not at hand.";
        }
        text
    }

    fn alt(&self) -> String {
        let n = self.nights().len();
        let what = match self.scene.montage.shows {
            Shows::Light => "the light of the coma, brightest in the middle",
            Shows::Enhanced { method, .. } => method,
        };
        format!(
            "{n} square picture{} of {} in order of time, each {}{THIN_SPACE}km across, the comet in the middle: {what}. {}{}",
            if n == 1 { "" } else { "s" },
            self.scene.montage.object,
            format_round(2.0 * self.scene.half_km, 3),
            orientation_words(self.scene.montage.orientation),
            if self.with_twins { " Under each night stands its featureless twin." } else { "" },
        )
    }
}
