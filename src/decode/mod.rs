//! File bytes -> facts (time, camera, exposure) and an upright frame in linear light.
//!
//! Pure functions on a photo's bytes, told apart by what they hold and not by a name. Strict: a file that ends
//! early, or has a hole, is a fault and never a picture. Nothing is converted between colour spaces.

mod bytes;
mod complete;
#[cfg(feature = "dng")]
mod dng;
mod doubts;
pub mod facts;
#[cfg(feature = "heic")]
mod heic;
mod jpeg;
mod kind;
mod light;
mod memory;
mod metadata;
#[cfg(feature = "dng")]
mod mosaic;
mod picture;
mod raster;
mod reduce;
mod rows;
mod tiff;
mod zeros;

use std::panic::{AssertUnwindSafe, catch_unwind};

use crate::frame::{Frame, Orientation};
use kind::Kind;
use memory::LARGEST_IN_ONE_PIECE;
use picture::{Picture, Turn};

pub use complete::suspicion;
#[cfg(feature = "dng")]
pub use dng::unpack as unpack_dng;
pub use doubts::doubts;
pub use facts::Facts;
pub use kind::kind;
pub use memory::bytes_in_hand;
pub use picture::Fault;

/// Pictures of fewer pixels are read however small their file is: the memory they take is that of any phone's photo.
const ORDINARY_PIXELS: u64 = 64_000_000;

/// A larger picture must have a byte for so many pixels: first without loss (PNG, TIFF), then with.
///
/// Cameras' own files were seen to have 3 to 10 pixels a byte, and the noise of a sensor alone does not shrink to less
/// than a bit a sample without loss. What is far beyond has no noise, so no camera took it: a JPEG without any content
/// takes a byte for 64 pixels (ITU-T T.81, annex K: 32 bits a block of 16 × 16), deflate gives up to 1032 for 1 (zlib's
/// technical notes), which is 344 pixels of three bytes.
const PIXELS_PER_BYTE: (u64, u64) = (8, 48);

/// Reads the header only. Never fails: what cannot be read is absent, a size that cannot be read is 0 × 0.
///
/// `orientation` is 1 for HEIC, whose container turns the picture itself.
pub fn facts(bytes: &[u8]) -> Facts {
    catch_unwind(|| header_facts(bytes)).unwrap_or_else(|_| Facts {
        orientation: 1,
        format: Kind::of(bytes).format(),
        ..Facts::default()
    })
}

fn header_facts(bytes: &[u8]) -> Facts {
    let kind = Kind::of(bytes);
    let mut facts = Facts {
        orientation: 1,
        format: kind.format(),
        ..Facts::default()
    };
    let (exif, extent) = match kind {
        Kind::Jpeg => {
            let (exif, extent) = jpeg::header(bytes);
            (exif.map(<[u8]>::to_vec).and_then(metadata::parse), extent)
        }
        Kind::Raster(format) => (metadata::find(bytes), raster::extent(bytes, format)),
        #[cfg(feature = "heic")]
        Kind::Heic => (metadata::find(bytes), heic::extent(bytes)),
        #[cfg(not(feature = "heic"))]
        Kind::Heic => (metadata::find(bytes), None),
        Kind::Dng => (metadata::find(bytes), kind::raw_extent(bytes)),
        Kind::Other(_) => (None, None),
    };
    if let Some(exif) = exif {
        metadata::fill(&mut facts, &exif);
    }
    if kind == Kind::Heic {
        facts.orientation = 1;
    }
    if let Some(extent) = extent {
        facts.decoding_bytes = extent.bytes;
        (facts.width, facts.height) = (extent.width, extent.height);
        if Orientation::from_exif(facts.orientation).swaps_axes() {
            std::mem::swap(&mut facts.width, &mut facts.height);
        }
    }
    facts
}

/// How good a form a file is of a shot that phones deliver in several: the higher the better, 0 where this build does not
/// read it; absent for forms that do not come beside another one.
pub fn preference(format: &str) -> Option<u8> {
    match format {
        // The sensor's own samples.
        "dng" if cfg!(feature = "dng") => Some(3),
        // The original where both are there: phones and sync programs make the JPEG of it.
        "heic" if cfg!(feature = "heic") => Some(2),
        "jpeg" => Some(1),
        "dng" | "heic" => Some(0),
        _ => None,
    }
}

