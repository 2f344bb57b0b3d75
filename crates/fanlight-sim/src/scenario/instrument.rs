//! Keys of the telescope, the detector, the image of a point and the mount.

use serde::{Deserialize, Serialize};

/// `[telescope]`: copied into the campaign file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TelescopeKeys {
    /// Its name.
    pub name: String,
    /// Aperture in metres, 0.01 to 20.
    pub aperture_m: f64,
    /// Design, such as `reflector`.
    pub design: String,
    /// Detector kind, such as `CMO`.
    pub detector: String,
}

impl Default for TelescopeKeys {
    fn default() -> Self {
        Self { name: "0.4 m".into(), aperture_m: 0.4, design: "reflector".into(), detector: "CMO".into() }
    }
}

/// `[camera]`: the detector and its faults.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CameraKeys {
    /// Columns, 16 to 8192.
    pub width_px: usize,
    /// Rows, 16 to 8192.
    pub height_px: usize,
    /// Pixel scale, 0.05 to 20 arcsec.
    pub scale_arcsec: f64,
    /// Position angle of the detector's +y axis before any flip.
    pub rotation_deg: f64,
    /// Whether the image is mirrored: east on the side of +x when north is up.
    pub mirrored: bool,
    /// Electrons per count, 0.01 to 100.
    pub gain_e_per_adu: f64,
    /// Read noise (1σ), 0 to 200 e⁻.
    pub read_noise_e: f64,
    /// Bias level, 0 to 30 000 counts.
    pub bias_adu: f64,
    /// Fixed pattern of the rows' bias (1σ), 0 to 100 counts.
    pub bias_row_adu: f64,
    /// Row noise that is new in every frame (1σ), 0 to 100 e⁻.
    pub row_noise_e: f64,
    /// Dark rate, 0 to 1000 e⁻/s.
    pub dark_e_per_s: f64,
    /// Charge that a pixel holds, 100 to 10⁷ e⁻.
    pub full_well_e: f64,
    /// Whether charge over the full well spills along the column.
    pub bleeding: bool,
    /// Light lost in the corner, 0 to 0.9.
    pub vignetting_fraction: f64,
    /// Shadows of dust grains, 0 to 200.
    pub dust_rings: usize,
    /// Depth of the deepest shadow, 0 to 0.5.
    pub dust_depth_fraction: f64,
    /// Pixel-to-pixel sensitivity (1σ), 0 to 0.2.
    pub pixel_response_fraction: f64,
    /// Large-scale error of the flat frames (rms over the frame), 0 to 0.2.
    pub flat_error_fraction: f64,
    /// Share of hot pixels, 0 to 0.05.
    pub hot_pixel_fraction: f64,
    /// Mean dark rate of a hot pixel, 0 to 10⁵ e⁻/s.
    pub hot_pixel_e_per_s: f64,
    /// Columns of poor sensitivity, 0 to 200.
    pub bad_columns: usize,
}

impl Default for CameraKeys {
    fn default() -> Self {
        Self {
            width_px: 1024,
            height_px: 1024,
            scale_arcsec: 1.3,
            rotation_deg: 3.0,
            mirrored: false,
            gain_e_per_adu: 1.2,
            read_noise_e: 3.5,
            bias_adu: 500.0,
            bias_row_adu: 1.0,
            row_noise_e: 0.3,
            dark_e_per_s: 0.02,
            full_well_e: 72000.0,
            bleeding: false,
            vignetting_fraction: 0.12,
            dust_rings: 5,
            dust_depth_fraction: 0.03,
            pixel_response_fraction: 0.006,
            flat_error_fraction: 0.001,
            hot_pixel_fraction: 0.0005,
            hot_pixel_e_per_s: 5.0,
            bad_columns: 1,
        }
    }
}

impl CameraKeys {
    /// The count at which a pixel stops being linear: full well or converter, whichever comes first.
    pub fn saturation_adu(&self) -> f64 {
        (self.full_well_e / self.gain_e_per_adu + self.bias_adu).min(65535.0).floor()
    }
}

/// `[calibration]`: the frames that calibrate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CalibrationKeys {
    /// Bias frames, 0 to 500.
    pub n_bias: usize,
    /// Dark frames, 0 to 500.
    pub n_dark: usize,
    /// Exposure of a dark in seconds; left out: that of the lights.
    pub dark_exposure_s: Option<f64>,
    /// Flat frames, 0 to 500.
    pub n_flat: usize,
    /// Level of a flat, 0.05 to 0.95 of the saturation level.
    pub flat_level_fraction: f64,
    /// Exposure of a flat, 0.01 to 600 s.
    pub flat_exposure_s: f64,
}

impl Default for CalibrationKeys {
    fn default() -> Self {
        Self { n_bias: 8, n_dark: 8, dark_exposure_s: None, n_flat: 8, flat_level_fraction: 0.5, flat_exposure_s: 2.0 }
    }
}

