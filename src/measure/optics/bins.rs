//! Pixels -> bins of wavelength and of height along the slit.
//!
//! The picture is never turned or warped: every pixel goes, with its own path difference and height, into the bins
//! that the model gives it. Rows then sample a line at different phases, which beats the pixel grid.

use crate::frame::Frame;
use crate::measure::optics::Rays;
use crate::terms::{Interval, Point};

/// What to bin: a range of `m λ` (nm, rising, of one sign) and of heights β − β_mid.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    /// Lowest and highest `m λ`, nm; negative for orders on the −α side.
    pub path_nm: Interval,
    /// Bin width in nm.
    pub path_step_nm: f64,
    /// Lowest and highest height.
    pub beta: Interval,
    /// Number of equal bins of height.
    pub beta_bins: usize,
    /// Which pixels are read.
    pub every: Every,
    /// What lies at its lowest and at its highest heights, and is of less interest.
    pub beside: Beside,
}

/// Rows at either end of a window that hold no light of the slit, from the ends inwards: first those of the ground, whose mean alone
/// is wanted, then those of no interest, which are not read.
#[derive(Clone, Copy, Debug, Default)]
pub struct Beside {
    /// Rows of ground: some lines of pixels of each are read.
    pub ground: usize,
    /// Rows that need not be read.
    pub unread: usize,
}

/// Of a row of ground so many lines of pixels are read at least, and one in so many at most (one in four moved lines of photos that
/// another program drew by a hundredth of a nm).
const GROUND_LINES: f64 = 2.0;
const GROUND_EVERY: f64 = 2.0;

impl Beside {
    /// How pixels are read that all lie between two of `n` rows, of which each has so many lines: one line in how many, or none.
    fn every(self, n: f64, (low, high): (f64, f64), lines_per_row: f64) -> Option<usize> {
        let (ground, unread) = (self.ground as f64, (self.ground + self.unread) as f64);
        // From the nearer end of the window.
        let (from, to) = if high < n - low {
            (low, high)
        } else {
            (n - high, n - low)
        };
        if to <= ground {
            Some((lines_per_row / GROUND_LINES).clamp(1.0, GROUND_EVERY) as usize)
        } else if from >= ground && to <= unread {
            None
        } else {
            Some(1)
        }
    }
}

/// Which lines of pixels are read: every so many of those across the dispersion, and of those along it.
#[derive(Clone, Copy, Debug)]
pub struct Every {
    /// Of those across: 1 for a spectrum, more where only heights matter.
    pub across: usize,
    /// Of those along: 1 for all that is measured, more for a first look.
    pub along: usize,
}

impl Every {
    /// All of them.
    pub const PIXEL: Every = Every {
        across: 1,
        along: 1,
    };

    /// Enough for a first look: every `along`-th line of pixels along the dispersion, and of its pixels every second.
    pub fn first_look(along: usize) -> Every {
        Every {
            across: FIRST_LOOK_ACROSS,
            along,
        }
    }
}

/// Light by bin: `beta_bins` rows of `path_bins` values.
pub struct Grid {
    /// What was binned.
    pub window: Window,
    /// Bins along the dispersion.
    pub path_bins: usize,
    /// Rows of `path_bins + 2`: the first and the last of each take what falls beside it, so that no pixel needs asking.
    cells: Vec<Cell>,
    /// Weight of pixels with a channel at the ceiling, by cell: hardly ever written, so kept apart.
    clipped: Vec<f32>,
}

/// What fell into a bin: sums of linear light, red, green, blue, and of weights (pixels). Four numbers are one register.
type Cell = [f32; 4];

/// A line is three pixels wide or so: every second one still meets it.
const FIRST_LOOK_ACROSS: usize = 2;

/// A bin with less than this of a pixel has not been seen.
const LEAST_WEIGHT: f32 = 0.05;

/// Over so many pixels the model is taken as straight: lines bow by less than 0.001 nm over them…
const TILE_PX: usize = 8;
/// …and over so many at a first look, by less than 0.02 nm: of few pixels the model would take most of the time.
const FIRST_LOOK_TILE_PX: usize = 32;

