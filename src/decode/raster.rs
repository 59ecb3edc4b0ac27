//! PNG, TIFF and WebP: what an export or a scan may come in. Alpha is ignored: the colours under it are what was
//! recorded, and no background is to be mixed in.

use std::io::Cursor;

use image::error::{ImageError, LimitErrorKind};
use image::{DynamicImage, ExtendedColorType, ImageDecoder, ImageFormat, ImageReader, Limits};

use super::light::Curve;
use super::memory::Extent;
use super::rows::{self, Codes, Form};
use super::zeros::{HOLE_BYTES, zero_run};
use super::{
    ALIGNED_CEILING_16, Fault, LOSSLESS_CEILING_8, LOSSY_CEILING_8, Picture, Turn, reduce,
    too_large,
};
use crate::frame::Samples;

/// Decodes one file of the given format.
pub(super) fn decode(bytes: &[u8], format: ImageFormat, max_pixels: u64) -> Result<Picture, Fault> {
    let name = name(format);
    let chunk_curve = match format {
        ImageFormat::Png => png_chunks(bytes)?,
        ImageFormat::WebP => {
            webp_is_whole(bytes)?;
            None
        }
        ImageFormat::Tiff => {
            tiff_profile_is_whole(bytes)?;
            None
        }
        _ => None,
    };
    let damaged = |error: ImageError| damaged(name, error);
    let mut limits = Limits::default();
    // Pixels of four 16-bit channels, and as much again for the decoder's own buffers.
    limits.max_alloc = Some(max_pixels.saturating_mul(16).saturating_add(1 << 20));
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    reader.limits(limits.clone());
    let mut decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    too_large(u64::from(width), u64::from(height), max_pixels)?;
    // `into_decoder` checks sides only: the memory has to be asked for by the caller.
    limits.reserve(decoder.total_bytes()).map_err(damaged)?;
    if matches!(
        decoder.original_color_type(),
        ExtendedColorType::Cmyk8 | ExtendedColorType::Cmyk16
    ) {
        return Err(Fault::Unreadable(format!(
            "this {name} is in printing colours (CMYK), which say nothing about the light: \
             upload the photo as the camera wrote it"
        )));
    }
    let profile = decoder.icc_profile().ok().flatten();
    let curve = profile
        .and_then(|p| Curve::from_icc(&p))
        .or(chunk_curve)
        .unwrap_or(Curve::Srgb);
    let codes = |depth: usize| match depth {
        1 if is_lossy(bytes, format) => Codes {
            linear: curve.table_8(),
            ceiling: LOSSY_CEILING_8,
        },
        1 => Codes {
            linear: curve.table_8(),
            ceiling: LOSSLESS_CEILING_8,
        },
        _ => Codes {
            linear: curve.table_16(u16::MAX),
            ceiling: ALIGNED_CEILING_16,
        },
    };
    if let Some(form) = form(bytes, format) {
        drop(decoder);
        let codes = codes(form.depth);
        return match format {
            ImageFormat::Png => rows::png(bytes, &form, &codes),
            _ => rows::tiff(bytes, &form, &codes),
        };
    }
    let samples = three_channels(name, DynamicImage::from_decoder(decoder).map_err(damaged)?)?;
    let Codes { linear, ceiling } = match &samples {
        Samples::U8(_) => codes(1),
        Samples::U16(_) => codes(2),
    };
    Ok(reduce::reduced(Picture {
        samples,
        width: width as usize,
        height: height as usize,
        linear,
        ceiling_code: ceiling,
        hidden_clips: None,
        turn: Turn::AsExif,
    }))
}

/// How the file can be read by rows, if it can.
fn form(bytes: &[u8], format: ImageFormat) -> Option<Form> {
    match format {
        ImageFormat::Png => rows::png_form(bytes),
        ImageFormat::Tiff => rows::tiff_form(bytes),
        _ => None,
    }
}

