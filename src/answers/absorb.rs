//! Sample over blank: transmittance and absorbance, wavelength by wavelength, from the channels that carry signal there.

use super::means::{MOST_CLIPPED, WeightedMean};
use crate::terms::{AbsorbanceRow, Estimate, Peak, PeakKind, Spectrum, SpectrumRow, sorted};

/// A channel weaker than this share of the strongest one at the same wavelength says little: what the phone's colour
/// matrix took away below zero was cut, and colour is smoothed.
const LEAST_CHANNEL_SHARE: f64 = 0.25;
/// Below this level (linear share of full scale) an 8-bit photo tells the blank's light in fewer than five steps.
const LEAST_BLANK: f64 = 0.0015;
/// An absorbance with more than this uncertainty means nothing.
const LARGEST_SIGMA: f64 = 0.3;

/// …and a channel, or a row, has light where it stands out of its noise by so many uncertainties.
const LIT_SIGMAS: f64 = 5.0;
/// The tone curve's steps leave a transmittance uncertain by this share of it, one part in 400, or of so much of it at least.
const TONE_STEP_SHARE: f64 = 0.0025;
const TONE_STEP_FROM: f64 = 0.05;
/// Where a gap is told of, nm: where phones see (no source).
const TOLD_NM: std::ops::RangeInclusive<f64> = 420.0..=680.0;

/// Between two photos the phone moves against the disc by a few tenths of a degree; light that falls 20° off its axis then
/// falls elsewhere on its lens and sensor: 4 tan 20° · 0.4° is 1 % by the natural vignetting alone (cos⁴ law).
pub const HELD_ANEW: f64 = 0.01;
/// Share of the neighbouring light that the lens scatters over and that the background beyond the slit's ends does not take
/// off: 0.01 to 0.04 on drawn photos, about half of what is scattered within the band.
const SCATTERED: f64 = 0.02;
/// How far to either side light is scattered, nm.
const SCATTER_REACH_NM: f64 = 60.0;
/// Bends are seen over so many nm: narrower than the bands of dyes, as wide as a diode's peak.
const BEND_NM: f64 = 15.0;
/// A line of the sample's own is at least so many times as bright, against the blank, as what lies beside it. Between two
/// pictures of one lamp the ratio differs from a line's top to its foot by tenths.
const LINE_STANDS_OUT: f64 = 2.0;
/// Sample and blank are compared where the blank has this share of its highest light, and in so many rows at least…
const LIT: f64 = 0.05;
const FEWEST_ROWS: usize = 40;
/// …and show different lights where more than a share of these is brighter in the sample than held anew or exposed otherwise (times),…
const BRIGHTER: f64 = 1.3;
/// …or changes by more than this (of the logarithm) over so few nm: bands of dyes are tens of nanometres wide and change by less
/// than a fifth, lines by factors…
const ROUGH_LN: f64 = 0.5;
const ROUGH_NM: f64 = 5.0;
const MOST_ODD: f64 = 0.15;
/// …or where half is darker than this: no sample of a class takes away 98 % of half of the light, and a lamp of few lines has nothing
/// there.
const DARK: f64 = 0.02;
const MOST_DARK: f64 = 0.5;
/// Exposures as phones write them are rounded: 1/33 s is written 1/30 by some (common practice, no source).
const ROUNDED: f64 = 0.01;
/// What share of a contrast a phone's own tone curve may be worth where no bracket has shown it: a mild S over sRGB changes
/// a contrast by an eighth, a gamma of 2.35 in sRGB's place by a tenth.
pub const UNKNOWN_TONE: f64 = 0.12;
/// The share of a contrast that the tone curve may be worth where a bracket has shown it.
pub const KNOWN_TONE: f64 = 0.015;

/// This share of what is common to photos of one blank does not move high and low absorbances alike (no source).
const OWN_OF_COMMON: f64 = 0.25;

