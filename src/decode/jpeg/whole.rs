//! Checks whether all of a JPEG is there. Nothing is decoded here: markers, bytes and blocks are counted.

use std::ops::Range;

use super::entropy::{self, Flaw};
use super::markers::{FrameHeader, Layout, code};
use crate::decode::picture::Fault;
use crate::decode::zeros::{HOLE_BYTES, zero_run};

/// The most scans a JPEG may have: each goes over all blocks, and a file of a few kilobytes can hold thousands.
/// Encoders use about ten; 100 is also the decoder's own limit.
const MAX_SCANS: usize = 100;

/// The most blocks that are read, over all scans. A scan that says of each block that nothing is added to it takes no room:
/// a hundred of them over 96 megapixels are 225 million blocks in a file of a few kilobytes. Encoders' ten scans of the
/// largest picture that is unfolded in one piece read 23 million (ITU-T T.81 A.2; counted). The whole job with 98 million
/// takes 4 s of processor time (measured).
const MOST_BLOCKS: u64 = 100_000_000;

/// Of a plain photo only the end is looked at where it has so many coded bytes and pixels across at least: in smaller ones the last rows
/// can fit into the decoder's look-ahead (no source).
const LEAST_PLAIN_BYTES: usize = 64 * 1024;
const LEAST_PLAIN_WIDTH: usize = 1024;
/// So many bytes between the parts the decoder lets pass in a header (no source).
const MOST_GAP_BYTES: usize = 3;

/// True where the markers go on to the end of the first picture (T.81 B.1.1) with nothing between them, and no scan
/// holds a stretch of zeros. What follows is of no concern: phones put a film, a second picture or a depth map there.
pub fn reaches_its_end(bytes: &[u8]) -> bool {
    let layout = Layout::of(bytes);
    let holed = |coded: Range<usize>| zero_run(&bytes[coded], HOLE_BYTES).is_some();
    layout.end.is_some() && layout.gap.is_empty() && !layout.coded().any(holed)
}

/// Refuses what ends early, or was filled in only in part; returns how much of the file to decode.
///
/// The decoder, strict as it is, fills a picture up in grey where an end marker or a restart comes too early, and
/// complains only where the *file* ends too early. So the ordinary large photo (one scan, no restarts) is handed
/// over without its end marker, which costs nothing, and in every other the blocks are counted first. Small ones
/// are counted too: there the last rows can fit into the decoder's look-ahead, which it would call the end.
pub(super) fn is_whole(bytes: &[u8], layout: &Layout, frame: &FrameHeader) -> Result<usize, Fault> {
    let Some(end) = layout.end else {
        return Err(Fault::Truncated(format!(
            "this JPEG ends after {} bytes without its end marker: upload the photo again",
            bytes.len()
        )));
    };
    // A hole that swallows the header of a scan takes the scan with it, and leaves a coarser picture.
    if layout.gap.len() > MOST_GAP_BYTES {
        return Err(Fault::Truncated(format!(
            "{} bytes of this JPEG, from byte {}, belong to no part of it: upload the photo again",
            layout.gap.len(),
            layout.gap.start
        )));
    }
    let n_coded: usize = layout.coded().map(|c| c.len()).sum();
    let at_least = least_coded_bytes(frame);
    if n_coded < at_least {
        return Err(Fault::Truncated(format!(
            "this JPEG holds {n_coded} bytes of picture, and {} × {} pixels need at least {at_least}: \
             upload the photo again",
            frame.width, frame.height
        )));
    }
    let n_scans = layout.coded().count();
    if n_scans > MAX_SCANS {
        return Err(Fault::Unreadable(format!(
            "this JPEG is cut into {n_scans} scans, and none needs more than {MAX_SCANS}: upload the photo as the \
             camera wrote it"
        )));
    }
    let blocks_of_all_scans = n_blocks(frame) as u64 * n_scans as u64;
    if blocks_of_all_scans > MOST_BLOCKS {
        return Err(Fault::TooLarge(format!(
            "{} × {} pixels in {n_scans} scans are {} million blocks to be read, and {} million is the limit: upload the \
             photo as the camera wrote it",
            frame.width,
            frame.height,
            blocks_of_all_scans / 1_000_000,
            MOST_BLOCKS / 1_000_000
        )));
    }
    let hole = layout.coded().find_map(|coded| {
        // Genuine in a large even area, so that the blocks decide.
        let run = zero_run(&bytes[coded.clone()], HOLE_BYTES)?;
        Some(coded.start + run.start..coded.start + run.end)
    });
    let is_plain = n_scans == 1
        && frame.marker != code::SOF2
        && !layout.has_restarts
        && n_coded >= LEAST_PLAIN_BYTES
        && frame.width >= LEAST_PLAIN_WIDTH;
    if is_plain && hole.is_none() {
        return Ok(end);
    }
    match (entropy::adds_up(bytes, layout, frame), hole) {
        (Ok(()), _) => Ok(end + 2),
        // Some cameras pad their files: the blocks were complete before the zeros began, and the end marker follows
        // them. What is held of the zeros in the reader's 64 bits counts as read.
        (Err(Flaw::TooMany { at }), Some(hole)) if at <= hole.start + 8 && hole.end == end => {
            Ok(end + 2)
        }
        (Err(_), Some(hole)) => Err(Fault::Truncated(format!(
            "{} bytes of this JPEG, from byte {}, were never filled in: upload the photo again",
            hole.len(),
            hole.start
        ))),
        (Err(Flaw::TooFew { at }), None) => Err(Fault::Truncated(format!(
            "the picture in this JPEG breaks off at byte {at}: upload the photo again"
        ))),
        (Err(Flaw::TooMany { .. }), None) => Ok(end + 2),
    }
}

