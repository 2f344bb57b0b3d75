//! What the desk's page takes from here: its own files, and the stretches that the report's figures have.

use crate::enhanced::{Values, stretch_of};
use crate::stretch::Stretch;
use fanlight_image::Image;
use include_dir::{Dir, include_dir};

static PAGE: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/desk");

/// A file of the desk's page, by its name.
pub fn desk_page_file(name: &str) -> Option<&'static [u8]> {
    PAGE.get_file(name).map(|f| f.contents())
}

/// Names of the files of the desk's page.
pub fn desk_page_files() -> impl Iterator<Item = &'static str> {
    PAGE.files().filter_map(|f| f.path().to_str())
}

/// The ends of a stretch, and what makes it logarithmic far above its low end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UsualStretch {
    /// The value that the map's first colour stands for.
    pub low: f64,
    /// The value that its last colour stands for.
    pub high: f64,
    /// asinh((v − low) / soft); `None` where the stretch is linear.
    pub soft: Option<f64>,
}

impl From<Stretch> for UsualStretch {
    fn from(stretch: Stretch) -> Self {
        let (low, high) = stretch.range();
        let soft = match stretch {
            Stretch::Asinh { soft, .. } => Some(soft),
            Stretch::Linear { .. } => None,
        };
        Self { low, high, soft }
    }
}

/// The report's stretch of a stack whose sky has this noise per pixel.
pub fn neutral_stretch(image: &Image, sky_noise: f64) -> UsualStretch {
    Stretch::neutral(image, sky_noise).into()
}

/// The report's stretch of an enhanced picture.
pub fn enhanced_stretch(image: &Image, values: Values) -> UsualStretch {
    stretch_of(image, values).0.into()
}
