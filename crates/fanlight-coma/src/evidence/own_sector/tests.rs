use super::super::bank::Bank;
use super::super::chance::TwinMaker;
use super::super::feature_fit::Shape;
use super::super::mode_space::off_rad;
use super::super::night_model::StackForEvidence;
use super::super::shapes::{gaussian, gaussian_azimuth};
use super::*;
use crate::kernel::KernelPart;
use crate::passing::UnseenStars;
use fanlight_image::moffat::Moffat;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

const N: usize = 91;
const CENTRE: (f64, f64) = (45.2, 44.7);
const SCALE: f64 = 1.5;
const PARTS: usize = 6;
const LIGHT: f64 = 3000.0;
const FWHM_PX: f64 = 2.4;

/// A straight ray of a 1/ρ coma, Gaussian across, from the nucleus to where it has fallen to half; north up and east left.
#[derive(Clone, Copy)]
struct Ray {
    pa_deg: f64,
    fwhm_deg: f64,
    contrast: f64,
    to_px: f64,
}

impl Ray {
    fn run(&self, rho_px: f64) -> f64 {
        self.contrast / (1.0 + (rho_px / self.to_px).powi(6))
    }

    fn share(&self, rho_px: f64, pa_rad: f64) -> f64 {
        self.run(rho_px) * gaussian(off_rad(pa_rad, self.pa_deg.to_radians()), self.fwhm_deg.to_radians())
    }

    /// On the axis beyond the mean of the rings, as a share of that mean, averaged between two distances.
    fn contrast_between(&self, (from, to): (f64, f64)) -> f64 {
        let mean = gaussian_azimuth(self.fwhm_deg.to_radians())[0];
        let n = 200;
        let at = |i: i32| from + (to - from) * (f64::from(i) + 0.5) / f64::from(n);
        (0..n).map(|i| self.run(at(i))).map(|run| run * (1.0 - mean) / (1.0 + run * mean)).sum::<f64>() / f64::from(n)
    }

    fn sector(&self) -> Sector {
        Sector { pa_deg: self.pa_deg, width_deg: self.fwhm_deg, inner_arcsec: 0.0, outer_arcsec: self.to_px * SCALE }
    }
}

/// A place on the stack's grid and how it is oriented.
fn frame() -> SkyFrame {
    SkyFrame { centre_px: CENTRE, arcsec_per_px: [[-SCALE, 0.0], [0.0, SCALE]] }
}

/// A simulated stack with those rays, or a sub-stack, by its noise per pixel.
fn stack(rays: &[Ray], sigma: f64, rng: &mut ChaCha8Rng) -> Image {
    let pixel = |i: usize| {
        let (rho, pa) = frame().polar_of_pixel((i % N, i / N));
        let noise: f64 = StandardNormal.sample(rng);
        let share: f64 = rays.iter().map(|ray| ray.share(rho, pa)).sum();
        (LIGHT / rho.max(1.2) * (1.0 + share) + sigma * noise) as f32
    };
    Image { width: N, height: N, data: (0..N * N).map(pixel).collect() }
}

