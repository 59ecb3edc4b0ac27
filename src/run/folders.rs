//! Whether the inbox and the results can be used as they lie.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::failure::Failure;

/// Refuses an inbox that is not there, and folders that lie in each other: the program would read what it writes.
///
/// # Errors
/// [`Failure::Usage`] with what is wrong.
pub fn check_folders(inbox: &Path, results: &Path) -> Result<(), Failure> {
    let usage = |text: String| Err(Failure::Usage(text));
    match fs::metadata(inbox) {
        Ok(metadata) if metadata.is_dir() => {}
        Ok(_) => {
            return usage(format!(
                "the inbox \"{}\" is not a folder; name the folder that the photos arrive in",
                inbox.display()
            ));
        }
        Err(error) => {
            return usage(format!(
                "the inbox \"{}\" cannot be opened ({error}); create it (slitwatch init makes one), or name another with --inbox or in the configuration",
                inbox.display()
            ));
        }
    }
    if fs::symlink_metadata(results).is_ok() && !results.is_dir() {
        return usage(format!(
            "the results folder {} is not a folder; name another with --results or in the configuration",
            results.display()
        ));
    }
    let real_inbox = real(inbox).unwrap_or_else(|_| inbox.to_owned());
    let real_results = real(results).unwrap_or_else(|_| results.to_owned());
    if real_results.starts_with(&real_inbox) {
        return usage(format!(
            "the results folder {} lies in the inbox {}: its pictures would be taken for photos; put it beside the inbox",
            results.display(),
            inbox.display()
        ));
    }
    if real_inbox.starts_with(&real_results) {
        return usage(format!(
            "the inbox {} lies in the results folder {}, which is for results only; put it beside it",
            inbox.display(),
            results.display()
        ));
    }
    Ok(())
}

/// The path without links and dots; what does not exist yet is added to what does.
fn real(path: &Path) -> io::Result<PathBuf> {
    let absolute = std::path::absolute(path)?;
    let mut missing = Vec::new();
    let mut at = absolute.as_path();
    loop {
        match fs::canonicalize(at) {
            Ok(mut found) => {
                found.extend(missing.iter().rev());
                return Ok(found);
            }
            Err(error) => match (at.parent(), at.file_name()) {
                (Some(parent), Some(name)) => {
                    missing.push(name.to_owned());
                    at = parent;
                }
                _ => return Err(error),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_that_lie_in_each_other_are_refused() {
        let parent = tempfile::tempdir().unwrap();
        let at = |name: &str| parent.path().join(name);
        fs::create_dir_all(at("inbox/heron")).unwrap();
        fs::create_dir_all(at("other")).unwrap();
        std::os::unix::fs::symlink(at("inbox"), at("link")).unwrap();
        let refused = |inbox: &str, results: &str| {
            matches!(
                check_folders(&at(inbox), &at(results)),
                Err(Failure::Usage(_))
            )
        };
        assert!(refused("inbox", "inbox"));
        assert!(refused("inbox", "inbox/results"));
        assert!(refused("inbox", "link/heron/results"));
        assert!(refused("link", "inbox/not/there/yet"));
        assert!(refused("inbox", "."));
        assert!(refused("nowhere", "results"));
        assert!(!refused("inbox", "results"));
        assert!(!refused("inbox", "inbox-results"));
        assert!(!refused("inbox", "not/there/yet"));
    }
}
