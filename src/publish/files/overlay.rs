//! `overlay.png`: the photo, cropped to what matters and brightened, with what was found drawn on it. One look must be
//! enough to believe the verdict or to dispute it.
//!
//! Pink marks what was found, because no spectrum holds pink; thin white marks what the scale expects; blue outlines the
//! slit's image; amber shows the angles.

use super::canvas::{Canvas, Point, Rgb, Weight, fitted, text_width};
use super::{numbers, words};
use crate::frame::Frame;
use crate::measure::{Drawing, DrawnLine, Estimate, Verdict};
use crate::publish::record::Record;

/// Width for a spectrum that lies across; one that stands is narrower and higher.
const WIDTH: usize = 1100;
const WIDTH_STANDING: usize = 760;
const MOST_HEIGHT: f64 = 1000.0;
const HEADER: usize = 84;
const FOOTER: usize = 40;

const DEEP: Rgb = [9, 24, 31];
const PAPER: Rgb = [244, 248, 247];
const FOUND: Rgb = [255, 92, 184];
const EXPECTED: Rgb = [255, 255, 255];
const SLIT: Rgb = [96, 222, 255];
const BAND: Rgb = [176, 196, 200];
const ANGLE: Rgb = [255, 190, 70];

/// Height of a line's name, and of a row of names.
const NAME: f64 = 21.0;
const ROW: f64 = 25.0;

/// A verdict's colour and the ink that is read on it (contrast at least 4.5 : 1, WCAG 2.1, 1.4.3).
pub fn state_colours(verdict: Verdict) -> (Rgb, Rgb) {
    match verdict {
        Verdict::Good => ([10, 107, 94], PAPER),
        Verdict::Caution => ([240, 180, 20], DEEP),
        Verdict::Retake => ([196, 46, 28], PAPER),
        Verdict::Waiting => ([42, 92, 164], PAPER),
        Verdict::Unreadable => ([82, 62, 92], PAPER),
        Verdict::Ignored => ([88, 102, 108], PAPER),
    }
}

/// Photo pixels -> canvas pixels.
#[derive(Clone, Copy)]
struct View {
    scale: f64,
    left: f64,
    top: f64,
    width: usize,
    height: usize,
}

impl View {
    fn at(&self, (x, y): Point) -> Point {
        (
            (x - self.left) * self.scale,
            (y - self.top) * self.scale + HEADER as f64,
        )
    }

    fn all(&self, points: &[Point]) -> Vec<Point> {
        points.iter().map(|&p| self.at(p)).collect()
    }

    /// The cut that holds everything drawn, with room for names; the whole photo where nothing is.
    fn new(drawing: &Drawing, frame: &Frame) -> View {
        let points = || {
            let bands = drawing.bands.iter().flat_map(|(_, outline)| outline);
            drawing.slit.iter().chain(bands)
        };
        let finite = points().filter(|p| p.0.is_finite() && p.1.is_finite());
        let cut = finite.fold(None, |cut: Option<[f64; 4]>, &(x, y)| {
            let [l, t, r, b] = cut.unwrap_or([x, y, x, y]);
            Some([l.min(x), t.min(y), r.max(x), b.max(y)])
        });
        let (photo_width, photo_height) = (frame.width() as f64, frame.height() as f64);
        let Some([l, t, r, b]) = cut else {
            let scale = (WIDTH as f64 / photo_width)
                .min(0.75 * MOST_HEIGHT / photo_height)
                .min(2.0);
            return View {
                scale,
                left: (photo_width - WIDTH as f64 / scale) / 2.0,
                top: 0.0,
                width: WIDTH,
                height: (photo_height * scale).round().max(120.0) as usize,
            };
        };
        let (w, h) = ((r - l).max(1.0), (b - t).max(1.0));
        let standing = is_standing(drawing);
        let width = if standing { WIDTH_STANDING } else { WIDTH };
        // Room for names: above a spectrum that lies, to the right of one that stands; below, room for the angles.
        let [mx0, my0, mx1, my1] = if standing {
            [70.0, 50.0, 230.0, 60.0]
        } else {
            [40.0, 5.0 * ROW + 12.0, 40.0, 84.0]
        };
        let scale = ((width as f64 - mx0 - mx1) / w)
            .min((MOST_HEIGHT - my0 - my1) / h)
            .clamp(0.01, 2.0);
        let spare = (width as f64 - mx0 - mx1) - w * scale;
        View {
            scale,
            left: l - (mx0 + spare / 2.0) / scale,
            top: t - my0 / scale,
            width,
            height: (h * scale + my0 + my1).round() as usize,
        }
    }
}

