//! How one line is drawn by slit and lens: a box as wide as the slit, blurred by the lens (a Gaussian) and by the round pupil
//! where the line is not in focus (the chord of a disc).

use std::f64::consts::{FRAC_1_SQRT_2, PI};
use std::sync::LazyLock;

/// Blurs of the lens that are tried, px (standard deviation), with the pixel's own width and what the camera's colours add.
pub const LENS_PX: [f64; 22] = [
    0.6, 0.72, 0.86, 1.02, 1.2, 1.42, 1.68, 2.0, 2.4, 2.8, 3.3, 3.9, 4.6, 5.4, 6.4, 7.5, 8.8, 10.3,
    12.1, 14.2, 16.7, 20.0,
];
/// Diameters of the pupil's blur that are tried, px.
pub const DISC_PX: [f64; 21] = [
    0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.5, 10.0, 12.0, 14.0, 16.5, 19.0, 22.0, 26.0, 30.0,
    36.0, 43.0, 52.0, 64.0,
];

/// Standard deviation of the chord of a disc of diameter 1 (integral of x² √(r² − x²); from memory).
pub const DISC_SIGMA: f64 = 0.25;

/// Distance of the values in a table, px.
const STEP_PX: f64 = 0.15;

/// The share of a point's light to the left of a place, by distance from its middle.
struct Edge {
    /// From the middle on, in steps of [`STEP_PX`].
    values: Vec<f64>,
}

impl Edge {
    fn new(lens_px: f64, disc_px: f64) -> Edge {
        let n = ((0.5 * disc_px + 4.5 * lens_px) / STEP_PX) as usize + 2;
        // Gauss and Chebyshev's nodes of the second kind: the chord of a disc is their weight.
        let nodes = ((1.5 * disc_px / lens_px).ceil() as usize).clamp(1, 40);
        let places: Vec<(f64, f64)> = (1..=nodes)
            .map(|k| {
                let angle = PI * k as f64 / (nodes + 1) as f64;
                let weight = 2.0 / (nodes + 1) as f64 * angle.sin().powi(2);
                (0.5 * disc_px * angle.cos(), weight)
            })
            .collect();
        let scale = FRAC_1_SQRT_2 / lens_px;
        let values = (0..n)
            .map(|i| {
                let x = i as f64 * STEP_PX;
                let side = |&(at, weight): &(f64, f64)| weight * libm::erf((x - at) * scale);
                0.5 + 0.5 * places.iter().map(side).sum::<f64>()
            })
            .collect();
        Edge { values }
    }

    fn at(&self, x_px: f64) -> f64 {
        let place = x_px.abs() / STEP_PX;
        let i = place as usize;
        let right = match (self.values.get(i), self.values.get(i + 1)) {
            (Some(a), Some(b)) => a + (b - a) * place.fract(),
            _ => 1.0,
        };
        if x_px < 0.0 { 1.0 - right } else { right }
    }
}

static EDGES: LazyLock<Vec<Edge>> = LazyLock::new(|| {
    let discs = |lens: &f64| DISC_PX.map(|disc| Edge::new(*lens, disc));
    LENS_PX.iter().flat_map(discs).collect()
});

/// Light at `x_px` from the middle of a line of area 1: the slit `width_px` wide, the lens and the disc by their index.
pub fn line(x_px: f64, width_px: f64, lens: usize, disc: usize) -> f64 {
    let edge = &EDGES[lens * DISC_PX.len() + disc];
    (edge.at(x_px + 0.5 * width_px) - edge.at(x_px - 0.5 * width_px)) / width_px
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::light::lineshape::box_gauss;

    #[test]
    fn without_a_pupil_a_line_is_a_box_behind_a_gaussian() {
        for (lens, sigma) in LENS_PX.iter().enumerate() {
            for x in [-4.0, -0.7, 0.0, 1.3, 6.1] {
                let drawn = line(x, 2.3, lens, 0);
                assert!((drawn - box_gauss(x, 2.3, *sigma)).abs() < 2e-3, "{x}");
            }
        }
    }

    /// The second moment of a disc's chord is a sixteenth of its diameter squared (integral of x² √(r² − x²); from memory).
    #[test]
    fn widths_add_up_as_variances() {
        for (lens, disc) in [(2, 4), (4, 8), (5, 12)] {
            let width = 3.0;
            let (mut area, mut second) = (0.0, 0.0);
            let mut x = -60.0;
            while x < 60.0 {
                let light = line(x, width, lens, disc);
                area += 0.05 * light;
                second += 0.05 * light * x * x;
                x += 0.05;
            }
            let expected =
                width * width / 12.0 + LENS_PX[lens].powi(2) + DISC_PX[disc].powi(2) / 16.0;
            assert!((area - 1.0).abs() < 1e-3, "{area}");
            assert!(
                (second / expected - 1.0).abs() < 0.02,
                "{second} {expected}"
            );
        }
    }
}
