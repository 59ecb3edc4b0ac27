//! Limits: the values from which on a number is a reason to look at a photo, or to take it again. This is plain data; the judge
//! compares.
//!
//! What each number costs is argued beside it in `config/lab.yaml`; the defaults in the table of checks are the same numbers,
//! and a test holds the two together.

use std::fmt;
use std::ops::{Index, IndexMut};

use crate::judge::checks::Check;
use crate::terms::Severity;

/// Which side of a limit is the bad one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Large values are bad: a reason from the limit upwards, the limit itself still good.
    AtMost,
    /// Small values are bad: a reason below the limit, the limit itself still good.
    AtLeast,
}

/// Two thresholds for one number; an absent one never gives a reason.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Beyond this: usable, but look.
    pub caution: Option<f64>,
    /// Beyond this: take it again.
    pub retake: Option<f64>,
    /// Which side is bad.
    pub side: Side,
}

impl Limit {
    /// Large values are bad.
    pub const fn at_most(caution: f64, retake: f64) -> Limit {
        Limit {
            caution: Some(caution),
            retake: Some(retake),
            side: Side::AtMost,
        }
    }

    /// Small values are bad.
    pub const fn at_least(caution: f64, retake: f64) -> Limit {
        Limit {
            side: Side::AtLeast,
            ..Limit::at_most(caution, retake)
        }
    }

    /// How bad `value` is, and the threshold that it passed; absent where it is good. The worse threshold is asked first.
    ///
    /// For a number whose sign only states a direction (tilt, skew), hand in its size.
    pub fn judge(&self, value: f64) -> Option<(Severity, f64)> {
        let passed = |threshold: Option<f64>, severity| {
            let threshold = threshold?;
            let is_beyond = match self.side {
                Side::AtMost => value > threshold,
                Side::AtLeast => value < threshold,
            };
            is_beyond.then_some((severity, threshold))
        };
        passed(self.retake, Severity::Retake).or_else(|| passed(self.caution, Severity::Caution))
    }

    /// In words, with the unit behind each number: `caution above 3.5°, retake above 5°`.
    pub fn words(&self, unit: &str) -> String {
        let side = match self.side {
            Side::AtMost => "above",
            Side::AtLeast => "below",
        };
        let gap = if unit.is_empty() || unit == "°" {
            ""
        } else {
            " "
        };
        let from = |word: &str, threshold: f64| format!("{word} {side} {threshold}{gap}{unit}");
        match (self.caution, self.retake) {
            (Some(c), Some(r)) => format!("{}, {}", from("caution", c), from("retake", r)),
            (Some(caution), None) => from("caution", caution) + ", never a retake",
            (None, Some(retake)) => from("retake", retake),
            (None, None) => "not judged".to_owned(),
        }
    }
}

/// The limits in force: one for each check, and what is not a number.
#[derive(Clone, PartialEq)]
pub struct Limits {
    of_checks: [Limit; Check::ALL.len()],
    /// `exposure-auto` for a photo that stands alone; absent: not a reason.
    pub exposure_auto: Option<Severity>,
    /// `exposure-auto` for a photo that is compared with others: blank, dark, bracket, and a sample that has a blank;
    /// absent: not a reason.
    pub exposure_auto_in_set: Option<Severity>,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            of_checks: Check::ALL.map(|check| check.row().limit),
            exposure_auto: Some(Severity::Caution),
            exposure_auto_in_set: Some(Severity::Retake),
        }
    }
}

impl Index<Check> for Limits {
    type Output = Limit;

    fn index(&self, check: Check) -> &Limit {
        &self.of_checks[check as usize]
    }
}

impl IndexMut<Check> for Limits {
    fn index_mut(&mut self, check: Check) -> &mut Limit {
        &mut self.of_checks[check as usize]
    }
}

/// Names every limit, because the configuration's hash rests on this text.
impl fmt::Debug for Limits {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut text = f.debug_struct("Limits");
        for check in Check::ALL {
            text.field(check.key(), &self[check]);
        }
        text.field("exposure_auto", &self.exposure_auto)
            .field("exposure_auto_in_set", &self.exposure_auto_in_set)
            .finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worse_threshold_is_asked_first_and_the_threshold_itself_is_good() {
        let tilt = Limit::at_most(3.5, 5.0);
        assert_eq!(tilt.judge(3.5), None);
        assert_eq!(tilt.judge(4.0), Some((Severity::Caution, 3.5)));
        assert_eq!(tilt.judge(5.1), Some((Severity::Retake, 5.0)));
        let snr = Limit::at_least(30.0, 10.0);
        assert_eq!(snr.judge(30.0), None);
        assert_eq!(snr.judge(29.0), Some((Severity::Caution, 30.0)));
        assert_eq!(snr.judge(9.0), Some((Severity::Retake, 10.0)));
    }
}
