//! An invented night: comet, observatory and numbers are made up, but hang together.

use fanlight_image::{Image, Mask, flag};
use fanlight_present::{NightPictures, OrbitPlan, SkyPicture};
use fanlight_record::*;

/// Pixel scale of the invented camera.
const SCALE_ARCSEC: f64 = 1.2;
/// Optocentre, 0-based.
const CENTRE_PX: (f64, f64) = (318.4, 291.7);
const SIZE_PX: (usize, usize) = (640, 600);
const KM_PER_ARCSEC: f64 = 652.7;
const ZERO_POINT_MAG: f64 = 24.91;
const SKY_NOISE: f64 = 0.06;

/// Images of the night, owned.
pub struct Images {
    light: Image,
    mask: Mask,
    gradient: Image,
    matrix: [[f64; 2]; 2],
}

impl Images {
    /// The coma on a stack turned by 20°.
    pub fn new() -> Self {
        let (sin, cos) = 20f64.to_radians().sin_cos();
        let matrix = [[-SCALE_ARCSEC * cos, SCALE_ARCSEC * sin], [SCALE_ARCSEC * sin, SCALE_ARCSEC * cos]];
        let (width, height) = SIZE_PX;
        let mut light = Image::filled(width, height, 0.0);
        let mut mask = Mask::clear(width, height);
        let mut noise = Noise(7);
        for y in 0..height {
            for x in 0..width {
                let (dx, dy) = (x as f64 - CENTRE_PX.0, y as f64 - CENTRE_PX.1);
                let (east, north) = (matrix[0][0] * dx + matrix[0][1] * dy, matrix[1][0] * dx + matrix[1][1] * dy);
                let signal = coma(east, north);
                let sigma = (SKY_NOISE * SKY_NOISE + 0.004 * signal).sqrt();
                light.data[y * width + x] = (signal + sigma * noise.gaussian()) as f32;
            }
        }
        for (x, y, r) in [(250.0, 350.0, 5.0), (402.0, 262.0, 4.0), (300.0, 200.0, 7.0), (610.0, 590.0, 30.0)] {
            for i in 0..width * height {
                if ((i % width) as f64 - x).hypot((i / width) as f64 - y) < r {
                    mask.bits[i] = flag::STAR;
                    light.data[i] = f32::NAN;
                }
            }
        }
        let gradient = rotational_gradient(&light);
        Self { light, mask, gradient, matrix }
    }

    /// What `night_figures` takes.
    pub fn pictures(&self) -> NightPictures<'_> {
        NightPictures {
            light: SkyPicture {
                image: &self.light,
                mask: &self.mask,
                centre_x_px: CENTRE_PX.0,
                centre_y_px: CENTRE_PX.1,
                arcsec_per_px: self.matrix,
                zero_point_mag: Some(ZERO_POINT_MAG),
            },
            rotational_gradient: &self.gradient,
            gradient_description: "Rotational gradient: the light minus its mean turned by 12° to each side".into(),
            structure: None,
            orbit_plan: Some(plan()),
        }
    }
}

/// e⁻/s per pixel at an offset: a 1/ρ coma, broader toward the tail, under 3″ of seeing.
fn coma(east: f64, north: f64) -> f64 {
    let rho = east.hypot(north).hypot(1.1);
    let tail = (east.atan2(north).to_degrees() - 82.0 + 540.0).rem_euclid(360.0) - 180.0;
    60.0 / rho * (1.0 + 0.7 * (-(tail / 45.0).powi(2)).exp() * (rho / 30.0).min(1.5))
}

fn rotational_gradient(light: &Image) -> Image {
    let at = |x: f64, y: f64| light.get(x.round() as isize, y.round() as isize).unwrap_or(f32::NAN);
    let (sin, cos) = 12f64.to_radians().sin_cos();
    let data = (0..light.data.len()).map(|i| {
        let (dx, dy) = ((i % light.width) as f64 - CENTRE_PX.0, (i / light.width) as f64 - CENTRE_PX.1);
        let turned = |s: f64| at(CENTRE_PX.0 + cos * dx - s * dy, CENTRE_PX.1 + s * dx + cos * dy);
        light.data[i] - 0.5 * (turned(sin) + turned(-sin))
    });
    Image::from_pixels(light.width, light.height, data.collect()).expect("same size")
}

