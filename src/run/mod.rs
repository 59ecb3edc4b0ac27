//! The shell: owns the threads, the clock and the state, and carries each photo from step to step.
//!
//! `results/` is the output of a build: at any moment the inbox and the configuration say what each photo's folder is
//! to be made from, and the folders whose record says otherwise are made again. Restarts, late lamp photos, renamed and
//! deleted photos and changed rules are all that one comparison. What is kept besides (the ledger of what was read, blanks'
//! spectra, tone curves, drawn cards) only spares work, and no result depends on it.

mod answering;
mod build;
mod cards;
mod clock;
mod company;
mod engine;
mod explain;
mod inbox;
mod intake;
mod known;
pub mod lab;
mod ledger;
mod make;
mod preflight;
mod raw;
mod read;
mod readers;
pub mod rehearse;
pub mod reload;
mod service;
mod shared;
mod show;
pub mod signals;
mod summing;
mod twins;
mod work;
mod world;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crossbeam_channel::{Receiver, Sender};

use crate::publish::record::Record;
use crate::publish::{Refusal, Shelf, Trap};
use crate::terms::Verdict;

pub use crate::report::Sink;
use engine::{Engine, Event, Mode};
pub use explain::explain;
pub use preflight::preflight;
#[cfg(feature = "dng")]
pub use raw::serve as unpack_raw;
pub use read::Gone;
pub use reload::Reload;
pub use work::{Class, Fate, Input, Orders, Outcome, Setup, Task, Work};

/// What ends the program, in words that say what to do.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// Wrong usage: the same call cannot succeed.
    #[error("{0}")]
    Usage(String),
    /// The work could not be done.
    #[error("{0}")]
    Work(String),
}

impl Failure {
    /// The program's exit status.
    pub fn exit_status(&self) -> u8 {
        match self {
            Failure::Usage(_) => 2,
            Failure::Work(_) => 1,
        }
    }
}

impl From<Refusal> for Failure {
    fn from(refusal: Refusal) -> Failure {
        Failure::Work(refusal.to_string())
    }
}

/// Wakes the shell from another thread.
#[derive(Clone)]
pub struct Bell {
    sender: Sender<Event>,
    /// Thousands of files at once must not fill the memory with thousands of equal hints.
    look_is_under_way: Arc<AtomicBool>,
    /// For work that is done before the shell listens.
    stop_is_called: Arc<AtomicBool>,
}

/// The shell's end of a [`Bell`].
pub struct Ears {
    bell: Bell,
    events: Receiver<Event>,
}

impl Bell {
    /// A bell and the ears to hear it with.
    pub fn new() -> (Bell, Ears) {
        let (sender, events) = crossbeam_channel::unbounded();
        let bell = Bell {
            sender,
            look_is_under_way: Arc::default(),
            stop_is_called: Arc::default(),
        };
        let ears = Ears {
            bell: bell.clone(),
            events,
        };
        (bell, ears)
    }

    /// Finish the photos in hand and end.
    pub fn stop(&self) {
        self.stop_is_called.store(true, Ordering::SeqCst);
        let _ = self.sender.send(Event::Stop);
    }

    /// Read the configuration again, whether or not it looks changed.
    pub fn reload(&self) {
        let _ = self.sender.send(Event::Reload);
    }

    /// Look at the inbox now.
    pub fn look(&self) {
        if !self.look_is_under_way.swap(true, Ordering::SeqCst) {
            let _ = self.sender.send(Event::Look);
        }
    }
}

impl Ears {
    /// Whether somebody said stop; the run that these ears are handed to will stop, too.
    pub fn is_stop_called(&self) -> bool {
        self.bell.stop_is_called.load(Ordering::SeqCst)
    }
}

/// How a run ended.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// Every photo's record, in the order of their paths.
    pub records: Vec<Arc<Record>>,
    /// Folders that were made or made again.
    pub n_made: usize,
    /// Folders that were taken away.
    pub n_removed: usize,
    /// What could not be published, in words.
    pub failures: Vec<String>,
    /// Files under a temporary name, whose content is still to come.
    pub n_not_here: usize,
    /// True where it was stopped before the end.
    pub stopped: bool,
}

impl Report {
    /// Number of photos with a verdict.
    pub fn n_with(&self, verdict: Verdict) -> usize {
        self.records.iter().filter(|r| r.verdict == verdict).count()
    }
}

/// Brings the results up to date with what is in the inbox now.
///
/// Files that are finished are taken at once; one that is being written is given time to settle, up to a limit.
///
/// # Errors
/// Where the folders cannot be used, or another slitwatch holds the results.
pub fn sweep(setup: Setup, ears: Ears, progress: bool) -> Result<Report, Failure> {
    sweep_with(setup, ears, progress, Trap::from_environment())
}

