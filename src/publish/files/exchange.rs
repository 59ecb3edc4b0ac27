//! `spectrum.jdx` and `absorbance.jdx`: a photo's spectrum as JCAMP-DX, for programs that read no CSV. The form is that of
//! `answers::jcamp`.

use crate::answers::jcamp::{Head, even, pairs};
use crate::publish::record::Record;
use crate::terms::{AbsorbanceRow, Quantity, Spectrum};

/// The spectrum for spectroscopy programs.
pub const SPECTRUM_JDX: &str = "spectrum.jdx";
/// The absorbance for them.
pub const ABSORBANCE_JDX: &str = "absorbance.jdx";

/// Name and text of each file; none on a provisional scale, which other programs would take at its word.
pub fn files(
    record: &Record,
    spectrum: &Spectrum,
    absorbance: Option<&[AbsorbanceRow]>,
) -> Vec<(&'static str, String)> {
    let first = spectrum.rows.first();
    let Some(first) = first.filter(|_| record.is_calibrated()) else {
        return Vec::new();
    };
    let lamp = record.calibration.as_ref().and_then(|c| c.photo.as_deref());
    let mut remarks = vec![format!("photo {}", record.photo)];
    if let Some(lamp) = lamp {
        remarks.push(format!("wavelengths in air, scale from {lamp}"));
    }
    if let Some(sigma) = record.scale_sigma_nm() {
        remarks.push(format!("standard uncertainty of the scale {sigma} nm"));
    }
    let title = |what: &str| format!("{}: {what}", record.label);
    let (signal, absorbed) = (title("signal, share of full scale"), title("absorbance"));
    let head = |title, y_units, remarks| Head {
        title,
        origin: &record.bench,
        taken: record.taken.as_deref(),
        y_units,
        resolution_nm: record.metrics.value(Quantity::BandpassNm),
        remarks,
    };
    let mut files = Vec::new();
    let signals: Vec<f64> = spectrum.rows.iter().map(|r| r.signal).collect();
    let plain = head(&signal, "ARBITRARY UNITS", remarks.clone());
    let text = even(&plain, first.wavelength_nm, spectrum.step_nm, &signals);
    files.extend(text.map(|t| (SPECTRUM_JDX, t)));
    if let Some(rows) = absorbance {
        if let Some(blank) = record.provenance.blank.keys().next() {
            remarks.push(format!("against {blank}"));
        }
        let points: Vec<(f64, f64)> = spectrum
            .rows
            .iter()
            .zip(rows)
            .filter_map(|(row, a)| Some((row.wavelength_nm, a.absorbance?.value)))
            .collect();
        let against = head(&absorbed, "ABSORBANCE", remarks);
        files.extend(pairs(&against, &points).map(|t| (ABSORBANCE_JDX, t)));
    }
    files
}
