//! Everything that is drawn of several nights together.

mod activity;
mod animation;
mod change;
mod encode;
mod marks;
mod montage;
mod rows;
mod same_scale;
mod tracks;

pub use animation::{Animation, FrameSize};
pub use change::{ChangePictures, change};
pub use encode::sequence_name;
pub use montage::montage;
pub use same_scale::{Montage, MontageNight, Shows, SkyOrientation, af_per_e_per_s_arcsec2};

pub(crate) use activity::{shown_aperture_km, side_words};
pub(crate) use tracks::kind as track_kind;

use crate::{Figure, PresentError};
use fanlight_record::SeasonRecord;

/// What of a season is drawn and not in its record.
#[derive(Debug, Clone)]
pub struct SeasonPictures<'a> {
    /// One for each of the record's nights, in its order; a night without an image keeps its place.
    pub nights: Vec<MontageNight<'a>>,
    /// Enhanced images of the nights with their twins.
    pub enhanced: Vec<Montage<'a>>,
    /// The latest pair of nights that was compared.
    pub change: Option<ChangePictures<'a>>,
    /// How the pictures of the montage lie; that of a change is always north up.
    pub orientation: SkyOrientation,
    /// Half the side of the pictures in the montage; otherwise four times the largest aperture of the activity, or what the
    /// nights reach where that is less.
    pub half_width_km: Option<f64>,
}

impl<'a> SeasonPictures<'a> {
    /// The montage of the light: what [`season_figures`] draws, and an animation goes through.
    pub fn montage(&self, season: &'a SeasonRecord) -> Montage<'a> {
        Montage {
            name: "montage",
            object: &season.object,
            nights: self.nights.clone(),
            shows: Shows::Light,
            orientation: self.orientation,
            half_width_km: self.half_width_km.or_else(|| usual_half_width_km(season, &self.nights)),
        }
    }
}

/// Half the side of a montage's pictures: four times the largest aperture, no more than the nights reach, but never under one
/// and a half apertures.
fn usual_half_width_km(season: &SeasonRecord, nights: &[MontageNight]) -> Option<f64> {
    let apertures = season.activity.points.iter().map(|p| p.aperture_km).filter(|a| a.is_finite() && *a > 0.0);
    let widest = apertures.reduce(f64::max)?;
    Some((4.0 * widest).min(same_scale::reached_km(nights)?.max(1.5 * widest)))
}

/// Every figure for which the season has data, in the order of the page: `montage`, then the enhanced ones by their names,
/// `change`, `tracks`, `activity`, `light-curve`.
///
/// # Errors
/// When images do not share a grid, or centre or scale cannot be used.
pub fn season_figures(season: &SeasonRecord, pictures: &SeasonPictures) -> Result<Vec<Figure>, PresentError> {
    let mut figures: Vec<Figure> = Vec::new();
    figures.extend(montage(&pictures.montage(season))?);
    for enhanced in &pictures.enhanced {
        figures.extend(montage(enhanced)?);
    }
    if let Some(pictures) = &pictures.change {
        figures.extend(change(&season.object, pictures)?);
    }
    figures.extend(
        [tracks::tracks(season), activity::activity(season), activity::light_curve(season)].into_iter().flatten(),
    );
    Ok(figures)
}
