//! The shape of a feature: wedge or arc fitted to what the search found, with errors.

use super::bank::{Best, Template};
use super::mode_space::{MAX_MODES, ModeSpace, off_rad};
use super::nuisance::{Amplitude, Nuisance, Nuisances, Source};
use super::shapes::{Azimuthal, HATS, Shapes, Wedge, arc_azimuth, gaussian_azimuth};
use nalgebra::{DMatrix, DVector};

/// A fitted shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A wedge.
    Wedge(WedgeShape),
    /// An arc.
    Arc(ArcShape),
}

/// A wedge by its numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct WedgeShape {
    /// Position angle at the pivot.
    pub pa_rad: f64,
    /// Where it has that position angle.
    pub pivot_px: f64,
    /// Full width at half maximum in position angle, before blurring.
    pub width_rad: f64,
    /// Change of position angle with distance.
    pub curvature_rad_per_px: f64,
    /// Distance at which it has risen to half; `None` where it begins at the nucleus.
    pub onset_px: Option<f64>,
    /// Distance at which it has fallen to half; `None` where it goes on to the end of the search.
    pub fade_px: Option<f64>,
    /// How steeply it rises: 4 for a jet that begins away from the nucleus, 1 for a tail that gathers slowly.
    pub rise_power: i32,
}

/// An arc by its numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct ArcShape {
    /// Its middle.
    pub pa_rad: f64,
    /// Its length in position angle at half maximum.
    pub length_rad: f64,
    /// Distance of the crest.
    pub radius_px: f64,
    /// Radial full width at half maximum, before blurring.
    pub width_px: f64,
}

impl Shape {
    /// With height 1, in a space of the night whose building blocks these are.
    pub fn unit(&self, space: &ModeSpace, shapes: &Shapes) -> DVector<f64> {
        match self {
            Self::Wedge(w) => shapes.wedge(space, &w.wedge(shapes)),
            Self::Arc(a) => {
                let factors = shapes.arc_factors(space, a.radius_px, a.width_px);
                shapes.arc(space, &factors, a.pa_rad, &arc_azimuth(a.length_rad))
            }
        }
    }

    /// Width of a wedge, length of an arc: full, at half maximum, in position angle.
    pub fn width_rad(&self) -> f64 {
        match self {
            Self::Wedge(w) => w.width_rad,
            Self::Arc(a) => a.length_rad,
        }
    }

    /// Whether it is as wide as fans and tails.
    pub(super) fn is_broad(&self) -> bool {
        self.width_rad() >= BROAD_FROM_RAD
    }
}

/// How steeply a wedge falls at its outer end, and rises at its inner one unless it gathers slowly.
const FALL_POWER: i32 = 6;
const RISE_POWER: i32 = 4;
/// It has fallen to half this much further out than it has risen to half, at least.
const LEAST_LENGTH: f64 = 1.6;

impl WedgeShape {
    /// As a wedge of height 1.
    pub fn wedge(&self, shapes: &Shapes) -> Wedge {
        Wedge {
            pa_rad: self.pa_rad,
            pivot_px: self.pivot_px,
            width_rad: self.width_rad,
            curvature_rad_per_px: self.curvature_rad_per_px,
            run: shapes.knots_px.map(|k| self.run(k)),
        }
    }

    /// Position angle of the ridge at a distance.
    pub fn ridge_rad(&self, rho_px: f64) -> f64 {
        self.pa_rad + self.curvature_rad_per_px * (rho_px - self.pivot_px)
    }

    /// Height at a distance, 1 at most.
    pub fn run(&self, rho_px: f64) -> f64 {
        let rise = self.onset_px.map_or(1.0, |o| 1.0 / (1.0 + (o / rho_px).powi(self.rise_power)));
        let fall = self.fade_px.map_or(1.0, |f| 1.0 / (1.0 + (rho_px / f).powi(FALL_POWER)));
        rise * fall
    }
}

