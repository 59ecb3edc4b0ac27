//! A printed card on a table, photographed past the tube: a square of dark and light modules with lines of words beside it, seen
//! in perspective, out of focus and unevenly lit.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde::{Deserialize, Serialize};

use super::bench::Phone;

/// A card and how it is photographed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// Modules on a side of the printed square.
    pub side: usize,
    /// Which of them are dark, row by row.
    pub dark: Vec<bool>,
    /// Height of the card over the short side of the picture, if it were seen straight on.
    pub height: f64,
    /// Middle of the square on the sensor's picture, share of its width and height.
    pub at: (f64, f64),
    /// Turned in the plane of the picture, degrees, clockwise.
    pub turn_deg: f64,
    /// Tilted away from the picture's plane, degrees.
    pub tilt_deg: f64,
    /// Direction in which it is tilted, degrees clockwise from the picture's x axis.
    pub tilt_towards_deg: f64,
    /// Blur of the picture, standard deviation as a share of a module that is seen straight on.
    pub blur: f64,
    /// Light at the darkest end of the picture over that at the brightest.
    pub evenness: f64,
    /// Light that the paper sends back where it is brightest, linear share of full scale.
    pub paper_level: f64,
}

/// Light margin that ISO/IEC 18004 asks for round the square, modules.
const QUIET: f64 = 4.0;
/// Paper beyond that margin on the card's left, top and bottom, modules.
const EDGE: f64 = 1.0;
/// Width of the card over its height: words stand on the right of the square.
const WIDE: f64 = 2.0;
/// Texels to a side of a module.
const FINE: usize = 8;
/// What ink sends back of what paper does (common practice, no source).
const INK: f32 = 0.07;
/// The same of the table.
const TABLE: f32 = 0.28;

impl Card {
    /// Height of the card in modules.
    fn height_modules(&self) -> f64 {
        self.side as f64 + 2.0 * (QUIET + EDGE)
    }

    /// Size of a module that is seen straight on, px.
    pub fn module_px(&self, phone: &Phone) -> f64 {
        self.height * phone.width.min(phone.height) as f64 / self.height_modules()
    }

    /// Where on the sensor's picture the corners of the square with its quiet margin lie, px.
    pub fn corners(&self, phone: &Phone) -> [(f64, f64); 4] {
        let reach = 0.5 * self.side as f64 + QUIET;
        let laid = Laid::of(self, phone);
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
            .map(|(i, j)| laid.seen(i * reach, j * reach))
    }
}

/// The card before the lens, which is a pinhole here: place and axes of the card in space, in modules.
struct Laid {
    focal_px: f64,
    middle: (f64, f64),
    /// The square's middle.
    origin: [f64; 3],
    /// One module to the right and down on the card.
    axes: [[f64; 3]; 2],
}

impl Laid {
    fn of(card: &Card, phone: &Phone) -> Laid {
        let depth = phone.focal_px / card.module_px(phone);
        let middle = (0.5 * phone.width as f64, 0.5 * phone.height as f64);
        let origin = [
            (card.at.0 - 0.5) * phone.width as f64 * depth / phone.focal_px,
            (card.at.1 - 0.5) * phone.height as f64 * depth / phone.focal_px,
            depth,
        ];
        let (turn_sin, turn_cos) = card.turn_deg.to_radians().sin_cos();
        let (tilt_sin, tilt_cos) = card.tilt_deg.to_radians().sin_cos();
        let (to_sin, to_cos) = card.tilt_towards_deg.to_radians().sin_cos();
        // What points along the tilt is foreshortened and goes back; what lies across it stays.
        let tilted = |x: f64, y: f64| {
            let (along, across) = (x * to_cos + y * to_sin, y * to_cos - x * to_sin);
            let short = along * tilt_cos;
            [
                short * to_cos - across * to_sin,
                short * to_sin + across * to_cos,
                along * tilt_sin,
            ]
        };
        Laid {
            focal_px: phone.focal_px,
            middle,
            origin,
            axes: [tilted(turn_cos, turn_sin), tilted(-turn_sin, turn_cos)],
        }
    }

    /// Where the place `u` modules right and `v` modules down of the square's middle is seen, px.
    fn seen(&self, u: f64, v: f64) -> (f64, f64) {
        let [x, y, z] =
            [0, 1, 2].map(|i| self.origin[i] + u * self.axes[0][i] + v * self.axes[1][i]);
        (
            self.middle.0 + self.focal_px * x / z,
            self.middle.1 + self.focal_px * y / z,
        )
    }

    /// The place on the card that is seen at (x, y): by Cramer's rule, o + u a + v b = t d.
    fn place(&self, x: f64, y: f64) -> (f64, f64) {
        let ray = [
            (x - self.middle.0) / self.focal_px,
            (y - self.middle.1) / self.focal_px,
            1.0,
        ];
        let [a, b] = &self.axes;
        let whole = volume(a, b, &ray);
        (
            -volume(&self.origin, b, &ray) / whole,
            -volume(a, &self.origin, &ray) / whole,
        )
    }
}

