//! Light that is nowhere sharp: the lens's veil round bright places, and stray light that leaks into the tube.

use super::chance::Chance;
use super::copies::Copies;
use super::effective::Effective;
use super::light::Emission;
use super::spread::{Spread, zero_order_flux};
use crate::terms::Point;

/// Pixels between the places at which the smooth light is computed.
const COARSE: usize = 16;
/// Round the slit's own image the veil is computed in every pixel, this far to each side.
const NEAR_PX: f64 = 150.0;
/// Share of the light and reach in px of the veil's parts, for a focal length of 3000 px.
const PARTS: [(f64, f64); 3] = [(0.012, 11.0), (0.012, 70.0), (0.008, 420.0)];

/// A bright stretch of a slit image.
struct Streak {
    from: Point,
    to: Point,
    /// Unit vector along it.
    along: (f64, f64),
    length: f64,
    /// Light per px of length.
    flux: [f64; 3],
}

impl Streak {
    fn new(from: Point, to: Point, flux: [f64; 3]) -> Streak {
        let (dx, dy) = (to.x - from.x, to.y - from.y);
        let length = dx.hypot(dy).max(1e-9);
        Streak {
            from,
            to,
            along: (dx / length, dy / length),
            length,
            flux,
        }
    }

    /// Light per pixel at (x, y): a/(2π (r² + a²)^{3/2}), integrated along the streak.
    fn veil(&self, x: f64, y: f64, reach: f64) -> f64 {
        let (px, py) = (x - self.from.x, y - self.from.y);
        let t = px * self.along.0 + py * self.along.1;
        let aside = px * self.along.1 - py * self.along.0;
        let core = aside * aside + reach * reach;
        let part = |t: f64| t / (core + t * t).sqrt();
        reach / (2.0 * std::f64::consts::PI * core) * (part(t) - part(t - self.length))
    }

    fn add(&self, x: f64, y: f64, scale: f64, out: &mut [f64; 3]) {
        for (share, reach) in PARTS {
            let v = share * self.veil(x, y, reach * scale);
            for (o, flux) in out.iter_mut().zip(&self.flux) {
                *o += v * flux;
            }
        }
    }
}

/// The smooth part of a picture.
pub(super) struct Veil {
    columns: usize,
    /// Everything but the zero order's own veil.
    rest: Vec<[f32; 3]>,
    /// The zero order's veil.
    zero: Vec<[f32; 3]>,
    slit: Option<Streak>,
    scale: f64,
}

impl Veil {
    /// `lit`: emission and gain, where a lamp is on.
    pub(super) fn new(effective: &Effective, lit: Option<(&Emission, f64)>) -> Veil {
        let (width, height) = (effective.shot.phone.width, effective.shot.phone.height);
        let columns = width.div_ceil(COARSE) + 1;
        let rows = height.div_ceil(COARSE) + 1;
        let mut veil = Veil {
            columns,
            rest: vec![[0.0; 3]; columns * rows],
            zero: vec![[0.0; 3]; columns * rows],
            slit: None,
            scale: effective.shot.phone.focal_px / 3000.0,
        };
        let leak = Leak::new(effective);
        let copies = lit.and_then(|(emission, gain)| {
            let slit = slit_streak(effective, emission, gain)?;
            Some(Copies::new(effective, [slit.from, slit.to], slit.flux))
        });
        let (slit, bands) = match lit {
            Some((emission, gain)) if effective.shot.nuisance.glare => {
                streaks(effective, emission, gain)
            }
            _ => (None, Vec::new()),
        };
        for row in 0..rows {
            for column in 0..columns {
                let (x, y) = ((column * COARSE) as f64, (row * COARSE) as f64);
                let mut rest = leak.at(x, y);
                for streak in &bands {
                    streak.add(x, y, veil.scale, &mut rest);
                }
                if let Some(copies) = &copies {
                    copies.add(x, y, &mut rest);
                }
                let mut zero = [0.0; 3];
                if let Some(slit) = &slit {
                    slit.add(x, y, veil.scale, &mut zero);
                }
                veil.rest[row * columns + column] = rest.map(|v| v as f32);
                veil.zero[row * columns + column] = zero.map(|v| v as f32);
            }
        }
        veil.slit = slit;
        veil
    }

