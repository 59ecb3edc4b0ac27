//! Photos whose name says nothing, and that somebody must look at before it is known what they are; and what was seen in others:
//! each content is looked at once.

use std::collections::{BTreeMap, HashMap};

use crate::arrive::listing::Rel;
use crate::arrive::settle::Candidate;
use crate::lab::Picture;
use crate::terms::Seen;

use super::known::Known;
use super::pictures::{Pictures, Turn};
use super::work::Work;

/// So many of a bench's last photos are looked at first: its lamp photo, and a slate before it or another photo behind it.
const LAST_FIRST: usize = 2;

/// When a photo's turn comes.
pub fn turn(path: &Rel, known: &Known) -> Turn {
    let bench = known.by_itself.bench().to_owned();
    (bench, known.facts.taken, path.clone())
}

/// What a look brings: what was seen, and the picture, where it could be decoded.
pub type Looked = (Seen, Option<Picture>);

/// A photo that is being looked at.
pub struct InHand {
    /// Bytes that it takes.
    pub n_bytes: u64,
    /// True where what is looked for has changed meanwhile.
    pub is_outdated: bool,
}

/// Photos to be looked at, and what was seen in others.
#[derive(Default)]
pub struct Looking {
    pub(super) waiting: BTreeMap<Turn, (Candidate, Known)>,
    /// The bench that is looked at, and how many of its photos were begun with.
    pub(super) bench: (String, usize),
    pub(super) in_hand: BTreeMap<Rel, InHand>,
    /// Of those that were looked at and are still to be measured.
    pub(super) pictures: Pictures,
    /// By the hash of a photo's bytes.
    seen: HashMap<String, Seen>,
}

impl Looking {
    /// True where nobody is to be looked at.
    pub fn is_done(&self) -> bool {
        self.waiting.is_empty() && self.in_hand.is_empty()
    }

    /// Photos that are being looked at.
    pub fn n_in_hand(&self) -> usize {
        self.in_hand.len()
    }

    /// The photo that is to be looked at next. Of a bench the last ones come first: a lamp photo is taken at the beginning, at the end,
    /// or both, and a slate before what it speaks of.
    pub fn next(&self) -> Option<Turn> {
        let (bench, ..) = self.waiting.keys().next()?;
        let mut of_bench = self.waiting.keys().take_while(|turn| turn.0 == *bench);
        let n_begun = match *bench == self.bench.0 {
            true => self.bench.1,
            false => 0,
        };
        let next = match n_begun < LAST_FIRST {
            true => of_bench.last(),
            false => of_bench.next(),
        };
        next.cloned()
    }

    /// Notes that a photo is being looked at.
    pub fn begin(&mut self, turn: Turn) {
        match turn.0 == self.bench.0 {
            true => self.bench.1 += 1,
            false => self.bench = (turn.0, 1),
        }
    }

    /// Lets go of those whose turn has not come.
    pub fn stop(&mut self) {
        self.waiting.clear();
    }

    /// Forgets what was seen, after what is looked for has changed.
    pub fn forget(&mut self) {
        self.seen.clear();
        for in_hand in self.in_hand.values_mut() {
            in_hand.is_outdated = true;
        }
    }

    /// Notes what was seen in a photo of this hash.
    pub fn remember(&mut self, hash: &str, seen: Seen) {
        self.seen.insert(hash.to_owned(), seen);
    }

    /// What is known of a photo where nobody need look at it, or nothing where its turn is to come.
    pub fn weigh(&mut self, candidate: &Candidate, known: Known, work: &dyn Work) -> Option<Known> {
        if !known.asks_to_look() {
            return Some(known);
        }
        if let Some(seen) = self.seen.get(&known.hash) {
            return Some(known.looked_at(seen.clone(), work));
        }
        let turn = turn(&candidate.path, &known);
        self.waiting.insert(turn, (candidate.clone(), known));
        None
    }
}
