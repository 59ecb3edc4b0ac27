//! The other photos that a photo is made from, as they were published.

use std::sync::Arc;

use crate::classify::Decision;
use crate::decode::Facts;
use crate::publish::record::Record;
use crate::terms::{Calibration, Subject, Unmeasured};

/// A photo that another one is made from.
pub struct Companion {
    /// Path below the inbox, as shown.
    pub photo: String,
    /// BLAKE3 of its bytes, hexadecimal.
    pub hash: String,
    /// Its facts.
    pub facts: Arc<Facts>,
    /// Its decision.
    pub decision: Arc<Decision>,
    /// What was found on it.
    pub record: Arc<Record>,
}

impl Companion {
    /// Why a blank that is to be taken again gives no absorbance.
    pub(super) fn why_spoilt(&self) -> Unmeasured {
        let why = self.record.reasons.first().map_or_else(String::new, |r| {
            let measured = match r.measured.as_str() {
                "" => String::new(),
                measured => format!(", {measured}"),
            };
            format!(" ({}{measured})", r.code.as_str())
        });
        let photo = &self.photo;
        let why =
            format!("{photo} is to be taken again{why}, and no other blank of the bench serves");
        Unmeasured::new(Subject::Blank, why)
    }
}

/// The other photos that pairing chose for one, each kind in the order of the paths.
#[derive(Default)]
pub struct Company {
    /// Lamp photos.
    pub calibrations: Vec<Companion>,
    /// Blanks.
    pub blanks: Vec<Companion>,
    /// Darks.
    pub darks: Vec<Companion>,
    /// Shots of a bracket.
    pub brackets: Vec<Companion>,
    /// Photos whose known lines say something of the scale.
    pub witnesses: Vec<Companion>,
}

/// A lamp photo's scale.
#[derive(Clone, Copy)]
pub struct Scale<'a> {
    /// Path of the lamp photo.
    pub photo: &'a str,
    /// Hash of its bytes.
    pub hash: &'a str,
    /// The scale.
    pub calibration: &'a Calibration,
}