/// The fewest bytes that can code the frame: a Huffman code has at least one bit, a sequential block at least two
/// codes and a progressive one at least one. Keeps a header from having memory allocated for nothing.
fn least_coded_bytes(frame: &FrameHeader) -> usize {
    let (across, down) = frame.mcus();
    let bits_per_block = if frame.marker == code::SOF2 { 1 } else { 2 };
    // Scans of single components leave out the padding blocks: at most a row and a column of MCUs.
    let padding = (across + down) * frame.blocks_per_mcu();
    n_blocks(frame).saturating_sub(padding) * bits_per_block / 8
}

/// Blocks of all components.
fn n_blocks(frame: &FrameHeader) -> usize {
    let (across, down) = frame.mcus();
    // A lone component has no MCU but its own blocks, which can be fewer by the padding.
    match frame.components.len() {
        1 => frame.width.div_ceil(8) * frame.height.div_ceil(8),
        _ => across * down * frame.blocks_per_mcu(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::decode;
    use super::super::drawn::{Form, flat, noisy};
    use super::*;
    use crate::decode::picture::Picture;
    use rand::{RngExt, SeedableRng};

    const LIMIT: u64 = 50_000_000;

    fn is_truncated(result: &Result<Picture, Fault>) -> bool {
        matches!(result, Err(Fault::Truncated(_)))
    }

    #[test]
    fn a_photo_cut_anywhere_is_refused() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(1);
        for progressive in [None, Some(6)] {
            for restart in [0, 7] {
                let whole = noisy(&Form {
                    progressive,
                    restart,
                    ..Form::default()
                });
                assert!(decode(&whole, LIMIT).is_ok());
                for _ in 0..20 {
                    let end = rng.random_range(3..whole.len());
                    let result = decode(&whole[..end], LIMIT);
                    assert!(is_truncated(&result), "cut at {end} of {}", whole.len());
                }
                // The last two bytes are the end marker and nothing else.
                assert!(is_truncated(&decode(&whole[..whole.len() - 1], LIMIT)));
                assert!(is_truncated(&decode(&whole[..whole.len() - 2], LIMIT)));
            }
        }
    }

    #[test]
    fn a_photo_with_a_tail_of_zeros_is_refused() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(2);
        let whole = noisy(&Form::default());
        for _ in 0..20 {
            let mut bytes = whole.clone();
            let end = rng.random_range(whole.len() / 10..whole.len() - 2);
            bytes[end..].fill(0);
            assert!(is_truncated(&decode(&bytes, LIMIT)), "zeros from {end}");
        }
    }

    #[test]
    fn a_photo_with_a_hole_of_a_page_is_refused() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(3);
        for optimised in [false, true] {
            for progressive in [None, Some(5)] {
                let whole = noisy(&Form {
                    width: 640,
                    height: 480,
                    optimised,
                    progressive,
                    ..Form::default()
                });
                let start = Layout::of(&whole).coded().next().expect("a scan").start;
                for _ in 0..20 {
                    let at = rng.random_range(start..whole.len() - 4098);
                    let mut bytes = whole.clone();
                    bytes[at..at + 4096].fill(0);
                    let result = decode(&bytes, LIMIT);
                    assert!(result.is_err(), "hole at {at}, {optimised} {progressive:?}");
                }
            }
        }
    }

    #[test]
    fn an_even_dark_frame_is_no_hole() {
        // Large enough that its coded zeros run for more than a hole does.
        for progressive in [None, Some(4), Some(10)] {
            let form = Form {
                width: 1600,
                height: 1200,
                optimised: true,
                progressive,
                ..Form::default()
            };
            let bytes = flat(&form);
            let longest = Layout::of(&bytes)
                .coded()
                .any(|c| zero_run(&bytes[c], HOLE_BYTES).is_some());
            assert!(
                longest || progressive.is_some(),
                "the test is about a run of zeros"
            );
            assert!(decode(&bytes, LIMIT).is_ok(), "{progressive:?}");
        }
    }

    #[test]
    fn padding_before_the_end_marker_is_no_hole() {
        for width in [320, 1600] {
            let whole = noisy(&Form {
                width,
                ..Form::default()
            });
            let end = whole.len() - 2;
            let padded = [&whole[..end], &[0; 3000], &whole[end..]].concat();
            assert!(decode(&padded, LIMIT).is_ok(), "width {width}");
        }
    }

    #[test]
    fn an_early_end_marker_is_not_the_end_of_the_picture() {
        let whole = noisy(&Form::default());
        let mut cut = whole[..whole.len() / 2].to_vec();
        // A lone FF at the cut would make the end marker a stuffed byte.
        cut.extend([0x10, 0xff, 0xd9]);
        let result = decode(&cut, LIMIT).map(|_| ());
        assert!(matches!(result, Err(Fault::Truncated(_))), "{result:?}");
    }

    #[test]
    fn a_large_photo_that_breaks_off_is_refused_without_counting() {
        let form = Form {
            width: 1200,
            height: 900,
            ..Form::default()
        };
        let whole = noisy(&form);
        let layout = Layout::of(&whole);
        let coded = layout.coded().next().expect("a scan");
        assert!(coded.len() >= 64 * 1024 && !layout.has_restarts);
        assert!(decode(&whole, LIMIT).is_ok());
        for share in [10, 30, 60, 90, 99] {
            let mut cut = whole[..coded.start + coded.len() * share / 100].to_vec();
            cut.extend([0x10, 0xff, 0xd9]);
            let result = decode(&cut, LIMIT);
            assert!(is_truncated(&result), "{share} % of the picture");
        }
        // Inside the last row of blocks; the decoder's look-ahead hides the loss of an MCU at most.
        for lost in [60, 200, 500] {
            let mut cut = whole[..coded.end - lost].to_vec();
            cut.extend([0x10, 0xff, 0xd9]);
            assert!(is_truncated(&decode(&cut, LIMIT)), "{lost} bytes lost");
        }
    }

    #[test]
    fn the_fewest_bytes_are_fewer_than_any_encoder_needs() {
        for progressive in [None, Some(10)] {
            for sampling in [(1, 1), (2, 1), (2, 2), (1, 2)] {
                for (width, height) in [(1, 1), (8, 8), (17, 900), (333, 222), (1600, 1200)] {
                    let form = Form {
                        width,
                        height,
                        sampling,
                        progressive,
                        optimised: true,
                        ..Form::default()
                    };
                    assert!(decode(&flat(&form), LIMIT).is_ok(), "{form:?}");
                }
            }
        }
    }
}
