//! The pages in a real browser: the demo's and two harder classes, at a phone's, a laptop's and a projector's width, light,
//! dark and printed. Nothing sticks out, nothing outside is asked for, every word can be read.
//!
//! `tests/shown/browser.sh` installs what is needed; without a Chromium the tests say that they were skipped. With
//! `LOOK_AT=/some/folder` every picture is kept there, and with `SLITWATCH_REDRAW=1` the README's pictures are drawn anew.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use crate::chrome::{self, Chrome, View};
use crate::{look, sample};

const CHECKS: &str = include_str!("look.js");

/// Rules of axe-core that are run where `tests/shown/browser.sh` could fetch it.
const AXE: &str = "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice']}).then(r => \
                   r.violations.map(v => 'axe: ' + v.id + ': ' + v.help + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 120)).join(' | ')))";

const PHONE: View = View {
    width: 360,
    height: 760,
    scheme: "light",
    media: "screen",
};
const LAPTOP: View = View {
    width: 1280,
    height: 860,
    ..PHONE
};
const PROJECTOR: View = View {
    width: 1920,
    height: 1080,
    ..PHONE
};
const DARK: View = View {
    scheme: "dark",
    ..LAPTOP
};
const DARK_PHONE: View = View {
    scheme: "dark",
    ..PHONE
};
/// A4 at 96 px an inch, without margins.
const PAPER: View = View {
    width: 794,
    height: 1123,
    media: "print",
    ..PHONE
};

/// The browser, or a clear word why there is none.
fn browser() -> Option<Chrome> {
    let Some(program) = chrome::find() else {
        eprintln!(
            "SKIPPED: no Chromium on this machine, so no page was looked at in a browser; tests/shown/browser.sh installs one"
        );
        return None;
    };
    Some(Chrome::start(&program))
}

fn axe() -> Option<String> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser/axe.min.js");
    std::fs::read_to_string(file).ok()
}

/// Looks at one page, and says everything that is wrong with it.
fn inspect(
    chrome: &mut Chrome,
    root: &Path,
    page: &str,
    view: View,
    pictures: bool,
    axe: Option<&str>,
) -> Vec<String> {
    chrome.open(&root.join(page), view);
    let checks = format!("const picturesMustLoad = {pictures};\n{CHECKS}");
    let mut wrong: Vec<String> = serde_json::from_value(chrome.ask(&checks)).unwrap();
    if let Some(axe) = axe {
        chrome.ask(&format!("{axe}\n;0"));
        let found: Vec<String> = serde_json::from_value(chrome.ask(AXE)).unwrap();
        wrong.extend(found);
    }
    let complaints = chrome.complaints(root);
    wrong.extend(
        complaints
            .into_iter()
            .filter(|c| pictures || !c.contains("ERR_FILE_NOT_FOUND")),
    );
    if let Some(folder) = std::env::var_os("LOOK_AT") {
        let name = format!(
            "{}-{}-{}-{}.png",
            page.replace('/', "-"),
            view.width,
            view.scheme,
            view.media
        );
        std::fs::write(PathBuf::from(folder).join(name), chrome.picture(true)).unwrap();
    }
    wrong
        .into_iter()
        .map(|w| {
            format!(
                "{page} at {} px, {}, {}: {w}",
                view.width, view.scheme, view.media
            )
        })
        .collect()
}

/// The demo's results, as `sweep` makes them from the committed inbox.
fn demo(folder: &Path) -> Vec<String> {
    let done = Command::new(env!("CARGO_BIN_EXE_slitwatch"))
        .args(["sweep", "--quiet", "--config"])
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml"))
        .arg("--results")
        .arg(folder)
        .output()
        .unwrap();
    assert!(done.status.success(), "{done:?}");
    let mut pages = vec!["board.html".to_owned()];
    for bench in ["avocet", "dunlin", "heron", "turnstone"] {
        pages.push(format!("{bench}/index.html"));
        pages.push(format!("{bench}/calibration.html"));
    }
    pages
}

