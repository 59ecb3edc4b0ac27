//! The slit's width from its own image. Over-exposure has blown it up, along the slit nearly as much as across: along it the
//! band's ends say how long the slit is, and what the image is longer by comes off its width.

use crate::frame::Frame;
use crate::measure::light::lineshape::{bisected, box_gauss};
use crate::measure::sight::{Edge, Slit, Survey, bilinear, clearest_channel};
use crate::terms::{Estimate, Interval, Optics, Point, median};

/// Signal to noise from which an end of the band is clear enough to measure a length by.
const CLEAR_SNR: f64 = 8.0;
/// Standard uncertainty of the width, px: the band's ends are known to a third of a pixel each, the flanks better
/// (drawn photos of 42 instruments: 0.55 px); …
const SIGMA_PX: f64 = 0.6;
/// … this share of a blur that is no longer small; …
const SIGMA_PER_BLUR: f64 = 0.3;
/// … and of the slit's length, where its band lies a focal length from its image: that is what yaw and distortion are
/// known to. It falls with the square of the distance.
const SIGMA_OF_LENGTH: f64 = 0.006;
/// Flanks that climb over more than this share of the width are glare's, which reaches farther across a long slit than
/// beyond its end…
const GLARE_RISE: f64 = 0.145;
/// …unless they climb within so many px, as a focused lens makes them…
const CRISP_PX: f64 = 1.3;
/// …and the slit is so many times as wide as the blur: an image that is not blown up is then as wide as the slit.
const WIDE_PER_BLUR: f64 = 3.0;
/// Blur of the slit's image at its sharpest, px: all colours at once, so a picture's full sharpness; and the share of it that
/// phones differ by.
const BRIGHT_BLUR_PX: f64 = 1.1;
const BRIGHT_BLUR_SHARE: f64 = 0.3;
/// A slit is surely wide where three uncertainties less would leave so many px, which the blur does not hide.
const LEAST_SURE_PX: f64 = 3.0;
/// An end that is so many times as soft as the other has met dust…
const DUSTY: f64 = 1.4;
/// …and lies inside the slit's by nothing to all of what it is softer by: by this share, as much in doubt.
const DUST_SHARE: f64 = 0.5;

/// True where glare has widened the slit's image: its flanks climb over a quarter of its width then; those of a wide slit
/// or a smear over some pixels, whatever the width.
pub fn in_glare(slit: &Slit) -> bool {
    slit.rise_px > GLARE_RISE * slit.width_px
}

/// The slit's width as its image shows it.
#[derive(Clone, Copy, Debug)]
pub struct SlitImage {
    /// Width, µm.
    pub width_um: Estimate,
    /// True where the slit is wide enough for its image to be a witness on its own.
    pub is_sure: bool,
}

/// The slit's width for a slit `distance_mm` from the grating and a picture blurred by `blur_px` (standard deviation), no wider
/// than `widest_px`, where the scale is known to `scale_share` of a wavelength: as well as that it says where the slit ends.
///
/// Refuses where glare has widened the image, fewer than two places show an end of the band, the image's ends are not in the
/// picture, what is left is wider than `widest_px`, or less than nothing by more than its uncertainty: then the ends were not
/// the slit's.
pub fn from_image(
    frame: &Frame,
    survey: &Survey,
    optics: &Optics,
    distance_mm: f64,
    blur_px: f64,
    (widest_px, scale_share): (f64, f64),
) -> Option<SlitImage> {
    let slit = &survey.slit;
    let glare = in_glare(slit);
    if glare && slit.rise_px > CRISP_PX {
        return None;
    }
    let ends = ends_by_the_band(survey, optics)?;
    let bloom_px = bloom_px(frame, &ends, slit)?;
    let as_long_px = slit.width_px - bloom_px;
    let sigma_px = SIGMA_PX
        .max(SIGMA_PER_BLUR * blur_px)
        .hypot(SIGMA_OF_LENGTH.hypot(scale_share) * ends.length_px() * ends.apart.powi(2))
        .hypot(ends.dust_px);
    // Over-exposure takes nothing off an image: ends that say so are not the slit's, or lie elsewhere than the scale has it.
    let widest_px = widest_px.min(slit.width_px + sigma_px);
    if !(-sigma_px..=widest_px).contains(&as_long_px) {
        return None;
    }
    let sharp_px = blur_px.min(BRIGHT_BLUR_PX);
    let width = |bloom_px: f64, sharp_px: f64| narrowed(slit.width_px, bloom_px, sharp_px);
    let width_px = width(bloom_px, sharp_px);
    let half = |a: f64, b: f64| 0.5 * (a - b).abs();
    let by_bloom = half(
        width(bloom_px - sigma_px, sharp_px),
        width(bloom_px + sigma_px, sharp_px),
    );
    let (less, more) = (1.0 - BRIGHT_BLUR_SHARE, 1.0 + BRIGHT_BLUR_SHARE);
    let by_blur = half(
        width(bloom_px, less * sharp_px),
        width(bloom_px, more * sharp_px),
    );
    let sigma_px = by_bloom.max(sigma_px).hypot(by_blur);
    let is_sure = width_px - 3.0 * sigma_px > LEAST_SURE_PX;
    if glare && !(is_sure && width_px > WIDE_PER_BLUR * blur_px) {
        return None;
    }
    let nm_per_px = 1.0 / optics.rays().px_per_nm(0.0)?;
    let um_per_px = nm_per_px * optics.um_per_nm(distance_mm);
    Some(SlitImage {
        width_um: Estimate::new(width_px * um_per_px, sigma_px * um_per_px),
        is_sure,
    })
}

