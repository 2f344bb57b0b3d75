//! The ledger's rows, as they are read, and as a night's record gives them.

use std::path::PathBuf;

use fanlight_record::NightRecord;
use fanlight_sky::UtcInstant;
use serde::Serialize;

use super::night_file::Times;

/// On which side of perihelion a night was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Before it.
    Pre,
    /// After it.
    Post,
}

impl Side {
    /// `pre` or `post`.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Pre => "pre",
            Self::Post => "post",
        }
    }
}

/// A night without its measurements. Times are UTC, ISO 8601 to the millisecond; what is unknown is `None`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NightRow {
    /// Its number in this ledger.
    pub id: i64,
    /// Exposure-weighted middle of the night.
    pub mid_utc: String,
    /// Middle of the first exposure in the stack.
    pub first_utc: String,
    /// Middle of the last one.
    pub last_utc: String,
    /// Name of the site.
    pub site: Option<String>,
    /// East longitude, WGS 84.
    pub longitude_deg: f64,
    /// Geodetic latitude, WGS 84.
    pub latitude_deg: f64,
    /// Name of the telescope.
    pub telescope: Option<String>,
    /// The band measured in.
    pub band: Option<String>,
    /// Distance from the Sun.
    pub r_au: f64,
    /// Distance from the observer.
    pub delta_au: f64,
    /// Sun–comet–observer angle.
    pub phase_deg: f64,
    /// Position angle from the comet toward the Sun.
    pub sunward_pa_deg: f64,
    /// Before or after perihelion.
    pub side: Option<Side>,
    /// Frames in the stack.
    pub n_frames: i64,
    /// Sum of their exposures.
    pub exposure_s: f64,
    /// Whether structure was looked for: `false` means that no feature says nothing.
    pub analysed: bool,
    /// Whether a program made the frames.
    pub simulated: bool,
    /// Folder of the products; `None` where it is not known, or another night's products have replaced these.
    pub out_dir: Option<PathBuf>,
    /// SHA-256 of night.json.
    pub record_sha256: String,
    /// Program and version that measured it.
    pub program: String,
    /// When it came into the ledger, by this computer's clock.
    pub recorded_utc: String,
}

/// A light frame of a night.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameRow {
    /// The night.
    pub night_id: i64,
    /// Its name in the folder of frames.
    pub file: String,
    /// SHA-256 of it; `None` where it was left out unread.
    pub sha256: Option<String>,
    /// Middle of the exposure.
    pub mid_utc: Option<String>,
    /// Exposure time.
    pub exposure_s: Option<f64>,
    /// The filter as the header spells it.
    pub filter: Option<String>,
    /// Whether it is in the stack.
    pub used: bool,
    /// Why it is not.
    pub rejected_because: Option<String>,
}

/// Light in one aperture of a night; fields as in `fanlight_record::PhotometryRecord`.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "the record's own fields")]
pub struct PhotometryRow {
    pub night_id: i64,
    pub aperture_km: f64,
    pub aperture_arcsec: f64,
    pub band: String,
    pub mag: Option<f64>,
    pub mag_err: Option<f64>,
    pub limit_3sigma_mag: Option<f64>,
    pub brighter_than_mag: Option<f64>,
    pub afrho_cm: Option<f64>,
    pub afrho_err_cm: Option<f64>,
    pub a0frho_cm: Option<f64>,
    pub a0frho_err_cm: Option<f64>,
}

/// A feature of a night; fields as in `fanlight_record::FeatureRecord`.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "the record's own fields")]
pub struct FeatureRow {
    pub night_id: i64,
    /// Its place in the record's list, from 0.
    pub position: i64,
    pub kind: String,
    pub pa_deg: f64,
    pub pa_err_deg: f64,
    pub width_deg: f64,
    pub width_err_deg: Option<f64>,
    pub curvature_deg_per_arcsec: Option<f64>,
    pub inner_arcsec: f64,
    pub outer_arcsec: f64,
    pub inner_km: f64,
    pub outer_km: f64,
    pub contrast: f64,
    pub contrast_err: f64,
    pub contrast_intrinsic: Option<f64>,
    pub significance: Option<f64>,
    pub false_alarm_probability: f64,
    pub verdict: String,
    pub offset_from_sunward_deg: f64,
    pub challenges: Vec<ChallengeRow>,
}

/// A challenge to a feature; fields as in `fanlight_record::ChallengeRecord`.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "the record's own fields")]
pub struct ChallengeRow {
    pub name: String,
    pub outcome: String,
    pub statistic: Option<f64>,
    pub threshold: Option<f64>,
}

/// A file that a night was made from.
#[derive(Debug, Clone, PartialEq)]
pub struct InputRow {
    /// The night.
    pub night_id: i64,
    /// File name relative to the frames folder or the campaign file.
    pub file: String,
    /// What it was taken for.
    pub role: String,
    /// SHA-256 of it, hexadecimal.
    pub sha256: String,
}

/// What a night's row holds beside its record.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Beside {
    pub(super) id: i64,
    pub(super) band: Option<String>,
    pub(super) side: Option<Side>,
    pub(super) out_dir: Option<PathBuf>,
    pub(super) record_sha256: String,
    pub(super) recorded_utc: String,
}

