//! The command line: help, exit statuses, what goes to which stream, the geometry command, campaign files.

use crate::support::{Broken, command_in, happy, run, run_in, template};
use serde_json::Value;
use std::fs::File;
use std::path::Path;
use std::process::Stdio;

const COMMANDS: [&str; 9] =
    ["night", "enhance", "export", "geometry", "simulate", "demo", "init", "ledger", "completions"];

/// The contract's geometry record.
const GEOMETRY_KEYS: [&str; 20] = [
    "utc",
    "ra_deg",
    "dec_deg",
    "r_au",
    "delta_au",
    "phase_deg",
    "elongation_deg",
    "motion_arcsec_per_min",
    "motion_pa_deg",
    "sunward_pa_deg",
    "antisolar_pa_deg",
    "negative_velocity_pa_deg",
    "orbit_plane_angle_deg",
    "km_per_arcsec",
    "altitude_deg",
    "azimuth_deg",
    "sun_altitude_deg",
    "moon_separation_deg",
    "moon_illuminated_fraction",
    "orbit_model",
];

/// An orbit and a site; nothing else.
const CAMPAIGN: &str = "[object]
designation = \"C/2031 Z2\"
[object.orbit]
epoch_jd_tdb = 2462948.5
perihelion_jd_tdb = 2462991.33763
q_au = 1.26101
e = 0.99964
inclination_deg = 55.65615
node_deg = 139.65695
argument_of_perihelion_deg = 47.4604
[site]
longitude_deg = -3.25
latitude_deg = 51.2
height_m = 310.0
";

/// A folder with a campaign file of this text as `c.toml`.
fn with_campaign(text: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("temporary folder");
    std::fs::write(folder.path().join("c.toml"), text).expect("c.toml");
    folder
}

fn geometry(campaign: &str, instants: &[&str]) -> crate::support::Run {
    let folder = with_campaign(campaign);
    let mut arguments = vec!["geometry", "--campaign", "c.toml", "--json"];
    instants.iter().for_each(|t| arguments.extend(["--utc", t]));
    run_in(folder.path(), &arguments)
}

fn records(campaign: &str, instants: &[&str]) -> (Vec<Value>, String) {
    let run = geometry(campaign, instants).expect_status(0);
    (serde_json::from_str(&run.stdout).expect("standard output is JSON alone"), run.stderr)
}

#[test]
fn help_of_every_command_has_an_example_of_it() {
    let whole = run(&["--help"]).expect_status(0);
    for command in COMMANDS {
        assert!(whole.stdout.contains(&format!("  {command} ")), "--help does not list {command}");
        let help = run(&[command, "--help"]).expect_status(0);
        assert_eq!(help.stderr, "");
        let example = help.stdout.split_once("Example").map(|(_, after)| after);
        let example = example.unwrap_or_else(|| panic!("{command} --help has no example:\n{}", help.stdout));
        assert!(example.contains(&format!("fanlight {command} ")), "the example of {command} does not call it");
    }
}

#[test]
fn a_wrong_call_is_status_2_and_names_what_is_wrong() {
    run(&["night", "--nonsense"]).expect_status(2).expect_stderr(&["--nonsense"]);
    run(&["nihgt"]).expect_status(2).expect_stderr(&["nihgt", "night"]);
    run(&["geometry", "--campaign", "c.toml"]).expect_status(2).expect_stderr(&["--utc"]);
    run(&["night", "frames"]).expect_status(2).expect_stderr(&["--campaign", "--out"]);
    run(&["--quiet", "--verbose", "demo"]).expect_status(2).expect_stderr(&["--verbose"]);
    let none = run::<&str>(&[]);
    assert_eq!(none.status, Some(2), "{none:?}");
}

