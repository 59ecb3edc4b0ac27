//! One number's limit: the values from which on it is a reason to look at a photo, or to take it again. This is plain data;
//! the judge compares.

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
