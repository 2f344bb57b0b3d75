//! Section "The nights in numbers": geometry, site, band and exposure of every night.

use super::super::or_dash;
use fanlight_record::sentences::{fixed, format_round, format_utc};
use fanlight_record::{SeasonNight, SeasonRecord};
use maud::{Markup, html};

pub(super) fn nights(season: &SeasonRecord) -> Markup {
    html! {
        @if season.nights.is_empty() {
            p.measure { "There is no night." }
        } @else {
            div.scroll.wide tabindex="0" role="region" aria-label="Table of nights" {
                table {
                    caption { "The middle of each night, where the comet stood, and what was used. PA: toward the Sun, and against the orbital motion" }
                    thead { tr {
                        th scope="col" { "Middle, UTC" } th scope="col" { "Site" } th scope="col" { "Telescope" } th scope="col" { "Band" }
                        th.n scope="col" { "From the Sun, au" } th scope="col" { "Side" } th.n scope="col" { "From the observer, au" }
                        th.n scope="col" { "Phase, °" } th.n scope="col" { "PA Sun, °" } th.n scope="col" { "PA −v, °" } th.n scope="col" { "km/″" }
                        th.n scope="col" { "Star width, ″" } th.n scope="col" { "Frames" } th.n scope="col" { "Exposure, min" } th scope="col" { "Folder" }
                    } }
                    tbody { @for night in &season.nights { (row(night)) } }
                }
            }
        }
    }
}

fn row(n: &SeasonNight) -> Markup {
    let side = match n.side.as_deref() {
        Some("pre") => "before",
        Some("post") => "after",
        _ => "–",
    };
    html! {
        tr {
            th scope="row" { (format_utc(&n.mid_utc).replace(" UTC", "")) @if n.simulated { " (simulated)" } }
            td { (n.site) }
            td { (or_dash(n.telescope.clone())) }
            td { (or_dash(n.band.clone())) }
            td.n { (fixed(n.r_au, 4)) }
            td { (side) }
            td.n { (fixed(n.delta_au, 4)) }
            td.n { (fixed(n.phase_deg, 1)) }
            td.n { (fixed(n.sunward_pa_deg, 1)) }
            td.n { (fixed(n.negative_velocity_pa_deg, 1)) }
            td.n { (fixed(n.km_per_arcsec, 1)) }
            td.n { (or_dash(n.fwhm_arcsec.map(|f| fixed(f, 1)))) }
            td.n { (n.n_frames) }
            td.n { (format_round(n.exposure_s / 60.0, 3)) }
            td { (or_dash(n.folder.clone())) }
        }
    }
}
