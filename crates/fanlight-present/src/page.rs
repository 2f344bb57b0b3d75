//! The night's page: one HTML file that needs nothing else.
//!
//! Figures stand in the page as inline SVG in the light theme; for dark screens the style sheet replaces the colour of
//! each role, so every raster is stored once. The bundled face is embedded, so text fits on every machine.

mod comparable;
mod dust;
mod features;
mod frames;
mod season;
mod structure;

pub use season::season_page;

use crate::Figure;
use crate::svg::data_uri;
use crate::theme::{DARK, LIGHT};
use fanlight_record::sentences::{
    THIN_SPACE, cannot_say, fixed, format_magnitude, format_measured, format_round, format_utc_exact, format_utc_long,
    format_value, headline_aperture, median_seeing_arcsec, plain_words,
};
use fanlight_record::{NightRecord, PhotometryRecord, Provenance};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::fmt::Write;

/// Under this elongation the page opens with a caution.
const SUN_CAUTION_DEG: f64 = 30.0;

/// Ids and titles of the sections, in their order; with a twin or without.
fn sections(has_twin: bool) -> [(&'static str, &'static str); 8] {
    [
        ("summary", "Summary"),
        ("pictures", if has_twin { "Night and twin" } else { "The night in pictures" }),
        ("features", "Features"),
        ("profile", if has_twin { "The coma unrolled, and its profiles" } else { "Radial profile" }),
        ("dust", "Brightness and dust"),
        ("frames", "Frames"),
        ("geometry", "Geometry"),
        ("made", "How it was made"),
    ]
}

/// The whole self-contained `report.html` of a night: record and figures as [`crate::night_figures`] drew them.
pub fn night_page(night: &NightRecord, figures: &[Figure]) -> String {
    let sections = sections(structure::has_twin(figures));
    let section = |index: usize, body: Markup| section(sections[index], body);
    let title = format!("{}, {}", night.object, format_utc_long(&night.mid_utc));
    let body = html! {
        (section(0, summary(night)))
        (section(1, structure::pictures(figures)))
        (section(2, features::features(night)))
        (section(3, structure::profile(night, figures)))
        (section(4, dust::dust(night, figures)))
        (section(5, frames::frames(night, figures)))
        (section(6, geometry(night, figures)))
        (section(7, made(&night.provenance, NIGHT_CAUTIONS)))
    };
    document((&title, &night.summary), &night.provenance.program, masthead(night), &sections, body)
}

/// A whole page: its title and description, the program that made it, its head, and its sections with what they hold.
fn document(
    (title, description): (&str, &str),
    program: &str,
    masthead: Markup,
    sections: &[(&str, &str)],
    body: Markup,
) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="generator" content=(program);
                meta name="description" content=(description);
                title { (title) }
                style { (PreEscaped(style())) }
            }
            body {
                a.skip href="#summary" { "Skip to the summary" }
                div.column {
                    (masthead)
                    nav aria-label="Sections" { ol { @for (id, name) in sections { li { a href={ "#" (id) } { (name) } } } } }
                    main { (body) }
                    (footer(program))
                }
            }
        }
    };
    page.into_string()
}

fn footer(program: &str) -> Markup {
    html! {
        footer {
            p { "Made by " (program) ". Text set in Noto Sans, SIL Open Font License 1.1. \
                 Position angles run from celestial north through east; errors are 1σ; times are UTC." }
        }
    }
}

fn section((id, name): (&str, &str), body: Markup) -> Markup {
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
        (glossary(night.morphology.analysed))
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
fn glossary(with_structure: bool) -> Markup {
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
    const OF_STRUCTURE: [(&str, &str); 3] = [
        (
            "Featureless twin",
            "The best-fitting coma without narrow structure, imaged as this night was: with its blur, errors and gaps.",
        ),
        ("Contrast", "A feature's own light as a share of the coma's mean light at the same distance from the centre."),
        (
            "False-alarm probability",
            "How often a coma without this feature, imaged this way, would show as much anywhere that was searched.",
        ),
    ];
    let words = WORDS.into_iter().chain(OF_STRUCTURE.into_iter().filter(|_| with_structure));
    html! {
        details {
            summary { "What the words mean" }
            dl.measure { @for (word, meaning) in words { dt { strong { (word) } } dd { (meaning) } } }
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

fn geometry(night: &NightRecord, figures: &[Figure]) -> Markup {
    let g = &night.geometry;
    let model = if g.orbit_model == "two_body" {
        "two bodies: the Sun and the comet".to_string()
    } else if g.orbit_model == "perturbed" {
        "the Sun, eight planets and the Moon".to_string()
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

/// What must not be concluded from one night.
const NIGHT_CAUTIONS: &str =
    "Numbers from one night and one band describe the light as seen; what causes it is interpretation.";

fn made(p: &Provenance, caution: &str) -> Markup {
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
            li { (caution) }
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
    match (p.mag, p.limit_3sigma_mag, p.brighter_than_mag) {
        (Some(mag), ..) => mag_with_error(mag, p.mag_err),
        (None, Some(limit), _) => format!("fainter than {}{THIN_SPACE}mag (3σ)", fixed(limit, 2)),
        (None, None, Some(limit)) => format!("brighter than {}{THIN_SPACE}mag", fixed(limit, 2)),
        (None, None, None) => "not measured".to_string(),
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
