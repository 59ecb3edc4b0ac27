//! What the engine keeps below the results besides the photos' folders, and what it finds there.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::arrive::listing::Rel;
use crate::publish::record::Record;
use crate::publish::{Held, Shelf, Trap, Trouble, names};

use super::Failure;
use super::engine::Engine;
use super::ledger::{self, Ledger};
use super::sessions::Frozen;
use super::work::Part;

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
        let closed = inventory.closed().into_iter();
        self.frozen = closed
            .map(|folder| {
                let frozen = self.frozen_of(&folder);
                (folder, frozen)
            })
            .collect();
        self.published.clear();
        for (folder, quality) in inventory.folders {
            // What cannot be read back was not published by this version: to be made again, or removed. An empty record stands
            // for it, which belongs to no photo and has no origin.
            let record: Record = serde_json::from_slice(&quality).unwrap_or_default();
            self.recall_looks(&record);
            let record = Arc::new(record);
            let place = folder.split_once('/').and_then(|(top, below)| {
                let frozen = self.frozen.get_mut(top)?;
                Some((frozen, below.to_owned()))
            });
            match place {
                Some((frozen, below)) => frozen.photos.push((below, record)),
                None => {
                    self.published.insert(folder, record);
                }
            }
        }
        for frozen in self.frozen.values_mut() {
            frozen
                .photos
                .sort_by(|(_, a), (_, b)| a.photo.cmp(&b.photo));
        }
        self.world.close(self.frozen.keys().cloned().collect());
        let of_session = |path: &String| {
            let (folder, name) = path.split_once('/')?;
            (name == names::ALIVE).then(|| folder.to_owned())
        };
        let is_ledger = |path: &&String| {
            let name = path.split_once('/').map(|(_, name)| name);
            name == Some(names::LEDGER)
        };
        self.ledgers = inventory.files.iter().filter(is_ledger).cloned().collect();
        self.said_in = inventory.files.iter().filter_map(of_session).collect();
        let files = inventory.files.into_iter();
        let is_open = |path: &String| {
            let top = path.split_once('/').map(|(top, _)| top);
            top.is_none_or(|top| !self.frozen.contains_key(top))
        };
        self.standing = files
            .filter(|path| names::is_any_summary(path) && is_open(path))
            .collect();
        self.inventory += 1;
        self.sum_all_anew();
        self.stale_possible = true;
        Ok(())
    }

    /// What an earlier run saw in a photo, for the same lamps and slates, and by the same version of this program.
    fn recall_looks(&mut self, record: &Record) {
        let (made_from, orders) = (&record.provenance, &self.setup.orders);
        let by = (&made_from.looks_hash, &made_from.version);
        if let Some(seen) = &record.looks
            && by == (&orders.looks_hash, &orders.version)
        {
            self.looking.remember(&made_from.photo_hash, seen.clone());
        }
    }

    /// A closed session, still without its photos.
    fn frozen_of(&self, folder: &str) -> Frozen {
        let marker = self.shelf.read(&format!("{folder}/{}", names::CLOSED));
        let closed = marker.and_then(|bytes| serde_json::from_slice(&bytes).ok());
        Frozen {
            closed: closed.unwrap_or_default(),
            photos: Vec::new(),
        }
    }

    /// What earlier runs have read. Each session that was made alone has a ledger of its own, for several may be made at once; whoever
    /// makes all of them puts those into one.
    pub(super) fn read_ledger(&mut self) {
        let version = &self.setup.orders.version;
        if let Some(bytes) = self.shelf.read(names::LEDGER) {
            self.ledger = Ledger::read(&bytes, version);
        }
        for path in &self.ledgers {
            if let Some(bytes) = self.shelf.read(path) {
                self.ledger.add(Ledger::read(&bytes, version));
            }
        }
    }

    /// Where this run's ledger stands.
    fn ledger_path(&self) -> String {
        match self.setup.orders.part.held() {
            Held::Session(folder) => format!("{folder}/{}", names::LEDGER),
            Held::All | Held::Index => names::LEDGER.to_owned(),
        }
    }

    /// Takes the open sessions' own ledgers away, once all that stands in them stands in one.
    fn put_ledgers_together(&mut self) {
        if self.setup.orders.part != Part::All {
            return;
        }
        for path in std::mem::take(&mut self.ledgers) {
            let folder = path.split('/').next().unwrap_or_default();
            if self.frozen.contains_key(folder) {
                continue;
            }
            if let Err(trouble) = self.shelf.remove(&path) {
                tracing::debug!("{trouble}");
            }
        }
    }

    /// Writes down what was read, for the next run. Whatever goes wrong only costs that one time.
    pub(super) fn keep_ledger(&mut self) {
        let Some(listing) = &self.listing else {
            return;
        };
        let is_index = self.setup.orders.part == Part::Index;
        let n_before = self.ledger.inbox.map_or(0, |inbox| inbox.n_entries);
        let n_listed = listing.entries.len();
        let inbox = ledger::Inbox {
            root: listing.root,
            // Of what spans sessions only a part was listed.
            n_entries: if is_index {
                n_listed.max(n_before)
            } else {
                n_listed
            },
        };
        let listed: BTreeSet<String> = listing.entries.keys().map(Rel::shown).collect();
        let gaps: Vec<String> = listing
            .gaps
            .iter()
            .map(|(gap, _)| format!("{}/", gap.shown()))
            .collect();
        let mut ledger = std::mem::take(&mut self.ledger);
        ledger.keep_only(|photo| {
            let is_there = listed.contains(photo) || is_index && !self.asks_for(photo);
            is_there || gaps.iter().any(|gap| photo.starts_with(gap))
        });
        self.ledger = ledger;
        let version = &self.setup.orders.version;
        if let Some(bytes) = self.ledger.text_if_changed(inbox, version) {
            match self.shelf.put_file(&self.ledger_path(), &bytes, None) {
                Ok(_) => self.ledger.was_written(Some(inbox)),
                Err(trouble) => {
                    tracing::debug!("{trouble}; the next start will take longer");
                    return;
                }
            }
        }
        self.put_ledgers_together();
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
                    self.dirty_benches = self.all_benches();
                }
                Err(refusal) => self.warn(refusal.to_string()),
            }
        } else if self
            .frozen
            .keys()
            .any(|s| !self.shelf.has_file(&format!("{s}/{}", names::CLOSED)))
        {
            tracing::info!("a closed session's folder is gone: it is open again");
            if let Err(failure) = self.take_inventory() {
                self.warn(failure.to_string());
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
            if self.standing.iter().any(|path| !self.shelf.has_file(path)) {
                self.sum_all_anew();
            }
            if !missing.is_empty() {
                self.published.retain(|folder, _| !missing.contains(folder));
                self.dirty_benches = self.all_benches();
            }
        }
    }
}
