//! Arguments of the command and where they lead.

use crate::ledger::entry::Choice as LedgerChoice;
use crate::messages::{self, Verbosity};
use crate::{Failure, catalogue, demo, desk, enhance, export, geometry, init, ledger, night, season, simulate};
use clap::{Args, CommandFactory, Parser, Subcommand};
use std::path::PathBuf;

/// From a night of raw comet frames to a measured, publishable page.
#[derive(Debug, Parser)]
#[command(name = "fanlight", version, about, propagate_version = true, max_term_width = 100)]
#[command(after_help = "Examples:
  fanlight demo                                              simulate three nights and measure them
  fanlight init frames/ --orbit orbits.txt --object \"C/2031 Z2\" --out campaign.toml
  fanlight night frames/ --campaign campaign.toml --out night-1
  fanlight geometry --campaign campaign.toml --utc 2031-03-04T21:10:00

Exit status: 0 done; 1 the data do not allow it; 2 the call or the campaign file is wrong.")]
pub struct Arguments {
    /// Say nothing but the result, errors and safety warnings
    #[arg(long, short, global = true, conflicts_with = "verbose")]
    quiet: bool,
    /// Say every step, with its time in UTC
    #[arg(long, short, global = true)]
    verbose: bool,
    /// Say bars as lines, for a program that shows them, and stop when it says so on standard input
    #[arg(long, global = true, hide = true)]
    progress_lines: bool,
    #[command(subcommand)]
    command: Command,
}

impl Arguments {
    /// Whether bars are said as lines.
    pub fn bars_as_lines(&self) -> bool {
        self.progress_lines
    }

