//! What a season leaves open, and words of the trade.

use fanlight_record::SeasonRecord;
use maud::{Markup, html};

/// What a reader might take from the page and may not: one sentence each, most important first.
pub(super) fn cannot_say(season: &SeasonRecord) -> Vec<String> {
    let mut out = Vec::new();
    let mut say = |condition: bool, words: &str| {
        if condition {
            out.push(words.to_string());
        }
    };
    let activity = &season.activity;
    let on = |side: &str| season.nights.iter().filter(|n| n.side.as_deref() == Some(side)).count();
    let compared = season.changes.iter().any(|c| c.not_compared_because.is_none());
    say(season.nights.is_empty(), "Anything: there is no night.");
    say(season.nights.len() == 1, "Whether anything changed: there is only one night.");
    say(season.nights.len() > 1 && !compared, "Whether the structure changed: no two nights could be compared.");
    say(
        season.nights.len() > 1,
        "What happened between the nights: a change and its undoing there leave no trace here.",
    );
    say(
        season.tracks.iter().any(|t| t.points.len() > 1) && season.tracks.iter().all(|t| t.preferred.is_none()),
        "Whether the features follow the Sun, stay fixed in space or turn with the nucleus: the nights do not decide it.",
    );
    let has_period =
        season.tracks.iter().any(|t| t.period.is_some()) || season.period_searches.iter().any(|p| p.period.is_some());
    say(!has_period && !season.nights.is_empty(), "How fast the nucleus turns: no period was found.");
    say(
        !season.nights.is_empty() && !activity.points.iter().any(|p| p.a0frho_cm.is_some()),
        "How dusty the comet was: no night has a calibrated value.",
    );
    say(
        activity.fits.is_empty() && activity.points.iter().any(|p| p.a0frho_cm.is_some()),
        "How the dust depends on the distance from the Sun: the nights are too few or too near each other for a slope.",
    );
    say(on("pre") > 0 && on("post") == 0, "How the comet behaves after perihelion: all nights are before it.");
    say(on("post") > 0 && on("pre") == 0, "How the comet behaved before perihelion: all nights are after it.");
    say(
        activity.comparison.iter().any(|c| !c.fair),
        "How this comet compares with those whose comparison is marked as not fair; the reasons stand in the table.",
    );
    say(
        activity.points.iter().any(|p| p.a0frho_cm.is_some()),
        "How much of the light is gas: one band cannot tell it from dust, and Afρ counts all of it as dust. What a changing phase \
         angle does to this comet's dust is taken from a general phase function.",
    );
    out
}

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
