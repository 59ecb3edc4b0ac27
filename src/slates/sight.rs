//! Is there a slate in a photo, and what does it say? The photo is reduced, made black and white by what lies round each place,
//! and searched for the three corners of a square (ISO/IEC 18004, finder patterns): without three there is no slate.
//!
//! The steps are rxing's. Of the two libraries that were compared on two hundred drawn cards, reduced to 1000 px, rqrr read 164 in
//! 45 ms each and rxing 187 in 8 ms; none was read wrongly. Most of what rxing missed were cards tilted along their diagonal, of
//! which it took the wrong corner for the middle one. Each corner is tried here: 398 of 400 are then read.

use std::panic::{AssertUnwindSafe, catch_unwind};

use rxing::common::cpp_essentials::ConcentricPattern;
use rxing::common::{BitMatrix, DetectorRXingResult, HybridBinarizer};
use rxing::qrcode::cpp_port::decoder::Decode;
use rxing::qrcode::cpp_port::detector::{FindFinderPatterns, FinderPatternSet, SampleQR};
use rxing::{Binarizer, Luma8LuminanceSource};

use super::slate::{NoSlate, Slate};
use crate::frame::Frame;
use crate::terms::SlateSeen;

/// What is seen of slates in a photo.
#[derive(Clone, Debug, PartialEq)]
pub enum Sighting {
    /// No slate, and nothing like one.
    None,
    /// One that was read.
    Read(Slate),
    /// One that is there and cannot be read, or says nothing that is understood; why.
    Unread(String),
}

impl Sighting {
    /// What was seen of a slate, in the form in which it is kept with what else was seen in the photo; absent where there is none.
    pub fn kept(&self) -> Option<SlateSeen> {
        match self {
            Sighting::None => None,
            Sighting::Read(slate) => Some(SlateSeen::Read(slate.text())),
            Sighting::Unread(why) => Some(SlateSeen::Unread(why.clone())),
        }
    }

    /// What was seen of a slate, read back from the form in which it is kept.
    pub fn recalled(kept: Option<&SlateSeen>) -> Sighting {
        match kept {
            None => Sighting::None,
            Some(SlateSeen::Unread(why)) => Sighting::Unread(why.clone()),
            Some(SlateSeen::Read(text)) => match Slate::parse(text) {
                Ok(slate) => Sighting::Read(slate),
                Err(why) => Sighting::Unread(why.to_string()),
            },
        }
    }
}

/// Long side of the reduced picture in which slates are looked for, px. A card of a fifth of the picture's height, tilted by 40°,
/// has modules of 2.5 px there, which is what reading takes; twice as many pixels take four times as long.
const LONG_SIDE_PX: usize = 800;
/// Where corners are seen and nothing is read, the picture is reduced to these in turn: finer for what is small, coarser for
/// what is grainy.
const OTHER_SIDES_PX: [usize; 4] = [1000, 1350, 2000, 650];
/// Samples to a side that are read of each cell of the reduced picture: enough against the grain, and quick.
const SAMPLES: usize = 2;
/// Of more corners than this only the largest are looked at: some hundred threes, of which each costs as much as a reading.
const MOST_CORNERS: usize = 10;
/// Of three corners of one square the largest is at most so many times as large as the smallest: near and far edge of a card that
/// is tilted by 40° and fills the picture.
const SIZES_APART: i32 = 2;

/// What is seen of slates in a photo.
///
/// Takes a few milliseconds where nothing is like one.
pub fn look(frame: &Frame) -> Sighting {
    // The library says of itself that it may panic. A photo that is none of its business must not be lost by that.
    let seen = |long_side_px| {
        let seen = catch_unwind(AssertUnwindSafe(|| seen_at(frame, long_side_px)));
        seen.unwrap_or_default()
    };
    let mut best = seen(LONG_SIDE_PX);
    // Grain and blur spoil a corner at times: two are worth one closer look, and a square is worth all of them.
    if best.corners < 2 {
        return Sighting::None;
    }
    for (i, side_px) in OTHER_SIDES_PX.into_iter().enumerate() {
        if best.texts.is_empty() && (i == 0 || best.is_square) {
            let closer = seen(side_px);
            best.is_square |= closer.is_square;
            best.texts = closer.texts;
        }
    }
    if !best.is_square && best.texts.is_empty() {
        return Sighting::None;
    }
    judged(&best.texts)
}

