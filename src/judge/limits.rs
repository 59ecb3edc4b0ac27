//! The limits in force, one for each check.
//!
//! What each number costs is argued beside it in `config/lab.yaml`; the defaults in the table of checks are the same numbers,
//! and a test holds the two together.

use std::fmt;
use std::ops::{Index, IndexMut};

use crate::judge::checks::Check;
use crate::judge::limit::Limit;
use crate::terms::Severity;

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
