//! Plots against the distance from the centre: the radial profile with its slope, the curve of growth with Afρ.

use crate::Figure;
use crate::picture::subtitle;
use crate::plot::{Axis, Panel, Scale, Sides};
use crate::room::Room;
use crate::svg::{Canvas, Stroke, TextStyle};
use crate::theme::in_both;
use fanlight_record::sentences::{fixed, format_measured};
use fanlight_record::{NightRecord, ProfileRecord};

const LEFT: f64 = 76.0;
/// Right of the profile, for its magnitudes.
const MAGNITUDES: f64 = 74.0;
/// Above the panels, for the second axis.
const ABOVE: f64 = 36.0;
/// Below the panels, for the first.
const BELOW: f64 = 58.0;

/// Radial profile, log–log, with the local slope below; `None` when no ring shows light.
pub(crate) fn profile(night: &NightRecord, room: Room) -> Option<Figure> {
    let rings = shining(night);
    let dark = night.profile.len() - rings.len();
    let x = Axis::decades(rings.iter().map(|r| r.rho_arcsec))?;
    let y = Axis::decades(rings.iter().flat_map(|r| {
        let (value, error) = (r.mean_e_per_s_arcsec2, r.err_e_per_s_arcsec2);
        // an error as large as the value would pull the axis down without end
        [value + error, (value - error).max(value / 3.0)]
    }))?;
    let slopes = local_slopes(&rings);
    let seeing = night.morphology.psf.as_ref().map(|p| p.fwhm_arcsec).filter(|f| *f > 0.0);
    let km = night.geometry.km_per_arcsec;
    let zero_point = night.zero_point.as_ref().map(|z| z.stack_zero_point_mag);
    let dark_words = match dark {
        0 => String::new(),
        1 => " One ring without positive light is not shown.".to_string(),
        n => format!(" {n} rings without positive light are not shown."),
    };
    let seeing_words = seeing
        .map(|f| {
            format!(
                " Grey: within twice the star image's width ({}″), where seeing flattens the profile; inside the dotted line, \
                 half that width, nothing is resolved.",
                fixed(f, 1)
            )
        })
        .unwrap_or_default();
    let caption = format!(
        "Azimuthal mean of the sky-subtracted brightness against distance from the centre, both logarithmic, with 1σ \
         errors. Below: its local logarithmic slope over three neighbouring rings; a coma in free outflow has −1 \
         (dashed).{seeing_words}{dark_words}"
    );
    let mean_slope = middle_slope(&slopes)
        .map(|(s, e)| format!(" Half-way out the slope is {}.", format_measured(s, e)))
        .unwrap_or_default();
    let alt = format!(
        "Plot of the coma's brightness falling with distance from the centre, from {}″ to {}″.{mean_slope}",
        fixed(rings[0].rho_arcsec, 1),
        fixed(rings[rings.len() - 1].rho_arcsec, 1)
    );
    let (svg_light, svg_dark) = in_both(|theme| {
        let slope_axis =
            Axis::around(slopes.iter().flat_map(|s| [s.slope - s.error, s.slope + s.error]).chain([-1.0]), 1.0);
        let (height, gap, slope_height) = (room.height(360.0), 20.0, room.height(120.0));
        let below_it = if slopes.is_empty() { 0.0 } else { gap + slope_height };
        let top = room.top() + ABOVE;
        let heading = (&*night.object, "radial profile", &*subtitle(night));
        let mut canvas = room.canvas(theme, top + height + below_it + BELOW, heading);
        let panel = Panel { left: LEFT, top, width: room.width - LEFT - MAGNITUDES, height, x, y };
        let shade = |canvas: &mut Canvas, panel: &Panel| {
            if let Some(f) = seeing {
                let edge = |arcsec: f64| panel.x.place(arcsec).clamp(0.0, 1.0) * panel.width;
                canvas.rect((panel.left, panel.top), (edge(2.0 * f), panel.height), theme.wash);
                let unresolved = panel.left + edge(f / 2.0);
                if unresolved > panel.left {
                    let line = Stroke::new(theme.rule, 1.0).dashed("2 3");
                    canvas.line((unresolved, panel.top), (unresolved, panel.bottom()), line);
                }
            }
        };
        shade(&mut canvas, &panel);
        let below = "distance from the centre, arcsec";
        let right = zero_point.map(|zp| {
            let mag = |v: f64| zp - 2.5 * v.log10();
            (Axis { low: mag(y.low), high: mag(y.high), scale: Scale::Linear }, "mag/arcsec²")
        });
        let above = (km > 0.0).then(|| (x.scaled(km), "distance from the centre, km"));
        let sides =
            Sides { below: if slopes.is_empty() { below } else { "" }, left: "brightness, e/s/arcsec²", above, right };
        panel.draw(&mut canvas, sides);
        draw_guide(&mut canvas, &panel, &rings);
        for r in &rings {
            let (v, e) = (r.mean_e_per_s_arcsec2, r.err_e_per_s_arcsec2);
            panel.error_bar(&mut canvas, r.rho_arcsec, (v - e, v + e), Stroke::new(theme.first, 1.3));
            if panel.holds(r.rho_arcsec, v) {
                canvas.dot(panel.at(r.rho_arcsec, v), 3.2, theme.first);
            }
        }
        if let Some(slope_axis) = slope_axis.filter(|_| !slopes.is_empty()) {
            let panel = Panel { top: panel.bottom() + gap, height: slope_height, y: slope_axis, ..panel };
            shade(&mut canvas, &panel);
            panel.draw(&mut canvas, Sides { below, left: "local slope", ..Sides::default() });
            let (from, to) = (panel.at(x.low, -1.0), panel.at(x.high, -1.0));
            canvas.line(from, to, Stroke::new(theme.second, 1.3).dashed("6 4"));
            for s in &slopes {
                panel.error_bar(
                    &mut canvas,
                    s.rho_arcsec,
                    (s.slope - s.error, s.slope + s.error),
                    Stroke::new(theme.first, 1.3),
                );
                canvas.dot(panel.at(s.rho_arcsec, s.slope), 3.2, theme.first);
            }
        }
        canvas.finish(&alt)
    });
    let (name, title) = ("profile".into(), "Radial profile".into());
    Some(Figure { name, title, caption, alt, svg_light, svg_dark })
}

