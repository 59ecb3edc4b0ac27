//! Any system, by Rust's own library alone. What that does not tell is "not known", and what it cannot do is not done: files are
//! then read more often, folders are exchanged in two steps, limits are not foretold. It is built and tested on Linux too, by
//! `RUSTFLAGS="--cfg portable"`.

use std::fs::{self, File, FileType, Metadata, OpenOptions};
use std::io;
use std::path::{Component, Path};
use std::process::Child;
use std::time::{Duration, SystemTime};

use super::words::{FileNumbers, Right, Signal, Space, Word};

/// Which file something is: the time at which it was made stands for its number.
pub fn file_numbers(metadata: &Metadata) -> FileNumbers {
    let ns = |time: io::Result<SystemTime>| {
        let since = time.ok()?.duration_since(SystemTime::UNIX_EPOCH).ok()?;
        i64::try_from(since.as_nanos()).ok()
    };
    let made_ns = ns(metadata.created()).unwrap_or_default();
    FileNumbers {
        device: 0,
        number: made_ns.cast_unsigned(),
        modified_ns: ns(metadata.modified()).unwrap_or_default(),
        changed_ns: 0,
    }
}

/// What something is that is neither a plain file, a folder nor a link.
pub fn kind_of_no_file(_kind: FileType) -> &'static str {
    "a pipe or a device"
}

/// Opens a plain file below `root` for reading: over no link, neither in its own place nor in that of a folder above it. Who can
/// put a link in place between looking and opening is not kept out.
///
/// # Errors
/// The system's; [`is_link_in_the_way`] knows that of a link.
pub fn open_plain(root: &Path, below: &Path) -> io::Result<File> {
    // Opening a pipe would wait for its other end.
    if !look_at(root, below)?.is_file() {
        return Err(io::ErrorKind::InvalidInput.into());
    }
    OpenOptions::new().read(true).open(root.join(below))
}

/// What stands at a place below `root`, over no link.
///
/// # Errors
/// As [`open_plain`].
pub fn look_at(root: &Path, below: &Path) -> io::Result<Metadata> {
    let mut at = root.to_owned();
    let mut found = None;
    for step in below.components() {
        let Component::Normal(name) = step else {
            return Err(io::ErrorKind::InvalidInput.into());
        };
        at.push(name);
        let metadata = fs::symlink_metadata(&at)?;
        if metadata.is_symlink() {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        found = Some(metadata);
    }
    found.ok_or_else(|| io::ErrorKind::InvalidInput.into())
}

/// True for the error that a link in the way gives.
pub fn is_link_in_the_way(error: &io::Error) -> bool {
    let kind = error.kind();
    matches!(
        kind,
        io::ErrorKind::InvalidInput | io::ErrorKind::NotADirectory
    )
}

/// False: no such step is known everywhere.
///
/// # Errors
/// None.
pub fn change_places(_one: &Path, _other: &Path) -> io::Result<bool> {
    Ok(false)
}

/// Brings the names in a folder to the disk, where folders can be opened.
///
/// # Errors
/// None: where they cannot, the system does it by itself.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
    Ok(())
}

/// False: the number of that error is each system's own.
pub fn disk_is_at_fault(_error: &io::Error) -> bool {
    false
}

/// Not known: events are relied on, and a listing is due at regular intervals whatever is heard.
pub fn network_kind(_path: &Path) -> Option<&'static str> {
    None
}

/// False: every file is read to know whether it has changed.
pub fn numbers_mean_content(_path: &Path) -> bool {
    false
}

/// Not known.
///
/// # Errors
/// Always.
pub fn space(_path: &Path) -> io::Result<Space> {
    Err(io::ErrorKind::Unsupported.into())
}

/// True where nothing is known against it.
pub fn allowed(path: &Path, right: Right) -> bool {
    match right {
        Right::Read => File::open(path).is_ok(),
        Right::MakeFiles => fs::metadata(path).is_ok_and(|folder| !folder.permissions().readonly()),
    }
}

/// Not known.
pub fn open_files() -> Option<u64> {
    None
}

/// Not known.
pub fn free_memory() -> Option<u64> {
    None
}

/// Not known.
pub fn kernel_limit(_name: &str) -> Option<u64> {
    None
}

/// Not known.
pub fn processor_time_s() -> Option<f64> {
    None
}

/// Nothing is heard: whoever ends the program ends it at once, and the next start goes on where it was.
///
/// # Errors
/// None.
pub fn signals() -> io::Result<impl Iterator<Item = Signal> + Send> {
    Ok(std::iter::empty())
}

/// There is no service manager.
pub fn manager_waits() -> Option<Duration> {
    None
}

/// There is no service manager.
pub fn tell_manager(_word: Word<'_>) {}

/// Nothing ends `child` from another thread: it is waited for.
pub fn killer(_child: &Child) -> impl Fn() + Send + use<> {
    || {}
}

/// Cannot be had.
///
/// # Errors
/// Always.
pub fn limit_own_memory(_bytes: u64) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}
