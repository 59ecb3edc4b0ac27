//! One photo, explained: which rule took it and why, what was measured, the verdict. Publishes nothing.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use crate::arrive::listing::{self, Rel};
use crate::arrive::settle::Candidate;
use crate::classify::{Outcome, Purpose};
use crate::decode::{self, Facts};
use crate::publish::files;
use crate::publish::record::{Provenance, Record};
use crate::terms::Capture;
use crate::terms::Verdict;

use super::Failure;
use super::company::Company;
use super::intake::{Insist, Intake, Taken};
use super::lab::{Finding, Lab};
use super::make::{self, Job};
use super::read::Progress;
use super::twins;
use super::work::Fate;
use super::world::{Held, Published, World};

/// Explains the photo at `path` (below the inbox, or from the working folder) as a sweep of the inbox would judge it:
/// with the lamp photo and the blank that the sweep would choose. With `pictures`, draws what was found into that folder.
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
    let bytes = fs::read(&file).map_err(|e| Failure::Work(format!("{}: {e}", file.display())))?;
    let company = match below(inbox, &file) {
        Some(rel) => company(lab, &rel)?,
        None => None,
    };
    let photo = below(inbox, &file).map_or_else(|| path.display().to_string(), |rel| rel.shown());
    let facts = decode::facts(&bytes);
    let decision = lab.settings().rules.decide(&photo, &facts);
    let mut out = format!("{photo}\n");
    let mut say = |text: String| out.push_str(&format!("  {text}\n"));
    if company.is_none() {
        say("it does not lie in the inbox: no lamp photo or blank is looked for".into());
    }
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
    if let Some(Fate::Fault { code, what }) = company.as_ref().map(|job| &job.fate) {
        say(format!("verdict: unreadable\n  {}: {what}", code.as_str()));
        return Ok(out);
    }
    for line in of_the_file(&facts) {
        say(line);
    }
    if let Some(job) = company.as_ref()
        && let Fate::Ignore { why } = &job.fate
    {
        for circumstance in &job.provenance.circumstances {
            say(circumstance.clone());
        }
        say(format!("ignored: {why}"));
        return Ok(out);
    }
    let inputs = company
        .as_ref()
        .map_or_else(Company::default, |job| Company {
            calibrations: &job.calibrations,
            blanks: &job.blanks,
            darks: &job.darks,
            brackets: &job.brackets,
        });
    let mut remarks = Vec::new();
    let (finding, scale) = lab
        .examine_with(&bytes, &facts, purpose, inputs, &mut remarks)
        .map_err(|gone| Failure::Work(format!("{gone}; run it again")))?;
    if let Some(scale) = &scale {
        say(format!("scale from {}", scale.photo));
    }
    if let (Some(blank), Capture::Sample) = (inputs.blanks.first(), purpose.capture) {
        say(format!("against the blank {}", blank.photo));
    }
    say_finding(&finding, &mut say);
    for remark in remarks.iter().chain(&finding.remarks) {
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

/// What was measured, the verdict and its reasons, a line each.
fn say_finding(finding: &Finding, say: &mut impl FnMut(String)) {
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
    for (name, value) in files::as_published(&finding.measurement.metrics, None).named() {
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
    if finding.verdict == Verdict::Waiting {
        say("sound, but its bench has no usable lamp photo yet".into());
    }
    for reason in &finding.reasons {
        say(format!(
            "{}: {}{} — {}",
            reason.code.as_str(),
            reason.measured,
            limit(&reason.limit),
            reason.advice
        ));
    }
}

fn limit(limit: &str) -> String {
    if limit.is_empty() {
        String::new()
    } else {
        format!(" (limit {limit})")
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
            crate::judge::exposure_time(s)
        ));
    }
    match facts.focal_px() {
        Some(f) => lines.push(format!("focal length stated: {f:.0} px")),
        None => lines.push("focal length not stated".into()),
    }
    lines
}

/// The file's path below the inbox, where it lies there.
fn below(inbox: &Path, file: &Path) -> Option<Rel> {
    // The file's own name may be a link, which the inbox does not follow; only its folder is looked up.
    let folder = file.parent().filter(|p| !p.as_os_str().is_empty());
    let folder = fs::canonicalize(folder.unwrap_or(Path::new("."))).ok()?;
    let file = folder.join(file.file_name()?);
    let below = file.strip_prefix(fs::canonicalize(inbox).ok()?).ok()?;
    Some(Rel::new(below))
}

/// The photo as a sweep would plan it, once the bench's lamp photos and blanks are made; nothing is written.
///
/// `None` where the photo is not among what the sweep would find.
fn company(lab: &Lab, own: &Rel) -> Result<Option<Job>, Failure> {
    let orders = lab.orders();
    let listing = listing::list(&orders.inbox)
        .map_err(|e| Failure::Work(format!("{}: {e}", orders.inbox.display())))?;
    let mut known = Vec::new();
    for (path, entry) in listing.entries {
        let candidate = Candidate {
            path: path.clone(),
            identity: entry.identity,
            last_chance: true,
        };
        let intake = Intake {
            candidate,
            kind: entry.kind,
            insist: Insist::OnEverything,
            inbox: orders.inbox.clone(),
            max_file_bytes: orders.max_file_bytes,
        };
        if let Taken::Known(photo) = intake.take_in(lab, &Progress::default()) {
            known.push((path, *photo));
        }
    }
    let Some(bench) = known
        .iter()
        .find(|(path, _)| path == own)
        .map(|(_, photo)| photo.bench().to_owned())
    else {
        return Ok(None);
    };
    let mut world = World::default();
    let stem = twins::stem(&own.shown());
    for (path, photo) in known {
        // All but samples: lamp photos give the scale, blanks, darks and brackets what a sample is compared by.
        let helps = photo.capture().is_some_and(|c| c != Capture::Sample);
        let is_form_of_it = twins::stem(&photo.shown) == stem;
        if photo.bench() == bench && (helps || path == *own || is_form_of_it) {
            world.insert(path, photo);
        }
    }
    world.arrange();
    let mut made = Published::new();
    loop {
        let mut jobs = world.plan(&bench, &made, |_| Held::Free, &orders);
        if let Some(i) = jobs.iter().position(|job| job.path() == own) {
            return Ok(Some(jobs.swap_remove(i)));
        }
        if jobs.is_empty() {
            return Ok(None);
        }
        for job in jobs {
            let outcome = make::outcome(&job, lab)
                .map_err(|gone| Failure::Work(format!("{gone}; run it again")))?;
            made.insert(job.folder.clone(), Arc::new(outcome.record));
        }
    }
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
        metrics: files::as_published(&finding.measurement.metrics, finding.measurement.order_side),
        calibration: super::lab::calibration_record(photo, &finding.measurement, None),
        answers: Default::default(),
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
