//! Spectra, peaks and what a comparison with a blank gives.

use serde::{Deserialize, Serialize};

use super::Estimate;

/// 2 √(2 ln 2): FWHM of a Gaussian in standard deviations.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// One row of a spectrum. Signals are linear shares of full scale, background taken off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "Row", into = "Row")]
pub struct SpectrumRow {
    /// nm in standard air.
    pub wavelength_nm: f64,
    /// Mean of the three channels over the slit's length.
    pub signal: f64,
    /// One standard uncertainty of `signal`.
    pub signal_sigma: f64,
    /// Red, green, blue.
    pub rgb: [f64; 3],
    /// One standard uncertainty of each channel.
    pub rgb_sigma: [f64; 3],
    /// Share of the bin's pixels at the sensor's ceiling, 0…1.
    pub clipped: f64,
}

/// A row as it is written down: its numbers alone, in the order of the fields.
type Row = (f64, f64, f64, [f64; 3], [f64; 3], f64);

impl From<Row> for SpectrumRow {
    fn from((wavelength_nm, signal, signal_sigma, rgb, rgb_sigma, clipped): Row) -> SpectrumRow {
        SpectrumRow {
            wavelength_nm,
            signal,
            signal_sigma,
            rgb,
            rgb_sigma,
            clipped,
        }
    }
}

impl From<SpectrumRow> for Row {
    fn from(row: SpectrumRow) -> Row {
        (
            row.wavelength_nm,
            row.signal,
            row.signal_sigma,
            row.rgb,
            row.rgb_sigma,
            row.clipped,
        )
    }
}

impl SpectrumRow {
    /// Level of the strongest channel; 0 where none is above it.
    pub fn strongest(&self) -> f64 {
        self.rgb.iter().copied().fold(0.0, f64::max)
    }
}

/// A spectrum in equal steps of wavelength, rising.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Spectrum {
    /// Step in nm.
    pub step_nm: f64,
    /// Rows, rising.
    pub rows: Vec<SpectrumRow>,
}

/// Transmittance and absorbance of one row; absent where they mean nothing.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
#[serde(from = "Compared", into = "Compared")]
pub struct AbsorbanceRow {
    /// Sample over blank.
    pub transmittance: Option<Estimate>,
    /// −log10 of the transmittance.
    pub absorbance: Option<Estimate>,
}

/// Transmittance and absorbance as they are written down, each a number with its standard uncertainty.
type Compared = [Option<(f64, f64)>; 2];

impl From<Compared> for AbsorbanceRow {
    fn from(written: Compared) -> AbsorbanceRow {
        let read = |(value, sigma)| Estimate::new(value, sigma);
        let [transmittance, absorbance] = written.map(|written| written.map(read));
        AbsorbanceRow {
            transmittance,
            absorbance,
        }
    }
}

impl From<AbsorbanceRow> for Compared {
    fn from(row: AbsorbanceRow) -> Compared {
        let written = |estimate: Estimate| (estimate.value, estimate.sigma);
        [row.transmittance, row.absorbance].map(|estimate| estimate.map(written))
    }
}

/// What a peak is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[derive(strum::IntoStaticStr)]
#[strum(serialize_all = "lowercase")]
pub enum PeakKind {
    /// As narrow as the instrument allows.
    Line,
    /// Wider than the instrument's bandpass.
    Band,
    /// Two or more lines that the instrument does not separate.
    Merged,
}

impl PeakKind {
    /// As written in tables.
    pub fn as_str(self) -> &'static str {
        self.into()
    }
}

/// A maximum of the spectrum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Peak {
    /// Centre, nm; sigma of the centre with the scale's own uncertainty included.
    pub centre_nm: Estimate,
    /// Full width at half height, nm.
    pub fwhm_nm: Estimate,
    /// Height above its surroundings, share of full scale.
    pub height: Estimate,
    /// Area, share of full scale × nm.
    pub area: Estimate,
    /// What it is.
    pub kind: PeakKind,
    /// True where part of it is clipped.
    pub clipped: bool,
    /// Name of the published line it agrees with, or empty.
    pub name: String,
}
