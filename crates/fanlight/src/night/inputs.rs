//! Which frames belong to the night, and what its camera is.

use crate::Failure;
use fanlight_coma::calibrate::Detector;
use fanlight_io::{Campaign, FrameFile, FrameSet, Header};
use fanlight_sky::{UtcInstant, Wcs};
use std::collections::BTreeMap;

/// A light frame that can be used, as far as its header says.
#[derive(Debug, Clone)]
pub struct Light {
    /// The file.
    pub file: FrameFile,
    /// Middle of the exposure.
    pub mid: UtcInstant,
    /// Exposure time.
    pub exposure_s: f64,
    /// The header's WCS.
    pub wcs: Wcs,
}

/// A light frame that is left out, and why.
#[derive(Debug, Clone)]
pub struct LeftOut {
    /// The file, where it could be read at all.
    pub file: FrameFile,
    /// Middle of the exposure, where known.
    pub mid: Option<UtcInstant>,
    /// One sentence.
    pub reason: String,
}

/// The night's frames, sorted out.
#[derive(Debug)]
pub struct Inputs {
    /// Usable lights in order of time.
    pub lights: Vec<Light>,
    /// Lights left out.
    pub left_out: Vec<LeftOut>,
    /// Biases, darks and flats of the lights' size; flats of the night's filter only.
    pub biases: Vec<FrameFile>,
    /// See `biases`.
    pub darks: Vec<FrameFile>,
    /// See `biases`.
    pub flats: Vec<FrameFile>,
    /// Filter as the headers spell it.
    pub filter: Option<String>,
    /// Size of the frames.
    pub size: (usize, usize),
    /// Sentences for the record.
    pub notes: Vec<String>,
}

/// Sorts the frames found: one size, one filter, each light with time, exposure and WCS.
///
/// # Errors
/// When no light frame is left.
pub fn sort_out(found: FrameSet, campaign: &Campaign) -> Result<Inputs, Failure> {
    let mut notes: Vec<String> =
        found.skipped.iter().map(|s| format!("{} was not used: {}.", s.file, s.reason)).collect();
    if found.lights.is_empty() {
        let calibration = found.biases.len() + found.darks.len() + found.flats.len();
        let mut message = format!("no light frame found ({calibration} calibration frames)");
        for s in found.skipped.iter().take(5) {
            message.push_str(&format!("\n  {}: {}", s.file, s.reason));
        }
        return Err(Failure::data(message)
            .hint("light frames are FITS files with IMAGETYP 'Light Frame' anywhere under the folder"));
    }
    let filter = night_filter(&found.lights, campaign, &mut notes)?;
    let of_filter = |f: &FrameFile| f.filter == filter;
    let size = most_common(found.lights.iter().filter(|f| of_filter(f)).map(|f| (f.width, f.height)))
        .unwrap_or((found.lights[0].width, found.lights[0].height));

    let mut lights = Vec::new();
    let mut left_out = Vec::new();
    for file in found.lights {
        match usable(&file, &filter, size) {
            Ok((light, warnings)) => {
                for w in warnings {
                    let note = format!("{}: {w}.", file.name);
                    if !notes.contains(&note) {
                        notes.push(note);
                    }
                }
                lights.push(light);
            }
            Err(reason) => left_out.push(LeftOut { mid: middle(&file).ok(), file, reason }),
        }
    }
    if lights.is_empty() {
        let mut message = format!("none of {} light frames can be used", left_out.len());
        for f in left_out.iter().take(5) {
            message.push_str(&format!("\n  {}: {}", f.file.name, f.reason));
        }
        return Err(Failure::data(message));
    }
    lights.sort_by(|a, b| a.mid.jd().total_cmp(&b.mid.jd()).then_with(|| a.file.name.cmp(&b.file.name)));

    let mut fitting = |frames: Vec<FrameFile>, what: &str| -> Vec<FrameFile> {
        let fits = |f: &FrameFile| (f.width, f.height) == size;
        for f in frames.iter().filter(|f| !fits(f)) {
            notes.push(format!(
                "{} was not used as a {what} frame: it is {} x {} px, the lights are {} x {} px.",
                f.name, f.width, f.height, size.0, size.1
            ));
        }
        frames.into_iter().filter(fits).collect()
    };
    let biases = fitting(found.biases, "bias");
    let darks = fitting(found.darks, "dark");
    let flats = fitting(found.flats, "flat").into_iter().filter(|f| f.filter == filter).collect();
    Ok(Inputs { lights, left_out, biases, darks, flats, filter, size, notes })
}