/// Width of a slit whose over-exposed image is `image_px` wide, and at both ends together `bloom_px` longer than the slit, for
/// a lens whose blur is a Gaussian of `sharp_px`.
///
/// Both contours lie at one level of light. A slit of a few times the blur is as bright as a wide one, and blooms as far
/// beyond its end as beside it; of a narrower one the light that spreads across it is missing beyond the end.
fn narrowed(image_px: f64, bloom_px: f64, sharp_px: f64) -> f64 {
    let beyond_end = 0.5 * libm::erfc(0.5 * bloom_px / (sharp_px * std::f64::consts::SQRT_2));
    let is_too_wide = |width: f64| {
        box_gauss(0.5 * image_px, width, sharp_px) > beyond_end * box_gauss(0.0, width, sharp_px)
    };
    let range = Interval::new(0.0, (image_px - bloom_px).max(0.0) + sharp_px);
    bisected(range, 40, |width| !is_too_wide(width)).low
}

/// Where the slit's image would end but for over-exposure.
struct Ends {
    /// Its two ends, px.
    at: [Point; 2],
    /// How far the band that says so lies from it, focal lengths.
    apart: f64,
    /// How much nearer together dust has brought the band's, and its standard uncertainty, px.
    dust_px: f64,
}

impl Ends {
    fn length_px(&self) -> f64 {
        let [a, b] = self.at;
        b.distance(a)
    }
}

fn ends_by_the_band(survey: &Survey, optics: &Optics) -> Option<Ends> {
    let rays = optics.rays();
    let clear = |list: &[Edge]| -> Vec<Edge> {
        let clear = list.iter().filter(|e| e.snr > CLEAR_SNR);
        clear.copied().collect()
    };
    let lists = [&survey.edges.low, &survey.edges.high].map(|list| clear(list));
    let middle = |values: Vec<f64>| median(values.iter().copied()).filter(|_| values.len() >= 2);
    let end = |list: &[Edge]| -> Option<Point> {
        let heights = list.iter().map(|e| rays.height(e.at));
        rays.pixel_of_path(0.0, middle(heights.collect())?)
    };
    let apart = lists.iter().flatten();
    let apart = apart.map(|e| e.at.distance(survey.slit.centre) / optics.focal_px);
    let blur = |list: &[Edge]| middle(list.iter().map(|e| e.blur_px).collect());
    let (a, b) = (blur(&lists[0])?, blur(&lists[1])?);
    let (sharp, soft) = (a.min(b), a.max(b));
    let dust_px = if soft > DUSTY * sharp {
        DUST_SHARE * (soft * soft - sharp * sharp).sqrt()
    } else {
        0.0
    };
    Some(Ends {
        dust_px,
        at: [end(&lists[0])?, end(&lists[1])?],
        apart: middle(apart.collect())?,
    })
}

/// By how much longer the slit's image is than the slit, at both ends together, px.
fn bloom_px(frame: &Frame, ends: &Ends, slit: &Slit) -> Option<f64> {
    let [a, b] = ends.at;
    let length = ends.length_px();
    let along = ((b.x - a.x) / length, (b.y - a.y) / length);
    let low = beyond(frame, a, (-along.0, -along.1), slit)?;
    let high = beyond(frame, b, along, slit)?;
    Some(low + high - ends.dust_px)
}