    /// Adds its part of row `y`.
    pub(super) fn add(&self, y: usize, row: &mut [[f32; 3]]) {
        let (cell, t) = (y / COARSE, (y % COARSE) as f32 / COARSE as f32);
        let mix = |nodes: &[[f32; 3]]| -> Vec<[f32; 3]> {
            let above = &nodes[cell * self.columns..(cell + 1) * self.columns];
            let below = &nodes[(cell + 1) * self.columns..(cell + 2) * self.columns];
            above
                .iter()
                .zip(below)
                .map(|(a, b)| [0, 1, 2].map(|c| a[c] + (b[c] - a[c]) * t))
                .collect()
        };
        let (rest, zero) = (mix(&self.rest), mix(&self.zero));
        let near = self.near(y, row.len());
        for (i, pixels) in row.chunks_mut(COARSE).enumerate() {
            let step = [0, 1, 2].map(|c| (rest[i + 1][c] - rest[i][c]) / COARSE as f32);
            let zero_step = [0, 1, 2].map(|c| (zero[i + 1][c] - zero[i][c]) / COARSE as f32);
            for (k, pixel) in pixels.iter_mut().enumerate() {
                let k_px = k as f32;
                let far = !near.contains(&(i * COARSE + k));
                for c in 0..3 {
                    pixel[c] += rest[i][c] + step[c] * k_px;
                    if far {
                        pixel[c] += zero[i][c] + zero_step[c] * k_px;
                    }
                }
            }
        }
        if let Some(slit) = &self.slit {
            for x in near {
                let mut exact = [0.0; 3];
                slit.add(x as f64, y as f64, self.scale, &mut exact);
                for c in 0..3 {
                    row[x][c] += exact[c] as f32;
                }
            }
        }
    }

    fn near(&self, y: usize, width: usize) -> std::ops::Range<usize> {
        let Some(slit) = &self.slit else { return 0..0 };
        let y = y as f64;
        let (top, bottom) = (slit.from.y.min(slit.to.y), slit.from.y.max(slit.to.y));
        if y < top - NEAR_PX || y > bottom + NEAR_PX {
            return 0..0;
        }
        let low = slit.from.x.min(slit.to.x) - NEAR_PX;
        let high = slit.from.x.max(slit.to.x) + NEAR_PX;
        let clamp = |v: f64| v.clamp(0.0, width as f64) as usize;
        clamp(low)..clamp(high)
    }
}

/// An image of the slit's lit part by its shift and its light in flux per shift of the slit's width.
fn streak(effective: &Effective, gain: f64, shift: f64, flux: [f64; 3]) -> Option<Streak> {
    let (shot, rays) = (&effective.shot, effective.rays());
    let half = 0.5 * shot.instrument.slit_length_mm;
    let width = 1e-3 * shot.instrument.slit_width_um * rays.shift_per_mm();
    let per_row = gain * width;
    let [from, to] = shot
        .reality
        .lit
        .part(half, shot.instrument.slit_distance_mm);
    Some(Streak::new(
        rays.trace(shift, from * half, 0.0)?,
        rays.trace(shift, to * half, 0.0)?,
        flux.map(|f| f * per_row),
    ))
}

/// The slit's own image.
fn slit_streak(effective: &Effective, emission: &Emission, gain: f64) -> Option<Streak> {
    streak(effective, gain, 0.0, zero_order_flux(effective, emission))
}

