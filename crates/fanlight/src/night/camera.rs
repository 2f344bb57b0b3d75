//! The night's camera: gain, read noise and saturation, from the campaign, the headers and the frames themselves.

use super::frame_pixels::{self, FramePixels, stored_size};
use super::inputs::Inputs;
use super::notes::Notes;
use crate::Failure;
use fanlight_coma::calibrate::Detector;
use fanlight_coma::gain::{self, PhotonTransfer};
use fanlight_coma::readout::Channel;
use fanlight_image::{Image, PixelBox, robust};
use fanlight_io::{Campaign, FrameFile, Header};
use rayon::prelude::*;

/// Pixel scales that the images may have, the likeliest first: the campaign file's, else the header's. Stated for the
/// detector's pixels, they are those of the images that are made of them.
pub fn stated_scales_arcsec(campaign: &Campaign, inputs: &Inputs) -> Vec<f64> {
    let stored = match campaign.camera.pixel_scale_arcsec {
        Some(scale) => vec![scale],
        None => inputs.light_headers().next().map_or_else(Vec::new, Header::pixel_scales_arcsec),
    };
    stored.into_iter().map(|scale| scale * inputs.readout.step() as f64).collect()
}

/// Gain, read noise and saturation per stored pixel. The campaign file wins over the header; what neither says is measured
/// from pairs of flats and biases where there are such; a stated gain is checked against that.
///
/// # Errors
/// When nothing gives the gain.
pub fn detector(campaign: &Campaign, inputs: &Inputs, notes: &mut Notes) -> Result<Detector, Failure> {
    let camera = &campaign.camera;
    let header = &inputs.lights[0].file.header;
    refuse_wrong_pattern(campaign, inputs)?;
    let measured = measured(inputs);
    let stated = camera.gain_e_per_adu.map(|g| ("camera.gain_e_per_adu", g));
    let stated = stated.or_else(|| header.egain_e_per_adu().map(|g| ("EGAIN", g)));
    let gain_e_per_adu = match (stated, measured) {
        (Some((source, gain)), measured) => {
            if let Some(m) = measured.filter(|m| !agrees(gain, m)) {
                notes.warn(format!(
                    "{source} gives {gain} e⁻ per count, but the noise of flats and biases {:.3} ± {:.3}: the errors, \
                     which rest on the first, may be wrong.",
                    m.gain_e_per_adu.value, m.gain_e_per_adu.sigma
                ));
            }
            gain
        }
        (None, Some(m)) => gain_from_noise(header, &m, notes),
        (None, None) => return Err(unknown_gain(header)),
    };
    let stated = camera.read_noise_e.or_else(|| header.read_noise_e());
    let read_noise_e = match (stated, measured) {
        (Some(noise), _) => noise,
        (None, Some(m)) => {
            let noise = m.read_noise_e;
            notes.push(format!(
                "The read noise was measured from pairs of biases: {:.2} ± {:.2} electrons.",
                noise.value, noise.sigma
            ));
            noise.value
        }
        (None, None) => {
            notes.warn(format!(
                "The read noise is not known; {DEFAULT_READ_NOISE_E} electrons were assumed, which only enters the errors."
            ));
            DEFAULT_READ_NOISE_E
        }
    };
    let step = steps_of(inputs);
    if let Some(step) = step {
        notes.push(format!(
            "All counts are multiples of {step}: the converter's {} bits stand in the upper part of 16.",
            16 - step.ilog2()
        ));
    }
    let saturation_adu = match camera.saturation_adu.or_else(|| header.saturation_adu()) {
        Some(level) => level,
        None => saturation(inputs, step, notes),
    };
    let mut detector = Detector { gain_e_per_adu, read_noise_e, saturation_adu };
    detector.validate().map_err(|e| Failure::data(format!("camera: {e}")))?;
    if inputs.is_foreign {
        detector.read_noise_e = noise_without_sky(inputs, &detector, notes);
    }
    Ok(detector)
}

/// Common practice for a camera that states none.
const DEFAULT_READ_NOISE_E: f64 = 5.0;
/// Just under the top of 16 bits.
const DEFAULT_SATURATION_ADU: f64 = 64_000.0;
/// A stated gain may differ from the measured one by this share before it is doubted, and by three sigmas.
const GAIN_TOLERANCE: f64 = 0.1;

fn agrees(gain: f64, measured: &PhotonTransfer) -> bool {
    let m = measured.gain_e_per_adu;
    (gain - m.value).abs() <= (3.0 * m.sigma).max(GAIN_TOLERANCE * m.value)
}

/// `GAIN` where the noise bears it out, else what the noise says.
fn gain_from_noise(header: &Header, measured: &PhotonTransfer, notes: &mut Notes) -> f64 {
    let m = measured.gain_e_per_adu;
    match header.gain_as_written() {
        Some(gain) if agrees(gain, measured) => {
            notes.push(format!(
                "GAIN, {gain}, was taken for electrons per count: the noise of flats and biases gives {:.3} ± {:.3}.",
                m.value, m.sigma
            ));
            gain
        }
        written => {
            let setting = written.map_or_else(String::new, |g| format!(" GAIN, {g}, is a setting of the camera."));
            notes.push(format!(
                "The gain was measured from the noise of pairs of flats and biases (Janesick 2001): {:.3} ± {:.3} electrons \
                 per count.{setting}",
                m.value, m.sigma
            ));
            m.value
        }
    }
}

