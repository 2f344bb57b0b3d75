//! `fanlight season`: several nights together.

pub mod activity;
pub mod caption;
pub mod changes;
pub mod comparison;
pub mod inputs;
pub mod products;
pub mod stacks;
pub mod tracks;

use crate::{Failure, geometry, messages};
use clap::{Args, ValueEnum};
use fanlight_coma::change::Comparison;
use fanlight_io::{OutputFolder, ReferenceRow};
use fanlight_record::{ChangeRecord, InputFile, Provenance, SEASON_SCHEMA, SeasonRecord, sentences};
use inputs::{NightIn, Nights};
use std::path::{Path, PathBuf};

/// Which nights, and what is drawn of them.
#[derive(Debug, Clone, Args)]
pub struct Options {
    /// Folders that fanlight night wrote
    #[arg(required = true, value_name = "NIGHT_DIR")]
    pub nights: Vec<PathBuf>,
    /// The campaign file
    #[arg(long, value_name = "C.toml")]
    pub campaign: PathBuf,
    /// Folder for the products; made if need be
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Afρ of other comets to stand beside the built-in ones, a CSV (docs/season.md)
    #[arg(long, value_name = "CSV")]
    pub reference: Option<PathBuf>,
    /// How the pictures of the montage lie
    #[arg(long, value_enum, value_name = "WAY", default_value = "north-up")]
    pub orientation: Way,
    /// Half the width of the montage's pictures, km; otherwise by the apertures
    #[arg(long, value_name = "KM")]
    pub half_width: Option<f64>,
    /// Nights a second in the animation, 0.05 to 3: faster would flash
    #[arg(long, value_name = "RATE", default_value_t = 1.5)]
    pub rate: f64,
    /// Write the animation as numbered pictures of 1920 × 1080 pixels too, for a video editor
    #[arg(long)]
    pub picture_sequence: bool,
}

impl Options {
    /// The call as it would be typed, for the record.
    fn as_typed(&self) -> String {
        let quoted = |p: &Path| format!("\"{}\"", p.display());
        let nights: Vec<String> = self.nights.iter().map(|p| quoted(p)).collect();
        let way = if self.orientation == Way::SunRight { " --orientation sun-right" } else { "" };
        let width = self.half_width.map(|w| format!(" --half-width {w}")).unwrap_or_default();
        let reference = self.reference.as_ref().map(|p| format!(" --reference {}", quoted(p))).unwrap_or_default();
        format!(
            "fanlight season {} --campaign {} --out {}{way}{width}{reference}",
            nights.join(" "),
            quoted(&self.campaign),
            quoted(&self.out)
        )
    }
}

/// How pictures lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Way {
    /// North up, east left
    NorthUp,
    /// The Sun to the right
    SunRight,
}

/// A season measured, with what its pictures need.
pub struct Season {
    /// The record.
    pub record: SeasonRecord,
    /// Its nights.
    pub nights: Vec<NightIn>,
    /// The last pair that was compared, by the index of its change.
    pub last: Option<(usize, Comparison)>,
}

/// Runs the command and says where the page is.
///
/// # Errors
/// When no night can be used, the campaign is wrong, or a product cannot be written.
pub fn command(options: &Options) -> Result<(), Failure> {
    check(options)?;
    let campaign = geometry::load_campaign(&options.campaign)?;
    let read = inputs::read(&options.nights).into_iter().map(|r| r.map(|(record, folder)| (record, Some(folder))));
    let object = campaign.object.as_ref().ok_or_else(|| {
        Failure::call(format!("{}: there is no section [object]", options.campaign.display()))
            .hint("fanlight season needs the comet's designation: only its own nights go together")
    })?;
    let perihelion_days = object.orbit.as_ref().map(|o| o.perihelion_jd_tdb - UNIX_EPOCH_JD);
    let nights = inputs::sort_out(&object.designation, perihelion_days, read.collect())?;
    for reason in &nights.left_out {
        messages::warn(reason);
    }
    let own_list = options.reference.as_deref().map(comparison::read).transpose()?.unwrap_or_default();
    let season = measure(&object.designation, nights, &own_list, options.as_typed());
    let folder = OutputFolder::create_or_open(&options.out).map_err(Failure::call)?;
    products::write(&season, options, &folder)?;
    messages::tell(&folder.path(products::PAGE).display().to_string())
}

