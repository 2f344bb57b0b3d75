//! Master bias, dark and flat of the night.

use super::combine::combine_files;
use crate::Failure;
use crate::night::inputs::Inputs;
use fanlight_coma::calibrate::{self, Masters};
use fanlight_image::Image;
use fanlight_io::FrameFile;
use std::path::Path;

/// Makes the masters that the frames allow and says what is missing.
///
/// # Errors
/// When a calibration frame cannot be read back or the scratch file cannot be written.
pub fn make(inputs: &Inputs, scratch: &Path, notes: &mut Vec<String>) -> Result<Masters, Failure> {
    let exposure_s = inputs.lights[0].exposure_s;
    let bias = if inputs.biases.is_empty() {
        None
    } else {
        combine_files(&inputs.biases, inputs.size, scratch, "master bias", notes, Ok)?
    };
    let (offset, dark_adu_per_s) = match (bias, darks_of(&inputs.darks, exposure_s)) {
        (Some(bias), Some((darks, dark_s))) => {
            let rate = combine_files(&darks, inputs.size, scratch, "master dark", notes, Ok)?
                .map(|dark| calibrate::dark_rate(&dark, &bias, dark_s))
                .transpose()
                .map_err(Failure::data)?;
            (Some(bias), rate)
        }
        (Some(bias), None) => {
            notes.push("There are no dark frames: dark current stays in the sky level.".into());
            (Some(bias), None)
        }
        (None, Some((darks, dark_s))) => {
            if (dark_s - exposure_s).abs() > 0.05 * exposure_s {
                notes.push(format!(
                    "There are no bias frames, and the darks of {dark_s} s do not match the lights of {exposure_s} s: \
                     the darks were taken off as they are."
                ));
            }
            (combine_files(&darks, inputs.size, scratch, "master dark", notes, Ok)?, None)
        }
        (None, None) => {
            notes.push(
                "There are no bias and no dark frames: the camera's offset stays in the sky level, and the errors take \
                 it for light."
                    .into(),
            );
            (None, None)
        }
    };
    let flat = if inputs.flats.is_empty() {
        notes.push("There are no flat frames of the night's filter: the response was taken to be even.".into());
        None
    } else {
        let prepare = |mut flat: Image| {
            if let Some(offset) = &offset {
                flat.data.iter_mut().zip(&offset.data).for_each(|(v, o)| *v -= o);
            }
            calibrate::normalise_flat(flat)
        };
        combine_files(&inputs.flats, inputs.size, scratch, "master flat", notes, prepare)?
            .map(calibrate::normalise_flat)
            .transpose()
            .map_err(Failure::data)?
    };
    let dark_like = dark_adu_per_s.as_ref().or(if inputs.darks.is_empty() { None } else { offset.as_ref() });
    let defects = calibrate::defects(dark_like, flat.as_ref());
    Ok(Masters { offset, dark_adu_per_s, flat, defects })
}

/// The darks of one exposure: that of the lights, or else the longest.
fn darks_of(darks: &[FrameFile], exposure_s: f64) -> Option<(Vec<FrameFile>, f64)> {
    let times: Vec<f64> = darks.iter().filter_map(|d| d.exposure_s).filter(|t| *t > 0.0).collect();
    let longest = times.iter().copied().fold(f64::NAN, f64::max);
    let near = |t: f64, to: f64| (t - to).abs() <= 0.02 * to;
    let chosen = if times.iter().any(|t| near(*t, exposure_s)) { exposure_s } else { longest };
    let kept: Vec<FrameFile> =
        darks.iter().filter(|d| d.exposure_s.is_some_and(|t| near(t, chosen))).cloned().collect();
    (!kept.is_empty()).then_some((kept, chosen))
}
