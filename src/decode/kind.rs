//! Tells what a file is by its first bytes and never by its name: phones and sync clients put HEIC bytes
//! under `.jpg` and the reverse.

use image::ImageFormat;

use super::memory::Extent;
use super::reduce::frame_bytes;
use super::tiff::Tiff;

/// The kinds of file that matter here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// ITU-T T.81, in any wrapping that begins with its start marker.
    Jpeg,
    /// PNG (ISO/IEC 15948), TIFF 6.0 with ordinary pixels, or WebP (RFC 9649).
    Raster(ImageFormat),
    /// ISO/IEC 23008-12 with HEVC pictures.
    Heic,
    /// Digital negative.
    Dng,
    /// Anything else, with what it looks like.
    Other(&'static str),
}

impl Kind {
    /// Looks at the first bytes, and for TIFF at the tags of its directories.
    pub(super) fn of(bytes: &[u8]) -> Kind {
        let starts = |magic: &[u8]| bytes.starts_with(magic);
        let at = |offset: usize, magic: &[u8]| {
            bytes
                .get(offset..)
                .is_some_and(|rest| rest.starts_with(magic))
        };
        if bytes.is_empty() {
            return Kind::Other("an empty file");
        }
        if starts(&[0xff, 0xd8, 0xff]) {
            return Kind::Jpeg;
        }
        if starts(b"\x89PNG\r\n\x1a\n") {
            return Kind::Raster(ImageFormat::Png);
        }
        if starts(b"RIFF") && at(8, b"WEBP") {
            return Kind::Raster(ImageFormat::WebP);
        }
        if at(4, b"ftyp") {
            return of_brands(bytes);
        }
        if starts(b"II*\0") || starts(b"MM\0*") {
            return of_tiff(bytes);
        }
        const OTHERS: &[(usize, &[u8], &str)] = &[
            (0, b"GIF8", "a GIF picture"),
            (0, b"BM", "a BMP picture"),
            (0, b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture"),
            (0, b"\xff\x0a", "a JPEG XL picture"),
            (0, b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture"),
            (0, b"FUJIFILMCCD-RAW", "a camera raw file"),
            (0, b"IIRO", "a camera raw file"),
            (0, b"IIU\0", "a camera raw file"),
            (0, b"8BPS", "an image editor's working file"),
            (0, b"%PDF", "a PDF document"),
            (0, b"PK\x03\x04", "a ZIP archive or office document"),
            (0, b"PK\x05\x06", "an empty ZIP archive"),
            (0, b"\x1f\x8b", "a gzip archive"),
            (0, b"Rar!", "a RAR archive"),
            (0, b"7z\xbc\xaf", "a 7z archive"),
            (0, b"\x7fELF", "a program"),
            (0, b"MZ", "a program"),
            (0, b"OggS", "a sound or video file"),
            (0, b"ID3", "a sound file"),
            (0, b"RIFF", "a sound or video file"),
            (0, b"\x1a\x45\xdf\xa3", "a video file"),
            (4, b"moov", "a video file"),
            (4, b"mdat", "a video file"),
            (0, b"bplist", "a settings file"),
            (0, b"\x00\x00\x00\x01Bud1", "a folder view file"),
            (
                0,
                b"\xd0\xcf\x11\xe0",
                "an office document or thumbnail store",
            ),
        ];
        if let Some((.., words)) = OTHERS.iter().find(|(offset, magic, _)| at(*offset, magic)) {
            return Kind::Other(words);
        }
        of_unmarked(bytes)
    }

    /// A noun phrase that completes "this is …".
    pub(super) fn words(self) -> &'static str {
        self.names().0
    }

    /// The name used in [`Facts::format`](super::Facts::format).
    pub(super) fn format(self) -> &'static str {
        self.names().1
    }

    fn names(self) -> (&'static str, &'static str) {
        match self {
            Kind::Jpeg => ("a JPEG picture", "jpeg"),
            Kind::Raster(ImageFormat::Png) => ("a PNG picture", "png"),
            Kind::Raster(ImageFormat::Tiff) => ("a TIFF picture", "tiff"),
            Kind::Raster(_) => ("a WebP picture", "webp"),
            Kind::Heic => ("a HEIC picture", "heic"),
            Kind::Dng => ("a DNG raw file", "dng"),
            Kind::Other(words) => (words, ""),
        }
    }
}