fn plan() -> OrbitPlan {
    let circle = |r: f64, turn: f64| [r * turn.cos(), r * turn.sin()];
    let orbit = |nu: f64| circle(2.4 / (1.0 + 1.0002 * nu.cos()), nu + 0.6);
    let steps = |n: usize, low: f64, high: f64| (0..=n).map(move |k| low + (high - low) * k as f64 / n as f64);
    OrbitPlan {
        comet_path_au: steps(300, -2.7, 2.7).map(orbit).collect(),
        earth_path_au: steps(180, 0.0, std::f64::consts::TAU).map(|t| circle(1.0, t)).collect(),
        comet_au: orbit(-0.8),
        earth_au: circle(0.99, 0.4),
    }
}

/// The record of the night.
pub fn record() -> NightRecord {
    let mid = "2031-03-04T21:10:12.000Z";
    let mut noise = Noise(3);
    let frames: Vec<FrameRecord> = (0..60).map(|i| frame(i, &mut noise)).collect();
    let mut record = NightRecord {
        schema: NIGHT_SCHEMA.into(),
        object: "C/2031 Z2".into(),
        mid_utc: mid.into(),
        geometry: geometry(mid),
        astrometry: Some(AstrometryRecord {
            mid_utc: mid.into(),
            ra_deg: 151.234_567,
            dec_deg: -8.765_432,
            err_arcsec: 0.08,
            err_ra_dec_arcsec: Some([0.09, 0.0686]),
            err_correlation: Some(0.12),
            o_minus_c_arcsec: [0.31, -0.12],
        }),
        photometry: photometry(),
        phase_function: Some(PhaseFunctionRecord {
            name: "composite dust phase function".into(),
            source: "Schleicher & Bair 2011, AJ 141, 177".into(),
            value: 0.4987,
            choice_err: Some(0.26),
            range_deg: Some([0.0, 180.0]),
        }),
        curve_of_growth: growth(),
        sectors: sectors(),
        profile_shape: Some(shape()),
        total_magnitude: Some(TotalMagnitudeRecord {
            isophote_mag_arcsec2: 25.0,
            mag: Some(14.31),
            mag_err: Some(0.09),
            radius_arcsec: Some(92.0),
            radius_km: Some(92.0 * KM_PER_ARCSEC),
            extrapolated: Some(0.23),
            measured_mag: 14.59,
            measured_mag_err: 0.03,
            measured_radius_km: 61.0 * KM_PER_ARCSEC,
            not_given_because: None,
        }),
        dust: Some(DustRecord {
            aperture_km: 10_000.0,
            afrho_cm: Some(194.6),
            afrho_err_cm: Some(3.1),
            a0frho_cm: Some(390.2),
            a0frho_err_cm: Some(6.2),
            a0frho_choice_err_cm: Some(101.0),
            not_measured_because: None,
            cross_section_km2: Some(766.0),
            production: Some(DustProductionRecord {
                kg_per_s: 55.0,
                range_kg_per_s: [5.5, 550.0],
                grain_radius_um: 10.0,
                grain_density_kg_m3: 1000.0,
                grain_speed_m_s: 84.0,
                geometric_albedo: 0.04,
            }),
        }),
        extinction: Some(ExtinctionRecord {
            airmass: [1.62, 2.04],
            mag_per_airmass: Some(0.121),
            mag_per_airmass_err: Some(0.008),
            zero_point_outside_mag: Some(22.31),
            scatter_mag: 0.007,
            is_photometric: true,
            n_frames: 55,
        }),
        colour: Some(ColourRecord {
            blue: "g".into(),
            red: "r".into(),
            aperture_km: 10_000.0,
            colour_mag: 0.57,
            colour_err_mag: 0.02,
            solar_colour_mag: 0.46,
            slope_percent_per_1000a: 6.9,
            slope_err_percent_per_1000a: 1.3,
            hours_apart: 1.1,
            other_sha256: "0".repeat(64),
            apertures: [(5_000.0, 0.55, 5.7), (10_000.0, 0.57, 6.9)]
                .map(|(aperture_km, colour_mag, slope)| ApertureColourRecord {
                    aperture_km,
                    colour_mag,
                    colour_err_mag: 0.02,
                    slope_percent_per_1000a: slope,
                    slope_err_percent_per_1000a: 1.3,
                })
                .to_vec(),
        }),
        morphology: MorphologyRecord {
            azimuthal_profiles: Vec::new(),
            optocentre_err_arcsec: Some(0.12),
            psf: Some(KernelRecord { fwhm_arcsec: 3.0, elongation: 1.06, pa_deg: 84.0 }),
            detection_limit: Vec::new(),
            features: Vec::new(),
            analysed: false,
            ..MorphologyRecord::default()
        },
        profile: profile(),
        zero_point: Some(zero_point()),
        stack: StackRecord {
            n_frames: frames.iter().filter(|f| f.used).count(),
            exposure_s: 60.0 * frames.iter().filter(|f| f.used).count() as f64,
            first_utc: "2031-03-04T20:34:00.000Z".into(),
            last_utc: "2031-03-04T21:46:00.000Z".into(),
            n_substacks: 6,
            substacks: (0..6)
                .map(|i| SubstackRecord {
                    n_frames: 9,
                    share: 0.16 + 0.002 * f64::from(i),
                    mid_utc: mid.into(),
                    airmass: Some(1.8),
                })
                .collect(),
            weights_radius_arcsec: Some(15.3),
            weights_light_e_per_s: Some(512.0),
            sky_order: Some(1),
            coma_at_edge_e_per_s_arcsec2: Some(0.0004),
            width_px: SIZE_PX.0,
            height_px: SIZE_PX.1,
            centre_x_px: CENTRE_PX.0,
            centre_y_px: CENTRE_PX.1,
            arcsec_per_px: [[-1.2, 0.0], [0.0, 1.2]],
            residual_sky_e_per_s_arcsec2: 0.0021,
            residual_sky_err_e_per_s_arcsec2: 0.0009,
            sky_noise_e_per_s_px: SKY_NOISE,
        },
        conditions: Some(ConditionsRecord {
            best_zero_point_mag: Some(ZERO_POINT_MAG),
            transparency_loss_mag: Some([0.0, 0.12]),
            sky_mag_arcsec2: Some([19.61, 19.66]),
            sky_trend_mag_per_hour: Some(TrendRecord { per_hour: 0.045, err_per_hour: 0.004 }),
            sun_altitude_deg: Some([-31.0, -19.2]),
            moon_altitude_deg: Some([-12.0, -12.0]),
            zenith_fwhm_trend_arcsec_per_hour: Some(TrendRecord { per_hour: -0.11, err_per_hour: 0.03 }),
            elongation_pa_deg: Some(84.0),
            elongation_alignment: Some(0.97),
            effective_frames: Some(55.1),
        }),
        setup: SetupRecord {
            site: Some("Larkhill Ridge".into()),
            longitude_deg: -3.25,
            latitude_deg: 51.2,
            height_m: 310.0,
            telescope: Some("0.4 m reflector".into()),
            filter: Some("Sloan r".into()),
            observers: vec!["A. Observer".into(), "B. Watcher".into()],
            simulated: false,
            reporting: None,
        },
        n_warnings: 1,
        notes: vec![
            "The comet's colour was not measured; the Sun's was assumed (g−r = 0.44).".into(),
            "Frame light-017.fits has no FILTER; it was taken as Sloan r like its neighbours.".into(),
        ],
        provenance: Provenance {
            program: "fanlight 0.1.0".into(),
            command: "fanlight night frames --campaign campaign.toml --out 2031-03-04".into(),
            inputs: frames
                .iter()
                .map(|f| InputFile {
                    file: f.file.clone(),
                    role: "light".into(),
                    sha256: format!("{:064x}", f.file.len()),
                })
                .collect(),
            methods: vec![
                "Stars were fitted with an elliptical Moffat profile (Moffat 1969, A&A 3, 455).".into(),
                "Afρ = 4 r²Δ²/ρ · 10^(0.4(m☉ − m)) (A'Hearn et al. 1984, AJ 89, 579).".into(),
            ],
        },
        frames,
        summary: String::new(),
    };
    record.summary = sentences::night_summary(&record);
    record
}

