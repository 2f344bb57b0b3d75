//! The contract's CSV catalogue, as spreadsheets and editors leave it.

use std::path::Path;

use crate::catalogue::{RawColumn, RawTable};
use crate::error::IoError;
use crate::header::parse_number;

/// Reads a CSV with a header line. `#` begins a comment line; spaces around names and values do not count; a file
/// whose header has no comma may be separated by semicolons or tabs.
pub(crate) fn read(text: &str, path: &Path) -> Result<RawTable, IoError> {
    let header_line = text.lines().find(|l| !l.is_empty() && !l.starts_with('#')).unwrap_or_default();
    if header_line.is_empty() {
        return Err(IoError::catalogue(path, "is empty"));
    }
    let delimiter = [b',', b';', b'\t'].into_iter().find(|d| header_line.as_bytes().contains(d)).unwrap_or(b',');
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(text.as_bytes());
    let error = |e: csv::Error| IoError::catalogue(path, e.to_string());
    let mut table = RawTable { row_word: "line", ..RawTable::default() };
    for name in reader.headers().map_err(error)? {
        let name = bare(name);
        if !name.is_empty() && table.columns.iter().any(|c| c.name == name) {
            return Err(IoError::catalogue(path, format!("has two columns named {name}")));
        }
        table.columns.push(RawColumn { name: name.to_owned(), ..RawColumn::default() });
    }
    // The reader counts a record's line from the comments before it, so the lines are counted here.
    let is_record = |line: &str| !line.is_empty() && !line.starts_with('#');
    let mut lines = text.lines().enumerate().filter(|(_, line)| is_record(line)).map(|(i, _)| i + 1).skip(1);
    for record in reader.records() {
        let record = record.map_err(error)?;
        table.rows.push(lines.next().unwrap_or_default());
        for (i, column) in table.columns.iter_mut().enumerate() {
            let text = bare(record.get(i).unwrap_or_default());
            let number = parse_number(text);
            column.bad_cells += usize::from(number.is_none() && !means_none(text));
            column.cells.push(number);
        }
    }
    Ok(table)
}

/// A field whose quotes did not count as such because of a space before them.
fn bare(field: &str) -> &str {
    field.trim_matches('"').trim()
}

fn means_none(text: &str) -> bool {
    ["", "-", "--", "nan", "null", "none", "n/a", "na"].iter().any(|n| text.eq_ignore_ascii_case(n))
}
