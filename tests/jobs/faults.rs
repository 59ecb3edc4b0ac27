//! Disks fill up, folders vanish, programs fail: the others' photos go on, and nothing is lost.

use std::fs;
use std::io::ErrorKind;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use slitwatch::classify::Decision;
use slitwatch::decode::Facts;
use slitwatch::publish::Trap;
use slitwatch::run::{
    self, Bell, Class, Fate, Gone, Job, Mode, Outcome, Reload, Setup, Sink, Work, reload,
};

use crate::fake::{Fake, photo};
use crate::lab::{Lab, asked, assert_same, wait_for};
use crate::mounts::Mount;

#[test]
fn a_panic_costs_that_photo_only_and_is_not_tried_for_ever() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "panic");
    lab.put("heron/quay-02.jpg", "panic-always");
    lab.put("heron/quay-03.jpg", "light=5");
    let report = lab.sweep();
    assert!(report.failures.is_empty(), "{:?}", report.failures);
    assert_eq!(lab.verdict("heron/quay-01.jpg"), "unreadable");
    assert_eq!(lab.verdict("heron/quay-02.jpg"), "unreadable");
    assert_eq!(lab.verdict("heron/quay-03.jpg"), "good");
    let advice = lab.quality("heron/quay-01.jpg").unwrap()["reasons"][0]["advice"].to_string();
    assert!(advice.contains("planted"), "{advice}");
    assert_eq!(lab.sweep().n_made, 0);
}

const NO_SPACE: i32 = 28;
const DENIED: i32 = 13;

#[test]
fn a_full_disk_for_a_while_loses_nothing_and_needs_no_restart() {
    for errno in [NO_SPACE, DENIED] {
        let lab = Lab::new();
        for i in 0..4 {
            lab.put(&format!("heron/quay-{i}.jpg"), "light=5");
        }
        lab.put("heron/lamp-01.jpg", "light=3");
        let trap = Trap::failing(12..16, errno);
        let (bell, ears) = Bell::new();
        let setup = lab.setup();
        let daemon = std::thread::spawn(move || {
            run::run(Mode::Watch, setup, ears, &mut reload::Never, trap)
        });
        lab.wait_until_done();
        bell.stop();
        let report = daemon.join().unwrap().unwrap();
        assert!(!report.failures.is_empty(), "it did fail");
    }
}

/// A real disk of 256 KiB. Mounting one needs rights that not everybody has: without them this says so, and the injected
/// errors above stand alone. It stays full for 1.5 s, or for `SLITWATCH_FULL_DISK_S` seconds.
#[test]
fn a_real_full_disk_loses_nothing_once_there_is_room() {
    let lab = Lab::new();
    let Some(disk) = Mount::small_disk(&lab.results()) else {
        return;
    };
    lab.put("heron/lamp-01.jpg", "light=3");
    for i in 0..8 {
        lab.put(&format!("heron/quay-{i}.jpg"), "light=5");
    }
    let ballast = lab.results().join("ballast");
    fs::write(&ballast, vec![1; 150 << 10]).unwrap();
    let watch = lab.watch();
    wait_for("the first results", || {
        lab.verdict("heron/lamp-01.jpg") == "good"
    });
    let full_ms = asked("SLITWATCH_FULL_DISK_S").map_or(1500, |s| s * 1000);
    std::thread::sleep(Duration::from_millis(full_ms));
    let n_before = lab
        .tree()
        .keys()
        .filter(|n| n.ends_with("/quality.json"))
        .count();
    assert!(watch.is_running(), "no restart needed");
    fs::remove_file(&ballast).unwrap();
    let room_again = Instant::now();
    lab.wait_until_done();
    eprintln!(
        "full for {full_ms} ms with {n_before} of 9 photos published; all of them {:?} after there was room",
        room_again.elapsed()
    );
    drop(watch);
    drop(disk);
    assert!(
        n_before < 9,
        "the disk was full: {n_before} of 9 photos had found room"
    );
}

#[test]
fn a_results_disk_that_became_read_only_is_waited_for() {
    let lab = Lab::new();
    let Some(disk) = Mount::small_disk(&lab.results()) else {
        return;
    };
    lab.put("heron/lamp-01.jpg", "light=3");
    let watch = lab.watch();
    wait_for("the lamp", || lab.verdict("heron/lamp-01.jpg") == "good");
    std::thread::sleep(Duration::from_millis(700));
    assert!(disk.remount("ro"));
    lab.put("heron/quay-01.jpg", "light=5");
    std::thread::sleep(Duration::from_millis(900));
    assert!(watch.is_running());
    assert_eq!(lab.verdict("heron/quay-01.jpg"), "none");
    assert!(disk.remount("rw"));
    lab.wait_until_done();
    drop(watch);
}

