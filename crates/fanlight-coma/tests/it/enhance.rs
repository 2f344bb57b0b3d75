//! Enhancements: all of them alike, and some against scipy.

use fanlight_coma::ComaError;
use fanlight_coma::enhance::{
    self, BandConfig, Brightness, Enhancement, GradientConfig, RadialProfile, RatioConfig, RingConfig, ScaleLaw,
    Statistic, StretchConfig, Undo, apply,
};
use fanlight_image::{Image, Mask, flag};
use fanlight_sky::PixelXy;

const CENTRE: PixelXy = PixelXy { x_px: 28.25, y_px: 24.5 };

fn image_of(width: usize, height: usize, f: impl Fn(f64, f64) -> f64) -> Image {
    let data = (0..width * height).map(|i| f((i % width) as f64, (i / width) as f64) as f32).collect();
    Image { width, height, data }
}

/// A coma with a ray and a rough surface.
fn coma() -> Image {
    image_of(61, 53, |x, y| {
        let (dx, dy) = (x - CENTRE.x_px, y - CENTRE.y_px);
        let ray = 1.0 + 0.4 * (-((dy.atan2(dx) - 0.6) / 0.3).powi(2)).exp();
        900.0 / dx.hypot(dy).max(0.8) * ray + (x * 37.0 + y * 101.0) % 13.0
    })
}

/// One of each, with a reference image for the ratio.
fn all(reference: &Image) -> Vec<Enhancement> {
    let rings = |statistic| RingConfig { statistic, ring_width_px: 1.5 };
    let profile = RadialProfile::from_table(&[0.0, 4.0, 90.0], &[900.0, 230.0, 10.0]).unwrap();
    let config = RatioConfig { inner_px: 3.0, outer_px: 12.0, min_signal: 1e-3 };
    vec![
        Enhancement::RotationalGradient(GradientConfig { rotation_deg: 25.0, radial_shift_px: 0.0 }),
        Enhancement::RotationalGradient(GradientConfig { rotation_deg: 15.0, radial_shift_px: 1.5 }),
        Enhancement::DivideByAverage(rings(Statistic::Mean)),
        Enhancement::DivideByAverage(rings(Statistic::Median)),
        Enhancement::SubtractAverage(rings(Statistic::Mean)),
        Enhancement::SubtractAverage(rings(Statistic::Median)),
        Enhancement::StretchRings(StretchConfig { low_percent: 2.0, high_percent: 98.0, ring_width_px: 1.5 }),
        Enhancement::StandardiseRings { ring_width_px: 1.5 },
        Enhancement::DivideByInverseRadius,
        Enhancement::DivideByProfile(profile),
        Enhancement::VariableHighPass(ScaleLaw { base_px: 0.7, growth: 0.3, exponent: 0.9 }),
        Enhancement::Laplacian { sigma_px: 2.0 },
        Enhancement::Laplacian { sigma_px: 7.0 },
        Enhancement::UnsharpRatio { sigma_px: 3.0 },
        Enhancement::UnsharpRatio { sigma_px: 9.0 },
        Enhancement::MultiScaleResidual(BandConfig::default()),
        Enhancement::TemporalRatio { reference: reference.clone(), config },
    ]
}

fn clear(image: &Image) -> Mask {
    Mask::clear(image.width, image.height)
}

fn enhanced(enhancement: &Enhancement, image: &Image, centre: PixelXy) -> Image {
    apply(enhancement, image, &clear(image), centre).unwrap()
}

fn same_bits(a: &Image, b: &Image) -> bool {
    a.data.len() == b.data.len() && a.data.iter().zip(&b.data).all(|(a, b)| a.to_bits() == b.to_bits())
}

/// Alike, with NaN in the same places.
fn check_near(enhancement: &Enhancement, a: &Image, b: &Image) {
    assert_eq!((a.width, a.height), (b.width, b.height));
    for (i, (a, b)) in a.data.iter().zip(&b.data).enumerate() {
        // 2e-6 of the brightest pixel, 1600: single precision, and wide Gaussians by way of a grid that does not turn with
        // the image.
        let near = (a - b).abs() <= 3e-3 + 1e-3 * b.abs();
        assert!(near || (a.is_nan() && b.is_nan()), "{}: {a} for {b} at {i}", enhancement.name());
    }
}