/// Julian date of 1970-01-01T00:00.
const UNIX_EPOCH_JD: f64 = 2_440_587.5;

fn check(options: &Options) -> Result<(), Failure> {
    if !(0.05..=3.0).contains(&options.rate) {
        return Err(Failure::call(format!("--rate {}: outside 0.05 to 3 nights a second", options.rate)).hint(
            "pictures that change faster than three times a second can harm people with photosensitive epilepsy",
        ));
    }
    if options.half_width.is_some_and(|w| !(w > 0.0 && w.is_finite())) {
        return Err(Failure::call("--half-width: must be a number of km over 0"));
    }
    Ok(())
}

/// Everything that the nights say together.
pub fn measure(object: &str, sorted: Nights, own_list: &[ReferenceRow], command: String) -> Season {
    let Nights { nights, left_out } = sorted;
    let mut notes = left_out;
    let (changes, last) = changes_of(&nights);
    let (tracks, expansions) = tracks::record(&nights, &mut notes);
    let activity = activity::record(&nights, own_list, &mut notes);
    let period_searches = tracks::light_period(&nights, &activity).into_iter().collect();
    let mut record = SeasonRecord {
        schema: SEASON_SCHEMA.into(),
        object: object.into(),
        nights: nights.iter().map(NightIn::listed).collect(),
        changes,
        tracks,
        activity,
        period_searches,
        expansions,
        notes,
        provenance: provenance(&nights, command),
        summary: String::new(),
    };
    record.summary = sentences::season_summary(&record);
    Season { record, nights, last }
}

/// Each night against the one before it in its band.
fn changes_of(nights: &[NightIn]) -> (Vec<ChangeRecord>, Option<(usize, Comparison)>) {
    let mut changes = Vec::new();
    let mut last = None;
    for (i, later) in nights.iter().enumerate() {
        let Some(earlier) = nights[..i].iter().rev().find(|n| n.band() == later.band()) else { continue };
        let (change, comparison) = changes::between(earlier, later);
        tracing::info!("{}", change.statement);
        if let Some(comparison) = comparison {
            last = Some((changes.len(), comparison));
        }
        changes.push(change);
    }
    (changes, last)
}

fn provenance(nights: &[NightIn], command: String) -> Provenance {
    let inputs = nights.iter().filter_map(|n| {
        let folder = n.folder.as_ref()?;
        let path = folder.join(crate::night::products::RECORD);
        let sha256 = fanlight_io::sha256_file(&path).ok()?;
        Some(InputFile { file: path.display().to_string(), role: "night".into(), sha256 })
    });
    Provenance {
        program: format!("fanlight {}", env!("CARGO_PKG_VERSION")),
        command,
        inputs: inputs.collect(),
        methods: METHODS.iter().map(|m| (*m).to_string()).collect(),
    }
}

/// What was done, with sources.
const METHODS: [&str; 5] = [
    "Changes: both nights on one grid of km at the comet, smoothed to one round star image, each divided by its azimuthal mean; their difference \
     searched as a single night is, its noise by the sub-stacks of both.",
    "Tracks: features linked to the nearest of compatible kind by the direction they had, by their offset from the sunward direction or the \
     velocity, or by their drift, within three errors or half their width.",
    "Directions: likelihoods averaged over parameters (MacKay 2003) of an offset fixed to the Sun's direction, of one direction in space, and of \
     a periodic one.",
    "Periods: floating-mean Lomb-Scargle periodogram (Zechmeister & Kürster 2009, A&A 496, 577), false alarms by shuffling.",
    "Activity: A(0°)fρ as a power of the distance from the Sun (A'Hearn et al. 1995, Icarus 118, 223) with intrinsic scatter; outbursts as steps \
     against it, held against seasons simulated with the same scatter.",
];
