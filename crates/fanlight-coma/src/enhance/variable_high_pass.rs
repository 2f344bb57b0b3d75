//! A high-pass whose scale grows with the distance from the nucleus.

use super::rings;
use super::{check, check_centre};
use crate::ComaError;
use fanlight_image::{Image, PixelBox, smooth};
use fanlight_sky::PixelXy;
use rayon::prelude::*;

/// Scales below this are taken as this: such a Gaussian gives 0.4 % to a neighbour and smooths nothing.
const LEAST_SCALE_PX: f64 = 0.3;
/// Layers per factor 2 in scale: the smoothed image of a 1/ρ coma, its core too, is then within 0.6 % of one made with a Gaussian for
/// each pixel. Time grows with it.
const LAYERS_PER_OCTAVE: f64 = 2.0;
/// How far the Gaussians reach at most, in their widths (twice 4σ/√2, and a step of the coarse grid).
const REACH_SIGMA: f64 = 6.5;
/// Steps of the table of scales per pixel of radius.
const TABLE_PER_PX: f64 = 4.0;

/// The scale: σ = `base_px` + `growth`·ρ^`exponent`, ρ and σ in px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScaleLaw {
    /// Scale at the nucleus, px; 0 or more.
    pub base_px: f64,
    /// Growth; 0 or more, and above 0 where the base is 0.
    pub growth: f64,
    /// Exponent of the growth, 0 to 4; 1 keeps the scale a constant share of the distance.
    pub exponent: f64,
}

impl ScaleLaw {
    /// The scale at a distance, px.
    pub fn at(&self, radius_px: f64) -> f64 {
        self.base_px + self.growth * radius_px.powf(self.exponent)
    }
}

