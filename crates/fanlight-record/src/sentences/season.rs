//! What several nights say together, in words.

use super::numbers::{THIN_SPACE, fixed, format_measured};
use super::structure::{article, format_chance, format_pa, format_percent};
use super::{format_utc_long, headline_aperture};
use crate::{ActivityFit, ChangeRecord, ChangedFeature, NightRecord, SeasonRecord};

/// A length at the comet, to two digits or so.
fn format_km(km: f64) -> String {
    let unit = if km >= 10_000.0 { 1000.0 } else { 100.0 };
    format!("{}{THIN_SPACE}km", fixed((km / unit).round() * unit, 0))
}

/// `a new jet at PA 271.3° ± 1.2° (contrast +6.0 ± 1.0 %, probability of so much by chance 2 × 10⁻⁵)`.
fn changed_feature_words(c: &ChangedFeature) -> String {
    let place = format_pa(c.pa_deg, c.pa_err_deg);
    let chance = format!("probability of so much by chance {}", format_chance(c.probability));
    if c.what == "moved" {
        let way = if c.amount > 0.0 { "north through east" } else { "north through west" };
        return format!(
            "the {} now at PA {place} moved by {}° {way} ({chance})",
            c.kind,
            format_measured(c.amount.abs(), c.amount_err)
        );
    }
    let sign = if c.amount >= 0.0 { "+" } else { "−" };
    let amount =
        format!("contrast {sign}{}{THIN_SPACE}%", format_measured(100.0 * c.amount.abs(), 100.0 * c.amount_err));
    let subject = match c.what.as_str() {
        "new" => format!("a new {} at PA {place}", c.kind),
        "gone" => format!("the {} at PA {place} is gone", c.kind),
        what => format!("the {} at PA {place} is {what}", c.kind),
    };
    format!("{subject} ({amount}; {chance})")
}

/// One sentence: what changed, or that nothing did by more than the limit, or why the nights were not compared.
pub fn change_statement(change: &ChangeRecord) -> String {
    if let Some(because) = &change.not_compared_because {
        return format!("The structure was not compared: {}.", because.trim_end_matches('.'));
    }
    if !change.features.is_empty() {
        let list: Vec<String> = change.features.iter().map(changed_feature_words).collect();
        return format!("Changed: {}.", list.join("; "));
    }
    let range = change
        .range_km
        .map(|[from, to]| format!(" between {} and {} from the nucleus", format_km(from), format_km(to)))
        .unwrap_or_default();
    match change.limit_contrast {
        Some(limit) => {
            let wide = change.limit_width_deg.map(|w| format!(" in a wedge {}° wide", fixed(w, 0))).unwrap_or_default();
            format!(
                "Nothing changed by more than {} of the coma{wide}{range}: such a change would have been found 9 times of 10.",
                format_percent(limit)
            )
        }
        None => format!("No change was found{range}; how small a one would have been found is not known."),
    }
}

/// The date of an instant.
fn day(utc: &str) -> &str {
    utc.split('T').next().unwrap_or(utc)
}

/// `A(0°)fρ within 10 000 km goes with r as r^(−2.4 ± 0.2) before perihelion (12 nights, 1.9 to 1.2 au)`.
fn fit_words(fit: &ActivityFit) -> String {
    let sign = if fit.slope < 0.0 { "−" } else { "+" };
    let [a, b] = fit.r_range_au;
    format!(
        "A(0°)fρ within {} in {} goes with the distance from the Sun as r to the power {sign}{} {} perihelion ({} nights, {} to {}{THIN_SPACE}au)",
        format_km(fit.aperture_km),
        fit.band,
        format_measured(fit.slope.abs(), fit.slope_err),
        if fit.side == "pre" { "before" } else { "after" },
        fit.n_nights,
        fixed(a.min(b), 2),
        fixed(a.max(b), 2)
    )
}

