//! Where a phone's filters end its sight: a line on their slope is weighed towards the side that they let through.

use crate::terms::{Estimate, FWHM_PER_SIGMA};

/// Half of the light passes a phone's infrared filter here, nm, and its lens and ultraviolet filter there (standard deviations:
/// of phones; common practice, no source).
const RED_END_NM: Estimate = Estimate::new(655.0, 10.0);
const VIOLET_END_NM: Estimate = Estimate::new(410.0, 10.0);
/// Either edge is a logistic curve of this width, nm: from nine tenths to one within some 35 nm (common practice, no source).
const EDGE_NM: f64 = 8.0;

/// By how much, nm, the filters may move the middle of a line of this wavelength and width at half height, a standard
/// uncertainty: the line's variance times the slope of the logarithm of what passes.
///
/// Which filters a phone has is not known, so this is an uncertainty and no correction.
pub fn moved_nm(nm: f64, fwhm_nm: f64) -> f64 {
    let variance = (fwhm_nm / FWHM_PER_SIGMA).powi(2);
    let slope = |beyond_nm: f64, end: Estimate| {
        // The edge is as wide as it is, and not known to lie here or there.
        let width = EDGE_NM.hypot(0.5 * end.sigma);
        1.0 / (EDGE_NM * (1.0 + (-beyond_nm / width).exp()))
    };
    variance
        * slope(nm - RED_END_NM.value, RED_END_NM)
            .hypot(slope(VIOLET_END_NM.value - nm, VIOLET_END_NM))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_on_a_filter_s_slope_moves_as_its_centroid_does() {
        // The centroid of a Gaussian behind a logistic edge, summed up.
        let (nm, sigma) = (660.0, 1.25);
        let passes = |x: f64| 1.0 / (1.0 + ((x - RED_END_NM.value) / EDGE_NM).exp());
        let (mut light, mut moment) = (0.0, 0.0);
        for i in -500..=500 {
            let d = 0.01 * f64::from(i);
            let v = (-0.5 * (d / sigma).powi(2)).exp() * passes(nm + d);
            light += v;
            moment += v * d;
        }
        let centroid = (moment / light).abs();
        let said = moved_nm(nm, sigma * FWHM_PER_SIGMA);
        assert!((0.8..1.3).contains(&(said / centroid)), "{said} {centroid}");
    }

    #[test]
    fn in_the_middle_of_the_spectrum_filters_move_nothing() {
        for nm in [450.0, 546.07, 600.0] {
            assert!(moved_nm(nm, 2.0) < 0.01, "{nm}");
        }
        assert!(moved_nm(404.66, 2.0) > 0.03);
    }
}
