//! Enhancements: what makes structure in a coma visible, each with what it does to brightness and what it draws that is not there.
//!
//! Every function takes an image, NaN where there is nothing, and gives one of the same size, NaN where there is no answer. An
//! empty image comes back empty; a centre outside the image is an error. No enhancement shows all structures well, and each makes some of its
//! own: a structure is believed when unlike ones agree and the featureless twin does not show it (Samarasinha & Larson 2014, Icarus 239, 168).

mod radial_profile;
mod renormalisation;
mod ring_moments;
mod rings;
mod rotational_gradient;
mod scales;
mod spline;
mod temporal_ratio;
mod variable_high_pass;

pub use radial_profile::{RadialProfile, divide_by_inverse_radius, divide_by_profile, subtract_profile};
pub use renormalisation::{StretchConfig, standardise_rings, stretch_rings};
pub use rings::{RingConfig, Statistic};
pub use rotational_gradient::{GradientConfig, rotational_gradient};
pub use scales::{BandConfig, laplacian, multi_scale_residual, unsharp_ratio};
pub use temporal_ratio::{RatioConfig, temporal_ratio};
pub use variable_high_pass::{ScaleLaw, variable_high_pass};

use crate::ComaError;
use fanlight_image::{Image, Mask, wide};
use fanlight_sky::PixelXy;
use rayon::prelude::*;
use std::borrow::Cow;

/// One way to enhance, with its settings; lengths in px.
#[derive(Debug, Clone, PartialEq)]
pub enum Enhancement {
    /// See [`rotational_gradient()`].
    RotationalGradient(GradientConfig),
    /// By the image's own azimuthal average; see [`divide_by_profile`].
    DivideByAverage(RingConfig),
    /// Of the image's own azimuthal average; see [`subtract_profile`].
    SubtractAverage(RingConfig),
    /// See [`stretch_rings`].
    StretchRings(StretchConfig),
    /// See [`standardise_rings`].
    StandardiseRings {
        /// Width of a ring; at least 0.5.
        ring_width_px: f64,
    },
    /// See [`divide_by_inverse_radius`].
    DivideByInverseRadius,
    /// See [`divide_by_profile`].
    DivideByProfile(RadialProfile),
    /// See [`variable_high_pass()`].
    VariableHighPass(ScaleLaw),
    /// See [`laplacian`].
    Laplacian {
        /// Standard deviation of the Gaussian.
        sigma_px: f64,
    },
    /// See [`unsharp_ratio`].
    UnsharpRatio {
        /// Standard deviation of the Gaussian.
        sigma_px: f64,
    },
    /// See [`multi_scale_residual`].
    MultiScaleResidual(BandConfig),
    /// See [`temporal_ratio()`].
    TemporalRatio {
        /// The image to compare with; NaN where it has nothing.
        reference: Image,
        /// How.
        config: RatioConfig,
    },
}

/// Whether brightness can be had back from an enhanced image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Brightness {
    /// It can, by what was divided by or taken off.
    Kept(Undo),
    /// It cannot: no photometry on this image.
    Lost,
}

/// How brightness is had back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Undo {
    /// Times what the image was divided by, which depends on the distance from the nucleus, or on the reference image, alone.
    Multiplicative,
    /// Plus what was taken off, which depends on the distance from the nucleus alone.
    Additive,
}

