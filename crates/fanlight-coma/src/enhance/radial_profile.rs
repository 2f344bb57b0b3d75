//! A brightness that depends on the distance from the nucleus alone, and images divided by it or less it.

use super::ring_moments::ring_moments;
use super::rings::{self, RingConfig, Rings, Statistic};
use super::spline::{Lookup, Spline};
use super::{check, map_with_radius};
use crate::ComaError;
use fanlight_image::Image;
use fanlight_image::robust::median_guessed;
use fanlight_sky::PixelXy;

/// Distances below this are taken as this: nearer, where in its pixel the nucleus is decides.
const NEAREST_PX: f64 = 0.5;
/// Radii at which a power law is fitted, and fewest of them that decide one.
const FIT_RADII: usize = 40;
const MIN_FIT_RADII: usize = 3;
/// Radii of a power law's table: over a factor of 2000 in radius they stand 2 % apart, and the cubic between them is
/// within 1e-6.
const TABLE_RADII: usize = 400;

/// Brightness against distance from the nucleus, smooth between the radii it was given or measured at.
///
/// What is interpolated is brightness times distance, by a cubic without overshoot, so both a 1/ρ coma and a constant come out
/// exactly. Distances under half a pixel count as half a pixel.
#[derive(Debug, Clone, PartialEq)]
pub struct RadialProfile(Spline);

impl RadialProfile {
    /// From a table (a fitted profile): ascending radii, at least one, and the brightness at each. Outside them the profile is absent; radii
    /// below 0.5 px say nothing, save that one of them takes the profile to the nucleus itself.
    ///
    /// # Errors
    /// When the lengths differ, nothing is given, a number is not finite, or radii do not ascend from 0.
    pub fn from_table(radii_px: &[f64], values: &[f64]) -> Result<Self, ComaError> {
        if radii_px.len() != values.len() || radii_px.is_empty() {
            let (found, needed) = (values.len(), radii_px.len().max(1));
            return Err(ComaError::TooFew { what: "values of the radial profile", found, needed });
        }
        let descending = radii_px.windows(2).find(|r| !(r[0] < r[1])).map(|r| r[1]);
        let bad_radius = radii_px.iter().copied().find(|r| !(r.is_finite() && *r >= 0.0)).or(descending);
        if let Some(value) = bad_radius {
            let range = "the ascending finite numbers from 0";
            return Err(ComaError::OutOfRange { name: "a radius of the profile, px,", value, range });
        }
        for value in values {
            check("a value of the profile", *value, |v| v.is_finite(), "the finite numbers")?;
        }
        let mut knots: Vec<(f64, f64)> = Vec::with_capacity(values.len());
        for (radius, value) in radii_px.iter().zip(values) {
            let near = radius.max(NEAREST_PX);
            if near == NEAREST_PX {
                knots.clear();
            }
            knots.push((near, near * value));
        }
        let range = (radii_px[0].max(NEAREST_PX), radii_px[radii_px.len() - 1].max(NEAREST_PX));
        Ok(Self(Spline::new(&knots, range)))
    }

    /// The azimuthal average of an image: mean or median of each ring about the centre, smooth from ring to ring.
    ///
    /// Missing pixels do not count. A ring of which less than a quarter is on good pixels is left out: inside the outermost ring kept,
    /// its value comes from its neighbours, outside it is absent (the corners of the image).
    ///
    /// # Errors
    /// When the centre is outside the image or the rings are narrower than 0.5 px.
    pub fn azimuthal_average(image: &Image, centre: PixelXy, config: &RingConfig) -> Result<Self, ComaError> {
        match config.statistic {
            Statistic::Mean => Self::mean_of_rings(image, centre, config.ring_width_px),
            Statistic::Median => {
                Ok(Self::median_of_rings(&Rings::of(image, centre, config.ring_width_px)?, config.ring_width_px))
            }
        }
    }

    // Both take brightness times distance: the slope inside a ring then moves neither mean nor median.

