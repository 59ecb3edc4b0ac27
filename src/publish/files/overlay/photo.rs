//! The photo under the overlay: cut to its panes, brightened, and quietened where nothing is to be seen.

use std::ops::Range;

use super::pane::{Layout, Pane};
use super::style::DEEP;
use crate::frame::Frame;
use crate::publish::drawing::canvas::{Area, Canvas, scan};
use crate::terms::{self, Drawing, srgb_code};

/// Which part of the photo a canvas pixel shows.
#[derive(Clone, Copy, PartialEq)]
enum Part {
    Around,
    Band,
    Slit,
}

/// The photo in its panes, brightened alike in all of them; clipped pixels of the bands are hatched.
pub fn photo(canvas: &mut Canvas, frame: &Frame, drawing: &Drawing, layout: &Layout) {
    let views: Vec<View<'_>> = layout
        .panes()
        .map(|pane| View::new(frame, drawing, pane))
        .collect();
    let shown = display_table(frame, gain(frame, &views));
    for view in &views {
        view.show(canvas, &shown);
    }
}

/// A pane and the photo behind it.
struct View<'a> {
    frame: &'a Frame,
    pane: Pane,
    columns: Samples,
    rows: Samples,
    parts: Vec<Part>,
    /// Bits by which the photo's codes are wider than eight.
    shift: u32,
}

/// Where the pixels of a pane lie in the photo, along one axis.
struct Samples {
    /// Two positions in the photo for each pixel of the pane.
    at: Vec<[usize; 2]>,
    /// Pixels of the pane that lie on the photo.
    inside: Range<usize>,
}

impl Samples {
    /// `count` pixels of the pane from photo position `from` on, `step` photo pixels each; the photo has `size`, not 0.
    fn new(from: f64, step: f64, count: usize, size: usize) -> Samples {
        let spot = |i: usize, share: f64| (from + (i as f64 + share) * step).floor();
        let on_photo = |i: &usize| {
            let (first, last) = (spot(*i, 0.25), spot(*i, 0.75));
            first >= 0.0 && last < size as f64
        };
        let start = (0..count).find(on_photo).unwrap_or(count);
        let end = (start..count).rev().find(on_photo).map_or(start, |i| i + 1);
        let at = (0..count)
            .map(|i| {
                [0.25, 0.75].map(|share| spot(i, share).clamp(0.0, (size - 1) as f64) as usize)
            })
            .collect();
        Samples {
            at,
            inside: start..end,
        }
    }
}

