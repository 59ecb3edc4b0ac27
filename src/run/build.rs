//! The engine's work: what is to be made, in which order, by whom, and what happens when it cannot be put in place.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Bound;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::arrive::listing::Rel;
use crate::publish::Trouble;
use crate::publish::kept;
use crate::publish::record::Record;

use super::bell::Event;
use super::engine::{Engine, Hold, JUDGED_AT_ONCE, Mode, Setback, TRIES};
use super::job::{Fate, Job, Stands};
use super::known;
use super::make::{How, Made, make};
use super::world::Held;

/// The first and the longest wait before something that failed is tried again.
const RETRY: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(10));

impl Engine<'_> {
    /// Works out folders and circumstances; benches of which anything is new are planned again.
    pub(super) fn arrange(&mut self) {
        self.arrange_world();
        if let Some(benches) = self.rearranged.take().filter(|_| !self.stopping) {
            self.queues.retain(|bench, _| !benches.contains(bench));
            let part = &self.setup.orders.part;
            let is_own =
                |bench: &String| part.has_path(bench) && !self.world.of_bench(bench).is_empty();
            self.dirty_benches
                .extend(benches.into_iter().filter(is_own));
            self.stale_possible = true;
            self.notice();
            // Nothing is made of a photo of a closed session, but that it came late.
            self.summaries_due |= !self.frozen.is_empty();
        }
    }

    /// Works out folders and circumstances, and keeps in mind which benches that concerns.
    pub(super) fn arrange_world(&mut self) {
        if let Some(benches) = self.world.arrange(self.setup.work.as_ref()) {
            self.rearranged.get_or_insert_default().extend(benches);
        }
    }

    /// Says what is odd about benches and their phones, each once.
    fn notice(&mut self) {
        if self.mode != Mode::Watch {
            return;
        }
        for notice in known::notices(self.world.photos()) {
            if self.noticed.insert(notice.clone()) {
                tracing::warn!("{notice}");
            }
        }
    }

    /// Takes away the folders of photos that are gone, or that have another folder now.
    pub(super) fn remove_stale(&mut self) {
        let is_held = self.hold.as_ref().is_some_and(|h| h.until > Instant::now());
        let ready = !is_held && !self.stopping;
        let (Some(listing), true) = (&self.listing, self.stale_possible && ready) else {
            return;
        };
        self.stale_possible = false;
        let to_come: BTreeSet<String> = listing
            .entries
            .keys()
            .filter(|path| self.world.get(path).is_none())
            .map(Rel::shown)
            .collect();
        let below_gap = |photo: &str| {
            let gaps = listing.gaps.iter().map(|(gap, _)| gap.shown());
            gaps.into_iter()
                .any(|gap| photo.starts_with(&format!("{gap}/")))
        };
        let in_hand: BTreeSet<&String> = self.in_hand.values().map(|h| &h.folder).collect();
        let stale: Vec<String> = self
            .published
            .iter()
            .filter(|(folder, record)| {
                !self.world.uses(folder)
                    && self.setup.orders.part.has_path(folder)
                    && !in_hand.contains(folder)
                    && !to_come.contains(&record.photo)
                    && !below_gap(&record.photo)
            })
            .map(|(folder, _)| folder.clone())
            .collect();
        for folder in stale {
            // Thousands at once take minutes.
            self.service.alive();
            match self.shelf.remove(&folder) {
                Ok(()) => {
                    if let Some(record) = self.published.remove(&folder) {
                        tracing::info!(photo = %record.photo, folder, "removed: the photo is gone or its results lie elsewhere");
                    }
                    self.report.n_removed += 1;
                    self.summaries_due = true;
                }
                Err(trouble) => {
                    self.stale_possible = true;
                    self.could_not_publish(&trouble);
                }
            }
        }
    }

    /// Has the benches planned again whose failed photos are due for another try.
    pub(super) fn requeue_setbacks(&mut self) {
        let now = Instant::now();
        for setback in self.setbacks.values_mut() {
            if setback.retry_at.is_some_and(|at| at <= now) {
                setback.retry_at = None;
                self.dirty_benches.insert(setback.bench.clone());
            }
        }
    }

    pub(super) fn plan(&mut self) {
        if self.stopping || !self.is_done_reading() {
            return;
        }
        for bench in std::mem::take(&mut self.dirty_benches) {
            self.queues.remove(&bench);
            let held = |path: &Rel| self.held(path);
            let orders = &self.setup.orders;
            let mut jobs = self.world.plan(&bench, &self.published, held, orders);
            for job in &mut jobs {
                job.stands = self.stands(job);
            }
            if !jobs.is_empty() {
                self.queues.insert(bench, jobs.into());
            } else if !self.in_hand.values().any(|h| h.bench == bench) {
                self.is_done_with_bench(&bench);
            }
        }
    }

    /// What keeps a photo from being worked on.
    pub(super) fn held(&self, path: &Rel) -> Held {
        if self.in_hand.contains_key(path) {
            return Held::Busy;
        }
        match self.setbacks.get(path) {
            None => Held::Free,
            Some(_) if self.mode != Mode::Watch => Held::GivenUp,
            Some(setback) if setback.retry_at.is_none() => Held::Free,
            Some(setback) if setback.n >= TRIES => Held::GivenUp,
            Some(_) => Held::Busy,
        }
    }

    /// What of a photo's measurement stands beside its results.
    pub(super) fn stands(&self, job: &Job) -> Stands {
        let path = || format!("{}/{}", job.folder, kept::MEASURED);
        let head = || self.shelf.read_head(&path(), kept::HEAD_BYTES);
        let is_asked = job.fate == Fate::Measure && self.published.contains_key(&job.folder);
        if !is_asked || self.not_kept.contains(job.path()) {
            return Stands::Nothing;
        }
        head().map_or(Stands::Nothing, |head| self.setup.work.stands(job, &head))
    }

    /// Hands jobs to the workers, bench by bench in turn, as many as there are workers and memory for.
    pub(super) fn dispatch(&mut self) {
        if self.stopping {
            return;
        }
        let now = Instant::now();
        if self.hold.as_ref().is_some_and(|hold| hold.until > now) {
            return;
        }
        let n_workers = self.setup.orders.workers.max(1);
        let (_, bytes_busy) = self.readers.busy(now);
        loop {
            let after_last = (Bound::Excluded(self.last_bench.clone()), Bound::Unbounded);
            let next = self
                .queues
                .range(after_last)
                .next()
                .or(self.queues.iter().next());
            let Some(bench) = next.map(|(bench, _)| bench.clone()) else {
                return;
            };
            self.last_bench = bench.clone();
            let Some(queue) = self.queues.get_mut(&bench) else {
                return;
            };
            let Some(job) = queue.front() else {
                self.queues.remove(&bench);
                continue;
            };
            let is_judged = |job: &Job| job.stands == Stands::All;
            let n_judged = self.in_hand.values().filter(|h| is_judged(h)).count();
            let n_measured = self.in_hand.len() - n_judged + self.looking.n_in_hand();
            let is_full = match (&self.hold, is_judged(job)) {
                // One photo finds out whether the disk works again.
                (Some(_), _) => n_judged + n_measured > 0,
                (None, true) => n_judged >= JUDGED_AT_ONCE,
                (None, false) => n_measured >= n_workers,
            };
            if is_full {
                return;
            }
            let cost = job.cost_in_hand();
            let fits = self.bytes_in_hand + bytes_busy + cost <= self.setup.orders.memory_bytes;
            if !self.in_hand.is_empty() && (!fits || meets_any(&self.in_hand, job)) {
                return;
            }
            if let Some(job) = queue.pop_front() {
                if queue.is_empty() {
                    self.queues.remove(&bench);
                }
                self.start(job);
            }
        }
    }

    pub(super) fn start(&mut self, mut job: Job) {
        self.bytes_in_hand += job.cost_in_hand();
        if job.fate == Fate::Measure && job.stands == Stands::Nothing {
            let picture = self
                .looking
                .pictures
                .take(&job.origin.provenance.photo_hash);
            job.picture = picture.into();
        }
        let job = Arc::new(job);
        self.in_hand.insert(job.path().clone(), job.clone());
        let (work, shelf) = (self.setup.work.clone(), self.shelf.clone());
        let bell = self.bell.clone();
        self.pool.spawn_fifo(move || {
            let fenced = || make(&job, work.as_ref(), &shelf);
            let made = std::panic::catch_unwind(std::panic::AssertUnwindSafe(fenced))
                .unwrap_or_else(|_| Made::Unsound("the publishing itself failed".to_owned()));
            // Whoever hears of the last job may end the run, and the lock with it.
            drop(shelf);
            bell.ring(Event::Made(Box::new((job, made))));
        });
    }

    /// Takes in what came of a job.
    pub(super) fn take_back(&mut self, job: Arc<Job>, made: Made) {
        let path = job.path().clone();
        if let Some(in_hand) = self.in_hand.remove(&path) {
            self.bytes_in_hand -= in_hand.cost_in_hand();
        }
        match made {
            Made::Published {
                record,
                changed,
                how,
            } => {
                self.hold = None;
                self.setbacks.remove(&path);
                self.not_kept.remove(&path);
                self.report.n_measured += usize::from(how == How::Measured);
                self.report.n_judged += usize::from(how == How::Judged);
                if changed {
                    self.report.n_made += 1;
                }
                say_fate(&record, &job.folder, changed);
                self.is_done_with(&path);
                if changed {
                    self.tell_of_fate(&record);
                }
                self.published.insert(job.folder.clone(), record);
                self.summaries_due = true;
            }
            Made::NotKept => {
                self.warn(format!(
                    "{}: what was kept of its measurement is damaged; it is measured again",
                    job.origin.photo
                ));
                self.not_kept.insert(path);
            }
            Made::Gone(gone) => {
                tracing::debug!("{gone}; planned anew");
                let now = self.start.elapsed();
                let identity = self
                    .listing
                    .as_ref()
                    .and_then(|listing| listing.entries.get(&gone.0))
                    .map(|entry| entry.identity);
                if let Some(identity) = identity {
                    self.settler.again(&gone.0, identity, now);
                }
                // Without this the photo would be planned, and fail, again and again until the next listing.
                self.world.remove(&gone.0);
                self.scan_by(Instant::now());
            }
            Made::Trouble(trouble) => {
                let for_all = trouble.concerns_everything();
                self.could_not_publish(&trouble);
                self.set_back(&path, &job, for_all);
            }
            Made::Unsound(why) => {
                let text = format!(
                    "{}: {why}; this is a mistake in the program, please report it",
                    job.origin.photo
                );
                self.report.failures.push(text.clone());
                self.warn(text);
                self.set_back(&path, &job, false);
            }
        }
        // A photo that went away while it was in hand has left a folder behind.
        self.stale_possible |= !self.world.uses(&job.folder);
        let bench_is_idle = !self.queues.contains_key(&job.bench)
            && !self.in_hand.values().any(|h| h.bench == job.bench);
        if bench_is_idle && !self.stopping {
            self.dirty_benches.insert(job.bench.clone());
        }
    }

    /// Notes that a photo could not be made, and when it is tried again.
    pub(super) fn set_back(&mut self, path: &Rel, job: &Job, for_all: bool) {
        let setback = self.setbacks.entry(path.clone()).or_insert(Setback {
            bench: job.bench.clone(),
            n: 0,
            retry_at: None,
        });
        let hold = self.hold.as_ref().filter(|_| for_all);
        // A full disk is not the photo's fault, so it does not count against it.
        setback.n += u32::from(!for_all);
        let wait = RETRY.0.saturating_mul(1 << setback.n.min(8)).min(RETRY.1);
        setback.retry_at = Some(hold.map_or_else(|| Instant::now() + wait, |hold| hold.until));
    }

    pub(super) fn could_not_publish(&mut self, trouble: &Trouble) {
        self.report.failures.push(trouble.to_string());
        // A daemon that runs for weeks must not collect them.
        self.report.failures.truncate(100);
        if trouble.concerns_everything() && self.mode == Mode::Watch {
            let before = self.hold.as_ref().map_or(RETRY.0 / 2, |hold| hold.wait);
            let wait = (before * 2).min(RETRY.1);
            let until = Instant::now() + wait;
            self.hold = Some(Hold { until, wait });
            self.warn(format!(
                "{trouble}; nothing is lost, it is tried again until it works"
            ));
        } else {
            self.warn(trouble.to_string());
        }
    }
}

/// True where a job's folder is, or lies in or about, that of one in hand.
pub(super) fn meets_any(in_hand: &BTreeMap<Rel, Arc<Job>>, job: &Job) -> bool {
    let below = |a: &str, b: &str| a.strip_prefix(b).is_some_and(|rest| rest.starts_with('/'));
    in_hand.values().any(|h| {
        h.folder == job.folder || below(&h.folder, &job.folder) || below(&job.folder, &h.folder)
    })
}

/// Writes one line of the log about a photo: what became of it.
fn say_fate(record: &Record, folder: &str, changed: bool) {
    let codes: Vec<&str> = record.reasons.iter().map(|r| r.code.as_str()).collect();
    tracing::info!(
        photo = %record.photo,
        bench = %record.bench,
        verdict = record.verdict.as_str(),
        reasons = codes.join(" "),
        rule = %record.rule,
        folder,
        changed,
        "published"
    );
}
