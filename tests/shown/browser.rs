//! The pages in a real browser: the demo's and two harder classes, at a phone's, a laptop's and a projector's width, light,
//! dark and printed. Nothing sticks out, nothing outside is asked for, every word can be read.
//!
//! `tests/shown/browser.sh` installs what is needed; without a Chromium the tests say that they were skipped. With
//! `LOOK_AT=/some/folder` every picture is kept there, and with `SLITWATCH_REDRAW=1` the README's pictures are drawn anew.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use crate::chrome::{self, Chrome, View};
use crate::{look, sample};

pub const CHECKS: &str = include_str!("look.js");

/// Rules of axe-core that are run where `tests/shown/browser.sh` could fetch it.
///
/// Not `meta-refresh`: a board of what happens now is a real-time event (WCAG 2.1, 2.2.1), and `pages: refresh_s` stops it.
const AXE: &str = "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice'], \
                   rules: {'meta-refresh': {enabled: false}}}).then(r => \
                   r.violations.map(v => 'axe: ' + v.id + ': ' + v.help + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 120)).join(' | ')))";

/// Once the page says whether the program looks, where it can.
const HAS_SAID: &str = "new Promise(done => { const box = document.getElementById('alive'); const began = Date.now(); \
                        const look = () => !box || !box.hidden || Date.now() - began > 5000 ? done(0) : setTimeout(look, 20); look(); })";

pub const PHONE: View = View {
    width: 360,
    height: 760,
    scheme: "light",
    media: "screen",
};
pub const LAPTOP: View = View {
    width: 1280,
    height: 860,
    ..PHONE
};
pub const PROJECTOR: View = View {
    width: 1920,
    height: 1080,
    ..PHONE
};
const DARK: View = View {
    scheme: "dark",
    ..LAPTOP
};
/// A4 at 96 px an inch, without margins.
pub const PAPER: View = View {
    width: 794,
    height: 1123,
    media: "print",
    ..PHONE
};

/// What a bench's page may take on a phone, px: three to four screens, of which the last is the cautions.
const MOST_FOLDED_PX: u64 = 2500;

/// What is wrong with how a bench's page begins on a phone: too long, folded open, or one quantity with two values.
const FOLDS: &str = "(() => { const wrong = [], all = [...document.querySelectorAll('details')]; \
                     if (all.length < 3) wrong.push(`${all.length} folds`); \
                     if (all.some(fold => fold.open)) wrong.push('a fold is open'); \
                     const named = [...document.querySelectorAll('dt')].map(dt => dt.textContent).sort(); \
                     named.forEach((name, i) => { if (name === named[i + 1]) wrong.push(`${name} stands twice`); }); \
                     if (document.querySelector('.trends h3 b')) wrong.push('the last values stand twice'); \
                     return [document.documentElement.scrollHeight, wrong]; })()";

/// The folds whose content is not shown.
const HIDDEN: &str = "[...document.querySelectorAll('details>:not(summary,.noprint,.onprint)')].filter(e => !e.checkVisibility()).length";

/// Sheets that any page of the demo may take: its benches have eleven photos at most.
pub const MOST_SHEETS: usize = 4;

/// Pages of a document as Chromium prints it: each is an object of its own, and its kind is not compressed.
pub fn sheets(pdf: &[u8]) -> usize {
    let kind = b"/Type /Page";
    pdf.windows(kind.len() + 1)
        .filter(|w| w.starts_with(kind) && w[kind.len()] != b's')
        .count()
}

/// One browser at a time: they would only wait for each other.
static ALONE: Mutex<()> = Mutex::new(());

/// The browser, or a clear word why there is none.
pub fn browser() -> Option<(Chrome, MutexGuard<'static, ()>)> {
    let Some(program) = chrome::find() else {
        eprintln!(
            "SKIPPED: no Chromium on this machine, so no page was looked at in a browser; tests/shown/browser.sh installs one"
        );
        return None;
    };
    let alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    Some((Chrome::start(&program), alone))
}

fn axe() -> Option<String> {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/browser/axe.min.js");
    std::fs::read_to_string(file).ok()
}

/// Where pictures are to be kept, if anywhere.
pub fn kept_at() -> Option<PathBuf> {
    let folder = std::env::var_os("LOOK_AT").filter(|folder| !folder.is_empty())?;
    Some(PathBuf::from(folder))
}

