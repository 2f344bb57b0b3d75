//! Robust combination against astropy and numpy, and its rules one by one.

use crate::common::{numbers, on_one_and_two_threads};
use fanlight_image::combine::{CombineConfig, RowOut, RowSamples, combine_row, combine_rows};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

const PLAIN: CombineConfig = CombineConfig { kappa: 4.0, rounds: 4, relative_tolerance: 0.0 };

/// Combines one pixel.
fn one(values: &[f32], variances: &[f32], config: &CombineConfig) -> RowOut {
    let v: Vec<&[f32]> = values.chunks(1).collect();
    let s: Vec<&[f32]> = variances.chunks(1).collect();
    let weights = vec![1.0; values.len()];
    let group: Vec<usize> = (0..values.len()).map(|i| i % 2).collect();
    let mut out = RowOut::default();
    let samples = RowSamples { values: &v, variances: &s, weights: &weights, group: &group, n_groups: 2 };
    combine_row(&samples, config, &mut out);
    out
}

#[test]
fn clipped_means_equal_astropy() {
    // astropy 8.0.2 sigma_clip with mad_std, reference/combine_astropy.py.
    let rows = numbers(include_str!("../data/combine_astropy.csv"));
    assert!(rows.len() > 120);
    for row in rows {
        let values: Vec<f32> = row[5..].iter().map(|v| *v as f32).collect();
        assert_eq!(values.len(), row[0] as usize);
        let out = one(&values, &vec![0.0; values.len()], &CombineConfig { kappa: row[1] as f32, ..PLAIN });
        assert_eq!(f64::from(out.n_used[0]), row[4], "{row:?}");
        // f64 sums: only the result is rounded to single precision.
        assert!((f64::from(out.mean[0]) - row[3]).abs() <= 6e-8 * row[3].abs(), "{} {}", out.mean[0], row[3]);
        let mut all = values.clone();
        assert_eq!(fanlight_image::robust::median(&mut all), Some(row[2] as f32));
    }
}

#[test]
fn a_known_error_keeps_what_the_scatter_alone_would_drop() {
    let values = [100.0, 100.0, 100.0, 100.0, 100.0, 104.0];
    assert_eq!(one(&values, &[0.0; 6], &PLAIN).n_used[0], 5);
    assert_eq!(one(&values, &[4.0; 6], &PLAIN).n_used[0], 6);
    // Its own error counts: a poor frame's sample is kept, the same value from a good frame is not.
    assert_eq!(one(&values, &[0.01, 0.01, 0.01, 0.01, 0.01, 4.0], &PLAIN).n_used[0], 6);
    assert_eq!(one(&values, &[0.01, 0.01, 0.01, 0.01, 4.0, 0.01], &PLAIN).n_used[0], 5);
}

#[test]
fn steep_light_is_within_the_tolerance() {
    let values = [1000.0, 1001.0, 999.0, 1002.0, 1045.0, 998.0, 1300.0];
    let strict = one(&values, &[1.0; 7], &PLAIN);
    let tolerant = one(&values, &[1.0; 7], &CombineConfig { relative_tolerance: 0.05, ..PLAIN });
    assert_eq!((strict.n_used[0], tolerant.n_used[0]), (5, 6));
}

#[test]
fn two_samples_are_never_dropped_and_missing_ones_never_counted() {
    let out = one(&[1.0, 1e6], &[1.0; 2], &PLAIN);
    assert_eq!((out.n_used[0], out.mean[0], out.variance[0]), (2, 500_000.5, 0.5));
    let nan = f32::NAN;
    let out = one(&[5.0, nan, 7.0, nan], &[1.0, 1.0, 3.0, 1.0], &PLAIN);
    assert_eq!((out.n_used[0], out.mean[0], out.variance[0]), (2, 6.0, 1.0));
    assert_eq!((out.group_mean[0][0], out.group_variance[0][0]), (6.0, 1.0));
    assert!(out.group_mean[1][0].is_nan() && out.group_variance[1][0].is_nan());
    let out = one(&[nan, 3.0, f32::INFINITY], &[1.0, nan, 1.0], &PLAIN);
    assert!(out.n_used[0] == 0 && out.mean[0].is_nan() && out.variance[0].is_nan());
}

