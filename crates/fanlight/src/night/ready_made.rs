//! A ready-made stack instead of frames: read as one light frame that is calibrated already, its noise from its own pixels.

use super::first_pass::FirstLook;
use super::inputs::{self, Applied, Inputs, LeftOut, Light};
use super::notes::Notes;
use super::solve::Solver;
use super::stack_noise::{self, StackNoise};
use crate::Failure;
use fanlight_coma::calibrate::Detector;
use fanlight_coma::register;
use fanlight_coma::zero_point::{FrameFluxes, FrameZeroPoint, NightZeroPoint};
use fanlight_image::moffat::ShapeFit;
use fanlight_image::{Image, Measured, robust, smooth};
use fanlight_io::campaign::Tracking;
use fanlight_io::{Campaign, FrameSet, SkippedKind};
use fanlight_sky::{PixelXy, Wcs};
use std::path::Path;

/// The stack as the only light of a set of frames.
///
/// # Errors
/// When the file holds no image that can be read.
pub fn frame_set(path: &Path) -> Result<FrameSet, Failure> {
    let file = fanlight_io::stack_file(path).map_err(|s| {
        let message = format!("{}: {}", s.file, s.reason);
        match s.kind {
            SkippedKind::NoFrame => Failure::call(message).hint("give a folder of frames, or a stack in a FITS file"),
            SkippedKind::Unreadable(_) => Failure::data(message),
        }
    })?;
    Ok(FrameSet { lights: vec![file], ..FrameSet::default() })
}

impl Inputs {
    /// Takes the light for a stack that is calibrated already, and says what it cannot tell.
    pub fn take_as_stack(&mut self, notes: &mut Notes) {
        self.is_stack = true;
        self.applied = Applied { offset: true, dark: true, flat: true };
        self.is_foreign = true;
        notes.warn(
            "One ready-made stack was measured instead of frames: it was taken to be calibrated, and to be registered on the \
             comet unless its stars are round. There are no sub-stacks to see whether structure repeats, no places or weights \
             per frame, and no rejection of satellites, cosmic rays or bad frames but what the stack's maker did.",
        );
    }

    /// Gives a stack that could not be solved the campaign's pixel scale and the user's orientation, its brightest condensation
    /// taken for the comet.
    ///
    /// # Errors
    /// When either is not given, or nothing stands out in the middle of the image.
    pub fn place_by_hand(
        &mut self,
        y_axis_pa_deg: Option<f64>,
        solver: &Solver,
        notes: &mut Notes,
    ) -> Result<(), Failure> {
        let failure = inputs::nothing_left(&self.left_out).hint(NOT_PLACED);
        let (Some(pa_deg), Some(scale_arcsec)) = (y_axis_pa_deg, solver.stated_scales_arcsec.first()) else {
            return Err(failure);
        };
        let Some(LeftOut { file, mid: Some(mid), .. }) = self.left_out.pop() else { return Err(failure) };
        let image = fanlight_io::read_image(&file.path).map_err(Failure::data)?.image;
        let at = brightest_condensation(&image, *scale_arcsec).ok_or(failure)?;
        let place = solver.expected.place(mid).map_err(Failure::data)?;
        let (sin, cos) = pa_deg.to_radians().sin_cos();
        let per_px = scale_arcsec / 3600.0;
        let cd = [[-cos * per_px, sin * per_px], [sin * per_px, cos * per_px]];
        let wcs = Wcs::tangent(place, at, cd).map_err(Failure::data)?;
        let exposure_s = file.exposure_s.unwrap_or(1.0);
        self.lights.push(Light { file, mid, exposure_s, wcs });
        self.is_placed_by_hand = true;
        notes.warn(format!(
            "The stack could not be solved. Its scale, {scale_arcsec}″ per pixel, and the position angle of its y axis, {pa_deg}°, \
             were taken as given, east counter-clockwise from north; the brightest condensation in its middle half was taken for \
             the comet. The comet's place was not measured."
        ));
        Ok(())
    }
}

