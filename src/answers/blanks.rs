//! Several blanks of one light as one reference: their mean, how well its level is known, and which of them show another light.

use super::absorb::{HELD_ANEW, at};
use super::means::MOST_CLIPPED;
use super::series::STATED_FREEDOM;
use crate::terms::{Spectrum, SpectrumRow, median, sorted};

/// A blank that is farther than this from the others, as a share of their light, shows another light: five times what two
/// photos of one lamp differ by because the phone is held anew.
const ANOTHER: f64 = 5.0 * HELD_ANEW;
/// Blanks are compared in windows of this width, nm: narrower than the bands of dyes, wider than what wavelengths are off by.
const WINDOW_NM: f64 = 15.0;
/// Noise of a window as a share of that of its rows. A window has some ten that are independent.
const OF_A_WINDOW: f64 = 1.0 / 3.0;
/// A window is off by what goes beyond so many of its noises (no source).
const OFF_SIGMAS: f64 = 3.0;
/// Light below this share of the brightest is left out of the comparison.
const LIT: f64 = 0.05;
/// Fewer rows in common than this tell nothing.
const FEWEST_ROWS: usize = 40;

/// A blank: its spectrum, and exposure time × ISO in a unit that all blanks have.
#[derive(Clone, Copy, Debug)]
pub struct Blank<'a> {
    /// The spectrum.
    pub spectrum: &'a Spectrum,
    /// Time × ISO.
    pub exposure: f64,
}

/// The mean of blanks.
#[derive(Clone, Debug, PartialEq)]
pub struct MeanBlank {
    /// In the steps and at the exposure of the first.
    pub spectrum: Spectrum,
    /// Standard uncertainty of its level as a share of itself, beside the rows' noise: what holding the phone anew moves.
    pub level_sigma: f64,
    /// The blanks that it is the mean of, in the order given.
    pub used: Vec<usize>,
    /// Those that show another light, with the largest share by which they are off the others.
    pub left_out: Vec<(usize, f64)>,
}

