//! Photos are drawn, measured, and compared with the truth they were drawn from: one module a nuisance, its bounds in its
//! tests, what must be refused among them.
//!
//! The drawing half of the crate shares no formula with the measuring half, so a mistake in either shows here. All photos
//! are drawn from fixed seeds.

mod absorbance;
mod blades;
mod colour;
mod crosscheck;
mod daylight;
mod distortion;
mod faults;
mod fine_disc;
mod forms;
mod hidden_slit;
mod identified;
mod joined;
mod lab;
mod looks;
mod no_spectrum;
mod one_order;
mod pose;
mod scale;
mod slates;
mod slit;
mod traps;
mod turned;
mod wrong_lamp;
