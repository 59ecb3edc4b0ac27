//! Photos whose name says nothing, and that somebody must look at before it is known what they are; and what was seen in others:
//! each content is looked at once.

use std::collections::{BTreeMap, HashMap, VecDeque};

use crate::arrive::listing::Rel;
use crate::arrive::settle::Candidate;
use crate::terms::Seen;

use super::known::Known;
use super::work::Work;

/// Photos to be looked at, and what was seen in others.
#[derive(Default)]
pub struct Looking {
    pub(super) waiting: VecDeque<(Candidate, Known)>,
    /// By path, with the bytes that each takes.
    pub(super) in_hand: BTreeMap<Rel, u64>,
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

    /// Lets go of those whose turn has not come.
    pub fn stop(&mut self) {
        self.waiting.clear();
    }

    /// Forgets what was seen, after what is looked for has changed.
    pub fn forget(&mut self) {
        self.seen.clear();
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
        self.waiting.push_back((candidate.clone(), known));
        None
    }
}
