//! Azimuthal renormalisation: every ring brought to the same range. Two definitions go by that name; both are here.

use super::radial_profile::{RadialProfile, hold_off};
use super::ring_moments::{Moments, ring_moments};
use super::rings::{self, Ring, Rings};
use super::spline::{Lookup, Spline};
use super::{check, map_with_radius};
use crate::ComaError;
use fanlight_image::robust::percentile;
use fanlight_image::{Image, wide};
use fanlight_sky::PixelXy;

/// Rings of fewer good pixels (the innermost) have no range worth the name.
const MIN_PIXELS: usize = 8;
/// Least range of a ring, as a share of its mean: below is what single precision leaves of a round coma.
const LEAST_RANGE: f32 = 4e-6;

/// How rings are stretched from their faintest to their brightest pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StretchConfig {
    /// Percentile of a ring that becomes 0; 0 is its minimum.
    pub low_percent: f64,
    /// Percentile of a ring that becomes 1; 100 is its maximum.
    pub high_percent: f64,
    /// Width of a ring, px; at least 0.5.
    pub ring_width_px: f64,
}

impl Default for StretchConfig {
    fn default() -> Self {
        Self { low_percent: 0.0, high_percent: 100.0, ring_width_px: 1.0 }
    }
}

/// Azimuthal renormalisation, minimum to maximum: in each ring (I − low) / (high − low), low and high being the ring's minimum
/// and maximum or percentiles.
///
/// Brightness is lost: every ring is given the same range. The fall-off inside a ring is taken off first and low and high
/// run smoothly from ring to ring, so values may pass 0 and 1 a little. NaN where the image is, in rings of fewer than eight good pixels or less than a quarter
/// inside the image, and where a ring has no range (a round coma without noise).
///
/// Known artefacts: noise of faint rings is blown up to the full range, so structure seems to go on to the edge; one star sets the
/// range of its ring and greys the rest (percentiles, say 1 and 99, resist); a centre wrong by ε or a tail becomes a
/// full-range dipole.
///
/// # Errors
/// When the centre is outside the image, the rings are narrower than 0.5 px, or the percentiles are not 0 ≤ low < high ≤ 100.
///
/// # Source
/// Samarasinha & Larson 2014, Icarus 239, 168 (review of the technique and its artefacts).
pub fn stretch_rings(image: &Image, centre: PixelXy, config: &StretchConfig) -> Result<Image, ComaError> {
    let StretchConfig { low_percent, high_percent, ring_width_px } = *config;
    check("low_percent", low_percent, |p| (0.0..100.0).contains(&p), "0 to 100")?;
    check("high_percent", high_percent, |p| p > low_percent && p <= 100.0, "low_percent to 100")?;
    // The median, since a star that lifts one ring's mean would tilt the pixels beside it.
    let sorted = Rings::of(image, centre, ring_width_px)?;
    let average = RadialProfile::median_of_rings(&sorted, ring_width_px);
    let levels = average.lookup(image, centre);
    let rings = sorted.map(|pixels, inner_px, (radii, values): &mut (Vec<f32>, Vec<f32>)| {
        radii.clear();
        radii.extend(pixels.iter().map(|p| p.radius_px));
        hold_off(radii);
        values.clear();
        values.resize(pixels.len(), 0.0);
        wide(
            #[inline(always)]
            || {
                levels.fill_near(radii, values);
                for ((value, radius), pixel) in values.iter_mut().zip(radii).zip(pixels) {
                    *value = pixel.value - *value / *radius;
                }
            },
        );
        values.retain(|v| v.is_finite());
        if values.len() < MIN_PIXELS {
            return None;
        }
        let low = percentile(values, low_percent)?;
        let high = percentile(values, high_percent)?;
        // the average has a knot in every ring that is covered
        let radius = average.curve().first_knot(inner_px)?;
        Some((radius, low.into(), f64::from(high) - f64::from(low)))
    });
    renormalise(image, centre, &average, &rings, ring_width_px)
}

/// Azimuthal renormalisation, mean and standard deviation: in each ring (I − mean) / σ.
///
/// Brightness is lost: every ring is given the same scatter. Mean and σ run smoothly from ring to ring. NaN as for
/// [`stretch_rings`].
///
/// Known artefacts: noise of faint rings is blown up to the scatter of bright ones; a jet or star raises its ring's mean and σ and so
/// darkens and greys the rest of it; a centre wrong by ε or a tail becomes a dipole of constant strength.
///
/// # Errors
/// When the centre is outside the image or the rings are narrower than 0.5 px.
///
/// # Source
/// Warell et al. 1999, A&AS 136, 245, eq. 2.
pub fn standardise_rings(image: &Image, centre: PixelXy, ring_width_px: f64) -> Result<Image, ComaError> {
    let average = RadialProfile::mean_of_rings(image, centre, ring_width_px)?;
    let lookup = average.lookup(image, centre);
    let moments = ring_moments(
        image,
        centre,
        ring_width_px,
        #[inline(always)]
        |radii, values, levels| {
            hold_off(radii);
            lookup.fill(radii, [levels]);
            for ((value, level), radius) in values.iter_mut().zip(levels).zip(radii) {
                *value -= *level / *radius;
            }
        },
    )?;
    let enough = moments.iter().filter(|r| r.value.n() >= MIN_PIXELS as f64);
    let ring = |r: &Ring<Moments>| Ring {
        inner_px: r.inner_px,
        value: (r.value.radius_px(), r.value.mean(), r.value.deviation()),
    };
    renormalise(image, centre, &average, &enough.map(ring).collect::<Vec<_>>(), ring_width_px)
}

