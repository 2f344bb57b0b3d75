//! Resampled frames, written frame by frame and read back as rows of all frames: in memory where they are few and small,
//! else on disk, so that a stack's memory does not grow with the number of frames.

use std::fs::File;
use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, RwLock};

use rayon::prelude::*;

use crate::error::IoError;

/// Bytes of a pixel's value.
const VALUE_BYTES: usize = 4;
/// Bytes of the upper half of its variance.
const VARIANCE_BYTES: usize = 2;

/// Bytes encoded at a time, to stay in the processor's cache.
const CHUNK_BYTES: usize = 256 * 1024;

/// Frames that together take no more bytes than this stay in memory.
const MEMORY_BYTES: usize = 384 * 1024 * 1024;

/// Frames of one size, values exactly, variances (where frames have them) to 16 bits. Over 384 MiB they are in a temporary
/// file, which has no name on systems that allow it and is gone when the spool is dropped or the program ends.
#[derive(Debug)]
pub struct Spool {
    store: Store,
    folder: PathBuf,
    width: usize,
    height: usize,
    with_variances: bool,
    written: Mutex<Vec<bool>>,
}

/// Where frames of one size are.
#[derive(Debug)]
enum Store {
    /// As they were given, once they were.
    Memory(Vec<RwLock<Frame>>),
    /// The bytes of one frame behind those of the other.
    File { file: File, frame_bytes: usize },
}

/// A frame in memory.
#[derive(Debug, Default)]
struct Frame {
    values: Vec<f32>,
    /// Upper halves of the variances; none of a spool without them.
    variances: Vec<u16>,
}

/// A band of rows of every frame.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpoolRows {
    /// One vector per frame: the rows one after the other.
    pub values: Vec<Vec<f32>>,
    /// The variances likewise; empty vectors where the spool keeps none.
    pub variances: Vec<Vec<f32>>,
}

impl Spool {
    /// A spool for `n_frames` frames of `width` by `height` pixels; in a temporary file in `folder` where it is large.
    ///
    /// # Errors
    /// The folder cannot be written to, or the frames have no pixels.
    pub fn new(folder: &Path, n_frames: usize, width: usize, height: usize) -> Result<Self, IoError> {
        Self::with_budget(folder, n_frames, (width, height), MEMORY_BYTES)
    }

    /// A spool of values alone: its frames come with no variances.
    ///
    /// # Errors
    /// As [`Spool::new`].
    pub fn of_values(folder: &Path, n_frames: usize, width: usize, height: usize) -> Result<Self, IoError> {
        Ok(Self { with_variances: false, ..Self::new(folder, n_frames, width, height)? })
    }

    /// Bytes of a row of one frame.
    fn row_bytes(&self) -> usize {
        self.width * if self.with_variances { VALUE_BYTES + VARIANCE_BYTES } else { VALUE_BYTES }
    }

    /// Writes one frame. Frames may come in any order and from several threads.
    ///
    /// # Accuracy
    /// Values are kept exactly, NaN included; variances are rounded to 8 significant bits (relative error at most
    /// 2^-8, 0.4 %).
    ///
    /// # Errors
    /// An index or a number of pixels that does not fit this spool, or a full disk.
    pub fn append_frame(&self, index: usize, values: Vec<f32>, variances: &[f32]) -> Result<(), IoError> {
        let n = self.width * self.height;
        if values.len() != n || variances.len() != if self.with_variances { n } else { 0 } {
            return Err(self.bad(format!(
                "a frame has {} values and {} variances for {n} pixels",
                values.len(),
                variances.len()
            )));
        }
        if index >= self.frames() {
            return Err(self.bad(format!("frame {index} of {}", self.frames())));
        }
        match &self.store {
            Store::Memory(frames) => {
                let variances = variances.iter().map(|v| upper_half(*v)).collect();
                *frames[index].write().unwrap_or_else(std::sync::PoisonError::into_inner) = Frame { values, variances };
            }
            Store::File { file, frame_bytes } => {
                let first = (index * frame_bytes) as u64;
                self.write_frame(file, first, &values, variances)
                    .map_err(|e| IoError::write(&name_of(&self.folder), e))?;
            }
        }
        self.lock()[index] = true;
        Ok(())
    }

