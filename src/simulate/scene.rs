//! Pictures that show no spectrum: the room at dusk, past the tube, and the inside of a pocket.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::effective::Effective;

/// One row of a room: a wall, a window onto the evening sky with its bars, a table, a lamp on it.
pub(super) fn room(effective: &Effective, y: usize, row: &mut [[f32; 3]]) {
    let mut chance = Pcg64Mcg::seed_from_u64(effective.shot.seed ^ 0x4007);
    let mut between = |low: f32, high: f32| low + (high - low) * chance.random::<f32>();
    let (w, h) = effective.shot.phone.size_px();
    let (w, h) = (w as f32, h as f32);
    let (wx0, wy0) = (between(0.08, 0.3), between(0.08, 0.2));
    let (wx1, wy1) = (wx0 + between(0.3, 0.4), wy0 + between(0.35, 0.45));
    let table = between(0.7, 0.8);
    let (lx, ly) = (between(0.68, 0.85), table - between(0.12, 0.2));
    let lean = between(-0.06, 0.06);
    let (red, blue) = effective.shot.phone.white_balance;
    let white = [0.9 / red as f32, 1.0, 0.9 / blue as f32];
    let v = y as f32 / h;
    for (x, pixel) in row.iter_mut().enumerate() {
        let u = x as f32 / w;
        // Edges are a few pixels soft.
        let soft = |d: f32| (d * 350.0 + 0.5).clamp(0.0, 1.0);
        let (tu, tv) = (u + lean * (v - 0.5), v - lean * (u - 0.5));
        let wall = 0.10 + 0.05 * (1.0 - u) + 0.05 * (1.0 - v);
        let mut rgb = [wall * 1.05, wall * 0.95, wall * 0.8];
        let pane = soft(tu - wx0) * soft(wx1 - tu) * soft(tv - wy0) * soft(wy1 - tv);
        let bars = soft((tu - 0.5 * (wx0 + wx1)).abs() - 0.008)
            * soft((tv - 0.55 * wy1 - 0.45 * wy0).abs() - 0.008);
        let sky = 0.10 + 0.25 * (tv - wy0) / (wy1 - wy0);
        let open = pane * bars;
        let frame = soft(tu - wx0 + 0.015)
            * soft(wx1 + 0.015 - tu)
            * soft(tv - wy0 + 0.02)
            * soft(wy1 + 0.02 - tv);
        let mix = |rgb: &mut [f32; 3], colour: [f32; 3], share: f32| {
            for c in 0..3 {
                rgb[c] += (colour[c] - rgb[c]) * share;
            }
        };
        mix(&mut rgb, [0.28, 0.27, 0.25], frame);
        mix(&mut rgb, [0.7 * sky, 0.85 * sky, 1.1 * sky], open);
        // Lamps along the quay, seen through the panes.
        for k in 0..4 {
            let k = k as f32;
            let (qx, qy) = (
                wx0 + (0.15 + 0.23 * k) * (wx1 - wx0),
                wy0 + (0.7 - 0.03 * k) * (wy1 - wy0),
            );
            let r2 = ((tu - qx) * w / h).powi(2) + (tv - qy).powi(2);
            mix(&mut rgb, [1.5, 0.9, 0.35], open * (-r2 / 1.2e-5).exp());
        }
        let grain = 0.006 * (tv * 210.0 + 3.0 * (tu * 5.0).sin()).sin();
        let wood = [0.14 + grain, 0.09 + grain, 0.05];
        mix(&mut rgb, wood, soft(tv - table));
        let lamp = ((tu - lx).powi(2) * (w / h).powi(2) + (tv - ly).powi(2)).sqrt();
        mix(&mut rgb, [1.6, 1.3, 0.8], soft(0.045 - lamp));
        let glow = 0.35 * (-(lamp / 0.14).powi(2)).exp();
        for c in 0..3 {
            pixel[c] = (rgb[c] + glow * [1.0, 0.8, 0.45][c]) * white[c];
        }
    }
}

/// One row of the inside of a pocket: nearly black, a little red where light comes through the cloth.
pub(super) fn pocket(effective: &Effective, y: usize, row: &mut [[f32; 3]]) {
    let (w, h) = effective.shot.phone.size_px();
    let (w, h) = (w as f32, h as f32);
    let v = y as f32 / h;
    for (x, pixel) in row.iter_mut().enumerate() {
        let u = x as f32 / w;
        let glow = 0.05 * (-((u - 0.9) / 0.35).powi(2) - ((v - 0.2) / 0.4).powi(2)).exp();
        *pixel = [0.6 * glow + 0.002, 0.35 * glow + 0.002, 0.12 * glow + 0.001];
    }
}
