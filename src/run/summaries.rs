//! When the class's tables and pages are made anew, and what is done with what came of it.

use std::io;
use std::time::{Duration, Instant};

use crate::publish::{Trouble, names};

use super::bell::Event;
use super::clock::now_ms;
use super::engine::{Engine, Mode};
use super::sessions::by_session;
use super::summing::{Summed, Wanted, sum};
use super::work::Part;

/// While photos are in hand the summaries follow a change within this time, or within ten times what making them takes.
const BETWEEN_SUMMARIES: Duration = Duration::from_millis(500);

impl Engine<'_> {
    /// When the tables and pages are to be made next; absent where they are not due.
    pub(super) fn summaries_at(&self) -> Option<Instant> {
        if !self.summaries_due || self.is_summing || self.listing.is_none() || self.stopping {
            return None;
        }
        let has_nothing_in_hand =
            self.is_done_reading() && self.queues.is_empty() && self.in_hand.is_empty();
        let is_idle = has_nothing_in_hand && self.settler.n_pending() == 0;
        // A bench waits for its page, and no photo for the processor.
        let wait = |took: Duration| match self.mode {
            Mode::Watch if has_nothing_in_hand => took * 2,
            _ => BETWEEN_SUMMARIES.max(took * 10),
        };
        let at = match self.last_summaries {
            Some((at, took)) => at + wait(took),
            None if is_idle => self.start,
            None => self.start + BETWEEN_SUMMARIES,
        };
        Some(self.hold.as_ref().map_or(at, |hold| at.max(hold.until)))
    }

    /// Has the tables and pages made on another thread, of which [`Engine::take_summed`] hears.
    pub(super) fn start_summing(&mut self) {
        self.summaries_due = false;
        let orders = &self.setup.orders;
        let mut sessions = by_session(&self.published, orders.sessions);
        sessions.retain(|folder, _| orders.part.has(folder));
        let is_asked_for = |path: &&String| match &orders.part {
            Part::Index => names::is_over_sessions(path),
            part => part.has_path(path),
        };
        let wanted = Wanted {
            sessions,
            over: self.over_sessions(),
            standing: self.standing.iter().filter(is_asked_for).cloned().collect(),
            inventory: self.inventory,
            basis: self.basis,
            made: std::mem::take(&mut self.made),
        };
        let (work, shelf) = (self.setup.work.clone(), self.shelf.clone());
        let bell = self.bell.clone();
        let sum = move || {
            let summed = sum(&wanted, work.as_ref(), &shelf);
            // Whoever hears of this may end the run, and the lock with it.
            drop(shelf);
            bell.ring(Event::Summed(Box::new(summed)));
        };
        let thread = std::thread::Builder::new().name("summaries".to_owned());
        match thread.spawn(sum) {
            Ok(_) => self.is_summing = true,
            Err(error) => {
                self.summaries_due = self.mode == Mode::Watch;
                self.last_summaries = Some((Instant::now(), Duration::ZERO));
                self.warn(format!("no thread for the tables and pages: {error}"));
            }
        }
    }

    /// Has the tables and pages of all sessions made, whether or not their records changed.
    pub(super) fn sum_all_anew(&mut self) {
        self.made.clear();
        self.basis += 1;
        self.summaries_due = true;
    }

    /// Has the tables and pages made a last time where they are due, and waits for them.
    pub(super) fn finish_summing(&mut self) {
        let mut is_last = false;
        loop {
            if !self.is_summing {
                if is_last || !self.summaries_due || self.listing.is_none() {
                    return;
                }
                is_last = true;
                self.start_summing();
                continue;
            }
            self.service.alive();
            let at_most = Instant::now() + Duration::from_secs(3600);
            let until = self.service.next_alive().unwrap_or(at_most);
            if let Ok(Event::Summed(summed)) = self.events.recv_deadline(until) {
                self.take_summed(*summed);
            }
        }
    }

    /// Takes in what came of making the tables and pages.
    pub(super) fn take_summed(&mut self, summed: Summed) {
        self.is_summing = false;
        self.last_summaries = Some((summed.began, summed.took));
        for mistake in summed.mistakes {
            let text = format!("{mistake}: a mistake in the program, please report it");
            self.report.failures.push(text.clone());
            self.warn(text);
        }
        let has_failed = !summed.troubles.is_empty();
        for trouble in &summed.troubles {
            self.could_not_publish(trouble);
        }
        // A sweep does not try again, and a published file that somebody damaged does not mend by itself.
        let may_pass = |trouble: &Trouble| trouble.source.kind() != io::ErrorKind::InvalidData;
        let is_worth_it = summed.troubles.iter().any(may_pass);
        self.summaries_due |= is_worth_it && self.mode == Mode::Watch;
        // Results that were made anew meanwhile have had their stock taken, and are due.
        if summed.basis == self.basis {
            self.made = summed.made;
        }
        if summed.inventory == self.inventory {
            self.standing = summed.paths;
        }
        if summed.has_written {
            self.made_ms = now_ms();
            self.has_written = true;
            self.say_alive(false);
        }
        self.say_in_sessions();
        if summed.has_written && !has_failed {
            self.hold = None;
        }
        let n = summed.n_photos;
        self.service
            .status(&format!("{n} photos have their results"));
    }
}
