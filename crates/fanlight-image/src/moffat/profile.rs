//! Fast pixel-integrated values of one Moffat profile, with derivatives; and of one drawn out along a trail.

use super::Moffat;
use super::shape::ShapeVector;
use super::trail::{self, TrailProfile};
use std::f64::consts::{LN_2, PI};

/// Gauss-Legendre abscissae on a unit pixel, −0.5 to 0.5, with weights that sum to 1.
type Rule = &'static [(f64, f64)];

const RULE_1: Rule = &[(0.0, 1.0)];
const RULE_2: Rule = &[(-0.288_675_134_594_812_9, 0.5), (0.288_675_134_594_812_9, 0.5)];
const RULE_3: Rule =
    &[(-0.387_298_334_620_741_7, 5.0 / 18.0), (0.0, 8.0 / 18.0), (0.387_298_334_620_741_7, 5.0 / 18.0)];
const RULE_4: Rule = &[
    (-0.430_568_155_797_026_3, 0.173_927_422_568_727),
    (-0.169_990_521_792_428_1, 0.326_072_577_431_273),
    (0.169_990_521_792_428_1, 0.326_072_577_431_273),
    (0.430_568_155_797_026_3, 0.173_927_422_568_727),
];
const RULE_6: Rule = &[
    (-0.466_234_757_101_576, 0.085_662_246_189_585_2),
    (-0.330_604_693_233_132_3, 0.180_380_786_524_069_3),
    (-0.119_309_593_041_598_5, 0.233_956_967_286_345_5),
    (0.119_309_593_041_598_5, 0.233_956_967_286_345_5),
    (0.330_604_693_233_132_3, 0.180_380_786_524_069_3),
    (0.466_234_757_101_576, 0.085_662_246_189_585_2),
];

/// Error allowed to a pixel's integral, as a share of the central intensity. Three times more costs flux at 1e-4 for
/// stars of 1.6 px.
const INTEGRAL_TOLERANCE: f64 = 3e-5;

/// The same where one point stands for a pixel: its errors all have one sign and add up over thousands of pixels.
const ONE_POINT_TOLERANCE: f64 = 1e-7;

/// A Moffat profile prepared for many pixels.
pub(crate) struct PixelProfile {
    /// Elliptical radius squared over alpha squared is `cxx dx² + 2 cxy dx dy + cyy dy²`.
    cxx: f64,
    cxy: f64,
    cyy: f64,
    /// Central intensity for unit flux, per square pixel.
    central: f64,
    beta: f64,
    /// `x^−(β + 1)`: times `x` it is the profile, and times −β the profile's slope, without a division.
    power: InversePower,
    /// `1 + R²` from which 1, 2, 3, and 4 points a side suffice.
    enough: [f64; 4],
    /// `1 + R²` from which the middle's value with its curvature suffices.
    curved_from: f64,
}

/// Integrals over a pixel; `f = (1 + q)^−β`, `g = df/dq`.
#[derive(Default)]
struct Sums {
    f: f64,
    f_log: f64,
    g_x: f64,
    g_y: f64,
    g_xx: f64,
    g_xy: f64,
    g_yy: f64,
}

/// Derivatives of a pixel's value.
pub(crate) struct PixelSlope {
    /// The value, for unit flux.
    pub value: f64,
    /// With the star's centre.
    pub by_centre: [f64; 2],
    /// With the components of a [`ShapeVector`].
    pub by_shape: [f64; 6],
}

/// A star's image prepared for many pixels: the profile alone, or its mean over a trail.
pub(crate) struct StarProfile {
    seeing: PixelProfile,
    trail: Option<TrailProfile>,
}

impl StarProfile {
    pub(crate) fn new(seeing: &Moffat, trail_px: (f64, f64)) -> Self {
        let profile = PixelProfile::new(seeing);
        let form = [profile.cxx, profile.cxy, profile.cyy];
        let trail = trail::is_one(trail_px, seeing.fwhm_minor_px);
        let trail = trail.then(|| TrailProfile::new(form, seeing.beta, trail_px));
        Self { seeing: profile, trail }
    }

