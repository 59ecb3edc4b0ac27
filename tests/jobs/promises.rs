//! What holds whatever happens: the inbox and the configuration determine the results, by any road.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::os::unix::fs::MetadataExt;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg32;

use crate::real::{
    Place, SWEPT, assert_same_tree, demo_bytes, demo_photos, files_below, shipped, stderr,
};

/// Time of last change and file number of everything below.
fn stamps(root: &Path) -> BTreeMap<String, (SystemTime, u64)> {
    let stamp = |name: String| {
        let metadata = fs::metadata(root.join(&name)).unwrap();
        (name, (metadata.modified().unwrap(), metadata.ino()))
    };
    files_below(root).into_iter().map(stamp).collect()
}

#[test]
fn a_second_sweep_changes_nothing_and_the_inbox_is_never_touched() {
    let place = Place::new();
    place.put_demo(|photo| photo.starts_with("heron/lamp") || photo.ends_with("notes.txt"));
    let inbox = stamps(&place.inbox());
    assert_eq!(place.run(&["sweep"]).status.code(), Some(0));
    let results = stamps(&place.results());
    let again = place.run(&["sweep"]);
    assert_eq!(again.status.code(), Some(0));
    assert!(
        stderr(&again).contains("0 made anew, 0 removed"),
        "{}",
        stderr(&again)
    );
    assert_eq!(stamps(&place.results()), results);
    assert_eq!(stamps(&place.inbox()), inbox);
}

/// Somebody opened a published spectrum in a spreadsheet and saved it: that costs the one table that holds it, which stays
/// as it was.
#[test]
fn a_damaged_spectrum_costs_no_other_table() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/lamp-01.jpg");
    assert_eq!(place.run(&["sweep"]).status.code(), Some(0));
    let spectra = fs::read(place.results().join("spectra.csv")).unwrap();
    let damaged = place.results().join("heron/lamp-01.jpg/spectrum.csv");
    fs::write(&damaged, "wavelength_nm,signal\n1;2\n").unwrap();
    place.put("heron/notes.txt", b"the lamp at the ferry steps");
    let output = place.run(&["sweep"]);
    assert_eq!(output.status.code(), Some(1));
    let said = stderr(&output);
    assert!(said.contains("spectrum.csv of heron/lamp-01.jpg"), "{said}");
    assert_eq!(place.rows("quality.csv").len(), 2);
    assert_eq!(
        fs::read(place.results().join("spectra.csv")).unwrap(),
        spectra
    );
    // What it says is done: the folder is deleted, and made again.
    fs::remove_dir_all(damaged.parent().unwrap()).unwrap();
    assert_eq!(place.run(&["sweep"]).status.code(), Some(0));
    assert_eq!(
        fs::read(place.results().join("spectra.csv")).unwrap(),
        spectra
    );
}

#[test]
fn one_worker_makes_what_four_make() {
    let place = Place::new();
    place.put_demo(|_| true);
    assert_eq!(
        place.run(&["sweep", "--workers", "1"]).status.code(),
        Some(0)
    );
    assert_same_tree(&place.tree(), &SWEPT.tree, "one worker");
}

/// Photos come in pieces, under temporary names and whole, the lamps last of all.
#[test]
fn a_daemon_makes_of_a_slow_evening_what_a_sweep_makes_of_its_end() {
    let place = Place::new();
    let daemon = place.start(&["watch"]);
    let is_lamp = |photo: &str| photo.contains("/lamp");
    let photos = demo_photos();
    let (lamps, others): (Vec<&String>, Vec<&String>) =
        photos.iter().partition(|photo| is_lamp(photo));
    for (i, photo) in others.into_iter().rev().chain(lamps).enumerate() {
        let bytes = demo_bytes(photo);
        let target = place.inbox().join(photo);
        fs::create_dir_all(target.parent().unwrap()).unwrap();
        match i % 3 {
            0 => fs::write(&target, &bytes).unwrap(),
            1 => {
                let hidden = target.with_file_name(format!(".{i}.part"));
                fs::write(&hidden, &bytes).unwrap();
                fs::rename(&hidden, &target).unwrap();
            }
            _ => {
                let mut file = fs::File::create(&target).unwrap();
                for piece in bytes.chunks(bytes.len() / 5) {
                    file.write_all(piece).unwrap();
                    std::thread::sleep(Duration::from_millis(40));
                }
            }
        }
    }
    let table = &SWEPT.tree["quality.csv"];
    place.wait_for("the sweep's table", || {
        fs::read(place.results().join("quality.csv")).is_ok_and(|text| text == *table)
    });
    assert_eq!(daemon.stop(), Some(0));
    assert_same_tree(&place.tree(), &SWEPT.tree, "watched");
}

