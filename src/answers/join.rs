//! One spectrum from several exposures of one scene: the long ones show what is weak, the short ones what the long ones clip.
//! Their ratios are taken from the light that both of two exposures show, and the written exposures only check them.

use super::means::{MOST_CLIPPED, WeightedMean, between};
use super::refusal::Refusal;
use crate::terms::{Estimate, Spectrum, SpectrumRow};

/// Two exposures are compared where the longer one is at least `LEAST_SNR` times its noise and the shorter one can be
/// expected to be `LEAST_SHORT_SNR` times its own.
const LEAST_SNR: f64 = 10.0;
const LEAST_SHORT_SNR: f64 = 3.0;
/// They must have this much of the spectrum in common for a ratio, nm: a line or two with their flanks.
const LEAST_COMMON_NM: f64 = 10.0;
/// Rows nearer than this share their light: about a bandpass, nm. Rows so near to a clipped one are left to a shorter exposure:
/// what the ceiling cut off is missing from their blurred light, and from the colour that a photo keeps in coarser steps.
const ALIKE_NM: f64 = 2.0;
/// Relative standard uncertainty of a written exposure ratio, which stands where nothing can be compared: times are rounded,
/// and the ends of the tone curve are uncertain.
const WRITTEN: f64 = 0.05;
/// Joining gains something from this ratio of the longest to the shortest exposure on.
const LEAST_APART: f64 = 1.2;
/// A measured ratio that differs from the written one by a greater factor is no exposure's: the lamp or the aim changed.
const MOST_APART: f64 = 1.3;

/// One photo of a scene that was photographed at several exposures.
#[derive(Clone, Copy, Debug)]
pub struct Shot<'a> {
    /// The spectrum of this exposure.
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
    /// The channels of the same; they mean nothing where the signal is absent.
    pub rgb: [Estimate; 3],
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
    /// The ratio of the written exposures.
    pub written: f64,
    /// False where nothing could be compared, and the written ratio stands.
    pub is_measured: bool,
}

/// A spectrum of several exposures.
#[derive(Clone, Debug, PartialEq)]
pub struct Joined {
    /// Rising in wavelength, in the steps of the longest exposure.
    pub rows: Vec<Row>,
    /// How the others were fitted, from the second longest exposure to the shortest.
    pub ratios: Vec<Ratio>,
}

impl Joined {
    /// The same as one photo's spectrum. Where no exposure shows anything it is clipped altogether.
    pub fn spectrum(&self) -> Spectrum {
        let row = |row: &Row| {
            let signal = row.signal.unwrap_or(Estimate::new(0.0, 1.0));
            SpectrumRow {
                wavelength_nm: row.wavelength_nm,
                signal: signal.value,
                signal_sigma: signal.sigma,
                rgb: row.rgb.map(|e| e.value),
                rgb_sigma: row.rgb.map(|e| e.sigma),
                clipped: if row.signal.is_some() { 0.0 } else { 1.0 },
            }
        };
        let step_nm = match self.rows.as_slice() {
            [first, .., last] => {
                (last.wavelength_nm - first.wavelength_nm) / (self.rows.len() - 1) as f64
            }
            _ => 1.0,
        };
        Spectrum {
            step_nm,
            rows: self.rows.iter().map(row).collect(),
        }
    }
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
    let order = from_longest(shots)?;
    let first = &shots[order[0]];
    let mut joined = vec![Sum::default(); first.spectrum.rows.len()];
    for (sum, seen) in joined.iter_mut().zip(seen_by(first, first.spectrum)) {
        sum.add(seen, Estimate::new(1.0, 0.0));
    }
    let mut ratios = Vec::new();
    for &shot in &order[1..] {
        let of = &shots[shot];
        let written = first.exposure / of.exposure;
        let seen = seen_by(of, first.spectrum);
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
        for (sum, seen) in joined.iter_mut().zip(seen) {
            sum.add(seen, ratio);
        }
        ratios.push(Ratio {
            shot,
            ratio,
            written,
            is_measured,
        });
    }
    let rows = first.spectrum.rows.iter().zip(&joined);
    let rows = rows.map(|(row, sum)| Row {
        wavelength_nm: row.wavelength_nm,
        signal: sum.mean(),
        rgb: sum.channels(),
        shots: sum.shots,
    });
    Ok(Joined {
        rows: rows.collect(),
        ratios,
    })
}

