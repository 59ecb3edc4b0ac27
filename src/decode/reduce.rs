//! Pictures of more pixels than a sensor resolves (48 to 200 megapixels), made smaller while they are decoded, a row at
//! a time: their memory is that of a picture of 8 to 32 megapixels.
//!
//! Each cell of `by` × `by` pixels is its mean in linear light. A channel is clipped where any pixel of the cell is,
//! which a mean would hide, so that is kept apart from the samples.

use std::sync::Arc;

use super::picture::{Codes, Picture, Turn};
use crate::frame::Samples;

/// Pictures of more pixels are reduced. Phones whose pixels each have a colour filter of their own end at 26 million;
/// those with more bin 2 × 2, 3 × 3 or 4 × 4 pixels of one colour, and what they deliver beyond is interpolated (common
/// practice, no source).
pub(super) const LARGEST_PIXELS: u64 = 32_000_000;

/// A reduced picture has at most so many pixels. 48, 50 and 64 million become a quarter, 108 a ninth, 200 a sixteenth: 12
/// to 16 million each, which are such phones' own smaller size and what the limits of the configuration are meant for.
const REDUCED_PIXELS: u64 = 17_000_000;

/// Cells that are looked at together: whether all their pixels are the same is found faster than what each is.
const STRETCH_CELLS: usize = 16;

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

/// Bytes that the frame of a picture takes whose samples have `depth` bytes; of a reduced one, three 16-bit samples and
/// the mask.
pub(super) fn frame_bytes(width: u64, height: u64, depth: u64) -> u64 {
    match factor(width, height) as u64 {
        1 => (3 * depth).saturating_mul(width.saturating_mul(height)),
        by => (width / by).saturating_mul(height / by).saturating_mul(7),
    }
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
    /// Of the picture that comes in.
    codes: &'a Codes,
    /// Sums of the row of cells that is being filled.
    sums: Vec<[f32; 3]>,
    clips: Vec<u8>,
    rows_in: usize,
    samples: Vec<u16>,
    all_clips: Vec<u8>,
}

/// A sample of 8 or 16 bits.
pub(super) trait Sample: Copy + PartialEq {
    /// As a code.
    fn code(self) -> u16;

    /// As a frame keeps them.
    fn samples(all: Vec<Self>) -> Samples;
}

impl Sample for u8 {
    fn code(self) -> u16 {
        u16::from(self)
    }

    fn samples(all: Vec<u8>) -> Samples {
        Samples::U8(all)
    }
}

impl Sample for u16 {
    fn code(self) -> u16 {
        self
    }

    fn samples(all: Vec<u16>) -> Samples {
        Samples::U16(all)
    }
}

