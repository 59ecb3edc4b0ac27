//! One spectrum from several exposures of one scene: the long ones show what is weak, the short ones what the long ones clip.
//! Their ratios are taken from the light that both of two exposures show, and the written exposures only check them.

use super::Refusal;
use crate::terms::{Estimate, Spectrum};

/// A row with more of its pixels at the sensor's ceiling is left to a shorter exposure, and so are those within a bandpass of
/// it: what the ceiling cut off is missing from their blurred light, and from the colour that a photo keeps in coarser steps.
const MOST_CLIPPED: f64 = 0.02;
/// Two exposures are compared where the longer one stands out of its noise by the first factor, and the shorter one can be
/// expected to by the second.
const LEAST_SNR: f64 = 10.0;
const LEAST_SHORT_SNR: f64 = 3.0;
/// They must have this much of the spectrum in common for a ratio, nm: a line or two with their flanks.
const LEAST_COMMON_NM: f64 = 10.0;
/// Rows nearer than this share their light: about a bandpass, nm.
const ALIKE_NM: f64 = 2.0;
/// What a written exposure ratio is worth where nothing can be compared: rounded times, and the tone curve's ends.
const WRITTEN: f64 = 0.05;
/// A measured ratio that differs from the written one by a greater factor is no exposure's: the lamp or the aim changed.
const MOST_APART: f64 = 1.3;

/// One exposure.
#[derive(Clone, Copy, Debug)]
pub struct Shot<'a> {
    /// Its spectrum.
    pub spectrum: &'a Spectrum,
    /// Exposure time × ISO as written, any unit.
    pub exposure: f64,
}

/// A wavelength of the joined spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Wavelength, nm.
    pub wavelength_nm: f64,
    /// Light as the longest exposure would show it if nothing were blown out: the mean of the channels, in shares of its full
    /// scale. Absent where every exposure was blown out, or none reaches.
    pub signal: Option<Estimate>,
    /// How many exposures show it.
    pub shots: usize,
}

/// How one exposure was fitted to the longer ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratio {
    /// Number of the shot in the order given.
    pub shot: usize,
    /// Light in the longest exposure over that in this one.
    pub ratio: Estimate,
    /// The same from the written exposures.
    pub written: f64,
    /// False where nothing could be compared, and the written ratio stands.
    pub is_measured: bool,
}

/// A spectrum of several exposures.
#[derive(Clone, Debug, PartialEq)]
pub struct Joined {
    /// Rising in wavelength, in the steps of the longest exposure.
    pub rows: Vec<Row>,
    /// From the second longest exposure to the shortest.
    pub ratios: Vec<Ratio>,
}

