//! Peaks of a finished spectrum, each with centre, width, area, and the published line it agrees with.

use crate::measure::lineshape::FWHM_PER_SIGMA;
use crate::measure::peaks::maxima;
use crate::measure::profile::Profile;
use crate::measure::{Estimate, LampLine, Peak, PeakKind};

/// A centre is not known better than this share of the sampling, whatever the noise.
const FLOOR_NM: f64 = 0.02;

/// Finds and measures the peaks. `sigma_at` is the scale's own uncertainty by wavelength, nm.
pub fn peaks(profile: &Profile, bandpass_nm: f64, names: &[LampLine], sigma_at: &dyn Fn(f64) -> Option<f64>) -> Vec<Peak> {
    let found = maxima(profile, 6.0, 0.006);
    found
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
            let area: f64 = profile.light[from..to].iter().map(|v| (v - base).max(0.0)).sum::<f64>() * profile.step_nm;
            let noise = profile.sigma[peak.index];
            let area_sigma = noise * profile.step_nm * ((to - from) as f64).sqrt() * 1.5;
            let kind = if peak.fwhm_nm < 1.35 * bandpass_nm {
                PeakKind::Line
            } else if peak.fwhm_nm < 2.6 * bandpass_nm && peak.fwhm_nm < 6.0 {
                PeakKind::Merged
            } else {
                PeakKind::Band
            };
            let reach_nm = (3.0 * centre_sigma).max(0.35 * bandpass_nm).min(1.5);
            let name = if kind == PeakKind::Band {
                String::new()
            } else {
                names
                    .iter()
                    .filter(|l| l.width_nm == 0.0 && (l.wavelength_nm - peak.nm).abs() < reach_nm)
                    .min_by(|a, b| (a.wavelength_nm - peak.nm).abs().total_cmp(&(b.wavelength_nm - peak.nm).abs()))
                    .map(|l| l.name.clone())
                    .unwrap_or_default()
            };
            Peak {
                centre_nm: Estimate { value: peak.nm, sigma: centre_sigma },
                fwhm_nm: Estimate { value: peak.fwhm_nm, sigma: (1.5 * statistical).max(0.03 * peak.fwhm_nm) },
                height: Estimate { value: peak.prominence, sigma: noise },
                area: Estimate { value: area, sigma: area_sigma },
                kind,
                clipped: peak.clipped > 0.02,
                name,
            }
        })
        .collect()
}
