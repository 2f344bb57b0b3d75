//! The night's page: one HTML file that needs nothing else.
//!
//! Figures stand in the page as inline SVG in the light theme; for dark screens the style sheet replaces the colour of
//! each role, so every raster is stored once. The bundled face is embedded, so text fits on every machine.

use crate::svg::data_uri;
use crate::theme::{DARK, LIGHT};
use crate::{Figure, places};
use fanlight_record::sentences::{
    EDGE_LOSS_TOLD, THIN_SPACE, cannot_say, fixed, format_magnitude, format_measured, format_round, format_utc_exact,
    format_utc_long, format_value, headline_aperture, is_resolved, median_seeing_arcsec, plain_words,
    seeing_beyond_error,
};
use fanlight_record::{FeatureRecord, FrameRecord, NightRecord, PhotometryRecord, TrendRecord, ZeroPointRecord};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::fmt::Write;

/// Under this elongation the page opens with a caution.
const SUN_CAUTION_DEG: f64 = 30.0;

const SECTIONS: [(&str, &str); 8] = [
    ("summary", "Summary"),
    ("pictures", "The night in pictures"),
    ("features", "Features"),
    ("profile", "Radial profile"),
    ("dust", "Brightness and dust"),
    ("frames", "Frames"),
    ("geometry", "Geometry"),
    ("made", "How it was made"),
];

/// The whole self-contained `report.html` of a night: record and figures as [`crate::night_figures`] drew them.
pub fn night_page(night: &NightRecord, figures: &[Figure]) -> String {
    let title = format!("{}, {}", night.object, format_utc_long(&night.mid_utc));
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content=(night.provenance.program);
                meta name="description" content=(night.summary);
                title { (title) }
                style { (PreEscaped(style())) }
            }
            body {
                a.skip href="#summary" { "Skip to the summary" }
                div.column {
                    (masthead(night))
                    nav aria-label="Sections" { ol { @for (id, name) in SECTIONS { li { a href={ "#" (id) } { (name) } } } } }
                    main {
                        (section(0, summary(night)))
                        (section(1, pictures(figures)))
                        (section(2, features(night)))
                        (section(3, profile(night, figures)))
                        (section(4, dust(night, figures)))
                        (section(5, frames(night, figures)))
                        (section(6, geometry(night, figures)))
                        (section(7, made(night)))
                    }
                    footer {
                        p { "Made by " (night.provenance.program) ". Text set in Noto Sans, SIL Open Font License 1.1. \
                             Position angles run from celestial north through east; errors are 1σ; times are UTC." }
                    }
                }
            }
        }
    };
    page.into_string()
}

fn section(index: usize, body: Markup) -> Markup {
    let (id, name) = SECTIONS[index];
    html! { section id=(id) aria-labelledby={ (id) "-title" } { h2 id={ (id) "-title" } { (name) } (body) } }
}

fn masthead(night: &NightRecord) -> Markup {
    let setup = &night.setup;
    let mut place: Vec<String> = Vec::new();
    place.extend(setup.site.clone());
    place.extend(setup.telescope.clone());
    place.extend(setup.filter.as_ref().map(|f| format!("filter {f}")));
    html! {
        header.page {
            h1 { (night.object) }
            p.when { (format_utc_long(&night.mid_utc)) @if !place.is_empty() { " · " (place.join(" · ")) } }
            @if !setup.observers.is_empty() { p.when { "Observed by " (setup.observers.join(", ")) } }
        }
        @if night.setup.simulated {
            div.caution role="note" {
                p {
                    strong { "These frames are simulated. " }
                    "A program made them; nothing on this page is about a real comet."
                }
            }
        }
        @if night.geometry.elongation_deg < SUN_CAUTION_DEG {
            div.caution role="note" {
                p {
                    strong { "The comet stands " (fixed(night.geometry.elongation_deg, 0)) "° from the Sun. " }
                    "Never point unfiltered optics near the Sun: eyes and instruments are lost in an instant. The site's \
                     own rules come first."
                }
            }
        }
    }
}

