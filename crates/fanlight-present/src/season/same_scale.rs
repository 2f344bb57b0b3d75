//! Nights of one comet in pictures that compare: one km scale, one orientation, one stretch of brightness.
//!
//! The surface brightness of a resolved coma does not change with the distance from the observer, but it falls with the
//! sunlight on the dust. So calibrated nights are drawn in reflectance-like units, see [`af_per_e_per_s_arcsec2`].

use crate::colour::{self, ColourMap};
use crate::enhanced::{Values, stretch_of};
use crate::sky::{SkyPicture, north_up};
use crate::stretch::{Plate, Stretch};
use crate::{Directions, PresentError};
use fanlight_image::Image;
use fanlight_record::SeasonNight;
use rayon::prelude::*;
use std::f64::consts::PI;

/// Steradians in a square arcsecond.
const ARCSEC2_SR: f64 = (PI / 180.0 / 3600.0) * (PI / 180.0 / 3600.0);
/// Pixels along a side of the pictures from which the common stretch is taken.
const SAMPLE_PX: usize = 200;
/// Half the side of the smallest picture, in pixels of the image.
const LEAST_HALF_WIDTH_PX: f64 = 4.0;

/// How pictures lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SkyOrientation {
    /// North up, east left.
    NorthUp,
    /// Turned, not mirrored, until the direction toward the Sun points to the right.
    SunRight,
}

/// One night of the season in a picture.
#[derive(Debug, Clone, Copy)]
pub struct MontageNight<'a> {
    /// The night.
    pub night: &'a SeasonNight,
    /// Its light, or its enhanced image; `None` leaves an empty frame at the night's place. Of an enhanced image the values
    /// are those of the enhancement.
    pub picture: Option<SkyPicture<'a>>,
    /// The featureless twin on the same grid, through the same enhancement.
    pub twin: Option<&'a Image>,
    /// Noise per pixel on the sky, e⁻/s.
    pub sky_noise_e_per_s_px: Option<f64>,
    /// Magnitude of the Sun at 1 au in the band of the picture's zero point; without it, and without a zero point, the night is
    /// not calibrated.
    pub solar_mag: Option<f64>,
}

/// What a montage shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shows<'a> {
    /// The light itself.
    Light,
    /// An enhancement, whose twin stands under it.
    Enhanced {
        /// Its name.
        method: &'a str,
        /// What the values mean.
        values: Values,
        /// Unit of the values, as the colour bar says it.
        unit: &'a str,
        /// How it was made: settings, centre, known artefacts.
        how: &'a str,
    },
}

/// All nights at one scale.
#[derive(Debug, Clone)]
pub struct Montage<'a> {
    /// File name without ending.
    pub name: &'a str,
    /// The comet.
    pub object: &'a str,
    /// In order of time.
    pub nights: Vec<MontageNight<'a>>,
    /// What the pictures show.
    pub shows: Shows<'a>,
    /// How they lie.
    pub orientation: SkyOrientation,
    /// Half the side of each picture; otherwise what every night reaches, but at least half of what half of them do.
    pub half_width_km: Option<f64>,
}

/// Local A·f of a surface of one e⁻/s per square arcsecond: A·f = 4π r² · 10^(0.4 (m☉ − zp)) / Ω, with r in au, the zero point
/// zp in magnitudes of one e⁻/s, the Sun's magnitude m☉ at 1 au and Ω one square arcsecond in steradians. Averaged over a
/// circle of radius ρ and multiplied by ρ it is A(θ)fρ; the phase angle is not corrected for. `None` where a number is missing.
///
/// # Source
/// A'Hearn et al. 1984, AJ 89, 579, with the flux in the aperture written as mean surface brightness times area:
/// the observer's distance cancels.
pub fn af_per_e_per_s_arcsec2(night: &MontageNight) -> Option<f64> {
    let zero_point_mag = night.picture?.zero_point_mag?;
    let factor =
        4.0 * PI * night.night.r_au.powi(2) * 10f64.powf(0.4 * (night.solar_mag? - zero_point_mag)) / ARCSEC2_SR;
    (factor.is_finite() && factor > 0.0).then_some(factor)
}

