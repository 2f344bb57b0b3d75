//! What does not fit together: the campaign against the headers, the catalogue against the field, the comet against its
//! orbit. Each check gives a sentence for the reader.

use super::expected::Expected;
use super::field::Field;
use super::first_pass::{FieldEntry, FirstLook};
use super::moving;
use super::notes::Notes;
use crate::Failure;
use crate::init::FILL_IN;
use fanlight_image::robust;
use fanlight_io::{Campaign, Header};
use fanlight_record::reporting::PLACEHOLDER_NAMES;
use fanlight_record::{AstrometryRecord, FrameRecord};
use fanlight_sky::{PixelXy, Site, SkyPosition, UtcInstant};

/// A header's site further than this from the campaign's, in either coordinate, is another one: 11 km.
const SITE_TOLERANCE_DEG: f64 = 0.1;
/// Keywords of a site's longitude and latitude, as camera programs write them.
pub const SITE_KEYS: [(&str, &str); 4] =
    [("SITELONG", "SITELAT"), ("LONG-OBS", "LAT-OBS"), ("OBSGEO-L", "OBSGEO-B"), ("LONGITUD", "LATITUDE")];
/// An offset from the ephemeris is noteworthy beyond so many of its errors …
const OFFSET_SIGMA: f64 = 5.0;
/// … and beyond this: orbits of comets are commonly good to a few arcseconds.
const OFFSET_ARCSEC: f64 = 5.0;

/// Where the header's site is not the campaign's; a longitude counted the other way is named as such.
pub fn site_against_header(site: &Site, header: &Header) -> Option<String> {
    let (keys, longitude, latitude) = SITE_KEYS.iter().find_map(|keys| {
        let (longitude, latitude) = (header.angle_deg(keys.0)?, header.angle_deg(keys.1)?);
        // several programs write 0, 0 where no site is set
        (longitude != 0.0 || latitude != 0.0).then_some((keys, longitude, latitude))
    })?;
    let apart = |from: f64| ((from - site.longitude_deg + 180.0).rem_euclid(360.0) - 180.0).abs();
    let (away, north) = (apart(longitude), (latitude - site.latitude_deg).abs());
    if away <= SITE_TOLERANCE_DEG && north <= SITE_TOLERANCE_DEG {
        return None;
    }
    let hint = if north <= SITE_TOLERANCE_DEG && apart(-longitude) <= SITE_TOLERANCE_DEG {
        "The longitudes differ in sign only: one of them counts west as positive; the campaign file must count east."
    } else {
        "The campaign file was followed; the comet's place depends on the site."
    };
    Some(format!(
        "The campaign file puts the site at longitude {:.4}°, latitude {:.4}°, the frames' {} and {} at {longitude:.4}°, \
         {latitude:.4}°. {hint}",
        site.longitude_deg, site.latitude_deg, keys.0, keys.1
    ))
}

/// What in the campaign file still waits for its user.
pub fn placeholders(campaign: &Campaign, text: &str, notes: &mut Notes) {
    let lines: Vec<String> =
        text.lines().enumerate().filter(|(_, l)| l.contains(FILL_IN)).map(|(i, _)| (i + 1).to_string()).collect();
    if !lines.is_empty() {
        notes.warn(format!(
            "The campaign file still says {FILL_IN} in line{} {}: complete what is asked there, then take the mark out.",
            if lines.len() == 1 { "" } else { "s" },
            lines.join(", ")
        ));
    }
    let site = campaign.site.as_ref().and_then(|s| s.name.as_deref());
    for (key, name) in [("site.name", site), ("telescope.name", campaign.telescope.name.as_deref())] {
        if let Some(name) = name.filter(|n| PLACEHOLDER_NAMES.contains(n)) {
            notes.warn(format!(
                "{key} in the campaign file is \"{name}\", which stands for a name that was never given."
            ));
        }
    }
}

