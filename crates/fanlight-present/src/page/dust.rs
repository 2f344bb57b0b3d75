//! Section "Brightness and dust": magnitudes, Afρ, where their errors come from, and the zero point.

use super::comparable::{comparable, extinction, sectors, slopes};
use super::{figure, mag_with_error, magnitude, or_dash, with_error};
use crate::Figure;
use fanlight_record::sentences::{
    EDGE_LOSS_TOLD, THIN_SPACE, fixed, format_value, headline_aperture, is_resolved, seeing_beyond_error,
};
use fanlight_record::{NightRecord, PhotometryRecord, ZeroPointRecord};
use maud::{Markup, html};

pub(super) fn dust(night: &NightRecord, figures: &[Figure]) -> Markup {
    html! {
        @if night.photometry.is_empty() {
            p.measure {
                strong { "Nothing was calibrated. " }
                "No magnitude and no Afρ can be given for this night; the notes in the summary say why."
            }
        } @else {
            (photometry_table(night))
            (comparable(night))
        }
        div.beside {
            (figure(figures, "growth", "plot"))
            div { @if !night.photometry.is_empty() { (phase_words(night)) } (assumptions(night)) }
        }
        @if !night.photometry.is_empty() { (error_table(night)) }
        @if let Some(shape) = &night.profile_shape { (slopes(shape)) }
        @if !night.sectors.is_empty() { (sectors(&night.sectors)) }
        div.beside {
            (figure(figures, "zero-point", "plot"))
            div {
                @if let Some(z) = &night.zero_point { (zero_point_words(z)) }
                @if let Some(e) = &night.extinction { (extinction(e)) }
            }
        }
    }
}

fn phase_words(night: &NightRecord) -> Markup {
    html! {
        p.measure {
            @match &night.phase_function {
                Some(p) => {
                    "A(0°)fρ is A(θ)fρ divided by φ(" (fixed(night.geometry.phase_deg, 1)) "°) = " (format_value(p.value, 3))
                    " (" (p.name) @if let Some([first, last]) = p.range_deg { ", for " (fixed(first, 0)) "° to " (fixed(last, 0)) "°" } ")."
                    @if let Some(choice) = p.choice_err {
                        " Other functions in use give values that differ from it by " (fixed(100.0 * choice, 0)) (THIN_SPACE)
                        "% at this angle (root mean square), which is not in the error."
                    }
                },
                None => { "No phase function was applied: values at zero phase angle are not given." },
            }
        }
    }
}

fn zero_point_words(z: &ZeroPointRecord) -> Markup {
    html! {
        p.measure {
            "The zero point of the stack in " (z.band) " is "
            (mag_with_error(z.stack_zero_point_mag, Some(z.stack_zero_point_err_mag))) " for 1" (THIN_SPACE) "e/s, from "
            (z.stars.iter().filter(|s| s.used).count()) " of " (z.stars.len()) " stars."
            @if let (Some(term), Some(colour)) = (z.colour_term, &z.colour) {
                " The colour term is " (fixed(term, 3)) " × (" (colour) ")"
                @if let Some(comet) = z.comet_colour_mag {
                    ", with " (colour) " = " (fixed(comet, 2)) (THIN_SPACE) "mag assumed for the comet"
                }
                "."
            }
        }
    }
}

fn assumptions(night: &NightRecord) -> Markup {
    let stack = &night.stack;
    html! {
        h3 { "What was assumed" }
        ul.plain.measure {
            li { "All light in the band is sunlight scattered by dust; gas is not subtracted." }
            li { "Apertures are circles about the optocentre, and their light is given as seen, without a correction for seeing." }
            @if night.zero_point.as_ref().is_some_and(|z| z.colour_term.is_none()) {
                li { "Comet and stars were taken to need no colour term." }
            }
            li {
                "The sky left in the stack, "
                (with_error(stack.residual_sky_e_per_s_arcsec2, Some(stack.residual_sky_err_e_per_s_arcsec2), "e/s/arcsec²"))
                " at the centre, was subtracted as " (if stack.sky_order == Some(2) { "a bent surface" } else { "a plane" }) "."
            }
        }
    }
}

