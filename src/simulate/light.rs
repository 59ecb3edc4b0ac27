//! What shines into the slit: lamps, daylight, lasers, and the solution that stands in the beam.
//!
//! Every source becomes sharp lines and a smooth part, both in radiant strength per nanometre of standard air.
//! Phosphor bands: typical positions of Eu²⁺, Tb³⁺ and Eu³⁺ phosphors (from memory; positions and strengths differ from lamp
//! to lamp, which [`Light::variety`] imitates).

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde::{Deserialize, Serialize};

use super::TrueLine;
use super::lines;

/// First wavelength of the smooth part, nm.
pub const FIRST_NM: f64 = 370.0;
/// Last wavelength of the smooth part, nm: beyond it no phone's filters let anything through.
pub const LAST_NM: f64 = 800.0;
/// Step of the smooth part, nm.
pub const STEP_NM: f64 = 0.1;

/// A source of light, and what stands in its way.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Light {
    /// The lamp.
    pub source: Source,
    /// Seed of what differs between two lamps of a kind.
    pub variety: u64,
    /// Brightness; 1 gives about 1/30 s at ISO 100 with a slit of 0.2 mm.
    pub brightness: f64,
    /// In the beam.
    pub solution: Option<Solution>,
}

/// Kinds of sources.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Source {
    /// No light at all.
    Dark,
    /// Fluorescent lamp with three narrow-band phosphors.
    TriPhosphor,
    /// Fluorescent lamp with the older halophosphate coating: mercury lines on a broad continuum.
    Halophosphate,
    /// Mercury at low pressure in clear glass.
    Mercury,
    /// Helium discharge.
    Helium,
    /// Neon discharge.
    Neon,
    /// Hydrogen discharge.
    Hydrogen,
    /// Sodium at low pressure.
    Sodium,
    /// Blue diode under a yellow phosphor, by its colour temperature in kelvin.
    WhiteLed(f64),
    /// Coloured diode: peak and full width at half height, nm.
    Led(f64, f64),
    /// Laser, by its wavelength in nm.
    Laser(f64),
    /// Any other discharge, by its lines: wavelength in nm and strength.
    Lines(Vec<(f64, f64)>),
    /// Tungsten filament, by its temperature in kelvin.
    Tungsten(f64),
    /// Daylight from the sky.
    Daylight,
    /// Any other light without sharp lines: wavelength in nm, rising, and strength per nm.
    Smooth(Vec<(f64, f64)>),
}

/// An absorbing solution.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Solution {
    /// The dye.
    pub dye: Dye,
    /// Concentration, mg/L.
    pub concentration: f64,
}

/// What is dissolved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Dye {
    /// A red dye: bands at 505 and 530 nm; absorbance 0.11 per mg/L at the peak.
    Red,
    /// A blue dye: bands at 630 and 585 nm; absorbance 0.14 per mg/L at the peak.
    Blue,
    /// Grey: absorbance 0.1 per unit of concentration at every wavelength.
    Neutral,
}

impl Solution {
    /// Absorbance of one path length (Beer and Lambert: proportional to the concentration).
    pub fn absorbance(&self, wavelength_nm: f64) -> f64 {
        let bell =
            |centre: f64, sigma: f64| (-0.5 * ((wavelength_nm - centre) / sigma).powi(2)).exp();
        self.concentration
            * match self.dye {
                Dye::Red => {
                    0.085 * bell(505.0, 24.0)
                        + 0.055 * bell(532.0, 13.0)
                        + 0.015 * bell(440.0, 30.0)
                }
                Dye::Blue => {
                    0.13 * bell(630.0, 16.0) + 0.055 * bell(588.0, 22.0) + 0.02 * bell(410.0, 25.0)
                }
                Dye::Neutral => 0.1,
            }
    }
}

/// Lines and smooth part of a source, behind its solution.
#[derive(Clone, Debug, PartialEq)]
pub struct Emission {
    /// Wavelength (nm) and strength of the sharp lines.
    pub lines: Vec<(f64, f64)>,
    /// Strength per nm from [`FIRST_NM`] in steps of [`STEP_NM`].
    pub smooth: Vec<f64>,
}

impl Emission {
    /// Strength per nm of the smooth part, by linear interpolation; 0 outside its range.
    pub fn smooth_at(&self, wavelength_nm: f64) -> f64 {
        let t = (wavelength_nm - FIRST_NM) / STEP_NM;
        if t < 0.0 {
            return 0.0;
        }
        let i = t as usize;
        match (self.smooth.get(i), self.smooth.get(i + 1)) {
            (Some(a), Some(b)) => a + (b - a) * (t - i as f64),
            _ => 0.0,
        }
    }
}

impl Light {
    /// A lamp of middle brightness without a solution.
    pub fn of(source: Source, variety: u64) -> Light {
        Light {
            source,
            variety,
            brightness: 1.0,
            solution: None,
        }
    }

    /// The same lamp behind a solution.
    pub fn through(&self, dye: Dye, concentration: f64) -> Light {
        Light {
            solution: Some(Solution { dye, concentration }),
            ..self.clone()
        }
    }

