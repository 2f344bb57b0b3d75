//! Background and detection on the star field of `reference/background_detect_sep.py`, against sep 1.4 and the truth.

use crate::simulate::{add_noise, round_star};
use fanlight_image::background::{Background, MeshConfig, mesh};
use fanlight_image::detect::{DetectConfig, Detection, sources};
use fanlight_image::{Image, ImageError, Mask, flag};
use proptest::prelude::*;

const SIZE: usize = 256;

fn field() -> Image {
    let bytes = include_bytes!("../data/field_256.u16le");
    let data = bytes.chunks(2).map(|b| f32::from(u16::from_le_bytes([b[0], b[1]]))).collect();
    Image::from_pixels(SIZE, SIZE, data).unwrap()
}

fn rows(text: &str) -> Vec<Vec<f64>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    reader.records().map(|r| r.unwrap().iter().map(|v| v.parse().unwrap()).collect()).collect()
}

fn background_of(image: &Image) -> Background {
    mesh(image, &Mask::clear(image.width, image.height), &MeshConfig::default()).unwrap()
}

#[test]
fn background_agrees_with_sep() {
    let ours = background_of(&field());
    let (mut worst_level, mut worst_noise, mut sum) = (0.0f64, 0.0f64, 0.0);
    let reference = rows(include_str!("../data/field_background.csv"));
    for r in &reference {
        let (x, y, rms) = (r[0] as usize, r[1] as usize, r[3]);
        let off = (f64::from(ours.level.at(x, y)) - r[2]) / rms;
        worst_level = worst_level.max(off.abs());
        sum += off;
        worst_noise = worst_noise.max((f64::from(ours.noise.at(x, y)) / rms - 1.0).abs());
    }
    // 16 cells of 4096 px: the mode of one is good to 0.03 σ, and the two ways of clipping differ by as much
    assert!(worst_level < 0.1, "level {worst_level}");
    assert!((sum / reference.len() as f64).abs() < 0.03, "mean {}", sum / reference.len() as f64);
    assert!(worst_noise < 0.05, "noise {worst_noise}");
}

#[test]
fn background_ignores_masked_pixels_and_fills_cells() {
    let plane = |x: usize, y: usize| 100.0 + 0.1 * x as f32 - 0.05 * y as f32;
    let mut image = Image::filled(200, 130, 0.0);
    for i in 0..image.data.len() {
        image.data[i] = plane(i % 200, i / 200);
    }
    add_noise(&mut image, 0.0, 4);
    let mut mask = Mask::clear(200, 130);
    // one whole cell masked and wild, another NaN
    for y in 0..130 {
        for x in 0..200 {
            if x < 66 && y < 64 {
                mask.bits[y * 200 + x] = flag::STAR;
                image.data[y * 200 + x] = 1e6;
            }
            if x > 140 && y > 70 {
                image.data[y * 200 + x] = f32::NAN;
            }
        }
    }
    let found = mesh(&image, &mask, &MeshConfig { filter_cells: 1, ..MeshConfig::default() }).unwrap();
    // where cells are known the plane is; a filled one is off by the plane's slope over about one cell
    let off = |x: usize, y: usize| (found.level.at(x, y) - plane(x, y)).abs();
    assert!(off(100, 40) < 2.5, "{}", off(100, 40));
    assert!(off(20, 20) < 12.0 && off(190, 120) < 12.0, "{} {}", off(20, 20), off(190, 120));
    assert!(found.noise.data.iter().all(|v| v.is_finite() && *v >= 0.0));
}

#[test]
fn background_of_little_or_nothing() {
    let none = |image: &Image, mask: &Mask| mesh(image, mask, &MeshConfig::default());
    let empty = none(&Image::default(), &Mask::default());
    assert!(matches!(empty, Err(ImageError::NoBackground { width: 0, height: 0 })));
    let nan = none(&Image::filled(70, 70, f32::NAN), &Mask::clear(70, 70));
    assert!(matches!(nan, Err(ImageError::NoBackground { .. })));
    let masked = Mask { bits: vec![flag::STAR; 4900], ..Mask::clear(70, 70) };
    assert!(none(&Image::filled(70, 70, 1.0), &masked).is_err());
    assert!(matches!(
        none(&Image::filled(3, 3, 1.0), &Mask::clear(2, 3)),
        Err(ImageError::SizeMismatch { other_width: 2, .. })
    ));
    let tiny = mesh(&Image::filled(9, 9, 1.0), &Mask::clear(9, 9), &MeshConfig { cell_px: 2, ..Default::default() });
    assert!(matches!(tiny, Err(ImageError::BadSetting { setting: "cell_px", .. })));
    let one = none(&Image::filled(1, 1, 7.0), &Mask::clear(1, 1)).unwrap();
    assert_eq!((one.level.data[0], one.noise.data[0]), (7.0, 0.0));
    let flat = none(&Image::filled(150, 90, 3.5), &Mask::clear(150, 90)).unwrap();
    assert!(flat.level.data.iter().all(|v| (v - 3.5).abs() < 1e-5) && flat.noise.data.iter().all(|v| *v == 0.0));
}

