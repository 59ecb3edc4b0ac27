//! Faint copies of the slit's image: the lens's ghost, mirrored and out of focus, and the wall's reflection beside it.

use super::effective::Effective;
use super::reality::Wall;
use crate::terms::Point;

/// A soft copy of the slit's image.
struct Copy {
    from: Point,
    along: (f64, f64),
    length: f64,
    sigma_px: f64,
    /// Light per px of length.
    flux: [f64; 3],
}

impl Copy {
    fn new([from, to]: [Point; 2], sigma_px: f64, flux: [f64; 3]) -> Copy {
        let (dx, dy) = (to.x - from.x, to.y - from.y);
        let length = dx.hypot(dy).max(1e-9);
        Copy {
            from,
            along: (dx / length, dy / length),
            length,
            sigma_px: sigma_px.max(1.0),
            flux,
        }
    }

    fn add(&self, x: f64, y: f64, out: &mut [f64; 3]) {
        let (px, py) = (x - self.from.x, y - self.from.y);
        let t = px * self.along.0 + py * self.along.1;
        let aside = (px * self.along.1 - py * self.along.0) / self.sigma_px;
        if aside.abs() > 5.0 {
            return;
        }
        // The logistic function stands for the Gaussian's integral (within a hundredth).
        let step = |t: f64| 1.0 / (1.0 + (-1.702 * t / self.sigma_px).exp());
        let inside = step(t) - step(t - self.length);
        let across =
            (-0.5 * aside * aside).exp() / (self.sigma_px * (2.0 * std::f64::consts::PI).sqrt());
        for (o, flux) in out.iter_mut().zip(&self.flux) {
            *o += flux * inside * across;
        }
    }
}

/// All copies of the slit's image.
pub(super) struct Copies(Vec<Copy>);

impl Copies {
    /// Of a slit's image with these ends, px, and this light per px of its length.
    pub(super) fn new(effective: &Effective, ends: [Point; 2], flux: [f64; 3]) -> Copies {
        let (shot, lens) = (&effective.shot, &effective.shot.reality.lens);
        let mut copies = Vec::new();
        if lens.ghost_share > 0.0 {
            let (width, height) = shot.phone.size_px();
            let mirrored = ends.map(|p| Point::new(width - 1.0 - p.x, height - 1.0 - p.y));
            // Along a line a disc's light has a quarter of its diameter for a standard deviation.
            let sigma_px = 0.5 * lens.ghost_px;
            copies.push(Copy::new(
                mirrored,
                sigma_px,
                flux.map(|f| f * lens.ghost_share),
            ));
        }
        if let Some(Wall {
            share,
            aside_px,
            sigma_px,
        }) = shot.reality.wall
        {
            let (dx, dy) = (ends[1].x - ends[0].x, ends[1].y - ends[0].y);
            let n = dx.hypot(dy).max(1e-9);
            let beside = ends.map(|p| Point::new(p.x + aside_px * dy / n, p.y - aside_px * dx / n));
            copies.push(Copy::new(beside, sigma_px, flux.map(|f| f * share)));
        }
        Copies(copies)
    }

    /// Adds their light at a place of the sensor, px.
    pub(super) fn add(&self, x: f64, y: f64, out: &mut [f64; 3]) {
        for copy in &self.0 {
            copy.add(x, y, out);
        }
    }
}
