//! What the field's stars leave in an aperture on the comet, as an error.
//!
//! The stars cross the comet-registered stack: a star is in an aperture for some of the frames. Three things of theirs
//! stay: the errors of the fluxes that were subtracted, stars too faint to be found anywhere in the field, and stars that
//! are found in the open field but not under the coma. The first two are measured where the comet is not, by sums over
//! circles of the same size; the third comes from the field's own star counts.

use crate::measure::RingProfile;
use fanlight_image::aperture::{self, Circle};
use fanlight_image::robust;
use fanlight_image::{Image, Mask, PixelBox};
use rayon::prelude::*;
use std::f64::consts::TAU;

/// How far all stars of a frame stand from their place in the stack's pixels, and the frame's share of the stack's weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Along a row.
    pub dx_px: f64,
    /// Along a column.
    pub dy_px: f64,
    /// Share of the weight, all frames' adding up to 1.
    pub share: f64,
}

/// A star that was taken out, in the comet-registered stack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PassingStar {
    /// Column in a frame whose step is nil.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Light taken out, the stack's unit.
    pub flux: f64,
    /// Error of that by noise, or by the catalogue.
    pub sigma: f64,
    /// Whether only the catalogue says how bright it is, since the condensation passed over it.
    pub by_catalogue: bool,
}

/// Which stars go unseen at a place under the coma that are found elsewhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unseen {
    /// Those fainter than this flux.
    FainterThan(f64),
    /// Those that the catalogue does not have: the condensation passed there, and nothing else is looked for.
    NotInCatalogue,
}

/// A cell of the sky under the coma where stars may have gone unseen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hidden {
    /// Column in a frame whose step is nil.
    pub x_px: f64,
    /// Row.
    pub y_px: f64,
    /// Its area.
    pub area_px2: f64,
    /// Which stars it hides.
    pub unseen: Unseen,
}

/// A star that is found far from the comet: one of the field's star counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// Its light, the stack's unit.
    pub flux: f64,
    /// Whether the catalogue has it.
    pub in_catalogue: bool,
}

/// The stars as they pass the comet.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Passing {
    /// Width of a star image in the stack.
    pub fwhm_px: f64,
    /// One per frame.
    pub steps: Vec<Step>,
    /// Stars taken out.
    pub stars: Vec<PassingStar>,
    /// Where more may be.
    pub hidden: Vec<Hidden>,
    /// The stars that are found far from the comet.
    pub counted: Vec<Counted>,
    /// The area in which they are.
    pub counted_area_px2: f64,
}

/// Hidden stars so bright that fewer than this many are expected in the aperture are not in its error: one night in ten
/// has such a star, and an error for the other nine must not hold it.
const RARE: f64 = 0.1;

/// Light that stars leave per area, as sums over circles away from the comet scatter more than their noise.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct FieldScatter {
    /// Variance per square pixel that noise does not explain: stars too faint to be found.
    pub variance_per_px2: f64,
    /// Error of the light taken out of a star, as a share of it.
    pub model_share: f64,
    /// Circles measured.
    pub n_circles: usize,
}

/// What stars leave in one aperture, the stack's unit, 1σ each.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct StarsLeft {
    /// Errors of the light taken out.
    pub taken_out: f64,
    /// Stars too faint to be found anywhere.
    pub unseen: f64,
    /// Stars that the coma hides.
    pub hidden: f64,
    /// The star whose light taken out is the least certain, by its place in [`Passing::stars`], and the error it makes.
    pub worst: Option<(usize, f64)>,
}

impl StarsLeft {
    /// All in quadrature.
    pub fn sigma(&self) -> f64 {
        self.taken_out.hypot(self.unseen).hypot(self.hidden)
    }
}

impl Passing {
    /// How near a star comes to a place in any frame.
    pub fn nearest_px(&self, star: &PassingStar, (x_px, y_px): (f64, f64)) -> f64 {
        let away = |s: &Step| (star.x_px + s.dx_px - x_px).hypot(star.y_px + s.dy_px - y_px);
        self.steps.iter().map(away).fold(f64::INFINITY, f64::min)
    }

