//! The width of a slit's image under a blur: full width at half height of a box of width W convolved with a Gaussian of
//! full width F, computed apart from this program (scipy 1.17, numerical convolution), four decimals printed.
//!
//! What textbooks add in squares, √(F² + W²), says 1.414 at W = F, where it is 1.249.

use slitwatch::measure::light::lineshape::{box_gauss, box_gauss_fwhm};
use slitwatch::terms::FWHM_PER_SIGMA;

/// W/F, FWHM/F.
const PRINTED: [(f64, f64); 8] = [
    (0.25, 1.0145),
    (0.5, 1.0591),
    (0.75, 1.1364),
    (1.0, 1.2494),
    (1.5, 1.5822),
    (2.0, 2.0197),
    (3.0, 3.0004),
    (5.0, 5.0000),
];

#[test]
fn a_blurred_slit_is_as_wide_as_the_convolution_says() {
    for (ratio, printed) in PRINTED {
        for fwhm_nm in [0.7, 1.0, 2.5] {
            let found = box_gauss_fwhm(ratio * fwhm_nm, fwhm_nm / FWHM_PER_SIGMA) / fwhm_nm;
            assert!(
                (found - printed).abs() < 0.000_051,
                "W/F = {ratio}: {found}, printed {printed}"
            );
        }
    }
}

#[test]
fn the_line_shape_is_the_convolution_point_by_point() {
    // The slow obvious way: the mean of Gaussians spread over the slit.
    let gauss = |x: f64, sigma: f64| {
        (-0.5 * (x / sigma).powi(2)).exp() / (sigma * (2.0 * std::f64::consts::PI).sqrt())
    };
    for (width, sigma) in [(0.05, 0.5), (0.5, 0.5), (2.0, 0.3), (1.0, 1.3)] {
        let n = 4000;
        for i in -20..=20 {
            let x = 0.15 * f64::from(i);
            let mean = (0..n)
                .map(|k| {
                    gauss(
                        x - width * ((f64::from(k) + 0.5) / f64::from(n) - 0.5),
                        sigma,
                    )
                })
                .sum::<f64>()
                / f64::from(n);
            let found = box_gauss(x, width, sigma);
            // Narrow slits are replaced by a Gaussian of the same variance: right to the fourth power of W/σ.
            assert!(
                (found - mean).abs() < 2e-6 * gauss(0.0, sigma).max(1.0),
                "{width} {sigma} {x}: {found} {mean}"
            );
        }
    }
}

#[test]
fn the_full_width_of_a_gaussian_is_the_textbook_factor() {
    // 2 √(2 ln 2).
    let exact = 2.0 * (2.0 * std::f64::consts::LN_2).sqrt();
    assert!((FWHM_PER_SIGMA - exact).abs() < 5e-10);
}
