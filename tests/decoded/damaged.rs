//! Every form of picture, damaged in every way that a bad line, a bad card or a bad person can: no file makes the decoder
//! panic, hang or take more memory than its limit, and none that was cut is taken for a picture.
//!
//! The seeds are fixed, so that a run repeats; `SLITWATCH_FUZZ=50` makes the search that many times longer.

use std::path::Path;
use std::time::{Duration, Instant};

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg32;
use slitwatch::decode::{Fault, decode, facts, suspicion};
use slitwatch::frame::Frame;

/// Many times the corpus's pictures, and few enough that a decoder which believes in more would be seen to.
const LIMIT: u64 = 200_000;

fn corpus() -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/decoded/files");
    let mut corpus: Vec<(String, Vec<u8>)> = std::fs::read_dir(folder)
        .expect("the pictures")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e != "md" && e != "py"))
        .map(|path| {
            let name = path
                .file_name()
                .expect("a name")
                .to_string_lossy()
                .into_owned();
            (name, std::fs::read(&path).expect("a picture"))
        })
        .collect();
    corpus.sort();
    assert!(corpus.len() > 30);
    corpus
}

fn effort() -> usize {
    let asked = std::env::var("SLITWATCH_FUZZ").ok();
    asked.and_then(|n| n.parse().ok()).unwrap_or(1)
}

/// All that is done with a file's bytes; what comes out keeps to the limit, and every fault has words.
fn meet(name: &str, bytes: &[u8]) -> Option<Frame> {
    let began = Instant::now();
    let stated = facts(bytes);
    assert!(
        stated.exposure_s.is_none_or(|s| s.is_finite() && s > 0.0),
        "{name}"
    );
    assert!(
        stated.iso.is_none_or(|iso| iso.is_finite() && iso > 0.0),
        "{name}"
    );
    let _ = suspicion(bytes);
    let decoded = decode(bytes, LIMIT);
    assert!(
        began.elapsed() < Duration::from_secs(5),
        "{name}: {:?}",
        began.elapsed()
    );
    match decoded {
        Ok((_, frame)) => {
            assert!((frame.width() * frame.height()) as u64 <= LIMIT, "{name}");
            Some(frame)
        }
        Err(Fault::Truncated(words) | Fault::Unreadable(words) | Fault::TooLarge(words)) => {
            assert!(words.len() > 20 && words.len() < 2000, "{name}: {words}");
            None
        }
    }
}

fn is_same(a: &Frame, b: &Frame) -> bool {
    (a.width(), a.height()) == (b.width(), b.height())
        && (0..a.height()).all(|y| (0..a.width()).all(|x| a.rgb(x, y) == b.rgb(x, y)))
}

/// What a cut leaves is refused, or it is all of the picture: what lay behind was something else.
#[test]
fn a_picture_that_was_cut_is_refused_or_whole() {
    let mut n_refused = 0;
    for (name, bytes) in corpus() {
        let whole = meet(&name, &bytes);
        let n_cuts = 60 * effort();
        for i in 0..n_cuts {
            let length = bytes.len() * i / n_cuts;
            match (meet(&name, &bytes[..length]), &whole) {
                (None, _) => n_refused += 1,
                (Some(part), Some(whole)) => {
                    assert!(is_same(&part, whole), "{name}: cut to {length} bytes");
                }
                (Some(_), None) => panic!("{name}: refused whole, and taken cut to {length} bytes"),
            }
        }
    }
    assert!(n_refused > 1000, "{n_refused} cuts were refused");
}

#[test]
fn no_damage_makes_the_decoder_fail() {
    let corpus = corpus();
    let mut random = Pcg32::seed_from_u64(5);
    for (name, bytes) in &corpus {
        for _ in 0..40 * effort() {
            let mut damaged = bytes.clone();
            match random.random_range(0..5) {
                // Bits.
                0 => {
                    for _ in 0..random.random_range(1..20) {
                        let at = random.random_range(0..damaged.len());
                        damaged[at] ^= 1 << random.random_range(0..8);
                    }
                }
                // Bits of the header: sizes, counts, offsets.
                1 => {
                    for _ in 0..random.random_range(1..6) {
                        let at = random.random_range(0..damaged.len().min(300));
                        damaged[at] = [0, 1, 0x7F, 0x80, 0xFF][random.random_range(0..5)];
                    }
                }
                // A block that was never written.
                2 => {
                    let from = random.random_range(0..damaged.len());
                    let to = (from + 512).min(damaged.len());
                    damaged[from..to].fill(0);
                }
                // The head of one and the tail of another.
                3 => {
                    let other = &corpus[random.random_range(0..corpus.len())].1;
                    damaged.truncate(random.random_range(0..damaged.len()));
                    damaged.extend(&other[random.random_range(0..other.len())..]);
                }
                // A piece of it twice.
                _ => {
                    let from = random.random_range(0..damaged.len());
                    let piece = damaged[from..].to_vec();
                    let at = random.random_range(0..damaged.len());
                    damaged.splice(at..at, piece);
                }
            }
            meet(name, &damaged);
        }
    }
}