    /// Each row's values, then its variances: any band of rows is then one piece of the file.
    fn write_frame(&self, file: &File, first: u64, values: &[f32], variances: &[f32]) -> io::Result<()> {
        let row_bytes = self.row_bytes();
        let rows_at_once = (CHUNK_BYTES / row_bytes).max(1);
        let mut bytes = vec![0; rows_at_once.min(self.height) * row_bytes];
        let mut start = first;
        let width = self.width;
        for first in (0..self.height).step_by(rows_at_once) {
            let rows = first..(first + rows_at_once).min(self.height);
            let used = &mut bytes[..rows.len() * row_bytes];
            for (stored, y) in used.chunks_exact_mut(row_bytes).zip(rows) {
                let row = y * width..(y + 1) * width;
                let (stored_values, stored_variances) = stored.split_at_mut(width * VALUE_BYTES);
                for (stored, value) in stored_values.as_chunks_mut::<4>().0.iter_mut().zip(&values[row.clone()]) {
                    *stored = value.to_le_bytes();
                }
                let stored_variances = stored_variances.as_chunks_mut::<2>().0;
                for (stored, variance) in stored_variances.iter_mut().zip(variances.get(row).unwrap_or_default()) {
                    *stored = upper_half(*variance).to_le_bytes();
                }
            }
            write_at(file, used, start)?;
            start += used.len() as u64;
        }
        Ok(())
    }

    /// Reads the rows `rows` of every frame; of a frame that was never written, nothing (empty vectors).
    ///
    /// # Errors
    /// Rows outside the frames, or a file that cannot be read.
    pub fn read_rows(&self, rows: Range<usize>) -> Result<SpoolRows, IoError> {
        let mut out = SpoolRows::default();
        self.read_rows_into(rows, &mut out)?;
        Ok(out)
    }

    /// As [`Spool::read_rows`], into vectors whose memory is used again.
    pub fn read_rows_into(&self, rows: Range<usize>, out: &mut SpoolRows) -> Result<(), IoError> {
        if rows.start > rows.end || rows.end > self.height {
            return Err(self.bad(format!("rows {} to {} of {}", rows.start, rows.end, self.height)));
        }
        let written = self.lock().clone();
        let frames = self.frames();
        out.values.resize_with(frames, Vec::new);
        out.variances.resize_with(frames, Vec::new);
        let read_frame =
            |bytes: &mut Vec<u8>, (index, (values, variances)): (usize, (&mut Vec<f32>, &mut Vec<f32>))| {
                values.clear();
                variances.clear();
                if !written[index] {
                    return Ok(());
                }
                self.read_part(index, rows.clone(), bytes, (values, variances))
            };
        out.values
            .par_iter_mut()
            .zip(out.variances.par_iter_mut())
            .enumerate()
            .map_init(Vec::new, read_frame)
            .collect::<io::Result<()>>()
            .map_err(|e| IoError::read(&name_of(&self.folder), e))
    }

