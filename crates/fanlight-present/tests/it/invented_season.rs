//! An invented season: comet, sites and numbers are made up, but hang together.

use crate::night::Noise;
use fanlight_image::{Image, Mask, flag};
use fanlight_present::SkyPicture;
use fanlight_present::season::{ChangePictures, MontageNight, SeasonPictures, SkyOrientation};
use fanlight_record::*;

const SIZE_PX: usize = 181;
const AU_KM: f64 = 149_597_870.7;
const SUN_MAG: f64 = -26.93;
const SKY_NOISE: f64 = 0.05;
const APERTURE_KM: f64 = 10_000.0;
const SLOPE: f64 = -2.6;
const AFRHO_1AU_CM: f64 = 900.0;

/// `2031-03-04` and so on: day 0 is 1 March; the comet is at perihelion on day 40.
fn utc(day: f64) -> String {
    const MONTHS: [(u32, u32); 6] = [(2, 28), (3, 31), (4, 30), (5, 31), (6, 30), (7, 31)];
    let (mut month, mut date) = (3, day.floor() as i64 + 1);
    if date < 1 {
        (month, date) = (2, 28 + date);
    }
    for (m, length) in MONTHS {
        if month == m && date > i64::from(length) {
            (month, date) = (m + 1, date - i64::from(length));
        }
    }
    let minutes = (day.rem_euclid(1.0) * 1440.0).round() as u32;
    format!("2031-{month:02}-{date:02}T{:02}:{:02}:00.000Z", minutes / 60, minutes % 60)
}

/// Days of `n` nights: every second or third, with a long gap after the first third.
fn days(n: usize) -> Vec<f64> {
    let step = |i: usize| if n <= 20 { 2.0 * i as f64 + (i % 3) as f64 * 0.7 } else { i as f64 * 1.1 };
    (0..n).map(|i| step(i) + 0.88 + if n > 4 && i > n / 3 { 14.0 } else { 0.0 }).collect()
}

fn r_au(day: f64) -> f64 {
    1.1 + ((day - 40.0) / 55.0).powi(2).min(3.0)
}

fn delta_au(day: f64) -> f64 {
    0.6 + 0.012 * day
}

fn sunward_pa_deg(day: f64) -> f64 {
    (330.0 + 1.6 * day).rem_euclid(360.0)
}

fn jet_pa_deg(day: f64) -> f64 {
    (sunward_pa_deg(day) + 24.0).rem_euclid(360.0)
}

fn afrho_cm(day: f64) -> f64 {
    AFRHO_1AU_CM * r_au(day).powf(SLOPE) * if (24.0..26.5).contains(&day) { 1.9 } else { 1.0 }
}

fn season_night(day: f64, i: usize) -> SeasonNight {
    let sun = sunward_pa_deg(day);
    SeasonNight {
        mid_utc: utc(day),
        site: if i.is_multiple_of(2) { "Larkhill Ridge".into() } else { "Col des Brumes".into() },
        band: Some("r".into()),
        r_au: r_au(day),
        side: Some(if day < 40.0 { "pre" } else { "post" }.into()),
        delta_au: delta_au(day),
        phase_deg: 30.0 + 0.3 * day,
        sunward_pa_deg: sun,
        antisolar_pa_deg: (sun + 180.0).rem_euclid(360.0),
        negative_velocity_pa_deg: (150.0 + 0.9 * day).rem_euclid(360.0),
        km_per_arcsec: delta_au(day) * AU_KM / 206_264.806,
        fwhm_arcsec: Some(2.4 + 0.3 * (i % 4) as f64),
        telescope: Some("0.4 m reflector".into()),
        exposure_s: 3600.0 - 120.0 * (i % 5) as f64,
        n_frames: 60 - 2 * (i % 5),
        folder: Some(format!("nights/{:02}", i + 1)),
        simulated: false,
    }
}