impl Enhancement {
    /// The usual name.
    pub fn name(&self) -> &'static str {
        use Statistic::{Mean, Median};
        match self {
            Self::RotationalGradient(_) => "rotational gradient",
            Self::DivideByAverage(RingConfig { statistic: Mean, .. }) => "division by the azimuthal mean",
            Self::DivideByAverage(RingConfig { statistic: Median, .. }) => "division by the azimuthal median",
            Self::SubtractAverage(RingConfig { statistic: Mean, .. }) => "subtraction of the azimuthal mean",
            Self::SubtractAverage(RingConfig { statistic: Median, .. }) => "subtraction of the azimuthal median",
            Self::StretchRings(_) => "azimuthal renormalisation (minimum to maximum)",
            Self::StandardiseRings { .. } => "azimuthal renormalisation (mean and standard deviation)",
            Self::DivideByInverseRadius => "division by 1/ρ",
            Self::DivideByProfile(_) => "division by a radial profile",
            Self::VariableHighPass(_) => "radially variable high-pass",
            Self::Laplacian { .. } => "Laplacian of Gaussian",
            Self::UnsharpRatio { .. } => "unsharp ratio",
            Self::MultiScaleResidual(_) => "multi-scale residual",
            Self::TemporalRatio { .. } => "temporal ratio",
        }
    }

    /// Whether brightness can be had back.
    pub fn brightness(&self) -> Brightness {
        match self {
            Self::DivideByAverage(_)
            | Self::DivideByInverseRadius
            | Self::DivideByProfile(_)
            | Self::TemporalRatio { .. } => Brightness::Kept(Undo::Multiplicative),
            Self::SubtractAverage(_) => Brightness::Kept(Undo::Additive),
            Self::RotationalGradient(_)
            | Self::StretchRings(_)
            | Self::StandardiseRings { .. }
            | Self::VariableHighPass(_)
            | Self::Laplacian { .. }
            | Self::UnsharpRatio { .. }
            | Self::MultiScaleResidual(_) => Brightness::Lost,
        }
    }

    /// Where it was published.
    pub fn source(&self) -> &'static str {
        match self {
            Self::RotationalGradient(_) => "Larson & Sekanina 1984, AJ 89, 571",
            Self::StandardiseRings { .. } => "Warell et al. 1999, A&AS 136, 245, eq. 2",
            Self::Laplacian { .. } => "Lindeberg 1998, International Journal of Computer Vision 30, 79",
            Self::UnsharpRatio { .. } => "Malin 1977, AAS Photo-Bulletin 16, 10 (unsharp masking), as a ratio",
            Self::MultiScaleResidual(_) => {
                "Marr & Hildreth 1980, Proc. R. Soc. B 207, 187 (difference of Gaussians); Starck & Murtagh 1994, A&A 288, 342 (bands)"
            }
            Self::DivideByAverage(_)
            | Self::SubtractAverage(_)
            | Self::StretchRings(_)
            | Self::DivideByInverseRadius
            | Self::DivideByProfile(_)
            | Self::VariableHighPass(_)
            | Self::TemporalRatio { .. } => "reviewed by Samarasinha & Larson 2014, Icarus 239, 168",
        }
    }

    /// What it draws that is not there, in one sentence.
    pub fn artefacts(&self) -> &'static str {
        match self {
            Self::RotationalGradient(_) => {
                "Every ray and star has two dark ghosts, one rotation away on either side; a wrong centre draws a dipole and an \
                 elongated star image a pair of opposite rays."
            }
            Self::DivideByAverage(_) => {
                "A bright jet, tail or star darkens the rest of its rings; a wrong centre draws a dipole, and noise grows where the coma \
                 nears the sky."
            }
            Self::SubtractAverage(_) => {
                "Dark shells appear opposite a bright jet, tail or star; a wrong centre draws a dipole, strongest at the nucleus."
            }
            Self::StretchRings(_) => {
                "Noise in faint rings is blown up to the full range, one star greys the rest of its ring, and a wrong centre or a tail \
                 becomes a strong dipole."
            }
            Self::StandardiseRings { .. } => {
                "Noise in faint rings is blown up to the scatter of bright ones, a jet or star darkens the rest of its ring, and a wrong \
                 centre or a tail becomes a strong dipole."
            }
            Self::DivideByInverseRadius => {
                "A coma that does not fall as 1/ρ keeps a ramp, left-over sky grows outward, a wrong centre draws a dipole, and seeing \
                 a hole at the nucleus."
            }
            Self::DivideByProfile(_) => {
                "What the profile does not fit shows as rings or a ramp; a wrong centre draws a dipole, and noise grows where the coma \
                 nears the sky."
            }
            Self::VariableHighPass(_) => {
                "The nucleus has a dark ring, and jets and stars have dark rims, about one scale wide; the scale differs from place to place."
            }
            Self::Laplacian { .. } => {
                "The nucleus and every star have a dark ring, ridges have dark rims, and noise is enhanced."
            }
            Self::UnsharpRatio { .. } => {
                "The nucleus and every star have a dark halo of about the filter's scale, which passes for a ring, and noise grows outward."
            }
            Self::MultiScaleResidual(_) => {
                "Everything bright has a dark rim as wide as the widest band, and a round coma's cusp leaves a bright core in a dark ring."
            }
            Self::TemporalRatio { .. } => {
                "A difference in seeing or focus makes a ring at the nucleus, one in registration a dipole, one in the sky level a ramp; \
                 star residuals of both nights show."
            }
        }
    }
}

/// Enhances an image; pixels flagged in the mask count as missing.
///
/// # Errors
/// When the mask has another size, the centre is outside the image (for those that have a centre), or a setting is outside its
/// range.
pub fn apply(enhancement: &Enhancement, image: &Image, mask: &Mask, centre: PixelXy) -> Result<Image, ComaError> {
    let image = &*masked(image, mask)?;
    let average = |config| RadialProfile::azimuthal_average(image, centre, config);
    match enhancement {
        Enhancement::RotationalGradient(config) => rotational_gradient(image, centre, config),
        Enhancement::DivideByAverage(config) => divide_by_profile(image, centre, &average(config)?),
        Enhancement::SubtractAverage(config) => subtract_profile(image, centre, &average(config)?),
        Enhancement::StretchRings(config) => stretch_rings(image, centre, config),
        Enhancement::StandardiseRings { ring_width_px } => standardise_rings(image, centre, *ring_width_px),
        Enhancement::DivideByInverseRadius => divide_by_inverse_radius(image, centre),
        Enhancement::DivideByProfile(profile) => divide_by_profile(image, centre, profile),
        Enhancement::VariableHighPass(law) => variable_high_pass(image, centre, law),
        Enhancement::Laplacian { sigma_px } => laplacian(image, *sigma_px),
        Enhancement::UnsharpRatio { sigma_px } => unsharp_ratio(image, *sigma_px),
        Enhancement::MultiScaleResidual(config) => multi_scale_residual(image, config),
        Enhancement::TemporalRatio { reference, config } => temporal_ratio(image, reference, centre, config),
    }
}

