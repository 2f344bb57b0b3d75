//! The same wrong inputs on every other way into the program: frames without a WCS, `--at`, `--night`, `--leave-out`, a
//! ready-made stack, compressed and colour frames, overscan, catalogues of all kinds. Each ends with its exit status and a
//! reason, never in a panic, and an earlier run's products stay whole.

use crate::raw_fits::RawFits;
use crate::support::{Broken, Run, copy_folder, files_under, happy, run_in};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

/// A case: what is wrong, how it is made so, the arguments after `night`, the exit status, and words of standard error or,
/// where the night is measured all the same, of its record's notes and reasons.
struct Case {
    name: &'static str,
    make: fn(&Broken),
    arguments: &'static [&'static str],
    status: i32,
    words: &'static [&'static str],
}

const FRAMES: &[&str] = &["frames"];
const STACK: &[&str] = &["stack.fits"];
const LIGHT: &str = "light-003.fits";

fn case(
    name: &'static str,
    make: fn(&Broken),
    arguments: &'static [&'static str],
    status: i32,
    words: &'static [&'static str],
) -> Case {
    Case { name, make, arguments, status, words }
}

fn unsolved(n: &Broken) {
    n.each("light", RawFits::remove_wcs);
}

fn no_catalogue(n: &Broken) {
    n.campaign("catalogue = \"field.csv\"\n", "");
}

fn other_orbit(n: &Broken) {
    n.campaign("node_deg = 139.65695", "node_deg = 100.0");
}

fn other_field(n: &Broken) {
    let rows: String = (0..60).map(|i| format!("{},{},12.{i:02},0.01\n", 200.0 + 0.01 * i as f64, -40.0)).collect();
    std::fs::write(n.path("field.csv"), format!("ra_deg,dec_deg,r,r_err\n{rows}")).expect("catalogue");
}

/// The happy night's stack on the comet, changed, as `stack.fits`.
fn stack(n: &Broken, change: impl FnOnce(&mut RawFits)) {
    let mut fits = RawFits::read(&happy().folder.join("out/comet.fits"));
    change(&mut fits);
    fits.write(&n.path("stack.fits"));
}

fn fill(f: &mut RawFits, value: f32) {
    let (width, n) = (f.width(), f.width() * f.height());
    f.set_float_pixels(&vec![value; n], width);
}

fn cut(path: &Path, bytes: usize) {
    let whole = std::fs::read(path).expect("file");
    std::fs::write(path, &whole[..bytes.min(whole.len())]).expect("cut");
}

/// A file of the reader's own tests.
fn sample(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../fanlight-io/tests/data").join(name)
}

fn copied(n: &Broken, sample_name: &str, to: &str) -> PathBuf {
    std::fs::copy(sample(sample_name), n.path(to)).expect("copied");
    n.path(to)
}

fn with_catalogue(n: &Broken, name: &str) {
    n.campaign("field.csv", name);
}

