//! Motion about the Sun from osculating elements.

use crate::angle::{Vector, scale, sum};
use crate::forces::Forces;
use crate::{SkyError, TdbInstant};

/// Gaussian gravitational constant, rad/day for au and solar mass (IAU 1976).
pub const GAUSS_K: f64 = 0.017_202_098_95;
/// Obliquity of the ecliptic of J2000, arcsec (IAU 1976), by which orbit elements are turned to the equator.
pub const OBLIQUITY_ARCSEC: f64 = 84_381.448;

/// Osculating elements: heliocentric, ecliptic and equinox J2000.
#[derive(Debug, Clone, PartialEq)]
pub struct OrbitElements {
    /// Epoch of osculation, TDB.
    pub epoch_jd_tdb: f64,
    /// Time of perihelion, TDB.
    pub perihelion_jd_tdb: f64,
    /// Perihelion distance, > 0.
    pub q_au: f64,
    /// Eccentricity, ≥ 0.
    pub e: f64,
    /// Inclination, 0 to 180.
    pub inclination_deg: f64,
    /// Longitude of the ascending node.
    pub node_deg: f64,
    /// Argument of perihelion.
    pub argument_of_perihelion_deg: f64,
    /// Radial non-gravitational parameter, au/day² at 1 au.
    pub a1_au_d2: f64,
    /// Transverse parameter.
    pub a2_au_d2: f64,
    /// Normal parameter.
    pub a3_au_d2: f64,
}

/// Heliocentric state on ICRS axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrbitState {
    /// Position, au.
    pub position_au: Vector,
    /// Velocity, au/day.
    pub velocity_au_d: Vector,
}

impl OrbitElements {
    /// Checks that every element can be what it claims to be.
    ///
    /// # Errors
    /// Names the element and its range.
    pub fn validate(&self) -> Result<(), SkyError> {
        let check = |name, value: f64, good: bool, range| {
            if value.is_finite() && good { Ok(()) } else { Err(SkyError::BadElement { name, value, range }) }
        };
        check("q_au", self.q_au, self.q_au > 0.0, "the positive numbers")?;
        check("e", self.e, self.e >= 0.0, "0 and above")?;
        check("inclination_deg", self.inclination_deg, (0.0..=180.0).contains(&self.inclination_deg), "0 to 180")?;
        for (name, value) in [
            ("epoch_jd_tdb", self.epoch_jd_tdb),
            ("perihelion_jd_tdb", self.perihelion_jd_tdb),
            ("node_deg", self.node_deg),
            ("argument_of_perihelion_deg", self.argument_of_perihelion_deg),
            ("a1_au_d2", self.a1_au_d2),
            ("a2_au_d2", self.a2_au_d2),
            ("a3_au_d2", self.a3_au_d2),
        ] {
            check(name, value, true, "the finite numbers")?;
        }
        Ok(())
    }

    /// Heliocentric state at an instant under the Sun alone: two-body motion, or with A1–A3 the integrated motion from the
    /// epoch.
    ///
    /// # Errors
    /// When an element is impossible or no solution was found.
    ///
    /// # Accuracy
    /// Two-body, within 100 years of perihelion: 2e-15 of the distance from the Sun, and the rounding of the time, against
    /// 80-digit arithmetic (e from 0 to 40). Integrated: 1e-11 au over 400 days against the two-body motion.
    ///
    /// # Source
    /// Universal variables (Stumpff functions) from perihelion; g(r) of Marsden, Sekanina & Yeomans 1973, AJ 78, 211.
    pub fn state_at(&self, at: TdbInstant) -> Result<OrbitState, SkyError> {
        self.validate()?;
        if self.has_non_gravitational() {
            let days = at.days_after(self.epoch_jd_tdb);
            let steps = Forces::of_sun(self).follow(self.state_at_epoch()?, days)?;
            return steps.last().map(|(_, state)| *state).ok_or(SkyError::NoOrbitSolution { days });
        }
        self.two_body(at.days_after(self.perihelion_jd_tdb))
    }

    /// Heliocentric state at the epoch, where every motion of these elements begins.
    pub(crate) fn state_at_epoch(&self) -> Result<OrbitState, SkyError> {
        self.two_body(self.epoch_jd_tdb - self.perihelion_jd_tdb)
    }

    /// Whether any of A1–A3 is set.
    pub fn has_non_gravitational(&self) -> bool {
        [self.a1_au_d2, self.a2_au_d2, self.a3_au_d2].iter().any(|a| *a != 0.0)
    }

