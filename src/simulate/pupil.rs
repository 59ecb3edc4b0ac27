//! The pupil as a set of points, each of which sees a picture of its own; a photo is their mean.

use std::f64::consts::PI;

use super::effective::Effective;
use super::rays::Rays;
use crate::terms::Point;

/// Points that stand for a round pupil: neighbours lie closer together in the picture than the lens blurs, but for the smear along
/// the slit, where each stands for a stretch.
const POINTS: usize = 24;
/// Pixels between the places at which the points' pictures are compared: between them the difference is linear to 0.001 px.
const STEP: usize = 64;

/// The points of a shot's pupil, mm from its middle on the camera's axes.
pub(super) fn points(effective: &Effective) -> Vec<[f64; 2]> {
    if effective.shot.reality.focus_mm.is_none() {
        return vec![[0.0, 0.0]];
    }
    let radius_mm = 0.5 * effective.shot.phone.pupil_diameter_mm();
    let turn = PI * (3.0 - 5f64.sqrt());
    let mut points: Vec<[f64; 2]> = (0..POINTS)
        .map(|i| {
            let r = radius_mm * ((i as f64 + 0.5) / POINTS as f64).sqrt();
            let (sin, cos) = (i as f64 * turn).sin_cos();
            [r * cos, r * sin]
        })
        .collect();
    // Middle and width exactly those of a full disc.
    for k in 0..2 {
        let n = POINTS as f64;
        let mean = points.iter().map(|p| p[k]).sum::<f64>() / n;
        let variance = points.iter().map(|p| (p[k] - mean).powi(2)).sum::<f64>() / n;
        let scale = 0.5 * radius_mm / variance.sqrt();
        points.iter_mut().for_each(|p| p[k] = scale * (p[k] - mean));
    }
    points
}

/// What one point of the pupil sees otherwise than its middle does.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Offset {
    /// Of the shift that is seen at a pixel.
    pub shift: f64,
    /// Of the place along the slit, mm.
    pub along_mm: f64,
    /// Half the stretch of the slit for which the point stands, mm.
    pub reach_mm: f64,
    /// Where the light passed the grating, across and along the slit, mm.
    pub foot_mm: [f64; 2],
}

impl Offset {
    fn mix(a: Offset, b: Offset, t: f64) -> Offset {
        let mix = |a: f64, b: f64| a + (b - a) * t;
        Offset {
            shift: mix(a.shift, b.shift),
            along_mm: mix(a.along_mm, b.along_mm),
            reach_mm: mix(a.reach_mm, b.reach_mm),
            foot_mm: [
                mix(a.foot_mm[0], b.foot_mm[0]),
                mix(a.foot_mm[1], b.foot_mm[1]),
            ],
        }
    }
}

/// A rectangle of the sensor, px.
#[derive(Clone, Copy, Debug)]
pub(super) struct Field {
    pub left: isize,
    pub top: isize,
    pub width: usize,
    pub height: usize,
}

/// Offsets of one point of the pupil over a rectangle of the sensor.
pub(super) struct Offsets {
    columns: usize,
    /// Largest offset of the shift.
    most: f64,
    nodes: Vec<Offset>,
}

/// What the pupil's middle sees at the places at which the points are compared.
pub(super) struct Middle {
    columns: usize,
    rows: usize,
    field: Field,
    /// Shift and place along the slit (mm), and its change per mm of the pupil along the slit.
    nodes: Vec<(f64, f64, f64)>,
    diameter_mm: f64,
}

impl Middle {
    pub(super) fn new(field: Field, rays: &Rays, effective: &Effective) -> Middle {
        let columns = field.width.div_ceil(STEP) + 1;
        let rows = field.height.div_ceil(STEP) + 1;
        let mut middle = Middle {
            columns,
            rows,
            field,
            nodes: Vec::with_capacity(columns * rows),
            diameter_mm: effective.shot.phone.pupil_diameter_mm(),
        };
        let origin = rays.trace(0.0, 0.0, 0.0).unwrap_or_default();
        let r = 0.25 * middle.diameter_mm;
        for i in 0..columns * rows {
            let seen = middle.place(i);
            let (shift, along_mm) = if i == 0 {
                walk(rays, origin, seen)
            } else {
                let near = if i % columns == 0 { i - columns } else { i - 1 };
                let (shift, along_mm, _) = middle.nodes[near];
                rays.invert(seen, (shift, along_mm), [0.0, 0.0])
            };
            let at = |p: [f64; 2]| rays.invert(seen, (shift, along_mm), p).1;
            // Whichever way the camera is turned, the steepest way counts.
            let slope = ((at([r, 0.0]) - at([-r, 0.0])) / (2.0 * r))
                .hypot((at([0.0, r]) - at([0.0, -r])) / (2.0 * r));
            middle.nodes.push((shift, along_mm, slope));
        }
        middle
    }

