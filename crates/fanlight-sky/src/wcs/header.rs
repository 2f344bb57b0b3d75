//! Reading a WCS from header cards.

use super::sip::Sip;
use super::{Wcs, product};
use crate::{SkyError, SkyPosition};

/// PV terms of a distorted tangent plane are numbered 0 to 39 on each axis.
const LAST_PV_TERM: usize = 39;

/// What a header tells of its cards; numbers also where a card writes them as text.
pub trait HeaderCards {
    /// A card's number.
    fn number(&self, key: &str) -> Option<f64>;
    /// A card's text.
    fn text(&self, key: &str) -> Option<String>;
    /// Whether the card is there.
    fn contains(&self, key: &str) -> bool;
}

impl Wcs {
    /// Reads the celestial WCS of an image: `None` where there is none, else the WCS and warnings.
    ///
    /// CD, PC with CDELT, and CDELT with CROTA2 are understood, TAN and TAN-SIP, axes in either order, CUNIT in degrees,
    /// arcminutes, arcseconds or radians, and LONPOLE. SIP coefficients without the `-SIP` suffix are applied with a
    /// warning, as wcslib's users expect; PV terms on a plain TAN are not applied, with a warning.
    ///
    /// # Errors
    /// Names the keyword that is missing or cannot be used.
    pub fn from_header(header: &dyn HeaderCards) -> Result<Option<(Wcs, Vec<String>)>, SkyError> {
        let (Some(first), Some(second)) = (header.text("CTYPE1"), header.text("CTYPE2")) else {
            return Ok(None);
        };
        let types = [first.trim().to_uppercase(), second.trim().to_uppercase()];
        if types.iter().all(|t| !t.starts_with("RA") && !t.starts_with("DEC")) {
            return Ok(None);
        }
        let swapped = types[0].starts_with("DEC");
        let mut warnings = Vec::new();
        let suffixed = check_types(&types, swapped)?;
        check_frame(header, &mut warnings)?;

        let crval = [needed(header, "CRVAL1")?, needed(header, "CRVAL2")?];
        let crpix = [needed(header, "CRPIX1")? - 1.0, needed(header, "CRPIX2")? - 1.0];
        let units = [unit_deg(header, "CUNIT1")?, unit_deg(header, "CUNIT2")?];
        let mut cd = matrix(header, swapped)?;
        for i in 0..2 {
            cd[i] = [cd[i][0] * units[i], cd[i][1] * units[i]];
        }
        let (mut longitude, mut latitude) = (crval[0] * units[0], crval[1] * units[1]);
        if swapped {
            std::mem::swap(&mut longitude, &mut latitude);
            cd.swap(0, 1);
        }
        if !(-90.0..=90.0).contains(&latitude) {
            let keyword = if swapped { "CRVAL1" } else { "CRVAL2" };
            return Err(bad(keyword, format!("declination {latitude} is outside -90 to 90")));
        }
        // the tangent plane turned by LONPOLE − 180°; the default is 0 where the reference point is the north pole itself
        // (Calabretta & Greisen 2002, section 2.2)
        let pole = header.number("LONPOLE").unwrap_or(if latitude == 90.0 { 0.0 } else { 180.0 });
        if pole != 180.0 {
            let (sin, cos) = (pole - 180.0).to_radians().sin_cos();
            cd = product([[cos, sin], [-sin, cos]], cd);
        }
        let sip = Sip::from_header(header)?;
        match (&sip, suffixed) {
            (Some(_), false) => {
                warnings.push("SIP coefficients are there although CTYPE lacks -SIP; they were applied".into())
            }
            (None, true) => warnings.push("CTYPE says -SIP but there are no SIP coefficients".into()),
            _ => {}
        }
        let mut terms = (1..=2).flat_map(|axis| (0..=LAST_PV_TERM).map(move |m| format!("PV{axis}_{m}")));
        if let Some(keyword) = terms.find(|k| header.contains(k)) {
            warnings.push(format!("{keyword} stands beside a plain TAN projection; PV terms are not applied"));
        }
        Wcs::assemble(SkyPosition::new(longitude, latitude), crpix, cd, sip).map(|wcs| Some((wcs, warnings)))
    }
}

fn bad(keyword: &str, reason: String) -> SkyError {
    SkyError::BadKeyword { keyword: keyword.to_string(), reason }
}

fn needed(header: &dyn HeaderCards, keyword: &str) -> Result<f64, SkyError> {
    match header.number(keyword) {
        Some(v) if v.is_finite() => Ok(v),
        Some(v) => Err(bad(keyword, format!("{v} is no number"))),
        None if header.contains(keyword) => Err(bad(keyword, "it is no number".into())),
        None => Err(SkyError::MissingKeyword { keyword: keyword.to_string() }),
    }
}