fn cases() -> Vec<Case> {
    vec![
        // without a WCS
        case(
            "unsolved, no catalogue",
            |n| {
                unsolved(n);
                no_catalogue(n)
            },
            FRAMES,
            1,
            &[LIGHT, "no catalogue to solve it with", "photometry.catalogue"],
        ),
        case(
            "unsolved, no scale",
            |n| {
                unsolved(n);
                n.edit("campaign.toml", |t| {
                    t.lines().filter(|l| !l.starts_with("pixel_scale")).map(|l| format!("{l}\n")).collect()
                })
            },
            FRAMES,
            1,
            &[LIGHT, "camera.pixel_scale_arcsec"],
        ),
        case(
            "unsolved, catalogue of another field",
            |n| {
                unsolved(n);
                other_field(n)
            },
            FRAMES,
            1,
            &["light-001.fits"],
        ),
        case(
            "unsolved, orbit of another comet",
            |n| {
                unsolved(n);
                other_orbit(n)
            },
            FRAMES,
            1,
            &["light-001.fits"],
        ),
        case(
            "unsolved, one cut short",
            |n| {
                unsolved(n);
                cut(&n.path("frames").join(LIGHT), 2880 * 8)
            },
            FRAMES,
            0,
            &[LIGHT, "truncated"],
        ),
        case(
            "unsolved, one blank",
            |n| {
                unsolved(n);
                n.frame(LIGHT, LIGHT, |f| f.map_counts(|_| 900))
            },
            FRAMES,
            0,
            &[LIGHT, "no noise"],
        ),
        case(
            "unsolved, one without a number",
            |n| {
                unsolved(n);
                n.frame(LIGHT, LIGHT, |f| fill(f, f32::NAN))
            },
            FRAMES,
            0,
            &[LIGHT],
        ),
        case(
            "unsolved, one smaller",
            |n| {
                unsolved(n);
                n.frame(LIGHT, LIGHT, |f| f.set_float_pixels(&[1.0; 400], 20))
            },
            FRAMES,
            0,
            &[LIGHT, "20 x 20"],
        ),
        case(
            "unsolved, absurd scale",
            |n| {
                unsolved(n);
                n.edit("campaign.toml", |t| t.replace("pixel_scale_arcsec = 1.5", "pixel_scale_arcsec = 150.0"))
            },
            FRAMES,
            1,
            &["light-001.fits"],
        ),
        case("half a WCS", |n| n.each("light", |f| f.remove("CRVAL1")), FRAMES, 1, &["light-001.fits", "CRVAL1"]),
        case(
            "a WCS without a scale",
            |n| n.each("light", |f| ["CD1_1", "CD1_2", "CD2_1", "CD2_2"].iter().for_each(|k| f.set(k, "0.0"))),
            FRAMES,
            1,
            &["light-001.fits", "WCS"],
        ),
        // --at
        case("--at not a number", |_| (), &["frames", "--at", "nan,1"], 2, &["--at nan,1"]),
        case("--at empty", |_| (), &["frames", "--at", ""], 2, &["--at"]),
        case("--at two signs", |_| (), &["frames", "--at=06:47:48 --34:19:59"], 2, &["--at"]),
        case("--at off the frames", |_| (), &["frames", "--at", "101.95,35.5"], 1, &["--at is on none of the frames"]),
        case(
            "--at, orbit of another comet",
            other_orbit,
            &["frames", "--at", "101.95,34.33"],
            1,
            &["from the place that the orbit gives"],
        ),
        case(
            "--at, unknown key",
            |n| n.campaign("read_noise_e", "read_noise"),
            &["frames", "--at", "101.95,34.33"],
            2,
            &["camera.read_noise"],
        ),
        case(
            "--at, no frames",
            |n| n.each("light", |f| f.remove("DATE-OBS")),
            &["frames", "--at", "101.95,34.33"],
            1,
            &["DATE-OBS"],
        ),
        // --night, --leave-out
        case("--night is no date", |_| (), &["frames", "--night", "yesterday"], 2, &["--night", "yesterday"]),
        case("--night without frames", |_| (), &["frames", "--night", "2031-02-30"], 2, &["2031-02-30"]),
        case("--leave-out of all", |_| (), &["frames", "--leave-out", "light-*"], 1, &["left out by the user"]),
        case("--leave-out of none", |_| (), &["frames", "--leave-out", "nothing*"], 2, &["nothing*"]),
        case(
            "--night, empty folder",
            |n| std::fs::create_dir(n.path("empty")).expect("folder"),
            &["empty", "--night", "2031-03-22"],
            1,
            &["no light frame"],
        ),
        // a ready-made stack
        case("no such stack", |_| (), &["none.fits"], 2, &["none.fits"]),
        case(
            "stack cut short",
            |n| {
                stack(n, |_| ());
                cut(&n.path("stack.fits"), 2880 * 6)
            },
            STACK,
            1,
            &["stack.fits", "truncated"],
        ),
        case(
            "stack empty",
            |n| std::fs::write(n.path("stack.fits"), "").expect("file"),
            STACK,
            1,
            &["stack.fits", "empty"],
        ),
        case(
            "stack of text",
            |n| std::fs::write(n.path("stack.fits"), "no image").expect("file"),
            STACK,
            2,
            &["stack.fits"],
        ),
        case(
            "stack of a table",
            |n| {
                copied(n, "table_only.fits", "stack.fits");
            },
            STACK,
            2,
            &["stack.fits", "image"],
        ),
        case(
            "stack a cube",
            |n| {
                copied(n, "cube.fits", "stack.fits");
            },
            STACK,
            2,
            &["stack.fits"],
        ),
        case("stack blank", |n| stack(n, |f| fill(f, 7.0)), STACK, 1, &["stack.fits", "no noise"]),
        case("stack without a number", |n| stack(n, |f| fill(f, f32::NAN)), STACK, 1, &["stack.fits"]),
        case(
            "stack of 3 x 3 px",
            |n| stack(n, |f| f.set_float_pixels(&[1.0, 2.0, 3.0, 4.0, 5.0, 4.0, 3.0, 2.0, 1.0], 3)),
            STACK,
            1,
            &["stack.fits"],
        ),
        case(
            "stack without a date",
            |n| {
                stack(n, |f| {
                    ["DATE-OBS", "DATE-AVG", "DATE-BEG", "DATE-END", "MJD-OBS", "MJD-AVG"]
                        .iter()
                        .filter(|k| f.value(k).is_some())
                        .copied()
                        .collect::<Vec<_>>()
                        .into_iter()
                        .for_each(|k| f.remove(k))
                })
            },
            STACK,
            1,
            &["stack.fits", "DATE-OBS"],
        ),
        case(
            "stack of another comet",
            |n| {
                stack(n, |_| ());
                other_orbit(n)
            },
            STACK,
            1,
            &["stack.fits", "comet"],
        ),
        case(
            "stack, --at off it",
            |n| stack(n, |_| ()),
            &["stack.fits", "--at", "101.95,35.5"],
            1,
            &["--at is on none"],
        ),
        case(
            "stack, catalogue without the band",
            |n| {
                stack(n, |_| ());
                n.campaign("band = \"r\"", "band = \"z\"")
            },
            STACK,
            2,
            &["field.csv", "\"z\""],
        ),
        case(
            "stack, catalogue of another field",
            |n| {
                stack(n, |_| ());
                other_field(n)
            },
            STACK,
            0,
            &["MAGZERO"],
        ),
        case(
            "stack, campaign unreadable",
            |n| {
                stack(n, |_| ());
                std::fs::write(n.path("campaign.toml"), [0xff, 0xfe, 0x00]).expect("campaign")
            },
            STACK,
            2,
            &["campaign.toml"],
        ),
        case(
            "stack, no campaign",
            |n| {
                stack(n, |_| ());
                std::fs::remove_file(n.path("campaign.toml")).expect("removed")
            },
            STACK,
            2,
            &["campaign.toml"],
        ),
        case(
            "stack, --north-pa no number",
            |n| stack(n, |_| ()),
            &["stack.fits", "--north-pa", "nan"],
            2,
            &["--north-pa"],
        ),
        case(
            "stack, its variance cut short",
            |n| {
                std::fs::copy(happy().folder.join("out/comet.fits"), n.path("stack.fits")).expect("copied");
                let size = std::fs::metadata(n.path("stack.fits")).expect("size").len() as usize;
                cut(&n.path("stack.fits"), size / 2)
            },
            STACK,
            0,
            &["VARIANCE", "was not used"],
        ),
        // compressed
        case(
            "compressed, cut short",
            |n| {
                let p = copied(n, "u16_rice.fits.fz", "frames/light-cut.fits.fz");
                let size = std::fs::metadata(&p).expect("size").len() as usize;
                cut(&p, size - 3000)
            },
            FRAMES,
            0,
            &["light-cut.fits.fz"],
        ),
        case(
            "compressed, of another size",
            |n| {
                copied(n, "u16_rice.fits.fz", "frames/light-other.fits.fz");
            },
            FRAMES,
            0,
            &["light-other.fits.fz"],
        ),
        case(
            "gzip that is none",
            |n| std::fs::write(n.path("frames/light-bad.fits.gz"), [0x1f, 0x8b, 8, 0, 1, 2, 3]).expect("file"),
            FRAMES,
            0,
            &["light-bad.fits.gz"],
        ),
        // colour
        case(
            "colours of no pattern",
            |n| n.each("light", |f| f.set("BAYERPAT", "'RGGX'")),
            FRAMES,
            1,
            &["light-001.fits", "RGGX"],
        ),
        case(
            "one colour frame among grey ones",
            |n| n.frame(LIGHT, LIGHT, |f| f.set("BAYERPAT", "'RGGB'")),
            FRAMES,
            0,
            &[LIGHT, "BAYERPAT"],
        ),
        case(
            "colour frame cut short",
            |n| {
                n.each("light", |f| f.set("BAYERPAT", "'RGGB'"));
                cut(&n.path("frames").join(LIGHT), 2880 * 8)
            },
            FRAMES,
            0,
            &[LIGHT, "truncated"],
        ),
        case(
            "no such channel",
            |n| n.campaign("[camera]\n", "[camera]\nchannel = \"L\"\n"),
            FRAMES,
            2,
            &["camera.channel"],
        ),
        // overscan
        case(
            "overscan without picture",
            |n| n.each("light", |f| f.set("BIASSEC", "'[1:8,1:192]'")),
            FRAMES,
            1,
            &["light-001.fits", "BIASSEC"],
        ),
        case(
            "overscan beyond the frame",
            |n| {
                n.each("light", |f| {
                    f.set("BIASSEC", "'[190:230,1:192]'");
                    f.set("TRIMSEC", "'[1:180,1:192]'")
                })
            },
            FRAMES,
            1,
            &["light-001.fits", "BIASSEC"],
        ),
        case(
            "a section of words",
            |n| n.each("light", |f| f.set("TRIMSEC", "'all of it'")),
            FRAMES,
            1,
            &["light-001.fits", "TRIMSEC"],
        ),
        // catalogues
        case(
            "VOTable cut short",
            |n| {
                let p = copied(n, "stars_tabledata.vot", "stars.vot");
                cut(&p, 900);
                with_catalogue(n, "stars.vot")
            },
            FRAMES,
            2,
            &["stars.vot"],
        ),
        case(
            "VOTable of no table",
            |n| {
                std::fs::write(n.path("stars.vot"), "<?xml version=\"1.0\"?><VOTABLE version=\"1.4\"></VOTABLE>")
                    .expect("file");
                with_catalogue(n, "stars.vot")
            },
            FRAMES,
            2,
            &["stars.vot"],
        ),
        case(
            "FITS table cut short",
            |n| {
                let p = copied(n, "stars.fits", "stars.fits");
                let size = std::fs::metadata(&p).expect("size").len() as usize;
                cut(&p, size - 2880);
                with_catalogue(n, "stars.fits")
            },
            FRAMES,
            2,
            &["stars.fits"],
        ),
        case(
            "an image for a catalogue",
            |n| with_catalogue(n, "frames/light-001.fits"),
            FRAMES,
            2,
            &["light-001.fits"],
        ),
        case("a folder for a catalogue", |n| with_catalogue(n, "frames"), FRAMES, 2, &["frames"]),
        case(
            "a star list of noise",
            |n| {
                std::fs::write(n.path("sky.stars"), [7u8; 5000]).expect("file");
                with_catalogue(n, "sky.stars")
            },
            FRAMES,
            2,
            &["sky.stars"],
        ),
        case("no catalogue", no_catalogue, FRAMES, 0, &["No catalogue is named"]),
        // what is not there
        case(
            "two objects, none the campaign's",
            |n| {
                n.each("light", |f| f.set("OBJECT", "'Alpha Cyg'"));
                ["light-001.fits", "light-002.fits"].iter().for_each(|l| n.frame(l, l, |f| f.set("OBJECT", "'M 31'")));
            },
            FRAMES,
            0,
            &["No frame's OBJECT is the campaign's", "\"Alpha Cyg\", which most frames name", "OBJECT is \"M 31\""],
        ),
    ]
}