/// Stars of the truth that a list holds, and entries that belong to none.
fn score(list: &[(f64, f64)], truth: &[Vec<f64>]) -> (usize, usize) {
    let near = |a: (f64, f64), t: &Vec<f64>| (a.0 - t[0]).hypot(a.1 - t[1]) < 1.5;
    let found = truth.iter().filter(|t| list.iter().any(|p| near(*p, t))).count();
    let false_ones = list.iter().filter(|p| !truth.iter().any(|t| near(**p, t))).count();
    (found, false_ones)
}

fn detect_field(threshold_sigma: f64) -> Vec<Detection> {
    let mut image = field();
    let background = background_of(&image);
    image.data.iter_mut().zip(&background.level.data).for_each(|(v, b)| *v -= b);
    let mut noise = background.noise.data.clone();
    let noise = fanlight_image::robust::median(&mut noise).unwrap();
    let config = DetectConfig { noise, fwhm_px: 2.8, threshold_sigma, max_sources: 1000 };
    sources(&image, &Mask::clear(SIZE, SIZE), &config)
}

#[test]
fn detection_is_as_complete_as_sep() {
    let truth = rows(include_str!("../data/field_truth.csv"));
    let sep: Vec<(f64, f64)> = rows(include_str!("../data/field_sources.csv")).iter().map(|r| (r[0], r[1])).collect();
    let (sep_found, sep_false) = score(&sep, &truth);
    let ours: Vec<(f64, f64)> = detect_field(5.0).iter().map(|d| (d.x_px, d.y_px)).collect();
    let (found, false_ones) = score(&ours, &truth);
    assert!(sep_found > 50, "the reference found {sep_found}");
    assert!(false_ones <= sep_false, "{false_ones} false, sep {sep_false}; found {found}, sep {sep_found}");
    assert!(found as f64 >= 0.98 * sep_found as f64, "found {found}, sep {sep_found}");
}

#[test]
fn bright_positions_agree_with_the_truth() {
    let truth = rows(include_str!("../data/field_truth.csv"));
    let found = detect_field(5.0);
    let mut n = 0;
    for d in found.iter().filter(|d| d.significance > 60.0 && !d.near_edge) {
        let t = truth.iter().min_by(|a, b| {
            let r = |t: &Vec<f64>| (d.x_px - t[0]).hypot(d.y_px - t[1]);
            r(a).total_cmp(&r(b))
        });
        let t = t.unwrap();
        // light of another star in the window moves a centroid: only lone ones are compared
        let lone = truth.iter().filter(|o| (o[0] - t[0]).hypot(o[1] - t[1]) < 9.0 && o[2] > 0.01 * t[2]).count() == 1;
        if lone {
            n += 1;
            let off = (d.x_px - t[0]).hypot(d.y_px - t[1]);
            assert!(off < 0.05, "{off} at {d:?}");
            assert!((d.fwhm_px / 2.8 - 1.0).abs() < 0.15, "{}", d.fwhm_px);
        }
    }
    assert!(n >= 5, "{n} lone bright stars");
}

