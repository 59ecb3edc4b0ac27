//! Many files at once, and a daemon that has nothing to do.

use std::fs;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use slitwatch::classify::Decision;
use slitwatch::decode::Facts;
use slitwatch::run::{self, Bell, Class, Gone, Outcome, Summary, Task, Work};

use crate::fake::{Fake, photo};
use crate::lab::{Lab, asked};

#[test]
fn a_listing_of_ten_thousand_files_is_cheap() {
    let lab = Lab::in_memory();
    for bench in 0..20 {
        let folder = lab.inbox().join(format!("bench-{bench:02}"));
        fs::create_dir(&folder).unwrap();
        for i in 0..500 {
            fs::File::create(folder.join(format!("quay-{i:03}.jpg"))).unwrap();
        }
    }
    slitwatch::arrive::listing::list(&lab.inbox()).unwrap();
    let began = Instant::now();
    let listing = slitwatch::arrive::listing::list(&lab.inbox()).unwrap();
    let took = began.elapsed();
    eprintln!("a listing of {} files: {took:?}", listing.entries.len());
    assert_eq!(listing.entries.len(), 10_000);
    // Listed every 5 s, this is a few per cent of a core at the very worst; a machine under load is given room.
    assert!(took < Duration::from_millis(500), "{took:?}");
}

/// A thousand in the ordinary run; `SLITWATCH_MANY=10000` for the long one. Many cost no more each than a hundred do.
#[test]
fn a_thousand_files_at_once_all_get_their_fate() {
    let n = asked("SLITWATCH_MANY").map(|n| n as usize);
    let n: usize = n.unwrap_or(1000);
    let mut per_photo = Vec::new();
    for n in [100, n] {
        let lab = Lab::in_memory();
        let mut setup = lab.setup();
        // As by default: events tell of the files, and the listings in between do not count.
        setup.orders.rescan = Duration::from_secs(5);
        let watch = lab.watch_with(setup);
        for bench in 0..n / 20 {
            let folder = lab.inbox().join(format!("bench-{bench:03}"));
            fs::create_dir(&folder).unwrap();
            for i in 0..20 {
                fs::write(folder.join(format!("quay-{i:02}.jpg")), photo("bad")).unwrap();
            }
        }
        let began = Instant::now();
        while !fs::read_to_string(lab.results().join("quality.csv"))
            .is_ok_and(|text| text.lines().count() == n + 2)
        {
            let limit = Duration::from_millis(20_000 + 20 * n as u64);
            assert!(began.elapsed() < limit, "not all of {n} have a row");
            std::thread::sleep(Duration::from_millis(20));
        }
        per_photo.push(began.elapsed().as_secs_f64() * 1000.0 / n as f64);
        assert_eq!(watch.stop().n_made, n);
    }
    eprintln!("ms per photo, 100 and {n} at once: {per_photo:.2?}");
    assert!(per_photo[1] <= 1.3 * per_photo[0], "{per_photo:.2?} ms");
}

/// `SLITWATCH_MANY=10000` shows what a daemon costs that has nothing to do, with a listing every 5 s as by default.
#[test]
fn a_daemon_with_nothing_to_do_does_nothing() {
    let n = asked("SLITWATCH_MANY").map_or(20, |n| n as usize);
    let lab = Lab::in_memory();
    for i in 0..n {
        lab.put(&format!("heron/quay-{i:05}.jpg"), &format!("bad light={i}"));
    }
    // One of each kind that is waited for: it must not be waited for by looking all the time.
    lab.put_bytes("heron/begun.jpg", &photo("light=3")[..40]);
    lab.put("heron/.lamp-01.jpg.Ab3dE9", "light=3");
    let rescan_ms = if n > 1000 { 5000 } else { 200 };
    let rescan = [("JOBS_RESCAN_MS", format!("{rescan_ms}"))];
    let daemon = lab.process_through(&[], "watch", &rescan);
    let n_rows = || {
        let table = fs::read_to_string(lab.results().join("quality.csv"));
        table.map_or(0, |text| text.lines().count())
    };
    let deadline = Instant::now() + Duration::from_secs(20 + n as u64 / 50);
    while n_rows() < n + 3 {
        assert!(Instant::now() < deadline, "{} rows", n_rows());
        std::thread::sleep(Duration::from_millis(50));
    }
    let watched = Duration::from_secs(if n > 1000 { 30 } else { 2 });
    std::thread::sleep(Duration::from_millis(800));
    let before = daemon.processor_time();
    std::thread::sleep(watched);
    let used = daemon.processor_time() - before;
    eprintln!(
        "{n} photos, idle for {watched:?}: {used:?} of processor time; {}",
        daemon.most_memory()
    );
    // Five listings a second in this test, one in five seconds by default.
    assert!(used < watched / 10, "{used:?} in {watched:?}");
}