/// Decodes a whole photo.
///
/// `max_pixels` bounds width × height before anything is allocated. Pictures beyond 32 million pixels are reduced to 8 to
/// 17 million while they are decoded, so that their memory is that of an ordinary photo; width and height in the returned
/// facts are then those of the frame.
///
/// # Errors
/// [`Fault::Truncated`] where the file ends early or has a hole, [`Fault::TooLarge`] beyond `max_pixels`,
/// [`Fault::Unreadable`] for everything else that is not a photo this build reads.
pub fn decode(bytes: &[u8], max_pixels: u64) -> Result<(Facts, Frame), Fault> {
    let facts = facts(bytes);
    plausible(&facts, bytes.len() as u64, max_pixels)?;
    // Decoders of strangers' files have been known to panic on damaged ones; that is this file's fault alone.
    let picture = catch_unwind(AssertUnwindSafe(|| decode_picture(bytes, max_pixels)))
        .unwrap_or_else(|_| {
            Err(Fault::Unreadable(format!(
                "{} so damaged that its decoder gave up: upload the photo again",
                kind(bytes)
            )))
        })?;
    Ok(finished(facts, picture))
}

/// True for a DNG, which needs [`unpack_dng`] and [`decode_unpacked`] in place of [`decode`].
#[cfg(feature = "dng")]
pub fn is_dng(bytes: &[u8]) -> bool {
    Kind::of(bytes) == Kind::Dng
}

/// Refuses what is too large before anything is unpacked.
///
/// # Errors
/// [`Fault::TooLarge`] by what the header states.
#[cfg(feature = "dng")]
pub fn may_be_decoded(bytes: &[u8], max_pixels: u64) -> Result<(), Fault> {
    let facts = facts(bytes);
    if facts.width > 0 {
        picture::too_large(facts.width as u64, facts.height as u64, max_pixels)?;
    }
    Ok(())
}

/// Decodes a DNG whose samples [`unpack_dng`] wrote; `bytes` is the file itself, for its facts.
///
/// # Errors
/// As [`decode`].
#[cfg(feature = "dng")]
pub fn decode_unpacked(
    bytes: &[u8],
    unpacked: impl std::io::Read,
    max_pixels: u64,
) -> Result<(Facts, Frame), Fault> {
    let picture = mosaic::picture(unpacked, max_pixels)?;
    Ok(finished(facts(bytes), picture))
}

fn finished(mut facts: Facts, picture: Picture) -> (Facts, Frame) {
    let orientation = match picture.turn {
        Turn::AsExif => Orientation::from_exif(facts.orientation),
        Turn::AsContainer(orientation) => {
            facts.orientation = 1;
            orientation
        }
    };
    let mut frame = Frame::new(
        picture.samples,
        picture.width,
        picture.height,
        orientation,
        picture.codes.linear,
        picture.codes.ceiling,
    );
    if let Some(clips) = picture.hidden_clips {
        frame = frame.with_hidden_clips(clips);
    }
    (facts.width, facts.height) = (frame.width(), frame.height());
    (facts, frame)
}

fn decode_picture(bytes: &[u8], max_pixels: u64) -> Result<Picture, Fault> {
    let why_not = match Kind::of(bytes) {
        Kind::Jpeg => return jpeg::decode(bytes, max_pixels),
        Kind::Raster(format) => return raster::decode(bytes, format, max_pixels),
        #[cfg(feature = "heic")]
        Kind::Heic => return heic::decode(bytes, max_pixels),
        #[cfg(not(feature = "heic"))]
        Kind::Heic => {
            "this is a HEIC picture, and this program was built without HEIC: set the phone's camera to JPEG \
             (\"most compatible\"), take the photo again and upload that"
        }
        #[cfg(feature = "dng")]
        Kind::Dng => {
            "this is a DNG raw file, which is read by a process of its own: upload the JPEG of the same shot"
        }
        #[cfg(not(feature = "dng"))]
        Kind::Dng => {
            "this is a DNG raw file, and this program was built without DNG: build it with `cargo build --release \
             --features dng`, or set the camera to raw + JPEG and upload the JPEG"
        }
        Kind::Other("a camera raw file") => {
            "this is a camera raw file of a maker's own form, which this program does not read: set the camera to \
             JPEG, or to raw + JPEG, and upload the JPEG"
        }
        Kind::Other(words) => {
            return Err(Fault::Unreadable(format!(
                "this is {words}, not a photo that can be measured: upload the camera's own JPEG"
            )));
        }
    };
    Err(Fault::unreadable(why_not))
}

