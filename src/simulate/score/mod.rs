//! Scores a class whose truth is known: what was published about each photo, as an outsider reads it, against what was
//! planted. Pure: truth and read-back values in, figures out; it knows no formula of the measuring half.

mod lines;
mod table;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Truth;
use crate::judge::Check;
use crate::judge::Limits;

pub use lines::{LineError, Place};
pub use table::{Speed, table};

/// Lines of lamps other than the calibration lamp: no more than this in the median, nm.
pub const MEDIAN_LIMIT_NM: f64 = 0.3;
/// The same for 95 % of the lines, nm.
pub const MOST_LIMIT_NM: f64 = 0.8;
/// A scale that is further off than this is wrong, nm: it takes sodium's line for helium's.
pub const WRONG_SCALE_NM: f64 = 2.0;

/// What was published about a photo, as far as it is scored. Absent metrics are absent here.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Seen {
    /// Verdict as in `quality.json`.
    pub verdict: String,
    /// Capture as in `quality.json`; empty where there is none.
    pub capture: String,
    /// Reasons: code, severity, measured.
    pub reasons: Vec<SeenReason>,
    /// Metrics that are numbers.
    pub metrics: BTreeMap<String, f64>,
    /// Photo that the scale came from; empty where there is none, or a provisional one.
    pub scale_from: String,
    /// Rows of `spectrum.csv`, rising in wavelength; empty where there is no such file.
    pub spectrum: Vec<SeenRow>,
    /// Rows of `peaks.csv`.
    pub peaks: Vec<SeenPeak>,
}

/// A reason.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SeenReason {
    /// Reason code.
    pub code: String,
    /// `caution` or `retake`.
    pub severity: String,
    /// In words.
    pub measured: String,
}

/// A row of `spectrum.csv`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SeenRow {
    /// nm.
    pub wavelength_nm: f64,
    /// Linear share of full scale.
    pub signal: f64,
    /// The same unit.
    pub signal_sigma: f64,
    /// Absorbance and its uncertainty, where there is one.
    pub absorbance: Option<(f64, f64)>,
}

/// A row of `peaks.csv`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SeenPeak {
    /// nm.
    pub centre_nm: f64,
    /// nm.
    pub centre_sigma_nm: f64,
}

/// A photo of the class: what is true of it and what was said of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Path below the inbox.
    pub photo: String,
    /// Bench, by the truth.
    pub bench: String,
    /// What is true.
    pub truth: Truth,
    /// What was published; absent where there is no folder.
    pub seen: Option<Seen>,
}

impl Entry {
    /// Whether nothing was planted in it.
    pub fn is_sound(&self) -> bool {
        self.truth.faults.is_empty()
    }

    fn has_scale(&self) -> bool {
        self.seen
            .as_ref()
            .is_some_and(|s| !s.scale_from.is_empty() && !s.spectrum.is_empty())
    }
}

/// A fault that was planted, and what became of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Planted {
    /// Photo.
    pub photo: String,
    /// Reason code.
    pub code: String,
    /// Size in the unit of the fault; absent where it has none.
    pub size: Option<f64>,
    /// How many times over the limit for `retake`; absent where there is none to compare it with.
    pub over_limit: Option<f64>,
    /// Severity with which it was named; absent where it was not.
    pub named: Option<String>,
    /// Whether that is enough: `retake`, or for exposure left to the phone whatever the limits say.
    pub caught: bool,
    /// What was said instead: verdict, reasons and the metrics next to the fault.
    pub said: String,
}

/// From so many times the limit on a fault is gross; below that it is moderate.
const GROSS_TIMES: f64 = 2.25;

impl Planted {
    /// Far over the limit, or of a kind that has no size.
    pub fn is_gross(&self) -> bool {
        self.over_limit.is_none_or(|times| times > GROSS_TIMES)
    }
}

/// A reason given to a photo for which nothing of the kind was planted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Invented {
    /// Photo.
    pub photo: String,
    /// Reason code.
    pub code: String,
    /// What was said to be measured.
    pub measured: String,
}

