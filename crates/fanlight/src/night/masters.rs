//! Master bias, dark and flat of the night.

use super::combine::combine_files;
use super::frame_pixels::FramePixels;
use super::notes::Notes;
use crate::Failure;
use crate::night::inputs::{Applied, Inputs};
use fanlight_coma::calibrate::{self, DarkLevel, Masters};
use fanlight_image::{Image, PixelBox};
use fanlight_io::FrameFile;
use std::path::Path;

/// Makes the masters that the frames allow, for the part of the detector that the night uses, and says what is missing;
/// calibration frames that are not used leave the night's lists.
///
/// # Errors
/// When the scratch file cannot be written, or a master holds no light where it should.
pub fn make(
    inputs: &mut Inputs,
    (pixels, area): (&FramePixels, PixelBox),
    scratch: &Path,
    notes: &mut Notes,
) -> Result<Masters, Failure> {
    let part = (pixels, area);
    let exposure_s = inputs.lights[0].exposure_s;
    let as_is = |_: &FrameFile, image: Image| Ok(image);
    let bias = combine_files(&mut inputs.biases, part, scratch, "master bias", notes, as_is)?;
    let (offset, dark_adu_per_s) = match bias {
        Some(bias) => {
            let dark_s = keep_one_exposure(&mut inputs.darks, exposure_s);
            let dark = combine_files(&mut inputs.darks, part, scratch, "master dark", notes, as_is)?.zip(dark_s);
            let of_darks = (!are_without_offset(&inputs.darks)).then_some(&bias);
            let rate = dark.map(|(dark, dark_s)| dark_rate(&dark, of_darks, dark_s));
            if rate.is_none() {
                notes.warn("There are no dark frames: dark current stays in the sky level.");
            }
            (Some(bias), rate.transpose()?)
        }
        None => from_darks(inputs, part, scratch, notes)?,
    };
    let flat_dark = match inputs.flats.is_empty() {
        true => None,
        false => combine_files(&mut inputs.flat_darks, part, scratch, "master flat dark", notes, as_is)?,
    };
    let prepare = |file: &FrameFile, mut flat: Image| {
        if Applied::of(&file.header).offset {
            return calibrate::normalise_flat(flat);
        }
        if let Some(dark) = &flat_dark {
            flat.data.iter_mut().zip(&dark.data).for_each(|(v, d)| *v -= d);
        } else if let Some(offset) = &offset {
            flat.data.iter_mut().zip(&offset.data).for_each(|(v, o)| *v -= o);
            if let Some((rate, t)) = dark_adu_per_s.as_ref().zip(file.exposure_s) {
                flat.data.iter_mut().zip(&rate.data).for_each(|(v, r)| *v -= r * t as f32);
            }
        }
        calibrate::normalise_flat(flat)
    };
    let flat = combine_files(&mut inputs.flats, part, scratch, "master flat", notes, prepare)?
        .map(calibrate::normalise_flat)
        .transpose()
        .map_err(Failure::data)?;
    if flat.is_none() && !inputs.applied.flat {
        notes.warn("There are no flat frames of the night's filter: the response was taken to be even.");
    }
    let dark_like = dark_adu_per_s.as_ref().or(if inputs.darks.is_empty() { None } else { offset.as_ref() });
    let defects = calibrate::defects(dark_like, flat.as_ref());
    // what another program took off the lights served for the flats alone
    let offset = offset.filter(|_| !inputs.is_foreign);
    let dark_adu_per_s = dark_adu_per_s.filter(|_| !inputs.is_foreign || !inputs.applied.dark);
    Ok(Masters { corner_px: (area.x0, area.y0), offset, dark_adu_per_s, flat, defects })
}

/// Whether another program has taken the offset off all the darks, as their `CALSTAT` says.
fn are_without_offset(darks: &[FrameFile]) -> bool {
    !darks.is_empty() && darks.iter().all(|d| Applied::of(&d.header).offset)
}

/// The rate of a master dark over its offset; `None` where the offset was taken off before.
fn dark_rate(dark: &Image, offset: Option<&Image>, dark_s: f64) -> Result<Image, Failure> {
    let nothing = || Image::filled(dark.width, dark.height, 0.0);
    let rate = match offset {
        Some(offset) => calibrate::dark_rate(dark, offset, dark_s),
        None => calibrate::dark_rate(dark, &nothing(), dark_s),
    };
    rate.map_err(Failure::data)
}

