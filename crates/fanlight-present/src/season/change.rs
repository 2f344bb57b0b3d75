//! The figure `change`: where the coma changed from one night to the next, in errors, and the two nights beside it.

use super::montage::{draw_bar, orientation_words, setup_words, stretch_words};
use super::same_scale::{Montage, MontageNight, SameScale, Shows, SkyOrientation};
use crate::apart::part;
use crate::colour;
use crate::picture::{OVER_DARK, OVER_PALE, sentence};
use crate::rim::{Rim, draw_legend};
use crate::scale_bars::{ColourBar, LengthBars};
use crate::sky::SkyPicture;
use crate::stretch::{Stretch, strip};
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, WIDTH, data_uri, wrap};
use crate::theme::in_both;
use crate::{Figure, PresentError, dates};
use fanlight_record::sentences::{
    THIN_SPACE, fixed, format_chance, format_measured, format_pa, format_round, format_utc,
};
use fanlight_record::{ChangeRecord, ChangedFeature};

/// Pixels along a side: 300 per inch.
const MAP_PX: usize = 1140;
const NIGHT_PX: usize = 540;
const LEFT: f64 = 40.0;
const TOP: f64 = 106.0;
/// Sides of the map and of the nights beside it, which end where the map does.
const MAP: f64 = 386.0;
const NIGHT: f64 = 170.0;
const NIGHTS_LEFT: f64 = LEFT + MAP + 54.0;
/// The map runs at least to so many errors either way: noise alone stays pale.
const LEAST_SIGMAS: f64 = 4.0;
/// Numbers of changes stand so far beyond their outer end, as a share of half the side, and keep this angle apart.
const BEYOND: f64 = 0.07;
const APART_DEG: f64 = 9.0;

/// What is drawn of one night against an earlier one.
#[derive(Debug, Clone, Copy)]
pub struct ChangePictures<'a> {
    /// The record's entry.
    pub change: &'a ChangeRecord,
    /// Difference of contrast, later minus earlier, over its error; not finite where the nights were not compared. On a grid
    /// centred on the comet as of the later night.
    pub sigmas: SkyPicture<'a>,
    /// The light of the earlier night.
    pub earlier: MontageNight<'a>,
    /// The light of the later night.
    pub later: MontageNight<'a>,
    /// How the map was made: centring, seeing matched to which, smoothing, what both nights were divided by.
    pub how: &'a str,
}

/// Lower and upper end of the map, in errors: whole and symmetric.
fn limit_sigmas(seen: f64) -> f64 {
    if seen.is_finite() { seen.ceil().clamp(LEAST_SIGMAS, 20.0) } else { LEAST_SIGMAS }
}

