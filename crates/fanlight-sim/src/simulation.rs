//! A night, ready to be made frame by frame.

use crate::coma::{Coma, Feature};
use crate::conditions::{self, Conditions, Night, kernel_at};
use crate::detector::Detector;
use crate::header::{self, CardLine, FrameKind};
use crate::paint::{self, CosmicRay, StarBrush, Trail};
use crate::random::{Stream, counted, stream};
use crate::scenario::GalaxyKeys;
use crate::scene::{self, Placement, Plans};
use crate::starfield::{self, Star};
use crate::{CardValue, Scenario, SimError, photometry};
use fanlight_image::Image;
use fanlight_sky::{HeaderCards, UtcInstant};
use rand::Rng;

/// A night that can be made frame by frame.
pub struct Simulation {
    pub(crate) scenario: Scenario,
    pub(crate) night: Night,
    pub(crate) conditions: Vec<Conditions>,
    pub(crate) stars: Vec<Star>,
    pub(crate) coma: Coma,
    pub(crate) detector: Detector,
    pub(crate) plans: Plans,
}

/// One frame as a camera would have written it.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedFrame {
    /// File name, such as `light-001.fits`.
    pub name: String,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Counts, row by row.
    pub pixels: Vec<u16>,
    /// Keyword, value and comment, in order; nothing that describes the array itself.
    pub cards: Vec<(String, CardValue, String)>,
}

impl HeaderCards for SimulatedFrame {
    fn number(&self, key: &str) -> Option<f64> {
        self.cards.iter().find(|c| c.0 == key).and_then(|c| match &c.1 {
            CardValue::Number(v) => Some(*v),
            CardValue::Integer(v) => Some(*v as f64),
            _ => None,
        })
    }

    fn text(&self, key: &str) -> Option<String> {
        self.cards.iter().find(|c| c.0 == key).and_then(|c| match &c.1 {
            CardValue::Text(v) => Some(v.clone()),
            _ => None,
        })
    }

    fn contains(&self, key: &str) -> bool {
        self.cards.iter().any(|c| c.0 == key)
    }
}

impl Simulation {
    /// Works out everything that the frames share: geometry, stars, the comet's light, the detector.
    ///
    /// # Errors
    /// What [`Scenario::validate`] refuses; a comet below the horizon or a nucleus brighter than the whole comet
    /// ([`SimError::Inconsistent`]); an orbit or a time that the geometry code refuses ([`SimError::Sky`]).
    pub fn new(scenario: &Scenario) -> Result<Self, SimError> {
        scenario.validate()?;
        let s = scenario.clone();
        let solar = photometry::solar_magnitude(&s.band).unwrap_or(f64::NAN);
        let (conditions, night) = conditions::all(&s, solar)?;
        let coma = light_of_comet(&s, &night)?;
        let motion_arcsec = match (conditions.first(), conditions.last()) {
            (Some(a), Some(b)) => a.comet.separation_arcsec(&b.comet),
            _ => 0.0,
        };
        let stars = starfield::draw(&s, &night, motion_arcsec);
        let detector = Detector::new(&s);
        Ok(Self { scenario: s, night, conditions, stars, coma, detector, plans: Plans::new() })
    }

    /// Frames in all: lights, then bias, dark and flat frames.
    pub fn n_frames(&self) -> usize {
        let k = &self.scenario.calibration;
        self.scenario.n_frames + k.n_bias + k.n_dark + k.n_flat
    }

    /// Light frames; they come first.
    pub fn n_lights(&self) -> usize {
        self.scenario.n_frames
    }

    /// The scenario that is simulated.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Makes one frame. The same index gives the same bits, whatever was made before and on whichever thread.
    ///
    /// # Panics
    /// When `index` is not under [`Simulation::n_frames`], as slice indexing does.
    pub fn frame(&self, index: usize) -> SimulatedFrame {
        assert!(index < self.n_frames(), "frame {index} of {}", self.n_frames());
        let (kind, number) = self.kind(index);
        let s = &self.scenario;
        let (start, exposure_s) = self.timing(kind, number);
        let mut rng = stream(s.seed, Stream::Noise, index);
        let light_e = match kind {
            FrameKind::Light => self.light(number),
            FrameKind::Flat => self.flat(),
            FrameKind::Bias | FrameKind::Dark => Image::filled(s.camera.width_px, s.camera.height_px, 0.0),
        };
        let pixels = self.detector.expose(light_e, exposure_s, &mut rng);
        let mut cards: Vec<CardLine> = header::common(s, kind, &start, exposure_s);
        if kind == FrameKind::Light {
            cards.extend(header::light(s, &self.conditions[number]));
        }
        SimulatedFrame { name: name(kind, number), width: s.camera.width_px, height: s.camera.height_px, pixels, cards }
    }

