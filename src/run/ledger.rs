//! What was read of the inbox, remembered over a restart: ten thousand photos that nobody has touched since need not be
//! read again to know that nobody has.
//!
//! A shortcut and nothing more: without it everything is read again and the results are the same. It stands as a log
//! below the results, because it tells of one machine's disk and not of the class. A file is taken as read where it is
//! the same file (device, number, size) with the same times of last change as when it was read, and that reading came
//! well after the last change. The kernel sets the time of change at every write and lets nobody else set it, so what
//! passes for unchanged could only be a write at the very nanosecond of the old one, under a clock that was set back.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::arrive::listing::Identity;
use crate::decode::Facts;

use super::known::Known;

/// Shortest time between a file's last change and its reading. Times of change move in steps: of some milliseconds
/// mostly, of a second where an old ext file system has small inodes. Within a step a second write would not show.
pub const STEP: Duration = Duration::from_secs(2);

/// The inbox as a whole, when the ledger was written.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Inbox {
    /// Device and file number.
    pub root: (u64, u64),
    /// Entries it had.
    pub n_entries: usize,
}

#[derive(Serialize, Deserialize)]
struct Head {
    version: String,
    inbox: Inbox,
}

/// What was found in one file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    photo: String,
    identity: Identity,
    /// BLAKE3 of its bytes, hexadecimal.
    pub hash: String,
    /// Why it does not look finished.
    pub suspicion: Option<String>,
    /// From its header.
    pub facts: Facts,
}

/// What was found in every file that is to be remembered.
#[derive(Default)]
pub struct Ledger {
    /// The inbox at the time of the last run.
    pub inbox: Option<Inbox>,
    lines: BTreeMap<String, Line>,
    changed: bool,
}

impl Ledger {
    /// Reads a ledger back. One of another version of this program, which may read headers otherwise, only tells of the
    /// inbox; lines that cannot be read back are left out.
    pub fn read(bytes: &[u8], version: &str) -> Ledger {
        let mut ledger = Ledger::default();
        let mut lines = bytes.split(|&b| b == b'\n');
        let Some(head) = lines
            .next()
            .and_then(|line| serde_json::from_slice::<Head>(line).ok())
        else {
            return ledger;
        };
        ledger.inbox = Some(head.inbox);
        if head.version == version {
            let lines = lines.filter_map(|line| serde_json::from_slice::<Line>(line).ok());
            ledger.lines = lines.map(|line| (line.photo.clone(), line)).collect();
        }
        ledger
    }

    /// Takes in what another run has found.
    pub fn add(&mut self, other: Ledger) {
        self.changed |= !other.lines.is_empty();
        self.lines.extend(other.lines);
    }

    /// What was found in a file that looks just so.
    pub fn recall(&self, photo: &str, identity: Identity) -> Option<&Line> {
        self.lines
            .get(photo)
            .filter(|line| line.identity == identity)
    }

    /// Notes what was found in a file.
    pub fn remember(&mut self, known: &Known, identity: Identity) {
        let line = Line {
            photo: known.shown.clone(),
            identity,
            hash: known.hash.clone(),
            suspicion: known.suspicion.clone(),
            facts: (*known.facts).clone(),
        };
        if self.lines.get(&known.shown) != Some(&line) {
            self.lines.insert(known.shown.clone(), line);
            self.changed = true;
        }
    }

    /// Forgets the files that are no longer there, also those that went away while nobody looked.
    pub fn keep_only(&mut self, is_there: impl Fn(&str) -> bool) {
        let n_before = self.lines.len();
        self.lines.retain(|photo, _| is_there(photo));
        self.changed |= self.lines.len() < n_before;
    }

    /// The ledger's text for the disk; absent where it has not changed since it was written or read.
    pub fn text_if_changed(&self, inbox: Inbox, version: &str) -> Option<Vec<u8>> {
        if !self.changed && self.inbox == Some(inbox) {
            return None;
        }
        let version = version.to_owned();
        let mut bytes = serde_json::to_vec(&Head { version, inbox }).ok()?;
        bytes.push(b'\n');
        for line in self.lines.values() {
            serde_json::to_writer(&mut bytes, line).ok()?;
            bytes.push(b'\n');
        }
        Some(bytes)
    }

