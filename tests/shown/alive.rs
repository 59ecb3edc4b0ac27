//! What board and bench pages say of the program that makes them, in a real browser: that it looks, that it has been silent for
//! too long, that it has ended; and that a page is loaded anew once there is something new.

use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use serde_json::json;
use slitwatch::publish::record::Record;
use slitwatch::terms::{Capture, Verdict};

use crate::browser::browser;
use crate::chrome::{Chrome, View};
use crate::{look, sample};

const PROJECTOR: View = View {
    width: 1280,
    height: 720,
    scheme: "light",
    media: "screen",
};

/// Where the program says that it serves the pages.
const ADDRESS: &str = "http://192.0.2.7:8080/";

pub fn now_ms() -> u64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since.expect("after 1970").as_millis() as u64
}

/// Writes what the program would say.
pub fn say(folder: &Path, state: &str, ms: u64, made: u64, trouble: bool) {
    let said = json!({"state": state, "at": "19:04:12", "ms": ms, "every_s": 5.0, "made": made, "trouble": trouble, "address": ADDRESS});
    let script = format!("slitwatch({said});\n//end\n");
    std::fs::write(folder.join("alive.js"), script).unwrap();
}

/// How the page shows it, and in which words.
fn shown(chrome: &mut Chrome) -> (String, String) {
    let ask = "new Promise(done => { const box = document.getElementById('alive'); \
               const look = () => box.hidden ? setTimeout(look, 20) : done([box.className, box.textContent]); look(); })";
    let answer = chrome.ask(ask);
    let text = |i: usize| answer[i].as_str().unwrap_or_default().to_owned();
    (text(0), text(1))
}

#[test]
fn pages_say_whether_somebody_still_looks() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    look::write(root, &sample::nasty_class(), 0, |_| None);
    for (state, ago_ms, trouble, class, words) in [
        (
            "watched",
            0,
            false,
            "watched",
            "watched, last look 19:04:12",
        ),
        ("watched", 60_000, false, "silent", "silent since 19:04:12"),
        ("watched", 0, true, "blind", "The inbox cannot be read"),
        ("stopped", 60_000, false, "stopped", "stopped at 19:04:12"),
        (
            "swept",
            60_000,
            false,
            "swept",
            "not watched: made at 19:04:12",
        ),
    ] {
        say(root, state, now_ms() - ago_ms, 0, trouble);
        for page in ["board.html", "heron/index.html"] {
            chrome.open(&root.join(page), PROJECTOR);
            let (as_class, text) = shown(&mut chrome);
            assert_eq!(as_class, class, "{page}: {text}");
            assert!(text.contains(words), "{page}: {text}");
            // Where nobody serves, nobody is sent.
            let is_served = state == "watched" && class == "watched";
            assert_eq!(text.contains(ADDRESS), is_served, "{page}: {text}");
            // The sample's pictures are not drawn.
            let complaints = chrome.complaints(root).into_iter();
            let others: Vec<String> = complaints.filter(|c| !c.contains(".jpg/")).collect();
            assert_eq!(others, Vec::<String>::new(), "{page}");
        }
    }
    // One that falls silent while the page is open: the alarm comes by itself, with the page's own listing.
    let quick = root.join("quick");
    look::write(&quick, &sample::nasty_class(), 1, |_| None);
    // Its last word is a second short of three listings ago.
    say(&quick, "watched", now_ms() - 14_000, 0, false);
    chrome.open(&quick.join("board.html"), PROJECTOR);
    let alarm = "new Promise(done => { const look = () => document.getElementById('alive').className === 'silent' \
                 ? done(true) : setTimeout(look, 50); look(); })";
    assert_eq!(chrome.ask(alarm), true);
    // A session's pages hear of it from one folder up.
    look::write(&root.join("monday"), &sample::nasty_class(), 0, |_| None);
    std::fs::write(
        root.join("monday/alive.js"),
        "slitwatch({\"above\":true});\n//end\n",
    )
    .unwrap();
    say(root, "swept", now_ms(), 0, false);
    chrome.open(&root.join("monday/heron/index.html"), PROJECTOR);
    assert_eq!(shown(&mut chrome).0, "swept");
}

#[test]
fn a_page_is_loaded_anew_once_there_is_something_new_and_not_before() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    look::write(root, &sample::nasty_class(), 1, |_| None);
    say(root, "watched", now_ms(), 7, false);
    chrome.open(&root.join("board.html"), PROJECTOR);
    assert_eq!(shown(&mut chrome).0, "watched");
    let later = "new Promise(done => setTimeout(() => done(window.isOld === true), 1200))";
    chrome.ask("window.isOld = true");
    say(root, "watched", now_ms(), 7, false);
    assert_eq!(chrome.ask(later), true, "nothing is new");
    say(root, "watched", now_ms(), 8, false);
    std::thread::sleep(std::time::Duration::from_millis(1600));
    assert_eq!(
        chrome.ask("window.isOld === true"),
        false,
        "it was loaded anew"
    );
}

#[test]
fn a_bench_without_a_lamp_photo_shows_what_its_instrument_was_in_the_session_before() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let class = sample::class();
    let on = |day: &str, is_lamp_there: bool| -> Vec<Record> {
        let of_heron = class.iter().filter(|r| r.bench == "heron");
        let good = of_heron.filter(|r| r.verdict == Verdict::Good);
        let taken = good.filter(|r| is_lamp_there || r.capture == Some(Capture::Sample));
        let on_day = taken.map(|r| Record {
            taken: Some(format!("{day}T18:10:00")),
            verdict: if is_lamp_there {
                Verdict::Good
            } else {
                Verdict::Waiting
            },
            calibration: r.calibration.clone().filter(|_| is_lamp_there),
            ..r.clone()
        });
        on_day.collect()
    };
    let monday = on("2026-11-23", true);
    let tuesday = on("2026-11-24", false);
    let wednesday = on("2026-11-25", true);
    let sessions = [
        ("monday", monday.as_slice()),
        ("tuesday", tuesday.as_slice()),
        ("wednesday", wednesday.as_slice()),
    ];
    for (session, records) in sessions {
        look::write_session(&root.join(session), (session, records), 0, |_| None);
    }
    let mut told = |page: &str| {
        chrome.open(&root.join(page), PROJECTOR);
        let ask = "new Promise(done => setTimeout(() => { const box = document.getElementById('before'); \
                   done(box === null ? 'has its own' : box.hidden ? '' : box.textContent); }, 500))";
        chrome.ask(ask).as_str().unwrap_or_default().to_owned()
    };
    assert_eq!(told("tuesday/heron/index.html"), "", "nobody knows of it");
    look::write_spanning(root, &sessions);
    let before = told("tuesday/heron/index.html");
    assert!(
        before.starts_with("When last seen, in monday: "),
        "{before}"
    );
    for number in ["slit width ", "tilt ", " nm/px"] {
        assert!(before.contains(number), "{number}: {before}");
    }
    for session in ["monday", "wednesday"] {
        assert_eq!(told(&format!("{session}/heron/index.html")), "has its own");
    }
    // The first session has none before it, whatever came after.
    look::write_spanning(root, &sessions[1..]);
    assert_eq!(told("tuesday/heron/index.html"), "");
}
