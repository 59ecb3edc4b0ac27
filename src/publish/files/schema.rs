//! What stands in a table: each column's name, unit, kind, meaning, and when its cells are empty. The header of every table
//! is made of this, and so are the dictionary in README.md and `datapackage.json`: a column that is not described
//! cannot be written.

use std::borrow::Cow;

/// What a column's cells are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A name, a code, a sentence, or a time as ISO 8601 has it.
    Text,
    /// A number with `.` as decimal point.
    Number,
    /// A whole number.
    Count,
    /// `true` or `false`.
    Flag,
}

impl Kind {
    /// The word of Table Schema (<https://specs.frictionlessdata.io/table-schema/>, "types and formats") for it.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Text => "string",
            Kind::Number => "number",
            Kind::Count => "integer",
            Kind::Flag => "boolean",
        }
    }
}

/// A column of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    name: Cow<'static, str>,
    unit: Cow<'static, str>,
    kind: Kind,
    meaning: Cow<'static, str>,
    empty: &'static str,
}

/// A column; `unit` is empty for what has none, `empty` says where a cell is empty and is itself empty where none ever is.
///
/// # Panics
/// While the program is compiled: without a name or a meaning.
pub const fn column(
    name: &'static str,
    unit: &'static str,
    kind: Kind,
    meaning: &'static str,
    empty: &'static str,
) -> Column {
    assert!(!name.is_empty() && !meaning.is_empty());
    Column {
        name: Cow::Borrowed(name),
        unit: Cow::Borrowed(unit),
        kind,
        meaning: Cow::Borrowed(meaning),
        empty,
    }
}

impl Column {
    /// A number whose name and meaning are made while the program runs: a photo's own, or one of a list.
    ///
    /// # Panics
    /// Without a meaning.
    pub fn number(
        name: String,
        unit: &'static str,
        meaning: String,
        empty: &'static str,
    ) -> Column {
        assert!(!meaning.is_empty(), "{name} is described");
        Column {
            name: name.into(),
            unit: unit.into(),
            kind: Kind::Number,
            meaning: meaning.into(),
            empty,
        }
    }

    /// A text, likewise.
    ///
    /// # Panics
    /// Without a meaning.
    pub fn text(name: String, meaning: String, empty: &'static str) -> Column {
        Column {
            kind: Kind::Text,
            ..Column::number(name, "", meaning, empty)
        }
    }

    /// Its name, which is its cell of the header.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Its unit as people write it; empty for a text, a share, a ratio or a count.
    pub fn unit(&self) -> &str {
        &self.unit
    }

    /// What its cells are.
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// What it says.
    pub fn meaning(&self) -> &str {
        &self.meaning
    }

    /// When a cell is empty; empty where none ever is.
    pub fn empty(&self) -> &str {
        self.empty
    }

    /// Meaning, and when it is empty, as one text.
    pub fn described(&self) -> String {
        match self.empty {
            "" => self.meaning.to_string(),
            when => format!("{}; empty {when}", self.meaning),
        }
    }
}

/// A table whose columns are always the same, or begin so.
#[derive(Debug)]
pub struct Schema {
    /// Name of its file.
    pub file: &'static str,
    /// What it holds, and what a row is.
    pub about: &'static str,
    /// Its columns, from left to right.
    pub columns: &'static [Column],
}

/// The bench.
pub const BENCH: Column = column("bench", "", Kind::Text, "the bench", "");
/// The photo.
pub const PHOTO: Column = column(
    "photo",
    "",
    Kind::Text,
    "the photo: its path below the inbox",
    "",
);
/// What a photo was taken as.
pub const CAPTURE: Column = column(
    "capture",
    "",
    Kind::Text,
    "what it was taken as: calibration, sample, blank, dark or bracket",
    "where no rule says so",
);
/// The photo's verdict.
pub const VERDICT: Column = column(
    "verdict",
    "",
    Kind::Text,
    "the photo's verdict: good, caution, retake, waiting, unreadable or ignored",
    "",
);
/// The session.
pub const SESSION: Column = column(
    "session",
    "",
    Kind::Text,
    "the session that the photo belongs to",
    "where the inbox is one class",
);
/// The wavelength of a row.
pub const WAVELENGTH_NM: Column = column(
    "wavelength_nm",
    "nm",
    Kind::Number,
    "wavelength in air; rising, equal steps",
    "",
);
