//! What shines into the slit: lamps, daylight, lasers, and the solution that stands in the beam.
//!
//! Every source becomes sharp lines and a smooth part, both in radiant strength per nanometre of standard air.
//! [`Light::variety`] imitates how lamps of one kind differ.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde::{Deserialize, Serialize};

use super::lines::{Line, lines};

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
    /// The solution in the beam, if there is one.
    pub solution: Option<Solution>,
    /// The filter in the beam, if there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub filter: Option<LongPass>,
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

/// A filter that lets longer wavelengths pass, as coloured plastic before a lamp does.
///
/// An invented curve of the kind: what it takes away falls off exponentially through its edge, as it does through that of a dyed or a
/// coloured glass (Urbach's rule, Phys. Rev. 92 (1953) 1324, from memory), and beyond it all but what its surfaces reflect passes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LongPass {
    /// Wavelength at which half of what passes far beyond it does, nm.
    pub edge_nm: f64,
    /// From a tenth to nine tenths of that, nm, > 0.
    pub width_nm: f64,
    /// Share that passes far beyond the edge, 0…1.
    pub passes: f64,
}

impl LongPass {
    /// Share of the light of a wavelength that passes.
    pub fn transmittance(&self, wavelength_nm: f64) -> f64 {
        // From a tenth to nine tenths the exponent falls by ln(log₂ 10 / log₂(10/9)).
        let tenths = (10f64.log2() / (10f64 / 9.0).log2()).ln();
        let beyond = (wavelength_nm - self.edge_nm) * tenths / self.width_nm;
        self.passes * 0.5f64.powf((-beyond).exp())
    }
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

    /// Strength between 400 and 700 nm, lines and smooth part together.
    fn visible(&self) -> f64 {
        let visible = 400.0..700.0;
        let lines = self.lines.iter().filter(|l| visible.contains(&l.0));
        let smooth = self.smooth.iter().enumerate();
        let smooth = smooth.filter(|(i, _)| visible.contains(&smooth_nm(*i)));
        lines.map(|l| l.1).sum::<f64>() + smooth.map(|(_, s)| s * STEP_NM).sum::<f64>()
    }

    fn add(&mut self, strength: impl Fn(f64) -> f64) {
        for (i, s) in self.smooth.iter_mut().enumerate() {
            *s += strength(smooth_nm(i));
        }
    }

    /// Adds a Gaussian band by its middle and full width at half height, nm, and its area.
    fn add_band(&mut self, centre: f64, fwhm: f64, area: f64) {
        let sigma = fwhm / 2.354_820_045;
        let scale = area / (sigma * (2.0 * std::f64::consts::PI).sqrt());
        self.add(|nm| scale * (-0.5 * ((nm - centre) / sigma).powi(2)).exp());
    }

    /// Adds the coating of a lamp of three narrow bands; `vary` gives how two of a kind differ.
    fn add_phosphors(&mut self, vary: &mut impl FnMut(f64) -> f64) {
        let europium_blue = 45.0 * vary(0.4);
        let (terbium, europium_red) = (vary(0.25), vary(0.25));
        let terbium_shift = 0.25 * (vary(1.0) - 1.0);
        let europium_shift = 0.3 * (vary(1.0) - 1.0);
        self.add_band(450.0 * vary(0.004), 50.0, europium_blue);
        for (of, shift, strength) in [
            ("Tb", terbium_shift, terbium),
            ("Eu", europium_shift, europium_red),
        ] {
            for band in lines(of) {
                let area = band.strength * strength * vary(0.1);
                self.add_band(band.wavelength_nm + shift, band.width_nm, area);
            }
        }
        self.add_band(560.0, 160.0, 6.0);
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
            filter: None,
        }
    }

    /// This lamp, so bright.
    pub fn as_bright_as(self, brightness: f64) -> Light {
        Light { brightness, ..self }
    }

    /// This lamp behind a solution.
    pub fn through(&self, dye: Dye, concentration: f64) -> Light {
        Light {
            solution: Some(Solution { dye, concentration }),
            ..self.clone()
        }
    }

    /// This lamp without a solution.
    pub fn without_solution(&self) -> Light {
        Light {
            solution: None,
            ..self.clone()
        }
    }

    /// What reaches the slit. The strength integrated over 400–700 nm is 100 for every source before solution and filter.
    pub fn emission(&self) -> Emission {
        let mut emission = self.source.emission(self.variety);
        if self.source == Source::Dark {
            return emission;
        }
        let share = 100.0 / emission.visible();
        let pass = |nm: f64| {
            let solution = self.solution.as_ref();
            let dissolved = solution.map_or(1.0, |s| 10f64.powf(-s.absorbance(nm)));
            dissolved * self.filter.map_or(1.0, |f| f.transmittance(nm))
        };
        for (nm, strength) in &mut emission.lines {
            *strength *= share * pass(*nm);
        }
        for (i, strength) in emission.smooth.iter_mut().enumerate() {
            *strength *= share * pass(smooth_nm(i));
        }
        emission
    }
}

/// The lines of a lamp in which a gas or a vapour shines.
pub(super) struct Discharge {
    /// Symbol of the element.
    pub element: &'static str,
    /// Strength of the line to which the table gives 1.
    strength: f64,
    /// By which share lines differ between two lamps of a kind.
    differ: f64,
}