/// Whether a catalogue was named that has nothing to do with the frames: none of them could be tied to it though they
/// show stars enough, and no star of it was measured in any. With fewer stars than a tie needs nobody can tell.
///
/// # Errors
/// When it is so: what the catalogue covers, and where the frames are.
pub fn catalogue_against_field(field: &Field, entries: &[FieldEntry], looks: &[FirstLook]) -> Result<(), Failure> {
    let mut stars: Vec<f64> = looks.iter().map(|l| l.n_stars as f64).collect();
    let typical = robust::median_f64(&mut stars).unwrap_or(0.0);
    let tied = looks.iter().any(|l| l.solution.is_some());
    if tied || typical < 2.0 * fanlight_sky::MIN_MATCHED as f64 {
        return Ok(());
    }
    let look = &looks[looks.len() / 2];
    let (width, height) = (look.light.file.width as f64, look.light.file.height as f64);
    let middle = look.light.wcs.sky_from_pixel(PixelXy { x_px: 0.5 * width, y_px: 0.5 * height });
    let on_frame = |place: SkyPosition| {
        let p = look.light.wcs.pixel_from_sky(place);
        p.is_ok_and(|p| p.x_px > 0.0 && p.y_px > 0.0 && p.x_px < width && p.y_px < height)
    };
    let n_on_frame = entries.iter().filter(|e| on_frame(e.place)).count();
    let covers = match coverage(entries.iter().map(|e| e.place)) {
        Some((ra, dec)) => format!(
            "the catalogue covers RA {:.2}° to {:.2}°, Dec {:+.2}° to {:+.2}°; the field is at RA {:.2}°, Dec {:+.2}°",
            ra.0, ra.1, dec.0, dec.1, middle.ra_deg, middle.dec_deg
        ),
        None => format!("the catalogue has no star with a magnitude in band {}", field.band),
    };
    Err(Failure::data(format!(
        "no frame could be tied to the catalogue {}: {n_on_frame} of its stars fall on {}, in which {} stars were found",
        field.path.display(),
        look.light.file.name,
        look.n_stars
    ))
    .hint(format!("{covers}; name a catalogue of this field, or none to do without magnitudes")))
}

type Range = (f64, f64);

/// Ranges of right ascension (from west to east, which may pass 0°) and declination of places; `None` without any.
fn coverage(places: impl Iterator<Item = SkyPosition>) -> Option<(Range, Range)> {
    let places: Vec<SkyPosition> = places.collect();
    let mut ra: Vec<f64> = places.iter().map(|p| p.ra_deg).collect();
    ra.sort_by(f64::total_cmp);
    let (first, last) = (*ra.first()?, *ra.last()?);
    // the range leaves out the widest gap around the circle
    let gaps = ra.windows(2).map(|w| (w[1] - w[0], (w[1], w[0])));
    let widest = gaps.fold((first + 360.0 - last, (first, last)), |a, b| if b.0 > a.0 { b } else { a });
    let dec = places.iter().fold((90f64, -90f64), |d, p| (d.0.min(p.dec_deg), d.1.max(p.dec_deg)));
    Some((widest.1, dec))
}

/// Error across the motion that any orbit may have beside the measurement's own, in all and as a share of the offset.
const ACROSS: (f64, f64) = (1.5, 0.15);

/// An offset from the ephemeris that neither noise nor a common orbit explains; one along the motion may be the clock's.
pub fn far_from_orbit(place: &AstrometryRecord, expected: &Expected, mid: UtcInstant) -> Option<String> {
    let [east, north] = place.o_minus_c_arcsec;
    let away = east.hypot(north);
    (away > OFFSET_ARCSEC && away > OFFSET_SIGMA * place.err_arcsec).then(|| {
        let across_arcsec = (3.0 * place.err_arcsec).hypot(ACROSS.0.min(ACROSS.1 * away));
        let cause = match moving::clock_behind_s(expected, mid, (east, north), across_arcsec) {
            Some(s) => format!(
                "it lies along the motion, as if the camera's clock were {}: check that DATE-OBS is right and in UTC, then the \
                 orbit's time of perihelion",
                moving::clock_in_words(s)
            ),
            None => "it does not lie along the motion, so no clock explains it: check the orbit and its epoch, and the site"
                .to_owned(),
        };
        format!(
            "The comet stood {away:.1}″ from the place that the orbit gives ({} ± {:.2} in right ascension times cos δ, {} \
             ± {:.2} in declination); {cause}.",
            super::record::signed(east, 2),
            place.err_arcsec,
            super::record::signed(north, 2),
            place.err_arcsec
        )
    })
}