fn frame(i: usize, noise: &mut Noise) -> FrameRecord {
    let minutes = 34 + i * 72 / 60;
    let reason = match i {
        11 => Some("the zero point is 0.41 mag under the night's: clouds"),
        12 => Some("the zero point is 0.62 mag under the night's: clouds"),
        40 => Some("stars are elongated 1.61 : 1; the limit is 1.40 : 1"),
        51 => Some("DATE-OBS is missing: the comet cannot be predicted in this frame"),
        _ => None,
    };
    let measured = i != 51;
    let clouds = if i == 11 {
        0.41
    } else if i == 12 {
        0.62
    } else {
        0.0
    };
    FrameRecord {
        file: format!("light-{:03}.fits", i + 1),
        mid_utc: measured.then(|| format!("2031-03-04T{:02}:{:02}:30.000Z", 20 + minutes / 60, minutes % 60)),
        exposure_s: Some(60.0),
        filter: Some("Sloan r".into()),
        used: reason.is_none(),
        rejected_because: reason.map(Into::into),
        fwhm_arcsec: measured.then(|| 2.8 + 0.3 * (i as f64 / 14.0).sin() + 0.08 * noise.gaussian()),
        elongation: measured.then(|| if i == 40 { 1.61 } else { 1.05 + 0.02 * noise.gaussian().abs() }),
        elongation_pa_deg: measured.then(|| 84.0 + 6.0 * noise.gaussian()),
        sky_e_per_s_arcsec2: measured.then(|| 12.1 - 0.01 * i as f64 + 0.05 * noise.gaussian() + 3.0 * clouds),
        zero_point_mag: measured.then(|| ZERO_POINT_MAG - clouds + 0.008 * noise.gaussian()),
        zero_point_err_mag: measured.then_some(0.009),
        zero_point_stars: measured.then_some(41),
        comet_ra_deg: measured.then_some(151.234),
        comet_dec_deg: measured.then_some(-8.765),
        comet_err_arcsec: measured.then_some(0.3),
        comet_o_minus_c_arcsec: measured.then(|| [0.42, -1.3 + 0.01 * i as f64]),
        solution: measured.then(|| SolutionRecord {
            stars: 120 + i,
            rms_arcsec: 0.2,
            log10_odds: 210.0,
            comet_err_arcsec: 0.03,
            distortion_order: i.is_multiple_of(3).then_some(3),
        }),
        altitude_deg: measured.then_some(31.0 + 0.1 * i as f64),
        airmass: measured.then_some(1.93 - 0.005 * i as f64),
        sun_altitude_deg: measured.then_some(-31.0 + 0.2 * i as f64),
        moon_altitude_deg: measured.then_some(-12.0),
        stars_found: measured.then_some(212),
        transparency_loss_mag: measured.then_some(clouds),
        sky_mag_arcsec2: measured.then_some(19.6 + 0.001 * i as f64),
        relative_weight: measured.then(|| 10f64.powf(-0.8 * clouds)),
        stack_share: (measured && reason.is_none()).then_some(1.0 / 56.0),
        substack: (measured && reason.is_none()).then_some(1 + i % 6),
        star_near_nucleus: (i == 30).then_some(NearStarRecord { mag: 17.3, distance_arcsec: 1.4, light_share: 0.06 }),
    }
}

