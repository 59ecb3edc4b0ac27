//! The band's two edges: the slit's ends, seen in every colour. They give the direction of the dispersion (the tilt)
//! free of the slit's own slant, the height over which to average, and the blur.

use crate::frame::Frame;
use crate::measure::optics::Rays;
use crate::measure::optics::bins::{Beside, Every, Window, bin};
use crate::terms::{Interval, Point, median, sorted};

/// One end of the slit in one block of wavelengths.
#[derive(Clone, Copy, Debug)]
pub struct Edge {
    /// `m λ` of the block's light, nm.
    pub path_nm: f64,
    /// Height β − β_mid at half of the light.
    pub beta: f64,
    /// Pixel there.
    pub at: Point,
    /// Standard deviation of the edge's blur, px.
    pub blur_px: f64,
    /// Signal to noise of the block.
    pub snr: f64,
}

/// Both ends.
#[derive(Clone, Debug, Default)]
pub struct Edges {
    /// On the −β side.
    pub low: Vec<Edge>,
    /// On the +β side.
    pub high: Vec<Edge>,
}

/// So far beyond the slit's expected ends, in its half heights, its ends are sought, in so many steps at least and at most.
const REACH: f64 = 1.7;
const STEPS: (usize, usize) = (40, 2000);
/// An end is told by its climb between these shares of its plateau.
const CLIMB: (f64, f64) = (0.2, 0.8);
/// Beyond an end it stays dark over this part of the profile: dust on the slit does not.
const DARK_PART: usize = 12;
/// Width of a block, nm: a few lines fall into each, and colour does not change over it.
const BLOCK_NM: f64 = 15.0;

/// Finds the ends of the slit in blocks of 15 nm over the ranges of `m λ` given, from the pixels that `every` says.
///
/// `half_beta` is half the slit's expected extent in β.
pub fn edges(
    frame: &Frame,
    rays: &Rays,
    ranges: &[Interval],
    half_beta: f64,
    focal_px: f64,
    every: Every,
) -> Edges {
    let block_nm = BLOCK_NM;
    let mut found = Edges::default();
    let reach = REACH * half_beta;
    let beta_bins = ((2.0 * reach * focal_px) as usize / every.along).clamp(STEPS.0, STEPS.1);
    let px_per_bin = 2.0 * reach * focal_px / beta_bins as f64;
    for range in ranges {
        let (low, blocks) = (
            range.low,
            (range.width() / block_nm).round().max(1.0) as usize,
        );
        let window = Window {
            path_nm: Interval::new(low, low + blocks as f64 * block_nm),
            path_step_nm: block_nm,
            beta: Interval::new(-reach, reach),
            beta_bins,
            every,
            beside: Beside::default(),
        };
        let grid = bin(frame, rays, window);
        for block in 0..grid.path_bins {
            let profile: Vec<f64> = (0..beta_bins)
                .map(|b| {
                    grid.mean(b, block)
                        .map_or(f64::NAN, |c| (c[0] + c[1] + c[2]) / 3.0)
                })
                .collect();
            let Some((bottom, top, snr)) = ends(&profile) else {
                continue;
            };
            let path_nm = grid.path_nm(block);
            for (list, (place, blur_bins)) in [(&mut found.low, bottom), (&mut found.high, top)] {
                let beta = -reach + (place + 0.5) * 2.0 * reach / beta_bins as f64;
                if let Some(at) = rays.pixel_of_path(path_nm, beta) {
                    list.push(Edge {
                        path_nm,
                        beta,
                        at,
                        blur_px: blur_bins * px_per_bin,
                        snr,
                    });
                }
            }
        }
    }
    found
}

/// Parts of a profile, n-th ones: the outer 3/20 on either side are beyond the slit, from 3/10 to 7/10 is on it; of these a tenth and
/// a quarter of the profile must be known (no source).
const OUTER: (usize, usize) = (3, 20);
const ON_SLIT: (usize, usize, usize) = (3, 7, 10);
const KNOWN_OUTSIDE: usize = 10;
const KNOWN_INSIDE: usize = 4;
/// Per cents of a normal distribution that lie below one standard deviation less and more than its middle.
const SIGMA_PERCENT: (usize, usize) = (16, 84);
/// An end's plateau begins a fortieth of the profile inside of it, and goes on to an eighth (no source).
const PLATEAU_FROM: usize = 40;
const PLATEAU_TO: usize = 8;

/// A place (index) and the blur (standard deviation, in bins) of one end.
type End = (f64, f64);