#[test]
fn a_file_that_the_disk_does_not_give_holds_up_no_other() {
    let lab = Lab::new();
    lab.put("avocet/quay-01.jpg", "slow-header=9000");
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "light=5");
    let watch = lab.watch();
    wait_for("the others", || lab.verdict("heron/quay-01.jpg") == "good");
    assert_eq!(lab.verdict("avocet/quay-01.jpg"), "none");
    wait_for("the slow one", || {
        lab.verdict("avocet/quay-01.jpg") == "waiting"
    });
    drop(watch);
}

/// A library that, laid before the system's own, never answers when a file is read whose name begins with `stuck-`, as a
/// network's disk does that is gone, until there is a file where `STUCK_UNTIL` says.
const STUCK_DISK: &str = r#"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>
ssize_t read(int fd, void *buffer, size_t n) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    path[length > 0 ? length : 0] = 0;
    const char *until = getenv("STUCK_UNTIL");
    while (until && strstr(path, "/stuck-") && access(until, F_OK) != 0)
        usleep(10000);
    return syscall(SYS_read, fd, buffer, n);
}
"#;

/// Compiles a library to be laid before the system's own; `None`, and a word, where that cannot be done.
fn library(lab: &Lab, text: &str) -> Option<String> {
    let (source, library) = (lab.beside("before.c"), lab.beside("before.so"));
    fs::write(&source, text).unwrap();
    let compiled = std::process::Command::new("cc")
        .args(["-shared", "-fPIC", "-D_GNU_SOURCE", "-o"])
        .args([&library, &source])
        .status();
    if compiled.is_ok_and(|status| status.success()) {
        return Some(library.display().to_string());
    }
    eprintln!("skipped: there is no C compiler to come between the program and the system");
    None
}

/// Reads that never end, more of them than there are workers.
#[test]
fn reads_that_never_end_cost_those_photos_only_and_for_no_longer_than_that() {
    let lab = Lab::new();
    let Some(stuck) = library(&lab, STUCK_DISK) else {
        return;
    };
    let names: Vec<String> = (0..6).map(|i| format!("avocet/stuck-{i}.jpg")).collect();
    for (i, name) in names.iter().enumerate() {
        // Not the same bytes: which copy is told of which other may still change when the daemon is asked to end.
        lab.put(name, &format!("light={}", 20 + i));
    }
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "light=5");
    let until = lab.beside("until");
    let environment = [
        ("LD_PRELOAD", stuck),
        ("STUCK_UNTIL", until.display().to_string()),
        ("JOBS_GIVE_UP_MS", "1500".to_owned()),
    ];
    let all_say = |word: &str| {
        names.iter().all(|name| {
            let quality = lab.quality(name).unwrap_or_default();
            quality["reasons"][0]["advice"]
                .as_str()
                .is_some_and(|advice| advice.contains(word))
        })
    };
    let sweep = lab.process_through(&[], "sweep", &environment);
    assert!(sweep.ends_well_soon(), "the sweep does not end");
    assert!(all_say("does not answer"), "{:?}", lab.quality(&names[0]));
    assert_eq!(lab.verdict("heron/quay-01.jpg"), "good");
    fs::remove_dir_all(lab.results()).unwrap();

    let daemon = lab.process_through(&[], "watch", &environment);
    wait_for("the others", || lab.verdict("heron/quay-01.jpg") == "good");
    wait_for("a word on the stuck ones", || all_say("does not answer"));
    // What comes later is not held up either.
    lab.put("heron/quay-02.jpg", "light=6");
    wait_for("the next", || lab.verdict("heron/quay-02.jpg") == "good");
    fs::write(&until, b"").unwrap();
    wait_for("the disk's answer", || {
        names.iter().all(|name| lab.verdict(name) == "waiting")
    });
    daemon.interrupt();
    assert!(daemon.ends_well_soon());
    assert_same(&lab.tree(), &lab.expected(), "after the disk came back");
}

