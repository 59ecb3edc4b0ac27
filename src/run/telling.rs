//! What the engine tells whoever follows it at a terminal, and the log where nobody does.

use std::collections::HashSet;
use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use crate::arrive::listing::Rel;
use crate::publish::names;
use crate::publish::record::Record;
use crate::report;

use super::engine::{Engine, Mode};
use super::news::{News, Tally};

/// Progress is shown at most this often: more would be unreadable, and costs time where there are thousands of photos.
const BETWEEN_SHOWS: Duration = Duration::from_millis(100);

/// A folder as a person finds it from anywhere.
pub fn shown(folder: &Path) -> String {
    let found = fs::canonicalize(folder);
    found
        .unwrap_or_else(|_| folder.to_owned())
        .display()
        .to_string()
}

/// The local time of day, `19:04:12`.
fn time_of_day() -> String {
    jiff::ZonedDateTime::now().strftime("%H:%M:%S").to_string()
}

impl Engine<'_> {
    fn show(&self, news: &News<'_>) {
        if let Some(screen) = &self.setup.orders.screen {
            screen.show(news);
        }
    }

    /// Notes that a photo has its results.
    pub(super) fn is_done_with(&mut self, path: &Rel) {
        if self.setup.orders.screen.is_some() {
            self.progress.done.insert(path.clone());
        }
    }

    /// Notes that all photos of a bench have their results.
    pub(super) fn is_done_with_bench(&mut self, bench: &str) {
        if self.setup.orders.screen.is_some() {
            let paths = self.world.of_bench(bench);
            self.progress.done.extend(paths.iter().cloned());
        }
    }

    /// Shows how far a sweep has come; `for_sure` also where it was shown just now.
    pub(super) fn show_progress(&mut self, for_sure: bool) {
        let is_due = |shown: Instant| for_sure || shown.elapsed() >= BETWEEN_SHOWS;
        let Some(listing) = &self.listing else {
            return;
        };
        if self.setup.orders.screen.is_none()
            || self.mode == Mode::Watch
            || !self.progress.shown.is_none_or(is_due)
        {
            return;
        }
        self.progress.shown = Some(Instant::now());
        let listed = listing.entries.len();
        let benches = self.all_benches();
        // As long as some are to be looked at, not all have a bench.
        let known = match benches.is_empty() || !self.looking.is_done() {
            true => listed,
            false => benches.iter().map(|b| self.world.of_bench(b).len()).sum(),
        };
        self.show(&News::Progress {
            read: listed.saturating_sub(self.settler.n_pending()),
            done: self.progress.done.len().min(known),
            known,
            tally: self.tally(),
        });
    }

    fn tally(&self) -> Tally {
        let part = &self.setup.orders.part;
        let own = self.published.iter().filter(|(folder, record)| {
            // Empty records stand for what is not this program's.
            part.has_path(folder) && !record.photo.is_empty()
        });
        Tally::of(own.map(|(_, record)| record.as_ref()))
    }

    /// Says what is watched, after the first listing, and later that the inbox was listed.
    pub(super) fn tell_of_listing(&mut self, is_first: bool) {
        let Some(listing) = self.listing.as_ref().filter(|_| self.mode == Mode::Watch) else {
            return;
        };
        let known = listing.entries.len();
        if is_first {
            let have_results: HashSet<&str> =
                self.published.values().map(|r| r.photo.as_str()).collect();
            let paths = listing.entries.keys().map(Rel::shown);
            let waiting = paths
                .filter(|path| !have_results.contains(path.as_str()))
                .count();
            let orders = &self.setup.orders;
            let inbox = shown(&orders.inbox);
            let results = shown(&orders.results);
            let board = match &orders.address {
                Some(address) => format!("{address}{}", names::BOARD),
                None => self.board(),
            };
            tracing::info!(%inbox, %results, %board, photos = known, waiting, "watching");
            self.show(&News::Began {
                inbox: &inbox,
                results: &results,
                board: &board,
                known,
                waiting,
            });
        }
        self.show(&News::Looked {
            at: &time_of_day(),
            known,
            in_hand: self.in_hand.len(),
            tally: self.tally(),
        });
    }

    /// Where a person finds the board.
    pub(super) fn board(&self) -> String {
        format!("{}/{}", shown(&self.setup.orders.results), names::BOARD)
    }

    /// Says what became of a photo.
    pub(super) fn tell_of_fate(&self, record: &Record) {
        if self.mode == Mode::Watch && self.setup.orders.screen.is_some() {
            self.show(&News::Fate {
                at: &time_of_day(),
                bench: &record.bench,
                photo: record.file_name(),
                verdict: record.verdict,
                advice: &report::advice(record, crate::settings::english()),
            });
        }
    }

    /// Says what a person should know, on the screen or else in the log.
    pub(super) fn say(&self, text: &str) {
        tracing::info!("{text}");
        self.show(&News::Said(text));
    }

    pub(super) fn say_that_it_is_over(&self) {
        self.show(&News::Over);
    }
}