const NOT_PLACED: &str = "a ready-made stack must say how large its pixels are and where north is: by a WCS in its header, by \
    round stars that match the catalogue, or by camera.pixel_scale_arcsec in the campaign file and --north-pa; the stars of a \
    stack on the comet are trailed: solve one of its frames and copy the WCS cards";

/// The brightest peak in the middle half of an image, smoothed as a coma's is sought.
fn brightest_condensation(image: &Image, scale_arcsec: f64) -> Option<PixelXy> {
    const SMOOTHED_ARCSEC: f64 = 2.2;
    let smoothed = smooth::gaussian(image, (SMOOTHED_ARCSEC / scale_arcsec).max(1.2));
    let (width, height) = (image.width as f64, image.height as f64);
    let peaks = register::peaks_near(&smoothed, 0.5 * width, 0.5 * height, 0.25 * width.min(height));
    peaks.first().map(|(x_px, y_px)| PixelXy { x_px: *x_px, y_px: *y_px })
}

/// Electrons that stand for the noise of a sky pixel where nobody knows the stack's gain: as in sixty exposures of a
/// thousand electrons of sky each. It only says by how much bright pixels are noisier than the sky.
const NOISE_E: f64 = 250.0;
/// The stack's gain, and its noise: electrons where `BUNIT` says so, else from the noise of its pixels.
///
/// # Errors
/// When its pixels cannot be read or show no noise.
pub fn detector(inputs: &Inputs, notes: &mut Notes) -> Result<(Detector, StackNoise), Failure> {
    let light = &inputs.lights[0];
    let about = |e: String| Failure::data(format!("{}: {e}", light.file.name));
    let image = fanlight_io::read_image(&light.file.path).map_err(Failure::data)?.image;
    let (sky, noise) = sky_and_noise(&image).ok_or_else(|| about("its pixels show no noise".to_owned()))?;
    let stack_noise = StackNoise::of(&light.file.path, image, noise, notes);
    let unit = light.file.header.text("BUNIT").unwrap_or_default().to_lowercase();
    let is_electrons = ["electron", "e-", "e/"].iter().any(|e| unit.starts_with(e));
    let gain_e_per_adu = match (is_electrons, per_second(&unit)) {
        (true, true) => light.exposure_s,
        (true, false) => 1.0,
        // more would be the sky's photons alone
        (false, _) => (NOISE_E / noise).max(sky.max(0.0) / (noise * noise)),
    };
    if stack_noise.has_variance() {
        // the file says how large its errors are
    } else if is_electrons {
        notes.warn("The errors rest on the noise of the stack's own sky pixels and on the photons that it counts.");
    } else {
        notes.warn(format!(
            "The stack's gain is not known: its sky pixels' noise was taken for {NOISE_E} electrons, so sky levels and zero points \
             are in arbitrary units, and errors rest on that noise."
        ));
    }
    let (sky_e, noise_e) = (sky.max(0.0) * gain_e_per_adu, noise * gain_e_per_adu);
    let read_noise_e = (noise_e * noise_e - sky_e).max(0.0).sqrt();
    // what is saturated in one frame is not in a mean of many; fitted stars that are do not fit
    let detector = Detector { gain_e_per_adu, read_noise_e, saturation_adu: f64::from(f32::MAX) };
    Ok((detector, stack_noise))
}

/// Stars that are trailed by less than this are round: the elongation of guiding errors.
const ROUND: f64 = 1.4;
/// Catalogue stars that have to be measured for the stars to be there at all.
const MIN_STARS: usize = 3;

/// Whether a stack shows stars, and round ones.
pub fn are_round(shape: Option<&ShapeFit>) -> bool {
    shape.is_some_and(|s| s.trail.is_none() && s.shape.elongation() < ROUND)
}

