//! The truth about a simulated night: what was put in, and what an error-free measurement would find.

use crate::coma::{Coma, Part};
use crate::conditions::{Conditions, kernel_at};
use crate::header::FrameKind;
use crate::psf::{HalfMaximum, Kernel};
use crate::scenario::FeatureKind;
use crate::scene::{MeanKernel, Seen};
use crate::{Simulation, simulation};
use fanlight_sky::{PositionAngle, ViewingGeometry, viewing_geometry};
use serde_json::{Map, Value, json};

impl Simulation {
    /// Everything that was put into the night, as JSON. Keys that a night's record has too mean the same here; the
    /// others are:
    ///
    /// - `scenario`: the scenario with every default filled in;
    /// - `frames[]`: `x_px`, `y_px` true place of the nucleus (0-based) at mid-exposure, `seeing_fwhm_arcsec` without
    ///   the trail, `fwhm_arcsec`, `elongation`, `elongation_pa_deg` of a star beside the comet, `comet_…` the same of
    ///   a point that moves with the comet, trails end to end in pixels, `transparency` (share left by haze and cloud);
    ///   `zero_point_mag` is for the comet's colour and for a flat of median 1;
    /// - `photometry[]`: `mag` and `afrho_cm` before seeing, `mag_seen` and `afrho_seen_cm` through the mean kernel;
    /// - `features[]`: `contrast_own` before and `contrast_own_seen` after seeing and motion, `contrast_seen` of all
    ///   light; `pa_deg` at the inner radius; `profile` of the seen contrast along the ridge, beyond both ends;
    /// - `artefacts`: every one, per frame where it belongs to one.
    pub fn truth(&self) -> Value {
        let s = &self.scenario;
        let kernels: Vec<Kernel> =
            self.conditions.iter().map(|c| kernel_at(s, &c.comet_kernel, c.comet_px.x_px, c.comet_px.y_px)).collect();
        // The kernel is the same after a turn by 180°, so the middle frame's orientation serves for both sides of a flip.
        let jacobian = self.conditions[self.conditions.len() / 2].arcsec_per_px;
        let mean = MeanKernel::new(&self.plans, &kernels);
        let whole = mean.see(&self.coma, Part::Whole, jacobian);
        json!({
            "object": s.object.designation,
            "seed": s.seed,
            "mid_utc": self.night.mid_utc.to_iso(),
            "geometry": self.geometry(),
            "frames": self.conditions.iter().enumerate().map(|(i, c)| self.frame_truth(i, c)).collect::<Vec<_>>(),
            "photometry": s.apertures_km.iter().map(|a| self.photometry_truth(*a, &whole)).collect::<Vec<_>>(),
            "mean_kernel": self.mean_kernel_truth(&kernels),
            "coma": {
                "amplitude_e_per_s_arcsec2_at_1_arcsec": self.coma.amplitude,
                "gammas": self.coma.gammas,
                "breaks_arcsec": self.coma.breaks_arcsec.map(|b| b.is_finite().then_some(b)),
                "nucleus_e_per_s": self.coma.nucleus_e_per_s,
                "zero_point_above_atmosphere_mag": self.zero_point_above_air(),
            },
            "features": (0..self.coma.features.len()).map(|i| self.feature_truth(i, &mean, &whole, jacobian)).collect::<Vec<_>>(),
            "ephemeris_offset_arcsec": s.comet.ephemeris_offset_arcsec,
            "stars": { "n_drawn": self.stars.len(), "n_catalogue": self.catalogue_csv().lines().count().saturating_sub(1) },
            "artefacts": self.artefact_truth(),
            "scenario": s,
        })
    }

    fn geometry(&self) -> Value {
        let s = &self.scenario;
        let computed = viewing_geometry(&self.night.motion, &s.site.site(), self.night.mid_utc);
        computed.map_or(Value::Null, |g| geometry_record(&g, &self.night.mid_utc.to_iso(), self.night.motion.model()))
    }

