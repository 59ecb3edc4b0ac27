//! A scale that is off evenly over the spectrum, as a lamp's own lines have it, and which peak each of its lines is.

use crate::terms::{Estimate, Lamp, LampLine, Peak, PeakKind};

/// Where a phone sees well enough for a missing line to be missing, nm.
pub(super) const WELL_SEEN_NM: std::ops::Range<f64> = 425.0..680.0;
/// Narrower than this, a table's row is a line or a pair that no phone separates, nm.
pub(super) const NARROW_NM: f64 = 1.5;

/// How far a photo's scale is off, as a lamp's own lines have it: that grows evenly over the spectrum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// How much too long it reads at [`MIDDLE_NM`], nm.
    at_middle_nm: f64,
    /// And how much more for each nm beyond.
    per_nm: f64,
}

/// A shift stands on this many lines more than it has numbers, or more.
pub(super) const SHIFT_FREEDOM: usize = 2;
const LEAST_SHIFTED: usize = SHIFT_FREEDOM + 3;
/// Where it is stated, nm.
const MIDDLE_NM: f64 = 550.0;
/// Scales are off by this at most, nm, in the middle and at 100 nm from it (drawn photos of two hands: by 1.4 nm, once in a hundred lines)…
const MOST_SHIFT_NM: f64 = 1.2;
const MOST_SHIFT_AT_100_NM: f64 = 1.2;
/// …and are looked for in steps of this, nm; a line is where it is expected within two of them.
const SHIFT_STEP_NM: f64 = 0.2;
/// …or within this share of the bandpass; and under the shift that was found, within this one (no source).
const NEAR_BANDPASS: f64 = 0.25;
const PLACED_BANDPASS: f64 = 0.5;
/// A shift counts less by this share for each nm that it is farther: of two alike the smaller one is taken (no source).
const DEARER_PER_NM: f64 = 1e-3;
/// A band narrower than this, nm, may be a line (no source).
const BROAD_NM: f64 = 6.0;

impl Shift {
    /// The shift under which most of a lamp's lines are where peaks are, and how many are; absent where those are few.
    pub(super) fn of(lamp: &Lamp, sharp: &[&Peak], bandpass_nm: f64) -> Option<(Shift, usize)> {
        let is_wanted = |l: &&LampLine| {
            l.fit && l.width_nm < NARROW_NM && WELL_SEEN_NM.contains(&l.wavelength_nm)
        };
        let lines: Vec<&LampLine> = lamp.lines.iter().filter(is_wanted).collect();
        if lines.len().min(sharp.len()) < LEAST_SHIFTED {
            return None;
        }
        let n_steps = |most: f64| (most / SHIFT_STEP_NM).round() as i32;
        let steps =
            |most: f64| (-n_steps(most)..=n_steps(most)).map(|i| SHIFT_STEP_NM * f64::from(i));
        let near_nm = (2.0 * SHIFT_STEP_NM).max(NEAR_BANDPASS * bandpass_nm);
        let mut best: Option<(f64, Shift)> = None;
        for at_middle_nm in steps(MOST_SHIFT_NM) {
            for at_100_nm in steps(MOST_SHIFT_AT_100_NM) {
                let shift = Shift {
                    at_middle_nm,
                    per_nm: at_100_nm / 100.0,
                };
                let placed: f64 = lines
                    .iter()
                    .filter_map(|line| {
                        let (peak, off_nm) = shift.nearest(line, sharp)?;
                        let near = 1.0 - (off_nm / near_nm).powi(2);
                        Some(near.max(0.0) * (weight(peak) * line.strength).sqrt())
                    })
                    .sum();
                let placed =
                    placed * (1.0 - DEARER_PER_NM * (at_middle_nm.abs() + at_100_nm.abs()));
                if best.is_none_or(|(most, _)| placed > most) {
                    best = Some((placed, shift));
                }
            }
        }
        let (_, near) = best?;
        let found = lines.iter().filter_map(|line| {
            let (peak, off_nm) = near.nearest(line, sharp)?;
            let x = line.wavelength_nm - MIDDLE_NM;
            (off_nm.abs() < near_nm).then_some((x, peak.centre_nm.value - line.wavelength_nm))
        });
        let found: Vec<(f64, f64)> = found.collect();
        if found.len() < LEAST_SHIFTED {
            return None;
        }
        let n = found.len() as f64;
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| found.iter().map(of).sum::<f64>() / n;
        let (x, off) = (mean(&|f| f.0), mean(&|f| f.1));
        let spread = mean(&|f| (f.0 - x).powi(2)).max(f64::MIN_POSITIVE);
        let per_nm = mean(&|f| (f.0 - x) * (f.1 - off)) / spread;
        let shift = Shift {
            at_middle_nm: off - per_nm * x,
            per_nm,
        };
        Some((shift, found.len()))
    }

    /// How much too long the scale reads there, nm.
    fn at(&self, nm: f64) -> f64 {
        self.at_middle_nm + self.per_nm * (nm - MIDDLE_NM)
    }

    /// The peak nearest to where a line is expected, and how far from there, nm.
    fn nearest<'a>(&self, line: &LampLine, sharp: &[&'a Peak]) -> Option<(&'a Peak, f64)> {
        let expected = line.wavelength_nm + self.at(line.wavelength_nm);
        let off = sharp.iter().map(|p| (*p, p.centre_nm.value - expected));
        off.min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
    }

    pub(super) fn put_right(&self, peak: &Peak) -> Peak {
        let nm = peak.centre_nm.value;
        Peak {
            centre_nm: Estimate::new(nm - self.at(nm), peak.own_sigma_nm),
            ..peak.clone()
        }
    }
}

/// The peak that each line of a lamp is, as far as its own lines say how far the scale is off: pairs of line and peak.
pub fn placed<'a>(
    lamp: &'a Lamp,
    peaks: &'a [Peak],
    bandpass_nm: f64,
) -> Vec<(&'a LampLine, &'a Peak)> {
    let lit: Vec<&Peak> = peaks.iter().filter(|p| p.height.value > 0.0).collect();
    let sharp: Vec<&Peak> = sharp_of(&lit);
    let shift = Shift::of(lamp, &sharp, bandpass_nm).map(|(shift, _)| shift);
    let shift = shift.unwrap_or(Shift {
        at_middle_nm: 0.0,
        per_nm: 0.0,
    });
    let is_narrow = |l: &&LampLine| l.fit && l.width_nm < NARROW_NM;
    lamp.lines
        .iter()
        .filter(is_narrow)
        .filter_map(|line| {
            let (peak, off_nm) = shift.nearest(line, &sharp)?;
            (off_nm.abs() < PLACED_BANDPASS * bandpass_nm).then_some((line, peak))
        })
        .collect()
}

/// Those of the peaks that are no bands.
pub(super) fn sharp_of<'a>(seen: &[&'a Peak]) -> Vec<&'a Peak> {
    let is_sharp = |p: &&&Peak| p.kind != PeakKind::Band || p.fwhm_nm.value < BROAD_NM;
    seen.iter().filter(is_sharp).copied().collect()
}

/// What a peak counts; nothing where more was taken for background than there is.
pub(super) fn weight(peak: &Peak) -> f64 {
    peak.height.value.max(0.0).sqrt()
}
