//! Puts finished results in place: the only code that writes below `results/`.
//!
//! Everything is made under another name in the same folder, brought safely to the disk, and then renamed, so that a
//! reader sees the old or the new and never a part. After a crash, whatever still has such a name is left over and is
//! removed at the next start. Each step can be made to abort or fail by its number, so that tests can try every one.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, RwLock};
use std::time::{Duration, Instant};

use rustix::fs::{CWD, FlockOperation, RenameFlags};
use rustix::io::Errno;

use super::names::MAKING;

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

    fn spring(&self, step: &'static str, path: &Path) -> io::Result<()> {
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

/// The results folder, held against other daemons as long as this lives.
#[derive(Debug)]
pub struct Shelf {
    root: PathBuf,
    lock: File,
    trap: Trap,
    /// Read: something is being put below folders that exist. Write: empty folders are being removed.
    tidying: RwLock<()>,
    made: AtomicU64,
    /// Things under a making name that could not be removed yet.
    left_over: Mutex<Vec<PathBuf>>,
}

/// How long a lock is waited for: a daemon that is being replaced by the next one needs a moment to end.
const LOCK_WAIT: Duration = Duration::from_millis(300);

fn lock(file: &File) -> Result<(), Errno> {
    let deadline = Instant::now() + LOCK_WAIT;
    loop {
        match rustix::fs::flock(file, FlockOperation::NonBlockingLockExclusive) {
            Err(Errno::WOULDBLOCK) if Instant::now() < deadline => {
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
        let trouble = |step, path: &Path| {
            let path = path.to_owned();
            move |source| Trouble { step, path, source }
        };
        trap.spring("create folder", root)
            .and_then(|()| fs::create_dir_all(root))
            .map_err(trouble("create folder", root))?;
        let folder = File::open(root).map_err(trouble("open", root))?;
        // The folder itself is locked, so nothing is left behind in it; some network file systems lock only files.
        let lock = match lock(&folder) {
            Ok(()) => folder,
            Err(Errno::WOULDBLOCK) => return Err(Refusal::Busy(root.to_owned())),
            Err(_) => {
                let path = root.join(".lock");
                let file = OpenOptions::new()
                    .create(true)
                    .truncate(false)
                    .write(true)
                    .open(&path)
                    .map_err(trouble("create lock file", &path))?;
                match lock(&file) {
                    Ok(()) => file,
                    Err(Errno::WOULDBLOCK) => return Err(Refusal::Busy(root.to_owned())),
                    Err(errno) => return Err(trouble("lock", &path)(errno.into()).into()),
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

    /// The steps taken, where the trap records them.
    pub fn journal(&self) -> Vec<String> {
        self.trap.journal()
    }

    /// False where the folder was deleted or replaced since it was opened: then open it again and publish everything.
    pub fn still_stands(&self) -> bool {
        // A lock file is on the same device and lies in the folder; the folder itself is compared directly.
        let (Ok(now), Ok(held)) = (fs::metadata(&self.root), self.lock.metadata()) else {
            return false;
        };
        if held.is_dir() {
            (now.dev(), now.ino()) == (held.dev(), held.ino())
        } else {
            fs::metadata(self.root.join(".lock"))
                .is_ok_and(|file| (file.dev(), file.ino()) == (held.dev(), held.ino()))
        }
    }

    fn step<T>(
        &self,
        step: &'static str,
        path: &Path,
        action: impl FnOnce() -> io::Result<T>,
    ) -> Result<T, Trouble> {
        let done = self.trap.spring(step, path).and_then(|()| action());
        done.map_err(|source| Trouble {
            step,
            path: path.to_owned(),
            source,
        })
    }

    /// A path below the results; refuses one that would leave them.
    fn inside(&self, below: &str) -> Result<PathBuf, Trouble> {
        let stays = below
            .split('/')
            .all(|c| !matches!(c, "" | "." | "..") && !c.contains('\0'));
        let path = self.root.join(below);
        if stays {
            return Ok(path);
        }
        Err(Trouble {
            step: "use a path that leaves the results",
            path,
            source: io::ErrorKind::InvalidInput.into(),
        })
    }

    /// A name in `parent` under which something is made. The process and a counter keep it from any other.
    fn making(&self, parent: &Path) -> PathBuf {
        let n = self.made.fetch_add(1, Ordering::SeqCst);
        parent.join(format!("{MAKING}{}-{n}", std::process::id()))
    }

    /// Makes `folder` and those above it, up to the results. A link in the way is refused: it could lead outside.
    fn make_folders(&self, folder: &Path) -> Result<(), Trouble> {
        let mut missing = Vec::new();
        let mut at = folder;
        while at != self.root {
            match fs::symlink_metadata(at) {
                Ok(metadata) if metadata.is_dir() => break,
                Ok(_) => {
                    return Err(Trouble {
                        step: "use as a folder",
                        path: at.to_owned(),
                        source: io::ErrorKind::NotADirectory.into(),
                    });
                }
                Err(_) => missing.push(at.to_owned()),
            }
            at = at.parent().unwrap_or(&self.root);
        }
        for folder in missing.into_iter().rev() {
            self.step("create folder", &folder, || match fs::create_dir(&folder) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(()),
                other => other,
            })?;
            self.sync_folder(folder.parent().unwrap_or(&self.root))?;
        }
        Ok(())
    }

    fn sync_folder(&self, folder: &Path) -> Result<(), Trouble> {
        self.step("sync folder", folder, || {
            match File::open(folder)?.sync_all() {
                // Some network file systems have no such thing for folders.
                Err(error) if error.kind() == io::ErrorKind::InvalidInput => Ok(()),
                other => other,
            }
        })
    }

    fn write_new(&self, path: &Path, bytes: &[u8]) -> Result<(), Trouble> {
        let mut file = self.step("create", path, || {
            OpenOptions::new()
                .write(true)
                .create_new(true)
                .mode(0o666)
                .open(path)
        })?;
        self.step("write", path, || file.write_all(bytes))?;
        self.step("sync", path, || file.sync_all())
    }

    /// Publishes a photo's folder: afterwards `folder` holds exactly `files` (name, content).
    ///
    /// Returns false where it already did.
    ///
    /// # Errors
    /// On the first step that fails; what stood there before still stands.
    pub fn put_folder(&self, folder: &str, files: &[(String, Vec<u8>)]) -> Result<bool, Trouble> {
        let _shared = self.tidying.read();
        let target = self.inside(folder)?;
        let parent = target.parent().unwrap_or(&self.root).to_owned();
        if holds_exactly(&target, files) {
            return Ok(false);
        }
        self.make_folders(&parent)?;
        let making = self.making(&parent);
        let made = self
            .step("create folder", &making, || fs::create_dir(&making))
            .and_then(|()| {
                for (name, bytes) in files {
                    self.inside(name)?;
                    self.write_new(&making.join(name), bytes)?;
                }
                self.sync_folder(&making)?;
                self.swap(&making, &target)?;
                self.sync_folder(&parent)
            });
        // Now the old folder, or what could not be finished.
        self.clear_or_remember(&making);
        made.map(|()| true)
    }

    /// Puts `making` where `target` is; what was there gets the other's name.
    fn swap(&self, making: &Path, target: &Path) -> Result<(), Trouble> {
        let rename = |flags| {
            rustix::fs::renameat_with(CWD, making, CWD, target, flags).map_err(io::Error::from)
        };
        self.step("rename", target, || {
            let unsupported = |error: &io::Error| {
                [Errno::INVAL, Errno::NOSYS, Errno::OPNOTSUPP]
                    .iter()
                    .any(|e| error.raw_os_error() == Some(e.raw_os_error()))
            };
            if fs::symlink_metadata(target).is_err() {
                return fs::rename(making, target);
            }
            match rename(RenameFlags::EXCHANGE) {
                // The file system cannot exchange: for a moment there is no folder, but never half of one.
                Err(error) if unsupported(&error) => {
                    let old = self.making(target.parent().unwrap_or(&self.root));
                    fs::rename(target, &old)?;
                    fs::rename(making, target)?;
                    fs::rename(&old, making)
                }
                other => other,
            }
        })
    }

    /// Removes whatever `path` is, without following links.
    fn clear(&self, path: &Path) -> Result<(), Trouble> {
        let Ok(metadata) = fs::symlink_metadata(path) else {
            return Ok(());
        };
        self.step("remove", path, || {
            if metadata.is_dir() {
                fs::remove_dir_all(path)
            } else {
                fs::remove_file(path)
            }
        })
    }

    /// Nobody reads what has a making name, so its removal can wait.
    fn clear_or_remember(&self, path: &Path) {
        if self.clear(path).is_err()
            && let Ok(mut left_over) = self.left_over.lock()
        {
            left_over.push(path.to_owned());
        }
    }

    /// Removes what could not be removed when it should have been. Call from time to time.
    pub fn tidy(&self) {
        let paths = match self.left_over.lock() {
            Ok(mut left_over) => std::mem::take(&mut *left_over),
            Err(_) => return,
        };
        for path in paths {
            self.clear_or_remember(&path);
        }
    }

    /// Publishes one file, only if its content differs.
    ///
    /// Where `clock` is given, a difference in just that text, wherever `bytes` hold it, does not count: a page that
    /// states when it was written is not written again for that alone.
    ///
    /// # Errors
    /// On the first step that fails; what stood there before still stands.
    pub fn put_file(&self, path: &str, bytes: &[u8], clock: Option<&str>) -> Result<bool, Trouble> {
        let _shared = self.tidying.read();
        let target = self.inside(path)?;
        let same = |old: &[u8]| old == bytes || clock.is_some_and(|c| same_but_for(old, bytes, c));
        if read_same_length(&target, bytes.len()).is_some_and(|old| same(&old)) {
            return Ok(false);
        }
        let parent = target.parent().unwrap_or(&self.root).to_owned();
        self.make_folders(&parent)?;
        let making = self.making(&parent);
        let made = self.write_new(&making, bytes).and_then(|()| {
            self.step("rename", &target, || fs::rename(&making, &target))?;
            self.sync_folder(&parent)
        });
        if made.is_err() {
            self.clear_or_remember(&making);
        }
        made.map(|()| true)
    }

    /// Takes away a photo's folder or a single file, and the folders above that are empty then.
    ///
    /// Folders inside it stay: they are other photos' results. A reader sees the folder or does not.
    ///
    /// # Errors
    /// On the first step that fails; try again later.
    pub fn remove(&self, path: &str) -> Result<(), Trouble> {
        let _alone = self.tidying.write();
        let target = self.inside(path)?;
        let Ok(metadata) = fs::symlink_metadata(&target) else {
            return Ok(());
        };
        let parent = target.parent().unwrap_or(&self.root).to_owned();
        if metadata.is_dir() && has_folders(&target) {
            // `quality.json` first: without it the rest is no photo's folder any more.
            for name in std::iter::once("quality.json".into()).chain(file_names(&target)) {
                self.clear(&target.join(name))?;
            }
        } else {
            let making = self.making(&parent);
            self.step("rename", &target, || fs::rename(&target, &making))?;
            self.sync_folder(&parent)?;
            self.clear_or_remember(&making);
        }
        let mut at = parent.as_path();
        while at != self.root && fs::remove_dir(at).is_ok() {
            at = at.parent().unwrap_or(&self.root);
        }
        Ok(())
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

    /// Every published folder (one with a `quality.json`) with that file's bytes, and every other file's path.
    pub fn inventory(&self) -> Inventory {
        let mut inventory = Inventory::default();
        let mut folders = vec![String::new()];
        while let Some(folder) = folders.pop() {
            let at = self.root.join(&folder);
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

    /// True where the folder still has its `quality.json`.
    pub fn has(&self, folder: &str) -> bool {
        fs::symlink_metadata(self.root.join(folder).join("quality.json")).is_ok()
    }

    /// True where a single file is still there.
    pub fn has_file(&self, path: &str) -> bool {
        fs::symlink_metadata(self.root.join(path)).is_ok()
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

fn file_names(folder: &Path) -> Vec<std::ffi::OsString> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter(|entry| entry.file_type().is_ok_and(|t| !t.is_dir()))
        .map(|entry| entry.file_name())
        .collect()
}

fn has_folders(folder: &Path) -> bool {
    let mut entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries.any(|entry| entry.file_type().is_ok_and(|t| t.is_dir()))
}

fn holds_exactly(folder: &Path, files: &[(String, Vec<u8>)]) -> bool {
    let n_entries = fs::read_dir(folder).map_or(usize::MAX, Iterator::count);
    n_entries == files.len()
        && files.iter().all(|(name, bytes)| {
            read_same_length(&folder.join(name), bytes.len()).is_some_and(|old| old == *bytes)
        })
}

/// The content of a plain file, only where it has the given length: spares reading what must differ.
fn read_same_length(path: &Path, length: usize) -> Option<Vec<u8>> {
    let metadata = fs::symlink_metadata(path).ok()?;
    if !metadata.is_file() || metadata.len() != length as u64 {
        return None;
    }
    let mut bytes = Vec::with_capacity(length);
    File::open(path).ok()?.read_to_end(&mut bytes).ok()?;
    Some(bytes)
}

/// True where `old` and `new` differ in nothing but the places where `new` holds `clock`.
fn same_but_for(old: &[u8], new: &[u8], clock: &str) -> bool {
    if old.len() != new.len() || clock.is_empty() {
        return false;
    }
    let mut at = 0;
    while at < new.len() {
        if new[at..].starts_with(clock.as_bytes()) {
            at += clock.len();
        } else if new[at] != old[at] {
            return false;
        } else {
            at += 1;
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    fn files(pairs: &[(&str, &str)]) -> Vec<(String, Vec<u8>)> {
        pairs
            .iter()
            .map(|(name, text)| ((*name).to_owned(), text.as_bytes().to_vec()))
            .collect()
    }

    fn tree(root: &Path) -> Vec<String> {
        let mut all = Vec::new();
        let mut folders = vec![root.to_owned()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(folder).unwrap().flatten() {
                let path = entry.path();
                let name = path.strip_prefix(root).unwrap().display().to_string();
                if path.is_dir() {
                    all.push(format!("{name}/"));
                    folders.push(path);
                } else {
                    all.push(format!("{name}={}", fs::read_to_string(&path).unwrap()));
                }
            }
        }
        all.sort();
        all
    }

    #[test]
    fn a_folder_is_made_replaced_and_taken_away() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        let first = files(&[("quality.json", "1"), ("spectrum.csv", "s")]);
        assert!(shelf.put_folder("heron/late/a.jpg", &first).unwrap());
        assert!(
            !shelf.put_folder("heron/late/a.jpg", &first).unwrap(),
            "nothing new"
        );
        let second = files(&[("quality.json", "2")]);
        assert!(shelf.put_folder("heron/late/a.jpg", &second).unwrap());
        assert_eq!(
            tree(root.path()),
            [
                "heron/",
                "heron/late/",
                "heron/late/a.jpg/",
                "heron/late/a.jpg/quality.json=2"
            ]
        );
        shelf.remove("heron/late/a.jpg").unwrap();
        assert!(tree(root.path()).is_empty());
    }

    #[test]
    fn each_file_is_safe_on_the_disk_before_it_gets_its_name_and_the_name_before_it_counts() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::recording()).unwrap();
        shelf
            .put_folder(
                "heron/a.jpg",
                &files(&[("quality.json", "1"), ("peaks.csv", "p")]),
            )
            .unwrap();
        shelf.put_file("quality.csv", b"photo", None).unwrap();
        let steps: Vec<String> = shelf
            .journal()
            .iter()
            .map(|line| {
                let (step, path) = line.rsplit_once(' ').unwrap();
                let path = Path::new(path)
                    .strip_prefix(root.path())
                    .unwrap()
                    .to_owned();
                let made = path.display().to_string().contains(MAKING);
                let name = path.file_name().unwrap_or_default().display().to_string();
                let name = if made && name.starts_with(MAKING) {
                    "NEW"
                } else {
                    &name
                };
                format!("{step} {name}").trim().to_owned()
            })
            .collect();
        assert_eq!(
            steps,
            [
                "create folder",
                "create folder heron",
                "sync folder",
                "create folder NEW",
                "create quality.json",
                "write quality.json",
                "sync quality.json",
                "create peaks.csv",
                "write peaks.csv",
                "sync peaks.csv",
                "sync folder NEW",
                "rename a.jpg",
                "sync folder heron",
                "create NEW",
                "write NEW",
                "sync NEW",
                "rename quality.csv",
                "sync folder",
            ]
        );
    }

    #[test]
    fn whatever_step_fails_the_old_or_the_new_stands_and_nothing_is_left_over() {
        let old = files(&[("quality.json", "old"), ("peaks.csv", "old")]);
        let new = files(&[("quality.json", "new"), ("spectrum.csv", "new")]);
        let mut n_failed = 0;
        for from in 1.. {
            let root = tempfile::tempdir().unwrap();
            let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
            shelf.put_folder("heron/a.jpg", &old).unwrap();
            shelf.put_file("quality.csv", b"old", None).unwrap();
            let before = tree(root.path());
            drop(shelf);

            let failure = Failure {
                from: from + 1,
                until: from + 2,
                errno: Errno::NOSPC.raw_os_error(),
            };
            let shelf = Shelf::open(root.path(), Trap::failing(failure)).unwrap();
            let put = shelf
                .put_folder("heron/a.jpg", &new)
                .and_then(|_| shelf.put_file("quality.csv", b"new", None));
            let failed = put.is_err();
            if let Err(trouble) = put {
                assert!(trouble.concerns_everything(), "{trouble}");
                n_failed += 1;
            }
            let quality = fs::read_to_string(root.path().join("heron/a.jpg/quality.json")).unwrap();
            let n_files = fs::read_dir(root.path().join("heron/a.jpg"))
                .unwrap()
                .count();
            assert!(quality == "old" || quality == "new");
            assert_eq!(n_files, 2, "step {from}: {:?}", tree(root.path()));
            // The disk has room again, and no restart is needed to clean up.
            shelf.tidy();
            shelf.put_folder("heron/a.jpg", &new).unwrap();
            shelf.put_file("quality.csv", b"new", None).unwrap();
            let after = tree(root.path());
            assert_ne!(before, after);
            assert!(after.iter().all(|name| !name.contains(MAKING)), "{after:?}");
            if !failed {
                break;
            }
        }
        assert!(n_failed >= 10, "{n_failed} steps were tried");
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
    fn links_and_dots_do_not_lead_outside() {
        let parent = tempfile::tempdir().unwrap();
        let outside = parent.path().join("outside");
        fs::create_dir(&outside).unwrap();
        let root = parent.path().join("results");
        let shelf = Shelf::open(&root, Trap::default()).unwrap();
        std::os::unix::fs::symlink(&outside, root.join("heron")).unwrap();
        let one = files(&[("quality.json", "1")]);
        assert!(shelf.put_folder("heron/a.jpg", &one).is_err());
        assert!(shelf.put_folder("../outside/a.jpg", &one).is_err());
        assert!(shelf.put_folder("", &one).is_err());
        assert!(
            shelf
                .put_folder("dunlin/a.jpg", &files(&[("../b", "1")]))
                .is_err()
        );
        assert!(shelf.put_file("/etc/x", b"1", None).is_err());
        assert_eq!(fs::read_dir(&outside).unwrap().count(), 0);
    }

    #[test]
    fn another_photo_s_folder_inside_a_removed_one_stays() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        shelf
            .put_folder(
                "heron/x",
                &files(&[("quality.json", "1"), ("photo.log", "l")]),
            )
            .unwrap();
        shelf
            .put_folder("heron/x/b.jpg", &files(&[("quality.json", "2")]))
            .unwrap();
        shelf.remove("heron/x").unwrap();
        assert_eq!(
            tree(root.path()),
            [
                "heron/",
                "heron/x/",
                "heron/x/b.jpg/",
                "heron/x/b.jpg/quality.json=2"
            ]
        );
    }

    #[test]
    fn a_page_is_not_written_again_for_its_clock_alone() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        let page = |clock: &str, n: u32| format!("<p>{clock}</p><b>{n}</b><p>{clock}</p>");
        let put =
            |clock: &str, n| shelf.put_file("board.html", page(clock, n).as_bytes(), Some(clock));
        assert!(put("10:00:00", 1).unwrap());
        assert!(!put("10:00:07", 1).unwrap());
        assert!(put("10:00:09", 2).unwrap());
    }

    #[test]
    fn leftovers_of_a_crash_are_removed_and_the_rest_is_found() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        shelf
            .put_folder("heron/a.jpg", &files(&[("quality.json", "1")]))
            .unwrap();
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
