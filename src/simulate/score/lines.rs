//! Wavelength errors of single lines: a local centroid in the published spectrum, and the nearest published peak.

use super::entry::{Entry, Seen, SeenRow};
use crate::simulate::truth::{TrueLine, Truth};
use crate::terms::Estimate;

/// Error that is put down for a scale on which a strong line is nowhere near its place, nm.
const LOST_NM: f64 = 10.0;
/// A line is looked for within this distance of its true place, nm.
const SEARCH_NM: f64 = 3.5;
/// Bandpass where none is published, nm: that of a slit of 0.3 mm.
const USUAL_BANDPASS_NM: f64 = 2.0;
/// Weaker neighbours than this share of a line shift its centroid by less than 0.05 nm.
const WEAK_NEIGHBOUR: f64 = 0.02;
/// A line is strong from this share of the source's strongest on, in the range where every phone sees well.
const STRONG: f64 = 0.2;

/// Which scale a line checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// In the photo of the calibration lamp itself.
    CalibrationPhoto,
    /// In any other photo.
    OtherPhoto,
}

/// An isolated line in a photo.
#[derive(Clone, Debug, PartialEq)]
pub struct LineError {
    /// Photo.
    pub photo: String,
    /// Bench.
    pub bench: String,
    /// Name, such as `He 587.56`.
    pub name: String,
    /// True place, nm; of a blend that nobody could resolve, the mean by strength.
    pub wavelength_nm: f64,
    /// Whether the photo shows the calibration lamp.
    pub place: Place,
    /// False where the calibration lamp has this line, too.
    pub is_of_other_lamp: bool,
    /// Whether it must be seen: bright, between 430 and 690 nm.
    pub is_strong: bool,
    /// Centroid in `spectrum.csv` less the truth, nm; absent where nothing stands out there.
    pub in_spectrum_nm: Option<f64>,
    /// Nearest centre in `peaks.csv` less the truth, with the uncertainty reported for it, nm.
    pub in_peaks_nm: Option<Estimate>,
}

impl LineError {
    /// The error that counts for the photo's scale as a whole, nm: a lost strong line counts as far off, a lost weak one not at all.
    pub(super) fn scale_error(&self) -> Option<f64> {
        self.in_spectrum_nm.or(self.is_strong.then_some(LOST_NM))
    }
}

/// The isolated lines of a photo with their errors. `lamp` is the truth about the photo that the scale came from.
pub(super) fn errors(entry: &Entry, seen: &Seen, lamp: Option<&Truth>) -> Vec<LineError> {
    let bandpass_nm = seen
        .metrics
        .get("bandpass_nm")
        .copied()
        .unwrap_or(USUAL_BANDPASS_NM);
    let place = if seen.capture == "calibration" {
        Place::CalibrationPhoto
    } else {
        Place::OtherPhoto
    };
    let shared =
        |nm: f64| lamp.is_some_and(|l| l.lines.iter().any(|k| (k.wavelength_nm - nm).abs() < 0.1));
    isolated(&entry.truth.lines, bandpass_nm)
        .into_iter()
        .filter(|line| match place {
            Place::OtherPhoto => true,
            // The lamp's other lines stand beside phosphor bands of which the truth says nothing.
            Place::CalibrationPhoto => line.wavelength_nm < 440.0,
        })
        .map(|line| {
            let neighbour_nm = nearest_of_note(&entry.truth.lines, &line);
            let reach_nm = (0.5 * neighbour_nm).clamp(bandpass_nm.min(SEARCH_NM), SEARCH_NM);
            let nearest = seen
                .peaks
                .iter()
                .map(|p| Estimate::new(p.value - line.wavelength_nm, p.sigma))
                .min_by(|a, b| a.value.abs().total_cmp(&b.value.abs()))
                .filter(|error| error.value.abs() <= reach_nm);
            LineError {
                photo: entry.photo.clone(),
                bench: entry.bench.clone(),
                is_of_other_lamp: place == Place::OtherPhoto && !shared(line.wavelength_nm),
                place,
                is_strong: line.strength >= STRONG && (430.0..690.0).contains(&line.wavelength_nm),
                in_spectrum_nm: centroid(&seen.spectrum, line.wavelength_nm, reach_nm, bandpass_nm)
                    .map(|at| at - line.wavelength_nm),
                in_peaks_nm: nearest,
                name: line.name,
                wavelength_nm: line.wavelength_nm,
            }
        })
        .filter(|line| line.is_strong || line.in_spectrum_nm.is_some())
        .collect()
}

/// Lines with nothing of note within what their own image and the baseline beside it take up. Lines closer together than
/// any spectrum could show count as one.
fn isolated(lines: &[TrueLine], bandpass_nm: f64) -> Vec<TrueLine> {
    let mut blends: Vec<TrueLine> = Vec::new();
    for line in lines
        .iter()
        .filter(|l| (400.0..=720.0).contains(&l.wavelength_nm))
    {
        match blends.last_mut() {
            Some(last) if line.wavelength_nm - last.wavelength_nm < 0.4 * bandpass_nm => {
                let sum = last.strength + line.strength;
                last.wavelength_nm =
                    (last.wavelength_nm * last.strength + line.wavelength_nm * line.strength) / sum;
                last.strength = sum;
                last.name = format!("{}+", last.name);
            }
            _ => blends.push(line.clone()),
        }
    }
    let strongest = blends.iter().fold(0.0, |a: f64, l| a.max(l.strength));
    let stands_alone = |line: &TrueLine| {
        blends.iter().all(|other| {
            let distance_nm = (other.wavelength_nm - line.wavelength_nm).abs();
            distance_nm == 0.0
                || distance_nm > 2.1 * bandpass_nm + baseline_nm(bandpass_nm)
                || other.strength < WEAK_NEIGHBOUR * line.strength
        })
    };
    let mut alone: Vec<TrueLine> = blends.iter().filter(|l| stands_alone(l)).cloned().collect();
    for line in &mut alone {
        line.strength /= strongest;
    }
    alone
}

