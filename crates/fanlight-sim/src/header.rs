//! Header cards of a simulated frame.

use crate::conditions::{Conditions, Plate};
use crate::scenario::{Scenario, WcsStyle};
use fanlight_sky::UtcInstant;

/// A value of a header card.
#[derive(Debug, Clone, PartialEq)]
pub enum CardValue {
    /// A floating-point number.
    Number(f64),
    /// A whole number.
    Integer(i64),
    /// Text.
    Text(String),
    /// True or false.
    Logical(bool),
}

/// Keyword, value, comment.
pub(crate) type CardLine = (String, CardValue, String);

/// What a frame is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum FrameKind {
    Light,
    Bias,
    Dark,
    Flat,
}

impl FrameKind {
    /// IMAGETYP as cameras write it.
    fn image_type(self) -> &'static str {
        match self {
            Self::Light => "Light Frame",
            Self::Bias => "Bias Frame",
            Self::Dark => "Dark Frame",
            Self::Flat => "Flat Field",
        }
    }

    /// First part of the file's name.
    pub fn stem(self) -> &'static str {
        match self {
            Self::Light => "light",
            Self::Bias => "bias",
            Self::Dark => "dark",
            Self::Flat => "flat",
        }
    }
}

fn number(key: &str, value: f64, comment: &str) -> CardLine {
    (key.into(), CardValue::Number(value), comment.into())
}

fn text(key: &str, value: &str, comment: &str) -> CardLine {
    (key.into(), CardValue::Text(value.into()), comment.into())
}

/// Cards that every frame has.
pub(crate) fn common(s: &Scenario, kind: FrameKind, start: &UtcInstant, exposure_s: f64) -> Vec<CardLine> {
    let iso = start.to_iso();
    let mut cards = vec![
        text("IMAGETYP", kind.image_type(), "kind of frame"),
        text("DATE-OBS", iso.trim_end_matches('Z'), "UTC, start of exposure"),
        number("EXPTIME", exposure_s, "[s] exposure time"),
        text("INSTRUME", "Simulated camera", ""),
        text("TELESCOP", &ascii(&s.telescope.name), ""),
        number("EGAIN", s.camera.gain_e_per_adu, "[e-/ADU] gain"),
        number("RDNOISE", s.camera.read_noise_e, "[e-] read noise"),
        ("XBINNING".into(), CardValue::Integer(1), String::new()),
        ("YBINNING".into(), CardValue::Integer(1), String::new()),
        number("CCD-TEMP", -10.0, "[C] detector temperature"),
        ("SIMULATE".into(), CardValue::Logical(true), "made by a program, not by a telescope".into()),
    ];
    if matches!(kind, FrameKind::Light | FrameKind::Flat) {
        cards.push(text("FILTER", &s.filter, "filter"));
    }
    cards
}

/// Cards that only a light frame has.
pub(crate) fn light(s: &Scenario, c: &Conditions) -> Vec<CardLine> {
    let mut cards = vec![
        text("OBJECT", &ascii(&s.object.designation), ""),
        number("SITELAT", s.site.latitude_deg, "[deg] geodetic latitude"),
        number("SITELONG", s.site.longitude_deg, "[deg] longitude, east positive"),
        number("SITEELEV", s.site.height_m, "[m] height"),
        number("AIRMASS", c.airmass, "at mid-exposure"),
    ];
    cards.extend(coordinates(s.wcs.style, &c.claimed));
    cards
}

fn coordinates(style: WcsStyle, plate: &Plate) -> Vec<CardLine> {
    if style == WcsStyle::None {
        return Vec::new();
    }
    let cd = plate.cd_deg_per_px();
    let step = plate.scale_arcsec / 3600.0;
    let step_x = if plate.mirrored { step } else { -step };
    let mut cards = vec![
        ("WCSAXES".into(), CardValue::Integer(2), String::new()),
        text("CTYPE1", "RA---TAN", ""),
        text("CTYPE2", "DEC--TAN", ""),
        text("CUNIT1", "deg", ""),
        text("CUNIT2", "deg", ""),
        text("RADESYS", "ICRS", ""),
        number("CRVAL1", plate.reference.ra_deg, "[deg] right ascension at the reference pixel"),
        number("CRVAL2", plate.reference.dec_deg, "[deg] declination at the reference pixel"),
        number("CRPIX1", plate.at.x_px + 1.0, "first pixel is 1"),
        number("CRPIX2", plate.at.y_px + 1.0, "first pixel is 1"),
    ];
    match style {
        WcsStyle::Cd => {
            for (i, row) in cd.iter().enumerate() {
                for (j, value) in row.iter().enumerate() {
                    cards.push(number(&format!("CD{}_{}", i + 1, j + 1), *value, ""));
                }
            }
        }
        WcsStyle::Pc => {
            cards.push(number("CDELT1", step_x, "[deg]"));
            cards.push(number("CDELT2", step, "[deg]"));
            for (i, row) in cd.iter().enumerate() {
                let delta = if i == 0 { step_x } else { step };
                for (j, value) in row.iter().enumerate() {
                    cards.push(number(&format!("PC{}_{}", i + 1, j + 1), value / delta, ""));
                }
            }
        }
        WcsStyle::Crota => {
            cards.push(number("CDELT1", step_x, "[deg]"));
            cards.push(number("CDELT2", step, "[deg]"));
            // CROTA2 turns from y toward x in the sense opposite to the position angle of +y.
            cards.push(number("CROTA2", (-plate.rotation_deg).rem_euclid(360.0), "[deg]"));
        }
        WcsStyle::None => {}
    }
    cards
}

/// A FITS header is ASCII.
fn ascii(value: &str) -> String {
    value.chars().map(|c| if c.is_ascii_graphic() || c == ' ' { c } else { '?' }).collect()
}
