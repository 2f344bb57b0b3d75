//! The coma's light and dust in the night's record: growth with radius, rings and sectors, slopes, total, A(0°)fρ at 10 000 km.

use serde::{Deserialize, Serialize};

/// A value and its error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ValueRecord {
    /// The value.
    pub value: f64,
    /// Its error.
    pub err: f64,
}

/// One step of the curve of growth: light inside a circle, in exact pixel overlap, masked pixels filled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GrowthRecord {
    /// Radius at the comet.
    pub radius_km: f64,
    /// The same on the sky.
    pub radius_arcsec: f64,
    /// Light inside, electrons per second of the stack.
    pub light_e_per_s: f64,
    /// Its error without the zero point's, which all radii share. Neighbouring radii share most of their pixels, too.
    pub light_err_e_per_s: f64,
    /// Magnitude; absent where nothing was calibrated, and under 3σ.
    pub mag: Option<f64>,
    /// Its error, without the zero point's.
    pub mag_err: Option<f64>,
    /// A(θ)fρ at this radius.
    pub afrho_cm: Option<f64>,
    /// Its error, without the zero point's.
    pub afrho_err_cm: Option<f64>,
}

/// Light in a ring or in a sector of one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SectorRecord {
    /// What it lies along: `ring`, the name that the campaign file gives, or a feature such as `jet at PA 271°`.
    pub name: String,
    /// Position angle of its middle; absent for a ring all round.
    pub pa_deg: Option<f64>,
    /// Its full width in position angle, in `(0, 360]`.
    pub width_deg: f64,
    /// Inner radius at the comet.
    pub inner_km: f64,
    /// Outer radius at the comet.
    pub outer_km: f64,
    /// Inner radius on the sky.
    pub inner_arcsec: f64,
    /// Outer radius on the sky.
    pub outer_arcsec: f64,
    /// Light inside, electrons per second of the stack.
    pub light_e_per_s: f64,
    /// Its error, without the zero point's.
    pub light_err_e_per_s: f64,
    /// Magnitude; absent where nothing was calibrated, and under 3σ.
    pub mag: Option<f64>,
    /// Its error, that of the zero point included.
    pub mag_err: Option<f64>,
    /// Where `mag` is absent though the night is calibrated: fainter than this at 3σ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_3sigma_mag: Option<f64>,
    /// Mean surface brightness.
    pub mag_per_arcsec2: Option<f64>,
    /// Light over that which the whole ring has per angle, less one: what the sector has more than its ring's mean, −1 and up.
    /// Absent for a ring.
    pub excess: Option<f64>,
    /// Its error: noise of sector and ring.
    pub excess_err: Option<f64>,
    /// Share of the area that was masked and filled from the azimuthal profile, 0 to 1.
    pub filled_fraction: f64,
}

/// Slope of the azimuthal profile over a range of radius: brightness falls as ρ^−slope.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SlopeRecord {
    /// First radius used, on the sky.
    pub inner_arcsec: f64,
    /// Last radius used, on the sky.
    pub outer_arcsec: f64,
    /// First radius used, at the comet.
    pub inner_km: f64,
    /// Last radius used, at the comet.
    pub outer_km: f64,
    /// The slope, 1 for a coma in free outflow.
    pub slope: f64,
    /// Its error: rings and sky.
    pub slope_err: f64,
}

/// How the coma falls outward, from two star widths on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProfileShapeRecord {
    /// The slope over all of it.
    pub whole: SlopeRecord,
    /// Slopes over ranges a factor of two wide, innermost first.
    pub ranges: Vec<SlopeRecord>,
    /// By how much the slope over all of it exceeds 1, in its errors and those of the coma's own shape (0.02).
    pub sigmas_from_one: f64,
    /// Where it steepens; absent where one slope fits as well as two.
    pub steepening: Option<SteepeningRecord>,
}

/// The radius at which the coma becomes steeper.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SteepeningRecord {
    /// The radius, on the sky.
    pub radius_arcsec: f64,
    /// The radius, at the comet.
    pub radius_km: f64,
    /// Range in which it lies, at the comet: between the rings next to those at which it fits as well within one error.
    pub range_km: [f64; 2],
    /// Slope inside it.
    pub inner_slope: ValueRecord,
    /// Slope outside it.
    pub outer_slope: ValueRecord,
}