fn geometry(utc: &str) -> GeometryRecord {
    GeometryRecord {
        utc: utc.into(),
        ra_deg: 151.234_5,
        dec_deg: -8.765_4,
        r_au: 1.412_345_6,
        delta_au: 0.899_912_3,
        phase_deg: 31.2,
        elongation_deg: 98.4,
        motion_arcsec_per_min: 1.84,
        motion_pa_deg: 287.0,
        sunward_pa_deg: 262.4,
        antisolar_pa_deg: 82.4,
        negative_velocity_pa_deg: 96.0,
        orbit_plane_angle_deg: -7.31,
        km_per_arcsec: KM_PER_ARCSEC,
        altitude_deg: 34.1,
        azimuth_deg: 171.0,
        sun_altitude_deg: -33.0,
        moon_separation_deg: 64.0,
        moon_illuminated_fraction: 0.82,
        orbit_model: "two_body".into(),
    }
}

fn photometry() -> Vec<PhotometryRecord> {
    let of = |km: f64, mag: f64, err: f64, afrho: f64, afrho_err: f64| PhotometryRecord {
        aperture_km: km,
        aperture_arcsec: km / KM_PER_ARCSEC,
        band: "r".into(),
        mag: Some(mag),
        mag_err: Some(err),
        limit_3sigma_mag: None,
        brighter_than_mag: None,
        afrho_cm: Some(afrho),
        afrho_err_cm: Some(afrho_err),
        afrho_limit_3sigma_cm: None,
        a0frho_cm: Some(afrho / 0.4987),
        a0frho_err_cm: Some(afrho_err / 0.4987),
        error_terms_mag: [
            ("noise", 0.3),
            ("sky", 0.5),
            ("zero point", 0.6),
            ("centring", 0.1),
            ("filled pixels", 0.05),
        ]
        .map(|(name, share)| ErrorTerm { name: name.into(), mag: share * err })
        .into(),
        seeing_loss: Some(0.0123),
        edge_sky_loss: None,
        filled_fraction: 0.0031,
    };
    vec![
        of(5000.0, 17.06, 0.021, 188.0, 4.0),
        of(10_000.0, 16.27, 0.016, 194.6, 3.1),
        of(20_000.0, 15.49, 0.018, 199.8, 3.6),
    ]
}

