//! Peaks of a finished spectrum, each with centre, width, area, and the published line it agrees with.

use std::collections::BTreeMap;

use crate::measure::light::filter::moved_nm;
use crate::measure::light::lineshape::is_green;
use crate::measure::light::peaks::{Maximum, maxima};
use crate::measure::light::profile::Profile;
use crate::terms::{Estimate, FWHM_PER_SIGMA, LampLine, Peak, PeakKind};

/// A centre is not known better than this share of the bandpass, whatever the noise: which part of slit and pupil a light fills moves
/// the middle of its lines (drawn classes).
const FLOOR_SHARE: f64 = 0.012;
/// A line in a blend is known by its curvature to this share of the bandpass: what it leans on bends too (drawn lamps).
const LEANS: f64 = 0.05;
/// By what share a line has to be wider than the bandpass to be taken wholly for one that leans on something; from none to
/// this share its centre goes over from its middle to its bend, so that no centre hangs on a hair (drawn lamps).
const WIDENED: f64 = 0.2;
/// A blend's middle is that of no line: it is known to this share of what the blend is wider than a line.
const BLENDED: f64 = 0.15;
/// A line's middle is followed from half its height upwards and where it has fallen to a fifth of it, shares of the height…
const UPPER: [f64; 3] = [0.5, 0.6, 0.7];
const LOWER: [f64; 3] = [0.15, 0.2, 0.25];
/// …within so many widths at half height of its top: what has not fallen there has a neighbour that bends it.
const ALONE: f64 = 2.2;
/// A blend is so many bandpasses wide, in green light and in other; below that it may be a line whose colour a camera has
/// smoothed: blue and red ones are up to twice as wide as the green one that shows the bandpass.
const SURELY_A_BLEND: [f64; 2] = [1.7, 2.3];
/// A line's feet, a bandpass from its middle, differ by this share of its height where it leans on something; alone, by
/// a few hundredths.
const UNEVEN_FEET: f64 = 0.12;
/// What a peak stands out of the noise by, and of the spectrum's highest light.
const PEAK_SNR: f64 = 6.0;
const PEAK_SHARE: f64 = 0.006;
/// A peak is a line up to so many bandpasses, and a blend up to so many and up to so many nm; what is wider is a band.
const LINE_BANDPASSES: f64 = 1.35;
const BLEND_BANDPASSES: f64 = 2.6;
const WIDEST_BLEND_NM: f64 = 6.0;
/// A peak is called clipped where more than this share of it is.
const MOST_CLIPPED: f64 = 0.02;
/// No bend is looked for in what is wider than so many bandpasses…
const BENDS_BANDPASSES: f64 = 6.0;
/// …and one must stand out of the noise by this, and be so sharp as a share of the peak's height: a line of the whole height bends by
/// half of it over half its width.
const BEND_SNR: f64 = 5.0;
const BEND_SHARE: f64 = 0.3;
/// Of two bends in a blend the sharper one is the line's if it is so many times as sharp.
const SHARPER: f64 = 1.5;

/// A peak is no narrower than so many steps of the profile; neighbouring bins share their noise, which counts so many times; and no
/// width is known better than this share of it (no source).
const LEAST_STEPS: f64 = 1.5;
const SHARED_NOISE: f64 = 1.5;
const WIDTH_SHARE: f64 = 0.03;
/// A peak's area is summed over so many widths to either side, and its bend is looked for within so many (no source).
const AREA_WIDTHS: f64 = 1.2;
const BEND_WIDTHS: f64 = 0.7;
/// Another top within this share of a peak's width is its own, half parted (no source).
const HALF_PARTED: f64 = 0.5;
/// A published line is a peak's within so many uncertainties, or this share of the bandpass, but never beyond so many nm (no source).
const NAMED_SIGMAS: f64 = 3.0;
const NAMED_BANDPASS: f64 = 0.35;
const NAMED_MOST_NM: f64 = 1.5;