/// [`sweep`], with a trap in the publishing.
///
/// # Errors
/// As [`sweep`].
pub fn sweep_with(setup: Setup, ears: Ears, progress: bool, trap: Trap) -> Result<Report, Failure> {
    check_folders(&setup.orders.inbox, &setup.orders.results)?;
    let shelf = Shelf::open(&setup.orders.results, trap)?;
    let mode = Mode::Sweep { progress };
    Engine::new(mode, setup, shelf, ears, &mut reload::Never)?.run()
}

/// Follows the inbox until the bell says stop.
///
/// # Errors
/// Where the folders cannot be used at the start, or another slitwatch holds the results. Later on, whatever fails is
/// reported and tried again.
pub fn watch(setup: Setup, ears: Ears, reload: &mut dyn Reload) -> Result<Report, Failure> {
    watch_with(setup, ears, reload, Trap::from_environment())
}

/// [`watch`], with a trap in the publishing.
///
/// # Errors
/// As [`watch`].
pub fn watch_with(
    setup: Setup,
    ears: Ears,
    reload: &mut dyn Reload,
    trap: Trap,
) -> Result<Report, Failure> {
    check_folders(&setup.orders.inbox, &setup.orders.results)?;
    let shelf = Shelf::open(&setup.orders.results, trap)?;
    Engine::new(Mode::Watch, setup, shelf, ears, reload)?.run()
}

/// Refuses an inbox that is not there, and folders that lie in each other: the program would read what it writes.
///
/// # Errors
/// [`Failure::Usage`] with what is wrong.
pub fn check_folders(inbox: &Path, results: &Path) -> Result<(), Failure> {
    let usage = |text: String| Err(Failure::Usage(text));
    match fs::metadata(inbox) {
        Ok(metadata) if metadata.is_dir() => {}
        Ok(_) => {
            return usage(format!(
                "the inbox {} is not a folder; name the folder that the photos arrive in",
                inbox.display()
            ));
        }
        Err(error) => {
            return usage(format!(
                "the inbox {} cannot be opened ({error}); create it, or name another with --inbox or in the configuration",
                inbox.display()
            ));
        }
    }
    if fs::symlink_metadata(results).is_ok() && !results.is_dir() {
        return usage(format!(
            "the results folder {} is not a folder; name another with --results or in the configuration",
            results.display()
        ));
    }
    let real_inbox = real(inbox).unwrap_or_else(|_| inbox.to_owned());
    let real_results = real(results).unwrap_or_else(|_| results.to_owned());
    if real_results.starts_with(&real_inbox) {
        return usage(format!(
            "the results folder {} lies in the inbox {}: its pictures would be taken for photos; put it beside the inbox",
            results.display(),
            inbox.display()
        ));
    }
    if real_inbox.starts_with(&real_results) {
        return usage(format!(
            "the inbox {} lies in the results folder {}, which is for results only; put it beside it",
            inbox.display(),
            results.display()
        ));
    }
    Ok(())
}

/// The path without links and dots; what does not exist yet is added to what does.
fn real(path: &Path) -> io::Result<PathBuf> {
    let absolute = std::path::absolute(path)?;
    let mut missing = Vec::new();
    let mut at = absolute.as_path();
    loop {
        match fs::canonicalize(at) {
            Ok(mut found) => {
                found.extend(missing.iter().rev());
                return Ok(found);
            }
            Err(error) => match (at.parent(), at.file_name()) {
                (Some(parent), Some(name)) => {
                    missing.push(name.to_owned());
                    at = parent;
                }
                _ => return Err(error),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_that_lie_in_each_other_are_refused() {
        let parent = tempfile::tempdir().unwrap();
        let at = |name: &str| parent.path().join(name);
        fs::create_dir_all(at("inbox/heron")).unwrap();
        fs::create_dir_all(at("other")).unwrap();
        std::os::unix::fs::symlink(at("inbox"), at("link")).unwrap();
        let refused = |inbox: &str, results: &str| {
            matches!(
                check_folders(&at(inbox), &at(results)),
                Err(Failure::Usage(_))
            )
        };
        assert!(refused("inbox", "inbox"));
        assert!(refused("inbox", "inbox/results"));
        assert!(refused("inbox", "link/heron/results"));
        assert!(refused("link", "inbox/not/there/yet"));
        assert!(refused("inbox", "."));
        assert!(refused("nowhere", "results"));
        assert!(!refused("inbox", "results"));
        assert!(!refused("inbox", "inbox-results"));
        assert!(!refused("inbox", "not/there/yet"));
    }
}
