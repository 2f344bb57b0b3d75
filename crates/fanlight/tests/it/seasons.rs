//! Whole seasons with known truth, from raw frames: an invented comet over many nights from two invented sites, with what may happen to
//! one. Planned from a seed, each night's frames simulated and measured by `fanlight night` into one ledger, put together by
//! `fanlight season`.
//!
//! The test runs a short one; `benches/seasons.rs` many, and scores them.

use crate::draws::Draws;
use fanlight_record::SeasonRecord;
use fanlight_sim::Scenario;
use fanlight_sim::scenario::{
    CalibrationKeys, FeatureKeys, FeatureKind, OrbitKeys, SiteKeys, TelescopeKeys, TrackingTarget,
};
use fanlight_sky::{Motion, UtcInstant, ViewingGeometry, viewing_geometry};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Stdio};

/// What happens in a season.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// A jet that keeps an offset from the Sun's direction.
    FixedToSun,
    /// A jet along one direction in space.
    FixedInSpace,
    /// A jet that swings about an offset from the Sun's direction.
    Rotating {
        /// Period of the swing.
        period_h: f64,
        /// Half of the swing.
        amplitude_deg: f64,
    },
    /// No jet.
    NoJet,
    /// A jet, fixed to the Sun's direction, that is there from this night on.
    Comes(usize),
    /// A jet, fixed to the Sun's direction, that is there before this night.
    Goes(usize),
    /// The dust brightens before this night and fades.
    Outburst(usize),
}

/// A structure as it is at the comet.
#[derive(Debug, Clone, PartialEq)]
pub struct Structure {
    kind: FeatureKind,
    /// Position angle on this night.
    pub pa_deg: f64,
    width_deg: f64,
    contrast: f64,
    inner_km: f64,
    outer_km: f64,
}

impl Structure {
    /// Whether it is the jet, not the tail.
    pub fn is_jet(&self) -> bool {
        self.kind == FeatureKind::Jet
    }
}

impl std::fmt::Display for Structure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {:.0}° contrast {:.3}", self.kind.name(), self.pa_deg, self.contrast)
    }
}

/// A night as it is planned.
pub struct NightPlan {
    /// What is simulated.
    pub scenario: Scenario,
    /// Which of the two sites.
    pub site: usize,
    /// Its middle.
    pub mid: UtcInstant,
    /// Days from the season's first evening to its middle.
    pub days: f64,
    /// Dust phase function at the night's phase angle.
    pub phase_value: f64,
    /// What the coma has.
    pub structures: Vec<Structure>,
}

/// A season as it is planned.
pub struct Plan {
    /// What happens.
    pub kind: Kind,
    /// The nights in order of time.
    pub nights: Vec<NightPlan>,
    /// Exponents of A(0°)fρ with the distance from the Sun, before and after perihelion.
    pub slopes: [f64; 2],
    /// Scatter of A(0°)fρ from night to night.
    pub scatter_dex: f64,
}

/// What a season's nights gave.
pub struct Measured {
    /// The truth of every night.
    pub truths: Vec<Value>,
    /// Nights that could not be measured, by their number, and why.
    pub lost: Vec<(usize, String)>,
}

/// A site with its telescope.
struct Observatory {
    site: SiteKeys,
    telescope: TelescopeKeys,
    side_px: usize,
    scale_arcsec: f64,
    rotation_deg: f64,
    mirrored: bool,
    gain_e_per_adu: f64,
    read_noise_e: f64,
    zero_point_mag: f64,
    dark_sky_mag: f64,
    seeing_arcsec: (f64, f64),
    colour_term: f64,
}

