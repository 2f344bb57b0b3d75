//! Dust from Afρ: cross-section, and the order of magnitude of the mass loss.

use crate::ComaError;
use fanlight_image::Measured;
use std::f64::consts::PI;

/// What the grains are taken to be: all of one size, density, speed and albedo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DustAssumptions {
    /// Radius of the grains, µm.
    pub grain_radius_um: f64,
    /// Density of the grains, kg/m³.
    pub grain_density_kg_m3: f64,
    /// Speed at which they leave the nucleus, m/s.
    pub speed_m_s: f64,
    /// Their geometric albedo at zero phase, 0 to 1: a quarter of the A in A(0°)fρ.
    pub geometric_albedo: f64,
    /// By what factor the product of all of these may be off to either side, 1 or more.
    pub uncertainty_factor: f64,
}

impl DustAssumptions {
    /// 10 µm, 1000 kg/m³, 100 m/s, albedo 0.04 and a factor of 10: usual round numbers for active comets near 1 au, from
    /// memory. The size, for which the mass stands, is known least.
    pub const USUAL: Self = Self {
        grain_radius_um: 10.0,
        grain_density_kg_m3: 1000.0,
        speed_m_s: 100.0,
        geometric_albedo: 0.04,
        uncertainty_factor: 10.0,
    };

    fn checked(&self) -> Result<(), ComaError> {
        for (name, value) in [
            ("grain_radius_um", self.grain_radius_um),
            ("grain_density_kg_m3", self.grain_density_kg_m3),
            ("speed_m_s", self.speed_m_s),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return Err(ComaError::OutOfRange { name, value, range: "the positive numbers" });
            }
        }
        check_albedo(self.geometric_albedo)?;
        if !(self.uncertainty_factor.is_finite() && self.uncertainty_factor >= 1.0) {
            let value = self.uncertainty_factor;
            return Err(ComaError::OutOfRange { name: "uncertainty_factor", value, range: "the numbers from 1 up" });
        }
        Ok(())
    }
}

/// An order of magnitude of the dust that a comet loses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DustProduction {
    /// With the assumptions as they stand; the error is Afρ's alone.
    pub kg_per_s: Measured,
    /// From the middle value divided by the assumptions' factor to that times it.
    pub range_kg_per_s: (f64, f64),
    /// What was assumed.
    pub assumptions: DustAssumptions,
    /// Where the formula is from.
    pub source: &'static str,
}

const SOURCE: &str = "steady radial outflow of equal grains; A'Hearn et al. 1984, AJ 89, 579, for Afρ";

/// The dust mass lost per second that makes A(0°)fρ by grains which fly off radially and steadily:
/// Q = (2/3) a ρ_d v A(0°)fρ / p.
///
/// # Errors
/// When an assumption is not a positive number, the albedo above 1, the factor below 1, or Afρ no number.
///
/// # Accuracy
/// An order of magnitude at best. The mass is in the largest grains, which Afρ hardly sees; gas in the band counts as dust;
/// papers use other prefactors (A as Bond albedo, distributions of sizes), so the assumptions belong beside the number.
///
/// # Source
/// N(<ρ) = Q_n π ρ/(2 v) grains are in an aperture of radius ρ, and C = π ρ Afρ/(4 p) is their cross-section
/// ([`cross_section_km2`]); the rest is algebra.
pub fn dust_production(a0frho_cm: Measured, assumptions: DustAssumptions) -> Result<DustProduction, ComaError> {
    assumptions.checked()?;
    check_afrho(a0frho_cm.value)?;
    let a = &assumptions;
    let column_kg_s_m = 2.0 / 3.0 * a.grain_radius_um * 1e-6 * a.grain_density_kg_m3 * a.speed_m_s / a.geometric_albedo;
    let per_cm = column_kg_s_m * 0.01;
    let kg_per_s = Measured::new(per_cm * a0frho_cm.value, per_cm * a0frho_cm.sigma);
    let range_kg_per_s = (kg_per_s.value / a.uncertainty_factor, kg_per_s.value * a.uncertainty_factor);
    Ok(DustProduction { kg_per_s, range_kg_per_s, assumptions, source: SOURCE })
}

/// Cross-section of the dust within an aperture of radius ρ: C = π ρ Afρ / (4 p), km². With A(θ)fρ, `albedo` is the geometric
/// albedo times the phase function at θ; with A(0°)fρ the geometric albedo.
///
/// # Errors
/// When the radius is not positive, the albedo not between 0 and 1, or Afρ no number.
///
/// # Source
/// The definition of A'Hearn et al. 1984, AJ 89, 579, with A = 4 p: f is the share of the aperture's area that grains fill.
pub fn cross_section_km2(afrho_cm: Measured, radius_km: f64, albedo: f64) -> Result<Measured, ComaError> {
    if !(radius_km.is_finite() && radius_km > 0.0) {
        return Err(ComaError::OutOfRange { name: "radius_km", value: radius_km, range: "the positive numbers" });
    }
    check_albedo(albedo)?;
    check_afrho(afrho_cm.value)?;
    let per_cm = PI * radius_km * 1e-5 / (4.0 * albedo);
    Ok(Measured::new(per_cm * afrho_cm.value, per_cm * afrho_cm.sigma))
}