/// Width of the baseline on either side of a line, nm: some rows of any spectrum lie in it.
fn baseline_nm(bandpass_nm: f64) -> f64 {
    (0.25 * bandpass_nm).max(0.6)
}

/// Distance to the nearest line that could be taken for this one, nm.
fn nearest_of_note(lines: &[TrueLine], line: &TrueLine) -> f64 {
    let strongest = lines.iter().fold(0.0, |a: f64, l| a.max(l.strength));
    lines
        .iter()
        .filter(|l| l.strength > 0.2 * line.strength * strongest)
        .map(|l| (l.wavelength_nm - line.wavelength_nm).abs())
        // Its own parts.
        .filter(|d| *d > 1.0)
        .fold(f64::INFINITY, f64::min)
}

/// Centroid of what stands out over a straight baseline around the brightest place within `reach_nm` of `near_nm`;
/// absent where it does not stand out by ten times its uncertainty, or by a hundredth of the spectrum's brightest.
fn centroid(rows: &[SeenRow], near_nm: f64, reach_nm: f64, bandpass_nm: f64) -> Option<f64> {
    let between = |low: f64, high: f64| {
        let from = rows.partition_point(|r| r.wavelength_nm < low);
        let to = rows.partition_point(|r| r.wavelength_nm <= high);
        &rows[from..to.max(from)]
    };
    let brightest = |rows: &[SeenRow]| {
        rows.iter()
            .copied()
            .max_by(|a, b| a.signal.total_cmp(&b.signal))
    };
    let top = brightest(between(near_nm - reach_nm, near_nm + reach_nm))?;
    let half_nm = 1.05 * bandpass_nm;
    let outer_nm = half_nm + baseline_nm(bandpass_nm);
    let mut at = top.wavelength_nm;
    let mut height = 0.0;
    for _ in 0..8 {
        let side = |rows: &[SeenRow]| {
            (!rows.is_empty())
                .then(|| rows.iter().map(|r| r.signal).sum::<f64>() / rows.len() as f64)
        };
        let left = side(between(at - outer_nm, at - half_nm))?;
        let right = side(between(at + half_nm, at + outer_nm))?;
        let middle_nm = 0.5 * (half_nm + outer_nm);
        let base = |nm: f64| left + (right - left) * (nm - at + middle_nm) / (2.0 * middle_nm);
        let (mut sum, mut moment) = (0.0, 0.0);
        height = 0.0f64;
        for row in between(at - half_nm, at + half_nm) {
            let light = row.signal - base(row.wavelength_nm);
            // The window's ends lie between rows; what is cut there is next to nothing.
            sum += light;
            moment += light * row.wavelength_nm;
            height = height.max(light);
        }
        let next = moment / sum;
        if !next.is_finite() || (next - near_nm).abs() > reach_nm + bandpass_nm {
            return None;
        }
        let moved = (next - at).abs();
        at = next;
        if moved < 1e-3 {
            break;
        }
    }
    let all = brightest(rows)?.signal;
    (height > 10.0 * top.signal_sigma && height > 0.01 * all).then_some(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(wavelength_nm: f64, strength: f64) -> TrueLine {
        TrueLine {
            wavelength_nm,
            strength,
            name: format!("{wavelength_nm:.0}"),
        }
    }

    /// Gaussian lines of 1.6 nm at half height on a slope.
    fn spectrum(lines: &[(f64, f64)]) -> Vec<SeenRow> {
        (0..1640)
            .map(|i| 370.125 + 0.25 * f64::from(i))
            .map(|nm| {
                let light: f64 = lines
                    .iter()
                    .map(|(at, height)| height * (-0.5 * ((nm - at) / 0.68).powi(2)).exp())
                    .sum();
                SeenRow {
                    wavelength_nm: nm,
                    signal: light + 1e-4 * (nm - 370.0),
                    signal_sigma: 1e-4,
                    absorbance: None,
                }
            })
            .collect()
    }

    #[test]
    fn a_centroid_finds_a_shifted_line_on_a_slope() {
        let rows = spectrum(&[(588.01, 0.5), (594.0, 0.4)]);
        let found = centroid(&rows, 587.562, 3.0, 1.6).unwrap();
        assert!((found - 588.01).abs() < 0.01, "{found}");
    }

    #[test]
    fn where_nothing_stands_out_there_is_no_line() {
        let rows = spectrum(&[(588.01, 0.5)]);
        assert_eq!(centroid(&rows, 501.568, 3.0, 1.6), None);
        assert_eq!(centroid(&rows, 900.0, 3.0, 1.6), None);
    }

    #[test]
    fn a_pair_that_nobody_resolves_is_one_line_and_near_neighbours_are_none() {
        // Sodium's pair, 0.6 nm apart, is one line between them; mercury's yellow pair, 2.1 nm apart, is neither.
        let lines = [
            line(576.9598, 0.17),
            line(579.0663, 0.18),
            line(588.995, 1.0),
            line(589.5924, 0.62),
        ];
        let alone = isolated(&lines, 1.6);
        assert_eq!(alone.len(), 1);
        let expected = (588.995 + 0.62 * 589.5924) / 1.62;
        assert!((alone[0].wavelength_nm - expected).abs() < 1e-9);
    }
}
