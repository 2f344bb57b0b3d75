//! ADES, the IAU's standard for reporting measured places: a night as ADES records, the standard's rules, and the two
//! forms in which it is written, PSV and XML.
//!
//! Nothing is sent anywhere, and nothing here decides whether a place is good: the observer checks and submits.
//!
//! # Source
//! Astrometry Data Exchange Standard, concise description of 2 May 2024, and its submission schema of November 2025,
//! version 2022 (IAU Commission X2, Minor Planet Center).

mod check;
mod codes;
mod designation;
mod fields;
mod report;
mod write;

pub use check::Violation;
pub use codes::{CATALOGUES, MODES, band_code, known_bands};
pub use designation::{Identification, identify};
pub use report::{Positions, Selection, block_of_night};

/// The version that the submission schema accepts, the only one.
pub const VERSION: &str = "2022";

/// A file of ADES records.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AdesFile {
    /// The standard's version: [`VERSION`].
    pub version: String,
    /// Blocks of records, each with the circumstances that its records share.
    pub blocks: Vec<Block>,
}

/// Records that share their circumstances.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Block {
    /// Groups of the header, in the standard's order.
    pub header: Vec<Group>,
    /// Optical records.
    pub records: Vec<Record>,
    /// What keeps the night from being reported at all, whatever its records hold.
    pub refused: Vec<Violation>,
}

/// A group of the header, such as `observatory`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// Its keyword.
    pub name: &'static str,
    /// Its lines: keyword and value.
    pub lines: Vec<(&'static str, String)>,
}

/// One optical record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// What it was measured on, for messages.
    pub from: String,
    /// Fields that have a value, in the schema's order.
    pub fields: Vec<(&'static str, String)>,
}

impl AdesFile {
    /// A file of these blocks; neighbours with the same header become one.
    pub fn new(blocks: Vec<Block>) -> Self {
        let mut merged: Vec<Block> = Vec::new();
        for block in blocks {
            match merged.last_mut() {
                Some(last) if last.header == block.header => {
                    last.records.extend(block.records);
                    last.refused.extend(block.refused);
                }
                _ => merged.push(block),
            }
        }
        Self { version: VERSION.to_owned(), blocks: merged }
    }

    /// Every rule that the file breaks; none where it may be submitted.
    pub fn violations(&self) -> Vec<Violation> {
        check::violations(self)
    }

    /// The file as pipe-separated values.
    pub fn psv(&self) -> String {
        write::psv(self)
    }

    /// The file as XML.
    pub fn xml(&self) -> String {
        write::xml(self)
    }
}
