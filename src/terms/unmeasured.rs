//! What could not be measured, and why: an ordinary value, in place of a number.

use std::fmt;

use serde::{Deserialize, Serialize};

/// What it is that could not be measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Subject {
    /// Nothing was.
    Everything,
    /// The wavelength scale.
    Scale,
    /// Width of the slit.
    SlitWidth,
    /// Focus.
    Blur,
    /// Wedge of the slit and dust on it.
    Blades,
    /// Wedge of the slit.
    Wedge,
    /// Dust on the slit.
    Dust,
    /// Absorbance, because of the blank.
    Blank,
    /// Absorbance.
    Absorbance,
    /// What this version has no word for.
    Other,
}

/// How what is written about each subject begins. The blank's stands before that of all absorbance, which it continues.
const BEGINNINGS: [(Subject, &str); 9] = [
    (Subject::Everything, "everything: "),
    (Subject::Scale, "wavelength scale: "),
    (Subject::SlitWidth, "slit width: "),
    (Subject::Blur, "focus: "),
    (Subject::Blades, "wedge and dust of the slit: "),
    (Subject::Wedge, "wedge of the slit: "),
    (Subject::Dust, "dust on the slit: "),
    (Subject::Blank, "absorbance: the blank "),
    (Subject::Absorbance, "absorbance: "),
];

/// Something that could not be measured. It is written as one sentence: `slit width: no line is sharp`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "String", into = "String")]
pub struct Unmeasured {
    /// What.
    pub what: Subject,
    /// Why not, in words that continue what is written about the subject.
    pub why: String,
}

impl Unmeasured {
    /// `what` could not be measured, because of `why`.
    pub fn new(what: Subject, why: impl Into<String>) -> Unmeasured {
        let why = why.into();
        Unmeasured { what, why }
    }
}

impl fmt::Display for Unmeasured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let begins = BEGINNINGS.iter().find(|(what, _)| *what == self.what);
        write!(f, "{}{}", begins.map_or("", |b| b.1), self.why)
    }
}

impl From<Unmeasured> for String {
    fn from(said: Unmeasured) -> String {
        said.to_string()
    }
}

impl From<String> for Unmeasured {
    fn from(text: String) -> Unmeasured {
        let begun = |&(what, words): &(Subject, &str)| Some((what, text.strip_prefix(words)?));
        match BEGINNINGS.iter().find_map(begun) {
            Some((what, why)) => Unmeasured::new(what, why),
            None => Unmeasured::new(Subject::Other, text),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_comes_back() {
        for what in BEGINNINGS.map(|b| b.0).into_iter().chain([Subject::Other]) {
            let said = Unmeasured::new(what, "too dark: look again");
            assert_eq!(Unmeasured::from(said.to_string()), said);
        }
        let blank = Unmeasured::from("absorbance: the blank has no spectrum".to_owned());
        assert_eq!(blank, Unmeasured::new(Subject::Blank, "has no spectrum"));
    }
}