/// Offset and dark rate without biases: of darks of several exposures the straight line through every pixel's counts; of
/// darks of one exposure these as they are; without any, the flats' darks, the shortest there are.
fn from_darks(
    inputs: &mut Inputs,
    part: (&FramePixels, PixelBox),
    scratch: &Path,
    notes: &mut Notes,
) -> Result<(Option<Image>, Option<Image>), Failure> {
    let exposure_s = inputs.lights[0].exposure_s;
    let as_is = |_: &FrameFile, image: Image| Ok(image);
    if are_without_offset(&inputs.darks) {
        let dark_s = keep_one_exposure(&mut inputs.darks, exposure_s);
        let dark = combine_files(&mut inputs.darks, part, scratch, "master dark", notes, as_is)?.zip(dark_s);
        if let Some((dark, dark_s)) = dark {
            if !inputs.is_foreign && inputs.readout.overscan().is_none() {
                notes.warn(
                    "There are no bias frames, and CALSTAT says that the darks have theirs taken off: the camera's offset stays \
                     in the sky level, and the flat cannot be applied to it rightly.",
                );
            }
            return Ok((None, Some(dark_rate(&dark, None, dark_s)?)));
        }
    }
    let groups = by_exposure(&inputs.darks);
    if groups.len() > 1 {
        let mut levels = Vec::new();
        let mut used = Vec::new();
        for (dark_s, mut files) in groups {
            if let Some(image) = combine_files(&mut files, part, scratch, "master dark", notes, as_is)? {
                levels.push(DarkLevel { exposure_s: dark_s, n_frames: files.len(), image });
                used.extend(files);
            }
        }
        inputs.darks = used;
        if let Some((offset, rate)) = calibrate::offset_and_rate(&levels).map_err(Failure::data)? {
            let times: Vec<String> = levels.iter().map(|l| l.exposure_s.to_string()).collect();
            notes.push(format!(
                "There are no bias frames: offset and dark current were found from darks of {} s, pixel by pixel.",
                times.join(", ")
            ));
            return Ok((Some(offset), Some(rate)));
        }
    }
    let dark_s = keep_one_exposure(&mut inputs.darks, exposure_s);
    if let Some((dark, dark_s)) =
        combine_files(&mut inputs.darks, part, scratch, "master dark", notes, as_is)?.zip(dark_s)
    {
        if (dark_s - exposure_s).abs() > 0.05 * exposure_s {
            notes.warn(format!(
                "There are no bias frames, and the darks of {dark_s} s do not match the lights of {exposure_s} s: the darks \
                 were taken off as they are."
            ));
        }
        return Ok((Some(dark), None));
    }
    if let Some(dark) = combine_files(&mut inputs.flat_darks, part, scratch, "master flat dark", notes, as_is)? {
        notes.warn(
            "There are no bias and no dark frames but the flats': these were taken off the lights too, and dark current \
             stays in the sky level.",
        );
        return Ok((Some(dark), None));
    }
    if !inputs.is_foreign {
        let offset = match inputs.readout.overscan() {
            Some(_) => "The overscan was the only offset taken off.",
            None => {
                "The camera's offset stays in the sky level, the flat cannot be applied to it rightly, and the errors take it \
                 for light."
            }
        };
        notes.warn(format!("There are no bias and no dark frames. {offset}"));
    }
    Ok((None, None))
}

/// Darks in groups of one exposure, the shortest first.
fn by_exposure(darks: &[FrameFile]) -> Vec<(f64, Vec<FrameFile>)> {
    let mut known: Vec<(f64, &FrameFile)> =
        darks.iter().filter_map(|d| Some((d.exposure_s.filter(|t| *t > 0.0)?, d))).collect();
    known.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.name.cmp(&b.1.name)));
    let mut groups: Vec<(f64, Vec<FrameFile>)> = Vec::new();
    for (exposure_s, file) in known {
        match groups.last_mut().filter(|(t, _)| exposure_s <= 1.02 * t) {
            Some((_, files)) => files.push(file.clone()),
            None => groups.push((exposure_s, vec![file.clone()])),
        }
    }
    groups
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
