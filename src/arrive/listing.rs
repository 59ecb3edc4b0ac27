//! Lists the inbox: every entry below it by its relative path, with an identity that changes when the entry does.
//!
//! Links are never followed. Whatever is not a plain file (link, pipe, device, a folder named like a photo, a folder
//! that cannot be entered) still gets an entry, so that it gets a row; only a sync client's own working files do not,
//! because their final names are still to come.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::{OsStr, OsString};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::system::{file_numbers, kind_of_no_file, look_at};

/// A path below the inbox: components joined by `/`, any bytes a file system allows. Orders by bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Rel(OsString);

impl Rel {
    /// Wraps a relative path as the file system spells it.
    pub fn new(path: impl Into<OsString>) -> Rel {
        Rel(path.into())
    }

    /// The folder itself: the empty path.
    fn root() -> Rel {
        Rel(OsString::new())
    }

    fn join(&self, name: &OsStr) -> Rel {
        let mut path = self.0.clone();
        if !path.is_empty() {
            path.push("/");
        }
        path.push(name);
        Rel(path)
    }

    /// As the file system spells it.
    pub fn as_path(&self) -> &Path {
        Path::new(&self.0)
    }

    /// The place on disk, given the inbox.
    pub fn under(&self, inbox: &Path) -> PathBuf {
        inbox.join(&self.0)
    }

    /// True where `self` lies in `folder`, at any depth.
    pub fn is_below(&self, folder: &Rel) -> bool {
        let (path, folder) = (self.0.as_encoded_bytes(), folder.0.as_encoded_bytes());
        folder.is_empty()
            || path.len() > folder.len() && path.starts_with(folder) && path[folder.len()] == b'/'
    }

    /// As shown to people and written into tables: see [`shown`].
    pub fn shown(&self) -> String {
        shown(&self.0)
    }
}

/// A name as text, without loss: bytes that are not UTF-8 become `\xNN`.
///
/// A backslash that by chance begins such a sequence is itself written `\x5C`, so that two different names never look
/// the same.
pub fn shown(name: &OsStr) -> String {
    let bytes = name.as_encoded_bytes();
    let mut text = String::with_capacity(bytes.len());
    for chunk in bytes.utf8_chunks() {
        let valid = chunk.valid();
        for (at, character) in valid.char_indices() {
            let looks_escaped = character == '\\'
                && matches!(valid.as_bytes().get(at + 1..at + 4),
                    Some([b'x', a, b]) if a.is_ascii_hexdigit() && b.is_ascii_hexdigit());
            if looks_escaped {
                text.push_str("\\x5C");
            } else {
                text.push(character);
            }
        }
        for byte in chunk.invalid() {
            text.push_str(&format!("\\x{byte:02X}"));
        }
    }
    text
}

/// Numbers of an entry that change when it changes. Two equal identities are taken as the same content.
///
/// `ctime` cannot be set by programs, so a file replaced by an older copy, or written twice within a second, still
/// shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
pub struct Identity {
    /// Device.
    pub dev: u64,
    /// File number on the device.
    pub ino: u64,
    /// Bytes.
    pub size: u64,
    /// Time of the last change of content, ns since 1970; may be set to anything.
    pub mtime_ns: i64,
    /// Time of the last change of anything, ns since 1970, by the file system's clock.
    pub ctime_ns: i64,
}

impl Identity {
    /// Reads the identity out of a file's metadata.
    pub fn of(metadata: &fs::Metadata) -> Identity {
        let numbers = file_numbers(metadata);
        Identity {
            dev: numbers.device,
            ino: numbers.number,
            size: metadata.len(),
            mtime_ns: numbers.modified_ns,
            ctime_ns: numbers.changed_ns,
        }
    }
}

/// What an entry is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A plain file.
    File,
    /// Not a file to be read; the text says what it is and what to do.
    Other(String),
}

/// One entry of the table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Its identity.
    pub identity: Identity,
    /// What it is.
    pub kind: Kind,
}