/// Finds and measures the peaks. `sigma_at` is the scale's own uncertainty by wavelength, nm, and `instrument_sigma_at` the part of
/// it that the lamp photo left open of the instrument.
pub fn peaks(
    profile: &Profile,
    bandpass_nm: f64,
    names: &[LampLine],
    sigma_at: &dyn Fn(f64) -> Option<f64>,
    instrument_sigma_at: &dyn Fn(f64) -> f64,
) -> Vec<Peak> {
    let found = maxima(profile, PEAK_SNR, PEAK_SHARE);
    let mut peaks: Vec<Peak> = found
        .iter()
        .map(|peak| {
            let fwhm = peak.fwhm_nm.max(LEAST_STEPS * profile.step_nm);
            // Photon-limited centroid of a Gaussian: σ/√N, here height over noise in FWHM/step samples.
            let samples = (fwhm / profile.step_nm).max(1.0);
            let statistical =
                fwhm / FWHM_PER_SIGMA / (peak.snr * samples.sqrt()).max(1.0) * SHARED_NOISE;
            let scale = sigma_at(peak.nm).unwrap_or(0.0);
            let mut centre_nm = peak.nm;
            let filters = moved_nm(peak.nm, peak.fwhm_nm.min(bandpass_nm));
            let mut centre_sigma = statistical
                .hypot(FLOOR_SHARE * bandpass_nm)
                .hypot(filters)
                .hypot(lean_nm(profile, peak));
            let reach = (AREA_WIDTHS * fwhm / profile.step_nm) as usize;
            let base = peak.height - peak.prominence;
            let from = peak.index.saturating_sub(reach);
            let to = (peak.index + reach + 1).min(profile.len());
            let area: f64 = profile.light[from..to]
                .iter()
                .map(|v| (v - base).max(0.0))
                .sum::<f64>()
                * profile.step_nm;
            let noise = profile.sigma[peak.index];
            let area_sigma = noise * profile.step_nm * ((to - from) as f64).sqrt() * SHARED_NOISE;
            let mut kind = if peak.fwhm_nm < LINE_BANDPASSES * bandpass_nm {
                PeakKind::Line
            } else if peak.fwhm_nm < BLEND_BANDPASSES * bandpass_nm
                && peak.fwhm_nm < WIDEST_BLEND_NM
            {
                PeakKind::Merged
            } else {
                PeakKind::Band
            };
            let surely = SURELY_A_BLEND[usize::from(!is_green(peak.nm))];
            let is_half_parted = found.iter().any(|other| {
                other.index != peak.index && (other.nm - peak.nm).abs() < HALF_PARTED * peak.fwhm_nm
            });
            let is_uneven = is_half_parted
                || peak.fwhm_nm > surely * bandpass_nm
                || has_uneven_feet(profile, peak, bandpass_nm);
            let bend = is_uneven.then(|| line_in_blend(profile, peak, &found, bandpass_nm));
            if let Some(Estimate { value: nm, sigma }) = bend.flatten() {
                // What is no wider than a line has not been widened by what it leans on; it may have been moved by it.
                let widened = (peak.fwhm_nm / bandpass_nm - 1.0) / WIDENED;
                let leaning = widened.clamp(0.0, 1.0);
                if leaning > 0.0 {
                    kind = PeakKind::Merged;
                }
                let aside = nm - centre_nm;
                centre_nm += leaning * aside;
                centre_sigma = centre_sigma
                    .hypot((1.0 - leaning) * aside)
                    .hypot(leaning * sigma)
                    .hypot(leaning * LEANS * bandpass_nm);
            } else if kind == PeakKind::Merged {
                centre_sigma = centre_sigma.hypot(BLENDED * (peak.fwhm_nm - bandpass_nm));
            }
            Peak {
                centre_nm: Estimate::new(centre_nm, centre_sigma.hypot(scale)),
                own_sigma_nm: centre_sigma,
                instrument_sigma_nm: instrument_sigma_at(peak.nm),
                fwhm_nm: Estimate::new(
                    peak.fwhm_nm,
                    (SHARED_NOISE * statistical).max(WIDTH_SHARE * peak.fwhm_nm),
                ),
                height: Estimate::new(peak.prominence, noise),
                area: Estimate::new(area, area_sigma),
                kind,
                clipped: peak.clipped > MOST_CLIPPED,
                name: String::new(),
            }
        })
        .collect();
    name(&mut peaks, bandpass_nm, names);
    peaks
}