/// Looks at one page in several views, and says everything that is wrong with it. It is loaded once: what changes with width
/// and colours is the layout.
pub fn inspect(
    chrome: &mut Chrome,
    root: &Path,
    page: &str,
    views: &[View],
    pictures: bool,
    axe: Option<&str>,
) -> Vec<String> {
    let mut wrong = Vec::new();
    chrome.open(&root.join(page), views[0]);
    // What the page says of the program comes by a script of its own, and is a part of it like the others.
    chrome.ask(HAS_SAID);
    if let Some(axe) = axe {
        chrome.ask(&format!("{axe}\n;0"));
    }
    for view in views {
        chrome.show_as(*view);
        // What is folded is to be read as well.
        chrome.ask("document.querySelectorAll('details').forEach(fold => { fold.open = true; })");
        let checks = format!("var picturesMustLoad = {pictures};\n{CHECKS}");
        let mut here: Vec<String> = serde_json::from_value(chrome.ask(&checks)).unwrap();
        // Its rules are about structure and colour, which do not change with the width; the own checks run everywhere.
        let is_once = view.scheme == "dark" || view.width == PHONE.width;
        if axe.is_some() && is_once {
            let found: Vec<String> = serde_json::from_value(chrome.ask(AXE)).unwrap();
            here.extend(found);
        }
        if let Some(folder) = kept_at() {
            let name = format!(
                "{}-{}-{}-{}.png",
                page.replace('/', "-"),
                view.width,
                view.scheme,
                view.media
            );
            std::fs::write(folder.join(name), chrome.picture(true)).unwrap();
        }
        let at = format!(
            "{page} at {} px, {}, {}",
            view.width, view.scheme, view.media
        );
        wrong.extend(here.into_iter().map(|w| format!("{at}: {w}")));
    }
    let complaints = chrome
        .complaints(root)
        .into_iter()
        .filter(|c| pictures || !c.contains("ERR_FILE_NOT_FOUND"));
    wrong.extend(complaints.map(|c| format!("{page}: {c}")));
    wrong
}

/// The demo's results, as `sweep` makes them from the committed inbox; but a page that loads itself again is no page to be
/// looked at.
fn demo(folder: &Path) -> Vec<String> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shipped = std::fs::read_to_string(here.join("config/lab.yaml")).unwrap();
    assert!(shipped.contains("refresh_s: 5"));
    let still = tempfile::tempdir().unwrap();
    let config = still.path().join("lab.yaml");
    std::fs::write(&config, shipped.replace("refresh_s: 5", "refresh_s: 0")).unwrap();
    let run = |arguments: &[&str]| {
        let done = Command::new(env!("CARGO_BIN_EXE_slitwatch"))
            .args(arguments)
            .arg("--config")
            .arg(&config)
            .arg("--inbox")
            .arg(here.join("demo-inbox"))
            .arg("--results")
            .arg(folder)
            .output()
            .unwrap();
        assert!(done.status.success(), "{done:?}");
    };
    run(&["sweep", "--quiet"]);
    let hand_ins = folder.join("hand-in");
    run(&["hand-in", "--out", hand_ins.to_str().unwrap()]);
    let sheet = folder.join("lab-sheet.html");
    let address = ["--address", "http://192.168.1.20:8080"];
    let of_heron = [
        "lab-sheet",
        "--bench",
        "heron",
        "--out",
        sheet.to_str().unwrap(),
    ];
    run(&[&of_heron[..], &address].concat());
    let mut pages = ["board.html", "class.html", "lab-sheet.html"]
        .map(str::to_owned)
        .to_vec();
    for bench in ["avocet", "dunlin", "heron", "turnstone"] {
        pages.push(format!("{bench}/index.html"));
        pages.push(format!("{bench}/calibration.html"));
        pages.push(format!("hand-in/{bench}.html"));
    }
    pages
}

/// A bench's page as a phone has it first; then on a wider window, and on paper, where nothing is folded.
fn folded(chrome: &mut Chrome, root: &Path, page: &str) -> Vec<String> {
    chrome.open(&root.join(page), PHONE);
    chrome.ask(HAS_SAID);
    let (px, mut wrong): (u64, Vec<String>) = serde_json::from_value(chrome.ask(FOLDS)).unwrap();
    println!("{page}: {px} px on a phone");
    if px >= MOST_FOLDED_PX {
        wrong.push(format!("{px} px"));
    }
    if let Some(folder) = kept_at() {
        let name = format!("{}-folded.png", page.replace('/', "-"));
        std::fs::write(folder.join(name), chrome.picture(true)).unwrap();
    }
    // By its style alone, where no script has a part in it.
    chrome.show_as(View {
        media: "print",
        ..PHONE
    });
    if chrome.ask(HIDDEN) != 0 {
        wrong.push("something stays folded on paper".to_owned());
    }
    // What its reader has opened stays open when the page is loaded anew.
    chrome.show_as(PHONE);
    chrome.ask("document.querySelector('[data-fold=history] summary').click()");
    chrome.open(&root.join(page), PHONE);
    let open =
        "[...document.querySelectorAll('details[open]')].map(fold => fold.dataset.fold).join()";
    if chrome.ask(open) != "history" {
        wrong.push("what was opened is folded again".to_owned());
    }
    chrome.ask(
        "document.querySelector('[data-fold=history] summary').click(); sessionStorage.clear()",
    );
    chrome.show_as(LAPTOP);
    chrome.open(&root.join(page), LAPTOP);
    if chrome.ask(HIDDEN) != 0 {
        wrong.push("something is folded where there is room".to_owned());
    }
    let wrong = wrong.into_iter();
    wrong.map(|w| format!("{page} folded: {w}")).collect()
}

