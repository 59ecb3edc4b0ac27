//! Killed at every step of publishing and at random moments, a restart makes what an undisturbed run makes, and
//! a reader that polls all the while never meets half a file.

use std::fs;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg32;

use crate::fake::photo;
use crate::lab::{Lab, assert_same, wait_for};

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
            } else {
                assert!(bytes.ends_with(b"end\n"), "{}: half a file", path.display());
            }
            n += 1;
        }
    }
    n
}

/// Number of kills: 12 in the ordinary run; `SLITWATCH_KILLS=1000` for the long one. `SLITWATCH_SEED` repeats a run.
#[test]
fn kills_at_random_moments_lose_nothing() {
    let number = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<u64>().ok());
    let n_kills = number("SLITWATCH_KILLS").unwrap_or(12);
    let seed = number("SLITWATCH_SEED").unwrap_or_else(|| {
        let now = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .unwrap();
        u64::from(now.subsec_nanos())
    });
    eprintln!("SLITWATCH_SEED={seed}");
    let mut random = Pcg32::seed_from_u64(seed);
    let lab = Lab::new();
    let over = AtomicBool::new(false);
    let n_seen = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !over.load(Ordering::SeqCst) {
                n_seen.fetch_add(check_whole(&lab.results()), Ordering::SeqCst);
                std::thread::sleep(Duration::from_millis(1));
            }
        });
        for _ in 0..n_kills {
            let daemon = lab.process("watch", None);
            for _ in 0..random.random_range(1..6) {
                disturb(&lab, &mut random);
                std::thread::sleep(Duration::from_millis(random.random_range(0..80)));
            }
            daemon.kill();
        }
        let daemon = lab.process("watch", None);
        lab.wait_until_done();
        drop(daemon);
        over.store(true, Ordering::SeqCst);
    });
    assert!(
        n_seen.load(Ordering::SeqCst) > 100,
        "the reader saw something"
    );
    lab.sweep();
    assert_same(&lab.tree(), &lab.expected(), &format!("seed {seed}"));
}

/// One thing that happens to an inbox.
fn disturb(lab: &Lab, random: &mut Pcg32) {
    let bench = ["heron", "dunlin", "avocet"][random.random_range(0..3)];
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
    match random.random_range(0..6) {
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
