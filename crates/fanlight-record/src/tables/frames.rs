//! Tables of the frames and of the stars that calibrate them.

use super::{Column, Table, count, fill, integer, number, text, truth};
use crate::{FrameRecord, NightRecord, ZeroPointStar};

/// `frames`: every light frame, used or not.
pub(super) fn frames(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&FrameRecord>> = vec![
        text(("file", "", "meta.id;meta.file", "File name relative to the frames folder"), |_, f| Some(f.file.clone())),
        text(("mid_utc", "", "time.epoch;obs.exposure", "Middle of the exposure, UTC, ISO 8601"), |_, f| {
            f.mid_utc.clone()
        }),
        number(("exposure_s", "s", "time.duration;obs.exposure", "Exposure time"), |_, f| f.exposure_s),
        text(("filter", "", "meta.id;instr.filter", "Filter as the header spells it"), |_, f| f.filter.clone()),
        truth(("used", "", "meta.code.qual", "Whether the frame is in the stack"), |_, f| Some(f.used)),
        text(("rejected_because", "", "meta.note", "Why it is not"), |_, f| f.rejected_because.clone()),
        number(("fwhm_arcsec", "arcsec", "instr.obsty.seeing", "Width of star images at half maximum"), |_, f| {
            f.fwhm_arcsec
        }),
        number(("elongation", "", "phys.size.axisRatio", "Major over minor axis of star images"), |_, f| f.elongation),
        number(("elongation_pa_deg", "deg", "pos.posAng", "Position angle of their major axis, 0 to 180"), |_, f| {
            f.elongation_pa_deg
        }),
        number(
            (
                "sky_e_per_s_arcsec2",
                "electron.s**-1.arcsec**-2",
                "instr.skyLevel",
                "Sky brightness in electrons per second and square arcsecond",
            ),
            |_, f| f.sky_e_per_s_arcsec2,
        ),
        number(("sky_mag_arcsec2", "mag.arcsec**-2", "phot.mag.sb;instr.skyLevel", "Sky brightness"), |_, f| {
            f.sky_mag_arcsec2
        }),
        number(("zero_point_mag", "mag", "phot.mag;arith.zp", "Magnitude of 1 electron/s"), |_, f| f.zero_point_mag),
        number(("zero_point_err_mag", "mag", "stat.error;phot.mag;arith.zp", "Its error"), |_, f| f.zero_point_err_mag),
        integer(("zero_point_stars", "", "meta.number", "Stars used for it"), |_, f| {
            f.zero_point_stars.and_then(count)
        }),
        number(("transparency_loss_mag", "mag", "phot.mag;arith.diff", "Zero point under the night's best"), |_, f| {
            f.transparency_loss_mag
        }),
        number(
            ("comet_ra_deg", "deg", "pos.eq.ra;meta.main", "Measured right ascension of the comet, ICRS"),
            |_, f| f.comet_ra_deg,
        ),
        number(("comet_dec_deg", "deg", "pos.eq.dec;meta.main", "Measured declination of the comet, ICRS"), |_, f| {
            f.comet_dec_deg
        }),
        number(("comet_err_arcsec", "arcsec", "stat.error;pos.eq", "Error per axis of that place"), |_, f| {
            f.comet_err_arcsec
        }),
        number(
            (
                "comet_o_minus_c_ra_arcsec",
                "arcsec",
                "pos.angDistance;pos.eq.ra;stat.fit.omc",
                "Observed minus computed, along right ascension",
            ),
            |_, f| f.comet_o_minus_c_arcsec.map(|d| d[0]),
        ),
        number(
            (
                "comet_o_minus_c_dec_arcsec",
                "arcsec",
                "pos.angDistance;pos.eq.dec;stat.fit.omc",
                "Observed minus computed, along declination",
            ),
            |_, f| f.comet_o_minus_c_arcsec.map(|d| d[1]),
        ),
        integer(("solution_stars", "", "meta.number", "Stars that tie the frame to the catalogue"), |_, f| {
            f.solution.as_ref().and_then(|s| count(s.stars))
        }),
        number(
            ("solution_rms_arcsec", "arcsec", "stat.rms;pos.eq", "Their residuals per axis, root mean square"),
            |_, f| f.solution.as_ref().map(|s| s.rms_arcsec),
        ),
        number(
            ("solution_log10_odds", "", "stat.likelihood", "log10 of the odds of the match against chance"),
            |_, f| f.solution.as_ref().map(|s| s.log10_odds),
        ),
        number(
            (
                "solution_comet_err_arcsec",
                "arcsec",
                "stat.error;pos.eq",
                "Error per axis of the coordinates at the comet",
            ),
            |_, f| f.solution.as_ref().map(|s| s.comet_err_arcsec),
        ),
        integer(("solution_distortion_order", "", "stat.fit.param", "Order of the fitted distortion"), |_, f| {
            f.solution.as_ref().and_then(|s| s.distortion_order).map(i64::from)
        }),
        number(("altitude_deg", "deg", "pos.az.alt", "Airless altitude of the comet"), |_, f| f.altitude_deg),
        number(("airmass", "", "obs.airMass", "Airmass of the comet"), |_, f| f.airmass),
        number(("sun_altitude_deg", "deg", "pos.az.alt", "Airless altitude of the Sun's centre"), |_, f| {
            f.sun_altitude_deg
        }),
        number(("moon_altitude_deg", "deg", "pos.az.alt", "Airless altitude of the Moon's centre"), |_, f| {
            f.moon_altitude_deg
        }),
        integer(("stars_found", "", "meta.number", "Stars found in the part of the frame that was used"), |_, f| {
            f.stars_found.and_then(count)
        }),
        number(("relative_weight", "", "stat.weight", "Weight of the frame; the mean of those used is 1"), |_, f| {
            f.relative_weight
        }),
        number(("stack_share", "", "stat.weight", "Share of the stack, 0 to 1"), |_, f| f.stack_share),
        integer(("substack", "", "meta.id", "Sub-stack, counted from 1"), |_, f| f.substack.and_then(count)),
        number(("star_near_nucleus_mag", "mag", "phot.mag", "Magnitude of a star beside the nucleus"), |_, f| {
            f.star_near_nucleus.map(|s| s.mag)
        }),
        number(
            ("star_near_nucleus_distance_arcsec", "arcsec", "pos.angDistance", "Its distance from the nucleus"),
            |_, f| f.star_near_nucleus.map(|s| s.distance_arcsec),
        ),
        number(
            (
                "star_near_nucleus_light_share",
                "",
                "phot.flux;arith.ratio",
                "Its share of the light in the seeing disc, 0 to 1",
            ),
            |_, f| f.star_near_nucleus.map(|s| s.light_share),
        ),
    ];
    let rows = nights.iter().flat_map(|n| n.frames.iter().map(move |f| (n, f)));
    fill("frames", "One row for each light frame, used or not.", columns, rows)
}

/// `zero_point_stars`: the comparison stars.
pub(super) fn zero_point_stars(nights: &[NightRecord]) -> Table {
    let columns: Vec<Column<&ZeroPointStar>> = vec![
        text(("band", "", "instr.bandpass", "Catalogue band"), |n, _| n.zero_point.as_ref().map(|z| z.band.clone())),
        number(("catalogue_mag", "mag", "phot.mag", "Catalogue magnitude"), |_, s| Some(s.catalogue_mag)),
        number(("colour_mag", "mag", "phot.color", "Catalogue colour"), |_, s| s.colour_mag),
        number(("residual_mag", "mag", "stat.fit.residual;phot.mag", "Measured minus catalogue magnitude"), |_, s| {
            Some(s.residual_mag)
        }),
        number(("err_mag", "mag", "stat.error;phot.mag", "Error of the residual"), |_, s| Some(s.err_mag)),
        truth(("used", "", "meta.code.qual", "Whether it was kept in the fit"), |_, s| Some(s.used)),
    ];
    let rows = nights.iter().flat_map(|n| n.zero_point.iter().flat_map(|z| &z.stars).map(move |s| (n, s)));
    fill("zero_point_stars", "One row for each comparison star of the zero point.", columns, rows)
}
