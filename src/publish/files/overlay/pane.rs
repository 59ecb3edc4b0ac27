//! Where the overlay shows which part of the photo, and the photo itself: cut, brightened, quietened.

use super::{Area, Canvas, DEEP, FOOTER, Point, ROW, is_standing};
use crate::frame::Frame;
use crate::measure::Drawing;
use crate::publish::record::Record;

/// Width of the picture.
pub const WIDTH: usize = 1100;
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
    let views: Vec<View> = layout
        .panes()
        .map(|pane| View::new(frame, drawing, pane))
        .collect();
    let gain = gain(&views);
    let shown = display_table();
    for mut view in views {
        view.calm(gain);
        view.show(canvas, frame, gain, &shown);
    }
}

/// What a pane shows, in linear light.
struct View {
    pane: Pane,
    /// Photo columns and rows, two samples for each pixel of the pane; absent outside the photo.
    columns: Vec<[Option<usize>; 2]>,
    rows: Vec<[Option<usize>; 2]>,
    light: Vec<[f32; 3]>,
    parts: Vec<Part>,
}

impl View {
    fn new(frame: &Frame, drawing: &Drawing, pane: &Pane) -> View {
        let step = 1.0 / pane.scale;
        // Two by two samples spread over the pixel's square: enough against noise and stripes, at a fixed cost.
        let samples = |from: f64, n: usize, end: usize| -> Vec<[Option<usize>; 2]> {
            (0..n)
                .map(|i| {
                    [0.25, 0.75].map(|o| {
                        let v = (from + (i as f64 + o) * step).floor();
                        (v >= 0.0 && v < end as f64).then_some(v as usize)
                    })
                })
                .collect()
        };
        let columns = samples(pane.corner.0, pane.area.width, frame.width());
        let rows = samples(pane.corner.1, pane.area.height, frame.height());
        let mut light = Vec::with_capacity(columns.len() * rows.len());
        for ys in &rows {
            for xs in &columns {
                let mut sum = [0.0f32; 3];
                let mut n = 0.0f32;
                for y in ys.iter().flatten() {
                    for x in xs.iter().flatten() {
                        for (s, v) in sum.iter_mut().zip(frame.rgb(*x, *y)) {
                            *s += v;
                        }
                        n += 1.0;
                    }
                }
                light.push(sum.map(|s| if n > 0.0 { s / n } else { f32::NAN }));
            }
        }
        View {
            pane: *pane,
            columns,
            rows,
            light,
            parts: parts(drawing, pane),
        }
    }

    /// Evens out the dark round the spectrum, square by square: its noise is brightened like the rest and would make most
    /// of the file. Squares that hold any light, or part of a band, stay as they are.
    fn calm(&mut self, gain: f32) {
        const SIDE: usize = 8;
        // An eighth of the way to white as displayed.
        let dark = 0.014 / gain;
        let Area { width, height, .. } = self.pane.area;
        for top in (0..height).step_by(SIDE) {
            for left in (0..width).step_by(SIDE) {
                let rows = top..(top + SIDE).min(height);
                let columns = left..(left + SIDE).min(width);
                let mut sum = [0.0f32; 3];
                let is_dark = rows.clone().all(|j| {
                    columns.clone().all(|i| {
                        let k = j * width + i;
                        let rgb = self.light[k];
                        for (s, v) in sum.iter_mut().zip(rgb) {
                            *s += v;
                        }
                        self.parts[k] == Part::Around && rgb.iter().all(|v| *v < dark)
                    })
                });
                if is_dark {
                    let mean = sum.map(|s| s / (rows.len() * columns.len()) as f32);
                    for j in rows {
                        self.light[j * width..][columns.clone()].fill(mean);
                    }
                }
            }
        }
    }

    fn show(&self, canvas: &mut Canvas, frame: &Frame, gain: f32, shown: &[u8]) {
        let area = self.pane.area;
        let stride = 3 * canvas.width();
        let pixels = canvas.pixels_mut();
        for j in 0..area.height {
            for i in 0..area.width {
                let k = j * area.width + i;
                let light = self.light[k];
                if light[0].is_nan() {
                    continue;
                }
                let part = self.parts[k];
                let at = (area.y + j) * stride + 3 * (area.x + i);
                let mut out =
                    light.map(|v| shown[((v * gain).clamp(0.0, 1.0) * TABLE as f32) as usize]);
                // What differs from the pixel above, or to the left, by less than it shows takes that pixel's colour, and
                // then compresses.
                let like = |old: &[u8]| old.iter().zip(out).all(|(a, b)| a.abs_diff(b) <= QUIET);
                let above = (j > 0).then(|| at - stride);
                let left = (i > 0).then(|| at - 3);
                let same = [above, left]
                    .into_iter()
                    .flatten()
                    .find(|&o| like(&pixels[o..o + 3]));
                if let Some(o) = same {
                    out.copy_from_slice(&pixels[o..o + 3]);
                }
                if part == Part::Band && (i + j) % 9 < 4 && self.is_clipped(frame, i, j) {
                    out = DEEP;
                }
                pixels[at..at + 3].copy_from_slice(&out);
            }
        }
    }

    fn is_clipped(&self, frame: &Frame, i: usize, j: usize) -> bool {
        match (self.columns[i][0], self.rows[j][0]) {
            (Some(x), Some(y)) => frame.clipped(x, y).contains(&true),
            _ => false,
        }
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
fn gain(views: &[View]) -> f32 {
    let values = |wanted: &dyn Fn(Part) -> bool| -> Vec<f32> {
        views
            .iter()
            .flat_map(|v| v.light.iter().zip(&v.parts))
            .filter(|(rgb, part)| wanted(**part) && !rgb[0].is_nan())
            // A third of the pixels tells as much.
            .step_by(3)
            .map(|(rgb, _)| rgb[0].max(rgb[1]).max(rgb[2]))
            .collect()
    };
    let mut share = 0.99;
    let mut bright = values(&|part| part == Part::Band);
    if bright.is_empty() {
        share = 0.999;
        bright = values(&|_| true);
    }
    if bright.is_empty() {
        return 1.0;
    }
    let at = ((bright.len() - 1) as f64 * share) as usize;
    let (_, level, _) = bright.select_nth_unstable_by(at, f32::total_cmp);
    (0.9 / level.max(1e-4)).clamp(1.0, 40.0)
}

/// Steps of sRGB that nobody sees between neighbours.
const QUIET: u8 = 5;

/// Highest index of the display table: fine enough that no step shows in the dark.
const TABLE: usize = 4095;

/// Linear light -> sRGB bytes (IEC 61966-2-1), the lowest bit dropped.
fn display_table() -> Vec<u8> {
    (0..=TABLE)
        .map(|i| {
            let v = i as f64 / TABLE as f64;
            let encoded = if v <= 0.003_130_8 {
                12.92 * v
            } else {
                1.055 * v.powf(1.0 / 2.4) - 0.055
            };
            ((encoded * 255.0).round() as u8) & 0xfe
        })
        .collect()
}
