//! PNG, TIFF and WebP: what an export or a scan may come in. Alpha is ignored: the colours under it are what was
//! recorded, and no background is to be mixed in.

use std::io::Cursor;

use image::error::{ImageError, LimitErrorKind};
use image::{DynamicImage, ExtendedColorType, ImageDecoder, ImageFormat, ImageReader, Limits};

use super::bytes::{inside, le};
use super::complete::{png_chunks, stated_riff_bytes};
use super::light::Curve;
use super::memory::Extent;
use super::picture::{
    ALIGNED_CEILING_16, Codes, Fault, LOSSLESS_CEILING_8, LOSSY_CEILING_8, Picture, too_large,
};
use super::reduce::{factor, frame_bytes, whole};
use super::rows::{self, Form};
use super::tiff::Tiff;
use super::zeros::{HOLE_BYTES, zero_run};

/// Decodes one file of the given format.
pub(super) fn decode(bytes: &[u8], format: ImageFormat, max_pixels: u64) -> Result<Picture, Fault> {
    let name = name(format);
    let chunk_curve = match format {
        ImageFormat::Png => png_curve(bytes)?,
        ImageFormat::WebP => {
            webp_is_whole(bytes)?;
            None
        }
        _ => {
            tiff_profile_is_whole(bytes)?;
            rows::tiff_is_no_bomb(bytes)?;
            None
        }
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
    let codes = |depth: usize| Codes {
        linear: match depth {
            1 => curve.table_8(),
            _ => curve.table_16(u16::MAX),
        },
        ceiling: match depth {
            1 if is_lossy(bytes, format) => LOSSY_CEILING_8,
            1 => LOSSLESS_CEILING_8,
            _ => ALIGNED_CEILING_16,
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
    let size = (width as usize, height as usize);
    let eight = |samples: Vec<u8>, channels| whole(samples, channels, size, &codes(1));
    let sixteen = |samples: Vec<u16>, channels| whole(samples, channels, size, &codes(2));
    let picture = match DynamicImage::from_decoder(decoder).map_err(damaged)? {
        DynamicImage::ImageLuma8(p) => eight(p.into_raw(), 1),
        DynamicImage::ImageLumaA8(p) => eight(p.into_raw(), 2),
        DynamicImage::ImageRgb8(p) => eight(p.into_raw(), 3),
        DynamicImage::ImageRgba8(p) => eight(p.into_raw(), 4),
        DynamicImage::ImageLuma16(p) => sixteen(p.into_raw(), 1),
        DynamicImage::ImageLumaA16(p) => sixteen(p.into_raw(), 2),
        DynamicImage::ImageRgb16(p) => sixteen(p.into_raw(), 3),
        DynamicImage::ImageRgba16(p) => sixteen(p.into_raw(), 4),
        _ => {
            return Err(Fault::Unreadable(format!(
                "this {name} holds floating-point samples: save it with 8 or 16 bits per channel"
            )));
        }
    };
    picture.ok_or_else(|| Fault::ends_early(name))
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
        let frame = frame_bytes(form.width as u64, form.height as u64, form.depth as u64);
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
    let (w, h) = (u64::from(width), u64::from(height));
    let decoded = decoder.total_bytes();
    let colour = decoder.color_type();
    let (channels, pixel_bytes) = (colour.channel_count(), colour.bytes_per_pixel());
    // What comes of it is made while it is still there, but for three channels that are kept as they are.
    let frame = match (channels, factor(w, h)) {
        (3, 1) => 0,
        _ => frame_bytes(w, h, u64::from(pixel_bytes / channels)),
    };
    // TIFF and WebP are decoded into buffers of their decoders' own first, at most as large as the picture.
    let own = match format {
        ImageFormat::Png => 0,
        _ => decoded,
    };
    Some(Extent {
        width: width as usize,
        height: height as usize,
        bytes: decoded.saturating_add(own.max(frame)),
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
        ImageError::IoError(e) if ended(&e) => Fault::ends_early(name),
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
        ImageError::Unsupported(e) => Fault::not_read_here(name, &e),
        e => Fault::damaged(name, &e),
    }
}

/// The curve that a PNG's chunks declare beside an ICC profile; refused where they end before the picture does. A `cICP`
/// chunk outranks `sRGB`, and that outranks `gAMA` (Portable Network Graphics, 3rd ed., 4.3).
fn png_curve(bytes: &[u8]) -> Result<Option<Curve>, Fault> {
    if !png_chunks(bytes).any(|(name, _)| name == b"IEND") {
        return Err(Fault::Truncated(format!(
            "this PNG ends after {} bytes, inside a chunk: upload the photo again",
            bytes.len()
        )));
    }
    let reader = rows::png_reader(bytes).ok();
    Ok(reader.and_then(|reader| {
        let info = reader.info();
        let code_point = info.coding_independent_code_points;
        code_point
            .map(|c| Curve::from_code_point(u16::from(c.transfer_function)))
            .or(info.srgb.map(|_| Curve::Srgb))
            .or(info
                .gama_chunk
                .map(|g| Curve::from_png_gamma(g.into_scaled())))
    }))
}

/// Refuses a TIFF whose ICC profile (tag 34675, ICC.1 annex B.4) lies beyond its end: cut there, the pixels are whole,
/// but without their curve they are other light.
fn tiff_profile_is_whole(bytes: &[u8]) -> Result<(), Fault> {
    let tiff = Tiff::new(bytes);
    let profile = || {
        let entry = tiff.entry(tiff.first_directory(), 34675)?;
        Some((tiff.number(entry + 8, 4)?, tiff.number(entry + 4, 4)?))
    };
    match profile() {
        Some((start, length)) if length > 4 && !inside(bytes, start, length) => {
            Err(Fault::Truncated(
                "this TIFF ends inside its colour profile: upload the photo again".to_owned(),
            ))
        }
        _ => Ok(()),
    }
}

/// Refuses a WebP shorter than it says, or with a piece that was never filled in: the arithmetic decoder reads
/// zeros without complaint, and writes none that long.
fn webp_is_whole(bytes: &[u8]) -> Result<(), Fault> {
    let stated = stated_riff_bytes(bytes);
    if stated.is_none_or(|n| n > bytes.len()) {
        return Err(Fault::Truncated(format!(
            "this WebP ends after {} of {} bytes: upload the photo again",
            bytes.len(),
            stated.unwrap_or(0)
        )));
    }
    let holed = riff_chunks(bytes)
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

/// The chunks of a WebP file: name and content. RFC 9649, 2.3.
fn riff_chunks(bytes: &[u8]) -> impl Iterator<Item = (&[u8], &[u8])> {
    let mut at = 12;
    std::iter::from_fn(move || {
        let name = bytes.get(at..at + 4)?;
        let length = le(bytes, at + 4, 4)?;
        let content = &bytes[at + 8..];
        let content = &content[..length.min(content.len())];
        at += 8 + length + length % 2;
        Some((name, content))
    })
}

fn is_lossy(bytes: &[u8], format: ImageFormat) -> bool {
    format == ImageFormat::WebP && riff_chunks(bytes).any(|(kind, _)| kind == b"VP8 ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;
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
    fn samples_come_back_as_they_were_written() {
        let side = 24;
        let n = (side * side) as usize;
        let rgb = noise(3 * n);
        for format in [ImageFormat::Png, ImageFormat::Tiff, ImageFormat::WebP] {
            let bytes = write(format, &rgb, side, ExtendedColorType::Rgb8);
            let picture = decode(&bytes, format, LIMIT).expect("a picture");
            assert_eq!(picture.codes.ceiling, 255);
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
            assert_eq!(picture.codes.ceiling, ALIGNED_CEILING_16);
            assert_eq!(picture.codes.linear.len(), 65536);
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
                .codes
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
