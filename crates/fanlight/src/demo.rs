//! `fanlight demo`: an invented campaign, simulated and measured.

use crate::enhance::method::Method;
use crate::ledger::entry;
use crate::night::{self, products};
use crate::{Failure, messages, season, simulate};
use fanlight_io::OutputFolder;
use fanlight_record::NightRecord;
use fanlight_sim::{Scenario, Simulation};
use std::path::Path;

/// The file that marks a folder as one that demo made.
const MARK: &str = "made-by-fanlight-demo.txt";

/// The ledger of the three nights.
const LEDGER: &str = "demo.ledger.sqlite";

/// Runs the command.
///
/// # Errors
/// When the folder holds something that demo did not make, or a night fails.
pub fn command(out: &Path) -> Result<(), Failure> {
    let occupied = out.exists() && !out.join(MARK).is_file() && !is_empty_folder(out);
    if occupied {
        return Err(Failure::call(format!("{} exists and was not made by fanlight demo", out.display()))
            .hint("choose another folder with --out"));
    }
    let folder = OutputFolder::create_or_open(out).map_err(Failure::data)?;
    folder
        .write(MARK, b"Simulated frames and their results; fanlight demo may overwrite this folder.\n")
        .map_err(Failure::data)?;
    messages::tell("Three simulated nights of an invented comet, each measured from its raw frames:")?;
    let mut names = Vec::new();
    for (name, scenario) in fanlight_sim::demo_scenarios() {
        let record = night(&name, &scenario, out)?;
        messages::tell(&describe(&name, &record, out))?;
        names.push(name);
    }
    messages::tell(&format!("\nLedger of the nights: {}\nThe three nights together:", out.join(LEDGER).display()))?;
    let together = of_all(&names, out);
    season::command(&together)?;
    messages::tell(&format!(
        "\nTo look at them by hand: fanlight desk {} --ledger {}",
        together.campaign.display(),
        out.join(LEDGER).display()
    ))
}

/// The nights together: all of them through one enhancement too.
fn of_all(names: &[String], out: &Path) -> season::Options {
    season::Options {
        enhance: vec![Method::RotationalGradient],
        ledger: Some(out.join(LEDGER)),
        ..season::Options::of(
            names.iter().map(|name| out.join(name).join("result")).collect(),
            out.join(names.last().map_or("", String::as_str)).join("campaign.toml"),
            out.join("season"),
        )
    }
}

fn is_empty_folder(path: &Path) -> bool {
    std::fs::read_dir(path).is_ok_and(|mut entries| entries.next().is_none())
}

fn night(name: &str, scenario: &Scenario, out: &Path) -> Result<NightRecord, Failure> {
    let place = out.join(name);
    let simulation = Simulation::new(scenario).map_err(|e| Failure::data(format!("{name}: {e}")))?;
    simulate::write(&simulation, &place)?;
    let options = night::Options {
        frames_dir: place.join("frames"),
        campaign: place.join("campaign.toml"),
        out: place.join("result"),
        other_band: None,
        choice: night::select::Choice::default(),
        verify: false,
        ledger: entry::Choice::File(out.join(LEDGER)),
    };
    let record = night::run(&options)?;
    entry::record_finished(&options.out, &options.campaign, &options.ledger);
    Ok(record)
}

fn describe(name: &str, record: &NightRecord, out: &Path) -> String {
    let page = out.join(name).join("result").join(products::PAGE);
    format!("\n{name}  {}\n            page: {}", record.summary, page.display())
}
