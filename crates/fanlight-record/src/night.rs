//! `night.json`: what one night of frames says about the comet.

use crate::light::*;
use crate::{GeometryRecord, ReportingRecord};
use serde::{Deserialize, Serialize};

/// The schema name written by this version.
pub const NIGHT_SCHEMA: &str = "fanlight/night/1";

/// One night, as other programs read it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NightRecord {
    /// Always [`NIGHT_SCHEMA`].
    pub schema: String,
    /// The comet's designation, free text.
    pub object: String,
    /// Exposure-weighted mean of the used frames' mid-times, UTC.
    pub mid_utc: String,
    /// Geometry at `mid_utc`.
    pub geometry: GeometryRecord,
    /// Every light frame found, used or not, in order of time.
    pub frames: Vec<FrameRecord>,
    /// The night's position of the comet, when it was found.
    pub astrometry: Option<AstrometryRecord>,
    /// One entry per aperture of the campaign; empty when the night could not be calibrated (see `notes`).
    pub photometry: Vec<PhotometryRecord>,
    /// The phase function by which `a0frho_cm` was divided.
    pub phase_function: Option<PhaseFunctionRecord>,
    /// Optocentre, kernel, limits and features.
    pub morphology: MorphologyRecord,
    /// Light inside circles of growing radius.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub curve_of_growth: Vec<GrowthRecord>,
    /// Light in rings and sectors: those of the campaign file, then those along features that are not artefacts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sectors: Vec<SectorRecord>,
    /// How the coma falls outward; absent with too few rings over the noise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub profile_shape: Option<ProfileShapeRecord>,
    /// The light inside an isophote; absent where nothing was calibrated or the coma does not reach it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub total_magnitude: Option<TotalMagnitudeRecord>,
    /// Dust in the aperture that all comets are compared in; absent where nothing was calibrated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dust: Option<DustRecord>,
    /// How the zero points go with the airmass; absent with too few frames.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extinction: Option<ExtinctionRecord>,
    /// The comet's colour, where the call named another band's night.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour: Option<ColourRecord>,
    /// The azimuthal radial profile of the comet-registered stack.
    pub profile: Vec<ProfileRecord>,
    /// How the zero point was tied to the catalogue.
    pub zero_point: Option<ZeroPointRecord>,
    /// The comet-registered stack.
    pub stack: StackRecord,
    /// Cloud, twilight, Moon, focus and wind in numbers; absent where no frame was used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conditions: Option<ConditionsRecord>,
    /// Site, telescope, filter and observers as figures and pages name them.
    pub setup: SetupRecord,
    /// Sentences that a reader must know: what was assumed, what could not be done and why; warnings first.
    pub notes: Vec<String>,
    /// How many of the first `notes` are warnings; the others are plain remarks on methods and assumptions.
    #[serde(default)]
    pub n_warnings: usize,
    /// How to make this again.
    pub provenance: Provenance,
    /// One or two plain sentences that the evidence supports.
    pub summary: String,
}

impl NightRecord {
    /// The checksums of its light frames: what a night is known by.
    pub fn light_checksums(&self) -> impl Iterator<Item = &str> {
        self.provenance.inputs.iter().filter(|i| i.role == "light" && !i.sha256.is_empty()).map(|i| i.sha256.as_str())
    }
}

