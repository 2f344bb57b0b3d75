//! Section "What changed": the latest pair as a map, all pairs in sentences with their limits.

use super::super::{figure, or_dash};
use super::words;
use crate::Figure;
use fanlight_record::sentences::{
    THIN_SPACE, fixed, format_chance, format_measured, format_pa, format_percent, format_utc,
};
use fanlight_record::{ChangeRecord, ChangedFeature, SeasonRecord};
use maud::{Markup, html};

pub(super) fn changes(season: &SeasonRecord, figures: &[Figure]) -> Markup {
    let supported: Vec<(&ChangeRecord, &ChangedFeature)> =
        season.changes.iter().flat_map(|c| c.features.iter().map(move |f| (c, f))).collect();
    html! {
        @if let Some(latest) = season.changes.last() {
            p.measure { strong { "The latest pair. " } (latest.statement) @if let Some(limit) = limit_words(latest) { " " (limit) } }
            @if figures.iter().any(|f| f.name == "change") {
                (figure(figures, "change", "whole"))
            } @else if let Some(because) = &latest.not_compared_because {
                p.measure { "There is no map of it: " (because) }
            } @else {
                p.measure { "No map of it was made." }
            }
            @if supported.is_empty() { p.measure { "No change is supported in any pair of nights." } } @else { (features(&supported)) }
            (pairs(&season.changes))
        } @else {
            p.measure { (words::no_pair(season)) }
        }
        @if !season.expansions.is_empty() { (expansions(season)) }
    }
}

/// `Smallest change that would have been found 9 times of 10: 2.1 % of the coma.`
fn limit_words(change: &ChangeRecord) -> Option<String> {
    let limit = change.limit_contrast?;
    Some(format!(
        "The smallest change that would have been found 9 times of 10 is {} of the coma.",
        format_percent(limit)
    ))
}

fn features(supported: &[(&ChangeRecord, &ChangedFeature)]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of changes" {
            table {
                caption { "Changes that are supported. Amount: of contrast, in per cent of the coma; of what moved, in degrees. Probability: of so much change anywhere from noise, seeing and processing alone" }
                thead { tr {
                    th scope="col" { "From" } th scope="col" { "To" } th scope="col" { "What" } th scope="col" { "Kind" }
                    th.n scope="col" { "PA" } th.n scope="col" { "Amount" } th.n scope="col" { "Probability" }
                } }
                tbody {
                    @for (change, f) in supported {
                        tr {
                            td { (format_utc(&change.from_utc)) }
                            td { (format_utc(&change.to_utc)) }
                            th scope="row" { (f.what) }
                            td { (f.kind) }
                            td.n { (format_pa(f.pa_deg, f.pa_err_deg)) }
                            td.n { (amount(f)) }
                            td.n { (format_chance(f.probability)) }
                        }
                    }
                }
            }
        }
    }
}

fn amount(f: &ChangedFeature) -> String {
    let sign = if f.amount > 0.0 { "+" } else { "" };
    if f.what == "moved" {
        format!("{sign}{}°", format_measured(f.amount, f.amount_err).replace(" ± ", "° ± "))
    } else {
        format!("{sign}{}{THIN_SPACE}%", format_measured(100.0 * f.amount, 100.0 * f.amount_err))
    }
}

fn pairs(changes: &[ChangeRecord]) -> Markup {
    let km = |c: &ChangeRecord| c.range_km.map(|[a, b]| format!("{}–{}", fixed(a, 0), fixed(b, 0)));
    html! {
        details open[changes.len() <= 6] {
            summary { "Every pair of nights (" (changes.len()) ")" }
            div.scroll tabindex="0" role="region" aria-label="Table of pairs of nights" {
                table {
                    caption { "Each night against the one before it in the same band. Limit: smallest change of contrast that would have been found 9 times of 10" }
                    thead { tr {
                        th scope="col" { "From" } th scope="col" { "To" } th.n scope="col" { "Limit" } th.n scope="col" { "Compared, km" }
                        th.n scope="col" { "Least probability" } th scope="col" { "In words" }
                    } }
                    tbody {
                        @for c in changes {
                            tr class=[c.not_compared_because.as_ref().map(|_| "out")] {
                                th scope="row" { (format_utc(&c.from_utc)) }
                                td { (format_utc(&c.to_utc)) }
                                td.n { (or_dash(c.limit_contrast.map(format_percent))) }
                                td.n { (or_dash(km(c))) }
                                td.n { (or_dash(c.smallest_probability.map(format_chance))) }
                                td { (c.statement) @if let Some(because) = &c.not_compared_because { " " (because) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn expansions(season: &SeasonRecord) -> Markup {
    html! {
        h3 { "Arcs followed outward" }
        ul.plain.measure {
            @for e in &season.expansions {
                li {
                    "An arc about PA " (fixed(e.pa_deg, 0)) "° moved outward by " (format_measured(e.speed_km_s, e.speed_err_km_s))
                    (THIN_SPACE) "km/s on the plane of the sky, seen at "
                    @for (i, p) in e.points.iter().enumerate() {
                        @if i > 0 { ", " }
                        (format_measured(p.radius_km, p.radius_err_km)) (THIN_SPACE) "km (" (format_utc(&p.utc)) ")"
                    }
                    ". The true speed is at least as large."
                }
            }
        }
    }
}