/// Joins exposures of one scene, from the longest to the shortest.
///
/// Each ratio is the weighted mean over the rows that the exposure has in common with those joined before, its uncertainty
/// enlarged where they scatter more than their noise (JCGM 100, 4.2 and 5.1.2). To it comes the doubt of the tone curve,
/// `tone_share` of the logarithm of the ratio, as for absorbances ([`crate::answers::absorb::Link`]). Rows are weighted means;
/// the ratio's uncertainty is common to all that a shot adds.
///
/// # Errors
/// `too-few-shots` below two exposures; `too-alike` where the longest is not 1.2 times the shortest; `no-exposure` where one
/// is not positive; `exposures-disagree` where light and written exposures differ by more than a factor 1.3.
pub fn join(shots: &[Shot<'_>], tone_share: f64) -> Result<Joined, Refusal> {
    let mut order: Vec<usize> = (0..shots.len()).collect();
    order.sort_by(|a, b| shots[*b].exposure.total_cmp(&shots[*a].exposure));
    let [longest, rest @ ..] = order.as_slice() else {
        return Err(too_few());
    };
    let Some(shortest) = rest.last() else {
        return Err(too_few());
    };
    if shots
        .iter()
        .any(|s| !(s.exposure > 0.0 && s.exposure.is_finite()))
    {
        return Err(Refusal::new("no-exposure", "an exposure is not known"));
    }
    if shots[*longest].exposure < 1.2 * shots[*shortest].exposure {
        return Err(Refusal::new(
            "too-alike",
            "the exposures are nearly the same: nothing is gained by joining them",
        ));
    }
    let first = &shots[*longest];
    let mut joined: Vec<Sum> = first
        .spectrum
        .rows
        .iter()
        .zip(sound(first.spectrum))
        .map(|(row, is_sound)| {
            let mut sum = Sum::default();
            if is_sound {
                sum.add(row.signal, row.signal_sigma, 0.0);
            }
            sum
        })
        .collect();
    let mut ratios = Vec::new();
    for &shot in rest {
        let of = &shots[shot];
        let written = first.exposure / of.exposure;
        let is_sound = sound(of.spectrum);
        let seen: Vec<Option<Estimate>> = first
            .spectrum
            .rows
            .iter()
            .map(|row| at(of.spectrum, &is_sound, row.wavelength_nm))
            .collect();
        let measured = compared(&joined, &seen, first.spectrum.step_nm, written);
        let is_measured = measured.is_some();
        let mut ratio = measured.unwrap_or(Estimate::new(written, WRITTEN * written));
        ratio.sigma = ratio
            .sigma
            .hypot(tone_share * written.ln().abs() * ratio.value);
        if is_measured && (ratio.value / written).ln().abs() > MOST_APART.ln() {
            return Err(Refusal::new(
                "exposures-disagree",
                format!(
                    "by its light an exposure is {:.2} times shorter, by what is written {written:.2} times: the lamp or the aim changed between them",
                    ratio.value
                ),
            ));
        }
        for (sum, e) in joined.iter_mut().zip(&seen) {
            if let Some(e) = e {
                sum.add(
                    ratio.value * e.value,
                    ratio.value * e.sigma,
                    ratio.sigma / ratio.value,
                );
            }
        }
        ratios.push(Ratio {
            shot,
            ratio,
            written,
            is_measured,
        });
    }
    let rows = first
        .spectrum
        .rows
        .iter()
        .zip(&joined)
        .map(|(row, sum)| Row {
            wavelength_nm: row.wavelength_nm,
            signal: sum.mean(),
            shots: sum.shots,
        })
        .collect();
    Ok(Joined { rows, ratios })
}

fn too_few() -> Refusal {
    Refusal::new(
        "too-few-shots",
        "two exposures of one scene are needed to join them",
    )
}

/// Weighted mean of a row on its way.
#[derive(Clone, Copy, Default)]
struct Sum {
    weight: f64,
    total: f64,
    /// Σ weight × relative uncertainty of the ratio.
    common: f64,
    shots: usize,
}

impl Sum {
    fn add(&mut self, value: f64, sigma: f64, of_ratio: f64) {
        let weight = 1.0 / sigma.max(1e-9).powi(2);
        self.weight += weight;
        self.total += weight * value;
        self.common += weight * of_ratio;
        self.shots += 1;
    }

    fn mean(&self) -> Option<Estimate> {
        (self.weight > 0.0).then(|| {
            let value = self.total / self.weight;
            Estimate::new(
                value,
                (1.0 / self.weight)
                    .sqrt()
                    .hypot(value * self.common / self.weight),
            )
        })
    }
}

/// Which rows are a bandpass away from every clipped one.
fn sound(spectrum: &Spectrum) -> Vec<bool> {
    let reach = (ALIKE_NM / spectrum.step_nm.max(1e-3)).round() as usize;
    let mut is_sound = vec![true; spectrum.rows.len()];
    for (i, row) in spectrum.rows.iter().enumerate() {
        if row.clipped > MOST_CLIPPED {
            let past = (i + reach + 1).min(is_sound.len());
            is_sound[i.saturating_sub(reach)..past].fill(false);
        }
    }
    is_sound
}

/// The signal at a wavelength, linear between rows; absent where it is not sound or the spectrum does not reach.
fn at(spectrum: &Spectrum, is_sound: &[bool], wavelength_nm: f64) -> Option<Estimate> {
    let rows = &spectrum.rows;
    let after = rows.partition_point(|r| r.wavelength_nm < wavelength_nm - 1e-6);
    let b = rows.get(after)?;
    let before = if (b.wavelength_nm - wavelength_nm).abs() < 1e-5 {
        after
    } else {
        after.checked_sub(1)?
    };
    let a = &rows[before];
    if !(is_sound[before] && is_sound[after]) {
        return None;
    }
    let span = (b.wavelength_nm - a.wavelength_nm).max(1e-9);
    let t = ((wavelength_nm - a.wavelength_nm) / span).clamp(0.0, 1.0);
    Some(Estimate::new(
        a.signal + t * (b.signal - a.signal),
        a.signal_sigma.max(b.signal_sigma),
    ))
}

/// The ratio of what is joined to what a shot shows; absent where they have too little in common.
///
/// The shot's light is fitted as a share of the joined, whose noise is smaller; rows are chosen by the joined light alone.
/// Choosing or weighing by the shot's own noisy light would favour rows whose noise is positive.
fn compared(
    joined: &[Sum],
    seen: &[Option<Estimate>],
    step_nm: f64,
    written: f64,
) -> Option<Estimate> {
    let share = 1.0 / written;
    let pairs: Vec<(f64, f64, f64)> = joined
        .iter()
        .zip(seen)
        .filter_map(|(sum, e)| {
            let (long, short) = (sum.mean()?, (*e)?);
            let stands_out = long.value > LEAST_SNR * long.sigma
                && share * long.value > LEAST_SHORT_SNR * short.sigma;
            let variance = short.sigma.powi(2) + (share * long.sigma).powi(2);
            stands_out.then(|| (long.value, short.value, 1.0 / variance.max(1e-18)))
        })
        .collect();
    let n = pairs.len() as f64;
    if n * step_nm < LEAST_COMMON_NM {
        return None;
    }
    let total: f64 = pairs.iter().map(|(l, _, w)| w * l * l).sum();
    let q = pairs.iter().map(|(l, s, w)| w * l * s).sum::<f64>() / total;
    if q <= 0.0 {
        return None;
    }
    let chi2: f64 = pairs.iter().map(|(l, s, w)| w * (s - q * l).powi(2)).sum();
    let alike = (ALIKE_NM / step_nm.max(1e-3)).max(1.0);
    let excess = (chi2 / (n - 1.0).max(1.0)).max(1.0);
    Some(Estimate::new(
        1.0 / q,
        (alike * excess / total).sqrt() / (q * q),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::answers::tests::drawn;
    use rand::{RngExt, SeedableRng};

    /// A strong line, a weak one and a faint continuum, exposed `t` times as long, with noise.
    fn exposed(t: f64, seed: u64) -> Spectrum {
        let mut chance = rand_pcg::Pcg64Mcg::seed_from_u64(seed);
        let mut normal = || (0..12).map(|_| chance.random::<f64>()).sum::<f64>() - 6.0;
        let mut spectrum = drawn((400.0, 700.0), 0.5, |nm| t * light(nm));
        for row in &mut spectrum.rows {
            row.clipped = if row.signal > 1.0 { 1.0 } else { 0.0 };
            row.signal_sigma = 1e-3;
            row.signal = row.signal.min(1.0) + 1e-3 * normal();
        }
        spectrum
    }

    fn light(nm: f64) -> f64 {
        let bell = |centre: f64| (-0.5 * ((nm - centre) / 1.5f64).powi(2)).exp();
        0.9 * bell(540.0)
            + 0.04 * bell(600.0)
            + 0.01
            + 0.02 * (-0.5 * ((nm - 500.0) / 40.0f64).powi(2)).exp()
    }

    #[test]
    fn a_strong_line_comes_from_the_short_exposure_and_a_weak_one_from_the_long() {
        let (mut inside, mut all) = (0, 0i32);
        for seed in 0..40 {
            let (long, short) = (exposed(8.0, seed), exposed(1.0, 1000 + seed));
            // The phone has rounded what it wrote.
            let shots = [
                Shot {
                    spectrum: &short,
                    exposure: 1.0,
                },
                Shot {
                    spectrum: &long,
                    exposure: 8.3,
                },
            ];
            let joined = join(&shots, 0.0).unwrap();
            let ratio = joined.ratios[0];
            assert!(ratio.is_measured && ratio.shot == 0);
            assert!((ratio.ratio.value / 8.0 - 1.0).abs() < 0.01, "{ratio:?}");
            let read = |nm: f64| {
                let row = joined.rows.iter().find(|r| r.wavelength_nm == nm).unwrap();
                (row.signal.unwrap(), row.shots)
            };
            let ((strong, by), (weak, both)) = (read(540.0), read(600.0));
            assert_eq!((by, both), (1, 2));
            assert!(strong.value > 1.0, "beyond one photo's range: {strong:?}");
            // The weak line's noise is that of the long exposure, an eighth of the short one's.
            assert!(weak.sigma < 1.05e-3, "{weak:?}");
            for (e, nm) in [(strong, 540.0), (weak, 600.0)] {
                all += 1;
                inside += i32::from((e.value - 8.0 * light(nm)).abs() < 2.0 * e.sigma);
            }
        }
        let share = f64::from(inside) / f64::from(all);
        assert!((0.88..=1.0).contains(&share), "two sigma hold {share}");
    }

    #[test]
    fn what_cannot_be_compared_is_joined_as_written_and_what_is_clipped_everywhere_stays_absent() {
        let mut long = exposed(8.0, 1);
        for row in &mut long.rows {
            row.clipped = if row.wavelength_nm > 420.0 { 1.0 } else { 0.0 };
        }
        let mut short = exposed(1.0, 2);
        short.rows.retain(|r| r.wavelength_nm > 420.0);
        short.rows[300].clipped = 1.0;
        let hole = short.rows[300].wavelength_nm;
        let shots = [
            Shot {
                spectrum: &long,
                exposure: 8.0,
            },
            Shot {
                spectrum: &short,
                exposure: 1.0,
            },
        ];
        let joined = join(&shots, 0.0).unwrap();
        let ratio = joined.ratios[0];
        assert!(!ratio.is_measured && ratio.ratio.value == 8.0 && ratio.ratio.sigma > 0.3);
        let row = joined
            .rows
            .iter()
            .find(|r| r.wavelength_nm == hole)
            .unwrap();
        assert_eq!((row.signal, row.shots), (None, 0));
    }

    #[test]
    fn a_lamp_that_changed_and_too_few_or_equal_exposures_are_refused() {
        let (a, b) = (exposed(8.0, 1), exposed(1.0, 2));
        let code = |shots: &[Shot<'_>]| join(shots, 0.0).unwrap_err().code;
        let shot = |spectrum, exposure| Shot { spectrum, exposure };
        assert_eq!(code(&[]), "too-few-shots");
        assert_eq!(code(&[shot(&a, 1.0)]), "too-few-shots");
        assert_eq!(code(&[shot(&a, 1.0), shot(&b, 1.1)]), "too-alike");
        assert_eq!(code(&[shot(&a, 1.0), shot(&b, 0.0)]), "no-exposure");
        assert_eq!(code(&[shot(&a, 4.0), shot(&b, 1.0)]), "exposures-disagree");
    }
}
