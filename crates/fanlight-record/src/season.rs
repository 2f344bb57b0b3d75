//! `season.json`: what several nights together say about the comet.

use crate::Provenance;
use serde::{Deserialize, Serialize};

/// The schema name written by this version.
pub const SEASON_SCHEMA: &str = "fanlight/season/1";

/// Several nights together, as other programs read them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonRecord {
    /// Always [`SEASON_SCHEMA`].
    pub schema: String,
    /// The comet's designation, free text.
    pub object: String,
    /// The nights, in order of time.
    pub nights: Vec<SeasonNight>,
    /// Each night against the one before it in the same band.
    pub changes: Vec<ChangeRecord>,
    /// Features followed over nights.
    pub tracks: Vec<TrackRecord>,
    /// The dust over time and distance.
    pub activity: ActivityRecord,
    /// Periods looked for in the light near the nucleus and in the likeness of the nights' structure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub period_searches: Vec<PeriodSearchRecord>,
    /// Arcs followed outward.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub expansions: Vec<ExpansionRecord>,
    /// What was left out, and why; what was assumed.
    pub notes: Vec<String>,
    /// How to make this again.
    pub provenance: Provenance,
    /// One or two plain sentences that the evidence supports.
    pub summary: String,
}

/// One night of the season.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeasonNight {
    /// The night's middle, UTC.
    pub mid_utc: String,
    /// The site's name, or its coordinates where it has none.
    pub site: String,
    /// The catalogue's band; the filter where nothing was calibrated.
    pub band: Option<String>,
    /// Distance from the Sun.
    pub r_au: f64,
    /// `pre` or `post` perihelion; `null` where the orbit does not tell.
    pub side: Option<String>,
    /// Distance from the observer.
    pub delta_au: f64,
    /// Sun–comet–observer angle.
    pub phase_deg: f64,
    /// Position angle toward the Sun.
    pub sunward_pa_deg: f64,
    /// Position angle of the extended radius vector.
    pub antisolar_pa_deg: f64,
    /// Position angle of minus the heliocentric velocity, projected.
    pub negative_velocity_pa_deg: f64,
    /// Kilometres at the comet per arcsecond.
    pub km_per_arcsec: f64,
    /// Width of the star image in the stack.
    pub fwhm_arcsec: Option<f64>,
    /// Telescope.
    pub telescope: Option<String>,
    /// Sum of the exposures.
    pub exposure_s: f64,
    /// Frames in the stack.
    pub n_frames: usize,
    /// The night's folder, as it was named.
    pub folder: Option<String>,
    /// Whether a program made the frames.
    #[serde(default)]
    pub simulated: bool,
}

/// One night against an earlier one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChangeRecord {
    /// Middle of the earlier night.
    pub from_utc: String,
    /// Middle of the later night.
    pub to_utc: String,
    /// One sentence.
    pub statement: String,
    /// Smallest change of contrast that would have been found 90 % of the time.
    pub limit_contrast: Option<f64>,
    /// Width in position angle of the wedge that the limit is of.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_width_deg: Option<f64>,
    /// What changed; empty where nothing did.
    pub features: Vec<ChangedFeature>,
    /// Smallest probability of any change that was looked at, supported or not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub smallest_probability: Option<f64>,
    /// Range of distances from the nucleus that was compared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range_km: Option<[f64; 2]>,
    /// Why the nights were not compared; `limit_contrast` is then `null`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_compared_because: Option<String>,
}

/// One change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChangedFeature {
    /// `new`, `gone`, `moved`, `brighter` or `fainter`.
    pub what: String,
    /// `jet`, `fan`, `tail` or `arc`; `coma` where neither night by itself shows one there.
    pub kind: String,
    /// Position angle on the later night; of what is gone, on the earlier one.
    pub pa_deg: f64,
    /// Its error.
    pub pa_err_deg: f64,
    /// Change of contrast, or degrees of PA for `moved`.
    pub amount: f64,
    /// Its error.
    pub amount_err: f64,
    /// Chance of so much change anywhere from noise, seeing and processing alone.
    pub probability: f64,
}

/// A feature followed over nights.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackRecord {
    /// `jet`, `fan`, `tail` or `arc`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Where it was, night by night.
    pub points: Vec<TrackPoint>,
    /// Slope of PA over time; `null` with one night.
    pub drift_deg_per_day: Option<f64>,
    /// Its error.
    pub drift_err_deg_per_day: Option<f64>,
    /// Natural logarithms of the models' likelihoods, the price of their parameters taken off; `null` with too few nights.
    pub log_likelihood: Option<DirectionLikelihoods>,
    /// The model whose odds exceed 20 to 1 against each other one: `fixed_to_sun`, `fixed_in_space`, `rotating`.
    pub preferred: Option<String>,
    /// The period, where one was found.
    pub period: Option<PeriodRecord>,
    /// Why no period was looked for, or none found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub no_period_because: Option<String>,
}

/// One night of a track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackPoint {
    /// The night's middle.
    pub utc: String,
    /// Position angle at the feature's inner edge.
    pub pa_deg: f64,
    /// Its error.
    pub pa_err_deg: f64,
    /// Contrast as seen.
    pub contrast: f64,
}

/// How well three models of a direction agree with the nights.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DirectionLikelihoods {
    /// A constant offset from the sunward PA.
    pub fixed_to_sun: f64,
    /// One direction in space, projected at each date.
    pub fixed_in_space: f64,
    /// A periodic direction; `null` where too few nights ask for it.
    pub rotating: Option<f64>,
}

