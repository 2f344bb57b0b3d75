//! The stars of the field and the catalogue that one would have of them.

use crate::conditions::Night;
use crate::random::{Stream, normal, stream};
use crate::scenario::{Scenario, StarKeys, TrackingTarget};
use fanlight_sky::SkyPosition;
use rand::Rng;
use std::fmt::Write;

/// One star, as it is at the time of the frames.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Star {
    /// Where it is.
    pub place: SkyPosition,
    /// Magnitude in the scenario's band.
    pub mag: f64,
    /// Colour g − r.
    pub g_minus_r_mag: f64,
    /// Proper motion in right ascension times cos δ.
    pub pmra_mas_yr: f64,
    /// Proper motion in declination.
    pub pmdec_mas_yr: f64,
}

/// Epoch of the catalogue's places, Julian year.
const CATALOGUE_EPOCH_YR: f64 = 2016.0;

/// Draws the field: a disc about the comet's mid-night place that covers every frame, plus a margin whose stars reach
/// into the frame with their wings.
pub(crate) fn draw(s: &Scenario, night: &Night, motion_over_night_arcsec: f64) -> Vec<Star> {
    let c = &s.camera;
    let follow = if s.tracking.on == TrackingTarget::Comet { motion_over_night_arcsec } else { 0.0 };
    let corner = (c.width_px as f64).hypot(c.height_px as f64);
    // The comet may sit anywhere in the frame, so the field may extend a whole diagonal from it.
    let off_centre = |target: Option<f64>, side: usize| target.map_or(10.0, |t| (t - 0.5 * side as f64).abs());
    let reach_px = 0.5 * corner
        + off_centre(s.tracking.comet_x_px, c.width_px).hypot(off_centre(s.tracking.comet_y_px, c.height_px));
    let wander = 5.0 * (s.tracking.dither_arcsec + s.tracking.jitter_arcsec);
    let radius_arcsec = (reach_px + 60.0) * c.scale_arcsec + wander + 0.5 * follow;
    let counts = Counts::new(&s.stars);
    let area_deg2 = std::f64::consts::PI * (radius_arcsec / 3600.0).powi(2);
    let mut rng = stream(s.seed, Stream::Stars, 0);
    let expected = counts.per_square_degree() * area_deg2;
    let n = crate::random::counted(&mut rng, expected, 0.0).round().max(0.0) as usize;
    let k = &s.stars;
    let mut stars: Vec<Star> = (0..n)
        .map(|_| {
            let rho = radius_arcsec * rng.random::<f64>().sqrt();
            let (sin, cos) = (rng.random::<f64>() * 2.0 * std::f64::consts::PI).sin_cos();
            Star {
                place: night.comet.offset_by_arcsec(rho * sin, rho * cos),
                mag: counts.magnitude(rng.random::<f64>()),
                g_minus_r_mag: k.colour_mean_mag + k.colour_sigma_mag * normal(&mut rng),
                pmra_mas_yr: k.proper_motion_mas_yr * normal(&mut rng),
                pmdec_mas_yr: k.proper_motion_mas_yr * normal(&mut rng),
            }
        })
        .collect();
    if let Some(near) = &k.star_near_nucleus {
        let (sin, cos) = near.pa_deg.to_radians().sin_cos();
        stars.push(Star {
            place: night.comet.offset_by_arcsec(near.distance_arcsec * sin, near.distance_arcsec * cos),
            mag: near.mag,
            g_minus_r_mag: k.colour_mean_mag,
            pmra_mas_yr: 0.0,
            pmdec_mas_yr: 0.0,
        });
    }
    stars
}

/// Cumulative star counts by magnitude.
struct Counts {
    /// Magnitudes, rising.
    mags: Vec<f64>,
    /// Stars per square degree brighter than each.
    cumulative: Vec<f64>,
}

impl Counts {
    fn new(k: &StarKeys) -> Self {
        // log10 N(m) by trapezoid from magnitude 16, where it is known, both ways.
        let slope = |m: f64| (k.slope - k.flattening * (m - 16.0)).max(0.05);
        let steps = 400;
        let mags: Vec<f64> =
            (0..=steps).map(|i| k.bright_mag + (k.faint_mag - k.bright_mag) * i as f64 / steps as f64).collect();
        let log_n = |m: f64| {
            let pieces = 200;
            let h = (m - 16.0) / pieces as f64;
            (0..pieces).map(|i| slope(16.0 + (i as f64 + 0.5) * h) * h).sum::<f64>()
        };
        let at_bright = 10f64.powf(log_n(k.bright_mag));
        // Stars brighter than the brightest are not drawn at all.
        let cumulative = mags.iter().map(|m| k.per_square_degree * (10f64.powf(log_n(*m)) - at_bright)).collect();
        Self { mags, cumulative }
    }

    fn per_square_degree(&self) -> f64 {
        self.cumulative.last().copied().unwrap_or(0.0)
    }

