//! What goes out: chosen figures on one sheet, words, records of places. All of it is what the records say.

use super::answer::{Asked, At, BodyRefusals, NotPictured, Queried, Refusal, Refusals};
use super::figures::{figure_names, svg_in};
use super::state::{Desk, DeskNight};
use crate::export::{self, WhichPositions};
use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use fanlight_present::{Sheet, sheet};
use fanlight_record::sentences;
use serde::{Deserialize, Serialize};
use std::sync::Arc;
use utoipa::{IntoParams, ToSchema};

/// A figure that can be put on a sheet.
#[derive(Debug, Serialize, ToSchema)]
pub struct Panel {
    /// Its name.
    name: String,
    /// Its name in words.
    title: String,
    /// What it shows, for people who do not see it.
    alt: String,
    /// Width in its own units.
    width: f64,
    /// Height.
    height: f64,
}

/// What goes on a sheet.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SheetRequest {
    /// Names of panels, in the order that they are read in; 1 to 6.
    #[schema(min_items = 1, max_items = 6)]
    panels: Vec<String>,
    /// The heading.
    #[schema(max_length = 200)]
    title: String,
    /// Words below the panels.
    #[schema(max_length = 4000)]
    words: Option<String>,
    /// Width of the PNG, 480 to 7680.
    #[schema(minimum = 480, maximum = 7680)]
    width_px: u32,
    /// Panels side by side, 1 to 3.
    #[schema(minimum = 1, maximum = 3)]
    columns: usize,
    /// `light` or `dark`.
    theme: SheetTheme,
    /// `svg` or `png`.
    format: SheetFormat,
}

/// For paper and bright rooms, or for dark ones.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum SheetTheme {
    /// Dark on light.
    Light,
    /// Light on dark.
    Dark,
}

/// How the sheet is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum SheetFormat {
    /// Lines and letters.
    Svg,
    /// Pixels.
    Png,
}

/// The words of a night for the public.
#[derive(Debug, Serialize, ToSchema)]
pub struct Words {
    /// Two or three sentences.
    text: String,
}

/// Which record of places.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AdesQuery {
    /// `psv` or `xml`.
    #[serde(default)]
    #[param(inline)]
    format: AdesFormat,
    /// `night` or `frames`.
    #[serde(default)]
    #[param(inline)]
    positions: AdesPositions,
}

/// How ADES is written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum AdesFormat {
    /// Columns between bars.
    #[default]
    Psv,
    /// XML.
    Xml,
}

/// Which places.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum AdesPositions {
    /// One of the night.
    #[default]
    Night,
    /// One of each frame.
    Frames,
}

/// Longest heading and words, in characters.
const LONGEST: (usize, usize) = (200, 4000);

/// The figures of a night.
#[utoipa::path(get, path = "/api/nights/{id}/panels", tag = "publish", params(("id" = i64, Path)),
    responses((status = 200, body = [Panel]), Refusals))]
pub async fn panels(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<Vec<Panel>>, Refusal> {
    let night = desk.night(id)?;
    desk.compute(move || {
        let names = figure_names(night.folder()?);
        let read = |name: String| {
            let svg = panel(&night, &name, SheetTheme::Light).ok()?;
            let (width, height) = fanlight_present::svg_size(&svg)?;
            let alt = fanlight_present::svg_alt(&svg).unwrap_or_default();
            let title = fanlight_present::svg_heading(&svg).unwrap_or_else(|| name.replace('-', " "));
            Some(Panel { name, title, alt, width, height })
        };
        Ok(Json(names.into_iter().filter_map(read).collect()))
    })
    .await
}

fn panel(night: &DeskNight, name: &str, theme: SheetTheme) -> Result<String, Refusal> {
    let known = figure_names(night.folder()?);
    if !known.iter().any(|k| k == name) {
        return Err(Refusal::call(format!("the night has no panel \"{}\"", name.escape_default()))
            .hint(format!("it has {}", known.join(", "))));
    }
    let dark = if theme == SheetTheme::Dark { "-dark" } else { "" };
    svg_in(night.folder()?, &format!("{name}{dark}"))
}

/// Chosen figures of a night on one sheet.
#[utoipa::path(post, path = "/api/nights/{id}/publish", tag = "publish", params(("id" = i64, Path)), request_body = SheetRequest,
    responses((status = 200, description = "the sheet; or, in JSON, why it cannot be drawn",
        content((String = "image/svg+xml"), (String = "image/png"), (NotPictured = "application/json"))), BodyRefusals))]
