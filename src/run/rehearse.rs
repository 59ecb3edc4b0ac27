//! The rehearsal: draws a class into an inbox, runs the real sweep on it, reads the published files back as an outsider
//! would, and has them scored against the truth.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Instant;

use rayon::prelude::*;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;

pub use crate::simulate::class::Discs;
use crate::simulate::class::rehearsal;
use crate::simulate::score::{self, Entry, Score, Seen, SeenReason, SeenRow, Slates, Speed};
use crate::simulate::{self, Planned, Shot, Truth};
use crate::system::processor_time_s;
use crate::terms::{Estimate, Interval};

use super::bell::Ears;
use super::failure::Failure;
use super::news::{News, Screen};
use super::threads;
use super::unnamed::{Of, Upload, plans, unnamed};
use super::work::Setup;
use super::worker::Worker;

/// What one photo takes while it is drawn, bytes: twelve megapixels as [`simulate::draw`] says, and some to spare.
const DRAWING_BYTES: u64 = 300 << 20;

/// What to play.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Play {
    /// Benches, ≥ 1.
    pub n_benches: usize,
    /// Photos in all.
    pub n_photos: usize,
    /// Decides everything that is left to chance.
    pub seed: u64,
    /// Through what discs the class looks.
    pub discs: Discs,
    /// Under what names its photos arrive.
    pub names: Names,
    /// Folder for `inbox/`, `results/` and `truth.json`.
    pub folder: PathBuf,
}

/// Under what names the photos of a class arrive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Names {
    /// Those that say what each photo is.
    #[default]
    Plain,
    /// Those that cameras give, with slates, a phone that two benches share, and a folder that two phones share.
    Camera,
}

/// A photo in `truth.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TruePhoto {
    /// Path below the inbox.
    pub photo: String,
    /// How it was taken: it can be drawn again from this.
    pub shot: Shot,
    /// What a perfect measurement would find.
    pub truth: Truth,
    /// What the class's plan calls it, where its own name says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan: Option<String>,
}

/// Plays the class and scores it; returns the score and the table.
///
/// `worker` brings the configuration; its inbox and results are replaced by those of the rehearsal. `workers` overrules it.
/// `screen` is shown how it draws and sweeps.
///
/// # Errors
/// Where the folder already holds an inbox or results, cannot be written, or the sweep fails or is stopped.
pub fn rehearse(
    worker: Worker,
    play: &Play,
    workers: Option<usize>,
    ears: Ears,
    screen: Option<Arc<dyn Screen>>,
) -> Result<(Score, String), Failure> {
    let inbox = play.folder.join("inbox");
    let results = play.folder.join("results");
    for folder in [&inbox, &results] {
        if fs::symlink_metadata(folder).is_ok() {
            return Err(Failure::Usage(format!(
                "{} is there already: a rehearsal needs a folder of its own; name another, or remove what is left of the last",
                folder.display()
            )));
        }
    }
    fs::create_dir_all(&inbox).map_err(|e| trouble("create", &inbox, &e))?;
    let limits = worker.settings().limits.clone();
    let Setup { mut orders, work } = worker.setup();
    orders.inbox = inbox.clone();
    orders.results = results.clone();
    orders.screen = screen.clone();
    orders.workers = workers.unwrap_or(orders.workers);

    let class = rehearsal(play.seed, play.n_benches, play.n_photos, play.discs);
    let uploads = match play.names {
        Names::Plain => class.into_iter().map(Upload::named).collect(),
        Names::Camera => unnamed(class, play.seed),
    };
    tracing::info!(
        "{} photos of {} benches are being drawn",
        uploads.len(),
        play.n_benches
    );
    let plans = plans(&uploads);
    let (planned, of): (Vec<Planned>, Vec<Of>) =
        uploads.into_iter().map(|u| (u.planned, u.of)).unzip();
    let at_once =
        (orders.memory_bytes / DRAWING_BYTES).clamp(1, orders.workers.max(1) as u64) as usize;
    let began = Instant::now();
    let mut truths = draw(planned, &inbox, at_once, &ears, screen.as_deref())?;
    if play.names == Names::Camera {
        for truth in &mut truths {
            truth.plan = plans.get(&truth.photo).cloned();
        }
    }
    let drawing_s = began.elapsed().as_secs_f64();
    let file = play.folder.join("truth.json");
    let json = serde_json::to_vec_pretty(&truths)
        .map_err(|e| Failure::Work(format!("truth.json: {e}")))?;
    fs::write(&file, json).map_err(|e| trouble("write", &file, &e))?;

    let (began, cpu_before) = (Instant::now(), processor_time_s());
    let report = super::sweep(Setup { orders, work }, ears)?;
    let cpu_s = processor_time_s()
        .zip(cpu_before)
        .map(|(after, before)| after - before);
    let speed = Speed {
        elapsed_s: began.elapsed().as_secs_f64(),
        cpu_s,
        drawing_s,
    };
    if report.stopped {
        return Err(Failure::Work(
            "stopped before the end: nothing is scored".into(),
        ));
    }
    if let Some(failure) = report.failures.first() {
        return Err(Failure::Work(format!(
            "not everything could be published: {failure}"
        )));
    }
    let (entries, slates) = read_all(&results, &truths, &of, &plans).map_err(Failure::Work)?;
    let mut score = score::score(&entries, &limits);
    score.concentrations = concentrations(&results, &truths, &plans).map_err(Failure::Work)?;
    score.slates = slates;
    let title = format!(
        "Rehearsal: seed {}, {} benches, {} photos{}{}",
        play.seed,
        play.n_benches,
        entries.len(),
        match play.discs {
            Discs::Real => "",
            Discs::Ideal => ", ideal discs",
        },
        match play.names {
            Names::Plain => "",
            Names::Camera => ", camera names",
        }
    );
    let table = score::table(&score, &speed, &title);
    Ok((score, table))
}

