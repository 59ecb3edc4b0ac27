//! Killed at every step of publishing and at random moments, a restart makes what an undisturbed run makes, and
//! a reader that polls all the while never meets half a file.

use std::fs;
use std::os::fd::AsRawFd;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg32;

use slitwatch::publish::kept::{Kept, MEASURED};

use crate::fake::photo;
use crate::lab::{Lab, asked, assert_same, wait_for};

fn put_class(lab: &Lab) {
    lab.put("heron/lamp-01.jpg", "taken=10:00 light=3");
    lab.put("heron/quay-01.jpg", "taken=10:05 light=5");
    lab.put("heron/late/quay-02.jpg", "taken=10:05 light=6");
    lab.put("dunlin/quay-01.jpg", "taken=10:05 bad");
}

/// Aborts before the n-th step, for every n until a run gets through, each time from a different state: nothing,
/// a class, and a class in which things have changed.
#[test]
fn an_abort_before_any_step_loses_nothing() {
    let lab = Lab::in_memory();
    put_class(&lab);
    let expected = lab.expected();
    let n_first = abort_at_every_step(&lab, &expected, |lab| {
        let _ = fs::remove_dir_all(lab.results());
    });
    assert!(n_first > 40, "{n_first} steps were tried");

    let changed = Lab::in_memory();
    put_class(&changed);
    changed.sweep();
    let at = |name: &str| changed.inbox().join(name);
    fs::rename(at("dunlin"), at("avocet")).unwrap();
    changed.put("heron/lamp-01.jpg", "taken=10:00 light=4");
    let expected = changed.expected();
    let keep = tempfile::tempdir().unwrap();
    copy(&changed.results(), keep.path());
    let n_second = abort_at_every_step(&changed, &expected, |lab| {
        fs::remove_dir_all(lab.results()).unwrap();
        copy(keep.path(), &lab.results());
    });
    assert!(n_second > 40, "{n_second} steps were tried");
}

