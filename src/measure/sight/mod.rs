//! Is there a slit and its spectrum in the picture, where, and which way does the light spread?
//!
//! This page is the room's only door: what it re-exports is what the other rooms may ask.

mod band;
mod bars;
mod cut_off;
mod locate;
mod map;
mod plausible;
mod spot;
mod stray;
mod strip;
mod survey;
mod trace;

pub use band::{Edge, as_measured};
pub use bars::Sketch;
pub use cut_off::cut_off;
pub use map::Map;
pub use plausible::{Familiar, NoSight};
pub use stray::{Bar, Stray, dark};
pub use survey::{CLEAR_ENDS, Sight, Survey, lit_direction, look, rough_survey, survey};
pub use trace::{Slit, bilinear, clearest_channel};