/// A start over a term's photos: what was read before is not read again. `SLITWATCH_MANY=10000` for the long version, with
/// photos of 100 kB.
#[test]
fn a_restart_over_many_photos_is_quick() {
    let (n, filler) = asked("SLITWATCH_MANY").map_or((200, 20_000), |n| (n as usize, 100_000));
    let lab = Lab::in_memory();
    let mut bytes = photo("bad");
    let length = bytes.len() + filler;
    bytes.resize(length, b' ');
    let data_length = (length as u32 - 8).to_le_bytes();
    bytes[4..8].copy_from_slice(&data_length);
    for i in 0..n {
        bytes[length - 8..].copy_from_slice(format!("{i:08}").as_bytes());
        lab.put_bytes(&format!("bench-{:02}/quay-{i:05}.jpg", i % 20), &bytes);
    }
    std::thread::sleep(Duration::from_millis(2100));
    let mut took = Vec::new();
    for _ in 0..2 {
        let began = Instant::now();
        let report = lab.sweep();
        took.push(began.elapsed());
        assert_eq!(report.records.len(), n);
    }
    let began = Instant::now();
    fs::remove_file(lab.results().join("inbox.log")).unwrap();
    lab.sweep();
    took.push(began.elapsed());
    eprintln!(
        "{n} photos of {length} bytes: made, run again, run again without memory: {took:.2?}"
    );
    // On tmpfs, where the test's photos lie, reading costs next to nothing; it is the hashing that is spared.
    assert!(took[1] < took[2], "{took:?}");
}

/// A worker that notes how many photos it has in hand.
#[derive(Default)]
struct Counting {
    now: AtomicUsize,
    most: AtomicUsize,
}

impl Work for Counting {
    fn facts(&self, bytes: &[u8]) -> Facts {
        Facts {
            width: 4000,
            height: 3000,
            ..Fake.facts(bytes)
        }
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        Fake.decide(photo, facts)
    }
    fn measure(&self, task: &Task<'_>) -> Result<Outcome, Gone> {
        let now = self.now.fetch_add(1, Ordering::SeqCst) + 1;
        self.most.fetch_max(now, Ordering::SeqCst);
        let outcome = Fake.measure(task);
        self.now.fetch_sub(1, Ordering::SeqCst);
        outcome
    }
    fn summaries(&self, class: &Class<'_>) -> Vec<Summary> {
        Fake.summaries(class)
    }
}

#[test]
fn photos_in_hand_are_limited_by_memory_and_not_only_by_workers() {
    // 12 megapixels count as 96 MB: two fit into 200 MB, and one is done alone where not even one fits.
    for (megabytes, expected) in [(1000, 4), (200, 2), (50, 1)] {
        let lab = Lab::new();
        for i in 0..12 {
            lab.put(&format!("heron/quay-{i:02}.jpg"), "slow=40");
        }
        let work = Arc::new(Counting::default());
        let mut setup = lab.setup();
        setup.orders.workers = 4;
        setup.orders.memory_bytes = megabytes * 1_000_000;
        setup.work = work.clone();
        let report = run::sweep(setup, Bell::new().1, false).unwrap();
        assert_eq!(report.records.len(), 12);
        assert_eq!(work.most.load(Ordering::SeqCst), expected, "{megabytes} MB");
    }
}