/// A season of `n` nights.
pub fn record(n: usize) -> SeasonRecord {
    let days = days(n);
    let nights: Vec<SeasonNight> = days.iter().enumerate().map(|(i, d)| season_night(*d, i)).collect();
    let mut noise = Noise(5);
    let mut record = SeasonRecord {
        schema: SEASON_SCHEMA.into(),
        object: "C/2031 Z2".into(),
        changes: Vec::new(),
        tracks: Vec::new(),
        activity: activity(&days, &mut noise),
        period_searches: vec![PeriodSearchRecord {
            of: "near-nucleus light".into(),
            n,
            range_h: (n > 5).then_some([4.0, 60.0]),
            period: None,
            because: Some("no period in the range is less likely by chance than 1 in 100".into()),
        }],
        expansions: Vec::new(),
        notes: vec!["One night in another filter was left out of the changes.".into()],
        provenance: Provenance {
            program: "fanlight 0.1.0".into(),
            command: "fanlight season --campaign campaign.toml nights/01 nights/02 --out season".into(),
            inputs: nights
                .iter()
                .enumerate()
                .map(|(i, _)| InputFile {
                    file: format!("nights/{:02}/night.json", i + 1),
                    role: "night".into(),
                    sha256: format!("{:064x}", i + 77),
                })
                .collect(),
            methods: vec!["Power laws were fitted to the logarithms by weighted least squares.".into()],
        },
        summary: format!(
            "C/2031 Z2 was followed over {n} nights; its dust grew with a power of −2.60 ± 0.08 of the distance from the Sun before perihelion."
        ),
        nights,
    };
    if n > 1 {
        record.changes = (1..n).map(|i| change(&record.nights[i - 1], &record.nights[i], i + 1 == n)).collect();
        record.tracks = tracks(&days, &mut noise);
    }
    if n > 10 {
        record.expansions = vec![ExpansionRecord {
            pa_deg: 80.0,
            points: (0..3)
                .map(|i| ExpansionPoint {
                    utc: record.nights[i + 4].mid_utc.clone(),
                    radius_km: 9000.0 + 14_000.0 * i as f64,
                    radius_err_km: 700.0,
                })
                .collect(),
            speed_km_s: 0.081,
            speed_err_km_s: 0.006,
        }];
    }
    record
}

fn change(from: &SeasonNight, to: &SeasonNight, with_features: bool) -> ChangeRecord {
    let feature = |what: &str, pa_deg: f64, amount: f64, amount_err: f64, probability: f64| ChangedFeature {
        what: what.into(),
        kind: "jet".into(),
        pa_deg,
        pa_err_deg: 2.1,
        amount,
        amount_err,
        probability,
    };
    let features = if with_features {
        vec![feature("new", 62.0, 0.083, 0.012, 2e-5), feature("gone", 200.0, -0.06, 0.013, 4e-4)]
    } else {
        Vec::new()
    };
    ChangeRecord {
        limit_width_deg: None,
        from_utc: from.mid_utc.clone(),
        to_utc: to.mid_utc.clone(),
        statement: if with_features {
            "A jet at PA 62° is new and one at PA 200° is gone; changes of 2.1 % would have been found.".into()
        } else {
            "Nothing changed that is larger than 2.1 % of the coma.".into()
        },
        limit_contrast: Some(0.021),
        features,
        smallest_probability: Some(0.12),
        range_km: Some([4000.0, 32_000.0]),
        not_compared_because: None,
    }
}

