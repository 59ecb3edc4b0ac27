//! Many files at once, and a daemon that has nothing to do.

use std::fs;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use slitwatch::classify::Decision;
use slitwatch::decode::Facts;
use slitwatch::run::{
    self, Bell, Class, Fate, Gone, Job, Outcome, Reload, Report, Setup, Sink, Work,
};

use crate::fake::{Fake, photo};
use crate::lab::{Lab, asked, wait_for};

/// How often a worker was asked for each thing, and how often the inbox was listed.
#[derive(Default)]
struct Asked {
    n_headers: AtomicUsize,
    n_decisions: AtomicUsize,
    n_measured: AtomicUsize,
    n_summaries: AtomicUsize,
    n_listings: AtomicUsize,
}

impl Asked {
    /// Headers read, decisions made, photos measured.
    fn per_photo(&self) -> [usize; 3] {
        [&self.n_headers, &self.n_decisions, &self.n_measured].map(|n| n.load(Ordering::SeqCst))
    }
}

/// A worker that counts what it is asked for.
struct Counted(Arc<Asked>);

impl Work for Counted {
    fn facts(&self, bytes: &[u8]) -> Facts {
        self.0.n_headers.fetch_add(1, Ordering::SeqCst);
        Fake.facts(bytes)
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        self.0.n_decisions.fetch_add(1, Ordering::SeqCst);
        Fake.decide(photo, facts)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        self.0.n_measured.fetch_add(1, Ordering::SeqCst);
        Fake.measure(job, bytes, fate)
    }
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        self.0.n_summaries.fetch_add(1, Ordering::SeqCst);
        Fake.summaries(class, out)
    }
}

/// Is asked at every listing whether the configuration has changed, and so can count them.
struct Listings(Arc<Asked>);

impl Reload for Listings {
    fn changed(&mut self, _forced: bool) -> Option<Result<Setup, String>> {
        self.0.n_listings.fetch_add(1, Ordering::SeqCst);
        None
    }
}

/// A daemon whose work is counted.
fn counted_watch(lab: &Lab, rescan: Duration) -> (Arc<Asked>, Bell, JoinHandle<Report>) {
    let asked = Arc::<Asked>::default();
    let mut setup = lab.setup();
    setup.orders.rescan = rescan;
    setup.work = Arc::new(Counted(asked.clone()));
    let mut listings = Listings(asked.clone());
    let (bell, ears) = Bell::new();
    let daemon = std::thread::spawn(move || run::watch(setup, ears, &mut listings).unwrap());
    (asked, bell, daemon)
}

fn n_rows(lab: &Lab) -> usize {
    let table = fs::read_to_string(lab.results().join("quality.csv"));
    // A header, and the word at the end.
    table.map_or(0, |text| text.lines().count().saturating_sub(2))
}

/// A thousand in the ordinary run; `SLITWATCH_MANY=10000` for the long one. However many come at once, each is read,
/// decided on and measured once; what that takes is `cargo bench --bench many_photos` to say.
#[test]
fn a_thousand_files_at_once_all_get_their_fate() {
    let n = asked("SLITWATCH_MANY").map_or(1000, |n| n as usize);
    let lab = Lab::in_memory();
    // As by default: events tell of the files, and the listings in between do not count.
    let (asked, bell, daemon) = counted_watch(&lab, Duration::from_secs(5));
    let coming = lab.beside("coming");
    for bench in 0..n / 20 {
        fs::create_dir_all(&coming).unwrap();
        for i in 0..20 {
            fs::write(coming.join(format!("quay-{i:02}.jpg")), photo("bad")).unwrap();
        }
        fs::rename(&coming, lab.inbox().join(format!("bench-{bench:03}"))).unwrap();
    }
    let deadline = Instant::now() + Duration::from_millis(20_000 + 20 * n as u64);
    while n_rows(&lab) < n {
        assert!(Instant::now() < deadline, "not all of {n} have a row");
        std::thread::sleep(Duration::from_millis(20));
    }
    bell.stop();
    assert_eq!(daemon.join().unwrap().n_made, n);
    assert_eq!(asked.per_photo(), [n; 3], "read, decided on, measured");
}