    /// The lamp alone.
    pub fn without_solution(&self) -> Light {
        Light {
            solution: None,
            ..self.clone()
        }
    }

    /// What reaches the slit. The strength integrated over 400–700 nm is 100 for every source before the solution.
    pub fn emission(&self) -> Emission {
        let mut chance = Pcg64Mcg::seed_from_u64(self.variety ^ 0x1a3b);
        let n = ((LAST_NM - FIRST_NM) / STEP_NM).round() as usize + 1;
        let mut lines: Vec<(f64, f64)> = Vec::new();
        let mut smooth = vec![0.0; n];
        let wavelengths: Vec<f64> = (0..n).map(|i| FIRST_NM + i as f64 * STEP_NM).collect();
        let mut vary = |relative: f64| 1.0 + relative * (2.0 * chance.random::<f64>() - 1.0);
        let add_band = |smooth: &mut [f64], centre: f64, fwhm: f64, area: f64| {
            let sigma = fwhm / 2.354_820_045;
            let scale = area / (sigma * (2.0 * std::f64::consts::PI).sqrt());
            for (s, l) in smooth.iter_mut().zip(&wavelengths) {
                *s += scale * (-0.5 * ((l - centre) / sigma).powi(2)).exp();
            }
        };
        match &self.source {
            Source::Dark => return Emission { lines, smooth },
            Source::TriPhosphor => {
                lines.extend(
                    lines::MERCURY
                        .iter()
                        .map(|&(l, s)| (l, 26.0 * s * vary(0.12))),
                );
                let europium_blue = 45.0 * vary(0.4);
                let terbium = vary(0.25);
                let europium_red = vary(0.25);
                let terbium_shift = 0.25 * (vary(1.0) - 1.0);
                let europium_shift = 0.3 * (vary(1.0) - 1.0);
                add_band(&mut smooth, 450.0 * vary(0.004), 50.0, europium_blue);
                for (centre, fwhm, area) in TERBIUM {
                    add_band(
                        &mut smooth,
                        centre + terbium_shift,
                        *fwhm,
                        area * terbium * vary(0.1),
                    );
                }
                for (centre, fwhm, area) in EUROPIUM {
                    add_band(
                        &mut smooth,
                        centre + europium_shift,
                        *fwhm,
                        area * europium_red * vary(0.1),
                    );
                }
                add_band(&mut smooth, 560.0, 160.0, 6.0);
            }
            Source::Halophosphate => {
                lines.extend(
                    lines::MERCURY
                        .iter()
                        .map(|&(l, s)| (l, 22.0 * s * vary(0.12))),
                );
                add_band(&mut smooth, 482.0 * vary(0.005), 105.0, 70.0 * vary(0.2));
                add_band(&mut smooth, 585.0 * vary(0.005), 82.0, 150.0 * vary(0.15));
            }
            Source::Mercury => {
                lines.extend(lines::MERCURY.iter().map(|&(l, s)| (l, s * vary(0.1))))
            }
            Source::Helium => lines.extend(lines::HELIUM.iter().map(|&(l, s)| (l, s * vary(0.15)))),
            Source::Neon => lines.extend(lines::NEON.iter().map(|&(l, s)| (l, s * vary(0.15)))),
            Source::Hydrogen => {
                lines.extend(lines::HYDROGEN.iter().map(|&(l, s)| (l, s * vary(0.15))));
                // The molecule's many lines look like a weak haze.
                add_band(&mut smooth, 600.0, 90.0, 0.12);
            }
            Source::Sodium => lines.extend(lines::SODIUM.iter().map(|&(l, s)| (l, s * vary(0.05)))),
            &Source::WhiteLed(kelvin) => {
                let blue = 0.22 * (kelvin / 4000.0).powf(1.4);
                add_band(&mut smooth, 451.0 * vary(0.008), 21.0, blue);
                add_band(&mut smooth, 552.0 * vary(0.006), 105.0, 0.75);
                add_band(
                    &mut smooth,
                    615.0 * vary(0.006),
                    95.0,
                    0.75 * (4000.0 / kelvin),
                );
            }
            &Source::Led(peak, fwhm) => {
                add_band(&mut smooth, peak, fwhm, 0.85);
                // Diodes fall off more slowly towards the blue.
                add_band(&mut smooth, peak - 0.45 * fwhm, 1.3 * fwhm, 0.15);
            }
            &Source::Laser(wavelength_nm) => lines.push((wavelength_nm, 1.0)),
            Source::Lines(own) => lines.extend(own.iter().map(|&(l, s)| (l, s * vary(0.15)))),
            &Source::Tungsten(kelvin) => {
                for (s, l) in smooth.iter_mut().zip(&wavelengths) {
                    *s = planck(*l, kelvin);
                }
            }
            Source::Smooth(table) => {
                for (s, &l) in smooth.iter_mut().zip(&wavelengths) {
                    let next = table.partition_point(|p| p.0 < l);
                    *s = match (
                        next.checked_sub(1).and_then(|i| table.get(i)),
                        table.get(next),
                    ) {
                        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (l - a.0) / (b.0 - a.0),
                        _ => 0.0,
                    };
                }
            }
            Source::Daylight => {
                for (s, l) in smooth.iter_mut().zip(&wavelengths) {
                    *s = planck(*l, 5900.0)
                        * lines::FRAUNHOFER
                            .iter()
                            .map(|&(centre, depth, width)| {
                                1.0 - depth * (-2.772_588_7 * ((l - centre) / width).powi(2)).exp()
                            })
                            .product::<f64>();
                }
            }
        }
        let visible = 400.0..700.0;
        let total = lines
            .iter()
            .filter(|l| visible.contains(&l.0))
            .map(|l| l.1)
            .sum::<f64>()
            + smooth
                .iter()
                .zip(&wavelengths)
                .filter(|(_, l)| visible.contains(*l))
                .map(|(s, _)| s * STEP_NM)
                .sum::<f64>();
        let pass = |l: f64| match &self.solution {
            Some(solution) => 10f64.powf(-solution.absorbance(l)),
            None => 1.0,
        };
        for (l, s) in &mut lines {
            *s *= 100.0 / total * pass(*l);
        }
        for (s, l) in smooth.iter_mut().zip(&wavelengths) {
            *s *= 100.0 / total * pass(*l);
        }
        Emission { lines, smooth }
    }

