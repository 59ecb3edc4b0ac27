//! What the shell costs with very many photos, with a worker that measures nothing: a listing, the time a photo takes
//! when a hundred and when thousands come at once, a restart with and without the memory of the last run; and of a daemon that follows a
//! term's sessions its start, each second in which nothing happens, and one photo more.
//!
//! Goals: a photo among ten thousand costs at most 1.3 times what one among a hundred does; a listing of ten thousand takes
//! a few per cent of the five seconds between two of them; one more photo costs what its session has, and not what the term has.
//! `MANY=1000` for fewer than ten thousand. All is processor time: what else a machine does hardly tells.

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use slitwatch::arrive::listing;
use slitwatch::classify::Decision;
use slitwatch::decode::Facts;
use slitwatch::run::reload::Never;
use slitwatch::run::{
    self, Bell, Class, Fate, Gone, Job, Orders, Outcome, Setup, Sink, Stands, Work,
};
use slitwatch::terms::Sessions;

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
    let [few, all] = [100, many].map(followed);
    for (i, what) in ["start", "a second of nothing", "one photo more"]
        .into_iter()
        .enumerate()
    {
        println!(
            "a daemon, {what}: {:.1} ms with 100 photos, {:.1} ms with {many} in {} sessions",
            1000.0 * few[i],
            1000.0 * all[i],
            many.div_ceil(OF_A_SESSION)
        );
    }
}

/// Photos of a session of the term.
const OF_A_SESSION: usize = 250;
/// Seconds in which nothing happens: several listings, and the minute's look at the results is not among them.
const IDLE_S: u64 = 15;

/// The worker, where the first folder is the session's.
struct InSessions;

impl Work for InSessions {
    fn facts(&self, bytes: &[u8]) -> Facts {
        fake::Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        let below = photo.split_once('/').map_or(photo, |(_, below)| below);
        fake::Fake.decide(below, facts)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        fake::Fake.measure(job, bytes, fate)
    }
    fn stands(&self, job: &Job, head: &[u8]) -> Stands {
        fake::Fake.stands(job, head)
    }
    fn judge(&self, job: &Job, read: &dyn Fn(&str) -> Option<Vec<u8>>) -> Option<Outcome> {
        fake::Fake.judge(job, read)
    }
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        fake::Fake.summaries(class, out);
    }
}

/// A daemon over so many photos in sessions of 250: processor time of its start, of a second in which nothing happens, of one photo more.
fn followed(n: usize) -> [f64; 3] {
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir());
    let folder = folder.expect("a folder");
    let (inbox, results) = (folder.path().join("inbox"), folder.path().join("results"));
    put_photos(&inbox, n, |i| format!("session-{:02}/", i / OF_A_SESSION));
    std::thread::sleep(Duration::from_millis(2100));
    let setup = || {
        let mut orders = Orders::new(&inbox, &results);
        orders.sessions = Sessions::Folder;
        let work = Arc::new(InSessions);
        Setup { orders, work }
    };
    run::sweep(setup(), Bell::new().1).expect("a sweep");
    let before = processor_time();
    let (bell, ears) = Bell::new();
    let setup = setup();
    let daemon = std::thread::spawn(move || run::watch(setup, ears, &mut Never));
    let start = until_quiet() - before;
    let before = processor_time();
    std::thread::sleep(Duration::from_secs(IDLE_S));
    let per_second = (processor_time() - before).as_secs_f64() / IDLE_S as f64;
    let (before, began) = (processor_time(), Instant::now());
    let more = inbox.join("session-00/bench-000/one-more.jpg");
    fs::write(&more, fake::photo("bad")).expect("a photo");
    let table = results.join("session-00/quality.csv");
    while !fs::read_to_string(&table).is_ok_and(|text| text.contains("one-more")) {
        std::thread::sleep(Duration::from_millis(50));
    }
    let used = (until_quiet() - before).as_secs_f64();
    let one_more = used - per_second * began.elapsed().as_secs_f64();
    bell.stop();
    daemon.join().expect("a daemon").expect("a report");
    [start.as_secs_f64(), per_second, one_more]
}

/// Waits until next to nothing was done for a second and a half; returns the processor time that was used until then.
fn until_quiet() -> Duration {
    let mut last = processor_time();
    loop {
        std::thread::sleep(Duration::from_millis(1500));
        let now = processor_time();
        if now - last < Duration::from_millis(150) {
            return now;
        }
        last = now;
    }
}

/// Sweeps so many photos; returns the processor time of the first sweep, all threads together.
fn one(n: usize) -> Duration {
    // In memory, so that it is not the disk's time that is measured.
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir());
    let folder = folder.expect("a folder");
    let inbox = folder.path().join("inbox");
    put_photos(&inbox, n, |_| String::new());
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

fn put_photos(inbox: &Path, n: usize, session: impl Fn(usize) -> String) {
    let mut bytes = fake::photo("bad");
    bytes.resize(PHOTO_BYTES, b' ');
    let length = (PHOTO_BYTES as u32 - 8).to_le_bytes();
    bytes[4..8].copy_from_slice(&length);
    for i in 0..n {
        let bench = inbox.join(format!("{}bench-{:03}", session(i), i / 20));
        fs::create_dir_all(&bench).expect("a folder");
        bytes[PHOTO_BYTES - 8..].copy_from_slice(format!("{i:08}").as_bytes());
        fs::write(bench.join(format!("quay-{:02}.jpg", i % 20)), &bytes).expect("a photo");
    }
}

/// Of this process, all threads together.
fn processor_time() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Duration::new(time.tv_sec as u64, time.tv_nsec as u32)
}
