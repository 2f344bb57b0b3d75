//! Nights that were measured before: sub-folders with `truth.json` and `out/night.json`.

use super::measure::{Found, Night};
use super::truth;
use fanlight_record::NightRecord;
use serde_json::Value;
use std::path::Path;

/// Reads every night of a folder, in the order of their names. The kind is the truth's `kind`, else the name up to its last
/// hyphen; an artefact is one whose kind says so.
pub fn nights(folder: &Path) -> Result<Vec<Night>, String> {
    let list = std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let mut names: Vec<String> = list.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    let nights = names.into_iter().filter(|name| folder.join(name).join("truth.json").is_file());
    nights.map(|name| night(&folder.join(&name), name)).collect()
}

fn night(folder: &Path, name: String) -> Result<Night, String> {
    let read = |file: &str| {
        let path = folder.join(file);
        std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))
    };
    let truth: Value = serde_json::from_str(&read("truth.json")?).map_err(|e| format!("{name}/truth.json: {e}"))?;
    let before_seed = name.rsplit_once('-').map_or(name.as_str(), |(kind, _)| kind);
    let kind = truth["kind"].as_str().unwrap_or(before_seed).to_string();
    let record = read("out/night.json")
        .and_then(|text| serde_json::from_str::<NightRecord>(&text).map_err(|e| format!("{name}/out/night.json: {e}")));
    Ok(Night {
        has_artefact: is_artefact(&kind),
        truths: truth::features(&truth, &[]),
        found: record.map(|r| Found { morphology: r.morphology, calls: None, seconds: None }),
        kind,
        name,
    })
}

fn is_artefact(kind: &str) -> bool {
    let ours = super::nights::FEATURELESS.iter().chain(&super::nights::FEATURES);
    kind.starts_with("art_") || ours.into_iter().any(|k| k.has_artefact && k.name == kind)
}
