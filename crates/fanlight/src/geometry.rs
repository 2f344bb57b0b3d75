//! `fanlight geometry`: where the comet is and how it is seen.

use crate::{Failure, messages};
use fanlight_io::Campaign;
use fanlight_record::GeometryRecord;
use fanlight_sky::{Motion, OrbitElements, Site, SkyError, TdbInstant, UtcInstant, ViewingGeometry};
use std::path::Path;

/// What is asked beside the campaign.
#[derive(Debug, Clone)]
pub struct Options {
    /// Instants, ISO 8601, UTC.
    pub instants: Vec<String>,
    /// Records instead of tables.
    pub as_json: bool,
    /// The Sun alone.
    pub is_two_body: bool,
}

/// Runs the command: records to standard output, warnings to standard error.
///
/// # Errors
/// When the campaign file, an instant or the orbit is wrong.
pub fn command(campaign: &Path, options: &Options) -> Result<(), Failure> {
    let campaign = load_campaign(campaign)?;
    let orbit = campaign.orbit().map_err(campaign_failure)?;
    let site = campaign.site().map_err(campaign_failure)?;
    let instant = |text: &String| {
        UtcInstant::parse(text)
            .map_err(|e| Failure::call(format!("--utc {text}: {e}")).hint("write it as 2031-03-04T21:10:00Z"))
    };
    let instants = options.instants.iter().map(instant).collect::<Result<Vec<_>, _>>()?;
    let motion = match options.is_two_body {
        true => Motion::two_body(orbit),
        false => perturbed(orbit, &instants).map_err(|e| {
            Failure::data(format!("motion with the planets' pull: {e}"))
                .hint("--two-body follows the comet about the Sun alone, without planets")
        })?,
    };
    let mut records = Vec::new();
    for utc in instants {
        let (geometry, record) = at(&motion, &site, utc)?;
        for warning in fanlight_sky::orbit_warnings(&motion, &geometry, utc) {
            messages::warn_always(&format!("{}: {warning}", record.utc));
        }
        records.push(record);
    }
    let text =
        if options.as_json { to_json(&records)? } else { records.iter().map(as_table).collect::<Vec<_>>().join("\n") };
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

/// The motion with the planets' pull over instants; without any, about the epoch.
///
/// # Errors
/// When an element is impossible, or the epoch or an instant is outside the ephemerides.
pub(crate) fn perturbed(orbit: OrbitElements, instants: &[UtcInstant]) -> Result<Motion, SkyError> {
    let times = || instants.iter().map(UtcInstant::tdb);
    let epoch = TdbInstant::from_jd(orbit.epoch_jd_tdb);
    let first = times().reduce(|a, b| if b < a { b } else { a }).unwrap_or(epoch);
    let last = times().reduce(|a, b| if b > a { b } else { a }).unwrap_or(epoch);
    Motion::perturbed(orbit, first, last)
}

/// Geometry at an instant, as measured and as recorded.
pub(crate) fn at(motion: &Motion, site: &Site, utc: UtcInstant) -> Result<(ViewingGeometry, GeometryRecord), Failure> {
    let geometry = fanlight_sky::viewing_geometry(motion, site, utc)
        .map_err(|e| Failure::data(format!("geometry at {}: {e}", utc.to_iso())))?;
    let record = record(&geometry, motion, utc);
    Ok((geometry, record))
}

fn record(g: &ViewingGeometry, motion: &Motion, utc: UtcInstant) -> GeometryRecord {
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
        orbit_model: motion.model().to_string(),
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
