//! Times of the enhancements on 1024², on a pool of two threads: `cargo bench -p fanlight-coma`.

use criterion::{Criterion, criterion_group, criterion_main};
use fanlight_coma::enhance::{self, Enhancement, GradientConfig, RatioConfig, RingConfig, ScaleLaw, Statistic};
use fanlight_image::{Image, Mask, flag};
use fanlight_sky::PixelXy;
use std::hint::black_box;
use std::time::Duration;

const SIDE: usize = 1024;
const CENTRE: PixelXy = PixelXy { x_px: 511.3, y_px: 513.8 };

/// A coma with a ray and a rough surface.
fn coma() -> Image {
    let pixel = |i: usize| {
        let (dx, dy) = ((i % SIDE) as f64 - CENTRE.x_px, (i / SIDE) as f64 - CENTRE.y_px);
        let ray = 1.0 + 0.1 * (-(dy.atan2(dx) / 0.2).powi(2)).exp();
        (1e5 / dx.hypot(dy).max(1.0) * ray + ((37 * i) % 64) as f64 * 0.3) as f32
    };
    Image { width: SIDE, height: SIDE, data: (0..SIDE * SIDE).map(pixel).collect() }
}

fn enhancements(c: &mut Criterion) {
    let image = coma();
    let clear = Mask::clear(SIDE, SIDE);
    let mut holed = clear.clone();
    holed.bits.iter_mut().step_by(997).for_each(|b| *b = flag::STAR);
    let rings = |statistic| RingConfig { statistic, ring_width_px: 1.0 };
    let table: Vec<f64> = (0..800).map(f64::from).collect();
    let values: Vec<f64> = table.iter().map(|r| 1e5 / r.max(1.0)).collect();
    let profile = enhance::RadialProfile::from_table(&table, &values).expect("a profile");
    let ratio = RatioConfig { inner_px: 10.0, outer_px: 100.0, min_signal: 1.0 };
    let law = ScaleLaw { base_px: 1.0, growth: 0.05, exponent: 1.0 };
    let all = [
        ("", Enhancement::RotationalGradient(GradientConfig { rotation_deg: 25.0, radial_shift_px: 0.0 })),
        ("", Enhancement::DivideByAverage(rings(Statistic::Mean))),
        ("", Enhancement::DivideByAverage(rings(Statistic::Median))),
        ("", Enhancement::SubtractAverage(rings(Statistic::Median))),
        ("", Enhancement::StretchRings(Default::default())),
        ("", Enhancement::StandardiseRings { ring_width_px: 1.0 }),
        ("", Enhancement::DivideByInverseRadius),
        ("", Enhancement::DivideByProfile(profile)),
        ("", Enhancement::VariableHighPass(law)),
        (" 3 px", Enhancement::Laplacian { sigma_px: 3.0 }),
        (" 12 px", Enhancement::Laplacian { sigma_px: 12.0 }),
        (" 5 px", Enhancement::UnsharpRatio { sigma_px: 5.0 }),
        (" 40 px", Enhancement::UnsharpRatio { sigma_px: 40.0 }),
        ("", Enhancement::MultiScaleResidual(Default::default())),
        ("", Enhancement::TemporalRatio { reference: image.clone(), config: ratio }),
    ];
    for (note, enhancement) in &all {
        for (mask, holes) in [(&clear, ""), (&holed, ", with gaps")] {
            c.bench_function(&format!("{}{note}{holes}", enhancement.name()), |b| {
                b.iter(|| enhance::apply(enhancement, black_box(&image), mask, CENTRE));
            });
        }
    }
}

fn two_threads() -> Criterion {
    // A pool that is there already (criterion's own) would be an error to build again: then it is used as it is.
    let _ = rayon::ThreadPoolBuilder::new().num_threads(2).build_global();
    Criterion::default()
        .sample_size(10)
        .measurement_time(Duration::from_secs(1))
        .warm_up_time(Duration::from_millis(200))
}

criterion_group! { name = kernels; config = two_threads(); targets = enhancements }
criterion_main!(kernels);
