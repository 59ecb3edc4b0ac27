//! Pixels -> spectrum: light by wavelength, its peaks, its exposure.

pub mod exposure;
pub mod filter;
pub mod lineshape;
pub mod peaks;
pub mod profile;
pub mod spectrum_peaks;
