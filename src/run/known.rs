//! What is known of one settled entry of the inbox, and what its making takes.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::arrive::listing::Rel;
use crate::classify::{self, Decision, Evidence, Outcome, Owned, Phone, Said};
use crate::decode::{self, Facts};
use crate::lab::Form;
use crate::publish::record::{ALIKE_PHONES, UNGOVERNED};
use crate::slates::Sighting;
use crate::terms::{Capture, Code, Seen};

use super::job::Fate;
use super::work::Work;

/// A settled entry of the inbox.
#[derive(Clone, Debug)]
pub struct Known {
    /// Path as shown.
    pub shown: String,
    /// BLAKE3 of its bytes; empty for what is not a file to be read.
    pub hash: String,
    /// Bytes.
    pub size: u64,
    /// Why there is nothing to decode.
    pub fault: Option<(Code, String)>,
    /// Why it does not look finished.
    pub suspicion: Option<String>,
    /// From its header.
    pub facts: Arc<Facts>,
    /// What it looks like, where somebody has looked.
    pub seen: Option<Seen>,
    /// What the rules say of it by itself.
    pub by_itself: Arc<Decision>,
    /// The same with what slates say.
    pub decision: Arc<Decision>,
    /// Its folder below the results.
    pub(super) folder: String,
    /// Its bench behind its session's folder: what it is planned with.
    pub(super) bench_key: String,
    /// What the inbox as a whole says about it.
    pub(super) circumstances: Vec<String>,
    /// Another file of the same shot, in a better form.
    pub(super) better: Option<Rel>,
    /// What slates say of it, by column, for its record.
    pub(super) slate_cells: BTreeMap<String, String>,
    /// The same for people.
    pub(super) slate_remark: Option<String>,
    /// Why no slate says anything of it, where one might have.
    pub(super) why_ungoverned: Option<String>,
    /// Why it is a slate that cannot be read.
    pub(super) unread_slate: Option<String>,
    /// What is decided of it, in a text that differs where its results may.
    pub(super) decided: String,
    /// What it is to photos that are made from it, in a text that differs where their results may.
    pub(super) role: String,
}

impl Known {
    /// A photo whose place is still to be arranged.
    pub fn new(shown: String, facts: Facts, decision: Decision) -> Known {
        let decision = Arc::new(decision);
        Known {
            shown,
            hash: String::new(),
            size: 0,
            fault: None,
            suspicion: None,
            facts: Arc::new(facts),
            seen: None,
            by_itself: decision.clone(),
            decision,
            folder: String::new(),
            bench_key: String::new(),
            circumstances: Vec::new(),
            better: None,
            slate_cells: BTreeMap::new(),
            slate_remark: None,
            why_ungoverned: None,
            unread_slate: None,
            decided: String::new(),
            role: String::new(),
        }
    }

