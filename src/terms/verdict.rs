//! Reasons and verdicts: the words by which a photo is judged.

use std::collections::BTreeMap;

use serde::{Deserialize, Deserializer, Serialize};

use super::{COMMON_SLOTS, Code};

/// How bad a reason is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[derive(strum::IntoStaticStr)]
#[strum(serialize_all = "lowercase")]
pub enum Severity {
    /// Usable, but look.
    Caution,
    /// Take the photo again.
    Retake,
}

/// Why a photo is not simply good.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reason {
    /// What is wrong.
    pub code: Code,
    /// How bad.
    pub severity: Severity,
    /// The measured value, with its unit: `tilt 6.2 ± 0.1°`. Empty where there is no number.
    pub measured: String,
    /// The limit it passed, with its unit; empty where there is none.
    pub limit: String,
    /// What a student can do about it: one or two plain sentences.
    pub advice: String,
}

/// The word for a photo.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "lowercase")]
#[derive(strum::IntoStaticStr, strum::VariantArray)]
#[strum(serialize_all = "lowercase")]
pub enum Verdict {
    /// Nothing to do.
    Good,
    /// Usable, with a reason.
    Caution,
    /// Take it again.
    Retake,
    /// Sound, but its bench has no calibration yet.
    Waiting,
    /// Not an image, or broken.
    #[default]
    Unreadable,
    /// Left alone by a rule that says so.
    Ignored,
}

impl Verdict {
    /// Every verdict.
    pub const ALL: &[Verdict] = <Verdict as strum::VariantArray>::VARIANTS;

    /// As written in tables.
    pub fn as_str(self) -> &'static str {
        self.into()
    }

    /// How many of these there are of each, in the order of [`Verdict::ALL`].
    pub fn counts(verdicts: impl Iterator<Item = Verdict>) -> [usize; Verdict::ALL.len()] {
        let mut counts = [0; Verdict::ALL.len()];
        for verdict in verdicts {
            counts[verdict as usize] += 1;
        }
        counts
    }
}

/// Something that is wrong whatever the limits say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Which reason it gives.
    pub code: Code,
    /// How bad.
    pub severity: Severity,
    /// The measured value in words.
    pub measured: String,
    /// The limit in words.
    pub limit: String,
    /// Slots for the advice text, by name.
    #[serde(deserialize_with = "known_slots")]
    pub slots: BTreeMap<SlotName, String>,
}

/// A slot's name. Under a name of its own: serde would ask to borrow a bare `&str` from what is read.
type SlotName = &'static str;

/// Findings are written down and read back by this program only, so a slot it does not know is a damaged note.
fn known_slots<'de, D: Deserializer<'de>>(from: D) -> Result<BTreeMap<SlotName, String>, D::Error> {
    let written = BTreeMap::<String, String>::deserialize(from)?;
    let of_codes = Code::ALL.into_iter().flat_map(Code::slots);
    let names: Vec<SlotName> = of_codes.chain(COMMON_SLOTS).map(|slot| slot.0).collect();
    let named = written.into_iter().map(|(name, text)| {
        let known = names.iter().find(|known| **known == name);
        let unknown = || serde::de::Error::custom(format!("no known slot: {name}"));
        known.map(|known| (*known, text)).ok_or_else(unknown)
    });
    named.collect()
}

impl Finding {
    /// A finding without limit and slots.
    pub fn new(code: Code, severity: Severity, measured: impl Into<String>) -> Finding {
        Finding {
            code,
            severity,
            measured: measured.into(),
            limit: String::new(),
            slots: BTreeMap::new(),
        }
    }

    /// The same with a slot for the advice text.
    pub fn with(mut self, slot: &'static str, value: impl Into<String>) -> Finding {
        self.slots.insert(slot, value.into());
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::{Capture, PeakKind, ScaleKind};

    #[test]
    fn words_in_tables_are_those_of_the_record() {
        // Tables and `quality.json` must never disagree: serde's names are the others' names.
        fn json<T: serde::Serialize>(value: T) -> String {
            let text = serde_json::to_string(&value).unwrap();
            text.trim_matches('"').to_owned()
        }
        for v in Verdict::ALL {
            assert_eq!(v.as_str(), json(v));
        }
        for c in [
            Capture::Calibration,
            Capture::Sample,
            Capture::Dark,
            Capture::Blank,
            Capture::Bracket,
        ] {
            assert_eq!(c.as_str(), json(c));
        }
        for k in [PeakKind::Line, PeakKind::Band, PeakKind::Merged] {
            assert_eq!(k.to_string(), json(k));
        }
        for k in [ScaleKind::Calibrated, ScaleKind::Provisional] {
            assert_eq!(k.to_string(), json(k));
        }
        for c in Code::ALL {
            assert_eq!(c.as_str(), json(c));
        }
    }
}
