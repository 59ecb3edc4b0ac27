//! What is asked and answered, whatever the system.

/// Which file something is, as far as the system tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
pub struct FileNumbers {
    /// Device; 0 where not told.
    pub device: u64,
    /// Number on the device; 0 where not told.
    pub number: u64,
    /// Time of the last change of content, ns since 1970; may be set to anything.
    pub modified_ns: i64,
    /// Time of the last change of anything, ns since 1970, by the file system's clock; 0 where not told.
    pub changed_ns: i64,
}

/// Room on a disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Space {
    /// Bytes that this account may still write.
    pub bytes: u64,
    /// Files that can still be made; absent where that has no limit.
    pub files: Option<u64>,
}

/// What this account may do with a file or a folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Right {
    /// Read a file.
    Read,
    /// Make files in a folder.
    MakeFiles,
}

/// What somebody outside asks of the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// To end.
    Stop,
    /// To read the configuration again.
    Reload,
}

/// What the service manager is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word<'a> {
    /// The work has begun.
    Ready,
    /// The program is at work.
    Alive,
    /// The service's one line of status.
    Status(&'a str),
    /// No new work is begun.
    Stopping,
}
