//! Which frames belong to the night, and what its camera is.

use super::frame_pixels;
use super::notes::Notes;
use super::select::{self, Choice};
use crate::Failure;
use fanlight_coma::readout::{Channel, Readout};
use fanlight_io::{Campaign, FrameFile, FrameKind, FrameSet, Header, Skipped, SkippedKind, same_filter};
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

/// So many lights, evenly from the first to the last; of fewer lights, each once. `n` is 2 or more, `lights` not empty.
pub fn spread(lights: &[Light], n: usize) -> Vec<&Light> {
    let mut chosen: Vec<&Light> = (0..n).map(|i| &lights[i * (lights.len() - 1) / (n - 1)]).collect();
    chosen.dedup_by(|a, b| a.file.path == b.file.path);
    chosen
}

/// A light frame without a WCS in its header.
#[derive(Debug, Clone)]
pub struct Unsolved {
    /// The file.
    pub file: FrameFile,
    /// Middle of the exposure.
    pub mid: UtcInstant,
    /// Exposure time.
    pub exposure_s: f64,
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
    /// Lights that only lack a WCS.
    pub unsolved: Vec<Unsolved>,
    /// Lights left out.
    pub left_out: Vec<LeftOut>,
    /// Lights that could not be read at all, and frames whose kind nobody can read.
    pub unreadable: Vec<Skipped>,
    /// Biases, darks and flats of the lights' size; flats of the night's filter only.
    pub biases: Vec<FrameFile>,
    /// See `biases`.
    pub darks: Vec<FrameFile>,
    /// See `biases`.
    pub flat_darks: Vec<FrameFile>,
    /// See `biases`.
    pub flats: Vec<FrameFile>,
    /// Filter as the headers spell it.
    pub filter: Option<String>,
    /// Size of the images that the frames give.
    pub size: (usize, usize),
    /// How the frames are stored.
    pub readout: Readout,
    /// What another program has done to the lights already, by their headers.
    pub applied: Applied,
    /// Whether another program has taken the offset off the lights, by their headers or their pixels.
    pub is_foreign: bool,
    /// Whether the only light is a ready-made stack.
    pub is_stack: bool,
    /// Whether nobody knows where on the sky the light is: its scale and orientation are the user's.
    pub is_placed_by_hand: bool,
    /// Sentences for the record.
    pub notes: Notes,
}

