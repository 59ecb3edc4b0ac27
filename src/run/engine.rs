//! The engine: one thread that owns all state, sleeps until something happens or is due, and hands work to the others.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet, VecDeque};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use crossbeam_channel::Receiver;
use rayon::ThreadPool;

use crate::arrive::listing::{Identity, Listing, Rel};
use crate::arrive::settle::{Candidate, Settler, Times};
use crate::arrive::watch::{Follower, Heard};
use crate::frame::spare;
use crate::publish::Shelf;
use crate::publish::record::Record;
use crate::report::Closing;
use crate::terms::Verdict;

use super::bell::{Bell, Ears, Event};
use super::clock::{WallClock, now_ms};
use super::failure::Failure;
use super::intake::Insist;
use super::job::Job;
use super::ledger::Ledger;
use super::looking::Looking;
use super::progress::Progress;
use super::readers::Readers;
use super::reload::Reload;
use super::service::Service;
use super::sessions::{Frozen, by_session};
use super::summing;
use super::threads;
use super::work::Setup;
use super::world::{Published, World};

/// How a run ended.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// Every photo's record, in the order of their paths.
    pub records: Vec<Arc<Record>>,
    /// Photos that are to be retaken and have not been.
    pub n_to_retake: usize,
    /// Folders that were made or made again.
    pub n_made: usize,
    /// Photos that were measured for that.
    pub n_measured: usize,
    /// Photos that were only judged again, by what had been measured before.
    pub n_judged: usize,
    /// Pictures that were decoded, to be looked at, to be measured, or for others that are compared with them.
    pub n_decoded: usize,
    /// Folders that were taken away.
    pub n_removed: usize,
    /// What could not be published, in words.
    pub failures: Vec<String>,
    /// Files under a temporary name, whose content is still to come.
    pub n_not_here: usize,
    /// True where it was stopped before the end.
    pub stopped: bool,
    /// How the benches stand, by the folders of their sessions; under no name where the inbox is one class.
    pub closings: Vec<(String, Closing)>,
    /// Where a person finds the board.
    pub board: String,
}

impl Report {
    /// Number of photos with a verdict.
    pub fn n_with(&self, verdict: Verdict) -> usize {
        self.records.iter().filter(|r| r.verdict == verdict).count()
    }
}

/// How long the engine runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mode {
    /// Until stopped.
    Watch,
    /// Until everything that is there has its fate.
    Sweep,
}

/// Longest wait between a hint and the listing. Events come in bursts, and one listing serves all that come within this time.
pub(super) const AFTER_A_HINT: Duration = Duration::from_millis(250);
/// Shortest wait, where a listing takes so little that it may come often: a file begins to settle when a listing first shows it.
const SOON_AFTER_A_HINT: Duration = Duration::from_millis(40);
/// Listings after hints take no more than this share of the time.
const LISTING_SHARE: u32 = 10;
/// The same trouble is logged only once within this time.
const BETWEEN_REPORTS: Duration = Duration::from_secs(60);
/// After so many failures of its own, a photo does not hold up others any more.
pub(super) const TRIES: u32 = 3;
/// Settle time at least required on network folders, whose caches delay what is seen.
const NETWORK_SETTLE: Duration = Duration::from_secs(10);

/// Photos that are judged again at once, whatever the number of workers: that takes the disk's time, and hardly the processor's.
pub(super) const JUDGED_AT_ONCE: usize = 16;

pub(super) struct Setback {
    pub(super) bench: String,
    pub(super) n: u32,
    pub(super) retry_at: Option<Instant>,
}

pub(super) struct Hold {
    pub(super) until: Instant,
    pub(super) wait: Duration,
}

