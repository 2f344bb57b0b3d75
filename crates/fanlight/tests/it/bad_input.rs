//! Frames, catalogues, campaigns and folders that are wrong: a clear message naming file and keyword, the right exit
//! status, other frames still used, nothing half-written, never a panic.

use crate::raw_fits::RawFits;
use crate::support::{Broken, N_LIGHTS, Run, command_in, files_under, happy, run_in};
use fanlight_record::NightRecord;
use std::path::Path;
use std::process::Command;

type Break = fn(&Broken, &str);

/// Every way in which one light frame can be bad: the file's name, how to make it of the frame `light-003.fits`, and
/// words of which the reason must hold every one.
const BAD_FRAMES: [(&str, Break, &[&str]); 15] = [
    ("truncated.fits", |n, to| cut(n, to, 2880 * 8), &["truncated"]),
    ("cut-header.fits", |n, to| cut(n, to, 700), &["header"]),
    ("empty.fits", |n, to| cut(n, to, 0), &["empty"]),
    ("text.fits", |n, to| std::fs::write(n.path("frames").join(to), "my log of the night\n").expect("text"), &["FITS"]),
    ("small.fits", |n, to| n.frame(LIGHT, to, |f| crop(f, 100)), &["100", "192"]),
    ("other-filter.fits", |n, to| n.frame(LIGHT, to, |f| f.set("FILTER", "'Sloan g '")), &["Sloan g", "Sloan r"]),
    ("no-date.fits", |n, to| n.frame(LIGHT, to, |f| f.remove("DATE-OBS")), &["DATE-OBS"]),
    ("bad-date.fits", |n, to| n.frame(LIGHT, to, |f| f.set("DATE-OBS", "'last night'")), &["DATE-OBS", "last night"]),
    ("blank.fits", |n, to| n.frame(LIGHT, to, |f| f.map_counts(|_| 1000)), &["every pixel", "1000"]),
    ("all-nan.fits", |n, to| n.frame(LIGHT, to, |f| fill(f, f32::NAN)), &["pixel"]),
    ("no-exptime.fits", |n, to| n.frame(LIGHT, to, |f| f.remove("EXPTIME")), &["EXPTIME"]),
    ("zero-exptime.fits", |n, to| n.frame(LIGHT, to, |f| f.set("EXPTIME", "0.0")), &["EXPTIME", "0"]),
    ("negative-exptime.fits", |n, to| n.frame(LIGHT, to, |f| f.set("EXPTIME", "-60.0")), &["EXPTIME", "-60"]),
    ("absurd-exptime.fits", |n, to| n.frame(LIGHT, to, |f| f.set("EXPTIME", "6.0E9")), &["EXPTIME", "6"]),
    ("elsewhere.fits", |n, to| n.frame(LIGHT, to, |f| f.set("CRVAL2", "-40.0")), &["comet"]),
];

/// The frame that is broken: one in the middle of the night.
const LIGHT: &str = "light-003.fits";

fn cut(night: &Broken, to: &str, bytes: usize) {
    let whole = std::fs::read(night.path("frames").join(LIGHT)).expect("light");
    std::fs::write(night.path("frames").join(to), &whole[..bytes]).expect("cut");
}

fn crop(fits: &mut RawFits, side: usize) {
    let (width, pixels) = (fits.width(), fits.pixels());
    let cut: Vec<f32> = (0..side).flat_map(|y| pixels[y * width..y * width + side].to_vec()).collect();
    fits.set_float_pixels(&cut, side);
}

fn fill(fits: &mut RawFits, value: f32) {
    let (width, n) = (fits.width(), fits.pixels().len());
    fits.set_float_pixels(&vec![value; n], width);
}

/// Where the record gives the reason for which a file was left out.
fn reason(record: &NightRecord, file: &str) -> Option<String> {
    let of_frame = record.frames.iter().find(|f| f.file == file && !f.used).and_then(|f| f.rejected_because.clone());
    of_frame.or_else(|| record.notes.iter().find(|n| n.contains(file)).cloned())
}

