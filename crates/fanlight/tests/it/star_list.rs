//! `fanlight catalogue import`, and a night with the list that it makes.

use crate::support::{Broken, happy, run, run_in};
use serde_json::Value;

/// A star on the other side of the sky.
const FAR_STAR: (f64, f64) = (271.25, -34.5);

fn import(night: &Broken, arguments: &[&str]) -> crate::support::Run {
    run_in(night.folder(), &[&["catalogue", "import"], arguments].concat())
}

/// The night with the star list gives the numbers of the night with the table it was made of, and reads its own part of
/// the sky only: the far star is damaged, and nothing else would ever notice.
#[test]
fn a_night_reads_its_field_from_a_list_of_the_sky() {
    let night = Broken::new();
    let far = format!("ra_deg,dec_deg,r,r_err,g\n{},{},9.5,0.01,10\n", FAR_STAR.0, FAR_STAR.1);
    std::fs::write(night.path("far.csv"), far).expect("table");
    let run = import(&night, &["far.csv", "field.csv", "--out", "lists/"]).expect_status(0);
    assert!(run.stdout.contains("sky.stars: ") && run.stdout.contains("bands r, g, i"), "{}", run.stdout);
    let list = night.path("lists/sky.stars");
    let mut bytes = std::fs::read(&list).expect("list");
    let at = bytes.windows(8).position(|w| w == FAR_STAR.0.to_le_bytes()).expect("the far star") + 15;
    bytes[at] ^= 0x80;
    std::fs::write(&list, bytes).expect("list");
    night.campaign("field.csv", "lists/sky.stars");
    night.night().expect_status(0);
    let (record, expected) = (night.record(), happy().record());
    let value = |v: &fanlight_record::NightRecord| {
        let mut value = serde_json::json!([v.photometry, v.zero_point, v.astrometry, v.geometry]);
        // They are listed in the catalogue's order.
        let stars = value[1]["stars"].as_array_mut().expect("stars");
        stars.sort_by_key(|star| star["catalogue_mag"].to_string());
        value
    };
    expect_alike(&value(&record), &value(&expected), "record");
}

/// Sums in another order of stars differ by rounding only.
#[track_caller]
fn expect_alike(found: &Value, expected: &Value, at: &str) {
    match (found, expected) {
        (Value::Object(a), Value::Object(b)) => {
            assert_eq!(a.len(), b.len(), "{at}");
            a.iter().for_each(|(key, value)| expect_alike(value, &b[key], &format!("{at}.{key}")));
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{at}");
            a.iter().zip(b).enumerate().for_each(|(i, (a, b))| expect_alike(a, b, &format!("{at}[{i}]")));
        }
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().expect("number"), b.as_f64().expect("number"));
            assert!((a - b).abs() <= 1e-5 * b.abs().max(1e-3), "{at}: {a} instead of {b}");
        }
        // The catalogue's name is another.
        (Value::String(_), Value::String(_)) => {}
        _ => assert_eq!(found, expected, "{at}"),
    }
}

#[test]
fn what_is_wrong_with_a_list_or_a_table_is_said() {
    let night = Broken::new();
    std::fs::write(night.path("bad.csv"), "ra,dec_deg,r\n1,2,3\n").expect("table");
    import(&night, &["field.csv", "bad.csv", "--out", "sky.stars"]).expect_status(1).expect_stderr(&[
        "error:",
        "bad.csv",
        "no column ra_deg",
    ]);
    import(&night, &["field.csv", "--band", "R", "--out", "sky.stars"]).expect_status(2).expect_stderr(&[
        "field.csv",
        "no band `R`",
        "did you mean --band r?",
    ]);
    import(&night, &["field.csv", "--out", "field.csv"]).expect_status(2).expect_stderr(&["field.csv", "--out"]);
    import(&night, &["field.csv"]).expect_status(2).expect_stderr(&["--out"]);
    assert!(!night.path("sky.stars").exists());
    import(&night, &["field.csv", "--out", "sky.stars"]).expect_status(0);
    let bytes = std::fs::read(night.path("sky.stars")).expect("list");
    std::fs::write(night.path("sky.stars"), &bytes[..bytes.len() - 100]).expect("cut");
    night.campaign("field.csv", "sky.stars");
    night.night().expect_status(2).expect_stderr(&["sky.stars", "is truncated: 100 bytes"]);
    // A list of another part of the sky.
    std::fs::write(night.path("far.csv"), "ra_deg,dec_deg,r\n271,-34,9\n").expect("table");
    import(&night, &["far.csv", "--out", "sky.stars"]).expect_status(0);
    night.night().expect_status(2).expect_stderr(&["sky.stars", "has no star within"]);
}

#[test]
fn help_shows_an_example() {
    let help = run(&["catalogue", "import", "--help"]).expect_status(0).stdout;
    assert!(help.contains("fanlight catalogue import gaia-north.csv"), "{help}");
}