/// (I − average(ρ) − zero(ρ)) / unit(ρ), by the mean radius, zero and unit of each ring.
fn renormalise(
    image: &Image,
    centre: PixelXy,
    average: &RadialProfile,
    rings: &[Ring<(f64, f64, f64)>],
    ring_width_px: f64,
) -> Result<Image, ComaError> {
    let range = rings::range(rings, ring_width_px);
    let through = |f: fn(&(f64, f64, f64)) -> f64| {
        let knots: Vec<(f64, f64)> = rings.iter().map(|r| (r.value.0, f(&r.value))).collect();
        Spline::new(&knots, range)
    };
    let curves = [average.curve(), &through(|r| r.1), &through(|r| r.2)];
    let lookup = Lookup::new(curves, rings::farthest(image, centre));
    map_with_radius(
        image,
        centre,
        #[inline(always)]
        |row, radii, [levels, zeros, units]| {
            hold_off(radii);
            lookup.fill(radii, [levels, zeros, units]);
            levels.iter_mut().zip(radii).for_each(|(level, radius)| *level /= *radius);
            for (((value, zero), unit), level) in row.iter_mut().zip(zeros).zip(units).zip(levels) {
                let enough = *unit > LEAST_RANGE * level.abs();
                *value = if enough { (*value - *level - *zero) / *unit } else { f32::NAN };
            }
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTRE: PixelXy = PixelXy { x_px: 60.0, y_px: 60.0 };

    fn image_of(f: impl Fn(f64, f64) -> f64) -> Image {
        let pixel = |i: usize| {
            let (dx, dy) = ((i % 121) as f64 - 60.0, (i / 121) as f64 - 60.0);
            f(dx.hypot(dy), dy.atan2(dx)) as f32
        };
        Image { width: 121, height: 121, data: (0..121 * 121).map(pixel).collect() }
    }

    /// Analytic: f(ρ)(1 + a cos θ) becomes (1 + cos θ)/2 by its range and √2 cos θ by its scatter.
    #[test]
    fn a_dipole_is_brought_to_one_strength() {
        let image = image_of(|r, t| 1000.0 / r.max(1.0) * (1.0 + 0.03 * t.cos()));
        let stretched = stretch_rings(&image, CENTRE, &StretchConfig::default()).unwrap();
        let standardised = standardise_rings(&image, CENTRE, 1.0).unwrap();
        for (x, y) in [(80, 60), (60, 85), (20, 60), (85, 35), (45, 40)] {
            let cos = (y as f64 - 60.0).atan2(x as f64 - 60.0).cos();
            let (a, b) = (f64::from(stretched.at(x, y)), f64::from(standardised.at(x, y)));
            // Extremes fall between pixels, and a ring holds brighter and fainter radii.
            assert!((a - 0.5 * (1.0 + cos)).abs() < 0.02, "{a} at {x} {y}");
            assert!((b - std::f64::consts::SQRT_2 * cos).abs() < 0.04, "{b} at {x} {y}");
        }
    }

    /// A star sets its ring's maximum, but not its 99th percentile.
    #[test]
    fn percentiles_resist_a_star() {
        let mut image = image_of(|r, t| 1000.0 / r.max(1.0) * (1.0 + 0.1 * t.cos()));
        image.data[60 * 121 + 30] = 5000.0;
        let of = |low_percent, high_percent| {
            let config = StretchConfig { low_percent, high_percent, ring_width_px: 1.0 };
            stretch_rings(&image, CENTRE, &config).unwrap().at(90, 60)
        };
        assert!(of(0.0, 100.0) < 0.1 && of(0.0, 98.0) > 0.9, "{} {}", of(0.0, 100.0), of(0.0, 98.0));
    }

    /// A round coma has no range to renormalise: absent rather than rounding errors at full contrast.
    #[test]
    fn a_round_coma_is_absent() {
        for image in [image_of(|_, _| 300.0), image_of(|r, _| 1000.0 / r.max(0.5))] {
            let stretched = stretch_rings(&image, CENTRE, &StretchConfig::default()).unwrap();
            let standardised = standardise_rings(&image, CENTRE, 1.0).unwrap();
            assert!(stretched.data.iter().chain(&standardised.data).all(|v| v.is_nan()));
        }
    }

    #[test]
    fn nonsense_is_refused() {
        for (low_percent, high_percent, ring_width_px) in
            [(50.0, 50.0, 1.0), (-1.0, 90.0, 1.0), (1.0, 101.0, 1.0), (0.0, 100.0, 0.1)]
        {
            let config = StretchConfig { low_percent, high_percent, ring_width_px };
            assert!(stretch_rings(&image_of(|r, _| r), CENTRE, &config).is_err());
        }
    }
}
