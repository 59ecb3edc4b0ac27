//! Checks whether a file reaches its own end, by its structure only: nothing is decoded, and unknown formats pass.
//!
//! A slow upload and a broken file look the same at one moment, so the answer is a suspicion and not a verdict: the
//! caller waits, and lets the decoder have the last word.

use std::collections::BTreeSet;
use std::ops::Range;

use super::bytes::{be, inside, le};
use super::jpeg;
use super::tiff::Tiff;
use super::zeros::{HOLE_BYTES, zero_run};

/// Why `bytes` do not look like a finished file, in a few words; `None` where they do or the format is not known.
pub fn suspicion(bytes: &[u8]) -> Option<String> {
    if bytes.is_empty() {
        return Some("the file is empty".to_owned());
    }
    let head = &bytes[..bytes.len().min(HOLE_BYTES)];
    if head.iter().all(|&b| b == 0) {
        return Some("the file begins with zeros: its content has not arrived".to_owned());
    }
    // Too short for any picture, long enough for the beginning of one.
    if reaches_its_end(bytes).unwrap_or(bytes.len() >= 16) {
        None
    } else if is_jpeg(bytes) && zero_run(bytes, HOLE_BYTES).is_some() {
        Some("part of the file was never filled in".to_owned())
    } else {
        Some("the file ends before the picture does".to_owned())
    }
}

/// True where `bytes` are of a format that says where it ends, go on to there, and have no hole that could still be filled in: what a
/// file must show that is to be believed as soon as it was closed.
pub fn shows_its_end(bytes: &[u8]) -> bool {
    reaches_its_end(bytes) == Some(true) && zero_run(bytes, HOLE_BYTES).is_none()
}

fn is_jpeg(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0xFF, 0xD8])
}

/// Whether the structure goes on to where the format says that it ends; absent where the format is not known.
fn reaches_its_end(bytes: &[u8]) -> Option<bool> {
    if is_jpeg(bytes) {
        Some(jpeg::reaches_its_end(bytes))
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some(png(bytes))
    } else if bytes.starts_with(b"II*\0") || bytes.starts_with(b"MM\0*") {
        Some(tiff(bytes).unwrap_or(false))
    } else if bytes.starts_with(b"RIFF") {
        Some(stated_riff_bytes(bytes).is_some_and(|n| n <= bytes.len()))
    } else if bytes.get(4..8) == Some(b"ftyp") {
        Some(boxes(bytes).unwrap_or(false))
    } else {
        None
    }
}

/// The chunks of a PNG whose content is there: name, and where the content lies (Portable Network Graphics, 3rd ed.,
/// 5.3).
pub(super) fn png_chunks(bytes: &[u8]) -> impl Iterator<Item = (&[u8; 4], Range<usize>)> {
    let mut at = 8;
    std::iter::from_fn(move || {
        let length = be(bytes, at, 4)?;
        let name = bytes.get(at + 4..)?.first_chunk()?;
        let content = at + 8..at + 8 + length;
        // Four bytes of check sum follow the content.
        at = content.end + 4;
        inside(bytes, content.start, length).then_some((name, content))
    })
}

/// True where the chunks go on to the last one, which is there with its check sum.
fn png(bytes: &[u8]) -> bool {
    png_chunks(bytes)
        .take_while(|(name, _)| name.iter().all(u8::is_ascii_alphabetic))
        .any(|(name, content)| name == b"IEND" && inside(bytes, content.end, 4))
}

/// Bytes that a RIFF file has by its header (RFC 9649, 2.4).
pub(super) fn stated_riff_bytes(bytes: &[u8]) -> Option<usize> {
    Some(8 + le(bytes, 4, 4)?)
}

/// True where every strip and tile of every directory lies inside the file; absent where a directory itself does not.
fn tiff(bytes: &[u8]) -> Option<bool> {
    const SUB_DIRECTORIES: usize = 330;
    // A file of directories that each name a thousand others is no photo.
    const MOST_DIRECTORIES: usize = 64;
    // StripOffsets and StripByteCounts, TileOffsets and TileByteCounts, JPEGInterchangeFormat and its length.
    const STRETCHES: [(usize, usize); 3] = [(273, 279), (324, 325), (513, 514)];
    let tiff = Tiff::new(bytes);
    let mut seen = BTreeSet::new();
    let mut directories = vec![tiff.number(4, 4)?];
    while let Some(at) = directories.pop() {
        if at == 0 || !seen.insert(at) {
            continue;
        }
        if seen.len() > MOST_DIRECTORIES {
            return Some(true);
        }
        let n_entries = tiff.number(at, 2)?;
        directories.push(tiff.number(at + 2 + 12 * n_entries, 4)?);
        if let Some(entry) = tiff.entry(at, SUB_DIRECTORIES) {
            directories.extend(tiff.values(entry)?);
        }
        for (offsets, lengths) in STRETCHES {
            let entries = tiff.entry(at, offsets).zip(tiff.entry(at, lengths));
            let Some((offsets, lengths)) = entries else {
                continue;
            };
            let mut stretches = tiff.values(offsets)?.into_iter().zip(tiff.values(lengths)?);
            if !stretches.all(|(offset, length)| inside(bytes, offset, length)) {
                return Some(false);
            }
        }
    }
    Some(true)
}

