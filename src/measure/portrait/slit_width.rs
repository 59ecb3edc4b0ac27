//! The slit's width behind lines that slit and blur have widened together: the slit's ends, which only the blur widens, say
//! how much of a line's width is blur.

use crate::measure::light::lineshape::{box_of_fwhm, is_green};
use crate::terms::Estimate;

/// A line that shows the slit.
#[derive(Clone, Copy, Debug)]
pub struct Witness {
    /// Wavelength, nm.
    pub nm: f64,
    /// Width of the line at half height, px.
    pub fwhm_px: f64,
    /// Blur of the slit's ends in its light, px (standard deviation), and its standard uncertainty.
    pub ends_px: Estimate,
    /// Pixels per nm of path there.
    pub px_per_nm: f64,
    /// Width of the spectrum's bins, px.
    pub bin_px: f64,
}

/// Ends of razor blades are not straight: their blur scatters more than the fit of one edge says (drawn and measured blades).
const UNEVEN_ENDS: f64 = 1.3;
/// How unlike the blur across the slit is to that along it, share of it: in green light the sensor and a JPEG have their full
/// resolution in both directions; blue and red have been smoothed as colour, in one direction or in both.
const UNLIKE: [f64; 2] = [0.15, 0.5];
/// What a line's width itself is uncertain by, share of the box.
const LEAST_SHARE: f64 = 0.05;

/// A slit narrower than so many standard deviations of the blur is not told from it, the blur taken as large as it may well be:
/// a blur known to an eighth, which is what two ends of a slit say of it, moves such a slit by a quarter and more, and those
/// whose ends noise has sharpened look the surest.
const NARROWEST_PER_BLUR: f64 = 3.0;

/// In green light and in other, px.
const SHARPEST_PX: [f64; 2] = [0.8, 1.3];

/// The sharpest that a slit's end can be in a photo, px (standard deviation): a pixel's own width (0.29), what lies between
/// the pixels of one colour, a phone's lens at its best, and for blue and red a JPEG's coarser colour. A fit that finds less
/// has met noise.
pub fn sharpest_px(nm: f64) -> f64 {
    SHARPEST_PX[usize::from(!is_green(nm))]
}

/// The slit as its lines show it.
#[derive(Clone, Copy, Debug)]
pub struct SlitBox {
    /// Width, nm of path, and its standard uncertainty.
    pub nm: Estimate,
    /// False where the blur leaves it open: another witness is needed.
    pub is_sure: bool,
}

