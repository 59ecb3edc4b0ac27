//! Puts a file in place that is too large to be held: it is compared with what stands there as it is being made, and from
//! the first difference on written beside it.

use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Read, Seek, Write};
use std::path::{Path, PathBuf};

use super::shelf::Shelf;
use super::trap::Trouble;

impl Shelf {
    /// Publishes one file as `write` makes it, only if its content differs; no more than a piece of it is ever held.
    ///
    /// Returns false where it already stood there.
    ///
    /// # Errors
    /// On the first step that fails, that of `write` among them; what stood there before still stands.
    pub fn put_stream(
        &self,
        path: &str,
        write: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>,
    ) -> Result<bool, Trouble> {
        let target = self.inside(path)?;
        let is_file = fs::symlink_metadata(&target).is_ok_and(|m| m.is_file());
        let old = is_file.then(|| File::open(&target).ok()).flatten();
        let mut beside = Beside {
            shelf: self,
            target: &target,
            old: old.map(BufReader::new),
            n_equal: 0,
            new: None,
            trouble: None,
        };
        let written = write(&mut beside).and_then(|()| beside.ends_as_the_old_one());
        let Beside { new, trouble, .. } = beside;
        let (making, file) = match (new, trouble, written) {
            (None, None, Ok(())) => return Ok(false),
            (Some((making, file)), None, Ok(())) => (making, file),
            (new, trouble, written) => {
                if let Some((making, file)) = new {
                    drop(file);
                    self.clear_or_remember(&making);
                }
                let source = written.err().unwrap_or_else(|| io::ErrorKind::Other.into());
                return Err(trouble.unwrap_or_else(|| Trouble::new("make", &target, source)));
            }
        };
        let written = self.step("sync", &making, || {
            let file = file.into_inner().map_err(io::IntoInnerError::into_error)?;
            file.sync_all()
        });
        self.put_in_place(written, &making, &target)
    }
}

/// Where a file is written that may be the same as the one that stands there.
struct Beside<'a> {
    shelf: &'a Shelf,
    target: &'a Path,
    /// What stands there, read as far as it is the same.
    old: Option<BufReader<File>>,
    n_equal: u64,
    /// What is being made, once it differs.
    new: Option<(PathBuf, BufWriter<File>)>,
    /// Why the shelf could not take it.
    trouble: Option<Trouble>,
}

impl Beside<'_> {
    /// Nothing more comes: what stands there must end here, too.
    fn ends_as_the_old_one(&mut self) -> io::Result<()> {
        if self.new.is_some() {
            return Ok(());
        }
        let is_at_end = match &mut self.old {
            Some(old) => old.read(&mut [0])? == 0,
            None => false,
        };
        if is_at_end { Ok(()) } else { self.diverge() }
    }

    /// Begins the new file with what was the same in the old one.
    fn diverge(&mut self) -> io::Result<()> {
        let begun = self.begin();
        self.new = Some(begun.map_err(|trouble| {
            let error = io::Error::from(trouble.source.kind());
            self.trouble = Some(trouble);
            error
        })?);
        if let (Some(old), Some((_, new))) = (&mut self.old, &mut self.new) {
            old.rewind()?;
            let copied = io::copy(&mut old.take(self.n_equal), new);
            self.note(copied.map(|_| ()))?;
        }
        self.old = None;
        Ok(())
    }

    fn begin(&self) -> Result<(PathBuf, BufWriter<File>), Trouble> {
        // Held until something lies in the folder, which is then not taken for an empty one.
        let _shared = self.shelf.tidying.read();
        let parent = self.target.parent().unwrap_or(self.shelf.root());
        self.shelf.make_folders(parent)?;
        let making = self.shelf.making(parent);
        let create = || File::create_new(&making);
        let file = self.shelf.step("create", &making, create)?;
        let file = BufWriter::with_capacity(1 << 16, file);
        Ok((making, file))
    }

    /// Keeps why writing failed: whoever makes the content need not hand the error on unchanged.
    fn note(&mut self, written: io::Result<()>) -> io::Result<()> {
        written.inspect_err(|error| {
            let kept = match error.raw_os_error() {
                Some(number) => io::Error::from_raw_os_error(number),
                None => error.kind().into(),
            };
            self.trouble = Some(Trouble::new("write", self.target, kept));
        })
    }
}