/// One light frame.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FrameRecord {
    /// File name relative to the frames folder.
    pub file: String,
    /// Middle of the exposure, UTC.
    pub mid_utc: Option<String>,
    /// Exposure time.
    pub exposure_s: Option<f64>,
    /// The filter as the header spells it.
    pub filter: Option<String>,
    /// Whether the frame is in the stack.
    pub used: bool,
    /// Why it is not.
    pub rejected_because: Option<String>,
    /// Star image: √(major · minor) full width at half maximum.
    pub fwhm_arcsec: Option<f64>,
    /// Star image: major / minor axis, at least 1.
    pub elongation: Option<f64>,
    /// Position angle of the star image's major axis, in `[0, 180)`.
    pub elongation_pa_deg: Option<f64>,
    /// Sky brightness.
    pub sky_e_per_s_arcsec2: Option<f64>,
    /// Magnitude of 1 e⁻/s.
    pub zero_point_mag: Option<f64>,
    /// Its error, with the part that all frames of the night share.
    pub zero_point_err_mag: Option<f64>,
    /// Stars used for the zero point.
    pub zero_point_stars: Option<usize>,
    /// Measured right ascension of the comet.
    pub comet_ra_deg: Option<f64>,
    /// Measured declination of the comet.
    pub comet_dec_deg: Option<f64>,
    /// Error per axis of the measured place, that of the frame's solution included.
    pub comet_err_arcsec: Option<f64>,
    /// Observed minus computed place of the comet: `[Δα cos δ, Δδ]`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub comet_o_minus_c_arcsec: Option<[f64; 2]>,
    /// How the frame's coordinates were tied to the catalogue; absent where they could not be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub solution: Option<SolutionRecord>,
    /// Altitude of the comet at mid-exposure, airless.
    pub altitude_deg: Option<f64>,
    /// Airmass of the comet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub airmass: Option<f64>,
    /// Altitude of the Sun's centre, airless.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sun_altitude_deg: Option<f64>,
    /// Altitude of the Moon's centre, airless.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moon_altitude_deg: Option<f64>,
    /// Stars found in the part of the frame that was used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stars_found: Option<usize>,
    /// By how much the zero point is under the night's best: cloud, haze and the extinction of the airmass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub transparency_loss_mag: Option<f64>,
    /// Sky brightness by the frame's zero point.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sky_mag_arcsec2: Option<f64>,
    /// Weight of the frame; the mean of the frames in the stack is 1. Frames left out have the one that they would have had.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relative_weight: Option<f64>,
    /// Its share of the stack, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stack_share: Option<f64>,
    /// Its sub-stack, counted from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub substack: Option<usize>,
    /// A star within one star width of the nucleus that gives over 1 % of the light there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub star_near_nucleus: Option<NearStarRecord>,
}

/// A star beside the nucleus.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NearStarRecord {
    /// Its magnitude in the night's band.
    pub mag: f64,
    /// Its distance from the nucleus.
    pub distance_arcsec: f64,
    /// Its share of the light of star and coma in the seeing disc, 0 to 1.
    pub light_share: f64,
}

/// The night in numbers, over the frames used; ranges are the least and the greatest value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ConditionsRecord {
    /// Zero point of the most transparent frame.
    pub best_zero_point_mag: Option<f64>,
    /// Range of the zero points under the best one.
    pub transparency_loss_mag: Option<[f64; 2]>,
    /// Range of the sky brightness.
    pub sky_mag_arcsec2: Option<[f64; 2]>,
    /// Trend of the sky brightness; positive where it darkens.
    pub sky_trend_mag_per_hour: Option<TrendRecord>,
    /// Range of the Sun's altitude.
    pub sun_altitude_deg: Option<[f64; 2]>,
    /// Range of the Moon's altitude.
    pub moon_altitude_deg: Option<[f64; 2]>,
    /// Trend of the star width over airmass^0.6: what focus and the seeing itself do beside the comet's height.
    pub zenith_fwhm_trend_arcsec_per_hour: Option<TrendRecord>,
    /// Mean direction of the star images' major axes, weighed by their elongation, in `[0, 180)`.
    pub elongation_pa_deg: Option<f64>,
    /// How well the directions agree, 0 to 1: near 1 for drift or optics, near 0 for wind.
    pub elongation_alignment: Option<f64>,
    /// How many frames of equal weight would give as little noise.
    pub effective_frames: Option<f64>,
}

/// Slope of a straight line over time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrendRecord {
    /// Change per hour.
    pub per_hour: f64,
    /// Its error, from the scatter about the line.
    pub err_per_hour: f64,
}

impl FrameRecord {
    /// Why a frame is not in the stack that a person left out.
    pub const LEFT_OUT_BY_HAND: &str = "left out by the user";

    /// A frame that was left out, of which nothing is known but its name and the reason.
    pub fn left_out(file: &str, reason: &str) -> Self {
        Self { file: file.to_string(), rejected_because: Some(reason.to_string()), ..Self::default() }
    }
}