/// The model of a simulated night with those rays, its noise `sigma` per pixel, all of it as the night itself shows it; `masked` are left out.
fn night(rays: &[Ray], sigma: f64, seed: u64, masked: impl Fn(f64, f64) -> bool) -> (NightModel, Image) {
    let seeing = Moffat { fwhm_major_px: FWHM_PX, fwhm_minor_px: FWHM_PX, angle_rad: 0.0, beta: 3.0 };
    let kernel = [KernelPart { seeing, paths_px: [(0.0, 0.0); 2], weight: 1.0 }];
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let parts: Vec<Image> = (0..PARTS).map(|_| stack(rays, sigma * (PARTS as f64).sqrt(), &mut rng)).collect();
    let mean = |i: usize| parts.iter().map(|p| p.data[i]).sum::<f32>() / PARTS as f32;
    let image = Image { width: N, height: N, data: (0..N * N).map(mean).collect() };
    let substacks: Vec<(&Image, f64)> = parts.iter().map(|p| (p, 1.0 / PARTS as f64)).collect();
    let mut mask = Mask::clear(N, N);
    for (i, bits) in mask.bits.iter_mut().enumerate() {
        let (rho, pa) = frame().polar_of_pixel((i % N, i / N));
        *bits = u8::from(masked(rho, pa));
    }
    let model = NightModel::settled(&StackForEvidence {
        image: &image,
        variance: &Image::filled(N, N, (sigma * sigma) as f32),
        mask: &mask,
        correlation: 1.0,
        frame: frame(),
        centre_sigma_px: 0.02,
        kernel: &kernel,
        fwhm_px: FWHM_PX,
        elongation_sigma: 0.01,
        substacks: &substacks,
        halves: &[],
        sky_sigma: 0.02 * sigma,
        star_variance: None,
        unseen_stars: UnseenStars::default(),
        star_leftovers: &[],
        star_track: &[],
        sky_per_px: 0.0,
        difference: None,
    });
    (model.expect("a coma far out of the noise"), image)
}

/// A night of which further stacks are drawn that differ in noise, in where their rays lie, and in how far centre, star images and sky are off, which
/// is as far as they may be. Its coma and the size of its noise stay what the first one told.
struct Redrawn {
    model: NightModel,
    sectors: SectorModel,
    sigma: f64,
    rng: ChaCha8Rng,
}

impl Redrawn {
    fn new(rays: &[Ray], sigma: f64, seed: u64) -> Self {
        let of_sectors = night(rays, sigma, seed, |_, _| false).0;
        let findings = of_sectors.find_clear();
        Self {
            model: night(rays, sigma, seed, |_, _| false).0,
            sectors: SectorModel::new(of_sectors, findings, None),
            sigma,
            rng: ChaCha8Rng::seed_from_u64(seed ^ 0xD4A3),
        }
    }

    /// Another stack, searched.
    fn draw(&mut self, rays: &[Ray]) -> Findings {
        let image = stack(rays, self.sigma, &mut self.rng);
        let model = &mut self.model;
        model.data = model.space.project(|i| image.data[i] - model.in_square(&model.round, i % N, i / N));
        for n in &model.fixed {
            let off: f64 = StandardNormal.sample(&mut self.rng);
            model.data.axpy(n.sigma * off, &n.direction, 1.0);
        }
        self.sectors.data = model.data.clone();
        model.find_clear()
    }

    fn with(&mut self, findings: Findings) -> &SectorModel {
        self.sectors.found = Found::of(findings, self.model.space.dim, self.model.least_excess);
        &self.sectors
    }
}

fn within(share: f64, expected: f64, n: usize, sigmas: f64) -> bool {
    (share - expected).abs() < sigmas * (expected * (1.0 - expected) / n as f64).sqrt()
}

fn share_of<T>(values: &[T], is: impl Fn(&T) -> bool) -> f64 {
    values.iter().filter(|v| is(v)).count() as f64 / values.len() as f64
}

/// Faint rays known by their truth, whose error is the noise's: contrasts lie within it as often as errors of one sigma say.
#[test]
fn contrasts_cover_the_truth() {
    let pulls: Vec<f64> = (0..5u64)
        .into_par_iter()
        .flat_map_iter(|seed| {
            let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xC0);
            let ray = Ray {
                pa_deg: 0.0,
                fwhm_deg: 22.0 + 5.0 * seed as f64,
                contrast: 0.012 + 0.004 * seed as f64,
                to_px: rng.random_range(12.0..24.0),
            };
            let mut night = Redrawn::new(&[ray], 6.0, seed);
            (0..42).map(move |_| {
                let ray = Ray { pa_deg: rng.random_range(0.0..360.0), ..ray };
                let findings = night.draw(&[ray]);
                let measured = night.with(findings).measure(&ray.sector()).unwrap();
                let ends = (measured.sector.inner_arcsec / SCALE, measured.sector.outer_arcsec / SCALE);
                (measured.contrast - ray.contrast_between(ends)) / measured.contrast_err
            })
        })
        .collect();
    let n = pulls.len();
    let (inside, far) = (share_of(&pulls, |p| p.abs() < 1.0), share_of(&pulls, |p| p.abs() > 2.0));
    let mean = pulls.iter().sum::<f64>() / n as f64;
    assert!(within(inside, 0.683, n, 3.0), "{inside} within one sigma, {far} beyond two, mean {mean}");
    assert!(far < 0.046 + 3.0 * (0.046f64 * 0.954 / n as f64).sqrt(), "{far}");
    assert!(mean.abs() < 0.35, "{mean}");
}

