//! Features as lines: solid for supported, dashed for provisional, crosses for artefacts; nothing without a verdict.

use crate::picture::{OVER_DARK, OVER_PALE};
use crate::svg::{Canvas, Stroke, TextStyle, wrap};
use fanlight_record::sentences::feature_name;
use fanlight_record::{FeatureRecord, NightRecord, RidgePoint};

/// Height of a line of the legend.
const LINE: f64 = 16.0;
/// Length of the line that stands for a mark in the legend.
const SAMPLE: f64 = 36.0;
/// From one cross to the next, and half a cross.
const CROSSES: (f64, f64) = (8.0, 2.3);
/// Points of a ridge line that is worked out from the feature's shape.
const POINTS: usize = 24;

/// A feature to draw.
#[derive(Debug, Clone)]
pub(crate) struct Mark<'a> {
    /// Its place in the record's list, counted from 1, as tables number it.
    pub number: usize,
    pub feature: &'a FeatureRecord,
    pub verdict: Verdict,
    /// From the inner to the outer radius, or along an arc's crest.
    pub ridge: Vec<RidgePoint>,
}

/// Verdicts that are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verdict {
    Supported,
    Provisional,
    Artefact,
}

/// The record's features whose verdict is drawn.
pub(crate) fn marks(night: &NightRecord) -> Vec<Mark<'_>> {
    let all = night.morphology.features.iter().enumerate();
    all.filter_map(|(i, feature)| {
        let verdict = match feature.verdict.as_str() {
            "supported" => Verdict::Supported,
            "provisional" => Verdict::Provisional,
            "artefact" => Verdict::Artefact,
            _ => return None,
        };
        let ridge = ridge(feature);
        (!ridge.is_empty()).then_some(Mark { number: i + 1, feature, verdict, ridge })
    })
    .collect()
}

/// The record's ridge line, or one from position angle, curvature and extent.
fn ridge(f: &FeatureRecord) -> Vec<RidgePoint> {
    let finite = |p: &RidgePoint| p.rho_arcsec.is_finite() && p.rho_arcsec > 0.0 && p.pa_deg.is_finite();
    if f.ridge.len() > 1 {
        return f.ridge.iter().copied().filter(finite).collect();
    }
    let step = |k: usize| k as f64 / (POINTS - 1) as f64;
    let points = (0..POINTS).map(|k| match f.curvature_deg_per_arcsec {
        None if f.kind == "arc" => RidgePoint {
            rho_arcsec: (f.inner_arcsec + f.outer_arcsec) / 2.0,
            pa_deg: (f.pa_deg + (step(k) - 0.5) * f.width_deg).rem_euclid(360.0),
        },
        curvature => {
            let rho_arcsec = f.inner_arcsec + step(k) * (f.outer_arcsec - f.inner_arcsec);
            let turned = curvature.unwrap_or(0.0) * (rho_arcsec - f.inner_arcsec);
            RidgePoint { rho_arcsec, pa_deg: (f.pa_deg + turned).rem_euclid(360.0) }
        }
    });
    points.filter(finite).collect()
}

impl Mark<'_> {
    /// Position angle of the ridge at a radius; of an arc its middle where the radius is within it; else `None`.
    pub fn pa_at(&self, rho_arcsec: f64) -> Option<f64> {
        let f = self.feature;
        if !(f.inner_arcsec..=f.outer_arcsec).contains(&rho_arcsec) {
            return None;
        }
        if f.kind == "arc" {
            return Some(f.pa_deg);
        }
        let wrapped = |degrees: f64| (degrees + 180.0).rem_euclid(360.0) - 180.0;
        let between = |pair: &&[RidgePoint]| (pair[0].rho_arcsec <= rho_arcsec) && (rho_arcsec <= pair[1].rho_arcsec);
        match self.ridge.windows(2).find(between) {
            Some([a, b]) if b.rho_arcsec > a.rho_arcsec => {
                let u = (rho_arcsec - a.rho_arcsec) / (b.rho_arcsec - a.rho_arcsec);
                Some((a.pa_deg + u * wrapped(b.pa_deg - a.pa_deg)).rem_euclid(360.0))
            }
            _ => Some(f.pa_deg),
        }
    }

    /// Where its number stands: beyond its outer end, of an arc beyond its middle.
    pub fn label_pa_deg(&self) -> f64 {
        let end = if self.feature.kind == "arc" { None } else { self.ridge.last() };
        end.map_or(self.feature.pa_deg, |p| p.pa_deg)
    }

    /// A line in the style of the verdict, in one ink.
    pub fn draw(&self, canvas: &mut Canvas, points: &[(f64, f64)], colour: &'static str, width: f64) {
        let stroke = Stroke::new(colour, width);
        match self.verdict {
            Verdict::Supported => canvas.polyline(points, stroke),
            Verdict::Provisional => canvas.polyline(points, stroke.dashed("5 4")),
            Verdict::Artefact => {
                for at in along(points, CROSSES.0) {
                    canvas.cross(at, CROSSES.1, stroke);
                }
            }
        }
    }

    /// The same over a raster: pale on dark, seen on every colour of a map.
    pub fn draw_over(&self, canvas: &mut Canvas, points: &[(f64, f64)]) {
        self.draw(canvas, points, OVER_DARK, 3.0);
        self.draw(canvas, points, OVER_PALE, 1.3);
    }

    /// `2: fan at PA 80° ± 4°, provisional.` with what an artefact is explained by.
    fn words(&self) -> String {
        let name = feature_name(self.feature);
        let why = self.feature.because.as_deref().unwrap_or_default().trim();
        let why = if why.is_empty() { String::new() } else { format!(" {why}") };
        match self.verdict {
            Verdict::Supported => format!("{}: {name}, supported.", self.number),
            Verdict::Provisional => format!("{}: {name}, provisional.{why}", self.number),
            Verdict::Artefact => format!("{}: {name}, an artefact.{why}", self.number),
        }
    }
}

