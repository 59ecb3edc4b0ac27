//! Reads what each bench has to photograph, and when the class ends.

use super::reading::{Spot, Table};
use super::rules::{Moment, read_moment};
use crate::classify::{Expectations, Expected};
use crate::terms::Capture;

/// Who has to, where all have to.
const ALL: &str = "all";
const EXAMPLE: &str = "write such as expect: [calibration, blank, 'dye-*mg'], or a list for all and for single benches";

/// Reads `expect` and `ends_at`.
pub(super) fn read(t: &mut Table<'_>) -> Expectations {
    let mut things = Vec::new();
    if let Some(spot) = t.get("expect") {
        if spot.is_table() {
            for (bench, list) in spot.entries() {
                let bench = match bench.to_lowercase() {
                    all if all == ALL => String::new(),
                    bench => bench,
                };
                things.extend(list.list().iter().filter_map(|s| read_thing(s, &bench)));
            }
        } else if spot.is_list() {
            things.extend(spot.list().iter().filter_map(|s| read_thing(s, "")));
        } else {
            spot.mistake("a list is wanted here", EXAMPLE);
        }
    }
    let ends_at = t.get("ends_at").and_then(|spot| {
        Some(match read_moment(&spot)? {
            Moment::Daily(time) => time.strftime("%H:%M").to_string(),
            Moment::Once(at) => at.strftime("%Y-%m-%d %H:%M").to_string(),
        })
    });
    Expectations { things, ends_at }
}

/// A capture's word, a pattern of labels, or both in a table.
fn read_thing(spot: &Spot<'_>, bench: &str) -> Option<Expected> {
    let pattern = |spot: &Spot<'_>| {
        spot.parsed(
            Expected::pattern,
            |text, why| format!("\"{text}\" is no pattern of labels: {why}"),
            "write the label, with * for any text and ? for any letter",
        )
    };
    let capture = |spot: &Spot<'_>| spot.word::<Capture>(&Capture::WORDS);
    let mut thing = Expected {
        bench: bench.to_owned(),
        capture: None,
        label: None,
        count: 1,
        say: String::new(),
    };
    if !spot.is_table() {
        if Capture::WORDS.iter().any(|word| spot.says(word)) {
            thing.capture = Some(capture(spot)?);
        } else {
            thing.label = Some(pattern(spot)?);
        }
        return Some(thing);
    }
    spot.table(|t| {
        t.set("capture", &mut thing.capture, |s| capture(s).map(Some));
        t.set("label", &mut thing.label, |s| pattern(s).map(Some));
        // More than a bench takes in a day.
        t.set("count", &mut thing.count, |s| {
            s.whole(1..=1000, "photos").map(|n| n as usize)
        });
        t.set("say", &mut thing.say, Spot::text);
        if thing.capture.is_none() && thing.label.is_none() {
            let remedy = "write {capture: blank}, {label: 'dye-*mg', count: 5}, or both";
            return t.spot().refused("neither a capture nor a label", remedy);
        }
        Some(thing)
    })
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::mistake::Report;
    use super::*;

    fn expectations(text: &str) -> (Expectations, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let read = report.parse(text, |top| top.table(|t| Some(read(t))));
        let mistakes = report.into_mistakes();
        let mistakes = mistakes.iter().map(ToString::to_string).collect();
        (read.unwrap_or_default(), mistakes)
    }

    #[test]
    fn a_list_is_for_all_benches_and_a_table_for_each_as_well() {
        let (all, mistakes) =
            expectations("expect: [calibration, Blank, 'dye-*mg']\nends_at: 20:30");
        assert_eq!(mistakes, [""; 0]);
        assert_eq!(all.ends_at.as_deref(), Some("20:30"));
        assert_eq!(all.missing("knot", &[]), ["lamp", "blank", "dye-*mg"]);
        let text = "expect:\n  all: [calibration]\n  Heron:\n    - {label: quay-lamp, capture: sample, count: 2, say: the lamp on the quay}\n\
                    ends_at: 2026-03-12 20:30\n";
        let (some, mistakes) = expectations(text);
        assert_eq!(mistakes, [""; 0]);
        assert_eq!(some.ends_at.as_deref(), Some("2026-03-12 20:30"));
        assert_eq!(some.missing("knot", &[]), ["lamp"]);
        let of_heron = some.missing("heron", &[]);
        assert_eq!(of_heron, ["lamp", "the lamp on the quay (0 of 2)"]);
    }

    #[test]
    fn mistakes_are_named_with_their_places() {
        let text = "ends_at: late\nexpect:\n  all:\n    - {capture: blnk}\n    - {count: 2}\n    - '[dye'\n  heron: lamp\n";
        let (_, mistakes) = expectations(text);
        for (place, what) in [
            ("lab.yaml:1:10", "not a date or time"),
            ("lab.yaml:4:17", "did you mean \"blank\""),
            ("lab.yaml:5:7", "neither a capture nor a label"),
            ("lab.yaml:6:7", "no pattern of labels"),
            ("lab.yaml:7:10", "a list is wanted"),
        ] {
            let found = mistakes
                .iter()
                .any(|m| m.starts_with(place) && m.contains(what));
            assert!(found, "{place} {what}: {mistakes:#?}");
        }
        let (_, mistakes) = expectations("expect: lamp");
        assert!(mistakes[0].starts_with("lab.yaml:1:9"), "{mistakes:?}");
    }
}