/// What the stack was registered on: the stars where they are round, else the comet. What is left of stars that the stack's
/// maker took out tells neither seeing nor brightness and is forgotten.
pub fn registered_on(look: &mut FirstLook, has_catalogue: bool, notes: &mut Notes) -> Tracking {
    if has_catalogue && look.fluxes.stars.len() < MIN_STARS {
        look.shape = None;
        look.fluxes = FrameFluxes::default();
    }
    if !are_round(look.shape.as_ref()) {
        return Tracking::Comet;
    }
    notes.warn(
        "The stack's stars are round: it was taken to be registered on them, and the comet to be smeared by its motion \
         during the exposure time in the header. Where outliers were rejected, the comet's brightest part went with them, and \
         small apertures are too faint.",
    );
    Tracking::Stars
}

fn per_second(unit: &str) -> bool {
    ["/s", "s-1", "s^-1", "s**-1"].iter().any(|e| unit.replace(' ', "").contains(e))
}

/// Level of the sky and noise of its pixels, in the file's unit.
fn sky_and_noise(image: &Image) -> Option<(f64, f64)> {
    let noise = stack_noise::pixel_variance(image)?.sqrt();
    let mut values: Vec<f32> = image.data.iter().step_by(7).copied().filter(|v| v.is_finite()).collect();
    let sky = f64::from(robust::median(&mut values)?);
    (noise > 0.0).then_some((sky, noise))
}

/// The zero point that the stack's header states, where its stars give none: `MAGZERO`, the magnitude of 1 `BUNIT`, with
/// `MAGZERR` and `MAGBAND`.
pub fn stated_zero_point(
    inputs: &Inputs,
    detector: &Detector,
    campaign: &Campaign,
    n_looks: usize,
    notes: &mut Notes,
) -> Option<NightZeroPoint> {
    let light = &inputs.lights[0];
    let header = &light.file.header;
    let stated = header.number("MAGZERO")?;
    let band = header.text("MAGBAND");
    if let (Some(of_header), Some(wanted)) = (&band, &campaign.photometry.band)
        && of_header != wanted
    {
        notes.warn(format!(
            "MAGZERO of the stack is for band {of_header}, the campaign's is {wanted}: it was not used."
        ));
        return None;
    }
    let err = header.number("MAGZERR").filter(|e| *e >= 0.0);
    notes.warn(format!(
        "The stack's stars gave no zero point: the one that its header states was taken, MAGZERO = {stated:.3}{}.",
        err.map_or(" without an error; 0.1 mag were assumed".to_owned(), |e| format!(" ± {e:.3}"))
    ));
    let sigma = err.unwrap_or(0.1);
    // 1 e⁻/s, in the file's unit
    let unit = light.exposure_s / detector.gain_e_per_adu;
    let value = stated - 2.5 * unit.log10();
    let frame = FrameZeroPoint { zero_point_mag: Measured::new(value, 0.0), n_stars: 0 };
    Some(NightZeroPoint {
        frames: vec![Some(frame); n_looks],
        colour_term: None,
        common_sigma_mag: sigma,
        stars: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_per_second_by_many_names() {
        for (unit, is) in
            [("electron/s", true), ("adu s-1", true), ("e- s^-1", true), ("adu", false), ("electrons", false)]
        {
            assert_eq!(per_second(unit), is, "{unit}");
        }
    }

    #[test]
    fn noise_is_that_of_the_pixels() {
        let own = stack_noise::tests::noise(200, 200, 5);
        let image = Image { data: own.data.iter().map(|v| 506.0 + 3.5 * v).collect(), ..own };
        let (sky, noise) = sky_and_noise(&image).unwrap();
        assert!((sky - 506.0).abs() < 0.2, "{sky}");
        // 1100 differences give a width to 4 %
        assert!((noise / 3.5 - 1.0).abs() < 0.08, "{noise}");
        assert_eq!(sky_and_noise(&Image::filled(50, 50, 3.0)), None);
    }
}
