//! The enhancements by name, and their settings.

use super::length::{Length, PixelScale};
use crate::Failure;
use crate::night::stack_noise::pixel_variance;
use clap::{Args, ValueEnum};
use fanlight_coma::enhance::{
    BandConfig, Enhancement, GradientConfig, RadialProfile, RatioConfig, RingConfig, ScaleLaw, Statistic, StretchConfig,
};
use fanlight_image::Image;
use fanlight_present::Values;
use fanlight_sky::PixelXy;
use std::path::PathBuf;

/// An enhancement, by the name that the command takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum, PartialOrd, Ord)]
pub enum Method {
    /// Twice the image less two copies turned either way: --rotation-deg 25 --shift 0px
    RotationalGradient,
    /// Divided by the average of its rings: --average median --ring 1px
    AzimuthalDivision,
    /// Less the average of its rings: --average median --ring 1px
    AzimuthalSubtraction,
    /// Each ring from its faintest (0) to its brightest (1): --low 0 --high 100 --ring 1px
    RingStretch,
    /// Each ring less its mean, over its standard deviation: --ring 1px
    RingStandardisation,
    /// Times the distance from the centre
    InverseRadius,
    /// Divided by a power law fitted to its rings: --annulus 3px,40px
    PowerLawDivision,
    /// Less its Gaussian, σ = base + growth·ρ^exponent: --base 1px --growth 0.05 --exponent 1
    VariableHighPass,
    /// Second derivative of its Gaussian: --scale 3px
    Laplacian,
    /// Divided by its Gaussian: --scale 5px
    UnsharpRatio,
    /// Differences of Gaussians, added up: --scales 1.5px,3px,6px,12px --gains 1,1,1
    MultiScale,
    /// Divided by another night's image: --against OTHER.fits --annulus 3px,40px --least VALUE
    TemporalRatio,
}

/// What stands for a ring.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Average {
    /// The mean
    Mean,
    /// The median: a star or a narrow ray counts little
    Median,
}

/// Settings of the methods. Lengths are numbers with a unit: 5px, 3arcsec or 8000km.
#[derive(Debug, Clone, Default, PartialEq, Args)]
#[command(next_help_heading = "Settings of the methods (lengths: 5px, 3arcsec or 8000km)")]
pub struct Settings {
    /// Rotation of the two copies, degrees
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub rotation_deg: Option<f64>,
    /// Radial shift of the two copies
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub shift: Option<Length>,
    /// What stands for a ring
    #[arg(long)]
    pub average: Option<Average>,
    /// Width of the rings, at least half a pixel
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub ring: Option<Length>,
    /// Percentile of a ring that becomes 0
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
    pub low: Option<f64>,
    /// Percentile of a ring that becomes 1
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
    pub high: Option<f64>,
    /// Standard deviation σ of the Gaussian
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub scale: Option<Length>,
    /// σ at the centre
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    pub base: Option<Length>,
    /// How σ grows with the distance ρ, both in pixels
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub growth: Option<f64>,
    /// Power of ρ that σ grows with, 0 to 4
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub exponent: Option<f64>,
    /// σ that the bands lie between, ascending; a first 0px is the image itself
    #[arg(long, value_name = "LENGTH,…", value_delimiter = ',')]
    pub scales: Vec<Length>,
    /// Factor of each band, one fewer than scales
    #[arg(long, value_name = "NUMBER,…", value_delimiter = ',', allow_hyphen_values = true)]
    pub gains: Vec<f64>,
    /// Another night's image of the same scale and orientation, both without sky; laid on this one by its own
    /// COMETX and COMETY
    #[arg(long, value_name = "OTHER.fits")]
    pub against: Option<PathBuf>,
    /// Inner and outer radius of the ring by which two nights are brought to one level, or to which a power law is fitted
    #[arg(long, value_name = "LENGTH,LENGTH", value_delimiter = ',', num_args = 1..=2)]
    pub annulus: Vec<Length>,
    /// Least signal of either night, in the image's unit; otherwise three times the noise of its pixels
    #[arg(long, value_name = "VALUE", allow_negative_numbers = true)]
    pub least: Option<f64>,
}

/// Times the noise of its pixels: below this much signal a ratio of two nights is noise.
const LEAST_SIGNAL_SIGMA: f64 = 3.0;
/// Of the annulus where none is given: inner radius in pixels, outer as a share of the shorter side.
const ANNULUS: (f64, f64) = (3.0, 0.25);

