//! The world coordinate system of an image: tangent plane, with SIP distortion.
//!
//! Works on direction vectors, so poles and RA 0 are no special cases. Pixels are 0-based here; CRPIX is 1-based.

use crate::angle::{Vector, dot, scale, sum};
use crate::{SkyError, SkyPosition};

mod bent;
mod header;
mod sip;

pub use header::HeaderCards;
use sip::Sip;

/// A place in an image: 0-based, integers at pixel centres, x along FITS axis 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PixelXy {
    /// Column.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
}

/// A value of a header card that describes a WCS.
#[derive(Debug, Clone, PartialEq)]
pub enum WcsValue {
    /// A real number.
    Number(f64),
    /// A text.
    Text(String),
    /// A whole number.
    Integer(i64),
}

/// A celestial WCS: TAN, or TAN with SIP distortion.
#[derive(Debug, Clone, PartialEq)]
pub struct Wcs {
    reference: SkyPosition,
    /// 0-based reference pixel.
    crpix: [f64; 2],
    /// Degrees (east, north on the tangent plane) per pixel.
    cd: [[f64; 2]; 2],
    inverse: [[f64; 2]; 2],
    sip: Option<Sip>,
}

impl Wcs {
    /// A plain tangent plane.
    ///
    /// # Errors
    /// When the matrix has no inverse or a number is not finite.
    pub fn tangent(reference: SkyPosition, at: PixelXy, cd_deg_per_px: [[f64; 2]; 2]) -> Result<Self, SkyError> {
        Self::assemble(reference, [at.x_px, at.y_px], cd_deg_per_px, None)
    }

    /// The cards AP_p_q and BP_p_q: the distortion's inverse as polynomials, for programs that do not invert it
    /// themselves, fitted over a frame of this size. None without a distortion, or where it cannot be inverted.
    ///
    /// # Accuracy
    /// 0.01 px within frames of 2000 px distorted by a pixel or two for each term of order 2 to 4.
    ///
    /// # Source
    /// Shupe et al. 2005, ASP Conf. 347, 491.
    pub fn inverse_distortion_cards(&self, width: usize, height: usize) -> Vec<(String, WcsValue)> {
        self.sip.as_ref().map_or_else(Vec::new, |sip| sip.inverse_cards(self.crpix, [width, height]))
    }

    fn assemble(
        reference: SkyPosition,
        crpix: [f64; 2],
        cd: [[f64; 2]; 2],
        sip: Option<Sip>,
    ) -> Result<Self, SkyError> {
        let inverse = invert(cd).ok_or(SkyError::SingularMatrix { cd })?;
        for (keyword, value) in
            [("CRPIX1", crpix[0]), ("CRPIX2", crpix[1]), ("CRVAL1", reference.ra_deg), ("CRVAL2", reference.dec_deg)]
        {
            if !value.is_finite() {
                let reason = format!("{value} is no number");
                return Err(SkyError::BadKeyword { keyword: keyword.to_string(), reason });
            }
        }
        Ok(Self { reference, crpix, cd, inverse, sip })
    }

    /// The place of a pixel.
    ///
    /// # Accuracy
    /// 3e-10 px against astropy (wcslib) on TAN and TAN-SIP headers.
    ///
    /// # Source
    /// Calabretta & Greisen 2002, A&A 395, 1077 (TAN); Shupe et al. 2005, ASP Conf. 347, 491 (SIP).
    pub fn sky_from_pixel(&self, at: PixelXy) -> SkyPosition {
        SkyPosition::from_vector(self.direction(at))
    }

    fn direction(&self, at: PixelXy) -> Vector {
        let (u, v) = (at.x_px - self.crpix[0], at.y_px - self.crpix[1]);
        let (u, v) = self.sip.as_ref().map_or((u, v), |s| s.forward(u, v));
        let (xi, eta) = apply(self.cd, (u, v));
        let (east, north) = self.reference.east_north();
        let plane = sum(scale(east, xi.to_radians()), scale(north, eta.to_radians()));
        sum(self.reference.unit_vector(), plane)
    }

    /// The pixel of a place, inside the image or not.
    ///
    /// # Errors
    /// When the place is 90° or more from the reference point, or the distortion cannot be inverted there.
    ///
    /// # Accuracy
    /// As [`Wcs::sky_from_pixel`]; the distortion is inverted by Newton's method to 1e-9 px.
    pub fn pixel_from_sky(&self, place: SkyPosition) -> Result<PixelXy, SkyError> {
        let lost = SkyError::NotOnPlane { ra_deg: place.ra_deg, dec_deg: place.dec_deg };
        let v = place.unit_vector();
        let along = dot(self.reference.unit_vector(), v);
        if along.is_nan() || along <= 1e-9 {
            return Err(lost);
        }
        let (east, north) = self.reference.east_north();
        let plane = ((dot(east, v) / along).to_degrees(), (dot(north, v) / along).to_degrees());
        let (u, w) = apply(self.inverse, plane);
        let (u, w) = match &self.sip {
            Some(sip) => sip.inverse(u, w).ok_or(lost)?,
            None => (u, w),
        };
        Ok(PixelXy { x_px: u + self.crpix[0], y_px: w + self.crpix[1] })
    }

