//! What a run says in sentences, with what a reader must know apart from the rest.

use std::ops::{Deref, DerefMut};

/// Sentences for the record: a list of plain notes on methods and assumptions, which it stands for where such a list is
/// asked for, and the warnings apart.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Notes {
    warnings: Vec<String>,
    plain: Vec<String>,
}

impl Notes {
    /// Something that a reader must know before using the numbers; a sentence said already is not said again.
    pub fn warn(&mut self, sentence: impl Into<String>) {
        let sentence = sentence.into();
        if !self.warnings.contains(&sentence) {
            self.warnings.push(sentence);
        }
    }

    /// Takes over what was said elsewhere, after what is here already.
    pub fn append(&mut self, other: Self) {
        other.warnings.into_iter().for_each(|w| self.warn(w));
        self.plain.extend(other.plain);
    }

    /// One list, the warnings first, and how many they are.
    pub fn into_list(self) -> (Vec<String>, usize) {
        let n_warnings = self.warnings.len();
        let mut list = self.warnings;
        list.extend(self.plain);
        (list, n_warnings)
    }
}

impl Deref for Notes {
    type Target = Vec<String>;

    fn deref(&self) -> &Vec<String> {
        &self.plain
    }
}

impl DerefMut for Notes {
    fn deref_mut(&mut self) -> &mut Vec<String> {
        &mut self.plain
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn warnings_come_first_and_not_twice() {
        let mut notes = Notes::default();
        notes.push("plain".to_string());
        notes.warn("grave");
        notes.warn("grave");
        let mut said = Notes::default();
        said.push("plainer".to_string());
        said.warn("grave");
        said.warn("graver");
        notes.append(said);
        let list = ["grave", "graver", "plain", "plainer"].map(str::to_string).to_vec();
        assert_eq!(notes.into_list(), (list, 2));
    }
}