impl Grid {
    /// `m λ` of the middle of a bin, nm.
    pub fn path_nm(&self, path_bin: usize) -> f64 {
        self.window.path_nm.low + (path_bin as f64 + 0.5) * self.window.path_step_nm
    }

    /// Height of the middle of a bin.
    pub fn beta(&self, beta_bin: usize) -> f64 {
        let Interval { low, high } = self.window.beta;
        low + (beta_bin as f64 + 0.5) * (high - low) / self.window.beta_bins as f64
    }

    /// Memory that its bins take, bytes.
    pub fn n_bytes(&self) -> u64 {
        (size_of_val(&self.cells[..]) + size_of_val(&self.clipped[..])) as u64
    }

    /// Mean light of a bin; absent where no pixel fell.
    pub fn mean(&self, beta_bin: usize, path_bin: usize) -> Option<[f64; 3]> {
        let [red, green, blue, weight] = self.cells[self.cell(beta_bin, path_bin)];
        (weight > LEAST_WEIGHT).then(|| [red, green, blue].map(|s| f64::from(s / weight)))
    }

    /// Share of a bin's pixels that have a channel at the ceiling.
    pub fn clipped_share(&self, beta_bin: usize, path_bin: usize) -> f64 {
        let cell = self.cell(beta_bin, path_bin);
        let weight = self.cells[cell][3];
        if weight > 0.0 {
            f64::from(self.clipped[cell] / weight)
        } else {
            0.0
        }
    }

    /// Gives bins that lie between two pixels' middles the light of both, by distance: where the lines run along the pixels' rows
    /// a pixel may be wider than a bin, and all of a row's pixels fall at one phase. Gaps of more than `most` bins stay open.
    pub fn fill_gaps(&mut self, most: usize) {
        for row in 0..self.window.beta_bins {
            let mut last: Option<usize> = None;
            for path in 0..self.path_bins {
                let Some(right) = self.mean(row, path) else {
                    continue;
                };
                if let Some(before) = last
                    && (2..=most + 1).contains(&(path - before))
                    && let Some(left) = self.mean(row, before)
                {
                    let over = [before, path].map(|p| self.clipped_share(row, p));
                    for gap in before + 1..path {
                        let t = (gap - before) as f64 / (path - before) as f64;
                        let between = |a: f64, b: f64| (a + t * (b - a)) as f32;
                        let [red, green, blue] =
                            std::array::from_fn(|c| between(left[c], right[c]));
                        let cell = self.cell(row, gap);
                        self.cells[cell] = [red, green, blue, 1.0];
                        self.clipped[cell] = between(over[0], over[1]);
                    }
                }
                last = Some(path);
            }
        }
    }

    fn cell(&self, beta_bin: usize, path_bin: usize) -> usize {
        beta_bin * (self.path_bins + 2) + path_bin + 1
    }

    /// Shares a pixel linearly between two neighbours: `column` is its distance from the middle of the first bin, in bins.
    #[inline]
    fn add(&mut self, row: f64, column: f64, (light, over): ([f32; 3], bool)) {
        // Cutting off what follows the point rounds down only what is not negative: from the first, spare, cell on.
        let from_first = column + 1.0;
        let left = from_first as usize;
        let share = from_first as f32 - left as f32;
        let first = row as usize * (self.path_bins + 2) + left;
        let pixel = [light[0], light[1], light[2], 1.0];
        let Some(pair) = self.cells.get_mut(first..first + 2) else {
            return;
        };
        for (cell, share) in pair.iter_mut().zip([1.0 - share, share]) {
            for (sum, value) in cell.iter_mut().zip(pixel) {
                *sum += share * value;
            }
        }
        if over {
            self.clipped[first] += 1.0 - share;
            self.clipped[first + 1] += share;
        }
    }
}

