//! The season's page: one HTML file that needs nothing else.

mod activity;
mod changes;
mod nights;
mod tracks;
mod words;

use super::{document, figure, made, section};
use crate::Figure;
use crate::svg::data_uri;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_measured, format_utc_long, season_cannot_say};
use fanlight_record::{SeasonNight, SeasonRecord};
use maud::{Markup, html};

/// Ids and titles of the sections, in their order.
const SECTIONS: [(&str, &str); 7] = [
    ("summary", "Summary"),
    ("montage", "The nights in pictures"),
    ("changes", "What changed"),
    ("tracks", "Features over the nights"),
    ("activity", "Dust and light"),
    ("nights", "The nights in numbers"),
    ("made", "How it was made"),
];
/// What must not be concluded from a season.
const CAUTION: &str = "Numbers describe the light as seen on these nights; what causes it, and what happened between them, is interpretation.";

/// The whole self-contained page of a season: record, figures as [`crate::season::season_figures`] drew them, and an animated
/// PNG of the montage, which is shown only when it is opened.
pub fn season_page(season: &SeasonRecord, figures: &[Figure], animation_apng: Option<&[u8]>) -> String {
    let section = |index: usize, body: Markup| section(SECTIONS[index], body);
    let title = format!("{}, a season of {}", season.object, count(season.nights.len(), "night"));
    let body = html! {
        (section(0, summary(season)))
        (section(1, montage(season, figures, animation_apng)))
        (section(2, changes::changes(season, figures)))
        (section(3, tracks::tracks(season, figures)))
        (section(4, activity::activity(season, figures)))
        (section(5, nights::nights(season)))
        (section(6, made(&season.provenance, CAUTION)))
    };
    document((&title, &season.summary), &season.provenance.program, masthead(season), &SECTIONS, body)
}

/// `1 night`, `5 nights`.
fn count(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

fn masthead(season: &SeasonRecord) -> Markup {
    let simulated = season.nights.iter().filter(|n| n.simulated).count();
    let sites = distinct(season.nights.iter().map(|n| n.site.as_str()));
    html! {
        header.page {
            h1 { (season.object) }
            p.when {
                @match (season.nights.first(), season.nights.last()) {
                    (Some(first), Some(last)) if season.nights.len() > 1 => {
                        (day(first)) " to " (day(last)) " · " (count(season.nights.len(), "night"))
                    },
                    (Some(first), _) => { (format_utc_long(&first.mid_utc)) },
                    _ => { "no night" },
                }
                @if !sites.is_empty() { " · " (sites.join(", ")) }
            }
        }
        @if simulated > 0 {
            div.caution role="note" {
                p {
                    strong { (if simulated == season.nights.len() { "These frames are simulated. " } else { "Some of these frames are simulated. " }) }
                    "A program made them; what they show is not about a real comet."
                }
            }
        }
    }
}

/// The night's date alone.
fn day(night: &SeasonNight) -> String {
    let long = format_utc_long(&night.mid_utc);
    long.split(',').next().map(str::to_string).unwrap_or(long)
}

/// Each once, in the order of their first place; empty words left out.
fn distinct<'a>(words: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut out: Vec<&str> = Vec::new();
    for word in words {
        if !word.is_empty() && !out.contains(&word) {
            out.push(word);
        }
    }
    out
}

fn summary(season: &SeasonRecord) -> Markup {
    let cannot = season_cannot_say(season);
    html! {
        p.lead { (season.summary) }
        (key_values(season))
        h3 { "What cannot be said" }
        ul.plain.measure { @for sentence in &cannot { li { (sentence) } } }
        @if !season.notes.is_empty() {
            details {
                summary { "What was left out and what was assumed (" (season.notes.len()) ")" }
                ul.plain.measure { @for note in &season.notes { li { (note) } } }
            }
        }
        (words::glossary())
    }
}

fn key_values(season: &SeasonRecord) -> Markup {
    let range = |of: &dyn Fn(&SeasonNight) -> f64| {
        let values = season.nights.iter().map(of).filter(|v| v.is_finite());
        values.fold(None, |m: Option<(f64, f64)>, v| Some(m.map_or((v, v), |(a, b)| (a.min(v), b.max(v)))))
    };
    let between = |(low, high): (f64, f64), places| {
        let (a, b) = (fixed(low, places), fixed(high, places));
        if a == b { a } else { format!("{a}–{b}") }
    };
    let supported: usize = season.changes.iter().map(|c| c.features.len()).sum();
    let compared = season.changes.iter().filter(|c| c.not_compared_because.is_none()).count();
    let bands = distinct(season.nights.iter().filter_map(|n| n.band.as_deref()));
    html! {
        dl.key {
            div { dt { "Nights" } dd { (season.nights.len()) @if !bands.is_empty() { small { "band " (bands.join(", ")) } } } }
            @if let Some(r) = range(&|n| n.r_au) { div { dt { "From the Sun" } dd { (between(r, 2)) (THIN_SPACE) "au" } } }
            @if let Some(d) = range(&|n| n.delta_au) { div { dt { "From the observer" } dd { (between(d, 2)) (THIN_SPACE) "au" } } }
            @for f in &season.activity.fits {
                @if crate::season::shown_aperture_km(&season.activity).is_some_and(|a| (a - f.aperture_km).abs() <= 1e-6 * a) {
                    div {
                        dt { "Dust with distance, " (crate::season::side_words(Some(&f.side))) }
                        dd { "r" sup { (format_measured(f.slope, f.slope_err)) } small { (count(f.n_nights, "night")) ", band " (f.band) } }
                    }
                }
            }
            @if !season.changes.is_empty() { div { dt { "Changes supported" } dd { (supported) small { "in " (compared) " of " (count(season.changes.len(), "pair")) " of nights" } } } }
            div { dt { "Features followed" } dd { (season.tracks.len()) } }
            div { dt { "Outbursts" } dd { (season.activity.outbursts.len()) } }
        }
    }
}

fn montage(season: &SeasonRecord, figures: &[Figure], animation_apng: Option<&[u8]>) -> Markup {
    let enhanced: Vec<&Figure> = figures
        .iter()
        .filter(|f| !["montage", "change", "tracks", "activity", "light-curve"].contains(&f.name.as_str()))
        .collect();
    html! {
        @if figures.iter().any(|f| f.name == "montage") {
            (figure(figures, "montage", "whole"))
        } @else {
            p.measure { (if season.nights.is_empty() { "There is no night to show." } else { "No picture of the nights was at hand." }) }
        }
        @if let Some(bytes) = animation_apng {
            details {
                summary { "The nights one after the other, as an animation" }
                figure.whole {
                    img src=(data_uri("image/apng", bytes)) alt={ "Animation of the nights of " (season.object) " at one scale, in order of time, at no more than three pictures a second." } style="max-width: 100%; height: auto;";
                    figcaption { strong { "Animation. " } "The same scale, orientation and stretch as above, at no more than three pictures a second." }
                }
            }
        }
        @for f in enhanced { (figure(figures, &f.name, "whole")) }
    }
}
