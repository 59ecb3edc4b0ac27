//! The instrument's health: width of the slit, focus, movement, wedge, dust.
//!
//! This page is the room's only door: what it re-exports is what the other rooms may ask.

mod bloom;
mod dust;
mod health;
mod sharpness;
mod slit_width;
mod smear;
mod wedge;

pub use health::{better_order, metrics, stronger_order_cut};
pub use smear::smeared_beside;
