//! `fanlight caption`: what a night or a season shows, in plain words for the public.

use super::products::RECORD as SEASON_RECORD;
use crate::night::products::RECORD as NIGHT_RECORD;
use crate::{Failure, messages};
use fanlight_record::{NightRecord, SeasonRecord, sentences};
use std::path::Path;

/// Says a caption for a folder that `fanlight night` or `fanlight season` wrote.
///
/// # Errors
/// When the folder holds no record, or it cannot be read.
pub fn command(folder: &Path) -> Result<(), Failure> {
    let text = match (folder.join(NIGHT_RECORD), folder.join(SEASON_RECORD)) {
        (night, _) if night.is_file() => {
            let record: NightRecord = fanlight_io::read_json(&night).map_err(Failure::data)?;
            sentences::night_caption(&record)
        }
        (_, season) if season.is_file() => {
            let record: SeasonRecord = fanlight_io::read_json(&season).map_err(Failure::data)?;
            sentences::season_caption(&record)
        }
        _ => {
            return Err(Failure::call(format!(
                "{}: there is neither {NIGHT_RECORD} nor {SEASON_RECORD} in it",
                folder.display()
            ))
            .hint("name a folder that fanlight night or fanlight season wrote"));
        }
    };
    messages::tell(&text)
}
