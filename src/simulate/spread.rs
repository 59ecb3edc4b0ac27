//! The spectrum of all orders laid out along one axis, the shift m·λ/d, far finer than any pixel.
//!
//! Stored as its second integral: the light that a pixel receives through a slit of any width is then a difference of four
//! values, exact for lines and bands alike.

use super::blur::gaussian;
use super::effective::Effective;
use super::fixed::Fixed;
use super::light::{Emission, FIRST_NM, LAST_NM};
use super::rays::Rays;
use super::reality::Lens;

/// Nodes per pixel at the picture's middle.
const OVERSAMPLING: f64 = 10.0;
/// Largest shift that any ray from inside the picture can have.
pub(super) const REACH: f64 = 1.3;
/// Wings of the lens: share and reach (px, exponential) of the light that lands beside its place.
const WINGS: [(f64, f64); 2] = [(0.05, 3.5), (0.015, 18.0)];

/// Strips into which the slit's width is cut, to light its two blades unequally.
pub(super) const STRIPS: usize = 3;

/// Light of all orders by shift, per channel.
pub(super) struct Spread {
    step: f64,
    density: Vec<[f64; 3]>,
}

/// Light of all orders by shift, per channel, integrated twice.
pub(super) struct Integrated {
    step: f64,
    twice: Vec<[f64; 3]>,
}

/// By how much lateral colour moves light, in shifts.
struct Colour {
    lens: Lens,
    /// Shifts per magnification, from −[`REACH`] on.
    by_magnification: Vec<f64>,
}

impl Colour {
    /// Steps of the shift at which the rays are followed.
    const STEP: f64 = 0.01;

    fn of(effective: &Effective) -> Option<Colour> {
        let lens = effective.shot.reality.lens;
        if lens.is_free_of_colour() {
            return None;
        }
        let rays = effective.rays();
        let n = (2.0 * REACH / Colour::STEP) as usize + 1;
        let by_magnification = (0..n)
            .map(|i| rays.shift_by_magnification(i as f64 * Colour::STEP - REACH))
            .collect();
        Some(Colour {
            lens,
            by_magnification,
        })
    }

    fn by(&self, shift: f64, wavelength_nm: f64) -> f64 {
        let t =
            ((shift + REACH) / Colour::STEP).clamp(0.0, self.by_magnification.len() as f64 - 1.001);
        let (i, f) = (t as usize, t.fract());
        let (a, b) = (self.by_magnification[i], self.by_magnification[i + 1]);
        (a + (b - a) * f) * self.lens.lateral(wavelength_nm)
    }
}

/// Light of the zero order per channel: all wavelengths on one place.
pub(super) fn zero_order_flux(effective: &Effective, emission: &Emission) -> [f64; 3] {
    let mut flux = [0.0; 3];
    for_each_wavelength(emission, 0.1, |wavelength_nm, strength| {
        let s = effective.shot.phone.sensitivity(wavelength_nm);
        for c in 0..3 {
            flux[c] += strength * s[c] * effective.shot.instrument.share_of_order(0, wavelength_nm);
        }
    });
    flux
}

fn for_each_wavelength(emission: &Emission, step_nm: f64, mut take: impl FnMut(f64, f64)) {
    for &(wavelength_nm, strength) in &emission.lines {
        take(wavelength_nm, strength);
    }
    let n = ((LAST_NM - FIRST_NM) / step_nm) as usize;
    for i in 0..n {
        let wavelength_nm = FIRST_NM + (i as f64 + 0.5) * step_nm;
        take(wavelength_nm, emission.smooth_at(wavelength_nm) * step_nm);
    }
}

