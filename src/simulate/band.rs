//! The slit's images in all orders, pixel by pixel: the part of the picture that needs every pixel's own wavelength.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::light::Emission;
use super::rays::Rays;
use super::sensor::Effective;
use super::spread::Spread;

/// Distance of the pixels at which the rays are inverted exactly; between them the change is linear to 0.003 px.
const CELL: usize = 8;

/// Blur along the dispersion that is applied before sampling, px: enough that no pixel grid shows in a line's place.
const EARLY_BLUR_PX: f64 = 1.2;

/// A rectangle of the sensor that holds all orders.
pub(super) struct Band {
    left: isize,
    top: isize,
    width: usize,
    height: usize,
    planes: [Vec<f32>; 3],
}

/// Light and width along the slit.
struct Profile {
    half_mm: f64,
    light: Vec<f32>,
    width: Vec<f32>,
}

/// Dust on the blades.
struct Dust {
    /// Middle (mm), size (mm), share of the light that it takes.
    grains: Vec<[f64; 3]>,
}

impl Dust {
    /// The first that `chance` draws.
    fn new(effective: &Effective, mut between: impl FnMut(f64, f64) -> f64) -> Dust {
        let half_slit = 0.5 * effective.instrument.slit_length_mm;
        let grains = (0..effective.instrument.dust)
            .map(|_| {
                let size = 10f64.powf(between(-1.4, -0.5));
                [between(-half_slit, half_slit), size, between(0.25, 0.95)]
            })
            .collect();
        Dust { grains }
    }

    /// Share of the light that is left at `s` mm from the slit's middle.
    fn leaves(&self, s: f64) -> f64 {
        let left = |[middle, size, depth]: &[f64; 3]| {
            1.0 - depth * (-0.5 * ((s - middle) / (0.5 * size)).powi(4)).exp()
        };
        self.grains.iter().map(left).product()
    }
}

/// Dust this near to the slit's ends, as a share of its length, only makes it shorter.
const AT_END: f64 = 0.025;

/// Share of the slit's light that dust takes, the outermost [`AT_END`] left out.
pub(super) fn dust_share(effective: &Effective) -> f64 {
    if !effective.nuisance.slit_flaws {
        return 0.0;
    }
    let dust = Dust::new(effective, chance_between(&mut slit_chance(effective)));
    let half_slit = 0.5 * effective.instrument.slit_length_mm;
    let half = (1.0 - 2.0 * AT_END) * half_slit;
    let n = (2.0 * half * PROFILE_PER_MM) as usize;
    let left = (0..n).map(|i| dust.leaves((i as f64 + 0.5) / PROFILE_PER_MM - half));
    1.0 - left.sum::<f64>() / n as f64
}

fn slit_chance(effective: &Effective) -> Pcg64Mcg {
    Pcg64Mcg::seed_from_u64(effective.instrument.seed ^ 0xd057)
}

fn chance_between(chance: &mut Pcg64Mcg) -> impl FnMut(f64, f64) -> f64 + '_ {
    |low, high| low + (high - low) * chance.random::<f64>()
}

/// Steps of the slit's profile, per mm: a tenth of a pixel.
const PROFILE_PER_MM: f64 = 100.0;

impl Profile {
    fn new(effective: &Effective, px_mm: f64) -> Profile {
        let tube = &effective.instrument;
        let half_mm = 0.5 * tube.slit_length_mm + 1.0;
        let n = (2.0 * half_mm * PROFILE_PER_MM) as usize + 1;
        let mut chance = slit_chance(effective);
        let mut between = chance_between(&mut chance);
        let half_slit = 0.5 * tube.slit_length_mm;
        let dust = Dust::new(effective, &mut between);
        let waves: Vec<[f64; 3]> = (0..12)
            .map(|k| {
                [
                    between(0.2, 0.5) * f64::from(k + 1),
                    between(0.0, 6.3),
                    between(0.3, 1.0),
                ]
            })
            .collect();
        let flaws = effective.nuisance.slit_flaws;
        let (mut light, mut width) = (Vec::with_capacity(n), Vec::with_capacity(n));
        for i in 0..n {
            let s = i as f64 / PROFILE_PER_MM - half_mm;
            let inside = f64::from(s.abs() <= half_slit);
            let (mut l, mut w) = (inside, 1.0);
            if flaws {
                l *= 1.0 + tube.lighting_along * s / half_slit - 0.06 * (s / half_slit).powi(2);
                l *= dust.leaves(s);
                let rough: f64 = waves
                    .iter()
                    .map(|[k, phase, a]| a * (k * s * 6.3 + phase).sin())
                    .sum();
                w = (1.0 + tube.wedge * s / half_slit + tube.roughness * 0.4 * rough).max(0.05);
            }
            light.push(l as f32);
            width.push(w as f32);
        }
        // One pixel sees a stretch of the slit.
        let reach = (0.5 * px_mm * PROFILE_PER_MM).round() as usize;
        let smooth = (0..n)
            .map(|i| {
                let window = &light[i.saturating_sub(reach)..(i + reach + 1).min(n)];
                window.iter().sum::<f32>() / (2 * reach + 1) as f32
            })
            .collect();
        Profile {
            half_mm,
            light: smooth,
            width,
        }
    }

