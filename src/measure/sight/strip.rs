//! What stands in the strip that the spectrum would lie in: pure colours, lines as long as the slit's image, the picture's
//! edges. A grating's light has them, a room's or a leak's has not.

use crate::measure::optics::SMEAR_RAD;
use crate::measure::sight::map::Map;
use crate::measure::sight::spot::{Located, Spot};
use crate::terms::Interval;

/// How pure the colours of narrow lines are: what stands out of its neighbourhood along the dispersion, so that a leak,
/// which is grey and broad, does not dilute them. 0 where no line stands out.
pub fn line_purity(colours: &[Option<[f64; 3]>], spot: &Spot, zone: Interval, noise: f64) -> f64 {
    let steps = (colours.len() / 2) as i64;
    let apart = (3.0 * spot.half_width).ceil().max(5.0) as i64;
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
        let lit = top - 6.0 * noise * (1.5f64 / 7.0).sqrt();
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
    let apart = (3.0 * spot.half_width).ceil().max(5.0);
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
        let on = along(&[-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75])?;
        let beyond = [-1.7, -1.5, -1.35, 1.35, 1.5, 1.7]
            .map(|t: f64| t + (smear / spot.half_length).copysign(t));
        let beyond = along(&beyond)?;
        (0..3).find_map(|c| {
            let mut levels: Vec<f64> = on.iter().map(|e| e[c]).collect();
            levels.sort_by(f64::total_cmp);
            let middle = levels[3];
            // Dust may hide one place of seven.
            let even = levels[1] > 0.4 * middle && levels[5] < 2.5 * middle;
            let ends = beyond.iter().all(|e| e[c].abs() < 0.4 * middle);
            (middle > 8.0 * noise && even && ends).then_some(middle / noise)
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
    // Two second differences of single cells have 3.5 times their noise; a grainy veil has no edges.
    let least = f64::max(0.012, 12.0 * noise);
    let cell = map.cell_px as f64;
    let (cx, cy) = (found.centre.x / cell, found.centre.y / cell);
    let (dx, dy) = (found.dispersion_rad.cos(), found.dispersion_rad.sin());
    let half = found.half_length_px / cell;
    let reach = 1.25 * focal_high;
    let (mut within, mut all) = (0.0f64, 0.0f64);
    for y in (3..map.height.saturating_sub(3)).step_by(3) {
        for x in (3..map.width.saturating_sub(3)).step_by(3) {
            let at = |x: usize, y: usize| f64::from(map.light[y * map.width + x]);
            // Second differences: a smooth veil or leak has none to speak of.
            let edge = ((2.0 * at(x, y) - at(x - 3, y) - at(x + 3, y)).abs()
                + (2.0 * at(x, y) - at(x, y - 3) - at(x, y + 3)).abs())
            .min(0.3);
            if edge < least {
                continue;
            }
            all += edge;
            let (rx, ry) = (x as f64 - cx, y as f64 - cy);
            let (s, t) = (rx * dx + ry * dy, -rx * dy + ry * dx);
            if t.abs() < 1.35 * half + (0.06 + SMEAR_RAD) * s.abs() && s.abs() < reach {
                within += edge;
            }
        }
    }
    if all > 0.0 { within / all } else { 1.0 }
}
