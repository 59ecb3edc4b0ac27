//! One small scene in every form that a photo may come in, written by other programs (`files/README.md` names
//! them): each must decode to the same linear light, or be refused with a word.

mod damaged;
mod exif;

use std::path::Path;

use slitwatch::decode::{Fault, decode, facts};
use slitwatch::frame::Frame;

const WIDTH: usize = 64;
const HEIGHT: usize = 48;
const LIMIT: u64 = 1_000_000;

fn read(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/decoded/files")
        .join(name);
    std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// The square at the scene's lower right corner that is at full scale.
fn is_patch(x: usize, y: usize) -> bool {
    x >= 48 && y >= 32
}

/// Linear light of the scene as it was drawn.
fn drawn(x: usize, y: usize) -> [f64; 3] {
    if is_patch(x, y) {
        return [1.0; 3];
    }
    let (u, v) = (
        (x as f64 + 0.5) / WIDTH as f64,
        (y as f64 + 0.5) / HEIGHT as f64,
    );
    let turn = std::f64::consts::TAU;
    [
        0.45 + 0.35 * (turn * (u + 0.25 * v)).sin(),
        0.45 + 0.35 * (turn * (0.7 * u - 0.5 * v) + 1.0).sin(),
        0.45 + 0.35 * (turn * (0.5 * u + v)).cos(),
    ]
}

/// What a form costs: the largest and the root-mean-square deviation from the drawn light that are allowed.
///
/// For lossy forms pixels within 16 of the patch are left out, since the edge rings through its blocks.
struct Tolerance {
    largest: f64,
    rms: f64,
    lossy: bool,
}

/// Half a code of 8 bits, at the steepest part of the curve: 2.4 / 1.055 × 0.5 / 255.
const EIGHT_BITS: Tolerance = Tolerance {
    largest: 0.0045,
    rms: 0.0025,
    lossy: false,
};

/// Half a code of 16 bits at the same place, with a single-precision table.
const SIXTEEN_BITS: Tolerance = Tolerance {
    largest: 2e-5,
    rms: 1.2e-5,
    lossy: false,
};

/// A lossy form, with what compression cost: the deviation of the file as libjpeg, libwebp or libheif read it,
/// and 0.004 more for another decoder's rounding (two codes at the steepest place) and upsampling.
const fn lossy(largest: f64, rms: f64) -> Tolerance {
    Tolerance {
        largest: largest + 0.004,
        rms: rms + 0.0004,
        lossy: true,
    }
}

fn compare(name: &str, frame: &Frame, truth: impl Fn(usize, usize) -> [f64; 3], t: &Tolerance) {
    assert_eq!((frame.width(), frame.height()), (WIDTH, HEIGHT), "{name}");
    let (mut largest, mut sum, mut n) = (0.0f64, 0.0, 0.0);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            if t.lossy && x >= 32 && y >= 16 {
                continue;
            }
            let light = frame.rgb(x, y);
            for (got, drawn) in light.iter().zip(truth(x, y)) {
                let off = (f64::from(*got) - drawn).abs();
                largest = largest.max(off);
                sum += off * off;
                n += 1.0;
            }
        }
    }
    let rms = (sum / n).sqrt();
    println!("{name}: largest {largest:.6}, rms {rms:.6}");
    assert!(largest <= t.largest, "{name}: off by {largest}");
    assert!(rms <= t.rms, "{name}: rms {rms}");
    // One pixel inside the patch everything is clipped, outside nothing is.
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let clipped = frame.clipped(x, y);
            if (49..63).contains(&x) && (33..47).contains(&y) {
                assert_eq!(clipped, [true; 3], "{name}: ({x}, {y})");
            } else if !(x >= 44 && y >= 28) {
                assert_eq!(clipped, [false; 3], "{name}: ({x}, {y})");
            }
        }
    }
}

fn check(name: &str, tolerance: &Tolerance) {
    let bytes = read(name);
    let (decoded_facts, frame) =
        decode(&bytes, LIMIT).unwrap_or_else(|e| panic!("{name} was refused: {e}"));
    assert_eq!(decoded_facts, facts(&bytes), "{name}");
    compare(name, &frame, drawn, tolerance);
}

fn refusal(name: &str) -> String {
    match decode(&read(name), LIMIT) {
        Err(Fault::Unreadable(text)) => text,
        Err(other) => panic!("{name}: {other:?}"),
        Ok(_) => panic!("{name} was read"),
    }
}

#[test]
fn every_jpeg_form_gives_the_drawn_light() {
    check("baseline-444.jpg", &lossy(0.0229, 0.0052));
    check("baseline-422.jpg", &lossy(0.0326, 0.0062));
    for name in [
        "baseline-420.jpg",
        "progressive.jpg",
        "restart.jpg",
        "optimised.jpg",
    ] {
        check(name, &lossy(0.0365, 0.0071));
    }
    check("upright-chroma.jpg", &lossy(0.0367, 0.0068));
    check("wide-chroma.jpg", &lossy(0.0770, 0.0197));
    check("rgb-coded.jpg", &lossy(0.0110, 0.0024));
}

