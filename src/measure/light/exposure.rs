//! How much light a spectrum has: at the sensor's ceiling, at its brightest, over its noise.

use crate::measure::light::profile::Profile;
use crate::terms::{Estimate, Measurement, Quantity, Reading, sorted};

/// A line falls below this share of full scale within its own width beside what of it is at the ceiling; a band does not.
const FOOT_LEVEL: f64 = 0.7;

/// Of a line at the ceiling so many of its pixels are seen there: a JPEG's coarser colour mixes the others with the dark beside
/// them (drawn lines 1.8 times too bright: 0.17 to 0.47).
const CEILING_SHARE: f64 = 0.15;

/// How much of a line is at the ceiling, as a share of a line's width at half height
/// (`fwhm_nm`), of the worst line: 0 where none is, 1 where one is twice too bright, whatever its shape, since half its
/// height then lies above.
pub fn clipped_line_share(profile: &Profile, fwhm_nm: f64) -> f64 {
    let n = profile.len();
    let at_ceiling = |i: usize| profile.clipped[i] > CEILING_SHARE;
    let reach = (fwhm_nm / profile.step_nm).ceil() as usize;
    let has_foot = |mut places: std::ops::Range<usize>| {
        places.any(|i| profile.rgb[i].iter().all(|level| *level < FOOT_LEVEL))
    };
    // Where the share of clipped pixels passes that, between two bins.
    let crossing_nm = |inside: usize, outside: usize| {
        let (a, b) = (profile.clipped[inside], profile.clipped[outside]);
        (a - CEILING_SHARE) / (a - b) * profile.step_nm
    };
    let mut worst_nm = 0.0f64;
    let mut i = 1;
    while i + 1 < n {
        if !at_ceiling(i) {
            i += 1;
            continue;
        }
        let from = i;
        while i + 1 < n && at_ceiling(i + 1) {
            i += 1;
        }
        let to = i;
        i += 1;
        let is_line =
            has_foot(from.saturating_sub(reach)..from) && has_foot(to + 1..n.min(to + 1 + reach));
        if is_line && !at_ceiling(from - 1) {
            let width_nm = (to - from) as f64 * profile.step_nm
                + crossing_nm(from, from - 1)
                + crossing_nm(to, to + 1);
            worst_nm = worst_nm.max(width_nm);
        }
    }
    worst_nm / fwhm_nm
}

/// Light counts as lit from this share of the brightest on; as well from this many times less or more.
const LIT_SHARE: f64 = 0.05;
const LIT_DOUBT: f64 = 1.5;
/// Quartile of a noise that sixteen slabs give, smoothed over five bins that share their pixels: known to this share.
const NOISE_SHARE: f64 = 0.1;

/// No bin is quieter than this, linear share of full scale: where a file is black, rounding hides what noise there was. The first step
/// of eight bits above black is 3·10⁻⁴ (IEC 61966-2-1: 1/255/12.92), a twelfth of its square its variance, and a bin is the mean of
/// some eighty pixels.
const LEAST_NOISE: f64 = 1e-5;

