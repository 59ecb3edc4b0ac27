//! Checks before the class begins what could go wrong on the day: folders, rights, space, the system's limits.

use std::collections::BTreeSet;
use std::fs::{self, TryLockError};
use std::path::Path;
use std::time::Instant;

use crate::arrive::listing::{self, Kind, Listing};
use crate::settings::{Poll, Settings};
use crate::system::{self, Right, allowed, network_kind};

use super::failure::Failure;
use super::folders::check_folders;
use super::foretold::foretold;
use super::sessions::{dated_folder, dated_words};
use super::sorting::sorting;
use super::usage::usage;
use crate::terms::Sessions;

/// Free space below which a class's results may not fit, bytes: some 1 MiB a photo.
const LITTLE_SPACE: u64 = 2 << 30;
/// Free entries below which a class's results may not fit: eight for each of a thousand photos.
const FEW_ENTRIES: u64 = 8192;
/// A listing that takes longer makes every verdict late.
const SLOW_LISTING_S: f64 = 1.0;
/// Open files that the program may need at once: workers, listings and the system's own.
const FEW_OPEN_FILES: u64 = 128;

/// What was found before the class begins: a line for each thing that was looked at.
#[derive(Debug, Default)]
pub struct Found {
    /// What somebody must see to, and what to do: `ATTENTION: …`.
    pub attention: Vec<String>,
    /// What the day depends on, and is well: `ok: …`.
    pub well: Vec<String>,
    /// What becomes of the photos that are there, and what each session takes on the disk: `ok: …`.
    pub sorted: Vec<String>,
}

/// Looks at whatever could go wrong. Changes nothing on the disk.
pub fn preflight(settings: &Settings) -> Found {
    let mut said = Vec::new();
    let mut sorted = Vec::new();
    match listed(&settings.inbox, &mut said) {
        Some(listing) => {
            watching(settings, &listing, &mut said);
            sorting(settings, &listing, &mut sorted);
            said.extend(foretold(settings, &listing));
            let dated = dated_folder(&listing).filter(|_| settings.sessions == Sessions::None);
            said.extend(dated.map(|folder| format!("ATTENTION: {}", dated_words(&folder))));
        }
        None => said.push(format!(
            "ATTENTION: the inbox \"{}\" cannot be read: make the folder, give this account the right to list it, or correct \
             `inbox:`",
            settings.inbox.display()
        )),
    }
    writing(settings, &mut said);
    usage(settings, &mut said, &mut sorted);
    language(settings, &mut said);
    computer(settings, &mut said);
    let needs_somebody = |line: &String| line.starts_with("ATTENTION");
    let (mut attention, well): (Vec<_>, Vec<_>) = said.into_iter().partition(needs_somebody);
    let (of_photos, sorted): (Vec<_>, Vec<_>) = sorted.into_iter().partition(needs_somebody);
    attention.extend(of_photos);
    Found {
        attention,
        well,
        sorted,
    }
}

/// Whether `watch` would start with these folders, that is as long as no other one is at work on the results.
///
/// # Errors
/// That with which it would end.
pub fn would_start(settings: &Settings) -> Result<(), Failure> {
    check_folders(&settings.inbox, &settings.results)?;
    let (results, standing) = (&settings.results, nearest_standing(&settings.results));
    let can_be_made = standing.is_dir() && allowed(standing, Right::MakeFiles);
    // What is there and cannot be written now is waited for.
    if results.exists() || can_be_made {
        return Ok(());
    }
    Err(Failure::Work(format!(
        "the results folder {} cannot be made in {}: name another with --results or in the configuration",
        results.display(),
        standing.display()
    )))
}

/// What is in the inbox, and what of it may not be read.
fn listed(inbox: &Path, said: &mut Vec<String>) -> Option<Listing> {
    let began = Instant::now();
    let listing = listing::list(inbox).ok()?;
    let took_s = began.elapsed().as_secs_f64();
    let n = listing.entries.len();
    let (word, shown) = (word(took_s > SLOW_LISTING_S), inbox.display());
    said.push(format!(
        "{word}: the inbox \"{shown}\" can be read: {n} files, listed in {took_s:.2} s"
    ));
    let mut closed = Vec::new();
    let mut odd = Vec::new();
    for (path, entry) in &listing.entries {
        match &entry.kind {
            Kind::File if allowed(&path.under(inbox), Right::Read) => {}
            Kind::File => closed.push(path.shown()),
            Kind::Other(what) => odd.push(format!("{:?} ({what})", path.shown())),
        }
    }
    closed.extend(listing.gaps.iter().map(|(folder, _)| folder.shown()));
    if let Some(first) = closed.first() {
        said.push(format!(
            "ATTENTION: {} of them may not be read by this account, such as {first:?}: give it the right (chmod a+r, or \
             the group of the upload)",
            closed.len()
        ));
    }
    if let Some(first) = odd.first() {
        said.push(format!(
            "ATTENTION: {} entries are no files and will only be named, such as {first}",
            odd.len()
        ));
    }
    Some(listing)
}

