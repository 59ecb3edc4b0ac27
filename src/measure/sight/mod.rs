//! Is there a slit and its spectrum in the picture, where, and which way does the light spread?

pub mod band;
pub mod locate;
pub mod map;
pub mod plausible;
pub mod stray;
pub mod strip;
pub mod survey;
pub mod trace;
