//! `fanlight season` and `fanlight caption`: nights together, from folders or from the ledger.

use crate::ledger::base;
use crate::ledger_nights::night_later;
use crate::support::{Run, happy, run_in};
use fanlight_record::{NightRecord, SEASON_SCHEMA, SeasonRecord};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// The power by which Afρ of the made nights goes with the distance from the Sun.
const SLOPE: f64 = -3.0;

/// Records of nights of one comet whose distance falls and whose Afρ follows a power law, each in a folder of its own.
fn made_nights(folder: &Path, n: u32) -> Vec<PathBuf> {
    std::fs::copy(happy().folder.join("campaign.toml"), folder.join("campaign.toml")).expect("campaign");
    let record = base();
    (0..n)
        .map(|day| {
            let r_au = 2.0 - 0.05 * f64::from(day);
            let mut night = night_later(&record, day, 1);
            night["geometry"]["r_au"] = json!(r_au);
            // a scatter of 2 %, the same every time
            let scatter = 1.0 + 0.02 * f64::from([1i32, -1, 0, 1, -1, -1, 1, 0][day as usize % 8]);
            for light in night["photometry"].as_array_mut().expect("photometry") {
                light["a0frho_cm"] = json!(1000.0 * r_au.powf(SLOPE) * scatter);
                light["a0frho_err_cm"] = json!(20.0 * r_au.powf(SLOPE));
            }
            write_night(folder, &format!("night-{day:02}"), &night)
        })
        .collect()
}

fn write_night(folder: &Path, name: &str, night: &Value) -> PathBuf {
    std::fs::create_dir_all(folder.join(name)).expect("folder");
    std::fs::write(folder.join(name).join("night.json"), night.to_string()).expect("night.json");
    PathBuf::from(name)
}

fn season(folder: &Path, nights: &[PathBuf], more: &[&str]) -> Run {
    let names: Vec<&str> = nights.iter().map(|n| n.to_str().expect("a name")).collect();
    run_in(folder, &[&["season"], &names[..], &["--campaign", "campaign.toml", "--out", "season"], more].concat())
}

fn record(folder: &Path) -> SeasonRecord {
    let bytes = std::fs::read(folder.join("season/season.json")).expect("season.json");
    serde_json::from_slice(&bytes).expect("season.json is a season's record")
}

#[test]
fn records_alone_give_the_dust_and_say_that_structure_was_not_compared() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let nights = made_nights(folder.path(), 8);
    season(folder.path(), &nights, &[]).expect_status(0);
    let season = record(folder.path());
    assert_eq!((season.schema.as_str(), season.nights.len(), season.changes.len()), (SEASON_SCHEMA, 8, 7));
    assert!(season.changes.iter().all(|c| c.not_compared_because.is_some() && c.limit_contrast.is_none()));
    let fit = season.activity.fits.first().expect("a power law");
    assert!((fit.slope - SLOPE).abs() < 3.0 * fit.slope_err && fit.slope_err < 0.5, "{fit:?}");
    assert_eq!(fit.n_nights, 8);
    assert!(!season.activity.comparison.is_empty());
    // no built-in value is corrected for phase: none may be ranked with this comet's
    assert!(
        season.activity.comparison.iter().all(|c| !c.fair && !c.source.is_empty()) && season.activity.rank.is_none()
    );
    let page = std::fs::read_to_string(folder.path().join("season/season.html")).expect("the page");
    assert!(page.contains("A'Hearn") || page.contains("A&#39;Hearn"), "methods are cited");
    let caption = run_in(folder.path(), &["caption", "season"]).expect_status(0).stdout;
    assert!(caption.contains("Simulated nights") && caption.contains("could not be compared"), "{caption}");
}

