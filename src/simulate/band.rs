//! The slit's images in all orders, pixel by pixel: the part of the picture that needs every pixel's own wavelength.

use std::ops::Range;

use super::blades::Profile;
use super::blur::{blur, convolve, gaussian, movement};
use super::effective::Effective;
use super::fixed::Fixed;
use super::light::Emission;
use super::pupil::{self, Field, Middle, Offset, Offsets, walk};
use super::rays::{Rays, vignetting};
use super::reality::Reality;
use super::spread::{Integrated, REACH, STRIPS, Spread};
use crate::terms::Point;

/// Distance of the pixels at which the rays are inverted exactly; between them the change is linear to 0.003 px.
const CELL: usize = 8;

/// Shifts that are looked at together for light: about a cell.
const STRETCH: f64 = 0.003;
/// Light in a stretch that nobody sees, linear share of full scale: far below a step of any phone's converter.
const UNSEEN: f64 = 3e-5;

/// Blur along the dispersion that is applied before sampling, px: enough that no pixel grid shows in a line's place.
const EARLY_BLUR_PX: f64 = 1.2;

/// A rectangle of the sensor that holds all orders.
pub(super) struct Band {
    field: Field,
    planes: [Vec<f32>; 3],
}

/// What is drawn: the light by shift, and by the place along the slit.
struct Drawing<'a> {
    effective: &'a Effective,
    spread: Integrated,
    profile: Profile,
    strips: [f64; STRIPS],
    /// The slit's mean width, in shifts.
    slit_shift: f64,
    /// By stretches of [`STRETCH`] from −[`REACH`] on: whether there is no light worth drawing.
    dark: Vec<bool>,
    /// From flux to the share of full scale that one point of the pupil brings.
    gain: f64,
}

impl Band {
    /// Draws all orders; `gain` turns flux into shares of full scale.
    pub(super) fn new(effective: &Effective, emission: &Emission, gain: f64) -> Band {
        let rays = effective.rays();
        let points = pupil::points(effective);
        let field = around(effective, &rays);
        let mut band = Band {
            field,
            planes: [0, 1, 2].map(|_| vec![0.0; field.width * field.height]),
        };
        if field.width == 0 || field.height == 0 {
            return band;
        }
        let mut spread = Spread::new(effective, emission, true);
        // The lens blurs before the pixels sample: what fits goes into the fine spectrum, the rest onto the pixels.
        let early = effective.blur_px.min(EARLY_BLUR_PX);
        spread.blur(&rays, |_| early);
        let px_mm = effective.shot.instrument.slit_distance_mm / effective.shot.phone.focal_px;
        let spread = spread.integrated();
        let slit_shift = 1e-3 * effective.shot.instrument.slit_width_um * rays.shift_per_mm();
        let drawing = Drawing {
            effective,
            dark: dark_stretches(&spread, slit_shift, gain),
            spread,
            profile: Profile::new(effective, px_mm),
            strips: effective.strips(),
            slit_shift,
            gain: gain / points.len() as f64,
        };
        let grid = Grid::new(&field, &rays, effective);
        let offsets: Vec<Offsets> = if let [_] = points[..] {
            Vec::new()
        } else {
            let middle = Middle::new(field, &rays, effective);
            let of_point = |pupil: &[f64; 2]| middle.offsets(&rays, *pupil);
            points.iter().map(of_point).collect()
        };
        let mut nodes = vec![[0.0f64; 3]; grid.columns];
        for row in 0..field.height {
            grid.row(row, &mut nodes);
            if offsets.is_empty() {
                band.add_middle(&drawing, row, &nodes);
            } else {
                let lit = drawing.lit_cells(&nodes, &offsets);
                for offsets in &offsets {
                    band.add_point(&drawing, row, (&nodes, &lit), offsets);
                }
            }
        }
        band.blurred(effective, early);
        band
    }

    /// Adds what a pupil that is a point sees in a row.
    fn add_middle(&mut self, drawing: &Drawing, row: usize, nodes: &[[f64; 3]]) {
        for (cell, ends) in nodes.windows(2).enumerate() {
            if drawing.is_beside_slit(ends[0][1], ends[1][1]) {
                continue;
            }
            let at = self.pixels(row, cell);
            drawing.add_cell(&mut self.planes, at, [ends[0], ends[1]]);
        }
    }

