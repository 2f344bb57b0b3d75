//! Plots of the night itself: zero point, and where comet and Earth stood.

use crate::Figure;
use crate::picture::subtitle;
use crate::plot::{Axis, Panel, Sides};
use crate::svg::{Anchor, Canvas, Stroke, TextStyle, WIDTH, text_width};
use crate::theme::in_both;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_magnitude};
use fanlight_record::{NightRecord, ZeroPointStar};

const LEFT: f64 = 76.0;
const PANEL_WIDTH: f64 = 584.0;

/// Heliocentric places for a plan, au, projected on the ecliptic of J2000: x toward the equinox, y 90° ahead in
/// longitude.
#[derive(Debug, Clone, PartialEq)]
pub struct OrbitPlan {
    /// Points along the comet's orbit, in order.
    pub comet_path_au: Vec<[f64; 2]>,
    /// Points along the Earth's orbit, in order.
    pub earth_path_au: Vec<[f64; 2]>,
    /// The comet at mid-night.
    pub comet_au: [f64; 2],
    /// The Earth at mid-night.
    pub earth_au: [f64; 2],
}

/// Residuals of the comparison stars against magnitude and, where a colour term was fitted, against colour; `None`
/// without stars.
pub(crate) fn zero_point(night: &NightRecord) -> Option<Figure> {
    let fit = night.zero_point.as_ref().filter(|z| !z.stars.is_empty())?;
    let used = fit.stars.iter().filter(|s| s.used).count();
    let left_out = fit.stars.len() - used;
    let y =
        Axis::around(fit.stars.iter().flat_map(|s| [s.residual_mag - s.err_mag, s.residual_mag + s.err_mag]), 0.04)?;
    let x_mag = Axis::around(fit.stars.iter().map(|s| s.catalogue_mag), 1.0)?;
    let x_colour = fit
        .colour_term
        .and_then(|_| Axis::around(fit.stars.iter().filter_map(|s| s.colour_mag), 0.2))
        .map(|axis| (axis, fit.colour.clone().unwrap_or_else(|| "colour".to_string())));
    let zero_point = format_magnitude(fit.stack_zero_point_mag, fit.stack_zero_point_err_mag);
    let term = match (fit.colour_term, &fit.colour) {
        (Some(term), Some(colour)) => format!(", colour term {} × ({colour})", fixed(term, 3)),
        _ => String::new(),
    };
    let out_words = if left_out > 0 { format!("; crosses: {left_out} left out") } else { String::new() };
    let caption = format!(
        "Measured minus catalogue magnitude in {} of each comparison star after the fit, averaged over the night, with \
         1σ errors. Discs: {used} used{out_words}. Zero point of the stack: {zero_point}{THIN_SPACE}mag for 1{THIN_SPACE}e/s{term}. \
         Grey: its 1σ error.",
        fit.band
    );
    let alt = format!(
        "Plot of the residuals of {used} comparison stars around zero against their magnitude. The zero point is {zero_point} magnitudes."
    );
    let (svg_light, svg_dark) = in_both(|theme| {
        let height = 230.0;
        let rows = if x_colour.is_some() { 2.0 } else { 1.0 };
        let mut canvas = Canvas::new(theme, 66.0 + rows * (height + 62.0));
        canvas.heading(&night.object, &format!("zero point in {}", fit.band), &subtitle(night));
        let error = fit.stack_zero_point_err_mag;
        let mut row = |top: f64, x: Axis, below: &str, of: &dyn Fn(&ZeroPointStar) -> Option<f64>| {
            let panel = Panel { left: LEFT, top, width: PANEL_WIDTH, height, x, y };
            panel.band(&mut canvas, -error, error);
            panel.draw(&mut canvas, Sides { below, left: "measured − catalogue, mag", ..Sides::default() });
            canvas.line(panel.at(x.low, 0.0), panel.at(x.high, 0.0), Stroke::new(theme.rule, 1.0));
            for star in &fit.stars {
                let Some(x) = of(star).filter(|x| panel.holds(*x, star.residual_mag)) else { continue };
                let at = panel.at(x, star.residual_mag);
                let colour = if star.used { theme.first } else { theme.warn };
                let bar = (star.residual_mag - star.err_mag, star.residual_mag + star.err_mag);
                panel.error_bar(&mut canvas, x, bar, Stroke::new(colour, 1.2));
                if star.used {
                    canvas.dot(at, 3.2, colour);
                } else {
                    canvas.cross(at, 4.0, Stroke::new(colour, 1.6));
                }
            }
        };
        row(66.0, x_mag, &format!("catalogue magnitude in {}", fit.band), &|s| Some(s.catalogue_mag));
        if let Some((axis, name)) = &x_colour {
            row(66.0 + height + 62.0, *axis, &format!("catalogue colour {name}, mag"), &|s| s.colour_mag);
        }
        canvas.finish(&alt)
    });
    Some(Figure { name: "zero-point".into(), title: "Zero point".into(), caption, alt, svg_light, svg_dark })
}