/// Sorts the frames found: one object, one night, one size and binning, one filter, each light with time, exposure and
/// WCS.
///
/// # Errors
/// When no light frame is left, or an option names nothing.
pub fn sort_out(mut found: FrameSet, campaign: &Campaign, choice: &Choice) -> Result<Inputs, Failure> {
    let mut notes = Notes::default();
    let unreadable = unreadable_lights(&found.skipped, &mut notes);
    if found.lights.is_empty() {
        let calibration = found.biases.len() + found.darks.len() + found.flats.len();
        let mut message = format!("no light frame found ({calibration} calibration frames)");
        for s in found.skipped.iter().take(5) {
            message.push_str(&format!("\n  {}: {}", s.file, s.reason));
        }
        return Err(Failure::data(message)
            .hint("light frames are FITS files with IMAGETYP 'Light Frame' anywhere under the folder"));
    }
    let mut left_out = select::select(&mut found, campaign, choice, &mut notes)?;
    if found.lights.is_empty() {
        return Err(nothing_left(&left_out));
    }
    let filter = night_filter(&found.lights, campaign, &mut notes)?;
    let of_filter = |f: &FrameFile| has_filter(f, &filter);
    let format_of = |f: &FrameFile| Format {
        size: (f.width, f.height),
        binning: binning(&f.header),
        applied: Applied::of(&f.header),
    };
    let format = most_common(found.lights.iter().filter(|f| of_filter(f)).map(format_of))
        .unwrap_or_else(|| format_of(&found.lights[0]));
    let first = found.lights.iter().find(|f| of_filter(f) && format_of(f) == format).unwrap_or(&found.lights[0]);
    let readout = frame_pixels::readout_of(&first.header, campaign, format.size)
        .map_err(|e| Failure::data(format!("{}: {e}", first.name)))?;
    let wanted = Wanted { filter: &filter, format, readout: &readout, campaign };
    say_how_stored(&readout, campaign, &mut notes);

    let (mut lights, mut unsolved) = (Vec::new(), Vec::new());
    let mut warned: Vec<(String, Vec<String>)> = Vec::new();
    for file in found.lights {
        match usable(file.clone(), &wanted) {
            Ok((light, warnings)) => {
                warnings.into_iter().for_each(|w| warn(&mut warned, w, &file.name));
                match light {
                    Usable::Placed(light) => lights.push(light),
                    Usable::Unplaced(light) => unsolved.push(light),
                }
            }
            Err(reason) => left_out.push(LeftOut { mid: middle(&file).ok(), file, reason }),
        }
    }
    if lights.is_empty() && unsolved.is_empty() {
        return Err(nothing_left(&left_out));
    }
    unsolved.sort_by(|a, b| a.mid.jd().total_cmp(&b.mid.jd()).then_with(|| a.file.name.cmp(&b.file.name)));

    let mut fitting = |frames: Vec<FrameFile>, what: &str| -> Vec<FrameFile> {
        let mut fit = Vec::new();
        for f in frames {
            if (f.width, f.height) != format.size && (f.width, f.height) != readout.without_overscan().stored_px() {
                notes.warn(format!(
                    "{} was not used as a {what} frame: it is {} x {} px, the lights are {} x {} px.",
                    f.name, f.width, f.height, format.size.0, format.size.1
                ));
            } else if let Some(reason) = other_binning(binning(&f.header), format.binning) {
                notes.warn(format!("{} was not used as a {what} frame: {reason}.", f.name));
            } else {
                f.notes.iter().for_each(|w| warn(&mut warned, w.clone(), &f.name));
                fit.push(f);
            }
        }
        fit
    };
    let mut biases = fitting(found.biases, "bias");
    let mut darks = fitting(found.darks, "dark");
    let mut flat_darks = fitting(found.flat_darks, "flat dark");
    let mut flats: Vec<FrameFile> = fitting(found.flats, "flat");
    flats.retain(|f| has_filter(f, &filter));
    keep_uncalibrated(&mut biases, "bias", |done| done == Applied::default(), &mut notes);
    keep_uncalibrated(&mut darks, "dark", |done| !done.dark && !done.flat, &mut notes);
    keep_uncalibrated(&mut flat_darks, "flat dark", |done| done == Applied::default(), &mut notes);
    keep_uncalibrated(&mut flats, "flat", |done| !done.flat, &mut notes);
    // raw darks are worth more than those whose bias somebody else took off; darks of both kinds cannot be combined
    if darks.iter().any(|f| !Applied::of(&f.header).offset) {
        keep_uncalibrated(&mut darks, "dark", |done| !done.offset, &mut notes);
    }
    let applied = format.applied;
    if applied != Applied::default() {
        notes.push(format!(
            "CALSTAT says that another program has calibrated the lights ({}); that was not done again.",
            applied.in_words()
        ));
        // what is left of the calibration frames serves the flats, which may be raw
        if applied.flat {
            [&mut biases, &mut darks, &mut flat_darks, &mut flats].into_iter().for_each(Vec::clear);
        }
    }
    for (warning, names) in warned {
        notes.warn(match names.as_slice() {
            [one] => format!("{one}: {warning}."),
            [one, others @ ..] => format!("{one} and {} more: {warning}.", others.len()),
            [] => warning,
        });
    }
    let size = readout.size_px();
    let mut inputs = Inputs {
        lights,
        unsolved,
        left_out,
        unreadable,
        biases,
        darks,
        flat_darks,
        flats,
        filter,
        size,
        readout,
        applied,
        is_foreign: applied.offset,
        is_stack: false,
        is_placed_by_hand: false,
        notes,
    };
    inputs.sort_lights();
    Ok(inputs)
}

