//! WCS against astropy (wcslib): `reference/wcs_astropy.py`.

use crate::worst::Worst;
use fanlight_sky::{HeaderCards, PixelXy, SkyPosition, Wcs, WcsValue};
use proptest::prelude::*;
use serde_json::{Map, Value, json};

const PLACES: &str = include_str!("../data/wcs.csv");
const HEADERS: &str = include_str!("../data/wcs_headers.json");

struct Cards(Map<String, Value>);

impl HeaderCards for Cards {
    fn number(&self, key: &str) -> Option<f64> {
        self.0.get(key)?.as_f64()
    }
    fn text(&self, key: &str) -> Option<String> {
        self.0.get(key)?.as_str().map(str::to_string)
    }
    fn contains(&self, key: &str) -> bool {
        self.0.contains_key(key)
    }
}

fn headers() -> Map<String, Value> {
    let all: Value = serde_json::from_str(HEADERS).unwrap();
    all["headers"].as_object().unwrap().clone()
}

fn cards(name: &str) -> Cards {
    Cards(headers()[name].as_object().unwrap().clone())
}

fn read(name: &str) -> Wcs {
    Wcs::from_header(&cards(name)).unwrap().unwrap().0
}

/// Both ways within 1e-8 px: rounding of degrees in f64 is 1e-10 px, astropy's own inversion of SIP stops at 1e-10 px.
#[test]
fn every_header_agrees_with_astropy() {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(PLACES.as_bytes());
    let (mut worst, mut seen) = (Worst::default(), std::collections::BTreeSet::new());
    for row in reader.records() {
        let row = row.unwrap();
        let at = |i: usize| row[i].parse::<f64>().unwrap();
        let name = &row[0];
        let wcs = read(name);
        let (pixel, place) = (PixelXy { x_px: at(1), y_px: at(2) }, SkyPosition::new(at(3), at(4)));
        let place_text = format!("{name}, {pixel:?}");
        let miss_arcsec = wcs.sky_from_pixel(pixel).separation_arcsec(&place);
        worst.take("pixel to sky, px", miss_arcsec / wcs.pixel_scale_arcsec(pixel), &place_text);
        let back = wcs.pixel_from_sky(place).unwrap();
        worst.take("sky to pixel, px", (back.x_px - at(5)).hypot(back.y_px - at(6)), &place_text);
        seen.insert(name.to_string());
    }
    assert_eq!(seen.len(), headers().len());
    worst.judge(&[("pixel to sky, px", 1e-8), ("sky to pixel, px", 1e-8)]);
}

/// Only SIP without its suffix is worth a warning among these.
#[test]
fn warns_where_it_should() {
    for name in headers().keys() {
        let (_, warnings) = Wcs::from_header(&cards(name)).unwrap().unwrap();
        let expected = usize::from(name == "SIP 2, without the suffix");
        assert_eq!(warnings.len(), expected, "{name}: {warnings:?}");
    }
    let mut with_pv = cards("TAN, CD");
    with_pv.0.insert("PV2_7".into(), json!(1e-3));
    let (_, warnings) = Wcs::from_header(&with_pv).unwrap().unwrap();
    assert!(warnings.len() == 1 && warnings[0].starts_with("PV2_7"), "{warnings:?}");
}

/// What was read is written so that it reads back the same.
#[test]
fn every_header_is_written_and_read_back() {
    for name in headers().keys() {
        let wcs = read(name);
        let value = |v: WcsValue| match v {
            WcsValue::Number(v) => json!(v),
            WcsValue::Integer(v) => json!(v),
            WcsValue::Text(v) => json!(v),
        };
        let again = Cards(wcs.cards().into_iter().map(|(k, v)| (k, value(v))).collect());
        let (again, warnings) = Wcs::from_header(&again).unwrap().unwrap();
        assert!(warnings.is_empty(), "{name}: {warnings:?}");
        for (x_px, y_px) in [(0.0, 0.0), (1199.0, 450.0), (17.25, 888.0)] {
            let miss = wcs
                .sky_from_pixel(PixelXy { x_px, y_px })
                .separation_arcsec(&again.sky_from_pixel(PixelXy { x_px, y_px }));
            assert!(miss < 1e-8, "{name}: {miss} arcsec");
        }
    }
}

