//! FITS, catalogues, campaign files and products written whole.
//!
//! The only crate of the workspace that opens a file. Everything read is checked before it is believed: a broken
//! file gives an [`IoError`] that names the file, never a panic. Everything written appears whole under its name or
//! not at all.

pub mod campaign;
pub mod catalogue;
pub mod checksum;
pub mod error;
pub mod fits_read;
pub mod fits_write;
pub mod frames;
pub mod header;
pub mod ledger;
pub mod products;
pub mod spool;
pub mod stamp;

mod campaign_keys;
mod card_text;
mod catalogue_csv;
mod fits_crate;
mod fits_table;
mod frame_kind;
mod frame_times;
mod hdu;
mod healpix;
mod reference_csv;
mod star_import;
mod star_list;
mod star_spill;
mod star_table;
mod table_fits;
mod table_out;
mod table_votable;
mod votable;

pub use campaign::{
    Campaign, CampaignError, ColourChannel, PhotometrySection, SectorDirection, SectorSection, load_campaign,
};
pub use catalogue::{Catalogue, CatalogueStar, Cone, load_catalogue};
pub use checksum::sha256_file;
pub use error::IoError;
pub use fits_read::{FitsImage, read_header, read_image, read_image_into, read_image_part, read_named_image};
pub use fits_write::{HduData, HduOut, write_fits};
pub use frame_kind::FrameKind;
pub use frames::{
    FrameFile, FrameList, FrameSet, Skipped, SkippedKind, find_frames, list_frames, same_filter, stack_file,
};
pub use header::{Card, CardValue, Header, HeaderCard};
pub use ledger::{Ledger, LedgerError};
pub use products::{OutputFolder, read_json};
pub use reference_csv::{ReferenceRow, read_reference_csv};
pub use spool::{Spool, SpoolRows};
pub use stamp::FileStamp;
pub use star_import::{ImportConfig, Imported, import_star_list};
pub use star_list::star_list_bands;
pub use table_out::{TableFormat, write_table};
