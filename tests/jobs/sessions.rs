//! Several sessions in one inbox: each is a class of its own, and a closed one stays as it is.

use std::collections::BTreeMap;
use std::fs;

use slitwatch::run::{self, Bell};
use slitwatch::terms::Sessions;

use crate::lab::Lab;
use crate::real::{Place, assert_same_tree, shipped, stderr, stdout};

const BY_DATE: Sessions = Sessions::Date { day_begins_h: 4 };

fn sweep_by_date(lab: &Lab) {
    let mut setup = lab.setup();
    setup.orders.sessions = BY_DATE;
    run::sweep(setup, Bell::new().1).expect("a sweep");
}

/// The part of a tree in one folder, and what else there is.
fn split(tree: BTreeMap<String, String>, folder: &str) -> [BTreeMap<String, String>; 2] {
    let within = format!("{folder}/");
    let (inside, outside): (BTreeMap<_, _>, BTreeMap<_, _>) = tree
        .into_iter()
        .partition(|(path, _)| path.starts_with(&within));
    let inside = inside.into_iter();
    let inside = inside.map(|(path, text)| (path[within.len()..].to_owned(), text));
    [inside.collect(), outside]
}

#[test]
fn a_session_by_date_is_byte_for_byte_the_class_of_its_photos() {
    let both = Lab::new();
    let class = Lab::new();
    let evening = [
        ("heron/lamp.jpg", "taken=10:00 light=5"),
        ("heron/late/a.jpg", "taken=10:05"),
        ("dunlin/a.jpg", "taken=23:59"),
    ];
    for (photo, words) in evening {
        both.put(photo, words);
        class.put(photo, words);
    }
    // Before four in the morning belongs to the evening before; without a time, to no day at all.
    both.put("heron/early.jpg", "taken=03:59");
    both.put("heron/a.jpg", "light=2");
    sweep_by_date(&both);
    class.sweep();
    let [session, rest] = split(both.tree(), "2026-11-25");
    let without_log = |mut tree: BTreeMap<String, String>| {
        tree.retain(|path, _| path != "inbox.log");
        tree
    };
    assert_eq!(session, without_log(class.tree()));
    assert!(rest.contains_key("2026-11-24/board.html"));
    assert!(rest.contains_key("undated/quality.csv"));
    // Nothing of one session is used for another.
    assert_eq!(both.verdict("2026-11-25/heron/late/a.jpg"), "good");
    assert_eq!(both.verdict("2026-11-24/heron/early.jpg"), "waiting");
    assert_eq!(both.verdict("undated/heron/a.jpg"), "waiting");
    // A photo that goes, and sessions that go.
    fs::remove_file(both.inbox().join("heron/early.jpg")).unwrap();
    sweep_by_date(&both);
    assert!(!both.tree().keys().any(|path| path.contains("2026-11-24")));
    assert_eq!(split(both.tree(), "2026-11-25")[0], session);
    both.sweep();
    assert_eq!(without_log(both.tree()), without_log(both.expected()));
}

/// A place with two evenings, by folder.
fn two_evenings() -> Place {
    let place = Place::new();
    for photo in [
        "monday/heron/a.jpg",
        "monday/dunlin/b.jpg",
        "tuesday/heron/a.jpg",
    ] {
        place.put(photo, format!("no picture: {photo}").as_bytes());
    }
    configure(&place, "by: folder", "title: Quay");
    place
}

fn configure(place: &Place, by: &str, title: &str) {
    let text = fs::read_to_string(shipped("config/lab.yaml")).unwrap();
    let text = text
        .replace("settle_s: 2 ", "settle_s: 0.2 ")
        .replace("rescan_s: 5 ", "rescan_s: 0.5 ")
        .replace("damaged_after_s: 60 ", "damaged_after_s: 1 ")
        .replace("title: Spectroscopy class", title)
        .replace("  by: none", &format!("  {by}"));
    fs::write(place.path("lab.yaml"), text).unwrap();
}

fn run_in(place: &Place, arguments: &[&str], status: i32) -> String {
    let config = place.path("lab.yaml");
    let output = place.run(&[arguments, &["--config", config.to_str().unwrap()]].concat());
    let said = stdout(&output) + &stderr(&output);
    assert_eq!(output.status.code(), Some(status), "{arguments:?}: {said}");
    said
}

fn session(place: &Place, name: &str) -> BTreeMap<String, Vec<u8>> {
    let within = format!("{name}/");
    let tree = place.tree().into_iter();
    tree.filter(|(path, _)| path.starts_with(&within)).collect()
}

