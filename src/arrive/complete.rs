//! Does a file reach its own end? Structure only: nothing is decoded, and unknown formats have no end to reach.
//!
//! A slow upload and a broken file look the same at one moment, so the answer is a suspicion and not a verdict: the
//! caller waits, and lets the decoder have the last word.

use std::collections::BTreeSet;

/// Shortest run of zero bytes in a JPEG's entropy-coded data that means a block of the file was never filled in.
///
/// Real content was seen to hold at most 16 in a row; the smallest unit that file systems and sync clients leave
/// empty is a sector of 512 bytes.
pub const ZERO_RUN: usize = 512;

/// Why `bytes` do not look like a finished file, in a few words; `None` where they do or the format is not known.
pub fn suspicion(bytes: &[u8]) -> Option<String> {
    if bytes.is_empty() {
        return Some("the file is empty".to_owned());
    }
    let head = &bytes[..bytes.len().min(ZERO_RUN)];
    if head.iter().all(|&b| b == 0) {
        return Some("the file begins with zeros: its content has not arrived".to_owned());
    }
    let found = if bytes.starts_with(&[0xFF, 0xD8]) {
        jpeg(bytes)
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        png(bytes)
    } else if bytes.starts_with(b"II*\0") || bytes.starts_with(b"MM\0*") {
        tiff(bytes)
    } else if bytes.starts_with(b"RIFF") {
        riff(bytes)
    } else if bytes.get(4..8) == Some(b"ftyp") {
        boxes(bytes)
    } else if bytes.len() < 16 {
        // Too short for any picture, long enough for the beginning of one.
        Err(())
    } else {
        Ok(())
    };
    match found {
        Ok(()) => None,
        Err(()) if bytes.starts_with(&[0xFF, 0xD8]) && has_hole(bytes) => {
            Some("part of the file was never filled in".to_owned())
        }
        Err(()) => Some("the file ends before the picture does".to_owned()),
    }
}

/// What a structure check says: in order, or not.
type Checked = Result<(), ()>;

fn be16(bytes: &[u8], at: usize) -> Result<usize, ()> {
    let two = bytes
        .get(at..)
        .and_then(|b| b.first_chunk::<2>())
        .ok_or(())?;
    Ok(usize::from(u16::from_be_bytes(*two)))
}

/// A big-endian number of `n` ≤ 8 bytes.
fn be(bytes: &[u8], at: usize, n: usize) -> Result<u64, ()> {
    let field = bytes.get(at..at.checked_add(n).ok_or(())?).ok_or(())?;
    Ok(field
        .iter()
        .fold(0, |number, &b| number << 8 | u64::from(b)))
}

/// True where `length` bytes from `start` lie inside the file.
fn inside(bytes: &[u8], start: u64, length: u64) -> bool {
    start
        .checked_add(length)
        .is_some_and(|end| end <= bytes.len() as u64)
}

/// Walks the markers to the end of the first picture (ITU-T T.81, B.1.1). What follows it is of no concern: phones put
/// a film, a second picture or a depth map there.
fn jpeg(bytes: &[u8]) -> Checked {
    let mut at = 2;
    loop {
        if bytes.get(at) != Some(&0xFF) {
            return Err(());
        }
        while bytes.get(at) == Some(&0xFF) {
            at += 1;
        }
        let marker = *bytes.get(at).ok_or(())?;
        at += 1;
        match marker {
            0xD9 => return Ok(()),
            0x01 | 0xD0..=0xD8 => continue,
            0x00 => return Err(()),
            _ => {}
        }
        let length = be16(bytes, at)?;
        if length < 2 {
            return Err(());
        }
        at += length;
        if marker == 0xDA {
            let data = bytes.get(at..).ok_or(())?;
            let end = end_of_entropy_data(data).ok_or(())?;
            if longest_zero_run(&data[..end]) >= ZERO_RUN {
                return Err(());
            }
            at += end;
        }
    }
}

/// Index of the marker that ends a scan; `FF 00` is data and `FF D0` to `FF D7` only restart the coder.
fn end_of_entropy_data(data: &[u8]) -> Option<usize> {
    let mut at = 0;
    loop {
        at += data[at..].iter().position(|&b| b == 0xFF)?;
        match data.get(at + 1)? {
            0x00 | 0xD0..=0xD7 => at += 2,
            0xFF => at += 1,
            _ => return Some(at),
        }
    }
}

