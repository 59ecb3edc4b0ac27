//! The pages that benches hand in, made of the demo's results: who, and nothing that lies elsewhere.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::real::{SWEPT, heard, shipped};

/// Makes them with some names in the configuration; the exit status, and what was said.
fn made(folder: &Path, more: &[&str]) -> (Option<i32>, String) {
    let config = folder.join("lab.yaml");
    let text = fs::read_to_string(shipped("config/lab.yaml")).expect("settings");
    let named = "benches: {Dunlin: {people: [Ada Vale, Ben Orr]}, heron: {people: Cas}}";
    let text = text.replace("benches: {}", named);
    fs::write(&config, text).expect("settings");
    let mut command = Command::new(env!("CARGO_BIN_EXE_slitwatch"));
    command
        .arg("hand-in")
        .arg("--config")
        .arg(&config)
        .arg("--results")
        .arg(SWEPT.place.results())
        .arg("--out")
        .arg(folder.join("pages"))
        .args(more);
    heard(&mut command)
}

#[test]
fn each_bench_has_a_page_that_names_its_people_and_holds_all_it_shows() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let (status, said) = made(folder, &[]);
    assert_eq!(status, Some(0), "{said}");
    let page = |bench: &str| fs::read_to_string(folder.join(format!("pages/{bench}.html")));
    let dunlin = page("dunlin").expect("a page");
    for part in [
        "Ada Vale",
        "Ben Orr",
        "dye-unknown.jpg",
        "lamp-02.jpg",
        "How the numbers",
    ] {
        assert!(dunlin.contains(part), "{part}");
    }
    let heron = page("heron").expect("a page");
    assert!(heron.contains("<bdi>Cas</bdi>") && !heron.contains("Ada Vale"));
    assert!(page("avocet").expect("a page").contains("class=\"blank\""));
    for outside in ["src=\"http", "href=\"http", "href=\"..", "<script"] {
        assert!(!dunlin.contains(outside), "{outside}");
    }
    // Names are on these pages alone: no result knows of them.
    let published = SWEPT.place.tree();
    let named = published.values().find(|bytes| {
        let mut at = bytes.windows(8);
        at.any(|bytes| bytes == b"Ada Vale")
    });
    assert!(named.is_none());
    assert_eq!(made(folder, &["--bench", "dunlin"]).0, Some(0));
    assert_eq!(page("dunlin").expect("a page"), dunlin, "the same again");
}

#[test]
fn what_there_is_not_is_refused_in_words() {
    let folder = tempfile::tempdir().expect("a folder");
    let (status, said) = made(folder.path(), &["--bench", "pelican"]);
    assert_eq!(status, Some(2), "{said}");
    assert!(said.contains("pelican") && said.contains("heron"), "{said}");
    let (status, said) = made(folder.path(), &["--session", "monday"]);
    assert_eq!(status, Some(2), "{said}");
    assert!(said.contains("keeps no sessions"), "{said}");
}
