//! One photo, explained: which rule took it and why, what was measured, the verdict. Publishes nothing.

use std::fs;
use std::path::{Path, PathBuf};

use crate::classify::{Capture, Outcome, Purpose};
use crate::decode::{self, Facts};
use crate::measure::Verdict;
use crate::publish::files;
use crate::publish::record::{Provenance, Record};

use super::Failure;
use super::lab::{Finding, Lab, Scale};

/// Explains the photo at `path` (below the inbox, or from the working folder), using the best lamp photo that lies in
/// the same bench's folders. With `pictures`, draws what was found into that folder.
///
/// # Errors
/// Where the photo cannot be read, or the picture not be written.
pub fn explain(lab: &Lab, path: &Path, pictures: Option<&Path>) -> Result<String, Failure> {
    let inbox = &lab.settings().inbox;
    let file = [path.to_owned(), inbox.join(path)]
        .into_iter()
        .find(|p| p.is_file())
        .ok_or_else(|| {
            Failure::Work(format!(
                "{}: no such photo, neither here nor in {}",
                path.display(),
                inbox.display()
            ))
        })?;
    let read =
        |file: &Path| fs::read(file).map_err(|e| Failure::Work(format!("{}: {e}", file.display())));
    let bytes = read(&file)?;
    let photo = below(inbox, &file);
    let facts = decode::facts(&bytes);
    let decision = lab.settings().rules.decide(&photo, &facts);
    let mut out = format!("{photo}\n");
    let mut say = |text: String| out.push_str(&format!("  {text}\n"));
    for (rule, why) in &decision.passed_over {
        say(format!("not rule '{rule}': {why}"));
    }
    say(format!("rule '{}' took it", decision.rule));
    let purpose = match &decision.outcome {
        Outcome::Ignore { why, .. } => {
            say(format!("ignored: {why}"));
            return Ok(out);
        }
        Outcome::Measure(purpose) => purpose,
    };
    say(format!(
        "capture {}, bench {}, label {}{}",
        purpose.capture.as_str(),
        purpose.bench,
        purpose.label,
        if purpose.lamp.is_empty() {
            String::new()
        } else {
            format!(", lamp {}", purpose.lamp)
        }
    ));
    for line in of_the_file(&facts) {
        say(line);
    }
    let lamp = match purpose.capture {
        Capture::Calibration | Capture::Dark => None,
        _ => best_lamp(lab, inbox, &purpose.bench, &facts)?,
    };
    let scale = lamp.as_ref().map(|(path, record)| {
        let calibration = record.calibration.as_ref().and_then(|c| c.model.as_ref());
        calibration.map(|calibration| Scale {
            photo: path,
            hash: "",
            calibration,
            record,
        })
    });
    let scale = scale.flatten();
    if let Some(scale) = &scale {
        say(format!("scale from {}", scale.photo));
    }
    let finding = lab.examine(&bytes, &facts, purpose, scale.as_ref(), None);
    for line in &finding.measurement.log {
        say(line.clone());
    }
    if let Some(c) = &finding.measurement.calibration {
        for l in &c.lines {
            say(format!(
                "{} order {:+}: residual {:+.3} ± {:.3} nm{}",
                l.name,
                l.order,
                l.residual_nm,
                l.sigma_nm,
                l.left_out_nm
                    .map_or(String::new(), |v| format!(", {v:+.3} nm when left out"))
            ));
        }
    }
    for (name, value) in files::metrics_map(&finding.measurement.metrics) {
        say(format!("{name} = {value}"));
    }
    for line in &finding.measurement.not_measured {
        say(format!("not measured: {line}"));
    }
    for peak in &finding.measurement.peaks {
        say(format!(
            "peak at {:.2} ± {:.2} nm, {:.2} nm wide{}",
            peak.centre_nm.value,
            peak.centre_nm.sigma,
            peak.fwhm_nm.value,
            if peak.name.is_empty() {
                String::new()
            } else {
                format!(": {}", peak.name)
            }
        ));
    }
    say(format!("verdict: {}", word(finding.verdict)));
    for reason in &finding.reasons {
        say(format!(
            "{}: {} {} — {}",
            reason.code.as_str(),
            reason.measured,
            limit(&reason.limit),
            reason.advice
        ));
    }
    for remark in &finding.remarks {
        say(remark.clone());
    }
    if let Some(folder) = pictures {
        let name = format!("{}.png", photo.replace('/', "_"));
        let target = folder.join(name);
        let write = fs::create_dir_all(folder)
            .and_then(|()| fs::write(&target, picture(&photo, purpose, &finding)));
        write.map_err(|e| {
            Failure::Work(format!(
                "{}: {e}; choose another folder for --pictures",
                target.display()
            ))
        })?;
        out.push_str(&format!("  drawn in {}\n", target.display()));
    }
    Ok(out)
}

