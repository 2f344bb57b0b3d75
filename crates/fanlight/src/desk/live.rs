//! Enhancements as their sliders move: what is looked at, the night and its twin alike, as raw floats.

use super::answer::{Asked, At, BodyRefusals, NotPictured, Refusal};
use super::enhanced::{self, Shown, Wish};
use super::floats;
use super::layers::Layer;
use super::methods::{Sent, values_name};
use super::pyramid::Pyramid;
use super::state::{Desk, DeskNight};
use super::unrolled;
use crate::enhance::method::Method;
use axum::extract::State;
use axum::response::Response;
use fanlight_image::{Image, PixelBox};
use fanlight_sky::PixelXy;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use std::time::Instant;
use utoipa::ToSchema;

/// How far by hand a centre may be moved, full-size pixels: farther it is another place.
const FARTHEST_CENTRE_PX: f64 = 50.0;

/// What is looked at.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Window {
    /// First column, full-size pixels.
    x_px: usize,
    /// First row.
    y_px: usize,
    /// Columns.
    width_px: usize,
    /// Rows.
    height_px: usize,
}

/// What is drawn.
#[derive(Debug, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Drawn {
    /// The enhancement; absent for brightness as it is.
    method: Option<String>,
    /// Its settings; what is not sent is as usual.
    #[schema(value_type = HashMap<String, Value>)]
    settings: Sent,
    /// How far the centre is moved along a row, full-size pixels.
    centre_dx_px: f64,
    /// And along a column.
    centre_dy_px: f64,
    /// The layer; the night itself where none is named.
    layer: Option<String>,
    /// Another night, for a ratio.
    against: Option<i64>,
    /// Whether the twin is shown beside.
    with_twin: bool,
    /// Whether to wait for the level that was asked for, however long it takes.
    patient: bool,
}

/// An enhancement of a window.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EnhanceRequest {
    /// What is drawn.
    #[serde(default)]
    drawn: Drawn,
    /// What is looked at.
    window: Window,
    /// The level that the screen shows.
    #[serde(default)]
    level: usize,
}

/// An enhancement by position angle and distance.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UnrolledRequest {
    /// What is drawn.
    #[serde(default)]
    drawn: Drawn,
    /// Innermost distance.
    #[schema(minimum = 0)]
    inner_arcsec: f64,
    /// Outermost distance.
    #[schema(exclusive_minimum = 0)]
    outer_arcsec: f64,
    /// Directions, 8 to 2048.
    #[schema(minimum = 8, maximum = 2048)]
    n_pa: usize,
    /// Distances, 2 to 1024.
    #[schema(minimum = 2, maximum = 1024)]
    n_rho: usize,
    /// Whether distances go by equal ratios instead of by equal steps.
    #[serde(default)]
    log_rho: bool,
}

/// The head of an answer, before the floats.
#[derive(Debug, Serialize, ToSchema)]
pub struct Head {
    width_px: usize,
    height_px: usize,
    /// Full-size column of the first pixel's edge; absent where unrolled.
    x_px: Option<usize>,
    y_px: Option<usize>,
    level: usize,
    /// Whether this is the level that was asked for.
    exact: bool,
    words: String,
    how: String,
    values: &'static str,
    unit: String,
    low: f64,
    high: f64,
    soft: Option<f64>,
    has_twin: bool,
    milliseconds: f64,
}

/// An enhancement of what is looked at: the length of a head as u32, the head, zeros up to a multiple of four, the night's
/// pixels and, where asked for, the twin's, as little-endian floats.
#[utoipa::path(post, path = "/api/nights/{id}/enhance", tag = "pictures", params(("id" = i64, Path)), request_body = EnhanceRequest,
    responses((status = 200, description = "head and floats; or, where the data do not allow the picture, a head that is a NotPictured and nothing behind it", content_type = "application/octet-stream"), BodyRefusals))]
pub async fn enhance(
    State(desk): State<Arc<Desk>>,
    At(id): At<i64>,
    Asked(request): Asked<EnhanceRequest>,
) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    let worker = Arc::clone(&desk);
    desk.compute(move || {
        let start = Instant::now();
        let Window { x_px, y_px, width_px, height_px } = request.window;
        let end =
            |from: usize, size: usize| from.checked_add(size).ok_or_else(|| Refusal::call("the window is too large"));
        let window = PixelBox { x0: x_px, y0: y_px, x1: end(x_px, width_px)?, y1: end(y_px, height_px)? };
        let shown = shown(&worker, &night, &request.drawn, request.level, |wish| enhanced::in_window(wish, window))?;
        answer(shown, request.level, true, start)
    })
    .await
    .or_else(NotPictured::instead)
}

