//! The results folder as a whole: held against other daemons, its stock taken, and cleared of what a crash left over.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicU64;
use std::sync::{Mutex, RwLock};
use std::time::{Duration, Instant};

use crate::system::file_numbers;

use super::names::{CLOSED, LOCK, MAKING};
use super::trap::{Trap, Trouble};

/// Why the results folder cannot be used at all.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// Somebody else holds the lock.
    #[error(
        "{path}: another slitwatch is at work on this results folder; stop it, or give this one another folder with --results",
        path = .0.display()
    )]
    Busy(PathBuf),
    /// Cannot be created, opened or locked.
    #[error(transparent)]
    Trouble(#[from] Trouble),
}

/// The results folder, held against other daemons as long as this lives.
pub struct Shelf {
    pub(super) root: PathBuf,
    pub(super) lock: File,
    pub(super) trap: Trap,
    /// Read: something is being put below folders that exist. Write: empty folders are being removed.
    pub(super) tidying: RwLock<()>,
    pub(super) made: AtomicU64,
    /// Things under a making name that could not be removed yet.
    pub(super) left_over: Mutex<Vec<PathBuf>>,
}

/// How long a lock is waited for: a daemon that is being replaced by the next one needs a moment to end.
const LOCK_WAIT: Duration = Duration::from_millis(300);

fn lock(file: &File) -> Result<(), TryLockError> {
    let deadline = Instant::now() + LOCK_WAIT;
    loop {
        match file.try_lock() {
            Err(TryLockError::WouldBlock) if Instant::now() < deadline => {
                std::thread::sleep(Duration::from_millis(20));
            }
            other => return other,
        }
    }
}

impl Shelf {
    /// Opens the folder, creating it where it is missing, and locks it.
    ///
    /// # Errors
    /// Where another process holds it, or it cannot be created, opened or locked.
    pub fn open(root: &Path, trap: Trap) -> Result<Shelf, Refusal> {
        let trouble = |step, path| move |source: io::Error| Trouble::new(step, path, source);
        trap.spring("create folder", root)
            .and_then(|()| fs::create_dir_all(root))
            .map_err(trouble("create folder", root))?;
        let folder = File::open(root).map_err(trouble("open", root))?;
        // The folder itself is locked, so nothing is left behind in it; some network file systems lock only files.
        let lock = match lock(&folder) {
            Ok(()) => folder,
            Err(TryLockError::WouldBlock) => return Err(Refusal::Busy(root.to_owned())),
            Err(_) => {
                let path = root.join(LOCK);
                let file = OpenOptions::new()
                    .create(true)
                    .truncate(false)
                    .write(true)
                    .open(&path)
                    .map_err(trouble("create lock file", &path))?;
                match lock(&file) {
                    Ok(()) => file,
                    Err(TryLockError::WouldBlock) => return Err(Refusal::Busy(root.to_owned())),
                    Err(TryLockError::Error(error)) => {
                        return Err(trouble("lock", &path)(error).into());
                    }
                }
            }
        };
        Ok(Shelf {
            root: root.to_owned(),
            lock,
            trap,
            tidying: RwLock::new(()),
            made: AtomicU64::new(0),
            left_over: Mutex::default(),
        })
    }

    /// The folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// False where the folder was deleted or replaced since it was opened: then open it again and publish everything.
    pub fn still_stands(&self) -> bool {
        // A lock file is on the same device and lies in the folder; the folder itself is compared directly.
        let (Ok(now), Ok(held)) = (fs::metadata(&self.root), self.lock.metadata()) else {
            return false;
        };
        let is_held = |found: &fs::Metadata| {
            let (found, held) = (file_numbers(found), file_numbers(&held));
            (found.device, found.number) == (held.device, held.number)
        };
        if held.is_dir() {
            is_held(&now)
        } else {
            fs::metadata(self.root.join(LOCK)).is_ok_and(|file| is_held(&file))
        }
    }

    pub(super) fn step<T>(
        &self,
        step: &'static str,
        path: &Path,
        action: impl FnOnce() -> io::Result<T>,
    ) -> Result<T, Trouble> {
        let done = self.trap.spring(step, path).and_then(|()| action());
        done.map_err(|source| Trouble::new(step, path, source))
    }

    /// A path below the results; refuses one that would leave them.
    pub(super) fn inside(&self, below: &str) -> Result<PathBuf, Trouble> {
        let stays = below
            .split('/')
            .all(|c| !matches!(c, "" | "." | "..") && !c.contains('\0'));
        let path = self.root.join(below);
        if stays {
            return Ok(path);
        }
        let step = "use a path that leaves the results";
        Err(Trouble::new(step, &path, io::ErrorKind::InvalidInput))
    }

    /// Removes what a crash left over: everything under a making name, and empty folders.
    ///
    /// # Errors
    /// On the first step that fails.
    pub fn remove_leftovers(&self) -> Result<usize, Trouble> {
        let _alone = self.tidying.write();
        let mut n = 0;
        self.remove_leftovers_in(&self.root, &mut n)?;
        Ok(n)
    }