fn unknown_gain(header: &Header) -> Failure {
    let written = header
        .gain_as_written()
        .map_or_else(String::new, |g| format!(" (GAIN is {g}, which in many files is a setting of the camera)"));
    Failure::data(format!(
        "the camera's gain is not known: no EGAIN in the headers{written}, no camera.gain_e_per_adu, and no two flats and two \
         biases to measure it from"
    ))
    .hint("set gain_e_per_adu under [camera] in the campaign file, in electrons per count")
}

/// Side of the middle part of a frame that the camera is judged by.
const SAMPLE_PX: usize = 384;
/// Pairs of frames used; more would not improve what a few give to a per cent.
const MOST_PAIRS: usize = 3;

/// Gain and read noise per stored pixel from pairs of flats and pairs of biases, without biases of the shortest darks.
fn measured(inputs: &Inputs) -> Option<PhotonTransfer> {
    let shortest = |darks: &[FrameFile]| -> Vec<FrameFile> {
        let least = darks.iter().filter_map(|d| d.exposure_s).fold(f64::INFINITY, f64::min);
        darks.iter().filter(|d| d.exposure_s.is_some_and(|t| t <= least * 1.02)).cloned().collect()
    };
    let offsets = match (inputs.biases.len(), inputs.flat_darks.len()) {
        (2.., _) => inputs.biases.clone(),
        (_, 2..) => shortest(&inputs.flat_darks),
        _ => shortest(&inputs.darks),
    };
    let pixels = FramePixels { readout: inputs.readout.clone(), saturation_adu: f64::INFINITY };
    let area = middle(inputs.size);
    let pairs = |files: &[FrameFile]| -> Vec<(Image, Image)> {
        let read = |f: &FrameFile| pixels.calibration(f, area).ok();
        let first = &files[..files.len().min(2 * MOST_PAIRS)];
        first.par_chunks_exact(2).filter_map(|p| Some((read(&p[0])?, read(&p[1])?))).collect()
    };
    if inputs.flats.len() < 2 || offsets.len() < 2 {
        return None;
    }
    let found = gain::photon_transfer(&pairs(&inputs.flats), &pairs(&offsets))?;
    // the image counts the electrons of all the pixels that it averages
    let n = inputs.readout.pixels_averaged() as f64;
    let scaled = |m: fanlight_image::Measured, by: f64| fanlight_image::Measured::new(m.value / by, m.sigma / by);
    Some(PhotonTransfer {
        gain_e_per_adu: scaled(found.gain_e_per_adu, n),
        read_noise_e: scaled(found.read_noise_e, n.sqrt()),
    })
}

fn middle(size: (usize, usize)) -> PixelBox {
    let cut = |n: usize| {
        let side = n.min(SAMPLE_PX);
        ((n - side) / 2, (n - side) / 2 + side)
    };
    let ((x0, x1), (y0, y1)) = (cut(size.0), cut(size.1));
    PixelBox { x0, y0, x1, y1 }
}

/// Pixels of the middle of a frame as they are stored.
fn stored_sample(file: &FrameFile) -> Option<Image> {
    fanlight_io::read_image_part(&file.path, middle(stored_size(&file.header)?)).ok()
}

/// The step between counts where a converter of fewer than 16 bits fills the upper ones.
fn steps_of(inputs: &Inputs) -> Option<u32> {
    let file = &inputs.lights[inputs.lights.len() / 2].file;
    if file.header.integer("BITPIX") != Some(16) {
        return None;
    }
    let sample = stored_sample(file)?;
    let fits = |step: u32| sample.data.iter().all(|v| *v >= 0.0 && (*v as u32).is_multiple_of(step));
    let differs = sample.data.iter().any(|v| *v != sample.data[0]);
    [64, 16, 4].into_iter().find(|step| differs && fits(*step))
}

