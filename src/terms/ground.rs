//! What a photo's capture was decided by: the words that the tables use for it.

use serde::{Deserialize, Serialize};

/// What a photo's capture, or that it is left alone, was decided by. What comes first goes before what comes after it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[derive(strum::Display)]
#[strum(serialize_all = "lowercase")]
pub enum Ground {
    /// The instructor's table.
    Person,
    /// A rule that leaves it alone.
    Rule,
    /// A slate that governs it, or the slate that it is.
    Slate,
    /// A rule, by its name and header alone.
    #[default]
    Name,
    /// What it looks like, because its name says nothing.
    Looks,
}