fn limit(limit: &str) -> String {
    if limit.is_empty() {
        String::new()
    } else {
        format!("(limit {limit})")
    }
}

fn word(verdict: Verdict) -> String {
    format!("{verdict:?}").to_lowercase()
}

fn of_the_file(facts: &Facts) -> Vec<String> {
    let mut lines = vec![format!(
        "{} of {} × {} pixels, Exif orientation {}",
        facts.format, facts.width, facts.height, facts.orientation
    )];
    if let Some(taken) = facts.taken {
        lines.push(format!("taken {taken}"));
    }
    if let (Some(s), Some(iso)) = (facts.exposure_s, facts.iso) {
        lines.push(format!(
            "exposure {} at ISO {iso:.0}",
            crate::measure::judge::exposure_time(s)
        ));
    }
    match facts.focal_px() {
        Some(f) => lines.push(format!("focal length stated: {f:.0} px")),
        None => lines.push("focal length not stated".into()),
    }
    lines
}

fn below(inbox: &Path, file: &Path) -> String {
    let full = |p: &Path| fs::canonicalize(p).unwrap_or_else(|_| p.to_owned());
    let (inbox, file) = (full(inbox), full(file));
    file.strip_prefix(&inbox)
        .unwrap_or(&file)
        .to_string_lossy()
        .trim_start_matches('/')
        .to_owned()
}

/// The bench's lamp photo that leaves the smallest uncertainty.
fn best_lamp(
    lab: &Lab,
    inbox: &Path,
    bench: &str,
    facts: &Facts,
) -> Result<Option<(String, Record)>, Failure> {
    let mut best: Option<(f64, String, Record)> = None;
    for file in photos_below(inbox) {
        let photo = below(inbox, &file);
        // Only the header is needed to know whose photo it is and what for.
        let Ok(bytes) = fs::read(&file) else { continue };
        let own = decode::facts(&bytes);
        let decision = lab.settings().rules.decide(&photo, &own);
        let Outcome::Measure(purpose) = &decision.outcome else {
            continue;
        };
        if purpose.bench != bench
            || purpose.capture != Capture::Calibration
            || own.model != facts.model
        {
            continue;
        }
        let finding = lab.examine(&bytes, &own, purpose, None, None);
        if !matches!(finding.verdict, Verdict::Good | Verdict::Caution)
            || finding.measurement.calibration.is_none()
        {
            continue;
        }
        let sigma = finding
            .measurement
            .metrics
            .wavelength_sigma_nm
            .unwrap_or(f64::MAX);
        if best.as_ref().is_none_or(|b| sigma < b.0) {
            best = Some((sigma, photo.clone(), record(&photo, purpose, &finding)));
        }
    }
    Ok(best.map(|(_, photo, record)| (photo, record)))
}

fn photos_below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        let Ok(entries) = fs::read_dir(&folder) else {
            continue;
        };
        for entry in entries.flatten() {
            match entry.file_type() {
                Ok(t) if t.is_dir() => folders.push(entry.path()),
                Ok(t) if t.is_file() => found.push(entry.path()),
                _ => {}
            }
        }
    }
    found.sort();
    found
}

fn record(photo: &str, purpose: &Purpose, finding: &Finding) -> Record {
    Record {
        photo: photo.to_owned(),
        bench: purpose.bench.clone(),
        capture: Some(purpose.capture),
        rule: String::new(),
        label: purpose.label.clone(),
        lamp: purpose.lamp.clone(),
        groups: purpose.groups.clone(),
        taken: None,
        verdict: finding.verdict,
        reasons: finding.reasons.clone(),
        metrics: files::metrics_map(&finding.measurement.metrics),
        order_side: finding.measurement.metrics.order_side.map(str::to_owned),
        calibration: super::lab::calibration_record(photo, &finding.measurement, None),
        not_measured: finding.measurement.not_measured.clone(),
        remarks: Vec::new(),
        provenance: Provenance::default(),
    }
}

fn picture(photo: &str, purpose: &Purpose, finding: &Finding) -> Vec<u8> {
    let record = record(photo, purpose, finding);
    files::files(&record, &finding.measurement, None, finding.frame.as_ref())
        .into_iter()
        .find(|(name, _)| name == files::OVERLAY_PNG)
        .map(|(_, bytes)| bytes)
        .unwrap_or_default()
}
