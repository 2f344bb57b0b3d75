//! Sectors that a person measures by hand: measured, kept in the ledger under a name, undone, brought back.

use super::answer::{Asked, At, BodyRefusals, Refusal, Refusals};
use super::own_sector::{Measured, OwnSectors, Sector};
use super::state::{Desk, DeskNight};
use crate::Failure;
use crate::ledger::entry;
use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use fanlight_io::ledger::{MeasurementRow, NewMeasurement};
use fanlight_io::{Ledger, LedgerError};
use serde::{Deserialize, Serialize};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;
use utoipa::ToSchema;

/// Nights whose models are kept: the one looked at and the one before.
const MODELS_KEPT: usize = 2;
/// Longest name and note, in characters.
const LONGEST: (usize, usize) = (100, 1000);

/// Models of nights that sectors have been measured in, the one used last in front.
#[derive(Default)]
pub struct Models {
    alone: tokio::sync::Mutex<()>,
    kept: Mutex<Vec<(String, Arc<OwnSectors>)>>,
}

/// A sector of the coma.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SectorRequest {
    /// Position angle of its middle, north through east.
    pa_deg: f64,
    /// Full width, up to 180.
    #[schema(minimum = 0, maximum = 180)]
    width_deg: f64,
    /// Where it begins.
    #[schema(minimum = 0)]
    inner_arcsec: f64,
    /// Where it ends.
    #[schema(minimum = 0)]
    outer_arcsec: f64,
}

/// A sector to be measured and kept.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KeepRequest {
    /// Who measures.
    #[schema(min_length = 1, max_length = 100)]
    person: String,
    /// What that person wants to say about it.
    #[schema(max_length = 1000)]
    note: Option<String>,
    /// Position angle of its middle, north through east.
    pa_deg: f64,
    /// Full width, up to 180.
    #[schema(minimum = 0, maximum = 180)]
    width_deg: f64,
    /// Where it begins.
    #[schema(minimum = 0)]
    inner_arcsec: f64,
    /// Where it ends.
    #[schema(minimum = 0)]
    outer_arcsec: f64,
}

/// A sector measured, or why it cannot be: an answer as good as the other.
#[derive(Debug, Serialize, ToSchema)]
pub struct SectorAnswer {
    /// What it has.
    measured: Option<Measured>,
    /// Why it cannot be measured.
    refused_because: Option<String>,
    /// What to do about that.
    hint: Option<String>,
}

impl SectorAnswer {
    fn refused(why: Failure) -> Self {
        Self { measured: None, refused_because: Some(why.message), hint: why.hint }
    }
}

impl Desk {
    /// The night's model, made where it has not been, which takes some seconds.
    fn sectors(&self, night: &DeskNight) -> Result<Arc<OwnSectors>, Refusal> {
        let lost =
            |_| Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "the nights' models are lost; start the desk again");
        let mut kept = self.models.kept.lock().map_err(lost)?;
        let place = kept.iter().position(|(sha256, _)| *sha256 == night.sha256);
        let sectors = match place {
            Some(place) => kept.remove(place).1,
            None => Arc::new(OwnSectors::of_folder(night.folder()?, &night.record)?),
        };
        kept.insert(0, (night.sha256.clone(), Arc::clone(&sectors)));
        kept.truncate(MODELS_KEPT);
        Ok(sectors)
    }

    fn ledger(&self) -> Result<Ledger, Refusal> {
        Ledger::open(&self.ledger_file).map_err(refused)
    }
}

/// What the ledger refuses, in its words.
fn refused(error: LedgerError) -> Refusal {
    let refusal = match &error {
        LedgerError::NoNight { .. } | LedgerError::NoMeasurement { .. } => Refusal::missing(error.to_string()),
        LedgerError::BadMeasurement { .. } => Refusal::call(error.to_string()),
        _ => Refusal::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string()),
    };
    match error.hint() {
        Some(hint) => refusal.hint(hint),
        None => refusal,
    }
}

async fn measured(
    desk: &Arc<Desk>,
    night: Arc<DeskNight>,
    asked: SectorRequest,
) -> Result<Result<Measured, Failure>, Refusal> {
    // a second request waits for the model here, and lets pictures be computed meanwhile
    let _alone = desk.models.alone.lock().await;
    let SectorRequest { pa_deg, width_deg, inner_arcsec, outer_arcsec } = asked;
    let sector = Sector { pa_deg, width_deg, inner_arcsec, outer_arcsec };
    let worker = Arc::clone(desk);
    desk.compute(move || Ok(worker.sectors(&night)?.measure(&sector))).await
}

/// Measures a sector that was chosen by eye. The first of a night takes some seconds.
#[utoipa::path(post, path = "/api/nights/{id}/sector", tag = "measurements", params(("id" = i64, Path)), request_body = SectorRequest,
    responses((status = 200, body = SectorAnswer), BodyRefusals))]
pub async fn sector(
    State(desk): State<Arc<Desk>>,
    At(id): At<i64>,
    Asked(asked): Asked<SectorRequest>,
) -> Result<Json<SectorAnswer>, Refusal> {
    let night = desk.night(id)?;
    Ok(Json(match measured(&desk, night, asked).await? {
        Ok(measured) => SectorAnswer { measured: Some(measured), refused_because: None, hint: None },
        Err(why) => SectorAnswer::refused(why),
    }))
}