/// What the header states of the picture, before any turning.
pub(super) fn extent(bytes: &[u8], format: ImageFormat) -> Option<Extent> {
    if let Some(form) = form(bytes, format) {
        let (width, height) = (form.width as u64, form.height as u64);
        let pixels = width.saturating_mul(height);
        let frame = match reduce::factor(width, height) {
            1 => pixels.saturating_mul(3 * form.depth as u64),
            _ => reduce::reduced_bytes(width, height),
        };
        return Some(Extent {
            width: form.width,
            height: form.height,
            bytes: frame.saturating_add(form.piece_bytes),
        });
    }
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    reader.no_limits();
    let decoder = reader.into_decoder().ok()?;
    let (width, height) = decoder.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    let decoded = decoder.total_bytes();
    // Grey is tripled while it is still there; TIFF and WebP are decoded into buffers of their decoders' own first, at
    // most as large as the picture.
    let grey = if decoder.color_type().has_color() {
        0
    } else {
        pixels.saturating_mul(3 * u64::from(decoder.color_type().bytes_per_pixel()))
    };
    let own = match format {
        ImageFormat::Png => 0,
        _ => decoded,
    };
    let reduced = match reduce::factor(u64::from(width), u64::from(height)) {
        1 => 0,
        _ => reduce::reduced_bytes(u64::from(width), u64::from(height)),
    };
    Some(Extent {
        width: width as usize,
        height: height as usize,
        bytes: decoded.saturating_add(own.max(grey).max(reduced)),
    })
}

fn name(format: ImageFormat) -> &'static str {
    match format {
        ImageFormat::Png => "PNG",
        ImageFormat::Tiff => "TIFF",
        _ => "WebP",
    }
}

fn damaged(name: &str, error: ImageError) -> Fault {
    let ended = |e: &std::io::Error| e.kind() == std::io::ErrorKind::UnexpectedEof;
    match error {
        ImageError::IoError(e) if ended(&e) => {
            Fault::Truncated(format!("this {name} ends early: upload the photo again"))
        }
        ImageError::Limits(e)
            if matches!(
                e.kind(),
                LimitErrorKind::DimensionError | LimitErrorKind::InsufficientMemory
            ) =>
        {
            Fault::TooLarge(format!(
                "this {name} needs more memory than a photo within the pixel limit: \
                 save it smaller, or raise the limit in the configuration"
            ))
        }
        ImageError::Unsupported(e) => Fault::Unreadable(format!(
            "this {name} has a form that is not read here ({}): save it as an ordinary 8- or 16-bit RGB picture",
            brief(&e)
        )),
        e => Fault::Unreadable(format!(
            "this {name} is damaged ({}): upload the photo again",
            brief(&e)
        )),
    }
}

/// The decoder's own words, of which a damaged header can make it say thousands.
pub(super) fn brief(error: &impl std::fmt::Display) -> String {
    const LONGEST: usize = 200;
    let words = error.to_string();
    match words.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{}…", &words[..end]),
        None => words,
    }
}

/// The samples as red, green, blue: grey three times over, alpha left out.
fn three_channels(name: &str, image: DynamicImage) -> Result<Samples, Fault> {
    fn grey<T: Copy>(samples: &[T], step: usize) -> Vec<T> {
        samples
            .iter()
            .step_by(step)
            .flat_map(|&v| [v, v, v])
            .collect()
    }
    Ok(match image {
        DynamicImage::ImageRgb8(p) => Samples::U8(p.into_raw()),
        DynamicImage::ImageRgba8(p) => Samples::U8(without_alpha(p.into_raw())),
        DynamicImage::ImageLuma8(p) => Samples::U8(grey(&p, 1)),
        DynamicImage::ImageLumaA8(p) => Samples::U8(grey(&p, 2)),
        DynamicImage::ImageRgb16(p) => Samples::U16(p.into_raw()),
        DynamicImage::ImageRgba16(p) => Samples::U16(without_alpha(p.into_raw())),
        DynamicImage::ImageLuma16(p) => Samples::U16(grey(&p, 1)),
        DynamicImage::ImageLumaA16(p) => Samples::U16(grey(&p, 2)),
        _ => {
            return Err(Fault::Unreadable(format!(
                "this {name} holds floating-point samples: save it with 8 or 16 bits per channel"
            )));
        }
    })
}

/// Drops every fourth sample in place.
pub(super) fn without_alpha<T: Copy>(mut samples: Vec<T>) -> Vec<T> {
    let n_pixels = samples.len() / 4;
    for i in 1..n_pixels {
        samples.copy_within(4 * i..4 * i + 3, 3 * i);
    }
    samples.truncate(3 * n_pixels);
    // A frame waits in memory while it is measured; large blocks are cut short without being copied.
    samples.shrink_to_fit();
    samples
}