    /// The light that falls on one light frame's pixels, in electrons, without noise, detector response, dark charge
    /// or cosmic rays.
    ///
    /// # Panics
    /// When `index` is not under [`Simulation::n_lights`].
    pub fn expected_light(&self, index: usize) -> Image {
        let s = &self.scenario;
        let c = &self.conditions[index];
        let mut frame = self.sky(c);
        self.add_comet(&mut frame, c);
        if let Some(galaxy) = &s.stars.galaxy {
            self.add_galaxy(&mut frame, c, galaxy);
        }
        self.add_stars(&mut frame, c);
        for trail in self.satellites(index) {
            paint::satellite(&mut frame, &trail);
        }
        frame
    }

    /// The comet's part alone of [`Simulation::expected_light`].
    ///
    /// # Panics
    /// When `index` is not under [`Simulation::n_lights`].
    pub fn expected_comet(&self, index: usize) -> Image {
        let s = &self.scenario;
        let c = &self.conditions[index];
        let mut frame = Image::filled(s.camera.width_px, s.camera.height_px, 0.0);
        self.add_comet(&mut frame, c);
        frame
    }

    /// Coma, nucleus and what goes with it.
    fn add_comet(&self, frame: &mut Image, c: &Conditions) {
        let s = &self.scenario;
        let at = Placement { x_px: c.comet_px.x_px, y_px: c.comet_px.y_px, arcsec_per_px: c.arcsec_per_px };
        let kernel = kernel_at(s, &c.comet_kernel, at.x_px, at.y_px);
        let seconds = self.through_air(c) * s.exposure_s;
        scene::add_comet(frame, &self.coma, &at, &kernel, &self.plans, seconds);
        if let Some(companion) = &s.comet.companion {
            let (dx, dy) = on_detector(c.arcsec_per_px, companion.distance_arcsec, companion.pa_deg);
            let light_e = s.exposure_s * 10f64.powf(-0.4 * (companion.mag - c.zero_point_mag));
            StarBrush::new(&kernel).star(frame, &kernel, at.x_px + dx, at.y_px + dy, light_e);
        }
    }

    /// A galaxy's disc; seeing is small against it.
    fn add_galaxy(&self, frame: &mut Image, c: &Conditions, galaxy: &GalaxyKeys) {
        let s = &self.scenario;
        let (sin, cos) = galaxy.pa_deg.to_radians().sin_cos();
        let place = self.night.comet.offset_by_arcsec(galaxy.distance_arcsec * sin, galaxy.distance_arcsec * cos);
        let Ok(at) = c.wcs.pixel_from_sky(place) else { return };
        let light_e = s.exposure_s * 10f64.powf(-0.4 * (galaxy.mag - c.zero_point_mag));
        paint::galaxy(frame, galaxy, (at.x_px, at.y_px), c.arcsec_per_px, light_e);
    }

    /// Share of the comet's light above the atmosphere that reaches the detector.
    pub(crate) fn through_air(&self, c: &Conditions) -> f64 {
        10f64.powf(0.4 * (c.zero_point_mag - self.zero_point_above_air()))
    }

    /// Magnitude of 1 e⁻/s above the atmosphere for an object of the comet's colour.
    pub(crate) fn zero_point_above_air(&self) -> f64 {
        above_air(&self.scenario)
    }

    fn light(&self, index: usize) -> Image {
        let mut frame = self.expected_light(index);
        frame.data.iter_mut().zip(&self.detector.response.data).for_each(|(e, r)| *e *= r);
        for ray in self.cosmic_rays(index) {
            ray.add(&mut frame);
        }
        frame
    }

    fn flat(&self) -> Image {
        let s = &self.scenario;
        let level_e = s.calibration.flat_level_fraction
            * (s.camera.saturation_adu() - s.camera.bias_adu)
            * s.camera.gain_e_per_adu;
        let w = s.camera.width_px;
        let pixel = |(i, r): (usize, &f32)| (level_e * *r as f64 * self.detector.flat_light(i % w, i / w)) as f32;
        let data = self.detector.response.data.iter().enumerate().map(pixel).collect();
        Image { width: w, height: s.camera.height_px, data }
    }

