//! The rules in order, first match wins, and what becomes of a file that none of them takes.

use crate::terms::{Capture, Ground, Look, Seen};

use super::conditions::Conditions;
use super::decision::{Basis, Decision, Outcome};
use super::endings::ending;
use super::evidence::Evidence;
use super::phones::Phones;
use super::rule::{Home, Measuring, Rule, Then};
use super::slated::{self, SlateSearch};
use super::template::Template;

/// The rules in order. Deciding is total: the last, unwritten rule takes what the others leave.
#[derive(Clone, Debug)]
pub struct RuleSet {
    rules: Vec<Rule>,
    phones: Phones,
    slates: SlateSearch,
}

impl RuleSet {
    /// Name of the unwritten last rule for photos.
    pub const OTHER_PHOTOS: &str = "(any other photo)";
    /// Name of the unwritten last rule for everything else.
    pub const OTHER_FILES: &str = "(any other file)";

    /// The rules in the order in which they are asked.
    pub fn new(rules: Vec<Rule>) -> RuleSet {
        RuleSet {
            rules,
            phones: Phones::default(),
            slates: SlateSearch::None,
        }
    }

    /// The same rules in a room where phones belong to benches.
    pub fn with_phones(self, phones: Phones) -> RuleSet {
        RuleSet { phones, ..self }
    }

    /// The same rules in a room where these photos are looked at for slates.
    pub fn with_slates(self, slates: SlateSearch) -> RuleSet {
        RuleSet { slates, ..self }
    }

    /// Which photos are looked at for slates.
    pub fn slates(&self) -> &SlateSearch {
        &self.slates
    }

    /// The written rules, in order.
    pub fn rules(&self) -> &[Rule] {
        &self.rules
    }

    /// What is to be done with a file, and why. What comes first in the order of trust has the last word: a person's row, a
    /// rule that ignores, a slate, the name, the looks.
    ///
    /// The bench in the decision can always be used as the name of one folder.
    pub fn decide(&self, evidence: &Evidence<'_>) -> Decision {
        let mut decision = self.by_rules(evidence);
        let is_ignored = matches!(decision.outcome, Outcome::Ignore { .. });
        decision.basis.ground = match decision.basis.seen {
            _ if is_ignored => Ground::Rule,
            Some(_) => Ground::Looks,
            None => Ground::Name,
        };
        let name = evidence.path.rsplit('/').next().unwrap_or(evidence.path);
        if !is_ignored && self.slates.asks(name) {
            decision.basis.asks_to_look |= evidence.seen.is_none();
            decision.basis.seen = evidence.seen.cloned();
        }
        if let Some(slate) = evidence.slate.filter(|_| !is_ignored) {
            slated::say(&mut decision, slate, evidence.path, self.room_lamp());
        }
        if let Some(person) = evidence.person {
            let by = match person.by.as_str() {
                "" => "the instructor",
                by => by,
            };
            decision.say(person, evidence.path, by, Ground::Person);
            if person.settles_capture() {
                // Whether anybody has looked before the person spoke must not show.
                decision.basis.seen = None;
            }
            decision.basis.person = Some(person.clone());
        }
        decision
    }

    /// The lamp of the first rule that names a single one for its calibrations.
    fn room_lamp(&self) -> Option<&str> {
        let lamps = self.rules.iter().filter_map(|rule| match &rule.then {
            Then::Measure(m) if m.capture == Capture::Calibration => m.lamp.as_ref(),
            _ => None,
        });
        let mut lamps = lamps.map(Template::source);
        lamps.find(|lamp| !lamp.contains('{'))
    }

    /// By name, header and looks. Where a photo may be one of two things that the rules treat differently, it is what it would be
    /// if it looked like nothing, and a remark says how to name it.
    fn by_rules(&self, evidence: &Evidence<'_>) -> Decision {
        let decision = self.first_match(evidence);
        let Some(seen) = evidence.seen.filter(|_| decision.basis.seen.is_some()) else {
            return decision;
        };
        let (Some(look), Some(or)) = (&seen.look, &seen.or) else {
            return decision;
        };
        let unlike = |look: Option<&Look>| {
            let seen = Seen {
                look: look.cloned(),
                ..seen.clone()
            };
            let seen = Some(&seen);
            self.first_match(&Evidence { seen, ..*evidence })
        };
        let other = unlike(Some(or));
        if other.outcome == decision.outcome {
            return decision;
        }
        let mut settled = unlike(None);
        settled.basis.seen = Some(seen.clone());
        let mut ways: Vec<String> = Vec::new();
        for outcome in [&decision.outcome, &other.outcome] {
            if *outcome != settled.outcome {
                ways.extend(self.name_for(outcome));
            }
        }
        let remedy = match ways.is_empty() {
            true => "give it a name that says what it is".to_owned(),
            false => format!("if it is that, name it {}", ways.join(" or ")),
        };
        settled.basis.remarks.push(format!(
            "its name says nothing, and by its looks it may be {look} or {or}: {remedy}"
        ));
        settled
    }

