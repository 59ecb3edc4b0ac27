//! What a photo was taken for: the words that a configuration and the tables use for it.

use serde::{Deserialize, Serialize};

/// What a photo was taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[derive(strum::IntoStaticStr)]
#[strum(serialize_all = "lowercase")]
pub enum Capture {
    /// A lamp of known lines: gives the wavelength scale.
    Calibration,
    /// The light to be measured.
    Sample,
    /// No light: what the sensor gives by itself.
    Dark,
    /// The light without the sample, against which transmittance is taken.
    Blank,
    /// One of several exposures of one scene.
    Bracket,
}

impl Capture {
    /// The words for each, as in a configuration and in tables.
    pub const WORDS: [&str; 5] = ["calibration", "sample", "dark", "blank", "bracket"];

    /// As written in tables.
    pub fn as_str(self) -> &'static str {
        self.into()
    }
}