/// True where every box at the top level, and every stretch of data that the item table names, lies inside the file
/// (ISO/IEC 14496-12, 4.2 and 8.11.3); absent where a box ends too early.
fn boxes(bytes: &[u8]) -> Option<bool> {
    let mut at = 0;
    let mut has_meta = false;
    while at < bytes.len() {
        let (name, header, length) = box_at(bytes, at, bytes.len())?;
        if name == b"meta" {
            has_meta = true;
            let mut inner = at + header + 4;
            while inner + 8 <= at + length {
                let (name, header, inner_length) = box_at(bytes, inner, at + length)?;
                let body = &bytes[inner + header..inner + inner_length];
                if name == b"iloc" && !items_lie_inside(bytes, body)? {
                    return Some(false);
                }
                inner += inner_length;
            }
        }
        at += length;
    }
    // Films are built of the same boxes and need no item table.
    let brand = bytes.get(8..12)?;
    let films = [&b"qt  "[..], b"mp4", b"isom", b"M4", b"3g", b"avc1"];
    Some(has_meta || films.iter().any(|film| brand.starts_with(film)))
}

/// Name, header length and whole length of the box at `at`, which must end by `end`.
fn box_at(bytes: &[u8], at: usize, end: usize) -> Option<(&[u8; 4], usize, usize)> {
    let name = bytes.get(at + 4..)?.first_chunk()?;
    let (header, length) = match be(bytes, at, 4)? {
        0 => (8, end - at),
        1 => (16, be(bytes, at + 8, 8)?),
        length => (8, length),
    };
    (header..=end - at)
        .contains(&length)
        .then_some((name, header, length))
}