/// How the celestial coordinates are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum WcsStyle {
    /// `CDi_j`.
    Cd,
    /// `PCi_j` with `CDELTi`.
    Pc,
    /// `CDELTi` with `CROTA2`.
    Crota,
    /// No coordinates at all.
    None,
}

/// `[wcs]`: the header's coordinates and how wrong they are.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WcsKeys {
    /// `cd`, `pc`, `crota` or `none`.
    pub style: WcsStyle,
    /// Error of each frame's reference point per axis (1σ), 0 to 600 arcsec.
    pub offset_arcsec: f64,
    /// Error of each frame's rotation (1σ), 0 to 10 degrees.
    pub rotation_deg: f64,
    /// Relative error of each frame's scale (1σ), 0 to 0.1.
    pub scale_fraction: f64,
    /// Cubic radial distortion by the optics that no header tells: how far a corner of the frame lies outward of where an
    /// undistorted camera would have it on the sky, in pixels, −30 to 30.
    pub distortion_corner_px: f64,
}

impl Default for WcsKeys {
    fn default() -> Self {
        Self {
            style: WcsStyle::Cd,
            offset_arcsec: 0.0,
            rotation_deg: 0.0,
            scale_fraction: 0.0,
            distortion_corner_px: 0.0,
        }
    }
}

/// `[psf]`: the image of a point, a Moffat function before any trailing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PsfKeys {
    /// Full width at half maximum at mid-night, 1.2 to 30 pixels' worth of arcsec.
    pub fwhm_arcsec: f64,
    /// Steady change over the night, −5 to 5 arcsec per hour.
    pub drift_arcsec_per_hour: f64,
    /// Frame-to-frame scatter (1σ), 0 to 0.5 as a fraction.
    pub scatter_fraction: f64,
    /// Moffat exponent β, 1.8 to 20.
    pub beta: f64,
    /// Major over minor axis that the optics give, 1 to 3.
    pub elongation: f64,
    /// Angle of the major axis from +x toward +y of the detector (it turns with the camera, not with the sky).
    pub elongation_angle_deg: f64,
    /// Relative growth of the width from the frame's centre to its corner, −0.5 to 2.
    pub field_variation_fraction: f64,
    /// Frames (counted from 1) with poor seeing.
    pub poor_frames: Vec<usize>,
    /// Factor on the width in those frames, 1 to 10.
    pub poor_factor: f64,
}

impl Default for PsfKeys {
    fn default() -> Self {
        Self {
            fwhm_arcsec: 3.0,
            drift_arcsec_per_hour: 0.1,
            scatter_fraction: 0.04,
            beta: 3.2,
            elongation: 1.02,
            elongation_angle_deg: 30.0,
            field_variation_fraction: 0.04,
            poor_frames: Vec::new(),
            poor_factor: 1.8,
        }
    }
}

/// What the mount follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TrackingTarget {
    /// The stars: the comet trails.
    Stars,
    /// The comet: the stars trail.
    Comet,
}

/// `[tracking]`: the mount.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TrackingKeys {
    /// `stars` or `comet`.
    pub on: TrackingTarget,
    /// Scatter of the pointing from frame to frame per axis (1σ), 0 to 60 arcsec.
    pub jitter_arcsec: f64,
    /// Scatter of deliberate offsets between frames per axis (1σ), 0 to 600 arcsec.
    pub dither_arcsec: f64,
    /// Rate at which the image creeps during every exposure, 0 to 60 arcsec per minute.
    pub drift_arcsec_per_min: f64,
    /// Position angle toward which it creeps.
    pub drift_pa_deg: f64,
    /// Frame-to-frame scatter of that rate (1σ), 0 to 1 as a fraction.
    pub drift_scatter_fraction: f64,
    /// First frame (counted from 1) after a meridian flip: the camera turns by 180°.
    pub meridian_flip_at: Option<usize>,
    /// Rotation of the field, −60 to 60 degrees per hour.
    pub field_rotation_deg_per_hour: f64,
    /// Column where the comet is at mid-night before jitter; left out: just off the middle of the frame.
    pub comet_x_px: Option<f64>,
    /// Row where the comet is at mid-night.
    pub comet_y_px: Option<f64>,
}

impl Default for TrackingKeys {
    fn default() -> Self {
        Self {
            on: TrackingTarget::Stars,
            jitter_arcsec: 0.3,
            dither_arcsec: 8.0,
            drift_arcsec_per_min: 0.0,
            drift_pa_deg: 0.0,
            drift_scatter_fraction: 0.0,
            meridian_flip_at: None,
            field_rotation_deg_per_hour: 0.0,
            comet_x_px: None,
            comet_y_px: None,
        }
    }
}
