//! One photo, explained: which rule took it and why, what was measured, the verdict. Publishes nothing.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use crate::arrive::listing::{self, Rel};
use crate::arrive::settle::Candidate;
use crate::classify::{Decision, Outcome};
use crate::decode::{self, Facts};
use crate::lab::{self, Examined, Origin};
use crate::publish::files;
use crate::publish::record::Provenance;
use crate::terms::{Capture, Verdict};

use super::failure::Failure;
use super::intake::{Insist, Intake, Taken};
use super::job::{Fate, Job};
use super::known::Known;
use super::make;
use super::read::{Gone, Progress};
use super::worker::Worker;
use super::world::{Held, Published, World};

/// Explains the photo at `path` (below the inbox, or from the working folder) as a sweep of the inbox would judge it:
/// with the lamp photo and the blank that the sweep would choose. With `pictures`, draws what was found into that folder.
///
/// # Errors
/// Where the photo cannot be read, or the picture not be written.
pub fn explain(worker: &Worker, path: &Path, pictures: Option<&Path>) -> Result<String, Failure> {
    let inbox = &worker.settings().inbox;
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
    let below = below(inbox, &file);
    let job = match &below {
        Some(rel) => planned(worker, rel)?,
        None => None,
    };
    let photo = below.map_or_else(|| path.display().to_string(), |rel| rel.shown());
    let mut said = Vec::new();
    explain_bytes(worker, (&photo, &bytes), job, pictures, &mut said)?;
    let lines = said.iter().map(|line| format!("  {line}\n"));
    Ok(format!("{photo}\n{}", lines.collect::<String>()))
}

fn explain_bytes(
    worker: &Worker,
    (photo, bytes): (&str, &[u8]),
    job: Option<Job>,
    pictures: Option<&Path>,
    said: &mut Vec<String>,
) -> Result<(), Failure> {
    let facts = decode::facts(bytes);
    let decision = worker.settings().rules.decide(photo, &facts);
    if job.is_none() {
        said.push("it does not lie in the inbox: no lamp photo or blank is looked for".into());
    }
    of_the_rules(&decision, said);
    let Some(purpose) = decision.purpose() else {
        return Ok(());
    };
    let alone = || {
        Job::alone(Origin {
            photo: photo.to_owned(),
            facts: Arc::new(facts.clone()),
            decision: Arc::new(decision.clone()),
            provenance: Provenance::default(),
        })
    };
    let job = job.unwrap_or_else(alone);
    if let Fate::Fault(code, what) = &job.fate {
        let code = code.as_str();
        said.push(format!("verdict: unreadable\n  {code}: {what}"));
        return Ok(());
    }
    of_the_file(&facts, said);
    if let Fate::Ignore(why) = &job.fate {
        said.extend(job.origin.provenance.circumstances.iter().cloned());
        said.push(format!("ignored: {why}"));
        return Ok(());
    }
    let examined = worker.examine(&job, bytes, &Fate::Measure);
    let (examined, against) = examined.map_err(changed)?;
    if let Some(scale) = against.scale {
        said.push(format!("scale from {}", scale.photo));
    }
    if let (Some(blank), Capture::Sample) = (job.company.blanks.first(), purpose.capture) {
        said.push(format!("against the blank {}", blank.photo));
    }
    of_the_picture(&examined, said);
    match pictures {
        Some(folder) => draw(&job.origin, examined, folder, said),
        None => Ok(()),
    }
}

fn changed(gone: Gone) -> Failure {
    Failure::Work(format!("{gone}; run it again"))
}

/// Draws what was found into a file of `folder`.
fn draw(
    origin: &Origin,
    examined: Examined,
    folder: &Path,
    said: &mut Vec<String>,
) -> Result<(), Failure> {
    let files = lab::written(origin, examined).files.into_iter();
    let picture = files
        .into_iter()
        .find(|(name, _)| name == files::OVERLAY_PNG)
        .map_or_else(Vec::new, |(_, bytes)| bytes);
    let target = folder.join(format!("{}.png", origin.photo.replace('/', "_")));
    let shown = target.display();
    let put = fs::create_dir_all(folder).and_then(|()| fs::write(&target, picture));
    put.map_err(|e| {
        Failure::Work(format!(
            "{shown}: {e}; choose another folder for --pictures"
        ))
    })?;
    said.push(format!("drawn in {shown}"));
    Ok(())
}

