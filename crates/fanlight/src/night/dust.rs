//! From magnitudes to dust: the Sun's magnitude, the phase function, and what Afρ at 10 000 km may stand for.

use super::light;
use super::notes::Notes;
use super::photometry::Calibration;
use super::record::signed;
use crate::Failure;
use fanlight_coma::afrho::{self, AfrhoInput};
use fanlight_coma::dust_production::{self, DustAssumptions};
use fanlight_coma::gas::{self, Strength};
use fanlight_coma::phase_function::PhaseFunction;
use fanlight_coma::solar;
use fanlight_image::Measured;
use fanlight_io::{Campaign, PhotometrySection};
use fanlight_record::{DustProductionRecord, DustRecord, GeometryRecord, PhaseFunctionRecord, SlopeRecord, sentences};

/// The aperture in which comets are compared (common practice).
const REFERENCE_KM: f64 = 10_000.0;
/// A coma's slope this far from 1, by three of its errors, is told: Afρ then changes by a fifth per factor of two and a half in
/// radius.
const TOLD_OFF_ONE: f64 = 0.2;

/// Refuses a phase function that nobody knows, before any work.
///
/// # Errors
/// Names those there are.
pub fn check_phase_function(campaign: &Campaign) -> Result<(), Failure> {
    let section = &campaign.photometry;
    let at = campaign.path().display();
    let coefficient = section.phase_coefficient_mag_per_deg;
    let Some(name) = &section.phase_function else {
        return match coefficient {
            Some(_) => Err(Failure::call(format!(
                "{at}: photometry.phase_coefficient_mag_per_deg is given without phase_function"
            ))
            .hint("set phase_function = \"linear\" beside it")),
            None => Ok(()),
        };
    };
    PhaseFunction::from_name(name, coefficient)
        .map(|_| ())
        .map_err(|e| Failure::call(format!("{at}: photometry.phase_function: {e}")))
}

/// The phase function where the campaign names none: the quadratic where it was measured, the composite beyond.
fn usual_function(phase_deg: f64) -> PhaseFunction {
    let quadratic = PhaseFunction::HalleyQuadratic;
    if phase_deg <= quadratic.range_deg().1 { quadratic } else { PhaseFunction::Composite }
}

/// How magnitudes become Afρ.
pub struct DustScale {
    /// The Sun's magnitude in the band, at 1 au.
    solar_magnitude: Option<f64>,
    phase: Option<Phase>,
    r_au: f64,
    delta_au: f64,
}

/// The phase function at the night's angle.
struct Phase {
    function: PhaseFunction,
    value: f64,
    choice_error: Option<f64>,
}

impl DustScale {
    /// The scale of a band at a night's geometry.
    pub fn of(section: &PhotometrySection, band: &str, geometry: &GeometryRecord, notes: &mut Notes) -> Self {
        let known = solar::solar(band);
        let solar_magnitude = section.solar_magnitude.or(known.map(|s| s.mag));
        match (section.solar_magnitude, known) {
            (Some(m), _) => {
                notes.push(format!("Afρ uses the campaign file's solar magnitude, {} in {band}.", signed(m, 2)))
            }
            (None, Some(s)) => notes.push(format!(
                "Afρ uses a solar magnitude of {} ± {:.2} in {band} ({}); that error is not in Afρ's.",
                signed(s.mag, 2),
                s.sigma_mag,
                s.source
            )),
            (None, None) => notes.warn(format!(
                "No solar magnitude is known for band {band}: there is no Afρ; set photometry.solar_magnitude."
            )),
        }
        let asked = section
            .phase_function
            .as_ref()
            .and_then(|name| PhaseFunction::from_name(name, section.phase_coefficient_mag_per_deg).ok());
        let phase_deg = geometry.phase_deg;
        let function = asked.unwrap_or_else(|| usual_function(phase_deg));
        let phase = function.value(phase_deg).ok().map(|value| Phase {
            function,
            value,
            choice_error: function.choice_sigma(phase_deg).ok(),
        });
        if phase.is_none() {
            let (first, last) = function.range_deg();
            notes.warn(format!(
                "The phase angle, {phase_deg:.1}°, is outside the range of the phase function ({}: {first}° to {last}°): there is no \
                 A(0°)fρ; another photometry.phase_function may hold there.",
                function.name()
            ));
        }
        Self { solar_magnitude, phase, r_au: geometry.r_au, delta_au: geometry.delta_au }
    }

