//! Spectra, peaks and what a comparison with a blank gives.

use serde::{Deserialize, Serialize};

use super::Estimate;
use super::packed::{self, Packed};

/// 2 √(2 ln 2): FWHM of a Gaussian in standard deviations.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// One row of a spectrum. Signals are linear shares of full scale, background taken off.
#[derive(Clone, Copy, Debug, PartialEq)]
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

impl Packed<10> for SpectrumRow {
    fn numbers(&self) -> [f64; 10] {
        let [r, g, b] = self.rgb;
        let [r_sigma, g_sigma, b_sigma] = self.rgb_sigma;
        [
            self.wavelength_nm,
            self.signal,
            self.signal_sigma,
            r,
            g,
            b,
            r_sigma,
            g_sigma,
            b_sigma,
            self.clipped,
        ]
    }

    fn from_numbers(n: [f64; 10]) -> SpectrumRow {
        SpectrumRow {
            wavelength_nm: n[0],
            signal: n[1],
            signal_sigma: n[2],
            rgb: [n[3], n[4], n[5]],
            rgb_sigma: [n[6], n[7], n[8]],
            clipped: n[9],
        }
    }
}

impl SpectrumRow {
    /// Level of the strongest channel; 0 where none is above it.
    pub fn strongest(&self) -> f64 {
        self.rgb.iter().copied().fold(0.0, f64::max)
    }
}

impl SpectrumRow {
    /// What lies between this row and the next, `share` of the way, 0…1.
    pub fn mixed(&self, next: &SpectrumRow, share: f64) -> SpectrumRow {
        let mix = |a: f64, b: f64| a + (b - a) * share;
        let each = |a: [f64; 3], b: [f64; 3]| std::array::from_fn(|i| mix(a[i], b[i]));
        SpectrumRow {
            wavelength_nm: mix(self.wavelength_nm, next.wavelength_nm),
            signal: mix(self.signal, next.signal),
            signal_sigma: mix(self.signal_sigma, next.signal_sigma),
            rgb: each(self.rgb, next.rgb),
            rgb_sigma: each(self.rgb_sigma, next.rgb_sigma),
            clipped: mix(self.clipped, next.clipped),
        }
    }
}

/// A spectrum in equal steps of wavelength, rising.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Spectrum {
    /// Step in nm.
    pub step_nm: f64,
    /// Rows, rising.
    #[serde(with = "packed")]
    pub rows: Vec<SpectrumRow>,
}

/// Transmittance and absorbance of one row; absent where they mean nothing.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct AbsorbanceRow {
    /// Sample over blank.
    pub transmittance: Option<Estimate>,
    /// −log10 of the transmittance.
    pub absorbance: Option<Estimate>,
}

impl AbsorbanceRow {
    /// What lies between this row and the next, `share` of the way, 0…1: that of the nearer one where one of them means nothing.
    pub fn mixed(&self, next: &AbsorbanceRow, share: f64) -> AbsorbanceRow {
        let mix = |a: Option<Estimate>, b: Option<Estimate>| match (a, b) {
            (Some(a), Some(b)) => Some(Estimate::new(
                a.value + (b.value - a.value) * share,
                a.sigma + (b.sigma - a.sigma) * share,
            )),
            _ if share < 0.5 => a,
            _ => b,
        };
        AbsorbanceRow {
            transmittance: mix(self.transmittance, next.transmittance),
            absorbance: mix(self.absorbance, next.absorbance),
        }
    }
}

/// What means nothing is no number.
impl Packed<4> for AbsorbanceRow {
    fn numbers(&self) -> [f64; 4] {
        let pair = |e: Option<Estimate>| e.map_or([f64::NAN; 2], |e| [e.value, e.sigma]);
        let ([t, t_sigma], [a, a_sigma]) = (pair(self.transmittance), pair(self.absorbance));
        [t, t_sigma, a, a_sigma]
    }

    fn from_numbers([t, t_sigma, a, a_sigma]: [f64; 4]) -> AbsorbanceRow {
        let estimate = |value: f64, sigma| (!value.is_nan()).then(|| Estimate::new(value, sigma));
        AbsorbanceRow {
            transmittance: estimate(t, t_sigma),
            absorbance: estimate(a, a_sigma),
        }
    }
}

/// What a peak is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[derive(strum::Display)]
#[strum(serialize_all = "lowercase")]
pub enum PeakKind {
    /// As narrow as the instrument allows.
    Line,
    /// Wider than the instrument's bandpass.
    Band,
    /// Two or more lines that the instrument does not separate.
    Merged,
}

/// A published line of a tube that is known for what it is, on the scale of its bench's lamp photo.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct KnownLine {
    /// `m λ` as published, nm; the order's sign as the lamp photo counts it.
    pub path_nm: f64,
    /// What the scale reads beyond that, nm.
    pub off_nm: f64,
    /// Standard uncertainty of the line's place on the scale, nm.
    pub sigma_nm: f64,
}

/// A maximum of the spectrum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Peak {
    /// Centre, nm; sigma of the centre with the scale's own uncertainty included.
    pub centre_nm: Estimate,
    /// Standard uncertainty of the centre on the scale, nm: without the scale's own.
    pub own_sigma_nm: f64,
    /// What the lamp photo leaves open of the instrument there, nm (standard uncertainty); a part of the scale's.
    pub instrument_sigma_nm: f64,
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
