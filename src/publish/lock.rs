//! Locks on folders, by which several of this program's processes keep out of each other's way. They are the system's: a killed
//! process holds none.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::system::file_numbers;

use super::names::LOCK;
use super::trap::{Trap, Trouble};

/// Why the results folder cannot be used at all.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// Somebody else holds the lock.
    #[error(
        "{path}: another slitwatch is at work on these results; stop it, or give this one another folder with --results",
        path = .0.display()
    )]
    Busy(PathBuf),
    /// Cannot be created, opened or locked.
    #[error(transparent)]
    Trouble(#[from] Trouble),
}

/// How long a lock is waited for: a daemon that is being replaced by the next one needs a moment to end.
const LOCK_WAIT: Duration = Duration::from_millis(300);

/// Whether others may hold it, too.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// Nobody.
    Alone,
    /// All who ask for it in this way.
    BesideOthers,
}

/// A folder that is held as long as this lives.
pub struct Locked {
    file: File,
    /// What is locked: the folder, or a file in it.
    path: PathBuf,
    /// True where the folder goes with its lock.
    is_passing: bool,
}

impl Locked {
    /// Locks a folder, which is created where it is missing.
    pub fn folder(folder: &Path, trap: &Trap, how: How) -> Result<Locked, Refusal> {
        loop {
            let locked = Locked::once(folder, trap, how)?;
            // Whoever held it before may have taken the folder away.
            if locked.still_stands() {
                return Ok(locked);
            }
        }
    }

    /// Locks a folder alone that goes with its lock where nothing else stands in it.
    pub fn passing(folder: &Path, trap: &Trap) -> Result<Locked, Refusal> {
        let mut locked = Locked::folder(folder, trap, How::Alone)?;
        locked.is_passing = true;
        Ok(locked)
    }

    fn once(folder: &Path, trap: &Trap, how: How) -> Result<Locked, Refusal> {
        let trouble = |step, path| move |source: io::Error| Trouble::new(step, path, source);
        trap.spring("create folder", folder)
            .and_then(|()| fs::create_dir_all(folder))
            .map_err(trouble("create folder", folder))?;
        let file = File::open(folder).map_err(trouble("open", folder))?;
        // The folder itself is locked, so nothing is left behind in it; some network file systems lock only files.
        match lock(&file, how) {
            Ok(()) => return Ok(Locked::of(file, folder.to_owned())),
            Err(TryLockError::WouldBlock) => return Err(Refusal::Busy(folder.to_owned())),
            Err(_) => {}
        }
        let path = folder.join(LOCK);
        let mut options = OpenOptions::new();
        options.create(true).truncate(false).read(true).write(true);
        let file = options
            .open(&path)
            .map_err(trouble("create lock file", &path))?;
        match lock(&file, how) {
            Ok(()) => Ok(Locked::of(file, path)),
            Err(TryLockError::WouldBlock) => Err(Refusal::Busy(folder.to_owned())),
            Err(TryLockError::Error(error)) => Err(trouble("lock", &path)(error).into()),
        }
    }

    fn of(file: File, path: PathBuf) -> Locked {
        Locked {
            file,
            path,
            is_passing: false,
        }
    }

    /// False where what is locked was deleted or replaced meanwhile.
    pub fn still_stands(&self) -> bool {
        let (Ok(now), Ok(held)) = (fs::metadata(&self.path), self.file.metadata()) else {
            return false;
        };
        let (now, held) = (file_numbers(&now), file_numbers(&held));
        (now.device, now.number) == (held.device, held.number)
    }
}

impl Drop for Locked {
    fn drop(&mut self) {
        if !self.is_passing {
            return;
        }
        // Whoever waits for the lock looks whether it still stands. What cannot be taken away is cleared like anything that a
        // killed process leaves over.
        let is_file = self.path.ends_with(LOCK);
        let folder = self.path.parent().filter(|_| is_file);
        let folder = folder.unwrap_or(&self.path);
        let is_alone = fs::read_dir(folder).is_ok_and(|all| all.count() == usize::from(is_file));
        if is_alone {
            let _ = fs::remove_dir_all(folder);
        }
    }
}

fn lock(file: &File, how: How) -> Result<(), TryLockError> {
    let deadline = Instant::now() + LOCK_WAIT;
    loop {
        let locked = match how {
            How::Alone => file.try_lock(),
            How::BesideOthers => file.try_lock_shared(),
        };
        match locked {
            Err(TryLockError::WouldBlock) if Instant::now() < deadline => {
                std::thread::sleep(Duration::from_millis(20));
            }
            other => return other,
        }
    }
}
