//! `fanlight export`: tables read back by astropy, ADES files held against the standard's rules by a reader of its own
//! (`reference/check_tables.py`, `reference/check_ades.py`), and what a wrong call or record gets to hear.

use crate::support::{Run, files_under, happy, python, run_in};
use fanlight_record::*;
use serde_json::Value;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};

/// What the campaign file of the small night does not say.
const CAMPAIGN: &str = "[observer]
names = [\"C. Lindqvist\", \"B. Beobachter & Söhne\"]
mpc_code = \"Z99\"
submitter = \"C. Lindqvist\"
[camera]
clock_err_s = 0.2
[photometry]
catalogue_code = \"Gaia3E\"
filter_code = \"Rc\"
";

/// A folder with `night/night.json` and `c.toml`.
struct Desk {
    folder: tempfile::TempDir,
}

impl Desk {
    /// With the small night's record, as if its frames were not simulated, changed further.
    fn new(change: impl FnOnce(&mut NightRecord)) -> Self {
        let desk = Self { folder: tempfile::tempdir().expect("temporary folder") };
        let mut record = happy().record();
        record.setup.simulated = false;
        change(&mut record);
        desk.add("night", &record);
        std::fs::write(desk.path("c.toml"), CAMPAIGN).expect("c.toml");
        desk
    }

    fn add(&self, name: &str, record: &NightRecord) {
        std::fs::create_dir_all(self.path(name)).expect("folder");
        let text = serde_json::to_string_pretty(record).expect("JSON");
        std::fs::write(self.path(name).join("night.json"), text).expect("night.json");
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn export(&self, arguments: &[&str]) -> Run {
        run_in(self.folder.path(), &[&["export"], arguments].concat())
    }

    /// Exports ADES with the campaign file; returns the checked blocks that both files hold.
    fn ades(&self, more: &[&str]) -> Value {
        let arguments = [&["night", "--campaign", "c.toml", "--out", "report", "--format", "ades"], more].concat();
        self.export(&arguments).expect_status(0);
        python("check_ades.py", &[self.path("report/ades.psv").as_os_str(), self.path("report/ades.xml").as_os_str()])
    }
}

/// A record with everything that a night may have, and numbers and texts that are hard to write.
fn full(record: &mut NightRecord) {
    record.object = "C/2031 Z2 (Müller, \"A\" & <B>)".into();
    record.geometry.r_au = 0.1 + 0.2;
    record.geometry.delta_au = 1.0 / 3.0;
    record.frames[0].star_near_nucleus =
        Some(NearStarRecord { mag: 15.1, distance_arcsec: 5e-324, light_share: 1e-17 });
    record.frames[1].solution = None;
    record.frames[2] = FrameRecord::left_out("clouds,\nand \"more\".fits", "no time; \u{1f}");
    let challenge = |name: &str, outcome: &str| ChallengeRecord {
        name: name.into(),
        outcome: outcome.into(),
        statistic: None,
        threshold: Some(4.5),
        explanation: "Why.".into(),
    };
    record.morphology.features = vec![FeatureRecord {
        kind: "arc".into(),
        pa_deg: 271.3,
        pa_err_deg: 1.2,
        width_deg: 22.0,
        curvature_deg_per_arcsec: None,
        inner_arcsec: 4.0,
        outer_arcsec: 35.0,
        inner_km: 2_545.123_456_789,
        outer_km: 1.797_693_134_862_315_7e308,
        contrast: 0.083,
        contrast_err: 0.006,
        false_alarm_probability: 1e-300,
        verdict: "provisional".into(),
        offset_from_sunward_deg: -0.0,
        challenges: vec![challenge("noise", "passed"), challenge("centre", "failed"), challenge("stars", "passed")],
        significance: Some(14.2),
        width_err_deg: None,
        contrast_intrinsic: Some(0.12),
        because: Some("One half of the night does not show it.".into()),
        ridge: vec![RidgePoint { rho_arcsec: 4.0, pa_deg: 271.3 }],
    }];
    let in_aperture = |aperture_km: f64, colour_mag: f64| ApertureColourRecord {
        aperture_km,
        colour_mag,
        colour_err_mag: 0.02,
        slope_percent_per_1000a: 9.0 * (colour_mag - 0.46),
        slope_err_percent_per_1000a: 1.3,
    };
    record.colour = Some(ColourRecord {
        blue: "g".into(),
        red: "r".into(),
        aperture_km: 10_000.0,
        colour_mag: 0.57,
        colour_err_mag: 0.02,
        solar_colour_mag: 0.46,
        slope_percent_per_1000a: 6.9,
        slope_err_percent_per_1000a: 1.3,
        hours_apart: 1.1,
        other_sha256: "0".repeat(64),
        apertures: vec![in_aperture(5_000.0, 0.551), in_aperture(10_000.0, 0.57)],
    });
}

/// The same night when hardly anything could be measured.
fn bare(record: &mut NightRecord) {
    record.mid_utc = "2031-03-23T20:53:20.000Z".into();
    record.astrometry = None;
    record.photometry.truncate(1);
    let p = &mut record.photometry[0];
    (p.mag, p.mag_err, p.afrho_cm, p.afrho_err_cm, p.a0frho_cm, p.a0frho_err_cm) = (None, None, None, None, None, None);
    (p.limit_3sigma_mag, p.seeing_loss, p.edge_sky_loss) = (Some(19.5), None, None);
    record.phase_function = None;
    record.morphology = MorphologyRecord::default();
    record.profile.clear();
    record.zero_point = None;
    (record.setup.site, record.setup.telescope, record.setup.filter) = (None, None, None);
    record.setup.observers.clear();
    record.frames.iter_mut().for_each(|f| *f = FrameRecord::left_out(&f.file, "clouds"));
}

#[test]
fn tables_read_back_in_astropy_to_the_last_bit() {
    let desk = Desk::new(full);
    let mut second = happy().record();
    bare(&mut second);
    desk.add("second", &second);
    let run = desk.export(&["second", "night", "--out", "tables"]).expect_status(0);
    let files = files_under(&desk.path("tables"));
    assert_eq!(files.len(), 42, "{files:?}");
    assert!(files.iter().all(|f| run.stdout.contains(&format!("tables/{f}"))), "{}", run.stdout);
    let records = [desk.path("night/night.json"), desk.path("second/night.json")];
    let folder = desk.path("tables");
    let told = python("check_tables.py", &[folder.as_os_str(), records[0].as_os_str(), records[1].as_os_str()]);
    let rows = |table: &str| told["tables"][table]["rows"].as_u64().expect("rows");
    assert_eq!((rows("nights"), rows("astrometry"), rows("frames")), (2, 1, 12));
    assert_eq!((rows("photometry"), rows("features")), (4, 1));
    assert!(rows("profile") > 10 && rows("zero_point_stars") > 10 && rows("detection_limits") > 0, "{told}");
    assert_eq!(rows("colours"), 2);
    assert!(rows("dust") == 2 && rows("growth") > 20 && rows("slopes") > 2, "{told}");
    assert!(told["cells"].as_u64() > Some(5000), "{told}");
}

/// The check itself sees one bit of one number.
#[test]
fn a_table_that_is_one_bit_off_is_found() {
    let desk = Desk::new(|_| {});
    desk.export(&["night", "--out", "tables"]).expect_status(0);
    let mut other: Value =
        serde_json::from_slice(&std::fs::read(desk.path("night/night.json")).expect("record")).expect("JSON");
    let value = other["photometry"][0]["mag"].as_f64().expect("a magnitude");
    other["photometry"][0]["mag"] = f64::from_bits(value.to_bits() + 1).into();
    std::fs::write(desk.path("other.json"), other.to_string()).expect("other.json");
    let interpreter = std::env::var_os("FANLIGHT_PYTHON").expect("FANLIGHT_PYTHON");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../reference/check_tables.py");
    let arguments = [script, desk.path("tables"), desk.path("other.json")];
    let output = std::process::Command::new(interpreter).args(arguments).output().expect("Python runs");
    Run::from(output).expect_status(1).expect_stderr(&["photometry.csv, row 1, mag"]);
}

/// Formats that are not asked for are not written, what another format left stays, and the same run gives the same bytes.
#[test]
fn formats_are_chosen_and_files_are_the_same_each_time() {
    let desk = Desk::new(|_| {});
    desk.export(&["night/night.json", "--out", "a", "--format", "csv", "--format", "fits"]).expect_status(0);
    let files = files_under(&desk.path("a"));
    assert!(files.len() == 28 && !files.iter().any(|f| f.ends_with(".vot")), "{files:?}");
    desk.export(&["night", "--out", "b"]).expect_status(0);
    for file in files {
        let [a, b] = ["a", "b"].map(|folder| std::fs::read(desk.path(folder).join(&file)).expect("file"));
        assert!(a == b, "{file} differs from run to run");
    }
    let header = std::fs::read_to_string(desk.path("a/photometry.csv")).expect("photometry.csv");
    for part in ["aperture_km [km],", "aperture_arcsec [arcsec],", "mag [mag],", "afrho_cm [cm],"] {
        assert!(header.lines().next().is_some_and(|h| h.contains(part)), "{part} is not in {header}");
    }
}

/// The reader of the rules gives the verdicts of the standard's own schema on the vectors that were run against it.
#[test]
fn the_reader_of_the_ades_rules_knows_its_vectors() {
    let counts = python("check_ades.py", &[OsStr::new("--vectors")]);
    assert_eq!(counts, serde_json::json!({ "accepted": 8, "rejected": 20 }));
}

fn number(record: &Value, field: &str) -> f64 {
    let text = record[field].as_str().unwrap_or_else(|| panic!("{field} in {record}"));
    text.parse().expect("a number")
}

#[test]
fn ades_of_frames_keeps_the_rules_and_the_places() {
    let desk = Desk::new(|record| {
        record.object = "73P-C/Trial (Mock)".into();
        record.frames[1].used = false;
    });
    let blocks = desk.ades(&[]);
    let records = blocks[0]["records"].as_array().expect("records");
    let night = happy().record();
    let frames: Vec<&FrameRecord> = night.frames.iter().enumerate().filter(|(i, _)| *i != 1).map(|(_, f)| f).collect();
    assert_eq!(records.len(), frames.len());
    for (record, frame) in records.iter().zip(frames) {
        assert_eq!((record["permID"].as_str(), record["stn"].as_str()), (Some("73P-C"), Some("Z99")));
        assert_eq!(record["obsTime"].as_str(), frame.mid_utc.as_deref());
        let err_deg = frame.comet_err_arcsec.expect("error") / 3600.0;
        // two digits of the error are kept, so that rounding moves a place by a twentieth of it at most
        assert!(
            (number(record, "ra") - frame.comet_ra_deg.expect("place")).abs() <= 0.0501 * err_deg / 0.82,
            "{record}"
        );
        assert!((number(record, "dec") - frame.comet_dec_deg.expect("place")).abs() <= 0.0501 * err_deg, "{record}");
        assert!((number(record, "rmsRA") / 3600.0 / err_deg - 1.0).abs() < 0.06, "{record}");
        assert_eq!((record["mode"].as_str(), record["astCat"].as_str()), (Some("CMO"), Some("Gaia3E")));
        assert_eq!((record["rmsTime"].as_str(), record["nStars"].is_string()), (Some("0.20"), true), "{record}");
        // what a single frame does not tell
        assert!(["mag", "band", "fltr", "logSNR", "rmsCorr"].iter().all(|f| record.get(f).is_none()), "{record}");
    }
    let header = &blocks[0]["header"];
    assert_eq!(header["measurers"][1][1], "B. Beobachter & Söhne", "{header}");
    assert_eq!(header["telescope"][1], serde_json::json!(["design", "reflector"]), "{header}");
}

#[test]
fn ades_of_the_night_is_one_stack_with_the_light_of_an_aperture() {
    let desk = Desk::new(|_| {});
    let night = happy().record();
    let light = &night.photometry[1];
    let km = light.aperture_km.to_string();
    let blocks = desk.ades(&["--positions", "night", "--aperture", &km]);
    let record = &blocks[0]["records"][0];
    let place = night.astrometry.as_ref().expect("place");
    assert!((number(record, "dec") - place.dec_deg).abs() <= 0.0501 * place.err_arcsec / 3600.0, "{record}");
    let (mag, err) = (light.mag.expect("mag"), light.mag_err.expect("error"));
    assert!((number(record, "mag") - mag).abs() <= 0.0501 * err, "{record}");
    assert!((number(record, "photAp") - light.aperture_arcsec).abs() <= 0.005, "{record}");
    assert_eq!((record["band"].as_str(), record["photCat"].as_str()), (Some("Sr"), Some("Gaia3E")));
    assert_eq!((record["fltr"].as_str(), record["rmsTime"].as_str()), (Some("Rc"), Some("0.20")));
    let noise = light.error_terms_mag.iter().find(|t| t.name == sentences::NOISE_TERM).expect("the light's noise");
    assert!((number(record, "logSNR") - (1.085_736_2 / noise.mag).log10()).abs() <= 0.0051, "{record}");
    let [err_ra, err_dec] = place.err_ra_dec_arcsec.expect("errors per axis");
    assert!(((0.5 * (err_ra * err_ra + err_dec * err_dec)).sqrt() / place.err_arcsec - 1.0).abs() < 1e-9, "{place:?}");
    assert!(
        (number(record, "rmsRA") / err_ra - 1.0).abs() < 0.06
            && (number(record, "rmsDec") / err_dec - 1.0).abs() < 0.06
    );
    assert!((number(record, "rmsCorr") - place.err_correlation.expect("correlation")).abs() <= 0.000_51, "{record}");
    let stars: Vec<usize> =
        night.frames.iter().filter(|f| f.used).filter_map(|f| Some(f.solution.as_ref()?.stars)).collect();
    let [least, most] = [stars.iter().min(), stars.iter().max()].map(|n| *n.expect("solved frames") as f64);
    assert!((least..=most).contains(&number(record, "nStars")) && number(record, "rmsFit") > 0.0, "{record}");
    assert_eq!((number(record, "exp"), record["notes"].as_str()), (night.stack.exposure_s, Some("K")));
    assert_eq!(record["provID"].as_str(), Some("C/2031 Z2"));
    assert_eq!(desk.ades(&["--positions", "night"])[0]["records"].as_array().map(Vec::len), Some(1));
}

#[test]
fn what_ades_would_refuse_is_said_with_its_key_and_not_written() {
    let desk = Desk::new(|record| record.object = "comet of the year".into());
    let keys = ["observer.mpc_code", "observer.submitter", "photometry.catalogue_code", "object.ades_id"];
    let dry = desk.export(&["night", "--dry-run"]).expect_status(1).expect_stderr(&["error:", "refuse"]);
    assert!(keys.iter().all(|key| dry.stdout.contains(key)), "{}", dry.stdout);
    assert!(!dry.stdout.contains("telescope.design"), "the night's own campaign file gives it: {}", dry.stdout);
    let refused = desk.export(&["night", "--out", "report", "--format", "ades", "--format", "csv"]).expect_status(1);
    refused.expect_stderr(&keys).expect_stderr(&["hint:", "--dry-run"]);
    assert!(!desk.path("report").exists(), "nothing is written where something is refused");
    let given = |id: &str| {
        std::fs::write(desk.path("c.toml"), format!("[object]\ndesignation = \"x\"\nades_id = \"{id}\"\n{CAMPAIGN}"))
            .expect("c.toml");
        desk.export(&["night", "--campaign", "c.toml", "--dry-run"])
    };
    let fine = given("trial_1").expect_status(0);
    assert!(fine.stdout.contains("6 records break no rule"), "{}", fine.stdout);
    let long = given("far too long").expect_status(1);
    assert!(long.stdout.contains("trkSub is \"far too long\""), "{}", long.stdout);
    assert_eq!(files_under(desk.folder.path()), ["c.toml", "night/night.json"], "a dry run writes nothing");
}

/// What the example campaign file says is nobody's code and name.
#[test]
fn placeholders_are_refused_with_what_to_fill_in() {
    let desk = Desk::new(|_| {});
    let example = CAMPAIGN.replace("Z99", "XXX").replace("submitter = \"C. Lindqvist\"", "submitter = \"A. Observer\"");
    std::fs::write(desk.path("c.toml"), example).expect("c.toml");
    let dry = desk.export(&["night", "--campaign", "c.toml", "--dry-run"]).expect_status(1);
    for told in
        ["mpcCode is \"XXX\", which stands for a code that was never given", "observer.mpc_code", "\"A. Observer\""]
    {
        assert!(dry.stdout.contains(told), "{told}: {}", dry.stdout);
    }
    desk.export(&["night", "--campaign", "c.toml", "--out", "report", "--format", "ades"])
        .expect_status(1)
        .expect_stderr(&["mpcCode is \"XXX\"", "observer.mpc_code", "observer.submitter"]);
    assert!(!desk.path("report").exists());
}

/// A filter that the campaign file states is that of its band's nights.
#[test]
fn a_filter_is_not_given_to_nights_in_another_band() {
    let desk = Desk::new(|_| {});
    std::fs::write(desk.path("c.toml"), CAMPAIGN.replace("[photometry]", "[photometry]\nband = \"g\""))
        .expect("c.toml");
    let blocks = desk.ades(&["--positions", "night"]);
    let record = &blocks[0]["records"][0];
    assert!(record["band"] == "Sr" && record.get("fltr").is_none(), "{record}");
}

/// A simulated night fills tables, and is never reported, however complete its campaign file.
#[test]
fn simulated_nights_are_never_reported() {
    let desk = Desk::new(|record| record.setup.simulated = true);
    desk.export(&["night", "--campaign", "c.toml", "--out", "report", "--format", "ades"])
        .expect_status(1)
        .expect_stderr(&["simulated", "hint: no key of a campaign file"]);
    assert!(!desk.path("report").exists());
    desk.export(&["night", "--out", "tables"]).expect_status(0);
}

/// `night` keeps what the campaign file says for reports, so that a record can be exported by itself.
#[test]
fn a_night_records_what_reports_need() {
    let reporting = happy().record().setup.reporting.expect("the simulated campaign file describes its telescope");
    assert_eq!((reporting.design.as_deref(), reporting.detector.as_deref()), (Some("reflector"), Some("CMO")));
    assert_eq!((reporting.aperture_m, reporting.mpc_code), (Some(0.4), None));
}

#[test]
fn wrong_calls_and_records_are_named() {
    let desk = Desk::new(|_| {});
    std::fs::create_dir(desk.path("empty")).expect("folder");
    std::fs::create_dir(desk.path("season")).expect("folder");
    std::fs::create_dir(desk.path("cut")).expect("folder");
    desk.add("demo/a/result", &happy().record());
    desk.add("demo/b", &happy().record());
    let text = std::fs::read_to_string(desk.path("night/night.json")).expect("record");
    std::fs::write(desk.path("season/night.json"), text.replace("fanlight/night/1", "fanlight/night/9")).expect("file");
    std::fs::write(desk.path("cut/night.json"), &text[..text.len() / 2]).expect("file");
    let check = |arguments: &[&str], status: i32, parts: &[&str]| {
        desk.export(arguments).expect_status(status).expect_stderr(&["error:"]).expect_stderr(parts);
        assert!(!desk.path("out").exists(), "{arguments:?} wrote something");
    };
    check(&["nowhere", "--out", "out"], 2, &["nowhere", "no night.json", "hint:"]);
    check(&["night", "empty", "--out", "out"], 2, &["empty", "no night.json", "its --out"]);
    // a folder of nights is told which
    check(&["demo", "--out", "out"], 2, &["demo: there is no night.json", "demo/a/result demo/b"]);
    check(&["demo/a", "--out", "out"], 2, &["demo/a: there is no night.json", "in demo/a/result"]);
    check(&["season", "--out", "out"], 1, &["season/night.json", "fanlight/night/9", "fanlight/night/1"]);
    check(&["cut", "--out", "out"], 1, &["cut/night.json", "line", "hint:"]);
    check(&["c.toml", "--out", "out"], 1, &["c.toml"]);
    check(&["night", "night/night.json", "--out", "out"], 2, &["2031-03-22T20:53:20.000Z", "given twice"]);
    check(&["night"], 2, &["--out"]);
    check(&["--out", "out"], 2, &["NIGHT_DIR"]);
    check(&["night", "--out", "out", "--format", "xls"], 2, &["xls", "votable"]);
    check(&["night", "--out", "out", "--positions", "night", "--aperture", "7000"], 2, &["7000", "5000, 10000"]);
    check(&["night", "--out", "out", "--aperture", "5000"], 2, &["--positions night"]);
    check(&["night", "--out", "out", "--campaign", "no.toml"], 2, &["no.toml"]);
    std::fs::write(desk.path("c.toml"), "[observer]\nsubmiter = \"me\"\n").expect("c.toml");
    check(&["night", "--out", "out", "--campaign", "c.toml"], 2, &["observer.submiter", "submitter"]);
    std::fs::write(desk.path("out-file"), "x").expect("file");
    check(&["night", "--out", "out-file"], 1, &["out-file", "is a file"]);
}
