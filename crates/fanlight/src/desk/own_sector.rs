//! Sectors of a finished night that a person chose by eye, measured from the night's products.
//!
//! The night's model is built again from `comet.fits`, `substacks.fits`, `twin.fits` and `night.json`, searched as the night was, and kept.

use crate::Failure;
use crate::night::products::TWIN;
use crate::night::structure::{SEED, without_condensations};
use crate::season::stacks::Stacks;
use fanlight_coma::evidence::condensations;
use fanlight_coma::evidence::night_model::{NightModel, NoEvidence, StackForEvidence};
use fanlight_coma::evidence::own_sector::{SectorMeasured, SectorModel, Side};
use fanlight_coma::measure::RingProfile;
use fanlight_image::Image;
use fanlight_record::{NightRecord, sentences};
use serde::Serialize;
use std::path::Path;
use utoipa::ToSchema;

pub use fanlight_coma::evidence::own_sector::Sector;

/// A night whose sectors can be measured: built once, in some seconds, and kept.
pub struct OwnSectors {
    model: SectorModel,
}

/// A person's sector with what it has.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Measured {
    /// Position angle of its middle, in [0, 360).
    pub pa_deg: f64,
    /// Full width at half height as seen.
    pub width_deg: f64,
    /// Where what was measured of it begins: nowhere nearer than the night resolves.
    pub inner_arcsec: f64,
    /// Where it ends: nowhere farther than the coma stands out.
    pub outer_arcsec: f64,
    /// Light on its axis beyond the mean of its rings, as a share of the mean coma, what the featureless twin and other features show taken off.
    pub contrast: f64,
    /// Its error, 1σ.
    pub contrast_err: f64,
    /// Contrast over its error, by noise and what was taken off; negative where it is darker.
    pub significance: f64,
    /// `brighter` or `darker` than the rest of its rings: the side that the probabilities are of.
    pub side: &'static str,
    /// Chance of as much on that side in this very sector, had both been named before anyone looked.
    pub probability_alone: f64,
    /// Chance of as much on that side somewhere in the picture: for a sector chosen by eye.
    pub probability_by_eye: f64,
    /// The contrast with nothing taken off.
    pub raw_contrast: f64,
    /// The same of the featureless twin; `None` without one.
    pub twin_contrast: Option<f64>,
    /// Whether it is the place of a feature that the search finds by itself.
    pub is_feature: bool,
    /// Share of its pixels that can be used.
    pub good_share: f64,
    /// What the numbers are worth, in words.
    pub explanation: String,
}

impl OwnSectors {
    /// Of a night's folder and the record in it.
    ///
    /// # Errors
    /// When a product is missing, cannot be read or is of another night, or when nothing can be told of the coma's structure.
    pub fn of_folder(folder: &Path, record: &NightRecord) -> Result<Self, Failure> {
        let stacks = Stacks::read(folder, record, true)?;
        let twin = twin(folder)?;
        let model = stacks.for_evidence(record, |input| {
            searched(input, record).map(|(model, findings)| SectorModel::new(model, findings, twin.as_ref()))
        });
        let not_told = || {
            Failure::data(
                "no star image or no centre is known of this night: nothing can be told of its coma's structure",
            )
            .hint("measure the night again with more or sharper frames")
        };
        let model = model.ok_or_else(not_told)?;
        Ok(Self { model: model.map_err(|e| Failure::data(e).about(folder.display()))? })
    }

    /// Inner and outer radius between which sectors can be measured.
    pub fn reach_arcsec(&self) -> (f64, f64) {
        self.model.reach_arcsec()
    }

    /// Measures a sector, in milliseconds.
    ///
    /// # Errors
    /// When there is nothing to measure; the failure's hint says what to do.
    pub fn measure(&self, sector: &Sector) -> Result<Measured, Failure> {
        let found = self.model.measure(sector).map_err(|why| Failure::data(&why).hint(why.hint()))?;
        let explanation = explanation(&found);
        let SectorMeasured { sector, is_feature, .. } = found;
        Ok(Measured {
            pa_deg: sector.pa_deg,
            width_deg: sector.width_deg,
            inner_arcsec: sector.inner_arcsec,
            outer_arcsec: sector.outer_arcsec,
            contrast: found.contrast,
            contrast_err: found.contrast_err,
            significance: found.significance,
            side: match found.side {
                Side::Brighter => "brighter",
                Side::Darker => "darker",
            },
            probability_alone: found.probability_alone,
            probability_by_eye: found.probability_by_eye,
            raw_contrast: found.raw_contrast,
            twin_contrast: found.twin_contrast,
            is_feature: is_feature.is_some(),
            good_share: found.good_share,
            explanation,
        })
    }
}

type Searched = (NightModel, fanlight_coma::evidence::search::Findings);

/// The night's model with what its search finds, condensations beside the centre taken off where the record has any.
fn searched(input: &StackForEvidence, record: &NightRecord) -> Result<Searched, NoEvidence> {
    let beside = if record.morphology.condensations.is_empty() {
        Vec::new()
    } else {
        let centre_px = input.frame.centre_px;
        let reach_px = input.frame.to_edge_px((input.image.width, input.image.height)).max(0.0);
        condensations::find(input, &RingProfile::measure(input.image, input.mask, centre_px, reach_px))
    };
    without_condensations(input, &beside, |input| {
        let model = NightModel::settled(input)?;
        let findings = model.find(SEED);
        Ok((model, findings))
    })
}

/// The featureless twin without noise, where the night has one.
fn twin(folder: &Path) -> Result<Option<Image>, Failure> {
    let path = folder.join(TWIN);
    if !path.is_file() {
        return Ok(None);
    }
    fanlight_io::read_image(&path).map(|read| Some(read.image)).map_err(Failure::data)
}

/// What a measured sector's numbers are worth.
fn explanation(found: &SectorMeasured) -> String {
    let by_eye = sentences::format_chance(found.probability_by_eye);
    let alone = sentences::format_chance(found.probability_alone);
    let (as_much, of, other) = match found.side {
        Side::Brighter => ("bright", "brighter", "darker"),
        Side::Darker => ("dark", "darker", "brighter"),
    };
    let mut text = format!(
        "This place was chosen by eye, and whoever looks takes the place that stands out: a coma without structure is as {as_much} somewhere with a \
         probability of {by_eye}. Had this very place been named before anyone looked, it would be {alone}. Asked was for {of} places alone; who \
         would have taken a {other} one as well has to double both. Either is weaker than what the search finds, which counts every place that it \
         tries and challenges what it finds."
    );
    if found.is_feature.is_some() {
        text.push_str(" The search finds a feature here by itself: its own entry in the record says more.");
    }
    text
}
