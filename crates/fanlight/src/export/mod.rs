//! `fanlight export`: tables and ADES records from measured nights. Nothing is sent anywhere.

pub mod reporting;

use crate::night::finished;
use crate::{Failure, geometry, messages};
use clap::{Args, ValueEnum};
use fanlight_io::{Campaign, OutputFolder, TableFormat, write_table};
use fanlight_record::ades::{AdesFile, Positions, Selection, Violation, block_of_night};
use fanlight_record::{NightRecord, tables};
use std::path::PathBuf;

/// What is exported, and how.
#[derive(Debug, Clone, Args)]
pub struct Options {
    /// Folders that `fanlight night` wrote, or their night.json
    #[arg(required = true, value_name = "NIGHT_DIR")]
    pub nights: Vec<PathBuf>,
    /// Folder for the files; made if need be. Files of the same names are replaced, others left alone
    #[arg(long, value_name = "DIR", required_unless_present = "dry_run")]
    pub out: Option<PathBuf>,
    /// What to write; may be given more than once; otherwise the three kinds of tables
    #[arg(long, value_enum, value_name = "FORMAT")]
    pub format: Vec<Format>,
    /// Which places ADES reports
    #[arg(long, value_enum, value_name = "WHICH", default_value = "frames")]
    pub positions: WhichPositions,
    /// Radius at the comet of the aperture whose magnitude ADES reports with the night's place; otherwise that which the
    /// page quotes
    #[arg(long, value_name = "KM")]
    pub aperture: Option<f64>,
    /// A campaign file whose names and codes go before those that the nights were measured with
    #[arg(long, value_name = "C.toml")]
    pub campaign: Option<PathBuf>,
    /// Write nothing: say every rule of ADES that the records would break, and what to do about it
    #[arg(long)]
    pub dry_run: bool,
}

/// What can be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// Tables as comma-separated values, units in the header
    Csv,
    /// Tables as VOTables, with units and UCDs
    Votable,
    /// Tables as FITS binary tables
    Fits,
    /// ADES records of the comet's places, ades.psv and ades.xml
    Ades,
}

/// The places that ADES reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum WhichPositions {
    /// One record for each frame in the stack on which the comet was measured
    Frames,
    /// One record for each night: the place of all its frames together, with a magnitude
    Night,
}

impl Format {
    fn of_tables(self) -> Option<TableFormat> {
        match self {
            Self::Csv => Some(TableFormat::Csv),
            Self::Votable => Some(TableFormat::Votable),
            Self::Fits => Some(TableFormat::Fits),
            Self::Ades => None,
        }
    }
}

/// Runs the command: names of the files written, or what a dry run found, to standard output.
///
/// # Errors
/// A night's record that is missing or cannot be read, a campaign file or an aperture that is wrong, records that ADES
/// would refuse, a file that cannot be written.
pub fn command(options: &Options) -> Result<(), Failure> {
    let mut nights = options.nights.iter().map(|path| finished::read(path)).collect::<Result<Vec<_>, Failure>>()?;
    if let Some(path) = &options.campaign {
        let campaign = geometry::load_campaign(path)?;
        nights.iter_mut().for_each(|night| reporting::complete(night, &campaign));
    }
    check_aperture(options, &nights)?;
    nights.sort_by(|a, b| a.mid_utc.cmp(&b.mid_utc));
    let is_same = |pair: &[NightRecord]| (&pair[0].object, &pair[0].mid_utc) == (&pair[1].object, &pair[1].mid_utc);
    if let Some(twice) = nights.windows(2).find(|pair| is_same(pair)) {
        return Err(Failure::call(format!("the night {} of {} is given twice", twice[0].mid_utc, twice[0].object)));
    }
    if options.dry_run {
        return dry_run(&ades(options, &nights));
    }
    let formats = match options.format.as_slice() {
        [] => vec![Format::Csv, Format::Votable, Format::Fits],
        given => Format::value_variants().iter().copied().filter(|f| given.contains(f)).collect(),
    };
    // what would be refused is known before anything is written
    let ades = formats.contains(&Format::Ades).then(|| ades(options, &nights));
    if let Some(violations) = ades.as_ref().map(AdesFile::violations).filter(|v| !v.is_empty()) {
        let hint = match nights.iter().any(|night| night.setup.simulated) {
            true => "no key of a campaign file makes a simulated night one to be reported; its tables can be written",
            false => {
                "--dry-run says this without writing anything; --campaign C.toml takes keys filled in after the night"
            }
        };
        return Err(Failure::data(format!("these records would be refused by ADES:\n{}", told(&violations))).hint(hint));
    }
    let Some(out) = &options.out else { return Err(Failure::call("--out is missing")) };
    let folder = OutputFolder::create_or_open(out).map_err(failure)?;
    let mut written = Vec::new();
    for format in formats.iter().filter_map(|f| f.of_tables()) {
        for table in tables::night_tables(&nights) {
            written.push(write_table(&folder, &table, format).map_err(failure)?);
        }
    }
    if let Some(file) = ades {
        for (name, text) in [("ades.psv", file.psv()), ("ades.xml", file.xml())] {
            folder.write(name, text.as_bytes()).map_err(failure)?;
            written.push(name.to_string());
        }
    }
    let paths: Vec<String> = written.iter().map(|name| folder.path(name).display().to_string()).collect();
    messages::tell(&paths.join("\n"))
}

