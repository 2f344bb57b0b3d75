//! Tables of the coma's light: growth with radius, rings and sectors, slopes, and what nights are compared by.

use super::{Column, Table, fill, integer, number, text, truth};
use crate::{ApertureColourRecord, ColourRecord, GrowthRecord, NightRecord, SectorRecord, SlopeRecord};

/// `growth`: light inside circles of growing radius.
pub(super) fn growth(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&GrowthRecord>> = vec![
        number(("radius_km", "km", "phys.size.radius", "Radius of the circle at the comet"), |_, g| Some(g.radius_km)),
        number(("radius_arcsec", "arcsec", "phys.angSize", "Radius of the circle on the sky"), |_, g| {
            Some(g.radius_arcsec)
        }),
        number(("light_e_per_s", "electron.s**-1", "phot.count", "Light inside"), |_, g| Some(g.light_e_per_s)),
        number(
            ("light_err_e_per_s", "electron.s**-1", "stat.error;phot.count", "Its error, without the zero point's"),
            |_, g| Some(g.light_err_e_per_s),
        ),
        number(("mag", "mag", "phot.mag;em.opt", "Magnitude"), |_, g| g.mag),
        number(("mag_err", "mag", "stat.error;phot.mag", "Its error, without the zero point's"), |_, g| g.mag_err),
        number(("afrho_cm", "cm", "phys.size", "A(theta)frho"), |_, g| g.afrho_cm),
        number(("afrho_err_cm", "cm", "stat.error;phys.size", "Its error, without the zero point's"), |_, g| {
            g.afrho_err_cm
        }),
    ];
    let rows = nights.iter().flat_map(|n| n.curve_of_growth.iter().map(move |g| (n, g)));
    fill("growth", "One row for each night and step of the curve of growth.", columns, rows)
}

/// `sectors`: light in rings and sectors.
pub(super) fn sectors(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&SectorRecord>> = vec![
        text(("name", "", "meta.id", "What it lies along"), |_, s| Some(s.name.clone())),
        number(("pa_deg", "deg", "pos.posAng", "Position angle of its middle; empty for a ring"), |_, s| s.pa_deg),
        number(("width_deg", "deg", "phys.angSize", "Full width in position angle"), |_, s| Some(s.width_deg)),
        number(("inner_km", "km", "pos.distance;stat.min", "Inner radius at the comet"), |_, s| Some(s.inner_km)),
        number(("outer_km", "km", "pos.distance;stat.max", "Outer radius at the comet"), |_, s| Some(s.outer_km)),
        number(("inner_arcsec", "arcsec", "pos.angDistance;stat.min", "Inner radius"), |_, s| Some(s.inner_arcsec)),
        number(("outer_arcsec", "arcsec", "pos.angDistance;stat.max", "Outer radius"), |_, s| Some(s.outer_arcsec)),
        number(("light_e_per_s", "electron.s**-1", "phot.count", "Light inside"), |_, s| Some(s.light_e_per_s)),
        number(
            ("light_err_e_per_s", "electron.s**-1", "stat.error;phot.count", "Its error, without the zero point's"),
            |_, s| Some(s.light_err_e_per_s),
        ),
        number(("mag", "mag", "phot.mag;em.opt", "Magnitude"), |_, s| s.mag),
        number(("mag_err", "mag", "stat.error;phot.mag", "Its error"), |_, s| s.mag_err),
        number(("limit_3sigma_mag", "mag", "phot.mag;stat.min", "Fainter than this, at 3 sigma"), |_, s| {
            s.limit_3sigma_mag
        }),
        number(("mag_per_arcsec2", "mag.arcsec**-2", "phot.mag.sb", "Mean surface brightness"), |_, s| {
            s.mag_per_arcsec2
        }),
        number(("excess", "", "phot.flux;arith.ratio", "Light over the share of its ring, less one"), |_, s| s.excess),
        number(("excess_err", "", "stat.error;phot.flux;arith.ratio", "Its error"), |_, s| s.excess_err),
        number(("filled_fraction", "", "stat.filling", "Share of the area that was masked and filled"), |_, s| {
            Some(s.filled_fraction)
        }),
    ];
    let rows = nights.iter().flat_map(|n| n.sectors.iter().map(move |s| (n, s)));
    fill("sectors", "One row for each night and ring or sector.", columns, rows)
}