#[test]
fn every_one_answers_over_most_of_the_image() {
    let image = coma();
    let flat = image_of(61, 53, |x, y| 500.0 / (x - CENTRE.x_px).hypot(y - CENTRE.y_px).max(0.8));
    for enhancement in all(&flat) {
        let out = enhanced(&enhancement, &image, CENTRE);
        let answered = out.data.iter().filter(|v| v.is_finite()).count();
        // The corners lack copies and whole rings, the rim the Laplacian.
        assert!(answered > 61 * 53 / 3, "{}: {answered}", enhancement.name());
        let first = out.data.iter().find(|v| v.is_finite()).unwrap();
        assert!(out.data.iter().any(|v| v.is_finite() && v != first), "{}", enhancement.name());
        assert!(enhancement.artefacts().ends_with('.') && enhancement.artefacts().len() > 40);
    }
}

/// Four times the light: the same ratio or four times the difference, to the bit.
#[test]
fn brighter_light_scales() {
    let image = coma();
    let brighter = Image { data: image.data.iter().map(|v| 4.0 * v).collect(), ..image };
    let reference = image_of(61, 53, |x, y| 500.0 / (x - CENTRE.x_px).hypot(y - CENTRE.y_px).max(0.8));
    for enhancement in all(&reference) {
        let factor = match enhancement {
            Enhancement::DivideByAverage(_)
            | Enhancement::StretchRings(_)
            | Enhancement::StandardiseRings { .. }
            | Enhancement::UnsharpRatio { .. }
            | Enhancement::TemporalRatio { .. } => 1.0,
            _ => 4.0,
        };
        let (a, b) = (enhanced(&enhancement, &image, CENTRE), enhanced(&enhancement, &brighter, CENTRE));
        let alike = a.data.iter().zip(&b.data).all(|(a, b)| factor * a == *b || (a.is_nan() && b.is_nan()));
        assert!(alike, "{}", enhancement.name());
    }
}

fn quarter_turn(image: &Image) -> Image {
    let (w, h) = (image.width, image.height);
    image_of(h, w, |x, y| f64::from(image.at(y as usize, h - 1 - x as usize)))
}

fn flip(image: &Image) -> Image {
    image_of(image.width, image.height, |x, y| f64::from(image.at(image.width - 1 - x as usize, y as usize)))
}

#[test]
fn turning_and_flipping_commute() {
    let mut image = coma();
    (300..330).for_each(|i| image.data[i] = f32::NAN);
    let reference = image_of(61, 53, |x, y| 500.0 / (x - CENTRE.x_px).hypot(y - CENTRE.y_px).max(0.8));
    let turned = PixelXy { x_px: 52.0 - CENTRE.y_px, y_px: CENTRE.x_px };
    let flipped = PixelXy { x_px: 60.0 - CENTRE.x_px, ..CENTRE };
    let here = all(&reference);
    for ((enhancement, when_turned), when_flipped) in
        here.iter().zip(all(&quarter_turn(&reference))).zip(all(&flip(&reference)))
    {
        let out = enhanced(enhancement, &image, CENTRE);
        check_near(enhancement, &enhanced(&when_turned, &quarter_turn(&image), turned), &quarter_turn(&out));
        check_near(enhancement, &enhanced(&when_flipped, &flip(&image), flipped), &flip(&out));
    }
}