    #[inline]
    fn at(&self, s: f64) -> (f32, f32) {
        let t = (s + self.half_mm) * PROFILE_PER_MM;
        if t < 0.0 {
            return (0.0, 1.0);
        }
        let i = t as usize;
        if i + 1 >= self.light.len() {
            return (0.0, 1.0);
        }
        let f = (t - i as f64) as f32;
        (
            self.light[i] + (self.light[i + 1] - self.light[i]) * f,
            self.width[i] + (self.width[i + 1] - self.width[i]) * f,
        )
    }
}

impl Band {
    /// Draws all orders; `gain` turns flux into shares of full scale.
    pub(super) fn new(effective: &Effective, emission: &Emission, gain: f64) -> Band {
        let rays = Rays::new(effective);
        let (focal, distance) = (
            effective.phone.focal_px,
            effective.instrument.slit_distance_mm,
        );
        let mut band = Band::around(effective, &rays);
        if band.width == 0 || band.height == 0 {
            return band;
        }
        let mut spread = Spread::new(effective, emission, true);
        // The lens blurs before the pixels sample: what fits goes into the fine spectrum, the rest onto the pixels.
        let early = effective.blur_px.min(EARLY_BLUR_PX);
        spread.blur(&rays, early);
        let spread = spread.integrated();
        let profile = Profile::new(effective, distance / focal);
        let strips = effective.strips();
        let slit_shift = 1e-3 * effective.instrument.slit_width_um * rays.shift_per_mm();
        let grid = Grid::new(&band, &rays, effective);
        let mut nodes = vec![[0.0f64; 3]; grid.columns];
        for row in 0..band.height {
            grid.row(row, &mut nodes);
            for cell in 0..grid.columns - 1 {
                let (a, b) = (nodes[cell], nodes[cell + 1]);
                let reach = profile.half_mm;
                if (a[1] < -reach && b[1] < -reach) || (a[1] > reach && b[1] > reach) {
                    continue;
                }
                let slope = [0, 1, 2].map(|k| (b[k] - a[k]) / CELL as f64);
                let end = ((cell + 1) * CELL).min(band.width);
                for column in cell * CELL..end {
                    let t = (column - cell * CELL) as f64;
                    let s = a[1] + slope[1] * (t + 0.5);
                    let (light, relative_width) = profile.at(s);
                    if light == 0.0 {
                        continue;
                    }
                    // Both edges with this pixel's own width: all the zero order's light stands behind either.
                    let width = slit_shift * f64::from(relative_width);
                    let low = spread.up_to(a[0] + slope[0] * t, width, &strips);
                    let high = spread.up_to(a[0] + slope[0] * (t + 1.0), width, &strips);
                    let factor = gain * f64::from(light) * (a[2] + slope[2] * (t + 0.5));
                    let index = row * band.width + column;
                    for c in 0..3 {
                        band.planes[c][index] = ((high[c] - low[c]) * factor) as f32;
                    }
                }
            }
        }
        if let Some((length_px, direction_deg)) = effective.movement {
            let taps = movement(length_px, direction_deg);
            for plane in &mut band.planes {
                *plane = convolve(plane, band.width, band.height, &taps);
            }
        }
        let late = (effective.blur_px.powi(2) - early.powi(2)).max(0.0).sqrt();
        let (sideways, upwards) = (gaussian(late), gaussian(effective.blur_px));
        for plane in &mut band.planes {
            blur(plane, band.width, band.height, &sideways, &upwards);
        }
        band
    }

