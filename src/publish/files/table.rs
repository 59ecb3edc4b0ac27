//! How every table is written: RFC 4180 with a header and CRLF, no comment lines; names that no spreadsheet takes for a
//! formula, numbers with the digits that their uncertainty bears, empty cells for what is not known.

use csv::{Terminator, Writer, WriterBuilder};

use super::schema::Column;
use crate::publish::numbers;
use crate::terms::Estimate;

/// A table being written into memory.
pub struct Table(Writer<Vec<u8>>);

impl Table {
    /// A table with these columns, each of which is described.
    pub fn new<'c>(columns: impl IntoIterator<Item = &'c Column>) -> Table {
        let writer = WriterBuilder::new()
            .terminator(Terminator::CRLF)
            .from_writer(Vec::new());
        let mut table = Table(writer);
        table.record(columns.into_iter().map(Column::name));
        table
    }

    /// Appends a row, which must have as many cells as there are columns.
    pub fn push(&mut self, row: Row) {
        self.record(row.0);
    }

    /// Appends a row of cells that are written as they are, likewise.
    pub fn push_cells<'c>(&mut self, cells: impl IntoIterator<Item = &'c str>) {
        self.record(cells);
    }

    fn record<T: AsRef<[u8]>>(&mut self, cells: impl IntoIterator<Item = T>) {
        self.0
            .write_record(cells)
            .expect("writing to memory does not fail, and rows are as long as the header");
    }

    /// The bytes of the finished table.
    pub fn finish(self) -> Vec<u8> {
        self.0
            .into_inner()
            .expect("writing to memory does not fail")
    }
}

/// A row's cells, given from left to right.
#[derive(Default)]
pub struct Row(Vec<String>);

impl Row {
    /// A cell that is written as it is: a code, a count, a number in its final form.
    pub fn cell(mut self, cell: impl ToString) -> Row {
        self.0.push(cell.to_string());
        self
    }

    /// The same for something that may be absent, and then leaves its cell empty.
    pub fn maybe(self, cell: Option<impl ToString>) -> Row {
        self.cell(cell.map_or_else(String::new, |cell| cell.to_string()))
    }

    /// A cell of free text: see [`text_cell`].
    pub fn text(self, text: impl AsRef<str>) -> Row {
        self.cell(text_cell(text.as_ref()))
    }

    /// Two cells: a value and its standard uncertainty, both empty where it is absent.
    pub fn estimate(mut self, estimate: impl Into<Option<Estimate>>) -> Row {
        self.0.extend(
            estimate
                .into()
                .map_or_else(Default::default, numbers::cells),
        );
        self
    }

    /// A number with so many significant digits; empty where it is absent or not finite.
    pub fn rounded(self, value: impl Into<Option<f64>>, digits: usize) -> Row {
        self.maybe(value.into().and_then(|v| numbers::rounded(v, digits)))
    }
}

/// A free-text cell that no spreadsheet takes for a formula: what begins with `=`, `+`, `-`, `@`, their full-width forms, a tab
/// or a line break gets an apostrophe in front. Only for columns of names and sentences; numbers keep their minus sign.
pub fn text_cell(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '＝', '＋', '－', '＠', '\t', '\r', '\n']) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_never_becomes_a_formula() {
        for evil in [
            "=1+1",
            "+1",
            "-1",
            "@SUM(A1)",
            "\t=1",
            "\r=1",
            "\n=1",
            "＝1+1",
            "－1",
            "＠SUM(A1)",
        ] {
            assert_eq!(text_cell(evil), format!("'{evil}"));
        }
        for harmless in ["heron", "a=b", " x", "", "'quoted"] {
            assert_eq!(text_cell(harmless), harmless);
        }
    }
}
