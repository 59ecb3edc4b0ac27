//! Reads tables as spreadsheets save them: with a mark of the byte order, quotes, and line ends of any kind.

use csv::{Position, Reader, ReaderBuilder, StringRecord, Trim};

use super::mistake::{At, Report};

/// A table whose first line is read.
pub(super) struct Cells<'t> {
    /// The table without a mark of the byte order.
    pub text: &'t str,
    /// What stands between its cells.
    pub delimiter: char,
    /// Names of its columns, in lower case.
    pub columns: Vec<String>,
    reader: Reader<&'t [u8]>,
}

impl<'t> Cells<'t> {
    /// Begins to read a table with commas between the cells, or with the first of `delimiters` that its first line has.
    pub fn begin(text: &'t str, delimiters: &[char]) -> Cells<'t> {
        let text = text.trim_start_matches('\u{feff}');
        let header = text.lines().next().unwrap_or_default();
        let delimiter = delimiters.iter().find(|d| header.contains(**d));
        let delimiter = *delimiter.unwrap_or(&',');
        let mut reader = ReaderBuilder::new()
            .delimiter(delimiter as u8)
            .trim(Trim::All)
            .flexible(true)
            .from_reader(text.as_bytes());
        let header = reader.headers().cloned().unwrap_or_default();
        Cells {
            text,
            delimiter,
            columns: header.iter().map(str::to_lowercase).collect(),
            reader,
        }
    }

    /// The rows in which something stands; of one that cannot be read it is noted, with the remedy.
    pub fn rows(&mut self, report: &Report, remedy: &str) -> impl Iterator<Item = StringRecord> {
        let records = self.reader.records().filter_map(move |record| {
            let unread = |error: csv::Error| {
                let at = line_at(error.position());
                report.note(at, format!("cannot be read: {error}"), remedy);
            };
            record.map_err(unread).ok()
        });
        records.filter(|record| !record.iter().all(str::is_empty))
    }
}

/// The beginning of the line in which the reader met something.
pub(super) fn line_at(position: Option<&Position>) -> At {
    let line = position.map_or(1, Position::line);
    At {
        line: usize::try_from(line).unwrap_or(1).max(1),
        column: 1,
    }
}
