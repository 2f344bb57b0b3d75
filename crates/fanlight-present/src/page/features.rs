//! Section "Features": what stands out from the twin, how it was challenged, and what would have been seen.

use super::or_dash;
use fanlight_record::sentences::{
    THIN_SPACE, condensation_words, feature_name, fixed, format_chance, format_measured, format_pa, format_percent,
    format_round, format_value, limit_sentence, quoted_limit, search_words, twin_words, what_it_may_be,
};
use fanlight_record::{ChallengeRecord, DetectionLimit, FeatureRecord, NightRecord};
use maud::{Markup, html};

/// Features and artefacts with their challenges, limits, and how good the twin is.
pub(super) fn features(night: &NightRecord) -> Markup {
    let m = &night.morphology;
    if !m.analysed {
        return html! {
            p.measure {
                strong { "Structure was not analysed. " }
                @if let Some(because) = &m.not_analysed_because { (because) " " }
                "No search was made, no featureless twin was built and no limit was measured, so this page neither \
                 reports nor rules out jets, fans or other features."
            }
        };
    }
    html! {
        @for c in &m.condensations { p.measure { (condensation_words(c)) " It was taken out before features were looked for." } }
        @if m.features.is_empty() {
            p.measure { "Structure was analysed and no feature was found." }
        } @else {
            (overview(&m.features))
            p.measure {
                "A feature counts as supported when chance alone would hardly make it and no fault of the imaging that was \
                 tested explains it; as provisional when something is missing for that. Artefacts are listed because a \
                 hurried eye would have announced them. Light of gas or of an ion tail in the band looks the same as dust."
            }
            @for (i, f) in m.features.iter().enumerate() { (one(i + 1, f, night)) }
        }
        (limits(night))
        @if m.twin.is_some() || m.search.is_some() {
            h3 { "What it was held against" }
            @if let Some(twin) = &m.twin { p.measure { (twin_words(twin)) } }
            @if let Some(search) = &m.search { p.measure { (search_words(search)) } }
        }
    }
}

/// One line a feature.
fn overview(found: &[FeatureRecord]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of features" {
            table {
                caption {
                    "Features and artefacts, numbered as in the figures. PA: at the inner end; from sunward: PA less that of the Sun; \
                     width: full width at half maximum; contrast: own light over the mean of the coma at that distance"
                }
                thead {
                    tr {
                        th.n scope="col" { "No." }
                        th scope="col" { "Kind" }
                        @for head in ["PA", "From sunward, °", "Width, °", "Extent, ″", "Extent, km", "Contrast, %", "False-alarm probability"] {
                            th.n scope="col" { (head) }
                        }
                        th scope="col" { "Verdict" }
                    }
                }
                tbody { @for (i, f) in found.iter().enumerate() { (row(i + 1, f)) } }
            }
        }
    }
}

fn row(number: usize, f: &FeatureRecord) -> Markup {
    html! {
        tr class=[(f.verdict == "artefact").then_some("out")] {
            td.n { (number) }
            th scope="row" { (f.kind) }
            td.n { (format_pa(f.pa_deg, f.pa_err_deg)) }
            td.n { (signed(f.offset_from_sunward_deg)) }
            td.n { (f.width_err_deg.map_or_else(|| fixed(f.width_deg, 0), |e| format_measured(f.width_deg, e))) }
            td.n { (fixed(f.inner_arcsec, 1)) "–" (fixed(f.outer_arcsec, 1)) }
            td.n { (round_km(f.inner_km)) "–" (round_km(f.outer_km)) }
            td.n { (format_measured(100.0 * f.contrast, 100.0 * f.contrast_err)) }
            td.n { (format_chance(f.false_alarm_probability)) }
            td { (words(&f.verdict)) }
        }
    }
}

/// A feature, what it may be, and its challenges.
fn one(number: usize, f: &FeatureRecord, night: &NightRecord) -> Markup {
    let title = format!("{number}: {}, {}", feature_name(f), words(&f.verdict));
    html! {
        h3 { (title) }
        p.measure {
            @if let Some(because) = &f.because { (because) " " }
            (standing(f))
        }
        @if let Some(may_be) = what_it_may_be(f, &night.geometry) { p.measure { strong { "What it may be. " } (may_be) } }
        @if !f.challenges.is_empty() {
            div.scroll tabindex="0" role="region" aria-label={ "Challenges to feature " (number) } {
                table {
                    caption { "Challenges to feature " (number) }
                    thead { tr {
                        th scope="col" { "Challenge" } th scope="col" { "Outcome" } th.n scope="col" { "Number" } th.n scope="col" { "Threshold" }
                        th scope="col" { "In words" }
                    } }
                    tbody { @for c in &f.challenges { (challenge(c)) } }
                }
            }
        }
    }
}

