//! Calls of the program: the one that a night was measured by, as its record keeps it, read again so that it can be repeated, and that of a
//! season.

use super::answer::{At, Refusal, Refusals};
use super::methods;
use super::state::{Desk, DeskNight};
use crate::cli::{Arguments, night_options};
use crate::night::Options;
use axum::Json;
use axum::extract::State;
use clap::Parser;
use serde::Serialize;
use std::ffi::{OsStr, OsString};
use std::path::Path;
use std::sync::Arc;
use utoipa::ToSchema;

/// The call of a night.
///
/// # Errors
/// Why it cannot be repeated, in a sentence.
pub fn of(night: &DeskNight) -> Result<Options, String> {
    let typed = &night.record.provenance.command;
    let words = words(typed);
    let arguments = Arguments::try_parse_from(&words).map_err(|_| format!("the call cannot be read: {typed}"))?;
    let mut options = night_options(arguments).ok_or_else(|| format!("not measured by fanlight night: {typed}"))?;
    let there = |path: &Path| match path.exists() {
        true => Ok(()),
        false => Err(format!("{} is not there, from the folder that the desk was started in", path.display())),
    };
    there(&options.frames_dir)?;
    there(&options.campaign)?;
    // a folder that was moved is measured again where it is now
    options.out = night.folder.clone().ok_or("the night's folder is not there")?;
    Ok(options)
}

/// The words of a call in which some stand between quotation marks.
fn words(typed: &str) -> Vec<String> {
    let (mut words, mut word, mut quoted, mut has_word) = (Vec::new(), String::new(), false, false);
    for c in typed.chars() {
        match c {
            '"' => (quoted, has_word) = (!quoted, true),
            c if c.is_whitespace() && !quoted => {
                if has_word {
                    words.push(std::mem::take(&mut word));
                }
                has_word = false;
            }
            c => {
                word.push(c);
                has_word = true;
            }
        }
    }
    if has_word {
        words.push(word);
    }
    words
}

/// How a night was measured, and whether that can be repeated.
#[derive(Debug, Serialize, ToSchema)]
pub struct CallAnswer {
    /// The call as it would be typed.
    command: String,
    /// Whether it can be repeated.
    can_repeat: bool,
    /// Why not.
    why_not: Option<String>,
    /// Names or patterns of the frames that were left out by hand.
    left_out_by_hand: Vec<String>,
    /// Where the frames are.
    frames_folder: Option<String>,
}

/// How a night was measured.
#[utoipa::path(get, path = "/api/nights/{id}/call", tag = "runs", params(("id" = i64, Path)),
    responses((status = 200, body = CallAnswer), Refusals))]
pub async fn night_call(State(desk): State<Arc<Desk>>, At(id): At<i64>) -> Result<Json<CallAnswer>, Refusal> {
    let night = desk.night(id)?;
    let call = of(&night);
    let command = night.record.provenance.command.clone();
    Ok(Json(match call {
        Ok(options) => CallAnswer {
            command,
            can_repeat: true,
            why_not: None,
            left_out_by_hand: options.choice.leave_out,
            frames_folder: Some(options.frames_dir.display().to_string()),
        },
        Err(why) => CallAnswer {
            command,
            can_repeat: false,
            why_not: Some(why),
            left_out_by_hand: Vec::new(),
            frames_folder: None,
        },
    }))
}

/// The night's call again, with these frames left out, as words.
///
/// # Errors
/// When it cannot be made again, or a frame is none of the night.
pub fn night_arguments(desk: &Desk, night: &DeskNight, leave_out: Vec<String>) -> Result<Vec<OsString>, Refusal> {
    let options = of(night).map_err(|why| {
        Refusal::impossible(format!("the night cannot be measured again from here: {why}"))
            .hint("start the desk in the folder that the night was measured from, or run fanlight night yourself")
    })?;
    let known =
        |name: &String| night.record.frames.iter().any(|f| f.file == *name) || options.choice.leave_out.contains(name);
    if let Some(unknown) = leave_out.iter().find(|name| !known(name)) {
        return Err(Refusal::call(format!("the night has no frame \"{}\"", unknown.escape_default())));
    }
    let Options { frames_dir, campaign, out, other_band, choice, .. } = options;
    let mut arguments: Vec<OsString> = vec!["night".into()];
    let mut give = |name: &str, value: OsString| arguments.push(option(name, &value));
    give("--campaign", campaign.into());
    give("--out", out.into());
    give("--ledger", desk.ledger_file.clone().into());
    other_band.into_iter().for_each(|o| give("--other-band", o.into()));
    choice.night.into_iter().for_each(|n| give("--night", n.into()));
    choice.at.into_iter().for_each(|at| give("--at", at.into()));
    choice.north_pa_deg.into_iter().for_each(|pa| give("--north-pa", pa.to_string().into()));
    leave_out.into_iter().for_each(|name| give("--leave-out", name.into()));
    arguments.extend(["--".into(), frames_dir.into()]);
    Ok(arguments)
}

/// A season's call, as words.
///
/// # Errors
/// When there is no such night or enhancement.
pub fn season_arguments(desk: &Desk, nights: &[i64], enhance: &[String]) -> Result<Vec<OsString>, Refusal> {
    let chosen = match nights {
        [] => desk.nights(),
        ids => ids.iter().map(|id| desk.night(*id)).collect::<Result<_, _>>()?,
    };
    if chosen.is_empty() {
        return Err(Refusal::impossible("there is no night to put together"));
    }
    let mut arguments: Vec<OsString> = vec!["season".into()];
    let mut give = |name: &str, value: OsString| arguments.push(option(name, &value));
    give("--campaign", desk.campaign_file.clone().into());
    give("--out", desk.season_folder.clone().into());
    if desk.ledger_file.is_file() {
        give("--ledger", desk.ledger_file.clone().into());
    }
    for name in enhance {
        give("--enhance", methods::method(name)?.name().into());
    }
    arguments.push("--".into());
    for night in chosen {
        arguments.push(night.folder()?.into());
    }
    Ok(arguments)
}

/// An option with its value in one word, whatever the value begins with.
fn option(name: &str, value: &OsStr) -> OsString {
    let mut word = OsString::from(name);
    word.push("=");
    word.push(value);
    word
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quoted_words_stay_whole() {
        let typed = r#"fanlight night "a b/c" --campaign "x.toml" --leave-out "f 1.fits" --leave-out "" --north-pa 3"#;
        let expected = [
            "fanlight",
            "night",
            "a b/c",
            "--campaign",
            "x.toml",
            "--leave-out",
            "f 1.fits",
            "--leave-out",
            "",
            "--north-pa",
            "3",
        ];
        assert_eq!(words(typed), expected);
        assert!(words("  ").is_empty());
    }

    #[test]
    fn a_call_as_the_record_keeps_it_is_read_back() {
        let options = Options {
            frames_dir: "a b".into(),
            campaign: "c.toml".into(),
            out: "out".into(),
            other_band: Some("other".into()),
            choice: crate::night::select::Choice {
                night: Some("2031-03-24".into()),
                leave_out: vec!["l 1.fits".into(), "l-2*".into()],
                at: Some("06:47:48.9 +34:19:59".into()),
                north_pa_deg: None,
            },
            verify: false,
            ledger: crate::ledger::entry::Choice::OfCampaign,
        };
        let read = night_options(Arguments::try_parse_from(words(&options.as_typed())).unwrap()).unwrap();
        assert_eq!(read.as_typed(), options.as_typed());
    }
}
