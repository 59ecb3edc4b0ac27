//! Movement straight across the slit: what is wider than in another photo of the bench. No photo alone tells it from a wide slit.

use crate::frame::Frame;
use crate::measure::inputs::Inputs;
use crate::measure::sight::{Slit, Survey, bilinear};
use crate::terms::{Estimate, Measurement, Point, Quantity, Spectrum};

/// Ends blurred by more than this, px, are soft…
const SOFT_PX: f64 = 2.2;
/// …and in blue and red light, whose sharpness a camera has smoothed away as colour, from here on: in focus they reach 2.4.
pub const SOFT_COLOUR_PX: f64 = 2.9;
/// Width over standard deviation of what bad focus makes of a point: 4 from edge to edge of an even disc, as lenses without much
/// aberration draw it; with room for what both are known to.
const DISC_WIDTH: f64 = 4.4;
/// Flanks that climb over more than this share of the width are glare's, which reaches farther across a long slit than
/// beyond its end.
const GLARE_RISE: f64 = 0.145;

/// True where glare has widened the slit's image: its flanks climb over a quarter of its width then; those of a wide slit
/// or a smear over some pixels, whatever the width.
fn in_glare(slit: &Slit) -> bool {
    slit.rise_px > GLARE_RISE * slit.width_px
}

/// By how much, px, the slit's image is wider than in the lamp photo where it is as sharp as ever: blades do not open
/// between two photos, so the phone has moved across the slit. Glare and bad focus widen it too, but with soft flanks.
pub fn smeared_across(inputs: &Inputs, survey: &Survey, blur_px: Option<f64>) -> Option<f64> {
    let grown = survey.slit.width_px - inputs.calibration?.slit_image_px;
    let sharp = rises_as_one(&survey.slit, grown)
        && (survey.slit.rise_px < 2.6 || blur_px.is_some_and(|b| b < SOFT_PX));
    let beyond_blur = blur_px.is_none_or(|b| {
        let disc = if b < SOFT_PX { 3.0 } else { DISC_WIDTH };
        grown > disc * b
    });
    (grown > 6.0 && sharp && beyond_blur).then_some(grown)
}

/// Where the slit's image has grown by so many px, glare's flanks climb over a fifth of it and more; those of less are a
/// movement's. (Drawn photos that were not over-exposed: 0.21 of the width and more, where the image is wider than 12 px.)
const MUCH_GROWN_PX: f64 = 12.0;
const STEEP_SHARE: f64 = 0.17;

/// True where an image that has grown by `grown_px` has flanks too steep for glare.
fn rises_as_one(slit: &Slit, grown_px: f64) -> bool {
    let much = grown_px > MUCH_GROWN_PX && slit.rise_px < STEEP_SHARE * slit.width_px;
    much || !in_glare(slit)
}

/// Levels, linear shares of full scale above what lies beside it, between which the flanks of an over-exposed image climb.
const FLANK_LEVELS: (f64, f64) = (0.4, 0.8);
/// In the channel that glares least, an image over-exposed to more than so many px at the lower level…
const WIDE_IMAGE_PX: f64 = 18.0;
/// …has flanks that climb over at least 0.146 of its width: the light that a lens scatters or bends about a long line falls no
/// faster than with the square of the distance, Airy's rings included. (Drawn photos of continuous light: 240 sound ones 0.16
/// and more over 15 px, seven moved by 18 to 32 px 0.12 and less.)
const PLATEAU_RISE: f64 = 0.125;

/// By how much, px, an image of continuous light is smeared straight across: it has a plateau that glare does not make.
pub fn smeared_plateau(
    frame: &Frame,
    inputs: &Inputs,
    survey: &Survey,
    blur_px: Option<f64>,
) -> Option<f64> {
    let grown_by = |width_px: f64| Some(width_px - inputs.calibration?.slit_image_px);
    if blur_px.is_none_or(|b| b > SOFT_COLOUR_PX) {
        return None;
    }
    let widths_px = least_glaring(&across(frame, &survey.slit)?)?;
    let low_px = widths_px.0;
    is_plateau(widths_px)
        .then(|| grown_by(low_px))
        .flatten()
        .filter(|px| *px > MUCH_GROWN_PX)
}

