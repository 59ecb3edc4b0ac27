//! `overlay.png`: the photo, cropped to what matters and brightened, with what was found drawn on it. One look must be
//! enough to believe what was measured or to dispute it.
//!
//! Pink marks what was found, because no spectrum holds pink; thin white marks what the scale expects; blue outlines the
//! slit's image; amber shows the angles. Where the orders lie far apart the measured one is shown enlarged, with its
//! lines named, beside a view of the whole.

mod caption;
mod pane;
mod photo;
mod style;

use crate::frame::Frame;
use crate::publish::drawing::canvas::{Area, Canvas, Face, Point, Rgb};
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::terms::{Drawing, DrawnLine, Phrases, Quantity};
use caption::{header, legend_row, legend_rows};
use pane::{HEADER, Layout, Pane};
use style::{
    ANGLE, BAND, EDGE, EXPECTED, FOOTER, FOUND, MOST_NAME, NAME, ROW, SLIT, SMALL, is_standing,
};
pub use style::{DEEP, PAPER};

/// Draws the picture. Without a frame, or without geometry, it shows whose it is over what there is.
pub fn overlay_png(
    record: &Record,
    drawing: &Drawing,
    frame: Option<&Frame>,
    t: &Phrases,
) -> Vec<u8> {
    let Some(frame) = frame.filter(|f| f.width() > 0 && f.height() > 0) else {
        let mut canvas = Canvas::new(pane::WIDTH, HEADER + 130, DEEP);
        header(&mut canvas, record, t);
        let (at, words) = ((28.0, HEADER as f64 + 76.0), t.say("picture.none"));
        canvas.text(at, Face::regular(30.0), PAPER, &words);
        return canvas.png();
    };
    let has_drawing = !drawing.slit.is_empty() || !drawing.bands.is_empty();
    let layout = Layout::new(record, drawing, frame);
    let legend = if has_drawing {
        legend_rows(drawing, layout.width as f64, t)
    } else {
        Vec::new()
    };
    let footer = legend.len() * FOOTER;
    let mut canvas = Canvas::new(layout.width, layout.height + footer, DEEP);
    photo::photo(&mut canvas, frame, drawing, &layout);
    let standing = is_standing(drawing);
    for pane in layout.panes() {
        canvas.clip(Some(pane.area));
        outlines(&mut canvas, drawing, (pane, layout.enlarged.is_some()), t);
        if pane.only.is_some() || layout.enlarged.is_none() {
            streaks(&mut canvas, drawing, pane);
        }
        let with_names = layout.enlarged.is_none() || pane.only.is_some();
        lines(&mut canvas, drawing, pane, (standing, with_names), t);
        if pane.only.is_none() {
            angles(&mut canvas, record, (drawing, pane), t);
        } else {
            rule(&mut canvas, pane, standing);
        }
    }
    canvas.clip(None);
    header(&mut canvas, record, t);
    for (i, row) in legend.iter().enumerate() {
        let top = layout.height + i * FOOTER;
        legend_row(&mut canvas, row, top as f64, t);
    }
    canvas.png()
}

/// The edge between the enlarged order and the whole.
fn rule(canvas: &mut Canvas, pane: &Pane, standing: bool) {
    let Area {
        x,
        y,
        width,
        height,
    } = pane.area;
    let (left, top) = (x as f64, y as f64);
    let (right, bottom) = (left + width as f64, top + height as f64);
    if standing {
        canvas.fill((left, top), (left + 2.0, bottom), EDGE);
    } else {
        canvas.fill((left, bottom - 2.0), (right, bottom), EDGE);
    }
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

fn outlines(
    canvas: &mut Canvas,
    drawing: &Drawing,
    (pane, is_enlarged): (&Pane, bool),
    t: &Phrases,
) {
    let bands = drawing
        .bands
        .iter()
        .enumerate()
        .filter(|(i, _)| pane.only.is_none_or(|only| only == *i));
    for (_, (order, outline)) in bands {
        let outline = closed(&pane.all(outline));
        for pair in outline.windows(2) {
            canvas.dashed(pair[0], pair[1], 1.6, BAND, [9.0, 6.0]);
        }
        let Some([left, top, right, bottom]) = pane::bounds(&outline) else {
            continue;
        };
        let key = match pane.only {
            Some(_) => "picture.order_enlarged",
            None => "picture.order",
        };
        let name = t.of(key).put("order", numbers::signed(*order)).to_string();
        let room = SMALL.width(&name);
        // Below a spectrum that lies, to the left of one that stands: the names of the lines take the other sides.
        let (x, y) = if !is_standing(drawing) {
            ((left + right - room) / 2.0, bottom + 30.0)
        } else if pane.only.is_some() || !is_enlarged {
            (
                left,
                (bottom + 30.0).min((pane.area.y + pane.area.height) as f64 - 8.0),
            )
        } else {
            ((left - room - 8.0).max(4.0), (top + bottom) / 2.0)
        };
        label(canvas, (x, y), SMALL, BAND, &name);
    }
    if pane.only.is_none() && !drawing.slit.is_empty() {
        rimmed(canvas, &closed(&pane.all(&drawing.slit)), 2.0, SLIT);
    }
}

/// Dust: a short mark beyond either end of its streak, in the slit's colour, for it lies on the slit.
fn streaks(canvas: &mut Canvas, drawing: &Drawing, pane: &Pane) {
    for streak in &drawing.streaks {
        if let [first, second, .., before, last] = pane.all(streak).as_slice() {
            for (from, to) in [(second, first), (before, last)] {
                let (near, far) = (beyond(*from, *to, 4.0), beyond(*from, *to, 16.0));
                canvas.line(near, far, 8.0, DEEP, 0.6);
                canvas.line(near, far, 5.0, SLIT, 1.0);
            }
        }
    }
}

/// Text with a dark rim.
fn label(canvas: &mut Canvas, at: Point, face: Face, colour: Rgb, text: &str) {
    canvas.rimmed_text(at, face, [colour, DEEP], text);
}

/// A line's name on its way to its place.
struct Name<'a> {
    /// End of the line from which the leader goes out.
    from: Point,
    text: String,
    width: f64,
    line: &'a DrawnLine,
}