fn random_sector(rng: &mut ChaCha8Rng) -> Sector {
    let inner = rng.random_range(0.0..14.0);
    Sector {
        pa_deg: rng.random_range(0.0..360.0),
        width_deg: rng.random_range(12.0..110.0),
        inner_arcsec: inner * SCALE,
        outer_arcsec: (1.5 * inner + rng.random_range(7.0..14.0)) * SCALE,
    }
}

/// A sector named beforehand, of a coma without structure: on the side that was named one in ten has a probability under a tenth.
#[test]
fn places_named_beforehand_have_even_probabilities() {
    let found: Vec<SectorMeasured> = (0..4u64)
        .into_par_iter()
        .flat_map_iter(|seed| {
            let mut night = Redrawn::new(&[], 9.0, 1000 + seed);
            let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xA1);
            (0..60).map(move |_| {
                let findings = night.draw(&[]);
                night.with(findings).measure(&random_sector(&mut rng)).unwrap()
            })
        })
        .collect();
    for named in [Side::Brighter, Side::Darker] {
        // had the other side been named, the chance is what is left
        let probability =
            |m: &SectorMeasured| if m.side == named { m.probability_alone } else { 1.0 - m.probability_alone };
        let shares = [0.05, 0.1, 0.3, 0.5, 0.9].map(|p| share_of(&found, |m| probability(m) < p));
        for (share, expected) in shares.iter().copied().zip([0.05, 0.1, 0.3, 0.5, 0.9]) {
            assert!(
                within(share, expected, found.len(), 3.0),
                "{named:?}: {share} under {expected}, of all {shares:?}"
            );
        }
    }
    // whichever side it was: twice as many
    let either = share_of(&found, |m| m.probability_alone < 0.1);
    assert!(within(either, 0.2, found.len(), 3.0), "{either}");
}

/// The darkest of all sectors, of a coma without structure, is by eye as little rare as the brightest; a wedge from which light is missing is rare, and
/// its contrast is the truth's.
#[test]
fn dark_sectors_are_judged_as_dark() {
    let found: Vec<(SectorMeasured, f64)> = (0..3u64)
        .into_par_iter()
        .flat_map_iter(|seed| {
            let mut night = Redrawn::new(&[], 9.0, 3000 + seed);
            let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xDA2);
            (0..30).map(move |draw| {
                let mut findings = night.draw(&[]);
                let model = &night.model;
                let nuisances = Nuisances::new(model.space.dim, &findings.common);
                let bank = Bank::new(&model.templates, &nuisances);
                findings.chance = Chance::of_twins(&bank, &TwinMaker::new(&model.space, &nuisances), 250, draw);
                let darkest = chosen_by_eye(night.with(findings), None, &mut rng, -1.0);
                let named = night.sectors.measure(&random_sector(&mut rng)).unwrap();
                (darkest, named.significance)
            })
        })
        .collect();
    let n = found.len();
    assert!(found.iter().all(|(m, _)| m.side == Side::Darker && m.contrast < 0.0));
    let by_eye = share_of(&found, |(m, _)| m.probability_by_eye < 0.1);
    let alone = share_of(&found, |(m, _)| m.probability_alone < 0.1);
    assert!(by_eye < 0.1 + 3.0 * (0.09 / n as f64).sqrt(), "{by_eye}");
    assert!(alone > 0.8, "{alone}");
    // of those named beforehand half are dark
    assert!(within(share_of(&found, |(_, s)| *s < 0.0), 0.5, n, 3.0));

    let shadow = Ray { pa_deg: 60.0, fwhm_deg: 26.0, contrast: -0.2, to_px: 22.0 };
    let (model, _) = night(&[shadow], 6.0, 11, |_, _| false);
    let findings = model.find(5);
    let sectors = SectorModel::new(model, findings, None);
    let dark = sectors.measure(&shadow.sector()).unwrap();
    let ends = (dark.sector.inner_arcsec / SCALE, dark.sector.outer_arcsec / SCALE);
    assert_eq!(dark.side, Side::Darker);
    assert!((dark.contrast - shadow.contrast_between(ends)).abs() < 3.0 * dark.contrast_err, "{dark:?}");
    assert!(dark.probability_by_eye < 1e-3 && dark.probability_alone <= dark.probability_by_eye, "{dark:?}");
}