/// The mean of one or more blanks, each with a weight of 1/σ² from its own noise and from being held anew (JCGM 100, 5.1.2).
///
/// Levels and shapes are averaged apart, so that a blank that ends early makes no step. Where levels scatter more than stated,
/// the scatter counts, as in [`super::series::mean`]. A blank that is 5 % off the middle of them all, in level or in any 15 nm,
/// is left out; of two, the second. `blanks` must not be empty: the first alone counts where no two of them agree or can be
/// compared, and the result is in its steps and at its exposure.
///
/// # Panics
/// Without a blank.
pub fn mean_blank(blanks: &[Blank<'_>]) -> MeanBlank {
    let shapes: Vec<Option<Shape>> = blanks.iter().map(|b| Shape::of(b, &blanks[0])).collect();
    let off = off_the_middle(&shapes);
    let mut used: Vec<usize> = (0..blanks.len())
        .filter(|i| off[*i].is_some_and(|off| off <= 0.0))
        .collect();
    // Where no two agree, none says which is right.
    if used.len() < 2 {
        used = vec![0];
    }
    let left_out = (0..blanks.len())
        .filter(|i| !used.contains(i))
        .map(|i| (i, off[i].map_or(1.0, |off| off + ANOTHER)))
        .collect();
    let parts: Vec<Part<'_>> = used
        .iter()
        .map(|i| Part::of(&blanks[*i], &blanks[0], shapes[*i].as_ref()))
        .collect();
    let weight: f64 = parts.iter().map(|p| p.weight).sum();
    let level = parts.iter().map(|p| p.weight * p.level_ln).sum::<f64>() / weight;
    let held = HELD_ANEW / 2f64.sqrt();
    let chi2: f64 = parts
        .iter()
        .map(|p| ((p.level_ln - level) / held).powi(2))
        .sum();
    let freedom = parts.len() as f64 - 1.0;
    let scatter = ((STATED_FREEDOM + chi2) / (STATED_FREEDOM + freedom)).max(1.0);
    let squares: f64 = parts.iter().map(|p| p.weight.powi(2)).sum();
    let rows = blanks[0].spectrum.rows.iter();
    MeanBlank {
        spectrum: Spectrum {
            step_nm: blanks[0].spectrum.step_nm,
            rows: rows.map(|row| mean_row(row, &parts, level.exp())).collect(),
        },
        level_sigma: held * squares.sqrt() / weight * scatter.sqrt(),
        used,
        left_out,
    }
}

/// What a blank differs from the first in: logarithms of their ratio, at one exposure.
struct Shape {
    /// Its level.
    level_ln: f64,
    /// By window, what is left without the level, and its noise; absent where it is not lit.
    windows: Vec<Option<(f64, f64)>>,
}

impl Shape {
    /// Absent where too little of both is lit.
    fn of(blank: &Blank<'_>, first: &Blank<'_>) -> Option<Shape> {
        let spectrum = first.spectrum;
        let top = spectrum.rows.iter().map(|r| r.signal).fold(0.0, f64::max);
        let scale = first.exposure / blank.exposure;
        let ratio = |row: &SpectrumRow| {
            let other = at(blank.spectrum, row.wavelength_nm)?;
            let is_lit = row.signal > LIT * top && other.signal > 0.0;
            let is_whole = row.clipped <= MOST_CLIPPED && other.clipped <= MOST_CLIPPED;
            (is_lit && is_whole).then(|| {
                let noise =
                    (row.signal_sigma / row.signal).hypot(other.signal_sigma / other.signal);
                ((other.signal * scale / row.signal).ln(), noise)
            })
        };
        let ratios: Vec<Option<(f64, f64)>> = spectrum.rows.iter().map(ratio).collect();
        let logs: Vec<f64> = ratios.iter().flatten().map(|r| r.0).collect();
        if logs.len() < FEWEST_ROWS.min(spectrum.rows.len()) {
            return None;
        }
        let level_ln = median(logs)?;
        let n = (WINDOW_NM / spectrum.step_nm.max(0.01)).round().max(1.0) as usize;
        let windows = ratios.chunks(n).map(|window| {
            let known: Vec<(f64, f64)> = window.iter().flatten().copied().collect();
            let n_known = known.len() as f64;
            (2 * known.len() > n).then(|| {
                let mean = known.iter().map(|r| r.0).sum::<f64>() / n_known;
                let noise = known.iter().map(|r| r.1).sum::<f64>() / n_known;
                (mean - level_ln, noise)
            })
        });
        Some(Shape {
            level_ln,
            windows: windows.collect(),
        })
    }
}

/// By how much each blank is farther from the middle of all than it may be, a share of the light: positive for another light;
/// absent for one that cannot be compared. The middle of two is the first.
fn off_the_middle(shapes: &[Option<Shape>]) -> Vec<Option<f64>> {
    let known: Vec<&Shape> = shapes.iter().flatten().collect();
    let middle = |of: &dyn Fn(&Shape) -> Option<f64>| -> f64 {
        let all = sorted(known.iter().filter_map(|shape| of(shape)));
        match all.len() {
            0..=2 => 0.0,
            n => 0.5 * (all[(n - 1) / 2] + all[n / 2]),
        }
    };
    let level = middle(&|shape| Some(shape.level_ln));
    let n_windows = known.first().map_or(0, |shape| shape.windows.len());
    let windows: Vec<f64> = (0..n_windows)
        .map(|k| middle(&|shape| shape.windows[k].map(|w| w.0)))
        .collect();
    let off = |shape: &Shape| {
        let in_windows = shape
            .windows
            .iter()
            .zip(&windows)
            .filter_map(|(w, middle)| {
                let (value, noise) = (*w)?;
                Some((value - middle).abs() - OFF_SIGMAS * OF_A_WINDOW * noise)
            });
        in_windows.fold((shape.level_ln - level).abs(), f64::max) - ANOTHER
    };
    shapes.iter().map(|s| s.as_ref().map(off)).collect()
}

/// A blank's part in the mean.
struct Part<'a> {
    spectrum: &'a Spectrum,
    /// Brings it to the first one's exposure.
    scale: f64,
    level_ln: f64,
    weight: f64,
}

