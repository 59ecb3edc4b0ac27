//! Light along one order, slab by slab along the slit, background taken off; and its mean.

use std::ops::Range;

use crate::frame::Frame;
use crate::measure::optics::Rays;
use crate::measure::optics::bins::{Beside, Every, Grid, Window, bin};
use crate::terms::{Interval, Optics, Point};

/// Slabs across the lit part of the slit.
pub const SLABS: usize = 16;
/// The lit part used: this share of the half length, so that the blurred ends stay out.
const LIT: f64 = 0.90;
/// The background is taken from this many slabs' heights beyond each end…
const BACKGROUND_SLABS: usize = 5;
/// …after a gap of this many at least, and of what the pupil smears.
const GAP_SLABS: usize = 3;

/// One order (or a stretch of it) by slab.
pub struct Slabs {
    /// The model that the bins were made with.
    pub rays: Rays,
    grid: Grid,
    /// Rows of the grid below the first slab.
    below: usize,
    /// Background at each bin, by channel, smoothed.
    background: Vec<[f64; 3]>,
}

/// A spectrum in equal steps of |m λ|, rising.
#[derive(Clone, Debug)]
pub struct Profile {
    /// Order's sign: +1 or −1.
    pub sign: f64,
    /// |m λ| of the first value, nm.
    pub start_nm: f64,
    /// Step, nm.
    pub step_nm: f64,
    /// Mean light, by channel.
    pub rgb: Vec<[f64; 3]>,
    /// Standard uncertainty of each, from the slabs' scatter.
    pub rgb_sigma: Vec<[f64; 3]>,
    /// Mean over the channels.
    pub light: Vec<f64>,
    /// Its standard uncertainty.
    pub sigma: Vec<f64>,
    /// Share of clipped pixels.
    pub clipped: Vec<f64>,
    /// Background that was taken off, mean over the channels.
    pub background: Vec<f64>,
}

/// The first order on one side of the slit's image.
pub struct Order {
    /// Bins.
    pub slabs: Slabs,
    /// Mean light on the scale of the rays it was binned with.
    pub profile: Profile,
}

/// How an order is binned.
#[derive(Clone, Copy, Debug)]
pub struct Sampling {
    /// Range of |m λ|, nm.
    pub range_nm: Interval,
    /// Step, nm.
    pub step_nm: f64,
    /// Which pixels are read: all for what is measured.
    pub every: Every,
}

impl Order {
    /// The first orders on both sides, that of −α first.
    pub fn both(frame: &Frame, optics: &Optics, beta: Interval, sampling: Sampling) -> [Order; 2] {
        let rays = optics.rays();
        [-1.0, 1.0].map(|sign| {
            let slabs = slabs(frame, &rays, sign, sampling, beta);
            let profile = slabs.profile(&rays);
            Order { slabs, profile }
        })
    }
}

impl Profile {
    /// |m λ| of a (fractional) index.
    pub fn nm(&self, index: f64) -> f64 {
        self.start_nm + index * self.step_nm
    }

    /// Number of values.
    pub fn len(&self) -> usize {
        self.light.len()
    }

    /// True where there is nothing.
    pub fn is_empty(&self) -> bool {
        self.light.is_empty()
    }

    /// Sum of its light, what lies below zero left out.
    pub fn total_light(&self) -> f64 {
        self.light.iter().map(|v| v.max(0.0)).sum()
    }

    /// Indices of what lies from one |m λ| to below another, nm.
    pub fn within(&self, nm: Range<f64>) -> impl Iterator<Item = usize> {
        (0..self.len()).filter(move |&i| nm.contains(&self.nm(i as f64)))
    }

    /// Nearest index to |m λ|, if within.
    pub fn index(&self, nm: f64) -> Option<usize> {
        let i = ((nm - self.start_nm) / self.step_nm).round();
        (i >= 0.0 && i < self.len() as f64).then_some(i as usize)
    }
}