/// The map of one change, north up. `None` where the nights were not compared.
///
/// # Errors
/// When images do not share a grid, or centre or scale cannot be used.
pub fn change(object: &str, pictures: &ChangePictures) -> Result<Option<Figure>, PresentError> {
    let record = pictures.change;
    if record.not_compared_because.is_some() {
        return Ok(None);
    }
    let outer_km = record.range_km.map(|r| r[1]).filter(|r| r.is_finite() && *r > 0.0);
    let pair = |nights, half_width_km| Montage {
        name: "change",
        object,
        nights,
        shows: Shows::Light,
        orientation: SkyOrientation::NorthUp,
        half_width_km,
    };
    let nights = pair(vec![pictures.earlier, pictures.later], outer_km.map(|r| 1.12 * r));
    let scene = SameScale::new(&nights)?;
    let map_night = MontageNight { picture: Some(pictures.sigmas), twin: None, ..pictures.later };
    let map = Montage {
        shows: Shows::Enhanced { method: "", values: crate::Values::AboutZero, unit: "", how: "" },
        ..pair(vec![map_night], Some(scene.half_km))
    };
    let mut map = SameScale::new(&map)?;
    let limit = limit_sigmas(map.stretch.map_or(f64::NAN, |s| s.range().1));
    let stretch = Stretch::Linear { low: -limit, high: limit };
    (map.stretch, map.map) = (Some(stretch), colour::blue_amber());
    let uri = |rasters: Option<super::same_scale::Rasters>| rasters.map(|r| data_uri("image/png", &r.night));
    let map_uri = uri(map.rasters(0, MAP_PX)?);
    let night_uris = [uri(scene.rasters(0, NIGHT_PX)?), uri(scene.rasters(1, NIGHT_PX)?)];
    let (map_strip, light_strip) = (strip(&map.map)?, strip(&scene.map)?);
    let bars = [data_uri("image/png", &map_strip), data_uri("image/png", &light_strip)];

    let n = record.features.len();
    let what = format!(
        "{} Difference of contrast, {} less {}, over its error: linear, ±{}{THIN_SPACE}σ; amber where brighter, blue where fainter, grey \
         where alike; colour map: {}. Hatched grey: not compared. {}{} Beside it the two nights. {} {}",
        orientation_words(SkyOrientation::NorthUp),
        dates::short(&record.to_utc),
        dates::short(&record.from_utc),
        fixed(limit, 0),
        map.map.name,
        sentence(pictures.how),
        if n > 0 { " Lines: changes that are supported; dashed: gone." } else { " No change is supported." },
        setup_words(&nights.nights),
        stretch_words(&scene)
    );
    let alt = format!(
        "Square map of {}, {}{THIN_SPACE}km across: where the coma became brighter (amber) or fainter (blue) from {} to {}. {} Beside it \
         the light of both nights at the same scale.",
        object,
        format_round(2.0 * scene.half_km, 3),
        format_utc(&record.from_utc),
        format_utc(&record.to_utc),
        record.statement
    );
    let (svg_light, svg_dark) = in_both(|theme| {
        let words: Vec<Vec<String>> = record
            .features
            .iter()
            .enumerate()
            .map(|(i, f)| wrap(&change_words(i + 1, f), 12.5, WIDTH - 80.0))
            .collect();
        let statement = wrap(&record.statement, 13.0, WIDTH - 80.0);
        let notes = wrap(&what, 12.0, WIDTH - 80.0);
        let bars_top = TOP + MAP + 40.0;
        let list_top = bars_top + 100.0;
        let lines = statement.len() + words.iter().map(Vec::len).sum::<usize>();
        let notes_top = list_top + 17.0 * lines as f64 + 12.0;
        let mut canvas = Canvas::new(theme, notes_top + 16.0 * notes.len() as f64 + 4.0);
        let subtitle = format!("{} to {}", format_utc(&record.from_utc), format_utc(&record.to_utc));
        canvas.heading(object, "what changed", &subtitle);
        let directions = pictures.later.directions();
        let rim = Rim { corner: (LEFT, TOP), side: MAP, room: 24.0, spacing: 32.0, arrows: 0.9, turned_deg: 0.0 };
        if let Some(uri) = &map_uri {
            canvas.png((LEFT, TOP), (MAP, MAP), uri);
        }
        canvas.frame((LEFT, TOP), (MAP, MAP), Stroke::new(theme.rule, 1.0));
        rim.draw(&mut canvas, &directions);
        draw_features(&mut canvas, record, scene.half_km);
        for (i, (uri, night)) in night_uris.iter().zip([&pictures.earlier, &pictures.later]).enumerate() {
            let top = TOP + i as f64 * (MAP - NIGHT);
            match uri {
                Some(uri) => canvas.png((NIGHTS_LEFT, top), (NIGHT, NIGHT), uri),
                None => {
                    let style = TextStyle::new(12.0, theme.muted).anchor(Anchor::Middle);
                    canvas.text((NIGHTS_LEFT + NIGHT / 2.0, top + NIGHT / 2.0), style, "no picture");
                }
            }
            canvas.frame((NIGHTS_LEFT, top), (NIGHT, NIGHT), Stroke::new(theme.rule, 1.0));
            let small =
                Rim { corner: (NIGHTS_LEFT, top), side: NIGHT, room: 0.0, spacing: 0.0, arrows: 0.0, turned_deg: 0.0 };
            small.draw_small(&mut canvas, &night.directions(), None);
            let own = if uri.is_some() && !scene.is_calibrated(night) { ", not calibrated" } else { "" };
            let title = format!("{}{own}", dates::short(&night.night.mid_utc));
            canvas.text((NIGHTS_LEFT, top - 14.0), TextStyle::new(12.5, theme.ink).bold(), &title);
        }
        let lengths = LengthBars {
            unit: "",
            km_per_unit: Some(1.0),
            drawn_per_unit: MAP / (2.0 * scene.half_km),
            longest: 0.3 * 2.0 * scene.half_km,
        };
        lengths.draw_km(&mut canvas, (LEFT, bars_top + 10.0));
        canvas.text((LEFT, bars_top + 34.0), TextStyle::new(12.0, theme.muted), "on the map");
        let bar = ColourBar { strip: &bars[0], stretch, scale: 1.0, unit: "change, σ" };
        bar.draw(&mut canvas, (LEFT + 210.0, bars_top), MAP - 210.0);
        draw_bar(&mut canvas, &scene, &bars[1], (NIGHTS_LEFT, bars_top), NIGHT);
        draw_legend(&mut canvas, LEFT, bars_top + 70.0, &directions);
        let mut y = list_top;
        for line in &statement {
            canvas.text((LEFT, y), TextStyle::new(13.0, theme.ink).bold(), line);
            y += 17.0;
        }
        for line in words.iter().flatten() {
            canvas.text((LEFT, y), TextStyle::new(12.5, theme.ink), line);
            y += 17.0;
        }
        for (i, line) in notes.iter().enumerate() {
            canvas.text((LEFT, notes_top + 16.0 * i as f64), TextStyle::new(12.0, theme.muted), line);
        }
        canvas.finish(&alt)
    });
    Ok(Some(Figure { name: "change".into(), title: "What changed".into(), caption: what, alt, svg_light, svg_dark }))
}

