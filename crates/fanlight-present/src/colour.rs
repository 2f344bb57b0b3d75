//! Colour maps of our own, laid out in the OKLab space so that equal steps look equal.
//!
//! All lightness runs one way, so each map reads in grey, in print and by colour-blind eyes: the hues used, blue and
//! amber, are told apart by protanopes and deuteranopes.
//!
//! # Source
//! B. Ottosson, "A perceptual color space for image processing" (2020): the OKLab matrices.

/// A map of 256 colours.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ColourMap {
    /// As captions name it.
    pub name: &'static str,
    /// sRGB, dark to light unless the name says otherwise.
    pub table: [[u8; 3]; 256],
}

/// Near-black to white in equal steps of lightness. It starts at OKLab lightness 0.12: below, 8-bit steps are too coarse
/// to keep neighbours apart.
pub fn grey() -> ColourMap {
    ColourMap { name: "grey", table: along(&[[0.12, 0.0, 0.0], [1.0, 0.0, 0.0]]) }
}

/// White to black: [`grey`] turned round, for print.
pub fn inverted_grey() -> ColourMap {
    let mut table = grey().table;
    table.reverse();
    ColourMap { name: "inverted grey", table }
}

/// Night blue through slate to warm white, lightness growing throughout.
pub fn dusk() -> ColourMap {
    ColourMap {
        name: "dusk (blue to warm white, lightness growing evenly)",
        table: along(&[
            [0.13, 0.000, -0.035],
            [0.28, -0.008, -0.095],
            [0.44, -0.020, -0.085],
            [0.58, -0.012, -0.020],
            [0.72, 0.012, 0.050],
            [0.86, 0.012, 0.085],
            [0.98, 0.000, 0.035],
        ]),
    }
}

/// Blue below, neutral grey at the middle, amber above; lightness grows evenly from end to end, so the sign is seen
/// in grey too.
pub fn blue_amber() -> ColourMap {
    ColourMap {
        name: "blue to amber (neutral grey in the middle, lightness growing evenly)",
        table: along(&[[0.26, -0.010, -0.105], [0.60, 0.0, 0.0], [0.94, 0.000, 0.105]]),
    }
}

/// 256 colours at equal distances along a smooth path through OKLab points `[L, a, b]`.
fn along(points: &[[f64; 3]]) -> [[u8; 3]; 256] {
    const FINE: usize = 4096;
    let path: Vec<[f64; 3]> = (0..=FINE).map(|i| on_path(points, i as f64 / FINE as f64)).collect();
    let mut length = vec![0.0; path.len()];
    for i in 1..path.len() {
        length[i] = length[i - 1] + distance(path[i - 1], path[i]);
    }
    let total = length[FINE];
    let mut at = 0;
    std::array::from_fn(|k| {
        let wanted = total * k as f64 / 255.0;
        while at + 1 < FINE && length[at + 1] < wanted {
            at += 1;
        }
        srgb_from_oklab(path[if k == 255 { FINE } else { at }])
    })
}

/// Catmull-Rom through evenly spaced points (ends doubled): passes through each, no corner.
fn on_path(points: &[[f64; 3]], t: f64) -> [f64; 3] {
    let last = points.len() - 1;
    let scaled = t * last as f64;
    let i = (scaled as usize).min(last - 1);
    let u = scaled - i as f64;
    let p = |k: isize| points[(i as isize + k).clamp(0, last as isize) as usize];
    std::array::from_fn(|c| {
        let (a, b, d, e) = (p(-1)[c], p(0)[c], p(1)[c], p(2)[c]);
        b + 0.5 * u * (d - a + u * (2.0 * a - 5.0 * b + 4.0 * d - e + u * (3.0 * (b - d) + e - a)))
    })
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f64>().sqrt()
}