fn observatories(d: &mut Draws) -> [Observatory; 2] {
    let site = |name: &str, longitude_deg, latitude_deg, height_m| SiteKeys {
        name: name.into(),
        longitude_deg,
        latitude_deg,
        height_m,
    };
    let telescope =
        |name: &str, aperture_m| TelescopeKeys { name: name.into(), aperture_m, ..TelescopeKeys::default() };
    [
        Observatory {
            site: site("Larkhill Ridge", -3.25, 46.2, 310.0),
            telescope: telescope("0.4 m", 0.4),
            side_px: 256,
            scale_arcsec: 1.3,
            rotation_deg: d.between(0.0, 360.0),
            mirrored: false,
            gain_e_per_adu: 1.2,
            read_noise_e: 3.5,
            zero_point_mag: 21.9,
            dark_sky_mag: 20.6,
            seeing_arcsec: (2.5, 4.2),
            colour_term: 0.015,
        },
        Observatory {
            site: site("Amber Mesa", -109.4, 33.1, 2100.0),
            telescope: telescope("0.5 m", 0.5),
            side_px: 288,
            scale_arcsec: 1.0,
            rotation_deg: d.between(0.0, 360.0),
            mirrored: true,
            gain_e_per_adu: 0.8,
            read_noise_e: 2.5,
            zero_point_mag: 22.3,
            dark_sky_mag: 21.3,
            seeing_arcsec: (1.8, 3.2),
            colour_term: -0.02,
        },
    ]
}

/// First evening of the season that has the first seed, as a Julian date at 12 h UTC.
const FIRST_EVENING_JD: f64 = 2_462_867.0;
/// Days between perihelion and the first night that are drawn, and the season's mean days from night to night.
const PERIHELION_DAYS: (f64, f64) = (-60.0, 110.0);
/// Lowest altitude of the comet, and highest of the Sun.
const LOWEST_DEG: f64 = 32.0;
const SUN_TO_DEG: f64 = -14.0;

/// Plans the season of a seed.
pub fn plan(seed: u64, n_nights: usize) -> Plan {
    let mut d = Draws::new(seed.wrapping_mul(0xA24B_AED4_963E_E407));
    let observatories = observatories(&mut d);
    let dates = dates(&mut d, n_nights);
    let first_jd = FIRST_EVENING_JD + (700.0 * d.unit()).floor();
    let length_days = dates.last().map_or(0.0, |d| f64::from(d.0));
    let (orbit, motion) = loop {
        if let Some(found) = orbit(&mut d, &observatories, first_jd, length_days) {
            break found;
        }
    };
    let looks: Vec<(usize, UtcInstant, ViewingGeometry)> = dates
        .iter()
        .filter_map(|(day, site)| {
            let evening = evening(first_jd + f64::from(*day));
            let (at, geometry) = best_time(&motion, &observatories[*site].site, &evening)?;
            Some((*site, at, geometry))
        })
        .collect();
    let start = evening(first_jd);
    let days: Vec<f64> = looks.iter().map(|l| l.1.seconds_since(&start) / 86_400.0).collect();
    let n = looks.len();
    let event = || 5.min(n / 2);
    let kind = match seed % 6 {
        0 => Kind::FixedToSun,
        1 => Kind::FixedInSpace,
        2 => Kind::Rotating { period_h: d.ratio(34.0, 110.0), amplitude_deg: d.between(10.0, 18.0) },
        3 => Kind::NoJet,
        4 if d.chance(0.5) => Kind::Comes(event() + (d.unit() * 4.0) as usize % (n / 2).max(1)),
        4 => Kind::Goes(event() + (d.unit() * 4.0) as usize % (n / 2).max(1)),
        _ => Kind::Outburst(event() + (d.unit() * 4.0) as usize % (n / 2).max(1)),
    };
    // an event is between two nights of different dates
    let kind = match kind {
        Kind::Comes(k) => Kind::Comes(apart(&days, k)),
        Kind::Goes(k) => Kind::Goes(apart(&days, k)),
        Kind::Outburst(k) => Kind::Outburst(apart(&days, k)),
        other => other,
    };
    let middle_r = looks[n / 2].2.r_au;
    let afrho_middle_cm = d.ratio(500.0, 3500.0);
    let slopes = [d.between(-4.5, -1.5), d.between(-4.5, -1.5)];
    let scatter_dex = d.ratio(0.01, 0.06);
    let (burst_mag, fade_days) = (d.between(0.5, 1.2), d.between(6.0, 20.0));
    let side = |at: &UtcInstant| usize::from(at.tdb().jd() > orbit.perihelion_jd_tdb);
    let middle_side = side(&looks[n / 2].1);
    // both laws meet at perihelion
    let law = |r_au: f64, s: usize| {
        let q = orbit.q_au;
        let at_q = afrho_middle_cm * (q / middle_r).powf(slopes[middle_side]);
        at_q * (r_au / q).powf(slopes[s])
    };
    let shape = Shape::draw(&mut d, kind, &looks);
    let comet = Scenario {
        comet: fanlight_sim::scenario::CometKeys {
            gamma1: d.between(0.95, 1.15),
            gamma2: d.between(1.1, 1.4),
            gamma3: d.between(1.4, 1.8),
            break1_km: Some(d.between(15_000.0, 40_000.0)),
            g_minus_r_mag: d.between(0.44, 0.70),
            ephemeris_offset_arcsec: [d.between(-2.0, 2.0), d.between(-2.0, 2.0)],
            ..Default::default()
        },
        ..Scenario::default()
    };
    let nights = looks
        .iter()
        .enumerate()
        .map(|(i, (site, at, geometry))| {
            let s = side(at);
            let burst = match kind {
                Kind::Outburst(k) if i >= k => {
                    1.0 + (10f64.powf(0.4 * burst_mag) - 1.0) * (-(days[i] - days[k]) / fade_days).exp()
                }
                _ => 1.0,
            };
            let a0frho_cm = law(geometry.r_au, s) * burst * 10f64.powf(scatter_dex * d.normal());
            let phase_value = phase_value(geometry.phase_deg);
            let structures = shape.on(kind, i, days[i], geometry);
            let mut scenario = night(&mut d, &comet, &observatories[*site], at, geometry, a0frho_cm * phase_value);
            scenario.seed = seed * 1000 + i as u64;
            scenario.object.designation = format!("C/2031 Z{seed}");
            scenario.object.orbit = orbit.clone();
            scenario.comet.features = keys(&structures, geometry.km_per_arcsec);
            NightPlan { scenario, site: *site, mid: *at, days: days[i], phase_value, structures }
        })
        .collect();
    Plan { kind, nights, slopes, scatter_dex }
}