/// A period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PeriodRecord {
    /// Period.
    pub period_h: f64,
    /// Its error.
    pub err_h: f64,
    /// Chance of so strong a period anywhere in the range searched from the same values in another order.
    pub false_alarm_probability: f64,
    /// Other periods that the sampling cannot tell from it.
    pub aliases_h: Vec<f64>,
}

/// A search for a period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PeriodSearchRecord {
    /// What was searched: `near-nucleus light`, or `coma's looks` between two distances.
    pub of: String,
    /// Nights.
    pub n: usize,
    /// Range of periods.
    pub range_h: Option<[f64; 2]>,
    /// The period, where one was found.
    pub period: Option<PeriodRecord>,
    /// Why there is none.
    pub because: Option<String>,
}

/// An arc followed outward.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExpansionRecord {
    /// Position angle of its middle.
    pub pa_deg: f64,
    /// Nights it was seen on, and its radius.
    pub points: Vec<ExpansionPoint>,
    /// Speed on the sky's plane.
    pub speed_km_s: f64,
    /// Its error.
    pub speed_err_km_s: f64,
}

/// One night of an arc.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExpansionPoint {
    /// The night's middle.
    pub utc: String,
    /// Distance from the nucleus.
    pub radius_km: f64,
    /// Its error.
    pub radius_err_km: f64,
}

/// The dust over time and distance.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ActivityRecord {
    /// One per night and aperture.
    pub points: Vec<ActivityPoint>,
    /// Power laws, before and after perihelion apart.
    pub fits: Vec<ActivityFit>,
    /// Steps against the trend.
    pub outbursts: Vec<OutburstRecord>,
    /// Beside other comets at the same distances.
    pub comparison: Vec<ComparisonRecord>,
    /// How the slopes before and after perihelion differ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asymmetry: Option<AsymmetryRecord>,
    /// Rank among the comets that can be compared, brightest first, at one distance.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rank: Option<RankRecord>,
}

/// Afρ at zero phase on one night.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ActivityPoint {
    /// The night's middle.
    pub utc: String,
    /// Distance from the Sun.
    pub r_au: f64,
    /// `pre` or `post` perihelion.
    pub side: Option<String>,
    /// Band.
    pub band: String,
    /// Site.
    pub site: String,
    /// Radius at the comet.
    pub aperture_km: f64,
    /// Afρ at zero phase.
    pub a0frho_cm: Option<f64>,
    /// Its error.
    pub a0frho_err_cm: Option<f64>,
    /// Magnitude.
    pub mag: Option<f64>,
    /// Its error.
    pub mag_err: Option<f64>,
    /// Whether it is part of the fits; outbursts and other bands are not.
    pub in_fit: bool,
}

/// Afρ as a power of the distance from the Sun.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ActivityFit {
    /// `pre` or `post`.
    pub side: String,
    /// Band.
    pub band: String,
    /// Radius at the comet.
    pub aperture_km: f64,
    /// Exponent.
    pub slope: f64,
    /// Its error.
    pub slope_err: f64,
    /// Afρ at zero phase at 1 au by the fit; it may lie outside the range that was seen.
    pub afrho_1au_cm: f64,
    /// Its error.
    pub afrho_1au_err_cm: f64,
    /// Scatter of the nights beyond their errors.
    pub scatter_dex: f64,
    /// Nights.
    pub n_nights: usize,
    /// Distances from the Sun that were seen.
    pub r_range_au: [f64; 2],
}

/// Slopes before and after perihelion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AsymmetryRecord {
    /// Slope after minus slope before.
    pub slope_difference: f64,
    /// Its error.
    pub slope_difference_err: f64,
    /// Afρ after over before, at `r_au`.
    pub ratio: Option<f64>,
    /// Its error.
    pub ratio_err: Option<f64>,
    /// Where the ratio was taken: in the middle of the range that both sides share.
    pub r_au: Option<f64>,
}

/// A step in brightness.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OutburstRecord {
    /// First night that shows it.
    pub utc: String,
    /// Last night before it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after_utc: Option<String>,
    /// Step in magnitude, negative for brighter.
    pub step_mag: f64,
    /// Its error.
    pub step_err_mag: f64,
    /// Chance of such a step anywhere in the season from the scatter of the trend.
    pub false_alarm_probability: f64,
    /// Whether a bend of the trend explains the nights nearly as well.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub or_bend: bool,
}

/// Beside another comet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparisonRecord {
    /// The other comet.
    pub comet: String,
    /// Where its values were published.
    pub source: String,
    /// Distances from the Sun where both were seen.
    pub r_range_au: Option<[f64; 2]>,
    /// This comet's Afρ over the other's.
    pub ratio: Option<f64>,
    /// Its error.
    pub ratio_err: Option<f64>,
    /// The other comet's published or fitted slope.
    pub slope: Option<f64>,
    /// Its error.
    pub slope_err: Option<f64>,
    /// What makes the comparison unfair.
    pub caveats: Vec<String>,
    /// Whether it may stand in a sentence.
    pub fair: bool,
    /// The other comet's points.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<ComparisonPoint>,
}

/// A point of another comet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ComparisonPoint {
    /// Distance from the Sun.
    pub r_au: f64,
    /// Afρ as published.
    pub afrho_cm: f64,
    /// Its error.
    pub afrho_err_cm: Option<f64>,
}

/// A rank.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RankRecord {
    /// 1 is the dustiest.
    pub rank: usize,
    /// Comets ranked, this one among them.
    pub of: usize,
    /// Distance from the Sun.
    pub r_au: f64,
}
