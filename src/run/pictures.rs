//! Pictures that were decoded to be looked at, kept for a while: most are measured right afterwards, and need not be decoded twice.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::lab::Picture;

/// A picture with what was found in it, by the hash of its bytes.
type Kept = (String, Picture);

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
    pub fn keep(&self, hash: &str, picture: Picture) {
        if picture.n_bytes() > self.most_bytes {
            return;
        }
        let mut kept = self.lock();
        kept.retain(|(of, _)| of != hash);
        kept.push_back((hash.to_owned(), picture));
        let n_bytes = |kept: &VecDeque<Kept>| kept.iter().map(|(_, p)| p.n_bytes()).sum::<u64>();
        while n_bytes(&kept) > self.most_bytes {
            kept.pop_front();
        }
    }

    /// Hands over a picture, which is then no longer kept.
    pub fn take(&self, hash: &str) -> Option<Picture> {
        let mut kept = self.lock();
        let at = kept.iter().position(|(of, _)| of == hash)?;
        kept.remove(at).map(|(_, picture)| picture)
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
    fn the_oldest_make_room_and_each_is_handed_over_once() {
        let pictures = Pictures::new(3 * 100);
        for (hash, pixels) in [("a", 40), ("b", 40), ("c", 40), ("huge", 101)] {
            pictures.keep(hash, picture(pixels));
        }
        assert!(pictures.take("a").is_none() && pictures.take("huge").is_none());
        assert_eq!(pictures.take("b").map(|p| p.frame.width()), Some(40));
        assert!(pictures.take("b").is_none());
        assert!(pictures.take("c").is_some());
    }
}