/// By how much the middle of a line that stands alone lies to one side at its foot, nm, beyond what noise does: a lens's coma
/// spreads light to one side, less or more from place to place, and a line lies somewhere between. 0 for one that has a neighbour.
fn lean_nm(profile: &Profile, peak: &Maximum) -> f64 {
    let reach = (ALONE * peak.fwhm_nm / profile.step_nm) as usize;
    let base = peak.height - peak.prominence;
    let crossing = |level: f64, places: &mut dyn Iterator<Item = usize>| -> Option<f64> {
        let limit = base + level * peak.prominence;
        let mut inside = peak.index;
        for i in places.take(reach) {
            if profile.light[i] < limit {
                let (a, b) = (profile.light[inside], profile.light[i]);
                let share = ((a - limit) / (a - b)).clamp(0.0, 1.0);
                return Some(inside as f64 + share * (i as f64 - inside as f64));
            }
            inside = i;
        }
        None
    };
    let middle = |levels: [f64; 3]| -> Option<f64> {
        let mut sum = 0.0;
        for level in levels {
            let left = crossing(level, &mut (0..peak.index).rev())?;
            let right = crossing(level, &mut (peak.index + 1..profile.len()))?;
            sum += 0.5 * (left + right) / levels.len() as f64;
        }
        Some(sum)
    };
    let Some((upper, lower)) = middle(UPPER).zip(middle(LOWER)) else {
        return 0.0;
    };
    // At a flank light changes by its height over about a width.
    let noise = peak.fwhm_nm / peak.snr;
    let lean = (lower - upper) * profile.step_nm;
    (lean * lean - noise * noise).max(0.0).sqrt()
}

/// True where one foot of a line stands in something and the other does not.
fn has_uneven_feet(profile: &Profile, peak: &Maximum, bandpass_nm: f64) -> bool {
    let foot = |nm: f64| profile.index(nm).map(|i| profile.light[i]);
    match (foot(peak.nm - bandpass_nm), foot(peak.nm + bandpass_nm)) {
        (Some(a), Some(b)) => (a - b).abs() > UNEVEN_FEET * peak.prominence,
        _ => false,
    }
}

/// A sharp line that leans on something broader (mercury's 546 nm on its phosphor's shoulder): the place, nm, where the
/// blend bends most, with its standard uncertainty from the noise. Absent where nothing bends as a line does, or where
/// two places bend much alike. A bend belongs to the nearest of all `maxima`: half-parted lines each keep their own.
///
/// The second derivative makes a line stand out of a blend by the square of the widths' ratio (derivative spectroscopy,
/// common practice, no source).
fn line_in_blend(
    profile: &Profile,
    peak: &Maximum,
    maxima: &[Maximum],
    bandpass_nm: f64,
) -> Option<Estimate> {
    if peak.fwhm_nm > BENDS_BANDPASSES * bandpass_nm || peak.clipped > MOST_CLIPPED {
        return None;
    }
    let apart = ((0.5 * bandpass_nm / profile.step_nm).round() as usize).max(1);
    let reach = ((BEND_WIDTHS * peak.fwhm_nm / profile.step_nm).round() as usize).max(2);
    let wide = apart.div_ceil(2);
    let first = peak.index.checked_sub(reach)?;
    let around = apart + wide / 2;
    if first < around || peak.index + reach + around >= profile.len() {
        return None;
    }
    let mean = |i: usize| -> f64 {
        let values = &profile.light[i - wide / 2..=i + wide / 2];
        values.iter().sum::<f64>() / values.len() as f64
    };
    // Of one bin, twice the middle less both sides: √6; less by what the means take off.
    let noise = 6f64.sqrt() * profile.sigma[peak.index] / ((wide / 2 * 2 + 1) as f64).sqrt();
    let bend: Vec<f64> = (first..=first + 2 * reach)
        .map(|i| 2.0 * mean(i) - mean(i - apart) - mean(i + apart))
        .collect();
    let is_own = |i: usize| {
        let own = i.abs_diff(peak.index);
        maxima.iter().all(|other| own <= i.abs_diff(other.index))
    };
    let mut tops: Vec<usize> = (1..bend.len() - 1)
        .filter(|&i| bend[i] >= bend[i - 1] && bend[i] > bend[i + 1] && bend[i] > 0.0)
        .filter(|&i| is_own(first + i))
        .collect();
    tops.sort_by(|&a, &b| bend[b].total_cmp(&bend[a]));
    let &top = tops.first()?;
    let second = tops.get(1).map_or(0.0, |&i| bend[i]);
    let least = (BEND_SNR * noise).max(BEND_SHARE * peak.prominence);
    if bend[top] < least.max(SHARPER * second) {
        return None;
    }
    let (a, b, c) = (bend[top - 1], bend[top], bend[top + 1]);
    let curve = 2.0 * b - a - c;
    if curve <= 0.0 {
        return None;
    }
    let nm = profile.nm((first + top) as f64 + 0.5 * (c - a) / curve);
    Some(Estimate::new(nm, 0.5 * bandpass_nm * noise / b))
}

