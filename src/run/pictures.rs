//! Pictures that were decoded to be looked at, kept until they are measured, so that they need not be decoded twice.

use std::collections::BTreeMap;

use jiff::civil::DateTime;

use crate::arrive::listing::Rel;
use crate::lab::Picture;

/// The order in which photos are looked at: bench by bench as their names say, and in the order in which they were taken.
pub type Turn = (String, Option<DateTime>, Rel);

/// What a picture takes as long as none was kept, bytes: 12 megapixels of three bytes.
const USUAL_BYTES: u64 = 36_000_000;

/// Pictures by their photos' turns, with the hashes of their bytes.
#[derive(Default)]
pub struct Pictures {
    kept: BTreeMap<Turn, (String, Picture)>,
    /// Of the largest that was kept.
    largest_bytes: Option<u64>,
}

impl Pictures {
    fn n_bytes(&self) -> u64 {
        self.kept.values().map(|(_, p)| p.n_bytes()).sum()
    }

    /// True where within `most_bytes` one more picture can be kept beside those that are there and `n_to_come`, or where none can be.
    pub fn has_room(&self, n_to_come: usize, most_bytes: u64) -> bool {
        let each = self.largest_bytes.unwrap_or(USUAL_BYTES);
        let to_come = each.saturating_mul(n_to_come as u64 + 1);
        let is_first = self.kept.is_empty() && n_to_come == 0;
        is_first || each > most_bytes || self.n_bytes() + to_come <= most_bytes
    }

    /// Keeps a picture, if need be in the place of those whose turns come first. One that is larger than `most_bytes` is not kept.
    pub fn keep(&mut self, turn: Turn, hash: &str, picture: Picture, most_bytes: u64) {
        let n_bytes = picture.n_bytes();
        if n_bytes > most_bytes {
            return;
        }
        self.largest_bytes = self.largest_bytes.max(Some(n_bytes));
        self.kept.insert(turn, (hash.to_owned(), picture));
        while self.n_bytes() > most_bytes {
            self.kept.pop_first();
        }
    }

    /// Hands over the picture of the bytes with this hash.
    pub fn take(&mut self, hash: &str) -> Option<Picture> {
        let mut kept = self.kept.iter();
        let turn = kept.find(|(_, (of, _))| of == hash)?.0.clone();
        self.kept.remove(&turn).map(|(_, picture)| picture)
    }

    /// The photo whose turn came first.
    pub fn first(&self) -> Option<&Rel> {
        self.kept.keys().next().map(|(.., path)| path)
    }

    /// Lets go of its picture.
    pub fn let_go_of_first(&mut self) {
        self.kept.pop_first();
    }

    /// Lets go of all.
    pub fn clear(&mut self) {
        self.kept.clear();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::decode::Facts;
    use crate::frame::{Frame, Orientation, Samples};

    fn picture(pixels: usize) -> Picture {
        let samples = Samples::U8(vec![0; 3 * pixels]);
        let linear: Arc<[f32]> = vec![0.0; 256].into();
        let frame = Frame::new(samples, pixels, 1, Orientation::UPRIGHT, linear, 255);
        (Facts::default(), frame).into()
    }

    #[test]
    fn the_first_make_room_and_each_is_handed_over_once() {
        let mut pictures = Pictures::default();
        let turn = |name: &str| ("heron".to_owned(), None, Rel::new(name));
        for (hash, pixels) in [("c", 40), ("a", 40), ("b", 40), ("huge", 101)] {
            pictures.keep(turn(hash), hash, picture(pixels), 300);
        }
        assert!(pictures.take("a").is_none() && pictures.take("huge").is_none());
        assert_eq!(pictures.first(), Some(&Rel::new("b")));
        assert_eq!(pictures.take("b").map(|p| p.frame.width()), Some(40));
        assert!(pictures.take("b").is_none());
        assert_eq!(pictures.first(), Some(&Rel::new("c")));
        pictures.let_go_of_first();
        assert!(pictures.take("c").is_none());
    }

    #[test]
    fn there_is_room_for_as_many_as_the_largest_lets_hope() {
        let mut pictures = Pictures::default();
        let is_there = pictures.has_room(0, 300) && pictures.has_room(7, 300);
        assert!(is_there, "none of the usual size is kept anyway");
        let turn = |name: &str| ("heron".to_owned(), None, Rel::new(name));
        for (hash, pixels) in [("a", 30), ("small", 1), ("huge", 101)] {
            pictures.keep(turn(hash), hash, picture(pixels), 300);
        }
        let n_to_come = (0..9).filter(|&n| pictures.has_room(n, 300)).count();
        assert_eq!(
            n_to_come, 2,
            "93 of 300 bytes are taken, and the next ones may take 90 each"
        );
    }
}
