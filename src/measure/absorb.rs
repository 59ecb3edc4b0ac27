//! Sample over blank: transmittance and absorbance, wavelength by wavelength, from the channels that carry signal there.

use crate::measure::{AbsorbanceRow, Estimate, Spectrum, SpectrumRow};

/// A channel weaker than this share of the strongest one at the same wavelength says little: what the phone's colour
/// matrix took away below zero was cut, and colour is smoothed.
const LEAST_CHANNEL_SHARE: f64 = 0.25;
/// Below this level (linear share of full scale) an 8-bit photo tells the blank's light in fewer than five steps.
const LEAST_BLANK: f64 = 0.0015;
/// An absorbance with more than this uncertainty means nothing.
const LARGEST_SIGMA: f64 = 0.3;

/// Transmittance and absorbance of `sample` against `blank`, one entry per row of `sample`.
///
/// `exposure_ratio` is the blank's exposure (time × ISO) over the sample's. Entries are empty where the blank has no
/// light, where either is clipped, where the sample's light is not above twice its noise (absorbance only), or where
/// the uncertainty is larger than 0.3. The blank must have the same steps; where its range ends, entries are empty.
pub fn absorbance(sample: &Spectrum, blank: &Spectrum, exposure_ratio: f64) -> Vec<AbsorbanceRow> {
    let Some(first) = blank.rows.first() else {
        return vec![AbsorbanceRow::default(); sample.rows.len()];
    };
    sample
        .rows
        .iter()
        .map(|row| {
            let place = (row.wavelength_nm - first.wavelength_nm) / blank.step_nm;
            between(blank, place).map_or_else(AbsorbanceRow::default, |reference| {
                one(row, &reference, exposure_ratio)
            })
        })
        .collect()
}

/// Is a sample the blank's light through something?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Likeness {
    /// It cannot be: it has lines, or light where the blank has none.
    Another,
    /// Alike, but fainter at every wavelength: a grey filter, or another lamp of the same kind.
    Perhaps,
    /// Alike, and somewhere as bright, as a solution is beside its band.
    Same,
}

/// Whether `sample` can be the light of `blank` through an absorber: never much brighter than it, and different only in
/// broad strokes. Another lamp has lines, or light where the blank has none.
///
/// `exposure_ratio` as in [`absorbance`]. `Same` where too little of the blank is lit to tell.
pub fn likeness(sample: &Spectrum, blank: &Spectrum, exposure_ratio: f64) -> Likeness {
    let Some(first) = blank.rows.first() else {
        return Likeness::Same;
    };
    let strongest = |row: &SpectrumRow| row.rgb.iter().copied().fold(0.0f64, f64::max);
    let top = blank.rows.iter().map(strongest).fold(0.0f64, f64::max);
    // Log of sample over blank where the blank is lit; a floor of a hundredth, for what is absorbed altogether.
    let ratios: Vec<Option<f64>> = sample
        .rows
        .iter()
        .map(|row| {
            let reference = between(
                blank,
                (row.wavelength_nm - first.wavelength_nm) / blank.step_nm,
            )?;
            (strongest(&reference) > 0.05 * top && reference.clipped < 0.02 && row.clipped < 0.02)
                .then(|| {
                    (row.signal * exposure_ratio / reference.signal.max(1e-9))
                        .max(0.01)
                        .ln()
                })
        })
        .collect();
    let lit: Vec<f64> = ratios.iter().flatten().copied().collect();
    if lit.len() < 40 {
        return Likeness::Same;
    }
    let brighter = lit.iter().filter(|r| **r > 1.3f64.ln()).count() as f64 / lit.len() as f64;
    // Bands of dyes are tens of nanometres wide: over 5 nm they change by less than a fifth, lines by factors.
    let reach = (5.0 / sample.step_nm.max(0.01)).round() as usize;
    let changes: Vec<f64> = ratios
        .iter()
        .zip(ratios.iter().skip(reach))
        .filter_map(|(a, b)| Some(((*a)? - (*b)?).abs()))
        .collect();
    let rough = changes.iter().filter(|c| **c > 0.5).count() as f64 / changes.len().max(1) as f64;
    // No sample of a class takes away 98 % of half of the light; a lamp of few lines has nothing there.
    let dark = lit.iter().filter(|r| **r < 0.02f64.ln()).count() as f64 / lit.len() as f64;
    if brighter >= 0.15 || rough >= 0.15 || dark >= 0.5 {
        return Likeness::Another;
    }
    // A solution lets nearly all through somewhere; a tenth of the lit range, so that one noisy spot does not decide.
    let clear = lit.iter().filter(|r| **r > 0.75f64.ln()).count() as f64 / lit.len() as f64;
    if clear > 0.1 {
        Likeness::Same
    } else {
        Likeness::Perhaps
    }
}