/// Bins the frame. Pixels are shared linearly between the two nearest bins of wavelength.
///
/// The model is asked at the corners of tiles, and taken as straight between them: that is a tenth of the work, and a
/// tile's pixels lie near each other in the memory, whichever way the band runs.
pub fn bin(frame: &Frame, rays: &Rays, window: Window) -> Grid {
    let low = window.path_nm.low;
    let path_bins = ((window.path_nm.width() / window.path_step_nm).round() as usize).max(1);
    let cells = (path_bins + 2) * window.beta_bins;
    let mut grid = Grid {
        window,
        path_bins,
        cells: vec![Cell::default(); cells],
        clipped: vec![0.0; cells],
    };
    let Some(outline) = Outline::new(rays, &window) else {
        return grid;
    };
    let upright = |major: usize, minor: usize| {
        if outline.major_is_x {
            (major, minor)
        } else {
            (minor, major)
        }
    };
    let (majors, minors) = upright(frame.width(), frame.height());
    let tile_px = match window.every.along {
        1 => TILE_PX,
        _ => FIRST_LOOK_TILE_PX,
    };
    let per_path = 1.0 / window.path_step_nm;
    let per_beta = window.beta_bins as f64 / window.beta.width();
    let node = |major: usize, minor: usize| -> Place {
        let (x, y) = upright(major, minor);
        let (path, beta) = rays.path_and_height(Point::new(x as f64, y as f64));
        Place {
            row: (beta - window.beta.low) * per_beta,
            column: (path - low) * per_path - 0.5,
        }
    };
    let end = |size: usize, limit: f64| limit.ceil().clamp(0.0, size as f64) as usize;
    let first = end(majors, outline.major.low - 1.0) / tile_px * tile_px;
    // The corners that two strips of tiles share are asked for once.
    let n_nodes = minors / tile_px + 2;
    let (mut before, mut after) = (vec![None; n_nodes], vec![None; n_nodes]);
    for major in (first..end(majors, outline.major.high)).step_by(tile_px) {
        let minor = outline.minor_range(major as f64, (major + tile_px) as f64);
        let from = end(minors, minor.low - 1.0) / tile_px * tile_px;
        std::mem::swap(&mut before, &mut after);
        after.fill(None);
        let mut both = |minor: usize| {
            let (before, after) = (&mut before[minor / tile_px], &mut after[minor / tile_px]);
            (
                *before.get_or_insert_with(|| node(major, minor)),
                *after.get_or_insert_with(|| node(major + tile_px, minor)),
            )
        };
        let mut near = both(from);
        for minor in (from..end(minors, minor.high)).step_by(tile_px) {
            let next = minor + tile_px;
            let far = both(next);
            let tile = Tile {
                origin: upright(major, minor),
                side_px: tile_px,
                step: upright(window.every.across, window.every.along),
                is_sideways: !outline.major_is_x,
                size: upright(tile_px.min(majors - major), tile_px.min(minors - minor)),
                corners: if outline.major_is_x {
                    [near.0, near.1, far.0, far.1]
                } else {
                    [near.0, far.0, near.1, far.1]
                },
            };
            grid.add_tile(frame, &tile);
            near = far;
        }
    }
    grid
}

/// Where a pixel falls, in bins: row, and column from the middle of the first one.
#[derive(Clone, Copy)]
struct Place {
    row: f64,
    column: f64,
}

/// A square of the picture, the model's places at its corners: left top, right top, left bottom, right bottom.
struct Tile {
    origin: (usize, usize),
    /// Between its corners.
    side_px: usize,
    /// Reads every so many pixels across and down, counted from the picture's own corner.
    step: (usize, usize),
    /// True where the dispersion runs down the picture rather than across it.
    is_sideways: bool,
    /// Less than a whole tile at the picture's edge.
    size: (usize, usize),
    corners: [Place; 4],
}