    /// Adds rows of a frame to vectors.
    fn read_part(
        &self,
        index: usize,
        rows: Range<usize>,
        bytes: &mut Vec<u8>,
        (values, variances): (&mut Vec<f32>, &mut Vec<f32>),
    ) -> io::Result<()> {
        let whole = |half: u16| f32::from_bits(u32::from(half) << 16);
        let width = self.width;
        match &self.store {
            Store::Memory(frames) => {
                let frame = frames[index].read().unwrap_or_else(std::sync::PoisonError::into_inner);
                let part = rows.start * width..rows.end * width;
                values.extend_from_slice(&frame.values[part.clone()]);
                variances.extend(frame.variances.get(part).unwrap_or_default().iter().map(|half| whole(*half)));
            }
            Store::File { file, frame_bytes } => {
                let row_bytes = self.row_bytes();
                bytes.resize(rows.len() * row_bytes, 0);
                read_at(file, bytes, (index * frame_bytes + rows.start * row_bytes) as u64)?;
                for row in bytes.chunks_exact(row_bytes) {
                    let (stored_values, stored_variances) = row.split_at(width * VALUE_BYTES);
                    values.extend(stored_values.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)));
                    let halves = stored_variances.as_chunks::<2>().0.iter();
                    variances.extend(halves.map(|b| whole(u16::from_le_bytes(*b))));
                }
            }
        }
        Ok(())
    }

    /// The values of one whole frame.
    ///
    /// # Errors
    /// A frame that was never written, or a file that cannot be read.
    pub fn read_values(&self, index: usize) -> Result<Vec<f32>, IoError> {
        if !self.lock().get(index).copied().unwrap_or(false) {
            return Err(self.bad(format!("frame {index} was never written")));
        }
        let (mut values, mut variances) = (Vec::new(), Vec::new());
        self.read_part(index, 0..self.height, &mut Vec::new(), (&mut values, &mut variances))
            .map_err(|e| IoError::read(&name_of(&self.folder), e))?;
        Ok(values)
    }

    /// Frames that the spool has room for.
    pub fn frames(&self) -> usize {
        self.lock().len()
    }

    /// A spool that stays in memory up to so many bytes.
    fn with_budget(folder: &Path, n_frames: usize, size: (usize, usize), budget: usize) -> Result<Self, IoError> {
        let (width, height) = size;
        let frame_bytes = width * height * (VALUE_BYTES + VARIANCE_BYTES);
        let store = if n_frames * frame_bytes <= budget {
            Store::Memory((0..n_frames).map(|_| RwLock::default()).collect())
        } else {
            let file = tempfile::tempfile_in(folder).map_err(|e| IoError::write(&name_of(folder), e))?;
            Store::File { file, frame_bytes }
        };
        Self::on(store, folder, n_frames, size)
    }

    fn on(store: Store, folder: &Path, n_frames: usize, (width, height): (usize, usize)) -> Result<Self, IoError> {
        let written = Mutex::new(vec![false; n_frames]);
        let spool = Self { store, folder: folder.to_owned(), width, height, with_variances: true, written };
        match width * height {
            0 => Err(spool.bad(format!("frames of {width} x {height} pixels"))),
            _ => Ok(spool),
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<bool>> {
        // The flags are plain values: a thread that panicked elsewhere cannot have left them half set.
        self.written.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn bad(&self, problem: String) -> IoError {
        IoError::Spool { path: self.folder.clone(), problem }
    }
}

/// What an error message calls the nameless file.
fn name_of(folder: &Path) -> PathBuf {
    folder.join("(temporary file of resampled frames)")
}

/// The upper 16 bits of a number, rounded to nearest; NaN stays NaN.
fn upper_half(value: f32) -> u16 {
    let bits = value.to_bits();
    if value.is_nan() {
        return (bits >> 16) as u16 | 0x0040;
    }
    let rounding = 0x7fff + ((bits >> 16) & 1);
    ((bits + rounding) >> 16) as u16
}

#[cfg(unix)]
fn write_at(file: &File, bytes: &[u8], start: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::write_all_at(file, bytes, start)
}

#[cfg(unix)]
fn read_at(file: &File, bytes: &mut [u8], start: u64) -> io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, start)
}

#[cfg(windows)]
fn write_at(file: &File, mut bytes: &[u8], mut start: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let n = std::os::windows::fs::FileExt::seek_write(file, bytes, start)?;
        if n == 0 {
            return Err(io::ErrorKind::WriteZero.into());
        }
        (bytes, start) = (&bytes[n..], start + n as u64);
    }
    Ok(())
}