#[test]
fn a_jpeg_with_a_profile_of_its_own_gives_the_drawn_light() {
    check("display-p3.jpg", &lossy(0.0229, 0.0052));
    check("gamma.jpg", &lossy(0.0229, 0.0052));
}

#[test]
fn of_a_jpeg_with_more_in_it_the_still_is_read() {
    check("two-pictures.mpo", &lossy(0.0229, 0.0052));
    check("motion.jpg", &lossy(0.0365, 0.0071));
}

#[test]
fn a_grey_jpeg_gives_three_equal_channels() {
    let (_, frame) = decode(&read("grey.jpg"), LIMIT).expect("a picture");
    compare(
        "grey.jpg",
        &frame,
        |x, y| [drawn(x, y)[1]; 3],
        &lossy(0.0110, 0.0025),
    );
}

#[test]
fn lossless_forms_of_eight_bits_are_right_to_half_a_code() {
    for name in [
        "scene.png",
        "alpha.png",
        "raw-8.tif",
        "planar-8.tif",
        "lossless.webp",
    ] {
        check(name, &EIGHT_BITS);
    }
}

#[test]
fn forms_of_sixteen_bits_are_right_to_half_a_code() {
    for name in [
        "rgb-16.png",
        "interlaced-16.png",
        "lzw-16.tif",
        "zip-16-msb.tif",
        "linear-16.tif",
    ] {
        check(name, &SIXTEEN_BITS);
    }
    let (_, frame) = decode(&read("grey-16.png"), LIMIT).expect("a picture");
    let truth = |x, y| [drawn(x, y)[1]; 3];
    compare("grey-16.png", &frame, truth, &SIXTEEN_BITS);
}

#[test]
fn lossy_webp_gives_the_drawn_light() {
    check("lossy.webp", &lossy(0.0618, 0.0094));
}

#[cfg(feature = "heic")]
#[test]
fn heic_gives_the_drawn_light() {
    check("plain.heic", &lossy(0.0447, 0.0136));
    check("display-p3.heic", &lossy(0.0209, 0.0041));
    check("ten-bits.heic", &lossy(0.0197, 0.0035));
}

#[test]
fn a_turned_jpeg_is_read_upright_with_its_facts() {
    check("turned.jpg", &lossy(0.0229, 0.0052));
    let facts = facts(&read("turned.jpg"));
    assert_eq!(facts.orientation, 6);
    assert_eq!((facts.width, facts.height), (WIDTH, HEIGHT));
    assert_eq!(facts.make.as_deref(), Some("Harbour Works"));
    assert_eq!(facts.exposure_s, Some(0.02));
    assert_eq!(facts.iso, Some(200.0));
    assert_eq!(facts.focal_35mm, Some(26.0));
    let taken = facts.taken.expect("a time").to_string();
    assert_eq!(taken, "2025-11-04T18:30:05");
}

#[cfg(feature = "heic")]
#[test]
fn a_turned_heic_is_turned_once() {
    check("turned.heic", &lossy(0.0262, 0.0042));
    check("mirrored.heic", &lossy(0.0262, 0.0042));
    let facts = facts(&read("turned.heic"));
    assert_eq!(facts.make.as_deref(), Some("Harbour Works"));
    assert_eq!(facts.orientation, 1);
}

#[cfg(not(feature = "heic"))]
#[test]
fn without_heic_the_camera_setting_is_named() {
    assert!(refusal("plain.heic").contains("set the phone's camera to JPEG"));
}

#[test]
fn forms_that_cannot_be_measured_are_refused_with_a_word() {
    for (name, word) in [
        ("cmyk.jpg", "CMYK"),
        ("cmyk.tif", "CMYK"),
        ("arithmetic.jpg", "arithmetic"),
        ("other.avif", "AVIF"),
    ] {
        let text = refusal(name);
        assert!(text.contains(word), "{name}: {text}");
        assert!(text.contains("upload"), "{name} has no remedy: {text}");
    }
}

#[test]
fn a_hole_in_any_scan_of_a_progressive_jpeg_is_found() {
    let whole = read("noise.jpg");
    assert!(decode(&whole, LIMIT).is_ok());
    let first_scan = whole
        .windows(2)
        .position(|pair| pair == [0xff, 0xda])
        .expect("a scan");
    let (mut missed, mut n) = (Vec::new(), 0);
    for at in (first_scan + 14..whole.len() - 1500).step_by(67) {
        let mut bytes = whole.clone();
        bytes[at..at + 600].fill(0);
        n += 1;
        if decode(&bytes, LIMIT).is_ok() {
            missed.push(at);
        }
    }
    assert!(n > 100, "{n} holes of {} bytes", whole.len());
    assert_eq!(missed, Vec::<usize>::new(), "of {} bytes", whole.len());
}

#[test]
fn no_file_of_the_set_is_left_untested() {
    let source = include_str!("main.rs");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/decoded/files");
    for entry in std::fs::read_dir(folder).expect("the files") {
        let name = entry.expect("an entry").file_name();
        let name = name.to_string_lossy();
        if !matches!(&*name, "make.py" | "README.md") {
            assert!(
                source.contains(&format!("\"{name}\"")),
                "{name} is not tested"
            );
        }
    }
}
