//! File bytes -> facts (time, camera, exposure) and an upright frame in linear light.
//!
//! Strict: a file that ends early, or has a hole, is a fault and never a picture.

pub mod facts;

pub use facts::Facts;

use crate::frame::Frame;

/// Why a file is not a picture. Each text says what, where in the file if known, and what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Fault {
    /// The file ends before the picture does, or part of it was never filled in.
    #[error("{0}")]
    Truncated(String),
    /// Not a kind of picture this program reads, or broken.
    #[error("{0}")]
    Unreadable(String),
    /// More pixels than the configuration allows.
    #[error("{0}")]
    TooLarge(String),
}

/// Reads the header only. Never fails: what cannot be read is absent.
pub fn facts(_bytes: &[u8]) -> Facts {
    todo!()
}

/// Decodes a whole photo.
///
/// `max_pixels` bounds width × height before anything is allocated.
pub fn decode(_bytes: &[u8], _max_pixels: u64) -> Result<(Facts, Frame), Fault> {
    todo!()
}
