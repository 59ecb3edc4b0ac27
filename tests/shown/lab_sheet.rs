//! The lab sheet on paper: two sheets a bench at most, whatever is expected of it and on either paper, with the squares that phones
//! read at their full size.

use std::fs;
use std::path::Path;
use std::process::Command;

use slitwatch::decode;
use slitwatch::lab::Picture;
use slitwatch::slates::{Sighting, Slate, look};

use crate::browser::{PAPER, browser, kept_at, sheets};
use crate::chrome::View;

/// Sheets of paper that a bench is handed at most.
const MOST_SHEETS: usize = 2;
/// A4 (ISO 216) and Letter (ANSI/ASME Y14.1), inches.
const PAPERS: [(&str, f64, f64); 2] = [("a4", 8.27, 11.69), ("letter", 8.5, 11.0)];

/// Things to photograph with long names, as many as are shown with the lamps; or none.
fn expectations(n: usize) -> String {
    let thing = |i: usize| {
        format!("{{label: thing-{i}, say: the lamp at the far end of the quay beside crane {i}}}")
    };
    match n {
        0 => String::new(),
        n => format!(
            "\nexpect: [{}]\n",
            (1..=n).map(thing).collect::<Vec<_>>().join(", ")
        ),
    }
}

fn page(folder: &Path, n: usize, paper: &str, benches: &[&str]) -> std::path::PathBuf {
    let shipped = concat!(env!("CARGO_MANIFEST_DIR"), "/config/lab.yaml");
    let config = folder.join("lab.yaml");
    let text = fs::read_to_string(shipped).unwrap() + &expectations(n);
    fs::write(&config, text).unwrap();
    let file = folder.join(format!("{n}-{paper}.html"));
    let mut command = Command::new(env!("CARGO_BIN_EXE_slitwatch"));
    command
        .args(["lab-sheet", "--paper", paper])
        .args(["--address", "http://192.168.1.20:8080", "--config"])
        .arg(&config)
        .arg("--out")
        .arg(&file);
    for bench in benches {
        command.args(["--bench", bench]);
    }
    let done = command.output().unwrap();
    assert!(done.status.success(), "{done:?}");
    file
}

#[test]
fn a_bench_is_handed_two_sheets_at_most_on_either_paper() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let benches = ["heron", "oyster catcher"];
    for (paper, width, height) in PAPERS {
        for n in [0, 6, 7, 18, 40] {
            let file = page(folder.path(), n, paper, &benches);
            chrome.open(&file, PAPER);
            let pdf = chrome.print_on(width, height);
            if let Some(folder) = kept_at() {
                fs::write(folder.join(format!("lab-sheet-{n}-{paper}.pdf")), &pdf).unwrap();
            }
            let sheets = sheets(&pdf);
            let most = MOST_SHEETS * benches.len();
            assert!(
                (benches.len()..=most).contains(&sheets),
                "{n} things on {paper}: {sheets} sheets"
            );
        }
    }
}

#[test]
fn the_bench_s_card_is_read_off_the_page_and_is_as_large_as_a_card() {
    let Some((mut chrome, _alone)) = browser() else {
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let file = page(folder.path(), 6, "a4", &["oyster catcher"]);
    // Fine enough for the grain of a printer.
    let view = View {
        media: "print",
        ..PAPER
    };
    chrome.open(&file, view);
    // Without the four light modules on either side of it.
    let mm = "(() => { const svg = document.querySelector('.card svg'), across = svg.viewBox.baseVal.width; \
              return svg.getBoundingClientRect().width * (across - 8) / across / 96 * 25.4; })()";
    let side_mm = chrome.ask(mm).as_f64().unwrap();
    assert!((60.0..65.0).contains(&side_mm), "{side_mm} mm");
    let seen = |picture: &[u8]| {
        look(&Picture::from(decode::decode(picture, 64_000_000).expect("a picture")).frame)
    };
    // The address beside it is a code too, and none of the program's: the card is read for all that.
    let whole = seen(&chrome.picture(true));
    assert_eq!(whole, Sighting::Read(Slate::of_bench("oyster catcher")));
}