pub struct Engine<'a> {
    pub(super) mode: Mode,
    pub(super) setup: Setup,
    pub(super) reload: &'a mut dyn Reload,
    pub(super) shelf: Arc<Shelf>,
    pub(super) pool: ThreadPool,
    pub(super) bell: Bell,
    pub(super) events: Receiver<Event>,
    pub(super) service: Service,
    pub(super) progress: Progress,

    pub(super) start: Instant,
    pub(super) follower: Follower,
    /// True where the inbox lies on a network file system, so that other machines write on it.
    pub(super) is_network: bool,
    /// True where a file with the same identity after a restart has the same content: see
    /// [`keeps_identity`](crate::system::numbers_mean_content).
    pub(super) keeps_identity: bool,
    pub(super) clock: WallClock,
    pub(super) ledger: Ledger,
    /// Those of sessions that were made alone.
    pub(super) ledgers: Vec<String>,
    pub(super) listing: Option<Listing>,
    /// How long it took to make and to take in.
    pub(super) listing_took: Duration,
    pub(super) next_scan: Option<Instant>,
    /// When the files that have not come to rest are looked at without listing all others.
    pub(super) next_glance: Option<Instant>,
    pub(super) settler: Settler,
    pub(super) to_read: VecDeque<(Candidate, Insist)>,
    pub(super) readers: Readers,
    pub(super) read_failures: HashMap<Rel, u32>,
    /// Files that could not be read, to be tried again once a minute.
    pub(super) unread: HashMap<Rel, Identity>,
    pub(super) looking: Looking,
    /// Benches whose folders were worked out since they were planned.
    pub(super) rearranged: Option<BTreeSet<String>>,
    pub(super) world: World,

    pub(super) published: Published,
    /// What stands of closed sessions, by their folders.
    pub(super) frozen: BTreeMap<String, Frozen>,
    /// Counts how often the results' stock was taken.
    pub(super) inventory: u64,
    pub(super) stale_possible: bool,
    pub(super) dirty_benches: BTreeSet<String>,
    pub(super) queues: BTreeMap<String, VecDeque<Job>>,
    pub(super) last_bench: String,
    pub(super) in_hand: BTreeMap<Rel, Arc<Job>>,
    pub(super) bytes_in_hand: u64,
    pub(super) setbacks: HashMap<Rel, Setback>,
    /// Photos whose kept measurement turned out to be damaged.
    pub(super) not_kept: HashSet<Rel>,
    /// True where it is still to be said what an edit costs.
    pub(super) cost_due: bool,
    pub(super) hold: Option<Hold>,

    pub(super) summaries_due: bool,
    /// The sessions' tables and pages as they stand, and what counts whatever makes all of them due.
    pub(super) made: BTreeMap<String, summing::Made>,
    pub(super) basis: u64,
    pub(super) is_summing: bool,
    pub(super) last_summaries: Option<(Instant, Duration)>,
    pub(super) standing: BTreeSet<String>,
    /// When tables and pages were made last, ms since 1970.
    pub(super) made_ms: u64,
    /// True once this run has written a table or a page.
    pub(super) has_written: bool,
    /// Folders of sessions in which the pages are told where to hear of the program.
    pub(super) said_in: BTreeSet<String>,
    pub(super) last_stocktaking: Instant,

    pub(super) reported: HashMap<String, Instant>,
    /// What was said of benches and their phones.
    pub(super) noticed: BTreeSet<String>,
    pub(super) report: Report,
    pub(super) stopping: bool,
}