/// True for widths at both [`FLANK_LEVELS`] that glare does not make.
fn is_plateau((low_px, high_px): (f64, f64)) -> bool {
    low_px > WIDE_IMAGE_PX && 0.5 * (low_px - high_px) < PLATEAU_RISE * low_px
}

/// Distance of the samples across the slit, px.
const STEP_PX: f64 = 0.5;

/// Light across the slit's image by channel, mean over the middle of its length. Absent at the picture's edge.
fn across(frame: &Frame, slit: &Slit) -> Option<Vec<[f64; 3]>> {
    const REACH_PX: f64 = 70.0;
    const CUTS: i32 = 15;
    let n = (2.0 * REACH_PX / STEP_PX) as usize + 1;
    let (ax, ay) = (slit.along_rad.cos(), slit.along_rad.sin());
    let Point { x, y } = slit.centre;
    let mut profile = vec![[0.0f64; 3]; n];
    for (i, value) in profile.iter_mut().enumerate() {
        let s = i as f64 * STEP_PX - REACH_PX;
        for k in 0..CUTS {
            let t = (f64::from(k) / f64::from(CUTS - 1) - 0.5) * 0.8 * slit.half_length_px;
            let light = bilinear(frame, Point::new(x + t * ax - s * ay, y + t * ay + s * ax))?;
            for c in 0..3 {
                value[c] += f64::from(light[c]) / f64::from(CUTS);
            }
        }
    }
    Some(profile)
}

/// Widths at both [`FLANK_LEVELS`], px, in the channel that is narrowest at the lower one. Absent where no channel is
/// over-exposed, or none falls below the level on both sides.
fn least_glaring(profile: &[[f64; 3]]) -> Option<(f64, f64)> {
    let middle = profile.len() / 2;
    let widths = |c: usize| -> Option<(f64, f64)> {
        let base = profile.first()?[c].min(profile.last()?[c]);
        let at = |i: usize| profile[i][c] - base;
        if at(middle) < 0.9 {
            return None;
        }
        // Where the light falls below the level, from the middle outwards, between two samples.
        let reach = |level: f64, outwards: i64| -> Option<f64> {
            let mut i = middle;
            loop {
                let next = usize::try_from(i as i64 + outwards).ok();
                let next = next.filter(|j| *j < profile.len())?;
                if at(next) < level {
                    let share = (at(i) - level) / (at(i) - at(next));
                    return Some((i.abs_diff(middle) as f64 + share) * STEP_PX);
                }
                i = next;
            }
        };
        let width = |level: f64| Some(reach(level, -1)? + reach(level, 1)?);
        Some((width(FLANK_LEVELS.0)?, width(FLANK_LEVELS.1)?))
    };
    (0..3).filter_map(widths).min_by(|a, b| a.0.total_cmp(&b.0))
}

/// The slit's image of a brighter picture blooms more. One that is so many times, and so many px, wider than the blank's
/// without more light is smeared…
const MORE_THAN_BLOOM: (f64, f64) = (1.6, 6.0);
/// …where the light is not this many times the blank's in any channel, and the ends are in focus.
const NO_MORE_LIGHT: f64 = 1.2;

/// The width of the slit's image, or of a line, at half height is known to so many px, and this share of it: exposure and
/// unequal light move it (drawn photos).
pub const IMAGE_PX: f64 = 1.0;
/// See [`IMAGE_PX`].
pub const IMAGE_SHARE: f64 = 0.15;

