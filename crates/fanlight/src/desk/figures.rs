//! Figures and pages that the nights' folders hold.

use super::answer::{At, Refusal, Refusals};
use super::state::Desk;
use crate::night::products::PAGE;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A figure of a night as its folder holds it.
#[utoipa::path(get, path = "/api/nights/{id}/figures/{name}", tag = "publish", params(("id" = i64, Path), ("name" = String, Path)),
    responses((status = 200, description = "SVG or PNG", content_type = "image/svg+xml"), Refusals))]
pub async fn figure(State(desk): State<Arc<Desk>>, At((id, name)): At<(i64, String)>) -> Result<Response, Refusal> {
    let folder = desk.night(id)?.folder()?.to_path_buf();
    file_in(&desk, folder, vec![FIGURES.into(), name]).await
}

/// The night's page.
#[utoipa::path(get, path = "/api/nights/{id}/page", tag = "publish", params(("id" = i64, Path)),
    responses((status = 200, description = "the self-contained page", content_type = "text/html"), Refusals))]
pub async fn page(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Response, Refusal> {
    let folder = desk.night(id)?.folder()?.to_path_buf();
    file_in(&desk, folder, vec![PAGE.into()]).await
}

/// The folder of figures, in that of a night or a season.
pub const FIGURES: &str = "figures";

/// Names of the files of a folder, in order; none where there is no folder.
pub fn names_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok);
    let mut names: Vec<String> = entries.filter_map(|e| e.file_name().into_string().ok()).collect();
    names.sort();
    names
}

/// Names of the figures of a night's or a season's folder, each once and without its ending.
pub fn figure_names(folder: &Path) -> Vec<String> {
    let names = names_in(&folder.join(FIGURES));
    let light = names.iter().filter_map(|n| n.strip_suffix(".svg")).filter(|n| !n.ends_with("-dark"));
    light.map(str::to_owned).collect()
}

/// A figure as text.
///
/// # Errors
/// When there is none of this name.
pub fn svg_in(folder: &Path, name: &str) -> Result<String, Refusal> {
    let (_, bytes) = read_in(folder, &[FIGURES, &format!("{name}.svg")])?;
    String::from_utf8(bytes).map_err(|_| Refusal::impossible(format!("the figure \"{name}\" is no text")))
}

/// A file of a folder as an answer.
///
/// # Errors
/// As [`read_in`].
pub async fn file_in(desk: &Desk, folder: PathBuf, parts: Vec<String>) -> Result<Response, Refusal> {
    let read = move || read_in(&folder, &parts.iter().map(String::as_str).collect::<Vec<_>>());
    let (kind, bytes) = desk.ask(read).await?;
    let mut response = ([(header::CONTENT_TYPE, kind)], bytes).into_response();
    if kind.starts_with("text/html") {
        // a page of ours carries its own style; it may run nothing, reach nothing and send nothing
        let policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; base-uri 'none'; form-action 'none'; \
                      sandbox; frame-ancestors 'self'";
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, header::HeaderValue::from_static(policy));
    }
    Ok(response)
}

/// A file of a folder, by the names on the way to it, and its kind. The names are plain, and no link leads out of the folder.
///
/// # Errors
/// When there is no such file.
pub fn read_in(folder: &Path, parts: &[&str]) -> Result<(&'static str, Vec<u8>), Refusal> {
    let name = parts.last().copied().unwrap_or_default();
    let missing = || Refusal::missing(format!("there is no file \"{}\"", name.escape_default()));
    let is_plain = |part: &&str| {
        !part.starts_with('.') && part.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b'.' | b'-'))
    };
    let kind = match name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("svg") => "image/svg+xml",
        Some("png") => "image/png",
        Some("gif") => "image/gif",
        Some("html") => "text/html; charset=utf-8",
        Some("json") => "application/json",
        _ => return Err(missing()),
    };
    if !parts.iter().all(is_plain) {
        return Err(missing());
    }
    let folder = folder.canonicalize().map_err(|_| missing())?;
    let path = folder.join(parts.iter().collect::<PathBuf>());
    // where no name on the way is a link, the path is the file's own
    if path.canonicalize().map_err(|_| missing())? != path || !path.is_file() {
        return Err(missing());
    }
    Ok((kind, std::fs::read(&path).map_err(|_| missing())?))
}
