//! Estimates how much memory a photo takes while it is in hand, from what its header says of size, depth, channels and
//! form. This is known before any memory is asked for, so that photos together stay within what the configuration
//! allows.

use super::facts::Facts;
use super::reduce;

/// What a header says of a picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Extent {
    /// Pixels, before any turning; for HEIC upright.
    pub(super) width: usize,
    /// Pixels, before any turning; for HEIC upright.
    pub(super) height: usize,
    /// Memory that decoding takes at once, the frame included and the file not.
    pub(super) bytes: u64,
}

/// Memory that decoding may take at most, bytes.
///
/// Everything that cameras write beyond 32 megapixels is decoded piece by piece and takes less. It is the forms for which
/// there is no such way (progressive JPEG, interlaced PNG, WebP) that this stops: at 64 to 96 megapixels.
pub(super) const LARGEST_IN_ONE_PIECE: u64 = 576_000_000;

/// Memory for measuring a frame and drawing what was found, bytes a pixel: tests/jobs/hostile.rs and the benchmark say
/// what a photo takes in all.
const MEASURING_BYTES_PER_PIXEL: u64 = 3;

/// Memory that a photo takes while it is decoded and measured, bytes, its file not counted.
pub fn bytes_in_hand(facts: &Facts) -> u64 {
    let (width, height) = (facts.width as u64, facts.height as u64);
    let by = reduce::factor(width, height) as u64;
    let cells = (width / by).saturating_mul(height / by);
    let measuring = cells.saturating_mul(MEASURING_BYTES_PER_PIXEL);
    facts.decoding_bytes.saturating_add(measuring)
}
