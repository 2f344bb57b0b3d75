//! Background, detection, star images and cosmic rays on a simulated 2048 × 2048 frame.

use criterion::{Criterion, criterion_group, criterion_main};
use fanlight_image::background::{MeshConfig, mesh};
use fanlight_image::cosmic::{CosmicConfig, flag_cosmic_rays};
use fanlight_image::detect::{DetectConfig, sources};
use fanlight_image::moffat::{
    FluxFitConfig, Moffat, NoiseModel, ShapeFitConfig, StarImage, fit_flux, fit_shape, render_star,
};
use fanlight_image::{Image, Mask};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::hint::black_box;

const SIZE: usize = 2048;
const NOISE: NoiseModel = NoiseModel { sky_variance: 900.0, variance_per_unit: 1.0 };

/// 2000 stars of 2.5 px and 1000 single hits on a sky of 900 e-.
fn frame() -> (Image, Vec<(f64, f64)>) {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut image = Image::filled(SIZE, SIZE, 0.0);
    let shape = StarImage::from(Moffat::round(2.5, 3.0));
    let mut bright = Vec::new();
    for _ in 0..2000 {
        let (x, y) = (random.random_range(20.0..2028.0), random.random_range(20.0..2028.0));
        let flux = 500.0 * 400f64.powf(random.random::<f64>());
        render_star(&mut image, &shape, x, y, flux, 20.0);
        if flux > 50_000.0 && bright.len() < 30 {
            bright.push((x, y));
        }
    }
    let unit = Normal::new(0.0, 1.0).unwrap();
    for v in &mut image.data {
        *v += ((900.0 + f64::from(*v)).sqrt() * unit.sample(&mut random)) as f32;
    }
    for _ in 0..1000 {
        image.data[random.random_range(0..SIZE * SIZE)] += 3000.0;
    }
    (image, bright)
}

fn stars(c: &mut Criterion) {
    let (image, bright) = frame();
    let clear = Mask::clear(SIZE, SIZE);
    let mut group = c.benchmark_group("stars");
    group.sample_size(10);
    group.bench_function("background 2048", |b| b.iter(|| mesh(black_box(&image), &clear, &MeshConfig::default())));
    let detect = DetectConfig { noise: 30.0, fwhm_px: 2.5, threshold_sigma: 5.0, max_sources: 4000 };
    group.bench_function("detect 2048", |b| b.iter(|| sources(black_box(&image), &clear, &detect)));
    let cosmic = CosmicConfig { noise: NOISE, threshold_sigma: 5.0, fwhm_px: 2.5, protect: None };
    group.bench_function("cosmic rays 2048", |b| {
        b.iter(|| flag_cosmic_rays(black_box(&image), &mut clear.clone(), &cosmic))
    });
    let shape = ShapeFitConfig { noise: NOISE, initial_fwhm_px: 3.0, ..ShapeFitConfig::default() };
    group.bench_function("shape of 30 stars", |b| b.iter(|| fit_shape(black_box(&image), &clear, &bright, &shape)));
    group.finish();

    let mut group = c.benchmark_group("one star");
    let seeing = Moffat { fwhm_major_px: 2.6, fwhm_minor_px: 2.4, angle_rad: 0.3, beta: 3.0 };
    let (still, trailed) = (seeing.into(), StarImage::new(seeing, (2.0, -1.5)));
    for (name, model, free_centre) in [
        ("flux, centre free", still, true),
        ("flux, centre held", still, false),
        ("flux, centre free, trailed", trailed, true),
    ] {
        let config = FluxFitConfig { radius_px: 7.5, noise: NOISE, free_centre };
        let (x, y) = bright[0];
        group.bench_function(name, |b| {
            b.iter(|| fit_flux(black_box(&image), &clear, &model, x + 0.2, y - 0.1, &config))
        });
    }
    group.finish();
}

criterion_group!(benches, stars);
criterion_main!(benches);
