//! The call that a night was measured by, as its record keeps it: read again, so that it can be repeated.

use super::state::DeskNight;
use crate::cli::{Arguments, night_options};
use crate::night::Options;
use clap::Parser;
use std::path::Path;

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
