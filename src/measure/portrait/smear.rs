//! Movement straight across the slit: what is wider than in another photo of the bench. No photo alone tells it from a wide slit.

use crate::terms::{Estimate, Measurement, Quantity, Spectrum};

/// Ends blurred by more than this, px, are soft, in blue and red light, whose sharpness a camera has smoothed away as colour: in
/// focus they reach 2.4.
pub const SOFT_COLOUR_PX: f64 = 2.9;

/// The slit's image of a brighter picture blooms more. One that is so many times, and so many px, wider than the blank's
/// without more light is smeared…
const MORE_THAN_BLOOM: (f64, f64) = (1.6, 6.0);
/// …where the light is not this many times the blank's in any channel, and the ends are in focus.
const NO_MORE_LIGHT: f64 = 1.2;

/// …and where no more of the spectrum than this share is clipped, which widens it too.
const MOST_CLIPPED: f64 = 0.01;

/// The width of the slit's image, or of a line, at half height is known to so many px, and this share of it: exposure and
/// unequal light move it (drawn photos).
const IMAGE_PX: f64 = 1.0;
/// See [`IMAGE_PX`].
const IMAGE_SHARE: f64 = 0.15;

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
        .is_none_or(|c| c < MOST_CLIPPED);
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
