//! Whether an earlier run of the same call can stand: the program, what it read and what it wrote are as they were.

use super::{Options, Sources, colour, products};
use crate::Failure;
use fanlight_io::{FileStamp, OutputFolder};
use fanlight_record::NightRecord;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Where a run is remembered, in the folder of its products.
const MEMORY: &str = ".last-run.json";

/// A run as it is remembered.
#[derive(Debug, Serialize, Deserialize)]
struct LastRun {
    /// The call.
    call: String,
    /// The program itself.
    program: FileStamp,
    /// Every file that it read or looked at.
    inputs: Vec<Remembered>,
    /// Every file that it wrote.
    products: Vec<Remembered>,
}

/// A file with the contents that it had; a file that was only looked at has no checksum.
#[derive(Debug, Serialize, Deserialize)]
struct Remembered {
    stamp: FileStamp,
    sha256: Option<String>,
}

/// Every file whose change could change the products: frames, campaign file and catalogue.
pub fn input_files(options: &Options, sources: &Sources) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = match &sources.frames {
        None => vec![options.frames_dir.clone()],
        Some(list) => list.paths().map(Path::to_owned).collect(),
    };
    files.push(options.campaign.clone());
    files.extend(sources.campaign.photometry.catalogue.clone());
    files.extend(options.other_band.as_deref().map(colour::record_in));
    files
}

/// The stamps of files as they are now; `None` when one of them has gone.
pub fn stamps(files: &[PathBuf]) -> Option<Vec<FileStamp>> {
    files.iter().map(|f| FileStamp::of(f)).collect()
}

/// The record of an earlier run, if the same call by the same program would give the same products again.
pub fn earlier_record(options: &Options, inputs: &[PathBuf]) -> Option<NightRecord> {
    let last: LastRun = fanlight_io::read_json(&options.out.join(MEMORY)).ok()?;
    let same_files = last.inputs.iter().map(|r| &r.stamp.path).eq(inputs);
    if last.call != options.as_typed() || this_program()? != last.program || !same_files {
        return None;
    }
    let as_it_was = |r: &Remembered| match (options.verify, &r.sha256) {
        (true, Some(sha256)) => fanlight_io::sha256_file(&r.stamp.path).is_ok_and(|now| now == *sha256),
        _ => FileStamp::of(&r.stamp.path).is_some_and(|now| now == r.stamp),
    };
    if !last.inputs.iter().chain(&last.products).all(as_it_was) {
        return None;
    }
    fanlight_io::read_json(&options.out.join(products::RECORD)).ok()
}

/// Remembers a run. `inputs` are the stamps from before it; a file that changed while it ran is not remembered.
///
/// # Errors
/// When a product cannot be read back or the memory cannot be written.
pub fn remember(
    options: &Options,
    inputs: Option<Vec<FileStamp>>,
    record: &NightRecord,
    products: &[String],
    folder: &OutputFolder,
) -> Result<(), Failure> {
    let (Some(program), Some(inputs)) = (this_program(), inputs) else { return Ok(()) };
    let checksum = |path: &Path| {
        let name = path
            .strip_prefix(&options.frames_dir)
            .ok()
            .filter(|_| !options.is_stack())
            .or_else(|| path.file_name().map(Path::new))?;
        let name = name.components().map(|c| c.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/");
        record.provenance.inputs.iter().find(|i| i.file == name).map(|i| i.sha256.clone())
    };
    let inputs = inputs.into_iter().map(|stamp| Remembered { sha256: checksum(&stamp.path), stamp }).collect();
    let products = products
        .iter()
        .filter_map(|name| {
            let stamp = FileStamp::of(&folder.path(name))?;
            let sha256 = fanlight_io::sha256_file(&stamp.path).map_err(Failure::data);
            Some(sha256.map(|s| Remembered { stamp, sha256: Some(s) }))
        })
        .collect::<Result<_, _>>()?;
    folder.write_json(MEMORY, &LastRun { call: options.as_typed(), program, inputs, products }).map_err(Failure::data)
}

/// Forgets an earlier run, before its products go.
///
/// # Errors
/// When the memory is there and cannot be removed.
pub fn forget(folder: &OutputFolder) -> Result<(), Failure> {
    folder.remove(MEMORY).map_err(Failure::data)
}

fn this_program() -> Option<FileStamp> {
    FileStamp::of(&std::env::current_exe().ok()?)
}