    /// Adds what one point of the pupil sees in the cells of a row that may be lit.
    fn add_point(
        &mut self,
        drawing: &Drawing,
        row: usize,
        (nodes, lit): (&[[f64; 3]], &[usize]),
        offsets: &Offsets,
    ) {
        let by = offsets.row(row);
        for &cell in lit {
            let ends = [cell, cell + 1].map(|column| {
                let [g, s, factor] = nodes[column];
                let by = Offsets::at(&by, column * CELL);
                ([g + by.shift, s + by.along_mm, factor], by)
            });
            let [(a, left), (b, right)] = ends;
            if drawing.is_beside_slit(a[1], b[1]) {
                continue;
            }
            let lamp = drawing.lamplight([(a[1], left), (b[1], right)]);
            let at = self.pixels(row, cell);
            drawing.add_stretch(&mut self.planes, at, [a, b], (left.reach_mm, lamp));
        }
    }

    /// The pixels of a cell.
    fn pixels(&self, row: usize, cell: usize) -> Range<usize> {
        let start = row * self.field.width + cell * CELL;
        start..start + CELL.min(self.field.width - cell * CELL)
    }

    /// Moves and blurs what was drawn, where `early` px of the blur are in it already.
    fn blurred(&mut self, effective: &Effective, early: f64) {
        let Field { width, height, .. } = self.field;
        if let Some((length_px, direction_deg)) = effective.movement {
            let taps = movement(length_px, direction_deg);
            for plane in &mut self.planes {
                *plane = convolve(plane, width, height, &taps);
            }
        }
        let late = (effective.blur_px.powi(2) - early.powi(2)).max(0.0).sqrt();
        let (sideways, upwards) = (gaussian(late), gaussian(effective.blur_px));
        for plane in &mut self.planes {
            blur(plane, width, height, &sideways, &upwards);
        }
    }