/// What the codes that were read in one photo mean together.
fn judged(texts: &[String]) -> Sighting {
    if texts.is_empty() {
        return Sighting::Unread("a slate whose code cannot be read".to_owned());
    }
    let mut ours: Vec<Result<Slate, NoSlate>> = texts
        .iter()
        .map(|text| Slate::parse(text))
        .filter(|read| *read != Err(NoSlate::Foreign))
        .collect();
    ours.dedup();
    match &ours[..] {
        [] => Sighting::None,
        [Ok(slate)] => Sighting::Read(slate.clone()),
        [Err(why)] => Sighting::Unread(why.to_string()),
        _ => Sighting::Unread("several slates at once: photograph one alone".to_owned()),
    }
}

/// What is seen in a picture of one size.
#[derive(Debug, Default)]
struct Seen {
    /// How many corners.
    corners: usize,
    /// Three corners that lie like those of a square.
    is_square: bool,
    /// The codes that were read, each once.
    texts: Vec<String>,
}

fn seen_at(frame: &Frame, long_side_px: usize) -> Seen {
    let mut seen = Seen::default();
    let Some(reduced) = Reduced::of(frame, long_side_px) else {
        return seen;
    };
    let (width, height) = (reduced.width as u32, reduced.height as u32);
    let Ok(source) = Luma8LuminanceSource::new(reduced.shades, width, height) else {
        return seen;
    };
    let binarizer = HybridBinarizer::new(source);
    let Ok(picture) = binarizer.get_black_matrix() else {
        return seen;
    };
    let mut corners = FindFinderPatterns(picture, false, 0);
    seen.corners = corners.len();
    corners.sort_by_key(|corner| std::cmp::Reverse(corner.size));
    corners.truncate(MOST_CORNERS);
    let mut used: Vec<ConcentricPattern> = Vec::new();
    for three in threes(&corners) {
        if three.iter().any(|corner| used.contains(corner)) {
            continue;
        }
        seen.is_square |= is_square(&three);
        if let Some(text) = read(picture, &three) {
            used.extend(three);
            if !seen.texts.contains(&text) {
                seen.texts.push(text);
            }
        }
    }
    seen
}

/// Every three of the corners, which are sorted by size, that may belong together.
fn threes(corners: &[ConcentricPattern]) -> impl Iterator<Item = [ConcentricPattern; 3]> {
    let n = corners.len();
    let indices =
        (0..n).flat_map(move |i| (i + 1..n).flat_map(move |j| (j + 1..n).map(move |k| [i, j, k])));
    indices
        .map(|indices| indices.map(|i| corners[i]))
        .filter(|[largest, _, smallest]| largest.size <= SIZES_APART * smallest.size)
}

/// Smallest and largest distance of two corners of a square, in sizes of a corner (7 modules): between the middles lie 14 modules in
/// the smallest square and 170 in the largest, foreshortened or along the diagonal. Slates have 18 to 34.
const CORNERS_APART: std::ops::RangeInclusive<f32> = 1.2..=9.0;
/// The smallest angle of a triangle of three corners: half a right angle, foreshortened by 50° along either side.
const SMALLEST_ANGLE_DEG: f32 = 20.0;