fn usable(file: &FrameFile, filter: &Option<String>, size: (usize, usize)) -> Result<(Light, Vec<String>), String> {
    if file.filter != *filter {
        let name = |f: &Option<String>| f.clone().unwrap_or_else(|| "none named".into());
        return Err(format!("filter {}, the night is measured in {}", name(&file.filter), name(filter)));
    }
    if (file.width, file.height) != size {
        return Err(format!("{} x {} px, the others are {} x {} px", file.width, file.height, size.0, size.1));
    }
    let exposure_s = file.exposure_s.ok_or_else(|| match file.notes.as_slice() {
        [] => "no EXPTIME in the header".to_string(),
        notes => notes.join("; "),
    })?;
    let mid = middle(file)?;
    if !(exposure_s.is_finite() && exposure_s > 0.0) {
        return Err(format!("EXPTIME is {exposure_s}, which is no exposure"));
    }
    match Wcs::from_header(&file.header) {
        Ok(Some((wcs, mut warnings))) => {
            warnings.extend(file.notes.iter().cloned());
            Ok((Light { file: file.clone(), mid, exposure_s, wcs }, warnings))
        }
        Ok(None) => Err("no WCS in the header (CTYPE1, CRVAL1, CD1_1 and so on): solve the frame first".into()),
        Err(e) => Err(format!("WCS: {e}")),
    }
}

fn middle(file: &FrameFile) -> Result<UtcInstant, String> {
    match &file.start_problem {
        Some(problem) => Err(problem.clone()),
        None => file.mid().ok_or_else(|| "no DATE-OBS in the header".to_string()),
    }
}

/// The filter that the campaign's band names; without a band, the one most frames were taken through.
fn night_filter(lights: &[FrameFile], campaign: &Campaign, notes: &mut Vec<String>) -> Result<Option<String>, Failure> {
    let Some(band) = campaign.photometry.band.as_deref() else {
        return Ok(most_common(lights.iter().map(|f| f.filter.clone())).flatten());
    };
    let is_band = |f: &&FrameFile| f.filter.as_deref().is_some_and(|name| campaign.band_of_filter(name) == band);
    if let Some(filter) = most_common(lights.iter().filter(is_band).map(|f| f.filter.clone())) {
        return Ok(filter);
    }
    // a name such as "Sloan r" says its band in one of its words
    let says_band = |name: &str| name.split(|c: char| !c.is_alphanumeric()).any(|word| word == band);
    let unmapped = |name: &str| !campaign.photometry.filters.contains_key(name);
    let names_band = |f: &&FrameFile| f.filter.as_deref().is_some_and(|name| unmapped(name) && says_band(name));
    if let Some(filter) = most_common(lights.iter().filter(names_band).map(|f| f.filter.clone())) {
        let name = filter.as_deref().unwrap_or_default();
        notes.push(format!("Filter \"{name}\" was taken to be in band {band}; [photometry.filters] does not name it."));
        return Ok(filter);
    }
    if lights.iter().all(|f| f.filter.is_none()) {
        notes.push(format!("The frames name no filter; they are taken to be in band {}.", band));
        return Ok(None);
    }
    let mut names: Vec<String> = lights.iter().filter_map(|f| f.filter.clone()).collect();
    names.sort();
    names.dedup();
    let names: Vec<String> = names.into_iter().map(|n| format!("\"{n}\"")).collect();
    Err(Failure::data(format!(
        "no light frame was taken in band \"{band}\": the headers' FILTER says {}",
        names.join(", ")
    ))
    .hint(format!("add a line to [photometry.filters] of the campaign file, such as {} = \"{band}\"", names[0])))
}

/// The value that occurs most often; of equally frequent ones the first in order.
fn most_common<T: Ord>(values: impl Iterator<Item = T>) -> Option<T> {
    let mut counts: BTreeMap<T, usize> = BTreeMap::new();
    for v in values {
        *counts.entry(v).or_default() += 1;
    }
    let most = counts.values().copied().max()?;
    counts.into_iter().find(|(_, n)| *n == most).map(|(v, _)| v)
}

/// Gain, read noise and saturation: the campaign file wins over the header.
///
/// # Errors
/// When neither gives the gain.
pub fn detector(campaign: &Campaign, header: &Header, notes: &mut Vec<String>) -> Result<Detector, Failure> {
    let camera = &campaign.camera;
    let gain_e_per_adu = camera.gain_e_per_adu.or_else(|| header.egain_e_per_adu()).ok_or_else(|| {
        Failure::data("the camera's gain is not known: no EGAIN in the headers and no camera.gain_e_per_adu")
            .hint("set gain_e_per_adu under [camera] in the campaign file, in electrons per count")
    })?;
    let read_noise_e = camera.read_noise_e.or_else(|| header.read_noise_e()).unwrap_or_else(|| {
        notes.push(format!(
            "The read noise is not known; {DEFAULT_READ_NOISE_E} electrons were assumed, which only enters the errors."
        ));
        DEFAULT_READ_NOISE_E
    });
    let saturation_adu = camera.saturation_adu.or_else(|| header.saturation_adu()).unwrap_or_else(|| {
        notes.push(format!("The saturation level is not known; {DEFAULT_SATURATION_ADU} counts were assumed."));
        DEFAULT_SATURATION_ADU
    });
    let detector = Detector { gain_e_per_adu, read_noise_e, saturation_adu };
    detector.validate().map_err(|e| Failure::data(format!("camera: {e}")))?;
    Ok(detector)
}

/// Common practice for a camera that states none.
const DEFAULT_READ_NOISE_E: f64 = 5.0;
/// Just under the top of 16 bits.
const DEFAULT_SATURATION_ADU: f64 = 64_000.0;