    /// Value of a pixel `(dx, dy)` from the star's centre, for unit flux.
    #[inline]
    pub(crate) fn value(&self, dx_px: f64, dy_px: f64) -> f64 {
        let Some(trail) = &self.trail else { return self.seeing.value(dx_px, dy_px) };
        let mut sum = 0.0;
        self.each_point(trail, dx_px, dy_px, |w, x, y| sum += w * trail.value(trail.place(x, y)));
        self.seeing.central * sum
    }

    /// Intensity at `(dx, dy)` for unit flux, per square pixel.
    pub(crate) fn point(&self, dx_px: f64, dy_px: f64) -> f64 {
        match &self.trail {
            Some(trail) => self.seeing.central * trail.value(trail.place(dx_px, dy_px)),
            None => self.seeing.point(dx_px, dy_px),
        }
    }

    /// Value and its derivatives with the star's centre.
    #[inline]
    pub(crate) fn value_and_centre_slope(&self, dx_px: f64, dy_px: f64) -> [f64; 3] {
        let Some(trail) = &self.trail else { return self.seeing.value_and_centre_slope(dx_px, dy_px) };
        let (mut value, mut mixed, mut px, mut py) = (0.0, 0.0, 0.0, 0.0);
        self.each_point(trail, dx_px, dy_px, |w, x, y| {
            let slope = trail.slope(trail.place(x, y), &self.seeing.power);
            value += w * slope.value;
            mixed += w * slope.mixed;
            px += w * slope.place * x;
            py += w * slope.place * y;
        });
        let [gx, gy] = self.by_place(trail, [px, py], mixed);
        [self.seeing.central * value, -gx, -gy]
    }

    /// Value and all its derivatives; `vector` must be the one that the profile was made from.
    pub(crate) fn value_and_slope(&self, vector: &ShapeVector, slope: &ShapeSlope, dx: f64, dy: f64) -> PixelSlope {
        let Some(trail) = &self.trail else { return self.seeing.value_and_slope(vector, slope, dx, dy) };
        let (mut value, mut direct_beta, mut square) = (0.0, 0.0, 0.0);
        // sums of the derivatives with the place's square, and with its product with the trail, times the place
        let (mut p, mut pp, mut m, mut mixed) = ([0.0; 2], [0.0; 3], [0.0; 2], 0.0);
        self.each_point(trail, dx, dy, |w, x, y| {
            let s = trail.slope(trail.place(x, y), &self.seeing.power);
            value += w * s.value;
            direct_beta += w * s.by_beta;
            square += w * s.trail;
            mixed += w * s.mixed;
            let (place, mix) = (w * s.place, w * s.mixed);
            p[0] += place * x;
            p[1] += place * y;
            pp[0] += place * x * x;
            pp[1] += place * x * y;
            pp[2] += place * y * y;
            m[0] += mix * x;
            m[1] += mix * y;
        });
        let [tx, ty] = trail.trail_px();
        let by_form = |f: &[f64; 3]| {
            f[0] * (pp[0] + tx * m[0] + square * tx * tx)
                + f[1] * (2.0 * pp[1] + ty * m[0] + tx * m[1] + 2.0 * square * tx * ty)
                + f[2] * (pp[2] + ty * m[1] + square * ty * ty)
        };
        let q = &self.seeing;
        let radial = by_form(&[q.cxx, q.cxy, q.cyy]);
        let by_beta = value / (q.beta - 1.0) + direct_beta - 2.0 * slope.log_alpha_by_beta * (value + radial);
        let [gx, gy] = self.by_place(trail, p, mixed);
        let formed = trail.formed();
        PixelSlope {
            value: q.central * value,
            by_centre: [-gx, -gy],
            by_shape: [
                -2.0 * q.central * (value + radial),
                q.central * by_form(&slope.form_by_e1),
                q.central * by_form(&slope.form_by_e2),
                q.central * by_beta * vector.beta_slope(),
                q.central * (q.cxx * m[0] + q.cxy * m[1] + 2.0 * square * formed[0]),
                q.central * (q.cxy * m[0] + q.cyy * m[1] + 2.0 * square * formed[1]),
            ],
        }
    }

    /// Derivative of the value with the place, from the sums over a pixel's points.
    fn by_place(&self, trail: &TrailProfile, place: [f64; 2], mixed: f64) -> [f64; 2] {
        let (q, formed) = (&self.seeing, trail.formed());
        let along = |cx: f64, cy: f64, f: f64| q.central * (2.0 * (cx * place[0] + cy * place[1]) + mixed * f);
        [along(q.cxx, q.cxy, formed[0]), along(q.cxy, q.cyy, formed[1])]
    }

