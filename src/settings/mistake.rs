//! Collects the mistakes in a file, so that all of them can be told at once.

use std::cell::RefCell;
use std::fmt;
use std::path::{Path, PathBuf};

/// A configuration is written by hand: the shipped one has about 20 KiB. The bound keeps a file that was named by
/// mistake (a photo, a log) from being parsed at all.
pub const MAX_BYTES: usize = 256 * 1024;

/// A place in a text, both counted from 1; the column counts characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct At {
    /// Line, ≥ 1.
    pub line: usize,
    /// Column, ≥ 1.
    pub column: usize,
}

impl At {
    /// The first character.
    pub const START: At = At { line: 1, column: 1 };
}

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

    /// Notes something because of which nothing can be read.
    fn refuse<T>(&self, at: At, what: impl Into<String>, remedy: &str) -> Option<T> {
        self.note(at, what, remedy);
        None
    }

    /// Reads the file named in [`Report::new`]: absent where it cannot be read, is too large or is not UTF-8.
    pub fn read_file(&self) -> Option<String> {
        let cannot_be_read = |error: std::io::Error| {
            let remedy = "check the name and that you may read it; a path inside a configuration starts from that file's own folder";
            self.refuse(At::START, format!("cannot be read: {error}"), remedy)
        };
        let metadata = match std::fs::metadata(&self.file) {
            Ok(metadata) => metadata,
            Err(error) => return cannot_be_read(error),
        };
        if metadata.is_dir() {
            let remedy = "name the file itself, such as config/lab.yaml";
            return self.refuse(At::START, "this is a folder, not a file", remedy);
        }
        self.not_too_long(metadata.len())?;
        let bytes = match std::fs::read(&self.file) {
            Ok(bytes) => bytes,
            Err(error) => return cannot_be_read(error),
        };
        String::from_utf8(bytes)
            .or_else(|error| {
                let at = place_of_byte(error.as_bytes(), error.utf8_error().valid_up_to());
                let remedy = "save the file as UTF-8 (in the editor: Save as, encoding UTF-8)";
                self.refuse(at, "a byte that is not UTF-8 text", remedy)
                    .ok_or(())
            })
            .ok()
    }

    /// Notes a text that is longer than any written by hand.
    pub fn not_too_long(&self, bytes: u64) -> Option<()> {
        if bytes <= MAX_BYTES as u64 {
            return Some(());
        }
        let what = format!("{bytes} bytes long; at most {MAX_BYTES} are read");
        let remedy =
            "this does not look like a file written by hand: check that the right one is named";
        self.refuse(At::START, what, remedy)
    }
}

/// Where byte `offset` of `bytes` lies, for text that is UTF-8 up to there.
pub fn place_of_byte(bytes: &[u8], offset: usize) -> At {
    let before = String::from_utf8_lossy(&bytes[..offset]);
    let line_start = before.rfind('\n').map_or(0, |i| i + 1);
    At {
        line: before.matches('\n').count() + 1,
        column: before[line_start..].chars().count() + 1,
    }
}
