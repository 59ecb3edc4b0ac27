//! The words that everybody uses: numbers, spectra, lamps, instruments, reasons. It knows no other module, and every other
//! module may know it.

mod capture;
mod code;
mod drawing;
mod estimate;
mod ground;
mod instrument;
mod lamp;
mod measurement;
pub mod packed;
mod pairing;
mod phrases;
mod quantity;
mod ranks;
mod seen;
mod sessions;
mod spectrum;
mod srgb;
mod unmeasured;
mod variant;
mod verdict;

pub use capture::Capture;
pub use code::{COMMON_SLOTS, Code};
pub use drawing::{Drawing, DrawnLine};
pub use estimate::{Estimate, Interval, Point};
pub use ground::Ground;
pub use instrument::{
    Calibration, FoundOut, Instrument, OnSensor, Optics, PARAMETERS, ScaleKind, SigmaAt,
    USUAL_SLIT_LN, USUAL_SLIT_UM,
};
pub use lamp::{Lamp, LampLine, LineUse};
pub use measurement::Measurement;
pub use pairing::{Choice, Pairing, REPEATED_WITHIN_S, SAME_EXPOSURE};
pub use phrases::{Phrases, Said};
pub use quantity::{Metrics, Quantity, Reading};
pub use ranks::{SIGMA_PER_MEDIAN, centroid, median, sorted, weighted_quantile};
pub use seen::{Look, Seen, SlateSeen};
pub use sessions::Sessions;
pub use spectrum::{
    AbsorbanceRow, FWHM_PER_SIGMA, KnownLine, Peak, PeakKind, Spectrum, SpectrumRow,
};
pub use srgb::{srgb_code, srgb_light};
pub use unmeasured::{Subject, Unmeasured};
pub use variant::Variant;
pub use verdict::{Finding, Reason, Severity, Verdict};