/// True where three corners lie like those of a square that is seen at a slant.
fn is_square(three: &[ConcentricPattern; 3]) -> bool {
    let size = three.iter().map(|corner| corner.size as f32).sum::<f32>() / 3.0;
    (0..3).all(|i| {
        let [here, one, other] = [0, 1, 2].map(|k| three[(i + k) % 3]);
        let (to_one, to_other) = (one - here, other - here);
        let angle_deg = to_one
            .cross(to_other)
            .abs()
            .atan2(to_one.dot(to_other))
            .to_degrees();
        CORNERS_APART.contains(&(one.distance(here) / size)) && angle_deg >= SMALLEST_ANGLE_DEG
    })
}

/// What is read of the square with these corners, whichever of them is the middle one.
fn read(picture: &BitMatrix, three: &[ConcentricPattern; 3]) -> Option<String> {
    (0..3).find_map(|i| {
        let [mut bl, tl, mut tr] = [0, 1, 2].map(|k| three[(i + k) % 3]);
        if (tr - tl).cross(bl - tl) < 0.0 {
            std::mem::swap(&mut bl, &mut tr);
        }
        let sampled = SampleQR(picture, &FinderPatternSet { bl, tl, tr }).ok()?;
        let decoded = Decode(sampled.getBits()).ok()?;
        // Slates are ASCII; what is not is somebody else's.
        let bytes = decoded.content().bytes();
        let is_whole = decoded.isValid() && !bytes.is_empty();
        is_whole.then(|| String::from_utf8_lossy(bytes).into_owned())
    })
}

/// A photo reduced to shades of grey.
struct Reduced {
    width: usize,
    height: usize,
    /// 0 black to 255 white, as the square root of the light, row by row: as even steps as eyes see.
    shades: Vec<u8>,
}

impl Reduced {
    /// The photo in square cells, so that its long side has about `long_side_px`. None for what is too small to hold a slate.
    fn of(frame: &Frame, long_side_px: usize) -> Option<Reduced> {
        let (w, h) = (frame.width(), frame.height());
        let cell = ((w.max(h) as f64 / long_side_px as f64).round() as usize).max(1);
        let (width, height) = (w / cell, h / cell);
        if width.min(height) < SMALLEST_PX {
            return None;
        }
        // Green: the channel with the least grain.
        let shade_of: Vec<u32> = frame
            .linear_table()
            .iter()
            .map(|light| (255.0 * light.clamp(0.0, 1.0).sqrt() + 0.5) as u32)
            .collect();
        let samples = SAMPLES.min(cell);
        let n = (samples * samples) as u32;
        let offsets = (0..samples).map(|i| (2 * i + 1) * cell / (2 * samples));
        let (lines, length) = match frame.runs_down() {
            true => (width, height),
            false => (height, width),
        };
        let along: Vec<usize> = (0..length)
            .flat_map(|i| offsets.clone().map(move |offset| i * cell + offset))
            .collect();
        let mut codes = vec![0; along.len()];
        let mut sums = vec![0u32; length];
        let mut shades = vec![0; width * height];
        for line in 0..lines {
            sums.fill(0);
            for offset in offsets.clone() {
                frame.greens(line * cell + offset, &along, &mut codes);
                for (sum, codes) in sums.iter_mut().zip(codes.chunks_exact(samples)) {
                    for code in codes {
                        *sum += shade_of[usize::from(*code)];
                    }
                }
            }
            let (from, step) = match frame.runs_down() {
                true => (line, width),
                false => (line * width, 1),
            };
            for (out, sum) in shades[from..].iter_mut().step_by(step).zip(&sums) {
                *out = (sum / n) as u8;
            }
        }
        Some(Reduced {
            width,
            height,
            shades,
        })
    }
}