/// The next night from `k` on that lies half a day or more after the one before it.
fn apart(days: &[f64], k: usize) -> usize {
    (k.max(1)..days.len()).find(|k| days[*k] - days[k - 1] > 0.5).unwrap_or(k)
}

/// Evenings from the first on, with gaps, and who observes.
fn dates(d: &mut Draws, n_nights: usize) -> Vec<(u32, usize)> {
    let mut day = 0;
    let mut out = Vec::new();
    while out.len() < n_nights {
        let both = d.chance(0.2);
        let one = usize::from(d.chance(0.5));
        // the eastern site has its evening first
        out.extend(if both { vec![(day, 0), (day, 1)] } else { vec![(day, one)] });
        day += 1 + if d.chance(0.45) { (d.unit() * 4.0) as u32 } else { 0 };
        // a gap of bad weather
        day += if d.chance(0.06) { 6 } else { 0 };
    }
    out.truncate(n_nights);
    out
}

fn evening(jd_noon: f64) -> UtcInstant {
    let epoch = UtcInstant::parse("2000-01-01T12:00:00Z").expect("an instant");
    epoch.plus_seconds((jd_noon - 2_451_545.0) * 86_400.0)
}

/// An invented comet that both sites can observe all season; `None` where the orbit that was drawn has none.
fn orbit(d: &mut Draws, at: &[Observatory; 2], first_jd: f64, length_days: f64) -> Option<(OrbitKeys, Motion)> {
    let perihelion_jd_tdb = (first_jd + d.between(PERIHELION_DAYS.0, PERIHELION_DAYS.1)).floor() + 0.3;
    let orbit = OrbitKeys {
        epoch_jd_tdb: perihelion_jd_tdb.floor() + 0.5,
        perihelion_jd_tdb,
        q_au: d.between(0.8, 1.9),
        e: d.between(0.995, 1.0),
        inclination_deg: (1.0 - 2.0 * d.unit()).acos().to_degrees(),
        node_deg: d.between(0.0, 360.0),
        argument_of_perihelion_deg: d.between(0.0, 360.0),
        a1_au_d2: 0.0,
        a2_au_d2: 0.0,
        a3_au_d2: 0.0,
    };
    let motion = Motion::two_body(orbit.elements());
    let steps = (length_days / 6.0).ceil().max(1.0);
    let mut r_au = Vec::new();
    for step in 0..=steps as usize {
        let when = evening(first_jd + (length_days * step as f64 / steps).round());
        for site in at {
            let (_, g) = best_time(&motion, &site.site, &when)?;
            let fits = (0.5..1.7).contains(&g.delta_au)
                && g.phase_deg < 60.0
                && (0.35..3.5).contains(&g.motion_arcsec_per_min);
            if !fits {
                return None;
            }
            r_au.push(g.r_au);
        }
    }
    // a power law needs some range of distances, where the season is long enough for it
    let (near, far) = r_au.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), r| (a.min(*r), b.max(*r)));
    (length_days < 15.0 || far / near > 1.15).then_some((orbit, motion))
}