    /// Unit vectors toward perihelion and 90° ahead of it in the orbit, ICRS axes.
    pub fn perihelion_axes(&self) -> (Vector, Vector) {
        let (sw, cw) = self.argument_of_perihelion_deg.to_radians().sin_cos();
        let (so, co) = self.node_deg.to_radians().sin_cos();
        let (si, ci) = self.inclination_deg.to_radians().sin_cos();
        let p = [cw * co - sw * so * ci, cw * so + sw * co * ci, sw * si];
        let q = [-sw * co - cw * so * ci, -sw * so + cw * co * ci, cw * si];
        (equatorial(p), equatorial(q))
    }

    fn two_body(&self, days_from_perihelion: f64) -> Result<OrbitState, SkyError> {
        let (p, q) = self.perihelion_axes();
        let kepler = from_perihelion(self.q_au, self.e, days_from_perihelion)
            .ok_or(SkyError::NoOrbitSolution { days: days_from_perihelion })?;
        Ok(OrbitState {
            position_au: sum(scale(p, kepler.x), scale(q, kepler.y)),
            velocity_au_d: sum(scale(p, kepler.vx), scale(q, kepler.vy)),
        })
    }
}

/// Ecliptic axes of J2000 turned to the equator.
fn equatorial(v: Vector) -> Vector {
    let (sin, cos) = (OBLIQUITY_ARCSEC / 3600.0).to_radians().sin_cos();
    [v[0], cos * v[1] - sin * v[2], sin * v[1] + cos * v[2]]
}

/// Place and velocity in the orbit's plane, x toward perihelion.
struct InPlane {
    x: f64,
    y: f64,
    vx: f64,
    vy: f64,
}

/// Two-body motion from perihelion by the universal anomaly χ: k t = q χ + e χ³ S(α χ²), α = (1 − e)/q.
fn from_perihelion(q: f64, e: f64, days: f64) -> Option<InPlane> {
    let alpha = (1.0 - e) / q;
    let mut days = days;
    if alpha > 0.0 {
        let period = std::f64::consts::TAU / (GAUSS_K * alpha.powf(1.5));
        if days.abs() > 0.5 * period {
            days -= period * (days / period).round();
        }
    }
    let target = GAUSS_K * days.abs();
    let chi = days.signum() * universal_anomaly(q, e, alpha, target)?;
    let z = alpha * chi * chi;
    let (c, s) = stumpff(z);
    let r = q + e * chi * chi * c;
    let speed = ((1.0 + e) / q).sqrt();
    // g = t − χ³ S and ġ = 1 − χ² C/r, with Kepler's equation put in: their terms would cancel far from perihelion
    let along = chi * (1.0 - z * s);
    let place = InPlane {
        x: q - chi * chi * c,
        y: q * along * speed,
        vx: -GAUSS_K * along / r,
        vy: GAUSS_K * speed * q * (1.0 - z * c) / r,
    };
    [place.x, place.y, place.vx, place.vy].iter().all(|v| v.is_finite()).then_some(place)
}

/// Solves q χ + e χ³ S(α χ²) = target ≥ 0; the left side rises with χ, so the root stays bracketed.
fn universal_anomaly(q: f64, e: f64, alpha: f64, target: f64) -> Option<f64> {
    if target == 0.0 {
        return Some(0.0);
    }
    let mut low = 0.0;
    // S ≥ 1/6 on parabola and hyperbola; on an ellipse half a period is χ = π √a
    let mut high = if alpha > 0.0 {
        std::f64::consts::PI / alpha.sqrt() * 1.000_001
    } else {
        let cubic = if e > 0.0 { (6.0 * target / e).cbrt() } else { f64::INFINITY };
        (target / q).min(cubic)
    };
    let mut chi: f64 = (target / q).min(if e > 0.0 { (6.0 * target / e).cbrt() } else { f64::INFINITY }).min(high);
    if alpha < 0.0 {
        // far out on a hyperbola e sinh H = M + H > M: from above Newton's method would come down a step of 1 in H at a time
        let root = (-alpha).sqrt();
        let anomaly = (target * root.powi(3) / e).asinh();
        if anomaly > 1.0 {
            low = anomaly / root;
            chi = low;
        }
    }
    for _ in 0..200 {
        let (c, s) = stumpff(alpha * chi * chi);
        let miss = q * chi + e * chi.powi(3) * s - target;
        if miss.is_finite() && miss <= 0.0 {
            low = chi;
        } else {
            high = chi;
        }
        let newton = chi - miss / (q + e * chi * chi * c);
        let next = if newton.is_finite() && newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - chi).abs() <= 4.0 * f64::EPSILON * next.abs() || high - low <= f64::EPSILON * high {
            return Some(next);
        }
        chi = next;
    }
    // the last steps of Newton's method may alternate between two neighbouring numbers
    Some(chi)
}