/// A coma of 1/ρ through the apertures.
fn growth() -> Vec<GrowthRecord> {
    (0..20)
        .map(|i| {
            let radius_km = 1500.0 * 1.2f64.powi(i);
            let mag = 16.27 - 2.5 * (radius_km / 10_000.0).log10();
            GrowthRecord {
                radius_km,
                radius_arcsec: radius_km / KM_PER_ARCSEC,
                light_e_per_s: 10f64.powf(0.4 * (ZERO_POINT_MAG - mag)),
                light_err_e_per_s: 0.5,
                mag: Some(mag),
                mag_err: Some(0.01),
                afrho_cm: Some(194.6),
                afrho_err_cm: Some(2.0),
            }
        })
        .collect()
}

fn sectors() -> Vec<SectorRecord> {
    let ring = SectorRecord {
        name: "ring".into(),
        pa_deg: None,
        width_deg: 360.0,
        inner_km: 5000.0,
        outer_km: 20_000.0,
        inner_arcsec: 5000.0 / KM_PER_ARCSEC,
        outer_arcsec: 20_000.0 / KM_PER_ARCSEC,
        light_e_per_s: 480.0,
        light_err_e_per_s: 5.0,
        mag: Some(15.79),
        mag_err: Some(0.02),
        limit_3sigma_mag: None,
        mag_per_arcsec2: Some(22.4),
        excess: None,
        excess_err: None,
        filled_fraction: 0.004,
    };
    let sector = SectorRecord {
        name: "sunward <quarter>".into(),
        pa_deg: Some(112.0),
        width_deg: 90.0,
        mag: None,
        mag_err: None,
        limit_3sigma_mag: Some(18.2),
        mag_per_arcsec2: None,
        excess: Some(0.083),
        excess_err: Some(0.011),
        ..ring.clone()
    };
    vec![sector, ring]
}

