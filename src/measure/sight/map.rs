//! The frame reduced to cells of a few pixels, in which bars and bands are looked for.

use crate::frame::Frame;

/// Longest side of the reduced map, cells. A slit 24 mm long at 305 mm is then some 60 cells long.
const MAP_SIDE: usize = 1000;

/// The frame in cells: mean linear light by channel, and share of clipped pixels.
pub struct Map {
    /// Pixels per cell side.
    pub cell_px: usize,
    /// Cells across.
    pub width: usize,
    /// Cells down.
    pub height: usize,
    /// Mean linear light by cell: red, green, blue.
    pub rgb: Vec<[f32; 3]>,
    /// Mean over the channels.
    pub light: Vec<f32>,
    /// Share of pixels with a channel at the ceiling.
    pub clipped: Vec<f32>,
    /// True where the picture has no colours at all: a sensor without filters, or a photo turned grey.
    pub is_grey: bool,
}

/// Median of the absolute difference of two Gaussian values of standard deviation 1: 0.6745 √2.
const MEDIAN_OF_DIFFERENCES: f64 = 0.954;
/// A map's noise is no less than this, linear share of full scale (no source).
const LEAST_NOISE: f64 = 1e-5;

impl Map {
    /// Reduces a frame; every second pixel of every second row is read, which is plenty for finding things.
    pub fn new(frame: &Frame) -> Map {
        let longest = frame.width().max(frame.height());
        let cell_px = longest.div_ceil(MAP_SIDE).max(1);
        let (width, height) = (frame.width() / cell_px, frame.height() / cell_px);
        let stride = if cell_px >= 2 { 2 } else { 1 };
        // Line by line as the picture lies in memory: rows, or columns.
        let (across, along) = match frame.runs_down() {
            true => (width, height),
            false => (height, width),
        };
        let within = cell_px.div_ceil(stride);
        let mut rgb = vec![[0.0f32; 3]; width * height];
        let mut light = vec![0.0f32; width * height];
        let mut clipped = vec![0.0f32; width * height];
        let mut is_grey = true;
        let mut sums = vec![[0.0f32; 3]; along];
        let mut over = vec![0u32; along];
        let n = (within * within) as f32;
        for line in 0..across {
            sums.fill([0.0; 3]);
            over.fill(0);
            for i in (0..cell_px).step_by(stride) {
                let into = (&mut sums[..], &mut over[..]);
                frame.add_up(line * cell_px + i, (cell_px, stride), into);
            }
            for (place, (sum, over)) in sums.iter().zip(&over).enumerate() {
                let cell = match frame.runs_down() {
                    true => place * width + line,
                    false => line * width + place,
                };
                let [red, green, blue] = sum.map(|s| s / n);
                is_grey &= red == green && green == blue;
                rgb[cell] = [red, green, blue];
                light[cell] = (red + green + blue) / 3.0;
                clipped[cell] = *over as f32 / n;
            }
        }
        Map {
            cell_px,
            width,
            height,
            rgb,
            light,
            clipped,
            is_grey,
        }
    }

    /// Memory that its cells take, bytes.
    pub fn n_bytes(&self) -> u64 {
        let (rgb, light) = (size_of_val(&self.rgb[..]), size_of_val(&self.light[..]));
        (rgb + light + size_of_val(&self.clipped[..])) as u64
    }

    /// Index of the cell nearest to a place in cells, if it is on the map.
    pub fn sample(&self, x: f64, y: f64) -> Option<usize> {
        // By hand: rounding is a call of the library on processors that are not asked for more than the oldest of their kind, and
        // cells are asked for a million times a picture.
        if !(x > -0.5 && y > -0.5) {
            return None;
        }
        let (cx, cy) = ((x + 0.5) as usize, (y + 0.5) as usize);
        (cx < self.width && cy < self.height).then_some(cy * self.width + cx)
    }

    /// Robust noise of the map's light: from differences of neighbours.
    pub fn noise(&self) -> f64 {
        let mut differences: Vec<f32> = (0..self.height)
            .step_by(3)
            .flat_map(|y| (2..self.width).step_by(5).map(move |x| (x, y)))
            .map(|(x, y)| {
                (self.light[y * self.width + x] - self.light[y * self.width + x - 2]).abs()
            })
            .collect();
        if differences.is_empty() {
            return LEAST_NOISE;
        }
        let middle = differences.len() / 2;
        let (_, median, _) = differences.select_nth_unstable_by(middle, f32::total_cmp);
        (f64::from(*median) / MEDIAN_OF_DIFFERENCES).max(LEAST_NOISE)
    }

    /// The map without its broad light: stray light can be brighter than the slit, but is never as narrow.
    pub fn narrow_light(&self) -> Vec<f32> {
        const BLOCK: usize = 20;
        let (columns, rows) = (self.width.div_ceil(BLOCK), self.height.div_ceil(BLOCK));
        let mut medians = Vec::with_capacity(columns * rows);
        let mut values = Vec::new();
        for by in 0..rows {
            for bx in 0..columns {
                values.clear();
                for y in (by * BLOCK..((by + 1) * BLOCK).min(self.height)).step_by(2) {
                    let row = y * self.width;
                    values.extend(
                        (bx * BLOCK..((bx + 1) * BLOCK).min(self.width))
                            .step_by(2)
                            .map(|x| self.light[row + x]),
                    );
                }
                let middle = values.len() / 2;
                let (_, median, _) = values.select_nth_unstable_by(middle, f32::total_cmp);
                medians.push(*median);
            }
        }
        // The two blocks between whose middles a cell lies, and how far it is from the first to the second.
        let between = |cell: usize, blocks: usize| -> (usize, usize, f32) {
            let at = (cell as f32 + 0.5) / BLOCK as f32 - 0.5;
            let first = at.max(0.0) as usize;
            let last = blocks - 1;
            (
                first.min(last),
                (first + usize::from(at >= 0.0)).min(last),
                at.max(0.0) - first as f32,
            )
        };
        let across: Vec<(usize, usize, f32)> =
            (0..self.width).map(|x| between(x, columns)).collect();
        let mut narrow = Vec::with_capacity(self.light.len());
        let mut broad = vec![0.0f32; columns];
        for y in 0..self.height {
            let (above, below, share) = between(y, rows);
            for (x, value) in broad.iter_mut().enumerate() {
                *value = medians[above * columns + x] * (1.0 - share)
                    + medians[below * columns + x] * share;
            }
            let row = &self.light[y * self.width..(y + 1) * self.width];
            narrow.extend(
                row.iter()
                    .zip(&across)
                    .map(|(light, (left, right, share))| {
                        (light - broad[*left] * (1.0 - share) - broad[*right] * share).max(0.0)
                    }),
            );
        }
        narrow
    }
}
