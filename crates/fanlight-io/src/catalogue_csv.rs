//! The contract's CSV catalogue, as spreadsheets and editors leave it.

use std::io::{self, Read};
use std::path::Path;

use crate::error::IoError;
use crate::fits_read::Source;
use crate::header::parse_number;
use crate::star_table::{BYTE_ORDER_MARK, RawColumn, RawTable, TakePart};

/// Text that is parsed at a time, in bytes.
const PART_BYTES: usize = 1 << 20;

/// The longest line that is still text and not a file of another kind.
const LONGEST_LINE_BYTES: usize = 16 << 20;

/// Reads a CSV with a header line. `#` begins a comment line; spaces around names and values do not count; a file
/// whose header has no comma may be separated by semicolons or tabs. A line is a row: no field holds a line's end.
pub(crate) fn read(source: &mut dyn Source, path: &Path, take: TakePart<'_>) -> Result<(), IoError> {
    let mut lines = WholeLines { source, kept: Vec::new(), first: true };
    let mut names: Option<Names> = None;
    let mut lines_before = 0;
    while let Some(bytes) = lines.next(path)? {
        let text = String::from_utf8_lossy(&bytes);
        let mut rows = &text[..];
        let n_lines = text.lines().count();
        let mut lines_in_front = 0;
        while names.is_none() && !rows.is_empty() {
            let (line, rest) = rows.split_once('\n').unwrap_or((rows, ""));
            (rows, lines_in_front) = (rest, lines_in_front + 1);
            if is_record(line.trim_end_matches('\r')) {
                names = Some(Names::new(line, path)?);
            }
        }
        if let Some(names) = &names {
            take(names.rows(rows, lines_before + lines_in_front, path)?)?;
        }
        lines_before += n_lines;
    }
    if names.is_none() { Err(IoError::catalogue(path, "is empty")) } else { Ok(()) }
}

fn is_record(line: &str) -> bool {
    !line.is_empty() && !line.starts_with('#')
}

/// The header line.
struct Names {
    delimiter: u8,
    names: Vec<String>,
}

impl Names {
    fn new(line: &str, path: &Path) -> Result<Self, IoError> {
        let delimiter = [b',', b';', b'\t'].into_iter().find(|d| line.as_bytes().contains(d)).unwrap_or(b',');
        let mut names: Vec<String> = Vec::new();
        let mut reader = reader(line, delimiter);
        let header = reader.records().next().transpose().map_err(|e| IoError::catalogue(path, e.to_string()))?;
        for name in header.unwrap_or_default().iter().map(bare) {
            if !name.is_empty() && names.iter().any(|n| n == name) {
                return Err(IoError::catalogue(path, format!("has two columns named {name}")));
            }
            names.push(name.to_owned());
        }
        Ok(Self { delimiter, names })
    }

    /// The rows in `text`, in front of which the file has so many lines.
    fn rows(&self, text: &str, lines_before: usize, path: &Path) -> Result<RawTable, IoError> {
        let column = |name: &String| RawColumn { name: name.clone(), ..RawColumn::default() };
        let columns = self.names.iter().map(column).collect();
        let mut table = RawTable { row_word: "line", columns, ..RawTable::default() };
        let mut reader = reader(text, self.delimiter);
        // The reader counts a record's line from the comments before it, so the lines are counted here.
        let mut lines = text.lines().enumerate().filter(|(_, line)| is_record(line)).map(|(i, _)| lines_before + i + 1);
        let mut record = csv::StringRecord::new();
        while reader.read_record(&mut record).map_err(|e| IoError::catalogue(path, e.to_string()))? {
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
}

fn reader(text: &str, delimiter: u8) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .flexible(true)
        .has_headers(false)
        .from_reader(text.as_bytes())
}

/// A file in parts that end where a line ends.
struct WholeLines<'a> {
    source: &'a mut dyn Source,
    /// The beginning of a line that the next part ends.
    kept: Vec<u8>,
    first: bool,
}

impl WholeLines<'_> {
    fn next(&mut self, path: &Path) -> Result<Option<Vec<u8>>, IoError> {
        let mut part = std::mem::take(&mut self.kept);
        loop {
            let n = io::Read::take(&mut *self.source, PART_BYTES as u64)
                .read_to_end(&mut part)
                .map_err(|e| IoError::read(path, e))?;
            if std::mem::take(&mut self.first) && part.starts_with(BYTE_ORDER_MARK) {
                part.drain(..BYTE_ORDER_MARK.len());
            }
            if n < PART_BYTES {
                return Ok((!part.is_empty()).then_some(part));
            }
            if let Some(end) = part.iter().rposition(|b| *b == b'\n') {
                self.kept = part.split_off(end + 1);
                return Ok(Some(part));
            }
            if part.len() > LONGEST_LINE_BYTES {
                let problem = format!("has a line of more than {LONGEST_LINE_BYTES} bytes: it is no table of stars");
                return Err(IoError::catalogue(path, problem));
            }
        }
    }
}

/// A field whose quotes did not count as such because of a space before them.
fn bare(field: &str) -> &str {
    field.trim_matches('"').trim()
}

fn means_none(text: &str) -> bool {
    ["", "-", "--", "nan", "null", "none", "n/a", "na"].iter().any(|n| text.eq_ignore_ascii_case(n))
}