    /// The mean of each ring.
    ///
    /// # Errors
    /// As [`Self::azimuthal_average`].
    pub(super) fn mean_of_rings(image: &Image, centre: PixelXy, width_px: f64) -> Result<Self, ComaError> {
        let rings = ring_moments(
            image,
            centre,
            width_px,
            #[inline(always)]
            |radii, values, _| {
                hold_off(radii);
                values.iter_mut().zip(radii).for_each(|(value, radius)| *value *= *radius);
            },
        )?;
        let knots: Vec<(f64, f64)> = rings.iter().map(|r| (r.value.radius_px(), r.value.mean())).collect();
        Ok(Self(Spline::new(&knots, rings::range(&rings, width_px))))
    }

    /// The median of each ring.
    pub(super) fn median_of_rings(rings: &Rings, width_px: f64) -> Self {
        let rings = rings.map(|pixels, inner_px, room: &mut MedianRoom| {
            room.radii.clear();
            room.radii.extend(pixels.iter().map(|p| p.radius_px));
            hold_off(&mut room.radii);
            room.values.clear();
            room.values.extend(pixels.iter().zip(&room.radii).map(|(p, radius)| p.value * radius));
            // half of a whole ring lies within this
            let middle = (inner_px * (inner_px + width_px) + 0.5 * width_px * width_px).sqrt();
            let (low, high) = (middle - MIDDLE_SHARE * width_px, middle + MIDDLE_SHARE * width_px);
            let radius = median_guessed(&room.radii, low as f32, high as f32, &mut room.near)?;
            let (low, high) = (room.guess - room.reach, room.guess + room.reach);
            let value = median_guessed(&room.values, low, high, &mut room.near)?;
            // next time a sixth of the values
            (room.guess, room.reach) = (value, spread(&room.values) * (1.0 / 6.0));
            Some((f64::from(radius), f64::from(value)))
        });
        let knots: Vec<(f64, f64)> = rings.iter().map(|r| r.value).collect();
        Self(Spline::new(&knots, rings::range(&rings, width_px)))
    }

    /// The power law A·ρ^s through the medians of an image's rings, 1 px wide, from `inner_px` to `outer_px`, by least squares in log–log with equal
    /// weight for equal steps of log ρ; with its exponent s. It is known out to the image's farthest corner.
    ///
    /// # Accuracy
    /// For powers from −1.4 to −0.6, fitted from 4 px on, s is within 0.004: rings near the centre are wide for their radius.
    ///
    /// # Errors
    /// When the centre is outside the image, the radii are not 0.5 ≤ inner < outer, or fewer than three of 40 radii between
    /// them have a median above 0.
    pub fn power_law(image: &Image, centre: PixelXy, inner_px: f64, outer_px: f64) -> Result<(Self, f64), ComaError> {
        check("inner_px", inner_px, |r| r.is_finite() && r >= NEAREST_PX, "the numbers from 0.5")?;
        check("outer_px", outer_px, |r| r.is_finite() && r > inner_px, "the numbers above inner_px")?;
        let medians = Self::azimuthal_average(image, centre, &RingConfig::default())?;
        let between =
            |from: f64, to: f64, n: usize| (0..n).map(move |i| from * (to / from).powf(i as f64 / (n - 1) as f64));
        let points: Vec<(f64, f64)> = between(inner_px, outer_px, FIT_RADII)
            .filter_map(|r| medians.at(r).filter(|v| *v > 0.0).map(|v| (r.ln(), v.ln())))
            .collect();
        let (found, needed) = (points.len(), MIN_FIT_RADII);
        if found < needed {
            return Err(ComaError::TooFew { what: "radii with a median above 0", found, needed });
        }
        let n = found as f64;
        let (x, y) = points.iter().fold((0.0, 0.0), |sum, p| (sum.0 + p.0 / n, sum.1 + p.1 / n));
        let (xy, xx) =
            points.iter().fold((0.0, 0.0), |sum, p| (sum.0 + (p.0 - x) * (p.1 - y), sum.1 + (p.0 - x).powi(2)));
        let slope = xy / xx;
        let farthest = rings::farthest(image, centre).max(2.0 * NEAREST_PX);
        let radii: Vec<f64> = between(NEAREST_PX, farthest, TABLE_RADII).collect();
        let values: Vec<f64> = radii.iter().map(|r| (y + slope * (r.ln() - x)).exp()).collect();
        Ok((Self::from_table(&radii, &values)?, slope))
    }

