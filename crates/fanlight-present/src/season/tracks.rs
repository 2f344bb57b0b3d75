//! The figure `tracks`: where each feature pointed, night by night, and where the Sun and the orbit did.

use super::marks::{Entry, LEGEND_LINE, Shape, apart, legend};
use crate::plot::{Axis, Panel, Scale, Sides};
use crate::rim::anti_sun;
use crate::svg::{Anchor, Canvas, Stroke, TextStyle};
use crate::theme::{Theme, in_both};
use crate::{Figure, dates};
use fanlight_record::sentences::{format_measured, format_pa, utc_days};
use fanlight_record::{SeasonNight, SeasonRecord, TrackRecord};

const LEFT: f64 = 76.0;
const PANEL_WIDTH: f64 = 548.0;
const TOP: f64 = 66.0;
const HEIGHT: f64 = 380.0;
/// Between two nights a direction is joined when it turns by no more: over more it may have gone either way.
const JOINED_DEG: f64 = 90.0;
/// The axis leaves out a range of position angles that holds nothing when it is at least so wide.
const EMPTY_DEG: f64 = 60.0;
/// Margin beyond the outermost values.
const MARGIN_DEG: f64 = 12.0;
/// Steps between two nights that the search for an empty range looks at.
const STEPS: usize = 8;

/// A direction at the comet, night by night.
struct Curve {
    name: &'static str,
    of: fn(&SeasonNight) -> f64,
    which: Which,
}

#[derive(Clone, Copy, PartialEq)]
enum Which {
    Sun,
    AntiSun,
    AntiVelocity,
}

const CURVES: [Curve; 3] = [
    Curve { name: "toward the Sun", of: |n| n.sunward_pa_deg, which: Which::Sun },
    Curve { name: "away from the Sun", of: |n| n.antisolar_pa_deg, which: Which::AntiSun },
    Curve { name: "against the orbital motion", of: |n| n.negative_velocity_pa_deg, which: Which::AntiVelocity },
];

impl Which {
    fn stroke(self, theme: &Theme) -> Stroke {
        match self {
            Self::Sun => Stroke::new(theme.sun, 1.6),
            Self::AntiSun => Stroke::new(theme.sun, 1.6).dashed("7 4"),
            Self::AntiVelocity => Stroke::new(theme.first, 1.6).dashed("2 3"),
        }
    }

    fn sign(self, canvas: &mut Canvas, (x, y): (f64, f64)) {
        match self {
            Self::Sun => canvas.sun((x, y), 7.0),
            Self::AntiSun => anti_sun(canvas, (x + 4.0, y), 6.5),
            Self::AntiVelocity => {
                let style = TextStyle::new(14.0, canvas.theme.first).bold().anchor(Anchor::Middle);
                canvas.text((x, y + 5.0), style, "−v");
            }
        }
    }
}

/// Days and degrees in order of time, running on through north without a jump.
type Piece = Vec<(f64, f64)>;

/// A feature with the nights that can be drawn: days, position angles and errors.
struct Followed<'a> {
    index: usize,
    track: &'a TrackRecord,
    nights: Vec<(f64, f64, f64)>,
}

/// Difference of two angles in `[−180, 180)`.
fn wrapped(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}

/// Pieces of one direction over time, days and degrees, each running on through north without a jump: nights between which
/// it turns by more than a quarter begin a new piece.
fn pieces(values: &[(f64, f64)]) -> Vec<Piece> {
    let mut out: Vec<Piece> = Vec::new();
    for (day, pa) in values {
        match out.last_mut() {
            Some(piece) => {
                let (_, last) = piece[piece.len() - 1];
                let turn = wrapped(pa - last);
                if turn.abs() <= JOINED_DEG {
                    piece.push((*day, last + turn));
                } else {
                    out.push(vec![(*day, *pa)]);
                }
            }
            None => out.push(vec![(*day, *pa)]),
        }
    }
    out
}