/// Listings go on, and nothing else does.
#[test]
fn a_daemon_with_nothing_to_do_lists_and_does_nothing_else() {
    let lab = Lab::in_memory();
    for i in 0..20 {
        lab.put(&format!("heron/quay-{i:05}.jpg"), &format!("bad light={i}"));
    }
    // One of each kind that is waited for: it must not be waited for by looking all the time.
    lab.put_bytes("heron/begun.jpg", &photo("light=3")[..40]);
    lab.put("heron/.lamp-01.jpg.Ab3dE9", "light=3");
    let rescan = Duration::from_millis(100);
    let (asked, bell, daemon) = counted_watch(&lab, rescan);
    wait_for("all rows", || n_rows(&lab) == 21);
    // The last table may be followed by one more, if something was said meanwhile.
    std::thread::sleep(Duration::from_millis(1200));
    let count = || (asked.per_photo(), asked.n_summaries.load(Ordering::SeqCst));
    let n_listings = || asked.n_listings.load(Ordering::SeqCst);
    let (before, n_before, began) = (count(), n_listings(), Instant::now());
    wait_for("ten listings", || n_listings() >= n_before + 10);
    let took = began.elapsed();
    assert_eq!(count(), before);
    assert!(
        took >= 8 * rescan,
        "listed more often than asked for: {took:?}"
    );
    bell.stop();
    daemon.join().unwrap();
}

/// Processor time, which others' load does not lengthen: at most two in a hundred. `SLITWATCH_MANY=10000` shows what so many
/// photos cost, with a listing every 5 s as by default.
#[test]
fn a_daemon_with_nothing_to_do_takes_next_to_no_processor_time() {
    let n = asked("SLITWATCH_MANY").map_or(20, |n| n as usize);
    let lab = Lab::in_memory();
    for i in 0..n {
        lab.put(&format!("heron/quay-{i:05}.jpg"), &format!("bad light={i}"));
    }
    let rescan_ms = if n > 1000 { 5000 } else { 200 };
    let rescan = [("JOBS_RESCAN_MS", format!("{rescan_ms}"))];
    let daemon = lab.process_through(&[], "watch", &rescan);
    let deadline = Instant::now() + Duration::from_secs(20 + n as u64 / 50);
    while n_rows(&lab) < n {
        assert!(Instant::now() < deadline, "{} rows", n_rows(&lab));
        std::thread::sleep(Duration::from_millis(50));
    }
    let watched = Duration::from_secs(if n > 1000 { 30 } else { 4 });
    std::thread::sleep(Duration::from_millis(1200));
    let before = daemon.processor_time();
    std::thread::sleep(watched);
    let used = daemon.processor_time() - before;
    eprintln!(
        "{n} photos, idle for {watched:?}: {used:?} of processor time; {}",
        daemon.most_memory()
    );
    assert!(used <= watched / 50, "{used:?} in {watched:?}");
}

/// A start over a term's photos: what was read before is not read again. `SLITWATCH_MANY=10000` for the long version.
#[test]
fn a_restart_over_many_photos_reads_none_of_them() {
    let n = asked("SLITWATCH_MANY").map_or(200, |n| n as usize);
    let lab = Lab::in_memory();
    for i in 0..n {
        lab.put(
            &format!("bench-{:02}/quay-{i:05}.jpg", i % 20),
            &format!("bad light={i}"),
        );
    }
    if !slitwatch::system::numbers_mean_content(&lab.inbox()) {
        eprintln!("skipped: the disk of the test is not one whose times are relied on");
        return;
    }
    std::thread::sleep(Duration::from_millis(2100));
    let sweep = || {
        let asked = Arc::<Asked>::default();
        let mut setup = lab.setup();
        setup.work = Arc::new(Counted(asked.clone()));
        let report = run::sweep(setup, Bell::new().1).unwrap();
        assert_eq!(report.records.len(), n);
        let [n_read, _, n_measured] = asked.per_photo();
        (n_read, n_measured)
    };
    assert_eq!(sweep(), (n, n));
    assert_eq!(sweep(), (0, 0));
    fs::remove_file(lab.results().join("inbox.log")).unwrap();
    assert_eq!(sweep(), (n, 0), "without its memory it reads them all");
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
            decoding_bytes: 60_000_000,
            ..Fake.facts(bytes)
        }
    }
    fn decide(&self, photo: &str, facts: &Facts) -> Decision {
        Fake.decide(photo, facts)
    }
    fn measure(&self, job: &Job, bytes: &[u8], fate: &Fate) -> Result<Outcome, Gone> {
        let now = self.now.fetch_add(1, Ordering::SeqCst) + 1;
        self.most.fetch_max(now, Ordering::SeqCst);
        let outcome = Fake.measure(job, bytes, fate);
        self.now.fetch_sub(1, Ordering::SeqCst);
        outcome
    }
    fn summaries(&self, class: &Class<'_>, out: &mut dyn Sink) {
        Fake.summaries(class, out)
    }
}

#[test]
fn photos_in_hand_are_limited_by_memory_and_not_only_by_workers() {
    // 12 megapixels count as 96 MB, 60 for decoding and 36 for measuring: two fit into 200 MB, and one is done alone where not even one fits.
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
        let report = run::sweep(setup, Bell::new().1).unwrap();
        assert_eq!(report.records.len(), 12);
        assert_eq!(work.most.load(Ordering::SeqCst), expected, "{megabytes} MB");
    }
}
