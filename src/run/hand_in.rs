//! A bench's hand-in, made from the results as they are published.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use super::failure::Failure;
use super::work::{Orders, shown};
use super::workbook::{put, results_of, titled};
use crate::publish::names;
use crate::publish::record::Record;
use crate::publish::shelf::Inventory;
use crate::report::{HandIn, Shown, hand_in_html};
use crate::settings::Settings;

/// Where they go if nobody says.
const FOLDER: &str = "hand-in";

/// Writes a page for each bench of a session, or of the whole results where there are no sessions, into `folder`, or of those in
/// `benches` alone; says in words what was written.
///
/// # Errors
/// Where sessions are kept and none is named, or not one that there is; where there are no results, or none of a bench that is asked
/// for; where a page cannot be written.
pub fn write_hand_ins(
    settings: &Settings,
    orders: &Orders,
    (session, benches): (Option<&str>, &[String]),
    folder: Option<&Path>,
) -> Result<String, Failure> {
    let results = results_of(orders, session)?;
    let by_bench = records(&results);
    let unknown = |bench: &&String| !by_bench.contains_key(bench.as_str());
    if let Some(bench) = benches.iter().find(unknown) {
        let known: Vec<&str> = by_bench.keys().map(String::as_str).collect();
        let text = format!(
            "no photo of a bench {bench:?}: there are {}",
            known.join(", ")
        );
        return Err(Failure::Usage(text));
    }
    let title = titled(orders, session);
    let folder = folder.map_or_else(|| PathBuf::from(FOLDER), Path::to_owned);
    let failed = |what: &Path, error: std::io::Error| {
        let what = what.display();
        Failure::Work(format!("{what}: {error}; name another folder with --out"))
    };
    fs::create_dir_all(&folder).map_err(|error| failed(&folder, error))?;
    let mut said = Vec::new();
    for (bench, photos) in &by_bench {
        if !benches.is_empty() && !benches.contains(bench) {
            continue;
        }
        let shown: Vec<Shown<'_>> = photos.iter().map(shown).collect();
        let read = |photo: &str, name: &str| fs::read(results.join(photo).join(name)).ok();
        let page = hand_in_html(&HandIn {
            title: &title,
            photos: &shown,
            people: settings.people_at(bench),
            stated: &settings.stated,
            phrases: &settings.words.phrases,
            read: &read,
        });
        let Some(page) = page else { continue };
        let file = folder.join(format!("{}.html", names::bench_folder(bench)));
        put(&file, page.as_bytes()).map_err(|error| failed(&file, error))?;
        said.push(format!("{}: {} photos", file.display(), photos.len()));
    }
    Ok(said.join("\n"))
}

/// The photos' folders and records, by bench. What is no record, or of no bench, is left out.
fn records(results: &Path) -> BTreeMap<String, Vec<(String, std::sync::Arc<Record>)>> {
    let mut benches: BTreeMap<String, Vec<_>> = BTreeMap::new();
    for (folder, quality) in Inventory::of(results).folders {
        let Ok(record) = serde_json::from_slice::<Record>(&quality) else {
            continue;
        };
        if !record.bench.is_empty() {
            let of_bench = benches.entry(record.bench.clone()).or_default();
            of_bench.push((folder, std::sync::Arc::new(record)));
        }
    }
    benches
}