    /// Points of a pixel and their weights: as many as the nearest part of the trail needs.
    #[inline]
    fn each_point(&self, trail: &TrailProfile, dx: f64, dy: f64, visit: impl FnMut(f64, f64, f64)) {
        self.seeing.points_for(1.0 + trail.place(dx, dy).distance2, dx, dy, visit);
    }
}

impl PixelProfile {
    pub(crate) fn new(shape: &Moffat) -> Self {
        let (major, minor) = (shape.alpha_major_px(), shape.alpha_minor_px());
        let (sin, cos) = shape.angle_rad.sin_cos();
        let (a, b) = (1.0 / (major * major), 1.0 / (minor * minor));
        let beta = shape.beta;
        // remainder of an n-point rule on a unit pixel: c(n) times the 2n-th derivative, which for (1 + q)^−β is
        // about (2β/α)^2n (1 + q)^(−β−n) at most
        let steep = 2.0 * beta / minor;
        let from =
            |n: i32, c: f64, tolerance: f64| (steep.powi(2 * n) * c / tolerance).powf(1.0 / (beta + f64::from(n)));
        let enough = [
            from(1, 1.0 / 24.0, ONE_POINT_TOLERANCE),
            from(2, 1.0 / 4320.0, INTEGRAL_TOLERANCE),
            from(3, 1.0 / 2_016_000.0, INTEGRAL_TOLERANCE),
            from(4, 1.0 / 1_778_112_000.0, INTEGRAL_TOLERANCE),
        ];
        Self {
            cxx: a * cos * cos + b * sin * sin,
            cxy: (a - b) * sin * cos,
            cyy: a * sin * sin + b * cos * cos,
            central: (beta - 1.0) / (PI * major * minor),
            beta,
            power: InversePower::new(beta + 1.0),
            enough,
            curved_from: from(2, 1.0 / 1000.0, INTEGRAL_TOLERANCE),
        }
    }

    /// Value of a pixel `(dx, dy)` from the star's centre, for unit flux.
    pub(crate) fn value(&self, dx_px: f64, dy_px: f64) -> f64 {
        let middle = 1.0 + self.radius2(dx_px, dy_px);
        if middle >= self.curved_from {
            return self.central * self.curved(middle, dx_px, dy_px).value;
        }
        let mut sum = 0.0;
        self.points_for(middle, dx_px, dy_px, |w, x, y| {
            let t = 1.0 + self.radius2(x, y);
            sum += w * t * self.power.of(t);
        });
        self.central * sum
    }

    /// Intensity at `(dx, dy)` for unit flux, per square pixel.
    pub(crate) fn point(&self, dx_px: f64, dy_px: f64) -> f64 {
        let t = 1.0 + self.radius2(dx_px, dy_px);
        self.central * t * self.power.of(t)
    }

    /// Value and its derivatives with the star's centre.
    #[inline]
    pub(crate) fn value_and_centre_slope(&self, dx_px: f64, dy_px: f64) -> [f64; 3] {
        let middle = 1.0 + self.radius2(dx_px, dy_px);
        let (mut f_sum, mut g_x, mut g_y) = (0.0, 0.0, 0.0);
        if middle >= self.curved_from {
            let c = self.curved(middle, dx_px, dy_px);
            let [x, y] = c.by_place(dx_px, dy_px);
            (f_sum, g_x, g_y) = (c.value, -x / self.beta, -y / self.beta);
        } else {
            self.points_for(middle, dx_px, dy_px, |w, x, y| {
                let t = 1.0 + self.radius2(x, y);
                let g = w * self.power.of(t);
                f_sum += g * t;
                g_x += g * x;
                g_y += g * y;
            });
        }
        let scale = 2.0 * self.beta * self.central;
        [self.central * f_sum, scale * (self.cxx * g_x + self.cxy * g_y), scale * (self.cxy * g_x + self.cyy * g_y)]
    }