/// A fitted feature.
#[derive(Debug, Clone)]
pub struct Fitted {
    /// Its shape.
    pub shape: Shape,
    /// Height: share of the coma's own light, before blurring.
    pub amplitude: f64,
    /// Covariance of the amplitude and the shape's parameters: position angle, logarithm of the width or length; then of a wedge
    /// curvature, logarithms of onset and fade, as far as they are free, of an arc radius and logarithm of its radial width.
    pub covariance: DMatrix<f64>,
    /// Twice the gain in log likelihood over none.
    pub gain: f64,
    /// Height 1 in the space of the search.
    pub unit: DVector<f64>,
    /// Derivatives with respect to the shape's parameters, height 1.
    pub derivatives: Vec<DVector<f64>>,
    /// Of another, broad feature whose light this only describes better: not a feature of its own.
    pub correction_of: Option<usize>,
    /// −1 of what is darker than the coma: then `amplitude` is its depth.
    pub sign: f64,
}

/// Where a feature is sought: the night less what is not it.
pub struct FitContext<'a> {
    /// Rings and modes.
    pub space: &'a ModeSpace,
    /// Building blocks.
    pub shapes: &'a Shapes,
    /// All that is not the feature.
    pub nuisances: &'a Nuisances,
    /// The data.
    pub data: &'a DVector<f64>,
    /// Inner and outer edge of the search.
    pub reach_px: (f64, f64),
    /// Pixel scale.
    pub scale_arcsec: f64,
}

/// Which numbers of a shape are free, as an unbounded vector.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Free {
    curvature: bool,
    onset: Option<i32>,
    fade: bool,
}

/// Prior scatter of a wedge's curvature, degrees per arcsec, of the logarithm of its width about 30°, and of its ends.
const CURVATURE_SIGMA_DEG_PER_ARCSEC: f64 = 1.2;
const WIDTH_MIDDLE_DEG: f64 = 30.0;
const LN_WIDTH_SIGMA: f64 = 1.0;
const LN_END_SIGMA: f64 = 1.0;
/// An end or a bend is taken where it raises twice the log likelihood by more.
const WORTH: f64 = 6.0;
/// A fit must keep this share of the significance of the template that it began with.
const LEAST_KEPT: f64 = 0.8;
/// Radial width of an arc over its distance, at most, and its inner edge over that of the search, at least.
const ARC_THICK: f64 = 0.7;
const ARC_CLEAR: f64 = 1.5;
/// Arcs shorter than this are none.
const SPOT_TO_RAD: f64 = 0.8;
/// Where a fit looks for an arc at a wedge's outer end, and how thick it begins, as shares of the end's distance.
const OUTER_ARC: f64 = 0.9;
const ARC_WIDTH: f64 = 0.3;
/// Shortest arc that a fit begins with.
const LEAST_ARC_RAD: f64 = 0.7;
const ROUNDS: usize = 25;