impl<'a> Engine<'a> {
    pub fn new(
        mode: Mode,
        setup: Setup,
        shelf: Shelf,
        ears: Ears,
        reload: &'a mut dyn Reload,
    ) -> Result<Engine<'a>, Failure> {
        let orders = &setup.orders;
        let bell = ears.bell.clone();
        let hint_bell = bell.clone();
        let hint = Arc::new(move |heard| {
            if heard == Heard::Lost {
                tracing::info!(
                    "the system lost count of what happened in the inbox: it is listed anew"
                );
            }
            hint_bell.look();
        });
        let poll = orders.poll || mode != Mode::Watch;
        let follower = Follower::new(&orders.inbox, poll, hint);
        let now = Instant::now();
        let mut engine = Engine {
            mode,
            pool: threads::pool(orders.workers + JUDGED_AT_ONCE, "worker")?,
            settler: Settler::new(Times {
                settle: Duration::ZERO,
                patience: Duration::ZERO,
            }),
            reload,
            shelf: Arc::new(shelf),
            bell,
            events: ears.events,
            service: Service::new(),
            progress: Progress::default(),
            start: now,
            follower,
            is_network: false,
            keeps_identity: false,
            clock: WallClock::new(),
            ledger: Ledger::default(),
            ledgers: Vec::new(),
            listing: None,
            listing_took: Duration::ZERO,
            next_scan: Some(now),
            next_glance: None,
            to_read: VecDeque::new(),
            readers: Readers::default(),
            read_failures: HashMap::new(),
            unread: HashMap::new(),
            looking: Looking::default(),
            rearranged: None,
            world: World::default(),
            published: Published::new(),
            frozen: BTreeMap::new(),
            inventory: 0,
            stale_possible: true,
            dirty_benches: BTreeSet::new(),
            queues: BTreeMap::new(),
            last_bench: String::new(),
            in_hand: BTreeMap::new(),
            bytes_in_hand: 0,
            setbacks: HashMap::new(),
            not_kept: HashSet::new(),
            cost_due: true,
            hold: None,
            summaries_due: true,
            made: BTreeMap::new(),
            basis: 0,
            is_summing: false,
            last_summaries: None,
            standing: BTreeSet::new(),
            made_ms: now_ms(),
            has_written: false,
            said_in: BTreeSet::new(),
            last_stocktaking: now,
            reported: HashMap::new(),
            noticed: BTreeSet::new(),
            report: Report::default(),
            stopping: false,
            setup,
        };
        engine.set_times();
        engine.world.follow(&engine.setup.orders);
        engine.take_inventory()?;
        engine.read_ledger();
        Ok(engine)
    }

    pub(super) fn set_times(&mut self) {
        let orders = &self.setup.orders;
        let (settle, patience) = match self.mode {
            Mode::Watch if self.is_network => (orders.settle.max(NETWORK_SETTLE), orders.patience),
            Mode::Watch => (orders.settle, orders.patience),
            // A sweep is asked for what is there now: what has lain still for the settle time is as finished as it gets.
            Mode::Sweep => (orders.settle, orders.settle),
        };
        self.settler.set_times(Times { settle, patience });
    }

    pub fn run(mut self) -> Result<Report, Failure> {
        loop {
            self.service.alive();
            self.handle_waiting_events();
            let now = Instant::now();
            if !self.stopping && self.next_scan.is_some_and(|at| at <= now) {
                self.scan()?;
            }
            if !self.stopping && self.next_glance.is_some_and(|at| at <= now) {
                self.glance();
            }
            self.give_up_stuck();
            self.start_reading();
            self.start_looking();
            if self.listing.is_some() && self.is_done_reading() {
                self.arrange();
                self.tell_cost();
                self.remove_stale();
            }
            self.requeue_setbacks();
            self.plan();
            self.dispatch();
            self.show_progress(false);
            if self.summaries_at().is_some_and(|at| at <= Instant::now()) {
                self.start_summing();
            }
            if self.is_finished() {
                break;
            }
            self.sleep();
        }
        self.finish()
    }

    fn finish(mut self) -> Result<Report, Failure> {
        self.service.stopping();
        self.finish_summing();
        self.keep_ledger();
        self.say_gone();
        self.shelf.tidy();
        self.show_progress(true);
        self.say_that_it_is_over();
        let board = self.board();
        let mut report = self.report;
        report.board = board;
        report.n_decoded += self.setup.work.n_decoded();
        report.stopped = self.stopping;
        report.n_not_here = self.listing.map_or(0, |listing| listing.not_here.len());
        let orders = &self.setup.orders;
        for (folder, photos) in by_session(&self.published, orders.sessions) {
            if !orders.part.has(&folder) {
                continue;
            }
            let closing = self.setup.work.closing(&photos);
            report.closings.push((folder, closing));
            let records: Vec<Arc<Record>> = photos.into_iter().map(|(_, record)| record).collect();
            report.n_to_retake += self.setup.work.n_to_retake(&records);
            report.records.extend(records);
        }
        report.records.sort_by(|a, b| a.photo.cmp(&b.photo));
        Ok(report)
    }

    /// True where all files are read whose disk answers.
    pub(super) fn is_read(&self) -> bool {
        self.to_read.is_empty() && self.readers.busy(Instant::now()).0 == 0
    }

    pub(super) fn is_done_reading(&self) -> bool {
        self.is_read() && self.looking.is_done()
    }

    fn is_finished(&self) -> bool {
        // What is only being read is in nobody's hand.
        if self.stopping {
            return self.in_hand.is_empty() && self.looking.n_in_hand() == 0;
        }
        self.mode != Mode::Watch
            && self.listing.is_some()
            && self.in_hand.is_empty()
            && self.readers.n_awaited() == 0
            && self.to_read.is_empty()
            && self.looking.is_done()
            && self.settler.n_pending() == 0
            && self.queues.is_empty()
            && self.dirty_benches.is_empty()
    }

    fn sleep(&mut self) {
        let now = Instant::now();
        let at_most = now + Duration::from_secs(3600);
        let mut until = at_most;
        let mut by = |at: Option<Instant>| until = until.min(at.unwrap_or(at_most));
        if !self.stopping {
            by(self.next_scan);
            by(self.next_glance);
            by(self
                .hold
                .as_ref()
                .map(|hold| hold.until)
                .filter(|at| *at > now));
            by(self.setbacks.values().filter_map(|s| s.retry_at).min());
            by(self.readers.next_doubt(now, self.setup.orders.give_up));
        }
        by(self.service.next_alive());
        by(self.summaries_at());
        if self.in_hand.is_empty() && self.looking.n_in_hand() == 0 {
            spare::let_go();
        }
        if let Ok(event) = self.events.recv_deadline(until) {
            self.handle(event);
        }
    }

    fn handle_waiting_events(&mut self) {
        while let Ok(event) = self.events.try_recv() {
            self.handle(event);
        }
    }

    fn handle(&mut self, event: Event) {
        match event {
            Event::Look => {
                // From here on, what happens is not sure to be in the listing this one calls for.
                self.bell.look_is_under_way.store(false, Ordering::SeqCst);
                let wait = self.listing_took * LISTING_SHARE;
                self.scan_by(Instant::now() + wait.clamp(SOON_AFTER_A_HINT, AFTER_A_HINT));
            }
            Event::Reload => self.look_for_configuration(true),
            Event::Stop => {
                if !self.stopping {
                    let n = self.in_hand.len();
                    self.say(&format!(
                        "stopping: the photos in hand ({n}) are finished first"
                    ));
                }
                self.stopping = true;
                self.queues.clear();
                self.dirty_benches.clear();
                self.to_read.clear();
                self.looking.stop();
            }
            Event::Read(read) => self.take_in(read.0, read.1, read.2),
            Event::Looked(looked) => self.take_looked(looked.0, looked.1, looked.2),
            Event::Made(made) => self.take_back(made.0, made.1),
            Event::Summed(summed) => self.take_summed(*summed),
        }
    }

    pub(super) fn scan_by(&mut self, at: Instant) {
        self.next_scan = Some(self.next_scan.map_or(at, |next| next.min(at)));
    }

    pub(super) fn warn(&mut self, text: String) {
        let now = Instant::now();
        let is_new = |at: &Instant| now.duration_since(*at) >= BETWEEN_REPORTS;
        if self.reported.get(&text).is_none_or(is_new) {
            tracing::warn!("{text}");
            if self.reported.len() >= 1000 {
                self.reported.clear();
            }
            self.reported.insert(text, now);
        }
    }
}
