//! Of section "Brightness and dust": what can stand beside other nights and comets, how the coma falls outward, and parts of it.

use super::{mag_with_error, or_dash, with_error};
use fanlight_record::sentences::{THIN_SPACE, fixed, format_measured, format_round, format_value};
use fanlight_record::{
    ColourRecord, DustRecord, ExtinctionRecord, NightRecord, ProfileShapeRecord, SectorRecord, SlopeRecord,
    TotalMagnitudeRecord,
};
use maud::{Markup, html};

/// Dust at 10 000 km, the whole coma's light and the colour.
pub(super) fn comparable(night: &NightRecord) -> Markup {
    html! {
        @if let Some(dust) = &night.dust { (at_reference(night, dust)) }
        @if let Some(total) = &night.total_magnitude { (whole_coma(total)) }
        @if let Some(colour) = &night.colour { (colour_words(colour)) }
    }
}

fn at_reference(night: &NightRecord, dust: &DustRecord) -> Markup {
    html! {
        p.measure {
            strong { "To stand beside other comets: " }
            @match dust.afrho_cm {
                Some(afrho) => {
                    "within ρ = " (fixed(dust.aperture_km, 0)) (THIN_SPACE) "km A(θ)fρ is "
                    (with_error(afrho, dust.afrho_err_cm, "cm"))
                    @if let (Some(at_zero), Some(p)) = (dust.a0frho_cm, &night.phase_function) {
                        " and A(0°)fρ " (with_error(at_zero, dust.a0frho_err_cm, "cm"))
                        @if let Some(choice) = dust.a0frho_choice_err_cm {
                            ", with ±" (THIN_SPACE) (format_value(choice, 2)) (THIN_SPACE) "cm more for the choice of the phase function"
                        }
                        " (" (p.name) "; " (p.source) ")"
                    }
                    "."
                },
                None => {
                    "Afρ within " (fixed(dust.aperture_km, 0)) (THIN_SPACE) "km was not measured"
                    @if let Some(reason) = &dust.not_measured_because { ": " (reason) } "."
                },
            }
        }
        @if let (Some(area), Some(p)) = (dust.cross_section_km2, &dust.production) {
            p.measure {
                "As orders of magnitude only: the grains in that circle cover about " (format_value(area, 1)) (THIN_SPACE) "km² and leave it at about "
                (format_value(p.kg_per_s, 1)) (THIN_SPACE) "kg/s, anything from " (format_value(p.range_kg_per_s[0], 1)) " to "
                (format_value(p.range_kg_per_s[1], 1)) (THIN_SPACE) "kg/s. Assumed: grains of " (format_round(p.grain_radius_um, 2)) (THIN_SPACE)
                "µm radius, " (fixed(p.grain_density_kg_m3, 0)) (THIN_SPACE) "kg/m³, a speed of " (fixed(p.grain_speed_m_s, 0)) (THIN_SPACE)
                "m/s and a geometric albedo of " (format_round(p.geometric_albedo, 2)) ". Most mass may be in large grains that scatter little light."
            }
        }
    }
}

fn whole_coma(t: &TotalMagnitudeRecord) -> Markup {
    let measured = html! {
        (mag_with_error(t.measured_mag, Some(t.measured_mag_err))) " within " (fixed(t.measured_radius_km, -2)) (THIN_SPACE) "km"
    };
    html! {
        p.measure {
            strong { "The whole coma: " }
            @match (t.mag, t.mag_err, t.radius_km, t.extrapolated) {
                (Some(mag), Some(err), Some(radius), Some(share)) => {
                    "magnitude " (mag_with_error(mag, Some(err))) " inside the isophote of " (fixed(t.isophote_mag_arcsec2, 1)) (THIN_SPACE)
                    "mag/arcsec², which is " (fixed(radius, -2)) (THIN_SPACE) "km from the centre. "
                    @if share > 0.0 {
                        (fixed(100.0 * share, 0)) (THIN_SPACE) "% of that light lies beyond what was measured and follows from the slope of the outer coma. Measured: "
                        (measured) "."
                    } @else {
                        "All of it was measured."
                    }
                },
                _ => {
                    "no total magnitude can be given"
                    @if let Some(reason) = &t.not_given_because { ": " (reason) } ". It is brighter than magnitude " (measured) "."
                },
            }
        }
    }
}

fn colour_words(c: &ColourRecord) -> Markup {
    html! {
        p.measure {
            strong { "Colour: " }
            (c.blue) " − " (c.red) " = " (mag_with_error(c.colour_mag, Some(c.colour_err_mag))) (THIN_SPACE) "mag within "
            (fixed(c.aperture_km, 0)) (THIN_SPACE) "km (the Sun: " (fixed(c.solar_colour_mag, 2)) "). The dust's reflectivity changes by S′ = "
            (format_measured(c.slope_percent_per_1000a, c.slope_err_percent_per_1000a)) (THIN_SPACE) "% per 1000" (THIN_SPACE)
            "Å: " @if c.slope_percent_per_1000a > 2.0 * c.slope_err_percent_per_1000a { "it is redder than sunlight." }
            @else if c.slope_percent_per_1000a < -2.0 * c.slope_err_percent_per_1000a { "it is bluer than sunlight, or gas shines in the bluer band." }
            @else { "no difference from sunlight is shown." }
        }
        @if c.apertures.len() > 1 { (colour_table(c)) }
    }
}