    /// Share of the light of a star at a place that falls into a circle, over all frames.
    fn share(&self, (x_px, y_px): (f64, f64), circle: Circle) -> f64 {
        let reach = circle.radius_px + 2.0 * self.fwhm_px;
        let sigma_px = (self.fwhm_px / 2.355).max(0.3);
        let inside = |step: &Step| {
            let (dx, dy) = (x_px + step.dx_px - circle.x_px, y_px + step.dy_px - circle.y_px);
            let square = dx * dx + dy * dy;
            if square > reach * reach {
                return 0.0;
            }
            let away = square.sqrt();
            // a Gaussian across a straight edge, by the logistic function that is within 0.01 of it
            step.share / (1.0 + (1.702 * (away - circle.radius_px) / sigma_px).exp())
        };
        self.steps.iter().map(inside).sum()
    }

    /// The longest way of a star from its place to where it stands in a frame.
    pub fn longest_step_px(&self) -> f64 {
        self.steps.iter().map(|s| s.dx_px.hypot(s.dy_px)).fold(0.0, f64::max)
    }

    /// Variance per pixel that the stars taken out leave, for sums over more than a star image: a star's error is
    /// one number for all of its light, and counts as noise of that variance in the sum over its image. `model_share` is the
    /// error of the light taken out as a share of it.
    pub fn leftover_variance(&self, width: usize, height: usize, model_share: f64) -> Image {
        let mut out = Image::filled(width, height, 0.0);
        let sigma_px = (self.fwhm_px / 2.355).max(0.4);
        let reach = (3.0 * sigma_px).ceil();
        let gaussian = |away_px: f64| (-0.5 * (away_px / sigma_px).powi(2)).exp();
        let peak = 1.0 / (TAU * sigma_px * sigma_px);
        let mut light = Vec::new();
        let mut along_row = Vec::new();
        for star in &self.stars {
            let places = || self.steps.iter().map(|s| (star.x_px + s.dx_px, star.y_px + s.dy_px, s.share));
            let image_at = |x: f64, y: f64| PixelBox::around(x.round(), y.round(), reach, width, height);
            let Some(track) = PixelBox::around_all(places().filter_map(|p| image_at(p.0, p.1))) else { continue };
            light.clear();
            light.resize(track.width() * track.height(), 0f64);
            for (x, y, share) in places() {
                let Some(own) = image_at(x, y) else { continue };
                along_row.clear();
                along_row.extend((own.x0..own.x1).map(|i| gaussian(i as f64 - x)));
                for j in own.y0..own.y1 {
                    let row = &mut light[(j - track.y0) * track.width() + own.x0 - track.x0..][..own.width()];
                    let factor = share * peak * gaussian(j as f64 - y);
                    row.iter_mut().zip(&along_row).for_each(|(v, g)| *v += factor * g);
                }
            }
            let squares: f64 = light.iter().map(|v| v * v).sum();
            if squares > 0.0 {
                let variance = star.sigma.hypot(model_share * star.flux).powi(2) / squares;
                for ((i, j), v) in track.pixels().zip(&light) {
                    out.data[j * width + i] += (variance * v * v) as f32;
                }
            }
        }
        out
    }

    /// The stars that come near a circle in any frame, by their place in the list.
    fn near(&self, circle: Circle) -> impl Iterator<Item = (usize, &PassingStar)> {
        let reach = circle.radius_px + 2.0 * self.fwhm_px + self.longest_step_px();
        let comes_near = move |s: &PassingStar| {
            let (dx, dy) = (s.x_px - circle.x_px, s.y_px - circle.y_px);
            dx * dx + dy * dy <= reach * reach
        };
        self.stars.iter().enumerate().filter(move |(_, s)| comes_near(s))
    }

    /// The square of a share summed over all places of a star that comes near a circle, px²: times the density of stars and
    /// their squared flux, the variance of their light there.
    fn squared_share_px2(&self, around: Circle, share: impl Fn((f64, f64)) -> f64) -> f64 {
        let cell = (0.4 * self.fwhm_px).max(around.radius_px / 6.0).max(0.7);
        let n = ((around.radius_px + 2.0 * self.fwhm_px + self.longest_step_px()) / cell).ceil() as i32;
        let places = (-n..=n).flat_map(|j| (-n..=n).map(move |i| (f64::from(i), f64::from(j))));
        let squares = places.map(|(i, j)| share((around.x_px + cell * i, around.y_px + cell * j)).powi(2));
        squares.sum::<f64>() * cell * cell
    }