    fn frame_truth(&self, index: usize, c: &Conditions) -> Value {
        let s = &self.scenario;
        let at = |kernel: &Kernel| kernel_at(s, kernel, c.comet_px.x_px, c.comet_px.y_px);
        let (star, comet) = (at(&c.star_kernel), at(&c.comet_kernel));
        let (star_half, comet_half) = (star.half_maximum(), comet.half_maximum());
        let scale = s.camera.scale_arcsec;
        json!({
            "file": simulation::name(FrameKind::Light, index),
            "start_utc": c.start.to_iso(),
            "mid_utc": c.mid.to_iso(),
            "exposure_s": s.exposure_s,
            "filter": s.filter,
            "x_px": c.comet_px.x_px,
            "y_px": c.comet_px.y_px,
            "ra_deg": c.comet.ra_deg,
            "dec_deg": c.comet.dec_deg,
            "seeing_fwhm_arcsec": star.fwhm_px * scale,
            "beta": star.beta,
            "fwhm_arcsec": star_half.fwhm_px * scale,
            "elongation": star_half.elongation,
            "elongation_pa_deg": axis_pa_deg(&star_half, c.arcsec_per_px),
            "comet_fwhm_arcsec": comet_half.fwhm_px * scale,
            "comet_elongation": comet_half.elongation,
            "comet_elongation_pa_deg": axis_pa_deg(&comet_half, c.arcsec_per_px),
            "star_trail_px": star.trail_px,
            "comet_trail_px": comet.trail_px,
            "arcsec_per_px": c.arcsec_per_px,
            "sky_e_per_s_arcsec2": c.sky_e_per_s_arcsec2,
            "transparency": c.transparency,
            "zero_point_mag": c.zero_point_mag,
            "airmass": c.airmass,
            "altitude_deg": c.altitude_deg,
            "flipped": c.flipped,
            "wcs_offset_arcsec": self.wcs_offset(c),
        })
    }

    /// True minus claimed place of the comet's pixel: east, north.
    fn wcs_offset(&self, c: &Conditions) -> Value {
        let plate = fanlight_sky::Wcs::tangent(c.claimed.reference, c.claimed.at, c.claimed.cd_deg_per_px());
        plate.map_or(Value::Null, |w| {
            let (east, north) = w.sky_from_pixel(c.comet_px).tangent_offset_arcsec(&c.comet);
            json!([east, north])
        })
    }

    fn photometry_truth(&self, aperture_km: f64, whole: &Seen) -> Value {
        let radius = aperture_km / self.night.km_per_arcsec;
        let mag = |light: f64| self.zero_point_above_air() - 2.5 * light.log10();
        let (own, seen) = (mag(self.coma.light_within(radius)), mag(whole.light_within(radius)));
        let afrho = |m: f64| self.night.distances.afrho_cm(m, aperture_km);
        json!({
            "aperture_km": aperture_km,
            "aperture_arcsec": radius,
            "band": self.scenario.band,
            "mag": own,
            "mag_seen": seen,
            "afrho_cm": afrho(own),
            "afrho_seen_cm": afrho(seen),
            "solar_magnitude": self.night.distances.solar_magnitude,
        })
    }

    fn mean_kernel_truth(&self, kernels: &[Kernel]) -> Value {
        let shapes: Vec<HalfMaximum> = kernels.iter().map(Kernel::half_maximum).collect();
        let mean = |f: fn(&HalfMaximum) -> f64| shapes.iter().map(f).sum::<f64>() / shapes.len() as f64;
        json!({
            "mean_fwhm_arcsec": mean(|h| h.fwhm_px) * self.scenario.camera.scale_arcsec,
            "mean_elongation": mean(|h| h.elongation),
            "beta": self.scenario.psf.beta,
        })
    }

    fn feature_truth(&self, index: usize, mean: &MeanKernel, whole: &Seen, jacobian: [[f64; 2]; 2]) -> Value {
        let f = &self.coma.features[index];
        let k = &f.keys;
        let own = mean.see(&self.coma, Part::Feature(index), jacobian);
        let ridge = SeenContrast { own: &own, whole };
        let (along, width_seen) = ridge.of(&self.coma, index);
        let profile = ridge.profile(&self.coma, index);
        let average = |pick: fn(&(f64, f64, f64)) -> f64| along.iter().map(pick).sum::<f64>() / along.len() as f64;
        json!({
            "kind": k.kind.name(),
            "pa_deg": PositionAngle::from_deg(k.pa_deg).deg(),
            "width_deg": k.width_deg,
            "width_seen_deg": width_seen,
            "curvature_deg_per_arcsec": (k.kind != FeatureKind::Arc).then_some(k.curvature_deg_per_arcsec),
            "inner_arcsec": k.inner_arcsec,
            "outer_arcsec": k.outer_arcsec,
            "inner_km": k.inner_arcsec * self.night.km_per_arcsec,
            "outer_km": k.outer_arcsec * self.night.km_per_arcsec,
            "contrast_own": self.coma.contrast(index),
            "contrast_own_seen": average(|p| p.1),
            "contrast_seen": average(|p| p.2),
            "amplitude": f.amplitude,
            "profile": {
                "rho_arcsec": profile.iter().map(|p| p.0).collect::<Vec<_>>(),
                "contrast_own_seen": profile.iter().map(|p| p.1).collect::<Vec<_>>(),
            },
        })
    }