fn tracks(days: &[f64], noise: &mut Noise) -> Vec<TrackRecord> {
    let mut points = |every: usize, pa: &dyn Fn(f64) -> f64| -> Vec<TrackPoint> {
        days.iter()
            .step_by(every)
            .map(|d| TrackPoint {
                utc: utc(*d),
                pa_deg: (pa(*d) + 1.5 * noise.gaussian()).rem_euclid(360.0),
                pa_err_deg: 1.5,
                contrast: 0.07,
            })
            .collect()
    };
    let track = |points: Vec<TrackPoint>, drift: f64, preferred: Option<&str>| TrackRecord {
        kind: Some("jet".into()),
        drift_deg_per_day: (points.len() > 1).then_some(drift),
        drift_err_deg_per_day: (points.len() > 1).then_some(0.06),
        log_likelihood: (points.len() > 2).then_some(DirectionLikelihoods {
            fixed_to_sun: -12.1,
            fixed_in_space: -19.4,
            rotating: (points.len() > 6).then_some(-16.0),
        }),
        preferred: preferred.map(Into::into),
        period: None,
        no_period_because: Some("the nights are too few for the periods searched".into()),
        points,
    };
    let first = points(1, &jet_pa_deg);
    let second = points(3, &|d| 215.0 - 0.3 * d);
    vec![track(first, 1.6, Some("fixed_to_sun")), track(second, -0.3, None)]
}

fn activity(days: &[f64], noise: &mut Noise) -> ActivityRecord {
    let mut points = Vec::new();
    for (i, day) in days.iter().enumerate() {
        for km in [5000.0, APERTURE_KM, 20_000.0] {
            let value = afrho_cm(*day) * (1.0 + 0.02 * noise.gaussian());
            let band = if i % 6 == 4 { "g" } else { "r" };
            points.push(ActivityPoint {
                utc: utc(*day),
                r_au: r_au(*day),
                side: Some(if *day < 40.0 { "pre" } else { "post" }.into()),
                band: band.into(),
                site: "Larkhill Ridge".into(),
                aperture_km: km,
                a0frho_cm: Some(value),
                a0frho_err_cm: Some(0.03 * value),
                mag: Some(15.0 - 2.5 * (value / 300.0).log10() + 5.0 * (delta_au(*day) * r_au(*day)).log10()),
                mag_err: Some(0.03),
                in_fit: band == "r" && !(24.0..26.5).contains(day),
            });
        }
    }
    let fit = |side: &str, slope: f64, slope_err: f64, n_nights: usize, r_range_au: [f64; 2]| ActivityFit {
        side: side.into(),
        band: "r".into(),
        aperture_km: APERTURE_KM,
        slope,
        slope_err,
        afrho_1au_cm: AFRHO_1AU_CM,
        afrho_1au_err_cm: 31.0,
        scatter_dex: 0.018,
        n_nights,
        r_range_au,
    };
    let range = |pre: bool| {
        let all = days.iter().filter(|d| (**d < 40.0) == pre).map(|d| r_au(*d));
        all.fold(None, |m: Option<[f64; 2]>, r| Some(m.map_or([r, r], |[a, b]| [a.min(r), b.max(r)])))
    };
    let count = |pre: bool| days.iter().filter(|d| (**d < 40.0) == pre).count();
    let mut fits = Vec::new();
    for (pre, side, slope) in [(true, "pre", -2.6), (false, "post", -2.71)] {
        if let Some(range) = range(pre).filter(|_| count(pre) > 2) {
            fits.push(fit(side, slope, 0.08, count(pre), range));
        }
    }
    let other = |comet: &str, factor: f64, fair: bool, caveats: Vec<String>| ComparisonRecord {
        comet: comet.into(),
        source: "A. Author 2001, J. Comets 3, 45".into(),
        r_range_au: Some([1.2, 1.9]),
        ratio: Some(1.0 / factor),
        ratio_err: Some(0.1 / factor),
        slope: Some(-2.2),
        slope_err: Some(0.2),
        caveats,
        fair,
        points: (0..6)
            .map(|i| ComparisonPoint {
                r_au: 1.15 + 0.15 * f64::from(i),
                afrho_cm: factor * AFRHO_1AU_CM * (1.15 + 0.15 * f64::from(i)).powf(-2.2),
                afrho_err_cm: None,
            })
            .collect(),
    };
    ActivityRecord {
        points,
        fits,
        outbursts: days
            .iter()
            .find(|d| (24.0..26.5).contains(*d))
            .map(|d| OutburstRecord {
                utc: utc(*d),
                after_utc: None,
                step_mag: -0.69,
                step_err_mag: 0.06,
                false_alarm_probability: 3e-6,
                or_bend: false,
            })
            .into_iter()
            .collect(),
        comparison: vec![
            other("C/1987 Q1 (Invented)", 0.45, true, Vec::new()),
            other(
                "77P/Made-Up",
                1.9,
                false,
                vec!["another aperture: 5 000 km".into(), "phase angles differ by 30°".into()],
            ),
        ],
        asymmetry: (fits_both(days)).then_some(AsymmetryRecord {
            slope_difference: -0.11,
            slope_difference_err: 0.11,
            ratio: Some(1.02),
            ratio_err: Some(0.04),
            r_au: Some(1.3),
        }),
        rank: Some(RankRecord { rank: 1, of: 2, r_au: 1.5 }),
    }
}

