//! The reference of the campaign file in the documentation, read by the loader itself so that it cannot go stale.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use fanlight_io::{Campaign, load_campaign, load_catalogue};
use fanlight_sky::parse_one_line_orbit;

fn document(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs").join(name);
    fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// The first code block of a language.
fn block<'a>(text: &'a str, language: &str) -> &'a str {
    let (_, rest) = text.split_once(&format!("```{language}\n")).unwrap_or_else(|| panic!("no {language} block"));
    rest.split_once("```").expect("the block ends").0
}

/// The keys that the loader knows in a section, as it names them where one is unknown; `None` where the section is a
/// single value or takes any key.
fn known_keys(section: &str) -> Option<Vec<String>> {
    let heading = if section.is_empty() { String::new() } else { format!("[{section}]\n") };
    let error = Campaign::from_toml(&format!("{heading}xxxxxxxxxxxxxxxx = 1\n"), Path::new("c.toml")).unwrap_err();
    let hint = error.hint?;
    let keys = hint.strip_prefix("the keys there are: ")?;
    Some(
        keys.split(", ")
            .map(|key| if section.is_empty() { key.to_owned() } else { format!("{section}.{key}") })
            .collect(),
    )
}

/// Every dotted key that the loader knows.
fn all_known() -> BTreeSet<String> {
    let mut known = BTreeSet::new();
    let mut open = vec![String::new()];
    while let Some(section) = open.pop() {
        for key in known_keys(&section).unwrap_or_default() {
            open.push(key.clone());
            known.insert(key);
        }
    }
    known
}

fn dotted(table: &toml::Table, prefix: &str, keys: &mut BTreeSet<String>) {
    for (key, value) in table {
        let key = format!("{prefix}{key}");
        if let Some(inner) = value.as_table() {
            dotted(inner, &format!("{key}."), keys);
        }
        keys.insert(key);
    }
}

fn reference() -> (Campaign, BTreeSet<String>) {
    let text = document("campaign-file.md");
    let toml = block(&text, "toml");
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("campaign.toml");
    fs::write(&path, toml).unwrap();
    let mut keys = BTreeSet::new();
    dotted(&toml.parse().unwrap(), "", &mut keys);
    (load_campaign(&path).unwrap_or_else(|e| panic!("{e}")), keys)
}

#[test]
fn the_reference_loads_and_shows_every_key() {
    let (campaign, shown) = reference();
    let known = all_known();
    for key in
        ["object.orbit.q_au", "site.height_m", "camera.saturation_adu", "photometry.filters", "observer.mpc_code"]
    {
        assert!(known.contains(key), "the loader's own list lacks {key}: {known:?}");
    }
    let missing: Vec<&String> = known.difference(&shown).collect();
    assert!(missing.is_empty(), "docs/campaign-file.md lacks {missing:?}");
    // beyond them only the filters, whose names are free
    let free: Vec<&String> = shown.difference(&known).collect();
    assert!(free.iter().all(|key| key.starts_with("photometry.filters.")), "{free:?}");
    assert_eq!(campaign.band_of_filter("Sloan r"), "r");
    campaign.orbit().unwrap();
    campaign.site().unwrap();
}

#[test]
fn the_orbit_line_is_that_of_the_reference() {
    let text = document("campaign-file.md");
    let lines: Vec<&str> = block(&text, "text").lines().collect();
    let [tens, ones, line] = lines[..] else { panic!("a ruler of two lines and an orbit: {lines:?}") };
    for (i, (ten, one)) in (1usize..).zip(tens.chars().chain(std::iter::repeat(' ')).zip(ones.chars())) {
        assert_eq!(one.to_digit(10), Some((i % 10) as u32), "column {i}");
        assert!(i % 10 != 0 || ten.to_digit(10) == Some((i / 10 % 10) as u32), "column {i}");
    }
    let orbit = parse_one_line_orbit(line).unwrap();
    let (campaign, _) = reference();
    assert_eq!(orbit.name, campaign.designation().unwrap());
    let (mut line, mut file) = (orbit.elements, campaign.orbit().unwrap());
    // four decimals of a day in a Julian date are good to 1e-9 days
    assert!((line.perihelion_jd_tdb - file.perihelion_jd_tdb).abs() < 1e-8, "{line:?}");
    (line.perihelion_jd_tdb, file.perihelion_jd_tdb) = (0.0, 0.0);
    assert_eq!(line, file);
}

#[test]
fn the_catalogue_example_loads() {
    let text = document("catalogues.md");
    let dir = tempfile::tempdir().unwrap();
    let path: PathBuf = dir.path().join("field.csv");
    fs::write(&path, block(&text, "csv")).unwrap();
    let catalogue = load_catalogue(&path, None).unwrap();
    assert_eq!(catalogue.bands, ["r", "g", "i"]);
    assert!(catalogue.notes.is_empty(), "{:?}", catalogue.notes);
    let star = &catalogue.stars[0];
    assert_eq!(
        (star.mags[1], star.pmdec_mas_yr, star.epoch_yr),
        (Some((14.731, Some(0.011))), Some(-9.44), Some(2016.0))
    );
    // the second has no proper motion, and a magnitude without an error
    assert_eq!((catalogue.stars[1].pmra_mas_yr, catalogue.stars[1].mags[2]), (None, Some((15.02, None))));
}
