//! What holds during each light frame: pointing, seeing, transparency, sky, and where the comet falls.

use crate::psf::Kernel;
use crate::random::{Stream, normal, stream};
use crate::scenario::{Scenario, TrackingTarget};
use crate::{SimError, photometry::Distances};
use fanlight_sky::{Motion, PixelXy, SkyPosition, UtcInstant, Wcs, airmass, comet_position, viewing_geometry};
use rand_chacha::ChaCha8Rng;

/// One light frame, before any pixel is made.
#[derive(Debug, Clone)]
pub(crate) struct Conditions {
    /// Start of the exposure.
    pub start: UtcInstant,
    /// Middle of the exposure.
    pub mid: UtcInstant,
    /// True coordinates at the middle of the exposure.
    pub wcs: Wcs,
    /// What the header will say of them.
    pub claimed: Plate,
    /// True place of the comet at the middle of the exposure.
    pub comet: SkyPosition,
    /// Where that falls.
    pub comet_px: PixelXy,
    /// Local scale and orientation at the comet.
    pub arcsec_per_px: [[f64; 2]; 2],
    /// The image of a point that follows the stars, at the frame's centre.
    pub star_kernel: Kernel,
    /// The image of a point that follows the comet, at the frame's centre.
    pub comet_kernel: Kernel,
    /// Share of the light that haze, thin cloud and scatter let through, without extinction by airmass.
    pub transparency: f64,
    /// Magnitude of 1 e⁻/s for an object of the comet's colour.
    pub zero_point_mag: f64,
    /// Sky brightness at the frame's centre, e⁻/s per square arcsecond.
    pub sky_e_per_s_arcsec2: f64,
    /// Whether the camera is turned by 180°.
    pub flipped: bool,
    /// Altitude of the comet.
    pub altitude_deg: f64,
    /// Airmass of the comet.
    pub airmass: f64,
}

/// A plate solution: reference point, its pixel, scale, rotation, parity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Plate {
    /// Sky at the reference pixel.
    pub reference: SkyPosition,
    /// The reference pixel.
    pub at: PixelXy,
    /// Pixel scale.
    pub scale_arcsec: f64,
    /// Position angle of +y.
    pub rotation_deg: f64,
    /// East toward +x when north is up.
    pub mirrored: bool,
}

impl Plate {
    /// Degrees per pixel: [[∂east/∂x, ∂east/∂y], [∂north/∂x, ∂north/∂y]].
    pub fn cd_deg_per_px(&self) -> [[f64; 2]; 2] {
        let s = self.scale_arcsec / 3600.0;
        let (sin, cos) = self.rotation_deg.to_radians().sin_cos();
        // With north up, +x is west unless the image is mirrored.
        let x = if self.mirrored { s } else { -s };
        [[x * cos, s * sin], [-x * sin, s * cos]]
    }

    fn wcs(&self) -> Result<Wcs, SimError> {
        Ok(Wcs::tangent(self.reference, self.at, self.cd_deg_per_px())?)
    }
}

