//! The two written forms of ADES.
//!
//! # Source
//! ADES, concise description (2024): section 5 for PSV; the element names of the submission schema for XML.

use std::fmt::Write;

use super::fields::FIELDS;
use super::{AdesFile, Block};

/// Pipe-separated values, UTF-8: header lines, one line of field names, one line a record, each block after the other.
pub(super) fn psv(file: &AdesFile) -> String {
    let mut text = format!("# version={}\n", file.version);
    // writing to a string cannot fail
    let mut line = |s: &str| {
        let _ = writeln!(text, "{}", s.trim_end());
    };
    for block in &file.blocks {
        for group in &block.header {
            line(&format!("# {}", group.name));
            for (key, value) in &group.lines {
                line(&format!("! {key} {value}"));
            }
        }
        let columns = columns(block);
        line(&columns.iter().map(|(name, width)| format!("{name:<width$}")).collect::<Vec<_>>().join("|"));
        for record in &block.records {
            let cell = |(name, width): &(&str, usize)| {
                let value = record.fields.iter().find(|(f, _)| f == name).map_or("", |(_, v)| v);
                format!("{value:<width$}")
            };
            line(&columns.iter().map(cell).collect::<Vec<_>>().join("|"));
        }
    }
    text
}

/// The fields that a block's records have, in the schema's order, each with the width of its longest value.
fn columns(block: &Block) -> Vec<(&'static str, usize)> {
    let widest = |name: &str| {
        let values = block.records.iter().flat_map(|r| &r.fields).filter(|(f, _)| *f == name);
        values.map(|(_, v)| v.chars().count()).max()
    };
    FIELDS.iter().filter_map(|(name, _)| Some((*name, widest(name)?.max(name.len())))).collect()
}

/// XML, UTF-8.
pub(super) fn xml(file: &AdesFile) -> String {
    let mut out = Xml { text: String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"), depth: 0 };
    out.open(&format!("ades version=\"{}\"", escaped(&file.version)));
    for block in &file.blocks {
        out.open("obsBlock");
        out.open("obsContext");
        for group in &block.header {
            out.open(group.name);
            group.lines.iter().for_each(|(key, value)| out.leaf(key, value));
            out.close(group.name);
        }
        out.close("obsContext");
        out.open("obsData");
        for record in &block.records {
            out.open("optical");
            record.fields.iter().for_each(|(field, value)| out.leaf(field, value));
            out.close("optical");
        }
        out.close("obsData");
        out.close("obsBlock");
    }
    out.close("ades");
    out.text
}

struct Xml {
    text: String,
    depth: usize,
}

impl Xml {
    fn open(&mut self, tag: &str) {
        self.line(&format!("<{tag}>"));
        self.depth += 1;
    }

    fn close(&mut self, name: &str) {
        self.depth -= 1;
        self.line(&format!("</{name}>"));
    }

    fn leaf(&mut self, name: &str, value: &str) {
        self.line(&format!("<{name}>{}</{name}>", escaped(value)));
    }

    fn line(&mut self, line: &str) {
        let indent = 2 * self.depth;
        let _ = writeln!(self.text, "{:indent$}{line}", "");
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::super::{Group, Record};
    use super::*;

    fn file() -> AdesFile {
        let header = vec![
            Group { name: "observatory", lines: vec![("mpcCode", "568".into()), ("name", "Hill & Dale".into())] },
            Group { name: "submitter", lines: vec![("name", "I. M. Submit".into())] },
        ];
        let record = |id: &str, extra: Option<(&'static str, &str)>| Record {
            from: String::new(),
            fields: [("permID", id), ("ra", "215.6560501")]
                .into_iter()
                .chain(extra)
                .map(|(f, v)| (f, v.to_owned()))
                .collect(),
        };
        let records = vec![record("67P", Some(("notes", "K"))), record("1234567", None)];
        AdesFile::new(vec![Block { header, records, refused: Vec::new() }])
    }

    /// Laid out as the standard's example (concise description, section 5).
    #[test]
    fn psv_has_header_names_and_aligned_columns() {
        let expected = "# version=2022
# observatory
! mpcCode 568
! name Hill & Dale
# submitter
! name I. M. Submit
permID |ra         |notes
67P    |215.6560501|K
1234567|215.6560501|
";
        assert_eq!(file().psv(), expected);
    }

    #[test]
    fn xml_is_nested_and_escaped() {
        let expected = r#"<?xml version="1.0" encoding="UTF-8"?>
<ades version="2022">
  <obsBlock>
    <obsContext>
      <observatory>
        <mpcCode>568</mpcCode>
        <name>Hill &amp; Dale</name>
      </observatory>
      <submitter>
        <name>I. M. Submit</name>
      </submitter>
    </obsContext>
    <obsData>
      <optical>
        <permID>67P</permID>
        <ra>215.6560501</ra>
        <notes>K</notes>
      </optical>
      <optical>
        <permID>1234567</permID>
        <ra>215.6560501</ra>
      </optical>
    </obsData>
  </obsBlock>
</ades>
"#;
        assert_eq!(file().xml(), expected);
    }

    #[test]
    fn blocks_of_one_header_become_one() {
        let block = file().blocks.remove(0);
        let mut other = block.clone();
        other.header[0].lines[0].1 = "809".into();
        let merged = AdesFile::new(vec![block.clone(), block.clone(), other]);
        assert_eq!(merged.blocks.iter().map(|b| b.records.len()).collect::<Vec<_>>(), [4, 2]);
        assert_eq!(merged.psv().matches("# observatory").count(), 2);
    }
}
