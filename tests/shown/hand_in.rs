//! The hand-in of a bench that photographed more than there is room for: it stays within its sheets, and holds all it shows.

use slitwatch::publish::record::Record;
use slitwatch::report::{HandIn, hand_in_html};
use slitwatch::settings::english;
use slitwatch::terms::{Capture, Verdict};

use crate::browser::{MOST_SHEETS, PAPER, browser, sheets};
use crate::sample;

/// A picture as tall as the tallest that are published.
const TALL: &str = r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 480 560"><rect width="480" height="560" fill="#9fc9cc"/></svg>"##;

/// A day's photos: three of each of a dozen things, the second of which is to be taken again.
fn photos() -> Vec<Record> {
    let mut all: Vec<Record> = sample::class();
    all.retain(|r| r.bench == "heron" && r.verdict == Verdict::Good);
    let is_sample = |r: &&Record| r.capture == Some(Capture::Sample);
    let one = all.iter().find(is_sample).expect("a sample").clone();
    for k in 0..36 {
        let label = format!(
            "{}-lamp",
            [
                "pier", "quay", "mole", "buoy", "ferry", "crane", "gate", "yard", "deck", "mast",
                "cabin", "slip"
            ][k / 3]
        );
        let verdict = if k % 3 == 1 {
            Verdict::Retake
        } else {
            Verdict::Good
        };
        all.push(Record {
            photo: format!("heron/{label}-{k:02}.jpg"),
            taken: Some(format!("2026-11-12T19:{k:02}:00")),
            label,
            verdict,
            ..one.clone()
        });
    }
    all
}

fn page(people: &[String]) -> String {
    let records = photos();
    let shown = sample::shown(&records);
    let read = |_: &str, name: &str| (name == "spectrum.svg").then(|| TALL.as_bytes().to_vec());
    let page = hand_in_html(&HandIn {
        title: "Lamps along the quay",
        photos: &shown,
        people,
        stated: &Default::default(),
        phrases: english(),
        read: &read,
    });
    page.expect("a bench with photos")
}

#[test]
fn what_does_not_fit_is_counted_and_names_stay_text() {
    let page = page(&["Ada <b>Vale</b>".to_owned(), "Ben".to_owned()]);
    assert!(page.contains("Ada &#60;b&#62;Vale&#60;/b&#62;") && page.contains("<bdi>Ben</bdi>"));
    assert_eq!(page.matches("data:image/svg+xml").count(), 6);
    assert!(page.contains("more, in spectra_wide.csv"));
    // Nothing outside is asked for, and nothing leads outside.
    for outside in ["src=\"http", "href=\"http", "href=\"..", "<script", "url("] {
        assert!(!page.contains(outside), "{outside}");
    }
}

#[test]
fn a_full_day_prints_on_four_sheets() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("heron.html");
    std::fs::write(&file, page(&[])).unwrap();
    chrome.open(&file, PAPER);
    let pdf = chrome.print();
    let n = sheets(&pdf);
    assert!((3..=MOST_SHEETS).contains(&n), "{n} sheets of paper");
}
