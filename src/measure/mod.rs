//! Frame -> geometry, spectrum and health of the instrument. Pure: values in, values out.
//!
//! Everything rests on one model (see [`optics`]): a grating shifts only the direction cosine across its grooves.
//! The steps, in the order in which a frame meets them: five rooms.

pub mod inputs;
pub mod light;
pub mod optics;
pub mod photo;
pub mod portrait;
pub mod scale;
pub mod sight;