    /// `[[∂east/∂x, ∂east/∂y], [∂north/∂x, ∂north/∂y]]` on the tangent plane at a pixel, arcsec per pixel, east and north
    /// as they are there.
    pub fn arcsec_per_px(&self, at: PixelXy) -> [[f64; 2]; 2] {
        const STEP_PX: f64 = 0.5;
        let here = self.sky_from_pixel(at);
        let offset = |dx: f64, dy: f64| {
            here.tangent_offset_arcsec(&self.sky_from_pixel(PixelXy { x_px: at.x_px + dx, y_px: at.y_px + dy }))
        };
        let difference = |plus: (f64, f64), minus: (f64, f64)| {
            ((plus.0 - minus.0) / (2.0 * STEP_PX), (plus.1 - minus.1) / (2.0 * STEP_PX))
        };
        let by_x = difference(offset(STEP_PX, 0.0), offset(-STEP_PX, 0.0));
        let by_y = difference(offset(0.0, STEP_PX), offset(0.0, -STEP_PX));
        [[by_x.0, by_y.0], [by_x.1, by_y.1]]
    }

    /// Pixel scale: the root of a pixel's area.
    pub fn pixel_scale_arcsec(&self, at: PixelXy) -> f64 {
        let m = self.arcsec_per_px(at);
        (m[0][0] * m[1][1] - m[0][1] * m[1][0]).abs().sqrt()
    }

    /// The WCS of an image whose pixel (x, y) is this one's (x − dx, y − dy): CRPIX grows by (dx, dy).
    pub fn shifted(&self, dx_px: f64, dy_px: f64) -> Self {
        Self { crpix: [self.crpix[0] + dx_px, self.crpix[1] + dy_px], ..self.clone() }
    }

    /// The WCS of an image whose pixel (x, y) has its middle where this one's pixel `first + step · (x, y)` has it: a binned
    /// image, or every `step`th pixel of one. Exact, distortion included.
    ///
    /// A step that is not positive leaves the WCS as it was.
    pub fn of_every(&self, step: f64, first: PixelXy) -> Self {
        let crpix = [(self.crpix[0] - first.x_px) / step, (self.crpix[1] - first.y_px) / step];
        let cd = self.cd.map(|row| row.map(|v| v * step));
        let sip = self.sip.as_ref().map(|s| s.of_every(step));
        Self::assemble(self.reference, crpix, cd, sip).unwrap_or_else(|_| self.clone())
    }

    /// The WCS corrected so that a place now falls on `about + offset + matrix · (old − about)`.
    ///
    /// Exact for TAN; with SIP the distortion polynomial is kept as it is, which is exact for an offset and right to
    /// first order for a matrix near the identity. A matrix without an inverse, or a number that is not finite, leaves the
    /// WCS as it was.
    pub fn with_correction(&self, offset_px: [f64; 2], matrix: [[f64; 2]; 2], about: PixelXy) -> Self {
        let (u, v) = apply(matrix, (self.crpix[0] - about.x_px, self.crpix[1] - about.y_px));
        let crpix = [about.x_px + offset_px[0] + u, about.y_px + offset_px[1] + v];
        let cd = invert(matrix).map_or(self.cd, |m| product(self.cd, m));
        Self::assemble(self.reference, crpix, cd, self.sip.clone()).unwrap_or_else(|_| self.clone())
    }

    /// The header cards that describe it.
    pub fn cards(&self) -> Vec<(String, WcsValue)> {
        let text = |k: &str, v: &str| (k.to_string(), WcsValue::Text(v.to_string()));
        let number = |k: &str, v: f64| (k.to_string(), WcsValue::Number(v));
        let suffix = if self.sip.is_some() { "-SIP" } else { "" };
        let mut cards = vec![
            ("WCSAXES".to_string(), WcsValue::Integer(2)),
            text("CTYPE1", &format!("RA---TAN{suffix}")),
            text("CTYPE2", &format!("DEC--TAN{suffix}")),
            text("CUNIT1", "deg"),
            text("CUNIT2", "deg"),
            number("CRVAL1", self.reference.ra_deg),
            number("CRVAL2", self.reference.dec_deg),
            number("CRPIX1", self.crpix[0] + 1.0),
            number("CRPIX2", self.crpix[1] + 1.0),
            number("CD1_1", self.cd[0][0]),
            number("CD1_2", self.cd[0][1]),
            number("CD2_1", self.cd[1][0]),
            number("CD2_2", self.cd[1][1]),
            // the default is another one at the pole
            number("LONPOLE", 180.0),
            text("RADESYS", "ICRS"),
        ];
        if let Some(sip) = &self.sip {
            cards.extend(sip.cards());
        }
        cards
    }
}