/// What a light has to be.
struct Wanted<'a> {
    filter: &'a Option<String>,
    format: Format,
    readout: &'a Readout,
    campaign: &'a Campaign,
}

fn say_how_stored(readout: &Readout, campaign: &Campaign, notes: &mut Notes) {
    if readout.overscan().is_some() {
        notes.push(
            "The overscan (BIASSEC) of every frame was taken off it, one level per row smoothed over 51 rows where it lies \
             beside the picture, and cut away."
                .into(),
        );
    }
    if readout.step() == 2 {
        let channel = match frame_pixels::channel(campaign) {
            Channel::Red => "the red pixel",
            Channel::Green => "the mean of the two green pixels",
            Channel::Blue => "the blue pixel",
        };
        notes.push(format!(
            "The frames are a colour camera's: every cell of 2 x 2 pixels gave one, {channel}; nothing was interpolated."
        ));
    }
}

/// Leaves out the calibration frames of a kind that another program has calibrated in a way that is not `allowed`.
fn keep_uncalibrated(frames: &mut Vec<FrameFile>, what: &str, allowed: impl Fn(Applied) -> bool, notes: &mut Notes) {
    let is_allowed = |f: &FrameFile| allowed(Applied::of(&f.header));
    let refused: Vec<&FrameFile> = frames.iter().filter(|f| !is_allowed(f)).collect();
    if let Some(first) = refused.first() {
        let more = if refused.len() > 1 { format!(" and {} more", refused.len() - 1) } else { String::new() };
        notes.warn(format!(
            "{}{more} not used as {what} frames: CALSTAT is \"{}\", another program has calibrated them.",
            first.name,
            first.header.text("CALSTAT").unwrap_or_default()
        ));
    }
    frames.retain(|f| is_allowed(f));
}

/// What has to agree between frames that are combined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Format {
    size: (usize, usize),
    /// As the header says it.
    binning: Option<(i64, i64)>,
    applied: Applied,
}

/// `XBINNING` and `YBINNING`.
fn binning(header: &Header) -> Option<(i64, i64)> {
    let x = header.integer("XBINNING")?;
    Some((x, header.integer("YBINNING").unwrap_or(x)))
}

/// Why a frame's binning is not that of the lights; frames that say nothing of it pass.
fn other_binning(found: Option<(i64, i64)>, lights: Option<(i64, i64)>) -> Option<String> {
    let (found, lights) = (found?, lights?);
    (found != lights).then(|| {
        format!("it is binned {} x {} (XBINNING, YBINNING), the lights {} x {}", found.0, found.1, lights.0, lights.1)
    })
}

/// Adds a file to those that share a warning.
fn warn(warned: &mut Vec<(String, Vec<String>)>, warning: String, file: &str) {
    match warned.iter_mut().find(|(w, _)| *w == warning) {
        Some((_, files)) => files.push(file.to_owned()),
        None => warned.push((warning, vec![file.to_owned()])),
    }
}

/// Files that are lights as far as anybody can tell, but cannot be read; notes on the other files that were skipped.
fn unreadable_lights(skipped: &[Skipped], notes: &mut Notes) -> Vec<Skipped> {
    let mut lights = Vec::new();
    for s in skipped {
        match s.kind {
            SkippedKind::NoFrame => notes.push(format!("{} was not used: {}.", s.file, s.reason)),
            // most frames are lights
            SkippedKind::Unreadable(None | Some(FrameKind::Light)) => lights.push(s.clone()),
            SkippedKind::Unreadable(Some(_)) => {
                notes.warn(format!("The calibration frame {} was not used: {}.", s.file, s.reason));
            }
        }
    }
    lights
}

/// Why there is nothing to measure.
pub fn nothing_left(left_out: &[LeftOut]) -> Failure {
    let mut message = format!("none of {} light frames can be used", left_out.len());
    for f in left_out.iter().take(5) {
        message.push_str(&format!("\n  {}: {}", f.file.name, f.reason));
    }
    Failure::data(message)
}