    fn place(&self, i: usize) -> Point {
        Point::new(
            (self.field.left + ((i % self.columns) * STEP) as isize) as f64,
            (self.field.top + ((i / self.columns) * STEP) as isize) as f64,
        )
    }

    /// Against this, what a point of the pupil sees.
    pub(super) fn offsets(&self, rays: &Rays, pupil: [f64; 2]) -> Offsets {
        let spacing = self.diameter_mm / POINTS as f64;
        // The way to one place begins as the one to the place before it ended.
        let mut last = (0.0, 0.0);
        let of_node = |i: usize| {
            let (shift, along_mm, slope) = self.nodes[i];
            let (g, s) = rays.invert(self.place(i), (shift + last.0, along_mm + last.1), pupil);
            last = (g - shift, s - along_mm);
            let passed = rays.follow(g, [s, 0.0], pupil);
            Offset {
                shift: g - shift,
                along_mm: s - along_mm,
                reach_mm: slope * spacing,
                foot_mm: passed.map_or([0.0; 2], |p| p.foot_mm),
            }
        };
        let nodes: Vec<Offset> = (0..self.columns * self.rows).map(of_node).collect();
        Offsets {
            columns: self.columns,
            most: nodes
                .iter()
                .fold(0.0, |most, node| node.shift.abs().max(most)),
            nodes,
        }
    }
}

/// Shift and place along the slit that are seen at a place far from the slit's own image, found step by step from there.
pub(super) fn walk(rays: &Rays, origin: Point, to: Point) -> (f64, f64) {
    let mut guess = (0.0, 0.0);
    for step in 1..=20 {
        let t = f64::from(step) / 20.0;
        let on_the_way = origin.along((to.x - origin.x, to.y - origin.y), t);
        guess = rays.invert(on_the_way, guess, [0.0, 0.0]);
    }
    guess
}

impl Offsets {
    /// Largest offset of the shift.
    pub(super) fn most(&self) -> f64 {
        self.most
    }

    /// Along row `row` of the rectangle, one every [`STEP`] pixels.
    pub(super) fn row(&self, row: usize) -> Vec<Offset> {
        let (cell, t) = (row / STEP, (row % STEP) as f64 / STEP as f64);
        let above = &self.nodes[cell * self.columns..(cell + 1) * self.columns];
        let below = &self.nodes[(cell + 1) * self.columns..(cell + 2) * self.columns];
        above
            .iter()
            .zip(below)
            .map(|(a, b)| Offset::mix(*a, *b, t))
            .collect()
    }

    /// The offset `column` pixels from the left in a row that [`Offsets::row`] gave.
    #[inline]
    pub(super) fn at(row: &[Offset], column: usize) -> Offset {
        let (cell, t) = (column / STEP, (column % STEP) as f64 / STEP as f64);
        Offset::mix(row[cell], *row.get(cell + 1).unwrap_or(&row[cell]), t)
    }
}

/// Standard deviation over the pupil of the place on the sensor, px, along the dispersion: what it blurs lines by.
pub(super) fn spread_px(points: &[[f64; 2]], rays: &Rays, shift: f64) -> f64 {
    let Some(middle) = rays.trace(shift, 0.0, 0.0) else {
        return 0.0;
    };
    let Some(next) = rays.trace(shift + 1e-3, 0.0, 0.0) else {
        return 0.0;
    };
    let (dx, dy) = (next.x - middle.x, next.y - middle.y);
    let n = dx.hypot(dy);
    let (mut sum, mut squares) = (0.0, 0.0);
    for pupil in points {
        let Some(passed) = rays.follow(shift, [0.0, 0.0], *pupil) else {
            return 0.0;
        };
        let t = ((passed.seen.x - middle.x) * dx + (passed.seen.y - middle.y) * dy) / n;
        sum += t;
        squares += t * t;
    }
    let count = points.len() as f64;
    (squares / count - (sum / count).powi(2)).max(0.0).sqrt()
}
