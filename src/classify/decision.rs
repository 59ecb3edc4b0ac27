//! What the rules decided for one photo, and why.

use std::collections::BTreeMap;

use crate::terms::{Capture, Ground, Seen};

use super::bench::bench_name;
use super::endings::stem;
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
    /// What it was decided by.
    pub ground: Ground,
    /// True where a rule asks what the photo looks like and nobody has looked yet: then the decision is what would hold for a
    /// photo that looks like nothing, and is to be made again.
    pub asks_to_look: bool,
    /// What was seen, where a rule asked for it.
    pub seen: Option<Seen>,
    /// What the slate before it says of it, or one behind it that it does not count.
    pub slate: Option<Said>,
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

    /// Has `said` of the photo at `path` go before what was decided; `who` says so, on the `ground` of which it is.
    pub(super) fn say(&mut self, said: &Said, path: &str, who: &str, ground: Ground) {
        if said.settles_capture() {
            self.basis.ground = ground;
            self.basis.asks_to_look = false;
            self.basis.remarks.clear();
        }
        self.outcome = on_top_of(said, self.outcome.clone(), path, who);
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

/// What becomes of the photo at `path` where `before` is what would become of it otherwise. `who` says so where there is
/// no note.
fn on_top_of(said: &Said, before: Outcome, path: &str, who: &str) -> Outcome {
    let name = path.rsplit('/').next().unwrap_or(path);
    let stated = said.bench.as_ref().map(|bench| bench_name(bench));
    if said.ignore {
        let bench = stated.unwrap_or_else(|| before.bench().to_owned());
        let why = match said.note.as_str() {
            "" => format!("{who} says so"),
            note => format!("{who} says so: {note}"),
        };
        return Outcome::Ignore { bench, why };
    }
    let purpose = match (before, said.capture) {
        (Outcome::Measure(purpose), _) => purpose,
        (Outcome::Ignore { bench, .. }, Some(capture)) => Purpose {
            capture,
            bench,
            lamp: String::new(),
            label: stem(name).to_owned(),
            groups: BTreeMap::new(),
        },
        (Outcome::Ignore { bench, why }, None) => {
            let bench = stated.unwrap_or(bench);
            return Outcome::Ignore { bench, why };
        }
    };
    let capture = said.capture.unwrap_or(purpose.capture);
    let mut groups = purpose.groups;
    groups.extend(said.groups.clone());
    let lamp = said.lamp.as_ref().map(|lamp| lamp.to_lowercase());
    let lamp = lamp.unwrap_or(purpose.lamp);
    Outcome::Measure(Purpose {
        capture,
        bench: stated.unwrap_or(purpose.bench),
        lamp: match capture {
            Capture::Calibration if lamp.is_empty() => "auto".to_owned(),
            Capture::Calibration => lamp,
            _ => String::new(),
        },
        label: said.label.clone().unwrap_or(purpose.label),
        groups,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Outcome {
        Outcome::Measure(Purpose {
            capture: Capture::Sample,
            bench: "heron".to_owned(),
            lamp: String::new(),
            label: "IMG_1".to_owned(),
            groups: BTreeMap::new(),
        })
    }

    #[test]
    fn what_is_not_said_stays_as_the_rules_have_it() {
        let said = Said {
            capture: Some(Capture::Calibration),
            ..Said::default()
        };
        let Outcome::Measure(purpose) = on_top_of(&said, sample(), "heron/IMG_1.jpg", "Ada") else {
            panic!("measured");
        };
        let found = (purpose.capture, purpose.bench.as_str());
        assert_eq!(found, (Capture::Calibration, "heron"));
        assert_eq!((&*purpose.lamp, &*purpose.label), ("auto", "IMG_1"));
        let nothing = Said::default();
        assert_eq!(
            on_top_of(&nothing, sample(), "heron/IMG_1.jpg", ""),
            sample()
        );
    }

    #[test]
    fn a_person_can_leave_a_photo_out_and_take_one_in_that_a_rule_leaves_out() {
        let out = Said {
            ignore: true,
            note: "the wrong disc".to_owned(),
            ..Said::default()
        };
        let Outcome::Ignore { bench, why } = on_top_of(&out, sample(), "heron/IMG_1.jpg", "Ada")
        else {
            panic!("left out");
        };
        assert_eq!((&*bench, &*why), ("heron", "Ada says so: the wrong disc"));
        let taken_in = Said {
            capture: Some(Capture::Sample),
            ..Said::default()
        };
        let ignored = Outcome::Ignore {
            bench,
            why: String::new(),
        };
        let Outcome::Measure(purpose) = on_top_of(&taken_in, ignored, "heron/a/x.jpg", "Ada")
        else {
            panic!("taken in");
        };
        assert_eq!(purpose.label, "x");
    }
}
