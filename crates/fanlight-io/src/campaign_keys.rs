//! Where each key of a TOML file stands, so that an error can name the dotted key and the line.

use std::ops::Range;

use toml::de::{DeTable, DeValue};

/// Every key of a file with its place.
pub(crate) struct KeyPlaces {
    places: Vec<Place>,
    line_starts: Vec<usize>,
}

struct Place {
    dotted: String,
    key: Range<usize>,
    value: Range<usize>,
}

impl KeyPlaces {
    /// The places of all keys; none when the text is not TOML.
    pub(crate) fn of(text: &str) -> Self {
        let mut places = Vec::new();
        if let Ok(table) = DeTable::parse(text) {
            collect(table.get_ref(), "", &mut places);
        }
        let line_starts = std::iter::once(0).chain(text.match_indices('\n').map(|(i, _)| i + 1)).collect();
        Self { places, line_starts }
    }

    /// The line, from 1, of a byte.
    pub(crate) fn line_at(&self, byte: usize) -> usize {
        self.line_starts.partition_point(|start| *start <= byte)
    }

    /// The line of a dotted key.
    pub(crate) fn line_of(&self, dotted: &str) -> Option<usize> {
        self.places.iter().find(|p| p.dotted == dotted).map(|p| self.line_at(p.key.start))
    }

    /// The innermost dotted key whose name or value holds these bytes.
    pub(crate) fn key_at(&self, span: &Range<usize>) -> Option<&str> {
        let holds = |r: &Range<usize>| (r.start <= span.start && span.end <= r.end).then_some(r.len());
        self.places
            .iter()
            .filter_map(|p| Some((holds(&p.key).into_iter().chain(holds(&p.value)).min()?, p)))
            .min_by_key(|(len, p)| (*len, std::cmp::Reverse(p.dotted.len())))
            .map(|(_, p)| p.dotted.as_str())
    }
}

fn collect(table: &DeTable<'_>, prefix: &str, places: &mut Vec<Place>) {
    for (key, value) in table {
        let dotted = format!("{prefix}{}", key.get_ref());
        places.push(Place { dotted: dotted.clone(), key: key.span(), value: value.span() });
        match value.get_ref() {
            DeValue::Table(inner) => collect(inner, &format!("{dotted}."), places),
            // the tables of an array are counted from 0
            DeValue::Array(items) => items.iter().enumerate().for_each(|(i, item)| {
                if let DeValue::Table(inner) = item.get_ref() {
                    collect(inner, &format!("{dotted}[{i}]."), places);
                }
            }),
            _ => {}
        }
    }
}