#[test]
fn by_folder_each_evening_has_its_own_tree_and_the_board_leads_to_the_latest() {
    let place = two_evenings();
    assert!(run_in(&place, &["check"], 0).contains("is a session"));
    run_in(&place, &["sweep"], 0);
    let tree = place.tree();
    for path in [
        "monday/board.html",
        "monday/heron/index.html",
        "monday/heron/a.jpg/quality.json",
        "tuesday/heron/a.jpg/quality.json",
        "tuesday/quality.csv",
        "index.html",
        "board.html",
    ] {
        assert!(tree.contains_key(path), "{path}: {:?}", tree.keys());
    }
    assert!(!tree.contains_key("quality.csv") && !tree.contains_key("late.csv"));
    let text = |path: &str| String::from_utf8(tree[path].clone()).unwrap();
    assert!(text("monday/board.html").contains("Quay, monday"));
    let rows = crate::real::rows(&tree["monday/quality.csv"]);
    assert_eq!(rows.len(), 2);
    assert_eq!(rows[1]["photo"], "monday/heron/a.jpg");
    assert_eq!(rows[1]["bench"], "heron");
    assert!(text("index.html").contains("monday/board.html"));
    // None says when it was taken: the last by name.
    assert!(text("board.html").contains("url=tuesday/board.html"));
    // One session alone, and then what spans them.
    place.put("wednesday/heron/a.jpg", b"no picture either");
    place.put("tuesday/heron/b.jpg", b"no picture again");
    run_in(&place, &["sweep", "--session", "wednesday"], 0);
    let alone = place.tree();
    assert!(alone.contains_key("wednesday/heron/a.jpg/quality.json"));
    for path in ["index.html", "board.html", "tuesday/quality.csv"] {
        assert_eq!(alone[path], tree[path], "{path}");
    }
    run_in(&place, &["sweep", "--index"], 0);
    let index = String::from_utf8(place.tree()["index.html"].clone()).unwrap();
    assert!(index.contains("wednesday/board.html"));
    assert!(
        !place
            .tree()
            .contains_key("tuesday/heron/b.jpg/quality.json")
    );
    run_in(&place, &["sweep", "--session", "friday"], 2);
    run_in(&place, &["sweep", "--session", "friday", "--index"], 2);
    // Another division makes everything anew, as if it had always been so.
    configure(&place, "by: none", "title: Quay");
    run_in(&place, &["sweep"], 0);
    let after = place.tree();
    fs::remove_dir_all(place.results()).unwrap();
    run_in(&place, &["sweep"], 0);
    assert_same_tree(&after, &place.tree(), "divided before, or never");
    run_in(&place, &["sweep", "--index"], 2);
    run_in(&place, &["close", "monday"], 2);
}