/// The night's numbers are those of the good frames.
#[track_caller]
fn expect_same_light(found: &NightRecord, tolerance_mag: f64) {
    let good = happy().record();
    assert_eq!(found.photometry.len(), good.photometry.len());
    for (f, g) in found.photometry.iter().zip(&good.photometry) {
        let (found, expected) = (f.mag.expect("measured"), g.mag.expect("measured"));
        // the sky of these small frames, which the coma fills, turns on the stack's last pixels: a part of its error
        let tolerance_mag = tolerance_mag.max(0.4 * f.mag_err.expect("an error"));
        assert!(
            (found - expected).abs() <= tolerance_mag,
            "{} km: {found}, without the bad frames {expected}, error {:?}",
            f.aperture_km,
            f.mag_err
        );
    }
}

/// All of them at once beside the good frames: each left out with its reason, none of the good ones lost, and the
/// numbers those of the night without them (another frame may give the star-registered grid and the stack's pixels: well under a per cent).
#[test]
fn bad_frames_never_cost_the_night_and_each_has_its_reason() {
    let night = Broken::new();
    BAD_FRAMES.iter().for_each(|(file, make, _)| make(&night, file));
    let run = night.night().expect_status(0);
    let (record, page) = (night.record(), night.page());
    let used: Vec<&str> = record.frames.iter().filter(|f| f.used).map(|f| f.file.as_str()).collect();
    let mut faults = Vec::new();
    let expected: Vec<String> = (1..=N_LIGHTS).map(|i| format!("light-{i:03}.fits")).collect();
    if used != expected {
        faults.push(format!("used {used:?}"));
    }
    for (file, _, words) in BAD_FRAMES {
        match reason(&record, file) {
            None => faults.push(format!("{file}: no reason in night.json")),
            Some(r) if words.iter().any(|w| !r.contains(w)) => {
                faults.push(format!("{file}: the reason \"{r}\" does not name {words:?}"));
            }
            Some(_) if !page.contains(file) => faults.push(format!("{file}: not on the page")),
            Some(_) => {}
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    // a frame that cannot be read counts as one, a file that is no frame does not
    let is_frame = |file: &str| record.frames.iter().any(|f| f.file == file);
    for file in ["truncated.fits", "cut-header.fits", "empty.fits"] {
        assert!(is_frame(file), "{file} is not among the frames");
    }
    assert!(!is_frame("text.fits"));
    let n = record.frames.len();
    assert_eq!(n, N_LIGHTS + BAD_FRAMES.len() - 1);
    assert!(run.stdout.contains(&format!("{N_LIGHTS} of {n} frames")), "{}", run.stdout);
    assert!(
        run.stderr.contains(&format!("warning: {} of {n} light frames were left out", n - N_LIGHTS)),
        "{}",
        run.stderr
    );
    expect_same_light(&record, 0.008);
}

/// Each as the only light: status 1, file and reason on standard error, nothing written.
#[test]
fn a_night_of_one_bad_frame_is_status_1_and_says_why() {
    let night = Broken::new();
    let keep = RawFits::read(&night.path("frames").join(LIGHT)).bytes();
    let mut faults = Vec::new();
    for (file, make, words) in BAD_FRAMES {
        // another filter alone is a campaign that does not name it, and a WCS alone that is wrong is solved: their own tests
        if ["other-filter.fits", "small.fits", "elsewhere.fits"].contains(&file) {
            continue;
        }
        std::fs::write(night.path("frames").join(LIGHT), &keep).expect("light");
        make(&night, file);
        for name in files_under(&night.path("frames")) {
            if name.starts_with("light") {
                std::fs::remove_file(night.path("frames").join(name)).expect("removed");
            }
        }
        let run = night.night();
        std::fs::remove_file(night.path("frames").join(file)).expect("removed");
        if run.status != Some(1) {
            faults.push(format!("{file}: status {:?}: {}{}", run.status, run.stdout, run.stderr));
        }
        let says = std::iter::once(&file).chain(words).filter(|w| !run.stderr.contains(**w)).collect::<Vec<_>>();
        if !says.is_empty() || run.stderr.contains("panicked") {
            faults.push(format!("{file}: standard error does not say {says:?}: {}", run.stderr));
        }
        if night.path("out").is_dir() {
            let left = files_under(&night.path("out"));
            if !left.is_empty() {
                faults.push(format!("{file}: left {left:?}"));
                std::fs::remove_dir_all(night.path("out")).expect("removed");
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Some pixels without a value cost these pixels, not the frame.
#[test]
fn a_frame_with_nan_pixels_is_used_without_them() {
    let night = Broken::new();
    night.frame(LIGHT, LIGHT, |f| {
        let (width, mut pixels) = (f.width(), f.pixels());
        // a block in the corner, a row, and scattered ones all over, the comet included
        for (i, v) in pixels.iter_mut().enumerate() {
            let (x, y) = (i % width, i / width);
            if (x < 20 && y < 20) || y == 150 || i % 997 == 0 {
                *v = if i % 2 == 0 { f32::NAN } else { f32::INFINITY };
            }
        }
        f.set_float_pixels(&pixels, width);
    });
    night.night().expect_status(0);
    let record = night.record();
    assert!(record.frames.iter().all(|f| f.used), "{:?}", record.frames);
    // one frame of six lost 3 % of its pixels: far below the errors of 0.005 mag and more
    expect_same_light(&record, 0.01);
}

#[test]
fn an_empty_folder_and_one_without_lights_are_status_1() {
    let night = Broken::new().without("light").without("bias").without("dark").without("flat");
    night.night().expect_status(1).expect_stderr(&["error:", "frames", "no light frame", "hint:", "IMAGETYP"]);
    night.expect_nothing_written();
    let night = Broken::new().without("light");
    night.night().expect_status(1).expect_stderr(&["error:", "frames", "no light frame", "6 calibration frames"]);
    night.expect_nothing_written();
    night.campaign("[camera]", "[camera]");
    std::fs::write(night.path("file"), "x").expect("file");
    run_in(night.folder(), &["night", "file", "--campaign", "campaign.toml", "--out", "out"])
        .expect_status(2)
        .expect_stderr(&["error:", "file"]);
    night.expect_nothing_written();
}

/// Without calibration frames the job goes on, and says what was not done.
#[test]
fn lights_alone_are_measured_with_notes() {
    let night = Broken::new().without("bias").without("dark").without("flat");
    night.night().expect_status(0).expect_stderr(&["warning: There are no bias", "warning: There are no flat"]);
    let record = night.record();
    assert!(record.summary.contains("There are no bias, dark or flat frames"), "{}", record.summary);
    assert_eq!(record.stack.n_frames, N_LIGHTS);
    for what in ["bias", "dark", "flat"] {
        assert!(
            record
                .notes
                .iter()
                .any(|n| n.contains(&format!("no {what}")) || n.contains(&format!("no bias and no {what}"))),
            "no note on {what}: {:?}",
            record.notes
        );
        assert!(night.page().contains(what));
    }
    // The offset goes with the sky. The uneven response, 12 % to the corner, also bends the sky under the coma, which the
    // light inside the smallest aperture feels least.
    let (found, good) =
        (record.photometry[0].mag.expect("measured"), happy().record().photometry[0].mag.expect("measured"));
    assert!((found - good).abs() < 0.1, "{found}, with calibration frames {good}");
    // what that may cost is in the error, in every aperture
    for (f, g) in record.photometry.iter().zip(&happy().record().photometry) {
        if let (Some(found), Some(error)) = (f.mag, f.mag_err) {
            let away = (found - g.mag.expect("measured")).abs();
            assert!(away < 2.5 * error && error > 0.1, "{} km: {away} off, error {error}", f.aperture_km);
        }
        for name in ["no bias or dark frames", "no flat frames"] {
            assert!(f.error_terms_mag.iter().any(|t| t.name == name && t.mag > 0.0), "{:?}", f.error_terms_mag);
        }
    }
}

#[test]
fn calibration_frames_that_do_not_fit_are_left_out_and_named() {
    let night = Broken::new();
    night.frame("flat-001.fits", "flat-small.fits", |f| crop(f, 100));
    night.frame("flat-001.fits", "flat-blank.fits", |f| f.map_counts(|_| 0));
    night.frame("flat-001.fits", "flat-other.fits", |f| f.set("FILTER", "'Sloan g '"));
    night.frame("bias-001.fits", "bias-small.fits", |f| crop(f, 100));
    let whole = std::fs::read(night.path("frames/dark-001.fits")).expect("dark");
    std::fs::write(night.path("frames/dark-cut.fits"), &whole[..2880 * 8]).expect("dark-cut");
    night.night().expect_status(0);
    let record = night.record();
    let mut faults = Vec::new();
    for file in ["flat-small.fits", "flat-blank.fits", "bias-small.fits", "dark-cut.fits"] {
        if !record.notes.iter().any(|n| n.contains(file)) {
            faults.push(format!("{file} is not in the notes: {:#?}", record.notes));
        }
        if record.provenance.inputs.iter().any(|i| i.file == file) {
            faults.push(format!("{file} is among the inputs though it was not used"));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(!record.provenance.inputs.iter().any(|i| i.file == "flat-other.fits"), "a flat of another filter");
    expect_same_light(&record, 0.0);
}

#[test]
fn flats_of_another_size_alone_are_as_no_flats() {
    let night = Broken::new();
    night.each("flat", |f| crop(f, 100));
    night.night().expect_status(0);
    let record = night.record();
    assert!(record.notes.iter().any(|n| n.contains("flat-001.fits") && n.contains("100 x 100")), "{:?}", record.notes);
    assert!(record.notes.iter().any(|n| n.contains("no flat frames")), "{:?}", record.notes);
    assert_eq!(record.stack.n_frames, N_LIGHTS);
}

/// Half the exposure gives half the light: the stack is per second, so the magnitudes stay.
#[test]
fn mixed_exposures_are_measured_together() {
    let night = Broken::new();
    let bias = mean(&RawFits::read(&night.path("frames/bias-001.fits")).pixels());
    for name in ["light-002.fits", "light-005.fits"] {
        night.frame(name, name, |f| {
            f.map_counts(|c| (bias + 0.5 * (f32::from(c) - bias)).round() as u16);
            f.set("EXPTIME", "30.0");
        });
    }
    night.night().expect_status(0);
    let record = night.record();
    let exposures: Vec<Option<f64>> = record.frames.iter().map(|f| f.exposure_s).collect();
    assert_eq!(exposures.iter().filter(|e| **e == Some(30.0)).count(), 2, "{exposures:?}");
    assert!(record.frames.iter().all(|f| f.used), "{:?}", record.frames);
    assert!((record.stack.exposure_s - 300.0).abs() < 1e-9, "{}", record.stack.exposure_s);
    let zero_points: Vec<f64> = record.frames.iter().map(|f| f.zero_point_mag.expect("measured")).collect();
    let spread = zero_points.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b))
        - zero_points.iter().fold(f64::INFINITY, |a, b| a.min(*b));
    assert!(spread < 0.1, "zero points are for electrons per second: {zero_points:?}");
    expect_same_light(&record, 0.02);
}

fn mean(values: &[f32]) -> f32 {
    (values.iter().map(|v| f64::from(*v)).sum::<f64>() / values.len() as f64) as f32
}

/// Of two filters the campaign's band decides, not the number of frames.
#[test]
fn two_filters_are_told_apart() {
    let night = Broken::new();
    for i in 1..=4 {
        night.frame(&format!("light-00{i}.fits"), &format!("light-00{i}.fits"), |f| f.set("FILTER", "'Sloan g '"));
    }
    night.night().expect_status(0);
    let record = night.record();
    let used: Vec<&str> = record.frames.iter().filter(|f| f.used).map(|f| f.file.as_str()).collect();
    assert_eq!(used, ["light-005.fits", "light-006.fits"]);
    for f in record.frames.iter().filter(|f| !f.used) {
        let why = f.rejected_because.as_deref().unwrap_or_default();
        assert!(why.contains("Sloan g") && why.contains("Sloan r"), "{}: {why}", f.file);
    }
    // a filter that the campaign does not name: which line to add
    let night = Broken::new();
    night.each("light", |f| f.set("FILTER", "'Sloan g '"));
    night.night().expect_status(1).expect_stderr(&[
        "error:",
        "\"r\"",
        "FILTER",
        "Sloan g",
        "hint:",
        "[photometry.filters]",
    ]);
    night.expect_nothing_written();
}

#[test]
fn campaigns_that_are_wrong_are_status_2_before_any_work() {
    let check = |from: &str, to: &str, words: &[&str]| {
        let night = Broken::new();
        night.campaign(from, to);
        let run = night.night().expect_status(2).expect_stderr(&["error:"]).expect_stderr(words);
        assert_eq!(run.stdout, "");
        assert!(!night.path("out").exists(), "an output folder for nothing");
    };
    check("q_au = 1.26101", "q_au = 0.0", &["campaign.toml", "object.orbit.q_au", "0"]);
    check("read_noise_e", "read_noise", &["campaign.toml", "camera.read_noise", "hint:", "read_noise_e"]);
    check("band = \"r\"", "band = \"z\"", &["field.csv", "\"z\"", "photometry.band", "r, g, i"]);
    check("field.csv", "fild.csv", &["fild.csv", "photometry.catalogue"]);
    check("gain_e_per_adu = 1.2", "gain_e_per_adu = 0", &["campaign.toml", "camera.gain_e_per_adu"]);
    check("apertures_km = [5000.0, 10000.0, 20000.0]", "apertures_km = []", &["campaign.toml", "apertures_km"]);
    let night = Broken::new();
    for (text, word) in
        [("", "field.csv"), ("ra_deg,dec_deg,r,r_err\n", "no usable row"), ("dec_deg,r\n1,2\n", "ra_deg")]
    {
        std::fs::write(night.path("field.csv"), text).expect("catalogue");
        night.night().expect_status(2).expect_stderr(&["error:", "field.csv", word]);
    }
    std::fs::write(night.path("field.csv"), "ra_deg,dec_deg,r,r_err\n10.0,x,12.0,0.1\n").expect("broken row");
    night.night().expect_status(2).expect_stderr(&["error:", "field.csv", "2", "dec_deg"]);
    night.expect_nothing_written();
}

/// A catalogue of another field is the wrong file: status 1, what it covers and where the frames are.
#[test]
fn a_catalogue_of_another_field_is_status_1_and_says_what_it_covers() {
    let night = Broken::new();
    let rows = "359.9,-40.2,12.3,0.01\n0.2,-40.1,13.1,0.01\n0.3,-40.3,11.9,0.01\n0.4,-40.2,12.0,0.01\n";
    std::fs::write(night.path("field.csv"), format!("ra_deg,dec_deg,r,r_err\n{rows}")).expect("catalogue");
    let field = happy().record().geometry;
    let at = format!("the field is at RA {:.0}", field.ra_deg.floor());
    night.night().expect_status(1).expect_stderr(&[
        "error:",
        "field.csv",
        "light-00",
        "hint: the catalogue covers RA 359.90° to 0.40°, Dec -40.30° to -40.10°",
        &at,
    ]);
    night.expect_nothing_written();
}

/// What a reader must know is on standard error, and first among the notes; with --quiet standard error is empty.
#[test]
fn warnings_are_said_and_quiet_is_quiet() {
    let night = Broken::new();
    night.campaign("longitude_deg = -", "longitude_deg = ");
    night.campaign("[camera]", "# FILL IN: the rest\n[camera]");
    night.edit("campaign.toml", |text| {
        let name = text.lines().find(|l| l.starts_with("name = ")).expect("site.name").to_string();
        text.replacen(&name, "name = \"my observatory\"", 1)
    });
    let run = night.night().expect_status(0).expect_stderr(&[
        "warning: The campaign file puts the site at longitude",
        "differ in sign only",
        "warning: The campaign file still says FILL IN in line",
        "warning: site.name in the campaign file is \"my observatory\"",
        "warning: These frames are simulated",
    ]);
    let record = night.record();
    let warned = run.stderr.lines().filter(|l| l.starts_with("warning: ")).count();
    assert_eq!(warned, record.n_warnings);
    assert!(record.notes.len() > warned, "plain notes follow");
    for (line, note) in run.stderr.lines().zip(&record.notes) {
        assert_eq!(line, format!("warning: {note}"));
    }
    // the same again, from the products that stand
    assert_eq!(night.night().expect_status(0).stderr, run.stderr);
    let quiet = ["night", "frames", "--campaign", "campaign.toml", "--out", "out", "--quiet"];
    assert_eq!(run_in(night.folder(), &quiet).expect_status(0).stderr, "");
}

#[test]
fn a_camera_without_a_gain_is_status_1_and_says_where_to_set_it() {
    // with two flats and two biases it would be measured
    let night = Broken::new().without("flat");
    night.campaign("gain_e_per_adu = 1.2\n", "");
    night.each("light", |f| {
        f.remove("EGAIN");
        f.set("GAIN", "120");
    });
    night.night().expect_status(1).expect_stderr(&[
        "error:",
        "EGAIN",
        "GAIN is 120",
        "hint:",
        "gain_e_per_adu",
        "[camera]",
    ]);
    night.expect_nothing_written();
}

/// The header's gain serves where the campaign file has none.
#[test]
fn the_headers_camera_serves_where_the_campaign_names_none() {
    let night = Broken::new();
    for line in ["gain_e_per_adu = 1.2\n", "read_noise_e = 3.5\n"] {
        night.campaign(line, "");
    }
    night.night().expect_status(0);
    expect_same_light(&night.record(), 0.0);
}

#[test]
fn an_output_path_that_cannot_be_a_folder_is_refused_and_left_alone() {
    let night = Broken::new();
    std::fs::write(night.path("out"), "a letter").expect("file");
    night.night().expect_status(1).expect_stderr(&["error:", "out", "file"]);
    assert_eq!(std::fs::read_to_string(night.path("out")).expect("still there"), "a letter");
    run_in(night.folder(), &["night", "frames", "--campaign", "campaign.toml", "--out", "out/deeper"])
        .expect_status(1)
        .expect_stderr(&["error:", "out/deeper"]);
    assert_eq!(std::fs::read_to_string(night.path("out")).expect("still there"), "a letter");
}

/// A place where nobody may write, not even the superuser: the kernel's own.
#[cfg(target_os = "linux")]
#[test]
fn a_read_only_output_is_status_1_and_named() {
    let night = Broken::new();
    for out in ["/proc/fanlight-out", "/sys/fanlight-out"] {
        run_in(night.folder(), &["night", "frames", "--campaign", "campaign.toml", "--out", out])
            .expect_status(1)
            .expect_stderr(&["error:", out]);
        assert!(!Path::new(out).exists());
    }
    // an output folder that exists and takes no file
    run_in(night.folder(), &["night", "frames", "--campaign", "campaign.toml", "--out", "/proc"])
        .expect_status(1)
        .expect_stderr(&["error:", "/proc"]);
}

/// A full disk, played by a limit on the size of files (writes beyond it fail as they do on a full disk): at every size
/// the run fails with status 1 and a reason, and what stands is whole.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_status_1_and_leaves_nothing_half_written() {
    let whole = happy().folder.join("out");
    let night = Broken::new();
    let limited = |kib: usize| -> Run {
        // SIGXFSZ ignored, so that the write itself fails
        let line =
            format!("trap '' XFSZ; ulimit -f {kib}; exec \"$0\" night frames --campaign campaign.toml --out out");
        let mut command = Command::new("bash");
        command.args(["-c", &line, env!("CARGO_BIN_EXE_fanlight")]).current_dir(night.folder());
        Run::from(command.output().expect("bash"))
    };
    // too little for the scratch file; enough for it but not for comet.fits and the larger figures
    for kib in [16, 200, 1400] {
        let run = limited(kib).expect_status(1).expect_stderr(&["error:", "out"]);
        assert!(run.stderr.contains("too large") || run.stderr.contains("space"), "no reason: {}", run.stderr);
        if !night.path("out").is_dir() {
            continue;
        }
        for name in files_under(&night.path("out")) {
            assert!(!name.contains("/.") && !name.starts_with('.'), "{kib} KiB: scratch file {name} left");
            assert_ne!(name, "night.json", "{kib} KiB: a record of a run that failed");
            let now = std::fs::read(night.path("out").join(&name)).expect("file");
            assert!(now == std::fs::read(whole.join(&name)).expect("whole"), "{kib} KiB: {name} is not whole");
        }
    }
    assert!(
        files_under(&night.path("out")).iter().any(|f| f == "comet.fits"),
        "the last limit was to let a product pass"
    );
    // with room again, all is well
    night.night().expect_status(0);
    expect_same_light(&night.record(), 0.0);
}

/// A failed run into a folder with an earlier run's products: they stay as they were, all of them or none.
#[test]
fn a_run_that_fails_before_its_products_leaves_the_earlier_ones() {
    let night = Broken::new();
    crate::support::copy_folder(&happy().folder.join("out"), &night.path("out"));
    let before = files_under(&night.path("out"));
    night.each("light", |f| f.remove("DATE-OBS"));
    night.night().expect_status(1).expect_stderr(&["light-001.fits", "DATE-OBS"]);
    assert_eq!(files_under(&night.path("out")), before);
    assert_eq!(night.record(), happy().record());
}

/// Frames of a comet that is not there: too far from its orbit to be found, every frame still stacked on the motion.
#[test]
fn an_orbit_that_puts_the_comet_outside_the_frames_is_status_1() {
    let night = Broken::new();
    night.campaign("node_deg = 139.65695", "node_deg = 100.0");
    night.night().expect_status(1).expect_stderr(&[
        "error:",
        "light-001",
        "comet",
        "° from its middle",
        "hint:",
        "DATE-OBS",
    ]);
    night.expect_nothing_written();
}

/// The same name twice in two folders, a link to nowhere, a folder that ends like a frame, a hidden file.
#[cfg(unix)]
#[test]
fn odd_things_among_the_frames_do_no_harm() {
    let night = Broken::new();
    let frames = night.path("frames");
    std::os::unix::fs::symlink("nowhere.fits", frames.join("dangling.fits")).expect("link");
    std::os::unix::fs::symlink("..", frames.join("loop")).expect("link");
    std::fs::create_dir(frames.join("folder.fits")).expect("folder");
    std::fs::copy(frames.join(LIGHT), frames.join("._light-003.fits")).expect("hidden");
    let mut command = command_in(night.folder());
    command.args(["night", "frames", "--campaign", "campaign.toml", "--out", "out"]);
    Run::from(command.output().expect("runs")).expect_status(0);
    let record = night.record();
    assert!(reason(&record, "dangling.fits").is_some(), "{:?}", record.notes);
    let n = record.frames.iter().filter(|f| f.used).count();
    assert_eq!(
        n,
        N_LIGHTS,
        "a frame reached twice is used once: {:?}",
        record.frames.iter().map(|f| &f.file).collect::<Vec<_>>()
    );
    expect_same_light(&record, 0.0);
}
