//! The slit's own image as a witness of its width: drawn like a line, over-exposed nearly always, and wider for that.

use std::f64::consts::PI;

use crate::measure::portrait::render::{DISC_PX, LENS_PX, line};
use crate::measure::portrait::witness::Table;
use crate::measure::shot::Shot;
use crate::terms::{Interval, median};

/// The slit's own image has up to so many times the light that the sensor takes, evenly in its logarithm, where it is over-exposed.
const MOST_EXPOSED: f64 = 300.0;
/// These are tried, each so many times the one before.
const EXPOSED_STEP: f64 = 1.5;
/// The image's width is known to so many px, to this share of what blurs it, and to this share of what over-exposure adds: a lens's
/// feet are no Gaussian's.
const IMAGE_PX: f64 = 0.6;
const BLURRED_SHARE: f64 = 0.1;
const EXPOSED_SHARE: f64 = 0.3;
/// Its flanks climb from 30 to 70 %; the pixels themselves add up to so much, px.
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
/// What is drawn wider than the image by so many times its width explains it by chance only.
const HOPELESS: f64 = 2.0;

/// The slit's own image.
pub struct Image {
    width_px: f64,
    rise_px: f64,
    is_clipped: bool,
}

/// What one drawing's half profile makes of an exposure.
#[derive(Clone, Copy)]
struct Drawn {
    width_px: f64,
    rise_px: f64,
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

    /// ln of how likely its width at half height and its flanks are, for each width of the slit, lens and disc.
    pub fn ln_likelihood(&self, widths_px: &[f64]) -> Table {
        let exposed: Vec<f64> = if self.is_clipped {
            let steps = (MOST_EXPOSED.ln() / EXPOSED_STEP.ln()) as i32;
            (0..=steps).map(|i| EXPOSED_STEP.powi(i)).collect()
        } else {
            vec![1.0]
        };
        let mut all = Vec::with_capacity(widths_px.len() * LENS_PX.len() * DISC_PX.len());
        for width_px in widths_px {
            for (lens, lens_px) in LENS_PX.iter().enumerate() {
                for (disc, disc_px) in DISC_PX.iter().enumerate() {
                    let least_px = width_px.max(0.5 * disc_px).max(*lens_px);
                    let drawn = if least_px > HOPELESS * self.width_px {
                        Vec::new()
                    } else {
                        drawn((*width_px, lens, disc), &exposed)
                    };
                    all.push(self.ln_of(&drawn, *width_px));
                }
            }
        }
        Table::new(all)
    }

    /// ln of the likelihood by a drawing at each exposure, the least first.
    fn ln_of(&self, drawn: &[Drawn], slit_px: f64) -> f64 {
        let odd = ODD_IMAGE / (ODD_WIDTH_PX * ODD_RISE_PX);
        let (Some(least), Some(most)) = (drawn.first(), drawn.last()) else {
            return odd.ln();
        };
        let rise_sigma_px = RISE_PX.hypot(RISE_SHARE * self.rise_px);
        let at = |d: &Drawn| {
            let blurred = BLURRED_SHARE * (least.width_px - slit_px).max(0.0);
            let added = EXPOSED_SHARE * (d.width_px - least.width_px);
            let sigma_px = IMAGE_PX.hypot(blurred).hypot(added);
            let rise = Interval::new(d.rise_px, d.rise_px + PIXEL_RISE_PX);
            density(
                self.width_px,
                Interval::new(d.width_px, d.width_px),
                sigma_px,
            ) * density(self.rise_px, rise, rise_sigma_px)
        };
        let plain = drawn.iter().map(at).sum::<f64>() / drawn.len() as f64;
        if !self.is_clipped {
            return (plain + odd).ln();
        }
        let added_px = (self.width_px - most.width_px).max(0.0);
        let flank = Interval::new(
            GLARE_RISES * added_px + most.rise_px,
            GLARE_RISES_AT_MOST * self.width_px + PIXEL_RISE_PX,
        );
        let below_sigma_px = IMAGE_PX.hypot(EXPOSED_SHARE * (most.width_px - slit_px));
        let below = (most.width_px - self.width_px).max(0.0) / below_sigma_px;
        let glared = (-0.5 * below * below).exp()
            / (GLARE_PX * (1.0 + added_px / GLARE_PX).powi(2))
            * density(self.rise_px, flank, rise_sigma_px);
        (plain + GLARED * (glared - plain) + odd).ln()
    }
}