    /// A(θ)fρ of the light in an aperture; `None` where no solar magnitude is known.
    pub fn afrho(&self, magnitude: Measured, radius_km: f64) -> Option<Measured> {
        let (solar_magnitude, r_au, delta_au) = (self.solar_magnitude?, self.r_au, self.delta_au);
        afrho::afrho_cm(&AfrhoInput { magnitude, solar_magnitude, r_au, delta_au, radius_km }).ok()
    }

    /// What A(θ)fρ is less than where the light is fainter than a magnitude.
    pub fn afrho_limit_cm(&self, limit_mag: f64, radius_km: f64) -> Option<f64> {
        let (solar_magnitude, r_au, delta_au) = (self.solar_magnitude?, self.r_au, self.delta_au);
        let magnitude = Measured::new(limit_mag, 0.0);
        afrho::afrho_upper_limit_cm(&AfrhoInput { magnitude, solar_magnitude, r_au, delta_au, radius_km }).ok()
    }

    /// A(0°)fρ; `None` outside the phase function's range.
    pub fn at_zero_phase(&self, afrho: Measured) -> Option<Measured> {
        let phase = self.phase.as_ref()?;
        Some(Measured::new(afrho.value / phase.value, afrho.sigma / phase.value))
    }

    /// The phase function for the record.
    pub fn phase_record(&self) -> Option<PhaseFunctionRecord> {
        let Phase { function, value, choice_error } = self.phase.as_ref()?;
        let (first, last) = function.range_deg();
        Some(PhaseFunctionRecord {
            name: match function.linear_mag_per_deg() {
                Some(mag_per_deg) => format!("{}, {mag_per_deg} mag per degree", function.name()),
                None => function.name().to_string(),
            },
            source: function.source().to_string(),
            value: *value,
            choice_err: *choice_error,
            range_deg: Some([first, last]),
        })
    }
}

/// Dust in the aperture that comets are compared in, with warnings of what may make Afρ something else than dust.
pub fn record(calibration: &Calibration, light: &light::Records, notes: &mut Notes) -> DustRecord {
    let scale = &calibration.dust;
    let measured = calibration.aperture(REFERENCE_KM).map(|(p, _)| p);
    let value = |v: Option<f64>, e: Option<f64>| v.zip(e).map(|(v, e)| Measured::new(v, e));
    let afrho = measured.as_ref().and_then(|p| value(p.afrho_cm, p.afrho_err_cm));
    let a0frho = afrho.and_then(|a| scale.at_zero_phase(a));
    let choice_error = scale.phase.as_ref().and_then(|p| p.choice_error);
    let grains = usual_grains(scale.r_au);
    if afrho.is_some() {
        warn_of_gas(calibration.band, scale.r_au, notes);
        warn_of_slope(calibration, light, notes);
    }
    DustRecord {
        aperture_km: REFERENCE_KM,
        afrho_cm: afrho.map(|a| a.value),
        afrho_err_cm: afrho.map(|a| a.sigma),
        a0frho_cm: a0frho.map(|a| a.value),
        a0frho_err_cm: a0frho.map(|a| a.sigma),
        a0frho_choice_err_cm: a0frho.zip(choice_error).map(|(a, share)| a.value * share),
        not_measured_because: match (&measured, &afrho) {
            (_, Some(_)) => None,
            (None, None) => Some("the circle is not wholly on the stack".into()),
            (Some(_), None) if scale.solar_magnitude.is_none() => {
                Some("no solar magnitude is known for the band".into())
            }
            (Some(p), None) if p.limit_3sigma_mag.is_some() => Some("the light is under three of its errors".into()),
            (Some(_), None) => Some("no pixel shows the comet's centre".into()),
        },
        cross_section_km2: a0frho
            .and_then(|a| dust_production::cross_section_km2(a, REFERENCE_KM, grains.geometric_albedo).ok())
            .map(|area| area.value),
        production: a0frho.and_then(|a| production(a, grains)),
    }
}

