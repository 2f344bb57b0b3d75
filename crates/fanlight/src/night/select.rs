//! Which of the light frames in a folder are wanted: not those that the user leaves out, nor those of another object or
//! another night.

use super::inputs::{LeftOut, middle};
use super::notes::Notes;
use crate::Failure;
use fanlight_io::{Campaign, FrameFile, FrameSet};
use fanlight_record::FrameRecord;
use fanlight_sky::UtcInstant;
use std::collections::BTreeMap;

/// What the user chose on the command line.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Choice {
    /// Date of the evening of the night to measure, `YYYY-MM-DD`.
    pub night: Option<String>,
    /// Frames to leave out: names relative to the folder, `*` and `?` as in a shell.
    pub leave_out: Vec<String>,
    /// Where the comet is at the middle of the night, as typed, where it is not where the orbit puts it.
    pub at: Option<String>,
    /// Of a ready-made stack that cannot be solved: position angle of its y axis.
    pub north_pa_deg: Option<f64>,
}

impl Choice {
    /// The options as they are typed, each after a blank.
    pub fn as_typed(&self) -> String {
        let night = self.night.iter().map(|n| format!(" --night {n}"));
        let leave_out = self.leave_out.iter().map(|n| format!(" --leave-out \"{n}\""));
        night
            .chain(leave_out)
            .chain(self.at.iter().map(|at| format!(" --at \"{at}\"")))
            .chain(self.north_pa_deg.iter().map(|pa| format!(" --north-pa {pa}")))
            .collect()
    }
}

/// Frames further apart than this belong to two nights: longer than a meridian flip or a cloud, shorter than a summer's
/// day.
const GAP_S: f64 = 6.0 * 3600.0;

/// Takes out of the frames found those that are not wanted, lights with their reason.
///
/// # Errors
/// When an option names no frame or no night.
pub fn select(
    found: &mut FrameSet,
    campaign: &Campaign,
    choice: &Choice,
    notes: &mut Notes,
) -> Result<Vec<LeftOut>, Failure> {
    let mut left_out = Vec::new();
    leave_out_named(found, &choice.leave_out, &mut left_out, notes)?;
    one_object(&mut found.lights, campaign, &mut left_out, notes);
    one_night(&mut found.lights, campaign, choice.night.as_deref(), &mut left_out, notes)?;
    Ok(left_out)
}

fn leave_out_named(
    found: &mut FrameSet,
    patterns: &[String],
    left_out: &mut Vec<LeftOut>,
    notes: &mut Notes,
) -> Result<(), Failure> {
    let mut hits = vec![0; patterns.len()];
    let mut is_named = |name: &str| {
        let mut named = false;
        for (pattern, n) in patterns.iter().zip(&mut hits) {
            if matches(pattern.trim_start_matches("./"), name) {
                *n += 1;
                named = true;
            }
        }
        named
    };
    split(&mut found.lights, left_out, |f| is_named(&f.name).then(|| FrameRecord::LEFT_OUT_BY_HAND.to_owned()));
    for list in [&mut found.biases, &mut found.darks, &mut found.flat_darks, &mut found.flats] {
        list.retain(|f| {
            let named = is_named(&f.name);
            if named {
                notes.push(format!("{} was {}.", f.name, FrameRecord::LEFT_OUT_BY_HAND));
            }
            !named
        });
    }
    // a file that was skipped anyway is out as asked
    found.skipped.iter().for_each(|s| {
        is_named(&s.file);
    });
    match patterns.iter().zip(&hits).find(|(_, n)| **n == 0) {
        None => Ok(()),
        Some((pattern, _)) => Err(Failure::call(format!("--leave-out {pattern}: no file of the folder has that name"))
            .hint("names are relative to the folder of frames, with / and with their ending; * stands for anything")),
    }
}

/// Whether a name is what a pattern stands for; a pattern without a folder also fits a file's name in any folder.
fn matches(pattern: &str, name: &str) -> bool {
    let fits = |name: &str| glob(&pattern.chars().collect::<Vec<_>>(), &name.chars().collect::<Vec<_>>());
    fits(name) || (!pattern.contains('/') && name.rsplit('/').next().is_some_and(fits))
}

