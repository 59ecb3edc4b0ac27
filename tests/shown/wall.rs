//! The board on a wall that nobody scrolls, in a real browser: from one bench to sixty, at a projector's and a laptop's size.

use serde_json::Value;

use crate::alive::{now_ms, say};
use crate::browser::{CHECKS, browser, kept_at};
use crate::chrome::{Chrome, View};
use crate::{look, sample};

const FULL_HD: View = View {
    width: 1920,
    height: 1080,
    scheme: "light",
    media: "screen",
};
const HD: View = View {
    width: 1280,
    height: 720,
    ..FULL_HD
};

/// Smallest letters as a share of the window's height. On a picture 1.25 m high, as an ordinary projector makes, its capitals are 17 mm
/// high, 10 minutes of arc from 6 m: twice what a normal eye needs (ISO 8596).
const SMALLEST: f64 = 0.02;

/// What the wall shows: whether it fits, its smallest letters, the benches of cards and of instruments that can be seen, and what it
/// says of turns.
const SHOWN: &str = "(() => { const seen = e => e.checkVisibility() && e.getClientRects().length > 0; \
    const letters = [...document.body.querySelectorAll('*')].filter(e => seen(e) && !e.closest('svg') && \
        [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim())).map(e => parseFloat(getComputedStyle(e).fontSize)); \
    const names = selector => [...document.querySelectorAll(selector)].filter(seen).map(e => e.textContent); \
    const turn = document.getElementById('turn'); \
    return {wall: document.documentElement.classList.contains('wall'), high: document.documentElement.scrollHeight, window: innerHeight, \
        smallest: Math.min(...letters), cards: names('.call h3'), all: document.querySelectorAll('.call').length, fleet: names('.fleet h3'), \
        turn: turn && seen(turn) ? turn.innerText.trim() : '', fleet_shown: document.documentElement.dataset.fleet, \
        unit: document.documentElement.style.fontSize}; })()";

fn names(shown: &Value, key: &str) -> Vec<String> {
    serde_json::from_value(shown[key].clone()).unwrap()
}

/// What is wrong with the board of so many benches in a window of this size.
fn wrong_with(chrome: &mut Chrome, n: usize, view: View) -> Vec<String> {
    let mut wrong: Vec<String> =
        serde_json::from_value(chrome.ask(&format!("var picturesMustLoad = false;\n{CHECKS}")))
            .unwrap();
    let shown = chrome.ask(SHOWN);
    let (cards, all) = (names(&shown, "cards"), shown["all"].as_u64().unwrap());
    println!(
        "{n} benches at {}: {} of {all} cards, instruments {}, {}; smallest letters {:.1} px",
        view.width,
        cards.len(),
        shown["fleet_shown"],
        shown["unit"],
        shown["smallest"].as_f64().unwrap()
    );
    if shown["wall"] != true || shown["high"].as_u64() > shown["window"].as_u64() {
        wrong.push(format!("it has to be scrolled: {shown}"));
    }
    if shown["smallest"].as_f64().unwrap() < SMALLEST * f64::from(view.height) {
        wrong.push(format!("letters of {}", shown["smallest"]));
    }
    if names(&shown, "fleet").len() != n {
        wrong.push("an instrument is not there".to_owned());
    }
    // Whoever has no scale comes first.
    if cards.first().map(String::as_str) != Some(sample::FIRST_OF_A_ROOM) {
        wrong.push(format!("{:?} comes first", cards.first()));
    }
    let takes_turns = shown["turn"] != "";
    if takes_turns == (cards.len() as u64 == all) {
        wrong.push(format!(
            "{} of {all} cards and {}",
            cards.len(),
            shown["turn"]
        ));
    }
    if n <= 4 && takes_turns {
        wrong.push("cards take turns although they are few".to_owned());
    }
    wrong
}