impl<'a> View<'a> {
    fn new(frame: &'a Frame, drawing: &Drawing, pane: &Pane) -> View<'a> {
        let step = 1.0 / pane.scale;
        let Area { width, height, .. } = pane.area;
        View {
            frame,
            pane: *pane,
            columns: Samples::new(pane.corner.x, step, width, frame.width()),
            rows: Samples::new(pane.corner.y, step, height, frame.height()),
            parts: parts(drawing, pane),
            shift: extra_bits(frame),
        }
    }

    /// The sum of four samples of the pane's pixel (i, j), which must lie on the photo, in eight-bit codes: 0 to 1020.
    /// Where the photo is enlarged two samples count twice. Codes, not light, are averaged: they are only to be looked at,
    /// and their noise is even.
    #[inline]
    fn codes(&self, i: usize, j: usize) -> [u16; 3] {
        let ([x0, x1], [y0, y1]) = (self.columns.at[i], self.rows.at[j]);
        let (a, b) = (self.frame.codes(x0, y0), self.frame.codes(x1, y1));
        let (c, d) = if self.pane.scale < 0.8 {
            (self.frame.codes(x1, y0), self.frame.codes(x0, y1))
        } else {
            (a, b)
        };
        let s = self.shift;
        let sum = |k: usize| (a[k] >> s) + (b[k] >> s) + (c[k] >> s) + (d[k] >> s);
        [sum(0), sum(1), sum(2)]
    }

    /// The brightest channel of every fourth pixel both ways that lies in a `wanted` part.
    fn levels(&self, wanted: impl Fn(Part) -> bool) -> Vec<u16> {
        let mut levels = Vec::new();
        for j in self.rows.inside.clone().step_by(4) {
            for i in self.columns.inside.clone().step_by(4) {
                if wanted(self.parts[j * self.pane.area.width + i]) {
                    let [r, g, b] = self.codes(i, j);
                    levels.push(r.max(g).max(b));
                }
            }
        }
        levels
    }

    fn show(&self, canvas: &mut Canvas, shown: &[u8]) {
        let area = self.pane.area;
        let stride = 3 * canvas.width();
        let pixels = canvas.pixels_mut();
        let mut strip = Strip::default();
        let bounds = dark_bounds(self.frame, shown);
        let (rows, columns) = (self.rows.inside.clone(), self.columns.inside.clone());
        for top in rows.clone().step_by(SQUARE) {
            strip.fill(self, top..(top + SQUARE).min(rows.end), bounds);
            let mut sums = strip.sums.iter();
            for j in strip.rows.clone() {
                let parts = &self.parts[j * area.width..];
                for i in columns.clone() {
                    let Some(sum) = sums.next() else { return };
                    let at = (area.y + j) * stride + 3 * (area.x + i);
                    let out = sum.map(|s| shown[usize::from(s)]);
                    // What differs from the pixel above, or to the left, by less than it shows takes that pixel's
                    // colour, and then compresses.
                    let quiet = if parts[i] == Part::Band { QUIET } else { 2 };
                    let old = |o: usize| [pixels[o], pixels[o + 1], pixels[o + 2]];
                    let like = |old: [u8; 3]| {
                        old[0].abs_diff(out[0]) <= quiet
                            && old[1].abs_diff(out[1]) <= quiet
                            && old[2].abs_diff(out[2]) <= quiet
                    };
                    let above = old(at - stride);
                    let colour = if parts[i] == Part::Band && self.is_hatched(i, j) {
                        DEEP
                    } else if like(above) {
                        above
                    } else if i > 0 && like(old(at - 3)) {
                        old(at - 3)
                    } else {
                        out
                    };
                    pixels[at..at + 3].copy_from_slice(&colour);
                }
            }
        }
    }

    /// True for pixels of a stripe over light that the sensor cut off.
    fn is_hatched(&self, i: usize, j: usize) -> bool {
        let (x, y) = (self.columns.at[i][0], self.rows.at[j][0]);
        (i + j) % 9 < 4 && self.frame.clipped(x, y).contains(&true)
    }
}

/// Side of the squares in which the dark is evened out, in pixels.
const SQUARE: usize = 8;

/// Some rows of a view over the columns that lie on the photo, in sums of four codes.
#[derive(Default)]
struct Strip {
    rows: Range<usize>,
    sums: Vec<[u16; 3]>,
}

impl Strip {
    /// Takes `rows` of the view and evens out the dark round the spectrum, square by square: its noise is brightened like
    /// the rest and would make most of the file. Squares that hold any light, or part of a band, stay as they are.
    fn fill(&mut self, view: &View<'_>, rows: Range<usize>, (dark, spark): (u16, u16)) {
        let columns = view.columns.inside.clone();
        let width = columns.len();
        self.sums.resize(width * rows.len(), [0; 3]);
        // Down before across: in a photo stored on its side neighbours below share a cache line.
        for (k, i) in columns.clone().enumerate() {
            for (n, j) in rows.clone().enumerate() {
                self.sums[n * width + k] = view.codes(i, j);
            }
        }
        for left in (0..width).step_by(SQUARE) {
            let square = left..(left + SQUARE).min(width);
            let mut total = [0u32; 3];
            let is_dark = rows.clone().enumerate().all(|(n, j)| {
                let parts = &view.parts[j * view.pane.area.width + columns.start..][square.clone()];
                let sums = &self.sums[n * width..][square.clone()];
                sums.iter().zip(parts).all(|(sum, part)| {
                    for (t, s) in total.iter_mut().zip(sum) {
                        *t += u32::from(*s);
                    }
                    *part == Part::Around && sum.iter().all(|s| *s < spark)
                })
            });
            let count = (rows.len() * square.len()) as u32;
            let mean = total.map(|t| ((t + count / 2) / count) as u16);
            if is_dark && mean.iter().all(|m| *m < dark) {
                for n in 0..rows.len() {
                    self.sums[n * width..][square.clone()].fill(mean);
                }
            }
        }
        self.rows = rows;
    }
}

fn parts(drawing: &Drawing, pane: &Pane) -> Vec<Part> {
    let Area {
        x,
        y,
        width,
        height,
    } = pane.area;
    let mut parts = vec![Part::Around; width * height];
    let mut paint = |outline: &[terms::Point], part: Part| {
        scan(&pane.all(outline), pane.area, |row, columns| {
            let from = (row - y) * width;
            parts[from + columns.start - x..from + columns.end - x].fill(part);
        });
    };
    for (_, outline) in &drawing.bands {
        paint(outline, Part::Band);
    }
    paint(&drawing.slit, Part::Slit);
    parts
}

/// Display gain: the photo is dark, and a dim order must be seen. The brightest hundredth of the bands comes to nine
/// tenths of full scale; without bands, the brightest thousandth of the photo.
fn gain(frame: &Frame, views: &[View<'_>]) -> f64 {
    let mut share = 0.99;
    let of_bands = |part| part == Part::Band;
    let mut levels: Vec<u16> = views.iter().flat_map(|v| v.levels(of_bands)).collect();
    if levels.is_empty() {
        share = 0.999;
        levels = views.iter().flat_map(|v| v.levels(|_| true)).collect();
    }
    if levels.is_empty() {
        return 1.0;
    }
    let at = ((levels.len() - 1) as f64 * share) as usize;
    let (_, level, _) = levels.select_nth_unstable(at);
    (SHOWN_LEVEL / light_of(frame, *level).max(1e-4)).clamp(1.0, MOST_GAIN)
}

/// The level, linear share of full scale, that a photo's bright part is brightened to; and how many times at most (no source).
const SHOWN_LEVEL: f64 = 0.9;
const MOST_GAIN: f64 = 40.0;

fn extra_bits(frame: &Frame) -> u32 {
    if frame.linear_table().len() > 256 {
        8
    } else {
        0
    }
}

/// Linear light of a sum of four eight-bit codes.
fn light_of(frame: &Frame, sum: u16) -> f64 {
    let table = frame.linear_table();
    let code = usize::from(sum) << extra_bits(frame);
    let (low, share) = (code / 4, (code % 4) as f64 / 4.0);
    let high = (low + 1).min(table.len() - 1);
    f64::from(table[low]) * (1.0 - share) + f64::from(table[high]) * share
}

/// Sum of four codes -> sRGB byte to show (IEC 61966-2-1), the lowest bit dropped.
fn display_table(frame: &Frame, gain: f64) -> Vec<u8> {
    (0..=4 * 255)
        .map(|sum| {
            let v = (light_of(frame, sum) * gain).clamp(0.0, 1.0);
            ((srgb_code(v) * 255.0).round() as u8) & 0xfe
        })
        .collect()
}

/// Shown codes, and light as a linear share of full scale, below which a square's mean is dark, and each of its pixels.
const DARK_MEAN: (u8, f64) = (40, 0.003);
const DARK_PIXEL: (u8, f64) = (80, 0.008);

/// Sums of four codes below which a square's mean, and each of its pixels, count as dark: what is shown less than a sixth
/// and a third of the way to white, or lies within the noise of phones (common practice, no source: three and eight
/// thousandths of full scale), however much it is brightened.
fn dark_bounds(frame: &Frame, shown: &[u8]) -> (u16, u16) {
    let below = |(code, light): (u8, f64)| {
        let is_dark = |sum: &u16| shown[usize::from(*sum)] < code || light_of(frame, *sum) < light;
        (0..=4 * 255).find(|sum| !is_dark(sum)).unwrap_or(4 * 255)
    };
    (below(DARK_MEAN), below(DARK_PIXEL))
}

/// Steps of sRGB that nobody sees between neighbours in a band; in the dark round it the eye is keener.
const QUIET: u8 = 7;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_stay_on_the_photo() {
        for (from, step) in [
            (-30.5, 2.5),
            (0.0, 0.3),
            (95.0, 1.0),
            (500.0, 1.0),
            (-500.0, 1.0),
        ] {
            let samples = Samples::new(from, step, 60, 100);
            for (i, at) in samples.at.iter().enumerate() {
                assert!(at[1] < 100 && at[0] <= at[1]);
                let first = (from + (i as f64 + 0.25) * step).floor();
                let last = (from + (i as f64 + 0.75) * step).floor();
                let is_inside = first >= 0.0 && last < 100.0;
                assert_eq!(samples.inside.contains(&i), is_inside, "{from} {step} {i}");
                if is_inside {
                    assert_eq!([first as usize, last as usize], *at);
                }
            }
        }
    }

    #[test]
    fn the_display_is_srgb_and_rises() {
        // IEC 61966-2-1: linear 0.5 is sRGB 188; the lowest bit is dropped here.
        let linear: std::sync::Arc<[f32]> = (0..256).map(|i| i as f32 / 255.0).collect();
        let samples = crate::frame::Samples::U8(vec![0; 3]);
        let upright = crate::frame::Orientation::UPRIGHT;
        let frame = Frame::new(samples, 1, 1, upright, linear, 255);
        let table = display_table(&frame, 1.0);
        assert_eq!(table.len(), 1021);
        assert_eq!(table[510], 188);
        assert_eq!((table[0], table[1020]), (0, 254));
        assert!(table.windows(2).all(|w| w[0] <= w[1]));
        let bright = display_table(&frame, 4.0);
        assert_eq!(bright[300], 254);
    }
}
