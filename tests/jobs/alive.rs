//! What the program says of itself while it looks, and once it does not: `alive.js`, which the pages read.

use std::fs;

use slitwatch::run::{self, Bell, Setup};
use slitwatch::terms::Sessions;

use crate::lab::{Lab, wait_for};

/// What stands in it; absent where there is none.
fn said(lab: &Lab, folder: &str) -> Option<serde_json::Value> {
    let text = fs::read_to_string(lab.results().join(folder).join("alive.js")).ok()?;
    let json = text.strip_prefix("slitwatch(")?;
    let json = json.strip_suffix(");\n//end\n").expect("a whole script");
    Some(serde_json::from_str(json).expect("JSON"))
}

#[test]
fn a_daemon_says_at_every_listing_that_it_looks_and_at_last_that_it_stopped() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    let daemon = lab.watch();
    let mut moments = Vec::new();
    wait_for("three listings", || {
        if let Some(said) = said(&lab, "") {
            assert_eq!(said["state"], "watched");
            assert_eq!(said["every_s"], 0.2);
            moments.push(said["ms"].as_u64().expect("a time"));
        }
        moments.dedup();
        moments.len() >= 3
    });
    assert!(moments.is_sorted());
    wait_for("a verdict", || lab.verdict("heron/lamp-01.jpg") == "good");
    let made = |lab: &Lab| said(lab, "").map(|said| said["made"].as_u64());
    let before = made(&lab);
    lab.put("heron/lamp-02.jpg", "light=4");
    wait_for("word of new tables", || made(&lab) > before);
    // An inbox that cannot be read is said too, and that it is back.
    let away = lab.beside("away");
    fs::rename(lab.inbox(), &away).unwrap();
    wait_for("trouble", || said(&lab, "").unwrap()["trouble"] == true);
    fs::rename(&away, lab.inbox()).unwrap();
    wait_for("its end", || said(&lab, "").unwrap()["trouble"] == false);
    daemon.stop();
    assert_eq!(said(&lab, "").unwrap()["state"], "stopped");
    lab.sweep();
    assert_eq!(said(&lab, "").unwrap()["state"], "swept");
}

#[test]
fn each_session_s_pages_are_told_where_to_hear_of_it_as_long_as_there_is_the_session() {
    let lab = Lab::new();
    lab.put("monday/heron/lamp-01.jpg", "light=3");
    lab.put("tuesday/heron/lamp-01.jpg", "light=3");
    let sweep = || {
        let mut setup: Setup = lab.setup();
        setup.orders.sessions = Sessions::Folder;
        run::sweep(setup.clone(), Bell::new().1).expect("a sweep");
        setup.orders
    };
    let orders = sweep();
    for session in ["monday", "tuesday"] {
        assert_eq!(said(&lab, session).unwrap()["above"], true);
    }
    run::close(&orders, "monday").expect("closed");
    fs::remove_dir_all(lab.inbox().join("tuesday")).unwrap();
    sweep();
    assert_eq!(said(&lab, "monday").unwrap()["state"], "closed");
    assert!(!lab.results().join("tuesday").exists());
    run::reopen(&orders, "monday").expect("open");
    sweep();
    assert_eq!(said(&lab, "monday").unwrap()["above"], true);
}

/// A disk that is full costs the word that it lives, and nothing else.
#[test]
fn what_it_says_of_itself_is_no_result_and_may_be_deleted() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.sweep();
    let before = lab.tree();
    fs::remove_file(lab.results().join("alive.js")).unwrap();
    assert_eq!(lab.tree(), before);
    // Something else in its place is no reason to fail.
    fs::create_dir_all(lab.results().join("alive.js/x")).unwrap();
    let report = lab.sweep();
    assert!(report.failures.is_empty(), "{:?}", report.failures);
}
