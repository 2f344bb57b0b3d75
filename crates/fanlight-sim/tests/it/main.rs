//! Whole simulated nights.

mod frames;
mod scenarios;
mod truth;

use fanlight_sim::Scenario;
use serde_json::Value;

/// A small, plain night: nothing but sky and comet.
pub fn quiet() -> Scenario {
    let mut s = Scenario { n_frames: 3, ..Scenario::default() };
    (s.camera.width_px, s.camera.height_px) = (256, 240);
    s.stars.per_square_degree = 0.0;
    s.artefacts.cosmic_rays_per_mpx_min = 0.0;
    s.camera.hot_pixel_fraction = 0.0;
    s.camera.bad_columns = 0;
    s.camera.dust_rings = 0;
    s.camera.vignetting_fraction = 0.0;
    s.camera.pixel_response_fraction = 0.0;
    s.camera.bias_row_adu = 0.0;
    s.camera.row_noise_e = 0.0;
    s.sky.gradient_fraction = 0.0;
    s.psf.field_variation_fraction = 0.0;
    s.tracking.dither_arcsec = 2.0;
    s
}

/// A number of the truth.
pub fn number(value: &Value, path: &str) -> f64 {
    value.pointer(path).and_then(Value::as_f64).unwrap_or_else(|| panic!("no number at {path}"))
}