/// Everything that a rehearsal comes to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Score {
    /// Photos in all.
    pub n_photos: usize,
    /// Photos without any fault.
    pub n_sound: usize,
    /// Verdicts and how often they were given.
    pub verdicts: BTreeMap<String, usize>,
    /// Isolated lines in sound photos: what `spectrum.csv` and `peaks.csv` say of each.
    pub lines: Vec<LineError>,
    /// Benches without a line to score have an entry, too.
    pub benches: Vec<String>,
    /// Errors of metrics by name, in the unit of the name (slit width: share of the true width).
    pub metrics: BTreeMap<&'static str, Vec<f64>>,
    /// Planted faults.
    pub planted: Vec<Planted>,
    /// Reasons of severity retake on sound photos.
    pub invented: Vec<Invented>,
    /// Cautions on sound photos.
    pub cautions: Vec<Invented>,
    /// Reasons of severity retake beside the planted one on spoilt photos.
    pub beside: Vec<Invented>,
    /// Sound photos that have no spectrum on a calibrated scale.
    pub unmeasured: Vec<String>,
    /// Every photo with a calibrated scale and lines to check it by: photo, verdict, median error (nm). A strong line
    /// that is nowhere near its place counts as lost (`lines::LOST_NM`).
    pub scales: Vec<(String, String, f64)>,
    /// Absorbance: error and reported uncertainty, at the truth's points.
    pub absorbance: Vec<(f64, f64)>,
    /// The same for true absorbances of 0.1 to 0.8 between 440 and 660 nm, where a class works.
    pub working_absorbance: Vec<(f64, f64)>,
    /// Unknowns of dilution series; the shell fills them in from the class's table.
    pub concentrations: Vec<Unknown>,
}

/// An unknown's concentration, and what was said of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Unknown {
    /// Photo.
    pub photo: String,
    /// True concentration.
    pub truth: f64,
    /// Value and its standard uncertainty, and the ends of its 95 % interval; absent where it was refused.
    pub found: Option<[f64; 4]>,
}

/// Scores a class under the limits in force.
pub fn score(entries: &[Entry], limits: &Limits) -> Score {
    let mut score = Score {
        n_photos: entries.len(),
        ..Score::default()
    };
    let truths: BTreeMap<&str, &Truth> = entries
        .iter()
        .map(|e| (e.photo.as_str(), &e.truth))
        .collect();
    for entry in entries {
        if !score.benches.contains(&entry.bench) {
            score.benches.push(entry.bench.clone());
        }
        score.n_sound += usize::from(entry.is_sound());
        let verdict = entry
            .seen
            .as_ref()
            .map_or("not published", |s| s.verdict.as_str());
        *score.verdicts.entry(verdict.to_owned()).or_default() += 1;
        reasons(entry, limits, &mut score);
        if entry.is_sound() && entry.truth.has_spectrum && !entry.has_scale() {
            let said = entry.seen.as_ref().map_or_else(String::new, said);
            score
                .unmeasured
                .push(format!("{}: {verdict}{said}", entry.photo));
        }
        if let Some(seen) = &entry.seen {
            metrics(entry, seen, &mut score);
            absorbance(entry, seen, &mut score);
            if entry.has_scale() {
                let lamp = truths.get(seen.scale_from.as_str()).copied();
                let found = lines::errors(entry, seen, lamp);
                let mut errors: Vec<f64> =
                    found.iter().filter_map(LineError::scale_error).collect();
                if let Some(median) = middle(&mut errors) {
                    score
                        .scales
                        .push((entry.photo.clone(), seen.verdict.clone(), median));
                }
                if entry.is_sound() {
                    score.lines.extend(found);
                }
            }
        }
    }
    score
}

fn said(seen: &Seen) -> String {
    let reasons: Vec<String> = seen
        .reasons
        .iter()
        .map(|r| format!("{} {} ({})", r.severity, r.code, r.measured))
        .collect();
    if reasons.is_empty() {
        String::new()
    } else {
        format!("; {}", reasons.join(", "))
    }
}

fn reasons(entry: &Entry, limits: &Limits, score: &mut Score) {
    let none = Seen {
        verdict: "not published".into(),
        ..Seen::default()
    };
    let seen = entry.seen.as_ref().unwrap_or(&none);
    for fault in &entry.truth.faults {
        let named = seen.reasons.iter().find(|r| r.code == fault.code);
        let near: Vec<String> = beside_fault(&fault.code)
            .iter()
            .filter_map(|key| seen.metrics.get(*key).map(|v| format!("{key} {v:.4}")))
            .collect();
        score.planted.push(Planted {
            photo: entry.photo.clone(),
            code: fault.code.clone(),
            size: fault.size,
            over_limit: over_limit(&fault.code, fault.size, &entry.truth, limits),
            named: named.map(|r| r.severity.clone()),
            caught: named.is_some_and(|r| r.severity == "retake" || fault.code == "exposure-auto"),
            said: format!("{}{} [{}]", seen.verdict, said(seen), near.join(", ")),
        });
    }
    for reason in &seen.reasons {
        if entry.truth.faults.iter().any(|f| f.code == reason.code) {
            continue;
        }
        let invented = Invented {
            photo: entry.photo.clone(),
            code: reason.code.clone(),
            measured: reason.measured.clone(),
        };
        match (entry.is_sound(), reason.severity == "retake") {
            (true, true) => score.invented.push(invented),
            (true, false) => score.cautions.push(invented),
            (false, true) => score.beside.push(invented),
            (false, false) => {}
        }
    }
}