/// When the comet is highest in the dark in the day from a noon on, at least as high as it must be.
fn best_time(motion: &Motion, site: &SiteKeys, noon: &UtcInstant) -> Option<(UtcInstant, ViewingGeometry)> {
    let looks = (0..36).filter_map(|i| {
        let at = noon.plus_seconds(f64::from(i) * 2400.0);
        let g = viewing_geometry(motion, &site.site(), at).ok()?;
        (g.sun_altitude_deg < SUN_TO_DEG && g.altitude_deg > LOWEST_DEG).then_some((at, g))
    });
    looks.max_by(|a, b| a.1.altitude_deg.total_cmp(&b.1.altitude_deg))
}

/// Light of dust at a phase angle over that at none: log φ = −0.01807 α + 0.000177 α² (Schleicher, Millis & Birch 1998, Icarus 132, 397).
fn phase_value(phase_deg: f64) -> f64 {
    10f64.powf(-0.01807 * phase_deg + 0.000177 * phase_deg * phase_deg)
}

/// A season's structures before they are projected.
struct Shape {
    jet: Structure,
    tail: Option<Structure>,
    /// Offset of the jet from the Sun's direction; where the swing begins; a direction in space.
    offset_deg: f64,
    phase_rad: f64,
    direction: [f64; 3],
    has_jet: bool,
}

impl Shape {
    fn draw(d: &mut Draws, kind: Kind, looks: &[(usize, UtcInstant, ViewingGeometry)]) -> Self {
        let jet = Structure {
            kind: FeatureKind::Jet,
            pa_deg: 0.0,
            width_deg: d.between(20.0, 36.0),
            contrast: d.ratio(0.06, 0.25),
            inner_km: d.between(1500.0, 2500.0),
            outer_km: d.between(15_000.0, 28_000.0),
        };
        let tail = d.chance(0.4).then(|| Structure {
            kind: FeatureKind::Tail,
            pa_deg: 0.0,
            width_deg: d.between(35.0, 60.0),
            contrast: d.between(0.1, 0.35),
            inner_km: d.between(4000.0, 8000.0),
            outer_km: 150_000.0,
        });
        // away from the tail
        let offset_deg = d.between(-80.0, 80.0);
        // in space: well across the line of sight all season
        let across = |v: &[f64; 3]| {
            let share = |g: &ViewingGeometry| 1.0 - dot(v, &line_of_sight(g)).powi(2);
            looks.iter().all(|l| share(&l.2) > 0.3)
        };
        let direction = loop {
            let v = [d.normal(), d.normal(), d.normal()];
            let length = dot(&v, &v).sqrt();
            let v = v.map(|c| c / length);
            if across(&v) {
                break v;
            }
        };
        let has_jet = match kind {
            Kind::NoJet => false,
            Kind::Outburst(_) => d.chance(0.5),
            _ => true,
        };
        Self { jet, tail, offset_deg, phase_rad: d.between(0.0, std::f64::consts::TAU), direction, has_jet }
    }

