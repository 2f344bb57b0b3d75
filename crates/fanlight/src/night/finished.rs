//! The record of a finished night and its sub-stacks, read back from its folder.

use super::products::{RECORD, SUBSTACKS};
use crate::Failure;
use fanlight_image::Image;
use fanlight_io::read_json;
use fanlight_record::{NIGHT_SCHEMA, NightRecord};
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// What tells the kind of a record.
#[derive(Deserialize)]
struct Kind {
    schema: String,
}

/// The record of a night that is named by its folder or by the record itself.
pub fn path(named: &Path) -> PathBuf {
    if named.is_dir() { named.join(RECORD) } else { named.to_path_buf() }
}

/// Reads the record of a night, from its folder or the file itself.
///
/// # Errors
/// When it is not there, is no record of a night, or is one of another schema.
pub fn read(named: &Path) -> Result<NightRecord, Failure> {
    let file = path(named);
    if !file.is_file() {
        let hint = match records_below(named).as_slice() {
            [] => "give folders that `fanlight night` wrote, its --out".to_owned(),
            folders => format!("the nights below it are in {}", folders.join(" ")),
        };
        return Err(Failure::call(format!("{}: there is no {RECORD}", named.display())).hint(hint));
    }
    let broken = |e: fanlight_io::IoError| Failure::data(e).hint("run `fanlight night` again to make it anew");
    let kind: Kind = read_json(&file).map_err(broken)?;
    if kind.schema != NIGHT_SCHEMA {
        return Err(Failure::data(format!(
            "{} has the schema \"{}\"; this program reads \"{NIGHT_SCHEMA}\"",
            file.display(),
            kind.schema
        )));
    }
    read_json(&file).map_err(broken)
}

/// A sub-stack of a finished night, by its place in the record; `None` where the folder has none of this size.
///
/// # Errors
/// When the file cannot be read.
pub fn substack(folder: &Path, place: usize, size: (usize, usize)) -> Result<Option<Image>, Failure> {
    let file = folder.join(SUBSTACKS);
    let read = match place {
        0 => Some(fanlight_io::read_image(&file).map_err(Failure::data)?),
        _ => {
            let name = format!("SUBSTACK{}", place + 1);
            fanlight_io::read_named_image(&file, &[&name], size).map_err(Failure::data)?
        }
    };
    Ok(read.map(|r| r.image).filter(|i| (i.width, i.height) == size))
}

/// Folders in this one, or in one of its own, that hold a night's record, in order of name.
fn records_below(path: &Path) -> Vec<String> {
    let folders = |path: &Path| -> Vec<PathBuf> {
        let entries = std::fs::read_dir(path).into_iter().flatten().filter_map(Result::ok);
        entries.map(|e| e.path()).filter(|p| p.is_dir()).collect()
    };
    let own = folders(path);
    let all = own.iter().flat_map(|f| folders(f)).chain(own.iter().cloned());
    let mut found: Vec<String> = all.filter(|f| f.join(RECORD).is_file()).map(|f| f.display().to_string()).collect();
    found.sort();
    found
}