pub fn report(wrong: &[String]) {
    assert!(
        wrong.is_empty(),
        "{} faults\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn the_demo_s_pages_can_be_read_at_every_size_light_dark_and_printed() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let results = tempfile::tempdir().unwrap();
    let root = results.path();
    let axe = axe();
    if axe.is_none() {
        eprintln!(
            "axe-core is not there; the project's own checks alone were made (tests/shown/browser.sh fetches it)"
        );
    }
    let began = Instant::now();
    let pages = demo(root);
    let swept = began.elapsed().as_secs_f64();
    let mut wrong = Vec::new();
    for page in &pages {
        if page.ends_with("/index.html") {
            wrong.extend(folded(&mut chrome, root, page));
        }
        let views = [PHONE, LAPTOP, PROJECTOR, DARK, PAPER];
        wrong.extend(inspect(
            &mut chrome,
            root,
            page,
            &views,
            true,
            axe.as_deref(),
        ));
        // Of each kind of page one is printed: the others are made alike.
        let is_one_of_a_kind =
            !page.contains('/') || page.starts_with("heron/") || page.starts_with("hand-in/");
        if is_one_of_a_kind || kept_at().is_some() {
            let pdf = chrome.print();
            assert!(pdf.starts_with(b"%PDF"), "{page}");
            // Each sheet is graded or hung up: a figure that fits nowhere, and pages that stay blank, would make it more.
            let n = sheets(&pdf);
            assert!(
                (1..=MOST_SHEETS).contains(&n),
                "{page}: {n} sheets of paper"
            );
            if let Some(folder) = kept_at() {
                let name = format!("{}.pdf", page.replace('/', "-"));
                std::fs::write(folder.join(name), pdf).unwrap();
            }
        }
    }
    println!(
        "{} pages in {:.1} s, {swept:.1} s of them for the sweep",
        pages.len(),
        began.elapsed().as_secs_f64()
    );
    if std::env::var_os("SLITWATCH_REDRAW").is_some() {
        let shown = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/shown");
        chrome.open(&root.join("board.html"), PROJECTOR);
        std::fs::write(shown.join("board.png"), chrome.picture(false)).unwrap();
        let overlay = root.join("heron/helium-sign.jpg/overlay.png");
        std::fs::copy(overlay, shown.join("overlay.png")).unwrap();
    }
    report(&wrong);
}

#[test]
fn hostile_names_and_a_crowd_are_shown_as_text_and_in_time() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    look::write(&root.join("names"), &sample::nasty_class(), 0, |_| None);
    look::write(&root.join("crowd"), &sample::crowd(), 0, |_| None);
    let mut wrong = Vec::new();
    for page in [
        "names/board.html",
        "names/heron/index.html",
        "names/heron/calibration.html",
        "names/class.html",
    ] {
        let views = [PHONE, LAPTOP];
        wrong.extend(inspect(&mut chrome, root, page, &views, false, None));
        let alive = "document.querySelectorAll('script:not([src]),script:not([src$=\"watched.js\"]):not([src*=\"/alive.js\"]),iframe,object,img[onerror],b[onclick]').length";
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
    let views = [PHONE, LAPTOP, PROJECTOR];
    wrong.extend(inspect(
        &mut chrome,
        root,
        "crowd/board.html",
        &views,
        false,
        None,
    ));
    for view in views {
        let drawn = "new Promise(done => requestAnimationFrame(() => setTimeout(() => done(Math.max(\
                     performance.getEntriesByType('navigation')[0].duration, \
                     ...performance.getEntriesByName('first-contentful-paint').map(e => e.startTime))))))";
        // The best of a few, where the first is not good enough: other work on this machine is no part of it.
        let mut ms = f64::INFINITY;
        for _ in 0..5 {
            chrome.open(&root.join("crowd/board.html"), view);
            ms = ms.min(chrome.ask(drawn).as_f64().unwrap());
            if ms < 1000.0 {
                break;
            }
        }
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
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    look::write(root, &sample::class(), 0, |_| None);
    for page in ["board.html", "heron/index.html", "heron/calibration.html"] {
        chrome.open(&root.join(page), LAPTOP);
        // What is hidden, such as a card whose turn it is not, is reached by nobody.
        let shown = "[...document.querySelectorAll('a,button,summary,[tabindex]')].filter(e => e.checkVisibility())";
        let links = chrome.ask(&format!("{shown}.length"));
        let n = links.as_u64().unwrap();
        assert!(n > 3, "{page}");
        let mut reached = std::collections::BTreeSet::new();
        for _ in 0..n {
            chrome.tab();
            let here = chrome.ask(&format!(
                "(() => {{ const e = document.activeElement, s = getComputedStyle(e); \
                 return [{shown}.indexOf(e), s.outlineStyle, parseFloat(s.outlineWidth)]; }})()"
            ));
            assert_eq!(here[1], "solid", "{page}: {here}");
            assert!(here[2].as_f64().unwrap() >= 2.0, "{page}: {here}");
            reached.insert(here[0].as_i64().unwrap());
        }
        assert!(!reached.contains(&-1), "{page}");
        assert_eq!(reached.len() as u64, n, "{page}");
    }
}
