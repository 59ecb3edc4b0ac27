//! Result -> files; the only writer below `results/`, a folder at a time, whole or not at all.

pub mod files;
pub mod record;

pub use files::files;
