//! Numbers with what is not known about them.

/// A value with its standard uncertainty, both in the unit that the field's name states.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Estimate {
    /// Best estimate.
    pub value: f64,
    /// One standard uncertainty, ≥ 0.
    pub sigma: f64,
}
