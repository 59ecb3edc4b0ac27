//! A small raster to draw on: smooth lines, filled shapes, text in the embedded font, PNG out. Colours are sRGB bytes;
//! x to the right, y down, pixel centres at half integers.

use std::ops::Range;

use ab_glyph::{Font, FontRef, GlyphId, PxScale, ScaleFont};
use image::ExtendedColorType;
use image::ImageEncoder;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};

/// Red, green, blue in sRGB.
pub type Rgb = [u8; 3];

/// A point in pixels.
pub type Point = (f64, f64);

const REGULAR: &[u8] = include_bytes!("../../report/fonts/DejaVuSansCondensed.subset.ttf");
const BOLD: &[u8] = include_bytes!("../../report/fonts/DejaVuSansCondensed-Bold.subset.ttf");

/// Shown for what the embedded font has no sign for.
const NO_SIGN: char = '\u{25a1}';

/// Letters of one height and thickness.
#[derive(Clone, Copy, Debug)]
pub struct Face {
    /// Height from descender to ascender, px.
    pub size: f64,
    font: &'static [u8],
}

impl Face {
    /// Thin letters, for remarks.
    pub const fn regular(size: f64) -> Face {
        let font = REGULAR;
        Face { size, font }
    }

    /// Thick letters, for names and verdicts.
    pub const fn bold(size: f64) -> Face {
        let font = BOLD;
        Face { size, font }
    }

    /// Width of `text` in pixels.
    pub fn width(self, text: &str) -> f64 {
        let font = self.font();
        let scaled = font.as_scaled(PxScale::from(self.size as f32));
        let width: f32 = glyphs(&font, text)
            .into_iter()
            .map(|id| scaled.h_advance(id))
            .sum();
        f64::from(width)
    }

    /// `text` cut to fit into `room` px, with an ellipsis where something was cut.
    pub fn fitted(self, text: &str, room: f64) -> String {
        if self.width(text) <= room {
            return text.to_owned();
        }
        let mut cut: Vec<char> = text.chars().collect();
        while cut.pop().is_some() {
            let candidate: String = cut.iter().chain(['…'].iter()).collect();
            if self.width(&candidate) <= room {
                return candidate;
            }
        }
        String::new()
    }

    fn font(self) -> FontRef<'static> {
        FontRef::try_from_slice(self.font).expect("the embedded font is sound")
    }
}

/// A picture being drawn.
pub struct Canvas {
    width: usize,
    height: usize,
    pixels: Vec<u8>,
    clip: Area,
}

/// A rectangle of whole pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Area {
    /// First column.
    pub x: usize,
    /// First row.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Area {
    /// From column `x` and row `y` on.
    pub const fn new(x: usize, y: usize, width: usize, height: usize) -> Area {
        Area {
            x,
            y,
            width,
            height,
        }
    }
}

impl Canvas {
    /// A canvas of one colour.
    pub fn new(width: usize, height: usize, colour: Rgb) -> Canvas {
        let pixels = colour.repeat(width * height);
        Canvas {
            width,
            height,
            pixels,
            clip: Area::new(0, 0, width, height),
        }
    }

    /// Keeps everything drawn from now on inside `area`, which must lie on the canvas; `None` for the whole canvas.
    pub fn clip(&mut self, area: Option<Area>) {
        self.clip = area.unwrap_or(Area::new(0, 0, self.width, self.height));
    }

    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// All pixels, row by row, three bytes each.
    pub fn pixels_mut(&mut self) -> &mut [u8] {
        &mut self.pixels
    }

    #[inline]
    fn blend(&mut self, x: usize, y: usize, colour: Rgb, share: f32) {
        let i = 3 * (y * self.width + x);
        for (old, new) in self.pixels[i..i + 3].iter_mut().zip(colour) {
            let mixed = f32::from(*old) + (f32::from(new) - f32::from(*old)) * share;
            *old = (mixed + 0.5) as u8;
        }
    }

    fn columns(&self, low: f64, high: f64) -> Range<usize> {
        stretch(low, high, self.clip.x..self.clip.x + self.clip.width)
    }

    fn rows(&self, low: f64, high: f64) -> Range<usize> {
        stretch(low, high, self.clip.y..self.clip.y + self.clip.height)
    }

    /// Fills the rectangle from (x0, y0) to (x1, y1).
    pub fn fill(&mut self, (x0, y0): Point, (x1, y1): Point, colour: Rgb) {
        for y in self.rows(y0, y1) {
            for x in self.columns(x0, x1) {
                self.blend(x, y, colour, 1.0);
            }
        }
    }