/// The part of an absorbance's standard uncertainty that is this photo's own, where `signal` is the sample's: its noise, how
/// it was held, its rounded exposure where that is not the blank's. The rest (the blank's noise, the tone curve, what the
/// lens scatters) is the same in all photos that share a blank and a phone, and moves them alike; a share of it is kept,
/// for it does not move high and low absorbances quite alike.
pub fn own_sigma(absorbance: Estimate, signal: Estimate, exposures_differ: bool) -> f64 {
    let as_absorbance = |share: f64| share / std::f64::consts::LN_10;
    let noise = as_absorbance(signal.sigma / signal.value.max(1e-9));
    let rounded = if exposures_differ { ROUNDED } else { 0.0 };
    let own = noise.hypot(as_absorbance(HELD_ANEW.hypot(rounded)));
    let common = (absorbance.sigma.powi(2) - own * own).max(0.0).sqrt();
    own.min(absorbance.sigma).hypot(OWN_OF_COMMON * common)
}

/// How a sample's photo hangs together with its blank's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Link {
    /// The blank's exposure (time × ISO) over the sample's.
    pub exposure_ratio: f64,
    /// Standard uncertainty of what both photos' background leaves, linear share of full scale; from a dark.
    pub stray_sigma: f64,
    /// Standard uncertainty of the phone's tone curve as a share of the logarithm of what the two photos differ by:
    /// [`UNKNOWN_TONE`], [`KNOWN_TONE`].
    pub tone_share: f64,
    /// What the two photos differ by because the phone is held anew for each, a share of the light: [`HELD_ANEW`] for one blank, less
    /// for the mean of several.
    pub held: f64,
}

impl Link {
    /// Exposures in this ratio, one blank, no dark, no bracket.
    pub fn of(exposure_ratio: f64) -> Link {
        Link {
            exposure_ratio,
            stray_sigma: 0.0,
            tone_share: UNKNOWN_TONE,
            held: HELD_ANEW,
        }
    }
}

/// Why a wavelength of a sample has no absorbance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Gap {
    /// The blank's spectrum ends before it.
    NoBlank,
    /// The sample is clipped there.
    SampleClipped,
    /// The blank is clipped there.
    BlankClipped,
    /// The blank has too little light there.
    BlankDark,
    /// The sample's light is lost in its noise.
    Noise,
}

impl Gap {
    /// The reason in words, as it stands after "absorbance at … : ".
    pub fn words(self) -> &'static str {
        match self {
            Gap::NoBlank => "the blank's spectrum does not reach so far",
            Gap::SampleClipped => "the sample is over-exposed",
            Gap::BlankClipped => "the blank is over-exposed",
            Gap::BlankDark => "the blank has too little light",
            Gap::Noise => "the sample's light is lost in noise and stray light",
        }
    }
}

/// Why cells between 420 and 680 nm are empty: the reason, where it begins and ends (nm), and how much it takes of that
/// range (nm). Rising in reasons; only reasons that take 2 nm or more.
pub fn gaps(sample: &Spectrum, blank: &Spectrum, link: &Link) -> Vec<(Gap, f64, f64, f64)> {
    let mut found: std::collections::BTreeMap<Gap, (f64, f64, f64)> = Default::default();
    for (row, cell) in sample.rows.iter().zip(cells(sample, blank, link)) {
        let nm = row.wavelength_nm;
        if !TOLD_NM.contains(&nm) {
            continue;
        }
        let why = match cell {
            Err(why) => why,
            Ok(AbsorbanceRow {
                absorbance: None, ..
            }) => Gap::Noise,
            Ok(_) => continue,
        };
        let known = found.entry(why).or_insert((nm, nm, 0.0));
        known.1 = nm;
        known.2 += sample.step_nm;
    }
    found
        .into_iter()
        .filter(|(_, (_, _, nm))| *nm >= 2.0)
        .map(|(why, (from, to, nm))| (why, from, to, nm))
        .collect()
}

/// Transmittance and absorbance of `sample` against `blank`, one entry per row of `sample`.
///
/// The uncertainty holds the scatter along the slit, the steps of the tone curve, the phone held anew, light scattered from
/// neighbouring wavelengths, the exposures as written, the dark's doubt and the tone curve's. Entries are empty where the
/// blank has no light, where either is clipped, where the sample's light is not above twice its noise (absorbance only), or
/// where the uncertainty is larger than 0.3. The blank must have the same steps; where its range ends, entries are empty.
pub fn absorbance(sample: &Spectrum, blank: &Spectrum, link: &Link) -> Vec<AbsorbanceRow> {
    cells(sample, blank, link)
        .into_iter()
        .map(Result::unwrap_or_default)
        .collect()
}

