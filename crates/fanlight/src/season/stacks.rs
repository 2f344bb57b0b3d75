//! A night's stacks, read back from its folder.

use crate::Failure;
use crate::night::finished;
use crate::night::products::{BETA_CARD, COMET, ELONGATION_CARD, NOISE_CARD, NOISY_TWIN, STAR_MASK, STARS_LEFT, TWIN};
use fanlight_coma::change::NightForChange;
use fanlight_coma::evidence::mode_space::SkyFrame;
use fanlight_coma::evidence::night_model::StackForEvidence;
use fanlight_coma::kernel::KernelPart;
use fanlight_coma::passing::UnseenStars;
use fanlight_image::moffat::Moffat;
use fanlight_image::{Image, Mask, flag};
use fanlight_io::Header;
use fanlight_present::SkyPicture;
use fanlight_record::NightRecord;
use std::path::Path;

/// The stacks of a night as `fanlight night` wrote them.
pub struct Stacks {
    image: Image,
    variance: Image,
    mask: Mask,
    /// The same with what the night's own search left out for stars.
    compared: Mask,
    /// The featureless twin with noise like the night's, where structure was looked for.
    pub twin: Option<Image>,
    star_variance: Option<Image>,
    substacks: Vec<(Image, f64)>,
    correlation: f64,
    elongation_sigma: f64,
    /// Exponent of the star images' wings with its error.
    beta: (f64, f64),
    frame: SkyFrame,
    zero_point_mag: Option<f64>,
}

/// Of a night whose folder an earlier version wrote, which did not say how large they are: cautious values.
const CORRELATION_NOT_TOLD: f64 = 2.0;
const ELONGATION_SIGMA_NOT_TOLD: f64 = 0.03;
const BETA_NOT_TOLD: (f64, f64) = (3.2, 0.8);
/// Error of the exponent of star images' wings: seeing is no exact Moffat function.
const BETA_SIGMA: f64 = 0.3;

impl Stacks {
    /// Reads the stacks that belong to a record; the twin and the sub-stacks only `with_all`.
    ///
    /// # Errors
    /// When a file is missing, cannot be read, or is not of this record's night.
    pub fn read(folder: &Path, record: &NightRecord, with_all: bool) -> Result<Self, Failure> {
        let path = folder.join(COMET);
        let read = fanlight_io::read_image(&path).map_err(Failure::data)?;
        let (header, image) = (read.header, read.image);
        check_night(&header, record, &path)?;
        let size = (image.width, image.height);
        let named = |file: &str, name: &str| {
            fanlight_io::read_named_image(&folder.join(file), &[name], size)
                .map_err(Failure::data)
                .map(|i| i.map(|i| i.image))
        };
        let needed = |file: &str, name: &str| {
            named(file, name)?.ok_or_else(|| {
                Failure::data(format!(
                    "{}: there is no image {name} of {} × {} pixels",
                    folder.join(file).display(),
                    size.0,
                    size.1
                ))
                .hint("measure the night again with fanlight night")
            })
        };
        let flags = needed(COMET, "MASK")?;
        let bits = flags.data.iter().zip(&image.data).map(|(m, v)| match v.is_finite() {
            true => *m as u8,
            false => *m as u8 | flag::NO_DATA,
        });
        let mask = Mask { width: size.0, height: size.1, bits: bits.collect() };
        let mut compared = mask.clone();
        if let Some(left_out) = named(COMET, STAR_MASK)? {
            let stars = compared.bits.iter_mut().zip(&left_out.data).filter(|(_, star)| **star != 0.0);
            stars.for_each(|(bits, _)| *bits |= flag::STAR);
        }
        let twin = if folder.join(TWIN).is_file() { named(TWIN, NOISY_TWIN)? } else { None };
        let substacks = if with_all { substacks(folder, record, size)? } else { Vec::new() };
        let stack = &record.stack;
        Ok(Self {
            variance: needed(COMET, "VARIANCE")?,
            star_variance: named(COMET, STARS_LEFT)?,
            mask,
            compared,
            twin,
            substacks,
            correlation: header.number(NOISE_CARD).unwrap_or(CORRELATION_NOT_TOLD),
            elongation_sigma: header.number(ELONGATION_CARD).unwrap_or(ELONGATION_SIGMA_NOT_TOLD),
            beta: header.number(BETA_CARD).map_or(BETA_NOT_TOLD, |beta| (beta, BETA_SIGMA)),
            frame: SkyFrame { centre_px: (stack.centre_x_px, stack.centre_y_px), arcsec_per_px: stack.arcsec_per_px },
            zero_point_mag: record.zero_point.as_ref().map(|z| z.stack_zero_point_mag),
            image,
        })
    }