fn fits_both(days: &[f64]) -> bool {
    days.iter().any(|d| *d > 44.0) && days.iter().any(|d| *d < 38.0)
}

/// Images of the season, owned.
pub struct Images {
    light: Vec<Image>,
    twin: Vec<Image>,
    ratio: Vec<[Image; 2]>,
    mask: Mask,
    sigmas: Image,
    scale_arcsec: Vec<f64>,
    zero_point: Vec<Option<f64>>,
}

impl Images {
    /// A coma with a jet that follows the Sun; every fifth night has no zero point.
    pub fn new(n: usize) -> Self {
        let mut mask = Mask::clear(SIZE_PX, SIZE_PX);
        for i in 0..SIZE_PX * SIZE_PX {
            if ((i % SIZE_PX) as f64 - 120.0).hypot((i / SIZE_PX) as f64 - 131.0) < 4.0 {
                mask.bits[i] = flag::STAR;
            }
        }
        let mut out = Self {
            light: Vec::new(),
            twin: Vec::new(),
            ratio: Vec::new(),
            mask,
            sigmas: Image::filled(SIZE_PX, SIZE_PX, f32::NAN),
            scale_arcsec: Vec::new(),
            zero_point: Vec::new(),
        };
        for (i, day) in days(n).into_iter().enumerate() {
            out.add(i, day);
        }
        let mut noise = Noise(77);
        for i in 0..SIZE_PX * SIZE_PX {
            let (east, north, rho) = place(i, 1.0);
            let pa = east.atan2(north).to_degrees();
            let wedge = |at: f64| (-(((pa - at + 540.0).rem_euclid(360.0) - 180.0) / 12.0).powi(2)).exp();
            if rho > 6.0 && rho < 80.0 {
                out.sigmas.data[i] = (noise.gaussian() + 6.0 * wedge(62.0) - 5.0 * wedge(200.0)) as f32;
            }
        }
        out.sigmas = fanlight_image::smooth::gaussian(&out.sigmas, 1.0);
        out
    }

