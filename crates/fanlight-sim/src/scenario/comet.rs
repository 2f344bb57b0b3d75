//! Keys of the coma, its structures, and of what flies through the picture.

use serde::{Deserialize, Serialize};

/// `[comet]`: the light of the comet.
///
/// The coma's surface brightness is a continuous broken power law of the distance ρ from the nucleus: ∝ ρ^−`gamma1`
/// inside the first break, then −`gamma2`, then −`gamma3`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CometKeys {
    /// Magnitude of all light in the aperture `magnitude_aperture_km`, before seeing, in the scenario's band; −5 to 25.
    /// Left out: `afrho_cm` decides.
    pub magnitude: Option<f64>,
    /// Radius of that aperture at the comet, 10 to 10⁷ km.
    pub magnitude_aperture_km: f64,
    /// A(θ)fρ of all light within 10 000 km, before seeing, 10⁻³ to 10⁷ cm. Used when `magnitude` is left out.
    pub afrho_cm: f64,
    /// Innermost slope, 0 to 1.9.
    pub gamma1: f64,
    /// Slope between the breaks, 0 to 4.
    pub gamma2: f64,
    /// Outermost slope, 0 to 6.
    pub gamma3: f64,
    /// First break in arcsec, above 0. Left out: `break1_km`, or none.
    pub break1_arcsec: Option<f64>,
    /// First break in km at the comet.
    pub break1_km: Option<f64>,
    /// Second break in arcsec, beyond the first. Left out: `break2_km`, or none.
    pub break2_arcsec: Option<f64>,
    /// Second break in km at the comet.
    pub break2_km: Option<f64>,
    /// Magnitude of an unresolved nucleus; left out: none.
    pub nucleus_mag: Option<f64>,
    /// A second nucleus; left out: none.
    pub companion: Option<CompanionKeys>,
    /// Colour g − r, −1 to 3. 0.44 is the Sun's.
    pub g_minus_r_mag: f64,
    /// How far the comet is from its ephemeris all night: [east, north], up to 600 arcsec.
    pub ephemeris_offset_arcsec: [f64; 2],
    /// How fast it moves away from its ephemeris beyond that, zero at mid-night: [east, north], up to 3600 arcsec per
    /// hour. A wrong orbit does that.
    pub ephemeris_drift_arcsec_per_hour: [f64; 2],
    /// Scatter of its place about that from frame to frame per axis (1σ), 0 to 60 arcsec. A clock that jumps does that.
    pub ephemeris_scatter_arcsec: f64,
    /// Jets, fans, tails, arcs.
    #[serde(rename = "feature")]
    pub features: Vec<FeatureKeys>,
}

impl Default for CometKeys {
    fn default() -> Self {
        Self {
            magnitude: None,
            magnitude_aperture_km: 10000.0,
            afrho_cm: 500.0,
            gamma1: 1.05,
            gamma2: 1.3,
            gamma3: 1.6,
            break1_arcsec: None,
            break1_km: Some(25000.0),
            break2_arcsec: None,
            break2_km: Some(120000.0),
            nucleus_mag: None,
            companion: None,
            g_minus_r_mag: 0.55,
            ephemeris_offset_arcsec: [0.4, -0.3],
            ephemeris_drift_arcsec_per_hour: [0.0, 0.0],
            ephemeris_scatter_arcsec: 0.0,
            features: Vec::new(),
        }
    }
}

/// `[comet.companion]`: an unresolved piece that moves with the nucleus. The truth's photometry is of the comet without it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CompanionKeys {
    /// Magnitude before seeing, −5 to 30.
    pub mag: f64,
    /// Distance from the nucleus, 0 to 600 arcsec.
    pub distance_arcsec: f64,
    /// Position angle from the nucleus.
    pub pa_deg: f64,
}

/// What a structure is called. Jet, fan and tail are the same wedge; the name goes into the truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FeatureKind {
    /// A narrow wedge.
    Jet,
    /// A broad wedge.
    Fan,
    /// A broad wedge that starts away from the nucleus.
    Tail,
    /// Part of a ring.
    Arc,
}

impl FeatureKind {
    /// The name in records.
    pub fn name(self) -> &'static str {
        match self {
            Self::Jet => "jet",
            Self::Fan => "fan",
            Self::Tail => "tail",
            Self::Arc => "arc",
        }
    }
}

/// `[[comet.feature]]`: light added to the coma.
///
/// A wedge is Gaussian in position angle about PA(ρ) = `pa_deg` + `curvature_deg_per_arcsec` · (ρ − `inner_arcsec`) and
/// a constant share of the coma between its inner and outer radius, where it has fallen to half. An arc is Gaussian in
/// radius with `inner_arcsec` and `outer_arcsec` at half maximum, and runs over `width_deg` in position angle about
/// `pa_deg`, its ends at half maximum.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FeatureKeys {
    /// `jet`, `fan`, `tail` or `arc`.
    pub kind: FeatureKind,
    /// Position angle at the inner radius; of an arc, its middle.
    pub pa_deg: f64,
    /// Full width at half maximum in position angle, 1 to 180; of an arc, its length, 5 to 340.
    pub width_deg: f64,
    /// This feature's light minus its azimuthal mean, over the azimuthal mean of the coma, at the ridge, before seeing,
    /// averaged from inner to outer radius (arc: on the crest, averaged along it); 0 to 5.
    pub contrast: f64,
    /// Change of position angle with radius, −20 to 20; 0 for an arc.
    #[serde(default)]
    pub curvature_deg_per_arcsec: f64,
    /// Inner radius, 0 to 3600 arcsec.
    #[serde(default)]
    pub inner_arcsec: f64,
    /// Outer radius, beyond the inner, to 7200 arcsec.
    pub outer_arcsec: f64,
    /// Range of radius over which a wedge rises at its inner end; at most twice `inner_arcsec`. Left out: half of it.
    #[serde(default)]
    pub inner_fade_arcsec: Option<f64>,
    /// Range of radius over which a wedge fades at its outer end; at most twice `outer_arcsec`. Left out: half of it.
    #[serde(default)]
    pub outer_fade_arcsec: Option<f64>,
}

/// `[artefacts]`: what crosses the picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ArtefactKeys {
    /// Cosmic rays per million pixels and minute of exposure, 0 to 10 000.
    pub cosmic_rays_per_mpx_min: f64,
    /// Typical charge of one, 10 to 10⁶ e⁻.
    pub cosmic_ray_e: f64,
    /// Chance that a frame is crossed by a satellite, 0 to 1.
    pub satellite_rate: f64,
    /// Satellites in given frames.
    #[serde(rename = "satellite")]
    pub satellites: Vec<SatelliteKeys>,
}

impl Default for ArtefactKeys {
    fn default() -> Self {
        Self { cosmic_rays_per_mpx_min: 12.0, cosmic_ray_e: 900.0, satellite_rate: 0.0, satellites: Vec::new() }
    }
}

/// `[[artefacts.satellite]]`: a straight trail across one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SatelliteKeys {
    /// The frame, counted from 1.
    pub frame: usize,
    /// Position angle of the trail.
    pub pa_deg: f64,
    /// Distance at which it passes the comet, toward `pa_deg` + 90°; −7200 to 7200 arcsec.
    pub miss_arcsec: f64,
    /// Brightness on its middle line, 1 to 10⁷ e⁻ per pixel.
    pub peak_e: f64,
    /// Full width at half maximum, 0.1 to 100 arcsec.
    pub width_arcsec: f64,
}
