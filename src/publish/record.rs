//! `quality.json`: everything said about one photo, as it stands on disk.
//!
//! Tables and pages are made from records only, and a restart reads them back: whatever is shown for the class is a
//! function of what stands in the photos' folders.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::classify::Capture;
use crate::measure::{Calibration, LineUse, Reason, ScaleKind, Verdict};

/// One photo's fate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Path below the inbox, with `/`; bytes that are not UTF-8 as `\xNN`.
    pub photo: String,
    /// The instrument.
    pub bench: String,
    /// Absent for ignored files.
    pub capture: Option<Capture>,
    /// Name of the rule that took it.
    pub rule: String,
    /// What the people call it.
    pub label: String,
    /// Lamp named by the rule, for calibrations; empty otherwise.
    pub lamp: String,
    /// Further named groups of the rule.
    pub groups: BTreeMap<String, String>,
    /// ISO 8601 without zone, as the phone says; absent where it does not.
    pub taken: Option<String>,
    /// The word.
    pub verdict: Verdict,
    /// Why; worst first.
    pub reasons: Vec<Reason>,
    /// The contract's metrics and more, by name; only what was measured.
    pub metrics: BTreeMap<String, f64>,
    /// Side of the slit's image on which the measured order lies; absent where there is none.
    pub order_side: Option<String>,
    /// The scale: absent where there is none.
    pub calibration: Option<CalibrationRecord>,
    /// What could not be measured and why.
    pub not_measured: Vec<String>,
    /// Remarks for people, such as why a file is ignored or that another file has the same bytes.
    pub remarks: Vec<String>,
    /// What this was made from.
    pub provenance: Provenance,
}

/// The scale behind a spectrum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationRecord {
    /// Photo it came from, as in [`Record::photo`]; absent for a provisional scale.
    pub photo: Option<String>,
    /// Kind.
    pub kind: ScaleKind,
    /// Lines with their residuals.
    pub lines: Vec<LineUse>,
    /// Root mean square of the residuals of the lines used, nm.
    pub rms_nm: Option<f64>,
    /// The fit itself.
    pub model: Option<Calibration>,
}

/// Everything a result was made from. Two equal provenances mean equal results.
#[derive(Clone, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Provenance {
    /// BLAKE3 of the photo's bytes, hexadecimal.
    pub photo_hash: String,
    /// Hash of the configuration's meaning for results.
    pub configuration_hash: String,
    /// Version of this program.
    pub version: String,
    /// Hashes of the calibration photos used, by path.
    pub calibration: BTreeMap<String, String>,
    /// Hashes of the blank photos used, by path.
    pub blank: BTreeMap<String, String>,
    /// Hashes of the dark photos used, by path.
    pub dark: BTreeMap<String, String>,
    /// What the inbox as a whole says about the photo, such as that another file has the same bytes; also why an
    /// entry is not a file to be read. These stand among the remarks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub circumstances: Vec<String>,
}