/// The image with NaN in place of flagged and of infinite pixels; itself where it has none.
///
/// # Errors
/// When the sizes differ.
pub fn masked<'a>(image: &'a Image, mask: &Mask) -> Result<Cow<'a, Image>, ComaError> {
    let (width, height) = (image.width, image.height);
    if (mask.width, mask.height) != (width, height) {
        let (found_width, found_height) = (mask.width, mask.height);
        return Err(ComaError::SizeMismatch { what: "the mask", found_width, found_height, width, height });
    }
    // no end at the first gap inside a chunk: so it is many pixels at once
    let clear = mask.bits.par_chunks(AT_ONCE).all(|bits| bits.iter().fold(0, |any, b| any | b) == 0);
    let finite = |values: &[f32]| values.iter().fold(true, |all, v| all & v.is_finite());
    if clear && image.data.par_chunks(AT_ONCE).all(finite) {
        return Ok(Cow::Borrowed(image));
    }
    let mut out = image.clone();
    out.data.par_chunks_mut(AT_ONCE).zip(mask.bits.par_chunks(AT_ONCE)).for_each(|(values, bits)| {
        for (value, bits) in values.iter_mut().zip(bits) {
            *value = if *bits == 0 && value.is_finite() { *value } else { f32::NAN };
        }
    });
    Ok(Cow::Owned(out))
}

/// Pixels looked at by one parallel task.
const AT_ONCE: usize = 1 << 14;

/// The image changed row by row: `change` is given the pixels of a row, their distances from the centre, and room for `N`
/// numbers of each.
fn map_with_radius<const N: usize>(
    image: &Image,
    centre: PixelXy,
    change: impl Fn(&mut [f32], &mut [f32], [&mut [f32]; N]) + Sync,
) -> Result<Image, ComaError> {
    check_centre(image, centre)?;
    let width = image.width.max(1);
    let mut out = Image { data: vec![0.0; image.data.len()], ..*image };
    let distances = Distances::new(width, centre);
    let rows = out.data.par_chunks_mut(width).zip(image.data.par_chunks(width)).enumerate();
    rows.for_each_init(
        || (vec![0.0; width], std::array::from_fn(|_| vec![0.0; width])),
        |(radii, room), (y, (row, values))| {
            row.copy_from_slice(values);
            wide(
                #[inline(always)]
                || {
                    distances.fill(y, radii);
                    change(row, radii, room.each_mut().map(|r: &mut Vec<f32>| &mut r[..]));
                },
            );
        },
    );
    Ok(out)
}

/// Distances of pixels from a centre, row by row.
struct Distances {
    y_px: f64,
    /// Along x, squared.
    columns: Vec<f64>,
}

impl Distances {
    fn new(width: usize, centre: PixelXy) -> Self {
        let columns = (0..width).map(|x| (x as f64 - centre.x_px).powi(2)).collect();
        Self { y_px: centre.y_px, columns }
    }

    /// Those of row `y`, to single precision.
    #[inline(always)]
    fn fill(&self, y: usize, radii_px: &mut [f32]) {
        let dy = y as f64 - self.y_px;
        for (radius, column) in radii_px.iter_mut().zip(&self.columns) {
            *radius = ((column + dy * dy) as f32).sqrt();
        }
    }
}

/// An error unless the centre is on one of the image's pixels; an empty image has nothing to be outside of.
fn check_centre(image: &Image, centre: PixelXy) -> Result<(), ComaError> {
    let on = |c: f64, n: usize| c >= -0.5 && c <= n as f64 - 0.5;
    if image.data.is_empty() || (on(centre.x_px, image.width) && on(centre.y_px, image.height)) {
        return Ok(());
    }
    let PixelXy { x_px, y_px } = centre;
    Err(ComaError::CentreOutside { x_px, y_px, width: image.width, height: image.height })
}

fn check(name: &'static str, value: f64, good: impl Fn(f64) -> bool, range: &'static str) -> Result<(), ComaError> {
    if good(value) { Ok(()) } else { Err(ComaError::OutOfRange { name, value, range }) }
}