    /// How much to say.
    pub fn verbosity(&self) -> Verbosity {
        match (self.quiet, self.verbose) {
            (true, _) => Verbosity::Quiet,
            (_, true) => Verbosity::Verbose,
            _ => Verbosity::Normal,
        }
    }
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Reduce and measure one night: from raw frames to night.json, stacks, figures and report.html
    #[command(after_help = "Example:
  fanlight night 2031-03-04/ --campaign campaign.toml --out results/2031-03-04
  fanlight night 2031-03-04/ --campaign campaign.toml --out results/2031-03-04 --at 101.95,+34.33
  fanlight night stack.fits --campaign campaign.toml --out results/2031-03-04

Frames are found by their headers (IMAGETYP, FILTER, EXPTIME, DATE-OBS in UTC).
A frame that cannot be used is left out with a reason; the page lists it.")]
    Night(Box<NightArguments>),
    /// Make structure in a coma visible, beside the featureless twin: one enhancement, or all
    #[command(after_help = "Example:
  fanlight enhance results/2031-03-04/comet.fits --method rotational-gradient --out gradient.fits
  fanlight enhance comet.fits --method unsharp-ratio --scale 6arcsec --out unsharp.fits
  fanlight enhance stack.fits.fz --centre 1024.3,998.1 --sky 812 --all --out enhanced/
  fanlight enhance comet.fits --method temporal-ratio --against ../2031-03-03/comet.fits --out ratio.fits

FILE.fits keeps the image's WCS and says in its HISTORY what was done, what it draws that is not there, and whether
brightness is kept. FILE.png and FILE.svg show it north up, on paper and, as FILE-dark, on dark screens. Where the
image has a twin (twin.fits beside it, or --twin), FILE-twin.fits is the twin through the same enhancement, and the
pictures show both alike. No enhancement shows every structure, and each draws some of its own: believe what unlike
ones show and the twin does not.")]
    Enhance(Box<enhance::Options>),
    /// Several nights together: what changed, where features point, how the dust goes
    #[command(after_help = "Example:
  fanlight season --campaign campaign.toml --out season
  fanlight season results/2031-03-04 results/2031-03-05 --campaign campaign.toml --out season

Nights of several sites, cameras and filters go together; structure and dust are compared within one band. A folder that
cannot be used is left out with the reason. DIR gets season.html, season.json, figures/ and the montage as season.gif.")]
    Season(Box<season::Options>),
    /// Look, turn, compare and measure by hand, in a browser on this machine
    #[command(after_help = "Example:
  fanlight desk campaign.toml
  fanlight desk campaign.toml results/2031-03-04

It prints an address to open in a browser, and serves it until it is interrupted (Ctrl-C). The nights are those of the
campaign's ledger and the folders given. Nothing leaves this machine, and only who has the whole address gets in.")]
    Desk(desk::Options),
    /// What a night or a season shows, in two or three plain sentences for the public
    #[command(after_help = "Example:
  fanlight caption results/2031-03-04

It says what the evidence supports, what it does not, and what would settle it.")]
    Caption {
        /// Folder that fanlight night or fanlight season wrote
        folder: PathBuf,
    },
    /// Tables and ADES records from measured nights; nothing is sent anywhere
    #[command(after_help = "Example:
  fanlight export results/2031-03-04 results/2031-03-05 --out tables
  fanlight export results/2031-03-04 --out tables --format csv
  fanlight export results/2031-03-04 --dry-run
  fanlight export results/2031-03-04 --out report --format ades --positions night --aperture 10000

Every table holds all nights given, in order of time. ADES is the IAU's standard for places: records that it would
refuse are not written, and every rule that they break is said with the key of the campaign file to fill in. Check the
places yourself before you send them to anybody.")]
    Export(export::Options),
    /// Where the comet is and how it is seen from the site
    #[command(after_help = "Example:
  fanlight geometry --campaign campaign.toml --utc 2031-03-04T21:10:00Z --utc 2031-03-05T21:10:00Z --json")]
    Geometry {
        /// The campaign file; [object] and [site] are enough
        #[arg(long)]
        campaign: PathBuf,
        /// Instant, ISO 8601, UTC; may be given more than once
        #[arg(long, required = true)]
        utc: Vec<String>,
        /// Write an array of geometry records
        #[arg(long)]
        json: bool,
        /// Follow the comet about the Sun alone, with A1–A3 where given, to compare: no planets
        #[arg(long)]
        two_body: bool,
    },
    /// Simulate frames of a comet with known truth
    #[command(after_help = "Example:
  fanlight simulate scenario.toml --out simulated

Writes frames/, campaign.toml, field.csv and, beside them, truth.json.")]
    Simulate {
        /// What to simulate
        scenario: PathBuf,
        /// Folder for the frames; made if need be
        #[arg(long)]
        out: PathBuf,
    },
    /// Simulate a small campaign and run the main job on each night
    #[command(after_help = "Example:
  fanlight demo --out demo")]
    Demo {
        /// Folder for the campaign; a folder that demo did not make is never overwritten
        #[arg(long, default_value = "fanlight-demo")]
        out: PathBuf,
    },
    /// Write a campaign file from frame headers and an orbit
    #[command(after_help = "Example:
  fanlight init frames/ --orbit orbits.txt --object \"C/1995 O1\" --out campaign.toml

ORBITS is a text file in the Minor Planet Center's one-line comet format.
What the headers do not say stands in the file as a comment to fill in.")]
    Init {
        /// Folder with the frames
        frames_dir: PathBuf,
        /// File of one-line orbits
        #[arg(long)]
        orbit: PathBuf,
        /// The comet: its name or designation as the orbit file spells it, or a part of it
        #[arg(long)]
        object: String,
        /// The campaign file to write; an existing one is not overwritten
        #[arg(long)]
        out: PathBuf,
    },
    /// The ledger of a campaign: every measured night in one file
    #[command(subcommand)]
    #[command(after_help = "Example:
  fanlight ledger list --campaign campaign.toml
  fanlight ledger check --campaign campaign.toml
  fanlight ledger import results/* --campaign campaign.toml
  fanlight ledger forget 3 4 --ledger campaign.ledger.sqlite

`fanlight night` records every night in the ledger beside its campaign file. Measured again, a
night replaces its own row and no other. What the file holds and how to move it: docs/ledger.md.")]
    Ledger(ledger::Command),
    /// Star catalogues for every night
    #[command(subcommand)]
    Catalogue(CatalogueCommand),
    /// Write a completion script for a shell to standard output
    #[command(after_help = "Example:
  fanlight completions bash > ~/.local/share/bash-completion/completions/fanlight")]
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
}

/// A call of `fanlight night`.
#[derive(Debug, Args)]
struct NightArguments {
    /// Folder with light, bias, dark and flat frames, in any sub-folders; or one ready-made stack, a FITS file
    frames_dir: PathBuf,
    /// The campaign file
    #[arg(long)]
    campaign: PathBuf,
    /// Folder for the products; made if need be
    #[arg(long)]
    out: PathBuf,
    /// Folder of this comet's night in another band: gives the comet's colour, and magnitudes at it
    #[arg(long, value_name = "NIGHT_DIR")]
    other_band: Option<PathBuf>,
    /// Of several nights in the folder, the one of this evening, YYYY-MM-DD; otherwise that of most frames
    #[arg(long, value_name = "DATE")]
    night: Option<String>,
    /// A frame to leave out, by its name in the folder; * and ? stand for anything; may be given more than once
    #[arg(long, value_name = "NAME")]
    leave_out: Vec<String>,
    /// Where the comet is at the middle of the night, where that is not where the orbit puts it: ICRS, degrees
    /// (101.95,+34.33) or hours and degrees ("06:47:48.9 +34:19:59"); its motion stays the orbit's
    #[arg(long, value_name = "RA,DEC")]
    at: Option<String>,
    /// Of a ready-made stack that cannot be solved: position angle of the image's upward direction (rows counted from the
    /// bottom); 0 where north is up and east is left
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    north_pa: Option<f64>,
    /// Compare an earlier run's files by their contents, not only by size and time of change, before keeping its products
    #[arg(long)]
    verify: bool,
    /// The ledger to record the night in, instead of the campaign's
    #[arg(long, value_name = "FILE", conflicts_with = "no_ledger")]
    ledger: Option<PathBuf>,
    /// Record the night in no ledger
    #[arg(long)]
    no_ledger: bool,
}

impl From<NightArguments> for night::Options {
    fn from(arguments: NightArguments) -> Self {
        let NightArguments { frames_dir, campaign, out, other_band, night, leave_out, at, north_pa, verify, .. } =
            arguments;
        let choice = night::select::Choice { night, leave_out, at, north_pa_deg: north_pa };
        let ledger = match (arguments.ledger, arguments.no_ledger) {
            (_, true) => LedgerChoice::Nowhere,
            (Some(path), _) => LedgerChoice::File(path),
            _ => LedgerChoice::OfCampaign,
        };
        Self { frames_dir, campaign, out, other_band, choice, verify, ledger }
    }
}

/// What a call of `fanlight night` asks for; `None` of any other call.
pub fn night_options(arguments: Arguments) -> Option<night::Options> {
    match arguments.command {
        Command::Night(night) => Some((*night).into()),
        _ => None,
    }
}

#[derive(Debug, Subcommand)]
enum CatalogueCommand {
    /// Make one star list of the sky from big tables, of which each night reads only its field
    #[command(after_help = "Example:
  fanlight catalogue import gaia-north.csv gaia-south.fits --band r --band g --out catalogues/
  then in the campaign file:  catalogue = \"catalogues/sky.stars\"

Tables are CSV, VOTable or FITS, with the columns of any catalogue (docs/catalogues.md).
The stars wait in a temporary file beside OUT: as much disk again is needed for a while.")]
    Import {
        /// Tables of stars
        #[arg(required = true)]
        stars: Vec<PathBuf>,
        /// The star list to write, or a folder for sky.stars; folders are made, an older list is replaced
        #[arg(long)]
        out: PathBuf,
        /// A band to keep, by its name; may be given more than once; otherwise all are kept
        #[arg(long, value_name = "NAME")]
        band: Vec<String>,
    },
}

/// Carries a command out.
///
/// # Errors
/// Says what is wrong; its status is the process's exit status.
pub fn run(arguments: Arguments) -> Result<(), Failure> {
    match arguments.command {
        Command::Night(night) => night::command(&(*night).into()),
        Command::Enhance(options) => enhance::command(&options),
        Command::Desk(options) => desk::command(&options),
        Command::Season(options) => season::command(&options),
        Command::Caption { folder } => season::caption::command(&folder),
        Command::Export(options) => export::command(&options),
        Command::Geometry { campaign, utc, json, two_body } => {
            let options = geometry::Options { instants: utc, as_json: json, is_two_body: two_body };
            geometry::command(&campaign, &options)
        }
        Command::Simulate { scenario, out } => simulate::command(&scenario, &out),
        Command::Demo { out } => demo::command(&out),
        Command::Init { frames_dir, orbit, object, out } => init::command(&frames_dir, &orbit, &object, &out),
        Command::Ledger(command) => ledger::command(&command),
        Command::Catalogue(CatalogueCommand::Import { stars, out, band }) => catalogue::import(&stars, &out, band),
        Command::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut Arguments::command(), "fanlight", &mut script);
            messages::tell(String::from_utf8_lossy(&script).trim_end())
        }
    }
}
