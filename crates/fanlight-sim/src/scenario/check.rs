//! Every value against its range.

use super::{FeatureKeys, FeatureKind, Scenario};
use crate::SimError;

/// Checks a whole scenario; the first fault found is returned.
pub(super) fn scenario(s: &Scenario) -> Result<(), SimError> {
    top(s)?;
    instrument(s)?;
    night(s)?;
    comet(s)?;
    artefacts(s)
}

fn top(s: &Scenario) -> Result<(), SimError> {
    count("n_frames", s.n_frames, 1, 2000)?;
    within("exposure_s", s.exposure_s, 0.01, 7200.0)?;
    within("cadence_s", s.cadence_s, s.exposure_s, 86400.0)?;
    if i64::try_from(s.seed).is_err() {
        return Err(out_of_range("seed", s.seed, "at most 2^63 - 1, the largest integer of a TOML file"));
    }
    if crate::photometry::solar_magnitude(&s.band).is_none() {
        return Err(out_of_range("band", &s.band, "one of g, r, i, B, V, R, I"));
    }
    if s.filter.trim().is_empty() || !s.filter.is_ascii() {
        return Err(out_of_range("filter", &s.filter, "a name in ASCII, since it goes into a FITS header"));
    }
    if s.apertures_km.is_empty() {
        return Err(inconsistent("apertures_km", "is empty; give at least one radius in km"));
    }
    for a in &s.apertures_km {
        within("apertures_km", *a, 1.0, 1e8)?;
    }
    fanlight_sky::UtcInstant::parse(&s.start_utc)
        .map(|_| ())
        .map_err(|e| inconsistent("start_utc", &format!("`{}` is not an instant: {e}", s.start_utc)))
}

fn instrument(s: &Scenario) -> Result<(), SimError> {
    let c = &s.camera;
    count("camera.width_px", c.width_px, 16, 8192)?;
    count("camera.height_px", c.height_px, 16, 8192)?;
    within("camera.scale_arcsec", c.scale_arcsec, 0.05, 20.0)?;
    finite("camera.rotation_deg", c.rotation_deg)?;
    within("camera.gain_e_per_adu", c.gain_e_per_adu, 0.01, 100.0)?;
    within("camera.read_noise_e", c.read_noise_e, 0.0, 200.0)?;
    within("camera.bias_adu", c.bias_adu, 0.0, 30000.0)?;
    within("camera.bias_row_adu", c.bias_row_adu, 0.0, 100.0)?;
    within("camera.row_noise_e", c.row_noise_e, 0.0, 100.0)?;
    within("camera.dark_e_per_s", c.dark_e_per_s, 0.0, 1000.0)?;
    within("camera.full_well_e", c.full_well_e, 100.0, 1e7)?;
    within("camera.vignetting_fraction", c.vignetting_fraction, 0.0, 0.9)?;
    count("camera.dust_rings", c.dust_rings, 0, 200)?;
    within("camera.dust_depth_fraction", c.dust_depth_fraction, 0.0, 0.5)?;
    within("camera.pixel_response_fraction", c.pixel_response_fraction, 0.0, 0.2)?;
    within("camera.flat_error_fraction", c.flat_error_fraction, 0.0, 0.2)?;
    within("camera.hot_pixel_fraction", c.hot_pixel_fraction, 0.0, 0.05)?;
    within("camera.hot_pixel_e_per_s", c.hot_pixel_e_per_s, 0.0, 1e5)?;
    count("camera.bad_columns", c.bad_columns, 0, 200)?;
    within("telescope.aperture_m", s.telescope.aperture_m, 0.01, 20.0)?;

    let k = &s.calibration;
    count("calibration.n_bias", k.n_bias, 0, 500)?;
    count("calibration.n_dark", k.n_dark, 0, 500)?;
    count("calibration.n_flat", k.n_flat, 0, 500)?;
    within("calibration.dark_exposure_s", k.dark_exposure_s.unwrap_or(1.0), 0.01, 7200.0)?;
    within("calibration.flat_level_fraction", k.flat_level_fraction, 0.05, 0.95)?;
    within("calibration.flat_exposure_s", k.flat_exposure_s, 0.01, 600.0)?;

    within("wcs.offset_arcsec", s.wcs.offset_arcsec, 0.0, 600.0)?;
    within("wcs.rotation_deg", s.wcs.rotation_deg, 0.0, 10.0)?;
    within("wcs.scale_fraction", s.wcs.scale_fraction, 0.0, 0.1)?;
    within("wcs.distortion_corner_px", s.wcs.distortion_corner_px, -30.0, 30.0)?;

    let p = &s.psf;
    // Narrower images are undersampled: pixel sums would depend on where a star falls within its pixel.
    within("psf.fwhm_arcsec", p.fwhm_arcsec, 1.2 * c.scale_arcsec, 30.0 * c.scale_arcsec)?;
    within("psf.drift_arcsec_per_hour", p.drift_arcsec_per_hour, -5.0, 5.0)?;
    within("psf.scatter_fraction", p.scatter_fraction, 0.0, 0.5)?;
    within("psf.beta", p.beta, 1.8, 20.0)?;
    within("psf.elongation", p.elongation, 1.0, 3.0)?;
    finite("psf.elongation_angle_deg", p.elongation_angle_deg)?;
    within("psf.field_variation_fraction", p.field_variation_fraction, -0.5, 2.0)?;
    within("psf.poor_factor", p.poor_factor, 1.0, 10.0)?;
    frames("psf.poor_frames", &p.poor_frames, s.n_frames)?;

    let t = &s.tracking;
    within("tracking.jitter_arcsec", t.jitter_arcsec, 0.0, 60.0)?;
    within("tracking.dither_arcsec", t.dither_arcsec, 0.0, 600.0)?;
    within("tracking.drift_arcsec_per_min", t.drift_arcsec_per_min, 0.0, 60.0)?;
    finite("tracking.drift_pa_deg", t.drift_pa_deg)?;
    within("tracking.drift_scatter_fraction", t.drift_scatter_fraction, 0.0, 1.0)?;
    within("tracking.field_rotation_deg_per_hour", t.field_rotation_deg_per_hour, -60.0, 60.0)?;
    if let Some(f) = t.meridian_flip_at {
        frames("tracking.meridian_flip_at", &[f], s.n_frames)?;
    }
    if let Some(x) = t.comet_x_px {
        within("tracking.comet_x_px", x, 0.0, c.width_px as f64 - 1.0)?;
    }
    if let Some(y) = t.comet_y_px {
        within("tracking.comet_y_px", y, 0.0, c.height_px as f64 - 1.0)?;
    }
    Ok(())
}

