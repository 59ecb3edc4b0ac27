//! Reads a photo's file once, whole, and makes sure that what was read is what was listed.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::Duration;

use crate::arrive::listing::{Identity, Rel};
use crate::system::{is_link_in_the_way, open_plain};

/// The file is no longer there with the content that was planned with: plan anew.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{} has changed meanwhile", .0.shown())]
pub struct Gone(pub Rel);

/// Where a photo can be read again.
#[derive(Clone, Debug, Default)]
pub struct Source {
    pub(super) inbox: PathBuf,
    pub(super) path: Rel,
    /// Bytes that it had when it was read; of one that has grown since, no more are read.
    pub(super) size: u64,
    /// A read that brings nothing for this long is given up.
    pub(super) patience: Duration,
}

/// How far a read has come, seen from another thread.
#[derive(Clone, Debug, Default)]
pub struct Progress(Arc<AtomicU64>);

impl Progress {
    /// Bytes read so far, and 1 for each file opened.
    pub fn n_read(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }

    pub(super) fn add(&self, n: u64) {
        self.0.fetch_add(n, Ordering::Relaxed);
    }

    /// Reads to the end, and counts every piece as it comes.
    fn read_to_end(&self, mut from: impl Read, bytes: &mut Vec<u8>) -> io::Result<()> {
        const PIECE: u64 = 1 << 20;
        self.add(1);
        loop {
            let n = from.by_ref().take(PIECE).read_to_end(bytes)?;
            if n == 0 {
                return Ok(());
            }
            self.add(n as u64);
        }
    }
}

/// Runs `read` on a thread of its own and returns what it returns; `None` where it brings nothing for `patience`, and
/// then its thread is left to wait for as long as the disk does.
fn within<T: Send + 'static>(
    patience: Duration,
    read: impl FnOnce(&Progress) -> T + Send + 'static,
) -> Option<T> {
    let (sender, receiver) = mpsc::channel();
    let progress = Progress::default();
    let theirs = progress.clone();
    std::thread::Builder::new()
        .name("reader".to_owned())
        .spawn(move || {
            let _ = sender.send(read(&theirs));
        })
        .ok()?;
    let mut n_before = 0;
    loop {
        match receiver.recv_timeout(patience) {
            Ok(came) => return Some(came),
            Err(RecvTimeoutError::Timeout) if progress.n_read() != n_before => {
                n_before = progress.n_read();
            }
            Err(_) => return None,
        }
    }
}

impl Source {
    /// Reads the file; the content must have the given hash.
    pub(super) fn read(&self, hash: &str) -> Result<Vec<u8>, Gone> {
        let gone = || Gone(self.path.clone());
        let source = self.clone();
        let read = move |progress: &Progress| -> io::Result<Vec<u8>> {
            let mut bytes = Vec::new();
            let file = open_plain(&source.inbox, source.path.as_path())?;
            progress.read_to_end(file.take(source.size + 1), &mut bytes)?;
            Ok(bytes)
        };
        let bytes = within(self.patience, read).and_then(Result::ok);
        let bytes = bytes.ok_or_else(gone)?;
        if blake3::hash(&bytes).to_hex().as_str() == hash {
            Ok(bytes)
        } else {
            Err(gone())
        }
    }
}

/// What came of reading a file.
pub enum Reading {
    /// All of it, as listed.
    Whole {
        /// The bytes.
        bytes: Vec<u8>,
        /// BLAKE3 of them, hexadecimal.
        hash: String,
    },
    /// It changed before or while it was read.
    Changed,
    /// It is not there any more.
    Gone,
    /// It may not be read, or the disk fails.
    Failed(io::Error),
}

/// Reads the file that was listed as `identity`.
pub fn read(inbox: &Path, path: &Rel, identity: Identity, progress: &Progress) -> Reading {
    match try_read(inbox, path, identity, progress) {
        Ok(reading) => reading,
        Err(error) if error.kind() == io::ErrorKind::NotFound => Reading::Gone,
        Err(error) if is_link_in_the_way(&error) => Reading::Changed,
        Err(error) => Reading::Failed(error),
    }
}

