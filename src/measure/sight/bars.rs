//! What stands out in a picture before anything is known of its bench: its reduced map, and the bright bars in that.

use std::sync::Arc;

use crate::frame::Frame;
use crate::measure::sight::map::Map;
use crate::measure::sight::spot::Spot;

/// A picture's map with what stands out in it. It depends on the picture alone, so that whoever has looked at a photo hands it on to
/// whoever measures it.
pub struct Sketch {
    /// Reduced map.
    pub map: Arc<Map>,
    /// The bright bars that may be the slit's image, the brightest first.
    pub spots: Vec<Spot>,
    /// Robust noise of the map's light.
    pub noise: f64,
}

impl Sketch {
    /// Of a frame.
    pub fn of(frame: &Frame) -> Sketch {
        let map = Arc::new(Map::new(frame));
        Sketch {
            spots: spots(&map),
            noise: map.noise(),
            map,
        }
    }
}

/// The shortest lit part of a slit that gives rows enough to measure by: half of it, cells.
const LEAST_HALF_LENGTH: f64 = 3.5;
/// A bar is so many times as long as it is wide: a short lit part of a slit, blown up by its glare.
const LEAST_SLIMNESS: f64 = 2.0;
/// Share of the brightest cell's light above which a bar that is whole there is no more than itself: lower down its glare
/// joins it.
const WHOLE_SHARE: f64 = 0.3;
/// Shares of the brightest cell's light at which bars are sought, and the least light above black, linear share of full scale.
const LEVELS: [f64; 5] = [0.75, 0.5, 0.3, 0.15, 0.07];
const LEAST_LEVEL: f32 = 0.002;
/// A spot is known where one lies within this share of its half length, unless it is so many times as long.
const SAME_PLACE: f64 = 0.35;
const NEW_LENGTH: f64 = 1.6;
/// So many spots are kept while they are sought; so many of the brightest can be the slit: trying one costs time.
const MOST_SOUGHT: usize = 60;
const MOST_TRIED: usize = 9;
/// A whole bar is so many times as long as its piece, and no wider than so many times and so many cells more; its half width is at
/// most this share of its half length.
const WHOLE_LENGTH: f64 = 1.1;
const WHOLE_WIDTH: f64 = 1.3;
const WHOLE_WIDTH_CELLS: f64 = 0.5;
const WHOLE_SLIMNESS: f64 = 0.25;
/// No slit's half length is more than this share of the picture's longer side (no source).
const LONGEST_SHARE: f64 = 0.11;
/// Two pieces of a bar lie along it within this angle, degrees.
const SAME_BAR_DEG: f64 = 4.0;

/// Elongated connected spots above a ladder of levels, each place once; the brightest few, the brightest first.
pub fn spots(map: &Map) -> Vec<Spot> {
    let light = map.narrow_light();
    let top = light.iter().copied().fold(0.0f32, f32::max);
    let base = 0.0;
    let mut found: Vec<Spot> = Vec::new();
    for share in LEVELS {
        let level = base + share as f32 * (top - base);
        if level <= base + LEAST_LEVEL {
            break;
        }
        for spot in components(map, &light, level) {
            if share >= WHOLE_SHARE {
                // A narrow slit aslant to the cells lights them unevenly: at a high level it comes in pieces.
                found.retain(|f| !is_piece_of(f, &spot));
            }
            let known = found.iter().any(|f| {
                (f.x - spot.x).hypot(f.y - spot.y) < SAME_PLACE * f.half_length
                    && spot.half_length < NEW_LENGTH * f.half_length
            });
            if !known && found.len() < MOST_SOUGHT {
                found.push(spot);
            }
        }
    }
    found.sort_by(|a, b| b.light.total_cmp(&a.light));
    found.truncate(MOST_TRIED);
    let brightest = found.first().map_or(1.0, |s| s.light);
    for spot in &mut found {
        spot.rank = spot.light / brightest;
    }
    found
}

