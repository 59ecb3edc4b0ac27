//! Where the overlay shows which part of the photo, and the photo itself: cut, brightened, quietened.

use std::ops::Range;

use super::{Area, Canvas, DEEP, FOOTER, Point, ROW, is_standing};
use crate::frame::Frame;
use crate::measure::Drawing;
use crate::publish::record::Record;

/// Width of the picture.
pub const WIDTH: usize = 1040;
/// Height of the verdict's bar.
pub const HEADER: usize = 84;
/// Rows of names above an enlarged order.
pub const NAME_ROWS: usize = 4;

/// Height of a pane with a spectrum that stands.
const STANDING_HEIGHT: usize = 940;
/// Width of the view of the whole beside an enlarged order that stands.
const STANDING_WHOLE: usize = 420;
const STANDING_ENLARGED: usize = 400;
/// Most of the height that an enlarged order takes.
const MOST_ENLARGED: f64 = 300.0;
/// An order is shown apart where that enlarges it at least so much.
const WORTH_ENLARGING: f64 = 1.4;

/// A part of the photo on a part of the canvas.
#[derive(Clone, Copy, Debug)]
pub struct Pane {
    /// Where on the canvas.
    pub area: Area,
    /// Canvas pixels per photo pixel.
    scale: f64,
    /// Photo position of the area's top left corner.
    corner: Point,
    /// Number of the band that this pane shows alone; absent for the view of the whole.
    pub only: Option<usize>,
}

impl Pane {
    /// Photo pixels -> canvas pixels.
    pub fn at(&self, (x, y): Point) -> Point {
        (
            (x - self.corner.0) * self.scale + self.area.x as f64,
            (y - self.corner.1) * self.scale + self.area.y as f64,
        )
    }

    /// [`Pane::at`] for many points; none at all where one of them is not finite.
    pub fn all(&self, points: &[Point]) -> Vec<Point> {
        if points.iter().any(|p| !(p.0.is_finite() && p.1.is_finite())) {
            return Vec::new();
        }
        points.iter().map(|&p| self.at(p)).collect()
    }

    /// A pane at `area` that shows the photo's rectangle `cut` (left, top, right, bottom), with free margins (left, top,
    /// right, bottom) round it, as large as fits and in the middle.
    fn fit(area: Area, cut: [f64; 4], margins: [f64; 4], most: f64) -> Pane {
        let [l, t, r, b] = cut;
        let (w, h) = ((r - l).max(1.0), (b - t).max(1.0));
        let room = (
            area.width as f64 - margins[0] - margins[2],
            area.height as f64 - margins[1] - margins[3],
        );
        let scale = (room.0 / w).min(room.1 / h).clamp(0.005, most);
        let spare = (room.0 - w * scale, room.1 - h * scale);
        Pane {
            area,
            scale,
            corner: (
                l - (margins[0] + spare.0 / 2.0) / scale,
                t - (margins[1] + spare.1 / 2.0) / scale,
            ),
            only: None,
        }
    }
}

/// Left, top, right and bottom of the finite points; absent where there are none.
pub fn bounds<'a>(points: impl IntoIterator<Item = &'a Point>) -> Option<[f64; 4]> {
    points
        .into_iter()
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .fold(None, |cut: Option<[f64; 4]>, &(x, y)| {
            let [l, t, r, b] = cut.unwrap_or([x, y, x, y]);
            Some([l.min(x), t.min(y), r.max(x), b.max(y)])
        })
}

/// Which panes there are.
pub struct Layout {
    /// Width of the canvas.
    pub width: usize,
    /// Height of the canvas without the legend.
    pub height: usize,
    whole: Pane,
    /// The measured order by itself.
    pub enlarged: Option<Pane>,
}

