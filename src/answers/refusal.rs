//! A quantity that cannot be given, and why.

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