    /// What the coma has on a night.
    fn on(&self, kind: Kind, night: usize, days: f64, g: &ViewingGeometry) -> Vec<Structure> {
        let from_sun = g.sunward_pa_deg + self.offset_deg;
        let pa_deg = match kind {
            Kind::FixedInSpace => {
                let [east, north] = east_north(g);
                dot(&self.direction, &east).atan2(dot(&self.direction, &north)).to_degrees()
            }
            Kind::Rotating { period_h, amplitude_deg } => {
                let turn = std::f64::consts::TAU * days * 24.0 / period_h;
                from_sun + amplitude_deg * (turn + self.phase_rad).cos()
            }
            _ => from_sun,
        };
        let is_there = match kind {
            Kind::Comes(k) => night >= k,
            Kind::Goes(k) => night < k,
            _ => self.has_jet,
        };
        let jet = is_there.then(|| Structure { pa_deg: pa_deg.rem_euclid(360.0), ..self.jet.clone() });
        let tail = self.tail.as_ref().map(|t| Structure { pa_deg: g.antisolar_pa_deg, ..t.clone() });
        jet.into_iter().chain(tail).collect()
    }
}

fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn line_of_sight(g: &ViewingGeometry) -> [f64; 3] {
    let ((sin_a, cos_a), (sin_d, cos_d)) = (g.ra_deg.to_radians().sin_cos(), g.dec_deg.to_radians().sin_cos());
    [cos_d * cos_a, cos_d * sin_a, sin_d]
}

/// Unit vectors to the east and to the north at the comet.
fn east_north(g: &ViewingGeometry) -> [[f64; 3]; 2] {
    let ((sin_a, cos_a), (sin_d, cos_d)) = (g.ra_deg.to_radians().sin_cos(), g.dec_deg.to_radians().sin_cos());
    [[-sin_a, cos_a, 0.0], [-sin_d * cos_a, -sin_d * sin_a, cos_d]]
}

/// Structures as a night's scenario has them.
pub fn keys(structures: &[Structure], km_per_arcsec: f64) -> Vec<FeatureKeys> {
    let key = |s: &Structure| {
        let inner_arcsec = s.inner_km / km_per_arcsec;
        FeatureKeys {
            kind: s.kind,
            pa_deg: s.pa_deg,
            width_deg: s.width_deg,
            contrast: s.contrast,
            curvature_deg_per_arcsec: 0.0,
            inner_arcsec,
            outer_arcsec: s.outer_km / km_per_arcsec,
            inner_fade_arcsec: (s.kind == FeatureKind::Tail).then_some(1.5 * inner_arcsec),
            outer_fade_arcsec: None,
        }
    };
    structures.iter().map(key).collect()
}

/// Start of a night that has its middle at an instant.
fn start(s: &Scenario, mid: &UtcInstant) -> String {
    mid.plus_seconds(-0.5 * ((s.n_frames - 1) as f64 * s.cadence_s + s.exposure_s)).to_iso()
}