    /// The brightness at a distance from the nucleus; `None` where it is not known.
    pub fn at(&self, radius_px: f64) -> Option<f64> {
        let near = radius_px.max(NEAREST_PX);
        self.0.at(near, &mut 0).map(|v| v / near)
    }

    /// Made ready for the pixels of an image: brightness times distance, at distances that are no less than [`NEAREST_PX`].
    pub(super) fn lookup(&self, image: &Image, centre: PixelXy) -> Lookup<1> {
        Lookup::new([&self.0], rings::farthest(image, centre))
    }

    /// Brightness times distance.
    pub(super) fn curve(&self) -> &Spline {
        &self.0
    }
}

/// Distances not below [`NEAREST_PX`].
#[inline(always)]
pub(super) fn hold_off(radii_px: &mut [f32]) {
    for radius in radii_px {
        *radius = if *radius < NEAREST_PX as f32 { NEAREST_PX as f32 } else { *radius };
    }
}

/// Room for medians of rings, and what the last one says of the next.
#[derive(Default)]
struct MedianRoom {
    radii: Vec<f32>,
    values: Vec<f32>,
    near: Vec<f32>,
    /// The last median, and how far from it the next is looked for.
    guess: f32,
    reach: f32,
}

/// Half the width of the band, as a share of a ring's, in which the median of its radii is looked for first.
const MIDDLE_SHARE: f64 = 0.05;
/// Of how many values of a ring its spread is taken.
const SPREAD_OF: usize = 64;

/// Distance between the quartiles of some of the values.
fn spread(values: &[f32]) -> f32 {
    let mut some: Vec<f32> = values.iter().step_by(values.len().div_ceil(SPREAD_OF).max(1)).copied().collect();
    some.sort_unstable_by(f32::total_cmp);
    some.get(3 * some.len() / 4).zip(some.get(some.len() / 4)).map_or(0.0, |(high, low)| high - low)
}

/// Division by a radial profile: a fitted one, or the image's own [`RadialProfile::azimuthal_average`].
///
/// Brightness is kept, multiplicatively: times the profile gives the image back. NaN where the image is, and where the profile is
/// absent or not above 0.
///
/// Known artefacts, with the image's own average: a bright jet, tail or star raises its rings' average and darkens the rest of
/// them (a median less than a mean); a centre wrong by ε leaves a dipole of ε/ρ; where the profile nears the sky noise is blown up. With a fitted
/// profile: whatever the fit left shows as a ring or a ramp.
///
/// # Errors
/// When the centre is outside the image.
///
/// # Accuracy
/// 1/ρ and constant comae become 1 to 1e-6 with their own average, mean or median.
///
/// # Source
/// Samarasinha & Larson 2014, Icarus 239, 168 (review of the technique and its artefacts).
pub fn divide_by_profile(image: &Image, centre: PixelXy, profile: &RadialProfile) -> Result<Image, ComaError> {
    against_profile(
        image,
        centre,
        profile,
        #[inline(always)]
        |value, level, radius| if level > 0.0 { value * radius / level } else { f32::NAN },
    )
}

