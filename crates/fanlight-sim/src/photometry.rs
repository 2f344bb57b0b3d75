//! Magnitudes and Afρ.

/// Astronomical unit in km (IAU 2012 resolution B2).
const AU_KM: f64 = 149_597_870.7;

/// Apparent magnitude of the Sun at 1 au in a band: g, r, i in the AB system (SDSS), B, V, R, I in the Vega system
/// (Johnson–Cousins). `None` for any other name.
///
/// # Source
/// Willmer (2018, ApJS 236, 47), absolute magnitudes minus 31.57.
pub(crate) fn solar_magnitude(band: &str) -> Option<f64> {
    Some(match band {
        "g" => -26.47,
        "r" => -26.93,
        "i" => -27.05,
        "B" => -26.13,
        "V" => -26.76,
        "R" => -27.15,
        "I" => -27.47,
        _ => return None,
    })
}

/// Where the comet is, for Afρ.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Distances {
    /// From the Sun.
    pub r_au: f64,
    /// From the observer.
    pub delta_au: f64,
    /// Of the Sun at 1 au in the same band.
    pub solar_magnitude: f64,
}

impl Distances {
    /// A(θ)fρ in cm of a magnitude within an aperture of radius ρ: 4 r² Δ²/ρ · 10^(0.4 (m☉ − m)), Δ and ρ in cm.
    ///
    /// # Source
    /// A'Hearn, Schleicher, Millis, Feldman & Thompson (1984, AJ 89, 579).
    pub fn afrho_cm(&self, magnitude: f64, aperture_km: f64) -> f64 {
        self.factor_cm(aperture_km) * 10f64.powf(0.4 * (self.solar_magnitude - magnitude))
    }

    /// The magnitude within an aperture that gives an Afρ.
    pub fn magnitude(&self, afrho_cm: f64, aperture_km: f64) -> f64 {
        self.solar_magnitude - 2.5 * (afrho_cm / self.factor_cm(aperture_km)).log10()
    }

    fn factor_cm(&self, aperture_km: f64) -> f64 {
        4.0 * (self.r_au * self.delta_au * AU_KM).powi(2) / aperture_km * 1e5
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn afrho_of_worked_examples() {
        // Computed by hand from the definition: (r, Δ, ρ km, m, m☉, Afρ cm, tolerance of the printed digits).
        for (r_au, delta_au, rho_km, m, sun, want, tolerance) in [
            (1.5, 1.0, 10000.0, 12.0, -27.15, 440.65, 0.01),
            (2.5, 3.5, 12692.24, 18.0, -26.76, 67.358, 0.001),
            (1.2, 0.5, 5000.0, 9.0, -26.93, 2736.80, 0.01),
        ] {
            let d = Distances { r_au, delta_au, solar_magnitude: sun };
            assert!((d.afrho_cm(m, rho_km) - want).abs() < tolerance, "{}", d.afrho_cm(m, rho_km));
            assert!((d.magnitude(want, rho_km) - m).abs() < 1e-4);
        }
    }
}