/// Bins one order on the side of `sign`.
///
/// `beta` is the extent of the slit (its two ends) relative to β_mid.
pub fn slabs(frame: &Frame, rays: &Rays, sign: f64, sampling: Sampling, beta: Interval) -> Slabs {
    let Sampling {
        range_nm,
        step_nm,
        every,
    } = sampling;
    let middle = beta.middle();
    let half = 0.5 * beta.width();
    let slab = 2.0 * LIT * half / SLABS as f64;
    let gap = (rays.smear(range_nm.high) / slab).ceil() as usize;
    let below = gap.clamp(GAP_SLABS, SLABS) + BACKGROUND_SLABS;
    let around = below as f64 * slab;
    let window = Window {
        path_nm: range_nm.on_side(sign),
        path_step_nm: step_nm,
        beta: Interval::new(middle - LIT * half - around, middle + LIT * half + around),
        beta_bins: SLABS + 2 * below,
        every,
        beside: Beside {
            ground: BACKGROUND_SLABS,
            unread: below - BACKGROUND_SLABS,
        },
    };
    let mut grid = bin(frame, rays, window);
    let px_per_nm = rays.px_per_nm(sign * range_nm.middle());
    let between = every.across as f64;
    grid.fill_gaps(px_per_nm.map_or(0, |px| (between / (px * step_nm)).ceil() as usize));
    let raw: Vec<Option<[f64; 3]>> = (0..grid.path_bins).map(|j| background(&grid, j)).collect();
    let reach = (3.0 / step_nm).round() as usize;
    let background = (0..raw.len())
        .map(|j| {
            let part = &raw[j.saturating_sub(reach)..(j + reach + 1).min(raw.len())];
            let known: Vec<&[f64; 3]> = part.iter().flatten().collect();
            let n = known.len().max(1) as f64;
            std::array::from_fn(|c| known.iter().map(|v| v[c]).sum::<f64>() / n)
        })
        .collect();
    Slabs {
        rays: rays.clone(),
        grid,
        below,
        background,
    }
}

/// Mean of the two sides' means; one side alone where the other is off the picture.
fn background(grid: &Grid, j: usize) -> Option<[f64; 3]> {
    let last = grid.window.beta_bins;
    let side = |range: std::ops::Range<usize>| -> Option<[f64; 3]> {
        let mut sum = [0.0; 3];
        let mut n = 0.0;
        for b in range {
            if let Some(m) = grid.mean(b, j) {
                for c in 0..3 {
                    sum[c] += m[c];
                }
                n += 1.0;
            }
        }
        (n > 0.0).then(|| sum.map(|s| s / n))
    };
    match (
        side(0..BACKGROUND_SLABS),
        side(last - BACKGROUND_SLABS..last),
    ) {
        (Some(a), Some(b)) => Some(std::array::from_fn(|c| 0.5 * (a[c] + b[c]))),
        (one, other) => one.or(other),
    }
}

impl Slabs {
    /// Height of slab `k` above β_mid.
    pub fn beta(&self, k: usize) -> f64 {
        self.grid.beta(k + self.below)
    }

    /// Pixel where the mean over the slabs, on the scale of `rays`, has its `path_nm`: at the slabs' middle height.
    pub fn middle_px(&self, rays: &Rays, path_nm: f64) -> Option<Point> {
        let near = rays.pixel_of_path(path_nm, 0.0)?;
        let binned = self.rays.path_nm(near);
        let height = 0.5 * (self.beta(0) + self.beta(SLABS - 1));
        let at = self.rays.pixel_of_path(binned, height)?;
        rays.pixel_of_path(path_nm, rays.height(at))
    }

    /// Memory that its bins take, bytes.
    pub fn n_bytes(&self) -> u64 {
        self.grid.n_bytes() + size_of_val(&self.background[..]) as u64
    }

    /// Bins along the dispersion.
    pub fn len(&self) -> usize {
        self.grid.path_bins
    }

    /// True where there is nothing.
    pub fn is_empty(&self) -> bool {
        self.grid.path_bins == 0
    }

    /// Order's sign.
    pub fn sign(&self) -> f64 {
        if self.grid.window.path_nm.low >= 0.0 {
            1.0
        } else {
            -1.0
        }
    }

    /// Light of slab `k` in bin `j`, background off; absent off the picture.
    pub fn light(&self, k: usize, j: usize) -> Option<[f64; 3]> {
        let mean = self.grid.mean(k + self.below, j)?;
        let b = self.background[j];
        Some(std::array::from_fn(|c| mean[c] - b[c]))
    }

    /// `m λ` (signed) of bin `j`.
    pub fn path_nm(&self, j: usize) -> f64 {
        self.grid.path_nm(j)
    }