impl Source {
    /// The element that shines in this lamp; absent where none does.
    pub(super) fn discharge(&self) -> Option<Discharge> {
        let (element, strength, differ) = match self {
            Source::TriPhosphor => ("Hg", 26.0, 0.12),
            Source::Halophosphate => ("Hg", 22.0, 0.12),
            Source::Mercury => ("Hg", 1.0, 0.1),
            Source::Helium => ("He", 1.0, 0.15),
            Source::Neon => ("Ne", 1.0, 0.15),
            Source::Hydrogen => ("H", 1.0, 0.15),
            Source::Sodium => ("Na", 1.0, 0.05),
            _ => return None,
        };
        Some(Discharge {
            element,
            strength,
            differ,
        })
    }

    /// What this lamp gives, in whatever unit.
    fn emission(&self, variety: u64) -> Emission {
        let mut chance = Pcg64Mcg::seed_from_u64(variety ^ 0x1a3b);
        let mut vary = |relative: f64| 1.0 + relative * (2.0 * chance.random::<f64>() - 1.0);
        let n = ((LAST_NM - FIRST_NM) / STEP_NM).round() as usize + 1;
        let mut emission = Emission {
            lines: Vec::new(),
            smooth: vec![0.0; n],
        };
        if let Some(d) = self.discharge() {
            emission.lines = lines(d.element)
                .map(|line| {
                    let strength = d.strength * line.strength * vary(d.differ);
                    (line.wavelength_nm, strength)
                })
                .collect();
        }
        match self {
            Source::TriPhosphor => emission.add_phosphors(&mut vary),
            Source::Halophosphate => {
                emission.add_band(482.0 * vary(0.005), 105.0, 70.0 * vary(0.2));
                emission.add_band(585.0 * vary(0.005), 82.0, 150.0 * vary(0.15));
            }
            // The molecule's many lines look like a weak haze.
            Source::Hydrogen => emission.add_band(600.0, 90.0, 0.12),
            &Source::WhiteLed(kelvin) => {
                let blue = 0.22 * (kelvin / 4000.0).powf(1.4);
                emission.add_band(451.0 * vary(0.008), 21.0, blue);
                emission.add_band(552.0 * vary(0.006), 105.0, 0.75);
                emission.add_band(615.0 * vary(0.006), 95.0, 0.75 * (4000.0 / kelvin));
            }
            &Source::Led(peak, fwhm) => {
                emission.add_band(peak, fwhm, 0.85);
                // Diodes fall off more slowly towards the blue.
                emission.add_band(peak - 0.45 * fwhm, 1.3 * fwhm, 0.15);
            }
            Source::Lines(own) => {
                emission.lines = own.iter().map(|&(nm, s)| (nm, s * vary(0.15))).collect();
            }
            &Source::Laser(wavelength_nm) => emission.lines.push((wavelength_nm, 1.0)),
            &Source::Tungsten(kelvin) => emission.add(|nm| planck(nm, kelvin)),
            Source::Smooth(table) => emission.add(|nm| interpolated(table, nm)),
            Source::Daylight => {
                let dark: Vec<Line> = lines("sun").collect();
                let left = |nm: f64| dark.iter().map(|d| left_by(d, nm)).product::<f64>();
                emission.add(|nm| planck(nm, 5900.0) * left(nm));
            }
            Source::Dark | Source::Mercury | Source::Helium | Source::Neon | Source::Sodium => {}
        }
        emission
    }
}

/// Wavelength of an entry of [`Emission::smooth`], nm.
fn smooth_nm(i: usize) -> f64 {
    FIRST_NM + i as f64 * STEP_NM
}

/// A table of wavelengths (nm, rising) and values, read between its rows; 0 beyond them.
fn interpolated(table: &[(f64, f64)], nm: f64) -> f64 {
    let next = table.partition_point(|p| p.0 < nm);
    let before = next.checked_sub(1).and_then(|i| table.get(i));
    match (before, table.get(next)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (nm - a.0) / (b.0 - a.0),
        _ => 0.0,
    }
}

/// Share of daylight that a dark line leaves.
fn left_by(dark: &Line, nm: f64) -> f64 {
    1.0 - dark.strength * (-2.772_588_7 * ((nm - dark.wavelength_nm) / dark.width_nm).powi(2)).exp()
}

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
    fn a_filter_passes_half_at_its_edge_and_is_as_wide_as_it_says() {
        let filter = LongPass {
            edge_nm: 530.0,
            width_nm: 24.0,
            passes: 0.88,
        };
        let bulb = Light::of(Source::Tungsten(2900.0), 1);
        let behind = Light {
            filter: Some(filter),
            ..bulb.clone()
        };
        let (a, b) = (bulb.emission(), behind.emission());
        let passed = |nm: f64| b.smooth_at(nm) / a.smooth_at(nm) / 0.88;
        assert!((passed(530.0) - 0.5).abs() < 1e-6);
        assert!(passed(480.0) < 1e-6 && (passed(650.0) - 1.0).abs() < 1e-3);
        let places: Vec<f64> = (4500..6500).map(|i| 0.1 * f64::from(i)).collect();
        let at = |share: f64| places.iter().find(|nm| passed(**nm) >= share).unwrap();
        assert!((at(0.9) - at(0.1) - 24.0).abs() < 0.2);
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
