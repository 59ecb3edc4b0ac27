//! The slit's own image as a witness of its width: drawn like a line, over-exposed nearly always, and wider for that.

use std::f64::consts::PI;
use std::ops::Range;
use std::sync::OnceLock;

use crate::measure::portrait::render::{BLUR_REACH, DISC_PX, LENS_PX, Line, WIDTH_STEPS, width_px};
use crate::measure::portrait::table::Table;
use crate::measure::shot::Shot;
use crate::terms::{Interval, median};

/// The slit's own image has up to so many times the light that the sensor takes, evenly in its logarithm, where it is over-exposed:
/// so many exposures are tried, each so many times the one before, 292 times in all.
const EXPOSURES: usize = 15;
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
/// What lies so many standard uncertainties off is not asked for its probability (normal distribution: 10⁻¹⁸ of what it is in the middle).
const NEVER_SIGMAS: f64 = 9.0;
/// What is drawn wider than the image by so many times its width explains it by chance only.
const HOPELESS: f64 = 2.0;

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

    /// ln of how likely its width at half height and its flanks are, for each width of the slit (its [step](width_px)), lens and disc.
    pub fn ln_likelihood(&self, steps: Range<i32>) -> Table {
        let mut all = Table::of(odd().ln(), steps.len());
        for (width, step) in steps.enumerate() {
            for (lens, lens_px) in LENS_PX.iter().enumerate() {
                for (disc, disc_px) in DISC_PX.iter().enumerate() {
                    let least_px = width_px(step).max(0.5 * disc_px).max(*lens_px);
                    if least_px <= HOPELESS * self.width_px {
                        let drawn = Drawn::of(step, lens, disc);
                        all.set((width, lens, disc), self.ln_of(drawn, width_px(step)));
                    }
                }
            }
        }
        all
    }

    /// ln of the likelihood by a drawing at each of the exposures.
    fn ln_of(&self, drawn: &Drawn, slit_px: f64) -> f64 {
        let rise_sigma_px = RISE_PX.hypot(RISE_SHARE * self.rise_px);
        let exposed = &drawn.exposed[..if self.is_clipped { EXPOSURES } else { 1 }];
        let least_px = f64::from(exposed[0].width_px);
        let blurred = BLURRED_SHARE * (least_px - slit_px).max(0.0);
        let known_px2 = IMAGE_PX * IMAGE_PX + blurred * blurred;
        let mut sum = 0.0;
        for Exposed { width_px, rise_px } in exposed {
            let (most_px, rise_px) = (f64::from(*width_px), f64::from(*rise_px));
            let added = EXPOSED_SHARE * (most_px - least_px);
            let sigma_px2 = known_px2 + added * added;
            if (most_px - self.width_px).powi(2) < NEVER_SIGMAS * NEVER_SIGMAS * sigma_px2 {
                let width = Interval::new(most_px, most_px);
                let rise = Interval::new(rise_px, rise_px + PIXEL_RISE_PX);
                sum += density(self.width_px, width, sigma_px2.sqrt())
                    * density(self.rise_px, rise, rise_sigma_px);
            }
        }
        let plain = sum / exposed.len() as f64;
        if !self.is_clipped {
            return (plain + odd()).ln();
        }
        let most = exposed[EXPOSURES - 1];
        let (most_px, most_rise_px) = (f64::from(most.width_px), f64::from(most.rise_px));
        let added_px = (self.width_px - most_px).max(0.0);
        let glare = Interval::new(
            GLARE_RISES * added_px + most_rise_px,
            GLARE_RISES_AT_MOST * self.width_px + PIXEL_RISE_PX,
        );
        let below_sigma_px = IMAGE_PX.hypot(EXPOSED_SHARE * (most_px - slit_px));
        let below = (most_px - self.width_px).max(0.0) / below_sigma_px;
        let glared = (-0.5 * below * below).exp()
            / (GLARE_PX * (1.0 + added_px / GLARE_PX).powi(2))
            * density(self.rise_px, glare, rise_sigma_px);
        (plain + GLARED * (glared - plain) + odd()).ln()
    }
}

/// How dense an image of any width and flanks is.
fn odd() -> f64 {
    ODD_IMAGE / (ODD_WIDTH_PX * ODD_RISE_PX)
}

/// What a slit, a lens and a disc make of an over-exposed image.
struct Drawn {
    exposed: [Exposed; EXPOSURES],
}

/// Width at half of the ceiling, and how far it climbs from 30 to 70 % of it.
#[derive(Clone, Copy)]
struct Exposed {
    width_px: f32,
    rise_px: f32,
}

/// By slit, lens and disc; made when it is first asked for, and the same for all photos.
static DRAWN: [OnceLock<Box<Drawn>>; WIDTH_STEPS_LEN * PICTURES] =
    [const { OnceLock::new() }; WIDTH_STEPS_LEN * PICTURES];
