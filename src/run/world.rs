//! What is known of every photo, and what follows from it: folders, pairings, and the work that is left to do.
//!
//! No disk and no clock here: the same photos and records give the same plan, in whatever order they came.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use crate::arrive::listing::Rel;
use crate::classify::Said;
use crate::lab::{Companion, Company, Origin};
use crate::pair::{self, Shot};
use crate::publish::names;
use crate::publish::record::{Provenance, Record};
use crate::terms::{Capture, Sessions, Verdict};

use super::arranged::arrange_one;
use super::job::{Fate, Job};
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
    closed: BTreeSet<String>,
    /// Photos of closed sessions, with the sessions' folders.
    of_closed: Vec<(Rel, String)>,
    arranged: bool,
}

impl World {
    /// Adds a photo, or replaces what is known of it.
    pub fn insert(&mut self, path: Rel, photo: Known) {
        self.arranged = false;
        self.photos.insert(path, photo);
    }

    /// Forgets a photo; false where it was not known.
    pub fn remove(&mut self, path: &Rel) -> bool {
        let was_known = self.photos.remove(path).is_some();
        self.arranged &= !was_known;
        was_known
    }

    /// A photo.
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

    /// True where a photo's results belong into `folder`. Needs [`World::arrange`].
    pub fn uses(&self, folder: &str) -> bool {
        self.folders.contains(folder)
    }

