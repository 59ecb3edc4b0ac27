//! Pictures of more pixels than a sensor resolves (48 to 200 megapixels), made smaller while they are decoded, a row at
//! a time: their memory is that of a picture of 8 to 32 megapixels.
//!
//! Each cell of `by` × `by` pixels is its mean in linear light. A channel is clipped where any pixel of the cell is, which
//! a mean would hide, so that is kept apart from the samples.

use std::sync::Arc;

use super::{Picture, Turn};
use crate::frame::Samples;

/// Pictures of more pixels are reduced. Phones whose pixels each have a colour filter of their own end at 26 million;
/// those with more bin 2 × 2, 3 × 3 or 4 × 4 pixels of one colour, and what they deliver beyond is interpolated (common
/// practice, no source).
pub(super) const LARGEST_PIXELS: u64 = 32_000_000;

/// A reduced picture has at most so many pixels. 48, 50 and 64 million become a quarter, 108 a ninth, 200 a sixteenth: 12
/// to 16 million each, which are such phones' own smaller size and what the limits of the configuration are meant for.
const REDUCED_PIXELS: u64 = 17_000_000;

/// Pixels on the side of a cell: 1 for pictures that are kept as they are.
pub(super) fn factor(width: u64, height: u64) -> usize {
    let pixels = width.saturating_mul(height);
    if pixels <= LARGEST_PIXELS {
        return 1;
    }
    let mut by = 2;
    while pixels / (by * by) > REDUCED_PIXELS {
        by += 1;
    }
    by as usize
}

/// Bytes that a reduced picture of the given size takes: three 16-bit samples and the mask.
pub(super) fn reduced_bytes(width: u64, height: u64) -> u64 {
    let by = factor(width, height).max(2) as u64;
    (width / by) * (height / by) * 7
}

/// The code of a light in 0…1: its square root, so that the steps are equal shares of the noise that light itself has,
/// and finest in the dark.
fn code(light: f32) -> u16 {
    (f32::from(u16::MAX) * light.clamp(0.0, 1.0).sqrt()).round() as u16
}

/// Light by [`code`].
fn table() -> Arc<[f32]> {
    (0..=u16::MAX)
        .map(|code| (f32::from(code) / f32::from(u16::MAX)).powi(2))
        .collect()
}

/// Takes in a picture's rows from top to bottom, and makes the reduced picture of them.
///
/// What is over at the right and at the bottom, less than a cell, is left out.
pub(super) struct Reducer<'a> {
    by: usize,
    width: usize,
    cells_across: usize,
    /// Light by code, of the picture that comes in.
    linear: &'a [f32],
    ceiling_code: u16,
    /// Sums of the row of cells that is being filled.
    sums: Vec<[f32; 3]>,
    clips: Vec<u8>,
    rows_in: usize,
    samples: Vec<u16>,
    all_clips: Vec<u8>,
}

/// A sample of 8 or 16 bits.
pub(super) trait Sample: Copy {
    /// As a code.
    fn code(self) -> u16;
}

impl Sample for u8 {
    fn code(self) -> u16 {
        u16::from(self)
    }
}

impl Sample for u16 {
    fn code(self) -> u16 {
        self
    }
}

