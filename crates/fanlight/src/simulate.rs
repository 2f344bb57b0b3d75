//! `fanlight simulate`: frames of an invented night, with the truth beside them.

use crate::{Failure, messages};
use fanlight_io::{Card, CardValue, HduData, HduOut, OutputFolder};
use fanlight_sim::{Scenario, Simulation};
use rayon::prelude::*;
use std::path::Path;

/// Runs the command.
///
/// # Errors
/// When the scenario is wrong or a file cannot be written.
pub fn command(scenario: &Path, out: &Path) -> Result<(), Failure> {
    let text = std::fs::read_to_string(scenario).map_err(|e| Failure::call(format!("{}: {e}", scenario.display())))?;
    let scenario_of = |e: fanlight_sim::SimError| Failure::call(format!("{}: {e}", scenario.display()));
    let parsed = Scenario::from_toml(&text).map_err(scenario_of)?;
    let simulation = Simulation::new(&parsed).map_err(scenario_of)?;
    write(&simulation, out)?;
    messages::tell(&format!(
        "{} frames, campaign.toml, field.csv and truth.json in {}",
        simulation.n_frames(),
        out.display()
    ))
}

/// Writes a simulated night: `frames/`, `campaign.toml`, `field.csv` and `truth.json`.
///
/// # Errors
/// When a file cannot be written.
pub fn write(simulation: &Simulation, out: &Path) -> Result<(), Failure> {
    let folder = OutputFolder::create_or_open(out).map_err(Failure::data)?;
    let frames = OutputFolder::create_or_open(&folder.path("frames")).map_err(Failure::data)?;
    let bar = messages::bar(simulation.n_frames(), "simulating");
    (0..simulation.n_frames()).into_par_iter().try_for_each(|i| {
        let frame = simulation.frame(i);
        let pixels = HduData::U16 { width: frame.width, height: frame.height, pixels: &frame.pixels };
        let mut hdu = HduOut::new("", pixels);
        hdu.cards = frame
            .cards
            .into_iter()
            .map(|(key, value, comment)| Card { key, value: card_value(value), comment })
            .collect();
        bar.inc(1);
        fanlight_io::write_fits(&frames.path(&frame.name), &[hdu]).map_err(Failure::data)
    })?;
    bar.finish_and_clear();
    folder.write("campaign.toml", simulation.campaign_toml().as_bytes()).map_err(Failure::data)?;
    folder.write("field.csv", simulation.catalogue_csv().as_bytes()).map_err(Failure::data)?;
    folder.write_json("truth.json", &simulation.truth()).map_err(Failure::data)
}

fn card_value(value: fanlight_sim::CardValue) -> CardValue {
    match value {
        fanlight_sim::CardValue::Number(v) => CardValue::Number(v),
        fanlight_sim::CardValue::Integer(v) => CardValue::Integer(v),
        fanlight_sim::CardValue::Text(v) => CardValue::Text(v),
        fanlight_sim::CardValue::Logical(v) => CardValue::Logical(v),
    }
}
