//! Printed cards before photos whose names say nothing: they come to what their names said, whatever arrives first.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use jiff::ToSpan;
use slitwatch::classify::{Decision, Evidence, RuleSet};
use slitwatch::decode::Facts;
use slitwatch::lab::Picture;
use slitwatch::run::{self, Bell, Class, Fate, Gone, Job, Outcome, Sink, Work};
use slitwatch::settings;
use slitwatch::simulate::{Exposure, Planned, draw};
use slitwatch::slates::{Slate, Square, What};
use slitwatch::terms::{Look, Seen, SlateSeen};

use crate::evening::{self, camera_name};
use crate::fake::Fake;
use crate::lab::Lab;
use crate::real::{CLASS, Place, SWEPT, demo_bytes, shipped, stderr, stdout};

/// A photo of a card, taken by the phone of `planned` a few seconds before; a thumb on its square where it cannot be read.
fn card(planned: &Planned, slate: &Slate, is_covered: bool) -> (String, Vec<u8>) {
    let mut square = Square::of(slate).expect("a short text");
    if is_covered {
        for y in 8..square.side {
            square.dark[y * square.side + 8..(y + 1) * square.side].fill(true);
        }
    }
    let mut shot = planned.shot.clone();
    shot.taken -= 5.seconds();
    shot.exposure = Exposure::Set(1.0 / 60.0, 200.0);
    shot.scene = evening::card(square);
    (camera_name(shot.taken), draw(&shot).jpeg)
}

fn planned(photo: &str) -> &'static Planned {
    let found = CLASS.iter().find(|planned| planned.path == photo);
    found.expect("a photo of the demo")
}

fn solution(concentration: Option<f64>) -> What {
    let series = "dye".to_owned();
    match concentration {
        None => What::Unknown(series),
        Some(concentration) => What::Standard {
            concentration,
            unit: "mg".to_owned(),
            series,
        },
    }
}