/// The axis that holds all angles, cut where the widest range without any lies.
fn axis(angles: impl Iterator<Item = f64>) -> Option<Axis> {
    let mut all: Vec<f64> = angles.filter(|a| a.is_finite()).map(|a| a.rem_euclid(360.0)).collect();
    all.sort_by(f64::total_cmp);
    let first = *all.first()?;
    let next = all.iter().skip(1).copied().chain([first + 360.0]);
    let (from, gap) = all
        .iter()
        .zip(next)
        .map(|(a, b)| (*a, b - a))
        .fold((first, 0.0), |best, g| if g.1 > best.1 { g } else { best });
    let (low, high) = if gap > EMPTY_DEG {
        let margin = MARGIN_DEG.min(gap / 2.0);
        // a single direction still gets room on both sides
        let room = (15.0 - (360.0 - gap) / 2.0).clamp(0.0, gap / 2.0 - margin);
        (from + gap - margin - room, from + 360.0 + margin + room)
    } else {
        (from + gap / 2.0, from + gap / 2.0 + 360.0)
    };
    // near the usual range of position angles
    let turns = (low / 360.0).floor() * 360.0;
    Some(Axis { low: low - turns, high: high - turns, scale: Scale::PositionAngle })
}

/// Parts of a piece within a range of angles, whichever turn they are on.
fn within(piece: &[(f64, f64)], low: f64, high: f64) -> Vec<Piece> {
    let (least, most) = piece.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), p| (a.min(p.1), b.max(p.1)));
    if !(least.is_finite() && most.is_finite()) {
        return Vec::new();
    }
    let turns = ((low - most) / 360.0).ceil() as i32..=((high - least) / 360.0).floor() as i32;
    let mut out: Vec<Piece> = Vec::new();
    for turn in turns {
        for pair in piece.windows(2) {
            let [a, b] = [pair[0], pair[1]].map(|(day, pa)| (day, pa + 360.0 * f64::from(turn)));
            let at = |y: f64| (a.0 + (y - a.1) / (b.1 - a.1) * (b.0 - a.0), y);
            let clip = |p: (f64, f64)| {
                if p.1 < low {
                    at(low)
                } else if p.1 > high {
                    at(high)
                } else {
                    p
                }
            };
            if a.1.max(b.1) >= low && a.1.min(b.1) <= high {
                let (a, b) = (clip(a), clip(b));
                match out.last_mut() {
                    // one line, so that its dashes run on
                    Some(line) if line.last() == Some(&a) => line.push(b),
                    _ => out.push(vec![a, b]),
                }
            }
        }
    }
    out
}

/// `jet`, or `feature` where the record does not say.
pub(crate) fn kind(track: &TrackRecord) -> &str {
    track.kind.as_deref().unwrap_or("feature")
}

/// `1: jet, turning by −0.4 ± 0.1° a day`.
pub(super) fn track_words(number: usize, track: &TrackRecord) -> String {
    let drift = match (track.drift_deg_per_day, track.drift_err_deg_per_day, track.points.as_slice()) {
        (Some(drift), error, _) => {
            format!("drifting by {}° a day", format_measured(drift, error.unwrap_or(f64::NAN)).replace(" ± ", "° ± "))
        }
        (None, _, [only]) => format!("one night, at PA {}", format_pa(only.pa_deg, only.pa_err_deg)),
        (None, _, points) => format!("{} nights", points.len()),
    };
    format!("{number}: {}, {drift}", kind(track))
}