/// The image changed pixel by pixel: `change` is given a pixel, the profile times the distance there, and the distance.
fn against_profile(
    image: &Image,
    centre: PixelXy,
    profile: &RadialProfile,
    change: impl Fn(f32, f32, f32) -> f32 + Sync,
) -> Result<Image, ComaError> {
    let profile = profile.lookup(image, centre);
    map_with_radius(
        image,
        centre,
        #[inline(always)]
        |row, radii, [levels]| {
            hold_off(radii);
            profile.fill(radii, [levels]);
            for ((value, level), radius) in row.iter_mut().zip(levels).zip(radii) {
                *value = change(*value, *level, *radius);
            }
        },
    )
}

/// Subtraction of a radial profile: a fitted one, or the image's own [`RadialProfile::azimuthal_average`].
///
/// Brightness is kept, additively: plus the profile gives the image back. NaN where the image is, and where the profile is absent.
///
/// Known artefacts, with the image's own average: dark shells opposite a bright structure (Warell et al. 1999, A&AS 136, 245, saw
/// them in a real comet); a star on a ring darkens it (a median less than a mean); a centre wrong by ε leaves a dipole
/// of ε/ρ², strongest at the nucleus.
///
/// # Errors
/// When the centre is outside the image.
///
/// # Accuracy
/// 1/ρ and constant comae become 0 to 1e-6 of their brightness with their own average, mean or median.
///
/// # Source
/// Samarasinha & Larson 2014, Icarus 239, 168 (review of the technique and its artefacts).
pub fn subtract_profile(image: &Image, centre: PixelXy, profile: &RadialProfile) -> Result<Image, ComaError> {
    against_profile(
        image,
        centre,
        profile,
        #[inline(always)]
        |value, level, radius| value - level / radius,
    )
}

