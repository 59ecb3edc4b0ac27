//! An upright picture in linear light.
//!
//! The decoder's samples are kept as they came (8 or 16 bit, in the file's own orientation) and are
//! turned upright and linear only where they are read: a 12 megapixel photo then costs 36 MB, not the
//! 144 MB of a linear `f32` copy. A larger one is a mean of its pixels, with what is clipped in it kept apart.

pub mod spare;

use std::sync::Arc;

/// Samples as decoded: interleaved red, green, blue; row by row in the file's own orientation.
#[derive(Clone)]
pub enum Samples {
    /// 8 bits per sample.
    U8(Vec<u8>),
    /// 16 bits per sample.
    U16(Vec<u16>),
}

/// The eight ways a camera may have been held (Exif 2.32, CIPA DC-008, tag 0x0112).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Orientation(u8);

impl Orientation {
    /// Stored as seen.
    pub const UPRIGHT: Orientation = Orientation(1);

    /// `tag` as in Exif, 1 to 8; anything else is taken as upright, as viewers do.
    pub fn from_exif(tag: u16) -> Orientation {
        if (1..=8).contains(&tag) {
            Orientation(tag as u8)
        } else {
            Orientation::UPRIGHT
        }
    }

    /// True where width and height change places.
    pub fn swaps_axes(self) -> bool {
        self.0 >= 5
    }
}

/// An upright picture whose samples are read in linear light, 0 (black) to 1 (full scale).
#[derive(Clone)]
pub struct Frame {
    samples: Samples,
    stored_width: usize,
    stored_height: usize,
    orientation: Orientation,
    linear: Arc<[f32]>,
    ceiling_code: u16,
    /// Which channels of a pixel hold a clipped sample that its codes do not show: bits 0, 1, 2 for red, green, blue,
    /// a byte a pixel in the order of the samples.
    hidden_clips: Option<Arc<[u8]>>,
    /// Sample index of the upright left top pixel, and steps to the pixel on the right and the one below.
    walk: (isize, isize, isize),
}

impl Frame {
    /// Wraps decoded samples.
    ///
    /// `linear` maps a code (0–255 or 0–65535) to linear light in 0…1; `ceiling_code` is the lowest code that
    /// counts as clipped.
    ///
    /// # Panics
    /// If the number of samples is not `3 × width × height`, or the table is too short for the codes.
    pub fn new(
        samples: Samples,
        stored_width: usize,
        stored_height: usize,
        orientation: Orientation,
        linear: Arc<[f32]>,
        ceiling_code: u16,
    ) -> Frame {
        let (n, codes) = match &samples {
            Samples::U8(s) => (s.len(), 256),
            Samples::U16(s) => (s.len(), 65536),
        };
        assert_eq!(
            n,
            3 * stored_width * stored_height,
            "three samples per pixel"
        );
        assert_eq!(linear.len(), codes, "one linear value per code");
        let mut frame = Frame {
            samples,
            stored_width,
            stored_height,
            orientation,
            linear,
            ceiling_code,
            hidden_clips: None,
            walk: (0, 0, 0),
        };
        if frame.width() > 0 && frame.height() > 0 {
            let origin = frame.index_by_definition(0, 0) as isize;
            let step = |x: usize, y: usize| {
                if x < frame.width() && y < frame.height() {
                    frame.index_by_definition(x, y) as isize - origin
                } else {
                    0
                }
            };
            frame.walk = (origin, step(1, 0), step(0, 1));
        }
        frame
    }

    /// The same picture with clipped samples that its codes do not show, as in a mean of which only some are clipped:
    /// bits 0, 1, 2 for red, green, blue, a byte a pixel in the order of the samples.
    ///
    /// # Panics
    /// If there is not one byte a pixel.
    pub fn with_hidden_clips(mut self, clips: Vec<u8>) -> Frame {
        let n = self.stored_width * self.stored_height;
        assert_eq!(clips.len(), n, "one byte per pixel");
        self.hidden_clips = Some(clips.into());
        self
    }

    /// The same picture with its linear light changed by `curve`, which maps 0…1 to 0…1: a phone's own tone curve in place
    /// of the one that the file declares. The samples are not copied.
    pub fn retoned(mut self, curve: impl Fn(f64) -> f64) -> Frame {
        self.linear = self
            .linear
            .iter()
            .map(|light| curve(f64::from(*light)).clamp(0.0, 1.0) as f32)
            .collect();
        self
    }

    /// Memory that its samples take, bytes.
    pub fn n_bytes(&self) -> u64 {
        let samples = match &self.samples {
            Samples::U8(s) => s.len(),
            Samples::U16(s) => 2 * s.len(),
        };
        let clips = self.hidden_clips.as_ref().map_or(0, |clips| clips.len());
        (samples + clips) as u64
    }

    /// Width in pixels, upright.
    pub fn width(&self) -> usize {
        if self.orientation.swaps_axes() {
            self.stored_height
        } else {
            self.stored_width
        }
    }