#[test]
fn completions_name_every_command() {
    for shell in ["bash", "zsh", "fish"] {
        let script = run(&["completions", shell]).expect_status(0);
        assert_eq!(script.stderr, "");
        for command in COMMANDS {
            assert!(script.stdout.contains(command), "the completions for {shell} lack {command}");
        }
        let option = if shell == "fish" { "-l campaign" } else { "--campaign" };
        assert!(script.stdout.contains(option), "{shell}");
    }
    run(&["completions", "tcl"]).expect_status(2).expect_stderr(&["tcl", "bash"]);
}

/// A reader that has seen enough closes the pipe; that is no failure, and never a panic.
#[test]
fn a_closed_pipe_is_no_failure() {
    let folder = with_campaign(CAMPAIGN);
    for arguments in [
        &["completions", "bash"][..],
        &["--help"],
        &["geometry", "--campaign", "c.toml", "--utc", "2031-03-22T21:00:00Z"],
    ] {
        let (reader, writer) = std::io::pipe().expect("pipe");
        drop(reader);
        let output = command_in(folder.path()).args(arguments).stdout(writer).stderr(Stdio::piped()).output();
        crate::support::Run::from(output.expect("fanlight runs")).expect_status(0);
    }
}

/// A standard output that takes nothing, as on a full disk: status 1 and the reason.
#[cfg(target_os = "linux")]
#[test]
fn a_standard_output_that_is_full_is_status_1() {
    let folder = with_campaign(CAMPAIGN);
    for arguments in
        [&["completions", "bash"][..], &["geometry", "--campaign", "c.toml", "--utc", "2031-03-22T21:00:00Z", "--json"]]
    {
        let full = File::options().write(true).open("/dev/full").expect("/dev/full");
        let output = command_in(folder.path()).args(arguments).stdout(full).stderr(Stdio::piped()).output();
        crate::support::Run::from(output.expect("fanlight runs"))
            .expect_status(1)
            .expect_stderr(&["error:", "standard output"]);
    }
}

#[test]
fn geometry_records_have_every_key_and_no_other() {
    let (records, stderr) = records(CAMPAIGN, &["2031-03-22T21:00:00Z"]);
    assert_eq!(stderr, "", "nothing to warn about");
    let mut keys: Vec<&str> = records[0].as_object().expect("an object").keys().map(String::as_str).collect();
    let mut expected = GEOMETRY_KEYS.to_vec();
    keys.sort_unstable();
    expected.sort_unstable();
    assert_eq!(keys, expected);
    for key in GEOMETRY_KEYS.iter().filter(|k| !["utc", "orbit_model"].contains(k)) {
        assert!(records[0][*key].is_f64(), "{key} is {}", records[0][*key]);
        if key.ends_with("_pa_deg") || *key == "ra_deg" {
            let angle = records[0][*key].as_f64().expect("number");
            assert!((0.0..360.0).contains(&angle), "{key} is {angle}");
        }
    }
    assert_eq!(records[0]["orbit_model"], "perturbed");
}

#[test]
fn geometry_keeps_the_order_asked_and_repeats_the_instant_to_the_millisecond() {
    let asked = ["2031-03-24T03:00:00.125Z", "2031-03-22T21:00:00", "2031-03-23T23:59:59.999Z", "2031-03-22T21:00:00Z"];
    let (records, _) = records(CAMPAIGN, &asked);
    let utc: Vec<&str> = records.iter().map(|r| r["utc"].as_str().expect("text")).collect();
    let expected = [
        "2031-03-24T03:00:00.125Z",
        "2031-03-22T21:00:00.000Z",
        "2031-03-23T23:59:59.999Z",
        "2031-03-22T21:00:00.000Z",
    ];
    assert_eq!(utc, expected);
    assert_eq!(records[1], records[3], "the same instant gives the same record");
    assert_ne!(records[0]["ra_deg"], records[1]["ra_deg"]);
}