impl FitContext<'_> {
    /// Fits the shape that the best template of a search suggests; `None` where the fit is lost.
    ///
    /// It is an arc where that explains more than a wedge does, and it is clear of the nucleus and thin for its distance.
    pub fn fit(&self, best: &Best) -> Option<Fitted> {
        let (wedge, arcs) = self.starts(&best.template)?;
        // the search leaves small parts of templates out, which counts where nuisances take nearly all of them
        let begun = match best.template.wedge(self.scale_arcsec) {
            Some(wedge) => self.shapes.wedge(self.space, &wedge),
            None => Shape::Arc(arcs.first()?.clone()).unit(self.space, self.shapes),
        };
        let begun = Amplitude::of(&begun, self.nuisances, self.data).significance();
        let least_significance = LEAST_KEPT * begun.min(best.significance);
        let wedge = self.fit_wedge(wedge);
        let least = wedge.as_ref().map_or(f64::NEG_INFINITY, |w| w.gain + WORTH);
        let arcs = arcs.into_iter().filter_map(|arc| self.fit_arc(arc)).filter(|a| self.is_arc(a) && a.gain > least);
        let arc = arcs.max_by(|a, b| a.gain.total_cmp(&b.gain));
        // a fit that went elsewhere says nothing of what was found
        arc.or(wedge).filter(|f| f.significance() > least_significance)
    }

    /// The wedge and the arcs with which fits of a template begin.
    fn starts(&self, template: &Template) -> Option<(WedgeShape, Vec<ArcShape>)> {
        let (inner, knots) = (self.reach_px.0, &self.shapes.knots_px);
        Some(match template {
            Template::Wedge { first_knot, end_knot, .. } => {
                let wedge = template.wedge(self.scale_arcsec)?;
                let (from, to) = (knots[*first_knot], knots[(*end_knot - 1).min(HATS - 1)]);
                let pivot_px = (from * to).sqrt();
                let start = WedgeShape {
                    pa_rad: wedge.ridge_rad(pivot_px),
                    pivot_px,
                    width_rad: wedge.width_rad,
                    curvature_rad_per_px: wedge.curvature_rad_per_px,
                    onset_px: (*first_knot > 0).then_some(from),
                    fade_px: Some(to * if *end_knot < HATS { 1.15 } else { 1.4 }),
                    rise_power: RISE_POWER,
                };
                let arc = |radius_px: f64, width_px: f64| ArcShape {
                    pa_rad: wedge.ridge_rad(radius_px),
                    length_rad: wedge.width_rad.max(LEAST_ARC_RAD),
                    radius_px,
                    width_px: width_px.max(knots[0]),
                };
                // a wide wedge from the nucleus finds an arc at its outer end
                (start, vec![arc(pivot_px, to - from), arc(OUTER_ARC * to, ARC_WIDTH * to)])
            }
            Template::Arc { pa_rad, length_rad, arc } => {
                let (radius_px, width_px) = self.shapes.arcs_px[*arc];
                let (from, to) = (radius_px - 0.5 * width_px, radius_px + 0.5 * width_px);
                let start = WedgeShape {
                    pa_rad: *pa_rad,
                    pivot_px: radius_px,
                    width_rad: *length_rad,
                    curvature_rad_per_px: 0.0,
                    onset_px: (from > ARC_CLEAR * inner).then_some(from),
                    fade_px: Some(to),
                    rise_power: RISE_POWER,
                };
                (start, vec![ArcShape { pa_rad: *pa_rad, length_rad: *length_rad, radius_px, width_px }])
            }
        })
    }

    /// Fits again from a shape found before, with other nuisances or data.
    pub fn fit_again(&self, before: &Shape) -> Option<Fitted> {
        match before {
            Shape::Arc(arc) => self.fit_arc(arc.clone()),
            Shape::Wedge(wedge) => {
                let free = Free {
                    curvature: wedge.curvature_rad_per_px != 0.0,
                    onset: wedge.onset_px.map(|_| wedge.rise_power),
                    fade: wedge.fade_px.is_some(),
                };
                self.run_wedge(wedge.clone(), free)
            }
        }
    }

    /// Whether what is fitted as an arc is one: light that reaches to the nucleus is a ray.
    fn is_arc(&self, fitted: &Fitted) -> bool {
        let Shape::Arc(a) = &fitted.shape else { return false };
        a.width_px < ARC_THICK * a.radius_px && a.radius_px - 0.5 * a.width_px > ARC_CLEAR * self.reach_px.0
    }

    /// A wedge with and without its inner end, which rises steeply or slowly.
    fn fit_wedge(&self, start: WedgeShape) -> Option<Fitted> {
        let run = |start: WedgeShape| {
            let onset = start.onset_px.map(|_| start.rise_power);
            self.run_wedge(start, Free { curvature: true, onset, fade: true })
        };
        let mut best = run(WedgeShape { onset_px: None, ..start.clone() });
        let onset_px = Some(start.onset_px.unwrap_or(1.3 * self.reach_px.0));
        for rise_power in [RISE_POWER, 1] {
            let begins = match &best {
                Some(Fitted { shape: Shape::Wedge(w), .. }) if start.onset_px.is_none() => w,
                _ => &start,
            };
            let with = run(WedgeShape { onset_px, rise_power, ..begins.clone() });
            let gain = best.as_ref().map_or(0.0, |b| b.gain);
            if let Some(with) = with.filter(|w| w.gain > gain + WORTH) {
                best = Some(with);
            }
        }
        best
    }

    fn run_wedge(&self, start: WedgeShape, free: Free) -> Option<Fitted> {
        let scale = self.scale_arcsec;
        let to_numbers = |w: &WedgeShape| {
            let mut p = vec![w.pa_rad, w.width_rad.ln()];
            if free.curvature {
                p.push(w.curvature_rad_per_px);
            }
            if free.onset.is_some() {
                p.push(w.onset_px.unwrap_or(self.reach_px.0).ln());
            }
            if free.fade {
                p.push(w.fade_px.unwrap_or(self.reach_px.1).ln());
            }
            p
        };
        let (inner, outer) = self.reach_px;
        let from_numbers = |p: &[f64]| {
            let mut rest = p[2..].iter();
            let mut next = || rest.next().copied().unwrap_or(0.0);
            let curvature_rad_per_px = if free.curvature { next() } else { 0.0 };
            let onset_px = free.onset.map(|_| next().exp().clamp(0.3 * inner, 0.6 * outer));
            let shortest = (1.1 * inner).max(LEAST_LENGTH * onset_px.unwrap_or(0.0));
            WedgeShape {
                pa_rad: p[0],
                pivot_px: start.pivot_px,
                width_rad: p[1].exp().clamp(4f64.to_radians(), 200f64.to_radians()),
                curvature_rad_per_px,
                onset_px,
                fade_px: free.fade.then(|| next().exp().clamp(shortest, 3.0 * outer)),
                rise_power: free.onset.unwrap_or(RISE_POWER),
            }
        };
        let first = to_numbers(&start);
        let mut priors = vec![(first[0], f64::INFINITY), (WIDTH_MIDDLE_DEG.to_radians().ln(), LN_WIDTH_SIGMA)];
        if free.curvature {
            priors.push((0.0, CURVATURE_SIGMA_DEG_PER_ARCSEC.to_radians() * scale));
        }
        if free.onset.is_some() {
            priors.push(((2.0 * inner).ln(), LN_END_SIGMA));
        }
        if free.fade {
            priors.push(((inner * outer).sqrt().ln(), 1.5 * LN_END_SIGMA));
        }
        let shape = |p: &[f64]| Shape::Wedge(from_numbers(p));
        let solved = self.gauss_newton(&first, &priors, &|p| shape(p).unit(self.space, self.shapes))?;
        Some(solved.into_fitted(shape))
    }

    fn fit_arc(&self, start: ArcShape) -> Option<Fitted> {
        let (inner, outer) = self.reach_px;
        let from_numbers = |p: &[f64]| ArcShape {
            pa_rad: p[0],
            length_rad: p[1].exp().clamp(0.3, 5.5),
            radius_px: p[2].clamp(inner, outer),
            width_px: p[3].exp().clamp(0.7, 0.8 * outer),
        };
        let first = [start.pa_rad, start.length_rad.ln(), start.radius_px, start.width_px.ln()];
        let priors = [
            (first[0], f64::INFINITY),
            (90f64.to_radians().ln(), LN_WIDTH_SIGMA),
            (first[2], f64::INFINITY),
            (first[3], LN_END_SIGMA),
        ];
        let shape = |p: &[f64]| Shape::Arc(from_numbers(p));
        let solved = self.gauss_newton(&first, &priors, &|p| shape(p).unit(self.space, self.shapes))?;
        Some(solved.into_fitted(shape))
    }

    /// Amplitude and parameters that explain the data best, by damped Gauss–Newton steps (Marquardt 1963).
    fn gauss_newton(
        &self,
        first: &[f64],
        priors: &[(f64, f64)],
        model: &dyn Fn(&[f64]) -> DVector<f64>,
    ) -> Option<Solved> {
        let n = first.len();
        let clean_data = self.nuisances.clean(self.data);
        let amplitude_of = |unit: &DVector<f64>| {
            let clean = self.nuisances.clean(unit);
            let information = unit.dot(&clean);
            (unit.dot(&clean_data) / information, information)
        };
        let penalty = |p: &[f64]| -> f64 { p.iter().zip(priors).map(|(v, (m, s))| ((v - m) / s).powi(2)).sum() };
        // twice the log likelihood's gain, less the priors' price; the amplitude at its best
        let merit = |p: &[f64], unit: &DVector<f64>| {
            let (amplitude, information) = amplitude_of(unit);
            let gain = if amplitude > 0.0 { amplitude * amplitude * information } else { 0.0 };
            (gain - penalty(p), gain, amplitude)
        };
        let mut p = first.to_vec();
        let mut unit = model(&p);
        let (mut value, mut gain, mut amplitude) = merit(&p, &unit);
        if !value.is_finite() {
            return None;
        }
        let mut damping = 1e-2;
        let derivatives_at = |p: &[f64], unit: &DVector<f64>| -> Vec<DVector<f64>> {
            (0..n)
                .map(|k| {
                    let step = if k == 0 { 0.02 } else { 1e-3 * p[k].abs().max(1.0) };
                    let mut other = p.to_vec();
                    other[k] += step;
                    (model(&other) - unit) / step
                })
                .collect()
        };
        let mut derivatives = derivatives_at(&p, &unit);
        let mut normal = DMatrix::identity(n + 1, n + 1);
        for _ in 0..ROUNDS {
            let mut columns = vec![unit.clone()];
            columns.extend(derivatives.iter().map(|d| d * amplitude));
            let clean: Vec<DVector<f64>> = columns.iter().map(|c| self.nuisances.clean(c)).collect();
            normal = DMatrix::from_fn(n + 1, n + 1, |i, j| columns[i].dot(&clean[j]));
            let residual = &clean_data - &clean[0] * amplitude;
            let mut slope = DVector::from_fn(n + 1, |i, _| columns[i].dot(&residual));
            for (k, (middle, sigma)) in priors.iter().enumerate() {
                normal[(k + 1, k + 1)] += sigma.powi(-2);
                slope[k + 1] -= (p[k] - middle) / sigma.powi(2);
            }
            let mut moved = false;
            while damping < 1e6 {
                let mut damped = normal.clone();
                (0..=n).for_each(|i| damped[(i, i)] *= 1.0 + damping);
                let Some(step) = damped.cholesky().map(|c| c.solve(&slope)) else { break };
                let tried: Vec<f64> = (0..n).map(|k| p[k] + step[k + 1].clamp(-0.7, 0.7)).collect();
                let tried_unit = model(&tried);
                let (v, g, a) = merit(&tried, &tried_unit);
                if v.is_finite() && v > value {
                    moved = v - value > 1e-4 * value.abs().max(1.0);
                    (p, unit, value, gain, amplitude) = (tried, tried_unit, v, g, a);
                    damping = (damping * 0.2).max(1e-6);
                    break;
                }
                damping *= 5.0;
            }
            derivatives = derivatives_at(&p, &unit);
            if !moved {
                break;
            }
        }
        if !(amplitude > 0.0) {
            return None;
        }
        let covariance = normal.try_inverse()?;
        Some(Solved { parameters: p, amplitude, covariance, gain, unit, derivatives })
    }
}

