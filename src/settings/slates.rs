//! The section `slates`: the cards that are printed, and for how long one holds.

use serde::Deserialize;

use super::reading::{Spot, Table, meant};
use crate::classify::{CameraNames, SlateSearch};
use crate::slates::{Slate, Square, What};

/// What is said of slates.
#[derive(Clone, Debug, PartialEq)]
pub struct Slates {
    /// The cards of the printed page, in order.
    pub cards: Vec<Card>,
    /// For how long a slate holds, minutes; absent: until the next one or the session's end.
    pub valid_min: Option<f64>,
    /// Which photos are looked at for slates.
    pub look_at: LookAt,
}

/// Which photos are looked at for slates.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LookAt {
    /// None: slates do nothing.
    None,
    /// Those whose name says nothing or begins with `slate`: they are looked at anyway, or are few.
    #[default]
    Unnamed,
    /// All: nothing is then planned before each was looked at.
    All,
}

impl LookAt {
    /// Which photos are looked at for a slate, where these are the names that say nothing.
    pub(super) fn search(self, camera_names: CameraNames) -> SlateSearch {
        match self {
            LookAt::None => SlateSearch::None,
            LookAt::Unnamed => SlateSearch::Unnamed(camera_names),
            LookAt::All => SlateSearch::All,
        }
    }
}

/// A card of the printed page.
#[derive(Clone, Debug, PartialEq)]
pub enum Card {
    /// One for each bench that is known.
    EachBench,
    /// This one.
    One(Slate),
}

impl Card {
    /// What is printed, as `slitwatch check` says it.
    pub(super) fn words(&self) -> String {
        match self {
            Card::EachBench => "each bench".to_owned(),
            Card::One(slate) => slate.to_string(),
        }
    }
}

/// A class's length and a half (common practice, no source): a card that was forgotten does not reach into the next one.
const VALID_MIN: f64 = 180.0;
/// Names longer than this do not fit on a card, letters.
const LONGEST: usize = 60;
/// The largest square that keeps its modules above 1.2 mm, modules.
const LARGEST_SQUARE: usize = 49;

/// Cards that are one word, as they are written and shown.
const WORDS: [&str; 7] = [
    "each-bench",
    "lamp",
    "blank",
    "dark",
    "sample",
    "unknown",
    "last-does-not-count",
];

impl Default for Slates {
    fn default() -> Slates {
        Slates {
            cards: WORDS.iter().filter_map(|word| card_of(word)).collect(),
            valid_min: Some(VALID_MIN),
            look_at: LookAt::default(),
        }
    }
}

fn card_of(word: &str) -> Option<Card> {
    let what = match word.to_lowercase().as_str() {
        "each-bench" => return Some(Card::EachBench),
        "lamp" => What::Lamp(None),
        "blank" => What::Blank,
        "dark" => What::Dark,
        "sample" => What::Sample(None),
        "unknown" => What::Unknown(String::new()),
        "last-does-not-count" => What::Void,
        _ => return None,
    };
    Some(Card::One(Slate::of(what)))
}

impl Slates {
    pub(super) fn read(&mut self, t: &mut Table<'_>) {
        // A week: beyond it `any` is meant.
        t.set("valid_min", &mut self.valid_min, |spot| {
            spot.unless("any", |spot| spot.number(1.0..=10_080.0, "min, or any"))
        });
        t.set("look_at", &mut self.look_at, |spot| {
            spot.word(&["none", "unnamed", "all"])
        });
        t.set("cards", &mut self.cards, |spot| {
            let cards = spot.list();
            Some(cards.iter().filter_map(read_card).collect())
        });
    }

    /// The slates that are printed, where the benches have these names.
    pub fn printed(&self, benches: &[String]) -> Vec<Slate> {
        let slates = self.cards.iter().flat_map(|card| match card {
            Card::EachBench => benches.iter().map(|name| Slate::of_bench(name)).collect(),
            Card::One(slate) => vec![slate.clone()],
        });
        slates.collect()
    }
}

fn read_card(spot: &Spot<'_>) -> Option<Card> {
    if !spot.is_table() {
        let word = spot.text()?;
        let otherwise = || format!("write one of {}, or such as {EXAMPLE}", WORDS.join(", "));
        return card_of(&word).or_else(|| {
            let remedy = meant(&word, WORDS.into_iter(), otherwise);
            spot.refused(format!("there is no card \"{word}\""), remedy)
        });
    }
    let slate = spot.table(|t| {
        let bench = t.get("bench").and_then(|spot| name(&spot));
        let mut found: Vec<Option<What>> = Vec::new();
        let mut named = |spot: Option<Spot<'_>>, what: fn(Option<String>) -> What| {
            if let Some(spot) = spot {
                let any = spot.unless("any", name);
                found.push(any.map(what));
            }
        };
        named(t.get("lamp"), What::Lamp);
        named(t.get("sample"), What::Sample);
        named(t.get("unknown"), |series| {
            What::Unknown(series.unwrap_or_default())
        });
        for (key, what) in [("blank", What::Blank), ("dark", What::Dark)] {
            if let Some(spot) = t.get(key) {
                let is_it = spot.flag();
                found.push(is_it.filter(|yes| *yes).map(|_| what));
            }
        }
        if let Some(spot) = t.get("standard") {
            found.push(read_standard(&spot, t));
        } else {
            for key in ["unit", "series"] {
                if let Some(spot) = t.get(key) {
                    let remedy =
                        "write it beside standard: (an unknown's series stands behind unknown:)";
                    spot.mistake(format!("a {key} without a standard"), remedy);
                }
            }
        }
        let (n, what) = (found.len(), found.into_iter().next());
        match (n, bench, what) {
            (0, None, _) => t.spot().refused(
                "a card that says nothing",
                format!("write such as {EXAMPLE}"),
            ),
            (2.., ..) => t
                .spot()
                .refused("a card that says two things", "give each a card of its own"),
            (_, bench, None) => Some(Slate { bench, what: None }),
            (_, bench, Some(what)) => Some(Slate {
                bench,
                what: Some(what?),
            }),
        }
    })?;
    match Square::of(&slate) {
        Some(square) if square.side <= LARGEST_SQUARE => Some(Card::One(slate)),
        _ => spot.refused(
            "too long for a card that a phone can read",
            "use shorter names",
        ),
    }
}

