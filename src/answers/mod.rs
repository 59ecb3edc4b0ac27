//! From spectra to the quantities a lab sheet asks for: concentrations, what a lamp is, colour, how well a class agrees, and
//! the file that other programs read. Pure numerics: numbers in, numbers or a named refusal out; nothing here knows a photo.

pub mod absorb;
pub mod bands;
pub mod blanks;
pub mod bracket;
pub mod class;
pub mod colour;
pub mod drift;
pub mod edges;
pub mod identify;
pub mod jcamp;
pub mod join;
pub mod limits;
mod means;
pub mod quantile;
pub mod references;
mod refusal;
pub mod response;
pub mod series;
pub mod shift;

pub use refusal::Refusal;

#[cfg(test)]
mod tests {
    use crate::terms::{Spectrum, SpectrumRow};

    /// A spectrum of `light` by wavelength over `range_nm`, alike in all channels, with hardly any noise.
    pub fn drawn(range_nm: (f64, f64), step_nm: f64, light: impl Fn(f64) -> f64) -> Spectrum {
        let n = ((range_nm.1 - range_nm.0) / step_nm).round() as usize;
        let rows = (0..=n).map(|i| {
            let wavelength_nm = range_nm.0 + step_nm * i as f64;
            let signal = light(wavelength_nm);
            SpectrumRow {
                wavelength_nm,
                signal,
                signal_sigma: 1e-4,
                rgb: [signal; 3],
                rgb_sigma: [1e-4; 3],
                clipped: 0.0,
            }
        });
        Spectrum {
            step_nm,
            rows: rows.collect(),
        }
    }
}