impl Grid {
    fn add_tile(&mut self, frame: &Frame, tile: &Tile) {
        let (rows, columns) = (self.window.beta_bins as f64, self.path_bins as f64);
        let [lt, rt, lb, rb] = tile.corners;
        let all = |is: &dyn Fn(&Place) -> bool| tile.corners.iter().all(is);
        if all(&|p| p.row < 0.0)
            || all(&|p| p.row >= rows)
            || all(&|p| p.column < -1.0)
            || all(&|p| p.column >= columns)
        {
            return;
        }
        let per_px = 1.0 / tile.side_px as f64;
        let (low, high) = tile
            .corners
            .iter()
            .fold((f64::MAX, f64::MIN), |(low, high), p| {
                (low.min(p.row), high.max(p.row))
            });
        let lines_per_row = tile.side_px as f64 / (high - low).max(1e-9);
        let beside = self.window.beside;
        let Some(every) = beside.every(rows, (low, high), lines_per_row) else {
            return;
        };
        // Lines along the dispersion.
        let step = match tile.is_sideways {
            true => (tile.step.0 * every, tile.step.1),
            false => (tile.step.0, tile.step.1 * every),
        };
        let within =
            |row: f64, column: f64| (0.0..rows).contains(&row) && (-1.0..columns).contains(&column);
        // What lies between four points of a rectangle does not leave it.
        let whole = all(&|p| within(p.row, p.column));
        let between = |a: f64, b: f64, t: f64| a + (b - a) * t;
        let skipped = |at: usize, step: usize| (step - at % step) % step;
        for y in (skipped(tile.origin.1, step.1)..tile.size.1).step_by(step.1) {
            let t = y as f64 * per_px;
            let (row, column) = (between(lt.row, lb.row, t), between(lt.column, lb.column, t));
            let row_step = (between(rt.row, rb.row, t) - row) * per_px;
            let column_step = (between(rt.column, rb.column, t) - column) * per_px;
            let (from, step) = (skipped(tile.origin.0, step.0), step.0);
            let n = tile.size.0.saturating_sub(from).div_ceil(step);
            let first = (tile.origin.0 + from, tile.origin.1 + y);
            frame.along_row(first, (step, n), |i, light, over| {
                let x = (from + i * step) as f64;
                let (row, column) = (row + x * row_step, column + x * column_step);
                if whole || within(row, column) {
                    self.add(row, column, (light, over));
                }
            });
        }
    }
}

/// Where a window lies in the picture: along the longer ("major") picture axis, the range of the other one.
struct Outline {
    major_is_x: bool,
    major: Interval,
    /// (major, range of minors there), rising in major.
    nodes: Vec<(f64, Interval)>,
}

impl Outline {
    fn new(rays: &Rays, window: &Window) -> Option<Outline> {
        let middle = window.beta.middle();
        let mut columns = Vec::new();
        let n = 24;
        for i in 0..=n {
            let path = window.path_nm.low + window.path_nm.width() * f64::from(i) / f64::from(n);
            let low = rays.pixel_of_path(path, window.beta.low);
            let mid = rays.pixel_of_path(path, middle);
            let high = rays.pixel_of_path(path, window.beta.high);
            if let (Some(a), Some(b), Some(c)) = (low, mid, high) {
                columns.push((a, b, c));
            }
        }
        if columns.len() < 2 {
            return None;
        }
        let (first, last) = (columns[0].1, columns[columns.len() - 1].1);
        let major_is_x = (last.x - first.x).abs() >= (last.y - first.y).abs();
        let pick = |p: Point| if major_is_x { (p.x, p.y) } else { (p.y, p.x) };
        // The slit's slant makes the ends of a column lie at other majors than its middle: widen by that.
        let mut slant = 0.0f64;
        let mut nodes: Vec<(f64, Interval)> = columns
            .iter()
            .map(|&(a, b, c)| {
                let (a, b, c) = (pick(a), pick(b), pick(c));
                slant = slant.max((a.0 - b.0).abs()).max((c.0 - b.0).abs());
                (b.0, Interval::new(a.1.min(c.1), a.1.max(c.1)))
            })
            .collect();
        nodes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let slope = nodes
            .windows(2)
            .map(|w| ((w[1].1.low - w[0].1.low) / (w[1].0 - w[0].0).max(1e-6)).abs())
            .fold(0.0f64, f64::max)
            .min(1.0);
        let margin = 2.0 + slant * slope;
        for node in &mut nodes {
            node.1 = node.1.widened(margin);
        }
        let major = Interval::new(
            nodes[0].0 - slant - 1.0,
            nodes[nodes.len() - 1].0 + slant + 2.0,
        );
        Some(Outline {
            major_is_x,
            major,
            nodes,
        })
    }