/// Grains whose speed falls as the root of the distance from the Sun (common practice).
fn usual_grains(r_au: f64) -> DustAssumptions {
    let usual = DustAssumptions::USUAL;
    DustAssumptions { speed_m_s: usual.speed_m_s / r_au.sqrt(), ..usual }
}

fn production(a0frho_cm: Measured, grains: DustAssumptions) -> Option<DustProductionRecord> {
    let found = dust_production::dust_production(a0frho_cm, grains).ok()?;
    Some(DustProductionRecord {
        kg_per_s: found.kg_per_s.value,
        range_kg_per_s: [found.range_kg_per_s.0, found.range_kg_per_s.1],
        grain_radius_um: grains.grain_radius_um,
        grain_density_kg_m3: grains.grain_density_kg_m3,
        grain_speed_m_s: grains.speed_m_s,
        geometric_albedo: grains.geometric_albedo,
    })
}

fn warn_of_gas(band: &str, r_au: f64, notes: &mut Notes) {
    let Some(found) = gas::gas_contamination(band, Some(r_au)) else {
        notes.warn(format!(
            "Which gas shines in band {band} is not known; without a filter much of the light may be gas, and Afρ too large."
        ));
        return;
    };
    if found.far_from_sun || found.emissions.is_empty() {
        return;
    }
    let mut species: Vec<&str> = found.emissions.iter().map(|e| e.species).collect();
    species.dedup();
    let species = species.join(", ");
    match found.strength {
        Strength::Strong => notes.warn(format!(
            "Gas shines in band {band} ({species}) and is counted as dust: in a comet of much gas it is more than a third of the light, \
             and Afρ an upper limit."
        )),
        Strength::Moderate => notes.push(format!(
            "Gas in band {band} ({species}) is counted as dust: in a comet of much gas a tenth to a third of the light."
        )),
        Strength::Weak => notes.push(format!("Gas in band {band} ({species}) is counted as dust: under a tenth of the light.")),
    }
}

/// Warns where the coma is not near 1/ρ in the range of the apertures.
fn warn_of_slope(calibration: &Calibration, light: &light::Records, notes: &mut Notes) {
    let radii = calibration.radii_km();
    let (least, greatest) = radii.iter().fold((REFERENCE_KM, REFERENCE_KM), |(l, g), r| (r.min(l), r.max(g)));
    let off = |s: &SlopeRecord| s.slope - 1.0;
    let told = |s: &&SlopeRecord| {
        s.outer_km > least && s.inner_km < greatest && off(s).abs() > TOLD_OFF_ONE.max(3.0 * s.slope_err)
    };
    let ranges = light.shape.iter().flat_map(|s| &s.ranges);
    let Some(worst) = ranges.filter(told).max_by(|a, b| off(a).abs().total_cmp(&off(b).abs())) else { return };
    let (way, grows) = if off(worst) > 0.0 { ("more steeply", "falls") } else { ("less steeply", "grows") };
    notes.warn(format!(
        "From {} to {} km the coma falls as ρ^−{:.2}, {way} than 1/ρ: Afρ {grows} with the aperture there, and values in other \
         apertures do not compare.",
        sentences::fixed(worst.inner_km, -2),
        sentences::fixed(worst.outer_km, -2),
        worst.slope
    ));
}