fn measure(night: &Broken, arguments: &[&str]) -> Run {
    run_in(night.folder(), &[&["night"], arguments, &["--campaign", "campaign.toml", "--out", "out"]].concat())
}

fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let read = |name: String| (name.clone(), std::fs::read(folder.join(&name)).expect("product"));
    files_under(folder).into_iter().map(read).collect()
}

fn fault(case: &Case) -> Option<String> {
    let night = Broken::new();
    copy_folder(&happy().folder.join("out"), &night.path("out"));
    (case.make)(&night);
    let before = contents(&night.path("out"));
    let run = measure(&night, case.arguments);
    let mut faults = Vec::new();
    if run.status != Some(case.status) || run.stderr.contains("panicked") {
        faults.push(format!("status {:?}, expected {}", run.status, case.status));
    }
    let mut said = run.stderr.clone();
    if run.status == Some(0) {
        let record = night.record();
        let reasons =
            record.frames.iter().filter_map(|f| Some(format!("{}: {}", f.file, f.rejected_because.as_ref()?)));
        said.push_str(&record.notes.iter().cloned().chain(reasons).collect::<Vec<_>>().join("\n"));
        let is_stack = case.arguments[0] != "frames";
        if !is_stack && record.photometry.is_empty() && !said.contains("No catalogue") {
            faults.push("the good frames gave no photometry".to_owned());
        }
    } else {
        if !run.stdout.is_empty() {
            faults.push(format!("wrote {:?} to standard output", run.stdout));
        }
        if contents(&night.path("out")) != before {
            faults.push("an earlier run's products were touched".to_owned());
        }
    }
    let missing: Vec<&&str> = case.words.iter().filter(|w| !said.contains(**w)).collect();
    if !missing.is_empty() {
        faults.push(format!("does not say {missing:?}"));
    }
    (!faults.is_empty()).then(|| format!("{}: {}\n{said}\n", case.name, faults.join("; ")))
}