/// Making the class's tables and pages takes as long as the gate is shut.
#[test]
fn summaries_that_take_long_hold_up_neither_photos_nor_the_service_manager() {
    let lab = Lab::new();
    let gate = lab.beside("gate");
    fs::write(&gate, b"shut").unwrap();
    let socket = std::os::unix::net::UnixDatagram::bind(lab.beside("notify")).unwrap();
    socket
        .set_read_timeout(Some(Duration::from_secs(20)))
        .unwrap();
    let environment = [
        ("JOBS_GATE", gate.display().to_string()),
        ("NOTIFY_SOCKET", lab.beside("notify").display().to_string()),
        ("WATCHDOG_USEC", "400000".to_owned()),
    ];
    lab.put("heron/lamp-01.jpg", "light=3");
    let daemon = lab.process_through(&[], "watch", &environment);
    wait_for("the lamp", || lab.verdict("heron/lamp-01.jpg") == "good");
    // Long enough for the summaries to be due.
    std::thread::sleep(Duration::from_millis(700));
    lab.put("heron/quay-01.jpg", "light=5");
    wait_for("the next photo", || {
        lab.verdict("heron/quay-01.jpg") == "good"
    });
    assert!(!lab.results().join("quality.csv").exists());
    let mut n_alive = 0;
    while n_alive < 6 {
        let mut buffer = [0; 1024];
        let n = socket.recv(&mut buffer).expect("a sign of life");
        n_alive += usize::from(String::from_utf8_lossy(&buffer[..n]).contains("WATCHDOG=1"));
    }
    // Asked to end, it still writes them.
    daemon.interrupt();
    std::thread::sleep(Duration::from_millis(300));
    fs::remove_file(&gate).unwrap();
    assert!(daemon.ends_well_soon());
    assert_same(&lab.tree(), &lab.expected(), "after the gate was opened");
}

#[test]
fn a_sweep_on_a_full_disk_says_so_and_the_next_one_makes_up_for_it() {
    let lab = Lab::new();
    for i in 0..4 {
        lab.put(&format!("heron/quay-{i}.jpg"), "light=5");
    }
    let trap = Trap::failing(12..u64::MAX, NO_SPACE);
    let sweep = Mode::Sweep;
    let ears = Bell::new().1;
    let report = run::run(sweep, lab.setup(), ears, &mut reload::Never, trap).unwrap();
    assert!(
        report.failures[0].contains("heron"),
        "{:?}",
        report.failures
    );
    lab.sweep();
    assert_same(
        &lab.tree(),
        &lab.expected(),
        "after the disk had room again",
    );
}

#[test]
fn one_photo_that_cannot_be_published_does_not_hold_up_the_others() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("dunlin/quay-01.jpg", "light=5");
    lab.put("heron/quay-02.jpg", "light=5");
    fs::create_dir_all(lab.results()).unwrap();
    // Somebody's file where a bench's folder should be.
    fs::write(lab.results().join("dunlin"), b"mine").unwrap();
    let report = lab.sweep();
    assert!(
        report.failures.iter().any(|f| f.contains("dunlin")),
        "{:?}",
        report.failures
    );
    assert_eq!(lab.verdict("heron/quay-02.jpg"), "good");
    assert_eq!(fs::read(lab.results().join("dunlin")).unwrap(), b"mine");
}

#[test]
fn the_inbox_goes_away_and_comes_back() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    let watch = lab.watch();
    wait_for("the photo", || lab.verdict("heron/lamp-01.jpg") == "good");
    let away = lab.inbox().with_file_name("away");
    fs::rename(lab.inbox(), &away).unwrap();
    std::thread::sleep(Duration::from_millis(600));
    assert!(watch.is_running());
    assert_eq!(lab.verdict("heron/lamp-01.jpg"), "good", "the results stay");
    fs::rename(&away, lab.inbox()).unwrap();
    lab.put("heron/quay-01.jpg", "light=5");
    wait_for("the next photo", || {
        lab.verdict("heron/quay-01.jpg") == "good"
    });
    drop(watch);
}

/// What an unmounted disk leaves behind is an empty folder in its place. Whoever takes that for the inbox throws the whole
/// class's results away.
#[test]
fn an_empty_folder_in_the_inbox_s_place_is_not_taken_for_the_inbox() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    let watch = lab.watch();
    wait_for("the photo", || lab.verdict("heron/lamp-01.jpg") == "good");
    let away = lab.beside("away");
    fs::rename(lab.inbox(), &away).unwrap();
    fs::create_dir(lab.inbox()).unwrap();
    std::thread::sleep(Duration::from_millis(700));
    assert_eq!(lab.verdict("heron/lamp-01.jpg"), "good", "the results stay");
    fs::remove_dir(lab.inbox()).unwrap();
    fs::rename(&away, lab.inbox()).unwrap();
    lab.put("heron/quay-01.jpg", "light=5");
    wait_for("the next photo", || {
        lab.verdict("heron/quay-01.jpg") == "good"
    });
    // Once there is something in it, it is the inbox, whatever became of the old one.
    fs::rename(lab.inbox(), &away).unwrap();
    lab.put("dunlin/quay-01.jpg", "light=5");
    lab.wait_until_done();
    // And one that is emptied photo by photo is empty.
    fs::remove_file(lab.inbox().join("dunlin/quay-01.jpg")).unwrap();
    lab.wait_until_done();
    drop(watch);
}

