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

/// Loads a file anew when it, or one of those it names, has changed.
pub struct FromFile<F> {
    path: PathBuf,
    seen: Vec<(PathBuf, Option<Identity>)>,
    load: F,
}

impl<F: FnMut(&Path) -> Result<(Setup, Vec<PathBuf>), String>> FromFile<F> {
    /// Loads `path` with `load` when it, or one of the files that it names, is no longer as it is now. `load` returns
    /// the files that the configuration names.
    pub fn new(path: &Path, names: Vec<PathBuf>, load: F) -> FromFile<F> {
        let path = path.to_owned();
        let seen = looked_at(&path, names);
        FromFile { path, seen, load }
    }
}

fn looked_at(path: &Path, names: Vec<PathBuf>) -> Vec<(PathBuf, Option<Identity>)> {
    std::iter::once(path.to_owned())
        .chain(names)
        .map(|path| (path.clone(), identity(&path)))
        .collect()
}

impl<F: FnMut(&Path) -> Result<(Setup, Vec<PathBuf>), String>> Reload for FromFile<F> {
    fn changed(&mut self, forced: bool) -> Option<Result<Setup, String>> {
        let paths = self.seen.iter().skip(1).map(|(path, _)| path.clone());
        let now = looked_at(&self.path, paths.collect());
        // Editors replace a file: for a moment there may be none.
        if now.iter().any(|(_, identity)| identity.is_none()) && !forced {
            return None;
        }
        if now == self.seen && !forced {
            return None;
        }
        self.seen = now;
        let loaded = (self.load)(&self.path);
        Some(loaded.map(|(setup, names)| {
            self.seen = looked_at(&self.path, names);
            setup
        }))
    }
}

fn identity(path: &Path) -> Option<Identity> {
    // A link to a configuration is followed: where it leads is what counts.
    std::fs::metadata(path).ok().as_ref().map(Identity::of)
}