/// Stumpff functions C(z) = (1 − cos √z)/z and S(z) = (√z − sin √z)/√z³, continued to z ≤ 0.
fn stumpff(z: f64) -> (f64, f64) {
    if z.abs() < 0.5 {
        let (mut c, mut s) = (0.0, 0.0);
        let (mut c_term, mut s_term) = (0.5, 1.0 / 6.0);
        for n in 1..14 {
            c += c_term;
            s += s_term;
            let k = 2.0 * f64::from(n);
            c_term *= -z / ((k + 1.0) * (k + 2.0));
            s_term *= -z / ((k + 2.0) * (k + 3.0));
        }
        (c, s)
    } else if z > 0.0 {
        let root = z.sqrt();
        let half = (0.5 * root).sin();
        (2.0 * half * half / z, (root - root.sin()) / (z * root))
    } else {
        let root = (-z).sqrt();
        let half = (0.5 * root).sinh();
        (2.0 * half * half / -z, (root.sinh() - root) / (-z * root))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(q: f64, e: f64, days: f64) -> (f64, f64) {
        let p = from_perihelion(q, e, days).unwrap();
        (p.y.atan2(p.x).to_degrees(), p.x.hypot(p.y))
    }

    /// Meeus, Astronomical Algorithms (2nd ed.), example 34.a and the table on p. 247: true anomaly and distance.
    #[test]
    fn parabola_and_near_parabolas_of_meeus() {
        for (q, e, days, nu, r) in [
            (1.487469, 1.0, 112.5642, 66.78862, 2.133911),
            (0.921326, 1.0, 138.4783, 102.74426, 2.364192),
            (0.1, 0.987, 254.9, 164.50029, 4.063777),
            (0.123456, 0.99997, -30.47, -138.08810, 0.965053),
            (3.363943, 1.05731, 1237.1, 109.40598, 10.668551),
            (0.5871018, 0.9672746, 20.0, 52.85331, 0.729116),
            (0.5871018, 0.9672746, 0.0, 0.0, 0.5871018),
        ] {
            let (got_nu, got_r) = plane(q, e, days);
            assert!((got_nu - nu).abs() < 1e-5, "q {q} e {e}: {got_nu} against {nu}");
            assert!((got_r - r).abs() < 1e-6, "q {q} e {e}: {got_r} against {r}");
        }
    }

    /// Meeus, example 30 tables: E for e = 0.1, M = 5° is 5.554589254°; for e = 0.99, M = 0.2 it is 1.066997365282.
    #[test]
    fn keplers_equation() {
        for (e, mean_anomaly, eccentric) in
            [(0.1, 5f64.to_radians(), 5.554589254f64.to_radians()), (0.99, 0.2, 1.066997365282)]
        {
            let q = 1.0 - e;
            let p = from_perihelion(q, e, mean_anomaly / GAUSS_K).unwrap();
            // x = cos E − e for a = 1
            assert!(((p.x + e).acos() - eccentric).abs() < 1e-10);
        }
    }

    /// Energy and angular momentum hold for every kind of orbit, near and far, before and after perihelion.
    #[test]
    fn conserves_energy_and_angular_momentum() {
        for e in [0.0, 0.2, 0.967, 0.9999999, 1.0, 1.0000001, 1.2, 3.5, 30.0] {
            for q in [0.005, 0.3, 1.0, 6.0] {
                for days in [-36500.0, -400.0, -1.0, 1e-3, 35.0, 3650.0, 36500.0] {
                    let p = from_perihelion(q, e, days).unwrap_or_else(|| panic!("q {q} e {e} t {days}"));
                    let r = p.x.hypot(p.y);
                    let momentum = (p.x * p.vy - p.y * p.vx) / GAUSS_K;
                    let energy = (p.vx * p.vx + p.vy * p.vy) / (GAUSS_K * GAUSS_K) - 2.0 / r;
                    // far out the two products nearly cancel
                    let products = (p.x * p.vy).abs().max((p.y * p.vx).abs()) / GAUSS_K;
                    let miss = (momentum - (q * (1.0 + e)).sqrt()).abs();
                    assert!(
                        miss < 1e-9 * (q * (1.0 + e)).sqrt() + 1e-11 * products,
                        "momentum q {q} e {e} t {days}: {miss} of {products}"
                    );
                    assert!((energy + (1.0 - e) / q).abs() < 1e-9 * (1.0 + 2.0 / q), "energy q {q} e {e} t {days}");
                }
            }
        }
    }

    /// Every orbit has a solution, however far and however flat or wide; it satisfies Kepler's equation of its kind, here in
    /// the true anomaly's form or Barker's, not the one that was solved.
    #[test]
    fn solves_extreme_orbits() {
        for e in [0.0, 1e-9, 0.5, 0.99, 1.0 - 1e-9, 1.0 - 1e-15, 1.0, 1.0 + 1e-15, 1.0 + 1e-9, 1.01, 5.0, 1e3, 1e6] {
            for q in [1e-4, 0.005, 1.0, 50.0] {
                for days in [-1e9, -1e7, -3e4, -1e-6, 0.0, 1e-9, 17.0, 1e5, 1e8] {
                    let p = from_perihelion(q, e, days).unwrap_or_else(|| panic!("q {q} e {e} t {days}"));
                    let r = p.x.hypot(p.y);
                    // the conic: r = q (1 + e) − e x
                    let scale = r.max(e * p.x.abs()).max(q * (1.0 + e));
                    assert!((r - q * (1.0 + e) + e * p.x).abs() < 1e-12 * scale, "conic q {q} e {e} t {days}");
                    assert!(r > q * (1.0 - 1e-12) && (days == 0.0 || e < 1.0 || p.y.signum() == days.signum()));
                    if e == 1.0 {
                        let s = (0.5 * p.y.atan2(p.x)).tan();
                        let barker = (2.0 * q.powi(3)).sqrt() * (s + s.powi(3) / 3.0) / GAUSS_K;
                        assert!((barker - days).abs() <= 1e-9 * days.abs(), "q {q} t {days}: {barker}");
                    }
                }
            }
        }
    }

    /// A hair's breadth from the parabola on either side is as good as on it.
    #[test]
    fn near_parabolas_join_the_parabola() {
        for days in [-5000.0, -20.0, 3.0, 400.0] {
            let on = from_perihelion(0.7, 1.0, days).unwrap();
            for e in [1.0 - 1e-13, 1.0 + 1e-13] {
                let off = from_perihelion(0.7, e, days).unwrap();
                assert!((on.x - off.x).abs() + (on.y - off.y).abs() < 1e-10, "{e} {days}");
            }
        }
    }

    fn elements() -> OrbitElements {
        OrbitElements {
            epoch_jd_tdb: 2_463_000.5,
            perihelion_jd_tdb: 2_463_049.123,
            q_au: 1.2345,
            e: 1.0002,
            inclination_deg: 45.1,
            node_deg: 120.2,
            argument_of_perihelion_deg: 230.3,
            a1_au_d2: 0.0,
            a2_au_d2: 0.0,
            a3_au_d2: 0.0,
        }
    }

    /// With vanishing parameters the integration follows the two-body motion, both ways in time.
    #[test]
    fn integration_agrees_with_two_body_motion() {
        let tiny = OrbitElements { a2_au_d2: 1e-30, ..elements() };
        for days in [-400.0, -3.0, 0.0, 60.0, 400.0] {
            let at = TdbInstant::from_jd(2_463_000.5 + days);
            let (a, b) = (elements().state_at(at).unwrap(), tiny.state_at(at).unwrap());
            for i in 0..3 {
                let miss = (a.position_au[i] - b.position_au[i]).abs();
                assert!(miss < 1e-11, "{days} d: {miss}");
            }
        }
        let pushed = OrbitElements { a1_au_d2: 1e-8, ..elements() };
        let at = TdbInstant::from_jd(2_463_060.5);
        let (a, b) = (elements().state_at(at).unwrap(), pushed.state_at(at).unwrap());
        let moved = crate::angle::norm(crate::angle::minus(a.position_au, b.position_au));
        // ½ A1 g t² with g ≈ 0.6 over 60 days
        assert!(moved > 5e-6 && moved < 2e-5, "{moved}");
    }

    #[test]
    fn refuses_impossible_elements() {
        for (bad, name) in [
            (OrbitElements { q_au: 0.0, ..elements() }, "q_au"),
            (OrbitElements { q_au: f64::NAN, ..elements() }, "q_au"),
            (OrbitElements { e: -0.1, ..elements() }, "e"),
            (OrbitElements { inclination_deg: 181.0, ..elements() }, "inclination_deg"),
        ] {
            let got = bad.state_at(TdbInstant::from_jd(2_463_000.5));
            assert!(matches!(got, Err(SkyError::BadElement { name: n, .. }) if n == name), "{got:?}");
        }
    }
}