    /// Height in pixels, upright.
    pub fn height(&self) -> usize {
        if self.orientation.swaps_axes() {
            self.stored_width
        } else {
            self.stored_height
        }
    }

    /// Index of the first sample of upright pixel (x, y); x to the right, y down, from the top left corner.
    ///
    /// Every orientation is a walk with fixed steps: no case is decided at each pixel.
    #[inline]
    fn index(&self, x: usize, y: usize) -> usize {
        debug_assert!(x < self.width() && y < self.height());
        (self.walk.0 + x as isize * self.walk.1 + y as isize * self.walk.2) as usize
    }

    fn index_by_definition(&self, x: usize, y: usize) -> usize {
        let (w, h) = (self.stored_width, self.stored_height);
        let (sx, sy) = match self.orientation.0 {
            2 => (w - 1 - x, y),
            3 => (w - 1 - x, h - 1 - y),
            4 => (x, h - 1 - y),
            5 => (y, x),
            6 => (y, h - 1 - x),
            7 => (w - 1 - y, h - 1 - x),
            8 => (w - 1 - y, x),
            _ => (x, y),
        };
        3 * (sy * w + sx)
    }

    /// True where pixels that lie below each other are neighbours in memory, as in a photo taken upright by a phone whose sensor
    /// lies: whoever reads all of them is then quicker by columns.
    pub fn runs_down(&self) -> bool {
        self.orientation.swaps_axes()
    }

    /// The codes of upright pixel (x, y) as stored.
    #[inline]
    pub fn codes(&self, x: usize, y: usize) -> [u16; 3] {
        let i = self.index(x, y);
        match &self.samples {
            Samples::U8(s) => [u16::from(s[i]), u16::from(s[i + 1]), u16::from(s[i + 2])],
            Samples::U16(s) => [s[i], s[i + 1], s[i + 2]],
        }
    }

    /// Writes the green codes of one line of upright pixels, at these places along it, as many as there is room for in `codes`. A line is
    /// what is quick to read: a row, or a column where the photo [runs down](Frame::runs_down).
    pub fn greens(&self, line: usize, along: &[usize], codes: &mut [u16]) {
        let (origin, right, down) = self.walk;
        let (across, step) = match self.runs_down() {
            true => (right, down),
            false => (down, right),
        };
        // Green is the second of a pixel's three samples.
        let first = origin + line as isize * across + 1;
        let places = along.iter().map(|&i| (first + i as isize * step) as usize);
        match &self.samples {
            Samples::U8(s) => places.zip(codes).for_each(|(i, c)| *c = u16::from(s[i])),
            Samples::U16(s) => places.zip(codes).for_each(|(i, c)| *c = s[i]),
        }
    }

    /// Adds up the light of one line of upright pixels, as [`greens`](Frame::greens) has it: of every `together` pixels every `step`-th into
    /// one of `sums`, and how many of those are at the sensor's ceiling into one of `over`.
    pub fn add_up(
        &self,
        line: usize,
        (together, step): (usize, usize),
        (sums, over): (&mut [[f32; 3]], &mut [u32]),
    ) {
        let (origin, right, down) = self.walk;
        let (across, onwards) = match self.runs_down() {
            true => (right, down),
            false => (down, right),
        };
        let first = (origin + line as isize * across) as usize;
        let cells = sums.iter_mut().zip(over).enumerate();
        for (cell, (sum, over)) in cells {
            let at = (cell * together) as isize * onwards;
            let at = (first as isize + at) as usize;
            for i in (0..together).step_by(step) {
                let (light, clipped) = self.light_at((at as isize + i as isize * onwards) as usize);
                sum.iter_mut().zip(light).for_each(|(sum, one)| *sum += one);
                *over += u32::from(clipped);
            }
        }
    }

    /// Calls `take` with each of `n` upright pixels of a row, every `step`-th from (x, y) on: how many were before it, its linear light, and
    /// whether any channel is at the sensor's ceiling.
    #[inline]
    pub fn along_row(
        &self,
        (x, y): (usize, usize),
        (step, n): (usize, usize),
        mut take: impl FnMut(usize, [f32; 3], bool),
    ) {
        let (first, step) = (self.index(x, y) as isize, step as isize * self.walk.1);
        for i in 0..n {
            let (light, over) = self.light_at((first + i as isize * step) as usize);
            take(i, light, over);
        }
    }

    /// Linear light of the pixel whose samples begin at an index, and whether any channel is at the sensor's ceiling.
    #[inline(always)]
    fn light_at(&self, i: usize) -> ([f32; 3], bool) {
        let (light, brightest) = match &self.samples {
            Samples::U8(s) => {
                let codes = &s[i..i + 3];
                // As many values as there are codes: no index needs to be checked.
                let linear: &[f32; 256] = self.linear.first_chunk().unwrap_or(&[0.0; 256]);
                let light = [0, 1, 2].map(|c| linear[usize::from(codes[c])]);
                (light, u16::from(codes[0].max(codes[1]).max(codes[2])))
            }
            Samples::U16(s) => {
                let codes = &s[i..i + 3];
                let light = [0, 1, 2].map(|c| self.linear[usize::from(codes[c])]);
                (light, codes[0].max(codes[1]).max(codes[2]))
            }
        };
        let hidden = match &self.hidden_clips {
            Some(clips) => clips[i / 3] != 0,
            None => false,
        };
        (light, brightest >= self.ceiling_code || hidden)
    }