const EXAMPLE: &str =
    "{sample: quay-lamp}, {standard: 0.5, unit: mg, series: dye} or {bench: heron, lamp: helium}";

fn read_standard(spot: &Spot<'_>, t: &mut Table<'_>) -> Option<What> {
    let concentration = spot.number(0.0..=1e9, "")?;
    let mut text = |key| match t.get(key) {
        Some(spot) => name(&spot),
        None => Some(String::new()),
    };
    let (unit, series) = (text("unit"), text("series"));
    Some(What::Standard {
        concentration,
        unit: unit?,
        series: series?,
    })
}

/// A name that fits on a card.
fn name(spot: &Spot<'_>) -> Option<String> {
    let name = spot.text()?.trim().to_owned();
    if name.chars().count() > LONGEST || name.chars().any(char::is_control) {
        return spot.refused(
            "a name that does not fit on a card",
            format!("use {LONGEST} letters at most, on one line"),
        );
    }
    Some(name)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::mistake::Report;
    use super::*;

    fn read(text: &str) -> (Slates, Vec<String>) {
        let report = Report::new(Path::new("lab.yaml"));
        let slates = report
            .parse(text, |spot| {
                Some(spot.on_top_of(Slates::default(), Slates::read))
            })
            .expect("something to read");
        let mistakes = report.into_mistakes();
        (slates, mistakes.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn the_shipped_cards_are_one_of_each_kind_and_a_bench_s_for_each() {
        let benches = ["avocet".to_owned(), "heron".to_owned()];
        let printed = Slates::default().printed(&benches);
        let said: Vec<String> = printed.iter().map(ToString::to_string).collect();
        assert_eq!(
            said,
            [
                "bench avocet",
                "bench heron",
                "next: the lamp",
                "next: the blank",
                "next: a dark photo",
                "next: a sample",
                "next: the unknown",
                "the photo before does not count",
            ]
        );
    }

    #[test]
    fn cards_of_one_s_own_are_read() {
        let (slates, mistakes) = read(
            "valid_min: any\nlook_at: all\ncards:\n  - Lamp\n  - {sample: quay-lamp}\n  - {standard: 0.5, unit: mg/L, series: dye}\n  \
             - {bench: heron, lamp: any}\n  - {unknown: dye}\n  - {bench: tern, blank: true}\n",
        );
        assert_eq!(mistakes, [""; 0]);
        assert_eq!((slates.valid_min, slates.look_at), (None, LookAt::All));
        let said: Vec<String> = slates
            .printed(&[])
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(
            said,
            [
                "next: the lamp",
                "next: the sample quay-lamp",
                "next: the standard 0.5 mg/L of dye",
                "bench heron, next: the lamp",
                "next: the unknown of dye",
                "bench tern, next: the blank",
            ]
        );
    }

    #[test]
    fn every_mistake_in_a_card_is_named_with_its_place() {
        let long = "x".repeat(61);
        let (_, mistakes) = read(&format!(
            "valid_min: 0\nlook_at: unnamned\ncards:\n  - lmap\n  - {{sampel: x}}\n  - {{lamp: a, sample: b}}\n  - {{sample: {long}}}\n  \
             - {{standard: much}}\n  - {{unit: mg, sample: a}}\n  - {{}}\n"
        ));
        let begins = [
            ("lab.yaml:1:12", "out of range"),
            ("lab.yaml:2:10", "did you mean \"unnamed\""),
            ("lab.yaml:4:5", "did you mean \"lamp\""),
            ("lab.yaml:5:6", "did you mean \"sample\""),
            ("lab.yaml:5:5", "says nothing"),
            ("lab.yaml:6:5", "two things"),
            ("lab.yaml:7:14", "does not fit"),
            ("lab.yaml:8:16", "a number is wanted"),
            ("lab.yaml:9:12", "without a standard"),
            ("lab.yaml:10:5", "says nothing"),
        ];
        for (place, what) in begins {
            let found = mistakes
                .iter()
                .any(|m| m.starts_with(place) && m.contains(what));
            assert!(found, "{place} {what}: {mistakes:#?}");
        }
        assert_eq!(mistakes.len(), begins.len(), "{mistakes:#?}");
    }
}