    /// Mean over the slabs, on the scale of `rays` (which may differ from the one binned with).
    ///
    /// Bins that fewer than half of the slabs see are left out at either end.
    pub fn profile(&self, rays: &Rays) -> Profile {
        let sign = self.sign();
        let Window {
            path_nm,
            path_step_nm: step_nm,
            ..
        } = self.grid.window;
        let lowest = path_nm.on_side(sign).low;
        let start_nm = lowest + 0.5 * step_nm;
        let bins = self.shared(rays, start_nm);
        let is_seen = |bin: &Bin| bin.weights.iter().filter(|w| **w > SEEN).count() * 2 >= SLABS;
        let first = bins.iter().position(is_seen);
        let last = bins.iter().rposition(is_seen);
        let seen = first
            .zip(last)
            .map_or(0..0, |(first, last)| first..last + 1);
        let mut profile = Profile {
            sign,
            start_nm: start_nm + seen.start as f64 * step_nm,
            step_nm,
            rgb: Vec::with_capacity(seen.len()),
            rgb_sigma: Vec::with_capacity(seen.len()),
            light: Vec::with_capacity(seen.len()),
            sigma: Vec::with_capacity(seen.len()),
            clipped: Vec::with_capacity(seen.len()),
            background: Vec::with_capacity(seen.len()),
        };
        // How brightly each slab is lit, so that uneven lighting does not count as noise.
        let gains = gains(&bins);
        for bin in &bins[seen] {
            let mean = bin.mean(&gains);
            let weight: f64 = bin.weights.iter().sum();
            let share = |sum: f64| mean.as_ref().map_or(0.0, |_| sum / weight);
            profile.clipped.push(share(bin.clipped));
            profile.background.push(share(bin.background));
            let mean = mean.unwrap_or_else(Mean::unseen);
            profile.rgb.push(mean.rgb);
            profile.rgb_sigma.push(mean.rgb_sigma);
            profile.light.push(mean.light);
            profile.sigma.push(mean.sigma);
        }
        smooth_sigma(&mut profile);
        profile
    }

    /// Every slab's light on the scale of `rays`, shared between the two nearest bins of |m λ| from `start_nm` on.
    fn shared(&self, rays: &Rays, start_nm: f64) -> Vec<Bin> {
        let n = self.len();
        let mut bins = vec![Bin::default(); n];
        for k in 0..SLABS {
            let remap = Remap::new(self, rays, self.beta(k));
            for j in 0..n {
                let Some(light) = self.light(k, j) else {
                    continue;
                };
                let path = remap.path_nm(j);
                let place = (self.sign() * path - start_nm) / self.grid.window.path_step_nm;
                let left = place.floor();
                let share = place - left;
                let over = self.grid.clipped_share(k + self.below, j);
                let ground: f64 = self.background[j].iter().sum::<f64>() / 3.0;
                for (i, w) in [(left, 1.0 - share), (left + 1.0, share)] {
                    if i < 0.0 || i >= n as f64 || w <= 0.0 {
                        continue;
                    }
                    let bin = &mut bins[i as usize];
                    for (sum, light) in bin.sums[k].iter_mut().zip(light) {
                        *sum += w * light;
                    }
                    bin.weights[k] += w;
                    bin.clipped += w * over;
                    bin.background += w * ground;
                }
            }
        }
        bins
    }
}

/// A slab is seen in a bin where it has more than this weight there, pixels' shares.
const SEEN: f64 = 0.2;
/// Gains of slabs are kept within a factor of this: a slab hardly lit says nothing of the others.
const MOST_GAIN: f64 = 10.0;

/// One bin of a profile: what each slab has there.
#[derive(Clone, Default)]
struct Bin {
    sums: [[f64; 3]; SLABS],
    weights: [f64; SLABS],
    clipped: f64,
    background: f64,
}

/// The mean over a bin's slabs, with its standard uncertainty from their scatter.
struct Mean {
    rgb: [f64; 3],
    rgb_sigma: [f64; 3],
    light: f64,
    sigma: f64,
}

impl Mean {
    /// Uncertainty of what was not seen; its square is still finite.
    const UNSEEN: f64 = 1e154;

    /// Of a bin that no slab sees.
    fn unseen() -> Mean {
        Mean {
            rgb: [0.0; 3],
            rgb_sigma: [Mean::UNSEEN; 3],
            light: 0.0,
            sigma: Mean::UNSEEN,
        }
    }
}

