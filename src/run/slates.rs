//! Prints the slates: the configured cards, with a bench's card for each bench that is known.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use super::failure::Failure;
use crate::arrive::listing;
use crate::arrive::listing::Rel;
use crate::settings::{Card, Settings};
use crate::slates::{Paper, page};
use crate::terms::Sessions;

/// The printable page on `paper`, `a4` or `letter`.
///
/// Where no bench is known although each was to have a card, a warning says so.
pub fn printed_slates(settings: &Settings, paper: &str) -> String {
    let paper = paper_named(paper);
    let benches = known_benches(settings);
    if benches.is_empty() && settings.slates.cards.contains(&Card::EachBench) {
        tracing::warn!(
            "no card names a bench, for none is known yet: make a folder for each bench in {}, or name them in the configuration \
             (`benches:`, or a card such as `{{bench: heron}}`), and print again",
            settings.inbox.display()
        );
    }
    page(
        &settings.pages.title,
        &settings.slates.printed(&benches),
        paper,
        &settings.words.phrases,
    )
}

/// The paper of that name, `a4` or `letter`.
pub(super) fn paper_named(name: &str) -> Paper {
    match name {
        "letter" => Paper::Letter,
        _ => Paper::A4,
    }
}

/// Benches that the configuration names and the folders that the inbox has now, empty ones too, letter case aside, by name.
pub(super) fn known_benches(settings: &Settings) -> Vec<String> {
    let mut benches: BTreeMap<String, String> = BTreeMap::new();
    if let Ok(listing) = listing::list(&settings.inbox) {
        for folder in listing.folders.iter().map(Rel::shown) {
            if let Some(bench) = bench_of(&folder, settings.sessions) {
                benches.insert(bench.to_lowercase(), bench.to_owned());
            }
        }
    }
    let named = settings.benches.keys().map(String::as_str);
    for name in named.chain(settings.expected.benches()) {
        let name = name.to_lowercase();
        benches.entry(name.clone()).or_insert(name);
    }
    benches.into_values().collect()
}

/// The bench whose folder it is. Folders of sessions, folders inside benches and hidden ones are none.
fn bench_of(folder: &str, sessions: Sessions) -> Option<&str> {
    let bench = match sessions {
        Sessions::Folder => folder.split_once('/')?.1,
        Sessions::None | Sessions::Date { .. } => folder,
    };
    (!bench.contains('/') && !folder.starts_with(['.', '@'])).then_some(bench)
}

/// Writes the page where it is wanted.
///
/// # Errors
/// Where it cannot be written.
pub fn write_slates(page: &str, file: &Path) -> Result<(), Failure> {
    fs::write(file, page).map_err(|error| {
        Failure::Work(format!(
            "the slates cannot be written to {}: {error}; name another file with --out",
            file.display()
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bench_is_a_folder_of_the_inbox_or_of_a_session() {
        assert_eq!(bench_of("heron", Sessions::None), Some("heron"));
        assert_eq!(bench_of("monday/heron", Sessions::Folder), Some("heron"));
        for folder in ["monday/heron", ".hidden", "@eaDir"] {
            assert_eq!(bench_of(folder, Sessions::None), None, "{folder}");
        }
        for folder in ["monday", "monday/heron/raw"] {
            assert_eq!(bench_of(folder, Sessions::Folder), None, "{folder}");
        }
    }
}