#[test]
fn positions_of_moderate_stars() {
    // S/N 20 and up at places all over the pixel, also undersampled; rms of one axis, whose least error is about FWHM/(2.35 S/N)
    for (fwhm, flux) in [(1.7, 1_500.0), (2.8, 20_000.0), (5.0, 60_000.0)] {
        let star = round_star(0.0, 0.0, flux, fwhm, 3.0);
        let (mut image, places) = crate::simulate::grid_of_stars(8, 40, star);
        add_noise(&mut image, 100.0, 8);
        let config = DetectConfig { noise: 10.0, fwhm_px: fwhm, threshold_sigma: 5.0, max_sources: 1000 };
        let found = sources(&image, &Mask::clear(image.width, image.height), &config);
        assert_eq!(found.len(), 64, "FWHM {fwhm}");
        let off =
            |p: &(f64, f64)| found.iter().map(|d| (d.x_px - p.0).hypot(d.y_px - p.1)).min_by(f64::total_cmp).unwrap();
        let rms = (places.iter().map(|p| off(p).powi(2)).sum::<f64>() / 128.0).sqrt();
        assert!(rms < 0.05, "FWHM {fwhm}: {rms}");
    }
}

fn noise_image(size: usize, seed: u64) -> Image {
    let mut image = Image::filled(size, size, 0.0);
    add_noise(&mut image, 1.0, seed);
    image
}

#[test]
fn false_alarms_and_significance_have_the_right_scale() {
    // a filtered 1024² image of white noise has about 1024²/(4π s²) = 50 000 independent places; over 4σ (3.2e-5)
    // some ten maxima are expected, over 5σ (2.9e-7) none to one
    let image = noise_image(1024, 3);
    let count = |threshold_sigma| {
        let config = DetectConfig { noise: 1.0, fwhm_px: 3.0, threshold_sigma, max_sources: 10_000 };
        sources(&image, &Mask::clear(1024, 1024), &config).len()
    };
    assert!((1..80).contains(&count(4.0)), "{}", count(4.0));
    assert!(count(5.5) <= 1, "{}", count(5.5));
}

#[test]
fn pairs_are_parted() {
    for (fwhm, ratio) in [(2.5, 1.0), (2.5, 2.0), (4.0, 1.0), (4.0, 2.0), (1.8, 1.0)] {
        for angle in [0.0f64, 0.5, 0.8, 1.57, 2.4] {
            let mut image = Image::filled(61, 61, 0.0);
            let (dx, dy) = (1.5 * fwhm * angle.cos(), 1.5 * fwhm * angle.sin());
            round_star(30.2, 30.4, 60_000.0, fwhm, 3.5).add_to(&mut image, 40.0);
            round_star(30.2 + dx, 30.4 + dy, 60_000.0 / ratio, fwhm, 3.5).add_to(&mut image, 40.0);
            add_noise(&mut image, 400.0, 12);
            let config = DetectConfig { noise: 20.0, fwhm_px: fwhm, threshold_sigma: 5.0, max_sources: 100 };
            let found = sources(&image, &Mask::clear(61, 61), &config);
            assert_eq!(found.len(), 2, "FWHM {fwhm} ratio {ratio} angle {angle}: {found:?}");
        }
    }
}

#[test]
fn a_bright_star_is_one_source() {
    for fwhm in [1.7, 3.0, 7.0] {
        for flux in [1e4, 1e6] {
            let mut image = Image::filled(121, 121, 0.0);
            round_star(60.3, 59.6, flux, fwhm, 2.6).add_to(&mut image, 90.0);
            add_noise(&mut image, 400.0, 6);
            // the width given may be off by some
            let config =
                DetectConfig { noise: 20.0, fwhm_px: 0.8 * fwhm + 0.6, threshold_sigma: 5.0, max_sources: 100 };
            let found = sources(&image, &Mask::clear(121, 121), &config);
            assert_eq!(found.len(), 1, "FWHM {fwhm} flux {flux}: {found:?}");
        }
    }
}

#[test]
fn spikes_flagged_and_saturated_pixels() {
    let mut image = Image::filled(100, 100, 0.0);
    round_star(30.0, 30.0, 30_000.0, 3.0, 3.0).add_to(&mut image, 40.0);
    round_star(70.0, 60.0, 3_000_000.0, 3.0, 3.0).add_to(&mut image, 60.0);
    add_noise(&mut image, 100.0, 1);
    image.data[80 * 100 + 20] += 800.0; // a hot pixel nobody knows of
    image.data[20 * 100 + 70] += 9e4; // one that is flagged
    image.data[15 * 100 + 15] = f32::NAN;
    let mut mask = Mask::clear(100, 100);
    mask.bits[20 * 100 + 70] = flag::DETECTOR;
    for y in 40..90 {
        // core and a bled column at full well
        for x in 67..74 {
            let i = y * 100 + x;
            if x == 70 || image.data[i] > 30_000.0 {
                image.data[i] = 60_000.0;
                mask.bits[i] = flag::SATURATED;
            }
        }
    }
    let config = DetectConfig { noise: 10.0, fwhm_px: 3.0, threshold_sigma: 6.0, max_sources: 100 };
    let found = sources(&image, &mask, &config);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found[0].saturated && (found[0].x_px - 70.0).abs() < 1.0);
    assert!(!found[1].saturated && (found[1].x_px - 30.0).abs() < 0.05 && !found[1].near_edge);
    // the limit keeps the brightest
    assert_eq!(sources(&image, &mask, &DetectConfig { max_sources: 1, ..config }), found[..1]);
}

