//! Which photos are looked at for a slate, and what its word does to what the name says.

use super::camera_names::CameraNames;
use super::decision::{Decision, Outcome};
use super::said::Said;
use crate::terms::{Capture, Ground};

/// Which photos are looked at for a slate, of those that are to be measured.
#[derive(Clone, Debug, Default)]
pub enum SlateSearch {
    /// None.
    #[default]
    None,
    /// Those whose name says nothing, and those whose name begins with [`SlateSearch::WORD`].
    Unnamed(CameraNames),
    /// All.
    All,
}

/// Groups of a rule that say which solution a photo is of: what a slate says of that goes before all of them together.
const OF_A_SOLUTION: [&str; 3] = ["series", "concentration", "unit"];

impl SlateSearch {
    /// What a photo's name begins with, letter case aside, that somebody has named as a slate.
    pub const WORD: &str = "slate";

    /// True where a photo of this file name is looked at.
    pub fn asks(&self, name: &str) -> bool {
        match self {
            SlateSearch::None => false,
            SlateSearch::All => true,
            SlateSearch::Unnamed(names) => {
                names.holds(name) || name.to_lowercase().starts_with(SlateSearch::WORD)
            }
        }
    }

    /// Everything it depends on, for hashes; absent where no photo is looked at.
    pub fn words(&self) -> Option<String> {
        match self {
            SlateSearch::None => None,
            SlateSearch::All => Some("slates in all photos".to_owned()),
            SlateSearch::Unnamed(names) => {
                let names: Vec<&str> = names.sources().collect();
                Some(format!("slates in photos named {names:?}"))
            }
        }
    }
}

/// Has a slate's word of the photo at `path` go before what rules say of it. `room_lamp` is the lamp that is meant where a slate
/// names none and the rules say of no other.
pub(super) fn say(decision: &mut Decision, slate: &Said, path: &str, room_lamp: Option<&str>) {
    let mut said = slate.clone();
    if let Outcome::Measure(purpose) = &mut decision.outcome {
        if OF_A_SOLUTION.iter().any(|of| said.groups.contains_key(*of)) {
            let is_other = |group: &String, _: &mut String| !OF_A_SOLUTION.contains(&&**group);
            purpose.groups.retain(is_other);
        }
        let is_lamp = said.capture == Some(Capture::Calibration);
        if is_lamp && said.lamp.is_none() && purpose.capture != Capture::Calibration {
            said.lamp = room_lamp.map(str::to_owned);
        }
    }
    let who = format!("the slate {}", said.by);
    decision.say(&said, path, &who, Ground::Slate);
    decision.basis.slate = Some(slate.clone());
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::super::decision::Purpose;
    use super::*;

    #[test]
    fn photos_whose_name_says_nothing_or_says_slate_are_looked_at() {
        let names = CameraNames::new(vec![CameraNames::pattern("IMG_[0-9]{4}").unwrap()]);
        let unnamed = SlateSearch::Unnamed(names);
        for name in ["IMG_0412.jpg", "Slate-3.jpg"] {
            assert!(unnamed.asks(name), "{name}");
        }
        assert!(!unnamed.asks("lamp-01.jpg") && SlateSearch::All.asks("lamp-01.jpg"));
        assert!(!SlateSearch::None.asks("IMG_0412.jpg") && SlateSearch::None.words().is_none());
        assert_ne!(unnamed.words(), SlateSearch::All.words());
    }

    #[test]
    fn what_a_slate_says_of_a_solution_goes_before_all_that_the_name_says_of_it() {
        let group = |key: &str, value: &str| (key.to_owned(), value.to_owned());
        let mut decision = Decision {
            rule: String::new(),
            outcome: Outcome::Measure(Purpose {
                capture: Capture::Sample,
                bench: "heron".to_owned(),
                lamp: String::new(),
                label: "dye-2mg".to_owned(),
                groups: BTreeMap::from([
                    group("series", "dye"),
                    group("concentration", "2"),
                    group("kelvin", "2800"),
                ]),
            }),
            passed_over: Vec::new(),
            basis: Default::default(),
        };
        let unknown = Said {
            capture: Some(Capture::Sample),
            groups: BTreeMap::from([group("series", "dye")]),
            ..Said::default()
        };
        say(&mut decision, &unknown, "heron/dye-2mg.jpg", None);
        let groups = &decision.purpose().unwrap().groups;
        let expected = BTreeMap::from([group("series", "dye"), group("kelvin", "2800")]);
        assert_eq!(*groups, expected);
        // A slate for the room's lamp.
        let lamp = Said {
            capture: Some(Capture::Calibration),
            ..Said::default()
        };
        say(&mut decision, &lamp, "heron/dye-2mg.jpg", Some("mercury"));
        assert_eq!(decision.purpose().unwrap().lamp, "mercury");
        assert_eq!(decision.basis.slate, Some(lamp));
    }
}
