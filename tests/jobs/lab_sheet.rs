//! The sheets that are handed out before a class: what the configuration expects of each bench, and nothing that lies elsewhere.

use std::fs;
use std::path::Path;
use std::process::Command;

use slitwatch::slates::{Slate, Square, card};

use crate::real::{heard, shipped};

const EXPECTED: &str = "
expect:
  all: [dark, {capture: blank, count: 2}, {label: 'dye-*mg', count: 5, say: five <standards>}]
  heron: [{capture: sample, label: quay-lamp}]
ends_at: 20:30
";

/// Makes them for an inbox with two benches; the exit status, and what was said.
fn made(folder: &Path, more: &[&str]) -> (Option<i32>, String) {
    let config = folder.join("lab.yaml");
    let text = fs::read_to_string(shipped("config/lab.yaml")).expect("settings");
    fs::write(&config, text + EXPECTED).expect("settings");
    for bench in ["heron", "oyster catcher"] {
        fs::create_dir_all(folder.join("inbox").join(bench)).expect("a folder");
    }
    let mut command = Command::new(env!("CARGO_BIN_EXE_slitwatch"));
    command
        .args(["lab-sheet", "--config"])
        .arg(&config)
        .arg("--inbox")
        .arg(folder.join("inbox"))
        .arg("--out")
        .arg(folder.join("sheet.html"))
        .args(more);
    heard(&mut command)
}

#[test]
fn everything_that_is_expected_of_a_bench_is_on_its_sheet_with_its_card_and_its_address() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let address = "http://192.168.1.20:8080";
    let (status, said) = made(folder, &["--address", address]);
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("heron, oyster catcher"), "{said}");
    let page = fs::read_to_string(folder.join("sheet.html")).expect("a page");
    let sheets: Vec<&str> = page.split("<article>").skip(1).collect();
    assert_eq!(sheets.len(), 2);
    for (sheet, bench, encoded) in [
        (sheets[0], "heron", "heron"),
        (sheets[1], "oyster catcher", "oyster%20catcher"),
    ] {
        let order = [
            "lamp-01",
            "dark-01",
            "blank-01",
            "five &#60;standards&#62;",
            "lamp-02",
        ];
        let places = order.map(|word| sheet.find(word).unwrap_or_else(|| panic!("{word}")));
        assert!(places.is_sorted(), "{places:?}");
        assert_eq!(sheet.contains("quay-lamp"), bench == "heron");
        for part in [
            "until 20:30",
            "dye-…mg",
            "Mercury",
            "tracing paper",
            "Exposure by hand",
        ] {
            assert!(sheet.contains(part), "{part}");
        }
        let own =
            card(&Slate::of_bench(bench), slitwatch::settings::english()).expect("a short name");
        assert!(sheet.contains(own.trim()));
        let address = format!("{address}/{encoded}/");
        assert!(sheet.contains(&address));
        let code = Square::of_address(&address).expect("a short address");
        assert!(sheet.contains(&code.svg()));
    }
    for outside in ["src=", "href=", "url(", "<script", "@import"] {
        assert!(!page.contains(outside), "{outside}");
    }
    // One bench alone, on the other paper, and without an address.
    let (status, said) = made(folder, &["--bench", "heron", "--paper", "letter"]);
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("--address"), "{said}");
    let page = fs::read_to_string(folder.join("sheet.html")).expect("a page");
    assert_eq!(page.matches("<article>").count(), 1);
    assert!(page.contains("size:letter") && !page.contains("http://192"));
}

#[test]
fn what_is_no_address_is_refused_in_words() {
    let folder = tempfile::tempdir().expect("a folder");
    let (status, said) = made(folder.path(), &["--address", "quay"]);
    assert_eq!(status, Some(2), "{said}");
    assert!(said.contains("http://192.168.1.20:8080"), "{said}");
}