    /// Value and all its derivatives; `vector` must be the one that the profile was made from.
    pub(crate) fn value_and_slope(&self, vector: &ShapeVector, slope: &ShapeSlope, dx: f64, dy: f64) -> PixelSlope {
        let beta = self.beta;
        let s = self.sums(dx, dy);
        let radial = self.cxx * s.g_xx + 2.0 * self.cxy * s.g_xy + self.cyy * s.g_yy;
        let form = |m: &[f64; 3]| m[0] * s.g_xx + 2.0 * m[1] * s.g_xy + m[2] * s.g_yy;
        let by_beta = s.f / (beta - 1.0) - s.f_log - 2.0 * slope.log_alpha_by_beta * (s.f + radial);
        PixelSlope {
            value: self.central * s.f,
            by_centre: [
                -2.0 * self.central * (self.cxx * s.g_x + self.cxy * s.g_y),
                -2.0 * self.central * (self.cxy * s.g_x + self.cyy * s.g_y),
            ],
            by_shape: [
                -2.0 * self.central * (s.f + radial),
                self.central * form(&slope.form_by_e1),
                self.central * form(&slope.form_by_e2),
                self.central * by_beta * vector.beta_slope(),
                0.0,
                0.0,
            ],
        }
    }

    #[inline]
    fn radius2(&self, x: f64, y: f64) -> f64 {
        (self.cxx * x + 2.0 * self.cxy * y) * x + self.cyy * y * y
    }

    /// The integrals that all derivatives are made of.
    fn sums(&self, dx: f64, dy: f64) -> Sums {
        let middle = 1.0 + self.radius2(dx, dy);
        let mut s = Sums::default();
        if middle >= self.curved_from {
            let c = self.curved(middle, dx, dy);
            (s.f, s.f_log) = (c.value, c.minus_by_beta(self.beta, middle.ln()));
            [s.g_x, s.g_y] = c.by_place(dx, dy);
            [s.g_xx, s.g_xy, s.g_yy] = c.by_form(dx, dy);
            return s;
        }
        self.points_for(middle, dx, dy, |w, x, y| {
            let t = 1.0 + self.radius2(x, y);
            let (power, log) = (self.power.of(t), t.ln());
            let f = w * power * t;
            let g = -self.beta * w * power;
            s.f += f;
            s.f_log += f * log;
            s.g_x += g * x;
            s.g_y += g * y;
            s.g_xx += g * x * x;
            s.g_xy += g * x * y;
            s.g_yy += g * y * y;
        });
        s
    }

    /// The middle of a pixel with its curvature, `t = 1 + R²` there.
    #[inline]
    fn curved(&self, t: f64, x: f64, y: f64) -> Curved {
        let beta = self.beta;
        let (power, inverse) = (self.power.of(t), 1.0 / t);
        let first = -beta * power;
        let second = -(beta + 1.0) * inverse * first;
        let third = -(beta + 2.0) * inverse * second;
        let half_x = self.cxx * x + self.cxy * y;
        let half_y = self.cxy * x + self.cyy * y;
        let steepness = 4.0 * (half_x * half_x + half_y * half_y);
        let trace = 2.0 * (self.cxx + self.cyy);
        let f = power * t;
        let value = f + (second * steepness + first * trace) / 24.0;
        Curved { f, first, second, third, half_x, half_y, steepness, trace, value }
    }

    /// Points of a pixel of which the nearest light has `t = 1 + R²`.
    #[inline]
    fn points_for(&self, t: f64, dx: f64, dy: f64, mut visit: impl FnMut(f64, f64, f64)) {
        let rules = [RULE_1, RULE_2, RULE_3, RULE_4];
        let rule = rules.into_iter().zip(&self.enough).find(|(_, from)| t >= **from).map_or(RULE_6, |(rule, _)| rule);
        for (v, wv) in rule {
            for (u, wu) in rule {
                visit(wu * wv, dx + u, dy + v);
            }
        }
    }
}

/// A pixel's integral by the profile `f` of `q = R²` in its middle and its curvature there, `f + ∇²f / 24`, in which
/// `∇²f = f″ |∇q|² + f′ ∇²q`: as good as two points a side at the price of one.
struct Curved {
    f: f64,
    /// f′, f″ and f‴, derivatives with q.
    first: f64,
    second: f64,
    third: f64,
    /// Half of ∇q.
    half_x: f64,
    half_y: f64,
    /// |∇q|².
    steepness: f64,
    /// ∇²q.
    trace: f64,
    /// The integral.
    value: f64,
}