/// Radially variable high-pass: the image less itself smoothed with a Gaussian whose σ grows with ρ by `law`.
///
/// Brightness is lost: what is broader than the scale is taken out. A few smoothed layers, at most √2 apart in scale, are
/// interpolated in σ², so nothing steps where the scale changes. Missing pixels stay missing and do not count in what is
/// smoothed. Scales are held between 0.3 px and the image's longer side.
///
/// Known artefacts: a bright core in a dark ring of about the scale there; a dark rim along both sides of every jet and about
/// every star; a round coma is not removed where it curves over a scale (near the nucleus unless base and growth are small).
///
/// # Errors
/// When the centre is outside the image or a number of the law is outside its range.
///
/// # Accuracy
/// What is taken off a 1/ρ coma is within 0.6 % of a Gaussian sum made for each pixel (base 0.5 px, growth 0.09), that of a bowl ρ² within
/// 0.4 %.
///
/// # Source
/// Samarasinha & Larson 2014, Icarus 239, 168 (filters whose separation grows as A + B·ρ^N); Gaussian layers here instead of
/// single pixels.
pub fn variable_high_pass(image: &Image, centre: PixelXy, law: &ScaleLaw) -> Result<Image, ComaError> {
    let positive = |v: f64| v.is_finite() && v >= 0.0;
    check("base_px", law.base_px, positive, "the numbers from 0")?;
    check("growth", law.growth, |v| positive(v) && v + law.base_px > 0.0, "the numbers above 0, or 0 with a base")?;
    check("exponent", law.exponent, |v| (0.0..=4.0).contains(&v), "0 to 4")?;
    check_centre(image, centre)?;
    if image.data.is_empty() {
        return Ok(image.clone());
    }
    let longest = image.width.max(image.height) as f64;
    let scale = |radius: f64| law.at(radius).clamp(LEAST_SCALE_PX, longest.max(LEAST_SCALE_PX));
    let farthest = rings::farthest(image, centre);
    let (least, most) = (scale(0.0), scale(farthest));
    let octaves = (most / least).log2();
    let n_layers = (octaves * LAYERS_PER_OCTAVE).ceil() as usize + 1;
    let spacing = if n_layers > 1 { octaves / (n_layers - 1) as f64 } else { 1.0 };

    // The layer that each distance asks for, as a number with a fraction.
    let n_table = (farthest * TABLE_PER_PX) as usize + 2;
    let place = |i: usize| {
        let octave = (scale(i as f64 / TABLE_PER_PX) / least).log2() / spacing;
        let layer = octave.floor();
        // Smoothing is a diffusion for a time σ²/2, so between two layers it is all but linear in σ².
        let (part, whole) = ((2.0 * spacing * (octave - layer)).exp2() - 1.0, (2.0 * spacing).exp2() - 1.0);
        (layer + part / whole) as f32
    };
    let places: Vec<f32> = (0..n_table).map(place).collect();
    let mut layer_of = Image::filled(image.width, image.height, 0.0);
    layer_of.data.par_chunks_mut(image.width).enumerate().for_each(|(y, row)| {
        let dy = y as f64 - centre.y_px;
        for (x, layer) in row.iter_mut().enumerate() {
            let dx = x as f64 - centre.x_px;
            let at = (dx * dx + dy * dy).sqrt() * TABLE_PER_PX;
            let (i, part) = (at as usize, at.fract() as f32);
            *layer = places[i] + part * (places[i + 1] - places[i]);
        }
    });

    let last = (n_layers - 1) as f32;
    let mut out = image.clone();
    for k in 0..n_layers {
        let sigma = least * (spacing * k as f64).exp2();
        // The scale grows with ρ: a layer ends where the one after the next begins, and needs what its Gaussians reach from there.
        let within = places.partition_point(|p| *p < (k + 1) as f32) as f64 / TABLE_PER_PX;
        let Some(area) =
            PixelBox::around(centre.x_px, centre.y_px, within + REACH_SIGMA * sigma + 1.0, image.width, image.height)
        else {
            continue;
        };
        let layer = smooth::gaussian(&image.crop(area), sigma);
        let rows = layer.data.par_chunks(area.width());
        let wide_rows = layer_of.data.par_chunks(image.width).skip(area.y0);
        out.data.par_chunks_mut(image.width).skip(area.y0).zip(wide_rows).zip(rows).for_each(
            |((row, places), soft)| {
                for ((value, place), soft) in row[area.x0..].iter_mut().zip(&places[area.x0..]).zip(soft) {
                    let nearest = if *place < last { *place } else { last };
                    let share = 1.0 - (nearest - k as f32).abs();
                    *value -= if share > 0.0 { share * soft } else { 0.0 };
                }
            },
        );
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTRE: PixelXy = PixelXy { x_px: 100.0, y_px: 100.0 };

    fn image_of(f: impl Fn(f64) -> f64) -> Image {
        let radius = |i: usize| ((i % 201) as f64 - 100.0).hypot((i / 201) as f64 - 100.0);
        Image { width: 201, height: 201, data: (0..201 * 201).map(|i| f(radius(i)) as f32).collect() }
    }

    #[test]
    fn without_growth_it_is_the_image_less_its_gaussian() {
        let image = image_of(|r| 1000.0 / r.max(1.0));
        let law = ScaleLaw { base_px: 2.5, growth: 0.0, exponent: 1.0 };
        let soft = smooth::gaussian(&image, 2.5);
        let got = variable_high_pass(&image, CENTRE, &law).unwrap();
        assert!(got.data.iter().zip(&image.data).zip(&soft.data).all(|((g, i), s)| *g == i - s));
    }

    /// Analytic: a bowl ρ² smoothed at σ rises by 2σ², so −2σ(ρ)² is left, at every radius and without steps.
    #[test]
    fn a_bowl_shows_the_scale_everywhere() {
        let law = ScaleLaw { base_px: 0.8, growth: 0.02, exponent: 1.3 };
        let got = variable_high_pass(&image_of(|r| r * r), CENTRE, &law).unwrap();
        for x in 101..170 {
            let expected = -2.0 * law.at(x as f64 - 100.0).powi(2);
            let value = f64::from(got.at(x, 100));
            // Cut at 4σ a Gaussian has 0.2 % less variance; single precision of values to 5000.
            assert!((value - expected).abs() < 0.004 * expected.abs() + 0.003, "{value} for {expected} at {x}");
        }
    }

    /// The plain way: for some pixels, the sum with the pixel's own Gaussian.
    #[test]
    fn layers_equal_a_gaussian_for_each_pixel() {
        let image = image_of(|r| 1000.0 / r.max(0.7));
        let law = ScaleLaw { base_px: 0.5, growth: 0.09, exponent: 1.0 };
        let got = variable_high_pass(&image, CENTRE, &law).unwrap();
        let mut worst: f64 = 0.0;
        for (x, y) in [(100, 101), (103, 100), (104, 107), (100, 88), (120, 100), (131, 122), (60, 100), (100, 150)] {
            let sigma = law.at((x as f64 - 100.0).hypot(y as f64 - 100.0));
            let (mut sum, mut weight) = (0.0, 0.0);
            for v in 0..201 {
                for u in 0..201 {
                    let square = (u as f64 - x as f64).powi(2) + (v as f64 - y as f64).powi(2);
                    let k = (-0.5 * square / (sigma * sigma)).exp();
                    sum += k * f64::from(image.at(u, v));
                    weight += k;
                }
            }
            let soft = f64::from(image.at(x, y) - got.at(x, y));
            worst = worst.max((soft / (sum / weight) - 1.0).abs());
        }
        assert!(worst < SOFT_ERROR, "{worst}");
    }
    /// Largest error of the smoothed 1/ρ coma by interpolating layers, in and out of the core; measured.
    const SOFT_ERROR: f64 = 0.006;

    #[test]
    fn a_constant_leaves_nothing_and_nonsense_is_refused() {
        let law = |base_px, growth, exponent| ScaleLaw { base_px, growth, exponent };
        let got = variable_high_pass(&image_of(|_| 300.0), CENTRE, &law(0.0, 0.1, 1.0)).unwrap();
        assert!(got.data.iter().all(|v| v.abs() < 3e-4));
        for bad in [law(-1.0, 0.0, 1.0), law(0.0, 0.0, 1.0), law(1.0, f64::NAN, 1.0), law(1.0, 0.1, 5.0)] {
            assert!(variable_high_pass(&image_of(|_| 1.0), CENTRE, &bad).is_err());
        }
    }
}
