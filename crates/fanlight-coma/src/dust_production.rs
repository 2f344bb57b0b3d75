//! What Afρ may stand for in square kilometres and kilograms per second: orders of magnitude, with all that is assumed.

/// Grains as they are assumed to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grains {
    /// Radius, m.
    pub radius_m: f64,
    /// Density.
    pub density_kg_m3: f64,
    /// Speed with which they leave the coma.
    pub speed_m_s: f64,
    /// Geometric albedo at zero phase.
    pub geometric_albedo: f64,
}

/// Grains of 10 µm: those that scatter most light in many comae (common practice). The speed falls as the root of the
/// distance from the Sun.
pub fn usual_grains(r_au: f64) -> Grains {
    Grains { radius_m: 1e-5, density_kg_m3: 1000.0, speed_m_s: 100.0 / r_au.sqrt(), geometric_albedo: 0.04 }
}

/// Factor by which the production may be off to either side for the grains alone: radii of 1 to 100 µm, whose speeds go as the
/// inverse root of the radius, a factor of 10^±0.5, with albedos of 0.02 to 0.08 and densities of 500 to 2000 kg/m³, 2 each,
/// in quadrature of the logarithms, doubled since most mass may sit in grains that Afρ hardly sees (Fulle 2004, in Comets II, 565).
pub const FACTOR: f64 = 10.0;

/// Sum of the grains' geometric cross-sections in an aperture, km², from A(0°)fρ: C = π ρ (Afρ) / (4 p).
///
/// # Source
/// The definition of Afρ (A'Hearn et al. 1984, AJ 89, 579), with A = 4 p.
pub fn cross_section_km2(a0frho_cm: f64, aperture_km: f64, geometric_albedo: f64) -> f64 {
    std::f64::consts::PI * aperture_km * (a0frho_cm * 1e-5) / (4.0 * geometric_albedo)
}

/// Dust that leaves the comet, kg/s, from A(0°)fρ, for grains of one size in steady radial flow: Q = (2/3) a ρ_d v (Afρ) / p.
///
/// # Source
/// Number of grains within ρ of a steady flow, N = Q π ρ / (2 v) (A'Hearn et al. 1984), times a grain's mass.
pub fn kg_per_s(a0frho_cm: f64, grains: &Grains) -> f64 {
    2.0 / 3.0 * grains.radius_m * grains.density_kg_m3 * grains.speed_m_s * (a0frho_cm * 0.01) / grains.geometric_albedo
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed from the formula by other code: Afρ 1 m, 10 µm, 1000 kg/m³, 100 m/s, p 0.04 give 16.67 kg/s.
    #[test]
    fn production_of_a_metre_of_afrho() {
        let q = kg_per_s(100.0, &usual_grains(1.0));
        assert!((q - 16.6667).abs() < 1e-3, "{q}");
        // rule of thumb, from memory (A'Hearn et al. 1995): 1000 cm are some t/s; these grains are small ones
        let large = Grains { radius_m: 1e-3, speed_m_s: 10.0, ..usual_grains(1.0) };
        assert!((100.0..10_000.0).contains(&kg_per_s(1000.0, &large)));
    }

    /// The same light by both roads: N grains of one radius.
    #[test]
    fn cross_section_and_production_agree() {
        let grains = usual_grains(2.0);
        let (afrho_cm, aperture_km) = (500.0, 10_000.0);
        let area_m2 = cross_section_km2(afrho_cm, aperture_km, grains.geometric_albedo) * 1e6;
        let n = area_m2 / (std::f64::consts::PI * grains.radius_m.powi(2));
        let mass = 4.0 / 3.0 * std::f64::consts::PI * grains.radius_m.powi(3) * grains.density_kg_m3;
        let q_n = n * 2.0 * grains.speed_m_s / (std::f64::consts::PI * aperture_km * 1e3);
        assert!((q_n * mass / kg_per_s(afrho_cm, &grains) - 1.0).abs() < 1e-12);
    }

    /// Szabó, Kiss & Sárneczky 2008 (ApJ 677, L121): C/1995 O1 at r 25.7 au, R_C 20.04: albedo times area 4300 km². Their albedo
    /// is the geometric one, the area π ρ Afρ / 4 whatever ρ is; Δ is taken as 25 au.
    #[test]
    fn cross_section_of_a_published_comet() {
        let input = crate::afrho::AfrhoInput {
            magnitude: fanlight_image::Measured::new(20.04, 0.0),
            solar_magnitude: -27.15,
            r_au: 25.7,
            delta_au: 25.0,
            radius_km: 90_000.0,
        };
        let afrho = crate::afrho::afrho_cm(&input).unwrap().value;
        let area = cross_section_km2(afrho, 90_000.0, 1.0);
        assert!((area / 4300.0 - 1.0).abs() < 0.15, "{area}");
    }
}