#[test]
fn geometry_without_json_gives_a_table_with_units() {
    let folder = with_campaign(CAMPAIGN);
    let table = run_in(folder.path(), &["geometry", "--campaign", "c.toml", "--utc", "2031-03-22T21:00:00Z"])
        .expect_status(0)
        .stdout;
    for part in ["2031-03-22T21:00:00.000Z", "RA ", " au", "km per arcsec", "″/min", "Moon"] {
        assert!(table.contains(part), "{part} is not in\n{table}");
    }
}

#[test]
fn an_instant_that_is_none_is_status_2_and_named() {
    for wrong in ["yesterday", "2031-02-30T00:00:00Z", "2031-03-04T25:00:00Z", "2031-03-04T21:10:00+01:00", "", "NaN"] {
        let run = geometry(CAMPAIGN, &["2031-03-22T21:00:00Z", wrong]).expect_status(2);
        let run = run.expect_stderr(&["error:", "--utc", wrong]);
        assert_eq!(run.stdout, "", "half an answer for {wrong}");
    }
}

#[test]
fn a_comet_near_the_sun_is_warned_of_even_when_quiet() {
    // at perihelion in conjunction: this orbit turned so that the comet stands behind the Sun
    let behind =
        CAMPAIGN.replace("inclination_deg = 55.65615", "inclination_deg = 2.0").replace("q_au = 1.26101", "q_au = 0.2");
    let folder = with_campaign(&behind);
    // 2031-05-04T20:00 is the instant of perihelion, 0.2 au from the Sun: never over 12° from it at a distance of 1 au
    let instant = "2031-05-04T20:00:00Z";
    let run = run_in(folder.path(), &["geometry", "--quiet", "--campaign", "c.toml", "--utc", instant, "--json"])
        .expect_status(0)
        .expect_stderr(&["warning:", "Sun", "unfiltered", "2031-05-04T20:00:00.000Z"]);
    let records: Vec<Value> = serde_json::from_str(&run.stdout).expect("warnings stay out of standard output");
    assert!(records[0]["elongation_deg"].as_f64().expect("number") < 30.0);
    let (_, far) = records_of_epoch(CAMPAIGN);
    assert!(!far.contains("unfiltered"), "{far}");
}

/// The records at 60 days from the epoch.
fn records_of_epoch(campaign: &str) -> (Vec<Value>, String) {
    records(campaign, &["2031-05-21T00:00:00Z"])
}

/// The records of a campaign without planets.
fn two_body_records(utc: &str) -> (Vec<Value>, String) {
    let folder = with_campaign(CAMPAIGN);
    let run = run_in(folder.path(), &["geometry", "--two-body", "--campaign", "c.toml", "--json", "--utc", utc]);
    let run = run.expect_status(0);
    (serde_json::from_str(&run.stdout).expect("records"), run.stderr)
}

#[test]
fn an_instant_far_from_the_epoch_is_warned_of_without_planets() {
    let (two_body, stderr) = two_body_records("2031-05-21T00:00:00Z");
    assert!(stderr.contains("warning:") && stderr.contains("epoch") && stderr.contains("days"), "{stderr}");
    assert_eq!(two_body[0]["orbit_model"], "two_body");
    let (_, near) = two_body_records("2031-04-10T00:00:00Z");
    assert!(!near.contains("epoch"), "20 days are not far: {near}");
    let (perturbed, stderr) = records_of_epoch(CAMPAIGN);
    assert!(!stderr.contains("epoch"), "planets are followed: {stderr}");
    let apart = |key: &str| (perturbed[0][key].as_f64().unwrap() - two_body[0][key].as_f64().unwrap()).abs() * 3600.0;
    let most = apart("ra_deg").max(apart("dec_deg"));
    assert!(most > 0.05 && most < 60.0, "60 days of the planets' pull, arcsec: {most}");
}

