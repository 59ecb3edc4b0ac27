//! Closes a session, so that it is never made again, and takes that back.

use std::path::Path;

use crate::publish::closed::Closed;
use crate::publish::record::Record;
use crate::publish::{Held, Shelf, Trap, names};
use crate::terms::Sessions;

use super::failure::Failure;
use super::work::{Orders, Part};
use super::workbook::workbook_of;

/// Closes the session, writes its workbook, and says in words what stands in it now for good.
///
/// # Errors
/// Where there are no sessions, or not this one, or another slitwatch is at work on the results.
pub fn close(orders: &Orders, session: &str) -> Result<String, Failure> {
    let (shelf, folder) = open(orders, session)?;
    let marker = format!("{folder}/{}", names::CLOSED);
    if shelf.has_file(&marker) {
        return Ok(format!("{session} was closed before; nothing is changed"));
    }
    let inventory = shelf.inventory();
    let within = format!("{folder}/");
    let records: Vec<Record> = inventory
        .folders
        .iter()
        .filter(|(path, _)| path.starts_with(&within))
        .map(|(_, quality)| serde_json::from_slice(quality).unwrap_or_default())
        .collect();
    if records.is_empty() {
        let text = format!("no photo of {session} has its results yet: sweep it first");
        return Err(Failure::Usage(text));
    }
    let closed = Closed::of(&folder, records.iter());
    let mut text =
        serde_json::to_vec_pretty(&closed).map_err(|e| Failure::Work(format!("{marker}: {e}")))?;
    text.push(b'\n');
    // Before the marker: a session that is still open loses it again by the next sweep.
    let book = format!("{folder}/{}", names::WORKBOOK);
    let made = workbook_of(orders, session, &orders.results.join(&folder));
    let said = match &made {
        Ok(bytes) => {
            let put = shelf.put_file(&book, bytes, None);
            put.map_err(|trouble| Failure::Work(trouble.to_string()))?;
            format!(
                "; its tables in one file are {}",
                orders.results.join(book).display()
            )
        }
        Err(why) => format!("; there is no workbook of it: {why}"),
    };
    let put = shelf.put_file(&marker, &text, None);
    put.map_err(|trouble| Failure::Work(trouble.to_string()))?;
    let versions: Vec<String> = closed.versions.into_iter().collect();
    Ok(format!(
        "{session} is closed with {} photos, made by version {}: it stays as it is; `slitwatch reopen {session}` takes that back{said}",
        closed.n_photos,
        versions.join(" and ")
    ))
}

/// Opens a closed session again: it is brought up to date by the next sweep, or by the daemon.
///
/// # Errors
/// As [`close`].
pub fn reopen(orders: &Orders, session: &str) -> Result<String, Failure> {
    let (shelf, folder) = open(orders, session)?;
    let marker = format!("{folder}/{}", names::CLOSED);
    if !shelf.has_file(&marker) {
        return Ok(format!("{session} is open; nothing is changed"));
    }
    for file in [marker, format!("{folder}/{}", names::WORKBOOK)] {
        if shelf.has_file(&file) {
            let removed = shelf.remove(&file);
            removed.map_err(|trouble| Failure::Work(trouble.to_string()))?;
        }
    }
    Ok(format!(
        "{session} is open again: the next sweep, or the daemon, brings it up to date"
    ))
}

/// The results, and the session's folder in them.
fn open(orders: &Orders, session: &str) -> Result<(Shelf, String), Failure> {
    need_sessions(orders)?;
    let folder = names::session_folder(session);
    if !orders.results.join(&folder).is_dir() {
        return Err(no_such_session(&orders.results, session));
    }
    let held = Held::Session(folder.clone());
    let shelf = Shelf::open_part(&orders.results, held, Trap::from_environment())?;
    Ok((shelf, folder))
}

/// Refuses a session that is closed, and sessions where there are none.
///
/// # Errors
/// [`Failure::Usage`] there.
pub fn check_part(orders: &Orders) -> Result<(), Failure> {
    if orders.part == Part::All {
        return Ok(());
    }
    need_sessions(orders)?;
    if let Part::Session(session) = &orders.part {
        let folder = orders.results.join(names::session_folder(session));
        if folder.join(names::CLOSED).exists() {
            let text = format!("{session} is closed: `slitwatch reopen {session}` comes first");
            return Err(Failure::Usage(text));
        }
    }
    Ok(())
}

/// Refuses to speak of sessions where the inbox is one class.
fn need_sessions(orders: &Orders) -> Result<(), Failure> {
    if orders.sessions == Sessions::None {
        let text = "the inbox is one class: say `sessions: {by: folder}` or `{by: date}` in the configuration";
        return Err(Failure::Usage(text.to_owned()));
    }
    Ok(())
}

/// Why a session cannot be worked on that is not there.
pub fn no_such_session(results: &Path, session: &str) -> Failure {
    Failure::Usage(format!(
        "there is no session {session:?} in {}; {} lists them",
        results.display(),
        results.join("index.html").display()
    ))
}
