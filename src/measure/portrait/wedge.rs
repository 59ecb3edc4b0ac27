//! Are the slit's blades parallel? Lines that one end of the slit makes wider than the other show a wedge.

use crate::measure::light::lineshape::{bisected, box_gauss, box_gauss_fwhm};
use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::profile::{Profile, SLABS, Slabs};
use crate::measure::optics::fit::{Parameter, least_squares};
use crate::measure::portrait::dust::filled;
use crate::terms::{Estimate, FWHM_PER_SIGMA, Interval};

/// What a line must stand out of the noise by, and of the spectrum's highest light, to be compared slab by slab.
const CLEAR_SNR: f64 = 15.0;
const STRONG_SHARE: f64 = 0.1;
/// A line with so much of the highest light, nearer to another than so many times its width, disturbs it.
const FAINT_SHARE: f64 = 0.02;
const NEAR: f64 = 2.2;
/// Lines wider than the instrument's bandpass by this are two, or bands.
const AS_NARROW: f64 = 1.3;
/// So many lines at most, the strongest first.
const MOST_LINES: usize = 6;
/// How much the lens's blur may differ between the two ends of the slit, as a share of it (common practice, no source: a
/// phone's lens in the middle of its field).
const BLUR_SHARE: f64 = 0.03;

/// A slit so many times as wide as the blur is seen by itself in each slab.
const OPEN_PER_BLUR: f64 = 3.0;
/// Lines that run into a neighbour, and a slit that is not quite as wide as it is taken to be, make a wedge wrong by this
/// share of itself; unequal light along the slit by this share of the slit's width at least (drawn slits).
const NEIGHBOUR_SHARE: f64 = 0.15;
const LEAST_SHARE: f64 = 0.03;

/// By how much the slit is wider at its end of higher β than at the other, in the unit of `slit` (nm of path): its width as
/// far as that is known, with its standard uncertainty.
///
/// Every slab of a line is compared with the line's mean over the slit: brighter or darker, shifted, and as a wider or
/// narrower box would have it, behind the blur that is left of the line's width. A slit near its blur's width hardly widens a
/// line, so that its own uncertainty counts in full.
///
/// Refuses where no line is strong, narrow and unclipped.
pub fn wedge(
    slabs: &Slabs,
    profile: &Profile,
    slit: Estimate,
    bandpass: f64,
    blur: f64,
) -> Option<Estimate> {
    let mut lines = maxima(profile, CLEAR_SNR, STRONG_SHARE);
    lines.retain(Maximum::is_clean);
    lines.retain(|l| l.fwhm_nm < AS_NARROW * bandpass);
    // Through a wide slit a line near it counts as its own flank.
    let places: Vec<f64> = maxima(profile, CLEAR_SNR, FAINT_SHARE)
        .iter()
        .map(|l| l.nm)
        .collect();
    lines.retain(|l| {
        let near = |nm: &&f64| (0.1..NEAR * l.fwhm_nm).contains(&(**nm - l.nm).abs());
        slit.value < OPEN_PER_BLUR * blur || !places.iter().any(|nm| near(&nm))
    });
    let narrowest = lines.iter().map(|l| l.fwhm_nm).min_by(f64::total_cmp)?;
    lines.sort_by(|a, b| b.prominence.total_cmp(&a.prominence));
    lines.truncate(MOST_LINES);
    let with = |width: f64| -> Option<Estimate> {
        let each: Vec<Estimate> = lines
            .iter()
            .filter_map(|l| wedge_of_line(slabs, profile, l, width, blur))
            .collect();
        together(&each)
    };
    let found = with(slit.value)?;
    let least = (slit.value - slit.sigma).max(0.3 * slit.value);
    let by_slit = 0.5 * (with(least)?.value - with(slit.value + slit.sigma)?.value).abs();
    // The same change of a line's width by a blur that is not the same everywhere.
    let (width, blur) = shape(narrowest, slit.value, blur);
    let (dw, db) = (0.02 * width, 0.02 * blur);
    let per_width = (box_gauss_fwhm(width + dw, blur) - box_gauss_fwhm(width - dw, blur)) / dw;
    let per_blur = (box_gauss_fwhm(width, blur + db) - box_gauss_fwhm(width, blur - db)) / db;
    let by_blur = BLUR_SHARE * blur * per_blur / per_width.max(1e-3);
    Some(Estimate::new(
        found.value,
        found
            .sigma
            .hypot(by_slit)
            .hypot(by_blur)
            .hypot(NEIGHBOUR_SHARE * found.value)
            .hypot(LEAST_SHARE * slit.value),
    ))
}