impl MontageNight<'_> {
    /// Kilometres at the comet per arcsecond; `None` where the record holds none that can be used.
    fn km_per_arcsec(&self) -> Option<f64> {
        let scale = self.night.km_per_arcsec;
        (scale.is_finite() && scale > 0.0).then_some(scale)
    }

    /// Kilometres from the comet to the nearest edge of its picture.
    fn reach_km(&self) -> Option<f64> {
        Some(self.picture?.inscribed_half_width_arcsec() * self.km_per_arcsec()?)
    }

    /// Degrees that are added to position angles.
    pub(crate) fn turn_deg(&self, orientation: SkyOrientation) -> f64 {
        match orientation {
            SkyOrientation::SunRight if self.night.sunward_pa_deg.is_finite() => 270.0 - self.night.sunward_pa_deg,
            _ => 0.0,
        }
    }

    /// Directions at the comet.
    pub(crate) fn directions(&self) -> Directions {
        Directions {
            sunward_pa_deg: Some(self.night.sunward_pa_deg),
            antisolar_pa_deg: Some(self.night.antisolar_pa_deg),
            negative_velocity_pa_deg: Some(self.night.negative_velocity_pa_deg),
        }
    }
}

/// The picture whose "north" is the place that comes up when the sky is turned by `turn_deg`, counted as position angles.
fn turned<'a>(picture: &SkyPicture<'a>, turn_deg: f64) -> SkyPicture<'a> {
    let (sin, cos) = turn_deg.to_radians().sin_cos();
    let [east, north] = picture.arcsec_per_px;
    let arcsec_per_px =
        [[0, 1].map(|k| cos * east[k] + sin * north[k]), [0, 1].map(|k| cos * north[k] - sin * east[k])];
    SkyPicture { arcsec_per_px, ..*picture }
}

/// A montage with what its pictures share.
pub(crate) struct SameScale<'m, 'a> {
    pub montage: &'m Montage<'a>,
    pub half_km: f64,
    pub map: ColourMap,
    /// For calibrated nights, or for all of an enhancement; `None` where no night has a brightness that compares.
    pub stretch: Option<Stretch>,
}

/// A night's rasters.
pub(crate) struct Rasters {
    /// PNG of the night.
    pub night: Vec<u8>,
    /// PNG of its twin.
    pub twin: Option<Vec<u8>>,
    /// Whether some pixels are hatched.
    pub missing: bool,
}

impl<'m, 'a> SameScale<'m, 'a> {
    /// Checks the pictures and settles scale and stretch.
    ///
    /// # Errors
    /// When images do not share a grid, or centre or scale cannot be used.
    pub fn new(montage: &'m Montage<'a>) -> Result<Self, PresentError> {
        for night in &montage.nights {
            let Some(picture) = &night.picture else { continue };
            picture.check()?;
            if let Some(twin) =
                night.twin.filter(|t| (t.width, t.height) != (picture.image.width, picture.image.height))
            {
                return Err(PresentError::GridMismatch {
                    what: "the twin",
                    width: twin.width,
                    height: twin.height,
                    expected_width: picture.image.width,
                    expected_height: picture.image.height,
                });
            }
        }
        let wanted = montage.half_width_km.filter(|h| h.is_finite() && *h > 0.0);
        let half_km = wanted.or_else(|| reached_km(&montage.nights)).unwrap_or(1.0);
        let mut scene = Self { montage, half_km, map: colour::dusk(), stretch: None };
        let samples: Vec<(Image, f64)> = (montage.nights.par_iter())
            .filter_map(|night| {
                let factor = scene.factor(night)?;
                let noise = night.sky_noise_e_per_s_px.unwrap_or(f64::NAN);
                Some((scene.resampled(night, None, SAMPLE_PX, factor)?, noise * factor))
            })
            .collect();
        if !samples.is_empty() {
            let data: Vec<f32> = samples.iter().flat_map(|(image, _)| &image.data).copied().collect();
            let pooled = Image { width: data.len(), height: 1, data };
            match montage.shows {
                Shows::Light => scene.stretch = Some(Stretch::neutral(&pooled, typical_noise(&samples))),
                Shows::Enhanced { values, .. } => {
                    let (stretch, map) = stretch_of(&pooled, values);
                    (scene.stretch, scene.map) = (Some(stretch), map);
                }
            }
        }
        Ok(scene)
    }

    /// What pixel values are multiplied by for the common stretch; `None` where the night cannot be brought to it.
    fn factor(&self, night: &MontageNight) -> Option<f64> {
        match self.montage.shows {
            Shows::Light => Some(af_per_e_per_s_arcsec2(night)? / night.picture?.pixel_area_arcsec2()),
            Shows::Enhanced { .. } => night.picture.map(|_| 1.0),
        }
    }

