//! `fanlight season`: several nights together.

pub mod activity;
pub mod cache;
pub mod caption;
pub mod changes;
pub mod comparison;
pub mod enhanced;
pub mod inputs;
pub mod periods;
pub mod products;
pub mod stacks;
pub mod tracks;

use crate::enhance::method::{Method, Settings};
use crate::ledger::entry;
use crate::{Failure, geometry, messages};
use cache::Cache;
use clap::{Args, ValueEnum};
use fanlight_coma::change::Comparison;
use fanlight_io::ledger::Side;
use fanlight_io::{OutputFolder, ReferenceRow};
use fanlight_record::{ChangeRecord, InputFile, Provenance, SEASON_SCHEMA, SeasonRecord, sentences};
use fanlight_sky::UtcInstant;
use inputs::{NightIn, Nights};
use std::path::{Path, PathBuf};

/// Nights a second in the animation where none is given.
const RATE: f64 = 1.5;

/// Which nights, and what is drawn of them.
#[derive(Debug, Clone, Args)]
pub struct Options {
    /// Folders that fanlight night wrote; without any, all nights of the campaign's ledger
    #[arg(value_name = "NIGHT_DIR")]
    pub nights: Vec<PathBuf>,
    /// The campaign file
    #[arg(long, value_name = "C.toml")]
    pub campaign: PathBuf,
    /// Folder for the products; made if need be
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Another ledger than the campaign's
    #[arg(long, value_name = "FILE")]
    pub ledger: Option<PathBuf>,
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
    #[arg(long, value_name = "RATE", default_value_t = RATE)]
    pub rate: f64,
    /// Write the animation as numbered pictures of 1920 × 1080 pixels too, for a video editor
    #[arg(long)]
    pub picture_sequence: bool,
    /// A montage of all nights through an enhancement too, the featureless twin under each; may be given several times
    #[arg(long, value_enum, value_name = "NAME")]
    pub enhance: Vec<Method>,
    /// Settings of the enhancements.
    #[command(flatten)]
    pub settings: Settings,
}

impl Options {
    /// These nights as they are drawn where nothing else is asked for.
    pub fn of(nights: Vec<PathBuf>, campaign: PathBuf, out: PathBuf) -> Self {
        Self {
            nights,
            campaign,
            out,
            ledger: None,
            reference: None,
            orientation: Way::NorthUp,
            half_width: None,
            rate: RATE,
            picture_sequence: false,
            enhance: Vec::new(),
            settings: Settings::default(),
        }
    }