#[test]
fn what_does_not_belong_is_left_out_with_the_reason() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let mut nights = made_nights(folder.path(), 4);
    let mut other = night_later(&base(), 5, 1);
    other["object"] = json!("C/2030 B7");
    nights.push(write_night(folder.path(), "other", &other));
    // the same comet, as another campaign file spells it
    let mut spelt = night_later(&base(), 4, 1);
    spelt["object"] = json!("c/2031 z2 (Nobody)");
    nights.push(write_night(folder.path(), "spelt", &spelt));
    let again: Value =
        serde_json::from_slice(&std::fs::read(folder.path().join("night-01/night.json")).expect("night"))
            .expect("JSON");
    nights.push(write_night(folder.path(), "again", &again));
    let mut words = night_later(&base(), 6, 1);
    words["geometry"]["r_au"] = json!("about two");
    nights.push(write_night(folder.path(), "words", &words));
    nights.push("empty".into());
    std::fs::create_dir(folder.path().join("empty")).expect("folder");
    nights.reverse();
    let run = season(folder.path(), &nights, &[]).expect_status(0);
    run.expect_stderr(&["a night of C/2030 B7", "each night counts once", "about two", "no night.json"]);
    let season = record(folder.path());
    assert_eq!(season.nights.len(), 5);
    assert!(season.nights.windows(2).all(|n| n[0].mid_utc < n[1].mid_utc), "in order of time");
    assert!(season.notes.iter().any(|n| n.contains("C/2030 B7")));
}

#[test]
fn the_ledger_gives_what_the_folders_give() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let nights = made_nights(folder.path(), 5);
    season(folder.path(), &[], &[]).expect_status(2).expect_stderr(&["there is no ledger", "fanlight ledger"]);
    season(folder.path(), &nights, &[]).expect_status(0);
    let of_folders = record(folder.path());
    let names: Vec<&str> = nights.iter().map(|n| n.to_str().expect("a name")).collect();
    run_in(folder.path(), &[&["ledger", "import"], &names[..], &["--campaign", "campaign.toml"]].concat())
        .expect_status(0);
    season(folder.path(), &[], &[]).expect_status(0);
    let of_ledger = record(folder.path());
    assert_eq!(of_ledger.activity, of_folders.activity);
    assert_eq!(of_ledger.tracks, of_folders.tracks);
    assert_eq!(of_ledger.summary, of_folders.summary);
}

#[test]
fn wrong_calls_are_told_apart_from_data_that_do_not_allow_it() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let nights = made_nights(folder.path(), 1);
    std::fs::write(folder.path().join("others.csv"), "comet,source,r_au,afrho_cm\nA,b,near,500\n").expect("CSV");
    for (more, words) in [
        (&["--rate", "5"][..], "photosensitive"),
        (&["--half-width", "0"], "half-width"),
        (&["--enhance", "temporal-ratio"], "takes two nights"),
        (&["--scale", "3px"], "--scale 3px: without --enhance"),
        (&["--enhance", "laplacian", "--ring", "2px"], "--ring does not belong to laplacian"),
        (&["--enhance", "laplacian", "--enhance", "laplacian"], "given twice"),
        (&["--reference", "others.csv"], "line 2, column r_au: near is no number over 0"),
    ] {
        season(folder.path(), &nights, more).expect_status(2).expect_stderr(&[words]);
    }
    season(folder.path(), &["nowhere".into()], &[])
        .expect_status(1)
        .expect_stderr(&["no night to put together", "nowhere"]);
    run_in(folder.path(), &["caption", "nowhere"])
        .expect_status(2)
        .expect_stderr(&["neither night.json nor season.json"]);
    season(folder.path(), &nights, &[]).expect_status(0);
    assert!(record(folder.path()).summary.contains("one night"));
}

/// A night of the same comet; with a jet or without.
fn scenario(day: u32, features: &str) -> String {
    format!(
        "seed = {day}\nn_frames = 8\nexposure_s = 60.0\nstart_utc = \"2031-03-{day}T21:00:00Z\"\n[camera]\nwidth_px = 256\nheight_px = 256\n\
         scale_arcsec = 1.3\n[calibration]\nn_bias = 3\nn_dark = 3\nn_flat = 3\n[stars]\nper_square_degree = 5000.0\n[comet]\nafrho_cm = \
         2500.0\n{features}"
    )
}

const JET: &str = "[[comet.feature]]\nkind = \"jet\"\npa_deg = 120.0\nwidth_deg = 26.0\ncontrast = 0.2\ninner_arcsec = 3.0\nouter_arcsec = 35.0\n";

/// What a night says of its jet's past.
fn history(folder: &Path) -> fanlight_record::ChallengeRecord {
    let night: NightRecord = crate::support::record_in(folder);
    let jet = night.morphology.features.iter().find(|f| f.verdict == "supported").expect("a supported jet");
    jet.challenges.iter().find(|c| c.name == "history").expect("a history").clone()
}