/// Whether a frame was taken through the filter, however its header spells it.
fn has_filter(file: &FrameFile, filter: &Option<String>) -> bool {
    match (&file.filter, filter) {
        (Some(a), Some(b)) => same_filter(a, b),
        (a, b) => a == b,
    }
}

/// A light with or without a WCS.
enum Usable {
    Placed(Light),
    Unplaced(Unsolved),
}

fn usable(mut file: FrameFile, wanted: &Wanted) -> Result<(Usable, Vec<String>), String> {
    let (filter, Format { size, binning: binned, applied }) = (wanted.filter, wanted.format);
    if !has_filter(&file, filter) {
        let name = |f: &Option<String>| f.clone().unwrap_or_else(|| "none named".into());
        return Err(format!("filter {}, the night is measured in {}", name(&file.filter), name(filter)));
    }
    if (file.width, file.height) != size {
        return Err(format!("{} x {} px, the others are {} x {} px", file.width, file.height, size.0, size.1));
    }
    if let Some(reason) = other_binning(binning(&file.header), binned) {
        return Err(reason);
    }
    if Applied::of(&file.header) != applied {
        let said = file.header.text("CALSTAT").unwrap_or_default();
        return Err(format!("CALSTAT is \"{said}\", which is not that of the other frames"));
    }
    if frame_pixels::readout_of(&file.header, wanted.campaign, size)? != *wanted.readout {
        return Err("TRIMSEC, BIASSEC or BAYERPAT are not those of the other frames".into());
    }
    (file.width, file.height) = wanted.readout.size_px();
    let exposure_s = file.exposure_s.ok_or_else(|| match file.notes.as_slice() {
        [] => "no EXPTIME in the header".to_string(),
        notes => notes.join("; "),
    })?;
    let mid = middle(&file)?;
    if !(exposure_s.is_finite() && exposure_s > 0.0) {
        return Err(format!("EXPTIME is {exposure_s}, which is no exposure"));
    }
    match Wcs::from_header(&file.header) {
        Ok(Some((wcs, mut warnings))) => {
            warnings.extend(file.notes.iter().cloned());
            let wcs = frame_pixels::wcs_of(&wcs, wanted.readout);
            Ok((Usable::Placed(Light { file, mid, exposure_s, wcs }), warnings))
        }
        Ok(None) => {
            let warnings = file.notes.clone();
            Ok((Usable::Unplaced(Unsolved { file, mid, exposure_s }), warnings))
        }
        Err(e) => Err(format!("WCS: {e}")),
    }
}

/// Middle of a frame's exposure.
///
/// # Errors
/// Why it is not known.
pub fn middle(file: &FrameFile) -> Result<UtcInstant, String> {
    match &file.start_problem {
        Some(problem) => Err(problem.clone()),
        None => file.mid().ok_or_else(|| "no DATE-OBS in the header".to_string()),
    }
}