    /// The lines, rising in wavelength, with names such as `Hg 546.07`.
    pub fn true_lines(&self) -> Vec<TrueLine> {
        let element = match self.source {
            Source::TriPhosphor | Source::Halophosphate | Source::Mercury => "Hg",
            Source::Helium => "He",
            Source::Neon => "Ne",
            Source::Hydrogen => "H",
            Source::Sodium => "Na",
            Source::Laser(_) => "laser",
            _ => "",
        };
        let lines = self.emission().lines;
        let strongest = lines.iter().map(|l| l.1).fold(0.0, f64::max);
        lines
            .into_iter()
            .map(|(wavelength_nm, strength)| TrueLine {
                wavelength_nm,
                strength: strength / strongest,
                name: format!("{element} {wavelength_nm:.2}"),
            })
            .collect()
    }
}

/// Tb³⁺: centre, full width at half height (nm), relative area.
const TERBIUM: &[(f64, f64, f64)] = &[
    (487.7, 5.0, 11.0),
    (491.8, 4.5, 5.0),
    (542.0, 2.4, 26.0),
    (544.7, 2.6, 24.0),
    (549.2, 4.0, 10.0),
    (584.0, 3.6, 7.0),
    (588.0, 3.6, 4.5),
    (621.5, 5.0, 4.5),
];

/// Eu³⁺ in Y₂O₃: centre, full width at half height (nm), relative area.
const EUROPIUM: &[(f64, f64, f64)] = &[
    (587.2, 2.4, 4.0),
    (593.2, 3.2, 6.0),
    (599.3, 3.2, 6.0),
    (611.6, 2.3, 64.0),
    (614.5, 3.5, 6.0),
    (630.4, 3.0, 10.0),
    (650.4, 3.4, 4.0),
    (662.2, 3.4, 3.0),
    (687.4, 3.0, 3.5),
    (693.4, 3.4, 3.0),
    (708.4, 4.0, 12.0),
];

/// Planck's law per wavelength, up to a constant factor; c₂ = 0.014 387 768 78 m·K (CODATA 2018).
fn planck(wavelength_nm: f64, kelvin: f64) -> f64 {
    (560.0 / wavelength_nm).powi(5) / ((0.014_387_768_78e9 / (wavelength_nm * kelvin)).exp() - 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tungsten_lamp_follows_planck() {
        // B450/B650 at 2856 K, computed from the CODATA 2018 constants: 0.20061.
        let e = Light::of(Source::Tungsten(2856.0), 0).emission();
        let ratio = e.smooth_at(450.0) / e.smooth_at(650.0);
        assert!((ratio - 0.20061).abs() < 1e-4, "{ratio}");
    }

    #[test]
    fn a_solution_takes_away_what_beer_and_lambert_say() {
        let blank = Light::of(Source::WhiteLed(4000.0), 3);
        let sample = blank.through(Dye::Red, 4.0);
        let (a, b) = (blank.emission(), sample.emission());
        let measured = -(b.smooth_at(505.0) / a.smooth_at(505.0)).log10();
        let stated = sample.solution.unwrap().absorbance(505.0);
        assert!((measured - stated).abs() < 1e-6 && stated > 0.3);
    }

    #[test]
    fn every_lamp_is_as_bright_as_every_other() {
        for source in [
            Source::TriPhosphor,
            Source::Neon,
            Source::Daylight,
            Source::Laser(532.0),
        ] {
            let e = Light::of(source, 9).emission();
            let total: f64 = e
                .lines
                .iter()
                .filter(|l| l.0 > 400.0 && l.0 < 700.0)
                .map(|l| l.1)
                .sum::<f64>()
                + (0..3000)
                    .map(|i| e.smooth_at(400.05 + 0.1 * f64::from(i)) * 0.1)
                    .sum::<f64>();
            assert!((total - 100.0).abs() < 0.5, "{total}");
        }
    }
}