impl<'a> Reducer<'a> {
    /// For a picture of `width` × `height` pixels, with cells of `by` × `by`; `linear` has a value for every code.
    pub(super) fn new(
        width: usize,
        height: usize,
        by: usize,
        linear: &'a [f32],
        ceiling_code: u16,
    ) -> Reducer<'a> {
        let cells_across = width / by;
        let n = cells_across * (height / by);
        Reducer {
            by,
            width,
            cells_across,
            linear,
            ceiling_code,
            sums: vec![[0.0; 3]; cells_across],
            clips: vec![0; cells_across],
            rows_in: 0,
            samples: Vec::with_capacity(3 * n),
            all_clips: Vec::with_capacity(n),
        }
    }

    /// Takes in the next row, of `channels` interleaved samples a pixel: one or two are grey, three or four are red,
    /// green, blue; an even number ends with alpha, which is left out.
    ///
    /// # Panics
    /// If the row is shorter than the picture is wide.
    pub(super) fn row<T: Sample>(&mut self, row: &[T], channels: usize) {
        assert!(row.len() >= self.width * channels, "a whole row");
        let is_grey = channels < 3;
        let cells = row.chunks_exact(self.by * channels);
        for ((cell, sums), clips) in cells.zip(&mut self.sums).zip(&mut self.clips) {
            for pixel in cell.chunks_exact(channels) {
                for (channel, sum) in sums.iter_mut().enumerate() {
                    let code = pixel[if is_grey { 0 } else { channel }].code();
                    *sum += self.linear[usize::from(code)];
                    *clips |= u8::from(code >= self.ceiling_code) << channel;
                }
            }
        }
        self.rows_in += 1;
        if self.rows_in.is_multiple_of(self.by) {
            let share = 1.0 / (self.by * self.by) as f32;
            for sums in &mut self.sums {
                self.samples.extend(sums.map(|sum| code(sum * share)));
                *sums = [0.0; 3];
            }
            self.all_clips.extend_from_slice(&self.clips);
            self.clips.fill(0);
        }
    }

    /// The reduced picture of the rows so far; what never came is missing at its foot.
    pub(super) fn finish(self) -> Picture {
        Picture {
            width: self.cells_across,
            height: self.all_clips.len() / self.cells_across.max(1),
            samples: Samples::U16(self.samples),
            linear: table(),
            // A mean is at full scale only where all of it is, and then the mask says so.
            ceiling_code: u16::MAX,
            hidden_clips: Some(self.all_clips),
            turn: Turn::AsExif,
        }
    }
}

/// Takes in a picture's rows, and keeps them as they are or reduced.
pub(super) enum Rows<'a> {
    /// Samples of 8 bits, kept.
    Whole8(Vec<u8>),
    /// Samples of 16 bits, kept.
    Whole16(Vec<u16>),
    /// Reduced.
    Reduced(Reducer<'a>),
}

impl<'a> Rows<'a> {
    /// For a picture of `width` × `height` pixels whose codes mean the light of `linear`, which tells by its length whether
    /// they have 8 or 16 bits.
    pub(super) fn new(
        width: usize,
        height: usize,
        linear: &'a [f32],
        ceiling_code: u16,
    ) -> Rows<'a> {
        let n = 3 * width * height;
        match (factor(width as u64, height as u64), linear.len()) {
            (1, ..=256) => Rows::Whole8(Vec::with_capacity(n)),
            (1, _) => Rows::Whole16(Vec::with_capacity(n)),
            (by, _) => Rows::Reduced(Reducer::new(width, height, by, linear, ceiling_code)),
        }
    }

    /// Takes in the next row; see [`Reducer::row`]. Rows of the other depth than was announced are left out.
    pub(super) fn row_8(&mut self, row: &[u8], channels: usize) {
        match self {
            Rows::Whole8(samples) => keep(samples, row, channels),
            Rows::Whole16(_) => {}
            Rows::Reduced(reducer) => reducer.row(row, channels),
        }
    }

    /// As [`Rows::row_8`].
    pub(super) fn row_16(&mut self, row: &[u16], channels: usize) {
        match self {
            Rows::Whole8(_) => {}
            Rows::Whole16(samples) => keep(samples, row, channels),
            Rows::Reduced(reducer) => reducer.row(row, channels),
        }
    }

    /// The picture of all rows; absent where some never came.
    pub(super) fn finish(
        self,
        (width, height): (usize, usize),
        linear: &Arc<[f32]>,
        ceiling_code: u16,
    ) -> Option<Picture> {
        let n = 3 * width * height;
        let samples = match self {
            Rows::Whole8(samples) => (samples.len() == n).then_some(Samples::U8(samples))?,
            Rows::Whole16(samples) => (samples.len() == n).then_some(Samples::U16(samples))?,
            Rows::Reduced(reducer) => {
                return (reducer.rows_in == height).then(|| reducer.finish());
            }
        };
        Some(Picture {
            samples,
            width,
            height,
            linear: linear.clone(),
            ceiling_code,
            hidden_clips: None,
            turn: Turn::AsExif,
        })
    }
}

fn keep<T: Copy>(samples: &mut Vec<T>, row: &[T], channels: usize) {
    match channels {
        1 | 2 => samples.extend(row.chunks_exact(channels).flat_map(|pixel| [pixel[0]; 3])),
        3 => samples.extend_from_slice(row),
        _ => samples.extend(row.chunks_exact(channels).flat_map(|p| [p[0], p[1], p[2]])),
    }
}