    /// The stack as it is drawn.
    pub fn picture(&self) -> SkyPicture<'_> {
        SkyPicture {
            image: &self.image,
            mask: &self.mask,
            centre_x_px: self.frame.centre_px.0,
            centre_y_px: self.frame.centre_px.1,
            arcsec_per_px: self.frame.arcsec_per_px,
            zero_point_mag: self.zero_point_mag,
        }
    }

    /// The stack.
    pub fn image(&self) -> &Image {
        &self.image
    }

    /// What of it is no measurement.
    pub fn mask(&self) -> &Mask {
        &self.mask
    }

    /// Its scale.
    pub fn arcsec_per_px(&self) -> f64 {
        self.frame.scale_arcsec()
    }

    /// Hands the night to `compared` as nights are held against each other; `None` where its record lacks what that needs.
    pub fn for_change<T>(&self, record: &NightRecord, compared: impl FnOnce(NightForChange) -> T) -> Option<T> {
        let psf = record.morphology.psf.as_ref()?;
        let scale = self.frame.scale_arcsec();
        let substacks: Vec<(&Image, f64)> = self.substacks.iter().map(|(i, s)| (i, *s)).collect();
        let (sky_sigma, sky_per_px) = self.sky_per_px(record);
        Some(compared(NightForChange {
            image: &self.image,
            variance: &self.variance,
            mask: &self.compared,
            correlation: self.correlation,
            star_variance: self.star_variance.as_ref(),
            substacks: &substacks,
            frame: self.frame,
            km_per_arcsec: record.geometry.km_per_arcsec,
            centre_sigma_px: record.morphology.optocentre_err_arcsec? / scale,
            fwhm_arcsec: psf.fwhm_arcsec,
            // the mean of two axes is known at least as well as their ratio
            fwhm_sigma: self.elongation_sigma,
            beta: self.beta.0,
            beta_sigma: self.beta.1,
            elongation: psf.elongation,
            elongation_pa_deg: psf.pa_deg,
            elongation_sigma: self.elongation_sigma,
            sky_sigma,
            sky_per_px,
        }))
    }
}

impl Stacks {
    /// Hands the night to `sought` as evidence is sought in it, as near as its products allow; `None` where its record lacks what that needs.
    ///
    /// The products have the whole kernel's size and shape, not the frames' kernels one by one: an elliptical Moffat function stands for their mean.
    /// What the night's own search left out for stars is left out; what stars too faint to be found leave is not among the products, nor what
    /// may be left of single bright ones, and is told by the stack's own scatter alone.
    pub fn for_evidence<T>(&self, record: &NightRecord, sought: impl FnOnce(&StackForEvidence) -> T) -> Option<T> {
        let psf = record.morphology.psf.as_ref()?;
        let centre_sigma_px = record.morphology.optocentre_err_arcsec? / self.frame.scale_arcsec();
        let fwhm_px = psf.fwhm_arcsec / self.frame.scale_arcsec();
        let (dx, dy) = self.frame.step_px(1.0, psf.pa_deg.to_radians());
        let axes = psf.elongation.max(1.0).sqrt();
        let seeing = Moffat {
            fwhm_major_px: fwhm_px * axes,
            fwhm_minor_px: fwhm_px / axes,
            angle_rad: dy.atan2(dx),
            beta: self.beta.0,
        };
        let kernel = [KernelPart { seeing, paths_px: [(0.0, 0.0); 2], weight: 1.0 }];
        let substacks: Vec<(&Image, f64)> = self.substacks.iter().map(|(i, s)| (i, *s)).collect();
        let (sky_sigma, sky_per_px) = self.sky_per_px(record);
        Some(sought(&StackForEvidence {
            image: &self.image,
            variance: &self.variance,
            mask: &self.compared,
            correlation: self.correlation,
            frame: self.frame,
            centre_sigma_px,
            kernel: &kernel,
            fwhm_px,
            elongation_sigma: self.elongation_sigma,
            substacks: &substacks,
            halves: &[],
            sky_sigma,
            star_variance: self.star_variance.as_ref(),
            unseen_stars: UnseenStars::default(),
            star_leftovers: &[],
            star_track: &[],
            sky_per_px,
            difference: None,
        }))
    }

    /// Error of the sky that was taken off, and that sky, per pixel.
    fn sky_per_px(&self, record: &NightRecord) -> (f64, f64) {
        let area = self.frame.scale_arcsec().powi(2);
        let mut skies: Vec<f64> =
            record.frames.iter().filter(|f| f.used).filter_map(|f| f.sky_e_per_s_arcsec2).collect();
        let sky = fanlight_image::robust::median_f64(&mut skies).unwrap_or(0.0);
        (record.stack.residual_sky_err_e_per_s_arcsec2 * area, sky * area)
    }
}

/// A stack that another night's record stands beside would be measured as that night.
fn check_night(header: &Header, record: &NightRecord, path: &Path) -> Result<(), Failure> {
    let same = header.text("DATE-AVG").is_some_and(|d| d.trim_end_matches('Z') == record.mid_utc.trim_end_matches('Z'));
    if same {
        return Ok(());
    }
    Err(Failure::data(format!(
        "{}: is not of the night of {} that the record beside it tells of",
        path.display(),
        record.mid_utc
    ))
    .hint("measure the night again with fanlight night"))
}

fn substacks(folder: &Path, record: &NightRecord, size: (usize, usize)) -> Result<Vec<(Image, f64)>, Failure> {
    let mut parts = Vec::new();
    for (i, part) in record.stack.substacks.iter().enumerate() {
        parts.extend(finished::substack(folder, i, size)?.map(|image| (image, part.share)));
    }
    Ok(parts)
}
