//! The overlay's words: the verdict's bar above the photo and the legend below it.

use super::pane::HEADER;
use super::style::{ANGLE, DEEP, EXPECTED, FOUND, PAPER, SLIT, SMALL, state_colours};
use crate::publish::drawing::canvas::{Area, Canvas, Face, Point, Rgb};
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::terms::{Drawing, Verdict};

/// The state's sign: told apart by its shape, the same on the pages.
pub fn sign(
    canvas: &mut Canvas,
    (x, y): Point,
    size: f64,
    verdict: Verdict,
    ink: Rgb,
    ground: Rgb,
) {
    let at = |u: f64, v: f64| (x + u * size, y + v * size);
    let bar = size / 7.0;
    match verdict {
        Verdict::Good => canvas.fill_outline(&[at(0.0, 0.0), at(1.0, 0.5), at(0.0, 1.0)], ink),
        Verdict::Caution => {
            canvas.fill(at(0.0, 0.0), at(1.0, 1.0), ink);
            canvas.fill(
                (x + size / 2.0, y + bar),
                (x + size - bar, y + size - bar),
                ground,
            );
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
            for (u, v) in [
                (0.0, 0.0),
                (0.67, 0.0),
                (0.33, 0.33),
                (0.0, 0.67),
                (0.67, 0.67),
            ] {
                canvas.fill(at(u, v), at(u + 0.33, v + 0.33), ink);
            }
        }
        Verdict::Ignored => canvas.line(at(0.0, 0.5), at(1.0, 0.5), bar, ink, 1.0),
    }
}

/// The lines beside the verdict: what is wrong and by how much, or how good the scale is; and whose photo it is.
fn said(record: &Record) -> Vec<String> {
    let who = format!("{} · {}", record.bench, record.file_name());
    let mut lines = Vec::new();
    if let Some(reason) = record.reasons.first() {
        lines.push(reason.code.trouble().to_owned());
        lines.push(reason.measured.clone());
        lines.push(who);
    } else {
        lines.push(who);
        let sigma = record.scale_sigma_nm();
        lines.extend(sigma.map(|s| format!("scale {}", numbers::within_nm(s))));
    }
    lines.retain(|line| !line.is_empty());
    lines
}

/// The verdict, whose photo it is, and why.
pub fn header(canvas: &mut Canvas, record: &Record) {
    let (ground, ink) = state_colours(record.verdict);
    let width = canvas.width() as f64;
    canvas.fill((0.0, 0.0), (width, HEADER as f64), ground);
    sign(canvas, (20.0, 36.0), 44.0, record.verdict, ink, ground);
    let word = record.verdict.as_str().to_uppercase();
    // The longest word leaves half of the width to the rest.
    let size = (56.0 * 250.0 / Face::bold(56.0).width(&word)).min(56.0);
    canvas.text((78.0, 77.0), Face::bold(size), ink, &word);
    let left = 78.0 + Face::bold(size).width(&word) + 20.0;
    let room = width - left - 12.0;
    let said = said(record);
    let mut baseline = 70.0 - 16.0 * (said.len() as f64 - 1.0);
    for (i, line) in said.iter().enumerate() {
        let face = if i == 0 { Face::bold(29.0) } else { SMALL };
        canvas.text((left, baseline), face, ink, &face.fitted(line, room));
        baseline += 32.0;
    }
}

/// What the legend explains.
#[derive(Clone, Copy)]
pub enum Key {
    Slit,
    Dust,
    Found,
    Expected,
    Straight,
    Clipped,
}

impl Key {
    fn words(self) -> &'static str {
        match self {
            Key::Slit => "slit",
            Key::Dust => "dust",
            Key::Found => "found",
            Key::Expected => "expected",
            Key::Straight => "straight",
            Key::Clipped => "over-exposed",
        }
    }

    /// Width with its mark and the gap behind it.
    fn width(self) -> f64 {
        32.0 + SMALL.width(self.words()) + 20.0
    }
}

/// What is in the picture to be explained, in as many rows as it takes.
pub fn legend_rows(drawing: &Drawing, width: f64) -> Vec<Vec<Key>> {
    let mut keys = vec![Key::Slit];
    if !drawing.streaks.is_empty() {
        keys.push(Key::Dust);
    }
    if drawing.lines.iter().any(|l| !l.found.is_empty()) {
        keys.push(Key::Found);
    }
    if drawing.lines.iter().any(|l| !l.expected.is_empty()) {
        keys.push(Key::Expected);
    }
    keys.extend([Key::Straight, Key::Clipped]);
    let mut rows: Vec<Vec<Key>> = Vec::new();
    let mut free = 0.0;
    for key in keys {
        match rows.last_mut() {
            Some(row) if key.width() <= free => row.push(key),
            _ => {
                rows.push(vec![key]);
                free = width - 12.0;
            }
        }
        free -= key.width();
    }
    rows
}

/// One row of the legend, its upper edge at `top`.
pub fn legend_row(canvas: &mut Canvas, keys: &[Key], top: f64) {
    let (y, baseline) = (top + 19.0, top + 28.0);
    let mut x = 12.0;
    for key in keys {
        let end = (x + 24.0, y);
        match key {
            Key::Slit => canvas.line((x, y), end, 2.0, SLIT, 1.0),
            Key::Dust => canvas.line((x + 6.0, y), (x + 18.0, y), 6.0, SLIT, 1.0),
            Key::Found => canvas.line((x, y), end, 5.0, FOUND, 1.0),
            Key::Expected => canvas.line((x, y), end, 1.3, EXPECTED, 1.0),
            Key::Straight => canvas.dashed((x, y), end, 1.6, ANGLE, [6.0, 5.0]),
            Key::Clipped => hatched(canvas, (x, top + 10.0)),
        }
        canvas.text((x + 32.0, baseline), SMALL, PAPER, key.words());
        x += key.width();
    }
}

/// A patch as over-exposed light is drawn.
fn hatched(canvas: &mut Canvas, (x, y): Point) {
    canvas.fill((x, y), (x + 24.0, y + 18.0), EXPECTED);
    canvas.clip(Some(Area::new(x as usize, y as usize, 24, 18)));
    for k in -2..5 {
        let x = x + 8.0 * f64::from(k);
        canvas.line((x, y + 20.0), (x + 22.0, y - 2.0), 2.5, DEEP, 1.0);
    }
    canvas.clip(None);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_the_legend_sticks_out() {
        let along = [(0.0, 0.0), (0.0, 9.0)]
            .map(crate::terms::Point::from)
            .to_vec();
        let line = crate::terms::DrawnLine {
            order: 1,
            name: "a".to_owned(),
            expected: along.clone(),
            found: along,
            clipped: false,
        };
        let drawing = Drawing {
            lines: vec![line],
            ..Drawing::default()
        };
        let rows = legend_rows(&drawing, super::super::pane::WIDTH as f64);
        assert_eq!(rows.iter().flatten().count(), 5);
        for row in rows {
            let width: f64 = row.iter().map(|k| k.width()).sum();
            assert!(width <= super::super::pane::WIDTH as f64 - 12.0);
        }
    }
}