#[test]
fn the_board_of_one_to_sixty_benches_fits_a_wall_without_scrolling() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let mut wrong = Vec::new();
    for n in [1, 4, 12, 30, 60] {
        let root = folder.path().join(n.to_string());
        look::write(&root, &sample::room(n), 0, |_| None);
        for view in [FULL_HD, HD] {
            chrome.open(&root.join("board.html"), view);
            let here = wrong_with(&mut chrome, n, view);
            wrong.extend(
                here.into_iter()
                    .map(|w| format!("{n} benches at {}: {w}", view.width)),
            );
            if let Some(folder) = kept_at() {
                let name = format!("wall-{n}-{}.png", view.width);
                std::fs::write(folder.join(name), chrome.picture(false)).unwrap();
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn an_alarm_hides_no_bench_on_a_wall() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    look::write(root, &sample::room(60), 0, |_| None);
    say(root, "watched", now_ms() - 60_000, 0, false);
    for view in [FULL_HD, HD] {
        chrome.open(&root.join("board.html"), view);
        // The board is laid out anew for the alarm, which comes by a script of its own.
        let ask = "new Promise(done => { const began = Date.now(), look = () => { const box = document.getElementById('alive').getBoundingClientRect(); \
            const seen = [...document.querySelectorAll('.fleet li,.call')].filter(e => e.checkVisibility()).map(e => e.getBoundingClientRect()); \
            const free = seen.filter(r => r.bottom <= innerHeight && (r.top >= box.bottom || r.bottom <= box.top)).length; \
            const says = [document.getElementById('alive').className, box.height > 40, seen.length - free, seen.length >= 60]; \
            says.join() === 'silent,true,0,true' || Date.now() - began > 5000 ? done(says.join()) : setTimeout(look, 50); }; look(); })";
        assert_eq!(chrome.ask(ask), "silent,true,0,true", "{}", view.width);
        if let Some(folder) = kept_at() {
            let name = format!("wall-silent-{}.png", view.width);
            std::fs::write(folder.join(name), chrome.picture(false)).unwrap();
        }
    }
}

#[test]
fn cards_take_turns_only_where_the_pages_load_themselves_again_and_can_be_held() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let board = root.join("board.html");
    let shown = |chrome: &mut Chrome| {
        let shown = chrome.ask(SHOWN);
        let turn = shown["turn"].as_str().unwrap_or_default().to_owned();
        (names(&shown, "cards"), turn)
    };
    let press = |chrome: &mut Chrome, to: &str| {
        chrome.ask(&format!("document.querySelector('[data-to={to}]').click()"));
    };
    let class = sample::room(30);
    look::write(root, &class, 0, |_| None);
    chrome.open(&board, HD);
    let (first, turn) = shown(&mut chrome);
    assert!(
        turn.contains("all of them below") && !turn.contains("hold"),
        "{turn}"
    );
    press(&mut chrome, "next");
    let (second, _) = shown(&mut chrome);
    assert!(
        second.iter().all(|card| !first.contains(card)),
        "{second:?}"
    );
    // Every card comes once before the first comes again.
    let mut all = [first.clone(), second].concat();
    loop {
        press(&mut chrome, "next");
        let (next, _) = shown(&mut chrome);
        if next == first {
            break;
        }
        all.extend(next);
    }
    let n = chrome.ask("document.querySelectorAll('.call').length");
    assert_eq!(all.len() as u64, n.as_u64().unwrap());
    // On paper there are no turns.
    let printed =
        "[...document.querySelectorAll('.call')].filter(e => !e.checkVisibility()).length";
    chrome.show_as(View {
        media: "print",
        ..HD
    });
    assert_eq!(chrome.ask(printed), 0);
    look::write(root, &class, 3, |_| None);
    chrome.open(&board, HD);
    let (_, turn) = shown(&mut chrome);
    assert!(turn.contains("in turn") && turn.contains("hold"), "{turn}");
    press(&mut chrome, "hold");
    let (_, turn) = shown(&mut chrome);
    assert!(
        turn.contains("go on") && !turn.contains("in turn"),
        "{turn}"
    );
    chrome.ask("sessionStorage.clear()");
}