/// What persons have measured of a night, in the order that they did, what was undone too.
#[utoipa::path(get, path = "/api/nights/{id}/measurements", tag = "measurements", params(("id" = i64, Path)),
    responses((status = 200, body = [MeasurementAnswer]), Refusals))]
pub async fn list(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<Vec<MeasurementRow>>, Refusal> {
    let night = desk.night(id)?;
    let worker = Arc::clone(&desk);
    desk.ask(move || {
        let has_any = worker.ledger_file.is_file() && night.is_in_ledger();
        let rows = if has_any { worker.ledger()?.measurements(night.id).map_err(refused)? } else { Vec::new() };
        Ok(Json(rows))
    })
    .await
}

/// Measures a sector and keeps it in the ledger. One that cannot be measured is not kept: why is said as where it is only measured.
#[utoipa::path(post, path = "/api/nights/{id}/measurements", tag = "measurements", params(("id" = i64, Path)), request_body = KeepRequest,
    responses((status = 201, body = MeasurementAnswer), (status = 200, body = SectorAnswer, description = "not kept, and why"), BodyRefusals))]
pub async fn keep(
    State(desk): State<Arc<Desk>>,
    At(id): At<i64>,
    Asked(asked): Asked<KeepRequest>,
) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    if asked.person.chars().count() > LONGEST.0 || asked.note.as_ref().is_some_and(|n| n.chars().count() > LONGEST.1) {
        return Err(Refusal::call(format!("a name has at most {} characters, a note {}", LONGEST.0, LONGEST.1)));
    }
    let KeepRequest { pa_deg, width_deg, inner_arcsec, outer_arcsec, .. } = asked;
    let sector = SectorRequest { pa_deg, width_deg, inner_arcsec, outer_arcsec };
    let found = match measured(&desk, Arc::clone(&night), sector).await? {
        Ok(found) => found,
        Err(why) => return Ok(Json(SectorAnswer::refused(why)).into_response()),
    };
    let worker = Arc::clone(&desk);
    desk.ask(move || {
        let measured_on = night.sha256.clone();
        let night = worker.in_ledger(&night)?;
        if night.sha256 != measured_on {
            return Err(Refusal::new(StatusCode::CONFLICT, "the night has been measured again meanwhile")
                .hint("look at its new record, and measure the sector again"));
        }
        let new = NewMeasurement {
            person: asked.person.trim(),
            note: asked.note.as_deref().map(str::trim).filter(|n| !n.is_empty()),
            pa_deg: found.pa_deg,
            width_deg: found.width_deg,
            inner_arcsec: found.inner_arcsec,
            outer_arcsec: found.outer_arcsec,
            contrast: found.contrast,
            contrast_err: found.contrast_err,
            significance: Some(found.significance),
            probability_alone: Some(found.probability_alone),
            probability_by_eye: Some(found.probability_by_eye),
            record_sha256: &night.sha256,
            program: concat!("fanlight ", env!("CARGO_PKG_VERSION")),
            now: entry::instant(SystemTime::now()),
        };
        let row = worker.ledger()?.add_measurement(night.id, &new).map_err(refused)?;
        Ok((StatusCode::CREATED, Json(row)).into_response())
    })
    .await
}

/// Marks a measurement as undone; it stays in the ledger.
#[utoipa::path(delete, path = "/api/measurements/{id}", tag = "measurements", params(("id" = i64, Path)),
    responses((status = 200, body = MeasurementAnswer), Refusals))]
pub async fn undo(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<MeasurementRow>, Refusal> {
    let worker = Arc::clone(&desk);
    desk.ask(move || {
        let now = entry::instant(SystemTime::now());
        worker.ledger()?.undo_measurement(id, now).map(Json).map_err(refused)
    })
    .await
}

/// Brings a measurement back.
#[utoipa::path(post, path = "/api/measurements/{id}/restore", tag = "measurements", params(("id" = i64, Path)),
    responses((status = 200, body = MeasurementAnswer), Refusals))]
pub async fn restore(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<MeasurementRow>, Refusal> {
    let worker = Arc::clone(&desk);
    desk.ask(move || worker.ledger()?.restore_measurement(id).map(Json).map_err(refused)).await
}

/// A person's measurement as it is kept, for the description; fields as in the ledger (docs/ledger.md).
#[derive(ToSchema)]
#[allow(dead_code, reason = "read by the description alone")]
pub struct MeasurementAnswer {
    id: i64,
    night_id: Option<i64>,
    night_mid_utc: String,
    band: Option<String>,
    record_sha256: String,
    person: String,
    made_utc: String,
    note: Option<String>,
    pa_deg: f64,
    width_deg: f64,
    inner_arcsec: f64,
    outer_arcsec: f64,
    contrast: f64,
    contrast_err: f64,
    significance: Option<f64>,
    probability_alone: Option<f64>,
    probability_by_eye: Option<f64>,
    program: String,
    undone_utc: Option<String>,
}