/// Division by 1/ρ: each pixel times its distance from the centre in px.
///
/// Brightness is kept, multiplicatively. A 1/ρ coma becomes constant, to single precision; 0 at the centre itself.
///
/// Known artefacts: a coma that falls otherwise keeps a radial ramp (ρ^(1−slope)); a sky that is not taken off grows with
/// ρ; a centre wrong by ε leaves a dipole of ε/ρ; inside the seeing disc it draws a hole.
///
/// # Errors
/// When the centre is outside the image.
///
/// # Source
/// Samarasinha & Larson 2014, Icarus 239, 168 (review of the technique and its artefacts).
pub fn divide_by_inverse_radius(image: &Image, centre: PixelXy) -> Result<Image, ComaError> {
    map_with_radius(
        image,
        centre,
        #[inline(always)]
        |row, radii, []| row.iter_mut().zip(radii).for_each(|(value, radius)| *value *= *radius),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTRE: PixelXy = PixelXy { x_px: 50.3, y_px: 48.8 };

    fn image_of(f: impl Fn(f64, f64) -> f64) -> Image {
        let pixel = |i: usize| {
            let (dx, dy) = ((i % 101) as f64 - CENTRE.x_px, (i / 101) as f64 - CENTRE.y_px);
            f(dx.hypot(dy), dy.atan2(dx)) as f32
        };
        Image { width: 101, height: 101, data: (0..101 * 101).map(pixel).collect() }
    }

    fn average(image: &Image, statistic: Statistic, ring_width_px: f64) -> RadialProfile {
        RadialProfile::azimuthal_average(image, CENTRE, &RingConfig { statistic, ring_width_px }).unwrap()
    }

    fn largest(values: &[f32], from: f32) -> f32 {
        values.iter().filter(|v| v.is_finite()).fold(0.0, |m, v| m.max((v - from).abs()))
    }

    /// Constant and 1/ρ comae come out exactly (single precision), for both statistics and any ring width.
    #[test]
    fn constant_and_inverse_comae_are_exact() {
        for comae in [image_of(|_, _| 250.0), image_of(|r, _| 7000.0 / r.max(0.5))] {
            for statistic in [Statistic::Mean, Statistic::Median] {
                for width in [0.5, 1.0, 3.0] {
                    let profile = average(&comae, statistic, width);
                    let divided = divide_by_profile(&comae, CENTRE, &profile).unwrap();
                    assert!(largest(&divided.data, 1.0) < 1e-6, "{} off", largest(&divided.data, 1.0));
                    assert!((divided.at(50, 49) - 1.0).abs() < 1e-6);
                    assert!(divided.data.iter().filter(|v| v.is_nan()).count() < 1500);
                    let subtracted = subtract_profile(&comae, CENTRE, &profile).unwrap();
                    assert!(subtracted.data.iter().zip(&comae.data).all(|(s, c)| s.is_nan() || s.abs() < 1e-6 * c));
                }
            }
        }
    }

    /// Any smooth round coma is flat without rings: the curve between ring values is smooth.
    #[test]
    fn no_ring_shows_in_a_smooth_coma() {
        let image = image_of(|r, _| 1000.0 * (-r / 15.0).exp() + 30.0 / (1.0 + r));
        for statistic in [Statistic::Mean, Statistic::Median] {
            let divided = divide_by_profile(&image, CENTRE, &average(&image, statistic, 1.0)).unwrap();
            let outside = |i: &usize| ((i % 101) as f64 - CENTRE.x_px).hypot((i / 101) as f64 - CENTRE.y_px) > 4.0;
            let values: Vec<f32> = (0..101 * 101).filter(outside).map(|i| divided.data[i]).collect();
            assert!(largest(&values, 1.0) < 2e-3, "{statistic:?}: {}", largest(&values, 1.0));
        }
    }

    /// A median does not see a ray or a star on a ring; a mean is raised by its share of the ring.
    #[test]
    fn a_median_resists_what_a_mean_does_not() {
        let ray = |t: f64| if t.abs() < 0.2 { 1.5 } else { 1.0 };
        let image = image_of(|r, t| 1000.0 / r.max(0.5) * ray(t));
        let of = |statistic| divide_by_profile(&image, CENTRE, &average(&image, statistic, 1.0)).unwrap();
        let (median, mean) = (of(Statistic::Median), of(Statistic::Mean));
        assert!((median.at(80, 49) - 1.5).abs() < 1e-5 && (median.at(20, 49) - 1.0).abs() < 1e-5);
        let expected = 1.0 / (1.0 + 0.5 * 0.4 / std::f64::consts::TAU);
        assert!((f64::from(mean.at(20, 49)) - expected).abs() < 0.004, "{} for {expected}", mean.at(20, 49));
    }

    /// A misplaced centre: a dipole of ε/ρ in the ratio and of ε/ρ² in the difference.
    #[test]
    fn a_wrong_centre_draws_a_dipole() {
        let image = image_of(|r, _| 1000.0 / r.max(0.5));
        let shifted = PixelXy { x_px: CENTRE.x_px + 0.5, ..CENTRE };
        let config = RingConfig { statistic: Statistic::Mean, ring_width_px: 1.0 };
        let profile = RadialProfile::azimuthal_average(&image, shifted, &config).unwrap();
        let ratio = divide_by_profile(&image, shifted, &profile).unwrap();
        let difference = subtract_profile(&image, shifted, &profile).unwrap();
        let radius = 70.0 - shifted.x_px;
        assert!((f64::from(ratio.at(70, 49)) - 1.0 + 0.5 / radius).abs() < 0.1 * 0.5 / radius);
        let expected = -1000.0 * 0.5 / (radius * radius);
        assert!((f64::from(difference.at(70, 49)) - expected).abs() < 0.1 * expected.abs());
    }

    /// A power law is found again, whatever its slope, and takes a ray only by its share of the medians: none.
    #[test]
    fn a_power_law_is_fitted_and_divides_to_one() {
        let ray = |t: f64| if t.abs() < 0.2 { 1.5 } else { 1.0 };
        for s in [-1.4, -1.0, -0.6] {
            let image = image_of(|r, t| 900.0 * r.max(0.5).powf(s) * ray(t));
            let (profile, slope) = RadialProfile::power_law(&image, CENTRE, 4.0, 40.0).unwrap();
            assert!((slope - s).abs() < 4e-3, "{slope} for {s}");
            let divided = divide_by_profile(&image, CENTRE, &profile).unwrap();
            assert!((divided.at(80, 49) - 1.5).abs() < 8e-3 && (divided.at(20, 49) - 1.0).abs() < 8e-3);
            assert!(divided.data.iter().all(|v| v.is_finite()), "known to the corners");
        }
        let empty = image_of(|_, _| -1.0);
        assert!(matches!(RadialProfile::power_law(&empty, CENTRE, 4.0, 40.0), Err(ComaError::TooFew { .. })));
        for (inner, outer) in [(0.1, 40.0), (10.0, 10.0), (10.0, f64::NAN)] {
            assert!(RadialProfile::power_law(&image_of(|r, _| 90.0 / r.max(0.5)), CENTRE, inner, outer).is_err());
        }
    }

    /// What was divided by or taken off gives the image back.
    #[test]
    fn brightness_comes_back() {
        let image = image_of(|r, t| 500.0 / (r + 2.0) * (1.0 + 0.2 * (3.0 * t).cos()));
        let profile = average(&image, Statistic::Median, 1.0);
        let (ratio, difference) =
            (divide_by_profile(&image, CENTRE, &profile).unwrap(), subtract_profile(&image, CENTRE, &profile).unwrap());
        for (x, y) in [(50, 49), (60, 49), (10, 70)] {
            let level = profile.at((x as f64 - CENTRE.x_px).hypot(y as f64 - CENTRE.y_px)).unwrap();
            let value = f64::from(image.at(x, y));
            assert!((f64::from(ratio.at(x, y)) * level - value).abs() < 1e-6 * value);
            assert!((f64::from(difference.at(x, y)) + level - value).abs() < 1e-6 * value);
        }
    }

    #[test]
    fn an_inverse_coma_becomes_its_constant() {
        let image = image_of(|r, _| 7000.0 / r.max(0.1));
        let got = divide_by_inverse_radius(&image, CENTRE).unwrap();
        assert!(largest(&got.data, 7000.0) < 2e-3, "{}", largest(&got.data, 7000.0));
        let centre = PixelXy { x_px: 3.0, y_px: 4.0 };
        assert_eq!(divide_by_inverse_radius(&image, centre).unwrap().at(3, 4), 0.0);
    }

    #[test]
    fn tables_are_followed_and_end() {
        let radii = [0.0, 5.0, 20.0, 60.0];
        let table = RadialProfile::from_table(&radii, &[1400.0, 140.0, 35.0, 700.0 / 60.0]).unwrap();
        let divided = divide_by_profile(&image_of(|r, _| 700.0 / r.max(0.5)), CENTRE, &table).unwrap();
        assert!(largest(&divided.data, 1.0) < 1e-6 && divided.at(50, 49) == 1.0);
        assert_eq!((table.at(61.0), table.at(f64::NAN).is_some_and(f64::is_nan)), (None, false));
        assert!((table.at(5.0).unwrap() - 140.0).abs() < 1e-12);
        for (r, v) in
            [(&[][..], &[][..]), (&[1.0], &[]), (&[2.0, 1.0], &[1.0, 1.0]), (&[-1.0], &[1.0]), (&[1.0], &[f64::NAN])]
        {
            assert!(RadialProfile::from_table(r, v).is_err());
        }
        // Where the profile is not above 0 there is nothing to divide by.
        let sunk = RadialProfile::from_table(&[0.0, 20.0, 30.0, 31.0, 90.0], &[1.0, 1.0, 1.0, -1.0, -1.0]).unwrap();
        let divided = divide_by_profile(&image_of(|_, _| 1.0), CENTRE, &sunk).unwrap();
        assert!((divided.at(60, 49) - 1.0).abs() < 1e-6 && divided.at(90, 49).is_nan());
    }
}