fn summary(night: &NightRecord) -> Markup {
    let cannot = cannot_say(night);
    let (warnings, remarks) = night.notes.split_at(night.n_warnings.min(night.notes.len()));
    html! {
        p.lead { (night.summary) }
        (key_values(night))
        h3 { "In plain words" }
        p.measure { (plain_words(night)) }
        (glossary())
        div.beside {
            div {
                h3 { "What cannot be said" }
                ul.plain.measure { @for sentence in &cannot { li { (sentence) } } }
            }
            @if !warnings.is_empty() {
                div {
                    h3 { "Warnings" }
                    ul.plain.measure { @for note in warnings { li { (note) } } }
                }
            }
        }
        @if !remarks.is_empty() {
            details {
                summary { "Notes on methods and assumptions (" (remarks.len()) ")" }
                ul.plain.measure { @for note in remarks { li { (note) } } }
            }
        }
    }
}

/// Words of the trade that the page uses, for readers who meet them here first.
fn glossary() -> Markup {
    const WORDS: [(&str, &str); 7] = [
        (
            "Magnitude",
            "How bright something looks in one colour band. Smaller is brighter: 5 magnitudes are a factor of 100.",
        ),
        ("Optocentre", "The brightest point of the coma as imaged, where the nucleus is hidden."),
        (
            "Afρ",
            "A length that stands for how much dust is near the nucleus: how reflective it is, how densely it fills the circle, times the circle's radius ρ. For a steady outflow it is the same in every circle.",
        ),
        (
            "Phase angle",
            "The angle at the comet between the Sun and the observer; dust looks fainter or brighter with it.",
        ),
        ("A(0°)fρ", "Afρ as it would be at phase angle 0°, so that nights of different geometry compare."),
        ("PA", "Position angle: a direction on the sky, from celestial north (0°) through east (90°)."),
        (
            "e/s/arcsec²",
            "Brightness of a surface: electrons a second that the camera counts from a square of one arcsecond's side.",
        ),
    ];
    html! {
        details {
            summary { "What the words mean" }
            dl.measure { @for (word, meaning) in WORDS { dt { strong { (word) } } dd { (meaning) } } }
        }
    }
}

fn key_values(night: &NightRecord) -> Markup {
    let g = &night.geometry;
    let light = headline_aperture(night);
    let aperture =
        light.map(|p| format!("within {}{THIN_SPACE}km ({}″)", fixed(p.aperture_km, 0), fixed(p.aperture_arcsec, 1)));
    let used = night.frames.iter().filter(|f| f.used).count();
    let minutes = night.stack.exposure_s / 60.0;
    html! {
        dl.key {
            @if let Some(p) = light {
                div { dt { "Magnitude in band " (p.band) } dd { (magnitude(p)) @if let Some(a) = &aperture { small { (a) } } } }
                @if let Some(afrho) = p.afrho_cm {
                    div { dt { "Afρ" } dd { (with_error(afrho, p.afrho_err_cm, "cm")) @if let Some(a) = &aperture { small { (a) } } } }
                }
            }
            div { dt { "Frames combined" } dd { (used) " of " (night.frames.len()) small { (format_round(minutes, 3)) (THIN_SPACE) "min in all" } } }
            @if let Some(seeing) = median_seeing_arcsec(night) {
                div { dt { "Seeing" } dd { (fixed(seeing, 1)) "″" small { "median star width" } } }
            }
            div { dt { "From the Sun" } dd { (fixed(g.r_au, 3)) (THIN_SPACE) "au" small { "phase angle " (fixed(g.phase_deg, 1)) "°" } } }
            div { dt { "From the observer" } dd { (fixed(g.delta_au, 3)) (THIN_SPACE) "au" small { "1″ = " (fixed(g.km_per_arcsec, 0)) (THIN_SPACE) "km" } } }
        }
    }
}

fn pictures(figures: &[Figure]) -> Markup {
    html! {
        p.measure {
            "All pictures have one scale, north up and east left. The signs at the rim point from the comet toward the \
             Sun, away from it, and against its orbital motion."
        }
        div.pictures {
            @for name in ["light", "isophotes", "inverted"] { (figure(figures, name, "picture")) }
            div {
                (figure(figures, "gradient", "picture"))
                @if figures.iter().any(|f| f.name == "gradient") {
                    div.warning role="note" {
                        p {
                            strong { "No evidence by itself. " }
                            "A rotational gradient also draws rays from a centre that is slightly off, from elongated star \
                             images and from leftover stars. Without a featureless twin beside it, imaged and filtered the \
                             same way, rays in it are no evidence of structure."
                        }
                    }
                }
            }
        }
    }
}