#[test]
fn a_killed_daemon_is_gone_on_from() {
    // Two benches: the course of the others is the same.
    let of_these = |name: &str| name.starts_with("heron/") || name.starts_with("dunlin/");
    let place = Place::new();
    place.put_demo(of_these);
    let mut random = Pcg32::seed_from_u64(11);
    for _ in 0..5 {
        let daemon = place.start(&["watch"]);
        std::thread::sleep(Duration::from_millis(random.random_range(300..2600)));
        daemon.kill();
        for name in files_below(&place.results()) {
            // What is being made has a name that begins with a dot.
            if name.ends_with("/quality.json") && !name.contains("/.") {
                let bytes = fs::read(place.results().join(&name)).unwrap();
                let parsed: Result<serde_json::Value, _> = serde_json::from_slice(&bytes);
                assert!(parsed.is_ok(), "{name}: half a file");
            }
        }
    }
    assert_eq!(place.run(&["sweep"]).status.code(), Some(0));
    let in_benches = |tree: &BTreeMap<String, Vec<u8>>| -> BTreeMap<String, Vec<u8>> {
        let own = tree.iter().filter(|(name, _)| of_these(name));
        own.map(|(name, bytes)| (name.clone(), bytes.clone()))
            .collect()
    };
    assert_same_tree(
        &in_benches(&place.tree()),
        &in_benches(&SWEPT.tree),
        "killed",
    );
}

/// The configuration asks that a file has not changed for 2 s; the verdict may take 2 s more.
#[test]
fn a_verdict_comes_soon_after_its_photo() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/lamp-01.jpg");
    let daemon = place.start(&["watch"]);
    let lamp = place.results().join("heron/lamp-01.jpg/quality.json");
    place.wait_for("the lamp", || lamp.exists());
    let mut waits = Vec::new();
    for photo in [
        "heron/quay-sodium.jpg",
        "heron/helium-sign.jpg",
        "heron/pocket.jpg",
    ] {
        let hidden = place.path("coming.jpg");
        fs::write(&hidden, demo_bytes(photo)).unwrap();
        fs::File::options()
            .write(true)
            .open(&hidden)
            .unwrap()
            .set_modified(SystemTime::now())
            .unwrap();
        let began = Instant::now();
        fs::rename(&hidden, place.inbox().join(photo)).unwrap();
        let verdict = place.results().join(photo).join("quality.json");
        place.wait_for("a verdict", || verdict.exists());
        waits.push(began.elapsed().as_secs_f64());
    }
    eprintln!(
        "from the complete file to its verdict, of which 2 s are for settling: {waits:.2?} s"
    );
    assert_eq!(daemon.stop(), Some(0));
    // The best of three: other tests take the processors meanwhile.
    assert!(waits.iter().any(|&wait| wait < 4.0), "{waits:.2?}");
}

/// sd_notify(3): READY=1 after the start, WATCHDOG=1 within the limit, STOPPING=1 at the end.
#[test]
fn the_service_manager_hears_of_the_daemon() {
    let place = Place::new();
    place.put_demo(|photo| photo == "heron/notes.txt");
    let socket = UnixDatagram::bind(place.path("notify")).unwrap();
    socket
        .set_read_timeout(Some(Duration::from_secs(30)))
        .unwrap();
    let mut command = place.command(&["watch"]);
    command
        .env("NOTIFY_SOCKET", place.path("notify"))
        .env("WATCHDOG_USEC", "400000");
    command.stderr(std::process::Stdio::null());
    let mut child = command.spawn().unwrap();
    let said = |wanted: &str| {
        let mut buffer = [0; 1024];
        loop {
            let n = socket
                .recv(&mut buffer)
                .unwrap_or_else(|_| panic!("{wanted} was never said"));
            let text = String::from_utf8_lossy(&buffer[..n]).into_owned();
            if text.lines().any(|line| line == wanted) {
                return;
            }
        }
    };
    said("READY=1");
    for _ in 0..3 {
        let began = Instant::now();
        said("WATCHDOG=1");
        assert!(
            began.elapsed() < Duration::from_millis(1500),
            "{:?}",
            began.elapsed()
        );
    }
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
    said("STOPPING=1");
    assert!(child.wait().unwrap().success());
}

#[test]
fn the_service_that_the_readme_shows_is_a_part_of_the_shipped_one() {
    let unit = fs::read_to_string(shipped("config/slitwatch.service")).unwrap();
    let readme = fs::read_to_string(shipped("README.md")).unwrap();
    let (_, from) = readme.split_once("```ini\n").expect("a unit");
    let (shown, _) = from.split_once("```").expect("its end");
    let lines = shown
        .lines()
        .filter(|l| !l.is_empty() && !l.starts_with('#'));
    assert!(lines.clone().count() > 10, "{shown}");
    for line in lines {
        assert!(unit.lines().any(|l| l == line), "{line}");
    }
}

#[test]
fn the_shipped_service_is_sound_where_there_is_somebody_to_say_so() {
    let unit = fs::read_to_string(shipped("config/slitwatch.service")).unwrap();
    for line in [
        "Type=notify",
        "PrivateNetwork=yes",
        "PrivateTmp=yes",
        "ProtectSystem=strict",
    ] {
        assert!(unit.lines().any(|l| l == line), "{line}");
    }
    assert!(unit.contains("WatchdogSec=") && unit.contains("ReadOnlyPaths="));
    // The manager looks for the program, which is not installed here.
    let place = Place::new();
    let here = unit.replace("/usr/local/bin/slitwatch", env!("CARGO_BIN_EXE_slitwatch"));
    fs::write(place.path("slitwatch.service"), here).unwrap();
    let verify = std::process::Command::new("systemd-analyze")
        .args(["verify", "--man=no"])
        .arg(place.path("slitwatch.service"))
        .output();
    let Ok(output) = verify else {
        eprintln!("skipped: there is no systemd-analyze");
        return;
    };
    assert!(output.status.success(), "{}", stderr(&output));
}