    /// A name by which a rule would take a photo for the same: its first pattern.
    fn name_for(&self, outcome: &Outcome) -> Option<String> {
        let Outcome::Measure(purpose) = outcome else {
            return None;
        };
        let mut rules = self.rules.iter().filter(|rule| match &rule.then {
            Then::Measure(measuring) => measuring.capture == purpose.capture,
            Then::Ignore { .. } => false,
        });
        let glob = rules.find_map(|rule| rule.when.paths.sources().next())?;
        (glob != "*").then(|| glob.to_owned())
    }

    /// First match wins.
    fn first_match(&self, evidence: &Evidence<'_>) -> Decision {
        let home = Home::of(evidence, &self.phones);
        let mut passed_over = Vec::new();
        let mut basis = Basis::default();
        let mut taken: Option<(String, Outcome)> = None;
        for rule in &self.rules {
            if rule.is_a_matter_of_looks(evidence) {
                basis.asks_to_look |= evidence.seen.is_none();
                basis.seen = evidence.seen.cloned();
            }
            match rule.take(evidence, &home) {
                Ok(outcome) => {
                    taken = Some((rule.name.clone(), outcome));
                    break;
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
        let taken = taken.or_else(|| {
            let outcome = other_photos.take(evidence, &home).ok()?;
            Some((other_photos.name, outcome))
        });
        let (rule, outcome) = taken.unwrap_or_else(|| {
            let name = evidence.path.rsplit('/').next().unwrap_or(evidence.path);
            let why = match ending(name) {
                Some(ending) => format!("not a photo by its name: it ends in .{ending}"),
                None => "not a photo by its name: it has no ending such as .jpg".to_owned(),
            };
            let bench = home.bench;
            let ignored = Outcome::Ignore { bench, why };
            (RuleSet::OTHER_FILES.to_owned(), ignored)
        });
        Decision {
            rule,
            outcome,
            passed_over,
            basis,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::super::camera_names::CameraNames;
    use super::super::decision::Purpose;
    use super::super::said::Said;
    use super::*;
    use crate::decode::Facts;

    fn decide(rules: &RuleSet, path: &str) -> Decision {
        rules.decide(&Evidence::new(path, &Facts::default()))
    }

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
        let decision = decide(&rules, "heron/Lamp-01.jpg");
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
        let decision = decide(&rules, "all/dunlin_HE_tube_2.5mg.jpg");
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
        let purpose = purpose(decide(&rules, "monday/3-dye.jpg"));
        assert_eq!(purpose.bench, "monday 3");
        assert_eq!(purpose.label, "3-dye at 3");
        assert_eq!(purpose.lamp, "", "only calibrations have a lamp");
    }

    #[test]
    fn what_no_rule_takes_still_has_a_fate() {
        let rules = RuleSet::new(Vec::new());
        let photo = decide(&rules, "heron/quay.HEIC");
        assert_eq!(photo.rule, RuleSet::OTHER_PHOTOS);
        assert_eq!(purpose(photo).capture, Capture::Sample);
        // A picture that cannot be read is taken too, so that its bench hears of it.
        assert_eq!(purpose(decide(&rules, "heron/quay.nef")).label, "quay");
        for (path, why) in [
            ("heron/notes.docx", "it ends in .docx"),
            ("lamp-01", "it has no ending such as .jpg"),
        ] {
            let decision = decide(&rules, path);
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
        let decision = decide(&rules, "heron/lamp-notes.txt");
        assert_eq!(decision.rule, RuleSet::OTHER_FILES);
        assert_eq!(decision.passed_over[0].1, "it is not a photo by its name");
    }

    /// A lamp by its name, a lamp by its looks, a dark by its looks.
    fn by_name_then_looks() -> RuleSet {
        let looking = |name: &str, look: Look, capture| {
            let names = CameraNames::new(vec![CameraNames::pattern("IMG_[0-9]{4}").unwrap()]);
            let when = Conditions {
                camera_name: Some((true, names)),
                looks: vec![look],
                ..Conditions::default()
            };
            measuring(name, when, capture)
        };
        let lamp = Look::Lamp("fluorescent".to_owned());
        RuleSet::new(vec![
            measuring("lamp", globbed("lamp*"), Capture::Calibration),
            looking("looks like it", lamp, Capture::Calibration),
            looking("looks dark", Look::Dark, Capture::Dark),
        ])
    }

    fn seen(look: Look, or: Option<Look>) -> Seen {
        Seen {
            look: Some(look),
            sure: 0.9,
            or,
            why: String::new(),
            slate: None,
        }
    }

    #[test]
    fn a_photo_is_looked_at_only_where_its_name_says_nothing() {
        let rules = by_name_then_looks();
        let asks = |path: &str| decide(&rules, path).basis.asks_to_look;
        assert!(asks("heron/IMG_0001.jpg"));
        assert!(
            !asks("heron/lamp-01.jpg") && !asks("heron/quay.jpg") && !asks("heron/IMG_0001.txt")
        );
        let capture = |look: Look| {
            let (facts, seen) = (Facts::default(), seen(look, None));
            let evidence = Evidence {
                seen: Some(&seen),
                ..Evidence::new("heron/IMG_0001.jpg", &facts)
            };
            let decision = rules.decide(&evidence);
            assert!(!decision.basis.asks_to_look && decision.basis.seen.is_some());
            assert_eq!(decision.basis.ground, Ground::Looks);
            purpose(decision).capture
        };
        let lamp = Look::Lamp("fluorescent".to_owned());
        assert_eq!(capture(lamp), Capture::Calibration);
        assert_eq!(capture(Look::Dark), Capture::Dark);
        assert_eq!(capture(Look::Lines), Capture::Sample);
    }

    #[test]
    fn what_may_be_two_things_is_a_sample_and_is_told_how_to_be_named() {
        let rules = by_name_then_looks();
        let lamp = || Look::Lamp("fluorescent".to_owned());
        let facts = Facts::default();
        for (look, or) in [(lamp(), Look::Lines), (Look::Lines, lamp())] {
            let seen = seen(look, Some(or));
            let decision = rules.decide(&Evidence {
                seen: Some(&seen),
                ..Evidence::new("heron/IMG_0001.jpg", &facts)
            });
            let remark = decision.basis.remarks[0].clone();
            assert!(remark.contains("if it is that, name it lamp*"), "{remark}");
            assert_eq!(purpose(decision).capture, Capture::Sample);
        }
        // Two lamps that the rules treat alike leave no doubt of what to do.
        let seen = seen(Look::Lines, Some(Look::Room));
        let decision = rules.decide(&Evidence {
            seen: Some(&seen),
            ..Evidence::new("heron/IMG_0001.jpg", &facts)
        });
        assert!(decision.basis.remarks.is_empty());
    }

    #[test]
    fn a_person_goes_before_a_rule_that_ignores_and_that_before_a_slate() {
        let mut rules = by_name_then_looks().rules;
        let why = Template::parse("not today").unwrap();
        rules.insert(
            0,
            Rule {
                name: "late".to_owned(),
                when: globbed("late/*"),
                then: Then::Ignore { why },
            },
        );
        let rules = RuleSet::new(rules);
        let facts = Facts::default();
        let says = |capture| Said {
            capture: Some(capture),
            by: "Ada".to_owned(),
            ..Said::default()
        };
        let (slate, person) = (says(Capture::Blank), says(Capture::Bracket));
        let by = |path, slate, person| {
            let decision = rules.decide(&Evidence {
                slate,
                person,
                ..Evidence::new(path, &facts)
            });
            assert!(!decision.basis.asks_to_look || slate.is_none());
            let capture = decision.purpose().map(|purpose| purpose.capture);
            (capture, decision.basis.ground)
        };
        let some = Some(&slate);
        let lamp = (Some(Capture::Calibration), Ground::Name);
        let blank = (Some(Capture::Blank), Ground::Slate);
        assert_eq!(by("a/lamp.jpg", None, None), lamp);
        assert_eq!(by("late/lamp.jpg", some, None), (None, Ground::Rule));
        assert_eq!(by("a/lamp.jpg", some, None), blank);
        assert_eq!(by("a/IMG_0001.jpg", some, None), blank);
        let both = by("late/lamp.jpg", some, Some(&person));
        assert_eq!(both, (Some(Capture::Bracket), Ground::Person));
        // A slate that names the bench alone leaves the rest to the name.
        let bench = Said {
            bench: Some("heron".to_owned()),
            ..Said::default()
        };
        assert_eq!(by("a/lamp.jpg", Some(&bench), None), lamp);
    }

    proptest! {
        #[test]
        fn every_path_has_exactly_one_fate_and_a_bench_that_is_one_folder(path in "[a-zäA-Z0-9./\\\\ _\\-\u{0}-\u{20}]{0,40}") {
            let when = Conditions {
                path_regex: Some(Conditions::regex("(?<bench>.*)").unwrap()),
                ..Conditions::default()
            };
            for rules in [RuleSet::new(vec![measuring("any", when.clone(), Capture::Sample)]), RuleSet::new(Vec::new())] {
                let decision = decide(&rules, &path);
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