    /// Lowest and highest minor between two majors.
    fn minor_range(&self, from: f64, to: f64) -> Interval {
        let n = &self.nodes;
        let at = |major: f64| {
            let i = n
                .partition_point(|node| node.0 < major)
                .clamp(1, n.len() - 1);
            let (a, b) = (n[i - 1], n[i]);
            let t = ((major - a.0) / (b.0 - a.0).max(1e-9)).clamp(0.0, 1.0);
            let at = |a: f64, b: f64| a + t * (b - a);
            Interval::new(at(a.1.low, b.1.low), at(a.1.high, b.1.high))
        };
        let between = n.iter().filter(|node| node.0 > from && node.0 < to);
        between
            .map(|node| node.1)
            .chain([at(from), at(to)])
            .fold(Interval::new(f64::MAX, f64::MIN), |all, one| {
                Interval::new(all.low.min(one.low), all.high.max(one.high))
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A row of bins, where a pixel fell its light.
    fn row(light: &[Option<f32>]) -> Grid {
        let mut grid = Grid {
            window: Window {
                path_nm: Interval::new(400.0, 400.0 + light.len() as f64),
                path_step_nm: 1.0,
                beta: Interval::new(0.0, 1.0),
                beta_bins: 1,
                every: Every::PIXEL,
                beside: Beside::default(),
            },
            path_bins: light.len(),
            cells: vec![Cell::default(); light.len() + 2],
            clipped: vec![0.0; light.len() + 2],
        };
        for (j, light) in light.iter().enumerate() {
            if let Some(light) = light {
                grid.add(0.0, j as f64, ([*light, 0.0, 1.0], *light > 7.0));
            }
        }
        grid
    }

    #[test]
    fn a_bin_between_two_pixels_has_the_light_of_both_by_distance() {
        let mut grid = row(&[Some(2.0), None, None, Some(8.0), Some(1.0)]);
        grid.fill_gaps(2);
        let red: Vec<f64> = (0..5).map(|j| grid.mean(0, j).unwrap()[0]).collect();
        for (found, expected) in red.iter().zip([2.0, 4.0, 6.0, 8.0, 1.0]) {
            assert!((found - expected).abs() < 1e-6, "{red:?}");
        }
        assert!((grid.clipped_share(0, 2) - 2.0 / 3.0).abs() < 1e-6);
        assert_eq!(grid.clipped_share(0, 4), 0.0);
    }

    #[test]
    fn ground_is_read_here_and_there_and_what_lies_between_not_at_all() {
        let beside = Beside {
            ground: 5,
            unread: 3,
        };
        let every = |low: f64, high: f64| beside.every(32.0, (low, high), 40.0);
        assert_eq!(every(0.0, 0.3), Some(2));
        assert_eq!(every(31.7, 32.0), Some(2));
        assert_eq!(every(4.9, 5.1), Some(1));
        assert_eq!(every(5.0, 8.0), None);
        assert_eq!(every(24.5, 26.5), None);
        assert_eq!(every(7.9, 8.1), Some(1));
        assert_eq!(every(15.0, 18.0), Some(1));
        // Of rows of three lines none is left out.
        assert_eq!(beside.every(32.0, (1.0, 3.0), 3.0), Some(1));
    }

    #[test]
    fn what_is_wider_than_a_pixel_or_at_an_end_stays_unseen() {
        let mut grid = row(&[None, Some(2.0), None, None, None, Some(8.0), None]);
        grid.fill_gaps(2);
        for j in [0, 2, 3, 4, 6] {
            assert_eq!(grid.mean(0, j), None, "{j}");
        }
    }
}