/// The determinant of three vectors.
fn volume(a: &[f64; 3], b: &[f64; 3], c: &[f64; 3]) -> f64 {
    a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
        + a[2] * (b[0] * c[1] - b[1] * c[0])
}

/// A card that is ready to be read row by row.
pub(super) struct Print<'a> {
    card: &'a Card,
    laid: Laid,
    /// What card and table send back, of the paper's, blurred.
    texels: Vec<f32>,
    columns: usize,
    rows: usize,
    /// Left top corner of the texels, modules from the square's middle.
    corner: (f64, f64),
    grain: [f32; 4],
    white: [f32; 3],
}

/// Table that is drawn round the card, modules: farther than the blur reaches.
const ROUND: f64 = 3.0;

impl<'a> Print<'a> {
    pub(super) fn new(card: &'a Card, phone: &Phone, seed: u64) -> Print<'a> {
        let mut chance = Pcg64Mcg::seed_from_u64(seed ^ 0xca2d);
        let high = card.height_modules();
        let wide = WIDE * high;
        let corner = (-0.5 * high - ROUND, -0.5 * high - ROUND);
        let columns = ((wide + 2.0 * ROUND) * FINE as f64) as usize;
        let rows = ((high + 2.0 * ROUND) * FINE as f64) as usize;
        let words = words(&mut chance, high);
        let at = |i: usize, from: f64| from + (i as f64 + 0.5) / FINE as f64;
        let sharp: Vec<f32> = (0..rows * columns)
            .map(|i| {
                let (u, v) = (at(i % columns, corner.0), at(i / columns, corner.1));
                reflected(card, &words, u, v)
            })
            .collect();
        let texels = blurred(card, &sharp, columns);
        let grain = [0; 4].map(|_| chance.random::<f32>());
        let (red, blue) = phone.white_balance;
        // Lamps are warmer or cooler than the balance that the phone settled on.
        let tint = 0.12 * (2.0 * chance.random::<f32>() - 1.0);
        Print {
            card,
            laid: Laid::of(card, phone),
            texels,
            columns,
            rows,
            corner,
            grain,
            white: [(1.0 + tint) / red as f32, 1.0, (1.0 - tint) / blue as f32],
        }
    }

    /// One row of the sensor's picture, before white balance; 1 fills a pixel.
    pub(super) fn row(&self, y: usize, height: usize, row: &mut [[f32; 3]]) {
        let width = row.len() as f32;
        let v = y as f32 / height as f32;
        let (sin, cos) = (std::f32::consts::TAU * self.grain[0]).sin_cos();
        let darkest = self.card.evenness as f32;
        for (x, pixel) in row.iter_mut().enumerate() {
            let u = x as f32 / width;
            // Brightest on one side, and the phone's own soft shadow near the middle of another.
            let along = 0.5 + (u - 0.5) * cos + (v - 0.5) * sin;
            let even = darkest + (1.0 - darkest) * along.clamp(0.0, 1.0);
            let (su, sv) = (u - self.grain[1], v - self.grain[2]);
            let shadow = 1.0 - 0.5 * (1.0 - darkest) * (-(su * su + sv * sv) / 0.05).exp();
            let (cu, cv) = self.laid.place(x as f64, y as f64);
            let sent = self.texel(cu, cv).unwrap_or_else(|| {
                let wave = (0.9 * cv as f32 + 4.0 * (0.11 * cu as f32 + self.grain[3]).sin()).sin();
                TABLE * (1.0 + 0.12 * wave)
            });
            let light = self.card.paper_level as f32 * even * shadow * sent;
            *pixel = self.white.map(|w| light * w);
        }
    }

    /// What is sent back at a place on the card, between texels in proportion; none beyond them.
    fn texel(&self, u: f64, v: f64) -> Option<f32> {
        let x = (u - self.corner.0) * FINE as f64 - 0.5;
        let y = (v - self.corner.1) * FINE as f64 - 0.5;
        let inside =
            x >= 0.0 && y >= 0.0 && x < (self.columns - 1) as f64 && y < (self.rows - 1) as f64;
        if !inside {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let (right, down) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let row = |j: usize| {
            let at = j * self.columns + i;
            self.texels[at] * (1.0 - right) + self.texels[at + 1] * right
        };
        Some(row(j) * (1.0 - down) + row(j + 1) * down)
    }
}

/// Lines of words as boxes of ink: from, to, top and bottom, modules from the square's middle.
fn words(chance: &mut Pcg64Mcg, high: f64) -> Vec<[f64; 4]> {
    let (left, right) = (0.5 * high + 1.0, (WIDE - 0.5) * high - 3.0);
    let mut boxes = Vec::new();
    for (line, size) in [(-0.25, 0.2), (0.02, 0.09), (0.16, 0.06), (0.26, 0.06)] {
        let (top, bottom) = (line * high, (line + 0.7 * size) * high);
        let mut from = left;
        while from < right {
            // Strokes and the gaps between them.
            let stroke = size * high * (0.12 + 0.2 * chance.random::<f64>());
            boxes.push([from, (from + stroke).min(right), top, bottom]);
            from += stroke + size * high * (0.15 + 0.3 * chance.random::<f64>());
        }
    }
    boxes
}

/// What the card or the table sends back of what paper does, `u` modules right and `v` down of the square's middle.
fn reflected(card: &Card, words: &[[f64; 4]], u: f64, v: f64) -> f32 {
    let high = card.height_modules();
    let half = 0.5 * card.side as f64;
    if u < -0.5 * high || v.abs() > 0.5 * high || u > (WIDE - 0.5) * high {
        return TABLE;
    }
    let (i, j) = ((u + half).floor(), (v + half).floor());
    let side = card.side as f64;
    let is_ink = if (0.0..side).contains(&i) && (0.0..side).contains(&j) {
        card.dark[j as usize * card.side + i as usize]
    } else {
        words.iter().any(|[from, to, top, bottom]| {
            (*from..*to).contains(&u) && (*top..*bottom).contains(&v)
        })
    };
    if is_ink { INK } else { 1.0 }
}

/// The texels as a lens out of focus shows them. It blurs the picture evenly: on the card, which is foreshortened along its tilt,
/// by more in that direction.
fn blurred(card: &Card, sharp: &[f32], columns: usize) -> Vec<f32> {
    // The tilt's direction in the card's own axes.
    let (sin, cos) = (card.tilt_towards_deg - card.turn_deg)
        .to_radians()
        .sin_cos();
    let across = (card.blur * FINE as f64).max(0.3);
    let along = across / card.tilt_deg.to_radians().cos();
    let reach = (3.0 * along).ceil() as isize;
    let mut taps = Vec::new();
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let (x, y) = (dx as f64, dy as f64);
            let (a, b) = ((x * cos + y * sin) / along, (y * cos - x * sin) / across);
            let weight = (-0.5 * (a * a + b * b)).exp();
            if weight > 5e-3 {
                taps.push((dx, dy, weight as f32));
            }
        }
    }
    let sum: f32 = taps.iter().map(|t| t.2).sum();
    let rows = sharp.len() / columns;
    let inside =
        |at: usize, by: isize, n: usize| (at as isize + by).clamp(0, n as isize - 1) as usize;
    (0..sharp.len())
        .map(|i| {
            let (x, y) = (i % columns, i / columns);
            let near = taps.iter().map(|(dx, dy, weight)| {
                weight * sharp[inside(y, *dy, rows) * columns + inside(x, *dx, columns)]
            });
            near.sum::<f32>() / sum
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn card() -> Card {
        Card {
            side: 21,
            dark: vec![true; 21 * 21],
            height: 0.4,
            at: (0.45, 0.55),
            turn_deg: 30.0,
            tilt_deg: 40.0,
            tilt_towards_deg: 70.0,
            blur: 0.2,
            evenness: 0.4,
            paper_level: 0.6,
        }
    }

    #[test]
    fn what_is_seen_of_a_place_on_the_card_leads_back_to_it() {
        let phone = Phone::all().remove(4);
        let laid = Laid::of(&card(), &phone);
        for (u, v) in [(0.0, 0.0), (-10.5, -10.5), (7.0, -3.0), (30.0, 12.0)] {
            let (x, y) = laid.seen(u, v);
            let (back_u, back_v) = laid.place(x, y);
            assert!((back_u - u).abs() < 1e-9 && (back_v - v).abs() < 1e-9);
        }
        let (x, y) = laid.seen(0.0, 0.0);
        assert!((x - 0.45 * 4032.0).abs() < 1e-9 && (y - 0.55 * 3024.0).abs() < 1e-9);
    }

    #[test]
    fn a_card_seen_straight_on_is_as_large_as_asked_for_and_a_tilted_one_shorter() {
        let phone = Phone::all().remove(4);
        let straight = Card {
            turn_deg: 0.0,
            tilt_deg: 0.0,
            ..card()
        };
        let [a, b, ..] = straight.corners(&phone);
        // 21 modules and twice four beside them, of the card's 31.
        let expected_px = 0.4 * 3024.0 * 29.0 / 31.0;
        assert!((b.0 - a.0 - expected_px).abs() < 1e-6, "{a:?} {b:?}");
        let area = |corners: [(f64, f64); 4]| {
            let cross = |i: usize| {
                let (p, q) = (corners[i], corners[(i + 1) % 4]);
                p.0 * q.1 - q.0 * p.1
            };
            0.5 * (0..4).map(cross).sum::<f64>().abs()
        };
        let seen = area(card().corners(&phone)) / area(straight.corners(&phone));
        let expected = 40f64.to_radians().cos();
        assert!((seen / expected - 1.0).abs() < 0.05, "{seen}");
    }
}