fn cells(sample: &Spectrum, blank: &Spectrum, link: &Link) -> Vec<Result<AbsorbanceRow, Gap>> {
    let (near_sample, near_blank) = (neighbourhood(sample), neighbourhood(blank));
    sample
        .rows
        .iter()
        .enumerate()
        .map(|(i, row)| {
            let nearest = place(blank, row.wavelength_nm)
                .map(|place| (place.round() as usize).min(near_blank.len() - 1));
            let (reference, nearest) = at(blank, row.wavelength_nm)
                .zip(nearest)
                .ok_or(Gap::NoBlank)?;
            let near = (near_sample[i], near_blank[nearest]);
            one(row, &reference, near, link)
        })
        .collect()
}

/// Mean signal within the reach of scattered light, 60 nm to either side, for each row; linear share of full scale.
pub fn neighbourhood(spectrum: &Spectrum) -> Vec<f64> {
    let reach = (SCATTER_REACH_NM / spectrum.step_nm.max(0.01)).round() as usize;
    let mut sums = vec![0.0];
    for row in &spectrum.rows {
        sums.push(sums[sums.len() - 1] + row.signal);
    }
    let n = spectrum.rows.len();
    (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(reach), (i + reach + 1).min(n));
            (sums[b] - sums[a]) / (b - a) as f64
        })
        .collect()
}

/// Is a sample the blank's light through something?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Likeness {
    /// It cannot be: it has lines, or light where the blank has none.
    Another,
    /// Alike, but nowhere the same: a grey filter, or another lamp of the same kind.
    Perhaps,
    /// Alike, and over some range the same, as a solution is beside its band.
    Same,
}

/// Whether `sample` can be the light of `blank` through an absorber: never much brighter than it, and different only in
/// broad strokes. Another lamp has lines, or light where the blank has none.
///
/// `peaks` are the sample's; `exposure_ratio` as in [`absorbance`]. `Same` where too little of the blank is lit to tell.
pub fn likeness(
    sample: &Spectrum,
    peaks: &[Peak],
    blank: &Spectrum,
    exposure_ratio: f64,
) -> Likeness {
    if peaks.iter().any(|peak| shines_alone(peak, sample, blank)) {
        return Likeness::Another;
    }
    let strongest = blank.rows.iter().map(SpectrumRow::strongest);
    let top = strongest.fold(0.0f64, f64::max);
    // Log of sample over blank where the blank is lit; a floor of a hundredth, for what is absorbed altogether.
    let ratios: Vec<Option<f64>> = sample
        .rows
        .iter()
        .map(|row| {
            let reference = at(blank, row.wavelength_nm)?;
            let lit = reference.strongest() > LIT * top;
            (lit && reference.clipped < MOST_CLIPPED && row.clipped < MOST_CLIPPED).then(|| {
                (row.signal * exposure_ratio / reference.signal.max(1e-9))
                    .max(0.01)
                    .ln()
            })
        })
        .collect();
    let lit: Vec<f64> = ratios.iter().flatten().copied().collect();
    if lit.len() < FEWEST_ROWS {
        return Likeness::Same;
    }
    let brighter = lit.iter().filter(|r| **r > BRIGHTER.ln()).count() as f64 / lit.len() as f64;
    let reach = (ROUGH_NM / sample.step_nm.max(0.01)).round() as usize;
    let changes: Vec<f64> = ratios
        .iter()
        .zip(ratios.iter().skip(reach))
        .filter_map(|(a, b)| Some(((*a)? - (*b)?).abs()))
        .collect();
    let rough =
        changes.iter().filter(|c| **c > ROUGH_LN).count() as f64 / changes.len().max(1) as f64;
    let dark = lit.iter().filter(|r| **r < DARK.ln()).count() as f64 / lit.len() as f64;
    let is_odd = brighter >= MOST_ODD || rough >= MOST_ODD || dark >= MOST_DARK;
    if is_odd || lacks_its_bends(&ratios, sample, blank) {
        return Likeness::Another;
    }
    if clear_share(lit) > CLEAR_SHARE {
        Likeness::Same
    } else {
        Likeness::Perhaps
    }
}

