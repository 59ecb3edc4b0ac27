//! What is known of every photo, and what follows from it: folders, pairings, and the work that is left to do.
//!
//! No disk and no clock here: the same photos and records give the same plan, in whatever order they came.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Mutex};

use crate::arrive::listing::Rel;
use crate::classify::Said;
use crate::lab::{Companion, Company, Origin};
use crate::pair::{self, Shot};
use crate::publish::names;
use crate::publish::record::{Provenance, Record};
use crate::terms::{Capture, Sessions, Verdict};

use super::arranged::{arrange_one, shot};
use super::governed::Deciding;
use super::job::{Fate, Job, Stands};
use super::known::Known;
use super::read::Source;
use super::work::{Orders, Work};

/// Published folders by path, with what stands in them.
pub type Published = BTreeMap<String, Arc<Record>>;

/// What keeps a photo from being worked on right now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Held {
    /// Nothing.
    Free,
    /// A worker has it, or its turn to be tried again has not come; what depends on it waits.
    Busy,
    /// It has failed so often that what depends on it goes on without it.
    GivenUp,
}

/// Every settled photo.
#[derive(Default)]
pub struct World {
    photos: BTreeMap<Rel, Known>,
    benches: BTreeMap<String, Vec<Rel>>,
    folders: BTreeSet<String>,
    by_shown: HashMap<String, Rel>,
    sessions: Sessions,
    /// For how long a slate holds, minutes; absent: until the next one or the session's end.
    slates_valid_min: Option<f64>,
    closed: BTreeSet<String>,
    /// What was arranged, by session.
    arranged: BTreeMap<Session, Arranged>,
    stale: Stale,
}

/// A session as the photos say it; absent where there are none.
type Session = Option<String>;

/// Which sessions are to be arranged anew.
#[derive(Default)]
enum Stale {
    #[default]
    All,
    These(BTreeSet<Session>),
}

/// What the photos of a session have added to all that is known.
#[derive(Default)]
struct Arranged {
    paths: BTreeSet<Rel>,
    benches: BTreeSet<String>,
    folders: Vec<String>,
    shown: Vec<String>,
    /// Its folder, where it is closed.
    closed: Option<String>,
}

impl World {
    /// Adds a photo, or replaces what is known of it.
    pub fn insert(&mut self, path: Rel, photo: Known) {
        self.touch(self.sessions.of(&photo.shown, photo.facts.taken));
        if let Some(before) = self.photos.insert(path, photo) {
            self.touch(self.sessions.of(&before.shown, before.facts.taken));
        }
    }

    /// Forgets a photo; false where it was not known.
    pub fn remove(&mut self, path: &Rel) -> bool {
        let before = self.photos.remove(path);
        if let Some(before) = &before {
            self.touch(self.sessions.of(&before.shown, before.facts.taken));
        }
        before.is_some()
    }

    fn touch(&mut self, session: Session) {
        if let Stale::These(sessions) = &mut self.stale {
            sessions.insert(session);
        }
    }

    fn touch_all(&mut self, is_changed: bool) {
        if is_changed {
            self.stale = Stale::All;
        }
    }

    /// How many settled photos there are.
    pub fn n_photos(&self) -> usize {
        self.photos.len()
    }

    /// What is known of the photo at this path.
    pub fn get(&self, path: &Rel) -> Option<&Known> {
        self.photos.get(path)
    }

    /// Paths of all photos, rising.
    pub fn paths(&self) -> impl Iterator<Item = &Rel> {
        self.photos.keys()
    }

    /// All benches, rising: by name, behind the session's folder where there are sessions. Needs [`World::arrange`].
    pub fn benches(&self) -> impl Iterator<Item = &String> {
        self.benches.keys()
    }

    /// The photos of a bench. Needs [`World::arrange`].
    pub fn of_bench(&self, bench: &str) -> &[Rel] {
        self.benches.get(bench).map_or(&[], Vec::as_slice)
    }

    /// True where a photo's results belong into `folder`. Needs [`World::arrange`].
    pub fn uses(&self, folder: &str) -> bool {
        self.folders.contains(folder)
    }

