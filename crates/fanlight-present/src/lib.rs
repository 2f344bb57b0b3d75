//! Figures and pages: records and images in, bytes out.
//!
//! [`night_figures`] draws one night's pictures and plots as SVG, each in a light and a dark version; [`svg_to_png`]
//! turns one into pixels for slides and print; [`night_page`] lays record and figures out as one self-contained HTML
//! file. Nothing here measures: every number on a figure is the record's, apart from the local slope of the profile
//! and the isophotes, which are drawn from it.
//!
//! Figures are 170 mm wide with text of 8 to 12 pt. The same input gives the same bytes.

mod apart;
pub mod colour;
mod contour_lines;
mod dates;
mod desk;
mod enhanced;
mod error;
mod frame_plots;
mod night_plots;
mod page;
mod picture;
mod places;
mod plot;
mod png_out;
mod radial_plots;
mod rim;
mod room;
mod scale_bars;
pub mod season;
mod sheet;
pub mod sky;
mod stretch;
mod structure;
mod svg;
mod theme;

pub use desk::{UsualStretch, desk_page_file, desk_page_files, enhanced_stretch, neutral_stretch};
pub use enhanced::{EnhancedPicture, Orientation, Values, enhanced_figure};
pub use error::PresentError;
pub use fanlight_record::sentences::{format_measured, format_utc, format_utc_long, format_value};
pub use frame_plots::frame_plot_names;
pub use night_plots::OrbitPlan;
pub use page::{night_page, season_page};
pub use png_out::svg_to_png;
pub use radial_plots::{LocalSlope, profile_slopes};
pub use rim::Directions;
pub use room::Room;
pub use sheet::{Sheet, sheet, sheet_to_png, svg_alt, svg_heading, svg_size};
pub use sky::SkyPicture;
pub use structure::{StructurePictures, tonight_panel};

use fanlight_image::Image;
use fanlight_record::NightRecord;

/// What of a night is drawn and not in its record.
#[derive(Debug, Clone)]
pub struct NightPictures<'a> {
    /// The comet-registered stack.
    pub light: SkyPicture<'a>,
    /// The rotational gradient on the same grid, centred likewise, e⁻/s per pixel; not finite where unknown.
    pub rotational_gradient: &'a Image,
    /// How it was made, as captions say it: angles, centre, smoothing.
    pub gradient_description: String,
    /// The featureless twin; `None` where structure was not analysed.
    pub structure: Option<StructurePictures<'a>>,
    /// Orbits of comet and Earth, for a plan.
    pub orbit_plan: Option<OrbitPlan>,
}

/// One figure, ready to be shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// File name without ending: `light`, `isophotes`, `inverted`, `gradient`, `twin`, `unrolled`, `azimuthal`, `profile`,
    /// `growth`, `zero-point`, `frames`, `orbit-plan`.
    pub name: String,
    /// A few words.
    pub title: String,
    /// What is seen and how it was drawn; names stretch and colour map.
    pub caption: String,
    /// The same for readers who cannot see it.
    pub alt: String,
    /// For paper and light screens.
    pub svg_light: String,
    /// For dark screens: the same drawing in other ink.
    pub svg_dark: String,
}

/// Every figure for which the night has data, in the order of the page. The four sky pictures are always there; plots
/// of what was not measured are left out, and so is the twin where structure was not analysed.
///
/// # Errors
/// When the images do not share a grid, or centre or scale cannot be used.
pub fn night_figures(night: &NightRecord, pictures: &NightPictures) -> Result<Vec<Figure>, PresentError> {
    if let Some(structure) = &pictures.structure {
        structure.check(&pictures.light)?;
    }
    let (pictured, structure) =
        rayon::join(|| picture::sky_figures(night, pictures), || structure::structure_figures(night, pictures));
    let mut figures = pictured?;
    figures.extend(structure?);
    let plots = [
        radial_plots::profile(night, Room::REPORT),
        radial_plots::growth(night, Room::REPORT),
        night_plots::zero_point(night),
        frame_plots::frames(night, Room::REPORT),
        pictures.orbit_plan.as_ref().and_then(|plan| night_plots::orbit_plan(night, plan)),
    ];
    figures.extend(plots.into_iter().flatten());
    Ok(figures)
}

/// One plot of a night, drawn for a room of its own: `profile`, `growth`, `frames`, or a quantity of the frames by its name
/// ([`frame_plot_names`]). The groups around its axes say where these lie: `data-panel="left top width height"` in units of the
/// drawing, `data-x` and `data-y` as `log 1.5 300`, the kind of scale (`linear`, `log`, `hours` of the day on which the figure
/// begins) and the values at the left or lower end and at the other. `None` where the night has no such values.
pub fn night_plot(night: &NightRecord, name: &str, room: Room) -> Option<Figure> {
    match name {
        "profile" => radial_plots::profile(night, room),
        "growth" => radial_plots::growth(night, room),
        "frames" => frame_plots::frames(night, room),
        _ => frame_plots::single(night, name, room),
    }
}