/// Beside its bands an absorber lets nearly all light through, and the same share of it everywhere, over so much of the lit
/// range; of two lamps the ratio slopes all along. (Drawn dyes, up to a peak absorbance of 0.65: 0.40 and more; pairs of white
/// diodes whose exposures differ more than twofold: up to 0.33.)
const CLEAR_SHARE: f64 = 0.37;
/// Two logarithms of a ratio that are the same, with their noise.
const SAME_LN: f64 = 0.1;

/// What lets through more than this share lets nearly all light through.
const NEARLY_ALL: f64 = 0.75;

/// Largest share of `logs` (sample over blank) that are alike, and of nearly all light.
fn clear_share(logs: Vec<f64>) -> f64 {
    let n = logs.len() as f64;
    let clear = sorted(logs.into_iter().filter(|r| *r > NEARLY_ALL.ln()));
    let alike = |from: usize| clear.partition_point(|r| *r < clear[from] + SAME_LN) - from;
    (0..clear.len()).map(alike).max().unwrap_or(0) as f64 / n
}

/// A blank bends in so many places at least, and by so much of its logarithm (root of mean square): a bulb has no bends to miss.
const FEWEST_BENDS: f64 = 10.0;
const LEAST_BEND_LN: f64 = 0.2;
/// The ratio's bends are the blank's upside down where this share of them is, and where both go together so well (correlation).
const UPSIDE_DOWN: f64 = -0.5;
const GO_TOGETHER: f64 = -0.8;

/// True where the ratio of sample to blank shows the blank's own peaks and gaps upside down: the sample's light does not have
/// them. `ratios` are logarithms at the sample's wavelengths.
///
/// An absorber's bands have nothing to do with where its lamp peaks: bends of ratio and blank go together by chance only.
fn lacks_its_bends(ratios: &[Option<f64>], sample: &Spectrum, blank: &Spectrum) -> bool {
    let away = (BEND_NM / sample.step_nm.max(0.01)).round() as usize;
    let blank_ln = |i: usize| -> Option<f64> {
        let row = at(blank, sample.rows.get(i)?.wavelength_nm)?;
        Some(row.signal.max(1e-6).ln())
    };
    let (mut both, mut own, mut other) = (0.0f64, 0.0f64, 0.0f64);
    let mut n = 0.0f64;
    for i in (away..ratios.len().saturating_sub(away)).step_by((away / 3).max(1)) {
        let three =
            |f: &dyn Fn(usize) -> Option<f64>| Some(f(i - away)? - 2.0 * f(i)? + f(i + away)?);
        let ratio = three(&|k| ratios.get(k).copied().flatten());
        if let (Some(ratio), Some(blank)) = (ratio, three(&blank_ln)) {
            both += ratio * blank;
            own += ratio * ratio;
            other += blank * blank;
            n += 1.0;
        }
    }
    if n < FEWEST_BENDS || (other / n).sqrt() < LEAST_BEND_LN {
        return false;
    }
    both / other < UPSIDE_DOWN && both / (own * other).sqrt() < GO_TOGETHER
}

/// A line's height, in its uncertainties, from which it may be the sample's own.
const OWN_LINE_SIGMAS: f64 = 20.0;

/// True where a sharp line of the sample stands out of what the blank would leave there: no absorber makes lines.
fn shines_alone(peak: &Peak, sample: &Spectrum, blank: &Spectrum) -> bool {
    if peak.kind == PeakKind::Band || peak.height.value < OWN_LINE_SIGMAS * peak.height.sigma {
        return false;
    }
    let share = |nm: f64| -> Option<f64> {
        let (own, other) = (at(sample, nm)?, at(blank, nm)?);
        let lit = other.clipped < MOST_CLIPPED && other.signal > LIT_SIGMAS * other.signal_sigma;
        lit.then(|| own.signal / other.signal)
    };
    let (centre, away) = (peak.centre_nm.value, 2.0 * peak.fwhm_nm.value);
    match (share(centre), share(centre - away), share(centre + away)) {
        (Some(top), Some(below), Some(above)) => top > LINE_STANDS_OUT * below.max(above),
        _ => false,
    }
}