/// The slit stands out of what lies beyond its ends by so much, linear share of full scale, and so many standard deviations
/// of that.
const LEAST_CONTRAST: f64 = 0.0015;
const LEAST_CONTRAST_SIGMAS: f64 = 4.0;
/// An end's own plateau has so much of the slit's light: lighting may differ from one end to the other.
const LEAST_PLATEAU: f64 = 0.3;
/// An error function climbs from 20 % to 80 % over so many standard deviations (tables of the normal distribution).
const CLIMB_SIGMAS: f64 = 1.683;

/// An end is measured by what lies beside it: none of a slit comes out softer than this share of the slit's length (computed: boxes
/// of several lengths behind Gaussians and discs of a pupil, measured by `ends`, come within a tenth of this).
const SOFTEST_SHARE: f64 = 0.138;

/// What a blur of `blur_px` (standard deviation) at the ends of a slit `length_px` long is measured as.
pub fn as_measured(blur_px: f64, length_px: f64) -> f64 {
    let share = blur_px / (SOFTEST_SHARE * length_px.max(1.0));
    blur_px / (1.0 + share.powi(4)).sqrt().sqrt()
}

/// The two ends of a box-like profile.
fn ends(profile: &[f64]) -> Option<(End, End, f64)> {
    let n = profile.len();
    let good = |v: &f64| v.is_finite();
    let outer = n * OUTER.0 / OUTER.1;
    let beyond = profile[..outer].iter().chain(&profile[n - outer..]);
    let out = sorted(beyond.copied().filter(good));
    let inside = sorted(
        profile[n * ON_SLIT.0 / ON_SLIT.2..n * ON_SLIT.1 / ON_SLIT.2]
            .iter()
            .copied()
            .filter(good),
    );
    if out.len() < n / KNOWN_OUTSIDE || inside.len() < n / KNOWN_INSIDE {
        return None;
    }
    let base = out[out.len() / 2];
    let spread =
        (out[out.len() * SIGMA_PERCENT.1 / 100] - out[out.len() * SIGMA_PERCENT.0 / 100]) / 2.0;
    let top = inside[inside.len() / 2];
    let contrast = top - base;
    if contrast < LEAST_CONTRAST || contrast < LEAST_CONTRAST_SIGMAS * spread {
        return None;
    }
    // Smoothed over three bins: the ends are at least that soft.
    let smooth: Vec<f64> = (0..n)
        .map(|i| {
            let part = profile[i.saturating_sub(1)..(i + 2).min(n)].iter();
            let part: Vec<f64> = part.copied().filter(good).collect();
            if part.is_empty() {
                base
            } else {
                part.iter().sum::<f64>() / part.len() as f64
            }
        })
        .collect();
    let find = |from_low: bool| -> Option<End> {
        let at = |i: usize| {
            if from_low {
                smooth[i]
            } else {
                smooth[n - 1 - i]
            }
        };
        // The end's own plateau: lighting may differ from one end of the slit to the other.
        let cross = |level: f64| -> Option<f64> {
            // From the middle outwards, so that dust beyond the end cannot stand for it.
            let mut i = n / 2;
            while i > 0 && at(i - 1) > level {
                i -= 1;
            }
            // Dust on the slit also falls below the level: only an end that stays dark counts.
            loop {
                let dark = (0..i)
                    .rev()
                    .take(n / DARK_PART)
                    .filter(|&j| at(j) > level)
                    .count();
                if dark == 0 {
                    break;
                }
                i = (0..i).rev().find(|&j| at(j) > level)?;
                while i > 0 && at(i - 1) > level {
                    i -= 1;
                }
            }
            if i == 0 {
                return None;
            }
            let (a, b) = (at(i), at(i - 1));
            Some(i as f64 - ((a - level) / (a - b)).clamp(0.0, 1.0))
        };
        let rough = cross(base + 0.5 * contrast)?;
        let start = rough as usize;
        let plateau = (start + n / PLATEAU_FROM + 1..(start + n / PLATEAU_TO).min(n / 2)).map(at);
        let height = median(plateau)? - base;
        if height < LEAST_PLATEAU * contrast {
            return None;
        }
        let middle = cross(base + 0.5 * height)?;
        let (inner, outer) = (
            cross(base + CLIMB.1 * height)?,
            cross(base + CLIMB.0 * height)?,
        );
        // Three-bin smoothing adds 2/3.
        let blur = ((((inner - outer) / CLIMB_SIGMAS).powi(2) - 2.0 / 3.0).max(0.0)).sqrt();
        Some(if from_low {
            (middle, blur)
        } else {
            ((n - 1) as f64 - middle, blur)
        })
    };
    Some((find(true)?, find(false)?, contrast / spread.max(1e-6)))
}