/// ISO base media files say what they are in a list of four-letter brands.
fn of_brands(bytes: &[u8]) -> Kind {
    let size = u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]) as usize;
    let end = size.clamp(12, 256).min(bytes.len());
    let Some(list) = bytes.get(8..end) else {
        return Kind::Other("the first bytes of a photo or video, with the rest missing");
    };
    // The second word of the list is a version number, not a brand.
    let brands = || {
        list.chunks_exact(4)
            .enumerate()
            .filter(|(i, _)| *i != 1)
            .map(|(_, b)| b)
    };
    let has = |wanted: &[&[u8; 4]]| brands().any(|b| wanted.iter().any(|w| b == w.as_slice()));
    if has(&[b"avif", b"avis"]) {
        Kind::Other("an AVIF picture")
    } else if has(&[b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"]) {
        Kind::Heic
    } else if has(&[b"crx "]) {
        Kind::Other("a camera raw file")
    } else if has(&[b"mif1", b"mif2", b"msf1"]) {
        Kind::Heic
    } else {
        Kind::Other("a video file")
    }
}

/// Tags of TIFF 6.0 and of the DNG specification 1.4.
mod tag {
    pub(super) const NEW_SUBFILE_TYPE: usize = 254;
    pub(super) const WIDTH: usize = 256;
    pub(super) const HEIGHT: usize = 257;
    pub(super) const PHOTOMETRIC: usize = 262;
    pub(super) const SAMPLES_PER_PIXEL: usize = 277;
    pub(super) const SUB_IFDS: usize = 330;
    pub(super) const DNG_VERSION: usize = 50706;
}

/// Photometric interpretations that are sensor data: colour filter array and linear raw (DNG 1.4, ch. 4).
const RAW_PHOTOMETRIC: [usize; 2] = [32803, 34892];

/// Directories below the first one that are looked into: cameras write a handful.
const MOST_SUB_IFDS: usize = 16;

/// The first directory, and those below it.
fn directories(tiff: &Tiff<'_>) -> impl Iterator<Item = usize> {
    let first = tiff.first_directory();
    let below = tiff.tag(first, tag::SUB_IFDS).into_iter();
    std::iter::once(first).chain(below.take(MOST_SUB_IFDS))
}

fn is_raw(tiff: &Tiff<'_>, directory: usize) -> bool {
    let photometric = tiff.tag(directory, tag::PHOTOMETRIC);
    photometric.iter().any(|p| RAW_PHOTOMETRIC.contains(p))
}

/// Raw files of most cameras wear TIFF's clothes, and their first directory is a thumbnail: a decoder
/// that does not look further would measure the thumbnail.
fn of_tiff(bytes: &[u8]) -> Kind {
    let tiff = Tiff::new(bytes);
    if bytes.get(8..10) == Some(b"CR") {
        return Kind::Other("a camera raw file");
    }
    if !tiff
        .tag(tiff.first_directory(), tag::DNG_VERSION)
        .is_empty()
    {
        return Kind::Dng;
    }
    if directories(&tiff).any(|directory| is_raw(&tiff, directory)) {
        return Kind::Other("a camera raw file");
    }
    Kind::Raster(ImageFormat::Tiff)
}

/// What a DNG's directories state of the raw picture: it lies in the first one that is raw and no preview.
pub(super) fn raw_extent(bytes: &[u8]) -> Option<Extent> {
    let tiff = Tiff::new(bytes);
    let value = |directory: usize, tag: usize| tiff.tag(directory, tag).first().copied();
    let raw = directories(&tiff).find(|&directory| {
        is_raw(&tiff, directory)
            && value(directory, tag::NEW_SUBFILE_TYPE).is_none_or(|kind| kind & 1 == 0)
    })?;
    let (width, height) = (value(raw, tag::WIDTH)?, value(raw, tag::HEIGHT)?);
    let (w, h) = (width as u64, height as u64);
    let samples = value(raw, tag::SAMPLES_PER_PIXEL).unwrap_or(1) as u64;
    // The child has the samples twice while it unpacks them, and the file.
    let child = (4 * samples).saturating_mul(w.saturating_mul(h));
    Some(Extent {
        width,
        height,
        bytes: frame_bytes(w, h, 2)
            .saturating_add(child)
            .saturating_add(bytes.len() as u64),
    })
}

/// Files that carry no mark of their own: zeros, text, or noise.
fn of_unmarked(bytes: &[u8]) -> Kind {
    let head = &bytes[..bytes.len().min(4096)];
    if bytes.iter().all(|&b| b == 0) {
        return Kind::Other("a file of zeros, not filled in by the upload yet");
    }
    let printable = |b: &u8| matches!(b, b'\t' | b'\n' | b'\r' | 0x20..=0x7e | 0x80..);
    // A cut in the middle of a letter of several bytes is an error at the very end only.
    let is_utf8 = match std::str::from_utf8(head) {
        Ok(_) => true,
        Err(e) => e.valid_up_to() + 4 > head.len() && e.error_len().is_none(),
    };
    if is_utf8 && head.iter().all(printable) {
        let text = head.trim_ascii_start();
        let lower: Vec<u8> = text.iter().take(256).map(u8::to_ascii_lowercase).collect();
        return Kind::Other(
            if lower.starts_with(b"<!doctype html") || lower.starts_with(b"<html") {
                "a web page"
            } else if lower.starts_with(b"<") {
                "an XML or SVG text"
            } else {
                "a text"
            },
        );
    }
    Kind::Other("bytes of no known kind")
}

