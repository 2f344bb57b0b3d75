//! The figures `activity` and `light-curve`: dust against the distance from the Sun, brightness against date.

use super::marks::{Entry, LEGEND_LINE, Shape, apart, legend};
use crate::plot::{Axis, Panel, Sides};
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, WIDTH, fit};
use crate::theme::{Theme, in_both};
use crate::{Figure, dates};
use fanlight_record::sentences::{THIN_SPACE, fixed, format_chance, format_measured, utc_days};
use fanlight_record::{ActivityFit, ActivityPoint, ActivityRecord, ComparisonRecord, OutburstRecord, SeasonRecord};

const LEFT: f64 = 76.0;
const RIGHT: f64 = 24.0;
const HEIGHT: f64 = 330.0;
/// Room between two panels: numbers and words of the second one's axis.
const BETWEEN: f64 = 62.0;
/// Height of a line over a panel.
const LINE: f64 = 17.0;
/// Other comets are shown to this factor beyond this comet's distances.
const BEYOND: f64 = 1.4;
/// Radius that the choice of an aperture prefers, km.
const USUAL_KM: f64 = 10_000.0;

/// `before perihelion`, of a side as records write it.
pub(crate) fn side_words(side: Option<&str>) -> &'static str {
    match side {
        Some("pre") => "before perihelion",
        Some("post") => "after perihelion",
        _ => "side of perihelion not known",
    }
}

/// The aperture that figures show: that of most of the fits' nights, of equal ones the nearest to 10 000 km.
pub(crate) fn shown_aperture_km(activity: &ActivityRecord) -> Option<f64> {
    let mut apertures: Vec<f64> = activity.points.iter().map(|p| p.aperture_km).filter(|a| a.is_finite()).collect();
    apertures.sort_by(f64::total_cmp);
    apertures.dedup_by(|a, b| same(*a, *b));
    let count = |km: f64| {
        let of = |wanted: &dyn Fn(&ActivityPoint) -> bool| {
            activity.points.iter().filter(|p| same(p.aperture_km, km) && wanted(p)).count()
        };
        (of(&|p| p.in_fit), of(&|p| p.a0frho_cm.is_some()), of(&|_| true))
    };
    let off = |km: f64| (km / USUAL_KM).ln().abs();
    apertures.into_iter().max_by(|a, b| count(*a).cmp(&count(*b)).then(off(*b).total_cmp(&off(*a))))
}

/// Whether two aperture radii are one, but for rounding.
pub(super) fn same(a_km: f64, b_km: f64) -> bool {
    (a_km - b_km).abs() <= 1e-6 * a_km.abs()
}

/// Bands in the order of how many points they have.
fn bands<'a>(points: &[&'a ActivityPoint]) -> Vec<&'a str> {
    let mut out: Vec<(&str, usize)> = Vec::new();
    for point in points {
        match out.iter_mut().find(|(band, _)| *band == point.band) {
            Some((_, n)) => *n += 1,
            None => out.push((&point.band, 1)),
        }
    }
    out.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    out.into_iter().map(|(band, _)| band).collect()
}

/// Outbursts on a point's night.
fn outburst<'a>(activity: &'a ActivityRecord, point: &ActivityPoint) -> Option<&'a OutburstRecord> {
    activity.outbursts.iter().find(|o| o.utc == point.utc)
}

/// `−0.80 ± 0.10 mag`.
pub(super) fn step_words(outburst: &OutburstRecord) -> String {
    format!("{}{THIN_SPACE}mag", format_measured(outburst.step_mag, outburst.step_err_mag))
}

/// Legend of bands, and of what stands for points out of the fits.
fn entries<'a>(bands: &[&'a str], points: &[&ActivityPoint], theme: &'static Theme) -> Vec<Entry<'a>> {
    let mut out: Vec<Entry> = (bands.iter().enumerate())
        .map(|(i, band)| Entry {
            draw: Box::new(move |canvas, at| Shape::of(i).draw(canvas, at, 4.0, colour(i, theme), true)),
            words: format!("band {band}"),
        })
        .collect();
    if points.iter().any(|p| !p.in_fit) {
        out.push(Entry {
            draw: Box::new(|canvas, at| Shape::Disc.draw(canvas, at, 4.0, theme.ink, false)),
            words: "hollow: not in the fits".into(),
        });
    }
    out
}

fn colour(band: usize, theme: &Theme) -> &'static str {
    [theme.first, theme.second, theme.ink][band % 3]
}