/// The inbox on a disk of its own, as a card or a share would be: goes, also while the daemon is restarted, and comes back.
#[test]
fn an_unmounted_inbox_costs_no_results_not_even_over_a_restart() {
    let lab = Lab::new();
    let Some(disk) = Mount::small_disk(&lab.inbox()) else {
        return;
    };
    lab.put("heron/lamp-01.jpg", "light=3");
    let keep = lab.beside("keep.jpg");
    fs::copy(lab.inbox().join("heron/lamp-01.jpg"), &keep).unwrap();
    let watch = lab.watch();
    wait_for("the photo", || lab.verdict("heron/lamp-01.jpg") == "good");
    drop(disk);
    assert_eq!(fs::read_dir(lab.inbox()).unwrap().count(), 0);
    std::thread::sleep(Duration::from_millis(600));
    assert_eq!(lab.verdict("heron/lamp-01.jpg"), "good", "the results stay");
    drop(watch);
    let watch = lab.watch();
    std::thread::sleep(Duration::from_millis(600));
    assert_eq!(
        lab.verdict("heron/lamp-01.jpg"),
        "good",
        "after a restart, too"
    );
    drop(watch);
    let refused = lab.try_sweep().unwrap_err();
    assert!(refused.to_string().contains("unmounted"), "{refused}");
    assert_eq!(lab.verdict("heron/lamp-01.jpg"), "good");
    let watch = lab.watch();
    let disk = Mount::small_disk(&lab.inbox()).unwrap();
    fs::create_dir(lab.inbox().join("heron")).unwrap();
    fs::copy(&keep, lab.inbox().join("heron/lamp-01.jpg")).unwrap();
    lab.put("heron/quay-01.jpg", "light=5");
    lab.wait_until_done();
    drop(watch);
    drop(disk);
}

/// A library that, laid before the system's own, makes the clock that people set jump by more than a year, to and fro,
/// every 300 ms. The clock that nobody can set goes on.
const JUMPING_CLOCK: &str = r"
#include <time.h>
#include <unistd.h>
#include <sys/syscall.h>
int clock_gettime(clockid_t clock, struct timespec *t) {
    int result = syscall(SYS_clock_gettime, clock, t);
    if (result == 0 && clock == CLOCK_REALTIME) {
        struct timespec steady;
        syscall(SYS_clock_gettime, CLOCK_MONOTONIC, &steady);
        long turn = (steady.tv_sec * 10 + steady.tv_nsec / 100000000) / 3 % 3;
        t->tv_sec += (turn - 1) * 400L * 86400L;
    }
    return result;
}
";

#[test]
fn a_clock_that_jumps_changes_nothing() {
    let lab = Lab::new();
    let Some(library) = library(&lab, JUMPING_CLOCK) else {
        return;
    };
    lab.put("heron/lamp-01.jpg", "taken=10:00 light=3");
    let jumping = [("LD_PRELOAD", library)];
    let daemon = lab.process_through(&[], "watch", &jumping);
    let bytes = photo("taken=10:05 light=5");
    for i in 0..6 {
        // In two parts, across a jump.
        lab.put_bytes(&format!("heron/quay-{i}.jpg"), &bytes[..40]);
        std::thread::sleep(Duration::from_millis(170));
        lab.put(
            &format!("heron/quay-{i}.jpg"),
            &format!("taken=10:05 light={i}"),
        );
    }
    lab.wait_until_done();
    let is_published = |line: &&str| line.contains("published") && line.contains("changed=true");
    let said = lab.said();
    let n_made = said.lines().filter(is_published).count();
    // The clock did jump: the log's times differ by more than a year.
    let years: std::collections::BTreeSet<&str> = said.lines().filter_map(|l| l.get(..4)).collect();
    assert!(years.len() > 1, "the clock did not jump: {years:?}");
    std::thread::sleep(Duration::from_millis(700));
    let n_later = lab.said().lines().filter(is_published).count();
    assert_eq!(
        n_later, n_made,
        "nothing is made again because of the clock"
    );
    drop(daemon);
    // What it remembers of its reading is remembered only where the clock gives no doubt.
    lab.put("heron/quay-0.jpg", "taken=10:05 light=9");
    lab.sweep();
    assert_same(&lab.tree(), &lab.expected(), "after the jumps");
}