/// An enhancement by position angle (columns, from north through east) and distance (rows, inner first); the same bytes.
#[utoipa::path(post, path = "/api/nights/{id}/unrolled", tag = "pictures", params(("id" = i64, Path)), request_body = UnrolledRequest,
    responses((status = 200, description = "head and floats; or, where the data do not allow the picture, a head that is a NotPictured and nothing behind it", content_type = "application/octet-stream"), BodyRefusals))]
pub async fn unrolled(
    State(desk): State<Arc<Desk>>,
    At(id): At<i64>,
    Asked(request): Asked<UnrolledRequest>,
) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    let worker = Arc::clone(&desk);
    desk.compute(move || {
        let start = Instant::now();
        let map = unrolled::Map {
            inner_arcsec: request.inner_arcsec,
            outer_arcsec: request.outer_arcsec,
            n_pa: request.n_pa,
            n_rho: request.n_rho,
            log_rho: request.log_rho,
        };
        map.check()?;
        let level = map.level(&night);
        let shown = shown(&worker, &night, &request.drawn, level, |wish| unrolled::of(wish, &map))?;
        answer(shown, level, false, start)
    })
    .await
    .or_else(NotPictured::instead)
}

/// Reads what is needed and has it enhanced.
fn shown(
    desk: &Desk,
    night: &DeskNight,
    drawn: &Drawn,
    level: usize,
    made: impl FnOnce(&Wish) -> Result<Shown, Refusal>,
) -> Result<Shown, Refusal> {
    let (method, settings) = enhanced::asked(drawn.method.as_deref(), &drawn.settings)?;
    let moved = drawn.centre_dx_px.hypot(drawn.centre_dy_px);
    if !(moved <= FARTHEST_CENTRE_PX) {
        return Err(Refusal::call(format!("the centre can be moved by hand by up to {FARTHEST_CENTRE_PX} px")));
    }
    let layer: Layer = drawn.layer.as_deref().map_or(Ok(Layer::Night), str::parse)?;
    let image = desk.layer(night, layer)?;
    let twin: Option<Arc<Pyramid>> = match drawn.with_twin {
        true => desk.layer(night, Layer::Twin).ok(),
        false => None,
    };
    let other_twin = match (method, drawn.against, &twin) {
        (Some(Method::TemporalRatio), Some(id), Some(_)) => desk.layer(night, Layer::OtherTwin(id)).ok(),
        _ => None,
    };
    let other = match (method, drawn.against) {
        (Some(Method::TemporalRatio), Some(id)) => Some(desk.layer(night, Layer::OtherNight(id))?),
        (_, Some(_)) => return Err(Refusal::call("\"against\" is for a ratio of two nights alone")),
        _ => None,
    };
    let stack = &night.record.stack;
    let centre = PixelXy { x_px: stack.centre_x_px + drawn.centre_dx_px, y_px: stack.centre_y_px + drawn.centre_dy_px };
    made(&Wish {
        night,
        image: &image,
        twin: twin.as_deref(),
        other: other.as_deref(),
        other_twin: other_twin.as_deref(),
        method,
        settings,
        centre,
        level,
        patient: drawn.patient,
        pace: &desk.pace,
    })
}

fn answer(shown: Shown, asked_level: usize, has_place: bool, start: Instant) -> Result<Response, Refusal> {
    let Shown { image, twin, level, first, words, how, values, unit } = shown;
    let stretch = fanlight_present::enhanced_stretch(&thinned(&image), values);
    let head = Head {
        width_px: image.width,
        height_px: image.height,
        x_px: has_place.then_some(first.0 << level),
        y_px: has_place.then_some(first.1 << level),
        level,
        exact: level == asked_level,
        words,
        how,
        values: values_name(values),
        unit,
        low: stretch.low,
        high: stretch.high,
        soft: stretch.soft,
        has_twin: twin.is_some(),
        milliseconds: start.elapsed().as_secs_f64() * 1e3,
    };
    floats::framed(&head, std::iter::once(&image).chain(twin.as_ref()))
}

/// Pixels enough to tell a stretch from.
fn thinned(image: &Image) -> Image {
    const ENOUGH: usize = 20_000;
    let step = (image.data.len() / ENOUGH).max(1);
    let data: Vec<f32> = image.data.iter().copied().step_by(step).collect();
    Image { width: data.len(), height: 1, data }
}
