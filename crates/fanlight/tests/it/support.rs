//! Running the command, and a small simulated night to run it on.

use crate::raw_fits::RawFits;
use fanlight_record::NightRecord;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

/// Light frames of the small night.
pub const N_LIGHTS: usize = 6;

/// 192 px of a crowded field, six lights with the comet moving 2.6″ from one to the next, two of every calibration
/// frame. Dense stars, so that a frame this small holds enough of them for its zero point.
const SCENARIO: &str = "
seed = 20310322
n_frames = 6
[camera]
width_px = 192
height_px = 192
scale_arcsec = 1.5
[calibration]
n_bias = 2
n_dark = 2
n_flat = 2
[stars]
per_square_degree = 9000.0
[comet]
ephemeris_offset_arcsec = [0.8, -0.5]
";

/// What a run of the command gave.
#[derive(Debug)]
pub struct Run {
    pub status: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

impl From<Output> for Run {
    fn from(output: Output) -> Self {
        Self {
            status: output.status.code(),
            stdout: String::from_utf8(output.stdout).expect("standard output is UTF-8"),
            stderr: String::from_utf8(output.stderr).expect("standard error is UTF-8"),
        }
    }
}

impl Run {
    /// The exit status is this, and there was no panic.
    #[track_caller]
    pub fn expect_status(self, status: i32) -> Self {
        assert_eq!(self.status, Some(status), "stdout: {}\nstderr: {}", self.stdout, self.stderr);
        assert!(!self.stderr.contains("panicked"), "{}", self.stderr);
        self
    }

    /// Standard error says each of these.
    #[track_caller]
    pub fn expect_stderr(self, parts: &[&str]) -> Self {
        for part in parts {
            assert!(self.stderr.contains(part), "standard error does not say {part:?}: {}", self.stderr);
        }
        self
    }
}

/// The command, in a folder, without colours or settings of the person who runs the tests.
pub fn command_in(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fanlight"));
    command.current_dir(folder).env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE").env_remove("RUST_LOG");
    command
}

/// Runs the command in a folder.
pub fn run_in<S: AsRef<OsStr>>(folder: &Path, arguments: &[S]) -> Run {
    command_in(folder).args(arguments).output().expect("fanlight runs").into()
}

/// Runs the command where it does not matter.
pub fn run<S: AsRef<OsStr>>(arguments: &[S]) -> Run {
    run_in(Path::new(env!("CARGO_TARGET_TMPDIR")), arguments)
}

/// The small night as simulated, made once: `frames/`, `campaign.toml`, `field.csv`, `truth.json`.
pub fn template() -> &'static Path {
    static TEMPLATE: OnceLock<PathBuf> = OnceLock::new();
    TEMPLATE.get_or_init(|| {
        let folder = fresh_folder("small-night");
        std::fs::write(folder.join("scenario.toml"), SCENARIO).expect("scenario");
        run_in(&folder, &["simulate", "scenario.toml", "--out", "."]).expect_status(0);
        folder
    })
}

/// A folder of this name for the whole test run, emptied of what an earlier run left.
fn fresh_folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).expect("old folder removed");
    }
    std::fs::create_dir_all(&folder).expect("new folder");
    folder
}

/// The small night measured once, as it is.
pub struct Happy {
    pub folder: PathBuf,
    pub run: Run,
}

impl Happy {
    pub fn record(&self) -> NightRecord {
        record_in(&self.folder.join("out"))
    }

    pub fn truth(&self) -> serde_json::Value {
        let bytes = std::fs::read(self.folder.join("truth.json")).expect("truth.json");
        serde_json::from_slice(&bytes).expect("truth.json is JSON")
    }
}

pub fn happy() -> &'static Happy {
    static HAPPY: OnceLock<Happy> = OnceLock::new();
    HAPPY.get_or_init(|| {
        let folder = fresh_folder("small-night-measured");
        copy_folder(template(), &folder);
        let arguments = ["night", "frames", "--campaign", "campaign.toml", "--out", "out"];
        let run = command_in(&folder).args(arguments).env("RAYON_NUM_THREADS", "2").output().expect("fanlight runs");
        Happy { run: Run::from(run).expect_status(0), folder }
    })
}

