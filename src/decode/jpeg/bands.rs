//! Large JPEGs, decoded a row of blocks at a time and reduced on the way: a picture of 200 megapixels never stands in
//! memory. Only for what cameras write at that size: sequential, one scan. Sources: ITU-T T.81 annexes A and F; JFIF 1.02
//! for the colours.
//!
//! Chroma is repeated and not interpolated between its samples: within a cell the difference is averaged away.

use super::huffman::{Bits, Table, read_ac, read_dc};
use super::markers::{FrameHeader, Layout, code};
use super::scan::{Definitions, Scan};
use crate::decode::picture::{Codes, Fault, Picture};
use crate::decode::reduce::Reducer;

/// From the order in which coefficients are coded to their place in the block: ITU-T T.81 figure A.6.
#[rustfmt::skip]
const ZIGZAG: [u8; 64] = [
     0,  1,  8, 16,  9,  2,  3, 10, 17, 24, 32, 25, 18, 11,  4,  5,
    12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13,  6,  7, 14, 21, 28,
    35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51,
    58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
];

/// A block of coefficients or samples, row by row.
type Block = [[f32; 8]; 8];

/// Pixels of a row that are looked at together: most of a dark picture is even, and has one colour.
const STRETCH: usize = 64;

/// One component's way through the scan.
struct Plane {
    /// Tables of its DC and AC codes.
    tables: (usize, usize),
    /// Quantisation steps in zigzag order.
    steps: [f32; 64],
    /// Blocks in an MCU, across and down.
    blocks: (usize, usize),
    /// How often a sample is repeated, across and down, as powers of two.
    repeats: (u32, u32),
    /// Samples in a row of the band.
    stride: usize,
    /// One row of MCUs.
    band: Vec<u8>,
    /// DC of the block before.
    last_dc: i32,
}

/// True for what [`decode`] can do: all components in one sequential scan, sampled at whole powers of two.
pub(super) fn suits(layout: &Layout, frame: &FrameHeader) -> bool {
    let most = frame.most_sampled();
    let is_simple = |(factor, most): (usize, usize)| {
        most.is_multiple_of(factor) && (most / factor).is_power_of_two()
    };
    matches!(frame.marker, code::SOF0 | code::SOF1)
        && layout.coded().count() == 1
        && frame
            .components
            .iter()
            .all(|c| is_simple((c.sampling.0, most.0)) && is_simple((c.sampling.1, most.1)))
}

/// Decodes and reduces a picture by `by`; `codes` are those of the whole one.
pub(super) fn decode(
    bytes: &[u8],
    layout: &Layout,
    frame: &FrameHeader,
    by: usize,
    codes: &Codes,
) -> Result<Picture, Fault> {
    let (width, height) = (frame.width, frame.height);
    let mut reducer = Reducer::new(width, height, by, codes);
    let Some(mut bands) = Bands::new(bytes, layout, frame) else {
        return Err(Fault::unreadable(
            "this JPEG lacks a table that its picture needs: it is damaged; upload it again",
        ));
    };
    let mut row = vec![0; 3 * width];
    for top in (0..height).step_by(bands.height) {
        bands.read_next().ok_or_else(|| {
            Fault::Truncated(format!(
                "the picture in this JPEG breaks off at byte {}: upload the photo again",
                bands.bits.at
            ))
        })?;
        for y in 0..bands.height.min(height - top) {
            bands.colours(y, &mut row);
            reducer.row(&row, 3);
        }
    }
    Ok(reducer.finish())
}

/// One row of MCUs after the other.
struct Bands<'a> {
    bits: Bits<'a>,
    defined: Definitions,
    planes: Vec<Plane>,
    mcus_across: usize,
    height: usize,
    mcus_read: usize,
    is_rgb: bool,
}