fn challenge(c: &ChallengeRecord) -> Markup {
    // that of the noise is a probability
    let number = |v: f64| if c.name == "noise" { format_chance(v) } else { format_round(v, 3) };
    html! {
        tr class=[(c.outcome == "failed").then_some("out")] {
            th scope="row" { (c.name) }
            td { (words(&c.outcome)) }
            td.n { (or_dash(c.statistic.map(number))) }
            td.n { (or_dash(c.threshold.map(number))) }
            td { (c.explanation) }
        }
    }
}

/// Significance, intrinsic contrast, and how many challenges were passed.
fn standing(f: &FeatureRecord) -> String {
    let of = |outcome: &str| -> Vec<&str> {
        f.challenges.iter().filter(|c| c.outcome == outcome).map(|c| c.name.as_str()).collect()
    };
    let mut out = Vec::new();
    if let Some(z) = f.significance {
        out.push(format!(
            "Its light is {} times its error, with what centre, star images and sky could have made taken out.",
            fixed(z, 1)
        ));
    }
    if let Some(contrast) = f.contrast_intrinsic {
        out.push(format!("Before blurring its contrast was about {} by the fitted model.", format_percent(contrast)));
    }
    if !f.challenges.is_empty() {
        let mut text = format!("It passed {} of {} challenges", of("passed").len(), f.challenges.len());
        for (outcome, name) in [("failed", "failed"), ("not_tested", "not tested")] {
            let names = of(outcome);
            if !names.is_empty() {
                text.push_str(&format!("; {name}: {}", names.join(", ")));
            }
        }
        out.push(format!("{text}."));
    }
    out.join(" ")
}

/// What would have been seen.
fn limits(night: &NightRecord) -> Markup {
    let limits = &night.morphology.detection_limit;
    let mut shares: Vec<f64> = limits.iter().map(|l| l.recovered_fraction).collect();
    shares.sort_by(f64::total_cmp);
    shares.dedup();
    let shape = |l: &DetectionLimit| (l.width_deg, l.inner_arcsec, l.outer_arcsec);
    let mut shapes: Vec<(f64, f64, f64)> = Vec::new();
    for l in limits {
        if !shapes.contains(&shape(l)) {
            shapes.push(shape(l));
        }
    }
    let contrast = |s: &(f64, f64, f64), share: f64| {
        limits.iter().find(|l| shape(l) == *s && l.recovered_fraction == share).map(|l| fixed(100.0 * l.contrast, 1))
    };
    let stands = |f: &FeatureRecord| f.verdict == "supported" || f.verdict == "provisional";
    let article = if night.morphology.features.iter().any(stands) { "Another" } else { "A" };
    html! {
        h3 { "What would have been seen" }
        @if limits.is_empty() {
            p.measure { "No limit was measured: how faint a feature could have been missed is not known." }
        } @else {
            @if let Some(limit) = quoted_limit(limits) { p.measure { (limit_sentence(limit, article)) } }
            div.scroll tabindex="0" role="region" aria-label="Table of detection limits" {
                table {
                    caption {
                        "Contrast of a jet that gets the verdict supported so often, in per cent of the coma, as seen: from injected jets"
                    }
                    thead { tr {
                        th.n scope="col" { "Width, °" } th.n scope="col" { "Extent, ″" }
                        @for share in &shares { th.n scope="col" { "Found " (fixed(100.0 * share, 0)) (THIN_SPACE) "% of the time" } }
                    } }
                    tbody {
                        @for s in &shapes {
                            tr {
                                th.n scope="row" { (fixed(s.0, 0)) }
                                td.n { (fixed(s.1, 0)) "–" (fixed(s.2, 0)) }
                                @for share in &shares { td.n { (or_dash(contrast(s, *share))) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn words(name: &str) -> String {
    name.replace('_', " ")
}

/// Whole degrees with their sign.
fn signed(degrees: f64) -> String {
    let text = fixed(degrees, 0);
    if degrees > 0.0 && text != "0" { format!("+{text}") } else { text }
}

/// To three digits: extents are no better known.
fn round_km(km: f64) -> String {
    format_value(km, 3)
}