/// A frame's coordinates as fitted to the catalogue.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SolutionRecord {
    /// Stars that the fit kept.
    pub stars: usize,
    /// Root mean square of their residuals, per axis.
    pub rms_arcsec: f64,
    /// log10 of the odds of the match against chance.
    pub log10_odds: f64,
    /// Error per axis of the coordinates where the comet was measured, or else expected.
    pub comet_err_arcsec: f64,
    /// Order of the polynomial distortion, at least 2; absent where the stars ask for none and the header has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distortion_order: Option<u8>,
}

/// The night's place of the comet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AstrometryRecord {
    /// The instant of the place.
    pub mid_utc: String,
    /// Right ascension, ICRS.
    pub ra_deg: f64,
    /// Declination, ICRS.
    pub dec_deg: f64,
    /// Error per axis: the root of the mean of the two variances.
    pub err_arcsec: f64,
    /// Errors along right ascension (times cos δ) and declination, where the stack shows how they differ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub err_ra_dec_arcsec: Option<[f64; 2]>,
    /// Correlation of the two, −1 to 1; given with them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub err_correlation: Option<f64>,
    /// Observed minus computed: `[Δα cos δ, Δδ]`.
    pub o_minus_c_arcsec: [f64; 2],
}

/// Light in one circular aperture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotometryRecord {
    /// Aperture radius ρ at the comet.
    pub aperture_km: f64,
    /// The same on the sky.
    pub aperture_arcsec: f64,
    /// Catalogue band of the magnitude.
    pub band: String,
    /// Magnitude of the light in the aperture as seen; absent when the sum is under 3σ, and where the centre cannot be seen.
    pub mag: Option<f64>,
    /// Its error.
    pub mag_err: Option<f64>,
    /// Where `mag` is absent: fainter than this at 3σ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_3sigma_mag: Option<f64>,
    /// Where `mag` is absent because the centre is saturated or masked: the comet is brighter than this, the magnitude of
    /// the light in the aperture with the unseen centre no brighter than its surroundings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub brighter_than_mag: Option<f64>,
    /// A(θ)fρ.
    pub afrho_cm: Option<f64>,
    /// Its error.
    pub afrho_err_cm: Option<f64>,
    /// Where `limit_3sigma_mag` is given: A(θ)fρ is less than this at 3σ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub afrho_limit_3sigma_cm: Option<f64>,
    /// A(0°)fρ.
    pub a0frho_cm: Option<f64>,
    /// Its error; the choice of the phase function is not in it.
    pub a0frho_err_cm: Option<f64>,
    /// The error of `mag` term by term, all in magnitudes: noise, sky, zero point, centring, filled pixels.
    pub error_terms_mag: Vec<ErrorTerm>,
    /// Share of the coma's light in the aperture, before blurring, that seeing and motion take out of it, 0 to 1: `mag` is
    /// as seen and its error does not hold this. Absent where the profile does not tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seeing_loss: Option<f64>,
    /// Where the coma reaches the stack's edge: share of the aperture's light, 0 to 1, that a sky read at the edge would take
    /// away. The sky is fitted under the coma instead; what that may get wrong is in the error's sky term.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge_sky_loss: Option<f64>,
    /// Share of the aperture's pixels that were masked and filled from the azimuthal profile, 0 to 1.
    pub filled_fraction: f64,
}

impl PhotometryRecord {
    /// Whether the aperture has this radius at the comet, but for rounding.
    pub fn is_of_radius(&self, radius_km: f64) -> bool {
        (self.aperture_km - radius_km).abs() <= 1e-6 * radius_km.abs()
    }

    /// By how many magnitudes seeing makes the light in the aperture fainter than it is before blurring: a term of the error of `mag` where that is
    /// taken for light before blurring. `None` where the profile does not tell.
    pub fn seeing_mag(&self) -> Option<f64> {
        self.seeing_loss.filter(|loss| *loss < 1.0).map(|loss| -2.5 * (1.0 - loss).log10())
    }

    /// Error of `mag` as that of the light before blurring, which is not corrected: what seeing takes counts in full, in quadrature.
    pub fn mag_err_with_seeing(&self) -> Option<f64> {
        Some(self.mag_err?.hypot(self.seeing_mag()?))
    }
}

/// One named part of an error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ErrorTerm {
    /// What it comes from.
    pub name: String,
    /// Its size in magnitudes.
    pub mag: f64,
}

