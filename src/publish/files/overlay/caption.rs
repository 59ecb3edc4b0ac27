//! The overlay's words: whose photo it is, above it, and the legend below.

use super::pane::HEADER;
use super::style::{ANGLE, DEEP, EDGE, EXPECTED, FOUND, PAPER, SLIT, SMALL};
use crate::publish::drawing::canvas::{Area, Canvas, Face, Point};
use crate::publish::numbers;
use crate::publish::record::Record;
use crate::publish::words;
use crate::terms::{Drawing, Phrases, Quantity};

/// What was measured, in a few words: how good the scale is, and the slit's width.
fn measured(record: &Record, t: &Phrases) -> String {
    let scale = record.scale_sigma_nm();
    let scale = scale.map(|sigma| {
        let scale = t.of("picture.scale");
        scale
            .put("sigma", t.n(numbers::within_nm(sigma)))
            .to_string()
    });
    let slit = record.metrics.reading(Quantity::SlitWidthUm);
    let slit = slit.map(|width| {
        let slit = t.of("picture.slit_width");
        slit.put("width", t.n(numbers::said(width, 1.0)))
            .to_string()
    });
    let said: Vec<String> = scale.into_iter().chain(slit).collect();
    said.join(" · ")
}

/// Whose photo it is, and what was measured. The verdict stands on the pages and cards: a limit that is edited changes it, and no
/// picture.
pub fn header(canvas: &mut Canvas, record: &Record, t: &Phrases) {
    let width = canvas.width() as f64;
    canvas.fill((0.0, 0.0), (width, HEADER as f64), EDGE);
    let (left, room) = (20.0, width - 40.0);
    let who = words::visible(&format!("{} · {}", record.bench, record.file_name()));
    let face = Face::bold(34.0);
    canvas.text((left, 42.0), face, PAPER, &face.fitted(&who, room));
    let measured = SMALL.fitted(&measured(record, t), room);
    canvas.text((left, 78.0), SMALL, PAPER, &measured);
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
    fn words(self, t: &Phrases) -> String {
        t.say(match self {
            Key::Slit => "picture.slit",
            Key::Dust => "picture.dust",
            Key::Found => "picture.found",
            Key::Expected => "picture.expected",
            Key::Straight => "picture.straight",
            Key::Clipped => "picture.over_exposed",
        })
    }

    /// Width with its mark and the gap behind it.
    fn width(self, t: &Phrases) -> f64 {
        32.0 + SMALL.width(&self.words(t)) + 20.0
    }
}

/// What is in the picture to be explained, in as many rows as it takes.
pub fn legend_rows(drawing: &Drawing, width: f64, t: &Phrases) -> Vec<Vec<Key>> {
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
            Some(row) if key.width(t) <= free => row.push(key),
            _ => {
                rows.push(vec![key]);
                free = width - 12.0;
            }
        }
        free -= key.width(t);
    }
    rows
}

/// One row of the legend, its upper edge at `top`.
pub fn legend_row(canvas: &mut Canvas, keys: &[Key], top: f64, t: &Phrases) {
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
        canvas.text((x + 32.0, baseline), SMALL, PAPER, &key.words(t));
        x += key.width(t);
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
        let english = crate::settings::english();
        let rows = legend_rows(&drawing, super::super::pane::WIDTH as f64, english);
        assert_eq!(rows.iter().flatten().count(), 5);
        for row in rows {
            let width: f64 = row.iter().map(|k| k.width(english)).sum();
            assert!(width <= super::super::pane::WIDTH as f64 - 12.0);
        }
    }
}