#[cfg(windows)]
fn read_at(file: &File, mut bytes: &mut [u8], mut start: u64) -> io::Result<()> {
    while !bytes.is_empty() {
        let n = std::os::windows::fs::FileExt::seek_read(file, bytes, start)?;
        if n == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        (bytes, start) = (&mut bytes[n..], start + n as u64);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_come_back_as_rows() {
        let dir = tempfile::tempdir().unwrap();
        for (budget, is_file) in [(360, false), (359, true)] {
            let spool = Spool::with_budget(dir.path(), 3, (4, 5), budget).unwrap();
            assert_eq!(matches!(spool.store, Store::File { .. }), is_file);
            frames_come_back(&spool);
            assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0, "the file must have no name");
        }
    }

    fn frames_come_back(spool: &Spool) {
        for index in [2, 0, 1] {
            let values: Vec<f32> = (0..20).map(|i| (100 * index + i) as f32 + 0.123).collect();
            let mut variances: Vec<f32> = values.iter().map(|v| v * 3.7).collect();
            variances[6] = f32::NAN;
            spool.append_frame(index, values, &variances).unwrap();
        }
        assert_eq!(spool.read_values(2).unwrap(), spool.read_rows(0..5).unwrap().values[2]);
        assert!(spool.read_values(3).is_err());
        let rows = spool.read_rows(1..3).unwrap();
        assert_eq!(rows.values[2], (4..12).map(|i| (200 + i) as f32 + 0.123).collect::<Vec<_>>());
        for (value, variance) in rows.values.concat().iter().zip(rows.variances.concat()) {
            // Eight significant bits rounded to nearest: half a unit of the last is 2^-8 of the leading one.
            let relative = variance / (value * 3.7) - 1.0;
            assert!(relative.is_nan() || relative.abs() <= 1.0 / 256.0, "{value} {variance}");
        }
        assert!(rows.variances.iter().all(|v| v[2].is_nan() && v.iter().filter(|x| x.is_nan()).count() == 1));
    }

    #[test]
    fn a_spool_of_values_keeps_no_variances() {
        let dir = tempfile::tempdir().unwrap();
        let spool = Spool::of_values(dir.path(), 2, 3, 4).unwrap();
        let frame = |k: usize| (0..12).map(|i| (20 * k + i) as f32).collect::<Vec<_>>();
        spool.append_frame(0, frame(0), &[]).unwrap();
        spool.append_frame(1, frame(1), &[]).unwrap();
        let rows = spool.read_rows(2..4).unwrap();
        assert_eq!(rows.values, vec![frame(0)[6..].to_vec(), frame(1)[6..].to_vec()]);
        assert!(rows.variances.iter().all(Vec::is_empty));
        assert!(spool.append_frame(0, frame(0), &[0.0; 12]).is_err());
    }

    #[test]
    fn special_values() {
        let back = |v: f32| f32::from_bits(u32::from(upper_half(v)) << 16);
        assert!(back(f32::from_bits(0x7f80_0001)).is_nan());
        assert!(back(f32::NAN).is_nan());
        assert_eq!(back(f32::INFINITY), f32::INFINITY);
        assert_eq!((back(0.0), back(1.0), back(-2.0)), (0.0, 1.0, -2.0));
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        assert!(Spool::new(dir.path(), 1, 0, 5).is_err());
        assert!(Spool::with_budget(&dir.path().join("none"), 1, (2, 2), 0).unwrap_err().to_string().contains("none"));
        let spool = Spool::new(dir.path(), 2, 2, 2).unwrap();
        let check = |result: Result<(), IoError>, expected: &str| {
            let message = result.unwrap_err().to_string();
            assert!(message.contains(expected), "{message}");
        };
        check(spool.append_frame(2, vec![0.0; 4], &[0.0; 4]), "frame 2 of 2");
        check(spool.append_frame(0, vec![0.0; 3], &[0.0; 4]), "3 values and 4 variances");
        spool.append_frame(0, vec![0.0; 4], &[0.0; 4]).unwrap();
        let rows = spool.read_rows(0..1).unwrap();
        assert!(rows.values[1].is_empty() && rows.variances[1].is_empty(), "frame 1 was never written");
        check(spool.read_rows(1..3).map(drop), "rows 1 to 3 of 2");
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn a_full_disk_is_told() {
        // /dev/full answers every write with "no space left on device".
        let full = File::options().write(true).open("/dev/full").unwrap();
        let store = Store::File { file: full, frame_bytes: 24 };
        let spool = Spool::on(store, Path::new("/scratch"), 1, (2, 2)).unwrap();
        let error = spool.append_frame(0, vec![0.0; 4], &[0.0; 4]).unwrap_err();
        assert!(error.to_string().contains("/scratch"), "{error}");
        assert!(error.hint().unwrap().contains("free some space on the disk of /scratch"));
    }
}
