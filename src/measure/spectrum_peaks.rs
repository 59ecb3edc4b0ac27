//! Peaks of a finished spectrum, each with centre, width, area, and the published line it agrees with.

use std::collections::BTreeMap;

use crate::measure::lineshape::FWHM_PER_SIGMA;
use crate::measure::peaks::maxima;
use crate::measure::profile::Profile;
use crate::measure::{Estimate, LampLine, Peak, PeakKind};

/// A centre is not known better than this share of the sampling, whatever the noise.
const FLOOR_NM: f64 = 0.01;

/// Finds and measures the peaks. `sigma_at` is the scale's own uncertainty by wavelength, nm.
pub fn peaks(
    profile: &Profile,
    bandpass_nm: f64,
    names: &[LampLine],
    sigma_at: &dyn Fn(f64) -> Option<f64>,
) -> Vec<Peak> {
    let found = maxima(profile, 6.0, 0.006);
    let mut peaks: Vec<Peak> = found
        .iter()
        .map(|peak| {
            let fwhm = peak.fwhm_nm.max(1.5 * profile.step_nm);
            // Photon-limited centroid of a Gaussian: σ/√N, here height over noise in FWHM/step samples.
            let samples = (fwhm / profile.step_nm).max(1.0);
            let statistical = fwhm / FWHM_PER_SIGMA / (peak.snr * samples.sqrt()).max(1.0) * 1.5;
            let scale = sigma_at(peak.nm).unwrap_or(0.0);
            let centre_sigma = statistical.hypot(FLOOR_NM).hypot(scale);
            let reach = (1.2 * fwhm / profile.step_nm) as usize;
            let base = peak.height - peak.prominence;
            let from = peak.index.saturating_sub(reach);
            let to = (peak.index + reach + 1).min(profile.len());
            let area: f64 = profile.light[from..to]
                .iter()
                .map(|v| (v - base).max(0.0))
                .sum::<f64>()
                * profile.step_nm;
            let noise = profile.sigma[peak.index];
            let area_sigma = noise * profile.step_nm * ((to - from) as f64).sqrt() * 1.5;
            let kind = if peak.fwhm_nm < 1.35 * bandpass_nm {
                PeakKind::Line
            } else if peak.fwhm_nm < 2.6 * bandpass_nm && peak.fwhm_nm < 6.0 {
                PeakKind::Merged
            } else {
                PeakKind::Band
            };
            Peak {
                centre_nm: Estimate {
                    value: peak.nm,
                    sigma: centre_sigma,
                },
                fwhm_nm: Estimate {
                    value: peak.fwhm_nm,
                    sigma: (1.5 * statistical).max(0.03 * peak.fwhm_nm),
                },
                height: Estimate {
                    value: peak.prominence,
                    sigma: noise,
                },
                area: Estimate {
                    value: area,
                    sigma: area_sigma,
                },
                kind,
                clipped: peak.clipped > 0.02,
                name: String::new(),
            }
        })
        .collect();
    name(&mut peaks, bandpass_nm, names);
    peaks
}

/// Where a phone sees well enough for a missing line to be missing.
const WELL_SEEN_NM: std::ops::Range<f64> = 420.0..680.0;

/// What is narrower than this by itself is a line, or a pair that no hand-built slit parts (sodium's).
const A_LINE_NM: f64 = 1.0;

/// The element of a line: the first word of its name.
pub fn element(line: &LampLine) -> String {
    line.name.split(' ').next().unwrap_or("").to_owned()
}

/// Names the lines: an element whose lines explain more of the spectrum's light goes before one that happens to have a
/// line at the place.
fn name(peaks: &mut [Peak], bandpass_nm: f64, names: &[LampLine]) {
    let near = |peak: &Peak, line: &LampLine| {
        let reach_nm = (3.0 * peak.centre_nm.sigma)
            .max(0.35 * bandpass_nm)
            .min(1.5);
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
    for peak in peaks.iter_mut() {
        let weight = |line: &LampLine| explained.get(&element(line)).copied().unwrap_or(0.0);
        let distance = |line: &LampLine| (line.wavelength_nm - peak.centre_nm.value).abs();
        let best = names.iter().filter(|l| near(peak, l)).max_by(|a, b| {
            weight(a)
                .total_cmp(&weight(b))
                .then(distance(b).total_cmp(&distance(a)))
        });
        peak.name = best.map(|l| l.name.clone()).unwrap_or_default();
    }
}