    fn artefact_truth(&self) -> Value {
        let s = &self.scenario;
        let w = s.camera.width_px;
        let per_frame: Vec<Value> = (0..self.n_lights())
            .map(|i| {
                json!({
                    "file": simulation::name(FrameKind::Light, i),
                    "cosmic_rays": self.cosmic_rays(i).iter().map(|r| json!({
                        "x_px": r.x_px, "y_px": r.y_px, "track_px": r.track_px, "charge_e": r.charge_e,
                    })).collect::<Vec<_>>(),
                    "satellites": self.satellites(i).iter().map(|t| json!({
                        "x_px": t.x_px, "y_px": t.y_px, "angle_deg": t.angle_rad.to_degrees(),
                        "peak_e": t.peak_e, "width_px": t.width_px,
                    })).collect::<Vec<_>>(),
                })
            })
            .collect();
        let spiked: Vec<Value> = self
            .stars
            .iter()
            .filter(|star| s.stars.spikes.as_ref().is_some_and(|k| star.mag < k.brighter_than_mag))
            .map(|star| json!({ "ra_deg": star.place.ra_deg, "dec_deg": star.place.dec_deg, "mag": star.mag }))
            .collect();
        let mut all = Map::new();
        let mut put = |key: &str, value: Value| {
            all.insert(key.to_string(), value);
        };
        put("frames", per_frame.into());
        put(
            "tracking_drift",
            json!({
                "arcsec_per_exposure": s.tracking.drift_arcsec_per_min * s.exposure_s / 60.0,
                "pa_deg": s.tracking.drift_pa_deg,
            }),
        );
        put("star_near_nucleus", json!(s.stars.star_near_nucleus));
        put("spiked_stars", spiked.into());
        put(
            "hot_pixels",
            self.detector.hot_pixels.iter().map(|(i, rate)| json!([i % w, i / w, rate])).collect::<Vec<_>>().into(),
        );
        put(
            "bad_columns",
            self.detector.bad_columns.iter().map(|(x, left)| json!([x, left])).collect::<Vec<_>>().into(),
        );
        put(
            "dust_rings",
            self.detector
                .dust_rings
                .iter()
                .map(|d| json!({ "x_px": d.x_px, "y_px": d.y_px, "radius_px": d.radius_px, "depth": d.depth_fraction }))
                .collect::<Vec<_>>()
                .into(),
        );
        put("flat_error_rms", s.camera.flat_error_fraction.into());
        Value::Object(all)
    }
}

/// Position angle of a shape's major axis, in [0, 180).
fn axis_pa_deg(shape: &HalfMaximum, [[ex, ey], [nx, ny]]: [[f64; 2]; 2]) -> f64 {
    let (sin, cos) = shape.angle_rad.sin_cos();
    (ex * cos + ey * sin).atan2(nx * cos + ny * sin).to_degrees().rem_euclid(180.0)
}

/// Contrast after seeing: the light of one structure against the whole comet's, both through the same kernel.
struct SeenContrast<'a> {
    own: &'a Seen<'a>,
    whole: &'a Seen<'a>,
}