/// A dashed line of slope −1 through the middle ring.
fn draw_guide(canvas: &mut Canvas, panel: &Panel, rings: &[&ProfileRecord]) {
    let middle = rings[rings.len() / 2];
    let product = middle.mean_e_per_s_arcsec2 * middle.rho_arcsec;
    let (low, high) = (panel.x.low.max(product / panel.y.high), panel.x.high.min(product / panel.y.low));
    if low < high {
        let theme = canvas.theme;
        canvas.line(
            panel.at(low, product / low),
            panel.at(high, product / high),
            Stroke::new(theme.second, 1.3).dashed("6 4"),
        );
        // beside the upper part of the line, where the coma lies below it
        let at = panel.at(low * (high / low).powf(0.12), product / (low * (high / low).powf(0.12)));
        canvas.text((at.0 + 12.0, at.1 + 2.0), TextStyle::new(12.5, theme.second), "slope −1");
    }
}

/// Rings whose light can stand on a logarithmic axis.
fn shining(night: &NightRecord) -> Vec<&ProfileRecord> {
    night.profile.iter().filter(|r| r.mean_e_per_s_arcsec2 > 0.0 && r.rho_arcsec > 0.0).collect()
}

/// The logarithmic slope of the profile at one ring, d ln I / d ln ρ, as the figure of the profile shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalSlope {
    /// Mean radius of the ring, as in the record.
    pub rho_arcsec: f64,
    /// The slope.
    pub slope: f64,
    /// Its 1σ error.
    pub error: f64,
}

/// The slopes that the figure of the profile shows.
pub fn profile_slopes(night: &NightRecord) -> Vec<LocalSlope> {
    local_slopes(&shining(night))
}

/// Weighted straight lines through three neighbouring rings in ln ρ, ln I; where the error exceeds 1, or a ring's
/// error is not known, no slope is given.
fn local_slopes(rings: &[&ProfileRecord]) -> Vec<LocalSlope> {
    rings
        .windows(3)
        .filter_map(|three| {
            let points = three.iter().map(|r| {
                let relative = r.err_e_per_s_arcsec2 / r.mean_e_per_s_arcsec2;
                (r.rho_arcsec.ln(), r.mean_e_per_s_arcsec2.ln(), 1.0 / (relative * relative))
            });
            let sums = points.fold([0.0; 5], |s, (x, y, w)| {
                [s[0] + w, s[1] + w * x, s[2] + w * y, s[3] + w * x * x, s[4] + w * x * y]
            });
            let [w, wx, wy, wxx, wxy] = sums;
            let determinant = w * wxx - wx * wx;
            let (slope, error) = ((w * wxy - wx * wy) / determinant, (w / determinant).sqrt());
            (slope.is_finite() && error.is_finite() && error > 0.0 && error <= 1.0).then_some(LocalSlope {
                rho_arcsec: three[1].rho_arcsec,
                slope,
                error,
            })
        })
        .collect()
}