fn colour_table(c: &ColourRecord) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of colours" {
            table {
                caption { "Colour and S′ in every aperture that both bands have. The zero points make most of the errors (1σ), and are the same in all: colours differ by less than their errors say." }
                thead { tr { th.n scope="col" { "ρ, km" } th.n scope="col" { (c.blue) " − " (c.red) ", mag" } th.n scope="col" { "S′, % per 1000" (THIN_SPACE) "Å" } } }
                tbody {
                    @for a in &c.apertures {
                        tr {
                            th.n scope="row" { (fixed(a.aperture_km, 0)) }
                            td.n { (mag_with_error(a.colour_mag, Some(a.colour_err_mag))) }
                            td.n { (format_measured(a.slope_percent_per_1000a, a.slope_err_percent_per_1000a)) }
                        }
                    }
                }
            }
        }
    }
}

/// How steeply the coma falls, range by range.
pub(super) fn slopes(shape: &ProfileShapeRecord) -> Markup {
    let row = |name: &str, s: &SlopeRecord| {
        html! {
            tr {
                th scope="row" { (name) }
                td.n { (fixed(s.inner_arcsec, 1)) " to " (fixed(s.outer_arcsec, 1)) }
                td.n { (fixed(s.inner_km, -1)) " to " (fixed(s.outer_km, -1)) }
                td.n { (format_measured(s.slope, s.slope_err)) }
            }
        }
    };
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of the coma's slopes" {
            table {
                caption { "How the coma falls outward: γ of a brightness that goes as ρ" sup { "−γ" } ". 1 is dust in free outflow, 1.5 where sunlight has turned it back. Errors are 1σ, that of the sky included." }
                thead { tr { th scope="col" { "Range" } th.n scope="col" { "ρ, ″" } th.n scope="col" { "ρ, km" } th.n scope="col" { "γ" } } }
                tbody {
                    @for (i, s) in shape.ranges.iter().enumerate() { (row(&(i + 1).to_string(), s)) }
                    (row("all", &shape.whole))
                }
            }
        }
        p.measure {
            @if shape.sigmas_from_one.abs() < 3.0 { "Over all of it the slope is that of 1/ρ within its errors: Afρ is much the same in every aperture. " }
            @else { "Over all of it the slope is " (fixed(shape.sigmas_from_one.abs(), 0)) " errors " @if shape.sigmas_from_one > 0.0 { "steeper" } @else { "flatter" } " than 1/ρ: Afρ depends on the aperture. " }
            @match &shape.steepening {
                Some(s) => {
                    "It steepens at about " (fixed(s.radius_km, -2)) (THIN_SPACE) "km (between " (fixed(s.range_km[0], -2)) " and " (fixed(s.range_km[1], -2))
                    (THIN_SPACE) "km), from γ = " (format_measured(s.inner_slope.value, s.inner_slope.err)) " to "
                    (format_measured(s.outer_slope.value, s.outer_slope.err)) "."
                },
                None => { "No radius at which it steepens is shown: one slope fits as well as two." },
            }
        }
    }
}

/// Light of rings and sectors.
pub(super) fn sectors(sectors: &[SectorRecord]) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table of rings and sectors" {
            table {
                caption { "Light in rings and sectors about the centre. Excess: what a sector has more than its ring's mean. Errors are 1σ; the zero point's is in the magnitude's, only noise in the excess's." }
                thead { tr {
                    th scope="col" { "Where" } th.n scope="col" { "PA" } th.n scope="col" { "Width" } th.n scope="col" { "ρ, km" }
                    th.n scope="col" { "Magnitude" } th.n scope="col" { "mag/arcsec²" } th.n scope="col" { "Excess" }
                } }
                tbody {
                    @for s in sectors {
                        tr {
                            th scope="row" { (s.name) }
                            td.n { (or_dash(s.pa_deg.map(|pa| format!("{}°", fixed(pa, 1))))) }
                            td.n { (fixed(s.width_deg, 1)) "°" }
                            td.n { (fixed(s.inner_km, -1)) " to " (fixed(s.outer_km, -1)) }
                            td.n { (or_dash(s.mag.map(|m| mag_with_error(m, s.mag_err)).or(s.limit_3sigma_mag.map(|l| format!("fainter than {}", fixed(l, 2)))))) }
                            td.n { (or_dash(s.mag_per_arcsec2.map(|m| fixed(m, 2)))) }
                            td.n { (or_dash(s.excess.zip(s.excess_err).map(|(e, err)| format!("{}{THIN_SPACE}%", format_measured(100.0 * e, 100.0 * err))))) }
                        }
                    }
                }
            }
        }
    }
}

/// The night's extinction, or why there is none.
pub(super) fn extinction(e: &ExtinctionRecord) -> Markup {
    let range = format!("{} to {}", fixed(e.airmass[0], 2), fixed(e.airmass[1], 2));
    html! {
        p.measure {
            @match (e.mag_per_airmass, e.mag_per_airmass_err, e.is_photometric) {
                (Some(k), err, _) => {
                    "Over airmasses of " (range) " the zero points of " (e.n_frames) " frames fall by " (with_error(k, err, "mag")) " per airmass and scatter about that line by "
                    (fixed(e.scatter_mag, 3)) (THIN_SPACE) "mag: a clear night."
                },
                (None, _, true) => {
                    "Airmasses of " (range) " span too little to tell the extinction; the frames' zero points scatter by " (fixed(e.scatter_mag, 3)) (THIN_SPACE) "mag."
                },
                _ => {
                    "The frames' zero points scatter by " (fixed(e.scatter_mag, 3)) (THIN_SPACE) "mag: not a clear night. Each frame is tied by its own stars; no extinction is given."
                },
            }
        }
    }
}