struct Solved {
    parameters: Vec<f64>,
    amplitude: f64,
    covariance: DMatrix<f64>,
    gain: f64,
    unit: DVector<f64>,
    derivatives: Vec<DVector<f64>>,
}

impl Solved {
    fn into_fitted(self, shape: impl Fn(&[f64]) -> Shape) -> Fitted {
        Fitted {
            shape: shape(&self.parameters),
            amplitude: self.amplitude,
            covariance: self.covariance,
            gain: self.gain,
            unit: self.unit,
            derivatives: self.derivatives,
            correction_of: None,
            sign: 1.0,
        }
    }
}

/// Wedges at least this wide are fans and tails.
const BROAD_FROM_RAD: f64 = 1.13;

/// What is on a narrow feature's ridge, within this share of its width, at most so much wider and under this share of its significance,
/// is its own light.
const ON_RIDGE: f64 = 0.45;
const WIDER_AT_MOST: f64 = 2.0;
const FAINT_BESIDE: f64 = 0.5;

/// An arc this near an end of a fan or tail, in the logarithm of the distance, and under this share of its significance, is how it ends.
const NEAR_END_LN: f64 = 0.35;
const FAINT_AT_END: f64 = 0.2;
/// A wedge's few numbers describe a fan's or tail's own light this well: an arc or a ray in it of less, by significance, is its form.
const IN_FORM: f64 = 0.05;

