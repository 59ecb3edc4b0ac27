//! What the rules decided for one photo, and why.

use std::collections::BTreeMap;

use crate::terms::Capture;

/// What the rules decided for one photo.
#[derive(Clone, Debug, PartialEq)]
pub struct Decision {
    /// Name of the rule that took the photo.
    pub rule: String,
    /// What is to be done with it.
    pub outcome: Outcome,
    /// The rules before it and why each did not take the photo.
    pub passed_over: Vec<(String, String)>,
}

impl Decision {
    /// Whose it is.
    pub fn bench(&self) -> &str {
        match &self.outcome {
            Outcome::Ignore { bench, .. } => bench,
            Outcome::Measure(purpose) => &purpose.bench,
        }
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
