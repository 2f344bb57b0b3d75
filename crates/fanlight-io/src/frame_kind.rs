//! What a frame was taken for: by its header, else by the folder or the name that it was given.

use crate::header::Header;

/// Keywords that say what kind of frame a file is, the contract's own first.
const KIND_KEYS: [&str; 5] = ["IMAGETYP", "OBSTYPE", "FRAMETYP", "FRAME", "IMTYPE"];

/// What a frame was taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FrameKind {
    /// The sky.
    Light,
    /// No light, shortest exposure.
    Bias,
    /// No light, some exposure.
    Dark,
    /// No light, the exposure of a flat, which it belongs to.
    FlatDark,
    /// An evenly lit field.
    Flat,
}

impl FrameKind {
    /// The kind that an `IMAGETYP` value names: in any case, with or without the noun (`Light Frame`, `FLAT`,
    /// `Flat Field`, `master bias`, `zero`, `object`); `None` when it names none of them.
    pub fn from_imagetyp(text: &str) -> Option<Self> {
        let letters: String = text.chars().filter(|c| c.is_alphabetic()).collect::<String>().to_lowercase();
        let mut word = letters.strip_prefix("master").unwrap_or(&letters);
        for noun in ["frame", "field", "image", "exposure", "exp", "sub"] {
            word = word.strip_suffix(noun).filter(|rest| !rest.is_empty()).unwrap_or(word);
        }
        match word {
            "light" | "object" | "science" | "target" | "sci" | "obj" => Some(Self::Light),
            "bias" | "zero" | "offset" => Some(Self::Bias),
            "dark" => Some(Self::Dark),
            "darkflat" | "flatdark" | "darkforflat" => Some(Self::FlatDark),
            "flat" | "skyflat" | "domeflat" | "twilightflat" | "panelflat" | "twilight" | "flatfield" => {
                Some(Self::Flat)
            }
            _ => None,
        }
    }

    /// The kind that a folder's or a file's name gives: one of its words, in the singular or the plural (`lights`,
    /// `flat_R_001`, `2031-03-04 darks`); `None` when no word does, or two that disagree.
    fn from_name(name: &str) -> Option<Self> {
        let lower = name.to_lowercase();
        let words: Vec<&str> = lower.split(|c: char| !c.is_alphabetic()).filter(|w| !w.is_empty()).collect();
        let plain = |word: &str| match word {
            "biases" => "bias".to_owned(),
            _ => word.strip_suffix('s').filter(|w| Self::from_imagetyp(w).is_some()).unwrap_or(word).to_owned(),
        };
        let words: Vec<String> = words.into_iter().map(plain).collect();
        let mut kinds = Vec::new();
        let mut i = 0;
        while i < words.len() {
            // "flat-darks" and "dark_flat" are one word in two
            let both = words.get(i + 1).and_then(|next| Self::from_imagetyp(&format!("{}{next}", words[i])));
            match both.filter(|k| *k == Self::FlatDark) {
                Some(kind) => {
                    kinds.push(kind);
                    i += 2;
                }
                None => {
                    kinds.extend(Self::from_imagetyp(&words[i]));
                    i += 1;
                }
            }
        }
        kinds.dedup();
        match kinds.as_slice() {
            [one] => Some(*one),
            _ => None,
        }
    }
}

/// The kind of a frame by its header; where no keyword says it, by its own name, else by the nearest folder whose name
/// does, with a note.
///
/// # Errors
/// When nothing says it, or the keyword says something that is not known.
pub(crate) fn kind(header: &Header, name: &str, notes: &mut Vec<String>) -> Result<FrameKind, String> {
    let advice = "set IMAGETYP to Light Frame, Bias Frame, Dark Frame or Flat Field";
    if let Some((key, text)) = KIND_KEYS.iter().find_map(|key| Some((key, header.text(key)?))) {
        return FrameKind::from_imagetyp(&text)
            .ok_or_else(|| format!("{key} '{text}' is no kind of frame that is known; {advice}"));
    }
    let parts: Vec<&str> = name.split('/').collect();
    let (file, folders) = parts.split_last().map_or(("", &[][..]), |(f, rest)| (*f, rest));
    let stem = file.split('.').next().unwrap_or_default();
    let by_folder = folders.iter().rev().find_map(|f| Some((FrameKind::from_name(f)?, format!("folder \"{f}\""))));
    let by_name = FrameKind::from_name(stem).map(|k| (k, "file name".to_owned()));
    match by_folder.or(by_name) {
        Some((kind, source)) => {
            notes.push(format!("no IMAGETYP says what kind of frame this is; its {source} does"));
            Ok(kind)
        }
        None => Err(format!("no IMAGETYP says what kind of frame this is; {advice}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_by_many_names() {
        let check = |names: &[&str], kind| {
            for name in names {
                assert_eq!(FrameKind::from_imagetyp(name), kind, "{name}");
            }
        };
        check(&["Light Frame", "LIGHT", "light", "Object", "Light_Frame", "science"], Some(FrameKind::Light));
        check(&["Bias Frame", "bias", "ZERO", "Master Bias", "Zero Frame", "OFFSET"], Some(FrameKind::Bias));
        check(&["Dark Frame", "DARK", "MasterDark"], Some(FrameKind::Dark));
        check(&["Dark Flat", "DARKFLAT", "flat dark", "FlatDark"], Some(FrameKind::FlatDark));
        check(
            &["Flat Field", "flat", "FLATFIELD", "Flat Frame", "Sky Flat", "SKYFLAT", "master flat field"],
            Some(FrameKind::Flat),
        );
        check(&["", "Frame", "test", "focus", "1", "ünknown"], None);
    }

    #[test]
    fn kinds_by_folder_and_name() {
        let none = Header::default();
        let check = |name: &str, expected| {
            let mut notes = Vec::new();
            assert_eq!(kind(&none, name, &mut notes).ok(), expected, "{name}");
            assert_eq!(notes.len(), usize::from(expected.is_some()), "{name}");
        };
        check("lights/comet_001.fits", Some(FrameKind::Light));
        check("2031-03-04/Darks 60s/a.fits", Some(FrameKind::Dark));
        check("flats/R/001.fits", Some(FrameKind::Flat));
        check("bias/x.fits", Some(FrameKind::Bias));
        check("flat_darks/x.fits", Some(FrameKind::FlatDark));
        check("dark-007.fits", Some(FrameKind::Dark));
        check("masterflat_R.fits", Some(FrameKind::Flat));
        check("comet/c2031z2_007.fits", None);
        check("darkroom/x.fits", None);
        // the folder is the user's own sorting
        check("lights/flattened.fits", Some(FrameKind::Light));
        check("lights-and-darks/x.fits", None);
    }
}
