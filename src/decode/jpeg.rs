//! JPEG: baseline and progressive, grey and colour, 8 bits; strict, so that half a photo is never measured.

use zune_core::bytestream::ZCursor;
use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;
use zune_jpeg::errors::DecodeErrors;

use super::entropy::{self, Flaw};
use super::light::Curve;
use super::markers::{FrameHeader, Layout, code, zero_run};
use super::{Fault, LOSSY_CEILING_8, Picture, too_large};
use crate::frame::Samples;

/// A run of zero bytes this long in the coded data is a piece that was never filled in, unless the data add up.
///
/// Files are transferred and allocated in sectors of 512 bytes or multiples of it; real photos were found to
/// hold at most 16 zero bytes in a row.
const HOLE_BYTES: usize = 512;

/// The most scans a JPEG may have: each goes over all blocks, and a file of a few kilobytes can hold thousands.
/// Encoders use about ten; 100 is also the decoder's own limit.
const MAX_SCANS: usize = 100;

/// Decodes one photo.
pub(super) fn decode(bytes: &[u8], max_pixels: u64) -> Result<Picture, Fault> {
    let layout = Layout::of(bytes);
    let Some(frame) = &layout.frame else {
        return Err(no_frame(bytes, &layout));
    };
    is_supported(frame)?;
    let (width, height) = (usize::from(frame.width), usize::from(frame.height));
    too_large(width as u64, height as u64, max_pixels)?;
    let end = is_whole(bytes, &layout, frame)?;

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

/// Refuses what ends early, or was filled in only in part; returns how much of the file to decode.
///
/// The decoder, strict as it is, fills a picture up in grey where an end marker or a restart comes too early, and
/// complains only where the *file* ends too early. So the ordinary large photo (one scan, no restarts) is handed
/// over without its end marker, which costs nothing, and in every other the blocks are counted first. Small ones
/// are counted too: there the last rows can fit into the decoder's look-ahead, which it would call the end.
fn is_whole(bytes: &[u8], layout: &Layout, frame: &FrameHeader) -> Result<usize, Fault> {
    let Some(end) = layout.end else {
        return Err(Fault::Truncated(format!(
            "this JPEG ends after {} bytes without its end marker: upload the photo again",
            bytes.len()
        )));
    };
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
    let hole = layout.coded().find_map(|coded| {
        let run = zero_run(&bytes[coded.clone()], HOLE_BYTES)?;
        Some((coded.start + run.start, run.len()))
    });
    let is_plain = n_scans == 1
        && frame.marker != code::SOF2
        && !layout.has_restarts
        && n_coded >= 64 * 1024
        && frame.width >= 1024;
    if is_plain && hole.is_none() {
        return Ok(end);
    }
    match (entropy::adds_up(bytes, layout), hole) {
        (Ok(()), _) => Ok(end + 2),
        (Err(_), Some((at, length))) => Err(Fault::Truncated(format!(
            "{length} bytes of this JPEG, from byte {at}, were never filled in: upload the photo again"
        ))),
        (Err(Flaw::TooFew { at }), None) => Err(Fault::Truncated(format!(
            "the picture in this JPEG breaks off at byte {at}: upload the photo again"
        ))),
        // Some cameras pad their files so.
        (Err(Flaw::TooMany { .. }), None) => Ok(end + 2),
    }
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

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
    use rand::{RngExt, SeedableRng};

    /// How a test picture is written.
    #[derive(Clone, Debug)]
    pub(in super::super) struct Form {
        pub(in super::super) width: u16,
        pub(in super::super) height: u16,
        pub(in super::super) quality: u8,
        pub(in super::super) sampling: (u8, u8),
        /// Number of scans.
        pub(in super::super) progressive: Option<u8>,
        /// MCUs between restart markers; 0 for none.
        pub(in super::super) restart: u16,
        pub(in super::super) optimised: bool,
        pub(in super::super) exif: Option<Vec<u8>>,
        pub(in super::super) icc: Option<Vec<u8>>,
        pub(in super::super) colour: ColorType,
    }

    impl Default for Form {
        fn default() -> Form {
            Form {
                width: 320,
                height: 240,
                quality: 92,
                sampling: (2, 2),
                progressive: None,
                restart: 0,
                optimised: false,
                exif: None,
                icc: None,
                colour: ColorType::Rgb,
            }
        }
    }

    /// Writes the given samples.
    pub(in super::super) fn write(form: &Form, samples: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        let mut encoder = Encoder::new(&mut out, form.quality);
        let (h, v) = form.sampling;
        encoder.set_sampling_factor(SamplingFactor::from_factors(h, v).expect("a factor"));
        if let Some(scans) = form.progressive {
            encoder.set_progressive_scans(scans);
        }
        encoder.set_restart_interval(form.restart);
        encoder.set_optimized_huffman_tables(form.optimised);
        if let Some(exif) = &form.exif {
            encoder.add_exif_metadata(exif).expect("a small block");
        }
        if let Some(icc) = &form.icc {
            encoder.add_icc_profile(icc).expect("a small profile");
        }
        encoder
            .encode(samples, form.width, form.height, form.colour)
            .expect("a picture in memory");
        out
    }

    /// A picture with detail and noise all over, as photos have.
    pub(in super::super) fn noisy(form: &Form) -> Vec<u8> {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(u64::from(form.width));
        let mut samples = Vec::new();
        for y in 0..form.height {
            for x in 0..form.width {
                for c in 0..3u16 {
                    let wave = f64::from(x * (c + 1) + 2 * y) * 0.05;
                    let noise: f64 = rng.random_range(-12.0..12.0);
                    samples.push((128.0 + 90.0 * wave.sin() + noise) as u8);
                }
            }
        }
        write(form, &samples)
    }

    /// A picture of one shade, whose coded data can be zeros only.
    pub(in super::super) fn flat(form: &Form) -> Vec<u8> {
        let n = 3 * usize::from(form.width) * usize::from(form.height);
        write(form, &vec![3; n])
    }

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
    fn an_early_end_marker_is_not_the_end_of_the_picture() {
        let whole = noisy(&Form::default());
        let mut cut = whole[..whole.len() / 2].to_vec();
        // A lone FF at the cut would make the end marker a stuffed byte.
        cut.extend([0x10, 0xff, 0xd9]);
        let result = decode(&cut, LIMIT).map(|_| ());
        assert!(matches!(result, Err(Fault::Truncated(_))), "{result:?}");
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
        assert!(is_truncated(&result));
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
                            clipped += usize::from(u16::from(code) >= picture.ceiling_code);
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
