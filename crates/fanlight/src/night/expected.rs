//! Where the comet is expected: by its orbit, or the orbit's place moved to where the user says that the comet is.

use super::inputs::Inputs;
use crate::Failure;
use fanlight_sky::{Motion, PixelXy, Site, SkyError, SkyPosition, UtcInstant, parse_sexagesimal};

/// The comet's expected path.
#[derive(Debug, Clone, Copy)]
pub struct Expected<'a> {
    /// How the comet moves on its orbit.
    pub motion: &'a Motion,
    /// The site.
    pub site: &'a Site,
    /// Offset of the expected place from the orbit's, (east, north) arcsec, the same for the whole night.
    pub offset_arcsec: (f64, f64),
}

/// Beyond this the orbit's motion is not that of the comet: no orbit worth the name is so far off.
const MAX_OFF_DEG: f64 = 20.0;

impl<'a> Expected<'a> {
    /// The orbit's own path.
    pub fn by_orbit(motion: &'a Motion, site: &'a Site) -> Self {
        Self { motion, site, offset_arcsec: (0.0, 0.0) }
    }

    /// The path that has the orbit's motion and passes a place at the middle of the night: the exposure-weighted mean of the
    /// mid-times of the lights that can be used by their headers.
    ///
    /// # Errors
    /// When the place is on another part of the sky than the orbit's.
    pub fn through(self, place: SkyPosition, inputs: &Inputs) -> Result<Self, Failure> {
        let computed = self.orbit_place(inputs.mean_mid()).map_err(Failure::data)?;
        let away_deg = computed.separation_arcsec(&place) / 3600.0;
        if away_deg > MAX_OFF_DEG {
            return Err(Failure::data(format!(
                "--at is {away_deg:.0}° from the place that the orbit gives, RA {:.4}°, Dec {:+.4}°",
                computed.ra_deg, computed.dec_deg
            ))
            .hint(format!(
                "the motion is taken from the orbit, which must be this comet's to {MAX_OFF_DEG}°; check both, and that RA is \
                 in degrees or in hours with colons"
            )));
        }
        Ok(Self { offset_arcsec: computed.tangent_offset_arcsec(&place), ..self })
    }

    /// Where the orbit puts the comet.
    ///
    /// # Errors
    /// When the orbit cannot be followed there.
    pub fn orbit_place(&self, utc: UtcInstant) -> Result<SkyPosition, SkyError> {
        fanlight_sky::comet_position(self.motion, self.site, utc)
    }

    /// Where the comet is expected.
    ///
    /// # Errors
    /// When the orbit cannot be followed there.
    pub fn place(&self, utc: UtcInstant) -> Result<SkyPosition, SkyError> {
        let (east, north) = self.offset_arcsec;
        Ok(self.orbit_place(utc)?.offset_by_arcsec(east, north))
    }

    /// Where the comet was sought, for the page.
    pub fn as_note(&self) -> String {
        let (east, north) = self.offset_arcsec;
        format!(
            "The comet was sought where --at puts it, {:.1}″ from the orbit's place at the middle of the night ({} in right \
             ascension times cos δ, {} in declination), and followed with the orbit's motion.",
            east.hypot(north),
            super::record::signed(east, 1),
            super::record::signed(north, 1)
        )
    }

    /// Says clearly that a place given by the user is on none of the frames.
    ///
    /// # Errors
    /// When it is so.
    pub fn must_be_on_a_frame(&self, inputs: &Inputs) -> Result<(), Failure> {
        let mut nearest: Option<(f64, String)> = None;
        for light in &inputs.lights {
            let place = self.place(light.mid).map_err(Failure::data)?;
            let (width, height) = (light.file.width as f64, light.file.height as f64);
            let inside = |p: PixelXy| p.x_px >= 0.0 && p.y_px >= 0.0 && p.x_px < width && p.y_px < height;
            if light.wcs.pixel_from_sky(place).is_ok_and(inside) {
                return Ok(());
            }
            let middle = light.wcs.sky_from_pixel(PixelXy { x_px: 0.5 * width, y_px: 0.5 * height });
            let away_deg = middle.separation_arcsec(&place) / 3600.0;
            if nearest.as_ref().is_none_or(|(least, _)| away_deg < *least) {
                nearest = Some((away_deg, light.file.name.clone()));
            }
        }
        let (away_deg, name) = nearest.unwrap_or_default();
        Err(Failure::data(format!(
            "--at is on none of the frames: nearest is {name}, whose middle is {away_deg:.2}° from it"
        ))
        .hint("give the comet's place, in ICRS, at the middle of the night"))
    }
}

