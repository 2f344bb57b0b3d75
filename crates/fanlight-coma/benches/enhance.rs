//! Times of the enhancements on 1024², on a pool of two threads: `cargo bench -p fanlight-coma`. Words after `--` choose those
//! whose names hold one of them.
//!
//! Printed is the fastest of many runs, each enhancement's runs spread over the whole time: what other work on the machine
//! adds is left out so.

#![allow(clippy::disallowed_methods, clippy::disallowed_macros, reason = "a bench reads the clock and prints")]

use fanlight_coma::enhance::{self, Enhancement, GradientConfig, RatioConfig, RingConfig, ScaleLaw, Statistic};
use fanlight_image::{Image, Mask, flag};
use fanlight_sky::PixelXy;
use std::hint::black_box;
use std::time::Instant;

const SIDE: usize = 1024;
const CENTRE: PixelXy = PixelXy { x_px: 511.3, y_px: 513.8 };
/// Rounds over all, and runs of each in a round.
const ROUNDS: usize = 12;
const RUNS: usize = 5;

/// A coma with a ray and a rough surface.
fn coma() -> Image {
    let pixel = |i: usize| {
        let (dx, dy) = ((i % SIDE) as f64 - CENTRE.x_px, (i / SIDE) as f64 - CENTRE.y_px);
        let ray = 1.0 + 0.1 * (-(dy.atan2(dx) / 0.2).powi(2)).exp();
        (1e5 / dx.hypot(dy).max(1.0) * ray + ((37 * i) % 64) as f64 * 0.3) as f32
    };
    Image { width: SIDE, height: SIDE, data: (0..SIDE * SIDE).map(pixel).collect() }
}

fn all(image: &Image) -> Vec<(&'static str, Enhancement)> {
    let rings = |statistic| RingConfig { statistic, ring_width_px: 1.0 };
    let table: Vec<f64> = (0..800).map(f64::from).collect();
    let values: Vec<f64> = table.iter().map(|r| 1e5 / r.max(1.0)).collect();
    let profile = enhance::RadialProfile::from_table(&table, &values).expect("a profile");
    let config = RatioConfig { inner_px: 10.0, outer_px: 100.0, min_signal: 1.0 };
    let law = ScaleLaw { base_px: 1.0, growth: 0.05, exponent: 1.0 };
    let gradient = |radial_shift_px| GradientConfig { rotation_deg: 25.0, radial_shift_px };
    vec![
        ("", Enhancement::RotationalGradient(gradient(0.0))),
        (", shift 1 px", Enhancement::RotationalGradient(gradient(1.0))),
        ("", Enhancement::DivideByAverage(rings(Statistic::Mean))),
        ("", Enhancement::DivideByAverage(rings(Statistic::Median))),
        ("", Enhancement::SubtractAverage(rings(Statistic::Median))),
        ("", Enhancement::StretchRings(Default::default())),
        ("", Enhancement::StandardiseRings { ring_width_px: 1.0 }),
        ("", Enhancement::DivideByInverseRadius),
        ("", Enhancement::DivideByProfile(profile)),
        ("", Enhancement::VariableHighPass(law)),
        (", 3 px", Enhancement::Laplacian { sigma_px: 3.0 }),
        (", 12 px", Enhancement::Laplacian { sigma_px: 12.0 }),
        (", 5 px", Enhancement::UnsharpRatio { sigma_px: 5.0 }),
        (", 40 px", Enhancement::UnsharpRatio { sigma_px: 40.0 }),
        ("", Enhancement::MultiScaleResidual(Default::default())),
        ("", Enhancement::TemporalRatio { reference: image.clone(), config }),
    ]
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    let pool = rayon::ThreadPoolBuilder::new().num_threads(2).build().expect("a pool of two threads");
    let image = coma();
    let clear = Mask::clear(SIDE, SIDE);
    let mut holed = clear.clone();
    holed.bits.iter_mut().step_by(997).for_each(|b| *b = flag::STAR);
    let named = all(&image).into_iter().map(|(note, e)| (format!("{}{note}", e.name()), e));
    let chosen: Vec<(String, Enhancement)> =
        named.filter(|(name, _)| words.is_empty() || words.iter().any(|w| name.contains(w.as_str()))).collect();
    let mut fastest_ms = vec![[f64::INFINITY; 2]; chosen.len()];
    for _ in 0..ROUNDS {
        for ((_, enhancement), fastest) in chosen.iter().zip(&mut fastest_ms) {
            for (mask, fastest) in [&clear, &holed].into_iter().zip(fastest) {
                for _ in 0..RUNS {
                    let start = Instant::now();
                    let out = pool.install(|| enhance::apply(enhancement, black_box(&image), mask, CENTRE));
                    *fastest = fastest.min(1e3 * start.elapsed().as_secs_f64());
                    black_box(out.expect("an enhanced image"));
                }
            }
        }
    }
    println!("fastest of {} runs, ms: without gaps, with gaps (one pixel in 997)", ROUNDS * RUNS);
    for ((name, _), [without, with]) in chosen.iter().zip(&fastest_ms) {
        println!("{without:7.2} {with:7.2}  {name}");
    }
}
