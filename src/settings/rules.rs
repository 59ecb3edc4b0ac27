//! Reads the section `rules:` into a checked [`RuleSet`].

use std::collections::HashSet;
use std::str::FromStr;

use jiff::civil::{Date, DateTime, Time};

use crate::classify::{
    BUILT_IN, CameraNames, Conditions, FactTest, Measuring, NumberFact, PathGlobs, Phones, Rule,
    RuleSet, Template, Then, TimeWindow,
};
use crate::terms::{Capture, Look};

use super::reading::{Spot, Table, meant};

/// What rules may speak of: names of lamps, and the names of photos that say nothing.
pub struct Vocabulary<'a> {
    /// Names a rule may give to a calibration, or ask for by their looks.
    pub lamps: &'a [&'a str],
    /// What `camera_name:` asks for.
    pub camera_names: CameraNames,
}

/// Reads the patterns of names that say nothing.
pub fn read_camera_names(spot: &Spot<'_>) -> Option<CameraNames> {
    let pattern = |spot: &Spot<'_>| {
        spot.parsed(
            CameraNames::pattern,
            |_, why| format!("this is not a regular expression: {why}"),
            "put it in 'single quotes'; it is compared with the whole name without its ending",
        )
    };
    let patterns = spot.list();
    Some(CameraNames::new(
        patterns.iter().filter_map(pattern).collect(),
    ))
}

/// Reads which phone belongs to which bench.
pub fn read_phones(spot: &Spot<'_>) -> Option<Phones> {
    let mut phones = Phones::default();
    for (which, bench) in spot.entries() {
        let Some(name) = bench.text() else { continue };
        if let Err(why) = phones.push(&which, &name) {
            bench.mistake(
                format!("\"{which}\" is not a pattern: {why}"),
                "name a phone by its code, as `slitwatch check` shows it, or by its model; * stands for any text",
            );
        }
    }
    Some(phones)
}

/// Reads the list of rules.
pub fn read(spot: &Spot<'_>, vocabulary: &Vocabulary<'_>) -> RuleSet {
    let mut rules = Vec::new();
    let mut names = HashSet::new();
    for spot in spot.list() {
        let Some(rule) = spot.table(|t| read_rule(t, vocabulary)) else {
            continue;
        };
        if !names.insert(rule.name.to_lowercase()) {
            spot.mistake(
                format!("there is already a rule named \"{}\"", rule.name),
                "give each rule a name of its own: it is what people see beside their photo",
            );
        }
        rules.push(rule);
    }
    RuleSet::new(rules)
}

fn read_rule(t: &mut Table<'_>, vocabulary: &Vocabulary<'_>) -> Option<Rule> {
    let lamps = vocabulary.lamps;
    let name = t
        .need(
            "name",
            "give the rule a name; it is shown beside each photo it takes",
        )
        .and_then(|spot| spot.text());
    let mut when = Conditions::default();
    t.set("path", &mut when.paths, read_globs);
    when.path_regex = t.get("regex").and_then(|spot| read_regex(&spot));
    when.name_regex = t.get("name_regex").and_then(|spot| read_regex(&spot));
    t.set("exif", &mut when.facts, read_facts);
    when.window = t.get("between").and_then(|spot| read_window(&spot));
    when.camera_name = t.get("camera_name").and_then(|spot| {
        let wanted = spot.flag()?;
        if vocabulary.camera_names.is_empty() {
            spot.mistake(
                "no camera_names are listed, so no name is one",
                "list the patterns of names that say nothing under camera_names:, as in the shipped config/lab.yaml",
            );
        }
        Some((wanted, vocabulary.camera_names.clone()))
    });
    t.set("looks", &mut when.looks, |spot| {
        Some(read_looks(spot, lamps))
    });
    let groups: Vec<String> = when.group_names().map(str::to_owned).collect();
    if let Some(twice) = groups
        .iter()
        .enumerate()
        .find_map(|(i, g)| groups[..i].contains(g).then_some(g))
    {
        t.spot().mistake(
            format!("the group {twice} is in both regex and name_regex"),
            "rename one of the two",
        );
    }
    let then = t.need(
        "then",
        "say what becomes of the photo, such as then: {capture: sample} or then: {ignore: 'why'}",
    )?;
    let then = then.table(|t| read_then(t, &groups, lamps));
    Some(Rule {
        name: name?,
        when,
        then: then?,
    })
}

