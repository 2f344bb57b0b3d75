//! What a report of places to others needs beside the measurements: codes and names that the observer states.

use serde::{Deserialize, Serialize};

/// The observatory code of example campaign files; it stands for one that was never given and is never reported.
pub const PLACEHOLDER_CODE: &str = "XXX";

/// Names of site, telescope and observer in example campaign files and in those that the program begins; likewise.
pub const PLACEHOLDER_NAMES: [&str; 3] = ["my observatory", "my telescope", "A. Observer"];

/// Codes and names as the campaign file gives them; what it does not give is absent.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ReportingRecord {
    /// Observatory code of the Minor Planet Center.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mpc_code: Option<String>,
    /// Who submits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub submitter: Option<String>,
    /// Who measured; the observers where nobody else is named.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub measurers: Vec<String>,
    /// Optical design, such as `reflector`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub design: Option<String>,
    /// Clear aperture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aperture_m: Option<f64>,
    /// Focal length over aperture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub f_ratio: Option<f64>,
    /// Detector code, such as `CMO`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detector: Option<String>,
    /// `stars` or `comet`: what the mount is stated to have followed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tracking: Option<String>,
    /// ADES code of the star catalogue, for places and magnitudes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub catalogue_code: Option<String>,
    /// ADES code of the filter that the light went through.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter_code: Option<String>,
    /// Stated error of the frames' mid-times, 1σ, which all frames of the night share.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock_err_s: Option<f64>,
    /// The comet's identification in ADES, where the designation does not give it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ades_id: Option<String>,
}

impl ReportingRecord {
    /// This record, with what it lacks taken from an older one.
    #[must_use]
    pub fn completed_by(self, older: Self) -> Self {
        let or = |new: Vec<String>, old| if new.is_empty() { old } else { new };
        Self {
            mpc_code: self.mpc_code.or(older.mpc_code),
            submitter: self.submitter.or(older.submitter),
            measurers: or(self.measurers, older.measurers),
            design: self.design.or(older.design),
            aperture_m: self.aperture_m.or(older.aperture_m),
            f_ratio: self.f_ratio.or(older.f_ratio),
            detector: self.detector.or(older.detector),
            tracking: self.tracking.or(older.tracking),
            catalogue_code: self.catalogue_code.or(older.catalogue_code),
            filter_code: self.filter_code.or(older.filter_code),
            clock_err_s: self.clock_err_s.or(older.clock_err_s),
            ades_id: self.ades_id.or(older.ades_id),
        }
    }
}
