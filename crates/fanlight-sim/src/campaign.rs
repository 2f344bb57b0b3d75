//! The campaign file and the catalogue that belong to a simulated night.

use crate::Simulation;
use crate::photometry::solar_magnitude;
use crate::scenario::TrackingTarget;
use crate::starfield;
use toml::{Table, Value};

/// Name under which the catalogue must lie beside the campaign file.
const CATALOGUE_FILE: &str = "field.csv";

impl Simulation {
    /// The campaign file of this night; it expects the catalogue beside it as `field.csv`.
    pub fn campaign_toml(&self) -> String {
        let s = &self.scenario;
        let o = &s.object.orbit;
        let orbit = table([
            ("epoch_jd_tdb", o.epoch_jd_tdb.into()),
            ("perihelion_jd_tdb", o.perihelion_jd_tdb.into()),
            ("q_au", o.q_au.into()),
            ("e", o.e.into()),
            ("inclination_deg", o.inclination_deg.into()),
            ("node_deg", o.node_deg.into()),
            ("argument_of_perihelion_deg", o.argument_of_perihelion_deg.into()),
            ("a1_au_d2", o.a1_au_d2.into()),
            ("a2_au_d2", o.a2_au_d2.into()),
            ("a3_au_d2", o.a3_au_d2.into()),
        ]);
        let object = table([("designation", s.object.designation.clone().into()), ("orbit", orbit.into())]);
        let site = table([
            ("name", s.site.name.clone().into()),
            ("longitude_deg", s.site.longitude_deg.into()),
            ("latitude_deg", s.site.latitude_deg.into()),
            ("height_m", s.site.height_m.into()),
        ]);
        // A little under the true level: row bias and noise scatter saturated pixels about it.
        let saturation = (0.97 * s.camera.saturation_adu()).floor();
        let camera = table([
            ("gain_e_per_adu", s.camera.gain_e_per_adu.into()),
            ("read_noise_e", s.camera.read_noise_e.into()),
            ("saturation_adu", saturation.into()),
            ("pixel_scale_arcsec", s.camera.scale_arcsec.into()),
        ]);
        let mut photometry = table([
            ("catalogue", CATALOGUE_FILE.into()),
            ("band", s.band.clone().into()),
            ("solar_magnitude", solar_magnitude(&s.band).unwrap_or(f64::NAN).into()),
            ("apertures_km", Value::Array(s.apertures_km.iter().map(|a| (*a).into()).collect())),
        ]);
        if s.filter != s.band {
            let filters: Table = [(s.filter.clone(), Value::from(s.band.clone()))].into_iter().collect();
            photometry.insert("filters".into(), filters.into());
        }
        let tracking = if s.tracking.on == TrackingTarget::Comet { "comet" } else { "stars" };
        let telescope = table([
            ("name", s.telescope.name.clone().into()),
            ("aperture_m", s.telescope.aperture_m.into()),
            ("design", s.telescope.design.clone().into()),
            ("detector", s.telescope.detector.clone().into()),
            ("tracking", tracking.into()),
        ]);
        let mut campaign = table([
            ("object", object.into()),
            ("site", site.into()),
            ("camera", camera.into()),
            ("photometry", photometry.into()),
            ("telescope", telescope.into()),
        ]);
        if !s.observers.is_empty() {
            let names = Value::Array(s.observers.iter().map(|n| n.clone().into()).collect());
            campaign.insert("observer".into(), table([("names", names)]).into());
        }
        campaign.to_string()
    }

    /// The star catalogue of the field as CSV, columns as in a campaign: places at epoch 2016 with proper motions,
    /// three bands with errors.
    pub fn catalogue_csv(&self) -> String {
        starfield::catalogue_csv(&self.scenario, &self.stars, self.night.mid_utc.julian_year())
    }
}

fn table<const N: usize>(entries: [(&str, Value); N]) -> Table {
    entries.into_iter().map(|(k, v)| (k.to_string(), v)).collect()
}
