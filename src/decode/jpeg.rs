//! JPEG: baseline and progressive, grey and colour, 8 bits; strict, so that half a photo is never measured.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;
use zune_jpeg::errors::DecodeErrors;

use super::entropy;
use super::light::Curve;
use super::markers::{FrameHeader, Layout, code, zero_run};
use super::{Fault, LOSSY_CEILING_8, Picture, too_large};
use crate::frame::Samples;

/// A run of zero bytes this long in the coded data is a piece that was never filled in, unless the data add up.
///
/// Files are transferred and allocated in sectors of 512 bytes or multiples of it; real photos were found to
/// hold at most 16 zero bytes in a row.
const HOLE_BYTES: usize = 512;

/// Decodes one photo, whose markers have been walked.
pub(super) fn decode(bytes: &[u8], max_pixels: u64) -> Result<Picture, Fault> {
    let layout = Layout::of(bytes);
    let Some(frame) = &layout.frame else {
        return Err(no_frame(bytes, &layout));
    };
    is_supported(frame)?;
    let (width, height) = (usize::from(frame.width), usize::from(frame.height));
    too_large(width as u64, height as u64, max_pixels)?;
    is_whole(bytes, &layout, frame)?;

    // The side's own cap of 16384 pixels is lifted: `max_pixels` has been checked, and panoramas are longer.
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().map_err(damaged)?;
    if decoder.dimensions() != Some((width, height)) {
        return Err(Fault::Unreadable(
            "this JPEG holds two headers of different size: it is damaged; upload it again"
                .to_owned(),
        ));
    }
    let mut samples = vec![0; 3 * width * height];
    decoder.decode_into(&mut samples).map_err(damaged)?;

    let curve = layout
        .icc(bytes)
        .and_then(|profile| Curve::from_icc(&profile))
        .unwrap_or(Curve::Srgb);
    Ok(Picture {
        samples: Samples::U8(samples),
        width,
        height,
        linear: curve.table_8(),
        ceiling_code: LOSSY_CEILING_8,
        is_upright: false,
    })
}

/// Width and height as the header states them, before any turning.
pub(super) fn size(layout: &Layout) -> Option<(usize, usize)> {
    let frame = layout.frame.as_ref()?;
    Some((usize::from(frame.width), usize::from(frame.height)))
}

fn no_frame(bytes: &[u8], layout: &Layout) -> Fault {
    if layout.end.is_some() {
        Fault::Unreadable(
            "this JPEG holds no picture, only a header: upload the photo again".to_owned(),
        )
    } else {
        Fault::Truncated(format!(
            "this JPEG ends inside its header, after {} bytes: upload the photo again",
            bytes.len()
        ))
    }
}

fn is_supported(frame: &FrameHeader) -> Result<(), Fault> {
    let unreadable = |what: &str| {
        Err(Fault::Unreadable(format!(
            "{what}: upload the photo as the camera wrote it, or save it as an ordinary 8-bit RGB JPEG"
        )))
    };
    if !matches!(frame.marker, code::SOF0 | code::SOF1 | code::SOF2) {
        return unreadable("this JPEG is lossless or arithmetically coded, which is not read here");
    }
    if frame.precision != 8 {
        return unreadable(&format!(
            "this JPEG has {} bits per sample, and only 8 are read",
            frame.precision
        ));
    }
    match frame.components.len() {
        1 | 3 => {}
        4 => {
            return unreadable(
                "this JPEG is in printing colours (CMYK), which say nothing about the light",
            );
        }
        n => return unreadable(&format!("this JPEG has {n} channels instead of 1 or 3")),
    }
    if frame.width == 0 || frame.height == 0 {
        return unreadable("this JPEG states a width or height of 0");
    }
    Ok(())
}

/// Refuses what ends early, or was filled in only in part.
fn is_whole(bytes: &[u8], layout: &Layout, frame: &FrameHeader) -> Result<(), Fault> {
    if layout.end.is_none() {
        return Err(Fault::Truncated(format!(
            "this JPEG ends after {} bytes without its end marker: upload the photo again",
            bytes.len()
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
    for coded in layout.coded() {
        let Some(hole) = zero_run(&bytes[coded.clone()], HOLE_BYTES) else {
            continue;
        };
        if entropy::adds_up(bytes, layout).is_err() {
            return Err(Fault::Truncated(format!(
                "{} bytes of this JPEG, from byte {}, were never filled in: upload the photo again",
                hole.len(),
                coded.start + hole.start
            )));
        }
        // The count is of the whole file: once is enough.
        break;
    }
    Ok(())
}

/// The fewest bytes that can code the frame: a Huffman code has at least one bit, a sequential block at least two
/// codes and a progressive one at least one. Keeps a header from having memory allocated for nothing.
fn least_coded_bytes(frame: &FrameHeader) -> usize {
    let widest = frame.components.iter().map(|c| usize::from(c.sampling.0));
    let tallest = frame.components.iter().map(|c| usize::from(c.sampling.1));
    let across = usize::from(frame.width).div_ceil(8 * widest.max().unwrap_or(1));
    let down = usize::from(frame.height).div_ceil(8 * tallest.max().unwrap_or(1));
    let blocks_per_mcu: usize = frame
        .components
        .iter()
        .map(|c| usize::from(c.sampling.0) * usize::from(c.sampling.1))
        .sum();
    // A lone component has no MCU but its own blocks, which can be fewer by the padding.
    let n_blocks = if frame.components.len() == 1 {
        usize::from(frame.width).div_ceil(8) * usize::from(frame.height).div_ceil(8)
    } else {
        across * down * blocks_per_mcu
    };
    let bits_per_block = if frame.marker == code::SOF2 { 1 } else { 2 };
    // Scans of single components leave out the padding blocks: at most a row and a column of MCUs.
    let padding = (across + down) * blocks_per_mcu;
    n_blocks.saturating_sub(padding) * bits_per_block / 8
}

fn damaged(error: DecodeErrors) -> Fault {
    match error {
        DecodeErrors::ExhaustedData | DecodeErrors::IoErrors(_) => {
            Fault::Truncated("this JPEG ends early: upload the photo again".to_owned())
        }
        DecodeErrors::FormatStatic("Premature end of buffer") => Fault::Truncated(
            "this JPEG has its end marker before the picture is complete: upload the photo again"
                .to_owned(),
        ),
        other => Fault::Unreadable(format!(
            "this JPEG is damaged ({other}): upload the photo again"
        )),
    }
}