/// The slit as a box; absent without witnesses, wider than its own image, or where lines in blue or red alone leave it open.
///
/// `widest_nm` is the width of the slit's own image, which over-exposure and blur only widen.
pub fn slit_box(witnesses: &[Witness], widest_nm: f64) -> Option<SlitBox> {
    let in_green = witnesses.iter().filter(|w| is_green(w.nm));
    let green: Vec<Witness> = in_green.copied().collect();
    let in_colour = green.is_empty();
    let (chosen, unlike) = if in_colour {
        (witnesses.to_vec(), UNLIKE[1])
    } else {
        (green, UNLIKE[0])
    };
    if chosen.is_empty() {
        return None;
    }
    let n = chosen.len() as f64;
    // By their shares: an end that noise has sharpened also has the smaller uncertainty, and would pull the mean to it.
    let typical = chosen.iter().map(|w| w.ends_px.value).sum::<f64>() / n;
    let weight = |w: &Witness| {
        let share = w.ends_px.sigma / w.ends_px.value.max(1e-3);
        1.0 / (UNEVEN_ENDS * share * typical).powi(2).max(1e-6)
    };
    let weights: f64 = chosen.iter().map(weight).sum();
    let blur = chosen
        .iter()
        .map(|w| w.ends_px.value * weight(w))
        .sum::<f64>()
        / weights;
    let scattered: f64 = chosen
        .iter()
        .map(|w| weight(w) * (w.ends_px.value - blur).powi(2))
        .sum();
    // The lines' own scatter where it is more than they say (Birge's ratio).
    let birge = (scattered / (n - 1.0).max(1.0)).max(1.0);
    let blur_sigma = (birge / weights).sqrt().hypot(unlike * blur);
    let mean_box = |blur: f64| -> f64 {
        let boxes = chosen.iter().map(|w| {
            // Bins that share their pixels' light widen a line as a triangle of their width does.
            let across = blur.max(0.0).hypot(w.bin_px / 6f64.sqrt());
            box_of_fwhm(w.fwhm_px, across).unwrap_or(0.0) / w.px_per_nm
        });
        boxes.sum::<f64>() / n
    };
    let value = mean_box(blur);
    let most = blur + blur_sigma;
    let px_per_nm = chosen.iter().map(|w| w.px_per_nm).sum::<f64>() / n;
    if value > 1.1 * widest_nm {
        return None;
    }
    let slope = 0.5 * (mean_box(blur - blur_sigma) - mean_box(blur + blur_sigma));
    // A blur that differs from what it seems to be by two uncertainties would open the slit, or close it, this much.
    let open = 0.5 * (mean_box(blur - 2.0 * blur_sigma) - value);
    let closed = 0.5 * (value - mean_box(blur + 2.0 * blur_sigma));
    let sigma = slope.max(open).max(closed);
    let is_sure = mean_box(most) * px_per_nm >= NARROWEST_PER_BLUR * most;
    // Blue and red are smoothed across the slit and not along it as often as not: unsure, they are no second witness either.
    (is_sure || !in_colour).then_some(SlitBox {
        nm: Estimate::new(value, sigma.hypot(LEAST_SHARE * value)),
        is_sure,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::light::lineshape::box_gauss_fwhm;

    fn witness(nm: f64, box_px: f64, blur_px: f64, (ends, sigma): (f64, f64)) -> Witness {
        Witness {
            nm,
            fwhm_px: box_gauss_fwhm(box_px, blur_px),
            ends_px: Estimate::new(ends, sigma),
            px_per_nm: 2.0,
            bin_px: 0.0,
        }
    }

    #[test]
    fn a_slit_is_found_from_its_lines_and_a_soft_end_is_outweighed() {
        let lines = [
            witness(502.0, 4.0, 1.0, (1.02, 0.1)),
            witness(588.0, 4.0, 1.0, (0.98, 0.1)),
            witness(546.0, 4.0, 1.0, (1.8, 0.8)),
            // Blue is not asked where green is seen.
            witness(436.0, 4.0, 2.0, (1.0, 0.1)),
        ];
        let SlitBox { nm, is_sure } = slit_box(&lines, 2.5).unwrap();
        let Estimate { value, sigma } = nm;
        assert!(is_sure);
        assert!((value - 2.0).abs() < sigma, "{value} ± {sigma}");
        assert!(sigma < 0.25 * value, "{sigma}");
    }

    #[test]
    fn a_line_that_is_all_blur_leaves_the_slit_open_and_no_slit_is_wider_than_its_image() {
        let all_blur = [witness(546.0, 0.2, 1.5, (1.5, 0.2))];
        let found = slit_box(&all_blur, 2.0);
        assert!(found.is_none_or(|f| !f.is_sure), "{found:?}");
        let wide = [witness(546.0, 6.0, 1.0, (1.0, 0.1))];
        assert!(slit_box(&wide, 2.0).is_none());
        // Twice the blur: an end that noise has sharpened would make it half as wide again.
        let narrow = [witness(546.0, 2.0, 1.0, (1.0, 0.1))];
        assert!(!slit_box(&narrow, 2.0).unwrap().is_sure);
        // Three and a half times a blur that may well be a fifth larger, and then hides the slit.
        let sharpened = [witness(546.0, 3.0, 1.15, (0.89, 0.14))];
        assert!(!slit_box(&sharpened, 2.5).unwrap().is_sure);
        // Unsure in blue alone, it is no second witness for the slit's image either.
        let blue = [witness(436.0, 2.0, 1.9, (1.4, 0.3))];
        assert!(slit_box(&blue, 4.0).is_none());
        assert!(slit_box(&[], 2.0).is_none());
    }
}