pub async fn publish(
    State(desk): State<Arc<Desk>>,
    At(id): At<i64>,
    Asked(request): Asked<SheetRequest>,
) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    let in_range = (1..=6).contains(&request.panels.len())
        && (1..=3).contains(&request.columns)
        && (480..=7680).contains(&request.width_px);
    if !in_range {
        return Err(Refusal::call("a sheet has 1 to 6 panels in 1 to 3 columns and is 480 to 7680 px wide"));
    }
    if request.title.chars().count() > LONGEST.0
        || request.words.as_ref().is_some_and(|w| w.chars().count() > LONGEST.1)
    {
        return Err(Refusal::call(format!(
            "the heading has at most {} characters, the words {}",
            LONGEST.0, LONGEST.1
        )));
    }
    desk.compute(move || {
        let panels =
            request.panels.iter().map(|name| panel(&night, name, request.theme)).collect::<Result<Vec<_>, _>>()?;
        let made = sheet(&Sheet {
            panels: &panels,
            title: &request.title,
            words: request.words.as_deref(),
            origin: &origin(&night),
            columns: request.columns,
            is_dark: request.theme == SheetTheme::Dark,
        })
        .map_err(|e| Refusal::impossible(e.to_string()))?;
        Ok(match request.format {
            SheetFormat::Svg => ([(header::CONTENT_TYPE, "image/svg+xml")], made).into_response(),
            SheetFormat::Png => {
                let png = fanlight_present::sheet_to_png(&made, request.width_px)
                    .map_err(|e| Refusal::impossible(e.to_string()))?;
                ([(header::CONTENT_TYPE, "image/png")], png).into_response()
            }
        })
    })
    .await
    .or_else(NotPictured::in_words)
}

/// Where a sheet comes from, so that it can be traced.
fn origin(night: &DeskNight) -> String {
    let setup = &night.record.setup;
    let simulated = if setup.simulated { " Simulated frames." } else { "" };
    let names = setup.observers.join(", ");
    let by = if names.is_empty() { String::new() } else { format!(" {names}.") };
    let site = setup.site.as_ref().map(|s| format!(" {s}.")).unwrap_or_default();
    format!("{}, record {}.{by}{site}{simulated}", night.record.provenance.program, night.stamp())
}

/// A night in words for the public.
#[utoipa::path(get, path = "/api/nights/{id}/caption", tag = "publish", params(("id" = i64, Path)),
    responses((status = 200, body = Words), Refusals))]
pub async fn caption(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<Words>, Refusal> {
    Ok(Json(Words { text: sentences::night_caption(&desk.night(id)?.record) }))
}

/// Whether ADES would take a record.
#[derive(Debug, Serialize, ToSchema)]
pub struct AdesCheck {
    /// Every rule that it would break, each with what to do; absent where it breaks none.
    refused_because: Option<String>,
}

/// Whether ADES would take the comet's places, and why not.
#[utoipa::path(get, path = "/api/nights/{id}/ades/check", tag = "publish", params(("id" = i64, Path), AdesQuery),
    responses((status = 200, body = AdesCheck), Refusals))]
pub async fn ades_check(
    State(desk): State<Arc<Desk>>,
    At(id): At<i64>,
    Queried(query): Queried<AdesQuery>,
) -> Result<Json<AdesCheck>, Refusal> {
    let night = desk.night(id)?;
    let made = export::ades_of(&night.record, &desk.campaign, query.positions.into());
    Ok(Json(AdesCheck { refused_because: made.err().map(|failure| failure.message) }))
}

impl From<AdesPositions> for WhichPositions {
    fn from(which: AdesPositions) -> Self {
        match which {
            AdesPositions::Night => Self::Night,
            AdesPositions::Frames => Self::Frames,
        }
    }
}

/// The comet's places as an ADES record; refused with every rule that it would break.
#[utoipa::path(get, path = "/api/nights/{id}/ades", tag = "publish", params(("id" = i64, Path), AdesQuery),
    responses((status = 200, description = "the record", content_type = "text/plain"), Refusals))]
pub async fn ades(
    State(desk): State<Arc<Desk>>,
    At(id): At<i64>,
    Queried(query): Queried<AdesQuery>,
) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    let file = export::ades_of(&night.record, &desk.campaign, query.positions.into())?;
    let (kind, text) = match query.format {
        AdesFormat::Psv => ("text/plain; charset=utf-8", file.psv()),
        AdesFormat::Xml => ("application/xml", file.xml()),
    };
    Ok(([(header::CONTENT_TYPE, kind)], text).into_response())
}
