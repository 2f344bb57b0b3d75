//! Stars on their way into a star list: put aside on the disk in a few hundred parts of the sky, so that memory holds
//! one part at a time, whatever the number of stars.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crate::error::IoError;

/// Bytes of a part that are gathered before they are written: 768 parts then hold 25 MB.
const GATHERED_BYTES: usize = 32 * 1024;

/// A temporary file of byte records sorted into parts.
pub(crate) struct Spill {
    file: File,
    folder: PathBuf,
    written: u64,
    parts: Vec<Part>,
}

#[derive(Default)]
struct Part {
    gathered: Vec<u8>,
    /// Where its earlier bytes lie in the file: start and length.
    pieces: Vec<(u64, usize)>,
}

impl Spill {
    /// An empty one in a folder; the file has no name and goes when this is dropped.
    pub fn new(folder: &Path, n_parts: usize) -> Result<Self, IoError> {
        let file = tempfile::tempfile_in(folder).map_err(|e| IoError::write(folder, e))?;
        let parts = (0..n_parts).map(|_| Part::default()).collect();
        Ok(Self { file, folder: folder.to_owned(), written: 0, parts })
    }

    /// Adds bytes to a part.
    pub fn add(&mut self, part: usize, fill: impl FnOnce(&mut Vec<u8>)) -> Result<(), IoError> {
        let part = &mut self.parts[part];
        fill(&mut part.gathered);
        if part.gathered.len() >= GATHERED_BYTES {
            self.file.write_all(&part.gathered).map_err(|e| IoError::write(&self.folder, e))?;
            part.pieces.push((self.written, part.gathered.len()));
            self.written += part.gathered.len() as u64;
            part.gathered.clear();
        }
        Ok(())
    }

    /// All bytes of a part in the order in which they came.
    pub fn read(&mut self, part: usize) -> Result<Vec<u8>, IoError> {
        let part = &self.parts[part];
        let size = part.pieces.iter().map(|(_, n)| n).sum::<usize>() + part.gathered.len();
        let mut bytes = vec![0; size];
        let read = || -> io::Result<()> {
            let mut rest = &mut bytes[..];
            for (start, n) in &part.pieces {
                let (piece, after) = rest.split_at_mut(*n);
                self.file.seek(SeekFrom::Start(*start))?;
                self.file.read_exact(piece)?;
                rest = after;
            }
            rest.copy_from_slice(&part.gathered);
            Ok(())
        };
        let mut read = read;
        read().map_err(|e| IoError::read(&self.folder, e))?;
        Ok(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_come_back_in_order() {
        let dir = tempfile::tempdir().unwrap();
        let mut spill = Spill::new(dir.path(), 3).unwrap();
        let record = |i: u32| (i * i).to_le_bytes();
        for i in 0..50_000u32 {
            spill.add((i % 2) as usize, |bytes| bytes.extend(record(i))).unwrap();
        }
        for part in 0..2 {
            let expected: Vec<u8> = (0..50_000u32).filter(|i| i % 2 == part).flat_map(record).collect();
            assert!(spill.read(part as usize).unwrap() == expected, "{part}");
        }
        assert!(spill.read(2).unwrap().is_empty());
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0, "it has no name");
    }
}
