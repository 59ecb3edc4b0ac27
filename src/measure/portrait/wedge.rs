//! Are the slit's blades parallel? Lines that one end of the slit makes wider than the other show a wedge.

use crate::measure::light::lineshape::{bisected, box_gauss, box_gauss_fwhm};
use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::profile::{Profile, SLABS, Slabs};
use crate::measure::optics::fit::{Parameter, least_squares};
use crate::measure::portrait::dust::filled;
use crate::terms::{Estimate, FWHM_PER_SIGMA, Interval, centroid};

/// What a line must stand out of the noise by, and of the spectrum's highest light, to be compared slab by slab.
const CLEAR_SNR: f64 = 15.0;
const STRONG_SHARE: f64 = 0.1;
/// A line with so much of the highest light disturbs another where its light reaches into what that one is measured in.
const FAINT_SHARE: f64 = 0.02;
/// Lines wider than the instrument's bandpass by this are two, or bands.
const AS_NARROW: f64 = 1.3;
/// So many lines at most, the strongest first.
const MOST_LINES: usize = 6;
/// How much the lens's blur may differ between the two ends of the slit, as a share of it (common practice, no source: a
/// phone's lens in the middle of its field).
const BLUR_SHARE: f64 = 0.03;

/// A slit so many times as wide as the blur is seen by itself in each slab.
const OPEN_PER_BLUR: f64 = 3.0;
/// A second box beside a line's leaves less of what one box does not explain than this share.
const BESIDE_LEAVES: f64 = 0.5;
/// Lines that run into a neighbour, and a slit that is not quite as wide as it is taken to be, make a wedge wrong by this
/// share of itself; unequal light along the slit by this share of the slit's width at least (drawn slits).
const NEIGHBOUR_SHARE: f64 = 0.15;
const LEAST_SHARE: f64 = 0.03;

/// A slit is taken to have this share of its width at least, however little is known of it.
const LEAST_OF_WIDTH: f64 = 0.3;
/// Maxima nearer to each other than this, nm, are the same one.
const SAME_NM: f64 = 0.1;
/// A box is not taken to be wider than this share of the line, so that something is left for the blur.
const WIDEST_BOX: f64 = 0.98;
/// A line is compared slab by slab in so many bins, and in so many slabs, at least…
const FEWEST_BINS: usize = 7;
const FEWEST_SLABS: usize = 8;
/// …of which each has this share of the mean's light.
const LEAST_GAIN: f64 = 0.2;

/// A line is measured to so many blurs beyond its flanks, and another's light reaches so many beyond its own (no source).
const REACH_BLURS: f64 = 3.0;
const OTHER_BLURS: f64 = 2.0;
/// Widths and blurs are varied by this share of themselves for what they change (no source).
const VARIED: f64 = 0.02;
/// A box is so wide at least and at most, as a share of the line; and the row it is fitted to is known to this share of its height (no
/// source).
const BOXES: (f64, f64) = (0.2, 2.0);
const ROW_SHARE: f64 = 0.01;
/// A second box is sought from so many widths of the line aside, with this share of its light (no source).
const STARTS_ASIDE: [f64; 4] = [-1.0, -0.5, 0.5, 1.0];
const START_SHARE: f64 = 0.2;

