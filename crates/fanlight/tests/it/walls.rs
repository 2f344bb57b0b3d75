//! Which crate uses which, held against the table in ARCHITECTURE.md; and pages that drift.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().and_then(Path::parent).expect("workspace root")
}

fn read(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).expect(name)
}

/// The table as written: crate to the crates that it may use.
fn allowed() -> BTreeMap<String, BTreeSet<String>> {
    let page = read("ARCHITECTURE.md");
    let rows = page.lines().filter(|l| l.starts_with("| fanlight"));
    rows.map(|row| {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let uses = cells[1].split(", ").filter(|c| !c.is_empty()).map(String::from).collect();
        (cells[0].to_string(), uses)
    })
    .collect()
}

#[test]
fn crates_use_only_what_the_architecture_page_lists() {
    let out = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(root())
        .output()
        .expect("cargo metadata");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let allowed = allowed();
    let mut seen = 0;
    for package in metadata["packages"].as_array().expect("packages") {
        let name = package["name"].as_str().expect("name");
        let uses = allowed.get(name).unwrap_or_else(|| panic!("{name} is not in the table of ARCHITECTURE.md"));
        for dependency in package["dependencies"].as_array().expect("dependencies") {
            let on = dependency["name"].as_str().expect("name");
            // dev-dependencies may reach further: coma's tests use sim
            if on.starts_with("fanlight") && dependency["kind"].is_null() {
                assert!(uses.contains(on), "{name} uses {on}, which ARCHITECTURE.md does not list");
                seen += 1;
            }
        }
    }
    assert!(seen >= 10, "only {seen} edges seen");
    assert_eq!(metadata["packages"].as_array().map(Vec::len), Some(allowed.len()));
}

/// The README's commands are the command's own.
#[test]
fn the_readme_names_every_command() {
    let out = Command::new(env!("CARGO_BIN_EXE_fanlight")).arg("--help").output().expect("help");
    let help = String::from_utf8_lossy(&out.stdout);
    let readme = read("README.md");
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|l| !l.starts_with("Commands:"))
        .skip(1)
        .take_while(|l| !l.is_empty())
        // deeper lines carry on a description
        .filter(|l| l.starts_with("  ") && !l.starts_with("   "))
        .filter_map(|l| l.split_whitespace().next())
        .filter(|c| *c != "help")
        .collect();
    assert!(commands.len() >= 6, "{commands:?}");
    for command in commands {
        assert!(readme.contains(&format!("`fanlight {command}")), "README.md does not name {command}");
    }
    for test_command in ["cargo run --release -- demo", "scripts/test"] {
        assert!(readme.contains(test_command));
    }
    assert!(read(".ci/run").contains("scripts/test"));
}