/// The plan seen from the north of the ecliptic; `None` when a place is not finite.
pub(crate) fn orbit_plan(night: &NightRecord, plan: &OrbitPlan) -> Option<Figure> {
    let places = [plan.comet_au, plan.earth_au];
    if !places.iter().flatten().all(|v| v.is_finite()) {
        return None;
    }
    let reach = places.iter().map(|p| p[0].hypot(p[1])).fold(1.05, f64::max) * 1.18;
    let caption = format!(
        "Sun, Earth and {} at the middle of the night, seen from the north of the ecliptic and projected on it; the \
         equinox of J2000 is to the right. The comet is {}{THIN_SPACE}au from the Sun and {}{THIN_SPACE}au from the observer; the phase angle is {}°.",
        night.object,
        fixed(night.geometry.r_au, 3),
        fixed(night.geometry.delta_au, 3),
        fixed(night.geometry.phase_deg, 1)
    );
    let alt = format!(
        "Plan of the inner solar system with the orbits of the Earth and of {}, and where both stood.",
        night.object
    );
    let (svg_light, svg_dark) = in_both(|theme| {
        let half = 200.0;
        let (middle_x, middle_y) = (WIDTH / 2.0, 66.0 + half);
        let per_au = half / reach;
        let at = |p: [f64; 2]| (middle_x + p[0] * per_au, middle_y - p[1] * per_au);
        let mut canvas = Canvas::new(theme, 66.0 + 2.0 * half + 44.0);
        canvas.heading(&night.object, "plan of the orbit", &subtitle(night));
        // the sheet is wider than the plan is high: paths may use the whole width
        let inside = |p: &[f64; 2]| {
            let (x, y) = at(*p);
            (10.0..=WIDTH - 10.0).contains(&x) && (60.0..=66.0 + 2.0 * half).contains(&y)
        };
        for (path, stroke) in
            [(&plan.earth_path_au, Stroke::new(theme.rule, 1.3)), (&plan.comet_path_au, Stroke::new(theme.first, 1.6))]
        {
            for piece in path.split(|p| !inside(p)) {
                canvas.polyline(&piece.iter().map(|p| at(*p)).collect::<Vec<_>>(), stroke);
            }
        }
        let (earth, comet) = (at(plan.earth_au), at(plan.comet_au));
        canvas.line(earth, comet, Stroke::new(theme.muted, 1.0).dashed("2 3"));
        canvas.line(at([0.0, 0.0]), comet, Stroke::new(theme.sun, 1.0).dashed("2 3"));
        canvas.sun(at([0.0, 0.0]), 7.5);
        canvas.dot(earth, 5.0, theme.ink);
        canvas.dot(comet, 5.0, theme.first);
        for (place, other, colour, name) in
            [(earth, comet, theme.ink, "Earth"), (comet, earth, theme.first, night.object.as_str())]
        {
            // on the side away from the other body, so that the line of sight stays free
            let left = place.0 < other.0;
            let (dx, anchor) = if left { (-11.0, Anchor::End) } else { (11.0, Anchor::Start) };
            let width = text_width(name, 13.5);
            let x = if left { (place.0 + dx).max(width + 8.0) } else { (place.0 + dx).min(WIDTH - width - 8.0) };
            canvas.text((x, place.1 + 4.5), TextStyle::new(13.5, colour).bold().anchor(anchor).halo(theme.paper), name);
        }
        let y = 66.0 + 2.0 * half + 24.0;
        let stroke = Stroke::new(theme.ink, 2.0);
        canvas.line((20.0, y), (20.0 + per_au, y), stroke);
        for x in [20.0, 20.0 + per_au] {
            canvas.line((x, y - 5.0), (x, y + 5.0), stroke);
        }
        canvas.text((20.0 + per_au + 10.0, y + 4.5), TextStyle::new(13.0, theme.ink), &format!("1{THIN_SPACE}au"));
        canvas.finish(&alt)
    });
    Some(Figure { name: "orbit-plan".into(), title: "Plan of the orbit".into(), caption, alt, svg_light, svg_dark })
}