fn srgb_from_oklab([lightness, a, b]: [f64; 3]) -> [u8; 3] {
    let cube = |m: f64, n: f64| (lightness + m * a + n * b).powi(3);
    let l = cube(0.396_337_777_4, 0.215_803_757_3);
    let m = cube(-0.105_561_345_8, -0.063_854_172_8);
    let s = cube(-0.089_484_177_5, -1.291_485_548_0);
    [
        4.076_741_662_1 * l - 3.307_711_591_3 * m + 0.230_969_929_2 * s,
        -1.268_438_004_6 * l + 2.609_757_401_1 * m - 0.341_319_396_5 * s,
        -0.004_196_086_3 * l - 0.703_418_614_7 * m + 1.707_614_701_0 * s,
    ]
    .map(|linear: f64| {
        let c = linear.clamp(0.0, 1.0);
        let coded = if c <= 0.003_130_8 { 12.92 * c } else { 1.055 * c.powf(1.0 / 2.4) - 0.055 };
        (coded * 255.0).round() as u8
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The forward transform of the same source, as a check on the inverse above.
    fn oklab_from_srgb(rgb: [u8; 3]) -> [f64; 3] {
        let [r, g, b] = rgb.map(|c| {
            let c = f64::from(c) / 255.0;
            if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        });
        let l = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
        let m = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
        let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
        [
            0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
            1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
            0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
        ]
    }

    #[test]
    fn lightness_grows_without_a_step_back_in_every_map() {
        for map in [grey(), dusk(), blue_amber()] {
            let lightness: Vec<f64> = map.table.iter().map(|c| oklab_from_srgb(*c)[0]).collect();
            // 8-bit rounding may hold neighbours level in the darkest tones, never four entries on
            assert!(lightness.windows(5).all(|w| w[4] > w[0]), "{}", map.name);
            assert!(lightness.windows(2).all(|w| w[1] > w[0] - 0.004), "{}", map.name);
        }
    }

    #[test]
    fn equal_steps_in_value_are_equal_steps_to_the_eye() {
        for map in [grey(), dusk(), blue_amber()] {
            let lab: Vec<[f64; 3]> = map.table.iter().map(|c| oklab_from_srgb(*c)).collect();
            // over 17 entries, so that 8-bit rounding (about 0.002) stays small against the step
            let steps: Vec<f64> = (17..=255).step_by(17).map(|k| distance(lab[k - 17], lab[k])).collect();
            let mean = steps.iter().sum::<f64>() / steps.len() as f64;
            assert!(steps.iter().all(|s| (s / mean - 1.0).abs() < 0.15), "{}: {steps:?}", map.name);
        }
    }

    #[test]
    fn the_diverging_map_is_neutral_in_the_middle_and_even_on_both_sides() {
        let lab = blue_amber().table.map(oklab_from_srgb);
        let middle = lab[127];
        assert!(middle[1].abs() < 0.01 && middle[2].abs() < 0.01, "{middle:?}");
        for k in 1..=127 {
            let (below, above) = (middle[0] - lab[127 - k][0], lab[127 + k][0] - middle[0]);
            assert!((below - above).abs() < 0.02, "{k}: {below} {above}");
            assert!(lab[127 - k][2] < 0.005 && lab[127 + k][2] > -0.005);
        }
    }

    #[test]
    fn grey_is_grey_from_black_to_white() {
        let table = grey().table;
        assert!(table.iter().all(|c| c[0].abs_diff(c[1]) <= 1 && c[1].abs_diff(c[2]) <= 1));
        assert!(table[0][0] < 10 && table[255] == [255, 255, 255]);
        assert_eq!(inverted_grey().table[0], [255, 255, 255]);
    }

    #[test]
    fn the_path_stays_inside_what_screens_can_show() {
        // a clipped channel would flatten the steps: decoding must give back the point that was asked
        for (asked, shown) in [
            ([0.26, -0.010, -0.105], blue_amber().table[0]),
            ([0.94, 0.0, 0.105], blue_amber().table[255]),
            ([0.13, 0.0, -0.035], dusk().table[0]),
            ([0.98, 0.0, 0.035], dusk().table[255]),
        ] {
            assert!(distance(asked, oklab_from_srgb(shown)) < 0.012, "{asked:?} {shown:?}");
        }
    }
}
