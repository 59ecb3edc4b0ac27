//! `closed.json`: what closes a session, and what its results were made by.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::record::Record;

/// What stands in a closed session's folder.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Closed {
    /// Folder of the session.
    pub session: String,
    /// Versions of this program by which its photos' results were made.
    pub versions: BTreeSet<String>,
    /// Hashes of the configurations likewise.
    pub configuration_hashes: BTreeSet<String>,
    /// Photos and other files that have a row.
    pub n_photos: usize,
}

impl Closed {
    /// For the session in `folder` with these records.
    pub fn of<'a>(folder: &str, records: impl Iterator<Item = &'a Record>) -> Closed {
        let mut closed = Closed {
            session: folder.to_owned(),
            ..Closed::default()
        };
        for record in records {
            let made_from = &record.provenance;
            closed.versions.insert(made_from.version.clone());
            let hash = made_from.configuration_hash.clone();
            closed.configuration_hashes.insert(hash);
            closed.n_photos += 1;
        }
        closed
    }
}
