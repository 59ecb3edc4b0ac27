//! What spans the sessions: `index.html` lists them, `board.html` leads to the latest one's board, `late.csv` has the photos
//! that came for one that is closed, and `instruments.csv`, `.html` and `.js` have each bench's instrument from session to session.

use askama::Template;

use super::Sink;
use super::dictionary::{INSTRUMENTS, LATE};
use super::package::{self, Package};
use super::pages;
use super::settled::n_to_retake;
use super::term;
use crate::classify::stated::Stated;
use crate::publish::closed::Closed;
use crate::publish::files::table::{Row, Table};
use crate::publish::record::Record;
use crate::publish::{names, public, words};
use crate::terms::{Phrases, Verdict};

/// Letters of a hash of settings that are shown: enough to tell two of them apart.
const HASH_SHOWN: usize = 12;

/// A session with what stands of it.
pub struct Session<'a> {
    /// Its folder below the results.
    pub folder: &'a str,
    /// Its photos' records, in any order.
    pub records: Vec<&'a Record>,
    /// What it was closed with; absent where it is open.
    pub closed: Option<&'a Closed>,
}

/// A photo that came for a closed session, or is another than when it was closed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Late {
    /// Path below the inbox.
    pub photo: String,
    /// Folder of its session.
    pub session: String,
    /// When it was taken, ISO 8601; absent where it does not say.
    pub taken: Option<String>,
    /// True where the closed session has another photo of this path.
    pub is_changed: bool,
    /// BLAKE3 of its bytes, hexadecimal.
    pub photo_hash: String,
}

#[derive(Template)]
#[template(path = "sessions.html", config = "src/report/askama.toml")]
struct Index<'a> {
    t: &'a Phrases,
    title: String,
    refresh_s: u32,
    sessions: Vec<Line>,
    n_late: usize,
}

/// A session in the list.
struct Line {
    class: &'static str,
    name: String,
    href: String,
    state: String,
    photos: usize,
    usable: usize,
    from: String,
    to: String,
    made_by: String,
}

#[derive(Template)]
#[template(path = "leads.html", config = "src/report/askama.toml")]
struct Leads<'a> {
    t: &'a Phrases,
    title: String,
    refresh_s: u32,
    name: String,
    href: String,
}

/// Hands over what spans the sessions. Without sessions that is `late.csv` alone.
pub fn spanning(
    title: &str,
    sessions: &[Session<'_>],
    late: &[Late],
    (stated, refresh_s, t): (&Stated, u32, &Phrases),
    out: &mut dyn Sink,
) {
    let has_closed = sessions.iter().any(|s| s.closed.is_some());
    if has_closed || !late.is_empty() {
        out.put(LATE.file, &late_csv(late), false);
    }
    if sessions.is_empty() && !late.is_empty() {
        return;
    }
    let mut package = Package::new(title);
    if has_closed || !late.is_empty() {
        package.add("", &LATE, LATE.columns);
    }
    let photos = sessions.iter().map(|s| (s.folder, s.records.clone()));
    let photos: Vec<_> = photos.collect();
    let instruments = term::of_sessions(photos.clone());
    out.put(
        INSTRUMENTS.file,
        &term::instruments_csv(&instruments),
        false,
    );
    package.add("", &INSTRUMENTS, INSTRUMENTS.columns);
    out.put(package::FILE, &package.json(), false);
    let page = term::instruments_html(title, &instruments, refresh_s, t);
    out.put(names::INSTRUMENTS, page.as_bytes(), false);
    let script = term::instruments_js(photos, &instruments, t);
    out.put(names::BEFORE, script.as_bytes(), false);
    let title = words::visible(title);
    let index = Index {
        t,
        title: title.clone(),
        refresh_s,
        sessions: sessions.iter().map(|s| line(s, stated, t)).collect(),
        n_late: late.len(),
    };
    let page = index.render().expect("writing to memory does not fail");
    out.put("index.html", page.as_bytes(), false);
    let latest = |s: &&Session<'_>| s.records.iter().filter_map(|r| r.taken.clone()).max();
    let last = sessions.iter().max_by_key(|s| (latest(s), s.folder));
    let leads = Leads {
        t,
        title,
        refresh_s,
        name: last.map_or_else(String::new, |s| words::visible(s.folder)),
        href: last.map_or_else(String::new, board_of),
    };
    let page = leads.render().expect("writing to memory does not fail");
    out.put("board.html", page.as_bytes(), false);
}

fn board_of(session: &Session<'_>) -> String {
    format!("{}/board.html", public::href(session.folder))
}

fn line(session: &Session<'_>, stated: &Stated, t: &Phrases) -> Line {
    let records = || session.records.iter().copied();
    let n_retake = n_to_retake(records(), stated);
    let (class, state) = match (session.closed, n_retake) {
        (Some(_), _) => ("i", t.say("sessions.closed")),
        (None, 0) => ("g", t.say("sessions.open")),
        (None, n) => ("r", t.of("sessions.open_retakes").put("n", n).to_string()),
    };
    let mut taken: Vec<&str> = records().filter_map(|r| r.taken.as_deref()).collect();
    taken.sort_unstable();
    let when = |at: Option<&&str>| words::visible(&pages::when(at.copied()));
    let made_by = session.closed.map_or(String::new(), |closed| {
        let shortened = |hash: &String| hash.chars().take(HASH_SHOWN).collect();
        let versions: Vec<String> = closed.versions.iter().cloned().collect();
        let settings: Vec<String> = closed.configuration_hashes.iter().map(shortened).collect();
        let text = t
            .of("sessions.versions")
            .put("versions", versions.join(", "));
        let text = text.put("settings", settings.join(", "));
        words::visible(&text.to_string())
    });
    Line {
        class,
        name: words::visible(session.folder),
        href: board_of(session),
        state,
        photos: records().filter(|r| r.verdict != Verdict::Ignored).count(),
        usable: records().filter(|r| r.is_usable()).count(),
        from: when(taken.first()),
        to: when(taken.last()),
        made_by,
    }
}

/// A row for each late photo, by path.
fn late_csv(late: &[Late]) -> Vec<u8> {
    let mut table = Table::new(LATE.columns);
    for photo in late {
        let row = Row::default()
            .text(&photo.photo)
            .text(&photo.session)
            .text(photo.taken.as_deref().unwrap_or_default())
            .cell(if photo.is_changed { "changed" } else { "new" })
            .cell(&photo.photo_hash);
        table.push(row);
    }
    table.finish()
}
