//! Pictures that were decoded to be looked at, kept for a while: most are measured right afterwards, and need not be decoded twice.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::decode::Facts;
use crate::frame::Frame;

/// A picture with its facts, by the hash of its bytes.
type Kept = (String, Facts, Frame);

/// Pictures by their bytes, of which the oldest make room for the newest.
pub struct Pictures {
    kept: Mutex<VecDeque<Kept>>,
    most_bytes: u64,
}

impl Pictures {
    /// None yet; pictures of so many bytes together are kept.
    pub fn new(most_bytes: u64) -> Pictures {
        Pictures {
            kept: Mutex::default(),
            most_bytes,
        }
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Kept>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps the picture of the bytes with this hash, where there is room for it at all.
    pub fn keep(&self, hash: &str, facts: Facts, frame: Frame) {
        if frame.n_bytes() > self.most_bytes {
            return;
        }
        let mut kept = self.lock();
        kept.retain(|(of, ..)| of != hash);
        kept.push_back((hash.to_owned(), facts, frame));
        while kept.iter().map(|(.., frame)| frame.n_bytes()).sum::<u64>() > self.most_bytes {
            kept.pop_front();
        }
    }

    /// Hands over a picture, which is then no longer kept.
    pub fn take(&self, hash: &str) -> Option<(Facts, Frame)> {
        let mut kept = self.lock();
        let at = kept.iter().position(|(of, ..)| of == hash)?;
        let (_, facts, frame) = kept.remove(at)?;
        Some((facts, frame))
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::frame::{Orientation, Samples};

    fn frame(pixels: usize) -> Frame {
        let samples = Samples::U8(vec![0; 3 * pixels]);
        let linear: Arc<[f32]> = vec![0.0; 256].into();
        Frame::new(samples, pixels, 1, Orientation::UPRIGHT, linear, 255)
    }

    #[test]
    fn the_oldest_make_room_and_each_is_handed_over_once() {
        let pictures = Pictures::new(3 * 100);
        for (hash, pixels) in [("a", 40), ("b", 40), ("c", 40), ("huge", 101)] {
            pictures.keep(hash, Facts::default(), frame(pixels));
        }
        assert!(pictures.take("a").is_none() && pictures.take("huge").is_none());
        assert_eq!(pictures.take("b").map(|(_, frame)| frame.width()), Some(40));
        assert!(pictures.take("b").is_none());
        assert!(pictures.take("c").is_some());
    }
}