fn photometry_table(night: &NightRecord) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of photometry" {
            table {
                caption { "Light and dust inside circles about the centre, ρ their radius at the comet; magnitudes in band " (night.photometry[0].band) ", as seen. Errors are 1σ." }
                thead { tr {
                    th.n scope="col" { "ρ, km" } th.n scope="col" { "ρ, ″" } th.n scope="col" { "Magnitude" } th.n scope="col" { "Afρ, cm" }
                    th.n scope="col" { "A(0°)fρ, cm" } th.n scope="col" { "Lost to seeing" } th.n scope="col" { "Filled pixels" }
                } }
                tbody {
                    @for p in &night.photometry {
                        tr {
                            th.n scope="row" { (fixed(p.aperture_km, 0)) @if !is_resolved(night, p) { "*" } }
                            td.n { (fixed(p.aperture_arcsec, 1)) }
                            td.n { (magnitude(p)) }
                            td.n { (or_dash(p.afrho_cm.map(|v| with_error(v, p.afrho_err_cm, "")))) }
                            td.n { (or_dash(p.a0frho_cm.map(|v| with_error(v, p.a0frho_err_cm, "")))) }
                            td.n { (or_dash(p.seeing_loss.map(|l| format!("{}{THIN_SPACE}%", fixed(100.0 * l, 1))))) }
                            td.n { (fixed(100.0 * p.filled_fraction, 1)) (THIN_SPACE) "%" }
                        }
                    }
                }
            }
        }
        @if night.photometry.iter().any(|p| !is_resolved(night, p)) {
            p.measure { "* The radius is under twice the width of a star image: more about the seeing than about the coma." }
        }
        @if let Some(losses) = edge_losses(night) {
            p.measure {
                "The coma reaches the edge of the part of the frames that was used: a sky read there would take " (losses) " of this \
                 light away. The sky was fitted under the coma instead; the error's sky term holds what that may get wrong."
            }
        }
        @if night.photometry.iter().any(|p| p.seeing_loss.is_some()) {
            p.measure {
                "Lost to seeing: the share of the coma's light that blurring takes out of the aperture, from the measured \
                 profile and star image. Magnitudes and Afρ are as seen, and neither they nor their errors hold it."
                @if let Some(loss) = headline_aperture(night).and_then(seeing_beyond_error) { " " (loss) }
            }
        }
    }
}

/// Per cent of the light in each aperture that a sky read at the edge would take; `None` where the coma does not reach it, or
/// takes little from all.
fn edge_losses(night: &NightRecord) -> Option<String> {
    let losses: Vec<f64> = night.photometry.iter().filter_map(|p| p.edge_sky_loss).collect();
    if losses.iter().all(|l| *l < EDGE_LOSS_TOLD) {
        return None;
    }
    let each: Vec<String> = losses.iter().map(|l| fixed(100.0 * l, 1)).collect();
    Some(format!("{}{THIN_SPACE}%", each.join(", ")))
}

fn error_table(night: &NightRecord) -> Markup {
    let mut names: Vec<&str> = Vec::new();
    for term in night.photometry.iter().flat_map(|p| &p.error_terms_mag) {
        if !names.contains(&term.name.as_str()) {
            names.push(&term.name);
        }
    }
    let size = |p: &PhotometryRecord, name: &str| p.error_terms_mag.iter().find(|t| t.name == name).map(|t| t.mag);
    let has_seeing = night.photometry.iter().any(|p| p.mag_err_with_seeing().is_some());
    let sum = if has_seeing { "the column Error" } else { "the last column" };
    html! {
        @if !names.is_empty() {
            div.scroll tabindex="0" role="region" aria-label="Table of error terms" {
                table {
                    caption {
                        "Where the error of each magnitude comes from, in mag; " (sum) " is their sum in quadrature as reported."
                        @if has_seeing {
                            " Magnitudes are of the light as seen. Held against light before blurring, by another's star images or a model, they are \
                             too faint by the term of the seeing, and the last column holds that too."
                        }
                    }
                    thead { tr {
                        th.n scope="col" { "ρ, km" }
                        @for name in &names { th.n scope="col" { (name) } }
                        th.n scope="col" { "Error" }
                        @if has_seeing { th.n scope="col" { "seeing (PSF)" } th.n scope="col" { "Error with seeing" } }
                    } }
                    tbody {
                        @for p in &night.photometry {
                            tr {
                                th.n scope="row" { (fixed(p.aperture_km, 0)) }
                                @for name in &names { td.n { (or_dash(size(p, name).map(|v| fixed(v, 4)))) } }
                                td.n { (or_dash(p.mag_err.map(|v| fixed(v, 4)))) }
                                @if has_seeing {
                                    td.n { (or_dash(p.seeing_mag().map(|v| fixed(v, 4)))) }
                                    td.n { (or_dash(p.mag_err_with_seeing().map(|v| fixed(v, 4)))) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}