/// How far beyond `place`, the slit's end, its image ends, px in the direction `out`: at half of its height, in the channel
/// in which its flanks are sought too.
fn beyond(frame: &Frame, place: Point, out: (f64, f64), slit: &Slit) -> Option<f64> {
    const STEP_PX: f64 = 0.5;
    let reach = (6.0 * slit.width_px + 12.0).clamp(24.0, 140.0);
    let inside = 24.0f64.min(0.5 * slit.half_length_px);
    let half_strip = (0.25 * slit.width_px).clamp(1.0, 6.0);
    let n = ((reach + inside) / STEP_PX) as usize;
    let strips = (2.0 * half_strip).ceil() as i64;
    let mut profile = vec![[0.0f64; 3]; n];
    for (i, value) in profile.iter_mut().enumerate() {
        let t = i as f64 * STEP_PX - inside;
        for k in 0..=strips {
            let s = (k as f64 / strips as f64 - 0.5) * 2.0 * half_strip;
            let at = Point::new(
                place.x + t * out.0 - s * out.1,
                place.y + t * out.1 + s * out.0,
            );
            let light = bilinear(frame, at)?;
            for c in 0..3 {
                value[c] += f64::from(light[c]) / (strips + 1) as f64;
            }
        }
    }
    let lit = (inside / STEP_PX) as usize;
    let level = |range: std::ops::Range<usize>, c: usize| {
        median(profile[range].iter().map(|p| p[c])).unwrap_or(0.0)
    };
    let ranges: [Interval; 3] =
        std::array::from_fn(|c| Interval::new(level(n - n / 4..n, c), level(0..lit / 2, c)));
    let c = clearest_channel(&ranges)?;
    let half = ranges[c].middle();
    let i = (lit / 2..n).find(|&i| profile[i][c] < half)?;
    let (above, below) = (profile[i - 1][c], profile[i][c]);
    let share = ((above - half) / (above - below).max(1e-12)).clamp(0.0, 1.0);
    Some((i as f64 - 1.0 + share) * STEP_PX - inside)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half the width of an over-exposed image across the slit's middle, and how far it reaches beyond an end, px: the slit is
    /// made of points, each blurred by a Gaussian of 1 px, and cut where the light falls below `level` of a wide slit's.
    fn image(width_px: f64, level: f64) -> (f64, f64) {
        const STEP: f64 = 0.05;
        let across = (width_px / STEP).round() as i32;
        let along = (40.0 / STEP) as i32;
        let bell = |d: f64| (-0.5 * d * d).exp() * STEP / (2.0 * std::f64::consts::PI).sqrt();
        let sum = |n: i32, x: f64, from: f64| -> f64 {
            (0..n)
                .map(|i| bell(x - from - (f64::from(i) + 0.5) * STEP))
                .sum()
        };
        // The slit reaches from y = −40 to 0.
        let light = |x: f64, y: f64| sum(across, x, -0.5 * width_px) * sum(along, y, -40.0);
        let reach = |light: &dyn Fn(f64) -> f64, start: f64| -> f64 {
            let (mut low, mut high) = (start, 9.0);
            for _ in 0..30 {
                let middle = 0.5 * (low + high);
                if light(middle) > level {
                    low = middle
                } else {
                    high = middle
                }
            }
            low
        };
        (
            reach(&|x| light(x, -20.0), 0.0),
            reach(&|y| light(0.0, y), -5.0),
        )
    }

    #[test]
    fn an_over_exposed_image_gives_its_slit_back_however_narrow_and_however_bright() {
        for width_px in [1.0, 2.0, 3.0, 6.0] {
            for level in [0.2, 0.02, 0.002] {
                let (beside, beyond) = image(width_px, level);
                let found = narrowed(2.0 * beside, 2.0 * beyond, 1.0);
                assert!(
                    (found - width_px).abs() < 0.03,
                    "{width_px} px at {level}: {found}"
                );
            }
        }
        // What the image is longer by alone would make a slit of twice the blur a fifth wider.
        let (beside, beyond) = image(2.0, 0.05);
        assert!(2.0 * (beside - beyond) > 2.35);
    }
}
