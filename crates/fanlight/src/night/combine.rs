//! Frames spooled to a scratch file and combined row by row: memory does not grow with their number.

use super::excess::{Excess, hide, tracks_in};
use super::first_pass::frames_at_once;
use super::frame_pixels::FramePixels;
use super::notes::Notes;
use crate::{Failure, messages};
use fanlight_coma::ComaError;
use fanlight_image::combine::{self, CombineConfig, RowOut, RowSamples};
use fanlight_image::tracks::Track;
use fanlight_image::{Image, Mask, PixelBox, flag};
use fanlight_io::{FrameFile, IoError, Spool, SpoolRows};
use rayon::prelude::*;
use std::path::Path;

/// One frame on a stack's grid: values and their variances, `NaN` where there is no trusted pixel.
pub struct Layers {
    /// Row-major values.
    pub values: Vec<f32>,
    /// Row-major variances.
    pub variances: Vec<f32>,
}

/// How one spooled frame enters a stack.
#[derive(Debug, Clone, Copy)]
pub struct Share {
    /// Index in the spool.
    pub index: usize,
    /// Factor that brings it to the stack's zero point.
    pub scale: f32,
    /// Weight.
    pub weight: f32,
    /// Sub-stack it belongs to.
    pub group: usize,
}

/// A combined stack.
pub struct Stacked {
    /// Robust weighted mean.
    pub image: Image,
    /// Its variance, pixel by pixel.
    pub variance: Image,
    /// Pixels without any good sample.
    pub mask: Mask,
    /// Samples used per pixel.
    pub n_used: Vec<u16>,
    /// Sub-stacks from the same samples.
    pub substacks: Vec<Image>,
}

/// Rows combined at a time: 60 frames of 2048 px and 16 rows take 16 MB. A multiple of the squares of [`Excess`].
const ROWS_AT_ONCE: usize = 16;

/// Frames to combine.
pub struct Job<'a> {
    /// The frames.
    pub spool: &'a Spool,
    /// How each enters.
    pub shares: &'a [Share],
    /// Columns and rows.
    pub size: (usize, usize),
    /// Sub-stacks.
    pub n_groups: usize,
    /// What is an outlier.
    pub config: CombineConfig,
}

impl Job<'_> {
    /// Combines the frames.
    ///
    /// # Errors
    /// When the scratch file cannot be read back.
    pub fn run(&self) -> Result<Stacked, Failure> {
        self.pass(&[], &mut [])
    }

    /// Combines the frames, looks for the tracks of satellites in what each frame has over the combination, and where there
    /// are any combines again without them; the comet stands at `comet_px`. Returns each share's tracks too.
    ///
    /// # Errors
    /// When the scratch file cannot be read back.
    pub fn run_without_tracks(&self, comet_px: (f64, f64)) -> Result<(Stacked, Vec<Vec<Track>>), Failure> {
        let mut excess: Vec<Excess> = self.shares.iter().map(|_| Excess::new(self.size)).collect();
        let stacked = self.pass(&[], &mut excess)?;
        let tracks = excess
            .par_iter()
            .zip(self.shares)
            .map(|(excess, share)| tracks_in(excess, comet_px, || self.residual(share, &stacked.image)))
            .collect::<Result<Vec<_>, _>>()
            .map_err(scratch_failure)?;
        if tracks.iter().all(Vec::is_empty) {
            return Ok((stacked, tracks));
        }
        Ok((self.pass(&tracks, &mut [])?, tracks))
    }

    /// A frame less the combination.
    fn residual(&self, share: &Share, stack: &Image) -> Result<Image, IoError> {
        let mut data = self.spool.read_values(share.index)?;
        data.iter_mut().zip(&stack.data).for_each(|(v, s)| *v = *v * share.scale - s);
        Ok(Image { width: self.size.0, height: self.size.1, data })
    }

    /// One pass over the frames, leaving out samples under the shares' tracks, and collecting their excess; no tracks and no
    /// collectors are empty slices.
    fn pass(&self, tracks: &[Vec<Track>], excess: &mut [Excess]) -> Result<Stacked, Failure> {
        let Self { spool, shares, size: (width, height), n_groups, config } = self;
        let (width, height) = (*width, *height);
        let empty = || Image { width, height, data: Vec::with_capacity(width * height) };
        let (mut image, mut variance) = (empty(), empty());
        let mut substacks: Vec<Image> = (0..*n_groups).map(|_| empty()).collect();
        let mut n_used = Vec::with_capacity(width * height);
        let weights: Vec<f32> = shares.iter().map(|s| s.weight).collect();
        let groups: Vec<usize> = shares.iter().map(|s| s.group).collect();
        let mut rows = SpoolRows::default();
        let mut out = RowOut::new(0, *n_groups);
        let unknown = vec![0.0; width * ROWS_AT_ONCE.min(height)];
        let bar = messages::bar(height.div_ceil(ROWS_AT_ONCE), "combining");
        for y in (0..height).step_by(ROWS_AT_ONCE) {
            spool.read_rows_into(y..(y + ROWS_AT_ONCE).min(height), &mut rows).map_err(scratch_failure)?;
            for s in shares.iter().filter(|s| s.scale != 1.0) {
                rows.values[s.index].iter_mut().for_each(|v| *v *= s.scale);
                rows.variances[s.index].iter_mut().for_each(|v| *v *= s.scale * s.scale);
            }
            for (s, tracks) in shares.iter().zip(tracks) {
                tracks.iter().for_each(|t| hide(t, y, width, &mut rows.values[s.index]));
            }
            let values: Vec<&[f32]> = shares.iter().map(|s| rows.values[s.index].as_slice()).collect();
            let variance_of = |s: &Share| match rows.variances[s.index].as_slice() {
                [] => &unknown[..rows.values[s.index].len()],
                known => known,
            };
            let variances: Vec<&[f32]> = shares.iter().map(variance_of).collect();
            let samples = RowSamples {
                values: &values,
                variances: &variances,
                weights: &weights,
                group: &groups,
                n_groups: *n_groups,
            };
            combine::combine_rows(&samples, config, &mut out);
            excess.par_iter_mut().zip(&values).for_each(|(e, values)| e.add(y, width, values, &out.mean));
            image.data.extend_from_slice(&out.mean);
            variance.data.extend_from_slice(&out.variance);
            n_used.extend_from_slice(&out.n_used);
            for (substack, mean) in substacks.iter_mut().zip(&out.group_mean) {
                substack.data.extend_from_slice(mean);
            }
            bar.inc(1);
        }
        bar.finish_and_clear();
        let mut mask = Mask::clear(width, height);
        mask.bits.iter_mut().zip(&n_used).filter(|(_, n)| **n == 0).for_each(|(b, _)| *b = flag::NO_DATA);
        Ok(Stacked { image, variance, mask, n_used, substacks })
    }
}

