//! Tables of which a night is one row: circumstances and place.

use super::{Column, Table, count, fill, integer, number, text, truth};
use crate::{AstrometryRecord, NightRecord};

/// `nights`: what was observed from where, and how it was seen.
pub(super) fn nights(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<()>> = vec![
        number(("ra_deg", "deg", "pos.eq.ra", "Computed right ascension, ICRS, topocentric astrometric"), |n, _| {
            Some(n.geometry.ra_deg)
        }),
        number(("dec_deg", "deg", "pos.eq.dec", "Computed declination, ICRS, topocentric astrometric"), |n, _| {
            Some(n.geometry.dec_deg)
        }),
        number(("r_au", "AU", "pos.distance;pos.heliocentric", "Distance from the Sun"), |n, _| Some(n.geometry.r_au)),
        number(("delta_au", "AU", "pos.distance", "Distance from the observer"), |n, _| Some(n.geometry.delta_au)),
        number(("phase_deg", "deg", "pos.phaseAng", "Angle Sun, comet, observer"), |n, _| Some(n.geometry.phase_deg)),
        number(("elongation_deg", "deg", "pos.angDistance", "Angle Sun, observer, comet"), |n, _| {
            Some(n.geometry.elongation_deg)
        }),
        number(
            ("motion_arcsec_per_min", "arcsec.min**-1", "pos.pm", "Apparent motion along a great circle"),
            |n, _| Some(n.geometry.motion_arcsec_per_min),
        ),
        number(("motion_pa_deg", "deg", "pos.posAng;pos.pm", "Position angle of the apparent motion"), |n, _| {
            Some(n.geometry.motion_pa_deg)
        }),
        number(("sunward_pa_deg", "deg", "pos.posAng", "Position angle toward the Sun"), |n, _| {
            Some(n.geometry.sunward_pa_deg)
        }),
        number(("antisolar_pa_deg", "deg", "pos.posAng", "Position angle away from the Sun"), |n, _| {
            Some(n.geometry.antisolar_pa_deg)
        }),
        number(
            ("negative_velocity_pa_deg", "deg", "pos.posAng", "Position angle of minus the heliocentric velocity"),
            |n, _| Some(n.geometry.negative_velocity_pa_deg),
        ),
        number(
            ("orbit_plane_angle_deg", "deg", "pos.angDistance", "Angle of the observer above the comet's orbit plane"),
            |n, _| Some(n.geometry.orbit_plane_angle_deg),
        ),
        number(("km_per_arcsec", "km.arcsec**-1", "phys.size", "Kilometres at the comet per arcsecond"), |n, _| {
            Some(n.geometry.km_per_arcsec)
        }),
        number(("altitude_deg", "deg", "pos.az.alt", "Airless altitude of the comet"), |n, _| {
            Some(n.geometry.altitude_deg)
        }),
        number(("azimuth_deg", "deg", "pos.az.azi", "Azimuth of the comet, north through east"), |n, _| {
            Some(n.geometry.azimuth_deg)
        }),
        number(("sun_altitude_deg", "deg", "pos.az.alt", "Airless altitude of the Sun's centre"), |n, _| {
            Some(n.geometry.sun_altitude_deg)
        }),
        number(("moon_separation_deg", "deg", "pos.angDistance", "Angle between Moon and comet"), |n, _| {
            Some(n.geometry.moon_separation_deg)
        }),
        number(
            ("moon_illuminated_fraction", "", "arith.factor", "Illuminated fraction of the Moon's disc, 0 to 1"),
            |n, _| Some(n.geometry.moon_illuminated_fraction),
        ),
        text(("orbit_model", "", "meta.code", "How the orbit was followed"), |n, _| {
            Some(n.geometry.orbit_model.clone())
        }),
        integer(("stack_n_frames", "", "meta.number;obs.image", "Frames in the stack"), |n, _| count(n.stack.n_frames)),
        number(("stack_exposure_s", "s", "time.duration;obs.exposure", "Sum of their exposures"), |n, _| {
            Some(n.stack.exposure_s)
        }),
        text(("stack_first_utc", "", "time.epoch", "Middle of the first exposure, UTC"), |n, _| {
            Some(n.stack.first_utc.clone())
        }),
        text(("stack_last_utc", "", "time.epoch", "Middle of the last exposure, UTC"), |n, _| {
            Some(n.stack.last_utc.clone())
        }),
        number(("psf_fwhm_arcsec", "arcsec", "instr.det.psf", "Width of a point's image at the comet"), |n, _| {
            n.morphology.psf.as_ref().map(|p| p.fwhm_arcsec)
        }),
        number(("psf_elongation", "", "phys.size.axisRatio", "Major over minor axis of that image"), |n, _| {
            n.morphology.psf.as_ref().map(|p| p.elongation)
        }),
        number(("psf_pa_deg", "deg", "pos.posAng", "Position angle of its major axis, 0 to 180"), |n, _| {
            n.morphology.psf.as_ref().map(|p| p.pa_deg)
        }),
        number(
            ("optocentre_err_arcsec", "arcsec", "stat.error;pos", "Error per axis of the optocentre in the stack"),
            |n, _| n.morphology.optocentre_err_arcsec,
        ),
        text(("band", "", "instr.bandpass", "Catalogue band of the zero point"), |n, _| {
            n.zero_point.as_ref().map(|z| z.band.clone())
        }),
        number(
            ("stack_zero_point_mag", "mag", "phot.mag;arith.zp", "Magnitude of 1 electron/s in the stack"),
            |n, _| n.zero_point.as_ref().map(|z| z.stack_zero_point_mag),
        ),
        number(
            ("stack_zero_point_err_mag", "mag", "stat.error;phot.mag;arith.zp", "Error of that zero point"),
            |n, _| n.zero_point.as_ref().map(|z| z.stack_zero_point_err_mag),
        ),
        number(("colour_term", "", "arith.factor;phot.color", "Coefficient of the catalogue colour"), |n, _| {
            n.zero_point.as_ref().and_then(|z| z.colour_term)
        }),
        text(("colour", "", "meta.id;phot.color", "The colour that the term multiplies"), |n, _| {
            n.zero_point.as_ref().and_then(|z| z.colour.clone())
        }),
        number(("comet_colour_mag", "mag", "phot.color", "Colour assumed for the comet"), |n, _| {
            n.zero_point.as_ref().and_then(|z| z.comet_colour_mag)
        }),
        text(("phase_function", "", "meta.id;meta.modelled", "Phase function that A(0)frho was divided by"), |n, _| {
            n.phase_function.as_ref().map(|p| p.name.clone())
        }),
        number(("phase_function_value", "", "arith.factor", "Its value at the night's phase angle"), |n, _| {
            n.phase_function.as_ref().map(|p| p.value)
        }),
        text(("site", "", "meta.id;instr.obsty", "Name of the site"), |n, _| n.setup.site.clone()),
        number(("longitude_deg", "deg", "pos.earth.lon", "East longitude, WGS 84"), |n, _| Some(n.setup.longitude_deg)),
        number(("latitude_deg", "deg", "pos.earth.lat", "Geodetic latitude, WGS 84"), |n, _| {
            Some(n.setup.latitude_deg)
        }),
        number(("height_m", "m", "pos.earth.altitude", "Height above the ellipsoid"), |n, _| Some(n.setup.height_m)),
        text(("telescope", "", "meta.id;instr.tel", "Name of the telescope"), |n, _| n.setup.telescope.clone()),
        text(("filter", "", "meta.id;instr.filter", "Filter as the headers spell it"), |n, _| n.setup.filter.clone()),
        text(("observers", "", "meta.id;obs.observer", "Observers"), |n, _| Some(n.setup.observers.join("; "))),
        truth(("simulated", "", "meta.code;meta.modelled", "Whether a program made the frames"), |n, _| {
            Some(n.setup.simulated)
        }),
        text(("program", "", "meta.id;meta.software", "Program that measured the night"), |n, _| {
            Some(n.provenance.program.clone())
        }),
        text(("summary", "", "meta.note", "What the night says, in a sentence or two"), |n, _| Some(n.summary.clone())),
    ];
    let rows = nights.iter().map(|n| (n, ()));
    fill("nights", "One row for each night: geometry, stack, zero point, site and instrument.", columns, rows)
}

