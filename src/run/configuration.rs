//! Which configuration counts: the one that is named, else one that lies here, else the built-in settings.

use std::fs;
use std::path::{Path, PathBuf};

/// Where a configuration that nobody names is looked for, from the working folder on; the first goes before the second.
const USUAL: [&str; 2] = ["lab.yaml", "config/lab.yaml"];

/// Where the settings come from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Configuration {
    /// A file that was named.
    Named(PathBuf),
    /// A file that lies where it usually does.
    Found(PathBuf),
    /// No file: what is built into the program.
    BuiltIn,
}

impl Configuration {
    /// The configuration `named`, or that of the working folder.
    pub fn find(named: Option<&Path>) -> Configuration {
        // A link that leads nowhere, or a folder, is somebody's mistake and no reason for other settings.
        let is_there = |path: &&&str| fs::symlink_metadata(path).is_ok();
        match (named, USUAL.iter().find(is_there)) {
            (Some(named), _) => Configuration::Named(named.to_owned()),
            (None, Some(usual)) => Configuration::Found(PathBuf::from(usual)),
            (None, None) => Configuration::BuiltIn,
        }
    }

    /// The file, if it is one.
    pub fn file(&self) -> Option<&Path> {
        match self {
            Configuration::Named(path) | Configuration::Found(path) => Some(path),
            Configuration::BuiltIn => None,
        }
    }

    /// Files that may become the configuration while there is none.
    pub fn awaited(&self) -> Vec<PathBuf> {
        match self {
            Configuration::BuiltIn => USUAL.map(PathBuf::from).to_vec(),
            _ => Vec::new(),
        }
    }

    /// Which it is, in words, where nobody has named it.
    pub fn said(&self) -> Option<String> {
        match self {
            Configuration::Named(_) => None,
            Configuration::Found(path) => Some(format!("configuration: {}", path.display())),
            Configuration::BuiltIn => Some(
                "configuration: the built-in settings, for here is neither lab.yaml nor config/lab.yaml (slitwatch init writes one)"
                    .to_owned(),
            ),
        }
    }
}
