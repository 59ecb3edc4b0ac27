//! How well the wavelength of a pixel is known, from the covariance of the model's parameters.

use crate::measure::optics::adjust::{N, OpticsVector};
use crate::terms::{Optics, Point};

/// Standard uncertainty (nm) of the wavelength at the pixel where `path_nm` lies, from the parameters' covariance.
pub fn scale_sigma(
    optics: &Optics,
    slit_px: Point,
    covariance: &[Vec<f64>],
    path_nm: f64,
) -> Option<f64> {
    let at = optics.rays().pixel_of_path(path_nm, 0.0)?;
    Some(path_variance(optics, slit_px, covariance, at).sqrt())
}

/// Variance (nm²) of the `m λ` of a pixel, from the parameters' covariance.
pub fn path_variance(optics: &Optics, slit_px: Point, covariance: &[Vec<f64>], at: Point) -> f64 {
    let shot = OpticsVector::new(optics, slit_px);
    let x = shot.vector();
    let mut gradient = [0.0; N];
    for i in 0..N {
        let step = covariance[i][i].max(0.0).sqrt() * 0.1;
        if step <= 0.0 {
            continue;
        }
        let mut y = x;
        y[i] += step;
        let up = shot.optics(&y).rays().path_nm(at);
        y[i] -= 2.0 * step;
        let down = shot.optics(&y).rays().path_nm(at);
        gradient[i] = (up - down) / (2.0 * step);
    }
    let mut variance = 0.0;
    for i in 0..N {
        for j in 0..N {
            variance += gradient[i] * covariance[i][j] * gradient[j];
        }
    }
    variance.max(0.0)
}
