//! The instrument's health: width of the slit, focus, movement, wedge, dust.
//!
//! This page is the room's only door: what it re-exports is what the other rooms may ask.

mod dust;
mod ends;
mod explanation;
mod focus;
mod health;
mod image;
mod render;
mod sharpness;
mod smear;
mod table;
mod wedge;
mod witness;

pub use health::{better_order, metrics, stronger_order_cut};
pub use sharpness::CLEARLY;
pub use smear::smeared_beside;
