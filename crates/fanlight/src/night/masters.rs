//! Master bias, dark and flat of the night.

use super::combine::combine_files;
use crate::Failure;
use crate::night::inputs::Inputs;
use fanlight_coma::calibrate::{self, Masters};
use fanlight_image::{Image, PixelBox};
use fanlight_io::FrameFile;
use std::path::Path;

/// Makes the masters that the frames allow, for the part of the detector that the night uses, and says what is missing;
/// calibration frames that are not used leave the night's lists.
///
/// # Errors
/// When the scratch file cannot be written, or a master holds no light where it should.
pub fn make(inputs: &mut Inputs, area: PixelBox, scratch: &Path, notes: &mut Vec<String>) -> Result<Masters, Failure> {
    let exposure_s = inputs.lights[0].exposure_s;
    let bias = combine_files(&mut inputs.biases, area, scratch, "master bias", notes, Ok)?;
    let dark_s = keep_one_exposure(&mut inputs.darks, exposure_s);
    let dark = combine_files(&mut inputs.darks, area, scratch, "master dark", notes, Ok)?.zip(dark_s);
    let (offset, dark_adu_per_s) = match (bias, dark) {
        (Some(bias), Some((dark, dark_s))) => {
            let rate = calibrate::dark_rate(&dark, &bias, dark_s).map_err(Failure::data)?;
            (Some(bias), Some(rate))
        }
        (Some(bias), None) => {
            notes.push("There are no dark frames: dark current stays in the sky level.".into());
            (Some(bias), None)
        }
        (None, Some((dark, dark_s))) => {
            if (dark_s - exposure_s).abs() > 0.05 * exposure_s {
                notes.push(format!(
                    "There are no bias frames, and the darks of {dark_s} s do not match the lights of {exposure_s} s: \
                     the darks were taken off as they are."
                ));
            }
            (Some(dark), None)
        }
        (None, None) => {
            notes.push(
                "There are no bias and no dark frames: the camera's offset stays in the sky level, the flat cannot be \
                 applied to it rightly, and the errors take it for light."
                    .into(),
            );
            (None, None)
        }
    };
    let prepare = |mut flat: Image| {
        if let Some(offset) = &offset {
            flat.data.iter_mut().zip(&offset.data).for_each(|(v, o)| *v -= o);
        }
        calibrate::normalise_flat(flat)
    };
    let flat = combine_files(&mut inputs.flats, area, scratch, "master flat", notes, prepare)?
        .map(calibrate::normalise_flat)
        .transpose()
        .map_err(Failure::data)?;
    if flat.is_none() {
        notes.push("There are no flat frames of the night's filter: the response was taken to be even.".into());
    }
    let dark_like = dark_adu_per_s.as_ref().or(if inputs.darks.is_empty() { None } else { offset.as_ref() });
    let defects = calibrate::defects(dark_like, flat.as_ref());
    Ok(Masters { corner_px: (area.x0, area.y0), offset, dark_adu_per_s, flat, defects })
}

/// Keeps the darks of one exposure, that of the lights or else the longest, and says which.
fn keep_one_exposure(darks: &mut Vec<FrameFile>, exposure_s: f64) -> Option<f64> {
    let times: Vec<f64> = darks.iter().filter_map(|d| d.exposure_s).filter(|t| *t > 0.0).collect();
    let near = |t: f64, to: f64| (t - to).abs() <= 0.02 * to;
    let longest = times.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let chosen = if times.iter().any(|t| near(*t, exposure_s)) { exposure_s } else { longest };
    darks.retain(|d| d.exposure_s.is_some_and(|t| near(t, chosen)));
    (!darks.is_empty()).then_some(chosen)
}