    /// True where a result made from one would be the same as one made from the other.
    pub fn is_same_content(&self, other: &Known) -> bool {
        fn content(known: &Known) -> impl PartialEq + '_ {
            (
                &known.shown,
                &known.hash,
                &known.fault,
                &known.suspicion,
                &known.by_itself,
            )
        }
        content(self) == content(other)
    }

    /// True where nothing but a look at it can tell what becomes of it.
    pub fn asks_to_look(&self) -> bool {
        self.by_itself.basis.asks_to_look && self.fault.is_none()
    }

    /// The rules' decision on all that is known of it, and on what a slate says.
    pub fn decided_anew(&self, work: &dyn Work, slate: Option<&Said>) -> Decision {
        work.decide_on(&Evidence {
            seen: self.seen.as_ref(),
            slate,
            ..Evidence::new(&self.shown, &self.facts)
        })
    }

    /// The same photo, decided on by its looks.
    pub fn looked_at(mut self, seen: Seen, work: &dyn Work) -> Known {
        self.seen = Some(seen);
        let decision = self.decided_anew(work, None);
        self.decide(decision);
        self
    }

    /// Puts in place what the rules say of it by itself.
    pub fn decide(&mut self, decision: Decision) {
        self.by_itself = Arc::new(decision);
        self.forget_slates();
    }

    /// Puts everything back that slates have said.
    pub(super) fn forget_slates(&mut self) {
        self.decision = self.by_itself.clone();
        self.slate_cells.clear();
        (self.slate_remark, self.why_ungoverned, self.unread_slate) = (None, None, None);
    }

    /// True for a photo that was taken, whether it counts or not: no rule leaves it alone.
    pub(super) fn is_photo(&self) -> bool {
        let basis = &self.by_itself.basis;
        self.fault.is_none() && (self.by_itself.purpose().is_some() || basis.person.is_some())
    }

    /// True where it is a slate, read or not.
    pub(super) fn is_slate(&self) -> bool {
        !matches!(self.sighting(), Sighting::None)
    }

    /// What slate it is. What a person says the photo is, or that it does not count, goes before that.
    pub(super) fn sighting(&self) -> Sighting {
        let is_settled = |said: &Said| said.settles_capture();
        let person = self.by_itself.basis.person.as_ref();
        if !self.is_photo() || person.is_some_and(is_settled) {
            return Sighting::None;
        }
        // Only what the rules in force ask for counts: another look may linger from rules that were edited since.
        let seen = self.by_itself.basis.seen.as_ref();
        Sighting::recalled(seen.and_then(|seen| seen.slate.as_ref()))
    }

    /// Whose it is.
    pub fn bench(&self) -> &str {
        self.decision.bench()
    }

    /// What another photo's result states of this one where it is made from it: the hash of its bytes, and what a person or a
    /// slate says of it that its own measurement depends on.
    pub(super) fn as_input(&self) -> String {
        let basis = &self.decision.basis;
        let said = || [&basis.person, &basis.slate].into_iter().flatten();
        let capture = said().find_map(|said| said.capture.map(Capture::as_str));
        let lamp = said().find_map(|said| said.lamp.as_deref());
        let parts: Vec<&str> = capture.into_iter().chain(lamp).collect();
        match parts.is_empty() {
            true => self.hash.clone(),
            false => format!("{} as {}", self.hash, parts.join(" ")),
        }
    }

    /// Notes what is decided of it, once everything has had its say. The rules that did not take it have no part in its results.
    pub(super) fn settle_decision(&mut self) {
        let Decision {
            rule,
            outcome,
            passed_over: _,
            basis,
        } = &*self.decision;
        self.decided = format!("{:?}", (rule, outcome, basis, &self.unread_slate));
        let purpose = self.decision.purpose();
        let role = purpose.map(|p| (p.capture, &p.lamp, p.groups.get("scene")));
        self.role = format!("{role:?}");
    }

    /// True where a slate or a person says whose it is.
    fn is_bench_told(&self) -> bool {
        let basis = &self.decision.basis;
        let mut said = [&basis.slate, &basis.person].into_iter().flatten();
        said.any(|said| said.bench.is_some())
    }

    /// What it was taken for; absent where it is ignored.
    pub fn capture(&self) -> Option<Capture> {
        self.decision.purpose().map(|purpose| purpose.capture)
    }

    /// The photo as one of several forms of a shot; absent where it is no photo, or broken.
    pub(super) fn form(&self) -> Option<Form<'_>> {
        let is_sound = self.fault.is_none() && self.decision.purpose().is_some();
        is_sound.then(|| Form {
            photo: &self.shown,
            bench: self.bench(),
            facts: &self.facts,
        })
    }

    /// What is to happen with it.
    pub(super) fn fate(&self) -> Fate {
        if let Some(why) = &self.unread_slate {
            return Fate::Retake(Code::SlateUnread, why.clone());
        }
        match (&self.decision.outcome, &self.fault) {
            (Outcome::Ignore { why, .. }, _) => Fate::Ignore(why.clone()),
            (_, Some((code, what))) => Fate::Fault(*code, what.clone()),
            (_, None) => Fate::Measure,
        }
    }

    /// Memory in bytes for decoding its picture, and for what is measured on it.
    fn picture_cost(&self) -> u64 {
        decode::bytes_in_hand(&self.facts)
    }

    /// Memory in bytes for making its folder, in which `decoded` are read and decoded one after the other while its own
    /// file is held, and its own picture last of all.
    pub(super) fn cost<'a>(&self, fate: &Fate, decoded: impl Iterator<Item = &'a Known>) -> u64 {
        match fate {
            Fate::Measure => {
                let others = decoded.map(|other| other.size.saturating_add(other.picture_cost()));
                let most = others.fold(self.picture_cost(), u64::max);
                self.size.saturating_add(most)
            }
            Fate::Ignore(_) | Fate::Fault(..) | Fate::Retake(..) => 0,
        }
    }
}

/// What is odd about benches and their phones, in sentences.
pub fn notices<'a>(photos: impl Iterator<Item = &'a Known>) -> Vec<String> {
    let of = |photo: &'a Known| {
        let phone = Phone::of(&photo.shown, &photo.facts).filter(|_| photo.capture().is_some());
        (photo, phone.map(|phone| phone.to_string()))
    };
    let photos: Vec<(&Known, Option<String>)> = photos.map(of).collect();
    classify::notices(photos.iter().map(|(photo, phone)| {
        Owned {
            photo: &photo.shown,
            bench: photo.bench(),
            phone: phone.as_deref(),
            is_bench_told: photo.is_bench_told(),
            is_of_alike_phones: photo
                .slate_cells
                .get(UNGOVERNED)
                .is_some_and(|why| why == ALIKE_PHONES),
        }
    }))
}