/// Less than this has no room for a square of three pixels a module, px.
const SMALLEST_PX: usize = 64;

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::super::{Square, What};
    use super::*;
    use crate::frame::{Orientation, Samples};
    use crate::terms::srgb_light;

    /// A picture of one shade with squares on it, each at its place with so many px a module.
    fn picture(squares: &[(&Square, usize, usize, usize)]) -> Frame {
        let (width, height) = (1600, 1200);
        let mut samples = vec![200u8; 3 * width * height];
        for (square, left, top, module_px) in squares {
            for y in 0..square.side * module_px {
                for x in 0..square.side * module_px {
                    if square.dark[y / module_px * square.side + x / module_px] {
                        let at = 3 * ((top + y) * width + left + x);
                        samples[at..at + 3].fill(30);
                    }
                }
            }
        }
        let linear: Arc<[f32]> = (0..256)
            .map(|i| srgb_light(f64::from(i) / 255.0) as f32)
            .collect();
        Frame::new(
            Samples::U8(samples),
            width,
            height,
            Orientation::UPRIGHT,
            linear,
            255,
        )
    }

    fn foreign(text: &str) -> Square {
        let code = qrcode::QrCode::new(text).expect("a short text");
        Square {
            side: code.width(),
            dark: code
                .into_colors()
                .into_iter()
                .map(|c| c == qrcode::Color::Dark)
                .collect(),
        }
    }

    #[test]
    fn a_slate_is_read_and_nothing_is_seen_where_there_is_none() {
        let slate = Slate::of(What::Sample(Some("quay-lamp".to_owned())));
        let square = Square::of(&slate).expect("a short text");
        let seen = look(&picture(&[(&square, 300, 200, 8)]));
        assert_eq!(seen, Sighting::Read(slate));
        assert_eq!(look(&picture(&[])), Sighting::None);
    }

    #[test]
    fn somebody_else_s_code_is_no_slate_not_even_beside_one() {
        let poster = foreign("https://example.org/the-school-s-own-page");
        assert_eq!(look(&picture(&[(&poster, 300, 200, 8)])), Sighting::None);
        let slate = Slate::of(What::Blank);
        let square = Square::of(&slate).expect("a short text");
        let both = picture(&[(&poster, 100, 100, 8), (&square, 800, 500, 8)]);
        assert_eq!(look(&both), Sighting::Read(slate));
    }

    #[test]
    fn two_slates_in_one_photo_say_nothing_unless_they_say_the_same() {
        let blank = Square::of(&Slate::of(What::Blank)).expect("a short text");
        let dark = Square::of(&Slate::of(What::Dark)).expect("a short text");
        let sheet = look(&picture(&[(&blank, 100, 100, 8), (&dark, 800, 500, 8)]));
        assert!(
            matches!(&sheet, Sighting::Unread(why) if why.starts_with("several slates")),
            "{sheet:?}"
        );
        let twice = look(&picture(&[(&blank, 100, 100, 8), (&blank, 800, 500, 8)]));
        assert_eq!(twice, Sighting::Read(Slate::of(What::Blank)));
    }

    #[test]
    fn what_was_seen_is_kept_and_read_back() {
        let read = Sighting::Read(Slate::of(What::Sample(Some("quay-lamp".to_owned()))));
        let unread = Sighting::Unread("a slate whose code cannot be read".to_owned());
        for seen in [Sighting::None, read, unread] {
            assert_eq!(Sighting::recalled(seen.kept().as_ref()), seen);
        }
    }

    #[test]
    fn a_slate_that_cannot_be_read_is_seen() {
        let mut square = Square::of(&Slate::of(What::Dark)).expect("a short text");
        // A thumb over half of the square, but not over its corners.
        for y in 8..square.side {
            for x in 8..square.side {
                square.dark[y * square.side + x] = true;
            }
        }
        let seen = look(&picture(&[(&square, 300, 200, 8)]));
        assert!(matches!(seen, Sighting::Unread(_)), "{seen:?}");
        // A card of another version.
        let later = foreign("SLITWATCH7:LAMP:0000");
        let seen = look(&picture(&[(&later, 300, 200, 8)]));
        assert!(
            matches!(&seen, Sighting::Unread(why) if why.contains("version 7")),
            "{seen:?}"
        );
    }
}