fn shape() -> ProfileShapeRecord {
    let range = |inner: f64, outer: f64, slope: f64| SlopeRecord {
        inner_arcsec: inner,
        outer_arcsec: outer,
        inner_km: inner * KM_PER_ARCSEC,
        outer_km: outer * KM_PER_ARCSEC,
        slope,
        slope_err: 0.02,
    };
    ProfileShapeRecord {
        whole: range(6.0, 61.0, 1.21),
        ranges: vec![range(6.0, 15.0, 1.02), range(15.0, 30.0, 1.07), range(30.0, 61.0, 1.43)],
        sigmas_from_one: 7.4,
        steepening: Some(SteepeningRecord {
            radius_arcsec: 28.0,
            radius_km: 28.0 * KM_PER_ARCSEC,
            range_km: [24.0 * KM_PER_ARCSEC, 31.0 * KM_PER_ARCSEC],
            inner_slope: ValueRecord { value: 1.03, err: 0.02 },
            outer_slope: ValueRecord { value: 1.44, err: 0.05 },
        }),
    }
}

fn profile() -> Vec<ProfileRecord> {
    let mut noise = Noise(11);
    let mut enclosed = 0.0;
    (0..24)
        .map(|k| {
            let (inner, outer) = (0.9 * 1.27f64.powi(k), 0.9 * 1.27f64.powi(k + 1));
            let rho = (inner * outer).sqrt();
            let area = std::f64::consts::PI * (outer * outer - inner * inner);
            let error = 0.07 / area.sqrt() + 0.001 + 0.4 / rho / rho;
            let mean = 42.0 / rho.hypot(1.3) + error * noise.gaussian();
            enclosed += mean * area;
            ProfileRecord {
                rho_arcsec: rho,
                inner_arcsec: inner,
                outer_arcsec: outer,
                mean_e_per_s_arcsec2: mean,
                err_e_per_s_arcsec2: error,
                mag_per_arcsec2: (mean > 3.0 * error).then(|| ZERO_POINT_MAG - 2.5 * mean.log10()),
                enclosed_e_per_s: enclosed,
            }
        })
        .collect()
}

fn zero_point() -> ZeroPointRecord {
    let mut noise = Noise(23);
    let star = |i: usize| {
        let mag = 12.5 + 4.5 * (i as f64 / 44.0).sqrt();
        let err = 0.004 + 0.03 * 10f64.powf(0.4 * (mag - 17.0));
        let used = i % 15 != 14;
        let residual = err * noise.gaussian() + if used { 0.0 } else { 0.11 };
        ZeroPointStar {
            catalogue_mag: mag,
            colour_mag: Some(0.6 + 0.25 * noise.gaussian()),
            residual_mag: residual,
            err_mag: err,
            used,
        }
    };
    ZeroPointRecord {
        band: "r".into(),
        stack_zero_point_mag: ZERO_POINT_MAG,
        stack_zero_point_err_mag: 0.011,
        colour_term: Some(-0.032),
        colour: Some("g−r".into()),
        comet_colour_mag: Some(0.44),
        stars: (0..45).map(star).collect(),
    }
}

/// Random numbers that are the same on every machine: a linear congruential generator (Knuth's MMIX constants).
pub struct Noise(pub u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Sum of twelve uniforms less six: near enough to a Gaussian for a picture.
    pub fn gaussian(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A night on which nothing could be measured.
pub fn empty_record() -> NightRecord {
    let mut record = record();
    record.frames.clear();
    record.astrometry = None;
    record.photometry.clear();
    record.phase_function = None;
    record.morphology.psf = None;
    record.morphology.optocentre_err_arcsec = None;
    record.profile.clear();
    record.zero_point = None;
    record.curve_of_growth.clear();
    record.sectors.clear();
    (record.profile_shape, record.total_magnitude, record.dust) = (None, None, None);
    (record.extinction, record.colour) = (None, None);
    (record.stack.n_frames, record.stack.exposure_s, record.stack.sky_noise_e_per_s_px) = (0, 0.0, 0.0);
    (record.setup.site, record.setup.telescope, record.setup.filter) = (None, None, None);
    record.provenance.inputs.clear();
    record.summary = sentences::night_summary(&record);
    record
}
