//! Between reading and planning: photos whose name says nothing are looked at, on the workers' threads. Nothing is planned
//! meanwhile, for what they turn out to be may concern any other.

use std::panic::{AssertUnwindSafe, catch_unwind};

use crate::arrive::settle::Candidate;
use crate::terms::Seen;

use super::bell::Event;
use super::engine::Engine;
use super::intake::Taken;
use super::job::Fate;
use super::known::Known;
use super::looking::{InHand, Looked, turn};
use super::read::Source;
use super::work::Work;

impl Engine<'_> {
    /// Hands photos to the workers to be looked at, as many as there are workers and memory for: once all are read, for then it is known in
    /// which order they were taken.
    pub(super) fn start_looking(&mut self) {
        if !self.is_read() {
            return;
        }
        while let Some(turn) = self.looking.next() {
            let Some((candidate, known)) = self.looking.waiting.get(&turn) else {
                return;
            };
            let cost = known.cost(&Fate::Measure, std::iter::empty());
            let orders = &self.setup.orders;
            let n_in_hand = self.in_hand.len() + self.looking.n_in_hand();
            let fits = self.bytes_in_hand + cost <= orders.memory_bytes;
            let is_full = n_in_hand >= orders.workers.max(1);
            if is_full || !fits && n_in_hand > 0 {
                return;
            }
            if self.looking.in_hand.contains_key(&candidate.path) {
                return;
            }
            let n_to_come = self.looking.n_in_hand();
            let pictures = &self.looking.pictures;
            match pictures.has_room(n_to_come, orders.picture_bytes) {
                true => {}
                false if self.make_room() => continue,
                false => return,
            }
            let Some((candidate, known)) = self.looking.waiting.remove(&turn) else {
                return;
            };
            self.looking.begin(turn);
            let orders = &self.setup.orders;
            let source = Source {
                inbox: orders.inbox.clone(),
                path: candidate.path.clone(),
                size: known.size,
                patience: orders.give_up,
            };
            self.bytes_in_hand += cost;
            let in_hand = InHand {
                n_bytes: cost,
                is_outdated: false,
            };
            self.looking.in_hand.insert(candidate.path.clone(), in_hand);
            let (work, bell) = (self.setup.work.clone(), self.bell.clone());
            self.pool.spawn_fifo(move || {
                let looked = look(&source, &known.hash, work.as_ref());
                bell.ring(Event::Looked(Box::new((candidate, known, looked))));
            });
        }
    }

    /// Takes in what was seen.
    pub(super) fn take_looked(
        &mut self,
        candidate: Candidate,
        known: Known,
        looked: Option<Looked>,
    ) {
        if let Some(in_hand) = self.looking.in_hand.remove(&candidate.path) {
            self.bytes_in_hand -= in_hand.n_bytes;
            if in_hand.is_outdated {
                let turn = turn(&candidate.path, &known);
                self.looking.waiting.insert(turn, (candidate, known));
                return;
            }
        }
        let Some((seen, picture)) = looked else {
            self.take(candidate, Taken::Gone);
            return;
        };
        self.looking.remember(&known.hash, seen.clone());
        let turn = turn(&candidate.path, &known);
        let known = known.looked_at(seen, self.setup.work.as_ref());
        if let Some(picture) =
            picture.filter(|_| known.fate() == Fate::Measure && !known.is_slate())
        {
            let most_bytes = self.setup.orders.picture_bytes;
            let pictures = &mut self.looking.pictures;
            pictures.keep(turn, &known.hash, picture, most_bytes);
        }
        self.take(candidate, Taken::Known(Box::new(known)));
    }
}

/// What a photo looks like; nothing where its file has changed. A panic costs this photo's looks only.
fn look(source: &Source, hash: &str, work: &dyn Work) -> Option<Looked> {
    let bytes = source.read(hash).ok()?;
    let look = || work.look(&bytes);
    let looked = catch_unwind(AssertUnwindSafe(look));
    Some(looked.unwrap_or_else(|_| {
        tracing::error!(photo = %source.path.shown(), "this program failed on looking at it; keep it for a report");
        (Seen::nothing("this program failed on looking at it"), None)
    }))
}