/// The most significant sector, of one sign, that whoever turns and stretches it can find.
fn chosen_by_eye(sectors: &SectorModel, begin: Option<Sector>, rng: &mut ChaCha8Rng, sign: f64) -> SectorMeasured {
    let measured = |s: &Sector| sectors.measure(s).ok();
    let first = (0..40).map(|_| random_sector(rng)).chain(begin).filter_map(|s| measured(&s));
    let best = first.max_by(|a, b| (sign * a.significance).total_cmp(&(sign * b.significance)));
    let mut best = best.expect("one of many");
    for round in 0..40 {
        let step = 0.4 * 0.93f64.powi(round);
        let mut factor = || (step * rng.random_range(-1.0..1.0f64)).exp();
        let s = best.sector;
        let next = Sector {
            width_deg: (s.width_deg * factor()).clamp(8.0, 150.0),
            pa_deg: s.pa_deg + s.width_deg * factor().ln(),
            inner_arcsec: s.inner_arcsec * factor(),
            outer_arcsec: s.outer_arcsec * factor(),
        };
        best = measured(&next).filter(|m| sign * m.significance > sign * best.significance).unwrap_or(best);
    }
    best
}

/// The best of all sectors, of a coma without structure: by eye no more than one in ten has a probability under a tenth, though of one named
/// beforehand it would be rare; and the margin that a real sky needs is not what makes it so.
#[test]
fn the_best_place_by_eye_is_nothing_rare() {
    let found: Vec<(f64, SectorMeasured)> = (0..3u64)
        .into_par_iter()
        .flat_map_iter(|seed| {
            let mut night = Redrawn::new(&[], 9.0, 2000 + seed);
            let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xE7E);
            (0..30).map(move |draw| {
                let mut findings = night.draw(&[]);
                let model = &night.model;
                let nuisances = Nuisances::new(model.space.dim, &findings.common);
                let bank = Bank::new(&model.templates, &nuisances);
                let maker = TwinMaker::new(&model.space, &nuisances);
                findings.chance = Chance::of_twins(&bank, &maker, 250, draw);
                let best = bank.best(&maker.data(&model.data), |_| true);
                let of_bank = best.as_ref().map_or(1.0, |b| findings.chance.probability(b.significance));
                let begin = best.and_then(|b| b.template.wedge(SCALE)).map(|wedge| {
                    let on = (0..wedge.run.len()).filter(|j| wedge.run[*j] > 0.0).map(|j| model.shapes.knots_px[j]);
                    let on: Vec<f64> = on.collect();
                    let (inner, outer) = (on[0], on[on.len() - 1]);
                    Sector {
                        pa_deg: wedge.ridge_rad((inner * outer).sqrt()).to_degrees(),
                        width_deg: wedge.width_rad.to_degrees(),
                        inner_arcsec: inner * SCALE,
                        outer_arcsec: outer * SCALE,
                    }
                });
                (of_bank, chosen_by_eye(night.with(findings), begin, &mut rng, 1.0))
            })
        })
        .collect();
    let n = found.len();
    let rare = |of: fn(&(f64, SectorMeasured)) -> f64| share_of(&found, |m| of(m) < 0.1);
    let (of_bank, by_eye) = (rare(|m| m.0), rare(|m| m.1.probability_by_eye));
    let alone = rare(|m| m.1.probability_alone);
    // choosing the search's best is what the law is of
    assert!(within(of_bank, 0.1, n, 3.0), "{of_bank}, {by_eye} by eye, {alone} alone");
    assert!(by_eye < 0.1 + 3.0 * (0.09 / n as f64).sqrt(), "{by_eye}");
    assert!(alone > 0.8, "{alone}");
    assert!(found.iter().all(|(_, m)| m.probability_by_eye >= m.probability_alone));
}

