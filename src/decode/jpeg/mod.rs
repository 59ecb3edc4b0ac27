//! JPEG: baseline and progressive, grey and colour, 8 bits; strict, so that half a photo is never measured.

mod bands;
#[cfg(test)]
pub(super) mod drawn;
mod entropy;
mod huffman;
mod markers;
mod scan;
mod whole;

use markers::{FrameHeader, Layout, code};
use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;
use zune_jpeg::errors::DecodeErrors;

use super::bytes::be;
use super::light::Curve;
use super::memory::Extent;
use super::picture::{Codes, Fault, LOSSY_CEILING_8, Picture, too_large};
use super::reduce::{self, frame_bytes};
use crate::frame::spare;

pub(super) use whole::reaches_its_end;

/// Decodes one photo.
pub(super) fn decode(bytes: &[u8], max_pixels: u64) -> Result<Picture, Fault> {
    let layout = Layout::of(bytes);
    let Some(frame) = &layout.frame else {
        return Err(no_frame(bytes, &layout));
    };
    is_supported(frame)?;
    let (width, height) = (frame.width, frame.height);
    too_large(width as u64, height as u64, max_pixels)?;
    let end = whole::is_whole(bytes, &layout, frame)?;
    let curve = layout
        .icc(bytes)
        .and_then(|profile| Curve::from_icc(&profile))
        .unwrap_or(Curve::Srgb);
    let codes = Codes {
        linear: curve.table_8(),
        ceiling: LOSSY_CEILING_8,
    };
    let by = reduce::factor(width as u64, height as u64);
    if by > 1 && bands::suits(&layout, frame) {
        return bands::decode(bytes, &layout, frame, by, &codes);
    }

    // The side's own cap of 16384 pixels is lifted: `max_pixels` has been checked, and panoramas are longer.
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let still = &bytes[..end];
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(still), options);
    decoder.decode_headers().map_err(damaged)?;
    if decoder.dimensions() != Some((width, height)) {
        return Err(Fault::unreadable(
            "this JPEG holds two headers of different size: it is damaged; upload it again",
        ));
    }
    let mut samples = spare::zeros(3 * width * height);
    decoder.decode_into(&mut samples).map_err(damaged)?;

    reduce::whole(samples, 3, (width, height), &codes).ok_or_else(|| Fault::ends_early("JPEG"))
}

/// Pixels of the largest picture that any header of a JPEG, or of a piece of one, states.
pub(super) fn largest_stated(bytes: &[u8]) -> u64 {
    let segments = Layout::of(bytes).segments;
    let frames = segments.iter().filter_map(|segment| {
        let is_frame = matches!(segment.marker, code::SOF0..=code::SOF15)
            && !matches!(segment.marker, code::DHT | code::JPG | code::DAC);
        let body = &bytes[segment.body.clone()];
        let side = |at| be(body, at, 2).map(|n| n as u64);
        is_frame.then(|| Some(side(1)? * side(3)?)).flatten()
    });
    frames.max().unwrap_or(0)
}

/// The Exif block, if there is one, and what the header states of the picture.
pub(super) fn header(bytes: &[u8]) -> (Option<&[u8]>, Option<Extent>) {
    let layout = Layout::of(bytes);
    let extent = layout.frame.as_ref().map(|frame| extent(&layout, frame));
    (layout.exif(bytes), extent)
}

fn extent(layout: &Layout, frame: &FrameHeader) -> Extent {
    let (width, height) = (frame.width as u64, frame.height as u64);
    let pixels = width * height;
    let is_large = reduce::factor(width, height) > 1;
    let bytes = if is_large && bands::suits(layout, frame) {
        // The reduced picture, and rows of blocks of at most four channels.
        frame_bytes(width, height, 1) + 4 * 32 * width
    } else {
        let (h_most, v_most) = frame.most_sampled();
        // With more than one scan all coefficients are kept until the last, in 16 bits.
        let keeps_all = frame.marker == code::SOF2 || layout.coded().count() > 1;
        let coefficients = match keeps_all {
            true => 2 * pixels * frame.blocks_per_mcu() as u64 / (h_most * v_most) as u64,
            false => 0,
        };
        let reduced = match is_large {
            true => frame_bytes(width, height, 1),
            false => 0,
        };
        3 * pixels + coefficients.max(reduced)
    };
    Extent {
        width: frame.width,
        height: frame.height,
        bytes,
    }
}