fn longest_zero_run(data: &[u8]) -> usize {
    // Looks at every ZERO_RUN-th byte first: a run that long cannot lie between two of them unseen.
    let mut longest = 0;
    let mut at = 0;
    while at < data.len() {
        if data[at] == 0 {
            let back = data[..at].iter().rev().take_while(|&&b| b == 0).count();
            let ahead = data[at..].iter().take_while(|&&b| b == 0).count();
            longest = longest.max(back + ahead);
            at += ahead.max(1);
        }
        at += ZERO_RUN;
    }
    longest
}

/// True where a JPEG file ends in, or holds, a stretch of zeros as an unfilled block leaves it.
fn has_hole(bytes: &[u8]) -> bool {
    longest_zero_run(bytes) >= ZERO_RUN
}

/// Walks the chunks to IEND (PNG specification, third edition, 5.3).
fn png(bytes: &[u8]) -> Checked {
    let mut at = 8;
    loop {
        let length = be(bytes, at, 4)?;
        let name = bytes.get(at + 4..at + 8).ok_or(())?;
        if !inside(bytes, at as u64, length + 12) || !name.iter().all(u8::is_ascii_alphabetic) {
            return Err(());
        }
        if name == b"IEND" {
            return Ok(());
        }
        at += length as usize + 12;
    }
}

/// RIFF: the length in the header (RFC 9649, 2.4).
fn riff(bytes: &[u8]) -> Checked {
    let length = bytes.get(4..8).ok_or(())?;
    let length = u32::from_le_bytes(length.try_into().map_err(|_| ())?);
    if inside(bytes, 8, u64::from(length)) {
        Ok(())
    } else {
        Err(())
    }
}

/// Every strip and tile of every directory lies inside the file (TIFF 6.0, section 2; DNG is built the same way).
fn tiff(bytes: &[u8]) -> Checked {
    let tiff = Tiff {
        bytes,
        little_endian: bytes[0] == b'I',
    };
    let mut seen = BTreeSet::new();
    let mut directories = vec![tiff.number(4, 4)?];
    while let Some(at) = directories.pop() {
        if at == 0 || !seen.insert(at) {
            continue;
        }
        // A file of directories that each name a thousand others is no photo.
        if seen.len() > 64 {
            return Ok(());
        }
        let n_entries = tiff.number(at, 2)?;
        let mut fields = std::collections::BTreeMap::new();
        for i in 0..n_entries {
            let entry = at + 2 + 12 * i;
            fields.insert(tiff.number(entry, 2)?, entry);
        }
        directories.push(tiff.number(at + 2 + 12 * n_entries, 4)?);
        const SUB_DIRECTORIES: u64 = 330;
        if let Some(&entry) = fields.get(&SUB_DIRECTORIES) {
            directories.extend(tiff.values(entry)?);
        }
        // StripOffsets and StripByteCounts, TileOffsets and TileByteCounts, JPEGInterchangeFormat and its length.
        for (offsets, lengths) in [(273, 279), (324, 325), (513, 514)] {
            let (Some(&offsets), Some(&lengths)) = (fields.get(&offsets), fields.get(&lengths))
            else {
                continue;
            };
            let lengths = tiff.values(lengths)?;
            for (offset, length) in tiff.values(offsets)?.into_iter().zip(lengths) {
                if !inside(bytes, offset, length) {
                    return Err(());
                }
            }
        }
    }
    Ok(())
}

struct Tiff<'a> {
    bytes: &'a [u8],
    little_endian: bool,
}

impl Tiff<'_> {
    fn number(&self, at: u64, n: usize) -> Result<u64, ()> {
        let at = usize::try_from(at).map_err(|_| ())?;
        let field = self.bytes.get(at..at.checked_add(n).ok_or(())?).ok_or(())?;
        let add = |number: u64, b: &u8| number << 8 | u64::from(*b);
        Ok(if self.little_endian {
            field.iter().rev().fold(0, add)
        } else {
            field.iter().fold(0, add)
        })
    }

    /// The values of a field of type BYTE, SHORT, LONG or IFD.
    fn values(&self, entry: u64) -> Result<Vec<u64>, ()> {
        let size = match self.number(entry + 2, 2)? {
            1 => 1,
            3 => 2,
            4 | 13 => 4,
            _ => return Ok(Vec::new()),
        };
        let n = self.number(entry + 4, 4)?;
        let start = if n * size <= 4 {
            entry + 8
        } else {
            self.number(entry + 8, 4)?
        };
        if !inside(self.bytes, start, n * size) {
            return Err(());
        }
        (0..n)
            .map(|i| self.number(start + i * size, size as usize))
            .collect()
    }
}

