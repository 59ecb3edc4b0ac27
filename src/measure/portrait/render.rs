//! How one line is drawn by slit and lens: a box as wide as the slit, blurred by the lens (a Gaussian) and by the round pupil
//! where the line is not in focus (the chord of a disc).

use std::f64::consts::{FRAC_1_SQRT_2, PI};
use std::ops::Range;
use std::sync::OnceLock;

/// Blurs of the lens that are tried, px (standard deviation), with the pixel's own width and what the camera's colours add.
pub const LENS_PX: [f64; 22] = [
    0.6, 0.72, 0.86, 1.02, 1.2, 1.42, 1.68, 2.0, 2.4, 2.8, 3.3, 3.9, 4.6, 5.4, 6.4, 7.5, 8.8, 10.3,
    12.1, 14.2, 16.7, 20.0,
];
/// Diameters of the pupil's blur that are tried, px.
pub const DISC_PX: [f64; 21] = [
    0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.5, 10.0, 12.0, 14.0, 16.5, 19.0, 22.0, 26.0, 30.0,
    36.0, 43.0, 52.0, 64.0,
];

/// Widths of the slit that can be tried: each so many times the one before…
pub const WIDER: f64 = 1.12;
/// …by their steps from 1 px: 0.01 to 1500 px.
pub const WIDTH_STEPS: Range<i32> = -40..65;

/// A slit's width, px, by its step.
pub fn width_px(step: i32) -> f64 {
    WIDER.powi(step)
}

/// Standard deviation of the chord of a disc of diameter 1 (integral of x² √(r² − x²); from memory).
pub const DISC_SIGMA: f64 = 0.25;

/// Distance of the values in a table, px.
const STEP_PX: f64 = 0.15;
/// Values to either side of a table at which all of the light lies on one side.
const SPARE: usize = 2;

/// A lens's blur is drawn so many of its standard deviations far: beyond them lie seven millionths of a Gaussian's light.
pub const BLUR_REACH: f64 = 4.5;
/// A disc is drawn by so many places for each blur that it is wide, and by no more than so many.
const PLACES_PER_BLUR: f64 = 1.5;
const MOST_PLACES: usize = 40;

/// The share of a point's light to the left of a place.
struct Edge {
    /// From where none of it is to where all of it is, in steps of [`STEP_PX`].
    values: Vec<f64>,
    /// Index of the middle.
    middle: f64,
    /// Highest index that has one after it.
    last: f64,
}

impl Edge {
    fn new(lens_px: f64, disc_px: f64) -> Edge {
        let n = ((0.5 * disc_px + BLUR_REACH * lens_px) / STEP_PX) as usize + 2;
        // Gauss and Chebyshev's nodes of the second kind: the chord of a disc is their weight.
        let nodes = ((PLACES_PER_BLUR * disc_px / lens_px).ceil() as usize).clamp(1, MOST_PLACES);
        let places: Vec<(f64, f64)> = (1..=nodes)
            .map(|k| {
                let angle = PI * k as f64 / (nodes + 1) as f64;
                let weight = 2.0 / (nodes + 1) as f64 * angle.sin().powi(2);
                (0.5 * disc_px * angle.cos(), weight)
            })
            .collect();
        let scale = FRAC_1_SQRT_2 / lens_px;
        let right: Vec<f64> = (0..n)
            .map(|i| {
                let x = i as f64 * STEP_PX;
                let side = |&(at, weight): &(f64, f64)| weight * libm::erf((x - at) * scale);
                0.5 + 0.5 * places.iter().map(side).sum::<f64>()
            })
            .collect();
        let left = right[1..].iter().rev().map(|share| 1.0 - share);
        let mut values = vec![0.0; SPARE];
        values.extend(left);
        values.extend(&right);
        values.extend([1.0; SPARE]);
        Edge {
            middle: (SPARE + n - 1) as f64,
            last: (values.len() - 2) as f64,
            values,
        }
    }

    /// Where a place in px lies in the table: the value before it, and how far it is to the next.
    #[inline]
    fn place(&self, x_px: f64) -> (usize, f64) {
        let place = (x_px / STEP_PX + self.middle).clamp(0.0, self.last);
        let first = place as usize;
        (first, place - first as f64)
    }