/// The phase function used for A(0°)fρ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhaseFunctionRecord {
    /// Its name.
    pub name: String,
    /// Paper and equation.
    pub source: String,
    /// φ(α) by which A(θ)fρ was divided.
    pub value: f64,
    /// What another choice of phase function may change A(0°)fρ by, as a share of it, 1σ; it is not in `a0frho_err_cm`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub choice_err: Option<f64>,
    /// Phase angles at which the function holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range_deg: Option<[f64; 2]>,
}

/// Optocentre, kernel, limits and features.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MorphologyRecord {
    /// Error per axis of the optocentre in the stack.
    pub optocentre_err_arcsec: Option<f64>,
    /// How a point at the comet is imaged in the stack: seeing, motion and resampling.
    pub psf: Option<KernelRecord>,
    /// Contrast limits; empty while structure is not analysed.
    pub detection_limit: Vec<DetectionLimit>,
    /// Features; empty while structure is not analysed.
    pub features: Vec<FeatureRecord>,
    /// Whether structure was analysed at all; `false` means that an empty list of features says nothing.
    pub analysed: bool,
    /// Where structure was not analysed: why, in a sentence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_analysed_because: Option<String>,
    /// Condensations beside the centre; they were taken out before features were looked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub condensations: Vec<CondensationRecord>,
    /// The featureless twin that features are held against.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub twin: Option<TwinRecord>,
    /// What was searched, and how high chance alone reaches.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub search: Option<SearchRecord>,
    /// Brightness by direction in rings, each twice as far out as the one before.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub azimuthal_profiles: Vec<AzimuthalProfile>,
}

/// The coma's brightness by direction in a ring, as shares of the ring's mean less 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AzimuthalProfile {
    /// Where the ring begins, km at the comet.
    pub inner_km: f64,
    /// Where it ends.
    pub outer_km: f64,
    /// Per sector of equal width, from north through east, the first one beginning at north; absent where all of it is masked.
    pub contrast: Vec<Option<f64>>,
    /// Its error by the noise of the pixels.
    pub contrast_err: Vec<Option<f64>>,
}

/// A second condensation: light of a point beside the comet's centre, at one place in both halves of the night.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CondensationRecord {
    /// Distance from the optocentre.
    pub distance_arcsec: f64,
    /// Position angle from it.
    pub pa_deg: f64,
    /// Error of its place per axis.
    pub err_arcsec: f64,
    /// Magnitude of its light; absent where nothing was calibrated.
    pub mag: Option<f64>,
    /// Its error.
    pub mag_err: Option<f64>,
    /// Whether the stars passed by so far that it is none; `false` where that does not show.
    pub moves_with_comet: bool,
}

/// The featureless twin: the best-fitting coma without narrow structure, imaged as the night was.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TwinRecord {
    /// Inner radius of the area that it was held against the night in.
    pub inner_arcsec: f64,
    /// Outer radius of it.
    pub outer_arcsec: f64,
    /// Slope of the coma before blurring, as in ρ^−slope, in the middle of that area.
    pub slope: f64,
    /// Light of an unresolved nucleus as a share of the light within the inner radius, 0 to 1.
    pub nucleus_share: Option<f64>,
    /// Scatter of the night about the twin with all features in it, over the noise that the search counts with: near 1 where the twin
    /// explains all, lower where stars may leave more than they did.
    pub scatter_over_noise: f64,
    /// Largest difference in azimuthal mean between night and twin in the area, as a share of the coma.
    pub profile_misfit: f64,
}

/// What was searched for features.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SearchRecord {
    /// Inner radius of the searched area.
    pub inner_arcsec: f64,
    /// Outer radius of it.
    pub outer_arcsec: f64,
    /// Templates compared with the coma.
    pub n_templates: usize,
    /// Featureless twins searched in the same way.
    pub n_twins: usize,
    /// Significance (amplitude over error) that one twin in a hundred exceeds somewhere.
    pub level_1_percent: f64,
    /// The same for one twin in a thousand.
    pub level_0_1_percent: f64,
    /// Smallest false-alarm probability that the twins were counted for; smaller ones are extrapolated.
    pub counted_to: f64,
    /// Smallest false-alarm probability of any jet or arc and of what was left beside all features, before verdicts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub smallest_false_alarm_probability: Option<f64>,
}

