//! Directions on the sky, position angles, and vectors.

/// A vector; its frame is said where one is made.
pub type Vector = [f64; 3];

/// A position angle: north through east, degrees in `[0, 360)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PositionAngle(f64);

impl PositionAngle {
    /// Wraps any number of degrees into `[0, 360)`.
    pub fn from_deg(deg: f64) -> Self {
        let wrapped = deg.rem_euclid(360.0);
        // a tiny negative angle rounds up to 360 itself
        Self(if wrapped >= 360.0 { 0.0 } else { wrapped })
    }

    /// The angle of an (east, north) offset.
    pub fn of(east: f64, north: f64) -> Self {
        Self::from_deg(east.atan2(north).to_degrees())
    }

    /// Degrees in `[0, 360)`.
    pub fn deg(self) -> f64 {
        self.0
    }

    /// This angle minus another, degrees in `(−180, 180]`.
    pub fn minus(self, other: Self) -> f64 {
        let d = (self.0 - other.0).rem_euclid(360.0);
        if d > 180.0 { d - 360.0 } else { d }
    }
}

/// Degrees, or hours, from whole units, minutes and seconds: `-51 12 36.0`, `51:12:00`, `51d12m`, `51°12′36″`; the last part
/// may have decimals. `None` for anything else: one sign, in front; parts of digits only, whole but for the last; minutes and
/// seconds under 60.
pub fn parse_sexagesimal(text: &str) -> Option<f64> {
    let text = text.trim();
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let parts: Vec<&str> = match unsigned.contains(':') {
        true => unsigned.split(':').map(str::trim).collect(),
        false => unsigned
            .split(|c: char| c.is_whitespace() || "dhmsDHMS°'\"′″".contains(c))
            .filter(|part| !part.is_empty())
            .collect(),
    };
    if !(2..=3).contains(&parts.len()) {
        return None;
    }
    let last = parts.len() - 1;
    let mut value = 0.0;
    for (i, part) in parts.iter().enumerate() {
        let is_number = part.starts_with(|c: char| c.is_ascii_digit())
            && part.chars().all(|c| c.is_ascii_digit() || (c == '.' && i == last));
        let number: f64 = part.parse().ok().filter(|v| is_number && (i == 0 || *v < 60.0))?;
        value += number / 60f64.powi(i as i32);
    }
    Some(if text.starts_with('-') { -value } else { value })
}

/// A direction, ICRS.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SkyPosition {
    /// Right ascension, degrees in `[0, 360)`.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
}

impl SkyPosition {
    /// A place by right ascension (wrapped) and declination.
    pub fn new(ra_deg: f64, dec_deg: f64) -> Self {
        Self { ra_deg: PositionAngle::from_deg(ra_deg).deg(), dec_deg }
    }

    /// The unit vector of the direction.
    pub fn unit_vector(&self) -> Vector {
        let (sa, ca) = self.ra_deg.to_radians().sin_cos();
        let (sd, cd) = self.dec_deg.to_radians().sin_cos();
        [cd * ca, cd * sa, sd]
    }

    /// The direction of a vector of any length.
    pub fn from_vector(v: Vector) -> Self {
        Self::new(v[1].atan2(v[0]).to_degrees(), v[2].atan2(v[0].hypot(v[1])).to_degrees())
    }

    /// Unit vectors toward east and north at this place.
    pub fn east_north(&self) -> (Vector, Vector) {
        let (sa, ca) = self.ra_deg.to_radians().sin_cos();
        let (sd, cd) = self.dec_deg.to_radians().sin_cos();
        ([-sa, ca, 0.0], [-sd * ca, -sd * sa, cd])
    }

    /// Angle between two places.
    pub fn separation_arcsec(&self, other: &Self) -> f64 {
        angle_between(self.unit_vector(), other.unit_vector()).to_degrees() * 3600.0
    }

    /// Position angle of the great circle from here to there.
    pub fn position_angle_to(&self, other: &Self) -> PositionAngle {
        self.position_angle_of(other.unit_vector())
    }

    /// Position angle of a vector's projection on the sky here.
    pub fn position_angle_of(&self, v: Vector) -> PositionAngle {
        let (east, north) = self.east_north();
        PositionAngle::of(dot(east, v), dot(north, v))
    }

    /// Gnomonic (east, north) offset of another place about this one, arcsec. Not a number beyond 90°.
    pub fn tangent_offset_arcsec(&self, other: &Self) -> (f64, f64) {
        let v = other.unit_vector();
        let along = dot(self.unit_vector(), v);
        if along <= 0.0 {
            return (f64::NAN, f64::NAN);
        }
        let (east, north) = self.east_north();
        (dot(east, v) / along * ARCSEC_PER_RAD, dot(north, v) / along * ARCSEC_PER_RAD)
    }