/// By how much the slit is wider at its end of higher β than at the other, in the unit of `slit` (nm of path): its width as
/// far as that is known, with its standard uncertainty.
///
/// Through an open slit every slab's line is fitted as a box, with the box beside it that the line's mean over the slit shows:
/// a line that another runs into keeps its own width. Through a narrow one every slab of a line is compared with that mean:
/// brighter or darker, shifted, and as a wider or narrower box would have it, behind the blur that is left of the line's
/// width. A slit near its blur's width hardly widens a line, so that its own uncertainty counts in full.
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
    let all = maxima(profile, CLEAR_SNR, FAINT_SHARE);
    lines.retain(|l| {
        let is_open = slit.value > OPEN_PER_BLUR * blur;
        !is_open || !all.iter().any(|other| reaches_into(other, l, blur))
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
    let least = (slit.value - slit.sigma).max(LEAST_OF_WIDTH * slit.value);
    let by_slit = 0.5 * (with(least)?.value - with(slit.value + slit.sigma)?.value).abs();
    // The same change of a line's width by a blur that is not the same everywhere.
    let (width, blur) = shape(narrowest, slit.value, blur);
    let (dw, db) = (VARIED * width, VARIED * blur);
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

/// So far from its middle (nm) a line is measured: to where its flanks have fallen to the ground, and some of that.
fn reach(line: &Maximum, blur: f64) -> f64 {
    0.5 * line.fwhm_nm + REACH_BLURS * blur
}

/// Does the light of `other` reach into what `line` is measured in?
fn reaches_into(other: &Maximum, line: &Maximum, blur: f64) -> bool {
    let apart = (other.nm - line.nm).abs();
    let is_itself = apart < SAME_NM;
    !is_itself && apart < reach(line, blur) + 0.5 * other.fwhm_nm + OTHER_BLURS * blur
}

/// Box and blur of a line of this width at half height through a slit of `width`. A slit as wide as the line leaves the blur
/// open: it is `most_blur` at most.
fn shape(fwhm: f64, width: f64, most_blur: f64) -> (f64, f64) {
    let width = width.min(WIDEST_BOX * fwhm);
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
    let reach = reach(line, blur);
    let bins: Vec<usize> = (0..slabs.len())
        .filter(|&j| (slabs.path_nm(j).abs() - nm).abs() < reach)
        .collect();
    let n = bins.len();
    if n < FEWEST_BINS {
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
    let step = VARIED * width;
    let x: Vec<f64> = bins.iter().map(|&j| slabs.path_nm(j).abs() - nm).collect();
    let of_box = |d: f64, by: f64| box_gauss(d, width + by, blur);
    let wider = x
        .iter()
        .map(|&d| area * (of_box(d, step) - of_box(d, -step)) / (2.0 * step));
    let wider: Vec<f64> = wider.collect();
    let top = mean.iter().copied().fold(0.0, f64::max);
    if area <= 0.0 || top <= 0.0 {
        return None;
    }
    // By slab: height along the slit in its half lengths, and change of the box's width.
    let middle = 0.5 * (slabs.beta(0) + slabs.beta(SLABS - 1));
    let half =
        0.5 * (slabs.beta(SLABS - 1) - slabs.beta(0)) * SLABS as f64 / (SLABS as f64 - 1.0) / LIT;
    let by_boxes = (width > OPEN_PER_BLUR * blur).then(|| beside(&x, &mean, (fwhm, blur)));
    let changes: Vec<(f64, f64)> = seen
        .iter()
        .filter_map(|&k| {
            let row = light[k].as_ref()?;
            let change = if let Some(beside) = by_boxes {
                boxes(&x, row, (fwhm, blur), beside, false)?.width - width
            } else {
                widening(row, [&mean, &slope, &wider])?
            };
            Some(((slabs.beta(k) - middle) / half, change))
        })
        .collect();
    if changes.len() < FEWEST_SLABS {
        return None;
    }
    let count = changes.len() as f64;
    let (mu, mv) = centroid(&changes);
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

/// A line beside another: so far from it (nm), with so much of its light.
#[derive(Clone, Copy)]
struct Beside {
    apart: f64,
    share: f64,
}

/// What a line's light is fitted with: a box behind a blur that is known, and one as wide beside it.
struct Boxes {
    width: f64,
    beside: Beside,
    chi_squared: f64,
}

/// Fits `y` at `x` (nm from the line's middle). The second box is `beside` or, where it `is_free`, starts there.
fn boxes(
    x: &[f64],
    y: &[f64],
    (fwhm, blur): (f64, f64),
    beside: Beside,
    is_free: bool,
) -> Option<Boxes> {
    let Interval { low, high } = Interval::of(y.iter().copied());
    let height = high - low;
    let parameters = [
        Parameter::free(0.0, 0.01 * fwhm),
        Parameter::free(height * fwhm, 0.01 * height * fwhm),
        Parameter::free(fwhm, 0.01 * fwhm).within(BOXES.0 * fwhm, BOXES.1 * fwhm),
        Parameter::free(low, 0.01 * height),
        Parameter::free(0.0, 0.01 * height / fwhm),
        Parameter::free(beside.apart, 0.01 * fwhm).only_if(is_free),
        Parameter::free(beside.share, 0.01)
            .within(0.0, 1.0)
            .only_if(is_free),
    ];
    let fitted = least_squares(&parameters, y.len(), |p, out| {
        for i in 0..y.len() {
            let d = x[i] - p[0];
            let model = p[1] * (box_gauss(d, p[2], blur) + p[6] * box_gauss(d - p[5], p[2], blur))
                + p[3]
                + p[4] * d;
            out[i] = (y[i] - model) / (ROW_SHARE * height);
        }
    })?;
    Some(Boxes {
        width: fitted.parameters[2],
        beside: Beside {
            apart: fitted.parameters[5],
            share: fitted.parameters[6],
        },
        chi_squared: fitted.chi_squared,
    })
}

/// The line beside this one, as its mean over the slit tells it: none where one box does as well.
fn beside(x: &[f64], mean: &[f64], form: (f64, f64)) -> Beside {
    let none = Beside {
        apart: form.0,
        share: 0.0,
    };
    let Some(alone) = boxes(x, mean, form, none, false) else {
        return none;
    };
    STARTS_ASIDE
        .into_iter()
        .filter_map(|at| {
            let start = Beside {
                apart: at * form.0,
                share: START_SHARE,
            };
            boxes(x, mean, form, start, true)
        })
        .min_by(|a, b| a.chi_squared.total_cmp(&b.chi_squared))
        .filter(|two| two.chi_squared < BESIDE_LEAVES * alone.chi_squared)
        .map_or(none, |two| two.beside)
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
            out[i] = (row[i] - model) / (ROW_SHARE * top);
        }
    })?;
    let gain = fitted.parameters[0];
    (gain > LEAST_GAIN).then_some(fitted.parameters[2] / gain)
}

/// Share of the slit's half length that slabs cover.
const LIT: f64 = 0.90;