/// A few sentences: how many nights, what changed last, how the dust goes, outbursts, comparison that is fair.
pub fn season_summary(season: &SeasonRecord) -> String {
    let n = season.nights.len();
    let mut parts = Vec::new();
    match (season.nights.first(), season.nights.last()) {
        (Some(first), Some(last)) if n > 1 => parts.push(format!(
            "{}: {n} nights from {} to {}.",
            season.object,
            format_utc_long(&first.mid_utc),
            format_utc_long(&last.mid_utc)
        )),
        (Some(only), _) => parts.push(format!(
            "{}: one night, {}; what changed needs two.",
            season.object,
            format_utc_long(&only.mid_utc)
        )),
        _ => parts.push(format!("{}: no nights.", season.object)),
    }
    if let Some(change) = season.changes.last() {
        parts.push(format!(
            "From {} to {}: {}",
            day(&change.from_utc),
            day(&change.to_utc),
            lower_first(&change.statement)
        ));
    }
    parts.extend(season.activity.fits.iter().map(|f| format!("{}.", fit_words(f))));
    for o in &season.activity.outbursts {
        parts.push(format!(
            "By {} it was {}{THIN_SPACE}mag {} than the trend says (probability by chance {}){}.",
            day(&o.utc),
            format_measured(o.step_mag.abs(), o.step_err_mag),
            if o.step_mag < 0.0 { "brighter" } else { "fainter" },
            format_chance(o.false_alarm_probability),
            if o.or_bend { ", unless the trend itself bends there" } else { "" }
        ));
    }
    if let Some(rank) = &season.activity.rank {
        parts.push(format!(
            "Of {} comets that can fairly be compared at {}{THIN_SPACE}au it is number {} in A(0°)fρ.",
            rank.of,
            fixed(rank.r_au, 2),
            rank.rank
        ));
    }
    if season.nights.iter().any(|n| n.simulated) {
        parts.push("Simulated: the frames were made by a program.".to_string());
    }
    parts.join(" ")
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_lowercase().chain(chars).collect())
}

/// Two or three sentences on a night for people who know no astronomy: what is supported, what is not, what would settle it. Nothing
/// beyond the record's verdicts.
pub fn night_caption(night: &NightRecord) -> String {
    let when = format_utc_long(&night.mid_utc);
    let mut sentences = Vec::new();
    let simulated = if night.setup.simulated { "A simulated night, not a real comet. " } else { "" };
    let bright = headline_aperture(night)
        .and_then(|p| p.mag)
        .map(|m| format!(", shining like a star of magnitude {}", fixed(m, 1)));
    sentences.push(format!("{simulated}Comet {} on {when}{}.", night.object, bright.unwrap_or_default()));
    let of = |verdict: &str| -> Vec<String> {
        let own = night.morphology.features.iter().filter(|f| f.verdict == verdict);
        own.map(|f| format!("{} {} toward the {}", article(&f.kind), f.kind, compass_point(f.pa_deg))).collect()
    };
    let (supported, provisional, artefacts) = (of("supported"), of("provisional"), of("artefact"));
    if !night.morphology.analysed {
        sentences.push(
            "Whether its cloud of dust holds jets or other structure was not tested, so patterns in processed pictures prove nothing."
                .to_string(),
        );
        return sentences.join(" ");
    }
    let list = |items: &[String]| items.join(" and ");
    match supported.is_empty() {
        false => sentences.push(format!(
            "Beyond what blur, noise and the processing draw by themselves, the pictures support {}.",
            list(&supported)
        )),
        true => sentences.push(
            "Compared with pictures of a plain, featureless coma taken the same way, nothing more than blur and noise is supported in its \
             cloud of dust."
                .to_string(),
        ),
    }
    let mut open = Vec::new();
    if !provisional.is_empty() {
        open.push(format!(
            "{} may be there; another night, or one with sharper stars, would settle it",
            list(&provisional)
        ));
    }
    if !artefacts.is_empty() {
        open.push(format!("what looks like {} is made by the camera or the processing", list(&artefacts)));
    }
    if open.is_empty() && !supported.is_empty() {
        open.push("whether it stays, turns or fades takes further nights to say".to_string());
    } else if open.is_empty() {
        open.push(
            "fainter structure could hide under the noise: longer exposures or sharper stars would show it".to_string(),
        );
    }
    sentences.push(format!("{}.", upper_first(&open.join("; "))));
    sentences.join(" ")
}

