//! What the desk's page takes from here: its own files, and the stretches that the report's figures have.

use crate::enhanced::{Values, stretch_of};
use crate::stretch::Stretch;
use fanlight_image::Image;
use include_dir::{Dir, include_dir};
use std::borrow::Cow;

static PAGE: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/desk");

/// What tells types to the checker alone is not part of the page.
const FOR_THE_CHECKER: [&str; 3] = ["types.js", "season_types.js", "tsconfig.json"];

/// A file of the desk's page, by its name: modules without the comments, which are half a page's worth of bytes and nobody's business
/// in a browser.
pub fn desk_page_file(name: &str) -> Option<Cow<'static, [u8]>> {
    let bytes = PAGE.get_file(name).filter(|_| !FOR_THE_CHECKER.contains(&name))?.contents();
    Some(match std::str::from_utf8(bytes) {
        Ok(text) if name.ends_with(".js") => Cow::Owned(without_comments(text).into_bytes()),
        _ => Cow::Borrowed(bytes),
    })
}

/// Names of the files of the desk's page.
pub fn desk_page_files() -> impl Iterator<Item = &'static str> {
    PAGE.files().filter_map(|f| f.path().to_str()).filter(|name| !FOR_THE_CHECKER.contains(name))
}

/// A module without the comments that have lines of their own; those behind code stay. The page's own modules have no template text of
/// which a line begins like a comment.
pub fn without_comments(module: &str) -> String {
    let mut out = String::with_capacity(module.len());
    let mut inside = false;
    for line in module.lines() {
        let text = line.trim_start();
        if !inside && text.starts_with("//") {
            continue;
        }
        if inside || text.starts_with("/**") {
            inside = match text.find("*/") {
                None => true,
                // a cast before code is part of the code's line
                Some(end) if !inside && end + 2 < text.trim_end().len() => {
                    out.push_str(line);
                    out.push('\n');
                    false
                }
                Some(_) => false,
            };
            continue;
        }
        if !text.is_empty() {
            out.push_str(line);
            out.push('\n');
        }
    }
    out
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_with_lines_of_their_own_go() {
        let module = "/** A\n * b */\nimport \"./x.js\";\n\n  // why\n  /** @type {X} */\nconst a = 1; // kept\n/** @type {X} */ (b).c();\n";
        assert_eq!(without_comments(module), "import \"./x.js\";\nconst a = 1; // kept\n/** @type {X} */ (b).c();\n");
    }

    #[test]
    fn types_are_for_the_checker() {
        assert!(desk_page_file("types.js").is_none() && desk_page_file("main.js").is_some());
        assert!(desk_page_files().all(|name| desk_page_file(name).is_some()));
    }
}