    /// What the stars leave in a circle on the comet.
    pub fn left_in(&self, circle: Circle, field: &FieldScatter) -> StarsLeft {
        let mut taken_out = 0.0;
        let mut worst: Option<(usize, f64)> = None;
        for (i, star) in self.near(circle) {
            let share = self.share((star.x_px, star.y_px), circle);
            let error = share * star.sigma.hypot(field.model_share * star.flux);
            taken_out += error * error;
            if error > worst.map_or(0.0, |w| w.1) {
                worst = Some((i, error));
            }
        }
        StarsLeft {
            taken_out: taken_out.sqrt(),
            unseen: (field.variance_per_px2 * self.squared_share_px2(circle, |place| self.share(place, circle))).sqrt(),
            hidden: self.hidden_in(circle),
            worst,
        }
    }

    /// Light of hidden stars in a circle, root mean square: what is expected of them is not taken off, that there are none is
    /// as likely as twice as many.
    fn hidden_in(&self, circle: Circle) -> f64 {
        // (faintest flux found, share, squared share) times area of the cells, the least seen first; cells where only the
        // catalogue tells hide any star that it does not have
        let mut cells: Vec<(f64, f64, f64)> = Vec::with_capacity(self.hidden.len());
        let mut by_catalogue = (0.0, 0.0);
        for cell in &self.hidden {
            let share = self.share((cell.x_px, cell.y_px), circle);
            let (once, twice) = (share * cell.area_px2, share * share * cell.area_px2);
            match cell.unseen {
                _ if share <= 0.0 => {}
                Unseen::FainterThan(flux) => cells.push((flux, once, twice)),
                Unseen::NotInCatalogue => by_catalogue = (by_catalogue.0 + once, by_catalogue.1 + twice),
            }
        }
        cells.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut stars = self.counted.clone();
        stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
        let (mut number, mut light, mut variance) = (0.0, 0.0, 0.0);
        let (mut hiding, mut next) = ((0.0, 0.0), 0);
        for star in &stars {
            while next < cells.len() && cells[next].0 > star.flux {
                hiding = (hiding.0 + cells[next].1, hiding.1 + cells[next].2);
                next += 1;
            }
            let area = match star.in_catalogue {
                true => hiding,
                false => (hiding.0 + by_catalogue.0, hiding.1 + by_catalogue.1),
            };
            number += area.0 / self.counted_area_px2;
            if number > RARE {
                light += star.flux * area.0 / self.counted_area_px2;
                variance += star.flux * star.flux * area.1 / self.counted_area_px2;
            }
        }
        (variance + light * light).sqrt()
    }
}

/// The comet-registered stack, its sky and stars taken off.
#[derive(Debug, Clone, Copy)]
pub struct Field<'a> {
    /// The image.
    pub image: &'a Image,
    /// Variance of each pixel.
    pub variance: &'a Image,
    /// Flags.
    pub mask: &'a Mask,
    /// How much more variance a sum over many pixels has than the sum of their variances.
    pub correlation: f64,
    /// The coma's centre.
    pub centre_px: (f64, f64),
    /// The coma's azimuthal median.
    pub coma: &'a RingProfile,
    /// Circles stay further than this from the centre.
    pub keep_out_px: f64,
}

/// Circles of which this share is flagged tell nothing.
const MAX_FLAGGED: f64 = 0.5;
/// Most circles measured: they tell a variance to 7 %.
const MAX_CIRCLES: usize = 400;
/// Fewest circles that tell a scatter.
const MIN_CIRCLES: usize = 12;
/// A circle's excess counts up to this many of its expected sigmas: one star that was not found must not stand for all.
const HUGE_SIGMA: f64 = 5.0;

/// One circle's light over a ring of the same area about it.
struct Contrast {
    /// Light over the ring's.
    light: f64,
    /// Variance of that by noise.
    noise: f64,
    /// Σ (share of a star's light in the circle less that in the ring)² flux² of the stars taken out.
    stars: f64,
    /// The same with the fluxes' own variances.
    stars_sigma2: f64,
    /// Square of the coma's light in the circle.
    coma2: f64,
}

/// A circle with the ring around it that its light is held against: as much area again, and room for a star's image.
fn with_ring(circle: Circle, fwhm_px: f64) -> Circle {
    let radius_px = (std::f64::consts::SQRT_2 * circle.radius_px).max(circle.radius_px + 2.0 * fwhm_px);
    Circle { radius_px, ..circle }
}

