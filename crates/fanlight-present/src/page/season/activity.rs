//! Section "Dust and light": A(0°)fρ and magnitudes over the season, power laws, outbursts, other comets.

use super::super::{mag_with_error, or_dash, or_sentence, with_error};
use super::count;
use crate::Figure;
use crate::season::side_words;
use fanlight_record::sentences::{THIN_SPACE, fixed, format_chance, format_measured, format_utc, format_utc_long};
use fanlight_record::{ActivityFit, ActivityRecord, ComparisonRecord, OutburstRecord, SeasonRecord};
use maud::{Markup, html};

pub(super) fn activity(season: &SeasonRecord, figures: &[Figure]) -> Markup {
    let record = &season.activity;
    html! {
            (or_sentence(figures, "activity", "plot", "No night has a value of A(0°)fρ: there is nothing to plot against the distance from the Sun."))
            (or_sentence(figures, "light-curve", "plot", "No night has a magnitude: there is no light curve."))
        h3 { "With the distance from the Sun" }
        @if record.fits.is_empty() {
            p.measure { "No power law was fitted: on neither side of perihelion are there nights enough at different distances." }
        } @else {
            (fits(&record.fits))
        }
        @if let Some(a) = &record.asymmetry {
            p.measure {
                "The slope after perihelion less that before is " (format_measured(a.slope_difference, a.slope_difference_err)) "."
                @if let (Some(ratio), Some(r)) = (a.ratio, a.r_au) {
                    " At " (fixed(r, 2)) (THIN_SPACE) "au the comet was " (with_error(ratio, a.ratio_err, "")) " times as dusty after perihelion as before."
                }
            }
        }
        h3 { "Outbursts" }
        @if record.outbursts.is_empty() {
            p.measure { "No step against the trend is supported." }
        } @else {
            ul.plain.measure { @for o in &record.outbursts { li { (outburst(o)) } } }
        }
        h3 { "Beside other comets" }
        @if record.comparison.is_empty() {
            p.measure { "No other comet has published values at these distances from the Sun, or none was given." }
        } @else {
            (comparison(&record.comparison))
        }
        @if let Some(rank) = &record.rank {
            p.measure {
                "Among the " (count(rank.of, "comet")) " that can be compared at " (fixed(rank.r_au, 2)) (THIN_SPACE) "au, this one is number "
                (rank.rank) ", the dustiest first. A rank among a few published comets says nothing about comets in general."
            }
        }
        @if !record.points.is_empty() { (points(record)) }
    }
}

fn fits(fits: &[ActivityFit]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of power laws" {
            table {
                caption {
                    "A(0°)fρ as a power of the distance from the Sun. Scatter: of the nights beyond their errors. The value at 1" (THIN_SPACE)
                    "au is the fit's; in brackets where 1" (THIN_SPACE) "au lies outside the distances that were seen"
                }
                thead { tr {
                    th scope="col" { "Side" } th scope="col" { "Band" } th.n scope="col" { "Aperture, km" } th.n scope="col" { "Slope" }
                    th.n scope="col" { "At 1 au, cm" } th.n scope="col" { "Scatter, dex" } th.n scope="col" { "Nights" } th.n scope="col" { "Distances, au" }
                } }
                tbody { @for f in fits {
                    tr {
                        th scope="row" { (side_words(Some(&f.side))) }
                        td { (f.band) }
                        td.n { (fixed(f.aperture_km, 0)) }
                        td.n { (format_measured(f.slope, f.slope_err)) }
                        td.n { (at_1au(f)) }
                        td.n { (fixed(f.scatter_dex, 3)) }
                        td.n { (f.n_nights) }
                        td.n { (fixed(f.r_range_au[0], 3)) "–" (fixed(f.r_range_au[1], 3)) }
                    }
                } }
            }
        }
    }
}

fn at_1au(f: &ActivityFit) -> String {
    let value = format_measured(f.afrho_1au_cm, f.afrho_1au_err_cm);
    let seen = (f.r_range_au[0]..=f.r_range_au[1]).contains(&1.0);
    if seen { value } else { format!("({value})") }
}

fn outburst(o: &OutburstRecord) -> Markup {
    html! {
        (format_utc_long(&o.utc)) ": " (mag_with_error(o.step_mag, Some(o.step_err_mag))) " against the trend"
        @if let Some(after) = &o.after_utc { ", after the night of " (format_utc_long(after)) }
        "; false-alarm probability " (format_chance(o.false_alarm_probability)) "."
        @if o.or_bend { " A trend that bends there explains the nights nearly as well: it may be no outburst." }
    }
}

fn comparison(others: &[ComparisonRecord]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of other comets" {
            table {
                caption { "Ratio: this comet's Afρ over the other's at the same distances. Only a fair comparison may stand in a sentence" }
                thead { tr {
                    th scope="col" { "Comet" } th.n scope="col" { "Distances, au" } th.n scope="col" { "Ratio" } th.n scope="col" { "Its slope" }
                    th scope="col" { "Fair" } th scope="col" { "What makes it unfair" } th scope="col" { "Source" }
                } }
                tbody { @for c in others {
                    tr class=[(!c.fair).then_some("out")] {
                        th scope="row" { (c.comet) }
                        td.n { (or_dash(c.r_range_au.map(|[a, b]| format!("{}–{}", fixed(a, 2), fixed(b, 2))))) }
                        td.n { (or_dash(c.ratio.map(|r| with_error(r, c.ratio_err, "")))) }
                        td.n { (or_dash(c.slope.map(|s| with_error(s, c.slope_err, "")))) }
                        td { (if c.fair { "yes" } else { "no" }) }
                        td { (if c.caveats.is_empty() { "–".to_string() } else { c.caveats.join("; ") }) }
                        td { (c.source) }
                    }
                } }
            }
        }
    }
}

fn points(record: &ActivityRecord) -> Markup {
    html! {
        details {
            summary { "Every night and aperture (" (record.points.len()) ")" }
            div.scroll.wide tabindex="0" role="region" aria-label="Table of nights and apertures" {
                table {
                    caption { "A(0°)fρ and magnitude in every aperture" }
                    thead { tr {
                        th scope="col" { "Night" } th scope="col" { "Site" } th scope="col" { "Band" } th.n scope="col" { "From the Sun, au" }
                        th.n scope="col" { "Aperture, km" } th.n scope="col" { "A(0°)fρ, cm" } th.n scope="col" { "Magnitude" } th scope="col" { "In the fits" }
                    } }
                    tbody { @for p in &record.points {
                        tr {
                            th scope="row" { (format_utc(&p.utc)) }
                            td { (p.site) }
                            td { (p.band) }
                            td.n { (fixed(p.r_au, 4)) }
                            td.n { (fixed(p.aperture_km, 0)) }
                            td.n { (or_dash(p.a0frho_cm.map(|v| with_error(v, p.a0frho_err_cm, "")))) }
                            td.n { (or_dash(p.mag.map(|m| mag_with_error(m, p.mag_err)))) }
                            td { (if p.in_fit { "yes" } else { "no" }) }
                        }
                    } }
                }
            }
        }
    }
}
