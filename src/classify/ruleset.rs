//! The rules in order, first match wins, and what becomes of a file that none of them takes.

use crate::decode::Facts;
use crate::terms::Capture;

use super::bench::default_bench;
use super::conditions::Conditions;
use super::decision::{Decision, Outcome};
use super::endings::ending;
use super::rule::{Measuring, Rule, Then};

/// The rules in order. Deciding is total: the last, unwritten rule takes what the others leave.
#[derive(Clone, Debug)]
pub struct RuleSet {
    rules: Vec<Rule>,
}

impl RuleSet {
    /// Name of the unwritten last rule for photos.
    pub const OTHER_PHOTOS: &str = "(any other photo)";
    /// Name of the unwritten last rule for everything else.
    pub const OTHER_FILES: &str = "(any other file)";

    /// The rules in the order in which they are asked.
    pub fn new(rules: Vec<Rule>) -> RuleSet {
        RuleSet { rules }
    }

    /// The written rules, in order.
    pub fn rules(&self) -> &[Rule] {
        &self.rules
    }

    /// What is to be done with the file at `path` (below the inbox, folders joined by `/`), and why.
    ///
    /// First match wins. The bench in the decision can always be used as the name of one folder.
    pub fn decide(&self, path: &str, facts: &Facts) -> Decision {
        let mut passed_over = Vec::new();
        for rule in &self.rules {
            match rule.take(path, facts) {
                Ok(outcome) => {
                    return Decision {
                        rule: rule.name.clone(),
                        outcome,
                        passed_over,
                    };
                }
                Err(why) => passed_over.push((rule.name.clone(), why)),
            }
        }
        let other_photos = Rule {
            name: RuleSet::OTHER_PHOTOS.to_owned(),
            when: Conditions::default(),
            then: Then::Measure(Measuring {
                capture: Capture::Sample,
                bench: None,
                lamp: None,
                label: None,
            }),
        };
        if let Ok(outcome) = other_photos.take(path, facts) {
            return Decision {
                rule: other_photos.name,
                outcome,
                passed_over,
            };
        }
        let name = path.rsplit('/').next().unwrap_or(path);
        let why = match ending(name) {
            Some(ending) => format!("not a photo by its name: it ends in .{ending}"),
            None => "not a photo by its name: it has no ending such as .jpg".to_owned(),
        };
        let bench = default_bench(path);
        Decision {
            rule: RuleSet::OTHER_FILES.to_owned(),
            outcome: Outcome::Ignore { bench, why },
            passed_over,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::super::decision::Purpose;
    use super::super::template::Template;
    use super::*;

    fn template(text: &str) -> Option<Template> {
        Some(Template::parse(text).unwrap())
    }

    fn measuring(name: &str, when: Conditions, capture: Capture) -> Rule {
        Rule {
            name: name.to_owned(),
            when,
            then: Then::Measure(Measuring {
                capture,
                bench: None,
                lamp: None,
                label: None,
            }),
        }
    }

    fn globbed(glob: &str) -> Conditions {
        let mut conditions = Conditions::default();
        conditions.paths.push(glob).unwrap();
        conditions
    }

    fn purpose(decision: Decision) -> Purpose {
        match decision.outcome {
            Outcome::Measure(purpose) => purpose,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn the_first_rule_that_fits_wins_and_the_ones_before_say_why_not() {
        let rules = RuleSet::new(vec![
            measuring("dark", globbed("dark*"), Capture::Dark),
            measuring("lamp", globbed("lamp*"), Capture::Calibration),
            measuring("all", Conditions::default(), Capture::Sample),
        ]);
        let decision = rules.decide("heron/Lamp-01.jpg", &Facts::default());
        assert_eq!(decision.rule, "lamp");
        assert_eq!(
            decision.passed_over,
            [("dark".to_owned(), "its path does not fit dark*".to_owned())]
        );
        assert_eq!(
            purpose(decision),
            Purpose {
                capture: Capture::Calibration,
                bench: "heron".to_owned(),
                lamp: "auto".to_owned(),
                label: "Lamp-01".to_owned(),
                groups: BTreeMap::new(),
            }
        );
    }

    #[test]
    fn named_groups_set_bench_lamp_and_label_and_the_rest_are_kept() {
        let path = Conditions::regex(
            r"(?<bench>[a-z]+)_(?<lamp>[a-z]+)_(?<label>\w+)_(?<concentration>[\d.]+)mg",
        );
        let when = Conditions {
            path_regex: Some(path.unwrap()),
            ..Conditions::default()
        };
        let rules = RuleSet::new(vec![measuring("codes", when, Capture::Calibration)]);
        let decision = rules.decide("all/dunlin_HE_tube_2.5mg.jpg", &Facts::default());
        assert_eq!(
            purpose(decision),
            Purpose {
                capture: Capture::Calibration,
                bench: "dunlin".to_owned(),
                lamp: "he".to_owned(),
                label: "tube".to_owned(),
                groups: BTreeMap::from([("concentration".to_owned(), "2.5".to_owned())]),
            }
        );
    }

    #[test]
    fn templates_are_filled_from_groups_and_from_the_place_of_the_photo() {
        let when = Conditions {
            name_regex: Some(Conditions::regex(r"^(?<table>\d)-").unwrap()),
            ..Conditions::default()
        };
        let rules = RuleSet::new(vec![Rule {
            name: "tables".to_owned(),
            when,
            then: Then::Measure(Measuring {
                capture: Capture::Sample,
                bench: template("{folder} {table}"),
                lamp: None,
                label: template("{stem} at {table}"),
            }),
        }]);
        let purpose = purpose(rules.decide("monday/3-dye.jpg", &Facts::default()));
        assert_eq!(purpose.bench, "monday 3");
        assert_eq!(purpose.label, "3-dye at 3");
        assert_eq!(purpose.lamp, "", "only calibrations have a lamp");
    }

    #[test]
    fn what_no_rule_takes_still_has_a_fate() {
        let rules = RuleSet::new(Vec::new());
        let photo = rules.decide("heron/quay.HEIC", &Facts::default());
        assert_eq!(photo.rule, RuleSet::OTHER_PHOTOS);
        assert_eq!(purpose(photo).capture, Capture::Sample);
        // A picture that cannot be read is taken too, so that its bench hears of it.
        assert_eq!(
            purpose(rules.decide("heron/quay.nef", &Facts::default())).label,
            "quay"
        );
        for (path, why) in [
            ("heron/notes.docx", "it ends in .docx"),
            ("lamp-01", "it has no ending such as .jpg"),
        ] {
            let decision = rules.decide(path, &Facts::default());
            let Outcome::Ignore { why: found, .. } = decision.outcome else {
                panic!("{path} is not a photo");
            };
            assert_eq!(found, format!("not a photo by its name: {why}"));
        }
    }

    #[test]
    fn a_rule_that_measures_takes_pictures_only() {
        let rules = RuleSet::new(vec![measuring(
            "lamp",
            globbed("lamp*"),
            Capture::Calibration,
        )]);
        let decision = rules.decide("heron/lamp-notes.txt", &Facts::default());
        assert_eq!(decision.rule, RuleSet::OTHER_FILES);
        assert_eq!(decision.passed_over[0].1, "it is not a photo by its name");
    }

    proptest! {
        #[test]
        fn every_path_has_exactly_one_fate_and_a_bench_that_is_one_folder(path in "[a-zäA-Z0-9./\\\\ _\\-\u{0}-\u{20}]{0,40}") {
            let when = Conditions {
                path_regex: Some(Conditions::regex("(?<bench>.*)").unwrap()),
                ..Conditions::default()
            };
            for rules in [RuleSet::new(vec![measuring("any", when.clone(), Capture::Sample)]), RuleSet::new(Vec::new())] {
                let decision = rules.decide(&path, &Facts::default());
                let bench = match decision.outcome {
                    Outcome::Measure(purpose) => purpose.bench,
                    Outcome::Ignore { bench, .. } => bench,
                };
                prop_assert!(!bench.is_empty() && bench != "." && bench != "..");
                prop_assert!(!bench.contains(['/', '\\']) && !bench.chars().any(char::is_control));
            }
        }
    }
}
