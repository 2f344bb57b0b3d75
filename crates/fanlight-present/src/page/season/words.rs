//! Words of the trade, and what stands where there is nothing to show.

use fanlight_record::SeasonRecord;
use maud::{Markup, html};

/// Words of the trade that the page uses.
pub(super) fn glossary() -> Markup {
    const WORDS: [(&str, &str); 6] = [
        (
            "A(0°)fρ",
            "A length that stands for how much dust is near the nucleus, as it would be with the Sun behind the observer, so that nights of different geometry compare.",
        ),
        (
            "Slope",
            "The power of the distance from the Sun with which the dust changes: with −2, half the distance means four times the dust.",
        ),
        ("PA", "Position angle: a direction on the sky, from celestial north (0°) through east (90°)."),
        ("Contrast", "A feature's own light as a share of the coma's mean light at the same distance from the centre."),
        (
            "σ",
            "One error: by chance alone a value strays further than 1σ one time in three, further than 3σ three times in a thousand.",
        ),
        ("Perihelion", "The place of the orbit that is nearest to the Sun."),
    ];
    html! {
        details {
            summary { "What the words mean" }
            dl.measure { @for (word, meaning) in WORDS { dt { strong { (word) } } dd { (meaning) } } }
        }
    }
}

/// Why there is no pair of nights to compare.
pub(super) fn no_pair(season: &SeasonRecord) -> &'static str {
    if season.nights.len() < 2 {
        "A change needs two nights: there is nothing to compare."
    } else {
        "No two nights were compared: each needs an earlier one in the same band, and a featureless twin."
    }
}