/// From raw frames: a jet that was not there the night before is new, at its place, and the night after finds it again; the same nights
/// again take the comparison's map anew and say the same.
#[test]
fn a_jet_that_comes_overnight_is_new() {
    let folder = tempfile::tempdir().expect("temporary folder");
    for (day, features) in [(20, ""), (21, JET), (22, JET)] {
        let name = day.to_string();
        std::fs::write(folder.path().join("scenario.toml"), scenario(day, features)).expect("scenario");
        run_in(folder.path(), &["simulate", "scenario.toml", "--out", &name]).expect_status(0);
        let (frames, campaign, out) =
            (format!("{name}/frames"), format!("{name}/campaign.toml"), format!("{name}/result"));
        run_in(folder.path(), &["night", &frames, "--campaign", &campaign, "--out", &out, "--ledger", "season.sqlite"])
            .expect_status(0);
        assert!(folder.path().join(&out).join("tonight.png").is_file(), "one picture for a broadcast");
    }
    std::fs::copy(folder.path().join("20/campaign.toml"), folder.path().join("campaign.toml")).expect("campaign");
    season(folder.path(), &["20/result".into(), "21/result".into()], &["--ledger", "season.sqlite"]).expect_status(0);
    let first = record(folder.path());
    let [change] = first.changes.as_slice() else { panic!("{:?}", first.changes) };
    assert!(change.limit_contrast.is_some_and(|l| l > 0.0 && l < 0.2), "{change:?}");
    let new = change.features.first().unwrap_or_else(|| panic!("{change:?}"));
    let off = (new.pa_deg - 120.0 + 180.0).rem_euclid(360.0) - 180.0;
    assert_eq!((new.what.as_str(), new.kind.as_str()), ("new", "jet"), "{change:?}");
    assert!(off.abs() < 8.0 && new.probability < 1e-3 && (new.amount - 0.2).abs() < 0.08, "{new:?}");
    for name in ["season.gif", "season-animated.png", "figures/change.svg", "figures/montage.png"] {
        assert!(folder.path().join("season").join(name).is_file(), "{name}");
    }
    let [new, again] = ["21/result", "22/result"].map(|n| history(&folder.path().join(n)));
    assert!(new.outcome == "passed" && new.statistic > Some(1.0), "{new:?}");
    assert!(new.explanation.starts_with("New: the night of 2031-03-20"), "{new:?}");
    assert!(again.outcome == "passed" && again.statistic < Some(1.0), "{again:?}");
    assert!(again.explanation.starts_with("The night of 2031-03-21"), "{again:?}");
    let night = |more: &[&str]| {
        let call =
            ["night", "22/frames", "--campaign", "22/campaign.toml", "--out", "22/result", "--ledger", "season.sqlite"];
        run_in(folder.path(), &[&call[..], more].concat()).expect_status(0)
    };
    night(&["--verbose"]).expect_stderr(&["nothing has changed"]);

    let more = [
        "--ledger",
        "season.sqlite",
        "--enhance",
        "rotational-gradient",
        "--enhance",
        "unsharp-ratio",
        "--scale",
        "9000km",
    ];
    season(folder.path(), &[], &more).expect_status(0);
    let all = record(folder.path());
    assert_eq!((all.changes.len(), &all.changes[0]), (2, &first.changes[0]));
    assert!(all.changes[1].features.is_empty(), "{:?}", all.changes[1]);
    assert!(all.provenance.command.ends_with("--enhance rotational-gradient --enhance unsharp-ratio --scale 9000km"));
    let picture =
        |name: &str| std::fs::read_to_string(folder.path().join("season/figures").join(name)).expect("a figure");
    for name in ["montage-rotational-gradient.svg", "montage-unsharp-ratio.svg"] {
        assert!(picture(name).contains(">twin<"), "{name}: the twin stands under its night");
    }
    // what an earlier run drew and this one does not is gone
    season(folder.path(), &[], &["--ledger", "season.sqlite"]).expect_status(0);
    assert!(!folder.path().join("season/figures/montage-unsharp-ratio.svg").exists());

    // an earlier night that is forgotten changes what the later one says
    run_in(folder.path(), &["ledger", "forget", "2", "--ledger", "season.sqlite"]).expect_status(0);
    night(&[]);
    let again = history(&folder.path().join("22/result"));
    assert!(again.explanation.starts_with("New: the night of 2031-03-20"), "{again:?}");
}