/// `colours`: colour and reddening in every aperture that two bands have.
pub(super) fn colours(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<(&ColourRecord, &ApertureColourRecord)>> = vec![
        number(("aperture_km", "km", "phys.size.radius", "Radius of the aperture at the comet"), |_, (_, a)| {
            Some(a.aperture_km)
        }),
        text(("blue", "", "instr.bandpass", "Bluer band"), |_, (c, _)| Some(c.blue.clone())),
        text(("red", "", "instr.bandpass", "Redder band"), |_, (c, _)| Some(c.red.clone())),
        number(("colour_mag", "mag", "phot.color", "Magnitude difference, blue less red"), |_, (_, a)| {
            Some(a.colour_mag)
        }),
        number(("colour_err_mag", "mag", "stat.error;phot.color", "Its error, mostly common to all"), |_, (_, a)| {
            Some(a.colour_err_mag)
        }),
        number(
            (
                "slope_percent_per_1000a",
                "",
                "arith.grad;phys.albedo",
                "Reflectivity gradient, per cent per 1000 Angstrom",
            ),
            |_, (_, a)| Some(a.slope_percent_per_1000a),
        ),
        number(("slope_err_percent_per_1000a", "", "stat.error;phys.albedo", "Its error"), |_, (_, a)| {
            Some(a.slope_err_percent_per_1000a)
        }),
    ];
    let rows = nights.iter().flat_map(|n| {
        let colour = n.colour.iter();
        colour.flat_map(move |c| c.apertures.iter().map(move |a| (n, (c, a))))
    });
    fill("colours", "One row for each night and aperture in which two bands were measured.", columns, rows)
}

/// `slopes`: how the coma falls outward, range by range, then over all.
pub(super) fn slopes(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&SlopeRecord>> = vec![
        number(("inner_arcsec", "arcsec", "pos.angDistance;stat.min", "First radius used"), |_, s| {
            Some(s.inner_arcsec)
        }),
        number(("outer_arcsec", "arcsec", "pos.angDistance;stat.max", "Last radius used"), |_, s| Some(s.outer_arcsec)),
        number(("inner_km", "km", "pos.distance;stat.min", "First radius used, at the comet"), |_, s| Some(s.inner_km)),
        number(("outer_km", "km", "pos.distance;stat.max", "Last radius used, at the comet"), |_, s| Some(s.outer_km)),
        number(("slope", "", "stat.fit.param", "Brightness goes as radius to minus this"), |_, s| Some(s.slope)),
        number(("slope_err", "", "stat.error;stat.fit.param", "Its error"), |_, s| Some(s.slope_err)),
    ];
    let rows = nights.iter().flat_map(|n| {
        let shape = n.profile_shape.iter().flat_map(|s| s.ranges.iter().chain([&s.whole]));
        shape.map(move |s| (n, s))
    });
    fill("slopes", "One row for each night and range of radius, the last of a night over all of it.", columns, rows)
}