impl<'a> Bands<'a> {
    fn new(bytes: &'a [u8], layout: &Layout, frame: &FrameHeader) -> Option<Bands<'a>> {
        let mut defined = Definitions::default();
        let mut is_rgb = frame.components.iter().map(|c| c.id).eq(*b"RGB");
        let mut segments = layout.segments.iter();
        let scan = segments.find(|segment| {
            let body = &bytes[segment.body.clone()];
            defined.take(segment.marker, body);
            // Its last byte says how the colours were changed: 0, not at all.
            is_rgb |= segment.marker == code::APP14
                && body.starts_with(b"Adobe")
                && body.get(11) == Some(&0);
            segment.marker == code::SOS
        })?;
        let header = Scan::new(frame, &bytes[scan.body.clone()])?;
        if header.parts.len() != frame.components.len() {
            return None;
        }
        let most = match header.parts.len() {
            1 => (1, 1),
            _ => frame.most_sampled(),
        };
        let mcus_across = header.mcus.0;
        let mut planes = Vec::new();
        for (i, part) in header.parts.iter().enumerate() {
            let (h, v) = part.blocks;
            let stride = mcus_across * h * 8;
            let tables = &defined.tables;
            if part.component != i || tables.dc[part.dc].is_none() || tables.ac[part.ac].is_none() {
                return None;
            }
            planes.push(Plane {
                tables: (part.dc, part.ac),
                steps: defined.steps[usize::from(frame.components[i].table)]?,
                blocks: part.blocks,
                repeats: ((most.0 / h).trailing_zeros(), (most.1 / v).trailing_zeros()),
                stride,
                band: vec![0; stride * v * 8],
                last_dc: 0,
            });
        }
        Some(Bands {
            bits: Bits::new(&bytes[..scan.coded.end], scan.coded.start),
            defined,
            planes,
            mcus_across,
            height: 8 * most.1,
            mcus_read: 0,
            is_rgb,
        })
    }

    /// Reads the next row of MCUs; `None` where blocks are missing.
    fn read_next(&mut self) -> Option<()> {
        let interval = self.defined.restart_interval;
        for mcu in 0..self.mcus_across {
            if interval > 0 && self.mcus_read > 0 && self.mcus_read.is_multiple_of(interval) {
                self.bits.finish();
                self.bits.restart()?;
                self.planes.iter_mut().for_each(|p| p.last_dc = 0);
            }
            self.mcus_read += 1;
            for plane in &mut self.planes {
                let dc = self.defined.tables.dc[plane.tables.0].as_ref()?;
                let ac = self.defined.tables.ac[plane.tables.1].as_ref()?;
                for down in 0..plane.blocks.1 {
                    for across in 0..plane.blocks.0 {
                        let x = 8 * (mcu * plane.blocks.0 + across);
                        plane.read_block(&mut self.bits, (dc, ac), (x, 8 * down))?;
                    }
                }
            }
        }
        Some(())
    }

    /// Red, green and blue of a row of the band.
    fn colours(&self, y: usize, row: &mut [u8]) {
        let (a, b, c) = match &self.planes[..] {
            [a, b, c] => (a, b, c),
            grey => (&grey[0], &grey[0], &grey[0]),
        };
        let is_coded = !self.is_rgb && self.planes.len() == 3;
        let (at_a, at_b, at_c) = (a.row(y), b.row(y), c.row(y));
        let colour = |x: usize| {
            let three = [
                at_a[x >> a.repeats.0],
                at_b[x >> b.repeats.0],
                at_c[x >> c.repeats.0],
            ];
            if is_coded { rgb_of(three) } else { three }
        };
        for (i, pixels) in row.chunks_mut(3 * STRETCH).enumerate() {
            let (first, end) = (i * STRETCH, i * STRETCH + pixels.len() / 3);
            let is_even = [(at_a, a), (at_b, b), (at_c, c)]
                .into_iter()
                .all(|(at, plane)| {
                    let part = &at[first >> plane.repeats.0..=(end - 1) >> plane.repeats.0];
                    part[1..] == part[..part.len() - 1]
                });
            let pixels = pixels.chunks_exact_mut(3);
            if is_even {
                let same = colour(first);
                pixels.for_each(|pixel| pixel.copy_from_slice(&same));
            } else {
                let each = pixels.zip(first..);
                each.for_each(|(pixel, x)| pixel.copy_from_slice(&colour(x)));
            }
        }
    }
}

/// JFIF 1.02, p. 3, in 16-bit fractions.
#[inline]
fn rgb_of([y, cb, cr]: [u8; 3]) -> [u8; 3] {
    const fn fraction(value: f64) -> i32 {
        (value * 65536.0 + 0.5) as i32
    }
    let (cb, cr) = (i32::from(cb) - 128, i32::from(cr) - 128);
    let y = (i32::from(y) << 16) + (1 << 15);
    let byte = |v: i32| (v >> 16).clamp(0, 255) as u8;
    [
        byte(y + fraction(1.402) * cr),
        byte(y - fraction(0.344_136) * cb - fraction(0.714_136) * cr),
        byte(y + fraction(1.772) * cb),
    ]
}

impl Plane {
    /// The samples of a row of the picture's band.
    fn row(&self, y: usize) -> &[u8] {
        &self.band[(y >> self.repeats.1) * self.stride..]
    }