impl Spread {
    /// Lays the emission out; without the zero order for metering.
    pub(super) fn new(effective: &Effective, emission: &Emission, with_zero_order: bool) -> Spread {
        let step = 1.0 / (OVERSAMPLING * effective.shot.phone.focal_px);
        let n = (2.0 * REACH / step) as usize;
        let mut density = vec![[0.0f64; 3]; n];
        let drop = |density: &mut [[f64; 3]], shift: f64, flux: [f64; 3]| {
            let t = (shift + REACH) / step;
            if t < 0.0 || t as usize + 1 >= n {
                return;
            }
            let (i, f) = (t as usize, t.fract());
            for c in 0..3 {
                density[i][c] += flux[c] * (1.0 - f);
                density[i + 1][c] += flux[c] * f;
            }
        };
        let (phone, tube) = (&effective.shot.phone, &effective.shot.instrument);
        let flux = |order: i32, wavelength_nm: f64, strength: f64| {
            let light = strength * tube.share_of_order(order, wavelength_nm);
            phone.sensitivity(wavelength_nm).map(|s| s * light)
        };
        let d = tube.groove_spacing_nm;
        let colour = Colour::of(effective);
        for order in [-2, -1, 1, 2] {
            if tube.share_of_order(order, 550.0) == 0.0 {
                continue;
            }
            // One sample per node: the smooth part must not show a comb.
            let step_nm = step * d / f64::from(order.abs());
            for_each_wavelength(emission, step_nm, |wavelength_nm, strength| {
                if strength <= 0.0 {
                    return;
                }
                let shift = f64::from(order) * wavelength_nm / d;
                let moved = colour.as_ref().map_or(0.0, |c| c.by(shift, wavelength_nm));
                let flux = flux(order, wavelength_nm, strength);
                drop(&mut density, shift + moved, flux);
            });
        }
        match colour {
            Some(colour) if with_zero_order => {
                for_each_wavelength(emission, 0.1, |wavelength_nm, strength| {
                    let moved = colour.by(0.0, wavelength_nm);
                    drop(&mut density, moved, flux(0, wavelength_nm, strength));
                });
            }
            None if with_zero_order => {
                drop(&mut density, 0.0, zero_order_flux(effective, emission));
            }
            _ => {}
        }
        if effective.shot.nuisance.glare {
            spread_wings(&mut density, OVERSAMPLING);
        }
        Spread { step, density }
    }

    /// Blurs by a Gaussian of `sigma_px`, by the shift, the width of a pixel being taken place by place.
    pub(super) fn blur(&mut self, rays: &Rays, sigma_px: impl Fn(f64) -> f64) {
        let sharp = std::mem::take(&mut self.density);
        self.density = vec![[0.0; 3]; sharp.len()];
        // The scale changes by a few per cent over a hundred pixels: one kernel serves ten.
        const STRETCH: usize = 100;
        for (k, stretch) in sharp.chunks(STRETCH).enumerate() {
            if stretch.iter().all(|d| *d == [0.0; 3]) {
                continue;
            }
            let middle = (k * STRETCH + STRETCH / 2) as f64 * self.step - REACH;
            let (Some(a), Some(b)) = (
                rays.trace(middle - 0.5e-3, 0.0, 0.0),
                rays.trace(middle + 0.5e-3, 0.0, 0.0),
            ) else {
                continue;
            };
            let px_per_shift = (b.x - a.x).hypot(b.y - a.y) / 1e-3;
            let sigma = sigma_px(middle) / (px_per_shift * self.step);
            let kernel = gaussian(sigma);
            let half = kernel.len() / 2;
            for (i, flux) in stretch.iter().enumerate() {
                let at = k * STRETCH + i;
                if *flux == [0.0; 3] || at < half || at + half >= self.density.len() {
                    continue;
                }
                for (node, weight) in self.density[at - half..=at + half].iter_mut().zip(&kernel) {
                    for c in 0..3 {
                        node[c] += f64::from(*weight) * flux[c];
                    }
                }
            }
        }
    }

    /// The second integral, from which pixels are read.
    pub(super) fn integrated(mut self) -> Integrated {
        let (mut once, mut twice) = ([0.0; 3], [0.0; 3]);
        for node in &mut self.density {
            let flux = *node;
            *node = twice;
            for c in 0..3 {
                once[c] += flux[c];
                twice[c] += once[c] * self.step;
            }
        }
        Integrated {
            step: self.step,
            twice: self.density,
        }
    }
}