impl Curved {
    /// Derivative of the integral with q, were ∇q to stay.
    #[inline]
    fn by_q(&self) -> f64 {
        self.first + (self.third * self.steepness + self.second * self.trace) / 24.0
    }

    /// What stands for `g x` and `g y` of a pixel's points.
    #[inline]
    fn by_place(&self, x: f64, y: f64) -> [f64; 2] {
        let (by_q, turned) = (self.by_q(), self.second / 6.0);
        [by_q * x + turned * self.half_x, by_q * y + turned * self.half_y]
    }

    /// What stands for `g x²`, `g x y` and `g y²`.
    #[inline]
    fn by_form(&self, x: f64, y: f64) -> [f64; 3] {
        let (by_q, third, twelfth) = (self.by_q(), self.second / 3.0, self.first / 12.0);
        [
            by_q * x * x + third * self.half_x * x + twelfth,
            by_q * x * y + 0.5 * third * (self.half_x * y + self.half_y * x),
            by_q * y * y + third * self.half_y * y + twelfth,
        ]
    }

    /// Minus the derivative with β, the form held; `log` is ln(1 + q).
    #[inline]
    fn minus_by_beta(&self, beta: f64, log: f64) -> f64 {
        let curvature = self.second * (log - 1.0 / beta - 1.0 / (beta + 1.0)) * self.steepness
            + self.first * (log - 1.0 / beta) * self.trace;
        log * self.f + curvature / 24.0
    }
}

/// Derivatives of the profile's coefficients with the components of a [`ShapeVector`], the same for every pixel.
pub(crate) struct ShapeSlope {
    form_by_e1: [f64; 3],
    form_by_e2: [f64; 3],
    log_alpha_by_beta: f64,
}

impl ShapeSlope {
    pub(crate) fn new(vector: &ShapeVector) -> Self {
        let shape = vector.seeing();
        let alpha2 = shape.alpha_major_px() * shape.alpha_minor_px();
        let [e1, e2] = vector.ellipticity;
        let eta = e1.hypot(e2);
        // sinh(2η)/η and its derivative over η, by series where the quotient loses digits
        let (s, s_slope) = if eta < 1e-2 {
            (2.0 + 4.0 / 3.0 * eta * eta, 8.0 / 3.0 + 16.0 / 15.0 * eta * eta)
        } else {
            let s = (2.0 * eta).sinh() / eta;
            (s, (2.0 * (2.0 * eta).cosh() - s) / (eta * eta))
        };
        let form = |e: f64, unit: [f64; 2]| {
            let trace = 2.0 * s * e;
            [
                (trace - s_slope * e * e1 - s * unit[0]) / alpha2,
                (-s_slope * e * e2 - s * unit[1]) / alpha2,
                (trace + s_slope * e * e1 + s * unit[0]) / alpha2,
            ]
        };
        let root = (LN_2 / shape.beta).exp();
        Self {
            form_by_e1: form(e1, [1.0, 0.0]),
            form_by_e2: form(e2, [0.0, 1.0]),
            log_alpha_by_beta: 0.5 * LN_2 / (shape.beta * shape.beta) * root / (root - 1.0),
        }
    }
}

/// `x^−p` for one p and any x ≥ 1, several times faster than `powf`.
///
/// `x = 2^k m_j (1 + δ)` with `m_j` one of 32 nodes in [1, 2) and |δ| ≤ 1/64: the first two factors come from tables,
/// the third from five terms of the binomial series, whose rest is under 3e-7 for p ≤ 11.
pub(crate) struct InversePower {
    by_exponent: [f64; EXPONENTS],
    by_node: [f64; NODES],
    series: [f64; 5],
}

const NODES: usize = 32;
/// Beyond 2^40 the profile is under 1e-12 of its centre even for β = 1.
const EXPONENTS: usize = 40;

const NODE: [f64; NODES] = {
    let mut nodes = [0.0; NODES];
    let mut j = 0;
    while j < NODES {
        nodes[j] = 1.0 + (j as f64 + 0.5) / NODES as f64;
        j += 1;
    }
    nodes
};
const INVERSE_NODE: [f64; NODES] = {
    let mut inverse = [0.0; NODES];
    let mut j = 0;
    while j < NODES {
        inverse[j] = 1.0 / NODE[j];
        j += 1;
    }
    inverse
};