fn no_frame(bytes: &[u8], layout: &Layout) -> Fault {
    if layout.end.is_some() {
        Fault::unreadable("this JPEG holds no picture, only a header: upload the photo again")
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

fn damaged(error: DecodeErrors) -> Fault {
    match error {
        DecodeErrors::ExhaustedData | DecodeErrors::IoErrors(_) => Fault::ends_early("JPEG"),
        DecodeErrors::FormatStatic("Premature end of buffer") => Fault::Truncated(
            "this JPEG has its end marker before the picture is complete: upload the photo again"
                .to_owned(),
        ),
        other => Fault::damaged("JPEG", &other),
    }
}

#[cfg(test)]
mod tests {
    use super::drawn::{Form, flat, noisy, write};
    use super::*;
    use crate::frame::Samples;
    use jpeg_encoder::ColorType;
    use rand::{RngExt, SeedableRng};

    const LIMIT: u64 = 50_000_000;

    #[test]
    fn what_follows_the_end_marker_does_not_matter() {
        let still = noisy(&Form::default());
        let second = noisy(&Form {
            width: 64,
            height: 64,
            ..Form::default()
        });
        let video = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom".to_vec();
        for trailer in [video, second, vec![0; 5000], b"\xff".to_vec()] {
            let picture = decode(&[still.clone(), trailer].concat(), LIMIT);
            let picture = picture.expect("the still");
            assert_eq!((picture.width, picture.height), (320, 240));
        }
    }

    #[test]
    fn no_flipped_bit_makes_it_panic_or_change_size() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(5);
        for progressive in [None, Some(4)] {
            let whole = noisy(&Form {
                width: 96,
                height: 64,
                progressive,
                restart: 5,
                ..Form::default()
            });
            for _ in 0..400 {
                let mut bytes = whole.clone();
                for _ in 0..rng.random_range(1..4) {
                    let at = rng.random_range(2..bytes.len());
                    bytes[at] ^= 1 << rng.random_range(0..8);
                }
                let Ok(picture) = decode(&bytes, LIMIT) else {
                    continue;
                };
                let Samples::U8(samples) = picture.samples else {
                    panic!("JPEG samples have 8 bits");
                };
                assert_eq!(samples.len(), 3 * picture.width * picture.height);
            }
        }
    }

    /// A JPEG whose header is changed to state another size.
    fn with_size(width: u16, height: u16) -> Vec<u8> {
        let mut bytes = noisy(&Form::default());
        let layout = Layout::of(&bytes);
        let sof = layout
            .segments
            .iter()
            .find(|s| s.marker == code::SOF0)
            .expect("a frame header")
            .body
            .start;
        bytes[sof + 1..sof + 3].copy_from_slice(&height.to_be_bytes());
        bytes[sof + 3..sof + 5].copy_from_slice(&width.to_be_bytes());
        bytes
    }

    #[test]
    fn a_giant_header_is_refused_before_memory_is_asked_for() {
        let giant = with_size(65500, 65500);
        // 65500² pixels would need 12.9 GB: were they asked for, this test would fail on most machines.
        let started = std::time::Instant::now();
        assert!(matches!(decode(&giant, LIMIT), Err(Fault::TooLarge(_))));
        // Even where the limit allows the size, so few bytes cannot hold so many blocks.
        let result = decode(&giant, u64::MAX);
        assert!(matches!(result, Err(Fault::Truncated(_))));
        assert!(started.elapsed().as_millis() < 500);
        assert!(matches!(
            decode(&with_size(0, 100), LIMIT),
            Err(Fault::Unreadable(_))
        ));
    }

    #[test]
    fn a_long_panorama_is_read() {
        let form = Form {
            width: 20_000,
            height: 16,
            ..Form::default()
        };
        let picture = decode(&flat(&form), LIMIT).expect("a picture");
        assert_eq!((picture.width, picture.height), (20_000, 16));
    }

    #[test]
    fn printing_colours_are_refused_with_a_word() {
        let form = Form {
            width: 32,
            height: 32,
            colour: ColorType::Cmyk,
            ..Form::default()
        };
        let bytes = write(&form, &[40; 4 * 32 * 32]);
        match decode(&bytes, LIMIT) {
            Err(Fault::Unreadable(text)) => assert!(text.contains("CMYK"), "{text}"),
            _ => panic!("CMYK was read"),
        }
    }

    #[test]
    fn grey_becomes_three_equal_channels() {
        let form = Form {
            width: 40,
            height: 24,
            colour: ColorType::Luma,
            sampling: (1, 1),
            ..Form::default()
        };
        let ramp: Vec<u8> = (0..40 * 24).map(|i| (i % 40 * 6) as u8).collect();
        let picture = decode(&write(&form, &ramp), LIMIT).expect("a picture");
        let Samples::U8(samples) = picture.samples else {
            panic!("JPEG samples have 8 bits");
        };
        for (pixel, grey) in samples.chunks_exact(3).zip(&ramp) {
            assert!(pixel[0] == pixel[1] && pixel[1] == pixel[2]);
            assert!(pixel[0].abs_diff(*grey) <= 4, "{pixel:?} for {grey}");
        }
    }

    /// Share of the samples at least two pixels inside an over-exposed bar that the frame calls clipped, and
    /// share of the samples of an unclipped bar that it does.
    fn clipped_shares(quality: u8, colour: [f64; 3]) -> (f64, f64) {
        let (width, height) = (160u16, 96u16);
        let encode = |light: f64| {
            let v = light.clamp(0.0, 1.0);
            if v <= 0.0031308 {
                12.92 * v
            } else {
                1.055 * v.powf(1.0 / 2.4) - 0.055
            }
        };
        let mut rng = rand_pcg::Pcg64::seed_from_u64(9);
        let mut samples = Vec::new();
        for _ in 0..height {
            for x in 0..width {
                // A bar five times over-exposed, and one at 90 % of full scale.
                let level = match x {
                    29..53 => 5.0,
                    101..125 => 0.9,
                    _ => 0.004,
                };
                for c in colour {
                    let noise: f64 = rng.random_range(-1.5..1.5);
                    samples.push(
                        (255.0 * encode(level * c) + noise)
                            .round()
                            .clamp(0.0, 255.0) as u8,
                    );
                }
            }
        }
        let form = Form {
            width,
            height,
            quality,
            ..Form::default()
        };
        let picture = decode(&write(&form, &samples), LIMIT).expect("a picture");
        let Samples::U8(decoded) = &picture.samples else {
            panic!("JPEG samples have 8 bits");
        };
        let share = |columns: std::ops::Range<usize>| {
            let (mut n, mut clipped) = (0, 0);
            for y in 2..usize::from(height) - 2 {
                for x in columns.clone() {
                    for (c, part) in colour.iter().enumerate() {
                        if *part >= 0.999 {
                            let code = decoded[3 * (y * usize::from(width) + x) + c];
                            n += 1;
                            clipped += usize::from(u16::from(code) >= picture.codes.ceiling);
                        }
                    }
                }
            }
            f64::from(clipped as u32) / f64::from(n as u32)
        };
        (share(31..51), share(101..125))
    }

    #[test]
    fn clipped_areas_are_still_called_clipped_after_compression() {
        for quality in [88, 92, 95] {
            for colour in [
                [1.0, 1.0, 1.0],
                [1.0, 0.01, 0.002],
                [0.02, 1.0, 0.005],
                [0.005, 0.01, 1.0],
                [1.0, 1.0, 0.01],
            ] {
                let (over, under) = clipped_shares(quality, colour);
                assert!(over > 0.98, "q{quality} {colour:?}: {over} of the clipped");
                assert!(under < 0.02, "q{quality} {colour:?}: {under} of the sound");
            }
        }
    }
}