/// `dust`: what nights and comets are compared by.
pub(super) fn dust(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<()>> = vec![
        number(("r_au", "AU", "pos.distance;pos.heliocentric", "Distance from the Sun"), |n, _| Some(n.geometry.r_au)),
        number(("delta_au", "AU", "pos.distance", "Distance from the observer"), |n, _| Some(n.geometry.delta_au)),
        number(("phase_deg", "deg", "pos.phaseAng", "Angle Sun, comet, observer"), |n, _| Some(n.geometry.phase_deg)),
        text(("band", "", "instr.bandpass", "Catalogue band"), |n, _| n.zero_point.as_ref().map(|z| z.band.clone())),
        number(("aperture_km", "km", "phys.size.radius", "Radius of the aperture at the comet"), |n, _| {
            n.dust.as_ref().map(|d| d.aperture_km)
        }),
        number(("afrho_cm", "cm", "phys.size", "A(theta)frho"), |n, _| n.dust.as_ref()?.afrho_cm),
        number(("afrho_err_cm", "cm", "stat.error;phys.size", "Its error"), |n, _| n.dust.as_ref()?.afrho_err_cm),
        number(("a0frho_cm", "cm", "phys.size", "A(0)frho"), |n, _| n.dust.as_ref()?.a0frho_cm),
        number(
            ("a0frho_err_cm", "cm", "stat.error;phys.size", "Its error, without the choice of phase function"),
            |n, _| n.dust.as_ref()?.a0frho_err_cm,
        ),
        number(
            ("a0frho_choice_err_cm", "cm", "stat.error.sys;phys.size", "What the choice of phase function may change"),
            |n, _| n.dust.as_ref()?.a0frho_choice_err_cm,
        ),
        text(("phase_function", "", "meta.id;meta.modelled", "Phase function"), |n, _| {
            n.phase_function.as_ref().map(|p| p.name.clone())
        }),
        number(("cross_section_km2", "km**2", "phys.area;meta.modelled", "Cross-section of the grains"), |n, _| {
            n.dust.as_ref()?.cross_section_km2
        }),
        number(
            (
                "production_kg_per_s",
                "kg.s**-1",
                "phys.mass.loss;meta.modelled",
                "Dust production, an order of magnitude",
            ),
            |n, _| Some(n.dust.as_ref()?.production.as_ref()?.kg_per_s),
        ),
        number(
            ("isophote_mag_arcsec2", "mag.arcsec**-2", "phot.mag.sb", "The isophote of the total magnitude"),
            |n, _| n.total_magnitude.as_ref().map(|t| t.isophote_mag_arcsec2),
        ),
        number(("total_mag", "mag", "phot.mag;em.opt", "Magnitude inside the isophote"), |n, _| {
            n.total_magnitude.as_ref()?.mag
        }),
        number(("total_mag_err", "mag", "stat.error;phot.mag", "Its error"), |n, _| {
            n.total_magnitude.as_ref()?.mag_err
        }),
        number(("total_radius_km", "km", "phys.size.radius", "Radius of the isophote"), |n, _| {
            n.total_magnitude.as_ref()?.radius_km
        }),
        number(
            ("total_extrapolated", "", "phot.flux;arith.ratio", "Share of that light that was extrapolated"),
            |n, _| n.total_magnitude.as_ref()?.extrapolated,
        ),
        text(("colour_blue", "", "instr.bandpass", "Bluer band of the colour"), |n, _| {
            n.colour.as_ref().map(|c| c.blue.clone())
        }),
        text(("colour_red", "", "instr.bandpass", "Redder band of the colour"), |n, _| {
            n.colour.as_ref().map(|c| c.red.clone())
        }),
        number(("colour_mag", "mag", "phot.color", "Colour of the coma"), |n, _| {
            n.colour.as_ref().map(|c| c.colour_mag)
        }),
        number(("colour_err_mag", "mag", "stat.error;phot.color", "Its error"), |n, _| {
            n.colour.as_ref().map(|c| c.colour_err_mag)
        }),
        number(
            (
                "slope_percent_per_1000a",
                "",
                "arith.grad;phys.albedo",
                "Reflectivity gradient, per cent per 1000 Angstrom",
            ),
            |n, _| n.colour.as_ref().map(|c| c.slope_percent_per_1000a),
        ),
        number(("slope_err_percent_per_1000a", "", "stat.error;phys.albedo", "Its error"), |n, _| {
            n.colour.as_ref().map(|c| c.slope_err_percent_per_1000a)
        }),
        number(("mag_per_airmass", "mag", "obs.atmos.extinction", "Extinction per airmass"), |n, _| {
            n.extinction.as_ref()?.mag_per_airmass
        }),
        number(("mag_per_airmass_err", "mag", "stat.error;obs.atmos.extinction", "Its error"), |n, _| {
            n.extinction.as_ref()?.mag_per_airmass_err
        }),
        number(
            ("zero_point_scatter_mag", "mag", "stat.stdev;phot.mag", "Scatter of the frames' zero points"),
            |n, _| n.extinction.as_ref().map(|e| e.scatter_mag),
        ),
        truth(("is_photometric", "", "meta.code.qual;obs.atmos", "Whether the sky was clear"), |n, _| {
            n.extinction.as_ref().map(|e| e.is_photometric)
        }),
        integer(("zero_point_frames", "", "meta.number", "Frames with a zero point"), |n, _| {
            n.extinction.as_ref().and_then(|e| super::count(e.n_frames))
        }),
    ];
    let rows = nights.iter().map(|n| (n, ()));
    fill("dust", "One row for each night: dust at 10 000 km, the whole coma, colour and extinction.", columns, rows)
}