impl Integrated {
    #[inline]
    fn second_integral(&self, shift: f64) -> [f64; 3] {
        let t = ((shift + REACH) / self.step).clamp(0.0, self.twice.len() as f64 - 2.0);
        let i = t as usize;
        let f = t - i as f64;
        let (a, b) = (&self.twice[i], &self.twice[i + 1]);
        [
            a[0] + (b[0] - a[0]) * f,
            a[1] + (b[1] - a[1]) * f,
            a[2] + (b[2] - a[2]) * f,
        ]
    }

    /// Light up to `shift` through a slit of `width` (both in shifts), its strips weighted: differences of this
    /// function between a pixel's two edges are what the pixel receives.
    #[inline]
    pub(super) fn up_to(&self, shift: f64, width: f64, strips: &[f64; STRIPS]) -> [f64; 3] {
        let mut sum = [0.0; 3];
        let mut left = self.second_integral(shift + 0.5 * width);
        for (k, weight) in strips.iter().enumerate() {
            let edge = 0.5 - (k as f64 + 1.0) / STRIPS as f64;
            let right = self.second_integral(shift + edge * width);
            for c in 0..3 {
                sum[c] += weight * (left[c] - right[c]);
            }
            left = right;
        }
        sum
    }
}

/// A slit as [`Integrated::through`] takes it: where its strips' edges lie, in nodes, and by what they count.
pub(super) struct Edges {
    at: [Fixed; STRIPS + 1],
    count: [f64; STRIPS + 1],
}

impl Integrated {
    /// A slit of `width` in shifts, its strips weighted.
    pub(super) fn edges(&self, width: f64, strips: &[f64; STRIPS]) -> Edges {
        let weight = |k: usize| strips.get(k).copied().unwrap_or(0.0);
        let mut edges = Edges {
            at: [Fixed::ZERO; STRIPS + 1],
            count: [0.0; STRIPS + 1],
        };
        let nodes = width / self.step;
        for k in 0..=STRIPS {
            edges.at[k] = Fixed::of((0.5 - k as f64 / STRIPS as f64) * nodes);
            edges.count[k] = weight(k) - k.checked_sub(1).map_or(0.0, weight);
        }
        edges
    }

    /// The place of a shift among the nodes.
    #[inline]
    pub(super) fn node(&self, shift: f64) -> f64 {
        (shift + REACH) / self.step
    }

    /// What [`Integrated::up_to`] gives, by the node: for the many pixels that share a slit's width.
    #[inline(always)]
    pub(super) fn through(&self, node: Fixed, edges: &Edges) -> [f64; 3] {
        let mut sum = [0.0; 3];
        for (at, count) in edges.at.iter().zip(&edges.count) {
            let (i, part) = (node + *at).among(self.twice.len());
            let (b_share, a_share) = (count * part, count * (1.0 - part));
            let (a, b) = (&self.twice[i], &self.twice[i + 1]);
            sum[0] += a_share * a[0] + b_share * b[0];
            sum[1] += a_share * a[1] + b_share * b[1];
            sum[2] += a_share * a[2] + b_share * b[2];
        }
        sum
    }
}

/// Mixes in the wings: two-sided exponentials by one forward and one backward pass each.
fn spread_wings(density: &mut [[f64; 3]], nodes_per_px: f64) {
    let sharp = density.to_vec();
    let kept = 1.0 - WINGS.iter().map(|w| w.0).sum::<f64>();
    density.iter_mut().for_each(|d| *d = d.map(|v| v * kept));
    for (share, reach_px) in WINGS {
        let decay = (-1.0 / (reach_px * nodes_per_px)).exp();
        // Σ decay^|k| = (1 + decay) / (1 − decay); each pass sees the middle once, so it is taken off once.
        let norm = share * (1.0 - decay) / (1.0 + decay);
        let mut run = [0.0; 3];
        for (d, s) in density.iter_mut().zip(&sharp) {
            for c in 0..3 {
                run[c] = run[c] * decay + s[c];
                d[c] += norm * run[c];
            }
        }
        run = [0.0; 3];
        for (d, s) in density.iter_mut().zip(&sharp).rev() {
            for c in 0..3 {
                d[c] += norm * run[c] * decay;
                run[c] = run[c] * decay + s[c];
            }
        }
    }
}