    /// Asks the rules again about every photo, after they changed; `looks_otherwise` where what was seen in them no longer
    /// holds. Returns those that are to be looked at first.
    pub fn decide_again(&mut self, work: &dyn Work, looks_otherwise: bool) -> Vec<Rel> {
        self.touch_all(true);
        let mut to_look_at = Vec::new();
        for (path, photo) in &mut self.photos {
            if looks_otherwise {
                photo.seen = None;
            }
            let decide = || photo.decided_anew(work, None);
            match catch_unwind(AssertUnwindSafe(decide)) {
                Ok(decision) => photo.decide(decision),
                Err(_) => {
                    tracing::error!(photo = %photo.shown, "the new rules failed on it; the old decision stays");
                }
            }
            if photo.asks_to_look() {
                to_look_at.push(path.clone());
            }
        }
        to_look_at
    }

    /// Says what divides the inbox into sessions, and for how long a slate holds.
    pub fn follow(&mut self, orders: &Orders) {
        let (sessions, valid_min) = (orders.sessions, orders.slates_valid_min);
        self.touch_all((self.sessions, self.slates_valid_min) != (sessions, valid_min));
        self.sessions = sessions;
        self.slates_valid_min = valid_min;
    }

    /// Says which sessions, by their folders, are closed: nothing is made of the photos that belong there.
    pub fn close(&mut self, closed: BTreeSet<String>) {
        self.touch_all(self.closed != closed);
        self.closed = closed;
    }

    /// The photos of closed sessions, each with its session's folder. Needs [`World::arrange`].
    pub fn of_closed(&self) -> impl Iterator<Item = (&str, &Known)> {
        let closed = self.arranged.values();
        let closed = closed.filter_map(|one| Some((one.closed.as_deref()?, &one.paths)));
        closed.flat_map(|(session, paths)| {
            let known = paths.iter().filter_map(|path| self.photos.get(path));
            known.map(move |photo| (session, photo))
        })
    }

    /// Gives every photo its folder and its circumstances, and has slates decide on photos by the rules of `work`. Sessions none of whose
    /// photos changed stay as they are.
    ///
    /// Returns the benches that have to be planned again; absent where nothing has changed since the last time.
    pub fn arrange(&mut self, work: &dyn Work) -> Option<BTreeSet<String>> {
        let stale = std::mem::replace(&mut self.stale, Stale::These(BTreeSet::new()));
        if matches!(&stale, Stale::These(none) if none.is_empty()) {
            return None;
        }
        let is_stale = |session: &Session| match &stale {
            Stale::All => true,
            Stale::These(sessions) => sessions.contains(session),
        };
        let mut touched = BTreeSet::new();
        let arranged = std::mem::take(&mut self.arranged);
        let (gone, kept): (BTreeMap<_, _>, _) = arranged
            .into_iter()
            .partition(|(session, _)| is_stale(session));
        self.arranged = kept;
        for before in gone.into_values() {
            self.take_out(&before);
            touched.extend(before.benches);
        }
        let deciding = Deciding {
            work,
            sessions: self.sessions,
            slates_valid_min: self.slates_valid_min,
        };
        let mut by_session: BTreeMap<Session, Vec<(&Rel, &mut Known)>> = BTreeMap::new();
        for (path, photo) in &mut self.photos {
            let session = self.sessions.of(&photo.shown, photo.facts.taken);
            if is_stale(&session) {
                by_session.entry(session).or_default().push((path, photo));
            }
        }
        for (session, mut photos) in by_session {
            let folder = session.as_deref().map(names::session_folder);
            arrange_one(folder.as_deref(), &deciding, &mut photos);
            let one = self.arranged.entry(session).or_default();
            for (path, photo) in photos {
                one.paths.insert(path.clone());
                let top = photo.folder.split('/').next().unwrap_or_default();
                if self.closed.contains(top) {
                    one.closed = Some(top.to_owned());
                    continue;
                }
                one.folders.push(photo.folder.clone());
                one.shown.push(photo.shown.clone());
                one.benches.insert(photo.bench_key.clone());
                self.folders.insert(photo.folder.clone());
                self.by_shown.insert(photo.shown.clone(), path.clone());
                let bench = self.benches.entry(photo.bench_key.clone()).or_default();
                bench.push(path.clone());
            }
            touched.extend(one.benches.iter().cloned());
        }
        Some(touched)
    }

