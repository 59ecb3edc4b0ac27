//! One photo, explained: which rule took it and why, what was measured, the verdict. Publishes nothing.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use askama::Template;

use crate::arrive::listing::{self, Rel};
use crate::arrive::settle::{Candidate, Chance};
use crate::classify::{Decision, Outcome, Phone, Then};
use crate::decode::{self, Facts};
use crate::judge::exposure_time;
use crate::lab::{self, Against, Examined, Origin, Picture};
use crate::publish::files;
use crate::publish::record::Provenance;
use crate::terms::{Capture, Phrases, Verdict};

use super::failure::Failure;
use super::intake::{Insist, Intake, Taken};
use super::job::{Fate, Job};
use super::known::Known;
use super::make;
use super::read::{Gone, Progress, Source};
use super::work::Work;
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
    let planned = match &below {
        Some(rel) => planned(worker, rel)?,
        None => None,
    };
    let photo = below.map_or_else(|| path.display().to_string(), |rel| rel.shown());
    let facts = decode::facts(&bytes);
    let (known, picture) = decided(photo.clone(), facts, &bytes, worker);
    let is_in_inbox = planned.is_some();
    let (planned, why_ungoverned) = planned.unzip();
    let facts = known.facts;
    let decided = planned.as_ref().map(|job| job.origin.decision.clone());
    let decision = decided.unwrap_or(known.decision);
    let mut job = planned.unwrap_or_else(|| {
        Job::alone(Origin {
            photo: photo.clone(),
            facts: facts.clone(),
            decision: decision.clone(),
            provenance: Provenance::default(),
        })
    });
    job.picture = picture.into();
    let is_measured = decision.purpose().is_some() && job.fate == Fate::Measure;
    let examined = is_measured.then(|| worker.examine(&job, &bytes, &Fate::Measure));
    let examined = examined.transpose().map_err(changed)?;
    let metrics = examined
        .as_ref()
        .map(|(examined, _)| &examined.measurement.metrics);
    let exposed = facts.exposure_s.zip(facts.iso);
    let text = Text {
        photo: &photo,
        is_in_inbox,
        is_sample: decision
            .purpose()
            .is_some_and(|p| p.capture == Capture::Sample),
        why_ungoverned: why_ungoverned.flatten(),
        decision: &decision,
        facts: &facts,
        exposure: exposed.map(|(s, iso)| format!("{} at ISO {iso:.0}", exposure_time(s))),
        job: &job,
        examined: examined.as_ref(),
        metrics: metrics.map_or_else(BTreeMap::new, |m| files::as_published(m, None).named()),
    };
    let text = text.render().expect("writing to memory does not fail") + "\n";
    match (pictures, examined) {
        (Some(folder), Some((examined, _))) => {
            let phrases = &worker.settings().words.phrases;
            Ok(text + &draw(&job.origin, examined, folder, phrases)?)
        }
        _ => Ok(text),
    }
}

/// What is said of a photo; the text itself is `explain.txt`.
#[derive(Template)]
#[template(path = "explain.txt", config = "src/run/askama.toml")]
struct Text<'a> {
    photo: &'a str,
    is_in_inbox: bool,
    is_sample: bool,
    /// Why no slate governs it, where one might have.
    why_ungoverned: Option<String>,
    decision: &'a Decision,
    facts: &'a Facts,
    exposure: Option<String>,
    job: &'a Job,
    /// What it comes to, where it was measured, and what it was measured by.
    examined: Option<&'a (Examined, Against<'a>)>,
    metrics: BTreeMap<String, f64>,
}

fn changed(gone: Gone) -> Failure {
    Failure::Work(format!("{gone}; run it again"))
}