#[test]
fn no_frames_or_no_pixels_give_an_empty_run() {
    let mut out = RowOut::new(7, 1);
    combine_row(&RowSamples { values: &[], variances: &[], weights: &[], group: &[], n_groups: 3 }, &PLAIN, &mut out);
    assert!(out.mean.is_empty() && out.group_mean.len() == 3);
    let empty: &[f32] = &[];
    let none = RowSamples { values: &[empty], variances: &[empty], weights: &[1.0], group: &[0], n_groups: 1 };
    combine_rows(&none, &PLAIN, &mut out);
    assert!(out.mean.is_empty() && out.n_used.is_empty());
}

#[test]
fn weights_and_groups_share_the_samples_kept() {
    let rows: [[f32; 1]; 6] = [[10.0], [12.0], [11.0], [9.0], [10.5], [900.0]];
    let v: Vec<&[f32]> = rows.iter().map(|r| r.as_slice()).collect();
    let s = vec![&[1.0_f32][..]; 6];
    let weights = [1.0, 2.0, 1.0, 1.0, 3.0, 5.0];
    let samples = RowSamples { values: &v, variances: &s, weights: &weights, group: &[0, 0, 1, 1, 9, 0], n_groups: 2 };
    let mut out = RowOut::default();
    combine_row(&samples, &PLAIN, &mut out);
    assert_eq!(out.n_used[0], 5);
    assert_eq!(out.mean[0], ((10.0 + 24.0 + 11.0 + 9.0 + 31.5) / 8.0_f64) as f32);
    assert_eq!(out.variance[0], ((1.0 + 4.0 + 1.0 + 1.0 + 9.0) / 64.0_f64) as f32);
    assert_eq!((out.group_mean[0][0], out.group_mean[1][0]), ((34.0 / 3.0_f64) as f32, 10.0));
    assert_eq!((out.group_variance[0][0], out.group_variance[1][0]), ((5.0 / 9.0_f64) as f32, 0.5));
}

/// Normal samples about 100 with σ 2, 1 in 50 struck.
fn noisy(n: usize, pixels: usize, seed: u64) -> Vec<Vec<f32>> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f32 { StandardNormal.sample(&mut rng) };
    let struck = |i: usize, k: usize| (i * 31 + k * 17).is_multiple_of(50);
    (0..n)
        .map(|k| (0..pixels).map(|i| 100.0 + 2.0 * normal() + if struck(i, k) { 500.0 } else { 0.0 }).collect())
        .collect()
}

#[test]
fn the_variance_of_the_mean_is_the_scatter_of_means() {
    let (n, pixels) = (20, 20_000);
    let values = noisy(n, pixels, 3);
    let v: Vec<&[f32]> = values.iter().map(Vec::as_slice).collect();
    let four = vec![4.0; pixels];
    let s = vec![four.as_slice(); n];
    let weights: Vec<f32> = (0..n).map(|i| 1.0 + (i % 3) as f32).collect();
    let group: Vec<usize> = (0..n).map(|i| i % 4).collect();
    let samples = RowSamples { values: &v, variances: &s, weights: &weights, group: &group, n_groups: 4 };
    let mut out = RowOut::default();
    combine_rows(&samples, &CombineConfig::default(), &mut out);
    let pull = |mean: &[f32], variance: &[f32]| {
        mean.iter().zip(variance).map(|(m, v)| f64::from(m - 100.0).powi(2) / f64::from(*v)).sum::<f64>()
            / pixels as f64
    };
    // 20 000 pulls: 1σ of their mean square is 1 %; all hits are 250σ and must be gone.
    assert!((pull(&out.mean, &out.variance) - 1.0).abs() < 0.04);
    for (mean, variance) in out.group_mean.iter().zip(&out.group_variance) {
        assert!((pull(mean, variance) - 1.0).abs() < 0.04);
    }
}

#[test]
fn the_same_bits_row_by_row_on_one_thread_and_on_two() {
    let (n, pixels) = (13, 5003);
    let values = noisy(n, pixels, 4);
    let v: Vec<&[f32]> = values.iter().map(Vec::as_slice).collect();
    let ones = vec![1.0; pixels];
    let s = vec![ones.as_slice(); n];
    let weights = vec![1.0; n];
    let group: Vec<usize> = (0..n).map(|i| i % 3).collect();
    let samples = RowSamples { values: &v, variances: &s, weights: &weights, group: &group, n_groups: 3 };
    let mut row = RowOut::default();
    combine_row(&samples, &PLAIN, &mut row);
    let all = || {
        let mut out = RowOut::default();
        combine_rows(&samples, &PLAIN, &mut out);
        out
    };
    let [one, two] = on_one_and_two_threads(all);
    assert_eq!(row, one);
    assert_eq!(row, two);
}