#[test]
fn nothing_to_detect() {
    let config = DetectConfig { noise: 1.0, fwhm_px: 3.0, threshold_sigma: 5.0, max_sources: 10 };
    let none = |image: &Image, config: &DetectConfig| sources(image, &Mask::clear(image.width, image.height), config);
    assert!(none(&Image::default(), &config).is_empty());
    assert!(none(&Image::filled(1, 1, 0.0), &config).is_empty());
    assert!(none(&Image::filled(50, 50, f32::NAN), &config).is_empty());
    assert!(none(&Image::filled(50, 50, 0.0), &config).is_empty());
    for bad in [DetectConfig { noise: 0.0, ..config }, DetectConfig { fwhm_px: f64::NAN, ..config }] {
        assert!(none(&Image::filled(50, 50, 1e6), &bad).is_empty());
    }
    assert!(sources(&Image::filled(5, 5, 9.0), &Mask::clear(4, 5), &config).is_empty());
    let mut edge = Image::filled(40, 40, 0.0);
    round_star(0.4, 20.0, 9_000.0, 3.0, 3.0).add_to(&mut edge, 20.0);
    let found = none(&edge, &config);
    assert!(found.len() == 1 && found[0].near_edge, "{found:?}");
}

#[test]
fn one_thread_or_two_give_the_same_list() {
    let pool = |n| rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap();
    assert_eq!(pool(1).install(|| detect_field(4.0)), pool(2).install(|| detect_field(4.0)));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Mirrored and scaled images give mirrored places and scaled fluxes.
    #[test]
    fn detection_mirrors_and_scales(x in 15.0f64..45.0, y in 15.0f64..45.0, scale in 0.5f32..4.0) {
        let mut image = Image::filled(61, 61, 0.0);
        round_star(x, y, 5_000.0, 2.6, 3.0).add_to(&mut image, 30.0);
        let mut other = image.clone();
        for j in 0..61 {
            for i in 0..61 {
                other.data[j * 61 + i] = scale * image.at(60 - i, j);
            }
        }
        let find = |image: &Image, noise: f32| {
            let config = DetectConfig { noise, fwhm_px: 2.6, threshold_sigma: 5.0, max_sources: 10 };
            sources(image, &Mask::clear(61, 61), &config)
        };
        let (a, b) = (find(&image, 2.0), find(&other, 2.0 * scale));
        prop_assert_eq!(a.len(), 1);
        prop_assert_eq!(b.len(), 1);
        prop_assert!((a[0].x_px + b[0].x_px - 60.0).abs() < 1e-3 && (a[0].y_px - b[0].y_px).abs() < 1e-3);
        prop_assert!((b[0].flux / a[0].flux / f64::from(scale) - 1.0).abs() < 1e-3);
        prop_assert!((a[0].x_px - x).hypot(a[0].y_px - y) < 0.02);
    }

    /// A constant added to the image is added to its background; a factor multiplies level and noise.
    #[test]
    fn background_shifts_and_scales(add in -500.0f32..500.0, scale in 0.1f32..10.0) {
        let image = noise_image(130, 17);
        let mut other = image.clone();
        other.data.iter_mut().for_each(|v| *v = scale * *v + add);
        let (a, b) = (background_of(&image), background_of(&other));
        for i in [0, 500, 10_000, 16_899] {
            // a value on the clipping edge may fall on the other side after rounding: 3σ / 4225 px
            prop_assert!((b.level.data[i] - scale * a.level.data[i] - add).abs() < 2e-3 * scale + 1e-3);
            prop_assert!((b.noise.data[i] / a.noise.data[i] / scale - 1.0).abs() < 3e-3);
        }
    }
}
