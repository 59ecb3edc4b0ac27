//! Everything learnt from one photo's pixels, before it is judged.

use serde::{Deserialize, Deserializer, Serialize};

use super::{
    Calibration, Drawing, Finding, Metrics, Peak, ScaleKind, Spectrum, Subject, Unmeasured,
};

/// Everything learnt from one photo's pixels.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// Numbers.
    pub metrics: Metrics,
    /// Side of the slit's image on which the measured order lies, as seen upright: `left`, `right`, `above`, `below`.
    #[serde(deserialize_with = "known_side")]
    pub order_side: Option<Side>,
    /// The measured order, +1 or −1, as the lamp photo counts them; absent without the scale of one.
    pub order: Option<i32>,
    /// What the lamp photo leaves open of the instrument in the middle of the spectrum, nm (standard uncertainty): a part of
    /// `wavelength_sigma_nm`.
    pub instrument_sigma_nm: f64,
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

/// A side's name. Under a name of its own: serde would ask to borrow a bare `&str` from what is read.
type Side = &'static str;

/// Sides on which an order may lie.
const SIDES: [Side; 4] = ["left", "right", "above", "below"];

/// Measurements are written down and read back by this program only, so a side it does not know is a damaged note.
fn known_side<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Side>, D::Error> {
    let Some(text) = Option::<String>::deserialize(from)? else {
        return Ok(None);
    };
    let known = SIDES.into_iter().find(|side| *side == text);
    let unknown = || serde::de::Error::custom("no known side");
    known.map(Some).ok_or_else(unknown)
}

impl Measurement {
    /// Takes down that `what` could not be measured, and why.
    pub fn lacks(&mut self, what: Subject, why: impl Into<String>) {
        self.not_measured.push(Unmeasured::new(what, why));
    }
}