fn read_globs(spot: &Spot<'_>) -> Option<PathGlobs> {
    let mut globs = PathGlobs::default();
    for spot in spot.one_or_many() {
        let Some(text) = spot.text() else { continue };
        if let Err(why) = globs.push(&text) {
            spot.mistake(
                format!("\"{text}\" is not a path pattern: {why}"),
                "* stands for any text, ? for one character, ** for any folders, [ab] for a or b, {a,b} for either",
            );
        }
        if text.contains('\\') {
            spot.mistake(
                "a backslash in a path pattern",
                "write / between folders, whatever the system",
            );
        }
    }
    Some(globs)
}

fn read_regex(spot: &Spot<'_>) -> Option<regex::Regex> {
    spot.parsed(
        Conditions::regex,
        |_, why| format!("this is not a regular expression: {why}"),
        "put it in 'single quotes'; a named group is written (?<concentration>[0-9.]+), and \\. is a dot",
    )
}

fn read_facts(spot: &Spot<'_>) -> Option<Vec<FactTest>> {
    spot.table(|t| {
        let mut tests = Vec::new();
        for fact in FactTest::TEXTS {
            let Some(spot) = t.get(fact.0) else { continue };
            let glob = |spot: &Spot<'_>| {
                spot.parsed(
                    FactTest::text_glob,
                    |text, why| format!("\"{text}\" is not a pattern: {why}"),
                    "* stands for any text, ? for one character",
                )
            };
            let globs = spot.one_or_many().iter().filter_map(glob).collect();
            tests.push(FactTest::Text { fact, globs });
        }
        for fact in FactTest::NUMBERS {
            let Some(spot) = t.get(fact.0) else { continue };
            tests.extend(read_number_test(fact, &spot));
        }
        for fact in FactTest::FLAGS {
            let Some(spot) = t.get(fact.0) else { continue };
            tests.extend(spot.flag().map(|wanted| FactTest::Flag { fact, wanted }));
        }
        Some(tests)
    })
}

/// `iso: 100`, or `iso: {min: 100, max: 400}`.
fn read_number_test(fact: NumberFact, spot: &Spot<'_>) -> Option<FactTest> {
    const ANY: std::ops::RangeInclusive<f64> = 0.0..=1e9;
    if !spot.is_table() {
        let exact = spot.number(ANY, "")?;
        return Some(FactTest::Number {
            fact,
            min: Some(exact),
            max: Some(exact),
        });
    }
    spot.table(|t| {
        let min = t.get("min").and_then(|s| s.number(ANY, ""));
        let max = t.get("max").and_then(|s| s.number(ANY, ""));
        if let (Some(min), Some(max)) = (min, max)
            && min > max
        {
            t.spot().mistake(
                format!("min {min} is above max {max}: no photo can meet this"),
                "exchange the two",
            );
        }
        Some(FactTest::Number { fact, min, max })
    })
}

/// One end of a time window, as written.
pub(super) enum Moment {
    Daily(Time),
    Once(DateTime),
}

