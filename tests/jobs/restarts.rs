//! A second run changes nothing, and a run picks up where another one left off.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use slitwatch::classify::Decision;
use slitwatch::decode::Facts;
use slitwatch::run::{Class, Fate, Gone, Job, Outcome, Sink, Work};
use slitwatch::terms::Verdict;

use crate::fake::Fake;
use crate::lab::{Lab, assert_same, wait_for};

fn class(lab: &Lab) {
    lab.put("heron/lamp-01.jpg", "taken=10:00 light=3");
    lab.put("heron/quay-01.jpg", "taken=10:05 light=5");
    lab.put("heron/late/quay-02.jpg", "taken=10:06 light=6");
    lab.put("heron/blank-01.jpg", "taken=10:04 light=9");
    lab.put("heron/dark-01.jpg", "taken=10:03 light=0");
    lab.put("dunlin/quay-01.jpg", "taken=10:05 light=5");
    lab.put("avocet/lamp-01.jpg", "taken=10:00 bad");
    lab.put_bytes("avocet/notes.txt", b"the lamp at the ferry steps");
    lab.put("quay-03.jpg", "taken=10:05 light=7");
}

/// Path, time of last change of anything, and file number of everything below.
fn stamps(root: &Path) -> Vec<(String, i64, i64, u64)> {
    let mut stamps = Vec::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        let metadata = fs::metadata(&folder).unwrap();
        stamps.push((
            folder.display().to_string(),
            metadata.ctime(),
            metadata.ctime_nsec(),
            metadata.ino(),
        ));
        for entry in fs::read_dir(&folder).unwrap().flatten() {
            let metadata = entry.metadata().unwrap();
            if metadata.is_dir() {
                folders.push(entry.path());
            } else {
                stamps.push((
                    entry.path().display().to_string(),
                    metadata.ctime(),
                    metadata.ctime_nsec(),
                    metadata.ino(),
                ));
            }
        }
    }
    stamps.sort();
    stamps
}

#[test]
fn every_file_has_its_fate() {
    let lab = Lab::new();
    class(&lab);
    let report = lab.sweep();
    let fates: Vec<(&str, Verdict)> = report
        .records
        .iter()
        .map(|r| (r.photo.as_str(), r.verdict))
        .collect();
    assert_eq!(
        fates,
        [
            ("avocet/lamp-01.jpg", Verdict::Retake),
            ("avocet/notes.txt", Verdict::Ignored),
            ("dunlin/quay-01.jpg", Verdict::Waiting),
            ("heron/blank-01.jpg", Verdict::Good),
            ("heron/dark-01.jpg", Verdict::Good),
            ("heron/lamp-01.jpg", Verdict::Good),
            ("heron/late/quay-02.jpg", Verdict::Good),
            ("heron/quay-01.jpg", Verdict::Good),
            ("quay-03.jpg", Verdict::Waiting),
        ]
    );
    let quality = lab.quality("heron/late/quay-02.jpg").unwrap();
    assert_eq!(quality["metrics"]["peak_level"], 6.0 + 3000.0 + 0.009);
    assert_eq!(lab.tree()["quality.csv"].lines().count(), 1 + 9 + 1);
    assert!(report.failures.is_empty());
}

#[test]
fn a_second_run_changes_nothing_not_even_times() {
    let lab = Lab::new();
    class(&lab);
    assert_eq!(lab.sweep().n_made, 9);
    let before = stamps(&lab.results());
    let report = lab.sweep();
    assert_eq!((report.n_made, report.n_removed), (0, 0));
    assert_eq!(stamps(&lab.results()), before);
    // The daemon neither.
    let watch = lab.watch();
    crate::lab::wait_for("a few listings", || {
        std::thread::sleep(std::time::Duration::from_millis(700));
        true
    });
    assert_eq!(watch.stop().n_made, 0);
    // It says that it lives, which is no result, and is exchanged in the folder that holds it.
    let results = lab.results().display().to_string();
    let alive = format!("{results}/alive.js");
    let of_results = |mut stamps: Vec<(String, i64, i64, u64)>| {
        stamps.retain(|(path, ..)| *path != results && *path != alive);
        stamps
    };
    assert_eq!(of_results(stamps(&lab.results())), of_results(before));
}