/// From this significance on, a feature's own shape is known better than a wedge's few numbers describe it.
const DETAILED_FROM: f64 = 20.0;
/// From this one on its form across may be another at every distance.
const OF_ANY_FORM_FROM: f64 = 60.0;
/// How far the run of a feature's light, and its place and width, may be off the fitted ones from block to block.
const RUN_ERROR: f64 = 0.5;
const SHIFT_ERROR: f64 = 0.3;
const WIDTH_ERROR: f64 = 0.5;
/// Share of a feature that is neither a Gaussian across nor any wedge.
const FORM_ERROR: f64 = 0.1;

impl Fitted {
    /// Amplitude over its error with the shape as it is.
    pub fn significance(&self) -> f64 {
        self.gain.max(0.0).sqrt()
    }

    /// Whether it is light at one place, a star or a condensation, rather than along a ray or a ring.
    pub fn is_spot(&self) -> bool {
        matches!(&self.shape, Shape::Arc(a) if a.length_rad < SPOT_TO_RAD)
    }

    /// Whether it is a feature of its own.
    pub fn stands_alone(&self) -> bool {
        self.correction_of.is_none() && !self.is_spot()
    }

    /// The feature among others whose light this one only describes better: a broad wedge in a broad one, a faint narrow feature
    /// on the ridge of a strong narrow one, an arc or ray that is faint beside the fan or tail it lies in.
    pub fn lies_in(&self, others: &[Fitted]) -> Option<usize> {
        let (pa_rad, at_px) = match &self.shape {
            Shape::Wedge(w) => (w.pa_rad, w.pivot_px),
            Shape::Arc(a) => (a.pa_rad, a.radius_px),
        };
        let width_rad = self.shape.width_rad();
        let is_arc = matches!(self.shape, Shape::Arc(_));
        others.iter().position(|other| {
            let Shape::Wedge(w) = &other.shape else { return false };
            let off = off_rad(pa_rad, w.ridge_rad(at_px)).abs();
            let share = self.significance() / other.significance();
            let within = match (other.shape.is_broad(), self.shape.is_broad()) {
                (true, _) if is_arc => {
                    let near = |end: Option<f64>| end.is_some_and(|e| (at_px / e).ln().abs() < NEAR_END_LN);
                    let at_end = share < FAINT_AT_END && (near(w.onset_px) || near(w.fade_px));
                    off < 0.5 * w.width_rad && (at_end || share < IN_FORM)
                }
                (true, true) => off < 0.5 * w.width_rad,
                (true, false) => off < 0.5 * w.width_rad && share < IN_FORM,
                (false, _) => {
                    let narrow = width_rad < WIDER_AT_MOST * w.width_rad;
                    share < FAINT_BESIDE && off < ON_RIDGE * w.width_rad && narrow
                }
            };
            // light missing on the ridge of what came is that one's form
            let on_ridge = off < ON_RIDGE * w.width_rad && share < 1.0;
            other.correction_of.is_none() && if other.sign == self.sign { within } else { on_ridge }
        })
    }