/// Width at half of the ceiling and flanks of a slit `shape.0` px wide behind a lens and a disc, by their index, where it has so many
/// times the light of the ceiling.
fn drawn(shape: (f64, usize, usize), exposed: &[f64]) -> Vec<Drawn> {
    const LEVELS: [f64; 3] = [0.7, 0.5, 0.3];
    const STEPS: f64 = 48.0;
    let (width_px, lens, disc) = shape;
    let reach_px = 0.5 * (width_px + DISC_PX[disc]) + 4.5 * LENS_PX[lens];
    let step_px = reach_px / STEPS;
    let peak = line(0.0, width_px, lens, disc);
    let profile: Vec<f64> = (0..=STEPS as usize)
        .map(|i| (line(i as f64 * step_px, width_px, lens, disc) / peak).max(1e-9))
        .map(f64::ln)
        .collect();
    let place = |level: f64| {
        let ln = level.ln();
        let after = profile
            .partition_point(|p| *p > ln)
            .clamp(1, profile.len() - 1);
        let (a, b) = (profile[after - 1], profile[after]);
        let share = if a > b {
            ((a - ln) / (a - b)).clamp(0.0, 1.0)
        } else {
            0.0
        };
        ((after - 1) as f64 + share) * step_px
    };
    exposed
        .iter()
        .map(|times| {
            let [high, half, low] = LEVELS.map(|level| place(level / times));
            Drawn {
                width_px: 2.0 * half,
                rise_px: low - high,
            }
        })
        .collect()
}

/// How dense a value is that lies anywhere in `range` and is known to `sigma`.
fn density(value: f64, range: Interval, sigma: f64) -> f64 {
    let (low, high) = (range.low.min(range.high), range.high.max(range.low));
    let off = ((low - value).max(value - high)).max(0.0) / sigma;
    (-0.5 * off * off).exp() / (high - low + (2.0 * PI).sqrt() * sigma)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::FWHM_PER_SIGMA;

    /// Tables of the normal distribution: behind a lens alone a narrow slit's image is as wide as the lens's blur, and climbs from
    /// 30 to 70 % over 0.71 of its standard deviation; with 50 times the light it is 2 √(2 ln 100) of them wide.
    #[test]
    fn a_narrow_slit_is_as_wide_as_its_lens_and_its_exposure_make_it() {
        let (lens, sigma) = (9, LENS_PX[9]);
        let found = drawn((0.5, lens, 0), &[1.0, 50.0]);
        assert!((found[0].width_px / (FWHM_PER_SIGMA * sigma) - 1.0).abs() < 0.02);
        assert!((found[0].rise_px / (0.7072 * sigma) - 1.0).abs() < 0.03);
        let exposed_px = 2.0 * sigma * (2.0 * f64::ln(100.0)).sqrt();
        assert!((found[1].width_px / exposed_px - 1.0).abs() < 0.02);
    }

    /// The chord of a disc is half as high at √3/2 of its radius (x² + y² = r²).
    #[test]
    fn out_of_focus_it_is_as_wide_as_the_pupil_s_disc() {
        let disc = DISC_PX.iter().position(|d| *d == 30.0).unwrap();
        let found = drawn((0.5, 0, disc), &[1.0]);
        assert!((found[0].width_px / (30.0 * 0.75f64.sqrt()) - 1.0).abs() < 0.02);
    }
}
