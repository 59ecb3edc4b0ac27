//! From a photo's last byte to its verdict on its bench's page: eight benches with phones of twelve megapixels, whose uploads end
//! within eight seconds, round after round, watched by the program as it is shipped.
//!
//! The goal is 2.5 s at the 95th percentile, the settle time and 0.5 s; photos that are closed or renamed in are looked into after an
//! eighth of the settle time, and have their verdicts sooner. It is the clock's time: it tells something only on a machine that does nothing else, and so
//! what else it does is printed beside it. The photos are those of `side_by_side` (drawn by `cargo bench --bench side_by_side -- --draw`);
//! `PHOTOS=FOLDER` takes others, a folder a bench with a photo `lamp-01.jpg`. `SLITWATCH=FILE` watches with another build.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const BENCHES: usize = 8;
/// Photos of each bench, the lamp's first.
const ROUNDS: usize = 4;
/// All uploads of a round end within this time.
const WITHIN: Duration = Duration::from_secs(8);
/// An upload takes so long, in so many pieces.
const UPLOAD: Duration = Duration::from_millis(800);
const PIECES: usize = 16;
/// As shipped, `arrive: settle_s`.
const SETTLE: Duration = Duration::from_secs(2);
/// A verdict may take so long beyond that.
const BEYOND: Duration = Duration::from_millis(500);
/// A verdict that does not come at all.
const LONGEST: Duration = Duration::from_secs(60);

fn main() {
    let drawn = Path::new(env!("CARGO_TARGET_TMPDIR")).join("side-by-side");
    let photos = std::env::var_os("PHOTOS").map_or(drawn, PathBuf::from);
    let sources = benches(&photos);
    assert!(
        !sources.is_empty(),
        "{}: no photos; draw them with `cargo bench --bench side_by_side -- --draw`",
        photos.display()
    );
    let place = tempfile::tempdir().expect("a folder");
    let (inbox, results) = (place.path().join("inbox"), place.path().join("results"));
    for bench in 0..BENCHES {
        fs::create_dir_all(inbox.join(name_of(bench))).expect("a folder");
    }
    let program = std::env::var_os("SLITWATCH");
    let mut daemon = Command::new(program.unwrap_or(env!("CARGO_BIN_EXE_slitwatch").into()))
        .args(["watch", "-q", "-q", "--config"])
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/lab.yaml"))
        .arg("--inbox")
        .arg(&inbox)
        .arg("--results")
        .arg(&results)
        .stdout(Stdio::null())
        .spawn()
        .expect("the program");
    while !results.join("board.html").is_file() {
        std::thread::sleep(Duration::from_millis(50));
    }
    for (way, is_renamed) in [("written in place", false), ("renamed in", true)] {
        let mut took = Vec::new();
        for round in 0..ROUNDS {
            std::thread::scope(|scope| {
                let uploads: Vec<_> = (0..BENCHES)
                    .map(|bench| {
                        let source = &sources[bench % sources.len()];
                        let photo = &source[round % source.len()];
                        let label = photo.file_stem().expect("a name").to_string_lossy();
                        let name = format!("{label}-{}{round}.jpg", u8::from(is_renamed));
                        let folder = inbox.join(name_of(bench));
                        let page = results.join(name_of(bench)).join("index.html");
                        scope.spawn(move || {
                            let share = (bench as u32 + 1) * WITHIN / BENCHES as u32;
                            std::thread::sleep(share - UPLOAD);
                            upload(photo, &folder.join(&name), is_renamed);
                            waited(&page, &name)
                        })
                    })
                    .collect();
                let times = uploads.into_iter().map(|u| u.join().expect("an upload"));
                took.extend(times);
            });
        }
        took.sort();
        let at = |share: usize| took[(took.len() * share / 100).min(took.len() - 1)];
        println!(
            "{way}: {} photos, after the last byte: median {:.2} s, 95th percentile {:.2} s, longest {:.2} s (goal: {:.1} s at the 95th)",
            took.len(),
            at(50).as_secs_f64(),
            at(95).as_secs_f64(),
            took[took.len() - 1].as_secs_f64(),
            (SETTLE + BEYOND).as_secs_f64()
        );
    }
    let load = fs::read_to_string("/proc/loadavg").unwrap_or_default();
    println!("load at the end: {load}");
    daemon.kill().expect("a process of this benchmark");
    daemon.wait().expect("its end");
}

fn name_of(bench: usize) -> String {
    format!("bench-{bench}")
}

/// Photos by bench, the lamp's first.
fn benches(photos: &Path) -> Vec<Vec<PathBuf>> {
    let mut benches = Vec::new();
    for bench in fs::read_dir(photos).into_iter().flatten().flatten() {
        let entries = fs::read_dir(bench.path()).into_iter().flatten().flatten();
        let mut found: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
        found.sort_by_key(|path| (!path.ends_with("lamp-01.jpg"), path.clone()));
        if found
            .first()
            .is_some_and(|path| path.ends_with("lamp-01.jpg"))
        {
            benches.push(found);
        }
    }
    benches
}

/// Writes a photo in pieces, as it comes over a slow network; under another name first where it is `is_renamed` in.
fn upload(photo: &Path, to: &Path, is_renamed: bool) {
    let bytes = fs::read(photo).expect("a photo");
    let name = to.file_name().expect("a name").to_string_lossy();
    let under = match is_renamed {
        true => to.with_file_name(format!(".{name}.part")),
        false => to.to_owned(),
    };
    let mut file = fs::File::create(&under).expect("a file");
    for piece in bytes.chunks(bytes.len().div_ceil(PIECES)) {
        std::thread::sleep(UPLOAD / PIECES as u32);
        file.write_all(piece).expect("room");
    }
    drop(file);
    if is_renamed {
        fs::rename(&under, to).expect("one disk");
    }
}

/// How long it takes from now on until the page shows the photo.
fn waited(page: &Path, name: &str) -> Duration {
    let began = Instant::now();
    while !fs::read_to_string(page).is_ok_and(|text| text.contains(name)) {
        assert!(began.elapsed() < LONGEST, "no verdict on {name}");
        std::thread::sleep(Duration::from_millis(10));
    }
    began.elapsed()
}
