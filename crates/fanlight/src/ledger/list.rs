//! `fanlight ledger list`: the nights of a ledger as a table or as JSON.

use super::failure;
use crate::{Failure, messages};
use fanlight_io::Ledger;
use fanlight_io::ledger::{FeatureRow, MeasurementRow, NightRow, Side};
use std::collections::BTreeMap;

const HEADINGS: [&str; 12] = [
    "night",
    "middle, UTC",
    "site",
    "telescope",
    "band",
    "r, au",
    "side",
    "Δ, au",
    "phase, °",
    "structure",
    "by hand",
    "folder",
];

/// Runs the command.
pub(super) fn command(ledger: &Ledger, as_json: bool) -> Result<(), Failure> {
    let nights = ledger.nights().map_err(failure)?;
    if as_json {
        let text = serde_json::to_string_pretty(&nights).map_err(|e| Failure::data(format!("nights: {e}")))?;
        return messages::tell(&text);
    }
    let features = ledger.features().map_err(failure)?;
    let by_hand = ledger.all_measurements().map_err(failure)?;
    messages::tell(&table(&nights, &features, &by_hand))
}

fn table(nights: &[NightRow], features: &[FeatureRow], by_hand: &[MeasurementRow]) -> String {
    let mut of_night: BTreeMap<i64, Vec<&FeatureRow>> = BTreeMap::new();
    features.iter().for_each(|f| of_night.entry(f.night_id).or_default().push(f));
    let measured = |id: i64| by_hand.iter().filter(|m| m.night_id == Some(id) && m.undone_utc.is_none()).count();
    let rows =
        nights.iter().map(|night| row(night, of_night.get(&night.id).map_or(&[], Vec::as_slice), measured(night.id)));
    let lines: Vec<[String; 12]> = std::iter::once(HEADINGS.map(str::to_owned)).chain(rows).collect();
    let width = |column: usize| lines.iter().map(|line| line[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..HEADINGS.len()).map(width).collect();
    let padded = |line: &[String; 12]| {
        let cells = line.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}"));
        cells.collect::<Vec<_>>().join("  ").trim_end().to_owned()
    };
    lines.iter().map(padded).collect::<Vec<_>>().join("\n")
}

fn row(night: &NightRow, features: &[&FeatureRow], by_hand: usize) -> [String; 12] {
    let text = |value: Option<&str>| value.unwrap_or("–").to_owned();
    // to the minute
    let mid = night.mid_utc.get(..16).unwrap_or(&night.mid_utc).replace('T', " ");
    [
        night.id.to_string(),
        mid,
        text(night.site.as_deref()),
        text(night.telescope.as_deref()),
        text(night.band.as_deref()),
        format!("{:.3}", night.r_au),
        text(night.side.map(Side::as_str)),
        format!("{:.3}", night.delta_au),
        format!("{:.1}", night.phase_deg),
        structure(night, features),
        if by_hand > 0 { by_hand.to_string() } else { "–".to_owned() },
        night.out_dir.as_ref().map_or_else(|| "–".to_owned(), |folder| folder.display().to_string()),
    ]
}

/// How many features of each verdict that counts.
fn structure(night: &NightRow, features: &[&FeatureRow]) -> String {
    if !night.analysed {
        return "not analysed".to_owned();
    }
    let counts = ["supported", "provisional", "artefact"].map(|verdict| {
        let n = features.iter().filter(|f| f.verdict == verdict).count();
        (n > 0).then(|| format!("{n} {verdict}"))
    });
    let counts: Vec<String> = counts.into_iter().flatten().collect();
    if counts.is_empty() { "none".to_owned() } else { counts.join(", ") }
}