fn glob(pattern: &[char], name: &[char]) -> bool {
    // the last star is tried with ever more characters: linear in the name for every star
    let (mut p, mut n) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while n < name.len() {
        match pattern.get(p) {
            Some('*') => {
                star = Some((p, n));
                p += 1;
            }
            Some(c) if *c == '?' || *c == name[n] => {
                p += 1;
                n += 1;
            }
            _ => match star {
                Some((at, from)) => {
                    star = Some((at, from + 1));
                    (p, n) = (at + 1, from + 1);
                }
                None => return false,
            },
        }
    }
    pattern[p..].iter().all(|c| *c == '*')
}

/// Keeps the frames whose OBJECT is the campaign's, by name; where none is, those of the object that most frames name.
/// Frames that name no object stay.
fn one_object(lights: &mut Vec<FrameFile>, campaign: &Campaign, left_out: &mut Vec<LeftOut>, notes: &mut Notes) {
    let object = |f: &FrameFile| f.header.text("OBJECT").filter(|o| !plain(o).is_empty());
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    let mut spelt: BTreeMap<String, String> = BTreeMap::new();
    for name in lights.iter().filter_map(object) {
        *counts.entry(plain(&name)).or_default() += 1;
        spelt.entry(plain(&name)).or_insert(name);
    }
    if counts.len() < 2 {
        return;
    }
    let wanted = campaign.designation().map(plain).unwrap_or_default();
    let is_wanted = |name: &str| same_object(name, &wanted);
    let most = counts.values().copied().max().unwrap_or(0);
    let by_name = counts.keys().any(|name| is_wanted(name));
    let majority = counts.iter().find(|(_, n)| **n == most).map(|(name, _)| name.clone()).unwrap_or_default();
    let kept = if by_name { "the campaign's object".to_owned() } else { format!("\"{}\"", spelt[&majority]) };
    if !by_name {
        notes.warn(format!("No frame's OBJECT is the campaign's; {kept}, which most frames name, was taken for it."));
    }
    split(lights, left_out, |f| {
        let name = object(f)?;
        let key = plain(&name);
        let keep = if by_name { is_wanted(&key) } else { key == majority };
        (!keep).then(|| format!("OBJECT is \"{name}\", the night is measured of {kept}"))
    });
}

/// Whether two names, of letters and digits alone, mean one object: one begins with the other (`12p`, `12pponsbrooks`) or,
/// when it is long enough to be no part of another's by chance, holds it.
fn same_object(a: &str, b: &str) -> bool {
    const LONG: usize = 4;
    let (short, long) = if a.len() < b.len() { (a, b) } else { (b, a) };
    short.len() > 1 && (long.starts_with(short) || (short.len() >= LONG && long.contains(short)))
}