    /// A straight line with round ends, `width` px thick, covering by `opacity` (0…1).
    pub fn line(&mut self, a: Point, b: Point, width: f64, colour: Rgb, opacity: f64) {
        if ![a.0, a.1, b.0, b.1].iter().all(|v| v.is_finite()) {
            return;
        }
        let reach = width / 2.0 + 1.0;
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length2 = dx * dx + dy * dy;
        for y in self.rows(a.1.min(b.1) - reach, a.1.max(b.1) + reach) {
            let py = y as f64 + 0.5 - a.1;
            // Only the stretch of the row that the line crosses: a long slanted line costs its length, not its box.
            let (low, high) = if dy.abs() > 1e-9 {
                let at = |v: f64| a.0 + (v / dy).clamp(0.0, 1.0) * dx;
                let (p, q) = (at(py - reach), at(py + reach));
                let slack = reach * (1.0 + (dx / dy).abs().min(1e6));
                let slack = slack.min(reach * 2.0 + dx.abs());
                (p.min(q) - slack, p.max(q) + slack)
            } else {
                (a.0.min(b.0) - reach, a.0.max(b.0) + reach)
            };
            for x in self.columns(low, high) {
                let px = x as f64 + 0.5 - a.0;
                let along = if length2 > 0.0 {
                    ((px * dx + py * dy) / length2).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                let distance = (px - along * dx).hypot(py - along * dy);
                let share = (width / 2.0 + 0.5 - distance).clamp(0.0, 1.0).min(width);
                if share > 0.0 {
                    self.blend(x, y, colour, (share * opacity) as f32);
                }
            }
        }
    }

    /// A line broken into dashes of `on` px with gaps of `off` px.
    pub fn dashed(&mut self, a: Point, b: Point, width: f64, colour: Rgb, [on, off]: [f64; 2]) {
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        if !(length.is_finite() && length < 1e5) {
            return;
        }
        let at = |s: f64| {
            let t = (s / length).min(1.0);
            (a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1))
        };
        let mut s = 0.0;
        while s < length {
            self.line(at(s), at(s + on), width, colour, 1.0);
            s += on + off;
        }
    }

    /// Straight lines from point to point.
    pub fn polyline(&mut self, points: &[Point], width: f64, colour: Rgb, opacity: f64) {
        for pair in points.windows(2) {
            self.line(pair[0], pair[1], width, colour, opacity);
        }
    }

    /// Fills a closed outline (even-odd), edges not smoothed.
    pub fn fill_outline(&mut self, outline: &[Point], colour: Rgb) {
        scan(outline, self.clip, |y, xs| {
            for x in xs {
                self.blend(x, y, colour, 1.0);
            }
        });
    }

    /// Writes `text` with its left end at x and its baseline at y. Signs that the font lacks become boxes; line breaks and
    /// other controls become spaces.
    pub fn text(&mut self, at: Point, face: Face, colour: Rgb, text: &str) {
        for letter in letters(at, face, text) {
            self.stamp(&letter, (0, 0), colour);
        }
    }

    /// [`Canvas::text`] with a rim of another colour, to be read on anything.
    pub fn rimmed_text(&mut self, at: Point, face: Face, [colour, rim]: [Rgb; 2], text: &str) {
        let letters = letters(at, face, text);
        for letter in &letters {
            for shift in [(-2, 0), (2, 0), (0, -2), (0, 2)] {
                self.stamp(letter, shift, rim);
            }
        }
        for letter in &letters {
            self.stamp(letter, (0, 0), colour);
        }
    }

    fn stamp(&mut self, letter: &Letter, (dx, dy): (i64, i64), colour: Rgb) {
        let clip = self.clip;
        let inside = |v: i64, from: usize, n: usize| v >= from as i64 && v < (from + n) as i64;
        for (k, share) in letter.shares.iter().enumerate() {
            let x = letter.left + dx + (k % letter.width) as i64;
            let y = letter.top + dy + (k / letter.width) as i64;
            if *share > 0.0 && inside(x, clip.x, clip.width) && inside(y, clip.y, clip.height) {
                self.blend(x as usize, y as usize, colour, *share);
            }
        }
    }

    /// The picture as PNG. Quick rather than small: the photo's noise does not compress anyway.
    pub fn png(&self) -> Vec<u8> {
        self.encoded(CompressionType::Fast, FilterType::Up)
    }