/// Every light frame's conditions, in order.
pub(crate) fn all(s: &Scenario, distances_band_sun_mag: f64) -> Result<(Vec<Conditions>, Night), SimError> {
    let (elements, site) = (s.object.orbit.elements(), s.site.site());
    let start = UtcInstant::parse(&s.start_utc)?;
    let half_night_s = 0.5 * ((s.n_frames - 1) as f64 * s.cadence_s + s.exposure_s);
    let mid_utc = start.plus_seconds(half_night_s);
    let end = start.plus_seconds(2.0 * half_night_s);
    let motion = Motion::perturbed(elements, start.tdb(), end.tdb())?;
    let geometry = viewing_geometry(&motion, &site, mid_utc)?;
    if geometry.altitude_deg <= 0.0 {
        return Err(SimError::Inconsistent {
            key: "start_utc".into(),
            problem: format!(
                "the comet is {:.1}° below the horizon at mid-night; choose another time",
                -geometry.altitude_deg
            ),
        });
    }
    let (offset, drift) = (s.comet.ephemeris_offset_arcsec, s.comet.ephemeris_drift_arcsec_per_hour);
    let true_place = |t: UtcInstant, jump: [f64; 2]| -> Result<SkyPosition, SimError> {
        let hours = t.seconds_since(&mid_utc) / 3600.0;
        let [east, north] = [0, 1].map(|i| offset[i] + drift[i] * hours + jump[i]);
        Ok(comet_position(&motion, &site, t)?.offset_by_arcsec(east, north))
    };
    let night = Night {
        mid_utc,
        comet: true_place(mid_utc, [0.0; 2])?,
        distances: Distances {
            r_au: geometry.r_au,
            delta_au: geometry.delta_au,
            solar_magnitude: distances_band_sun_mag,
        },
        km_per_arcsec: geometry.km_per_arcsec,
        motion: motion.clone(),
    };
    let frames = (0..s.n_frames)
        .map(|i| {
            let begin = start.plus_seconds(i as f64 * s.cadence_s);
            let jump = pair(&mut stream(s.seed, Stream::Place, i), s.comet.ephemeris_scatter_arcsec);
            let at = |share: f64| true_place(begin.plus_seconds(share * s.exposure_s), jump);
            let altitude_deg = viewing_geometry(&motion, &site, begin.plus_seconds(0.5 * s.exposure_s))?.altitude_deg;
            one(s, &night, i, begin, [at(0.0)?, at(0.5)?, at(1.0)?], altitude_deg)
        })
        .collect::<Result<Vec<_>, _>>()?;
    Ok((frames, night))
}

/// What holds for the whole night.
#[derive(Debug, Clone)]
pub(crate) struct Night {
    /// Middle of the night: mean of the exposures' middles.
    pub mid_utc: UtcInstant,
    /// True place of the comet then.
    pub comet: SkyPosition,
    /// Distances then.
    pub distances: Distances,
    /// Scale at the comet then.
    pub km_per_arcsec: f64,
    /// How the comet moves.
    pub motion: Motion,
}