/// A point of a feature's ridge line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RidgePoint {
    /// Distance from the optocentre.
    pub rho_arcsec: f64,
    /// Position angle, in `[0, 360)`.
    pub pa_deg: f64,
}

/// Shape of an image of a point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KernelRecord {
    /// √(major · minor) full width at half maximum.
    pub fwhm_arcsec: f64,
    /// Major / minor axis, at least 1.
    pub elongation: f64,
    /// Position angle of the major axis, in `[0, 180)`.
    pub pa_deg: f64,
}

/// Contrast that would have been found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DetectionLimit {
    /// Full width at half maximum in position angle.
    pub width_deg: f64,
    /// Inner radius.
    pub inner_arcsec: f64,
    /// Outer radius.
    pub outer_arcsec: f64,
    /// Share of injections that got the verdict `supported`.
    pub recovered_fraction: f64,
    /// Contrast as seen.
    pub contrast: f64,
}

/// A structure in the coma.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FeatureRecord {
    /// `jet`, `fan`, `tail` or `arc`.
    pub kind: String,
    /// Position angle at the inner edge (of an arc: its middle).
    pub pa_deg: f64,
    /// Its error.
    pub pa_err_deg: f64,
    /// Full width at half maximum in position angle, as seen.
    pub width_deg: f64,
    /// Change of position angle with radius; absent for an arc.
    pub curvature_deg_per_arcsec: Option<f64>,
    /// Inner radius.
    pub inner_arcsec: f64,
    /// Outer radius.
    pub outer_arcsec: f64,
    /// Inner radius at the comet.
    pub inner_km: f64,
    /// Outer radius at the comet.
    pub outer_km: f64,
    /// Own light minus its azimuthal mean, over the azimuthal mean of the coma.
    pub contrast: f64,
    /// Its error.
    pub contrast_err: f64,
    /// Chance that a coma without this feature shows as much anywhere searched.
    pub false_alarm_probability: f64,
    /// `supported`, `provisional`, `artefact` or `not_significant`.
    pub verdict: String,
    /// `pa_deg` minus the sunward direction, in `(−180, 180]`.
    pub offset_from_sunward_deg: f64,
    /// Every challenge and its outcome.
    pub challenges: Vec<ChallengeRecord>,
    /// Amplitude over its error, with what centre, kernel and sky could have made projected out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub significance: Option<f64>,
    /// Error of `width_deg`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width_err_deg: Option<f64>,
    /// The contrast before seeing and motion, by the fitted model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contrast_intrinsic: Option<f64>,
    /// What explains an artefact, or what a provisional feature lacks: one sentence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub because: Option<String>,
    /// The ridge line, from the inner to the outer radius (of an arc: along its crest), for drawing.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ridge: Vec<RidgePoint>,
}

/// One challenge to a feature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChallengeRecord {
    /// `noise`, `centre`, `elongation`, `halves`, `stars`, `detector`, `method` or `history`.
    pub name: String,
    /// `passed`, `failed` or `not_tested`.
    pub outcome: String,
    /// The number.
    pub statistic: Option<f64>,
    /// What it is held against.
    pub threshold: Option<f64>,
    /// One plain sentence.
    pub explanation: String,
}

/// One ring of the azimuthal profile.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProfileRecord {
    /// Mean radius of the ring.
    pub rho_arcsec: f64,
    /// Inner edge of the ring.
    pub inner_arcsec: f64,
    /// Outer edge of the ring.
    pub outer_arcsec: f64,
    /// Sky-subtracted surface brightness, azimuthal mean of the good pixels.
    pub mean_e_per_s_arcsec2: f64,
    /// Its error.
    pub err_e_per_s_arcsec2: f64,
    /// The same in magnitudes per square arcsecond where it is calibrated and over 3σ.
    pub mag_per_arcsec2: Option<f64>,
    /// Light inside the ring's outer edge, as seen.
    pub enclosed_e_per_s: f64,
}