/// One panel: a side of perihelion.
struct Side<'a> {
    side: Option<&'a str>,
    points: Vec<&'a ActivityPoint>,
    fits: Vec<&'a ActivityFit>,
}

/// A(0°)fρ against the distance from the Sun, both logarithmic, before and after perihelion apart; `None` without a value.
pub(crate) fn activity(season: &SeasonRecord) -> Option<Figure> {
    let record = &season.activity;
    let aperture_km = shown_aperture_km(record)?;
    let positive = |v: f64| v.is_finite() && v > 0.0;
    let points: Vec<&ActivityPoint> = (record.points.iter())
        .filter(|p| same(p.aperture_km, aperture_km) && p.a0frho_cm.is_some_and(positive) && positive(p.r_au))
        .collect();
    let bands = bands(&points);
    let sides: Vec<Side> = [Some("pre"), Some("post"), None]
        .into_iter()
        .map(|side| {
            let is = |s: &Option<String>| match side {
                Some(side) => s.as_deref() == Some(side),
                None => !matches!(s.as_deref(), Some("pre" | "post")),
            };
            let of_side = points.iter().copied().filter(|p| is(&p.side)).collect();
            let fits = record.fits.iter().filter(|f| Some(f.side.as_str()) == side && same(f.aperture_km, aperture_km));
            Side { side, points: of_side, fits: fits.collect() }
        })
        .filter(|s| !s.points.is_empty())
        .collect();
    let near = |r: f64, side: &Side| {
        let (low, high) = side.points.iter().fold((f64::INFINITY, 0.0f64), |(a, b), p| (a.min(p.r_au), b.max(p.r_au)));
        (low / BEYOND..=high * BEYOND).contains(&r)
    };
    let others: Vec<&ComparisonRecord> =
        record.comparison.iter().filter(|c| c.points.iter().any(|p| sides.iter().any(|s| near(p.r_au, s)))).collect();
    let of_others = others.iter().flat_map(|c| &c.points).filter(|p| sides.iter().any(|s| near(p.r_au, s)));
    let own = points.iter().flat_map(|p| {
        let (value, error) = (p.a0frho_cm.unwrap_or(f64::NAN), p.a0frho_err_cm.unwrap_or(0.0));
        // an error as large as the value has no lower end on this axis
        [value, value + error, if error < 0.8 * value { value - error } else { value }]
    });
    let y = Axis::decades(own.chain(of_others.map(|p| p.afrho_cm)))?;
    let without = record.points.iter().filter(|p| same(p.aperture_km, aperture_km)).count() - points.len();
    let caption = caption(aperture_km, record, &others, without);
    let alt = format!(
        "Plot of the dust measure A(0°)fρ of {} against its distance from the Sun, both logarithmic, {}. {}",
        season.object,
        sides.iter().map(|s| side_words(s.side)).collect::<Vec<_>>().join(" and "),
        sides
            .iter()
            .flat_map(|s| &s.fits)
            .map(|f| format!("{}: {}.", side_words(Some(&f.side)), fit_words(f)))
            .collect::<Vec<_>>()
            .join(" ")
    );
    let header = sides.iter().map(|s| s.fits.len()).max().unwrap_or(0) as f64 * LINE + LINE;
    let (svg_light, svg_dark) = in_both(|theme| {
        let entries = entries(&bands, &points, theme);
        let lines = legend(None, &entries, (LEFT, 0.0), WIDTH - RIGHT);
        let top = 62.0 + header;
        let legend_top = top + HEIGHT + 62.0;
        let mut canvas = Canvas::new(theme, legend_top + LEGEND_LINE * lines as f64);
        let subtitle = format!("A(0°)fρ within {}{THIN_SPACE}km of the centre", fixed(aperture_km, 0));
        canvas.heading(&season.object, "dust and the distance from the Sun", &subtitle);
        let n = sides.len() as f64;
        let width = (WIDTH - LEFT - RIGHT - BETWEEN * (n - 1.0)) / n;
        for (i, side) in sides.iter().enumerate() {
            let left = LEFT + i as f64 * (width + BETWEEN);
            let others_r = others.iter().flat_map(|c| &c.points).map(|p| p.r_au).filter(|r| near(*r, side));
            let Some(x) = Axis::decades(side.points.iter().map(|p| p.r_au).chain(others_r)) else { continue };
            // time runs to the right on both sides of perihelion
            let x = if side.side == Some("pre") { x.reversed() } else { x };
            let panel = Panel { left, top, width, height: HEIGHT, x, y };
            let words = if i == 0 { "A(0°)fρ, cm" } else { "" };
            panel.draw(&mut canvas, Sides { below: "distance from the Sun, au", left: words, ..Sides::default() });
            draw_header(&mut canvas, side, (left, top - header + 4.0), width, bands.len() > 1);
            draw_others(&mut canvas, &panel, &others, &taken(&panel, side, record));
            for f in &side.fits {
                draw_fit(&mut canvas, &panel, f, &bands);
            }
            for point in &side.points {
                draw_point(&mut canvas, &panel, point, &bands, outburst(record, point));
            }
        }
        legend(Some(&mut canvas), &entries, (LEFT, legend_top), WIDTH - RIGHT);
        canvas.finish(&alt)
    });
    let title = "Dust and the distance from the Sun".to_string();
    Some(Figure { name: "activity".into(), title, caption, alt, svg_light, svg_dark })
}

