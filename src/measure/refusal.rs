//! What is said of a photo that gives no spectrum, or none on a scale.

use crate::measure::sight::NoSight;
use crate::terms::{Code, Finding, Measurement, Quantity, Severity, Subject};

/// Why nothing is measured on a photo.
pub enum NoSpectrum {
    /// This share of the spectrum, 0…1, lies outside the picture.
    Outside(f64),
    /// The slit's image is hidden: no wavelength can be given better than to so many nm.
    Hidden(f64),
    /// There is nothing like a spectrum.
    Nothing(NoSight),
}

/// What is found where the slit and its light are only guessed at.
const FAINT: &str = "a slit and coloured light beside it, hardly above the noise";

impl NoSpectrum {
    /// Says so in the photo's measurement.
    pub fn note(self, m: &mut Measurement) {
        let finding = match self {
            NoSpectrum::Outside(share) => {
                let percent = format!("{:.0}", 100.0 * share);
                let measured = format!("{percent} % of the spectrum outside the picture");
                m.lacks(Subject::Everything, &measured);
                Finding::new(Code::Cropped, Severity::Retake, measured)
                    .with("amount_percent", percent)
            }
            NoSpectrum::Hidden(sigma_nm) => {
                let sigma_nm = format!("{sigma_nm:.0}");
                let measured = format!(
                    "the slit's image is hidden or off the picture: scale known to ± {sigma_nm} nm"
                );
                m.lacks(Subject::Scale, &measured);
                Finding::new(Code::PoorFit, Severity::Retake, measured).with("hidden_nm", sigma_nm)
            }
            NoSpectrum::Nothing(sight) => {
                m.metrics.set(Quantity::BackgroundLevel, sight.veil);
                m.lacks(Subject::Everything, &sight.why);
                if sight.is_faint {
                    return m
                        .findings
                        .push(Finding::new(Code::Dim, Severity::Retake, FAINT));
                }
                Finding::new(Code::NoSpectrum, Severity::Retake, &sight.why)
                    .with("found", &sight.why)
            }
        };
        m.findings.push(finding);
    }
}

/// Takes back what no scale holds for: the picture was cut after it was taken, and what was cut off nobody knows.
pub fn refuse_cut(m: &mut Measurement, how: &str) {
    m.spectrum = None;
    m.scale_kind = None;
    m.peaks.clear();
    // Both are of a spectrum that was looked for in the wrong place.
    m.metrics.set(Quantity::Snr, None);
    m.metrics.set(Quantity::PeakLevel, None);
    m.lacks(Subject::Scale, how);
    m.findings.retain(|f| f.code != Code::Cropped);
    let mut sentence = how.to_owned();
    sentence[..1].make_ascii_uppercase();
    let cropped = Finding::new(Code::Cropped, Severity::Retake, how).with("cut", sentence);
    m.findings.push(cropped);
}