/// Every box at the top level, and every stretch of data that the item table names, lies inside the file
/// (ISO/IEC 14496-12, 4.2 and 8.11.3).
fn boxes(bytes: &[u8]) -> Checked {
    let mut at = 0;
    let mut has_meta = false;
    while at < bytes.len() {
        let (name, header, length) = box_at(bytes, at, bytes.len())?;
        if name == *b"meta" {
            has_meta = true;
            let mut inner = at + header + 4;
            while inner + 8 <= at + length {
                let (name, header, inner_length) = box_at(bytes, inner, at + length)?;
                if name == *b"iloc" {
                    item_locations(bytes, &bytes[inner + header..inner + inner_length])?;
                }
                inner += inner_length;
            }
        }
        at += length;
    }
    // Films are built of the same boxes and need no item table.
    let brand = bytes.get(8..12).ok_or(())?;
    let is_film = [&b"qt  "[..], b"mp4", b"isom", b"M4", b"3g", b"avc1"]
        .iter()
        .any(|film| brand.starts_with(film));
    if has_meta || is_film { Ok(()) } else { Err(()) }
}

/// Name, header length and whole length of the box at `at`, which must end by `end`.
fn box_at(bytes: &[u8], at: usize, end: usize) -> Result<([u8; 4], usize, usize), ()> {
    let name = *bytes
        .get(at + 4..)
        .and_then(|b| b.first_chunk::<4>())
        .ok_or(())?;
    let (header, length) = match be(bytes, at, 4)? {
        0 => (8, (end - at) as u64),
        1 => (16, be(bytes, at + 8, 8)?),
        length => (8, length),
    };
    let length = usize::try_from(length).map_err(|_| ())?;
    if length < header || length > end - at {
        return Err(());
    }
    Ok((name, header, length))
}

fn item_locations(file: &[u8], body: &[u8]) -> Checked {
    let version = be(body, 0, 1)?;
    let sizes = be16(body, 4)?;
    let offset_size = sizes >> 12;
    let length_size = sizes >> 8 & 15;
    let base_size = sizes >> 4 & 15;
    let index_size = if version == 0 { 0 } else { sizes & 15 };
    if [offset_size, length_size, base_size, index_size]
        .iter()
        .any(|&s| s > 8)
    {
        return Err(());
    }
    let id_size = if version < 2 { 2 } else { 4 };
    let mut at = 6;
    let n_items = be(body, at, id_size)?;
    at += id_size;
    for _ in 0..n_items {
        at += id_size;
        let mut construction = 0;
        if version > 0 {
            construction = be(body, at, 2)? & 15;
            at += 2;
        }
        at += 2;
        let base = be(body, at, base_size)?;
        at += base_size;
        let n_extents = be(body, at, 2)?;
        at += 2;
        for _ in 0..n_extents {
            at += index_size;
            let offset = be(body, at, offset_size)?;
            at += offset_size;
            let length = be(body, at, length_size)?;
            at += length_size;
            // Construction 0 counts from the beginning of the file; the others lie inside boxes already checked.
            let start = base.checked_add(offset).ok_or(())?;
            if construction == 0 && !inside(file, start, length) {
                return Err(());
            }
        }
    }
    Ok(())
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
        }
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
            bytes[start..start + ZERO_RUN].fill(0);
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

    /// The slow and obvious way.
    fn longest_zero_run_slowly(data: &[u8]) -> usize {
        data.split(|&b| b != 0).map(<[u8]>::len).max().unwrap_or(0)
    }

    proptest::proptest! {
        #[test]
        fn long_runs_of_zeros_are_found(runs in proptest::collection::vec((0..1500_usize, 1..700_usize), 1..6)) {
            let mut data = Vec::new();
            for (zeros, others) in runs {
                data.extend(std::iter::repeat_n(0, zeros));
                data.extend(std::iter::repeat_n(7, others));
            }
            let slow = longest_zero_run_slowly(&data);
            let fast = longest_zero_run(&data);
            proptest::prop_assert_eq!(slow >= ZERO_RUN, fast >= ZERO_RUN);
            proptest::prop_assert!(fast <= slow);
        }

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