fn read_window(spot: &Spot<'_>) -> Option<TimeWindow> {
    const REMEDY: &str = "write between: {from: 2026-03-04 18:00, until: 2026-03-04 20:30}, or times of day for every \
                          day: {from: 18:00, until: 20:30}";
    spot.table(|t| {
        let mut end = |key| match t.get(key) {
            Some(spot) => read_moment(&spot).map(Some).ok_or(()),
            None => Ok(None),
        };
        // What is wrong with one of the two has been said.
        let (Ok(from), Ok(until)) = (end("from"), end("until")) else {
            return None;
        };
        let in_vain = |what: &str| t.spot().refused(what, REMEDY);
        let once = |end: Option<Moment>| match end {
            Some(Moment::Once(at)) => Some(at),
            _ => None,
        };
        match (from, until) {
            (None, None) => in_vain("neither from nor until"),
            (Some(Moment::Daily(from)), Some(Moment::Daily(until))) if from == until => {
                in_vain("begins and ends at the same time of day")
            }
            (Some(Moment::Daily(from)), Some(Moment::Daily(until))) => {
                Some(TimeWindow::Daily { from, until })
            }
            (Some(Moment::Daily(_)), None) | (None, Some(Moment::Daily(_))) => {
                in_vain("a time of day needs both from and until")
            }
            (Some(Moment::Daily(_)), _) | (_, Some(Moment::Daily(_))) => {
                in_vain("one end is a date and the other a time of day")
            }
            (Some(Moment::Once(from)), Some(Moment::Once(until))) if from >= until => {
                in_vain("ends before it begins: no photo can meet this")
            }
            (from, until) => Some(TimeWindow::Between {
                from: once(from),
                until: once(until),
            }),
        }
    })
}

pub(super) fn read_moment(spot: &Spot<'_>) -> Option<Moment> {
    let text = spot.text()?;
    let text = text.trim();
    // A bare date must be asked for first: the parser of date-times takes it too, and so does the parser of times
    // take a date with a time.
    let moment = if let Ok(date) = Date::from_str(text)
        && !text.contains([':', 'T', ' '])
    {
        Some(Moment::Once(date.at(0, 0, 0, 0)))
    } else if text.contains('-') {
        DateTime::from_str(text).ok().map(Moment::Once)
    } else {
        Time::strptime("%H:%M", text)
            .or_else(|_| Time::strptime("%H:%M:%S", text))
            .ok()
            .map(Moment::Daily)
    };
    if moment.is_none() {
        spot.mistake(
            format!("\"{text}\" is not a date or time"),
            "write 2026-03-04 18:00, 2026-03-04 or 18:00, by the phones' clock, without a time zone",
        );
    }
    moment
}

fn read_then(t: &mut Table<'_>, groups: &[String], lamps: &[&str]) -> Option<Then> {
    let ignore = t.get("ignore");
    let capture = t.get("capture");
    let mut template = |key| {
        let spot = t.get(key)?;
        read_template(&spot, groups)
    };
    let bench = template("bench");
    let label = template("label");
    let lamp = t.get("lamp");
    let lamp_template = lamp.as_ref().and_then(|spot| {
        let template = read_template(spot, groups)?;
        check_lamp(spot, &template, lamps);
        Some(template)
    });
    match (ignore, capture) {
        (Some(ignore), None) => {
            let why = read_template(&ignore, groups)?;
            if bench.is_some() || label.is_some() || lamp.is_some() {
                t.spot().mistake(
                    "a photo that is ignored has no bench, lamp or label",
                    "keep ignore alone, or take it out",
                );
            }
            Some(Then::Ignore { why })
        }
        (None, Some(spot)) => {
            let capture: Capture = spot.word(&Capture::WORDS)?;
            if let (Some(lamp), true) = (&lamp, capture != Capture::Calibration) {
                lamp.mistake(
                    format!(
                        "only a calibration has a lamp, and this rule says {}",
                        capture.as_str()
                    ),
                    "take the lamp out, or write capture: calibration",
                );
            }
            Some(Then::Measure(Measuring {
                capture,
                bench,
                lamp: lamp_template,
                label,
            }))
        }
        (Some(_), Some(_)) => t
            .spot()
            .refused("both capture and ignore", "keep one of the two"),
        (None, None) => {
            let words = Capture::WORDS.join(", ");
            let remedy = format!("write capture: and one of {words}, or ignore: and why");
            t.spot().refused("neither capture nor ignore", remedy)
        }
    }
}

/// `looks: dark`, or a list of which one must be seen.
fn read_looks(spot: &Spot<'_>, lamps: &[&str]) -> Vec<Look> {
    let known = || lamps.iter().copied().chain(Look::WORDS);
    let one = |spot: &Spot<'_>| {
        let word = spot.text()?.to_lowercase();
        if known().any(|known| known == word) {
            return Some(Look::from(word));
        }
        let otherwise = || {
            let words: Vec<&str> = known().collect();
            format!("write one of {}", words.join(", "))
        };
        spot.refused(
            format!("nothing looks like \"{word}\""),
            meant(&word, known(), otherwise),
        )
    };
    spot.one_or_many().iter().filter_map(one).collect()
}