fn one(
    s: &Scenario,
    night: &Night,
    i: usize,
    start: UtcInstant,
    [first, comet, last]: [SkyPosition; 3],
    altitude_deg: f64,
) -> Result<Conditions, SimError> {
    // Every frame draws the same number of deviates in the same order, so that changing one key leaves the rest alone.
    let mut rng = stream(s.seed, Stream::Conditions, i);
    let rng = &mut rng;
    let mid = start.plus_seconds(0.5 * s.exposure_s);
    let hours = mid.seconds_since(&night.mid_utc) / 3600.0;
    let number = i + 1;
    let (c, t, p) = (&s.camera, &s.tracking, &s.psf);

    let flipped = t.meridian_flip_at.is_some_and(|f| number >= f);
    let rotation_deg = c.rotation_deg + if flipped { 180.0 } else { 0.0 } + t.field_rotation_deg_per_hour * hours;
    let (dither, jitter) = (pair(rng, t.dither_arcsec), pair(rng, t.jitter_arcsec));
    let target = PixelXy {
        // Off the middle by a little, as a person would have it, and never on a pixel's exact centre.
        x_px: t.comet_x_px.unwrap_or(0.5 * c.width_px as f64 + 7.3) + (dither[0] + jitter[0]) / c.scale_arcsec,
        y_px: t.comet_y_px.unwrap_or(0.5 * c.height_px as f64 - 4.6) + (dither[1] + jitter[1]) / c.scale_arcsec,
    };
    let reference = if t.on == TrackingTarget::Comet { comet } else { night.comet };
    let plate = Plate { reference, at: target, scale_arcsec: c.scale_arcsec, rotation_deg, mirrored: c.mirrored };
    let wcs = distorted(s, plate)?;

    let claimed = claimed_plate(s, plate, rng);
    let poor = if p.poor_frames.contains(&number) { p.poor_factor } else { 1.0 };
    let scatter = (p.scatter_fraction * normal(rng)).exp();
    // Never narrower than the detector can be simulated with.
    let fwhm_px = ((p.fwhm_arcsec + p.drift_arcsec_per_hour * hours) * poor * scatter / c.scale_arcsec).max(1.2);

    let comet_px = wcs.pixel_from_sky(comet)?;
    let motion = {
        let (a, b) = (wcs.pixel_from_sky(first)?, wcs.pixel_from_sky(last)?);
        [b.x_px - a.x_px, b.y_px - a.y_px]
    };
    let creep_arcsec = t.drift_arcsec_per_min * s.exposure_s / 60.0 * (1.0 + t.drift_scatter_fraction * normal(rng));
    let creep = {
        let pa = t.drift_pa_deg.to_radians();
        let moved = comet.offset_by_arcsec(creep_arcsec * pa.sin(), creep_arcsec * pa.cos());
        let b = wcs.pixel_from_sky(moved)?;
        [b.x_px - comet_px.x_px, b.y_px - comet_px.y_px]
    };
    let plus = |a: [f64; 2], b: [f64; 2], sign: f64| [a[0] + sign * b[0], a[1] + sign * b[1]];
    let (star_trail, comet_trail) = match t.on {
        TrackingTarget::Stars => (creep, plus(creep, motion, 1.0)),
        TrackingTarget::Comet => (plus(creep, motion, -1.0), creep),
    };
    let kernel = |trail_px| Kernel {
        fwhm_px,
        elongation: p.elongation,
        angle_rad: p.elongation_angle_deg.to_radians(),
        beta: p.beta,
        trail_px,
    };

    let x = &s.transmission;
    let haze_mag = (x.scatter_mag * normal(rng)).abs();
    let cloud_mag = if x.cloud_frames.contains(&number) { x.cloud_mag } else { 0.0 };
    // Below the horizon there is no airmass; a frame there gets the horizon's.
    let airmass = airmass(altitude_deg.max(0.0)).unwrap_or(38.0).max(1.0);
    let zero_point_mag =
        x.zero_point_mag - x.colour_term * s.comet.g_minus_r_mag - x.extinction_mag * airmass - haze_mag - cloud_mag;
    let sky_mag = s.sky.brightness_mag_arcsec2 + s.sky.change_mag_per_hour * hours;
    let sky_scatter = (s.sky.scatter_fraction * normal(rng)).exp();
    Ok(Conditions {
        start,
        mid,
        arcsec_per_px: wcs.arcsec_per_px(comet_px),
        wcs,
        claimed,
        comet,
        comet_px,
        star_kernel: kernel(star_trail),
        comet_kernel: kernel(comet_trail),
        transparency: 10f64.powf(-0.4 * (haze_mag + cloud_mag)),
        zero_point_mag,
        sky_e_per_s_arcsec2: 10f64.powf(-0.4 * (sky_mag - x.zero_point_mag)) * sky_scatter,
        flipped,
        altitude_deg,
        airmass,
    })
}

/// The true coordinates: the plate with the optics' distortion, u + k u |u|² about the middle of the detector.
fn distorted(s: &Scenario, plate: Plate) -> Result<Wcs, SimError> {
    let wcs = plate.wcs()?;
    if s.wcs.distortion_corner_px == 0.0 {
        return Ok(wcs);
    }
    let (hw, hh) = (0.5 * (s.camera.width_px as f64 - 1.0), 0.5 * (s.camera.height_px as f64 - 1.0));
    let k = s.wcs.distortion_corner_px / hw.hypot(hh).powi(3);
    let on_plane = |x: f64, y: f64| plate.cd_deg_per_px().map(|row| k * (row[0] * x + row[1] * y));
    let terms = [
        ((3, 0), on_plane(1.0, 0.0)),
        ((2, 1), on_plane(0.0, 1.0)),
        ((1, 2), on_plane(1.0, 0.0)),
        ((0, 3), on_plane(0.0, 1.0)),
    ];
    Ok(wcs.bent(PixelXy { x_px: hw, y_px: hh }, &terms)?)
}

