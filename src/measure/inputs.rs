//! What a photo is measured with: the instrument, the file's facts, lamps, and a scale of the bench.

use crate::decode::Facts;
use crate::terms::{Calibration, Capture, Instrument, Interval, Lamp, LampLine};

/// What a photo is measured with.
pub struct Inputs<'a> {
    /// The instrument, as the configuration states it.
    pub bench: &'a Instrument,
    /// What the file says.
    pub facts: &'a Facts,
    /// What the photo is for.
    pub capture: Capture,
    /// Lamps a calibration photo may show: one, or all for `auto`.
    pub lamps: Vec<&'a Lamp>,
    /// Lamps that a wrong one is compared with, to say what it looks like.
    pub others: &'a [Lamp],
    /// Published lines by which peaks are named.
    pub names: &'a [LampLine],
    /// The scale of the bench, from one of its lamp photos.
    pub calibration: Option<&'a Calibration>,
    /// Range of the spectrum, nm.
    pub range_nm: Interval,
    /// Step of the spectrum, nm.
    pub step_nm: f64,
}
