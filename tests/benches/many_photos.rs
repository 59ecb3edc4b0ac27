//! What the shell costs with very many photos, with a worker that measures nothing: a listing, the time a photo takes
//! when a hundred and when thousands come at once, a restart with and without the memory of the last run.
//!
//! Goals: a photo among ten thousand costs at most 1.3 times what one among a hundred does; a listing of ten thousand takes
//! a few per cent of the five seconds between two of them. `MANY=1000` for fewer than ten thousand.

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use slitwatch::arrive::listing;
use slitwatch::run::{self, Bell, Orders, Setup};

#[allow(dead_code)]
#[path = "../jobs/fake.rs"]
mod fake;

/// A photo of 100 kB, as small as phones ever send them.
const PHOTO_BYTES: usize = 100_000;

fn main() {
    let many = std::env::var("MANY").ok().and_then(|n| n.parse().ok());
    let many = many.unwrap_or(10_000);
    let mut per_photo_ms = Vec::new();
    // A hundred take so little that one disturbance would count: the best of five.
    for (n, rounds) in [(100, 5), (many, 1)] {
        let best = (0..rounds).map(|_| one(n)).min().unwrap_or_default();
        per_photo_ms.push(1000.0 * best.as_secs_f64() / n as f64);
    }
    println!(
        "a photo among 100: {:.3} ms, among {many}: {:.3} ms, {:.2} times as much",
        per_photo_ms[0],
        per_photo_ms[1],
        per_photo_ms[1] / per_photo_ms[0]
    );
}

/// Sweeps so many photos; returns the processor time of the first sweep, all threads together.
fn one(n: usize) -> Duration {
    // In memory, so that it is not the disk's time that is measured.
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir());
    let folder = folder.expect("a folder");
    let inbox = folder.path().join("inbox");
    put_photos(&inbox, n);
    std::thread::sleep(Duration::from_millis(2100));
    let began = Instant::now();
    let listed = listing::list(&inbox).expect("an inbox").entries.len();
    println!("{n} photos: listed {listed} in {:.1?}", began.elapsed());
    let sweep = |what: &str| {
        let orders = Orders::new(&inbox, folder.path().join("results"));
        let work = Arc::new(fake::Fake);
        let (before, began) = (processor_time(), Instant::now());
        run::sweep(Setup { orders, work }, Bell::new().1).expect("a sweep");
        let used = processor_time() - before;
        println!(
            "{n} photos: {what}: {:.1?}, {used:.1?} of processor time",
            began.elapsed()
        );
        used
    };
    let first = sweep("made");
    sweep("run again");
    fs::remove_file(folder.path().join("results/inbox.log")).expect("a memory");
    sweep("run again without memory");
    first
}

fn put_photos(inbox: &Path, n: usize) {
    let mut bytes = fake::photo("bad");
    bytes.resize(PHOTO_BYTES, b' ');
    let length = (PHOTO_BYTES as u32 - 8).to_le_bytes();
    bytes[4..8].copy_from_slice(&length);
    for i in 0..n {
        let bench = inbox.join(format!("bench-{:03}", i / 20));
        fs::create_dir_all(&bench).expect("a folder");
        bytes[PHOTO_BYTES - 8..].copy_from_slice(format!("{i:08}").as_bytes());
        fs::write(bench.join(format!("quay-{:02}.jpg", i % 20)), &bytes).expect("a photo");
    }
}

/// Of this process: proc_pid_stat(5), the 12th and 13th field after the name, in ticks of a hundredth of a second.
fn processor_time() -> Duration {
    let stat = fs::read_to_string("/proc/self/stat").expect("Linux");
    let after_name = stat.rsplit_once(')').expect("a name").1;
    let ticks = after_name.split_whitespace().skip(11).take(2);
    let ticks: u64 = ticks.map(|n| n.parse::<u64>().expect("ticks")).sum();
    Duration::from_millis(10 * ticks)
}