/// Walks a PNG's chunks (ISO/IEC 15948, 5.3) to its end, and returns the curve that they declare beside an ICC
/// profile. A `cICP` chunk outranks `sRGB`, and that outranks `gAMA` (Portable Network Graphics, 3rd ed., 4.3).
fn png_chunks(bytes: &[u8]) -> Result<Option<Curve>, Fault> {
    let (mut code_point, mut srgb, mut gamma) = (None, None, None);
    let mut at = 8;
    loop {
        let header: Option<&[u8; 8]> = bytes.get(at..).and_then(|b| b.first_chunk());
        let Some(&[a, b, c, d, ref kind @ ..]) = header else {
            break;
        };
        let length = u32::from_be_bytes([a, b, c, d]) as usize;
        // Four bytes of check sum follow the content.
        let Some(content) = bytes.get(at + 8..at + 8 + length) else {
            break;
        };
        match kind {
            b"IEND" => return Ok(code_point.or(srgb).or(gamma)),
            b"cICP" => {
                code_point = content
                    .get(1)
                    .map(|&t| Curve::from_code_point(u16::from(t)));
            }
            b"sRGB" => srgb = Some(Curve::Srgb),
            b"gAMA" => {
                gamma = content
                    .first_chunk()
                    .map(|g| Curve::from_png_gamma(u32::from_be_bytes(*g)));
            }
            _ => {}
        }
        at += 8 + length + 4;
    }
    Err(Fault::Truncated(format!(
        "this PNG ends after {} bytes, inside a chunk: upload the photo again",
        bytes.len()
    )))
}

/// Refuses a TIFF whose ICC profile (tag 34675, ICC.1 annex B.4) lies beyond its end: cut there, the pixels are whole,
/// but without their curve they are other light.
fn tiff_profile_is_whole(bytes: &[u8]) -> Result<(), Fault> {
    let little_endian = bytes.first() == Some(&b'I');
    let number = |at: usize, n: usize| -> Option<usize> {
        let field = bytes.get(at..at.checked_add(n)?)?;
        let add = |number: usize, b: &u8| number << 8 | usize::from(*b);
        Some(if little_endian {
            field.iter().rev().fold(0, add)
        } else {
            field.iter().fold(0, add)
        })
    };
    let profile = || {
        let directory = number(4, 4)?;
        let mut entries = (0..number(directory, 2)?).map(|i| directory + 2 + 12 * i);
        let entry = entries.find(|&entry| number(entry, 2) == Some(34675))?;
        Some((number(entry + 8, 4)?, number(entry + 4, 4)?))
    };
    match profile() {
        Some((start, length)) if length > 4 && start + length > bytes.len() => {
            Err(Fault::Truncated(
                "this TIFF ends inside its colour profile: upload the photo again".to_owned(),
            ))
        }
        _ => Ok(()),
    }
}

/// The chunks of a WebP file: name and content. RFC 9649, 2.3.
fn webp_chunks(bytes: &[u8]) -> impl Iterator<Item = (&[u8], &[u8])> {
    let mut at = 12;
    std::iter::from_fn(move || {
        let header = bytes.get(at..at + 8)?;
        let length = u32::from_le_bytes(header[4..8].try_into().expect("four bytes")) as usize;
        let content = bytes.get(at + 8..)?;
        let content = &content[..length.min(content.len())];
        at += 8 + length + length % 2;
        Some((&header[..4], content))
    })
}

/// Refuses a WebP shorter than it says, or with a piece that was never filled in: the arithmetic decoder reads
/// zeros without complaint, and writes none that long.
fn webp_is_whole(bytes: &[u8]) -> Result<(), Fault> {
    let stated = bytes
        .get(4..8)
        .map(|b| u32::from_le_bytes(b.try_into().expect("four bytes")) as usize + 8);
    if stated.is_none_or(|n| n > bytes.len()) {
        return Err(Fault::Truncated(format!(
            "this WebP ends after {} of {} bytes: upload the photo again",
            bytes.len(),
            stated.unwrap_or(0)
        )));
    }
    let holed = webp_chunks(bytes)
        .filter(|(kind, _)| matches!(*kind, b"VP8 " | b"VP8L"))
        .find_map(|(_, content)| zero_run(content, HOLE_BYTES));
    match holed {
        Some(hole) => Err(Fault::Truncated(format!(
            "{} bytes of this WebP were never filled in: upload the photo again",
            hole.len()
        ))),
        None => Ok(()),
    }
}

