//! Reads a listed entry of the inbox, hashes it, checks that it reaches its own end, and finds its facts and its rule.

use std::io::ErrorKind;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::time::Duration;

use crate::arrive::listing::Kind;
use crate::arrive::settle::Candidate;
use crate::classify::{Decision, Evidence, Outcome, Purpose};
use crate::decode::{self, Facts};
use crate::terms::{Capture, Code};

use super::known::Known;
use super::ledger::Line;
use super::read::{self, Progress, Reading};
use super::work::Work;

/// What came of taking in an entry.
pub enum Taken {
    /// All that is known of it.
    Known(Box<Known>),
    /// It looks unfinished, and may still be finished: why it does, where it had time enough.
    Unfinished(Option<String>),
    /// It changed meanwhile.
    Changed,
    /// It is not there any more.
    Gone,
    /// The disk fails; trying again may help.
    Passing(String),
}

/// What is accepted when an entry is taken in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Insist {
    /// Come back later with whatever does not show its own end.
    OnItsEnd,
    /// Come back later with whatever is not in order.
    No,
    /// Accept a file that does not look finished.
    OnUnfinished,
    /// Accept everything: there is no later.
    OnEverything,
}

/// One entry to be taken in.
pub struct Intake {
    /// Which, and what it looked like.
    pub candidate: Candidate,
    /// What it is.
    pub kind: Kind,
    /// What is to be accepted.
    pub insist: Insist,
    /// Where it lies.
    pub inbox: PathBuf,
    /// A larger file is not read.
    pub max_file_bytes: u64,
}

impl Intake {
    /// Reads the entry, and finds out what can be known of it before it is decoded.
    pub fn take_in(&self, work: &dyn Work, progress: &Progress) -> Taken {
        let shown = self.candidate.path.shown();
        let identity = self.candidate.identity;
        let at_fault = |code, what: String| at_fault(&shown, code, what, work);
        if let Kind::Other(what) = &self.kind {
            return at_fault(Code::Unreadable, what.clone());
        }
        if identity.size > self.max_file_bytes {
            // Not even read: a film, or a terabyte of nothing, would keep all the others waiting.
            let mib = |n: u64| n.div_ceil(1 << 20);
            let what = format!(
                "a file of {} MiB, over the limit of {} MiB; send the photo itself, smaller",
                mib(identity.size),
                mib(self.max_file_bytes)
            );
            return at_fault(Code::TooLarge, what);
        }
        let is_last = self.insist == Insist::OnEverything;
        let (bytes, hash) = match read::read(&self.inbox, &self.candidate.path, identity, progress)
        {
            Reading::Whole { bytes, hash } => (bytes, hash),
            Reading::Changed if is_last => {
                let what = "it was still being written when the program had to go on; run it again";
                return at_fault(Code::Truncated, what.to_owned());
            }
            Reading::Changed => return Taken::Changed,
            Reading::Gone => return Taken::Gone,
            Reading::Failed(error) if error.kind() == ErrorKind::PermissionDenied => {
                let what = "it may not be read (permission denied); give this program the right to read it";
                return at_fault(Code::Unreadable, what.to_owned());
            }
            Reading::Failed(error) => {
                let what = format!("the disk does not give it ({error}); copy it there again");
                return if is_last {
                    at_fault(Code::Unreadable, what)
                } else {
                    Taken::Passing(what)
                };
            }
        };
        // A panic on one file's header costs that file's facts only.
        let facts = catch_unwind(AssertUnwindSafe(|| work.facts(&bytes))).unwrap_or_default();
        let mut known = decided(shown, facts, work);
        known.hash = hash;
        known.size = identity.size;
        if self.insist == Insist::OnItsEnd {
            let look = || decode::shows_its_end(&bytes);
            if !catch_unwind(AssertUnwindSafe(look)).unwrap_or_default() {
                return Taken::Unfinished(None);
            }
            return Taken::Known(Box::new(known));
        }
        let look = || decode::suspicion(&bytes);
        known.suspicion = catch_unwind(AssertUnwindSafe(look)).unwrap_or_default();
        weigh(known, self.insist)
    }
}

/// What is said of a file whose disk did not answer for so long.
pub fn unanswered(shown: &str, waited: Duration, work: &dyn Work) -> Taken {
    let what = format!(
        "the disk does not answer when it is read (waited {} s); it is read as soon as the disk answers: see to the network, or \
         copy the photo there again",
        waited.as_secs()
    );
    at_fault(shown, Code::Unreadable, what, work)
}

fn at_fault(shown: &str, code: Code, what: String, work: &dyn Work) -> Taken {
    let mut known = decided(shown.to_owned(), Facts::default(), work);
    known.fault = Some((code, what));
    Taken::Known(Box::new(known))
}

/// What [`Intake::take_in`] would say of a file that was read before and has not changed since.
pub fn recalled(
    candidate: &Candidate,
    line: &Line,
    shown: String,
    insist: Insist,
    work: &dyn Work,
) -> Taken {
    let mut known = decided(shown, line.facts.clone(), work);
    known.hash = line.hash.clone();
    known.size = candidate.identity.size;
    known.suspicion = line.suspicion.clone();
    weigh(known, insist)
}

/// Sends a file back that does not look finished, as long as the rest may still come. What is ignored need not be whole.
fn weigh(known: Known, insist: Insist) -> Taken {
    let is_ignored = matches!(known.decision.outcome, Outcome::Ignore { .. });
    match (&known.suspicion, insist) {
        (Some(why), Insist::No | Insist::OnItsEnd) if !is_ignored && known.fault.is_none() => {
            Taken::Unfinished(Some(why.clone()))
        }
        _ => Taken::Known(Box::new(known)),
    }
}

/// Asks the rules about a photo. A panic in them costs this photo only.
fn decided(shown: String, facts: Facts, work: &dyn Work) -> Known {
    match catch_unwind(AssertUnwindSafe(|| {
        work.decide_on(&Evidence::new(&shown, &facts))
    })) {
        Ok(decision) => Known::new(shown, facts, decision),
        Err(_) => {
            let decision = undecided(&shown);
            let mut known = Known::new(shown, facts, decision);
            let what = "this program failed on the rules for it; keep it for a report";
            known.fault = Some((Code::Unreadable, what.to_owned()));
            known
        }
    }
}

fn undecided(shown: &str) -> Decision {
    let (folder, rest) = shown.split_once('/').unwrap_or(("unnamed", shown));
    let name = rest.rsplit('/').next().unwrap_or(rest);
    Decision {
        rule: String::new(),
        outcome: Outcome::Measure(Purpose {
            capture: Capture::Sample,
            bench: folder.to_owned(),
            lamp: String::new(),
            label: name.to_owned(),
            groups: Default::default(),
        }),
        passed_over: Vec::new(),
        basis: Default::default(),
    }
}