/// Refuses a colour pattern that a flat (without flats: a light) contradicts: the two green pixels of a cell see the same
/// light, a red and a blue one do not.
fn refuse_wrong_pattern(campaign: &Campaign, inputs: &Inputs) -> Result<(), Failure> {
    const LEAST_DIFFERENCE: f64 = 0.05;
    let file = inputs.flats.first().unwrap_or(&inputs.lights[0].file);
    let light = &inputs.lights[0].file.header;
    let height = stored_size(light).map_or(0, |s| s.1);
    let pattern = frame_pixels::pattern_of(light, campaign, height).map_err(Failure::data)?;
    let (Some(pattern), Some(size)) = (pattern, stored_size(&file.header)) else { return Ok(()) };
    let area = middle(size);
    let Ok(sample) = fanlight_io::read_image_part(&file.path, area) else { return Ok(()) };
    let mut values: [[Vec<f32>; 2]; 2] = Default::default();
    for (i, v) in sample.data.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        let (x, y) = (area.x0 + i % sample.width, area.y0 + i / sample.width);
        values[y % 2][x % 2].push(*v);
    }
    let [mut green, mut others] = [Vec::new(), Vec::new()];
    for (row, colours) in values.iter_mut().zip(pattern) {
        for (cell, colour) in row.iter_mut().zip(colours) {
            let Some(level) = robust::median(cell) else { return Ok(()) };
            if colour == Channel::Green { green.push(f64::from(level)) } else { others.push(f64::from(level)) }
        }
    }
    let apart = |levels: &[f64]| (levels[0] - levels[1]).abs() / (0.5 * (levels[0] + levels[1])).abs().max(1e-9);
    let (of_green, of_others) = (apart(&green), apart(&others));
    if of_green > LEAST_DIFFERENCE && of_others < 0.2 * of_green {
        return Err(Failure::data(format!(
            "{}: the two pixels that BAYERPAT (with ROWORDER) calls green differ by {:.0} %, the other two by {:.1} %: the \
             pattern is that of other rows",
            file.name,
            100.0 * of_green,
            100.0 * of_others
        ))
        .hint("set colour_pattern under [camera] in the campaign file: the four colours of the file's first cell"));
    }
    Ok(())
}

/// Where a camera saturates that does not say it: by the pixels that pile up at the highest count, else by the fewest bits
/// that hold the highest count.
fn saturation(inputs: &Inputs, step: Option<u32>, notes: &mut Notes) -> f64 {
    const LINEAR_SHARE: f64 = 0.98;
    let lights = &inputs.lights;
    let is_whole = |f: &FrameFile| f.header.integer("BITPIX") == Some(16);
    if let Some(step) = step {
        return LINEAR_SHARE * f64::from(65_536 - step);
    }
    if !is_whole(&lights[0].file) {
        notes.warn(format!("The saturation level is not known; {DEFAULT_SATURATION_ADU} counts were assumed."));
        return DEFAULT_SATURATION_ADU;
    }
    let mut chosen = vec![0, lights.len() / 2, lights.len() - 1];
    chosen.dedup();
    let (mut highest, mut at_highest) = (0.0f32, 0usize);
    for image in chosen.iter().filter_map(|i| fanlight_io::read_image(&lights[*i].file.path).ok()) {
        for v in &image.image.data {
            match v.partial_cmp(&highest) {
                Some(std::cmp::Ordering::Greater) => (highest, at_highest) = (*v, 1),
                Some(std::cmp::Ordering::Equal) => at_highest += 1,
                _ => {}
            }
        }
    }
    // chance puts two or three pixels of millions at one highest count, not ten
    const PILED_UP: usize = 10;
    let full = match highest {
        h if at_highest >= PILED_UP => f64::from(h),
        h if h <= 4_095.0 => 4_095.0,
        h if h <= 16_383.0 => 16_383.0,
        _ => DEFAULT_SATURATION_ADU / LINEAR_SHARE,
    };
    let level = (LINEAR_SHARE * full).round();
    let reason = match at_highest >= PILED_UP {
        true => format!("{at_highest} pixels pile up at {highest}"),
        false => format!("the highest of three lights is {highest}"),
    };
    notes.warn(format!("The saturation level is not known; {level} counts were assumed: {reason}."));
    level
}

/// The noise of a light whose sky level another program has changed, so that counts no longer tell it: what is over the
/// noise of the light that is left stands for the read noise.
fn noise_without_sky(inputs: &Inputs, detector: &Detector, notes: &mut Notes) -> f64 {
    let light = &inputs.lights[inputs.lights.len() / 2];
    let Some(sample) = stored_sample(&light.file) else { return detector.read_noise_e };
    let mut differences: Vec<f32> = (0..sample.height)
        .flat_map(|y| sample.row(y).windows(2).map(|w| w[1] - w[0]).collect::<Vec<_>>())
        .filter(|d| d.is_finite())
        .collect();
    let noise_e = robust::mad_sigma(&mut differences).map_or(0.0, f64::from) / 2f64.sqrt() * detector.gain_e_per_adu;
    let mut values: Vec<f32> = sample.data.iter().copied().filter(|v| v.is_finite()).collect();
    let sky_e = robust::median(&mut values).map_or(0.0, f64::from).max(0.0) * detector.gain_e_per_adu;
    let expected = sky_e + detector.read_noise_e.powi(2);
    if noise_e * noise_e <= 1.1 * expected {
        return detector.read_noise_e;
    }
    let read_noise_e = (noise_e * noise_e - sky_e).sqrt();
    notes.push(format!(
        "The lights are noisier than their counts tell, as frames are whose sky was taken off: {read_noise_e:.1} electrons of \
         noise were added to every pixel's."
    ));
    read_noise_e
}