const WIDTH_STEPS_LEN: usize = (WIDTH_STEPS.end - WIDTH_STEPS.start) as usize;
const PICTURES: usize = LENS_PX.len() * DISC_PX.len();

impl Drawn {
    fn of(step: i32, lens: usize, disc: usize) -> &'static Drawn {
        let slit = (step - WIDTH_STEPS.start) as usize;
        DRAWN[slit * PICTURES + lens * DISC_PX.len() + disc].get_or_init(|| {
            let mut flank = Flank::new(width_px(step), lens, disc);
            let mut times = 1.0 / EXPOSED_STEP;
            let exposed = [(); EXPOSURES].map(|()| {
                times *= EXPOSED_STEP;
                Exposed {
                    width_px: flank.width_px(times) as f32,
                    rise_px: flank.rise_px(times) as f32,
                }
            });
            Box::new(Drawn { exposed })
        })
    }
}

/// Shares of the ceiling between which a flank is measured, and that at which a width is.
const LEVELS: [f64; 3] = [0.7, 0.5, 0.3];
const STEPS: usize = 48;

/// One half of a slit's image as it is drawn, gone down once from its middle: it is asked for exposures that rise, whose levels lie ever
/// further out.
struct Flank {
    line: Line,
    peak: f64,
    step_px: f64,
    /// How far each of [`LEVELS`] has been followed.
    followed: [Followed; LEVELS.len()],
}

/// A step outwards, and the light before and after it as a share of that in the middle.
#[derive(Clone, Copy)]
struct Followed {
    after: usize,
    inner: f64,
    outer: f64,
}

impl Flank {
    fn new(width_px: f64, lens: usize, disc: usize) -> Flank {
        let reach_px = 0.5 * (width_px + DISC_PX[disc]) + BLUR_REACH * LENS_PX[lens];
        let line = Line::new(width_px, lens, disc);
        let mut flank = Flank {
            line,
            peak: line.at(0.0),
            step_px: reach_px / STEPS as f64,
            followed: [Followed {
                after: 1,
                inner: 1.0,
                outer: 1.0,
            }; LEVELS.len()],
        };
        let outer = flank.light(1);
        flank.followed.iter_mut().for_each(|f| f.outer = outer);
        flank
    }

    fn light(&self, step: usize) -> f64 {
        (self.line.at(step as f64 * self.step_px) / self.peak).max(1e-9)
    }

    /// Width at half of the ceiling, px, where it has so many times the light of the ceiling.
    fn width_px(&mut self, times: f64) -> f64 {
        2.0 * self.place(1, times)
    }

    /// How far it climbs from 30 to 70 % of the ceiling, px.
    fn rise_px(&mut self, times: f64) -> f64 {
        self.place(2, times) - self.place(0, times)
    }

    fn place(&mut self, which: usize, times: f64) -> f64 {
        let level = LEVELS[which] / times;
        let mut at = self.followed[which];
        while at.outer > level && at.after < STEPS {
            at = Followed {
                after: at.after + 1,
                inner: at.outer,
                outer: self.light(at.after + 1),
            };
        }
        self.followed[which] = at;
        let share = match at.inner > at.outer {
            true => ((at.inner / level).ln() / (at.inner / at.outer).ln()).clamp(0.0, 1.0),
            false => 0.0,
        };
        ((at.after - 1) as f64 + share) * self.step_px
    }
}

/// How dense a value is that lies anywhere in `range` and is known to `sigma`.
fn density(value: f64, range: Interval, sigma: f64) -> f64 {
    let (low, high) = (range.low.min(range.high), range.high.max(range.low));
    let off = ((low - value).max(value - high)).max(0.0) / sigma;
    if off > NEVER_SIGMAS {
        return 0.0;
    }
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
        let mut flank = Flank::new(0.5, lens, 0);
        assert!((flank.width_px(1.0) / (FWHM_PER_SIGMA * sigma) - 1.0).abs() < 0.02);
        assert!((flank.rise_px(1.0) / (0.7072 * sigma) - 1.0).abs() < 0.03);
        let exposed_px = 2.0 * sigma * (2.0 * f64::ln(100.0)).sqrt();
        assert!((flank.width_px(50.0) / exposed_px - 1.0).abs() < 0.02);
    }

    /// The chord of a disc is half as high at √3/2 of its radius (x² + y² = r²).
    #[test]
    fn out_of_focus_it_is_as_wide_as_the_pupil_s_disc() {
        let disc = DISC_PX.iter().position(|d| *d == 30.0).unwrap();
        let width_px = Flank::new(0.5, 0, disc).width_px(1.0);
        assert!((width_px / (30.0 * 0.75f64.sqrt()) - 1.0).abs() < 0.02);
    }
}