impl Layout {
    /// The panes for a photo: the whole photo where nothing is to be drawn; one pane where that shows everything well;
    /// else the measured order enlarged, and the whole.
    pub fn new(record: &Record, drawing: &Drawing, frame: &Frame) -> Layout {
        let bands = drawing.bands.iter().flat_map(|(_, outline)| outline);
        let Some(cut) = bounds(drawing.slit.iter().chain(bands)) else {
            return Layout::of_photo(frame);
        };
        let main = main_band(record, drawing);
        let main_cut = main.and_then(|i| bounds(&drawing.bands[i].1));
        let area = |x, y, width, height| Area {
            x,
            y,
            width,
            height,
        };
        if is_standing(drawing) {
            let both = STANDING_WHOLE + STANDING_ENLARGED;
            let names = [30.0, 40.0, 190.0, 50.0];
            let alone = area(0, HEADER, both, STANDING_HEIGHT);
            let single = Pane::fit(alone, cut, [60.0, 40.0, 230.0, 70.0], 2.0);
            let place = area(STANDING_WHOLE, HEADER, STANDING_ENLARGED, STANDING_HEIGHT);
            let enlarged = main_cut
                .map(|cut| Pane::fit(place, cut, names, 3.0))
                .filter(|pane| pane.scale > WORTH_ENLARGING * single.scale);
            let whole = match enlarged {
                None => single,
                Some(_) => {
                    let place = area(0, HEADER, STANDING_WHOLE, STANDING_HEIGHT);
                    Pane::fit(place, cut, [110.0, 40.0, 50.0, 80.0], 2.0)
                }
            };
            let enlarged = enlarged.map(|pane| Pane { only: main, ..pane });
            return Layout {
                width: both,
                height: HEADER + STANDING_HEIGHT,
                whole,
                enlarged,
            };
        }
        let (w, h) = ((cut[2] - cut[0]).max(1.0), (cut[3] - cut[1]).max(1.0));
        let side = 36.0;
        let names = NAME_ROWS as f64 * ROW + 26.0;
        let wide = WIDTH as f64 - 2.0 * side;
        let single_scale = (wide / w).min(520.0 / h).min(2.0);
        let enlarged_scale = main_cut.map(|[l, t, r, b]| {
            (wide / (r - l).max(1.0))
                .min(MOST_ENLARGED / (b - t).max(1.0))
                .min(3.0)
        });
        let Some((scale, cut_main)) = enlarged_scale
            .zip(main_cut)
            .filter(|(scale, _)| *scale > WORTH_ENLARGING * single_scale)
        else {
            let height = (h * single_scale + names + 84.0).round() as usize;
            let place = area(0, HEADER, WIDTH, height);
            return Layout {
                width: WIDTH,
                height: HEADER + height,
                whole: Pane::fit(place, cut, [side, names, side, 84.0], 2.0),
                enlarged: None,
            };
        };
        let has_lines = drawing.lines.iter().any(|l| !l.name.is_empty());
        let above = if has_lines { names } else { 26.0 };
        let below = 40.0;
        let tall = ((cut_main[3] - cut_main[1]) * scale + above + below).round() as usize;
        let whole_height = (h * single_scale + 60.0 + 76.0).round() as usize;
        let place = area(0, HEADER, WIDTH, tall);
        let enlarged = Pane::fit(place, cut_main, [side, above, side, below], 3.0);
        let place = area(0, HEADER + tall, WIDTH, whole_height);
        Layout {
            width: WIDTH,
            height: HEADER + tall + whole_height,
            whole: Pane::fit(place, cut, [side, 60.0, side, 76.0], 2.0),
            enlarged: Some(Pane {
                only: main,
                ..enlarged
            }),
        }
    }

    fn of_photo(frame: &Frame) -> Layout {
        let (w, h) = (frame.width() as f64, frame.height() as f64);
        let scale = (WIDTH as f64 / w).min(620.0 / h).min(2.0);
        let height = ((h * scale).round() as usize).max(FOOTER);
        let place = Area {
            x: 0,
            y: HEADER,
            width: WIDTH,
            height,
        };
        Layout {
            width: WIDTH,
            height: HEADER + height,
            whole: Pane::fit(place, [0.0, 0.0, w, h], [0.0; 4], 2.0),
            enlarged: None,
        }
    }

    /// Every pane.
    pub fn panes(&self) -> impl Iterator<Item = &Pane> {
        self.enlarged.iter().chain([&self.whole])
    }
}

/// The band that was measured: a first order on the side that the record names, else the one with most lines found, else
/// the first of the list.
fn main_band(record: &Record, drawing: &Drawing) -> Option<usize> {
    let middle = bounds(&drawing.slit).map(|[l, t, r, b]| ((l + r) / 2.0, (t + b) / 2.0));
    let side = record.order_side.as_deref();
    let on_side = |outline: &[Point]| {
        let ([l, t, r, b], Some(m)) = (bounds(outline)?, middle) else {
            return None;
        };
        let (dx, dy) = ((l + r) / 2.0 - m.0, (t + b) / 2.0 - m.1);
        Some(match side? {
            "left" => dx < 0.0,
            "right" => dx > 0.0,
            "above" => dy < 0.0,
            "below" => dy > 0.0,
            _ => false,
        })
    };
    let found = |order: i32| {
        drawing
            .lines
            .iter()
            .filter(|l| l.order == order && !l.found.is_empty())
            .count()
    };
    (0..drawing.bands.len()).max_by_key(|&i| {
        let (order, outline) = &drawing.bands[i];
        let is_measured = order.abs() == 1 && on_side(outline) == Some(true);
        (is_measured, found(*order), std::cmp::Reverse(i))
    })
}

