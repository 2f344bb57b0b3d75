//! The season that the desk has put together.

use super::answer::{At, Refusal, Refusals};
use super::figures::{FIGURES, figure_names, file_in, names_in, svg_in};
use super::state::Desk;
use crate::ledger::entry;
use crate::season::products::{PAGE, RECORD};
use axum::Json;
use axum::extract::State;
use axum::response::Response;
use fanlight_record::SeasonRecord;
use serde::Serialize;
use std::path::Path;
use std::sync::Arc;
use utoipa::ToSchema;

/// A season on the desk.
#[derive(Debug, Serialize, ToSchema)]
pub struct SeasonAnswer {
    /// Its folder.
    folder: String,
    /// Whether one was made.
    is_there: bool,
    /// When, UTC.
    made_utc: Option<String>,
    /// Its record, schema fanlight/season/1.
    #[schema(value_type = Option<serde_json::Value>)]
    record: Option<SeasonRecord>,
    /// Whether a night of it has been measured again since, has gone, or another has come.
    is_stale: bool,
    /// Its figures.
    figures: Vec<SeasonFigure>,
    /// Its other files.
    files: Vec<String>,
}

/// A figure of the season.
#[derive(Debug, Serialize, ToSchema)]
pub struct SeasonFigure {
    /// Its name without ending; with `-dark` behind it the one for dark screens.
    name: String,
    /// What it shows, for people who do not see it.
    title: String,
}

/// The season as it was put together last.
#[utoipa::path(get, path = "/api/season", tag = "season", responses((status = 200, body = SeasonAnswer), Refusals))]
pub async fn season(State(desk): State<Arc<Desk>>) -> Result<Json<SeasonAnswer>, Refusal> {
    let worker = Arc::clone(&desk);
    desk.compute(move || Ok(Json(of(&worker)?))).await
}

fn of(desk: &Desk) -> Result<SeasonAnswer, Refusal> {
    let folder = &desk.season_folder;
    let path = folder.join(RECORD);
    let record: Option<SeasonRecord> = match path.is_file() {
        true => Some(fanlight_io::read_json(&path).map_err(crate::Failure::data)?),
        false => None,
    };
    let made = std::fs::metadata(&path).and_then(|m| m.modified()).ok();
    let used: Vec<&str> = record.iter().flat_map(|r| &r.provenance.inputs).map(|i| i.sha256.as_str()).collect();
    let nights = desk.nights();
    let is_stale = record.is_some()
        && (used.iter().any(|sum| nights.iter().all(|n| n.sha256 != *sum))
            || nights.iter().any(|n| !used.contains(&n.sha256.as_str())));
    let files =
        names_in(folder).into_iter().filter(|name| name == PAGE || name.ends_with(".gif") || name.ends_with(".png"));
    Ok(SeasonAnswer {
        folder: folder.display().to_string(),
        is_there: record.is_some(),
        made_utc: made.map(|t| entry::instant(t).to_iso()),
        is_stale,
        figures: if record.is_some() { figures_in(folder) } else { Vec::new() },
        files: if record.is_some() { files.collect() } else { Vec::new() },
        record,
    })
}

/// The figures of a folder, each once.
fn figures_in(folder: &Path) -> Vec<SeasonFigure> {
    let of = |name: String| {
        let title = svg_in(folder, &name).ok().and_then(|svg| fanlight_present::svg_alt(&svg)).unwrap_or_default();
        SeasonFigure { name, title }
    };
    figure_names(folder).into_iter().map(of).collect()
}

/// A figure of the season.
#[utoipa::path(get, path = "/api/season/figures/{name}", tag = "season", params(("name" = String, Path)),
    responses((status = 200, description = "SVG or PNG", content_type = "image/svg+xml"), Refusals))]
pub async fn figure(State(desk): State<Arc<Desk>>, At(name): At<String>) -> Result<Response, Refusal> {
    file_in(&desk, desk.season_folder.clone(), vec![FIGURES.into(), name]).await
}

/// Another file of the season: its page, its animation.
#[utoipa::path(get, path = "/api/season/files/{name}", tag = "season", params(("name" = String, Path)),
    responses((status = 200, description = "the file", content_type = "text/html"), Refusals))]
pub async fn file(State(desk): State<Arc<Desk>>, At(name): At<String>) -> Result<Response, Refusal> {
    file_in(&desk, desk.season_folder.clone(), vec![name]).await
}
