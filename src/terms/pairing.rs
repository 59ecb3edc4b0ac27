//! Which photos of a bench belong to a photo, as a configuration states it.

/// Exposures whose ratio is less than this are the same: phones round what they write.
pub const SAME_EXPOSURE: f64 = 1.05;
/// A blank taken within so long of the one that is chosen, at the same exposure, is a repeat of it: a lamp that has warmed up keeps
/// its light for that long (common practice, no source).
pub const REPEATED_WITHIN_S: f64 = 600.0;

/// Which of several photos of a bench belongs to a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Choice {
    /// The nearest in time, before or after; of two equally near ones the earlier.
    Nearest,
    /// The last one before the photo; the first one after it where there is none.
    LatestBefore,
    /// All of them; of calibrations the one with the smallest uncertainty then counts.
    Best,
}

/// What belongs to what.
#[derive(Clone, Debug, PartialEq)]
pub struct Pairing {
    /// Which calibration.
    pub calibration: Choice,
    /// Which blank, and which dark.
    pub blank: Choice,
    /// A calibration, blank or dark farther away in time is not used, h; absent: however far.
    pub within_h: Option<f64>,
}

impl Default for Pairing {
    fn default() -> Pairing {
        Pairing {
            calibration: Choice::Nearest,
            blank: Choice::LatestBefore,
            within_h: Some(12.0),
        }
    }
}