    /// The place at a gnomonic (east, north) offset about this one.
    pub fn offset_by_arcsec(&self, east_arcsec: f64, north_arcsec: f64) -> Self {
        let (east, north) = self.east_north();
        let (xi, eta) = (east_arcsec / ARCSEC_PER_RAD, north_arcsec / ARCSEC_PER_RAD);
        Self::from_vector(sum(self.unit_vector(), sum(scale(east, xi), scale(north, eta))))
    }
}

/// Arcseconds in a radian.
pub const ARCSEC_PER_RAD: f64 = 648_000.0 / std::f64::consts::PI;

pub(crate) fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub(crate) fn cross(a: Vector, b: Vector) -> Vector {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

pub(crate) fn norm(a: Vector) -> f64 {
    dot(a, a).sqrt()
}

pub(crate) fn scale(a: Vector, s: f64) -> Vector {
    [a[0] * s, a[1] * s, a[2] * s]
}

pub(crate) fn sum(a: Vector, b: Vector) -> Vector {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

pub(crate) fn minus(a: Vector, b: Vector) -> Vector {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// Angle between two vectors, radians, accurate near 0 and π too.
pub(crate) fn angle_between(a: Vector, b: Vector) -> f64 {
    norm(cross(a, b)).atan2(dot(a, b))
}

/// Product of a matrix and a vector.
pub(crate) fn times(m: &[[f64; 3]; 3], v: Vector) -> Vector {
    [dot(m[0], v), dot(m[1], v), dot(m[2], v)]
}

/// Product of a matrix's transpose and a vector.
pub(crate) fn transpose_times(m: &[[f64; 3]; 3], v: Vector) -> Vector {
    let column = |j: usize| m[0][j] * v[0] + m[1][j] * v[1] + m[2][j] * v[2];
    [column(0), column(1), column(2)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Meeus, Astronomical Algorithms (2nd ed.), example 48.a: Sun (20.6579°, +8.6964°), Moon (134.6885°, +13.7684°):
    /// position angle of the Sun from the Moon 285.0°.
    #[test]
    fn position_angle_of_the_sun() {
        let moon = SkyPosition::new(134.6885, 13.7684);
        let sun = SkyPosition::new(20.6579, 8.6964);
        assert!((moon.position_angle_to(&sun).deg() - 285.04).abs() < 0.05);
    }

    #[test]
    fn north_through_east() {
        let here = SkyPosition::new(10.0, 20.0);
        assert!(here.position_angle_to(&SkyPosition::new(10.0, 21.0)).deg() < 1e-9);
        assert!((here.position_angle_to(&here.offset_by_arcsec(5.0, 0.0)).deg() - 90.0).abs() < 1e-6);
        assert_eq!(PositionAngle::from_deg(-1e-17).deg(), 0.0);
        assert_eq!(PositionAngle::from_deg(350.0).minus(PositionAngle::from_deg(10.0)), -20.0);
        assert_eq!(PositionAngle::from_deg(190.0).minus(PositionAngle::from_deg(10.0)), 180.0);
    }

    #[test]
    fn offsets_there_and_back() {
        for dec in [-89.9, -30.0, 0.0, 89.99] {
            let here = SkyPosition::new(359.9999, dec);
            let there = here.offset_by_arcsec(123.4, -567.8);
            let (east, north) = here.tangent_offset_arcsec(&there);
            assert!((east - 123.4).abs() < 1e-7 && (north + 567.8).abs() < 1e-7, "{east} {north}");
            assert!((here.separation_arcsec(&there) - 581.05).abs() < 0.1);
        }
    }

    #[test]
    fn sexagesimal_as_people_write_it_and_nothing_else() {
        for (text, value) in [
            ("-51 12 36", -51.21),
            ("3:15:00", 3.25),
            ("+51d12m00.0s", 51.2),
            ("51°12′", 51.2),
            (" -0:30 ", -0.5),
            ("06:47:48.9", 6.0 + 47.0 / 60.0 + 48.9 / 3600.0),
        ] {
            let found = parse_sexagesimal(text).unwrap();
            assert!((found - value).abs() < 1e-12, "{text}: {found}");
        }
        for wrong in [
            "", "51", "5 70", "1:2:3:4", "1::2", "--1:2", "1:-2", "1.5:30", "1:2e1", "nan:1", "a:b", "1:2:60.0", ":30",
            "+ ",
        ] {
            assert_eq!(parse_sexagesimal(wrong), None, "{wrong}");
        }
    }
}