/// Usual widths and scales.
const RING_PX: f64 = 1.0;
const BASE_PX: f64 = 1.0;
const LAPLACIAN_PX: f64 = 3.0;
const UNSHARP_PX: f64 = 5.0;

/// An image with its comet's place and its scale.
#[derive(Debug, Clone, Copy)]
pub struct Grid<'a> {
    /// The pixels.
    pub image: &'a Image,
    /// The comet.
    pub centre: PixelXy,
    /// What a pixel is worth.
    pub scale: PixelScale,
}

impl Grid<'_> {
    fn usual_annulus_px(&self) -> (f64, f64) {
        (ANNULUS.0, ANNULUS.1 * self.image.width.min(self.image.height) as f64)
    }
}

impl Method {
    /// Its name on the command line and in file names.
    pub fn name(self) -> String {
        self.to_possible_value().map(|v| v.get_name().to_string()).unwrap_or_default()
    }

    /// Names of the settings that it takes.
    fn takes(self) -> &'static [&'static str] {
        match self {
            Self::RotationalGradient => &["--rotation-deg", "--shift"],
            Self::AzimuthalDivision | Self::AzimuthalSubtraction => &["--average", "--ring"],
            Self::RingStretch => &["--low", "--high", "--ring"],
            Self::RingStandardisation => &["--ring"],
            Self::InverseRadius => &[],
            Self::PowerLawDivision => &["--annulus"],
            Self::VariableHighPass => &["--base", "--growth", "--exponent"],
            Self::Laplacian | Self::UnsharpRatio => &["--scale"],
            Self::MultiScale => &["--scales", "--gains"],
            Self::TemporalRatio => &["--against", "--annulus", "--least"],
        }
    }

    /// Refuses settings that none of the methods takes.
    ///
    /// # Errors
    /// Names the setting and those that would be taken.
    pub fn check_settings(methods: &[Self], settings: &Settings) -> Result<(), Failure> {
        let taken: Vec<&str> = methods.iter().flat_map(|m| m.takes()).copied().collect();
        for (given, _) in settings.given() {
            if !taken.contains(&given) {
                let names: Vec<String> = methods.iter().map(|m| m.name()).collect();
                let hint = if taken.is_empty() {
                    "it has no settings".into()
                } else {
                    format!("it takes {}", taken.join(", "))
                };
                return Err(Failure::call(format!("{given} does not belong to {}", names.join(", "))).hint(hint));
            }
        }
        Ok(())
    }

    /// The enhancement with its settings, for this image of the grid; and its settings in words.
    ///
    /// # Errors
    /// When a length needs a scale that is not known, `--against` is missing or does not fit, or no power law can be
    /// fitted.
    pub fn with_settings(
        self,
        settings: &Settings,
        grid: &Grid,
        image: &Image,
        other: Option<&Image>,
    ) -> Result<(Enhancement, String), Failure> {
        let scale = &grid.scale;
        let px = |length: Option<Length>, default_px: f64, option: &str| {
            length.map_or(Ok(default_px), |l| scale.px(l, option))
        };
        let ring = || px(settings.ring, RING_PX, "--ring");
        Ok(match self {
            Self::RotationalGradient => {
                let rotation_deg = settings.rotation_deg.unwrap_or(25.0);
                let radial_shift_px = px(settings.shift, 0.0, "--shift")?;
                let words = format!(
                    "copies turned by {rotation_deg}° either way and shifted by {}",
                    scale.words(radial_shift_px)
                );
                (Enhancement::RotationalGradient(GradientConfig { rotation_deg, radial_shift_px }), words)
            }
            Self::AzimuthalDivision | Self::AzimuthalSubtraction => {
                let (statistic, name) = match settings.average.unwrap_or(Average::Median) {
                    Average::Mean => (Statistic::Mean, "mean"),
                    Average::Median => (Statistic::Median, "median"),
                };
                let config = RingConfig { statistic, ring_width_px: ring()? };
                let words = format!("{name} of rings {} wide", scale.words(config.ring_width_px));
                match self {
                    Self::AzimuthalDivision => (Enhancement::DivideByAverage(config), words),
                    _ => (Enhancement::SubtractAverage(config), words),
                }
            }
            Self::RingStretch => {
                let (low_percent, high_percent) = (settings.low.unwrap_or(0.0), settings.high.unwrap_or(100.0));
                let ring_width_px = ring()?;
                let words = format!(
                    "percentiles {low_percent} to {high_percent} of rings {} wide become 0 and 1",
                    scale.words(ring_width_px)
                );
                (Enhancement::StretchRings(StretchConfig { low_percent, high_percent, ring_width_px }), words)
            }
            Self::RingStandardisation => {
                let ring_width_px = ring()?;
                let words = format!("rings {} wide", scale.words(ring_width_px));
                (Enhancement::StandardiseRings { ring_width_px }, words)
            }
            Self::InverseRadius => (Enhancement::DivideByInverseRadius, "ρ in pixels".into()),
            Self::PowerLawDivision => {
                let (inner, outer) = annulus(settings, grid)?;
                let (profile, slope) = RadialProfile::power_law(image, grid.centre, inner, outer)
                    .map_err(|e| Failure::data(e).about("--annulus"))?;
                let words = format!("ρ^{slope:.3}, fitted from {} to {}", scale.words(inner), scale.words(outer));
                (Enhancement::DivideByProfile(profile), words)
            }
            Self::VariableHighPass => {
                let base_px = px(settings.base, BASE_PX, "--base")?;
                let (growth, exponent) = (settings.growth.unwrap_or(0.05), settings.exponent.unwrap_or(1.0));
                let words = format!("Gaussian of σ = {base_px:.4} px + {growth}·ρ^{exponent}, ρ in pixels");
                (Enhancement::VariableHighPass(ScaleLaw { base_px, growth, exponent }), words)
            }
            Self::Laplacian => {
                let sigma_px = px(settings.scale, LAPLACIAN_PX, "--scale")?;
                (Enhancement::Laplacian { sigma_px }, format!("Gaussian of σ = {}", scale.words(sigma_px)))
            }
            Self::UnsharpRatio => {
                let sigma_px = px(settings.scale, UNSHARP_PX, "--scale")?;
                (Enhancement::UnsharpRatio { sigma_px }, format!("Gaussian of σ = {}", scale.words(sigma_px)))
            }
            Self::MultiScale => {
                let mut config = BandConfig::default();
                if !settings.scales.is_empty() {
                    let scales = settings.scales.iter().map(|l| scale.px(*l, "--scales"));
                    config.scales_px = scales.collect::<Result<_, _>>()?;
                    config.gains = vec![1.0; config.scales_px.len().saturating_sub(1)];
                }
                if !settings.gains.is_empty() {
                    config.gains.clone_from(&settings.gains);
                }
                let list = |v: Vec<String>| v.join(", ");
                let words = format!(
                    "bands between Gaussians of σ = {}, gains {}",
                    list(config.scales_px.iter().map(|s| scale.words(*s)).collect()),
                    list(config.gains.iter().map(f64::to_string).collect())
                );
                (Enhancement::MultiScaleResidual(config), words)
            }
            Self::TemporalRatio => {
                let Some(other) = other else {
                    return Err(Failure::call("temporal-ratio needs another night's image")
                        .hint("give it by --against OTHER.fits"));
                };
                let (inner_px, outer_px) = annulus(settings, grid)?;
                let min_signal = match settings.least {
                    Some(least) => least,
                    None => LEAST_SIGNAL_SIGMA * noise(grid.image)?,
                };
                let words = format!(
                    "both scaled to one mean from {} to {}, signals under {min_signal:.4} left out",
                    scale.words(inner_px),
                    scale.words(outer_px)
                );
                let config = RatioConfig { inner_px, outer_px, min_signal };
                (Enhancement::TemporalRatio { reference: other.clone(), config }, words)
            }
        })
    }

    /// Whether its values are in the image's unit.
    pub fn keeps_unit(self) -> bool {
        self.values("a").1 != self.values("b").1
    }

    /// What its values mean, and their unit for an image in `unit`.
    pub fn values(self, unit: &str) -> (Values, String) {
        let of = |values, text: &str| (values, text.to_string());
        match self {
            Self::RotationalGradient
            | Self::AzimuthalSubtraction
            | Self::VariableHighPass
            | Self::Laplacian
            | Self::MultiScale => of(Values::AboutZero, &format!("brighter (+) or fainter (−), {unit}")),
            Self::RingStandardisation => of(Values::AboutZero, "standard deviations of the ring"),
            Self::AzimuthalDivision | Self::PowerLawDivision | Self::UnsharpRatio | Self::TemporalRatio => {
                of(Values::AboutOne, "ratio")
            }
            Self::RingStretch => of(Values::Share, "place between the ring's ends"),
            Self::InverseRadius => of(Values::Level, &format!("{unit} times px")),
        }
    }
}

