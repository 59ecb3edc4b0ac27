//! What a run tells whoever follows it at a terminal while it lasts. How it looks there is not known here.

use std::fmt;

use crate::publish::record::Record;
use crate::terms::Verdict;

/// Shows a person what happens.
pub trait Screen: fmt::Debug + Send + Sync {
    /// Called as it happens, by any thread.
    fn show(&self, news: &News<'_>);
}

/// Something that happens while a run lasts. Names are as they came: whoever shows them makes them fit to be shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News<'a> {
    /// How far a rehearsal has drawn its photos.
    Drawn {
        /// Photos that are drawn.
        done: usize,
        /// Photos in all.
        known: usize,
    },
    /// How far a sweep has come.
    Progress {
        /// Photos that have been read.
        read: usize,
        /// Photos that have their results.
        done: usize,
        /// Photos in all.
        known: usize,
        /// How the class stands.
        tally: Tally,
    },
    /// A daemon has listed the inbox for the first time.
    Began {
        /// What is watched.
        inbox: &'a str,
        /// What is written.
        results: &'a str,
        /// Where the board is.
        board: &'a str,
        /// Photos in the inbox.
        known: usize,
        /// Those of them that have no results yet.
        waiting: usize,
    },
    /// A photo has its verdict.
    Fate {
        /// Local time of day.
        at: &'a str,
        /// Its bench.
        bench: &'a str,
        /// Its file name.
        photo: &'a str,
        /// The word.
        verdict: Verdict,
        /// What is to be done first, or what comes next.
        advice: &'a str,
    },
    /// A daemon has listed the inbox.
    Looked {
        /// Local time of day.
        at: &'a str,
        /// Photos in the inbox.
        known: usize,
        /// Photos being worked on.
        in_hand: usize,
        /// How the class stands.
        tally: Tally,
    },
    /// What a person should know, in words.
    Said(&'a str),
    /// The run is over.
    Over,
}

/// How many photos have each verdict.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally([usize; Verdict::ALL.len()]);

impl Tally {
    /// Counts the verdicts of these records.
    pub fn of<'a>(records: impl Iterator<Item = &'a Record>) -> Tally {
        Tally(Verdict::counts(records.map(|record| record.verdict)))
    }

    /// Each verdict that a photo has, and how many have it.
    pub fn all(&self) -> impl Iterator<Item = (Verdict, usize)> {
        let all = Verdict::ALL.iter().copied().zip(self.0);
        all.filter(|(_, n)| *n > 0)
    }
}
