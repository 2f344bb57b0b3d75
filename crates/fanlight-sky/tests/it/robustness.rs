//! Nonsense in: an error or a finite answer out, never a panic, never a hang.

use fanlight_sky::{
    HeaderCards, Motion, OrbitElements, PixelXy, Site, SkyPosition, TdbInstant, UtcInstant, Wcs, comet_position,
    parse_one_line_orbit, viewing_geometry,
};
use proptest::prelude::*;
use std::collections::BTreeMap;

const HALE_BOPP: &str = "    CJ95O010  1997 03 29.6333  0.916241  0.994928  130.6448  283.3593   88.9908  20200224  -2.0  4.0  C/1995 O1 (Hale-Bopp)                                    MPC106342";

/// Any number at all, often one of the size that is meant.
fn number(usual: std::ops::Range<f64>) -> impl Strategy<Value = f64> {
    let odd =
        [0.0, -0.0, 1.0, -1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN_POSITIVE, 1e-300, 1e160];
    prop_oneof![6 => usual, 1 => any::<f64>(), 1 => prop::sample::select(odd.to_vec())]
}

prop_compose! {
    fn orbit()(
        epoch_jd_tdb in number(2.4e6..2.5e6), perihelion_jd_tdb in number(2.4e6..2.5e6), q_au in number(0.0..40.0),
        e in prop_oneof![number(0.0..5.0), 0.999_999_9..1.000_000_1], inclination_deg in number(0.0..180.0),
        node_deg in number(0.0..360.0), argument_of_perihelion_deg in number(0.0..360.0),
    ) -> OrbitElements {
        OrbitElements {
            epoch_jd_tdb, perihelion_jd_tdb, q_au, e, inclination_deg, node_deg, argument_of_perihelion_deg,
            a1_au_d2: 0.0, a2_au_d2: 0.0, a3_au_d2: 0.0,
        }
    }
}

fn site() -> impl Strategy<Value = Site> {
    (number(-360.0..360.0), number(-90.0..90.0), number(-1e3..1e4))
        .prop_map(|(longitude_deg, latitude_deg, height_m)| Site { longitude_deg, latitude_deg, height_m })
}

/// Header cards of any kind under the names that a WCS asks for.
#[derive(Debug)]
struct Cards(BTreeMap<String, Result<f64, String>>);

impl HeaderCards for Cards {
    fn number(&self, key: &str) -> Option<f64> {
        self.0.get(key)?.as_ref().ok().copied()
    }
    fn text(&self, key: &str) -> Option<String> {
        self.0.get(key)?.as_ref().err().cloned()
    }
    fn contains(&self, key: &str) -> bool {
        self.0.contains_key(key)
    }
}

