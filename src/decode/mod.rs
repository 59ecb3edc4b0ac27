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
use memory::fits_in_memory;
use picture::{Picture, Turn};

pub use complete::{shows_its_end, suspicion};
#[cfg(feature = "dng")]
pub use dng::unpack as unpack_dng;
pub use doubts::doubts;
pub use facts::Facts;
pub use kind::kind;
pub use memory::bytes_in_hand;
pub use picture::Fault;

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
/// [`Fault::Truncated`] where the file ends early or has a hole, [`Fault::TooLarge`] beyond `max_pixels` or what memory and
/// work are allowed,
/// [`Fault::Unreadable`] for everything else that is not a photo this build reads.
pub fn decode(bytes: &[u8], max_pixels: u64) -> Result<(Facts, Frame), Fault> {
    let facts = facts(bytes);
    // What is over the limit of pixels is refused with better words.
    if (facts.width as u64).saturating_mul(facts.height as u64) <= max_pixels {
        fits_in_memory(&facts)?;
    }
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
    fn what_decides_about_a_huge_picture_is_its_memory_and_not_how_well_it_shrinks() {
        let of = |decoding_bytes| {
            fits_in_memory(&Facts {
                format: "jpeg",
                width: 16_320,
                height: 12_240,
                decoding_bytes,
                ..Facts::default()
            })
        };
        assert!(of(90_000_000).is_ok());
        match of(1_200_000_000) {
            Err(Fault::TooLarge(words)) => {
                for number in ["16320", "12240", "1200 MB", "576 MB"] {
                    assert!(words.contains(number), "{words}");
                }
            }
            _ => panic!("1.2 GB were allowed"),
        }
    }

    #[test]
    fn the_same_bytes_are_not_decoded_a_thousand_times() {
        use memory::is_read_once;
        // Equal black tiles that are stored once are believed; a megabyte a thousand times is not.
        assert!(is_read_once([120; 768], 20_000).is_ok());
        assert!(is_read_once([5_000_000; 3], 15_000_000).is_ok());
        match is_read_once([1_000_000; 1000], 1_100_000) {
            Err(Fault::TooLarge(words)) => {
                for number in ["1000 parts", "1000 MB", "2 MB", "16 MB"] {
                    assert!(words.contains(number), "{words}");
                }
            }
            _ => panic!("a gigabyte out of one megabyte"),
        }
        assert!(is_read_once([u64::MAX; 3], 10).is_err());
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