/// Writes down saturation, brightest level and signal to noise of the `visible` places, the brightest of which has `top`.
pub fn exposure(profile: &Profile, visible: &[usize], top: f64, m: &mut Measurement) {
    // Of the places that carry light: a clipped line is as wrong beside darkness as in a continuum.
    let clipped = |share: f64| -> Option<f64> {
        let lit: Vec<usize> = visible
            .iter()
            .copied()
            .filter(|&i| profile.light[i] > share * top)
            .collect();
        let sum = lit.iter().map(|&i| profile.clipped[i]).sum::<f64>();
        (!lit.is_empty()).then(|| sum / lit.len() as f64)
    };
    let metrics = &mut m.metrics;
    let doubt = clipped(LIT_SHARE / LIT_DOUBT).zip(clipped(LIT_SHARE * LIT_DOUBT));
    let sigma = doubt.map(|(least, most)| 0.5 * (most - least).abs());
    let share = clipped(LIT_SHARE).map(|value| Reading { value, sigma });
    metrics.put(Quantity::ClippedFraction, share);
    let brightest = visible
        .iter()
        .flat_map(|&i| (0..3).map(move |c| (i, c)))
        .max_by(|a, b| profile.rgb[a.0][a.1].total_cmp(&profile.rgb[b.0][b.1]));
    let Some((i, c)) = brightest else { return };
    let level = Estimate::new(profile.rgb[i][c].max(0.0), profile.rgb_sigma[i][c]);
    metrics.note(Quantity::PeakLevel, level);
    let noise = sorted(visible.iter().map(|&i| profile.sigma[i]));
    // Against the noise of the dark parts: at a bright line uneven blades, not noise, limit the scatter.
    let quiet = noise[noise.len() / 4].max(LEAST_NOISE);
    let snr = Estimate::new(top / quiet, NOISE_SHARE * top / quiet);
    metrics.note(Quantity::Snr, snr);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::FWHM_PER_SIGMA;

    /// What a sensor with a ceiling makes of `light`, by wavelength, in steps of 0.25 nm from 500 nm.
    fn seen(light: impl Fn(f64) -> f64) -> Profile {
        let full: Vec<f64> = (0..400)
            .map(|i| light(500.0 + 0.25 * f64::from(i)))
            .collect();
        let light: Vec<f64> = full.iter().map(|v| v.min(1.0)).collect();
        Profile {
            sign: 1.0,
            start_nm: 500.0,
            step_nm: 0.25,
            rgb: light.iter().map(|&v| [v; 3]).collect(),
            rgb_sigma: vec![[1e-4; 3]; light.len()],
            sigma: vec![1e-4; light.len()],
            // The slit is not evenly bright: by its length, the ceiling is met by ±10 % of the light.
            clipped: full
                .iter()
                .map(|v| (5.0 * (v - 0.9)).clamp(0.0, 1.0))
                .collect(),
            background: vec![0.0; light.len()],
            light,
        }
    }

    fn gauss(nm: f64, centre: f64, fwhm: f64) -> f64 {
        (-0.5 * ((nm - centre) * FWHM_PER_SIGMA / fwhm).powi(2)).exp()
    }

    #[test]
    fn a_line_is_at_the_ceiling_over_its_half_width_where_it_is_twice_too_bright() {
        // A Gaussian of peak p passes a level c at √(log₂ p/c) of its width at half height; at 0.93 of the ceiling the brightest
        // 15 % of this slit reach it.
        for peak in [0.85f64, 1.19, 2.0, 4.0] {
            let share = (peak / 0.93).log2().max(0.0).sqrt();
            let profile = seen(|nm| peak * gauss(nm, 546.07, 2.0));
            let found = clipped_line_share(&profile, 2.0);
            // Where flanks are steep all pixels are at the ceiling one bin further in: that is up to a third of a bin too wide
            // on either side, and a bin is an eighth of the width.
            assert!(
                (-0.02..0.11).contains(&(found - share)),
                "{found} for {share}"
            );
        }
        // Its colour is smeared: of the pixels at the ceiling two in five are still seen there.
        let mut smeared = seen(|nm| 2.0 * gauss(nm, 546.07, 2.0));
        smeared.clipped.iter_mut().for_each(|share| *share *= 0.4);
        let found = clipped_line_share(&smeared, 2.0);
        assert!((0.9..1.1).contains(&found), "{found}");
        // A line as square as the slit: 2 nm wide with flanks of 0.4 nm, half way up at its own edge.
        let square = |nm: f64| 2.0 * ((1.2 - (nm - 546.07).abs()) / 0.4).clamp(0.0, 1.0);
        let found = clipped_line_share(&seen(square), 2.0);
        assert!((0.98..1.11).contains(&found), "{found}");
        // The worst of several counts, and a neighbour that runs into it makes it no band.
        let two = |nm: f64| 1.19 * gauss(nm, 546.0, 2.0) + 2.0 * gauss(nm, 552.0, 2.0) + 0.1;
        let share = (2.0f64 / (0.93 - 0.1)).log2().sqrt();
        let found = clipped_line_share(&seen(two), 2.0);
        assert!((-0.02..0.11).contains(&(found - share)), "{found}");
    }

    #[test]
    fn the_top_of_a_band_is_no_line() {
        for peak in [1.001, 1.2, 3.0] {
            let profile = seen(|nm| peak * gauss(nm, 550.0, 30.0));
            assert_eq!(clipped_line_share(&profile, 2.0), 0.0);
        }
    }
}