/// `slope −2.40 ± 0.20, 12 nights`.
fn fit_words(f: &ActivityFit) -> String {
    format!(
        "slope {}, {} night{}",
        format_measured(f.slope, f.slope_err),
        f.n_nights,
        if f.n_nights == 1 { "" } else { "s" }
    )
}

fn draw_header(canvas: &mut Canvas, side: &Side, (x, top): (f64, f64), width: f64, several_bands: bool) {
    let theme = canvas.theme;
    canvas.text((x, top + 4.0), TextStyle::new(13.0, theme.ink).bold(), &fit(side_words(side.side), 14.0, width));
    for (i, f) in side.fits.iter().enumerate() {
        let band = if several_bands { format!("{}: ", f.band) } else { String::new() };
        let words = fit(&format!("{band}{}", fit_words(f)), 12.5, width);
        canvas.text((x, top + 4.0 + LINE * (i + 1) as f64), TextStyle::new(12.5, theme.ink), &words);
    }
}

/// The power law over the distances that were seen, with a band as wide as the scatter of the nights.
fn draw_fit(canvas: &mut Canvas, panel: &Panel, f: &ActivityFit, bands: &[&str]) {
    let theme = canvas.theme;
    let band = bands.iter().position(|b| *b == f.band).unwrap_or(0);
    let [low, high] = f.r_range_au;
    if !(low > 0.0 && high.is_finite() && f.afrho_1au_cm > 0.0 && f.slope.is_finite()) {
        return;
    }
    let at = |r: f64, factor: f64| panel.at(r, f.afrho_1au_cm * r.powf(f.slope) * factor);
    let inside = |p: (f64, f64)| (p.0, p.1.clamp(panel.top, panel.bottom()));
    if f.scatter_dex.is_finite() && f.scatter_dex > 0.0 {
        let (up, down) = (10f64.powf(f.scatter_dex), 10f64.powf(-f.scatter_dex));
        let corners = [at(low, up), at(high, up), at(high, down), at(low, down)].map(inside);
        canvas.polygon(&corners, if band == 0 { theme.band } else { theme.wash });
    }
    let stroke = Stroke::new(colour(band, theme), 1.6);
    let line = [at(low, 1.0), at(high, 1.0)].map(inside);
    canvas.polyline(&line, if band == 0 { stroke } else { stroke.dashed("6 3") });
}

fn draw_point(
    canvas: &mut Canvas,
    panel: &Panel,
    p: &ActivityPoint,
    bands: &[&str],
    outburst: Option<&OutburstRecord>,
) {
    let theme = canvas.theme;
    let band = bands.iter().position(|b| *b == p.band).unwrap_or(0);
    let Some(value) = p.a0frho_cm else { return };
    let at = panel.at(p.r_au, value);
    if let Some(error) = p.a0frho_err_cm.filter(|e| e.is_finite()) {
        panel.error_bar(canvas, p.r_au, (value - error, value + error), Stroke::new(colour(band, theme), 1.3));
    }
    Shape::of(band).draw(canvas, at, 4.0, colour(band, theme), p.in_fit);
    if outburst.is_some() {
        canvas.ring(at, 9.0, Stroke::new(theme.warn, 1.6));
        let left = at.0 > panel.left + panel.width / 2.0;
        let (dx, anchor) = if left { (-13.0, Anchor::End) } else { (13.0, Anchor::Start) };
        let style = TextStyle::new(12.5, theme.warn).bold().anchor(anchor).halo(theme.paper);
        canvas.text((at.0 + dx, at.1 + 4.5), style, "outburst");
    }
}

