//! The results folder as a whole: held against other daemons, its stock taken, and cleared of what a crash left over.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicU64;
use std::sync::{Mutex, RwLock};

use super::lock::{How, Locked, Refusal};
use super::names::{CLOSED, INDEX_LOCK, MAKING};
use super::trap::{Trap, Trouble};

/// What of the results somebody makes, and holds against others meanwhile.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Held {
    /// All of it: nobody else may make anything.
    All,
    /// The session in this folder. Others may make other sessions.
    Session(String),
    /// What spans the sessions. Others may make sessions.
    Index,
}

/// The results folder, held against others as long as this lives.
pub struct Shelf {
    pub(super) root: PathBuf,
    part: Held,
    /// Keeps whoever makes all of it away.
    lock: Locked,
    /// Keeps others away from the part of it that is made.
    _own: Option<Locked>,
    pub(super) trap: Trap,
    /// Read: something is being put below folders that exist. Write: empty folders are being removed.
    pub(super) tidying: RwLock<()>,
    pub(super) made: AtomicU64,
    /// Things under a making name that could not be removed yet.
    pub(super) left_over: Mutex<Vec<PathBuf>>,
}

impl Shelf {
    /// Opens the folder, creating it where it is missing, and locks all of it.
    ///
    /// # Errors
    /// Where another process holds it, or it cannot be created, opened or locked.
    pub fn open(root: &Path, trap: Trap) -> Result<Shelf, Refusal> {
        Shelf::open_part(root, Held::All, trap)
    }

    /// Opens a part of the results, such as one session, and holds that alone.
    ///
    /// # Errors
    /// As [`Shelf::open`].
    pub fn open_part(root: &Path, part: Held, trap: Trap) -> Result<Shelf, Refusal> {
        let lock = match &part {
            Held::All => Locked::folder(root, &trap, How::Alone)?,
            Held::Session(_) | Held::Index => Locked::folder(root, &trap, How::BesideOthers)?,
        };
        let own = match &part {
            Held::All => None,
            Held::Session(folder) => Some(Locked::passing(&root.join(folder), &trap)?),
            Held::Index => Some(Locked::passing(&root.join(INDEX_LOCK), &trap)?),
        };
        Ok(Shelf {
            root: root.to_owned(),
            part,
            lock,
            _own: own,
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
        self.lock.still_stands()
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
        match &self.part {
            Held::All => self.remove_leftovers_in(&self.root, true, &mut n)?,
            Held::Session(folder) => {
                self.remove_leftovers_in(&self.root.join(folder), true, &mut n)?;
            }
            Held::Index => self.remove_leftovers_in(&self.root, false, &mut n)?,
        }
        Ok(n)
    }

    fn remove_leftovers_in(&self, folder: &Path, deep: bool, n: &mut usize) -> Result<(), Trouble> {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            let name = entry.file_name();
            if name.to_string_lossy().starts_with(MAKING) {
                if self.part == Held::Index && name == INDEX_LOCK {
                    continue;
                }
                self.clear(&path)?;
                *n += 1;
            } else if deep && entry.file_type().is_ok_and(|t| t.is_dir()) {
                self.remove_leftovers_in(&path, true, n)?;
                // Succeeds only on an empty folder.
                if fs::remove_dir(&path).is_ok() {
                    *n += 1;
                }
            }
        }
        Ok(())
    }

    /// What stands below the results, of what is made here: all of it, or the session.
    pub fn inventory(&self) -> Inventory {
        match &self.part {
            Held::Session(folder) => Inventory::below(&self.root, folder),
            Held::All | Held::Index => Inventory::of(&self.root),
        }
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
        Inventory::below(root, "")
    }

    /// The same of what stands in one folder below it; all of it for an empty name.
    fn below(root: &Path, folder: &str) -> Inventory {
        let mut inventory = Inventory::default();
        let mut folders = vec![folder.to_owned()];
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
                // Somebody else may be making another session meanwhile.
                if name.starts_with(MAKING) {
                    continue;
                }
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
    fn sessions_and_what_spans_them_are_made_beside_each_other_and_not_beside_all() {
        let root = tempfile::tempdir().unwrap();
        let open = |part: Held| Shelf::open_part(root.path(), part, Trap::default());
        let session = |name: &str| Held::Session(name.to_owned());
        let monday = open(session("monday")).unwrap();
        let tuesday = open(session("tuesday")).unwrap();
        let index = open(Held::Index).unwrap();
        for busy in [session("monday"), Held::Index, Held::All] {
            assert!(matches!(open(busy), Err(Refusal::Busy(_))));
        }
        // What one is making is nobody else's to clear away, nor to take for a result.
        monday
            .put_folder("monday/heron/a.jpg", &one("1"), &[])
            .unwrap();
        let making = root.path().join("monday/heron/.making-1-1");
        fs::create_dir(&making).unwrap();
        fs::write(making.join("quality.json"), "1").unwrap();
        assert_eq!(index.remove_leftovers().unwrap(), 0);
        assert_eq!(tuesday.remove_leftovers().unwrap(), 0);
        assert_eq!(index.inventory().folders.len(), 1);
        assert!(tuesday.inventory().folders.is_empty());
        assert_eq!(monday.remove_leftovers().unwrap(), 1);
        drop((monday, tuesday, index));
        let all = open(Held::All).unwrap();
        assert!(matches!(open(session("monday")), Err(Refusal::Busy(_))));
        all.remove_leftovers().unwrap();
        let left = fs::read_dir(root.path()).unwrap().count();
        assert_eq!(left, 1, "monday, and no lock");
    }

    #[test]
    fn leftovers_of_a_crash_are_removed_and_the_rest_is_found() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        shelf.put_folder("heron/a.jpg", &one("1"), &[]).unwrap();
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
