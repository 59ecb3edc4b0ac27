//! Photos are found whether or not the system tells of them: events that are lost, forbidden, or not wanted.

use std::fs;

use rustix::process::Signal;

use crate::fake::photo;
use crate::lab::{Lab, wait_for};

fn n_rows(lab: &Lab) -> usize {
    let table = fs::read_to_string(lab.results().join("quality.csv"));
    // A header, and the word at the end.
    table.map_or(0, |text| text.lines().count().saturating_sub(2))
}

/// The daemon is halted while the files come, so that nobody takes the events out of the system's queue, and it lists by
/// itself only once an hour: what it finds it finds because it was told that events were lost.
#[test]
fn more_files_at_once_than_the_system_can_tell_of_are_all_found() {
    let limit = fs::read_to_string("/proc/sys/fs/inotify/max_queued_events").unwrap_or_default();
    let limit: usize = limit.trim().parse().unwrap_or(usize::MAX);
    if limit > 40_000 {
        eprintln!("skipped: the system's queue is too long to fill in a test ({limit})");
        return;
    }
    // Made, opened, written, closed: four events a file, of which some systems tell only two.
    let n = limit / 2 + 200;
    let lab = Lab::in_memory();
    lab.put("heron/lamp-01.jpg", "light=3");
    let hourly = [("JOBS_RESCAN_MS", "3600000".to_owned())];
    let daemon = lab.process_through(&[], "watch", &hourly);
    wait_for("the first photo", || n_rows(&lab) == 1);
    assert!(daemon.has_events());
    daemon.signal(Signal::STOP);
    let bytes = photo("bad");
    for i in 0..n {
        fs::write(lab.inbox().join(format!("heron/quay-{i:05}.jpg")), &bytes).unwrap();
    }
    daemon.signal(Signal::CONT);
    wait_for("a row for every file", || n_rows(&lab) == n + 1);
    assert!(
        lab.said().contains("lost count"),
        "the queue did not overflow:\n{}",
        lab.said().chars().take(2000).collect::<String>()
    );
    drop(daemon);
}

#[test]
fn folders_that_come_full_nested_and_are_renamed_lose_nothing() {
    let lab = Lab::new();
    let hourly = [("JOBS_RESCAN_MS", "3600000".to_owned())];
    let daemon = lab.process_through(&[], "watch", &hourly);
    lab.put("heron/lamp-01.jpg", "light=3");
    wait_for("the first photo", || n_rows(&lab) == 1);
    // New folders fill before anybody can watch them.
    for i in 0..40 {
        let folder = lab.inbox().join(format!("dunlin/part-{}/{i}", i % 4));
        fs::create_dir_all(&folder).unwrap();
        for name in ["a.jpg", "b.jpg"] {
            fs::write(folder.join(name), photo(&format!("light={i}"))).unwrap();
        }
    }
    wait_for("all of them", || n_rows(&lab) == 81);
    fs::rename(lab.inbox().join("dunlin"), lab.inbox().join("avocet")).unwrap();
    lab.wait_until_done();
    fs::rename(
        lab.inbox().join("avocet/part-1"),
        lab.inbox().join("heron/part-1"),
    )
    .unwrap();
    lab.wait_until_done();
    // What comes into a folder that was renamed is still heard of.
    lab.put("avocet/part-2/2/late.jpg", "light=7");
    lab.wait_until_done();
    drop(daemon);
}

/// Limits of its own, which touch nobody else, in a user namespace of its own (namespaces(7), `max_inotify_watches`).
#[test]
fn a_system_that_allows_no_watching_is_listed_instead() {
    let three = "echo 3 > /proc/sys/user/max_inotify_watches && exec \"$0\" \"$@\"";
    let through = ["unshare", "--user", "--map-root-user", "sh", "-c", three];
    let probe = std::process::Command::new(through[0])
        .args(&through[1..])
        .arg("true")
        .stderr(std::process::Stdio::null())
        .status();
    if !probe.is_ok_and(|status| status.success()) {
        eprintln!("skipped: no limits of its own can be set for a test here");
        return;
    }
    // Too many folders from the start, and too many later.
    for n_before in [6, 1] {
        let lab = Lab::new();
        for i in 0..n_before {
            lab.put(&format!("bench-{i}/quay.jpg"), "light=5");
        }
        let daemon = lab.process_through(&through, "watch", &[]);
        lab.wait_until_done();
        for i in 6..12 {
            lab.put(&format!("bench-{i}/late/quay.jpg"), "light=5");
        }
        lab.wait_until_done();
        let has_said = lab.said().contains("fs.inotify.max_user_watches");
        assert_eq!(has_said, n_before == 6, "{}", lab.said());
        drop(daemon);
    }
}

#[test]
fn without_events_by_configuration_photos_are_found_by_listing() {
    let lab = Lab::new();
    let daemon = lab.process_through(&[], "watch", &[("JOBS_POLL", "yes".to_owned())]);
    lab.put("heron/lamp-01.jpg", "light=3");
    wait_for("the first photo", || {
        lab.verdict("heron/lamp-01.jpg") == "good"
    });
    assert!(!daemon.has_events());
    lab.put("dunlin/late/quay-01.jpg", "light=5");
    // Replaced by an older file of the same length within the same second, which times of writing would not show.
    let at = lab.inbox().join("heron/lamp-01.jpg");
    let old = fs::metadata(&at).unwrap().modified().unwrap();
    let new = lab.beside("new.jpg");
    fs::write(&new, photo("light=4")).unwrap();
    let file = fs::File::options().write(true).open(&new).unwrap();
    file.set_modified(old - std::time::Duration::from_secs(3600))
        .unwrap();
    fs::rename(&new, &at).unwrap();
    lab.wait_until_done();
    drop(daemon);
}