/// By how much, px, the slit's image is wider than in the blank's picture (`blank_slit_px`) though its spectrum has no more
/// light: the phone has moved straight across the slit. Lights without lines show that nowhere else.
pub fn smeared_beside(m: &Measurement, blank: &Spectrum, blank_slit_px: f64) -> Option<Estimate> {
    let light =
        |s: &Spectrum, c: usize| s.rows.iter().map(|r| r.rgb[c].max(0.0)).sum::<f64>() * s.step_nm;
    let width_px = m.metrics.value(Quantity::SlitImagePx)?;
    let own = m.spectrum.as_ref()?;
    let no_more = (0..3).all(|c| light(own, c) < NO_MORE_LIGHT * light(blank, c));
    let in_focus = m
        .metrics
        .estimate(Quantity::BlurPx)
        .is_some_and(|b| b.value < SOFT_COLOUR_PX);
    let unclipped = m
        .metrics
        .value(Quantity::ClippedFraction)
        .is_none_or(|c| c < 0.01);
    let wider = width_px > MORE_THAN_BLOOM.0 * blank_slit_px + MORE_THAN_BLOOM.1;
    (wider && no_more && in_focus && unclipped).then(|| {
        Estimate::new(
            width_px - blank_slit_px,
            2f64.sqrt() * IMAGE_PX.hypot(IMAGE_SHARE * (width_px - blank_slit_px)),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::SpectrumRow;

    /// A slit's image over-exposed by glare that falls with the square of the distance, smeared over `smear_px`, in a
    /// channel that is as bright as the others and one that has a fifth of their light.
    fn glaring(brightness: f64, smear_px: f64) -> Option<(f64, f64)> {
        let glare = |x: f64| 1.0 / (1.0 + (x / 2.0).powi(2));
        let profile: Vec<[f64; 3]> = (-140..=140)
            .map(|i| {
                let x = 0.5 * f64::from(i);
                let mean = (0..41)
                    .map(|k| glare(x + (f64::from(k) / 40.0 - 0.5) * smear_px))
                    .sum::<f64>()
                    / 41.0;
                [1.0, 1.0, 0.2].map(|share| (share * brightness * mean).min(1.0))
            })
            .collect();
        least_glaring(&profile)
    }

    #[test]
    fn a_smear_has_a_plateau_and_glare_has_none_however_bright() {
        for brightness in [30.0, 100.0, 300.0] {
            let widths = glaring(brightness, 0.0).unwrap();
            // The light falls from 0.8 to 0.4 where the distance grows by the square root of 2.
            let grows = widths.0 / widths.1;
            assert!((grows - 2f64.sqrt()).abs() < 0.12, "{widths:?}");
            assert!(!is_plateau(widths), "{widths:?}");
        }
        assert!(glaring(300.0, 0.0).unwrap().0 > WIDE_IMAGE_PX);
        for smear_px in [19.0, 30.0] {
            let widths = glaring(60.0, smear_px).unwrap();
            assert!(is_plateau(widths), "{widths:?}");
        }
        // Nothing is over-exposed.
        assert_eq!(glaring(0.5, 20.0), None);
    }

    #[test]
    fn a_slit_wider_than_the_blank_s_has_moved_only_where_its_light_is_no_more() {
        let coloured = |level: f64, red: f64| Spectrum {
            step_nm: 1.0,
            rows: (0..200)
                .map(|i| SpectrumRow {
                    wavelength_nm: 450.0 + f64::from(i),
                    signal: level,
                    signal_sigma: 1e-4,
                    rgb: [red * level, level, level],
                    rgb_sigma: [1e-4; 3],
                    clipped: 0.0,
                })
                .collect(),
        };
        let in_light = |level: f64, red: f64, slit_px: f64, blur_px: f64| {
            let mut m = Measurement {
                spectrum: Some(coloured(level, red)),
                ..Measurement::default()
            };
            m.metrics.set(Quantity::SlitImagePx, slit_px);
            m.metrics
                .note(Quantity::BlurPx, Estimate::new(blur_px, 0.3));
            smeared_beside(&m, &coloured(0.3, 1.0), 14.0).map(|smear| smear.value)
        };
        let seen = |level: f64, slit_px: f64, blur_px: f64| in_light(level, 1.0, slit_px, blur_px);
        assert_eq!(seen(0.3, 40.0, 1.4), Some(26.0));
        // Longer exposed, and blooming; out of focus; a little wider.
        assert_eq!(seen(0.5, 40.0, 1.4), None);
        assert_eq!(seen(0.3, 40.0, 6.5), None);
        assert_eq!(seen(0.3, 20.0, 1.4), None);
        // As bright, and redder: the red blooms.
        assert_eq!(in_light(0.28, 1.4, 40.0, 1.4), None);
    }
}