    /// Reads one block (T.81 F.2.2) with its DC and AC tables, and puts its samples at (x, y) of the band.
    fn read_block(
        &mut self,
        bits: &mut Bits,
        (dc, ac): (&Table, &Table),
        (x, y): (usize, usize),
    ) -> Option<()> {
        self.last_dc = self.last_dc.wrapping_add(read_dc(bits, dc)?);
        let mut block: Block = [[0.0; 8]; 8];
        block[0][0] = self.last_dc as f32 * self.steps[0];
        let (mut rows, mut columns) = (1u8, 1u8);
        read_ac(bits, ac, |k, value| {
            let at = usize::from(ZIGZAG[k]);
            block[at / 8][at % 8] = value as f32 * self.steps[k];
            rows |= 1 << (at / 8);
            columns |= 1 << (at % 8);
        })?;
        let start = y * self.stride + x;
        let out = self.band[start..].chunks_mut(self.stride).take(8);
        if rows == 1 && columns == 1 {
            // Even, as most blocks of a dark frame are.
            let value = sample(block[0][0] / 8.0);
            out.for_each(|row| row[..8].fill(value));
        } else {
            let down = transposed(&half_transform(&block, rows));
            let samples = transposed(&half_transform(&down, columns));
            for (row, values) in out.zip(&samples) {
                for (byte, value) in row.iter_mut().zip(values) {
                    *byte = sample(*value);
                }
            }
        }
        Some(())
    }
}

/// T.81 A.3.1: samples are coded about the middle.
#[inline]
fn sample(value: f32) -> u8 {
    // A number beyond a byte becomes the nearest that is one.
    (value + 128.5) as u8
}

/// `COSINES[n][k]`: the share of frequency k in sample n of the inverse transform, T.81 A.3.3: C(k)/2 cos((2n + 1)kπ/16).
/// The first half; in the other the odd frequencies have the other sign.
#[rustfmt::skip]
const COSINES: [[f32; 8]; 4] = [
    [0.353_553_4,  0.490_392_63,  0.461_939_77,  0.415_734_8,  0.353_553_4,  0.277_785_12,  0.191_341_71,  0.097_545_16],
    [0.353_553_4,  0.415_734_8,   0.191_341_71, -0.097_545_16, -0.353_553_4, -0.490_392_63, -0.461_939_77, -0.277_785_12],
    [0.353_553_4,  0.277_785_12, -0.191_341_71, -0.490_392_63, -0.353_553_4,  0.097_545_16,  0.461_939_77,  0.415_734_8],
    [0.353_553_4,  0.097_545_16, -0.461_939_77, -0.277_785_12,  0.353_553_4,  0.415_734_8,  -0.191_341_71, -0.490_392_63],
];

/// The inverse transform down each column; `used` marks the rows that are not all zero.
#[inline]
fn half_transform(block: &Block, used: u8) -> Block {
    let mut out = [[0.0; 8]; 8];
    for (n, cosines) in COSINES.iter().enumerate() {
        let mut parts = [[0.0f32; 8]; 2];
        for (k, row) in block.iter().enumerate() {
            if used >> k & 1 == 1 {
                for (sum, value) in parts[k % 2].iter_mut().zip(row) {
                    *sum += cosines[k] * value;
                }
            }
        }
        let [even, odd] = parts;
        for column in 0..8 {
            out[n][column] = even[column] + odd[column];
            out[7 - n][column] = even[column] - odd[column];
        }
    }
    out
}

#[inline]
fn transposed(block: &Block) -> Block {
    std::array::from_fn(|row| std::array::from_fn(|column| block[column][row]))
}

#[cfg(test)]
mod tests {
    use super::super::drawn::{Form, flat, noisy, write};
    use super::*;
    use crate::decode::jpeg;
    use crate::decode::light::Curve;
    use crate::decode::picture::LOSSY_CEILING_8;
    use crate::frame::Samples;
    use jpeg_encoder::ColorType;
    use rand::{RngExt, SeedableRng};