#[test]
fn cards_before_photos_of_the_demo_say_what_their_names_said() {
    let place = Place::new();
    let cards = [
        ("dunlin/lamp-01-soft.jpg", Some(What::Lamp(None))),
        ("dunlin/lamp-02.jpg", Some(What::Lamp(None))),
        ("dunlin/dark-01.jpg", Some(What::Dark)),
        ("dunlin/blank-01.jpg", Some(What::Blank)),
        ("dunlin/dye-2mg.jpg", Some(solution(Some(2.0)))),
        ("dunlin/dye-unknown.jpg", Some(solution(None))),
        ("turnstone/lamp-02-bulb.jpg", Some(What::Lamp(None))),
    ];
    let mut names = BTreeMap::new();
    for (photo, what) in &cards {
        let planned = planned(photo);
        let taken = planned.shot.taken.strftime("IMG_%Y%m%d_%H%M%S.jpg");
        // Each phone uploads into a folder of its own: the card names the bench.
        let (bench, _) = photo.split_once('/').expect("a bench");
        let name = format!("phone of {bench}/{taken}");
        place.put(&name, &demo_bytes(photo));
        let slate = Slate {
            bench: Some(bench.to_owned()),
            what: what.clone(),
        };
        let (card, jpeg) = card(planned, &slate, false);
        place.put(&format!("phone of {bench}/{card}"), &jpeg);
        names.insert(*photo, (name, card));
    }
    let output = place.run(&["sweep", "--workers", "4"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let tree = place.tree();
    for (photo, (name, card)) in &names {
        let (bench, _) = photo.split_once('/').expect("a bench");
        let folder = format!("{bench}/{name}");
        let found = place.quality(&folder);
        let named = SWEPT.place.quality(photo);
        for key in [
            "capture", "bench", "lamp", "groups", "taken", "metrics", "verdict",
        ] {
            assert_eq!(named[key], found[key], "{photo}: {key}");
        }
        let spectrum = |tree: &BTreeMap<String, Vec<u8>>, folder: &str| {
            tree.get(&format!("{folder}/spectrum.csv")).cloned()
        };
        let same = spectrum(&SWEPT.tree, photo) == spectrum(&tree, &folder);
        assert!(same, "{photo}: another spectrum");
        let by = format!("phone of {bench}/{card}");
        assert_eq!(found["provenance"]["slate"]["by"], by, "{photo}");
        let slate = place.quality(&format!("{bench}/{by}"));
        assert_eq!(slate["verdict"], "ignored", "{slate:#}");
        assert!(
            slate["remarks"][0]
                .as_str()
                .unwrap()
                .starts_with("a slate: bench")
        );
    }
    let board = std::fs::read_to_string(place.results().join("board.html")).unwrap();
    assert!(board.contains("7 slates read."), "{board}");
    assert!(!board.contains("left alone"), "{board}");
    let (blank, card) = &names["dunlin/blank-01.jpg"];
    let said = stdout(&place.run(&["explain", blank]));
    let line =
        format!("the slate phone of dunlin/{card} goes before it: bench dunlin, next: the blank");
    assert!(said.contains(&line), "{said}");
    assert!(said.contains("capture blank, bench dunlin"), "{said}");
}

/// The slate that a bench photographs before a photo of the demo, if its capture cannot be seen, or if the slate before it would hold.
fn slate_before(photo: &str) -> Option<Slate> {
    let what = match photo {
        "dunlin/blank-01.jpg" => What::Blank,
        "turnstone/lamp-02-bulb.jpg" => What::Lamp(None),
        "turnstone/kiosk-halogen-far.jpg" => What::Sample(None),
        _ => {
            let solution_of = photo.strip_prefix("dunlin/dye-")?;
            let mg = solution_of.split_once("mg").map(|(mg, _)| mg.parse());
            solution(mg.map(|mg| mg.expect("a number")))
        }
    };
    Some(Slate::of(what))
}

#[test]
fn the_whole_demo_in_one_folder_with_its_phones_known_comes_to_the_same_by_its_slates() {
    let place = Place::new();
    let text = std::fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let known = "phones: {'Ostrel Four': heron, 'QN-20': dunlin, 'Brindle*': avocet, 'Vellum Mini': turnstone, 'sedge*': curlew}";
    let config = place.path("lab.yaml");
    std::fs::write(&config, text.replace("phones: {}", known)).unwrap();
    let mut names = BTreeMap::new();
    let mut taken = BTreeSet::new();
    for planned in CLASS.iter().filter(|p| p.path.ends_with(".jpg")) {
        let photo = planned.path.as_str();
        let name = format!("all/{}", camera_name(planned.shot.taken));
        place.put(&name, &demo_bytes(photo));
        assert!(taken.insert(name.clone()), "{photo}: its name is taken");
        names.insert(photo, name);
        if let Some(slate) = slate_before(photo) {
            let (card, jpeg) = card(planned, &slate, false);
            let card = format!("all/{card}");
            place.put(&card, &jpeg);
            assert!(taken.insert(card), "{photo}: its card's name is taken");
        }
    }
    let config = config.to_str().unwrap();
    let output = place.run(&["sweep", "--workers", "4", "--config", config]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let tree = place.tree();
    let mut wrong = Vec::new();
    for (photo, name) in &names {
        let (bench, _) = photo.split_once('/').expect("a bench");
        let folder = format!("{bench}/{name}");
        let (named, found) = (SWEPT.place.quality(photo), place.quality(&folder));
        for key in [
            "capture", "bench", "lamp", "groups", "taken", "metrics", "verdict",
        ] {
            if named[key] != found[key] {
                wrong.push(format!(
                    "{photo}: {key} {} became {}",
                    named[key], found[key]
                ));
            }
        }
        let spectrum = |tree: &BTreeMap<String, Vec<u8>>, folder: &str| {
            tree.get(&format!("{folder}/spectrum.csv")).cloned()
        };
        if spectrum(&SWEPT.tree, photo) != spectrum(&tree, &folder) {
            wrong.push(format!("{photo}: another spectrum"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert_eq!(place.rows("series.csv"), SWEPT.place.rows("series.csv"));
}

#[test]
fn a_card_with_a_thumb_on_it_is_to_be_taken_again_and_governs_nothing() {
    let place = Place::new();
    let pocket = planned("heron/pocket.jpg");
    let (name, jpeg) = card(pocket, &Slate::of(What::Blank), true);
    place.put(&format!("heron/{name}"), &jpeg);
    let next = pocket.shot.taken.strftime("IMG_%Y%m%d_%H%M%S.jpg");
    place.put(&format!("heron/{next}"), &demo_bytes("heron/pocket.jpg"));
    let output = place.run(&["sweep", "--fail-on-retake"]);
    assert_eq!(output.status.code(), Some(3), "{}", stderr(&output));
    let slate = place.quality(&format!("heron/{name}"));
    assert_eq!(slate["verdict"], "retake", "{slate:#}");
    assert_eq!(slate["reasons"][0]["code"], "slate-unread");
    let advice = slate["reasons"][0]["advice"].as_str().unwrap();
    assert!(advice.starts_with("The slate cannot be read: "), "{advice}");
    let page = std::fs::read_to_string(place.results().join("heron/index.html")).unwrap();
    assert!(page.contains(&format!("{name}/photo.log")), "{page}");
    assert!(!page.contains(&format!("{name}/overlay.png")), "{page}");
    let photo = place.quality(&format!("heron/{next}"));
    assert_ne!(photo["capture"], "blank");
    let remarks = photo["remarks"].to_string();
    assert!(remarks.contains("no slate governs it"), "{remarks}");
}

/// The shipped rules on [`Fake`]'s photos; a photo whose words have `slate=` shows one that says the rest, `slate=?` one that
/// cannot be read.
struct Cards(RuleSet);

impl Work for Cards {
    fn facts(&self, bytes: &[u8]) -> Facts {
        Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        self.decide_on(&Evidence::new(photo, facts))
    }
    fn decide_on(&self, evidence: &Evidence<'_>) -> Decision {
        self.0.decide(evidence)
    }
    fn look(&self, bytes: &[u8]) -> (Seen, Option<Picture>) {
        let text = String::from_utf8_lossy(bytes).into_owned();
        let said = text
            .split_whitespace()
            .find_map(|word| word.strip_prefix("slate="));
        let slate = said.map(|said| match said {
            "?" => SlateSeen::Unread("a thumb".to_owned()),
            said => SlateSeen::Read(said.to_owned()),
        });
        let seen = Seen {
            look: Some(if slate.is_some() {
                Look::Slate
            } else {
                Look::Lines
            }),
            slate,
            ..Seen::nothing("its words")
        };
        (seen, None)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        let mut outcome = Fake.measure(job, bytes, fate)?;
        outcome.record.looks = job.origin.decision.basis.seen.clone();
        outcome.record.label = job
            .origin
            .decision
            .purpose()
            .map_or_else(String::new, |p| p.label.clone());
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

/// Sweeps; how many photos were made.
fn sweep(lab: &Lab) -> usize {
    let mut setup = lab.setup();
    let rules = settings::shipped(Path::new("lab.yaml")).rules;
    setup.work = Arc::new(Cards(rules));
    setup.orders.slates_valid_min = Some(180.0);
    let report = run::sweep(setup, Bell::new().1).expect("a sweep");
    assert!(report.failures.is_empty(), "{:?}", report.failures);
    report.n_made
}

fn says(slate: &Slate) -> String {
    format!("slate={}", slate.text())
}

/// An evening of one phone, by name: cards and photos.
fn evening() -> Vec<(&'static str, String)> {
    let of = |what| says(&Slate::of(what));
    let quay = What::Sample(Some("quay-lamp".to_owned()));
    vec![
        (
            "heron/IMG_0001.jpg",
            format!("taken=10:00 {}", of(What::Lamp(None))),
        ),
        ("heron/IMG_0002.jpg", "taken=10:01 light=3".to_owned()),
        (
            "heron/IMG_0003.jpg",
            format!("taken=10:02 {}", of(What::Blank)),
        ),
        ("heron/IMG_0004.jpg", "taken=10:03 light=4".to_owned()),
        ("heron/IMG_0005.jpg", format!("taken=10:04 {}", of(quay))),
        ("heron/IMG_0006.jpg", "taken=10:05 light=5".to_owned()),
        ("heron/IMG_0007.jpg", "taken=10:06 light=6".to_owned()),
        (
            "heron/IMG_0008.jpg",
            format!("taken=10:07 {}", of(What::Void)),
        ),
        ("heron/IMG_0009.jpg", "light=7".to_owned()),
    ]
}

#[test]
fn slates_that_come_last_or_first_make_the_same_tree_and_remake_what_they_change() {
    let (sorted, backwards, slates_last) = (Lab::new(), Lab::new(), Lab::new());
    for (photo, words) in evening() {
        sorted.put(photo, &words);
    }
    assert_eq!(sweep(&sorted), 9);
    for (photo, words) in evening().iter().rev() {
        backwards.put(photo, words);
        sweep(&backwards);
    }
    let is_slate = |words: &String| words.contains("slate=");
    for (photo, words) in evening().iter().filter(|(_, words)| !is_slate(words)) {
        slates_last.put(photo, words);
    }
    sweep(&slates_last);
    for (photo, words) in evening().iter().filter(|(_, words)| is_slate(words)) {
        slates_last.put(photo, words);
        sweep(&slates_last);
    }
    assert_eq!(sorted.tree(), backwards.tree());
    assert_eq!(sorted.tree(), slates_last.tree());
    let of = |photo: &str| {
        sorted
            .quality(&format!("heron/IMG_000{photo}.jpg"))
            .unwrap()
    };
    for (photo, capture) in [("2", "calibration"), ("4", "blank"), ("6", "sample")] {
        assert_eq!(of(photo)["capture"], capture, "{photo}");
    }
    assert_eq!(of("6")["label"], "quay-lamp");
    let voided = of("7");
    assert_eq!(voided["verdict"], "ignored");
    let remarks = voided["remarks"].to_string();
    assert!(
        remarks.contains("the slate heron/IMG_0008.jpg"),
        "{remarks}"
    );
    let remarks = of("9")["remarks"].to_string();
    assert!(
        remarks.contains("does not say when it was taken"),
        "{remarks}"
    );

    assert_eq!(sweep(&sorted), 0, "a restart");
    // Without the card the photo behind it is under the one before, and nothing else is made again but what used it.
    std::fs::remove_file(sorted.inbox().join("heron/IMG_0005.jpg")).unwrap();
    sweep(&sorted);
    assert_eq!(of("6")["capture"], "blank");
    // One that cannot be read may have said anything.
    sorted.put("heron/IMG_0005.jpg", "taken=10:04 slate=?");
    sweep(&sorted);
    assert_eq!(of("6")["capture"], "sample");
    assert_eq!(of("5")["verdict"], "retake");
    assert_eq!(of("5")["reasons"][0]["code"], "slate-unread");
}

#[test]
fn no_slate_governs_photos_of_two_phones_that_cannot_be_told_apart() {
    let lab = Lab::new();
    lab.put(
        "heron/a/IMG_0001.jpg",
        &format!("taken=10:00 {}", says(&Slate::of(What::Blank))),
    );
    lab.put("heron/a/IMG_0002.jpg", "taken=10:01 light=3");
    lab.put("heron/b/IMG_0003.jpg", "taken=10:02 light=4");
    sweep(&lab);
    let capture = |photo: &str| lab.quality(photo).unwrap()["capture"].clone();
    assert_eq!(
        capture("heron/b/IMG_0003.jpg"),
        "blank",
        "one phone, as far as is known"
    );
    lab.put("heron/b/IMG_0002.jpg", "taken=10:30 light=5");
    sweep(&lab);
    let alike = |photo: &str| {
        let quality = lab.quality(photo).unwrap();
        quality["provenance"]["slate"]["ungoverned"] == "alike-phones"
    };
    for photo in [
        "heron/a/IMG_0002.jpg",
        "heron/b/IMG_0002.jpg",
        "heron/b/IMG_0003.jpg",
    ] {
        assert_eq!(capture(photo), "sample", "{photo}");
        assert!(alike(photo), "{photo}");
    }
    // Nor are they taken for one where there is no slate at all.
    std::fs::remove_file(lab.inbox().join("heron/a/IMG_0001.jpg")).unwrap();
    sweep(&lab);
    assert!(alike("heron/a/IMG_0002.jpg") && alike("heron/b/IMG_0003.jpg"));
    std::fs::remove_file(lab.inbox().join("heron/b/IMG_0002.jpg")).unwrap();
    sweep(&lab);
    assert!(
        !alike("heron/a/IMG_0002.jpg"),
        "one phone, as far as is known"
    );
}