fn claimed_plate(s: &Scenario, plate: Plate, rng: &mut ChaCha8Rng) -> Plate {
    let shift = pair(rng, s.wcs.offset_arcsec);
    let (turn, stretch) = (s.wcs.rotation_deg * normal(rng), s.wcs.scale_fraction * normal(rng));
    Plate {
        reference: if s.wcs.offset_arcsec > 0.0 {
            plate.reference.offset_by_arcsec(shift[0], shift[1])
        } else {
            plate.reference
        },
        rotation_deg: plate.rotation_deg + turn,
        scale_arcsec: plate.scale_arcsec * (1.0 + stretch),
        ..plate
    }
}

fn pair(rng: &mut ChaCha8Rng, sigma: f64) -> [f64; 2] {
    [sigma * normal(rng), sigma * normal(rng)]
}

/// The kernel at a place: the width grows from the frame's centre to its corner.
pub(crate) fn kernel_at(s: &Scenario, kernel: &Kernel, x_px: f64, y_px: f64) -> Kernel {
    Kernel { fwhm_px: kernel.fwhm_px * field_factor(s, x_px, y_px), ..kernel.clone() }
}

fn field_factor(s: &Scenario, x_px: f64, y_px: f64) -> f64 {
    let (hw, hh) = (0.5 * (s.camera.width_px as f64 - 1.0), 0.5 * (s.camera.height_px as f64 - 1.0));
    let share = ((x_px - hw).powi(2) + (y_px - hh).powi(2)) / (hw * hw + hh * hh);
    // A star well outside the frame is not made absurdly wide.
    1.0 + s.psf.field_variation_fraction * share.min(1.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A corner of a distorted camera sees what an undistorted one would see so many pixels further out.
    #[test]
    fn the_corner_is_moved_outward() {
        let mut s = Scenario::default();
        s.wcs.distortion_corner_px = 4.0;
        let middle =
            PixelXy { x_px: 0.5 * (s.camera.width_px as f64 - 1.0), y_px: 0.5 * (s.camera.height_px as f64 - 1.0) };
        let plate = Plate {
            reference: SkyPosition { ra_deg: 10.0, dec_deg: 20.0 },
            at: PixelXy { x_px: middle.x_px + 9.0, y_px: middle.y_px - 5.0 },
            scale_arcsec: 1.3,
            rotation_deg: 33.0,
            mirrored: true,
        };
        let (bent, plain) = (distorted(&s, plate).unwrap(), plate.wcs().unwrap());
        let share = 4.0 / middle.x_px.hypot(middle.y_px);
        let further = PixelXy { x_px: middle.x_px * (1.0 + share) * 2.0, y_px: middle.y_px * (1.0 + share) * 2.0 };
        let further = PixelXy { x_px: further.x_px - share * middle.x_px, y_px: further.y_px - share * middle.y_px };
        let corner = PixelXy { x_px: 2.0 * middle.x_px, y_px: 2.0 * middle.y_px };
        let off = bent.sky_from_pixel(corner).separation_arcsec(&plain.sky_from_pixel(further));
        assert!(off < 1e-6, "{off} arcsec");
        assert!(bent.sky_from_pixel(middle).separation_arcsec(&plain.sky_from_pixel(middle)) < 1e-6);
    }

    #[test]
    fn plate_orientation() {
        let plate = |rotation_deg, mirrored| Plate {
            reference: SkyPosition { ra_deg: 10.0, dec_deg: 20.0 },
            at: PixelXy { x_px: 0.0, y_px: 0.0 },
            scale_arcsec: 3600.0,
            rotation_deg,
            mirrored,
        };
        let close = |a: [[f64; 2]; 2], b: [[f64; 2]; 2]| {
            a.iter().flatten().zip(b.iter().flatten()).all(|(p, q)| (p - q).abs() < 1e-12)
        };
        // North up, east left.
        assert!(close(plate(0.0, false).cd_deg_per_px(), [[-1.0, 0.0], [0.0, 1.0]]));
        // +y toward east (PA 90): then +x is north (PA 0).
        assert!(close(plate(90.0, false).cd_deg_per_px(), [[0.0, 1.0], [1.0, 0.0]]));
        // Mirrored: east right.
        assert!(close(plate(0.0, true).cd_deg_per_px(), [[1.0, 0.0], [0.0, 1.0]]));
    }
}