#[test]
fn an_epoch_outside_the_ephemerides_points_to_two_body_motion() {
    let folder = with_campaign(&CAMPAIGN.replace("epoch_jd_tdb = 246", "epoch_jd_tdb = 236"));
    let asked = ["geometry", "--campaign", "c.toml", "--utc", "2031-03-22T21:00:00Z"];
    run_in(folder.path(), &asked).expect_status(1).expect_stderr(&["error:", "1900 to 2100", "hint:", "--two-body"]);
    let alone = run_in(folder.path(), &[&asked[..], &["--two-body"]].concat()).expect_status(0);
    assert!(alone.stdout.contains("(two-body)"), "{}", alone.stdout);
}

#[test]
fn a_campaign_file_that_is_wrong_is_status_2_with_key_line_and_hint() {
    let check = |from: &str, to: &str, parts: &[&str]| {
        assert!(CAMPAIGN.contains(from), "{from}");
        let run = geometry(&CAMPAIGN.replacen(from, to, 1), &["2031-03-22T21:00:00Z"]).expect_status(2);
        let run = run.expect_stderr(&["error:", "c.toml"]).expect_stderr(parts);
        assert_eq!(run.stdout, "");
    };
    check("inclination_deg", "inclinaton_deg", &["inclinaton_deg", "c.toml:8", "hint:", "inclination_deg"]);
    check("[site]", "[siet]", &["siet", "hint:", "site"]);
    check("q_au = 1.26101", "q_au = 0.0", &["object.orbit.q_au", "c.toml:6", "0"]);
    check("q_au = 1.26101", "q_au = -1.2", &["object.orbit.q_au", "-1.2"]);
    check("q_au = 1.26101", "q_au = nan", &["object.orbit.q_au", "NaN"]);
    check("q_au = 1.26101\n", "", &["object.orbit.q_au", "missing"]);
    check("e = 0.99964", "e = -0.5", &["object.orbit.e", "-0.5"]);
    check("e = 0.99964", "e = inf", &["object.orbit.e", "inf"]);
    check("latitude_deg = 51.2", "latitude_deg = 95.0", &["site.latitude_deg", "95"]);
    check("latitude_deg = 51.2", "latitude_deg = \"51\"", &["site.latitude_deg"]);
    check("[object]", "[object", &["c.toml:1"]);
}

#[test]
fn a_missing_section_or_file_is_status_2_and_named() {
    let (object, site) = CAMPAIGN.split_once("[site]").expect("site");
    geometry(object, &["2031-03-22T21:00:00Z"]).expect_status(2).expect_stderr(&["c.toml", "[site]", "missing"]);
    geometry(&format!("[site]{site}"), &["2031-03-22T21:00:00Z"]).expect_status(2).expect_stderr(&[
        "c.toml",
        "[object.orbit]",
        "missing",
    ]);
    run(&["geometry", "--campaign", "no-such.toml", "--utc", "2031-03-22T21:00:00Z"])
        .expect_status(2)
        .expect_stderr(&["error:", "no-such.toml"]);
    run(&["geometry", "--campaign", ".", "--utc", "2031-03-22T21:00:00Z"]).expect_status(2).expect_stderr(&["error:"]);
    let empty = Broken::new();
    for arguments in [
        ["night", "frames", "--campaign", "no-such.toml", "--out", "out"],
        ["night", "no-such-folder", "--campaign", "campaign.toml", "--out", "out"],
    ] {
        run_in(empty.folder(), &arguments).expect_status(2).expect_stderr(&["error:", "no-such"]);
        empty.expect_nothing_written();
    }
}

/// Into a pipe the command says nothing on standard error but its warnings: no bars, no escape codes.
#[test]
fn a_good_night_in_a_pipe_says_its_findings_on_stdout_and_nothing_else() {
    let run = &happy().run;
    let said: Vec<&str> = run.stderr.lines().collect();
    assert!(matches!(said.as_slice(), [one] if one.starts_with("warning: These frames are simulated")), "{said:?}");
    assert!(run.stdout.contains("C/2031 Z2") && run.stdout.contains("out/report.html"), "{}", run.stdout);
    assert!(!run.stdout.contains('\u{1b}'));
}