    fn sky(&self, c: &Conditions) -> Image {
        let s = &self.scenario;
        let (w, h) = (s.camera.width_px, s.camera.height_px);
        let [[ex, ey], [nx, ny]] = c.arcsec_per_px;
        let (sin, cos) = s.sky.gradient_pa_deg.to_radians().sin_cos();
        // Direction of the gradient on the detector, in units of the frame's longer side.
        let side = w.max(h) as f64 * s.camera.scale_arcsec;
        let (gx, gy) = ((ex * sin + nx * cos) / side, (ey * sin + ny * cos) / side);
        let level = c.sky_e_per_s_arcsec2 * s.exposure_s * s.camera.scale_arcsec.powi(2);
        let mut frame = Image::filled(w, h, 0.0);
        for (y, row) in frame.data.chunks_exact_mut(w).enumerate() {
            let v = gy * (y as f64 - 0.5 * (h as f64 - 1.0));
            for (x, value) in row.iter_mut().enumerate() {
                let u = v + gx * (x as f64 - 0.5 * (w as f64 - 1.0));
                let relative = 1.0 + s.sky.gradient_fraction * u + s.sky.bowl_fraction * 4.0 * u * u;
                *value = (level * relative.max(0.0)) as f32;
            }
        }
        frame
    }

    fn add_stars(&self, frame: &mut Image, c: &Conditions) {
        let s = &self.scenario;
        let brush = StarBrush::new(&c.star_kernel);
        for star in &self.stars {
            let Ok(at) = c.wcs.pixel_from_sky(star.place) else { continue };
            let colour = s.transmission.colour_term * (s.comet.g_minus_r_mag - star.g_minus_r_mag);
            let light_e = s.exposure_s * 10f64.powf(-0.4 * (star.mag - c.zero_point_mag - colour));
            let kernel = kernel_at(s, &c.star_kernel, at.x_px, at.y_px);
            let mut core_e = light_e;
            if let Some(spikes) = s.stars.spikes.as_ref().filter(|k| star.mag < k.brighter_than_mag) {
                let in_rays = spikes.fraction * light_e;
                core_e -= in_rays;
                brush.spikes(frame, &kernel, spikes, (at.x_px, at.y_px), in_rays, s.camera.scale_arcsec);
            }
            if let Some(halo) = &s.stars.halo {
                core_e -= halo.fraction * light_e;
                brush.halo(frame, halo, (at.x_px, at.y_px), light_e, s.camera.scale_arcsec);
            }
            brush.star(frame, &kernel, at.x_px, at.y_px, core_e);
        }
    }

    /// The cosmic rays of a light frame.
    pub(crate) fn cosmic_rays(&self, index: usize) -> Vec<CosmicRay> {
        let s = &self.scenario;
        let (w, h) = (s.camera.width_px, s.camera.height_px);
        let mut rng = stream(s.seed, Stream::CosmicRays, index);
        let expected = s.artefacts.cosmic_rays_per_mpx_min * (w * h) as f64 / 1e6 * s.exposure_s / 60.0;
        let n = counted(&mut rng, expected, 0.0).round().max(0.0) as usize;
        (0..n).map(|_| CosmicRay::draw(&mut rng, w, h, s.artefacts.cosmic_ray_e)).collect()
    }

    /// The satellites of a light frame: those asked for, and those that chance brings.
    pub(crate) fn satellites(&self, index: usize) -> Vec<Trail> {
        let s = &self.scenario;
        let c = &self.conditions[index];
        let mut trails: Vec<Trail> = s
            .artefacts
            .satellites
            .iter()
            .filter(|t| t.frame == index + 1)
            .map(|t| {
                let (dx, dy) = on_detector(c.arcsec_per_px, 1.0, t.pa_deg);
                let (mx, my) = on_detector(c.arcsec_per_px, t.miss_arcsec, t.pa_deg + 90.0);
                Trail {
                    x_px: c.comet_px.x_px + mx,
                    y_px: c.comet_px.y_px + my,
                    angle_rad: dy.atan2(dx),
                    peak_e: t.peak_e,
                    width_px: t.width_arcsec / s.camera.scale_arcsec,
                }
            })
            .collect();
        let mut rng = stream(s.seed, Stream::Satellites, index);
        if rng.random::<f64>() < s.artefacts.satellite_rate {
            let sky_e = c.sky_e_per_s_arcsec2 * s.exposure_s * s.camera.scale_arcsec.powi(2);
            trails.push(Trail {
                x_px: rng.random::<f64>() * s.camera.width_px as f64,
                y_px: rng.random::<f64>() * s.camera.height_px as f64,
                angle_rad: rng.random::<f64>() * std::f64::consts::PI,
                // From plain to glaring against the sky's noise.
                peak_e: sky_e.sqrt() * 10f64.powf(0.5 + 1.5 * rng.random::<f64>()),
                width_px: c.star_kernel.fwhm_px * 1.2,
            });
        }
        trails
    }