/// Each damaged header, and the keyword that its error must name.
#[test]
fn names_the_keyword_that_cannot_be_used() {
    let without = |key: &str| {
        let mut c = cards("TAN, CROTA2");
        c.0.remove(key);
        c
    };
    let with = |key: &str, value: Value| {
        let mut c = cards("SIP 2, PC");
        c.0.insert(key.into(), value);
        c
    };
    for (damaged, keyword) in [
        (without("CRVAL1"), "CRVAL1"),
        (without("CRPIX2"), "CRPIX2"),
        (without("CDELT1"), "CDELT1"),
        (with("CRVAL2", json!(95.0)), "CRVAL2"),
        (with("CRVAL1", json!("twelve")), "CRVAL1"),
        (with("CUNIT1", json!("furlong")), "CUNIT1"),
        (with("CTYPE1", json!("RA---TPV")), "CTYPE1"),
        (with("CTYPE2", json!("DEC--SIN")), "CTYPE2"),
        (with("CTYPE2", json!("RA---TAN-SIP")), "CTYPE2"),
        (with("CTYPE1", json!("RA")), "CTYPE1"),
        (with("EQUINOX", json!(1950.0)), "EQUINOX"),
        (with("RADESYS", json!("FK4")), "RADESYS"),
        (with("A_ORDER", json!(12.0)), "A_ORDER"),
        (with("CDELT1", json!(0.0)), "CD1_1"),
    ] {
        let error = Wcs::from_header(&damaged).unwrap_err().to_string();
        assert!(error.contains(keyword), "{keyword}: {error}");
    }
    let mut no_b = cards("SIP 2, PC");
    no_b.0.remove("B_ORDER");
    assert!(Wcs::from_header(&no_b).unwrap_err().to_string().contains("B_ORDER"));
    for nothing in ["LINEAR", "", "GLON-TAN", "Länge"] {
        let c = Cards(json!({"CTYPE1": nothing, "CTYPE2": nothing}).as_object().unwrap().clone());
        assert_eq!(Wcs::from_header(&c).unwrap(), None, "{nothing}");
    }
}

/// East and north per pixel follow the small steps themselves, also at the pole and with SIP.
#[test]
fn the_local_matrix_is_the_slope_of_places() {
    for name in ["TAN, near the north pole", "SIP 3, CD", "TAN, CROTA2, other parity", "TAN, over RA 0"] {
        let wcs = read(name);
        let at = PixelXy { x_px: 321.0, y_px: 765.0 };
        let here = wcs.sky_from_pixel(at);
        let m = wcs.arcsec_per_px(at);
        for (dx, dy) in [(3.0, 0.0), (0.0, -3.0), (2.0, 2.0)] {
            let there = wcs.sky_from_pixel(PixelXy { x_px: at.x_px + dx, y_px: at.y_px + dy });
            let (east, north) = here.tangent_offset_arcsec(&there);
            let (by_m_east, by_m_north) = (m[0][0] * dx + m[0][1] * dy, m[1][0] * dx + m[1][1] * dy);
            // SIP bends by some 3e-5 px over 3 px
            assert!((east - by_m_east).hypot(north - by_m_north) < 1e-3, "{name}");
        }
    }
}

proptest! {
    /// A pixel comes back to itself on any plane, at any place of the sky, in any orientation and parity.
    #[test]
    fn pixels_come_back(
        ra in 0.0..360.0, dec in -90.0..=90.0, turn in 0.0..360.0f64, scale in 0.05..100.0f64, mirrored: bool,
        x_px in -500.0..5000.0, y_px in -500.0..5000.0,
    ) {
        let (sin, cos) = turn.to_radians().sin_cos();
        let (s, sign): (f64, f64) = (scale / 3600.0, if mirrored { -1.0 } else { 1.0 });
        let centre = PixelXy { x_px: 2000.0, y_px: 1500.0 };
        let wcs = Wcs::tangent(SkyPosition::new(ra, dec), centre, [[sign * s * cos, -s * sin], [sign * s * sin, s * cos]]).unwrap();
        let back = wcs.pixel_from_sky(wcs.sky_from_pixel(PixelXy { x_px, y_px })).unwrap();
        // rounding of a place is 2e-10 arcsec near RA 360
        prop_assert!((back.x_px - x_px).hypot(back.y_px - y_px) < 1e-8 + 1e-9 / scale);
        prop_assert!((wcs.pixel_scale_arcsec(centre) / scale - 1.0).abs() < 1e-6);
    }
}
