//! Pixels -> bins of wavelength and of height along the slit.
//!
//! The picture is never turned or warped: every pixel goes, with its own path difference and height, into the bins
//! that the model gives it. Rows then sample a line at different phases, which beats the pixel grid.

use crate::frame::Frame;
use crate::measure::optics::Rays;

/// What to bin: a range of `m λ` (nm, rising, of one sign) and of heights β − β_mid.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    /// Lowest and highest `m λ`, nm; negative for orders on the −α side.
    pub path_nm: (f64, f64),
    /// Bin width in nm.
    pub path_step_nm: f64,
    /// Lowest and highest height.
    pub beta: (f64, f64),
    /// Number of equal bins of height.
    pub beta_bins: usize,
    /// Reads every n-th row or column across the dispersion: 1 for a spectrum, more where only heights matter.
    pub stride: usize,
}

/// Light by bin: `beta_bins` rows of `path_bins` values.
pub struct Grid {
    /// What was binned.
    pub window: Window,
    /// Bins along the dispersion.
    pub path_bins: usize,
    cells: Vec<Cell>,
}

/// What fell into a bin.
#[derive(Clone, Copy, Default)]
struct Cell {
    /// Sum of linear light by channel.
    sum: [f32; 3],
    /// Sum of weights: pixels.
    weight: f32,
    /// Weight of pixels with a channel at the ceiling.
    clipped: f32,
}

/// Between pixels this far apart the model is taken as straight: lines bow by less than 0.001 nm over it.
const CHORD_PX: usize = 10;

impl Grid {
    /// `m λ` of the middle of a bin, nm.
    pub fn path_nm(&self, path_bin: usize) -> f64 {
        self.window.path_nm.0 + (path_bin as f64 + 0.5) * self.window.path_step_nm
    }

    /// Height of the middle of a bin.
    pub fn beta(&self, beta_bin: usize) -> f64 {
        let (low, high) = self.window.beta;
        low + (beta_bin as f64 + 0.5) * (high - low) / self.window.beta_bins as f64
    }

    /// Mean light of a bin; absent where no pixel fell.
    pub fn mean(&self, beta_bin: usize, path_bin: usize) -> Option<[f64; 3]> {
        let cell = &self.cells[beta_bin * self.path_bins + path_bin];
        (cell.weight > 0.05).then(|| cell.sum.map(|s| f64::from(s / cell.weight)))
    }

    /// Share of a bin's pixels that have a channel at the ceiling.
    pub fn clipped_share(&self, beta_bin: usize, path_bin: usize) -> f64 {
        let cell = &self.cells[beta_bin * self.path_bins + path_bin];
        if cell.weight > 0.0 {
            f64::from(cell.clipped / cell.weight)
        } else {
            0.0
        }
    }
}

/// Bins the frame. Pixels are shared linearly between the two nearest bins of wavelength.
pub fn bin(frame: &Frame, rays: &Rays, window: Window) -> Grid {
    let (low, high) = window.path_nm;
    let path_bins = (((high - low) / window.path_step_nm).round() as usize).max(1);
    let cells = path_bins * window.beta_bins;
    let mut grid = Grid {
        window,
        path_bins,
        cells: vec![Cell::default(); cells],
    };
    let Some(outline) = Outline::new(rays, &window) else {
        return grid;
    };
    let per_path = 1.0 / window.path_step_nm;
    let per_beta = window.beta_bins as f64 / (window.beta.1 - window.beta.0);
    let (width, height) = (frame.width(), frame.height());
    let majors = if outline.major_is_x { width } else { height } as f64;
    let minors = if outline.major_is_x { height } else { width } as f64;
    let first = outline.major.0.floor().clamp(0.0, majors) as usize;
    let last = outline.major.1.ceil().clamp(0.0, majors) as usize;
    for major in (first..last).step_by(window.stride) {
        let (from, to) = outline.minor_range(major as f64);
        let from = from.floor().clamp(0.0, minors) as usize;
        let to = to.ceil().clamp(0.0, minors) as usize;
        let exact = |minor: usize| {
            let (u, v) = if outline.major_is_x {
                (major, minor)
            } else {
                (minor, major)
            };
            rays.path_nm(u as f64, v as f64)
        };
        let mut start = from;
        let mut here = exact(start);
        while start < to {
            let end = (start + CHORD_PX).min(to);
            let there = exact(end);
            let per_px = 1.0 / (end - start) as f64;
            let (path_step, beta_step) = ((there.0 - here.0) * per_px, (there.1 - here.1) * per_px);
            for minor in start..end {
                let along = (minor - start) as f64;
                let row = (here.1 + along * beta_step - window.beta.0) * per_beta;
                let place = (here.0 + along * path_step - low) * per_path - 0.5;
                if row < 0.0
                    || row >= window.beta_bins as f64
                    || place <= -1.0
                    || place >= path_bins as f64
                {
                    continue;
                }
                let (x, y) = if outline.major_is_x {
                    (major, minor)
                } else {
                    (minor, major)
                };
                let (light, over) = frame.light(x, y);
                let row_start = row as usize * path_bins;
                // Above −1: cutting off what follows the point rounds down.
                let left = (place + 1.0) as i64 - 1;
                let right_share = (place - left as f64) as f32;
                for (index, share) in [(left, 1.0 - right_share), (left + 1, right_share)] {
                    if index < 0 || index >= path_bins as i64 {
                        continue;
                    }
                    let cell = &mut grid.cells[row_start + index as usize];
                    cell.sum[0] += share * light[0];
                    cell.sum[1] += share * light[1];
                    cell.sum[2] += share * light[2];
                    cell.weight += share;
                    if over {
                        cell.clipped += share;
                    }
                }
            }
            start = end;
            here = there;
        }
    }
    grid
}