/// What a reader might take from a season and may not: one sentence each, most important first.
pub fn season_cannot_say(season: &SeasonRecord) -> Vec<String> {
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

/// The same of a season: its last night, what changed, and what is not known.
pub fn season_caption(season: &SeasonRecord) -> String {
    let mut sentences = Vec::new();
    let simulated = if season.nights.iter().any(|n| n.simulated) { "Simulated nights, not a real comet. " } else { "" };
    if let (Some(first), Some(last)) = (season.nights.first(), season.nights.last()) {
        sentences.push(format!(
            "{simulated}Comet {}, {}.",
            season.object,
            match season.nights.len() {
                1 => format!("one night, {}", day(&first.mid_utc)),
                n => format!("{n} nights from {} to {}", day(&first.mid_utc), day(&last.mid_utc)),
            }
        ));
    }
    match season.changes.last() {
        Some(c) if c.not_compared_because.is_some() => {
            sentences.push("The last two nights' structure could not be compared.".to_string());
        }
        Some(c) if c.features.is_empty() => {
            let limit = c.limit_contrast.map(|l| format!("; one of over {} would most likely show", format_percent(l)));
            sentences.push(format!(
                "Since the night before, no change was found in its cloud of dust{}.",
                limit.unwrap_or_default()
            ));
        }
        Some(c) => {
            let list: Vec<String> = c
                .features
                .iter()
                .map(|f| {
                    let toward = compass_point(f.pa_deg);
                    match f.what.as_str() {
                        "new" => format!("a {} toward the {toward} is new", f.kind),
                        "moved" => format!("the {} toward the {toward} has turned", f.kind),
                        what => format!("the {} toward the {toward} is {what}", f.kind),
                    }
                })
                .collect();
            sentences.push(format!("Since the night before, {}.", list.join(" and ")));
        }
        None => sentences.push("One night cannot say what changes.".to_string()),
    }
    let rising = season.activity.outbursts.last();
    sentences.push(match rising {
        Some(o) if o.step_mag < 0.0 && o.or_bend => {
            format!("About {} it became brighter than before, suddenly or not: these nights do not tell.", day(&o.utc))
        }
        Some(o) if o.step_mag < 0.0 => {
            format!("About {} it brightened suddenly; further nights will show whether that fades.", day(&o.utc))
        }
        _ => "Whether what is seen turns with the nucleus, or will last, takes more nights to say.".to_string(),
    });
    sentences.join(" ")
}

fn upper_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// The nearest of eight points of the compass on the sky, north up and east left.
fn compass_point(pa_deg: f64) -> &'static str {
    const POINTS: [&str; 8] =
        ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
    POINTS[((pa_deg.rem_euclid(360.0) + 22.5) / 45.0) as usize % 8]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{OutburstRecord, SeasonNight};

    fn change(features: Vec<ChangedFeature>) -> ChangeRecord {
        ChangeRecord {
            from_utc: "2031-03-04T21:10:00.000Z".into(),
            to_utc: "2031-03-05T21:10:00.000Z".into(),
            statement: String::new(),
            limit_contrast: Some(0.0214),
            limit_width_deg: Some(25.0),
            features,
            smallest_probability: Some(0.4),
            range_km: Some([4_321.0, 48_765.0]),
            not_compared_because: None,
        }
    }

    fn feature(what: &str, amount: f64, amount_err: f64) -> ChangedFeature {
        ChangedFeature {
            what: what.into(),
            kind: "jet".into(),
            pa_deg: 271.34,
            pa_err_deg: 1.2,
            amount,
            amount_err,
            probability: 2e-5,
        }
    }

    #[test]
    fn statements_say_what_changed_or_how_little_could_have() {
        let none = change_statement(&change(Vec::new()));
        assert!(none.starts_with("Nothing changed by more than 2.1\u{202f}% of the coma"), "{none}");
        assert!(none.contains("between 4300\u{202f}km and 49\u{202f}000\u{202f}km"), "{none}");
        let new = change_statement(&change(vec![feature("new", 0.06, 0.01)]));
        assert!(new.contains("a new jet at PA 271.3° ± 1.2°"), "{new}");
        assert!(new.contains("2 × 10⁻⁵"), "{new}");
        let moved = change_statement(&change(vec![feature("moved", -12.0, 1.5)]));
        assert!(moved.contains("moved by 12.0 ± 1.5° north through west"), "{moved}");
        let not = ChangeRecord { not_compared_because: Some("no sub-stacks.".into()), ..change(Vec::new()) };
        assert_eq!(change_statement(&not), "The structure was not compared: no sub-stacks.");
    }

    fn night(day: u32) -> SeasonNight {
        SeasonNight {
            mid_utc: format!("2031-03-0{day}T21:10:00.000Z"),
            site: "Larkhill Ridge".into(),
            band: Some("r".into()),
            r_au: 1.4,
            side: Some("pre".into()),
            delta_au: 0.9,
            phase_deg: 41.0,
            sunward_pa_deg: 95.0,
            antisolar_pa_deg: 275.0,
            negative_velocity_pa_deg: 250.0,
            km_per_arcsec: 650.0,
            fwhm_arcsec: Some(2.8),
            telescope: None,
            exposure_s: 1200.0,
            n_frames: 20,
            folder: None,
            simulated: false,
        }
    }

    fn season(n_nights: u32, changes: Vec<ChangeRecord>) -> SeasonRecord {
        SeasonRecord {
            schema: crate::SEASON_SCHEMA.into(),
            object: "C/2031 Z2".into(),
            nights: (1..=n_nights).map(night).collect(),
            changes,
            tracks: Vec::new(),
            activity: Default::default(),
            period_searches: Vec::new(),
            expansions: Vec::new(),
            notes: Vec::new(),
            provenance: crate::Provenance {
                program: "fanlight".into(),
                command: String::new(),
                inputs: Vec::new(),
                methods: Vec::new(),
            },
            summary: String::new(),
        }
    }

    /// Nothing is said that the record does not hold: no change found is not no change, and a step that a bend explains as well is not
    /// sudden.
    #[test]
    fn captions_do_not_go_beyond_the_record() {
        let quiet = season_caption(&season(2, vec![change(Vec::new())]));
        assert!(quiet.starts_with("Comet C/2031 Z2, 2 nights from"), "{quiet}");
        assert!(
            quiet
                .contains("no change was found in its cloud of dust; one of over 2.1\u{202f}% would most likely show."),
            "{quiet}"
        );
        let unlimited = ChangeRecord { limit_contrast: None, ..change(Vec::new()) };
        let unlimited = season_caption(&season(2, vec![unlimited]));
        assert!(unlimited.contains("no change was found in its cloud of dust."), "{unlimited}");
        let new = season_caption(&season(2, vec![change(vec![feature("new", 0.06, 0.01)])]));
        assert!(new.contains("Since the night before, a jet toward the west is new."), "{new}");
        let one = season_caption(&season(1, Vec::new()));
        assert!(one.contains("one night, ") && one.contains("One night cannot say what changes."), "{one}");

        let mut risen = season(2, vec![change(Vec::new())]);
        risen.activity.outbursts.push(OutburstRecord {
            utc: "2031-03-02T21:10:00.000Z".into(),
            after_utc: None,
            step_mag: -0.7,
            step_err_mag: 0.1,
            false_alarm_probability: 1e-4,
            or_bend: false,
        });
        assert!(season_caption(&risen).contains("it brightened suddenly"));
        assert!(!season_summary(&risen).contains("bends"));
        risen.activity.outbursts[0].or_bend = true;
        let caption = season_caption(&risen);
        assert!(caption.contains("suddenly or not: these nights do not tell"), "{caption}");
        assert!(season_summary(&risen).contains("unless the trend itself bends there"));
    }

    #[test]
    fn what_a_season_cannot_say() {
        let of = |s: &SeasonRecord| season_cannot_say(s).join(" ");
        assert_eq!(of(&season(0, Vec::new())), "Anything: there is no night.");
        assert!(of(&season(1, Vec::new())).contains("there is only one night"));
        let two = of(&season(2, vec![change(Vec::new())]));
        assert!(
            !two.contains("could be compared") && two.contains("after perihelion: all nights are before it"),
            "{two}"
        );
        let blind = ChangeRecord { not_compared_because: Some("no sub-stacks.".into()), ..change(Vec::new()) };
        assert!(of(&season(2, vec![blind])).contains("no two nights could be compared"));
    }

    #[test]
    fn points_of_the_compass() {
        for (pa, point) in
            [(0.0, "north"), (22.4, "north"), (22.6, "north-east"), (90.0, "east"), (359.0, "north"), (270.0, "west")]
        {
            assert_eq!(compass_point(pa), point, "{pa}");
        }
    }
}
