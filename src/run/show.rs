//! What the engine keeps below the results besides the photos' folders, and what it finds there.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::publish::record::Record;
use crate::publish::{Shelf, Trap, Trouble};

use super::Failure;
use super::engine::{Engine, Mode};
use super::ledger::{self, Ledger};
use super::work::Class;

/// The summaries follow a change within this time, or within ten times what writing them takes.
const BETWEEN_SUMMARIES: Duration = Duration::from_millis(500);
/// What stands below the results is compared with what should at this interval.
const BETWEEN_STOCKTAKINGS: Duration = Duration::from_secs(60);

impl Engine<'_> {
    /// Reads back what stands below the results.
    pub(super) fn take_inventory(&mut self) -> Result<(), Failure> {
        let failure = |trouble: Trouble| Failure::Work(trouble.to_string());
        let n = self.shelf.remove_leftovers().map_err(failure)?;
        if n > 0 {
            tracing::info!(n, "removed what an interrupted run left over");
        }
        let inventory = self.shelf.inventory();
        self.published.clear();
        for (folder, quality) in inventory.folders {
            // What cannot be read back was not published by this version: to be made again, or removed.
            let record = serde_json::from_slice(&quality).unwrap_or_else(|_| foreign());
            self.published.insert(folder, Arc::new(record));
        }
        let work = &self.setup.work;
        let owned = inventory.files.into_iter().filter(|path| work.owns(path));
        self.standing = owned.collect();
        self.summaries_due = true;
        self.stale_possible = true;
        Ok(())
    }

    /// What an earlier run has read.
    pub(super) fn read_ledger(&mut self) {
        if let Some(bytes) = self.shelf.read(ledger::NAME) {
            self.ledger = Ledger::read(&bytes, &self.setup.orders.version);
        }
    }

    /// Writes down what was read, for the next run. Whatever goes wrong only costs that one time.
    pub(super) fn keep_ledger(&mut self) {
        let Some(listing) = &self.listing else {
            return;
        };
        let inbox = ledger::Inbox {
            root: listing.root,
            n_entries: listing.entries.len(),
        };
        let version = &self.setup.orders.version;
        if let Some(bytes) = self.ledger.text_if_changed(inbox, version) {
            match self.shelf.put_file(ledger::NAME, &bytes, None) {
                Ok(_) => self.ledger.was_written(Some(inbox)),
                Err(trouble) => tracing::debug!("{trouble}; the next start will take longer"),
            }
        }
    }

    pub(super) fn summaries_at(&self) -> Option<Instant> {
        if !self.summaries_due || self.listing.is_none() || self.stopping {
            return None;
        }
        let wait = |took: Duration| BETWEEN_SUMMARIES.max(took * 10);
        let is_idle = self.is_done_reading()
            && self.queues.is_empty()
            && self.in_hand.is_empty()
            && self.settler.n_pending() == 0;
        let at = match self.last_summaries {
            Some((at, took)) => at + wait(took),
            None if is_idle => self.start,
            None => self.start + BETWEEN_SUMMARIES,
        };
        Some(self.hold.as_ref().map_or(at, |hold| at.max(hold.until)))
    }

    pub(super) fn write_summaries(&mut self) {
        let began = Instant::now();
        self.summaries_due = false;
        let mut photos: Vec<(String, Arc<Record>)> = self
            .published
            .iter()
            .filter(|(_, record)| !record.photo.is_empty())
            .map(|(folder, record)| (folder.clone(), record.clone()))
            .collect();
        photos.sort_by(|(_, a), (_, b)| a.photo.cmp(&b.photo));
        let clock = jiff::ZonedDateTime::now()
            .strftime("%Y-%m-%d %H:%M:%S")
            .to_string();
        let shelf = self.shelf.clone();
        let read = |path: &str| shelf.read(path);
        let class = Class {
            photos: &photos,
            clock: &clock,
            read: &read,
        };
        let work = self.setup.work.clone();
        let fenced = || work.summaries(&class);
        let summaries = match std::panic::catch_unwind(std::panic::AssertUnwindSafe(fenced)) {
            Ok(summaries) => summaries,
            Err(_) => {
                let text =
                    "the summaries could not be made: a mistake in the program, please report it";
                self.report.failures.push(text.to_owned());
                self.warn(text.to_owned());
                self.last_summaries = Some((began, began.elapsed()));
                return;
            }
        };
        let paths: BTreeSet<String> = summaries.iter().map(|s| s.path.clone()).collect();
        let (mut wrote, mut failed) = (false, false);
        for summary in &summaries {
            let mask = summary.has_clock.then_some(clock.as_str());
            match shelf.put_file(&summary.path, &summary.bytes, mask) {
                Ok(written) => wrote |= written,
                Err(trouble) => {
                    failed = true;
                    self.could_not_publish(&trouble);
                }
            }
        }
        for path in self.standing.difference(&paths) {
            // What cannot be removed now is found again at the next start.
            if let Err(trouble) = shelf.remove(path) {
                tracing::warn!("{trouble}");
            }
        }
        self.standing = paths;
        // A sweep does not try again.
        self.summaries_due = failed && self.mode == Mode::Watch;
        if wrote && !failed {
            self.hold = None;
        }
        self.last_summaries = Some((began, began.elapsed()));
        let n = photos.len();
        self.service
            .status(&format!("{n} photos have their results"));
    }

    pub(super) fn show_progress(&self) {
        let (Some(bar), Some(listing)) = (&self.bar, &self.listing) else {
            return;
        };
        let n = listing.entries.len();
        let n_queued: usize = self.queues.values().map(VecDeque::len).sum();
        let n_left = self.to_read.len() + self.n_reading + n_queued + self.in_hand.len();
        bar.set_length(n as u64);
        bar.set_position(n.saturating_sub(n_left) as u64);
    }

    /// Opens the results anew where somebody deleted or replaced them, and finds single folders that are missing.
    pub(super) fn keep_shelf(&mut self) {
        self.shelf.tidy();
        if !self.shelf.still_stands() {
            self.warn(format!(
                "the results folder {} is gone; it is made anew",
                self.shelf.root().display()
            ));
            match Shelf::open(self.shelf.root(), Trap::default()) {
                Ok(shelf) => {
                    self.shelf = Arc::new(shelf);
                    self.ledger.was_written(None);
                    if let Err(failure) = self.take_inventory() {
                        self.warn(failure.to_string());
                    }
                    self.dirty_benches = self.world.benches().cloned().collect();
                }
                Err(refusal) => self.warn(refusal.to_string()),
            }
        } else if self.last_stocktaking.elapsed() >= BETWEEN_STOCKTAKINGS {
            self.last_stocktaking = Instant::now();
            self.keep_ledger();
            // The disk may have got over whatever it had.
            let now = self.start.elapsed();
            for (path, identity) in std::mem::take(&mut self.unread) {
                self.settler.again(&path, identity, now);
            }
            let missing: Vec<String> = self
                .published
                .keys()
                .filter(|folder| !self.shelf.has(folder))
                .cloned()
                .collect();
            self.summaries_due |= self.standing.iter().any(|path| !self.shelf.has_file(path));
            if !missing.is_empty() {
                self.published.retain(|folder, _| !missing.contains(folder));
                self.dirty_benches = self.world.benches().cloned().collect();
            }
        }
    }
}

/// Stands for a `quality.json` that cannot be read back: belongs to no photo and has no origin.
pub(super) fn foreign() -> Record {
    Record {
        photo: String::new(),
        bench: String::new(),
        capture: None,
        rule: String::new(),
        label: String::new(),
        lamp: String::new(),
        groups: BTreeMap::new(),
        taken: None,
        verdict: crate::measure::Verdict::Unreadable,
        reasons: Vec::new(),
        metrics: BTreeMap::new(),
        order_side: None,
        calibration: None,
        answers: Default::default(),
        not_measured: Vec::new(),
        remarks: Vec::new(),
        provenance: Default::default(),
    }
}
