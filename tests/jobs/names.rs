//! Photos under the names that phones give by themselves: what they are is seen, and nothing else changes.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use slitwatch::classify::{Decision, Evidence};
use slitwatch::decode::Facts;
use slitwatch::frame::{Frame, Orientation, Samples};
use slitwatch::lab::Picture;
use slitwatch::run::{self, Bell, Class, Fate, Gone, Job, Outcome, Sink, Work};
use slitwatch::terms::{Look, Seen};

use crate::evening::camera_name;
use crate::fake::Fake;
use crate::lab::{Lab, tree};
use crate::real::{CLASS, Place, SWEPT, demo_bytes, demo_photos, stderr, stdout};

/// What cannot be seen in a photo of the demo: that it is a blank, and whose blank it is; that a bulb was meant as the lamp.
fn cannot_be_seen(photo: &str) -> bool {
    let name = photo.rsplit('/').next().unwrap_or(photo);
    ["blank", "dye", "lamp-02-bulb"]
        .iter()
        .any(|begins| name.starts_with(begins))
}

/// The demo's photos under camera names, by those of the demo.
fn renamed() -> BTreeMap<String, String> {
    let camera_name = |photo: &String| {
        let planned = CLASS.iter().find(|planned| planned.path == *photo)?;
        let (bench, _) = photo.split_once('/')?;
        let taken = camera_name(planned.shot.taken);
        photo
            .ends_with(".jpg")
            .then(|| (photo.clone(), format!("{bench}/{taken}")))
    };
    demo_photos().iter().filter_map(camera_name).collect()
}

