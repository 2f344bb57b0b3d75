//! The main job's time and memory, and what general-purpose Python pipelines take for the same night.
//!
//! - `cargo bench -p fanlight --bench night`: 60 frames of 2048² with masters, three runs; where `FANLIGHT_PYTHON` names an
//!   interpreter, the same night in the two pipelines `reference/pipeline_*.py`, with the ratio of processor time.
//! - `… -- --linear`: 10, 20, 40 and 80 frames of 2048², then 12 frames of 1024², 2048² and 4096².
//! - `… -- --large`: 120 frames of 4096² (4 GB of lights; they are simulated first and removed afterwards).
//!
//! Nights are simulated once under `target/bench-night/`. Kept results are in `benches/records/`. Linux only: processor time
//! and memory are the kernel's own figures for the child process.
#![allow(missing_docs, clippy::disallowed_macros)]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

/// Frames of the usual pipeline that are really reduced: it takes a quarter of a minute for each.
const USUAL_FRAMES: usize = 6;
/// Parts that the pipelines need, by their names when imported.
const FAST_PARTS: [&str; 5] = ["numpy", "numexpr", "sep", "cv2", "astropy"];
const USUAL_PARTS: [&str; 6] = ["numpy", "scipy", "ccdproc", "photutils", "astroscrappy", "reproject"];

fn main() {
    let place = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../target/bench-night");
    std::fs::create_dir_all(&place).expect("target/bench-night");
    let asked = |flag: &str| std::env::args().any(|a| a == flag);
    if asked("--linear") {
        linear(&place);
    } else if asked("--large") {
        large(&place);
    } else {
        let night = simulated(&place, "night", 60, 2048);
        let ours = (1..=3).map(|round| measured(&format!("round {round}"), &night, 60, 2048)).fold(f64::MAX, f64::min);
        compare(&night, ours, 60, 2048);
    }
}

/// Cost against frames, then against pixels.
fn linear(place: &Path) {
    let night = simulated(place, "night-80", 80, 2048);
    for n in [10, 20, 40, 80] {
        measured(&format!("{n} frames"), &part_of(&night, place, 80, n), n, 2048);
    }
    for side in [1024, 2048, 4096] {
        let few = simulated(place, &format!("night-12-{side}"), 12, side);
        measured(&format!("12 of {side}²"), &few, 12, side);
    }
}

fn large(place: &Path) {
    let night = simulated(place, "night-large", 120, 4096);
    // once more than needed: the first brings the files into the page cache where the machine has room for them
    for round in 1..=3 {
        measured(&format!("120 of 4096², round {round}"), &night, 120, 4096);
    }
    std::fs::remove_dir_all(&night).expect("removed");
}

/// A night simulated once: `frames/`, `campaign.toml` and the rest.
fn simulated(place: &Path, name: &str, n_frames: usize, side: usize) -> PathBuf {
    let night = place.join(name);
    if !night.join("truth.json").is_file() {
        let scenario = place.join(format!("{name}.toml"));
        // the same 35 minutes whatever the number of frames, so that the comet covers the same way
        let cadence_s = 2100.0 / n_frames as f64;
        let text = format!(
            "seed = 5\nn_frames = {n_frames}\nexposure_s = {:.1}\ncadence_s = {cadence_s:.2}\n[camera]\nwidth_px = {side}\n\
             height_px = {side}\n[calibration]\nn_bias = 10\nn_dark = 10\nn_flat = 10\n",
            (cadence_s - 5.0).max(0.6 * cadence_s)
        );
        std::fs::write(&scenario, text).expect("scenario");
        run(Command::new(env!("CARGO_BIN_EXE_fanlight")).arg("simulate").arg(&scenario).arg("--out").arg(&night));
    }
    night
}

/// Links to `n` lights, evenly over the night, and to everything else of it.
fn part_of(night: &Path, place: &Path, of: usize, n: usize) -> PathBuf {
    let part = place.join(format!("part-{n}"));
    let _ = std::fs::remove_dir_all(&part);
    std::fs::create_dir_all(part.join("frames")).expect("folder");
    for name in ["campaign.toml", "field.csv"] {
        std::fs::copy(night.join(name), part.join(name)).expect("copied");
    }
    let wanted: Vec<String> = (0..n).map(|i| format!("light-{:03}.fits", i * of / n + 1)).collect();
    for entry in std::fs::read_dir(night.join("frames")).expect("frames") {
        let entry = entry.expect("entry");
        let name = entry.file_name().to_string_lossy().into_owned();
        if !name.starts_with("light") || wanted.contains(&name) {
            let from = std::fs::canonicalize(entry.path()).expect("path");
            std::os::unix::fs::symlink(from, part.join("frames").join(&name)).expect("link");
        }
    }
    part
}

/// What a command cost.
struct Cost {
    wall_s: f64,
    cpu_s: f64,
    peak_mib: u64,
    stdout: String,
}