fn report(wrong: &[String]) {
    assert!(
        wrong.is_empty(),
        "{} faults\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn the_demo_s_pages_can_be_read_at_every_size_light_dark_and_printed() {
    let Some(mut chrome) = browser() else { return };
    let results = tempfile::tempdir().unwrap();
    let root = results.path();
    let axe = axe();
    if axe.is_none() {
        eprintln!(
            "axe-core is not there; the project's own checks alone were made (tests/shown/browser.sh fetches it)"
        );
    }
    let pages = demo(root);
    let began = Instant::now();
    let mut wrong = Vec::new();
    for page in &pages {
        for view in [PHONE, LAPTOP, PROJECTOR, DARK, DARK_PHONE, PAPER] {
            // Structure does not change with the width, contrast does with the colours.
            let thorough = [(360, "light"), (1280, "dark")].contains(&(view.width, view.scheme));
            let axe = axe.as_deref().filter(|_| thorough);
            wrong.extend(inspect(&mut chrome, root, page, view, true, axe));
        }
        let pdf = chrome.print();
        assert!(pdf.starts_with(b"%PDF"), "{page}");
        if let Some(folder) = std::env::var_os("LOOK_AT") {
            let name = format!("{}.pdf", page.replace('/', "-"));
            std::fs::write(PathBuf::from(folder).join(name), pdf).unwrap();
        }
    }
    println!(
        "{} pages in {:.1} s",
        pages.len(),
        began.elapsed().as_secs_f64()
    );
    if std::env::var_os("SLITWATCH_REDRAW").is_some() {
        let shown = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/shown");
        chrome.open(&root.join("board.html"), LAPTOP);
        std::fs::write(shown.join("board.png"), chrome.picture(false)).unwrap();
        let overlay = root.join("heron/helium-sign.jpg/overlay.png");
        std::fs::copy(overlay, shown.join("overlay.png")).unwrap();
    }
    report(&wrong);
}

#[test]
fn hostile_names_and_a_crowd_are_shown_as_text_and_in_time() {
    let Some(mut chrome) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    look::write(&root.join("names"), &sample::nasty_class(), |_| None);
    look::write(&root.join("crowd"), &sample::crowd(), |_| None);
    let mut wrong = Vec::new();
    for page in [
        "names/board.html",
        "names/heron/index.html",
        "names/heron/calibration.html",
    ] {
        for view in [PHONE, LAPTOP] {
            wrong.extend(inspect(&mut chrome, root, page, view, false, None));
        }
        let alive =
            "document.querySelectorAll('script,iframe,object,img[onerror],b[onclick]').length";
        assert_eq!(chrome.ask(alive), 0, "{page}");
    }
    chrome.open(&root.join("names/heron/index.html"), PHONE);
    let text = chrome.ask("document.body.textContent");
    let text = text.as_str().unwrap();
    for name in sample::nasty_names().into_iter().step_by(2) {
        let name = name.replace('\u{7}', "\u{fffd}").replace('\n', " ");
        let last = name.rsplit('/').next().unwrap();
        assert!(text.contains(last), "{last}");
    }
    for view in [PHONE, LAPTOP, PROJECTOR] {
        wrong.extend(inspect(
            &mut chrome,
            root,
            "crowd/board.html",
            view,
            false,
            None,
        ));
        chrome.open(&root.join("crowd/board.html"), view);
        let drawn = "new Promise(done => requestAnimationFrame(() => setTimeout(() => done(Math.max(\
                     performance.getEntriesByType('navigation')[0].duration, \
                     ...performance.getEntriesByName('first-contentful-paint').map(e => e.startTime))))))";
        let ms = chrome.ask(drawn).as_f64().unwrap();
        println!(
            "60 benches, 2 000 photos at {} px: drawn in {ms:.0} ms",
            view.width
        );
        // A second is promised.
        assert!(ms < 1000.0, "{ms} ms at {} px", view.width);
    }
    report(&wrong);
}

#[test]
fn every_link_is_reached_by_keyboard_and_can_be_seen_there() {
    let Some(mut chrome) = browser() else { return };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    look::write(root, &sample::class(), |_| None);
    for page in ["board.html", "heron/index.html", "heron/calibration.html"] {
        chrome.open(&root.join(page), LAPTOP);
        let links = chrome.ask("document.querySelectorAll('a,[tabindex]').length");
        let n = links.as_u64().unwrap();
        assert!(n > 3, "{page}");
        let mut reached = std::collections::BTreeSet::new();
        for _ in 0..n {
            chrome.tab();
            let here = chrome.ask(
                "(() => { const e = document.activeElement, s = getComputedStyle(e); \
                 return [[...document.querySelectorAll('a,[tabindex]')].indexOf(e), s.outlineStyle, parseFloat(s.outlineWidth)]; })()",
            );
            assert_eq!(here[1], "solid", "{page}: {here}");
            assert!(here[2].as_f64().unwrap() >= 2.0, "{page}: {here}");
            reached.insert(here[0].as_i64().unwrap());
        }
        assert!(!reached.contains(&-1), "{page}");
        assert_eq!(reached.len() as u64, n, "{page}");
    }
}
