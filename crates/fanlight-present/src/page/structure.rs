//! Sections on the coma's structure: night and twin, the unrolled coma and its profiles.

use super::{figure, or_dash, or_sentence};
use crate::Figure;
use fanlight_record::NightRecord;
use fanlight_record::sentences::{fixed, format_measured, format_value};
use maud::{Markup, html};

/// Whether the night's featureless twin is among the figures.
pub(super) fn has_twin(figures: &[Figure]) -> bool {
    figures.iter().any(|f| f.name == "twin")
}

/// The night in pictures, beside its twin where there is one.
pub(super) fn pictures(figures: &[Figure]) -> Markup {
    let twin = has_twin(figures);
    html! {
        p.measure {
            "All pictures have north up and east left. The signs at the rim point from the comet toward the Sun, away from \
             it, and against its orbital motion."
            @if twin {
                " The featureless twin is the best-fitting coma without narrow structure, imaged exactly as this night was \
                 imaged. What night and twin both show is the instrument; what only the night shows is the comet."
            }
        }
        (figure(figures, "twin", "whole"))
        div.pictures {
            @for name in ["light", "isophotes", "inverted"] { (figure(figures, name, "picture")) }
            div {
                (figure(figures, "gradient", "picture"))
                @if !twin && figures.iter().any(|f| f.name == "gradient") {
                    div.warning role="note" {
                        p {
                            strong { "No evidence by itself. " }
                            "A rotational gradient also draws rays from a centre that is slightly off, from elongated star \
                             images and from leftover stars. Without a featureless twin beside it, imaged and filtered the \
                             same way, rays in it are no evidence of structure."
                        }
                    }
                }
            }
        }
    }
}

/// The coma unrolled and along rings, where structure was analysed; the radial profile.
pub(super) fn profile(night: &NightRecord, figures: &[Figure]) -> Markup {
    html! {
    @if has_twin(figures) {
        div.beside {
            (figure(figures, "unrolled", "plot"))
            (figure(figures, "azimuthal", "plot"))
        }
    }
    div.beside {
        (or_sentence(figures, "profile", "plot", "No ring of the profile shows light: there is nothing to plot."))
        @if !night.profile.is_empty() {
            details {
                summary { "The profile as a table (" (night.profile.len()) " rings)" }
                div.scroll tabindex="0" role="region" aria-label="Table of the profile" {
                    table {
                        caption { "Azimuthal mean of the good pixels of each ring, sky subtracted; light inside the ring's outer edge." }
                        thead { tr {
                            th.n scope="col" { "ρ, ″" } th.n scope="col" { "Ring, ″" } th.n scope="col" { "Brightness, e/s/arcsec²" }
                            th.n scope="col" { "mag/arcsec²" } th.n scope="col" { "Inside, e/s" }
                        } }
                        tbody {
                            @for r in &night.profile {
                                tr {
                                    th.n scope="row" { (fixed(r.rho_arcsec, 2)) }
                                    td.n { (fixed(r.inner_arcsec, 2)) "–" (fixed(r.outer_arcsec, 2)) }
                                    td.n { (format_measured(r.mean_e_per_s_arcsec2, r.err_e_per_s_arcsec2)) }
                                    td.n { (or_dash(r.mag_per_arcsec2.map(|m| fixed(m, 2)))) }
                                    td.n { (format_value(r.enclosed_e_per_s, 4)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
    }
}