fn try_read(
    inbox: &Path,
    path: &Rel,
    identity: Identity,
    progress: &Progress,
) -> io::Result<Reading> {
    let mut file = open_plain(inbox, path.as_path())?;
    let is_as_listed = |file: &File| -> io::Result<bool> {
        let metadata = file.metadata()?;
        Ok(metadata.is_file() && Identity::of(&metadata) == identity)
    };
    if !is_as_listed(&file)? {
        return Ok(Reading::Changed);
    }
    let mut bytes = Vec::new();
    bytes.reserve_exact(usize::try_from(identity.size).unwrap_or(0) + 1);
    // One byte more than listed, so that growth shows, and not all of a file that grows for ever.
    progress.read_to_end(file.by_ref().take(identity.size + 1), &mut bytes)?;
    if bytes.len() as u64 != identity.size || !is_as_listed(&file)? {
        return Ok(Reading::Changed);
    }
    let hash = blake3::hash(&bytes).to_hex().to_string();
    Ok(Reading::Whole { bytes, hash })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    fn identity(path: &Path) -> Identity {
        Identity::of(&fs::symlink_metadata(path).unwrap())
    }

    #[test]
    fn a_file_is_read_as_listed_or_said_to_have_changed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.jpg");
        fs::write(&path, b"light").unwrap();
        let listed = identity(&path);
        let read = || {
            read(
                folder.path(),
                &Rel::new("a.jpg"),
                listed,
                &Progress::default(),
            )
        };
        let expected = blake3::hash(b"light").to_hex().to_string();
        match read() {
            Reading::Whole { bytes, hash } => {
                assert_eq!((bytes, hash), (b"light".to_vec(), expected))
            }
            _ => panic!("not read"),
        }
        fs::write(&path, b"night").unwrap();
        assert!(matches!(read(), Reading::Changed));
        fs::remove_file(&path).unwrap();
        assert!(matches!(read(), Reading::Gone));
    }

    #[test]
    fn neither_a_link_nor_a_pipe_in_its_place_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.jpg");
        let read = || {
            read(
                folder.path(),
                &Rel::new("a.jpg"),
                identity(&path),
                &Progress::default(),
            )
        };
        std::os::unix::fs::symlink("/etc/hostname", &path).unwrap();
        assert!(matches!(read(), Reading::Changed));
        fs::remove_file(&path).unwrap();
        let mode = rustix::fs::Mode::from_raw_mode(0o600);
        rustix::fs::mknodat(rustix::fs::CWD, &path, rustix::fs::FileType::Fifo, mode, 0).unwrap();
        // Opening the pipe must not wait for a writer: the test would never end.
        assert!(matches!(read(), Reading::Changed));
    }

    #[test]
    fn a_folder_that_became_a_link_leads_nowhere() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::create_dir_all(at("outside/heron")).unwrap();
        fs::create_dir(at("inbox")).unwrap();
        fs::write(at("outside/heron/a.jpg"), b"secret").unwrap();
        std::os::unix::fs::symlink("../outside/heron", at("inbox/heron")).unwrap();
        let listed = identity(&at("inbox/heron/a.jpg"));
        let found = read(
            &at("inbox"),
            &Rel::new("heron/a.jpg"),
            listed,
            &Progress::default(),
        );
        assert!(matches!(found, Reading::Changed));
    }

    #[test]
    fn a_photo_that_has_grown_meanwhile_is_not_read_to_its_end() {
        let folder = tempfile::tempdir().unwrap();
        let file = File::create(folder.path().join("a.jpg")).unwrap();
        // A terabyte of nothing: reading all of it would take the memory, and the day.
        file.set_len(1 << 40).unwrap();
        let source = Source {
            inbox: folder.path().to_owned(),
            path: Rel::new("a.jpg"),
            size: 5,
            patience: Duration::from_secs(30),
        };
        let hash = blake3::hash(b"light").to_hex().to_string();
        assert_eq!(source.read(&hash), Err(Gone(Rel::new("a.jpg"))));
    }

    #[test]
    fn a_read_that_brings_nothing_is_given_up_and_a_slow_one_is_not() {
        let (goes_on, may_go_on) = mpsc::channel::<()>();
        let stuck = within(Duration::from_millis(30), move |_: &Progress| {
            may_go_on.recv()
        });
        assert!(stuck.is_none());
        drop(goes_on);
        let slow = within(Duration::from_millis(300), |progress: &Progress| {
            for _ in 0..8 {
                std::thread::sleep(Duration::from_millis(60));
                progress.add(1);
            }
            7
        });
        assert_eq!(slow, Some(7));
    }
}