/// `astrometry`: the night's place, of nights that have one.
pub(super) fn astrometry(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&AstrometryRecord>> = vec![
        text(("mid_utc", "", "time.epoch", "Instant of the place, UTC, ISO 8601"), |_, a| Some(a.mid_utc.clone())),
        number(("ra_deg", "deg", "pos.eq.ra;meta.main", "Measured right ascension, ICRS"), |_, a| Some(a.ra_deg)),
        number(("dec_deg", "deg", "pos.eq.dec;meta.main", "Measured declination, ICRS"), |_, a| Some(a.dec_deg)),
        number(("err_arcsec", "arcsec", "stat.error;pos.eq", "Error per axis of the place"), |_, a| Some(a.err_arcsec)),
        number(
            ("err_ra_arcsec", "arcsec", "stat.error;pos.eq.ra", "Error along right ascension (times cos Dec)"),
            |_, a| a.err_ra_dec_arcsec.map(|e| e[0]),
        ),
        number(("err_dec_arcsec", "arcsec", "stat.error;pos.eq.dec", "Error along declination"), |_, a| {
            a.err_ra_dec_arcsec.map(|e| e[1])
        }),
        number(("err_correlation", "", "stat.correlation;pos.eq", "Correlation of the two errors, -1 to 1"), |_, a| {
            a.err_correlation
        }),
        number(
            (
                "o_minus_c_ra_arcsec",
                "arcsec",
                "pos.angDistance;pos.eq.ra;stat.fit.omc",
                "Observed minus computed, along right ascension",
            ),
            |_, a| Some(a.o_minus_c_arcsec[0]),
        ),
        number(
            (
                "o_minus_c_dec_arcsec",
                "arcsec",
                "pos.angDistance;pos.eq.dec;stat.fit.omc",
                "Observed minus computed, along declination",
            ),
            |_, a| Some(a.o_minus_c_arcsec[1]),
        ),
    ];
    let rows = nights.iter().flat_map(|n| n.astrometry.iter().map(move |a| (n, a)));
    fill("astrometry", "One row for each night on which the comet's place was measured.", columns, rows)
}
