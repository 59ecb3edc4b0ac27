//! `check` before the day: what would go wrong is said while there is time to put it right, and nothing is touched.

use std::fs;

use crate::mounts::Mount;
use crate::real::{Place, files_below, stdout};

/// The lines that ask for attention.
fn attention(place: &Place) -> Vec<String> {
    let output = place.run(&["check"]);
    assert_eq!(output.status.code(), Some(0));
    let said = stdout(&output);
    let needs_somebody = |line: &&str| line.starts_with("ATTENTION");
    let lines = said.lines().filter(needs_somebody);
    // They come first, behind the line that says which configuration it is.
    assert!(
        said.lines()
            .skip(1)
            .take(lines.clone().count())
            .all(|line| needs_somebody(&line))
    );
    lines.map(str::to_owned).collect()
}

#[test]
fn check_says_of_each_thing_what_would_go_wrong() {
    let place = Place::new();
    place.put("heron/notes.txt", b"the lamp at the ferry steps");
    let quiet = attention(&place);
    // How much room the disk of the test has is not the test's to say.
    let is_room = |line: &String| line.contains("GiB free") || line.contains("can still be made");
    assert!(quiet.iter().all(is_room), "{quiet:?}");
    let says = |word: &str| {
        let lines = attention(&place);
        assert!(
            lines.iter().any(|line| line.contains(word)),
            "{word}: {lines:?}"
        );
    };

    let mode = rustix::fs::Mode::from_raw_mode(0o600);
    let pipe = place.inbox().join("heron/pipe.jpg");
    rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, mode, 0).unwrap();
    says("named pipe");
    fs::remove_file(&pipe).unwrap();

    // Somebody's file where the results should be made.
    fs::write(place.results(), b"mine").unwrap();
    let refused = place.run(&["check"]);
    let said = stdout(&refused) + &crate::real::stderr(&refused);
    assert!(said.contains("not a folder"), "{said}");
    fs::remove_file(place.results()).unwrap();

    let daemon = place.start(&["watch"]);
    place.wait_for("the note", || place.results().join("quality.csv").exists());
    says("another slitwatch is at work");
    let mut before = files_below(&place.results());
    // The tables and pages may just be made anew, under names that go away by themselves.
    before.retain(|name| !name.contains(".making-"));
    assert_eq!(daemon.stop(), Some(0));
    assert!(files_below(&place.results()).is_superset(&before));
    assert!(
        !attention(&place)
            .iter()
            .any(|line| line.contains("another"))
    );

    fs::rename(place.inbox(), place.path("away")).unwrap();
    // It ends as `watch` would.
    let missing = place.run(&["check"]);
    assert_eq!(missing.status.code(), Some(2));
    assert_eq!(place.run(&["watch"]).status.code(), Some(2));
    assert!(stdout(&missing).contains("cannot be read"));
    assert!(crate::real::stderr(&missing).contains("cannot be opened"));
    fs::rename(place.path("away"), place.inbox()).unwrap();
}

#[test]
fn check_says_that_a_disk_is_small_or_read_only() {
    let place = Place::new();
    let Some(disk) = Mount::small_disk(&place.results()) else {
        return;
    };
    let small = attention(&place);
    assert!(
        small.iter().any(|line| line.contains("0.0 GiB free")),
        "{small:?}"
    );
    assert!(disk.remount("ro"));
    let read_only = attention(&place);
    assert!(
        read_only.iter().any(|line| line.contains("read-only")),
        "{read_only:?}"
    );
    drop(disk);
}

#[test]
fn check_counts_what_may_not_be_read() {
    if crate::nobody::ran("checks::check_counts_what_may_not_be_read") {
        return;
    }
    use std::os::unix::fs::PermissionsExt;
    let place = Place::new();
    for name in ["heron/a.jpg", "heron/b.jpg", "dunlin/c.jpg"] {
        place.put(name, b"not a picture");
    }
    for name in ["heron/a.jpg", "heron/b.jpg"] {
        let closed = fs::Permissions::from_mode(0o000);
        fs::set_permissions(place.inbox().join(name), closed).unwrap();
    }
    if fs::read(place.inbox().join("heron/a.jpg")).is_ok() {
        eprintln!("skipped: the administrator may read everything");
        return;
    }
    let lines = attention(&place);
    assert!(
        lines
            .iter()
            .any(|line| line.contains("2 of them may not be read")),
        "{lines:?}"
    );
}

/// Limits of its own, in a user namespace of its own (namespaces(7), `max_inotify_watches`).
#[test]
fn check_says_that_the_system_allows_too_few_folders_to_be_watched() {
    let place = Place::new();
    for bench in 0..6 {
        place.put(&format!("bench-{bench}/a.jpg"), b"not a picture");
    }
    let limited = |allowed: &str| {
        let check = place.command(&["check"]);
        let script =
            format!("echo {allowed} > /proc/sys/user/max_inotify_watches && exec \"$0\" \"$@\"");
        let output = std::process::Command::new("unshare")
            .args(["--user", "--map-root-user", "sh", "-c", &script])
            .arg(check.get_program())
            .args(check.get_args())
            .output();
        let output = output.ok().filter(|output| output.status.success())?;
        let lines = stdout(&output);
        let line = lines
            .lines()
            .find(|l| l.contains("user.max_inotify_watches"));
        Some(line.map(str::to_owned))
    };
    let Some(said) = limited("3") else {
        eprintln!("skipped: no limits of its own can be set for a test here");
        return;
    };
    // Six folders and the inbox itself, and as many again that are still to come.
    let said = said.expect("a word on it");
    assert!(said.starts_with("ATTENTION"), "{said}");
    assert!(said.contains("is 3 and 14 may be needed"), "{said}");
    assert_eq!(limited("1000"), Some(None), "enough");
}