fn night(s: &Scenario) -> Result<(), SimError> {
    if s.object.designation.trim().is_empty() || !s.object.designation.is_ascii() {
        return Err(out_of_range("object.designation", &s.object.designation, "a name in ASCII"));
    }
    let o = &s.object.orbit;
    for (key, value) in [
        ("object.orbit.epoch_jd_tdb", o.epoch_jd_tdb),
        ("object.orbit.perihelion_jd_tdb", o.perihelion_jd_tdb),
        ("object.orbit.node_deg", o.node_deg),
        ("object.orbit.argument_of_perihelion_deg", o.argument_of_perihelion_deg),
        ("object.orbit.a1_au_d2", o.a1_au_d2),
        ("object.orbit.a2_au_d2", o.a2_au_d2),
        ("object.orbit.a3_au_d2", o.a3_au_d2),
    ] {
        finite(key, value)?;
    }
    within("object.orbit.q_au", o.q_au, 1e-4, 1000.0)?;
    within("object.orbit.e", o.e, 0.0, 100.0)?;
    within("object.orbit.inclination_deg", o.inclination_deg, 0.0, 180.0)?;

    within("site.longitude_deg", s.site.longitude_deg, -180.0, 360.0)?;
    within("site.latitude_deg", s.site.latitude_deg, -90.0, 90.0)?;
    within("site.height_m", s.site.height_m, -500.0, 9000.0)?;

    let t = &s.transmission;
    within("transmission.zero_point_mag", t.zero_point_mag, 10.0, 32.0)?;
    within("transmission.extinction_mag", t.extinction_mag, 0.0, 2.0)?;
    within("transmission.colour_term", t.colour_term, -0.5, 0.5)?;
    within("transmission.scatter_mag", t.scatter_mag, 0.0, 1.0)?;
    within("transmission.cloud_mag", t.cloud_mag, 0.0, 8.0)?;
    frames("transmission.cloud_frames", &t.cloud_frames, s.n_frames)?;

    let k = &s.sky;
    within("sky.brightness_mag_arcsec2", k.brightness_mag_arcsec2, 10.0, 30.0)?;
    within("sky.change_mag_per_hour", k.change_mag_per_hour, -3.0, 3.0)?;
    within("sky.scatter_fraction", k.scatter_fraction, 0.0, 1.0)?;
    within("sky.gradient_fraction", k.gradient_fraction, 0.0, 1.5)?;
    finite("sky.gradient_pa_deg", k.gradient_pa_deg)?;
    within("sky.bowl_fraction", k.bowl_fraction, -0.5, 0.5)?;

    let f = &s.stars;
    within("stars.per_square_degree", f.per_square_degree, 0.0, 1e5)?;
    within("stars.slope", f.slope, 0.05, 0.6)?;
    within("stars.flattening", f.flattening, 0.0, 0.1)?;
    within("stars.bright_mag", f.bright_mag, -1.0, 25.0)?;
    within("stars.faint_mag", f.faint_mag, f.bright_mag + 0.1, 27.0)?;
    within("stars.colour_mean_mag", f.colour_mean_mag, -0.5, 2.0)?;
    within("stars.colour_sigma_mag", f.colour_sigma_mag, 0.0, 1.0)?;
    within("stars.proper_motion_mas_yr", f.proper_motion_mas_yr, 0.0, 1000.0)?;
    within("stars.catalogue_limit_mag", f.catalogue_limit_mag, -1.0, 30.0)?;
    within("stars.catalogue_completeness", f.catalogue_completeness, 0.0, 1.0)?;
    within("stars.catalogue_error_mag", f.catalogue_error_mag, 0.0, 1.0)?;
    within("stars.catalogue_error_arcsec", f.catalogue_error_arcsec, 0.0, 10.0)?;
    if let Some(k) = &f.spikes {
        count("stars.spikes.count", k.count, 1, 16)?;
        finite("stars.spikes.angle_deg", k.angle_deg)?;
        within("stars.spikes.fraction", k.fraction, 0.0, 0.3)?;
        within("stars.spikes.length_arcsec", k.length_arcsec, 1.0, 600.0)?;
        within("stars.spikes.brighter_than_mag", k.brighter_than_mag, -5.0, 30.0)?;
    }
    if let Some(k) = &f.halo {
        within("stars.halo.fraction", k.fraction, 0.0, 0.3)?;
        within("stars.halo.inner_arcsec", k.inner_arcsec, 1.0, 60.0)?;
        within("stars.halo.outer_arcsec", k.outer_arcsec, 10.0, 600.0)?;
    }
    if let Some(n) = &f.star_near_nucleus {
        within("stars.star_near_nucleus.mag", n.mag, -1.0, 25.0)?;
        within("stars.star_near_nucleus.distance_arcsec", n.distance_arcsec, 0.0, 600.0)?;
        finite("stars.star_near_nucleus.pa_deg", n.pa_deg)?;
    }
    if let Some(g) = &f.galaxy {
        within("stars.galaxy.mag", g.mag, -1.0, 25.0)?;
        within("stars.galaxy.half_light_arcsec", g.half_light_arcsec, 1.0, 600.0)?;
        within("stars.galaxy.axis_ratio", g.axis_ratio, 0.05, 1.0)?;
        finite("stars.galaxy.axis_pa_deg", g.axis_pa_deg)?;
        within("stars.galaxy.distance_arcsec", g.distance_arcsec, 0.0, 600.0)?;
        finite("stars.galaxy.pa_deg", g.pa_deg)?;
    }
    Ok(())
}

