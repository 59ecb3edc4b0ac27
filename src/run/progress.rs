//! What is kept to show how far a sweep has come.

use std::collections::HashSet;
use std::time::Instant;

use crate::arrive::listing::Rel;

/// How far a sweep has come.
#[derive(Default)]
pub struct Progress {
    /// Photos that have their results, as far as the plan goes. It only grows.
    pub(super) done: HashSet<Rel>,
    /// When that was shown last.
    pub(super) shown: Option<Instant>,
}