impl<'a> Reducer<'a> {
    /// For a picture of `width` × `height` pixels, with cells of `by` × `by`.
    pub(super) fn new(width: usize, height: usize, by: usize, codes: &'a Codes) -> Reducer<'a> {
        let cells_across = width / by;
        let n = cells_across * (height / by);
        Reducer {
            by,
            width,
            cells_across,
            codes,
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
        let codes = self.codes;
        let read = |pixel: &[T]| -> ([f32; 3], u8) {
            let codes_of = |c: usize| pixel[if is_grey { 0 } else { c }].code();
            let three = [codes_of(0), codes_of(1), codes_of(2)];
            let clips = three.iter().enumerate().fold(0, |clips, (channel, code)| {
                clips | u8::from(*code >= codes.ceiling) << channel
            });
            (three.map(|code| codes.linear[usize::from(code)]), clips)
        };
        let add = |sums: &mut [f32; 3], light: [f32; 3]| {
            sums.iter_mut()
                .zip(light)
                .for_each(|(sum, one)| *sum += one);
        };
        let stretches = row[..self.cells_across * self.by * channels]
            .chunks(STRETCH_CELLS * self.by * channels);
        let sums = self.sums.chunks_mut(STRETCH_CELLS);
        let clips = self.clips.chunks_mut(STRETCH_CELLS);
        for ((stretch, sums), clips) in stretches.zip(sums).zip(clips) {
            // Each pixel is as the one before it: most of a dark picture.
            if stretch[channels..] == stretch[..stretch.len() - channels] {
                let (light, clipped) = read(&stretch[..channels]);
                for sums in &mut *sums {
                    (0..self.by).for_each(|_| add(sums, light));
                }
                clips.iter_mut().for_each(|clips| *clips |= clipped);
                continue;
            }
            let cells = stretch.chunks_exact(self.by * channels);
            for ((cell, sums), clips) in cells.zip(sums).zip(clips) {
                for pixel in cell.chunks_exact(channels) {
                    let (light, clipped) = read(pixel);
                    add(sums, light);
                    *clips |= clipped;
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
            codes: Codes {
                linear: table(),
                // A mean is at full scale only where all of it is, and then the mask says so.
                ceiling: u16::MAX,
            },
            hidden_clips: Some(self.all_clips),
            turn: Turn::AsExif,
        }
    }
}

/// Takes in a picture's rows from top to bottom, and keeps them as they are or, where the picture is large, reduced.
pub(super) struct Rows<'a, S> {
    width: usize,
    height: usize,
    codes: &'a Codes,
    /// Where the picture is not reduced.
    kept: Vec<S>,
    reducer: Option<Reducer<'a>>,
}

impl<'a, S: Sample> Rows<'a, S> {
    /// For a picture of `width` × `height` pixels.
    pub(super) fn new(width: usize, height: usize, codes: &'a Codes) -> Rows<'a, S> {
        let (kept, reducer) = match factor(width as u64, height as u64) {
            1 => (Vec::with_capacity(3 * width * height), None),
            by => (Vec::new(), Some(Reducer::new(width, height, by, codes))),
        };
        Rows {
            width,
            height,
            codes,
            kept,
            reducer,
        }
    }

    /// Takes in the next row; see [`Reducer::row`].
    pub(super) fn row(&mut self, row: &[S], channels: usize) {
        let kept = &mut self.kept;
        match (&mut self.reducer, channels) {
            (Some(reducer), _) => reducer.row(row, channels),
            (None, 1 | 2) => kept.extend(row.chunks_exact(channels).flat_map(|p| [p[0]; 3])),
            (None, 3) => kept.extend_from_slice(row),
            (None, _) => kept.extend(row.chunks_exact(channels).flat_map(|p| [p[0], p[1], p[2]])),
        }
    }

    /// The picture of all rows; absent where some never came.
    pub(super) fn finish(self) -> Option<Picture> {
        match self.reducer {
            Some(reducer) => (reducer.rows_in == self.height).then(|| reducer.finish()),
            None => kept_as_it_is(self.kept, (self.width, self.height), self.codes),
        }
    }
}

/// The picture of three samples a pixel; absent where some are missing.
fn kept_as_it_is<S: Sample>(
    samples: Vec<S>,
    (width, height): (usize, usize),
    codes: &Codes,
) -> Option<Picture> {
    (samples.len() == 3 * width * height).then(|| Picture {
        samples: S::samples(samples),
        width,
        height,
        codes: codes.clone(),
        hidden_clips: None,
        turn: Turn::AsExif,
    })
}

/// The picture of samples that had to be decoded in one piece, `channels` a pixel as [`Reducer::row`] has them; absent
/// where some are missing.
pub(super) fn whole<S: Sample>(
    samples: Vec<S>,
    channels: usize,
    (width, height): (usize, usize),
    codes: &Codes,
) -> Option<Picture> {
    if channels == 3 && factor(width as u64, height as u64) == 1 {
        return kept_as_it_is(samples, (width, height), codes);
    }
    let mut rows = Rows::new(width, height, codes);
    for row in samples.chunks_exact(channels * width) {
        rows.row(row, channels);
    }
    rows.finish()
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
        let codes = Codes {
            linear: (0..256).map(|c| c as f32 / 255.0).collect(),
            ceiling: 250,
        };
        let mut reducer = Reducer::new(5, 4, 2, &codes);
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
        let light = |i: usize| 255.0 * picture.codes.linear[usize::from(samples[i])];
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
    fn even_stretches_are_summed_as_all_others_are() {
        let codes = Codes {
            linear: (0..256).map(|c| (c as f32 / 255.0).powi(2)).collect(),
            ceiling: 250,
        };
        // Pixels that are the same for long, for a while, or not at all; a row ends within a cell and within a stretch.
        let pixel = |x: usize, y: usize| match (x / 150 + y / 3) % 4 {
            0 => [3, 2, 2],
            1 => [(x % 7) as u8, 2, 255],
            2 => [251, 250, 2],
            _ => [2, 2, if x % 97 == 96 { 3 } else { 2 }],
        };
        let (width, height) = (1501, 24);
        for by in [2, 3, 4] {
            let mut reducer = Reducer::new(width, height, by, &codes);
            for y in 0..height {
                let row: Vec<u8> = (0..width).flat_map(|x| pixel(x, y)).collect();
                reducer.row(&row, 3);
            }
            let picture = reducer.finish();
            let Samples::U16(samples) = &picture.samples else {
                panic!("reduced pictures have 16 bits");
            };
            let mask = picture.hidden_clips.expect("a mask");
            for (i, found) in samples.chunks_exact(3).enumerate() {
                let (cell_x, cell_y) = (i % (width / by), i / (width / by));
                let (mut sums, mut clips) = ([0.0f32; 3], 0);
                for at in 0..by * by {
                    let pixel = pixel(cell_x * by + at % by, cell_y * by + at / by);
                    for (channel, code) in pixel.into_iter().enumerate() {
                        sums[channel] += codes.linear[usize::from(code)];
                        clips |= u8::from(code >= 250) << channel;
                    }
                }
                let share = 1.0 / (by * by) as f32;
                assert_eq!(
                    found,
                    sums.map(|sum| code(sum * share)),
                    "{cell_x}, {cell_y}"
                );
                assert_eq!(mask[i], clips, "{cell_x}, {cell_y}");
            }
        }
    }

    #[test]
    fn grey_is_tripled_and_alpha_left_out() {
        let codes = Codes {
            linear: (0..65536).map(|c| c as f32 / 65535.0).collect(),
            ceiling: 65535,
        };
        for (channels, pixel, expected) in [
            (1, &[4000u16][..], [4000.0, 4000.0, 4000.0]),
            (2, &[4000, 65535], [4000.0, 4000.0, 4000.0]),
            (4, &[1000, 2000, 3000, 65535], [1000.0, 2000.0, 3000.0]),
        ] {
            let mut reducer = Reducer::new(3, 3, 3, &codes);
            for _ in 0..3 {
                reducer.row(&pixel.repeat(3), channels);
            }
            let picture = reducer.finish();
            let Samples::U16(samples) = &picture.samples else {
                panic!("reduced pictures have 16 bits");
            };
            for (code, expected) in samples.iter().zip(expected) {
                let light = 65535.0 * picture.codes.linear[usize::from(*code)];
                assert!((light - expected).abs() < 2.0, "{channels}: {light}");
            }
            assert_eq!(picture.hidden_clips, Some(vec![0]));
        }
    }
}