    /// Linear light of upright pixel (x, y): red, green, blue, each 0…1.
    #[inline]
    pub fn rgb(&self, x: usize, y: usize) -> [f32; 3] {
        let [r, g, b] = self.codes(x, y);
        [
            self.linear[r as usize],
            self.linear[g as usize],
            self.linear[b as usize],
        ]
    }

    /// Linear light of upright pixel (x, y), and whether any channel is at the sensor's ceiling.
    #[inline]
    pub fn light(&self, x: usize, y: usize) -> ([f32; 3], bool) {
        self.light_at(self.index(x, y))
    }

    /// Which channels of upright pixel (x, y) are at the sensor's ceiling.
    #[inline]
    pub fn clipped(&self, x: usize, y: usize) -> [bool; 3] {
        let hidden = self.hidden(x, y);
        let codes = self.codes(x, y);
        std::array::from_fn(|c| codes[c] >= self.ceiling_code || hidden >> c & 1 == 1)
    }

    #[inline]
    fn hidden(&self, x: usize, y: usize) -> u8 {
        match &self.hidden_clips {
            Some(clips) => clips[self.index(x, y) / 3],
            None => 0,
        }
    }

    /// Linear light by code.
    pub fn linear_table(&self) -> &[f32] {
        &self.linear
    }
}

impl Drop for Frame {
    fn drop(&mut self) {
        if let Samples::U8(samples) = &mut self.samples {
            spare::keep(std::mem::take(samples));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A 3 × 2 picture whose codes number the pixels in reading order of the stored file.
    fn numbered(tag: u16) -> Frame {
        let samples = (0..6u8).flat_map(|i| [i, i, i]).collect();
        let linear = (0..256).map(|i| i as f32).collect();
        Frame::new(
            Samples::U8(samples),
            3,
            2,
            Orientation::from_exif(tag),
            linear,
            255,
        )
    }

    fn reading_order(frame: &Frame) -> Vec<u16> {
        (0..frame.height())
            .flat_map(|y| (0..frame.width()).map(move |x| (x, y)))
            .map(|(x, y)| frame.codes(x, y)[0])
            .collect()
    }

    #[test]
    fn a_clipped_sample_that_a_mean_hides_is_still_clipped_however_the_picture_is_turned() {
        for tag in 1..=8 {
            // The fourth pixel of the file hides a clipped green.
            let frame = numbered(tag).with_hidden_clips(vec![0, 0, 0, 0b010, 0, 0]);
            for y in 0..frame.height() {
                for x in 0..frame.width() {
                    let is_it = frame.codes(x, y)[0] == 3;
                    assert_eq!(frame.clipped(x, y), [false, is_it, false]);
                    assert_eq!(frame.light(x, y).1, is_it);
                }
            }
        }
    }

    #[test]
    fn every_orientation_reads_as_the_standard_draws_it() {
        // Exif 2.32, tag Orientation: where row 0 and column 0 of the file lie in the seen picture.
        let expected: [(u16, &[u16]); 8] = [
            (1, &[0, 1, 2, 3, 4, 5]),
            (2, &[2, 1, 0, 5, 4, 3]),
            (3, &[5, 4, 3, 2, 1, 0]),
            (4, &[3, 4, 5, 0, 1, 2]),
            (5, &[0, 3, 1, 4, 2, 5]),
            (6, &[3, 0, 4, 1, 5, 2]),
            (7, &[5, 2, 4, 1, 3, 0]),
            (8, &[2, 5, 1, 4, 0, 3]),
        ];
        for (tag, order) in expected {
            assert_eq!(reading_order(&numbered(tag)), order, "orientation {tag}");
        }
    }

    #[test]
    fn greens_of_a_line_are_those_of_its_pixels() {
        let samples: Vec<u8> = (0..30).collect();
        let deep: Vec<u16> = samples.iter().map(|v| u16::from(*v)).collect();
        for tag in 1..=8 {
            for samples in [Samples::U8(samples.clone()), Samples::U16(deep.clone())] {
                let codes = match &samples {
                    Samples::U8(_) => 1 << 8,
                    Samples::U16(_) => 1 << 16,
                };
                let linear = (0..codes).map(|i| i as f32).collect();
                let turned = Orientation::from_exif(tag);
                let frame = Frame::new(samples, 5, 2, turned, linear, 255);
                // Stored rows are the lines, however the picture is turned.
                for line in 0..2 {
                    let mut codes = [0; 2];
                    frame.greens(line, &[1, 4], &mut codes);
                    let expected = [1, 4].map(|i| match frame.runs_down() {
                        true => frame.codes(line, i)[1],
                        false => frame.codes(i, line)[1],
                    });
                    assert_eq!(codes, expected, "orientation {tag}");
                }
            }
        }
    }
}
