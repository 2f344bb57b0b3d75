//! Why a season's nights do not allow a number.

use thiserror::Error;

/// A refusal: the data do not allow what was asked of them.
#[derive(Debug, Error, Clone, PartialEq)]
pub enum SeasonError {
    /// Too few nights, points or features.
    #[error("{what}: {found} found, at least {needed} needed; observe on more nights")]
    TooFew {
        /// What is short.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// The points lie too close together in what they should be spread over.
    #[error("{what} spans {found:.4} {unit}, at least {needed:.4} {unit} needed")]
    SpanTooSmall {
        /// What should be spread.
        what: &'static str,
        /// The span there is.
        found: f64,
        /// The span it takes.
        needed: f64,
        /// Its unit.
        unit: &'static str,
    },
    /// The values differ by no more than their errors.
    #[error(
        "{what} changes by no more than its errors: chi-square {chi2:.1} with {degrees_of_freedom} degrees of freedom, {needed:.1} needed"
    )]
    NoChange {
        /// What does not change.
        what: &'static str,
        /// Chi-square about the mean.
        chi2: f64,
        /// Degrees of freedom.
        degrees_of_freedom: usize,
        /// The chi-square it takes.
        needed: f64,
    },
    /// A value that no measurement can have.
    #[error("{name} of row {row} is {value}, outside {range}")]
    OutOfRange {
        /// Which value.
        name: &'static str,
        /// Which row, from 0.
        row: usize,
        /// The value.
        value: f64,
        /// The allowed range in words.
        range: &'static str,
    },
    /// The rows do not determine what should be fitted.
    #[error("the rows do not determine {what}")]
    Undetermined {
        /// What was to be fitted.
        what: &'static str,
    },
}

/// Refuses a row's value that is not a finite number for which `holds`.
pub(crate) fn check(
    name: &'static str,
    row: usize,
    value: f64,
    range: &'static str,
    holds: impl Fn(f64) -> bool,
) -> Result<(), SeasonError> {
    if value.is_finite() && holds(value) { Ok(()) } else { Err(SeasonError::OutOfRange { name, row, value, range }) }
}

/// Refuses a row's value that is not a positive number.
pub(crate) fn check_positive(name: &'static str, row: usize, value: f64) -> Result<(), SeasonError> {
    check(name, row, value, "the positive numbers", |v| v > 0.0)
}

/// Refuses a row's value that is not a number.
pub(crate) fn check_finite(name: &'static str, row: usize, value: f64) -> Result<(), SeasonError> {
    check(name, row, value, "the finite numbers", |_| true)
}
