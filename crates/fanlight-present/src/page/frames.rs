//! Section "Frames": seeing, sky and zero point over the night, every frame left out and why.

use super::{or_dash, or_sentence};
use crate::{Figure, places};
use fanlight_record::sentences::{
    THIN_SPACE, fixed, format_magnitude, format_measured, format_round, format_utc_exact,
};
use fanlight_record::{FrameRecord, NightRecord, TrendRecord};
use maud::{Markup, html};

pub(super) fn frames(night: &NightRecord, figures: &[Figure]) -> Markup {
    let out: Vec<&FrameRecord> = night.frames.iter().filter(|f| !f.used).collect();
    html! {
        div.beside {
        (or_sentence(figures, "frames", "plot", "No frame has both a time and a measurement: there is nothing to plot."))
        @if out.is_empty() {
            p { "No frame was left out." }
        } @else {
            div.scroll tabindex="0" role="region" aria-label="Table of frames left out" {
                table {
                    caption { "Left out, and why: " (out.len()) " of " (night.frames.len()) }
                    thead { tr { th scope="col" { "Frame" } th scope="col" { "Middle of exposure" } th scope="col" { "Reason" } } }
                    tbody {
                        @for f in out {
                            tr.out {
                                th scope="row" { (f.file) }
                                td { (or_dash(f.mid_utc.as_deref().map(format_utc_exact))) }
                                td { (f.rejected_because.as_deref().unwrap_or("no reason was recorded")) }
                            }
                        }
                    }
                }
            }
        }
        }
        (conditions(night))
        @if !night.frames.is_empty() {
            details {
                summary { "Every frame (" (night.frames.len()) ")" }
                div.scroll.wide tabindex="0" role="region" aria-label="Table of all frames" {
                    table {
                        caption {
                            "Star width and elongation, sky, zero point and what it lacks to the night's best, altitudes, share of \
                             the stack and sub-stack of each frame. A star beside the nucleus is given as magnitude, distance"
                        }
                        thead { tr {
                            th scope="col" { "Frame" } th scope="col" { "Middle, UTC" } th.n scope="col" { "Exposure, s" } th scope="col" { "Filter" }
                            th.n scope="col" { "Width, ″" } th.n scope="col" { "Elongation" } th.n scope="col" { "PA, °" } th.n scope="col" { "Sky, e/s/arcsec²" }
                            th.n scope="col" { "Sky, mag/arcsec²" } th.n scope="col" { "Zero point, mag" } th.n scope="col" { "Under the best, mag" }
                            th.n scope="col" { "Stars used / found" } th.n scope="col" { "Altitude, °" } th.n scope="col" { "Airmass" } th.n scope="col" { "Sun, °" }
                            th.n scope="col" { "Moon, °" } th.n scope="col" { "Weight" } th.n scope="col" { "Share, %" } th.n scope="col" { "Sub-stack" }
                            th scope="col" { "Star at the nucleus" } th scope="col" { "Used" }
                        } }
                        tbody { @for f in &night.frames { (frame_row(f)) } }
                    }
                }
            }
        }
        (places::places(night))
    }
}

