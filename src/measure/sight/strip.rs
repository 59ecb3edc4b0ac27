//! What stands in the strip that the spectrum would lie in: pure colours, lines as long as the slit's image, the picture's
//! edges. A grating's light has them, a room's or a leak's has not.

use crate::measure::optics::SMEAR_RAD;
use crate::measure::sight::map::Map;
use crate::measure::sight::spot::{Located, Spot};
use crate::terms::{Interval, sorted};

/// What lies beside a line is looked at so many half widths of the slit's image from it, and so many cells at least.
const APART_WIDTHS: f64 = 3.0;
const APART_CELLS: f64 = 5.0;
/// Light of a place is what is above so many of its noises.
const LIT_SIGMAS: f64 = 6.0;
/// Where on a line its light is looked at, and where beyond its ends there must be none, in half lengths of the slit's image.
const ON: [f64; 7] = [-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75];
const BEYOND: [f64; 6] = [-1.7, -1.5, -1.35, 1.35, 1.5, 1.7];
/// A line is even where its places have more than this share of the middle level, and less than so many times it.
const EVEN_FROM: f64 = 0.4;
const EVEN_TO: f64 = 2.5;
/// It ends where less than this share of it is beyond its ends.
const ENDS_BELOW: f64 = 0.4;
/// It stands out of the map's noise so many times.
const LINE_SIGMAS: f64 = 8.0;

/// An edge is a second difference of at least so much light (linear share of full scale), and of so many noises: two of single cells
/// have 3.5 times their noise, and a grainy veil has no edges. More than so much of it does not count.
const LEAST_EDGE: f64 = 0.012;
const EDGE_SIGMAS: f64 = 12.0;
const MOST_EDGE: f64 = 0.3;
/// The strip reaches so many focal lengths from the slit's image, so many half lengths of it to either side, and widens by this share
/// of the distance, besides what the pupil smears.
const STRIP_REACH: f64 = 1.25;
const STRIP_HALF: f64 = 1.35;
const STRIP_WIDENS: f64 = 0.06;

/// How pure the colours of narrow lines are: what stands out of its neighbourhood along the dispersion, so that a leak,
/// which is grey and broad, does not dilute them. 0 where no line stands out.
pub fn line_purity(colours: &[Option<[f64; 3]>], spot: &Spot, zone: Interval, noise: f64) -> f64 {
    let steps = (colours.len() / 2) as i64;
    let apart = (APART_WIDTHS * spot.half_width).ceil().max(APART_CELLS) as i64;
    let (mut sum, mut weights) = (0.0, 0.0);
    for i in -steps + apart..=steps - apart {
        let s = (i as f64).abs();
        if s < zone.low || s > zone.high {
            continue;
        }
        let at = |k: i64| colours[(k + steps) as usize];
        let (Some(here), Some(before), Some(after)) = (at(i), at(i - apart), at(i + apart)) else {
            continue;
        };
        let excess: [f64; 3] = std::array::from_fn(|c| here[c] - 0.5 * (before[c] + after[c]));
        let top = excess[0].max(excess[1]).max(excess[2]);
        let low = excess[0].min(excess[1]).min(excess[2]).max(0.0);
        // The mean of seven cells and of two such means beside it.
        let lit = top - LIT_SIGMAS * noise * (1.5f64 / 7.0).sqrt();
        if lit > 0.0 {
            sum += lit * lit * (1.0 - low / top);
            weights += lit * lit;
        }
    }
    if weights > 0.0 { sum / weights } else { 0.0 }
}