/// Runs the main job on a night, prints what it cost and returns its processor time, s.
fn measured(name: &str, night: &Path, n_frames: usize, side: usize) -> f64 {
    // else the job would find that nothing has changed
    let _ = std::fs::remove_dir_all(night.join("result"));
    let cost = run(Command::new(env!("CARGO_BIN_EXE_fanlight"))
        .args(["night", "--quiet"])
        .arg(night.join("frames"))
        .arg("--campaign")
        .arg(night.join("campaign.toml"))
        .arg("--out")
        .arg(night.join("result")));
    let pixels = (n_frames * side * side) as f64;
    println!(
        "{name}: {:.2} s wall, {:.2} s CPU, {:.1} ns of CPU per pixel of the lights, {:.0} ms of CPU per frame, peak {} MiB",
        cost.wall_s,
        cost.cpu_s,
        cost.cpu_s / pixels * 1e9,
        cost.cpu_s / n_frames as f64 * 1e3,
        cost.peak_mib
    );
    cost.cpu_s
}

/// The same night in Python, against our processor time.
fn compare(night: &Path, ours_s: f64, n_frames: usize, side: usize) {
    let Some(python) = std::env::var_os("FANLIGHT_PYTHON") else {
        println!("FANLIGHT_PYTHON is not set: no comparison with Python.");
        return;
    };
    let script = |name: &str| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../reference").join(name);
    let pixels = (n_frames * side * side) as f64;
    let told = |what: &str, cpu_s: f64, cost: &Cost| {
        println!(
            "{what}: {cpu_s:.1} s CPU, {:.0} ns per pixel, {:.1} times ours; it ran {:.1} s wall, {:.1} s CPU, peak {} MiB\n  {}",
            cpu_s / pixels * 1e9,
            cpu_s / ours_s,
            cost.wall_s,
            cost.cpu_s,
            cost.peak_mib,
            cost.stdout.trim()
        );
    };
    if has(&python, &FAST_PARTS) {
        let cost = run(Command::new(&python).arg(script("pipeline_fast.py")).arg(night));
        told("the fastest parts", cost.cpu_s, &cost);
    }
    if has(&python, &USUAL_PARTS) {
        let n = USUAL_FRAMES.to_string();
        let cost = run(Command::new(&python).arg(script("pipeline_usual.py")).arg(night).arg(n));
        let said: serde_json::Value = serde_json::from_str(&cost.stdout).expect("one line of JSON");
        let part = |key: &str| said[key].as_f64().expect("seconds");
        let of_frames = part("frames_cpu_s") + part("combine_cpu_s");
        let scaled = cost.cpu_s + of_frames * (n_frames as f64 / USUAL_FRAMES as f64 - 1.0);
        told(&format!("the usual parts, {USUAL_FRAMES} frames scaled to {n_frames}"), scaled, &cost);
    }
}

/// Whether an interpreter has these packages; says which it lacks.
fn has(python: &std::ffi::OsStr, parts: &[&str]) -> bool {
    let missing: Vec<&str> = parts
        .iter()
        .copied()
        .filter(|part| {
            let status = Command::new(python).args(["-c", &format!("import {part}")]).stderr(Stdio::null()).status();
            !status.is_ok_and(|s| s.success())
        })
        .collect();
    if !missing.is_empty() {
        println!("FANLIGHT_PYTHON lacks {}: that pipeline was not run.", missing.join(", "));
    }
    missing.is_empty()
}

/// Runs a command to its end. Its peak memory is read from its own status while it runs, its processor time from what the
/// kernel has added up for the children of this process.
fn run(command: &mut Command) -> Cost {
    let (start, before) = (Instant::now(), children_cpu_s());
    let mut child = command.stdout(Stdio::piped()).spawn().expect("the command starts");
    let mut pipe = child.stdout.take().expect("its output");
    let reader = std::thread::spawn(move || std::io::read_to_string(&mut pipe).unwrap_or_default());
    let status = Path::new("/proc").join(child.id().to_string()).join("status");
    let mut peak_kib = 0;
    let end = loop {
        if let Ok(text) = std::fs::read_to_string(&status) {
            let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
            peak_kib = peak_kib.max(line.and_then(|l| l.split_whitespace().next()?.parse().ok()).unwrap_or(0));
        }
        match child.try_wait().expect("wait") {
            Some(end) => break end,
            None => std::thread::sleep(std::time::Duration::from_millis(20)),
        }
    };
    assert!(end.success(), "{end}");
    Cost {
        wall_s: start.elapsed().as_secs_f64(),
        cpu_s: children_cpu_s() - before,
        peak_mib: peak_kib / 1024,
        stdout: reader.join().expect("its output"),
    }
}

/// Processor time, user and system, of all children of this process that have ended (`proc(5)`, fields 16 and 17 of `stat`,
/// in hundredths of a second).
fn children_cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").expect("/proc");
    let after_name = text.rsplit(')').next().expect("fields");
    let fields: Vec<&str> = after_name.split_whitespace().collect();
    // the third field is the first after the name
    (16..=17).map(|field| fields[field - 3].parse::<f64>().expect("a number")).sum::<f64>() / 100.0
}
