//! What is scored: the truth about a photo, and what was published about it as an outsider reads it.

use std::collections::BTreeMap;

use crate::simulate::truth::Truth;
use crate::terms::Estimate;

/// What was published about a photo, as far as it is scored. Absent metrics are absent here.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Seen {
    /// Verdict as in `quality.json`.
    pub verdict: String,
    /// Bench as in `quality.csv`.
    pub bench: String,
    /// Capture as in `quality.json`; empty where there is none.
    pub capture: String,
    /// When it was taken, ISO 8601, as in `quality.json`; empty where the file does not say.
    pub taken: String,
    /// The photo by which it was settled, as in `quality.csv`; may be empty.
    pub settled_by: String,
    /// Reasons: code, severity, measured.
    pub reasons: Vec<SeenReason>,
    /// Metrics that are numbers.
    pub metrics: BTreeMap<String, f64>,
    /// Photo that the scale came from; empty where there is none, or a provisional one.
    pub scale_from: String,
    /// Rows of `spectrum.csv`, rising in wavelength; empty where there is no such file.
    pub spectrum: Vec<SeenRow>,
    /// Centres in `peaks.csv`, nm.
    pub peaks: Vec<Estimate>,
}

/// A reason.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SeenReason {
    /// Reason code.
    pub code: String,
    /// `caution` or `retake`.
    pub severity: String,
    /// What was measured, in words.
    pub measured: String,
}

/// A row of `spectrum.csv`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SeenRow {
    /// Wavelength, nm.
    pub wavelength_nm: f64,
    /// Signal, linear share of full scale.
    pub signal: f64,
    /// Standard uncertainty of the signal, linear share of full scale.
    pub signal_sigma: f64,
    /// Absorbance, where there is one.
    pub absorbance: Option<Estimate>,
}

/// A photo of the class: what is true of it and what was said of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Path below the inbox as the class's plan has it; its name says what the photo is.
    pub photo: String,
    /// Bench, by the truth.
    pub bench: String,
    /// Whether its name or a slate told the program what it shows.
    pub is_told: bool,
    /// What is true of the photo.
    pub truth: Truth,
    /// What was published; absent where there is no folder.
    pub seen: Option<Seen>,
}

impl Entry {
    /// Whether nothing was planted in it.
    pub fn is_sound(&self) -> bool {
        self.truth.faults.is_empty()
    }

    /// What it was taken for, by the class's plan.
    pub(super) fn capture(&self) -> &'static str {
        let name = self.photo.rsplit('/').next().unwrap_or_default();
        let captures = [
            ("lamp", "calibration"),
            ("dark", "dark"),
            ("blank", "blank"),
            ("bracket", "bracket"),
        ];
        let found = captures.iter().find(|(begins, _)| name.starts_with(begins));
        found.map_or("sample", |(_, capture)| capture)
    }

    pub(super) fn has_scale(&self) -> bool {
        self.seen
            .as_ref()
            .is_some_and(|s| !s.scale_from.is_empty() && !s.spectrum.is_empty())
    }
}