/// `1: new jet at PA 271.0° ± 1.0°, contrast +6.0 ± 1.0 %, probability 1 × 10⁻⁵`.
pub(super) fn change_words(number: usize, f: &ChangedFeature) -> String {
    let sign = if f.amount > 0.0 { "+" } else { "" };
    let amount = match f.what.as_str() {
        "moved" => format!("by {sign}{}°", format_measured(f.amount, f.amount_err).replace(" ± ", "° ± ")),
        _ => format!("contrast {sign}{}{THIN_SPACE}%", format_measured(100.0 * f.amount, 100.0 * f.amount_err)),
    };
    let name = if f.what == "new" { format!("new {}", f.kind) } else { format!("{} {}", f.kind, f.what) };
    format!(
        "{number}: {name} at PA {}, {amount}, probability {}",
        format_pa(f.pa_deg, f.pa_err_deg),
        format_chance(f.probability)
    )
}

/// A line along each change over the distances that were compared, with its number beyond.
fn draw_features(canvas: &mut Canvas, record: &ChangeRecord, half_km: f64) {
    let [inner, outer] = record.range_km.unwrap_or([0.15 * half_km, 0.8 * half_km]).map(|r| r / half_km);
    let middle = (LEFT + MAP / 2.0, TOP + MAP / 2.0);
    let place = |share: f64, pa_deg: f64| {
        let (sin, cos) = pa_deg.to_radians().sin_cos();
        (middle.0 - share * MAP / 2.0 * sin, middle.1 - share * MAP / 2.0 * cos)
    };
    let shown: Vec<(usize, &ChangedFeature)> =
        record.features.iter().enumerate().filter(|(_, f)| f.pa_deg.is_finite()).collect();
    let mut ends: Vec<f64> = shown.iter().map(|(_, f)| f.pa_deg).collect();
    part(&mut ends, &[], APART_DEG, 360.0);
    for ((i, f), end) in shown.iter().zip(ends) {
        let line = [place(inner, f.pa_deg), place(outer, f.pa_deg)];
        for (ink, width) in [(OVER_DARK, 3.2), (OVER_PALE, 1.5)] {
            let stroke = Stroke::new(ink, width);
            canvas.polyline(&line, if f.what == "gone" { stroke.dashed("6 5") } else { stroke });
        }
        let (x, y) = place((outer + BEYOND).min(0.95), end);
        let style = TextStyle::new(14.0, OVER_PALE).bold().anchor(Anchor::Middle).halo(OVER_DARK);
        canvas.text((x, y + 5.0), style, &(i + 1).to_string());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_in_words_has_sign_error_and_chance() {
        let of = |what: &str, amount, amount_err| ChangedFeature {
            what: what.into(),
            kind: "jet".into(),
            pa_deg: 271.0,
            pa_err_deg: 1.2,
            amount,
            amount_err,
            probability: 1e-5,
        };
        let words = change_words(2, &of("new", 0.06, 0.011));
        assert_eq!(words, "2: new jet at PA 271.0° ± 1.2°, contrast +6.0 ± 1.1\u{202f}%, probability 1 × 10⁻⁵");
        assert!(
            change_words(1, &of("moved", -9.0, 2.0)).starts_with("1: jet moved at PA 271.0° ± 1.2°, by −9.0° ± 2.0°")
        );
    }

    #[test]
    fn the_map_never_makes_noise_loud_nor_hides_a_change() {
        assert_eq!(limit_sigmas(1.2), 4.0);
        assert_eq!(limit_sigmas(7.3), 8.0);
        assert_eq!(limit_sigmas(f64::NAN), 4.0);
        assert_eq!(limit_sigmas(900.0), 20.0);
    }
}
