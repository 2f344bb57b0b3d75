//! The numbers of a night's radial profile and curve of growth, those of its featureless twin beside them, measured the same way.

use super::answer::{At, Refusal, Refusals};
use super::layers::Layer;
use super::state::{Desk, DeskNight};
use axum::Json;
use axum::extract::State;
use fanlight_coma::measure::RingProfile;
use fanlight_coma::photometry::{self, Stack};
use fanlight_coma::profile;
use fanlight_image::polar::Ring;
use fanlight_image::{Image, Mask};
use fanlight_present::{Room, night_plot, profile_slopes};
use serde::Serialize;
use std::sync::Arc;
use utoipa::ToSchema;

/// Profile and curve of growth.
#[derive(Debug, Serialize, ToSchema)]
pub struct RadialAnswer {
    /// What the plot `profile` shows and how; absent where there is none.
    profile_caption: Option<String>,
    /// The rings.
    profile: Vec<RingRow>,
    /// What the plot `growth` shows and how; absent where there is none.
    growth_caption: Option<String>,
    /// The radii, and the campaign's apertures.
    growth: Vec<GrowthRow>,
}

/// A ring of the profile.
#[derive(Debug, Serialize, ToSchema)]
pub struct RingRow {
    /// Mean radius.
    rho_arcsec: f64,
    /// The same at the comet.
    rho_km: f64,
    /// Inner edge.
    inner_arcsec: f64,
    /// Outer edge.
    outer_arcsec: f64,
    /// Mean brightness above the sky.
    mean_e_per_s_arcsec2: f64,
    /// Its error.
    err_e_per_s_arcsec2: f64,
    /// The same as a magnitude, where it is calibrated and over 3σ.
    mag_per_arcsec2: Option<f64>,
    /// Local logarithmic slope.
    slope: Option<f64>,
    /// Its error.
    slope_err: Option<f64>,
    /// Mean brightness of the twin.
    twin_mean_e_per_s_arcsec2: Option<f64>,
}

/// A circle of the curve of growth, or an aperture.
#[derive(Debug, Serialize, ToSchema)]
pub struct GrowthRow {
    /// `curve`, or `aperture` for one of the campaign's.
    what: &'static str,
    /// Radius on the sky.
    radius_arcsec: f64,
    /// The same at the comet.
    radius_km: f64,
    /// Light inside.
    light_e_per_s: Option<f64>,
    /// Its error.
    light_err_e_per_s: Option<f64>,
    /// Magnitude.
    mag: Option<f64>,
    /// Its error; along the curve without the zero point's.
    mag_err: Option<f64>,
    /// A(θ)fρ as observed.
    afrho_cm: Option<f64>,
    /// Its error.
    afrho_err_cm: Option<f64>,
    /// A(0°)fρ of an aperture.
    a0frho_cm: Option<f64>,
    /// Its error.
    a0frho_err_cm: Option<f64>,
    /// Light of the twin inside.
    twin_light_e_per_s: Option<f64>,
    /// The twin's magnitude.
    twin_mag: Option<f64>,
    /// The twin's A(θ)fρ.
    twin_afrho_cm: Option<f64>,
}

/// The numbers of profile and curve of growth, night and twin.
#[utoipa::path(get, path = "/api/nights/{id}/radial", tag = "nights", params(("id" = i64, Path)),
    responses((status = 200, body = RadialAnswer), Refusals))]