/// What was published of every photo, each under the path that it has in the class's plan, and what became of the slates.
fn read_all(
    results: &Path,
    truths: &[TruePhoto],
    of: &[Of],
    plans: &BTreeMap<String, String>,
) -> Result<(Vec<Entry>, Slates), String> {
    let rows = rows::<QualityCells>(&results.join("quality.csv"))?.into_iter();
    let mut rows: BTreeMap<String, QualityCells> =
        rows.map(|row| (row.photo.clone(), row)).collect();
    let planned = |photo: &str| plans.get(photo).map_or("", String::as_str).to_owned();
    let mut entries = Vec::with_capacity(truths.len());
    let mut slates = Slates::default();
    for (TruePhoto { photo, truth, .. }, of) in truths.iter().zip(of) {
        let row = rows.remove(photo).unwrap_or_default();
        let folder = results.join(folder_of(photo, &row.bench));
        match of {
            Of::Slate(slate) => {
                slates.n += 1;
                match slate_in(&folder) {
                    Some(text) if text == slate.text() => {}
                    Some(text) => slates.wrong.push(format!("{photo}: {text}")),
                    None => slates.unread.push(format!("{photo}: {}", row.verdict)),
                }
            }
            Of::Photo { plan, is_told } => {
                let mut seen = read_back(&folder)?;
                if let Some(seen) = &mut seen {
                    seen.bench = row.bench;
                    seen.settled_by = planned(&row.settled_by);
                    seen.scale_from = planned(&seen.scale_from);
                }
                entries.push(Entry {
                    photo: plan.clone(),
                    bench: plan.split('/').next().unwrap_or_default().to_owned(),
                    is_told: *is_told,
                    truth: truth.clone(),
                    seen,
                });
            }
        }
    }
    Ok((entries, slates))
}

/// Where a photo's folder lies below the results: behind its bench, unless its own first folder is that.
fn folder_of(photo: &str, bench: &str) -> String {
    match photo.split_once('/') {
        Some((first, _)) if first == bench || bench.is_empty() => photo.to_owned(),
        _ => format!("{bench}/{photo}"),
    }
}

/// What the slate in a photo was read as; absent where none was read.
fn slate_in(folder: &Path) -> Option<String> {
    let json: Value = serde_json::from_slice(&fs::read(folder.join("quality.json")).ok()?).ok()?;
    let text = json["looks"]["slate"]["read"].as_str()?;
    (json["verdict"] == "ignored").then(|| text.to_owned())
}

fn trouble(step: &str, path: &Path, error: &dyn std::fmt::Display) -> Failure {
    Failure::Work(format!(
        "cannot {step} {}: {error}; make room or name another folder",
        path.display()
    ))
}

/// Draws into the inbox, `at_once` photos at a time; the truth in the order of the plan.
fn draw(
    planned: Vec<Planned>,
    inbox: &Path,
    at_once: usize,
    ears: &Ears,
    screen: Option<&dyn Screen>,
) -> Result<Vec<TruePhoto>, Failure> {
    let pool = threads::pool(at_once, "draw")?;
    let known = planned.len();
    let n_done = AtomicUsize::new(0);
    let is_over = AtomicBool::new(false);
    pool.install(|| {
        planned
            .into_par_iter()
            // One by one: photos take unlike times, and few are drawn.
            .with_max_len(1)
            .map(|Planned { path, shot }| {
                if is_over.load(Ordering::Relaxed) || ears.is_stop_called() {
                    is_over.store(true, Ordering::Relaxed);
                    return Err(Failure::Work(
                        "stopped while drawing: nothing is scored".into(),
                    ));
                }
                let simulate::Photo { jpeg, truth } = simulate::draw(&shot);
                let target = inbox.join(&path);
                let folder = target.parent().unwrap_or(inbox);
                fs::create_dir_all(folder)
                    .and_then(|()| fs::write(&target, jpeg))
                    .map_err(|e| trouble("write", &target, &e))?;
                let done = n_done.fetch_add(1, Ordering::Relaxed) + 1;
                if let Some(screen) = screen {
                    screen.show(&News::Drawn { done, known });
                }
                Ok(TruePhoto {
                    photo: path,
                    shot,
                    truth,
                    plan: None,
                })
            })
            .collect()
    })
}

