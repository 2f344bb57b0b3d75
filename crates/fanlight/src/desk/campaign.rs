//! The campaign and its nights in a list.

use super::answer::{Refusal, Refusals};
use super::state::{Desk, DeskNight};
use crate::night::products::{COMET, TWIN};
use axum::Json;
use axum::extract::State;
use serde::Serialize;
use std::sync::Arc;
use utoipa::ToSchema;

/// A campaign on the desk.
#[derive(Debug, Serialize, ToSchema)]
pub struct CampaignAnswer {
    /// The comet.
    object: String,
    /// The campaign file.
    campaign_file: String,
    /// Program and version.
    program: String,
    /// Names of the observers.
    observers: Vec<String>,
    /// The ledger, where there is one.
    ledger_file: Option<String>,
    /// What could not be used, in sentences.
    problems: Vec<String>,
    /// The nights, in order of time.
    nights: Vec<NightListed>,
}

/// A night in the list.
#[derive(Debug, Serialize, ToSchema)]
pub struct NightListed {
    /// Its number on the desk.
    id: i64,
    /// Its middle, UTC.
    mid_utc: String,
    /// Name of the site, or where it is.
    site: String,
    /// The band measured in.
    band: Option<String>,
    /// Name of the telescope.
    telescope: Option<String>,
    /// Frames in the stack.
    n_frames: usize,
    /// Sum of their exposures.
    exposure_s: f64,
    /// Whether structure was looked for.
    analysed: bool,
    /// Features that were not what the twin explains.
    n_features: usize,
    /// Width of star images.
    fwhm_arcsec: Option<f64>,
    /// Distance from the Sun.
    r_au: f64,
    /// Distance from the observer.
    delta_au: f64,
    /// Scale at the comet.
    km_per_arcsec: f64,
    /// Whether its stack can be shown.
    has_stack: bool,
    /// Whether it has a featureless twin.
    has_twin: bool,
    /// Its folder, where that is there.
    folder: Option<String>,
    /// Changes when the night is measured again.
    stamp: String,
    /// The summary of its record.
    summary: String,
    /// Whether a program made the frames.
    simulated: bool,
}

/// The campaign and its nights.
#[utoipa::path(get, path = "/api/campaign", tag = "nights", responses((status = 200, body = CampaignAnswer), Refusals))]
pub async fn campaign(State(desk): State<Arc<Desk>>) -> Result<Json<CampaignAnswer>, Refusal> {
    let looked = Arc::clone(&desk);
    desk.ask(move || {
        looked.look_again();
        Ok(())
    })
    .await?;
    Ok(Json(CampaignAnswer {
        object: desk.object.clone(),
        campaign_file: desk.campaign_file.display().to_string(),
        program: format!("fanlight {}", env!("CARGO_PKG_VERSION")),
        observers: desk.campaign.observer.names.clone(),
        ledger_file: desk.ledger_file.is_file().then(|| desk.ledger_file.display().to_string()),
        problems: desk.problems(),
        nights: desk.nights().iter().map(|n| listed(n)).collect(),
    }))
}

fn listed(night: &DeskNight) -> NightListed {
    let record = &night.record;
    let has = |file: &str| night.folder.as_ref().is_some_and(|f| f.join(file).is_file());
    let place = || format!("{:.3}°, {:.3}°", record.setup.longitude_deg, record.setup.latitude_deg);
    NightListed {
        id: night.id,
        mid_utc: record.mid_utc.clone(),
        site: record.setup.site.clone().unwrap_or_else(place),
        band: record.zero_point.as_ref().map(|z| z.band.clone()),
        telescope: record.setup.telescope.clone(),
        n_frames: record.stack.n_frames,
        exposure_s: record.stack.exposure_s,
        analysed: record.morphology.analysed,
        n_features: record.morphology.features.iter().filter(|f| f.verdict != "artefact").count(),
        fwhm_arcsec: record.morphology.psf.as_ref().map(|p| p.fwhm_arcsec),
        r_au: record.geometry.r_au,
        delta_au: record.geometry.delta_au,
        km_per_arcsec: record.geometry.km_per_arcsec,
        has_stack: has(COMET),
        has_twin: has(TWIN),
        folder: night.folder.as_ref().map(|f| f.display().to_string()),
        stamp: night.stamp().to_owned(),
        summary: record.summary.clone(),
        simulated: record.setup.simulated,
    }
}