    /// The picture as PNG, small: for plain surfaces with letters on them.
    pub fn small_png(&self) -> Vec<u8> {
        self.encoded(CompressionType::Default, FilterType::NoFilter)
    }

    fn encoded(&self, compression: CompressionType, filter: FilterType) -> Vec<u8> {
        let mut out = Vec::new();
        PngEncoder::new_with_quality(&mut out, compression, filter)
            .write_image(
                &self.pixels,
                self.width as u32,
                self.height as u32,
                ExtendedColorType::Rgb8,
            )
            .expect("writing a sound picture to memory does not fail");
        out
    }
}

/// Pixels from `low` to `high` that lie within `bounds`.
fn stretch(low: f64, high: f64, bounds: Range<usize>) -> Range<usize> {
    let (first, end) = (bounds.start as f64, bounds.end as f64);
    let from = low.floor().clamp(first, end) as usize;
    let to = high.ceil().clamp(first, end) as usize;
    from..to.max(from)
}

/// Calls `row` with each stretch of pixels (row, columns) of `area` whose centres lie inside a closed outline (even-odd).
pub fn scan(outline: &[Point], area: Area, mut row: impl FnMut(usize, Range<usize>)) {
    if outline
        .iter()
        .any(|p| !(p.0.is_finite() && p.1.is_finite()))
    {
        return;
    }
    let Some(first) = outline.first() else { return };
    let (low, high) = outline.iter().fold((first.1, first.1), |(low, high), p| {
        (low.min(p.1), high.max(p.1))
    });
    for y in stretch(low, high, area.y..area.y + area.height) {
        let centre = y as f64 + 0.5;
        let mut crossings: Vec<f64> = outline
            .iter()
            .zip(outline.iter().cycle().skip(1))
            .filter(|(a, b)| (a.1 <= centre) != (b.1 <= centre))
            .map(|(a, b)| a.0 + (centre - a.1) / (b.1 - a.1) * (b.0 - a.0))
            .collect();
        crossings.sort_by(f64::total_cmp);
        for pair in crossings.chunks_exact(2) {
            let columns = area.x..area.x + area.width;
            row(y, stretch(pair[0].round(), pair[1].round(), columns));
        }
    }
}

/// A drawn letter: how much of each pixel it covers, row by row.
struct Letter {
    left: i64,
    top: i64,
    width: usize,
    shares: Vec<f32>,
}

fn letters((x, y): Point, face: Face, text: &str) -> Vec<Letter> {
    let font = face.font();
    let scale = PxScale::from(face.size as f32);
    let scaled = font.as_scaled(scale);
    let mut pen = x as f32;
    let mut letters = Vec::new();
    for id in glyphs(&font, text) {
        let glyph = id.with_scale_and_position(scale, ab_glyph::point(pen, y as f32));
        pen += scaled.h_advance(id);
        let Some(outline) = font.outline_glyph(glyph) else {
            continue;
        };
        let bounds = outline.px_bounds();
        let (width, height) = (bounds.width() as usize, bounds.height() as usize);
        let mut shares = vec![0.0; width * height];
        outline.draw(|gx, gy, share| {
            if let Some(at) = shares.get_mut(gy as usize * width + gx as usize) {
                *at = share.min(1.0);
            }
        });
        letters.push(Letter {
            left: bounds.min.x as i64,
            top: bounds.min.y as i64,
            width: width.max(1),
            shares,
        });
    }
    letters
}