/// Where a wavelength lies in a spectrum, counted in rows from the first; absent where it has none.
fn place(spectrum: &Spectrum, nm: f64) -> Option<f64> {
    Some((nm - spectrum.rows.first()?.wavelength_nm) / spectrum.step_nm)
}

/// A spectrum at a wavelength, linear between its rows; absent where it does not reach.
pub(super) fn at(spectrum: &Spectrum, nm: f64) -> Option<SpectrumRow> {
    let place = place(spectrum, nm)?;
    if place < -1e-6 {
        return None;
    }
    let i = (place + 1e-6).floor();
    let t = (place - i).max(0.0);
    let a = spectrum.rows.get(i as usize)?;
    if t < 1e-3 {
        return Some(*a);
    }
    let b = spectrum.rows.get(i as usize + 1)?;
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

fn one(
    sample: &SpectrumRow,
    blank: &SpectrumRow,
    (near_sample, near_blank): (f64, f64),
    link: &Link,
) -> Result<AbsorbanceRow, Gap> {
    let exposure_ratio = link.exposure_ratio;
    if blank.clipped > MOST_CLIPPED {
        return Err(Gap::BlankClipped);
    }
    if sample.clipped > MOST_CLIPPED {
        return Err(Gap::SampleClipped);
    }
    let strongest = blank.strongest();
    let mut channels = WeightedMean::default();
    for c in 0..3 {
        let (b, s) = (blank.rgb[c], sample.rgb[c]);
        let (sb, ss) = (
            blank.rgb_sigma[c].hypot(link.stray_sigma),
            sample.rgb_sigma[c].hypot(link.stray_sigma),
        );
        if b < LEAST_BLANK || b < LEAST_CHANNEL_SHARE * strongest || b < LIT_SIGMAS * sb {
            continue;
        }
        let t = s / b * exposure_ratio;
        // Both noises (GUM 5.1.2, first order); and a floor for the tone curve's steps.
        let sigma = ((ss / b * exposure_ratio).powi(2)
            + (t * sb / b).powi(2)
            + (TONE_STEP_SHARE * t.max(TONE_STEP_FROM)).powi(2))
        .sqrt();
        channels.add(t, sigma);
    }
    let mean = channels.mean().ok_or(Gap::BlankDark)?;
    let value = mean.value;
    // Common to all channels: averaging over them does not help. What neighbours scatter in changes nothing where they
    // are dimmed alike.
    let scattered = SCATTERED * (near_sample * exposure_ratio - value * near_blank).abs()
        / blank.signal.max(1e-6);
    let rounded = if (exposure_ratio - 1.0).abs() > 1e-3 {
        ROUNDED
    } else {
        0.0
    };
    // What the curve stretches is the difference in the pictures, before the exposures are linked.
    let seen = (value / exposure_ratio).clamp(1e-3, 1e3);
    let tone = link.tone_share * seen.ln().abs();
    let common = link.held.hypot(rounded).hypot(tone) * value.max(0.0);
    let transmittance = Estimate::new(value, mean.sigma.hypot(scattered).hypot(common));
    let sigma = transmittance.sigma / (transmittance.value.max(1e-9) * std::f64::consts::LN_10);
    let absorbance = (transmittance.value > 2.0 * transmittance.sigma && sigma < LARGEST_SIGMA)
        .then(|| Estimate::new(-transmittance.value.log10(), sigma));
    Ok(AbsorbanceRow {
        transmittance: Some(transmittance),
        absorbance,
    })
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
        let rows = absorbance(&flat(0.05, 0.0), &flat(0.5, 0.0), &Link::of(1.0));
        assert!((rows[2].absorbance.unwrap().value - 1.0).abs() < 1e-9);
    }

    #[test]
    fn half_the_exposure_is_linked_by_its_ratio() {
        let rows = absorbance(&flat(0.1, 0.0), &flat(0.4, 0.0), &Link::of(2.0));
        assert!((rows[0].transmittance.unwrap().value - 0.5).abs() < 1e-9);
    }

    #[test]
    fn a_clipped_blank_gives_empty_cells() {
        let rows = absorbance(&flat(0.1, 0.0), &flat(0.4, 0.5), &Link::of(1.0));
        assert!(rows.iter().all(|r| *r == AbsorbanceRow::default()));
        let why = gaps(&flat(0.1, 0.0), &flat(0.4, 0.5), &Link::of(1.0));
        assert_eq!(why, [(Gap::BlankClipped, 500.0, 504.0, 5.0)]);
    }

    #[test]
    fn what_is_not_known_of_the_phone_is_in_the_uncertainty() {
        let sigma = |link: &Link| {
            let rows = absorbance(&flat(0.05, 0.0), &flat(0.5, 0.0), link);
            rows[2].absorbance.unwrap().sigma
        };
        let plain = sigma(&Link::of(1.0));
        let with_bracket = sigma(&Link {
            tone_share: KNOWN_TONE,
            ..Link::of(1.0)
        });
        assert!((0.11..0.13).contains(&plain), "an eighth of 1: {plain}");
        assert!(with_bracket < 0.4 * plain);
        // Linked by their exposures, two pictures that look alike differ by no curve.
        let linked = absorbance(&flat(0.5, 0.0), &flat(0.5, 0.0), &Link::of(0.1));
        assert!(linked[2].absorbance.unwrap().sigma < 0.3 * plain);
        let doubtful = Link {
            stray_sigma: 0.002,
            ..Link::of(1.0)
        };
        assert!(sigma(&doubtful) > plain);
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
        let seen = |f: &dyn Fn(usize) -> f64| likeness(&scaled(f), &[], &blank, 1.0);
        assert_eq!(seen(&|_| 0.5), Likeness::Perhaps);
        // A yellow solution takes blue away and nothing beyond; of a warm diode and a cold one the ratio slopes all along.
        let yellow = |i: usize| (0.1 + 0.007 * i as f64).min(1.0);
        assert_eq!(seen(&yellow), Likeness::Same);
        assert_eq!(seen(&|i| 0.1 + 0.005 * i as f64), Likeness::Perhaps);
        assert_eq!(
            seen(&|i| if i % 40 < 4 { 0.8 } else { 0.01 }),
            Likeness::Another
        );
        assert_eq!(seen(&|_| 2.0), Likeness::Another);
        // A bulb beside a diode's blank: it has light in the diode's gap and none of its peak.
        let peaked = |i: usize| 1.0 + 3.0 * (-((i as f64 - 60.0) / 12.0).powi(2)).exp();
        let diode = scaled(&|i| 0.2 * peaked(i));
        let bulb = scaled(&|i| 0.1 + 0.0003 * i as f64);
        let dyed = scaled(&|i| {
            0.2 * peaked(i) * (1.0 - 0.7 * (-((i as f64 - 90.0) / 30.0).powi(2)).exp())
        });
        assert_eq!(likeness(&bulb, &[], &diode, 1.0), Likeness::Another);
        assert_eq!(likeness(&dyed, &[], &diode, 1.0), Likeness::Same);
        // A coated lamp: dimmer than the blank everywhere, one line on a broad glow.
        let about = |value: f64, sigma: f64| Estimate::new(value, sigma);
        let line = Peak {
            centre_nm: about(550.0, 0.1),
            own_sigma_nm: 0.05,
            instrument_sigma_nm: 0.05,
            fwhm_nm: about(2.0, 0.1),
            height: about(0.12, 0.001),
            area: about(0.3, 0.01),
            kind: PeakKind::Line,
            clipped: false,
            name: String::new(),
        };
        let coated = scaled(&|i| if i.abs_diff(100) < 2 { 0.4 } else { 0.1 });
        assert_eq!(likeness(&coated, &[], &blank, 1.0), Likeness::Perhaps);
        assert_eq!(
            likeness(&coated, std::slice::from_ref(&line), &blank, 1.0),
            Likeness::Another
        );
        // The blank's own line, dimmed like all else.
        let grey = scaled(&|_| 0.4);
        assert_eq!(likeness(&grey, &[line], &blank, 1.0), Likeness::Perhaps);
    }

    #[test]
    fn a_dark_blank_gives_empty_cells() {
        let rows = absorbance(&flat(0.0005, 0.0), &flat(0.001, 0.0), &Link::of(1.0));
        assert!(rows.iter().all(|r| *r == AbsorbanceRow::default()));
    }
}