fn apply(m: [[f64; 2]; 2], v: (f64, f64)) -> (f64, f64) {
    (m[0][0] * v.0 + m[0][1] * v.1, m[1][0] * v.0 + m[1][1] * v.1)
}

fn product(a: [[f64; 2]; 2], b: [[f64; 2]; 2]) -> [[f64; 2]; 2] {
    let cell = |i: usize, j: usize| a[i][0] * b[0][j] + a[i][1] * b[1][j];
    [[cell(0, 0), cell(0, 1)], [cell(1, 0), cell(1, 1)]]
}

/// `None` for a matrix that is singular to rounding or not finite.
fn invert(m: [[f64; 2]; 2]) -> Option<[[f64; 2]; 2]> {
    let d = m[0][0] * m[1][1] - m[0][1] * m[1][0];
    let size = m.iter().flatten().map(|v| v * v).sum::<f64>();
    let good = d.is_finite() && d.abs() > 1e-9 * size && size > 0.0;
    good.then(|| [[m[1][1] / d, -m[0][1] / d], [-m[1][0] / d, m[0][0] / d]])
}

#[cfg(test)]
mod tests {
    use super::*;

    use std::collections::BTreeMap;

    struct Cards(BTreeMap<String, WcsValue>);

    impl HeaderCards for Cards {
        fn number(&self, key: &str) -> Option<f64> {
            match self.0.get(key)? {
                WcsValue::Number(v) => Some(*v),
                WcsValue::Integer(v) => Some(*v as f64),
                WcsValue::Text(_) => None,
            }
        }
        fn text(&self, key: &str) -> Option<String> {
            match self.0.get(key)? {
                WcsValue::Text(v) => Some(v.clone()),
                _ => None,
            }
        }
        fn contains(&self, key: &str) -> bool {
            self.0.contains_key(key)
        }
    }

    fn cards(extra: &[(&str, f64)]) -> Cards {
        let mut map: BTreeMap<String, WcsValue> = BTreeMap::new();
        map.insert("CTYPE1".into(), WcsValue::Text("RA---TAN".into()));
        map.insert("CTYPE2".into(), WcsValue::Text("DEC--TAN".into()));
        for (k, v) in [("CRPIX1", 512.5), ("CRPIX2", 512.5), ("CRVAL1", 150.0), ("CRVAL2", 20.0)] {
            map.insert(k.into(), WcsValue::Number(v));
        }
        for (k, v) in extra {
            map.insert((*k).into(), WcsValue::Number(*v));
        }
        Cards(map)
    }

    const CD: [(&str, f64); 2] = [("CD1_1", -2.0 / 3600.0), ("CD2_2", 2.0 / 3600.0)];

    /// Every second pixel of a distorted image from (3, 4) on, and the middles of 2 × 2 cells, lie where they lay.
    #[test]
    fn every_second_pixel_stays_where_it_is_on_the_sky() {
        let sip = [("A_ORDER", 2.0), ("A_2_0", 2e-6), ("A_0_1", 1e-4), ("B_ORDER", 3.0), ("B_1_2", -3e-9)];
        let whole = Wcs::from_header(&cards(&[&CD[..], &sip[..]].concat())).unwrap().unwrap().0;
        for first in [PixelXy { x_px: 3.0, y_px: 4.0 }, PixelXy { x_px: 0.5, y_px: 0.5 }] {
            let half = whole.of_every(2.0, first);
            for (x, y) in [(0.0, 0.0), (511.0, 17.0), (-30.0, 900.5)] {
                let there = PixelXy { x_px: first.x_px + 2.0 * x, y_px: first.y_px + 2.0 * y };
                let (a, b) = (half.sky_from_pixel(PixelXy { x_px: x, y_px: y }), whole.sky_from_pixel(there));
                assert!(a.separation_arcsec(&b) < 1e-7, "{a:?} {b:?}");
            }
        }
    }

