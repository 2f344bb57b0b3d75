//! The main job on 60 frames of 2048² with masters: wall time by part and peak memory.
//!
//! `cargo bench -p fanlight --bench night` simulates the night once under `target/` and runs the command three times.
//! Kept results are in `benches/records/`.
#![allow(missing_docs, clippy::disallowed_macros)]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

const SCENARIO: &str = "seed = 5\nn_frames = 60\nexposure_s = 30.0\ncadence_s = 35.0\n\
    [camera]\nwidth_px = 2048\nheight_px = 2048\n[calibration]\nn_bias = 10\nn_dark = 10\nn_flat = 10\n";

fn main() {
    let place = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../target/bench-night");
    std::fs::create_dir_all(&place).expect("target/bench-night");
    let scenario = place.join("scenario.toml");
    if !place.join("night/truth.json").is_file() {
        std::fs::write(&scenario, SCENARIO).expect("scenario");
        run(Command::new(env!("CARGO_BIN_EXE_fanlight"))
            .arg("simulate")
            .arg(&scenario)
            .arg("--out")
            .arg(place.join("night")));
    }
    for round in 1..=3 {
        // else the second round would find that nothing has changed
        let _ = std::fs::remove_dir_all(place.join("result"));
        let start = Instant::now();
        let peak_kib = run(Command::new(env!("CARGO_BIN_EXE_fanlight"))
            .args(["night", "--quiet"])
            .arg(place.join("night/frames"))
            .arg("--campaign")
            .arg(place.join("night/campaign.toml"))
            .arg("--out")
            .arg(place.join("result")));
        println!("round {round}: {:.2} s wall, peak memory {} MiB", start.elapsed().as_secs_f64(), peak_kib / 1024);
    }
}

/// Runs a command to its end and returns its peak resident memory, read from its own status while it runs.
fn run(command: &mut Command) -> u64 {
    let mut child = command.spawn().expect("fanlight starts");
    let status = Path::new("/proc").join(child.id().to_string()).join("status");
    let mut peak = 0;
    loop {
        if let Ok(text) = std::fs::read_to_string(&status) {
            let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
            peak = peak.max(line.and_then(|l| l.split_whitespace().next()?.parse().ok()).unwrap_or(0));
        }
        match child.try_wait().expect("wait") {
            Some(status) => {
                assert!(status.success(), "{status}");
                return peak;
            }
            None => std::thread::sleep(std::time::Duration::from_millis(20)),
        }
    }
}
