//! `fanlight geometry`: where the comet is and how it is seen.

use crate::{Failure, messages};
use fanlight_io::Campaign;
use fanlight_record::GeometryRecord;
use fanlight_sky::{OrbitElements, Site, UtcInstant, ViewingGeometry};
use std::path::Path;

/// Runs the command: records to standard output, warnings to standard error.
///
/// # Errors
/// When the campaign file, an instant or the orbit is wrong.
pub fn command(campaign: &Path, instants: &[String], json: bool) -> Result<(), Failure> {
    let campaign = load_campaign(campaign)?;
    let orbit = campaign.orbit().map_err(campaign_failure)?;
    let site = campaign.site().map_err(campaign_failure)?;
    let mut records = Vec::new();
    for text in instants {
        let utc = UtcInstant::parse(text)
            .map_err(|e| Failure::call(format!("--utc {text}: {e}")).hint("write it as 2031-03-04T21:10:00Z"))?;
        let (geometry, record) = at(&orbit, &site, utc)?;
        for warning in fanlight_sky::orbit_warnings(&orbit, &geometry, utc) {
            messages::warn_always(&format!("{}: {warning}", record.utc));
        }
        records.push(record);
    }
    let text = if json { to_json(&records)? } else { records.iter().map(as_table).collect::<Vec<_>>().join("\n") };
    messages::tell(&text)
}

/// Reads a campaign file; what is wrong with it is the call's fault.
pub(crate) fn load_campaign(path: &Path) -> Result<Campaign, Failure> {
    fanlight_io::load_campaign(path).map_err(campaign_failure)
}

pub(crate) fn campaign_failure(error: fanlight_io::CampaignError) -> Failure {
    let failure = Failure::call(&error.message);
    match error.hint {
        Some(hint) => failure.hint(hint),
        None => failure,
    }
}

/// Geometry at an instant, as measured and as recorded.
pub(crate) fn at(
    orbit: &OrbitElements,
    site: &Site,
    utc: UtcInstant,
) -> Result<(ViewingGeometry, GeometryRecord), Failure> {
    let geometry = fanlight_sky::viewing_geometry(orbit, site, utc)
        .map_err(|e| Failure::data(format!("geometry at {}: {e}", utc.to_iso())))?;
    let record = record(&geometry, utc);
    Ok((geometry, record))
}

fn record(g: &ViewingGeometry, utc: UtcInstant) -> GeometryRecord {
    GeometryRecord {
        utc: utc.to_iso(),
        ra_deg: g.ra_deg,
        dec_deg: g.dec_deg,
        r_au: g.r_au,
        delta_au: g.delta_au,
        phase_deg: g.phase_deg,
        elongation_deg: g.elongation_deg,
        motion_arcsec_per_min: g.motion_arcsec_per_min,
        motion_pa_deg: g.motion_pa_deg,
        sunward_pa_deg: g.sunward_pa_deg,
        antisolar_pa_deg: g.antisolar_pa_deg,
        negative_velocity_pa_deg: g.negative_velocity_pa_deg,
        orbit_plane_angle_deg: g.orbit_plane_angle_deg,
        km_per_arcsec: g.km_per_arcsec,
        altitude_deg: g.altitude_deg,
        azimuth_deg: g.azimuth_deg,
        sun_altitude_deg: g.sun_altitude_deg,
        moon_separation_deg: g.moon_separation_deg,
        moon_illuminated_fraction: g.moon_illuminated_fraction,
        orbit_model: "two_body".to_string(),
    }
}

fn to_json(records: &[GeometryRecord]) -> Result<String, Failure> {
    serde_json::to_string_pretty(records).map_err(|e| Failure::data(format!("geometry record: {e}")))
}

fn as_table(g: &GeometryRecord) -> String {
    let rows: [(&str, String); 13] = [
        ("place (ICRS, astrometric)", format!("RA {:.6}°  Dec {:+.6}°", g.ra_deg, g.dec_deg)),
        ("from the Sun, r", format!("{:.6} au", g.r_au)),
        ("from the observer, Δ", format!("{:.6} au", g.delta_au)),
        ("phase angle", format!("{:.3}°", g.phase_deg)),
        ("elongation from the Sun", format!("{:.3}°", g.elongation_deg)),
        ("motion", format!("{:.3}″/min toward PA {:.1}°", g.motion_arcsec_per_min, g.motion_pa_deg)),
        ("PA of Sun, anti-solar", format!("{:.2}°, {:.2}°", g.sunward_pa_deg, g.antisolar_pa_deg)),
        ("PA of minus velocity", format!("{:.2}°", g.negative_velocity_pa_deg)),
        ("observer over orbit plane", format!("{:+.2}°", g.orbit_plane_angle_deg)),
        ("scale at the comet", format!("{:.1} km per arcsec", g.km_per_arcsec)),
        ("altitude, azimuth", format!("{:.2}°, {:.2}°", g.altitude_deg, g.azimuth_deg)),
        ("Sun's altitude", format!("{:.2}°", g.sun_altitude_deg)),
        ("Moon", format!("{:.1}° away, {:.0} % lit", g.moon_separation_deg, 100.0 * g.moon_illuminated_fraction)),
    ];
    let mut text = format!("{}  ({})\n", g.utc, g.orbit_model.replace('_', "-"));
    for (label, value) in rows {
        text.push_str(&format!("  {label:<27}{value}\n"));
    }
    text
}