#[test]
fn the_results_are_deleted_while_it_runs() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "light=5");
    let watch = lab.watch();
    lab.wait_until_done();
    // The program may put something in just then: whoever deletes tries again.
    while let Err(error) = fs::remove_dir_all(lab.results()) {
        assert_eq!(error.kind(), ErrorKind::DirectoryNotEmpty, "{error}");
    }
    lab.wait_until_done();
    drop(watch);
}

/// Hands out one new configuration after another.
struct Scripted(Vec<Result<Setup, String>>);

impl Reload for Scripted {
    fn changed(&mut self, forced: bool) -> Option<Result<Setup, String>> {
        if forced && !self.0.is_empty() {
            Some(self.0.remove(0))
        } else {
            None
        }
    }
}

/// The same worker under rules that leave every photo alone whose name begins with `quay`.
struct NoQuay;

impl Work for NoQuay {
    fn facts(&self, bytes: &[u8]) -> Facts {
        Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        let ending = if photo.contains("quay") { ".txt" } else { "" };
        Fake.decide(&format!("{photo}{ending}"), facts)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        Fake.measure(job, bytes, fate)
    }
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        Fake.summaries(class, out)
    }
}

#[test]
fn an_edited_configuration_is_picked_up_and_a_broken_one_is_not() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "light=5");
    let mut next = lab.setup();
    next.work = Arc::new(NoQuay);
    next.orders.configuration_hash = "without the quay".to_owned();
    let mut script = Scripted(vec![Err("line 3: no such rule".to_owned()), Ok(next)]);
    let (bell, ears) = Bell::new();
    let setup = lab.setup();
    let daemon = std::thread::spawn(move || run::watch(setup, ears, &mut script));
    wait_for("the photo", || lab.verdict("heron/quay-01.jpg") == "good");
    bell.reload();
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(
        lab.verdict("heron/quay-01.jpg"),
        "good",
        "the old one stays in force"
    );
    bell.reload();
    wait_for("the new rule", || {
        lab.verdict("heron/quay-01.jpg") == "ignored"
    });
    wait_for("the new hash", || {
        let quality = lab.quality("heron/lamp-01.jpg").unwrap();
        quality["provenance"]["configuration_hash"] == "without the quay"
    });
    bell.stop();
    daemon.join().unwrap().unwrap();
}

#[test]
fn a_configuration_file_is_loaded_when_it_changed_and_only_then() {
    let lab = Lab::new();
    let path = lab.inbox().with_file_name("lab.yaml");
    fs::write(&path, "one").unwrap();
    let n_loads = Arc::new(AtomicU32::new(0));
    let counter = n_loads.clone();
    let setup = lab.setup();
    let words = lab.inbox().with_file_name("words.yaml");
    fs::write(&words, "advice").unwrap();
    let names = vec![words.clone()];
    let opened = reload::FromFile::open(&path, move |_: &std::path::Path| {
        counter.fetch_add(1, Ordering::SeqCst);
        Ok((setup.clone(), names.clone()))
    });
    let (mut file, _) = opened.unwrap();
    // Once more after it was known which files it names.
    assert_eq!(n_loads.swap(0, Ordering::SeqCst), 2);
    assert!(file.changed(false).is_none());
    fs::write(&words, "better advice").unwrap();
    assert!(
        file.changed(false).is_some(),
        "a file that it names counts, too"
    );
    fs::write(&path, "two!").unwrap();
    assert!(file.changed(false).is_some());
    assert!(file.changed(false).is_none());
    fs::remove_file(&path).unwrap();
    assert!(file.changed(false).is_none(), "an editor replaces the file");
    assert_eq!(n_loads.load(Ordering::SeqCst), 2);
}

/// A worker that states another origin than it was given.
struct Unsound;

impl Work for Unsound {
    fn facts(&self, bytes: &[u8]) -> Facts {
        Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        Fake.decide(photo, facts)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        let mut outcome = Fake.measure(job, bytes, fate)?;
        if job.origin.photo.contains("quay") {
            outcome.files.retain(|(name, _)| name != "quality.json");
        }
        Ok(outcome)
    }
    fn summaries(&self, _class: &Class<'_>, _out: &mut dyn Sink) {
        panic!("planted");
    }
}

#[test]
fn a_faulty_worker_ends_nothing_and_is_reported() {
    let lab = Lab::new();
    lab.put("heron/lamp-01.jpg", "light=3");
    lab.put("heron/quay-01.jpg", "light=5");
    let mut setup = lab.setup();
    setup.work = Arc::new(Unsound);
    let report = run::sweep(setup, Bell::new().1).unwrap();
    assert_eq!(lab.verdict("heron/lamp-01.jpg"), "good");
    assert_eq!(report.failures.len(), 2, "{:?}", report.failures);
}