/// Places of this comet's points, and of the words beside its outbursts.
fn taken(panel: &Panel, side: &Side, record: &ActivityRecord) -> Vec<(f64, f64)> {
    let middle = panel.left + panel.width / 2.0;
    let of = |p: &&ActivityPoint| {
        let at = panel.at(p.r_au, p.a0frho_cm.unwrap_or(f64::NAN));
        let words = outburst(record, p).map(|_| (if at.0 > middle { at.0 - 45.0 } else { at.0 + 45.0 }, at.1));
        [Some(at), words]
    };
    side.points.iter().flat_map(of).flatten().collect()
}

/// Other comets: small crosses joined by a dotted line, with their names at the end that is further from this comet's points.
fn draw_others(canvas: &mut Canvas, panel: &Panel, others: &[&ComparisonRecord], taken: &[(f64, f64)]) {
    let theme = canvas.theme;
    let middle = panel.left + panel.width / 2.0;
    let free = |end: &(f64, f64)| {
        // where the middle of the name would stand
        let x = end.0 + if end.0 < middle { 60.0 } else { -60.0 };
        taken.iter().map(|p| (p.0 - x).hypot(p.1 - end.1)).fold(f64::INFINITY, f64::min)
    };
    // with whether the line comes from above, so that the name goes below
    let mut ends: Vec<(&ComparisonRecord, (f64, f64), bool)> = Vec::new();
    for other in others {
        let mut points: Vec<(f64, f64)> = other
            .points
            .iter()
            .filter(|p| p.afrho_cm > 0.0 && panel.holds(p.r_au, p.afrho_cm))
            .map(|p| panel.at(p.r_au, p.afrho_cm))
            .collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        canvas.polyline(&points, Stroke::new(theme.muted, 1.0).dashed("1 3"));
        for at in &points {
            canvas.cross(*at, 2.6, Stroke::new(theme.muted, 1.2));
        }
        let next = |end: usize, neighbour: usize| {
            let end = points.get(end)?;
            Some((*end, points.get(neighbour).is_some_and(|n| n.1 < end.1)))
        };
        let last = points.len().wrapping_sub(1);
        let both = [next(0, 1), next(last, last.wrapping_sub(1))].into_iter().flatten();
        let freest = both.max_by(|a, b| free(&a.0).total_cmp(&free(&b.0)));
        ends.extend(freest.map(|(end, from_above)| (*other, end, from_above)));
    }
    let mut places: Vec<f64> = ends.iter().map(|e| e.1.1).collect();
    apart(&mut places, 15.0, (panel.top, panel.bottom() - 4.0));
    for ((other, end, from_above), place) in ends.iter().zip(places) {
        let words = if other.fair { other.comet.clone() } else { format!("({})", other.comet) };
        let (dx, anchor) = if end.0 < middle { (-2.0, Anchor::Start) } else { (2.0, Anchor::End) };
        let style = TextStyle::new(12.0, theme.muted).anchor(anchor).halo(theme.paper);
        let near_bottom = place > panel.bottom() - 22.0;
        let y = if (*from_above && !near_bottom) || place < panel.top + 18.0 { place + 17.0 } else { place - 8.0 };
        canvas.text((end.0 + dx, y), style, &fit(&words, 12.0, 0.6 * panel.width));
    }
}

fn caption(aperture_km: f64, record: &ActivityRecord, others: &[&ComparisonRecord], without: usize) -> String {
    let mut text = format!(
        "A(0°)fρ of each night within {}{THIN_SPACE}km with its 1σ error; the choice of the phase function is not in it. Before \
         perihelion the axis is turned round, so that time runs to the right.",
        fixed(aperture_km, 0)
    );
    if record.fits.iter().any(|f| same(f.aperture_km, aperture_km)) {
        text += " Lines: power laws of the distance from the Sun over the distances that were seen, with the scatter of the nights \
                 beyond their errors as a band.";
    }
    if !record.outbursts.is_empty() {
        text += " Ringed: the first night of an outburst.";
    }
    if !others.is_empty() {
        let of = |c: &&ComparisonRecord| format!("{} ({})", c.comet, c.source);
        text += &format!(
            " Small crosses: values of other comets as published, drawn on both sides of perihelion; in brackets where the comparison \
             is not fair: {}.",
            others.iter().map(of).collect::<Vec<_>>().join("; ")
        );
    }
    if without > 0 {
        text += &format!(" Without a value: {without} of the nights.");
    }
    text
}