/// The slit's image and the bands cut into slices, as sources of veil.
fn streaks(effective: &Effective, emission: &Emission, gain: f64) -> (Option<Streak>, Vec<Streak>) {
    const SLICES: usize = 40;
    let slit = slit_streak(effective, emission, gain);
    let spread = Spread::new(effective, emission, false).integrated();
    let mut bands = Vec::new();
    let reach = 0.9;
    for i in 0..SLICES {
        let low = -reach + 2.0 * reach * i as f64 / SLICES as f64;
        let high = low + 2.0 * reach / SLICES as f64;
        let narrow = 1e-6;
        let (a, b) = (
            spread.up_to(low, narrow, &[1.0; 3]),
            spread.up_to(high, narrow, &[1.0; 3]),
        );
        let flux = [0, 1, 2].map(|c| (b[c] - a[c]) / narrow);
        if flux.iter().sum::<f64>() > 0.0
            && let Some(s) = streak(effective, gain, 0.5 * (low + high), flux)
        {
            bands.push(s);
        }
    }
    (slit, bands)
}

/// Stray light: soft patches and one seam of the card tube.
pub(super) struct Leak {
    colour: [f64; 3],
    patches: Vec<[f64; 4]>,
    seam: [f64; 5],
}

impl Leak {
    pub(super) fn new(effective: &Effective) -> Leak {
        let (w, h) = effective.shot.phone.size_px();
        let mut chance = Chance::new(effective.shot.instrument.seed ^ 0x1ea4);
        let mut between = |low: f64, high: f64| chance.between(low, high);
        let patches = (0..4)
            .map(|_| {
                [
                    between(0.0, w),
                    between(0.0, h),
                    between(0.12, 0.35) * w,
                    between(0.4, 1.2),
                ]
            })
            .collect();
        let angle = between(0.0, std::f64::consts::PI);
        let seam = [
            between(0.25, 0.75) * w,
            between(0.3, 0.7) * h,
            angle,
            between(0.012, 0.03) * w,
            between(0.8, 1.6),
        ];
        let (red, blue) = effective.shot.phone.white_balance;
        let level = effective.shot.instrument.leak_level * effective.exposure_factor;
        let mut leak = Leak {
            colour: [1.0; 3],
            patches,
            seam,
        };
        // The stated level is the mean over the picture's middle.
        let n = 24;
        let mut mean = 0.0;
        for i in 0..n {
            for j in 0..n {
                let at =
                    |k: i32, size: f64| size * (0.2 + 0.6 * (f64::from(k) + 0.5) / f64::from(n));
                mean += leak.at(at(i, w), at(j, h))[1] / f64::from(n * n);
            }
        }
        // Warm room light, in raw channels.
        leak.colour = [1.0 / red, 0.92, 0.72 / blue].map(|c| c * level / mean);
        leak
    }

    /// Where on the sensor it is brightest, px.
    pub(super) fn brightest(&self, width: f64, height: f64) -> Point {
        const STEPS: i32 = 60;
        let step = |k: i32, size: f64| size * (f64::from(k) + 0.5) / f64::from(STEPS);
        (0..STEPS * STEPS)
            .map(|i| Point::new(step(i % STEPS, width), step(i / STEPS, height)))
            .max_by(|a, b| self.at(a.x, a.y)[1].total_cmp(&self.at(b.x, b.y)[1]))
            .unwrap_or_default()
    }

    fn at(&self, x: f64, y: f64) -> [f64; 3] {
        let mut v = 0.15;
        for [px, py, size, strength] in &self.patches {
            v += strength * (-((x - px).powi(2) + (y - py).powi(2)) / (2.0 * size * size)).exp();
        }
        let [sx, sy, angle, thick, strength] = self.seam;
        let (along, aside) = (
            (x - sx) * angle.cos() + (y - sy) * angle.sin(),
            (y - sy) * angle.cos() - (x - sx) * angle.sin(),
        );
        v += strength
            * (-0.5 * (aside / thick).powi(2)).exp()
            * (-0.5 * (along / (14.0 * thick)).powi(2)).exp();
        self.colour.map(|c| c * v)
    }
}
