//! Scores a class whose truth is known: what was published about each photo, as an outsider reads it, against what was
//! planted. Pure: truth and read-back values in, figures out; it knows no formula of the measuring half.

mod again;
mod entry;
mod figures;
mod lines;
mod table;

use std::collections::BTreeMap;

use super::truth::Truth;
use crate::judge::{Check, Limits};
use crate::terms::{Estimate, median};

pub use again::{Again, thing};
pub use entry::{Entry, Seen, SeenReason, SeenRow};
pub use figures::{Invented, Planted, Promise, Scale, Score, Slates, Unknown, quantile};
pub use lines::{LineError, Place};
pub use table::{Speed, table};

/// Scores a class under the limits in force.
pub fn score(entries: &[Entry], limits: &Limits) -> Score {
    let mut score = Score {
        n_photos: entries.len(),
        again: again::again(entries),
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
        score.mistaken.extend(mistaken(entry));
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
                let errors = found.iter().filter_map(LineError::scale_error);
                if let Some(median) = median(errors) {
                    score.scales.push(Scale {
                        photo: entry.photo.clone(),
                        verdict: seen.verdict.clone(),
                        median_error_nm: median,
                    });
                }
                if entry.is_sound() {
                    score.lines.extend(found);
                }
            }
        }
    }
    score
}

/// What a sound photo was taken for instead of what it is.
fn mistaken(entry: &Entry) -> Option<String> {
    let seen = entry.seen.as_ref().filter(|_| entry.is_sound())?;
    let is_right = seen.capture == entry.capture() && seen.bench == entry.bench;
    (!is_right).then(|| {
        let capture = match seen.capture.as_str() {
            "" => &seen.verdict,
            capture => capture,
        };
        format!("{}: {capture} of {}", entry.photo, seen.bench)
    })
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
    if in_focus {
        let name = match truth.slit_width_um {
            100.0..=400.0 => "slit_width (100-400 um, in focus)",
            _ => "slit_width (wider)",
        };
        note(name, "slit_width_um", &|v| v / truth.slit_width_um - 1.0);
    }
    let wedge_um = truth.wedge_as_seen_um();
    note("slit_wedge_um", "slit_wedge_um", &|v| v - wedge_um);
    note("dust (% of the light)", "dust_share", &|v| {
        100.0 * (v - truth.dust_share)
    });
    if spoils("moved") {
        note("moved_px", "moved_px", &|v| v - truth.movement_px);
    } else {
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
        let (Some(at_a), Some(at_b)) = (a.absorbance, b.absorbance) else {
            continue;
        };
        let share = (wavelength_nm - a.wavelength_nm) / (b.wavelength_nm - a.wavelength_nm);
        if truth <= 1.5 && at_a.sigma <= 0.1 {
            let value = at_a.value + share * (at_b.value - at_a.value) - truth;
            let error = Estimate::new(value, at_a.sigma);
            score.absorbance.push(error);
            if (0.1..=0.8).contains(&truth) && (440.0..=660.0).contains(&wavelength_nm) {
                score.working_absorbance.push(error);
            }
        }
    }
}

#[cfg(test)]
mod tests;