/// True where the spectrum runs up and down in the picture.
fn is_standing(drawing: &Drawing) -> bool {
    drawing.dispersion_axis.is_some_and(|[a, b]| {
        (b.1 - a.1).abs() > (b.0 - a.0).abs()
    })
}

/// Draws the picture. Without a frame, or without geometry, it shows the verdict over what there is.
pub fn overlay_png(record: &Record, drawing: &Drawing, frame: Option<&Frame>) -> Vec<u8> {
    let Some(frame) = frame.filter(|f| f.width() > 0 && f.height() > 0) else {
        let mut canvas = Canvas::new(WIDTH, HEADER + 160, DEEP);
        header(&mut canvas, record);
        let words = "There is no picture to show.";
        canvas.text((28.0, HEADER as f64 + 90.0), 30.0, Weight::Regular, PAPER, words);
        return canvas.png();
    };
    let view = View::new(drawing, frame);
    let has_drawing = !drawing.slit.is_empty() || !drawing.bands.is_empty();
    let footer = if has_drawing { FOOTER } else { 0 };
    let mut canvas = Canvas::new(view.width, HEADER + view.height + footer, DEEP);
    photo(&mut canvas, frame, drawing, &view);
    if has_drawing {
        outlines(&mut canvas, drawing, &view);
        lines(&mut canvas, drawing, &view);
        angles(&mut canvas, record, drawing, &view);
    }
    // After the drawing, which may run beyond the photo's part of the canvas.
    header(&mut canvas, record);
    if has_drawing {
        legend(&mut canvas, drawing, (HEADER + view.height) as f64);
    }
    canvas.png()
}

// ---------------------------------------------------------------------------------------------------- the photo

/// Which part of the photo a canvas pixel shows.
#[derive(Clone, Copy, PartialEq)]
enum Part {
    Around,
    Band,
    Slit,
}