    /// The magnitude at a share of the cumulative count, 0 to 1.
    fn magnitude(&self, share: f64) -> f64 {
        let want = share * self.per_square_degree();
        let i = self.cumulative.partition_point(|c| *c < want).clamp(1, self.mags.len() - 1);
        let (low, high) = (self.cumulative[i - 1], self.cumulative[i]);
        let part = if high > low { (want - low) / (high - low) } else { 0.0 };
        self.mags[i - 1] + part * (self.mags[i] - self.mags[i - 1])
    }
}

/// Names of the catalogue's bands, the scenario's first.
fn bands(band: &str) -> [&str; 3] {
    match band {
        "g" => ["g", "r", "i"],
        "i" => ["i", "r", "g"],
        "r" => ["r", "g", "i"],
        "B" => ["B", "V", "R"],
        "R" => ["R", "V", "I"],
        "I" => ["I", "V", "R"],
        _ => ["V", "B", "R"],
    }
}

/// Magnitude in a band minus that in r, for a star of a colour: the straight lines along which most stars lie.
///
/// # Source
/// Jester et al. (2005, AJ 130, 873), table 1, for B, V, R − I; r − i = 0.39 (g − r) − 0.06 is this simulator's own
/// rounding of the stellar locus. The measuring code never sees these lines, only the magnitudes they give.
fn relative_to_r(band: &str, g_minus_r: f64) -> f64 {
    let r_minus_i = 0.39 * g_minus_r - 0.06;
    let v = 0.41 * g_minus_r - 0.01;
    match band {
        "g" => g_minus_r,
        "i" => -r_minus_i,
        "V" => v,
        "B" => v + 0.98 * g_minus_r + 0.22,
        "R" => v - 1.09 * r_minus_i - 0.22,
        "I" => v - 2.09 * r_minus_i - 0.43,
        _ => 0.0,
    }
}

/// The catalogue as CSV: a column and an error for each of three bands, proper motions, epoch 2016.
pub(crate) fn catalogue_csv(s: &Scenario, stars: &[Star], julian_year: f64) -> String {
    let names = bands(&s.band);
    let mut text = String::from("ra_deg,dec_deg");
    for name in names {
        // Writing to a String cannot fail.
        let _ = write!(text, ",{name},{name}_err");
    }
    text.push_str(",pmra_mas_yr,pmdec_mas_yr,epoch_yr\n");
    let k = &s.stars;
    let years = CATALOGUE_EPOCH_YR - julian_year;
    for (i, star) in stars.iter().enumerate() {
        // One stream a star: whether a star is left out does not change its neighbours.
        let mut rng = stream(s.seed, Stream::Catalogue, i);
        let kept = rng.random::<f64>() < k.catalogue_completeness;
        let shift = [(); 2].map(|_| k.catalogue_error_arcsec * normal(&mut rng));
        // Completeness falls over the last half magnitude rather than at a cliff.
        let lost_late = rng.random::<f64>() * 0.5 > k.catalogue_limit_mag - star.mag;
        if !kept || lost_late {
            continue;
        }
        let east = star.pmra_mas_yr * years / 1000.0 + shift[0];
        let north = star.pmdec_mas_yr * years / 1000.0 + shift[1];
        let place = star.place.offset_by_arcsec(east, north);
        let _ = write!(text, "{:.7},{:.7}", place.ra_deg, place.dec_deg);
        for name in names {
            let mag = star.mag + relative_to_r(name, star.g_minus_r_mag) - relative_to_r(&s.band, star.g_minus_r_mag);
            // 0.1 mag at the limit, as counted photons would have it.
            let noise = 0.1 * 10f64.powf(0.3 * (mag - k.catalogue_limit_mag));
            let error = k.catalogue_error_mag.hypot(if k.catalogue_error_mag > 0.0 { noise } else { 0.0 });
            let _ = write!(text, ",{:.4},{:.4}", mag + error * normal(&mut rng), error);
        }
        let _ = writeln!(text, ",{:.2},{:.2},{CATALOGUE_EPOCH_YR:.1}", star.pmra_mas_yr, star.pmdec_mas_yr);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_anchored_and_flatten() {
        let k = StarKeys { bright_mag: -1.0, faint_mag: 20.0, ..StarKeys::default() };
        let counts = Counts::new(&k);
        let at = |m: f64| counts.cumulative[counts.mags.partition_point(|x| *x < m)];
        // Few stars are brighter than the brightest, so N(<16) is the key's value within the table's step.
        assert!((at(16.0) / k.per_square_degree - 1.0).abs() < 0.03, "{}", at(16.0));
        assert!((at(14.0) / at(13.0)) > (at(19.0) / at(18.0)));
    }

    #[test]
    fn drawn_magnitudes_follow_the_counts() {
        let counts = Counts::new(&StarKeys::default());
        let share = |m: f64| counts.cumulative[counts.mags.partition_point(|x| *x < m)] / counts.per_square_degree();
        for m in [12.0, 15.0, 18.0, 20.5] {
            assert!((counts.magnitude(share(m)) - m).abs() < 0.05);
        }
    }
}