/// Position angle of every feature against date, with the directions at the comet; `None` where no feature has a night.
pub(crate) fn tracks(season: &SeasonRecord) -> Option<Figure> {
    let tracks: Vec<Followed> = (season.tracks.iter().enumerate())
        .map(|(index, track)| Followed { index, track, nights: points(track) })
        .filter(|t| !t.nights.is_empty())
        .collect();
    let days: Vec<(f64, &SeasonNight)> =
        season.nights.iter().filter_map(|n| Some((utc_days(&n.mid_utc)?, n))).collect();
    let all_days = days.iter().map(|d| d.0).chain(tracks.iter().flat_map(|t| t.nights.iter().map(|p| p.0)));
    let x = Axis::around(all_days, 2.0)?.dates();
    if tracks.is_empty() {
        return None;
    }
    let curves: Vec<(&Curve, Vec<Piece>)> = (CURVES.iter())
        .map(|curve| {
            let values: Vec<(f64, f64)> =
                days.iter().map(|(day, n)| (*day, (curve.of)(n))).filter(|v| v.1.is_finite()).collect();
            (curve, pieces(&values))
        })
        .collect();
    let of_curves = curves.iter().flat_map(|(_, pieces)| pieces).flat_map(|p| sampled(p));
    let of_tracks = tracks.iter().flat_map(|t| &t.nights).flat_map(|(_, pa, error)| [pa - error, *pa, pa + error]);
    let y = axis(of_curves.chain(of_tracks))?;

    let caption = caption(season, &tracks);
    let alt = format!(
        "Plot of position angle against date for {} feature{} of {}, with the directions toward the Sun, away from it and \
         against the orbital motion. {}.",
        tracks.len(),
        if tracks.len() == 1 { "" } else { "s" },
        season.object,
        tracks.iter().map(|t| track_words(t.index + 1, t.track)).collect::<Vec<_>>().join("; ")
    );
    let years = dates::years(season.nights.iter().map(|n| n.mid_utc.as_str()));
    let (svg_light, svg_dark) = in_both(|theme| {
        let entries = entries(&tracks, theme);
        let lines = legend(None, &entries, (LEFT, 0.0), LEFT + PANEL_WIDTH);
        let legend_top = TOP + HEIGHT + 64.0;
        let mut canvas = Canvas::new(theme, legend_top + LEGEND_LINE * lines as f64);
        let subtitle = format!("{years} · {} nights", season.nights.len());
        canvas.heading(&season.object, "features over the nights", &subtitle);
        let panel = Panel { left: LEFT, top: TOP, width: PANEL_WIDTH, height: HEIGHT, x, y };
        panel.draw(
            &mut canvas,
            Sides { below: &format!("date, UTC {years}"), left: "position angle, °", ..Sides::default() },
        );
        let mut signs: Vec<(Which, f64)> = Vec::new();
        for (curve, pieces) in &curves {
            let stroke = curve.which.stroke(theme);
            for piece in pieces {
                for part in within(piece, y.low, y.high) {
                    canvas.polyline(&part.iter().map(|(day, pa)| panel.at(*day, *pa)).collect::<Vec<_>>(), stroke);
                }
                if let [(day, pa)] = piece.as_slice() {
                    canvas.dot(panel.at(*day, on_axis(*pa, &y)), 2.0, stroke.colour);
                }
            }
            if let Some((_, pa)) = pieces.last().and_then(|p| p.last()) {
                signs.push((curve.which, panel.at(x.high, on_axis(*pa, &y)).1));
            }
        }
        let mut places: Vec<f64> = signs.iter().map(|s| s.1).collect();
        apart(&mut places, 20.0, (TOP + 4.0, TOP + HEIGHT - 4.0));
        for ((which, _), place) in signs.iter().zip(places) {
            which.sign(&mut canvas, (panel.right() + 20.0, place));
        }
        for t in &tracks {
            draw_track(&mut canvas, &panel, t.index, &t.nights);
        }
        legend(Some(&mut canvas), &entries, (LEFT, legend_top), LEFT + PANEL_WIDTH);
        canvas.finish(&alt)
    });
    let title = "Features over the nights".to_string();
    Some(Figure { name: "tracks".into(), title, caption, alt, svg_light, svg_dark })
}

