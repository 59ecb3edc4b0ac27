//! What the rules decided for one photo, and why.

use std::collections::BTreeMap;

use crate::terms::{Capture, Seen};

use super::said::Said;

/// What the rules decided for one photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Decision {
    /// Name of the rule that took the photo.
    pub rule: String,
    /// What is to be done with it.
    pub outcome: Outcome,
    /// The rules before it and why each did not take the photo.
    pub passed_over: Vec<(String, String)>,
    /// What else it rests on.
    pub basis: Basis,
}

/// What a decision rests on beside the file's name and header.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Basis {
    /// True where a rule asks what the photo looks like and nobody has looked yet: then the decision is what would hold for a
    /// photo that looks like nothing, and is to be made again.
    pub asks_to_look: bool,
    /// What was seen, where a rule asked for it.
    pub seen: Option<Seen>,
    /// What the instructor's table says of it.
    pub person: Option<Said>,
    /// For people.
    pub remarks: Vec<String>,
}

impl Decision {
    /// Whose it is.
    pub fn bench(&self) -> &str {
        self.outcome.bench()
    }

    /// Has `said` of the photo at `path` go before what was decided; `who` says so.
    pub(super) fn say(&mut self, said: &Said, path: &str, who: &str) {
        if said.settles_capture() {
            self.basis.asks_to_look = false;
            self.basis.remarks.clear();
        }
        let nothing = Outcome::Ignore {
            bench: String::new(),
            why: String::new(),
        };
        let before = std::mem::replace(&mut self.outcome, nothing);
        self.outcome = said.on_top_of(before, path, who);
    }

    /// What it is to be measured for; absent where it is ignored.
    pub fn purpose(&self) -> Option<&Purpose> {
        match &self.outcome {
            Outcome::Ignore { .. } => None,
            Outcome::Measure(purpose) => Some(purpose),
        }
    }
}

/// What is to be done with a photo.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// Not a photo to be measured; the text says why and is shown to people.
    Ignore {
        /// Bench it would belong to, for its row.
        bench: String,
        /// Shown in the row.
        why: String,
    },
    /// To be measured.
    Measure(Purpose),
}

impl Outcome {
    /// Whose the photo is.
    pub fn bench(&self) -> &str {
        match self {
            Outcome::Ignore { bench, .. } => bench,
            Outcome::Measure(purpose) => &purpose.bench,
        }
    }
}

/// What a photo is for, and whose.
#[derive(Clone, Debug, PartialEq)]
pub struct Purpose {
    /// What it was taken for.
    pub capture: Capture,
    /// The instrument it was taken through.
    pub bench: String,
    /// Name of the lamp, for calibrations (`fluorescent`, `mercury`, … or `auto`); empty otherwise.
    pub lamp: String,
    /// What the people call it: by default the file's stem.
    pub label: String,
    /// Further named groups of the rule's regular expression, such as `concentration`.
    pub groups: BTreeMap<String, String>,
}
