//! Plots of a night by the report's own code, drawn of its record for the place that they are wanted in.

use super::answer::{At, Queried, Refusal, Refusals};
use super::state::Desk;
use crate::night::products::PIXELS_PER_INCH;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use fanlight_present::{Room, night_plot, svg_to_png};
use serde::Deserialize;
use std::sync::Arc;
use utoipa::IntoParams;

/// The place that a plot is drawn for.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct PlotQuery {
    /// Its width on a page, which then says itself what stands there; absent for the report's figure with its heading.
    #[param(minimum = 280, maximum = 1600)]
    width_px: Option<u32>,
}

/// A plot of a night: `profile`, `growth`, `frames` or a quantity of its frames such as `fwhm-arcsec`, with `-dark` behind it for dark
/// screens, as `.svg` or `.png`. The groups around the axes of an SVG say where these lie (`data-panel`: left, top, width and height
/// in its units; `data-x`, `data-y`: scale and values at both ends).
#[utoipa::path(get, path = "/api/nights/{id}/plots/{name}", tag = "nights", params(("id" = i64, Path), ("name" = String, Path), PlotQuery),
    responses((status = 200, description = "SVG or PNG", content_type = "image/svg+xml"), Refusals))]
pub async fn plot(
    State(desk): State<Arc<Desk>>,
    At((id, name)): At<(i64, String)>,
    Queried(query): Queried<PlotQuery>,
) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    let missing = || Refusal::missing(format!("this night has no plot \"{}\"", name.escape_default()));
    let (stem, ending) = name.rsplit_once('.').ok_or_else(missing)?;
    let is_png = match ending {
        "svg" => false,
        "png" => true,
        _ => return Err(missing()),
    };
    let [least, most] = Room::PLACE_PX;
    let room = match query.width_px {
        None => Room::REPORT,
        Some(width) if (least..=most).contains(&width) => Room::place(width),
        Some(_) => return Err(Refusal::call(format!("width_px must be {least} to {most}"))),
    };
    let (plain, is_dark) = stem.strip_suffix("-dark").map_or((stem, false), |plain| (plain, true));
    let figure = night_plot(&night.record, plain, room).ok_or_else(missing)?;
    let svg = if is_dark { figure.svg_dark } else { figure.svg_light };
    if !is_png {
        return Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response());
    }
    desk.compute(move || {
        let png = svg_to_png(&svg, PIXELS_PER_INCH)
            .map_err(|e| Refusal::impossible(format!("the plot cannot be drawn: {e}")))?;
        Ok(([(header::CONTENT_TYPE, "image/png")], png).into_response())
    })
    .await
}