/// A line's name for the picture, wavelengths with one decimal: the others stand in the tables.
fn short(name: &str) -> String {
    let is_digit = |c: char| c.is_ascii_digit() || c == '.';
    let mut out = String::new();
    let mut rest = name;
    while let Some(start) = rest.find(is_digit) {
        let end = rest[start..]
            .find(|c| !is_digit(c))
            .map_or(rest.len(), |n| start + n);
        let number = &rest[start..end];
        let decimals = number.split_once('.').map_or(0, |(_, d)| d.len());
        out += &rest[..start];
        match number.parse::<f64>() {
            Ok(nm) if decimals > 1 => out += &format!("{nm:.1}"),
            _ => out += number,
        }
        rest = &rest[end..];
    }
    out + rest
}

/// The point `reach` px beyond `end`, away from `before`.
fn beyond(before: Point, end: Point, reach: f64) -> Point {
    let (dx, dy) = (end.0 - before.0, end.1 - before.1);
    let length = dx.hypot(dy).max(1e-9);
    (end.0 + dx / length * reach, end.1 + dy / length * reach)
}

/// Lines: expected ones thin and right across; found ones as thick ends that leave the light itself to be seen.
fn lines(
    canvas: &mut Canvas,
    drawing: &Drawing,
    pane: &Pane,
    (standing, with_names): (bool, bool),
    t: &Phrases,
) {
    let order = pane.only.map(|i| drawing.bands[i].0);
    let ends = if with_names { 16.0 } else { 7.0 };
    let mut names: Vec<Name<'_>> = Vec::new();
    for line in &drawing.lines {
        if order.is_some_and(|order| order != line.order) {
            continue;
        }
        let (expected, found) = (pane.all(&line.expected), pane.all(&line.found));
        canvas.polyline(&found, 1.6, FOUND, 0.55);
        canvas.polyline(&expected, 1.2, EXPECTED, if with_names { 0.9 } else { 0.4 });
        let mut reach: Vec<Point> = expected.clone();
        if let [first, .., last] = found.as_slice() {
            for (from, to) in [(last, first), (first, last)] {
                let out = beyond(*from, *to, ends);
                canvas.line(*to, out, 7.5, DEEP, 0.6);
                canvas.line(*to, out, 5.0, FOUND, 1.0);
                reach.push(out);
            }
        }
        let sort = |p: &Point| if standing { p.0 } else { -p.1 };
        let end = reach
            .into_iter()
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .max_by(|a, b| sort(a).total_cmp(&sort(b)));
        if let Some(from) = end.filter(|_| with_names && !line.name.is_empty()) {
            let text = NAME.fitted(&t.n(short(&line.name)), MOST_NAME);
            let width = NAME.width(&text);
            names.push(Name {
                from,
                text,
                width,
                line,
            });
        }
    }
    if standing {
        names_beside(canvas, names, pane);
    } else {
        names_above(canvas, names, pane);
    }
}

fn name_colour(line: &DrawnLine) -> Rgb {
    if line.found.is_empty() { BAND } else { FOUND }
}

/// Names in rows above a spectrum that lies: from left to right, each in the lowest row where there is room.
fn names_above(canvas: &mut Canvas, mut names: Vec<Name<'_>>, pane: &Pane) {
    names.sort_by(|a, b| a.from.0.total_cmp(&b.from.0));
    let Some(top) = names.iter().map(|n| n.from.1).min_by(f64::total_cmp) else {
        return;
    };
    let room = top - pane.area.y as f64 - 8.0;
    let rows = ((room / ROW).floor().max(1.0) as usize).min(pane::NAME_ROWS);
    let mut ends = vec![f64::NEG_INFINITY; rows];
    let width = pane.area.width as f64;
    for name in names {
        let left = (name.from.0 - name.width / 2.0).clamp(4.0, (width - name.width - 4.0).max(4.0));
        let Some(row) = ends.iter().position(|&end| left > end + 8.0) else {
            // No room for another name; the line itself is drawn.
            continue;
        };
        ends[row] = left + name.width;
        let baseline = top - 12.0 - row as f64 * ROW;
        let colour = name_colour(name.line);
        let foot = (name.from.0.clamp(left, left + name.width), baseline + 5.0);
        canvas.line(name.from, foot, 1.3, colour, 0.8);
        label(canvas, (left, baseline), NAME, colour, &name.text);
    }
}

