//! What is refused at the start, and with which exit status.

use std::fs;
use std::time::{Duration, Instant};

use slitwatch::run::{self, Bell, Failure, reload};

use crate::lab::{Lab, wait_for};

#[test]
fn results_in_the_inbox_and_an_inbox_in_the_results_are_refused() {
    let lab = Lab::new();
    let mut setup = lab.setup();
    setup.orders.results = lab.inbox().join("results");
    let failure = run::sweep(setup.clone(), Bell::new().1).unwrap_err();
    assert_eq!(failure.exit_status(), 2, "{failure}");
    let failure = run::watch(setup, Bell::new().1, &mut reload::Never).unwrap_err();
    assert!(matches!(&failure, Failure::Usage(text) if text.contains("lies in the inbox")));
    assert_eq!(
        fs::read_dir(lab.inbox()).unwrap().count(),
        0,
        "nothing was written"
    );
    let mut setup = lab.setup();
    setup.orders.results = lab.inbox().parent().unwrap().to_owned();
    assert_eq!(
        run::sweep(setup, Bell::new().1).unwrap_err().exit_status(),
        2
    );
    let mut setup = lab.setup();
    setup.orders.inbox = lab.inbox().join("nowhere");
    assert_eq!(
        run::sweep(setup, Bell::new().1).unwrap_err().exit_status(),
        2
    );
}

#[test]
fn the_second_daemon_on_one_results_folder_is_refused() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    let first = lab.process("watch", None);
    wait_for("the first daemon", || {
        lab.verdict("heron/lamp-01.jpg") == "good"
    });
    let failure = lab.try_sweep().unwrap_err();
    assert_eq!(failure.exit_status(), 1);
    assert!(
        failure.to_string().contains("another slitwatch"),
        "{failure}"
    );
    // A killed daemon's lock is the system's to release.
    first.kill();
    lab.sweep();
}

#[test]
fn a_second_signal_leaves_at_once() {
    let lab = Lab::new();
    // Two benches and two workers: the slow one is in hand when the quick one is done.
    lab.put("avocet/quay-1.jpg", "slow=30000");
    lab.put("heron/dark-1.jpg", "light=0");
    let daemon = lab.process("watch", None);
    wait_for("the first result", || {
        lab.verdict("heron/dark-1.jpg") == "waiting"
    });
    let began = Instant::now();
    daemon.interrupt();
    std::thread::sleep(Duration::from_millis(200));
    daemon.interrupt();
    assert!(!daemon.ended_well());
    assert!(began.elapsed() < Duration::from_secs(10));
}

#[test]
fn the_program_s_usage_has_its_statuses() {
    let status = |arguments: &[&str]| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_slitwatch"));
        let output = command.args(arguments).output().unwrap();
        let stdout_is_empty = output.stdout.is_empty();
        (output.status.code(), stdout_is_empty)
    };
    assert_eq!(status(&["--help"]), (Some(0), false));
    assert_eq!(status(&["--version"]), (Some(0), false));
    assert_eq!(status(&[]), (Some(2), true));
    assert_eq!(status(&["sweep", "--wrong"]), (Some(2), true));
}

#[test]
fn a_signal_finishes_the_photos_in_hand() {
    let lab = Lab::new();
    for i in 0..6 {
        lab.put(&format!("heron/quay-{i}.jpg"), "slow=300");
    }
    let daemon = lab.process("watch", None);
    // The lock is taken and the work has begun; what is in hand when the signal comes must stand afterwards.
    wait_for("the first results", || {
        lab.tree().keys().any(|n| n.ends_with("quality.json"))
    });
    daemon.interrupt();
    assert!(daemon.ended_well());
    let tree = lab.tree();
    let n = tree.keys().filter(|n| n.ends_with("/quality.json")).count();
    assert!((2..6).contains(&n), "{n} photos");
    assert_eq!(
        tree["quality.csv"].lines().count(),
        2 + n,
        "the summaries name all of them"
    );
    lab.sweep();
    assert_eq!(lab.tree(), lab.expected());
}
