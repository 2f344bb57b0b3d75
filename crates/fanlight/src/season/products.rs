//! Writing what the nights gave together: figures, page, animation and record, each whole or not at all.

use super::enhanced::{self, EnhancedNights};
use super::stacks::Stacks;
use super::{Options, Season, Way};
use crate::Failure;
use crate::night::products::{remove_figure, write_figures};
use fanlight_coma::change::Comparison;
use fanlight_coma::solar;
use fanlight_image::Mask;
use fanlight_io::OutputFolder;
use fanlight_present::season::{
    Animation, ChangePictures, FrameSize, MontageNight, SeasonPictures, SkyOrientation, season_figures, sequence_name,
};
use fanlight_present::{SkyPicture, season_page};
use fanlight_record::{SeasonNight, SeasonRecord};

/// The page.
pub const PAGE: &str = "season.html";
/// The record.
pub const RECORD: &str = "season.json";
/// The montage as a time-lapse.
const ANIMATIONS: [&str; 2] = ["season.gif", "season-animated.png"];
/// The folder of the montage as numbered pictures.
const SEQUENCE: &str = "sequence";

/// Writes everything; the record last, so that a record always has its products beside it.
///
/// # Errors
/// When a figure cannot be drawn or a file cannot be written.
pub fn write(season: &Season, options: &Options, folder: &OutputFolder) -> Result<(), Failure> {
    let record = &season.record;
    folder.remove(RECORD).map_err(Failure::data)?;
    folder.remove_leftovers("");
    folder.remove_leftovers("figures");
    folder.remove_leftovers(SEQUENCE);
    let stacks = stacks(season);
    let map = season.last.as_ref().map(|(_, c)| Map::new(c));
    let first = season.nights.len() - stacks.len();
    let nights = montage_nights(season, &stacks);
    let enhanced: Vec<EnhancedNights> = options
        .enhance
        .iter()
        .filter_map(|m| {
            EnhancedNights::new(*m, &options.settings, &season.nights[first..], &stacks, &nights).transpose()
        })
        .collect::<Result<_, _>>()?;
    let pictures = pictures(season, options, nights, &enhanced, map.as_ref());
    let figures = season_figures(record, &pictures).map_err(Failure::data)?;
    clear_earlier(folder)?;
    write_figures(&figures, folder, "figures/")?;
    let animation = animate(record, &pictures, options, folder)?;
    folder.write(PAGE, season_page(record, &figures, animation.as_deref()).as_bytes()).map_err(Failure::data)?;
    folder.write_json(RECORD, record).map_err(Failure::data)
}

/// Figures that a season may have.
const FIGURES: [&str; 5] = ["montage", "change", "tracks", "activity", "light-curve"];

/// Takes away what an earlier run left and this one may not replace.
fn clear_earlier(folder: &OutputFolder) -> Result<(), Failure> {
    let mut names = FIGURES.iter().map(ToString::to_string).chain(enhanced::figure_names());
    names.try_for_each(|name| remove_figure(&name, folder))?;
    // the last first: pictures are found again by their numbers up to the first that is missing
    let pictures: Vec<String> = (0..)
        .map(|n| format!("{SEQUENCE}/{}", sequence_name(n)))
        .take_while(|name| folder.path(name).is_file())
        .collect();
    pictures.iter().rev().try_for_each(|name| folder.remove(name).map_err(Failure::data))?;
    ANIMATIONS.iter().try_for_each(|name| folder.remove(name).map_err(Failure::data))
}

/// Nights in the montage at most, the latest.
const MOST_PICTURED: usize = 60;

/// The latest nights' stacks, where they can be read; a night whose stack cannot be keeps its empty place in the montage.
fn stacks(season: &Season) -> Vec<Option<Stacks>> {
    let first = season.nights.len().saturating_sub(MOST_PICTURED);
    season.nights[first..]
        .iter()
        .map(|n| {
            let folder = n.folder.as_ref()?;
            Stacks::read(folder, &n.record, false).map_err(|e| crate::messages::warn(&e.to_string())).ok()
        })
        .collect()
}

/// The last comparison as it is drawn.
struct Map<'a> {
    comparison: &'a Comparison,
    mask: Mask,
}