/// Names in a column to the right of a spectrum that stands, moved apart where they would touch.
fn names_beside(canvas: &mut Canvas, mut names: Vec<Name<'_>>, pane: &Pane) {
    names.sort_by(|a, b| a.from.1.total_cmp(&b.from.1));
    let Some(right) = names.iter().map(|n| n.from.0).max_by(f64::total_cmp) else {
        return;
    };
    let mut free = pane.area.y as f64 + ROW;
    for name in names {
        let baseline = (name.from.1 + 6.0).max(free);
        free = baseline + ROW;
        let colour = name_colour(name.line);
        canvas.line(name.from, (right + 30.0, baseline - 8.0), 1.3, colour, 0.8);
        label(canvas, (right + 36.0, baseline), NAME, colour, &name.text);
    }
}

/// A unit vector and its length; absent for a segment of no length.
fn direction(a: Point, b: Point) -> Option<(Point, f64)> {
    let length = (b.0 - a.0).hypot(b.1 - a.1);
    (length.is_finite() && length > 0.0)
        .then(|| (((b.0 - a.0) / length, (b.1 - a.1) / length), length))
}

/// What is, in amber, against what should be, dotted; both ways from `middle`.
fn angle(canvas: &mut Canvas, middle: Point, is: Point, should: Point, reach: f64) {
    let same = if is.0 * should.0 + is.1 * should.1 < 0.0 {
        -1.0
    } else {
        1.0
    };
    for side in [-reach, reach] {
        let tip = |d: Point, f: f64| (middle.0 + side * f * d.0, middle.1 + side * f * d.1);
        canvas.line(middle, tip(is, 1.0), 1.6, ANGLE, 0.9);
        canvas.dashed(middle, tip(should, same), 1.6, ANGLE, [3.0, 6.0]);
    }
}

/// Tilt and skew as drawn angles.
fn angles(canvas: &mut Canvas, record: &Record, (drawing, pane): (&Drawing, &Pane), t: &Phrases) {
    let said = |quantity: Quantity, key: &str| {
        let angle = t.n(numbers::said(record.metrics.reading(quantity)?, 1.0));
        Some(t.of(key).put("angle", angle).to_string())
    };
    let Some([a, b]) = drawing.dispersion_axis else {
        return;
    };
    let (a, b) = (pane.at(a), pane.at(b));
    let Some((along, _)) = direction(a, b) else {
        return;
    };
    let middle = ((a.0 + b.0) / 2.0, (a.1 + b.1) / 2.0);
    let bottom = (pane.area.y + pane.area.height) as f64 - 12.0;
    let left = pane.area.x as f64 + 12.0;
    if let Some(text) = said(Quantity::TiltDeg, "picture.tilt") {
        let level = if along.0.abs() >= along.1.abs() {
            (1.0, 0.0)
        } else {
            (0.0, 1.0)
        };
        let reach = 0.45 * pane.area.width.max(pane.area.height) as f64;
        angle(canvas, middle, along, level, reach);
        label(canvas, (left, bottom), NAME, ANGLE, &text);
    }
    let Some(text) = said(Quantity::SkewDeg, "picture.skew") else {
        return;
    };
    if let Some([a, b]) = drawing.slit_axis
        && let Some((slit, length)) = direction(pane.at(a), pane.at(b))
    {
        angle(
            canvas,
            middle,
            slit,
            (-along.1, along.0),
            length / 2.0 + 40.0,
        );
    }
    let width = NAME.width(&text);
    let x = (pane.area.x + pane.area.width) as f64 - width - 12.0;
    // Where both do not fit side by side, one above the other.
    let at = if pane.area.width < 450 {
        (left, bottom - ROW)
    } else {
        (x, bottom)
    };
    label(canvas, at, NAME, ANGLE, &text);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_smallest_letters_are_twelve_pixels_on_the_smallest_phone() {
        // 360 px less the page's margins of 14.4 px (`bench.css`).
        let shown = (360.0 - 2.0 * 14.4) / pane::WIDTH as f64;
        assert!(SMALL.size * shown >= 12.0, "{}", SMALL.size * shown);
    }

    #[test]
    fn names_have_one_decimal_and_keep_the_rest() {
        assert_eq!(short("Hg 576.96+579.07"), "Hg 577.0+579.1");
        assert_eq!(short("He-Ne 632.8"), "He-Ne 632.8");
        assert_eq!(short("v1.2.3 é 5"), "v1.2.3 é 5");
        assert_eq!(short(""), "");
    }
}
