//! The slit's width from its own image. Over-exposure has blown it up, along the slit as much as across: along it the
//! band's ends say how long the slit is, and what the image is longer by comes off its width.

use crate::frame::Frame;
use crate::measure::Estimate;
use crate::measure::band::Edge;
use crate::measure::optics::Optics;
use crate::measure::survey::Survey;
use crate::measure::trace::{Slit, bilinear, clearest_channel};

/// Signal to noise from which an end of the band is clear enough to measure a length by.
const CLEAR_SNR: f64 = 8.0;
/// Standard uncertainty of the width, px: the band's ends are known to a third of a pixel each, the flanks better
/// (drawn photos of 42 instruments: 0.55 px), …
const SIGMA_PX: f64 = 0.6;
/// …and this share of a blur that is no longer small.
const SIGMA_PER_BLUR: f64 = 0.3;
/// Flanks that climb over more than this share of the width are glare's, which reaches farther across a long slit than
/// beyond its end.
const GLARE_RISE: f64 = 0.145;

/// True where glare has widened the slit's image: its flanks climb over a quarter of its width then; those of a wide slit
/// or a smear over some pixels, whatever the width.
pub fn in_glare(slit: &Slit) -> bool {
    slit.rise_px > GLARE_RISE * slit.width_px
}

/// The slit's width, µm, for a slit `distance_mm` from the grating and a picture blurred by `blur_px` (standard deviation).
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
    widest_px: f64,
) -> Option<Estimate> {
    if in_glare(&survey.slit) {
        return None;
    }
    let width_px = survey.slit.width_px - bloom_px(frame, survey, optics)?;
    let sigma_px = SIGMA_PX.max(SIGMA_PER_BLUR * blur_px);
    if !(-sigma_px..=widest_px).contains(&width_px) {
        return None;
    }
    let nm_per_px = 1.0 / optics.rays().px_per_nm(0.0)?;
    let um_per_px = nm_per_px * optics.um_per_nm(distance_mm);
    Some(Estimate {
        value: width_px * um_per_px,
        sigma: sigma_px * um_per_px,
    })
}

/// By how much longer the slit's image is than the slit, at both ends together, px.
fn bloom_px(frame: &Frame, survey: &Survey, optics: &Optics) -> Option<f64> {
    let rays = optics.rays();
    let end = |list: &[Edge]| -> Option<(f64, f64)> {
        let clear = list.iter().filter(|e| e.snr > CLEAR_SNR);
        let mut heights: Vec<f64> = clear.map(|e| rays.path_nm(e.at.0, e.at.1).1).collect();
        if heights.len() < 2 {
            return None;
        }
        heights.sort_by(f64::total_cmp);
        rays.pixel_of_path(0.0, heights[heights.len() / 2])
    };
    let (a, b) = (end(&survey.edges.low)?, end(&survey.edges.high)?);
    let length = (b.0 - a.0).hypot(b.1 - a.1);
    let along = ((b.0 - a.0) / length, (b.1 - a.1) / length);
    let low = beyond(frame, a, (-along.0, -along.1), &survey.slit)?;
    let high = beyond(frame, b, along, &survey.slit)?;
    Some(low + high)
}

/// How far beyond `place`, the slit's end, its image ends, px in the direction `out`: at half of its height, in the channel
/// in which its flanks are sought too.
fn beyond(frame: &Frame, place: (f64, f64), out: (f64, f64), slit: &Slit) -> Option<f64> {
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
            let light = bilinear(
                frame,
                place.0 + t * out.0 - s * out.1,
                place.1 + t * out.1 + s * out.0,
            )?;
            for c in 0..3 {
                value[c] += f64::from(light[c]) / (strips + 1) as f64;
            }
        }
    }
    let lit = (inside / STEP_PX) as usize;
    let level = |range: std::ops::Range<usize>, c: usize| {
        let mut levels: Vec<f64> = profile[range].iter().map(|p| p[c]).collect();
        levels.sort_by(f64::total_cmp);
        levels[levels.len() / 2]
    };
    let ranges: [(f64, f64); 3] =
        std::array::from_fn(|c| (level(n - n / 4..n, c), level(0..lit / 2, c)));
    let c = clearest_channel(&ranges)?;
    let half = 0.5 * (ranges[c].0 + ranges[c].1);
    let i = (lit / 2..n).find(|&i| profile[i][c] < half)?;
    let (above, below) = (profile[i - 1][c], profile[i][c]);
    let share = ((above - half) / (above - below).max(1e-12)).clamp(0.0, 1.0);
    Some((i as f64 - 1.0 + share) * STEP_PX - inside)
}