/// Whether all that the item table `body` names lies inside the file; absent where the table itself ends too early.
fn items_lie_inside(file: &[u8], body: &[u8]) -> Option<bool> {
    const MOST_BYTES: usize = 8;
    let mut at = 0;
    let mut take = |n_bytes: usize| {
        let number = be(body, at, n_bytes).filter(|_| n_bytes <= MOST_BYTES)?;
        at += n_bytes;
        Some(number)
    };
    let version = take(1)?;
    let _flags = take(3)?;
    let sizes = take(2)?;
    let (offset_size, length_size, base_size) = (sizes >> 12, sizes >> 8 & 15, sizes >> 4 & 15);
    let index_size = if version == 0 { 0 } else { sizes & 15 };
    let id_size = if version < 2 { 2 } else { 4 };
    for _ in 0..take(id_size)? {
        take(id_size)?;
        let construction = if version == 0 { 0 } else { take(2)? & 15 };
        let _data_reference = take(2)?;
        let base = take(base_size)?;
        for _ in 0..take(2)? {
            take(index_size)?;
            let (offset, length) = (take(offset_size)?, take(length_size)?);
            // Construction 0 counts from the beginning of the file; the others lie inside boxes already checked.
            if construction == 0 && !inside(file, base.checked_add(offset)?, length) {
                return Some(false);
            }
        }
    }
    Some(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize) -> Vec<u8> {
        let mut state = 12345_u32;
        (0..n)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            })
            .collect()
    }

    fn picture(width: u32, height: u32) -> image::RgbImage {
        image::RgbImage::from_raw(width, height, noise((width * height * 3) as usize)).unwrap()
    }

    fn written(format: image::ImageFormat) -> Vec<u8> {
        let mut bytes = std::io::Cursor::new(Vec::new());
        picture(120, 90).write_to(&mut bytes, format).unwrap();
        bytes.into_inner()
    }

    fn progressive() -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 90);
        encoder.set_progressive(true);
        encoder.set_restart_interval(4);
        let picture = picture(120, 90);
        encoder
            .encode(picture.as_raw(), 120, 90, jpeg_encoder::ColorType::Rgb)
            .unwrap();
        bytes
    }

    /// A file with the boxes of a HEIC picture, its data being `n_data` bytes of noise.
    fn heic(n_data: u32) -> Vec<u8> {
        let boxed = |name: &[u8; 4], body: &[u8]| {
            let mut b = (body.len() as u32 + 8).to_be_bytes().to_vec();
            b.extend_from_slice(name);
            b.extend_from_slice(body);
            b
        };
        let ftyp = boxed(b"ftyp", b"heic\0\0\0\0mif1heic");
        let iloc_of = |offset: u32| {
            let mut body = vec![0, 0, 0, 0, 0x44, 0x00, 0, 1, 0, 1, 0, 0, 0, 1];
            body.extend_from_slice(&offset.to_be_bytes());
            body.extend_from_slice(&n_data.to_be_bytes());
            boxed(b"iloc", &body)
        };
        let meta_of = |offset: u32| {
            let mut body = vec![0; 4];
            body.extend_from_slice(&boxed(b"hdlr", &[0; 24]));
            body.extend_from_slice(&iloc_of(offset));
            boxed(b"meta", &body)
        };
        let offset = (ftyp.len() + meta_of(0).len() + 8) as u32;
        let mdat = boxed(b"mdat", &noise(n_data as usize));
        [ftyp, meta_of(offset), mdat].concat()
    }

    fn formats() -> Vec<(&'static str, Vec<u8>)> {
        vec![
            ("jpeg", written(image::ImageFormat::Jpeg)),
            ("progressive jpeg", progressive()),
            ("png", written(image::ImageFormat::Png)),
            ("tiff", written(image::ImageFormat::Tiff)),
            ("webp", written(image::ImageFormat::WebP)),
            ("heic", heic(5000)),
        ]
    }

    #[test]
    fn a_whole_file_is_not_suspected() {
        for (name, bytes) in formats() {
            assert_eq!(suspicion(&bytes), None, "{name}");
            assert!(shows_its_end(&bytes), "{name}");
        }
    }

    #[test]
    fn what_is_believed_at_once_says_where_it_ends_and_has_no_hole() {
        for (name, bytes) in formats() {
            for share in [10, 50, 90, 99] {
                let cut = &bytes[..bytes.len() * share / 100];
                assert!(!shows_its_end(cut), "{name} cut at {share} %");
            }
            let mut holed = bytes.clone();
            let middle = bytes.len() / 2;
            holed[middle..middle + HOLE_BYTES].fill(0);
            assert!(!shows_its_end(&holed), "{name} with a hole");
        }
        assert!(!shows_its_end(
            b"just some notes about the lamps on the quay"
        ));
        assert!(!shows_its_end(b""));
    }

    #[test]
    fn a_file_cut_anywhere_is_suspected() {
        for (name, bytes) in formats() {
            for share in [1, 5, 20, 50, 80, 95, 99] {
                let n = bytes.len() * share / 100;
                assert!(suspicion(&bytes[..n]).is_some(), "{name} cut at {share} %");
            }
            // A TIFF's directory may stand last, and then its last field is the link to a next one.
            let n = bytes.len() - 1;
            assert!(
                suspicion(&bytes[..n]).is_some(),
                "{name} without its last byte"
            );
        }
    }

    #[test]
    fn what_follows_the_picture_in_a_jpeg_is_of_no_concern() {
        let mut bytes = written(image::ImageFormat::Jpeg);
        bytes.extend_from_slice(b"\0\0\0\x18ftypmp42");
        bytes.extend_from_slice(&[0; 4096]);
        assert_eq!(suspicion(&bytes), None);
    }

    #[test]
    fn a_block_of_zeros_in_a_jpeg_is_suspected_wherever_it_lies() {
        let whole = written(image::ImageFormat::Jpeg);
        assert!(whole.len() > 12_000, "room for the blocks: {}", whole.len());
        for start in (1024..whole.len() - 1024).step_by(997) {
            let mut bytes = whole.clone();
            bytes[start..start + HOLE_BYTES].fill(0);
            let word = suspicion(&bytes).unwrap_or_default();
            assert_eq!(word, "part of the file was never filled in", "at {start}");
        }
        let mut bytes = whole.clone();
        let half = whole.len() / 2;
        bytes[half..].fill(0);
        assert!(suspicion(&bytes).is_some(), "the second half is zeros");
    }

    #[test]
    fn no_format_and_no_content_are_told_apart() {
        assert_eq!(
            suspicion(b"just some notes about the lamps on the quay"),
            None
        );
        assert!(suspicion(b"").is_some());
        assert!(suspicion(&[0; 5000]).is_some());
        assert!(suspicion(b"\xff\xd8").is_some());
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_it_panic(mut bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..300), which in 0..6_usize, cut in 4..200_usize) {
            let (_, whole) = &formats_once()[which];
            let mut mixed = whole[..cut.min(whole.len())].to_vec();
            mixed.append(&mut bytes);
            let _ = suspicion(&mixed);
        }
    }

    fn formats_once() -> &'static [(&'static str, Vec<u8>)] {
        static FORMATS: std::sync::OnceLock<Vec<(&'static str, Vec<u8>)>> =
            std::sync::OnceLock::new();
        FORMATS.get_or_init(formats)
    }
}
