//! What a simulated night is made of: the scenario file, key by key.
//!
//! Every key has a default, so that an empty text is a complete night: an invented comet with a plain coma, seen
//! from an invented observatory. A key that is not known is refused.

mod check;
mod comet;
mod instrument;
mod night;

pub use comet::{ArtefactKeys, CometKeys, CompanionKeys, FeatureKeys, FeatureKind, SatelliteKeys};
pub use instrument::{
    CalibrationKeys, CameraKeys, PsfKeys, TelescopeKeys, TrackingKeys, TrackingTarget, WcsKeys, WcsStyle,
};
pub use night::{
    GalaxyKeys, HaloKeys, NearStarKeys, ObjectKeys, OrbitKeys, SiteKeys, SkyKeys, SpikeKeys, StarKeys, TransmissionKeys,
};

use crate::SimError;
use serde::{Deserialize, Serialize};

/// One night to simulate. See the fields; each section may be left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Scenario {
    /// Seed of every random number of the night, 0 to 2⁶³ − 1. Same seed, same bits.
    pub seed: u64,
    /// Start of the first exposure, UTC, ISO 8601.
    pub start_utc: String,
    /// Light frames, 1 to 2000.
    pub n_frames: usize,
    /// Exposure time of a light frame in seconds, 0.01 to 7200.
    pub exposure_s: f64,
    /// Start of one exposure to start of the next in seconds, not under `exposure_s`.
    pub cadence_s: f64,
    /// Filter as the header spells it.
    pub filter: String,
    /// Catalogue band of that filter: `g`, `r`, `i` (AB) or `B`, `V`, `R`, `I` (Vega).
    pub band: String,
    /// Aperture radii at the comet for the truth's photometry and the campaign file, in km, each above 0.
    pub apertures_km: Vec<f64>,
    /// Names of the observers in the campaign file.
    pub observers: Vec<String>,
    /// The comet and its orbit.
    pub object: ObjectKeys,
    /// Where the telescope stands.
    pub site: SiteKeys,
    /// The telescope, for the campaign file.
    pub telescope: TelescopeKeys,
    /// The detector.
    pub camera: CameraKeys,
    /// Bias, dark and flat frames.
    pub calibration: CalibrationKeys,
    /// The world coordinate system written into the headers.
    pub wcs: WcsKeys,
    /// Zero point, extinction, clouds.
    pub transmission: TransmissionKeys,
    /// Sky brightness.
    pub sky: SkyKeys,
    /// The image of a point.
    pub psf: PsfKeys,
    /// How the mount follows.
    pub tracking: TrackingKeys,
    /// Stars and their catalogue.
    pub stars: StarKeys,
    /// The coma, the nucleus and structures in the coma.
    pub comet: CometKeys,
    /// Cosmic rays and satellites.
    pub artefacts: ArtefactKeys,
}

impl Default for Scenario {
    fn default() -> Self {
        Self {
            seed: 1,
            start_utc: "2031-03-22T20:50:00Z".into(),
            n_frames: 12,
            exposure_s: 60.0,
            cadence_s: 68.0,
            filter: "Sloan r".into(),
            band: "r".into(),
            apertures_km: vec![5000.0, 10000.0, 20000.0],
            observers: vec!["A. Observer".into()],
            object: ObjectKeys::default(),
            site: SiteKeys::default(),
            telescope: TelescopeKeys::default(),
            camera: CameraKeys::default(),
            calibration: CalibrationKeys::default(),
            wcs: WcsKeys::default(),
            transmission: TransmissionKeys::default(),
            sky: SkyKeys::default(),
            psf: PsfKeys::default(),
            tracking: TrackingKeys::default(),
            stars: StarKeys::default(),
            comet: CometKeys::default(),
            artefacts: ArtefactKeys::default(),
        }
    }
}

impl Scenario {
    /// Reads a scenario file and checks every value.
    ///
    /// # Errors
    /// [`SimError::Unreadable`] for text that is not TOML and for unknown or mistyped keys (the message names key and
    /// line); [`SimError::OutOfRange`] and [`SimError::Inconsistent`] as [`Scenario::validate`].
    pub fn from_toml(text: &str) -> Result<Self, SimError> {
        let scenario: Self =
            toml::from_str(text).map_err(|e| SimError::Unreadable { message: e.to_string().trim_end().to_string() })?;
        scenario.validate()?;
        Ok(scenario)
    }

    /// The scenario as TOML text that [`Scenario::from_toml`] reads back.
    ///
    /// # Errors
    /// [`SimError::Unreadable`] when a value has no TOML form.
    pub fn to_toml(&self) -> Result<String, SimError> {
        toml::to_string(self).map_err(|e| SimError::Unreadable { message: e.to_string() })
    }

    /// Checks every value against its documented range.
    ///
    /// # Errors
    /// [`SimError::OutOfRange`] or [`SimError::Inconsistent`], naming the key.
    pub fn validate(&self) -> Result<(), SimError> {
        check::scenario(self)
    }
}