fn header() -> impl Strategy<Value = Cards> {
    let texts = [
        "RA---TAN",
        "DEC--TAN",
        "RA---TAN-SIP",
        "DEC--TAN-SIP",
        "RA---ZPN",
        "deg",
        "arcsec",
        "rad",
        "ICRS",
        "FK5",
        "FK4",
        "",
        "Ünïcode",
        "GLON-CAR",
    ];
    let keys = [
        "CTYPE1", "CTYPE2", "CUNIT1", "CUNIT2", "RADESYS", "EQUINOX", "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2", "CD1_1",
        "CD1_2", "CD2_1", "CD2_2", "PC1_1", "PC1_2", "PC2_1", "PC2_2", "CDELT1", "CDELT2", "CROTA1", "CROTA2",
        "LONPOLE", "PV1_1", "A_ORDER", "B_ORDER", "A_2_0", "A_1_1", "A_0_3", "B_0_2", "B_1_1", "B_3_0",
    ];
    let text = prop::sample::select(texts.map(String::from).to_vec());
    let value = prop_oneof![4 => number(-2.0..2.0).prop_map(Ok), 1 => (0i32..10).prop_map(|v| Ok(f64::from(v))), 1 => text.prop_map(Err)];
    let drawn = prop::collection::btree_map(prop::sample::select(keys.map(String::from).to_vec()), value, 0..24);
    (drawn, 0..4usize).prop_map(|(mut cards, start)| {
        // three in four start as a good header does, or random cards would hardly get past CTYPE
        if start > 0 {
            for (key, text) in [("CTYPE1", "RA---TAN-SIP"), ("CTYPE2", "DEC--TAN-SIP")] {
                cards.insert(key.into(), Err(text.into()));
            }
            for (key, value) in [
                ("CRVAL1", 10.0),
                ("CRVAL2", 20.0),
                ("CRPIX1", 500.0),
                ("CRPIX2", 400.0),
                ("CDELT1", -1e-4),
                ("CDELT2", 1e-4),
            ] {
                cards.entry(key.into()).or_insert(Ok(value));
            }
        }
        Cards(cards)
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn any_orbit_at_any_time(orbit in orbit(), jd in number(2.3e6..2.6e6)) {
        if let Ok(state) = orbit.state_at(TdbInstant::from_jd(jd)) {
            prop_assert!(state.position_au.iter().chain(&state.velocity_au_d).all(|v| v.is_finite()), "{state:?}");
        }
    }

    #[test]
    fn any_orbit_from_any_site(orbit in orbit(), site in site(), jd in number(2.4e6..2.5e6), seconds in number(-1e9..1e9)) {
        let utc = UtcInstant::from_jd(jd).plus_seconds(seconds);
        let motion = Motion::two_body(orbit);
        if let Ok(g) = viewing_geometry(&motion, &site, utc) {
            let numbers = [
                g.ra_deg, g.dec_deg, g.r_au, g.delta_au, g.phase_deg, g.elongation_deg, g.motion_arcsec_per_min, g.motion_pa_deg,
                g.sunward_pa_deg, g.antisolar_pa_deg, g.negative_velocity_pa_deg, g.orbit_plane_angle_deg, g.km_per_arcsec,
                g.altitude_deg, g.azimuth_deg, g.sun_altitude_deg, g.moon_separation_deg, g.moon_illuminated_fraction,
                g.earth_distance_au,
            ];
            prop_assert!(numbers.iter().all(|v| v.is_finite()), "{g:?}");
            let place = comet_position(&motion, &site, utc).unwrap();
            prop_assert_eq!((place.ra_deg, place.dec_deg), (g.ra_deg, g.dec_deg));
        }
    }

    #[test]
    fn any_instant(jd in number(2.4e6..2.5e6), seconds in number(-1e12..1e12)) {
        let there = UtcInstant::from_jd(jd).plus_seconds(seconds);
        prop_assert!(there.to_iso().ends_with('Z'));
        let _ = (there.tdb(), there.julian_year(), there.seconds_since(&UtcInstant::from_jd(jd)));
    }

    /// To the millisecond, what is written is read back.
    #[test]
    fn instants_are_read_back(jd in 2_441_317.5..2_488_069.5f64, seconds in -1e5..1e5f64) {
        let t = UtcInstant::from_jd(jd).plus_seconds(seconds);
        if let Ok(read) = UtcInstant::parse(&t.to_iso()) {
            prop_assert!(read.seconds_since(&t).abs() < 0.000_51, "{}", t.to_iso());
        } else {
            prop_assert!(!(1900.0..=2100.99).contains(&t.julian_year()), "{}", t.to_iso());
        }
    }

    #[test]
    fn any_text_as_an_instant(text in "\\PC*", near in "[0-9]{1,5}-[0-9é]{1,3}-[0-9]{1,12}[T ][0-9:.+Zz-]{0,20}") {
        for text in [text, near] {
            if let Ok(t) = UtcInstant::parse(&text) {
                prop_assert!(t.jd().is_finite());
            }
        }
    }

    #[test]
    fn any_text_as_an_orbit(text in "\\PC*", at in 0usize..170, with in "\\PC{1,9}") {
        let _ = parse_one_line_orbit(&text);
        // a good line with some columns overwritten
        let mut line: Vec<char> = HALE_BOPP.chars().collect();
        let end = (at + with.chars().count()).min(line.len());
        line.splice(at.min(line.len())..end.max(at.min(line.len())), with.chars());
        if let Ok(read) = parse_one_line_orbit(&line.into_iter().collect::<String>()) {
            prop_assert!(read.elements.validate().is_ok());
        }
    }

    #[test]
    fn any_header(cards in header(), x_px in number(0.0..4000.0), y_px in number(0.0..4000.0)) {
        if let Ok(Some((wcs, _))) = Wcs::from_header(&cards) {
            let at = PixelXy { x_px, y_px };
            let place = wcs.sky_from_pixel(at);
            for place in [place, SkyPosition::new(10.0, 20.0), SkyPosition::new(x_px, y_px)] {
                if let Ok(back) = wcs.pixel_from_sky(place) {
                    prop_assert!(back.x_px.is_finite() && back.y_px.is_finite(), "{wcs:?} {place:?}");
                }
            }
            let _ = (wcs.arcsec_per_px(at), wcs.pixel_scale_arcsec(at), wcs.shifted(x_px, y_px), wcs.cards());
            let _ = wcs.with_correction([x_px, y_px], [[x_px, 0.0], [y_px, 1.0]], at);
        }
    }
}

proptest! {
    // each case may integrate for thousands of steps
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn any_push(orbit in orbit(), a in prop::array::uniform3(number(-1e-6..1e-6)), jd in number(2.4e6..2.5e6)) {
        let orbit = OrbitElements { a1_au_d2: a[0], a2_au_d2: a[1], a3_au_d2: a[2], ..orbit };
        if let Ok(state) = orbit.state_at(TdbInstant::from_jd(jd)) {
            prop_assert!(state.position_au.iter().chain(&state.velocity_au_d).all(|v| v.is_finite()), "{state:?}");
        }
    }

    #[test]
    fn any_orbit_among_planets(orbit in orbit(), epoch in number(2.3e6..2.6e6), days in number(-90.0..90.0)) {
        let at = TdbInstant::from_jd(epoch + days);
        let orbit = OrbitElements { epoch_jd_tdb: epoch, ..orbit };
        if let Ok(motion) = Motion::perturbed(orbit, at, at) {
            let state = motion.state_at(at).unwrap();
            prop_assert!(state.position_au.iter().chain(&state.velocity_au_d).all(|v| v.is_finite()), "{state:?}");
        }
    }
}
