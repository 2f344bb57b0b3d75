//! `fanlight catalogue import`: big tables of stars made into one star list of the sky.

use crate::{Failure, messages};
use fanlight_io::{ImportConfig, OutputFolder, import_star_list};
use std::path::{Path, PathBuf};

/// The star list's name where only a folder is given.
const USUAL_NAME: &str = "sky.stars";

/// Runs the command: what was made to standard output, what was wrong with rows to standard error.
///
/// # Errors
/// When a table cannot be used or the list cannot be written.
pub fn import(tables: &[PathBuf], out: &Path, bands: Vec<String>) -> Result<(), Failure> {
    let out = list_path(out);
    if let Some(folder) = out.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        OutputFolder::create_or_open(folder).map_err(failure)?;
    }
    let bar = messages::counter("rows read");
    let config = ImportConfig { bands, ..ImportConfig::default() };
    let imported = import_star_list(tables, &out, &config, &mut |rows| bar.set_position(rows));
    bar.finish_and_clear();
    let imported = imported.map_err(failure)?;
    for note in &imported.notes {
        messages::warn(note);
    }
    let mut text = format!("{}: {} stars, bands {}", out.display(), imported.n_stars, imported.bands.join(", "));
    if imported.n_merged > 0 {
        text.push_str(&format!("; {} rows were of stars that an earlier table has", imported.n_merged));
    }
    if imported.n_skipped > 0 {
        text.push_str(&format!("; {} rows were skipped", imported.n_skipped));
    }
    messages::tell(&text)
}

/// The file to write: in a folder, or where the path ends with a separator, under the usual name.
fn list_path(out: &Path) -> PathBuf {
    let ends_as_folder = out.as_os_str().to_string_lossy().ends_with(std::path::is_separator);
    if out.is_dir() || ends_as_folder { out.join(USUAL_NAME) } else { out.to_owned() }
}

/// What is wrong with a band or an output path is the call's fault.
fn failure(error: fanlight_io::IoError) -> Failure {
    use fanlight_io::IoError;
    match &error {
        IoError::NoBand { nearest: Some(name), .. } => {
            Failure::call(&error).hint(format!("did you mean --band {name}?"))
        }
        IoError::NoBand { .. } => Failure::call(&error).hint("give --band one of these, or leave it out to keep all"),
        IoError::BadData { .. } => Failure::call(&error).hint("give --out a new name"),
        _ => match error.hint() {
            Some(hint) => Failure::data(&error).hint(hint),
            None => Failure::data(&error),
        },
    }
}