#[test]
fn the_number_of_workers_and_a_new_program_change_nothing_they_should_not() {
    let lab = Lab::new();
    class(&lab);
    let expected = lab.expected();
    for workers in [1, 4] {
        let _ = fs::remove_dir_all(lab.results());
        let mut setup = lab.setup();
        setup.orders.workers = workers;
        slitwatch::run::sweep(setup, slitwatch::run::Bell::new().1).unwrap();
        assert_same(&lab.tree(), &expected, "workers");
    }
    let mut setup = lab.setup();
    setup.orders.configuration_hash = "another".to_owned();
    let report = slitwatch::run::sweep(setup, slitwatch::run::Bell::new().1).unwrap();
    assert_eq!(report.n_made, 9, "other settings, other results");
}

#[test]
fn renamed_deleted_and_replaced_photos_leave_no_trace() {
    let lab = Lab::new();
    class(&lab);
    lab.sweep();
    let at = |name: &str| lab.inbox().join(name);
    fs::rename(at("heron/quay-01.jpg"), at("heron/quay-09.jpg")).unwrap();
    fs::remove_file(at("avocet/lamp-01.jpg")).unwrap();
    fs::remove_dir_all(at("dunlin")).unwrap();
    lab.put("heron/late/quay-02.jpg", "taken=10:06 light=7");
    let report = lab.sweep();
    assert_eq!((report.n_made, report.n_removed), (2, 3));
    assert_same(&lab.tree(), &lab.expected(), "after the changes");
    assert!(!lab.results().join("dunlin").exists());
}

#[test]
fn the_same_bytes_under_two_names_are_said_and_not_hidden() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "taken=10:00 light=3");
    lab.put("heron/quay-02.jpg", "taken=10:05 light=5");
    lab.sweep();
    // The copy comes later and sorts first.
    lab.put("heron/quay-01.jpg", "taken=10:05 light=5");
    lab.sweep();
    let remarks = |folder: &str| lab.quality(folder).unwrap()["remarks"].to_string();
    assert_eq!(remarks("heron/quay-01.jpg"), "[]");
    assert!(remarks("heron/quay-02.jpg").contains("the same bytes as heron/quay-01.jpg"));
    assert_same(&lab.tree(), &lab.expected(), "with a copy");
}

#[test]
fn a_damaged_or_foreign_results_folder_is_put_right() {
    let lab = Lab::new();
    class(&lab);
    lab.sweep();
    let at = |name: &str| lab.results().join(name);
    fs::write(at("heron/quay-01.jpg/quality.json"), b"{").unwrap();
    fs::create_dir_all(at("curlew/old.jpg")).unwrap();
    fs::write(at("curlew/old.jpg/quality.json"), b"{}").unwrap();
    fs::write(at("curlew/index.html"), b"old page").unwrap();
    fs::write(at("quality.csv"), b"old").unwrap();
    fs::create_dir_all(at("heron/.making-1-1")).unwrap();
    lab.sweep();
    assert_same(&lab.tree(), &lab.expected(), "after the repair");
}

/// Counts how often a photo's header is read.
#[derive(Default)]
struct Reading(AtomicUsize);

impl Work for Reading {
    fn facts(&self, bytes: &[u8]) -> Facts {
        self.0.fetch_add(1, Ordering::SeqCst);
        Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        Fake.decide(photo, facts)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        Fake.measure(job, bytes, fate)
    }
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        Fake.summaries(class, out)
    }
}

/// How many photos a sweep reads, and how many it makes.
fn sweep_and_count(lab: &Lab) -> (usize, usize) {
    let work = Arc::new(Reading::default());
    let n_made = lab.sweep_with(work.clone());
    (work.0.load(Ordering::SeqCst), n_made)
}