/// Reduces a picture that had to be decoded whole, where it has more pixels than are kept.
pub(super) fn reduced(picture: Picture) -> Picture {
    let (width, height) = (picture.width, picture.height);
    let by = factor(width as u64, height as u64);
    if by == 1 {
        return picture;
    }
    let mut reducer = Reducer::new(width, height, by, &picture.linear, picture.ceiling_code);
    match &picture.samples {
        Samples::U8(samples) => samples
            .chunks_exact(3 * width)
            .for_each(|row| reducer.row(row, 3)),
        Samples::U16(samples) => samples
            .chunks_exact(3 * width)
            .for_each(|row| reducer.row(row, 3)),
    }
    Picture {
        turn: picture.turn,
        ..reducer.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phones_large_sizes_become_their_small_ones() {
        // Sizes of 4:3 sensors in million pixels (from memory), and the cell's side.
        for (width, height, by, least, most) in [
            (4000, 3000, 1, 11.9, 12.1),
            (5712, 4284, 1, 24.4, 24.5),
            (8000, 6000, 2, 11.9, 12.1),
            (9280, 6944, 2, 16.0, 16.2),
            (12_000, 9000, 3, 11.9, 12.1),
            (16_320, 12_240, 4, 12.4, 12.6),
        ] {
            assert_eq!(factor(width, height), by, "{width} × {height}");
            let pixels = (width * height) as f64 / (by * by) as f64 / 1e6;
            assert!(
                (least..most).contains(&pixels),
                "{width} × {height}: {pixels}"
            );
        }
    }

    #[test]
    fn a_cell_is_the_mean_of_its_light_and_clipped_where_any_of_it_is() {
        // Codes are light in 255ths: 5 × 4 pixels, of which the last column is over.
        let linear: Vec<f32> = (0..256).map(|c| c as f32 / 255.0).collect();
        let mut reducer = Reducer::new(5, 4, 2, &linear, 250);
        let rows: [[u8; 5]; 4] = [
            [10, 20, 100, 100, 255],
            [30, 40, 100, 100, 255],
            [255, 0, 0, 0, 255],
            [0, 0, 0, 249, 255],
        ];
        for row in rows {
            // Green is the picture, red is dark, blue is at 200 all over.
            let pixels: Vec<u8> = row.iter().flat_map(|&g| [0, g, 200]).collect();
            reducer.row(&pixels, 3);
        }
        let picture = reducer.finish();
        assert_eq!((picture.width, picture.height), (2, 2));
        let Samples::U16(samples) = &picture.samples else {
            panic!("reduced pictures have 16 bits");
        };
        let light = |i: usize| 255.0 * picture.linear[usize::from(samples[i])];
        for (cell, green) in [25.0, 100.0, 255.0 / 4.0, 249.0 / 4.0]
            .into_iter()
            .enumerate()
        {
            assert_eq!(light(3 * cell), 0.0);
            assert!((light(3 * cell + 1) - green).abs() < 0.01, "cell {cell}");
            assert!((light(3 * cell + 2) - 200.0).abs() < 0.01, "cell {cell}");
        }
        assert_eq!(picture.hidden_clips, Some(vec![0, 0, 0b010, 0]));
    }

    #[test]
    fn grey_is_tripled_and_alpha_left_out() {
        let linear: Vec<f32> = (0..65536).map(|c| c as f32 / 65535.0).collect();
        for (channels, pixel, expected) in [
            (1, &[4000u16][..], [4000.0, 4000.0, 4000.0]),
            (2, &[4000, 65535], [4000.0, 4000.0, 4000.0]),
            (4, &[1000, 2000, 3000, 65535], [1000.0, 2000.0, 3000.0]),
        ] {
            let mut reducer = Reducer::new(3, 3, 3, &linear, 65535);
            for _ in 0..3 {
                reducer.row(&pixel.repeat(3), channels);
            }
            let picture = reducer.finish();
            let Samples::U16(samples) = &picture.samples else {
                panic!("reduced pictures have 16 bits");
            };
            for (code, expected) in samples.iter().zip(expected) {
                let light = 65535.0 * picture.linear[usize::from(*code)];
                assert!((light - expected).abs() < 2.0, "{channels}: {light}");
            }
            assert_eq!(picture.hidden_clips, Some(vec![0]));
        }
    }
}