    /// The rectangle that holds every order, with room for the blur.
    fn around(effective: &Effective, rays: &Rays) -> Band {
        let (w, h) = (effective.phone.width as f64, effective.phone.height as f64);
        let half = 0.5 * effective.instrument.slit_length_mm;
        let margin = 4.0 * effective.blur_px + effective.movement.map_or(0.0, |m| 0.5 * m.0) + 4.0;
        let (mut x0, mut y0, mut x1, mut y1) = (f64::MAX, f64::MAX, f64::MIN, f64::MIN);
        for i in -120..=120 {
            for s in [-half, 0.0, half] {
                if let Some((x, y)) = rays.trace(0.01 * f64::from(i), s, 0.0)
                    && x > -margin - 60.0
                    && y > -margin - 60.0
                    && x < w + margin + 60.0
                    && y < h + margin + 60.0
                {
                    (x0, y0, x1, y1) = (x0.min(x), y0.min(y), x1.max(x), y1.max(y));
                }
            }
        }
        // Neighbouring samples lie up to 0.01·f apart, so the last one inside may be that far from the edge.
        let step = 0.012 * effective.phone.focal_px;
        // Reaches beyond the picture by the margin: what is blurred there spills back in.
        let clamp = |v: f64, size: f64| v.clamp(-margin, size + margin).floor() as isize;
        let (left, right) = (clamp(x0 - margin - step, w), clamp(x1 + margin + step, w));
        let (top, bottom) = (clamp(y0 - margin, h), clamp(y1 + margin + 1.0, h));
        let (width, height) = (
            (right - left).max(0) as usize,
            (bottom - top).max(0) as usize,
        );
        Band {
            left,
            top,
            width,
            height,
            planes: [0, 1, 2].map(|_| vec![0.0; width * height]),
        }
    }

    /// Adds its part of row `y`.
    pub(super) fn add(&self, y: usize, row: &mut [[f32; 3]]) {
        let Some(band_row) = (y as isize)
            .checked_sub(self.top)
            .filter(|r| (0..self.height as isize).contains(r))
        else {
            return;
        };
        let first = self.left.max(0);
        let last = (self.left + self.width as isize).min(row.len() as isize);
        let start = band_row as usize * self.width + (first - self.left) as usize;
        for (i, pixel) in row[first as usize..last.max(first) as usize]
            .iter_mut()
            .enumerate()
        {
            for (c, plane) in self.planes.iter().enumerate() {
                pixel[c] += plane[start + i];
            }
        }
    }
}

/// Shift, place along the slit and brightness factor at the corners of cells. Columns lie on the pixels' left edges.
struct Grid {
    columns: usize,
    nodes: Vec<[f64; 3]>,
}

impl Grid {
    fn new(band: &Band, rays: &Rays, effective: &Effective) -> Grid {
        let (focal, distance) = (
            effective.phone.focal_px,
            effective.instrument.slit_distance_mm,
        );
        let middle = (
            0.5 * effective.phone.width as f64,
            0.5 * effective.phone.height as f64,
        );
        let columns = band.width.div_ceil(CELL) + 1;
        let rows = band.height.div_ceil(CELL) + 1;
        let mut places = vec![(0.0, 0.0); columns * rows];
        let position = |column: usize, row: usize| {
            (
                (band.left + (column * CELL) as isize) as f64 - 0.5,
                (band.top + (row * CELL) as isize) as f64,
            )
        };
        // Start from the slit's own image and walk to the first corner, each step guessing from the last.
        let origin = rays.trace(0.0, 0.0, 0.0).unwrap_or((0.0, 0.0));
        let mut guess = (0.0, 0.0);
        let first = position(0, 0);
        for step in 1..=20 {
            let t = f64::from(step) / 20.0;
            let (x, y) = (
                origin.0 + t * (first.0 - origin.0),
                origin.1 + t * (first.1 - origin.1),
            );
            guess = rays.invert(x, y, guess);
        }
        for row in 0..rows {
            for column in 0..columns {
                let (x, y) = position(column, row);
                let index = row * columns + column;
                let guess = match (column, row) {
                    (0, 0) => guess,
                    (0, _) => places[index - columns],
                    _ => places[index - 1],
                };
                places[index] = rays.invert(x, y, guess);
            }
        }
        let at = |column: usize, row: usize| places[row * columns + column];
        let mut nodes = Vec::with_capacity(places.len());
        for row in 0..rows {
            for column in 0..columns {
                let (c0, c1) = (column.saturating_sub(1), (column + 1).min(columns - 1));
                let (r0, r1) = (row.saturating_sub(1), (row + 1).min(rows - 1));
                let (dx, dy) = (((c1 - c0) * CELL) as f64, ((r1 - r0) * CELL) as f64);
                let (left, right, above, below) =
                    (at(c0, row), at(c1, row), at(column, r0), at(column, r1));
                let gx = (right.0 - left.0) / dx;
                let sx = (right.1 - left.1) / dx;
                let gy = (below.0 - above.0) / dy;
                let sy = (below.1 - above.1) / dy;
                // Light per shift is counted along the row, so the rest of the pixel's area is what is left here.
                let stretch = (gx * sy - gy * sx).abs() / gx.abs() * focal / distance;
                let (g, s) = at(column, row);
                let (x, y) = position(column, row);
                let r2 = ((x - middle.0).powi(2) + (y - middle.1).powi(2)) / (focal * focal);
                nodes.push([g, s, stretch * vignetting(r2)]);
            }
        }
        Grid { columns, nodes }
    }

