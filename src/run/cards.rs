//! Verdict cards for the galleries of the benches' phones: which there are to be, and those already drawn.

use std::collections::{HashMap, HashSet};
use std::sync::{Mutex, PoisonError};

use crate::classify::CARD_ENDING;
use crate::publish::files::{Card, card_name};
use crate::publish::names::CARDS;
use crate::report::{Shown, Sink};
use crate::terms::Phrases;

/// Cards as drawn, by what they say: from one change of the class to the next nearly all stay as they are.
#[derive(Debug, Default)]
pub struct Cards {
    drawn: Mutex<HashMap<Card, Vec<u8>>>,
}

impl Cards {
    /// Hands over one card for each photo of a bench, in `<bench>/cards/`.
    pub fn put(&self, photos: &[Shown<'_>], phrases: &Phrases, out: &mut dyn Sink) {
        self.put_drawn_by(Card::png, photos, phrases, out);
    }

    fn put_drawn_by(
        &self,
        draw: impl Fn(&Card) -> Vec<u8>,
        photos: &[Shown<'_>],
        phrases: &Phrases,
        out: &mut dyn Sink,
    ) {
        // After a panic while one was drawn, those that were drawn before are as good as ever.
        let mut drawn = self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        let mut taken = HashSet::new();
        let mut said = HashSet::new();
        for shown in photos {
            let (Some(card), Some((bench, below))) = (
                Card::of(shown.record, phrases),
                shown.folder.split_once('/'),
            ) else {
                continue;
            };
            let path = free_name(bench, below, &mut taken);
            let bytes = drawn.entry(card.clone()).or_insert_with(|| draw(&card));
            out.put(&path, bytes, false);
            said.insert(card);
        }
        drawn.retain(|card, _| said.contains(card));
    }
}

/// A path that no other card has: names that differ only in what a phone's card cannot hold are numbered.
fn free_name(bench: &str, below: &str, taken: &mut HashSet<String>) -> String {
    let name = card_name(below);
    let stem = name.strip_suffix(CARD_ENDING).unwrap_or(&name);
    let mut path = format!("{bench}/{CARDS}/{name}");
    let mut n = 2;
    // Letter case aside: a phone's card does not tell it.
    while !taken.insert(path.to_lowercase()) {
        path = format!("{bench}/{CARDS}/{stem}~{n}{CARD_ENDING}");
        n += 1;
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::publish::record::Record;
    use std::cell::Cell;
    use std::panic::{AssertUnwindSafe, catch_unwind};

    #[test]
    fn names_that_a_phone_could_not_tell_apart_are_numbered() {
        let mut taken = HashSet::new();
        let mut name = |below: &str| free_name("heron", below, &mut taken);
        assert_eq!(name("a.jpg"), "heron/cards/a.jpg.card.png");
        assert_eq!(name("A.jpg"), "heron/cards/A.jpg~2.card.png");
        assert_eq!(name("late/a.jpg"), "heron/cards/late·a.jpg.card.png");
        assert_eq!(name("late·a.jpg"), "heron/cards/late·a.jpg~2.card.png");
    }

    #[derive(Default)]
    struct Paths(Vec<String>);

    impl Sink for Paths {
        fn put(&mut self, path: &str, _bytes: &[u8], _has_clock: bool) {
            self.0.push(path.to_owned());
        }
        fn stream(
            &mut self,
            path: &str,
            _write: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
        ) {
            self.0.push(path.to_owned());
        }
    }

    #[test]
    fn what_two_cards_say_alike_is_drawn_once_and_a_panic_costs_no_card() {
        let record = |photo: &str, bench: &str| Record {
            photo: photo.to_owned(),
            bench: bench.to_owned(),
            ..Record::default()
        };
        let (a, b, c) = (
            record("heron/a.jpg", "heron"),
            record("heron/late/a.jpg", "heron"),
            record("dunlin/a.jpg", "dunlin"),
        );
        let shown = |record, folder| Shown {
            record,
            folder,
            has_spectrum: false,
        };
        let photos = [
            shown(&a, "heron/a.jpg"),
            shown(&b, "heron/late/a.jpg"),
            shown(&c, "dunlin/a.jpg"),
        ];
        let english = crate::settings::english();
        let cards = Cards::default();
        let n_drawn = Cell::new(0);
        let draw = |_: &Card| {
            n_drawn.set(n_drawn.get() + 1);
            Vec::new()
        };
        let put = |photos: &[Shown<'_>]| {
            let mut paths = Paths::default();
            cards.put_drawn_by(draw, photos, english, &mut paths);
            (paths.0.len(), n_drawn.get())
        };
        assert_eq!(put(&photos), (3, 2), "the first two say the same");
        assert_eq!(put(&photos), (3, 2));
        assert_eq!(put(&photos[..2]), (2, 2));
        assert_eq!(put(&photos), (3, 3), "what is said no more is forgotten");
        let draw_and_fail = |_: &Card| -> Vec<u8> { panic!("planted") };
        let d = record("avocet/a.jpg", "avocet");
        let another = [shown(&d, "avocet/a.jpg")];
        let fails = || cards.put_drawn_by(draw_and_fail, &another, english, &mut Paths::default());
        assert!(catch_unwind(AssertUnwindSafe(fails)).is_err());
        assert_eq!(put(&photos), (3, 3));
    }
}