impl<'a> Map<'a> {
    fn new(comparison: &'a Comparison) -> Self {
        let image = &comparison.significance;
        Self { comparison, mask: Mask::clear(image.width, image.height) }
    }

    /// Scaled as the later night sees the comet.
    fn picture(&self, later: &SeasonNight) -> SkyPicture<'_> {
        let scale = self.comparison.km_per_px / later.km_per_arcsec;
        SkyPicture {
            image: &self.comparison.significance,
            mask: &self.mask,
            centre_x_px: self.comparison.centre_px.0,
            centre_y_px: self.comparison.centre_px.1,
            arcsec_per_px: [[-scale, 0.0], [0.0, scale]],
            zero_point_mag: None,
        }
    }
}

fn montage_nights<'a>(season: &'a Season, stacks: &'a [Option<Stacks>]) -> Vec<MontageNight<'a>> {
    let first = season.nights.len() - stacks.len();
    season.record.nights[first..]
        .iter()
        .zip(stacks)
        .zip(&season.nights[first..])
        .map(|((night, stacks), own)| MontageNight {
            night,
            picture: stacks.as_ref().map(Stacks::picture),
            twin: None,
            sky_noise_e_per_s_px: Some(own.record.stack.sky_noise_e_per_s_px),
            solar_mag: night.band.as_deref().and_then(solar::solar_magnitude),
        })
        .collect()
}

fn pictures<'a>(
    season: &'a Season,
    options: &Options,
    nights: Vec<MontageNight<'a>>,
    enhanced: &'a [EnhancedNights],
    map: Option<&'a Map>,
) -> SeasonPictures<'a> {
    let record = &season.record;
    let change = season.last.as_ref().zip(map).and_then(|((index, _), map)| {
        let change = record.changes.get(*index)?;
        let at = |utc: &str| nights.iter().find(|n| n.night.mid_utc == utc).cloned();
        let (earlier, later) = (at(&change.from_utc)?, at(&change.to_utc)?);
        let sigmas = map.picture(later.night);
        Some(ChangePictures { change, sigmas, earlier, later, how: HOW })
    });
    let mut pictures = SeasonPictures {
        nights,
        enhanced: Vec::new(),
        change,
        orientation: match options.orientation {
            Way::NorthUp => SkyOrientation::NorthUp,
            Way::SunRight => SkyOrientation::SunRight,
        },
        half_width_km: options.half_width,
    };
    // as wide as that of the light
    let half_width_km = pictures.montage(record).half_width_km;
    let montages =
        enhanced.iter().map(|e| e.montage(&record.object, &pictures.nights, pictures.orientation, half_width_km));
    pictures.enhanced = montages.collect();
    pictures
}

/// How the map of changes is made, in its caption.
const HOW: &str = "Both nights laid on one grid of km at the comet about their optocentres, both filtered to one round star image, \
                   each divided by its azimuthal mean, their difference smoothed over a star image's area and divided by its error.";

/// Writes the animation where two nights or more have a picture; returns the animated PNG.
fn animate(
    record: &SeasonRecord,
    pictures: &SeasonPictures,
    options: &Options,
    folder: &OutputFolder,
) -> Result<Option<Vec<u8>>, Failure> {
    if pictures.nights.iter().filter(|n| n.picture.is_some()).count() < 2 {
        return Ok(None);
    }
    let montage = pictures.montage(record);
    let square = Animation::new(&montage, FrameSize::Square, options.rate).map_err(Failure::data)?;
    let apng = square.apng().map_err(Failure::data)?;
    folder.write(ANIMATIONS[0], &square.gif().map_err(Failure::data)?).map_err(Failure::data)?;
    folder.write(ANIMATIONS[1], &apng).map_err(Failure::data)?;
    if options.picture_sequence {
        let wide = Animation::new(&montage, FrameSize::Wide, options.rate).map_err(Failure::data)?;
        for one in wide.png_sequence() {
            let (name, bytes) = one.map_err(Failure::data)?;
            folder.write(&format!("{SEQUENCE}/{name}"), &bytes).map_err(Failure::data)?;
        }
    }
    Ok(Some(apng))
}