fn middle_slope(slopes: &[LocalSlope]) -> Option<(f64, f64)> {
    slopes.get(slopes.len() / 2).map(|s| (s.slope, s.error))
}

/// Curve of growth from the profile and the apertures' magnitudes; below, Afρ against aperture. `None` with neither.
pub(crate) fn growth(night: &NightRecord, room: Room) -> Option<Figure> {
    let km = night.geometry.km_per_arcsec;
    let zero_point = night.zero_point.as_ref().map(|z| z.stack_zero_point_mag);
    let steps = night.curve_of_growth.iter().filter(|g| g.light_e_per_s > 0.0);
    let curve: Vec<(f64, f64)> = steps
        .filter_map(|g| Some((g.radius_km, if zero_point.is_some() { g.mag? } else { g.light_e_per_s })))
        .filter(|(x, y)| *x > 0.0 && y.is_finite())
        .collect();
    let dust_curve: Vec<(f64, f64)> =
        night.curve_of_growth.iter().filter_map(|g| Some((g.radius_km, g.afrho_cm?))).collect();
    let mags: Vec<(f64, f64, f64)> =
        night.photometry.iter().filter_map(|p| Some((p.aperture_km, p.mag?, p.mag_err.unwrap_or(0.0)))).collect();
    let dust: Vec<Dust> = night.photometry.iter().filter_map(Dust::of).collect();
    let x = Axis::decades(curve.iter().map(|c| c.0).chain(mags.iter().map(|m| m.0)).chain(dust.iter().map(|d| d.km)))?;
    let calibrated = zero_point.is_some() || !mags.is_empty();
    let y = if calibrated {
        let curve = curve.iter().map(|c| c.1).filter(|_| zero_point.is_some());
        Axis::around(curve.chain(mags.iter().flat_map(|m| [m.1 - m.2, m.1 + m.2])), 0.5).map(Axis::reversed)?
    } else {
        Axis::decades(curve.iter().map(|c| c.1))?
    };
    let show_curve = zero_point.is_some() || !calibrated;
    let phase = night.phase_function.as_ref();
    let dust_words = match (dust.is_empty(), phase) {
        (true, _) => String::new(),
        (false, Some(p)) => {
            format!(" Below: Afρ as observed (discs) and at zero phase angle (diamonds; {}).", p.name)
        }
        (false, None) => " Below: Afρ as observed.".to_string(),
    };
    let caption = format!(
        "Light inside a circle about the centre against its radius (line){}.{dust_words} Errors are 1σ. Light and dust in \
         different apertures share most of their pixels, so their errors are not independent.",
        if mags.is_empty() { "" } else { "; discs: the campaign's apertures" }
    );
    let alt = match dust.last() {
        Some(d) => format!(
            "Plot of the light growing with the aperture; below, Afρ, which is {} cm within {} km.",
            format_measured(d.afrho.0, d.afrho.1),
            fixed(d.km, 0)
        ),
        None => "Plot of the light growing with the aperture.".to_string(),
    };
    let unit = if calibrated { "magnitude inside" } else { "light inside, e/s" };
    let (svg_light, svg_dark) = in_both(|theme| {
        let (upper, gap, lower) = (room.height(250.0), 24.0, room.height(190.0));
        let below_it = if dust.is_empty() { 0.0 } else { gap + lower };
        let top = room.top() + ABOVE;
        let kind = if dust.is_empty() { "curve of growth" } else { "curve of growth and Afρ" };
        let heading = (&*night.object, kind, &*subtitle(night));
        let mut canvas = room.canvas(theme, top + upper + below_it + BELOW, heading);
        let panel = Panel { left: LEFT, top, width: room.width - LEFT - 20.0, height: upper, x, y };
        let below = "aperture radius at the comet, km";
        let above = (km > 0.0).then(|| (x.scaled(1.0 / km), "aperture radius, arcsec"));
        panel.draw(
            &mut canvas,
            Sides { below: if dust.is_empty() { below } else { "" }, left: unit, above, right: None },
        );
        if show_curve {
            let line: Vec<_> = curve.iter().map(|(x, y)| panel.at(*x, *y)).collect();
            canvas.polyline(&line, Stroke::new(theme.muted, 1.6));
        }
        for (x, mag, error) in &mags {
            panel.error_bar(&mut canvas, *x, (mag - error, mag + error), Stroke::new(theme.first, 1.5));
            canvas.dot(panel.at(*x, *mag), 4.0, theme.first);
        }
        let ends = dust.iter().flat_map(|d| {
            let both = |(v, e): (f64, f64)| [v - e, v + e];
            both(d.afrho).into_iter().chain(d.at_zero_phase.into_iter().flat_map(both))
        });
        let ends = ends.chain(dust_curve.iter().map(|d| d.1));
        if let Some(y) = Axis::around(ends, 1.0) {
            let panel = Panel { top: panel.bottom() + gap, height: lower, y, ..panel };
            panel.draw(&mut canvas, Sides { below, left: "Afρ, cm", ..Sides::default() });
            let line: Vec<_> = dust_curve.iter().map(|(x, y)| panel.at(*x, *y)).collect();
            canvas.polyline(&line, Stroke::new(theme.muted, 1.6));
            for d in &dust {
                let bar = |(v, e): (f64, f64)| (v - e, v + e);
                panel.error_bar(&mut canvas, d.km, bar(d.afrho), Stroke::new(theme.first, 1.5));
                canvas.dot(panel.at(d.km, d.afrho.0), 4.0, theme.first);
                if let Some(zero) = d.at_zero_phase {
                    panel.error_bar(&mut canvas, d.km, bar(zero), Stroke::new(theme.second, 1.5));
                    let (x, y) = panel.at(d.km, zero.0);
                    canvas.polygon(&[(x - 5.0, y), (x, y - 5.0), (x + 5.0, y), (x, y + 5.0)], theme.second);
                }
            }
        }
        canvas.finish(&alt)
    });
    let title = if dust.is_empty() { "Curve of growth" } else { "Curve of growth and Afρ" };
    Some(Figure { name: "growth".into(), title: title.into(), caption, alt, svg_light, svg_dark })
}