/// A place as `--at` takes it: right ascension and declination, in degrees, or in hours and degrees with colons.
///
/// # Errors
/// What is wrong with the text.
pub fn parse_place(text: &str) -> Result<SkyPosition, Failure> {
    let wrong = |why: &str| {
        Failure::call(format!("--at {text}: {why}"))
            .hint("write --at 101.95,+34.33 (degrees) or --at \"06:47:48.9 +34:19:59\"")
    };
    let parts: Vec<&str> = text.split(|c: char| c == ',' || c.is_whitespace()).filter(|p| !p.is_empty()).collect();
    let [ra, dec] = parts[..] else { return Err(wrong("a place is a right ascension and a declination")) };
    let number = |part: &str| part.parse::<f64>().ok().filter(|v| v.is_finite());
    let (ra_deg, dec_deg) = if text.contains(':') {
        let (Some(hours), Some(degrees)) = (parse_sexagesimal(ra), parse_sexagesimal(dec)) else {
            return Err(wrong("not two numbers with minutes and seconds under 60"));
        };
        (15.0 * hours, degrees)
    } else {
        let (Some(ra), Some(dec)) = (number(ra), number(dec)) else { return Err(wrong("not two numbers")) };
        (ra, dec)
    };
    if !(0.0..360.0).contains(&ra_deg) || !(-90.0..=90.0).contains(&dec_deg) {
        return Err(wrong("right ascension lies from 0° to 360° (0 h to 24 h), declination from −90° to +90°"));
    }
    Ok(SkyPosition::new(ra_deg, dec_deg))
}

/// A comet 1.2 au from the Sun at perihelion, 48 days before it, and a site, for tests.
#[cfg(test)]
pub(super) fn an_orbit_and_a_site() -> (Motion, Site) {
    let orbit = fanlight_sky::OrbitElements {
        epoch_jd_tdb: 2_463_000.5,
        perihelion_jd_tdb: 2_463_049.1,
        q_au: 1.2,
        e: 1.0,
        inclination_deg: 45.0,
        node_deg: 120.0,
        argument_of_perihelion_deg: 30.0,
        a1_au_d2: 0.0,
        a2_au_d2: 0.0,
        a3_au_d2: 0.0,
    };
    (Motion::two_body(orbit), Site { longitude_deg: 10.0, latitude_deg: 50.0, height_m: 100.0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_in_degrees_and_in_hours() {
        for text in ["101.95375,34.333055556", "101.95375 +34.333055556", "06:47:48.9 +34:19:59", "6:47:48.9,34:19:59"]
        {
            let place = parse_place(text).unwrap();
            // 06 h 47 m 48.9 s = 101.95375°, 34° 19′ 59″ = 34.3330555…°
            assert!((place.ra_deg - 101.95375).abs() < 1e-8 && (place.dec_deg - 34.333_055_556).abs() < 1e-8, "{text}");
        }
        assert!((parse_place("00:00:01 -00:30").unwrap().dec_deg + 0.5).abs() < 1e-12, "minus nought degrees");
        for wrong in
            ["", "101.95", "1,2,3", "a,b", "361,0", "10,91", "24:00:00 +10:00", "10:60 +1:00", "10:00 5", "nan,1"]
        {
            let failure = parse_place(wrong).unwrap_err();
            assert_eq!(failure.status(), 2, "{wrong}");
            assert!(failure.hint.is_some_and(|h| h.contains("--at 101.95,+34.33")), "{wrong}");
        }
    }
}
