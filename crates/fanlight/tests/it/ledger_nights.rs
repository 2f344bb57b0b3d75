//! Records of many nights of one comet, made from one: other days, other frames.

use serde_json::Value;
use std::path::{Path, PathBuf};

/// The same night so many days later, its frames' contents other ones. `state` is a state of its measurement: records of one
/// night in two states have the same frames.
pub fn night_later(record: &Value, days: u32, state: u32) -> Value {
    let mut night = record.clone();
    let day = |text: &str| -> String {
        // months of 28 days, so that every day is one
        let (month, date) = (days / 28 % 12 + 1, days % 28 + 1);
        format!("{:04}-{month:02}-{date:02}{}", 2031 + days / 336, &text[10..])
    };
    let times = [&["mid_utc"][..], &["geometry", "utc"], &["stack", "first_utc"], &["stack", "last_utc"]]
        .map(|keys| keys.to_vec());
    for keys in times {
        let value = keys.iter().fold(&mut night, |value, key| &mut value[*key]);
        *value = day(value.as_str().expect("an instant")).into();
    }
    for frame in night["frames"].as_array_mut().expect("frames") {
        if let Some(text) = frame["mid_utc"].as_str().map(day) {
            frame["mid_utc"] = text.into();
        }
    }
    for (i, input) in night["provenance"]["inputs"].as_array_mut().expect("inputs").iter_mut().enumerate() {
        if input["role"] == "light" {
            input["sha256"] = format!("{days:032x}{i:032x}").into();
        }
    }
    night["summary"] = format!("Measured for the {state}. time.").into();
    night
}

/// Writes records of nights into folders of their own, `state-night`; returns the folders' names.
pub fn write_nights(record: &Value, folder: &Path, days: std::ops::Range<u32>, state: u32) -> Vec<PathBuf> {
    days.map(|day| {
        let name = PathBuf::from(format!("{state}-{day}"));
        std::fs::create_dir_all(folder.join(&name)).expect("folder");
        let text = serde_json::to_string_pretty(&night_later(record, day, state)).expect("JSON");
        std::fs::write(folder.join(&name).join("night.json"), text).expect("night.json");
        name
    })
    .collect()
}
