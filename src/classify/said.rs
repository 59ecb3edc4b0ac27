//! What somebody says of one photo beside its name: the instructor in a table, or a slate.

use std::collections::BTreeMap;

use crate::terms::{Capture, Verdict};

use super::bench::bench_name;
use super::decision::{Outcome, Purpose};
use super::endings::stem;

/// What is said of a photo; what is absent is left as the rules have it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Said {
    /// What it was taken for.
    pub capture: Option<Capture>,
    /// Whose it is.
    pub bench: Option<String>,
    /// What people call it.
    pub label: Option<String>,
    /// Which lamp it shows, for a calibration.
    pub lamp: Option<String>,
    /// The word, whatever was measured.
    pub verdict: Option<Verdict>,
    /// True where it does not count.
    pub ignore: bool,
    /// Named groups, such as a concentration.
    pub groups: BTreeMap<String, String>,
    /// Why, for people.
    pub note: String,
    /// Who says so.
    pub by: String,
}

impl Said {
    /// True where it says what becomes of the photo, whatever the photo looks like.
    pub fn settles_capture(&self) -> bool {
        self.ignore || self.capture.is_some()
    }

    /// Everything that is said, by column; what is absent is left out.
    pub fn cells(&self) -> BTreeMap<String, String> {
        let verdict = self.verdict.map(|verdict| verdict.as_str().to_owned());
        let capture = self.capture.map(|capture| capture.as_str().to_owned());
        let ignore = self.ignore.then(|| "yes".to_owned());
        let full = |text: &String| Some(text.clone()).filter(|text| !text.is_empty());
        let cells = [
            ("capture", capture),
            ("bench", self.bench.clone()),
            ("label", self.label.clone()),
            ("lamp", self.lamp.clone()),
            ("verdict", verdict),
            ("ignore", ignore),
            ("note", full(&self.note)),
            ("by", full(&self.by)),
        ];
        let cells = cells.into_iter();
        let named = cells.filter_map(|(column, text)| Some((column.to_owned(), text?)));
        self.groups.clone().into_iter().chain(named).collect()
    }

    /// What becomes of the photo at `path` where `before` is what would become of it otherwise. `who` says so where there is
    /// no note.
    pub fn on_top_of(&self, before: Outcome, path: &str, who: &str) -> Outcome {
        let name = path.rsplit('/').next().unwrap_or(path);
        let stated = self.bench.as_ref().map(|bench| bench_name(bench));
        if self.ignore {
            let bench = stated.unwrap_or_else(|| before.bench().to_owned());
            let why = match self.note.as_str() {
                "" => format!("{who} says so"),
                note => format!("{who} says so: {note}"),
            };
            return Outcome::Ignore { bench, why };
        }
        let purpose = match (before, self.capture) {
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
        let capture = self.capture.unwrap_or(purpose.capture);
        let mut groups = purpose.groups;
        groups.extend(self.groups.clone());
        let lamp = self.lamp.as_ref().map(|lamp| lamp.to_lowercase());
        let lamp = lamp.unwrap_or(purpose.lamp);
        Outcome::Measure(Purpose {
            capture,
            bench: stated.unwrap_or(purpose.bench),
            lamp: match capture {
                Capture::Calibration if lamp.is_empty() => "auto".to_owned(),
                Capture::Calibration => lamp,
                _ => String::new(),
            },
            label: self.label.clone().unwrap_or(purpose.label),
            groups,
        })
    }
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
        let Outcome::Measure(purpose) = said.on_top_of(sample(), "heron/IMG_1.jpg", "Ada") else {
            panic!("measured");
        };
        let found = (purpose.capture, purpose.bench.as_str());
        assert_eq!(found, (Capture::Calibration, "heron"));
        assert_eq!((&*purpose.lamp, &*purpose.label), ("auto", "IMG_1"));
        let nothing = Said::default();
        assert_eq!(nothing.on_top_of(sample(), "heron/IMG_1.jpg", ""), sample());
    }

    #[test]
    fn a_person_can_leave_a_photo_out_and_take_one_in_that_a_rule_leaves_out() {
        let out = Said {
            ignore: true,
            note: "the wrong disc".to_owned(),
            ..Said::default()
        };
        let Outcome::Ignore { bench, why } = out.on_top_of(sample(), "heron/IMG_1.jpg", "Ada")
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
        let Outcome::Measure(purpose) = taken_in.on_top_of(ignored, "heron/a/x.jpg", "Ada") else {
            panic!("taken in");
        };
        assert_eq!(purpose.label, "x");
    }
}