/// What is under a flag counts nowhere, and nothing is said there.
#[test]
fn flagged_pixels_do_not_count() {
    let image = coma();
    let mut mask = clear(&image);
    let at: Vec<usize> = vec![20 * 61 + 20, 20 * 61 + 21, 24 * 61 + 28, 40 * 61 + 45];
    at.iter().for_each(|i| mask.bits[*i] = flag::STAR);
    let mut other = image.clone();
    for (i, value) in at.iter().zip([1e6, f32::NAN, f32::INFINITY, -50.0]) {
        other.data[*i] = value;
    }
    for enhancement in all(&coma()) {
        let (a, b) =
            (apply(&enhancement, &image, &mask, CENTRE).unwrap(), apply(&enhancement, &other, &mask, CENTRE).unwrap());
        assert!(same_bits(&a, &b), "{}", enhancement.name());
        assert!(at.iter().all(|i| a.data[*i].is_nan()), "{}", enhancement.name());
        assert!(a.data.iter().all(|v| !v.is_infinite()) && a.data.iter().any(|v| v.is_finite()));
    }
}

#[test]
fn empty_single_and_missing_images() {
    for enhancement in all(&Image::default()) {
        let got = enhanced(&enhancement, &Image::default(), CENTRE);
        assert_eq!(got, Image::default(), "{}", enhancement.name());
    }
    let (one, origin) = (Image::filled(1, 1, 8.0), PixelXy { x_px: 0.0, y_px: 0.0 });
    for enhancement in all(&one) {
        let got = apply(&enhancement, &one, &clear(&one), origin).map(|i| i.data[0]);
        let expected = match &enhancement {
            Enhancement::UnsharpRatio { .. } => Some(1.0),
            Enhancement::DivideByInverseRadius
            | Enhancement::VariableHighPass(_)
            | Enhancement::MultiScaleResidual(_) => Some(0.0),
            Enhancement::RotationalGradient(c) if c.radial_shift_px == 0.0 => Some(0.0),
            Enhancement::DivideByProfile(profile) => Some((8.0 / profile.at(0.0).unwrap()) as f32),
            Enhancement::TemporalRatio { .. } => {
                assert!(matches!(got, Err(ComaError::TooFew { .. })));
                continue;
            }
            // Rings of 1.5 px are almost all outside.
            _ => None,
        };
        match (got.unwrap(), expected) {
            (value, Some(expected)) => assert!((value - expected).abs() < 1e-5, "{}: {value}", enhancement.name()),
            (value, None) => assert!(value.is_nan(), "{}: {value}", enhancement.name()),
        }
    }
    let image = coma();
    let all_flagged = Mask { bits: vec![flag::STAR; 61 * 53], ..clear(&image) };
    for enhancement in all(&image) {
        match apply(&enhancement, &image, &all_flagged, CENTRE) {
            Ok(out) => assert!(out.data.len() == 61 * 53 && out.data.iter().all(|v| v.is_nan())),
            Err(e) => {
                assert!(matches!((&enhancement, e), (Enhancement::TemporalRatio { .. }, ComaError::TooFew { .. })))
            }
        }
    }
}

#[test]
fn a_centre_outside_and_a_strange_mask_are_refused() {
    let image = coma();
    for enhancement in all(&image) {
        let has_no_centre = matches!(
            enhancement,
            Enhancement::Laplacian { .. } | Enhancement::UnsharpRatio { .. } | Enhancement::MultiScaleResidual(_)
        );
        for (x_px, y_px) in [(-0.6, 20.0), (30.0, 52.6), (f64::NAN, 3.0)] {
            let got = apply(&enhancement, &image, &clear(&image), PixelXy { x_px, y_px });
            assert!(has_no_centre || matches!(got, Err(ComaError::CentreOutside { .. })), "{}", enhancement.name());
        }
        let got = apply(&enhancement, &image, &Mask::clear(53, 61), CENTRE);
        assert!(matches!(got, Err(ComaError::SizeMismatch { .. })));
    }
    let corner = PixelXy { x_px: -0.5, y_px: 52.5 };
    assert!(apply(&Enhancement::DivideByInverseRadius, &image, &clear(&image), corner).is_ok());
}

#[test]
fn one_thread_or_two_give_the_same_bits() {
    let wide = image_of(300, 260, |x, y| 900.0 / (x - 140.2).hypot(y - 133.7).max(0.8) + (x * 37.0 + y * 101.0) % 13.0);
    let mut mask = clear(&wide);
    mask.bits.iter_mut().step_by(991).for_each(|b| *b = flag::DETECTOR);
    let centre = PixelXy { x_px: 140.0, y_px: 134.0 };
    for enhancement in all(&wide) {
        let on = |n: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(n).build().unwrap();
            pool.install(|| apply(&enhancement, &wide, &mask, centre)).unwrap()
        };
        assert!(same_bits(&on(1), &on(2)), "{}", enhancement.name());
    }
}