/// Share of a star's light in a circle less that in the ring around it, the ring scaled to the circle's area.
fn contrast_share(passing: &Passing, place: (f64, f64), circle: Circle, outer: Circle) -> f64 {
    let (within, whole) = (passing.share(place, circle), passing.share(place, outer));
    let ring_per_area = 1.0 / ((outer.radius_px / circle.radius_px).powi(2) - 1.0);
    within - ring_per_area * (whole - within)
}

/// Measures what stars leave in circles of a radius, away from the comet; `None` where too few circles find room.
///
/// Each circle is held against a ring around it, which takes gradients of sky and coma off. The variance
/// of the differences is noise, a part that all places have alike (unseen stars), a part that goes with the squared
/// fluxes of the stars taken out there, and one that goes with the squared light of the coma there (its jets and tails, which are no
/// stars): the three are fitted to the squared differences, weighed by their own expected
/// scatter, none below nothing. In wide circles, of which each holds many stars, the first two look alike; the second, the same for
/// all circles that hold a star whole, may be given (`model_share`).
pub fn field_scatter(
    field: &Field,
    passing: &Passing,
    radius_px: f64,
    model_share: Option<f64>,
) -> Option<FieldScatter> {
    let (contrasts, area_px2) = contrasts(field, passing, radius_px, f64::INFINITY)?;
    let typical = robust::median_f64(&mut contrasts.iter().map(|c| c.light * c.light).collect::<Vec<_>>())?
        / NORMAL_MEDIAN_SQUARE;
    let given = [None, model_share.map(|share| share * share), None];
    let mut found = given.map(Option::unwrap_or_default);
    for _ in 0..20 {
        let mut normal = [[0.0f64; 3]; 3];
        let mut right = [0.0f64; 3];
        for c in &contrasts {
            let known = c.noise + c.stars_sigma2;
            let row = [area_px2, c.stars, c.coma2];
            let expected = known + row.iter().zip(&found).map(|(r, f)| r * f).sum::<f64>();
            let most = HUGE_SIGMA.powi(2) * expected.max(typical);
            let excess = (c.light * c.light).min(most) - known;
            let weight = expected.max(0.1 * typical).powi(-2);
            for i in 0..3 {
                right[i] += weight * row[i] * excess;
                for j in 0..3 {
                    normal[i][j] += weight * row[i] * row[j];
                }
            }
        }
        found = not_below_zero(normal, right, given);
    }
    let [variance_per_px2, share2, _] = found;
    Some(FieldScatter { variance_per_px2, model_share: share2.sqrt(), n_circles: contrasts.len() })
}

/// Variance per square pixel that stars too faint to be found leave.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct UnseenStars {
    /// As measured.
    pub variance_per_px2: f64,
    /// No less than this, whatever else tells of it: two of its errors under what was measured.
    pub least_per_px2: f64,
}

/// What stars too faint to be found leave at most places, by the circles with the least light of stars that were taken out; `None`
/// where too few circles find room.
///
/// Its median tells what a search for structure meets nearly everywhere; a lone bright star that was not found is seen as a spot.
pub fn unseen_stars(field: &Field, passing: &Passing, radius_px: f64) -> Option<UnseenStars> {
    // beyond its profile's end the coma goes on, and looks like light of stars
    let known_to_px = field.coma.radius_px.last().copied().unwrap_or(f64::INFINITY);
    let (mut contrasts, area_px2) = contrasts(field, passing, radius_px, known_to_px)?;
    contrasts.sort_by(|a, b| a.stars.total_cmp(&b.stars));
    contrasts.truncate(contrasts.len().div_ceil(2));
    let known = |c: &Contrast| c.noise + c.stars_sigma2;
    let mut excess: Vec<f64> = contrasts.iter().map(|c| c.light * c.light / NORMAL_MEDIAN_SQUARE - known(c)).collect();
    let mut known: Vec<f64> = contrasts.iter().map(known).collect();
    let (excess, known) = (robust::median_f64(&mut excess)?, robust::median_f64(&mut known)?);
    let sigma = MEDIAN_SQUARE_SIGMA / (contrasts.len() as f64).sqrt() * (known + excess.max(0.0));
    let per_px2 = |light2: f64| (light2 / area_px2).max(0.0);
    Some(UnseenStars { variance_per_px2: per_px2(excess), least_per_px2: per_px2(excess - 2.0 * sigma) })
}

/// Median of the square of a number of normal distribution with variance 1.
const NORMAL_MEDIAN_SQUARE: f64 = 0.455;
/// Relative error of the median of n such squares, times √n: half over the density there and over the median.
const MEDIAN_SQUARE_SIGMA: f64 = 2.33;