/// What is taken early is read again once it has settled, and then remembered.
#[test]
fn what_was_taken_early_need_not_be_read_again_after_a_restart() {
    let lab = Lab::new();
    let mut setup = lab.setup();
    let settle = Duration::from_secs(4);
    setup.orders.settle = settle;
    let work = Arc::new(Reading::default());
    setup.work = work.clone();
    // Of what comes into a folder that is not watched yet nothing is told.
    fs::create_dir_all(lab.inbox().join("heron")).unwrap();
    let watch = lab.watch_with(setup);
    wait_for("a daemon", || lab.results().join("alive.js").exists());
    let began = Instant::now();
    lab.put("heron/lamp-01.jpg", "taken=10:00 light=3");
    wait_for("the photo", || lab.verdict("heron/lamp-01.jpg") == "good");
    assert!(began.elapsed() < settle, "it was early");
    wait_for("a second reading", || work.0.load(Ordering::SeqCst) == 2);
    assert_eq!(watch.stop().n_made, 1);
    if slitwatch::system::numbers_mean_content(&lab.inbox()) {
        assert_eq!(sweep_and_count(&lab), (0, 0));
    }
}

#[test]
fn a_restart_reads_again_only_what_may_have_changed() {
    let lab = Lab::new();
    class(&lab);
    let path = lab.inbox().join("heron/quay-01.jpg");
    // Just written: a second writing within the step of the disk's clock would not show, so nothing is relied on.
    assert_eq!(sweep_and_count(&lab), (9, 9));
    assert_eq!(sweep_and_count(&lab).0, 9);
    std::thread::sleep(Duration::from_millis(2100));
    assert_eq!(sweep_and_count(&lab), (9, 0));
    if !slitwatch::system::numbers_mean_content(&lab.inbox()) {
        eprintln!("skipped: the disk of the test is not one whose times are relied on");
        return;
    }
    assert_eq!(sweep_and_count(&lab), (0, 0));
    // Another content of the same length with the old time of writing: the time of change gives it away.
    let old = fs::metadata(&path).unwrap().modified().unwrap();
    lab.put("heron/quay-01.jpg", "taken=10:05 light=6");
    let file = fs::File::options().write(true).open(&path).unwrap();
    file.set_modified(old).unwrap();
    assert_eq!(sweep_and_count(&lab), (1, 1));
    assert_same(&lab.tree(), &lab.expected(), "after the change");
    // Renamed ones are the same file under another name, and are read under it.
    fs::rename(&path, lab.inbox().join("heron/quay-09.jpg")).unwrap();
    assert_eq!(sweep_and_count(&lab), (1, 1));
    assert_same(&lab.tree(), &lab.expected(), "after the renaming");
    // What is remembered is worth nothing in the wrong hands: nonsense is left out, and everything is read.
    fs::write(
        lab.results().join("inbox.log"),
        b"{\"version\":1}\nnonsense\n",
    )
    .unwrap();
    assert_eq!(sweep_and_count(&lab), (9, 0));
    fs::remove_dir_all(lab.results()).unwrap();
    assert_eq!(sweep_and_count(&lab), (9, 9));
    assert_same(&lab.tree(), &lab.expected(), "made anew");
}

/// Photos that were deleted, whether it ran or not, are not remembered for ever.
#[test]
fn the_memory_of_deleted_photos_is_cleared() {
    let lab = Lab::new();
    class(&lab);
    std::thread::sleep(Duration::from_millis(2100));
    lab.sweep();
    let remembered = || {
        let text = fs::read_to_string(lab.results().join("inbox.log")).unwrap();
        text.lines().filter(|l| l.contains("\"photo\"")).count()
    };
    if !slitwatch::system::numbers_mean_content(&lab.inbox()) {
        eprintln!("skipped: the disk of the test is not one whose times are relied on");
        return;
    }
    assert_eq!(remembered(), 9);
    fs::remove_dir_all(lab.inbox().join("heron")).unwrap();
    lab.sweep();
    assert_eq!(remembered(), 4);
    let watch = lab.watch();
    crate::lab::wait_for("the rest", || lab.verdict("avocet/lamp-01.jpg") == "retake");
    std::thread::sleep(Duration::from_millis(300));
    fs::remove_dir_all(lab.inbox().join("avocet")).unwrap();
    crate::lab::wait_for("its end", || lab.verdict("avocet/lamp-01.jpg") == "none");
    drop(watch);
    assert_eq!(remembered(), 2);
}

#[test]
fn what_people_put_beside_the_results_stays() {
    let lab = Lab::new();
    class(&lab);
    lab.sweep();
    fs::write(lab.results().join("marks.ods"), b"marks").unwrap();
    lab.sweep();
    assert!(lab.results().join("marks.ods").exists());
}