/// The places at which each format states its size (T.81 B.2.2; PNG 11.2.2; TIFF 6.0 section 8; ISO/IEC 23008-12 6.5.3).
#[test]
fn a_picture_that_claims_to_be_giant_is_refused_before_it_takes_memory() {
    let mut n_tried = 0;
    for (name, bytes) in corpus() {
        if meet(&name, &bytes).is_none() {
            continue;
        }
        let mut giant = bytes.clone();
        let find = |what: &[u8]| bytes.windows(what.len()).position(|w| w == what);
        let frame_header = (0xC0..=0xC2).find_map(|sof| find(&[0xFF, sof, 0x00, 0x11]));
        if bytes.starts_with(&[0xFF, 0xD8]) {
            let Some(at) = frame_header else { continue };
            giant[at + 5..at + 9].fill(0xFF);
        } else if let (true, Some(at)) = (name.ends_with(".png"), find(b"IHDR")) {
            giant[at + 4..at + 12].copy_from_slice(&[0, 0, 0xEA, 0x60, 0, 0, 0xEA, 0x60]);
            // The check sum is for the decoder to miss; it must not come to that.
        } else if let (true, Some(at)) = (name.ends_with(".heic"), find(b"ispe")) {
            giant[at + 8..at + 16].fill(0x7F);
        } else if let (true, Some(at)) = (
            name.ends_with(".tif"),
            [[0, 1, 3, 0], [0, 1, 4, 0], [1, 0, 0, 3], [1, 0, 0, 4]]
                .iter()
                .find_map(|entry| find(entry)),
        ) {
            // The value follows the tag, its type and its count; two of its bytes are enough in either order.
            giant[at + 8..at + 12].copy_from_slice(&[0xFF, 0xFF, 0, 0]);
        } else {
            continue;
        }
        n_tried += 1;
        assert!(meet(&name, &giant).is_none(), "{name}");
    }
    assert!(n_tried > 12, "{n_tried} giants");
}

/// EXIF that lies: directories in a circle, counts beyond all bounds, offsets outside, and noise.
#[test]
fn garbage_in_the_exif_costs_the_facts_and_not_the_picture() {
    let corpus = corpus();
    let (_, photo) = corpus
        .iter()
        .find(|(name, _)| name == "baseline-444.jpg")
        .expect("a JPEG");
    let whole = meet("whole", photo).expect("a picture");
    let mut random = Pcg32::seed_from_u64(6);
    let entry = |tag: u16, kind: u16, count: u32, value: u32| {
        let mut bytes = tag.to_le_bytes().to_vec();
        bytes.extend(kind.to_le_bytes());
        bytes.extend(count.to_le_bytes());
        bytes.extend(value.to_le_bytes());
        bytes
    };
    let directory = |entries: &[Vec<u8>], next: u32| {
        let mut bytes = b"II*\0\x08\0\0\0".to_vec();
        bytes.extend((entries.len() as u16).to_le_bytes());
        bytes.extend(entries.concat());
        bytes.extend(next.to_le_bytes());
        bytes
    };
    let mut lies = vec![
        directory(&[], 8),
        directory(&[entry(0x8769, 4, 1, 8)], 8),
        directory(&[entry(0x829A, 5, u32::MAX, 8), entry(0x8769, 4, 1, 8)], 0),
        directory(
            &[
                entry(0x010F, 2, u32::MAX, u32::MAX),
                entry(0x0110, 2, 60_000, 8),
            ],
            0,
        ),
        directory(
            &[entry(0x0112, 3, 1, 0xFFFF), entry(0x829A, 5, 1, 0)],
            u32::MAX,
        ),
        directory(&vec![entry(0x829A, 5, 1, 8); 5000], 8),
    ];
    for _ in 0..50 * effort() {
        let mut noise = b"II*\0\x08\0\0\0".to_vec();
        noise.extend((0..random.random_range(0..600)).map(|_| random.random::<u8>()));
        lies.push(noise);
    }
    for (i, lie) in lies.iter().enumerate() {
        let mut bytes = photo[..2].to_vec();
        let content = [b"Exif\0\0".as_slice(), lie].concat();
        let length = u16::try_from(content.len() + 2).expect("a segment");
        bytes.extend([0xFF, 0xE1]);
        bytes.extend(length.to_be_bytes());
        bytes.extend(content);
        bytes.extend(&photo[2..]);
        let frame = meet("lie", &bytes).unwrap_or_else(|| panic!("lie {i} cost the picture"));
        let n_pixels = |frame: &Frame| frame.width() * frame.height();
        assert_eq!(n_pixels(&frame), n_pixels(&whole), "lie {i}");
    }
}
