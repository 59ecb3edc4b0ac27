//! The slit's own image as a witness of its width: over-exposed nearly always, and wider for that.

use crate::measure::light::lineshape::FWHM_PER_SIGMA;
use crate::measure::portrait::render::DISC_SIGMA;
use crate::measure::shot::Shot;
use crate::terms::median;

/// The slit's own image, clipped where it has twenty to three hundred times the light, is wider at half of the ceiling by so many
/// standard deviations of the lens's blur on both sides together (tables of the normal distribution)…
const CLIPPED_LENS: f64 = 4.6;
/// …by nearly the whole of the pupil's disc, and by what glare adds: known to this share of all that, and to so many px…
const IMAGE_SHARE: f64 = 0.3;
const IMAGE_PX: f64 = 1.0;
/// …and to so many px more where the image is wider than that: glare has no limit…
const GLARE_PX: f64 = 8.0;
/// …but what a lens scatters or bends falls no faster than with the square of the distance, Airy's rings included: its flanks climb
/// from 30 to 70 % over 0.22 of the width at half height. Wide images whose flanks climb over less than this share have none.
const GLARE_RISES: f64 = 0.17;
const WIDE_PX: f64 = 12.0;
/// An image brighter than this, linear share of full scale, has met the ceiling in another channel, or the shoulder of a phone's
/// tone curve.
const NEAR_CEILING: f64 = 0.5;
/// One image in so many is something else (probability).
const ODD_IMAGE: f64 = 0.003;

/// The slit's own image.
pub struct Image {
    width_px: f64,
    is_clipped: bool,
    /// What glare may add, px.
    glare_px: f64,
}

impl Image {
    /// As it was found.
    pub fn of(shot: &Shot) -> Image {
        let slit = &shot.survey.slit;
        let brightest = median(slit.cuts.iter().map(|cut| cut.contrast));
        let is_clipped = slit.clipped_share > 0.5 || brightest.is_some_and(|b| b > NEAR_CEILING);
        let is_steep = slit.width_px > WIDE_PX && slit.rise_px < GLARE_RISES * slit.width_px;
        Image {
            width_px: slit.width_px,
            is_clipped,
            glare_px: if is_clipped && !is_steep {
                GLARE_PX
            } else {
                0.0
            },
        }
    }

    /// ln of how likely its width at half height is.
    pub fn ln_likelihood(&self, slit_px: f64, lens_px: f64, disc_px: f64) -> f64 {
        let blur_px = FWHM_PER_SIGMA * lens_px.hypot(DISC_SIGMA * disc_px);
        let least_px = slit_px.hypot(blur_px);
        // By how much an image is over-exposed is not seen: it may be as wide as it would be below the ceiling, and anything up to this.
        let most_px = if self.is_clipped {
            least_px.max(slit_px + CLIPPED_LENS * lens_px + disc_px)
        } else {
            least_px
        };
        let sigma_px = (IMAGE_SHARE * (most_px - slit_px)).hypot(IMAGE_PX);
        let below = (least_px - self.width_px).max(0.0) / sigma_px;
        let above = (self.width_px - most_px).max(0.0) / (sigma_px + self.glare_px);
        let density = (-0.5 * (below * below + above * above)).exp();
        (density / (most_px - least_px + sigma_px + 0.5 * self.glare_px) + ODD_IMAGE).ln()
    }
}
