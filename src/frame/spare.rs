//! Memory of frames that nobody needs any more, for the next ones: the system would have to clear it page by page anew, which takes
//! as long as a third of the decoding.

use std::sync::{Mutex, PoisonError};

/// So many are kept, for as many photos as a small machine has in hand; any more go back to the system.
const MOST_SPARES: usize = 2;
/// Larger ones are not kept: 16 megapixels, as large as reduced pictures and most phones' own are.
const LARGEST_BYTES: usize = 48 << 20;

static SPARES: Mutex<Vec<Vec<u8>>> = Mutex::new(Vec::new());

/// `n_bytes` zeros.
pub fn zeros(n_bytes: usize) -> Vec<u8> {
    let mut spares = SPARES.lock().unwrap_or_else(PoisonError::into_inner);
    let fits = |spare: &Vec<u8>| spare.capacity() >= n_bytes && spare.capacity() <= 2 * n_bytes;
    match spares.iter().position(fits) {
        Some(i) => {
            let mut spare = spares.swap_remove(i);
            drop(spares);
            spare.clear();
            spare.resize(n_bytes, 0);
            spare
        }
        None => vec![0; n_bytes],
    }
}

/// Keeps memory for the next frame.
pub(super) fn keep(spare: Vec<u8>) {
    let mut spares = SPARES.lock().unwrap_or_else(PoisonError::into_inner);
    if spares.len() < MOST_SPARES && (1 << 20..=LARGEST_BYTES).contains(&spare.capacity()) {
        spares.push(spare);
    }
}

/// Gives all back to the system, where no photo is in hand.
pub fn let_go() {
    SPARES
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .clear();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_a_photo_is_left_in_what_the_next_one_gets() {
        keep(vec![7; 2 << 20]);
        let zeros = zeros(3 << 19);
        assert_eq!(zeros.len(), 3 << 19);
        assert!(zeros.iter().all(|byte| *byte == 0));
    }
}