/// Both axes TAN; whether they carry the -SIP suffix.
fn check_types(types: &[String; 2], swapped: bool) -> Result<bool, SkyError> {
    let expected = if swapped { ["DEC--TAN", "RA---TAN"] } else { ["RA---TAN", "DEC--TAN"] };
    let mut suffixed = true;
    for (i, (found, expected)) in types.iter().zip(expected).enumerate() {
        let keyword = format!("CTYPE{}", i + 1);
        match found.strip_prefix(expected) {
            Some("") => suffixed = false,
            Some("-SIP") => {}
            _ => {
                let reason = format!("\"{found}\" is not understood; {expected} or {expected}-SIP is needed");
                return Err(bad(&keyword, reason));
            }
        }
    }
    Ok(suffixed)
}

/// ICRS, or FK5 of J2000, which is within 0.1″ of it.
fn check_frame(header: &dyn HeaderCards, warnings: &mut Vec<String>) -> Result<(), SkyError> {
    let system = header.text("RADESYS").or_else(|| header.text("RADECSYS")).unwrap_or_default().trim().to_uppercase();
    let equinox = header.number("EQUINOX").or_else(|| header.number("EPOCH"));
    match system.as_str() {
        "" | "ICRS" | "FK5" => {}
        "FK4" | "FK4-NO-E" | "GAPPT" => {
            return Err(bad("RADESYS", format!("\"{system}\" is not understood; ICRS or FK5 of J2000 is needed")));
        }
        other => warnings.push(format!("RADESYS \"{other}\" is not known; the WCS was taken to be ICRS")),
    }
    match equinox {
        Some(year) if system != "ICRS" && (year - 2000.0).abs() > 0.01 => {
            Err(bad("EQUINOX", format!("{year} is not understood; J2000 is needed")))
        }
        _ => Ok(()),
    }
}

fn unit_deg(header: &dyn HeaderCards, keyword: &str) -> Result<f64, SkyError> {
    let text = header.text(keyword).unwrap_or_default();
    match text.trim().to_lowercase().as_str() {
        "" | "deg" | "degree" | "degrees" => Ok(1.0),
        "arcmin" => Ok(1.0 / 60.0),
        "arcsec" => Ok(1.0 / 3600.0),
        "mas" => Ok(1.0 / 3_600_000.0),
        "rad" => Ok(1f64.to_degrees()),
        other => Err(bad(keyword, format!("unit \"{other}\" is not understood"))),
    }
}

/// CD, or PC and CDELT, or CDELT and the rotation of the latitude axis; in the axes' units per pixel.
fn matrix(header: &dyn HeaderCards, swapped: bool) -> Result<[[f64; 2]; 2], SkyError> {
    let all = |stem: &str| -> [[Option<f64>; 2]; 2] {
        let cell = |i: usize, j: usize| header.number(&format!("{stem}{i}_{j}"));
        [[cell(1, 1), cell(1, 2)], [cell(2, 1), cell(2, 2)]]
    };
    let cd = all("CD");
    if cd.iter().flatten().any(Option::is_some) {
        // an absent element of a CD matrix is zero
        return Ok(cd.map(|row| row.map(|c| c.unwrap_or(0.0))));
    }
    let cdelt = [needed(header, "CDELT1")?, needed(header, "CDELT2")?];
    let pc = all("PC");
    let rotation = if pc.iter().flatten().any(Option::is_some) {
        [[pc[0][0].unwrap_or(1.0), pc[0][1].unwrap_or(0.0)], [pc[1][0].unwrap_or(0.0), pc[1][1].unwrap_or(1.0)]]
    } else {
        // the turn of the latitude axis, from it toward the longitude's
        let (keyword, sense) = if swapped { ("CROTA1", -1.0) } else { ("CROTA2", 1.0) };
        let (sin, cos) = (sense * header.number(keyword).unwrap_or(0.0)).to_radians().sin_cos();
        let (s1, s2) = (-sin * cdelt[1] / cdelt[0], sin * cdelt[0] / cdelt[1]);
        return finite([[cdelt[0] * cos, cdelt[0] * s1], [cdelt[1] * s2, cdelt[1] * cos]]);
    };
    let row = |i: usize| rotation[i].map(|c| cdelt[i] * c);
    finite([row(0), row(1)])
}

fn finite(m: [[f64; 2]; 2]) -> Result<[[f64; 2]; 2], SkyError> {
    if m.iter().flatten().all(|v| v.is_finite()) { Ok(m) } else { Err(SkyError::SingularMatrix { cd: m }) }
}