    fn kind(&self, index: usize) -> (FrameKind, usize) {
        let k = &self.scenario.calibration;
        let mut number = index;
        for (kind, n) in
            [(FrameKind::Light, self.scenario.n_frames), (FrameKind::Bias, k.n_bias), (FrameKind::Dark, k.n_dark)]
        {
            if number < n {
                return (kind, number);
            }
            number -= n;
        }
        (FrameKind::Flat, number)
    }

    fn timing(&self, kind: FrameKind, number: usize) -> (UtcInstant, f64) {
        let s = &self.scenario;
        let k = &s.calibration;
        let dark_s = k.dark_exposure_s.unwrap_or(s.exposure_s);
        let first = self.conditions[0].start;
        // Flats at dusk, then bias and darks, all done before the first light frame.
        let before = |from_s: f64, each_s: f64| first.plus_seconds(-from_s + number as f64 * each_s);
        let darks_s = k.n_dark as f64 * (dark_s + 2.0) + 60.0;
        let biases_s = darks_s + k.n_bias as f64 * 2.0 + 60.0;
        match kind {
            FrameKind::Light => (self.conditions[number].start, s.exposure_s),
            FrameKind::Dark => (before(darks_s, dark_s + 2.0), dark_s),
            FrameKind::Bias => (before(biases_s, 2.0), 0.0),
            FrameKind::Flat => {
                let each = k.flat_exposure_s + 3.0;
                (before(biases_s + 1200.0 + k.n_flat as f64 * each, each), k.flat_exposure_s)
            }
        }
    }
}

/// Pixels along x and y of a step on the sky.
fn on_detector([[ex, ey], [nx, ny]]: [[f64; 2]; 2], arcsec: f64, pa_deg: f64) -> (f64, f64) {
    let det = ex * ny - ey * nx;
    let (sin, cos) = pa_deg.to_radians().sin_cos();
    (arcsec * (ny * sin - ey * cos) / det, arcsec * (ex * cos - nx * sin) / det)
}

pub(crate) fn name(kind: FrameKind, number: usize) -> String {
    format!("{}-{:03}.fits", kind.stem(), number + 1)
}

fn above_air(s: &Scenario) -> f64 {
    s.transmission.zero_point_mag - s.transmission.colour_term * s.comet.g_minus_r_mag
}

/// The comet's light above the atmosphere, scaled to the magnitude or Afρ asked for.
fn light_of_comet(s: &Scenario, night: &Night) -> Result<Coma, SimError> {
    let k = &s.comet;
    let in_arcsec =
        |arcsec: Option<f64>, km: Option<f64>| arcsec.or(km.map(|v| v / night.km_per_arcsec)).unwrap_or(f64::INFINITY);
    let breaks = [in_arcsec(k.break1_arcsec, k.break1_km), in_arcsec(k.break2_arcsec, k.break2_km)];
    let problem = |key: &str, problem: String| SimError::Inconsistent { key: key.into(), problem };
    if breaks[1] < breaks[0] {
        return Err(problem(
            "comet.break2_arcsec",
            format!("the second break, {:.3}\", lies inside the first, {:.3}\"", breaks[1], breaks[0]),
        ));
    }
    let flux = |mag: f64| 10f64.powf(-0.4 * (mag - above_air(s)));
    let (mag, aperture_km, key) = match k.magnitude {
        Some(m) => (m, k.magnitude_aperture_km, "comet.magnitude"),
        None => (night.distances.magnitude(k.afrho_cm, 10_000.0), 10_000.0, "comet.afrho_cm"),
    };
    let mut coma = Coma {
        amplitude: 1.0,
        gammas: [k.gamma1, k.gamma2, k.gamma3],
        breaks_arcsec: breaks,
        features: k.features.iter().map(Feature::new).collect(),
        nucleus_e_per_s: 0.0,
    };
    coma.solve_contrasts().map_err(|i| {
        problem(
            &format!("comet.feature[{}].contrast", i + 1),
            format!(
                "{} cannot be reached by a feature {}° wide, which brightens the azimuthal mean too; lower it or narrow the feature",
                k.features[i].contrast, k.features[i].width_deg
            ),
        )
    })?;
    let nucleus = k.nucleus_mag.map_or(0.0, flux);
    let extended = flux(mag) - nucleus;
    if extended <= 0.0 {
        return Err(problem(
            "comet.nucleus_mag",
            format!("the nucleus is as bright as all light in the aperture ({mag:.2} mag by `{key}`); make it fainter"),
        ));
    }
    coma.amplitude = extended / coma.light_within(aperture_km / night.km_per_arcsec);
    coma.nucleus_e_per_s = nucleus;
    Ok(coma)
}