/// True where `piece` is a part of the longer bar `whole`, which is no wider than a cell's change makes it.
fn is_piece_of(piece: &Spot, whole: &Spot) -> bool {
    let (x, y) = (piece.x - whole.x, piece.y - whole.y);
    let (ax, ay) = (whole.angle.cos(), whole.angle.sin());
    let aslant = (piece.angle - whole.angle).sin().abs();
    whole.half_length > WHOLE_LENGTH * piece.half_length
        && whole.half_width < WHOLE_WIDTH * piece.half_width + WHOLE_WIDTH_CELLS
        && whole.half_width < WHOLE_SLIMNESS * whole.half_length
        && (x * ax + y * ay).abs() < whole.half_length
        && (y * ax - x * ay).abs() < 1.0 + whole.half_width
        && aslant < SAME_BAR_DEG.to_radians().sin()
}

fn components(map: &Map, map_light: &[f32], level: f32) -> Vec<Spot> {
    let mut label = vec![false; map_light.len()];
    let mut spots = Vec::new();
    let mut stack = Vec::new();
    for start in 0..map_light.len() {
        if label[start] || map_light[start] < level {
            continue;
        }
        stack.push(start);
        label[start] = true;
        let (mut n, mut sx, mut sy, mut sxx, mut syy, mut sxy, mut light) =
            (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        while let Some(i) = stack.pop() {
            let (x, y) = ((i % map.width) as f64, (i / map.width) as f64);
            n += 1.0;
            sx += x;
            sy += y;
            sxx += x * x;
            syy += y * y;
            sxy += x * y;
            light += f64::from(map_light[i]);
            for dy in -1i64..=1 {
                for dx in -1i64..=1 {
                    let (xx, yy) = (x as i64 + dx, y as i64 + dy);
                    if xx < 0 || yy < 0 || xx >= map.width as i64 || yy >= map.height as i64 {
                        continue;
                    }
                    let j = yy as usize * map.width + xx as usize;
                    if !label[j] && map_light[j] >= level {
                        label[j] = true;
                        stack.push(j);
                    }
                }
            }
        }
        let (mx, my) = (sx / n, sy / n);
        let (vxx, vyy, vxy) = (
            sxx / n - mx * mx + 1.0 / 12.0,
            syy / n - my * my + 1.0 / 12.0,
            sxy / n - mx * my,
        );
        let mean = 0.5 * (vxx + vyy);
        let root = (0.25 * (vxx - vyy).powi(2) + vxy * vxy).sqrt();
        let (long, short) = ((mean + root).sqrt(), (mean - root).max(1.0 / 12.0).sqrt());
        // A uniform bar of half length h has a standard deviation of h / √3.
        let (half_length, half_width) = (long * 3f64.sqrt(), short * 3f64.sqrt());
        if half_length < LEAST_HALF_LENGTH
            || half_length > LONGEST_SHARE * map.width.max(map.height) as f64
            || half_length < LEAST_SLIMNESS * half_width
        {
            continue;
        }
        let angle = 0.5 * (2.0 * vxy).atan2(vxx - vyy);
        spots.push(Spot {
            x: mx,
            y: my,
            angle,
            half_length,
            half_width,
            light,
            rank: 0.0,
        });
    }
    spots
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_that_comes_in_pieces_at_a_high_level_is_found_whole() {
        // One cell wide, brightest in its middle third; another bar lies beside it, of its own.
        let (width, height) = (400, 400);
        let mut rgb = vec![[0.0f32; 3]; width * height];
        for y in 60..120 {
            rgb[y * width + 100] = [if (80..100).contains(&y) { 1.0 } else { 0.6 }; 3];
            rgb[y * width + 150] = [0.0, 0.9, 0.0];
        }
        let map = Map {
            cell_px: 4,
            width,
            height,
            light: rgb.iter().map(|c| (c[0] + c[1] + c[2]) / 3.0).collect(),
            rgb,
            clipped: vec![0.0; width * height],
            is_grey: false,
        };
        let mut found: Vec<(f64, f64)> = spots(&map).iter().map(|s| (s.x, s.half_length)).collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert_eq!(found.len(), 2, "{found:?}");
        for ((x, half_length), place) in found.into_iter().zip([100.0, 150.0]) {
            assert!((x - place).abs() < 0.1 && (half_length - 30.0).abs() < 1.0);
        }
    }
}