    /// Places computed by astropy 8.0.2 (wcslib), 1-based pixels.
    #[test]
    fn agrees_with_wcslib() {
        let (tan, warnings) = Wcs::from_header(&cards(&CD)).unwrap().unwrap();
        assert!(warnings.is_empty());
        for (x, y, ra, dec) in [
            (1.0, 1.0, 150.30185615, 19.71558314),
            (1024.0, 1024.0, 149.69705210, 20.28390390),
            (512.5, 1024.0, 150.0, 20.28416434),
        ] {
            let got = tan.sky_from_pixel(PixelXy { x_px: x - 1.0, y_px: y - 1.0 });
            assert!((got.ra_deg - ra).abs() < 1e-8 && (got.dec_deg - dec).abs() < 1e-8, "{got:?}");
            let back = tan.pixel_from_sky(got).unwrap();
            assert!((back.x_px - x + 1.0).abs() < 1e-8 && (back.y_px - y + 1.0).abs() < 1e-8);
        }
        let mut extra = CD.to_vec();
        extra.extend([("A_ORDER", 2.0), ("B_ORDER", 2.0), ("A_2_0", 1e-5), ("A_1_1", -5e-6), ("A_0_2", 2e-6)]);
        extra.extend([("B_2_0", -3e-6), ("B_1_1", 4e-6), ("B_0_2", 8e-6)]);
        let (sip, warnings) = Wcs::from_header(&cards(&extra)).unwrap().unwrap();
        assert_eq!(warnings.len(), 1, "SIP without the suffix is applied with a warning");
        for (x, y, ra, dec) in [(1.0, 1.0, 150.30077787, 19.71689306), (1024.0, 1024.0, 149.69596488, 20.28521014)] {
            let got = sip.sky_from_pixel(PixelXy { x_px: x - 1.0, y_px: y - 1.0 });
            assert!((got.ra_deg - ra).abs() < 1e-8 && (got.dec_deg - dec).abs() < 1e-8, "{got:?}");
            let back = sip.pixel_from_sky(got).unwrap();
            assert!((back.x_px - x + 1.0).abs() < 1e-7 && (back.y_px - y + 1.0).abs() < 1e-7);
        }
    }

    #[test]
    fn a_correction_moves_places_as_asked() {
        let (wcs, _) = Wcs::from_header(&cards(&CD)).unwrap().unwrap();
        let about = PixelXy { x_px: 300.0, y_px: 700.0 };
        let matrix = [[1.0001, 0.0003], [-0.0003, 0.9999]];
        let new = wcs.with_correction([1.5, -2.5], matrix, about);
        let place = wcs.sky_from_pixel(PixelXy { x_px: 100.0, y_px: 900.0 });
        let (u, v) = apply(matrix, (-200.0, 200.0));
        let got = new.pixel_from_sky(place).unwrap();
        assert!((got.x_px - (300.0 + 1.5 + u)).abs() < 1e-8 && (got.y_px - (700.0 - 2.5 + v)).abs() < 1e-8);
        let shifted = wcs.shifted(10.0, -5.0).pixel_from_sky(place).unwrap();
        assert!((shifted.x_px - 110.0).abs() < 1e-8 && (shifted.y_px - 895.0).abs() < 1e-8);
    }

    #[test]
    fn local_scale_and_orientation() {
        let (wcs, _) = Wcs::from_header(&cards(&CD)).unwrap().unwrap();
        let m = wcs.arcsec_per_px(PixelXy { x_px: 511.5, y_px: 511.5 });
        assert!((m[0][0] + 2.0).abs() < 1e-6 && (m[1][1] - 2.0).abs() < 1e-6 && m[0][1].abs() < 1e-6);
        assert!((wcs.pixel_scale_arcsec(PixelXy { x_px: 0.0, y_px: 0.0 }) - 2.0).abs() < 1e-4);
    }

    #[test]
    fn refuses_what_is_no_wcs() {
        assert_eq!(Wcs::from_header(&Cards(BTreeMap::new())).unwrap(), None);
        let zero = Wcs::from_header(&cards(&[("CD1_1", 0.0), ("CD2_2", 0.0)]));
        assert!(matches!(zero, Err(SkyError::SingularMatrix { .. })), "{zero:?}");
        let mut other = cards(&CD);
        other.0.insert("CTYPE1".into(), WcsValue::Text("RA---ZPN".into()));
        other.0.insert("CTYPE2".into(), WcsValue::Text("DEC--ZPN".into()));
        assert!(matches!(Wcs::from_header(&other), Err(SkyError::BadKeyword { .. })));
        let (wcs, _) = Wcs::from_header(&cards(&CD)).unwrap().unwrap();
        assert!(wcs.pixel_from_sky(SkyPosition::new(330.0, -20.0)).is_err());
    }

    #[test]
    fn its_own_cards_read_back() {
        let mut extra = CD.to_vec();
        extra.extend([("A_ORDER", 2.0), ("B_ORDER", 2.0), ("A_2_0", 1e-5), ("B_0_2", 8e-6)]);
        let (wcs, _) = Wcs::from_header(&cards(&extra)).unwrap().unwrap();
        let again = Cards(wcs.cards().into_iter().collect());
        let (read, warnings) = Wcs::from_header(&again).unwrap().unwrap();
        assert_eq!(read, wcs);
        assert!(warnings.is_empty());
    }
}
