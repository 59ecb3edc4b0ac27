//! Just enough of a TIFF reader to ask a directory for a tag (TIFF 6.0, section 2; a DNG is built the same way). What does
//! not lie in the file is absent.

use super::bytes::{be, inside, le};

/// A file that begins with TIFF's mark.
pub(super) struct Tiff<'a> {
    bytes: &'a [u8],
    number: fn(&[u8], usize, usize) -> Option<usize>,
}

impl<'a> Tiff<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Tiff<'a> {
        let number = if bytes.starts_with(b"MM") { be } else { le };
        Tiff { bytes, number }
    }

    /// The number of `n` bytes at `at`.
    pub(super) fn number(&self, at: usize, n: usize) -> Option<usize> {
        (self.number)(self.bytes, at, n)
    }

    /// Where the first directory stands; where nothing can be, if the file does not say.
    pub(super) fn first_directory(&self) -> usize {
        self.number(4, 4).unwrap_or(u32::MAX as usize)
    }

    /// Where a tag's entry stands in a directory.
    pub(super) fn entry(&self, directory: usize, tag: usize) -> Option<usize> {
        let n_entries = self.number(directory, 2)?;
        (0..n_entries)
            .map(|i| directory + 2 + 12 * i)
            .find(|&at| self.number(at, 2) == Some(tag))
    }

    /// The values of an entry of type BYTE, SHORT, LONG or IFD; none of any other type.
    pub(super) fn values(&self, entry: usize) -> Option<Vec<usize>> {
        let size = match self.number(entry + 2, 2)? {
            1 => 1,
            3 => 2,
            4 | 13 => 4,
            _ => return Some(Vec::new()),
        };
        let n = self.number(entry + 4, 4)?;
        let start = if n * size <= 4 {
            entry + 8
        } else {
            self.number(entry + 8, 4)?
        };
        if !inside(self.bytes, start, n * size) {
            return None;
        }
        (0..n)
            .map(|i| self.number(start + i * size, size))
            .collect()
    }

    /// The values of a tag of a directory; none where it has no such tag.
    pub(super) fn tag(&self, directory: usize, tag: usize) -> Vec<usize> {
        let entry = self.entry(directory, tag);
        entry.and_then(|at| self.values(at)).unwrap_or_default()
    }
}