/// How instrumental counts became magnitudes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZeroPointRecord {
    /// Catalogue band.
    pub band: String,
    /// Magnitude of 1 e⁻/s in the stack.
    pub stack_zero_point_mag: f64,
    /// Its error.
    pub stack_zero_point_err_mag: f64,
    /// Coefficient of the catalogue colour, when one was fitted.
    pub colour_term: Option<f64>,
    /// The colour that the term multiplies, such as `g-r`.
    pub colour: Option<String>,
    /// The colour assumed for the comet.
    pub comet_colour_mag: Option<f64>,
    /// Stars used, one entry each.
    pub stars: Vec<ZeroPointStar>,
}

/// One comparison star.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZeroPointStar {
    /// Catalogue magnitude in the band.
    pub catalogue_mag: f64,
    /// Catalogue colour, when known.
    pub colour_mag: Option<f64>,
    /// Measured minus catalogue magnitude after calibration, averaged over the night.
    pub residual_mag: f64,
    /// Error of the residual.
    pub err_mag: f64,
    /// Whether it was kept in the fit.
    pub used: bool,
}

/// The comet-registered stack.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StackRecord {
    /// Frames combined.
    pub n_frames: usize,
    /// Sum of their exposures.
    pub exposure_s: f64,
    /// First and last exposure's middle, UTC.
    pub first_utc: String,
    /// Last exposure's middle, UTC.
    pub last_utc: String,
    /// Sub-stacks.
    pub n_substacks: usize,
    /// What each sub-stack holds: they are balanced in weight, time and airmass.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub substacks: Vec<SubstackRecord>,
    /// Radius of the circle whose light the frames' weights measure best.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weights_radius_arcsec: Option<f64>,
    /// The coma's light in it for which they were worked out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weights_light_e_per_s: Option<f64>,
    /// Pixels along a row.
    pub width_px: usize,
    /// Rows.
    pub height_px: usize,
    /// 0-based column of the optocentre.
    pub centre_x_px: f64,
    /// 0-based row of the optocentre.
    pub centre_y_px: f64,
    /// `[[∂east/∂x, ∂east/∂y], [∂north/∂x, ∂north/∂y]]` at the optocentre, arcsec per pixel.
    pub arcsec_per_px: [[f64; 2]; 2],
    /// Sky that was left in the stack and subtracted, e⁻/s per square arcsecond.
    pub residual_sky_e_per_s_arcsec2: f64,
    /// Its error.
    pub residual_sky_err_e_per_s_arcsec2: f64,
    /// Order of the fitted sky: 1 a plane, 2 a bent one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sky_order: Option<usize>,
    /// The coma's brightness at the stack's edge by the fit, e⁻/s per square arcsecond.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coma_at_edge_e_per_s_arcsec2: Option<f64>,
    /// Noise per pixel on the sky, e⁻/s.
    pub sky_noise_e_per_s_px: f64,
}

/// One sub-stack.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SubstackRecord {
    /// Frames in it.
    pub n_frames: usize,
    /// Its share of the whole stack's weight, 0 to 1.
    pub share: f64,
    /// Mean of the frames' mid-times by weight, UTC.
    pub mid_utc: String,
    /// Mean airmass by weight.
    pub airmass: Option<f64>,
}

/// What took the pictures, and who.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetupRecord {
    /// Name of the site.
    pub site: Option<String>,
    /// East longitude, WGS 84.
    pub longitude_deg: f64,
    /// Geodetic latitude.
    pub latitude_deg: f64,
    /// Height above the ellipsoid.
    pub height_m: f64,
    /// Name of the telescope.
    pub telescope: Option<String>,
    /// Filter as the headers spell it.
    pub filter: Option<String>,
    /// Observers.
    pub observers: Vec<String>,
    /// Whether the frames' headers say that a program made them (`SIMULATE = T`).
    #[serde(default)]
    pub simulated: bool,
    /// What a report of places needs beside the measurements.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reporting: Option<ReportingRecord>,
}

/// How the record was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Provenance {
    /// Program and version.
    pub program: String,
    /// The line to run it again.
    pub command: String,
    /// Every input with its checksum.
    pub inputs: Vec<InputFile>,
    /// Methods with their citations, one sentence each.
    pub methods: Vec<String>,
}

/// One input file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InputFile {
    /// File name relative to the frames folder or the campaign file.
    pub file: String,
    /// What it was taken for: `light`, `bias`, `dark`, `flat`, `campaign`, `catalogue`.
    pub role: String,
    /// SHA-256 of its bytes, hexadecimal.
    pub sha256: String,
}
