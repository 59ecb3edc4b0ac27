//! What a photo's spectrum answers beyond its peaks, gathered for its record. The arithmetic is that of `answers`.

use crate::answers::bands::{Row, bands, edge};
use crate::answers::identify::identify;
use crate::classify::Purpose;
use crate::publish::numbers::rounded_estimate;
use crate::publish::record::{Answers, BandAnswer, CONCENTRATION, LampAnswer, SERIES};
use crate::terms::{
    AbsorbanceRow, Capture, Estimate, Lamp, Measurement, Peak, Quantity, ScaleKind, Spectrum,
};

/// What the scale is trusted to, nm, where a photo does not say how well it is known.
const USUAL_SIGMA_NM: f64 = 0.5;
/// Width of an unresolved line, nm, where a photo shows none.
const USUAL_BANDPASS_NM: f64 = 2.0;

/// What can be said of a measured photo. Only spectra on a calibrated scale answer anything.
pub(super) fn answers(
    purpose: &Purpose,
    m: &Measurement,
    absorbance: Option<&[AbsorbanceRow]>,
    lamps: &[Lamp],
) -> Answers {
    let mut answers = Answers::default();
    let Some(spectrum) = &m.spectrum else {
        return answers;
    };
    if !matches!(purpose.capture, Capture::Sample | Capture::Calibration) {
        return answers;
    }
    if m.scale_kind != Some(ScaleKind::Calibrated) {
        let why = "no-scale: a lamp is known and a peak placed on a calibrated scale only; photograph the calibration lamp";
        answers.refused.push(why.to_owned());
        return answers;
    }
    if let Some(rows) = absorbance {
        let sigma_nm = m.metrics.value(Quantity::WavelengthSigmaNm);
        let sigma_nm = sigma_nm.unwrap_or(USUAL_SIGMA_NM);
        absorber(spectrum, rows, sigma_nm, &mut answers);
    }
    if !is_solution(purpose) {
        light(spectrum, m, lamps, &mut answers);
    }
    answers
}

/// True where rule, slate or table say that the photo is one of a series: its light is the blank's lamp's, through a solution.
pub(super) fn is_solution(purpose: &Purpose) -> bool {
    [SERIES, CONCENTRATION]
        .iter()
        .any(|name| purpose.groups.contains_key(*name))
}

/// Of what stood in the light: its bands, and the edge of what it lets through.
fn absorber(spectrum: &Spectrum, rows: &[AbsorbanceRow], sigma_nm: f64, answers: &mut Answers) {
    let by_wavelength = |of: fn(&AbsorbanceRow) -> Option<Estimate>| -> Vec<Row> {
        let wavelengths = spectrum.rows.iter().map(|row| row.wavelength_nm);
        wavelengths.zip(rows.iter().map(of)).collect()
    };
    let found = bands(&by_wavelength(|row| row.absorbance), sigma_nm);
    let answered = found.into_iter().filter_map(|band| {
        let centre = rounded_estimate(band.centre_nm)?;
        let width = rounded_estimate(band.fwhm_nm)?;
        let height = rounded_estimate(band.absorbance)?;
        Some(BandAnswer {
            centre_nm: centre.value,
            centre_sigma_nm: centre.sigma,
            fwhm_nm: width.value,
            fwhm_sigma_nm: width.sigma,
            absorbance: height.value,
            absorbance_sigma: height.sigma,
        })
    });
    answers.absorption_bands = answered.collect();
    if let Some(found) = edge(&by_wavelength(|row| row.transmittance), sigma_nm)
        && note(answers, "transmission_edge_nm", Some(found.nm))
    {
        let width_nm = (10.0 * found.width_nm).round() / 10.0;
        let name = "transmission_edge_width_nm".to_owned();
        answers.numbers.insert(name, width_nm);
    }
}

/// Of the light itself: which lamp it is, and where it is brightest.
fn light(spectrum: &Spectrum, m: &Measurement, lamps: &[Lamp], answers: &mut Answers) {
    let bandpass_nm = m.metrics.value(Quantity::BandpassNm);
    let bandpass_nm = bandpass_nm.unwrap_or(USUAL_BANDPASS_NM);
    let found = identify(spectrum, &m.peaks, bandpass_nm, lamps);
    let heights = |a: &&Peak, b: &&Peak| a.height.value.total_cmp(&b.height.value);
    let strongest = m.peaks.iter().max_by(heights);
    for (name, estimate) in [
        ("laser_nm", found.laser_nm),
        ("led_peak_nm", found.led.map(|l| l.peak_nm)),
        ("led_centroid_nm", found.led.map(|l| l.centroid_nm)),
        ("led_half_width_nm", found.led.map(|l| l.half_width_nm)),
        ("strongest_peak_nm", strongest.map(|p| p.centre_nm)),
    ] {
        note(answers, name, estimate);
    }
    let round = |share: f64| (1000.0 * share).round() / 1000.0;
    answers.lamp = Some(LampAnswer {
        name: found.name,
        score: round(found.score),
        runner_up: found.runner_up.0,
        runner_up_score: round(found.runner_up.1),
    });
}

/// Takes down a number with its uncertainty; false where there is nothing to take down.
fn note(answers: &mut Answers, name: &str, estimate: Option<Estimate>) -> bool {
    let Some(estimate) = estimate.and_then(rounded_estimate) else {
        return false;
    };
    let numbers = &mut answers.numbers;
    numbers.insert(name.to_owned(), estimate.value);
    numbers.insert(format!("{name}_sigma"), estimate.sigma);
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    #[test]
    fn on_a_provisional_scale_nothing_is_answered_and_the_reason_is_given() {
        let purpose = Purpose {
            capture: Capture::Sample,
            bench: "heron".to_owned(),
            lamp: String::new(),
            label: "quay".to_owned(),
            groups: BTreeMap::new(),
        };
        let m = Measurement {
            spectrum: Some(Spectrum {
                step_nm: 1.0,
                rows: Vec::new(),
            }),
            scale_kind: Some(ScaleKind::Provisional),
            ..Measurement::default()
        };
        let found = answers(&purpose, &m, None, &[]);
        assert!(found.lamp.is_none() && found.numbers.is_empty());
        assert!(found.refused[0].starts_with("no-scale"), "{found:?}");
        let unlit = answers(&purpose, &Measurement::default(), None, &[]);
        assert_eq!(unlit, Answers::default());
    }
}