/// Where a phone sees well enough for a missing line to be missing.
const WELL_SEEN_NM: std::ops::Range<f64> = 420.0..680.0;

/// What is narrower than this by itself is a line, or a pair that no hand-built slit parts (sodium's).
const A_LINE_NM: f64 = 1.0;

/// The element of a line: the first word of its name.
pub fn element(line: &LampLine) -> String {
    line.name.split(' ').next().unwrap_or("").to_owned()
}

/// The weaker of two lines that make one peak has so much of the stronger one's light at least.
const PAIR_SHARE: f64 = 0.3;

/// True where `line` and `other` are of one element and alike in strength, nearer to each other than their peak is wide, and the
/// spectrum has no peak of the other's own: what is named after one is both (mercury's yellow pair).
fn is_unparted(line: &LampLine, other: &LampLine, wide_nm: f64, peaks_nm: &[f64]) -> bool {
    let apart_nm = (line.wavelength_nm - other.wavelength_nm).abs();
    let (low, high) = (
        line.strength.min(other.strength),
        line.strength.max(other.strength),
    );
    let is_own = |nm: &f64| {
        let (own, its) = (nm - line.wavelength_nm, nm - other.wavelength_nm);
        its.abs() < own.abs() && its.abs() < 0.5 * apart_nm
    };
    apart_nm > 0.0
        && apart_nm < wide_nm
        && element(line) == element(other)
        && low > PAIR_SHARE * high
        && !peaks_nm.iter().any(is_own)
}

/// A peak of two lines lies so far from the nearer one at least, share of their distance.
const PAIR_LEANS: f64 = 0.2;

/// True where a peak that is nearest to `line` may lie as far towards `other` as the two together do.
fn leans(centre_nm: Estimate, line: &LampLine, other: &LampLine) -> bool {
    let apart_nm = other.wavelength_nm - line.wavelength_nm;
    let towards = (centre_nm.value - line.wavelength_nm) / apart_nm;
    towards + centre_nm.sigma / apart_nm.abs() > PAIR_LEANS
}