impl SeenContrast<'_> {
    /// Along the ridge (radius, own contrast, contrast of all light); and the width in position angle at half the
    /// height above the faintest direction, averaged over radius. For an arc: along its crest, and no width.
    fn of(&self, coma: &Coma, index: usize) -> (Vec<(f64, f64, f64)>, Option<f64>) {
        let f = &coma.features[index];
        let k = &f.keys;
        if k.kind == FeatureKind::Arc {
            let crest = 0.5 * (k.inner_arcsec + k.outer_arcsec);
            let (own, whole) = (self.ring(self.own, crest), self.ring(self.whole, crest));
            let n = 60;
            let along = (0..n).map(|i| {
                let pa = k.pa_deg + ((i as f64 + 0.5) / n as f64 - 0.5) * k.width_deg;
                (crest, self.at(self.own, crest, pa, &own, &whole), self.at(self.whole, crest, pa, &whole, &whole))
            });
            return (along.collect(), None);
        }
        let n = 40;
        let mut shape = vec![0.0; 360];
        let along = (0..n)
            .map(|i| {
                let rho = k.inner_arcsec + (i as f64 + 0.5) / n as f64 * (k.outer_arcsec - k.inner_arcsec);
                let pa = f.ridge_pa_deg(rho);
                let (own, whole) = (self.ring(self.own, rho), self.ring(self.whole, rho));
                for (d, value) in shape.iter_mut().enumerate() {
                    *value += sample(self.own, rho, pa + d as f64 - 180.0) / whole / n as f64;
                }
                (rho, self.at(self.own, rho, pa, &own, &whole), self.at(self.whole, rho, pa, &whole, &whole))
            })
            .collect();
        (along, full_width_deg(&shape))
    }

    /// Radius and own contrast on the ridge, from half the inner to one and a half times the outer radius; of an arc, of
    /// its middle.
    fn profile(&self, coma: &Coma, index: usize) -> Vec<(f64, f64)> {
        let f = &coma.features[index];
        let (from, to) = (0.5 * f.keys.inner_arcsec, 1.5 * f.keys.outer_arcsec);
        let n = 60;
        let at = |i: usize| {
            let rho = from + (i as f64 + 0.5) / n as f64 * (to - from);
            let pa = if f.keys.kind == FeatureKind::Arc { f.keys.pa_deg } else { f.ridge_pa_deg(rho) };
            (rho, self.at(self.own, rho, pa, &self.ring(self.own, rho), &self.ring(self.whole, rho)))
        };
        (0..n).map(at).collect()
    }

    /// Azimuthal mean.
    fn ring(&self, seen: &Seen, rho: f64) -> f64 {
        (0..360).map(|d| sample(seen, rho, d as f64)).sum::<f64>() / 360.0
    }

    fn at(&self, seen: &Seen, rho: f64, pa_deg: f64, mean: &f64, whole_mean: &f64) -> f64 {
        (sample(seen, rho, pa_deg) - mean) / whole_mean
    }
}

fn sample(seen: &Seen, rho: f64, pa_deg: f64) -> f64 {
    let (sin, cos) = pa_deg.to_radians().sin_cos();
    seen.surface(rho * sin, rho * cos)
}

/// Full width at half height of a ridge at the middle of 360 one-degree samples.
fn full_width_deg(shape: &[f64]) -> Option<f64> {
    let floor = shape.iter().copied().fold(f64::INFINITY, |a, b| if b < a { b } else { a });
    let half = 0.5 * (shape[180] + floor);
    let side = |step: i64| -> Option<f64> {
        (0..179).find_map(|d| {
            let (a, b) = (shape[(180 + step * d) as usize], shape[(180 + step * (d + 1)) as usize]);
            (b < half).then(|| d as f64 + (a - half) / (a - b))
        })
    };
    Some(side(1)? + side(-1)?)
}

fn geometry_record(g: &ViewingGeometry, utc: &str, model: &str) -> Value {
    json!({
        "utc": utc,
        "ra_deg": g.ra_deg,
        "dec_deg": g.dec_deg,
        "r_au": g.r_au,
        "delta_au": g.delta_au,
        "phase_deg": g.phase_deg,
        "elongation_deg": g.elongation_deg,
        "motion_arcsec_per_min": g.motion_arcsec_per_min,
        "motion_pa_deg": g.motion_pa_deg,
        "sunward_pa_deg": g.sunward_pa_deg,
        "antisolar_pa_deg": g.antisolar_pa_deg,
        "negative_velocity_pa_deg": g.negative_velocity_pa_deg,
        "orbit_plane_angle_deg": g.orbit_plane_angle_deg,
        "km_per_arcsec": g.km_per_arcsec,
        "altitude_deg": g.altitude_deg,
        "azimuth_deg": g.azimuth_deg,
        "sun_altitude_deg": g.sun_altitude_deg,
        "moon_separation_deg": g.moon_separation_deg,
        "moon_illuminated_fraction": g.moon_illuminated_fraction,
        "orbit_model": model,
    })
}

#[cfg(test)]
mod tests {
    use super::full_width_deg;

    #[test]
    fn width_of_a_gaussian_ridge() {
        let shape: Vec<f64> = (0..360)
            .map(|d| 2.0 + (-4.0 * std::f64::consts::LN_2 * ((d as f64 - 180.0) / 25.0).powi(2)).exp())
            .collect();
        assert!((full_width_deg(&shape).unwrap() - 25.0).abs() < 0.05);
        assert_eq!(full_width_deg(&[1.0; 360]), None);
    }
}