/// What a file is, by its first bytes: a noun phrase that completes "this is …".
pub fn kind(bytes: &[u8]) -> &'static str {
    Kind::of(bytes).words()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A TIFF with one directory of LONG-typed single values.
    fn tiff(big_endian: bool, entries: &[(u16, u32)], sub: &[(u16, u32)]) -> Vec<u8> {
        let short = |v: u16| {
            if big_endian {
                v.to_be_bytes()
            } else {
                v.to_le_bytes()
            }
        };
        let long = |v: u32| {
            if big_endian {
                v.to_be_bytes()
            } else {
                v.to_le_bytes()
            }
        };
        let mut out = if big_endian {
            b"MM\0*".to_vec()
        } else {
            b"II*\0".to_vec()
        };
        out.extend(long(8));
        for directory in [entries, sub] {
            out.extend(short(directory.len() as u16));
            for &(tag, value) in directory {
                out.extend(short(tag));
                out.extend(short(4));
                out.extend(long(1));
                out.extend(long(value));
            }
            out.extend(long(0));
        }
        out
    }

    #[test]
    fn photos_are_known_by_their_first_bytes() {
        let cases: [(&[u8], Kind); 7] = [
            (b"\xff\xd8\xff\xe1", Kind::Jpeg),
            (b"\x89PNG\r\n\x1a\n", Kind::Raster(ImageFormat::Png)),
            (b"RIFF\0\0\0\0WEBPVP8 ", Kind::Raster(ImageFormat::WebP)),
            (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", Kind::Heic),
            (b"\0\0\0\x18ftypmif1\0\0\0\0mif1heic", Kind::Heic),
            (b"II*\0\x08\0\0\0\0\0", Kind::Raster(ImageFormat::Tiff)),
            (b"MM\0*\0\0\0\x08\0\0", Kind::Raster(ImageFormat::Tiff)),
        ];
        for (bytes, expected) in cases {
            assert_eq!(Kind::of(bytes), expected, "{bytes:?}");
        }
    }

    #[test]
    fn what_is_not_a_photo_is_named_in_words() {
        assert_eq!(kind(b""), "an empty file");
        assert_eq!(kind(b"bench 4, lamp on\n"), "a text");
        assert_eq!(kind("Lampe über dem Kai\n".as_bytes()), "a text");
        assert_eq!(kind(b"<!DOCTYPE HTML><html>"), "a web page");
        assert_eq!(kind(b"\0\0\0\x14ftypqt  \0\0\0\0qt  "), "a video file");
        assert_eq!(
            kind(b"\0\0\0\x1cftypmif1\0\0\0\0avifmif1"),
            "an AVIF picture"
        );
        assert_eq!(
            kind(&[0; 5000]),
            "a file of zeros, not filled in by the upload yet"
        );
        assert_eq!(kind(&[7, 250, 3, 1, 99, 200]), "bytes of no known kind");
    }

    #[test]
    fn raw_files_in_tiff_clothing_are_not_taken_for_pictures() {
        for big_endian in [false, true] {
            assert_eq!(
                Kind::of(&tiff(big_endian, &[(256, 100), (262, 2)], &[])),
                Kind::Raster(ImageFormat::Tiff)
            );
            let dng = tiff(big_endian, &[(256, 100), (50706, 0x0104)], &[]);
            assert_eq!(Kind::of(&dng), Kind::Dng);
            // The second directory lies after 8 + 2 + 2 × 12 + 4 bytes.
            let raw = tiff(big_endian, &[(262, 2), (330, 38)], &[(262, 32803)]);
            assert_eq!(Kind::of(&raw), Kind::Other("a camera raw file"));
        }
    }

    #[test]
    fn no_first_bytes_make_it_panic() {
        for whole in [
            b"II*\0\xff\xff\xff\xff\xff\xff".as_slice(),
            b"\0\0\0\0ftyphe",
            b"MM\0*\0\0\0\x08\xff\xff\x01\x06",
        ] {
            for end in 0..=whole.len() {
                assert!(!kind(&whole[..end]).is_empty());
            }
        }
    }
}