/// The circles of a radius away from the comet, none beyond a distance, and the square of the share of a star's light in one, summed
/// over places of the star.
fn contrasts(field: &Field, passing: &Passing, radius_px: f64, to_px: f64) -> Option<(Vec<Contrast>, f64)> {
    let middle = Circle { x_px: 0.0, y_px: 0.0, radius_px };
    let outer = with_ring(middle, passing.fwhm_px);
    let area_px2 = passing.squared_share_px2(outer, |place| contrast_share(passing, place, middle, outer));
    let all = places(field, outer.radius_px, to_px);
    let chosen: Vec<(f64, f64)> = all.iter().copied().step_by(all.len().div_ceil(MAX_CIRCLES).max(1)).collect();
    let contrasts: Vec<Contrast> = chosen
        .par_iter()
        .filter_map(|(x_px, y_px)| contrast(field, passing, Circle { x_px: *x_px, y_px: *y_px, radius_px }))
        .collect();
    (contrasts.len() >= MIN_CIRCLES).then_some((contrasts, area_px2))
}

/// The least-squares answer of three unknowns of which none is below nothing, those given held: each in turn with the others held
/// (Gauss–Seidel, projected), until nothing moves.
fn not_below_zero(normal: [[f64; 3]; 3], right: [f64; 3], given: [Option<f64>; 3]) -> [f64; 3] {
    let mut found = given.map(Option::unwrap_or_default);
    for _ in 0..1000 {
        let before = found;
        for i in (0..3).filter(|i| given[*i].is_none() && normal[*i][*i] > 0.0) {
            let others: f64 = (0..3).filter(|j| *j != i).map(|j| normal[i][j] * found[j]).sum();
            found[i] = ((right[i] - others) / normal[i][i]).max(0.0);
        }
        if found.iter().zip(&before).all(|(a, b)| (a - b).abs() <= 1e-9 * b.abs()) {
            break;
        }
    }
    found
}

/// Middles of circles that do not touch, stay clear of the coma's middle and end within a distance of it.
fn places(field: &Field, outer_px: f64, to_px: f64) -> Vec<(f64, f64)> {
    let outer = outer_px + 1.0;
    let (width, height) = (field.image.width as f64, field.image.height as f64);
    let count = |n: f64| (n / (2.0 * outer)).floor();
    let (columns, rows) = (count(width), count(height));
    let at = |i: usize, n: f64, size: f64| (i as f64 + 0.5) * size / n;
    let all = (0..rows as usize).flat_map(|j| (0..columns as usize).map(move |i| (i, j)));
    all.map(|(i, j)| (at(i, columns, width), at(j, rows, height)))
        .filter(|(x, y)| {
            let away = (x - field.centre_px.0).hypot(y - field.centre_px.1);
            away > field.keep_out_px + outer && away < to_px - outer
        })
        .collect()
}

/// Slope with which a coma goes on beyond its profile's end (Jewitt & Meech 1987, ApJ 317, 992: 1 to 1.5).
const OUTER_SLOPE: f64 = 1.4;

/// The coma's light per pixel at a distance, beyond its profile's end too: a circle over a step there would look full of stars.
fn coma_about(coma: &RingProfile, away_px: f64) -> f64 {
    match coma.radius_px.last() {
        Some(last) if away_px > *last => coma.at(*last) * (away_px / last).powf(-OUTER_SLOPE),
        _ => coma.at(away_px),
    }
}