/// Reads a part of calibration frames, prepares each, and combines them; a frame that cannot be used is a note and leaves the list.
/// `None` when none was left.
///
/// # Errors
/// When the scratch file cannot be written.
pub fn combine_files(
    files: &mut Vec<FrameFile>,
    (pixels, area): (&FramePixels, PixelBox),
    scratch: &Path,
    what: &'static str,
    notes: &mut Notes,
    prepare: impl Fn(&FrameFile, Image) -> Result<Image, ComaError> + Sync,
) -> Result<Option<Image>, Failure> {
    if files.is_empty() {
        return Ok(None);
    }
    let size = (area.width(), area.height());
    let spool = Spool::of_values(scratch, files.len(), size.0, size.1).map_err(scratch_failure)?;
    let bar = messages::bar(files.len(), what);
    let mut shares = Vec::new();
    let indexed: Vec<(usize, &FrameFile)> = files.iter().enumerate().collect();
    for pair in indexed.chunks(frames_at_once(size)) {
        let results: Vec<Result<(), String>> = pair
            .par_iter()
            .map(|(index, file)| {
                let image = pixels.calibration(file, area)?;
                let image = prepare(file, image).map_err(|e| e.to_string())?;
                spool.append_frame(*index, image.data, &[]).map_err(|e| e.to_string())
            })
            .collect();
        for ((index, file), result) in pair.iter().zip(results) {
            match result {
                Ok(()) => shares.push(Share { index: *index, scale: 1.0, weight: 1.0, group: 0 }),
                Err(reason) => notes.warn(format!("{} was not used for the {what}: {reason}.", file.name)),
            }
            bar.inc(1);
        }
    }
    bar.finish_and_clear();
    let mut index = 0;
    files.retain(|_| {
        index += 1;
        shares.iter().any(|s| s.index == index - 1)
    });
    if shares.is_empty() {
        return Ok(None);
    }
    let config = CombineConfig { relative_tolerance: 0.0, ..CombineConfig::default() };
    Job { spool: &spool, shares: &shares, size, n_groups: 0, config }.run().map(|s| Some(s.image))
}

/// A scratch file that failed: usually a full disk.
pub fn scratch_failure(error: IoError) -> Failure {
    Failure::data(error).hint("the output folder's disk needs room for the night's frames while they are combined")
}
