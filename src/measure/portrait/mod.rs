//! The instrument's health: width of the slit, focus, movement, wedge, dust.

pub mod bloom;
pub mod dust;
pub mod health;
pub mod sharpness;
pub mod slit_width;
pub mod smear;
pub mod wedge;