/// The filter that the campaign's band names; without a band, the one most frames were taken through.
fn night_filter(lights: &[FrameFile], campaign: &Campaign, notes: &mut Notes) -> Result<Option<String>, Failure> {
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
        notes.warn(format!("The frames name no filter; they are taken to be in band {}.", band));
        return Ok(None);
    }
    // what a colour camera measures is said by its channel; the filter before it lets all through
    if lights.iter().all(|f| frame_pixels::is_colour(&f.header, campaign)) {
        let filter = most_common(lights.iter().map(|f| f.filter.clone())).flatten();
        notes.push(format!("The colour camera's channel was taken to be in band {band}."));
        return Ok(filter);
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

impl Inputs {
    /// Mid-times of the lights that can be used by their headers, with and without coordinates.
    pub fn mids(&self) -> impl Iterator<Item = UtcInstant> {
        self.lights.iter().map(|l| l.mid).chain(self.unsolved.iter().map(|l| l.mid))
    }

    /// Exposure-weighted mean of the mid-times of the lights that can be used by their headers.
    pub fn mean_mid(&self) -> UtcInstant {
        let unsolved = self.unsolved.iter().map(|l| (l.mid, l.exposure_s));
        let all: Vec<(UtcInstant, f64)> = self.lights.iter().map(|l| (l.mid, l.exposure_s)).chain(unsolved).collect();
        let total: f64 = all.iter().map(|(_, s)| s).sum();
        let first = all[0].0;
        first.plus_seconds(all.iter().map(|(mid, s)| s * mid.seconds_since(&first)).sum::<f64>() / total)
    }
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

/// What another program has done to a frame already, as `CALSTAT` says it: B for the bias, D for the dark, F for the flat.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Applied {
    /// The offset was taken off, with the bias or with a dark that holds it.
    pub offset: bool,
    /// The dark was taken off.
    pub dark: bool,
    /// The flat was divided out.
    pub flat: bool,
}

impl Applied {
    /// What a header says.
    pub fn of(header: &Header) -> Self {
        let said = header.text("CALSTAT").unwrap_or_default().to_uppercase();
        // "BDF", or words such as "bias,dark,flat": the first letters of each
        let has = |letter: char| match said.contains(|c: char| !c.is_alphabetic()) || said.len() > 4 {
            true => said.split(|c: char| !c.is_alphabetic()).any(|w| w.starts_with(letter)),
            false => said.contains(letter),
        };
        Self { offset: has('B') || has('D'), dark: has('D'), flat: has('F') }
    }

    /// Its names in words.
    fn in_words(&self) -> String {
        let named = [(self.offset, "bias"), (self.dark, "dark"), (self.flat, "flat")];
        named.iter().filter(|(done, _)| *done).map(|(_, name)| *name).collect::<Vec<_>>().join(", ")
    }
}

impl Inputs {
    /// Headers of the lights, those without a WCS among them.
    pub fn light_headers(&self) -> impl Iterator<Item = &Header> {
        self.lights.iter().map(|l| &l.file.header).chain(self.unsolved.iter().map(|l| &l.file.header))
    }

    /// Middle of the first light's exposure, with or without a WCS.
    pub fn first_mid(&self) -> UtcInstant {
        let mids = self.lights.iter().map(|l| l.mid).chain(self.unsolved.iter().map(|l| l.mid));
        mids.min_by(|a, b| a.jd().total_cmp(&b.jd())).unwrap_or_else(|| UtcInstant::from_jd(0.0))
    }

    /// Puts the lights in order of time.
    pub fn sort_lights(&mut self) {
        self.lights.sort_by(|a, b| a.mid.jd().total_cmp(&b.mid.jd()).then_with(|| a.file.name.cmp(&b.file.name)));
    }

    /// Where the header does not say it and the folder has no bias and no dark: lights have been calibrated when their pixels
    /// are what no camera stores, negative or broken numbers of counts.
    pub fn look_for_foreign_calibration(&mut self, notes: &mut Vec<String>) {
        if self.is_foreign || !(self.biases.is_empty() && self.darks.is_empty() && self.flat_darks.is_empty()) {
            return;
        }
        let light = &self.lights[self.lights.len() / 2].file;
        let Ok(sample) = fanlight_io::read_image(&light.path).map(|f| f.image) else { return };
        let share = |is: fn(&f32) -> bool| {
            let n = sample.data.iter().filter(|v| v.is_finite()).count().max(1);
            sample.data.iter().filter(|v| v.is_finite() && is(v)).count() as f64 / n as f64
        };
        let what = if share(|v| *v < 0.0) > 0.01 {
            "many are negative"
        } else if share(|v| v.fract() != 0.0) > 0.5 {
            "they are no whole numbers"
        } else {
            return;
        };
        self.is_foreign = true;
        notes.push(format!(
            "The lights' pixels are not a camera's counts, {what}, and there are no bias and no dark frames: they were taken to \
             have been calibrated by another program, and no offset was taken off."
        ));
    }
}
