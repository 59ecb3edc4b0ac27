//! The published photos by their sessions: what is made like a class of its own, and what stands of closed ones.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::arrive::listing::{Listing, Rel};
use crate::publish::closed::Closed;
use crate::publish::record::Record;
use crate::report::{Late, Session};
use crate::terms::Sessions;

use super::world::Published;

/// Photos by their folders below the session's, in the order of their paths.
pub type Photos = Vec<(String, Arc<Record>)>;

/// What stands of a closed session.
#[derive(Clone, Debug, Default)]
pub struct Frozen {
    /// What it was made by.
    pub closed: Closed,
    /// Its photos.
    pub photos: Photos,
}

/// What spans the sessions, before it is made into pages.
pub struct Over {
    /// Every session's folder and photos, and what it was closed with.
    pub sessions: Vec<(String, Photos, Option<Closed>)>,
    /// Photos that came for a closed one.
    pub late: Vec<Late>,
}

impl Over {
    /// The sessions as the pages show them.
    pub fn sessions(&self) -> Vec<Session<'_>> {
        let all = self.sessions.iter();
        all.map(|(folder, photos, closed)| Session {
            folder,
            records: photos.iter().map(|(_, record)| record.as_ref()).collect(),
            closed: closed.as_ref(),
        })
        .collect()
    }
}

/// The photos that are published, by the folders of their sessions; all under no name where the inbox is one class. Empty
/// records stand for what is not this program's, and count for nothing.
pub fn by_session(published: &Published, sessions: Sessions) -> BTreeMap<String, Photos> {
    let mut found: BTreeMap<String, Photos> = BTreeMap::new();
    if sessions == Sessions::None {
        found.insert(String::new(), Vec::new());
    }
    for (folder, record) in published {
        let at = match sessions {
            Sessions::None => Some(("", folder.as_str())),
            _ => folder
                .split_once('/')
                .filter(|(_, below)| below.contains('/')),
        };
        if let (Some((session, below)), false) = (at, record.photo.is_empty()) {
            let photos = found.entry(session.to_owned()).or_default();
            photos.push((below.to_owned(), record.clone()));
        }
    }
    for photos in found.values_mut() {
        photos.sort_by(|(_, a), (_, b)| a.photo.cmp(&b.photo));
    }
    found
}

/// A folder of the inbox that looks like a date, where the inbox is one class: it may hold several sessions.
pub fn dated_folder(listing: &Listing) -> Option<String> {
    let first = |path: &Rel| Some(path.shown().split_once('/')?.0.to_owned());
    let mut folders = listing.entries.keys().filter_map(first);
    folders.find(|folder| folder.parse::<jiff::civil::Date>().is_ok())
}

/// What is said of an inbox that has a folder named by a date, and no sessions.
pub fn dated_words(folder: &str) -> String {
    format!(
        "the folder {folder:?} looks like a date, and is taken for a bench: where the inbox holds several sessions, say \
         `sessions: {{by: folder}}`"
    )
}
