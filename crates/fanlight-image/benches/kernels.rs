//! Times of the pixel kernels on 2048² frames, on a pool of two threads: `cargo bench -p fanlight-image`.

use criterion::{Criterion, criterion_group, criterion_main};
use fanlight_image::combine::{CombineConfig, RowOut, RowSamples, combine_rows};
use fanlight_image::resample::{CoordinateGrid, Frame, Mapping, lanczos3};
use fanlight_image::robust::ClipConfig;
use fanlight_image::{Image, Mask, contour, flag, polar, smooth};
use rand::{Rng, SeedableRng};
use std::hint::black_box;
use std::time::Duration;

const SIDE: usize = 2048;
const FRAMES: usize = 60;
/// Rows combined at once, as the stack reads them from its store; the time is for 1/16 of a frame.
const ROWS: usize = 128;

/// Uniform noise about 100 with 1 % of the pixels struck.
fn noise(pixels: usize, seed: u64) -> Vec<f32> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let mut pixel = || match rng.random_range(0..100) {
        0 => rng.random_range(500.0..5000.0),
        _ => rng.random_range(90.0..110.0),
    };
    (0..pixels).map(|_| pixel()).collect()
}

fn frame_kernels(c: &mut Criterion) {
    let image = Image { width: SIDE, height: SIDE, data: noise(SIDE * SIDE, 1) };
    let variance = Image::filled(SIDE, SIDE, 100.0);
    let mut mask = Mask::clear(SIDE, SIDE);
    mask.bits.iter_mut().step_by(997).for_each(|b| *b = flag::DETECTOR);
    let frame = Frame { image: &image, variance: &variance, mask: &mask };
    let edges: Vec<f64> = (0..900).map(f64::from).collect();

    c.bench_function("resample_shift_2048", |b| {
        let mapping = Mapping::Shift { dx_px: 3.3, dy_px: -1.7 };
        b.iter(|| lanczos3(black_box(&frame), &mapping, SIDE, SIDE));
    });
    c.bench_function("resample_grid_2048", |b| {
        let turn = |x: f64, y: f64| (0.9998 * x - 0.02 * y + 20.0, 0.02 * x + 0.9998 * y - 20.0);
        let mapping = Mapping::Grid(CoordinateGrid::from_fn(SIDE, SIDE, 32, turn));
        b.iter(|| lanczos3(black_box(&frame), &mapping, SIDE, SIDE));
    });
    c.bench_function("gaussian_2px_2048", |b| b.iter(|| smooth::gaussian(black_box(&image), 2.0)));
    c.bench_function("median3_2048", |b| b.iter(|| smooth::median3(black_box(&image))));
    c.bench_function("profile_900_rings_2048", |b| {
        let clip = ClipConfig { kappa: 3.0, rounds: 3 };
        b.iter(|| polar::azimuthal_profile(black_box(&image), Some(&variance), &mask, 1020.3, 1030.8, &edges, clip));
    });
    let soft = smooth::gaussian(&image, 4.0);
    c.bench_function("contour_2048", |b| b.iter(|| contour::lines(black_box(&soft), 125.0)));
}

fn combination(c: &mut Criterion) {
    let pixels = SIDE * ROWS;
    let values: Vec<Vec<f32>> = (0..FRAMES).map(|i| noise(pixels, 100 + i as u64)).collect();
    let flat = vec![vec![33.0_f32; pixels]; FRAMES];
    let v: Vec<&[f32]> = values.iter().map(Vec::as_slice).collect();
    let s: Vec<&[f32]> = flat.iter().map(Vec::as_slice).collect();
    let weights = vec![1.0; FRAMES];
    let group: Vec<usize> = (0..FRAMES).map(|i| i % 4).collect();
    let samples = RowSamples { values: &v, variances: &s, weights: &weights, group: &group, n_groups: 4 };
    let mut out = RowOut::default();
    c.bench_function("combine_60_frames_of_2048x128", |b| {
        b.iter(|| combine_rows(black_box(&samples), &CombineConfig::default(), &mut out));
    });
}

fn two_threads() -> Criterion {
    // A pool that is there already (criterion's own) would be an error to build again: then it is used as it is.
    let _ = rayon::ThreadPoolBuilder::new().num_threads(2).build_global();
    Criterion::default()
        .sample_size(10)
        .measurement_time(Duration::from_secs(3))
        .warm_up_time(Duration::from_millis(500))
}

criterion_group! { name = kernels; config = two_threads(); targets = frame_kernels, combination }
criterion_main!(kernels);