#[test]
fn what_is_kept_is_said() {
    let kept: Vec<Brightness> = all(&coma()).iter().map(Enhancement::brightness).collect();
    let count = |b| kept.iter().filter(|k| **k == b).count();
    assert_eq!(count(Brightness::Kept(Undo::Multiplicative)), 5);
    assert_eq!(count(Brightness::Kept(Undo::Additive)), 2);
    assert_eq!(count(Brightness::Lost), 10);
    let mut names: Vec<&str> = all(&coma()).iter().map(Enhancement::name).collect();
    names.dedup();
    // Two settings each of the gradient, the Laplacian and the unsharp ratio.
    assert_eq!(names.len(), 14);
}

/// Two rows of expected values for each pixel: without gaps, with them.
#[test]
fn scipy_gives_the_same() {
    // scipy 1.17.1, reference/enhancements_scipy.py
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .comment(Some(b'#'))
        .flexible(true)
        .from_reader(include_bytes!("../data/enhancements_scipy.csv").as_slice());
    let field = |f: &str| if f.is_empty() { f64::NAN } else { f.parse().unwrap() };
    let rows: Vec<Vec<f64>> = reader.records().map(|r| r.unwrap().iter().map(field).collect()).collect();
    assert_eq!(rows.len(), 64 * 64);
    let image = Image { width: 64, height: 64, data: rows.iter().map(|r| r[2] as f32).collect() };
    let mut holed = clear(&image);
    (20..30).for_each(|x| holed.bits[12 * 64 + x] = flag::STAR);
    for (x, y) in [(45, 50), (20, 40), (31, 34)] {
        (0..9).for_each(|i| holed.bits[(y + i / 3) * 64 + x + i % 3] = flag::STAR);
    }
    let band = BandConfig { scales_px: vec![1.5, 6.5], gains: vec![1.0] };
    let gradient = |rotation_deg, radial_shift_px| {
        Enhancement::RotationalGradient(GradientConfig { rotation_deg, radial_shift_px })
    };
    // Sums of single-precision pixels up to 1400: 1e-3. From 6 px on, Gaussians are two, each cut at 4σ/√2 instead of 4σ: the
    // light that this leaves out is up to 1e-4 of the core's.
    let cases = [
        (gradient(25.0, 0.0), 1e-3),
        (gradient(40.0, 1.5), 1e-3),
        (Enhancement::Laplacian { sigma_px: 2.0 }, 1e-3),
        (Enhancement::Laplacian { sigma_px: 7.0 }, 1e-2),
        (Enhancement::UnsharpRatio { sigma_px: 3.0 }, 2e-6),
        (Enhancement::UnsharpRatio { sigma_px: 8.0 }, 5e-4),
        (Enhancement::MultiScaleResidual(band), 5e-2),
    ];
    let centre = PixelXy { x_px: 30.3, y_px: 33.8 };
    let mut compared = 0;
    for (i, (enhancement, tolerance)) in cases.iter().enumerate() {
        for (first, mask) in [(3, &clear(&image)), (10, &holed)] {
            let got = enhance::apply(enhancement, &image, mask, centre).unwrap();
            for row in rows.iter().filter(|r| r.len() > 3) {
                let (value, expected) = (f64::from(got.at(row[0] as usize, row[1] as usize)), row[first + i]);
                let near = (value - expected).abs() < tolerance * (1.0 + 1e-3 * expected.abs());
                assert!(
                    near || (value.is_nan() && expected.is_nan()),
                    "{} at {} {}: {value} for {expected}",
                    enhancement.name(),
                    row[0],
                    row[1]
                );
                compared += usize::from(near);
            }
        }
    }
    assert!(compared > 4000, "{compared}");
}
