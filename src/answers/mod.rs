//! From spectra to the quantities a lab sheet asks for: concentrations, what a lamp is, colour, how well a class agrees, and
//! the file that other programs read. Pure numerics: numbers in, numbers or a named refusal out; nothing here knows a photo.

pub mod bands;
pub mod bracket;
pub mod class;
pub mod colour;
pub mod identify;
pub mod jcamp;
pub mod quantile;
pub mod references;
pub mod response;
pub mod series;

/// A value that cannot be given, and why: the words stand where the number would.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{code}: {why}")]
pub struct Refusal {
    /// Short name, such as `too-few-levels`; never renamed.
    pub code: &'static str,
    /// For people: what is missing and what to do.
    pub why: String,
}

impl Refusal {
    pub(crate) fn new(code: &'static str, why: impl Into<String>) -> Refusal {
        Refusal {
            code,
            why: why.into(),
        }
    }
}