fn read_template(spot: &Spot<'_>, groups: &[String]) -> Option<Template> {
    let remedy = "write a group of the regular expression as {name}";
    let template = spot.parsed(Template::parse, |_, why| why, remedy)?;
    let known: Vec<&str> = groups.iter().map(String::as_str).chain(BUILT_IN).collect();
    let otherwise = |slot: &str| {
        format!(
            "name it in the rule's regex as (?<{slot}>…), or use one of {}",
            known.join(", ")
        )
    };
    let kind = "a named group of this rule";
    spot.check_slots(template.slots(), &known, kind, otherwise);
    Some(template)
}

fn check_lamp(spot: &Spot<'_>, template: &Template, lamps: &[&str]) {
    let name = template.source();
    if template.slots().next().is_some()
        || name == "auto"
        || lamps.iter().any(|lamp| lamp.eq_ignore_ascii_case(name))
    {
        return;
    }
    let otherwise = || {
        format!(
            "write auto, one of {}, or describe it under lamps:",
            lamps.join(", ")
        )
    };
    spot.mistake(
        format!("there is no lamp named \"{name}\""),
        meant(name, lamps.iter().copied(), otherwise),
    );
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::classify::{Evidence, Outcome};

    use super::super::mistake::Report;
    use super::*;
    use crate::decode::Facts;

    fn read_text(text: &str) -> (RuleSet, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let lamps = ["fluorescent", "helium"];
        let pattern = CameraNames::pattern("IMG_[0-9]{4}").unwrap();
        let vocabulary = Vocabulary {
            lamps: &lamps,
            camera_names: CameraNames::new(vec![pattern]),
        };
        let rules = report.parse(text, |spot| Some(read(&spot, &vocabulary)));
        let mistakes = report.into_mistakes();
        (
            rules.expect("a rule set"),
            mistakes.iter().map(ToString::to_string).collect(),
        )
    }

    #[test]
    fn a_rule_with_everything_in_it_is_read() {
        let (rules, mistakes) = read_text(
            r"
- name: dye series
  path: ['*/dye/**', 'dye-*']
  name_regex: '^dye-(?<concentration>[0-9.]+)mg'
  exif:
    model: [tern*, skua*]
    iso: {max: 400}
    exposure_s: {min: 0.001, max: 0.5}
    exposure_auto: false
  between: {from: 2026-03-04 18:00, until: 2026-03-04 20:30}
  then:
    capture: sample
    bench: '{folder}'
    label: 'dye {concentration} mg/L'
",
        );
        assert_eq!(mistakes, [""; 0]);
        let facts = Facts {
            model: Some("Tern 4".to_owned()),
            iso: Some(100.0),
            exposure_s: Some(0.01),
            exposure_auto: Some(false),
            taken: Some(jiff::civil::date(2026, 3, 4).at(19, 0, 0, 0)),
            ..Facts::default()
        };
        let decision = rules.decide(&Evidence::new("heron/dye-2.5mg.jpg", &facts));
        assert_eq!(decision.rule, "dye series", "{:?}", decision.passed_over);
        let Outcome::Measure(purpose) = decision.outcome else {
            panic!("measured");
        };
        assert_eq!(purpose.label, "dye 2.5 mg/L");
        assert_eq!(purpose.groups["concentration"], "2.5");
    }

    #[test]
    fn every_mistake_in_a_rule_is_reported_at_its_own_place() {
        let (_, mistakes) = read_text(
            r"- name: a
  path: '[a'
  regex: '(?<mg>[0-9'
  exif: {modle: x, iso: {min: 5, max: 2}}
  between: {from: tomorrow}
  then: {captur: sample}
- name: A
  name_regex: '(?<mg>\d+)'
  then: {capture: sampel, label: '{ng} mg', lamp: fluorecent}
- then: {capture: sample, ignore: x}
- name: b
  then: {ignore: why, lamp: helium}
- name: c
  then: {capture: dark, lamp: helium}
",
        );
        let places: Vec<String> = mistakes
            .iter()
            .map(|m| m.lines().next().unwrap().to_owned())
            .collect();
        for expected in [
            ":2:9: [0].path: \"[a\" is not a path pattern",
            ":3:10: [0].regex: this is not a regular expression",
            ":4:10: [0].exif.modle: unknown key",
            ":4:25: [0].exif.iso: min 5 is above max 2",
            ":5:19: [0].between.from: \"tomorrow\" is not a date",
            ":6:9: [0].then: neither capture nor ignore",
            ":6:10: [0].then.captur: unknown key",
            ":9:19: [1].then.capture: one of calibration",
            ":9:34: [1].then.label: {ng} is not a named group",
            ":9:51: [1].then.lamp: there is no lamp named \"fluorecent\"",
            ":10:3: [2]: the key \"name\" is missing",
            ":10:9: [2].then: both capture and ignore",
            ":12:9: [3].then: a photo that is ignored has no bench",
            ":14:31: [4].then.lamp: only a calibration has a lamp",
        ] {
            assert!(
                places
                    .iter()
                    .any(|p| p.starts_with(&format!("lab.yaml{expected}"))),
                "{expected} in {places:#?}"
            );
        }
        assert_eq!(mistakes.len(), 14, "{places:#?}");
        assert!(mistakes.iter().any(|m| m.contains("did you mean {mg}?")));
        assert!(
            mistakes
                .iter()
                .any(|m| m.contains("did you mean \"fluorescent\"?"))
        );
    }

    #[test]
    fn rules_ask_for_looks_by_the_names_of_lamps_and_a_few_words() {
        let (rules, mistakes) = read_text(
            "- {name: a, camera_name: true, looks: [Helium, dark], then: {capture: sample}}\n",
        );
        assert_eq!(mistakes, [""; 0]);
        let looks = &rules.rules()[0].when.looks;
        assert_eq!(*looks, [Look::Lamp("helium".to_owned()), Look::Dark]);
        let (_, mistakes) =
            read_text("- {name: a, looks: helum, camera_name: 1, then: {capture: sample}}\n");
        assert!(mistakes[0].contains(":1:20: [0].looks: nothing looks like \"helum\""));
        assert!(mistakes[0].contains("did you mean \"helium\"?"));
        assert!(mistakes[1].contains("[0].camera_name"), "{mistakes:?}");
    }

    #[test]
    fn two_rules_of_one_name_are_a_mistake() {
        let (_, mistakes) =
            read_text("- {name: a, then: {capture: dark}}\n- {name: A, then: {capture: dark}}\n");
        assert_eq!(mistakes.len(), 1);
        assert!(mistakes[0].contains("already a rule named \"A\""));
    }

    #[test]
    fn time_windows_come_as_dates_or_as_times_of_day() {
        for (text, expected) in [
            ("{from: 2026-03-04}", Some("from 2026-03-04T00:00:00")),
            (
                "{from: 2026-03-04T18:00, until: '2026-03-04 20:30:10'}",
                Some("from 2026-03-04T18:00:00 until 2026-03-04T20:30:10"),
            ),
            ("{until: 2026-03-05}", Some("until 2026-03-05T00:00:00")),
            (
                "{from: 18:00, until: 02:00}",
                Some("daily from 18:00:00 until 02:00:00"),
            ),
            ("{from: 18:00}", None),
            ("{from: 18:00, until: 18:00}", None),
            ("{from: 18:00, until: 2026-03-04}", None),
            ("{from: 2026-03-04, until: 2026-03-03}", None),
            ("{from: 25:00, until: 26:00}", None),
            ("{from: 2026-13-01}", None),
            ("{}", None),
        ] {
            let report = Report::new(Path::new("lab.yaml"));
            let window = report.parse(text, |spot| read_window(&spot));
            assert_eq!(window.map(|w| w.to_string()).as_deref(), expected, "{text}");
            assert_eq!(report.is_clean(), expected.is_some(), "{text}");
        }
    }
}
