//! Collects the mistakes in a file, so that all of them can be told at once.

use std::cell::RefCell;
use std::fmt;
use std::path::{Path, PathBuf};

use super::document::{self, At, Flaw, Node};

/// Something in a configuration that must be put right before it can be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// The file it is in.
    pub file: PathBuf,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key path (`rules[2].then.capture`), empty for the file as a whole, and what is wrong.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}:{}:{}: {}\n    {}",
            self.file.display(),
            self.line,
            self.column,
            self.what,
            self.remedy
        )
    }
}

/// The mistakes of one file, as they are found.
#[derive(Debug)]
pub struct Report {
    file: PathBuf,
    mistakes: RefCell<Vec<Mistake>>,
    /// Other files that this one names.
    names: RefCell<Vec<PathBuf>>,
}

impl Report {
    /// An empty report on `file`.
    pub fn new(file: &Path) -> Report {
        Report {
            file: file.to_owned(),
            mistakes: RefCell::new(Vec::new()),
            names: RefCell::default(),
        }
    }

    /// The file reported on.
    pub fn file(&self) -> &Path {
        &self.file
    }

    /// Notes a mistake.
    pub fn note(&self, at: At, what: impl Into<String>, remedy: impl Into<String>) {
        self.mistakes.borrow_mut().push(Mistake {
            file: self.file.clone(),
            line: at.line,
            column: at.column,
            what: what.into(),
            remedy: remedy.into(),
        });
    }

    /// Takes over the mistakes found in another file, which this one names.
    pub fn adopt(&self, other: Report) {
        self.names.borrow_mut().push(other.file.clone());
        self.mistakes.borrow_mut().extend(other.into_mistakes());
    }

    /// Other files that were adopted, in the order of their naming.
    pub fn names(&self) -> Vec<PathBuf> {
        self.names.borrow().clone()
    }

    /// True while nothing is wrong.
    pub fn is_clean(&self) -> bool {
        self.mistakes.borrow().is_empty()
    }

    /// All mistakes, file by file and from top to bottom.
    pub fn into_mistakes(self) -> Vec<Mistake> {
        let mut mistakes = self.mistakes.into_inner();
        mistakes.sort_by(|a, b| (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column)));
        mistakes
    }

    /// Reads the file named in [`Report::new`]: absent where it cannot be read, is too large or is not UTF-8.
    pub fn read_file(&self) -> Option<String> {
        self.noted(read(&self.file))
    }

    /// Parses `text` and notes its flaws.
    pub fn tree(&self, text: &str) -> Option<Node> {
        self.noted(not_too_long(text.len() as u64))?;
        let (tree, flaws) = document::parse(text);
        for flaw in flaws {
            self.note(flaw.at, flaw.what, flaw.remedy);
        }
        tree
    }

    fn noted<T>(&self, read: Result<T, Flaw>) -> Option<T> {
        read.map_err(|flaw| self.note(flaw.at, flaw.what, flaw.remedy))
            .ok()
    }
}

fn read(file: &Path) -> Result<String, Flaw> {
    let cannot_be_read = |error: std::io::Error| {
        Flaw::new(
            At::START,
            format!("cannot be read: {error}"),
            "check the name and that you may read it; a path inside a configuration starts from that file's own folder",
        )
    };
    let metadata = std::fs::metadata(file).map_err(cannot_be_read)?;
    if metadata.is_dir() {
        return Err(Flaw::new(
            At::START,
            "this is a folder, not a file",
            "name the file itself, such as config/lab.yaml",
        ));
    }
    not_too_long(metadata.len())?;
    let bytes = std::fs::read(file).map_err(cannot_be_read)?;
    String::from_utf8(bytes).map_err(|error| {
        Flaw::new(
            document::place_of_byte(error.as_bytes(), error.utf8_error().valid_up_to()),
            "a byte that is not UTF-8 text",
            "save the file as UTF-8 (in the editor: Save as, encoding UTF-8)",
        )
    })
}

fn not_too_long(bytes: u64) -> Result<(), Flaw> {
    if bytes <= document::MAX_BYTES as u64 {
        return Ok(());
    }
    Err(Flaw::new(
        At::START,
        format!(
            "{bytes} bytes long; at most {} are read",
            document::MAX_BYTES
        ),
        "this does not look like a file written by hand: check that the right one is named",
    ))
}