    fn codes() -> Codes {
        Codes {
            linear: Curve::Srgb.table_8(),
            ceiling: LOSSY_CEILING_8,
        }
    }

    fn reduced(bytes: &[u8], by: usize) -> Result<Picture, Fault> {
        let layout = Layout::of(bytes);
        let frame = layout.frame.clone().expect("a header");
        assert!(suits(&layout, &frame));
        decode(bytes, &layout, &frame, by, &codes())
    }

    /// The cell means of the picture as the other decoder reads it.
    fn expected(bytes: &[u8], by: usize) -> (Vec<f32>, Vec<bool>) {
        let whole = jpeg::decode(bytes, u64::MAX).expect("a picture");
        let Samples::U8(samples) = &whole.samples else {
            panic!("JPEG samples have 8 bits");
        };
        let (mut means, mut clips) = (Vec::new(), Vec::new());
        for y in 0..whole.height / by {
            for x in 0..whole.width / by {
                for c in 0..3 {
                    let codes: Vec<u8> = (0..by * by)
                        .map(|i| {
                            let (px, py) = (x * by + i % by, y * by + i / by);
                            samples[3 * (py * whole.width + px) + c]
                        })
                        .collect();
                    let light = codes.iter().map(|c| whole.codes.linear[usize::from(*c)]);
                    means.push(light.sum::<f32>() / codes.len() as f32);
                    clips.push(codes.iter().any(|c| u16::from(*c) >= LOSSY_CEILING_8));
                }
            }
        }
        (means, clips)
    }

    #[test]
    fn each_cell_is_what_another_decoder_makes_of_its_pixels() {
        for (sampling, restart) in [
            ((1, 1), 0),
            ((2, 1), 0),
            ((2, 2), 0),
            ((2, 2), 7),
            ((1, 2), 0),
        ] {
            for by in [1, 2, 3, 4] {
                let form = Form {
                    width: 331,
                    height: 205,
                    sampling,
                    restart,
                    ..Form::default()
                };
                let bytes = noisy(&form);
                let picture = reduced(&bytes, by).expect("a picture");
                assert_eq!((picture.width, picture.height), (331 / by, 205 / by));
                let (means, clips) = expected(&bytes, by);
                let Samples::U16(samples) = &picture.samples else {
                    panic!("reduced pictures have 16 bits");
                };
                assert_eq!(samples.len(), means.len());
                let (mut sum, mut squares) = (0.0, 0.0);
                for (code, mean) in samples.iter().zip(&means) {
                    let off = f64::from(picture.codes.linear[usize::from(*code)] - mean);
                    sum += off;
                    squares += off * off;
                }
                let n = means.len() as f64;
                let (mean, rms) = (sum / n, (squares / n).sqrt());
                // The other one interpolates chroma, which noise shows; without that only rounding is left, of four
                // codes at most.
                let bound = if sampling == (1, 1) { 0.004 } else { 0.03 };
                println!("{sampling:?} by {by}: mean {mean:.5}, rms {rms:.5}");
                assert!(rms < bound, "{sampling:?} by {by}: {rms}");
                assert!(mean.abs() < 0.002, "{sampling:?} by {by}: {mean}");
                if sampling == (1, 1) {
                    let mask = picture.hidden_clips.expect("a mask");
                    let found = mask.iter().flat_map(|m| [m & 1, m >> 1 & 1, m >> 2 & 1]);
                    let differ = found.zip(&clips).filter(|(a, b)| (*a == 1) != **b).count();
                    assert!(differ as f64 <= 0.002 * n, "by {by}: {differ} of {n}");
                }
            }
        }
    }