/// What the marks mean, one entry each.
pub(crate) struct Legend<'a> {
    entries: Vec<(&'a Mark<'a>, Vec<String>)>,
}

impl<'a> Legend<'a> {
    /// Words broken to `room` units, the sample included.
    pub fn new(marks: &'a [Mark<'a>], room: f64) -> Self {
        let lines = |m: &Mark| wrap(&m.words(), 12.0, room - SAMPLE - 10.0);
        Self { entries: marks.iter().map(|m| (m, lines(m))).collect() }
    }

    pub fn height(&self) -> f64 {
        self.entries.iter().map(|(_, lines)| LINE * lines.len() as f64 + 3.0).sum()
    }

    /// From the top left corner on; the samples in `colour`.
    pub fn draw(&self, canvas: &mut Canvas, (left, top): (f64, f64), colour: &'static str) {
        let ink = canvas.theme.ink;
        let mut y = top + 8.0;
        for (mark, lines) in &self.entries {
            mark.draw(canvas, &[(left, y), (left + SAMPLE, y)], colour, 1.8);
            for line in lines {
                canvas.text((left + SAMPLE + 10.0, y + 4.5), TextStyle::new(12.0, ink), line);
                y += LINE;
            }
            y += 3.0;
        }
    }
}

/// One sentence for alt texts and captions: which features are drawn and how they stand.
pub(crate) fn marks_in_words(marks: &[Mark]) -> String {
    let of = |verdict, word: &str| {
        let names: Vec<String> =
            marks.iter().filter(|m| m.verdict == verdict).map(|m| feature_name(m.feature)).collect();
        (!names.is_empty()).then(|| format!("{word}: {}", names.join(", ")))
    };
    let parts: Vec<String> = [
        of(Verdict::Supported, "supported"),
        of(Verdict::Provisional, "provisional"),
        of(Verdict::Artefact, "artefact"),
    ]
    .into_iter()
    .flatten()
    .collect();
    if parts.is_empty() {
        "No feature is marked.".to_string()
    } else {
        format!("Marked are, as {}.", parts.join("; as "))
    }
}

/// How marks are drawn, for captions; empty where there is none.
pub(crate) fn style_words(marks: &[Mark]) -> &'static str {
    if marks.is_empty() {
        ""
    } else {
        " Lines: solid where supported, dashed where provisional, crosses where an artefact."
    }
}

/// Points at equal distances along a line, half a distance from its ends.
fn along(points: &[(f64, f64)], distance: f64) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    let mut left = distance / 2.0;
    for pair in points.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        while left <= length && length > 0.0 {
            let u = left / length;
            out.push((a.0 + u * (b.0 - a.0), a.1 + u * (b.1 - a.1)));
            left += distance;
        }
        left -= length;
    }
    if out.is_empty() { points.first().copied().into_iter().collect() } else { out }
}

/// A line cut where it passes from 360° to 0° or back: points `(pa_deg, rho_arcsec)`.
pub(crate) fn without_wraps(ridge: &[RidgePoint]) -> Vec<Vec<(f64, f64)>> {
    let mut out: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
    for p in ridge {
        let line = out.last_mut().expect("there is one");
        match line.last() {
            Some((pa, _)) if (pa - p.pa_deg).abs() > 180.0 => out.push(vec![(p.pa_deg, p.rho_arcsec)]),
            _ => line.push((p.pa_deg, p.rho_arcsec)),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crosses_stand_at_equal_distances_round_corners() {
        let line = [(0.0, 0.0), (7.0, 0.0), (7.0, 0.0), (7.0, 20.0)];
        assert_eq!(along(&line, 10.0), [(5.0, 0.0), (7.0, 8.0), (7.0, 18.0)]);
        assert_eq!(along(&[(1.0, 2.0), (2.0, 2.0)], 10.0), [(1.0, 2.0)], "a short line has one");
        assert!(along(&[], 10.0).is_empty());
    }

    #[test]
    fn lines_are_cut_at_north_and_nowhere_else() {
        let ridge = [350.0, 358.0, 3.0, 9.0].map(|pa_deg| RidgePoint { rho_arcsec: 5.0, pa_deg });
        let lines = without_wraps(&ridge);
        assert_eq!(lines, [vec![(350.0, 5.0), (358.0, 5.0)], vec![(3.0, 5.0), (9.0, 5.0)]]);
    }
}
