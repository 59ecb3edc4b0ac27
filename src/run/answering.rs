//! What a photo's spectrum answers beyond its peaks, gathered for its record. The arithmetic is that of `answers`.

use crate::answers::bands::{bands, edge};
use crate::answers::identify::identify;
use crate::classify::Purpose;
use crate::publish::numbers::rounded_estimate;
use crate::publish::record::{Answers, BandAnswer, CONCENTRATION, LampAnswer, SERIES};
use crate::terms::{AbsorbanceRow, Estimate, Lamp, Measurement, ScaleKind};
use crate::terms::{Capture, Quantity};

/// What can be said of a measured photo. Only spectra on a calibrated scale answer anything.
pub(super) fn answers(
    purpose: Option<&Purpose>,
    m: &Measurement,
    absorbance: Option<&[AbsorbanceRow]>,
    lamps: &[Lamp],
) -> Answers {
    let mut answers = Answers::default();
    let (Some(purpose), Some(spectrum)) = (purpose, &m.spectrum) else {
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
        let sigma_nm = m.metrics.value(Quantity::WavelengthSigmaNm).unwrap_or(0.5);
        let rows: Vec<_> = spectrum
            .rows
            .iter()
            .zip(rows)
            .map(|(row, a)| (row.wavelength_nm, a.absorbance))
            .collect();
        answers.absorption_bands = bands(&rows, sigma_nm)
            .into_iter()
            .filter_map(|band| {
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
            })
            .collect();
    }
    let passed: Vec<_> = absorbance
        .unwrap_or_default()
        .iter()
        .zip(&spectrum.rows)
        .map(|(a, row)| (row.wavelength_nm, a.transmittance))
        .collect();
    if let Some(found) = edge(
        &passed,
        m.metrics.value(Quantity::WavelengthSigmaNm).unwrap_or(0.5),
    ) && let Some(nm) = rounded_estimate(found.nm)
    {
        let numbers = &mut answers.numbers;
        numbers.insert("transmission_edge_nm".to_owned(), nm.value);
        numbers.insert("transmission_edge_nm_sigma".to_owned(), nm.sigma);
        let width_nm = (10.0 * found.width_nm).round() / 10.0;
        numbers.insert("transmission_edge_width_nm".to_owned(), width_nm);
    }
    // The light of a series' photos is its lamp's, through a solution.
    if purpose.groups.contains_key(SERIES) || purpose.groups.contains_key(CONCENTRATION) {
        return answers;
    }
    let bandpass_nm = m.metrics.value(Quantity::BandpassNm).unwrap_or(2.0);
    let found = identify(spectrum, &m.peaks, bandpass_nm, lamps);
    let mut note = |name: &str, e: Option<Estimate>| {
        if let Some(e) = e.and_then(rounded_estimate) {
            answers.numbers.insert(name.to_owned(), e.value);
            answers.numbers.insert(format!("{name}_sigma"), e.sigma);
        }
    };
    note("laser_nm", found.laser_nm);
    note("led_peak_nm", found.led.map(|l| l.peak_nm));
    note("led_centroid_nm", found.led.map(|l| l.centroid_nm));
    note("led_half_width_nm", found.led.map(|l| l.half_width_nm));
    let strongest = m
        .peaks
        .iter()
        .max_by(|a, b| a.height.value.total_cmp(&b.height.value));
    note("strongest_peak_nm", strongest.map(|p| p.centre_nm));
    let round = |share: f64| (1000.0 * share).round() / 1000.0;
    answers.lamp = Some(LampAnswer {
        name: found.name,
        score: round(found.score),
        runner_up: found.runner_up.0,
        runner_up_score: round(found.runner_up.1),
    });
    answers
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::Spectrum;
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
        let found = answers(Some(&purpose), &m, None, &[]);
        assert!(found.lamp.is_none() && found.numbers.is_empty());
        assert!(found.refused[0].starts_with("no-scale"), "{found:?}");
        let unlit = answers(Some(&purpose), &Measurement::default(), None, &[]);
        assert_eq!(unlit, Answers::default());
    }
}