/// The light inside an isophote: what can be compared of a coma that has no edge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TotalMagnitudeRecord {
    /// The isophote's brightness.
    pub isophote_mag_arcsec2: f64,
    /// Magnitude of the light inside; absent where the extrapolation would be a guess (`not_given_because`).
    pub mag: Option<f64>,
    /// Its error; of an extrapolation mostly how the coma may go on.
    pub mag_err: Option<f64>,
    /// Radius of the isophote on the sky.
    pub radius_arcsec: Option<f64>,
    /// Radius of the isophote at the comet.
    pub radius_km: Option<f64>,
    /// Share of the light that lies beyond the measured circles, by extrapolation, 0 to 1.
    pub extrapolated: Option<f64>,
    /// Magnitude of the light inside the largest circle that was measured for it: the whole coma is brighter.
    pub measured_mag: f64,
    /// Its error.
    pub measured_mag_err: f64,
    /// Radius of that circle at the comet.
    pub measured_radius_km: f64,
    /// Why there is no magnitude inside the isophote.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_given_because: Option<String>,
}

/// Dust at one aperture for all comets, and what it may stand for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DustRecord {
    /// Aperture radius, 10 000 km.
    pub aperture_km: f64,
    /// A(θ)fρ there; absent where the aperture could not be measured (the reason is in `not_measured_because`).
    pub afrho_cm: Option<f64>,
    /// Its error.
    pub afrho_err_cm: Option<f64>,
    /// A(0°)fρ there.
    pub a0frho_cm: Option<f64>,
    /// Its error, without the choice of the phase function.
    pub a0frho_err_cm: Option<f64>,
    /// What the choice of the phase function may change A(0°)fρ by, 1σ.
    pub a0frho_choice_err_cm: Option<f64>,
    /// Why there is no Afρ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_measured_because: Option<String>,
    /// Sum of the grains' cross-sections inside the aperture, by the assumed albedo.
    pub cross_section_km2: Option<f64>,
    /// Dust leaving the comet, an order of magnitude.
    pub production: Option<DustProductionRecord>,
}

/// Dust production as an order of magnitude, and all that was assumed for it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DustProductionRecord {
    /// With the values assumed below.
    pub kg_per_s: f64,
    /// Range that the usual range of the assumed values spans.
    pub range_kg_per_s: [f64; 2],
    /// Assumed radius of the grains.
    pub grain_radius_um: f64,
    /// Assumed density of the grains.
    pub grain_density_kg_m3: f64,
    /// Assumed speed of the grains.
    pub grain_speed_m_s: f64,
    /// Assumed geometric albedo.
    pub geometric_albedo: f64,
}

/// How the zero points go with the airmass over the night.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExtinctionRecord {
    /// Range of the airmass.
    pub airmass: [f64; 2],
    /// Extinction; absent where the airmass spans too little for it, or the sky was not clear.
    pub mag_per_airmass: Option<f64>,
    /// Its error.
    pub mag_per_airmass_err: Option<f64>,
    /// Zero point outside the atmosphere, with the extinction.
    pub zero_point_outside_mag: Option<f64>,
    /// Root mean square of the frames' zero points about the fit.
    pub scatter_mag: f64,
    /// Whether the scatter is no more than the zero points' errors and 0.02 mag allow: a clear night.
    pub is_photometric: bool,
    /// Frames used.
    pub n_frames: usize,
}

/// The comet's colour between two bands, with another band's night.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ColourRecord {
    /// The bluer band.
    pub blue: String,
    /// The redder band.
    pub red: String,
    /// Aperture radius in which both were measured.
    pub aperture_km: f64,
    /// Magnitude difference, blue − red.
    pub colour_mag: f64,
    /// Its error.
    pub colour_err_mag: f64,
    /// The Sun's, in the same bands.
    pub solar_colour_mag: f64,
    /// Normalised reflectivity gradient S′, per cent per 1000 Å (100 nm).
    pub slope_percent_per_1000a: f64,
    /// Its error.
    pub slope_err_percent_per_1000a: f64,
    /// Time between the two, the other band's minus this one's.
    pub hours_apart: f64,
    /// The other band's record, by its SHA-256.
    pub other_sha256: String,
    /// The colour in every aperture that both bands have, that of `aperture_km` (the one of the least error) among them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub apertures: Vec<ApertureColourRecord>,
}

/// Colour and reddening in one aperture. Errors of different apertures are mostly the zero points' and so the same error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ApertureColourRecord {
    /// Aperture radius.
    pub aperture_km: f64,
    /// Magnitude difference, blue − red.
    pub colour_mag: f64,
    /// Its error.
    pub colour_err_mag: f64,
    /// S′, per cent per 1000 Å (100 nm).
    pub slope_percent_per_1000a: f64,
    /// Its error.
    pub slope_err_percent_per_1000a: f64,
}