fn glyphs(font: &FontRef<'_>, text: &str) -> Vec<GlyphId> {
    // What only sets a piece apart has no width.
    let is_drawn = |c: &char| !matches!(c, '\u{2066}'..='\u{2069}');
    text.chars()
        .filter(is_drawn)
        .map(|c| if c.is_control() { ' ' } else { c })
        .map(|c| match font.glyph_id(c) {
            GlyphId(0) => font.glyph_id(NO_SIGN),
            id => id,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAPER: Rgb = [255, 255, 255];
    const INK: Rgb = [0, 0, 0];

    fn at(canvas: &Canvas, x: usize, y: usize) -> u8 {
        canvas.pixels[3 * (y * canvas.width + x)]
    }

    /// The slow, obvious line: every pixel of the canvas by its distance to the segment.
    fn slow_line(canvas: &mut Canvas, a: Point, b: Point, width: f64) {
        for y in 0..canvas.height {
            for x in 0..canvas.width {
                let (px, py) = (x as f64 + 0.5 - a.0, y as f64 + 0.5 - a.1);
                let (dx, dy) = (b.0 - a.0, b.1 - a.1);
                let along = ((px * dx + py * dy) / (dx * dx + dy * dy).max(1e-12)).clamp(0.0, 1.0);
                let distance = (px - along * dx).hypot(py - along * dy);
                let share = (width / 2.0 + 0.5 - distance).clamp(0.0, 1.0).min(width);
                if share > 0.0 {
                    canvas.blend(x, y, INK, share as f32);
                }
            }
        }
    }

    #[test]
    fn the_quick_line_is_the_slow_line() {
        for (a, b, width) in [
            ((3.0, 4.0), (40.0, 9.0), 3.0),
            ((10.0, 2.0), (12.0, 46.0), 2.0),
            ((45.0, 45.0), (5.0, 5.0), 5.0),
            ((20.0, 20.0), (20.0, 20.0), 4.0),
            ((5.0, 30.5), (44.0, 30.5), 1.0),
            ((-20.0, 60.0), (70.0, -10.0), 2.5),
        ] {
            let mut quick = Canvas::new(50, 50, PAPER);
            quick.line(a, b, width, INK, 1.0);
            let mut slow = Canvas::new(50, 50, PAPER);
            slow_line(&mut slow, a, b, width);
            assert!(quick.pixels == slow.pixels, "{a:?} to {b:?}");
        }
    }

    #[test]
    fn drawing_outside_the_canvas_harms_nothing() {
        let mut canvas = Canvas::new(20, 10, PAPER);
        canvas.line((-1e9, 5.0), (1e9, 5.0), 2.0, INK, 1.0);
        canvas.line((f64::NAN, 5.0), (3.0, 5.0), 2.0, INK, 1.0);
        canvas.fill((-5.0, -5.0), (1.0, 1.0), INK);
        canvas.fill_outline(&[(-50.0, -50.0), (70.0, -50.0), (70.0, 2.0)], INK);
        canvas.text((-8.0, 4.0), Face::bold(12.0), INK, "Wagtail");
        canvas.dashed((0.0, 0.0), (f64::INFINITY, 0.0), 1.0, INK, [4.0, 4.0]);
        assert_eq!(at(&canvas, 10, 5), 0);
        assert_eq!(at(&canvas, 0, 0), 0);
    }

    #[test]
    fn an_outline_is_filled_inside_only() {
        let mut canvas = Canvas::new(20, 20, PAPER);
        canvas.fill_outline(&[(5.0, 5.0), (15.0, 5.0), (15.0, 15.0), (5.0, 15.0)], INK);
        assert_eq!(at(&canvas, 10, 10), 0);
        assert_eq!(at(&canvas, 5, 5), 0);
        for (x, y) in [(4, 10), (15, 10), (10, 4), (10, 15)] {
            assert_eq!(at(&canvas, x, y), 255, "{x} {y}");
        }
    }

    #[test]
    fn letters_appear_and_unknown_signs_become_boxes() {
        let ink = |text: &str| {
            let mut canvas = Canvas::new(80, 30, PAPER);
            canvas.text((4.0, 22.0), Face::bold(22.0), INK, text);
            canvas.pixels.iter().filter(|&&p| p < 128).count()
        };
        assert!(ink("±°µ−≤") > 100);
        assert_eq!(ink("\n\t "), 0);
        assert_eq!(ink("\u{1f6a2}"), ink("\u{25a1}"), "a ship has no sign here");
        assert!(ink("\u{1f6a2}") > 20);
    }

    #[test]
    fn text_is_cut_to_its_room() {
        let long = "a very long name of a photo that nobody wants to read";
        let face = Face::regular(20.0);
        let cut = face.fitted(long, 120.0);
        assert!(cut.ends_with('…') && face.width(&cut) <= 120.0);
        assert_eq!(face.fitted("short", 120.0), "short");
        assert_eq!(face.fitted("anything", 1.0), "");
    }

    #[test]
    fn the_png_reads_back_as_drawn() {
        let mut canvas = Canvas::new(33, 17, [10, 20, 30]);
        canvas.line((2.0, 2.0), (30.0, 14.0), 3.0, [200, 100, 50], 0.7);
        let back = image::load_from_memory(&canvas.png()).unwrap().to_rgb8();
        assert_eq!((back.width(), back.height()), (33, 17));
        assert!(back.into_raw() == canvas.pixels);
    }
}
