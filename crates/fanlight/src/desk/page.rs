//! The page's own files.

use super::answer::{At, Refusal};
use super::state::Desk;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use std::borrow::Cow;
use std::sync::Arc;

/// The page.
pub async fn index(State(desk): State<Arc<Desk>>) -> Result<Response, Refusal> {
    file(&desk, "index.html")
}

/// One of its files.
pub async fn named(State(desk): State<Arc<Desk>>, At(name): At<String>) -> Result<Response, Refusal> {
    file(&desk, &name)
}

fn file(desk: &Desk, name: &str) -> Result<Response, Refusal> {
    let missing = || Refusal::missing("the page has no such file");
    let is_plain =
        name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || matches!(b, b'_' | b'.' | b'-'));
    if !is_plain || name.starts_with('.') {
        return Err(missing());
    }
    let bytes = match &desk.page_from {
        Some(folder) => Cow::Owned(std::fs::read(folder.join(name)).map_err(|_| missing())?),
        None => fanlight_present::desk_page_file(name).ok_or_else(missing)?,
    };
    let kind = match name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("html") => "text/html; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("svg") => "image/svg+xml",
        _ => return Err(missing()),
    };
    Ok(([(header::CONTENT_TYPE, kind)], bytes).into_response())
}