#[test]
fn verbose_lines_carry_utc_times_and_quiet_is_quiet() {
    let night = Broken::new();
    let run = |level: &str| {
        run_in(night.folder(), &["night", level, "frames", "--campaign", "campaign.toml", "--out", "out"])
            .expect_status(0)
    };
    let verbose = run("--verbose").stderr;
    assert!(verbose.lines().count() >= crate::support::N_LIGHTS, "{verbose}");
    for line in verbose.lines().filter(|l| !l.starts_with("warning: ")) {
        let time = line.split_whitespace().next().unwrap_or_default();
        let is_utc = time.len() >= 20 && time.ends_with('Z') && time.as_bytes()[10] == b'T';
        assert!(is_utc && fanlight_sky::UtcInstant::parse(time).is_ok(), "no UTC time at the start of {line:?}");
    }
    assert!(verbose.contains("light-001.fits"), "{verbose}");
    assert_eq!(run("--quiet").stderr, "");
}

#[test]
fn colours_obey_no_color_and_the_pipe() {
    let error = |set: &[(&str, &str)]| {
        let mut command = command_in(Path::new(env!("CARGO_TARGET_TMPDIR")));
        command.args(["geometry", "--campaign", "no-such.toml", "--utc", "2031-03-22T21:00:00Z"]);
        set.iter().for_each(|(k, v)| {
            command.env(k, v);
        });
        crate::support::Run::from(command.output().expect("fanlight runs")).expect_status(2).stderr
    };
    assert!(!error(&[]).contains('\u{1b}'), "a pipe gets no escape codes");
    assert!(!error(&[("NO_COLOR", "1")]).contains('\u{1b}'));
    // shows that the check above can fail
    assert!(error(&[("CLICOLOR_FORCE", "1")]).contains('\u{1b}'), "colours where they are asked for");
}

/// On a terminal too: a pseudo-terminal made by `script`, where the machine has it (util-linux: on every Debian).
#[cfg(target_os = "linux")]
#[test]
fn a_terminal_gets_colours_unless_no_color_is_set() {
    let on_terminal = |no_color: bool| {
        let line =
            format!("{} geometry --campaign no-such.toml --utc 2031-03-22T21:00:00Z", env!("CARGO_BIN_EXE_fanlight"));
        let mut command = std::process::Command::new("script");
        command.args(["-qec", &line, "/dev/null"]).env_remove("NO_COLOR").env("TERM", "xterm-256color");
        if no_color {
            command.env("NO_COLOR", "1");
        }
        let output = command.stdin(Stdio::null()).output().expect("script of util-linux");
        assert_eq!(output.status.code(), Some(2), "{output:?}");
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    assert!(on_terminal(false).contains("\u{1b}["));
    let plain = on_terminal(true);
    assert!(plain.contains("error:") && !plain.contains('\u{1b}'), "{plain:?}");
}

#[test]
fn simulate_refuses_what_it_does_not_know_and_writes_nothing() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let check = |text: &str, parts: &[&str]| {
        std::fs::write(folder.path().join("s.toml"), text).expect("s.toml");
        run_in(folder.path(), &["simulate", "s.toml", "--out", "sim"])
            .expect_status(2)
            .expect_stderr(&["error:", "s.toml"])
            .expect_stderr(parts);
        assert!(!folder.path().join("sim").exists());
    };
    check("n_frame = 3", &["n_frame"]);
    check("n_frames = 0", &["n_frames", "0"]);
    check("[camera]\ngain_e_per_adu = nan", &["camera.gain_e_per_adu", "NaN"]);
    run_in(folder.path(), &["simulate", "none.toml", "--out", "sim"]).expect_status(2).expect_stderr(&["none.toml"]);
}