    fn take_out(&mut self, before: &Arranged) {
        for bench in &before.benches {
            if let Some(paths) = self.benches.get_mut(bench) {
                paths.retain(|path| !before.paths.contains(path));
                if paths.is_empty() {
                    self.benches.remove(bench);
                }
            }
        }
        for folder in &before.folders {
            self.folders.remove(folder);
        }
        for shown in &before.shown {
            self.by_shown.remove(shown);
        }
    }

    /// All photos, by path.
    pub fn photos(&self) -> impl Iterator<Item = &Known> {
        self.photos.values()
    }

    /// The jobs that can be done now for a bench, earlier stages first.
    ///
    /// Photos are made stage by stage: as long as a lamp photo is not made, nothing is made from the bench's lamp
    /// photos. Needs [`World::arrange`].
    pub fn plan(
        &self,
        bench: &str,
        published: &Published,
        held: impl Fn(&Rel) -> Held,
        orders: &Orders,
    ) -> Vec<Job> {
        self.jobs(bench, published, held, orders, false)
    }

    /// The jobs of all stages that a bench has before it, if what is made again keeps the verdict that it has. Needs
    /// [`World::arrange`].
    pub fn foresee(&self, bench: &str, published: &Published, orders: &Orders) -> Vec<Job> {
        self.jobs(bench, published, |_| Held::Free, orders, true)
    }

    /// [`World::plan`], or `ahead` over all stages.
    fn jobs(
        &self,
        bench: &str,
        published: &Published,
        held: impl Fn(&Rel) -> Held,
        orders: &Orders,
        ahead: bool,
    ) -> Vec<Job> {
        let planner = Planner {
            world: self,
            published,
            orders,
        };
        let photos = self.of_bench(bench).iter();
        let photos = photos.filter_map(|path| self.photos.get_key_value(path));
        let photos: Vec<(&Rel, &Known)> = photos.collect();
        let as_inputs: Vec<String> = photos.iter().map(|(_, photo)| photo.as_input()).collect();
        let mut shots: Vec<(Shot<'_>, (&Rel, &Known))> = Vec::new();
        let mut jobs = Vec::new();
        for ((path, photo), as_input) in photos.into_iter().zip(&as_inputs) {
            let left = planner.left_for(photo);
            match photo.capture().filter(|_| left.is_none()) {
                Some(capture) => shots.push((shot(photo, as_input, capture), (path, photo))),
                None => {
                    let mut provenance = planner.provenance(photo, pair::Inputs::default());
                    let mut fate = photo.fate();
                    if let Some(better) = left {
                        let words = format!("the same shot as {better}, which is measured");
                        provenance.circumstances.push(words);
                        let why = "another form of one shot, of which the better one is measured";
                        fate = Fate::Ignore(why.to_owned());
                    }
                    if !planner.is_built(photo, &provenance) && held(path) == Held::Free {
                        jobs.push(planner.job(path, photo, provenance, fate));
                    }
                }
            }
        }
        let (mut shots, shot_photos): (Vec<Shot<'_>>, Vec<(&Rel, &Known)>) =
            shots.into_iter().unzip();
        let mut all_stand = jobs.is_empty();
        for stage in 0..=pair::LAST_STAGE {
            let mut dependents_wait = false;
            let inputs = pair::plan(&shots, &orders.pairing);
            for (i, inputs) in inputs.into_iter().enumerate() {
                if pair::stage(shots[i].capture) != stage {
                    continue;
                }
                let (path, photo) = shot_photos[i];
                let provenance = planner.provenance(photo, inputs);
                let is_built = planner.is_built(photo, &provenance);
                if is_built || ahead {
                    let of_photo = |record: &&Arc<Record>| record.photo == photo.shown;
                    let record = published.get(&photo.folder).filter(of_photo);
                    shots[i].verdict = record.map(|record| record.verdict);
                }
                if is_built {
                    continue;
                }
                let held = held(path);
                all_stand &= held == Held::GivenUp;
                dependents_wait |= held != Held::GivenUp && !ahead;
                if held == Held::Free {
                    jobs.push(planner.job(path, photo, provenance, photo.fate()));
                }
            }
            if dependents_wait {
                break;
            }
        }
        if all_stand {
            jobs.extend(planner.refinements(&shots, &shot_photos));
        }
        jobs
    }
}

/// Everything that the plan of a bench is made from.
struct Planner<'a> {
    world: &'a World,
    published: &'a Published,
    orders: &'a Orders,
}

impl Planner<'_> {
    /// The path as shown of the better form of the same shot, for which this one is left alone.
    ///
    /// It is not left alone for one that turned out to be unreadable: that costs one form, and not the shot.
    fn left_for(&self, photo: &Known) -> Option<String> {
        let better = self.world.photos.get(photo.better.as_ref()?)?;
        let failed = self.published.get(&better.folder).is_some_and(|record| {
            let made_from = &record.provenance;
            record.verdict == Verdict::Unreadable
                && record.photo == better.shown
                && made_from.photo_hash == better.hash
                && made_from.configuration_hash == self.orders.configuration_hash
                && made_from.version == self.orders.version
        });
        (!failed).then(|| better.shown.clone())
    }

