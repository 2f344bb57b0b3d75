//! Lengths as the command takes them: a number with its unit.

use crate::Failure;
use std::fmt;
use std::str::FromStr;

/// A length with its unit, as `5px`, `3arcsec` or `8000km`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Length {
    value: f64,
    unit: Unit,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Unit {
    Px,
    Arcsec,
    Km,
}

impl FromStr for Length {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let units = [("px", Unit::Px), ("arcsec", Unit::Arcsec), ("km", Unit::Km)];
        let Some((number, unit)) = units.iter().find_map(|(name, unit)| Some((text.strip_suffix(name)?, *unit))) else {
            return Err("a length has its unit behind it: 5px, 3arcsec or 8000km".into());
        };
        match number.trim().parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Self { value, unit }),
            _ => Err("no number stands before the unit".into()),
        }
    }
}

impl Length {
    /// A length in pixels.
    pub fn px(value: f64) -> Self {
        Self { value, unit: Unit::Px }
    }

    /// The same length in km at the comet.
    ///
    /// # Errors
    /// When the scale is not known: names the option it was given to.
    pub fn in_km(self, scale: &PixelScale, option: &str) -> Result<Self, Failure> {
        if self.unit == Unit::Km {
            return Ok(self);
        }
        let px_per_km = scale.px(Self { value: 1.0, unit: Unit::Km }, option)?;
        Ok(Self { value: scale.px(self, option)? / px_per_km, unit: Unit::Km })
    }

    /// As it is typed.
    pub fn as_typed(self) -> String {
        self.to_string().replace(' ', "")
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = match self.unit {
            Unit::Px => "px",
            Unit::Arcsec => "arcsec",
            Unit::Km => "km",
        };
        write!(f, "{} {unit}", self.value)
    }
}

/// What a pixel is worth, as far as it is known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct PixelScale {
    /// arcsec per pixel at the centre.
    pub arcsec_per_px: Option<f64>,
    /// km at the comet per arcsec.
    pub km_per_arcsec: Option<f64>,
}

impl PixelScale {
    /// A length in pixels.
    ///
    /// # Errors
    /// When the scale that its unit needs is not known: names the option it was given to.
    pub fn px(&self, length: Length, option: &str) -> Result<f64, Failure> {
        let lacking = |what: &str, hint: &str| Failure::call(format!("{option} {length}: {what}")).hint(hint);
        let arcsec_per_px = || {
            self.arcsec_per_px.ok_or_else(|| {
                lacking(
                    "the image has no celestial WCS, so arcsec per pixel are not known",
                    "give the length in px, or --arcsec-per-px",
                )
            })
        };
        let km_per_arcsec = || {
            self.km_per_arcsec.ok_or_else(|| {
                lacking(
                    "the header does not say how many km an arcsec is at the comet (KMARCSEC)",
                    "give the length in px or arcsec, or --km-per-arcsec; `fanlight geometry` computes it",
                )
            })
        };
        Ok(match length.unit {
            Unit::Px => length.value,
            Unit::Arcsec => length.value / arcsec_per_px()?,
            Unit::Km => length.value / km_per_arcsec()? / arcsec_per_px()?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_have_units() {
        let scale = PixelScale { arcsec_per_px: Some(1.5), km_per_arcsec: Some(800.0) };
        for (text, px) in [("5px", 5.0), ("3arcsec", 2.0), (" 2400 km", 2.0), ("-1.5px", -1.5)] {
            let length: Length = text.parse().unwrap();
            assert!((scale.px(length, "--scale").unwrap() - px).abs() < 1e-12, "{text}");
        }
        for wrong in ["5", "", "px", "fivepx", "nanpx", "infkm", "5 pc"] {
            assert!(wrong.parse::<Length>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn what_is_not_known_is_said() {
        let of = |scale: PixelScale, text: &str| scale.px(text.parse().unwrap(), "--scale").unwrap_err();
        let blind = of(PixelScale::default(), "3arcsec");
        assert!(blind.message.contains("--scale 3 arcsec") && blind.message.contains("WCS") && blind.status() == 2);
        let no_km = of(PixelScale { arcsec_per_px: Some(1.0), km_per_arcsec: None }, "3km");
        assert!(no_km.message.contains("KMARCSEC") && no_km.hint.unwrap().contains("--km-per-arcsec"));
    }
}