    /// Asks the rules again about every photo, after they changed; `looks_otherwise` where what was seen in them no longer
    /// holds. Returns those that are to be looked at first.
    pub fn decide_again(&mut self, work: &dyn Work, looks_otherwise: bool) -> Vec<Rel> {
        self.arranged = false;
        let mut to_look_at = Vec::new();
        for (path, photo) in &mut self.photos {
            if looks_otherwise {
                photo.seen = None;
            }
            let decide = || photo.decided_anew(work);
            match catch_unwind(AssertUnwindSafe(decide)) {
                Ok(decision) => photo.decision = Arc::new(decision),
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

    /// Says what divides the inbox into sessions.
    pub fn divide(&mut self, sessions: Sessions) {
        self.arranged &= self.sessions == sessions;
        self.sessions = sessions;
    }

    /// Says which sessions, by their folders, are closed: nothing is made of the photos that belong there.
    pub fn close(&mut self, closed: BTreeSet<String>) {
        self.arranged &= self.closed == closed;
        self.closed = closed;
    }

    /// The photos of closed sessions, each with its session's folder. Needs [`World::arrange`].
    pub fn of_closed(&self) -> impl Iterator<Item = (&str, &Known)> {
        let all = self.of_closed.iter();
        all.filter_map(|(path, session)| Some((session.as_str(), self.photos.get(path)?)))
    }

    /// Gives every photo its folder and its circumstances. False where nothing has changed since the last time.
    pub fn arrange(&mut self) -> bool {
        if self.arranged {
            return false;
        }
        self.arranged = true;
        self.benches.clear();
        self.folders.clear();
        self.by_shown.clear();
        self.of_closed.clear();
        let mut by_session: BTreeMap<Option<String>, Vec<(&Rel, &mut Known)>> = BTreeMap::new();
        for (path, photo) in &mut self.photos {
            let session = self.sessions.of(&photo.shown, photo.facts.taken);
            by_session.entry(session).or_default().push((path, photo));
        }
        for (session, mut photos) in by_session {
            let session = session.map(|session| names::session_folder(&session));
            arrange_one(session.as_deref(), self.sessions, &mut photos);
            for (path, photo) in photos {
                let top = photo.folder.split('/').next().unwrap_or_default();
                if self.closed.contains(top) {
                    self.of_closed.push((path.clone(), top.to_owned()));
                    continue;
                }
                self.folders.insert(photo.folder.clone());
                self.by_shown.insert(photo.shown.clone(), path.clone());
                let bench = self.benches.entry(photo.bench_key.clone()).or_default();
                bench.push(path.clone());
            }
        }
        true
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
        let planner = Planner {
            world: self,
            published,
            orders,
        };
        let paths = self.benches.get(bench).map_or(&[][..], Vec::as_slice);
        let photos = paths.iter();
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
        for stage in 0..=pair::LAST_STAGE {
            let mut dependents_wait = false;
            let inputs = pair::plan(&shots, &orders.pairing);
            for (i, inputs) in inputs.into_iter().enumerate() {
                if pair::stage(shots[i].capture) != stage {
                    continue;
                }
                let (path, photo) = shot_photos[i];
                let provenance = planner.provenance(photo, inputs);
                if planner.is_built(photo, &provenance) {
                    shots[i].verdict = published.get(&photo.folder).map(|record| record.verdict);
                    continue;
                }
                let held = held(path);
                dependents_wait |= held != Held::GivenUp;
                if held == Held::Free {
                    jobs.push(planner.job(path, photo, provenance, photo.fate()));
                }
            }
            if dependents_wait {
                break;
            }
        }
        jobs
    }
}

fn shot<'a>(photo: &'a Known, as_input: &'a str, capture: Capture) -> Shot<'a> {
    Shot {
        photo: &photo.shown,
        hash: as_input,
        bench: photo.bench(),
        capture,
        taken: photo.facts.taken,
        exposure: photo.facts.exposure_product(),
        verdict: None,
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

    fn provenance(&self, photo: &Known, inputs: pair::Inputs) -> Provenance {
        let said = photo.decision.basis.person.as_ref();
        Provenance {
            photo_hash: photo.hash.clone(),
            configuration_hash: self.orders.configuration_hash.clone(),
            version: self.orders.version.clone(),
            calibration: inputs.calibration,
            blank: inputs.blank,
            dark: inputs.dark,
            bracket: inputs.bracket,
            overrides: said.map(Said::cells).unwrap_or_default(),
            circumstances: photo.circumstances.clone(),
        }
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
            fate,
            sources: sources.collect(),
            company: Company {
                calibrations: self.companions(&provenance.calibration),
                blanks: self.companions(&provenance.blank),
                darks: self.companions(&provenance.dark),
                brackets: self.companions(&provenance.bracket),
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
mod tests {
    use super::*;
    use crate::classify::{Decision, Outcome, Purpose};
    use crate::decode::Facts;
    use crate::terms::Capture;

    fn known(shown: &str, hash: &str) -> Known {
        let (bench, name) = shown.split_once('/').unwrap();
        let capture = match &name[..1] {
            "l" => Some(Capture::Calibration),
            "d" => Some(Capture::Dark),
            "b" => Some(Capture::Blank),
            "s" => Some(Capture::Sample),
            _ => None,
        };
        let bench = bench.to_owned();
        let outcome = match capture {
            None => Outcome::Ignore {
                bench,
                why: "notes".to_owned(),
            },
            Some(capture) => Outcome::Measure(Purpose {
                capture,
                bench,
                lamp: String::new(),
                label: String::new(),
                groups: BTreeMap::new(),
            }),
        };
        let decision = Decision {
            rule: String::new(),
            outcome,
            passed_over: Vec::new(),
            basis: Default::default(),
        };
        let mut known = Known::new(shown.to_owned(), Facts::default(), decision);
        known.hash = hash.to_owned();
        known
    }

    fn world(photos: &[&str]) -> World {
        let mut world = World::default();
        for photo in photos {
            world.insert(Rel::new(*photo), known(photo, &photo.to_uppercase()));
        }
        world.arrange();
        world
    }

    /// Photos that can be made now, each `name<-lamps`.
    fn planned(world: &World, published: &Published, held: impl Fn(&Rel) -> Held) -> String {
        let jobs = world.plan("heron", published, held, &Orders::new("in", "out"));
        let names = |inputs: &[Companion]| {
            let names: Vec<&str> = inputs.iter().map(|i| &i.photo["heron/".len()..]).collect();
            names.join("+")
        };
        jobs.iter()
            .map(|job| {
                format!(
                    "{}<-{}",
                    &job.origin.photo["heron/".len()..],
                    names(&job.company.calibrations)
                )
            })
            .collect::<Vec<_>>()
            .join(" ")
    }

    /// Publishes what is planned for the photos of the given names.
    fn publish(world: &World, published: &mut Published, name: &str, verdict: Verdict) {
        let orders = Orders::new("in", "out");
        let jobs = world.plan("heron", published, |_| Held::Free, &orders);
        let job = jobs
            .iter()
            .find(|job| job.origin.photo.ends_with(name))
            .expect("planned");
        let record = Record {
            verdict,
            provenance: job.origin.provenance.clone(),
            ..Record::default()
        };
        let photo = job.origin.photo.clone();
        published.insert(job.folder.clone(), Arc::new(Record { photo, ..record }));
    }

    #[test]
    fn a_stage_waits_for_the_one_before_it() {
        let world = world(&[
            "heron/l1",
            "heron/l2",
            "heron/d1",
            "heron/s1",
            "heron/notes",
        ]);
        let mut published = Published::new();
        let free = |_: &Rel| Held::Free;
        assert_eq!(planned(&world, &published, free), "notes<- l1<- l2<-");
        publish(&world, &mut published, "notes", Verdict::Ignored);
        publish(&world, &mut published, "l1", Verdict::Good);
        assert_eq!(planned(&world, &published, free), "l2<-");
        let busy = |path: &Rel| match path.shown().ends_with("l2") {
            true => Held::Busy,
            false => Held::Free,
        };
        assert_eq!(planned(&world, &published, busy), "");
        // One that has failed again and again is gone on without.
        let given_up = |path: &Rel| match busy(path) {
            Held::Busy => Held::GivenUp,
            other => other,
        };
        assert_eq!(planned(&world, &published, given_up), "d1<-l1");
        publish(&world, &mut published, "l2", Verdict::Retake);
        publish(&world, &mut published, "d1", Verdict::Good);
        assert_eq!(planned(&world, &published, free), "s1<-l1");
        publish(&world, &mut published, "s1", Verdict::Good);
        assert_eq!(planned(&world, &published, free), "");
    }

    #[test]
    fn a_photo_costs_also_what_is_decoded_for_it() {
        let mut world = World::default();
        for (name, side, size) in [
            ("heron/l1", 4000, 5_000_000),
            ("heron/b1", 3000, 4_000_000),
            ("heron/s1", 1000, 1_000_000),
            ("heron/s2", 4000, 3_000_000),
        ] {
            let mut photo = known(name, name);
            photo.size = size;
            photo.facts = Arc::new(Facts {
                width: side,
                height: side,
                decoding_bytes: 5 * (side * side) as u64,
                ..Facts::default()
            });
            world.insert(Rel::new(name), photo);
        }
        world.arrange();
        let mut published = Published::new();
        publish(&world, &mut published, "l1", Verdict::Good);
        publish(&world, &mut published, "b1", Verdict::Good);
        let orders = Orders::new("in", "out");
        let jobs = world.plan("heron", &published, |_| Held::Free, &orders);
        let costs: Vec<_> = jobs
            .iter()
            .map(|j| (&j.origin.photo[6..], j.cost))
            .collect();
        // Its own file and the blank's file and picture; its own file and picture, the blank's being smaller. The lamp's
        // picture is not decoded again. Decoding takes 5 bytes a pixel here, measuring 3.
        let expected = [
            ("s1", 1_000_000 + 4_000_000 + 8 * 9_000_000),
            ("s2", 3_000_000 + 8 * 16_000_000),
        ];
        assert_eq!(costs, expected);
    }

    #[test]
    fn a_shot_in_two_forms_is_measured_once_and_not_lost_with_a_broken_one() {
        let form = |format, name: &str| {
            let mut photo = known(name, &name.to_uppercase());
            photo.facts = Arc::new(Facts {
                format,
                taken: Some(jiff::civil::date(2026, 11, 12).at(19, 0, 0, 0)),
                ..Facts::default()
            });
            photo
        };
        let (better, worse) = if cfg!(feature = "heic") {
            ("heic", "jpeg")
        } else {
            ("jpeg", "heic")
        };
        let mut world = World::default();
        world.insert(Rel::new("heron/l1.b"), form(better, "heron/l1.b"));
        world.insert(Rel::new("heron/l1.w"), form(worse, "heron/l1.w"));
        world.insert(Rel::new("heron/s1"), known("heron/s1", "S1"));
        world.arrange();
        let mut published = Published::new();
        let free = |_: &Rel| Held::Free;
        let orders = Orders::new("in", "out");
        let fates = |published: &Published| -> String {
            let jobs = world.plan("heron", published, free, &orders);
            let fate = |job: &Job| match job.fate {
                Fate::Measure => format!("{}+", job.origin.photo),
                _ => format!("{}-", job.origin.photo),
            };
            jobs.iter().map(fate).collect::<Vec<_>>().join(" ")
        };
        assert_eq!(fates(&published), "heron/l1.w- heron/l1.b+");
        publish(&world, &mut published, "l1.w", Verdict::Ignored);
        publish(&world, &mut published, "l1.b", Verdict::Good);
        assert_eq!(fates(&published), "heron/s1+");
        assert_eq!(planned(&world, &published, free), "s1<-l1.b");
        // The better one turns out to be broken: the other is measured, and serves.
        let broken = Record {
            verdict: Verdict::Unreadable,
            ..(*published["heron/l1.b"]).clone()
        };
        published.insert("heron/l1.b".to_owned(), Arc::new(broken));
        assert_eq!(fates(&published), "heron/l1.w+");
        publish(&world, &mut published, "l1.w", Verdict::Good);
        assert_eq!(planned(&world, &published, free), "s1<-l1.w");
    }

    #[test]
    fn only_what_a_change_concerns_is_planned_again() {
        let mut world = world(&["heron/l1", "heron/s1", "heron/s2", "dunlin/s1"]);
        let mut published = Published::new();
        for name in ["l1", "s1", "s2"] {
            publish(&world, &mut published, name, Verdict::Good);
        }
        let free = |_: &Rel| Held::Free;
        assert_eq!(planned(&world, &published, free), "");
        world.insert(Rel::new("heron/s2"), known("heron/s2", "OTHER"));
        assert!(world.arrange());
        assert!(!world.arrange(), "nothing is new");
        assert_eq!(planned(&world, &published, free), "s2<-l1");
        // Another lamp by the instructor's word: what is made from it is made again, and nothing for a mere remark.
        let mut lamp = known("heron/l1", "HERON/L1");
        let say = |lamp: &mut Known, said: Said| {
            Arc::make_mut(&mut lamp.decision).basis.person = Some(said);
        };
        let remark = Said {
            note: "by the door".to_owned(),
            ..Said::default()
        };
        say(&mut lamp, remark.clone());
        world.insert(Rel::new("heron/l1"), lamp.clone());
        world.insert(Rel::new("heron/s2"), known("heron/s2", "HERON/S2"));
        world.arrange();
        assert_eq!(planned(&world, &published, free), "l1<-");
        publish(&world, &mut published, "l1", Verdict::Good);
        assert_eq!(planned(&world, &published, free), "");
        let helium = Said {
            lamp: Some("helium".to_owned()),
            ..remark
        };
        say(&mut lamp, helium);
        world.insert(Rel::new("heron/l1"), lamp);
        world.arrange();
        publish(&world, &mut published, "l1", Verdict::Good);
        assert_eq!(planned(&world, &published, free), "s1<-l1 s2<-l1");
        // Sorts between the lamp and the samples: without times it is the nearer one.
        world.insert(Rel::new("heron/l2"), known("heron/l2", "L2"));
        world.arrange();
        publish(&world, &mut published, "l2", Verdict::Good);
        assert_eq!(planned(&world, &published, free), "s1<-l2 s2<-l2");
    }
}