/// Box and blur of a line of this width at half height through a slit of `width`. A slit as wide as the line leaves the blur
/// open: it is `most_blur` at most.
fn shape(fwhm: f64, width: f64, most_blur: f64) -> (f64, f64) {
    let width = width.min(0.98 * fwhm);
    (width, blur_beside(fwhm, width).min(most_blur))
}

/// Standard deviation of the blur that widens a box to this width at half height.
fn blur_beside(fwhm: f64, width: f64) -> f64 {
    let range = Interval::new(1e-3 * fwhm, fwhm / FWHM_PER_SIGMA);
    bisected(range, 40, |blur| box_gauss_fwhm(width, blur) < fwhm).low
}

/// Weighted mean; where the values scatter by more than they say, their scatter counts (Birge's ratio).
fn together(each: &[Estimate]) -> Option<Estimate> {
    let weights: f64 = each.iter().map(|e| e.sigma.powi(-2)).sum();
    if each.is_empty() || !weights.is_finite() {
        return None;
    }
    let value = each.iter().map(|e| e.value * e.sigma.powi(-2)).sum::<f64>() / weights;
    let chi: f64 = each
        .iter()
        .map(|e| ((e.value - value) / e.sigma).powi(2))
        .sum();
    let birge = (chi / (each.len() as f64 - 1.0).max(1.0)).max(1.0);
    Some(Estimate::new(value, (birge / weights).sqrt()))
}

fn wedge_of_line(
    slabs: &Slabs,
    profile: &Profile,
    line: &Maximum,
    width: f64,
    most_blur: f64,
) -> Option<Estimate> {
    let (nm, fwhm) = (line.nm, line.fwhm_nm);
    let (width, blur) = shape(fwhm, width, most_blur);
    let reach = 1.5 * fwhm + 0.3;
    let bins: Vec<usize> = (0..slabs.len())
        .filter(|&j| (slabs.path_nm(j).abs() - nm).abs() < reach)
        .collect();
    let n = bins.len();
    if n < 7 {
        return None;
    }
    let light: Vec<Option<Vec<f64>>> = (0..SLABS)
        .map(|k| {
            let row: Vec<Option<f64>> = bins
                .iter()
                .map(|&j| slabs.light(k, j).map(|[r, g, b]| (r + g + b) / 3.0))
                .collect();
            filled(&row)
        })
        .collect();
    let seen: Vec<usize> = (0..SLABS).filter(|&k| light[k].is_some()).collect();
    if seen.len() < SLABS * 3 / 4 {
        return None;
    }
    let mean: Vec<f64> = (0..n)
        .map(|i| {
            seen.iter()
                .filter_map(|&k| Some(light[k].as_ref()?[i]))
                .sum::<f64>()
                / seen.len() as f64
        })
        .collect();
    let foot = 0.5 * (mean[0] + mean[n - 1]);
    let area: f64 = mean.iter().map(|v| v - foot).sum::<f64>() * profile.step_nm;
    let slope: Vec<f64> = (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            (mean[b] - mean[a]) / (b - a) as f64
        })
        .collect();
    let step = 0.02 * width;
    let wider: Vec<f64> = bins
        .iter()
        .map(|&j| {
            let d = slabs.path_nm(j).abs() - nm;
            area * (box_gauss(d, width + step, blur) - box_gauss(d, width - step, blur))
                / (2.0 * step)
        })
        .collect();
    let top = mean.iter().copied().fold(0.0, f64::max);
    if area <= 0.0 || top <= 0.0 {
        return None;
    }
    // By slab: height along the slit in its half lengths, and change of the box's width.
    let middle = 0.5 * (slabs.beta(0) + slabs.beta(SLABS - 1));
    let half =
        0.5 * (slabs.beta(SLABS - 1) - slabs.beta(0)) * SLABS as f64 / (SLABS as f64 - 1.0) / LIT;
    let changes: Vec<(f64, f64)> = seen
        .iter()
        .filter_map(|&k| {
            let row = light[k].as_ref()?;
            let change = if width > OPEN_PER_BLUR * blur {
                let x: Vec<f64> = bins.iter().map(|&j| slabs.path_nm(j).abs() - nm).collect();
                box_width(&x, row, (fwhm, blur))? - width
            } else {
                widening(row, [&mean, &slope, &wider])?
            };
            Some(((slabs.beta(k) - middle) / half, change))
        })
        .collect();
    let count = changes.len() as f64;
    if count < 8.0 {
        return None;
    }
    let (su, sv) = changes
        .iter()
        .fold((0.0, 0.0), |s, c| (s.0 + c.0, s.1 + c.1));
    let (mu, mv) = (su / count, sv / count);
    let suu: f64 = changes.iter().map(|c| (c.0 - mu).powi(2)).sum();
    let suv: f64 = changes.iter().map(|c| (c.0 - mu) * (c.1 - mv)).sum();
    let per_half = suv / suu;
    let rest: f64 = changes
        .iter()
        .map(|c| (c.1 - mv - per_half * (c.0 - mu)).powi(2))
        .sum();
    Some(Estimate::new(
        2.0 * per_half,
        2.0 * (rest / (count - 2.0) / suu).sqrt(),
    ))
}

