//! Blur and movement: what a lens out of focus and an unsteady hand do to a plane of the picture.

/// Weights of a Gaussian blur, to four standard deviations, adding to 1.
pub(super) fn gaussian(sigma_px: f64) -> Vec<f32> {
    let reach = (4.0 * sigma_px).ceil() as i32;
    let weights: Vec<f64> = (-reach..=reach)
        .map(|i| (-0.5 * (f64::from(i) / sigma_px.max(1e-3)).powi(2)).exp())
        .collect();
    let sum: f64 = weights.iter().sum();
    weights.iter().map(|w| (w / sum) as f32).collect()
}

/// Blurs a plane by two sets of weights, along the rows and along the columns.
pub(super) fn blur(
    plane: &mut [f32],
    width: usize,
    height: usize,
    sideways: &[f32],
    upwards: &[f32],
) {
    let half = sideways.len() / 2;
    let mut padded = vec![0.0f32; width + 2 * half];
    for row in plane.chunks_exact_mut(width) {
        padded[half..half + width].copy_from_slice(row);
        row.fill(0.0);
        for (k, weight) in sideways.iter().enumerate() {
            for (out, value) in row.iter_mut().zip(&padded[k..k + width]) {
                *out += weight * value;
            }
        }
    }
    let source = plane.to_vec();
    let half = upwards.len() / 2;
    for y in 0..height {
        let row = &mut plane[y * width..(y + 1) * width];
        row.fill(0.0);
        for (k, weight) in upwards.iter().enumerate() {
            let from = y + k;
            if from < half || from - half >= height {
                continue;
            }
            let start = (from - half) * width;
            for (out, value) in row.iter_mut().zip(&source[start..start + width]) {
                *out += weight * value;
            }
        }
    }
}

/// Taps (right, down, weight) of an even movement, its middle at rest.
pub(super) fn movement(length_px: f64, direction_deg: f64) -> Vec<(i32, i32, f32)> {
    let n = (4.0 * length_px).ceil().max(1.0) as i32;
    let (sin, cos) = direction_deg.to_radians().sin_cos();
    let mut taps: std::collections::BTreeMap<(i32, i32), f64> = std::collections::BTreeMap::new();
    for i in 0..=n {
        let t = length_px * (f64::from(i) / f64::from(n) - 0.5);
        let (x, y) = (t * cos, t * sin);
        let (fx, fy) = (x - x.floor(), y - y.floor());
        for (dx, wx) in [(0, 1.0 - fx), (1, fx)] {
            for (dy, wy) in [(0, 1.0 - fy), (1, fy)] {
                *taps
                    .entry((x.floor() as i32 + dx, y.floor() as i32 + dy))
                    .or_default() += wx * wy / f64::from(n + 1);
            }
        }
    }
    taps.into_iter()
        .filter(|(_, w)| *w > 1e-9)
        .map(|((x, y), w)| (x, y, w as f32))
        .collect()
}

/// A plane as it is smeared by the taps of [`movement`].
pub(super) fn convolve(
    plane: &[f32],
    width: usize,
    height: usize,
    taps: &[(i32, i32, f32)],
) -> Vec<f32> {
    let mut out = vec![0.0f32; plane.len()];
    for (y, target) in out.chunks_exact_mut(width).enumerate() {
        for &(dx, dy, weight) in taps {
            let from = y as i32 - dy;
            if from < 0 || from >= height as i32 {
                continue;
            }
            let source = &plane[from as usize * width..(from as usize + 1) * width];
            let shift = dx.unsigned_abs() as usize;
            if shift >= width {
                continue;
            }
            let (to, at) = if dx >= 0 {
                (&mut target[shift..], &source[..width - shift])
            } else {
                (&mut target[..width - shift], &source[shift..])
            };
            for (o, v) in to.iter_mut().zip(at) {
                *o += weight * v;
            }
        }
    }
    out
}