/// Letters and digits in lower case.
fn plain(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// Keeps one night: that of a date, or without one the night of most frames, the earliest of equals. Frames without a
/// time stay; they are left out for that reason later.
fn one_night(
    lights: &mut Vec<FrameFile>,
    campaign: &Campaign,
    date: Option<&str>,
    left_out: &mut Vec<LeftOut>,
    notes: &mut Notes,
) -> Result<(), Failure> {
    let longitude_deg = campaign.site.as_ref().map_or(0.0, |s| s.longitude_deg);
    let mut times: Vec<UtcInstant> = lights.iter().filter_map(|f| middle(f).ok()).collect();
    times.sort_by(|a, b| a.jd().total_cmp(&b.jd()));
    let mut nights: Vec<OneNight> = Vec::new();
    for time in times {
        match nights.last_mut().filter(|n| time.seconds_since(&n.last) <= GAP_S) {
            Some(night) => {
                night.last = time;
                night.n += 1;
            }
            None => {
                let date = evening(&time, longitude_deg);
                nights.push(OneNight { first: time, last: time, n: 1, date });
            }
        }
    }
    let listed = || nights.iter().map(|n| format!("{} ({} frames)", n.date, n.n)).collect::<Vec<_>>().join(", ");
    let chosen = match date {
        Some(date) => {
            let by_evening = nights.iter().find(|n| n.date == date);
            let by_first = || nights.iter().find(|n| n.first.to_iso().starts_with(date) && date.len() == 10);
            by_evening.or_else(by_first).ok_or_else(|| {
                Failure::call(format!("--night {date}: no light frame is of that night"))
                    .hint(format!("the nights in the folder are {}", listed()))
            })?
        }
        None => {
            let most = nights.iter().map(|n| n.n).max();
            match nights.iter().find(|n| Some(n.n) == most) {
                Some(night) => night,
                None => return Ok(()),
            }
        }
    };
    if nights.len() < 2 {
        return Ok(());
    }
    notes.warn(format!(
        "The folder holds {} nights: {}; that of {} was measured (--night chooses another).",
        nights.len(),
        listed(),
        chosen.date
    ));
    split(lights, left_out, |f| {
        let mid = middle(f).ok()?;
        let other = nights.iter().find(|n| n.first <= mid && mid <= n.last)?;
        (other.date != chosen.date).then(|| {
            format!(
                "of the night of {}; that of {} is measured (choose with --night {})",
                other.date, chosen.date, other.date
            )
        })
    });
    Ok(())
}

struct OneNight {
    first: UtcInstant,
    last: UtcInstant,
    n: usize,
    /// Of its evening.
    date: String,
}

/// Date of the evening of a night: of the local mean noon before.
fn evening(utc: &UtcInstant, longitude_deg: f64) -> String {
    let east_s = (longitude_deg + 180.0).rem_euclid(360.0) - 180.0;
    let local = utc.plus_seconds(east_s * 240.0 - 43_200.0);
    local.to_iso()[..10].to_owned()
}

/// Moves the frames for which there is a reason to those left out.
fn split(
    lights: &mut Vec<FrameFile>,
    left_out: &mut Vec<LeftOut>,
    mut reason: impl FnMut(&FrameFile) -> Option<String>,
) {
    for file in std::mem::take(lights) {
        match reason(&file) {
            None => lights.push(file),
            Some(reason) => left_out.push(LeftOut { mid: middle(&file).ok(), file, reason }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_as_in_a_shell() {
        for (pattern, name, fits) in [
            ("light-003.fits", "light-003.fits", true),
            ("light-003.fits", "lights/light-003.fits", true),
            ("lights/light-003.fits", "lights/light-003.fits", true),
            ("dark/light-003.fits", "lights/light-003.fits", false),
            ("light-00?.fits", "light-003.fits", true),
            ("light-00?.fits", "light-010.fits", false),
            ("*-00*.fits", "a-00-00x.fits", true),
            ("lights/*", "lights/a/b.fits", true),
            ("light", "light-003.fits", false),
            ("*", "anything", true),
            ("a*b*c", "aXbXbXc", true),
            ("a*b*c", "aXbXbX", false),
            ("", "x", false),
        ] {
            assert_eq!(matches(pattern, name), fits, "{pattern} {name}");
        }
    }

    #[test]
    fn objects_by_many_names() {
        let same = |a: &str, b: &str| same_object(&plain(a), &plain(b));
        assert!(same("C/2031 Z2 (Example)", "C/2031 Z2"));
        assert!(same("c2031z2", "C/2031 Z2"));
        assert!(same("Comet C/2031 Z2", "C/2031 Z2"));
        assert!(same("12P", "12P/Pons-Brooks"));
        for (a, b) in [("2P", "12P/Pons-Brooks"), ("C", "C/2031 Z2"), ("", "C/2031 Z2"), ("Alpha Cyg", "C/2031 Z2")] {
            assert!(!same(a, b), "{a} {b}");
        }
    }

    #[test]
    fn a_night_is_named_by_its_evening() {
        let of = |iso: &str, longitude| evening(&UtcInstant::parse(iso).expect("instant"), longitude);
        assert_eq!(of("2031-03-04T21:10:00", 10.0), "2031-03-04");
        assert_eq!(of("2031-03-05T03:10:00", 10.0), "2031-03-04");
        // evening in Hawaii is the next day in Greenwich
        assert_eq!(of("2031-03-05T06:00:00", -155.5), "2031-03-04");
        assert_eq!(of("2031-03-05T06:00:00", 204.5), "2031-03-04");
        assert_eq!(of("2031-03-04T10:00:00", 150.0), "2031-03-04");
    }
}