fn check_albedo(value: f64) -> Result<(), ComaError> {
    match value > 0.0 && value <= 1.0 {
        true => Ok(()),
        false => Err(ComaError::OutOfRange { name: "albedo", value, range: "the numbers above 0 up to 1" }),
    }
}

fn check_afrho(value: f64) -> Result<(), ComaError> {
    match value.is_finite() {
        true => Ok(()),
        false => Err(ComaError::OutOfRange { name: "afrho_cm", value, range: "the finite numbers" }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed by other code from the formula, not published: Afρ 1 m, 10 µm, 1000 kg/m³, 100 m/s, albedo 0.04 make
    /// 16.67 kg/s.
    #[test]
    fn agrees_with_a_worked_example() {
        let dust = dust_production(Measured::new(100.0, 10.0), DustAssumptions::USUAL).unwrap();
        assert!((dust.kg_per_s.value - 16.67).abs() < 0.005 && (dust.kg_per_s.sigma - 1.667).abs() < 5e-4);
        assert!((dust.range_kg_per_s.0 - 1.667).abs() < 5e-4 && (dust.range_kg_per_s.1 - 166.7).abs() < 0.05);
        // rule of thumb, A'Hearn et al. 1995, Icarus 118, 223, from memory: Afρ of 1000 cm goes with some 1000 kg/s
        let ten_metres = dust_production(Measured::new(1000.0, 0.0), DustAssumptions::USUAL).unwrap();
        assert!((ten_metres.range_kg_per_s.0..=ten_metres.range_kg_per_s.1).contains(&1000.0));
        // inversely with the assumed albedo
        let bright = DustAssumptions { geometric_albedo: 0.08, ..DustAssumptions::USUAL };
        let half = dust_production(Measured::new(100.0, 10.0), bright).unwrap();
        assert!((half.kg_per_s.value - 0.5 * dust.kg_per_s.value).abs() < 1e-9);
    }

    /// The grains in the aperture counted one by one give the cross-section from Afρ.
    #[test]
    fn mass_loss_and_cross_section_agree() {
        let a = DustAssumptions::USUAL;
        let afrho = Measured::new(250.0, 5.0);
        let mass_kg = 4.0 / 3.0 * PI * (a.grain_radius_um * 1e-6).powi(3) * a.grain_density_kg_m3;
        let grains_per_s = dust_production(afrho, a).unwrap().kg_per_s.value / mass_kg;
        let in_aperture = grains_per_s * PI * 1e7 / (2.0 * a.speed_m_s);
        let area_km2 = in_aperture * PI * (a.grain_radius_um * 1e-6).powi(2) * 1e-6;
        let from_afrho = cross_section_km2(afrho, 1e4, a.geometric_albedo).unwrap();
        assert!((area_km2 / from_afrho.value - 1.0).abs() < 1e-12, "{area_km2} {from_afrho:?}");
        assert!((from_afrho.sigma / from_afrho.value - 0.02).abs() < 1e-12);
    }

    /// Afρ = A f ρ with A = 4 p and f = C/(π ρ²): filling the whole aperture makes Afρ = 4 p ρ.
    #[test]
    fn a_full_aperture_has_its_own_area() {
        let afrho = Measured::new(4.0 * 0.04 * 1e4 * 1e5, 0.0);
        let area_km2 = cross_section_km2(afrho, 1e4, 0.04).unwrap().value;
        assert!((area_km2 / (PI * 1e8) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn refuses_impossible_grains() {
        let afrho = Measured::new(100.0, 10.0);
        let usual = DustAssumptions::USUAL;
        for bad in [
            DustAssumptions { grain_radius_um: 0.0, ..usual },
            DustAssumptions { grain_density_kg_m3: -1.0, ..usual },
            DustAssumptions { speed_m_s: f64::NAN, ..usual },
            DustAssumptions { geometric_albedo: 0.0, ..usual },
            DustAssumptions { geometric_albedo: 1.1, ..usual },
            DustAssumptions { uncertainty_factor: 0.9, ..usual },
        ] {
            assert!(dust_production(afrho, bad).is_err(), "{bad:?}");
        }
        assert!(dust_production(Measured::new(f64::NAN, 1.0), usual).is_err());
        assert!(cross_section_km2(afrho, 0.0, 0.04).is_err() && cross_section_km2(afrho, 1e4, f64::NAN).is_err());
    }
}
