//! `alive.js`: what the program says of itself at every listing, for the pages to say whether it still looks. It is no result:
//! promise 1 does not hold for it, and nothing depends on it.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::publish::{Shelf, Trouble, names};
use crate::terms::Sessions;

use super::clock::now_ms;
use super::engine::{Engine, Mode};
use super::sessions::by_session;
use super::work::Part;

/// What is said; the pages (`src/report/pages/watched.js`) read it.
#[derive(Serialize)]
struct Said<'a> {
    /// `watched`, `stopped` or `swept`.
    state: &'a str,
    /// Local time, of the day where it is watched.
    at: String,
    /// The same, ms since 1970.
    ms: u64,
    /// Time between two listings, s.
    every_s: f64,
    /// When tables and pages were made last by this run, ms since 1970.
    made: u64,
    /// True where the inbox could not be listed.
    trouble: bool,
    /// Where the pages are served, if they are.
    #[serde(skip_serializing_if = "Option::is_none")]
    address: Option<&'a str>,
}

/// The word for what a sweep has made.
const SWEPT: &str = "swept";
/// What stands in an open session's folder: look one folder up.
const LOOK_ABOVE: &str = r#"{"above":true}"#;
/// What stands in a closed one's.
const CLOSED: &str = r#"{"state":"closed","ms":0,"made":0}"#;

/// As a script; the last line shows that it is whole.
fn script(json: &str) -> String {
    format!("slitwatch({json});\n//end\n")
}

/// Says of a session that it is closed, or that it is open.
fn say_of_session(shelf: &Shelf, folder: &str, is_closed: bool) -> Result<(), Trouble> {
    let path = format!("{folder}/{}", names::ALIVE);
    let text = script(if is_closed { CLOSED } else { LOOK_ABOVE });
    if shelf.read(&path).is_some_and(|old| old == text.as_bytes()) {
        return Ok(());
    }
    shelf.put_passing(&path, text.as_bytes())
}

impl Engine<'_> {
    /// Says that the inbox was listed, or could not be.
    pub(super) fn say_alive(&self, trouble: bool) {
        if self.mode == Mode::Watch {
            self.say_of_itself("watched", "%H:%M:%S", trouble);
        }
    }

    /// Says that nobody looks from now on. A sweep that has changed nothing leaves standing when the last one made it.
    pub(super) fn say_gone(&self) {
        let state = match self.mode {
            Mode::Watch => "stopped",
            Mode::Sweep => SWEPT,
        };
        let has_changed = self.has_written || self.report.n_made + self.report.n_removed > 0;
        let stands = || {
            let said = self.shelf.read(names::ALIVE)?;
            let said = String::from_utf8(said).ok()?;
            Some(said.starts_with(&format!("slitwatch({{\"state\":\"{SWEPT}\"")))
        };
        if self.mode == Mode::Watch || has_changed || stands() != Some(true) {
            self.say_of_itself(state, "%Y-%m-%d %H:%M", false);
        }
    }

    fn say_of_itself(&self, state: &str, clock: &str, trouble: bool) {
        let orders = &self.setup.orders;
        let said = Said {
            state,
            at: jiff::ZonedDateTime::now().strftime(clock).to_string(),
            ms: now_ms(),
            every_s: orders.rescan.as_secs_f64(),
            made: self.made_ms,
            trouble,
            address: orders.address.as_deref(),
        };
        let json = serde_json::to_string(&said).unwrap_or_default();
        // Whoever waits for it will notice.
        if let Err(trouble) = self
            .shelf
            .put_passing(names::ALIVE, script(&json).as_bytes())
        {
            tracing::debug!("{trouble}");
        }
    }

    /// Has the pages of each session look above; takes away what stands where there is no session any more.
    pub(super) fn say_in_sessions(&mut self) {
        let orders = &self.setup.orders;
        if orders.sessions == Sessions::None && self.frozen.is_empty() && self.said_in.is_empty() {
            return;
        }
        let mut sessions = by_session(&self.published, orders.sessions);
        let asked_for = |folder: &String| match &orders.part {
            Part::Session(_) => orders.part.has(folder),
            Part::All | Part::Index => true,
        };
        sessions.retain(|folder, _| asked_for(folder));
        let sessions = sessions.into_iter();
        let open = sessions.filter(|(folder, photos)| !folder.is_empty() && !photos.is_empty());
        let mut said = BTreeSet::new();
        let closed = self.frozen.keys().map(|folder| (folder.clone(), true));
        for (folder, is_closed) in open.map(|(folder, _)| (folder, false)).chain(closed) {
            if let Err(trouble) = say_of_session(&self.shelf, &folder, is_closed) {
                tracing::debug!("{trouble}");
            }
            said.insert(folder);
        }
        let gone = self.said_in.difference(&said);
        for folder in gone.filter(|folder| asked_for(folder)) {
            if let Err(trouble) = self.shelf.remove(&format!("{folder}/{}", names::ALIVE)) {
                tracing::debug!("{trouble}");
            }
        }
        self.said_in = said;
    }
}