fn features(night: &NightRecord) -> Markup {
    let found = &night.morphology.features;
    if !night.morphology.analysed {
        return html! {
            p.measure {
                strong { "Structure was not analysed. " }
                "No search was made, no featureless twin was built and no limit was measured, so this page neither \
                 reports nor rules out jets, fans or other features."
            }
        };
    }
    if found.is_empty() {
        return html! { p.measure { "Structure was analysed and no feature was found." } };
    }
    let row = |f: &FeatureRecord| {
        html! {
            tr {
                th scope="row" { (f.kind) }
                td.n { (format_measured(f.pa_deg, f.pa_err_deg)) }
                td.n { (fixed(f.offset_from_sunward_deg, 0)) }
                td.n { (fixed(f.width_deg, 0)) }
                td.n { (fixed(f.inner_arcsec, 1)) "–" (fixed(f.outer_arcsec, 1)) }
                td.n { (fixed(f.inner_km, 0)) "–" (fixed(f.outer_km, 0)) }
                td.n { (format_measured(f.contrast, f.contrast_err)) }
                td.n { (format_value(f.false_alarm_probability, 1)) }
                td { (f.verdict.replace('_', " ")) }
            }
            @for c in &f.challenges {
                tr {
                    td colspan="9" {
                        (c.name) ": " (c.outcome.replace('_', " "))
                        @if let Some(s) = c.statistic { " (" (format_value(s, 3)) @if let Some(t) = c.threshold { " against " (format_value(t, 3)) } ")" }
                        ". " (c.explanation)
                    }
                }
            }
        }
    };
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of features" {
            table {
                caption { "Features and artefacts; under each its challenges." }
                thead {
                    tr {
                        @for head in ["Kind", "PA, °", "From sunward, °", "Width, °", "Extent, ″", "Extent, km", "Contrast", "False-alarm probability", "Verdict"] {
                            th scope="col" { (head) }
                        }
                    }
                }
                tbody { @for f in found { (row(f)) } }
            }
        }
    }
}