    /// Notes that it was written for this `inbox`; with `None`, that the written one is gone and must be written again.
    pub fn was_written(&mut self, inbox: Option<Inbox>) {
        self.changed = inbox.is_none();
        self.inbox = inbox.or(self.inbox);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::{Decision, Outcome};

    fn known(photo: &str) -> Known {
        let outcome = Outcome::Ignore {
            bench: String::new(),
            why: String::new(),
        };
        let decision = Decision {
            rule: String::new(),
            outcome,
            passed_over: Vec::new(),
            basis: Default::default(),
        };
        let facts = Facts {
            exposure_s: Some(1.0 / 30.0),
            taken: Some("2026-11-25T19:05:07.25".parse().unwrap()),
            format: "heic",
            ..Facts::default()
        };
        let mut known = Known::new(photo.to_owned(), facts, decision);
        known.hash = "ab".repeat(32);
        known
    }

    const INBOX: Inbox = Inbox {
        root: (1, 2),
        n_entries: 2,
    };

    fn identity(ctime_ns: i64) -> Identity {
        Identity {
            ino: 7,
            ctime_ns,
            ..Identity::default()
        }
    }

    #[test]
    fn what_was_read_is_recalled_for_the_very_same_file_only() {
        let mut ledger = Ledger::default();
        let odd = known("heron/line\nbreak \\xFF.jpg");
        ledger.remember(&odd, identity(5));
        ledger.remember(&known("heron/b.jpg"), identity(6));
        let bytes = ledger.text_if_changed(INBOX, "1").unwrap();
        let read = Ledger::read(&bytes, "1");
        let line = read.recall(&odd.shown, identity(5)).unwrap();
        assert_eq!((&line.hash, &line.facts), (&odd.hash, &*odd.facts));
        assert!(read.recall(&odd.shown, identity(6)).is_none());
        assert!(read.recall("heron/other.jpg", identity(5)).is_none());
        assert_eq!(read.inbox, Some(INBOX));
    }

    #[test]
    fn a_torn_or_older_ledger_only_costs_time() {
        let mut ledger = Ledger::default();
        ledger.remember(&known("heron/a.jpg"), identity(5));
        ledger.remember(&known("heron/b.jpg"), identity(6));
        let bytes = ledger.text_if_changed(INBOX, "1").unwrap();
        let torn = Ledger::read(&bytes[..bytes.len() - 9], "1");
        assert!(torn.recall("heron/a.jpg", identity(5)).is_some());
        assert!(torn.recall("heron/b.jpg", identity(6)).is_none());
        let older = Ledger::read(&bytes, "2");
        assert!(older.recall("heron/a.jpg", identity(5)).is_none());
        assert_eq!(older.inbox, Some(INBOX));
        for nonsense in [&b""[..], b"{", b"\xff\n\0", b"[]\n[]\n"] {
            assert_eq!(Ledger::read(nonsense, "1").inbox, None);
        }
    }

    #[test]
    fn it_is_written_only_where_it_has_changed() {
        let mut ledger = Ledger::default();
        ledger.remember(&known("heron/a.jpg"), identity(5));
        assert!(ledger.text_if_changed(INBOX, "1").is_some());
        ledger.was_written(Some(INBOX));
        ledger.remember(&known("heron/a.jpg"), identity(5));
        ledger.keep_only(|photo| photo == "heron/a.jpg");
        assert!(ledger.text_if_changed(INBOX, "1").is_none());
        ledger.was_written(None);
        assert!(ledger.text_if_changed(INBOX, "1").is_some());
        ledger.was_written(Some(INBOX));
        ledger.keep_only(|photo| photo == "heron/b.jpg");
        assert!(ledger.text_if_changed(INBOX, "1").is_some());
    }
}