/// Whether new photos will be heard of, or looked for.
fn watching(settings: &Settings, listing: &Listing, said: &mut Vec<String>) {
    let every = settings.arrival.rescan_s;
    if settings.arrival.poll == Poll::Always {
        said.push(format!(
            "ok: the inbox is listed every {every} s, as the configuration says"
        ));
        return;
    }
    if let Some(kind) = network_kind(&settings.inbox) {
        said.push(format!(
            "ok: the inbox lies on {kind}, where the system does not report changes: it is listed every {every} s, and \
             files must lie still for longer"
        ));
        return;
    }
    let folders: BTreeSet<_> = listing
        .entries
        .keys()
        .filter_map(|path| path.as_path().parent())
        .flat_map(Path::ancestors)
        .collect();
    // Twice as many: the class has not begun.
    let needed = 2 * folders.len().max(1) as u64;
    for (limit, needed) in [
        ("fs.inotify.max_user_watches", needed),
        ("fs.inotify.max_user_instances", 2),
        ("user.max_inotify_watches", needed),
    ] {
        let allowed = system::kernel_limit(limit);
        let Some(allowed) = allowed.filter(|allowed| *allowed < needed) else {
            continue;
        };
        said.push(format!(
            "ATTENTION: {limit} is {allowed} and {needed} may be needed: new photos would be seen only every {every} s; \
             raise it with sysctl -w {limit}={}",
            needed.max(8192)
        ));
    }
}

/// Whether results can be written, and how many.
fn writing(settings: &Settings, said: &mut Vec<String>) {
    let results = &settings.results;
    let standing = nearest_standing(results);
    let (results_shown, standing_shown) = (results.display(), standing.display());
    if !standing.is_dir() {
        said.push(format!(
            "ATTENTION: the results cannot be written: {standing_shown} is not a folder"
        ));
        return;
    }
    said.push(match allowed(standing, Right::MakeFiles) {
        true => format!("ok: the results folder \"{results_shown}\" can be written"),
        false => format!(
            "ATTENTION: the results cannot be written: {standing_shown} is read-only, or not this account's to write in"
        ),
    });
    if standing == results && is_held(results) {
        said.push(format!(
            "ATTENTION: another slitwatch is at work on {results_shown}: a second one will be refused"
        ));
    }
    let space = match system::space(standing) {
        Ok(space) => space,
        Err(error) => {
            said.push(format!(
                "ATTENTION: free space at {standing_shown} is not known: {error}"
            ));
            return;
        }
    };
    said.push(format!(
        "{}: {:.1} GiB free for the results in {results_shown} (about 1 MiB a photo)",
        word(space.bytes < LITTLE_SPACE),
        space.bytes as f64 / f64::from(1u32 << 30)
    ));
    if let Some(files) = space.files.filter(|files| *files < FEW_ENTRIES) {
        said.push(format!(
            "ATTENTION: only {files} files can still be made in {standing_shown} (about 8 a photo): make room"
        ));
    }
}

/// Whether the computer gives what the configuration asks for.
fn computer(settings: &Settings, said: &mut Vec<String>) {
    if let (Some(asked), Some(free)) = (settings.work.memory_mib, system::free_memory())
        && asked > free >> 20
    {
        said.push(format!(
            "ATTENTION: memory_mib is {asked} and {} MiB are free: make it smaller, or leave it at auto",
            free >> 20
        ));
    }
    if let Some(allowed) = system::open_files().filter(|allowed| *allowed < FEW_OPEN_FILES) {
        said.push(format!(
            "ATTENTION: this account may have {allowed} files open: allow it more (ulimit -n 1024)"
        ));
    }
}

/// Texts without a name: more are counted.
const MOST_MISSING: usize = 12;

/// Which texts of another language are missing.
fn language(settings: &Settings, said: &mut Vec<String>) {
    let (missing, tag) = (&settings.words.missing, settings.words.phrases.language());
    if missing.is_empty() {
        if tag != "en" {
            said.push(format!(
                "ok: every text has its words in the language {tag}"
            ));
        }
        return;
    }
    let named = missing.iter().take(MOST_MISSING);
    let mut names: Vec<String> = named.cloned().collect();
    if missing.len() > MOST_MISSING {
        names.push(format!("{} more", missing.len() - MOST_MISSING));
    }
    said.push(format!(
        "ATTENTION: the words file of the language {tag} has no text for {}: these stay English; add them, or take config/words.en.yaml as the list",
        names.join(", ")
    ));
}

/// How a line begins.
fn word(needs_attention: bool) -> &'static str {
    if needs_attention { "ATTENTION" } else { "ok" }
}

/// True where another process holds the results. A shared lock, for a moment, changes nothing.
fn is_held(results: &Path) -> bool {
    let Ok(folder) = fs::File::open(results) else {
        return false;
    };
    matches!(folder.try_lock_shared(), Err(TryLockError::WouldBlock))
}

fn nearest_standing(path: &Path) -> &Path {
    let mut here = path;
    while !here.exists() {
        match here.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => here = parent,
            _ => return Path::new("."),
        }
    }
    here
}