/// Metrics that tell why a fault was missed.
fn beside_fault(code: &str) -> &'static [&'static str] {
    match code {
        "clipped" => &["clipped_fraction", "peak_level"],
        "dim" => &["snr", "peak_level"],
        "tilted" => &["tilt_deg"],
        "skewed" => &["skew_deg", "skew_deg_sigma"],
        "slit-wide" => &["slit_width_um", "slit_width_um_sigma", "blur_px"],
        "defocused" | "moved" => &["blur_px", "blur_px_sigma", "moved_px", "slit_width_um"],
        "leak" => &["background_level"],
        "cropped" => &["cropped_fraction"],
        _ => &[],
    }
}

/// How many times a planted fault exceeds the limit for `retake`; absent where size and limit cannot be compared.
fn over_limit(code: &str, size: Option<f64>, truth: &Truth, limits: &Limits) -> Option<f64> {
    let size = size?;
    let (value, limit) = match code {
        "tilted" => (truth.tilt_deg.abs(), limits[Check::TiltDeg]),
        "skewed" => (truth.skew_deg.abs(), limits[Check::SkewDeg]),
        "slit-wide" => (truth.slit_width_um, limits[Check::SlitWidthUm]),
        "defocused" => (truth.blur_px, limits[Check::BlurPx]),
        "moved" => (truth.movement_px, limits[Check::MovedPx]),
        "leak" => (truth.leak_level, limits[Check::BackgroundLevel]),
        "exposure-differs" => (size, limits[Check::ExposureRatio]),
        // The size is the last wavelength on the picture; 400 to 700 nm are asked for.
        "cropped" => ((700.0 - size) / 300.0, limits[Check::CroppedFraction]),
        // The size is against metered exposures; blur leaves about half of a metered line's height, and that is too
        // bright by 1.2 where the limit lies.
        "clipped" => return Some(0.5 * truth.peak_level / 1.19),
        "dim" => {
            let limit = limits[Check::PeakLevel].retake;
            return limit.map(|limit| limit / truth.peak_level);
        }
        _ => return None,
    };
    limit.retake.map(|limit| value / limit)
}

fn metrics(entry: &Entry, seen: &Seen, score: &mut Score) {
    let truth = &entry.truth;
    if !truth.has_spectrum {
        return;
    }
    let spoils = |code: &str| truth.faults.iter().any(|f| f.code == code);
    let mut note = |name: &'static str, key: &str, error: &dyn Fn(f64) -> f64| {
        if let Some(value) = seen.metrics.get(key) {
            score.metrics.entry(name).or_default().push(error(*value));
        }
    };
    note("tilt_deg", "tilt_deg", &|v| v - truth.tilt_deg);
    // Published clockwise, planted anticlockwise.
    note("skew_deg", "skew_deg", &|v| v + truth.skew_deg);
    let in_focus = !spoils("defocused") && !spoils("moved");
    if in_focus && (100.0..=400.0).contains(&truth.slit_width_um) {
        note("slit_width (100-400 um, in focus)", "slit_width_um", &|v| {
            v / truth.slit_width_um - 1.0
        });
    } else if in_focus {
        note("slit_width (wider)", "slit_width_um", &|v| {
            v / truth.slit_width_um - 1.0
        });
    }
    let wedge_um = truth.wedge_as_seen_um();
    note("slit_wedge_um", "slit_wedge_um", &|v| v - wedge_um);
    note("dust (% of the light)", "dust_share", &|v| {
        100.0 * (v - truth.dust_share)
    });
    if spoils("moved") {
        note("moved_px", "moved_px", &|v| v - truth.movement_px);
    }
    if !spoils("moved") {
        note("blur_px", "blur_px", &|v| v - truth.blur_px);
    }
}