/// Draws what was found into a file of `folder`, and says so in a line.
fn draw(
    origin: &Origin,
    examined: Examined,
    folder: &Path,
    phrases: &Phrases,
) -> Result<String, Failure> {
    let mut files = lab::written(origin, examined, phrases).files.into_iter();
    let picture = files.find(|(name, _)| name == files::OVERLAY_PNG);
    let picture = picture.map_or_else(Vec::new, |(_, bytes)| bytes);
    let target = folder.join(format!("{}.png", origin.photo.replace('/', "_")));
    let shown = target.display();
    let put = fs::create_dir_all(folder).and_then(|()| fs::write(&target, picture));
    put.map_err(|e| {
        Failure::Work(format!(
            "{shown}: {e}; choose another folder for --pictures"
        ))
    })?;
    Ok(format!("  drawn in {shown}\n"))
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

/// The photo as the rules decide on it, looked at where they ask for it; then with its picture.
fn decided(photo: String, facts: Facts, bytes: &[u8], worker: &Worker) -> (Known, Option<Picture>) {
    let decision = worker.decide(&photo, &facts);
    let known = Known::new(photo, facts, decision);
    if !known.asks_to_look() {
        return (known, None);
    }
    let (seen, picture) = worker.look(bytes);
    (known.looked_at(seen, worker), picture)
}

/// What the photos of an inbox turn out to be that only a look can tell, as far as they may belong to the bench of `own`: where rules
/// or slates may move photos from bench to bench, all of its session.
fn look_at(known: &mut [(Rel, Known)], own: &Rel, worker: &Worker) {
    let orders = worker.orders();
    let look = |path: &Rel, photo: &mut Known| {
        let source = Source {
            inbox: orders.inbox.clone(),
            path: path.clone(),
            size: photo.size,
            patience: orders.give_up,
        };
        if let Ok(bytes) = source.read(&photo.hash) {
            let (seen, _) = worker.look(&bytes);
            *photo = photo.clone().looked_at(seen, worker);
        }
    };
    let Some((path, photo)) = known.iter_mut().find(|(path, _)| path == own) else {
        return;
    };
    if photo.asks_to_look() {
        look(path, photo);
    }
    let session = |photo: &Known| orders.sessions.of(&photo.shown, photo.facts.taken);
    let (bench, own_session) = (photo.bench().to_owned(), session(photo));
    let settings = worker.settings();
    let mut rules = settings.rules.rules().iter();
    let may_move = settings.reads_slates()
        || rules.any(|rule| {
            let states_bench = matches!(&rule.then, Then::Measure(m) if m.bench.is_some());
            !rule.when.looks.is_empty() && states_bench
        });
    for (path, photo) in known {
        let may_belong = may_move || photo.bench() == bench;
        if photo.asks_to_look() && may_belong && session(photo) == own_session {
            look(path, photo);
        }
    }
}

/// A photo's job, and why no slate governs it.
type Planned = (Job, Option<String>);

/// The photo as a sweep would plan it, once the bench's lamp photos and blanks are made; nothing is written.
///
/// `None` where the photo is not among what the sweep would find.
fn planned(worker: &Worker, own: &Rel) -> Result<Option<Planned>, Failure> {
    let orders = worker.orders();
    let listing = listing::list(&orders.inbox)
        .map_err(|e| Failure::Work(format!("{}: {e}", orders.inbox.display())))?;
    let mut known: Vec<(Rel, Known)> = listing
        .entries
        .into_iter()
        .filter_map(|(path, entry)| {
            let candidate = Candidate {
                path: path.clone(),
                identity: entry.identity,
                chance: Chance::Last,
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
    look_at(&mut known, own, worker);
    let Some((_, photo)) = known.iter().find(|(path, _)| path == own) else {
        return Ok(None);
    };
    let session = |photo: &Known| orders.sessions.of(&photo.shown, photo.facts.taken);
    let own_session = session(photo);
    let mut world = World::default();
    world.follow(&orders);
    for (path, photo) in known {
        if session(&photo) == own_session {
            world.insert(path, photo);
        }
    }
    world.arrange(worker);
    let Some(photo) = world.get(own) else {
        return Ok(None);
    };
    let (key, why_ungoverned) = (photo.bench_key.clone(), photo.why_ungoverned.clone());
    let mut made = Published::new();
    loop {
        let mut jobs = world.plan(&key, &made, |_| Held::Free, &orders);
        if let Some(i) = jobs.iter().position(|job| job.path() == own) {
            return Ok(Some((jobs.swap_remove(i), why_ungoverned)));
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