/// Returns the number of steps at which the run was aborted.
fn abort_at_every_step(
    lab: &Lab,
    expected: &std::collections::BTreeMap<String, String>,
    prepare: impl Fn(&Lab),
) -> u64 {
    for n in 1.. {
        prepare(lab);
        let got_through = lab.process("sweep", Some(n)).ended_well();
        if got_through {
            return n - 1;
        }
        check_whole(&lab.results());
        lab.sweep();
        assert_same(&lab.tree(), expected, &format!("aborted before step {n}"));
    }
    unreachable!()
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().flatten() {
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// Looks at every file that a reader would, and returns their number.
fn check_whole(results: &Path) -> usize {
    let mut n = 0;
    let mut folders = vec![results.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            let path = entry.path();
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.starts_with(".making-") {
                continue;
            }
            if entry.file_type().is_ok_and(|t| t.is_dir()) {
                folders.push(path);
                continue;
            }
            // A file may be gone by now, with its folder; what is there must be whole.
            let Ok(bytes) = fs::read(&path) else { continue };
            if name == "quality.json" {
                let parsed: Result<serde_json::Value, _> = serde_json::from_slice(&bytes);
                assert!(parsed.is_ok(), "{}: half a file", path.display());
            } else if name == "inbox.log" {
                assert!(bytes.ends_with(b"}\n"), "{}: half a file", path.display());
            } else if name == MEASURED {
                assert!(
                    Kept::read(&bytes).is_some(),
                    "{}: half a file",
                    path.display()
                );
            } else {
                assert!(bytes.ends_with(b"end\n"), "{}: half a file", path.display());
            }
            n += 1;
        }
    }
    n
}

/// Number of kills: 50 in the ordinary run; `SLITWATCH_KILLS=1000` for the long one. `SLITWATCH_SEED` repeats a run.
///
/// Every second daemon aborts by itself before some step of its publishing, if it gets so far; all the others, and those
/// that do not, are killed from outside.
#[test]
fn kills_at_random_moments_lose_nothing() {
    let n_kills = asked("SLITWATCH_KILLS").unwrap_or(50);
    let seed = asked("SLITWATCH_SEED").unwrap_or_else(|| {
        let now = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .unwrap();
        u64::from(now.subsec_nanos())
    });
    eprintln!("SLITWATCH_KILLS={n_kills} SLITWATCH_SEED={seed}");
    let mut random = Pcg32::seed_from_u64(seed);
    let lab = Lab::new();
    lab.put_config(true, "neon");
    let over = AtomicBool::new(false);
    let n_seen = AtomicUsize::new(0);
    let (mut n_aborted, mut n_half_made) = (0, 0);
    std::thread::scope(|scope| {
        let reader = scope.spawn(|| {
            while !over.load(Ordering::SeqCst) {
                n_seen.fetch_add(check_whole(&lab.results()), Ordering::SeqCst);
                check_folders(&lab.results());
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        for i in 0..n_kills {
            // A photo's folder takes 14 steps, and a start often has a few to publish.
            let crash_at = (i % 2 == 0).then(|| random.random_range(1..60));
            let daemon = lab.process("watch", crash_at);
            for _ in 0..random.random_range(1..6) {
                disturb(&lab, &mut random);
                std::thread::sleep(Duration::from_millis(random.random_range(0..80)));
            }
            if random.random_range(0..4) == 0 {
                // Long enough for a listing after the last change.
                std::thread::sleep(Duration::from_millis(random.random_range(200..600)));
            }
            n_aborted += u64::from(daemon.kill_or_find_aborted());
            n_half_made += u64::from(has_something_half_made(&lab.results()));
            assert!(
                !reader.is_finished(),
                "seed {seed}: the reader has met half a file"
            );
        }
        let daemon = lab.process("watch", None);
        lab.wait_until_done();
        // And an edit that nothing disturbs any more.
        lab.put_config(true, "the last lamp");
        lab.wait_until_done();
        drop(daemon);
        over.store(true, Ordering::SeqCst);
    });
    let has_cards = lab.tree().keys().any(|name| name.contains("/cards/"));
    assert!(has_cards, "no card was ever drawn");
    let n_seen = n_seen.load(Ordering::SeqCst);
    eprintln!(
        "{n_kills} kills, {n_aborted} of them between two steps, {n_half_made} that left something half made; \
         {n_seen} files read meanwhile"
    );
    assert!(n_seen > 100, "the reader saw something");
    assert!(
        n_aborted >= n_kills / 10,
        "the daemons lived too short to publish"
    );
    assert_same(&lab.tree(), &lab.expected(), &format!("seed {seed}"));
    lab.sweep();
    assert_same(&lab.tree(), &lab.expected(), &format!("seed {seed}, swept"));
}

fn has_something_half_made(results: &Path) -> bool {
    crate::real::files_below(results)
        .iter()
        .any(|name| name.contains(".making-"))
}

/// Looks into every photo's folder as one that holds it open would, and asks that it is all of one making.
fn check_folders(results: &Path) {
    for name in crate::real::files_below(results) {
        let Some(folder) = name.strip_suffix("/quality.json") else {
            continue;
        };
        if folder.contains(".making-") {
            continue;
        }
        let path = results.join(folder);
        let Ok(open) = fs::File::open(&path) else {
            continue;
        };
        let here = std::path::PathBuf::from(format!("/proc/self/fd/{}", open.as_raw_fd()));
        let Ok(quality) = fs::read(here.join("quality.json")) else {
            continue;
        };
        let quality: serde_json::Value = serde_json::from_slice(&quality).expect("whole JSON");
        let has_spectrum = here.join("spectrum.csv").exists();
        // One that was replaced since may be on its way out, file by file.
        let still_stands = fs::metadata(&path)
            .is_ok_and(|now| Some(now.ino()) == open.metadata().ok().map(|held| held.ino()));
        if still_stands {
            assert_eq!(
                quality["verdict"] == "good",
                has_spectrum,
                "{folder}: half a folder"
            );
        }
    }
}

/// One thing that happens to an inbox: a photo comes whole, in two parts, or under a temporary name; is replaced, renamed
/// within its bench or to another one, deleted, or deleted and put back; a card comes back from a phone's gallery; the
/// configuration or the lamps that it names are edited, for a moment to something that cannot be used.
fn disturb(lab: &Lab, random: &mut Pcg32) {
    let benches = ["heron", "dunlin", "avocet"];
    let bench = benches[random.random_range(0..3)];
    let kind = ["lamp", "dark", "blank", "quay", "quay", "quay"][random.random_range(0..6)];
    let name = format!("{bench}/{kind}-{}.jpg", random.random_range(0..4));
    let path = lab.inbox().join(&name);
    let words = format!(
        "taken=10:{:02} light={} {}",
        random.random_range(0..60),
        random.random_range(1..9),
        if random.random_range(0..5) == 0 {
            "bad"
        } else {
            ""
        }
    );
    match random.random_range(0..10) {
        0 => {
            let _ = fs::remove_file(path);
        }
        1 => {
            let other = format!("{bench}/{kind}-{}.jpg", random.random_range(0..4));
            let _ = fs::rename(path, lab.inbox().join(other));
        }
        2 => {
            // In two parts, with a pause.
            let bytes = photo(&words);
            lab.put_bytes(&name, &bytes[..30]);
            std::thread::sleep(Duration::from_millis(random.random_range(0..100)));
            lab.put_bytes(&name, &bytes);
        }
        3 => {
            lab.put(&format!("{bench}/.{kind}.jpg.~1f"), &words);
            let _ = fs::rename(lab.inbox().join(format!("{bench}/.{kind}.jpg.~1f")), path);
        }
        4 => {
            if let Ok(bytes) = fs::read(&path) {
                let _ = fs::remove_file(&path);
                std::thread::sleep(Duration::from_millis(random.random_range(0..100)));
                lab.put_bytes(&name, &bytes);
            }
        }
        5 => {
            let other = benches[random.random_range(0..3)];
            let _ = fs::create_dir(lab.inbox().join(other));
            let _ = fs::rename(path, lab.inbox().join(format!("{other}/{kind}-moved.jpg")));
        }
        6 => lab.put(&format!("{name}.card.png"), "a card"),
        7 => {
            match random.random_range(0..3) {
                0 => lab.put_beside("lab.conf", "unusable"),
                1 => {
                    let _ = fs::remove_file(lab.beside("lamps.conf"));
                }
                _ => {}
            }
            std::thread::sleep(Duration::from_millis(random.random_range(0..100)));
            let lamps = format!("lamp {}", random.random_range(0..9));
            lab.put_config(random.random_range(0..2) == 0, &lamps);
        }
        _ => lab.put(&name, &words),
    }
}

#[test]
fn a_reader_never_meets_half_a_file_while_everything_is_made_again() {
    let lab = Lab::new();
    for i in 0..8 {
        lab.put(&format!("heron/quay-{i}.jpg"), "light=5");
    }
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let reader = scope.spawn(|| {
            let mut n = 0;
            while !over.load(Ordering::SeqCst) {
                n += check_whole(&lab.results());
                // Once published, a photo's folder is always there.
                if n > 0 && lab.results().join("quality.csv").exists() {
                    assert!(lab.results().join("heron/quay-0.jpg/quality.json").exists());
                }
            }
            n
        });
        let watch = lab.watch();
        wait_for("the first results", || lab.tree().len() > 8);
        for light in 0..10 {
            lab.put("heron/lamp-01.jpg", &format!("light={light}"));
            std::thread::sleep(Duration::from_millis(150));
        }
        lab.wait_until_done();
        drop(watch);
        over.store(true, Ordering::SeqCst);
        assert!(reader.join().unwrap() > 200);
    });
}
