//! Why the data do not allow a measurement.

use thiserror::Error;

/// What can go wrong between a raw frame and a number.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum ComaError {
    /// Two images that belong together differ in size.
    #[error("{what} is {found_width} x {found_height} px, expected {width} x {height} px")]
    SizeMismatch {
        /// What has the wrong size.
        what: &'static str,
        /// Its width.
        found_width: usize,
        /// Its height.
        found_height: usize,
        /// The width it should have.
        width: usize,
        /// The height it should have.
        height: usize,
    },
    /// Nothing to combine.
    #[error("no {what} to combine")]
    NothingToCombine {
        /// What was missing.
        what: &'static str,
    },
    /// A detector number is out of range.
    #[error("{name} is {value}, which is not a positive number")]
    BadDetector {
        /// Which number.
        name: &'static str,
        /// Its value.
        value: f64,
    },
    /// A header card that describes how a frame is stored cannot be right.
    #[error("{keyword} '{value}' {problem}")]
    BadHeader {
        /// The keyword.
        keyword: &'static str,
        /// What it says.
        value: String,
        /// What is wrong with it.
        problem: String,
    },
    /// A frame holds no picture.
    #[error("blank frame: {reason}")]
    BlankFrame {
        /// What shows that it is blank.
        reason: String,
    },
    /// The comet's place is not on the image.
    #[error("the predicted place of the comet ({x_px:.0}, {y_px:.0}) px is outside the {width} x {height} px frame")]
    CometOutside {
        /// Predicted column.
        x_px: f64,
        /// Predicted row.
        y_px: f64,
        /// Width of the frame.
        width: usize,
        /// Height of the frame.
        height: usize,
    },
    /// The centre to enhance about is not on the image.
    #[error(
        "the centre ({x_px:.1}, {y_px:.1}) px is outside the {width} x {height} px image; give the nucleus's pixel on it"
    )]
    CentreOutside {
        /// Column of the centre.
        x_px: f64,
        /// Row of the centre.
        y_px: f64,
        /// Width of the image.
        width: usize,
        /// Height of the image.
        height: usize,
    },
    /// No condensation where the comet should be.
    #[error("no condensation stands out at ({x_px:.1}, {y_px:.1}) px")]
    CometNotFound {
        /// Column at which the search began.
        x_px: f64,
        /// Row at which the search began.
        y_px: f64,
    },
    /// Too few rings, stars or frames for a fit.
    #[error("{what}: {found} found, at least {needed} needed")]
    TooFew {
        /// What is short.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// A fit did not come to a solution.
    #[error("the fit of {what} did not converge")]
    NoConvergence {
        /// What was fitted.
        what: &'static str,
    },
    /// An argument is outside the range of a formula.
    #[error("{name} is {value}, outside {range}")]
    OutOfRange {
        /// Which argument.
        name: &'static str,
        /// Its value.
        value: f64,
        /// The allowed range in words.
        range: &'static str,
    },
    /// A name that is not one of a known list.
    #[error("{what} '{name}' is not known; known are {known}")]
    UnknownName {
        /// What the name is for.
        what: &'static str,
        /// The name given.
        name: String,
        /// The names there are.
        known: String,
    },
    /// A setting that goes with one choice only was given with another.
    #[error("{setting} goes with {with} only, not with {given}")]
    SettingElsewhere {
        /// The setting.
        setting: &'static str,
        /// The choice that it belongs to.
        with: &'static str,
        /// The choice that was made.
        given: String,
    },
}
