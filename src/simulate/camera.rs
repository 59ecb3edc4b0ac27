//! From the sensor's values to the file: filling in the colours, white balance, colour matrix, tone curve, noise reduction,
//! sharpening, JPEG.

use jpeg_encoder::{Encoder, ImageBuffer, JpegColorType, SamplingFactor};

use super::effective::Effective;
use super::header;
use super::local_tone::{LocalTone, toned};
use super::metering::Exposed;

/// Develops the sensor's values into a JPEG file.
pub(super) fn develop(effective: &Effective, raw: Vec<f32>, exposed: &Exposed) -> Vec<u8> {
    let (width, height) = (effective.shot.phone.width, effective.shot.phone.height);
    let (mut luma, mut chroma) = to_luma_chroma(effective, &raw);
    drop(raw);
    if effective.shot.nuisance.filters {
        // Noise that a phone expects, in its picture's values: a few 8-bit steps at ISO 100, and growing (common
        // practice, no source).
        let noise = (4.0 / 255.0 * (exposed.iso / 100.0).powf(0.4)) as f32;
        let strength = effective.shot.phone.noise_reduction as f32;
        for _ in 0..2 {
            reduce_noise(&mut luma, width, strength, noise);
        }
        sharpen(
            &mut luma,
            width,
            effective.shot.phone.sharpening as f32,
            0.5 * noise,
        );
        for plane in &mut chroma {
            soften(plane, width.div_ceil(2));
        }
    }
    let to_byte = |v: &f32, offset: f32| (v * 255.0 + offset + 0.5).clamp(0.0, 255.0) as u8;
    let picture = Picture {
        width,
        height,
        luma: luma.iter().map(|v| to_byte(v, 0.0)).collect(),
        chroma: chroma.map(|plane| plane.iter().map(|v| to_byte(v, 128.0)).collect()),
    };
    let mut file = Vec::with_capacity(width * height / 6);
    let mut encoder = Encoder::new(&mut file, effective.shot.jpeg_quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder
        .add_exif_metadata(&header::exif_block(effective, exposed))
        .expect("the block is far shorter than a segment");
    encoder
        .encode_image(picture)
        .expect("width and height fit, and memory takes every write");
    file
}

struct Picture {
    width: usize,
    height: usize,
    luma: Vec<u8>,
    chroma: [Vec<u8>; 2],
}

impl ImageBuffer for Picture {
    fn get_jpeg_color_type(&self) -> JpegColorType {
        JpegColorType::Ycbcr
    }

    fn width(&self) -> u16 {
        u16::try_from(self.width).expect("JPEG holds at most 65 535 px")
    }

    fn height(&self) -> u16 {
        u16::try_from(self.height).expect("JPEG holds at most 65 535 px")
    }

    fn fill_buffers(&self, y: u16, buffers: &mut [Vec<u8>; 4]) {
        let y = usize::from(y);
        buffers[0].extend_from_slice(&self.luma[y * self.width..(y + 1) * self.width]);
        let half = self.width.div_ceil(2);
        for (plane, buffer) in self.chroma.iter().zip(&mut buffers[1..]) {
            let row = &plane[(y / 2) * half..(y / 2 + 1) * half];
            buffer.extend((0..self.width).map(|x| row[x / 2]));
        }
    }
}

/// Entries of the tone table: fine enough that the darkest 8-bit code spans several.
const TONE_ENTRIES: usize = 1 << 14;

/// Linear 0…1 to the picture's values 0…1: sRGB (IEC 61966-2-1), with an S of strength `s` laid over it.
fn tone_table(s: f64) -> Vec<f32> {
    (0..=TONE_ENTRIES)
        .map(|i| {
            let l = i as f64 / TONE_ENTRIES as f64;
            let v = if l <= 0.003_130_8 {
                12.92 * l
            } else {
                1.055 * l.powf(1.0 / 2.4) - 0.055
            };
            let turn = 2.0 * std::f64::consts::PI;
            (v - s * (turn * v).sin() / turn) as f32
        })
        .collect()
}

/// Luma at full and chroma at half resolution, tone curve applied (ITU-R BT.601 weights, as JFIF has it).
fn to_luma_chroma(effective: &Effective, raw: &[f32]) -> (Vec<f32>, [Vec<f32>; 2]) {
    let (width, height) = (effective.shot.phone.width, effective.shot.phone.height);
    let half = width.div_ceil(2);
    let tone = tone_table(if effective.shot.nuisance.tone {
        effective.shot.phone.tone_s
    } else {
        0.0
    });
    let (gains, matrix) = effective.colour();
    let gains = gains.map(|v| v as f32);
    let matrix = matrix.map(|row| row.map(|v| v as f32));
    let mut luma = vec![0.0f32; width * height];
    let mut chroma = [0, 1].map(|_| vec![0.0f32; half * height.div_ceil(2)]);
    let mut row = vec![[0.0f32; 3]; width];
    let power = effective.shot.reality.lens.local_tone;
    let local = LocalTone::new(raw, width, height, power);
    let mut local_gains = vec![1.0f32; width];
    let (mut blue, mut red) = (vec![0.0f32; width], vec![0.0f32; width]);
    for y in 0..height {
        if let Some(local) = &local {
            local.row(y, &mut local_gains);
        }
        if effective.shot.nuisance.mosaic {
            fill_in(raw, width, height, y, &mut row);
        } else {
            for (x, pixel) in row.iter_mut().enumerate() {
                *pixel = [0, 1, 2].map(|c| raw[(c * height + y) * width + x]);
            }
        }
        let out = &mut luma[y * width..(y + 1) * width];
        let (cb, cr) = chroma.split_at_mut(1);
        let cb = &mut cb[0][(y / 2) * half..(y / 2 + 1) * half];
        let cr = &mut cr[0][(y / 2) * half..(y / 2 + 1) * half];
        for (x, pixel) in row.iter().enumerate() {
            // A full pixel must stay white: every channel ends at the ceiling of the least amplified one.
            let full = |c: usize| (pixel[c] * gains[c]).min(1.0);
            let (r, g, b) = (full(0), full(1), full(2));
            // One by one: through an array, each would wait for the memory that it was just written to.
            let shown = |m: &[f32; 3]| {
                let mixed = (m[0] * r + m[1] * g + m[2] * b).clamp(0.0, 1.0);
                let linear = toned(mixed, local_gains[x]);
                tone[usize::from((linear * TONE_ENTRIES as f32 + 0.5) as u16)]
            };
            let (r, g, b) = (shown(&matrix[0]), shown(&matrix[1]), shown(&matrix[2]));
            let l = 0.299 * r + 0.587 * g + 0.114 * b;
            out[x] = l;
            blue[x] = 0.25 * 0.564 * (b - l);
            red[x] = 0.25 * 0.713 * (r - l);
        }
        // Beside that, not in it: each sum would wait for the one before.
        for (sums, row) in [(cb, &blue), (cr, &red)] {
            for (sum, pixels) in sums.iter_mut().zip(row.chunks(2)) {
                *sum = pixels.iter().fold(*sum, |sum, pixel| sum + pixel);
            }
        }
    }
    (luma, chroma)
}

/// Fills in the two missing colours of each pixel of a row.
///
/// Malvar, He and Cutler, "High-quality linear interpolation for demosaicing of Bayer-patterned color images", ICASSP
/// 2004; the coefficients are from memory.
fn fill_in(raw: &[f32], width: usize, height: usize, y: usize, out: &mut [[f32; 3]]) {
    // Mirrored without repeating the edge, so that the colours keep their places.
    let mirror = |i: isize, n: usize| -> usize {
        let last = n as isize - 1;
        (if i < 0 {
            -i
        } else if i > last {
            2 * last - i
        } else {
            i
        }) as usize
    };
    let row = |d: isize| {
        let r = mirror(y as isize + d, height);
        &raw[r * width..(r + 1) * width]
    };
    let rows = [row(-2), row(-1), row(0), row(1), row(2)];
    let even_row = y.is_multiple_of(2);
    // Where pairs do not reach: the edges, and of an odd number of columns the last one inside.
    for x in [0, 1, width - 3, width - 2, width - 1] {
        let near = rows.map(|r| [-2isize, -1, 0, 1, 2].map(|d| r[mirror(x as isize + d, width)]));
        let near = near.each_ref().map(|r| &r[..]);
        out[x] = fill_pixel(near, 0, even_row, x.is_multiple_of(2));
    }
    let inside = (width - 4) / 2 * 2;
    for (i, pair) in out[2..2 + inside].chunks_exact_mut(2).enumerate() {
        let near = rows.map(|r| &r[2 * i..2 * i + 6]);
        pair[0] = fill_pixel(near, 0, even_row, true);
        pair[1] = fill_pixel(near, 1, even_row, false);
    }
}

/// One pixel, the middle of the five columns from `x` on.
#[inline(always)]
fn fill_pixel(rows: [&[f32]; 5], x: usize, even_row: bool, even_column: bool) -> [f32; 3] {
    let centre = rows[2][x + 2];
    let sides = rows[2][x + 1] + rows[2][x + 3];
    let ends = rows[1][x + 2] + rows[3][x + 2];
    let corners = rows[1][x + 1] + rows[1][x + 3] + rows[3][x + 1] + rows[3][x + 3];
    let far_sides = rows[2][x] + rows[2][x + 4];
    let far_ends = rows[0][x + 2] + rows[4][x + 2];
    if even_row == even_column {
        let green = (4.0 * centre + 2.0 * (sides + ends) - far_sides - far_ends) / 8.0;
        let other = (6.0 * centre + 2.0 * corners - 1.5 * (far_sides + far_ends)) / 8.0;
        if even_row {
            [centre, green, other]
        } else {
            [other, green, centre]
        }
    } else {
        let from_sides = (5.0 * centre + 4.0 * sides - corners - far_sides + 0.5 * far_ends) / 8.0;
        let from_ends = (5.0 * centre + 4.0 * ends - corners - far_ends + 0.5 * far_sides) / 8.0;
        if even_row {
            [from_sides, centre, from_ends]
        } else {
            [from_ends, centre, from_sides]
        }
    }
}

/// Three-by-three mean of a plane, row by row, with the edges left alone.
fn for_each_mean(plane: &mut [f32], width: usize, mut take: impl FnMut(&mut f32, f32)) {
    let height = plane.len() / width;
    let mut above = plane[..width].to_vec();
    let mut here = above.clone();
    let mut columns = vec![0.0f32; width];
    for y in 1..height.saturating_sub(1) {
        here.copy_from_slice(&plane[y * width..(y + 1) * width]);
        {
            let below = &plane[(y + 1) * width..(y + 2) * width];
            for x in 0..width {
                columns[x] = above[x] + 2.0 * here[x] + below[x];
            }
        }
        let row = &mut plane[y * width..(y + 1) * width];
        for x in 1..width - 1 {
            let mean = (columns[x - 1] + 2.0 * columns[x] + columns[x + 1]) * (1.0 / 16.0);
            take(&mut row[x], mean);
        }
        std::mem::swap(&mut above, &mut here);
    }
}

/// Pulls each pixel towards its neighbours' mean where the difference is small enough to be noise.
fn reduce_noise(luma: &mut [f32], width: usize, strength: f32, noise: f32) {
    for_each_mean(luma, width, |v, mean| {
        let d = mean - *v;
        let small = noise * noise / (noise * noise + d * d);
        *v += strength * small * d;
    });
}

/// Unsharp masking: overshoots beside bright lines, as phones do; what may be noise is left alone.
fn sharpen(luma: &mut [f32], width: usize, strength: f32, noise: f32) {
    for_each_mean(luma, width, |v, mean| {
        let d = *v - mean;
        let large = d * d / (noise * noise + d * d);
        *v += strength * large * d;
    });
}

/// Two rounds of smoothing, as phones give the colour.
fn soften(plane: &mut [f32], width: usize) {
    for _ in 0..2 {
        for_each_mean(plane, width, |v, mean| *v = mean);
    }
}
