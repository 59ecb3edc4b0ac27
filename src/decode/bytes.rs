//! Numbers out of a file's bytes; absent where the file ends before they do.

/// The big-endian number of `n` ≤ 8 bytes at `at`.
pub(super) fn be(bytes: &[u8], at: usize, n: usize) -> Option<usize> {
    number(bytes.get(at..at.checked_add(n)?)?.iter())
}

/// The little-endian number of `n` ≤ 8 bytes at `at`.
pub(super) fn le(bytes: &[u8], at: usize, n: usize) -> Option<usize> {
    number(bytes.get(at..at.checked_add(n)?)?.iter().rev())
}

fn number<'a>(from_the_highest: impl Iterator<Item = &'a u8>) -> Option<usize> {
    let number = from_the_highest.fold(0, |number, b| number << 8 | u64::from(*b));
    usize::try_from(number).ok()
}

/// True where `length` bytes from `start` lie inside the file.
pub(super) fn inside(bytes: &[u8], start: usize, length: usize) -> bool {
    start
        .checked_add(length)
        .is_some_and(|end| end <= bytes.len())
}