    /// Whether the night's brightness compares with that of the others.
    pub fn is_calibrated(&self, night: &MontageNight) -> bool {
        self.factor(night).is_some()
    }

    fn resampled(&self, night: &MontageNight, image: Option<&Image>, side_px: usize, factor: f64) -> Option<Image> {
        let picture = night.picture?;
        let picture = picture.with_image(image.unwrap_or(picture.image), picture.mask);
        let least = LEAST_HALF_WIDTH_PX * picture.pixel_area_arcsec2().sqrt();
        let half_arcsec = (self.half_km / night.km_per_arcsec()?).max(least);
        let picture = turned(&picture, night.turn_deg(self.montage.orientation));
        let mut up = north_up(&picture, half_arcsec, side_px);
        up.data.iter_mut().for_each(|v| *v = (f64::from(*v) * factor) as f32);
        Some(up)
    }

    /// The night's pictures, `side_px` pixels a side; `None` where it has none.
    ///
    /// # Errors
    /// When a PNG cannot be written.
    pub fn rasters(&self, index: usize, side_px: usize) -> Result<Option<Rasters>, PresentError> {
        let Some(night) = self.montage.nights.get(index) else { return Ok(None) };
        let factor = self.factor(night);
        let Some(up) = self.resampled(night, None, side_px, factor.unwrap_or(1.0)) else { return Ok(None) };
        let own = || Stretch::neutral(&up, night.sky_noise_e_per_s_px.unwrap_or(f64::NAN));
        let stretch = factor.and(self.stretch).unwrap_or_else(own);
        let drawn = |image: &Image| Ok::<_, PresentError>(Plate::new(image, &stretch)?.coloured(&self.map));
        let twin = night.twin.and_then(|t| self.resampled(night, Some(t), side_px, factor.unwrap_or(1.0)));
        let missing = up.data.iter().any(|v| !v.is_finite());
        Ok(Some(Rasters { night: drawn(&up)?, twin: twin.as_ref().map(drawn).transpose()?, missing }))
    }
}

/// What every night reaches, but at least half of what half of them do: one narrow field does not cut all.
pub(super) fn reached_km(nights: &[MontageNight]) -> Option<f64> {
    let mut reach: Vec<f64> = nights.iter().filter_map(MontageNight::reach_km).collect();
    reach.sort_by(f64::total_cmp);
    let (least, median) = (*reach.first()?, reach[reach.len() / 2]);
    Some(least.max(median / 2.0)).filter(|r| *r > 0.0)
}