impl<'a> Part<'a> {
    fn of(blank: &Blank<'a>, first: &Blank<'_>, shape: Option<&Shape>) -> Part<'a> {
        let rows = &blank.spectrum.rows;
        let top = rows.iter().map(|r| r.signal).fold(0.0, f64::max);
        let lit = rows.iter().filter(|r| r.signal > LIT * top);
        let noise = median(lit.map(|r| r.signal_sigma / r.signal)).unwrap_or(1.0);
        Part {
            spectrum: blank.spectrum,
            scale: first.exposure / blank.exposure,
            level_ln: shape.map_or(0.0, |shape| shape.level_ln),
            weight: 1.0 / (noise.powi(2) + 0.5 * HELD_ANEW.powi(2)),
        }
    }
}

/// The mean at a row's wavelength, at a level.
fn mean_row(row: &SpectrumRow, parts: &[Part<'_>], level: f64) -> SpectrumRow {
    let mut weight = 0.0;
    let mut sum = SpectrumRow {
        wavelength_nm: row.wavelength_nm,
        signal: 0.0,
        signal_sigma: 0.0,
        rgb: [0.0; 3],
        rgb_sigma: [0.0; 3],
        clipped: 0.0,
    };
    for part in parts {
        let Some(seen) = at(part.spectrum, row.wavelength_nm) else {
            continue;
        };
        weight += part.weight;
        let share = part.weight * part.scale * level / part.level_ln.exp();
        sum.signal += share * seen.signal;
        sum.signal_sigma = sum.signal_sigma.hypot(share * seen.signal_sigma);
        for c in 0..3 {
            sum.rgb[c] += share * seen.rgb[c];
            sum.rgb_sigma[c] = sum.rgb_sigma[c].hypot(share * seen.rgb_sigma[c]);
        }
        sum.clipped = sum.clipped.max(seen.clipped);
    }
    if weight > 0.0 {
        sum.signal /= weight;
        sum.signal_sigma /= weight;
        sum.rgb = sum.rgb.map(|value| value / weight);
        sum.rgb_sigma = sum.rgb_sigma.map(|value| value / weight);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answers::tests::drawn;
    use rand::{RngExt, SeedableRng};

    fn lamp(nm: f64) -> f64 {
        0.05 + 0.4 * (-0.5 * ((nm - 550.0) / 60.0f64).powi(2)).exp()
    }

    /// The lamp's light at a level, with noise of 2e-3.
    fn photo(level: f64, seed: u64) -> Spectrum {
        let mut chance = rand_pcg::Pcg64Mcg::seed_from_u64(seed);
        let mut normal = || (0..12).map(|_| chance.random::<f64>()).sum::<f64>() - 6.0;
        let mut spectrum = drawn((400.0, 700.0), 1.0, |nm| level * lamp(nm));
        for row in &mut spectrum.rows {
            row.signal += 2e-3 * normal();
            row.rgb = row.rgb.map(|value| value + 3.5e-3 * normal());
            (row.signal_sigma, row.rgb_sigma) = (2e-3, [3.5e-3; 3]);
        }
        spectrum
    }

    fn mean_of(spectra: &[Spectrum]) -> MeanBlank {
        let blank = |spectrum| Blank {
            spectrum,
            exposure: 1.0,
        };
        let blanks: Vec<Blank<'_>> = spectra.iter().map(blank).collect();
        mean_blank(&blanks)
    }

    /// Root mean square of what is off the lamp's light, without its level.
    fn noise(of: &Spectrum) -> f64 {
        let n = of.rows.len() as f64;
        let off = |row: &SpectrumRow| (row.signal - lamp(row.wavelength_nm)).powi(2);
        (of.rows.iter().map(off).sum::<f64>() / n).sqrt()
    }

    #[test]
    fn the_noise_of_four_blanks_is_half_of_one_s_and_says_so() {
        let four: Vec<Spectrum> = (0..4).map(|seed| photo(1.0, seed)).collect();
        let (one, mean) = (mean_of(&four[..1]), mean_of(&four));
        assert_eq!((one.spectrum.rows[7], one.used), (four[0].rows[7], vec![0]));
        assert!((one.level_sigma - HELD_ANEW / 2f64.sqrt()).abs() < 1e-12);
        assert_eq!(mean.used, [0, 1, 2, 3]);
        let gained = noise(&mean.spectrum) / noise(&four[0]);
        assert!((0.42..0.58).contains(&gained), "{gained}");
        let row = mean.spectrum.rows[100];
        assert!((row.signal_sigma / 1e-3 - 1.0).abs() < 0.02, "{row:?}");
        assert!((row.rgb_sigma[1] / 1.75e-3 - 1.0).abs() < 0.02, "{row:?}");
        let level = mean.level_sigma / one.level_sigma;
        assert!((level - 0.5).abs() < 0.02, "{level}");
    }

    #[test]
    fn the_order_of_the_others_changes_nothing_but_rounding() {
        let all: Vec<Spectrum> = [1.0, 1.01, 0.985, 1.3]
            .into_iter()
            .zip(0..)
            .map(|(level, seed)| photo(level, seed))
            .collect();
        let turned = [0, 3, 2, 1].map(|i| all[i].clone());
        let (a, b) = (mean_of(&all), mean_of(&turned));
        assert_eq!((a.used, b.used), (vec![0, 1, 2], vec![0, 2, 3]));
        for (a, b) in a.spectrum.rows.iter().zip(&b.spectrum.rows) {
            assert!((a.signal - b.signal).abs() < 1e-12);
        }
    }

    #[test]
    fn a_blank_of_another_light_is_left_out_even_the_first_and_scatter_counts() {
        let mut all: Vec<Spectrum> = (0..4).map(|seed| photo(1.0, seed)).collect();
        all[0] = photo(1.12, 9);
        let mean = mean_of(&all);
        assert_eq!(mean.used, [1, 2, 3]);
        assert!(
            (mean.left_out[0].1 - 0.113).abs() < 0.01,
            "{:?}",
            mean.left_out
        );
        // Something was in the light, of the same light beside its band.
        let mut dyed = photo(1.0, 5);
        for row in &mut dyed.rows {
            let band = 0.2 * (-0.5 * ((row.wavelength_nm - 520.0) / 15.0f64).powi(2)).exp();
            row.signal *= 1.0 - band;
        }
        assert_eq!(mean_of(&[photo(1.0, 1), dyed]).used, [0]);
        // A lamp that flickers by 3 %.
        let calm = mean_of(&[1.0, 1.0, 1.0, 1.0].map(|level| photo(level, 3)));
        let wild = mean_of(&[1.0, 1.03, 0.97, 1.04].map(|level| photo(level, 3)));
        assert_eq!(wild.used.len(), 4);
        assert!(
            wild.level_sigma > 1.3 * calm.level_sigma,
            "{}",
            wild.level_sigma
        );
    }

    #[test]
    fn a_blank_that_ends_early_or_was_exposed_a_little_longer_makes_no_step() {
        let (first, mut short) = (photo(1.0, 1), photo(1.04, 2));
        short.rows.truncate(150);
        let blanks = [(&first, 1.0), (&short, 1.04)]
            .map(|(spectrum, exposure)| Blank { spectrum, exposure });
        let mean = mean_blank(&blanks);
        assert_eq!(mean.used, [0, 1]);
        let share = |range: std::ops::Range<usize>| {
            let of =
                |rows: &[SpectrumRow]| rows[range.clone()].iter().map(|r| r.signal).sum::<f64>();
            of(&mean.spectrum.rows) / of(&first.rows)
        };
        assert!((share(100..150) / share(150..200) - 1.0).abs() < 0.005);
    }
}
