//! The class's tables and pages, made and put in place on a thread of their own: a class of thousands takes seconds, and
//! meanwhile photos go on and the service manager hears of the daemon.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::publish::{Shelf, Trouble, names};
use crate::report::Sink;

use super::sessions::{Over, Photos};
use super::work::{Class, Work};

/// What came of one making of the summaries.
pub struct Summed {
    /// The inventory of the results by which it was made.
    pub(super) inventory: u64,
    pub(super) began: Instant,
    pub(super) took: Duration,
    pub(super) n_photos: usize,
    /// Paths of all that were made.
    pub(super) paths: BTreeSet<String>,
    /// What it was made by.
    pub(super) basis: u64,
    /// What each session was made from, and the paths that came of it; of those that came whole.
    pub(super) made: BTreeMap<String, Made>,
    pub(super) has_written: bool,
    pub(super) troubles: Vec<Trouble>,
    /// Mistakes in this program, in words.
    pub(super) mistakes: Vec<String>,
}

/// A session's summaries as they stand.
#[derive(Clone)]
pub struct Made {
    photos: Photos,
    paths: BTreeSet<String>,
}

impl Made {
    /// True where they would be made from the very same records.
    fn is_of(&self, photos: &Photos) -> bool {
        let mut pairs = self.photos.iter().zip(photos);
        let is_same = pairs.all(|((a, was), (b, is))| Arc::ptr_eq(was, is) && a == b);
        is_same && self.photos.len() == photos.len()
    }
}

/// Puts the summaries on the shelf as they come.
struct OnShelf<'a> {
    shelf: &'a Shelf,
    clock: &'a str,
    /// Folder of the session, with `/`; empty for the class, and for what spans sessions.
    within: String,
    /// The paths that may be written.
    may: fn(&str) -> bool,
    summed: Summed,
}

/// What is to be made.
pub struct Wanted {
    /// Photos by their sessions.
    pub sessions: BTreeMap<String, Photos>,
    /// What spans the sessions.
    pub over: Option<Over>,
    /// Summaries from before, of which those that are no longer made are taken away.
    pub standing: BTreeSet<String>,
    /// The inventory of the results that it is made by.
    pub inventory: u64,
    /// Counts what makes all of them due: other settings, another inventory.
    pub basis: u64,
    /// What stands since it was made last on this basis.
    pub made: BTreeMap<String, Made>,
}

impl OnShelf<'_> {
    fn put_by(&mut self, path: &str, put: impl FnOnce(&Shelf, &str) -> Result<bool, Trouble>) {
        if !(self.may)(path) {
            let text = format!("{path} is no name that is kept for a table or a page");
            self.summed.mistakes.push(text);
            return;
        }
        let path = format!("{}{path}", self.within);
        self.summed.paths.insert(path.clone());
        match put(self.shelf, &path) {
            Ok(has_written) => self.summed.has_written |= has_written,
            Err(trouble) => self.summed.troubles.push(trouble),
        }
    }
}

impl Sink for OnShelf<'_> {
    fn put(&mut self, path: &str, bytes: &[u8], has_clock: bool) {
        let clock = has_clock.then_some(self.clock);
        self.put_by(path, |shelf, path| shelf.put_file(path, bytes, clock));
    }

    fn stream(&mut self, path: &str, write: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>) {
        self.put_by(path, |shelf, path| shelf.put_stream(path, write));
    }
}

/// Makes the tables and pages, session by session, and at last what spans them.
pub fn sum(wanted: &Wanted, work: &dyn Work, shelf: &Shelf) -> Summed {
    let began = Instant::now();
    let clock = jiff::ZonedDateTime::now()
        .strftime("%Y-%m-%d %H:%M:%S")
        .to_string();
    let mut out = OnShelf {
        shelf,
        clock: &clock,
        within: String::new(),
        may: names::is_summary,
        summed: Summed {
            inventory: wanted.inventory,
            began,
            took: Duration::ZERO,
            n_photos: wanted.sessions.values().map(Vec::len).sum(),
            paths: BTreeSet::new(),
            basis: wanted.basis,
            made: BTreeMap::new(),
            has_written: false,
            troubles: Vec::new(),
            mistakes: Vec::new(),
        },
    };
    let fenced = || {
        for (session, photos) in &wanted.sessions {
            // Tables and pages hang on nothing but their session's records.
            if let Some(made) = wanted.made.get(session).filter(|made| made.is_of(photos)) {
                out.summed.paths.extend(made.paths.iter().cloned());
                out.summed.made.insert(session.clone(), made.clone());
                continue;
            }
            let n_troubles = out.summed.troubles.len();
            out.within = match session.as_str() {
                "" => String::new(),
                session => format!("{session}/"),
            };
            let within = out.within.clone();
            let read = |path: &str| shelf.read(&format!("{within}{path}"));
            let class = Class {
                session,
                photos,
                clock: &clock,
                read: &read,
            };
            work.summaries(&class, &mut out);
            if out.summed.troubles.len() == n_troubles {
                let paths = &out.summed.paths;
                let paths = paths.iter().filter(|path| path.starts_with(&within));
                let made = Made {
                    photos: photos.clone(),
                    paths: paths.cloned().collect(),
                };
                out.summed.made.insert(session.clone(), made);
            }
        }
        if let Some(over) = &wanted.over {
            out.within.clear();
            out.may = names::is_over_sessions;
            work.spanning(&over.sessions(), &over.late, &mut out);
        }
    };
    let is_whole = catch_unwind(AssertUnwindSafe(fenced)).is_ok();
    let mut summed = out.summed;
    if is_whole {
        for path in wanted.standing.difference(&summed.paths) {
            // What cannot be removed now is found again at the next start.
            if let Err(trouble) = shelf.remove(path) {
                tracing::warn!("{trouble}");
            }
        }
    } else {
        summed.paths.extend(wanted.standing.iter().cloned());
        let text = "the tables and pages could not be made".to_owned();
        summed.mistakes.push(text);
    }
    summed.took = began.elapsed();
    summed
}