/// The place of a feature that the search found has that feature's numbers, another feature beside it or not.
#[test]
fn the_place_of_a_feature_is_the_feature() {
    let jets = [
        Ray { pa_deg: 60.0, fwhm_deg: 30.0, contrast: 0.09, to_px: 22.0 },
        Ray { pa_deg: 150.0, fwhm_deg: 40.0, contrast: 0.05, to_px: 16.0 },
    ];
    let (model, image) = night(&jets, 6.0, 5, |_, _| false);
    let findings = model.find(5);
    let records: Vec<_> = findings
        .features
        .iter()
        .enumerate()
        .filter(|(_, f)| f.fitted.stands_alone())
        .map(|(i, f)| {
            assert!(matches!(f.fitted.shape, Shape::Wedge(_)));
            let (from, to) = model.extent_px(&f.fitted);
            let sector = Sector {
                pa_deg: f.fitted.pa_at((from * to).sqrt()).0.to_degrees(),
                width_deg: model.width_seen_rad(&f.fitted).to_degrees(),
                inner_arcsec: from * SCALE,
                outer_arcsec: to * SCALE,
            };
            (i, sector, f.significance, model.contrast(&f.fitted))
        })
        .collect();
    assert_eq!(records.len(), jets.len());
    let n = findings.features.len();
    let sectors = SectorModel::new(model, findings, Some(&image));
    for (i, sector, significance, (contrast, error)) in records {
        let own = sectors.measure(&sector).unwrap();
        assert_eq!((own.is_feature, own.features_beside), (Some(i), n - 1));
        // the search's templates are some way apart; the sector is as the feature was fitted
        assert!((0.97..1.1).contains(&(own.significance / significance)), "{} {significance}", own.significance);
        assert!((own.contrast - contrast).abs() < 0.5 * error, "{} {contrast}", own.contrast);
        assert!(own.probability_by_eye < 1e-3 && own.probability_alone <= own.probability_by_eye);
        assert_eq!(own.good_share, 1.0);
        // with the night itself for its twin
        assert!((own.raw_contrast - own.twin_contrast.unwrap()).abs() < 1e-9);
    }
    // between them nothing is left
    let between = sectors.measure(&Sector { pa_deg: 270.0, ..jets[0].sector() }).unwrap();
    assert_eq!((between.is_feature, between.features_beside), (None, n));
    assert!(between.contrast.abs() < 3.0 * between.contrast_err && between.probability_by_eye > 0.05, "{between:?}");
}