/// Narrow lines along the dispersion that are as long as the slit's image, at its height and evenly lit: what a lamp's
/// lines are even under a leak, and what a room has not. Their number, and their light over the noise.
///
/// Lines lie in `zone` and are smeared along themselves by `smear` to either side, cells.
pub fn lines_of_the_slit(
    map: &Map,
    found: &Located,
    spot: &Spot,
    (zone, smear): (Interval, f64),
    noise: f64,
) -> (usize, f64) {
    let (dx, dy) = (found.dispersion_rad.cos(), found.dispersion_rad.sin());
    let (ax, ay) = (spot.angle.cos(), spot.angle.sin());
    let apart = (APART_WIDTHS * spot.half_width).ceil().max(APART_CELLS);
    let at = |s: f64, t: f64| -> Option<[f32; 3]> {
        let t = t * spot.half_length;
        let cell = map.sample(spot.x + s * dx + t * ax, spot.y + s * dy + t * ay)?;
        Some(map.rgb[cell])
    };
    // The line's light over what lies before and after it; lines are a cell or two wide and may slant by one.
    let excess = |s: f64, t: f64| -> Option<[f64; 3]> {
        let (before, after) = (at(s - apart, t)?, at(s + apart, t)?);
        let here = [at(s - 1.0, t)?, at(s, t)?, at(s + 1.0, t)?];
        Some(std::array::from_fn(|c| {
            let top = here.iter().map(|l| l[c]).fold(0.0f32, f32::max);
            f64::from(top) - 0.5 * f64::from(before[c] + after[c])
        }))
    };
    let line = |s: f64| -> Option<f64> {
        let along = |heights: &[f64]| -> Option<Vec<[f64; 3]>> {
            heights.iter().map(|t| excess(s, *t)).collect()
        };
        let on = along(&ON)?;
        let beyond = BEYOND.map(|t: f64| t + (smear / spot.half_length).copysign(t));
        let beyond = along(&beyond)?;
        (0..3).find_map(|c| {
            let levels = sorted(on.iter().map(|e| e[c]));
            let middle = levels[3];
            // Dust may hide one place of seven.
            let even = levels[1] > EVEN_FROM * middle && levels[5] < EVEN_TO * middle;
            let ends = beyond.iter().all(|e| e[c].abs() < ENDS_BELOW * middle);
            (middle > LINE_SIGMAS * noise && even && ends).then_some(middle / noise)
        })
    };
    let (first, last) = (zone.low as i64, zone.high as i64);
    let (mut count, mut light) = (0, 0.0);
    for sign in [-1.0, 1.0] {
        let mut s = first;
        while s < last {
            if let Some(over_noise) = line(sign * s as f64) {
                count += 1;
                light += over_noise;
                s += apart as i64;
            } else {
                s += 1;
            }
        }
    }
    (count, light)
}

/// Share of the picture's strong edges that lie in the strip: near 1 for a spectrum in a dark tube, small for a room.
pub fn edge_share(map: &Map, found: &Located, focal_high: f64, noise: f64) -> f64 {
    let least = f64::max(LEAST_EDGE, EDGE_SIGMAS * noise);
    let cell = map.cell_px as f64;
    let (cx, cy) = (found.centre.x / cell, found.centre.y / cell);
    let (dx, dy) = (found.dispersion_rad.cos(), found.dispersion_rad.sin());
    let half = found.half_length_px / cell;
    let reach = STRIP_REACH * focal_high;
    let (mut within, mut all) = (0.0f64, 0.0f64);
    for y in (3..map.height.saturating_sub(3)).step_by(3) {
        for x in (3..map.width.saturating_sub(3)).step_by(3) {
            let at = |x: usize, y: usize| f64::from(map.light[y * map.width + x]);
            // Second differences: a smooth veil or leak has none to speak of.
            let edge = ((2.0 * at(x, y) - at(x - 3, y) - at(x + 3, y)).abs()
                + (2.0 * at(x, y) - at(x, y - 3) - at(x, y + 3)).abs())
            .min(MOST_EDGE);
            if edge < least {
                continue;
            }
            all += edge;
            let (rx, ry) = (x as f64 - cx, y as f64 - cy);
            let (s, t) = (rx * dx + ry * dy, -rx * dy + ry * dx);
            if t.abs() < STRIP_HALF * half + (STRIP_WIDENS + SMEAR_RAD) * s.abs() && s.abs() < reach
            {
                within += edge;
            }
        }
    }
    if all > 0.0 { within / all } else { 1.0 }
}
