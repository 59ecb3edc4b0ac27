//! The steps that change the disk, counted, so that tests can make each of them abort or fail; and what a failed step
//! says.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use rustix::io::Errno;

/// Why something could not be put in place, with what and where.
#[derive(Debug, thiserror::Error)]
#[error("{path}: cannot {step}: {source}", path = path.display())]
pub struct Trouble {
    /// What was to be done: `write`, `rename`, ….
    pub step: &'static str,
    /// To what.
    pub path: PathBuf,
    /// Why not.
    pub source: io::Error,
}

impl Trouble {
    /// True where the disk as a whole is the cause, so that trying other photos is of no use for now.
    pub fn concerns_everything(&self) -> bool {
        use io::ErrorKind as K;
        let errno = self.source.raw_os_error();
        matches!(
            self.source.kind(),
            K::StorageFull | K::QuotaExceeded | K::ReadOnlyFilesystem | K::StaleNetworkFileHandle
        ) || errno == Some(Errno::IO.raw_os_error())
    }
}

/// Aborts or fails at a step given by its number, counted from 1 over everything that changes the disk.
#[derive(Debug, Default)]
pub struct Trap {
    count: AtomicU64,
    crash_at: Option<u64>,
    fail: Option<Failure>,
    journal: Option<Mutex<Vec<String>>>,
}

/// An error to be given back instead of doing a step.
#[derive(Clone, Copy, Debug)]
pub struct Failure {
    /// First step that fails.
    pub from: u64,
    /// First step that does not fail any more.
    pub until: u64,
    /// The system's number of the error.
    pub errno: i32,
}

impl Trap {
    /// No trap, unless `SLITWATCH_CRASH_AT=n` asks for an abort before the n-th step.
    pub fn from_environment() -> Trap {
        let crash_at = std::env::var("SLITWATCH_CRASH_AT").ok();
        Trap {
            crash_at: crash_at.and_then(|n| n.parse().ok()),
            ..Trap::default()
        }
    }

    /// Gives an error in some steps.
    pub fn failing(failure: Failure) -> Trap {
        Trap {
            fail: Some(failure),
            ..Trap::default()
        }
    }

    /// Keeps a list of the steps taken, each `step path`.
    pub fn recording() -> Trap {
        Trap {
            journal: Some(Mutex::default()),
            ..Trap::default()
        }
    }

    /// The steps taken, where they are recorded.
    pub fn journal(&self) -> Vec<String> {
        let journal = self.journal.as_ref();
        journal.map_or_else(Vec::new, |j| {
            j.lock().map_or_else(|_| Vec::new(), |j| j.clone())
        })
    }

    pub(super) fn spring(&self, step: &'static str, path: &Path) -> io::Result<()> {
        let n = self.count.fetch_add(1, Ordering::SeqCst) + 1;
        if self.crash_at == Some(n) {
            eprintln!(
                "SLITWATCH_CRASH_AT: abort before step {n}, {step} {}",
                path.display()
            );
            std::process::abort();
        }
        if let Some(fail) = self.fail.filter(|f| (f.from..f.until).contains(&n)) {
            return Err(io::Error::from_raw_os_error(fail.errno));
        }
        if let Some(journal) = &self.journal
            && let Ok(mut journal) = journal.lock()
        {
            journal.push(format!("{step} {}", path.display()));
        }
        Ok(())
    }
}
