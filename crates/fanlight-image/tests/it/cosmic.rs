//! Cosmic rays among simulated stars.

use crate::simulate::{add_noise, round_star};
use fanlight_image::cosmic::{CosmicConfig, flag_cosmic_rays};
use fanlight_image::moffat::NoiseModel;
use fanlight_image::{Image, ImageError, Mask, flag};
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const SKY_VARIANCE: f64 = 300.0;

fn config(fwhm_px: f64) -> CosmicConfig {
    let noise = NoiseModel { sky_variance: SKY_VARIANCE, variance_per_unit: 1.0 };
    CosmicConfig { noise, threshold_sigma: 5.0, fwhm_px, protect: None }
}

/// A field of stars with S/N 20 to 2000, equal steps of the logarithm.
fn stars(n_side: usize, fwhm_px: f64, level: f32, seed: u64) -> (Image, Vec<(f64, f64)>) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let step = 31;
    let mut image = Image::filled(n_side * step, n_side * step, 0.0);
    let mut places = Vec::new();
    for k in 0..n_side * n_side {
        let place = |c: usize, r: f64| (c * step) as f64 + 15.0 + r;
        let (fx, fy) = (random.random_range(-0.5..0.5), random.random_range(-0.5..0.5));
        let snr = 20.0 * 100f64.powf(k as f64 / (n_side * n_side - 1) as f64);
        // flux that gives this S/N over the sky in the star's effective area
        let area = 4.0 * std::f64::consts::PI * (fwhm_px / 2.355).powi(2) + 2.0;
        let flux = 0.5 * snr * (snr + (snr * snr + 4.0 * area * SKY_VARIANCE).sqrt());
        let local = round_star(15.0 + fx, 15.0 + fy, flux, fwhm_px, 3.0);
        let mut cut = Image::filled(step, step, 0.0);
        local.add_to(&mut cut, 40.0);
        let (i, j) = (k % n_side, k / n_side);
        for (row, line) in cut.data.chunks(step).enumerate() {
            let start = (j * step + row) * image.width + i * step;
            image.data[start..start + step].copy_from_slice(line);
        }
        places.push((place(i, fx), place(j, fy)));
    }
    add_noise(&mut image, SKY_VARIANCE, seed + 1);
    image.data.iter_mut().for_each(|v| *v += level);
    (image, places)
}

#[test]
fn star_cores_are_kept() {
    // 529 stars each; a narrower seeing than the one given too
    for (fwhm, told) in [(1.7, 1.7), (2.2, 2.2), (3.5, 3.5), (6.0, 6.0), (2.6, 2.9)] {
        let (image, places) = stars(23, fwhm, 800.0, 40);
        let mut mask = Mask::clear(image.width, image.height);
        let n = flag_cosmic_rays(&image, &mut mask, &config(told)).unwrap();
        let struck = |p: &&(f64, f64)| {
            let (x, y) = (p.0.round() as usize, p.1.round() as usize);
            (y - 1..=y + 1).any(|j| (x - 1..=x + 1).any(|i| !mask.is_good(i, j)))
        };
        let hurt = places.iter().filter(struck).count();
        assert_eq!(hurt, 0, "FWHM {fwhm}: {hurt} cores flagged");
        // 5σ of 500 000 pixels of noise: the edge of a single pixel is its height, so hardly any
        assert!(n <= 3, "FWHM {fwhm}: {n} pixels flagged of a field without cosmic rays");
        assert_eq!(n, mask.count(flag::COSMIC_RAY));
    }
}

/// Straight tracks and single hits; the pixels struck by more than `sigmas` of the noise.
fn strike(image: &mut Image, n: usize, sigmas: f64, seed: u64) -> Vec<usize> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut struck = std::collections::BTreeSet::new();
    for _ in 0..n {
        let (x, y) = (random.random_range(0.0..image.width as f64), random.random_range(0.0..image.height as f64));
        let angle: f64 = random.random_range(0.0..6.3);
        let length = if random.random_bool(0.5) { 0.0 } else { random.random_range(1.0..12.0) };
        let charge = 20.0 * 100f64.powf(random.random::<f64>()) * SKY_VARIANCE.sqrt() * (1.0 + length);
        let steps = 1 + (20.0 * length) as usize;
        let mut hit = std::collections::BTreeMap::new();
        for s in 0..steps {
            let t = length * s as f64 / steps as f64;
            let (px, py) = ((x + t * angle.cos()).floor(), (y + t * angle.sin()).floor());
            if px >= 0.0 && py >= 0.0 && (px as usize) < image.width && (py as usize) < image.height {
                *hit.entry(py as usize * image.width + px as usize).or_insert(0.0) += charge / steps as f64;
            }
        }
        for (i, light) in hit {
            let noise = (SKY_VARIANCE + f64::from(image.data[i].max(0.0))).sqrt();
            if light > sigmas * noise {
                struck.insert(i);
            }
            image.data[i] += light as f32;
        }
    }
    struck.into_iter().collect()
}