fn comet(s: &Scenario) -> Result<(), SimError> {
    let c = &s.comet;
    if let Some(m) = c.magnitude {
        within("comet.magnitude", m, -5.0, 25.0)?;
    }
    within("comet.magnitude_aperture_km", c.magnitude_aperture_km, 10.0, 1e7)?;
    within("comet.afrho_cm", c.afrho_cm, 1e-3, 1e7)?;
    // The light of a ρ^-γ coma is finite at the nucleus only for γ < 2.
    within("comet.gamma1", c.gamma1, 0.0, 1.9)?;
    within("comet.gamma2", c.gamma2, 0.0, 4.0)?;
    within("comet.gamma3", c.gamma3, 0.0, 6.0)?;
    for (key, value) in [
        ("comet.break1_arcsec", c.break1_arcsec),
        ("comet.break1_km", c.break1_km),
        ("comet.break2_arcsec", c.break2_arcsec),
        ("comet.break2_km", c.break2_km),
    ] {
        if let Some(v) = value {
            within(key, v, 1e-3, 1e9)?;
        }
    }
    if let Some(m) = c.nucleus_mag {
        within("comet.nucleus_mag", m, -5.0, 30.0)?;
    }
    if let Some(k) = &c.companion {
        within("comet.companion.mag", k.mag, -5.0, 30.0)?;
        within("comet.companion.distance_arcsec", k.distance_arcsec, 0.0, 600.0)?;
        finite("comet.companion.pa_deg", k.pa_deg)?;
    }
    within("comet.g_minus_r_mag", c.g_minus_r_mag, -1.0, 3.0)?;
    for v in c.ephemeris_offset_arcsec {
        within("comet.ephemeris_offset_arcsec", v, -600.0, 600.0)?;
    }
    for v in c.ephemeris_drift_arcsec_per_hour {
        within("comet.ephemeris_drift_arcsec_per_hour", v, -3600.0, 3600.0)?;
    }
    within("comet.ephemeris_scatter_arcsec", c.ephemeris_scatter_arcsec, 0.0, 60.0)?;
    c.features.iter().enumerate().try_for_each(|(i, f)| feature(&format!("comet.feature[{}]", i + 1), f))
}

