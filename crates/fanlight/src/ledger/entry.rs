//! A night on its way into the ledger: what its record does not say, and `fanlight night` recording itself.

use super::failure;
use crate::{Failure, geometry, messages};
use fanlight_io::ledger::{Entry, NightFile, Outcome, Recorded, Side};
use fanlight_io::{Campaign, Ledger};
use fanlight_sky::UtcInstant;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// Where `fanlight night` records itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub enum Choice {
    /// In the campaign's ledger.
    #[default]
    OfCampaign,
    /// In this one.
    File(PathBuf),
    /// Nowhere.
    Nowhere,
}

impl Choice {
    /// The ledger; `None` where there is to be none.
    pub fn path(&self, campaign: &Campaign) -> Option<PathBuf> {
        match self {
            Self::OfCampaign => Some(campaign.ledger_path()),
            Self::File(path) => Some(path.clone()),
            Self::Nowhere => None,
        }
    }
}

/// Records a finished night. The night stands whether or not it can be recorded: what is in the way is a warning.
pub fn record_finished(out: &Path, campaign: &Path, choice: &Choice) {
    match record_in(out, campaign, choice) {
        Ok(None) => {}
        Ok(Some((path, recorded))) => {
            tracing::info!("{} in ledger {}", told(&recorded), path.display());
            recorded.notes.iter().for_each(|note| messages::warn(&format!("ledger: {note}")));
        }
        Err(failure) => {
            let hint = failure.hint.map(|hint| format!(" ({hint})")).unwrap_or_default();
            messages::warn(&format!(
                "the night is measured, but it is not in the ledger: {}{hint}; `fanlight ledger import {} --campaign {}` takes it in later",
                failure.message,
                out.display(),
                campaign.display()
            ));
        }
    }
}

/// Records a finished night: in which ledger, and what became of it there.
///
/// # Errors
/// When the campaign, the record or the ledger cannot be read or written.
pub fn record_in(out: &Path, campaign: &Path, choice: &Choice) -> Result<Option<(PathBuf, Recorded)>, Failure> {
    let campaign = geometry::load_campaign(campaign)?;
    let Some(path) = choice.path(&campaign) else { return Ok(None) };
    let night = NightFile::read(out).map_err(failure)?;
    let mut ledger = Ledger::open_or_create(&path).map_err(failure)?;
    let recorded = record(&mut ledger, &night, Some(&campaign)).map_err(failure)?;
    Ok(Some((path, recorded)))
}

/// Takes a night in, with what the campaign says of it.
pub(super) fn record(
    ledger: &mut Ledger,
    night: &NightFile,
    campaign: Option<&Campaign>,
) -> Result<Recorded, fanlight_io::LedgerError> {
    let band = band(night, campaign);
    let file = campaign.and_then(|c| c.path().file_name()).map(|name| name.to_string_lossy().into_owned());
    ledger.record_night(&Entry {
        night,
        band: band.as_deref(),
        side: campaign.and_then(|c| side(night.mid(), c)),
        campaign: file.as_deref(),
        now: instant(SystemTime::now()),
    })
}

/// What became of a night, in words.
pub(super) fn told(recorded: &Recorded) -> String {
    let id = recorded.id;
    match &recorded.outcome {
        Outcome::New => format!("recorded as night {id}"),
        Outcome::Unchanged => format!("unchanged, night {id}"),
        Outcome::Replaced(ids) => match ids.as_slice() {
            [one] => format!("replaced night {one}"),
            many => {
                let list: Vec<String> = many.iter().map(ToString::to_string).collect();
                format!("replaced nights {}, now night {id}", list.join(", "))
            }
        },
    }
}

/// The band that a night was calibrated to; of one that was not, the band that its frames were chosen for.
fn band(night: &NightFile, campaign: Option<&Campaign>) -> Option<String> {
    let record = night.record();
    let measured = record.zero_point.as_ref().map(|z| &z.band).or_else(|| record.photometry.first().map(|p| &p.band));
    let chosen = || campaign.and_then(|c| c.photometry.band.as_ref());
    let filter = || record.setup.filter.as_deref();
    let of_filter = || filter().map(|f| campaign.map_or(f, |c| c.band_of_filter(f)).to_owned());
    measured.or_else(chosen).cloned().or_else(of_filter)
}

/// Whether the comet was coming or going, by its two-body motion; `None` where the campaign has no orbit.
pub fn side(mid: UtcInstant, campaign: &Campaign) -> Option<Side> {
    let state = campaign.orbit().ok()?.state_at(mid.tdb()).ok()?;
    let outward: f64 = state.position_au.iter().zip(state.velocity_au_d).map(|(r, v)| r * v).sum();
    Some(if outward < 0.0 { Side::Pre } else { Side::Post })
}

/// An instant of the computer's clock, whose days all have 86 400 s.
pub fn instant(time: SystemTime) -> UtcInstant {
    const UNIX_EPOCH_JD: f64 = 2_440_587.5;
    let since = time.duration_since(UNIX_EPOCH).unwrap_or_default();
    UtcInstant::from_jd(UNIX_EPOCH_JD + since.as_secs_f64() / 86_400.0)
}