    #[test]
    fn grey_and_uncoded_colours_are_read() {
        let ramp = |channels: usize| -> Vec<u8> {
            let pixel = |i: usize| (0..channels).map(move |c| (i % 40 * 6 / (c + 1)) as u8);
            (0..40 * 24).flat_map(pixel).collect()
        };
        let form = Form {
            width: 40,
            height: 24,
            sampling: (1, 1),
            quality: 98,
            ..Form::default()
        };
        for (colour, samples) in [(ColorType::Luma, ramp(1)), (ColorType::Rgb, ramp(3))] {
            let bytes = write(
                &Form {
                    colour,
                    ..form.clone()
                },
                &samples,
            );
            let picture = reduced(&bytes, 1).expect("a picture");
            let Samples::U16(codes) = &picture.samples else {
                panic!("reduced pictures have 16 bits");
            };
            let (means, _) = expected(&bytes, 1);
            for (code, mean) in codes.iter().zip(&means) {
                let light = picture.codes.linear[usize::from(*code)];
                assert!(
                    (light - mean).abs() < 0.04,
                    "{colour:?}: {light} for {mean}"
                );
            }
        }
    }

    #[test]
    fn what_breaks_off_is_refused() {
        for restart in [0, 5] {
            let whole = noisy(&Form {
                restart,
                ..Form::default()
            });
            let coded = Layout::of(&whole).coded().next().expect("a scan");
            for share in [1, 30, 60, 99] {
                let mut cut = whole[..coded.start + coded.len() * share / 100].to_vec();
                cut.extend([0x10, 0xff, 0xd9]);
                let result = reduced(&cut, 2).map(|_| ());
                assert!(matches!(result, Err(Fault::Truncated(_))), "{share} %");
            }
        }
        assert!(reduced(&flat(&Form::default()), 2).is_ok());
    }

    #[test]
    fn no_bytes_make_it_panic() {
        let mut rng = rand_pcg::Pcg64::seed_from_u64(31);
        let whole = noisy(&Form {
            width: 96,
            height: 64,
            restart: 5,
            ..Form::default()
        });
        for _ in 0..600 {
            let mut bytes = whole.clone();
            for _ in 0..rng.random_range(1..5) {
                let at = rng.random_range(2..bytes.len());
                bytes[at] = rng.random();
            }
            let layout = Layout::of(&bytes);
            if let Some(frame) = &layout.frame
                && suits(&layout, frame)
                && frame.width * frame.height < 1_000_000
            {
                let _ = decode(&bytes, &layout, frame, 2, &codes());
            }
        }
    }

    #[test]
    fn the_cosines_are_those_of_the_standard() {
        for (n, row) in COSINES.iter().enumerate() {
            for (k, value) in row.iter().enumerate() {
                let scale = if k == 0 { 0.5f64.sqrt() } else { 1.0 };
                let angle = (2 * n + 1) as f64 * k as f64 * std::f64::consts::PI / 16.0;
                assert!((f64::from(*value) - scale / 2.0 * angle.cos()).abs() < 1e-7);
            }
        }
    }
}
