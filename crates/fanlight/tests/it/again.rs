//! A second run of the same night: products stay as they are exactly as long as nothing that made them has changed.

use crate::support::{Broken, command_in, files_under};
use std::path::Path;
use std::time::{Duration, SystemTime};

const CALL: [&str; 7] = ["night", "frames", "--campaign", "campaign.toml", "--out", "out", "--verbose"];

/// Runs the night again and says whether its products were kept.
fn kept(night: &Broken, more: &[&str]) -> bool {
    let output = command_in(night.folder()).args(CALL).args(more).output().expect("fanlight runs");
    let run = crate::support::Run::from(output).expect_status(0);
    assert!(run.stdout.contains("Page: out/report.html"), "{}", run.stdout);
    let said = run.stderr.contains("nothing has changed since the products were made");
    assert_ne!(said, run.stderr.contains("products written"), "{}", run.stderr);
    said
}

fn products(night: &Broken) -> Vec<(String, Vec<u8>, SystemTime)> {
    let out = night.path("out");
    let read = |name: String| {
        let path = out.join(&name);
        let changed = std::fs::metadata(&path).and_then(|m| m.modified()).expect("time of change");
        (name, std::fs::read(&path).expect("product"), changed)
    };
    files_under(&out).into_iter().map(read).collect()
}

/// Makes a file's time of change another one, its contents as they were.
fn touch(path: &Path) {
    let file = std::fs::File::options().write(true).open(path).expect("opens");
    file.set_modified(SystemTime::now() + Duration::from_secs(60)).expect("touched");
}

#[test]
fn a_second_run_keeps_the_products_until_something_changes() {
    let night = Broken::new();
    assert!(!kept(&night, &[]), "a first run has nothing to keep");
    let first = products(&night);
    assert!(kept(&night, &[]));
    assert_eq!(products(&night), first, "bytes and times are as they were");

    // a frame touched, its contents the same
    touch(&night.path("frames/light-003.fits"));
    assert!(kept(&night, &["--verify"]), "contents are the same");
    assert!(!kept(&night, &[]), "the time of change is another");
    let bytes = |all: Vec<(String, Vec<u8>, SystemTime)>| -> Vec<(String, Vec<u8>)> {
        let record_of_run = |name: &String| name == ".last-run.json";
        all.into_iter().filter(|p| !record_of_run(&p.0)).map(|p| (p.0, p.1)).collect()
    };
    assert_eq!(bytes(products(&night)), bytes(first), "measured anew, the products are the same");
    assert!(kept(&night, &[]));
}

#[test]
fn every_change_is_seen() {
    let night = Broken::new();
    assert!(!kept(&night, &[]));
    let change = |what: &str, change: &dyn Fn(), more: &[&str]| {
        change();
        assert!(!kept(&night, more), "{what} went unseen");
        assert!(kept(&night, &[]), "after {what} and a run nothing is new");
    };
    let flip = |name: &str| {
        let path = night.path(name);
        let mut bytes = std::fs::read(&path).expect("file");
        let last = bytes.len() - 3000;
        bytes[last] ^= 1;
        let changed = std::fs::metadata(&path).and_then(|m| m.modified()).expect("time");
        std::fs::write(&path, bytes).expect("written");
        std::fs::File::options().write(true).open(&path).expect("opens").set_modified(changed).expect("time");
    };
    change("a frame with the same size and time", &|| flip("frames/light-002.fits"), &["--verify"]);
    change("a product with the same size and time", &|| flip("out/comet.fits"), &["--verify"]);
    change("a product removed", &|| std::fs::remove_file(night.path("out/report.html")).expect("removed"), &[]);
    change("the catalogue", &|| touch(&night.path("field.csv")), &[]);
    change("the campaign", &|| night.campaign("name = ", "name  = "), &[]);
    change(
        "a new frame",
        &|| drop(std::fs::copy(night.path("frames/bias-001.fits"), night.path("frames/b.fits"))),
        &[],
    );
    change("a frame less", &|| std::fs::remove_file(night.path("frames/light-006.fits")).expect("removed"), &[]);
}