impl Settings {
    /// The same with every length in km at the comet, usual ones too, as they are on this grid: what makes nights of several scales go
    /// through one filter. Lengths that were given in km stay as they are.
    ///
    /// # Errors
    /// When the grid's scale is not known.
    pub fn in_km(&self, method: Method, grid: &Grid) -> Result<Self, Failure> {
        let km = |length: Option<Length>, usual_px: f64, option: &str| {
            length.unwrap_or(Length::px(usual_px)).in_km(&grid.scale, option)
        };
        let all = |lengths: &[Length], usual_px: &[f64], option: &str| -> Result<Vec<Length>, Failure> {
            let usual = usual_px.iter().copied().map(Length::px).collect();
            let lengths = if lengths.is_empty() { usual } else { lengths.to_vec() };
            lengths.into_iter().map(|l| l.in_km(&grid.scale, option)).collect()
        };
        let mut settings = self.clone();
        match method {
            Method::RotationalGradient => settings.shift = Some(km(self.shift, 0.0, "--shift")?),
            Method::AzimuthalDivision
            | Method::AzimuthalSubtraction
            | Method::RingStretch
            | Method::RingStandardisation => settings.ring = Some(km(self.ring, RING_PX, "--ring")?),
            Method::VariableHighPass => settings.base = Some(km(self.base, BASE_PX, "--base")?),
            Method::Laplacian => settings.scale = Some(km(self.scale, LAPLACIAN_PX, "--scale")?),
            Method::UnsharpRatio => settings.scale = Some(km(self.scale, UNSHARP_PX, "--scale")?),
            Method::MultiScale => {
                settings.scales = all(&self.scales, &BandConfig::default().scales_px, "--scales")?;
            }
            Method::PowerLawDivision | Method::TemporalRatio => {
                let (inner, outer) = grid.usual_annulus_px();
                settings.annulus = all(&self.annulus, &[inner, outer], "--annulus")?;
            }
            Method::InverseRadius => {}
        }
        Ok(settings)
    }