    /// The call as it would be typed, for the record.
    fn as_typed(&self) -> String {
        let quoted = |p: &Path| format!("\"{}\"", p.display());
        let nights: String = self.nights.iter().map(|p| format!(" {}", quoted(p))).collect();
        let ledger = self.ledger.as_ref().map(|p| format!(" --ledger {}", quoted(p))).unwrap_or_default();
        let way = if self.orientation == Way::SunRight { " --orientation sun-right" } else { "" };
        let width = self.half_width.map(|w| format!(" --half-width {w}")).unwrap_or_default();
        let reference = self.reference.as_ref().map(|p| format!(" --reference {}", quoted(p))).unwrap_or_default();
        let rate = if self.rate == RATE { String::new() } else { format!(" --rate {}", self.rate) };
        let sequence = if self.picture_sequence { " --picture-sequence" } else { "" };
        let enhance: String = self.enhance.iter().map(|m| format!(" --enhance {}", m.name())).collect();
        let settings = self.settings.as_typed();
        format!(
            "fanlight season{nights} --campaign {} --out {}{ledger}{way}{width}{reference}{rate}{sequence}{enhance}{settings}",
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
    let ledger_path = options.ledger.clone().unwrap_or_else(|| campaign.ledger_path());
    let read = match options.nights.is_empty() {
        false => inputs::of_folders(&options.nights),
        true if !ledger_path.is_file() => {
            return Err(Failure::call(format!("{}: there is no ledger", ledger_path.display())).hint(
                "name the nights' folders; or measure nights with fanlight night, which records them, or take them in with fanlight ledger \
                 import",
            ));
        }
        true => {
            let ledger = fanlight_io::Ledger::open(&ledger_path).map_err(crate::ledger::failure)?;
            inputs::of_ledger(&ledger).map_err(crate::ledger::failure)?
        }
    };
    let object = campaign.object.as_ref().ok_or_else(|| {
        Failure::call(format!("{}: there is no section [object]", options.campaign.display()))
            .hint("fanlight season needs the comet's designation: only its own nights go together")
    })?;
    let side = |utc: &str| entry::side(UtcInstant::parse(utc).ok()?, &campaign).map(Side::as_str);
    let nights = inputs::sort_out(&object.designation, side, read)?;
    for reason in &nights.left_out {
        messages::warn(reason);
    }
    let own_list = options.reference.as_deref().map(comparison::read).transpose()?.unwrap_or_default();
    let folder = OutputFolder::create_or_open(&options.out).map_err(Failure::call)?;
    let mut cache = Cache::open(&ledger_path);
    let season = measure(&object.designation, nights, &own_list, options.as_typed(), cache.as_mut());
    crate::stop::no_more();
    products::write(&season, options, &folder)?;
    messages::tell(&folder.path(products::PAGE).display().to_string())
}

fn check(options: &Options) -> Result<(), Failure> {
    if !(0.05..=3.0).contains(&options.rate) {
        return Err(Failure::call(format!("--rate {}: outside 0.05 to 3 nights a second", options.rate)).hint(
            "pictures that change faster than three times a second can harm people with photosensitive epilepsy",
        ));
    }
    if options.half_width.is_some_and(|w| !(w > 0.0 && w.is_finite())) {
        return Err(Failure::call("--half-width: must be a number of km over 0"));
    }
    enhanced::check(&options.enhance, &options.settings)
}

/// Everything that the nights say together.
pub fn measure(
    object: &str,
    sorted: Nights,
    own_list: &[ReferenceRow],
    command: String,
    cache: Option<&mut Cache>,
) -> Season {
    let Nights { nights, left_out } = sorted;
    let mut notes = left_out;
    let (changes, last) = changes_of(&nights, cache);
    let (tracks, expansions) = tracks::record(&nights, &mut notes);
    let activity = activity::record(&nights, own_list, &mut notes);
    let period_searches = periods::record(&nights, &activity);
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

/// Each night against the one before it in its band, those that were compared before as they were kept; with the last comparison itself,
/// for its map.
fn changes_of(nights: &[NightIn], mut cache: Option<&mut Cache>) -> (Vec<ChangeRecord>, Option<(usize, Comparison)>) {
    let before = |i: usize| nights[..i].iter().rev().find(|n| n.band() == nights[i].band());
    let pairs: Vec<(&NightIn, &NightIn)> = (0..nights.len()).filter_map(|i| Some((before(i)?, &nights[i]))).collect();
    let mut changes = Vec::new();
    let mut last = None;
    for (index, (earlier, later)) in pairs.iter().enumerate() {
        // the map of the last pair is drawn, and not kept
        let kept = cache.as_ref().filter(|_| index + 1 < pairs.len()).and_then(|c| c.get(earlier, later));
        if let Some(change) = kept {
            changes.push(change);
            continue;
        }
        let (change, comparison) = changes::between(earlier, later);
        tracing::info!("{}", change.statement);
        if let Some(cache) = &mut cache {
            cache.put(earlier, later, &change);
        }
        last = comparison.map(|comparison| (index, comparison)).or(last);
        changes.push(change);
    }
    (changes, last)
}

fn provenance(nights: &[NightIn], command: String) -> Provenance {
    let inputs = nights.iter().map(|n| {
        let name = |folder: &PathBuf| folder.join(crate::night::products::RECORD).display().to_string();
        let file = n.folder.as_ref().map_or_else(|| format!("night of {} in the ledger", n.record.mid_utc), name);
        InputFile { file, role: "night".into(), sha256: n.sha256.clone() }
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
    "Changes: both nights on one grid of km at the comet, both filtered to one round star image, each divided by its azimuthal mean; their \
     difference searched as a single night is, its noise by the sub-stacks of both; and asked at the places of what both nights show.",
    "Tracks: features linked to the nearest of compatible kind by the direction they had, by their offset from the sunward direction or the \
     velocity, or by their drift, within three errors or half their width.",
    "Directions: likelihoods averaged over parameters (MacKay 2003) of an offset fixed to the Sun's direction, of one direction in space, and of \
     a periodic one.",
    "Periods: floating-mean Lomb-Scargle periodogram (Zechmeister & Kürster 2009, A&A 496, 577) of directions, of the light and of the coma's \
     brightness by direction, false alarms by shuffling.",
    "Activity: A(0°)fρ as a power of the distance from the Sun (A'Hearn et al. 1995, Icarus 118, 223) with intrinsic scatter; outbursts as steps \
     against it, held against seasons simulated with the same scatter.",
];