/// Afρ in one aperture: value and error, as observed and at zero phase.
struct Dust {
    km: f64,
    afrho: (f64, f64),
    at_zero_phase: Option<(f64, f64)>,
}

impl Dust {
    fn of(p: &fanlight_record::PhotometryRecord) -> Option<Self> {
        Some(Self {
            km: p.aperture_km,
            afrho: (p.afrho_cm?, p.afrho_err_cm.unwrap_or(0.0)),
            at_zero_phase: p.a0frho_cm.map(|v| (v, p.a0frho_err_cm.unwrap_or(0.0))),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(rho_arcsec: f64, mean: f64, err: f64) -> ProfileRecord {
        ProfileRecord {
            rho_arcsec,
            inner_arcsec: rho_arcsec * 0.9,
            outer_arcsec: rho_arcsec * 1.1,
            mean_e_per_s_arcsec2: mean,
            err_e_per_s_arcsec2: err,
            mag_per_arcsec2: None,
            enclosed_e_per_s: 1.0,
        }
    }

    #[test]
    fn the_local_slope_of_a_power_law_is_its_exponent() {
        let rings: Vec<ProfileRecord> = (1..8)
            .map(|k| {
                let r = f64::from(k) * 1.7;
                ring(r, 30.0 * r.powf(-1.3), 0.1)
            })
            .collect();
        let slopes = local_slopes(&rings.iter().collect::<Vec<_>>());
        assert_eq!(slopes.len(), 5);
        assert!(slopes.iter().all(|s| (s.slope + 1.3).abs() < 1e-9));
        // error of the middle of three rings of equal relative error e: e / sqrt(sum of squares about the mean)
        let equal: Vec<ProfileRecord> = [1.0, 2.0, 4.0].iter().map(|r| ring(*r, 1.0 / r, 0.05 / r)).collect();
        let slope = local_slopes(&equal.iter().collect::<Vec<_>>())[0];
        assert!((slope.error - 0.05 / (2.0 * 2f64.ln().powi(2)).sqrt()).abs() < 1e-12, "{slope:?}");
    }

    #[test]
    fn rings_without_an_error_or_with_a_huge_one_have_no_slope() {
        let zero: Vec<ProfileRecord> = [1.0, 2.0, 4.0].iter().map(|r| ring(*r, 1.0 / r, 0.0)).collect();
        assert!(local_slopes(&zero.iter().collect::<Vec<_>>()).is_empty());
        let huge: Vec<ProfileRecord> = [1.0, 2.0, 4.0].iter().map(|r| ring(*r, 1.0 / r, 5.0)).collect();
        assert!(local_slopes(&huge.iter().collect::<Vec<_>>()).is_empty());
    }
}