/// The ADES record of a night, with the names and codes of a campaign file.
///
/// # Errors
/// Every rule that it would break, each in a line with what to do.
pub fn ades_of(night: &NightRecord, campaign: &Campaign, positions: WhichPositions) -> Result<AdesFile, Failure> {
    let mut night = night.clone();
    reporting::complete(&mut night, campaign);
    let selection = Selection { positions: positions.into(), aperture_km: None };
    let file = AdesFile::new(vec![block_of_night(&night, &selection)]);
    match file.violations() {
        violations if violations.is_empty() => Ok(file),
        violations => Err(Failure::data(format!("ADES would refuse this record:\n{}", told(&violations)))),
    }
}

impl From<WhichPositions> for Positions {
    fn from(which: WhichPositions) -> Self {
        match which {
            WhichPositions::Frames => Self::Frames,
            WhichPositions::Night => Self::Night,
        }
    }
}

fn ades(options: &Options, nights: &[NightRecord]) -> AdesFile {
    let selection = Selection { positions: options.positions.into(), aperture_km: options.aperture };
    AdesFile::new(nights.iter().map(|night| block_of_night(night, &selection)).collect())
}

fn dry_run(file: &AdesFile) -> Result<(), Failure> {
    let violations = file.violations();
    if violations.is_empty() {
        let n: usize = file.blocks.iter().map(|b| b.records.len()).sum();
        let records = if n == 1 { "1 record breaks".to_string() } else { format!("{n} records break") };
        return messages::tell(&format!(
            "{records} no rule of ADES; nothing was written, and nothing is sent anywhere"
        ));
    }
    messages::tell(&told(&violations))?;
    let n = violations.len();
    Err(Failure::data(format!("ADES would refuse these records for {n} reason{}", if n == 1 { "" } else { "s" })))
}

/// Violations, a line each, with what to do below.
fn told(violations: &[Violation]) -> String {
    let lines = violations.iter().map(|v| match v.remedy.as_str() {
        "" => format!("  {v}"),
        remedy => format!("  {v}\n    {remedy}"),
    });
    lines.collect::<Vec<_>>().join("\n")
}

/// An aperture that a night does not have is told with those that it has.
fn check_aperture(options: &Options, nights: &[NightRecord]) -> Result<(), Failure> {
    let Some(km) = options.aperture else { return Ok(()) };
    if options.positions == WhichPositions::Frames {
        return Err(Failure::call(format!("--aperture {km} goes with --positions night: frames report no magnitude")));
    }
    let without = nights.iter().find(|n| !n.photometry.iter().any(|p| p.is_of_radius(km)));
    let Some(night) = without else { return Ok(()) };
    let radii: Vec<String> = night.photometry.iter().map(|p| p.aperture_km.to_string()).collect();
    let failure = Failure::call(format!("--aperture {km}: the night {} has no aperture of {km} km", night.mid_utc));
    Err(match radii.as_slice() {
        [] => failure.hint("it was not calibrated and has no magnitudes; leave --aperture out"),
        radii => failure.hint(format!("it has {} km", radii.join(", "))),
    })
}

fn failure(error: fanlight_io::IoError) -> Failure {
    match error.hint() {
        Some(hint) => Failure::data(&error).hint(hint),
        None => Failure::data(&error),
    }
}
