//! Finds runs of zero bytes, which show that a piece of a file was reserved and never filled in.

use std::ops::Range;

/// A run of zero bytes this long in compressed data is suspect.
///
/// Files are transferred and allocated in sectors of 512 bytes or multiples of it; real photos were found to
/// hold at most 16 zero bytes in a row.
pub(super) const HOLE_BYTES: usize = 512;

/// The first run of at least `length` zero bytes in `bytes`, if there is one.
///
/// Looks at one byte in `length` only, as long as that byte is not zero.
pub(super) fn zero_run(bytes: &[u8], length: usize) -> Option<Range<usize>> {
    let mut start = 0;
    while start + length <= bytes.len() {
        // The last byte of the window that is not zero rules out every start up to it.
        match bytes[start..start + length].iter().rposition(|&b| b != 0) {
            Some(last) => start += last + 1,
            None => {
                let more = bytes[start..].iter().position(|&b| b != 0);
                return Some(start..more.map_or(bytes.len(), |n| start + n));
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    #[test]
    fn the_fast_search_for_zeros_agrees_with_a_slow_one() {
        let slow =
            |bytes: &[u8], n: usize| bytes.windows(n).position(|w| w.iter().all(|&b| b == 0));
        let mut rng = rand_pcg::Pcg64::seed_from_u64(4);
        for _ in 0..2000 {
            let length = rng.random_range(1..200);
            let mut bytes: Vec<u8> = (0..length)
                .map(|_| u8::from(rng.random_range(0..3) == 0))
                .collect();
            bytes.extend(vec![0; rng.random_range(0..12)]);
            let n = rng.random_range(1..10);
            let found = zero_run(&bytes, n);
            assert_eq!(found.as_ref().map(|r| r.start), slow(&bytes, n));
            if let Some(run) = found {
                assert!(bytes[run.clone()].iter().all(|&b| b == 0));
                assert!(bytes.get(run.end).is_none_or(|&b| b != 0));
            }
        }
    }
}