impl Bin {
    /// Light of slab `k`; absent where it is not seen.
    fn light(&self, k: usize) -> Option<[f64; 3]> {
        let w = self.weights[k];
        (w > SEEN).then(|| self.sums[k].map(|s| s / w))
    }

    /// Mean over the slabs that are seen, `gains` being how brightly each is lit.
    fn mean(&self, gains: &[f64; SLABS]) -> Option<Mean> {
        let seen = || (0..SLABS).filter_map(|k| Some((gains[k], self.light(k)?)));
        let (mut sum, mut gain_sum, mut count) = ([0.0f64; 3], 0.0f64, 0.0f64);
        for (gain, light) in seen() {
            for c in 0..3 {
                sum[c] += light[c];
            }
            gain_sum += gain;
            count += 1.0;
        }
        if count < 1.0 {
            return None;
        }
        let scale = 1.0 / f64::max(gain_sum, 1e-6);
        let per_gain: [f64; 3] = sum.map(|m| m * scale);
        let (mut spread, mut spread_light) = ([0.0f64; 3], 0.0f64);
        for (gain, light) in seen() {
            let mut total = 0.0;
            for c in 0..3 {
                let d = light[c] - gain * per_gain[c];
                spread[c] += d * d;
                total += d / 3.0;
            }
            spread_light += total * total;
        }
        let to_sigma = |s: f64| (s / (count * (count - 1.0).max(1.0))).sqrt();
        let rgb = sum.map(|m| m / count);
        Some(Mean {
            rgb,
            rgb_sigma: spread.map(to_sigma),
            light: (rgb[0] + rgb[1] + rgb[2]) / 3.0,
            sigma: to_sigma(spread_light),
        })
    }
}

/// How brightly each slab is lit, against their mean: over the bins that all of them see.
fn gains(bins: &[Bin]) -> [f64; SLABS] {
    let mut sums = [0.0f64; SLABS];
    for bin in bins {
        if bin.weights.iter().all(|w| *w > SEEN) {
            for (k, sum) in sums.iter_mut().enumerate() {
                *sum += bin.light(k).map_or(0.0, |v| v[0] + v[1] + v[2]);
            }
        }
    }
    let mean = sums.iter().sum::<f64>() / SLABS as f64;
    if mean <= 0.0 {
        return [1.0; SLABS];
    }
    sums.map(|s| (s / mean).clamp(1.0 / MOST_GAIN, MOST_GAIN))
}

/// Sixteen slabs give a sigma good to 18 %: average its square over a few neighbours, which share their pixels anyway.
fn smooth_sigma(profile: &mut Profile) {
    let n = profile.sigma.len();
    let light: Vec<f64> = profile.sigma.iter().map(|s| s * s).collect();
    let rgb: Vec<[f64; 3]> = profile.rgb_sigma.iter().map(|s| s.map(|v| v * v)).collect();
    let is_seen: Vec<bool> = profile.sigma.iter().map(|s| *s < Mean::UNSEEN).collect();
    for i in (0..n).filter(|&i| is_seen[i]) {
        let near = || (i.saturating_sub(2)..(i + 3).min(n)).filter(|&j| is_seen[j]);
        let count = near().count() as f64;
        profile.sigma[i] = (near().map(|j| light[j]).sum::<f64>() / count).sqrt();
        profile.rgb_sigma[i] =
            std::array::from_fn(|c| (near().map(|j| rgb[j][c]).sum::<f64>() / count).sqrt());
    }
}

/// Bin -> path on another model, linear between nodes.
struct Remap {
    nodes: Vec<f64>,
    per_node: usize,
}

impl Remap {
    const NODES: usize = 32;

    fn new(slabs: &Slabs, rays: &Rays, beta: f64) -> Remap {
        let per_node = slabs.len().div_ceil(Remap::NODES).max(1);
        let nodes = (0..=slabs.len() / per_node + 1)
            .map(|i| {
                let path =
                    slabs.path_nm(0) + (i * per_node) as f64 * slabs.grid.window.path_step_nm;
                match slabs.rays.pixel_of_path(path, beta) {
                    Some(at) => rays.path_nm(at),
                    None => path,
                }
            })
            .collect();
        Remap { nodes, per_node }
    }

    fn path_nm(&self, j: usize) -> f64 {
        let i = j / self.per_node;
        let t = (j - i * self.per_node) as f64 / self.per_node as f64;
        self.nodes[i] * (1.0 - t) + self.nodes[i + 1] * t
    }
}