/// Median of the nights' noise; not a number where none is known.
fn typical_noise(samples: &[(Image, f64)]) -> f64 {
    let mut noise: Vec<f64> = samples.iter().map(|s| s.1).filter(|n| n.is_finite() && *n > 0.0).collect();
    noise.sort_by(f64::total_cmp);
    noise.get(noise.len() / 2).copied().unwrap_or(f64::NAN)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use fanlight_image::Mask;

    pub(crate) fn night(r_au: f64, km_per_arcsec: f64, sunward_pa_deg: f64) -> SeasonNight {
        SeasonNight {
            mid_utc: "2031-03-04T21:10:00.000Z".into(),
            site: "Larkhill Ridge".into(),
            band: Some("r".into()),
            r_au,
            side: Some("pre".into()),
            delta_au: 0.9,
            phase_deg: 31.0,
            sunward_pa_deg,
            antisolar_pa_deg: (sunward_pa_deg + 180.0).rem_euclid(360.0),
            negative_velocity_pa_deg: 10.0,
            km_per_arcsec,
            fwhm_arcsec: Some(3.0),
            telescope: None,
            exposure_s: 600.0,
            n_frames: 10,
            folder: None,
            simulated: false,
        }
    }

    fn coma(peak: f64, scale: f64, size: usize) -> Image {
        let middle = (size / 2) as f64;
        let at = |i: usize| ((i % size) as f64 - middle).hypot((i / size) as f64 - middle) * scale;
        Image { width: size, height: size, data: (0..size * size).map(|i| (peak / at(i).max(0.3)) as f32).collect() }
    }

    fn picture<'a>(image: &'a Image, mask: &'a Mask, scale: f64, zero_point_mag: Option<f64>) -> SkyPicture<'a> {
        let middle = (image.width / 2) as f64;
        SkyPicture {
            image,
            mask,
            centre_x_px: middle,
            centre_y_px: middle,
            arcsec_per_px: [[-scale, 0.0], [0.0, scale]],
            zero_point_mag,
        }
    }

    /// The same dust seen from two distances, two distances from the Sun, by two cameras, has one A·f at one distance in km; and
    /// its mean over a circle times the radius is Afρ by the usual formula.
    #[test]
    fn the_same_dust_has_the_same_units_whatever_distance_and_camera() {
        const SUN_MAG: f64 = -26.93;
        const AU_KM: f64 = 149_597_870.7;
        let afrho_cm = 500.0;
        for (r, delta, zero_point, scale) in [(1.2, 0.5, 24.0, 1.1), (2.4, 1.9, 25.5, 0.7)] {
            let km_per_arcsec = delta * AU_KM * (PI / 180.0 / 3600.0);
            // A'Hearn et al. 1984: Afρ = (2 r Δ)² F/F☉ / ρ, solved for the flux in a circle of 10 000 km
            let rho_km = 10_000.0;
            let flux = afrho_cm * 1e-5 * rho_km / (2.0 * r * delta * AU_KM).powi(2);
            let e_per_s = flux * 10f64.powf(0.4 * (zero_point - SUN_MAG));
            // a 1/ρ coma holds 2π · peak · ρ in a circle
            let peak = e_per_s / (2.0 * PI * rho_km / km_per_arcsec);
            let (image, mask) = (coma(peak * scale * scale, scale, 301), Mask::clear(301, 301));
            let n = night(r, km_per_arcsec, 90.0);
            let one = MontageNight {
                night: &n,
                picture: Some(picture(&image, &mask, scale, Some(zero_point))),
                twin: None,
                sky_noise_e_per_s_px: None,
                solar_mag: Some(SUN_MAG),
            };
            let montage = Montage {
                name: "m",
                object: "x",
                nights: vec![one],
                shows: Shows::Light,
                orientation: SkyOrientation::NorthUp,
                half_width_km: Some(20_000.0),
            };
            let scene = SameScale::new(&montage).expect("scene");
            let factor = scene.factor(&one).expect("calibrated");
            let up = scene.resampled(&one, None, 400, factor).expect("picture");
            // at 10 000 km, halfway to the edge, local A·f is Afρ / (2 ρ) in a 1/ρ coma
            let expected = afrho_cm * 1e-5 / (2.0 * rho_km);
            let seen = f64::from(up.at(300, 200));
            assert!((seen / expected - 1.0).abs() < 0.02, "{r}: {seen} {expected}");
        }
    }

    #[test]
    fn the_sun_comes_to_the_right_and_nothing_is_mirrored() {
        // one blob sunward, one 90° on toward larger position angles
        for sun in [0.0, 37.0, 200.0, 359.0f64] {
            let (size, scale) = (201, 1.0);
            let place = |pa: f64| (30.0 * pa.to_radians().sin(), 30.0 * pa.to_radians().cos());
            let (a, b) = (place(sun), place(sun + 90.0));
            let value = |i: usize| {
                let (east, north) = (100.0 - (i % size) as f64, (i / size) as f64 - 100.0);
                let blob = |p: (f64, f64)| (-((east - p.0).powi(2) + (north - p.1).powi(2)) / 18.0).exp();
                (blob(a) + 0.5 * blob(b)) as f32
            };
            let image = Image { width: size, height: size, data: (0..size * size).map(value).collect() };
            let mask = Mask::clear(size, size);
            let n = night(1.0, 1000.0, sun);
            let one = MontageNight {
                night: &n,
                picture: Some(picture(&image, &mask, scale, None)),
                twin: None,
                sky_noise_e_per_s_px: None,
                solar_mag: None,
            };
            let montage = Montage {
                name: "m",
                object: "x",
                nights: vec![one],
                shows: Shows::Light,
                orientation: SkyOrientation::SunRight,
                half_width_km: Some(50_000.0),
            };
            let scene = SameScale::new(&montage).expect("scene");
            assert!(scene.stretch.is_none() && !scene.is_calibrated(&one));
            let up = scene.resampled(&one, None, 200, 1.0).expect("picture");
            // 30″ are 60 px; with the Sun at the right, position angles grow upward there, as from west to north
            assert!((up.at(160, 100) - 1.0).abs() < 0.1, "{sun}: the Sun's side {}", up.at(160, 100));
            assert!((up.at(100, 39) - 0.5).abs() < 0.1, "{sun}: 90° on {}", up.at(100, 39));
        }
    }
}