/// A night at a site: its seeing, transparency, Moon and faults.
fn night(
    d: &mut Draws,
    comet: &Scenario,
    at: &Observatory,
    mid: &UtcInstant,
    g: &ViewingGeometry,
    afrho_cm: f64,
) -> Scenario {
    let mut s = comet.clone();
    s.site = at.site.clone();
    s.telescope = at.telescope.clone();
    s.n_frames = 10;
    // shorter where the condensation would saturate, and where stars would trail by more than their width
    let longest_s = 60.0 * 2.0 / g.motion_arcsec_per_min;
    s.exposure_s = (if afrho_cm > 1000.0 { 30.0 } else { 50.0_f64 }).min(longest_s).round();
    // the comet moves clear of the stars in the time of all frames
    let needed_s = 60.0 * 18.0 / g.motion_arcsec_per_min / s.n_frames as f64;
    s.cadence_s = (s.exposure_s + 8.0).max(needed_s).round();
    s.start_utc = start(&s, mid);
    s.calibration = CalibrationKeys { n_bias: 3, n_dark: 3, n_flat: 3, ..CalibrationKeys::default() };

    let c = &mut s.camera;
    (c.width_px, c.height_px) = (at.side_px, at.side_px);
    (c.scale_arcsec, c.rotation_deg, c.mirrored) =
        (at.scale_arcsec, at.rotation_deg + d.between(-1.0, 1.0), at.mirrored);
    (c.gain_e_per_adu, c.read_noise_e) = (at.gain_e_per_adu, at.read_noise_e);
    c.bias_row_adu = d.between(0.0, 3.0);
    c.hot_pixel_fraction = d.between(0.0, 0.001);
    c.flat_error_fraction = d.between(0.0, 0.001);

    s.comet.afrho_cm = afrho_cm;
    s.psf.fwhm_arcsec = d.between(at.seeing_arcsec.0, at.seeing_arcsec.1);
    s.psf.drift_arcsec_per_hour = d.between(-0.4, 0.4);
    s.psf.elongation = d.between(1.0, 1.1);
    s.psf.elongation_angle_deg = d.between(0.0, 180.0);
    s.psf.beta = d.between(2.8, 4.2);
    s.psf.field_variation_fraction = d.between(0.0, 0.03);
    // moonlight: by the Moon's phase where it is up, more of it near the Moon
    let moon = if g.moon_altitude_deg > 0.0 { g.moon_illuminated_fraction.powi(2) } else { 0.0 };
    let moonlight = moon * (1.3 - g.moon_separation_deg / 180.0);
    s.sky.brightness_mag_arcsec2 = at.dark_sky_mag - d.between(0.0, 0.3) - 2.0 * moonlight;
    s.sky.gradient_fraction = d.between(0.0, 0.04) + 0.08 * moonlight;
    s.sky.gradient_pa_deg = d.between(0.0, 360.0);
    s.stars.per_square_degree = d.ratio(2500.0, 9000.0);
    s.transmission.zero_point_mag = at.zero_point_mag + d.between(-0.1, 0.0);
    s.transmission.extinction_mag = d.between(0.08, 0.2);
    s.transmission.colour_term = at.colour_term;
    s.transmission.scatter_mag = if d.chance(0.3) { d.between(0.02, 0.08) } else { 0.008 };
    s.tracking.on = TrackingTarget::Stars;
    s.tracking.dither_arcsec = d.between(2.0, 10.0);
    s.tracking.meridian_flip_at = d.chance(0.1).then_some(s.n_frames / 2);
    s.wcs.offset_arcsec = d.unit() * at.scale_arcsec;
    s.wcs.rotation_deg = d.between(0.0, 0.04);
    s.wcs.scale_fraction = d.between(0.0, 3e-4);
    s.artefacts.cosmic_rays_per_mpx_min = d.between(5.0, 40.0);
    s.artefacts.satellite_rate = d.between(0.0, 0.08);
    s
}

/// Ledger of all nights of a season.
pub const LEDGER: &str = "season.sqlite";

/// Calls `fanlight` in a season's folder; the call is given to `set` before it runs.
fn call(folder: &Path, arguments: &[&str], set: &impl Fn(&mut Command)) -> Result<(), String> {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fanlight"));
    command.current_dir(folder).args(arguments).stdout(Stdio::null());
    set(&mut command);
    let output = command.output().expect("fanlight runs");
    if output.status.success() { Ok(()) } else { Err(String::from_utf8_lossy(&output.stderr).into_owned()) }
}

/// Simulates every night of a plan and measures it; what an earlier run left in the folder is not done again. Calls of commands are given to
/// `set` before they run.
///
/// # Errors
/// What `fanlight simulate` said, or what is wrong with a file.
pub fn measure(plan: &Plan, folder: &Path, set: &impl Fn(&mut Command)) -> Result<Measured, String> {
    let (mut truths, mut lost) = (Vec::new(), Vec::new());
    for (i, night) in plan.nights.iter().enumerate() {
        let name = format!("night-{i:02}");
        let out = format!("{name}/result");
        if !folder.join(&out).join("night.json").is_file() {
            let scenario = night.scenario.to_toml().map_err(|e| e.to_string())?;
            std::fs::write(folder.join("scenario.toml"), scenario).map_err(|e| e.to_string())?;
            call(folder, &["simulate", "scenario.toml", "--out", &name], set)?;
            let (frames, campaign) = (format!("{name}/frames"), format!("{name}/campaign.toml"));
            let arguments = ["night", &frames, "--campaign", &campaign, "--out", &out, "--ledger", LEDGER];
            if let Err(said) = call(folder, &arguments, set) {
                lost.push((i, said));
            }
            // a season's frames are large, and nothing reads them again
            std::fs::remove_dir_all(folder.join(frames)).map_err(|e| e.to_string())?;
        }
        let truth = std::fs::read(folder.join(&name).join("truth.json")).map_err(|e| e.to_string())?;
        truths.push(serde_json::from_slice(&truth).map_err(|e| e.to_string())?);
    }
    Ok(Measured { truths, lost })
}