pub async fn radial(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<RadialAnswer>, Refusal> {
    let night = desk.night(id)?;
    let worker = Arc::clone(&desk);
    desk.compute(move || Ok(Json(of(&worker, &night)))).await
}

fn of(desk: &Desk, night: &DeskNight) -> RadialAnswer {
    let caption = |name| night_plot(&night.record, name, Room::REPORT).map(|figure| figure.caption);
    // a night without a twin has its own numbers
    let twin = desk.layer(night, Layer::Twin).ok();
    let twin = twin.as_ref().and_then(|pyramid| pyramid.level(0)).map(|image| Twin::new(night, image));
    RadialAnswer {
        profile_caption: caption("profile"),
        profile: rings(night, twin.as_ref()),
        growth_caption: caption("growth"),
        growth: circles(night, twin.as_ref()),
    }
}

fn rings(night: &DeskNight, twin: Option<&Twin>) -> Vec<RingRow> {
    let record = &night.record;
    let slopes = profile_slopes(record);
    let rows = record.profile.iter().map(|r| {
        let slope = slopes.iter().find(|s| s.rho_arcsec == r.rho_arcsec);
        RingRow {
            rho_arcsec: r.rho_arcsec,
            rho_km: r.rho_arcsec * record.geometry.km_per_arcsec,
            inner_arcsec: r.inner_arcsec,
            outer_arcsec: r.outer_arcsec,
            mean_e_per_s_arcsec2: r.mean_e_per_s_arcsec2,
            err_e_per_s_arcsec2: r.err_e_per_s_arcsec2,
            mag_per_arcsec2: r.mag_per_arcsec2,
            slope: slope.map(|s| s.slope),
            slope_err: slope.map(|s| s.error),
            twin_mean_e_per_s_arcsec2: twin.and_then(|t| t.ring(r.outer_arcsec)),
        }
    });
    rows.collect()
}

fn circles(night: &DeskNight, twin: Option<&Twin>) -> Vec<GrowthRow> {
    let curve = night.record.curve_of_growth.iter().map(|g| {
        let light = twin.and_then(|t| t.circle(g.radius_arcsec));
        let ratio = light.map(|l| l / g.light_e_per_s).filter(|r| *r > 0.0 && r.is_finite());
        GrowthRow {
            what: "curve",
            radius_arcsec: g.radius_arcsec,
            radius_km: g.radius_km,
            light_e_per_s: Some(g.light_e_per_s),
            light_err_e_per_s: Some(g.light_err_e_per_s),
            mag: g.mag,
            mag_err: g.mag_err,
            afrho_cm: g.afrho_cm,
            afrho_err_cm: g.afrho_err_cm,
            a0frho_cm: None,
            a0frho_err_cm: None,
            twin_light_e_per_s: light,
            twin_mag: g.mag.zip(ratio).map(|(mag, ratio)| mag - 2.5 * ratio.log10()),
            twin_afrho_cm: g.afrho_cm.zip(ratio).map(|(afrho, ratio)| afrho * ratio),
        }
    });
    let apertures = night.record.photometry.iter().map(|p| GrowthRow {
        what: "aperture",
        radius_arcsec: p.aperture_arcsec,
        radius_km: p.aperture_km,
        light_e_per_s: None,
        light_err_e_per_s: None,
        mag: p.mag,
        mag_err: p.mag_err,
        afrho_cm: p.afrho_cm,
        afrho_err_cm: p.afrho_err_cm,
        a0frho_cm: p.a0frho_cm,
        a0frho_err_cm: p.a0frho_err_cm,
        twin_light_e_per_s: None,
        twin_mag: None,
        twin_afrho_cm: None,
    });
    curve.chain(apertures).collect()
}

/// The featureless twin on the night's grid, measured about the night's centre as the night is.
struct Twin<'a> {
    image: &'a Image,
    mask: Mask,
    /// The light is wanted without its error: that of the night stands beside it.
    no_variance: Image,
    /// By the same rule as the night's, which follows from grid and centre alone.
    rings: Vec<Ring>,
    fill: RingProfile,
    centre_px: (f64, f64),
    scale_arcsec: f64,
}

impl<'a> Twin<'a> {
    fn new(night: &DeskNight, image: &'a Image) -> Self {
        let stack = &night.record.stack;
        let (mask, centre_px) = (Mask::of_missing(image), (stack.centre_x_px, stack.centre_y_px));
        let no_variance = Image::filled(image.width, image.height, 0.0);
        let rings = profile::rings(image, &no_variance, &mask, centre_px.0, centre_px.1);
        let reach_px = rings.last().map_or(0.0, |r| r.outer_px);
        let fill = RingProfile::measure(image, &mask, centre_px, reach_px);
        Self { image, mask, no_variance, rings, fill, centre_px, scale_arcsec: night.scale_arcsec() }
    }

    /// Mean of a ring of the record, e⁻/s per square arcsecond.
    fn ring(&self, outer_arcsec: f64) -> Option<f64> {
        let outer_px = outer_arcsec / self.scale_arcsec;
        let ring = self.rings.iter().find(|r| (r.outer_px / outer_px - 1.0).abs() < 1e-6)?;
        Some(ring.mean / self.scale_arcsec.powi(2)).filter(|mean| mean.is_finite())
    }

    /// Light in a circle, e⁻/s.
    fn circle(&self, radius_arcsec: f64) -> Option<f64> {
        let stack = Stack {
            image: self.image,
            variance: &self.no_variance,
            mask: &self.mask,
            x_px: self.centre_px.0,
            y_px: self.centre_px.1,
            centre_sigma_px: 0.0,
            sky_sigma: 0.0,
            correlation: 1.0,
        };
        photometry::aperture_light(&stack, &self.fill, radius_arcsec / self.scale_arcsec).map(|light| light.flux)
    }
}
