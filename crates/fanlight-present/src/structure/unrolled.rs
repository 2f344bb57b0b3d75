//! The figure `unrolled`: position angle across, log ρ up; night above, twin below, both over the twin's azimuthal mean.

use super::marks::{Legend, Mark, marks, marks_in_words, style_words, without_wraps};
use super::{StructurePictures, TwinMean, area_arcsec};
use crate::colour;
use crate::picture::{OVER_DARK, OVER_PALE, subtitle};
use crate::plot::{Axis, Panel, Scale, Sides};
use crate::rim::anti_sun;
use crate::scale_bars::ColourBar;
use crate::sky::{SkyPicture, unrolled as unroll};
use crate::stretch::{Plate, Stretch, strip};
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, data_uri, wrap};
use crate::theme::in_both;
use crate::{Figure, PresentError};
use fanlight_image::{Image, smooth};
use fanlight_record::NightRecord;
use fanlight_record::sentences::{fixed, format_percent, format_utc};
use rayon::prelude::*;

/// Samples over the whole circle; a row is as high in ln ρ, so that shapes keep their angles. Drawn two by two, since
/// neighbours are smoothed together.
const COLUMNS: usize = 720;
/// Standard deviation of the smoothing, in degrees of position angle and by as much of ρ.
const SMOOTHING_DEG: f64 = 1.5;
const LEFT: f64 = 76.0;
const PANEL_WIDTH: f64 = 560.0;
const TOP: f64 = 104.0;
/// Least and greatest height of a panel.
const HEIGHTS: (f64, f64) = (130.0, 250.0);
/// Between the panels.
const GAP: f64 = 26.0;

/// Night and twin unrolled; `None` where the searched area is not known or holds no light of the twin.
pub(super) fn unrolled(
    night: &NightRecord,
    light: &SkyPicture,
    structure: &StructurePictures,
) -> Result<Option<Figure>, PresentError> {
    let Some((inner, outer)) = area_arcsec(night) else { return Ok(None) };
    let mean = TwinMean::new(light, structure.twin, (inner, outer));
    let maps: Vec<Image> = [light.image, structure.twin_realisation]
        .par_iter()
        .map(|image| contrast_map(&light.with_image(image, light.mask), &mean, (inner, outer)))
        .collect();
    if maps[0].data.iter().all(|v| !v.is_finite()) {
        return Ok(None);
    }
    let stretch = Stretch::symmetric(&maps[0]);
    let map = colour::blue_amber();
    let plates: Vec<String> = (maps.par_iter())
        .map(|image| Plate::new(image, &stretch).map(|p| data_uri("image/png", &p.coloured(&map))))
        .collect::<Result<_, _>>()?;
    let bar = data_uri("image/png", &strip(&map)?);
    let marks = marks(night);
    let missing = maps[0].data.iter().any(|v| !v.is_finite());
    let what = format!(
        "Night and twin over the azimuthal mean of the twin, smoothed by {}° (standard deviation) in position angle and as \
         much in ln ρ, so that shapes keep their angles. Position angle grows to the right. Stretch: linear, ±{} about \
         equality, the same in both (99 % of the night inside); colour map: {}.{}{}",
        fixed(SMOOTHING_DEG, 1),
        format_percent(stretch.range().1),
        map.name,
        style_words(&marks),
        if missing { " Hatched grey: no good data." } else { "" }
    )
    .replace("99 %", "99\u{202f}%");
    let caption = format!(
        "{what} At the top: toward the Sun, away from it, and against the orbital motion (−v). What both panels show is the \
         instrument."
    );
    let alt = format!(
        "Two maps of the coma of {} at {}, unrolled about its centre: position angle from 0° to 360° to the right, distance \
         from {}″ to {}″ upward; above the night, below its featureless twin; amber where brighter and blue where fainter than \
         the mean at that distance. {}",
        night.object,
        format_utc(&night.mid_utc),
        fixed(inner, 1),
        fixed(outer, 0),
        marks_in_words(&marks)
    );
    let height = (PANEL_WIDTH * (outer / inner).ln() / std::f64::consts::TAU).clamp(HEIGHTS.0, HEIGHTS.1);
    let (svg_light, svg_dark) = in_both(|theme| {
        let room = PANEL_WIDTH + 20.0;
        let notes = wrap(&what, 12.0, room);
        let legend = Legend::new(&marks, room - 270.0);
        let below = TOP + 2.0 * height + GAP + 62.0;
        let notes_top = below + legend.height().max(52.0) + 22.0;
        let mut canvas = Canvas::new(theme, notes_top + 16.0 * notes.len() as f64 + 4.0);
        canvas.heading(&night.object, "the coma unrolled", &subtitle(night));
        let x = Axis { low: 0.0, high: 360.0, scale: Scale::Degrees };
        let y = Axis { low: inner, high: outer, scale: Scale::Logarithmic };
        let upper = Panel { left: LEFT, top: TOP, width: PANEL_WIDTH, height, x, y };
        let lower = Panel { top: TOP + height + GAP, ..upper };
        let pa = "position angle, ° (0 north, 90 east, 180 south, 270 west)";
        for (panel, below, name) in [(&upper, "", "night: ρ, arcsec"), (&lower, pa, "twin: ρ, arcsec")] {
            panel.draw(&mut canvas, Sides { below, left: name, ..Sides::default() });
        }
        for (panel, plate) in [&upper, &lower].into_iter().zip(&plates) {
            let (at, size) = ((panel.left, panel.top), (panel.width, panel.height));
            canvas.png(at, size, plate);
            canvas.frame(at, size, Stroke::new(theme.rule, 1.0));
            draw_directions(&mut canvas, panel, night, panel.top == TOP);
        }
        for mark in &marks {
            draw_mark(&mut canvas, &upper, mark);
        }
        let bar = ColourBar { strip: &bar, stretch, scale: 0.01, unit: "over the twin's azimuthal mean, %" };
        bar.draw(&mut canvas, (LEFT, below), 240.0);
        if marks.is_empty() {
            canvas.text((LEFT + 280.0, below + 11.0), TextStyle::new(12.0, theme.ink), "No feature is marked.");
        }
        legend.draw(&mut canvas, (LEFT + 280.0, below - 4.0), theme.ink);
        for (i, line) in notes.iter().enumerate() {
            canvas.text((LEFT, notes_top + 16.0 * i as f64), TextStyle::new(12.0, theme.muted), line);
        }
        canvas.finish(&alt)
    });
    let (name, title) = ("unrolled".into(), "The coma unrolled".into());
    Ok(Some(Figure { name, title, caption, alt, svg_light, svg_dark }))
}

