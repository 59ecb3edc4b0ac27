//! Reads a photo's file once, whole, and makes sure that what was read is what was listed.

use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rustix::fs::OFlags;
use rustix::io::Errno;

use crate::arrive::listing::{Identity, Rel};

/// The file is no longer there with the content that was planned with: plan anew.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{} has changed meanwhile", .0.shown())]
pub struct Gone(pub Rel);

/// Where a photo can be read again.
#[derive(Clone, Debug)]
pub struct Source {
    pub(super) inbox: PathBuf,
    pub(super) path: Rel,
}

impl Source {
    /// Reads the file; the content must have the given hash.
    pub(super) fn read(&self, hash: &str) -> Result<Vec<u8>, Gone> {
        let gone = || Gone(self.path.clone());
        let mut bytes = Vec::new();
        open(&self.path.under(&self.inbox))
            .and_then(|mut file| file.read_to_end(&mut bytes))
            .map_err(|_| gone())?;
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
        /// The bytes; empty where the file is larger than allowed.
        bytes: Vec<u8>,
        /// BLAKE3 of all of it, hexadecimal.
        hash: String,
    },
    /// It changed before or while it was read.
    Changed,
    /// It is not there any more.
    Gone,
    /// It may not be read, or the disk fails.
    Failed(io::Error),
}

/// Opens a plain file: no links, and no waiting for the other end of a pipe.
fn open(path: &Path) -> io::Result<File> {
    let flags = OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY;
    OpenOptions::new()
        .read(true)
        .custom_flags(flags.bits().cast_signed())
        .open(path)
}

/// Reads the file that was listed as `identity`. Of a file over `max_bytes` only the hash is taken.
pub fn read(path: &Path, identity: Identity, max_bytes: u64) -> Reading {
    match try_read(path, identity, max_bytes) {
        Ok(reading) => reading,
        // A link in its place opens with ELOOP.
        Err(error) if error.raw_os_error() == Some(Errno::LOOP.raw_os_error()) => Reading::Changed,
        Err(error) if error.kind() == io::ErrorKind::NotFound => Reading::Gone,
        Err(error) => Reading::Failed(error),
    }
}

fn try_read(path: &Path, identity: Identity, max_bytes: u64) -> io::Result<Reading> {
    let mut file = open(path)?;
    let is_as_listed = |file: &File| -> io::Result<bool> {
        let metadata = file.metadata()?;
        Ok(metadata.is_file() && Identity::of(&metadata) == identity)
    };
    if !is_as_listed(&file)? {
        return Ok(Reading::Changed);
    }
    let mut bytes = Vec::new();
    let mut hasher = blake3::Hasher::new();
    if identity.size <= max_bytes {
        bytes.reserve_exact(usize::try_from(identity.size).unwrap_or(0) + 1);
        // One byte more than listed, so that growth shows, and not all of a file that grows for ever.
        file.by_ref()
            .take(identity.size + 1)
            .read_to_end(&mut bytes)?;
        hasher.update(&bytes);
    } else {
        let mut block = vec![0; 1 << 20];
        let mut rest = file.by_ref().take(identity.size + 1);
        loop {
            match rest.read(&mut block)? {
                0 => break,
                n => hasher.update(&block[..n]),
            };
        }
    }
    if hasher.count() != identity.size || !is_as_listed(&file)? {
        return Ok(Reading::Changed);
    }
    let hash = hasher.finalize().to_hex().to_string();
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
        let expected = blake3::hash(b"light").to_hex().to_string();
        match read(&path, listed, 100) {
            Reading::Whole { bytes, hash } => {
                assert_eq!((bytes, hash), (b"light".to_vec(), expected.clone()))
            }
            _ => panic!("not read"),
        }
        match read(&path, listed, 3) {
            Reading::Whole { bytes, hash } => assert_eq!((bytes, hash), (Vec::new(), expected)),
            _ => panic!("not hashed"),
        }
        fs::write(&path, b"night").unwrap();
        assert!(matches!(read(&path, listed, 100), Reading::Changed));
        fs::remove_file(&path).unwrap();
        assert!(matches!(read(&path, listed, 100), Reading::Gone));
    }

    #[test]
    fn neither_a_link_nor_a_pipe_in_its_place_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.jpg");
        std::os::unix::fs::symlink("/etc/hostname", &path).unwrap();
        assert!(matches!(
            read(&path, identity(&path), 100),
            Reading::Changed
        ));
        fs::remove_file(&path).unwrap();
        let mode = rustix::fs::Mode::from_raw_mode(0o600);
        rustix::fs::mknodat(rustix::fs::CWD, &path, rustix::fs::FileType::Fifo, mode, 0).unwrap();
        // Opening the pipe must not wait for a writer: the test would never end.
        assert!(matches!(
            read(&path, identity(&path), 100),
            Reading::Changed
        ));
    }
}