/// Width of the box that fits a line's light `y` at `x`, behind a blur that is known.
fn box_width(x: &[f64], y: &[f64], (fwhm, blur): (f64, f64)) -> Option<f64> {
    let Interval { low, high } = Interval::of(y.iter().copied());
    let height = high - low;
    let parameters = [
        Parameter::free(0.0, 0.01 * fwhm),
        Parameter::free(height * fwhm, 0.01 * height * fwhm),
        Parameter::free(fwhm, 0.01 * fwhm).within(0.2 * fwhm, 2.0 * fwhm),
        Parameter::free(low, 0.01 * height),
        Parameter::free(0.0, 0.01 * height / fwhm),
    ];
    let fitted = least_squares(&parameters, y.len(), |p, out| {
        for i in 0..y.len() {
            let d = x[i] - p[0];
            let model = p[1] * box_gauss(d, p[2], blur) + p[3] + p[4] * d;
            out[i] = (y[i] - model) / (0.01 * height);
        }
    })?;
    Some(fitted.parameters[2])
}

/// How much wider the box behind `row` is than that behind the mean: of the mean, its slope and what widening adds to it, so
/// much of each as fits the row best, on a background of its own.
fn widening(row: &[f64], [mean, slope, wider]: [&[f64]; 3]) -> Option<f64> {
    let n = row.len();
    let top = mean.iter().copied().fold(0.0, f64::max);
    let parameters = [
        Parameter::free(1.0, 0.01),
        Parameter::free(0.0, 0.01),
        Parameter::free(0.0, 0.01),
        Parameter::free(0.0, 0.01 * top),
        Parameter::free(0.0, 0.01 * top / n as f64),
    ];
    let fitted = least_squares(&parameters, n, |p, out| {
        for i in 0..n {
            let model = p[0] * mean[i]
                + p[1] * slope[i]
                + p[2] * wider[i]
                + p[3]
                + p[4] * (i as f64 - 0.5 * n as f64);
            out[i] = (row[i] - model) / (0.01 * top);
        }
    })?;
    let gain = fitted.parameters[0];
    (gain > 0.2).then_some(fitted.parameters[2] / gain)
}

/// Share of the slit's half length that slabs cover.
const LIT: f64 = 0.90;
