//! What is planned of photos that lie in no folder: stages, forms of one shot, and what a change concerns.

use super::*;
use crate::classify::{Decision, Outcome, Purpose};
use crate::decode::Facts;
use crate::terms::Capture;

use super::super::read::Gone;
use super::super::work::{self, Class};
use crate::report::Sink;

/// Rules that are never asked: no photo here is under a slate.
struct Nobody;

impl Work for Nobody {
    fn facts(&self, _bytes: &[u8]) -> Facts {
        Facts::default()
    }
    fn decide(&self, photo: &str, _facts: &Facts) -> Decision {
        (*known(photo, "").decision).clone()
    }
    fn measure(&self, _job: &Job, _bytes: &[u8], _fate: &Fate) -> Result<work::Outcome, Gone> {
        Err(Gone(Rel::new("nobody")))
    }
    fn summaries(&self, _class: &Class<'_>, _out: &mut dyn Sink) {}
}

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
    world.arrange(&Nobody);
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
    world.arrange(&Nobody);
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
    world.arrange(&Nobody);
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
    assert!(world.arrange(&Nobody).is_some());
    assert!(world.arrange(&Nobody).is_none(), "nothing is new");
    assert_eq!(planned(&world, &published, free), "s2<-l1");
    // Another lamp by the instructor's word: what is made from it is made again, and nothing for a mere remark.
    let mut lamp = known("heron/l1", "HERON/L1");
    let say = |lamp: &mut Known, said: Said| {
        let mut decision = (*lamp.by_itself).clone();
        decision.basis.person = Some(said);
        lamp.decide(decision);
    };
    let remark = Said {
        note: "by the door".to_owned(),
        ..Said::default()
    };
    say(&mut lamp, remark.clone());
    world.insert(Rel::new("heron/l1"), lamp.clone());
    world.insert(Rel::new("heron/s2"), known("heron/s2", "HERON/S2"));
    world.arrange(&Nobody);
    assert_eq!(planned(&world, &published, free), "l1<-");
    publish(&world, &mut published, "l1", Verdict::Good);
    assert_eq!(planned(&world, &published, free), "");
    let helium = Said {
        lamp: Some("helium".to_owned()),
        ..remark
    };
    say(&mut lamp, helium);
    world.insert(Rel::new("heron/l1"), lamp);
    world.arrange(&Nobody);
    publish(&world, &mut published, "l1", Verdict::Good);
    assert_eq!(planned(&world, &published, free), "s1<-l1 s2<-l1");
    // Sorts between the lamp and the samples: without times it is the nearer one.
    world.insert(Rel::new("heron/l2"), known("heron/l2", "L2"));
    world.arrange(&Nobody);
    publish(&world, &mut published, "l2", Verdict::Good);
    assert_eq!(planned(&world, &published, free), "s1<-l2 s2<-l2");
}
