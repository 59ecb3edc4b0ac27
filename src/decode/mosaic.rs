//! Raw samples as a child process hands them over (`src/run/raw.rs`): one colour a pixel, as the sensor saw it, or three.
//! Linear light, no tone curve, no white balance, true clipping.
//!
//! A pixel's own sample stays where it is and as it is. The two colours that it lacks are the means of its nearest
//! neighbours of that colour, which lie evenly around it: no line moves by that.

use std::io::{self, Read, Write};
use std::sync::Arc;

use super::picture::{Codes, Fault, Picture, Turn, too_large};
use super::reduce::Rows;
use crate::frame::Orientation;

/// First bytes of what is handed over.
const MAGIC: [u8; 8] = *b"slitraw1";

/// The code of light 0. Below it is noise under the black level: were that cut off, the dark would seem brighter than it is.
const BLACK_CODE: u16 = 8192;

/// The code of a sample at the sensor's ceiling.
const CLIPPED: u16 = u16::MAX;

/// What stands before the samples.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Header {
    pub(super) width: u32,
    pub(super) height: u32,
    /// Exif's numbers.
    pub(super) orientation: u8,
    /// Colours of the first two pixels of the first two rows, 0, 1, 2 for red, green, blue; absent where each pixel has
    /// all three.
    pub(super) pattern: Option<[u8; 4]>,
}

impl Header {
    fn channels(&self) -> usize {
        if self.pattern.is_some() { 1 } else { 3 }
    }

    /// Writes the header, as the process that unpacks raw files hands it over.
    pub(super) fn write(&self, out: &mut impl Write) -> io::Result<()> {
        out.write_all(&MAGIC)?;
        out.write_all(&self.width.to_le_bytes())?;
        out.write_all(&self.height.to_le_bytes())?;
        out.write_all(&[self.orientation, self.pattern.is_some().into()])?;
        out.write_all(&self.pattern.unwrap_or_default())
    }

    fn read(from: &mut impl Read) -> io::Result<Header> {
        let mut bytes = [0; 22];
        from.read_exact(&mut bytes)?;
        let number = |at: usize| {
            u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]])
        };
        let pattern = [bytes[18], bytes[19], bytes[20], bytes[21]];
        let is_sound = bytes.starts_with(&MAGIC) && pattern.iter().all(|colour| *colour < 3);
        is_sound
            .then(|| Header {
                width: number(8),
                height: number(12),
                orientation: bytes[16],
                pattern: (bytes[17] != 0).then_some(pattern),
            })
            .ok_or_else(|| io::Error::from(io::ErrorKind::InvalidData))
    }
}

/// The code of a sample: the square root of its light, so that the steps are finest in the dark; of either sign.
pub(super) fn code(light: f32, is_clipped: bool) -> u16 {
    if is_clipped {
        return CLIPPED;
    }
    let span = f32::from(CLIPPED - 1 - BLACK_CODE);
    let root = light.abs().sqrt().copysign(light);
    (f32::from(BLACK_CODE) + span * root)
        .round()
        .clamp(0.0, f32::from(CLIPPED - 1)) as u16
}

/// Light by [`code`].
fn table() -> Arc<[f32]> {
    let span = f32::from(CLIPPED - 1 - BLACK_CODE);
    (0..=u16::MAX)
        .map(|code| {
            let root = ((f32::from(code) - f32::from(BLACK_CODE)) / span).min(1.0);
            root * root.abs()
        })
        .collect()
}

/// Takes in what the child wrote, row by row.
pub(super) fn picture(mut from: impl Read, max_pixels: u64) -> Result<Picture, Fault> {
    let ended = |_: io::Error| {
        Fault::unreadable(
            "this raw file is so damaged that its decoder gave up: upload the photo again, or the JPEG of the same shot",
        )
    };
    let header = Header::read(&mut from).map_err(ended)?;
    too_large(header.width.into(), header.height.into(), max_pixels)?;
    let (width, height) = (header.width as usize, header.height as usize);
    let codes = Codes {
        linear: table(),
        ceiling: CLIPPED,
    };
    let mut rows = Rows::<u16>::new(width, height, &codes);
    let mut bytes = vec![0; 2 * header.channels() * width];
    let mut next_row = |y: usize| -> Result<Option<Vec<u16>>, Fault> {
        if y >= height {
            return Ok(None);
        }
        from.read_exact(&mut bytes).map_err(ended)?;
        let pairs = bytes.chunks_exact(2);
        Ok(Some(
            pairs.map(|b| u16::from_le_bytes([b[0], b[1]])).collect(),
        ))
    };
    match header.pattern {
        None => {
            for y in 0..height {
                if let Some(row) = next_row(y)? {
                    rows.row(&row, 3);
                }
            }
        }
        Some(pattern) => {
            let mut above = None;
            let mut own = next_row(0)?.unwrap_or_default();
            let mut out = vec![0; 3 * width];
            for y in 0..height {
                let below = next_row(y + 1)?;
                let near = [above.as_deref(), Some(&own[..]), below.as_deref()];
                fill_in(near, pattern, y, &codes.linear, &mut out);
                rows.row(&out, 3);
                above = Some(std::mem::replace(&mut own, below.unwrap_or_default()));
            }
        }
    }
    let picture = rows.finish();
    let picture = picture.ok_or_else(|| ended(io::ErrorKind::UnexpectedEof.into()))?;
    Ok(Picture {
        turn: Turn::AsContainer(Orientation::from_exif(header.orientation.into())),
        ..picture
    })
}