#[test]
fn struck_pixels_are_found() {
    for fwhm in [1.7, 2.5, 4.0] {
        let (mut image, _) = stars(23, fwhm, 0.0, 90);
        let struck = strike(&mut image, 900, 10.0, 5);
        image.data.iter_mut().for_each(|v| *v += 500.0);
        let mut mask = Mask::clear(image.width, image.height);
        let n = flag_cosmic_rays(&image, &mut mask, &config(fwhm)).unwrap();
        let found = struck.iter().filter(|i| mask.bits[**i] & flag::COSMIC_RAY != 0).count();
        let share = found as f64 / struck.len() as f64;
        assert!(share > 0.9, "FWHM {fwhm}: {share} of {}", struck.len());
        // what else is flagged lies beside hits (struck by less than 10σ)
        assert!(n < found + struck.len() / 2, "FWHM {fwhm}: {n} flagged, {found} right");
    }
}

#[test]
fn flagged_and_protected_pixels_are_left_alone() {
    let mut image = Image::filled(60, 60, 100.0);
    add_noise(&mut image, SKY_VARIANCE, 2);
    for (x, y) in [(10, 10), (30, 30), (45, 20), (50, 50)] {
        image.data[y * 60 + x] += 5_000.0;
    }
    image.data[3 * 60 + 3] = f32::NAN;
    let mut mask = Mask::clear(60, 60);
    mask.bits[10 * 60 + 10] = flag::DETECTOR;
    mask.bits[20 * 60 + 46] = flag::SATURATED; // next to a hit: its edge could be the star's own
    let protect = Some((30.0, 30.0, 3.0));
    let n = flag_cosmic_rays(&image, &mut mask, &CosmicConfig { protect, ..config(2.5) }).unwrap();
    assert_eq!(n, 1);
    assert_eq!(mask.bits[50 * 60 + 50], flag::COSMIC_RAY);
    assert_eq!(mask.bits[10 * 60 + 10], flag::DETECTOR);
    assert_eq!(mask.bits[30 * 60 + 30], 0);
    // a second call finds nothing new
    assert_eq!(flag_cosmic_rays(&image, &mut mask, &CosmicConfig { protect, ..config(2.5) }).unwrap(), 0);
}

#[test]
fn little_or_nothing_to_search() {
    let none = |image: &Image| {
        let mut mask = Mask::clear(image.width, image.height);
        flag_cosmic_rays(image, &mut mask, &config(2.5)).unwrap()
    };
    assert_eq!(none(&Image::default()), 0);
    assert_eq!(none(&Image::filled(1, 1, 1e6)), 0);
    assert_eq!(none(&Image::filled(20, 20, f32::NAN)), 0);
    assert_eq!(none(&Image::filled(20, 1, 5.0)), 0);
    let image = Image::filled(20, 20, 1.0);
    let mut wrong = Mask::clear(20, 21);
    assert!(matches!(flag_cosmic_rays(&image, &mut wrong, &config(2.5)), Err(ImageError::SizeMismatch { .. })));
    let mut mask = Mask::clear(20, 20);
    let bad = CosmicConfig { noise: NoiseModel { sky_variance: 0.0, variance_per_unit: 1.0 }, ..config(2.5) };
    assert!(matches!(
        flag_cosmic_rays(&image, &mut mask, &bad),
        Err(ImageError::BadSetting { setting: "sky_variance", .. })
    ));
    let mut all = Mask { bits: vec![flag::NO_DATA; 400], ..mask };
    assert_eq!(flag_cosmic_rays(&image, &mut all, &config(2.5)).unwrap(), 0);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// Turning the frame by a quarter turns the flags.
    #[test]
    fn flags_turn_with_the_frame(seed in 0u64..1000) {
        let mut image = Image::filled(64, 64, 0.0);
        round_star(30.3, 31.8, 20_000.0, 2.5, 3.0).add_to(&mut image, 40.0);
        add_noise(&mut image, SKY_VARIANCE, seed);
        strike(&mut image, 12, 10.0, seed);
        let turned_at = |i: usize| (i % 64) * 64 + (63 - i / 64);
        let mut turned = image.clone();
        (0..64 * 64).for_each(|i| turned.data[turned_at(i)] = image.data[i]);
        let (mut a, mut b) = (Mask::clear(64, 64), Mask::clear(64, 64));
        let wide = CosmicConfig { noise: NoiseModel { sky_variance: SKY_VARIANCE, variance_per_unit: 0.0 }, ..config(2.5) };
        flag_cosmic_rays(&image, &mut a, &wide).unwrap();
        flag_cosmic_rays(&turned, &mut b, &wide).unwrap();
        prop_assert!((0..64 * 64).all(|i| a.bits[i] == b.bits[turned_at(i)]));
    }
}
