//! Frame -> geometry, spectrum and health of the instrument. Pure: values in, values out.
//!
//! Everything rests on one model (see [`optics`]): a grating shifts only the direction cosine across its grooves.
//! The rooms stand in the order in which a frame meets them; each knows those before it, and none after it.

pub mod optics;
pub mod sight;

pub mod light;
pub mod scale;

pub mod portrait;

mod drawing;
mod inputs;
pub mod looks;
pub mod photo;
mod refusal;
mod shot;
pub mod view;