impl InversePower {
    pub(crate) fn new(power: f64) -> Self {
        let step = (-power * LN_2).exp();
        let mut by_exponent = [1.0; EXPONENTS];
        for k in 1..EXPONENTS {
            by_exponent[k] = by_exponent[k - 1] * step;
        }
        let by_node = NODE.map(|m| m.powf(-power));
        let mut series = [0.0; 5];
        let mut term = 1.0;
        for (n, coefficient) in series.iter_mut().enumerate() {
            term *= -(power + n as f64) / (n + 1) as f64;
            *coefficient = term;
        }
        Self { by_exponent, by_node, series }
    }

    #[inline]
    pub(crate) fn of(&self, x: f64) -> f64 {
        let (k, j, d) = split(x);
        if k >= EXPONENTS {
            return 0.0;
        }
        let [a, b, c, e, f] = self.series;
        self.by_exponent[k] * self.by_node[j] * (1.0 + d * (a + d * (b + d * (c + d * (e + d * f)))))
    }
}

/// Exponent, node and relative distance from the node of `x ≥ 1`.
#[inline]
fn split(x: f64) -> (usize, usize, f64) {
    let bits = x.to_bits();
    let k = ((bits >> 52) as usize).wrapping_sub(1023);
    let j = ((bits >> 47) & 31) as usize;
    let m = f64::from_bits((bits & 0x000f_ffff_ffff_ffff) | 0x3ff0_0000_0000_0000);
    (k, j, m * INVERSE_NODE[j] - 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_power_is_a_power() {
        for beta in [1.5, 2.5, 3.0, 4.765, 11.0] {
            let power = InversePower::new(beta);
            let mut x: f64 = 1.0;
            while x < 1e9 {
                let exact = x.powf(-beta);
                assert!((power.of(x) / exact - 1.0).abs() < 3e-7, "{x}^-{beta}");
                x *= 1.0037;
            }
        }
        assert_eq!(InversePower::new(2.0).of(1e300), 0.0);
    }

    #[test]
    fn slopes_agree_with_differences() {
        let vector =
            ShapeVector { ln_fwhm: 0.9, ellipticity: [0.11, -0.07], beta_coordinate: 0.3, trail_px: [0.0, 0.0] };
        let round = ShapeVector { ellipticity: [0.0, 0.0], ..vector };
        let trailed = ShapeVector { trail_px: [3.1, -1.9], ..vector };
        for (vector, n) in [(vector, 4), (round, 4), (trailed, 6)] {
            let profile = StarProfile::new(&vector.seeing(), vector.trail());
            let slope = ShapeSlope::new(&vector);
            for (dx, dy) in [(0.0, 0.0), (0.4, -0.3), (1.3, 2.2), (-5.0, 3.1), (9.0, 9.5)] {
                let exact = profile.value_and_slope(&vector, &slope, dx, dy);
                // 1e-5 of the integral's own error divided by the step stays under the tolerance only on the same
                // rule, so steps are large and the tolerance is set by the truncation of the central difference
                let step = 1e-3;
                let at = |x: f64, y: f64| profile.value(x, y);
                let numeric_x = -(at(dx + step, dy) - at(dx - step, dy)) / (2.0 * step);
                let numeric_y = -(at(dx, dy + step) - at(dx, dy - step)) / (2.0 * step);
                let scale = profile.seeing.central;
                assert!((exact.by_centre[0] - numeric_x).abs() < 2e-5 * scale, "x at {dx} {dy}");
                assert!((exact.by_centre[1] - numeric_y).abs() < 2e-5 * scale, "y at {dx} {dy}");
                let short = profile.value_and_centre_slope(dx, dy);
                assert!((short[0] - exact.value).abs() < 1e-12 && (short[1] - exact.by_centre[0]).abs() < 1e-12);
                assert!((short[2] - exact.by_centre[1]).abs() < 1e-12);
                for k in 0..n {
                    let shifted = |by: f64| {
                        let mut v = vector.to_array();
                        v[k] += by;
                        let v = ShapeVector::from_array(v);
                        StarProfile::new(&v.seeing(), v.trail()).value(dx, dy)
                    };
                    let numeric = (shifted(step) - shifted(-step)) / (2.0 * step);
                    assert!((exact.by_shape[k] - numeric).abs() < 2e-5 * scale, "shape {k} at {dx} {dy}");
                }
            }
        }
    }
}