#[test]
fn demo_refuses_a_folder_that_it_did_not_make() {
    let folder = tempfile::tempdir().expect("temporary folder");
    std::fs::write(folder.path().join("thesis.txt"), "years of work").expect("file");
    let out = folder.path().to_str().expect("UTF-8");
    run(&["demo", "--out", out]).expect_status(2).expect_stderr(&["error:", out, "hint:", "--out"]);
    let file = folder.path().join("thesis.txt");
    run(&["demo", "--out", file.to_str().expect("UTF-8")]).expect_status(2).expect_stderr(&["thesis.txt"]);
    assert_eq!(crate::support::files_under(folder.path()), ["thesis.txt"]);
}

/// C/1995 O1 as the Minor Planet Center prints it, with the columns of its one-line format.
const ORBIT_LINE: &str = "    CJ95O010  1997 03 29.6333  0.916461  0.994929  130.4133  282.2082   89.4245  20220809  -2.0  4.0  C/1995 O1 (Hale-Bopp)                                    MPEC 2022-S20";

/// An orbit file that is not one: which line and why; a file without this comet: which comets it holds.
#[test]
fn init_says_what_is_wrong_with_an_orbit_file() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let frames = template().join("frames");
    let init = |orbits: &str| {
        std::fs::write(folder.path().join("orbits.txt"), orbits).expect("orbits");
        let frames = frames.to_str().expect("UTF-8");
        run_in(folder.path(), &["init", frames, "--orbit", "orbits.txt", "--object", "C/2031 Z2", "--out", "new.toml"])
    };
    let bad = ["error:", "orbits.txt, line 2,", "not in the one-line orbit format", "hint:", "one-line format"];
    init("\nq = 1.26 au, e = 1.0\n").expect_status(2).expect_stderr(&bad);
    init("\nC/2031 Z2 q = 1.26 au, e = 1.0\n").expect_status(2).expect_stderr(&bad);
    let held = ["no orbit of \"C/2031 Z2\"", "hint:", "it holds C/1995 O1 (Hale-Bopp)"];
    init(&format!("{ORBIT_LINE}\n")).expect_status(2).expect_stderr(&held);
    init("").expect_status(2).expect_stderr(&["the file is empty"]);
}

#[test]
fn init_writes_a_campaign_file_that_geometry_reads_once_filled_in() {
    let folder = tempfile::tempdir().expect("temporary folder");
    std::fs::write(folder.path().join("orbits.txt"), format!("{ORBIT_LINE}\n")).expect("orbits");
    let frames = template().join("frames");
    let frames = frames.to_str().expect("UTF-8");
    let init = |object: &str| {
        run_in(folder.path(), &["init", frames, "--orbit", "orbits.txt", "--object", object, "--out", "new.toml"])
    };
    init("C/2001 A1").expect_status(2).expect_stderr(&["orbits.txt", "C/2001 A1"]);
    assert!(!folder.path().join("new.toml").exists());
    init("C/1995 O1").expect_status(0);
    let text = std::fs::read_to_string(folder.path().join("new.toml")).expect("new.toml");
    for part in ["q_au = 0.916461", "e = 0.994929", "longitude_deg = -3.25", "gain_e_per_adu = 1.2", "\"Sloan r\""] {
        assert!(text.contains(part), "{part} is not in\n{text}");
    }
    assert!(text.lines().any(|l| l.contains('#') && l.contains("FILL IN")), "nothing to fill in:\n{text}");
    // the headers of this night hold all that geometry needs
    let run = run_in(folder.path(), &["geometry", "--campaign", "new.toml", "--utc", "2022-08-09T00:00:00Z", "--json"])
        .expect_status(0);
    let records: Vec<Value> = serde_json::from_str(&run.stdout).expect("JSON");
    // 25 years after perihelion it was beyond 40 au
    assert!(records[0]["r_au"].as_f64().expect("number") > 40.0, "{}", records[0]);
    assert!(text.contains("names = ["), "observers, known or to fill in:\n{text}");
    init("C/1995 O1").expect_status(2).expect_stderr(&["new.toml", "exists"]);
    assert_eq!(std::fs::read_to_string(folder.path().join("new.toml")).expect("new.toml"), text, "not overwritten");
}