/// The numbers of the shots from the longest exposure to the shortest.
fn from_longest(shots: &[Shot<'_>]) -> Result<Vec<usize>, Refusal> {
    let mut order: Vec<usize> = (0..shots.len()).collect();
    order.sort_by(|a, b| shots[*b].exposure.total_cmp(&shots[*a].exposure));
    let [longest, .., shortest] = order.as_slice() else {
        return Err(Refusal::new(
            "too-few-shots",
            "two exposures of one scene are needed to join them",
        ));
    };
    let is_known = |s: &Shot<'_>| s.exposure > 0.0 && s.exposure.is_finite();
    if !shots.iter().all(is_known) {
        return Err(Refusal::new("no-exposure", "an exposure is not known"));
    }
    if shots[*longest].exposure < LEAST_APART * shots[*shortest].exposure {
        return Err(Refusal::new(
            "too-alike",
            "the exposures are nearly the same: nothing is gained by joining them",
        ));
    }
    Ok(order)
}

/// A row on its way: the weighted mean of what the shots show of it, in the light of the longest exposure.
#[derive(Clone, Copy, Default)]
struct Sum {
    light: WeightedMean,
    rgb: [WeightedMean; 3],
    /// Σ weight × relative uncertainty of the ratio.
    common: f64,
    shots: usize,
}

impl Sum {
    /// Takes in what a shot shows, if it shows anything; `ratio` is the longest exposure's light over that shot's.
    fn add(&mut self, seen: Option<Seen>, ratio: Estimate) {
        if let Some(Seen { signal, rgb }) = seen {
            let scaled = |mean: &mut WeightedMean, e: Estimate| {
                mean.add(ratio.value * e.value, ratio.value * e.sigma)
            };
            let weight = scaled(&mut self.light, signal);
            for (mean, channel) in self.rgb.iter_mut().zip(rgb) {
                scaled(mean, channel);
            }
            self.common += weight * (ratio.sigma / ratio.value);
            self.shots += 1;
        }
    }

    fn mean(&self) -> Option<Estimate> {
        let mean = self.light.mean()?;
        let common = mean.value * self.common / self.light.weight();
        Some(Estimate::new(mean.value, mean.sigma.hypot(common)))
    }

    /// The channels, with the same share of uncertainty from the ratios.
    fn channels(&self) -> [Estimate; 3] {
        self.rgb.map(|channel| {
            let mean = channel.mean().unwrap_or(Estimate::new(0.0, 1.0));
            let common = mean.value * self.common / self.light.weight().max(1e-300);
            Estimate::new(mean.value, mean.sigma.hypot(common))
        })
    }
}

/// What a shot shows at a wavelength.
#[derive(Clone, Copy)]
struct Seen {
    signal: Estimate,
    rgb: [Estimate; 3],
}

/// The light of a shot at the wavelengths of `grid`, linear between the shot's rows. Absent where the shot does not reach
/// and within a bandpass of what is clipped in it.
fn seen_by(shot: &Shot<'_>, grid: &Spectrum) -> Vec<Option<Seen>> {
    let spectrum = shot.spectrum;
    let rows = &spectrum.rows;
    let reach = (ALIKE_NM / spectrum.step_nm.max(1e-3)).round() as usize;
    let mut is_sound = vec![true; rows.len()];
    for i in (0..rows.len()).filter(|i| rows[*i].clipped > MOST_CLIPPED) {
        let past = (i + reach + 1).min(rows.len());
        is_sound[i.saturating_sub(reach)..past].fill(false);
    }
    let at = |wavelength_nm: f64| {
        let (before, after, t) = between(rows, |row| row.wavelength_nm, wavelength_nm)?;
        let (a, b) = (&rows[before], &rows[after]);
        (is_sound[before] && is_sound[after]).then(|| {
            let mix = |a: f64, b: f64| a + t * (b - a);
            let channel = |c: usize| {
                let sigma = a.rgb_sigma[c].max(b.rgb_sigma[c]);
                Estimate::new(mix(a.rgb[c], b.rgb[c]), sigma)
            };
            let sigma = a.signal_sigma.max(b.signal_sigma);
            Seen {
                signal: Estimate::new(mix(a.signal, b.signal), sigma),
                rgb: std::array::from_fn(channel),
            }
        })
    };
    grid.rows.iter().map(|row| at(row.wavelength_nm)).collect()
}

/// The ratio of what is joined to what a shot shows; absent where they have too little in common.
///
/// The shot's light is fitted as a share of the joined, whose noise is smaller; rows are chosen by the joined light alone.
/// Choosing or weighing by the shot's own noisy light would favour rows whose noise is positive.
fn compared(joined: &[Sum], seen: &[Option<Seen>], step_nm: f64, written: f64) -> Option<Estimate> {
    let share = 1.0 / written;
    let pairs: Vec<(f64, f64, f64)> = joined
        .iter()
        .zip(seen)
        .filter_map(|(sum, e)| {
            let (long, short) = (sum.mean()?, (*e)?.signal);
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
            // As one spectrum: alike in all channels, as it was drawn.
            let whole = joined.spectrum();
            let top = &whole.rows[280];
            assert_eq!((top.wavelength_nm, top.signal), (540.0, strong.value));
            assert!(
                top.rgb
                    .iter()
                    .all(|c| (c / (8.0 * light(540.0)) - 1.0).abs() < 0.02),
                "{top:?}"
            );
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
