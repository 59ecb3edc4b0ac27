//! The engine's view of the inbox: listings, settling, taking files in, and a configuration that changes meanwhile.

use std::collections::HashSet;
use std::time::{Duration, Instant};

use crate::arrive::listing::{self, Identity, Listing, Rel};
use crate::arrive::settle::{Candidate, Chance, Sight};
use crate::publish::names;
use crate::system::{network_kind, numbers_mean_content};
use crate::terms::Sessions;

use super::engine::{AFTER_A_HINT, Engine, JUDGED_AT_ONCE, Mode, TRIES};
use super::failure::Failure;
use super::intake::{Insist, Intake, Taken, recalled, unanswered};
use super::ledger;
use super::read::Progress;
use super::sessions::{dated_folder, dated_words};
use super::threads;
use super::work::Part;

/// Of more files than these that have not come to rest, a listing of all costs no more than a look at each.
const MOST_AT_A_GLANCE: usize = 200;

impl Engine<'_> {
    /// Lists the inbox, and takes note of what came, changed and went away.
    pub(super) fn scan(&mut self) -> Result<(), Failure> {
        let watching = self.mode == Mode::Watch;
        self.next_scan = watching.then(|| Instant::now() + self.setup.orders.rescan);
        if watching {
            self.look_for_configuration(false);
            self.keep_shelf();
            if let Err(silent) = self.follower.keep_up() {
                let every = self.setup.orders.rescan;
                tracing::warn!("{silent}; the inbox is listed every {every:?} instead");
            }
        }
        let began = Instant::now();
        let closed = self.follower.take_closed();
        match self.list() {
            Ok(listing) => {
                let is_first = self.listing.is_none();
                self.take_listing(listing, &closed);
                self.listing_took = began.elapsed();
                self.tell_of_listing(is_first);
                self.say_alive(false);
            }
            Err(why) if watching => {
                self.say_alive(true);
                self.warn(why);
            }
            Err(why) => return Err(Failure::Work(why)),
        }
        self.service.ready();
        Ok(())
    }

    /// The inbox as it is now, or why it cannot be had or is not to be believed, in words.
    fn list(&self) -> Result<Listing, String> {
        let inbox = &self.setup.orders.inbox;
        let shown = inbox.display();
        let watching = self.mode == Mode::Watch;
        let listing = listing::list(inbox).map_err(|error| match watching {
            true => format!(
                "the inbox {shown} cannot be listed ({error}); the results stay as they are until it is back"
            ),
            false => format!("the inbox {shown} cannot be listed: {error}"),
        })?;
        let Some(doubt) = self.doubt_of_an_empty_inbox(&listing) else {
            return Ok(self.of_part(listing));
        };
        let way_out = match watching {
            true => " until there is something in it",
            false => "; if it is meant to be empty, delete the results folder",
        };
        Err(format!(
            "the inbox {shown} is empty, and {doubt}: is its disk unmounted? The results stay as they are{way_out}"
        ))
    }

    /// What of a listing is asked for.
    fn of_part(&self, mut listing: Listing) -> Listing {
        listing
            .entries
            .retain(|path, _| self.asks_for(&path.shown()));
        listing
    }

    /// True where the photo of this path, as shown, may have a part in what is made, as far as a path tells: of one session its own, of
    /// what spans them those of closed ones.
    pub(super) fn asks_for(&self, photo: &str) -> bool {
        let orders = &self.setup.orders;
        if orders.part == Part::All || orders.sessions != Sessions::Folder {
            return true;
        }
        let session = orders.sessions.of(photo, None).unwrap_or_default();
        let folder = names::session_folder(&session);
        let is_late = || orders.part == Part::Index && self.frozen.contains_key(&folder);
        orders.part.has(&folder) || is_late()
    }

    fn take_listing(&mut self, mut listing: Listing, closed: &HashSet<Rel>) {
        let is_other = |before: &Listing| before.root != listing.root;
        if self.listing.as_ref().is_none_or(is_other) {
            let inbox = &self.setup.orders.inbox;
            self.is_network = network_kind(inbox).is_some();
            self.keeps_identity = numbers_mean_content(inbox);
            self.set_times();
        }
        self.complete(&mut listing);
        for (gap, error) in &listing.gaps {
            self.warn(format!(
                "{}: cannot be listed for now ({error}); what was there still counts",
                gap.shown()
            ));
        }
        for path in &listing.not_here {
            let before = self.listing.as_ref();
            if before.is_none_or(|before| !before.not_here.contains(path)) {
                tracing::info!(path = %path.shown(), "not here yet: a temporary name");
            }
        }
        if self.listing.is_none()
            && self.setup.orders.sessions == Sessions::None
            && let Some(folder) = dated_folder(&listing)
        {
            self.warn(dated_words(&folder));
        }
        let settled = self.settle(&listing, closed);
        self.read_soon(settled);
        self.forget_vanished(&listing);
        self.listing = Some(listing);
        if self.mode != Mode::Watch && self.start.elapsed() >= self.sweep_limit() {
            let rest = self.settler.all_that_wait().into_iter();
            self.to_read.extend(rest.map(|c| (c, Insist::OnEverything)));
        }
        self.schedule_look();
    }

    fn read_soon(&mut self, settled: Vec<Candidate>) {
        for candidate in settled {
            let insist = match candidate.chance {
                Chance::Early => Insist::OnItsEnd,
                Chance::Usual => Insist::No,
                Chance::Last => Insist::OnUnfinished,
            };
            self.to_read.push_back((candidate, insist));
        }
    }

    /// Looks at the files that have not come to rest, and at no others; where any of them is not as it was listed, all are listed.
    pub(super) fn glance(&mut self) {
        self.next_glance = None;
        let inbox = &self.setup.orders.inbox;
        let is_as_listed = |(path, identity): &(&Rel, Identity)| {
            listing::look_again(inbox, path).is_some_and(|entry| entry.identity == *identity)
        };
        let n_waiting = self.settler.waiting().count();
        let same: Vec<Rel> = self
            .settler
            .waiting()
            .take(MOST_AT_A_GLANCE + 1)
            .take_while(is_as_listed)
            .map(|(path, _)| path.clone())
            .collect();
        if same.len() < n_waiting || n_waiting > MOST_AT_A_GLANCE {
            self.scan_by(Instant::now());
            return;
        }
        let settled = self.settler.found_again(self.start.elapsed(), &same);
        self.read_soon(settled);
        self.schedule_look();
    }

    /// Adds what a listing may have missed: what was known below a folder that could not be listed just now, and files that
    /// were replaced while it ran.
    fn complete(&self, listing: &mut Listing) {
        if let Some(before) = &self.listing {
            for (gap, _) in &listing.gaps {
                let below = before.entries.iter().filter(|(path, _)| path.is_below(gap));
                let kept = below.map(|(path, entry)| (path.clone(), entry.clone()));
                listing.entries.extend(kept);
            }
        }
        for path in self.world.paths() {
            if !listing.entries.contains_key(path)
                && let Some(entry) = listing::look_again(&self.setup.orders.inbox, path)
            {
                listing.entries.insert(path.clone(), entry);
            }
        }
    }

    /// The files that have come to rest.
    fn settle(&mut self, listing: &Listing, closed: &HashSet<Rel>) -> Vec<Candidate> {
        let glance = self.clock.look();
        let is_first = self.listing.is_none();
        let trust_times = !self.is_network && (is_first || self.mode != Mode::Watch);
        let sights = listing.entries.iter().map(|(path, entry)| {
            let quiet = match trust_times {
                true => glance.quiet(&entry.identity),
                false => Duration::ZERO,
            };
            let sight = Sight {
                identity: entry.identity,
                quiet,
                closed: closed.contains(path),
            };
            (path.clone(), sight)
        });
        self.settler.observe(self.start.elapsed(), sights)
    }

    fn forget_vanished(&mut self, listing: &Listing) {
        let is_gone = |path: &&Rel| !listing.entries.contains_key(*path);
        let vanished: Vec<Rel> = self.world.paths().filter(is_gone).cloned().collect();
        for path in vanished {
            self.world.remove(&path);
            self.setbacks.remove(&path);
            self.not_kept.remove(&path);
            self.read_failures.remove(&path);
            self.unread.remove(&path);
        }
    }

    /// Why an empty inbox may not be the inbox: an unmounted disk leaves an empty folder behind, and taking that for the
    /// inbox would cost the whole class its results.
    ///
    /// A sweep is asked for what is there now, so it goes on where only the folder was made anew on the same disk.
    fn doubt_of_an_empty_inbox(&self, listing: &Listing) -> Option<String> {
        let (root, n) = match &self.listing {
            Some(before) => (before.root, before.entries.len()),
            None => self
                .ledger
                .inbox
                .map(|inbox| (inbox.root, inbox.n_entries))?,
        };
        let is_other_disk = root.0 != listing.root.0;
        let is_in_doubt = match self.mode {
            Mode::Watch => root != listing.root,
            Mode::Sweep => is_other_disk,
        };
        if n == 0 || !listing.entries.is_empty() || !is_in_doubt {
            return None;
        }
        let where_ = if is_other_disk {
            "on another disk"
        } else {
            "another folder"
        };
        Some(format!("{where_} than when it held {n} files"))
    }

    /// A sweep must end even if a file never comes to rest.
    pub(super) fn sweep_limit(&self) -> Duration {
        (self.setup.orders.settle * 5).max(Duration::from_millis(200))
    }

    pub(super) fn schedule_look(&mut self) {
        let Some(at) = self.settler.next_look(self.start.elapsed()) else {
            return;
        };
        let at = self.start + at;
        if self.mode == Mode::Watch && !self.is_network {
            self.next_glance = Some(self.next_glance.map_or(at, |next| next.min(at)));
        } else {
            self.scan_by(at);
        }
    }

    pub(super) fn start_reading(&mut self) {
        while let Some((candidate, _)) = self.to_read.front() {
            let size = candidate.identity.size;
            if let Some((candidate, taken)) = self.recall() {
                self.to_read.pop_front();
                self.take(candidate, taken);
                continue;
            }
            let (n_busy, bytes_busy) = self.readers.busy(Instant::now());
            let orders = &self.setup.orders;
            let fits = bytes_busy + self.bytes_in_hand + size <= orders.memory_bytes;
            let enough = n_busy >= orders.workers.max(1);
            if enough || !fits && n_busy + self.in_hand.len() > 0 {
                return;
            }
            let Some((candidate, insist)) = self.to_read.pop_front() else {
                return;
            };
            let listing = self.listing.as_ref();
            let entry = listing.and_then(|l| l.entries.get(&candidate.path));
            let Some(kind) = entry.map(|entry| entry.kind.clone()) else {
                continue;
            };
            if !self.readers.may_try() {
                self.unread
                    .insert(candidate.path.clone(), candidate.identity);
                self.take_unanswered(candidate);
                continue;
            }
            let intake = Intake {
                candidate: candidate.clone(),
                kind,
                insist,
                inbox: orders.inbox.clone(),
                max_file_bytes: orders.max_file_bytes,
            };
            let work = self.setup.work.clone();
            let read = move |progress: &Progress| intake.take_in(work.as_ref(), progress);
            let bell = self.bell.clone();
            if let Err(error) = self.readers.start(candidate.clone(), bell, read) {
                let what = format!("no thread to read it on ({error})");
                self.take(candidate, Taken::Passing(what));
            }
        }
    }

    /// Gives up what the disk has not given for so long, so that it has a row and holds up nobody.
    pub(super) fn give_up_stuck(&mut self) {
        let patience = self.setup.orders.give_up;
        for candidate in self.readers.give_up(Instant::now(), patience) {
            self.warn(format!(
                "{}: the disk does not answer when it is read; the others go on without it",
                candidate.path.shown()
            ));
            self.take_unanswered(candidate);
        }
    }

    fn take_unanswered(&mut self, candidate: Candidate) {
        let (shown, waited) = (candidate.path.shown(), self.setup.orders.give_up);
        let taken = unanswered(&shown, waited, self.setup.work.as_ref());
        self.take(candidate, taken);
    }

    pub(super) fn take_in(&mut self, number: u64, candidate: Candidate, taken: Taken) {
        if !self.readers.came_back(number) {
            // The disk answers again.
            let now = self.start.elapsed();
            self.settler.again(&candidate.path, candidate.identity, now);
            self.schedule_look();
            return;
        }
        if let Taken::Known(known) = &taken
            && self.is_worth_remembering(candidate.identity)
            && known.fault.is_none()
        {
            self.ledger.remember(known, candidate.identity);
        }
        self.take(candidate, taken);
    }

    /// True where the file's own times, now that it has been read, would show every later change.
    fn is_worth_remembering(&mut self, identity: Identity) -> bool {
        let root = self.listing.as_ref().map(|listing| listing.root.0);
        self.keeps_identity
            && root == Some(identity.dev)
            && self.clock.look().quiet(&identity) >= ledger::STEP
    }

    /// The next file, where it was read in an earlier run and has not changed since.
    fn recall(&self) -> Option<(Candidate, Taken)> {
        let (candidate, insist) = self.to_read.front()?;
        let listing = self.listing.as_ref()?;
        let entry = listing.entries.get(&candidate.path)?;
        let orders = &self.setup.orders;
        let is_plain = entry.kind == listing::Kind::File
            && entry.identity == candidate.identity
            && entry.identity.dev == listing.root.0
            && entry.identity.size <= orders.max_file_bytes;
        if !is_plain || !self.keeps_identity {
            return None;
        }
        let shown = candidate.path.shown();
        let line = self.ledger.recall(&shown, candidate.identity)?;
        let work = self.setup.work.as_ref();
        let taken = recalled(candidate, line, shown, *insist, work);
        Some((candidate.clone(), taken))
    }

    pub(super) fn take(&mut self, candidate: Candidate, taken: Taken) {
        let now = self.start.elapsed();
        let work = self.setup.work.as_ref();
        let taken = match taken {
            Taken::Known(known) => match self.looking.weigh(&candidate, *known, work) {
                Some(known) => Taken::Known(Box::new(known)),
                None => return,
            },
            other => other,
        };
        let Candidate { path, identity, .. } = candidate;
        match taken {
            Taken::Known(known) => {
                self.read_failures.remove(&path);
                if self.settler.take(&path, identity) {
                    let before = self.world.get(&path);
                    if before.is_none_or(|before| !before.is_same_content(&known)) {
                        self.setbacks.remove(&path);
                        self.world.insert(path, *known);
                    }
                }
            }
            Taken::Unfinished(why) => {
                if let Some(why) = why {
                    tracing::info!(photo = %path.shown(), "waiting for the rest: {why}");
                }
                self.settler.suspect(&path, identity);
                self.schedule_look();
            }
            Taken::Changed | Taken::Gone => {
                self.settler.again(&path, identity, now);
                self.scan_by(Instant::now() + AFTER_A_HINT);
                self.schedule_look();
            }
            Taken::Passing(what) => {
                self.warn(format!("{}: {what}", path.shown()));
                let n = self.read_failures.entry(path.clone()).or_default();
                *n += 1;
                if *n > TRIES {
                    self.unread.insert(path.clone(), identity);
                    let last = Candidate {
                        path,
                        identity,
                        chance: Chance::Last,
                    };
                    self.to_read.push_back((last, Insist::OnEverything));
                } else {
                    self.settler.again(&path, identity, now);
                    self.schedule_look();
                }
            }
        }
    }

    /// Has a photo looked at that the new rules ask to be looked at. What is published of it stands until then.
    fn look_again(&mut self, path: &Rel) {
        let listing = self.listing.as_ref();
        let entry = listing.and_then(|listing| listing.entries.get(path));
        let Some((identity, known)) = entry.map(|e| e.identity).zip(self.world.get(path).cloned())
        else {
            return;
        };
        if self.settler.reopen(path, identity) {
            let candidate = Candidate {
                path: path.clone(),
                identity,
                chance: Chance::Usual,
            };
            self.take(candidate, Taken::Known(Box::new(known)));
        }
    }

    pub(super) fn look_for_configuration(&mut self, forced: bool) {
        match self.reload.changed(forced) {
            None => {}
            Some(Err(why)) => {
                tracing::error!(
                    "the changed configuration cannot be used, the old one stays in force: {why}"
                );
            }
            Some(Ok(mut setup)) => {
                let (old, new) = (&self.setup.orders, &mut setup.orders);
                if (&old.inbox, &old.results) != (&new.inbox, &new.results) {
                    tracing::warn!("other folders in the configuration count from the next start");
                    new.inbox = old.inbox.clone();
                    new.results = old.results.clone();
                }
                if old.workers != new.workers {
                    match threads::pool(new.workers + JUDGED_AT_ONCE, "worker") {
                        // The old pool finishes what it has.
                        Ok(pool) => self.pool = pool,
                        Err(failure) => tracing::error!("{failure}"),
                    }
                }
                self.say("the changed configuration is in force");
                let looks_otherwise = old.looks_hash != new.looks_hash;
                new.part = old.part.clone();
                new.screen = old.screen.clone();
                new.address = old.address.clone();
                self.report.n_decoded += self.setup.work.n_decoded();
                self.setup = setup;
                self.cost_due = true;
                self.world.follow(&self.setup.orders);
                self.set_times();
                self.setbacks.clear();
                if looks_otherwise {
                    self.looking.forget();
                }
                self.looking.pictures.clear();
                let work = self.setup.work.as_ref();
                for path in self.world.decide_again(work, looks_otherwise) {
                    self.look_again(&path);
                }
                self.sum_all_anew();
            }
        }
    }
}