    /// Samples whose scale other photos' known lines move otherwise than is published, once all photos stand: what a photo says of
    /// the scale does not depend on what is said of it, so that this ends, and ends alike.
    fn refinements(&self, shots: &[Shot<'_>], photos: &[(&Rel, &Known)]) -> Vec<Job> {
        let mut jobs = Vec::new();
        let inputs = pair::plan(shots, &self.orders.pairing);
        for (&(path, photo), inputs) in photos.iter().zip(inputs) {
            if photo.capture() != Some(Capture::Sample) {
                continue;
            }
            let known_lines = self.known_lines_of_others(photo, photos);
            let provenance = Provenance {
                known_lines,
                ..self.provenance(photo, inputs)
            };
            let is_there = self.published.contains_key(&photo.folder);
            if is_there && !self.is_built(photo, &provenance) {
                jobs.push(self.job(path, photo, provenance, photo.fate()));
            }
        }
        jobs
    }

    /// Hashes of what the known lines of the other photos that were measured on the same lamp photo say, by path.
    fn known_lines_of_others(
        &self,
        photo: &Known,
        photos: &[(&Rel, &Known)],
    ) -> BTreeMap<String, String> {
        let record = |photo: &Known| self.published.get(&photo.folder);
        let lamp_of = |record: &Arc<Record>| record.calibration.as_ref()?.photo.clone();
        let Some(lamp) = record(photo).and_then(lamp_of) else {
            return BTreeMap::new();
        };
        let others = photos
            .iter()
            .filter(|(_, other)| other.shown != photo.shown);
        let say = others.filter_map(|(_, other)| {
            let is_on_it = lamp_of(record(other)?)? == lamp;
            let says = self.says_of_scale(other).filter(|_| is_on_it)?;
            Some((other.shown.clone(), says))
        });
        say.collect()
    }

    /// Hash of what a photo's known lines say of the scale; absent where they say nothing.
    fn says_of_scale(&self, photo: &Known) -> Option<String> {
        let lines = &self.published.get(&photo.folder)?.known_lines;
        let hash = || blake3::hash(format!("{lines:?}").as_bytes());
        (!lines.is_empty()).then(|| hash().to_hex().to_string())
    }

    /// What the photo is to be made from; what other photos say of its scale stays as it was published until all stand.
    fn provenance(&self, photo: &Known, inputs: pair::Inputs) -> Provenance {
        let before = self.published.get(&photo.folder);
        let before = before.filter(|record| record.photo == photo.shown);
        let mut known_lines = before.map_or_else(BTreeMap::new, |record| {
            record.provenance.known_lines.clone()
        });
        known_lines.retain(|other, said| {
            let says = self
                .known(other)
                .and_then(|(_, other)| self.says_of_scale(other));
            says.as_ref() == Some(said)
        });
        let said = photo.decision.basis.person.as_ref();
        let is_looked_at = photo.decision.basis.seen.is_some();
        let looks_hash = is_looked_at.then(|| self.orders.looks_hash.clone());
        Provenance {
            photo_hash: photo.hash.clone(),
            configuration_hash: self.orders.configuration_hash.clone(),
            version: self.orders.version.clone(),
            decision_hash: self.decision_hash(photo, &inputs),
            looks_hash: looks_hash.unwrap_or_default(),
            calibration: inputs.calibration,
            blank: inputs.blank,
            dark: inputs.dark,
            bracket: inputs.bracket,
            known_lines,
            overrides: said.map(Said::cells).unwrap_or_default(),
            slate: photo.slate_cells.clone(),
            circumstances: photo.circumstances.clone(),
        }
    }

    /// Hash of what is decided of a photo and of those that it is made from, as far as its results depend on it.
    fn decision_hash(&self, photo: &Known, inputs: &pair::Inputs) -> String {
        let mut hasher = blake3::Hasher::new();
        hasher.update(photo.decided.as_bytes());
        let others = [
            &inputs.calibration,
            &inputs.blank,
            &inputs.dark,
            &inputs.bracket,
        ];
        for (_, other) in others
            .into_iter()
            .flat_map(BTreeMap::keys)
            .filter_map(|shown| self.known(shown))
        {
            hasher.update(other.role.as_bytes());
            // A blank that is to be taken again, if only because a person says so, gives no absorbance but a reason.
            let record = self.published.get(&other.folder);
            let spoilt = record
                .filter(|r| r.capture == Some(Capture::Blank) && r.verdict == Verdict::Retake);
            let why = spoilt.map(|r| r.reasons.first().map(|why| (why.code, &why.measured)));
            hasher.update(format!("{why:?}").as_bytes());
        }
        hasher.finalize().to_hex().to_string()
    }

    fn is_built(&self, photo: &Known, provenance: &Provenance) -> bool {
        self.published
            .get(&photo.folder)
            .is_some_and(|r| r.photo == photo.shown && r.provenance == *provenance)
    }

    fn known(&self, shown: &String) -> Option<(&Rel, &Known)> {
        let path = self.world.by_shown.get(shown)?;
        self.world.photos.get_key_value(path)
    }

    fn source(&self, path: &Rel, photo: &Known) -> Source {
        Source {
            inbox: self.orders.inbox.clone(),
            path: path.clone(),
            size: photo.size,
            patience: self.orders.give_up,
        }
    }

    /// The photos of these paths that have been published. The paths rise, and so do the companions.
    fn companions(&self, hashes: &BTreeMap<String, String>) -> Vec<Companion> {
        let known = hashes.keys().filter_map(|shown| self.known(shown));
        known
            .filter_map(|(_, photo)| {
                Some(Companion {
                    photo: photo.shown.clone(),
                    hash: photo.hash.clone(),
                    facts: photo.facts.clone(),
                    decision: photo.decision.clone(),
                    record: self.published.get(&photo.folder)?.clone(),
                })
            })
            .collect()
    }

    fn job(&self, path: &Rel, photo: &Known, provenance: Provenance, fate: Fate) -> Job {
        let decoded = provenance.blank.keys().chain(provenance.bracket.keys());
        let decoded = decoded.filter_map(|shown| Some(self.known(shown)?.1));
        let cost = photo.cost(&fate, decoded);
        let made_from = [
            &provenance.calibration,
            &provenance.blank,
            &provenance.dark,
            &provenance.bracket,
        ];
        let sources = made_from.into_iter().flatten().filter_map(|(shown, _)| {
            let (path, photo) = self.known(shown)?;
            Some((shown.clone(), self.source(path, photo)))
        });
        Job {
            source: self.source(path, photo),
            bench: photo.bench_key.clone(),
            folder: photo.folder.clone(),
            cost,
            stands: Stands::Nothing,
            picture: Mutex::default(),
            fate,
            sources: sources.collect(),
            company: Company {
                calibrations: self.companions(&provenance.calibration),
                blanks: self.companions(&provenance.blank),
                darks: self.companions(&provenance.dark),
                brackets: self.companions(&provenance.bracket),
                witnesses: self.companions(&provenance.known_lines),
            },
            origin: Origin {
                photo: photo.shown.clone(),
                facts: photo.facts.clone(),
                decision: photo.decision.clone(),
                provenance,
            },
        }
    }
}

#[cfg(test)]
mod tests;