#[test]
fn bad_inputs_on_every_way_in_give_a_reason_and_cost_nothing() {
    let cases = cases();
    let faults: Vec<String> = cases.par_iter().filter_map(fault).collect();
    assert!(faults.is_empty(), "{} of {} cases:\n{}", faults.len(), cases.len(), faults.join("\n"));
}

/// Tables that no list can be made of: nothing is written.
#[test]
fn catalogues_that_cannot_be_imported_say_why() {
    let night = Broken::new();
    std::fs::write(night.path("text.csv"), "my stars\n").expect("file");
    std::fs::write(night.path("empty.csv"), "").expect("file");
    std::fs::write(night.path("broken.csv"), "ra_deg,dec_deg,r\n10.0,x,12.0\n").expect("file");
    cut(&copied(&night, "stars_tabledata.vot", "cut.vot"), 900);
    let table = copied(&night, "stars.fits", "cut.fits");
    cut(&table, std::fs::metadata(&table).expect("size").len() as usize - 2880);
    for name in ["text.csv", "empty.csv", "broken.csv", "cut.vot", "cut.fits", "none.csv", "frames/light-001.fits"] {
        let run = run_in(night.folder(), &["catalogue", "import", name, "--out", "lists/"]);
        assert!(matches!(run.status, Some(1 | 2)), "{name}: {run:?}");
        run.expect_stderr(&["error:", name.rsplit('/').next().expect("name")]);
        assert!(!night.path("lists").is_dir() || files_under(&night.path("lists")).is_empty(), "{name}");
    }
}

