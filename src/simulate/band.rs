//! The slit's images in all orders, pixel by pixel: the part of the picture that needs every pixel's own wavelength.

use super::blades::Profile;
use super::blur::{blur, convolve, gaussian, movement};
use super::effective::Effective;
use super::light::Emission;
use super::rays::{Rays, vignetting};
use super::spread::Spread;
use crate::terms::Point;

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

impl Band {
    /// Draws all orders; `gain` turns flux into shares of full scale.
    pub(super) fn new(effective: &Effective, emission: &Emission, gain: f64) -> Band {
        let rays = effective.rays();
        let (focal, distance) = (
            effective.shot.phone.focal_px,
            effective.shot.instrument.slit_distance_mm,
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
        let slit_shift = 1e-3 * effective.shot.instrument.slit_width_um * rays.shift_per_mm();
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
        let (w, h) = (
            effective.shot.phone.width as f64,
            effective.shot.phone.height as f64,
        );
        let half = 0.5 * effective.shot.instrument.slit_length_mm;
        let margin = 4.0 * effective.blur_px + effective.movement.map_or(0.0, |m| 0.5 * m.0) + 4.0;
        let (mut x0, mut y0, mut x1, mut y1) = (f64::MAX, f64::MAX, f64::MIN, f64::MIN);
        for i in -120..=120 {
            for s in [-half, 0.0, half] {
                if let Some(Point { x, y }) = rays.trace(0.01 * f64::from(i), s, 0.0)
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
        let step = 0.012 * effective.shot.phone.focal_px;
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
            effective.shot.phone.focal_px,
            effective.shot.instrument.slit_distance_mm,
        );
        let middle = Point::new(
            0.5 * effective.shot.phone.width as f64,
            0.5 * effective.shot.phone.height as f64,
        );
        let columns = band.width.div_ceil(CELL) + 1;
        let rows = band.height.div_ceil(CELL) + 1;
        let mut places = vec![(0.0, 0.0); columns * rows];
        let position = |column: usize, row: usize| {
            Point::new(
                (band.left + (column * CELL) as isize) as f64 - 0.5,
                (band.top + (row * CELL) as isize) as f64,
            )
        };
        // Start from the slit's own image and walk to the first corner, each step guessing from the last.
        let origin = rays.trace(0.0, 0.0, 0.0).unwrap_or_default();
        let mut guess = (0.0, 0.0);
        let first = position(0, 0);
        for step in 1..=20 {
            let t = f64::from(step) / 20.0;
            let on_the_way = Point::new(
                origin.x + t * (first.x - origin.x),
                origin.y + t * (first.y - origin.y),
            );
            guess = rays.invert(on_the_way, guess);
        }
        for row in 0..rows {
            for column in 0..columns {
                let index = row * columns + column;
                let guess = match (column, row) {
                    (0, 0) => guess,
                    (0, _) => places[index - columns],
                    _ => places[index - 1],
                };
                places[index] = rays.invert(position(column, row), guess);
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
                let p = position(column, row);
                let r2 = ((p.x - middle.x).powi(2) + (p.y - middle.y).powi(2)) / (focal * focal);
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