#[test]
fn a_closed_session_stays_as_it_is_until_it_is_opened_or_deleted() {
    let place = two_evenings();
    run_in(&place, &["sweep"], 0);
    run_in(&place, &["close", "friday"], 2);
    let said = run_in(&place, &["close", "monday"], 0);
    assert!(said.contains("2 photos"), "{said}");
    let closed = session(&place, "monday");
    // The same as on demand, byte for byte.
    let book = place.path("monday.xlsx");
    let out = book.to_str().unwrap();
    run_in(
        &place,
        &["workbook", "--session", "monday", "--out", out],
        0,
    );
    assert_eq!(closed["monday/workbook.xlsx"], fs::read(&book).unwrap());
    let marker: serde_json::Value = serde_json::from_slice(&closed["monday/closed.json"]).unwrap();
    assert_eq!(marker["versions"][0], env!("CARGO_PKG_VERSION"));
    let index = || String::from_utf8(place.tree()["index.html"].clone()).unwrap();
    assert!(index().contains("closed</td>"));
    // Whatever happens to its photos and the settings.
    place.put("monday/heron/new.jpg", b"a late one");
    place.put("monday/heron/a.jpg", b"another one");
    fs::remove_file(place.inbox().join("monday/dunlin/b.jpg")).unwrap();
    configure(&place, "by: folder", "title: Mole");
    run_in(&place, &["sweep"], 0);
    run_in(&place, &["sweep", "--session", "monday"], 2);
    assert_same_tree(&closed, &session(&place, "monday"), "closed");
    let tree = place.tree();
    let board = String::from_utf8(tree["tuesday/board.html"].clone()).unwrap();
    assert!(board.contains("Mole, tuesday"));
    let late: Vec<(String, String)> = crate::real::rows(&tree["late.csv"])
        .into_iter()
        .map(|row| (row["photo"].clone(), row["late"].clone()))
        .collect();
    let row = |photo: &str, late: &str| (photo.to_owned(), late.to_owned());
    assert_eq!(
        late,
        [
            row("monday/heron/a.jpg", "changed"),
            row("monday/heron/new.jpg", "new")
        ]
    );
    assert!(index().contains("late.csv"));
    // Opened, it is brought up to date, and nothing tells that it was closed.
    run_in(&place, &["reopen", "monday"], 0);
    run_in(&place, &["sweep"], 0);
    let open = place.tree();
    assert!(!open.contains_key("monday/workbook.xlsx"));
    fs::remove_dir_all(place.results()).unwrap();
    run_in(&place, &["sweep"], 0);
    assert_same_tree(&open, &place.tree(), "reopened");
    // A daemon keeps it closed, until its tree is deleted.
    run_in(&place, &["close", "monday"], 0);
    let config = place.path("lab.yaml");
    let daemon = place.start(&["watch", "--config", config.to_str().unwrap()]);
    place.put("monday/heron/later.jpg", b"later still");
    let has = |path: &str| place.results().join(path).exists();
    place.wait_for("the late photo", || {
        let late = fs::read_to_string(place.results().join("late.csv"));
        late.is_ok_and(|late| late.contains("later.jpg"))
    });
    let busy = run_in(&place, &["close", "tuesday"], 1);
    assert!(busy.contains("another slitwatch"), "{busy}");
    assert!(!has("monday/heron/later.jpg"));
    fs::remove_dir_all(place.results().join("monday")).unwrap();
    place.wait_for("the session", || has("monday/heron/later.jpg/quality.json"));
    place.wait_for("the table", || !has("late.csv"));
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_folder_that_looks_like_a_date_is_pointed_out() {
    let place = Place::new();
    place.put("2026-11-12/heron/notes.txt", b"the lamp at the ferry steps");
    configure(&place, "by: none", "title: Quay");
    assert!(run_in(&place, &["check"], 0).contains("looks like a date"));
    configure(&place, "by: folder", "title: Quay");
    assert!(!run_in(&place, &["check"], 0).contains("looks like a date"));
}

/// Sessions are independent: several processes make different ones in one results folder at once, beside what spans them.
#[test]
fn several_processes_make_different_sessions_at_once_and_what_one_sweep_makes() {
    let place = Place::new();
    let evenings: Vec<String> = (0..6).map(|n| format!("evening-{n}")).collect();
    for evening in &evenings {
        for k in 0..12 {
            let photo = format!("{evening}/heron/quay-{k}.jpg");
            place.put(&photo, format!("no picture: {photo}").as_bytes());
        }
    }
    configure(&place, "by: folder", "title: Quay");
    // What was read so soon after it was written is not remembered.
    std::thread::sleep(std::time::Duration::from_millis(2100));
    let config = place.path("lab.yaml");
    let config = ["--config", config.to_str().unwrap()];
    let start = |arguments: &[&str]| {
        let mut command = place.command(&[arguments, &config].concat());
        command.stderr(std::process::Stdio::piped());
        command.spawn().expect("the program")
    };
    for round in 0..3 {
        let sessions = evenings.iter().map(|e| start(&["sweep", "--session", e]));
        let mut all: Vec<_> = sessions.collect();
        all.push(start(&["sweep", "--index"]));
        for child in all {
            let output = child.wait_with_output().expect("an end");
            let said = stderr(&output);
            assert_eq!(output.status.code(), Some(0), "round {round}: {said}");
        }
    }
    // Two of one session, or one beside somebody who makes all, are one too many: see the shelf's own tests.
    let ledger = |evening: &str| place.results().join(evening).join("inbox.log").exists();
    assert!(evenings.iter().all(|e| ledger(e)), "each has its own");
    run_in(&place, &["sweep", "--index"], 0);
    let beside = place.tree();
    run_in(&place, &["sweep"], 0);
    assert!(!evenings.iter().any(|e| ledger(e)), "all in one");
    assert_same_tree(&place.tree(), &beside, "a sweep after them changes nothing");
    fs::remove_dir_all(place.results()).unwrap();
    run_in(&place, &["sweep"], 0);
    assert_same_tree(&beside, &place.tree(), "one by one, or all at once");
    let said = run_in(&place, &["check"], 0);
    assert!(
        said.contains("the results take ") && said.contains("MiB, and 3 smaller ones"),
        "{said}"
    );
    let all = run_in(&place, &["check", "--all"], 0);
    assert_eq!(
        all.matches("ok: the session \"evening-").count(),
        6,
        "{all}"
    );
}