fn feature(at: &str, f: &FeatureKeys) -> Result<(), SimError> {
    let key = |name: &str| format!("{at}.{name}");
    finite(&key("pa_deg"), f.pa_deg)?;
    let (low, high) = if f.kind == FeatureKind::Arc { (5.0, 340.0) } else { (1.0, 180.0) };
    within(&key("width_deg"), f.width_deg, low, high)?;
    within(&key("contrast"), f.contrast, 0.0, 5.0)?;
    let bend = if f.kind == FeatureKind::Arc { 0.0 } else { 20.0 };
    within(&key("curvature_deg_per_arcsec"), f.curvature_deg_per_arcsec, -bend, bend)?;
    within(&key("inner_arcsec"), f.inner_arcsec, 0.0, 3600.0)?;
    within(&key("outer_arcsec"), f.outer_arcsec, f.inner_arcsec + 1e-3, 7200.0)?;
    if let Some(v) = f.inner_fade_arcsec {
        within(&key("inner_fade_arcsec"), v, 0.0, 2.0 * f.inner_arcsec)?;
    }
    if let Some(v) = f.outer_fade_arcsec {
        within(&key("outer_fade_arcsec"), v, 0.0, 2.0 * f.outer_arcsec)?;
    }
    Ok(())
}

fn artefacts(s: &Scenario) -> Result<(), SimError> {
    let a = &s.artefacts;
    within("artefacts.cosmic_rays_per_mpx_min", a.cosmic_rays_per_mpx_min, 0.0, 1e4)?;
    within("artefacts.cosmic_ray_e", a.cosmic_ray_e, 10.0, 1e6)?;
    within("artefacts.satellite_rate", a.satellite_rate, 0.0, 1.0)?;
    a.satellites.iter().enumerate().try_for_each(|(i, t)| {
        let key = |name: &str| format!("artefacts.satellite[{}].{name}", i + 1);
        frames(&key("frame"), &[t.frame], s.n_frames)?;
        finite(&key("pa_deg"), t.pa_deg)?;
        within(&key("miss_arcsec"), t.miss_arcsec, -7200.0, 7200.0)?;
        within(&key("peak_e"), t.peak_e, 1.0, 1e7)?;
        within(&key("width_arcsec"), t.width_arcsec, 0.1, 100.0)
    })
}

fn within(key: &str, value: f64, low: f64, high: f64) -> Result<(), SimError> {
    if value.is_finite() && (low..=high).contains(&value) {
        return Ok(());
    }
    Err(out_of_range(key, value, &format!("a number from {low} to {high}")))
}

fn finite(key: &str, value: f64) -> Result<(), SimError> {
    if value.is_finite() { Ok(()) } else { Err(out_of_range(key, value, "a finite number")) }
}

fn count(key: &str, value: usize, low: usize, high: usize) -> Result<(), SimError> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(out_of_range(key, value, &format!("a whole number from {low} to {high}")))
}

fn frames(key: &str, list: &[usize], n_frames: usize) -> Result<(), SimError> {
    list.iter().try_for_each(|f| count(key, *f, 1, n_frames))
}

fn out_of_range(key: &str, value: impl std::fmt::Display, limit: &str) -> SimError {
    SimError::OutOfRange { key: key.to_string(), value: value.to_string(), limit: limit.to_string() }
}

fn inconsistent(key: &str, problem: &str) -> SimError {
    SimError::Inconsistent { key: key.to_string(), problem: problem.to_string() }
}
