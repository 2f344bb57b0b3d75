//! Section "Features over the nights": where they pointed, and which of three models agrees.

use super::super::or_sentence;
use super::count;
use crate::Figure;
use fanlight_record::sentences::{
    THIN_SPACE, fixed, format_chance, format_measured, format_pa, format_round, format_utc, format_value,
};
use fanlight_record::{DirectionLikelihoods, PeriodRecord, SeasonRecord, TrackRecord};
use maud::{Markup, html};

/// Odds are not told beyond this.
const MOST_ODDS: f64 = 1e6;

pub(super) fn tracks(season: &SeasonRecord, figures: &[Figure]) -> Markup {
    html! {
        (or_sentence(figures, "tracks", "plot", "No feature was supported on any night, so none could be followed."))
        @if !season.tracks.is_empty() {
            (models(&season.tracks))
            ul.plain.measure { @for (i, track) in season.tracks.iter().enumerate() { li { (verdict(i + 1, track)) } } }
            (places(&season.tracks))
        }
        @if !season.period_searches.is_empty() {
            h3 { "Periods looked for" }
            ul.plain.measure { @for search in &season.period_searches {
                li {
                    "In the " (search.of) ", " (count(search.n, "night"))
                    @if let Some([low, high]) = search.range_h { ", from " (format_round(low, 3)) " to " (format_round(high, 3)) (THIN_SPACE) "h" }
                    ": "
                    @match &search.period {
                        Some(period) => { (period_words(period)) },
                        None => { "no period" @if let Some(because) = &search.because { "; " (because) } "." },
                    }
                }
            } }
        }
    }
}

/// The three models, with the odds of each against the best.
fn models(tracks: &[TrackRecord]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of models" {
            table {
                caption {
                    "Which model agrees with the nights, by odds against the best of the three; the price of each model's \
                     parameters is taken off. Fixed to the Sun: at one angle from the sunward direction. Fixed in space: one \
                     direction, seen from a changing place. Rotating: a direction that comes back after a period"
                }
                thead { tr {
                    th.n scope="col" { "No." } th scope="col" { "Kind" } th.n scope="col" { "Nights" } th.n scope="col" { "Drift, ° a day" }
                    th.n scope="col" { "Fixed to the Sun" } th.n scope="col" { "Fixed in space" } th.n scope="col" { "Rotating" }
                    th scope="col" { "Preferred" }
                } }
                tbody { @for (i, track) in tracks.iter().enumerate() {
                    tr {
                        td.n { (i + 1) }
                        th scope="row" { (crate::season::track_kind(track)) }
                        td.n { (track.points.len()) }
                        td.n { (track.drift_deg_per_day.map_or_else(|| "–".to_string(), |d| format_measured(d, track.drift_err_deg_per_day.unwrap_or(f64::NAN)))) }
                        @for odds in odds(track.log_likelihood.as_ref()) { td.n { (odds) } }
                        td { (track.preferred.as_deref().map_or("none", model_name)) }
                    }
                } }
            }
        }
    }
}

/// Odds of the three models against the best, in words.
fn odds(likelihoods: Option<&DirectionLikelihoods>) -> [String; 3] {
    let Some(l) = likelihoods else { return ["–", "–", "–"].map(str::to_string) };
    let all = [Some(l.fixed_to_sun), Some(l.fixed_in_space), l.rotating];
    let best = all.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max);
    all.map(|one| match one {
        None => "not tried".to_string(),
        Some(value) if !value.is_finite() => "–".to_string(),
        Some(value) if value >= best => "best".to_string(),
        Some(value) => {
            let against = (best - value).exp();
            if against > MOST_ODDS {
                format!("under 1 : {}", fixed(MOST_ODDS, 0))
            } else {
                format!("1 : {}", format_value(against, 2))
            }
        }
    })
}

fn model_name(model: &str) -> &str {
    match model {
        "fixed_to_sun" => "fixed to the Sun",
        "fixed_in_space" => "fixed in space",
        other => other,
    }
}

/// What the nights say of one feature, in a sentence.
fn verdict(number: usize, track: &TrackRecord) -> String {
    let name = format!("Feature {number}, a {}", crate::season::track_kind(track));
    let mut text = match track.preferred.as_deref() {
        Some("fixed_to_sun") => {
            format!(
                "{name}, keeps its angle from the sunward direction: the odds against each other model are over 20 to 1."
            )
        }
        Some("fixed_in_space") => {
            format!("{name}, keeps one direction in space: the odds against each other model are over 20 to 1.")
        }
        Some("rotating") => {
            format!("{name}, turns and comes back: the odds against each other model are over 20 to 1.")
        }
        Some(other) => format!("{name}: {} is preferred at odds of over 20 to 1.", other.replace('_', " ")),
        None if track.log_likelihood.is_none() => format!("{name}, was seen on too few nights to ask what it follows."),
        None => format!("{name}: no model reaches odds of 20 to 1, so none is preferred."),
    };
    match (&track.period, &track.no_period_because) {
        (Some(period), _) => text += &format!(" Its period: {}", period_words(period)),
        (None, Some(because)) => text += &format!(" No period: {}.", because.trim_end_matches('.')),
        (None, None) => {}
    }
    text
}

fn period_words(p: &PeriodRecord) -> String {
    let aliases: Vec<String> = p.aliases_h.iter().map(|a| format_round(*a, 4)).collect();
    let also = if aliases.is_empty() {
        String::new()
    } else {
        format!("; the nights cannot tell it from {}{THIN_SPACE}h", aliases.join(", "))
    };
    format!(
        "{}{THIN_SPACE}h, false-alarm probability {}{also}.",
        format_measured(p.period_h, p.err_h),
        format_chance(p.false_alarm_probability)
    )
}

fn places(tracks: &[TrackRecord]) -> Markup {
    let n: usize = tracks.iter().map(|t| t.points.len()).sum();
    html! {
        details {
            summary { "Every night of every feature (" (n) ")" }
            div.scroll tabindex="0" role="region" aria-label="Table of features on nights" {
                table {
                    caption { "Position angle at the inner end, and contrast as seen" }
                    thead { tr {
                        th.n scope="col" { "No." } th scope="col" { "Night" } th.n scope="col" { "PA" } th.n scope="col" { "Contrast, %" }
                    } }
                    tbody {
                        @for (i, track) in tracks.iter().enumerate() { @for p in &track.points {
                            tr {
                                td.n { (i + 1) }
                                th scope="row" { (format_utc(&p.utc)) }
                                td.n { (format_pa(p.pa_deg, p.pa_err_deg)) }
                                td.n { (format_value(100.0 * p.contrast, 2)) }
                            }
                        } }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odds_are_against_the_best_and_bounded() {
        let of = |fixed_to_sun, fixed_in_space, rotating| {
            odds(Some(&DirectionLikelihoods { fixed_to_sun, fixed_in_space, rotating }))
        };
        // exp(3) = 20.1
        assert_eq!(of(-1.0, -4.0, None), ["best", "1 : 20", "not tried"]);
        assert_eq!(of(-50.0, -1.0, Some(-1.0)), ["under 1 : 1\u{202f}000\u{202f}000", "best", "best"]);
        assert_eq!(odds(None), ["–", "–", "–"]);
    }
}
