//! The room that a plot is drawn for: a report's, or a place on a page.

use crate::svg::{Canvas, WIDTH};
use crate::theme::Theme;

/// How wide a plot is, and whether it says by itself what it is of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    pub(crate) width: f64,
    has_heading: bool,
}

impl Room {
    /// That of a report: 170 mm, with a heading.
    pub const REPORT: Self = Self { width: WIDTH, has_heading: true };

    /// Narrowest and widest place on a page, pixels.
    pub const PLACE_PX: [u32; 2] = [280, 1600];

    /// A place so many pixels wide on a page that says itself what stands there: its letters have the size of the page's. A width outside
    /// [`Self::PLACE_PX`] is brought to its nearest end.
    pub fn place(width_px: u32) -> Self {
        let [least, most] = Self::PLACE_PX;
        Self { width: f64::from(width_px.clamp(least, most)), has_heading: false }
    }

    /// Where the drawing begins below the heading.
    pub(crate) fn top(&self) -> f64 {
        if self.has_heading { 66.0 } else { 8.0 }
    }

    /// Height of a panel that has this height in a report: lower where it is narrower.
    pub(crate) fn height(&self, in_report: f64) -> f64 {
        (in_report * (self.width / WIDTH).clamp(0.6, 1.0)).round()
    }

    /// An empty sheet with its heading.
    pub(crate) fn canvas(
        &self,
        theme: &'static Theme,
        height: f64,
        (object, kind, subtitle): (&str, &str, &str),
    ) -> Canvas {
        let mut canvas = Canvas::wide(theme, self.width, height);
        if self.has_heading {
            canvas.heading(object, kind, subtitle);
        }
        canvas
    }
}
