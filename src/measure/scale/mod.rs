//! Which wavelength lies where: from the lines of a lamp photo, from the bench's scale behind another photo, or from what
//! the file states.

mod along;
pub mod anchor;
mod calibrate;
mod evidence;
pub mod lamp_photo;
pub mod lamp_picture;
pub mod mirror;
pub mod photo_scale;
mod precise;
pub mod recognise;
pub mod refine;
