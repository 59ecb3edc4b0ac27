//! Estimates how much memory a photo takes while it is in hand, from what its header says of size, depth, channels and
//! form. This is known before any memory is asked for, so that photos together stay within what the configuration
//! allows. And bounds what a file may ask for.
//!
//! Pictures through a slit are nearly black, and a phone's own file of one has a hundred to a thousand pixels a byte: how
//! well a picture shrinks says nothing of who made it. What bounds a bomb is counted. Its pixels (`max_megapixels`), each
//! of which is decoded once; the memory of its form ([`LARGEST_IN_ONE_PIECE`]); the bytes that are read more than once
//! ([`MOST_BYTES_AGAIN`]); for JPEG the blocks of all scans (`MOST_BLOCKS` in `jpeg/whole.rs`). So the worst that a few
//! kilobytes can do is what an honest picture of 210 megapixels does: 1 to 4 s of processor time in the memory of an
//! ordinary photo, or in 400 MiB where the form has to be held whole (measured: `tests/jobs/large.rs` with
//! `SLITWATCH_LARGE=1`).

use super::facts::Facts;
use super::picture::Fault;
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

/// Bytes that a file may have read more than once, bytes.
///
/// The parts of a HEIC or TIFF are places in the file, and nothing keeps a thousand of them from being the same place: a
/// megabyte would be decoded a thousand times. Equal parts that a writer stored once, such as black tiles of a hundred
/// bytes, are far below. The slowest form (HEVC) is decoded at some ten megabytes a second (from memory).
const MOST_BYTES_AGAIN: u64 = 16_000_000;

/// Refuses a form that has to be decoded in one piece and would take too much memory.
///
/// # Errors
/// [`Fault::TooLarge`] with the numbers.
pub(super) fn fits_in_memory(facts: &Facts) -> Result<(), Fault> {
    if facts.decoding_bytes <= LARGEST_IN_ONE_PIECE {
        return Ok(());
    }
    Err(Fault::TooLarge(format!(
        "{} × {} pixels in a form that has to be unfolded in one piece, which would take {} MB of memory, and {} MB is \
         the limit: upload the camera's own file, or save it smaller",
        facts.width,
        facts.height,
        facts.decoding_bytes.div_ceil(1_000_000),
        LARGEST_IN_ONE_PIECE / 1_000_000
    )))
}

/// Refuses a file of `n_bytes` whose parts are of `lengths`, bytes, where they can only be the same bytes again and again.
///
/// # Errors
/// [`Fault::TooLarge`] with the numbers.
pub(super) fn is_read_once(
    lengths: impl IntoIterator<Item = u64>,
    n_bytes: usize,
) -> Result<(), Fault> {
    let mut n_parts = 0;
    let sum = lengths.into_iter().fold(0u64, |sum, length| {
        n_parts += 1;
        sum.saturating_add(length)
    });
    if sum <= (n_bytes as u64).saturating_add(MOST_BYTES_AGAIN) {
        return Ok(());
    }
    Err(Fault::TooLarge(format!(
        "its {n_parts} parts are {} MB in a file of {} MB, so that it would be decoded over and over, and {} MB is the \
         limit for what is read again: upload the camera's own file",
        sum / 1_000_000,
        n_bytes.div_ceil(1_000_000),
        MOST_BYTES_AGAIN / 1_000_000
    )))
}

/// Memory that a photo takes while it is decoded and measured, bytes, its file not counted.
pub fn bytes_in_hand(facts: &Facts) -> u64 {
    let (width, height) = (facts.width as u64, facts.height as u64);
    let by = reduce::factor(width, height) as u64;
    let cells = (width / by).saturating_mul(height / by);
    let measuring = cells.saturating_mul(MEASURING_BYTES_PER_PIXEL);
    facts.decoding_bytes.saturating_add(measuring)
}