pub fn record_in(out: &Path) -> NightRecord {
    let bytes = std::fs::read(out.join("night.json")).expect("night.json");
    serde_json::from_slice(&bytes).expect("night.json is a night record")
}

pub fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("folder");
    for entry in std::fs::read_dir(from).expect("folder") {
        let path = entry.expect("entry").path();
        let target = to.join(path.file_name().expect("name"));
        if path.is_dir() {
            copy_folder(&path, &target);
        } else {
            std::fs::copy(&path, &target).expect("copied");
        }
    }
}

/// Every file under a folder, relative, sorted.
pub fn files_under(folder: &Path) -> Vec<String> {
    let mut files = Vec::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(next) = open.pop() {
        for entry in std::fs::read_dir(&next).expect("folder") {
            let path = entry.expect("entry").path();
            if path.is_dir() {
                open.push(path);
            } else {
                files.push(path.strip_prefix(folder).expect("inside").to_string_lossy().replace('\\', "/"));
            }
        }
    }
    files.sort();
    files
}

/// A copy of the small night that a test may break.
pub struct Broken {
    folder: tempfile::TempDir,
}

impl Broken {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().expect("temporary folder");
        copy_folder(template(), folder.path());
        Self { folder }
    }

    /// Without any of the frames whose names begin so.
    pub fn without(self, stem: &str) -> Self {
        for entry in std::fs::read_dir(self.path("frames")).expect("frames") {
            let path = entry.expect("entry").path();
            if path.file_name().is_some_and(|n| n.to_string_lossy().starts_with(stem)) {
                std::fs::remove_file(path).expect("removed");
            }
        }
        self
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Changes the frame `from` and writes it as `to`.
    pub fn frame(&self, from: &str, to: &str, change: impl FnOnce(&mut RawFits)) {
        let mut fits = RawFits::read(&self.path("frames").join(from));
        change(&mut fits);
        fits.write(&self.path("frames").join(to));
    }

    /// Changes every frame whose name begins so.
    pub fn each(&self, stem: &str, change: impl Fn(&mut RawFits)) {
        let names = files_under(&self.path("frames"));
        let chosen: Vec<&String> = names.iter().filter(|n| n.starts_with(stem)).collect();
        assert!(!chosen.is_empty(), "no frame {stem}");
        chosen.iter().for_each(|n| self.frame(n, n, &change));
    }

    /// Replaces a text of the campaign file, which must be there.
    pub fn campaign(&self, from: &str, to: &str) {
        self.edit("campaign.toml", |text| {
            assert!(text.contains(from), "the campaign file has no {from}:\n{text}");
            text.replacen(from, to, 1)
        });
    }

    pub fn edit(&self, name: &str, change: impl FnOnce(String) -> String) {
        let text = std::fs::read_to_string(self.path(name)).expect(name);
        std::fs::write(self.path(name), change(text)).expect(name);
    }

    /// Runs the main job into `out`.
    pub fn night(&self) -> Run {
        run_in(self.folder(), &["night", "frames", "--campaign", "campaign.toml", "--out", "out"])
    }

    pub fn record(&self) -> NightRecord {
        record_in(&self.path("out"))
    }

    pub fn page(&self) -> String {
        std::fs::read_to_string(self.path("out/report.html")).expect("report.html")
    }

    /// A run that failed left no product, whole or in part; the folder itself may be there.
    #[track_caller]
    pub fn expect_nothing_written(&self) {
        let out = self.path("out");
        if out.is_dir() {
            assert_eq!(files_under(&out), Vec::<String>::new(), "a failed run left products");
        }
    }
}

/// Runs a script of `reference/` and reads the JSON that it prints.
pub fn python(script: &str, arguments: &[&OsStr]) -> serde_json::Value {
    let interpreter = std::env::var_os("FANLIGHT_PYTHON").unwrap_or_else(|| {
        panic!("set FANLIGHT_PYTHON to a Python with astropy and photutils; scripts/test installs one and sets it")
    });
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../reference").join(script);
    let output = Command::new(interpreter).arg(script).args(arguments).output().expect("Python runs");
    let run = Run::from(output);
    assert_eq!(run.status, Some(0), "{}", run.stderr);
    serde_json::from_str(&run.stdout).expect("the script prints JSON")
}
