//! Tiles of layers: raw floats, packed.

use super::answer::{At, Refusal, Refusals};
use super::floats;
use super::layers::Layer;
use super::pyramid::Pyramid;
use super::state::Desk;
use super::view::TILE_PX;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use fanlight_image::PixelBox;
use flate2::Compression;
use flate2::write::GzEncoder;
use std::io::Write;
use std::sync::Arc;

/// A tile of a layer: little-endian floats, row by row from the first row, NaN where there is nothing.
#[utoipa::path(get, path = "/api/nights/{id}/layers/{layer}/{level}/{column}/{row}", tag = "pictures",
    params(("id" = i64, Path), ("layer" = String, Path), ("level" = usize, Path), ("column" = usize, Path), ("row" = usize, Path)),
    responses((status = 200, description = "f32 pixels", content_type = "application/octet-stream"), Refusals))]
pub async fn tile(
    State(desk): State<Arc<Desk>>,
    At((id, layer, level, column, row)): At<(i64, String, usize, usize, usize)>,
    headers: HeaderMap,
) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    let layer: Layer = layer.parse()?;
    let missing = || Refusal::missing("there is no such tile").hint("the night's view says how many there are");
    let stack = &night.record.stack;
    let (width, height) = *Pyramid::sizes(stack.width_px, stack.height_px).get(level).ok_or_else(missing)?;
    let from = |n: usize, size: usize| n.checked_mul(TILE_PX).filter(|start| *start < size).ok_or_else(missing);
    let (x0, y0) = (from(column, width)?, from(row, height)?);
    let (layer, stamp) = desk.stamped(&night, layer)?;
    let tag = format!("\"{stamp}\"");
    if headers.get(header::IF_NONE_MATCH).is_some_and(|sent| sent.as_bytes() == tag.as_bytes()) {
        return Ok(StatusCode::NOT_MODIFIED.into_response());
    }
    let accepts = |encoding: &str| {
        let sent = headers.get(header::ACCEPT_ENCODING).and_then(|v| v.to_str().ok()).unwrap_or("");
        sent.split(',').any(|one| one.trim().split(';').next() == Some(encoding))
    };
    let packs = accepts("gzip");
    let worker = Arc::clone(&desk);
    let bytes = desk
        .compute(move || {
            let pyramid = worker.layer(&night, layer)?;
            let image = pyramid.level(level).ok_or_else(|| Refusal::missing("there is no such level"))?;
            let area = PixelBox { x0, y0, x1: (x0 + TILE_PX).min(image.width), y1: (y0 + TILE_PX).min(image.height) };
            let mut bytes = Vec::with_capacity(4 * area.width() * area.height());
            floats::append(&mut bytes, &image.crop(area).data);
            if !packs {
                return Ok(bytes);
            }
            let packed = || {
                let mut encoder = GzEncoder::new(Vec::with_capacity(bytes.len()), Compression::fast());
                encoder.write_all(&bytes)?;
                encoder.finish()
            };
            packed().map_err(|e| Refusal::impossible(format!("the tile cannot be packed: {e}")))
        })
        .await?;
    // revalidated by its tag: a night measured again has another
    let fixed = [
        (header::CONTENT_TYPE, "application/octet-stream"),
        (header::CACHE_CONTROL, "private, no-cache"),
        (header::VARY, "accept-encoding"),
    ];
    let mut response = (fixed, [(header::ETAG, tag)], bytes).into_response();
    if packs {
        response.headers_mut().insert(header::CONTENT_ENCODING, header::HeaderValue::from_static("gzip"));
    }
    Ok(response)
}
