//! Picks up a configuration that was edited while the daemon runs; a faulty one is reported and the old one stays.

use std::path::{Path, PathBuf};

use crate::arrive::listing::Identity;

use super::work::Setup;

/// Says whether there is a new configuration.
pub trait Reload {
    /// Called at every listing; `forced` where a person asked for it. `Err` is a configuration that cannot be used, in
    /// words.
    fn changed(&mut self, forced: bool) -> Option<Result<Setup, String>>;
}

/// The configuration does not change.
pub struct Never;

impl Reload for Never {
    fn changed(&mut self, _forced: bool) -> Option<Result<Setup, String>> {
        None
    }
}

/// Loads a file anew when it has changed.
pub struct FromFile<F> {
    path: PathBuf,
    seen: Option<Identity>,
    load: F,
}

impl<F: FnMut(&Path) -> Result<Setup, String>> FromFile<F> {
    /// Loads `path` with `load` when it is no longer as it is now.
    pub fn new(path: &Path, load: F) -> FromFile<F> {
        FromFile {
            path: path.to_owned(),
            seen: identity(path),
            load,
        }
    }
}

impl<F: FnMut(&Path) -> Result<Setup, String>> Reload for FromFile<F> {
    fn changed(&mut self, forced: bool) -> Option<Result<Setup, String>> {
        let now = identity(&self.path);
        // Editors replace the file: for a moment there may be none.
        if now.is_none() || now == self.seen && !forced {
            return None;
        }
        self.seen = now;
        Some((self.load)(&self.path))
    }
}

fn identity(path: &Path) -> Option<Identity> {
    // A link to a configuration is followed: where it leads is what counts.
    std::fs::metadata(path).ok().as_ref().map(Identity::of)
}
