//! How phones brighten dark surroundings: a gain that changes smoothly over some hundred pixels, from the picture itself.

/// Pixels to a side of the blocks whose mean decides.
const BLOCK: usize = 64;
/// Light at which nothing is changed, linear share of full scale, and what is added so that the dark has a limit.
const USUAL: f64 = 0.03;
const FLOOR: f64 = 0.002;
/// Range of the gain (common practice, no source).
const GAINS: (f64, f64) = (0.8, 1.5);
/// Up to here a dimmed pixel stays in proportion; above, it returns to white, so that what is full stays white.
const SHOULDER: f32 = 0.8;

/// The gain over the picture.
pub(super) struct LocalTone {
    columns: usize,
    gains: Vec<f32>,
}

impl LocalTone {
    /// From the sensor's values row by row, all colours together; `power` is that of the lens. None where it is 0.
    pub(super) fn new(raw: &[f32], width: usize, height: usize, power: f64) -> Option<LocalTone> {
        if power == 0.0 {
            return None;
        }
        let (columns, rows) = (width.div_ceil(BLOCK), height.div_ceil(BLOCK));
        let mut sums = vec![(0.0f64, 0usize); columns * rows];
        for (y, row) in raw.chunks_exact(width).take(height).enumerate() {
            for (i, part) in row.chunks(BLOCK).enumerate() {
                let (sum, n) = &mut sums[(y / BLOCK) * columns + i];
                *sum += part
                    .iter()
                    .map(|v| f64::from(v.clamp(0.0, 1.0)))
                    .sum::<f64>();
                *n += part.len();
            }
        }
        let means: Vec<f64> = sums.iter().map(|(sum, n)| sum / *n as f64).collect();
        let mut gains: Vec<f32> = softened(&softened(&means, columns), columns)
            .iter()
            .map(|mean| (USUAL / (mean + FLOOR)).powf(power).clamp(GAINS.0, GAINS.1) as f32)
            .collect();
        gains = softened(
            &gains.iter().map(|g| f64::from(*g)).collect::<Vec<_>>(),
            columns,
        )
        .iter()
        .map(|g| *g as f32)
        .collect();
        Some(LocalTone { columns, gains })
    }

    /// Gains of row `y`, one per pixel.
    pub(super) fn row(&self, y: usize, out: &mut [f32]) {
        let rows = self.gains.len() / self.columns;
        let place = |at: usize, n: usize| {
            let t = ((at as f32 + 0.5) / BLOCK as f32 - 0.5).clamp(0.0, n as f32 - 1.0);
            let i = (t as usize).min(n.saturating_sub(2));
            (i, (i + 1).min(n - 1), t - i as f32)
        };
        let (above, below, down) = place(y, rows);
        for (x, gain) in out.iter_mut().enumerate() {
            let (left, right, aside) = place(x, self.columns);
            let mix = |row: usize| {
                let (a, b) = (
                    self.gains[row * self.columns + left],
                    self.gains[row * self.columns + right],
                );
                a + (b - a) * aside
            };
            *gain = mix(above) + (mix(below) - mix(above)) * down;
        }
    }
}

/// A linear value, 0…1, after a gain.
#[inline]
pub(super) fn toned(v: f32, gain: f32) -> f32 {
    if gain >= 1.0 || v <= SHOULDER {
        return (v * gain).min(1.0);
    }
    let start = SHOULDER * gain;
    start + (v - SHOULDER) / (1.0 - SHOULDER) * (1.0 - start)
}

/// Means of a block and its neighbours within two blocks.
fn softened(values: &[f64], columns: usize) -> Vec<f64> {
    let rows = values.len() / columns;
    let near = |i: usize, n: usize| i.saturating_sub(2)..(i + 3).min(n);
    (0..values.len())
        .map(|i| {
            let (mut sum, mut n) = (0.0, 0);
            for y in near(i / columns, rows) {
                for x in near(i % columns, columns) {
                    sum += values[y * columns + x];
                    n += 1;
                }
            }
            sum / f64::from(n)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_dark_is_brightened_smoothly_and_full_stays_full() {
        let (width, height) = (1600, 400);
        let mut raw = vec![0.001f32; width * height];
        raw.chunks_exact_mut(width)
            .for_each(|row| row[..400].fill(0.6));
        let tone = LocalTone::new(&raw, width, height, 0.12).expect("a power");
        let mut gains = vec![0.0f32; width];
        tone.row(200, &mut gains);
        assert!(
            gains[0] < 0.85 && gains[1599] > 1.3,
            "{} {}",
            gains[0],
            gains[1599]
        );
        let steepest = gains
            .windows(2)
            .map(|w| (w[1] - w[0]).abs())
            .fold(0.0, f32::max);
        assert!(steepest < 0.002, "{steepest} a pixel");
        assert_eq!(toned(1.0, 0.8), 1.0);
        assert!((toned(0.5, 0.8) - 0.4).abs() < 1e-6);
        assert!(LocalTone::new(&raw, width, height, 0.0).is_none());
    }
}