/// Magnitude against date; `None` without a magnitude.
pub(crate) fn light_curve(season: &SeasonRecord) -> Option<Figure> {
    let record = &season.activity;
    let measured = |p: &&ActivityPoint| p.mag.is_some_and(f64::is_finite) && utc_days(&p.utc).is_some();
    let with_mag = ActivityRecord {
        points: record.points.iter().filter(measured).cloned().collect(),
        ..ActivityRecord::default()
    };
    let aperture_km = shown_aperture_km(&with_mag)?;
    let points: Vec<&ActivityPoint> =
        record.points.iter().filter(measured).filter(|p| same(p.aperture_km, aperture_km)).collect();
    let bands = bands(&points);
    let x = Axis::around(points.iter().filter_map(|p| utc_days(&p.utc)), 2.0)?.dates();
    let ends = points.iter().flat_map(|p| {
        let (mag, error) = (p.mag.unwrap_or(f64::NAN), p.mag_err.unwrap_or(0.0));
        [mag - error, mag + error]
    });
    let y = Axis::around(ends, 0.3)?.reversed();
    let outbursts: Vec<(f64, &OutburstRecord)> =
        record.outbursts.iter().filter_map(|o| Some((utc_days(&o.utc)?, o))).filter(|(day, _)| x.holds(*day)).collect();
    let years = dates::years(points.iter().map(|p| p.utc.as_str()));
    let mut caption = format!(
        "Magnitude of the light within {}{THIN_SPACE}km of the centre as seen, with 1σ errors; not corrected for distance. The \
         aperture is one in km, so nights compare.",
        fixed(aperture_km, 0)
    );
    if !outbursts.is_empty() {
        let of = |(_, o): &(f64, &OutburstRecord)| {
            format!(
                "{}, {} (false-alarm probability {})",
                dates::short(&o.utc),
                step_words(o),
                format_chance(o.false_alarm_probability)
            )
        };
        caption += &format!(" Dashed: outbursts, {}.", outbursts.iter().map(of).collect::<Vec<_>>().join("; "));
    }
    let range =
        points.iter().filter_map(|p| p.mag).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), m| (a.min(m), b.max(m)));
    let alt = format!(
        "Plot of the magnitude of {} against date, {} points in {}, from {} to {}, brighter upward.",
        season.object,
        points.len(),
        bands.iter().map(|b| format!("band {b}")).collect::<Vec<_>>().join(" and "),
        fixed(range.0, 2),
        fixed(range.1, 2)
    );
    let (svg_light, svg_dark) = in_both(|theme| {
        let entries = entries(&bands, &[], theme);
        let lines = legend(None, &entries, (LEFT, 0.0), WIDTH - RIGHT);
        let (top, height) = (76.0, 300.0);
        let legend_top = top + height + 62.0;
        let mut canvas = Canvas::new(theme, legend_top + LEGEND_LINE * lines as f64);
        let subtitle = format!("magnitude within {}{THIN_SPACE}km of the centre · {years}", fixed(aperture_km, 0));
        canvas.heading(&season.object, "light curve", &subtitle);
        let panel = Panel { left: LEFT, top, width: WIDTH - LEFT - RIGHT, height, x, y };
        panel.draw(&mut canvas, Sides { below: &format!("date, UTC {years}"), left: "magnitude", ..Sides::default() });
        for (day, outburst) in &outbursts {
            let at = panel.at(*day, y.low).0;
            canvas.line((at, top), (at, panel.bottom()), Stroke::new(theme.warn, 1.2).dashed("4 3"));
            let style = TextStyle::new(12.5, theme.warn).bold().anchor(Anchor::Middle);
            let half = 70.0;
            canvas.text(
                (at.clamp(LEFT + half, panel.right() - half), top - 6.0),
                style,
                &format!("outburst {}", step_words(outburst)),
            );
        }
        for p in &points {
            let band = bands.iter().position(|b| *b == p.band).unwrap_or(0);
            let (Some(mag), Some(day)) = (p.mag, utc_days(&p.utc)) else { continue };
            if let Some(error) = p.mag_err.filter(|e| e.is_finite()) {
                panel.error_bar(&mut canvas, day, (mag - error, mag + error), Stroke::new(colour(band, theme), 1.3));
            }
            Shape::of(band).draw(&mut canvas, panel.at(day, mag), 4.0, colour(band, theme), true);
        }
        legend(Some(&mut canvas), &entries, (LEFT, legend_top), WIDTH - RIGHT);
        canvas.finish(&alt)
    });
    Some(Figure { name: "light-curve".into(), title: "Light curve".into(), caption, alt, svg_light, svg_dark })
}