/// Rows that a catalogue cannot use are named on the page.
#[test]
fn what_a_catalogue_leaves_out_reaches_the_page() {
    let night = Broken::new();
    night.edit("field.csv", |text| {
        let fields = text.lines().next().expect("head").split(',').count();
        format!("{text}100.0,95.0,12.0{}\n", ",".repeat(fields - 3))
    });
    night.night().expect_status(0);
    let note = night.record().notes.into_iter().find(|n| n.contains("field.csv")).expect("a note");
    assert!(note.contains("skipped") && note.contains("95"), "{note}");
    assert!(night.page().contains("skipped: no place in the sky"), "not on the page");
}

/// Darks whose bias another program took off give the same dark current; frames calibrated twice are refused by name.
#[test]
fn calstat_of_calibration_frames_is_heeded() {
    let night = Broken::new();
    let bias = RawFits::read(&night.path("frames/bias-001.fits")).pixels();
    night.each("dark", |f| {
        let (width, pixels) = (f.width(), f.pixels());
        let less: Vec<f32> = pixels.iter().zip(&bias).map(|(d, b)| d - b).collect();
        f.set_float_pixels(&less, width);
        f.set("CALSTAT", "'B'");
    });
    night.frame("bias-001.fits", "bias-calibrated.fits", |f| f.set("CALSTAT", "'B'"));
    night.frame("flat-001.fits", "flat-calibrated.fits", |f| f.set("CALSTAT", "'BDF'"));
    night.night().expect_status(0).expect_stderr(&[
        "bias-calibrated.fits",
        "flat-calibrated.fits",
        "CALSTAT is \"BDF\"",
    ]);
    let (found, good) = (night.record(), happy().record());
    for (f, g) in found.photometry.iter().zip(&good.photometry) {
        let off = f.mag.expect("mag") - g.mag.expect("mag");
        // two biases' noise is in the darks twice, or once
        assert!(off.abs() < 0.005, "{} km: {off}", f.aperture_km);
    }
    let sky = |r: &fanlight_record::NightRecord| r.frames[0].sky_e_per_s_arcsec2.expect("sky");
    assert!((sky(&found) / sky(&good) - 1.0).abs() < 0.01, "{} {}", sky(&found), sky(&good));
}

