//! Everything learnt from one photo's pixels, before it is judged.

use super::{
    Calibration, Drawing, Finding, Metrics, Peak, ScaleKind, Spectrum, Subject, Unmeasured,
};

/// Everything learnt from one photo's pixels.
#[derive(Clone, Debug, Default)]
pub struct Measurement {
    /// Numbers.
    pub metrics: Metrics,
    /// Side of the slit's image on which the measured order lies, as seen upright: `left`, `right`, `above`, `below`.
    pub order_side: Option<&'static str>,
    /// The spectrum, where there is a scale.
    pub spectrum: Option<Spectrum>,
    /// Its peaks, rising in wavelength.
    pub peaks: Vec<Peak>,
    /// For lamp photos: the scale found.
    pub calibration: Option<Calibration>,
    /// Which kind of scale the spectrum has.
    pub scale_kind: Option<ScaleKind>,
    /// What could not be measured and why.
    pub not_measured: Vec<Unmeasured>,
    /// Findings that the limits turn into reasons: code and text, for `few-lines`, `poor-fit`, `no-spectrum`, `cropped`.
    pub findings: Vec<Finding>,
    /// What to draw.
    pub drawing: Drawing,
    /// Lines for the photo's log, in order.
    pub log: Vec<String>,
}

impl Measurement {
    /// Takes down that `what` could not be measured, and why.
    pub fn lacks(&mut self, what: Subject, why: impl Into<String>) {
        self.not_measured.push(Unmeasured::new(what, why));
    }
}
