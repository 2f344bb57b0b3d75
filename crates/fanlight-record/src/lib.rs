//! Serialised counterparts of results, and the sentences that the evidence supports.
//!
//! Nothing here measures: these are the shapes that other programs read (`night.json`, geometry records). A value
//! that could not be measured is `None` and written as `null`.

pub mod ades;
pub mod geometry;
pub mod light;
pub mod night;
pub mod reporting;
pub mod season;
pub mod sentences;
pub mod tables;

pub use geometry::GeometryRecord;
pub use light::*;
pub use night::*;
pub use reporting::ReportingRecord;
pub use season::*;