/// The inbox at one moment.
#[derive(Clone, Debug, Default)]
pub struct Listing {
    /// Device and file number of the inbox itself.
    pub root: (u64, u64),
    /// Entries by path.
    pub entries: BTreeMap<Rel, Entry>,
    /// Folders, empty ones too, but for those that belong to a sync client.
    pub folders: BTreeSet<Rel>,
    /// Files under a sync client's temporary name, whose content is still to come; folders that belong to a sync client.
    pub not_here: BTreeSet<Rel>,
    /// Folders that could not be listed for a passing reason: what was known below them still stands.
    pub gaps: Vec<(Rel, String)>,
}

/// File name endings of photographs, in lower case.
const PHOTO_ENDINGS: [&str; 10] = [
    "jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif", "dng", "avif",
];

/// Folders in which sync clients and file managers keep their own things.
const CLIENT_FOLDERS: [&str; 8] = [
    ".stfolder",
    ".stversions",
    ".sync",
    ".dropbox.cache",
    ".owncloudsync",
    ".trash",
    ".trashes",
    "@eadir",
];

/// Lists everything below `inbox`.
///
/// # Errors
/// Only where the inbox itself cannot be listed. A folder inside it that may not be entered is an entry; one that
/// fails for a passing reason (a network pause) is a gap.
pub fn list(inbox: &Path) -> io::Result<Listing> {
    let root = Identity::of(&fs::metadata(inbox)?);
    let mut listing = Listing {
        root: (root.dev, root.ino),
        ..Listing::default()
    };
    let mut folders = vec![Rel::root()];
    while let Some(folder) = folders.pop() {
        if let Err(error) = list_one(inbox, &folder, &mut listing, &mut folders) {
            if folder == Rel::root() {
                return Err(error);
            }
            match error.kind() {
                // Gone between two steps of the walk: the next listing will not have it either.
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => {}
                io::ErrorKind::PermissionDenied | io::ErrorKind::InvalidFilename => {
                    let text = format!(
                        "a folder that cannot be opened ({}), so nothing in it was read; give this program the right to list it",
                        error.kind()
                    );
                    note_folder(inbox, &folder, text, &mut listing);
                }
                _ => listing.gaps.push((folder, error.to_string())),
            }
        }
    }
    Ok(listing)
}

fn list_one(
    inbox: &Path,
    folder: &Rel,
    listing: &mut Listing,
    folders: &mut Vec<Rel>,
) -> io::Result<()> {
    for entry in fs::read_dir(folder.under(inbox))? {
        let entry = entry?;
        let name = entry.file_name();
        let path = folder.join(&name);
        let metadata = match entry.metadata() {
            Ok(metadata) => metadata,
            // Gone since the folder was opened; the others are still to come.
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error),
        };
        if metadata.is_dir() {
            let lower = name.to_string_lossy().to_lowercase();
            if CLIENT_FOLDERS.contains(&lower.as_str()) || lower.starts_with(".trash-") {
                listing.not_here.insert(path);
                continue;
            }
            if has_photo_ending(&name) {
                let text = "a folder with the name of a photo, not a photo; rename the folder";
                note_folder(inbox, &path, text.to_owned(), listing);
            }
            listing.folders.insert(path.clone());
            folders.push(path);
            continue;
        }
        if is_temporary(&name) {
            listing.not_here.insert(path);
            continue;
        }
        listing.entries.insert(path, entry_of(&metadata));
    }
    Ok(())
}

fn entry_of(metadata: &fs::Metadata) -> Entry {
    let file_type = metadata.file_type();
    let kind = if file_type.is_file() {
        Kind::File
    } else if file_type.is_symlink() {
        Kind::Other("a link, which is never followed; put the photo itself here".to_owned())
    } else {
        let what = kind_of_no_file(file_type);
        Kind::Other(format!("{what}, not a photo; remove it"))
    };
    let identity = Identity::of(metadata);
    Entry { identity, kind }
}

/// Looks at a single path again: a listing that ran while the file was being replaced may have missed both the old and
/// the new one. `None` where it is not there, or no longer a file, or only to be reached over a link.
pub fn look_again(inbox: &Path, path: &Rel) -> Option<Entry> {
    let metadata = look_at(inbox, path.as_path()).ok()?;
    metadata.is_file().then(|| entry_of(&metadata))
}