/// Where a window lies in the picture: along the longer ("major") picture axis, the range of the other one.
struct Outline {
    major_is_x: bool,
    major: (f64, f64),
    /// (major, lowest minor, highest minor), rising in major.
    nodes: Vec<(f64, f64, f64)>,
}

impl Outline {
    fn new(rays: &Rays, window: &Window) -> Option<Outline> {
        let middle = 0.5 * (window.beta.0 + window.beta.1);
        let mut columns = Vec::new();
        let n = 24;
        for i in 0..=n {
            let path = window.path_nm.0
                + (window.path_nm.1 - window.path_nm.0) * f64::from(i) / f64::from(n);
            let low = rays.pixel_of_path(path, window.beta.0);
            let mid = rays.pixel_of_path(path, middle);
            let high = rays.pixel_of_path(path, window.beta.1);
            if let (Some(a), Some(b), Some(c)) = (low, mid, high) {
                columns.push((a, b, c));
            }
        }
        if columns.len() < 2 {
            return None;
        }
        let (first, last) = (columns[0].1, columns[columns.len() - 1].1);
        let major_is_x = (last.0 - first.0).abs() >= (last.1 - first.1).abs();
        let pick = |p: (f64, f64)| if major_is_x { p } else { (p.1, p.0) };
        // The slit's slant makes the ends of a column lie at other majors than its middle: widen by that.
        let mut slant = 0.0f64;
        let mut nodes: Vec<(f64, f64, f64)> = columns
            .iter()
            .map(|&(a, b, c)| {
                let (a, b, c) = (pick(a), pick(b), pick(c));
                slant = slant.max((a.0 - b.0).abs()).max((c.0 - b.0).abs());
                (b.0, a.1.min(c.1), a.1.max(c.1))
            })
            .collect();
        nodes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let slope = nodes
            .windows(2)
            .map(|w| ((w[1].1 - w[0].1) / (w[1].0 - w[0].0).max(1e-6)).abs())
            .fold(0.0f64, f64::max)
            .min(1.0);
        let margin = 2.0 + slant * slope;
        for node in &mut nodes {
            node.1 -= margin;
            node.2 += margin;
        }
        let major = (
            nodes[0].0 - slant - 1.0,
            nodes[nodes.len() - 1].0 + slant + 2.0,
        );
        Some(Outline {
            major_is_x,
            major,
            nodes,
        })
    }

    fn minor_range(&self, major: f64) -> (f64, f64) {
        let n = &self.nodes;
        let i = n
            .partition_point(|node| node.0 < major)
            .clamp(1, n.len() - 1);
        let (a, b) = (n[i - 1], n[i]);
        let t = ((major - a.0) / (b.0 - a.0).max(1e-9)).clamp(0.0, 1.0);
        (a.1 + t * (b.1 - a.1), a.2 + t * (b.2 - a.2))
    }
}