/// Refuses what would take too much memory: a small file that would unfold into a huge picture, which no camera wrote, and
/// a huge one of a form that cannot be decoded piece by piece.
fn plausible(facts: &Facts, n_bytes: u64, max_pixels: u64) -> Result<(), Fault> {
    let (width, height) = (facts.width, facts.height);
    let pixels = (width as u64).saturating_mul(height as u64);
    // What is over the limit is refused with better words.
    if pixels > max_pixels {
        return Ok(());
    }
    let per_byte = match facts.format {
        "png" | "tiff" => PIXELS_PER_BYTE.0,
        _ => PIXELS_PER_BYTE.1,
    };
    if pixels > ORDINARY_PIXELS && pixels / per_byte > n_bytes {
        return Err(Fault::TooLarge(format!(
            "{width} × {height} pixels in a file of {} kB: no camera's picture shrinks so far, so it is not unfolded; \
             upload the camera's own JPEG",
            n_bytes.div_ceil(1000)
        )));
    }
    if facts.decoding_bytes > LARGEST_IN_ONE_PIECE {
        return Err(Fault::TooLarge(format!(
            "{width} × {height} pixels in a form that has to be unfolded in one piece, which would take {} MB of memory: \
             upload the camera's own JPEG, or save it smaller",
            facts.decoding_bytes / 1_000_000
        )));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::jpeg::drawn::{Form, noisy, write};
    use super::*;
    use exif::{Rational, Tag, Value};

    const LIMIT: u64 = 50_000_000;

    #[test]
    fn every_orientation_of_a_jpeg_is_upright_in_the_frame() {
        // Exif 2.32, tag Orientation: where the stored first row and first column are seen, so where the bright
        // quarter that is stored at the top left is seen.
        let corners = [
            (1, "top left"),
            (2, "top right"),
            (3, "bottom right"),
            (4, "bottom left"),
            (5, "top left"),
            (6, "top right"),
            (7, "bottom right"),
            (8, "bottom left"),
        ];
        let (width, height) = (64u16, 32u16);
        let mut samples = Vec::new();
        for y in 0..height {
            for x in 0..width {
                let bright = x < width / 2 && y < height / 2;
                samples.extend([if bright { 230 } else { 20 }; 3]);
            }
        }
        for (tag, corner) in corners {
            let exif = metadata::tests::block(&[(Tag::Orientation, Value::Short(vec![tag]))]);
            let form = Form {
                width,
                height,
                exif: Some(exif),
                ..Form::default()
            };
            let bytes = write(&form, &samples);
            let (facts, frame) = decode(&bytes, LIMIT).expect("a picture");
            assert_eq!(facts, super::facts(&bytes), "orientation {tag}");
            assert_eq!(facts.orientation, tag);
            let expected = if tag < 5 { (64, 32) } else { (32, 64) };
            assert_eq!(
                (frame.width(), frame.height()),
                expected,
                "orientation {tag}"
            );
            assert_eq!((facts.width, facts.height), expected, "orientation {tag}");
            let x = if corner.ends_with("left") {
                4
            } else {
                expected.0 - 5
            };
            let y = if corner.starts_with("top") {
                4
            } else {
                expected.1 - 5
            };
            assert!(frame.rgb(x, y)[1] > 0.7, "orientation {tag}: {corner}");
            let opposite = frame.rgb(expected.0 - 1 - x, expected.1 - 1 - y);
            assert!(opposite[1] < 0.02, "orientation {tag}: {corner}");
        }
    }

    #[test]
    fn facts_are_read_even_where_the_picture_is_cut() {
        let exposure = Rational { num: 1, denom: 30 };
        let exif = metadata::tests::block(&[(Tag::ExposureTime, Value::Rational(vec![exposure]))]);
        let bytes = noisy(&Form {
            exif: Some(exif),
            ..Form::default()
        });
        let half = &bytes[..bytes.len() / 2];
        let facts = facts(half);
        assert_eq!(facts.exposure_s, Some(1.0 / 30.0));
        assert_eq!((facts.width, facts.height), (320, 240));
        assert_eq!(facts.format, "jpeg");
        assert!(decode(half, LIMIT).is_err());
    }

    #[test]
    fn a_profile_of_another_curve_gives_other_light_for_the_same_codes() {
        let linear = light::tests::profile(b"curv\0\0\0\0\0\0\0\0");
        let grey = |icc| {
            let form = Form {
                width: 16,
                height: 16,
                icc,
                ..Form::default()
            };
            let (_, frame) = decode(&write(&form, &[128; 768]), LIMIT).expect("a picture");
            frame.rgb(8, 8)[0]
        };
        assert!((grey(None) - 0.2159).abs() < 0.005);
        assert!((grey(Some(linear)) - 0.502).abs() < 0.005);
    }

    #[test]
    fn a_small_file_of_a_huge_picture_is_not_unfolded() {
        let of = |format, width, height, n_bytes| {
            let facts = Facts {
                format,
                width,
                height,
                ..Facts::default()
            };
            plausible(&facts, n_bytes, 210_000_000)
        };
        // 200 megapixels: a phone's own file and an export of it, and bombs.
        assert!(of("jpeg", 16_320, 12_240, 30_000_000).is_ok());
        assert!(of("png", 16_320, 12_240, 300_000_000).is_ok());
        let bomb = |found: Result<(), Fault>| matches!(found, Err(Fault::TooLarge(_)));
        assert!(bomb(of("jpeg", 16_320, 12_240, 3_121_000)));
        assert!(bomb(of("png", 16_320, 12_240, 8_000_000)));
        // Small pictures may be as empty as they like, and what states no size is for its decoder to judge.
        assert!(of("png", 4_000, 3_000, 900).is_ok());
        assert!(of("jpeg", 0, 0, 5).is_ok());
        // Beyond the limit it is the limit that is named.
        assert!(of("jpeg", usize::MAX, usize::MAX, 1_000_000).is_ok());
    }

    #[test]
    fn what_is_not_a_photo_is_refused_with_what_it_looks_like() {
        let noise: Vec<u8> = (0..5000u32).map(|i| (i * i % 251) as u8).collect();
        for (bytes, word) in [
            (b"".as_slice(), "empty file"),
            (b"harbour wall, lamp 4\n", "a text"),
            (&noise, "no known kind"),
            (b"%PDF-1.7 ...", "PDF"),
            (b"\0\0\0\x14ftypqt  \0\0\0\0qt  ", "video"),
            (b"FUJIFILMCCD-RAW 0201", "raw"),
        ] {
            match decode(bytes, LIMIT) {
                Err(Fault::Unreadable(text)) => {
                    assert!(text.contains(word), "{text}");
                    assert!(text.contains("upload"), "no remedy: {text}");
                }
                _ => panic!("{word} was read"),
            }
            assert_eq!((facts(bytes).width, facts(bytes).format), (0, ""));
        }
    }

    #[test]
    fn no_bytes_behind_any_magic_make_it_panic() {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand_pcg::Pcg64::seed_from_u64(8);
        let magics: [&[u8]; 7] = [
            b"\xff\xd8\xff\xe1",
            b"\x89PNG\r\n\x1a\n",
            b"II*\0\x08\0\0\0",
            b"MM\0*\0\0\0\x08",
            b"RIFF\x40\0\0\0WEBPVP8 ",
            b"\0\0\0\x18ftypheic\0\0\0\0mif1heic",
            b"",
        ];
        for magic in magics {
            for _ in 0..60 {
                let n = rng.random_range(0..300);
                let mut bytes = magic.to_vec();
                bytes.extend((0..n).map(|_| rng.random::<u8>()));
                let _ = facts(&bytes);
                assert!(decode(&bytes, 1_000_000).is_err());
            }
        }
    }
}
