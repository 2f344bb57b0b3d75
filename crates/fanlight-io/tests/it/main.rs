//! Tests of fanlight-io against files that other programs wrote, and of its own files in other programs.

mod broken;
mod campaign_reference;
mod catalogues;
mod frame_folders;
mod ledger;
mod measurements;
mod reading;
mod star_lists;
mod writing;

use std::path::PathBuf;

/// A file of the tests' own data.
fn data(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}
