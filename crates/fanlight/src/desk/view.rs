//! What the page needs to know of a night's grid before it draws it, and the night's record.

use super::answer::{At, Refusal, Refusals};
use super::figures::read_in;
use super::layers::Layer;
use super::pyramid::Pyramid;
use super::state::{Desk, DeskNight};
use crate::night::products::{COMET, RECORD, SUBSTACKS, TWIN};
use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::sync::Arc;
use utoipa::ToSchema;

/// Side of a tile.
pub const TILE_PX: usize = 256;

/// A night's grid and its layers.
#[derive(Debug, Serialize, ToSchema)]
pub struct View {
    /// The night.
    id: i64,
    /// Changes when the night is measured again.
    stamp: String,
    /// Pixels along a row.
    width_px: usize,
    /// Rows.
    height_px: usize,
    /// Column of the optocentre, 0-based.
    centre_x_px: f64,
    /// Row of the optocentre, 0-based.
    centre_y_px: f64,
    /// Error of the optocentre along each axis.
    centre_err_px: Option<f64>,
    /// `[[∂east/∂x, ∂east/∂y], [∂north/∂x, ∂north/∂y]]`.
    arcsec_per_px: [[f64; 2]; 2],
    /// Side of a square as large as a pixel.
    scale_arcsec: f64,
    /// Scale at the comet.
    km_per_arcsec: f64,
    /// Right ascension of the optocentre, ICRS.
    ra_deg: f64,
    /// Its declination.
    dec_deg: f64,
    /// Magnitude of 1 e⁻/s.
    zero_point_mag: Option<f64>,
    /// Noise of a pixel on the sky, e⁻/s.
    sky_noise: f64,
    /// Width of star images.
    fwhm_px: Option<f64>,
    /// From the comet toward the Sun.
    sunward_pa_deg: f64,
    /// Away from the Sun.
    antisolar_pa_deg: f64,
    /// Against the comet's motion about the Sun.
    negative_velocity_pa_deg: f64,
    /// Side of a tile.
    tile_px: usize,
    /// Level 0 is full size; each further one the means of 2 × 2 pixels of the one before.
    levels: Vec<Level>,
    /// What can be shown.
    layers: Vec<LayerListed>,
}

/// A level.
#[derive(Debug, Serialize, ToSchema)]
pub struct Level {
    /// Its number.
    level: usize,
    /// Pixels along a row.
    width_px: usize,
    /// Rows.
    height_px: usize,
}

/// A layer.
#[derive(Debug, Serialize, ToSchema)]
pub struct LayerListed {
    /// Its name in addresses.
    name: String,
    /// What it is, for people.
    title: String,
    /// Unit of its pixels.
    unit: String,
    /// What its values mean: `level`.
    values: String,
    /// Darkest value of the usual stretch, the same for all layers.
    low: Option<f64>,
    /// Brightest value.
    high: Option<f64>,
    /// Where the usual stretch turns from linear to logarithmic, above `low`.
    soft: Option<f64>,
}

/// A night's grid and its layers.
#[utoipa::path(get, path = "/api/nights/{id}/view", tag = "nights", params(("id" = i64, Path)),
    responses((status = 200, body = View), Refusals))]