/// A folder's own times move with everything that is put into it, so its identity is only which folder it is; of one
/// whose path is too long for the system not even that can be had.
fn note_folder(inbox: &Path, folder: &Rel, text: String, listing: &mut Listing) {
    let metadata = fs::symlink_metadata(folder.under(inbox));
    let identity = metadata.map_or_else(
        |_| Identity::default(),
        |metadata| {
            let Identity { dev, ino, .. } = Identity::of(&metadata);
            Identity {
                dev,
                ino,
                ..Identity::default()
            }
        },
    );
    let kind = Kind::Other(text);
    listing
        .entries
        .insert(folder.clone(), Entry { identity, kind });
}

fn has_photo_ending(name: &OsStr) -> bool {
    Path::new(name)
        .extension()
        .map(|ending| ending.to_string_lossy().to_lowercase())
        .is_some_and(|ending| PHOTO_ENDINGS.contains(&ending.as_str()))
}

/// True for the names under which sync clients, browsers and phones keep a file that is not finished, or not here.
///
/// Sources: the clients' own code (syncthing `lib/fs/tempname.go`, nextcloud `createDownloadTmpFileName` and its
/// `sync-exclude.lst`, rclone `checkPartial`), rsync(1); the phones' and browsers' names are common practice, no source.
pub fn is_temporary(name: &OsStr) -> bool {
    let name = name.to_string_lossy().to_lowercase();
    const BEGINNINGS: [&str; 9] = [
        ".~lock.",
        "~$",
        ".pending-",
        ".trashed-",
        ".goutputstream-",
        ".fuse_hidden",
        ".nfs0",
        ".sb-",
        ".~tmp~",
    ];
    const ENDINGS: [&str; 12] = [
        "~",
        ".part",
        ".partial",
        ".filepart",
        ".crdownload",
        ".opdownload",
        ".download",
        ".tmp",
        ".swp",
        ".nextcloud",
        ".owncloud",
        ".!sync",
    ];
    if BEGINNINGS.iter().any(|b| name.starts_with(b)) || ENDINGS.iter().any(|e| name.ends_with(e)) {
        return true;
    }
    let Some(hidden) = name.strip_prefix('.') else {
        return false;
    };
    if hidden.ends_with(".icloud") {
        return true;
    }
    // `.NAME.~1f2e3d`: nextcloud and owncloud.
    if let Some((before, after)) = hidden.rsplit_once(".~") {
        let hex = !after.is_empty() && after.bytes().all(|b| b.is_ascii_hexdigit());
        if hex && !before.is_empty() {
            return true;
        }
    }
    // `.NAME.jpg.Ab3dE9`: rsync. A file name's ending must stand before, or `.hidden.config` would be one.
    if let Some((before, after)) = hidden.rsplit_once('.') {
        let six = after.len() == 6 && after.bytes().all(|b| b.is_ascii_alphanumeric());
        return six && has_photo_ending(OsStr::new(before));
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::ffi::OsStrExt;
    use std::os::unix::fs::symlink;

    fn names(listing: &Listing) -> Vec<String> {
        listing.entries.keys().map(Rel::shown).collect()
    }

    #[test]
    fn every_entry_is_listed_and_links_are_not_followed() {
        let inbox = tempfile::tempdir().unwrap();
        let at = |name: &str| inbox.path().join(name);
        fs::create_dir_all(at("heron/late")).unwrap();
        fs::create_dir_all(at("album.jpg")).unwrap();
        fs::write(at("heron/late/lamp.jpg"), b"x").unwrap();
        fs::write(at("album.jpg/inside.jpg"), b"x").unwrap();
        fs::write(at("heron/.lamp.jpg.x1Yz9Q"), b"x").unwrap();
        symlink("/etc", at("heron/etc")).unwrap();
        symlink(inbox.path(), at("heron/loop")).unwrap();
        symlink("/etc/hostname", at("host.jpg")).unwrap();
        let mode = rustix::fs::Mode::from_raw_mode(0o600);
        rustix::fs::mknodat(
            rustix::fs::CWD,
            at("pipe.jpg"),
            rustix::fs::FileType::Fifo,
            mode,
            0,
        )
        .unwrap();
        fs::write(inbox.path().join(OsStr::from_bytes(b"bad\xff.jpg")), b"x").unwrap();

        let listing = list(inbox.path()).unwrap();
        assert_eq!(
            names(&listing),
            [
                "album.jpg",
                "album.jpg/inside.jpg",
                "bad\\xFF.jpg",
                "heron/etc",
                "heron/late/lamp.jpg",
                "heron/loop",
                "host.jpg",
                "pipe.jpg",
            ]
        );
        let word = |name: &str| match &listing.entries[&Rel::new(name)].kind {
            Kind::File => "file".to_owned(),
            Kind::Other(text) => text.split(',').next().unwrap().to_owned(),
        };
        assert_eq!(word("album.jpg"), "a folder with the name of a photo");
        assert_eq!(word("heron/loop"), "a link");
        assert_eq!(word("pipe.jpg"), "a named pipe");
        assert_eq!(word("heron/late/lamp.jpg"), "file");
        let not_here: Vec<String> = listing.not_here.iter().map(Rel::shown).collect();
        assert_eq!(not_here, ["heron/.lamp.jpg.x1Yz9Q"]);
    }

    #[test]
    fn a_folder_named_like_a_photo_keeps_its_identity_when_something_is_put_into_it() {
        let inbox = tempfile::tempdir().unwrap();
        let folder = inbox.path().join("album.png");
        fs::create_dir(&folder).unwrap();
        let before = list(inbox.path()).unwrap().entries[&Rel::new("album.png")].clone();
        fs::write(folder.join("new.txt"), b"x").unwrap();
        let after = list(inbox.path()).unwrap().entries[&Rel::new("album.png")].clone();
        assert_eq!(before, after);
    }

    #[test]
    fn a_second_look_finds_files_and_follows_no_links() {
        let inbox = tempfile::tempdir().unwrap();
        let at = |name: &str| inbox.path().join(name);
        fs::create_dir(at("heron")).unwrap();
        fs::write(at("heron/a.jpg"), b"x").unwrap();
        symlink("heron", at("link")).unwrap();
        symlink("a.jpg", at("heron/b.jpg")).unwrap();
        let listed = list(inbox.path()).unwrap().entries;
        let look = |name: &str| look_again(inbox.path(), &Rel::new(name));
        assert_eq!(
            look("heron/a.jpg").as_ref(),
            listed.get(&Rel::new("heron/a.jpg"))
        );
        assert_eq!(look("link/a.jpg"), None);
        assert_eq!(look("heron/b.jpg"), None);
        assert_eq!(look("heron/gone.jpg"), None);
        assert_eq!(look("heron"), None);
    }

    #[test]
    fn a_missing_inbox_is_an_error() {
        assert!(list(Path::new("/nonexistent/inbox")).is_err());
    }

    #[test]
    fn unfinished_names_are_told_from_hidden_and_ordinary_ones() {
        for name in [
            ".syncthing.lamp.jpg.tmp",
            "~syncthing~lamp.jpg.tmp",
            ".lamp.jpg.~1f2e3d",
            "lamp.jpg.a8Gh21xz.partial",
            ".lamp.JPG.Ab3dE9",
            "lamp.jpg.part",
            "lamp.jpg.crdownload",
            ".~lock.notes.odt#",
            "~$notes.docx",
            "lamp.jpg~",
            ".lamp.heic.icloud",
            "lamp.jpg.nextcloud",
            ".pending-1764070000-lamp.jpg",
        ] {
            assert!(is_temporary(OsStr::new(name)), "{name}");
        }
        for name in [
            "lamp.jpg",
            ".DS_Store",
            "._lamp.jpg",
            ".hidden.config",
            "Thumbs.db",
            "lamp.sync-conflict-20261125-101500-ABCDEFG.jpg",
            "lamp (conflicted copy 2026-11-25).jpg",
            "partial.jpg",
            "tmp.jpg",
        ] {
            assert!(!is_temporary(OsStr::new(name)), "{name}");
        }
    }

    proptest::proptest! {
        #[test]
        fn two_names_never_look_the_same(
            a in proptest::collection::vec(proptest::sample::select(&b"\\x5Cf\xff\xfe\xc3\xa9"[..]), 1..9),
            b in proptest::collection::vec(proptest::sample::select(&b"\\x5Cf\xff\xfe\xc3\xa9"[..]), 1..9),
        ) {
            let (shown_a, shown_b) = (shown(OsStr::from_bytes(&a)), shown(OsStr::from_bytes(&b)));
            proptest::prop_assert_eq!(a == b, shown_a == shown_b);
        }
    }
}