/// What the frames say of the night: cloud, twilight, Moon, focus and wind.
fn conditions(night: &NightRecord) -> Markup {
    let Some(c) = &night.conditions else { return html! {} };
    let range = |r: [f64; 2], places| format!("{} to {}", fixed(r[0], places), fixed(r[1], places));
    let trend = |t: TrendRecord| format_measured(t.per_hour, t.err_per_hour);
    let axes = c.elongation_pa_deg.zip(c.elongation_alignment);
    html! {
        h3 { "The night in numbers" }
        ul.plain.measure {
            @if let Some(loss) = c.transparency_loss_mag {
                li { "Transparency: " (range(loss, 2)) (THIN_SPACE) "mag under the best frame, extinction by airmass included." }
            }
            @if let Some(sky) = c.sky_mag_arcsec2 {
                li {
                    "Sky: " (range(sky, 2)) (THIN_SPACE) "mag/arcsec²"
                    @if let Some(t) = c.sky_trend_mag_per_hour { ", changing by " (trend(t)) (THIN_SPACE) "mag an hour (positive: darker)" }
                    @if let Some(sun) = c.sun_altitude_deg { "; the Sun at " (range(sun, 1)) "°" }
                    @if let Some(moon) = c.moon_altitude_deg {
                        ", the Moon at " (range(moon, 1)) "°, " (fixed(100.0 * night.geometry.moon_illuminated_fraction, 0))
                        (THIN_SPACE) "% lit, " (fixed(night.geometry.moon_separation_deg, 0)) "° from the comet"
                    }
                    "."
                }
            }
            @if let Some(t) = c.zenith_fwhm_trend_arcsec_per_hour {
                li { "Star width, brought to the zenith by airmass" sup { "0.6" } ": changing by " (trend(t)) "″ an hour (focus and the seeing itself)." }
            }
            @if let Some((pa, alignment)) = axes {
                li {
                    "Elongation of the stars: toward PA " (fixed(pa, 0)) "° on average, the frames agreeing by " (fixed(alignment, 2))
                    " (near 1: one direction, as drift and optics give; near 0: none, as wind gives)."
                }
            }
            @if let Some(n) = c.effective_frames {
                li {
                    "Weights: the stack is worth " (fixed(n, 1)) " frames of equal weight"
                    @if let Some(radius) = night.stack.weights_radius_arcsec {
                        "; they are the best for the coma's light within " (fixed(radius, 1)) "″"
                    }
                    "."
                }
            }
            @if let Some((least, most)) = substack_shares(night) {
                li {
                    "Sub-stacks: " (night.stack.n_substacks) ", balanced in weight, time and airmass; each holds " (fixed(100.0 * least, 1)) " to "
                    (fixed(100.0 * most, 1)) (THIN_SPACE) "% of the weight."
                }
            }
        }
    }
}

fn substack_shares(night: &NightRecord) -> Option<(f64, f64)> {
    let shares = || night.stack.substacks.iter().map(|s| s.share);
    Some((shares().reduce(f64::min)?, shares().reduce(f64::max)?))
}

fn frame_row(f: &FrameRecord) -> Markup {
    let zero_point = f.zero_point_mag.map(|z| format_magnitude(z, f.zero_point_err_mag.unwrap_or(f64::NAN)));
    let number = |value: Option<f64>, places| or_dash(value.map(|v| fixed(v, places)));
    html! {
        tr class=[(!f.used).then_some("out")] {
            th scope="row" { (f.file) }
            td { (or_dash(f.mid_utc.as_deref().map(|t| format_utc_exact(t).replace(" UTC", "")))) }
            td.n { (or_dash(f.exposure_s.map(|v| format_round(v, 4)))) }
            td { (f.filter.as_deref().unwrap_or("–")) }
            td.n { (number(f.fwhm_arcsec, 2)) }
            td.n { (number(f.elongation, 2)) }
            td.n { (number(f.elongation_pa_deg, 0)) }
            td.n { (number(f.sky_e_per_s_arcsec2, 2)) }
            td.n { (number(f.sky_mag_arcsec2, 2)) }
            td.n { (or_dash(zero_point)) }
            td.n { (number(f.transparency_loss_mag, 2)) }
            td.n { (or_dash(f.zero_point_stars.map(|n| n.to_string()))) " / " (or_dash(f.stars_found.map(|n| n.to_string()))) }
            td.n { (number(f.altitude_deg, 1)) }
            td.n { (number(f.airmass, 2)) }
            td.n { (number(f.sun_altitude_deg, 1)) }
            td.n { (number(f.moon_altitude_deg, 1)) }
            td.n { (number(f.relative_weight, 2)) }
            td.n { (number(f.stack_share.map(|s| 100.0 * s), 2)) }
            td.n { (or_dash(f.substack.map(|n| n.to_string()))) }
            td { (or_dash(f.star_near_nucleus.map(|s| format!("{}, {}″", fixed(s.mag, 1), fixed(s.distance_arcsec, 1))))) }
            td { @if f.used { "yes" } @else { "no" } }
        }
    }
}