/// All three colours of row `y`; `near` are the row above, the row itself and the row below.
fn fill_in(near: [Option<&[u16]>; 3], pattern: [u8; 4], y: usize, linear: &[f32], out: &mut [u16]) {
    let own = near[1].unwrap_or_default();
    let colour = |x: usize, row: usize| pattern[2 * (row % 2) + x % 2];
    for (x, pixel) in out.chunks_exact_mut(3).enumerate() {
        let (mut sums, mut counts, mut clips) = ([0.0f32; 3], [0.0f32; 3], [false; 3]);
        for (i, row) in near.iter().enumerate() {
            let Some(row) = row else { continue };
            let first = x.saturating_sub(1);
            for (k, &code) in row[first..(x + 2).min(row.len())].iter().enumerate() {
                // `y + 1 + i` has the parity of the row above, its own, the row below.
                let c = usize::from(colour(first + k, y + 1 + i));
                sums[c] += linear[usize::from(code)];
                counts[c] += 1.0;
                clips[c] |= code == CLIPPED;
            }
        }
        for (c, value) in pixel.iter_mut().enumerate() {
            *value = if c == usize::from(colour(x, y)) {
                own[x]
            } else {
                code(sums[c] / counts[c].max(1.0), clips[c])
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::Samples;

    fn handed_over(header: &Header, codes: &[u16]) -> Vec<u8> {
        let mut bytes = Vec::new();
        header.write(&mut bytes).expect("memory");
        bytes.extend(codes.iter().flat_map(|c| c.to_le_bytes()));
        bytes
    }

    const GRBG: [u8; 4] = [1, 0, 2, 1];

    #[test]
    fn samples_stay_where_they_are_and_what_is_missing_lies_between_its_neighbours() {
        // Light that rises evenly to the right and down is the same in every colour, and so must be what is filled in.
        let (width, height) = (8, 6);
        let light = |x: usize, y: usize| 0.02 * x as f32 + 0.03 * y as f32 + 0.05;
        let header = Header {
            width: width as u32,
            height: height as u32,
            orientation: 1,
            pattern: Some(GRBG),
        };
        let codes: Vec<u16> = (0..width * height)
            .map(|i| code(light(i % width, i / width), false))
            .collect();
        let picture = picture(&handed_over(&header, &codes)[..], 1000).expect("a picture");
        let Samples::U16(samples) = &picture.samples else {
            panic!("raw samples have 16 bits");
        };
        for y in 1..height - 1 {
            for x in 1..width - 1 {
                for c in 0..3 {
                    let got = picture.codes.linear[usize::from(samples[3 * (y * width + x) + c])];
                    let off = got - light(x, y);
                    assert!(off.abs() < 1e-4, "({x}, {y}) colour {c}: {off}");
                }
                let own = usize::from(GRBG[2 * (y % 2) + x % 2]);
                assert_eq!(samples[3 * (y * width + x) + own], codes[y * width + x]);
            }
        }
    }

    #[test]
    fn what_is_filled_in_from_a_clipped_sample_is_clipped() {
        let header = Header {
            width: 6,
            height: 6,
            orientation: 6,
            pattern: Some(GRBG),
        };
        let mut codes = vec![code(0.3, false); 36];
        // (3, 2) is red.
        codes[2 * 6 + 3] = CLIPPED;
        let picture = picture(&handed_over(&header, &codes)[..], 1000).expect("a picture");
        let Samples::U16(samples) = &picture.samples else {
            panic!("raw samples have 16 bits");
        };
        for y in 0..6usize {
            for x in 0..6usize {
                let near = x.abs_diff(3) <= 1 && y.abs_diff(2) <= 1;
                let pixel = &samples[3 * (y * 6 + x)..][..3];
                assert_eq!(pixel[0] >= picture.codes.ceiling, near, "({x}, {y})");
                assert!(pixel[1] < CLIPPED && pixel[2] < CLIPPED);
            }
        }
        assert_eq!(picture.turn, Turn::AsContainer(Orientation::from_exif(6)));
    }

    #[test]
    fn codes_hold_noise_of_either_sign() {
        let table = table();
        for light in [-0.015f32, -0.0001, 0.0, 0.0001, 0.01, 0.5, 0.999] {
            let got = table[usize::from(code(light, false))];
            assert!((got - light).abs() < 5e-5, "{light}: {got}");
        }
        assert_eq!(table[usize::from(CLIPPED)], 1.0);
        assert!(code(7.0, false) < CLIPPED);
    }

    #[test]
    fn a_child_that_died_half_way_is_a_fault_and_no_picture() {
        let header = Header {
            width: 6,
            height: 6,
            orientation: 1,
            pattern: None,
        };
        let whole = handed_over(&header, &[0; 108]);
        assert!(picture(&whole[..], 1000).is_ok());
        for end in 0..whole.len() {
            assert!(picture(&whole[..end], 1000).is_err(), "{end} bytes");
        }
        assert!(matches!(picture(&whole[..], 35), Err(Fault::TooLarge(_))));
        assert!(picture(&b"slitraw2aaaaaaaaaaaaaa"[..], 1000).is_err());
    }
}