    fn remove_leftovers_in(&self, folder: &Path, n: &mut usize) -> Result<(), Trouble> {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if entry.file_name().to_string_lossy().starts_with(MAKING) {
                self.clear(&path)?;
                *n += 1;
            } else if entry.file_type().is_ok_and(|t| t.is_dir()) {
                self.remove_leftovers_in(&path, n)?;
                // Succeeds only on an empty folder.
                if fs::remove_dir(&path).is_ok() {
                    *n += 1;
                }
            }
        }
        Ok(())
    }

    /// What stands below the results.
    pub fn inventory(&self) -> Inventory {
        Inventory::of(&self.root)
    }

    /// True where the folder still has its `quality.json`.
    pub fn has(&self, folder: &str) -> bool {
        fs::symlink_metadata(self.root.join(folder).join("quality.json")).is_ok()
    }

    /// True where a single file is still there.
    pub fn has_file(&self, path: &str) -> bool {
        fs::symlink_metadata(self.root.join(path)).is_ok()
    }

    /// The first bytes of a published file, at most `n`, where it is there.
    pub fn read_head(&self, path: &str, n: usize) -> Option<Vec<u8>> {
        read_head(&self.inside(path).ok()?, n)
    }

    /// A published file's content, where it is there.
    pub fn read(&self, path: &str) -> Option<Vec<u8>> {
        fs::read(self.inside(path).ok()?).ok()
    }
}

/// What stands below `results/`.
#[derive(Debug, Default)]
pub struct Inventory {
    /// Photos' folders, with the content of their `quality.json`.
    pub folders: BTreeMap<String, Vec<u8>>,
    /// Other files, outside photos' folders.
    pub files: Vec<String>,
}

impl Inventory {
    /// Every published folder (one with a `quality.json`) below `root` with that file's bytes, and every other file's path.
    pub fn of(root: &Path) -> Inventory {
        let mut inventory = Inventory::default();
        let mut folders = vec![String::new()];
        while let Some(folder) = folders.pop() {
            let at = root.join(&folder);
            let quality = (!folder.is_empty())
                .then(|| fs::read(at.join("quality.json")).ok())
                .flatten();
            let is_photo = quality.is_some();
            if let Some(bytes) = quality {
                inventory.folders.insert(folder.clone(), bytes);
            }
            for entry in fs::read_dir(&at).into_iter().flatten().flatten() {
                // Everything written here has a UTF-8 name; anything else is not ours.
                let Ok(name) = entry.file_name().into_string() else {
                    continue;
                };
                let path = if folder.is_empty() {
                    name
                } else {
                    format!("{folder}/{name}")
                };
                match entry.file_type() {
                    Ok(t) if t.is_dir() => folders.push(path),
                    Ok(t) if t.is_file() && !is_photo => inventory.files.push(path),
                    _ => {}
                }
            }
        }
        inventory.files.sort();
        inventory
    }

    /// Folders of the sessions that are closed.
    pub fn closed(&self) -> BTreeSet<String> {
        let files = self.files.iter().filter_map(|path| path.split_once('/'));
        let closed = files.filter(|(_, name)| *name == CLOSED);
        closed.map(|(folder, _)| folder.to_owned()).collect()
    }
}

/// The first bytes of a file, at most `n`, where it is there.
pub fn read_head(path: &Path, n: usize) -> Option<Vec<u8>> {
    let mut head = Vec::with_capacity(n);
    let file = File::open(path).ok()?;
    file.take(n as u64).read_to_end(&mut head).ok()?;
    Some(head)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(text: &str) -> Vec<(String, Vec<u8>)> {
        vec![("quality.json".to_owned(), text.as_bytes().to_vec())]
    }

    #[test]
    fn a_second_daemon_is_refused_and_the_first_one_s_end_frees_the_folder() {
        let root = tempfile::tempdir().unwrap();
        let first = Shelf::open(root.path(), Trap::default()).unwrap();
        let second = Shelf::open(root.path(), Trap::default());
        assert!(matches!(second, Err(Refusal::Busy(_))));
        drop(first);
        Shelf::open(root.path(), Trap::default()).unwrap();
    }

    #[test]
    fn a_results_folder_that_was_replaced_is_noticed() {
        let parent = tempfile::tempdir().unwrap();
        let root = parent.path().join("results");
        let shelf = Shelf::open(&root, Trap::default()).unwrap();
        assert!(shelf.still_stands());
        fs::rename(&root, parent.path().join("old")).unwrap();
        assert!(!shelf.still_stands());
        fs::create_dir(&root).unwrap();
        assert!(!shelf.still_stands());
    }

    #[test]
    fn leftovers_of_a_crash_are_removed_and_the_rest_is_found() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        shelf.put_folder("heron/a.jpg", &one("1")).unwrap();
        shelf.put_file("heron/index.html", b"page", None).unwrap();
        fs::create_dir_all(root.path().join("heron/.making-77-0")).unwrap();
        fs::write(root.path().join("heron/.making-77-0/quality.json"), "x").unwrap();
        fs::write(root.path().join(".making-77-1"), "x").unwrap();
        fs::create_dir_all(root.path().join("dunlin/late")).unwrap();
        assert_eq!(shelf.remove_leftovers().unwrap(), 4);
        let inventory = shelf.inventory();
        assert_eq!(
            inventory.folders.keys().collect::<Vec<_>>(),
            ["heron/a.jpg"]
        );
        assert_eq!(inventory.files, ["heron/index.html"]);
        assert!(!root.path().join("dunlin").exists());
    }
}
