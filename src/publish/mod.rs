//! Result -> files; the only writer below `results/`, a folder at a time, whole or not at all.

pub mod names;
pub mod place;
pub mod record;