/// Which rule took the photo, why no other did, and what for.
fn of_the_rules(decision: &Decision, said: &mut Vec<String>) {
    for (rule, why) in &decision.passed_over {
        said.push(format!("not rule '{rule}': {why}"));
    }
    said.push(format!("rule '{}' took it", decision.rule));
    said.push(match &decision.outcome {
        Outcome::Ignore { why, .. } => format!("ignored: {why}"),
        Outcome::Measure(purpose) => format!(
            "capture {}, bench {}, label {}{}",
            purpose.capture.as_str(),
            purpose.bench,
            purpose.label,
            after(", lamp ", &purpose.lamp)
        ),
    });
}

/// What was measured, the verdict and its reasons, and the remarks, a line each.
fn of_the_picture(examined: &Examined, said: &mut Vec<String>) {
    let m = &examined.measurement;
    said.extend(m.log.iter().cloned());
    let lines = m.calibration.iter().flat_map(|c| &c.lines);
    said.extend(lines.map(|l| {
        format!(
            "{} order {:+}: residual {:+.3} ± {:.3} nm{}",
            l.name,
            l.order,
            l.residual_nm,
            l.sigma_nm,
            l.left_out_nm
                .map_or(String::new(), |v| format!(", {v:+.3} nm when left out"))
        )
    }));
    let metrics = files::as_published(&m.metrics, None).named();
    said.extend(
        metrics
            .iter()
            .map(|(name, value)| format!("{name} = {value}")),
    );
    let not_measured = m.not_measured.iter();
    said.extend(not_measured.map(|line| format!("not measured: {line}")));
    said.extend(m.peaks.iter().map(|peak| {
        format!(
            "peak at {:.2} ± {:.2} nm, {:.2} nm wide{}",
            peak.centre_nm.value,
            peak.centre_nm.sigma,
            peak.fwhm_nm.value,
            after(": ", &peak.name)
        )
    }));
    let word = format!("{:?}", examined.verdict).to_lowercase();
    said.push(format!("verdict: {word}"));
    if examined.verdict == Verdict::Waiting {
        said.push("sound, but its bench has no usable lamp photo yet".into());
    }
    said.extend(examined.reasons.iter().map(|reason| {
        let limit = match reason.limit.as_str() {
            "" => String::new(),
            limit => format!(" (limit {limit})"),
        };
        let (code, measured) = (reason.code.as_str(), &reason.measured);
        format!("{code}: {measured}{limit} — {}", reason.advice)
    }));
    said.extend(examined.remarks.iter().map(ToString::to_string));
}

/// `text` behind `before`, or nothing where it is empty.
fn after(before: &str, text: &str) -> String {
    match text {
        "" => String::new(),
        text => format!("{before}{text}"),
    }
}

/// What the file states.
fn of_the_file(facts: &Facts, said: &mut Vec<String>) {
    said.push(format!(
        "{} of {} × {} pixels, Exif orientation {}",
        facts.format, facts.width, facts.height, facts.orientation
    ));
    said.extend(facts.taken.map(|taken| format!("taken {taken}")));
    if let (Some(s), Some(iso)) = (facts.exposure_s, facts.iso) {
        let time = crate::judge::exposure_time(s);
        said.push(format!("exposure {time} at ISO {iso:.0}"));
    }
    said.push(match facts.focal_px() {
        Some(f) => format!("focal length stated: {f:.0} px"),
        None => "focal length not stated".into(),
    });
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
fn planned(worker: &Worker, own: &Rel) -> Result<Option<Job>, Failure> {
    let orders = worker.orders();
    let listing = listing::list(&orders.inbox)
        .map_err(|e| Failure::Work(format!("{}: {e}", orders.inbox.display())))?;
    let known: Vec<(Rel, Known)> = listing
        .entries
        .into_iter()
        .filter_map(|(path, entry)| {
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
            match intake.take_in(worker, &Progress::default()) {
                Taken::Known(photo) => Some((path, *photo)),
                _ => None,
            }
        })
        .collect();
    let Some((_, photo)) = known.iter().find(|(path, _)| path == own) else {
        return Ok(None);
    };
    let (bench, stem) = (photo.bench().to_owned(), lab::stem(&photo.shown));
    let mut world = World::default();
    for (path, photo) in known {
        // All but samples: lamp photos give the scale, blanks, darks and brackets what a sample is compared by.
        let helps = photo.capture().is_some_and(|c| c != Capture::Sample);
        let is_form_of_it = lab::stem(&photo.shown) == stem;
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
            let outcome = make::outcome(&job, worker).map_err(changed)?;
            made.insert(job.folder.clone(), Arc::new(outcome.record));
        }
    }
}