    /// Adds its part of row `y`.
    pub(super) fn add(&self, y: usize, row: &mut [[f32; 3]]) {
        let Some(band_row) = (y as isize)
            .checked_sub(self.field.top)
            .filter(|r| (0..self.field.height as isize).contains(r))
        else {
            return;
        };
        let Field { left, width, .. } = self.field;
        let first = left.max(0);
        let last = (left + width as isize).min(row.len() as isize);
        let start = band_row as usize * width + (first - left) as usize;
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

impl Drawing<'_> {
    /// Share of a bare lamp's light at both ends of a cell, by the place along the slit that is seen there.
    fn lamplight(&self, ends: [(f64, Offset); 2]) -> [f64; 2] {
        let lit = &self.effective.shot.reality.lit;
        let slit_mm = self.effective.shot.instrument.slit_distance_mm;
        ends.map(|(s, offset)| lit.lamplight(s, offset.foot_mm, slit_mm))
    }

    /// Adds the pixels `at` of a cell to the planes, whose ends see the shift, the place along the slit and the brightness
    /// factor stated.
    #[inline]
    fn add_cell(&self, planes: &mut [Vec<f32>; 3], at: Range<usize>, [a, b]: [[f64; 3]; 2]) {
        let slope = [0, 1, 2].map(|k| (b[k] - a[k]) / CELL as f64);
        for (i, index) in at.enumerate() {
            let t = i as f64;
            let s = a[1] + slope[1] * (t + 0.5);
            let (light, relative_width) = self.profile.at(s);
            if light == 0.0 {
                continue;
            }
            // Both edges with this pixel's own width: all the zero order's light stands behind either.
            let width = self.slit_shift * f64::from(relative_width);
            let up_to = |shift: f64| self.spread.up_to(shift, width, &self.strips);
            let low = up_to(a[0] + slope[0] * t);
            let high = up_to(a[0] + slope[0] * (t + 1.0));
            let factor = self.gain * f64::from(light) * (a[2] + slope[2] * (t + 0.5));
            for c in 0..3 {
                planes[c][index] += ((high[c] - low[c]) * factor) as f32;
            }
        }
    }

    /// The same where each pixel takes in a stretch of the slit, `reach_mm` to each side, and the lamp itself is seen, with the
    /// light stated at both ends. The slit's width is that of the cell's middle: so many points are added that it is not told.
    #[inline]
    fn add_stretch(
        &self,
        planes: &mut [Vec<f32>; 3],
        at: Range<usize>,
        [a, b]: [[f64; 3]; 2],
        (reach_mm, lamp): (f64, [f64; 2]),
    ) {
        let profile = &self.profile;
        let (first, last) = (profile.step(a[1].min(b[1])), profile.step(a[1].max(b[1])));
        let reach = Profile::reach(reach_mm);
        let is_off = || profile.over(Fixed::of(first - reach), Fixed::of(last + reach)) == 0.0;
        if lamp == [0.0; 2] || self.is_dark(a[0], b[0]) || is_off() {
            return;
        }
        let slope = [0, 1, 2].map(|k| (b[k] - a[k]) / CELL as f64);
        let fading = (lamp[1] - lamp[0]) / CELL as f64;
        let width = self.slit_shift * f64::from(profile.at(0.5 * (a[1] + b[1])).1);
        let edges = self.spread.edges(width, &self.strips);
        let [node, next] = [a, b].map(|end| self.spread.node(end[0]));
        let (node, step) = (Fixed::of(node), Fixed::of((next - node) / CELL as f64));
        // The middle of the first pixel, and from there on.
        let place = profile.step(a[1] + 0.5 * slope[1]);
        let (from, to) = (Fixed::of(place - reach), Fixed::of(place + reach));
        let onwards =
            Fixed::of(profile.step(b[1]) / CELL as f64 - profile.step(a[1]) / CELL as f64);
        let gain = 0.5 * self.gain / reach;
        let mut low = self.spread.through(node, &edges);
        for (i, index) in (0i64..).zip(at) {
            let t = i as f64 + 0.5;
            let high = self.spread.through(node.after(i + 1, step), &edges);
            let light = profile.over(from.after(i, onwards), to.after(i, onwards));
            let light = light * (lamp[0] + fading * t);
            let factor = gain * light * (a[2] + slope[2] * t);
            for c in 0..3 {
                planes[c][index] += ((high[c] - low[c]) * factor) as f32;
            }
            low = high;
        }
    }

    /// Whether a cell that sees these two places, mm, sees nothing of the slit.
    fn is_beside_slit(&self, one_mm: f64, other_mm: f64) -> bool {
        let reach_mm = self.profile.half_mm;
        (one_mm < -reach_mm && other_mm < -reach_mm) || (one_mm > reach_mm && other_mm > reach_mm)
    }

    /// The cells of a row in which some point of the pupil may see light.
    fn lit_cells(&self, nodes: &[[f64; 3]], offsets: &[Offsets]) -> Vec<usize> {
        let most = offsets.iter().map(Offsets::most).fold(0.0, f64::max);
        let is_lit = |ends: &[[f64; 3]]| {
            let (one, other) = (ends[0][0], ends[1][0]);
            !self.is_dark(one.min(other) - most, one.max(other) + most)
        };
        let cells = nodes.windows(2).enumerate();
        cells
            .filter_map(|(cell, ends)| is_lit(ends).then_some(cell))
            .collect()
    }

    /// Whether there is next to no light between two shifts.
    fn is_dark(&self, one: f64, other: f64) -> bool {
        let stretch = |shift: f64| {
            let t = (shift + REACH) / STRETCH;
            (t.max(0.0) as usize).min(self.dark.len() - 1)
        };
        let (low, high) = (one.min(other), one.max(other));
        (stretch(low)..=stretch(high)).all(|i| self.dark[i])
    }
}

/// The stretches of the shift without light worth drawing, where a slit is `slit_shift` wide.
fn dark_stretches(spread: &Integrated, slit_shift: f64, gain: f64) -> Vec<bool> {
    // Rough blades and wedges make a slit wider in places.
    let width = 1.5 * slit_shift;
    (0..(2.0 * REACH / STRETCH) as usize)
        .map(|i| {
            let low = i as f64 * STRETCH - REACH;
            let (a, b) = (
                spread.up_to(low - width, width, &[1.0; STRIPS]),
                spread.up_to(low + STRETCH + width, width, &[1.0; STRIPS]),
            );
            (0..3).all(|c| gain * (b[c] - a[c]) < UNSEEN)
        })
        .collect()
}

/// The rectangle that holds every order, with room for the blur.
fn around(effective: &Effective, rays: &Rays) -> Field {
    let (w, h) = effective.shot.phone.size_px();
    let half = 0.5 * effective.shot.instrument.slit_length_mm;
    let margin = 4.0 * effective.blur_px + effective.movement.map_or(0.0, |m| 0.5 * m.0) + 4.0;
    let (mut x0, mut y0, mut x1, mut y1) = (f64::MAX, f64::MAX, f64::MIN, f64::MIN);
    let r = 0.5 * effective.shot.phone.pupil_diameter_mm();
    let rim: &[[f64; 2]] = if effective.shot.reality.focus_mm.is_some() {
        &[[0.0, 0.0], [r, 0.0], [-r, 0.0], [0.0, r], [0.0, -r]]
    } else {
        &[[0.0, 0.0]]
    };
    for i in -120..=120 {
        for s in [-half, 0.0, half] {
            for pupil in rim {
                if let Some(passed) = rays.follow(0.01 * f64::from(i), [s, 0.0], *pupil)
                    && let Point { x, y } = passed.seen
                    && x > -margin - 60.0
                    && y > -margin - 60.0
                    && x < w + margin + 60.0
                    && y < h + margin + 60.0
                {
                    (x0, y0, x1, y1) = (x0.min(x), y0.min(y), x1.max(x), y1.max(y));
                }
            }
        }
    }
    // Neighbouring samples lie up to 0.01·f apart, so the last one inside may be that far from the edge.
    let step = 0.012 * effective.shot.phone.focal_px;
    // Reaches beyond the picture by the margin: what is blurred there spills back in.
    let clamp = |v: f64, size: f64| v.clamp(-margin, size + margin).floor() as isize;
    let (left, right) = (clamp(x0 - margin - step, w), clamp(x1 + margin + step, w));
    let (top, bottom) = (clamp(y0 - margin, h), clamp(y1 + margin + 1.0, h));
    Field {
        left,
        top,
        width: (right - left).max(0) as usize,
        height: (bottom - top).max(0) as usize,
    }
}

/// Shift, place along the slit and brightness factor at the corners of cells. Columns lie on the pixels' left edges.
struct Grid {
    columns: usize,
    nodes: Vec<[f64; 3]>,
}

impl Grid {
    fn new(field: &Field, rays: &Rays, effective: &Effective) -> Grid {
        let (focal, distance) = (
            effective.shot.phone.focal_px,
            effective.shot.instrument.slit_distance_mm,
        );
        let (w, h) = effective.shot.phone.size_px();
        let middle = Point::new(0.5 * w, 0.5 * h);
        let is_ideal = effective.shot.reality == Reality::ideal();
        let columns = field.width.div_ceil(CELL) + 1;
        let rows = field.height.div_ceil(CELL) + 1;
        let mut places = vec![(0.0, 0.0); columns * rows];
        let position = |column: usize, row: usize| {
            Point::new(
                (field.left + (column * CELL) as isize) as f64 - 0.5,
                (field.top + (row * CELL) as isize) as f64,
            )
        };
        // Start from the slit's own image and walk to the first corner, each step guessing from the last.
        let origin = rays.trace(0.0, 0.0, 0.0).unwrap_or_default();
        let guess = walk(rays, origin, position(0, 0));
        for row in 0..rows {
            for column in 0..columns {
                let index = row * columns + column;
                let guess = match (column, row) {
                    (0, 0) => guess,
                    (0, _) => places[index - columns],
                    _ => places[index - 1],
                };
                places[index] = rays.invert(position(column, row), guess, [0.0, 0.0]);
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
                // Light per shift is counted along the row, so the rest of the pixel's area is what is left here. Where the
                // grooves are round, a longer line is no fainter for it: the pupil catches what more of the disc turns its way.
                let stretch = if is_ideal {
                    (gx * sy - gy * sx).abs() / gx.abs() * focal / distance
                } else {
                    1.0
                };
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
