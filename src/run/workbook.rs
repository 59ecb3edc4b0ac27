//! A class's results as one workbook, made from the tables that are published, whatever else goes on there.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::failure::Failure;
use crate::publish::names;
use crate::publish::shelf::Inventory;
use crate::report::{ClassTables, workbook};
use crate::terms::Sessions;

use super::work::Orders;

/// Writes the workbook of a session, or of the whole results where there are no sessions, to `file`, in place of one that is there,
/// and says in words what stands in it.
///
/// # Errors
/// Where sessions are kept and none is named, or not one that there is; where there are no results; where it cannot be written.
pub fn write_workbook(
    orders: &Orders,
    session: Option<&str>,
    file: Option<&Path>,
) -> Result<String, Failure> {
    let folder = results_of(orders, session)?;
    let tables = tables(&folder, titled(orders, session));
    let bytes = workbook(&tables, &orders.phrases)
        .map_err(|e| Failure::Work(format!("the workbook: {e}")))?;
    let file = file.map_or_else(|| default_file(session), Path::to_owned);
    put(&file, &bytes).map_err(|error| {
        Failure::Work(format!(
            "the workbook cannot be written to {}: {error}; name another file with --out",
            file.display()
        ))
    })?;
    Ok(format!(
        "{}: {} benches with spectra, lines of {} photos",
        file.display(),
        tables.spectra.len(),
        tables.peaks.len()
    ))
}

/// The workbook of a session whose results lie in `folder`, as [`write_workbook`] makes it.
///
/// # Errors
/// In words, where a sheet cannot hold its table.
pub(super) fn workbook_of(
    orders: &Orders,
    session: &str,
    folder: &Path,
) -> Result<Vec<u8>, String> {
    let tables = tables(folder, titled(orders, Some(session)));
    workbook(&tables, &orders.phrases).map_err(|error| error.to_string())
}

/// What the class, or its session, is called.
pub(super) fn titled(orders: &Orders, session: Option<&str>) -> String {
    match session {
        Some(session) => format!("{} · {session}", orders.title),
        None => orders.title.clone(),
    }
}

/// The folder of a session's results, or of all where there are no sessions.
///
/// # Errors
/// Where sessions are kept and none is named, or not one that there is; where there are no results.
pub(super) fn results_of(orders: &Orders, session: Option<&str>) -> Result<PathBuf, Failure> {
    let folder = match (orders.sessions, session) {
        (Sessions::None, None) => orders.results.clone(),
        (Sessions::None, Some(_)) => {
            let text = "the configuration keeps no sessions: leave --session out";
            return Err(Failure::Usage(text.into()));
        }
        (_, None) => {
            let text = "which session? Name it with --session, as results/index.html has it";
            return Err(Failure::Usage(text.into()));
        }
        (_, Some(session)) => orders.results.join(names::session_folder(session)),
    };
    if fs::metadata(folder.join("quality.csv")).is_err() {
        let text = format!(
            "no quality.csv in {}: sweep it first, or name the results with --results",
            folder.display()
        );
        return Err(Failure::Usage(text));
    }
    Ok(folder)
}

/// Where it goes if nobody says.
fn default_file(session: Option<&str>) -> PathBuf {
    PathBuf::from(match session {
        Some(session) => format!("slitwatch-{}.xlsx", names::session_folder(session)),
        None => "slitwatch.xlsx".to_owned(),
    })
}

/// The tables below `folder`. One that vanishes meanwhile is left out, as one that was never there.
fn tables(folder: &Path, title: String) -> ClassTables {
    let table = |name: &str| fs::read(folder.join(name)).ok();
    let mut tables = ClassTables {
        title,
        quality: table("quality.csv").unwrap_or_default(),
        series: table("series.csv"),
        concentrations: table("concentrations.csv"),
        class: table("class.csv"),
        ..ClassTables::default()
    };
    let mut benches: BTreeSet<String> = BTreeSet::new();
    for (photo_folder, quality) in Inventory::of(folder).folders {
        let quality: Value = serde_json::from_slice(&quality).unwrap_or_default();
        let of = |key: &str| quality[key].as_str().unwrap_or_default().to_owned();
        benches.insert(of("bench"));
        if let Some(peaks) = table(&format!("{photo_folder}/peaks.csv")) {
            tables.peaks.insert((of("bench"), of("photo")), peaks);
        }
    }
    for bench in benches {
        let wide = format!("{}/spectra_wide.csv", names::bench_folder(&bench));
        if let Some(csv) = table(&wide) {
            tables.spectra.insert(bench, csv);
        }
    }
    tables
}

/// Writes a file whole, or not at all.
pub(super) fn put(file: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut name = file.file_name().unwrap_or_default().to_owned();
    name.push(".part");
    let part = file.with_file_name(name);
    let written = fs::write(&part, bytes).and_then(|()| fs::rename(&part, file));
    if written.is_err() {
        let _ = fs::remove_file(&part);
    }
    written
}
