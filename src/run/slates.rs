//! Prints the slates: the configured cards, with a bench's card for each bench that is known.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use super::failure::Failure;
use crate::arrive::listing;
use crate::settings::Settings;
use crate::slates::{Paper, page};

/// The printable page on `paper`, `a4` or `letter`.
///
/// Benches are those that the configuration names and the folders that the inbox has now, letter case aside, by name.
pub fn printed_slates(settings: &Settings, paper: &str) -> String {
    let paper = match paper {
        "letter" => Paper::Letter,
        _ => Paper::A4,
    };
    let mut benches: BTreeMap<String, String> = BTreeMap::new();
    if let Ok(listing) = listing::list(&settings.inbox) {
        for path in listing.entries.keys() {
            let path = path.shown();
            let folder = path.split_once('/').map(|(folder, _)| folder);
            if let Some(folder) = folder.filter(|name| !name.starts_with(['.', '@'])) {
                benches.insert(folder.to_lowercase(), folder.to_owned());
            }
        }
    }
    for name in settings.benches.keys() {
        benches.entry(name.to_lowercase()).or_insert(name.clone());
    }
    let benches: Vec<String> = benches.into_values().collect();
    page(
        &settings.pages.title,
        &settings.slates.printed(&benches),
        paper,
    )
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