/// Light over the twin's azimuthal mean, less 1; outer radii in the first rows; smoothed, round the circle too.
fn contrast_map(picture: &SkyPicture, mean: &TwinMean, (inner, outer): (f64, f64)) -> Image {
    let step = std::f64::consts::TAU / COLUMNS as f64;
    let rows = 2 * ((outer / inner).ln() / step / 2.0).ceil().clamp(4.0, 1000.0) as usize;
    let radii: Vec<f64> = (0..rows).map(|j| outer * (inner / outer).powf((j as f64 + 0.5) / rows as f64)).collect();
    let mut polar = unroll(picture, COLUMNS, &radii);
    for (row, rho) in polar.data.chunks_mut(COLUMNS).zip(&radii) {
        let under = mean.at(*rho);
        row.iter_mut().for_each(|v| *v = under.map_or(f32::NAN, |m| (f64::from(*v) / m - 1.0) as f32));
    }
    let sigma_px = SMOOTHING_DEG.to_radians() / step;
    let margin = (4.0 * sigma_px).ceil() as usize;
    let width = COLUMNS + 2 * margin;
    let around =
        |row: &[f32]| -> Vec<f32> { (0..width).map(|i| row[(i + COLUMNS - margin % COLUMNS) % COLUMNS]).collect() };
    let data: Vec<f32> = polar.data.chunks(COLUMNS).flat_map(around).collect();
    let smoothed = smooth::gaussian(&Image { width, height: rows, data }, sigma_px);
    let mut out = Image::filled(COLUMNS / 2, rows / 2, f32::NAN);
    for (i, value) in out.data.iter_mut().enumerate() {
        let (column, row) = (2 * (i % (COLUMNS / 2)), 2 * (i / (COLUMNS / 2)));
        let four = [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(dx, dy)| (column + dx, row + dy));
        let n = four.iter().filter(|(x, y)| polar.at(*x, *y).is_finite()).count();
        if n > 1 {
            *value = four.iter().map(|(x, y)| smoothed.data[y * width + margin + x]).sum::<f32>() / 4.0;
        }
    }
    out
}

/// Ticks at the sunward, anti-solar and anti-velocity position angles on the upper edge, with their signs on the first
/// panel.
fn draw_directions(canvas: &mut Canvas, panel: &Panel, night: &NightRecord, signs: bool) {
    let (g, theme) = (&night.geometry, canvas.theme);
    let directions =
        [(g.sunward_pa_deg, theme.sun), (g.antisolar_pa_deg, theme.sun), (g.negative_velocity_pa_deg, theme.first)];
    let mut taken: Vec<f64> = Vec::new();
    for (i, (pa, colour)) in directions.into_iter().enumerate().filter(|(_, (pa, _))| pa.is_finite()) {
        let x = panel.at(pa.rem_euclid(360.0), panel.y.high).0;
        canvas.polygon(&[(x, panel.top - 1.0), (x - 4.0, panel.top - 10.0), (x + 4.0, panel.top - 10.0)], colour);
        if !signs {
            continue;
        }
        // a sign beside one that is already there moves away from it
        let mut at = x;
        while let Some(other) = taken.iter().find(|t| (**t - at).abs() < 30.0) {
            at = if at >= *other { other + 30.5 } else { other - 30.5 };
        }
        taken.push(at);
        let y = panel.top - 20.0;
        match i {
            0 => canvas.sun((at, y), 7.0),
            1 => anti_sun(canvas, (at, y), 7.0),
            _ => {
                let style = TextStyle::new(14.0, colour).bold().anchor(Anchor::Middle);
                canvas.text((at, y + 5.0), style, "−v");
            }
        }
    }
}

fn draw_mark(canvas: &mut Canvas, panel: &Panel, mark: &Mark) {
    let inside = |p: &(f64, f64)| panel.holds(p.0, p.1);
    let mut end = None;
    for line in without_wraps(&mark.ridge) {
        let points: Vec<_> = line.iter().filter(|p| inside(p)).map(|p| panel.at(p.0, p.1)).collect();
        mark.draw_over(canvas, &points);
        end = points.last().copied().or(end);
    }
    if let Some((x, y)) = end {
        // above the line's end, or beside it where that is at the panel's edge
        let at = if y - 16.0 > panel.top { (x, y - 5.0) } else { (x + 10.0, y + 13.0) };
        let at = (at.0.clamp(panel.left + 8.0, panel.right() - 8.0), at.1);
        let style = TextStyle::new(12.5, OVER_PALE).bold().anchor(Anchor::Middle).halo(OVER_DARK);
        canvas.text(at, style, &mark.number.to_string());
    }
}