impl NightRow {
    pub(super) fn of(record: &NightRecord, times: &Times, beside: Beside) -> Self {
        let (setup, geometry) = (&record.setup, &record.geometry);
        Self {
            id: beside.id,
            mid_utc: times.mid.to_iso(),
            first_utc: times.first.to_iso(),
            last_utc: times.last.to_iso(),
            site: setup.site.clone(),
            longitude_deg: setup.longitude_deg,
            latitude_deg: setup.latitude_deg,
            telescope: setup.telescope.clone(),
            band: beside.band,
            r_au: geometry.r_au,
            delta_au: geometry.delta_au,
            phase_deg: geometry.phase_deg,
            sunward_pa_deg: geometry.sunward_pa_deg,
            side: beside.side,
            n_frames: record.stack.n_frames as i64,
            exposure_s: record.stack.exposure_s,
            analysed: record.morphology.analysed,
            simulated: setup.simulated,
            out_dir: beside.out_dir,
            record_sha256: beside.record_sha256,
            program: record.provenance.program.clone(),
            recorded_utc: beside.recorded_utc,
        }
    }

    /// What of this row its record does not say.
    pub(super) fn beside(&self) -> Beside {
        Beside {
            id: self.id,
            band: self.band.clone(),
            side: self.side,
            out_dir: self.out_dir.clone(),
            record_sha256: self.record_sha256.clone(),
            recorded_utc: self.recorded_utc.clone(),
        }
    }
}

/// Everything that a night has in the other tables.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tables {
    pub(super) frames: Vec<FrameRow>,
    pub(super) photometry: Vec<PhotometryRow>,
    pub(super) features: Vec<FeatureRow>,
    pub(super) inputs: Vec<InputRow>,
}

impl Tables {
    pub(super) fn of(record: &NightRecord, night_id: i64) -> Self {
        Self {
            frames: frames(record, night_id),
            photometry: photometry(record, night_id),
            features: features(record, night_id),
            inputs: inputs(record, night_id),
        }
    }
}

fn frames(record: &NightRecord, night_id: i64) -> Vec<FrameRow> {
    let checksum = |file: &str| {
        let input = record.provenance.inputs.iter().find(|i| i.role == "light" && i.file == file)?;
        Some(input.sha256.clone())
    };
    // a time that is none is kept as it stands
    let canonical = |text: &String| UtcInstant::parse(text).map_or_else(|_| text.clone(), |t| t.to_iso());
    let row = |frame: &fanlight_record::FrameRecord| FrameRow {
        night_id,
        file: frame.file.clone(),
        sha256: checksum(&frame.file),
        mid_utc: frame.mid_utc.as_ref().map(canonical),
        exposure_s: frame.exposure_s,
        filter: frame.filter.clone(),
        used: frame.used,
        rejected_because: frame.rejected_because.clone(),
    };
    record.frames.iter().map(row).collect()
}

fn photometry(record: &NightRecord, night_id: i64) -> Vec<PhotometryRow> {
    let row = |p: &fanlight_record::PhotometryRecord| PhotometryRow {
        night_id,
        aperture_km: p.aperture_km,
        aperture_arcsec: p.aperture_arcsec,
        band: p.band.clone(),
        mag: p.mag,
        mag_err: p.mag_err,
        limit_3sigma_mag: p.limit_3sigma_mag,
        brighter_than_mag: p.brighter_than_mag,
        afrho_cm: p.afrho_cm,
        afrho_err_cm: p.afrho_err_cm,
        a0frho_cm: p.a0frho_cm,
        a0frho_err_cm: p.a0frho_err_cm,
    };
    record.photometry.iter().map(row).collect()
}

fn features(record: &NightRecord, night_id: i64) -> Vec<FeatureRow> {
    let challenge = |c: &fanlight_record::ChallengeRecord| ChallengeRow {
        name: c.name.clone(),
        outcome: c.outcome.clone(),
        statistic: c.statistic,
        threshold: c.threshold,
    };
    let row = |(position, f): (i64, &fanlight_record::FeatureRecord)| FeatureRow {
        night_id,
        position,
        kind: f.kind.clone(),
        pa_deg: f.pa_deg,
        pa_err_deg: f.pa_err_deg,
        width_deg: f.width_deg,
        width_err_deg: f.width_err_deg,
        curvature_deg_per_arcsec: f.curvature_deg_per_arcsec,
        inner_arcsec: f.inner_arcsec,
        outer_arcsec: f.outer_arcsec,
        inner_km: f.inner_km,
        outer_km: f.outer_km,
        contrast: f.contrast,
        contrast_err: f.contrast_err,
        contrast_intrinsic: f.contrast_intrinsic,
        significance: f.significance,
        false_alarm_probability: f.false_alarm_probability,
        verdict: f.verdict.clone(),
        offset_from_sunward_deg: f.offset_from_sunward_deg,
        challenges: f.challenges.iter().map(challenge).collect(),
    };
    (0..).zip(&record.morphology.features).map(row).collect()
}

fn inputs(record: &NightRecord, night_id: i64) -> Vec<InputRow> {
    let row = |i: &fanlight_record::InputFile| InputRow {
        night_id,
        file: i.file.clone(),
        role: i.role.clone(),
        sha256: i.sha256.clone(),
    };
    record.provenance.inputs.iter().map(row).collect()
}
