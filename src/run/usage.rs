//! Before the class begins: what the results take on the disk, session by session.

use std::fs;
use std::path::Path;

use crate::publish::names;
use crate::settings::Settings;
use crate::terms::Sessions;

/// Sessions that are named in the one line that everybody reads: the largest ones.
const NAMED: usize = 3;

/// Says what the results take; in `each` there is a line for each session, by name. Nothing where there are none yet.
pub fn usage(settings: &Settings, said: &mut Vec<String>, each: &mut Vec<String>) {
    let results = &settings.results;
    let mut sessions: Vec<(String, u64, bool)> = folders(results)
        .map(|(name, path)| {
            let is_closed = path.join(names::CLOSED).exists();
            (name, bytes_below(&path), is_closed)
        })
        .collect();
    let bytes_at_top: u64 = files(results).map(|(_, bytes)| bytes).sum();
    let all = bytes_at_top + sessions.iter().map(|s| s.1).sum::<u64>();
    if all == 0 {
        return;
    }
    let taken = format!("ok: the results take {}", mib(all));
    if settings.sessions == Sessions::None {
        said.push(taken);
        return;
    }
    sessions.sort();
    let line = |(name, bytes, is_closed): &(String, u64, bool)| {
        let closed = if *is_closed { ", closed" } else { "" };
        format!("{name:?} {}{closed}", mib(*bytes))
    };
    each.extend(
        sessions
            .iter()
            .map(|s| format!("ok: the session {}", line(s))),
    );
    sessions.sort_by_key(|s| std::cmp::Reverse(s.1));
    let largest: Vec<String> = sessions.iter().take(NAMED).map(line).collect();
    let more = match sessions.len().saturating_sub(NAMED) {
        0 => String::new(),
        n => format!(", and {n} smaller ones (check --all)"),
    };
    said.push(format!("{taken}: {}{more}", largest.join(", ")));
}

fn mib(bytes: u64) -> String {
    format!("{:.1} MiB", bytes as f64 / f64::from(1u32 << 20))
}

fn entries(folder: &Path) -> impl Iterator<Item = fs::DirEntry> {
    fs::read_dir(folder).into_iter().flatten().flatten()
}

/// Folders in a folder; links are followed nowhere.
fn folders(folder: &Path) -> impl Iterator<Item = (String, std::path::PathBuf)> {
    let folders = entries(folder).filter(|e| e.file_type().is_ok_and(|t| t.is_dir()));
    folders.map(|e| (e.file_name().to_string_lossy().into_owned(), e.path()))
}

/// Files in a folder, with their bytes.
fn files(folder: &Path) -> impl Iterator<Item = (std::path::PathBuf, u64)> {
    let files = entries(folder).filter(|e| e.file_type().is_ok_and(|t| t.is_file()));
    files.map(|e| (e.path(), e.metadata().map_or(0, |m| m.len())))
}

fn bytes_below(folder: &Path) -> u64 {
    let own: u64 = files(folder).map(|(_, bytes)| bytes).sum();
    own + folders(folder)
        .map(|(_, path)| bytes_below(&path))
        .sum::<u64>()
}
