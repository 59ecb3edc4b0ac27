//! The steps that change the disk, counted, so that tests can make each of them abort or fail; and what a failed step
//! says.

use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use crate::system::disk_is_at_fault;

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
    /// `step` was to be done to `path`.
    pub(super) fn new(step: &'static str, path: &Path, source: impl Into<io::Error>) -> Trouble {
        let (path, source) = (path.to_owned(), source.into());
        Trouble { step, path, source }
    }

    /// True where the disk as a whole is the cause, so that trying other photos is of no use for now.
    pub fn concerns_everything(&self) -> bool {
        use io::ErrorKind as K;
        matches!(
            self.source.kind(),
            K::StorageFull | K::QuotaExceeded | K::ReadOnlyFilesystem | K::StaleNetworkFileHandle
        ) || disk_is_at_fault(&self.source)
    }
}

/// What happens at a step, of which it is told number (from 1 over everything that changes the disk), name and path.
type Spring = dyn Fn(u64, &'static str, &Path) -> io::Result<()> + Send + Sync;

/// Counts the steps; one that springs can abort at a step, give an error in its place, or note it.
#[derive(Default)]
pub struct Trap {
    count: AtomicU64,
    at_each: Option<Box<Spring>>,
}

impl Trap {
    /// A trap that does this at each step of publishing.
    pub fn new(
        at_each: impl Fn(u64, &'static str, &Path) -> io::Result<()> + Send + Sync + 'static,
    ) -> Trap {
        Trap {
            at_each: Some(Box::new(at_each)),
            ..Trap::default()
        }
    }

    /// No trap, unless `SLITWATCH_CRASH_AT=n` asks for an abort before the n-th step.
    pub fn from_environment() -> Trap {
        let crash_at = std::env::var("SLITWATCH_CRASH_AT").ok();
        let Some(crash_at) = crash_at.and_then(|n| n.parse::<u64>().ok()) else {
            return Trap::default();
        };
        Trap::new(move |n, step, path| {
            if n == crash_at {
                let path = path.display();
                eprintln!("SLITWATCH_CRASH_AT: abort before step {n}, {step} {path}");
                std::process::abort();
            }
            Ok(())
        })
    }

    /// Gives the system's error of this number in these steps.
    pub fn failing(steps: Range<u64>, errno: i32) -> Trap {
        Trap::new(move |n, _, _| match steps.contains(&n) {
            true => Err(io::Error::from_raw_os_error(errno)),
            false => Ok(()),
        })
    }

    pub(super) fn spring(&self, step: &'static str, path: &Path) -> io::Result<()> {
        let n = self.count.fetch_add(1, Ordering::SeqCst) + 1;
        let at_each = self.at_each.as_ref();
        at_each.map_or(Ok(()), |at_each| at_each(n, step, path))
    }
}