/// An hour is 137″, beyond where the comet is sought and beyond half a small frame.
#[test]
fn a_clock_wrong_by_an_hour_is_named() {
    let folder = tempfile::tempdir().expect("folder");
    let scenario = "seed = 11\nn_frames = 5\n[camera]\nwidth_px = 400\nheight_px = 400\nscale_arcsec = 1.5\n[calibration]\n\
                    n_bias = 2\nn_dark = 2\nn_flat = 2\n[stars]\nper_square_degree = 4000.0\n";
    std::fs::write(folder.path().join("scenario.toml"), scenario).expect("scenario");
    run_in(folder.path(), &["simulate", "scenario.toml", "--out", "."]).expect_status(0);
    for name in files_under(&folder.path().join("frames")).iter().filter(|n| n.starts_with("light")) {
        let path = folder.path().join("frames").join(name);
        let mut frame = RawFits::read(&path);
        let written = frame.value("DATE-OBS").expect("DATE-OBS").trim_matches('\'').trim().to_owned();
        let shifted = fanlight_sky::UtcInstant::parse(&written).expect("instant").plus_seconds(-3600.0).to_iso();
        frame.set("DATE-OBS", &format!("'{}'", shifted.trim_end_matches('Z')));
        frame.write(&path);
    }
    run_in(folder.path(), &["night", "frames", "--campaign", "campaign.toml", "--out", "out"])
        .expect_status(0)
        .expect_stderr(&["along the motion", "clock were 60 min slow", "--at "]);
}
