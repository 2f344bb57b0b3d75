//! Light in the coma that does not go with the comet: what it may add to the magnitudes.
//!
//! A galaxy behind the coma is no star that could be taken out. Where it stands beside the centre the search finds it, and the
//! challenge of the halves shows that it stays while the comet moves on.

use fanlight_record::{ErrorTerm, FeatureRecord, NightRecord};

/// Features of a larger false-alarm probability say nothing.
const LARGEST_CHANCE: f64 = 1e-3;
/// Name of the error term.
const TERM: &str = "light that does not go with the comet";

/// Widens the errors of the magnitudes by what features that are not in all of the night say, and tells so.
pub fn widen(record: &mut NightRecord) {
    let foreign: Vec<&FeatureRecord> = record
        .morphology
        .features
        .iter()
        .filter(|f| f.false_alarm_probability <= LARGEST_CHANCE)
        .filter(|f| f.challenges.iter().any(|c| c.name == "halves" && c.outcome == "failed"))
        .collect();
    if foreign.is_empty() {
        return;
    }
    // under the ridge lies as much again, of which the contrast over the ring's mean says nothing; inward, an even light is a share of
    // the coma that falls with the distance
    let share_within = |aperture_arcsec: f64| -> f64 {
        let of = |f: &&FeatureRecord| {
            let middle = (f.inner_arcsec * f.outer_arcsec).sqrt().max(f64::MIN_POSITIVE);
            f.contrast.abs() * (aperture_arcsec / middle).min(1.0)
        };
        foreign.iter().map(of).fold(0.0, f64::max)
    };
    for p in &mut record.photometry {
        let term = 1.0857 * share_within(p.aperture_arcsec);
        if let Some(mag_err) = &mut p.mag_err {
            let wider = mag_err.hypot(term);
            widen_value(p.afrho_cm, &mut p.afrho_err_cm, term / 1.0857);
            widen_value(p.a0frho_cm, &mut p.a0frho_err_cm, term / 1.0857);
            *mag_err = wider;
        }
        p.error_terms_mag.push(ErrorTerm { name: TERM.into(), mag: term });
    }
    if let Some(dust) = &mut record.dust {
        let share = share_within(dust.aperture_km / record.geometry.km_per_arcsec);
        widen_value(dust.afrho_cm, &mut dust.afrho_err_cm, share);
        widen_value(dust.a0frho_cm, &mut dust.a0frho_err_cm, share);
    }
    let names: Vec<String> = foreign.iter().map(|f| format!("PA {:.0}°", f.pa_deg)).collect();
    let note = format!(
        "Light in the coma toward {} is not alike in all parts of the night, as light that goes with the comet is: it may be a galaxy, \
         a nebula, a star that could not be taken out or a satellite's track. What it may add to the magnitudes is in their errors.",
        names.join(", ")
    );
    record.notes.insert(record.n_warnings, note);
    record.n_warnings += 1;
}

/// Adds an error that is a share of a value to its own.
fn widen_value(value: Option<f64>, err: &mut Option<f64>, share: f64) {
    if let (Some(value), Some(err)) = (value, err) {
        *err = err.hypot(value * share);
    }
}