fn contrast(field: &Field, passing: &Passing, circle: Circle) -> Option<Contrast> {
    let (image, width) = (field.image, field.image.width);
    let outer = with_ring(circle, passing.fwhm_px);
    // sum, variance, area summed, area flagged: of the circle and of the ring
    let mut parts = [(0.0f64, 0.0f64, 0.0f64, 0.0f64); 2];
    for (i, whole) in aperture::circle_overlap(outer.x_px, outer.y_px, outer.radius_px, width, image.height) {
        let (x, y) = ((i % width) as f64, (i / width) as f64);
        let beyond = (x - circle.x_px).powi(2) + (y - circle.y_px).powi(2) > circle.radius_px * circle.radius_px;
        let part = usize::from(beyond);
        let (value, variance) = (f64::from(image.data[i]), f64::from(field.variance.data[i]));
        let part = &mut parts[part];
        if field.mask.bits[i] == 0 && value.is_finite() && variance.is_finite() {
            let away = ((x - field.centre_px.0).powi(2) + (y - field.centre_px.1).powi(2)).sqrt();
            let coma = coma_about(field.coma, away);
            part.0 += whole * (value - coma);
            part.1 += whole * whole * variance;
            part.2 += whole;
        } else {
            part.3 += whole;
        }
    }
    if parts.iter().any(|(_, _, good, flagged)| *good <= 0.0 || *flagged > MAX_FLAGGED * (good + flagged)) {
        return None;
    }
    let area = std::f64::consts::PI * circle.radius_px.powi(2);
    let mean = |p: (f64, f64, f64, f64)| (p.0 / p.2, field.correlation * p.1 / (p.2 * p.2));
    let ((inner, inner_noise), (ring, ring_noise)) = (mean(parts[0]), mean(parts[1]));
    let (mut stars, mut stars_sigma2) = (0.0, 0.0);
    for (_, s) in passing.near(outer) {
        let share2 = contrast_share(passing, (s.x_px, s.y_px), circle, outer).powi(2);
        stars += share2 * s.flux * s.flux;
        stars_sigma2 += share2 * s.sigma * s.sigma;
    }
    let away = (circle.x_px - field.centre_px.0).hypot(circle.y_px - field.centre_px.1);
    Some(Contrast {
        light: area * (inner - ring),
        noise: area * area * (inner_noise + ring_noise),
        stars,
        stars_sigma2,
        coma2: (area * coma_about(field.coma, away)).powi(2),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use fanlight_image::moffat::{Moffat, Painter};

    const SIDE: usize = 400;
    const FWHM_PX: f64 = 3.0;

    /// Uniform numbers (Steele, Lea & Flood 2014, SplitMix64).
    struct Draws(u64);

    impl Draws {
        fn unit(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        }

        /// Mean 0, variance 1: a sum of twelve uniform numbers.
        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
        }
    }

    struct Made {
        image: Image,
        passing: Passing,
    }

    /// Noise; stars of one flux that nobody found; stars taken out by a flux that is off by a share.
    fn field_of(noise: f64, unseen: (usize, f64), taken_out: (usize, f64), off_share: f64) -> Made {
        let mut draws = Draws(11);
        let mut image = Image::filled(SIDE, SIDE, 0.0);
        image.data.iter_mut().for_each(|v| *v = (noise * draws.normal()) as f32);
        let shape = Moffat::round(FWHM_PX, 4.0).into();
        let painter = Painter::new(&shape);
        for _ in 0..unseen.0 {
            let (x, y) = (SIDE as f64 * draws.unit(), SIDE as f64 * draws.unit());
            painter.add(&mut image, x, y, unseen.1, 20.0);
        }
        let stars = (0..taken_out.0)
            .map(|_| {
                let (x_px, y_px) = (SIDE as f64 * draws.unit(), SIDE as f64 * draws.unit());
                painter.add(&mut image, x_px, y_px, off_share * draws.normal() * taken_out.1, 20.0);
                PassingStar { x_px, y_px, flux: taken_out.1, sigma: 0.0, by_catalogue: false }
            })
            .collect();
        let steps = vec![Step { dx_px: 0.0, dy_px: 0.0, share: 1.0 }];
        Made { image, passing: Passing { fwhm_px: FWHM_PX, steps, stars, ..Passing::default() } }
    }

    fn in_field<T>(made: &Made, noise: f64, measure: impl FnOnce(&Field) -> Option<T>) -> T {
        in_field_of(&RingProfile::default(), made, noise, measure)
    }

    fn in_field_of<T>(coma: &RingProfile, made: &Made, noise: f64, measure: impl FnOnce(&Field) -> Option<T>) -> T {
        let variance = Image::filled(SIDE, SIDE, (noise * noise) as f32);
        measure(&Field {
            image: &made.image,
            variance: &variance,
            mask: &Mask::clear(SIDE, SIDE),
            correlation: 1.0,
            centre_px: (0.5 * SIDE as f64, 0.5 * SIDE as f64),
            coma,
            keep_out_px: 20.0,
        })
        .expect("circles")
    }

    fn scatter(made: &Made, noise: f64, radius_px: f64) -> FieldScatter {
        in_field(made, noise, |field| field_scatter(field, &made.passing, radius_px, None))
    }

    /// n stars of flux f per square pixel scatter by n f² per square pixel, whatever the circle's radius.
    #[test]
    fn known_star_counts_give_their_known_scatter() {
        let (n, flux, noise) = (3200, 8.0, 0.3);
        let made = field_of(noise, (n, flux), (0, 0.0), 0.0);
        let expected = n as f64 / (SIDE * SIDE) as f64 * flux * flux;
        for radius_px in [6.0, 10.0, 14.0] {
            let got = scatter(&made, noise, radius_px);
            // of n circles a variance is known to √(2 / n)
            let tolerance = 3.0 * (2.0 / got.n_circles as f64).sqrt();
            let ratio = got.variance_per_px2 / expected;
            // the seeing's wings are not a Gaussian's
            assert!((ratio - 1.0).abs() < tolerance + 0.1, "{ratio:.2} at {radius_px} px: {got:?}");
            assert_eq!(got.model_share, 0.0);
        }
    }

    /// What nobody found is told beside bright stars that were taken out wrongly, from the places where those are not.
    #[test]
    fn unseen_stars_are_told_apart_from_bright_ones() {
        let (n, flux, noise) = (3200, 8.0, 0.3);
        let made = field_of(noise, (n, flux), (40, 3000.0), 0.05);
        let UnseenStars { variance_per_px2: got, least_per_px2 } =
            in_field(&made, noise, |field| unseen_stars(field, &made.passing, 8.0));
        let expected = n as f64 / (SIDE * SIDE) as f64 * flux * flux;
        // of half of some 150 circles a median square is known to a sixth
        assert!((0.5..1.5).contains(&(got / expected)), "{got} of {expected}");
        assert!((0.2 * expected..expected).contains(&least_per_px2), "{least_per_px2} of {expected}");
    }

    #[test]
    fn three_unknowns_none_below_nothing() {
        let normal = [[4.0, 1.0, 0.5], [1.0, 3.0, 0.2], [0.5, 0.2, 2.0]];
        let times = |x: [f64; 3]| normal.map(|row| row.iter().zip(x).map(|(a, b)| a * b).sum::<f64>());
        let check = |found: [f64; 3], expected: [f64; 3]| {
            assert!(found.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-6), "{found:?}, expected {expected:?}");
        };
        check(not_below_zero(normal, times([1.0, 2.0, 3.0]), [None; 3]), [1.0, 2.0, 3.0]);
        check(not_below_zero(normal, times([1.0, 2.0, 3.0]), [None, Some(2.0), None]), [1.0, 2.0, 3.0]);
        // the second wants to be below nothing: the others are as without it
        let [a, b, c] = not_below_zero(normal, [4.5, -5.0, 2.5], [None; 3]);
        assert_eq!(b, 0.0);
        check([4.0 * a + 0.5 * c, 0.0, 0.5 * a + 2.0 * c], [4.5, 0.0, 2.5]);
    }

    #[test]
    fn noise_alone_leaves_no_stars() {
        let made = field_of(1.0, (0, 0.0), (0, 0.0), 0.0);
        let got = scatter(&made, 1.0, 8.0);
        // of the noise's own variance, 1 per square pixel, at most what the number of circles lets it look like more
        assert!(got.variance_per_px2 < 3.0 * (2.0 / got.n_circles as f64).sqrt(), "{got:?}");
        assert!(got.n_circles > 80, "{got:?}");
    }

    /// A coma that goes on beyond its profile's end, and one whose tail is a tenth brighter than the rest, look like no stars: what of
    /// them is left is far under what a star in every tenth circle would leave.
    #[test]
    fn a_coma_looks_like_no_stars() {
        let noise = 0.1;
        for tail in [0.0, 0.1] {
            let mut made = field_of(noise, (0, 0.0), (0, 0.0), 0.0);
            let middle = 0.5 * SIDE as f64;
            let coma = |rho: f64| 3000.0 * rho.max(1.0).powf(-1.3);
            for (i, v) in made.image.data.iter_mut().enumerate() {
                let (dx, dy) = ((i % SIDE) as f64 - middle, (i / SIDE) as f64 - middle);
                let wave = 1.0 + tail * (-(dy.atan2(dx) / 0.4).powi(2)).exp();
                *v += (coma(dx.hypot(dy)) * wave) as f32;
            }
            let profile =
                RingProfile::measure(&made.image, &Mask::clear(SIDE, SIDE), (middle, middle), 0.45 * SIDE as f64);
            let scatter = in_field_of(&profile, &made, noise, |field| field_scatter(field, &made.passing, 8.0, None));
            let of_noise = noise * noise;
            // a step of the coma's light at the profile's end, 3.5 a pixel, would be many times the noise's variance
            assert!(scatter.variance_per_px2 < 3.0 * of_noise, "tail {tail}: {scatter:?}, noise {of_noise}");
        }
    }

    #[test]
    fn stars_taken_out_wrongly_show_by_how_much() {
        let made = field_of(0.05, (0, 0.0), (400, 300.0), 0.05);
        let got = scatter(&made, 0.05, 8.0);
        assert!((got.model_share / 0.05 - 1.0).abs() < 0.25, "{got:?}");
        // faint ones among them are told apart from unseen stars
        assert!(got.variance_per_px2 < 0.2 * 400.0 / (SIDE * SIDE) as f64 * (0.05 * 300.0f64).powi(2), "{got:?}");
    }

    /// A star that is in the circle for a quarter of the frames leaves a quarter of its error.
    #[test]
    fn a_star_counts_for_the_frames_in_which_it_is_in_the_circle() {
        let step = |dx_px: f64| Step { dx_px, dy_px: 0.0, share: 0.25 };
        let passing = Passing {
            fwhm_px: FWHM_PX,
            steps: vec![step(0.0), step(30.0), step(60.0), step(90.0)],
            stars: vec![
                PassingStar { x_px: 100.0, y_px: 100.0, flux: 1000.0, sigma: 8.0, by_catalogue: false },
                PassingStar { x_px: 300.0, y_px: 100.0, flux: 1e6, sigma: 800.0, by_catalogue: false },
            ],
            ..Passing::default()
        };
        let circle = Circle { x_px: 130.0, y_px: 100.0, radius_px: 10.0 };
        let field = FieldScatter { variance_per_px2: 0.01, model_share: 0.006, n_circles: 50 };
        let left = passing.left_in(circle, &field);
        assert!((left.taken_out - 2.5).abs() < 0.02 && left.worst.unwrap().0 == 0, "{left:?}");
        // four circles that do not touch hold a quarter of their stars' light each; stars on the edge are in it by a part
        let of_points = 0.01 * 4.0 * std::f64::consts::PI * 100.0 / 16.0;
        assert!((0.8..1.0).contains(&(left.unseen.powi(2) / of_points)), "{left:?}");
        assert!(left.hidden == 0.0 && (left.sigma() - left.taken_out.hypot(left.unseen)).abs() < 1e-9);
    }

    /// A cell under the coma hides what its limit and the catalogue do not show, by the field's own counts; a bright star of
    /// which one in a hundred circles has one is not expected.
    #[test]
    fn star_counts_say_what_the_coma_hides() {
        let cell = |unseen| Hidden { x_px: 50.0, y_px: 50.0, area_px2: 100.0, unseen };
        let counted = |flux, in_catalogue| Counted { flux, in_catalogue };
        let with = |unseen| {
            let mut counts: Vec<Counted> = (0..100).map(|_| counted(3.0, true)).collect();
            counts.extend((0..50).map(|_| counted(2.0, false)));
            counts.push(counted(1000.0, false));
            let passing = Passing {
                fwhm_px: FWHM_PX,
                steps: vec![Step { dx_px: 0.0, dy_px: 0.0, share: 1.0 }],
                hidden: vec![cell(unseen)],
                counted: counts,
                counted_area_px2: 10_000.0,
                ..Passing::default()
            };
            let circle = Circle { x_px: 50.0, y_px: 50.0, radius_px: 20.0 };
            passing.left_in(circle, &FieldScatter::default()).hidden
        };
        // of half a star of flux 2 and one of 3 that are expected, the tenth that comes first is rare
        let off = |unseen, number_by_flux: [f64; 2]| {
            let [threes, twos] = number_by_flux;
            let expected = (9.0 * threes + 4.0 * twos + (3.0 * threes + 2.0 * twos).powi(2)).sqrt();
            (with(unseen) - expected).abs()
        };
        assert!(off(Unseen::NotInCatalogue, [0.0, 0.41]) < 0.05);
        assert!(off(Unseen::FainterThan(2.5), [0.0, 0.4]) < 0.05);
        assert!(off(Unseen::FainterThan(5.0), [0.9, 0.5]) < 0.07);
        assert_eq!(with(Unseen::FainterThan(1.0)), 0.0);
    }
}