    /// As they would be typed, with a space before each.
    pub fn as_typed(&self) -> String {
        self.given().into_iter().map(|(name, value)| format!(" {name} {value}")).collect()
    }

    /// Names of the settings that were given, and their values as they are typed.
    fn given(&self) -> Vec<(&'static str, String)> {
        let number = |value: Option<f64>| value.map(|v| v.to_string());
        let length = |value: Option<Length>| value.map(Length::as_typed);
        let list = |values: Vec<String>| Some(values.join(",")).filter(|list| !list.is_empty());
        let lengths = |values: &[Length]| list(values.iter().map(|l| l.as_typed()).collect());
        let all = [
            ("--rotation-deg", number(self.rotation_deg)),
            ("--shift", length(self.shift)),
            ("--average", self.average.and_then(|a| a.to_possible_value()).map(|a| a.get_name().to_owned())),
            ("--ring", length(self.ring)),
            ("--low", number(self.low)),
            ("--high", number(self.high)),
            ("--scale", length(self.scale)),
            ("--base", length(self.base)),
            ("--growth", number(self.growth)),
            ("--exponent", number(self.exponent)),
            ("--scales", lengths(&self.scales)),
            ("--gains", list(self.gains.iter().map(f64::to_string).collect())),
            ("--against", self.against.as_ref().map(|p| format!("\"{}\"", p.display()))),
            ("--annulus", lengths(&self.annulus)),
            ("--least", number(self.least)),
        ];
        all.into_iter().filter_map(|(name, value)| Some((name, value?))).collect()
    }
}

impl PixelScale {
    /// A length in pixels in words, in arcsec too where that is known.
    fn words(&self, px: f64) -> String {
        let round = |v: f64| fanlight_record::sentences::format_round(v, 4);
        let arcsec = self.arcsec_per_px.map(|s| format!(" ({}″)", round(px * s))).unwrap_or_default();
        format!("{} px{arcsec}", round(px))
    }
}

fn annulus(settings: &Settings, grid: &Grid) -> Result<(f64, f64), Failure> {
    match settings.annulus[..] {
        [] => Ok(grid.usual_annulus_px()),
        [inner, outer] => Ok((grid.scale.px(inner, "--annulus")?, grid.scale.px(outer, "--annulus")?)),
        _ => Err(Failure::call("--annulus takes two radii").hint("write --annulus 3px,40px")),
    }
}

fn noise(image: &Image) -> Result<f64, Failure> {
    pixel_variance(image).map(f64::sqrt).filter(|n| *n > 0.0).ok_or_else(|| {
        Failure::data("the noise of the image's pixels cannot be told")
            .hint("say by --least which signal is too little")
    })
}