/// The parts of the photo's stretch of the canvas, row by row.
fn parts(drawing: &Drawing, view: &View) -> Vec<Part> {
    let mut parts = vec![Part::Around; view.width * view.height];
    let mut paint = |outline: &[Point], part: Part| {
        super::canvas::scan(&view.all(outline), view.width, HEADER + view.height, |y, xs| {
            if let Some(row) = y.checked_sub(HEADER) {
                parts[row * view.width..][xs].fill(part);
            }
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
fn gain(values: &mut [f32], share: f64) -> f32 {
    if values.is_empty() {
        return 1.0;
    }
    let at = ((values.len() - 1) as f64 * share) as usize;
    let (_, bright, _) = values.select_nth_unstable_by(at, f32::total_cmp);
    (0.9 / bright.max(1e-4)).clamp(1.0, 40.0)
}

fn photo(canvas: &mut Canvas, frame: &Frame, drawing: &Drawing, view: &View) {
    let parts = parts(drawing, view);
    let (w, h) = (view.width, view.height);
    let step = 1.0 / view.scale;
    // Four samples spread over the pixel's square of the photo: enough against noise and stripes, at a fixed cost.
    let offsets = [0.125, 0.625].map(|o| o * step);
    let column = |i: usize, o: f64| -> Option<usize> {
        let x = (view.left + i as f64 * step + o).floor();
        (x >= 0.0 && x < frame.width() as f64).then_some(x as usize)
    };
    let columns: Vec<[Option<usize>; 2]> = (0..w)
        .map(|i| offsets.map(|o| column(i, o)))
        .collect();
    let mut light = vec![[f32::NAN; 3]; w * h];
    for j in 0..h {
        let rows = offsets.map(|o| {
            let y = (view.top + j as f64 * step + o).floor();
            (y >= 0.0 && y < frame.height() as f64).then_some(y as usize)
        });
        for (i, columns) in columns.iter().enumerate() {
            let mut sum = [0.0f32; 3];
            let mut n = 0.0f32;
            for y in rows.into_iter().flatten() {
                for x in columns.iter().flatten() {
                    let rgb = frame.rgb(*x, y);
                    for (s, v) in sum.iter_mut().zip(rgb) {
                        *s += v;
                    }
                    n += 1.0;
                }
            }
            if n > 0.0 {
                light[j * w + i] = sum.map(|s| s / n);
            }
        }
    }
    let brightest = |rgb: &[f32; 3]| rgb[0].max(rgb[1]).max(rgb[2]);
    let mut of_bands: Vec<f32> = light
        .iter()
        .zip(&parts)
        .filter(|(rgb, part)| **part == Part::Band && !rgb[0].is_nan())
        .map(|(rgb, _)| brightest(rgb))
        .collect();
    let gain = if of_bands.is_empty() {
        let mut all: Vec<f32> = light
            .iter()
            .filter(|rgb| !rgb[0].is_nan())
            .map(brightest)
            .collect();
        gain(&mut all, 0.999)
    } else {
        gain(&mut of_bands, 0.99)
    };
    let shown = display_table();
    for j in 0..h {
        let row = canvas.row_mut(HEADER + j);
        for i in 0..w {
            let rgb = light[j * w + i];
            if rgb[0].is_nan() {
                continue;
            }
            let mut out = rgb.map(|v| shown[((v * gain).clamp(0.0, 1.0) * 4095.0) as usize]);
            let stripe = (i + j) % 8 < 3;
            if stripe && parts[j * w + i] == Part::Band {
                if let (Some(x), Some(y)) = (columns[i][0], middle_row(view, j, step, frame)) {
                    if frame.clipped(x, y).contains(&true) {
                        out = DEEP;
                    }
                }
            }
            row[3 * i..3 * i + 3].copy_from_slice(&out);
        }
    }
}

fn middle_row(view: &View, j: usize, step: f64, frame: &Frame) -> Option<usize> {
    let y = (view.top + (j as f64 + 0.5) * step).floor();
    (y >= 0.0 && y < frame.height() as f64).then_some(y as usize)
}

/// Linear light in 4096 steps -> sRGB bytes (IEC 61966-2-1), the last two bits dropped: unseen, and noise then compresses.
fn display_table() -> Vec<u8> {
    (0..4096)
        .map(|i| {
            let v = f64::from(i) / 4095.0;
            let encoded = if v <= 0.003_130_8 {
                12.92 * v
            } else {
                1.055 * v.powf(1.0 / 2.4) - 0.055
            };
            ((encoded * 255.0).round() as u8) & 0xfc
        })
        .collect()
}

// --------------------------------------------------------------------------------------------------- the drawing

/// A line with a dark rim, to be seen on anything.
fn rimmed(canvas: &mut Canvas, points: &[Point], width: f64, colour: Rgb) {
    canvas.polyline(points, width + 2.5, DEEP, 0.55);
    canvas.polyline(points, width, colour, 1.0);
}

fn closed(points: &[Point]) -> Vec<Point> {
    points.iter().chain(points.first()).copied().collect()
}

fn outlines(canvas: &mut Canvas, drawing: &Drawing, view: &View) {
    for (order, outline) in &drawing.bands {
        let outline = closed(&view.all(outline));
        for pair in outline.windows(2) {
            canvas.dashed(pair[0], pair[1], 1.6, BAND, [9.0, 6.0]);
        }
        // The order's number at the band's lower outer corner, away from the names of the lines.
        let middle = middle_of(&drawing.slit).map(|p| view.at(p));
        let corner = outline.iter().copied().max_by(|a, b| {
            let reach = |p: &Point| match middle {
                Some(m) => (p.0 - m.0).hypot(p.1 - m.1) + 0.5 * (p.1 - m.1),
                None => p.1,
            };
            reach(a).total_cmp(&reach(b))
        });
        if let Some((x, y)) = corner {
            let name = format!("order {}", signed(*order));
            let room = text_width(&name, 18.0, Weight::Regular);
            let x = if middle.is_some_and(|m| x > m.0) { x - room } else { x };
            let x = x.clamp(4.0, (canvas.width() as f64 - room - 4.0).max(4.0));
            label(canvas, (x, y + 22.0), 18.0, Weight::Regular, BAND, &name);
        }
    }
    if !drawing.slit.is_empty() {
        rimmed(canvas, &closed(&view.all(&drawing.slit)), 2.0, SLIT);
    }
}

fn signed(order: i32) -> String {
    match order {
        0.. => format!("+{order}"),
        _ => format!("\u{2212}{}", order.unsigned_abs()),
    }
}

fn middle_of(points: &[Point]) -> Option<Point> {
    let n = points.len() as f64;
    (n > 0.0).then(|| {
        let sum = points.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        (sum.0 / n, sum.1 / n)
    })
}

/// Text on a dark ground of its own.
fn label(canvas: &mut Canvas, (x, y): Point, size: f64, weight: Weight, colour: Rgb, text: &str) {
    for (dx, dy) in [(-1.5, 0.0), (1.5, 0.0), (0.0, -1.5), (0.0, 1.5)] {
        canvas.text((x + dx, y + dy), size, weight, DEEP, text);
    }
    canvas.text((x, y), size, weight, colour, text);
}

/// A line's name on its way to its place.
struct Name<'a> {
    /// End of the line from which the leader goes out.
    from: Point,
    width: f64,
    line: &'a DrawnLine,
}

fn lines(canvas: &mut Canvas, drawing: &Drawing, view: &View) {
    let standing = is_standing(drawing);
    let mut names: Vec<Name<'_>> = Vec::new();
    for line in &drawing.lines {
        let expected = view.all(&line.expected);
        let found = view.all(&line.found);
        if !found.is_empty() {
            canvas.polyline(&found, 7.0, DEEP, 0.4);
            canvas.polyline(&found, 4.0, FOUND, 0.85);
        }
        canvas.polyline(&expected, 1.3, EXPECTED, 0.95);
        // Outermost end: the top of a line in a spectrum that lies, the right end in one that stands.
        let reach = |p: &Point| if standing { p.0 } else { -p.1 };
        let end = found
            .iter()
            .chain(&expected)
            .copied()
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .max_by(|a, b| reach(a).total_cmp(&reach(b)));
        if let Some(from) = end.filter(|_| !line.name.is_empty()) {
            let width = text_width(&line.name, NAME, Weight::Bold);
            names.push(Name { from, width, line });
        }
    }
    if standing {
        names_beside(canvas, names);
    } else {
        names_above(canvas, names, view);
    }
}

fn name_colour(line: &DrawnLine) -> Rgb {
    if line.found.is_empty() { BAND } else { FOUND }
}

/// Names in rows above a spectrum that lies: from left to right, each in the lowest row where there is room.
fn names_above(canvas: &mut Canvas, mut names: Vec<Name<'_>>, view: &View) {
    names.sort_by(|a, b| a.from.0.total_cmp(&b.from.0));
    let Some(top) = names.iter().map(|n| n.from.1).min_by(f64::total_cmp) else {
        return;
    };
    let rows = (((top - HEADER as f64 - 10.0) / ROW).floor().max(1.0) as usize).min(5);
    let mut ends = vec![f64::NEG_INFINITY; rows];
    for name in names {
        let left = (name.from.0 - name.width / 2.0)
            .clamp(4.0, (view.width as f64 - name.width - 4.0).max(4.0));
        let Some(row) = ends.iter().position(|&end| left > end + 8.0) else {
            // No room for another name; the line itself is drawn.
            continue;
        };
        ends[row] = left + name.width;
        let baseline = top - 12.0 - row as f64 * ROW;
        let colour = name_colour(name.line);
        let foot = (name.from.0.clamp(left, left + name.width), baseline + 5.0);
        canvas.line(name.from, foot, 1.3, colour, 0.8);
        label(canvas, (left, baseline), NAME, Weight::Bold, colour, &name.line.name);
    }
}

/// Names in a column to the right of a spectrum that stands, moved down where they would touch.
fn names_beside(canvas: &mut Canvas, mut names: Vec<Name<'_>>) {
    names.sort_by(|a, b| a.from.1.total_cmp(&b.from.1));
    let Some(right) = names.iter().map(|n| n.from.0).max_by(f64::total_cmp) else {
        return;
    };
    let mut free = HEADER as f64 + ROW;
    for name in names {
        let baseline = (name.from.1 + 6.0).max(free);
        free = baseline + ROW;
        let colour = name_colour(name.line);
        canvas.line(name.from, (right + 34.0, baseline - 7.0), 1.3, colour, 0.8);
        label(canvas, (right + 40.0, baseline), NAME, Weight::Bold, colour, &name.line.name);
    }
}

/// Tilt and skew as drawn angles: what is, in amber, against what should be, dotted.
fn angles(canvas: &mut Canvas, record: &Record, drawing: &Drawing, view: &View) {
    let said = |name: &str, word: &str| {
        let value = *record.metrics.get(name)?;
        let sigma = record.metrics.get(&format!("{name}_sigma")).copied();
        let number = match sigma {
            Some(sigma) => numbers::plus_minus(Estimate { value, sigma }),
            None => numbers::about(value),
        };
        Some(format!("{word} {number}°"))
    };
    let Some([a, b]) = drawing.dispersion_axis else {
        return;
    };
    let (a, b) = (view.at(a), view.at(b));
    let length = (b.0 - a.0).hypot(b.1 - a.1);
    if !(length.is_finite() && length > 0.0) {
        return;
    }
    let along = ((b.0 - a.0) / length, (b.1 - a.1) / length);
    let middle = ((a.0 + b.0) / 2.0, (a.1 + b.1) / 2.0);
    let bottom = (HEADER + view.height) as f64;
    if let Some(text) = said("tilt_deg", "tilt") {
        let level = if along.0.abs() >= along.1.abs() {
            (along.0.signum(), 0.0)
        } else {
            (0.0, along.1.signum())
        };
        let reach = 0.42 * view.width.max(view.height) as f64;
        for side in [-reach, reach] {
            let tip = |d: Point| (middle.0 + side * d.0, middle.1 + side * d.1);
            canvas.line(middle, tip(along), 1.4, ANGLE, 0.9);
            canvas.dashed(middle, tip(level), 1.4, ANGLE, [3.0, 6.0]);
        }
        label(canvas, (12.0, bottom - 12.0), NAME, Weight::Bold, ANGLE, &text);
    }
    let Some(text) = said("skew_deg", "skew") else {
        return;
    };
    if let Some([a, b]) = drawing.slit_axis {
        let (a, b) = (view.at(a), view.at(b));
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        if !(length.is_finite() && length > 0.0) {
            return;
        }
        let slit = ((b.0 - a.0) / length, (b.1 - a.1) / length);
        let square = (-along.1, along.0);
        let same = if slit.0 * square.0 + slit.1 * square.1 < 0.0 { -1.0 } else { 1.0 };
        let reach = length / 2.0 + 46.0;
        for side in [-reach, reach] {
            let tip = |d: Point, f: f64| (middle.0 + side * f * d.0, middle.1 + side * f * d.1);
            canvas.line(middle, tip(slit, 1.0), 1.4, ANGLE, 0.9);
            canvas.dashed(middle, tip(square, same), 1.4, ANGLE, [3.0, 6.0]);
        }
    }
    let x = canvas.width() as f64 - text_width(&text, NAME, Weight::Bold) - 12.0;
    label(canvas, (x, bottom - 12.0), NAME, Weight::Bold, ANGLE, &text);
}

// --------------------------------------------------------------------------------------------------- the words

/// The state's sign: told apart by its shape, the same on the pages.
fn sign(canvas: &mut Canvas, (x, y): Point, size: f64, verdict: Verdict, ink: Rgb, ground: Rgb) {
    let at = |u: f64, v: f64| (x + u * size, y + v * size);
    let bar = size / 7.0;
    match verdict {
        Verdict::Good => canvas.fill_outline(&[at(0.0, 0.0), at(1.0, 0.5), at(0.0, 1.0)], ink),
        Verdict::Caution => {
            canvas.fill(at(0.0, 0.0), at(1.0, 1.0), ink);
            canvas.fill((x + size / 2.0, y + bar), (x + size - bar, y + size - bar), ground);
        }
        Verdict::Retake => {
            canvas.line(at(0.1, 0.1), at(0.9, 0.9), 1.6 * bar, ink, 1.0);
            canvas.line(at(0.1, 0.9), at(0.9, 0.1), 1.6 * bar, ink, 1.0);
        }
        Verdict::Waiting => {
            canvas.fill(at(0.0, 0.0), at(1.0, 1.0), ink);
            canvas.fill(at(0.3, 0.3), at(0.7, 0.7), ground);
        }
        Verdict::Unreadable => {
            for (u, v) in [(0.0, 0.0), (0.67, 0.0), (0.33, 0.33), (0.0, 0.67), (0.67, 0.67)] {
                canvas.fill(at(u, v), at(u + 0.33, v + 0.33), ink);
            }
        }
        Verdict::Ignored => canvas.line(at(0.0, 0.5), at(1.0, 0.5), bar, ink, 1.0),
    }
}

fn header(canvas: &mut Canvas, record: &Record) {
    let (ground, ink) = state_colours(record.verdict);
    let width = canvas.width() as f64;
    canvas.fill((0.0, 0.0), (width, HEADER as f64), ground);
    sign(canvas, (24.0, 20.0), 44.0, record.verdict, ink, ground);
    let word = words::verdict(record.verdict).to_uppercase();
    canvas.text((88.0, 60.0), 56.0, Weight::Bold, ink, &word);
    let left = 88.0 + text_width(&word, 56.0, Weight::Bold) + 28.0;
    let room = width - left - 16.0;
    let name = record.photo.rsplit('/').next().unwrap_or_default();
    let who = format!("{} · {}", record.bench, name);
    let (first, second) = match record.reasons.first() {
        Some(reason) => {
            let mut number = reason.measured.clone();
            if !reason.limit.is_empty() {
                number += &format!(" (limit {})", reason.limit);
            }
            let trouble = words::trouble(reason.code);
            let first = if number.is_empty() {
                trouble.to_owned()
            } else {
                format!("{trouble}: {number}")
            };
            (first, who)
        }
        None => (record.label.clone(), who),
    };
    let first = fitted(&first, 28.0, Weight::Bold, room);
    canvas.text((left, 38.0), 28.0, Weight::Bold, ink, &first);
    let second = fitted(&second, 22.0, Weight::Regular, room);
    canvas.text((left, 66.0), 22.0, Weight::Regular, ink, &second);
}

fn legend(canvas: &mut Canvas, drawing: &Drawing, top: f64) {
    canvas.fill((0.0, top), (canvas.width() as f64, top + FOOTER as f64), DEEP);
    let (y, baseline) = (top + 20.0, top + 26.0);
    let mut x = 14.0;
    let mut entry = |canvas: &mut Canvas, colour: Rgb, width: f64, dash: bool, words: &str| {
        let end = (x + 30.0, y);
        if dash {
            canvas.dashed((x, y), end, width, colour, [6.0, 5.0]);
        } else {
            canvas.line((x, y), end, width, colour, 1.0);
        }
        canvas.text((x + 38.0, baseline), 18.0, Weight::Regular, PAPER, words);
        x += 38.0 + text_width(words, 18.0, Weight::Regular) + 26.0;
    };
    entry(canvas, SLIT, 2.0, false, "slit");
    entry(canvas, BAND, 1.6, true, "spectrum");
    if drawing.lines.iter().any(|l| !l.found.is_empty()) {
        entry(canvas, FOUND, 4.0, false, "line found");
    }
    if drawing.lines.iter().any(|l| !l.expected.is_empty()) {
        entry(canvas, EXPECTED, 1.3, false, "expected");
    }
    entry(canvas, ANGLE, 1.4, true, "straight would be");
    if canvas.width() > WIDTH_STANDING {
        let (x, y) = (x + 4.0, top + 11.0);
        canvas.fill((x, y), (x + 30.0, y + 18.0), EXPECTED);
        for k in 0..5 {
            let x = x + 7.0 * f64::from(k);
            canvas.line((x, y + 16.0), ((x + 14.0).min(x + 14.0), y + 2.0), 2.0, DEEP, 1.0);
        }
        canvas.text((x + 44.0, baseline), 18.0, Weight::Regular, PAPER, "over-exposed");
    }
}