    fn row(&self, row: usize, out: &mut [[f64; 3]]) {
        let (cell, t) = (row / CELL, (row % CELL) as f64 / CELL as f64);
        let above = &self.nodes[cell * self.columns..(cell + 1) * self.columns];
        let below = &self.nodes[(cell + 1) * self.columns..(cell + 2) * self.columns];
        for ((o, a), b) in out.iter_mut().zip(above).zip(below) {
            *o = [0, 1, 2].map(|k| a[k] + (b[k] - a[k]) * t);
        }
    }
}

/// Share of the light left at r² = tan²θ off the axis: lenses darken as cos⁴θ, and phones correct about half of it
/// (common practice, no source).
pub(super) fn vignetting(r2: f64) -> f64 {
    1.0 / (1.0 + r2)
}

/// Weights of a Gaussian blur, to four standard deviations, adding to 1.
pub(super) fn gaussian(sigma_px: f64) -> Vec<f32> {
    let reach = (4.0 * sigma_px).ceil() as i32;
    let weights: Vec<f64> = (-reach..=reach)
        .map(|i| (-0.5 * (f64::from(i) / sigma_px.max(1e-3)).powi(2)).exp())
        .collect();
    let sum: f64 = weights.iter().sum();
    weights.iter().map(|w| (w / sum) as f32).collect()
}

fn blur(plane: &mut [f32], width: usize, height: usize, sideways: &[f32], upwards: &[f32]) {
    let half = sideways.len() / 2;
    let mut padded = vec![0.0f32; width + 2 * half];
    for row in plane.chunks_exact_mut(width) {
        padded[half..half + width].copy_from_slice(row);
        row.fill(0.0);
        for (k, weight) in sideways.iter().enumerate() {
            for (out, value) in row.iter_mut().zip(&padded[k..k + width]) {
                *out += weight * value;
            }
        }
    }
    let source = plane.to_vec();
    let half = upwards.len() / 2;
    for y in 0..height {
        let row = &mut plane[y * width..(y + 1) * width];
        row.fill(0.0);
        for (k, weight) in upwards.iter().enumerate() {
            let from = y + k;
            if from < half || from - half >= height {
                continue;
            }
            let start = (from - half) * width;
            for (out, value) in row.iter_mut().zip(&source[start..start + width]) {
                *out += weight * value;
            }
        }
    }
}

/// Taps (right, down, weight) of an even movement, its middle at rest.
fn movement(length_px: f64, direction_deg: f64) -> Vec<(i32, i32, f32)> {
    let n = (4.0 * length_px).ceil().max(1.0) as i32;
    let (sin, cos) = direction_deg.to_radians().sin_cos();
    let mut taps: std::collections::BTreeMap<(i32, i32), f64> = std::collections::BTreeMap::new();
    for i in 0..=n {
        let t = length_px * (f64::from(i) / f64::from(n) - 0.5);
        let (x, y) = (t * cos, t * sin);
        let (fx, fy) = (x - x.floor(), y - y.floor());
        for (dx, wx) in [(0, 1.0 - fx), (1, fx)] {
            for (dy, wy) in [(0, 1.0 - fy), (1, fy)] {
                *taps
                    .entry((x.floor() as i32 + dx, y.floor() as i32 + dy))
                    .or_default() += wx * wy / f64::from(n + 1);
            }
        }
    }
    taps.into_iter()
        .filter(|(_, w)| *w > 1e-9)
        .map(|((x, y), w)| (x, y, w as f32))
        .collect()
}

fn convolve(plane: &[f32], width: usize, height: usize, taps: &[(i32, i32, f32)]) -> Vec<f32> {
    let mut out = vec![0.0f32; plane.len()];
    for (y, target) in out.chunks_exact_mut(width).enumerate() {
        for &(dx, dy, weight) in taps {
            let from = y as i32 - dy;
            if from < 0 || from >= height as i32 {
                continue;
            }
            let source = &plane[from as usize * width..(from as usize + 1) * width];
            let shift = dx.unsigned_abs() as usize;
            if shift >= width {
                continue;
            }
            let (to, at) = if dx >= 0 {
                (&mut target[shift..], &source[..width - shift])
            } else {
                (&mut target[..width - shift], &source[shift..])
            };
            for (o, v) in to.iter_mut().zip(at) {
                *o += weight * v;
            }
        }
    }
    out
}