// ---------------------------------------------------------------------------------------------------- the photo

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
            columns: Samples::new(pane.corner.0, step, width, frame.width()),
            rows: Samples::new(pane.corner.1, step, height, frame.height()),
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
        let (rows, columns) = (self.rows.inside.clone(), self.columns.inside.clone());
        for top in rows.clone().step_by(SQUARE) {
            strip.fill(self, top..(top + SQUARE).min(rows.end), shown);
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
    fn fill(&mut self, view: &View<'_>, rows: Range<usize>, shown: &[u8]) {
        let columns = view.columns.inside.clone();
        let (dark, spark) = dark_bounds(view.frame, shown);
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
    let mut paint = |outline: &[Point], part: Part| {
        super::super::canvas::scan(&pane.all(outline), pane.area, |row, columns| {
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
    (0.9 / light_of(frame, *level).max(1e-4)).clamp(1.0, 40.0)
}

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
            let encoded = if v <= 0.003_130_8 {
                12.92 * v
            } else {
                1.055 * v.powf(1.0 / 2.4) - 0.055
            };
            ((encoded * 255.0).round() as u8) & 0xfe
        })
        .collect()
}

/// Sums of four codes below which a square's mean, and each of its pixels, count as dark: what is shown less than a sixth
/// and a third of the way to white, or lies within the noise of phones (common practice, no source: three and eight
/// thousandths of full scale), however much it is brightened.
fn dark_bounds(frame: &Frame, shown: &[u8]) -> (u16, u16) {
    let below = |code: u8, light: f64| {
        let is_dark = |sum: &u16| shown[usize::from(*sum)] < code || light_of(frame, *sum) < light;
        (0..=4 * 255).find(|sum| !is_dark(sum)).unwrap_or(4 * 255)
    };
    (below(40, 0.003), below(80, 0.008))
}

/// Steps of sRGB that nobody sees between neighbours in a band; in the dark round it the eye is keener.
const QUIET: u8 = 7;

#[cfg(test)]
mod tests {
    use super::*;

    const AREA: Area = Area {
        x: 10,
        y: 100,
        width: 400,
        height: 300,
    };

    #[test]
    fn a_pane_holds_its_cut_with_its_margins() {
        let pane = Pane::fit(
            AREA,
            [1000.0, 2000.0, 3000.0, 2400.0],
            [40.0, 30.0, 60.0, 20.0],
            2.0,
        );
        let (l, t) = pane.at((1000.0, 2000.0));
        let (r, b) = pane.at((3000.0, 2400.0));
        assert!(
            (l - 50.0).abs() < 1e-9 && (r - 350.0).abs() < 1e-9,
            "{l} {r}"
        );
        // 2000 by 400 photo pixels in 300 by 250: the width decides, the height is spread evenly.
        assert!((b - t - 60.0).abs() < 1e-9);
        assert!((t - (130.0 + (250.0 - 60.0) / 2.0)).abs() < 1e-9);
    }

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

    fn square(x: f64, y: f64) -> Vec<Point> {
        vec![(x, y), (x + 10.0, y), (x + 10.0, y + 10.0), (x, y + 10.0)]
    }

    #[test]
    fn the_measured_order_is_the_one_on_the_side_that_the_record_names() {
        let drawing = Drawing {
            slit: square(500.0, 500.0),
            bands: vec![
                (1, square(800.0, 500.0)),
                (-1, square(200.0, 500.0)),
                (-2, square(50.0, 500.0)),
            ],
            ..Drawing::default()
        };
        let record = |side: Option<&str>| crate::publish::files::tests::record_with(side);
        assert_eq!(main_band(&record(Some("left")), &drawing), Some(1));
        assert_eq!(main_band(&record(Some("right")), &drawing), Some(0));
        assert_eq!(
            main_band(&record(None), &drawing),
            Some(0),
            "else the first"
        );
        assert_eq!(main_band(&record(None), &Drawing::default()), None);
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