fn is_lossy(bytes: &[u8], format: ImageFormat) -> bool {
    format == ImageFormat::WebP && webp_chunks(bytes).any(|(kind, _)| kind == b"VP8 ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::codecs::png::PngEncoder;
    use image::codecs::tiff::TiffEncoder;
    use image::codecs::webp::WebPEncoder;
    use image::{ExtendedColorType, ImageEncoder};
    use rand::{RngExt, SeedableRng};

    const LIMIT: u64 = 50_000_000;

    fn noise(n: usize) -> Vec<u8> {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(n as u64);
        (0..n).map(|_| rng.random()).collect()
    }

    fn write(format: ImageFormat, samples: &[u8], side: u32, colour: ExtendedColorType) -> Vec<u8> {
        let mut out = Cursor::new(Vec::new());
        match format {
            ImageFormat::Png => PngEncoder::new(&mut out).write_image(samples, side, side, colour),
            ImageFormat::Tiff => {
                TiffEncoder::new(&mut out).write_image(samples, side, side, colour)
            }
            _ => WebPEncoder::new_lossless(&mut out).write_image(samples, side, side, colour),
        }
        .expect("a picture in memory");
        out.into_inner()
    }

    #[test]
    fn the_decoder_s_own_words_are_kept_short() {
        assert_eq!(brief(&"bad é"), "bad é");
        assert_eq!(brief(&"é, ".repeat(9000)).chars().count(), 201);
    }

    #[test]
    fn samples_come_back_as_they_were_written() {
        let side = 24;
        let n = (side * side) as usize;
        let rgb = noise(3 * n);
        for format in [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::WebP] {
            let bytes = write(format, &rgb, side, ExtendedColorType::Rgb8);
            let picture = decode(&bytes, format, LIMIT).expect("a picture");
            assert_eq!(picture.ceiling_code, 255);
            match picture.samples {
                Samples::U8(samples) => assert_eq!(samples, rgb, "{format:?}"),
                Samples::U16(_) => panic!("{format:?} became 16 bits"),
            }
        }
    }

    #[test]
    fn sixteen_bits_stay_sixteen_bits() {
        let side = 24;
        let rgb = noise(6 * (side * side) as usize);
        let expected: Vec<u16> = rgb
            .chunks_exact(2)
            .map(|b| u16::from_ne_bytes([b[0], b[1]]))
            .collect();
        for format in [ImageFormat::Png, ImageFormat::Tiff] {
            let bytes = write(format, &rgb, side, ExtendedColorType::Rgb16);
            let picture = decode(&bytes, format, LIMIT).expect("a picture");
            assert_eq!(picture.ceiling_code, ALIGNED_CEILING_16);
            assert_eq!(picture.linear.len(), 65536);
            match picture.samples {
                Samples::U16(samples) => assert_eq!(samples, expected, "{format:?}"),
                Samples::U8(_) => panic!("{format:?} became 8 bits"),
            }
        }
    }

    #[test]
    fn alpha_is_left_out_and_grey_is_tripled() {
        let side = 5;
        let n = (side * side) as usize;
        let rgba = noise(4 * n);
        let bytes = write(ImageFormat::Png, &rgba, side, ExtendedColorType::Rgba8);
        let picture = decode(&bytes, ImageFormat::Png, LIMIT).expect("a picture");
        let Samples::U8(samples) = picture.samples else {
            panic!("8 bits became 16");
        };
        let expected: Vec<u8> = rgba
            .chunks_exact(4)
            .flat_map(|p| [p[0], p[1], p[2]])
            .collect();
        assert_eq!(samples, expected);

        let grey = noise(n);
        let bytes = write(ImageFormat::Png, &grey, side, ExtendedColorType::L8);
        let picture = decode(&bytes, ImageFormat::Png, LIMIT).expect("a picture");
        let Samples::U8(samples) = picture.samples else {
            panic!("8 bits became 16");
        };
        let expected: Vec<u8> = grey.iter().flat_map(|&v| [v, v, v]).collect();
        assert_eq!(samples, expected);
    }

    #[test]
    fn a_file_cut_or_emptied_anywhere_is_refused() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(6);
        let side = 64;
        let rgb = noise(3 * (side * side) as usize);
        for format in [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::WebP] {
            let whole = write(format, &rgb, side, ExtendedColorType::Rgb8);
            for _ in 0..20 {
                let end = rng.random_range(12..whole.len() - 1);
                assert!(
                    decode(&whole[..end], format, LIMIT).is_err(),
                    "{format:?} cut at {end} of {}",
                    whole.len()
                );
            }
            // Uncompressed TIFF has no way to tell zeros from black, so it is not asked.
            if format != ImageFormat::Tiff {
                for _ in 0..20 {
                    let at = rng.random_range(40..whole.len() - 4096);
                    let mut bytes = whole.clone();
                    bytes[at..at + 4096].fill(0);
                    assert!(
                        decode(&bytes, format, LIMIT).is_err(),
                        "{format:?} hole at {at}"
                    );
                }
            }
        }
    }

    #[test]
    fn no_flipped_bit_makes_it_panic() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(7);
        let side = 16;
        let rgb = noise(3 * (side * side) as usize);
        for format in [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::WebP] {
            let whole = write(format, &rgb, side, ExtendedColorType::Rgb8);
            for _ in 0..300 {
                let mut bytes = whole.clone();
                let at = rng.random_range(0..bytes.len());
                bytes[at] ^= 1 << rng.random_range(0..8);
                let _ = decode(&bytes, format, 1_000_000);
                let _ = extent(&bytes, format);
            }
        }
    }

    /// A PNG chunk with its check sum: ISO/IEC 15948, 5.3 and annex D.
    fn chunk(kind: &[u8; 4], content: &[u8]) -> Vec<u8> {
        let mut sum = u32::MAX;
        for byte in kind.iter().chain(content) {
            sum ^= u32::from(*byte);
            for _ in 0..8 {
                sum = if sum & 1 == 1 {
                    0xedb8_8320 ^ (sum >> 1)
                } else {
                    sum >> 1
                };
            }
        }
        [
            (content.len() as u32).to_be_bytes().as_slice(),
            kind,
            content,
            &(!sum).to_be_bytes(),
        ]
        .concat()
    }

    #[test]
    fn a_png_bomb_is_refused_before_memory_is_asked_for() {
        let header = |side: u32| {
            let mut ihdr = [side.to_be_bytes(), side.to_be_bytes()].concat();
            ihdr.extend([8, 2, 0, 0, 0]);
            [
                b"\x89PNG\r\n\x1a\n".as_slice(),
                &chunk(b"IHDR", &ihdr),
                &chunk(b"IDAT", &[0x78, 0x9c, 1, 0, 0, 0xff, 0xff]),
                &chunk(b"IEND", &[]),
            ]
            .concat()
        };
        for side in [12_000, 100_000, 0x7fff_ffff] {
            let result = decode(&header(side), ImageFormat::Png, LIMIT);
            assert!(matches!(result, Err(Fault::TooLarge(_))), "side {side}");
        }
    }

    #[test]
    fn a_png_without_profile_is_read_by_its_own_curve_chunks() {
        let plain = write(ImageFormat::Png, &[128; 12], 2, ExtendedColorType::Rgb8);
        // Curve chunks stand before the pixels: after the 8 + 25 bytes of signature and header.
        let with = |chunks: &[Vec<u8>]| {
            let bytes = [&plain[..33], &chunks.concat(), &plain[33..]].concat();
            decode(&bytes, ImageFormat::Png, LIMIT)
                .expect("a picture")
                .linear[128]
        };
        let linear_gamma = chunk(b"gAMA", &100_000u32.to_be_bytes());
        let srgb = chunk(b"sRGB", &[0]);
        assert!((with(&[]) - 0.2159).abs() < 1e-3);
        assert!((with(std::slice::from_ref(&linear_gamma)) - 0.502).abs() < 1e-3);
        assert!((with(&[srgb, linear_gamma]) - 0.2159).abs() < 1e-3);
        assert!((with(&[chunk(b"cICP", &[12, 8, 0, 1])]) - 0.502).abs() < 1e-3);
    }
}
