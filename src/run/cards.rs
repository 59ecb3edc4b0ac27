//! Verdict cards for the galleries of the benches' phones: which there are to be, and those already drawn.

use std::collections::{HashMap, HashSet};
use std::sync::Mutex;

use crate::publish::files::{CARD_ENDING, Card, card_name};
use crate::report::Shown;

use super::work::Summary;

/// Cards as drawn, by what they say: from one change of the class to the next nearly all stay as they are.
#[derive(Debug, Default)]
pub struct Cards {
    drawn: Mutex<HashMap<String, Vec<u8>>>,
}

impl Cards {
    /// One card for each photo of a bench, in `<bench>/cards/`.
    pub fn of(&self, photos: &[Shown<'_>]) -> Vec<Summary> {
        // After a panic in another thread the cards are drawn again.
        let Ok(mut drawn) = self.drawn.lock() else {
            return Vec::new();
        };
        let mut taken = HashSet::new();
        let mut kept = HashMap::new();
        let mut cards = Vec::new();
        for shown in photos {
            let (Some(card), Some((bench, below))) =
                (Card::of(shown.record), shown.folder.split_once('/'))
            else {
                continue;
            };
            let path = free_name(bench, below, &mut taken);
            let says = format!("{card:?}");
            let bytes = drawn.remove(&says).unwrap_or_else(|| card.png());
            kept.insert(says, bytes.clone());
            cards.push(Summary {
                path,
                bytes,
                has_clock: false,
            });
        }
        *drawn = kept;
        cards
    }
}

/// A path that no other card has: names that differ only in what a phone's card cannot hold are numbered.
fn free_name(bench: &str, below: &str, taken: &mut HashSet<String>) -> String {
    let name = card_name(below);
    let stem = name.strip_suffix(CARD_ENDING).unwrap_or(&name);
    let mut path = format!("{bench}/cards/{name}");
    let mut n = 2;
    // Letter case aside: a phone's card does not tell it.
    while !taken.insert(path.to_lowercase()) {
        path = format!("{bench}/cards/{stem}~{n}{CARD_ENDING}");
        n += 1;
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_a_phone_could_not_tell_apart_are_numbered() {
        let mut taken = HashSet::new();
        let mut name = |below: &str| free_name("heron", below, &mut taken);
        assert_eq!(name("a.jpg"), "heron/cards/a.jpg.card.png");
        assert_eq!(name("A.jpg"), "heron/cards/A.jpg~2.card.png");
        assert_eq!(name("late/a.jpg"), "heron/cards/late·a.jpg.card.png");
        assert_eq!(name("late·a.jpg"), "heron/cards/late·a.jpg~2.card.png");
    }
}