fn profile(night: &NightRecord, figures: &[Figure]) -> Markup {
    html! { div.beside {
        (or_sentence(figures, "profile", "plot", "No ring of the profile shows light: there is nothing to plot."))
        @if !night.profile.is_empty() {
            details {
                summary { "The profile as a table (" (night.profile.len()) " rings)" }
                div.scroll tabindex="0" role="region" aria-label="Table of the profile" {
                    table {
                        caption { "Azimuthal mean of the good pixels of each ring, sky subtracted; light inside the ring's outer edge." }
                        thead { tr {
                            th.n scope="col" { "ρ, ″" } th.n scope="col" { "Ring, ″" } th.n scope="col" { "Brightness, e/s/arcsec²" }
                            th.n scope="col" { "mag/arcsec²" } th.n scope="col" { "Inside, e/s" }
                        } }
                        tbody {
                            @for r in &night.profile {
                                tr {
                                    th.n scope="row" { (fixed(r.rho_arcsec, 2)) }
                                    td.n { (fixed(r.inner_arcsec, 2)) "–" (fixed(r.outer_arcsec, 2)) }
                                    td.n { (format_measured(r.mean_e_per_s_arcsec2, r.err_e_per_s_arcsec2)) }
                                    td.n { (or_dash(r.mag_per_arcsec2.map(|m| fixed(m, 2)))) }
                                    td.n { (format_value(r.enclosed_e_per_s, 4)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    } }
}

fn dust(night: &NightRecord, figures: &[Figure]) -> Markup {
    html! {
        @if night.photometry.is_empty() {
            p.measure {
                strong { "Nothing was calibrated. " }
                "No magnitude and no Afρ can be given for this night; the notes in the summary say why."
            }
        } @else {
            (photometry_table(night))
        }
        div.beside {
            (figure(figures, "growth", "plot"))
            div { @if !night.photometry.is_empty() { (phase_words(night)) } (assumptions(night)) }
        }
        @if !night.photometry.is_empty() { (error_table(night)) }
        div.beside {
            (figure(figures, "zero-point", "plot"))
            @if let Some(z) = &night.zero_point { (zero_point_words(z)) }
        }
    }
}

fn phase_words(night: &NightRecord) -> Markup {
    html! {
        p.measure {
            @match &night.phase_function {
                Some(p) => {
                    "A(0°)fρ is A(θ)fρ divided by φ(" (fixed(night.geometry.phase_deg, 1)) "°) = " (format_value(p.value, 3))
                    " (" (p.name) "). The phase function itself is uncertain by tens of per cent at large phase angles, which is not in \
                     the error."
                },
                None => { "No phase function was applied: values at zero phase angle are not given." },
            }
        }
    }
}

fn zero_point_words(z: &ZeroPointRecord) -> Markup {
    html! {
        p.measure {
            "The zero point of the stack in " (z.band) " is "
            (mag_with_error(z.stack_zero_point_mag, Some(z.stack_zero_point_err_mag))) " for 1" (THIN_SPACE) "e/s, from "
            (z.stars.iter().filter(|s| s.used).count()) " of " (z.stars.len()) " stars."
            @if let (Some(term), Some(colour)) = (z.colour_term, &z.colour) {
                " The colour term is " (fixed(term, 3)) " × (" (colour) ")"
                @if let Some(comet) = z.comet_colour_mag {
                    ", with " (colour) " = " (fixed(comet, 2)) (THIN_SPACE) "mag assumed for the comet"
                }
                "."
            }
        }
    }
}

fn assumptions(night: &NightRecord) -> Markup {
    let stack = &night.stack;
    html! {
        h3 { "What was assumed" }
        ul.plain.measure {
            li { "All light in the band is sunlight scattered by dust; gas is not subtracted." }
            li { "Apertures are circles about the optocentre, and their light is given as seen, without a correction for seeing." }
            @if night.zero_point.as_ref().is_some_and(|z| z.colour_term.is_none()) {
                li { "Comet and stars were taken to need no colour term." }
            }
            li {
                "The sky left in the stack, "
                (with_error(stack.residual_sky_e_per_s_arcsec2, Some(stack.residual_sky_err_e_per_s_arcsec2), "e/s/arcsec²"))
                " at the centre, was subtracted as " (if stack.sky_order == Some(2) { "a bent surface" } else { "a plane" }) "."
            }
        }
    }
}

fn photometry_table(night: &NightRecord) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of photometry" {
            table {
                caption { "Light and dust inside circles about the centre, ρ their radius at the comet; magnitudes in band " (night.photometry[0].band) ", as seen. Errors are 1σ." }
                thead { tr {
                    th.n scope="col" { "ρ, km" } th.n scope="col" { "ρ, ″" } th.n scope="col" { "Magnitude" } th.n scope="col" { "Afρ, cm" }
                    th.n scope="col" { "A(0°)fρ, cm" } th.n scope="col" { "Lost to seeing" } th.n scope="col" { "Filled pixels" }
                } }
                tbody {
                    @for p in &night.photometry {
                        tr {
                            th.n scope="row" { (fixed(p.aperture_km, 0)) @if !is_resolved(night, p) { "*" } }
                            td.n { (fixed(p.aperture_arcsec, 1)) }
                            td.n { (magnitude(p)) }
                            td.n { (or_dash(p.afrho_cm.map(|v| with_error(v, p.afrho_err_cm, "")))) }
                            td.n { (or_dash(p.a0frho_cm.map(|v| with_error(v, p.a0frho_err_cm, "")))) }
                            td.n { (or_dash(p.seeing_loss.map(|l| format!("{}{THIN_SPACE}%", fixed(100.0 * l, 1))))) }
                            td.n { (fixed(100.0 * p.filled_fraction, 1)) (THIN_SPACE) "%" }
                        }
                    }
                }
            }
        }
        @if night.photometry.iter().any(|p| !is_resolved(night, p)) {
            p.measure { "* The radius is under twice the width of a star image: more about the seeing than about the coma." }
        }
        @if let Some(losses) = edge_losses(night) {
            p.measure {
                "The coma reaches the edge of the part of the frames that was used: a sky read there would take " (losses) " of this \
                 light away. The sky was fitted under the coma instead; the error's sky term holds what that may get wrong."
            }
        }
        @if night.photometry.iter().any(|p| p.seeing_loss.is_some()) {
            p.measure {
                "Lost to seeing: the share of the coma's light that blurring takes out of the aperture, from the measured \
                 profile and star image. Magnitudes and Afρ are as seen, and neither they nor their errors hold it."
                @if let Some(loss) = headline_aperture(night).and_then(seeing_beyond_error) { " " (loss) }
            }
        }
    }
}

/// Per cent of the light in each aperture that a sky read at the edge would take; `None` where the coma does not reach it, or
/// takes little from all.
fn edge_losses(night: &NightRecord) -> Option<String> {
    let losses: Vec<f64> = night.photometry.iter().filter_map(|p| p.edge_sky_loss).collect();
    if losses.iter().all(|l| *l < EDGE_LOSS_TOLD) {
        return None;
    }
    let each: Vec<String> = losses.iter().map(|l| fixed(100.0 * l, 1)).collect();
    Some(format!("{}{THIN_SPACE}%", each.join(", ")))
}

fn error_table(night: &NightRecord) -> Markup {
    let mut names: Vec<&str> = Vec::new();
    for term in night.photometry.iter().flat_map(|p| &p.error_terms_mag) {
        if !names.contains(&term.name.as_str()) {
            names.push(&term.name);
        }
    }
    let size = |p: &PhotometryRecord, name: &str| p.error_terms_mag.iter().find(|t| t.name == name).map(|t| t.mag);
    html! {
        @if !names.is_empty() {
            div.scroll tabindex="0" role="region" aria-label="Table of error terms" {
                table {
                    caption { "Where the error of each magnitude comes from, in mag; the last column is their sum in quadrature as reported." }
                    thead { tr {
                        th.n scope="col" { "ρ, km" }
                        @for name in &names { th.n scope="col" { (name) } }
                        th.n scope="col" { "Error" }
                    } }
                    tbody {
                        @for p in &night.photometry {
                            tr {
                                th.n scope="row" { (fixed(p.aperture_km, 0)) }
                                @for name in &names { td.n { (or_dash(size(p, name).map(|v| fixed(v, 4)))) } }
                                td.n { (or_dash(p.mag_err.map(|v| fixed(v, 4)))) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn frames(night: &NightRecord, figures: &[Figure]) -> Markup {
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

fn geometry(night: &NightRecord, figures: &[Figure]) -> Markup {
    let g = &night.geometry;
    let model = if g.orbit_model == "two_body" {
        "two bodies: the Sun and the comet".to_string()
    } else {
        g.orbit_model.replace('_', " ")
    };
    let rows: [(&str, String, &str); 20] = [
        ("Right ascension (ICRS, astrometric)", fixed(g.ra_deg, 6), "°"),
        ("Declination (ICRS, astrometric)", fixed(g.dec_deg, 6), "°"),
        ("Distance from the Sun", fixed(g.r_au, 6), "au"),
        ("Distance from the observer", fixed(g.delta_au, 6), "au"),
        ("Phase angle (Sun–comet–observer)", fixed(g.phase_deg, 3), "°"),
        ("Elongation (Sun–observer–comet)", fixed(g.elongation_deg, 3), "°"),
        ("Apparent motion", fixed(g.motion_arcsec_per_min, 4), "″/min"),
        ("PA of the motion", fixed(g.motion_pa_deg, 2), "°"),
        ("PA toward the Sun", fixed(g.sunward_pa_deg, 2), "°"),
        ("PA away from the Sun", fixed(g.antisolar_pa_deg, 2), "°"),
        ("PA against the orbital motion", fixed(g.negative_velocity_pa_deg, 2), "°"),
        ("Observer above the orbit plane", fixed(g.orbit_plane_angle_deg, 3), "°"),
        ("Scale at the comet", fixed(g.km_per_arcsec, 2), "km/″"),
        ("Altitude (airless)", fixed(g.altitude_deg, 2), "°"),
        ("Azimuth, north through east", fixed(g.azimuth_deg, 2), "°"),
        ("Altitude of the Sun", fixed(g.sun_altitude_deg, 2), "°"),
        ("Distance from the Moon on the sky", fixed(g.moon_separation_deg, 1), "°"),
        ("Illuminated part of the Moon", fixed(100.0 * g.moon_illuminated_fraction, 0), "%"),
        (
            "Site, longitude east and latitude",
            format!("{}, {}", fixed(night.setup.longitude_deg, 4), fixed(night.setup.latitude_deg, 4)),
            "°",
        ),
        ("Site, height", fixed(night.setup.height_m, 0), "m"),
    ];
    html! {
        div.beside {
        div.scroll tabindex="0" role="region" aria-label="Table of geometry" {
            table {
                caption { "Seen from the site at " (format_utc_exact(&g.utc)) "; orbit model: " (model) }
                thead { tr { th scope="col" { "Quantity" } th.n scope="col" { "Value" } th scope="col" { "Unit" } } }
                tbody { @for (name, value, unit) in &rows { tr { th scope="row" { (name) } td.n { (value) } td { (unit) } } } }
            }
        }
        div {
        (figure(figures, "orbit-plan", "plan"))
        @if let Some(a) = &night.astrometry {
            p.measure {
                "Measured place at " (format_utc_exact(&a.mid_utc)) ": right ascension " (fixed(a.ra_deg, 6)) "°, declination " (fixed(a.dec_deg, 6))
                "°, error " (format_value(a.err_arcsec, 2)) "″ per axis. Observed minus computed: " (fixed(a.o_minus_c_arcsec[0], 2)) "″ in right ascension (times cos δ), "
                (fixed(a.o_minus_c_arcsec[1], 2)) "″ in declination."
            }
        } @else {
            p.measure { "The comet's place was not measured." }
        }
        }
        }
    }
}

fn made(night: &NightRecord) -> Markup {
    let p = &night.provenance;
    html! {
        p { (p.program) }
        h3 { "The line to run it again" }
        pre { code { (p.command) } }
        @if !p.methods.is_empty() {
            h3 { "Methods" }
            ul.plain.measure { @for method in &p.methods { li { (method) } } }
        }
        h3 { "Inputs" }
        @if p.inputs.is_empty() {
            p { "No input was recorded." }
        } @else {
            details {
                summary { (p.inputs.len()) " files with their checksums" }
                div.scroll tabindex="0" role="region" aria-label="Table of inputs" {
                    table {
                        caption { "SHA-256 of each file as it was read" }
                        thead { tr { th scope="col" { "File" } th scope="col" { "Taken for" } th scope="col" { "SHA-256" } } }
                        tbody { @for i in &p.inputs { tr { th scope="row" { (i.file) } td { (i.role) } td { code { (i.sha256) } } } } }
                    }
                }
            }
        }
        h3 { "Cautions" }
        ul.plain.measure {
            li { "Never point unfiltered optics near the Sun. The site's own rules come first." }
            li { "Numbers from one night and one band describe the light as seen; what causes it is interpretation." }
        }
    }
}

fn figure(figures: &[Figure], name: &str, class: &str) -> Markup {
    html! {
        @if let Some(f) = figures.iter().find(|f| f.name == name) {
            figure class=(class) id={ "figure-" (name) } {
                div.drawing { (PreEscaped(&f.svg_light)) }
                figcaption { strong { (f.title) ". " } (f.caption) }
            }
        }
    }
}

fn or_sentence(figures: &[Figure], name: &str, class: &str, sentence: &str) -> Markup {
    html! {
        @if figures.iter().any(|f| f.name == name) { (figure(figures, name, class)) } @else { p.measure { (sentence) } }
    }
}

fn magnitude(p: &PhotometryRecord) -> String {
    match (p.mag, p.limit_3sigma_mag) {
        (Some(mag), _) => mag_with_error(mag, p.mag_err),
        (None, Some(limit)) => format!("fainter than {}{THIN_SPACE}mag (3σ)", fixed(limit, 2)),
        (None, None) => "not measured".to_string(),
    }
}

fn mag_with_error(mag: f64, error: Option<f64>) -> String {
    format!("{}{THIN_SPACE}mag", format_magnitude(mag, error.unwrap_or(f64::NAN)))
}

fn with_error(value: f64, error: Option<f64>, unit: &str) -> String {
    let text = format_measured(value, error.unwrap_or(f64::NAN));
    if unit.is_empty() { text } else { format!("{text}{THIN_SPACE}{unit}") }
}

fn or_dash(text: Option<String>) -> String {
    text.unwrap_or_else(|| "–".to_string())
}

/// The style sheet: the faces, the page, and the dark ink of the figures.
fn style() -> String {
    let mut out = String::new();
    for (weight, face) in [(400, notosans::REGULAR_TTF), (700, notosans::BOLD_TTF)] {
        let _ = writeln!(
            out,
            "@font-face {{ font-family: \"Noto Sans\"; font-weight: {weight}; src: url({}) format(\"truetype\"); }}",
            data_uri("font/ttf", face)
        );
    }
    out.push_str(include_str!("page.css"));
    out.push_str("@media screen and (prefers-color-scheme: dark) {\n");
    for (light, dark) in LIGHT.colours().into_iter().zip(DARK.colours()) {
        for property in ["fill", "stroke"] {
            let _ = writeln!(out, "  .drawing svg [{property}=\"{light}\"] {{ {property}: {dark}; }}");
        }
    }
    out.push_str("}\n");
    out
}
