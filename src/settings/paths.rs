//! Folders as a configuration names them: whether two of them lie in each other, and how a path reads without detours.

use std::path::{Component, Path, PathBuf};

/// How inbox and results lie in each other, in words; absent where they lie apart.
pub fn overlap(inbox: &Path, results: &Path) -> Option<&'static str> {
    let (inbox, results) = (plain(inbox), plain(results));
    if inbox == results {
        Some("inbox and results are the same folder")
    } else if results.starts_with(&inbox) {
        Some("results lie inside the inbox")
    } else if inbox.starts_with(&results) {
        Some("the inbox lies inside the results")
    } else {
        None
    }
}

/// `path` made absolute, without detours.
fn plain(path: &Path) -> PathBuf {
    let absolute = std::path::absolute(path);
    without_detours(&absolute.unwrap_or_else(|_| path.to_owned()))
}

/// `path` with `..` worked out from the text alone: where a part of it is a symbolic link the file system goes another way.
pub fn without_detours(path: &Path) -> PathBuf {
    let mut plain = PathBuf::new();
    for component in path.components() {
        match (component, plain.components().next_back()) {
            (Component::ParentDir, Some(Component::Normal(_))) => {
                plain.pop();
            }
            (Component::ParentDir, Some(Component::RootDir)) => {}
            _ => plain.push(component),
        }
    }
    plain
}