    /// Error of the height as a share of it.
    pub fn height_share_sigma(&self) -> f64 {
        self.covariance[(0, 0)].max(0.0).sqrt() / self.amplitude.abs().max(f64::MIN_POSITIVE)
    }

    /// Directions of this feature for the search of others: its amplitude, free, and its shape; `index` names it.
    pub fn as_nuisances(&self, index: usize, context: &FitContext) -> Vec<Nuisance> {
        let source = Source::Feature(index);
        let a = self.amplitude;
        let mut out = vec![Nuisance { source, direction: self.unit.clone(), sigma: 100.0 * a }];
        for (k, d) in self.derivatives.iter().enumerate() {
            // an angle, or a logarithm; a curvature's own error is small against this
            let sigma = if k == 0 { 0.15 } else { 0.4 };
            out.push(Nuisance { source, direction: d * a, sigma });
        }
        let (Shape::Wedge(wedge), true) = (&self.shape, self.significance() > DETAILED_FROM) else { return out };
        let knots = &context.shapes.knots_px;
        let blocks = 5;
        for b in 0..blocks {
            let hat = |j: usize| {
                let t = j as f64 / (HATS - 1) as f64 * (blocks - 1) as f64;
                (1.0 - (t - b as f64).abs()).max(0.0)
            };
            let run: [f64; HATS] = std::array::from_fn(|j| hat(j) * wedge.run(knots[j]).max(0.1));
            let of = |pa: f64, width: f64| {
                let own = Wedge { run, ..wedge.wedge(context.shapes) };
                context.shapes.wedge(context.space, &Wedge { pa_rad: wedge.pa_rad + pa, width_rad: width, ..own })
            };
            let w = wedge.width_rad;
            let plain = of(0.0, w);
            let shifted = of(0.05 * w, w) - of(-0.05 * w, w);
            let widened = of(0.0, 1.05 * w) - of(0.0, w / 1.05);
            out.push(Nuisance { source, direction: plain, sigma: RUN_ERROR * a });
            out.push(Nuisance { source, direction: shifted * 10.0, sigma: SHIFT_ERROR * a });
            out.push(Nuisance { source, direction: widened * 10.0, sigma: WIDTH_ERROR * a });
        }
        // any other form across, as smooth as something two thirds as wide, that may change along it
        let narrower = gaussian_azimuth(0.67 * wedge.width_rad);
        let form_blocks = if self.significance() > OF_ANY_FORM_FROM { blocks } else { 1 };
        for b in 0..form_blocks {
            let share = |j: usize| match form_blocks {
                1 => 1.0,
                n => (1.0 - (j as f64 / (HATS - 1) as f64 * (n - 1) as f64 - b as f64).abs()).max(0.0),
            };
            let run: [f64; HATS] = std::array::from_fn(|j| share(j) * wedge.run(knots[j]).max(0.05));
            for m in 1..=MAX_MODES {
                let size = narrower[m] / narrower[1];
                if size < 1e-3 {
                    break;
                }
                for sine in [0.0, 0.5 * std::f64::consts::PI] {
                    let mut one: Azimuthal = [0.0; MAX_MODES + 1];
                    one[m] = 1.0;
                    // cos m(ψ − pa) and, a quarter of its period on, sin
                    let turned = Wedge { pa_rad: wedge.pa_rad + sine / m as f64, run, ..wedge.wedge(context.shapes) };
                    let direction = context.shapes.wedge_of(context.space, &turned, &one);
                    out.push(Nuisance { source, direction, sigma: FORM_ERROR * a * narrower[1] * size });
                }
            }
        }
        out
    }

    /// Position angle and its error at a distance, from the fit's covariance.
    pub fn pa_at(&self, rho_px: f64) -> (f64, f64) {
        match &self.shape {
            Shape::Arc(arc) => (arc.pa_rad, self.covariance[(1, 1)].max(0.0).sqrt()),
            Shape::Wedge(w) => {
                let lever = rho_px - w.pivot_px;
                let c = &self.covariance;
                let curved = w.curvature_rad_per_px != 0.0 && c.nrows() > 3;
                let variance = match curved {
                    true => c[(1, 1)] + 2.0 * lever * c[(1, 3)] + lever * lever * c[(3, 3)],
                    false => c[(1, 1)],
                };
                (w.ridge_rad(rho_px), variance.max(0.0).sqrt())
            }
        }
    }
}