/// Days, position angles and errors of a track's nights that can be drawn.
fn points(track: &TrackRecord) -> Vec<(f64, f64, f64)> {
    let point = |p: &fanlight_record::TrackPoint| {
        let error = if p.pa_err_deg.is_finite() { p.pa_err_deg.abs() } else { 0.0 };
        Some((utc_days(&p.utc)?, p.pa_deg, error)).filter(|p| p.1.is_finite())
    };
    let mut points: Vec<_> = track.points.iter().filter_map(point).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

/// Angles along a piece.
fn sampled(piece: &[(f64, f64)]) -> Vec<f64> {
    let between = |pair: &[(f64, f64)]| {
        let (a, b) = (pair[0].1, pair[1].1);
        (0..=STEPS).map(|k| a + (b - a) * k as f64 / STEPS as f64).collect::<Vec<_>>()
    };
    let along: Vec<f64> = piece.windows(2).flat_map(between).collect();
    if along.is_empty() { piece.iter().map(|p| p.1).collect() } else { along }
}

/// The angle on the axis' own turn.
fn on_axis(pa_deg: f64, axis: &Axis) -> f64 {
    axis.low + (pa_deg - axis.low).rem_euclid(360.0)
}

fn draw_track(canvas: &mut Canvas, panel: &Panel, index: usize, points: &[(f64, f64, f64)]) {
    let theme = canvas.theme;
    let shape = Shape::of(index);
    let line: Vec<(f64, f64)> = points.iter().map(|p| (p.0, p.1)).collect();
    for piece in pieces(&line) {
        for part in within(&piece, panel.y.low, panel.y.high) {
            let line: Vec<_> = part.iter().map(|(day, pa)| panel.at(*day, *pa)).collect();
            canvas.polyline(&line, Stroke::new(theme.muted, 1.0));
        }
    }
    for (day, pa, error) in points {
        let pa = on_axis(*pa, &panel.y);
        panel.error_bar(canvas, *day, (pa - error, pa + error), Stroke::new(theme.ink, 1.3));
        shape.draw(canvas, panel.at(*day, pa), 4.0, theme.ink, true);
    }
    if let Some((day, pa, _)) = points.last() {
        let at = panel.at(*day, on_axis(*pa, &panel.y));
        let style = TextStyle::new(13.5, theme.ink).bold().halo(theme.paper);
        canvas.text((at.0 + 8.0, at.1 + 4.5), style, &(index + 1).to_string());
    }
}

fn entries<'a>(tracks: &'a [Followed<'a>], theme: &'static Theme) -> Vec<Entry<'a>> {
    let of_curve = |curve: &'static Curve| Entry {
        draw: Box::new(move |canvas, (x, y)| canvas.line((x - 12.0, y), (x + 12.0, y), curve.which.stroke(theme))),
        words: curve.name.to_string(),
    };
    let of_track = |t: &'a Followed<'a>| Entry {
        draw: Box::new(move |canvas, at| Shape::of(t.index).draw(canvas, at, 4.0, theme.ink, true)),
        words: track_words(t.index + 1, t.track),
    };
    CURVES.iter().map(of_curve).chain(tracks.iter().map(of_track)).collect()
}

fn caption(season: &SeasonRecord, tracks: &[Followed]) -> String {
    let mut text =
        "Position angle of each feature at its inner end against date, with 1σ errors; a thin line joins the nights \
                    of one feature. "
            .to_string();
    text += "The curves are the directions at the comet at the middle of each night, joined between nights the shorter way \
             round and not joined where they turn by more than a quarter.";
    if tracks.len() < season.tracks.len() {
        text += " Features without a date or a position angle are not drawn.";
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn directions_run_through_north_without_a_jump() {
        let line = pieces(&[(0.0, 350.0), (1.0, 358.0), (2.0, 4.0), (3.0, 12.0), (4.0, 200.0)]);
        assert_eq!(line.len(), 2, "a turn by 172° is not joined");
        assert_eq!(line[0], [(0.0, 350.0), (1.0, 358.0), (2.0, 364.0), (3.0, 372.0)]);
        // drawn on an axis from 0 to 360, it leaves at the top halfway between 358° and 364° less a sixth, and comes in below
        let parts = within(&line[0], 0.0, 360.0);
        assert!(parts.iter().flatten().all(|p| (0.0..=360.0).contains(&p.1)), "{parts:?}");
        let at_edge = |y: f64| parts.iter().flatten().find(|p| p.1 == y).map(|p| p.0).expect("an edge");
        assert!((at_edge(360.0) - (1.0 + 1.0 / 3.0)).abs() < 1e-9 && (at_edge(0.0) - (1.0 + 1.0 / 3.0)).abs() < 1e-9);
    }

    #[test]
    fn the_axis_is_cut_where_nothing_points() {
        let about = |angles: &[f64]| axis(angles.iter().copied()).expect("an axis");
        let north = about(&[350.0, 5.0, 20.0]);
        assert!((north.high - north.low) < 60.0, "{north:?}");
        for pa in [350.0, 5.0, 20.0] {
            let y = on_axis(pa, &north);
            assert!(north.holds(y), "{pa}: {y} {north:?}");
        }
        let whole = about(&[0.0, 50.0, 100.0, 150.0, 200.0, 250.0, 300.0, 340.0]);
        assert!((whole.high - whole.low - 360.0).abs() < 1e-9);
        let single = about(&[77.0]);
        assert!(single.holds(77.0) && single.high - single.low >= 30.0, "{single:?}");
        assert!(axis([f64::NAN].into_iter()).is_none());
    }
}
