//! Linux, by its system calls (rustix), its service manager (sd-notify) and `/proc`.

use std::fs::{self, File, FileType, Metadata};
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Component, Path};
use std::process::Child;
use std::time::Duration;

use rustix::fs::{Access, CWD, Mode, OFlags, RenameFlags, openat};
use rustix::io::Errno;
use rustix::process::{Pid, Resource, Rlimit};
use sd_notify::NotifyState;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::iterator::Signals;

use super::words::{FileNumbers, Right, Signal, Space, Word};

/// Which file something is.
pub fn file_numbers(metadata: &Metadata) -> FileNumbers {
    let ns = |s: i64, ns: i64| s.saturating_mul(1_000_000_000).saturating_add(ns);
    FileNumbers {
        device: metadata.dev(),
        number: metadata.ino(),
        modified_ns: ns(metadata.mtime(), metadata.mtime_nsec()),
        changed_ns: ns(metadata.ctime(), metadata.ctime_nsec()),
    }
}

/// What something is that is neither a plain file, a folder nor a link.
pub fn kind_of_no_file(kind: FileType) -> &'static str {
    match kind {
        kind if kind.is_fifo() => "a named pipe",
        kind if kind.is_socket() => "a socket",
        _ => "a device",
    }
}

/// Opens a plain file below `root` for reading: over no link, neither in its own place nor in that of a folder above it, and without
/// waiting for the other end of a pipe. Whoever opens it looks whether it is a plain file.
///
/// # Errors
/// The system's; [`is_link_in_the_way`] knows that of a link.
pub fn open_plain(root: &Path, below: &Path) -> io::Result<File> {
    opened(
        root,
        below,
        OFlags::RDONLY | OFlags::NONBLOCK | OFlags::NOCTTY,
    )
}

/// What stands at a place below `root`, over no link.
///
/// # Errors
/// As [`open_plain`].
pub fn look_at(root: &Path, below: &Path) -> io::Result<Metadata> {
    opened(root, below, OFlags::PATH)?.metadata()
}

/// Step by step, because no kernel before 5.6 does it at once.
fn opened(root: &Path, below: &Path, how: OFlags) -> io::Result<File> {
    let as_folder = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let mut steps = Vec::new();
    for step in below.components() {
        match step {
            Component::Normal(name) => steps.push(name),
            _ => return Err(io::ErrorKind::InvalidInput.into()),
        }
    }
    let (name, folders) = steps.split_last().ok_or(io::ErrorKind::InvalidInput)?;
    let mut here: OwnedFd = openat(CWD, root, as_folder, Mode::empty())?;
    for folder in folders {
        here = openat(&here, *folder, as_folder | OFlags::NOFOLLOW, Mode::empty())?;
    }
    let by_itself = OFlags::NOFOLLOW | OFlags::CLOEXEC;
    Ok(openat(&here, *name, how | by_itself, Mode::empty())?.into())
}

/// True for the error that a link in the way gives, and for that of a folder which is being renamed just then.
pub fn is_link_in_the_way(error: &io::Error) -> bool {
    // With O_DIRECTORY a link is no folder: open(2).
    let those = [Errno::LOOP, Errno::AGAIN, Errno::NOTDIR];
    let is = |errno: &Errno| error.raw_os_error() == Some(errno.raw_os_error());
    those.iter().any(is)
}

/// Gives two things below one folder each other's name, at once; false where the file system cannot.
///
/// # Errors
/// The system's.
pub fn change_places(one: &Path, other: &Path) -> io::Result<bool> {
    match rustix::fs::renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE) {
        Ok(()) => Ok(true),
        Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => Ok(false),
        Err(errno) => Err(errno.into()),
    }
}

/// Brings the names in a folder to the disk.
///
/// # Errors
/// The system's.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    match File::open(folder)?.sync_all() {
        // Some network file systems have no such thing for folders.
        Err(error) if error.kind() == io::ErrorKind::InvalidInput => Ok(()),
        other => other,
    }
}

/// True where the disk itself failed, so that no other file fares better.
pub fn disk_is_at_fault(error: &io::Error) -> bool {
    error.raw_os_error() == Some(Errno::IO.raw_os_error())
}

/// The name of a file system on which another machine's, or another program's, changes raise no events.
///
/// Numbers: `linux/magic.h` and statfs(2).
pub fn network_kind(path: &Path) -> Option<&'static str> {
    network_name(magic(path)?)
}

/// True on the file systems on which a file's number and its time of last change together mean its content: that time
/// is set by this machine's kernel at every write and by nobody else, in steps far below two seconds.
///
/// Left out are those of other systems (FAT has neither numbers nor such a time) and layers over other file systems,
/// whose numbers change. Numbers: `linux/magic.h`; ZFS on Linux, `sys/zfs_vfsops.h`.
pub fn numbers_mean_content(path: &Path) -> bool {
    magic(path).is_some_and(is_local)
}

fn magic(path: &Path) -> Option<u32> {
    // The type of the field differs between machines; the numbers have 32 bits.
    Some(rustix::fs::statfs(path).ok()?.f_type as u32)
}

fn is_local(magic: u32) -> bool {
    // ext2 to ext4, XFS, Btrfs, F2FS, tmpfs, ZFS.
    const LOCAL: [u32; 6] = [
        0xEF53,
        0x5846_5342,
        0x9123_683E,
        0xF2F5_2010,
        0x0102_1994,
        0x2FC1_2FC1,
    ];
    LOCAL.contains(&magic)
}

