//! Writes the figures and the page of an invented night into a folder, for looking at while working on their design:
//! `cargo run --release -p fanlight-present --example preview -- FOLDER`.
#![allow(clippy::disallowed_methods, clippy::disallowed_macros, missing_docs)]

#[path = "../tests/it/night.rs"]
#[allow(dead_code)]
mod night;

use fanlight_present::{night_figures, night_page, svg_to_png};
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("name a folder")?);
    std::fs::create_dir_all(&folder)?;
    let images = night::Images::new();
    let record = night::record();
    let figures = night_figures(&record, &images.pictures())?;
    for figure in &figures {
        for (svg, version) in [(&figure.svg_light, "light"), (&figure.svg_dark, "dark")] {
            std::fs::write(folder.join(format!("{}-{version}.svg", figure.name)), svg)?;
            std::fs::write(folder.join(format!("{}-{version}.png", figure.name)), svg_to_png(svg, 150.0)?)?;
        }
    }
    std::fs::write(folder.join("report.html"), night_page(&record, &figures))?;
    Ok(())
}