impl Write for Beside<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if let (Some(old), None) = (&mut self.old, &self.new) {
            let mut same = Vec::with_capacity(bytes.len());
            old.take(bytes.len() as u64).read_to_end(&mut same)?;
            if same == bytes {
                self.n_equal += bytes.len() as u64;
                return Ok(bytes.len());
            }
        }
        if self.new.is_none() {
            self.diverge()?;
        }
        if let Some((_, new)) = &mut self.new {
            let written = new.write_all(bytes);
            self.note(written)?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.new {
            Some((_, new)) => {
                let flushed = new.flush();
                self.note(flushed)
            }
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::publish::Trap;
    use std::os::unix::fs::MetadataExt;

    /// Content in pieces of seven bytes, as a table is written in cells.
    fn put(shelf: &Shelf, path: &str, content: &str) -> Result<bool, Trouble> {
        shelf.put_stream(path, &mut |out| {
            for piece in content.as_bytes().chunks(7) {
                out.write_all(piece)?;
            }
            out.flush()
        })
    }

    fn names(root: &Path) -> Vec<String> {
        let entries = fs::read_dir(root).unwrap().flatten();
        entries
            .map(|entry| entry.file_name().to_string_lossy().into_owned())
            .collect()
    }

    #[test]
    fn a_stream_replaces_what_differs_and_leaves_alone_what_does_not() {
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        let path = root.path().join("spectra.csv");
        let long = "photo,wavelength_nm\r\n".repeat(9000);
        let other_end = format!("{}end", &long[..long.len() - 3]);
        let contents = [
            "",
            "a",
            "ab",
            "ba",
            &long,
            &other_end,
            &long[..70_000],
            &long,
            "",
        ];
        for content in contents {
            assert!(put(&shelf, "spectra.csv", content).unwrap());
            assert_eq!(fs::read_to_string(&path).unwrap(), content);
            let before = fs::metadata(&path).unwrap().ino();
            assert!(!put(&shelf, "spectra.csv", content).unwrap(), "the same");
            assert_eq!(fs::metadata(&path).unwrap().ino(), before);
            assert_eq!(names(root.path()), ["spectra.csv"]);
        }
    }

    #[test]
    fn whatever_fails_the_old_one_stands_and_nothing_is_left_over() {
        let long = "0123456".repeat(20_000);
        let mut n_failed = 0;
        for from in 1.. {
            let root = tempfile::tempdir().unwrap();
            let trap = Trap::failing(from..from + 1, 28);
            fs::write(root.path().join("spectra.csv"), &long).unwrap();
            let Ok(shelf) = Shelf::open(root.path(), trap) else {
                continue;
            };
            let Err(trouble) = put(&shelf, "spectra.csv", &format!("{long}more")) else {
                break;
            };
            n_failed += 1;
            assert!(trouble.concerns_everything(), "{trouble}");
            let text = fs::read_to_string(root.path().join("spectra.csv")).unwrap();
            // After the rename it is the new one, which only was not sure to be on the disk.
            assert!(text == long || text == format!("{long}more"));
            assert_eq!(names(root.path()), ["spectra.csv"]);
        }
        assert_eq!(n_failed, 4, "create, sync, rename, sync the folder");
        let root = tempfile::tempdir().unwrap();
        let shelf = Shelf::open(root.path(), Trap::default()).unwrap();
        put(&shelf, "spectra.csv", &long).unwrap();
        let torn = shelf.put_stream("spectra.csv", &mut |out| {
            out.write_all(b"new")?;
            Err(io::Error::new(
                io::ErrorKind::InvalidData,
                "spectrum.csv of heron/a.jpg",
            ))
        });
        let said = torn.unwrap_err().to_string();
        assert!(said.contains("heron/a.jpg"), "{said}");
        let text = fs::read_to_string(root.path().join("spectra.csv")).unwrap();
        assert!(text == long && names(root.path()).len() == 1);
    }
}