    fn add(&mut self, i: usize, day: f64) {
        let scale = 1.3 + 0.1 * (i % 3) as f64;
        let zero_point = 24.6 + 0.2 * (i % 4) as f64;
        let km_per_arcsec = delta_au(day) * AU_KM / 206_264.806;
        // a 1/ρ coma of this Afρ, in e⁻/s per pixel at one arcsec: the flux in ρ is 2π · peak · ρ / (pixel area)
        let flux_per_km = afrho_cm(day) * 1e-5 / (2.0 * r_au(day) * delta_au(day) * AU_KM).powi(2);
        let peak = flux_per_km * km_per_arcsec * 10f64.powf(0.4 * (zero_point - SUN_MAG)) / std::f64::consts::TAU
            * scale
            * scale;
        let mut noise = Noise(100 + i as u64);
        let (mut light, mut twin) = (Image::filled(SIZE_PX, SIZE_PX, 0.0), Image::filled(SIZE_PX, SIZE_PX, 0.0));
        for k in 0..SIZE_PX * SIZE_PX {
            let (east, north, rho) = place(k, scale);
            let smooth = peak / rho.hypot(1.2);
            let off = (east.atan2(north).to_degrees() - jet_pa_deg(day) + 540.0).rem_euclid(360.0) - 180.0;
            let jet = 0.5 * (-(off / 14.0).powi(2)).exp() * (rho / 6.0).min(1.0);
            let sigma = |v: f64| (SKY_NOISE * SKY_NOISE + 0.002 * v).sqrt();
            light.data[k] = (smooth * (1.0 + jet) + sigma(smooth) * noise.gaussian()) as f32;
            twin.data[k] = (smooth + sigma(smooth) * noise.gaussian()) as f32;
        }
        let ratio = [&light, &twin].map(|image| {
            let value = |k: usize| {
                let (_, _, rho) = place(k, scale);
                (f64::from(image.data[k]) / (peak / rho.hypot(1.2))) as f32
            };
            let raw = Image { width: SIZE_PX, height: SIZE_PX, data: (0..SIZE_PX * SIZE_PX).map(value).collect() };
            fanlight_image::smooth::gaussian(&raw, 1.5)
        });
        self.light.push(light);
        self.twin.push(twin);
        self.ratio.push(ratio);
        self.scale_arcsec.push(scale);
        self.zero_point.push((i % 5 != 3).then_some(zero_point));
    }

    fn sky<'a>(&'a self, image: &'a Image, i: usize) -> SkyPicture<'a> {
        let scale = self.scale_arcsec.get(i).copied().unwrap_or(1.0);
        let middle = (SIZE_PX / 2) as f64;
        SkyPicture {
            image,
            mask: &self.mask,
            centre_x_px: middle,
            centre_y_px: middle,
            arcsec_per_px: [[-scale, 0.0], [0.0, scale]],
            zero_point_mag: self.zero_point.get(i).copied().flatten(),
        }
    }

    /// The light of every night.
    pub fn nights<'a>(&'a self, record: &'a SeasonRecord) -> Vec<MontageNight<'a>> {
        let night = |(i, night)| MontageNight {
            night,
            picture: self.light.get(i).map(|image| self.sky(image, i)),
            twin: None,
            sky_noise_e_per_s_px: Some(SKY_NOISE),
            solar_mag: Some(SUN_MAG),
        };
        record.nights.iter().enumerate().map(night).collect()
    }

    /// Every night divided by its mean profile, with the twin.
    pub fn enhanced<'a>(&'a self, record: &'a SeasonRecord) -> Vec<MontageNight<'a>> {
        let night = |(i, night): (usize, MontageNight<'a>)| MontageNight {
            picture: self.ratio.get(i).map(|[image, _]| self.sky(image, i)),
            twin: self.ratio.get(i).map(|[_, twin]| twin),
            ..night
        };
        self.nights(record).into_iter().enumerate().map(night).collect()
    }

    /// What `season_figures` takes.
    pub fn pictures<'a>(&'a self, record: &'a SeasonRecord) -> SeasonPictures<'a> {
        let nights = self.nights(record);
        let change = record.changes.last().map(|change| ChangePictures {
            change,
            sigmas: self.sky(&self.sigmas, usize::MAX),
            earlier: nights[nights.len() - 2],
            later: nights[nights.len() - 1],
            how: "Both nights divided by their mean profiles, brought to the worse seeing and smoothed to 3″",
        });
        SeasonPictures {
            nights,
            enhanced: Vec::new(),
            change,
            orientation: SkyOrientation::NorthUp,
            half_width_km: None,
        }
    }
}

/// East, north and distance of a pixel, arcsec.
fn place(i: usize, scale: f64) -> (f64, f64, f64) {
    let middle = (SIZE_PX / 2) as f64;
    let (east, north) = (-((i % SIZE_PX) as f64 - middle) * scale, ((i / SIZE_PX) as f64 - middle) * scale);
    (east, north, east.hypot(north))
}