/// How many frames were left out, and the first reasons.
pub fn frames_left_out(frames: &[FrameRecord]) -> Option<String> {
    const NAMED: usize = 4;
    let out: Vec<&FrameRecord> = frames.iter().filter(|f| !f.used).collect();
    let first = out.first()?;
    let reason = |f: &FrameRecord| f.rejected_because.clone().unwrap_or_default();
    let were = if out.len() == 1 { "was" } else { "were" };
    let count = format!("{} of {} light frames {were} left out", out.len(), frames.len());
    if out.iter().all(|f| reason(f) == reason(first)) && out.len() > 1 {
        return Some(format!("{count}, all for one reason: {}.", reason(first)));
    }
    let named: Vec<String> = out.iter().take(NAMED).map(|f| format!("{} ({})", f.file, reason(f))).collect();
    let more = if out.len() > NAMED { format!(", and {} more", out.len() - NAMED) } else { String::new() };
    Some(format!("{count}: {}{more}.", named.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::expected;
    use fanlight_io::{CardValue, HeaderCard};

    fn header(longitude: f64, latitude: f64) -> Header {
        let card = |key: &str, v: f64| HeaderCard {
            key: key.into(),
            value: Some(CardValue::Number(v)),
            comment: String::new(),
        };
        Header::from_cards(vec![card("SITELONG", longitude), card("SITELAT", latitude)])
    }

    #[test]
    fn a_header_of_another_site_is_named() {
        let site = Site { longitude_deg: -3.25, latitude_deg: 51.2, height_m: 300.0 };
        assert_eq!(site_against_header(&site, &header(-3.3, 51.15)), None);
        assert_eq!(site_against_header(&site, &header(356.75, 51.2)), None, "0° to 360° is the same longitude");
        assert_eq!(site_against_header(&site, &header(0.0, 0.0)), None, "no site set");
        assert_eq!(site_against_header(&site, &Header::from_cards(Vec::new())), None);
        let flipped = site_against_header(&site, &header(3.25, 51.2)).unwrap();
        assert!(flipped.contains("-3.2500°") && flipped.contains("3.2500°") && flipped.contains("sign"), "{flipped}");
        let other = site_against_header(&site, &header(-3.25, 31.2)).unwrap();
        assert!(other.contains("SITELAT") && other.contains("31.2000°") && !other.contains("sign"), "{other}");
    }

    #[test]
    fn a_catalogue_across_zero_hours_covers_a_short_range() {
        let at = |ra, dec| SkyPosition::new(ra, dec);
        let places = [at(359.5, 10.0), at(0.5, 11.0), at(0.1, 9.5)];
        assert_eq!(coverage(places.into_iter()), Some(((359.5, 0.5), (9.5, 11.0))));
        assert_eq!(coverage([at(20.0, 1.0), at(10.0, 2.0)].into_iter()), Some(((10.0, 20.0), (1.0, 2.0))));
        assert_eq!(coverage(std::iter::empty()), None);
    }

    #[test]
    fn only_an_offset_beyond_noise_and_orbit_is_noteworthy() {
        let (orbit, site) = expected::an_orbit_and_a_site();
        let expected = Expected::by_orbit(&orbit, &site);
        let mid = UtcInstant::from_jd(2_463_000.4);
        let far_from_orbit = |place: &AstrometryRecord| far_from_orbit(place, &expected, mid);
        let place = |east, err_arcsec| AstrometryRecord {
            mid_utc: String::new(),
            ra_deg: 0.0,
            dec_deg: 0.0,
            err_arcsec,
            err_ra_dec_arcsec: None,
            err_correlation: None,
            o_minus_c_arcsec: [east, 0.0],
        };
        assert_eq!(far_from_orbit(&place(4.0, 0.1)), None);
        assert_eq!(far_from_orbit(&place(8.0, 2.0)), None);
        let far = far_from_orbit(&place(-8.0, 0.1)).unwrap();
        assert!(["8.0″", "site", "orbit"].iter().all(|w| far.contains(w)), "{far}");
        // where the comet is ten minutes later, and a second to the side
        let later = expected.orbit_place(mid.plus_seconds(600.0)).unwrap();
        let (east, north) = expected.orbit_place(mid).unwrap().tangent_offset_arcsec(&later);
        let along = AstrometryRecord { o_minus_c_arcsec: [east, north + 0.1], ..place(0.0, 0.1) };
        let far = far_from_orbit(&along).unwrap();
        assert!(far.contains("clock were 10 min slow") && far.contains("DATE-OBS"), "{far}");
        let across = AstrometryRecord { o_minus_c_arcsec: [-north, east], ..place(0.0, 0.1) };
        assert!(far_from_orbit(&across).unwrap().contains("no clock explains it"));
    }
}