/// The blank at a fractional index, linear between its rows.
fn between(blank: &Spectrum, place: f64) -> Option<SpectrumRow> {
    if place < -1e-6 {
        return None;
    }
    let i = (place + 1e-6).floor();
    let t = (place - i).max(0.0);
    let a = blank.rows.get(i as usize)?;
    if t < 1e-3 {
        return Some(*a);
    }
    let b = blank.rows.get(i as usize + 1)?;
    let mix = |x: f64, y: f64| x * (1.0 - t) + y * t;
    Some(SpectrumRow {
        wavelength_nm: mix(a.wavelength_nm, b.wavelength_nm),
        signal: mix(a.signal, b.signal),
        signal_sigma: a.signal_sigma.max(b.signal_sigma),
        rgb: std::array::from_fn(|c| mix(a.rgb[c], b.rgb[c])),
        rgb_sigma: std::array::from_fn(|c| a.rgb_sigma[c].max(b.rgb_sigma[c])),
        clipped: a.clipped.max(b.clipped),
    })
}

fn one(sample: &SpectrumRow, blank: &SpectrumRow, exposure_ratio: f64) -> AbsorbanceRow {
    if sample.clipped > 0.02 || blank.clipped > 0.02 {
        return AbsorbanceRow::default();
    }
    let strongest = blank.rgb.iter().copied().fold(0.0f64, f64::max);
    let (mut sum, mut weights) = (0.0, 0.0);
    for c in 0..3 {
        let (b, s) = (blank.rgb[c], sample.rgb[c]);
        let (sb, ss) = (blank.rgb_sigma[c], sample.rgb_sigma[c]);
        if b < LEAST_BLANK || b < LEAST_CHANNEL_SHARE * strongest || b < 5.0 * sb {
            continue;
        }
        let t = s / b * exposure_ratio;
        // Both noises (GUM 5.1.2, first order); a floor of one part in 400 for the tone curve's steps.
        let sigma = ((ss / b * exposure_ratio).powi(2)
            + (t * sb / b).powi(2)
            + (0.0025 * t.max(0.05)).powi(2))
        .sqrt();
        let weight = 1.0 / (sigma * sigma);
        sum += weight * t;
        weights += weight;
    }
    if weights <= 0.0 {
        return AbsorbanceRow::default();
    }
    let transmittance = Estimate {
        value: sum / weights,
        sigma: (1.0 / weights).sqrt(),
    };
    let sigma = transmittance.sigma / (transmittance.value.max(1e-9) * std::f64::consts::LN_10);
    let absorbance = (transmittance.value > 2.0 * transmittance.sigma && sigma < LARGEST_SIGMA)
        .then(|| Estimate {
            value: -transmittance.value.log10(),
            sigma,
        });
    AbsorbanceRow {
        transmittance: Some(transmittance),
        absorbance,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flat(level: f64, clipped: f64) -> Spectrum {
        let row = |i: usize| SpectrumRow {
            wavelength_nm: 500.0 + i as f64,
            signal: level,
            signal_sigma: 1e-4,
            rgb: [level; 3],
            rgb_sigma: [1e-4; 3],
            clipped,
        };
        Spectrum {
            step_nm: 1.0,
            rows: (0..5).map(row).collect(),
        }
    }

    #[test]
    fn ten_per_cent_of_the_light_is_an_absorbance_of_one() {
        // Common definition A = −log10 T (IUPAC Gold Book, absorbance).
        let rows = absorbance(&flat(0.05, 0.0), &flat(0.5, 0.0), 1.0);
        assert!((rows[2].absorbance.unwrap().value - 1.0).abs() < 1e-9);
    }

    #[test]
    fn half_the_exposure_is_linked_by_its_ratio() {
        let rows = absorbance(&flat(0.1, 0.0), &flat(0.4, 0.0), 2.0);
        assert!((rows[0].transmittance.unwrap().value - 0.5).abs() < 1e-9);
    }

    #[test]
    fn a_clipped_blank_gives_empty_cells() {
        let rows = absorbance(&flat(0.1, 0.0), &flat(0.4, 0.5), 1.0);
        assert!(rows.iter().all(|r| *r == AbsorbanceRow::default()));
    }

    #[test]
    fn a_line_lamp_is_not_the_blanks_light_and_half_of_it_is() {
        let blank = Spectrum {
            step_nm: 1.0,
            rows: (0..200)
                .map(|i| SpectrumRow {
                    wavelength_nm: 450.0 + f64::from(i),
                    ..flat(0.4, 0.0).rows[0]
                })
                .collect(),
        };
        let scaled = |f: &dyn Fn(usize) -> f64| Spectrum {
            step_nm: 1.0,
            rows: blank
                .rows
                .iter()
                .enumerate()
                .map(|(i, r)| SpectrumRow {
                    signal: r.signal * f(i),
                    ..*r
                })
                .collect(),
        };
        let seen = |f: &dyn Fn(usize) -> f64| likeness(&scaled(f), &blank, 1.0);
        assert_eq!(seen(&|_| 0.5), Likeness::Perhaps);
        assert_eq!(seen(&|i| 0.1 + 0.005 * i as f64), Likeness::Same);
        assert_eq!(
            seen(&|i| if i % 40 < 4 { 0.8 } else { 0.01 }),
            Likeness::Another
        );
        assert_eq!(seen(&|_| 2.0), Likeness::Another);
    }

    #[test]
    fn a_dark_blank_gives_empty_cells() {
        let rows = absorbance(&flat(0.0005, 0.0), &flat(0.001, 0.0), 1.0);
        assert!(rows.iter().all(|r| *r == AbsorbanceRow::default()));
    }
}