/// Errors of the absorbance at the truth's points, where the true value and the reported uncertainty are small enough
/// for a spectrum of a student to be used (up to 1.5, and 0.1).
fn absorbance(entry: &Entry, seen: &Seen, score: &mut Score) {
    if !entry.is_sound() {
        return;
    }
    for &(wavelength_nm, truth) in &entry.truth.absorbance {
        let after = seen
            .spectrum
            .partition_point(|r| r.wavelength_nm < wavelength_nm);
        let around = after
            .checked_sub(1)
            .and_then(|i| Some((seen.spectrum.get(i)?, seen.spectrum.get(after)?)));
        let Some((a, b)) = around else { continue };
        let (Some((value_a, sigma)), Some((value_b, _))) = (a.absorbance, b.absorbance) else {
            continue;
        };
        let share = (wavelength_nm - a.wavelength_nm) / (b.wavelength_nm - a.wavelength_nm);
        if truth <= 1.5 && sigma <= 0.1 {
            let error = value_a + share * (value_b - value_a) - truth;
            score.absorbance.push((error, sigma));
            if (0.1..=0.8).contains(&truth) && (440.0..=660.0).contains(&wavelength_nm) {
                score.working_absorbance.push((error, sigma));
            }
        }
    }
}

/// The middle value by size with its sign; sorts.
fn middle(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    (!values.is_empty()).then(|| values[values.len() / 2])
}

/// The smallest value that at least this share (0…1) of the values does not exceed; absent without values.
pub fn quantile(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let rank = (share * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.clamp(1, sorted.len().max(1)) - 1).copied()
}

/// A limit that is stated beforehand, and whether it held.
#[derive(Clone, Debug, PartialEq)]
pub struct Promise {
    /// In words.
    pub what: &'static str,
    /// The figure.
    pub measured: String,
    /// Whether it held.
    pub kept: bool,
}

impl Score {
    /// Errors by local centroid of the lines that the calibration lamp does not have.
    pub fn errors_of_other_lines(&self) -> Vec<f64> {
        self.lines
            .iter()
            .filter(|l| l.is_of_other_lamp)
            .filter_map(|l| l.in_spectrum_nm.map(f64::abs))
            .collect()
    }

    /// The stated limits with their figures.
    pub fn promises(&self) -> Vec<Promise> {
        let errors = self.errors_of_other_lines();
        let lost = self
            .lines
            .iter()
            .filter(|l| l.is_strong && l.in_spectrum_nm.is_none())
            .count();
        let nm = |v: Option<f64>| {
            v.map_or_else(|| "no line to measure".to_owned(), |v| format!("{v:.3} nm"))
        };
        let within = |v: Option<f64>, limit: f64| v.is_some_and(|v| v <= limit);
        let (median, most) = (quantile(&errors, 0.5), quantile(&errors, 0.95));
        let wrong = self.wrong_scales();
        let missed = |is_gross: bool| {
            let of_size = || {
                self.planted
                    .iter()
                    .filter(move |p| p.is_gross() == is_gross)
            };
            (of_size().filter(|p| !p.caught).count(), of_size().count())
        };
        let (gross, moderate) = (missed(true), missed(false));
        vec![
            Promise {
                what: "every sound photo is measured",
                measured: format!("{} of {} are not", self.unmeasured.len(), self.n_sound),
                kept: self.unmeasured.is_empty(),
            },
            Promise {
                what: "no strong isolated line is lost",
                measured: format!("{lost} lost"),
                kept: lost == 0,
            },
            Promise {
                what: "lines of other lamps: median within 0.3 nm",
                measured: nm(median),
                kept: within(median, MEDIAN_LIMIT_NM),
            },
            Promise {
                what: "lines of other lamps: 95 % within 0.8 nm",
                measured: nm(most),
                kept: within(most, MOST_LIMIT_NM),
            },
            Promise {
                what: "no scale wrong by more than 2 nm is handed out as good",
                measured: format!(
                    "{} of {}",
                    wrong.len(),
                    self.scales.iter().filter(|s| s.1 == "good").count()
                ),
                kept: wrong.is_empty(),
            },
            Promise {
                what: "every gross fault is caught",
                measured: format!("{} of {} missed", gross.0, gross.1),
                kept: gross.0 == 0,
            },
            Promise {
                what: "95 % of the moderate faults are caught",
                measured: format!("{} of {} missed", moderate.0, moderate.1),
                kept: 20 * moderate.0 <= moderate.1,
            },
            Promise {
                what: "no sound photo is called retake",
                measured: format!("{} reasons invented", self.invented.len()),
                kept: self.invented.is_empty(),
            },
        ]
    }

    /// Photos called good whose scale is wrong by more than [`WRONG_SCALE_NM`].
    pub fn wrong_scales(&self) -> Vec<&(String, String, f64)> {
        self.scales
            .iter()
            .filter(|(_, verdict, error)| verdict == "good" && error.abs() > WRONG_SCALE_NM)
            .collect()
    }

    /// Whether every stated limit held.
    pub fn all_kept(&self) -> bool {
        self.promises().iter().all(|p| p.kept)
    }
}

#[cfg(test)]
mod tests;
