//! Everything learnt from one photo's pixels, before it is judged.

use std::collections::BTreeMap;

use super::{Calibration, Drawing, Estimate, Finding, Peak, ScaleKind, Spectrum};

/// The contract's metrics; absent where they could not be measured.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Metrics {
    /// Share of the spectrum's lit pixels (over 5 % of its brightest) at the sensor's ceiling, the zero order left out.
    pub clipped_fraction: Option<f64>,
    /// Highest level in the spectrum, linear share of full scale in the strongest channel.
    pub peak_level: Option<f64>,
    /// Signal to noise of the brightest part of the spectrum.
    pub snr: Option<f64>,
    /// Grating against the sensor: angle from the nearer picture axis to the dispersion, degrees, clockwise as seen
    /// in the upright picture.
    pub tilt_deg: Option<Estimate>,
    /// Slit against the grooves, degrees, clockwise as seen.
    pub skew_deg: Option<Estimate>,
    /// Width of the slit, µm.
    pub slit_width_um: Option<Estimate>,
    /// Blur (standard deviation of the equivalent Gaussian), px.
    pub blur_px: Option<Estimate>,
    /// FWHM of an unresolved line, nm.
    pub bandpass_nm: Option<f64>,
    /// Light where the model says none can be, linear share of full scale.
    pub background_level: Option<f64>,
    /// Mean sampling, nm per pixel.
    pub nm_per_px: Option<f64>,
    /// Standard uncertainty of the scale, nm, at the middle of the spectrum.
    pub wavelength_sigma_nm: Option<f64>,
    /// Side of the slit's image on which the measured order lies, as seen upright: `left`, `right`, `above`, `below`.
    pub order_side: Option<&'static str>,
    /// More numbers, by name with the unit at the end; `judge.rs` uses some of them.
    pub more: BTreeMap<&'static str, f64>,
    /// Standard uncertainties of the plain numbers above, by name; absent for bounds, counts and what only helps to judge.
    pub sigmas: BTreeMap<&'static str, f64>,
}

impl Metrics {
    /// Puts a number that has an uncertainty among [`Metrics::more`].
    pub fn note(&mut self, name: &'static str, estimate: Estimate) {
        self.more.insert(name, estimate.value);
        self.sigmas.insert(name, estimate.sigma);
    }

    /// Takes it away again.
    pub fn forget(&mut self, name: &'static str) {
        self.more.remove(name);
        self.sigmas.remove(name);
    }

    /// A number of [`Metrics::more`] with its uncertainty.
    pub fn noted(&self, name: &'static str) -> Option<Estimate> {
        Some(Estimate::new(
            *self.more.get(name)?,
            *self.sigmas.get(name)?,
        ))
    }
}

/// Everything learnt from one photo's pixels.
#[derive(Clone, Debug, Default)]
pub struct Measurement {
    /// Numbers.
    pub metrics: Metrics,
    /// The spectrum, where there is a scale.
    pub spectrum: Option<Spectrum>,
    /// Its peaks, rising in wavelength.
    pub peaks: Vec<Peak>,
    /// For lamp photos: the scale found.
    pub calibration: Option<Calibration>,
    /// Which kind of scale the spectrum has.
    pub scale_kind: Option<ScaleKind>,
    /// What could not be measured and why, in words.
    pub not_measured: Vec<String>,
    /// Findings that the limits turn into reasons: code and text, for `few-lines`, `poor-fit`, `no-spectrum`, `cropped`.
    pub findings: Vec<Finding>,
    /// What to draw.
    pub drawing: Drawing,
    /// Lines for the photo's log, in order.
    pub log: Vec<String>,
}