fn network_name(magic: u32) -> Option<&'static str> {
    match magic {
        0x6969 => Some("NFS"),
        0xFF53_4D42 | 0xFE53_4D42 | 0x517B => Some("SMB"),
        0x6573_5546 => Some("FUSE"),
        0x0102_1997 => Some("9P"),
        0x786F_4256 => Some("VirtualBox shared"),
        0x5346_414F => Some("AFS"),
        0x00C3_6400 => Some("Ceph"),
        _ => None,
    }
}

/// Room on the disk on which `path` lies.
///
/// # Errors
/// The system's.
pub fn space(path: &Path) -> io::Result<Space> {
    let space = rustix::fs::statvfs(path)?;
    Ok(Space {
        bytes: space.f_bavail.saturating_mul(space.f_frsize),
        // Some file systems have no such limit, and say 0 of 0.
        files: (space.f_files > 0).then_some(space.f_favail),
    })
}

/// True where this account has the right.
pub fn allowed(path: &Path, right: Right) -> bool {
    let access = match right {
        Right::Read => Access::READ_OK,
        Right::MakeFiles => Access::WRITE_OK | Access::EXEC_OK,
    };
    rustix::fs::access(path, access).is_ok()
}

/// Files that this process may have open at once.
pub fn open_files() -> Option<u64> {
    rustix::process::getrlimit(Resource::Nofile).current
}

/// Memory that the system could give, bytes: what it calls available, proc_meminfo(5).
pub fn free_memory() -> Option<u64> {
    let text = fs::read_to_string("/proc/meminfo").ok()?;
    let mut lines = text.lines();
    let line = lines.find_map(|line| line.strip_prefix("MemAvailable:"))?;
    let kib: u64 = line.split_whitespace().next()?.parse().ok()?;
    Some(kib << 10)
}

/// One of the kernel's settings that is a number, by its name with dots: proc_sys(5).
pub fn kernel_limit(name: &str) -> Option<u64> {
    let file = format!("/proc/sys/{}", name.replace('.', "/"));
    fs::read_to_string(file).ok()?.trim().parse().ok()
}

/// Processor time of this process so far, all threads together, s.
pub fn processor_time_s() -> Option<f64> {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Some(time.tv_sec as f64 + 1e-9 * time.tv_nsec as f64)
}

/// From now on hears what is asked of the program: SIGINT and SIGTERM, and SIGHUP. The iterator waits for each.
///
/// # Errors
/// Where the system refuses the handlers.
pub fn signals() -> io::Result<impl Iterator<Item = Signal> + Send> {
    let mut signals = Signals::new([SIGINT, SIGTERM, SIGHUP])?;
    let one = move || signals.forever().next();
    Ok(std::iter::from_fn(one).map(|signal| match signal {
        SIGHUP => Signal::Reload,
        _ => Signal::Stop,
    }))
}

/// The service manager ends a program of which it does not hear for so long.
pub fn manager_waits() -> Option<Duration> {
    sd_notify::watchdog_enabled()
}

/// Tells the service manager, where there is one.
pub fn tell_manager(word: Word<'_>) {
    let state = match word {
        Word::Ready => NotifyState::Ready,
        Word::Alive => NotifyState::Watchdog,
        Word::Status(text) => NotifyState::Status(text),
        Word::Stopping => NotifyState::Stopping,
    };
    // Nobody listening is the ordinary case outside a service manager.
    let _ = sd_notify::notify(&[state]);
}

/// What ends `child`, from any thread, as long as it has not been waited for.
pub fn killer(child: &Child) -> impl Fn() + Send + use<> {
    let pid = Pid::from_child(child);
    move || {
        let _ = rustix::process::kill_process(pid, rustix::process::Signal::KILL);
    }
}

/// From now on this process gets no more memory than so many bytes of address space, which no code in it gets around.
///
/// # Errors
/// The system's.
pub fn limit_own_memory(bytes: u64) -> io::Result<()> {
    let limit = Rlimit {
        current: Some(bytes),
        maximum: Some(bytes),
    };
    Ok(rustix::process::setrlimit(Resource::As, limit)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// No such mount can be made in a test: the numbers are the interface, and are checked against the kernel's list.
    #[test]
    fn network_file_systems_are_polled_and_local_ones_are_watched() {
        // linux/magic.h, from memory and from statfs(2).
        let polled = [
            (0x6969, "NFS"),
            (0xFF53_4D42, "SMB"),
            (0xFE53_4D42, "SMB"),
            (0x6573_5546, "FUSE"),
            (0x0102_1997, "9P"),
        ];
        for (magic, name) in polled {
            assert_eq!(network_name(magic), Some(name));
            assert!(!is_local(magic));
        }
        // ext4, tmpfs, Btrfs are heard; FAT and overlays are heard, but their files' numbers are not relied on.
        for magic in [0xEF53, 0x0102_1994, 0x9123_683E] {
            assert!(network_name(magic).is_none() && is_local(magic));
        }
        for magic in [0x4D44, 0x794C_7630] {
            assert!(network_name(magic).is_none() && !is_local(magic));
        }
    }
}
