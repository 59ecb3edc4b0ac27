//! Puts finished results in place: the only code that writes below `results/`.
//!
//! Everything is made under another name in the same folder, brought safely to the disk, and then renamed, so that a
//! reader sees the old or the new and never a part. After a crash, whatever still has such a name is left over and is
//! removed at the next start.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use crate::system;

use super::names::MAKING;
use super::shelf::Shelf;
use super::trap::Trouble;

impl Shelf {
    /// A name in `parent` under which something is made. The process and a counter keep it from any other.
    pub(super) fn making(&self, parent: &Path) -> PathBuf {
        let n = self.made.fetch_add(1, Ordering::SeqCst);
        parent.join(format!("{MAKING}{}-{n}", std::process::id()))
    }

    /// Makes `folder` and those above it, up to the results. A link in the way is refused: it could lead outside.
    pub(super) fn make_folders(&self, folder: &Path) -> Result<(), Trouble> {
        let mut missing = Vec::new();
        let mut at = folder;
        while at != self.root {
            match fs::symlink_metadata(at) {
                Ok(metadata) if metadata.is_dir() => break,
                Ok(_) => {
                    let source = io::ErrorKind::NotADirectory;
                    return Err(Trouble::new("use as a folder", at, source));
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

    pub(super) fn sync_folder(&self, folder: &Path) -> Result<(), Trouble> {
        self.step("sync folder", folder, || system::sync_folder(folder))
    }

    fn write_new(&self, path: &Path, bytes: &[u8]) -> Result<(), Trouble> {
        let mut file = self.step("create", path, || File::create_new(path))?;
        self.step("write", path, || file.write_all(bytes))?;
        self.step("sync", path, || file.sync_all())
    }

    /// Gives a file that holds just `bytes` already, and is on the disk, a second name; false where it does not, or cannot have one.
    fn links(&self, old: &Path, new: &Path, bytes: &[u8]) -> Result<bool, Trouble> {
        let found = read_same_length(old, bytes.len());
        Ok(found.is_some_and(|found| found == bytes) && self.has_second_name(old, new)?)
    }

    /// Gives a file that is on the disk a second name; false where it cannot have one. The first name goes with the old folder.
    fn has_second_name(&self, old: &Path, new: &Path) -> Result<bool, Trouble> {
        self.step("link", new, || Ok(fs::hard_link(old, new).is_ok()))
    }

    /// The same, or a copy.
    fn takes_over(&self, old: &Path, new: &Path) -> Result<(), Trouble> {
        if self.has_second_name(old, new)? {
            return Ok(());
        }
        let bytes = self.step("read", old, || fs::read(old))?;
        self.write_new(new, &bytes)
    }

    /// Publishes a photo's folder: afterwards `folder` holds exactly the files that are `standing` in it and stay as they are, and
    /// behind them `files` (name, content).
    ///
    /// Returns false where it already did.
    ///
    /// # Errors
    /// On the first step that fails, or where one of `standing` is not there; what stood there before still stands.
    pub fn put_folder(
        &self,
        folder: &str,
        files: &[(String, Vec<u8>)],
        standing: &[String],
    ) -> Result<bool, Trouble> {
        let _shared = self.tidying.read();
        let target = self.inside(folder)?;
        let parent = target.parent().unwrap_or(&self.root).to_owned();
        if holds_exactly(&target, files, standing) {
            return Ok(false);
        }
        self.make_folders(&parent)?;
        let making = self.making(&parent);
        let made = self
            .step("create folder", &making, || fs::create_dir(&making))
            .and_then(|()| {
                for name in standing {
                    self.inside(name)?;
                    self.takes_over(&target.join(name), &making.join(name))?;
                }
                for (name, bytes) in files {
                    self.inside(name)?;
                    if !self.links(&target.join(name), &making.join(name), bytes)? {
                        self.write_new(&making.join(name), bytes)?;
                    }
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
        self.step("rename", target, || {
            if fs::symlink_metadata(target).is_err() {
                return fs::rename(making, target);
            }
            if system::change_places(making, target)? {
                return Ok(());
            }
            // For a moment there is no folder, but never half of one.
            let old = self.making(target.parent().unwrap_or(&self.root));
            fs::rename(target, &old)?;
            fs::rename(making, target)?;
            fs::rename(&old, making)
        })
    }

    /// Removes whatever `path` is, without following links.
    pub(super) fn clear(&self, path: &Path) -> Result<(), Trouble> {
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
    pub(super) fn clear_or_remember(&self, path: &Path) {
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
        let written = self.write_new(&making, bytes);
        self.put_in_place(written, &making, &target)
    }

    /// Puts a file in place that is written again every few seconds and is worth nothing after a power cut: whole or not at all,
    /// but not brought to the disk, and into a folder that is there.
    ///
    /// # Errors
    /// Where it cannot be written; what stood there before still stands.
    pub fn put_passing(&self, path: &str, bytes: &[u8]) -> Result<(), Trouble> {
        let _shared = self.tidying.read();
        let target = self.inside(path)?;
        let making = self.making(target.parent().unwrap_or(&self.root));
        let put = fs::write(&making, bytes).and_then(|()| fs::rename(&making, &target));
        if put.is_err() {
            self.clear_or_remember(&making);
        }
        put.map_err(|source| Trouble::new("write", &target, source))
    }

    /// Renames what has been `written` as `making`; what could not be finished is cleared away.
    pub(super) fn put_in_place(
        &self,
        written: Result<(), Trouble>,
        making: &Path,
        target: &Path,
    ) -> Result<bool, Trouble> {
        let made = written.and_then(|()| {
            self.step("rename", target, || fs::rename(making, target))?;
            self.sync_folder(target.parent().unwrap_or(&self.root))
        });
        if made.is_err() {
            self.clear_or_remember(making);
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

fn holds_exactly(folder: &Path, files: &[(String, Vec<u8>)], standing: &[String]) -> bool {
    let n_entries = fs::read_dir(folder).map_or(usize::MAX, Iterator::count);
    n_entries == files.len() + standing.len()
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
    use crate::publish::Trap;
    use rustix::io::Errno;
    use std::sync::{Arc, Mutex};

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
        assert!(shelf.put_folder("heron/late/a.jpg", &first, &[]).unwrap());
        assert!(
            !shelf.put_folder("heron/late/a.jpg", &first, &[]).unwrap(),
            "nothing new"
        );
        let second = files(&[("quality.json", "2")]);
        assert!(shelf.put_folder("heron/late/a.jpg", &second, &[]).unwrap());
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
    fn what_stands_stays_as_it_is_and_must_be_there() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        let first = files(&[("spectrum.csv", "s"), ("quality.json", "1")]);
        shelf.put_folder("heron/a.jpg", &first, &[]).unwrap();
        let second = files(&[("quality.json", "2")]);
        let put = |standing: &str| shelf.put_folder("heron/a.jpg", &second, &[standing.to_owned()]);
        assert!(put("peaks.csv").is_err());
        let quality = root.path().join("heron/a.jpg/quality.json");
        assert_eq!(fs::read_to_string(&quality).unwrap(), "1");
        assert!(put("spectrum.csv").unwrap());
        assert!(!put("spectrum.csv").unwrap(), "nothing new");
        assert_eq!(
            tree(root.path()),
            [
                "heron/",
                "heron/a.jpg/",
                "heron/a.jpg/quality.json=2",
                "heron/a.jpg/spectrum.csv=s"
            ]
        );
    }

    #[test]
    fn each_file_is_safe_on_the_disk_before_it_gets_its_name_and_the_name_before_it_counts() {
        let root = tempfile::tempdir().unwrap();
        let steps = Arc::new(Mutex::new(Vec::new()));
        let journal = steps.clone();
        let trap = Trap::new(move |_, step, path| {
            let line = format!("{step} {}", path.display());
            journal.lock().unwrap().push(line);
            Ok(())
        });
        let shelf = Shelf::open(root.path(), trap).unwrap();
        shelf
            .put_folder(
                "heron/a.jpg",
                &files(&[("quality.json", "1"), ("peaks.csv", "p")]),
                &[],
            )
            .unwrap();
        shelf.put_file("quality.csv", b"photo", None).unwrap();
        let steps: Vec<String> = steps
            .lock()
            .unwrap()
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
            shelf.put_folder("heron/a.jpg", &old, &[]).unwrap();
            shelf.put_file("quality.csv", b"old", None).unwrap();
            let before = tree(root.path());
            drop(shelf);

            let trap = Trap::failing(from + 1..from + 2, Errno::NOSPC.raw_os_error());
            let shelf = Shelf::open(root.path(), trap).unwrap();
            let put = shelf
                .put_folder("heron/a.jpg", &new, &[])
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
            shelf.put_folder("heron/a.jpg", &new, &[]).unwrap();
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
    fn links_and_dots_do_not_lead_outside() {
        let parent = tempfile::tempdir().unwrap();
        let outside = parent.path().join("outside");
        fs::create_dir(&outside).unwrap();
        let root = parent.path().join("results");
        let shelf = Shelf::open(&root, Trap::default()).unwrap();
        std::os::unix::fs::symlink(&outside, root.join("heron")).unwrap();
        let one = files(&[("quality.json", "1")]);
        assert!(shelf.put_folder("heron/a.jpg", &one, &[]).is_err());
        assert!(shelf.put_folder("../outside/a.jpg", &one, &[]).is_err());
        assert!(shelf.put_folder("", &one, &[]).is_err());
        assert!(
            shelf
                .put_folder("dunlin/a.jpg", &files(&[("../b", "1")]), &[])
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
                &[],
            )
            .unwrap();
        shelf
            .put_folder("heron/x/b.jpg", &files(&[("quality.json", "2")]), &[])
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
}