/// What cannot be measured is refused with what to do; what can is measured however it was drawn.
#[test]
fn sectors_as_people_draw_them() {
    let masked = |rho: f64, pa: f64| rho > 5.0 && off_rad(pa, 1.0).abs() < 0.4;
    let (model, _) = night(&[], 9.0, 7, masked);
    let findings = model.find_clear();
    let sectors = SectorModel::new(model, findings, None);
    let (from, to) = sectors.reach_arcsec();
    let plain = Sector { pa_deg: 200.0, width_deg: 40.0, inner_arcsec: 8.0, outer_arcsec: 25.0 };
    assert!(from < 8.0 && to > 25.0, "{from} {to}");
    let measured = sectors.measure(&plain).unwrap();
    assert_eq!(measured.twin_contrast, None);
    let reversed = Sector { inner_arcsec: 25.0, outer_arcsec: 8.0, ..plain };
    assert_eq!(sectors.measure(&reversed).unwrap(), measured);
    let turned = sectors.measure(&Sector { pa_deg: 200.0 - 720.0, ..plain }).unwrap();
    assert!((turned.contrast - measured.contrast).abs() < 1e-9 && (turned.sector.pa_deg - 200.0).abs() < 1e-9);
    // from the nucleus to far beyond the coma: the part that can be told
    let all = sectors.measure(&Sector { inner_arcsec: 0.0, outer_arcsec: 1e6, ..plain }).unwrap();
    assert_eq!((all.sector.inner_arcsec, all.sector.outer_arcsec), (from, to));
    // as wide as may be: an error of its own size, or nothing left of it
    match sectors.measure(&Sector { width_deg: 180.0, ..plain }) {
        Ok(wide) => assert!(wide.contrast.is_finite() && wide.contrast_err > 0.0),
        Err(why) => assert_eq!(why, NotMeasured::Hidden),
    }
    assert!(sectors.measure(&Sector { width_deg: 0.01, ..plain }).is_ok());
    let refused = |sector: Sector| {
        let why = sectors.measure(&sector).unwrap_err();
        assert!(!why.to_string().contains("NaN") && !why.hint().is_empty(), "{why}");
        why
    };
    for nan in [f64::NAN, f64::INFINITY] {
        assert!(matches!(refused(Sector { pa_deg: nan, ..plain }), NotMeasured::NotANumber { what: "position angle" }));
        assert!(matches!(refused(Sector { outer_arcsec: nan, ..plain }), NotMeasured::NotANumber { .. }));
    }
    for width_deg in [0.0, -20.0, 180.1] {
        assert_eq!(refused(Sector { width_deg, ..plain }), NotMeasured::Width { width_deg });
    }
    for (inner_arcsec, outer_arcsec) in [(to + 1.0, to + 50.0), (0.0, 0.5 * from), (-9.0, -1.0)] {
        let why = refused(Sector { inner_arcsec, outer_arcsec, ..plain });
        assert!(matches!(why, NotMeasured::Outside { .. }), "{why}");
    }
    let NotMeasured::TooThin { needed_arcsec, .. } = refused(Sector { outer_arcsec: 9.0, ..plain }) else { panic!() };
    assert!(sectors.measure(&Sector { outer_arcsec: needed_arcsec, ..plain }).is_ok());
    let NotMeasured::Masked { good_share } = refused(Sector { pa_deg: 1f64.to_degrees(), ..plain }) else { panic!() };
    assert!(good_share < 0.02, "{good_share}");
    // half of it masked
    let half = sectors.measure(&Sector { pa_deg: 1.4f64.to_degrees(), ..plain }).unwrap();
    assert!((half.good_share - 0.5).abs() < 0.06, "{half:?}");
}

/// The law of a place: even to three sigma, then no less than Gaussian and without a step.
#[test]
fn the_tail_of_a_place_is_the_search_s() {
    let plain = PlaceLaw { typical: 1.0, tail: 1.25 };
    // Abramowitz & Stegun 1964, table 26.1
    for (z, p) in [(-2.5, 0.993_790_335), (0.0, 0.5), (1.0, 0.158_655_254), (1.96, 0.024_997_895)] {
        assert!((plain.probability(z) - p).abs() < 1e-8, "{z}");
    }
    let (before, behind) = (plain.probability(3.0 - 1e-9), plain.probability(3.0 + 1e-9));
    assert!((before / behind - 1.0).abs() < 1e-6);
    assert!(plain.probability(6.0) > 100.0 * above(6.0) && plain.probability(6.0) < above(6.0 / 1.25));
    assert!(plain.probability(1e3) > 0.0);
    let louder = PlaceLaw { typical: 1.5, tail: 1.5 };
    assert!((louder.probability(4.8) - above(3.2)).abs() < 1e-12);
}
