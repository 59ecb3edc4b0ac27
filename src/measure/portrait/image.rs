//! The slit's own image as a witness of its width: over-exposed nearly always, and wider for that.

use std::f64::consts::PI;

use crate::measure::portrait::render::DISC_SIGMA;
use crate::measure::shot::Shot;
use crate::terms::{FWHM_PER_SIGMA, Interval, median};

/// The slit's own image, clipped where it has twenty to three hundred times the light, is wider at half of the ceiling by so many
/// standard deviations of the lens's blur on both sides together (tables of the normal distribution)…
const CLIPPED_LENS: f64 = 4.6;
/// …by nearly the whole of the pupil's disc, and by what glare adds: known to this share of all that, and to so many px…
const IMAGE_SHARE: f64 = 0.3;
const IMAGE_PX: f64 = 1.0;
/// Its flanks climb from 30 to 70 % over so many standard deviations of the blur: where it is over-exposed beyond all measure, and
/// where it is not at all (tables of the normal distribution); the pixels themselves add so much, px.
const LEAST_RISE: f64 = 0.28;
const MOST_RISE: f64 = 1.05;
const PIXEL_RISE_PX: f64 = 0.6;
/// How far a flank climbs is known to so many px, and to this share.
const RISE_PX: f64 = 0.3;
const RISE_SHARE: f64 = 0.1;
/// One over-exposed image in so many is widened by glare, by this, px, or by anything more, the less likely the more…
const GLARED: f64 = 0.3;
const GLARE_PX: f64 = 8.0;
/// …but what a lens scatters or bends falls no faster than with the square of the distance, Airy's rings included: its flanks climb
/// from 30 to 70 % over this share of the width that it adds at least, and over this share of the whole at most.
const GLARE_RISES: f64 = 0.2;
const GLARE_RISES_AT_MOST: f64 = 0.28;
/// An image brighter than this, linear share of full scale, has met the ceiling in another channel, or the shoulder of a phone's
/// tone curve.
const NEAR_CEILING: f64 = 0.5;
/// One image in so many is something else (probability), of any width and flanks up to these, px.
const ODD_IMAGE: f64 = 0.003;
const ODD_WIDTH_PX: f64 = 60.0;
const ODD_RISE_PX: f64 = 15.0;

/// The slit's own image.
pub struct Image {
    width_px: f64,
    rise_px: f64,
    is_clipped: bool,
}

impl Image {
    /// As it was found.
    pub fn of(shot: &Shot) -> Image {
        let slit = &shot.survey.slit;
        let brightest = median(slit.cuts.iter().map(|cut| cut.contrast));
        Image {
            width_px: slit.width_px,
            rise_px: slit.rise_px,
            is_clipped: slit.clipped_share > 0.5 || brightest.is_some_and(|b| b > NEAR_CEILING),
        }
    }

    /// ln of how likely its width at half height and its flanks are.
    pub fn ln_likelihood(&self, slit_px: f64, lens_px: f64, disc_px: f64) -> f64 {
        let blur_px = lens_px.hypot(DISC_SIGMA * disc_px);
        let least_px = slit_px.hypot(FWHM_PER_SIGMA * blur_px);
        // By how much an image is over-exposed is not seen: it may be as wide as it would be below the ceiling, and anything up to this.
        let most_px = if self.is_clipped {
            least_px.max(slit_px + CLIPPED_LENS * lens_px + disc_px)
        } else {
            least_px
        };
        let sigma_px = (IMAGE_SHARE * (most_px - slit_px)).hypot(IMAGE_PX);
        let width = Interval::new(least_px, most_px);
        let steepest = if self.is_clipped {
            LEAST_RISE * lens_px
        } else {
            lens_px
        };
        let rise = Interval::new(steepest, MOST_RISE * blur_px + PIXEL_RISE_PX);
        let rise_sigma_px = RISE_PX.hypot(RISE_SHARE * self.rise_px);
        let plain =
            density(self.width_px, width, sigma_px) * density(self.rise_px, rise, rise_sigma_px);
        let glared = if self.is_clipped {
            let added_px = (self.width_px - most_px).max(0.0);
            let flank = Interval::new(
                GLARE_RISES * added_px + steepest,
                GLARE_RISES_AT_MOST * self.width_px + PIXEL_RISE_PX,
            );
            let below = (most_px - self.width_px).max(0.0) / sigma_px;
            (-0.5 * below * below).exp() / (GLARE_PX * (1.0 + added_px / GLARE_PX).powi(2))
                * density(self.rise_px, flank, rise_sigma_px)
        } else {
            0.0
        };
        let odd = 1.0 / (ODD_WIDTH_PX * ODD_RISE_PX);
        (plain + GLARED * (glared - plain) + ODD_IMAGE * odd).ln()
    }
}

/// How dense a value is that lies anywhere in `range` and is known to `sigma`.
fn density(value: f64, range: Interval, sigma: f64) -> f64 {
    let (low, high) = (range.low.min(range.high), range.high.max(range.low));
    let off = ((low - value).max(value - high)).max(0.0) / sigma;
    (-0.5 * off * off).exp() / (high - low + (2.0 * PI).sqrt() * sigma)
}