/// Names the lines: an element whose lines explain more of the spectrum's light goes before one that happens to have a
/// line at the place.
pub fn name(peaks: &mut [Peak], bandpass_nm: f64, names: &[LampLine]) {
    let near = |peak: &Peak, line: &LampLine| {
        let reach_nm = (NAMED_SIGMAS * peak.centre_nm.sigma)
            .max(NAMED_BANDPASS * bandpass_nm)
            .min(NAMED_MOST_NM);
        peak.kind != PeakKind::Band
            && line.width_nm < A_LINE_NM
            && (line.wavelength_nm - peak.centre_nm.value).abs() < reach_nm
    };
    // An element shows its strongest line, or it is not there: its weaker ones alone agree with others by chance.
    let mut strongest: BTreeMap<String, &LampLine> = BTreeMap::new();
    for line in names {
        if line.width_nm < A_LINE_NM && WELL_SEEN_NM.contains(&line.wavelength_nm) {
            let best = strongest.entry(element(line)).or_insert(line);
            if line.strength > best.strength {
                *best = line;
            }
        }
    }
    let there = |e: &str| {
        strongest
            .get(e)
            .is_none_or(|line| peaks.iter().any(|peak| near(peak, line)))
    };
    let names: Vec<&LampLine> = names.iter().filter(|line| there(&element(line))).collect();
    let mut explained: BTreeMap<String, f64> = BTreeMap::new();
    for peak in peaks.iter() {
        let mut elements: Vec<String> = names
            .iter()
            .filter(|l| near(peak, l))
            .map(|l| element(l))
            .collect();
        elements.dedup();
        elements.sort();
        elements.dedup();
        for e in elements {
            *explained.entry(e).or_default() += peak.height.value.max(0.0).sqrt();
        }
    }
    let centres_nm: Vec<f64> = peaks.iter().map(|peak| peak.centre_nm.value).collect();
    for peak in peaks.iter_mut() {
        let weight = |line: &LampLine| explained.get(&element(line)).copied().unwrap_or(0.0);
        let distance = |line: &LampLine| (line.wavelength_nm - peak.centre_nm.value).abs();
        let best = names.iter().filter(|l| near(peak, l)).max_by(|a, b| {
            weight(a)
                .total_cmp(&weight(b))
                .then(distance(b).total_cmp(&distance(a)))
        });
        // Other lines may be narrower than these two together.
        let wide_nm = bandpass_nm.max(peak.fwhm_nm.value);
        let pair = best.and_then(|line| {
            let both = |other: &&&LampLine| {
                is_unparted(line, other, wide_nm, &centres_nm) && leans(peak.centre_nm, line, other)
            };
            let other = names.iter().find(both)?;
            let (a, b) = if line.wavelength_nm < other.wavelength_nm {
                (line, other)
            } else {
                (other, line)
            };
            let second = b.name.split_once(' ')?.1;
            Some(format!("{}+{second}", a.name))
        });
        peak.name = pair.or(best.map(|l| l.name.clone())).unwrap_or_default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines of one height and width, of which the last has a tail of `tail` of its height a width to the long side.
    fn profile(tail: f64) -> Profile {
        const STEP_NM: f64 = 0.1;
        let bell = |nm: f64, at: f64| (-0.5 * ((nm - at) / 0.8).powi(2)).exp();
        let light: Vec<f64> = (0..1000)
            .map(|i| 500.0 + STEP_NM * f64::from(i))
            .map(|nm| bell(nm, 530.0) + bell(nm, 570.0) + tail * bell(nm, 571.9))
            .collect();
        Profile {
            sign: 1.0,
            start_nm: 500.0,
            step_nm: STEP_NM,
            rgb: light.iter().map(|v| [*v; 3]).collect(),
            rgb_sigma: vec![[1e-3; 3]; light.len()],
            sigma: vec![1e-3; light.len()],
            clipped: vec![0.0; light.len()],
            background: vec![0.0; light.len()],
            light,
        }
    }

    #[test]
    fn a_line_that_leans_is_known_less_well_by_about_what_it_leans() {
        let sigmas = |tail: f64| -> Vec<f64> {
            let found = peaks(&profile(tail), 1.9, &[], &|_| None, &|_| 0.0);
            found.iter().map(|peak| peak.centre_nm.sigma).collect()
        };
        let (even, leaning) = (sigmas(0.0), sigmas(0.2));
        assert_eq!((even.len(), leaning.len()), (2, 2));
        assert!(
            (even[0] - even[1]).abs() < 1e-3 && even[0] < 0.03,
            "{even:?}"
        );
        assert!((leaning[0] - even[0]).abs() < 1e-3, "{leaning:?}");
        assert!((0.1..0.4).contains(&leaning[1]), "{leaning:?}");
    }

    fn line(wavelength_nm: f64, strength: f64) -> LampLine {
        LampLine {
            wavelength_nm,
            sigma_nm: 0.0,
            strength,
            name: format!("Hg {wavelength_nm:.2}"),
            fit: true,
            width_nm: 0.0,
        }
    }

    fn peak(centre_nm: f64) -> Peak {
        Peak {
            centre_nm: Estimate::new(centre_nm, 0.1),
            own_sigma_nm: 0.05,
            instrument_sigma_nm: 0.05,
            fwhm_nm: Estimate::new(3.0, 0.1),
            height: Estimate::new(0.3, 0.01),
            area: Estimate::new(0.9, 0.01),
            kind: PeakKind::Line,
            clipped: false,
            name: String::new(),
        }
    }

    fn named(bandpass_nm: f64, centres_nm: &[f64]) -> Vec<String> {
        let names = [line(546.07, 1.0), line(576.96, 0.3), line(579.07, 0.3)];
        let mut peaks: Vec<Peak> = centres_nm.iter().map(|nm| peak(*nm)).collect();
        name(&mut peaks, bandpass_nm, &names);
        peaks.into_iter().map(|peak| peak.name).collect()
    }

    #[test]
    fn lines_that_run_together_are_named_as_both_and_parted_ones_each() {
        for bandpass_nm in [1.9, 3.0] {
            let named = |centres_nm: &[f64]| named(bandpass_nm, centres_nm);
            assert_eq!(named(&[546.1, 577.55]), ["Hg 546.07", "Hg 576.96+579.07"]);
            assert_eq!(
                named(&[546.1, 577.0, 579.0]),
                ["Hg 546.07", "Hg 576.96", "Hg 579.07"]
            );
            assert_eq!(named(&[546.1, 579.1]), ["Hg 546.07", "Hg 579.07"]);
        }
    }
}
