//! `fanlight enhance`: any enhancement on any image with a comet, beside its featureless twin.

pub mod length;
pub mod method;
pub mod products;
pub mod subject;

use crate::night::products::TWIN;
use crate::{Failure, messages};
use clap::Args;
use fanlight_coma::ComaError;
use fanlight_coma::enhance::apply;
use fanlight_image::{Image, Mask};
use length::Length;
use method::{Method, Settings};
use products::Enhanced;
use std::path::{Path, PathBuf};
use subject::Subject;

/// What is to be enhanced, how, and where it is written.
#[derive(Debug, Clone, Args)]
pub struct Options {
    /// A FITS image: comet.fits of a night, or any other (plain, .fz or .gz), its sky taken off
    pub image: PathBuf,
    /// The enhancement
    #[arg(long, value_enum, value_name = "NAME", required_unless_present = "all", conflicts_with = "all")]
    pub method: Option<Method>,
    /// Every enhancement, with its usual settings where none are given
    #[arg(long)]
    pub all: bool,
    /// The file to write, FILE.fits, with pictures beside it; with --all a folder
    #[arg(long, value_name = "FILE.fits")]
    pub out: PathBuf,
    /// The comet's place in pixels, column and row, the first pixel being 1; otherwise COMETX and COMETY of the header
    #[arg(long, value_name = "X,Y", conflicts_with = "at", allow_hyphen_values = true)]
    pub centre: Option<String>,
    /// The comet's place by the image's WCS: ICRS, degrees (101.95,+34.33) or hours and degrees ("06:47:48.9 +34:19:59")
    #[arg(long, value_name = "RA,DEC")]
    pub at: Option<String>,
    /// The featureless twin of this image, on its grid; otherwise twin.fits beside the image
    #[arg(long, value_name = "TWIN.fits")]
    pub twin: Option<PathBuf>,
    /// Level of the sky to take off first, in the image's unit
    #[arg(long, value_name = "VALUE", allow_negative_numbers = true)]
    pub sky: Option<f64>,
    /// Scale of an image without a WCS
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub arcsec_per_px: Option<f64>,
    /// km that an arcsec is at the comet; otherwise KMARCSEC of the header
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub km_per_arcsec: Option<f64>,
    /// Side of the pictures; otherwise all that the image holds about the comet
    #[arg(long, value_name = "LENGTH")]
    pub width: Option<Length>,
    /// Settings of the methods.
    #[command(flatten)]
    pub settings: Settings,
}

/// Said where no twin stands beside a picture.
pub const NO_TWIN: &str = "no twin: this picture alone does not show that a structure is real";

/// Does the job.
///
/// # Errors
/// When the image cannot be read, the call does not fit it, or a product cannot be written.
pub fn command(options: &Options) -> Result<(), Failure> {
    check_numbers(options)?;
    let methods = match options.method {
        Some(method) => vec![method],
        None => Method::all_for(&options.settings),
    };
    Method::check_settings(&methods, &options.settings)?;
    let mut notes = Vec::new();
    let subject = Subject::read(options, &mut notes)?;
    let other = options.settings.against.as_ref().map(|path| subject.other_night(path)).transpose()?;
    let twin = find_twin(options, &subject, &mut notes)?;
    notes.iter().for_each(|note| messages::warn(note));
    let half_width = match options.width {
        Some(width) => Some(0.5 * subject.scale.px(width, "--width")?),
        None => None,
    };
    let clear = Mask::clear(subject.image.width, subject.image.height);
    let mut written = Vec::new();
    for method in methods {
        let of = |image: &Image| {
            let (enhancement, words) =
                method.with_settings(&options.settings, &subject.grid(), image, other.as_ref())?;
            let out = apply(&enhancement, image, &clear, subject.centre).map_err(|e| refused(method, &e))?;
            Ok::<_, Failure>((enhancement, words, out))
        };
        let made = || -> Result<Enhanced, Failure> {
            let (night, of_twin) = rayon::join(|| of(&subject.image), || twin.as_ref().map(|(_, t)| of(t)).transpose());
            let ((enhancement, words, image), of_twin) = (night?, of_twin?);
            let twin = of_twin.map(|(_, words, image)| products::Twin {
                path: twin.as_ref().map(|(path, _)| path.clone()).unwrap_or_default(),
                image,
                words,
            });
            Ok(Enhanced { method, enhancement, words, image, twin, half_width_px: half_width })
        };
        match made() {
            Ok(enhanced) => written.push(products::write(options, &subject, &enhanced)?),
            // one that this image does not allow is no reason to keep the others back
            Err(failure) if options.all && failure.status() == 1 => {
                messages::warn(&format!("{} was left out: {failure}", method.name()));
            }
            Err(failure) => return Err(failure),
        }
    }
    if written.is_empty() {
        return Err(Failure::data(format!("{}: no enhancement was possible", options.image.display())));
    }
    messages::tell(&written.join("\n"))
}

impl Method {
    /// Every method.
    pub fn all() -> impl Iterator<Item = Self> {
        <Self as clap::ValueEnum>::value_variants().iter().copied()
    }

    /// Every method that can be used with these settings: a ratio needs another night.
    fn all_for(settings: &Settings) -> Vec<Self> {
        Self::all().filter(|m| *m != Self::TemporalRatio || settings.against.is_some()).collect()
    }
}

fn check_numbers(options: &Options) -> Result<(), Failure> {
    let positive = [("--arcsec-per-px", options.arcsec_per_px), ("--km-per-arcsec", options.km_per_arcsec)];
    for (name, value) in positive {
        if let Some(value) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return Err(Failure::call(format!("{name} {value}: must be a number above 0")));
        }
    }
    match options.sky {
        Some(sky) if !sky.is_finite() => Err(Failure::call(format!("--sky {sky}: must be a number"))),
        _ => Ok(()),
    }
}

/// A setting out of range is the call's fault, all else the image's.
fn refused(method: Method, error: &ComaError) -> Failure {
    let failure = match error {
        ComaError::OutOfRange { .. } => Failure::call(error),
        ComaError::TooFew { what, .. } if what.ends_with("of the bands") => {
            Failure::call(error).hint("give two or more --scales, and one fewer --gains")
        }
        _ => Failure::data(error),
    };
    failure.about(method.name())
}

/// The twin that is asked for, or the one that lies beside the image and fits it.
fn find_twin(
    options: &Options,
    subject: &Subject,
    notes: &mut Vec<String>,
) -> Result<Option<(PathBuf, Image)>, Failure> {
    if let Some(path) = &options.twin {
        return Ok(Some((path.clone(), subject.twin(path)?)));
    }
    let beside = subject.path.parent().unwrap_or(Path::new("")).join(TWIN);
    if beside.is_file() && !is_same_file(&beside, &subject.path) {
        match subject.twin(&beside) {
            Ok(twin) => return Ok(Some((beside, twin))),
            Err(e) => notes.push(format!("the twin beside the image was not used: {e}")),
        }
    }
    notes.push(NO_TWIN.into());
    Ok(None)
}

/// Whether two paths lead to one file.
fn is_same_file(a: &Path, b: &Path) -> bool {
    matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}