/// Puts the measured nights of a folder together, where an earlier run has not done that.
///
/// # Errors
/// What `fanlight season` said.
pub fn put_together(folder: &Path, set: &impl Fn(&mut Command)) -> Result<SeasonRecord, String> {
    let record = folder.join("season/season.json");
    if !record.is_file() {
        call(folder, &["season", "--campaign", "night-00/campaign.toml", "--ledger", LEDGER, "--out", "season"], set)?;
    }
    let bytes = std::fs::read(record).map_err(|e| e.to_string())?;
    serde_json::from_slice(&bytes).map_err(|e| e.to_string())
}

impl Plan {
    /// The night whose middle is nearest to an instant of the record.
    pub fn night_at(&self, utc: &str) -> Option<usize> {
        let at = UtcInstant::parse(utc).ok()?;
        let off = |i: &usize| self.nights[*i].mid.seconds_since(&at).abs();
        (0..self.nights.len()).min_by(|a, b| off(a).total_cmp(&off(b))).filter(|i| off(i) < 3600.0)
    }
}

/// Three nights of two sites: the jet that comes is new on its night, at its place; before and after nothing is claimed.
#[test]
fn a_jet_that_comes_in_a_short_season_of_two_sites() {
    let mut plan = plan(4, 3);
    // brighter than drawn, so that ten frames show it clearly, and longer on the sky, so that stars pass
    for NightPlan { scenario: s, structures, mid, .. } in &mut plan.nights {
        s.comet.afrho_cm *= 3.0;
        s.cadence_s *= 2.5;
        s.start_utc = start(s, mid);
        s.comet.features.iter_mut().for_each(|f| f.contrast = 0.25);
        structures.iter_mut().for_each(|x| x.contrast = 0.25);
    }
    let Kind::Comes(k) = plan.kind else { panic!("{:?}", plan.kind) };
    assert!((0..2).all(|site| plan.nights.iter().any(|n| n.site == site)), "both sites");
    let folder = tempfile::tempdir().expect("temporary folder");
    let done = measure(&plan, folder.path(), &|_| ()).unwrap_or_else(|e| panic!("{e}"));
    let record = put_together(folder.path(), &|_| ()).unwrap_or_else(|e| panic!("{e}"));
    let nights = crate::season_truth::measured(folder.path(), &plan).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((record.nights.len(), nights.len(), done.lost.len()), (3, 3, 0), "{:?}", done.lost);
    for (i, change) in record.changes.iter().enumerate() {
        let again = plan.compare(&nights[i], &nights[i + 1], &done.truths).expect("planned nights");
        assert_eq!(
            (&again.change.features, again.change.smallest_probability),
            (&change.features, change.smallest_probability)
        );
        if i + 1 != k {
            assert!(again.known.ideal < 1.0 && change.features.is_empty(), "{:?}, {change:?}", again.known);
            continue;
        }
        let is = change.features.first().unwrap_or_else(|| panic!("{:?}, {change:?}", again.known));
        let off = (is.pa_deg - again.places_deg[0] + 180.0).rem_euclid(360.0) - 180.0;
        let (projected, seen) = (again.known.projected, again.known.seen);
        // ten sigmas; what the noise makes of them is a few of its errors off at most
        assert!(projected > 8.0 && (seen - projected).abs() < 4.0, "{:?}", again.known);
        assert!(is.what == "new" && off.abs() < 12.0, "{is:?}");
    }
    for point in record.activity.points.iter().filter(|p| p.aperture_km == 10_000.0) {
        let night = plan.night_at(&point.utc).expect("its night");
        let seen = done.truths[night]["photometry"][1]["afrho_seen_cm"].as_f64().expect("a number of the truth");
        let off = point.a0frho_cm.expect("measured") * plan.nights[night].phase_value / seen - 1.0;
        assert!(off.abs() < 0.05, "{off:+.3} of {seen}");
    }
}