#[test]
fn the_whole_demo_under_camera_names_comes_to_the_same() {
    let place = Place::new();
    let names = renamed();
    assert_eq!(names.len(), 43);
    for (photo, name) in &names {
        place.put(name, &demo_bytes(photo));
    }
    let output = place.run(&["sweep", "--workers", "4"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let mut wrong = Vec::new();
    for (photo, name) in &names {
        let (named, found) = (SWEPT.place.quality(photo), place.quality(name));
        assert_ne!(found["verdict"], "waiting", "{photo}");
        let is_lamp = named["capture"] == "calibration" && !cannot_be_seen(photo);
        let is_said_lamp = found["capture"] == "calibration";
        assert_eq!(is_lamp, is_said_lamp, "{photo}: {}", found["looks"]);
        if cannot_be_seen(photo) {
            assert_eq!(found["capture"], "sample", "{photo}");
            continue;
        }
        // Advice may name a lamp photo or a blank.
        let codes = |quality: &serde_json::Value| -> Vec<String> {
            let reasons = quality["reasons"].as_array().unwrap().iter();
            reasons
                .map(|r| r["code"].to_string() + &r["measured"].to_string())
                .collect()
        };
        let same = ["capture", "lamp", "verdict", "metrics", "taken", "bench"]
            .iter()
            .all(|key| named[*key] == found[*key]);
        let of = |folder: &str, tree: &BTreeMap<String, Vec<u8>>| {
            tree.get(&format!("{folder}/spectrum.csv")).cloned()
        };
        let same_spectrum = of(photo, &SWEPT.tree) == of(name, &place.tree());
        if !same || codes(&named) != codes(&found) || !same_spectrum {
            wrong.push(format!("{photo}: {named:#} became {found:#}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));

    let lamp = &names["heron/lamp-01.jpg"];
    let said = stdout(&place.run(&["explain", lamp]));
    assert!(
        said.contains("rule 'looks like the lamp' took it"),
        "{said}"
    );
    assert!(said.contains("looks like fluorescent, sure to"), "{said}");
    let tube = &names["turnstone/pier-lamp.jpg"];
    let remarks = place.quality(tube)["remarks"].to_string();
    assert!(
        remarks.contains("it may be continuous or fluorescent"),
        "{remarks}"
    );
}

/// Photos named `IMG…` are what the word `lamp` in them, or none, makes of them; counts how often one is looked at, and measured
/// without the picture that was looked at.
#[derive(Default)]
struct Looking {
    n_looked_at: AtomicUsize,
    n_decoded_again: AtomicUsize,
}

/// A picture of so many bytes.
const PICTURE_BYTES: usize = 300;

fn picture() -> Picture {
    let samples = Samples::U8(vec![0; PICTURE_BYTES]);
    let linear: Arc<[f32]> = vec![0.0; 256].into();
    let (width, upright) = (PICTURE_BYTES / 3, Orientation::UPRIGHT);
    let frame = Frame::new(samples, width, 1, upright, linear, 255);
    (Facts::default(), frame).into()
}

impl Work for Looking {
    fn facts(&self, bytes: &[u8]) -> Facts {
        Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        self.decide_on(&Evidence::new(photo, facts))
    }
    fn decide_on(&self, evidence: &Evidence<'_>) -> Decision {
        let is_unnamed = evidence.path.contains("/IMG");
        let look = evidence.seen.and_then(|seen| seen.look.clone());
        let lamp = Some(Look::Lamp("lamp".to_owned()));
        let path = match is_unnamed && look == lamp {
            true => evidence.path.replace("/IMG", "/lamp"),
            false => evidence.path.to_owned(),
        };
        let mut decision = Fake.decide(&path, evidence.facts);
        decision.basis.asks_to_look = is_unnamed && evidence.seen.is_none();
        decision.basis.seen = evidence.seen.cloned();
        decision
    }
    fn look(&self, bytes: &[u8]) -> (Seen, Option<Picture>) {
        self.n_looked_at.fetch_add(1, Ordering::SeqCst);
        let is_lamp = String::from_utf8_lossy(bytes).contains("lamp");
        let word = if is_lamp { "lamp" } else { "lines" };
        let seen = Seen {
            look: Some(Look::from(word.to_owned())),
            ..Seen::nothing("its words")
        };
        (seen, Some(picture()))
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        if *fate == Fate::Measure && job.take_picture().is_none() {
            self.n_decoded_again.fetch_add(1, Ordering::SeqCst);
        }
        let mut outcome = Fake.measure(job, bytes, fate)?;
        outcome.record.looks = job.origin.decision.basis.seen.clone();
        let quality = serde_json::to_vec_pretty(&outcome.record).expect("JSON");
        let files = outcome.files.iter_mut();
        for (_, bytes) in files.filter(|(name, _)| name == "quality.json") {
            bytes.clone_from(&quality);
        }
        Ok(outcome)
    }
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        Fake.summaries(class, out);
    }
}

/// How many photos a sweep looks at, and how many it makes.
fn sweep_and_count(lab: &Lab) -> (usize, usize) {
    let work = Arc::new(Looking::default());
    let n_made = lab.sweep_with(work.clone());
    (work.n_looked_at.load(Ordering::SeqCst), n_made)
}

#[test]
fn each_content_is_looked_at_once_and_not_again_by_a_restart() {
    let lab = Lab::new();
    lab.put("heron/IMG_1.jpg", "taken=10:00 light=3 lamp");
    lab.put("heron/IMG_2.jpg", "taken=10:05 light=5");
    lab.put("heron/quay.jpg", "taken=10:06 light=6");
    assert_eq!(sweep_and_count(&lab), (2, 3));
    let made_from = |photo: &str| {
        let quality = lab.quality(photo).expect("a record");
        quality["provenance"]["calibration"].to_string()
    };
    for photo in ["heron/IMG_2.jpg", "heron/quay.jpg"] {
        assert!(made_from(photo).contains("heron/IMG_1.jpg"), "{photo}");
        assert_eq!(lab.verdict(photo), "good");
    }
    assert_eq!(sweep_and_count(&lab), (0, 0), "a restart");
    lab.put("heron/IMG_3.jpg", "taken=10:05 light=5");
    assert_eq!(sweep_and_count(&lab), (0, 1), "the same content");
    lab.put("heron/IMG_2.jpg", "taken=10:05 light=7 lamp");
    let (n_looked_at, n_made) = sweep_and_count(&lab);
    assert_eq!(n_looked_at, 1, "another content");
    assert!(n_made >= 2, "it is a lamp now, and nearer to the others");
    assert!(made_from("heron/IMG_3.jpg").contains("heron/IMG_2.jpg"));
    std::fs::remove_dir_all(lab.results()).unwrap();
    assert_eq!(sweep_and_count(&lab).0, 3, "everything anew");
}

/// A class that is there before the sweep, of which three pictures are kept: with `lamps` a bench of ten photos a minute, and when its lamp
/// photos were taken. How many photos are decoded once more.
fn decoded_again(benches: &[(&str, &[usize])], workers: usize) -> usize {
    let lab = Lab::new();
    let mut n = 0;
    for (bench, lamps) in benches {
        for minute in 0..10 {
            let lamp = if lamps.contains(&minute) { "lamp" } else { "" };
            let words = format!("taken=10:0{minute} light={n} {lamp}");
            lab.put(&format!("{bench}/IMG_{minute}.jpg"), &words);
            n += 1;
        }
    }
    let sweep = |picture_bytes: u64| {
        let work = Arc::new(Looking::default());
        let mut setup = lab.setup();
        setup.work = work.clone();
        setup.orders.workers = workers;
        setup.orders.picture_bytes = picture_bytes;
        let report = run::sweep(setup, Bell::new().1).unwrap();
        assert!(report.failures.is_empty(), "{:?}", report.failures);
        assert_eq!(work.n_looked_at.load(Ordering::SeqCst), n);
        let tree = tree(&lab.results());
        std::fs::remove_dir_all(lab.results()).unwrap();
        (work.n_decoded_again.load(Ordering::SeqCst), tree)
    };
    let (n_again, tree) = sweep(3 * PICTURE_BYTES as u64);
    let (all, without) = sweep(0);
    assert_eq!(all, n, "no picture is kept");
    assert!(tree == without, "{benches:?}");
    n_again
}

#[test]
fn of_a_class_that_comes_at_once_each_photo_is_decoded_once_where_a_lamp_photo_is_first_or_last() {
    let ends: [(&str, &[usize]); 3] = [("avocet", &[0]), ("dunlin", &[9]), ("heron", &[0, 9])];
    assert_eq!(decoded_again(&ends, 1), 0);
    assert_eq!(decoded_again(&ends, 3), 0);
    // In the middle alone: of those before it no picture was still kept when it was looked at.
    assert_eq!(decoded_again(&[("avocet", &[5])], 1), 5);
    // A second one in the middle is the nearer one for some that were measured by the first.
    assert_eq!(decoded_again(&[("avocet", &[0, 6])], 1), 2);
}