    #[inline]
    fn at(&self, x_px: f64) -> f64 {
        let (first, share) = self.place(x_px);
        let pair = &self.values[first..first + 2];
        pair[0] + (pair[1] - pair[0]) * share
    }

    /// There, and its slope by px.
    #[inline]
    fn with_slope(&self, x_px: f64) -> (f64, f64) {
        let (first, share) = self.place(x_px);
        let pair = &self.values[first..first + 2];
        let rise = pair[1] - pair[0];
        (pair[0] + rise * share, rise / STEP_PX)
    }
}

/// By lens and disc; made when it is first asked for, for no photo asks for all.
static EDGES: [OnceLock<Edge>; LENS_PX.len() * DISC_PX.len()] =
    [const { OnceLock::new() }; LENS_PX.len() * DISC_PX.len()];

/// A line of area 1 as slit, lens and disc draw it.
#[derive(Clone, Copy)]
pub struct Line {
    edge: &'static Edge,
    half_px: f64,
    per_width: f64,
}

impl Line {
    /// Of a slit `width_px` wide, the lens and the disc by their index.
    pub fn new(width_px: f64, lens: usize, disc: usize) -> Line {
        let edge = &EDGES[lens * DISC_PX.len() + disc];
        Line {
            edge: edge.get_or_init(|| Edge::new(LENS_PX[lens], DISC_PX[disc])),
            half_px: 0.5 * width_px,
            per_width: 1.0 / width_px,
        }
    }

    /// Light at `x_px` from its middle.
    #[inline]
    pub fn at(&self, x_px: f64) -> f64 {
        (self.edge.at(x_px + self.half_px) - self.edge.at(x_px - self.half_px)) * self.per_width
    }

    /// Light there, and its slope by px.
    #[inline]
    pub fn with_slope(&self, x_px: f64) -> (f64, f64) {
        let (right, left) = (
            self.edge.with_slope(x_px + self.half_px),
            self.edge.with_slope(x_px - self.half_px),
        );
        (
            (right.0 - left.0) * self.per_width,
            (right.1 - left.1) * self.per_width,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::light::lineshape::box_gauss;

    #[test]
    fn without_a_pupil_a_line_is_a_box_behind_a_gaussian() {
        for (lens, sigma) in LENS_PX.iter().enumerate() {
            for x in [-4.0, -0.7, 0.0, 1.3, 6.1] {
                let drawn = Line::new(2.3, lens, 0).at(x);
                assert!((drawn - box_gauss(x, 2.3, *sigma)).abs() < 2e-3, "{x}");
            }
        }
    }

    #[test]
    fn its_slope_is_what_it_climbs_by() {
        for (width_px, lens, disc) in [(0.4, 0, 0), (5.0, 4, 3), (40.0, 21, 20)] {
            let line = Line::new(width_px, lens, disc);
            let at = |i: i32| line.with_slope(0.05 * f64::from(i));
            let slopes = (-2000..=2000).map(|i| at(i).1.abs());
            let steepest = slopes.fold(0.0, f64::max);
            let mut climbed = 0.0f64;
            for i in -2000..=2000 {
                let (light, slope) = at(i);
                assert_eq!(light, line.at(0.05 * f64::from(i)));
                climbed += 0.05 * slope;
                assert!((climbed - light).abs() < 0.1 * steepest, "{width_px} {i}");
            }
        }
    }

    /// The second moment of a disc's chord is a sixteenth of its diameter squared (integral of x² √(r² − x²); from memory).
    #[test]
    fn widths_add_up_as_variances() {
        for (lens, disc) in [(2, 4), (4, 8), (5, 12)] {
            let width = 3.0;
            let line = Line::new(width, lens, disc);
            let (mut area, mut second) = (0.0, 0.0);
            let mut x = -60.0;
            while x < 60.0 {
                let light = line.at(x);
                area += 0.05 * light;
                second += 0.05 * light * x * x;
                x += 0.05;
            }
            let expected =
                width * width / 12.0 + LENS_PX[lens].powi(2) + DISC_PX[disc].powi(2) / 16.0;
            assert!((area - 1.0).abs() < 1e-3, "{area}");
            assert!(
                (second / expected - 1.0).abs() < 0.02,
                "{second} {expected}"
            );
        }
    }
}