pub async fn view(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<View>, Refusal> {
    let night = desk.night(id)?;
    let worker = Arc::clone(&desk);
    desk.compute(move || Ok(Json(view_of(&worker, &night)?))).await
}

fn view_of(desk: &Desk, night: &DeskNight) -> Result<View, Refusal> {
    let record = &night.record;
    let stack = &record.stack;
    let scale_arcsec = night.scale_arcsec();
    let place =
        record.astrometry.as_ref().map_or((record.geometry.ra_deg, record.geometry.dec_deg), |p| (p.ra_deg, p.dec_deg));
    let sizes = Pyramid::sizes(stack.width_px, stack.height_px);
    let levels =
        sizes.into_iter().enumerate().map(|(level, (width_px, height_px))| Level { level, width_px, height_px });
    Ok(View {
        id: night.id,
        stamp: night.stamp().to_owned(),
        width_px: stack.width_px,
        height_px: stack.height_px,
        centre_x_px: stack.centre_x_px,
        centre_y_px: stack.centre_y_px,
        centre_err_px: record.morphology.optocentre_err_arcsec.map(|e| e / scale_arcsec),
        arcsec_per_px: stack.arcsec_per_px,
        scale_arcsec,
        km_per_arcsec: record.geometry.km_per_arcsec,
        ra_deg: place.0,
        dec_deg: place.1,
        zero_point_mag: record.zero_point.as_ref().map(|z| z.stack_zero_point_mag),
        sky_noise: stack.sky_noise_e_per_s_px,
        fwhm_px: record.morphology.psf.as_ref().map(|p| p.fwhm_arcsec / scale_arcsec),
        sunward_pa_deg: record.geometry.sunward_pa_deg,
        antisolar_pa_deg: record.geometry.antisolar_pa_deg,
        negative_velocity_pa_deg: record.geometry.negative_velocity_pa_deg,
        tile_px: TILE_PX,
        levels: levels.collect(),
        layers: layers(desk, night)?,
    })
}

/// What the night's folder can show.
fn layers(desk: &Desk, night: &DeskNight) -> Result<Vec<LayerListed>, Refusal> {
    let folder = night.folder()?;
    let has = |file: &str| folder.join(file).is_file();
    if !has(COMET) {
        return Err(Refusal::missing(format!("{} has no {COMET}", folder.display()))
            .hint("measure the night again with fanlight night"));
    }
    let pyramid = desk.layer(night, Layer::Night)?;
    let stretch =
        pyramid.level(0).map(|image| fanlight_present::neutral_stretch(image, night.record.stack.sky_noise_e_per_s_px));
    let listed = |layer: Layer, title: String| LayerListed {
        name: layer.to_string(),
        title,
        unit: "e⁻/s per pixel".into(),
        values: "level".into(),
        low: stretch.map(|s| s.low),
        high: stretch.map(|s| s.high),
        soft: stretch.and_then(|s| s.soft),
    };
    let mut layers = vec![listed(Layer::Night, "this night".into())];
    if has(TWIN) {
        layers.push(listed(Layer::Twin, "its featureless twin".into()));
        layers.push(listed(Layer::SmoothTwin, "its featureless twin without noise".into()));
    }
    layers.push(listed(Layer::Sigma, "error of each pixel".into()));
    if has(SUBSTACKS) && night.record.stack.substacks.len() > 1 {
        layers.push(listed(Layer::Half(1), "one half of the frames".into()));
        layers.push(listed(Layer::Half(2), "the other half of the frames".into()));
    }
    let others = desk.nights();
    let others =
        others.iter().filter(|o| o.id != night.id && o.folder.as_ref().is_some_and(|f| f.join(COMET).is_file()));
    layers.extend(others.map(|o| {
        let when = fanlight_present::format_utc(&o.record.mid_utc);
        listed(Layer::OtherNight(o.id), format!("night of {when}, alike in km"))
    }));
    Ok(layers)
}

/// The night's record as it stands in its folder; from the ledger where the folder is not there.
#[utoipa::path(get, path = "/api/nights/{id}/record", tag = "nights", params(("id" = i64, Path)),
    responses((status = 200, description = "a record of schema fanlight/night/1", body = serde_json::Value), Refusals))]
pub async fn record(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Response, Refusal> {
    let night = desk.night(id)?;
    let bytes = match night.folder.as_ref().and_then(|f| read_in(f, &[RECORD]).ok()) {
        Some((_, bytes)) => bytes,
        None => serde_json::to_vec(&night.record).map_err(|_| Refusal::impossible("the record cannot be written"))?,
    };
    Ok(([(header::CONTENT_TYPE, "application/json")], bytes).into_response())
}