/// What stands in a photo's folder; absent where there is none.
fn read_back(folder: &Path) -> Result<Option<Seen>, String> {
    let file = folder.join("quality.json");
    let Ok(bytes) = fs::read(&file) else {
        return Ok(None);
    };
    let json: Value =
        serde_json::from_slice(&bytes).map_err(|e| format!("{}: {e}", file.display()))?;
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let reasons = json["reasons"]
        .as_array()
        .map(Vec::as_slice)
        .unwrap_or_default();
    let metrics = json["metrics"].as_object();
    let scale = &json["calibration"];
    let mut seen = Seen {
        verdict: text(&json["verdict"]),
        capture: text(&json["capture"]),
        taken: text(&json["taken"]),
        reasons: reasons
            .iter()
            .map(|r| SeenReason {
                code: text(&r["code"]),
                severity: text(&r["severity"]),
                measured: text(&r["measured"]),
            })
            .collect(),
        metrics: metrics
            .into_iter()
            .flatten()
            .filter_map(|(name, value)| Some((name.clone(), value.as_f64()?)))
            .collect(),
        scale_from: if scale["kind"] == "calibrated" {
            text(&scale["photo"])
        } else {
            String::new()
        },
        ..Seen::default()
    };
    for row in rows::<SpectrumCells>(&folder.join("spectrum.csv"))? {
        let (Some(wavelength_nm), Some(signal), Some(signal_sigma)) =
            (row.wavelength_nm, row.signal, row.signal_sigma)
        else {
            continue;
        };
        let absorbance = row.absorbance.zip(row.absorbance_sigma);
        seen.spectrum.push(SeenRow {
            wavelength_nm,
            signal,
            signal_sigma,
            absorbance: absorbance.map(|(value, sigma)| Estimate::new(value, sigma)),
        });
    }
    let peaks = rows::<PeakCells>(&folder.join("peaks.csv"))?.into_iter();
    let centres = peaks.filter_map(|p| Some(Estimate::new(p.centre_nm?, p.centre_sigma_nm?)));
    seen.peaks = centres.collect();
    Ok(Some(seen))
}

/// What is read of a row of `spectrum.csv`; empty cells are absent.
#[derive(Deserialize)]
struct SpectrumCells {
    wavelength_nm: Option<f64>,
    signal: Option<f64>,
    signal_sigma: Option<f64>,
    absorbance: Option<f64>,
    absorbance_sigma: Option<f64>,
}

/// The same of `peaks.csv`.
#[derive(Deserialize)]
struct PeakCells {
    centre_nm: Option<f64>,
    centre_sigma_nm: Option<f64>,
}

/// The same of `quality.csv`.
#[derive(Default, Deserialize)]
struct QualityCells {
    photo: String,
    bench: String,
    verdict: String,
    settled_by: String,
}

/// The same of `concentrations.csv`.
#[derive(Deserialize)]
struct ConcentrationCells {
    photo: String,
    concentration: Option<f64>,
    concentration_sigma: Option<f64>,
    low_95: Option<f64>,
    high_95: Option<f64>,
}

/// The unknowns of the class by their photos, with what `concentrations.csv` says of each.
fn concentrations(
    results: &Path,
    truths: &[TruePhoto],
    plans: &BTreeMap<String, String>,
) -> Result<Vec<score::Unknown>, String> {
    let rows = rows::<ConcentrationCells>(&results.join("concentrations.csv"))?.into_iter();
    let by_photo: BTreeMap<String, (Estimate, Interval)> = rows
        .filter_map(|row| {
            let value = Estimate::new(row.concentration?, row.concentration_sigma?);
            Some((row.photo, (value, Interval::new(row.low_95?, row.high_95?))))
        })
        .collect();
    Ok(truths
        .iter()
        .filter_map(|t| Some((t, plans.get(&t.photo)?)))
        .filter(|(_, plan)| plan.ends_with("-unknown.jpg"))
        .filter_map(|(t, plan)| {
            Some(score::Unknown {
                photo: plan.clone(),
                truth: t.shot.light.solution.as_ref()?.concentration,
                found: by_photo.get(&t.photo).copied(),
            })
        })
        .collect())
}

/// The rows of a table by the names of their columns. No file: no rows.
fn rows<T: DeserializeOwned>(file: &Path) -> Result<Vec<T>, String> {
    let Ok(bytes) = fs::read(file) else {
        return Ok(Vec::new());
    };
    let rows = csv::Reader::from_reader(bytes.as_slice()).into_deserialize();
    rows.collect::<Result<_, csv::Error>>()
        .map_err(|e| format!("{}: {e}", file.display()))
}
